package settings

import (
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/catalog"
)

func (p *catalogParse) food(n ast.Node) {
	var f catalog.Food
	var ids []string
	for _, other := range p.foods {
		ids = append(ids, other.ID)
	}
	var moisture, red, uptakeAt ast.Node
	before, comparable := len(p.problems), false
	p.mapping(n, "a food class",
		key{name: "id", required: true, read: func(n ast.Node) { f.ID = p.id(n, "food", ids) }},
		key{name: "name", required: true, read: func(n ast.Node) { f.Name = p.text(n, "name") }},
		p.band("bulk_density", &f.BulkDensity, density(), catalog.BulkDensityRange()),
		p.band("void", &f.Void, fraction(), catalog.FractionRange()),
		key{name: "isotherm", required: true, read: func(n ast.Node) { comparable = p.isotherm(n, &f) }},
		noted(p.band("moisture", &f.Moisture, fraction(), catalog.MoistureRange()), &moisture),
		p.band("amber", &f.Amber, fraction(), catalog.ActivityRange()),
		noted(p.band("red", &f.Red, fraction(), catalog.ActivityRange()), &red),
		key{name: "limit", required: true, read: func(n ast.Node) { f.Limit = p.prose(n, "limit") }},
		noted(p.maybe("uptake", &f.Uptake, uptake(), catalog.UptakeRange()), &uptakeAt),
		p.maybe("energy", &f.Energy, kilocalories(), catalog.EnergyRange()),
		key{name: "species", read: func(n ast.Node) { f.Species = p.species(n) }},
		key{name: "no_absorber", read: func(n ast.Node) { f.NoAbsorber = p.prose(n, "no_absorber") }},
		key{name: "caution", read: func(n ast.Node) { f.Caution = p.prose(n, "caution") }},
		key{name: "modes", required: true, read: func(n ast.Node) { p.modes(n, &f) }},
	)
	if uptakeAt == nil {
		f.Uptake = without(0, "the food takes up next to no oxygen")
	}
	// What is compared must be in order by itself, or one slip is told twice.
	if len(p.problems) == before {
		if err := f.CheckLines(); err != nil {
			p.at(red, "%v", err)
		}
		if comparable {
			if err := f.CheckMoisture(); err != nil {
				p.at(moisture, "%v", err)
			}
		}
	}
	p.foods = append(p.foods, f)
}

// kilocalories are units of the energy of food; the thermochemical calorie is
// 4.184 J by definition.
func kilocalories() []scaleUnit {
	return []scaleUnit{{"kcal/kg", 1}, {"kcal/100 g", 10}, {"kJ/kg", 1 / 4.184}, {"kJ/100 g", 10 / 4.184}}
}

func (p *catalogParse) species(n ast.Node) string {
	id := p.word(n, "species")
	if id == "" {
		return ""
	}
	if len(id) > longestName {
		id = strings.ToValidUTF8(id[:longestName], "")
	}
	if err := catalog.CheckSpecies(id); err != nil {
		p.at(n, "%v", err)
		return ""
	}
	return id
}

func (p *catalogParse) modes(n ast.Node, f *catalog.Food) {
	before := len(p.problems)
	p.list(n, "modes", func(n ast.Node) { f.Modes = append(f.Modes, p.mode(n, f.Modes)) })
	switch {
	case len(p.problems) > before:
	case len(f.Modes) == 0:
		p.at(n, "modes is empty: without a deterioration mode nothing could ever end the food")
	case !slices.ContainsFunc(f.Modes, func(m catalog.Mode) bool { return !m.Nutrient }):
		p.at(n, "modes are nutrients only: without a mode of another kind nothing could ever end the food")
	}
}

func (p *catalogParse) mode(n ast.Node, others []catalog.Mode) catalog.Mode {
	var m catalog.Mode
	var attribute catalog.Band
	var limit, half, at, perTenth, light, nutrient ast.Node
	p.mapping(n, "a mode",
		key{name: "name", required: true, read: func(n ast.Node) {
			m.Name = p.text(n, "name")
			if slices.ContainsFunc(others, func(o catalog.Mode) bool { return o.Name == m.Name && m.Name != "" }) {
				p.at(n, "mode %q stands in this food a second time: keep one", m.Name)
			}
		}},
		key{name: "order", required: true, read: func(n ast.Node) { m.Order = p.order(n) }},
		// The limit is a definition; what is uncertain about reaching it is
		// in the band of the life, so only the likely value goes on.
		noted(p.maybe("limit", &attribute, fraction(), catalog.FractionRange()), &limit),
		p.band("ea", &m.Ea, energy(), catalog.EaRange()),
		p.band("life", &m.Life, days(), catalog.LifeRange()),
		p.band("low_oxygen_gain", &m.LowOxygenGain, times(), catalog.GainRange()),
		noted(p.maybe("oxygen_half", &m.OxygenHalf, fraction(), catalog.OxygenHalfRange()), &half),
		noted(p.maybe("activity_at", &m.ActivityAt, fraction(), catalog.ActivityRange()), &at),
		noted(p.maybe("per_tenth", &m.PerTenth, times(), catalog.PerTenthRange()), &perTenth),
		noted(p.maybe("light_rate", &m.LightRate, byLight(), catalog.LightRange()), &light),
		noted(key{name: "nutrient", read: func(n ast.Node) { m.Nutrient = p.boolean(n, "nutrient") }}, &nutrient),
	)
	m.Limit = attribute.Likely
	switch {
	case m.Order == catalog.FirstOrder && limit == nil:
		p.at(n, "a first-order mode needs the key \"limit\": the fraction left at the end of life")
	case m.Order == catalog.ZeroOrder && limit != nil:
		p.at(limit, "a zero-order mode has no limit: leave the key out, or write order: first")
	case m.Order == catalog.ZeroOrder && m.Nutrient:
		p.at(nutrient, "a nutrient is lost in first order: write order: first, with the fraction left as the limit")
	case m.Order == catalog.ZeroOrder && m.LightRate.High > 0:
		p.at(light, "light drives first-order modes only: leave the key out, or write order: first")
	}
	switch {
	case half != nil:
	case m.LowOxygenGain.High > 1:
		p.at(n, "a mode that oxygen drives (low_oxygen_gain above 1) needs the key \"oxygen_half\": the oxygen fraction at half the rate")
	default:
		m.OxygenHalf = without(noEffectHalf, "oxygen does not drive this mode")
	}
	switch {
	case at == nil && perTenth == nil:
		m.ActivityAt = without(0, "water does not drive this mode")
		m.PerTenth = without(1, "water does not drive this mode")
	case at == nil || perTenth == nil:
		p.at(n, "activity_at and per_tenth go together: give both, or leave both out of a mode that water does not drive")
	}
	if light == nil {
		m.LightRate = without(0, "light does not drive this mode")
	}
	return m
}

// noEffectHalf stands for the half-value of a mode that oxygen does not
// drive. Any value does; zero would make a division by zero of an airless
// container.
const noEffectHalf = 0.02

func (p *catalogParse) order(n ast.Node) catalog.Order {
	switch name := p.word(n, "order"); name {
	case "":
		return -1
	case "zero":
		return catalog.ZeroOrder
	case "first":
		return catalog.FirstOrder
	default:
		p.at(n, "unknown order %q%s", name, hint(name, []string{"zero", "first"}))
		return -1
	}
}
