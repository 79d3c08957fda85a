package web

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"dryhold/internal/barrier"
	"dryhold/internal/engine"
	"dryhold/internal/lot"
)

// useForm is one act on the page of a lot, with the fields that go with it.
type useForm struct {
	Act, Title, Button      string
	Count, Mass, Room, Seal bool
	Price                   bool
	Note                    string // what is asked for; empty for none
	Must                    bool   // the note is wanted
	Hint                    string
}

// useForms are the acts that a lot can be told of.
func (p *pageContext) useForms(l engine.LotView) []useForm {
	out := []useForm{{Act: "note", Title: p.t("Note what was seen, or the seal"), Button: p.t("Keep the note"), Seal: true, Note: p.t("What was seen?")}}
	price := useForm{Act: "price", Title: p.t("What it was bought for"), Button: p.t("Keep the price"), Price: true}
	undo := useForm{Act: "undo", Title: p.t("Take back the last change"), Button: p.t("Take it back"), Note: p.t("Why?"), Hint: p.t("You are asked once more, and shown what it was.")}
	if l.Finished() {
		return append(out, price, undo)
	}
	out = append([]useForm{
		{Act: "eat", Title: p.t("Eaten"), Button: p.t("Take it out"), Count: true, Mass: true, Note: p.t("A word on it")},
		{Act: "open", Title: p.t("Opened"), Button: p.t("It is open"), Count: true, Note: p.t("A word on it"),
			Hint: p.t("Of many containers those that are opened become a lot of their own, since the others stay closed.")},
		{Act: "move", Title: p.t("Moved to another room"), Button: p.t("Move all of it"), Room: true, Hint: p.t("All of the lot goes. To move some of it, split it.")},
		{Act: "split", Title: p.t("Split off as a lot of its own"), Button: p.t("Split it"), Count: true, Room: true, Note: p.t("A word on it"), Hint: p.t("Without a room it stays where it is.")},
		{Act: "discard", Title: p.t("Thrown out"), Button: p.t("Throw it out"), Count: true, Mass: true, Note: p.t("Why?"), Must: true,
			Hint: p.t("A lot that spoiled is thrown out unopened, and nobody tastes it.")},
	}, out...)
	if l.Packing.Treatment.Kind != lot.NoTreatment && l.Treated == nil {
		out = append(out, useForm{Act: "treat", Title: p.t("The treatment is complete"), Button: p.t("It is complete"), Note: p.t("How is it known?"), Hint: p.t("What the model knows of it is kept with it as evidence.")})
	}
	return append(out,
		useForm{Act: "recount", Title: p.t("Counted anew"), Button: p.t("Keep the count"), Count: true, Note: p.t("Why is it another?"), Must: true},
		price,
		useForm{Act: "finish", Title: p.t("Gone: given away, or all of it used"), Button: p.t("It is gone"), Note: p.t("A word on it"), Hint: p.t("You are asked once more.")},
		undo)
}

// done says what a form has done, above the page it came back to; nil where no
// form did.
func (p *pageContext) done(r *http.Request) *doneView {
	words := map[string]string{
		"new": p.t("Done: the lot is entered."), "eat": p.t("Done: what was eaten is taken out."), "open": p.t("Done: this lot is open from now on."),
		"discard": p.t("Done: what was thrown out is taken out."), "split": p.t("Done: this lot was split off."), "move": p.t("Done: it is moved."),
		"recount": p.t("Done: the new count is kept."), "treat": p.t("Done: the treatment is kept as complete."), "undo": p.t("Done: the last change is taken back."),
		"note": p.t("Done: the note is kept."), "price": p.t("Done: the price is kept."), "finish": p.t("Done: the lot is finished."),
		"gone": p.t("Done: the lot is taken back and counts as never there."), "test": p.t("Done: the test is taken back."),
		"imported": p.t("Done: the lots are entered, and shown below."), "unimported": p.t("Done: the import is taken back."),
	}
	if text := words[r.URL.Query().Get("did")]; text != "" {
		return &doneView{text}
	}
	return nil
}

// lotUse is what was sent from the page of a lot.
type lotUse struct {
	act  string
	sure bool
	seal *barrier.Seal
	UseLot
}

// sureView asks once more before something is lost.
type sureView struct {
	Question, What, Action, Button, Back string
	Hidden                               []factView
}

// postUseForm takes what was done from the page of a lot, and shows the page of
// the lot it made of it.
func (s *server) postUseForm(w http.ResponseWriter, r *http.Request) {
	id, p := r.PathValue("id"), s.words(r)
	back := "/lots/" + url.PathEscape(id)
	fail := func(no *refusal) { s.writeBack(w, r, no, p.t("Nothing was changed"), back+"#use") }
	form, no := readForm(w, r)
	if no != nil {
		fail(no)
		return
	}
	use, no := p.use(r, form)
	if no != nil {
		fail(no)
		return
	}
	if ask := s.sure(r, p, id, use, form); ask != nil {
		s.writePage(w, r, http.StatusOK, page{Name: "are you sure", Head: ask.Question, ID: id, Here: "/lots", Narrow: true}, ask)
		return
	}
	to, err := s.use(r.Context(), id, use)
	if err != nil {
		status, detail := s.failure(r, "change the lot", err)
		fail(&refusal{status, detail})
		return
	}
	if to == "" { // it counts as never there
		http.Redirect(w, r, "/lots?did=gone", http.StatusSeeOther)
		return
	}
	http.Redirect(w, r, "/lots/"+url.PathEscape(to)+"?did="+use.act, http.StatusSeeOther)
}

