package web

import (
	"cmp"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/note"
	"dryhold/internal/review"
)

// A page shows so many lots, months and events; the data has them all.
const (
	reviewedLots   = 100
	reviewedMonths = 24
	reviewedEvents = 12
)

// lossRow is what something has cost, in days by cause, in all, in food and on
// paper.
type lossRow struct {
	Name, Link, Note                             string
	Heat, Moisture, Oxygen, Light, Sum, KG, Left string
	Paper                                        string
	Noting                                       string // where a note of it is made
}

// lossTable is a table of losses.
type lossTable struct {
	Title, What, Food string
	Paper             bool // prices are told
	Rows              []lossRow
}

// reviewView is the page of the review.
type reviewView struct {
	Words                []string
	Filter               reviewFilterView
	Months, Rooms        *lossFigure
	MonthRows, RoomRows  lossTable
	Years, Events, Moves lossTable
	Lots                 lossTable
	More                 string
	Strips               []pastStrip
	StripsMore           string
	Notes                []noteRow
	Report, WhatIf       string
}

// reviewFilterView is the form by which less is shown.
type reviewFilterView struct {
	Rooms, Lots, Years []choice
	Filtered           bool
}

// lossFigure is a chart with its summary in words.
type lossFigure struct {
	Words   string
	Columns columnChart
	Bars    []barRow
}

// ReportAs is where the report is to be had in a format.
func (v reviewView) ReportAs(format string) string { return v.Report + "format=" + format }

func (s *server) getReviewPage(w http.ResponseWriter, r *http.Request) {
	p := s.words(r)
	x, err := s.review(r)
	if err != nil {
		status, detail := s.failure(r, "review the lots", err)
		s.writeFailed(w, r, status, p.t("No review"), detail)
		return
	}
	notes, err := s.noteRows(r, p, x.Room)
	if err != nil {
		status, detail := s.failure(r, "list the notes of rooms", err)
		s.writeFailed(w, r, status, p.t("No review"), detail)
		return
	}
	q := filled(url.Values{}, map[string]string{"lot": x.Lot, "room": x.Room})
	v := reviewView{Words: p.story(x), Filter: s.reviewFilter(p, x), Notes: notes, Report: "/api/v1/report?", WhatIf: "/what-if"}
	if len(q) > 0 {
		v.Report += q.Encode() + "&"
	}
	if x.Lot != "" {
		v.WhatIf += "?" + url.Values{"lot": {x.Lot}}.Encode()
	}
	if x.Year != 0 {
		q.Set("year", x.year())
		v.Report += url.Values{"from": {x.year() + "-01-01"}, "to": {lastDay(x.Year, x.At.In(s.Zone))}}.Encode() + "&"
	}
	query := ""
	if len(q) > 0 {
		query = "?" + q.Encode()
	}
	p.reviewTables(&v, x)
	if err := s.pastStrips(r, p, &v, x); err != nil {
		status, detail := s.failure(r, "tell the past of the rooms", err)
		s.writeFailed(w, r, status, p.t("No review"), detail)
		return
	}
	s.writePage(w, r, http.StatusOK, page{
		Name: "review", Head: p.t("What storage has cost"), Here: "/review", Sub: p.reviewed(x), At: p.moment(x.At), Caution: true,
		Data: []link{{p.t("this review"), "/api/v1/review" + query, false}},
	}, v)
}

// lastDay of a year, or today where it is not over.
func lastDay(year int, now time.Time) string {
	if end := time.Date(year, 12, 31, 0, 0, 0, 0, now.Location()); end.Before(now) {
		return end.Format(time.DateOnly)
	}
	return now.Format(time.DateOnly)
}

// year is the one that is told of, in figures; empty for all.
func (x ReviewAnswer) year() string {
	if x.Year == 0 {
		return ""
	}
	return strconv.Itoa(x.Year)
}

// reviewed says what is left by the filter.
func (p *pageContext) reviewed(x ReviewAnswer) string {
	year := x.year()
	switch one, room, in := x.Lot != "", x.Room != "", x.Year != 0; {
	case one && room && in:
		return p.t("Of lot %s, of its time in %s, in %s.", x.Lot, x.Room, year)
	case one && room:
		return p.t("Of lot %s, of its time in %s.", x.Lot, x.Room)
	case one && in:
		return p.t("Of lot %s, in %s.", x.Lot, year)
	case room && in:
		return p.t("Of the time in %s, in %s.", x.Room, year)
	case one:
		return p.t("Of lot %s.", x.Lot)
	case room:
		return p.t("Of the time in %s.", x.Room)
	case in:
		return p.t("In %s.", year)
	}
	return p.t("Of all lots since they were packed.")
}

