package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/review"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
)

// RoomComparer compares the rooms and maps the places of each. Answers are
// worked out when they are asked for. Errors are as those of Actions.
type RoomComparer interface {
	CompareRooms(ctx context.Context, o CompareOrder) (CompareAnswer, error)
	// MapRooms maps one room, or with an empty name all that have places.
	MapRooms(ctx context.Context, room string) (MapAnswer, error)
}

type (
	// CompareOrder is what a comparison is asked for: GET
	// /api/v1/rooms/compare?room=&from=&to=.
	CompareOrder struct {
		Room string // the seasons of this one and the lots in it; all when empty
		// From and To are the first and the last day, at their beginning in the
		// zone of the site; zero for all that was ever measured.
		From, To time.Time
	}
	// CompareAnswer is the answer.
	CompareAnswer struct {
		Site string    `json:"site"`
		At   time.Time `json:"at"`
		Room string    `json:"room,omitempty"`
		From string    `json:"from"` // first day
		To   string    `json:"to"`   // last day
		// Outdoors is the room of the air outdoors; empty where none is
		// measured, and then nothing is normalised.
		Outdoors string               `json:"outdoors,omitempty"`
		Rooms    []review.RoomSeasons `json:"rooms"`
		Lots     []LotRooms           `json:"lots"`
		Caution  string               `json:"caution"`
	}
	// LotRooms is the best room by season for a lot, with its words.
	LotRooms struct {
		review.LotRooms
		Words string `json:"words"`
	}
	// MapAnswer is the body of GET /api/v1/rooms/map?room=.
	MapAnswer struct {
		Site  string       `json:"site"`
		At    time.Time    `json:"at"`
		Rooms []MappedRoom `json:"rooms"`
	}
	// MappedRoom is a room with its places, and their words.
	MappedRoom struct {
		review.RoomMap
		Limit float64  `json:"warm_limit_celsius"`
		Words []string `json:"words"`
	}
	// PlaceSensor is the body of POST /api/v1/sensors/{room}/{sensor}/place. The
	// room and sensor of the path are those by which it reports; with an empty
	// place it is back.
	PlaceSensor struct {
		Place string    `json:"place"`
		In    string    `json:"in,omitempty"` // the room it stands in, if another
		From  time.Time `json:"from,omitzero"`
		To    time.Time `json:"to,omitzero"` // excluded; left out while it stands there
		Note  string    `json:"note,omitempty"`
		By    string    `json:"by"`
	}
)

// NewCompareAnswer works out the comparison of rooms.
func NewCompareAnswer(site string, at time.Time, room string, c engine.Comparison, rooms []review.AirRoom) CompareAnswer {
	x := CompareAnswer{
		Site: site, At: at, Room: room, Outdoors: c.Outdoors, Rooms: []review.RoomSeasons{}, Lots: []LotRooms{}, Caution: CompareCaution,
		From: c.First.Format(time.DateOnly), To: c.End.In(c.First.Location()).Add(-time.Millisecond).Format(time.DateOnly),
	}
	for _, r := range rooms {
		if room == "" || r.Name == room {
			x.Rooms = append(x.Rooms, review.SeasonsOf(r))
		}
	}
	lots := slices.DeleteFunc(slices.Clone(c.Lots), func(l review.Standing) bool { return room != "" && l.Room != room })
	for _, l := range review.BestRooms(lots, rooms) {
		x.Lots = append(x.Lots, LotRooms{l, BestRoomWords(l)})
	}
	return x
}

// NewMappedRoom puts a map into words.
func NewMappedRoom(m review.RoomMap, limit float64) MappedRoom {
	if m.Places == nil {
		m.Places = []review.Place{}
	}
	return MappedRoom{m, limit, MapWords(m, limit)}
}

func (s *server) routeCompare(mux *http.ServeMux) {
	route(mux, "/rooms/compare", methods{http.MethodGet: s.getComparePage})
	route(mux, "/api/v1/rooms/compare", methods{http.MethodGet: s.getCompare})
	route(mux, "/api/v1/rooms/map", methods{http.MethodGet: s.getMap})
	route(mux, "/api/v1/sensors/{room}/{sensor}/place", methods{http.MethodPost: s.postPlace})
}

// compare reads what is asked for and asks.
func (s *server) compare(r *http.Request) (x CompareAnswer, status int, detail string) {
	q := r.URL.Query()
	o := CompareOrder{Room: q.Get("room")}
	for _, d := range []struct {
		name string
		to   *time.Time
	}{{"from", &o.From}, {"to", &o.To}} {
		text := q.Get(d.name)
		if text == "" {
			continue
		}
		t, err := time.ParseInLocation(time.DateOnly, text, s.Zone)
		if err != nil {
			return x, http.StatusUnprocessableEntity, fmt.Sprintf("%s: %q is not a day: write 2026-01-01", d.name, text)
		}
		*d.to = t
	}
	x, err := s.Actions.CompareRooms(r.Context(), o)
	if err != nil {
		status, detail = s.failure(r, "compare the rooms", err)
		return x, status, detail
	}
	return x, http.StatusOK, ""
}

