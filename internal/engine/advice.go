package engine

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/climate"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

const (
	// worthADay is the least gain of all lots in the week ahead for which
	// anybody should get up (judgement).
	worthADay = 1
	// namedMoves is how many lots are named to be carried or boxed, and
	// carriedInAnHour how many one carries within an hour (judgement).
	namedMoves      = 3
	carriedInAnHour = 10
)

// advice is what helps against an alarm of a room, the cheapest first.
func (b *bill) advice(costs []alarm.LotCost) []alarm.Advice {
	var out []alarm.Advice
	add := func(a alarm.Advice, ok bool) {
		if ok {
			out = append(out, a)
		}
	}
	total := 0.0
	for _, c := range costs {
		total += c.Week
	}
	switch b.cause() {
	case heat:
		if len(costs) > 0 && total < worthADay {
			return []alarm.Advice{{Text: "nothing: the week ahead costs all lots together less than a day of life."}}
		}
		add(b.vent())
		add(b.move())
	case moisture:
		add(b.vent())
		add(b.dry())
	case light:
		add(b.box(costs))
	}
	alarm.SortAdvice(out)
	return out
}

// acceleration of a lot's limiting mode at a temperature against plan storage of
// the room it stands in.
func (b *bill) acceleration(l lot.Lot, t float64) float64 {
	return kinetics.AccelerationFactor(unit.KJPerMol(b.e.limiting(l, b.to).Ea.Likely), unit.Celsius(t), b.e.Plan(l.Room()))
}

// dayAhead is what is expected of the air of a room in an hour to come. The dew
// point is that of the last hour indoors, and outdoors that of the same hour of
// the days before.
type dayAhead struct {
	temp     []float64
	dew      []float64 // not a number where it is not known
	measured bool
}

// ventBy is how much cooler the air outdoors must be, and how much lower its
// dew point must lie, K: what two household sensors may be apart (judgement).
const ventBy = 1.0

// vent looks in the day ahead for the longest stretch in which the air outdoors
// is cooler, or for damp just drier, than that of the room.
func (b *bill) vent() (a alarm.Advice, ok bool) {
	out := b.e.find(b.e.cfg.Forecasting.Outdoors)
	if out == nil || out == b.rs || !measuredLately(out, b.to) {
		return a, false
	}
	inside, outside := b.e.airAhead(b.rs, b.to, true), b.e.airAhead(out, b.to, false)
	if !inside.measured || !outside.measured {
		return a, false
	}
	hour := judgedHour(b.rs, b.to)
	first, last := longest(24, func(h int) bool {
		drier := outside.dew[h] <= inside.dew[h]-ventBy // never where one is not known
		return drier && (b.cause() == moisture || outside.temp[h] <= inside.temp[h]-ventBy)
	})
	n := float64(last - first)
	if n == 0 {
		if b.cause() == moisture && outside.dew[0] >= inside.dew[0] {
			return alarm.Advice{Effort: alarm.AHandle, Text: fmt.Sprintf("keep windows and vents shut: outdoors the dew point is %.1f °C and in the room %.1f °C, so that airing brings water in.", outside.dew[0], inside.dew[0])}, true
		}
		return a, false
	}
	cooler, drier := 0.0, 0.0
	for h := first; h < last; h++ {
		cooler, drier = cooler+(inside.temp[h]-outside.temp[h])/n, drier+(inside.dew[h]-outside.dew[h])/n
		for _, l := range b.here {
			a.Days += max(0, b.acceleration(l, inside.temp[h])-b.acceleration(l, outside.temp[h])) / 24
		}
	}
	a.Effort = alarm.AHandle
	a.Text = fmt.Sprintf("open the vent from %s to %s and keep it shut otherwise: outdoors it is expected to be %s, with the dew point %.1f K lower than in the room.",
		b.e.clock(hour.Add(time.Duration(first)*time.Hour)), b.e.clock(hour.Add(time.Duration(last)*time.Hour)), apart(cooler), drier)
	if b.cause() == moisture {
		a.Days = 0
		return a, true
	}
	a.Text += fmt.Sprintf(" If the room becomes as cool as outdoors meanwhile, that spares all lots together %.1f days of life each such night.", a.Days)
	return a, a.Days > 0
}

