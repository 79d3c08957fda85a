package packing

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/nearest"
	"dryhold/internal/unit"
)

// Question is a request as a person writes it: on the command line, in the form
// of the page, in the body of POST /api/v1/packing/advice. All but food is
// optional. What is left out is not known.
type Question struct {
	Food      string `json:"food"`
	Container string `json:"container,omitempty"`
	Amount    string `json:"amount,omitempty"`   // "20 kg", "44 lb", "10 L", "5 gal"
	Moisture  string `json:"moisture,omitempty"` // "11.5 %" of wet mass, "13 % d.b."
	Oven      string `json:"oven,omitempty"`     // net grams before and after: "100 89.5"
	Salt      string `json:"salt,omitempty"`     // clumps or loose
	Resin     string `json:"resin,omitempty"`    // 1 to 7
	Closure   string `json:"closure,omitempty"`
	Held      string `json:"held,omitempty"` // what it held before
	Leak      string `json:"leak_test,omitempty"`
	Absorber  string `json:"absorber,omitempty"` // "300 cm3", at hand for each container
	// MoistureActivated is the kind of that absorber.
	MoistureActivated bool   `json:"moisture_activated,omitempty"`
	Treatment         string `json:"treatment,omitempty"`
	Years             string `json:"years,omitempty"` // that the absorber is to hold
	Temperature       string `json:"temperature,omitempty"`
	Room              string `json:"room,omitempty"`
	Packed            string `json:"packed,omitempty"` // 2026-03-14
	Override          string `json:"override,omitempty"`
}

// measure is a unit of mass or volume at the edges.
type measure struct {
	names []string
	kg    float64 // of one; 0 for a volume
	litre float64
}

// measures lists the units; those of the United States by definition.
func measures() []measure {
	return []measure{
		{[]string{"kg"}, 1, 0}, {[]string{"g"}, 0.001, 0}, {[]string{"lb", "lbs", "pound", "pounds"}, poundKG, 0}, {[]string{"oz"}, poundKG / 16, 0},
		{[]string{"l", "liter", "liters", "litre", "litres"}, 0, 1}, {[]string{"ml"}, 0, 0.001},
		{[]string{"qt", "quart", "quarts"}, 0, quartL}, {[]string{"gal", "gallon", "gallons"}, 0, gallonL},
		{[]string{"pt", "pint", "pints"}, 0, quartL / 2}, {[]string{"cup", "cups"}, 0, quartL / 4},
	}
}

// number parts a number from what stands behind it.
func number(text string) (v float64, rest string, ok bool) {
	text = strings.TrimSpace(text)
	end := 0
	for end < len(text) && strings.IndexByte("+-.0123456789", text[end]) >= 0 {
		end++
	}
	v, err := strconv.ParseFloat(text[:end], 64)
	return v, strings.TrimSpace(text[end:]), err == nil && !math.IsInf(v, 0)
}

// ParseAmount reads a mass or a volume with its unit: "20 kg", "44lb", "5 gal"
// (US measures, liquid). Of the results one is 0. The error wraps
// lot.ErrInvalid.
func ParseAmount(text string) (kg, litres float64, err error) {
	v, name, ok := number(text)
	if !ok || !(v > 0) {
		return 0, 0, lot.Invalid("%q is not an amount: write a number and its unit, such as 20 kg, 44 lb, 10 L or 5 gal", text)
	}
	for _, m := range measures() {
		if slices.Contains(m.names, strings.ToLower(name)) {
			return v * m.kg, v * m.litre, nil
		}
	}
	return 0, 0, lot.Invalid("%q has no unit that is known: write kg, g, lb, oz, L, mL, qt, gal, pt or cups behind the number", text)
}

