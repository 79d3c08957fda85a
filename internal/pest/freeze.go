package pest

import (
	"fmt"

	"dryhold/internal/unit"
)

// Stage is a stage of an insect whose death by frost is tabled.
type Stage string

// The stages of the table: Ephestia elutella, the cacao moth. Its larvae at
// rest are the hardiest stage known to the table and decide.
const (
	Egg          Stage = "egg"
	RestingLarva Stage = "resting-larva"
)

// Stages lists the stages of the table.
func Stages() []Stage { return []Stage{Egg, RestingLarva} }

// point is one row of the table: all dead after so many hours.
type point struct{ celsius, hours float64 }

// table is from Collins et al., as read on a page of russellipm.com (models
// section 6.4), warmest first.
func (s Stage) table() ([]point, error) {
	switch s {
	case Egg:
		return []point{{-10, 7}, {-15, 1}}, nil
	case RestingLarva:
		return []point{{-10, 22 * 24}, {-15, 3 * 24}, {-20, 24}}, nil
	}
	return nil, fmt.Errorf("unknown insect stage %q: it is one of %v", string(s), Stages())
}

// Frost is the core temperature at and below which time counts as frozen: the
// warmest of the table.
const Frost unit.Celsius = -10

// leastFrozen is the least time frozen, hours, whatever the table says: at
// least 4 days in a freezer of -18 °C (common practice, quoted from a
// university report). The table is for one moth; beetles are not in it.
const leastFrozen = 4 * 24

// FreezeTime is how long at a core temperature kills all of one stage by the
// table alone, and false above Frost, where the table says nothing. Between
// two rows the time is on the straight line: the true curve falls steeply and
// then flattens, so that the line never promises too soon. Colder than the
// last row counts as the last row.
func FreezeTime(s Stage, core unit.Celsius) (unit.Hours, bool, error) {
	rows, err := s.table()
	if err == nil {
		err = unit.Temperature.Plausible(float64(core))
	}
	if err != nil {
		return 0, false, fmt.Errorf("cannot find the time in frost: %w", err)
	}
	hours, ok := between(rows, float64(core))
	return unit.Hours(hours), ok, nil
}

func between(rows []point, celsius float64) (float64, bool) {
	if celsius > rows[0].celsius {
		return 0, false
	}
	for i := 1; i < len(rows); i++ {
		if warm, cold := rows[i-1], rows[i]; celsius > cold.celsius {
			share := (celsius - cold.celsius) / (warm.celsius - cold.celsius)
			return cold.hours + float64(share*(warm.hours-cold.hours)), true
		}
	}
	return rows[len(rows)-1].hours, true
}

// SpellTime is how long at a core temperature makes a cold spell that counts:
// what kills the hardiest stage, and at least the 4 days of household
// practice. It is false above Frost.
func SpellTime(core unit.Celsius) (unit.Hours, bool, error) {
	longest := unit.Hours(leastFrozen)
	for _, s := range Stages() {
		hours, ok, err := FreezeTime(s, core)
		if err != nil || !ok {
			return 0, false, err
		}
		longest = max(longest, hours)
	}
	return longest, true, nil
}

// Phase is where a freeze-thaw treatment stands.
type Phase string

// The phases.
const (
	Freezing Phase = "freezing" // waiting for a cold spell to be long enough
	Thawing  Phase = "thawing"  // waiting at room temperature for the next
	Finished Phase = "finished"
)

const (
	// Thawed is the least core temperature that counts as room temperature:
	// the mean threshold at which beetles develop is 14.0 °C (Stejskal et al.
	// 2019), so that eggs that lived go on (judgement).
	Thawed unit.Celsius = 15
	// Melt is the core temperature above which a cold spell that was not long
	// enough begins again.
	Melt unit.Celsius = 0
	// thawHours at room temperature between two spells (common practice).
	thawHours = 24
	// MaxCycles bounds the cycles that can be asked for.
	MaxCycles = 10
)

