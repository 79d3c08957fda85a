package course_test

import (
	"fmt"
	"testing"

	"dryhold/internal/course"
)

func TestLook(t *testing.T) {
	c := shipped(t)
	for _, x := range []struct {
		food, box string
		cap       float64
	}{{"white-rice", "pet-2l", 300}, {"white-rice", "pet-2l", 0}, {"brown-rice", "pet-2l", 300}, {"rolled-oats", "can-no10", 500}, {"hard-wheat", "pail-20l", 2000}, {"nonfat-dry-milk", "foil-pouch-4l", 500}, {"sugar", "glass-jar-1l", 0}, {"white-flour", "paper-sack-10kg", 0}} {
		l := lotOf(t, c, x.food, x.box, x.cap)
		f := course.New(c, steady(21, 0.5))
		co, s := follow(t, f, l, 5*year)
		o, err := f.Outlook(co, l)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Printf("%s %s %v: remaining %.3f, aw %.3f, wb %.3f, O2 %.4f, absorber %.0f of %.0f enclosed, hold %+v, pests %.1f viable %v\n", x.food, x.box, x.cap, s.Remaining, s.Activity, s.Moisture, s.Oxygen, s.Absorber, s.Enclosed, s.Hold, s.Pests.Likely, s.Viable)
		for _, m := range s.Modes {
			fmt.Printf("   %s %.3f water %.2f oxygen %.2f ret %v\n", m.Mode.Name, m.Consumed, m.Water, m.Oxygen, m.Retention)
		}
		fmt.Printf("   amber %v red %v spent %v O2 %v\n  end %v %v %v by %s\n", o.Amber, o.Red, o.Spent, o.Oxygen, o.EndEarly, o.End, o.EndLate, o.EndBy)
	}
}
