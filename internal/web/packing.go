package web

import (
	"context"
	"errors"
	"maps"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/packing"
)

// Packer gives packing advice. Errors are as those of Actions.
type Packer interface {
	PackingAdvice(ctx context.Context, q packing.Question) (packing.Advice, error)
	// Foods lists the foods that have a verdict.
	Foods() []packing.Judged
	// Containers lists the containers that can be asked for.
	Containers() []string
}

// packingPath is a question, though it is posted: it needs the scope read. Its
// body is a packing.Question, answered with a packing.Advice, also where that
// refuses.
const packingPath = "/api/v1/packing/advice"

// routePacking adds the packing advice, as page and as data.
func (s *server) routePacking(mux *http.ServeMux) {
	route(mux, "/packing", methods{http.MethodGet: s.getPackingPage})
	route(mux, packingPath, methods{http.MethodPost: s.postPacking})
	route(mux, "/api/v1/packing/foods", methods{http.MethodGet: s.getFoods})
}

func (s *server) postPacking(w http.ResponseWriter, r *http.Request) {
	var q packing.Question
	if no := readJSON(w, r, &q); no != nil {
		writeProblem(w, no.status, no.detail)
		return
	}
	x, err := s.Actions.PackingAdvice(r.Context(), q)
	if err != nil {
		status, detail := s.failure(r, "give packing advice", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, x)
}

func (s *server) getFoods(w http.ResponseWriter, r *http.Request) {
	s.writeJSON(w, r, http.StatusOK, s.Actions.Foods())
}

// choice is one option of a list on the form.
type choice struct {
	Value, Text string
	Chosen      bool
}

// packingLine is one line with its mark.
type packingLine struct {
	Sight        *sight // nil for what is only told
	Text, Source string
}

type packingSection struct {
	Title string
	Lines []packingLine
}

// packingView is the page: the form as it was filled in, and the answer.
type packingView struct {
	Problem                        string
	Q                              packing.Question
	Closures, Contents, Leaks      []choice
	Salts, Treatments              []choice
	Asked, Refused                 bool
	Summary, Open                  string
	Sections                       []packingSection
	Reasons                        []string
	Facts                          []factView
	Register                       string // where the lot as it was advised is put on record
	LeakSteps                      []string
	LeakHeld, LeakFound            string // the same question with the answer of the test
	Examples                       struct{ Moisture, Oven string }
	Foods                          []packing.Judged
	Containers, Rooms              []string
	CleanLitres, Bleach, CleanNote string
	Cleaning                       []packingSection
	CleanFacts                     []factView
}

// LevelWord is the word for a line that stands well or not; empty for what is
// only told.
func LevelWord(l packing.Level) string { return english().levelWord(l) }

func (p *pageContext) levelWord(l packing.Level) string {
	switch l {
	case packing.Good:
		return p.t("good")
	case packing.Unknown:
		return p.t("find out")
	case packing.Amber:
		return p.t("take care")
	case packing.Refused:
		return p.t("refused")
	}
	return ""
}

func (p *pageContext) levelSight(l packing.Level) *sight {
	var x sight
	switch word := p.levelWord(l); l {
	case packing.Good:
		x = okSight(word)
	case packing.Unknown:
		x = unknownSight(word)
	case packing.Amber:
		x = heldSight(word)
	case packing.Refused:
		x = overSight(word)
	default:
		return nil
	}
	return &x
}

func (p *pageContext) packingSections(in []packing.Section) (out []packingSection) {
	for _, x := range in {
		section := packingSection{Title: p.word(x.Title)}
		for i, l := range x.Lines {
			// Of lines with one source the last one shows it.
			if next := i + 1; next < len(x.Lines) && x.Lines[next].Source == l.Source && l.Level != packing.Refused {
				l.Source = ""
			}
			section.Lines = append(section.Lines, packingLine{p.levelSight(l.Level), trade(l.Text), trade(l.Source)})
		}
		out = append(out, section)
	}
	return out
}

// choices are the options of a list: none of them first, then the words that
// the core knows.
func choices[W ~string](p *pageContext, chosen, first string, words ...W) []choice {
	out := []choice{{"", first, chosen == ""}}
	for _, w := range words {
		out = append(out, choice{string(w), p.word(string(w)), string(w) == chosen})
	}
	return out
}

// chosenOf is a list to choose from, with none of it first; what was chosen and
// is not in it stays in the list.
func chosenOf(none, chosen string, of []choice) []choice {
	out := append([]choice{{"", none, chosen == ""}}, of...)
	found := chosen == ""
	for i := range out[1:] {
		out[i+1].Chosen = out[i+1].Value == chosen
		found = found || out[i+1].Chosen
	}
	if !found {
		out = append(out, choice{chosen, chosen, true})
	}
	return out
}

// roomChoices are the rooms of the published state; none before the first.
func roomChoices(snap *engine.Snapshot) (out []choice) {
	if snap == nil {
		return nil
	}
	for _, r := range snap.Rooms {
		out = append(out, choice{Value: r.Name, Text: r.Name})
	}
	return out
}

// packingQuestion is the form as it was filled in.
func (p *pageContext) packingQuestion(v url.Values) packing.Question {
	get := func(name string) string { return strings.TrimSpace(v.Get(name)) }
	typed := func(name string) string { return p.typed(get(name)) }
	return packing.Question{
		Food: get("food"), Container: get("container"), Amount: typed("amount"), Moisture: typed("moisture"), Oven: typed("oven"), Salt: get("salt"),
		Resin: get("resin"), Closure: get("closure"), Held: get("held"), Leak: get("leak_test"), Absorber: typed("absorber"),
		MoistureActivated: get("moisture_activated") != "", Treatment: get("treatment"), Years: typed("years"), Temperature: typed("temperature"),
		Room: get("room"), Packed: get("packed"), Override: get("override"),
	}
}

func (s *server) getPackingPage(w http.ResponseWriter, r *http.Request) {
	form, p := r.URL.Query(), s.words(r)
	q := p.packingQuestion(form)
	v := p.packingForm(q)
	v.Foods, v.Containers = s.Actions.Foods(), s.Actions.Containers()
	v.CleanLitres, v.Bleach = p.typed(strings.TrimSpace(form.Get("solution"))), p.typed(strings.TrimSpace(form.Get("bleach")))
	if snap := s.Snapshot(); snap != nil {
		for _, x := range snap.Rooms {
			v.Rooms = append(v.Rooms, x.Name)
		}
	}
	status := http.StatusOK
	if q.Food != "" {
		x, err := s.Actions.PackingAdvice(r.Context(), q)
		if err != nil {
			status, v.Problem = s.failure(r, "give packing advice", err)
		} else {
			p.advised(&v, x)
			v.LeakHeld, v.LeakFound = withAnswer(form, "leak_test", string(lot.LeakHeld)), withAnswer(form, "leak_test", string(lot.LeakFound))
		}
	}
	if v.CleanLitres+v.Bleach != "" {
		c, err := packing.CleanAsked(v.CleanLitres, v.Bleach)
		if errors.Is(err, lot.ErrInvalid) {
			status, v.CleanNote = http.StatusUnprocessableEntity, err.Error()
		} else if err == nil {
			v.Cleaning = p.packingSections(c.Sections)
			v.CleanFacts = []factView{{p.t("Bleach"), p.volume(c.BleachML / 1000)}, {p.t("With water to make"), p.volume(c.Litres)}}
		}
	}
	s.writePage(w, r, status, page{
		Name: "packing", Head: p.t("Packing"), Here: "/packing", Sub: p.t("Ask before you pack. Nothing is changed by asking."), Caution: true,
		Data: []link{{p.t("foods"), "/api/v1/packing/foods", false}},
	}, v)
}

// packingForm is the form as it was filled in.
func (p *pageContext) packingForm(q packing.Question) packingView {
	v := packingView{
		Q: q, Closures: choices(p, q.Closure, p.t("not looked"), packing.Closures()...), Contents: choices(p, q.Held, p.t("not known"), packing.Contents()...),
		Leaks:      choices(p, q.Leak, p.t("not tested"), lot.LeakHeld, lot.LeakFound),
		Salts:      choices(p, q.Salt, p.t("not tried"), packing.SaltClumps, packing.SaltLoose),
		Treatments: choices(p, q.Treatment, p.t("as advised"), lot.Absorber, lot.FreezeThaw, lot.NoTreatment),
		LeakSteps: []string{
			p.t("Close the clean, empty bottle with its own cap, hand tight."),
			p.t("Hold it under water with the cap lowest, and press it hard for ten seconds."),
			p.t("Turn it slowly and look at cap, neck, foot and seam. Bubbles that come one after another are a leak; a few that cling and go are air from outside."),
			p.t("Where it leaks, take another cap and test again. What leaks twice holds no low oxygen: use it for something else."),
			p.t("Dry the bottle and the cap to the last drop, inside and out, before filling."),
		},
	}
	v.Examples.Moisture, v.Examples.Oven = p.measure(100, 1, " %").text(0.095), "100 "+p.number(90.5, 1)
	return v
}

// withAnswer is the packing page asked the same, with one answer changed.
func withAnswer(form url.Values, name, answer string) string {
	again := maps.Clone(form)
	again.Set(name, answer)
	return "/packing?" + again.Encode()
}

// advised puts the answer on the page. The sentences are those of the advice;
// the numbers that the keeper packs by are told once more in his units.
func (p *pageContext) advised(v *packingView, x packing.Advice) {
	for _, why := range x.Reasons {
		v.Reasons = append(v.Reasons, trade(why))
	}
	v.Asked, v.Refused, v.Summary, v.Sections = true, x.Refused, trade(x.Summary()), p.packingSections(x.Sections)
	refused := x.Refused && x.Override == ""
	if n := x.Unknowns(); n > 0 && !refused {
		v.Open = p.tn("%d thing is still to be found out before you pack.", "%d things are still to be found out before you pack.", n)
	}
	if refused || x.Fill == nil {
		return
	}
	f := x.Fill
	say := func(name, text string) { v.Facts = append(v.Facts, factView{name, text}) }
	count := strconv.Itoa(f.Count)
	if f.LeastCount != f.MostCount {
		count = p.t("%d, with %d to %d likely", f.Count, f.LeastCount, f.MostCount)
	}
	say(p.t("Containers"), count)
	say(p.t("In each"), p.mass(threeFigures(f.EachKG.Likely)))
	say(p.t("In all"), p.mass(threeFigures(f.MassKG)))
	order := url.Values{"food": {x.Food}, "container": {x.Container}, "count": {strconv.Itoa(f.Count)}, "mass": {figure(f.EachKG.Likely)}}
	if o := x.Oxygen; o != nil && x.Treatment == lot.Absorber {
		capacity := v.Q.Absorber
		if capacity == "" && len(o.Smallest) > 0 {
			capacity = figure(packing.Capacity(o.Smallest))
			say(p.t("Absorber for each"), p.packets(o.Smallest))
		}
		order.Set("absorber", capacity)
	}
	order = filled(order, map[string]string{"room": v.Q.Room, "leak_test": v.Q.Leak, "treatment": string(x.Treatment), "override": v.Q.Override})
	if x.MoistureWB != nil {
		order.Set("moisture", figure(100**x.MoistureWB))
	}
	v.Register = "/lots/new?" + order.Encode()
}

// packets are absorbers by number and size, as on the bag they come in.
func (p *pageContext) packets(of []packing.Packets) string {
	var parts []string
	for _, x := range of {
		parts = append(parts, strconv.Itoa(x.Count)+" × "+p.number(x.CM3, 0)+" cm³")
	}
	return strings.Join(parts, " + ")
}

// threeFigures rounds what a scale of a kitchen can tell.
func threeFigures(v float64) float64 {
	v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'g', 3, 64), 64)
	return v
}

// figure is a number as a form sends it.
func figure(v float64) string { return strconv.FormatFloat(threeFigures(v), 'f', -1, 64) }
