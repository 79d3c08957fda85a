package promql

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/influx/victoriatest"
	"dryhold/internal/past"
	"dryhold/internal/servertest"
)

// years is invented: three days of minutes of a loft, with milliseconds here and
// there, a gap of five hours, and one of 20 minutes that a look back of five
// would make shorter.
func years() (out []past.Sample) {
	for i := range 3 * 24 * 60 {
		if i >= 1000 && i < 1300 || i >= 3000 && i < 3020 {
			continue
		}
		at := start().Add(time.Duration(i) * time.Minute)
		if i%7 == 0 {
			at = at.Add(time.Duration(i%1000) * time.Millisecond)
		}
		out = append(out, past.Sample{At: at, Value: float64(1800+i%977) / 100})
	}
	return out
}

// realPrometheus runs Debian's prometheus over blocks that promtool made of
// samples, and gives its address. Without the programs the test is skipped, or
// fails if DRYHOLD_TEST_SERVERS is 1.
func realPrometheus(t *testing.T, samples []past.Sample, flags ...string) string {
	t.Helper()
	binary, tool := servertest.Program(t, "prometheus", "prometheus"), servertest.Program(t, "promtool", "prometheus")
	dir := t.TempDir()
	write := func(name, text string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	var text strings.Builder
	text.WriteString("# TYPE room_temp_celsius gauge\n")
	for _, x := range samples {
		fmt.Fprintf(&text, "%s %g %d.%03d\n", loft, x.Value, x.At.Unix(), x.At.UnixMilli()%1000)
	}
	text.WriteString("# EOF\n")
	data := filepath.Join(dir, "data")
	if out, err := exec.Command(tool, "tsdb", "create-blocks-from", "openmetrics", write("past.om", text.String()), data).CombinedOutput(); err != nil {
		t.Fatalf("promtool: %v: %s", err, out)
	}
	addr := servertest.FreeAddr(t)
	servertest.Start(t, "http://"+addr+"/-/ready", binary, append(flags, "--config.file="+write("prometheus.yml", "scrape_configs: []\n"), "--storage.tsdb.path="+data, "--storage.tsdb.retention.time=100y",
		"--storage.tsdb.min-block-duration=2h", "--storage.tsdb.max-block-duration=2h", "--web.listen-address="+addr, "--log.level=warn")...)
	return "http://" + addr
}

// victoria runs victoria-metrics with the same samples, and gives its address.
func victoria(t *testing.T, samples []past.Sample) string {
	t.Helper()
	v := victoriatest.Start(t)
	var text strings.Builder
	for _, x := range samples {
		fmt.Fprintf(&text, "%s %g %d\n", loft, x.Value, x.At.UnixMilli())
	}
	r, err := http.Post(v.URL+"api/v1/import/prometheus", "text/plain", strings.NewReader(text.String()))
	if err != nil || r.StatusCode/100 != 2 {
		t.Fatalf("%v, %+v", err, r)
	}
	_ = r.Body.Close()
	if r, err = http.Get(v.URL + "internal/force_flush"); err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("%v, %+v", err, r)
	}
	_ = r.Body.Close()
	return v.URL
}

// The real servers give back every sample at its own time and no other, however
// the range is cut: nothing in a gap, nothing twice, nothing moved.
func TestRealServers(t *testing.T) {
	f := func(name string, run func(*testing.T, []past.Sample) string) {
		t.Run(name, func(t *testing.T) {
			want := years()
			address := run(t, want)
			s, err := New(Config{URL: address, Selector: loft})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(s.Close)
			draw := rand.New(rand.NewPCG(1, 2))
			for _, widest := range []time.Duration{5 * 24 * time.Hour, 30 * time.Hour, 2 * time.Hour} {
				var got []past.Sample
				for at, end := start().Add(-time.Hour), start().Add(4*24*time.Hour); at.Before(end); {
					until := at.Add(time.Duration(1+draw.IntN(int(widest/time.Second))) * time.Second)
					series, err := s.Samples(t.Context(), at, until)
					if err != nil {
						t.Fatal(err)
					}
					for _, x := range series {
						if x.Labels["room"] != "loft" || x.Labels["__name__"] != "room_temp_celsius" {
							t.Fatalf("%+v", x.Labels)
						}
						got = append(got, x.Samples...)
					}
					at = until
				}
				if d := cmp.Diff(want, got); d != "" {
					t.Fatalf("pieces of up to %v (-want +got):\n%s", widest, d)
				}
			}
			refused, err := New(Config{URL: address, Selector: `room_temp_celsius{room~"loft"}`})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(refused.Close)
			if _, err := refused.Samples(t.Context(), start(), start().Add(time.Hour)); err == nil || !strings.Contains(err.Error(), "the server answers") {
				t.Errorf("a selector with a fault: %v", err)
			}
		})
	}
	f("prometheus", func(t *testing.T, samples []past.Sample) string { return realPrometheus(t, samples) })
	f("victoria-metrics", victoria)
}

// A server that will not load so many samples at once says so, and gives fewer.
func TestRealLimit(t *testing.T) {
	want := years()[:900]
	s, err := New(Config{URL: realPrometheus(t, want, "--query.max-samples=500"), Selector: loft})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	_, err = s.Samples(t.Context(), start(), start().Add(24*time.Hour))
	var trouble *past.Trouble
	if !errors.As(err, &trouble) || !trouble.Less || trouble.Again {
		t.Errorf("%+v, %v", trouble, err)
	}
	series, err := s.Samples(t.Context(), start(), start().Add(6*time.Hour))
	if err != nil || len(series) != 1 || len(series[0].Samples) != 360 {
		t.Errorf("%+v, %v", series, err)
	}
}
