package settings_test

import (
	"math"
	"strings"
	"testing"

	"dryhold/internal/settings"
)

func TestWhatIsEaten(t *testing.T) {
	eats := func(src string, want settings.Eating) {
		t.Helper()
		s, err := settings.Parse("f", []byte("eating:\n  - {food: white-rice, "+src+"}\n"))
		if err != nil || len(s.Eating) != 1 {
			t.Errorf("%s: %v, %v", src, s.Eating, err)
			return
		}
		if got := s.Eating[0]; math.Abs(got.KGPerMonth-want.KGPerMonth) > 1e-12 || got.Months != want.Months || got.Food != "white-rice" {
			t.Errorf("%s: %+v, want %+v", src, got, want)
		}
	}
	eats("per_month: 3 kg", settings.Eating{KGPerMonth: 3})
	eats("per_month: 500 g, keep: 2 years", settings.Eating{KGPerMonth: 0.5, Months: 24})
	// 1 lb is 0.45359237 kg (NIST SP 811, appendix B).
	eats("per_month: 10 lb, keep: 1 month", settings.Eating{KGPerMonth: 4.5359237, Months: 1})
	eats("per_month: 0 kg", settings.Eating{})

	refuses := func(src, want string) {
		t.Helper()
		_, err := settings.Parse("f", []byte(src))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", src, err, want)
		}
	}
	refuses("eating:\n  - {food: a, per_month: 3}\n", `write for example "3 kg"`)
	refuses("eating:\n  - {food: a, per_month: -3 kg}\n", "outside 0 to 10000 kg")
	refuses("eating:\n  - {food: a, per_month: 3 kg, keep: 3 weeks}\n", `write for example "12 months"`)
	refuses("eating:\n  - {food: a, per_month: 3 kg}\n  - {food: a, per_month: 3 kg}\n", "second time")
	refuses("eating:\n  - {food: a}\n", "per_month")
	refuses("persons: {count: 0}\n", "count must be a number from 0.1")
	refuses("persons: {count: 2, kcal_per_day: 9}\n", "kcal_per_day must be a number from 100")
	refuses("persons: 3\n", "persons must be keys")
}

func TestPersons(t *testing.T) {
	s, err := settings.Parse("f", []byte("persons: {count: 2.5}\n"))
	if err != nil || s.Persons == nil || *s.Persons != (settings.Persons{Count: 2.5}) {
		t.Errorf("%+v, %v", s.Persons, err)
	}
	if s := settings.Default(); s.Persons != nil || s.Eating != nil {
		t.Errorf("by default %+v eat %+v", s.Persons, s.Eating)
	}
}

func TestFoodsThatNobodyKnows(t *testing.T) {
	cat, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	s, err := settings.Parse("f", []byte("eating:\n  - {food: white-rise, per_month: 3 kg}\n"))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.CheckFoods(cat, "f"); err == nil || !strings.Contains(err.Error(), `did you mean "white-rice"`) {
		t.Errorf("checked: %v", err)
	}
	s.Eating[0].Food = "white-rice"
	if err := s.CheckFoods(cat, "f"); err != nil {
		t.Error(err)
	}
}
