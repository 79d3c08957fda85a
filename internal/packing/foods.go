package packing

import (
	"fmt"
	"slices"
	"strings"

	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/nearest"
	"dryhold/internal/sorption"
	"dryhold/internal/unit"
)

// Verdict is on a food, for packing it for years without opening it. The words
// are shown to programs: never rename.
type Verdict string

// Verdicts.
const (
	Fit        Verdict = "fit"         // dry, low in oil
	ShortLived Verdict = "short-lived" // can be packed, and keeps months or a few years
	Unfit      Verdict = "unfit"       // loses its quality soon, packed or not
	Hazardous  Verdict = "hazardous"   // may poison when packed without oxygen
)

// Judged is a food with its verdict.
type Judged struct {
	ID      string   `json:"id"`
	Also    []string `json:"also,omitempty"` // other names
	Verdict Verdict  `json:"verdict"`
	Why     string   `json:"why"`
	Source  string   `json:"source"`
	// NoAbsorber says that it is packed without one.
	NoAbsorber bool `json:"no_absorber,omitempty"`
	// Catalog says that the catalog has its constants.
	Catalog bool `json:"in_catalog"`
}

// Sources of verdicts.
const (
	guide     = "packing guide of 2007, read as reposted"
	extension = "Utah State University Extension, food storage booklet, what not to store (read)"
	lists     = "lists of low-oxygen storage, secondary"
	studies   = "household storage studies, abstracts read"
)

