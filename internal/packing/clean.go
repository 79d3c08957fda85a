package packing

import (
	"math"
	"strings"

	"dryhold/internal/lot"
)

// Figures of bleach.
const (
	// SanitiserPPM is the available chlorine of a solution for what touches
	// food, mg/L: 200 ppm, 1 tablespoon of household bleach to the gallon (North
	// Carolina State University, Fraser and Lackey 2004, read), and the most of
	// which 21 CFR 178.1010 asks no rinse, only draining (read in part; the limit
	// of 200 ppm from memory and from secondary pages).
	SanitiserPPM = 200
	// bleachDensity of 5 to 8 % household bleach, kg/L (from memory).
	bleachDensity = 1.1
	// availableChlorine in sodium hypochlorite: Cl2 over NaOCl, 70.906/74.442
	// (molar masses).
	availableChlorine = 70.906 / 74.442
	// weakest and strongest bleach that is taken, % by weight (judgement:
	// household bleach is 3 to 8.25 %; stronger is for pools and trade).
	weakestBleach, strongestBleach = 1, 10
	teaspoonML                     = gallonL * 1000 / 768 // US, by definition
)

// Cleaning is how containers are washed and sanitised.
type Cleaning struct {
	Litres        float64   `json:"solution_litres"`
	BleachPercent float64   `json:"sodium_hypochlorite_percent_by_weight"`
	TargetPPM     float64   `json:"available_chlorine_mg_per_litre"`
	BleachML      float64   `json:"bleach_ml"`
	Teaspoons     float64   `json:"bleach_us_teaspoons"`
	Sections      []Section `json:"sections"`
}

// ChlorinePPM is the available chlorine of bleach of a strength, percent of
// sodium hypochlorite by weight, in water, mg/L.
func ChlorinePPM(bleachML, percent, waterL float64) float64 {
	mg := bleachML / 1000 * bleachDensity * percent / 100 * availableChlorine * 1e6
	return mg / (waterL + bleachML/1000)
}

// BleachML is how much bleach of a strength makes litres of solution, water and
// bleach together, of so many mg/L of available chlorine.
func BleachML(litres, percent, ppm float64) float64 {
	return 1000 * ppm * litres / (bleachDensity * percent / 100 * availableChlorine * 1e6)
}

// Clean works out the solution and tells the steps. The error wraps
// lot.ErrInvalid.
func Clean(litres, bleachPercent float64) (Cleaning, error) {
	switch {
	case !(litres > 0 && litres <= 1000):
		return Cleaning{}, lot.Invalid("%g L of solution: give more than 0 and up to 1000 L", litres)
	case !(bleachPercent >= weakestBleach && bleachPercent <= strongestBleach):
		return Cleaning{}, lot.Invalid("bleach of %g %%: give the sodium hypochlorite on its label, %d to %d %% by weight; stronger is not for the household, weaker is spent", bleachPercent, weakestBleach, strongestBleach)
	}
	c := Cleaning{Litres: litres, BleachPercent: bleachPercent, TargetPPM: SanitiserPPM}
	c.BleachML = BleachML(litres, bleachPercent, SanitiserPPM)
	c.Teaspoons = c.BleachML / teaspoonML
	c.Sections = []Section{c.wash(), c.solution(), c.dry(), bleachCautions()}
	return c, nil
}

func (c Cleaning) wash() Section {
	return Section{"Wash", []Line{
		{Told, "Take only food bottles without cracks or smell. Wash bottle, cap and seal with dish soap in warm water, not above 70 °C, and rinse until no soap is left: bleach does not work on dirt or soap.", petOnly + "; Hong Kong Centre for Food Safety, read"},
		{Told, "A smell that stays is a reason to leave the bottle.", practice},
	}}
}

