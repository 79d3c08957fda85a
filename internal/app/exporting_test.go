package app_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"database/sql"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/influx/victoriatest"
	"dryhold/internal/room"
	"dryhold/internal/servertest"
	"dryhold/internal/settings"
	"dryhold/internal/store"
	"dryhold/internal/unit"
)

// gateway stands before a real server: it can be shut, notes every line that
// goes through, and calls a hook when a write was taken but not answered.
type gateway struct {
	*httptest.Server
	mu    sync.Mutex
	shut  bool
	lines []string
	taken func(writes int) // may be nil
	n     int
}

func newGateway(t *testing.T, to string) *gateway {
	t.Helper()
	u, err := url.Parse(to)
	if err != nil {
		t.Fatal(err)
	}
	g, forward := &gateway{}, httputil.NewSingleHostReverseProxy(u)
	forward.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)
	forward.ModifyResponse = func(r *http.Response) error {
		g.mu.Lock()
		defer g.mu.Unlock()
		if g.n++; r.StatusCode < 300 && g.taken != nil {
			g.taken(g.n)
		}
		return nil
	}
	g.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		g.mu.Lock()
		shut := g.shut
		if z, err := gzip.NewReader(bytes.NewReader(body)); err == nil && !shut {
			text, _ := io.ReadAll(z)
			g.lines = append(g.lines, strings.Split(string(text), "\n")...)
		}
		g.mu.Unlock()
		if shut {
			panic(http.ErrAbortHandler)
		}
		r.Body = io.NopCloser(bytes.NewReader(body))
		forward.ServeHTTP(w, r)
	}))
	t.Cleanup(g.Close)
	return g
}

func (g *gateway) let(through bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.shut = !through
}

// sent gives how many points went out, and how many of them again; and fails
// the test where one of a series came before an older one that was new.
func (g *gateway) sent(t *testing.T) (points, again int) {
	t.Helper()
	g.mu.Lock()
	defer g.mu.Unlock()
	seen, last := map[string]bool{}, map[string]int64{}
	for _, line := range g.lines {
		series, at := line[:strings.IndexByte(line, ' ')], line[strings.LastIndexByte(line, ' ')+1:]
		ms, err := strconv.ParseInt(at, 10, 64)
		if err != nil {
			t.Fatalf("line %q: %v", line, err)
		}
		points++
		switch k := series + at; {
		case seen[k]:
			again++
		case ms < last[series]:
			t.Errorf("%s came after %d", line, last[series])
		default:
			seen[k], last[series] = true, ms
		}
	}
	return points, again
}

// readBack counts the points of a field that the server has, each once, and
// those that it has twice.
func readBack(v *victoriatest.Server, field string) (points, twice int) {
	for _, s := range v.Export(field) {
		seen := map[int64]bool{}
		for _, at := range s.Timestamps {
			if seen[at] {
				twice++
			}
			seen[at] = true
		}
		points += len(seen)
	}
	return points, twice
}

// counted counts rows in the database of a daemon that runs or does not.
func counted(t testing.TB, dir, query string) (n int) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, store.File)+"?mode=ro&_pragma=busy_timeout(10000)")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.QueryRow(query).Scan(&n); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return n
}

func exported(url string) *settings.Influx {
	return &settings.Influx{URL: url + "/", Org: "larch", Bucket: "dryhold", Keep: settings.DefaultInfluxKeep, Rate: settings.DefaultInfluxRate}
}