// judged lists verdicts: those of the catalog's classes first, then foods that
// it has no constants of.
func judged() []Judged {
	f := func(v Verdict, why, source, id string, also ...string) Judged {
		return Judged{ID: id, Also: also, Verdict: v, Why: why, Source: source}
	}
	const (
		bran    = "the oil of bran and germ goes rancid within months, and low oxygen only slows it"
		milled  = "milling lets oxygen at the oil of the grain: buy or mill it fresh, and pack the whole grain"
		oily    = "its oil goes rancid"
		moist   = "moist food without oxygen may bring botulism poisoning"
		leaven  = "fat goes rancid and leavening loses its strength: pack the dry parts apart"
		bending = "fruit or vegetables that still bend hold too much water; what snaps when bent, inside and out, may be packed for a few years"
	)
	return []Judged{
		f(Fit, "regular white rice declined little in 6 to 30 years", "Coons et al. 2004, abstract", "white-rice"),
		f(Fit, "it keeps, though it declined where regular white rice did not", "Coons et al. 2004, abstract", "parboiled-rice"),
		f(Fit, "bread of it was liked after up to 32 years", "Rose et al. 2011, J. Food Sci. 76:S8, abstract", "hard-wheat", "wheat", "wheat-berries"),
		f(Fit, "it is whole grain, dry and low in oil", guide, "soft-wheat"),
		f(Fit, "it was eaten after up to 28 years, best in low oxygen", "McEwan et al. 2003, abstract", "rolled-oats", "oats", "oatmeal"),
		f(Fit, "it is whole grain, dry and low in oil", guide, "whole-corn", "corn", "maize"),
		f(Fit, "it was accepted after up to 30 years; old beans take longer to cook", studies, "dry-beans", "beans", "pinto-beans", "black-beans", "navy-beans", "kidney-beans"),
		f(Fit, "it is dry and low in oil", guide, "chickpeas", "garbanzos"),
		f(Fit, "it is dry and low in oil", guide, "lentils"),
		f(Fit, "it is dry and low in oil", guide, "split-peas", "peas"),
		f(Fit, "it is dry and almost without fat; oxygen and age stale it", "Lloyd et al., abstract", "nonfat-dry-milk", "skim-milk-powder", "dry-milk", "milk-powder"),
		f(Fit, "it is dry and low in oil, without egg", lists, "pasta", "spaghetti", "macaroni"),
		f(Fit, "it was accepted after years in low oxygen", "Neilson et al., abstract", "potato-flakes"),
		f(Fit, "it has nothing that oxygen could spoil", practice, "sugar", "white-sugar"),
		f(Fit, "it has nothing that oxygen could spoil", practice, "salt"),
		f(ShortLived, bran+"; about 6 months at 21 °C in air", "extension page, read, and "+guide, "brown-rice"),
		f(ShortLived, milled, guide+"; "+extension, "whole-flour", "whole-wheat-flour", "wholemeal"),
		f(ShortLived, "it is milled: the guide leaves it out, other lists give 10 years and more in low oxygen", guide+"; "+lists, "white-flour", "flour"),
		f(ShortLived, "it is milled: the guide leaves out all milled grain but rolled oats", guide, "semolina", "farina"),
		f(ShortLived, milled, guide+"; "+extension, "cornmeal", "polenta"),
		f(ShortLived, "its oil goes rancid sooner than that of whole grain; extension gives 2 to 8 years", guide+"; "+extension, "pearled-barley", "barley"),
		f(ShortLived, "its milk fat goes stale and rancid; in air painty within months", "J. Dairy Sci. 2009, read as excerpt", "whole-milk-powder"),
		f(Hazardous, "it is moist: "+moist+", and it would set to one hard block", guide, "brown-sugar"),

		f(Hazardous, "it is soft, low in acid and holds water: "+moist, guide, "jerky", "dried-meat", "dried-fish", "biltong", "pemmican"),
		f(Hazardous, bending+". "+moist, guide, "moist-dried-fruit", "dried-fruit", "raisins", "dates", "prunes", "dried-apricots", "fruit-leather", "dried-vegetables", "dried-mushrooms", "sun-dried-tomatoes"),
		f(Hazardous, moist, extension, "moist-food", "fresh-meat", "cooked-rice", "bread", "cheese", "fresh-vegetables", "fresh-garlic", "leftovers"),
		f(Hazardous, "it has no tested process at home and no protection from botulism", extension, "home-canned-butter", "butter"),
		f(Hazardous, "baked in a jar it is moist and closed: "+moist, extension, "canned-bread", "cake-in-a-jar"),
		f(ShortLived, "it is fit only where it snaps when bent, inside and out, or was dried by freezing; it keeps for a few years", guide, "snap-dry-fruit", "freeze-dried-fruit", "dehydrated-apples", "dehydrated-carrots", "dehydrated-onions"),
		f(Unfit, oily+" within months", guide+"; "+extension, "nuts", "almonds", "walnuts", "peanuts", "pecans", "cashews", "hazelnuts", "pistachios", "coconut"),
		f(Unfit, oily+" within months", extension, "oily-seeds", "sesame-seeds", "sunflower-seeds", "flaxseed", "linseed", "chia", "hemp-seeds", "pumpkin-seeds"),
		f(Unfit, "oil, nuts and sugar keep it soft and turn it rancid: store its parts", guide+"; "+extension, "granola", "muesli"),
		f(Unfit, "it is rich in fat, and what was dried at home may carry salmonella", guide+"; the germ from memory", "dried-egg", "egg-powder", "dried-eggs"),
		f(Unfit, leaven, lists, "mixes", "cake-mix", "pancake-mix", "biscuit-mix", "bread-mix", "muffin-mix"),
		f(Unfit, "it is a slow reaction that water starts, and no absorber keeps it", memory, "leavening", "baking-powder", "yeast"),
		f(Unfit, bran, extension+", by its rule for milled and oily grain", "bran-and-germ", "wheat-germ", "bran", "oat-bran", "rice-bran"),
		f(Unfit, "fat goes rancid; it is kept cool, dark and in its own package", memory, "fats", "oil", "cooking-oil", "lard", "shortening", "ghee", "chocolate"),
		f(Unfit, "it was fried, and the oil goes rancid", memory, "fried-noodles", "instant-noodles", "crisps", "crackers"),
		f(Unfit, "its date is binding, and an infant has no other food: vitamin estimates are not for it", judgement, "infant-formula", "baby-formula"),
		f(Unfit, "it is not dry; it keeps in its own closed jar", memory, "honey", "syrup", "molasses"),
		f(ShortLived, "about a fifth of it is oil", memory, "soybeans", "soy-flour"),
		f(ShortLived, "it has more oil than wheat or rice, under a thin skin", memory, "quinoa", "millet", "buckwheat", "amaranth"),
		f(ShortLived, "it pops only at about 13 to 14 % moisture, above the packing guideline, and dried to 10 % it does not", memory, "popcorn"),
		f(ShortLived, milled, extension, "breakfast-cereal", "cereal", "rye-flour", "oat-flour", "rice-flour"),
	}
}

// Foods lists every food with a verdict: the catalog's classes by id, then
// those that the catalog has no constants of.
func Foods(c *catalog.Catalog) []Judged {
	known := judged()
	var out []Judged
	for _, f := range c.Foods {
		out = append(out, verdictOf(f, known))
	}
	for _, j := range known {
		if _, err := c.Food(j.ID); err != nil && !catalogID(j.ID) {
			out = append(out, j)
		}
	}
	return out
}