// reviewFilter fills the form from the published state: a review of one lot
// knows no others.
func (s *server) reviewFilter(p *pageContext, x ReviewAnswer) reviewFilterView {
	v := reviewFilterView{Filtered: x.Lot != "" || x.Room != "" || x.Year != 0}
	var lots, years []choice
	now, snap := x.At.In(s.Zone).Year(), s.Snapshot()
	first := now
	if snap != nil {
		for _, l := range snap.Lots {
			lots = append(lots, choice{Value: l.ID, Text: l.ID + " " + p.word(l.FoodName)})
			first = min(first, l.Packing.PackedAt.In(s.Zone).Year())
		}
	}
	for year := now; year >= max(first, now-50); year-- {
		years = append(years, choice{Value: strconv.Itoa(year), Text: strconv.Itoa(year)})
	}
	v.Rooms, v.Lots, v.Years = chosenOf(p.t("all rooms"), x.Room, roomChoices(snap)), chosenOf(p.t("all lots"), x.Lot, lots), chosenOf(p.t("all years"), x.year(), years)
	return v
}

// reviewTables fills the tables and the charts of them.
func (p *pageContext) reviewTables(v *reviewView, x ReviewAnswer) {
	h := &x.House
	_, unit := p.weighed()
	table := func(title, what string) lossTable {
		return lossTable{Title: title, What: what, Food: p.t("Food, %s", unit), Paper: h.Cost.Paper.Priced > 0}
	}
	if text := p.paper(h.Cost.Paper); text != "" {
		v.Words = append(v.Words, text)
	}
	months := h.Months[max(0, len(h.Months)-reviewedMonths):]
	v.MonthRows, v.Years = table(p.t("By month"), p.t("Month")), table(p.t("By year"), p.t("Year"))
	v.MonthRows.Rows, v.Years.Rows = p.spanRows(months), p.spanRows(h.Years)
	v.Months = p.monthFigure(months, len(h.Months))
	v.RoomRows = table(p.t("By room"), p.t("Room"))
	for _, c := range h.Rooms {
		row := p.lossRow(c.Room, c.Cost)
		row.Link, row.Note = reviewURL(x, c.Room), p.lotCount(c.Lots)
		v.RoomRows.Rows = append(v.RoomRows.Rows, row)
	}
	v.Rooms = p.roomFigure(x)
	v.Events = table(p.t("What lost most: excursions and gaps"), p.t("Event"))
	for _, e := range h.Events[:min(len(h.Events), reviewedEvents)] {
		row := p.lossRow(p.spell(e.Spell), e.Cost)
		row.Link, row.Note, row.Noting = spanURL(e.Spell), p.lotCount(e.Lots), notingURL(e.Spell)
		v.Events.Rows = append(v.Events.Rows, row)
	}
	v.Moves = table(p.t("Moves, beside excursions and gaps"), p.t("Move"))
	for _, m := range h.Moves {
		if i := slices.IndexFunc(x.Lots, func(l LotReview) bool { return l.Lot == m.Lot }); i >= 0 {
			row := p.lotLoss(m.Lot+", "+p.spell(m.Spell), &x.Lots[i].Review, m.Cost)
			row.Link = "/lots/" + url.PathEscape(m.Lot)
			v.Moves.Rows = append(v.Moves.Rows, row)
		}
	}
	v.Lots = table(p.t("By lot, since packing"), p.t("Lot"))
	if x.Year != 0 {
		v.Lots.Title = p.t("By lot")
	}
	for i := range x.Lots[:min(len(x.Lots), reviewedLots)] {
		l := &x.Lots[i]
		row := p.lotLoss(l.Lot+" "+p.word(l.FoodName), &l.Review, l.Cost)
		row.Link, row.Left = "/lots/"+url.PathEscape(l.Lot), p.t("%s left", p.shareOf(l.Left))
		if worst := l.Worst(1); len(worst) > 0 {
			row.Note = p.t("Worst: %s, %s", p.spell(worst[0].Spell), p.days(l.InDays(worst[0].Cost).Lost.Sum()))
		}
		v.Lots.Rows = append(v.Lots.Rows, row)
	}
	if more := len(x.Lots) - reviewedLots; more > 0 {
		v.More = p.tn("%d lot is further down and only among the data for programs.", "%d lots are further down and only among the data for programs.", more)
	}
}

