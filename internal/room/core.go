package room

import (
	"time"

	"dryhold/internal/unit"
)

// Core is the core temperature of food behind a lag at Settled; ok is false
// before anything was measured, and for a lag that the ledger does not keep.
func (l *Ledger) Core(lag unit.Hours) (t unit.Celsius, ok bool) {
	for i, g := range l.fold.keys.lags {
		if g.lag == lag && l.now.coreKnown {
			return unit.Celsius(l.now.core[i]), true
		}
	}
	return 0, false
}

// Over is how long of a stretch the mean temperature of the hour was above a
// limit, each whole hour that begins in it counting by its part that was
// measured, and how long nothing was measured.
func (l *Ledger) Over(limit unit.Celsius, from, to time.Time) (above, unknown time.Duration) {
	for _, s := range l.Hours(from, to) {
		measured := time.Duration(s.MeasuredMS) * time.Millisecond
		if s.MeasuredMS > 0 && s.TempMean > float32(limit) {
			above += measured
		}
		unknown += max(0, time.Hour-measured)
	}
	return above, unknown
}
