package metrics

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/api"
	v1 "github.com/prometheus/client_golang/api/prometheus/v1"
	"github.com/prometheus/common/model"

	"dryhold/internal/servertest"
)

// realPrometheus runs Debian's prometheus with our alert rules against one
// target, and gives its API. Without the program the test is skipped, or fails
// if DRYHOLD_TEST_SERVERS is 1.
func realPrometheus(t *testing.T, target string) v1.API {
	t.Helper()
	binary := servertest.Program(t, "prometheus", "prometheus")
	rules, err := filepath.Abs("../../dashboards/prometheus-rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	dir, addr := t.TempDir(), servertest.FreeAddr(t)
	config := fmt.Sprintf("global: {scrape_interval: 1s, evaluation_interval: 1s}\nrule_files: [%q]\nscrape_configs:\n  - job_name: dryhold\n    static_configs: [{targets: [%q]}]\n", rules, target)
	file := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	servertest.Start(t, "http://"+addr+"/-/ready", binary, "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+addr, "--log.level=warn")
	client, err := api.NewClient(api.Config{Address: "http://" + addr})
	if err != nil {
		t.Fatal(err)
	}
	return v1.NewAPI(client)
}

// asked asks until an answer is taken: a server that starts has none yet.
func asked(t *testing.T, doing string, try func(context.Context) error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	for {
		err := try(ctx)
		if err == nil {
			return
		}
		select {
		case <-ctx.Done():
			t.Fatalf("%s: %v", doing, err)
		case <-time.After(100 * time.Millisecond):
		}
	}
}

// The real server takes the whole scrape, reads our values as they are, and
// raises our rules by them.
func TestPrometheusScrapes(t *testing.T) {
	m := whole(t)
	server := httptest.NewServer(m.Handler())
	t.Cleanup(server.Close)
	p := realPrometheus(t, strings.TrimPrefix(server.URL, "http://"))
	query := func(text string) (out model.Vector) {
		t.Helper()
		asked(t, text, func(ctx context.Context) error {
			v, _, warnings, err := p.Query(ctx, text, time.Now())
			if err != nil {
				return err
			}
			vector, ok := v.(model.Vector)
			if !ok || len(vector) == 0 || len(warnings) > 0 {
				return fmt.Errorf("answered %v, warnings %v", v, warnings)
			}
			out = vector
			return nil
		})
		return out
	}
	asked(t, "the target is up", func(ctx context.Context) error {
		targets, err := p.Targets(ctx)
		if err != nil {
			return err
		}
		if len(targets.Active) != 1 || targets.Active[0].Health != v1.HealthGood {
			return fmt.Errorf("targets %+v", targets.Active)
		}
		return nil
	})
	if v := query(`dryhold_room_temperature_celsius{site="Larch House"}`); len(v) != 1 || v[0].Metric["room"] != "cellar" || math.Abs(float64(v[0].Value)-14.25) > 1e-9 {
		t.Errorf("temperature %v: the loft is not known and must have none", v)
	}
	families, err := m.registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	names := map[model.LabelValue]bool{}
	for _, s := range query(`count by (__name__) ({job="dryhold"})`) {
		names[s.Metric["__name__"]] = true
	}
	for _, f := range families {
		name := f.GetName()
		if kindOf(name) == "histogram" {
			name += "_count"
		}
		if strings.HasPrefix(name, "dryhold_") && !names[model.LabelValue(name)] {
			t.Errorf("prometheus has no %s", name)
		}
	}
	asked(t, "our rules raise by our values", func(ctx context.Context) error {
		groups, err := p.Rules(ctx, nil)
		if err != nil {
			return err
		}
		pending := 0
		for _, g := range groups.Groups {
			for _, r := range g.Rules {
				rule, ok := r.(v1.AlertingRule)
				if !ok {
					return fmt.Errorf("a rule that raises nothing: %+v", r)
				}
				if rule.Health == v1.RuleHealthBad {
					return fmt.Errorf("rule %s: %s", rule.Name, rule.LastError)
				}
				if rule.Name == "DryholdSensorSilent" || rule.Name == "DryholdAlarmOfHighPriority" {
					pending += len(rule.Alerts)
				}
			}
		}
		if pending < 2 {
			return errors.New("a silent sensor and an alarm of high priority raise nothing")
		}
		return nil
	})
}
