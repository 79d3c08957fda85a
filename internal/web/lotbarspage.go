package web

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/engine"
)

// livesOnPage is how many bars of life a page shows.
const livesOnPage = 100

// lotsView is the page of all lots.
type lotsView struct {
	Done         *doneView
	Summary      []string
	Axis         *lifeAxis
	Lives        []lifeView
	Rooms, Foods []choice
	Orders       []choice
	Finished     bool
	Import       int
	Some         bool // there are lots at all
	Pages        []link
	Action, User string
	UndoImport   string // path that takes the import back; empty for none
}

// lotsQuery is what is asked of the page of lots.
type lotsQuery struct {
	room, food, order string
	finished          bool
	imported, page    int
}

func lotsQueryOf(v url.Values) lotsQuery {
	q := lotsQuery{room: v.Get("room"), food: v.Get("food"), order: v.Get("order"), finished: v.Get("finished") != ""}
	q.imported, _ = strconv.Atoi(v.Get("import")) // what is no number asks for nothing
	q.page, _ = strconv.Atoi(v.Get("page"))
	q.page = max(1, q.page)
	if !slices.Contains([]string{"packed", "loss"}, q.order) {
		q.order = "end"
	}
	return q
}

// at is the address of a page of the same lots.
func (q lotsQuery) at(page int) string {
	v := url.Values{}
	set := func(name, value string) {
		if value != "" {
			v.Set(name, value)
		}
	}
	set("room", q.room)
	set("food", q.food)
	if q.order != "end" {
		set("order", q.order)
	}
	if q.finished {
		set("finished", "yes")
	}
	if q.imported > 0 {
		set("import", strconv.Itoa(q.imported))
	}
	if page > 1 {
		set("page", strconv.Itoa(page))
	}
	if len(v) == 0 {
		return "/lots"
	}
	return "/lots?" + v.Encode()
}

// pick are the lots asked for, in the order asked for.
func (q lotsQuery) pick(lots []engine.LotView) []*engine.LotView {
	var out []*engine.LotView
	for i := range lots {
		l := &lots[i]
		switch {
		case l.Finished() && !q.finished, q.room != "" && roomOf(*l) != q.room, q.food != "" && l.Packing.Food != q.food, q.imported > 0 && l.Import != q.imported:
		default:
			out = append(out, l)
		}
	}
	slices.SortStableFunc(out, q.compare)
	return out
}

// compare puts first what ends first, was packed first or lost most; lots that
// are finished stand last, and so do those whose end is not in sight.
func (q lotsQuery) compare(a, b *engine.LotView) int {
	late := func(t time.Time) time.Time {
		if t.IsZero() {
			return time.Unix(1<<40, 0)
		}
		return t
	}
	by := 0
	switch q.order {
	case "packed":
		return cmp.Or(a.Packing.PackedAt.Compare(b.Packing.PackedAt), strings.Compare(a.ID, b.ID))
	case "loss":
		by = cmp.Compare(b.LostBeyondPlan, a.LostBeyondPlan)
	default:
		by = late(a.End).Compare(late(b.End))
	}
	done := func(l *engine.LotView) int {
		if l.Finished() {
			return 1
		}
		return 0
	}
	return cmp.Or(cmp.Compare(done(a), done(b)), by, strings.Compare(a.ID, b.ID))
}

func (s *server) getLotsPage(w http.ResponseWriter, r *http.Request) {
	snap := s.Snapshot()
	p := s.words(r)
	if snap == nil {
		w.Header().Set("Retry-After", "5")
		s.writeFailed(w, r, http.StatusServiceUnavailable, p.t("No lots to show"), notReady)
		return
	}
	if snap.At.After(p.now) {
		p.now = snap.At
	}
	q := lotsQueryOf(r.URL.Query())
	lots := q.pick(snap.Lots)
	q.page = min(q.page, max(1, (len(lots)+livesOnPage-1)/livesOnPage))
	v := lotsView{
		Done: p.done(r), Summary: p.lotsSummary(lots), Axis: p.lifeAxisOf(lots), Finished: q.finished, Import: q.imported,
		Some: len(snap.Lots) > 0, Pages: p.lotPages(q, len(lots)), User: userOf(r),
		Orders: []choice{{"end", p.t("what ends first"), q.order == "end"}, {"packed", p.t("what was packed first"), q.order == "packed"}, {"loss", p.t("what lost most"), q.order == "loss"}},
	}
	v.Rooms, v.Foods = p.lotFilters(snap.Lots, q)
	for _, l := range lots[(q.page-1)*livesOnPage : min(len(lots), q.page*livesOnPage)] {
		v.Lives = append(v.Lives, p.life(*l, v.Axis))
	}
	if q.imported > 0 && len(lots) > 0 {
		v.UndoImport = "/lots/import/" + strconv.Itoa(q.imported) + "/undo"
	}
	s.writePage(w, r, http.StatusOK, page{
		Name: "lots of the house", Head: p.t("Lots"), Here: "/lots", At: p.moment(snap.At), Caution: true,
		Data: []link{{p.t("lots"), "/api/v1/lots", false}},
	}, v)
}

