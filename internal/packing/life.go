package packing

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/nearest"
	"dryhold/internal/unit"
)

// House is the rooms of the keeper.
type House interface {
	// Rooms lists them.
	Rooms() []Room
	// Ends looks ahead for a lot that would be packed now into a room, under
	// the forecast of it; colder is how much less warm than expected the room
	// is held at most, in kelvin below Room.Temperature, 0 to leave it.
	Ends(l lot.Lot, room string, colder float64) (course.Ends, error)
}

// Room is one room as an advice needs it.
type Room struct {
	Name string
	// Temperature at which food ages as it did there lately, or where that is
	// not known its plan storage.
	Temperature unit.Celsius
	// Known says that enough is known of the room to send a lot there.
	Known bool
}

// Life is how long the lot would likely last in a room, from packing.
type Life struct {
	Room        string  `json:"room,omitempty"` // empty: at a constant temperature
	Temperature float64 `json:"temperature_celsius"`
	Known       bool    `json:"known"`
	Days        Band    `json:"days"` // 10 to 90 %; 100 years where beyond
	By          string  `json:"ends_by,omitempty"`
}

// Option is what another way of packing or keeping would do.
type Option struct {
	What string `json:"what"`
	Days Band   `json:"days_gained"`  // draw by draw, 10 to 90 %
	Life Band   `json:"days"`         // of the lot then
	Room string `json:"in,omitempty"` // where it was tried
}

// place is a room, or the constant temperature of a request.
type place struct {
	Room
	Words string
}

// places are the rooms to speak of.
func (a *adviser) places() []place {
	var out []place
	if a.house != nil {
		for _, r := range a.house.Rooms() {
			if a.req.Room == "" || r.Name == a.req.Room {
				out = append(out, place{r, r.Name + " (" + figures(float64(r.Temperature), 3) + " °C lately)"})
			}
		}
	}
	if !slices.ContainsFunc(out, func(p place) bool { return p.Known }) {
		out = append(out, place{Room{"", a.req.At, true}, "a room at " + figures(float64(a.req.At), 3) + " °C"})
	}
	return out
}

// steadyHumidity is the air taken where there is no room to ask (judgement: the
// middle of what the isotherms give for food as it is sold).
const steadyHumidity unit.RH = 0.5

// cooler is by how much a cooler room is tried, K (judgement, as the engine's).
const cooler = 3

// told is the least gain that is told, days (judgement).
const told = 30

// packed is the lot that would be packed now.
func (a *adviser) packed() lot.Lot {
	p := lot.Packing{
		Food: a.food.ID, Container: a.container.ID, Count: 1, NetMassKG: a.each().Likely, PackedAt: a.req.Now,
		Treatment: lot.Treatment{Kind: a.out.Treatment}, Shading: lot.Boxed, LeakTest: a.req.Bottle.Leak,
	}
	if a.out.MoistureWB != nil {
		p.MoistureWB = *a.out.MoistureWB
	}
	if a.lowOxygen() {
		p.Treatment.MoistureActivated = a.req.MoistureActivated
		if p.Treatment.CapacityCM3 = a.capacity(); p.Treatment.CapacityCM3 <= 0 {
			p.Treatment = lot.Treatment{Kind: lot.NoTreatment}
		}
	}
	return p.Lot("")
}

// capacity is the absorber of the lot: that at hand, or the one advised.
func (a *adviser) capacity() float64 {
	switch {
	case a.req.AbsorberCM3 > 0:
		return a.req.AbsorberCM3
	case a.out.Oxygen == nil:
		return 0
	case a.out.Oxygen.Smallest != nil:
		return Capacity(a.out.Oxygen.Smallest)
	}
	return barrier.Margin * a.out.Oxygen.Enclosed.Likely
}

// ends looks ahead in a room of the house, or at a constant temperature.
func (a *adviser) ends(l lot.Lot, at place, colder float64) (course.Ends, error) {
	if at.Name != "" {
		l.Packing.Room, l.Stays = at.Name, []lot.Stay{{Room: at.Name, From: a.req.Now}}
		return a.house.Ends(l, at.Name, colder)
	}
	t := at.Temperature - unit.Celsius(colder)
	f := course.New(a.catalog, course.Steady{Temperature: t, Humidity: steadyHumidity})
	c, err := f.Start(l)
	if err != nil {
		return course.Ends{}, err
	}
	return f.Ends(c, l, course.Keeping{Temperature: t, Humidity: steadyHumidity})
}

func bandOf(e course.Ends) Band { b := e.Band(); return Band{b.Low, b.Likely, b.High} }

