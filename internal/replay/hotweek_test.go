package replay_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/engine"
	"dryhold/internal/replay"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/scenario"
	"dryhold/internal/unit"
)

// hotWeek is an invented July: from the 8th on a wave of heat comes within three
// days and stays for a week. 20 sensors, one stuck, one with a battery that
// runs out, lost messages, a broker that is restarted, and a power cut of 5 h in
// the middle; 36 lots.
type hotWeek struct {
	*scenario.Scenario
	cfg     engine.Config
	weather *weather
	zone    *time.Location
}

func (h *hotWeek) day(d int, hours float64) time.Time {
	return time.Date(2026, time.July, d, 0, 0, 0, 0, h.zone).Add(time.Duration(hours * float64(time.Hour)))
}

func makeHotWeek(t *testing.T) *hotWeek {
	t.Helper()
	s, _ := parsed(t)
	h := &hotWeek{zone: s.Zone}
	before, start, end := h.day(-90, 0), h.day(1, 0), h.day(24, 0)
	h.weather = makeWeather(before, end, 12, func(at time.Time) float64 {
		in, out := at.Sub(h.day(8, 0)).Hours()/72, h.day(17, 0).Sub(at).Hours()/24
		return 13 * math.Min(1, math.Max(0, math.Min(in, out)))
	})
	h.Scenario, h.cfg = larch(t, h.weather, before, start, end, 12, map[string][]string{
		"cellar":       {"cellar-1", "cellar-2", "cellar-3", "cellar-4", "cellar-5", "cellar-6"},
		"north-pantry": {"pantry-1", "pantry-2", "pantry-3", "pantry-4", "pantry-5", "pantry-6"},
		"loft":         {"loft-1", "loft-2", "loft-3", "loft-4", "loft-5", "loft-6", "loft-7"},
		"garden":       {"garden-1"},
	})
	for i := range h.Series {
		switch x := &h.Series[i]; x.Sensor {
		case "loft-3":
			if x.Quantity == unit.Temperature {
				x.Stuck = []scenario.Span{{From: h.day(7, 12), To: end}}
			}
		case "pantry-2":
			x.Gaps = append(x.Gaps, scenario.Span{From: h.day(13, 7), To: end.Add(time.Hour)})
		}
	}
	h.Series = append(h.Series, scenario.Series{
		Series: room.Series{Room: "north-pantry", Sensor: "pantry-2", Quantity: unit.Battery}, Every: time.Hour,
		Shape: scenario.Points{Points: []scenario.Point{{At: h.day(1, 0), Value: 0.21}, {At: h.day(13, 7), Value: 0.02}}},
		Gaps:  []scenario.Span{{From: h.day(13, 7), To: end.Add(time.Hour)}},
	})
	h.Outages = []scenario.Outage{
		{What: scenario.Broker, Span: scenario.Span{From: h.day(11, 9), To: h.day(11, 9.1)}},
		{What: scenario.Power, Span: scenario.Span{From: h.day(12, 13), To: h.day(12, 18)}},
	}
	return h
}

func TestHotWeek(t *testing.T) {
	t.Parallel()
	h := makeHotWeek(t)
	_, p, err := replay.Run(h.Scenario, h.cfg)
	if err != nil {
		t.Fatal(err)
	}
	l := p.Log()
	t.Cleanup(func() {
		if t.Failed() || testing.Verbose() {
			show(t, l, h.zone)
		}
	})
	s := l.Summary(h.zone)
	if len(s.People) != 1 || s.People[0].Busiest.Count > replay.MostInDay {
		t.Fatalf("told: %+v, want one person and at most %d messages a day", s.People, replay.MostInDay)
	}
	if d := s.People[0].Digests; d < 3 || d > 4 {
		t.Errorf("%d digests in 23 days", d)
	}
	told := tell(t, l)
	h.warnedBefore(t, told)
	h.nothingMissing(t, l, told)
	h.costsAsReviewed(t, p)
	// One sensor runs out, and the one that is stuck is found out. Those of the
	// cut and of the broker are not blamed.
	for _, e := range l.Alarms {
		if e.Key.Kind == alarm.Silent && e.Key.Sensor != "pantry-2" {
			t.Errorf("%s: %s at %v", e.Key, e.To, e.At)
		}
	}
	for _, key := range []alarm.Key{
		{Kind: alarm.LowBattery, Room: "north-pantry", Sensor: "pantry-2"}, {Kind: alarm.Silent, Room: "north-pantry", Sensor: "pantry-2"},
		{Kind: alarm.Disagree, Room: "loft", Sensor: "loft-3"},
	} {
		if len(told[key]) == 0 {
			t.Errorf("%s was not told", key)
		}
	}
}

