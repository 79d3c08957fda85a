package alarm

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// noticeOf is a notice of an event, as Compose writes it.
func noticeOf(t *testing.T, key string, ev NoticeEvent) Notice {
	t.Helper()
	k, err := ParseKey(key)
	if err != nil {
		t.Fatal(err)
	}
	c := New(k)
	since := time.Date(2026, 7, 15, 12, 0, 0, 0, time.UTC)
	c.State, c.Active, c.Unknown, c.Spell = ActiveUnacknowledged, true, false, 1
	c.Since, c.RaisedAt, c.Changed, c.Value, c.ValueAt, c.Peak, c.PeakAt = since, since, since, 31.4, since, 33, since
	if k.Kind == Silent {
		c.Value = 3600
	}
	return Compose("Larch House", c, Rule{Kind: k.Kind, Limit: 24, Priority: Medium}, ev, since.Add(2*time.Hour), time.UTC, Context{})
}

// fits checks what holds for every message to a person.
func fits(t *testing.T, n Notice) {
	t.Helper()
	if length(n.Subject) > subjectWidth || n.Subject == "" || strings.ContainsAny(n.Subject, "\r\n") {
		t.Errorf("subject %q", n.Subject)
	}
	for line := range strings.Lines(n.Body) {
		if utf8.RuneCountInString(strings.TrimRight(line, "\n")) > bodyWidth {
			t.Errorf("the line %q is too long", line)
		}
	}
	if strings.Count(n.Body, wrap(caution)) != 1 || !strings.HasSuffix(n.Body, wrap(caution)+"\n") {
		t.Errorf("the caution comes not once at the end:\n%s", n.Body)
	}
}

func TestGroup(t *testing.T) {
	at := time.Date(2026, 7, 15, 14, 5, 0, 0, time.FixedZone("CEST", 7200))
	f := func(subject string, parts []string, notices ...Notice) {
		t.Helper()
		n := Group("mara", "mara#7/x", at, notices)
		fits(t, n)
		if n.Subject != subject {
			t.Errorf("subject %q, want %q", n.Subject, subject)
		}
		for _, p := range parts {
			if flat := strings.Join(strings.Fields(n.Body), " "); !strings.Contains(n.Body, p) && !strings.Contains(flat, p) {
				t.Errorf("%q is missing in\n%s", p, n.Body)
			}
		}
		if n.To != "mara" || n.Key != "mara#7/x" || len(n.Items) != len(notices) || !n.At.Equal(at) || n.Alarm != notices[0].Alarm || n.Event != notices[0].Event {
			t.Errorf("%+v", n)
		}
		for i, x := range n.Items {
			if x.Key != notices[i].Alarm || x.Event != notices[i].Event || x.Subject != notices[i].Subject || !x.Since.Equal(notices[i].Since) {
				t.Errorf("item %+v of %+v", x, notices[i])
			}
		}
	}
	warm, damp := noticeOf(t, "warm/loft", Raised), noticeOf(t, "damp/loft", Raised)
	f(warm.Subject, []string{"Alarm warm/loft"}, warm)
	f(warm.Subject+" and 1 more", []string{"2 alarms at Larch House:", "Alarm warm/loft", "Alarm damp/loft"}, warm, damp)
	again := warm
	again.Event = Reminder
	f("Still: "+warm.Subject, []string{"Still so, and nobody has acknowledged it."}, again)
	second := warm
	second.Event = Escalated
	f("No answer yet: "+warm.Subject, []string{"You are told because nobody has acknowledged it so far."}, second)
	long := warm
	long.Subject = "The long room under the roof too warm: 31.4 °C, up to 12.3 days of life lost"
	f("The long room under the roof too warm: 31.4 °C and 2 more", nil, long, damp, damp)

	// Twenty sensors that fell silent are one thing.
	var silent []Notice
	for i := range 20 {
		silent = append(silent, noticeOf(t, fmt.Sprintf("silent/%s/s%02d", []string{"loft", "cellar"}[i%2], i), Raised))
	}
	f("20 sensors silent: loft, cellar", []string{"20 sensors have sent nothing:", "s19 in the cellar", "the broker, a gateway"}, silent...)
	if n := Group("mara", "k", at, silent); strings.Count(n.Body, "What to do now") != 1 {
		t.Errorf("twenty sections:\n%s", n.Body)
	}
	f(warm.Subject+" and 20 more", []string{"20 sensors silent: loft, cellar", "Alarm warm/loft"}, append([]Notice{warm}, silent...)...)
	f(silent[0].Subject+" and 1 more", []string{"Alarm silent/loft/s00"}, silent[0], silent[1])
}