// lives looks ahead in every room, and then for what would extend it.
func (a *adviser) lives() error {
	if err := a.checkRoom(); err != nil {
		return err
	}
	l := a.packed()
	var worst, best *looked
	for _, at := range a.places() {
		life := Life{Room: at.Name, Temperature: float64(at.Temperature), Known: at.Known}
		if at.Known {
			e, err := a.ends(l, at, 0)
			if err != nil {
				return fmt.Errorf("cannot look ahead in %s: %w", at.Words, err)
			}
			life.Days, life.By = bandOf(e), e.By
			x := &looked{at, e}
			if worst == nil || e.Days < worst.ends.Days {
				worst = x
			}
			if best == nil || e.Days > best.ends.Days {
				best = x
			}
		}
		a.out.Lives = append(a.out.Lives, life)
		a.lifeWords(life, at)
	}
	a.keptWords(l)
	a.end(titleLife)
	if worst == nil {
		return nil
	}
	if best.at.Name != worst.at.Name {
		a.option("In "+best.at.Words+" instead", worst, best.ends)
	}
	return a.options(l, worst)
}

// looked is a look ahead in one place.
type looked struct {
	at   place
	ends course.Ends
}

func (a *adviser) checkRoom() error {
	if a.req.Room == "" || a.house == nil {
		return nil
	}
	var names []string
	for _, r := range a.house.Rooms() {
		names = append(names, r.Name)
	}
	if !slices.Contains(names, a.req.Room) {
		return lot.NotFound("there is no room %q%s", a.req.Room, nearest.Hint(a.req.Room, names))
	}
	return nil
}

func (a *adviser) lifeWords(l Life, at place) {
	const source = "computed: forecast of the room, catalog and seal, 10 to 90 % of 200 draws"
	switch {
	case !l.Known:
		a.say(Unknown, judgement, "In %s: not known. Less than a week of readings is there to go by, and no normals are stated.", at.Name)
	case at.Name == "":
		a.say(Told, "computed at constant temperature and 50 % relative humidity, 10 to 90 % of 200 draws",
			"In %s: %s, %s to %s, then %s.", at.Words, about(l.Days.Likely), lasting(l.Days.Low), lasting(l.Days.High), endsBy(l))
	default:
		a.say(Told, source, "In %s: %s, %s to %s, then %s.", at.Words, about(l.Days.Likely), lasting(l.Days.Low), lasting(l.Days.High), endsBy(l))
	}
}

func endsBy(l Life) string {
	if l.By == "" || l.Days.Likely >= beyond {
		return "nothing that is followed"
	}
	return l.By
}

// keptWords say on what the lives rest.
func (a *adviser) keptWords(l lot.Lot) {
	p := l.Packing
	with := "no absorber"
	if p.Treatment.Kind == lot.Absorber {
		with = "an absorber of " + exact(math.Round(p.Treatment.CapacityCM3)) + " cm3"
	}
	moist := percent(p.MoistureWB) + " moisture"
	if p.MoistureWB <= 0 {
		moist = "usual moisture (" + percent(a.food.Moisture.Likely) + ")"
	}
	text := fmt.Sprintf("Taken: full containers with %s, %s, in the dark, %s.", with, moist, sealWords(l.Seal, a.container))
	if a.house == nil {
		text += " Without the running daemon nothing is known of your rooms: with it each room is told by its own forecast."
	}
	a.say(Told, "", "%s It is quality, not safety.", text)
}

func sealWords(s barrier.Seal, k catalog.Container) string {
	switch {
	case !k.Sealed:
		return "open to the room"
	case s == barrier.Verified:
		return "seal tested and found good"
	case s == barrier.Failed:
		return "seal that leaks"
	}
	return fmt.Sprintf("seal not tested, so that about %.0f %% of them leak", 100*k.SealFailure.Likely)
}

// option keeps what another way would do where the lot would end first.
func (a *adviser) option(what string, base *looked, then course.Ends) {
	diff := make([]float64, len(base.ends.Draws))
	for i := range diff {
		diff[i] = then.Draws[i] - base.ends.Draws[i]
	}
	b := course.Between(diff, then.Days-base.ends.Days)
	a.out.Options = append(a.out.Options, Option{what, Band{b.Low, b.Likely, b.High}, bandOf(then), base.at.Name})
}

// options tries what could extend it there.
func (a *adviser) options(l lot.Lot, base *looked) error {
	try := func(what string, l lot.Lot, colder float64) error {
		e, err := a.ends(l, base.at, colder)
		if err != nil {
			return fmt.Errorf("cannot try: %s: %w", what, err)
		}
		a.option(what, base, e)
		return nil
	}
	held := figures(float64(base.at.Temperature)-cooler, 3) + " °C"
	what := "In a room at " + held
	if base.at.Name != "" {
		what = base.at.Name + " held at most at " + held
	}
	if err := try(what, l, cooler); err != nil {
		return err
	}
	for _, o := range a.ways(l) {
		if err := try(o.what, o.lot, 0); err != nil {
			return err
		}
	}
	a.optionWords(base.at, base.ends)
	return nil
}

