package settings

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"dryhold/internal/catalog"
	"dryhold/internal/lot"
	"dryhold/internal/scenario"
)

// Bounds of a scenario (judgement): a year is enough to try rules, and what has
// more readings than a year of 20 sensors every quarter of an hour takes longer
// than anybody waits.
const (
	minLength    = 10 * time.Minute
	maxLength    = 400 * 24 * time.Hour
	mostReadings = 1_000_000
)

// ParseScenario reads one scenario; docs of the format are in the shipped ones.
// It comes with the settings of its house. File names the source in messages;
// the error is a Problems with every mistake.
func ParseScenario(file string, src []byte, cat *catalog.Catalog) (*scenario.Scenario, *Settings, error) {
	s := Default()
	s.Site, s.AcceptNewRooms = "Larch House", false
	p := scenarioParse{parse: parse{decoder: decoder{file: file}, s: s}, cat: cat, out: &scenario.Scenario{}}
	if root := p.document(src); root != nil {
		p.scenario(root)
	} else if len(p.problems) == 0 {
		p.add(0, 0, "the file is empty: a scenario has at least \"start\", \"length\", \"rooms\", \"readings\" and \"expect\"")
	}
	return p.out, s, p.problems.sorted()
}

// scenarioParse is a parse of a scenario: its settings are those of the house.
type scenarioParse struct {
	parse
	cat *catalog.Catalog
	out *scenario.Scenario
}

func (p *scenarioParse) scenario(root ast.Node) {
	s, out := p.s, p.out
	length := time.Duration(0)
	p.mapping(root, "the scenario",
		key{name: "name", required: true, read: func(n ast.Node) { out.Name = p.text(n, "name") }},
		key{name: "site", read: func(n ast.Node) { s.Site = p.text(n, "site") }},
		key{name: "zone", read: p.zone},
		key{name: "seed", read: func(n ast.Node) { out.Seed = uint64(p.whole(n, "seed", 0, 1<<53)) }},
		key{name: "start", required: true, read: p.start},
		key{name: "length", required: true, read: func(n ast.Node) {
			ok := false
			if length, ok = p.offset(n, "length", minLength, maxLength); !ok {
				length = maxLength // so that nothing else lies outside of it
			}
		}},
		key{name: "history", read: func(n ast.Node) {
			if v, ok := p.offset(n, "history", 0, maxLength); ok {
				out.Before = out.Start.Add(-v)
			}
		}},
		key{name: "stale", read: func(n ast.Node) {
			if v, ok := p.duration(n, "stale", minStale, maxStale); ok {
				s.Stale = v
			}
		}},
		key{name: "rooms", required: true, read: func(n ast.Node) { p.list(n, "rooms", p.room) }},
		// After what they refer to: rooms, the zone and the length.
		key{name: "sensors", read: func(n ast.Node) { p.list(n, "sensors", p.sensor) }},
		key{name: "outdoor", read: func(n ast.Node) { s.Outdoor = p.roomRef(n, "outdoor") }},
		key{name: "recipients", read: p.people},
		key{name: "lots", read: func(n ast.Node) { p.list(n, "lots", p.packed) }},
		key{name: "readings", required: true, read: func(n ast.Node) {
			out.End = out.Start.Add(length.Truncate(scenario.Step))
			p.list(n, "readings", p.series)
			p.notTooMany(n)
		}},
		key{name: "outages", read: func(n ast.Node) { p.list(n, "outages", p.outage) }},
		key{name: "actions", read: func(n ast.Node) { p.list(n, "actions", p.action) }},
		key{name: "expect", required: true, read: func(n ast.Node) { p.list(n, "expect", p.expectation) }},
	)
	if len(out.Expect) == 0 && len(p.problems) == 0 {
		p.at(root, "the scenario expects nothing, so nothing could fail: name at least one thing under \"expect\"")
	}
	slices.SortStableFunc(out.Outages, func(a, b scenario.Outage) int { return a.From.Compare(b.From) })
	slices.SortStableFunc(out.Actions, func(a, b scenario.Action) int { return a.At.Compare(b.At) })
	if len(s.Notify.Recipients) == 0 {
		s.Notify.Channels = []Channel{{Name: mailName}} // for one recipient with the defaults
	}
}

// whole reads a whole number between two bounds.
func (p *scenarioParse) whole(n ast.Node, what string, low, high float64) int {
	v, ok := p.number(n, what)
	if ok && (v < low || v > high || v != float64(int64(v))) {
		p.at(n, "%s %g is not a whole number from %g to %g", what, v, low, high)
		return 0
	}
	return int(v)
}

// start reads when the scenario begins, by the clock of the site.
func (p *scenarioParse) start(n ast.Node) {
	raw, _ := scalar(n)
	at, ok := p.local(raw)
	if !ok || at.Year() < 2000 || at.Year() > 2199 {
		p.at(n, "start must be a day such as 2026-07-10, or \"2026-07-10 06:00\", of the years 2000 to 2199, not %s", shown(n))
		at = time.Date(2026, 1, 1, 0, 0, 0, 0, p.s.Zone)
	}
	p.out.Start = at
}

// local reads a day or a minute by the clock of the site.
func (p *scenarioParse) local(text string) (time.Time, bool) {
	for _, layout := range []string{time.DateOnly, "2006-01-02 15:04", "2006-01-02T15:04"} {
		if at, err := time.ParseInLocation(layout, text, p.s.Zone); err == nil {
			return at, true
		}
	}
	return time.Time{}, false
}