// catalogID says that a verdict is on a class of the shipped catalog, which a
// catalog of the keeper's own may be without.
func catalogID(id string) bool {
	i := slices.IndexFunc(judged(), func(j Judged) bool { return j.ID == id })
	last := slices.IndexFunc(judged(), func(j Judged) bool { return j.ID == "brown-sugar" })
	return i >= 0 && i <= last
}

// leastLife is the life in air, days, under which a class without a verdict of
// its own is short-lived (judgement).
const leastLife = 2 * year

// verdictOf judges a class of the catalog: by the list, or where the class is
// the keeper's own by its numbers.
func verdictOf(f catalog.Food, known []Judged) Judged {
	j := Judged{ID: f.ID, Verdict: Fit, Why: "by its numbers in the catalog it is dry, and long in coming to its end", Source: judgement}
	if i := slices.IndexFunc(known, func(k Judged) bool { return k.ID == f.ID }); i >= 0 {
		j = known[i]
	} else if a := usualActivity(f); a >= f.Amber.Likely {
		j.Verdict, j.Why = Hazardous, fmt.Sprintf("as it is usually packed its water activity is %.2f, at or above its amber line of %.2f", a, f.Amber.Likely)
	} else if life := shortest(f); life < leastLife {
		j.Verdict, j.Why = ShortLived, fmt.Sprintf("by the catalog it keeps %s in air at %g °C", lasting(life), float64(catalog.ReferenceTemperature))
	}
	j.Catalog, j.NoAbsorber = true, f.NoAbsorber != ""
	return j
}

func usualActivity(f catalog.Food) float64 {
	if f.Isotherm == nil {
		return 0
	}
	return sorption.ActivityClamped(f.Isotherm, unit.WetBasis(f.Moisture.Likely).DryBasis(), catalog.ReferenceTemperature)
}

func shortest(f catalog.Food) float64 {
	least := beyond
	for _, m := range f.Modes {
		if !m.Nutrient {
			least = min(least, m.Life.Likely)
		}
	}
	return least
}

// Judge finds the verdict on a food by its id or another name of it. The error
// wraps lot.ErrInvalid and names the nearest known one.
func Judge(c *catalog.Catalog, name string) (Judged, error) {
	id := strings.ReplaceAll(strings.ToLower(strings.TrimSpace(name)), " ", "-")
	all := Foods(c)
	var names []string
	for _, j := range all {
		if j.ID == id {
			return j, nil
		}
		names = append(names, j.ID)
	}
	for _, j := range all {
		if slices.Contains(j.Also, id) {
			return j, nil
		}
		names = append(names, j.Also...)
	}
	hint := ": `dryhold pack foods` lists the foods with a verdict"
	if n := nearest.Name(id, names); n != "" {
		hint = fmt.Sprintf(": did you mean %q?", n)
	}
	return Judged{}, lot.Invalid("no verdict on the food %q%s", name, hint)
}

// judgeFood says whether the food is fit.
func (a *adviser) judgeFood() error {
	j, err := Judge(a.catalog, a.req.Food)
	if err != nil {
		return err
	}
	a.out.Food, a.out.FoodName, a.out.Verdict = j.ID, j.ID, j.Verdict
	if j.Catalog {
		if a.food, err = a.catalog.Food(j.ID); err != nil {
			return err
		}
		a.known, a.out.FoodName = true, a.food.Name
	}
	name := a.out.FoodName
	switch j.Verdict {
	case Fit:
		a.say(Good, j.Source, "%s: fit for storage over years, since %s.", name, j.Why)
	case ShortLived:
		a.say(Amber, j.Source, "%s: not for long storage, since %s. Pack little, and eat it first.", name, j.Why)
	case Unfit:
		a.say(Refused, j.Source, "%s: not fit for packing, since %s.", name, j.Why)
	case Hazardous:
		a.say(Refused, j.Source, "%s: must not be packed for storage, since %s.", name, j.Why)
	}
	if a.known && a.food.NoAbsorber != "" && j.Verdict == Fit {
		switch {
		case a.req.AbsorberCM3 > 0 || a.req.Treatment == lot.Absorber:
			a.say(Refused, practice, "No absorber goes with it: %s. Pack it without one.", a.food.NoAbsorber)
		default:
			a.say(Told, practice, "It needs no absorber, and one harms it: %s.", a.food.NoAbsorber)
		}
	}
	if !a.known && (j.Verdict == Fit || j.Verdict == ShortLived) {
		a.say(Unknown, judgement, "The catalog has no constants of it, so that there are no numbers here; write a class of it into a catalog of your own.")
	}
	a.end(titleFood)
	return nil
}
