package engine

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
)

// told40 is the hour to which the store house is told.
const told40 = 40 * 24

func shipped(t testing.TB) *catalog.Catalog {
	t.Helper()
	c, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// storeHouse is an invented house with the shipped classes: a warm loft, lit
// and with humidity, a cool cellar, and an attic of which nothing is known.
func storeHouse(t *testing.T, lots ...lot.Change) *play {
	t.Helper()
	c := config(lots...)
	c.Catalog = shipped(t)
	c.Rooms = []string{"attic", "cellar", "loft"}
	p := newPlay(t, c)
	for h := 0.0; h <= told40; h++ {
		p.e.Observe(at(h), []room.Reading{
			temperature("loft", "s1", at(h), 26+5*math.Sin(h/24*2*math.Pi)), humidity("loft", "s1", at(h), 0.55),
			{Series: room.Series{Room: "loft", Sensor: "s1", Quantity: unit.Illuminance}, At: at(h), Value: 200},
			temperature("cellar", "s2", at(h), 14), humidity("cellar", "s2", at(h), 0.6),
		})
	}
	return p
}

// packing is the change that adds lot n with something changed.
func packing(n int, food, container, in string, change func(*lot.Packing)) lot.Change {
	c := add(fmt.Sprintf("L-%d", n), food, container, in, at(0))
	if change != nil {
		change(c.Packing)
	}
	return c
}

func withAbsorber(capacity float64) func(*lot.Packing) {
	return func(p *lot.Packing) { p.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: capacity} }
}

