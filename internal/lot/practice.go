package lot

import (
	"math"
	"strings"
	"time"
)

// Kinds of change by which a lot is used up. They are stored: never rename.
const (
	// Split makes a lot of its own, which the change names, of some containers
	// of the lot From. It keeps the packing, the seal and the rooms they stood
	// in; with a Room it goes there.
	Split ChangeKind = "split"
	// Opened says that the containers of the lot are open from then on.
	Opened ChangeKind = "opened"
	// Eaten takes Count containers or KG out of a lot, which is finished with
	// the last of it; Discarded does the same, with a reason.
	Eaten     ChangeKind = "eaten"
	Discarded ChangeKind = "discarded"
	// Recounted says how many containers there are, with a reason.
	Recounted ChangeKind = "recounted"
	// Priced says what a kilogram was bought for.
	Priced ChangeKind = "priced"
	// Completed records the end of the treatment, with its evidence.
	Completed ChangeKind = "treated"
	// Undone takes back the last change of a lot. A lot that was only added
	// counts as never there.
	Undone ChangeKind = "undone"
)

// maxPrice is far above what any staple costs, in any currency.
const maxPrice = 1e9

// crumb is how much less than a whole container still counts as one, share of
// the net mass: scales at home do not show it (judgement).
const crumb = 1e-3

// Rest is what is in store of a lot.
type Rest struct {
	Count int     `json:"count"` // containers that hold something
	KG    float64 `json:"kg"`
}

// InStore is what there is of the lot, or what there was of it last where it
// is finished.
func (l Lot) InStore() Rest {
	if l.Rest != nil {
		return *l.Rest
	}
	return l.Packing.all()
}

func (p Packing) all() Rest { return Rest{p.Count, float64(float64(p.Count) * p.NetMassKG)} }

// Open says that the containers are open at an instant.
func (l Lot) Open(at time.Time) bool { return !l.OpenedAt.IsZero() && !at.Before(l.OpenedAt) }

// Full is how many containers nothing was taken from.
func (l Lot) Full() int {
	r := l.InStore()
	return min(r.Count, int(math.Floor(float64(r.KG/l.Packing.NetMassKG)+crumb)))
}

// without is what is left when containers or kilograms are taken out. A
// container that was begun is emptied first.
func (l Lot) without(count int, kg float64) Rest {
	r, net := l.InStore(), l.Packing.NetMassKG
	if count > 0 {
		r.Count -= count
		r.KG = min(r.KG, float64(float64(r.Count)*net))
	} else {
		r.KG -= kg
		r.Count = min(r.Count, int(math.Ceil(float64(r.KG/net)-crumb)))
	}
	if r.Count < 1 || !(r.KG > float64(crumb*net)) {
		return Rest{}
	}
	return r.whole(net)
}

// whole is r without the last bits of differences, where all are full.
func (r Rest) whole(net float64) Rest {
	if full := float64(float64(r.Count) * net); math.Abs(r.KG-full) <= float64(1e-9*full) {
		r.KG = full
	}
	return r
}

// Evidence is what the model knew of a treatment when its end was recorded.
type Evidence struct {
	AsOf time.Time `json:"as_of"`
	// Share of what kills all stages of insects, 1 where it is complete, and
	// when it was; zero where it is not.
	Share      float64   `json:"share"`
	CompleteOn time.Time `json:"complete_on,omitzero"`
	// Spells of Cycles cold spells were complete, seen at the core, and Resets
	// began again since it warmed; of a freezing.
	Spells int `json:"cold_spells,omitempty"`
	Cycles int `json:"cold_spells_wanted,omitempty"`
	Resets int `json:"resets,omitempty"`
	// Oxygen is the likely fraction inside.
	Oxygen float64 `json:"oxygen_fraction"`
	// Words are those of the state, as it was shown.
	Words string `json:"words"`
}

// Treated is the end of a treatment as the keeper recorded it.
type Treated struct {
	At       time.Time `json:"at"`
	By       string    `json:"by,omitempty"`
	Note     string    `json:"note,omitempty"`
	Evidence Evidence  `json:"evidence"`
}

