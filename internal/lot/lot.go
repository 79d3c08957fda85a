// Package lot keeps what is known of each packing of food and computes, from
// the exposure of the rooms it has stood in, how much of its life is spent.
// Remaining quality is a statement of quality, never of safety.
package lot

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dryhold/internal/barrier"
)

// TreatmentKind is what was done against insects and oxygen at packing.
type TreatmentKind string

// Treatments.
const (
	NoTreatment TreatmentKind = "none"
	Absorber    TreatmentKind = "absorber"
	FreezeThaw  TreatmentKind = "freeze-thaw"
)

// Treatment is the treatment of every container of a lot.
type Treatment struct {
	Kind TreatmentKind `json:"kind"`
	// CapacityCM3 is the rated oxygen capacity of the absorber in each
	// container, cm3; zero unless Kind is Absorber.
	CapacityCM3 float64 `json:"capacity_cm3,omitempty"`
	// MoistureActivated says that the absorber takes its water from the food,
	// and in a dry one delivers a small part of its rating. False, and always
	// so unless Kind is Absorber, is the self-activated kind, which brings its
	// own: that for dry staples.
	MoistureActivated bool `json:"moisture_activated,omitempty"`
	// Cycles is how many cold spells a freezing has, with a thaw between them;
	// 0 is one, and always so unless Kind is FreezeThaw.
	Cycles int `json:"cycles,omitempty"`
}

// Shading is how light reaches the lot.
type Shading string

// Shadings.
const (
	OpenShelf Shading = "open-shelf"
	Boxed     Shading = "boxed"
	DarkRoom  Shading = "dark-room"
)

// Packing is the fact of a lot at packing.
type Packing struct {
	Food      string    `json:"food"`      // food class ID
	Container string    `json:"container"` // container class ID
	Count     int       `json:"count"`     // containers, >= 1
	NetMassKG float64   `json:"net_mass_kg"`
	PackedAt  time.Time `json:"packed_at"`
	// MoistureWB is the moisture at packing, fraction of wet mass; zero when
	// it was not measured.
	MoistureWB float64   `json:"moisture_wb,omitempty"`
	Treatment  Treatment `json:"treatment"`
	// PerCarton is how many containers stand in one closed carton, whose core
	// follows the room as one block; 0 where they stand by themselves.
	PerCarton int     `json:"per_carton,omitempty"`
	Shading   Shading `json:"shading"`
	Room      string  `json:"room"`
	// LeakTest is what the container showed under water before it was filled;
	// it is the state of the seal until a note tells another.
	LeakTest LeakTest `json:"leak_test,omitempty"`
	// Override is why the keeper packed it against the packing advice; empty
	// where that refused nothing.
	Override string `json:"override,omitempty"`
	// PricePerKG is what a kilogram was bought for, in the keeper's own
	// currency; 0 where it is not told.
	PricePerKG float64 `json:"price_per_kg,omitempty"`
	Note       string  `json:"note,omitempty"`
}

// LeakTest is what a container closed and pressed under water showed. The words
// are stored: never rename.
type LeakTest string

// Results of the leak test.
const (
	LeakNotTried LeakTest = ""
	LeakHeld     LeakTest = "held"   // no bubbles
	LeakFound    LeakTest = "leaked" // bubbles
)

// seal is the state of the seal that the test shows.
func (t LeakTest) seal() barrier.Seal {
	switch t {
	case LeakHeld:
		return barrier.Verified
	case LeakFound:
		return barrier.Failed
	}
	return barrier.Assumed
}

// dryEnough is the moisture, fraction of wet mass, above which food must not
// be packed low in oxygen (models section 13: "about 10 % moisture or less",
// a 2007 packing guide; NCHFP the same in substance, from memory).
const dryEnough = 0.10

// Caution is what the keeper must be told of the packing itself; empty when
// nothing is wrong with it, or its moisture was not measured.
func (p Packing) Caution() string {
	if p.Treatment.Kind != Absorber || !(p.MoistureWB > dryEnough) {
		return ""
	}
	return fmt.Sprintf("Packed with an absorber at %.4g %% moisture: low-oxygen packing is only for dry food, "+
		"about 10 %% or less. Botulism poisoning may result from moist food packed without oxygen, and shows in no "+
		"smell, colour or taste.", 100*p.MoistureWB)
}

// Against says that the lot was packed against the packing advice, and why;
// empty where it was not.
func (p Packing) Against() string {
	if p.Override == "" {
		return ""
	}
	return fmt.Sprintf("Packed against the packing advice, since: %s.", strings.TrimRight(p.Override, "."))
}

// Stay is the time a lot stands in one room, from From until the next stay.
type Stay struct {
	Room string    `json:"room"`
	From time.Time `json:"from"`
}

// Note is what the keeper saw of a lot: a line of text, the state of its seal,
// or both.
type Note struct {
	At   time.Time `json:"at"` // when it was seen
	By   string    `json:"by,omitempty"`
	Text string    `json:"text,omitempty"`
	// Seal is the state seen; nil when the note is of something else.
	Seal *barrier.Seal `json:"seal,omitempty"`
}

// Lot is one packing of one food in one container class, as its changes left
// it.
type Lot struct {
	ID      string  `json:"id"`
	Packing Packing `json:"packing"`
	Stays   []Stay  `json:"stays"` // in order of From; the first at PackedAt
	// Seal is the state by the last note that tells one, and until then that
	// of the leak test at packing, or Assumed. It holds for every container of the lot and for the whole time
	// since packing: a seal found leaking is taken to have leaked from the
	// start, since nobody saw when it began (judgement, the cautious side).
	Seal       barrier.Seal `json:"seal"`
	Notes      []Note       `json:"notes,omitempty"` // in order of At, then as told
	Tests      []Test       `json:"tests,omitempty"` // as told
	FinishedAt time.Time    `json:"finished_at,omitzero"`
	FinishNote string       `json:"finish_note,omitempty"`
	// Rest is what is in store, nil while nothing was taken out; see InStore.
	Rest *Rest `json:"rest,omitempty"`
	// OpenedAt is since when the containers are open to the air of the room;
	// zero while they are closed.
	OpenedAt time.Time `json:"opened_at,omitzero"`
	// SplitFrom is the lot it was split off, Import the number of the import
	// it came with.
	SplitFrom string `json:"split_from,omitempty"`
	Import    int    `json:"import,omitempty"`
	// Treated is what the keeper recorded of the end of the treatment; nil
	// while nothing was.
	Treated *Treated `json:"treated,omitempty"`
	// Withdrawn says that it was taken back: it counts as never there.
	Withdrawn bool `json:"withdrawn,omitempty"`
}

// Lot is the lot of a packing on the day it was packed.
func (p Packing) Lot(id string) Lot {
	return Lot{ID: id, Packing: p, Stays: []Stay{{p.Room, p.PackedAt}}, Seal: p.LeakTest.seal()}
}

// Room is the room the lot stands in, or stood in last.
func (l Lot) Room() string { return l.Stays[len(l.Stays)-1].Room }

// SealNote is the note that Seal follows; false when none tells of the seal.
func (l Lot) SealNote() (Note, bool) {
	for _, n := range slices.Backward(l.Notes) {
		if n.Seal != nil {
			return n, true
		}
	}
	return Note{}, false
}

// Finished reports whether the lot was eaten, given away or thrown out.
func (l Lot) Finished() bool { return !l.FinishedAt.IsZero() }
