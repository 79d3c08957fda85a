package review

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// leastDays of a season must have been measured in two rooms at once to compare
// them: half of one (judgement).
const leastDays = 46

// comparing holds what lots share.
type comparing struct {
	rooms  []AirRoom // without the air outdoors
	full   [][]bool  // of each room, by day
	dates  []dated
	shares [][seasonCount]float64 // coverage
	homes  map[int]*[seasonCount]together
	rates  map[ratesKey]*[seasonCount][]float64
}

// together is what is compared with a room in a season: days that were
// measured in it and in every other that takes part.
type together struct {
	days []int
	in   []bool
	not  []string // why a room takes no part
	mean []conditions
}

// conditions of a room over the days of together.
type conditions struct {
	temperature unit.Celsius
	vapour      unit.Pascal
	light       float64 // lux hours a day
	damp, lit   bool    // known
}

type ratesKey struct {
	home int
	key  room.Key
}

func (c *comparing) add(r AirRoom) {
	if c.dates == nil {
		c.dates = dates(r.First, len(r.Days))
	}
	full := make([]bool, len(c.dates))
	var known, hours [seasonCount]int
	for i, d := range r.Days {
		full[i] = d.Hours >= 23 && 10*d.Known >= 9*d.Hours
		known[c.dates[i].Season] += d.Known
		hours[c.dates[i].Season] += d.Hours
	}
	var shares [seasonCount]float64
	for s := range shares {
		if hours[s] > 0 {
			shares[s] = float64(known[s]) / float64(hours[s])
		}
	}
	c.rooms, c.full, c.shares = append(c.rooms, r), append(c.full, full), append(c.shares, shares)
}

// home gives what is compared with a room.
func (c *comparing) home(h int) *[seasonCount]together {
	if t := c.homes[h]; t != nil {
		return t
	}
	t := new([seasonCount]together)
	for s := range seasonCount {
		t[s] = c.together(h, s)
	}
	c.homes[h] = t
	return t
}

// together finds the days of a season to compare on: those of the room itself,
// less those missing in others, which are taken in as long as enough is left,
// the one with most days in common first.
func (c *comparing) together(h int, s Season) together {
	t := together{in: make([]bool, len(c.rooms)), not: make([]string, len(c.rooms)), mean: make([]conditions, len(c.rooms))}
	days := func(keep func(i int) bool) (out []int) {
		for i, d := range c.dates {
			if d.Season == s && keep(i) {
				out = append(out, i)
			}
		}
		return out
	}
	t.days = days(func(i int) bool { return c.full[h][i] })
	count, order := make([]int, len(c.rooms)), make([]int, 0, len(c.rooms))
	for r := range c.rooms {
		t.not[r] = NotMeasured
		if len(days(func(i int) bool { return c.full[r][i] })) >= leastDays {
			t.not[r] = NotSameTime
		}
		for _, i := range t.days {
			if c.full[r][i] {
				count[r]++
			}
		}
		if r != h {
			order = append(order, r)
		}
	}
	if len(t.days) < leastDays {
		t.days = nil
		for r := range t.not {
			t.not[r] = NotMeasured
		}
		return t
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Or(cmp.Compare(count[b], count[a]), strings.Compare(c.rooms[a].Name, c.rooms[b].Name))
	})
	t.in[h], t.not[h] = true, ""
	for _, r := range order {
		var left []int
		for _, i := range t.days {
			if c.full[r][i] {
				left = append(left, i)
			}
		}
		if len(left) >= leastDays {
			t.days, t.in[r], t.not[r] = left, true, ""
		}
	}
	for r := range c.rooms {
		if t.in[r] {
			t.mean[r] = conditionsOf(&c.rooms[r], t.days)
		}
	}
	return t
}

func conditionsOf(r *AirRoom, days []int) (k conditions) {
	var a AirDay
	for _, i := range days {
		a = a.Add(r.Days[i])
	}
	k.temperature = unit.Celsius(a.Heat / float64(max(1, a.Known)))
	if k.damp = 2*a.Damp >= a.Hours; k.damp {
		k.vapour = unit.Pascal(a.Vapour / float64(a.Damp))
	}
	if k.lit = 2*a.Lit >= a.Hours; k.lit {
		k.light = a.Light / float64(a.Lit) * 24
	}
	return k
}

// rate gives the rate of every room by season for a key, NaN where it is not
// known.
func (c *comparing) rate(h int, key room.Key) *[seasonCount][]float64 {
	k := ratesKey{h, key}
	if x := c.rates[k]; x != nil {
		return x
	}
	out := new([seasonCount][]float64)
	for s, t := range c.home(h) {
		out[s] = make([]float64, len(c.rooms))
		for r := range c.rooms {
			ageing := c.rooms[r].Ageing[key]
			if !t.in[r] || ageing == nil {
				out[s][r] = math.NaN()
				continue
			}
			sum := 0.0
			for _, i := range t.days {
				sum += ageing[i]
			}
			out[s][r] = sum / float64(len(t.days))
		}
	}
	c.rates[k] = out
	return out
}