func TestWeek(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 7, 19, 18, 0, 0, 0, berlin)
	week := func(change func(*Week)) Week {
		w := Week{
			Site: "Larch House", Since: at.AddDate(0, 0, -7), Next: at.AddDate(0, 0, 7), CostSince: at.AddDate(0, 0, -7),
			Rooms: []WeekRoom{{Name: "north-pantry", Mean: 15.04, Max: 16.2, Humidity: 0.55, Covered: 0.993}},
		}
		change(&w)
		return w
	}
	f := func(w Week, well bool, subject string, parts ...string) {
		t.Helper()
		n := w.Notice("mara", "mara#3/x", at)
		fits(t, n)
		if w.Well() != well || n.Subject != subject {
			t.Errorf("well %v, subject %q, want %v %q", w.Well(), n.Subject, well, subject)
		}
		for _, p := range append(parts, "This message is also the sign that dryhold runs. The next one is due Sun 26 Jul 2026 18:00 CEST") {
			if flat := strings.Join(strings.Fields(n.Body), " "); !strings.Contains(n.Body, p) && !strings.Contains(flat, p) {
				t.Errorf("%q is missing in\n%s", p, n.Body)
			}
		}
		if n.Event != Digest || n.To != "mara" || len(n.Items) != 0 {
			t.Errorf("%+v", n)
		}
	}
	f(week(func(*Week) {}), true, "Week to 19 Jul: all is well",
		"All is well: no alarm came, and every room was watched.", "north pantry             15.0 °C   16.2 °C     55 %      99 %", "No lot has lost life beyond plan storage.")
	f(week(func(w *Week) { w.Rooms[0].Covered, w.Rooms[0].Mean, w.Rooms[0].Max = 0, math.NaN(), math.NaN() }), false,
		"Week to 19 Jul: not all was watched", "not known not known", "No alarm stands now.")
	f(week(func(w *Week) { w.Rooms = nil }), false, "Week to 19 Jul: not all was watched", "No room was watched.")
	busy := week(func(w *Week) {
		for i := range 5 {
			w.Costs = append(w.Costs, LotCost{Lot: fmt.Sprintf("L-%d", i), Food: "Brown rice", Days: float64(i)})
		}
		w.Alarms = []WeekAlarm{
			{Text: "Loft too warm: 31.0 °C", Began: at.AddDate(0, 0, -2), Told: true, Acknowledged: "mara"},
			{Text: "Cellar dry again", Began: at.AddDate(0, 0, -3), Ended: at.AddDate(0, 0, -2)},
		}
		w.Care = []string{"Loft: battery of sensor loft-1 low: 9 %"}
		w.Aside = []string{"bright/loft, out of service by mara"}
		w.First = []WeekLot{{Lot: "L-4", Food: "Brown rice", Room: "loft", Early: at.AddDate(0, 1, 0), Why: "its seal leaks"}, {Lot: "L-1", Food: "Sugar", Room: "loft"}}
		w.Steps = []string{"L-2 Hard wheat: low-oxygen hold 40 % complete; at this pace all of it by 2 Aug 2026, and this line is longer than a line may be"}
		w.Notes = []string{"loft: compressor failed"}
	})
	f(busy, false, "Week to 19 Jul: 1 alarm stands, cost 10.0 days of life",
		"1 alarm stands now.", "L-4 (Brown rice)                                     4.0 days", "all 5 lots together                                 10.0 days",
		"Loft too warm: 31.0 °C\n    since Fri 17 Jul 18:00; acknowledged by mara", "Cellar dry again\n    Thu 16 Jul 18:00 to Fri 17 Jul 18:00, over; no notice went out",
		"L-4 Brown rice, loft: may end 19 Aug 2026; its seal leaks", "L-1 Sugar, loft: no end within 100 years", "compressor failed", "out of service by mara", "loft-1 low")
	busy.Costs, busy.Uncosted = nil, 2
	f(busy, false, "Week to 19 Jul: 1 alarm stands, 1 sensor needs care", "The cost to 2 lots is not wholly known")
}

func TestDrilling(t *testing.T) {
	n := Drilling("Larch House", "mara", "mara#9/x", time.Date(2026, 4, 12, 9, 0, 0, 0, time.UTC))
	if n.Event != Test || n.To != "mara" || length(n.Subject) > subjectWidth || !strings.Contains(strings.Join(strings.Fields(n.Body), " "), "`dryhold notices drill mara`") {
		t.Errorf("%+v", n)
	}
}