// writeBack is a page that says why nothing was done, and leads back.
func (s *server) writeBack(w http.ResponseWriter, r *http.Request, no *refusal, head, back string) {
	s.writePage(w, r, no.status, page{Name: "failed", Head: head, Here: "/lots", Narrow: true}, struct{ Problem, Back string }{no.detail, back})
}

// use does one act, and names the lot to show then; "" for one that counts as
// never there.
func (s *server) use(ctx context.Context, id string, u lotUse) (to string, err error) {
	at := s.orNow(u.At)
	switch u.act {
	case "move":
		return id, s.Actions.MoveLot(ctx, id, u.Room, at, u.By)
	case "note":
		return id, s.Actions.NoteLot(ctx, id, u.seal, u.Note, at, u.By)
	case "finish":
		return id, s.Actions.FinishLot(ctx, id, at, u.Note, u.By)
	}
	l, err := s.Actions.UseLot(ctx, u.change(uses()[u.act], id, at))
	if err != nil || l.Withdrawn {
		return "", err
	}
	return l.ID, nil
}

// use reads a form of the page of a lot.
func (p *pageContext) use(r *http.Request, form url.Values) (lotUse, *refusal) {
	get := func(name string) string { return strings.TrimSpace(form.Get(name)) }
	wrong := func(text string) (lotUse, *refusal) {
		return lotUse{}, &refusal{http.StatusUnprocessableEntity, text}
	}
	u := lotUse{act: get("act"), sure: get("sure") == "yes", UseLot: UseLot{Room: get("room"), Note: get("note"), By: signed(r, get("by"))}}
	if _, known := uses()[u.act]; !known && u.act != "move" && u.act != "note" && u.act != "finish" {
		return wrong(p.t("act: say what was done"))
	}
	if no := personal(u.By, u.Note); no != nil {
		return lotUse{}, no
	}
	if text := get("count"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			return wrong(p.t("containers: %s is no whole number: write 2", strconv.Quote(text)))
		}
		u.Count = n
	}
	if text := get("kg"); text != "" {
		kg, ok := p.massTyped(text)
		if !ok {
			return wrong(p.t("mass: %s is no mass: write %s", strconv.Quote(text), p.mass(0.5)))
		}
		u.KG = kg
	}
	if text := get("price"); text != "" {
		v, ok := p.numberTyped(text)
		if !ok {
			return wrong(p.t("price: %s is no number: write %s", strconv.Quote(text), p.number(2.4, 2)))
		}
		u.PricePerKG = v
	}
	if text := get("seal"); text != "" {
		seal, err := barrier.ParseSeal(text)
		if err != nil {
			return wrong(err.Error())
		}
		u.seal = &seal
	}
	return u, nil
}

// numberTyped is a number as people write it in the language of the page.
func (p *pageContext) numberTyped(text string) (float64, bool) {
	v, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
	return v, err == nil && v-v == 0 && len(text) <= 32 && !strings.ContainsAny(text, "xXpP_")
}

// massTyped is a mass in kilograms, grams or pounds; without a unit in that of
// the page.
func (p *pageContext) massTyped(text string) (kg float64, ok bool) {
	text = strings.TrimSpace(text)
	factor := 1.0
	if p.us {
		factor = poundKG
	}
	for _, u := range []struct {
		name string
		kg   float64
	}{{"kg", 1}, {"lb", poundKG}, {"oz", ounceKG}, {"g", 0.001}} {
		if rest, found := strings.CutSuffix(strings.ToLower(text), u.name); found {
			text, factor = rest, u.kg
			break
		}
	}
	v, ok := p.numberTyped(text)
	return v * factor, ok
}

// sure is the question to ask before all of a lot is thrown out or gone, or a
// change is taken back; nil where nothing is lost, or it was asked.
func (s *server) sure(r *http.Request, p *pageContext, id string, u lotUse, form url.Values) *sureView {
	if u.sure {
		return nil
	}
	ask := &sureView{Action: "/lots/" + url.PathEscape(id) + "/use", Back: "/lots/" + url.PathEscape(id) + "#use", What: u.Note}
	l, known := s.lotNow(id)
	switch u.act {
	case "discard":
		if r := l.InStore(); !known || u.Count < r.Count && u.KG < r.KG*(1-1e-3) {
			return nil
		}
		ask.Question, ask.Button = p.t("Throw out all of it?"), p.t("Yes, throw out all of it")
		ask.What = p.t("All that is left of the lot goes: %s.", p.store(l))
	case "finish":
		ask.Question, ask.Button = p.t("Is all of it gone?"), p.t("Yes, it is gone")
		if known {
			ask.What = p.t("All that is left of the lot goes: %s.", p.store(l))
		}
	case "undo":
		ask.Question, ask.Button = p.t("Take back the last change?"), p.t("Yes, take it back")
		if acts, err := s.Actions.History(r.Context(), id); err == nil && len(acts) > 0 {
			last := acts[len(acts)-1]
			ask.What = p.t("It was told on %s by %s: %s.", p.date(last.Told, "2 Jan 2006"), last.By, last.What)
			if len(acts) == 1 {
				ask.What += " " + p.t("Nothing else was done to the lot: it would count as never there.")
			}
		}
	default:
		return nil
	}
	for _, name := range []string{"act", "count", "kg", "room", "note", "by"} {
		if v := form.Get(name); v != "" {
			ask.Hidden = append(ask.Hidden, factView{name, v})
		}
	}
	return ask
}
