// Package report writes the storage review of a site: one page for each room,
// a list of its lots, what storage has cost them and what to use first, as
// text, JSON, CSV, HTML and PDF. It works nothing out: every number comes in
// with the Report, is rounded once, and reads the same in every format.
package report

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"time"
)

// Format is a form in which a report can be written.
type Format string

// The formats of a report.
const (
	Text Format = "text"
	JSON Format = "json"
	CSV  Format = "csv"
	HTML Format = "html"
	PDF  Format = "pdf"
)

// Formats lists the formats in the order in which help shows them.
func Formats() []Format { return []Format{Text, JSON, CSV, HTML, PDF} }

// Number is a value that may be unknown. Unknown is NaN here and null in
// JSON, an empty cell in CSV and the word "unknown" where a person reads it.
type Number float64

// Unknown is the number that is not known.
func Unknown() Number { return Number(math.NaN()) }

// Known reports whether there is a value.
func (n Number) Known() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// MarshalJSON writes the shortest decimal, or null when unknown.
func (n Number) MarshalJSON() ([]byte, error) {
	if !n.Known() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// UnmarshalJSON reads what MarshalJSON writes.
func (n *Number) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Unknown()
		return nil
	}
	return json.Unmarshal(b, (*float64)(n))
}

// Date is a day of the calendar in the site's zone. The zero Date is none.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// DateOf is the day on which t falls in its own location; none for the zero
// time.
func DateOf(t time.Time) Date {
	if t.IsZero() {
		return Date{}
	}
	y, m, d := t.Date()
	return Date{y, m, d}
}

// IsZero reports whether there is no date.
func (d Date) IsZero() bool { return d == Date{} }

// String is the date as ISO 8601 writes it, or "" for none.
func (d Date) String() string {
	if d.IsZero() {
		return ""
	}
	return d.utc().Format(time.DateOnly)
}

// MarshalText writes the date as ISO 8601 does.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (d *Date) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*d = Date{}
		return nil
	}
	t, err := time.Parse(time.DateOnly, string(b))
	if err != nil {
		return fmt.Errorf("cannot read a date: %w", err)
	}
	*d = DateOf(t)
	return nil
}

func (d Date) utc() time.Time { return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC) }

// number counts days; every day is as long as any other, also the two on
// which clocks are set.
func (d Date) number() int { return int(d.utc().Unix() / 86400) }

// Report is one storage review. Shares and humidities are in percent.
type Report struct {
	Site string `json:"site"`
	// Zone is the zone in which days begin and times are shown; nil is UTC.
	// JSON names it.
	Zone *time.Location `json:"-"`
	// From and To are the first and the last day of the review.
	From    Date      `json:"from"`
	To      Date      `json:"to"`
	Made    time.Time `json:"made"`
	Version string    `json:"version"`
	// Notes are what a reader must know of this report, one sentence each.
	Notes []string `json:"notes"`
	// Cautions on food safety, beside the one at the foot of each page.
	Cautions []string `json:"cautions"`
	Rooms    []Room   `json:"rooms"`
	Lots     []Lot    `json:"lots"`
	// Cost is that of all rooms and lots in the time of the review.
	Cost Cost `json:"cost"`
	Plan Plan `json:"plan_of_use"`
}

// Cost is life lost beyond plan storage, by cause. Where it is that of several
// lots, days are summed over the lots. Below zero is life gained.
type Cost struct {
	Heat     Number `json:"heat_days"`
	Moisture Number `json:"moisture_days"`
	Oxygen   Number `json:"oxygen_days"`
	Light    Number `json:"light_days"`
	Sum      Number `json:"sum_days"`
	// Mass is the sum as food: the share of each lot's life, of its net mass.
	Mass Number `json:"food_kg"`
}

// Climate is the air of a room over a day, a month or the whole review.
type Climate struct {
	Mean Number `json:"temperature_mean_celsius"`
	Min  Number `json:"temperature_min_celsius"`
	Max  Number `json:"temperature_max_celsius"`
	// Humidity is the mean relative humidity.
	Humidity Number `json:"relative_humidity_mean_percent"`
	// LightDose is in kilolux hours.
	LightDose Number `json:"light_dose_kilolux_hours"`
	// Acceleration of ageing against plan storage: 1 is as fast as planned.
	Acceleration Number `json:"acceleration_against_plan"`
	// Shares of the time whose temperature was measured, estimated and not
	// known.
	Measured   Number `json:"measured_percent"`
	Estimated  Number `json:"estimated_percent"`
	Unmeasured Number `json:"unknown_percent"`
}

// Day is one day of a room.
type Day struct {
	Date Date `json:"date"`
	Climate
}

// Month is one month of the calendar, or the part of it in the review.
type Month struct {
	First Date `json:"first_day"`
	Climate
	// Cost of the month, summed over the lots in the room.
	Cost Cost `json:"cost"`
}

