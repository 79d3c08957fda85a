package review

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/catalog"
)

// months is an instant so many twelfths of a mean year after packing.
func months(n float64) time.Time { return after(n * 365.25 / 12) }

func stock(id string, kg, early, likely float64) Stock {
	s := Stock{Lot: id, Food: "white-rice", KG: kg, By: "staling"}
	if early != 0 {
		s.Early = months(early)
	}
	if likely != 0 {
		s.Likely = months(likely)
	}
	return s
}

func TestUseFirst(t *testing.T) {
	stocks := []Stock{
		stock("keeps", 5, 0, 0), stock("late", 5, 40, 80), stock("soon", 5, 10, 80), stock("soon-sooner", 1, 10, 60),
		stock("soon-large", 9, 10, 80), stock("past", 5, -3, -1), stock("may-be", 5, -2, 20),
	}
	stocks[1].Leaks, stocks[3].RedPast = true, true
	worst := Event{Spell: Spell{Room: "loft", Kind: Excursion, From: months(-9)}, Cost: Cost{Lost: Parts{Heat: 0.2}}}
	reviews := []Review{{Lot: "soon", Life: 1000, Cost: Cost{Lost: Parts{Heat: 0.3, Light: -0.1}}, Events: []Event{worst}}}
	turns := UseFirst(stocks, reviews, packed())
	var order []string
	reasons := map[string][]Reason{}
	for _, x := range turns {
		order, reasons[x.Lot] = append(order, x.Lot), x.Reasons
	}
	if d := cmp.Diff([]string{"past", "may-be", "soon-sooner", "soon-large", "soon", "late", "keeps"}, order); d != "" {
		t.Error(d)
	}
	f := func(id string, want ...Reason) {
		t.Helper()
		if d := cmp.Diff(want, reasons[id], cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-6 })); d != "" {
			t.Errorf("%s:\n%s", id, d)
		}
	}
	const month = 365.25 / 12
	f("past", Reason{Code: PastEnd, Days: month, Name: "staling"})
	f("may-be", Reason{Code: MayBePast, Days: 2 * month, Name: "staling"})
	f("soon-sooner", Reason{Code: PastRed, Name: "staling"}, Reason{Code: EndsEarly, Days: 10 * month, Name: "staling"})
	f("late", Reason{Code: Leaking}, Reason{Code: EndsEarly, Days: 40 * month, Name: "staling"})
	f("keeps", Reason{Code: NoEnd})
	f("soon", Reason{Code: EndsEarly, Days: 10 * month, Name: "staling"},
		Reason{Code: LostMost, Name: "heat", Share: 0.3, Days: 300}, Reason{Code: WorstWas, Name: "loft", Share: 0.2, Days: 200, Spell: &worst.Spell})
}

