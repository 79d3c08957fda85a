package engine

import (
	"fmt"
	"time"

	"dryhold/internal/climate"
	"dryhold/internal/mould"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// MouldCaveat belongs beside every mould index that is shown.
const MouldCaveat = "The index is worked out for a surface as warm as the air. A wall, floor or shelf that is colder than the air is damper than the air and can grow mould while the index stands still. It says nothing of food, which is judged by its water activity: an index of 0 does not make anything fit to eat."

// MouldView is the mould index of one kind of surface in a room, since the
// room's first reading, when the surface is taken to have been clean. The air
// values are taken for those of the surface (judgement; see MouldCaveat).
type MouldView struct {
	Surface string  `json:"surface"`
	Index   float64 `json:"index"` // 0 to 6
	Peak    float64 `json:"peak"`  // the greatest it has been
	// UnknownHours were passed over: the index neither grew nor declined.
	UnknownHours float64 `json:"unknown_hours"`
	Words        string  `json:"words"`
}

// followed is a surface of every room.
type followed struct {
	name string
	mould.Surface
}

// mouldSurfaces are the surfaces followed. Pine is the wood of the model of
// 1999. The classes of cardboard and of plaster and concrete are those of
// package mould; how slowly these two recover is a judgement.
func mouldSurfaces() [3]followed {
	return [3]followed{
		{"wood shelves", mould.Surface{Class: mould.Pine, Recovery: 1}},
		{"cardboard", mould.Surface{Class: mould.Sensitive, Recovery: 0.5}},
		{"plaster and concrete walls", mould.Surface{Class: mould.MediumResistant, Recovery: 0.25}},
	}
}

// mouldKnown is how much of an hour temperature and humidity must be known
// for their means to stand for the hour (judgement).
const mouldKnown = uint32(30 * time.Minute / time.Millisecond)

// mouldCourse is the indices of a room's surfaces, in the order of
// mouldSurfaces, after every hour before upTo. The zero value has counted no
// hour.
type mouldCourse struct {
	upTo  time.Time
	index [3]mould.Index
}

// through steps on, hour by hour, to the instant to, a whole hour. An hour
// whose humidity is not known is passed over and counted, also where the
// temperature was estimated.
func (c mouldCourse) through(l *room.Ledger, to time.Time) mouldCourse {
	surfaces := mouldSurfaces()
	for start, slot := range l.Hours(c.upTo, to) {
		c.upTo = start.Add(time.Hour)
		t := unit.Celsius(slot.TempMean)
		// Vapour that was mixed over the hour can exceed saturation at the
		// mean temperature by a little.
		rh := min(1, climate.RelativeHumidity(t, unit.Pascal(slot.VapourMean)))
		for i, s := range surfaces {
			next := c.index[i].Miss()
			if slot.VapourMS >= mouldKnown {
				if stepped, err := s.Step(c.index[i], t, rh); err == nil {
					next = stepped
				}
			}
			c.index[i] = next
		}
	}
	return c
}

// mouldNow is the indices at the last whole hour that is judged. What lies
// before the open days cannot change but by Restart, which drops the base;
// the base is brought up to them once, and the open hours are stepped through
// each time, since a late reading may change any of them. ok is false when no
// hour of the room was ever known.
func (rs *roomState) mouldNow(now time.Time, stale func(sensor string) time.Duration) (c mouldCourse, ok bool) {
	first, slots := rs.ledger.Slots()
	if len(slots) == 0 {
		return c, false
	}
	if rs.mould.upTo.IsZero() {
		rs.mould.upTo = first
	}
	rs.mould = rs.mould.through(rs.ledger, rs.ledger.OpenSince())
	c = rs.mould.through(rs.ledger, rs.mouldJudged(now, stale))
	return c, c.index[0].Hours > 0
}

// mouldJudged is the last whole hour up to which the air is judged: neither
// temperature nor humidity waits for the next word of a sensor that may yet
// speak within its stale limit.
func (rs *roomState) mouldJudged(now time.Time, stale func(sensor string) time.Duration) time.Time {
	last, pending := time.Time{}, false
	for l := range rs.watch.Latest() {
		if l.Quantity != unit.Humidity {
			continue
		}
		if l.At.After(last) {
			last = l.At
		}
		pending = pending || now.Sub(l.At) <= stale(l.Sensor)
	}
	judged := rs.ledger.Settled()
	if pending && last.Before(judged) {
		judged = last
	}
	if now.Before(judged) { // a sensor whose clock is ahead
		judged = now
	}
	return judged.Truncate(time.Hour)
}

// mouldViews shows the surfaces of a room; none while its humidity was never
// known, since an index of 0 would say that all is well.
func (rs *roomState) mouldViews(now time.Time, stale func(sensor string) time.Duration) []MouldView {
	c, ok := rs.mouldNow(now, stale)
	if !ok {
		return nil
	}
	var out []MouldView
	for i, s := range mouldSurfaces() {
		m := c.index[i]
		out = append(out, MouldView{Surface: s.name, Index: m.Value, Peak: m.Peak, UnknownHours: m.Unknown, Words: mouldWords(m)})
	}
	return out
}

// mouldWords says what an index means, and what it was at its worst: mould
// that stops growing does not go away.
func mouldWords(m mould.Index) string {
	now, worst := mouldGrade(m.Value), mouldGrade(m.Peak)
	if now == worst {
		return now
	}
	return now + "; at its worst " + worst
}

// mouldGrade names the part of the scale an index is in; see mould.Index. A
// growing index only tends to 6, so that the last part begins half a grade
// before (judgement).
func mouldGrade(index float64) string {
	switch {
	case index >= 5.5:
		return "surface covered"
	case index >= 3:
		return "growth seen by eye"
	case index >= 1:
		return "first growth, seen under a microscope"
	}
	return "no growth"
}

// growthNow is the second opinion: how fast mould spreads by isopleth at the
// present temperature and humidity. Empty where there is no growth, where
// either is unknown, and where no isopleth is known (below 0 and above 45 °C).
// That the surface is dirty, with spores on it and something to live on, is a
// judgement.
func growthNow(t, rh Value) string {
	if !t.Known || !rh.Known {
		return ""
	}
	g, grows, err := mould.Fastest(unit.Celsius(t.Value), unit.RH(rh.Value))
	if err != nil || !grows {
		return ""
	}
	const where = " mm a day on a dirty surface"
	for _, faster := range mould.Growths() {
		switch {
		case faster <= g:
		case g == mould.AnyGrowth:
			return fmt.Sprintf("under %g", float64(faster)) + where
		default:
			return fmt.Sprintf("%g to %g", float64(g), float64(faster)) + where
		}
	}
	return fmt.Sprintf("%g or more", float64(g)) + where
}
