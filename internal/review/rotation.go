package review

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// daysPerMonth is a twelfth of the mean year.
const daysPerMonth = 365.25 / 12

// Eating is how much of a food class the household eats.
type Eating struct {
	Food       string  `json:"food"`
	KGPerMonth float64 `json:"kg_per_month"` // 0 or more
	// Months is the store to be kept up, in months of eating; 0 for none.
	Months float64 `json:"months,omitempty"`
}

// Rotation is the plan for one food class.
type Rotation struct {
	Eating
	KG float64 `json:"kg"` // in stock, lots past their likely end not among it
	// InTime is what is eaten before the early edge of its end at this rate,
	// and Late what is not.
	InTime float64 `json:"in_time_kg"`
	Late   float64 `json:"late_kg"`
	// Enough is the least rate at which all would be eaten in time, kg a
	// month; 0 where a lot can not be, its early edge being past.
	Enough float64 `json:"enough_kg_per_month"`
	// RunsOut is when what is eaten in time is eaten; zero where nothing is
	// eaten of the class.
	RunsOut time.Time `json:"runs_out,omitzero"`
	Lots    []Meal    `json:"lots"`
	Tasks   []Task    `json:"tasks"`
}

// Meal is when one lot is eaten.
type Meal struct {
	Lot    string    `json:"lot"`
	From   time.Time `json:"from,omitzero"`
	To     time.Time `json:"to,omitzero"`
	InTime float64   `json:"in_time_kg"`
	Late   float64   `json:"late_kg"`
	By     time.Time `json:"by,omitzero"` // its early edge; zero for none
}

// Tasks of a rotation plan. They are shown to programs: never rename.
const (
	Buy       Code = "buy"        // KG by By, and Rate kg a month from then on, to keep up the store
	EatFaster Code = "eat-faster" // Rate kg a month of the class would eat all in time
	Repack    Code = "repack"     // KG of the lot, the sooner the better: then it lasts until it is eaten
	GiveAway  Code = "give-away"  // KG of the lot before By: it will not be eaten in time
	Judge     Code = "judge"      // the lot is past its likely end: judge it when opened
	NoRate    Code = "no-rate"    // nothing is stated to be eaten of the class
)

// Task is something to do.
type Task struct {
	Code Code      `json:"code"`
	Lot  string    `json:"lot,omitempty"`
	KG   float64   `json:"kg,omitempty"`
	Rate float64   `json:"kg_per_month,omitempty"`
	By   time.Time `json:"by,omitzero"`
}

// Rotate plans what is eaten when: of each class the lots in the order of
// UseFirst, one after the other at the stated rate. That order eats the most in
// time that can be. A lot is eaten until the early edge of its end; the rest of
// it is late, and the next lot is begun. The plans come back by class.
func Rotate(stocks []Stock, eating []Eating, now time.Time) ([]Rotation, error) {
	var plans []Rotation
	classes := map[string]int{}
	class := func(food string) *Rotation {
		return entry(classes, food, &plans, func(p *Rotation) { p.Food = food })
	}
	for _, e := range eating {
		if !(e.KGPerMonth >= 0 && e.KGPerMonth < 1e6) || !(e.Months >= 0 && e.Months < 1e4) {
			return nil, fmt.Errorf("cannot plan the rotation of %s: %g kg a month and a store of %g months: give numbers from 0", e.Food, e.KGPerMonth, e.Months)
		}
		class(e.Food).Eating = e
	}
	order := slices.Clone(stocks)
	slices.SortStableFunc(order, func(a, b Stock) int { return firstOf(&a, &b) })
	clocks := map[string]time.Time{}
	for i := range order {
		s := &order[i]
		p := class(s.Food)
		from, begun := clocks[s.Food]
		if !begun {
			from = now
		}
		clocks[s.Food] = p.eat(s, from, now)
	}
	for i := range plans {
		p := &plans[i]
		if p.KGPerMonth > 0 {
			p.RunsOut = now
			if t, begun := clocks[p.Food]; begun {
				p.RunsOut = t
			}
		}
		p.tasks(now)
	}
	slices.SortFunc(plans, func(a, b Rotation) int { return cmp.Compare(a.Food, b.Food) })
	return plans, nil
}

// eat plans one lot from an instant on and gives the instant it is done with.
func (p *Rotation) eat(s *Stock, from, now time.Time) time.Time {
	if !s.Likely.IsZero() && !s.Likely.After(now) {
		p.Tasks = append(p.Tasks, Task{Code: Judge, Lot: s.Lot, KG: s.KG})
		return from
	}
	p.KG += s.KG
	m := Meal{Lot: s.Lot, By: s.Early}
	done := from
	switch {
	case p.KGPerMonth > 0:
		days := s.KG / p.KGPerMonth * daysPerMonth
		inTime := days
		if !s.Early.IsZero() {
			inTime = min(days, max(0, s.Early.Sub(from).Hours()/24))
		}
		m.InTime = s.KG
		if inTime < days {
			m.InTime = s.KG * inTime / days
		}
		m.Late = s.KG - m.InTime
		done = later(from, inTime)
		m.From, m.To = from, done
		if m.Late > 0 {
			task := Task{Code: GiveAway, Lot: s.Lot, KG: m.Late, By: s.Early}
			if needed := from.Sub(s.Early).Hours()/24 + days; s.RepackDays >= needed && s.Early.After(now) {
				task.Code = Repack
			}
			p.Tasks = append(p.Tasks, task)
		}
	case !s.Early.IsZero():
		m.Late = s.KG
	default:
		m.InTime = s.KG // it keeps
	}
	p.InTime, p.Late = p.InTime+m.InTime, p.Late+m.Late
	p.faster(s, now)
	p.Lots = append(p.Lots, m)
	return done
}

// faster raises the rate at which all would be eaten in time: what is to be
// eaten by the early edge of a lot is it and all before it.
func (p *Rotation) faster(s *Stock, now time.Time) {
	if s.Early.IsZero() || p.Enough < 0 {
		return
	}
	months := s.Early.Sub(now).Hours() / 24 / daysPerMonth
	if months <= 0 {
		p.Enough = -1
		return
	}
	p.Enough = max(p.Enough, p.KG/months)
}

// tasks completes the tasks of a class, and puts them in order of time.
func (p *Rotation) tasks(now time.Time) {
	p.Enough = max(0, p.Enough)
	if p.KGPerMonth <= 0 {
		if p.KG > 0 {
			p.Tasks = append(p.Tasks, Task{Code: NoRate, KG: p.KG})
		}
		return
	}
	if p.Late > 0 && p.Enough > p.KGPerMonth {
		p.Tasks = append(p.Tasks, Task{Code: EatFaster, KG: p.Late, Rate: p.Enough})
	}
	if short := p.KGPerMonth*p.Months - p.InTime; p.Months > 0 && short > 0 {
		p.Tasks = append(p.Tasks, Task{Code: Buy, KG: short, Rate: p.KGPerMonth, By: now})
	} else if p.Months > 0 {
		days := -short / p.KGPerMonth * daysPerMonth // until the store is at its level
		p.Tasks = append(p.Tasks, Task{Code: Buy, KG: p.KGPerMonth, Rate: p.KGPerMonth, By: later(now, days)})
	}
	slices.SortStableFunc(p.Tasks, func(a, b Task) int { return a.By.Compare(b.By) })
}

// later adds days to an instant, at most 300 years.
func later(t time.Time, days float64) time.Time {
	whole := int(min(days, 300*365.25))
	return t.AddDate(0, 0, whole).Add(time.Duration((min(days, 300*365.25) - float64(whole)) * 24 * float64(time.Hour)))
}