func apart(cooler float64) string {
	if cooler < 0 {
		return fmt.Sprintf("%.1f K warmer", -cooler)
	}
	return fmt.Sprintf("%.1f K cooler", cooler)
}

// longest is the longest run of hours for which something holds.
func longest(hours int, holds func(h int) bool) (first, last int) {
	for h := 0; h < hours; h++ {
		end := h
		for end < hours && holds(end) {
			end++
		}
		if end-h > last-first {
			first, last = h, end
		}
		h = end
	}
	return first, last
}

// airAhead is the air of a room in the 24 hours ahead.
func (e *Engine) airAhead(rs *roomState, now time.Time, steady bool) (a dayAhead) {
	hour := judgedHour(rs, now)
	w := e.weekOf(rs, now)
	if w == nil {
		return a
	}
	skip := int(hour.Sub(w.at) / time.Hour)
	if skip < 0 || skip+24 > len(w.path.Mid) {
		return a
	}
	a.temp, a.dew = w.path.Mid[skip:skip+24], make([]float64, 24)
	for h := range a.dew {
		at, days := hour.Add(time.Duration(h)*time.Hour), 3
		if steady {
			at, days = hour.Add(23*time.Hour), 1
		}
		sum, n := 0.0, 0.0
		for d := 1; d <= days; d++ {
			at := at.Add(-time.Duration(d) * 24 * time.Hour)
			for _, s := range rs.ledger.Hours(at, at.Add(time.Hour)) {
				if s.VapourMS > 0 {
					sum, n = sum+float64(s.VapourMean), n+1
				}
			}
		}
		dew, err := climate.DewPointAt(unit.Pascal(sum / n))
		if a.dew[h] = float64(dew); err != nil {
			a.dew[h] = math.NaN()
		}
	}
	a.measured = true
	return a
}

// move looks for the room in which the lots that lose most would gain most in
// the week ahead. A room that is too warm or too damp itself is none.
func (b *bill) move() (a alarm.Advice, ok bool) {
	if b.week == nil {
		return a, false
	}
	type gain struct {
		lot  string
		days float64
	}
	best, to, total := []gain(nil), "", 0.0
	for _, other := range b.coolest() {
		w := b.e.weekOf(other, b.to)
		if w == nil {
			continue
		}
		var gains []gain
		sum := 0.0
		for _, l := range b.here {
			ea := unit.KJPerMol(b.e.limiting(l, b.to).Ea.Likely)
			if days := (b.week.exposure(ea) - w.exposure(ea)) / kinetics.AccelerationFactor(ea, b.e.Plan(l.Room()), room.Reference); days > 0 {
				gains, sum = append(gains, gain{l.ID, days}), sum+days
			}
		}
		if sum > total {
			best, to, total = gains, other.name, sum
		}
	}
	if total < worthADay {
		return a, false
	}
	slices.SortStableFunc(best, func(a, b gain) int { return cmp.Compare(b.days, a.days) })
	var names []string
	for _, g := range best[:min(namedMoves, len(best))] {
		names, a.Days = append(names, g.lot), a.Days+g.days
	}
	a.Effort = alarm.AnHour
	a.Text = fmt.Sprintf("move %s to the %s: %.1f days of life gained by %s", listed(names), spoken(to), a.Days, b.e.day(b.week.end()))
	if rest := len(best) - len(names); rest > 0 {
		a.Text += fmt.Sprintf("; with all %d lots %.1f", len(best), total)
	}
	a.Text += "."
	return a, true
}

// triedRooms is how many other rooms are looked ahead for a move.
const triedRooms = 3

