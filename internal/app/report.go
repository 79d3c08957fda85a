package app

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/report"
	"dryhold/internal/review"
	"dryhold/internal/web"
)

// longestReport is the longest stretch of days in one report: longer ones are
// no yearly review (judgement).
const longestReport = 31 * 366

// Report implements web.Reviewer. What it tells is copied from the engine in
// several turns of the writer, one for the lots and one for each room; the file
// is written outside of it.
func (a *App) Report(ctx context.Context, o web.ReportOrder) (web.ReportFile, error) {
	format := report.Format(cmp.Or(o.Format, string(report.Text)))
	if !slices.Contains(report.Formats(), format) {
		return web.ReportFile{}, lot.Invalid("no report can be written as %q: choose one of %v", o.Format, report.Formats())
	}
	r, err := a.report(ctx, o)
	if err != nil {
		return web.ReportFile{}, err
	}
	var body bytes.Buffer
	if err := report.Write(&body, r, format); err != nil {
		return web.ReportFile{}, err
	}
	kind := map[report.Format]string{
		report.Text: "text/plain; charset=utf-8", report.JSON: "application/json", report.CSV: "text/csv; charset=utf-8",
		report.HTML: "text/html; charset=utf-8", report.PDF: "application/pdf",
	}[format]
	ending := strings.Replace(string(format), "text", "txt", 1)
	return web.ReportFile{Name: fmt.Sprintf("dryhold-%s-to-%s.%s", r.From, r.To, ending), Type: kind, Body: body.Bytes()}, nil
}

// period is the first day and the day after the last of a report.
func (a *App) period(o web.ReportOrder, now time.Time) (from, to, end time.Time, err error) {
	zone := a.opts.Settings.Zone
	y, m, d := now.In(zone).Date()
	from, to = o.From, o.To
	if to.IsZero() {
		to = time.Date(y, m, d, 0, 0, 0, 0, zone)
	}
	if from.IsZero() {
		y, m, _ := to.In(zone).Date()
		from = time.Date(y, m-11, 1, 0, 0, 0, 0, zone)
	}
	switch {
	case to.Before(from):
		return from, to, end, lot.Invalid("from %s to %s is no stretch of days: put the first day first", from.Format(time.DateOnly), to.Format(time.DateOnly))
	case from.After(now):
		return from, to, end, lot.Invalid("from %s lies ahead: a report looks back", from.Format(time.DateOnly))
	case to.Sub(from) > longestReport*24*time.Hour:
		return from, to, end, lot.Invalid("from %s to %s is longer than 31 years: ask for less", from.Format(time.DateOnly), to.Format(time.DateOnly))
	}
	y, m, d = to.In(zone).Date()
	return from, to, time.Date(y, m, d+1, 0, 0, 0, 0, zone), nil
}

// reporting is a report that is being put together.
type reporting struct {
	a     *App
	p     past
	lot   string
	out   report.Report
	from  time.Time
	end   time.Time // of the last day
	pasts []engine.Past
	// The days of which the seasons are told begin a year before.
	days     engine.Comparison
	outdoors []float32
}

func (a *App) report(ctx context.Context, o web.ReportOrder) (report.Report, error) {
	p, err := a.past(ctx)
	if err != nil {
		return report.Report{}, err
	}
	from, to, end, err := a.period(o, p.at)
	if err != nil {
		return report.Report{}, err
	}
	if _, err := p.filter(web.ReviewFilter{Lot: o.Lot, Room: o.Room}); err != nil { // both are there
		return report.Report{}, err
	}
	g := reporting{a: a, p: p, lot: o.Lot, from: from, end: end}
	zone := a.opts.Settings.Zone
	g.out = report.Report{
		Site: a.opts.Settings.Site, Zone: zone, From: report.DateOf(from.In(zone)), To: report.DateOf(to.In(zone)),
		Made: p.at, Version: a.opts.Version, Cautions: []string{web.UseFirstCaution},
	}
	for _, x := range p.pasts {
		if o.Lot == "" || x.Lot == o.Lot {
			g.pasts = append(g.pasts, x)
		}
	}
	err = a.ask(ctx, func(e *engine.Engine, now time.Time) (err error) {
		if g.days, err = e.Compare(now, from.AddDate(-1, 0, 0), end); err == nil {
			g.days.Keys, g.outdoors = nil, e.AirOutdoors(g.days)
		}
		return err
	})
	if err != nil {
		return report.Report{}, err
	}
	for _, name := range p.rooms {
		if o.Room != "" && name != o.Room || o.Lot != "" && !g.stood(name) {
			continue
		}
		if err := g.room(ctx, name); err != nil {
			return report.Report{}, err
		}
	}
	if err := g.lots(ctx, o.Room); err != nil {
		return report.Report{}, err
	}
	g.notes()
	return g.out, nil
}

