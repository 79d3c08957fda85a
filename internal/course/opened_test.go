package course_test

import (
	"testing"

	"dryhold/internal/barrier"
	"dryhold/internal/course"
)

// An opened container follows the air of the room: its oxygen is that of air at
// once, its absorber is spent, and in weeks its water is that of a paper sack.
// Until then it is as one that stays closed.
func TestOpenedFollowsTheRoom(t *testing.T) {
	c := shipped(t)
	f := course.New(c, steady(20, 0.75))
	closed := lotOf(t, c, "white-rice", "pet-2l", 300)
	opened := closed
	opened.OpenedAt = after(100.3)
	sack := lotOf(t, c, "white-rice", "paper-sack-10kg", 0)

	if a, b := stateOf(t, f, advance(t, f, closed, after(100)), closed), stateOf(t, f, advance(t, f, opened, after(100)), opened); a.Oxygen != b.Oxygen || a.Activity != b.Activity {
		t.Errorf("before it was opened: %+v, want %+v", b.Oxygen, a.Oxygen)
	}
	k := advance(t, f, opened, after(160))
	s, still := stateOf(t, f, k, opened), stateOf(t, f, advance(t, f, closed, after(160)), closed)
	if s.Oxygen.Likely != barrier.AirOxygen || s.Oxygen.Low != barrier.AirOxygen || s.Absorber != 0 {
		t.Errorf("opened: oxygen %+v, absorber %g", s.Oxygen, s.Absorber)
	}
	near(t, "water activity two months open", s.Activity.Likely, 0.75, 0.02)
	near(t, "that of a paper sack after years", stateOf(t, f, advance(t, f, sack, after(1500)), sack).Activity.Likely, 0.75, 0.02)
	if !(still.Activity.Likely < 0.65) || !(still.Oxygen.Likely < 0.01) {
		t.Errorf("the closed one went along: %+v, %+v", still.Activity, still.Oxygen)
	}
	// The look ahead knows it too, and no mode lasts longer for it.
	look, kept := outlookOf(t, f, k, opened), outlookOf(t, f, advance(t, f, closed, after(160)), closed)
	if !look.Red.Past && look.Red.At.IsZero() && !kept.Red.At.IsZero() {
		t.Errorf("the red line: opened %+v, closed %+v", look.Red, kept.Red)
	}
	if look.End.IsZero() || !kept.End.IsZero() && look.End.After(kept.End) {
		t.Errorf("the end: opened %v, closed %v", look.End, kept.End)
	}
	if !look.Oxygen[0].Past {
		t.Errorf("oxygen past 1 %%: %+v", look.Oxygen[0])
	}
}