func (s *server) getCompare(w http.ResponseWriter, r *http.Request) {
	x, status, detail := s.compare(r)
	if status != http.StatusOK {
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, x)
}

func (s *server) getMap(w http.ResponseWriter, r *http.Request) {
	m, err := s.Actions.MapRooms(r.Context(), r.URL.Query().Get("room"))
	if err != nil {
		status, detail := s.failure(r, "map the rooms", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, m)
}

func (s *server) postPlace(w http.ResponseWriter, r *http.Request) {
	var body PlaceSensor
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	if len(body.In) > maxName {
		writeProblem(w, http.StatusUnprocessableEntity, fmt.Sprintf("a name longer than %d bytes is none of a room", maxName))
		return
	}
	s.changeSensor(w, r, sensor.Change{Kind: sensor.Placed, Place: body.Place, In: body.In, From: body.From, To: body.To, Note: body.Note, By: body.By}, nil)
}

// A page shows so many lots, and of each room so many of the latest seasons and
// years; the data has them all.
const comparedLots, comparedSeasons, comparedYears = 100, 5, 3

type (
	// compareView is the page of the comparison.
	compareView struct {
		Reference string   // temperature of the days
		Seasons   []string // of the lots
		Lots      []lotRoomsRow
		More      string
		Maps      []mapTable
		Rooms     []seasonTable
	}
	lotRoomsRow struct {
		Lot, Link, Food, Room, Gain, Words string
		Seasons                            []seasonCell
	}
	seasonCell struct{ Season, Text string }
	// mapTable and seasonTable are a room with rows of text.
	mapTable struct {
		Room  string
		Words []string
		Rows  []PlaceRow
	}
	seasonTable struct {
		Room, About string
		Words       []string
		Rows        []SeasonRow
	}
)

func (s *server) getComparePage(w http.ResponseWriter, r *http.Request) {
	x, status, detail := s.compare(r)
	if status != http.StatusOK {
		s.writeFailed(w, r, status, s.words(r).t("No comparison"), detail)
		return
	}
	m, err := s.Actions.MapRooms(r.Context(), x.Room)
	if err != nil {
		status, detail := s.failure(r, "map the rooms", err)
		s.writeFailed(w, r, status, s.words(r).t("No comparison"), detail)
		return
	}
	query := ""
	if r.URL.RawQuery != "" {
		query = "?" + url.Values{"room": {x.Room}, "from": {x.From}, "to": {x.To}}.Encode()
	}
	p := s.words(r)
	v := compareView{
		Seasons: []string{}, Reference: p.celsius().text(float64(room.Reference)),
	}
	for _, l := range x.Lots[:min(len(x.Lots), comparedLots)] {
		row := lotRoomsRow{Lot: l.Lot, Link: "/lots/" + url.PathEscape(l.Lot), Food: p.word(l.Food), Room: l.Room, Words: p.bestRoom(l.LotRooms), Gain: p.t("unknown")}
		if l.Known > 0 {
			row.Gain = p.gainBand(l.Moves)
		}
		for _, c := range l.Seasons {
			row.Seasons = append(row.Seasons, seasonCell{p.season(c.Season), p.bestCell(c, l.Room)})
		}
		v.Lots = append(v.Lots, row)
	}
	if len(x.Lots) > 0 {
		for _, c := range x.Lots[0].Seasons {
			v.Seasons = append(v.Seasons, p.season(c.Season))
		}
	}
	if more := len(x.Lots) - comparedLots; more > 0 {
		v.More = p.tn("%d lot is only among the data for programs.", "%d lots are only among the data for programs.", more)
	}
	for _, m := range m.Rooms {
		t := mapTable{Room: m.Room, Words: p.mapped(m.RoomMap, m.Limit)}
		for i := range m.Places {
			t.Rows = append(t.Rows, p.placeRow(&m.Places[i], m.Limit))
		}
		v.Maps = append(v.Maps, t)
	}
	for _, c := range x.Rooms {
		v.Rooms = append(v.Rooms, p.seasonTable(c, x.Outdoors, comparedSeasons, comparedYears))
	}
	s.writePage(w, r, http.StatusOK, page{
		Name: "compare", Head: p.t("Rooms compared"), Here: "/review", At: p.moment(x.At), Sub: p.t("Measured from %s to %s.", p.dayNamed(x.From), p.dayNamed(x.To)), Caution: true,
		Data: []link{{p.t("this comparison"), "/api/v1/rooms/compare" + query, false}, {p.t("the places"), "/api/v1/rooms/map", false}},
	}, v)
}

// dayNamed is a day of the data as the page writes it.
func (p *pageContext) dayNamed(date string) string {
	day, err := time.ParseInLocation(time.DateOnly, date, p.zone)
	if err != nil {
		return date
	}
	return p.dayOf(day)
}