// stood says whether any lot of the report was ever in a room.
func (g *reporting) stood(name string) bool {
	return slices.ContainsFunc(g.pasts, func(x engine.Past) bool {
		return slices.ContainsFunc(x.Rooms, func(r review.InRoom) bool { return r.Room == name })
	})
}

func (g *reporting) room(ctx context.Context, name string) error {
	var air engine.RoomPast
	var days review.AirRoom
	err := g.a.ask(ctx, func(e *engine.Engine, now time.Time) error {
		x, err := e.RoomDays(name, g.from, g.end, now)
		if err == nil {
			air, days = x, e.AirOf(g.days, name, g.outdoors)
		}
		return err
	})
	if err != nil {
		return err
	}
	zone := g.a.opts.Settings.Zone
	r := report.Room{Name: name, WarmLimit: report.Number(air.Warm), DampLimit: report.Number(100 * air.Damp), BrightLimit: report.Number(air.Bright)}
	whole := engine.Air{}
	var months []engine.DayAir
	for _, d := range air.Days {
		whole = whole.Add(d.Air)
		r.Days = append(r.Days, report.Day{Date: report.DateOf(d.Date), Climate: climateOf(d.Air)})
		y, m, _ := d.Date.Date()
		first := time.Date(y, m, 1, 0, 0, 0, 0, zone)
		if n := len(months); n == 0 || !months[n-1].Date.Equal(first) {
			months = append(months, engine.DayAir{Date: first})
		}
		last := &months[len(months)-1]
		last.Air = last.Add(d.Air)
	}
	r.Climate = climateOf(whole)
	total := costs{}
	for _, m := range months {
		c := g.month(name, m.Date)
		total.add(c)
		r.Months = append(r.Months, report.Month{First: report.DateOf(m.Date), Climate: climateOf(m.Air), Cost: c.cost()})
	}
	r.Cost = total.cost()
	r.Excursions, r.Seasons = g.excursions(name), g.seasons(days)
	g.out.Rooms = append(g.out.Rooms, r)
	return nil
}

// seasons are those of a room that reach into the days of the report.
func (g *reporting) seasons(days review.AirRoom) (out []report.Season) {
	number := func(v *float64, times float64) report.Number {
		if v == nil {
			return report.Unknown()
		}
		return report.Number(*v * times)
	}
	y, m, d := g.from.In(g.a.opts.Settings.Zone).Date()
	from := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	all := review.SeasonsOf(days)
	for i := range all.Seasons {
		x := &all.Seasons[i]
		first, after := x.Dates()
		if !after.After(from) {
			continue
		}
		s := report.Season{
			Name: fmt.Sprintf("%s %d", x.Season, x.Year), First: report.DateOf(first), Measured: report.Number(100 * x.Coverage), Mean: number(x.Mean, 1), Kinetic: number(x.MeanKinetic, 1),
			Exposure: report.Number(x.Exposure), Beyond: report.Number(x.Beyond), Above: report.Number(x.Above), DegreeDays: number(x.DegreeDays, 1), Per: number(x.PerDegreeDay, 100), Room: x.Verdict,
		}
		if x.Mean == nil { // the air outdoors alone is known
			s.Exposure, s.Beyond, s.Above = report.Unknown(), report.Unknown(), report.Unknown()
		}
		out = append(out, s)
	}
	return out
}

// costs are losses of lots in days and in kilograms.
type costs struct {
	days review.Parts
	kg   float64
}

