package engine

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/catalog"
	"dryhold/internal/course"
	"dryhold/internal/lot"
	"dryhold/internal/nearest"
	"dryhold/internal/unit"
)

// Explanation is the arithmetic of one lot in plain words, as of the same
// instant as its LotView and with the same numbers.
type Explanation struct {
	Lot      string    `json:"lot"`
	FoodName string    `json:"food_name"`
	AsOf     time.Time `json:"as_of"`
	// Remaining quality and the mode that limits it are those of LotView.
	Remaining Estimate  `json:"remaining_quality"`
	Limiting  string    `json:"limiting_mode"`
	Sections  []Section `json:"sections"`
	// Options are what would give the lot more than a week of life, the one
	// that gives most first. None for a finished lot.
	Options []Option `json:"options"`
}

// The sections that every explanation has, by their keys. Between Inside and
// Left stands one for each mode, with the key ModeSection and the mode's name.
const (
	LotSection      = "lot"
	InsideSection   = "inside"
	ModeSection     = "mode:"
	LeftSection     = "left"
	HelpSection     = "help"
	CautionsSection = "cautions"
)

// Section is one part of an explanation.
type Section struct {
	Key   string `json:"key"`
	Title string `json:"title"`
	Lines []Line `json:"lines"`
}

// Line is one statement.
type Line struct {
	Text string `json:"text"`
	// Source says where a constant in it comes from, as the catalog does.
	Source string `json:"source,omitempty"`
}

// Option is one thing that could be done from now on, and what comes of it.
type Option struct {
	What string `json:"what"`
	// End is the likely end if it is done and Instead the one it is held
	// against; zero beyond 100 years.
	End     time.Time `json:"end,omitzero"`
	Instead time.Time `json:"instead_of,omitzero"`
	Days    float64   `json:"days_gained"`
}

// Explain tells how the numbers of a lot come about, as of the last whole
// hour, or its end. The error wraps lot.ErrNotFound and names the nearest lot.
func (e *Engine) Explain(id string, now time.Time) (Explanation, error) {
	l, t, err := e.asked(id, now, "explain")
	if err != nil {
		return Explanation{}, err
	}
	x, err := e.explainer(l, t)
	if err != nil {
		return Explanation{}, fmt.Errorf("cannot explain lot %s: %w", id, err)
	}
	out := Explanation{
		Lot: l.ID, FoodName: x.v.FoodName, AsOf: x.v.AsOf, Remaining: x.v.Remaining, Limiting: x.v.Limiting,
		Sections: []Section{
			{LotSection, "The lot", x.packed()},
			{InsideSection, "Inside the container now", x.inside()},
		},
		Options: []Option{},
	}
	for i := range x.v.Modes {
		out.Sections = append(out.Sections, x.mode(i))
	}
	help, err := x.help(&out)
	if err != nil {
		return Explanation{}, fmt.Errorf("cannot say what would help lot %s: %w", id, err)
	}
	out.Sections = append(out.Sections,
		Section{LeftSection, "What limits it and what is left", x.left()},
		Section{HelpSection, "What would help most", help},
		Section{CautionsSection, "Cautions", x.cautions()},
	)
	return out, nil
}

// asked is a lot worked out for a question about it alone, which task names.
func (e *Engine) asked(id string, now time.Time, task string) (l lot.Lot, t *tracked, err error) {
	if l, err = e.book.Find(id); err != nil {
		return l, nil, e.unknownLot(id)
	}
	if err := e.workOut(now); err != nil {
		return l, nil, fmt.Errorf("cannot %s lot %s: %w", task, id, err)
	}
	if t = e.lots[id]; t == nil { // it was taken back
		return l, nil, e.unknownLot(id)
	}
	return l, t, nil
}

func (e *Engine) unknownLot(id string) error {
	var ids []string
	for _, l := range e.book.Lots() {
		ids = append(ids, l.ID)
	}
	switch near := nearest.Name(id, ids); {
	case near != "":
		return lot.NotFound("no lot %q: did you mean %q?", id, near)
	case len(ids) == 0:
		return lot.NotFound("no lot %q: none is registered yet", id)
	}
	return lot.NotFound("no lot %q: they are called %s to %s", id, ids[0], ids[len(ids)-1])
}

// explainer is what an explanation is made of. All that the view shows is
// taken from it; state and outlook add what it does not show.
type explainer struct {
	e         *Engine
	v         *LotView
	food      catalog.Food
	container catalog.Container
	state     course.State
	outlook   course.Outlook // zero for a finished lot
	looked    course.Course  // from which the outlook was taken, and a look ahead starts
	plan      unit.Celsius
}

