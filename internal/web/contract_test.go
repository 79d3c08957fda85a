package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/lot"
	"dryhold/internal/secret"
	"dryhold/internal/web/openapitest"
)

// Tokens of the tests, invented.
const (
	adminToken = "dryhold_admin-of-the-tests"
	readToken  = "dryhold_read-of-the-tests"
)

// contract is the real handler with what its document says of it.
type contract struct {
	document *openapitest.Document
	snapshot *engine.Snapshot
	keeper   *contractKeeper
	server   *server
	handler  http.Handler
}

// contractKeeper can be made to wait while it looks for an answer kept.
type contractKeeper struct {
	*keeper
	mu   sync.Mutex
	wait func()
}

func (k *contractKeeper) Answered(context.Context, string) (Answer, bool, error) {
	k.mu.Lock()
	wait := k.wait
	k.mu.Unlock()
	if wait != nil {
		wait()
	}
	return Answer{}, false, nil
}

// What the fake keeper tells before it fails, and what it tells all the same.

func (k *contractKeeper) ReplayAlarms(ctx context.Context, o ReplayOrder, tell func(Replaying)) (ReplayAnswer, error) {
	if k.err != nil {
		return ReplayAnswer{}, k.err
	}
	return k.keeper.ReplayAlarms(ctx, o, tell)
}

func (k *contractKeeper) BacktestRoom(ctx context.Context, room string) (Backtest, error) {
	if k.err != nil {
		return Backtest{}, k.err
	}
	return k.keeper.BacktestRoom(ctx, room)
}

func (k *contractKeeper) ExplainLot(ctx context.Context, id string) (engine.Explanation, error) {
	if k.err != nil {
		return engine.Explanation{}, k.err
	}
	return k.keeper.ExplainLot(ctx, id)
}

func (k *contractKeeper) ProposeTopic(ctx context.Context, topic string, c *TopicChoice) (TopicProposal, error) {
	if k.err != nil {
		return TopicProposal{}, k.err
	}
	return k.keeper.ProposeTopic(ctx, topic, c)
}

func newContract(t testing.TB) *contract {
	t.Helper()
	c := &contract{keeper: &contractKeeper{}}
	c.reset()
	s, mux := assemble(Config{
		Snapshot: func() *engine.Snapshot { return c.snapshot }, Actions: c.keeper, Now: noon, Version: "0.1.0-test",
		Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "text/plain; version=0.0.4")
			_, _ = io.WriteString(w, "dryhold_up 1\n")
		}),
		Access: &Access{Tokens: []secret.Token{
			{Name: "all", Hash: secret.HashToken(adminToken), Scope: secret.Admin}, {Name: "look", Hash: secret.HashToken(readToken), Scope: secret.Read},
		}},
		// Streams end at once.
		Watch: Watching{Ended: closed()},
	})
	c.server, c.handler = s, s.guard(s.admit(s.once(mux, mux)))
	return c
}

// reset makes all well again.
func (c *contract) reset() {
	c.snapshot = larchHouse()
	c.keeper.keeper = &keeper{}
	if c.server != nil {
		c.server.live.streams.Store(0)
	}
}

// described is a contract with its document read.
func described(t testing.TB) *contract {
	t.Helper()
	c := newContract(t)
	d, err := openapitest.Read(c.ask(&request{method: get, path: openAPIPath, token: adminToken}).body)
	if err != nil {
		t.Fatalf("the document is none: %v", err)
	}
	c.document = d
	return c
}

func closed() <-chan struct{} {
	c := make(chan struct{})
	close(c)
	return c
}

// request is what is asked, and reply what came of it.
type (
	request struct {
		method, path, body, token string
		headers                   []string // pairs
	}
	reply struct {
		*http.Response
		body []byte
	}
)

func (a *request) http() *http.Request {
	r := httptest.NewRequest(a.method, "http://127.0.0.1:8090"+a.path, strings.NewReader(a.body))
	if a.method == post {
		r.Header.Set("Content-Type", mediaJSON)
	}
	if a.token != "" {
		r.Header.Set("Authorization", "Bearer "+a.token)
	}
	for i := 0; i+1 < len(a.headers); i += 2 {
		if a.headers[i] == "Host" {
			r.Host = a.headers[i+1]
			continue
		}
		r.Header.Set(a.headers[i], a.headers[i+1])
	}
	return r
}

func (c *contract) ask(a *request) reply {
	w := httptest.NewRecorder()
	c.handler.ServeHTTP(w, a.http())
	res := w.Result()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		panic("BUG: a recorded body cannot be read: " + err.Error())
	}
	return reply{res, body}
}