func (c *costs) add(o costs) { c.days, c.kg = c.days.Add(o.days), c.kg+o.kg }

func (c costs) cost() report.Cost {
	n := func(v float64) report.Number { return report.Number(v) }
	return report.Cost{Heat: n(c.days.Heat), Moisture: n(c.days.Moisture), Oxygen: n(c.days.Oxygen), Light: n(c.days.Light), Sum: n(c.days.Sum()), Mass: n(c.kg)}
}

func costOf(r *review.Review, c review.Cost) costs {
	return costs{r.InDays(c).Lost, r.InKG(c).Lost.Sum()}
}

// month is what a calendar month in a room has cost.
func (g *reporting) month(name string, first time.Time) (sum costs) {
	for i := range g.pasts {
		x := &g.pasts[i]
		for _, m := range x.InMonths {
			if m.Room == name && m.Year == first.Year() && m.Month == first.Month() {
				sum.add(costOf(&x.Review, m.Cost))
			}
		}
	}
	return sum
}

func climateOf(a engine.Air) report.Climate {
	share := func(d time.Duration) report.Number {
		all := a.Measured + a.Estimated + a.Unknown
		if all <= 0 {
			return report.Unknown()
		}
		return report.Number(100 * float64(d) / float64(all))
	}
	return report.Climate{
		Mean: report.Number(a.Mean()), Min: report.Number(a.Min()), Max: report.Number(a.Max()),
		Humidity: report.Number(100 * a.Humidity()), LightDose: report.Number(a.Dose() / 1000), Acceleration: report.Number(a.Acceleration()),
		Measured: share(a.Measured), Estimated: share(a.Estimated), Unmeasured: share(a.Unknown),
	}
}

// worstLots is how many lots an excursion names.
const worstLots = 5

// excursions are the events of a room that reach into the days of the report,
// each with its whole cost.
func (g *reporting) excursions(name string) []report.Excursion {
	type key struct {
		from int64
		kind review.Kind
	}
	var out []report.Excursion
	sums, places := []costs{}, map[key]int{}
	for i := range g.pasts {
		x := &g.pasts[i]
		for _, e := range x.Events {
			if e.Room != name || e.Kind == review.Packed || e.Kind == review.Moved || !e.From.Before(g.end) || !e.To.After(g.from) {
				continue
			}
			k := key{e.From.UnixMilli(), e.Kind}
			j, ok := places[k]
			if !ok {
				j, places[k] = len(out), len(out)
				out, sums = append(out, excursionOf(e.Spell)), append(sums, costs{})
			}
			if e.To.After(out[j].To) {
				out[j].To = e.To
			}
			c := costOf(&x.Review, e.Cost)
			sums[j].add(c)
			out[j].Worst = append(out[j].Worst, report.LotDays{Lot: x.Lot, Food: g.a.foodName(x.Food), Days: report.Number(c.days.Sum())})
		}
	}
	for j := range out {
		slices.SortStableFunc(out[j].Worst, func(a, b report.LotDays) int { return cmp.Compare(b.Days, a.Days) })
		out[j].Worst = out[j].Worst[:min(worstLots, len(out[j].Worst))]
		out[j].Cost = sums[j].cost()
	}
	slices.SortStableFunc(out, func(a, b report.Excursion) int { return a.From.Compare(b.From) })
	return out
}

func excursionOf(s review.Spell) report.Excursion {
	x := report.Excursion{Kind: string(s.Kind), From: s.From, To: s.To, Peak: report.Unknown(), Note: s.Note}
	if s.Kind != review.Excursion {
		return x
	}
	var kinds []string
	for _, k := range []struct {
		is   bool
		name string
	}{{s.Warm, "warm"}, {s.Damp, "damp"}, {s.Bright, "bright"}} {
		if k.is {
			kinds = append(kinds, k.name)
		}
	}
	x.Kind = strings.Join(kinds, ", ")
	switch {
	case s.Warm:
		x.Peak, x.Unit = report.Number(s.Hottest), "°C"
	case s.Damp:
		x.Peak, x.Unit = report.Number(100*s.Dampest), "%"
	}
	return x
}