// tell follows what was told of each alarm: from the message that told it as
// raised to the one of its return, or to the end of its episode, which is a day
// after it came back for good. Nothing is told twice in an episode, no return or
// reminder comes without a raise, and each message has a key of its own.
func tell(t *testing.T, l *replay.Log) map[alarm.Key][]scenario.Span {
	t.Helper()
	told, keys := map[alarm.Key][]scenario.Span{}, map[string]bool{}
	for _, m := range l.Messages {
		if keys[m.Key] {
			t.Errorf("message %s came twice", m.Key)
		}
		keys[m.Key] = true
		for _, x := range m.Items {
			spans := told[x.Key]
			open := len(spans) > 0 && spans[len(spans)-1].To.IsZero()
			if end := episode(l, x.Key, m.At); x.Event == alarm.Raised && open && !end.IsZero() {
				spans[len(spans)-1].To, open = end, false
			}
			switch {
			case x.Event == alarm.Raised && open:
				t.Errorf("%s was told twice: again at %v", x.Key, m.At)
			case x.Event == alarm.Raised:
				told[x.Key] = append(spans, scenario.Span{From: m.At})
			case !open:
				t.Errorf("%s: %s at %v, and nothing was told before", x.Key, x.Event, m.At)
			case x.Event == alarm.Returned:
				spans[len(spans)-1].To = m.At
			}
		}
	}
	return told
}

// episode is the end of the episode of an alarm before the one it is in at an
// instant; zero where there was none.
func episode(l *replay.Log, key alarm.Key, now time.Time) (end time.Time) {
	var returned time.Time
	for _, e := range l.Alarms {
		switch {
		case e.Key != key || e.At.After(now):
		case e.To != alarm.ActiveUnacknowledged:
			returned = e.At
		case !returned.IsZero() && e.At.Sub(returned) >= dispatch.Calm:
			end = returned
		}
	}
	return end
}

// passes is when the air of the loft, as it truly was, went above a limit for
// an on-delay and half an hour: the noise of one sensor cannot hide that.
func (h *hotWeek) passes(values []float64, rule alarm.Rule) (spells []scenario.Span) {
	var from time.Time
	for i, v := range values {
		at := h.weather.from.Add(time.Duration(i) * quarter)
		switch {
		case at.Before(h.Start):
		case v > rule.Limit && from.IsZero():
			from = at
		case v <= rule.Limit && !from.IsZero():
			if at.Sub(from) > rule.OnDelay+30*time.Minute {
				spells = append(spells, scenario.Span{From: from, To: at})
			}
			from = time.Time{}
		}
	}
	return spells
}

// warnedBefore: when the heat came to the loft it was told that it is to be
// expected, and stood so.
func (h *hotWeek) warnedBefore(t *testing.T, told map[alarm.Key][]scenario.Span) {
	t.Helper()
	spells := h.passes(h.weather.loft, h.cfg.Rules("loft")[alarm.Warm])
	if len(spells) == 0 {
		t.Fatal("the loft was never too warm")
	}
	came, ahead := spells[0].From, told[alarm.Key{Kind: alarm.Ahead, Room: "loft"}]
	i := slices.IndexFunc(ahead, func(s scenario.Span) bool { return s.From.Before(came) && (s.To.IsZero() || s.To.After(came)) })
	if i < 0 {
		t.Errorf("the heat was told ahead at %v, and came at %v", ahead, came)
		return
	}
	t.Logf("told %.1f h before the limit was passed", came.Sub(ahead[i].From).Hours())
}

