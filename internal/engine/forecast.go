package engine

import (
	"slices"
	"time"

	"dryhold/internal/course"
	"dryhold/internal/forecast"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// Forecasting is what the engine is told of how rooms are looked ahead. The
// zero value looks ahead from the history of each room alone.
type Forecasting struct {
	// Outdoors is the room whose readings are of the air outdoors; empty for
	// none. The others follow its seasons as far as they have followed it.
	Outdoors string
	// Normals of a room as its keeper states them; nil, or a nil value, for
	// none.
	Normals func(room string) *forecast.Normals
	// Futures is how many are drawn; 0 is what package forecast takes.
	Futures int
}

// futuresSeed is the same for all houses: what counts is that all rooms of one
// have the same summers.
const futuresSeed = 20260701

// keptDays is how many days a room's climate ahead is kept for: of its lots
// some may be looked ahead from another day than the rest.
const keptDays = 3

// prospect is the climate ahead of one room from the start of a UTC day, made
// from what the room's ledger holds of the time before: it is the same whenever
// it is made. It implements course.Ahead.
type prospect struct {
	day   time.Time
	model *forecast.Model
	hold  forecast.Hold
	ahead *forecast.Ahead // nil until it is asked for
	aging map[room.Key]*forecast.Exposure
	light float64 // lux hours a day in the year before the day
	// known is how much of the room was measured before the day, and of the
	// air outdoors.
	known, outdoors time.Duration
	stated          bool // the keeper states normals
}

// prospectOf is the climate ahead of a room from the start of a UTC day.
func (e *Engine) prospectOf(name string, day time.Time) *prospect {
	kept := e.prospects[name]
	if i := slices.IndexFunc(kept, func(p *prospect) bool { return p.day.Equal(day) }); i >= 0 {
		return kept[i]
	}
	p := &prospect{day: day, aging: map[room.Key]*forecast.Exposure{}}
	o := e.ForecastOptions(name)
	p.stated = o.Normals != nil
	if air := e.cfg.Forecasting.Outdoors; air != "" && air != name {
		out := e.prospectOf(air, day)
		o.Outdoor, p.outdoors = out.model, out.known
	}
	h := e.History(name, day)
	for _, x := range h.Hours {
		if x.Temp == x.Temp {
			p.known += time.Hour
		}
	}
	p.model, p.light = forecast.Fit(h, o), e.lightOf(name, day)
	if len(kept) >= keptDays {
		kept = slices.Delete(kept, 0, 1)
	}
	e.prospects[name] = append(kept, p)
	return p
}

// History is what was measured in a room before an instant.
func (e *Engine) History(name string, before time.Time) forecast.History {
	r := e.find(name)
	if r == nil || !r.ledger.Begun() {
		return forecast.History{}
	}
	return forecast.FromSlots(r.ledger.Slots()).Before(before)
}

// ForecastOptions are those by which the climate of a room is looked ahead, but
// for the air outdoors.
func (e *Engine) ForecastOptions(name string) forecast.Options {
	o := forecast.Options{Plan: e.Plan(name), Damp: e.Damp(name), Seed: futuresSeed, Members: e.cfg.Forecasting.Futures}
	if e.cfg.Forecasting.Normals != nil {
		o.Normals = e.cfg.Forecasting.Normals(name)
	}
	if name == e.cfg.Forecasting.Outdoors {
		o.Open, o.Plan, o.Damp = true, 0, 0 // no store is planned there
	}
	return o
}

// forgetProspects drops what was made of what changed in a room since an
// instant: what comes ahead of it and, of the air outdoors, of every room.
func (e *Engine) forgetProspects(name string, since time.Time) {
	stale := func(p *prospect) bool { return since.Before(p.day) }
	if name != e.cfg.Forecasting.Outdoors {
		e.prospects[name] = slices.DeleteFunc(e.prospects[name], stale)
		return
	}
	for k := range e.prospects {
		e.prospects[k] = slices.DeleteFunc(e.prospects[k], stale)
	}
}

// leastLight is how much light must have been measured to go by: one day and
// night (judgement).
const leastLight = 24 * time.Hour

// lightOf is the mean light of a room in the year before a day, lux hours a
// day, of the time in which it was measured; 0 where less than a day was.
func (e *Engine) lightOf(name string, day time.Time) float64 {
	dose, ms := 0.0, 0.0
	for _, s := range e.Hours(name, day.AddDate(-1, 0, 0), day) {
		if s.DoseMS > 0 {
			dose, ms = dose+float64(s.Dose), ms+float64(s.DoseMS)
		}
	}
	if ms < float64(leastLight.Milliseconds()) {
		return 0
	}
	return dose / ms * float64((24 * time.Hour).Milliseconds())
}

// climate is the futures of the room, made once.
func (p *prospect) climate() *forecast.Ahead {
	if p.ahead == nil {
		p.ahead = p.model.Held(p.day, p.hold)
	}
	return p.ahead
}

// Light implements course.Ahead.
func (p *prospect) Light() float64 { return p.light }

// held is the same room with its air bounded from now on.
func (p *prospect) held(h forecast.Hold) *prospect {
	x := *p
	x.hold, x.ahead, x.aging = h, nil, map[room.Key]*forecast.Exposure{}
	return &x
}

// At implements course.Ahead.
func (p *prospect) At() time.Time { return p.day }

// Mean implements course.Ahead.
func (p *prospect) Mean(from, to float64) (unit.Celsius, unit.Pascal) {
	return p.climate().Mean(from, to)
}

// Ageing implements course.Ahead.
func (p *prospect) Ageing(ea unit.KJPerMol, lag unit.Hours) course.Ageing {
	return p.exposure(ea, lag)
}

func (p *prospect) exposure(ea unit.KJPerMol, lag unit.Hours) *forecast.Exposure {
	k := room.Key{Ea: ea, Lag: lag}
	x := p.aging[k]
	if x == nil {
		made := p.climate().Exposure(ea, lag)
		x = &made
		p.aging[k] = x
	}
	return x
}
