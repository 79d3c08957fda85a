package web

import (
	"encoding/json"
	"math"
	"strconv"
	"time"

	"dryhold/internal/engine"
)

// courseView is the course of a lot as charts, as a strip and as a table.
type courseView struct {
	Quality, Water string // options of the charts, as charts.js reads them
	Drawn          drawnCourse
	QualityWords   string
	WaterWords     string
	Strip          *stripView
	Rows           []courseRow
}

// courseRow is one point, as the API has it.
type courseRow struct {
	At                              moment
	Ahead                           bool
	Quality, Low, High              string
	Water, WaterBand, Oxygen        string
	OxygenBand, Core, Ageing, Where string
}

// The options of a chart: see charts.js.
type (
	chartOptions struct {
		X        string         `json:"x"`
		Series   []chartSeries  `json:"series"`
		Limits   []chartLimit   `json:"limits,omitempty"`
		Instants []chartInstant `json:"instants,omitempty"`
		Factor   float64        `json:"factor"`
		Decimals int            `json:"decimals"`
		Unit     string         `json:"unit"`
		Low      *float64       `json:"low,omitempty"`
		High     *float64       `json:"high,omitempty"`
		Zone     string         `json:"zone"`
		Time     string         `json:"time"`
	}
	chartSeries struct {
		Column string `json:"column"`
		Low    string `json:"low"`
		High   string `json:"high"`
		Label  string `json:"label"`
		Tone   string `json:"tone"`
	}
	chartLimit struct {
		Value float64 `json:"value"`
		Label string  `json:"label"`
	}
	chartInstant struct {
		At    time.Time `json:"at"`
		Label string    `json:"label"`
	}
)

func (o chartOptions) json() string {
	b, err := json.Marshal(o)
	if err != nil {
		panic("BUG: options of a chart cannot be written as JSON: " + err.Error()) // words and finite numbers always can
	}
	return string(b)
}

// course shows the course of a lot.
func (p *pageContext) course(c engine.LotCourse, l engine.LotView) *courseView {
	instants := []chartInstant{{c.AsOf, p.t("today")}}
	if !c.End.IsZero() && !l.Finished() {
		instants = append(instants, chartInstant{c.End, p.t("projected end")})
	}
	zero, one := 0.0, 1.0
	whole := chartOptions{X: "at", Instants: instants, Zone: p.zone.String(), Time: p.t("Time"), Factor: 1, Decimals: 2}
	quality := whole
	quality.Factor, quality.Decimals, quality.Unit, quality.Low, quality.High = 100, 1, " %", &zero, &one
	quality.Series = []chartSeries{{"quality.likely", "quality.low", "quality.high", p.t("remaining quality"), "a"}}
	quality.Limits = []chartLimit{{0, p.t("limit")}}
	water := whole
	water.Series = []chartSeries{{"water_activity.likely", "water_activity.low", "water_activity.high", p.t("water activity"), "a"}}
	if c.Amber > 0 && c.Red > 0 {
		water.Limits = []chartLimit{{c.Amber, p.t("amber")}, {c.Red, p.t("red")}}
	}
	v := &courseView{
		Drawn: drawn(c), Quality: quality.json(), Water: water.json(), Strip: p.strip(c),
		QualityWords: p.qualityWords(c, l), WaterWords: p.waterWords(c, l),
	}
	for i, at := range c.At {
		v.Rows = append(v.Rows, p.courseRow(c, i, at))
	}
	return v
}

// drawnCourse are the columns of a course that the charts draw. They stand in
// the page: asked for by the script, the course would be worked out once more.
type drawnCourse struct {
	At      []time.Time `json:"at"`
	Quality struct {
		Low    []float64  `json:"low"`
		Likely []*float64 `json:"likely"`
		High   []float64  `json:"high"`
	} `json:"quality"`
	Activity engine.EstimateColumns `json:"water_activity"`
}

// lowestDrawn is how far below its limit quality is drawn: how much further it
// goes says nothing, and would squeeze all above it (judgement).
const lowestDrawn = -0.25

func drawn(c engine.LotCourse) (out drawnCourse) {
	out.At, out.Activity = c.At, c.Activity
	for i := range c.At {
		q := c.Quality.Row(i)
		out.Quality.Low, out.Quality.High = append(out.Quality.Low, max(lowestDrawn, q.Low)), append(out.Quality.High, max(lowestDrawn, q.High))
		var likely *float64
		if q.Likely >= lowestDrawn {
			likely = &q.Likely
		}
		out.Quality.Likely = append(out.Quality.Likely, likely)
	}
	return out
}

