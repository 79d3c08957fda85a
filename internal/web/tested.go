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
func (s *server) tested(r *http.Request, id string) *testedView {
	snap := s.Snapshot()
	if snap == nil {
		return nil
	}
	i := slices.IndexFunc(snap.Lots, func(l engine.LotView) bool { return l.ID == id })
	if i < 0 || len(snap.Lots[i].Tests) == 0 && snap.Lots[i].Tested == nil {
		return nil
	}
	l := snap.Lots[i]
	v := &testedView{User: userOf(r), Words: "No test counts.", Rows: testedRows(l, s.Zone)}
	if t := l.Tested; t != nil {
		v.Words = plural(t.Own, "test", "tests") + " of this lot and " + plural(t.Class, "test", "tests") + " of other lots of this food count. What they leave stands on " +
			strconv.FormatFloat(t.Effective, 'f', 0, 64) + " of " + strconv.Itoa(t.Draws) + " sets of constants."
		if t.Power < 1 {
			v.Words += " They contradict the model, or each other, so that they count for less than they claim."
		}
	}
	for _, t := range slices.Backward(l.Tests) {
		n := strconv.Itoa(t.Number)
		row := testRow{Number: n, When: t.At.In(s.Zone).Format("2 Jan 2006"), By: t.By, Result: t.Result.String(), Note: t.Note}
		if !t.Revoked {
			row.Revoke = "/lots/" + url.PathEscape(l.ID) + "/tests/" + n + "/revoke"
		}
		v.Tests = append(v.Tests, row)
	}
	return v
}

func testedRows(l engine.LotView, zone *time.Location) []testedRow {
	t := l.Tested
	if t == nil {
		return nil
	}
	estimate := func(e engine.Estimate) string { return percent().text(e.Likely) + ", " + percentBand(e) }
	rows := []testedRow{{"Quality left", estimate(t.Remaining), estimate(l.Remaining)}}
	if t.Viable != nil && l.Viable != nil {
		rows = append(rows, testedRow{"Seed that sprouts", estimate(*t.Viable), estimate(*l.Viable)})
	}
	end := func(l engine.LotView) string {
		likely, band := AtPlan(l, zone, "Jan 2006")
		if band != "" {
			likely += ", " + band
		}
		return likely
	}
	if !l.Finished() {
		before := l
		before.PlanEarly, before.EndAtPlan, before.PlanLate = t.EndEarly, t.EndAtPlan, t.EndLate
		rows = append(rows, testedRow{"End at plan storage", end(before), end(l)})
	}
	return rows
}

// postRevokeForm takes back a test from the page of the lot, and shows the page
// again.
func (s *server) postRevokeForm(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	no := s.revoked(w, r, id)
	if no == nil {
		http.Redirect(w, r, "/lots/"+url.PathEscape(id)+"#tests", http.StatusSeeOther)
		return
	}
	s.writeFailed(w, r, no.status, "The test is not taken back", no.detail)
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
