package engine

import (
	"fmt"
	"time"

	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/pest"
)

// Evidence is what is known of the treatment of a lot now. The error wraps
// lot.ErrNotFound.
func (e *Engine) Evidence(id string, now time.Time) (lot.Evidence, error) {
	if _, err := e.book.Find(id); err != nil {
		return lot.Evidence{}, err
	}
	e.mustWorkOut(now)
	t := e.lots[id]
	if t == nil || t.view.Insects == nil {
		return lot.Evidence{}, lot.Invalid("no insect lives on lot %s: there is no treatment to follow", id)
	}
	v, in := &t.view, t.view.Insects
	out := lot.Evidence{AsOf: v.AsOf, Oxygen: v.Oxygen.Fraction.Likely, Words: in.Words}
	if v.Packing.Treatment.Kind == lot.FreezeThaw {
		out.Spells, out.Cycles, out.Resets, out.CompleteOn = in.Spells, in.Cycles, in.Resets, in.FrozenOn
		out.Share = min(1, (float64(in.Spells)+min(1, in.Freeze))/float64(max(1, in.Cycles)))
		if in.Frozen {
			out.Share = 1
		}
		return out, nil
	}
	out.Share = min(1, in.Hold)
	if in.HeldAfter > 0 {
		out.Share, out.CompleteOn = 1, v.Packing.PackedAt.Add(daysLong(in.HeldAfter))
	}
	return out, nil
}

// nextStep is what to do next about the treatment of a lot; empty where nothing
// is.
func (e *Engine) nextStep(l lot.Lot, s course.State, v *InsectView) string {
	if l.Finished() || !l.OpenedAt.IsZero() || l.Treated != nil {
		return ""
	}
	done := "record it: dryhold lots treat " + l.ID
	switch l.Packing.Treatment.Kind {
	case lot.Absorber:
		switch age := s.At.Sub(l.Packing.PackedAt); {
		case s.Hold.Done:
			return "the low-oxygen hold was complete on " + e.date(l.Packing.PackedAt.Add(daysLong(v.HeldAfter))) + "; " + done
		case v.Hold > 0.01 && v.Hold < 1: // earlier the pace says nothing
			return fmt.Sprintf("leave it closed; at this pace the low-oxygen hold is complete by %s", e.date(l.Packing.PackedAt.Add(time.Duration(float64(age)/v.Hold))))
		}
		return "leave it closed until the low-oxygen hold is complete"
	case lot.FreezeThaw:
		return e.nextFreeze(l, s, done)
	}
	return ""
}

// nextFreeze is the next step of a freezing.
func (e *Engine) nextFreeze(l lot.Lot, s course.State, done string) string {
	h := s.Freeze
	again := ""
	if h.Resets > 0 {
		again = fmt.Sprintf("; begun again %d times, since the core came above %g °C or was not known for a day", h.Resets, float64(pest.Melt))
	}
	switch {
	case h.Done() && s.Core < pest.Thawed:
		return "the cold is complete at the core; let it come to room temperature closed, for 24 h, before it is opened or moved on"
	case h.Done():
		return done
	case h.Phase == pest.Thawing:
		return fmt.Sprintf("cold spell %d of %d is complete; leave it at room temperature for 24 h (%.0f h so far at %g °C and above), then freeze it again", h.Spells, h.Cycles, h.Warm, float64(pest.Thawed))
	case h.Share > 0:
		return fmt.Sprintf("leave it in the freezer: cold spell %d of %d is %.0f %% complete at the core%s", h.Spells+1, h.Cycles, 100*min(1, h.Share), again)
	}
	which := ""
	if h.Cycles > 1 {
		which = fmt.Sprintf(" for cold spell %d of %d", h.Spells+1, h.Cycles)
	}
	return fmt.Sprintf("freeze it where a sensor measures%s, and tell where: dryhold lots move %s ROOM; the cold counts from when the core has it%s", which, l.ID, again)
}