// offset reads a span of time such as 90m, 6h, 2d or 1d6h.
func (p *scenarioParse) offset(n ast.Node, what string, low, high time.Duration) (time.Duration, bool) {
	raw, _ := scalar(n)
	v, err := offset(raw)
	switch {
	case err != nil:
		p.at(n, "%s must be a span of time such as 90m, 6h, 2d or 1d6h, not %s", what, shown(n))
		return low, false
	case v < low || v > high:
		p.at(n, "%s %s is outside %s to %s", what, raw, span(low), span(high))
		return low, false
	}
	return v, true
}

func offset(text string) (time.Duration, error) {
	days, rest, both := strings.Cut(text, "d")
	if !both || rest == "" {
		return parseDuration(text)
	}
	n, err := strconv.ParseUint(days, 10, 16)
	if err != nil {
		return 0, fmt.Errorf("%q is not a number of days", days)
	}
	v, err := time.ParseDuration(rest)
	return time.Duration(n)*24*time.Hour + v, err
}

// instant reads an instant of the scenario: a span of time from its start, or a
// minute by the clock of the site.
func (p *scenarioParse) instant(n ast.Node, what string) time.Time {
	out := p.out
	raw, _ := scalar(n)
	at, clock := p.local(raw)
	if !clock {
		v, err := offset(raw)
		if err != nil {
			p.at(n, "%s must be a span of time from the start, such as 30m, 6h or 1d6h, or a minute such as \"2026-07-10 06:00\", not %s", what, shown(n))
			return out.Start
		}
		at = out.Start.Add(v)
	}
	if at.Before(out.Start) || at.After(out.End) {
		p.at(n, "%s %s lies outside of the scenario, which goes from %s to %s", what, raw, out.Start.Format("2006-01-02 15:04"), out.End.Format("2006-01-02 15:04"))
		return out.Start
	}
	return at
}

// between reads a span as [from, to].
func (p *scenarioParse) between(n ast.Node, what string) scenario.Span {
	l, ok := n.(*ast.SequenceNode)
	if !ok || len(l.Values) != 2 {
		p.at(n, "%s must be two instants such as [6h, 1d], from and to", what)
		return scenario.Span{}
	}
	s := scenario.Span{From: p.instant(l.Values[0], what), To: p.instant(l.Values[1], what)}
	if !s.From.Before(s.To) {
		p.at(n, "%s ends before it begins: put the earlier instant first", what)
	}
	return s
}

// people reads the recipients as a configuration does; their channels are as
// they name them.
func (p *scenarioParse) people(n ast.Node) {
	for _, v := range ast.Filter(ast.MappingValueType, n) {
		entry, ok := v.(*ast.MappingValueNode)
		if !ok || keyText(entry.Key) != "channels" {
			continue
		}
		names, _ := entry.Value.(*ast.SequenceNode)
		if names == nil {
			continue
		}
		for _, name := range names.Values {
			if text, ok := scalar(name); ok && !slices.Contains(p.s.Ways(), text) {
				p.s.Notify.Channels = append(p.s.Notify.Channels, Channel{Name: text})
			}
		}
	}
	p.recipients(n)
}

// packed reads a lot of the house: its packing, and limits of its own.
func (p *scenarioParse) packed(n ast.Node) {
	id := fmt.Sprintf("L-%d", len(p.out.Lots)+1)
	x := lot.Packing{Count: 1, Treatment: lot.Treatment{Kind: lot.NoTreatment}, Shading: lot.Boxed, PackedAt: p.out.Start}
	p.mapping(n, "a lot",
		key{name: "food", required: true, read: func(n ast.Node) { x.Food = p.word(n, "food") }},
		key{name: "container", required: true, read: func(n ast.Node) { x.Container = p.word(n, "container") }},
		key{name: "room", required: true, read: func(n ast.Node) { x.Room = p.roomRef(n, "room") }},
		key{name: "count", read: func(n ast.Node) { x.Count = p.whole(n, "count", 1, 100_000) }},
		key{name: "mass", required: true, read: func(n ast.Node) { x.NetMassKG, _ = p.number(n, "mass") }},
		key{name: "packed", read: func(n ast.Node) {
			raw, _ := scalar(n)
			at, ok := p.local(raw)
			if !ok || at.After(p.out.Start) {
				p.at(n, "packed must be a day such as 2026-01-31, not after the start, not %s", shown(n))
				return
			}
			x.PackedAt = at
		}},
		key{name: "absorber", read: func(n ast.Node) {
			v, _ := p.number(n, "absorber")
			x.Treatment = lot.Treatment{Kind: lot.Absorber, CapacityCM3: v}
		}},
		key{name: "shading", read: func(n ast.Node) { x.Shading = lot.Shading(p.word(n, "shading")) }},
		key{name: "limits", read: func(n ast.Node) { p.s.Lots = append(p.s.Lots, Lot{ID: id, Rules: p.lotRules(n)}) }},
	)
	if x.Food == "" || x.Container == "" || x.Room == "" {
		return // told
	}
	if err := x.Check(p.cat, p.out.Start); err != nil {
		p.at(n, "%v", err)
		return
	}
	p.out.Lots = append(p.out.Lots, lot.Change{Kind: lot.Added, Lot: id, At: x.PackedAt, Recorded: x.PackedAt, Packing: &x})
}
