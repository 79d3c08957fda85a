package review

import (
	"iter"
	"slices"
	"time"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Kind is what a stretch of time in a room, or of a lot, is called.
type Kind string

// Kinds of events. They are shown to programs: never rename.
const (
	Excursion Kind = "excursion" // outside a limit of the room
	Estimated Kind = "estimated" // a gap whose temperature was estimated
	Unknown   Kind = "unknown"   // a gap of which nothing is known
	Annotated Kind = "annotated" // a stretch that the keeper has noted
	Packed    Kind = "packed"    // the stay since packing, beside all spells
	Moved     Kind = "moved"     // the stay since a move, beside all spells
)

// Spell is a stretch of time of a room to which costs are booked.
type Spell struct {
	Room string    `json:"room"`
	Kind Kind      `json:"kind"`
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	// Note names what the keeper noted; empty for a spell that was found.
	Note string `json:"note,omitempty"`
	// Warm, Damp and Bright are the limits that an excursion passed.
	Warm   bool `json:"warm,omitempty"`
	Damp   bool `json:"damp,omitempty"`
	Bright bool `json:"bright,omitempty"`
	// Hottest and Dampest are the extremes of an excursion, °C and fraction;
	// meaningful where Warm and Damp say so.
	Hottest float64 `json:"hottest_celsius,omitempty"`
	Dampest float64 `json:"dampest_fraction,omitempty"`
}

// Limits of a room. What is at its zero value but Warm is not watched.
type Limits struct {
	Warm   unit.Celsius
	Damp   unit.RH
	Bright float64 // lux, mean of an hour
	// Join is how long the room may be back inside its limits without ending
	// an excursion: with a day the afternoons of a hot week are one.
	Join time.Duration
}

// Final is the instant before which the spells found up to the end of what is
// judged change no more, unless a reading changes what lies before.
func (l Limits) Final(end time.Time) time.Time { return end.Add(-l.Join).Truncate(time.Hour) }

// Find gives the spells of a room from its hours in order, as room.Ledger.Hours
// gives them up to what is judged: runs of hours that are for half an hour or
// more not known, runs of hours that are so far estimated, and excursions. None
// overlaps another.
func Find(name string, hours iter.Seq2[time.Time, room.Slot], limits Limits) []Spell {
	var out []Spell
	last := func() *Spell {
		if len(out) == 0 {
			return &Spell{}
		}
		return &out[len(out)-1]
	}
	for at, slot := range hours {
		x := limits.judge(slot)
		if x.Kind == "" {
			continue
		}
		end := at.Add(time.Hour)
		join := time.Duration(0)
		if x.Kind == Excursion {
			join = limits.Join
		}
		if s := last(); s.Kind != x.Kind || at.Sub(s.To) > join {
			x.Room, x.From, x.To = name, at, end
			out = append(out, x)
			continue
		}
		s := last()
		s.To = end
		s.Warm, s.Damp, s.Bright = s.Warm || x.Warm, s.Damp || x.Damp, s.Bright || x.Bright
		if x.Warm {
			s.Hottest = max(s.Hottest, x.Hottest)
		}
		s.Dampest = max(s.Dampest, x.Dampest)
	}
	return out
}

// halfHour of an hour without a measurement makes it a gap (judgement).
const halfHour = uint32(30 * time.Minute / time.Millisecond)

// judge says what one hour is; Kind is empty inside the limits.
func (l Limits) judge(s room.Slot) (x Spell) {
	if s.UnknownMS >= halfHour {
		return Spell{Kind: Unknown}
	}
	if s.EstimatedMS+s.UnknownMS >= halfHour {
		return Spell{Kind: Estimated}
	}
	if s.MeasuredMS > 0 && s.TempMax > float32(l.Warm) {
		x.Kind, x.Warm, x.Hottest = Excursion, true, float64(s.TempMax)
	}
	if s.VapourMS > 0 && l.Damp > 0 && s.HumidityMean > float32(l.Damp) {
		x.Kind, x.Damp, x.Dampest = Excursion, true, float64(s.HumidityMean)
	}
	if hours := float64(s.DoseMS) / float64(time.Hour/time.Millisecond); hours > 0 && l.Bright > 0 && float64(s.Dose)/hours > l.Bright {
		x.Kind, x.Bright = Excursion, true
	}
	return x
}

// Merge puts what the keeper noted before what was found in the same room: a
// found spell is cut around it. Of two notes that overlap the earlier goes on
// to its end. The spells come back in order, none overlapping another.
func Merge(found, noted []Spell) []Spell {
	noted = slices.Clone(noted)
	slices.SortStableFunc(noted, func(a, b Spell) int { return a.From.Compare(b.From) })
	var out []Spell
	var covered time.Time
	for _, n := range noted {
		n.Kind = Annotated
		if n.From.Before(covered) {
			n.From = covered
		}
		if n.From.Before(n.To) {
			out = append(out, n)
			covered = n.To
		}
	}
	notes := out
	for _, f := range found {
		for _, n := range notes {
			if !f.From.Before(n.To) || !n.From.Before(f.To) {
				continue
			}
			if before := f; f.From.Before(n.From) {
				before.To = n.From
				out = append(out, before)
			}
			f.From = n.To
		}
		if f.From.Before(f.To) {
			out = append(out, f)
		}
	}
	slices.SortStableFunc(out, func(a, b Spell) int { return a.From.Compare(b.From) })
	return out
}
