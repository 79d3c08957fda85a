package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"dryhold/internal/engine"
)

// pagePoints is how many buckets the page of a room shows: its tables have a row
// each.
const pagePoints = 400

// roomPageView is the page of a room.
type roomPageView struct {
	Now      roomView
	Known    bool // the room is in the snapshot
	Lots     []roomLotRow
	LotsMore string
	Spans    []link // presets
	Steps    []link // earlier, later, in, out
	Stretch  string // what is shown, in words
	From, To string // of the form
	Strip    roomStrip
	Figures  []figureView
	Events   []eventRow
	NoEvent  string // what it is worth that there is none
	More     string
}

// roomLotRow is a lot that stands in the room.
type roomLotRow struct {
	ID, Link, Food, Count, Left, End string
}

// eventRow is a spell of the room, with its number in the charts.
type eventRow struct {
	Number int
	Text   string
	Sight  sight
	Cost   string
	Lots   []link
	More   string
	Link   string // the stretch of time
}

// roomSpan is a preset: the last hour, day and so on.
type roomSpan struct {
	key, word string
	length    time.Duration // 0 is all there is
}

func (p *pageContext) roomSpans() []roomSpan {
	const day = 24 * time.Hour
	return []roomSpan{
		{"hour", p.t("Hour"), time.Hour}, {"day", p.t("Day"), day}, {"week", p.t("Week"), 7 * day}, {"month", p.t("Month"), 30 * day},
		{"year", p.t("Year"), 365 * day}, {"decade", p.t("Ten years"), 3652 * day}, {"all", p.t("All"), 0},
	}
}

func (s *server) getRoomPage(w http.ResponseWriter, r *http.Request) {
	p, q := s.words(r), r.URL.Query()
	name := r.PathValue("room")
	o, detail := courseOrder(name, q, s.Zone)
	if detail != "" {
		s.writeFailed(w, r, http.StatusUnprocessableEntity, p.t("No course of the room"), detail)
		return
	}
	last := q.Get("last")
	if last == "" && o.From.IsZero() && o.To.IsZero() {
		last = "week"
	}
	o.Points = pagePoints
	if o.To.IsZero() {
		o.To = p.now.Truncate(time.Second)
	}
	for _, x := range p.roomSpans() {
		if x.key == last {
			o.From = o.To.Add(-x.length)
		}
	}
	if last == "all" {
		o.From = s.firstHour(r, name, o.To)
	}
	c, err := s.Actions.CourseRoom(r.Context(), o)
	if err != nil {
		status, detail := s.failure(r, "follow the room", err)
		s.writeFailed(w, r, status, p.t("No course of the room"), detail)
		return
	}
	if o.From.IsZero() {
		o.From = o.To.Add(-24 * time.Hour)
	}
	v := p.roomPage(o, &c, last)
	at := c.AsOf
	if snap := s.Snapshot(); snap != nil {
		at = snap.At
		for _, x := range snap.Rooms {
			if x.Name == name {
				v.Now, v.Known = p.room(x, snap.Sensors), true
			}
		}
		v.Lots, v.LotsMore = p.roomLots(snap, name)
	}
	s.writePage(w, r, http.StatusOK, page{
		Name: "room", Head: p.t("Room %s", name), Here: "/", At: p.moment(at), Caution: true,
		Scripts: []string{"vendor/uplot/uPlot.iife.min.js", "charts.js"}, Styles: []string{"vendor/uplot/uPlot.min.css"},
		Data: []link{{p.t("this course"), courseURL(o), false}},
	}, v)
}

// firstHour is where all that is known of a room begins, as the shortest course
// of it says; what is wrong the course itself will tell.
func (s *server) firstHour(r *http.Request, name string, to time.Time) time.Time {
	c, err := s.Actions.CourseRoom(r.Context(), CourseOrder{Room: name, From: to.Add(-time.Hour), To: to, Points: fewestPoints})
	if err != nil || c.Since.IsZero() || !c.Since.Before(to) {
		return to.Add(-24 * time.Hour)
	}
	return c.Since
}

// courseURL is where programs find what the page shows.
func courseURL(o CourseOrder) string {
	return "/api/v1/rooms/" + url.PathEscape(o.Room) + "/course?" + courseQuery(o.From, o.To) + "&points=" + strconv.Itoa(o.Points)
}

func courseQuery(from, to time.Time) string {
	return url.Values{"from": {from.UTC().Format(time.RFC3339)}, "to": {to.UTC().Format(time.RFC3339)}}.Encode()
}

// roomLotsShown bounds the lots listed with a room.
const roomLotsShown = 100