// reviewURL is the same review of one room.
func reviewURL(x ReviewAnswer, room string) string {
	return "/review?" + filled(url.Values{"room": {room}}, map[string]string{"lot": x.Lot, "year": x.year()}).Encode()
}

// spanURL is the page of a room at the time of an event.
func spanURL(s review.Spell) string {
	return "/room/" + url.PathEscape(s.Room) + "?" + courseQuery(s.From, s.To)
}

// spanRows are months or years, the latest first.
func (p *pageContext) spanRows(spans []review.SpanSums) []lossRow {
	var out []lossRow
	for _, x := range slices.Backward(spans) {
		out = append(out, p.lossRow(p.spanName(x), x.Cost))
	}
	return out
}

// spanName names a month or a year of the calendar.
func (p *pageContext) spanName(x review.SpanSums) string {
	if x.Month == 0 {
		return strconv.Itoa(x.Year)
	}
	return p.date(time.Date(x.Year, x.Month, 15, 12, 0, 0, 0, p.zone), "January 2006")
}

func (p *pageContext) lossRow(name string, c review.Sums) lossRow {
	f := func(v float64) string { return p.number(v, 1) }
	factor, _ := p.weighed()
	l := c.Days.Lost
	row := lossRow{Name: name, Heat: f(l.Heat), Moisture: f(l.Moisture), Oxygen: f(l.Oxygen), Light: f(l.Light), Sum: f(l.Sum()), KG: p.number(factor*c.KG.Lost.Sum(), 2)}
	switch m := c.Paper; {
	case m.Priced == 0:
		row.Paper = p.t("not told")
	case m.Unpriced > 0:
		row.Paper = p.t("%s without %s", p.number(m.Lost, 2), p.lotCount(m.Unpriced))
	default:
		row.Paper = p.number(m.Lost, 2)
	}
	return row
}

// lotLoss is the row of a cost of one lot.
func (p *pageContext) lotLoss(name string, r *review.Review, c review.Cost) lossRow {
	return p.lossRow(name, r.InSums(c))
}

// monthFigure draws the costs by month; nil where there are none.
func (p *pageContext) monthFigure(months []review.SpanSums, all int) *lossFigure {
	if len(months) == 0 {
		return nil
	}
	var losses []review.Parts
	var titles []string
	worst, sum := months[0], 0.0
	for _, m := range months {
		losses, titles = append(losses, m.Cost.Days.Lost), append(titles, p.lossTitle(p.spanName(m), m.Cost.Days.Lost))
		if m.Cost.Days.Lost.Sum() > worst.Cost.Days.Lost.Sum() {
			worst = m
		}
		sum += m.Cost.Days.Lost.Sum()
	}
	f := &lossFigure{Columns: p.columns(p.t("Days of life lost by month and cause"), losses, titles)}
	p.monthCaptions(&f.Columns, months)
	f.Words = p.tn("In %d month storage has cost %s in all, most of it in %s with %s.", "In %d months storage has cost %s in all, most of it in %s with %s.",
		len(months), p.days(sum), p.spanName(worst), p.days(worst.Cost.Days.Lost.Sum()))
	if worst.Cost.Days.Lost.Sum() <= 0 {
		f.Words = p.tn("In %d month storage has gained %s in all.", "In %d months storage has gained %s in all, and cost nothing in any.", len(months), p.days(-sum))
	}
	if all > len(months) {
		f.Words += " " + p.t("The months before are told by year.")
	}
	return f
}

// lossTitle tells a loss by its causes in one line.
func (p *pageContext) lossTitle(name string, l review.Parts) string {
	f := func(v float64) string { return p.number(v, 1) }
	return p.t("%s: %s; heat %s, moisture %s, oxygen %s, light %s", name, p.days(l.Sum()), f(l.Heat), f(l.Moisture), f(l.Oxygen), f(l.Light))
}

// monthCaptions writes the first letter of each month under its column, and
// the year under its first.
func (p *pageContext) monthCaptions(c *columnChart, months []review.SpanSums) {
	for i, m := range months {
		first := []rune(p.date(time.Date(m.Year, m.Month, 15, 12, 0, 0, 0, p.zone), "Jan"))
		c.Captions = append(c.Captions, chartTick{chartWidth((float64(i) + 0.5) * columnPlace(len(months))), string(first[:1]), false})
		// Two years that begin side by side have no room.
		next := slices.IndexFunc(months[i:], func(x review.SpanSums) bool { return x.Year != m.Year })
		if i == 0 && (next < 0 || next > 3) || i > 0 && months[i-1].Year != m.Year {
			c.Captions = append(c.Captions, chartTick{chartWidth(float64(i) * columnPlace(len(months))), strconv.Itoa(m.Year), true})
		}
	}
}

