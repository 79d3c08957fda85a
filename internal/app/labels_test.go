package app

import (
	"testing"

	"dryhold/internal/settings"
)

// What a label's code holds is read without the server; with an address it is
// one that opens the page of the lot.
func TestLabelCode(t *testing.T) {
	f := func(at, want string) {
		t.Helper()
		s := settings.Settings{Site: "larch-house"}
		s.HTTP.PublicURL = at
		a := &App{opts: Options{Settings: &s}}
		facts := []string{"Lot: L-1, container 3 of 12", "Food: White rice", "Treatment: absorber 300 cm³", "", "Moisture: 9.5 %"}
		if got := a.labelCode("L-1", facts); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	f("", "Lot: L-1, container 3 of 12\nFood: White rice\nTreatment: absorber 300 cm³\nMoisture: 9.5 %")
	f("http://hearth.lan:8090", "http://hearth.lan:8090/lots/L-1#Lot=L-1_container_3_of_12;Food=White_rice;Treatment=absorber_300_cm3;Moisture=9.5_percent")
}
