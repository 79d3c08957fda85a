package pest

import (
	"fmt"
	"math"

	"dryhold/internal/unit"
)

// The lines of low oxygen, volume fractions.
const (
	// Practice is the oxygen below which household practice is stated.
	Practice = 0.01
	// Effective is the most oxygen that kills every stage: below 2 % for at
	// least 15 days (Tribolium castaneum, Kharel et al. 2019, J. Econ. Entomol.
	// 112:1463).
	Effective = 0.02
	// Relief is the oxygen above which a hold begins again: at 4 % some stages
	// still died in 15 days but not all, at 8 % none did (same source).
	Relief = 0.04
)

// Cold is the core temperature below which low oxygen is taken to do nothing:
// the insects breathe too little (judgement; published tests stop at 15 °C).
const Cold unit.Celsius = 10

const (
	daysAtEffective = 15 // at 2 % and 25 °C (Kharel et al. 2019; the temperature is our reading)
	daysAtPractice  = 14 // below 1 %: 12 to 14 days at room temperature (common practice, no source), the longer end
	leastDays       = 10 // floor (judgement)
	annisDays       = 20 // below 1 % at 25 °C: Annis 1987 (from memory, not verified)
)

// OxygenDays is how many days at a core temperature and an oxygen fraction
// kill all stages, and false where they do not: below Cold or above Effective.
//
// The model is a labelled estimate: 14 days up to 1 % oxygen, rising to 15 at
// 2 %, for 25 °C, twice as long for each 10 K colder, and never under 10 days.
// Warmer, or less oxygen, never needs longer. Above the range of the sensors
// or with oxygen that is no fraction it is an error.
func OxygenDays(core unit.Celsius, oxygen float64) (unit.Days, bool, error) {
	if err := checkAir(core, oxygen); err != nil {
		return 0, false, fmt.Errorf("cannot find the time at low oxygen: %w", err)
	}
	if core < Cold || oxygen > Effective {
		return 0, false, nil
	}
	return unit.Days(oxygenDays(float64(core), oxygen)), true, nil
}

func oxygenDays(core, oxygen float64) float64 {
	above := max(0, oxygen-Practice) / (Effective - Practice)
	at25 := daysAtPractice + float64((daysAtEffective-daysAtPractice)*above)
	return max(leastDays, at25*math.Exp2((25-core)/10))
}

func checkAir(core unit.Celsius, oxygen float64) error {
	if err := unit.Temperature.Plausible(float64(core)); err != nil {
		return err
	}
	return unit.Oxygen.Plausible(oxygen)
}

// OxygenHold is the time a lot has spent at low oxygen, as a share of what
// kills all stages. The zero value is a lot as it was packed.
//
// Rules for an interruption:
//   - Oxygen above Relief begins the hold again.
//   - Oxygen between Effective and Relief pauses it: no stage recovers there,
//     for at 4 % none but the hardiest lived through 15 days (Kharel et al.
//     2019). A pause of more than 7 days begins the hold again (judgement).
//   - A core colder than Cold pauses it without end: the cold ones neither die
//     of want nor recover, and the oxygen is still low (judgement).
//   - Unknown time pauses it; more than 24 h in one stretch begins it again.
//   - A hold that is done stays done: the dead do not return. What comes in
//     when the container is opened is a new lot.
type OxygenHold struct {
	Share   float64 `json:"share"` // of the hold, 1 or more when done
	Paused  float64 `json:"paused_h"`
	Unknown float64 `json:"unknown_h"` // of the present stretch
	Resets  int     `json:"resets"`
	Hours   float64 `json:"h"` // since packing
	Done    bool    `json:"done"`
	// Opened says that after it was done the oxygen came back, or was not
	// known for long: Share has stood still since.
	Opened bool `json:"opened,omitempty"`
	// DoneAfter is when it was done, hours since packing.
	DoneAfter float64 `json:"done_after_h,omitempty"`
}

// maxPause is how long oxygen may stand between Effective and Relief, hours.
const maxPause = 7 * 24

// Step takes the hold through hours, up to 24, at a core temperature and an
// oxygen fraction. On an error the hold is as it was.
func (h OxygenHold) Step(core unit.Celsius, oxygen float64, hours unit.Hours) (OxygenHold, error) {
	err := checkStep(core, hours)
	if err == nil {
		err = unit.Oxygen.Plausible(oxygen)
	}
	if err != nil {
		return h, fmt.Errorf("cannot follow the hold at low oxygen: %w", err)
	}
	start := h.Hours
	h.Hours += float64(hours)
	h.Unknown = 0
	switch {
	case oxygen > Relief:
		h = h.again()
	case oxygen > Effective:
		if h.Paused += float64(hours); h.Paused > maxPause { // as good as opened
			h = h.again()
		}
	case core < Cold:
		h.Paused = 0
	default:
		h.Paused = 0
		h = h.count(oxygenDays(float64(core), oxygen)*24, float64(hours), start)
	}
	return h, nil
}

// count adds hours of which need kill all stages.
func (h OxygenHold) count(need, hours, start float64) OxygenHold {
	if h.Opened {
		return h
	}
	before := h.Share
	h.Share += hours / need
	if !h.Done && h.Share >= whole {
		h.Done, h.DoneAfter = true, start+float64((1-before)*need)
	}
	return h
}

// Miss takes the hold through hours, up to 24, of which nothing is known.
func (h OxygenHold) Miss(hours unit.Hours) (OxygenHold, error) {
	if err := checkHours(hours); err != nil {
		return h, fmt.Errorf("cannot follow the hold at low oxygen: %w", err)
	}
	h.Hours += float64(hours)
	if h.Unknown += float64(hours); h.Unknown > maxUnknown {
		h = h.again()
	}
	return h, nil
}

// again begins the hold anew, unless it is done.
func (h OxygenHold) again() OxygenHold {
	if h.Done {
		h.Opened = true
		return h
	}
	if h.Share > 0 {
		h.Resets++
	}
	h.Share, h.Paused = 0, 0
	return h
}

// DoneByLongest says whether the hold has also lasted as long as the longest
// figure at hand, 20 days at 25 °C (Annis 1987, from memory, not verified).
func (h OxygenHold) DoneByLongest() bool { return h.Share >= annisDays/float64(daysAtPractice) }

// DaysLeft is how many more days the hold needs if core and oxygen stay, and
// false where they never bring it to its end.
func (h OxygenHold) DaysLeft(core unit.Celsius, oxygen float64) (unit.Days, bool, error) {
	if h.Done {
		return 0, true, nil
	}
	need, effective, err := OxygenDays(core, oxygen)
	return need * unit.Days(1-h.Share), effective, err
}