func (c Cleaning) solution() Section {
	f := func(v float64) string { return figures(v, 2) }
	gallon := ChlorinePPM(3*teaspoonML, c.BleachPercent, gallonL)
	lines := []Line{
		{Told, f(c.BleachML) + " mL of bleach of " + exact(c.BleachPercent) + " % (" + spoons(c.Teaspoons) + ") in cool water to make " + figures(c.Litres, 4) + " L: " + whole(c.TargetPPM) + " mg/L (ppm) of available chlorine.",
			"computed: percent by weight × density 1.1 kg/L (from memory) × 70.9/74.4; 200 ppm: North Carolina State University, Fraser and Lackey 2004, read; 21 CFR 178.1010"},
		{Told, "The rule of the guidance is 1 tablespoon to 1 US gallon for about 200 ppm, from bleach of 5.25 to 6 %. By this arithmetic a tablespoon of yours makes " + whole(round(gallon, 5)) + " ppm: " + c.compare(gallon) + ".",
			"North Carolina State University 2004 and a county health department, read; arithmetic computed"},
		{Told, "Bleach loses strength with months and warmth: take a fresh one, and test the solution with strips for chlorine.", memory},
		{Told, "Fill or dip bottle and cap so that all of the inside is wet for at least 2 minutes, then drain.", "published pages give 1 to 5 minutes, read; 2 minutes judgement"},
		{Told, "At 200 ppm or less it is drained and dried in air, without a rinse; above that rinse it with drinking water. Make the solution anew each day.", "21 CFR 178.1010, read in part; the day judgement"},
	}
	return Section{"Sanitise", lines}
}

// compare says how the rule of thumb does with bleach of another strength.
func (c Cleaning) compare(ppm float64) string {
	switch {
	case ppm > 1.3*SanitiserPPM:
		return "too strong, since yours is stronger than the rule's, so measure by the line above"
	case ppm < 0.8*SanitiserPPM:
		return "too weak, since yours is weaker than the rule's, so measure by the line above"
	}
	return "near enough, and above 200 where a rinse is called for"
}

func round(v, to float64) float64 { return math.Round(v/to) * to }

// spoons are US measures as a kitchen has them.
func spoons(teaspoons float64) string {
	if teaspoons >= 48 {
		return figures(teaspoons/48, 2) + " US cups"
	}
	if teaspoons >= 3 {
		return figures(teaspoons/3, 2) + " US tablespoons"
	}
	return figures(teaspoons, 2) + " US teaspoons"
}

func (c Cleaning) dry() Section {
	return Section{"Dry", []Line{
		{Told, "Stand bottles and caps neck down until they drip no more, then open and upright in a dry room without dust for a day or longer: no drop and no mist may be left in neck, foot or cap.", "packing guide for PET bottles, read: dry completely; the day judgement"},
		{Told, "A millilitre of water left in a bottle with 1.6 kg of food is " + figures(100*0.001/1.6, 1) + " points of moisture, and all of it in one place.", "computed"},
	}}
}

func bleachCautions() Section {
	const label = "from memory: labels and poison centres"
	c := func(text string) Line { return Line{Amber, text, label} }
	return Section{titleCautions, []Line{
		c("Never mix bleach with an acid (vinegar, descaler, toilet cleaner), with ammonia or with any other cleaner: it sets free poisonous gas."),
		c("Use plain, unscented bleach without thickener or detergent, in cool water, with gloves and an open window. It burns eyes and skin: rinse with much water."),
		c("Keep it in its own bottle, out of the reach of children, and never in one for food or drink."),
		{Amber, "Read the label, and follow your local food-safety authority where it says otherwise. Clean containers do not make moist food safe without oxygen.", judgement},
	}}
}

// CleanAsked is Clean of an amount and a strength as a person writes them: "4
// L" or "1 gal", "6 %". Empty ones are 4 L and 6 %. The error wraps
// lot.ErrInvalid.
func CleanAsked(amount, bleach string) (Cleaning, error) {
	litres, percent := 4.0, 6.0
	if strings.TrimSpace(amount) != "" {
		_, l, err := ParseAmount(amount)
		if err != nil {
			return Cleaning{}, err
		}
		if litres = l; l == 0 {
			return Cleaning{}, lot.Invalid("%q is a mass: give the volume of the solution, such as 4 L or 1 gal", amount)
		}
	}
	if strings.TrimSpace(bleach) != "" {
		v, rest, ok := number(bleach)
		if !ok || rest != "" && rest != "%" {
			return Cleaning{}, lot.Invalid("bleach %q: write the sodium hypochlorite on its label, such as 6%%", bleach)
		}
		percent = v
	}
	return Clean(litres, percent)
}
