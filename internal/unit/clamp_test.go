package unit

import "testing"

func TestClamp(t *testing.T) {
	f := func(q Quantity, v, want float64) {
		t.Helper()
		if got := q.Clamp(v); got != want {
			t.Errorf("%s %g comes to %g, want %g", q, v, got, want)
		}
		if err := q.Plausible(q.Clamp(v)); err != nil {
			t.Error(err)
		}
	}
	f(Temperature, 20.5, 20.5)
	f(Temperature, -61, -60)
	f(Temperature, 101, 100)
	f(Humidity, 1.004, 1)
	f(Humidity, -0.01, 0)
	f(Link, -150, -150)
}