// faults holds an answer against the document.
func faults(d *openapitest.Document, o *operation, res reply) (out []string) {
	if res.StatusCode >= 400 && res.StatusCode != o.also {
		var p Problem
		if err := json.Unmarshal(res.body, &p); err != nil || p.Status != res.StatusCode || p.Title == "" || p.Detail == "" || p.Type == "" {
			out = append(out, fmt.Sprintf("no problem of RFC 9457: %s", res.body))
		}
	}
	if res.StatusCode == http.StatusNotModified && len(res.body) == 0 {
		return out
	}
	if err := d.Answer(o.method, o.path, res.StatusCode, res.Header.Get("Content-Type"), res.body); err != nil {
		out = append(out, err.Error())
	}
	return out
}

// sample is what an operation is asked with where all is well.
type sample struct {
	path string // with its query; that of the operation when empty
	body string
}

// samples are by the name of the operation. Those asked for by what is in
// store, and without parameters, need none.
func samples() map[string]sample {
	const lotPath, room = "/api/v1/lots/white-rice-1", "/api/v1/sensors/cellar/cellar-1/"
	packing := `{"food":"white-rice","container":"pet-2l","count":12,"net_mass_kg":1.75,"packed_at":"2026-07-01T08:00:00Z","treatment":{"kind":"absorber","capacity_cm3":300},"shading":"box","room":"cellar"`
	out := map[string]sample{
		"listActs": {"/api/v1/audit?since=2026-01-01T00:00:00Z&limit=2", ""}, "refold": {"", `{"by":"mara"}`}, "changeLogLevels": {"", `{"levels":"intake=debug","for_seconds":600,"by":"mara"}`},
		"listNotices": {"/api/v1/notices?undelivered=false&limit=2", ""}, "testNotice": {"", `{"channel":"mail","by":"mara"}`}, "acknowledgeDrill": {"", `{"to":"mara","by":"mara"}`},
		"listLots": {"/api/v1/lots?limit=2", ""}, "addLot": {"", packing + `,"by":"mara"}`},
		"getLot": {lotPath, ""}, "explainLot": {"/api/v1/lots/L-1/explanation", ""}, "followLot": {lotPath + "/course", ""}, "listLotHistory": {lotPath + "/history", ""},
		"moveLot": {lotPath + "/move", `{"room":"loft","at":"2026-07-14T08:00:00+02:00"}`}, "finishLot": {lotPath + "/finish", `{"note":"eaten","by":"mara"}`},
		"noteLot": {lotPath + "/note", `{"seal":"verified","note":"holds"}`}, "testLot": {lotPath + "/test", `{"taste":7,"off_smell":false}`},
		"revokeLotTest": {lotPath + "/tests/1/revoke", `{"note":"the wrong bottle"}`},
		"importLots":    {"", `{"lots":[` + packing + `}],"by":"mara"}`}, "undoImport": {"/api/v1/imports/lots/1/undo", `{"by":"mara"}`},
		"getLabels": {"/api/v1/labels?lots=white-rice-1&sheet=3x8&paper=a4&skip=2", ""}, "advisePacking": {"", `{"food":"white-rice"}`},
		"keepRound":  {"/api/v1/rounds/cellar", `{"answers":[{"question":"mould","answer":"no"}]}`},
		"listAlarms": {"/api/v1/alarms?all=true", ""}, "listAlarmEvents": {"/api/v1/alarms/history?from=2026-07-01T00:00:00Z&alarm=warm/loft&limit=2", ""},
		"replayAlarms": {"", `{"from":"2026-07-01","to":"2026-07-14"}`}, "streamEvents": {"/api/v1/events?topics=state,alarm&room=loft", ""},
		"compareRooms": {"/api/v1/rooms/compare?from=2026-01-01&room=loft", ""}, "mapRooms": {"/api/v1/rooms/map?room=cellar", ""},
		"backtestRoom": {"/api/v1/rooms/cellar/backtest", ""}, "noteRoom": {"/api/v1/rooms/loft/note", `{"from":"2026-07-01T00:00:00Z","text":"compressor failed"}`},
		"watchTopics": {"", `{"by":"mara"}`}, "leaveTopics": {"", `{"by":"mara"}`}, "proposeTopic": {proposalPath + "?topic=gw/shelf", ""},
		"chooseTopic":     {"", `{"topic":"gw/shelf","pattern":"gw/shelf","sensor":"shelf","values":[]}`},
		"followRoom":      {"/api/v1/rooms/loft/course?points=200", ""},
		"revokeRoomNote":  {"/api/v1/rooms/notes/1/revoke", `{"note":"it was the hall"}`},
		"calibrateSensor": {room + "calibrate", `{"quantity":"temperature","unit":"C","offset":0.4}`}, "correctSensor": {room + "correct", `{"quantity":"temperature","unit":"C","offset":1,"from":"2026-07-01T00:00:00Z","note":"stood in the sun"}`},
		"voidSensor": {room + "void", `{"from":"2026-07-01T00:00:00Z","to":"2026-07-02T00:00:00Z","note":"stood in the sun"}`}, "swapSensor": {room + "swap", `{"new":"cellar-2"}`},
		"placeSensor": {room + "place", `{"place":"top shelf"}`}, "revokeSensorChange": {"/api/v1/sensors/changes/1/revoke", `{"note":"wrong sensor"}`},
		"importReadings": {"", `{"series":[{"room":"cellar","sensor":"cellar-1","quantity":"temperature","at_ms":[1783987200000],"values":[14.5]}]}`},
		"endImport":      {"", `{"source":"logger.csv","stored":1,"known":0,"from":"2026-07-01T00:00:00Z","to":"2026-07-02T00:00:00Z"}`},
		"review":         {"/api/v1/review?room=loft", ""}, "askWhatIf": {"", `{"room":"cellar","at_most":"18 C"}`}, "getReport": {"/api/v1/report?from=2026-01-01&format=json", ""},
	}
	for act := range uses() {
		out[act+"Lot"] = sample{lotPath + "/" + act, `{"count":1,"by":"mara"}`}
	}
	for _, o := range alarmOperations() {
		if _, is := o.body.(OperateAlarm); is {
			body := `{"kind":"warm","room":"loft","by":"mara"}`
			if strings.HasPrefix(o.id, "shelve") {
				body = `{"kind":"warm","room":"loft","by":"mara","for":"8h"}`
			}
			out[o.id] = sample{"", body}
		}
	}
	return out
}

