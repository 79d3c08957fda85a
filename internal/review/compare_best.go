package review

import (
	"math"
	"slices"

	"dryhold/internal/barrier"
	"dryhold/internal/climate"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

// worthDays is the least gain in a year for which a lot is carried: below a
// week leave it (judgement).
const worthDays = 7.0

// Standing is a lot where it stands, as the comparison of rooms wants it.
type Standing struct {
	Lot, Food, Room string
	Mode            string   // that limits it
	Key             room.Key // by which that ages: core lag, likely activation energy
	EaLow, EaHigh   unit.KJPerMol
	Plan            unit.Celsius // plan storage, in whose days gains are told
	// Light is what a lux hour in the room ages the mode by, days at the
	// reference; 0 where none reaches the food or light does not drive it.
	Light float64
	// Water is one container; its Isotherm is nil for crystals, which take up
	// nothing below their Amber, and Moisture is that of the food now.
	Water    barrier.Water
	Moisture unit.DryBasis
	Amber    float64 // water activity; 0 where the catalog names none
	Sealed   bool
}

// Why a room is not offered for a season. They are shown to programs: never
// rename.
const (
	NotMeasured   = "not-measured"       // there, or at home, too little
	NotSameTime   = "not-at-same-time"   // measured, but in other years
	NotDamp       = "too-damp"           // the food would come past its amber line
	NotDampKnown  = "humidity-not-known" // it might
	NotLightKnown = "light-not-known"    // where light counts and is known at home
)

// Advice for a lot. Shown to programs: never rename.
const (
	AdviceUnknown = "unknown"          // its room is not known in any season
	AdviceLeave   = "leave"            // the gain is below a week a year
	AdviceMove    = "move"             // one room is the better all year
	AdviceSeasons = "move-with-season" // it pays to carry it
)

type (
	// RoomRate is how fast a lot would age in a room in a season.
	RoomRate struct {
		Room string `json:"room"`
		// Rate is in days at the reference for each day; nil when not known.
		Rate *float64 `json:"rate"`
		// Coverage is the share of such seasons, of all years looked at, that
		// was measured.
		Coverage float64 `json:"coverage"`
		Not      string  `json:"not,omitempty"`
	}
	// SeasonRooms is one season for one lot.
	SeasonRooms struct {
		Season string     `json:"season"`
		Best   string     `json:"best"` // its own room where no better one is known
		Days   int        `json:"days"` // measured in all rooms that are compared
		Rooms  []RoomRate `json:"rooms"`
	}
	// LotRooms is the best room of each season for a lot. Gains are in days of
	// life at plan storage for each year, against staying where it is: likely,
	// and over the band of the activation energy.
	LotRooms struct {
		Lot     string        `json:"lot"`
		Food    string        `json:"food"`
		Room    string        `json:"room"`
		Mode    string        `json:"mode"`
		Seasons []SeasonRooms `json:"seasons"`
		Known   int           `json:"seasons_known"` // of its own room
		// Moves is the gain of a year of moves to the best room of each season;
		// a season not known in its own room counts as a stay.
		Moves lot.Range `json:"gain_by_seasons_days_a_year"`
		// Always is the best single room, its own where no other is better or
		// can be told so in all four seasons.
		Always     string    `json:"best_single_room"`
		AlwaysGain lot.Range `json:"gain_by_single_room_days_a_year"`
		// Dark says that light would count but is not known in its own room:
		// heat alone is compared.
		Dark   bool   `json:"light_not_known"`
		Advice string `json:"advice"`
	}
)

// BestRooms compares the rooms for each lot, season by season. Rates are taken
// from the days, at least nine tenths measured, that are known in all rooms
// compared: of two rooms the one that was hotter in every hour is never the
// better, whatever else is missing. A room that is not known in a season is
// never chosen.
func BestRooms(lots []Standing, rooms []AirRoom) []LotRooms {
	c := comparing{homes: map[int]*[seasonCount]together{}, rates: map[ratesKey]*[seasonCount][]float64{}}
	for _, r := range rooms {
		if !r.Open {
			c.add(r)
		}
	}
	out := make([]LotRooms, 0, len(lots))
	for i := range lots {
		out = append(out, c.lot(&lots[i]))
	}
	return out
}

// choice is a room for each season, by index; -1 for a season not known.
type choice [seasonCount]int

func (c *comparing) lot(l *Standing) LotRooms {
	out := LotRooms{Lot: l.Lot, Food: l.Food, Room: l.Room, Mode: l.Mode, Seasons: []SeasonRooms{}, Always: l.Room, Advice: AdviceUnknown}
	h := slices.IndexFunc(c.rooms, func(r AirRoom) bool { return r.Name == l.Room })
	if h < 0 { // nothing of its room was ever read, or it is outdoors
		for s := range seasonCount {
			out.Seasons = append(out.Seasons, SeasonRooms{Season: s.String(), Best: l.Room, Rooms: []RoomRate{}})
		}
		return out
	}
	var best choice
	offered := make([]int, len(c.rooms))
	for s := range seasonCount {
		t := &c.home(h)[s]
		best[s] = -1
		if rates := c.rate(h, l.Key)[s]; !math.IsNaN(rates[h]) {
			best[s] = h
			out.Known++
			out.Dark = out.Dark || l.Light > 0 && !t.mean[h].lit
		}
		x := SeasonRooms{Season: s.String(), Best: l.Room, Days: len(t.days), Rooms: make([]RoomRate, 0, len(c.rooms))}
		least := c.ages(l, h, h, s)
		for r := range c.rooms {
			at := RoomRate{Room: c.rooms[r].Name, Coverage: c.shares[r][s]}
			v := c.ages(l, h, r, s)
			if !math.IsNaN(v) {
				at.Rate = &v
			}
			if r != h || math.IsNaN(v) {
				at.Not = c.refused(l, h, r, s)
			}
			x.Rooms = append(x.Rooms, at)
			if at.Not != "" || best[s] < 0 {
				continue
			}
			offered[r]++
			if v < least {
				best[s], x.Best, least = r, at.Room, v
			}
		}
		out.Seasons = append(out.Seasons, x)
	}
	out.Moves = c.gain(l, h, best)
	for r := range c.rooms {
		if r == h || offered[r] < int(seasonCount) {
			continue
		}
		if g := c.gain(l, h, choice{r, r, r, r}); g.Likely > out.AlwaysGain.Likely {
			out.Always, out.AlwaysGain = c.rooms[r].Name, g
		}
	}
	out.advise()
	return out
}

// advise weighs the gain against the carrying.
func (l *LotRooms) advise() {
	switch moves, always := l.Moves.Likely, l.AlwaysGain.Likely; {
	case l.Known == 0:
	case always >= worthDays && moves-always < worthDays:
		l.Advice = AdviceMove
	case moves >= worthDays:
		l.Advice = AdviceSeasons
	default:
		l.Advice = AdviceLeave
	}
}

// lit is what light adds to the rate of a lot in a room. It counts where it is
// known in the room the lot stands in; ok is false where it counts and is not
// known in the other.
func (c *comparing) lit(l *Standing, h, r int, s Season) (rate float64, ok bool) {
	mean := c.home(h)[s].mean
	if l.Light == 0 || !mean[h].lit {
		return 0, true
	}
	return l.Light * mean[r].light, mean[r].lit
}

// ages is how fast a lot would age in a room in a season, days at the reference
// for each day; NaN where that is not known.
func (c *comparing) ages(l *Standing, h, r int, s Season) float64 {
	light, _ := c.lit(l, h, r, s)
	return c.rate(h, l.Key)[s][r] + light
}

// refused says why a room is not offered for a season; empty where it is.
func (c *comparing) refused(l *Standing, h, r int, s Season) string {
	t := &c.home(h)[s]
	if t.not[r] != "" {
		return t.not[r]
	}
	if math.IsNaN(c.rate(h, l.Key)[s][r]) {
		return NotMeasured
	}
	if _, ok := c.lit(l, h, r, s); !ok {
		return NotLightKnown
	}
	k := t.mean[r]
	switch {
	case k.damp && l.soaks(k.temperature, k.vapour, s):
		return NotDamp
	case !k.damp && l.soaks(k.temperature, climate.VapourPressure(k.temperature, 1), s):
		return NotDampKnown
	}
	return ""
}

// soaks says whether a season in such air would bring the food past its amber
// line: through its container, so that one that is tight keeps it dry.
func (l *Standing) soaks(t unit.Celsius, vapour unit.Pascal, s Season) bool {
	if rh := float64(vapour) / float64(climate.VapourPressure(t, 1)); l.Amber <= 0 || rh < l.Amber {
		return false
	}
	if l.Water.Isotherm == nil {
		return !l.Sealed
	}
	after, _ := l.Water.Step(l.Moisture, t, vapour, unit.Days(s.days()))
	aw := sorption.ActivityClamped(l.Water.Isotherm, after, t)
	return aw >= l.Amber && aw > sorption.ActivityClamped(l.Water.Isotherm, l.Moisture, t)
}

// gain is what a year with a room for each season gains over staying, days of
// life at plan storage. The edges are those of the band of the activation
// energy, at the same effective temperatures.
func (c *comparing) gain(l *Standing, h int, to choice) lot.Range {
	at := func(ea unit.KJPerMol) float64 {
		sum := 0.0
		for s, r := range to {
			if r < 0 || r == h {
				continue
			}
			there, _ := c.lit(l, h, r, Season(s))
			here, _ := c.lit(l, h, h, Season(s))
			rates := c.rate(h, l.Key)[s]
			sum += Season(s).days() * (asAt(l.Key.Ea, ea, rates[h]) - asAt(l.Key.Ea, ea, rates[r]) + here - there)
		}
		return sum / kinetics.AccelerationFactor(ea, l.Plan, room.Reference)
	}
	likely, a, b := at(l.Key.Ea), at(l.EaLow), at(l.EaHigh)
	return lot.Range{Low: min(likely, a, b), Likely: likely, High: max(likely, a, b)}
}

// asAt is the rate at another activation energy, at the effective temperature
// of a rate at one.
func asAt(one, other unit.KJPerMol, rate float64) float64 {
	if one == other {
		return rate
	}
	t, err := kinetics.EffectiveTemperature(one, room.Reference, rate)
	if err != nil { // a rate of 0, which no temperature has
		return rate
	}
	return kinetics.AccelerationFactor(other, t, room.Reference)
}