// lotFilters are the rooms and the foods of which there are lots.
func (p *pageContext) lotFilters(lots []engine.LotView, q lotsQuery) (rooms, foods []choice) {
	names := map[string]string{}
	for i := range lots {
		l := &lots[i]
		names[l.Packing.Food] = cmp.Or(l.FoodName, l.Packing.Food)
		if in := roomOf(*l); !slices.ContainsFunc(rooms, func(c choice) bool { return c.Value == in }) {
			rooms = append(rooms, choice{in, in, in == q.room})
		}
	}
	for id, name := range names {
		foods = append(foods, choice{id, p.word(name), id == q.food})
	}
	by := func(a, b choice) int {
		return cmp.Or(strings.Compare(a.Text, b.Text), strings.Compare(a.Value, b.Value))
	}
	slices.SortFunc(rooms, by)
	slices.SortFunc(foods, by)
	return rooms, foods
}

// lotPages lead to the other pages of a long list; nil where one shows all.
func (p *pageContext) lotPages(q lotsQuery, n int) []link {
	pages := (n + livesOnPage - 1) / livesOnPage
	if pages < 2 {
		return nil
	}
	var out []link
	for i := 1; i <= pages; i++ {
		// The first, the last, and those around this one.
		if i == 1 || i == pages || i >= q.page-2 && i <= q.page+2 {
			out = append(out, link{strconv.Itoa(i), q.at(i), i == q.page})
		}
	}
	return out
}

// lotsSummary says the list in words.
func (p *pageContext) lotsSummary(lots []*engine.LotView) []string {
	var first *engine.LotView
	stored, soon, past, warned, lost, spared, kg := 0, 0, 0, 0, 0.0, 0.0, 0.0
	for _, l := range lots {
		if d := l.LostBeyondPlan; d > 0 {
			lost += d
		} else if d < 0 {
			spared -= d
		}
		if l.Finished() {
			continue
		}
		stored++
		kg += l.MassKG
		if len(l.Warnings) > 0 {
			warned++
		}
		switch {
		case l.End.IsZero():
		case !l.End.After(l.AsOf):
			past++
		case l.End.Before(p.now.AddDate(1, 0, 0)):
			soon++
		}
		if !l.End.IsZero() && (first == nil || l.End.Before(first.End)) {
			first = l
		}
	}
	if len(lots) == 0 {
		return nil
	}
	out := []string{p.tn("%d lot in store, %s.", "%d lots in store, %s.", stored, p.mass(kg))}
	if done := len(lots) - stored; done > 0 {
		out = append(out, p.tn("%d lot is finished.", "%d lots are finished.", done))
	}
	if past > 0 {
		out = append(out, p.tn("%d lot is likely past its end.", "%d lots are likely past their end.", past))
	}
	out = append(out, p.tn("%d lot is likely to end within a year.", "%d lots are likely to end within a year.", soon))
	if first != nil {
		out = append(out, p.t("First to end is %s %s in %s: %s.", p.word(cmp.Or(first.FoodName, first.Packing.Food)), first.ID, roomOf(*first), p.endText(first.End, *first)))
	}
	if warned > 0 {
		out = append(out, p.tn("%d lot has a warning.", "%d lots have a warning.", warned))
	}
	return append(out, p.t("Heat has cost these lots %s of life beyond plan together, and a cool room has spared %s.", p.days(lost), p.days(spared)))
}

// doneView says what a form has done, above the page it comes back to.
type doneView struct{ Text string }