func explain(t *testing.T, p *play, id string) Explanation {
	t.Helper()
	x, err := p.e.Explain(id, at(told40))
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func section(t *testing.T, x Explanation, key string) Section {
	t.Helper()
	i := slices.IndexFunc(x.Sections, func(s Section) bool { return s.Key == key })
	if i < 0 {
		t.Fatalf("lot %s has no section %q", x.Lot, key)
	}
	return x.Sections[i]
}

// lineWith is the one line of a section that has a text.
func lineWith(t *testing.T, s Section, text string) Line {
	t.Helper()
	i := slices.IndexFunc(s.Lines, func(l Line) bool { return strings.Contains(l.Text, text) })
	if i < 0 {
		t.Fatalf("section %s does not say %q:\n%s", s.Key, text, textOf(s))
	}
	return s.Lines[i]
}

func textOf(s Section) string {
	var b strings.Builder
	for _, l := range s.Lines {
		fmt.Fprintf(&b, "%s [%s]\n", l.Text, l.Source)
	}
	return b.String()
}

// everything is a lot of every food in three containers.
func everything(t *testing.T) *play {
	t.Helper()
	var lots []lot.Change
	for _, f := range shipped(t).Foods {
		lots = append(lots,
			packing(len(lots)+1, f.ID, "pet-2l", "loft", func(p *lot.Packing) { withAbsorber(300)(p); p.Shading = lot.OpenShelf }),
			packing(len(lots)+2, f.ID, "can-no10", "cellar", nil),
			packing(len(lots)+3, f.ID, "paper-sack-10kg", "attic", nil))
	}
	return storeHouse(t, lots...)
}

// calculate does the arithmetic of a line as a reader with a calculator would.
func calculate(t *testing.T, line string) (value, told float64) {
	t.Helper()
	form := regexp.MustCompile(`^Arithmetic: ([\d.]+) days × ([\d.]+) × water ([\d.]+) × oxygen ([\d.]+) ÷ ([\d.]+) days(?: \+ light ([\d.]+))? = ([\d.]+)$`)
	m := form.FindStringSubmatch(line)
	if m == nil {
		t.Fatalf("cannot calculate %q", line)
	}
	var n [8]float64
	for i := 1; i < len(m); i++ {
		if m[i] == "" {
			continue
		}
		var err error
		if n[i], err = strconv.ParseFloat(m[i], 64); err != nil {
			t.Fatal(err)
		}
	}
	return n[1]*n[2]*n[3]*n[4]/n[5] + n[6], n[7]
}

func TestExplainArithmeticIsThatOfTheSnapshot(t *testing.T) {
	p := everything(t)
	p.e.Snapshot(at(told40)) // alarms are costed by the mode that limited a lot when it was last worked out
	snap := p.e.Snapshot(at(told40))
	lit := 0
	for _, v := range snap.Lots {
		x := explain(t, p, v.ID)
		if x.Remaining != v.Remaining || x.Limiting != v.Limiting || !x.AsOf.Equal(v.AsOf) {
			t.Errorf("%s %s: explained %+v by %s, shown %+v by %s", v.ID, v.FoodName, x.Remaining, x.Limiting, v.Remaining, v.Limiting)
		}
		for _, m := range v.Modes {
			s := section(t, x, ModeSection+m.Name)
			value, told := calculate(t, lineWith(t, s, "Arithmetic: ").Text)
			for _, got := range []float64{value, told} {
				if math.Abs(got/m.Consumed.Likely-1) > 2e-5 {
					t.Errorf("%s %s %s: the arithmetic gives %g, the snapshot shows %g", v.ID, v.FoodName, m.Name, got, m.Consumed.Likely)
				}
			}
			if m.Light > 0 {
				lit++
				lineWith(t, s, "Light: ")
			}
		}
		left := section(t, x, LeftSection)
		lineWith(t, left, fmt.Sprintf("so %.1f %% (%.1f to %.1f %%)", 100*v.Remaining.Likely, 100*v.Remaining.Low, 100*v.Remaining.High))
		lineWith(t, left, "Limited by "+v.Limiting)
		switch {
		case v.EndAtPlan.IsZero():
			lineWith(t, left, "it ends not within 100 years")
		case !v.EndAtPlan.After(v.AsOf):
			lineWith(t, left, "its end is past")
		default:
			lineWith(t, left, "it ends about "+v.EndAtPlan.UTC().Format(time.DateOnly))
		}
	}
	if lit == 0 {
		t.Error("no mode has been driven by light: the test tells nothing of it")
	}
	if d := cmp.Diff(snap, p.e.Snapshot(at(told40))); d != "" {
		t.Errorf("explaining changed the state (-before +after):\n%s", d)
	}
}

// Every constant stands with the source that the catalog gives it.
func TestExplainNamesItsSources(t *testing.T) {
	p := everything(t)
	constant := regexp.MustCompile(`kJ/mol|\(d atm\)|\(d kPa\)|\(kg d\)|lux hour\.$|^Life at|^Activation|^Each 0\.1|^The life is|^Without oxygen|half speed|^Share of|^Volume|^Its core|line, |^Warmth would|still sprout|void of`)
	for i, l := range p.e.book.Lots() {
		if i%2 == 1 { // of each food a container or two will do
			continue
		}
		x := explain(t, p, l.ID)
		for _, s := range x.Sections {
			for _, line := range s.Lines {
				if constant.MatchString(line.Text) && line.Source == "" {
					t.Errorf("%s, %s: %q has no source", l.ID, s.Title, line.Text)
				}
			}
		}
		f, err := p.e.cfg.Catalog.Food(l.Packing.Food)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range f.Modes {
			s := section(t, x, ModeSection+m.Name)
			check := func(text string, b catalog.Band, scale float64, used bool) {
				t.Helper()
				if !used {
					return
				}
				line := lineWith(t, s, text)
				if line.Source != b.Source && !strings.Contains(b.Source, "as stated above") {
					t.Errorf("%s %s: %q has source %q, want %q", f.ID, m.Name, line.Text, line.Source, b.Source)
				}
				if want := figures(scale*b.Likely, 4); !strings.Contains(line.Text, want) {
					t.Errorf("%s %s: %q does not say %s", f.ID, m.Name, line.Text, want)
				}
			}
			check("Life at 21 °C", m.Life, 1, true)
			check("Activation energy", m.Ea, 1, true)
			check("stated for a water activity", m.ActivityAt, 1, m.PerTenth.Likely > 1)
			check("Each 0.1", m.PerTenth, 1, m.PerTenth.Likely > 1)
			check("Without oxygen", m.LowOxygenGain, 1, m.LowOxygenGain.Likely > 1)
			check("lux hour", m.LightRate, 1e6, m.LightRate.Likely > 0)
		}
	}
}

func TestExplainUnknownLot(t *testing.T) {
	p := storeHouse(t, packing(1, "white-rice", "pet-2l", "loft", nil), packing(2, "sugar", "pet-2l", "loft", nil))
	f := func(id, want string) {
		t.Helper()
		_, err := p.e.Explain(id, at(told40))
		if !errors.Is(err, lot.ErrNotFound) || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", id, err, want)
		}
	}
	f("l-2", `no lot "l-2": did you mean "L-2"?`)
	f("rice in the loft", `they are called L-1 to L-2`)
	f("", `no lot ""`)
	if _, err := storeHouse(t).e.Explain("L-1", at(told40)); !errors.Is(err, lot.ErrNotFound) || !strings.Contains(err.Error(), "none is registered yet") {
		t.Errorf("of an empty store: %v", err)
	}
}

