package web

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// replays are those that pages have begun. A replay takes long, and goes on
// when its page is closed, until it is stopped or the daemon ends; what came
// out is kept until as many others were begun.
type replays struct {
	s     *server
	mu    sync.Mutex
	begun int
	jobs  []*replayJob // the newest last
}

// stopped is why one that was stopped has no answer.
const stopped = "stopped"

// keptReplays bounds them.
const keptReplays = 8

// replayJob is one replay.
type replayJob struct {
	ID    string
	Form  replayForm
	order ReplayOrder
	at    time.Time // when it was begun
	stop  context.CancelFunc

	mu    sync.Mutex
	soFar replayState
}

// replayState is how far a replay is.
type replayState struct {
	now     Replaying
	told    bool
	answer  *ReplayAnswer
	problem string
	status  int
	changed chan struct{} // closed when any of it changes
}

func (s *server) routeReplays(mux *http.ServeMux) {
	d := &replays{s: s}
	route(mux, "/alarms/replay", methods{http.MethodGet: d.getForm, http.MethodPost: d.postForm})
	route(mux, "/alarms/replay/{id}", methods{http.MethodGet: d.getJob})
	route(mux, "/alarms/replay/{id}/progress", methods{http.MethodGet: d.getProgress})
	route(mux, "/alarms/replay/{id}/stop", methods{http.MethodPost: d.postStop})
}

// begin starts a replay, which outlives the request that asks for it.
func (d *replays) begin(r *http.Request, form replayForm, o ReplayOrder) *replayJob {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.begun++
	job := &replayJob{ID: strconv.Itoa(d.begun), Form: form, order: o, at: d.s.Now(), soFar: replayState{changed: make(chan struct{})}}
	d.jobs = append(d.jobs, job)
	if len(d.jobs) > keptReplays {
		d.jobs[0].stop()
		d.jobs = slices.Delete(d.jobs, 0, 1)
	}
	ctx, stop := context.WithCancel(context.WithoutCancel(r.Context()))
	job.stop = stop
	go func() {
		defer stop()
		answer, err := d.s.Actions.ReplayAlarms(ctx, o, func(now Replaying) { job.change(func(x *replayState) { x.now, x.told = now, true }) })
		job.change(func(x *replayState) {
			switch {
			case err == nil:
				x.answer, x.status = &answer, http.StatusOK
			case ctx.Err() != nil:
				x.problem, x.status = stopped, http.StatusOK
			default:
				x.status, x.problem = d.s.failure(r, "replay the alarms", err)
			}
		})
	}()
	return job
}

// change changes what is told of a replay.
func (j *replayJob) change(how func(*replayState)) {
	j.mu.Lock()
	defer j.mu.Unlock()
	how(&j.soFar)
	close(j.soFar.changed)
	j.soFar.changed = make(chan struct{})
}

func (x replayState) over() bool { return x.answer != nil || x.problem != "" }

func (j *replayJob) state() replayState {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.soFar
}

// share is how much of it is done, by a guess: half a run is for what came
// before.
func (j *replayJob) share(x replayState) float64 {
	if !x.told {
		return 0
	}
	from, to := j.order.From, j.order.To
	if to.IsZero() || to.After(j.at) {
		to = j.at
	}
	if from.IsZero() {
		from = to.AddDate(0, 0, -30)
	}
	run := 0.25
	if !x.now.Folding {
		run = 0.5 + 0.5*min(1, max(0, x.now.Day.Sub(from).Hours()/max(1, to.Sub(from).Hours())))
	}
	switch {
	case j.order.Limits == "":
		return run
	case x.now.Limits == j.order.File:
		return 0.5 + run/2
	}
	return run / 2
}

// words say how far it is.
func (j *replayJob) words(p *pageContext, x replayState) string {
	day := p.dayOf(x.now.Day)
	switch other := x.now.Limits == j.order.File && j.order.Limits != ""; {
	case x.over():
		return p.t("It is done.")
	case !x.told:
		return p.t("It begins …")
	case other && x.now.Folding:
		return p.t("With the limits to try: what came before, %s", day)
	case other:
		return p.t("With the limits to try: %s", day)
	case x.now.Folding:
		return p.t("With the limits as they are: what came before, %s", day)
	}
	return p.t("With the limits as they are: %s", day)
}

