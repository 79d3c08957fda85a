package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/lot"
)

// newLotView is the page on which a lot is entered. Its fields can be filled in
// by the query, under their names: food, container, count, mass (kg), packed, room,
// moisture, treatment, absorber, moisture_activated, cycles, shading,
// leak_test, per_carton, price, note, override.
type newLotView struct {
	Problem                     string
	Cautions                    []string
	Q                           url.Values // as typed
	Treatments, Shadings, Leaks []choice
	Foods, Containers, Rooms    []string
	MassLike, User              string
}

func (s *server) newLotView(r *http.Request, p *pageContext, q url.Values) newLotView {
	if q.Get("treatment") == "" && q.Get("absorber") != "" {
		q = cloned(q)
		q.Set("treatment", string(lot.Absorber))
	}
	pick := func(name string, words ...string) []choice {
		var out []choice
		for i := 0; i < len(words); i += 2 {
			out = append(out, choice{words[i], words[i+1], words[i] == q.Get(name)})
		}
		return out
	}
	v := newLotView{
		Q: q, User: userOf(r), MassLike: p.mass(1.6), Containers: s.Actions.Containers(), Rooms: s.roomNames(),
		Treatments: pick("treatment", string(lot.NoTreatment), p.t("none"), string(lot.Absorber), p.t("oxygen absorber"), string(lot.FreezeThaw), p.t("frozen and thawed")),
		Shadings:   pick("shading", string(lot.OpenShelf), p.t("open shelf"), string(lot.Boxed), p.t("boxed"), string(lot.DarkRoom), p.t("dark room")),
		Leaks:      pick("leak_test", "", p.t("not tested"), string(lot.LeakHeld), p.t("held"), string(lot.LeakFound), p.t("leaked")),
	}
	for _, f := range s.Actions.Foods() {
		v.Foods = append(v.Foods, f.ID)
	}
	return v
}

func cloned(q url.Values) url.Values {
	out := url.Values{}
	for k, v := range q {
		out[k] = slices.Clone(v)
	}
	return out
}

func (s *server) getNewLotPage(w http.ResponseWriter, r *http.Request) {
	p := s.words(r)
	q := r.URL.Query()
	if q.Get("packed") == "" {
		q.Set("packed", p.now.In(p.zone).Format(time.DateOnly))
	}
	if mass := strings.TrimSpace(q.Get("mass")); mass != "" {
		if _, bare := p.numberTyped(mass); bare {
			q.Set("mass", mass+" kg") // links are in SI, whatever the page is in
		}
	}
	s.writeNewLot(w, r, http.StatusOK, s.newLotView(r, p, q))
}

func (s *server) writeNewLot(w http.ResponseWriter, r *http.Request, status int, v newLotView) {
	p := s.words(r)
	s.writePage(w, r, status, page{Name: "new lot", Head: p.t("Enter a lot"), Here: "/lots", Caution: true}, v)
}

// postNewLotForm enters a lot. What is refused, or wants a caution read first,
// is shown in the form as it was filled in.
func (s *server) postNewLotForm(w http.ResponseWriter, r *http.Request) {
	p := s.words(r)
	form, no := readForm(w, r)
	if no != nil {
		s.writeBack(w, r, no, p.t("Nothing was entered"), "/lots/new")
		return
	}
	v := s.newLotView(r, p, form)
	refuse := func(status int, text string) {
		v.Problem = text
		s.writeNewLot(w, r, status, v)
	}
	packing, err := p.packingTyped(form)
	if err != nil {
		refuse(http.StatusUnprocessableEntity, err.Error())
		return
	}
	by := signed(r, strings.TrimSpace(form.Get("by")))
	if no := personal(by, packing.Note); no != nil {
		refuse(no.status, no.detail)
		return
	}
	seen, err := s.Actions.ImportLots(r.Context(), ImportLots{Lots: []lot.Packing{packing}, DryRun: true, By: by})
	switch {
	case err != nil:
		refuse(s.failure(r, "look the lot over", err))
		return
	case len(seen.Problems) > 0:
		refuse(http.StatusUnprocessableEntity, seen.Problems[0].Text)
		return
	case len(seen.Cautions) > 0 && form.Get("sure") != "yes":
		for _, c := range seen.Cautions {
			v.Cautions = append(v.Cautions, c.Text)
		}
		s.writeNewLot(w, r, http.StatusOK, v)
		return
	}
	added, err := s.Actions.AddLot(r.Context(), packing, by)
	if err != nil {
		refuse(s.failure(r, "add the lot", err))
		return
	}
	http.Redirect(w, r, "/lots/"+url.PathEscape(added.ID)+"?did=new", http.StatusSeeOther)
}

