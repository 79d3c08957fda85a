package replay_test

import (
	"testing"
	"time"

	"dryhold/internal/demo"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/replay"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/wire"
)

// larch is the invented year of Larch House with its lots.
func larch(t testing.TB) (replay.House, []room.Reading) {
	t.Helper()
	cat, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	s := demo.Settings()
	decoder, err := wire.NewMap(s.Topics, nil)
	if err != nil {
		t.Fatal(err)
	}
	var all []room.Reading
	year := demo.NewScenario(1)
	for at := demo.Start(); at.Before(demo.End()); at = at.Add(demo.Interval) {
		for _, m := range year.Next() {
			d, errs := decoder.Decode(wire.Message{Topic: "larch/" + m.Room + "/climate", Payload: m.Payload, ReceivedAt: m.At})
			if len(errs) > 0 {
				t.Fatal(errs)
			}
			all = append(all, d.Readings...)
		}
	}
	var lots []lot.Change
	for i, p := range demo.Lots() {
		lots = append(lots, lot.Change{Kind: lot.Added, Lot: string(rune('A' + i)), At: p.PackedAt, Recorded: p.PackedAt, Packing: &p})
	}
	return replay.House{
		Engine: engine.Config{Site: s.Site, Zone: time.UTC, Catalog: cat, Rules: s.Rules, Stale: s.StaleLimit, Lots: lots,
			Forecasting: engine.Forecasting{Futures: 10}},
		Rooms:    []string{demo.Cellar, demo.Loft, demo.Pantry},
		Readings: replay.Stored(all),
	}, all
}

func TestTime(t *testing.T) {
	h, _ := larch(t)
	began := time.Now()
	p, err := replay.New(h, demo.Start())
	if err != nil {
		t.Fatal(err)
	}
	days := 0
	if err := p.Play(demo.End(), func(*replay.Player) error { days++; return nil }); err != nil {
		t.Fatal(err)
	}
	t.Log(days, time.Since(began), len(p.Log().Alarms), p.Log().Readings)
	for _, a := range p.Log().Alarms {
		t.Log(a.At, a.Key, a.From, a.To)
	}
}