func TestExplainFinishedLot(t *testing.T) {
	end := at(30 * 24)
	p := storeHouse(t, packing(1, "white-rice", "pet-2l", "loft", withAbsorber(300)),
		lot.Change{Kind: lot.Ended, Lot: "L-1", At: end, Recorded: end, Note: "eaten"})
	x := explain(t, p, "L-1")
	if !x.AsOf.Equal(end) || len(x.Options) != 0 || x.Options == nil {
		t.Errorf("as of %v with options %v", x.AsOf, x.Options)
	}
	lineWith(t, section(t, x, LotSection), `Finished on 2026-07-31: "eaten"`)
	lineWith(t, section(t, x, LeftSection), "nothing is looked ahead")
	lineWith(t, section(t, x, HelpSection), "nothing to gain")
	for _, s := range x.Sections {
		if text := textOf(s); strings.Contains(text, "0001-") || strings.Contains(text, "present conditions") {
			t.Errorf("looks ahead:\n%s", text)
		}
	}
}

func TestExplainRoomWithoutReadings(t *testing.T) {
	p := storeHouse(t, packing(1, "hard-wheat", "pail-20l", "attic", nil))
	x := explain(t, p, "L-1")
	lineWith(t, section(t, x, LotSection), "estimated for 0.0 days, unknown for 40.0 days")
	line := lineWith(t, section(t, x, InsideSection), "21 °C (assumed as plan storage")
	if !strings.Contains(line.Text, "60 % relative humidity (assumed") || line.Source == "" {
		t.Errorf("%+v", line)
	}
	help := section(t, x, HelpSection)
	lineWith(t, help, "What attic was like in the last 30 days is not known")
	if o := x.Options[0]; !strings.Contains(o.What, "cellar") || !strings.Contains(o.What, "instead of plan storage") {
		t.Errorf("first of all: %+v", o)
	}
}

func TestExplainJustPacked(t *testing.T) {
	p := storeHouse(t)
	c := packing(1, "rolled-oats", "pet-2l", "loft", nil)
	c.Packing.PackedAt, c.At, c.Recorded = at(told40), at(told40), at(told40)
	if _, err := p.e.ChangeLot(c); err != nil {
		t.Fatal(err)
	}
	x := explain(t, p, "L-1")
	if x.Remaining.Likely != 1 {
		t.Errorf("just packed, and %g is left", x.Remaining.Likely)
	}
	for _, s := range x.Sections {
		if strings.HasPrefix(s.Key, ModeSection) {
			lineWith(t, s, "no time is counted since packing")
		}
		if text := textOf(s); strings.Contains(text, "unknown ×") || strings.Contains(text, "NaN") || strings.Contains(text, "Inf") {
			t.Errorf("no numbers:\n%s", text)
		}
	}
}

func TestExplainOptions(t *testing.T) {
	leaks := barrier.Failed
	p := storeHouse(t,
		packing(1, "brown-rice", "pet-2l", "loft", func(p *lot.Packing) { withAbsorber(300)(p); p.MoistureWB = 0.09 }),
		lot.Change{Kind: lot.Noted, Lot: "L-1", At: at(24), Recorded: at(24), Seal: &leaks, Note: "hisses", By: "Ada"},
		packing(2, "brown-rice", "pet-2l", "loft", func(p *lot.Packing) { p.MoistureWB = 0.115 }),
		packing(3, "sugar", "pet-2l", "loft", nil),
		packing(4, "brown-rice", "pet-2l", "loft", nil),
		packing(5, "nonfat-dry-milk", "pet-2l", "loft", func(p *lot.Packing) { p.Shading = lot.OpenShelf; p.MoistureWB = 0.035 }),
		packing(6, "white-rice", "pet-2l", "loft", withAbsorber(300)),
		packing(7, "white-rice", "can-no10", "loft", func(p *lot.Packing) { p.MoistureWB = 0.1 }))
	has := func(x Explanation, text string) bool {
		return slices.ContainsFunc(x.Options, func(o Option) bool { return strings.Contains(o.What, text) })
	}
	for _, l := range p.e.book.Lots() {
		x := explain(t, p, l.ID)
		for i, o := range x.Options {
			if o.Days <= 7 || i > 0 && o.Days > x.Options[i-1].Days {
				t.Errorf("%s: option %d gains %g days", l.ID, i, o.Days)
			}
			if got := o.End.Sub(o.Instead).Hours() / 24; !o.End.IsZero() && math.Abs(got-o.Days) > 0.01 {
				t.Errorf("%s: %q gains %g days and ends %g days later", l.ID, o.What, o.Days, got)
			}
			if end := p.e.lots[l.ID].view.EndAtPlan; strings.Contains(o.What, "cooler") && o.Instead.Sub(end).Abs() > time.Minute {
				t.Errorf("%s: cooler is held against %v, the snapshot ends %v", l.ID, o.Instead, end)
			}
			lineWith(t, section(t, x, HelpSection), o.What)
		}
		if !has(x, "Move it to cellar") && l.ID != "L-3" {
			t.Errorf("%s: nobody says that the cellar is cooler: %+v", l.ID, x.Options)
		}
	}
	if x := explain(t, p, "L-1"); !has(x, "behind a seal that is tested and holds with a fresh absorber of 300 cm³") {
		t.Errorf("the leaking seal: %+v", x.Options)
	}
	lineWith(t, section(t, explain(t, p, "L-1"), LotSection), `by the note of 2026-07-02: "hisses" (Ada)`)
	// Low oxygen is dangerous in moist food, and sugar needs none.
	for _, id := range []string{"L-2", "L-3"} {
		if x := explain(t, p, id); has(x, "with a fresh absorber") || has(x, "Put a fresh absorber") {
			t.Errorf("%s: an absorber is offered: %+v", id, x.Options)
		}
	}
	lineWith(t, section(t, explain(t, p, "L-2"), HelpSection), "An absorber is not offered: at 11.5 % moisture")
	if x := explain(t, p, "L-4"); !has(x, "measure its moisture first") {
		t.Errorf("an absorber without a word of moisture: %+v", x.Options)
	}
	if x := explain(t, p, "L-7"); !has(x, "Put a fresh absorber of 500 cm³ into each container") {
		t.Errorf("10 %% moisture is dry enough: %+v", x.Options)
	}
	lineWith(t, section(t, explain(t, p, "L-6"), HelpSection), "leaves the likely end and makes it surer")
	lineWith(t, section(t, explain(t, p, "L-5"), HelpSection), "Boxed, its riboflavin reaches its limit")
}