// find is the replay of a request, or answers that there is none.
func (d *replays) find(w http.ResponseWriter, r *http.Request) *replayJob {
	d.mu.Lock()
	i := slices.IndexFunc(d.jobs, func(j *replayJob) bool { return j.ID == r.PathValue("id") })
	var job *replayJob
	if i >= 0 {
		job = d.jobs[i]
	}
	d.mu.Unlock()
	if job == nil {
		p := d.s.words(r)
		d.s.writeFailed(w, r, http.StatusNotFound, p.t("No such replay"), p.t("There is no replay %s any more: play it again.", r.PathValue("id")))
	}
	return job
}

// postForm begins a replay and leads to its page.
func (d *replays) postForm(w http.ResponseWriter, r *http.Request) {
	values, no := readForm(w, r)
	form := replayFormOf(values)
	var o ReplayOrder
	if no == nil {
		o.From, o.To, no = d.s.daysOf(form.From, form.To)
	}
	if no == nil {
		o.Limits, no = form.limits()
	}
	if no != nil {
		d.show(w, r, no.status, replayView{Form: form, Problem: no.detail})
		return
	}
	if o.Limits != "" {
		o.File = triedLimits
	}
	http.Redirect(w, r, "/alarms/replay/"+d.begin(r, form, o).ID, http.StatusSeeOther)
}

func (d *replays) postStop(w http.ResponseWriter, r *http.Request) {
	if job := d.find(w, r); job != nil {
		job.stop()
		http.Redirect(w, r, "/alarms/replay/"+job.ID, http.StatusSeeOther)
	}
}

// progressLine is one line of the stream that a page follows.
type progressLine struct {
	Text  string  `json:"text"`
	Share float64 `json:"share"` // 0 to 1
}

// getProgress tells how far a replay is whenever that changes, and ends with it.
func (d *replays) getProgress(w http.ResponseWriter, r *http.Request) {
	job := d.find(w, r)
	if job == nil {
		return
	}
	p, out := d.s.words(r), newStream(w)
	for {
		x := job.state()
		line := progressLine{job.words(p, x), job.share(x)}
		if x.over() {
			line.Share = 1
		}
		out.line(line)
		if x.over() {
			return
		}
		select {
		case <-x.changed:
		case <-r.Context().Done():
			return
		}
	}
}

// triedLimits names the limits of the form in messages.
const triedLimits = "limits to try"

// replayForm is the form as it was filled in: either some limits, or the text
// of any.
type replayForm struct {
	From, To           string
	Room               string
	Warm, Damp, Bright string
	US                 bool
	YAML               string
}

func replayFormOf(form url.Values) replayForm {
	get := func(name string) string { return strings.TrimSpace(form.Get(name)) }
	number := func(name string) string { return strings.Replace(get(name), ",", ".", 1) }
	return replayForm{get("from"), get("to"), get("room"), number("warm"), number("damp"), number("bright"), get("units") == "us", get("limits")}
}

// limits are those to try as the text that settings.ParseTrial reads; empty
// where none are told. JSON is YAML, so that no name of a room can break out.
func (f replayForm) limits() (string, *refusal) {
	limits := map[string]string{}
	for name, x := range map[string][2]string{"warm": {f.Warm, map[bool]string{false: " C", true: " F"}[f.US]}, "damp": {f.Damp, " %"}, "bright": {f.Bright, " lx"}} {
		if x[0] == "" {
			continue
		}
		if !plainNumber(x[0]) {
			return "", &refusal{http.StatusUnprocessableEntity, name + ": " + strconv.Quote(x[0]) + " is no number: write it without a unit"}
		}
		limits[name] = x[0] + x[1]
	}
	switch {
	case f.YAML != "" && len(limits) > 0:
		return "", &refusal{http.StatusUnprocessableEntity, "give some limits or the text of any, not both"}
	case f.YAML != "" || len(limits) == 0:
		return f.YAML, nil
	}
	type inRoom struct {
		Name   string            `json:"name"`
		Limits map[string]string `json:"limits"`
	}
	var all any = map[string]any{"limits": limits}
	if f.Room != "" {
		all = map[string]any{"rooms": []inRoom{{f.Room, limits}}}
	}
	text, err := json.Marshal(all)
	if err != nil {
		return "", &refusal{http.StatusUnprocessableEntity, err.Error()}
	}
	return string(text), nil
}
