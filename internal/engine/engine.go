package engine

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/dispatch"
	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// judged is how old a reading may be to move an alarm: older ones come from a
// backlog or an import and tell of heat that is over (judgement).
const judged = 24 * time.Hour

// Config is what the engine is told once.
type Config struct {
	Site    string
	Zone    *time.Location
	Catalog *catalog.Catalog
	// Rules of a room, by kind; a kind without a rule is not watched.
	Rules func(room string) map[alarm.Kind]alarm.Rule
	// ShelfRules are the rules of the air that a sensor has of its own, by kind,
	// and LotRules those of a lot; one without a kind switches it off. SiteRules
	// are those of the whole site. Nil, or a nil map, for none.
	ShelfRules func(sensor string) map[alarm.Kind]alarm.Rule
	LotRules   func(lot string) map[alarm.Kind]alarm.Rule
	SiteRules  map[alarm.Kind]alarm.Rule
	// Volume of a room, m³; 0, or nil, where it is not known.
	Volume func(room string) float64
	// Stale limit of a sensor.
	Stale func(sensor string) time.Duration
	// Rooms that are there before any reading.
	Rooms []string
	// Started is when the daemon began to listen: silence before it is the
	// daemon's, not the sensors'.
	Started time.Time
	// Lots, Sensors, Notes and Conditions are as the store kept them.
	Lots       []lot.Change
	Sensors    []sensor.Change
	Notes      []note.Change
	Conditions []alarm.Condition
	// Forecasting says how rooms are looked ahead.
	Forecasting Forecasting
	// Dispatching says which people are told, and what they were told.
	Dispatching Dispatching
}

// Engine is the whole state of one site. It is not safe for concurrent use:
// one writer owns it. Snapshot gives what others read.
type Engine struct {
	cfg     Config
	book    lot.Book
	sensors sensor.Book
	notes   note.Book
	fold    *room.Fold   // for the exposures the lots need
	rooms   []*roomState // sorted by name
	eval    lot.Evaluator

	follower *course.Follower
	reviewer *review.Reviewer
	lots     map[string]*tracked // by ID
	// conditions of lots and of the whole site, sorted by kind and lot.
	conditions []alarm.Condition
	beside     map[alarm.Key]beside // alarms that stand
	unjudged   bool                 // a lot was changed since lots were judged
	heardAt    time.Time            // the latest instant it was told or asked of
	// prospects of the rooms, by name, in the order in which they were made.
	prospects map[string][]*prospect
	// witnesses and beliefs are what tests say, by lot.
	witnesses map[string]*witness
	beliefs   map[string]believed

	people people
}

// roomState is one room: its ledger, what its sensors said last and its
// alarm conditions.
type roomState struct {
	name       string
	ledger     *room.Ledger
	rules      map[alarm.Kind]alarm.Rule
	watch      *sensor.Watch     // of what counts
	lookedOver time.Time         // the hour in which faults were last looked for
	heard      []heard           // of whatever was sent, sorted by sensor
	conditions []alarm.Condition // sorted by key
	judged     time.Time         // the hour for which the air and the lots were judged
	// lookedAhead is when the week ahead was judged, week what it was.
	lookedAhead time.Time
	week        *weekAhead
	mould       mouldCourse    // up to the open days
	spells      []review.Spell // up to what is settled; nil until they are asked for
}

// Effects is what an event asks of the world. Conditions and notices must be
// on disk before the event is acknowledged.
type Effects struct {
	Conditions []alarm.Condition // changed ones, as they now are
	// Transitions are what the conditions went through, for the history.
	Transitions []alarm.Event
	Notices     []alarm.Notice
	// Told is what people are told by the notices for them, on disk with these.
	Told []dispatch.Told
	// Refold lists rooms whose ledger must be fed again from the store,
	// because a reading reaches into closed days or a new lot needs an
	// exposure not kept so far.
	Refold []Refold

	events []event
}

// Refold asks for one room to be fed again from an instant; the zero instant
// means from its first reading.
type Refold struct {
	Room  string
	Since time.Time
}

// New makes the engine of a site from its lots and alarm conditions. Rooms
// with stored readings must then be refolded.
func New(cfg Config) (*Engine, error) {
	if cfg.Zone == nil {
		cfg.Zone = time.UTC
	}
	e := &Engine{cfg: cfg, lots: map[string]*tracked{}, witnesses: map[string]*witness{}, beliefs: map[string]believed{}, prospects: map[string][]*prospect{}, beside: map[alarm.Key]beside{}, unjudged: true}
	e.eval = lot.Evaluator{Catalog: cfg.Catalog, Rooms: e}
	e.follower = course.New(cfg.Catalog, e)
	e.reviewer = review.New(cfg.Catalog, e, e.follower, e.spellsOf, cfg.Zone)
	for _, c := range cfg.Lots {
		e.book.Apply(c)
	}
	for _, c := range cfg.Sensors {
		e.sensors.Apply(c)
	}
	for _, c := range cfg.Notes {
		e.notes.Apply(c)
	}
	for _, l := range e.book.Lots() { // a class of an own catalog may have changed since
		if _, err := e.follower.Start(l); err != nil {
			return nil, err
		}
	}
	keys, err := e.wantedKeys()
	if err != nil {
		return nil, err
	}
	if e.fold, err = room.NewFold(keys); err != nil {
		return nil, err
	}
	for _, name := range cfg.Rooms {
		e.room(name)
	}
	for _, c := range cfg.Conditions {
		*e.condition(c.Key) = c
	}
	e.people = newPeople(cfg.Dispatching)
	return e, nil
}