func (p *pageContext) courseRow(c engine.LotCourse, i int, at time.Time) courseRow {
	one := p.measure(100, 1, " %")
	q, a, o := c.Quality.Row(i), c.Activity.Row(i), c.Oxygen.Row(i)
	row := courseRow{
		At: p.moment(at), Ahead: c.Ahead[i], Where: c.Room[i],
		Quality: one.text(q.Likely), Low: one.text(q.Low), High: one.text(q.High),
		Water: p.number(a.Likely, 3), WaterBand: p.t("%s to %s", p.number(a.Low, 3), p.number(a.High, 3)),
		Oxygen: one.text(o.Likely), OxygenBand: p.t("%s to %s", one.text(o.Low), one.text(o.High)),
		Core: "–", Ageing: "–",
	}
	if t := c.Core[i]; t != nil {
		row.Core = p.celsius().text(*t)
	}
	if f := c.Ageing[i]; f != nil {
		row.Ageing = p.number(*f, 2)
	} else if c.Known[i] != nil {
		row.Ageing = p.t("not known")
	}
	return row
}

func (p *pageContext) qualityWords(c engine.LotCourse, l engine.LotView) string {
	one := p.measure(100, 1, " %")
	now := p.t("%s (%s to %s)", one.text(c.Remaining.Likely), one.number(c.Remaining.Low, 1), one.text(c.Remaining.High))
	packed := p.date(c.PackedAt, "2 Jan 2006")
	likely, band := p.ending(l, c.EndEarly, c.End, c.EndLate, "Jan 2006")
	switch {
	case l.Finished():
		return p.t("Remaining quality since packing on %s, 100 %%: %s when the lot was finished. The band is 10 to 90 %%.", packed, now)
	case band == "":
		return p.t("Remaining quality since packing on %s, 100 %%: %s today, and it is likely used up: %s.", packed, now, likely)
	}
	return p.t("Remaining quality since packing on %s, 100 %%: %s today, and it is likely used up: %s (10 to 90 %%: %s). Ahead of today the band joins what is open of the climate and of the constants.", packed, now, likely, band)
}

func (p *pageContext) waterWords(c engine.LotCourse, l engine.LotView) string {
	first, last := c.Activity.Row(0).Likely, c.Activity.Row(len(c.At)-1).Likely
	now := l.Moisture.Activity.Likely
	text := p.t("Water activity in the food: %s at packing, %s now, %s at the end of the chart.", p.number(first, 2), p.number(now, 2), p.number(last, 2))
	if c.Amber > 0 && c.Red > 0 {
		text += " " + p.t("Above the amber line of %s it comes near spoiling, above the red line of %s it spoils.", p.activity(c.Amber), p.activity(c.Red))
	}
	return text
}

// stripView is the past of a lot as a strip of stretches, as high as it aged
// fast.
type stripView struct {
	Words  string
	Pieces []stripPiece
}

type stripPiece struct{ X, Width, Y, Height, Class string }

// stripHigh is the height of the strip, and stripPlan that of ageing as planned.
const stripHigh, stripPlan = 36.0, 14.0

// strip is nil for a lot without a past.
func (p *pageContext) strip(c engine.LotCourse) *stripView {
	n := 0
	for n < len(c.At) && !c.Ahead[n] {
		n++
	}
	if n < 2 {
		return nil
	}
	v := &stripView{}
	from, long := c.At[0], float64(c.At[n-1].Sub(c.At[0]))
	worst, worstAt, faster, unknown := 0.0, from, 0.0, 0.0
	for i := 1; i < n; i++ {
		span := float64(c.At[i].Sub(c.At[i-1]))
		piece := stripPiece{X: part(float64(c.At[i-1].Sub(from)) / long), Width: part(span / long), Class: "unseen"}
		high := stripPlan
		if f := c.Ageing[i]; f == nil {
			unknown += span
		} else {
			piece.Class = paceClass(*f)
			// A doubling is 10 high: the eye sees ratios.
			high = min(stripHigh, max(3, stripPlan+float64(10*math.Log2(max(0.01, *f)))))
			if *f > worst {
				worst, worstAt = *f, c.At[i-1]
			}
			if *f > aboutPlan {
				faster += span
			}
		}
		piece.Y, piece.Height = strconv.FormatFloat(stripHigh-high, 'f', 1, 64), strconv.FormatFloat(high, 'f', 1, 64)
		v.Pieces = append(v.Pieces, piece)
	}
	share := func(part float64) string { return p.percent().text(part / long) }
	v.Words = p.t("How fast it aged since packing, by temperature against plan storage: faster than planned for %s of the time, not known for %s.", share(faster), share(unknown))
	if worst > aboutPlan {
		v.Words += " " + p.t("It aged fastest from %s on: %s.", p.date(worstAt, "2 Jan 2006"), p.ageing(worst))
	}
	return v
}

// aboutPlan is up to what factor a lot counts as ageing as planned (judgement).
const aboutPlan = 1.25

func paceClass(f float64) string {
	switch {
	case f > 2:
		return "faster"
	case f > aboutPlan:
		return "fast"
	case f < 1/aboutPlan:
		return "slow"
	}
	return "even"
}