// Room is one room in the time of the review, days and months in order.
type Room struct {
	Name string `json:"name"`
	// WarmLimit is the plan storage temperature.
	WarmLimit   Number      `json:"warm_limit_celsius"`
	DampLimit   Number      `json:"damp_limit_percent"`
	BrightLimit Number      `json:"bright_limit_lux"`
	Climate     Climate     `json:"climate"` // of the whole review
	Days        []Day       `json:"days"`
	Months      []Month     `json:"months"`
	Excursions  []Excursion `json:"excursions"`
	// Seasons of which a part lies in the review, each told whole up to its end.
	Seasons []Season `json:"seasons,omitempty"`
	// Cost of the room, summed over its lots.
	Cost Cost `json:"cost"`
}

// Excursion is an unbroken spell outside a limit, or another event that has a
// cost of its own.
type Excursion struct {
	Kind string `json:"kind"` // "warm", "damp"
	// From and To; a zero To is an excursion that still lasts.
	From time.Time `json:"from"`
	To   time.Time `json:"to,omitzero"`
	Peak Number    `json:"peak"`
	// Unit of the peak: "°C", "%", "lx".
	Unit string `json:"peak_unit"`
	// Worst are the lots it cost most, worst first, and Cost that of all.
	Worst []LotDays `json:"worst_lots"`
	Cost  Cost      `json:"cost"`
	Note  string    `json:"note,omitempty"`
}

// LotDays is what something cost one lot.
type LotDays struct {
	Lot  string `json:"lot"`
	Food string `json:"food"`
	Days Number `json:"days"`
}

// Band is a likely value in its 10 to 90 % band.
type Band struct {
	Low    Number `json:"low"`
	Likely Number `json:"likely"`
	High   Number `json:"high"`
}

// DateBand is a likely date in its 10 to 90 % band. None is a date beyond the
// horizon of the forecast.
type DateBand struct {
	Low    Date `json:"low,omitzero"`
	Likely Date `json:"likely,omitzero"`
	High   Date `json:"high,omitzero"`
}

// Lot is one lot on the day the report was made.
type Lot struct {
	ID        string `json:"id"`
	Food      string `json:"food"`
	Container string `json:"container"`
	Room      string `json:"room"`
	Packed    Date   `json:"packed"`
	Mass      Number `json:"net_mass_kg"` // of all its containers
	// Remaining quality, 100 at packing and 0 at its limit.
	Remaining Band     `json:"remaining_quality_percent"`
	End       DateBand `json:"projected_end"`
	EndedBy   string   `json:"ended_by"` // what will end it
	// Spent is the life that plan storage would have cost since packing.
	Spent Number `json:"spent_at_plan_days"`
	// Lost beyond plan storage since packing.
	Lost Cost `json:"lost"`
	// LostShare is the loss as a share of the life the lot had at packing.
	LostShare Number `json:"lost_percent"`
	// Rank says when to use it, 1 first; 0 is no rank. Reason says why.
	Rank   int    `json:"use_first_rank"`
	Reason string `json:"use_first_reason"`
}

// Plan is a plan of use at a stated consumption. It may be empty.
type Plan struct {
	// Basis says what consumption is assumed.
	Basis string `json:"basis,omitempty"`
	// Steps in the order of use.
	Steps []Step `json:"steps"`
	// Supplies by food.
	Supplies []Supply `json:"supplies"`
	// Advice is what to buy or repack and when, one sentence each.
	Advice []string `json:"advice"`
}

// Step is the use of one lot.
type Step struct {
	Lot  string `json:"lot"`
	Food string `json:"food"`
	From Date   `json:"from"`
	To   Date   `json:"to"`
	// InTime is eaten before the low edge of the projected end, Late is not.
	InTime Number `json:"in_time_kg"`
	Late   Number `json:"late_kg"`
}

// Supply is how long a food lasts.
type Supply struct {
	Food     string `json:"food"`
	Mass     Number `json:"net_mass_kg"`
	PerMonth Number `json:"used_kg_per_month"`
	Days     Number `json:"lasts_days"`
}

// maxDays bounds the length of a review: a hundred years.
const maxDays = 36600

// ErrFormat says that a format is not known.
var ErrFormat = errors.New("no such format")

// Write writes the report. Names are shown without control characters, and
// numbers rounded as documented at rounded. It fails with ErrFormat, on a
// period without a beginning or end or longer than a hundred years, and when w
// does.
func Write(w io.Writer, r Report, format Format) error {
	if r.From.IsZero() || r.To.IsZero() || r.To.number() < r.From.number() || r.To.number()-r.From.number() > maxDays {
		return fmt.Errorf("cannot write a report from %q to %q: give a first and a last day, in order and at most a hundred years apart", r.From, r.To)
	}
	r = rounded(r)
	var err error
	switch format {
	case Text:
		err = writeText(w, r)
	case JSON:
		err = writeJSON(w, r)
	case CSV:
		err = writeCSV(w, r)
	case HTML:
		err = writeHTML(w, r)
	case PDF:
		err = writePDF(w, r)
	default:
		return fmt.Errorf("cannot write a report as %q: %w: choose one of %v", format, ErrFormat, Formats())
	}
	if err != nil {
		return fmt.Errorf("cannot write the report as %s: %w", format, err)
	}
	return nil
}