// wantedKeys are the exposures that the lots of the book need.
func (e *Engine) wantedKeys() (room.Keys, error) {
	keys := course.AirKeys()
	for _, l := range e.book.Lots() {
		f, err := e.cfg.Catalog.Food(l.Packing.Food)
		if err != nil {
			return room.Keys{}, fmt.Errorf("lot %s: %w", l.ID, err)
		}
		k, err := e.cfg.Catalog.Container(l.Packing.Container)
		if err != nil {
			return room.Keys{}, fmt.Errorf("lot %s: %w", l.ID, err)
		}
		for _, m := range f.Modes {
			keys = append(keys, room.Key{Lag: l.Packing.Lag(k), Ea: unit.KJPerMol(m.Ea.Likely)})
		}
	}
	return room.NewKeys(keys...), nil
}

// room finds a room, or opens it.
func (e *Engine) room(name string) *roomState {
	i, found := slices.BinarySearchFunc(e.rooms, name, func(r *roomState, name string) int { return strings.Compare(r.name, name) })
	if !found {
		rules := e.cfg.Rules(name)
		e.rooms = slices.Insert(e.rooms, i, &roomState{name: name, ledger: room.NewLedger(e.fold, e.cfg.Stale), watch: e.newWatch(rules), rules: rules})
	}
	return e.rooms[i]
}

// find is room without opening it; nil when it is not there.
func (e *Engine) find(name string) *roomState {
	i := slices.IndexFunc(e.rooms, func(r *roomState) bool { return r.name == name })
	if i < 0 {
		return nil
	}
	return e.rooms[i]
}

// Rooms lists the rooms that are open.
func (e *Engine) Rooms() []string {
	var names []string
	for _, r := range e.rooms {
		names = append(names, r.name)
	}
	return names
}

// Exposure implements lot.Rooms.
func (e *Engine) Exposure(name string, lag unit.Hours, ea unit.KJPerMol, from, to time.Time) room.Exposure {
	r := e.find(name)
	if r == nil {
		return room.Exposure{Unknown: max(0, to.Sub(from))}
	}
	return r.ledger.Between(lag, ea, from, to)
}

// Plan implements lot.Rooms: plan storage is the room's warm limit, or the
// reference temperature where none is set.
func (e *Engine) Plan(name string) unit.Celsius {
	if rule, ok := e.rulesOf(name)[alarm.Warm]; ok {
		return unit.Celsius(rule.Limit)
	}
	return room.Reference
}

// Observe takes readings that are new, not seen before; now is the instant of
// their arrival.
func (e *Engine) Observe(now time.Time, readings []room.Reading) Effects {
	var fx Effects
	e.heardAt = later(e.heardAt, now)
	byTime := slices.Clone(readings)
	slices.SortStableFunc(byTime, func(a, b room.Reading) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.Room, b.Room), strings.Compare(a.Sensor, b.Sensor), cmp.Compare(a.Quantity, b.Quantity))
	})
	var touched []*roomState
	for _, r := range byTime {
		rs := e.room(r.Room)
		if !slices.Contains(touched, rs) {
			touched = append(touched, rs)
		}
		e.take(rs, r, now, &fx)
	}
	for _, rs := range touched {
		rs.advance(now)
	}
	e.compose(&fx)
	return fx
}

// take is one new reading of a room: as it was sent it tells that its sensor
// speaks, as it counts it is folded and judged.
func (e *Engine) take(rs *roomState, r room.Reading, now time.Time, fx *Effects) {
	recent := now.Sub(r.At) <= judged
	if rs.hear(r) && recent && !e.sensors.Retired(r.Room, r.Sensor, r.At) {
		e.judgeSilence(rs, r, fx)
	}
	counted, counts := e.sensors.Correct(r)
	if !counts {
		return
	}
	if since := rs.ledger.Add(counted); !since.IsZero() {
		fx.refold(r.Room, since)
	}
	v := rs.watch.Add(r, counted)
	if !v.Newest || !recent {
		return
	}
	if v.Stands != nil {
		e.judgeLate(rs, room.Reading{Series: r.Series, At: v.Stands.At, Value: v.Stands.Value}, fx)
	}
	if !v.Held {
		e.judge(rs, counted, fx)
	}
	e.spiked(rs, r.Sensor, r.Quantity, r.At, v.Spike, fx)
}

