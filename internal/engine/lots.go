package engine

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/barrier"
	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// unwatchedDamp is the humidity assumed for unknown time in a room without a
// damp limit, fraction: the mould line of long storage (models 4.3).
const unwatchedDamp = unit.RH(0.65)

// tracked is one lot as it was last worked out.
type tracked struct {
	account  review.Account // with its course: what lies before can change only by a refold
	settled  time.Time      // instant of account: the start of a UTC day, or packing; zero for none
	packed   time.Time      // where settled is this, the account knows of no room yet
	asOf     time.Time
	limiting int
	view     LotView
	outlook  course.Outlook
	end      course.Projection // under the forecast of its room
	lookedAt time.Time         // from when outlook and end were taken
	reviewed *review.Review    // as of asOf; nil until it is asked for
	lost     []spent           // of the days before settled, in order
}

// Mean implements course.Rooms.
func (e *Engine) Mean(name string, from, to time.Time) room.Climate {
	if r := e.find(name); r != nil {
		return r.ledger.Climate(from, to)
	}
	return room.Climate{}
}

// Damp implements course.Rooms: the damp limit of the room.
func (e *Engine) Damp(name string) unit.RH {
	if rule, ok := e.rulesOf(name)[alarm.Damp]; ok {
		return unit.RH(rule.Limit)
	}
	return unwatchedDamp
}

func (e *Engine) rulesOf(name string) map[alarm.Kind]alarm.Rule {
	if r := e.find(name); r != nil {
		return r.rules
	}
	return e.cfg.Rules(name)
}

// workOut brings every lot to the last whole hour that its room's readings
// reach, or to its end, and looks ahead from the start of that day, on the
// first day from that hour. What was worked out stands, unless the lot was
// changed or a reading changed what came before.
func (e *Engine) workOut(now time.Time) error {
	settled, err := e.freshen(now)
	if err != nil {
		return err
	}
	for _, l := range e.book.Lots() {
		t, at := e.lots[l.ID], e.asOf(l, now)
		if t.asOf.Equal(at) {
			continue
		}
		if err := e.workOutLot(t, l, at, settled); err != nil {
			return err
		}
		clear(e.beside) // what an alarm costs goes by its lots
	}
	return nil
}

// freshen drops of what was worked out what rests on readings that changed, and
// gives the instant up to which accounts are carried on.
func (e *Engine) freshen(now time.Time) (settled time.Time, err error) {
	changed := map[string]time.Time{}
	settled = now
	for _, r := range e.rooms {
		if since, ok := r.ledger.TakeChanged(); ok {
			changed[r.name] = since
			e.forgetProspects(r.name, since)
			e.forgetWeeks(r.name, since)
			r.spells = nil
		}
		if at := r.ledger.OpenSince(); r.ledger.Begun() && at.Before(settled) {
			settled = at
		}
	}
	settled = settled.Add(-spellJoin).Truncate(24 * time.Hour)
	if err := e.believe(now, changed); err != nil {
		return settled, err
	}
	for _, l := range e.book.Lots() {
		t := e.lots[l.ID]
		if t == nil {
			t = &tracked{}
			e.lots[l.ID] = t
		}
		for _, stay := range l.Stays {
			if since, ok := changed[stay.Room]; ok {
				t.forget(since)
			}
		}
		if since, ok := changed[e.cfg.Forecasting.Outdoors]; ok {
			t.forgetAhead(since)
		}
	}
	return settled, nil
}

// forget drops what was worked out from anything that changed since an instant.
// A spell that ended before it may now go on beyond it.
func (t *tracked) forget(since time.Time) {
	if since.Before(t.settled.Add(spellJoin)) && !t.settled.Equal(t.packed) {
		*t = tracked{lookedAt: t.lookedAt, outlook: t.outlook, end: t.end}
	}
	if since.Before(t.asOf) {
		t.asOf = time.Time{}
	}
	if since.Before(t.lookedAt) {
		t.lookedAt = time.Time{}
	}
}

// forgetAhead drops what was seen ahead of a lot where the air outdoors, by
// which its room is looked ahead, changed since an instant.
func (t *tracked) forgetAhead(since time.Time) {
	if since.Before(t.lookedAt) {
		t.asOf, t.lookedAt = time.Time{}, time.Time{}
	}
}

// mustWorkOut is workOut where it cannot fail: New and CheckLot let no class in
// that the catalog does not know or that cannot be followed.
func (e *Engine) mustWorkOut(now time.Time) {
	if err := e.workOut(now); err != nil {
		panic(fmt.Sprintf("engine: %v", err))
	}
}

