package past

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode"

	"dryhold/internal/unit"
)

// Numbers says between what the samples lie as the store wrote them, "" if there
// are none.
func (r *Reader) Numbers() string {
	if r.n == 0 {
		return ""
	}
	return fmt.Sprintf("%d numbers from %.6g to %.6g", r.n, r.least, r.highest)
}

// Question says what each unit would make of the numbers found, for a plan that
// does not give one: a bare number could be in any.
func (r *Reader) Question() string {
	if r.n == 0 {
		return "no numbers were found"
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s, and nothing says their unit", r.Numbers())
	if named := r.named(); named != "" {
		fmt.Fprintf(&b, "; the name they have says %s", named)
	}
	b.WriteString(":\n")
	q := r.plan.Quantity
	for _, u := range distinct(q) {
		low, e1 := Canonical(q, u, r.least)
		high, e2 := Canonical(q, u, r.highest)
		fmt.Fprintf(&b, "  --unit %-9s would make them %s to %s", u.Name, Amount(q, u.Canonical(r.least)), Amount(q, u.Canonical(r.highest)))
		if e1 != nil || e2 != nil {
			b.WriteString(", which is not plausible for all")
		} else if doubt := doubtful(q, high, (low+high)/2); doubt != "" {
			b.WriteString(": " + doubt)
		}
		b.WriteString("\n")
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// Doubt says where a name contradicts the unit of the plan; "" if none does.
func (r *Reader) Doubt() string {
	named := r.named()
	if named == "" || named == r.plan.Unit.Name || r.plan.Unit.Name == "" {
		return ""
	}
	u, err := unit.Parse(r.plan.Quantity, named)
	// °C and celsius are one.
	if err != nil || u.Canonical(10) == r.plan.Unit.Canonical(10) && u.Canonical(0) == r.plan.Unit.Canonical(0) {
		return ""
	}
	return fmt.Sprintf("the name says %s, and they are read as %s", named, r.plan.Unit.Name)
}

// named is the unit that the names say, as metrics do by custom
// (room_temperature_celsius); "" where they say none, or several.
func (r *Reader) named() string {
	found := map[string]bool{}
	for name := range r.names {
		words := strings.FieldsFunc(strings.ToLower(name), func(c rune) bool { return !unicode.IsLetter(c) })
		for _, w := range words {
			switch u := spoken(w); {
			case u == "":
			default:
				if _, err := unit.Parse(r.plan.Quantity, u); err == nil {
					found[u] = true
				}
			}
		}
	}
	if all := slices.Collect(maps.Keys(found)); len(all) == 1 {
		return all[0]
	}
	return ""
}

// spoken is the unit that a word in a name stands for, "" for none.
func spoken(word string) string {
	switch word {
	case "celsius", "degc", "c":
		return "C"
	case "fahrenheit", "degf", "f":
		return "F"
	case "kelvin", "k":
		return "K"
	case "ratio", "fraction":
		return "fraction"
	case "percent", "pct":
		return "%"
	case "lux", "lx":
		return "lx"
	case "dbm":
		return "dBm"
	}
	return ""
}

// distinct lists the units of a quantity, one spelling of each.
func distinct(q unit.Quantity) []unit.Unit {
	var out []unit.Unit
	for _, name := range unit.Names(q) {
		u, err := unit.Parse(q, name)
		same := func(x unit.Unit) bool { return x.Canonical(0) == u.Canonical(0) && x.Canonical(10) == u.Canonical(10) }
		if err == nil && !slices.ContainsFunc(out, same) {
			out = append(out, u)
		}
	}
	return out
}

// Amount writes a canonical value for people.
func Amount(q unit.Quantity, v float64) string {
	if q.Symbol() == "fraction" {
		return fmt.Sprintf("%.4g %%", 100*v)
	}
	return fmt.Sprintf("%.5g %s", v, q.Symbol())
}

// doubtful says what values look like that are plausible one by one and most
// likely in another unit; "" for what looks right. No room has a mean above
// 45 °C, and air is never below 1 % for years (judgement).
func doubtful(q unit.Quantity, highest, mean float64) string {
	switch {
	case q == unit.Temperature && mean > 45:
		return "no store room is so hot: they look like Fahrenheit"
	case (q == unit.Humidity || q == unit.Oxygen || q == unit.Battery) && highest > 0 && highest <= 0.01:
		return "never above 1 %: they look like fractions, not like %"
	}
	return ""
}
