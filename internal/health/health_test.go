package health

import "testing"

func TestRed(t *testing.T) {
	f := func(want bool, checks ...Check) {
		t.Helper()
		if got := Red(checks); got != want {
			t.Errorf("%+v: red %t, want %t", checks, got, want)
		}
	}
	well, ill := Check{OK: true, Urgent: true}, Check{Urgent: true}
	mild := Check{} // not OK, and not urgent: a dead mail server while the log delivers
	f(false)
	f(false, well, mild, Check{OK: true})
	f(true, ill)
	f(true, well, mild, ill)
}