// coolest are the rooms that were cooler than this one in the last day, are not
// in trouble themselves and could take lots, the coolest first.
func (b *bill) coolest() (rooms []*roomState) {
	mean := func(rs *roomState) (unit.Celsius, bool) {
		c := rs.ledger.Climate(b.to.Add(-24*time.Hour), b.to)
		return c.Temp, c.TempKnown
	}
	here, known := mean(b.rs)
	for _, rs := range b.e.rooms {
		t, ok := mean(rs)
		if known && ok && t < here && rs != b.rs && rs.name != b.e.cfg.Forecasting.Outdoors && !b.e.troubled(rs) {
			rooms = append(rooms, rs)
		}
	}
	slices.SortStableFunc(rooms, func(x, y *roomState) int {
		s, _ := mean(x)
		t, _ := mean(y)
		return cmp.Compare(s, t)
	})
	return rooms[:min(triedRooms, len(rooms))]
}

// troubled says that a room is too warm or too damp now.
func (e *Engine) troubled(rs *roomState) bool {
	return slices.ContainsFunc(rs.conditions, func(c alarm.Condition) bool {
		return c.Active && (c.Key.Kind == alarm.Warm || c.Key.Kind == alarm.Hot || c.Key.Kind == alarm.Damp || c.Key.Kind == alarm.Condensing)
	})
}

// dry is the water to take out of the air of the room to bring it within its
// limit.
func (b *bill) dry() (a alarm.Advice, ok bool) {
	rule, limited := b.rs.rules[alarm.Damp]
	hour := judgedHour(b.rs, b.to)
	c := b.rs.ledger.Climate(hour.Add(-time.Hour), hour)
	if !limited || !c.TempKnown || !c.VapourKnown {
		return a, false
	}
	aim := unit.RH(rule.Limit - rule.Deadband)
	inAir := func(vapour unit.Pascal) float64 {
		w, err := climate.AbsoluteHumidity(c.Temp, vapour)
		if err != nil {
			return 0
		}
		return w
	}
	grams := inAir(c.Vapour) - inAir(climate.VapourPressure(c.Temp, aim))
	if grams <= 0 {
		return a, false
	}
	a.Effort = alarm.AHandle
	const more = " Walls and goods hold far more and give it back: run it until the humidity stays there."
	if volume := b.e.volume(b.rs.name); volume > 0 {
		a.Grams = grams * volume
		a.Text = fmt.Sprintf("run a dehumidifier: %.0f g of water out of the %.0f m³ of air bring it to %.0f %%.%s", a.Grams, volume, 100*float64(aim), more)
		return a, true
	}
	a.Grams = grams
	a.Text = fmt.Sprintf("run a dehumidifier: %.1f g of water out of each cubic metre of air bring it to %.0f %%.%s", grams, 100*float64(aim), more)
	return a, true
}

func (e *Engine) volume(in string) float64 {
	if e.cfg.Volume == nil {
		return 0
	}
	return e.cfg.Volume(in)
}

// box names the clear containers that stand open to the light.
func (b *bill) box(costs []alarm.LotCost) (a alarm.Advice, ok bool) {
	var names []string
	for _, l := range b.here {
		k, err := b.e.cfg.Catalog.Container(l.Packing.Container)
		if err != nil || !k.Clear || l.Packing.Shading != lot.OpenShelf {
			continue
		}
		names = append(names, l.ID)
		for _, c := range costs {
			if c.Lot == l.ID {
				a.Days += c.Week
			}
		}
	}
	if len(names) == 0 {
		return alarm.Advice{Text: "nothing: no clear container stands open to the light here. Switch off the lamp when you pass by."}, len(b.here) > 0
	}
	a.LuxHours = 7 * b.rs.ledger.Dose(b.to.Add(-24*time.Hour), b.to)
	a.Effort = alarm.AnHour
	if len(names) > carriedInAnHour {
		a.Effort = alarm.AnEvening
	}
	a.Text = fmt.Sprintf("box the clear containers of %s: in a week like the last day that keeps %.0f lux hours off the food", listed(names), a.LuxHours)
	if a.Days >= 0.1 {
		a.Text += fmt.Sprintf(" and spares %.1f days of life", a.Days)
	}
	a.Text += "."
	return a, true
}

// listed writes names as one reads them, the first of many.
func listed(names []string) string {
	const most = 5
	if n := len(names); n > most {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), n-most)
	} else if n > 1 {
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	}
	return strings.Join(names, "")
}

func spoken(in string) string { return strings.NewReplacer("-", " ", "_", " ").Replace(in) }
