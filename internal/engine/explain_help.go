package engine

import (
	"fmt"
	"math"
	"time"

	"dryhold/internal/barrier"
	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/lot"
)

const (
	// cooler is by how much lower plan storage is tried, K (judgement: what a
	// lower shelf or another side of a house may give).
	cooler = 3
	// worth is the least gain that is told, days (judgement).
	worth = 7
	// alike bounds the volume of a container that could take the place of
	// another, times (judgement).
	alike = 2
)

// helper tries what could be done. It holds the first error it met.
type helper struct {
	*explainer
	telling
	planned, here course.Keeping
	base          course.Ending // at plan storage, nothing changed
	options       []Option
	err           error
}

// help tries each remedy on the lot, as its course now is, and tells those
// that gain more than a week.
func (x *explainer) help(out *Explanation) ([]Line, error) {
	h := &helper{explainer: x}
	if x.v.Finished() {
		h.say("The lot is finished: there is nothing to gain.")
		return h.lines, nil
	}
	h.planned = course.Keeping{Temperature: x.plan, Humidity: x.outlook.Humidity}
	h.base = h.try(x.v.Lot, h.planned)
	if h.err == nil && h.base.Days <= 0 {
		h.say("Its end is past: nothing brings quality back. Judge it when opened, and when in doubt throw it out.")
		return h.lines, nil
	}
	h.offer(fmt.Sprintf("Keep it %d K cooler, at %s °C instead of plan storage of %s °C", cooler, figures(float64(x.plan)-cooler, 4), figures(float64(x.plan), 4)),
		h.base, h.try(x.v.Lot, course.Keeping{Temperature: h.planned.Temperature - cooler, Humidity: h.planned.Humidity}))
	after := h.rooms()
	h.packings(&after)
	h.certainty(&after)
	h.light(&after)
	if h.err != nil {
		return nil, h.err
	}
	optionOrder(h.options)
	for _, o := range h.options {
		h.say("%s: it ends %s instead of %s, %s gained.", o.What, about(o.End), about(o.Instead), gained(o))
	}
	if len(h.options) == 0 {
		h.say("Nothing of what was tried gains more than %d days: a cooler plan, the other rooms, another container, a fresh absorber, a better seal. Leave it as it is.", worth)
	} else {
		out.Options = h.options
	}
	return append(h.lines, after.lines...), nil
}

// try looks ahead with the lot kept in another way.
func (h *helper) try(l lot.Lot, k course.Keeping) course.Ending {
	if h.err != nil {
		return course.Ending{}
	}
	var e course.Ending
	e, h.err = h.e.follower.WhatIf(h.looked, l, k)
	return e
}

// offer keeps a remedy that is worth it.
func (h *helper) offer(what string, instead, e course.Ending) {
	if days := e.Days - instead.Days; days > worth && h.err == nil {
		h.options = append(h.options, Option{what, e.At, instead.At, days})
	}
}

func about(t time.Time) string {
	if t.IsZero() {
		return ahead(t)
	}
	return "about " + date(t)
}

func gained(o Option) string {
	s := lasting(o.Days)
	if o.End.IsZero() {
		s = "more than " + s
	}
	return s
}

// lasting is a number of days, in years where they are many.
func lasting(days float64) string {
	if days >= 2*365.25 {
		return fmt.Sprintf("%.1f years", days/365.25)
	}
	return fmt.Sprintf("%.0f days", days)
}

func climateOf(k course.Keeping, damp bool) string {
	s := fmt.Sprintf("mean kinetic temperature %.1f °C, %.0f %% relative humidity", float64(k.Temperature), 100*float64(k.Humidity))
	if damp {
		s += " assumed"
	}
	return s
}