// checkUse reports why a change that is not of the past cannot be taken.
func (l Lot) checkUse(c Change) error {
	r := l.InStore()
	if err := checkLine(c.Note); err != nil {
		return err
	}
	switch c.Kind {
	case Opened:
		if !l.OpenedAt.IsZero() {
			return Invalid("lot %s was opened on %s", l.ID, l.OpenedAt.Format(time.DateOnly))
		}
	case Eaten, Discarded:
		switch {
		case c.Kind == Discarded && strings.TrimSpace(c.Note) == "":
			return Invalid("no reason: say why it is thrown out, it is kept with the change")
		case c.Count < 0 || c.KG < 0 || c.KG != c.KG || math.IsInf(c.KG, 0) || (c.Count > 0) == (c.KG > 0):
			return Invalid("say how much of lot %s: a number of containers, or kilograms, above 0", l.ID)
		case c.Count > r.Count:
			return Invalid("%d containers of lot %s: there are %d", c.Count, l.ID, r.Count)
		case c.KG > float64(r.KG*(1+crumb)):
			return Invalid("%g kg of lot %s: there are %.6g kg", c.KG, l.ID, r.KG)
		}
	case Recounted:
		switch {
		case strings.TrimSpace(c.Note) == "":
			return Invalid("no reason: say why the count is another, it is kept with the change")
		case c.Count < 1 || c.Count > maxCount:
			return Invalid("%d containers: give 1 to %d; a lot of which nothing is left is finished, or thrown out", c.Count, maxCount)
		case c.Count == r.Count:
			return Invalid("there are %d containers of lot %s already", c.Count, l.ID)
		}
	case Completed:
		switch {
		case l.Packing.Treatment.Kind == NoTreatment:
			return Invalid("lot %s was packed without a treatment: there is none to complete", l.ID)
		case l.Treated != nil:
			return Invalid("the treatment of lot %s was recorded as complete on %s: take that back first", l.ID, l.Treated.At.Format(time.DateOnly))
		case c.Evidence == nil:
			return Invalid("no evidence with the end of the treatment of lot %s", l.ID)
		}
	case Priced:
		if !(c.Price > 0 && c.Price <= maxPrice) {
			return Invalid("a price of %g per kg: give one above 0", c.Price)
		}
	default:
		return Invalid("unknown change %q", c.Kind)
	}
	return nil
}

// checkSplit reports why some of a lot cannot become a lot of its own.
func (b *Book) checkSplit(c Change) error {
	if c.Lot != b.NextID() {
		return Invalid("change splits off lot %q, the next is %q", c.Lot, b.NextID())
	}
	l, err := b.Find(c.From)
	if err != nil {
		return err
	}
	switch {
	case l.Withdrawn:
		return Invalid("lot %s was taken back: it counts as never there", l.ID)
	case l.Finished():
		return Invalid("lot %s was finished on %s", l.ID, l.FinishedAt.Format(time.DateOnly))
	case c.Count < 1 || c.Count >= l.InStore().Count:
		return Invalid("%d of the %d containers of lot %s: at least one must go and one stay; all of them are moved, not split", c.Count, l.InStore().Count, l.ID)
	case c.Count > l.Full():
		return Invalid("%d containers of lot %s: only %d are full, and a begun one stays", c.Count, l.ID, l.Full())
	}
	if err := checkLine(c.Note); err != nil {
		return err
	}
	return l.checkTime(c)
}

// checkTime reports an instant before the lot came where it stands, or to come.
func (l Lot) checkTime(c Change) error {
	last := l.Stays[len(l.Stays)-1]
	switch {
	case c.At.Before(last.From):
		return Invalid("lot %s stands in %s since %s: the change at %s is earlier", l.ID, last.Room, last.From.Format(time.RFC3339), c.At.Format(time.RFC3339))
	case c.At.After(c.Recorded.Add(24 * time.Hour)):
		return Invalid("the change at %s is in the future", c.At.Format(time.RFC3339))
	}
	return nil
}

