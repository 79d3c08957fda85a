package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"
)

// turnRow is one lot in the order of use.
type turnRow struct {
	Rank                      int
	Lot, Food, Where, Mass    string
	Link                      string
	Early, Likely, Late, Left string
	Reasons                   []string
}

type mealRow struct {
	Lot, Link, From, To, InTime, Late, By string
}

// planRow is the rotation of one food.
type planRow struct {
	Food, Rate string
	Meals      []mealRow
	Tasks      []string
}

type useFirstView struct {
	Caution string
	Rows    []turnRow
	Plans   []planRow
	Supply  []string
	Foods   []factView
}

func (s *server) getUseFirstPage(w http.ResponseWriter, r *http.Request) {
	p := s.words(r)
	x, err := s.Actions.UseFirst(r.Context())
	if err != nil {
		status, detail := s.failure(r, "put the lots in order of use", err)
		s.writeFailed(w, r, status, p.t("No order of use"), detail)
		return
	}
	v := useFirstView{Supply: p.supply(x.Supply), Caution: p.t(UseFirstCaution)}
	for i, l := range x.Lots {
		row := turnRow{
			Rank: i + 1, Lot: l.Lot, Food: p.word(l.FoodName), Where: p.t("%s, %s × %s", l.Room, strconv.Itoa(l.Count), p.word(l.Container)), Mass: p.mass(l.KG), Link: "/lots/" + url.PathEscape(l.Lot),
			Early: p.endMonth(l.Early), Likely: p.endMonth(l.Likely), Late: p.endMonth(l.Late), Left: p.percent().text(max(-1, l.Remaining.Likely)),
		}
		for _, why := range l.Reasons {
			row.Reasons = append(row.Reasons, p.reason(why))
		}
		v.Rows = append(v.Rows, row)
	}
	for _, c := range x.Plans {
		v.Plans = append(v.Plans, p.planRow(c))
	}
	if x.Supply != nil {
		for _, f := range x.Supply.Foods {
			name := f.Food
			if i := slices.IndexFunc(x.Plans, func(c UsePlan) bool { return c.Food == f.Food }); i >= 0 {
				name = p.word(x.Plans[i].FoodName)
			}
			v.Foods = append(v.Foods, factView{name, p.t("%s, %s days of energy; %s", p.kilos(f.KG), p.number(f.Days, 0), f.Source)})
		}
	}
	s.writePage(w, r, http.StatusOK, page{
		Name: "use first", Head: p.t("Use first"), Here: "/use-first", At: p.moment(x.At),
		Sub:     p.t("Lots in the order of the low edge of their projected end: nine in ten last longer than that."),
		Data:    []link{{p.t("this order"), "/api/v1/use-first", false}},
		Scripts: []string{"review.js"},
	}, v)
}

func (p *pageContext) planRow(c UsePlan) planRow {
	row := planRow{Food: p.word(c.FoodName), Rate: p.t("nothing is stated to be eaten")}
	if c.KGPerMonth > 0 {
		row.Rate = p.t("%s a month; %s eaten in time, %s not", p.kilos(c.KGPerMonth), p.kilos(c.InTime), p.kilos(c.Late))
	}
	for _, t := range c.Tasks {
		row.Tasks = append(row.Tasks, p.task(t, p.word(c.FoodName)))
	}
	day := func(t time.Time, none string) string {
		if t.IsZero() {
			return none
		}
		return p.dayOf(t)
	}
	for _, m := range c.Lots {
		row.Meals = append(row.Meals, mealRow{m.Lot, "/lots/" + url.PathEscape(m.Lot), day(m.From, p.t("no plan")), day(m.To, p.t("no plan")), p.kilos(m.InTime), p.kilos(m.Late), day(m.By, p.t("beyond 100 years"))})
	}
	return row
}
