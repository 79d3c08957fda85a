package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"dryhold/internal/engine"
)

// testedView is what the keeper's tests have made of a lot, on its page.
type testedView struct {
	Words string
	Rows  []testedRow // none while no test counts
	Tests []testRow   // the newest first
	User  string      // who is logged in, and signs
}

// testedRow is one figure before and after the tests.
type testedRow struct{ Of, Before, After string }

// testRow is one test. Revoke is the path that takes it back; empty for one
// that was.
type testRow struct{ Number, When, By, Result, Note, Revoke string }

// tested is nil for a lot of which the keeper has told nothing and no test of
// another lot speaks.
func (p *pageContext) tested(r *http.Request, l engine.LotView) *testedView {
	if len(l.Tests) == 0 && l.Tested == nil {
		return nil
	}
	v := &testedView{User: userOf(r), Words: p.t("No test counts."), Rows: p.testedRows(l)}
	if t := l.Tested; t != nil {
		v.Words = p.t("Tests that count: %d of this lot, %d of other lots of this food. What they leave stands on %s of %d sets of constants.", t.Own, t.Class, p.number(t.Effective, 0), t.Draws)
		if t.Power < 1 {
			v.Words += " " + p.t("They contradict the model, or each other, so that they count for less than they claim.")
		}
	}
	for _, t := range slices.Backward(l.Tests) {
		n := strconv.Itoa(t.Number)
		row := testRow{Number: n, When: p.date(t.At, "2 Jan 2006"), By: t.By, Result: t.Result.String(), Note: t.Note}
		if !t.Revoked {
			row.Revoke = "/lots/" + url.PathEscape(l.ID) + "/tests/" + n + "/revoke"
		}
		v.Tests = append(v.Tests, row)
	}
	return v
}

func (p *pageContext) testedRows(l engine.LotView) []testedRow {
	t := l.Tested
	if t == nil {
		return nil
	}
	estimate := func(e engine.Estimate) string {
		return p.t("%s, %s", p.percent().text(e.Likely), p.percentBand(e))
	}
	rows := []testedRow{{p.t("Quality left"), estimate(t.Remaining), estimate(l.Remaining)}}
	if t.Viable != nil && l.Viable != nil {
		rows = append(rows, testedRow{p.t("Seed that sprouts"), estimate(*t.Viable), estimate(*l.Viable)})
	}
	end := func(early, end, late time.Time) string {
		likely, band := p.ending(l, early, end, late, "Jan 2006")
		if band != "" {
			likely = p.t("%s, %s", likely, band)
		}
		return likely
	}
	if !l.Finished() {
		rows = append(rows, testedRow{p.t("End at plan storage"), end(t.EndEarly, t.EndAtPlan, t.EndLate), end(l.PlanEarly, l.EndAtPlan, l.PlanLate)})
	}
	return rows
}

// postRevokeForm takes back a test from the page of the lot, and shows the page
// again.
func (s *server) postRevokeForm(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	page := "/lots/" + url.PathEscape(id)
	if no := s.revoked(w, r, id); no != nil {
		s.writeBack(w, r, no, s.words(r).t("The test is not taken back"), page+"#tests")
		return
	}
	http.Redirect(w, r, page+"?did=test", http.StatusSeeOther)
}

func (s *server) revoked(w http.ResponseWriter, r *http.Request, id string) *refusal {
	form, no := readForm(w, r)
	if no != nil {
		return no
	}
	body := RevokeTest{Note: form.Get("note"), By: signed(r, form.Get("by"))}
	if no := personal(body.By, body.Note); no != nil {
		return no
	}
	n, err := strconv.Atoi(r.PathValue("number"))
	if err != nil || n < 1 {
		return &refusal{http.StatusNotFound, "that is no number of a test"}
	}
	if body.Note == "" {
		return &refusal{http.StatusUnprocessableEntity, "note: say why the test is taken back"}
	}
	if err := s.Actions.RevokeTest(r.Context(), id, n, body.Note, body.By); err != nil {
		status, detail := s.failure(r, "take back the test", err)
		return &refusal{status, detail}
	}
	return nil
}