// The server is away for thirty days of three rooms, over a restart of the
// daemon, and then gets all of it, in order and once.
func TestExportOutage(t *testing.T) {
	const days, every = 30, 30 * time.Minute
	v := victoriatest.Start(t)
	v.Stop()
	g := newGateway(t, v.URL)
	g.let(false)
	began := time.Date(2024, 7, 1, 0, 0, 0, 0, time.UTC)
	h, w, _ := clocked(t, began, began.AddDate(-1, 0, 0))
	h.opts.Settings.Influx, h.opts.ExportEvery, h.opts.Futures = exported(g.URL), 20*time.Millisecond, 4
	h.start()
	rice := lotOf("cellar")
	rice.Packing.PackedAt = began.Add(-24 * time.Hour)
	if code, answer := h.post("/api/v1/lots", rice); code >= 300 {
		t.Fatalf("%d %s", code, answer)
	}
	eventually(t, "the result of the new lot", func() bool { return counted(t, h.opts.DataDir, `SELECT count(*) FROM export_lot`) > 0 })
	rooms, n := []string{"cellar", "north-pantry", "loft"}, uint64(0)
	c := publisher(t, h.brokerURL())
	for day := range days {
		for step := range int(24 * time.Hour / every) {
			w.run(every)
			at := began.Add(time.Duration(day)*24*time.Hour + time.Duration(step+1)*every)
			for i, name := range rooms {
				temp := 14 + 4*i + step%7
				if name == "loft" && day >= 10 && day < 14 {
					temp += 12 // an invented hot spell, for the alarms
				}
				publish(t, c, "rooms/"+name, false, fmt.Sprintf(`{"temperature":%d,"humidity":50,"time":%q}`, temp, at.Format(time.RFC3339)))
				n += 2
			}
		}
		eventually(t, "the day on disk", func() bool { return h.app.Snapshot().Intake.Stored >= n })
		eventually(t, "the day's results of the lot", func() bool {
			return counted(t, h.opts.DataDir, `SELECT count(DISTINCT at / 86400000) FROM export_lot`) >= day+2
		})
		if day == 20 {
			h.restart()
			c, n = publisher(t, h.brokerURL()), 0
		}
	}
	if got := h.check("export"); !strings.HasPrefix(got, "false") || !strings.Contains(got, "attempts in a row failed") {
		t.Errorf("health says %s", got)
	}
	if s := scrape(t, h.app.URL(), `dryhold_export_behind_seconds{site="home"}`); s < (days-1)*86400 {
		t.Errorf("%g s behind after %d days", s, days)
	}
	events := counted(t, h.opts.DataDir, `SELECT count(*) FROM alarm_event`)
	if n := counted(t, h.opts.DataDir, `SELECT count(*) FROM alarm_event WHERE key LIKE '%export%'`); n == 0 {
		t.Error("no alarm of the export in all that time")
	}
	results := counted(t, h.opts.DataDir, `SELECT count(*) FROM export_lot`)

	v.Run()
	g.let(true)
	took := within(t, 2*time.Minute, "all to be sent", func() bool {
		return scrape(t, h.app.URL(), `dryhold_export_behind_seconds{site="home"}`) == 0 && strings.Contains(h.check("export"), "up to date")
	})
	eventually(t, "the last closed hour", func() bool {
		return counted(t, h.opts.DataDir, fmt.Sprintf(`SELECT count(*) FROM export_hour WHERE next >= %d`, began.Add((days*24-1)*time.Hour).UnixMilli())) == len(rooms)
	})
	h.stop()
	readings := 0
	for _, name := range rooms {
		readings += len(onDisk(t, h.opts.DataDir, name))
	}
	hours := 0
	f := func(field string, want int) int {
		t.Helper()
		got, twice := readBack(v, field)
		if got < want || twice > 0 {
			t.Errorf("%s: the server has %d points, and %d twice; want %d", field, got, twice, want)
		}
		return got
	}
	if got := f("dryhold_reading_value", readings); got != days*48*2*len(rooms) || got != readings {
		t.Errorf("%d readings arrived, %d on disk", got, readings)
	}
	hours = f("dryhold_hour_n", len(rooms)*(days*24-1))
	lots, alarms := f("dryhold_lot_remaining_likely", results), f("dryhold_alarm_value", events)
	if events == 0 || lots < days {
		t.Errorf("%d alarm events, %d results of lots", events, lots)
	}
	points, again := g.sent(t)
	produced := readings + hours + lots + alarms
	t.Logf("%d days, %d rooms: %d points produced (%d readings, %d hours, %d lot results, %d alarm events), %d delivered, %d duplicated, %d lost; caught up in %v",
		days, len(rooms), produced, readings, hours, lots, alarms, points, again, produced-(points-again), took)
	if points-again != produced || again > 0 {
		t.Errorf("%d points went out, %d of them again; %d were produced", points, again, produced)
	}
}

// Killed again and again between the write of a batch and its note, the daemon
// loses no point, and sends again no more than what was under way.
func TestKillDuringExport(t *testing.T) {
	const kills, perRoom = 6, 5 * 24 * 60
	v := victoriatest.Start(t)
	g := newGateway(t, v.URL)
	dir := t.TempDir()
	data, file := filepath.Join(dir, "data"), filepath.Join(dir, "dryhold.yaml")
	text := fmt.Sprintf("site: larch-house\nbroker: {embedded: {listen: %q}}\nhttp: {listen: %q}\ninflux: {url: %q, org: larch, bucket: dryhold, rate: 1000000}\n",
		servertest.FreeAddr(t), servertest.FreeAddr(t), g.URL)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	db, first := opened(t, data), time.Now().Add(-6*24*time.Hour).UTC().Truncate(24*time.Hour)
	for _, name := range []string{"cellar", "loft"} {
		var all []room.Reading
		for m := range perRoom {
			all = append(all, room.Reading{Series: room.Series{Room: name, Sensor: name, Quantity: unit.Temperature}, At: first.Add(time.Duration(m) * time.Minute), Value: float64(15 + m%5)})
		}
		err := db.Commit(t.Context(), store.Batch{Readings: all}, nil, time.Now(), func([]room.Reading) (store.Outcome, error) { return store.Outcome{}, nil })
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	live := func(kill int) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		cmd := exec.CommandContext(ctx, os.Args[0])
		cmd.Env = append(os.Environ(), "DRYHOLD_TEST_DAEMON="+data, "DRYHOLD_TEST_CONFIG="+file)
		g.mu.Lock()
		g.n = 0
		g.taken = func(writes int) {
			if writes == kill {
				_ = cmd.Process.Kill()
			}
		}
		err := cmd.Start() // before anything is taken, which may kill it
		g.mu.Unlock()
		if err != nil {
			t.Fatal(err)
		}
		if kill == 0 {
			eventually(t, "the rest to be sent", func() bool {
				return counted(t, data, `SELECT (SELECT count(*) FROM export_day) + (SELECT count(*) FROM export_lot)`) == 0
			})
			_ = cmd.Process.Kill()
		}
		_ = cmd.Wait()
		if ctx.Err() != nil {
			t.Fatalf("life %d: it never came to write %d", kill, kill)
		}
	}
	for i := range kills {
		live(1 + i%2)
	}
	live(0)
	got, _ := readBack(v, "dryhold_reading_value")
	if got != 2*perRoom {
		t.Errorf("the server has %d readings of %d", got, 2*perRoom)
	}
	points, again := g.sent(t)
	if again == 0 || again > kills*5000 {
		t.Errorf("%d of %d points went out again after %d kills", again, points, kills)
	}
	t.Logf("%d kills: %d points went out, %d of them again, %d lost", kills, points, again, 2*perRoom-got)
}