// used is the lot after a change that passed checkUse.
func (l Lot) used(c Change) Lot {
	switch c.Kind {
	case Opened:
		l.OpenedAt = c.At
	case Eaten, Discarded:
		if r := l.without(c.Count, c.KG); r.Count > 0 {
			l.Rest = &r
		} else {
			l.FinishedAt, l.FinishNote = c.At, strings.TrimSuffix(string(c.Kind)+": "+c.Note, ": ")
		}
	case Recounted:
		// What was begun stays begun: whole containers were miscounted.
		r := l.InStore()
		kg := max(r.KG+float64(float64(c.Count-r.Count)*l.Packing.NetMassKG), float64(crumb*l.Packing.NetMassKG))
		l.Rest = &Rest{c.Count, kg}
	case Completed:
		l.Treated = &Treated{c.At, c.By, strings.TrimSpace(c.Note), *c.Evidence}
	case Priced:
		l.Packing.PricePerKG = c.Price
	}
	return l
}

// split takes containers out of a lot and gives the two it becomes. Packing of
// each counts its own, so that nothing is counted twice. Tests stay with the
// lot they were told of: as evidence they count once.
func (l Lot) split(c Change) (rest, child Lot) {
	r, net := l.InStore(), l.Packing.NetMassKG
	kg := float64(float64(c.Count) * net)
	rest, child = l, l
	rest.Packing.Count = max(1, l.Packing.Count-c.Count)
	stays := Rest{r.Count - c.Count, max(r.KG-kg, float64(crumb*net))}.whole(net)
	rest.Rest = &stays
	if stays == rest.Packing.all() {
		rest.Rest = nil
	}
	child.ID, child.Packing.Count, child.Rest, child.SplitFrom = c.Lot, c.Count, nil, l.ID
	child.Stays, child.Notes, child.Tests = append([]Stay(nil), l.Stays...), append([]Note(nil), l.Notes...), nil
	if c.Room != "" && c.Room != l.Room() {
		child.Stays = append(child.Stays, Stay{c.Room, c.At})
	}
	return rest, child
}

// last is the newest change of a lot that can be taken back, and the lot as it
// was before.
type last struct {
	change Change
	before Lot
}

// history is how often a lot was changed, and its newest change.
type history struct {
	changes int   // since it was added and not taken back
	last    *last // nil where the newest cannot be taken back
}

// Last is the newest change of a lot, if that can be taken back.
func (b *Book) Last(id string) (Change, bool) {
	if i := b.index(id); i >= 0 && b.past[i].last != nil {
		return b.past[i].last.change, true
	}
	return Change{}, false
}

// checkUndo reports why the last change of a lot cannot be taken back.
func (b *Book) checkUndo(l Lot, c Change) error {
	h := b.past[b.index(l.ID)]
	switch {
	case h.changes == 0 && l.SplitFrom != "":
		return Invalid("lot %s was split off %s and not changed since: take back the split at %s", l.ID, l.SplitFrom, l.SplitFrom)
	case h.changes > 0 && h.last == nil:
		return Invalid("the last change of lot %s cannot be taken back: a test has a revocation of its own, and only the newest change can", l.ID)
	}
	if h.last != nil && h.last.change.Kind == Split {
		if child := b.past[b.index(h.last.change.Lot)]; child.changes > 0 {
			return Invalid("%s was split off and changed since: take that back first", h.last.change.Lot)
		}
	}
	return checkLine(c.Note)
}

// undo takes back the newest change of a lot.
func (b *Book) undo(i int, c Change) {
	h := &b.past[i]
	if h.changes == 0 {
		b.withdraw(i)
		return
	}
	if h.last == nil {
		return
	}
	if h.last.change.Kind == Split {
		if child := b.index(h.last.change.Lot); child >= 0 {
			b.withdraw(child)
		}
	}
	b.lots[i] = h.last.before
	h.changes, h.last = h.changes-1, nil
}

// withdraw makes a lot one that was never there. Its number stays taken.
func (b *Book) withdraw(i int) {
	b.lots[i].Withdrawn = true
	b.lots[i].FinishedAt = b.lots[i].Packing.PackedAt
}

// Untouched says that a lot was not changed since it was added, or that what
// was changed is taken back.
func (b *Book) Untouched(id string) bool {
	i := b.index(id)
	return i >= 0 && b.past[i].changes == 0 && !b.lots[i].Withdrawn
}

// Imports is the number of the newest import; 0 for none.
func (b *Book) Imports() (newest int) {
	for _, l := range b.lots {
		newest = max(newest, l.Import)
	}
	return newest
}
