package lot

import (
	"strings"
	"testing"
)

func TestMoistFoodWithAbsorberIsCautioned(t *testing.T) {
	f := func(treatment Treatment, moisture float64, want string) {
		t.Helper()
		got := with(good(), func(p *Packing) { p.Treatment, p.MoistureWB = treatment, moisture }).Caution()
		if want == "" && got != "" || !strings.Contains(got, want) {
			t.Errorf("%+v at %g: caution %q, want %q", treatment, moisture, got, want)
		}
	}
	absorber := Treatment{Kind: Absorber, CapacityCM3: 300}
	f(absorber, 0, "") // not measured
	f(absorber, 0.08, "")
	f(absorber, 0.10, "") // models section 13: about 10 % or less
	f(absorber, 0.115, "at 11.5 % moisture")
	f(absorber, 0.14, "Botulism")
	f(Treatment{Kind: NoTreatment}, 0.14, "")
	f(Treatment{Kind: FreezeThaw}, 0.14, "")
}
