package grafana

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/api"
	v1 "github.com/prometheus/client_golang/api/prometheus/v1"
	"github.com/prometheus/common/model"

	"dryhold/internal/influx/influxdtest"
	"dryhold/internal/influx/victoriatest"
	"dryhold/internal/servertest"
)

// TestLive holds every query against a daemon that has lived through a hot week.
func TestLive(t *testing.T) {
	h := live(t)
	t.Run("names", func(t *testing.T) { checkPromQL(t, scraped(t, h.scrape(t))) })
	t.Run("flux", func(t *testing.T) { checkFlux(t, h.exported(t)) })
	t.Run("influxd", func(t *testing.T) { answerFlux(t, influxdtest.Start(t), h) })
	t.Run("prometheus", func(t *testing.T) {
		server := startPrometheus(t, strings.TrimPrefix(h.app.URL(), "http://"))
		eventually(t, "four scrapes", func() bool { // rates and differences want more than one
			time.Sleep(100 * time.Millisecond)
			h.hot(t, time.Now(), 36)
			v, err := now(server, "min(count_over_time(up[10m]))")
			return err == nil && len(v) == 1 && v[0].Value >= 4
		})
		answer(t, server)
	})
	t.Run("victoria-metrics", func(t *testing.T) {
		v := victoriatest.Start(t)
		// As it would have been scraped: four times, ten seconds apart.
		for i := range 4 {
			h.hot(t, time.Now(), 36)
			h.taken(t)
			text := h.scrape(t) + "up 1\n"
			at := time.Now().Add(-time.Duration(30-10*i) * time.Second)
			address := fmt.Sprintf("%sapi/v1/import/prometheus?timestamp=%d&extra_label=job=dryhold&extra_label=instance=hearth", v.URL, at.UnixMilli())
			r, err := http.Post(address, "text/plain", strings.NewReader(text))
			if err != nil {
				t.Fatal(err)
			}
			_ = r.Body.Close()
			if r.StatusCode >= 300 {
				t.Fatalf("it takes no scrape: %d", r.StatusCode)
			}
		}
		v.Export("up") // it shows at once what it was sent
		answer(t, client(t, strings.TrimSuffix(v.URL, "/")))
	})
}

// startPrometheus runs Debian's prometheus over the daemon. Without the program
// the test is skipped, or fails if DRYHOLD_TEST_SERVERS is 1.
func startPrometheus(t *testing.T, target string) v1.API {
	t.Helper()
	binary := servertest.Program(t, "prometheus", "prometheus")
	dir, addr := t.TempDir(), servertest.FreeAddr(t)
	config := fmt.Sprintf("global: {scrape_interval: 1s}\nscrape_configs:\n  - job_name: dryhold\n    static_configs: [{targets: [%q]}]\n", target)
	file := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	servertest.Start(t, "http://"+addr+"/-/ready", binary, "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+addr, "--log.level=warn")
	return client(t, "http://"+addr)
}

func client(t *testing.T, address string) v1.API {
	t.Helper()
	c, err := api.NewClient(api.Config{Address: address})
	if err != nil {
		t.Fatal(err)
	}
	return v1.NewAPI(c)
}

// now asks for the state now.
func now(server v1.API, query string) (model.Vector, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	v, warnings, _, err := server.Query(ctx, query, time.Now())
	if err != nil {
		return nil, err
	}
	vector, ok := v.(model.Vector)
	if !ok || len(warnings) > 0 {
		return nil, fmt.Errorf("it answers %T, with warnings %q", v, warnings)
	}
	return vector, nil
}

// answer asks every query of every panel, with all of the variables chosen and
// with one value of each, and wants data wherever the household has any.
func answer(t *testing.T, server v1.API) {
	t.Helper()
	asked := 0
	for _, b := range files(t, prometheusSource) {
		b.all(func(p filePanel, q fileTarget) {
			for _, query := range []string{everything(q.Expr), chosenAs(q.Expr, "loft", "L-1", "10m"), chosenAs(q.Expr, "north-pantry", "L-3", "10m")} {
				asked++
				v, err := now(server, query)
				if err != nil {
					t.Errorf("%s, panel %q: %s: %v", b.path, p.Title, query, err)
					continue
				}
				if !q.Instant {
					ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
					_, _, _, err := server.QueryRange(ctx, query, v1.Range{Start: time.Now().Add(-10 * time.Minute), End: time.Now(), Step: 10 * time.Second})
					cancel()
					if err != nil {
						t.Errorf("%s, panel %q over time: %s: %v", b.path, p.Title, query, err)
					}
				}
				if query != everything(q.Expr) {
					continue
				}
				// The household's one bad message came before the first scrape.
				if len(v) == 0 && p.Title == "Messages that could not be used" {
					continue
				}
				if len(v) == 0 {
					t.Errorf("%s, panel %q has no answer: %s", b.path, p.Title, query)
					continue
				}
				for _, name := range p.labels(q) {
					if !slices.ContainsFunc(v, func(s *model.Sample) bool { return s.Metric[model.LabelName(name)] != "" }) {
						t.Errorf("%s, panel %q: no series has the label %s: %s", b.path, p.Title, name, query)
					}
				}
			}
		})
	}
	if asked < 150 {
		t.Errorf("%d queries asked", asked)
	}
	f := func(panel string, want map[string]float64) {
		t.Helper()
		for _, b := range files(t, prometheusSource) {
			b.all(func(p filePanel, q fileTarget) {
				if p.Title != panel || q.RefID != "A" {
					return
				}
				got := map[string]float64{}
				v, err := now(server, everything(q.Expr))
				for _, s := range v {
					got[string(s.Metric["room"])] = float64(s.Value)
				}
				if d := cmp.Diff(want, got); d != "" || err != nil {
					t.Errorf("%s, panel %q (-want +got): %v\n%s", b.path, panel, err, d)
				}
			})
		}
	}
	f("Rooms", map[string]float64{"cellar": 18, "north-pantry": 21, "loft": 21}) // all of them, known or not
	f("Rooms of unknown temperature", map[string]float64{"": 2})
	f("Silent sensors", map[string]float64{"": 1})
	f("Checks that fail", map[string]float64{"": 0})
	f("Broker", map[string]float64{"": 1})
}

// labels are those by which the series of a query are named, or that are columns
// of the table.
func (p filePanel) labels(q fileTarget) (out []string) {
	for _, m := range regexp.MustCompile(`\{\{(\w+)\}\}`).FindAllStringSubmatch(q.LegendFormat, -1) {
		out = append(out, m[1])
	}
	for _, x := range p.Transformations {
		for from := range x.Options.RenameByName {
			if !strings.HasPrefix(from, "Value") {
				out = append(out, from)
			}
		}
	}
	return out
}