// way is another packing of the same food.
type way struct {
	what string
	lot  lot.Lot
}

// ways are a larger absorber, a tighter container, drier food, a tested seal.
func (a *adviser) ways(l lot.Lot) (out []way) {
	if have := l.Packing.Treatment.CapacityCM3; have > 0 {
		x := l
		x.Packing.Treatment.CapacityCM3 = 2 * have
		out = append(out, way{"twice the absorber, " + exact(math.Round(2*have)) + " cm3", x})
	}
	if k, ok := a.tighter(); ok {
		x := l
		x.Packing.Container = k.ID
		x.Packing.NetMassKG *= k.Volume.Likely / a.container.Volume.Likely
		x.Seal, x.Packing.LeakTest = barrier.Assumed, lot.LeakNotTried
		text := "in " + lower(k.Name) + " (" + k.ID + "), its seal not tested"
		if !a.container.Sealed && a.food.NoAbsorber == "" {
			void, err := barrier.GasSpace(k.Volume.Likely, lot.Headspace, a.food.Void.Likely)
			if err == nil && a.dryEnough() {
				c := math.Ceil(barrier.Margin*barrier.EnclosedOxygen(void)/100) * 100
				x.Packing.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: c}
				text += " with an absorber of " + exact(c) + " cm3"
			}
		}
		out = append(out, way{text, x})
	}
	if a.food.Isotherm != nil {
		x := l
		m := a.food.Moisture.Likely
		if a.out.MoistureWB != nil {
			m = *a.out.MoistureWB
		}
		if m > 0.03 {
			x.Packing.MoistureWB = m - 0.01
			out = append(out, way{"a point drier, at " + percent(m-0.01) + " moisture", x})
		}
	}
	if a.container.Sealed && l.Seal == barrier.Assumed {
		x := l
		x.Seal, x.Packing.LeakTest = barrier.Verified, lot.LeakHeld
		out = append(out, way{"every seal tested under water and found good", x})
	}
	return out
}

// dryEnough says that low oxygen may be offered.
func (a *adviser) dryEnough() bool {
	aw := a.out.WaterActivity
	return aw != nil && *aw < a.food.Amber.Likely
}

// tighter is the class of like size that lets least oxygen through for its
// volume, of those that let through less than this one.
func (a *adviser) tighter() (best catalog.Container, ok bool) {
	through := func(k catalog.Container) float64 {
		if !k.Sealed {
			return math.Inf(1)
		}
		return (k.OxygenWall.Likely + k.OxygenClosure.Likely) / k.Volume.Likely
	}
	for _, k := range a.catalog.Containers {
		size := k.Volume.Likely / a.container.Volume.Likely
		// Up to twice as large or small (judgement): a gallon pouch for a bottle.
		if k.ID == a.container.ID || !k.Sealed || size < 0.5 || size > 2 || through(k) >= through(a.container) {
			continue
		}
		if !ok || through(k) < through(best) {
			best, ok = k, true
		}
	}
	return best, ok
}

// optionWords tell the options, what gains most first.
func (a *adviser) optionWords(at place, base course.Ends) {
	slices.SortStableFunc(a.out.Options, func(x, y Option) int { return cmp.Compare(y.Days.Likely, x.Days.Likely) })
	source := "computed in " + at.Words + ", each by itself, 10 to 90 % of the differences draw by draw"
	for _, o := range a.out.Options {
		switch d := o.Days; {
		case d.Likely >= told:
			a.say(Told, source, "%s: %s longer (%s to %s), %s in all.", upper(o.What), lasting(d.Likely), signed(d.Low), signed(d.High), about(o.Life.Likely))
		case o.Life.Low-base.Band().Low >= told:
			a.say(Told, source, "%s: the likely end stays, and the early edge moves from %s to %s.", upper(o.What), lasting(base.Band().Low), lasting(o.Life.Low))
		case d.Likely <= -told:
			a.say(Told, source, "%s: %s shorter (%s to %s).", upper(o.What), lasting(-d.Likely), signed(-d.High), signed(-d.Low))
		default:
			a.say(Told, source, "%s: gains nothing to speak of.", upper(o.What))
		}
	}
	a.end(titleOptions)
}

func signed(days float64) string {
	if math.Round(days) < 0 {
		return "−" + lasting(-days)
	}
	return lasting(max(0, days))
}

func upper(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}
