package ecosystem

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/api"
	v1 "github.com/prometheus/client_golang/api/prometheus/v1"
	"github.com/prometheus/common/model"

	"dryhold/internal/servertest"
)

// patience is how long anything may take on a loaded machine.
const patience = 5 * time.Minute

// within waits for a condition and gives how long it took.
func within(t testing.TB, what string, cond func() bool) time.Duration {
	t.Helper()
	began := time.Now()
	for !cond() {
		if time.Since(began) > patience {
			t.Fatalf("waited %v in vain for %s", patience, what)
		}
		time.Sleep(20 * time.Millisecond)
	}
	return time.Since(began)
}

// get fetches what a server shows.
func get(t testing.TB, url string) string {
	t.Helper()
	r, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode >= 300 {
		t.Fatalf("%s: %d, %v: %.500s", url, r.StatusCode, err, b)
	}
	return string(b)
}

func write(t testing.TB, path, text string) string {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// router is an alert router.
type router struct {
	*servertest.Process
	t   testing.TB
	url string
}

func startRouter(t testing.TB) *router {
	t.Helper()
	program, dir, addr := servertest.Program(t, "prometheus-alertmanager", "prometheus-alertmanager"), t.TempDir(), servertest.FreeAddr(t)
	file := write(t, filepath.Join(dir, "router.yml"), "route: {receiver: nobody, group_by: [site]}\nreceivers: [{name: nobody}]\n")
	return &router{t: t, url: "http://" + addr, Process: servertest.Start(t, "http://"+addr+"/-/ready", program,
		"--config.file="+file, "--storage.path="+filepath.Join(dir, "data"), "--web.listen-address="+addr, "--cluster.listen-address=", "--log.level=warn")}
}

// labels are those of every active alert that has all of the labels given.
func (r *router) labels(with ...string) (out []map[string]string) {
	r.t.Helper()
	var all []struct{ Labels map[string]string }
	if err := json.Unmarshal([]byte(get(r.t, r.url+"/api/v2/alerts?active=true")), &all); err != nil {
		r.t.Fatal(err)
	}
next:
	for _, a := range all {
		for i := 0; i < len(with); i += 2 {
			if a.Labels[with[i]] != with[i+1] {
				continue next
			}
		}
		out = append(out, a.Labels)
	}
	return out
}

// asking gives the query API of a server that has that of Prometheus.
func asking(t testing.TB, url string) v1.API {
	t.Helper()
	client, err := api.NewClient(api.Config{Address: url})
	if err != nil {
		t.Fatal(err)
	}
	return v1.NewAPI(client)
}

// prometheus scrapes daemons and evaluates our rules: as they are, and once
// more with every holding time cut to two seconds, so that they fire while a
// test waits; those carry the label holding.
type prometheus struct {
	*servertest.Process
	t testing.TB
	v1.API
	url string
}

const cutHolding = "cut"

func startPrometheus(t testing.TB, router string, targets ...string) *prometheus {
	t.Helper()
	program, dir, addr := servertest.Program(t, "prometheus", "prometheus"), t.TempDir(), servertest.FreeAddr(t)
	rules, err := os.ReadFile("../../dashboards/prometheus-rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	quick := regexp.MustCompile(`(?m)^(\s+for:) \w+$`).ReplaceAllString(string(rules), "$1 2s")
	quick = strings.ReplaceAll(quick, "labels: {", "labels: {holding: "+cutHolding+", ")
	quick = strings.Replace(quick, "name: dryhold", "name: dryhold-cut", 1)
	write(t, filepath.Join(dir, "rules.yaml"), string(rules))
	write(t, filepath.Join(dir, "cut.yaml"), quick)
	file := write(t, filepath.Join(dir, "prometheus.yml"), fmt.Sprintf(`global: {scrape_interval: 1s, evaluation_interval: 1s}
rule_files: [rules.yaml, cut.yaml]
alerting: {alertmanagers: [{static_configs: [{targets: [%q]}]}]}
scrape_configs:
  - job_name: dryhold
    static_configs: [{targets: [%s]}]
`, strings.TrimPrefix(router, "http://"), strings.Join(targets, ", ")))
	p := &prometheus{t: t, url: "http://" + addr, Process: servertest.Start(t, "http://"+addr+"/-/ready", program,
		"--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+addr, "--log.level=warn")}
	p.API = asking(t, p.url)
	return p
}

// query asks a server with the query API of Prometheus until it answers with
// at least one series.
func query(t testing.TB, a v1.API, text string) (out model.Vector) {
	t.Helper()
	var last error
	within(t, "an answer to "+text, func() bool {
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		v, _, _, err := a.Query(ctx, text, time.Now())
		last = err
		vector, ok := v.(model.Vector)
		out = vector
		return err == nil && ok && len(vector) > 0
	})
	if last != nil {
		t.Fatalf("%s: %v", text, last)
	}
	return out
}

// alerts are the names of those of our rules that are in a state, once each.
func (p *prometheus) alerts(state v1.AlertState) map[string]bool {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	res, err := p.Alerts(ctx)
	if err != nil {
		p.t.Fatal(err)
	}
	out := map[string]bool{}
	for _, a := range res.Alerts {
		if a.State == state {
			out[string(a.Labels["alertname"])] = true
		}
	}
	return out
}

// built compiles the program once for all tests, as it is shipped.
var built = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "dryhold-ecosystem-")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "dryhold")
	cmd := exec.Command("go", "build", "-trimpath", "-o", path, "dryhold/cmd/dryhold")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	return path, nil
})

func TestMain(m *testing.M) {
	code := m.Run()
	if path, err := built(); err == nil {
		_ = os.RemoveAll(filepath.Dir(path))
	}
	os.Exit(code)
}
