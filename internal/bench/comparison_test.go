package bench_test

import (
	"bufio"
	"bytes"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"dryhold/internal/bench"
	"dryhold/internal/influx/victoriatest"
	"dryhold/internal/room"
	"dryhold/internal/servertest"
	"dryhold/internal/store"
)

// longEnv has tests run that take minutes.
const longEnv = "DRYHOLD_TEST_LONG"

// taken is what one way of keeping readings takes.
type taken struct {
	bytes int64         // on disk, at rest
	query time.Duration // the hourly means of one series over a year, the least of several
	hours int           // how many means there were
}

// TestComparison keeps the same readings in dryhold, in two time series
// databases and in rows of SQLite: a month of 20 sensors for the bytes, a year
// of two for the time it takes to ask for the hourly means of one series. Who
// wins is logged; it fails only where they do not tell the same.
func TestComparison(t *testing.T) {
	if os.Getenv(longEnv) == "" {
		t.Skipf("takes minutes: set %s=1", longEnv)
	}
	house, days := bench.Larch(), 30
	few := house
	few.Sensors = 2
	n := 0
	for sensor := range house.Sensors {
		for day := range days {
			n += len(house.Day(sensor, day))
		}
	}
	ways := []struct {
		name string
		keep func(t *testing.T, h bench.House, days int, ask bool) taken
	}{
		{"dryhold", inDryhold}, {"rows of SQLite", inRows}, {"victoria-metrics", inVictoria}, {"prometheus", inPrometheus},
	}
	for _, w := range ways {
		t.Run(w.name, func(t *testing.T) {
			size := w.keep(t, house, days, false)
			year := w.keep(t, few, 365, true)
			t.Logf("%.3f bytes a reading of %d; a year of hourly means in %v", float64(size.bytes)/float64(n), n, year.query)
			if year.hours < 8600 || year.hours > 8762 {
				t.Errorf("%d hourly means of a year", year.hours)
			}
		})
	}
}

// least gives the least time of several tries.
func least(t *testing.T, try func() int) (out taken) {
	t.Helper()
	for range 7 {
		began := time.Now()
		out.hours = try()
		if took := time.Since(began); out.query == 0 || took < out.query {
			out.query = took
		}
	}
	return out
}

