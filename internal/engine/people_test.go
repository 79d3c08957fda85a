package engine_test

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"dryhold/internal/alarm"
	"dryhold/internal/demo"
	"dryhold/internal/dispatch"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/wire"
)

// TestPeopleInTheHotWeek plays the weeks around the hot week of Larch House
// (invented) for one keeper with quiet hours, and for a neighbour who is told
// of what nobody acknowledges. What they are told is no more than was agreed,
// and the digest has the numbers of the review.
func TestPeopleInTheHotWeek(t *testing.T) {
	cat := shipped(t)
	from, end := demo.HotStart().AddDate(0, 0, -12), demo.HotStart().AddDate(0, 0, 16)
	var changes []lot.Change
	for i, p := range []lot.Packing{
		{Food: "brown-rice", Container: "pet-2l", Room: demo.Loft, Treatment: lot.Treatment{Kind: lot.NoTreatment}},
		{Food: "hard-wheat", Container: "pail-20l-foil", Room: demo.Cellar, Treatment: lot.Treatment{Kind: lot.Absorber, CapacityCM3: 2000}},
	} {
		p.Count, p.NetMassKG, p.PackedAt, p.Shading = 4, 1.5, from, lot.DarkRoom
		if p.Container == "pail-20l-foil" {
			p.NetMassKG = 15
		}
		changes = append(changes, lot.Change{Kind: lot.Added, Lot: fmt.Sprintf("L-%d", i+1), At: from, Recorded: from, Packing: &p})
	}
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	person := func(name string) dispatch.Recipient {
		return dispatch.Recipient{
			Name: name, Channels: []string{name + "-mail"}, Least: alarm.Low, Zone: zone, Repeat: dispatch.DefaultRepeat(), AtMost: dispatch.DefaultAtMost,
		}
	}
	mara, neighbour := person("mara"), person("neighbour")
	mara.Quiet, mara.Digest = []dispatch.Span{{From: 22 * 60, To: 7 * 60}}, dispatch.DefaultDigest()
	neighbour.After, neighbour.Least = 6*time.Hour, alarm.Medium
	house := demo.Settings()
	e, err := engine.New(engine.Config{
		Site: house.Site, Zone: zone, Catalog: cat, Rules: house.Rules, Stale: house.StaleLimit, Started: from, Lots: changes,
		Forecasting: engine.Forecasting{Futures: 3}, Dispatching: engine.Dispatching{Recipients: []dispatch.Recipient{mara, neighbour}},
	})
	if err != nil {
		t.Fatal(err)
	}
	topics, err := wire.NewMap(house.Topics, nil)
	if err != nil {
		t.Fatal(err)
	}
	w := watcher{t: t, zone: zone, losses: map[time.Time]map[string]loss{}}
	scenario := demo.NewScenario(1)
	for at := demo.Start(); !at.After(end); at = at.Add(demo.Interval) {
		for _, m := range scenario.Next() {
			if m.At.Before(from) {
				continue
			}
			d, errs := topics.Decode(wire.Message{Topic: "larch/" + m.Room + "/climate", Payload: m.Payload, ReceivedAt: m.At})
			if len(errs) > 0 {
				t.Fatal(errs)
			}
			w.machines(e.Observe(m.At, d.Readings))
		}
		if at.Before(from) {
			continue
		}
		w.machines(e.Tick(at))
		if at.Equal(at.Truncate(24 * time.Hour)) {
			w.review(e, at)
		}
		w.read(e, at)
	}
	w.check()
}

// watcher looks at what goes out.
type watcher struct {
	t      *testing.T
	zone   *time.Location
	people []alarm.Notice
	losses map[time.Time]map[string]loss // by lot, at the start of UTC days
	held   int                           // comparisons of a digest with the review
}

// loss is what the review tells of a lot.
type loss struct {
	mode string
	days float64
}

func (w *watcher) machines(fx engine.Effects) {
	for _, n := range fx.Notices {
		if n.To != "" || n.Channels != nil {
			w.t.Errorf("a notice of machines for %q by %v", n.To, n.Channels)
		}
	}
}

// review notes what each lot has lost by the review.
func (w *watcher) review(e *engine.Engine, at time.Time) {
	reviews, err := e.Review(at)
	if err != nil {
		w.t.Fatal(err)
	}
	w.losses[at] = map[string]loss{}
	for _, r := range reviews {
		w.losses[at][r.Lot] = loss{r.Mode, r.InDays(r.Cost).Lost.Sum()}
	}
}

