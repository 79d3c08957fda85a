package lot

import (
	"errors"
	"testing"
	"time"
)

func round(room string, at time.Time, answers ...RoundAnswer) Change {
	return Change{Kind: Inspected, Room: room, At: at, Recorded: at, By: "mara", Answers: answers}
}

func TestRounds(t *testing.T) {
	fine, found := RoundAnswer{"rodents", RoundFine}, RoundAnswer{"damp", RoundFound}
	b := bookOf(t, added("L-1", "cellar"), round("cellar", day(5), fine, found), round("cellar", day(2), fine), round("loft", day(9), fine))
	last, any := b.LastRound("cellar") // told in another order
	if !any || !last.At.Equal(day(5)) || len(last.Found()) != 1 || last.Found()[0].ID != "damp" {
		t.Errorf("last round %+v, %t", last, any)
	}
	if _, any := b.LastRound("attic"); any || len(b.Rounds()) != 3 || b.NextID() != "L-2" || len(b.Clone().Rounds()) != 3 {
		t.Errorf("rounds %+v", b.Rounds())
	}
	f := func(c Change, want string) {
		t.Helper()
		if err := b.Check(c); !errors.Is(err, ErrInvalid) || err.Error() != want {
			t.Errorf("%v, want %q", err, want)
		}
	}
	f(round("", day(3), fine), "no room: say which was looked through")
	f(round("cellar", day(3)), "no answers: say of each point whether all is fine or something was found")
	f(round("cellar", day(3), RoundAnswer{"ghosts", RoundFine}), `unknown question "ghosts": it is one of rodents, bottles, leaks, damp, sensor`)
	f(round("cellar", day(3), RoundAnswer{"rodents", "perhaps"}), `rodents: unknown answer "perhaps": it is fine or found`)
	f(round("cellar", day(3), fine, fine), "rodents is answered twice")
	f(Change{Kind: Inspected, Room: "cellar", At: day(9), Recorded: day(7), Answers: []RoundAnswer{fine}}, "the round at 2026-03-23T12:00:00Z is in the future")
	f(round("cellar", time.Time{}, fine), "the round at 0001-01-01T00:00:00Z is before 1980")
}