func TestExplainCarton(t *testing.T) {
	p := storeHouse(t, packing(1, "white-rice", "pet-2l", "loft", func(p *lot.Packing) { p.PerCarton, p.Count = 9, 18 }))
	k, err := p.e.cfg.Catalog.Container("pet-2l")
	if err != nil {
		t.Fatal(err)
	}
	l := p.e.book.Lots()[0]
	lineWith(t, section(t, explain(t, p, "L-1"), LotSection), fmt.Sprintf("With 9 in each closed carton the core follows with %s h", figures(float64(l.Packing.Lag(k)), 3)))
}

func TestExplainPastItsEnd(t *testing.T) {
	p := storeHouse(t, packing(1, "brown-rice", "pet-2l", "loft", func(p *lot.Packing) { p.PackedAt = at(-24 * 365 * 8) }))
	x := explain(t, p, "L-1")
	if x.Remaining.Likely >= 0 || len(x.Options) != 0 {
		t.Errorf("%+v left, options %+v", x.Remaining, x.Options)
	}
	lineWith(t, section(t, x, HelpSection), "nothing brings quality back")
	lineWith(t, section(t, x, LeftSection), "its end is past")
}

func TestExplanationAsJSON(t *testing.T) {
	p := storeHouse(t, packing(1, "brown-rice", "pet-2l", "loft", withAbsorber(300)))
	want := explain(t, p, "L-1")
	b, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	var got Explanation
	if err := json.Unmarshal(b, &got); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("written and read again (-want +got):\n%s", d)
	}
}

func TestFigures(t *testing.T) {
	f := func(v float64, digits int, want string) {
		t.Helper()
		if got := figures(v, digits); got != want {
			t.Errorf("%g with %d figures: %s, want %s", v, digits, got, want)
		}
	}
	f(0, 4, "0")
	f(2e-5, 4, "0.00002")
	f(36525, 3, "36500")
	f(1.999999, 4, "2")
	f(-3.14159, 3, "-3.14")
	f(123456789, 6, "123457000")
	f(math.NaN(), 4, "unknown")
	f(math.Inf(1), 4, "unknown")
	f(math.Inf(-1), 4, "unknown")
}

func BenchmarkExplain(b *testing.B) {
	c := config(packing(1, "nonfat-dry-milk", "pet-2l", "loft", withAbsorber(300)))
	c.Catalog = shipped(b)
	e := engineOf(b, c)
	for h := 0.0; h <= told40; h++ {
		e.Observe(at(h), []room.Reading{temperature("loft", "s1", at(h), 26), humidity("loft", "s1", at(h), 0.55), temperature("cellar", "s2", at(h), 14)})
	}
	for b.Loop() {
		if _, err := e.Explain("L-1", at(told40)); err != nil {
			b.Fatal(err)
		}
	}
}