// FreezeHold is a freeze-thaw treatment: cold spells, and 24 h at room
// temperature between them. Make it with NewFreezeHold.
//
// Rules, by the temperature at the core (see package thermal for how late it
// is: a 20 L pail takes more than a day to freeze through):
//   - At or below Frost time counts, by SpellTime; spells of changing cold add
//     as shares.
//   - Between Frost and Melt, as in a power cut with the door shut, the spell
//     pauses without end: below 0 °C nothing repairs itself (judgement).
//   - Above Melt a spell that is not complete begins again (judgement).
//   - Unknown time pauses it; more than 24 h in one stretch begins the present
//     spell again, for a power cut takes the sensor with it.
//   - After a spell, time at or above Thawed counts until it is 24 h; colder
//     hours do not count and undo nothing. Frost before that is part of the
//     spell that was.
//   - After the last spell the treatment is done and stays done.
type FreezeHold struct {
	Cycles  int     `json:"cycles"` // wanted
	Spells  int     `json:"spells"` // complete
	Phase   Phase   `json:"phase"`
	Share   float64 `json:"share"` // of the present spell, for the hardiest stage and practice
	Eggs    float64 `json:"eggs"`  // of the present spell, by the table for eggs alone
	Warm    float64 `json:"warm_h"`
	Unknown float64 `json:"unknown_h"` // of the present stretch
	Resets  int     `json:"resets"`
	Hours   float64 `json:"h"` // since the start
	// DoneAfter is when it was done, hours since the start.
	DoneAfter float64 `json:"done_after_h,omitempty"`
}

// NewFreezeHold is a treatment of 1 to 10 cycles; the practice is one, or two
// where eggs are to hatch in between.
func NewFreezeHold(cycles int) (FreezeHold, error) {
	if cycles < 1 || cycles > MaxCycles {
		return FreezeHold{}, fmt.Errorf("cannot begin a freeze-thaw treatment: %d cycles are not 1 to %d", cycles, MaxCycles)
	}
	return FreezeHold{Cycles: cycles, Phase: Freezing}, nil
}

// Done says that all cold spells are complete.
func (h FreezeHold) Done() bool { return h.Phase == Finished }

// Step takes the treatment through hours, up to 24, at a core temperature. On
// an error it is as it was.
func (h FreezeHold) Step(core unit.Celsius, hours unit.Hours) (FreezeHold, error) {
	err := checkStep(core, hours)
	if err == nil {
		err = h.check()
	}
	if err != nil {
		return h, fmt.Errorf("cannot follow the freeze-thaw treatment: %w", err)
	}
	start := h.Hours
	h.Hours += float64(hours)
	h.Unknown = 0
	switch {
	case h.Phase == Freezing && core > Melt:
		return h.again(), nil
	case h.Phase == Freezing && core <= Frost:
		return h.freeze(core, float64(hours), start)
	case h.Phase == Thawing && core >= Thawed:
		if h.Warm += float64(hours); h.Warm >= thawHours {
			h.Phase, h.Warm = Freezing, 0
		}
	}
	return h, nil
}

// freeze counts time at or below Frost. A step that goes beyond the end of a
// spell ends it: what is over does not count towards the thaw.
func (h FreezeHold) freeze(core unit.Celsius, hours, start float64) (FreezeHold, error) {
	need, _, err := SpellTime(core)
	if err != nil {
		return h, err
	}
	if eggs, ok, err := FreezeTime(Egg, core); err == nil && ok {
		h.Eggs += hours / float64(eggs)
	}
	before := h.Share
	if h.Share += hours / float64(need); h.Share < whole {
		return h, nil
	}
	h.Spells++
	if h.Spells >= h.Cycles {
		h.Phase, h.DoneAfter = Finished, start+float64((1-before)*float64(need))
		return h, nil
	}
	h.Phase, h.Share, h.Eggs = Thawing, 0, 0
	return h, nil
}

// Miss takes the treatment through hours, up to 24, of which nothing is known.
func (h FreezeHold) Miss(hours unit.Hours) (FreezeHold, error) {
	err := checkHours(hours)
	if err == nil {
		err = h.check()
	}
	if err != nil {
		return h, fmt.Errorf("cannot follow the freeze-thaw treatment: %w", err)
	}
	h.Hours += float64(hours)
	if h.Unknown += float64(hours); h.Unknown > maxUnknown && h.Phase == Freezing {
		h = h.again()
	}
	return h, nil
}

// again begins the present spell anew.
func (h FreezeHold) again() FreezeHold {
	if h.Share > 0 {
		h.Resets++
	}
	h.Share, h.Eggs = 0, 0
	return h
}

func (h FreezeHold) check() error {
	if h.Cycles < 1 || h.Cycles > MaxCycles || h.Phase != Freezing && h.Phase != Thawing && h.Phase != Finished {
		return fmt.Errorf("%d cycles in phase %q are no treatment: make it with NewFreezeHold", h.Cycles, string(h.Phase))
	}
	return nil
}
