package pest

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/unit"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.10g, want %.10g within %.2g", what, got, want, tolerance)
	}
}

// halfDigit is half of the last digit of a printed number.
func halfDigit(printed string) float64 {
	_, decimals, _ := strings.Cut(printed, ".")
	return 0.5001 * math.Pow10(-len(decimals))
}

// refused asserts that an error says what could not be done.
func refused(t *testing.T, what string, err error) {
	t.Helper()
	if err == nil {
		t.Errorf("%s was accepted", what)
	} else if !strings.Contains(err.Error(), "cannot ") && !strings.Contains(err.Error(), "unknown ") {
		t.Errorf("%s: %q does not say what it cannot do", what, err)
	}
}

// nonsense are hours no step has.
func nonsense() []unit.Hours {
	return []unit.Hours{0, -1, 24.1, unit.Hours(math.NaN()), unit.Hours(math.Inf(1))}
}

// noTemperature are no temperatures of packed food.
func noTemperature() []unit.Celsius {
	return []unit.Celsius{400, -300, unit.Celsius(math.NaN()), unit.Celsius(math.Inf(-1))}
}

// throughJSON checks that a state is the same after JSON.
func throughJSON[T any](t *testing.T, want T) {
	t.Helper()
	data, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	var got T
	if err := json.Unmarshal(data, &got); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("through JSON (-want +got):\n%s", diff)
	}
}