// ParseMoisture reads a moisture in percent, of wet mass unless "d.b." says of
// the dry. The error wraps lot.ErrInvalid.
func ParseMoisture(text string) (unit.WetBasis, error) {
	v, rest, ok := number(text)
	rest = strings.ToLower(strings.Join(strings.Fields(strings.NewReplacer("%", " ", ".", "").Replace(rest)), " "))
	switch {
	case !ok || v < 0:
	case v < 1 && v > 0 && !strings.Contains(text, "%"):
		return 0, lot.Invalid("moisture %q: write it in percent, such as %g%%", text, 100*v)
	case v > 50:
		return 0, lot.Invalid("moisture %s: give 0 to 50 %% of wet mass", text)
	case rest == "" || rest == "wb" || rest == "wet":
		return unit.WetBasis(v / 100), nil
	case rest == "db" || rest == "dry":
		return unit.DryBasis(v / 100).WetBasis(), nil
	}
	return 0, lot.Invalid("%q is not a moisture: write for example 11.5%%, or 13%% d.b. for the dry basis", text)
}

// Request reads the question against now. Errors wrap lot.ErrInvalid and name
// the field.
func (q Question) Request(now time.Time) (Request, error) {
	r := Request{
		Food: q.Food, Container: q.Container, MoistureActivated: q.MoistureActivated, Treatment: lot.TreatmentKind(q.Treatment),
		Room: strings.TrimSpace(q.Room), Years: usualYears, At: catalog.ReferenceTemperature, PackedAt: now, Now: now, Override: strings.TrimSpace(q.Override),
		Bottle: Bottle{Closure: word(q.Closure), Held: word(q.Held), Leak: lot.LeakTest(word(q.Leak))},
	}
	r.Moisture.Salt = Salt(word(q.Salt))
	for _, read := range []func(*Request) error{q.amount, q.moisture, q.oven, q.numbers, q.packed} {
		if err := read(&r); err != nil {
			return r, err
		}
	}
	return r, r.check()
}

func word(s string) string { return strings.ToLower(strings.TrimSpace(s)) }

func (q Question) amount(r *Request) (err error) {
	if strings.TrimSpace(q.Amount) != "" {
		r.MassKG, r.Litres, err = ParseAmount(q.Amount)
	}
	return err
}

func (q Question) moisture(r *Request) error {
	if strings.TrimSpace(q.Moisture) == "" {
		return nil
	}
	w, err := ParseMoisture(q.Moisture)
	r.Moisture.MeterWB = float64(w)
	return err
}

// oven reads two masses in one unit: "100 89.5", "100 g 89.5 g", "100/89.5".
func (q Question) oven(r *Request) error {
	if strings.TrimSpace(q.Oven) == "" {
		return nil
	}
	text := strings.NewReplacer("g", " ", "/", " ", ";", " ", "to", " ").Replace(strings.ToLower(q.Oven))
	parts := strings.Fields(text)
	if len(parts) == 2 {
		before, _, ok := number(parts[0])
		after, _, also := number(parts[1])
		if ok && also {
			r.Moisture.OvenBefore, r.Moisture.OvenAfter = before, after
			return nil
		}
	}
	return lot.Invalid("oven test %q: write the net mass before and after drying in grams, such as 100 89.5", q.Oven)
}

// numbers reads resin code, absorber, years and temperature.
func (q Question) numbers(r *Request) error {
	for _, f := range []struct {
		name, text, units, example string
		take                       func(v float64)
	}{
		{"resin code", q.Resin, "", "1", func(v float64) { r.Bottle.Resin = int(v) }},
		{"absorber", q.Absorber, "cm3 cc cm³ ml", "300 cm3", func(v float64) { r.AbsorberCM3 = v }},
		{"years", q.Years, "y year years", "5", func(v float64) { r.Years = v }},
	} {
		if strings.TrimSpace(f.text) == "" {
			continue
		}
		v, rest, ok := number(f.text)
		if !ok || v <= 0 || rest != "" && !slices.Contains(strings.Fields(f.units), strings.ToLower(rest)) {
			return lot.Invalid("%s %q: write it as for example %s", f.name, f.text, f.example)
		}
		if f.name == "resin code" && (v != math.Trunc(v) || v > 7) {
			return lot.Invalid("resin code %q: it is a whole number of 1 to 7, in the triangle at the foot of the container", f.text)
		}
		f.take(v)
	}
	if strings.TrimSpace(q.Temperature) == "" {
		return nil
	}
	v, u, err := unit.Split(unit.Temperature, q.Temperature)
	if err != nil {
		return lot.Invalid("temperature: %v", err)
	}
	r.At = unit.Celsius(u.Canonical(v))
	return nil
}