// Every operation does as the document says, where all is well and with every
// fault that it names.
func TestContract(t *testing.T) {
	all, c := samples(), described(t)
	document := c.document
	for _, o := range operations() {
		t.Run(o.id, func(t *testing.T) {
			s := all[o.id]
			if s.path == "" {
				s.path = o.path
			}
			if strings.Contains(s.path, "{") || o.body != nil && s.body == "" {
				t.Fatalf("%s has no sample: give it one in samples()", o.id)
			}
			if o.body != nil {
				if err := document.Body(o.method, o.path, []byte(s.body)); err != nil {
					t.Errorf("the sample is not what the document asks for: %v", err)
				}
			}
			for _, status := range o.statuses() {
				c.reset()
				a := &request{method: o.method, path: s.path, body: s.body, token: adminToken}
				end := c.provoke(t, &o, a, status)
				res := c.ask(a)
				end()
				if res.StatusCode != status {
					t.Errorf("status %d, want %d: %s", res.StatusCode, status, res.body)
				}
				for _, f := range faults(document, &o, res) {
					t.Errorf("%d: %s", status, f)
				}
			}
		})
	}
}

// provoke changes a request that is well, or the house, so that the answer has
// a status.
func (c *contract) provoke(t *testing.T, o *operation, a *request, status int) (end func()) {
	t.Helper()
	end = func() {}
	switch status {
	case o.success():
	case o.also:
		c.provokeAlso(o, a)
	case http.StatusNotModified:
		a.headers = []string{"If-None-Match", c.ask(a).Header.Get("ETag")}
	case http.StatusBadRequest:
		a.body = `{"nope":1}`
	case http.StatusUnauthorized:
		a.token = "dryhold_not-one-of-ours"
	case http.StatusForbidden:
		if a.token = readToken; o.asks() {
			a.headers = []string{"Sec-Fetch-Site", "cross-site"}
		}
	case http.StatusNotFound:
		c.keeper.err = lot.NotFound("there is no such thing")
		if o.id == "listNotices" {
			c.keeper.err, a.path = nil, a.path+"&key=none"
		}
		a.path = strings.Replace(strings.Replace(a.path, "white-rice-1", "none-1", 1), "room=loft", "room=none", 1)
	case http.StatusConflict:
		return c.overtake(t, a)
	case http.StatusPreconditionFailed:
		c.keeper.err = fmt.Errorf("cannot move it: %w", errChanged)
		a.headers = []string{"If-Match", `"as-it-was"`}
	case http.StatusRequestEntityTooLarge:
		a.body = `{"by":"` + strings.Repeat("m", 2<<20) + `"}`
	case http.StatusUnsupportedMediaType:
		a.headers = []string{"Content-Type", "text/plain"}
	case http.StatusMisdirectedRequest:
		a.headers = []string{"Host", "evil.example"}
	case http.StatusUnprocessableEntity:
		c.provokeInvalid(o, a)
	case http.StatusInternalServerError:
		c.keeper.err = errors.New("the disk is on fire")
		c.snapshot.Lots[0].LostBeyondPlan = math.NaN()
	case http.StatusServiceUnavailable:
		c.keeper.err = lot.NotNow("not while the clock is wrong")
		c.snapshot = nil
		c.server.live.streams.Store(maxStreams)
	default:
		t.Fatalf("%s may be answered %d: say in provoke how", o.id, status)
	}
	return end
}

