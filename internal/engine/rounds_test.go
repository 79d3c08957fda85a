package engine

import (
	"strings"
	"testing"

	"dryhold/internal/alarm"
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

// An overdue round is told a week after it was due, also of a room that nobody
// measures; once it is done the alarm returns by itself, and a room whose food
// is gone needs none.
func TestOverdueRoundIsTold(t *testing.T) {
	const days = 24.0
	c := byDefault(add("L-1", "brown-rice", "pet-2l", "cellar", at(0)))
	c.Rooms = []string{"cellar", "loft"}
	p := newPlay(t, c)
	for d := 1.0; d <= 37; d++ {
		p.tick(d * days)
	}
	p.told1(alarm.RoundDue, "")
	for d := 38.0; d <= 40; d++ {
		p.tick(d * days)
	}
	p.told1(alarm.RoundDue, "raised")
	if n := p.of(alarm.RoundDue)[0]; n.Alarm.Room != "cellar" || n.Priority != alarm.Low || n.Subject != "Cellar: no inspection round for 39 days" || strings.Contains(n.Body, "cost") {
		t.Errorf("told %+v", n)
	}
	p.keeps(40.5*days, c, alarm.RoundDue)
	change := func(x lot.Change) {
		t.Helper()
		if err := p.e.CheckLot(x); err != nil {
			t.Fatal(err)
		}
		fx, err := p.e.ChangeLot(x)
		if err != nil {
			t.Fatal(err)
		}
		p.take(fx)
	}
	change(lot.Change{Kind: lot.Inspected, Room: "cellar", At: at(41 * days), Recorded: at(41 * days), Answers: []lot.RoundAnswer{{Question: "damp", Answer: lot.RoundFine}}})
	p.tick(41*days + 1)
	p.told1(alarm.RoundDue, "raised returned")
	for d := 42.0; d <= 80; d++ {
		p.tick(d * days)
	}
	p.told1(alarm.RoundDue, "raised returned raised")
	change(lot.Change{Kind: lot.Ended, Lot: "L-1", At: at(80.5 * days), Recorded: at(80.5 * days), Note: "eaten"})
	p.tick(81 * days)
	p.told1(alarm.RoundDue, "raised returned raised")
	p.state(alarm.Key{Kind: alarm.RoundDue, Room: "cellar"}, alarm.Normal)
}