// lots fills the list of lots, the plan of use and the cost of all.
func (g *reporting) lots(ctx context.Context, name string) error {
	if err := g.a.repacks(ctx, &g.p); err != nil {
		return err
	}
	use, err := g.a.useFirst(g.p)
	if err != nil {
		return err
	}
	zone := g.a.opts.Settings.Zone
	date := func(t time.Time) report.Date {
		if t.IsZero() {
			return report.Date{}
		}
		return report.DateOf(t.In(zone))
	}
	for rank, u := range use.Lots {
		if g.lot != "" && u.Lot != g.lot || name != "" && u.Room != name {
			continue
		}
		i := slices.IndexFunc(g.p.pasts, func(x engine.Past) bool { return x.Lot == u.Lot })
		s := slices.IndexFunc(g.p.stock, func(x engine.InStore) bool { return x.Lot == u.Lot })
		if i < 0 || s < 0 {
			return errors.New("BUG: a lot in the order of use is not among the lots")
		}
		r := &g.p.pasts[i].Review
		c := costOf(r, r.Cost)
		g.out.Lots = append(g.out.Lots, report.Lot{
			ID: u.Lot, Food: u.FoodName, Container: u.Container, Room: u.Room, Packed: date(g.p.stock[s].Packed), Mass: report.Number(u.KG),
			Remaining: report.Band{Low: report.Number(100 * u.Remaining.Low), Likely: report.Number(100 * u.Remaining.Likely), High: report.Number(100 * u.Remaining.High)},
			End:       report.DateBand{Low: date(u.Early), Likely: date(u.Likely), High: date(u.Late)}, EndedBy: u.By,
			Spent: report.Number(r.InDays(r.Cost).Plain), Lost: c.cost(), LostShare: report.Number(100 * r.Cost.Lost.Sum()),
			Rank: rank + 1, Reason: strings.Join(u.Words, "; "),
		})
	}
	total := costs{}
	for _, r := range g.out.Rooms {
		total.add(costs{review.Parts{Heat: float64(r.Cost.Heat), Moisture: float64(r.Cost.Moisture), Oxygen: float64(r.Cost.Oxygen), Light: float64(r.Cost.Light)}, float64(r.Cost.Mass)})
	}
	g.out.Cost = total.cost()
	if g.lot == "" && name == "" {
		g.plan(use, date)
	}
	return nil
}

// plan fills the plan of use, which is one of the whole store.
func (g *reporting) plan(use web.UseFirstAnswer, date func(time.Time) report.Date) {
	p := report.Plan{Basis: "What the configuration states under \"eating\". " + strings.Join(use.Words, " ")}
	for _, c := range use.Plans {
		for _, m := range c.Lots {
			if c.KGPerMonth > 0 {
				p.Steps = append(p.Steps, report.Step{Lot: m.Lot, Food: c.FoodName, From: date(m.From), To: date(m.To), InTime: report.Number(m.InTime), Late: report.Number(m.Late)})
			}
		}
		lasts := math.NaN()
		if !c.RunsOut.IsZero() {
			lasts = c.RunsOut.Sub(use.At).Hours() / 24
		}
		p.Supplies = append(p.Supplies, report.Supply{Food: c.FoodName, Mass: report.Number(c.KG), PerMonth: report.Number(c.KGPerMonth), Days: report.Number(lasts)})
		p.Advice = append(p.Advice, c.Words...)
	}
	g.out.Plan = p
}

// notes say what a reader must know of the numbers.
func (g *reporting) notes() {
	n := []string{
		"Costs are against plan storage: the warm and the damp limit of the room a lot was packed into. Below zero is life gained.",
		"Climate and ageing are those of the time that was measured.",
		"Excursions and gaps that reach beyond the days of this report are told with their whole cost.",
	}
	if zone := g.a.opts.Settings.Zone; g.from.In(zone).Day() != 1 || g.end.In(zone).Day() != 1 && g.end.Before(g.p.at) {
		n = append(n, "Costs are kept by calendar month: those of a month of which only a part lies in this report are told whole.")
	}
	if len(g.p.stock) < len(g.p.pasts) {
		n = append(n, "Lots that are finished are not listed; what they lost is part of the costs of rooms.")
	}
	g.out.Notes = n
}
