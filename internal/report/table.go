package report

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
)

// table is what text, HTML and PDF show of a part of the report, word for
// word the same in all three.
type table struct {
	ID, Title string
	Note      string
	Columns   []column
	Rows      [][]string
	Empty     string // said where there are no rows
	// Wide tables of many numbers are scrolled on a small screen; others have
	// each row made a block.
	Wide bool
}

// column is one column; unit is shown below its head.
type column struct {
	Head, Unit string
	Number     bool // to the right, and never broken
}

func (c column) Name() string {
	if c.Unit == "" {
		return c.Head
	}
	return c.Head + ", " + c.Unit
}

func climateColumns() []column {
	return []column{
		{"Mean", "°C", true}, {"Lowest", "°C", true}, {"Highest", "°C", true},
		{"Humidity", "%", true}, {"Light", "klx h", true}, {"Ageing", "× plan", true},
		{"Measured", "%", true}, {"Estimated", "%", true}, {"Unknown", "%", true},
	}
}

func (c Climate) cells() []string {
	return []string{
		c.Mean.text(celsiusDecimals), c.Min.text(celsiusDecimals), c.Max.text(celsiusDecimals),
		c.Humidity.text(percentDecimals), c.LightDose.text(doseDecimals), c.Acceleration.text(factorDecimals),
		c.Measured.text(percentDecimals), c.Estimated.text(percentDecimals), c.Unmeasured.text(percentDecimals),
	}
}

func costColumns() []column {
	return []column{
		{"Heat", "days", true}, {"Moisture", "days", true}, {"Oxygen", "days", true},
		{"Light", "days", true}, {"Lost", "days", true}, {"Food", "kg", true},
	}
}

func (c Cost) cells() []string {
	return []string{
		c.Heat.text(daysDecimals), c.Moisture.text(daysDecimals), c.Oxygen.text(daysDecimals),
		c.Light.text(daysDecimals), c.Sum.text(daysDecimals), c.Mass.text(massDecimals),
	}
}

func (r Report) roomsTable() table {
	t := table{ID: "rooms", Title: "The rooms", Note: costNote, Empty: "No room is set up.", Wide: true,
		Columns: slices.Concat([]column{{"Room", "", false}}, climateColumns(), costColumns())}
	for _, room := range r.Rooms {
		t.Rows = append(t.Rows, slices.Concat([]string{orNone(room.Name)}, room.Climate.cells(), room.Cost.cells()))
	}
	return t
}

func (r Room) monthsTable(id string) table {
	t := table{ID: id, Title: "By month", Empty: "No month has been recorded.", Wide: true,
		Columns: slices.Concat([]column{{"Month", "", false}}, climateColumns(), costColumns())}
	for _, m := range r.Months {
		t.Rows = append(t.Rows, slices.Concat([]string{m.First.month()}, m.Climate.cells(), m.Cost.cells()))
	}
	return t
}

func (r Report) excursionsTable(room Room, id string) table {
	t := table{ID: id, Title: "Outside the limits", Empty: "Never outside its limits, as far as it was measured.", Columns: []column{
		{"What", "", false}, {"From", "", false}, {"To", "", false}, {"Peak", "", true},
		{"Lost", "days", true}, {"Food", "kg", true}, {"Cost most", "", false}, {"Note", "", false},
	}}
	for _, e := range room.Excursions {
		worst := make([]string, 0, len(e.Worst))
		for _, l := range e.Worst {
			worst = append(worst, l.Lot+" "+l.Food+" "+l.Days.text(daysDecimals)+" days")
		}
		peak := e.Peak.text(e.peakDecimals())
		if e.Peak.Known() && e.Unit != "" {
			peak += "\u00a0" + e.Unit
		}
		t.Rows = append(t.Rows, []string{e.Kind, r.moment(e.From), r.moment(e.To), peak,
			e.Cost.Sum.text(daysDecimals), e.Cost.Mass.text(massDecimals), strings.Join(worst, "; "), e.Note})
	}
	return t
}

// inOrder are the lots in the order of use; those without a rank come last.
func (r Report) inOrder() []Lot {
	lots := slices.Clone(r.Lots)
	slices.SortStableFunc(lots, func(a, b Lot) int {
		if (a.Rank == 0) != (b.Rank == 0) {
			return cmp.Compare(b.Rank, a.Rank)
		}
		return cmp.Compare(a.Rank, b.Rank)
	})
	return lots
}

func (l Lot) rank() string {
	if l.Rank == 0 {
		return "–"
	}
	return strconv.Itoa(l.Rank)
}

func (r Report) useTable() table {
	t := table{ID: "use-first", Title: "Use first", Note: bandNote, Empty: "No lot is stored.", Columns: []column{
		{"Rank", "", true}, {"Lot", "", false}, {"Food", "", false}, {"Room", "", false},
		{"Left", "%", true}, {"Left, band", "%", true}, {"End", "", false}, {"End, band", "", false}, {"Ended by", "", false}, {"Why", "", false},
	}}
	for _, l := range r.inOrder() {
		t.Rows = append(t.Rows, []string{l.rank(), l.ID, l.Food, l.Room,
			l.Remaining.Likely.text(percentDecimals), l.Remaining.Low.text(percentDecimals) + " to " + l.Remaining.High.text(percentDecimals),
			l.End.Likely.month(), l.End.Low.month() + " to " + l.End.High.month(), l.EndedBy, l.Reason})
	}
	return t
}

func (r Report) lostTable() table {
	t := table{ID: "lost", Title: "What storage has cost each lot", Empty: "No lot is stored.",
		Note: "Spent is what plan storage alone would have cost since packing, Lost what storage has cost beyond it.",
		Columns: slices.Concat([]column{
			{"Lot", "", false}, {"Food", "", false}, {"Container", "", false}, {"Packed", "", false}, {"Net", "kg", true}, {"Spent", "days", true},
		}, costColumns(), []column{{"Lost", "%", true}})}
	for _, l := range r.inOrder() {
		t.Rows = append(t.Rows, slices.Concat([]string{l.ID, l.Food, l.Container, l.Packed.day(), l.Mass.text(massDecimals), l.Spent.text(daysDecimals)},
			l.Lost.cells(), []string{l.LostShare.text(percentDecimals)}))
	}
	return t
}

func (p Plan) stepsTable() table {
	t := table{ID: "plan", Title: "Plan of use", Note: p.Basis, Empty: "No plan of use was asked for.", Columns: []column{
		{"Lot", "", false}, {"Food", "", false}, {"From", "", false}, {"To", "", false}, {"In time", "kg", true}, {"Too late", "kg", true},
	}}
	for _, s := range p.Steps {
		t.Rows = append(t.Rows, []string{s.Lot, s.Food, s.From.day(), s.To.day(), s.InTime.text(massDecimals), s.Late.text(massDecimals)})
	}
	return t
}

func (p Plan) suppliesTable() table {
	t := table{ID: "supplies", Title: "How long it lasts", Empty: "No consumption is stated.", Columns: []column{
		{"Food", "", false}, {"Net", "kg", true}, {"Used a month", "kg", true}, {"Lasts", "days", true},
	}}
	for _, s := range p.Supplies {
		t.Rows = append(t.Rows, []string{s.Food, s.Mass.text(massDecimals), s.PerMonth.text(massDecimals), s.Days.text(daysDecimals)})
	}
	return t
}
