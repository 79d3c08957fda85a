package room

import (
	"time"

	"dryhold/internal/unit"
)

// Running gives the exposure of one key since the first reading, days at the
// reference, at the start of UTC hours: hours counts them from the first that
// begins at or after an instant. The exposure of any hours is a subtraction. It
// stands still where the ledger holds nothing. ok is false for a key that is
// not kept.
func (l *Ledger) Running(lag unit.Hours, ea unit.KJPerMol, from time.Time, hours []int) (sums []float64, ok bool) {
	k, ok := l.fold.keys.index(lag, ea)
	if !ok {
		return nil, false
	}
	sums = make([]float64, len(hours))
	if !l.begun {
		return sums, true
	}
	first := int((floorHour(from.UnixMilli()+hourMS-1) - l.start) / hourMS)
	for i, h := range hours {
		switch slot := first + h; {
		case slot < 0:
		case slot < len(l.slots):
			sums[i] = l.prefix.at(slot)[k]
		default:
			sums[i] = l.now.sum[k]
		}
	}
	return sums, true
}