func (c *contract) provokeAlso(o *operation, a *request) {
	switch o.id {
	case "getHealth":
		c.snapshot = nil
	case "importLots":
		a.body = strings.Replace(a.body, `"by"`, `"dry_run":true,"by"`, 1)
	}
}

// provokeInvalid asks for what can be read and makes no sense.
func (c *contract) provokeInvalid(o *operation, a *request) {
	c.keeper.err = lot.Invalid("it makes no sense")
	for _, p := range o.query {
		if p.is == "string" && o.id != "streamEvents" {
			continue
		}
		path, query, _ := strings.Cut(a.path, "?")
		kept := slices.DeleteFunc(strings.Split(query, "&"), func(part string) bool { return part == "" || strings.HasPrefix(part, p.name+"=") })
		a.path = path + "?" + strings.Join(append(kept, p.name+"=nonsense"), "&")
		return
	}
}

// overtake leaves a request of the same name being done until it is ended.
func (c *contract) overtake(t *testing.T, a *request) (stop func()) {
	t.Helper()
	a.headers = []string{"Idempotency-Key", `"8e03978e-40d5-43dd-bc93-6894a57f9324"`} // the example of the draft
	first := *a
	begun, end := make(chan struct{}), make(chan struct{})
	c.keeper.mu.Lock()
	c.keeper.wait = func() {
		close(begun)
		<-end
	}
	c.keeper.mu.Unlock()
	var work sync.WaitGroup
	work.Go(func() { c.ask(&first) })
	select {
	case <-begun:
	case <-time.After(time.Minute):
		t.Fatal("the first request was not begun")
	}
	return func() {
		close(end)
		work.Wait()
		c.keeper.wait = nil
	}
}

// Whatever is not routed is a problem too: another path, another method.
func TestOtherPathsAndMethodsAreProblems(t *testing.T) {
	c := newContract(t)
	f := func(method, path string, status int) {
		t.Helper()
		res := c.ask(&request{method: method, path: path, token: adminToken})
		var p Problem
		if err := json.Unmarshal(res.body, &p); err != nil || res.StatusCode != status || p.Status != status || res.Header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s %s: %d %s", method, path, res.StatusCode, res.body)
		}
		if allow := res.Header.Get("Allow"); (status == 405) != (allow != "") {
			t.Errorf("%s %s: Allow is %q", method, path, allow)
		}
	}
	f(get, "/api/v1/none", 404)
	f(get, "/api/v2/lots", 404)
	f(post, "/api/v1/lots/a/b/c", 404)
	methods := map[string][]string{}
	for _, o := range operations() {
		path := o.path
		if s := samples()[o.id]; s.path != "" {
			path, _, _ = strings.Cut(s.path, "?")
		}
		methods[path] = append(methods[path], o.method)
	}
	for _, path := range sortedKeys(methods) {
		for _, m := range []string{get, post, http.MethodPut, http.MethodDelete, http.MethodPatch} {
			if !slices.Contains(methods[path], m) {
				f(m, path, 405)
			}
		}
	}
}

// The scopes that the document names are those that are asked for.
func TestScopesAreThoseEnforced(t *testing.T) {
	c := newContract(t)
	for _, o := range operations() {
		if o.open() {
			continue
		}
		c.reset()
		s := samples()[o.id]
		if s.path == "" {
			s.path = o.path
		}
		for token, scope := range map[string]secret.Scope{adminToken: secret.Admin, readToken: secret.Read} {
			res := c.ask(&request{method: o.method, path: s.path, body: s.body, token: token})
			if want := !scope.Covers(o.scope()); want != (res.StatusCode == http.StatusForbidden) {
				t.Errorf("%s needs %s and with a token of scope %s is answered %d", o.id, o.scope(), scope, res.StatusCode)
			}
		}
	}
}