func (w *watcher) read(e *engine.Engine, at time.Time) {
	fx := e.Dispatch(at, engine.Ways{})
	for _, n := range fx.Notices {
		w.people = append(w.people, n)
		if len(fx.Told) == 0 {
			w.t.Errorf("nothing is kept of %s", n.Key)
		}
		if n.Event == alarm.Digest {
			w.digest(e, n, at)
		}
	}
}

// digest compares the costs of a digest with the review.
func (w *watcher) digest(e *engine.Engine, n alarm.Notice, at time.Time) {
	reviews, err := e.Review(at)
	if err != nil {
		w.t.Fatal(err)
	}
	since := n.Since.UTC().Truncate(24 * time.Hour)
	for _, r := range reviews {
		before := w.losses[since][r.Lot]
		if before.mode != r.Mode {
			w.t.Logf("%s: the review tells %s of %s since, before of %q", n.Subject, r.Lot, r.Mode, before.mode)
			continue
		}
		w.held++
		want := r.InDays(r.Cost).Lost.Sum() - before.days
		got := 0.0
		for _, c := range n.Costs {
			if c.Lot == r.Lot {
				got = c.Days
			}
		}
		// The days before were not settled when they were noted.
		if math.Abs(got-max(0, want)) > 0.02*math.Abs(want)+1e-6 {
			w.t.Errorf("%s: the digest says %s lost %.4f days since %v, the review %.4f", n.Subject, r.Lot, got, since, want)
		}
	}
}

func (w *watcher) check() {
	t := w.t
	t.Helper()
	days, keys, digests := map[string]int{}, map[string]bool{}, 0
	for _, n := range w.people {
		local := n.At.In(w.zone)
		if keys[n.Key] {
			t.Errorf("the key %s twice", n.Key)
		}
		keys[n.Key] = true
		if len(n.Channels) != 1 || n.Channels[0] != n.To+"-mail" {
			t.Errorf("%s goes to %s by %v", n.Key, n.To, n.Channels)
		}
		if utf8.RuneCountInString(n.Subject) > 60 || n.Subject == "" {
			t.Errorf("the subject %q", n.Subject)
		}
		for line := range strings.Lines(n.Body) {
			if utf8.RuneCountInString(line) > 78 {
				t.Errorf("the line %q of %s", line, n.Key)
			}
		}
		if strings.Count(n.Body, "never a statement of safety") != 1 {
			t.Errorf("%s has the caution %d times", n.Subject, strings.Count(n.Body, "never a statement of safety"))
		}
		if n.Event == alarm.Digest {
			digests++
			if local.Weekday() != time.Sunday || local.Hour() != 18 {
				t.Errorf("the digest goes out at %v", local)
			}
			continue
		}
		if n.To == "mara" && n.Priority < alarm.High && (local.Hour() < 7 || local.Hour() >= 22) {
			t.Errorf("mara is woken at %v: %s", local, n.Subject)
		}
		press := func(x alarm.Item) bool {
			return x.Priority >= alarm.High && (x.Event == alarm.Raised || x.Event == alarm.Escalated)
		}
		if !slices.ContainsFunc(n.Items, press) {
			days[n.To+local.Format(" 2006-01-02")]++
		}
	}
	for day, n := range days {
		if n > dispatch.DefaultAtMost {
			t.Errorf("%d messages for %s", n, day)
		}
	}
	if w.held < 4 {
		t.Errorf("only %d costs were compared with the review", w.held)
	}
	if digests != 4 {
		t.Errorf("%d digests in four weeks", digests)
	}
	has := func(to string, event alarm.NoticeEvent) bool {
		return slices.ContainsFunc(w.people, func(n alarm.Notice) bool {
			return n.To == to && slices.ContainsFunc(n.Items, func(x alarm.Item) bool { return x.Event == event && x.Key.Room == demo.Loft })
		})
	}
	if !has("mara", alarm.Raised) || !has("mara", alarm.Reminder) || !has("mara", alarm.Returned) || !has("neighbour", alarm.Escalated) {
		t.Error("the loft was not told as raised, again, over and to the neighbour")
	}
	if dir := os.Getenv("DRYHOLD_TEST_NOTICES"); dir != "" { // to be read as a person would
		var b strings.Builder
		for _, n := range w.people {
			fmt.Fprintf(&b, "To: %s, %s\nSubject: %s\n\n%s\n%s\n", n.To, n.At.In(w.zone).Format("Mon 2 Jan 15:04"), n.Subject, n.Body, strings.Repeat("=", 70))
		}
		if err := os.WriteFile(dir+"/hot-week.txt", []byte(b.String()), 0o600); err != nil {
			t.Error(err)
		}
	}
}