// advance folds what is known up to an instant and closes what can no longer
// change.
func (rs *roomState) advance(now time.Time) {
	rs.ledger.Advance(now)
	if !rs.ledger.Begun() {
		return
	}
	closed := rs.ledger.OpenSince()
	if now.Before(closed) { // fed again, from before the days folded again
		closed = now
	}
	rs.watch.Close(closed)
}

func (fx *Effects) refold(name string, since time.Time) {
	for i, r := range fx.Refold {
		if r.Room == name {
			if since.Before(r.Since) {
				fx.Refold[i].Since = since
			}
			return
		}
	}
	fx.Refold = append(fx.Refold, Refold{name, since})
}

// Restart takes a room's ledger back for a refold and gives the instant from
// which its stored readings must be fed, in order, to Feed. With the zero
// instant, or when the lots now need other exposures, it starts from nothing.
func (e *Engine) Restart(f Refold) (from time.Time) {
	rs := e.room(f.Room)
	rs.mould, rs.lookedOver, rs.judged, rs.lookedAhead, rs.week = mouldCourse{}, time.Time{}, time.Time{}, time.Time{}, nil
	clear(e.beside)
	if !f.Since.IsZero() && rs.ledger.Keys().Equal(e.fold.Keys()) {
		from = rs.ledger.Restart(f.Since)
		if rs.watch.Reaches(from) {
			rs.watch.Restart(from)
			return from
		}
	}
	rs.ledger, rs.watch = room.NewLedger(e.fold, e.cfg.Stale), e.newWatch(rs.rules)
	return time.UnixMilli(0).UTC()
}

// Feed gives a room stored readings again, in order of time, and folds them
// up to the instant asOf.
func (e *Engine) Feed(name string, readings []room.Reading, asOf time.Time) {
	rs := e.room(name)
	for _, r := range readings {
		rs.hear(r)
		if counted, counts := e.sensors.Correct(r); counts {
			rs.ledger.Feed(counted)
			rs.watch.Add(r, counted)
		}
	}
	rs.advance(asOf)
}

// CheckLot reports why a change of a lot cannot be taken; it wraps
// lot.ErrNotFound or lot.ErrInvalid.
func (e *Engine) CheckLot(c lot.Change) error {
	return e.checkLot(&e.book, c)
}

// CheckLots is CheckLot for changes that belong together, each after those
// before it.
func (e *Engine) CheckLots(changes []lot.Change) error {
	if len(changes) == 1 {
		return e.CheckLot(changes[0])
	}
	book := e.book.Clone()
	for i, c := range changes {
		if err := e.checkLot(book, c); err != nil {
			return fmt.Errorf("%d of %d: %w", i+1, len(changes), err)
		}
		book.Apply(c)
	}
	return nil
}

func (e *Engine) checkLot(book *lot.Book, c lot.Change) error {
	if err := e.checkTest(c); err != nil {
		return err
	}
	if c.Kind == lot.Added && c.Packing != nil {
		if err := c.Packing.Check(e.cfg.Catalog, c.Recorded); err != nil {
			return err
		}
		if _, err := e.follower.Start(c.Packing.Lot(c.Lot)); err != nil {
			return lot.Invalid("%v", err)
		}
	}
	return book.Check(c)
}

// NextLot is the ID of the next lot added.
func (e *Engine) NextLot() string { return e.book.NextID() }

// Book is a copy of the lots as they are, on which changes can be tried.
func (e *Engine) Book() *lot.Book { return e.book.Clone() }

// Lot finds a lot; the error wraps lot.ErrNotFound.
func (e *Engine) Lot(id string) (lot.Lot, error) { return e.book.Find(id) }

// ChangeLot takes a change that passed CheckLot.
func (e *Engine) ChangeLot(c lot.Change) (Effects, error) { return e.ChangeLots([]lot.Change{c}) }

// ChangeLots takes changes that passed CheckLots.
func (e *Engine) ChangeLots(changes []lot.Change) (Effects, error) {
	var fx Effects
	for _, c := range changes {
		e.book.Apply(c)
		for _, id := range []string{c.Lot, c.From} {
			delete(e.lots, id)
			delete(e.witnesses, id)
		}
	}
	clear(e.beside)
	e.unjudged = true
	keys, err := e.wantedKeys()
	if err != nil {
		return fx, err
	}
	if !keys.Equal(e.fold.Keys()) {
		if e.fold, err = room.NewFold(keys); err != nil {
			return fx, err
		}
		for _, r := range e.rooms {
			fx.Refold = append(fx.Refold, Refold{Room: r.name})
		}
	}
	return fx, nil
}
