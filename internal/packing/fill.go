package packing

import (
	"math"

	"dryhold/internal/barrier"
	"dryhold/internal/lot"
)

// Fill is how an amount goes into containers.
type Fill struct {
	MassKG float64 `json:"mass_kg"` // in all
	// EachKG is what one container holds, from its volume, the headspace left
	// and the bulk density.
	EachKG Band `json:"each_kg"`
	// Count is likely, LeastCount and MostCount by the edges of EachKG.
	Count      int `json:"count"`
	LeastCount int `json:"least_count"`
	MostCount  int `json:"most_count"`
	// LastKG is in the last container, which is filled in part where it is less
	// than EachKG. LastNeedCM3 is the absorber it needs at packing, more than a
	// full one: its headspace is larger.
	LastKG      float64 `json:"last_kg"`
	LastNeedCM3 float64 `json:"last_need_cm3,omitempty"`
}

// mostContainers bounds an answer (judgement: those of a lot).
const mostContainers = 100_000

// gas is the gas space of one full container, cm3.
func (a *adviser) gas() Band {
	space := func(litres, void float64) float64 {
		v, err := barrier.GasSpace(litres, lot.Headspace, void)
		if err != nil {
			return 0 // the catalog is checked
		}
		return v
	}
	v, e := a.container.Volume, a.food.Void
	return Band{space(v.Low, e.Low), space(v.Likely, e.Likely), space(v.High, e.High)}
}

// each is what one container holds, kg. Volume and density vary apart from one
// another, so that the edges of both together make a wide band.
func (a *adviser) each() Band {
	v, d := a.container.Volume, a.food.BulkDensity
	f := func(litres, density float64) float64 { return litres * (1 - lot.Headspace) * density / 1000 }
	return Band{f(v.Low, d.Low), f(v.Likely, d.Likely), f(v.High, d.High)}
}

// fill works out how many containers it takes.
func (a *adviser) fill() error {
	each := a.each()
	kg := a.req.MassKG
	source := "computed: volume × 0.95 × bulk density; " + a.food.BulkDensity.Source
	if a.req.Litres > 0 {
		kg = a.req.Litres * a.food.BulkDensity.Likely / 1000
		a.say(Told, source, "%s L of it weigh about %s (%s to %s kg).", exact(a.req.Litres), kilos(kg),
			figures(a.req.Litres*a.food.BulkDensity.Low/1000, 3), figures(a.req.Litres*a.food.BulkDensity.High/1000, 3))
	}
	a.say(Told, source, "One container (%s) holds about %s, %s to %s kg, filled to 95 %% and shaken down.", lower(a.container.Name), kilos(each.Likely), figures(each.Low, 3), figures(each.High, 3))
	if kg <= 0 {
		a.end(titleFill)
		return nil
	}
	count := func(one float64) float64 { return math.Ceil(kg/one - 1e-9) }
	if count(each.Low) > mostContainers {
		return lot.Invalid("%s kg go into more than %d containers: ask for less, or for larger ones", figures(kg, 4), mostContainers)
	}
	f := Fill{MassKG: kg, EachKG: each, Count: int(count(each.Likely)), LeastCount: int(count(each.High)), MostCount: int(count(each.Low))}
	f.LastKG = kg - float64(float64(f.Count-1)*each.Likely)
	text := plural(f.Count, "container", "containers")
	if f.LeastCount != f.MostCount {
		text += ", " + whole(float64(f.LeastCount)) + " to " + whole(float64(f.MostCount))
	}
	a.say(Told, computed, "%s take %s.", kilos(kg), text)
	if f.LastKG < 0.97*each.Likely {
		a.last(&f, each)
	}
	a.out.Fill = &f
	a.end(titleFill)
	return nil
}

// last tells of a container filled in part: more air is left in it.
func (a *adviser) last(f *Fill, each Band) {
	share := f.LastKG / each.Likely * (1 - lot.Headspace)
	text := ""
	if a.lowOxygen() && a.container.Sealed {
		gas, err := barrier.GasSpace(a.container.Volume.Likely, 1-share, a.food.Void.Likely)
		if err == nil {
			f.LastNeedCM3 = barrier.Margin * barrier.EnclosedOxygen(gas)
			text = " and needs an absorber of " + cm3(f.LastNeedCM3) + " at packing"
		}
	}
	what := "The last one is filled in part: "
	if f.Count == 1 {
		what = "It is filled in part: "
	}
	a.say(Told, computed, "%s%s. It holds more air%s. Eat it first, take a smaller container, or share the food out evenly.", what, kilos(f.LastKG), text)
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return whole(float64(n)) + " " + many
}