// nothingMissing: each true spell of heat that passes its delay was told within
// the hour, or within an episode that was told, or, where the day had no message
// left, within a day; and each raise was told within a day, unless it follows
// from another that was.
func (h *hotWeek) nothingMissing(t *testing.T, l *replay.Log, told map[alarm.Key][]scenario.Span) {
	t.Helper()
	during := func(key alarm.Key, at time.Time, late time.Duration) bool {
		return slices.ContainsFunc(told[key], func(s scenario.Span) bool {
			return !s.From.After(at.Add(late)) && (s.To.IsZero() || s.To.After(at))
		})
	}
	for name, values := range map[string][]float64{"cellar": h.weather.cellar, "north-pantry": h.weather.northPantry, "loft": h.weather.loft} {
		for _, kind := range []alarm.Kind{alarm.Warm, alarm.Hot} {
			rule, key := h.cfg.Rules(name)[kind], alarm.Key{Kind: kind, Room: name}
			for _, s := range h.passes(values, rule) {
				cut := slices.ContainsFunc(h.Outages, func(o scenario.Outage) bool { return o.From.Before(s.To) && s.From.Before(o.To) })
				late := rule.OnDelay + time.Hour
				if cut {
					late += 6 * time.Hour
				}
				if lately(l, s.From.Add(late)) >= dispatch.DefaultAtMost {
					late += 24 * time.Hour
				}
				if hotter := (alarm.Key{Kind: alarm.Hot, Room: name}); !during(key, s.From, late) && !during(hotter, s.From, late) {
					t.Errorf("%s was above %g °C from %v to %v, which was not told", name, rule.Limit, s.From, s.To)
				}
			}
		}
	}
	for _, e := range l.Alarms {
		if e.To != alarm.ActiveUnacknowledged || during(e.Key, e.At, 24*time.Hour) {
			continue
		}
		k := e.Key
		follows := slices.Contains([]alarm.Kind{alarm.Warm, alarm.Ahead, alarm.Ageing, alarm.HoursOver}, k.Kind) &&
			(during(alarm.Key{Kind: alarm.Hot, Room: k.Room}, e.At, dispatch.Calm) || during(alarm.Key{Kind: alarm.Warm, Room: k.Room}, e.At, dispatch.Calm))
		if !follows && e.At.Before(h.End.Add(-24*time.Hour)) {
			t.Errorf("%s was raised at %v and not told", k, e.At)
		}
	}
}

// lately counts the messages of the 24 h before an instant.
func lately(l *replay.Log, now time.Time) (n int) {
	for _, m := range l.Messages {
		if since := now.Sub(m.At); m.Event != alarm.Digest && since >= 0 && since < 24*time.Hour {
			n++
		}
	}
	return n
}

// costsAsReviewed: what the message of a return says that the heat has cost each
// lot is what the review says of it at the end.
func (h *hotWeek) costsAsReviewed(t *testing.T, p *replay.Player) {
	t.Helper()
	reviews, err := p.Engine().Review(p.Now())
	if err != nil {
		t.Fatal(err)
	}
	compared, sum := 0, 0.0
	for _, m := range p.Log().Messages {
		for _, x := range m.Items {
			if x.Event != alarm.Returned || x.Key.Kind != alarm.Warm || x.Key.Sensor != "" {
				continue
			}
			for _, c := range x.Costs {
				i := slices.IndexFunc(reviews, func(r review.Review) bool { return r.Lot == c.Lot })
				want := 0.0
				for _, e := range reviews[i].Events {
					if e.Kind == review.Excursion && e.Room == x.Key.Room && e.From.Before(m.At) && e.To.After(x.Since) {
						want += reviews[i].InDays(e.Cost).Lost.Heat
					}
				}
				compared, sum = compared+1, sum+want
				if off := math.Abs(c.Days - max(0, want)); off > 0.05+0.01*want {
					t.Errorf("%s at %v: lot %s cost %.3f days, the review says %.3f", x.Key, m.At, c.Lot, c.Days, want)
				}
			}
		}
	}
	if compared < 12 || sum < 1 {
		t.Errorf("only %d costs were compared, of %.2f days of life", compared, sum)
	}
	t.Logf("%d costs compared, of %.2f days of life", compared, sum)
}

// show writes all that was raised and told.
func show(t *testing.T, l *replay.Log, zone *time.Location) {
	t.Helper()
	for _, e := range l.Alarms {
		t.Logf("%s %s: %s to %s, %.4g", e.At.In(zone).Format("2 Jan 15:04"), e.Key, e.From, e.To, e.Value)
	}
	for _, m := range l.Messages {
		t.Logf("%s to %s: %s: %s", m.At.In(zone).Format("2 Jan 15:04"), m.To, m.Event, m.Subject)
		for _, i := range m.Items {
			t.Logf("      %s %s", i.Event, i.Key)
		}
	}
}
