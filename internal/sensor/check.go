package sensor

import (
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

const (
	// maxNoteLength is the longest reason, characters, as of a lot's note.
	maxNoteLength = 500
	// leastGain and mostGain bound a calibration: a household sensor that is
	// wrong by half is broken, and the figure a slip (judgement).
	leastGain, mostGain = 0.5, 2
	// ahead is how far in the future a change may lie: a date alone stands for
	// its noon, and the zones of the earth are up to 14 h apart.
	ahead = 24 * time.Hour
	// oldestYear is that of the earliest reading taken (judgement).
	oldestYear = 1980
)

// mostOffset bounds the offset of a calibration in the canonical unit of the
// quantity; zero means that the quantity is not calibrated (judgement).
func mostOffset(q unit.Quantity) float64 {
	switch q {
	case unit.Temperature:
		return 20
	case unit.Humidity:
		return 0.3
	case unit.Illuminance:
		return 1000
	case unit.Oxygen:
		return 0.1
	}
	return 0
}

// Check reports why a change cannot be taken; a change that passes can be
// applied. The error wraps lot.ErrInvalid, or lot.ErrNotFound where a change
// revokes one that is not there.
func (b *Book) Check(c Change) error {
	if c.Seq != b.NextSeq() {
		return lot.Invalid("the change has the number %d, the next is %d", c.Seq, b.NextSeq())
	}
	if c.Kind == Revoked {
		return b.checkRevoked(c)
	}
	switch {
	case c.Room == "":
		return lot.Invalid("no room: say where the sensor is")
	case c.Sensor == "":
		return lot.Invalid("no sensor: say which one")
	case c.From.IsZero():
		return lot.Invalid("no time: say from when")
	case c.From.Year() < oldestYear:
		return lot.Invalid("the change at %s is before %d", c.From.Format(time.RFC3339), oldestYear)
	case c.From.After(c.Recorded.Add(ahead)):
		return lot.Invalid("the change at %s is in the future", c.From.Format(time.RFC3339))
	case c.Revokes != 0:
		return lot.Invalid("a change of kind %q revokes none", c.Kind)
	case c.New != "" && c.Kind != Swapped:
		return lot.Invalid("a new sensor %q goes with kind %q only", c.New, Swapped)
	case c.Place+c.In != "" && c.Kind != Placed:
		return lot.Invalid("a place goes with kind %q only", Placed)
	}
	if err := checkNote(c); err != nil {
		return err
	}
	switch c.Kind {
	case Calibrated:
		return checkCalibrated(c)
	case Corrected:
		return firstOf(checkSpan(c), checkAdjustment(c))
	case Voided:
		return firstOf(checkSpan(c), checkVoided(c))
	case Swapped:
		return b.checkSwapped(c)
	case Placed:
		return b.checkPlaced(c)
	}
	return lot.Invalid("unknown change %q: it is one of calibrated, corrected, voided, swapped, placed, revoked", c.Kind)
}

func firstOf(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

func (b *Book) checkRevoked(c Change) error {
	target, ok := b.Target(c)
	switch {
	case !ok:
		return lot.NotFound("no change %d of a sensor", c.Revokes)
	case target.Kind == Revoked:
		return lot.Invalid("change %d took back change %d: to have that one again, tell it again", c.Revokes, target.Revokes)
	case b.revoked(c.Revokes):
		return lot.Invalid("change %d is taken back already", c.Revokes)
	case c.Room != "" && c.Room != target.Room || c.Sensor != "" && c.Sensor != target.Sensor:
		return lot.Invalid("change %d is of sensor %s in %s, not of %s in %s", c.Revokes, target.Sensor, target.Room, c.Sensor, c.Room)
	}
	return checkNote(c)
}

func checkNote(c Change) error {
	text := strings.TrimSpace(c.Note)
	reasoned := c.Kind == Corrected || c.Kind == Voided || c.Kind == Revoked
	switch n := utf8.RuneCountInString(text); {
	case text == "" && reasoned:
		return lot.Invalid("no reason: say why, it is kept with the change")
	case !utf8.ValidString(text):
		return lot.Invalid("the reason is not UTF-8: write it as plain text")
	case n > maxNoteLength:
		return lot.Invalid("a reason of %d characters: give at most %d", n, maxNoteLength)
	}
	if i := strings.IndexFunc(text, func(r rune) bool { return !unicode.IsGraphic(r) }); i >= 0 {
		r, _ := utf8.DecodeRuneInString(text[i:])
		return lot.Invalid("the reason has the character %U, which cannot be printed: write one line of plain text", r)
	}
	return nil
}

func checkSpan(c Change) error {
	switch {
	case c.To.IsZero():
		return lot.Invalid("no end: say up to when")
	case !c.To.After(c.From):
		return lot.Invalid("the span from %s to %s is empty", c.From.Format(time.RFC3339), c.To.Format(time.RFC3339))
	case c.To.After(c.Recorded.Add(ahead)):
		return lot.Invalid("the span ends at %s, in the future: what is to come is not known yet", c.To.Format(time.RFC3339))
	case !c.Due.IsZero():
		return lot.Invalid("a due date goes with kind %q only", Calibrated)
	}
	return nil
}

func checkCalibrated(c Change) error {
	switch {
	case !c.To.IsZero():
		return lot.Invalid("a calibration holds until the next one: leave the end out, or give kind %q", Corrected)
	case !c.Due.IsZero() && !c.Due.After(c.From):
		return lot.Invalid("the calibration of %s is due at %s, before it", c.From.Format(time.RFC3339), c.Due.Format(time.RFC3339))
	}
	return checkAdjustment(c)
}

func checkAdjustment(c Change) error {
	if c.Quantity == nil {
		return lot.Invalid("no quantity: say what is adjusted")
	}
	q := *c.Quantity
	switch most := mostOffset(q); {
	case most == 0:
		return lot.Invalid("%s is not calibrated: temperature, humidity, illuminance and oxygen are", q)
	case !(c.Gain >= leastGain && c.Gain <= mostGain):
		return lot.Invalid("gain %g: give %g to %g, or 1 to leave it", c.Gain, leastGain, float64(mostGain))
	case !(math.Abs(c.Offset) <= most):
		return lot.Invalid("offset %g %s: give at most %g either way", c.Offset, q.Symbol(), most)
	}
	return nil
}

func checkVoided(c Change) error {
	switch {
	case c.Gain != 0 || c.Offset != 0:
		return lot.Invalid("what is voided is not adjusted: leave gain and offset out")
	case c.Quantity != nil && c.Quantity.Symbol() == "":
		return lot.Invalid("unknown quantity %d", uint8(*c.Quantity))
	}
	return nil
}

func (b *Book) checkSwapped(c Change) error {
	switch {
	case c.New == c.Sensor:
		return lot.Invalid("sensor %s is replaced by itself: leave the new name out where the new device has the old name", c.Sensor)
	case c.Quantity != nil || c.Gain != 0 || c.Offset != 0 || !c.To.IsZero() || !c.Due.IsZero():
		return lot.Invalid("a swap has a time and a new name only: tell the calibration of the new device by itself")
	case b.Retired(c.Room, c.Sensor, c.From):
		return lot.Invalid("sensor %s of %s was replaced before %s already", c.Sensor, c.Room, c.From.Format(time.RFC3339))
	}
	return nil
}