func (p *pageContext) roomLots(snap *engine.Snapshot, name string) (rows []roomLotRow, more string) {
	n := 0
	for i := range snap.Lots {
		l := &snap.Lots[i]
		if l.Lot.Finished() || l.Lot.Room() != name {
			continue
		}
		if n++; n > roomLotsShown {
			continue
		}
		end := l.Projected()
		rows = append(rows, roomLotRow{
			ID: l.Lot.ID, Link: "/lots/" + url.PathEscape(l.Lot.ID), Food: p.word(l.FoodName), Count: p.number(float64(l.Lot.InStore().Count), 0),
			Left: p.percent().text(l.Remaining.Likely), End: p.endOf(end.Likely),
		})
	}
	if n > roomLotsShown {
		more = p.tn("%d more lot is among the data for programs.", "%d more lots are among the data for programs.", n-roomLotsShown)
	}
	return rows, more
}

func (p *pageContext) endOf(t time.Time) string {
	if t.IsZero() {
		return p.t("not within 100 years")
	}
	return p.month(t).Text
}

// roomPage puts a course into words.
func (p *pageContext) roomPage(o CourseOrder, c *engine.RoomCourse, last string) roomPageView {
	v := roomPageView{
		Stretch: p.t("%s to %s", p.moment(c.From).Text, p.moment(o.To).Text),
		From:    o.From.In(p.zone).Format(time.DateOnly), To: o.To.In(p.zone).Format(time.DateOnly),
		Steps: p.zoomLinks(o), Strip: p.stripOf(&c.Strip),
	}
	for _, x := range p.roomSpans() {
		v.Spans = append(v.Spans, link{x.word, roomURL(o.Room) + "?last=" + x.key, x.key == last})
	}
	v.Figures = p.roomFigures(o, c)
	for i := range c.Events {
		v.Events = append(v.Events, p.eventRow(i+1, &c.Events[i]))
	}
	if v.NoEvent = p.t("While it was measured, the room kept within its limits, and there was no gap."); c.Summary.Measured == 0 {
		v.NoEvent = p.t("Nothing was measured in this time, so that nothing can be told.")
	}
	if c.EventsMore > 0 {
		v.More = p.tn("%d event that cost less is not shown: look at a shorter time.", "%d events that cost less are not shown: look at a shorter time.", c.EventsMore)
	}
	return v
}

// shortest is the least that zooming in leads to, longest the most that zooming
// out does.
const shortestZoom, longestZoom = 10 * time.Minute, 30 * 365 * 24 * time.Hour

// zoomLinks lead a span back, a span on, into the middle and out of it.
func (p *pageContext) zoomLinks(o CourseOrder) []link {
	span := o.To.Sub(o.From)
	to := func(text string, from, to time.Time) link {
		if over := to.Sub(p.now); over > 0 { // no further than now
			from, to = from.Add(-over), to.Add(-over)
		}
		return link{text, roomURL(o.Room) + "?" + courseQuery(from, to), false}
	}
	out := []link{to(p.t("Earlier"), o.From.Add(-span), o.From), to(p.t("Later"), o.To, o.To.Add(span))}
	if span >= 2*shortestZoom {
		out = append(out, to(p.t("Zoom in"), o.From.Add(span/4), o.To.Add(-span/4)))
	}
	if span <= longestZoom/2 {
		out = append(out, to(p.t("Zoom out"), o.From.Add(-span/2), o.To.Add(span/2)))
	}
	return out
}

func (p *pageContext) eventRow(n int, e *engine.RoomEvent) eventRow {
	look := overSight(p.t("outside a limit"))
	switch e.Kind {
	case "estimated", "unknown":
		look = unknownSight(p.t("not measured"))
	case "annotated":
		look = heldSight(p.t("noted"))
	}
	margin := max(e.To.Sub(e.From)/4, time.Hour)
	row := eventRow{
		Number: n, Text: p.spell(e.Spell), Sight: look, Link: roomURL(e.Room) + "?" + courseQuery(e.From.Add(-margin), minTime(e.To.Add(margin), p.now)),
		Cost: p.t("No lot stood there that it cost anything."),
	}
	if len(e.Lots) > 0 {
		row.Cost = p.tn("It cost %d lot %s of life at plan storage, %s of food.", "It cost %d lots together %s of life at plan storage, %s of food.", len(e.Lots)+e.More, p.days(e.Days), p.mass(e.KG))
	}
	for _, l := range e.Lots {
		row.Lots = append(row.Lots, link{l.Lot + " " + l.Food + ": " + p.days(l.Days), "/lots/" + url.PathEscape(l.Lot), false})
	}
	if e.More > 0 {
		row.More = p.tn("%d more lot lost less.", "%d more lots lost less.", e.More)
	}
	return row
}

func minTime(a, b time.Time) time.Time { return slices.MinFunc([]time.Time{a, b}, time.Time.Compare) }
