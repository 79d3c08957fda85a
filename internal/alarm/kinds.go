package alarm

import (
	"fmt"
	"slices"
	"strings"

	"dryhold/internal/nearest"
)

// The conditions of a room beside Warm, Damp and Bright.
const (
	Hot        Kind = "hot"        // air temperature above a second, higher limit
	Condensing Kind = "condensing" // dew point of the air less the coldest core in the room, K
	Ageing     Kind = "ageing"     // days of life lost a day beyond plan, the worst lot, mean of a window
	HoursOver  Kind = "hours_over" // time above a temperature within a window, s
	Ahead      Kind = "ahead"      // chance that the warm limit is passed within a window to come, share
	RoundDue   Kind = "round"      // time since the last inspection round of a room with food in it, s
)

// The conditions of one lot. They are judged when lots are worked out.
const (
	CoreWarm       Kind = "core_warm"       // core temperature above a limit of the lot's own
	MoistureAmber  Kind = "moisture_amber"  // water activity above the food's amber line
	MoistureRed    Kind = "moisture_red"    // water activity above the food's red line
	OxygenSpent    Kind = "oxygen_spent"    // capacity left in the absorber below a share of what it had
	AbsorberSmall  Kind = "absorber_small"  // capacity of the absorber below a share of the oxygen enclosed
	HoldIncomplete Kind = "hold_incomplete" // time since packing with the insect hold not complete, s
	HoldComplete   Kind = "hold_complete"   // the insect hold was completed; information
	Quality        Kind = "quality"         // remaining quality below a level
	EndsEarly      Kind = "ends_early"      // share of the planned time by which the projected end comes too early
)

// The conditions of the whole site, fed by the daemon.
const (
	Clock    Kind = "clock"    // the clock has not been trusted for so long, s
	Disk     Kind = "disk"     // free space below a limit, bytes
	Export   Kind = "export"   // nothing could be exported for so long, s
	Delivery Kind = "delivery" // a channel of notices has refused or failed for so long, s
)

// Scope is what a condition is of.
type Scope int

// Scopes.
const (
	OfRoom   Scope = iota // a room or, with a limit of its own, one shelf of it: a sensor
	OfSensor              // one sensor
	OfLot                 // one lot, wherever it stands
	OfSite                // the whole site
)

// Kinds lists every kind of condition.
func Kinds() []Kind {
	return []Kind{
		Warm, Hot, Damp, Condensing, Bright, Ageing, HoursOver, Ahead, RoundDue, Silent,
		Stuck, Spike, SpikeHumidity, Drift, DriftHumidity, Disagree, DisagreeHumidity, LowBattery, CalibrationDue,
		CoreWarm, MoistureAmber, MoistureRed, OxygenSpent, AbsorberSmall, HoldIncomplete, HoldComplete, Quality, EndsEarly,
		Clock, Disk, Export, Delivery,
	}
}

// Scope says what a kind is of; that of a kind not known is OfRoom.
func (k Kind) Scope() Scope {
	switch k {
	case CoreWarm, MoistureAmber, MoistureRed, OxygenSpent, AbsorberSmall, HoldIncomplete, HoldComplete, Quality, EndsEarly:
		return OfLot
	case Clock, Disk, Export, Delivery:
		return OfSite
	case Silent:
		return OfSensor
	}
	if k.fault() {
		return OfSensor
	}
	return OfRoom
}

// ParseKey reads a key as String writes it.
func ParseKey(text string) (Key, error) {
	parts := strings.Split(text, "/")
	kind := Kind(parts[0])
	if !slices.Contains(Kinds(), kind) {
		var kinds []string
		for _, k := range Kinds() {
			kinds = append(kinds, string(k))
		}
		return Key{}, fmt.Errorf("unknown kind of alarm %q%s", parts[0], nearest.Hint(parts[0], kinds))
	}
	k, form, least, most := Key{Kind: kind}, "", 1, 1
	to := []*string{}
	switch kind.Scope() {
	case OfRoom:
		form, least, most, to = "/ROOM, or for a shelf of it /ROOM/SENSOR", 2, 3, []*string{&k.Room, &k.Sensor}
	case OfSensor:
		form, least, most, to = "/ROOM/SENSOR", 3, 3, []*string{&k.Room, &k.Sensor}
	case OfLot:
		form, least, most, to = "/LOT", 2, 2, []*string{&k.Lot}
	case OfSite:
	}
	if len(parts) < least || len(parts) > most || slices.Contains(parts, "") {
		return Key{}, fmt.Errorf("%q is not an alarm: write %s%s", text, kind, form)
	}
	for i, part := range parts[1:] {
		*to[i] = part
	}
	return k, nil
}
