package packing

import (
	"fmt"
	"slices"

	"dryhold/internal/lot"
)

// LabelFacts is what a label says of a food beside its name.
type LabelFacts struct {
	// Allergens of the food itself, of the nine that are named on labels in
	// the United States (FALCPA and FASTER act, from memory; models 13); empty
	// where it has none of them.
	Allergens []string
	// Known is false for a food of the keeper's own, of which the package it
	// came in says more.
	Known bool
	// Cooking is how it is commonly cooked (common practice, no source).
	Cooking string
}

// cooking is one line of the table of labels.
type cooking struct {
	foods     []string
	allergens []string
	note      string
}

// labelled lists foods of the shipped catalog by what a label says. Water is in
// volumes to one of food; all of it common practice, no source, but that beans
// must be boiled (phytohaemagglutinin; FDA Bad Bug Book, from memory).
func labelled() []cooking {
	gluten, milk := []string{"wheat (gluten)"}, []string{"milk"}
	return []cooking{
		{[]string{"white-rice"}, nil, "Rinse; 2 of water to 1, simmer 18 min."},
		{[]string{"parboiled-rice"}, nil, "2 1/4 of water to 1, simmer 20 min."},
		{[]string{"brown-rice"}, nil, "2 1/2 of water to 1, simmer 45 min."},
		{[]string{"hard-wheat", "soft-wheat"}, gluten, "Grind, or soak overnight and simmer 60 min."},
		{[]string{"rolled-oats"}, []string{"may hold gluten"}, "2 of water to 1, simmer 5 to 10 min."},
		{[]string{"whole-corn"}, nil, "Grind to meal, or treat with lime and cook."},
		{[]string{"dry-beans"}, nil, "Soak overnight, pour off, boil hard 30 min in fresh water, simmer until soft. Never in a slow cooker alone."},
		{[]string{"chickpeas"}, nil, "Soak overnight, pour off, boil, simmer 60 to 90 min."},
		{[]string{"lentils"}, nil, "3 of water to 1, boil, simmer 20 to 30 min."},
		{[]string{"split-peas"}, nil, "3 of water to 1, boil, simmer 45 min."},
		{[]string{"nonfat-dry-milk", "whole-milk-powder"}, milk, "90 g to 0.9 L of clean water. Not for infants."},
		{[]string{"pasta", "semolina"}, gluten, "Boil in salted water, 8 to 12 min."},
		{[]string{"white-flour", "whole-flour"}, gluten, "For baking. Never eat it raw."},
		{[]string{"cornmeal"}, nil, "4 of water to 1, stir, simmer 30 min."},
		{[]string{"pearled-barley"}, []string{"barley (gluten)"}, "3 of water to 1, simmer 40 min."},
		{[]string{"potato-flakes"}, nil, "Stir into hot water or milk."},
		{[]string{"sugar", "brown-sugar", "salt"}, nil, ""},
	}
}

// Label is what a label says of a food class.
func Label(food string) LabelFacts {
	for _, c := range labelled() {
		if slices.Contains(c.foods, food) {
			return LabelFacts{Allergens: c.allergens, Known: true, Cooking: c.note}
		}
	}
	return LabelFacts{}
}

// LabelTreatment is the treatment in the words of a label.
func LabelTreatment(t lot.Treatment) string {
	switch t.Kind {
	case lot.Absorber:
		return fmt.Sprintf("absorber %g cm³", t.CapacityCM3)
	case lot.FreezeThaw:
		return "frozen and thawed"
	}
	return "no treatment"
}

// LabelCaution is the caution of a label, in full and, for a small one, short.
func LabelCaution(p lot.Packing) (full, short string) {
	full = "Do not eat if it bulges, leaks, is damp, mouldy or smells off: when in doubt, throw it out."
	short = "When in doubt, throw it out."
	if p.Treatment.Kind == lot.Absorber {
		full = "Holds an oxygen absorber: not food, keep from children. " + full
		short = "Absorber inside: not food. " + short
	}
	if p.Caution() != "" || p.Override != "" {
		full, short = "PACKED AGAINST ADVICE: see its record. "+full, "PACKED AGAINST ADVICE. "+short
	}
	return full, short
}
