package engine

import (
	"strings"
	"testing"

	"dryhold/internal/lot"
)

// A room with food in it is due a month after its last round, or after the food
// came; one without never is. The weekly digest tells it, and what was found.
func TestRoundsAreDueMonthly(t *testing.T) {
	const days = 24.0
	c := config(add("L-1", "brown-rice", "pet-2l", "cellar", at(0)))
	c.Rooms = []string{"cellar", "loft"}
	p := newPlay(t, c)
	f := func(h float64, overdue bool, said ...string) {
		t.Helper()
		rooms := p.e.Rounds(at(h))
		if len(rooms) != 2 || rooms[0].Overdue != overdue || rooms[1].Overdue || !rooms[1].Due.IsZero() {
			t.Errorf("after %g h: %+v", h, rooms)
		}
		if got := strings.Join(p.e.weekRound("cellar", at(h)), "; "); got != strings.Join(said, "; ") {
			t.Errorf("after %g h the digest says %q, want %q", h, got, said)
		}
	}
	f(30*days, false)
	due := "cellar: an inspection round is due since " + p.e.date(at(31*days)) + "; dryhold rounds shows what to look for"
	f(32*days, true, due)
	done := lot.Change{Kind: lot.Inspected, Room: "cellar", At: at(33 * days), Recorded: at(33 * days), Answers: []lot.RoundAnswer{{Question: "damp", Answer: lot.RoundFound}}}
	if err := p.e.CheckLot(done); err != nil {
		t.Fatal(err)
	}
	if _, err := p.e.ChangeLot(done); err != nil {
		t.Fatal(err)
	}
	f(40*days, false, "cellar: the round of "+p.e.date(at(33*days))+" found damp")
	f(65*days, true, strings.Replace(due, p.e.date(at(31*days)), p.e.date(at(64*days)), 1), "cellar: the round of "+p.e.date(at(33*days))+" found damp")
}