// rooms tries each other room as it was lately, like held against like: this
// room as it was, or plan storage where that is not known.
func (h *helper) rooms() (after telling) {
	in, instead, place := h.v.Room(), h.base, "plan storage"
	k, damp, ok := h.e.follower.Lately(in, h.looked.At)
	if ok {
		h.here = k
		k.Light = 0
		instead, place = h.try(h.v.Lot, k), in+" as it was"
		after.say("If %s stays as it was in the last 30 days (%s), the lot ends %s: %s.", in, climateOf(k, damp), about(instead.At), against(instead, h.base))
	} else {
		after.say("What %s was like in the last 30 days is not known well enough to look ahead with it.", in)
	}
	tried := false
	for _, name := range h.e.Rooms() {
		k, damp, ok := h.e.follower.Lately(name, h.looked.At)
		if name == in {
			continue
		}
		if !ok {
			after.say("What %s was like in the last 30 days is not known well enough to say whether the lot would do better there.", name)
			continue
		}
		k.Light, tried = 0, true
		h.offer(fmt.Sprintf("Move it to %s, as that was in the last 30 days (%s), instead of %s", name, climateOf(k, damp), place), instead, h.try(h.v.Lot, k))
	}
	if tried {
		after.say("The last 30 days are not a year: a room that is cool now may be warm in another season.")
	}
	return after
}

func against(e, plan course.Ending) string {
	switch d := e.Days - plan.Days; {
	case d < -worth:
		return lasting(-d) + " sooner than at plan storage"
	case d > worth:
		return lasting(d) + " later than at plan storage"
	}
	return "much as at plan storage"
}

// packings tries a fresh absorber, a seal that holds, and other containers.
func (h *helper) packings(after *telling) {
	again := h.planned
	again.Repacked = true
	l := h.v.Lot
	capacity, condition := h.absorber(h.container)
	with := func(l lot.Lot, capacity float64) (lot.Lot, string) {
		l.Packing.Treatment = lot.Treatment{Kind: lot.NoTreatment}
		if capacity <= 0 {
			return l, ", without an absorber"
		}
		l.Packing.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: capacity}
		return l, fmt.Sprintf(" with a fresh absorber of %s cm³ in each%s", figures(capacity, 6), condition)
	}
	before := len(h.options)
	if h.container.Sealed && l.Seal == barrier.Failed {
		good, text := with(l, capacity)
		good.Seal = barrier.Verified
		h.offer("Repack it behind a seal that is tested and holds"+text, h.base, h.try(good, again))
	} else if capacity > 0 {
		fresh, _ := with(l, capacity)
		h.offer(fmt.Sprintf("Put a fresh absorber of %s cm³ into each container%s", figures(capacity, 6), condition), h.base, h.try(fresh, again))
	}
	h.containers(l, again, with)
	if h.food.NoAbsorber == "" && h.moist() {
		after.say("An absorber is not offered: at %s %% moisture the food is not dry enough, and low oxygen in moist food may bring botulism.", figures(100*h.v.Moisture.WetBasis.Likely, 3))
	}
	if capacity > 0 && len(h.options) > before {
		after.constant("common practice, no source", "Absorbers are chosen in the sizes they come in, at least %d %% over the oxygen enclosed.", int(math.Round(100*barrier.Margin-100)))
	}
}

// containers offers the two classes of like size that keep the lot longest.
// The lot is taken to fill them as it fills its own.
func (h *helper) containers(l lot.Lot, again course.Keeping, with func(lot.Lot, float64) (lot.Lot, string)) {
	own := h.options
	h.options = nil
	for _, k := range h.e.cfg.Catalog.Containers {
		if !h.tighter(k) {
			continue
		}
		capacity, _ := h.absorber(k)
		other, text := with(l, capacity)
		other.Packing.Container, other.Seal = k.ID, barrier.Assumed
		other.Packing.NetMassKG *= k.Volume.Likely / h.container.Volume.Likely
		h.offer(fmt.Sprintf("Repack it into %s (%s)%s", k.Name, k.ID, text), h.base, h.try(other, again))
	}
	optionOrder(h.options)
	h.options = append(own, h.options[:min(2, len(h.options))]...)
}