// packingTyped reads the form of a lot. Whether it goes together is for who
// enters it to say.
func (p *pageContext) packingTyped(form url.Values) (out lot.Packing, err error) {
	get := func(name string) string { return strings.TrimSpace(form.Get(name)) }
	fail := func(text string) {
		if err == nil {
			err = fmt.Errorf("%s", text)
		}
	}
	number := func(name, label, like string) float64 {
		if get(name) == "" {
			return 0
		}
		v, ok := p.numberTyped(strings.TrimSuffix(strings.TrimSuffix(get(name), "%"), "cm³"))
		if !ok || v < 0 {
			fail(p.t("%s: %s is no number of 0 or more: write %s", label, strconv.Quote(get(name)), like))
		}
		return v
	}
	whole := func(name, label string) int {
		v := number(name, label, "12")
		if v != float64(int(min(v, 1e9))) {
			fail(p.t("%s: %s is no whole number: write 12", label, strconv.Quote(get(name))))
			return 0
		}
		return int(v)
	}
	out = lot.Packing{
		Food: get("food"), Container: get("container"), Room: get("room"), Note: get("note"), Override: get("override"),
		Shading: lot.Shading(get("shading")), LeakTest: lot.LeakTest(get("leak_test")), Treatment: lot.Treatment{Kind: lot.TreatmentKind(get("treatment"))},
	}
	out.Count, out.PerCarton = whole("count", p.t("How many")), whole("per_carton", p.t("In each closed carton"))
	if kg, ok := p.massTyped(get("mass")); ok {
		out.NetMassKG = kg
	} else {
		fail(p.t("%s: %s is no mass: write %s", p.t("Net mass in each"), strconv.Quote(get("mass")), p.mass(1.6)))
	}
	out.MoistureWB = number("moisture", p.t("Moisture"), p.number(9.5, 1)) / 100
	out.PricePerKG = number("price", p.t("Price of a kilogram"), p.number(2.4, 2))
	if out.Shading == "" {
		out.Shading = lot.OpenShelf
	}
	capacity, cycles := number("absorber", p.t("Absorber in each, cm³"), "300"), whole("cycles", p.t("Cold spells of a freezing"))
	switch t := &out.Treatment; t.Kind {
	case lot.Absorber:
		t.CapacityCM3, t.MoistureActivated = capacity, get("moisture_activated") != ""
	case lot.FreezeThaw:
		t.Cycles = cycles
	case "":
		t.Kind = lot.NoTreatment
	}
	if out.Treatment.Kind != lot.Absorber && capacity > 0 {
		fail(p.t("An absorber of %s cm³ is named, but the treatment is not the absorber: choose it, or leave the absorber empty", get("absorber")))
	}
	out.PackedAt, err = p.dayTyped(get("packed"), err)
	return out, err
}

// dayTyped is the noon of a day in the zone of the site, or now where that is
// still to come today; now where nothing is typed.
func (p *pageContext) dayTyped(text string, before error) (time.Time, error) {
	if text == "" || before != nil {
		return p.now.UTC(), before
	}
	day, err := time.ParseInLocation(time.DateOnly, text, p.zone)
	if err != nil {
		return time.Time{}, fmt.Errorf("%s", p.t("Packed on: %s is no date: write 2026-03-14", strconv.Quote(text)))
	}
	at := time.Date(day.Year(), day.Month(), day.Day(), 12, 0, 0, 0, p.zone)
	if today := p.now.In(p.zone); at.After(today) && at.Format(time.DateOnly) == today.Format(time.DateOnly) {
		at = today
	}
	return at.UTC(), nil
}