// asOf is the instant a lot is worked out for.
func (e *Engine) asOf(l lot.Lot, now time.Time) time.Time {
	at := now
	if r := e.find(l.Room()); r != nil && r.ledger.Begun() && r.ledger.Settled().Before(at) {
		at = r.ledger.Settled()
	}
	at = at.Truncate(time.Hour)
	if l.Finished() && l.FinishedAt.Before(at) {
		at = l.FinishedAt
	}
	return later(at, l.Packing.PackedAt)
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

func (e *Engine) workOutLot(t *tracked, l lot.Lot, at, settled time.Time) error {
	if err := e.carry(e.reviewer, t, l, at, settled); err != nil {
		return err
	}
	base := t.account.Course()
	from := at.Truncate(24 * time.Hour)
	if at.Sub(l.Packing.PackedAt) < 24*time.Hour {
		from = at // the room is new to a lot of today
	}
	c, err := e.follower.Advance(base, l, from)
	if err != nil {
		return err
	}
	if !l.Finished() && !t.lookedAt.Equal(from) {
		if t.outlook, err = e.follower.Outlook(c, l); err != nil {
			return err
		}
		ends, err := e.follower.Forecast(c, l, e.prospectOf(l.Room(), from.Truncate(24*time.Hour)), false)
		if err != nil {
			return err
		}
		t.end, t.lookedAt = ends.Projection(c.At), from
	}
	if c, err = e.follower.Advance(c, l, at); err != nil {
		return err
	}
	s, err := e.follower.State(c, l)
	if err != nil {
		return err
	}
	t.asOf, t.limiting, t.reviewed = at, s.Limiting, nil
	t.view, err = e.lotView(l, s, t.outlook, t.end)
	return err
}

// carry carries the account of a lot on to what is settled, for a view as of an
// instant.
func (e *Engine) carry(by *review.Reviewer, t *tracked, l lot.Lot, at, settled time.Time) (err error) {
	if t.settled.IsZero() || at.Before(t.settled) {
		if t.account, err = by.Start(l); err != nil {
			return err
		}
	}
	if settled.Before(at) {
		if err := settle(by, t, l, settled); err != nil {
			return err
		}
	}
	t.settled, t.packed = t.account.Course().At, l.Packing.PackedAt
	return nil
}

// lotViews shows every lot, what is left of it rising, finished ones last.
func (e *Engine) lotViews(now time.Time) []LotView {
	e.mustWorkOut(now)
	lots := e.book.Lots()
	order := make([]*LotView, 0, len(lots)) // a view is large: sort pointers
	for _, l := range lots {
		order = append(order, &e.lots[l.ID].view)
	}
	slices.SortStableFunc(order, func(a, b *LotView) int {
		return cmp.Or(cmp.Compare(flag(a.Finished()), flag(b.Finished())), cmp.Compare(a.Remaining.Likely, b.Remaining.Likely))
	})
	out := make([]LotView, 0, len(lots))
	for _, v := range order {
		out = append(out, *v)
	}
	return out
}

func (e *Engine) lotView(l lot.Lot, s course.State, o course.Outlook, end course.Projection) (LotView, error) {
	f, err := e.cfg.Catalog.Food(l.Packing.Food)
	if err != nil {
		return LotView{}, err
	}
	k, err := e.cfg.Catalog.Container(l.Packing.Container)
	if err != nil {
		return LotView{}, err
	}
	limiting := s.Modes[s.Limiting].Mode
	v := LotView{
		Lot: l, FoodName: f.Name, ContainerName: k.Name, AsOf: s.At,
		Caution:   strings.Join(strings.Fields(f.Caution+" "+l.Packing.Caution()+" "+l.Packing.Against()), " "),
		Remaining: Estimate(s.Remaining), Limiting: limiting.Name,
		End: end.Likely, EndEarly: end.Early, EndLate: end.Late, EndBy: end.By,
		EndAtPlan: o.End, PlanEarly: o.EndEarly, PlanLate: o.EndLate, PlanBy: o.EndBy,
		LostBeyondPlan: e.eval.Cost(l, limiting, l.Packing.PackedAt, s.At),
		EstimatedDays:  s.Cover.Estimated.Hours() / 24, UnknownDays: s.Cover.Unknown.Hours() / 24,
		Present: PresentView{o.Temperature, o.Humidity, o.TemperatureKnown, o.HumidityKnown},
		Moisture: MoistureView{
			WetBasis: Estimate(s.Moisture), Activity: Estimate(s.Activity),
			Amber: Passing(o.Amber), Red: Passing(o.Red), Limit: f.Limit,
		},
		Oxygen: OxygenView{
			Words: oxygenWords(s.Oxygen.Likely), Note: l.Packing.AbsorberNote(f, k), Fraction: Estimate(s.Oxygen),
			Enclosed: s.Enclosed, Left: s.Absorber, Spent: Passing(o.Spent), SealFailure: Estimate(s.Failure),
		},
		Insects: e.insects(l, s), LightDose: s.Dose,
	}
	for _, p := range o.Oxygen {
		v.Oxygen.Rises = append(v.Oxygen.Rises, Passing(p))
	}
	if s.Viable != nil {
		v.Viable = (*Estimate)(s.Viable)
	}
	for _, m := range s.Modes {
		v.Modes = append(v.Modes, ModeView{
			Name: m.Mode.Name, Consumed: Estimate(m.Consumed), Exposure: Estimate(m.Exposure), Nutrient: m.Mode.Nutrient,
			Retention: (*Estimate)(m.Retention), Water: m.Water, Oxygen: m.Oxygen, Light: m.Light,
		})
	}
	if r := l.InStore(); !l.Finished() {
		v.Containers, v.MassKG = r.Count, r.KG
	}
	v.Tested = e.tested(l, s, o)
	v.Warnings = warnings(&v)
	return v, nil
}

// Up to lowOxygen insects die and oxidation is slow; from mostlyAir on a
// container holds little else than air (judgement).
const lowOxygen, mostlyAir = 0.02, 0.18

func oxygenWords(x float64) string {
	switch {
	case x <= lowOxygen:
		return "low oxygen"
	case x >= mostlyAir:
		return "air"
	}
	return fmt.Sprintf("%.0f %% oxygen", 100*x)
}

func (e *Engine) insects(l lot.Lot, s course.State) *InsectView {
	if s.Insect == "" {
		return nil
	}
	v := &InsectView{
		Hold: s.Hold.Share, HeldAfter: s.Hold.DoneAfter / 24, Frozen: s.Freeze.Done(), Freeze: s.Freeze.Share, Species: s.Insect,
		Generations: Estimate{s.Pests.Slow, s.Pests.Likely, s.Pests.Fast}, Ended: s.Pests.Ended, UnknownDays: s.Pests.Unknown / 24,
	}
	if l.Packing.Treatment.Kind == lot.FreezeThaw {
		v.Spells, v.Cycles, v.Resets = s.Freeze.Spells, s.Freeze.Cycles, s.Freeze.Resets
		if v.Frozen {
			v.FrozenOn = l.Packing.PackedAt.Add(daysLong(s.Freeze.DoneAfter / 24))
		}
	}
	v.Next = e.nextStep(l, s, v)
	switch {
	case s.Hold.Done:
		v.Words = fmt.Sprintf("low-oxygen hold complete %.0f days after packing, if the seal held", v.HeldAfter)
	case v.Frozen:
		v.Words = "freezing complete, as seen at the core"
	case l.Packing.Treatment.Kind == lot.Absorber:
		v.Words = fmt.Sprintf("low-oxygen hold %.0f %% complete", 100*min(1, v.Hold))
	case l.Packing.Treatment.Kind == lot.FreezeThaw && v.Freeze > 0:
		v.Words = fmt.Sprintf("freezing %.0f %% complete, as seen at the core", 100*min(1, v.Freeze))
	case l.Packing.Treatment.Kind == lot.FreezeThaw:
		v.Words = "freeze-thaw as the keeper says; no freezer was watched, so it counts as not complete"
	default:
		v.Words = "no treatment"
	}
	return v
}

// warnings are what wants a person, worst first.
func warnings(v *LotView) []string {
	if v.Finished() {
		return nil
	}
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if text, any := smelled(v.Lot); any {
		say("%s", text)
	}
	aw := v.Moisture.Activity.Likely
	if v.Moisture.Red.Past {
		say("Water activity %.2f is past the red line of %.2f: %s. When in doubt throw it out.", aw, v.Moisture.Red.Level, v.Moisture.Limit)
	} else if v.Moisture.Amber.Past {
		say("Water activity %.2f is past the amber line of %.2f: %s comes next.", aw, v.Moisture.Amber.Level, v.Moisture.Limit)
	}
	if v.Remaining.Likely <= 0 {
		say("Past the limit of %s: judge it when opened.", v.Limiting)
	}
	if v.Seal == barrier.Failed {
		say("The seal leaks: repack it or eat it first.")
	}
	if v.Insects != nil && !v.Insects.Ended && v.Insects.Generations.Likely >= 1 {
		say("No treatment is complete: insects that came in would have bred %.1f generations.", v.Insects.Generations.Likely)
	}
	return out
}