func (e *Engine) explainer(l lot.Lot, t *tracked) (x *explainer, err error) {
	x = &explainer{e: e, v: &t.view, plan: e.Plan(l.Room()), looked: t.account.Course()}
	if x.food, err = e.cfg.Catalog.Food(l.Packing.Food); err != nil {
		return nil, err
	}
	if x.container, err = e.cfg.Catalog.Container(l.Packing.Container); err != nil {
		return nil, err
	}
	if !l.Finished() {
		x.outlook = t.outlook
		if x.looked, err = e.looked(l, t); err != nil {
			return nil, err
		}
	}
	c, err := e.follower.Advance(x.looked, l, t.asOf)
	if err != nil {
		return nil, err
	}
	x.state, err = e.follower.State(c, l)
	return x, err
}

// looked is the course of a lot at the instant from which its view looks ahead.
func (e *Engine) looked(l lot.Lot, t *tracked) (course.Course, error) {
	return e.follower.Advance(t.account.Course(), l, t.lookedAt)
}

// telling gathers the lines of a section.
type telling struct{ lines []Line }

func (t *telling) say(format string, args ...any) {
	t.lines = append(t.lines, Line{Text: fmt.Sprintf(format, args...)})
}

// constant says what comes from a source, as the catalog names it. A line of
// the catalog can point to the head of its file.
func (t *telling) constant(source, format string, args ...any) {
	source = strings.ReplaceAll(source, "as stated above", "as stated at the head of the catalog's file")
	t.lines = append(t.lines, Line{fmt.Sprintf(format, args...), source})
}

// figures writes a number with so many significant digits and no exponent.
func figures(v float64, digits int) string {
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', digits, 64), 64)
	if err != nil || v != v || v-v != 0 {
		return "unknown"
	}
	return strconv.FormatFloat(short, 'f', -1, 64)
}

// span is a band of the catalog: its likely value and, where it has a width,
// its edges. scale takes it to the unit written after it.
func span(b catalog.Band, scale float64, symbol string) string {
	return edged(b.Low, b.Likely, b.High, scale, 4) + symbol
}

// spread is the same of what was worked out.
func spread(b Estimate, scale float64, symbol string) string {
	return edged(b.Low, b.Likely, b.High, scale, 3) + symbol
}

func edged(low, likely, high, scale float64, digits int) string {
	f := func(v float64) string { return figures(scale*v, digits) }
	if f(low) == f(likely) && f(high) == f(likely) {
		return f(likely)
	}
	return fmt.Sprintf("%s (%s to %s)", f(likely), f(low), f(high))
}

// share is an estimate in percent with the decimals it is shown with
// everywhere.
func share(b Estimate) string {
	return fmt.Sprintf("%.1f %% (%.1f to %.1f %%)", 100*b.Likely, 100*b.Low, 100*b.High)
}

func daysOf(d time.Duration) string { return fmt.Sprintf("%.1f days", d.Hours()/24) }

func date(t time.Time) string { return t.UTC().Format(time.DateOnly) }

// ahead is a day to come, or the want of one.
func ahead(t time.Time) string {
	if t.IsZero() {
		return "not within 100 years"
	}
	return date(t)
}

// passing says when a level is passed under present conditions, with its band.
func passing(p Passing) string {
	edge := func(t time.Time, never string) string {
		if t.IsZero() {
			return never
		}
		return date(t)
	}
	switch {
	case p.Past:
		return "likely passed already"
	case p.At.IsZero() && p.Early.IsZero():
		return "never, if it stays so"
	case p.At.IsZero():
		return "likely never, if it stays so, but it may be from " + date(p.Early) + " on"
	}
	return fmt.Sprintf("about %s (%s to %s)", date(p.At), edge(p.Early, "never"), edge(p.Late, "never"))
}

// cautions stand at the end of every explanation.
func (x *explainer) cautions() []Line {
	var t telling
	t.say("Quality is not safety: these numbers say how good the food is likely to be, never that it is safe to eat. When in doubt, throw it out.")
	t.say("Throw out food that is mouldy, damp, rancid or infested, and what comes from a container that bulges, spurts or leaks; do not taste it.")
	for _, c := range []string{x.food.Caution, x.v.Packing.Caution()} {
		if c = strings.Join(strings.Fields(c), " "); c != "" {
			t.say("%s", c)
		}
	}
	if x.food.NoAbsorber != "" {
		t.say("No absorber goes with this food: %s.", strings.TrimRight(strings.Join(strings.Fields(x.food.NoAbsorber), " "), "."))
	}
	t.say("Every constant names its source. \"From memory\" was recalled and not checked again, \"judgement\" is a choice of the catalog, and ranges are 10 to 90 %%.")
	t.say("The advice of your local food-safety authority goes before all of this.")
	return t.lines
}

// optionOrder puts the option that gains most first.
func optionOrder(options []Option) {
	slices.SortStableFunc(options, func(a, b Option) int { return cmp.Compare(b.Days, a.Days) })
}
