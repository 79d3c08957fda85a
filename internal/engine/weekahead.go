package engine

import (
	"math"
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/forecast"
	"dryhold/internal/kinetics"
	"dryhold/internal/lot"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

const (
	// lookAhead is how often it is judged what the week ahead of a room may
	// bring, and freshWeek how old the week may be by which a cost is told: it
	// takes some hundredths of a second to work one out (judgement).
	lookAhead = 6 * time.Hour
	freshWeek = 3 * time.Hour
	// recently is how much of the past a week ahead is learned from: two months
	// tell how a room follows the air outdoors, two years its seasons.
	recently, seasons = 75 * 24 * time.Hour, 2 * 366 * 24 * time.Hour
	// A room does not rise within two days by more than it has moved in a week,
	// and leap, K (judgement): else nothing need be worked out.
	moved, leap = 7 * 24 * time.Hour, 4
	// knownToLookAhead is how much of a room must have been measured for its
	// week ahead to be more than a guess (judgement).
	knownToLookAhead = 7 * 24 * time.Hour
	// freshOutdoors is how old the last hour measured outdoors may be for a room
	// to be looked ahead by it (judgement).
	freshOutdoors = 6 * time.Hour
)

// weekAhead is the next week of a room by its forecast. It is no part of the
// fold: what was decided by it is a fact of its time.
type weekAhead struct {
	at   time.Time // a whole hour
	path forecast.Path
	sums map[unit.KJPerMol]float64 // days at room.Reference, mean over the paths
}

// known says that there is a week ahead to go by.
func (w *weekAhead) known() bool { return w != nil && len(w.path.Mid) > 0 }

// end is the instant up to which it goes.
func (w *weekAhead) end() time.Time { return w.at.Add(time.Duration(len(w.path.Mid)) * time.Hour) }

// exposure is what a mode ages by up to the end, days at room.Reference, the
// mean of all paths: by the air, since over a week the lag of the core moves
// nothing.
func (w *weekAhead) exposure(ea unit.KJPerMol) float64 {
	if sum, ok := w.sums[ea]; ok {
		return sum
	}
	sum, members := 0.0, w.path.Members()
	for _, path := range members {
		for _, t := range path {
			sum += kinetics.AccelerationFactor(ea, unit.Celsius(t), room.Reference)
		}
	}
	w.sums[ea] = sum / 24 / float64(len(members))
	return w.sums[ea]
}

// weekOf gives the week ahead of a room as last worked out, or works it out
// where that is too long ago; nil where too little is known.
func (e *Engine) weekOf(rs *roomState, now time.Time) *weekAhead {
	hour := judgedHour(rs, now).Truncate(freshWeek) // the same whenever it is asked for
	if rs.week == nil || !hour.Equal(rs.week.at) {
		rs.week = e.makeWeek(rs, hour)
	}
	if !rs.week.known() {
		return nil
	}
	return rs.week
}

// forgetWeeks drops the weeks ahead that rest on what changed in a room since an
// instant: its own and, of the air outdoors, those of all rooms.
func (e *Engine) forgetWeeks(name string, since time.Time) {
	for _, rs := range e.rooms {
		if (rs.name == name || name == e.cfg.Forecasting.Outdoors) && rs.week != nil && since.Before(rs.week.at) {
			rs.week = nil
			clear(e.beside)
		}
	}
}

// makeWeek works out the week ahead: by the air outdoors where that is known
// and fresh, else from the room alone.
func (e *Engine) makeWeek(rs *roomState, hour time.Time) *weekAhead {
	w := &weekAhead{at: hour, sums: map[unit.KJPerMol]float64{}}
	if !rs.ledger.Begun() {
		return w
	}
	first, _ := rs.ledger.Slots()
	if known := rs.ledger.Between(0, room.AirEa, first, hour).Measured; known < knownToLookAhead {
		return w
	}
	inside := e.History(rs.name, hour)
	latest := func(h forecast.History, d time.Duration) forecast.History {
		if n := len(h.Hours) - int(d/time.Hour); n > 0 {
			return forecast.History{From: h.From.Add(time.Duration(n) * time.Hour), Hours: h.Hours[n:]}
		}
		return h
	}
	if air := e.find(e.cfg.Forecasting.Outdoors); air != nil && air != rs && air.ledger.Coverage(hour.Add(-freshOutdoors), hour) > 0 {
		if out := e.weekOf(air, hour); out != nil {
			if r, err := forecast.FitResponse(latest(inside, recently), latest(e.History(air.name, hour), recently)); err == nil {
				w.path = r.Predict(hour, out.path.Members())
			}
		}
	}
	if len(w.path.Mid) == 0 {
		w.path = forecast.Fit(latest(inside, seasons), e.ForecastOptions(rs.name)).Week(hour, forecast.WeekHours)
	}
	return w
}

// costAhead is what the week ahead of a room would cost a mode of a lot beyond
// plan storage of the room it stands in, days of life at plan storage: as
// lot.Evaluator.Cost has it of the past.
func (e *Engine) costAhead(w *weekAhead, l lot.Lot, ea unit.KJPerMol) float64 {
	plan := kinetics.AccelerationFactor(ea, e.Plan(l.Room()), room.Reference)
	return w.exposure(ea)/plan - w.end().Sub(w.at).Hours()/24
}

// judgeAhead judges whether the warm limit is likely to be passed. While the
// room is too warm, or was within a day, there is nothing to warn of.
func (e *Engine) judgeAhead(rs *roomState, hour time.Time, fx *Effects) {
	key := alarm.Key{Kind: alarm.Ahead, Room: rs.name}
	rule, ok := rs.rules[alarm.Ahead]
	warm, limited := rs.rules[alarm.Warm]
	if !ok || !limited || rs.name == e.cfg.Forecasting.Outdoors || !e.stored(rs.name) {
		return
	}
	c := rs.faultOf(alarm.Key{Kind: alarm.Warm, Room: rs.name})
	switch {
	case c.Active:
		e.end(key, hour, fx) // it has come true, and has an alarm of its own
		return
	case !c.Changed.IsZero() && hour.Sub(c.Changed) < spellJoin && c.Spell > 0:
		return
	}
	rule.Stale = 2 * lookAhead
	if rs.farBelow(warm.Limit, hour) {
		e.look(key, rule, hour, 0, true, fx)
		return
	}
	w := e.weekOf(rs, hour)
	if w == nil {
		e.look(key, rule, hour, 0, false, fx)
		return
	}
	h := w.heat(warm, rule.Window)
	e.look(key, rule, hour, h.chance, true, fx)
}

// farBelow says that a limit is out of reach of a room for two days.
func (rs *roomState) farBelow(limit float64, hour time.Time) bool {
	low, high, known := math.Inf(1), math.Inf(-1), 0
	for _, s := range rs.ledger.Hours(hour.Add(-moved), hour) {
		if s.MeasuredMS > 0 {
			low, high, known = min(low, float64(s.TempMin)), max(high, float64(s.TempMax)), known+1
		}
	}
	return 2*known >= int(moved/time.Hour) && high+max(leap, high-low) < limit
}

// comingHeat is what may come of the limit of warm.
type comingHeat struct {
	chance  float64   // share of the paths in which its alarm would be raised
	first   time.Time // when it passes the limit, in the middle of them
	highest float64   // mean of the warmest hour of each of them, °C
}

// heat looks for spells above the limit of warm that begin within a window and
// last for its on-delay: a loft that is warm every afternoon is not too warm
// where the keeper has said so.
func (w *weekAhead) heat(warm alarm.Rule, window time.Duration) (h comingHeat) {
	long := max(1, int((warm.OnDelay+time.Hour-1)/time.Hour))
	var firsts []int
	for _, path := range w.path.Members() {
		run := 0
		for i, t := range path[:min(len(path), int(window/time.Hour)+long)] {
			if run++; !(t > warm.Limit) {
				run = 0
			}
			if run == long && i-long+1 < int(window/time.Hour) {
				firsts = append(firsts, i-long+1)
				h.highest += slices.Max(path[i-long+1:])
				break
			}
		}
	}
	if n := len(firsts); n > 0 {
		slices.Sort(firsts)
		h.chance, h.highest = float64(n)/float64(len(w.path.Members())), h.highest/float64(n)
		h.first = w.at.Add(time.Duration(firsts[n/2]) * time.Hour)
	}
	return h
}