func (q Question) packed(r *Request) error {
	text := strings.TrimSpace(q.Packed)
	if text == "" {
		return nil
	}
	at, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return lot.Invalid("pack date %q: write it as 2026-03-14", text)
	}
	r.PackedAt = at.Add(12 * time.Hour)
	return nil
}

// Coldest and hottest a request may be for (judgement: a cold garage and an
// attic).
const coldest, hottest unit.Celsius = -10, 50

// check refuses what cannot be.
func (r *Request) check() error {
	if r.Years == 0 {
		r.Years = usualYears
	}
	amounts := []float64{r.MassKG, r.Litres, r.AbsorberCM3, r.Years, float64(r.At), r.Moisture.MeterWB, r.Moisture.OvenBefore, r.Moisture.OvenAfter}
	if slices.ContainsFunc(amounts, func(v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) }) {
		return lot.Invalid("an amount is not a finite number")
	}
	switch {
	case strings.TrimSpace(r.Food) == "":
		return lot.Invalid("no food: say what is to be packed, such as white-rice")
	case r.MassKG < 0 || r.MassKG > 1e6 || r.Litres < 0 || r.Litres > 1e6:
		return lot.Invalid("an amount of %g kg or %g L cannot be packed: give more than 0 and up to a million", r.MassKG, r.Litres)
	case r.Moisture.MeterWB < 0 || r.Moisture.MeterWB > 0.5:
		return lot.Invalid("moisture %.4g %% of wet mass: give 0 to 50 %%", 100*r.Moisture.MeterWB)
	case r.AbsorberCM3 < 0 || r.AbsorberCM3 > largestNeed:
		return lot.Invalid("an absorber of %g cm3: give the rated capacity for one container, up to %d cm3", r.AbsorberCM3, largestNeed)
	case r.Years < 0 || r.Years > mostYears:
		return lot.Invalid("%g years: give more than 0 and up to %d that the absorber is to hold", r.Years, mostYears)
	case r.At < coldest || r.At > hottest:
		return lot.Invalid("a temperature of %.4g °C: give %g to %g °C", float64(r.At), float64(coldest), float64(hottest))
	}
	if err := lot.CheckPackDate(r.PackedAt, r.Now); err != nil {
		return err
	}
	if _, _, err := r.Moisture.wet(); err != nil {
		return err
	}
	return r.checkWords()
}

func (r *Request) checkWords() error {
	for _, w := range []struct {
		what, word string
		of         []string
	}{
		{"salt-jar result", string(r.Moisture.Salt), []string{string(SaltClumps), string(SaltLoose)}},
		{"closure", r.Bottle.Closure, Closures()},
		{"former content", r.Bottle.Held, Contents()},
		{"leak test", string(r.Bottle.Leak), []string{string(lot.LeakHeld), string(lot.LeakFound)}},
		{"treatment", string(r.Treatment), []string{string(lot.Absorber), string(lot.FreezeThaw), string(lot.NoTreatment)}},
	} {
		if w.word != "" && !slices.Contains(w.of, w.word) {
			return lot.Invalid("unknown %s %q%s", w.what, w.word, nearest.Hint(w.word, w.of))
		}
	}
	if r.Treatment != "" && r.Treatment != lot.Absorber && r.AbsorberCM3 > 0 {
		return lot.Invalid("an absorber of %g cm3 with treatment %q: leave one of them out", r.AbsorberCM3, r.Treatment)
	}
	return lot.CheckOverride(r.Override)
}
