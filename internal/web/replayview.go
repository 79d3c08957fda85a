package web

import (
	"net/http"
	"slices"
	"strconv"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/replay"
)

// replayView is the page of replays: the form, and one that is under way or
// over.
type replayView struct {
	Form     replayForm
	Rooms    []choice
	Unit     string // of warmth
	Problem  string
	ID       string // of the replay shown
	Waiting  bool
	Progress string
	Share    string
	Words    []string
	Heads    []string // of the columns of numbers
	Rows     []replayRow
	Runs     []replaySpells
	Earlier  []link
}

// replayRow compares one count.
type replayRow struct {
	Name  string
	Cells []replayCell
}

type replayCell struct{ Head, Text string }

// replaySpells are the alarms of one run.
type replaySpells struct {
	Title, More string
	Rows        []spellRow
}

type spellRow struct{ Title, Key, From, To, Peak string }

// replayedSpells bounds the alarms listed of one run.
const replayedSpells = 100

func (d *replays) getForm(w http.ResponseWriter, r *http.Request) {
	d.show(w, r, http.StatusOK, replayView{Form: replayForm{US: d.s.words(r).us}})
}

// show writes the page.
func (d *replays) show(w http.ResponseWriter, r *http.Request, status int, v replayView) {
	p := d.s.words(r)
	v.Rooms, v.Unit = chosenOf(p.t("every room"), v.Form.Room, roomChoices(d.s.Snapshot())), "°C"
	if v.Form.US {
		v.Unit = "°F"
	}
	d.mu.Lock()
	for _, job := range slices.Backward(d.jobs) {
		if job.ID != v.ID {
			v.Earlier = append(v.Earlier, link{Text: p.date(job.at, "2 Jan 2006 15:04 MST"), URL: "/alarms/replay/" + job.ID})
		}
	}
	d.mu.Unlock()
	d.s.writePage(w, r, status, page{
		Name: "replay page", Head: p.t("The alarms of the past, played again"), Here: "/alarms", Reload: v.Waiting, Scripts: []string{"review.js"},
	}, v)
}

func (d *replays) getJob(w http.ResponseWriter, r *http.Request) {
	job := d.find(w, r)
	if job == nil {
		return
	}
	p, x := d.s.words(r), job.state()
	v := replayView{Form: job.Form, ID: job.ID, Problem: x.problem, Waiting: !x.over()}
	status := http.StatusOK
	switch {
	case v.Waiting:
		v.Progress, v.Share = job.words(p, x), strconv.FormatFloat(job.share(x), 'f', 3, 64)
	case x.answer != nil:
		p.replayed(&v, *x.answer)
	case x.problem == stopped:
		v.Problem = p.t("It was stopped before its end.")
	default:
		status = x.status
	}
	d.show(w, r, status, v)
}

// replayed fills in what came out.
func (p *pageContext) replayed(v *replayView, a ReplayAnswer) {
	if len(a.Runs) == 0 {
		return
	}
	first := a.Runs[0]
	v.Words = []string{p.t("From %s to %s, played again from %s readings. Nothing was changed by it, and nobody was told.",
		p.dayOf(first.From), p.dayOf(first.To), p.grouped(uint64(max(0, first.Readings))))}
	v.Heads = []string{p.t("As it is")}
	if len(a.Runs) > 1 {
		v.Heads = append(v.Heads, p.t("With the limits to try"), p.t("Difference"))
		v.Words = append(v.Words, p.t("Alarms raised: %s as it is, %s with the limits to try.", strconv.Itoa(first.Raised), strconv.Itoa(a.Runs[1].Raised)))
	}
	v.Rows = p.replayRows(v.Heads, a.Runs)
	for i, run := range a.Runs {
		x := replaySpells{Title: p.t("The alarms as it is")}
		if i > 0 {
			x.Title = p.t("The alarms with the limits to try")
		}
		for _, s := range run.Spells[:min(len(run.Spells), replayedSpells)] {
			x.Rows = append(x.Rows, p.spellRow(s))
		}
		if more := len(run.Spells) - replayedSpells; more > 0 {
			x.More = p.tn("%d alarm more is only among the data for programs.", "%d alarms more are only among the data for programs.", more)
		}
		v.Runs = append(v.Runs, x)
	}
}

