package sensor

import (
	"cmp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// maxPlaceLength is the longest name of a place, characters (judgement: it has
// to fit a line).
const maxPlaceLength = 80

// Placement is a stretch of time in which a sensor was carried to a place.
type Placement struct {
	Seq          int    // of the change that told it
	Room, Sensor string // by which its readings come
	In, Place    string
	From         time.Time
	To           time.Time // excluded; zero while it stands there
}

// Placements lists those in force, by time, then by sensor. A later one ends
// the one before of the same sensor.
func (b *Book) Placements() []Placement {
	var out []Placement
	for d, h := range b.devices {
		var told []Change
		for _, c := range h {
			if c.Kind == Placed && c.Sensor == d.sensor {
				told = append(told, c)
			}
		}
		for i, c := range told {
			if i+1 < len(told) && (c.To.IsZero() || told[i+1].From.Before(c.To)) {
				c.To = told[i+1].From
			}
			if c.Place != "" && (c.To.IsZero() || c.From.Before(c.To)) {
				out = append(out, Placement{c.Seq, c.Room, c.Sensor, cmp.Or(c.In, c.Room), c.Place, c.From, c.To})
			}
		}
	}
	slices.SortFunc(out, func(a, b Placement) int {
		return cmp.Or(a.From.Compare(b.From), strings.Compare(a.Room, b.Room), strings.Compare(a.Sensor, b.Sensor))
	})
	return out
}

// CorrectPlaced is Correct for what a sensor read while it was placed: at the
// place it counts as it would in the room.
func (b *Book) CorrectPlaced(r room.Reading) (_ room.Reading, counts bool) {
	return b.history(r.Room, r.Sensor).correct(r)
}

// PlacedAt gives where a sensor was carried to at an instant; away is false
// where it stands in its room.
func (b *Book) PlacedAt(room, sensor string, at time.Time) (in, place string, away bool) {
	c, away := b.history(room, sensor).placed(at)
	return cmp.Or(c.In, room), c.Place, away
}

// ofDevice says that a quantity is of the sensor, wherever it stands.
func ofDevice(q unit.Quantity) bool { return q == unit.Battery || q == unit.Link }

// placed gives where a sensor was carried to at an instant; away is false where
// it stands in its room.
func (h history) placed(at time.Time) (c Change, away bool) {
	for _, x := range h {
		if x.From.After(at) {
			break
		}
		if x.Kind == Placed {
			c = x
		}
	}
	return c, c.Place != "" && (c.To.IsZero() || at.Before(c.To))
}

func (b *Book) checkPlaced(c Change) error {
	place := strings.TrimSpace(c.Place)
	switch {
	case c.Quantity != nil || c.Gain != 0 || c.Offset != 0 || !c.Due.IsZero():
		return lot.Invalid("a place has a name and a time only: tell a calibration by itself")
	case place == "" && (c.In != "" || !c.To.IsZero()):
		return lot.Invalid("no place: say where the sensor stood; without a place it is back, and that has a beginning only")
	case place != c.Place:
		return lot.Invalid("the place %q begins or ends with a space", c.Place)
	case utf8.RuneCountInString(place) > maxPlaceLength:
		return lot.Invalid("a place of %d characters: give at most %d", utf8.RuneCountInString(place), maxPlaceLength)
	case !utf8.ValidString(place) || strings.ContainsFunc(place, func(r rune) bool { return !unicode.IsGraphic(r) }):
		return lot.Invalid("the place %q cannot be printed: write one line of plain text", place)
	case b.Retired(c.Room, c.Sensor, c.From):
		return lot.Invalid("sensor %s of %s was replaced before %s", c.Sensor, c.Room, c.From.Format(time.RFC3339))
	}
	if c.To.IsZero() {
		return nil
	}
	return checkSpan(c)
}
