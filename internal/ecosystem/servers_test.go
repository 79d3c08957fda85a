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
	"syscall"
	"testing"
	"time"

	"github.com/prometheus/client_golang/api"
	v1 "github.com/prometheus/client_golang/api/prometheus/v1"
	"github.com/prometheus/common/model"

	"dryhold/internal/intake/mosquittotest"
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

// answers reports whether a server is up.
func answers(url string) bool {
	r, err := http.Get(url)
	if err != nil {
		return false
	}
	_ = r.Body.Close()
	return r.StatusCode == http.StatusOK
}

// installed gives the path of a program. Without it the test is skipped, or
// fails if DRYHOLD_TEST_SERVERS is 1.
func installed(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	switch {
	case err == nil:
		return path
	case os.Getenv(mosquittotest.ServersEnv) == "1":
		t.Fatalf("%s is missing: install Debian's %[1]s", name)
	}
	t.Skipf("%s is missing: install Debian's %[1]s", name)
	return ""
}

func write(t testing.TB, path, text string) string {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// process is a server of the test, which may be stopped and started again. It
// ends with the test, and what it said is shown where that failed.
type process struct {
	t      testing.TB
	name   string
	args   []string
	ready  string // URL that answers when it is up
	said   *os.File
	cmd    *exec.Cmd
	exited chan struct{}
}

func start(t testing.TB, name, ready, program string, args ...string) *process {
	t.Helper()
	said, err := os.Create(filepath.Join(t.TempDir(), "log"))
	if err != nil {
		t.Fatal(err)
	}
	p := &process{t: t, name: name, args: append([]string{program}, args...), ready: ready, said: said}
	t.Cleanup(func() {
		p.stop()
		if text, err := os.ReadFile(said.Name()); err == nil && t.Failed() {
			t.Logf("%s said, at last:\n%s", name, text[max(0, len(text)-4000):])
		}
		_ = said.Close()
	})
	p.run()
	return p
}

func (p *process) run() {
	p.t.Helper()
	p.cmd = exec.Command(p.args[0], p.args[1:]...)
	p.cmd.Stdout, p.cmd.Stderr = p.said, p.said
	if err := p.cmd.Start(); err != nil {
		p.t.Fatalf("cannot start %s: %v", p.name, err)
	}
	p.exited = make(chan struct{})
	go func(cmd *exec.Cmd, exited chan struct{}) {
		_ = cmd.Wait()
		close(exited)
	}(p.cmd, p.exited)
	within(p.t, p.name+" to answer", func() bool {
		select {
		case <-p.exited:
			p.t.Fatalf("%s ended at once", p.name)
		default:
		}
		return answers(p.ready)
	})
}

// stop ends it in good order, and by force where it does not end.
func (p *process) stop() {
	if p.cmd == nil {
		return
	}
	_ = p.cmd.Process.Signal(syscall.SIGTERM) // it may have ended
	select {
	case <-p.exited:
	case <-time.After(30 * time.Second):
		_ = p.cmd.Process.Kill()
		<-p.exited
	}
	p.cmd = nil
}

// router is an alert router.
type router struct {
	*process
	url string
}

func startRouter(t testing.TB) *router {
	t.Helper()
	program, dir, addr := installed(t, "prometheus-alertmanager"), t.TempDir(), mosquittotest.FreeAddr(t)
	file := write(t, filepath.Join(dir, "router.yml"), "route: {receiver: nobody, group_by: [site]}\nreceivers: [{name: nobody}]\n")
	return &router{url: "http://" + addr, process: start(t, "prometheus-alertmanager", "http://"+addr+"/-/ready", program,
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
	*process
	v1.API
	url string
}

const cutHolding = "cut"

func startPrometheus(t testing.TB, router string, targets ...string) *prometheus {
	t.Helper()
	program, dir, addr := installed(t, "prometheus"), t.TempDir(), mosquittotest.FreeAddr(t)
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
	p := &prometheus{url: "http://" + addr, process: start(t, "prometheus", "http://"+addr+"/-/ready", program,
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