// roomFigure draws the costs by room; nil where there are none.
func (p *pageContext) roomFigure(x ReviewAnswer) *lossFigure {
	all := x.House.Rooms
	if len(all) == 0 {
		return nil
	}
	var losses []review.Parts
	for _, r := range all {
		losses = append(losses, r.Cost.Days.Lost)
	}
	f := &lossFigure{Bars: lossBars(losses)}
	for i, r := range all {
		f.Bars[i].Name, f.Bars[i].Link, f.Bars[i].Text = r.Room, reviewURL(x, r.Room), p.days(losses[i].Sum())
	}
	byCost := func(a, b review.RoomSums) int {
		return cmp.Compare(a.Cost.Days.Lost.Sum(), b.Cost.Days.Lost.Sum())
	}
	worst, best := slices.MaxFunc(all, byCost), slices.MinFunc(all, byCost)
	most, least := worst.Cost.Days.Lost.Sum(), best.Cost.Days.Lost.Sum()
	switch {
	case len(all) == 1 && most < 0:
		f.Words = p.t("The time in %s has gained %s.", worst.Room, p.days(-most))
	case len(all) == 1:
		f.Words = p.t("The time in %s has cost %s.", worst.Room, p.days(most))
	case most <= 0:
		f.Words = p.t("No room has cost life: the time in %s has gained most, %s, and that in %s least, %s.", best.Room, p.days(-least), worst.Room, p.days(-most))
	case least < 0:
		f.Words = p.t("The time in %s has cost most, %s; that in %s has gained %s.", worst.Room, p.days(most), best.Room, p.days(-least))
	default:
		f.Words = p.t("The time in %s has cost most, %s; that in %s least, %s.", worst.Room, p.days(most), best.Room, p.days(least))
	}
	return f
}

// A page shows the past of so many rooms.
const stripRooms = 8

// pastStrip is the past of a room as a strip of days.
type pastStrip struct {
	Room, Link string
	roomStrip
}

// pastStrips are those of the rooms that the review tells of: of its year, or
// of the twelve months up to it.
func (s *server) pastStrips(r *http.Request, p *pageContext, v *reviewView, x ReviewAnswer) error {
	to := x.At
	from := to.AddDate(-1, 0, 0)
	if x.Year != 0 {
		from = time.Date(x.Year, 1, 1, 0, 0, 0, 0, s.Zone)
		if end := from.AddDate(1, 0, 0); end.Before(to) {
			to = end
		}
	}
	for i, in := range x.House.Rooms {
		if i == stripRooms {
			v.StripsMore = p.tn("%d room more has its past on its own page.", "%d rooms more have their past on their own pages.", len(x.House.Rooms)-i)
			break
		}
		c, err := s.Actions.CourseRoom(r.Context(), CourseOrder{Room: in.Room, From: from, To: to, Points: fewestPoints})
		if errors.Is(err, lot.ErrNotFound) || errors.Is(err, lot.ErrInvalid) {
			continue // a room that was never measured has no past
		}
		if err != nil {
			return err
		}
		v.Strips = append(v.Strips, pastStrip{in.Room, spanURL(review.Spell{Room: in.Room, From: from, To: to}), p.stripOf(&c.Strip)})
	}
	return nil
}

// noteRow is a note of a stretch of a room's time.
type noteRow struct {
	Seq                  int
	Room, When, Text, By string
	Link, Revoke         string
}

// noteRows are the notes that hold, the latest stretch first; of one room where
// it is named.
func (s *server) noteRows(r *http.Request, p *pageContext, room string) ([]noteRow, error) {
	told, err := s.Actions.RoomNotes(r.Context())
	if err != nil {
		return nil, err
	}
	var book note.Book
	for _, c := range told {
		book.Apply(c)
	}
	slices.SortStableFunc(told, func(a, b note.Change) int { return b.From.Compare(a.From) })
	var out []noteRow
	for _, c := range told {
		if c.Kind != note.Noted || book.RevokedBy(c.Seq) != 0 || room != "" && c.Room != room {
			continue
		}
		out = append(out, noteRow{c.Seq, c.Room, p.stretch(c.From, c.To), c.Text, c.By,
			spanURL(review.Spell{Room: c.Room, From: c.From, To: c.To}), "/review/notes/" + strconv.Itoa(c.Seq) + "/revoke"})
	}
	return out, nil
}