// sizeOf is that of all files in a folder.
func sizeOf(t *testing.T, dir string) (n int64) {
	t.Helper()
	err := filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		n += info.Size()
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// inDryhold reads the packed days, as a rebuild does; pages take hours that are
// folded already, which BenchmarkRoomCourse times.
func inDryhold(t *testing.T, h bench.House, days int, ask bool) (out taken) {
	dir := t.TempDir()
	s := quiet(t, dir)
	fill(t, s, h, 0, days)
	pack(t, s, h.From.AddDate(0, 0, days+1))
	if ask {
		series, _ := h.Series(0)
		out = least(t, func() int {
			sum, n := map[int64]float64{}, map[int64]int{}
			err := s.EachDay(t.Context(), series.Room, h.From, func(day []room.Reading) error {
				for _, r := range day {
					if r.Series == series {
						hour := r.At.Unix() / 3600
						sum[hour], n[hour] = sum[hour]+r.Value, n[hour]+1
					}
				}
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			return len(sum)
		})
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	// The room that a day's open rows took would be used again; TestGrowth has
	// the file as it is.
	db := sqlite(t, filepath.Join(dir, store.File))
	if _, err := db.Exec(`VACUUM`); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	out.bytes = sizeOf(t, dir)
	return out
}

// sqlite opens a file by the driver that comes with internal/store.
func sqlite(t *testing.T, path string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	return db
}

// inRows is the plainest way: a row a reading, in the order of its key.
func inRows(t *testing.T, h bench.House, days int, ask bool) (out taken) {
	dir := t.TempDir()
	db := sqlite(t, filepath.Join(dir, "rows.db"))
	defer db.Close()
	do := func(query string, args ...any) {
		t.Helper()
		if _, err := db.Exec(query, args...); err != nil {
			t.Fatal(err)
		}
	}
	do(`CREATE TABLE reading (series INTEGER, at INTEGER, value REAL, PRIMARY KEY (series, at)) WITHOUT ROWID`)
	for sensor := range h.Sensors {
		tx, err := db.Begin()
		if err != nil {
			t.Fatal(err)
		}
		put, err := tx.Prepare(`INSERT INTO reading VALUES (?, ?, ?)`)
		if err != nil {
			t.Fatal(err)
		}
		for day := range days {
			for i, r := range h.Day(sensor, day) {
				if _, err := put.Exec(2*sensor+i%2, r.At.UnixMilli(), r.Value); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := tx.Commit(); err != nil {
			t.Fatal(err)
		}
	}
	do(`VACUUM`)
	if ask {
		out = least(t, func() (n int) {
			rows, err := db.Query(`SELECT at / 3600000, avg(value) FROM reading WHERE series = 0 AND at BETWEEN ? AND ? GROUP BY 1`,
				h.From.UnixMilli(), h.From.AddDate(1, 0, 0).UnixMilli())
			if err != nil {
				t.Fatal(err)
			}
			defer rows.Close()
			for ; rows.Next(); n++ {
				var hour int64
				var mean float64
				if err := rows.Scan(&hour, &mean); err != nil {
					t.Fatal(err)
				}
			}
			return n
		})
	}
	out.bytes = sizeOf(t, dir)
	return out
}

// inVictoria keeps the bytes of after a merge of everything.
func inVictoria(t *testing.T, h bench.House, days int, ask bool) (out taken) {
	s := victoriatest.Start(t)
	for sensor := range h.Sensors {
		in, body := io.Pipe()
		go func() {
			w := bufio.NewWriter(body)
			e := json.NewEncoder(w)
			for day := range days {
				for q, name := range []string{"temperature", "humidity"} {
					x := victoriatest.Series{Metric: map[string]string{"__name__": name, "sensor": fmt.Sprint(sensor)}}
					for i, r := range h.Day(sensor, day) {
						if i%2 == q {
							x.Values, x.Timestamps = append(x.Values, r.Value), append(x.Timestamps, r.At.UnixMilli())
						}
					}
					if err := e.Encode(x); err != nil {
						_ = body.CloseWithError(err)
						return
					}
				}
			}
			_ = body.CloseWithError(w.Flush())
		}()
		r, err := http.Post(s.URL+"api/v1/import", "application/json", in)
		if err != nil {
			t.Fatal(err)
		}
		_ = r.Body.Close()
		if r.StatusCode >= 300 {
			t.Fatal(r.Status)
		}
	}
	for _, path := range []string{"internal/force_flush", "internal/force_merge"} {
		fetch(t, s.URL+path)
	}
	for deadline := time.Now().Add(2 * time.Minute); !bytes.Contains(fetch(t, s.URL+"metrics"), []byte("vm_active_force_merges 0")); time.Sleep(100 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the merge does not end")
		}
	}
	if ask {
		out = least(t, func() int { return hourlyMeans(t, s.URL, `avg_over_time(temperature{sensor="0"}[1h])`, h) })
	}
	s.Stop()
	out.bytes = sizeOf(t, s.Dir())
	return out
}

// inPrometheus keeps blocks of a month, as a server that ran that long has.
func inPrometheus(t *testing.T, h bench.House, days int, ask bool) (out taken) {
	binary, tool := servertest.Program(t, "prometheus", "prometheus"), servertest.Program(t, "promtool", "prometheus")
	dir := t.TempDir()
	data, text, conf := filepath.Join(dir, "data"), filepath.Join(dir, "past.om"), filepath.Join(dir, "prometheus.yml")
	writeOpenMetrics(t, text, h, days)
	if said, err := exec.CommandContext(t.Context(), tool, "tsdb", "create-blocks-from", "--max-block-duration=744h", "openmetrics", text, data).CombinedOutput(); err != nil {
		t.Fatalf("promtool: %v: %s", err, said)
	}
	out.bytes = sizeOf(t, data)
	if !ask {
		return out
	}
	if err := os.WriteFile(conf, []byte("scrape_configs: []\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	addr := servertest.FreeAddr(t)
	base := "http://" + addr + "/"
	server := servertest.Start(t, base+"-/ready", binary, "--config.file="+conf, "--storage.tsdb.path="+data, "--storage.tsdb.retention.time=100y", "--web.listen-address="+addr, "--log.level=error")
	defer server.Stop()
	asked := least(t, func() int { return hourlyMeans(t, base, `avg_over_time(temperature{sensor="0"}[1h])`, h) })
	asked.bytes = out.bytes
	return asked
}

func writeOpenMetrics(t *testing.T, path string, h bench.House, days int) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w := bufio.NewWriter(f)
	for q, name := range []string{"temperature", "humidity"} {
		fmt.Fprintf(w, "# TYPE %s gauge\n", name)
		for sensor := range h.Sensors {
			for day := range days {
				for i, r := range h.Day(sensor, day) {
					if i%2 == q {
						fmt.Fprintf(w, "%s{sensor=\"%d\"} %v %d.%03d\n", name, sensor, r.Value, r.At.Unix(), r.At.UnixMilli()%1000)
					}
				}
			}
		}
	}
	fmt.Fprintln(w, "# EOF")
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

// hourlyMeans asks for a year of them and gives how many there are.
func hourlyMeans(t *testing.T, base, query string, h bench.House) int {
	t.Helper()
	text := fetch(t, base+"api/v1/query_range?"+url.Values{
		"query": {query}, "start": {fmt.Sprint(h.From.Unix() + 3600)}, "end": {fmt.Sprint(h.From.AddDate(0, 0, 365).Unix())}, "step": {"3600"}, "nocache": {"1"},
	}.Encode())
	var answer struct {
		Data struct{ Result []struct{ Values [][2]any } }
	}
	if err := json.Unmarshal(text, &answer); err != nil || len(answer.Data.Result) != 1 {
		t.Fatalf("%v: %.300s", err, text)
	}
	return len(answer.Data.Result[0].Values)
}

func fetch(t *testing.T, address string) []byte {
	t.Helper()
	r, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	text, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode >= 300 {
		t.Fatalf("%s: %s, %v: %.300s", address, r.Status, err, text)
	}
	return text
}
