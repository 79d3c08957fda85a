package replay_test

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/replay"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
)

// TestPlayedFromTheMiddle plays 40 invented days of a loft, with a lot that is
// packed and one that is moved meanwhile: from the beginning, and from a week
// before the last twelve days on, with what came before folded. Of these both
// tell the same.
func TestPlayedFromTheMiddle(t *testing.T) {
	cat, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	s := settings.Default()
	begin := time.Date(2026, time.May, 1, 0, 0, 0, 0, time.UTC)
	day := func(d float64) time.Time { return begin.Add(time.Duration(d * 24 * float64(time.Hour))) }
	var all []room.Reading
	for at := begin; at.Before(day(40)); at = at.Add(15 * time.Minute) {
		d := at.Sub(begin).Hours() / 24
		v := 18 + 0.08*d + 3*math.Sin(2*math.Pi*d) + 2*math.Sin(2*math.Pi*d/9)
		for _, q := range []unit.Quantity{unit.Temperature, unit.Humidity} {
			if q == unit.Humidity {
				v = 0.5 + 0.12*math.Sin(2*math.Pi*d/13)
			}
			all = append(all, room.Reading{Series: room.Series{Room: "loft", Sensor: "a", Quantity: q}, At: at, Value: q.Round(v)})
		}
	}
	packed := func(id, in string, at time.Time) lot.Change {
		return lot.Change{Kind: lot.Added, Lot: id, At: at, Recorded: at, Packing: &lot.Packing{
			Food: "brown-rice", Container: "pet-2l", Count: 1, NetMassKG: 1, PackedAt: at, Room: in, Treatment: lot.Treatment{Kind: lot.NoTreatment}, Shading: lot.Boxed,
		}}
	}
	h := replay.House{
		Engine: engine.Config{
			Site: s.Site, Zone: s.Zone, Catalog: cat, Rules: s.Rules, Stale: s.StaleLimit, Forecasting: engine.Forecasting{Futures: 2},
			Lots: []lot.Change{packed("L-1", "loft", day(2)), packed("L-2", "cellar", day(3)), {Kind: lot.Moved, Lot: "L-2", Room: "loft", At: day(33), Recorded: day(33)}},
		},
		Rooms: []string{"loft"}, Readings: replay.Stored(all),
	}
	play := func(from time.Time) []alarm.Event {
		t.Helper()
		p, err := replay.New(h, from)
		if err != nil {
			t.Fatal(err)
		}
		for _, to := range []time.Time{day(28), day(40)} {
			p.Begin()
			if err := p.Play(to, nil); err != nil {
				t.Fatal(err)
			}
		}
		if l := p.Log(); !l.From.Equal(day(28)) || !l.To.Equal(day(40)) || l.Readings != 12*4*24*2-2 && l.Readings != 12*4*24*2 {
			t.Errorf("played from %v to %v, %d readings", l.From, l.To, l.Readings)
		}
		var out []alarm.Event
		for _, e := range p.Log().Alarms {
			e.Spell, e.From = 0, "" // counted from the start; what came before may have returned unacknowledged
			out = append(out, e)
		}
		return out
	}
	whole, late := play(begin), play(day(21))
	if len(whole) < 6 {
		t.Errorf("only %d changes of state in twelve days", len(whole))
	}
	if d := cmp.Diff(whole, late); d != "" {
		t.Errorf("played from the middle (-whole +late):\n%s", d)
	}
}