func (p *pageContext) spellRow(s replay.Spell) spellRow {
	row := spellRow{Title: s.Alarm, Key: s.Alarm, From: p.date(s.From, "2 Jan 2006 15:04 MST"), To: p.t("stood at the end")}
	if !s.To.IsZero() {
		row.To = p.date(s.To, "2 Jan 2006 15:04 MST")
	}
	if k, err := alarm.ParseKey(s.Alarm); err == nil {
		row.Title, row.Peak = p.alarmTitle(k), p.alarmAmount(k.Kind, s.Peak)
	}
	return row
}

// replayRows compare the counts of runs.
func (p *pageContext) replayRows(heads []string, runs []ReplayRun) (out []replayRow) {
	count := func(name string, decimals int, of func(s *replay.Summary) float64) {
		row := replayRow{Name: name}
		var values []float64
		for i := range runs {
			v := of(&runs[i].Summary)
			values = append(values, v)
			row.Cells = append(row.Cells, replayCell{heads[i], p.number(v, decimals)})
		}
		if len(values) > 1 {
			d := values[1] - values[0]
			text := p.number(d, decimals)
			if d > 0 {
				text = "+" + text
			}
			row.Cells = append(row.Cells, replayCell{heads[len(heads)-1], text})
		}
		out = append(out, row)
	}
	count(p.t("Alarms raised"), 0, func(s *replay.Summary) float64 { return float64(s.Raised) })
	count(p.t("Alarms raised a day"), 2, func(s *replay.Summary) float64 { return s.PerDay })
	count(p.t("Raised on the busiest day"), 0, func(s *replay.Summary) float64 { return float64(s.Busiest.Count) })
	for _, name := range replayedPeople(runs) {
		of := func(s *replay.Summary) replay.Person {
			if i := slices.IndexFunc(s.People, func(x replay.Person) bool { return x.Name == name }); i >= 0 {
				return s.People[i]
			}
			return replay.Person{}
		}
		count(p.t("Notices to %s", name), 0, func(s *replay.Summary) float64 { return float64(of(s).Messages) })
		count(p.t("Of them reminders"), 0, func(s *replay.Summary) float64 { return float64(of(s).Reminders) })
		count(p.t("Notices to %s a week", name), 1, func(s *replay.Summary) float64 { return of(s).PerWeek })
	}
	for _, l := range replayedLines(runs) {
		of := func(s *replay.Summary) replay.Line {
			if i := slices.IndexFunc(s.Alarms, func(x replay.Line) bool { return x.Kind == l.Kind && x.Room == l.Room }); i >= 0 {
				return s.Alarms[i]
			}
			return replay.Line{}
		}
		name := p.kindWord(l.Kind)
		if l.Room != "" {
			name = p.alarmTitle(alarm.Key{Kind: l.Kind, Room: l.Room})
		}
		count(p.t("%s: times", name), 0, func(s *replay.Summary) float64 { return float64(of(s).Raised) })
		count(p.t("%s: hours", name), 1, func(s *replay.Summary) float64 { return of(s).Seconds / time.Hour.Seconds() })
	}
	return out
}

func replayedPeople(runs []ReplayRun) (out []string) {
	for _, r := range runs {
		for _, x := range r.People {
			if !slices.Contains(out, x.Name) {
				out = append(out, x.Name)
			}
		}
	}
	return out
}

func replayedLines(runs []ReplayRun) (out []replay.Line) {
	for _, r := range runs {
		for _, l := range r.Alarms {
			if !slices.ContainsFunc(out, func(x replay.Line) bool { return x.Kind == l.Kind && x.Room == l.Room }) {
				out = append(out, l)
			}
		}
	}
	return out
}
