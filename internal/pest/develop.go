package pest

import (
	"fmt"

	"dryhold/internal/nearest"
	"dryhold/internal/unit"
)

// Thermal is what development takes: warmth above a threshold, summed over
// days, from egg to adult or through one stage.
type Thermal struct {
	Threshold  unit.Celsius
	DegreeDays float64 // K d
}

// Span is an uncertain Thermal: Fast is the soonest (low threshold, few
// degree-days), Slow the latest.
type Span struct {
	Fast, Likely, Slow Thermal
}

// Species is one insect of stored dry food.
type Species struct {
	ID     string // kebab-case: granary-weevil
	Name   string
	Life   Span // egg to adult, the next generation
	Source string
}

// SpeciesList lists the species in the order of their ID. Where a source
// gives one figure, the span is that figure plus and minus a fifth of the
// degree-days: by so much the one source that gives both the whole and its
// stages differs from itself, see GranaryStages (judgement).
func SpeciesList() []Species {
	fifth := func(threshold unit.Celsius, degreeDays float64) Span {
		return Span{Thermal{threshold, 0.8 * degreeDays}, Thermal{threshold, degreeDays}, Thermal{threshold, 1.2 * degreeDays}}
	}
	between := func(low, high unit.Celsius, few, many float64) Span {
		return Span{Thermal{low, few}, Thermal{(low + high) / 2, (few + many) / 2}, Thermal{high, many}}
	}
	return []Species{
		{"flour-beetle", "Tribolium castaneum", between(17, 20, 320, 380), "from memory: 17 to 20 °C, 320 to 380 K d"},
		{"granary-weevil", "Sitophilus granarius", fifth(9.97, 562.36), "Omar et al. 2014 (abstract)"},
		{"khapra-beetle", "Trogoderma granarium", fifth(14.0, 602), "602 K d read; threshold is the mean of beetles of Stejskal et al. 2019 (judgement)"},
		{"meal-moth", "Plodia interpunctella", between(12, 14, 450, 500), "from memory: 12 to 14 °C, 450 to 500 K d"},
		{"rice-weevil", "Sitophilus oryzae", between(13, 15, 380, 420), "from memory: 13 to 15 °C, 380 to 420 K d"},
	}
}

// LookupSpecies finds a species by its ID; the error names the nearest known
// one.
func LookupSpecies(id string) (Species, error) {
	var ids []string
	for _, s := range SpeciesList() {
		if s.ID == id {
			return s, nil
		}
		ids = append(ids, s.ID)
	}
	return Species{}, fmt.Errorf("unknown insect %q%s", id, nearest.Hint(id, ids))
}

// GranaryStages are the stages of Sitophilus granarius, each with its own
// threshold (Omar et al. 2014, abstract): egg, larva, pupa. One after the other
// they take 82 to 87 % of the time of the whole between 18 and 30 °C.
func GranaryStages() (egg, larva, pupa Thermal) {
	return Thermal{7.79, 92.75}, Thermal{7.31, 393.78}, Thermal{14.08, 45.04}
}

// Group is a group of pests of which only the mean threshold is known.
type Group struct {
	Name      string
	Threshold unit.Celsius
}

// Groups are the mean lower thresholds of development of Stejskal et al. 2019
// (Insects 10:149), lowest first.
func Groups() []Group {
	return []Group{{"mites", 6.8}, {"flies", 8.1}, {"moths", 11.3}, {"psocids", 13.8}, {"beetles", 14.0}, {"cockroaches", 15.0}}
}

// Warmest is the core temperature above which development does not go faster:
// above 35 °C insects eventually die (Fields 1992, J. Stored Prod. Res. 28:89).
// Here it goes on as at 35 °C, which is never too slow, so that hotter is
// never slower.
const Warmest unit.Celsius = 35

// rate is the share of development done in a day.
func (d Thermal) rate(core unit.Celsius) float64 {
	return max(0, float64(min(core, Warmest)-d.Threshold)) / d.DegreeDays
}

// Days is how long development takes at a constant core temperature, K/(T -
// threshold), and false at and below the threshold, where it never ends.
func (d Thermal) Days(core unit.Celsius) (unit.Days, bool, error) {
	if err := unit.Temperature.Plausible(float64(core)); err != nil {
		return 0, false, fmt.Errorf("cannot find the time of development: %w", err)
	}
	if err := d.check(); err != nil {
		return 0, false, fmt.Errorf("cannot find the time of development: %w", err)
	}
	r := d.rate(core)
	if r == 0 {
		return 0, false, nil
	}
	return unit.Days(1 / r), true, nil
}

func (d Thermal) check() error {
	if !(d.DegreeDays > 0 && d.DegreeDays < 1e6) || !(d.Threshold > -10 && d.Threshold < Warmest) {
		return fmt.Errorf("a threshold of %g °C with %g degree-days is no development", float64(d.Threshold), d.DegreeDays)
	}
	return nil
}

// Generations counts how many generations of a species the warmth since
// packing would allow, if one pair of insects or eggs came in with the food:
// a plain value, kept as JSON. Fractions are a generation on its way. It ends
// when a treatment is complete: see End.
type Generations struct {
	Slow    float64 `json:"slow"`
	Likely  float64 `json:"likely"`
	Fast    float64 `json:"fast"`
	Hours   float64 `json:"h"`
	Unknown float64 `json:"unknown_h"`
	Ended   bool    `json:"ended"`
}

// Step adds hours, up to 24, at a core temperature. On an error the count is
// as it was.
func (s Species) Step(g Generations, core unit.Celsius, hours unit.Hours) (Generations, error) {
	err := checkStep(core, hours)
	for _, d := range []Thermal{s.Life.Fast, s.Life.Likely, s.Life.Slow} {
		if err == nil {
			err = d.check()
		}
	}
	if err != nil {
		return g, fmt.Errorf("cannot count generations: %w", err)
	}
	g.Hours += float64(hours)
	if g.Ended {
		return g, nil
	}
	days := float64(hours) / 24
	g.Slow += float64(s.Life.Slow.rate(core) * days)
	g.Likely += float64(s.Life.Likely.rate(core) * days)
	g.Fast += float64(s.Life.Fast.rate(core) * days)
	return g, nil
}

// Miss passes hours, up to 24, of which nothing is known. They are counted as
// unknown and add nothing: whoever shows the count must say so, or estimate
// the hours and step through them.
func (g Generations) Miss(hours unit.Hours) (Generations, error) {
	if err := checkHours(hours); err != nil {
		return g, fmt.Errorf("cannot count generations: %w", err)
	}
	g.Hours += float64(hours)
	g.Unknown += float64(hours)
	return g, nil
}

// End stops the count: a treatment is complete, and nothing is left that
// could breed. What had bred by then stays in the count, for it is in the
// food.
func (g Generations) End() Generations {
	g.Ended = true
	return g
}