// By hand: 2 kg a month. A, 6 kg by month 2: 4 kg in time, 2 late. Then B, 10
// kg by month 9: months 2 to 7, all in time. Then C, 3 kg without an end, to
// month 8.5. All in time would take 3 kg a month (6 by month 2; 16 by month 9
// are less).
func TestRotationByHand(t *testing.T) {
	stocks := []Stock{stock("B", 10, 9, 30), stock("C", 3, 0, 0), stock("A", 6, 2, 20), stock("gone", 1, -5, -2)}
	plans, err := Rotate(stocks, []Eating{{Food: "white-rice", KGPerMonth: 2, Months: 12}}, packed())
	if err != nil || len(plans) != 1 {
		t.Fatal(plans, err)
	}
	p := plans[0]
	near(t, "stock", p.KG, 19, 1e-9)
	near(t, "in time", p.InTime, 17, 1e-6)
	near(t, "late", p.Late, 2, 1e-6)
	near(t, "enough", p.Enough, 3, 1e-6)
	at := func(what string, got, want time.Time) {
		t.Helper()
		if got.Sub(want).Abs() > time.Minute {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	at("runs out", p.RunsOut, months(8.5))
	for i, want := range []struct {
		lot          string
		from, to     float64
		inTime, late float64
	}{{"A", 0, 2, 4, 2}, {"B", 2, 7, 10, 0}, {"C", 7, 8.5, 3, 0}} {
		m := p.Lots[i]
		if m.Lot != want.lot {
			t.Fatalf("meal %d is %s", i, m.Lot)
		}
		at(m.Lot+", from", m.From, months(want.from))
		at(m.Lot+", to", m.To, months(want.to))
		near(t, m.Lot+", in time", m.InTime, want.inTime, 1e-6)
		near(t, m.Lot+", late", m.Late, want.late, 1e-6)
	}
	task := func(p Rotation, c Code) Task {
		t.Helper()
		for _, x := range p.Tasks {
			if x.Code == c {
				return x
			}
		}
		t.Errorf("no task %s among %+v", c, p.Tasks)
		return Task{}
	}
	if x := task(p, Judge); x.Lot != "gone" || x.KG != 1 {
		t.Errorf("%+v", x)
	}
	x := task(p, GiveAway)
	near(t, "given away", x.KG, 2, 1e-6)
	at("by", x.By, months(2))
	near(t, "faster", task(p, EatFaster).Rate, 3, 1e-6)
	near(t, "bought", task(p, Buy).KG, 7, 1e-6) // 24 kg are 12 months
	at("bought by", task(p, Buy).By, packed())

	// With a store of 6 months there is enough until 5 kg are eaten.
	plans, err = Rotate(stocks, []Eating{{Food: "white-rice", KGPerMonth: 2, Months: 6}}, packed())
	if err != nil {
		t.Fatal(err)
	}
	at("bought by", task(plans[0], Buy).By, months(2.5))
	// A needs a month more than it has; a repack that gives it does.
	stocks[2].RepackDays = 31
	plans, err = Rotate(stocks, []Eating{{Food: "white-rice", KGPerMonth: 2}}, packed())
	if err != nil {
		t.Fatal(err)
	}
	if x := task(plans[0], Repack); x.Lot != "A" {
		t.Errorf("%+v", x)
	}
	// Nothing eaten of it: what has an end is late.
	plans, err = Rotate(stocks, nil, packed())
	if err != nil {
		t.Fatal(err)
	}
	p = plans[0]
	near(t, "late", p.Late, 16, 1e-9)
	near(t, "keeps", p.InTime, 3, 1e-9)
	if x := task(p, NoRate); x.KG != 19 || !p.RunsOut.IsZero() {
		t.Errorf("%+v", p)
	}
	// Eaten, and none there.
	plans, err = Rotate(nil, []Eating{{Food: "oats", KGPerMonth: 1, Months: 2}}, packed())
	if err != nil || len(plans) != 1 || task(plans[0], Buy).KG != 2 || !plans[0].RunsOut.Equal(packed()) {
		t.Errorf("%+v, %v", plans, err)
	}
	for _, e := range []Eating{{KGPerMonth: -1}, {KGPerMonth: math.NaN()}, {Months: math.Inf(1)}} {
		if _, err := Rotate(nil, []Eating{e}, packed()); err == nil {
			t.Errorf("%+v was planned", e)
		}
	}
}

// Nothing is eaten twice or lost, no lot past its early edge counts as in time,
// no other order of the lots eats more in time, and the rate said to be enough
// is.
func TestRotationIsTheBest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var stocks []Stock
		kg := 0.0
		for i := range rapid.IntRange(1, 8).Draw(t, "lots") {
			s := stock(string(rune('a'+i)), rapid.Float64Range(0.5, 20).Draw(t, "kg"), rapid.Float64Range(0.1, 30).Draw(t, "months"), 40)
			if rapid.IntRange(0, 5).Draw(t, "keeps") == 0 {
				s.Early, s.Likely = time.Time{}, time.Time{}
			}
			stocks, kg = append(stocks, s), kg+s.KG
		}
		rate := rapid.Float64Range(0.1, 10).Draw(t, "rate")
		plan := func(rate float64) Rotation {
			plans, err := Rotate(stocks, []Eating{{Food: "white-rice", KGPerMonth: rate}}, packed())
			if err != nil {
				t.Fatal(err)
			}
			return plans[0]
		}
		p := plan(rate)
		near(t, "all", p.InTime+p.Late, kg, 1e-9*kg)
		for _, m := range p.Lots {
			if m.InTime < -1e-9 || m.Late < -1e-9 || !m.By.IsZero() && m.InTime > 1e-6 && m.To.After(m.By.Add(time.Second)) {
				t.Errorf("meal %+v", m)
			}
		}
		if x := plan(p.Enough*(1+1e-9) + 1e-9); x.Late > 1e-6 {
			t.Errorf("at %g kg a month %g kg are late", p.Enough, x.Late)
		}
		// Any other order, each lot up to its early edge.
		order := rapid.Permutation(stocks).Draw(t, "order")
		clock, eaten := 0.0, 0.0
		for _, s := range order {
			left := math.Inf(1)
			if !s.Early.IsZero() {
				left = max(0, s.Early.Sub(packed()).Hours()/24/daysPerMonth-clock)
			}
			took := min(left, s.KG/rate)
			clock, eaten = clock+took, eaten+took*rate
		}
		if eaten > p.InTime+1e-6 {
			t.Errorf("in another order %g kg are eaten in time, in this %g", eaten, p.InTime)
		}
	})
}

// By hand: 10 kg of white rice are 36,500 kcal and 10 kg of pinto beans 34,700
// (USDA, release 26), for 2 persons at 2,100 kcal 16.95 days.
func TestSuppliesByHand(t *testing.T) {
	c := shipped(t)
	rice, beans, salt, past := stock("r", 10, 10, 20), stock("b", 10, 0, 0), stock("s", 1, 0, 0), stock("p", 4, -2, -1)
	beans.Food, salt.Food = "dry-beans", "salt"
	s, err := Supplies(c, []Stock{rice, salt, beans, past}, 2, PlanningEnergy, packed())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "kcal", s.Energy.Likely, 71_200, 1e-6)
	near(t, "days", s.Days.Likely, 16.952, 0.001)
	if !(s.Days.Low < s.Days.Likely && s.Days.Likely < s.Days.High) || s.Past != 4 || len(s.Uncounted) != 0 {
		t.Errorf("%+v", s)
	}
	if len(s.Foods) != 3 || s.Foods[0].Food != "white-rice" || s.Foods[2].Energy != 0 || s.Foods[0].Source == "" {
		t.Errorf("%+v", s.Foods)
	}
	near(t, "days of rice", s.Foods[0].Days, 36_500.0/4200, 1e-9)

	blank := plainCatalog()
	blank.Foods[0].Energy = catalog.Band{}
	x := stock("x", 5, 0, 0)
	x.Food = "crystals"
	if s, err := Supplies(blank, []Stock{x, x}, 1, 2000, packed()); err != nil || len(s.Uncounted) != 1 || s.Days.Likely != 0 {
		t.Errorf("%+v, %v", s, err)
	}
	for _, bad := range [][2]float64{{0, 2000}, {1, 0}, {math.NaN(), 2000}, {1, math.Inf(1)}} {
		if _, err := Supplies(c, nil, bad[0], bad[1], packed()); err == nil {
			t.Errorf("%v was taken", bad)
		}
	}
	x.Food = "no-such-food"
	if _, err := Supplies(c, []Stock{x}, 1, 2000, packed()); err == nil {
		t.Error("a food nobody knows fed somebody")
	}
}