// tighter says that a container class is of like size, and lets less oxygen or
// less water through for its volume.
func (h *helper) tighter(k catalog.Container) bool {
	size := k.Volume.Likely / h.container.Volume.Likely
	if k.ID == h.container.ID || !k.Sealed || !(size >= 1.0/alike && size <= alike) {
		return false
	}
	own := h.container
	oxygen := func(c catalog.Container) float64 {
		return (c.OxygenWall.Likely + c.OxygenClosure.Likely) / c.Volume.Likely
	}
	water := func(c catalog.Container) float64 {
		return (c.WaterWall.Likely + c.WaterClosure.Likely) / c.Volume.Likely
	}
	return !own.Sealed || oxygen(k) < oxygen(own) || water(k) < water(own)
}

// absorber is the capacity to put into a container of a class, cm³, and on
// what condition; 0 where none may be: in food it does not go with, in a
// container that is not sealed, and in food that is not dry, for which low
// oxygen is dangerous.
func (h *helper) absorber(k catalog.Container) (capacity float64, condition string) {
	p := h.v.Packing
	gas, err := barrier.GasSpace(k.Volume.Likely, lot.Headspace, h.food.Void.Likely)
	if err != nil || !k.Sealed || h.food.NoAbsorber != "" || h.moist() {
		return 0, ""
	}
	if p.MoistureWB <= 0 {
		condition = " (measure its moisture first: only at about 10 % or less, for in moist food low oxygen may bring botulism)"
	}
	return packet(max(p.Treatment.CapacityCM3*k.Volume.Likely/h.container.Volume.Likely, barrier.Margin*barrier.EnclosedOxygen(gas))), condition
}

// moist says that the food is not dry enough to be packed low in oxygen: by
// its moisture now, if it was measured at packing, and by its amber line.
func (h *helper) moist() bool {
	p := h.v.Packing
	if p.MoistureWB > 0 {
		p.Treatment.Kind, p.MoistureWB = lot.Absorber, math.Round(1000*h.v.Moisture.WetBasis.Likely)/1000
		if p.Caution() != "" {
			return true
		}
	}
	return h.v.Moisture.Activity.Likely >= h.food.Amber.Likely
}

// packet is the next size of absorbers, cm³ (common practice, no source).
func packet(need float64) float64 {
	for _, size := range []float64{50, 100, 200, 300, 500, 1000, 1500, 2000, 2500, 3000} {
		if size >= need-1e-9 {
			return size
		}
	}
	return 1000 * math.Ceil(need/1000-1e-9)
}

// certainty tells what a test of the seal is worth: it moves the early edge,
// not the likely end.
func (h *helper) certainty(after *telling) {
	if !h.container.Sealed || h.v.Seal != barrier.Assumed {
		return
	}
	tested := h.v.Lot
	tested.Seal = barrier.Verified
	e := h.try(tested, h.planned)
	if d := e.EarlyDays - h.base.EarlyDays; d > worth {
		after.say("A seal tested and found good, and noted as verified, leaves the likely end and makes it surer: the early edge of its end moves by %s, to %s from now.", lasting(d), lasting(e.EarlyDays))
	}
}

// light tells what a box is worth to food that stands in light.
func (h *helper) light(after *telling) {
	if !h.container.Clear || h.v.Packing.Shading != lot.OpenShelf {
		return
	}
	in := h.v.Room()
	driven, dose := false, h.here.Light
	for _, m := range h.food.Modes {
		driven = driven || m.LightRate.Likely > 0
	}
	switch {
	case !driven:
		after.say("It stands open to light, which none of its modes is known to mind.")
		return
	case dose <= 0:
		after.say("It stands open to light, and no light is known of %s in the last 30 days: what a box would gain cannot be worked out. Box it to be sure.", in)
		return
	}
	lit := h.planned
	lit.Light = dose
	e := h.try(h.v.Lot, lit)
	if h.err != nil {
		return
	}
	h.offer(fmt.Sprintf("Box it, instead of leaving it in the light of the last 30 days (%s lux hours a day)", figures(dose, 3)), e, h.base)
	for i, m := range h.food.Modes {
		if d := h.base.Modes[i] - e.Modes[i]; m.Nutrient && d > worth {
			after.say("Boxed, its %s reaches its limit %s later than in the light of the last 30 days (%s lux hours a day): in %s instead of %s.", m.Name, lasting(d), figures(dose, 3), lasting(h.base.Modes[i]), lasting(e.Modes[i]))
		}
	}
}
