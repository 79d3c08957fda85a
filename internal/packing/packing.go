// Package packing says, before a lot is packed, whether food and container are
// fit for it, how many containers and how large an absorber it takes, what is
// to be done about insects, and how long the lot will likely last in each room.
//
// It gives advice on quality. It does not say that food is safe: low oxygen in
// moist food may bring botulism poisoning, which shows in no smell, colour or
// taste. Where the local food-safety authority says otherwise, that holds.
//
// Every line of an advice carries its source: a publication, "computed" from
// the catalog, "common practice, no source" for a rule of the trade, "from
// memory" for what was recalled and not checked, "judgement" for a choice of
// ours. Masses are kg, volumes litres, oxygen cm3 at room conditions, moisture a
// fraction of wet mass, time days or years.
package packing

import (
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// Level is how a line of an advice stands. The words are shown to programs:
// never rename.
type Level string

// Levels, from the calmest.
const (
	Told    Level = "told"    // a fact or a number
	Good    Level = "good"    // checked and well
	Unknown Level = "unknown" // still to be found out; never taken as good
	Amber   Level = "amber"   // can be done, and has a price or a condition
	Refused Level = "refused" // must not be packed so
)

// Line is one sentence of an advice.
type Line struct {
	Level  Level  `json:"level"`
	Text   string `json:"text"`
	Source string `json:"source,omitempty"`
}

// Section is what an advice says on one matter.
type Section struct {
	Title string `json:"title"`
	Lines []Line `json:"lines"`
}

// Band is a likely value in a low to high range.
type Band struct {
	Low    float64 `json:"low"`
	Likely float64 `json:"likely"`
	High   float64 `json:"high"`
}

// Request is what is to be packed. Its zero values are what is not known.
type Request struct {
	Food, Container string
	// MassKG or Litres is the amount at hand, whichever is above 0.
	MassKG, Litres float64
	Moisture       Moisture
	Bottle         Bottle
	// AbsorberCM3 is the rated capacity the keeper has for each container, 0
	// for none yet; MoistureActivated is its kind.
	AbsorberCM3       float64
	MoistureActivated bool
	// Treatment wished; empty lets the advice choose.
	Treatment lot.TreatmentKind
	// Years that the absorber is to hold.
	Years float64
	// At is the temperature at which ingress and rates are stated.
	At unit.Celsius
	// Room to speak of alone; empty is every room.
	Room     string
	PackedAt time.Time
	Now      time.Time
	// Override is why the keeper goes on where the advice refuses.
	Override string
}

// Usual values of a request.
const (
	// usualYears is how long an absorber is asked to hold: extension advice for
	// PET bottles of white rice is up to 5 years (models 3.3).
	usualYears = 5
	mostYears  = 50
)

// Advice is the answer. Numbers are absent where a refusal or missing facts
// leave nothing to compute.
type Advice struct {
	Food          string  `json:"food"`
	FoodName      string  `json:"food_name"`
	Container     string  `json:"container"`
	ContainerName string  `json:"container_name"`
	Verdict       Verdict `json:"verdict"` // on the food
	// Refused says that it must not be packed so, and Reasons why. With an
	// Override the rest is worked out all the same.
	Refused  bool     `json:"refused"`
	Reasons  []string `json:"reasons,omitempty"`
	Override string   `json:"override,omitempty"`

	Treatment lot.TreatmentKind `json:"treatment,omitempty"`
	// MoistureWB is the moisture told, WaterActivity that at the catalog's
	// reference temperature; nil where not known.
	MoistureWB    *float64  `json:"moisture_wb,omitempty"`
	WaterActivity *float64  `json:"water_activity,omitempty"`
	Fill          *Fill     `json:"fill,omitempty"`
	Oxygen        *Oxygen   `json:"oxygen,omitempty"`
	Lives         []Life    `json:"lives,omitempty"`
	Options       []Option  `json:"options,omitempty"`
	Sections      []Section `json:"sections"`
}

// adviser works one advice out.
type adviser struct {
	req       Request
	catalog   *catalog.Catalog
	house     House
	food      catalog.Food
	container catalog.Container
	known     bool // the catalog has the food
	out       Advice
	lines     []Line // of the section under way
}

// Advise works out the advice. house tells how long a lot would last in the
// rooms; nil where there is none to ask, and then lives are those at the
// constant temperature of the request. The error wraps lot.ErrInvalid where the
// request cannot be so.
func Advise(req Request, c *catalog.Catalog, house House) (Advice, error) {
	if err := req.check(); err != nil {
		return Advice{}, err
	}
	a := &adviser{req: req, catalog: c, house: house}
	a.out.Override = req.Override
	if err := a.judge(); err != nil {
		return Advice{}, err
	}
	if a.out.Refused && req.Override != "" {
		a.say(Amber, "judgement", "Overridden: %q. The reason is to be recorded with the lot; the cautions below hold all the same.", req.Override)
		a.end("Against the advice")
	}
	if (!a.out.Refused || req.Override != "") && a.known && a.container.ID != "" {
		if err := a.compute(); err != nil {
			return Advice{}, err
		}
	}
	a.cautions()
	return a.out, nil
}

// judge says whether food, moisture, container and absorber are fit.
func (a *adviser) judge() error {
	if err := a.judgeFood(); err != nil {
		return err
	}
	if err := a.judgeContainer(); err != nil {
		return err
	}
	a.choose()
	a.judgeMoisture()
	a.judgeAbsorber()
	// What is refused stands where the reader begins.
	order := []string{titleFood, titleMoisture, titleContainer, titleAbsorber}
	a.out.Sections = inOrder(a.out.Sections, order)
	return nil
}

// compute works out the numbers.
func (a *adviser) compute() error {
	if err := a.fill(); err != nil {
		return err
	}
	if err := a.oxygen(); err != nil {
		return err
	}
	a.insects()
	if err := a.lives(); err != nil {
		return err
	}
	a.practices()
	a.work()
	return nil
}

// choose settles the treatment.
func (a *adviser) choose() {
	switch {
	case a.req.Treatment != "":
		a.out.Treatment = a.req.Treatment
	case a.req.AbsorberCM3 > 0:
		a.out.Treatment = lot.Absorber
	case !a.known || a.food.NoAbsorber != "":
		a.out.Treatment = lot.NoTreatment
	case a.container.ID != "" && !a.container.Sealed:
		a.out.Treatment = lot.FreezeThaw
	default:
		a.out.Treatment = lot.Absorber
	}
}

func (a *adviser) lowOxygen() bool { return a.out.Treatment == lot.Absorber }
