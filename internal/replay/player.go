// Package replay plays facts through an engine by a time of its own: readings
// that are stored, to see what other rules would have raised, or invented ones,
// to test rules. It raises alarms and words messages by the same code as the
// daemon does, and sends none.
package replay

import (
	"fmt"
	"slices"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/room"
)

// Step is how often time alone is looked at. The daemon looks each second, so
// that an alarm here comes up to a minute late, which is nothing against
// on-delays of hours; what was read since the last step is taken with it.
const Step = time.Minute

// Source gives the readings of rooms from one instant on and before another, in
// order of time, in pieces. It ends with the error of visit.
type Source func(rooms []string, from, to time.Time, visit func([]room.Reading) error) error

// House is what a player plays.
type House struct {
	// Engine is how the engine is made. Of Lots, which are all that were ever
	// told, each takes effect when it happened; Started is set by the player.
	Engine   engine.Config
	Rooms    []string // those with readings
	Readings Source
}

// Player is a house as it is at an instant, with all that has been raised. It
// is not safe for concurrent use.
type Player struct {
	house  House
	engine *engine.Engine
	coming []lot.Change // in order of time
	now    time.Time
	ways   engine.Ways
	log    Log
	err    error // of a refold; the first
}

// New is a house at an instant, a whole minute, with what came before it folded
// and no alarm judged.
func New(h House, at time.Time) (*Player, error) {
	p := &Player{house: h, coming: slices.Clone(h.Engine.Lots), now: at.Truncate(Step)}
	slices.SortStableFunc(p.coming, func(a, b lot.Change) int { return a.At.Compare(b.At) })
	p.house.Engine.Lots, p.house.Engine.Conditions = nil, slices.Clone(h.Engine.Conditions)
	p.house.Engine.Dispatching.Told = slices.Clone(h.Engine.Dispatching.Told)
	p.log.From = p.now
	return p, p.fold()
}

// Engine is the engine as it is now; a restart makes another.
func (p *Player) Engine() *engine.Engine { return p.engine }

// Now is how far it was played.
func (p *Player) Now() time.Time { return p.now }

// Log is what was raised since Begin, or since the player was made.
func (p *Player) Log() *Log {
	p.log.To = p.now
	return &p.log
}

// due takes the changes of lots that have happened by now off the list.
func (p *Player) due() []lot.Change {
	n, _ := slices.BinarySearchFunc(p.coming, p.now, func(c lot.Change, now time.Time) int {
		if c.At.After(now) {
			return 1
		}
		return -1
	})
	due := p.coming[:n:n]
	p.coming = p.coming[n:]
	return due
}

// Begin forgets what was raised before now: what stands now stood already.
func (p *Player) Begin() {
	p.log = Log{From: p.now}
	for _, c := range p.engine.Conditions() {
		if active(c.State) {
			p.log.Stood = append(p.log.Stood, c)
		}
	}
}

// fold makes the engine anew, as a start of the daemon does: from what is
// stored, with the state of alarms as it was left.
func (p *Player) fold() (err error) {
	cfg := &p.house.Engine
	cfg.Lots = append(cfg.Lots, p.due()...)
	cfg.Started = p.now
	if p.engine, err = engine.New(*cfg); err != nil {
		return err
	}
	for _, name := range p.house.Rooms {
		p.engine.Restart(engine.Refold{Room: name})
	}
	if err := p.feed(p.house.Rooms, time.Time{}); err != nil {
		return err
	}
	return p.err
}

// feed gives rooms their readings again, from an instant up to now.
func (p *Player) feed(rooms []string, from time.Time) error {
	err := p.house.Readings(rooms, from, p.now.Add(1), func(readings []room.Reading) error {
		byRoom := map[string][]room.Reading{}
		for _, r := range readings {
			byRoom[r.Room] = append(byRoom[r.Room], r)
		}
		for _, name := range rooms {
			if own := byRoom[name]; len(own) > 0 {
				p.engine.Feed(name, own, own[len(own)-1].At)
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("cannot fold what came before: %w", err)
	}
	for _, name := range rooms {
		p.engine.Feed(name, nil, p.now)
	}
	return nil
}

// Play takes the readings of the source on to an instant, one step after the
// other. It calls each, if it is set, at the end of each UTC day, and ends with
// its error.
func (p *Player) Play(to time.Time, each func(*Player) error) error {
	var waiting []room.Reading
	step := func() error {
		p.Step(waiting)
		waiting = waiting[:0]
		if p.err == nil && each != nil && p.now.Equal(p.now.Truncate(24*time.Hour)) {
			p.fail(each(p))
		}
		return p.err
	}
	err := p.house.Readings(p.house.Rooms, p.now.Add(1), to.Add(1), func(readings []room.Reading) error {
		for _, r := range readings {
			for r.At.After(p.now.Add(Step)) {
				if err := step(); err != nil {
					return err
				}
			}
			waiting = append(waiting, r)
		}
		return nil
	})
	for err == nil && !p.now.Add(Step).After(to) {
		err = step()
	}
	return err
}

// Step lets a step pass, with what was read in it: first the readings, then
// what time alone does, as in the daemon.
func (p *Player) Step(readings []room.Reading) {
	p.now = p.now.Add(Step)
	for _, c := range p.due() {
		p.house.Engine.Lots = append(p.house.Engine.Lots, c)
		fx, err := p.engine.ChangeLot(c)
		p.fail(err)
		p.take(fx)
	}
	if len(readings) > 0 {
		p.log.Readings += len(readings)
		p.take(p.engine.Observe(p.now, readings))
	}
	p.take(p.engine.Tick(p.now))
	p.take(p.engine.Dispatch(p.now, p.ways))
}

// Operate does what a person does to an alarm.
func (p *Player) Operate(op engine.Operation) error {
	fx, err := p.engine.Operate(p.now, op)
	p.take(fx)
	return err
}

// Stop lets time pass while the daemon is off, and starts it again.
func (p *Player) Stop(to time.Time) error {
	p.now = to.Truncate(Step)
	return p.fold()
}

// take keeps effects as the store does.
func (p *Player) take(fx engine.Effects) {
	cfg := &p.house.Engine
	for _, c := range fx.Conditions {
		i := slices.IndexFunc(cfg.Conditions, func(x alarm.Condition) bool { return x.Key == c.Key })
		if i < 0 {
			cfg.Conditions = append(cfg.Conditions, c)
		} else {
			cfg.Conditions[i] = c
		}
	}
	for _, t := range fx.Told {
		cfg.Dispatching.Told = slices.DeleteFunc(cfg.Dispatching.Told, func(x dispatch.Told) bool { return x.To == t.To && x.Key == t.Key })
		if !t.Gone {
			cfg.Dispatching.Told = append(cfg.Dispatching.Told, t)
		}
	}
	p.log.take(fx)
	for _, f := range fx.Refold {
		from := p.engine.Restart(f)
		p.fail(p.feed([]string{f.Room}, from))
	}
}

func (p *Player) fail(err error) {
	if p.err == nil {
		p.err = err
	}
}
