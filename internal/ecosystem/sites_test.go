package ecosystem

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	v1 "github.com/prometheus/client_golang/api/prometheus/v1"

	"dryhold/internal/demo"
	"dryhold/internal/influx/victoriatest"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/servertest"
)

// neighbour is one of several sites that share broker, database and alert
// router. Its rooms are named as those of the others.
type neighbour struct {
	*daemon
	*sensors
	weather *demo.Scenario
	shift   time.Duration
	last    map[string]float64 // temperatures published last, °C
	before  int                // readings of the daemon's lives before
}

// newNeighbour runs a site under invented weather of its own, of the hot week
// up to two hours ago.
func newNeighbour(t *testing.T, site, below string, seed uint64, broker, page string, v *victoriatest.Server, r *router) *neighbour {
	t.Helper()
	n := &neighbour{weather: demo.NewScenario(seed), last: map[string]float64{}}
	n.shift = time.Now().Truncate(time.Minute).Add(-time.Minute).Sub(hottest())
	n.daemon = startDaemonAt(t, page, site, broker, fmt.Sprintf("%s%sinflux: {url: %q, org: all, bucket: dryhold}\nalertmanager: {url: %q, every: 5s}\n",
		larchHouse, topics(below), v.URL, r.url))
	n.sensors = newSensors(t, site, broker, below)
	for _, l := range demo.Lots()[:3] {
		l.PackedAt = l.PackedAt.Add(n.shift)
		n.post("/api/v1/lots", l)
	}
	for at := demo.Start(); at.Before(hottest().Add(-48 * time.Hour)); at = at.Add(demo.Interval) {
		n.weather.Next()
	}
	n.live(46 * time.Hour)
	return n
}

// live publishes so much more of the weather.
func (n *neighbour) live(span time.Duration) {
	n.daemon.t.Helper()
	for range int(span / demo.Interval) {
		for _, msg := range n.weather.Next() {
			payload, temperature := moved(n.daemon.t, msg, n.shift)
			n.publish(msg.Room, msg.Room, payload)
			n.last[msg.Room] = temperature
		}
	}
	n.settle()
}

// whole waits until every reading of the site is with the daemon and the export
// server, and fails the test where there is one of another site, one twice, or
// one with another value.
func (n *neighbour) whole(v *victoriatest.Server) {
	t := n.daemon.t
	t.Helper()
	n.stored()
	n.exported(n.sensors)
	got, twice, wrong := readBack(v, n.daemon.site)
	for k, want := range n.sent {
		if x, there := got[k]; !there || math.Abs(x-want) > 1e-9*max(1, math.Abs(want)) {
			wrong++
		}
	}
	if len(got) != len(n.sent) || twice+wrong > 0 {
		t.Errorf("%s published %d readings; the export server has %d under its name, %d twice, %d lost or with another value", n.daemon.site, len(n.sent), len(got), twice, wrong)
	}
	for room, want := range n.last {
		if x := n.room(room).Temperature; !x.Known || math.Abs(x.Value-want) > 0.001 {
			t.Errorf("%s, %s: %+v, %.2f was published last", n.daemon.site, room, x, want)
		}
	}
	if in := n.status().Snapshot.Intake; len(in.Errors) > 0 {
		t.Errorf("%s got what is not its own: %+v", n.daemon.site, in.Errors)
	}
}

// stored waits until what was published since the daemon's start, or while it
// was away before, is on disk; and no more.
func (n *neighbour) stored() {
	t := n.daemon.t
	t.Helper()
	want := uint64(len(n.sent) - n.before)
	within(t, "the readings of "+n.daemon.site+" on disk", func() bool { return n.status().Snapshot.Intake.Stored >= want })
	if got := n.status().Snapshot.Intake.Stored; got != want {
		t.Errorf("%s has stored %d readings, %d were published for it", n.daemon.site, got, want)
	}
}

// Two sites with rooms of the same names share a broker, a database and an
// alert router. Nothing of one appears in the other, one that stops does not
// disturb the other and misses nothing, and one query answers for both.
func TestSites(t *testing.T) {
	pages := []string{servertest.FreeAddr(t), servertest.FreeAddr(t)}
	scrape := write(t, filepath.Join(t.TempDir(), "scrape.yml"), fmt.Sprintf(
		"global: {scrape_interval: 1s}\nscrape_configs: [{job_name: dryhold, static_configs: [{targets: [%q, %q]}]}]\n", pages[0], pages[1]))
	m, v, r := mosquittotest.Start(t), victoriatest.Start(t, "-promscrape.config="+scrape), startRouter(t)
	larch := newNeighbour(t, "larch-house", "larch", 1, m.URL, pages[0], v, r)
	barn := newNeighbour(t, "alder-barn", "alder", 2, m.URL, pages[1], v, r)
	both := []*neighbour{larch, barn}
	for _, n := range both {
		n.whole(v)
		if ok, text := n.check("alone"); !ok {
			t.Errorf("%s: %s", n.daemon.site, text)
		}
	}
	said := kept(t, m.URL)
	for _, n := range both {
		if got := said["dryhold/"+n.daemon.site+"/status"]; got != "online" {
			t.Errorf("the status of %s is %q", n.daemon.site, got)
		}
	}
	if _, there := said["dryhold/status"]; there {
		t.Error("somebody speaks outside its root")
	}
	within(t, "alarms of both at the router", func() bool {
		return len(r.labels("site", "larch-house", "room", "loft")) > 0 && len(r.labels("site", "alder-barn", "room", "loft")) > 0
	})

	barn.Stop()
	barn.before = len(barn.sent)
	larch.live(time.Hour)
	barn.live(time.Hour) // its messages wait in its session
	larch.whole(v)
	said = kept(t, m.URL)
	if said["dryhold/alder-barn/status"] != "offline" || said["dryhold/larch-house/status"] != "online" {
		t.Errorf("one has stopped: %v", said)
	}
	if ok, text := larch.check("alone"); !ok || !larch.status().Health.OK {
		t.Errorf("one has stopped and the other is unwell: %s, %+v", text, larch.status().Health)
	}
	barn.Run()
	for _, n := range both {
		n.live(50 * time.Minute)
		n.whole(v)
	}
	t.Logf("two sites at one broker and one database: %d and %d readings produced, each delivered once under its own name, none lost while one was away",
		len(larch.sent), len(barn.sent))
	asked(t, v, []string{"alder-barn", "larch-house"})
}

// kept are the retained messages below dryhold/.
func kept(t *testing.T, broker string) map[string]string {
	t.Helper()
	_, port, _ := strings.Cut(strings.TrimPrefix(broker, "mqtt://"), ":")
	// It ends with a time-out, which is no failure.
	out, _ := exec.Command(servertest.Program(t, "mosquitto_sub", "mosquitto-clients"), "-h", "127.0.0.1", "-p", port, "-t", "dryhold/#", "--retained-only", "-W", "2", "-v").Output()
	said := map[string]string{}
	for line := range strings.Lines(string(out)) {
		topic, text, _ := strings.Cut(strings.TrimSpace(line), " ")
		said[topic] = text
	}
	if len(said) == 0 {
		t.Fatal("the broker keeps nothing below dryhold/")
	}
	return said
}

// asked looks at the database as a dashboard does: every series of ours says
// its site, those of the machine say which daemon they are of, and each query
// of the dashboard of many sites answers for every site.
func asked(t *testing.T, v *victoriatest.Server, sites []string) {
	t.Helper()
	a := asking(t, v.URL)
	// Until both were scraped since the last start.
	within(t, "both to be scraped", func() bool { return len(query(t, a, `dryhold_last_evaluation_timestamp_seconds`)) == len(sites) })
	for _, s := range query(t, a, `last_over_time({__name__=~"dryhold_.+"}[1h])`) {
		if !slices.Contains(sites, string(s.Metric["site"])) {
			t.Errorf("a series that does not say its site: %v", s.Metric)
		}
	}
	if n := len(query(t, a, `count by (job, instance) (go_goroutines)`)); n != len(sites) {
		t.Errorf("the figures of %d processes can be told apart, of %d", n, len(sites))
	}
	expressions := manySites(t)
	if len(expressions) < 5 {
		t.Fatalf("the dashboard of many sites has %d queries", len(expressions))
	}
	for _, x := range expressions {
		if got := sitesOf(t, a, x, len(sites)); !slices.Equal(got, sites) {
			t.Errorf("%s answers for %v, want %v", x, got, sites)
		}
	}
	t.Logf("%d queries of the dashboard of many sites answer for %s", len(expressions), strings.Join(sites, " and "))
}

func sitesOf(t *testing.T, a v1.API, text string, want int) (sites []string) {
	t.Helper()
	within(t, fmt.Sprintf("an answer for %d sites to %s", want, text), func() bool {
		sites = nil
		for _, s := range query(t, a, text) {
			sites = append(sites, string(s.Metric["site"]))
		}
		return len(sites) >= want
	})
	slices.Sort(sites)
	return slices.Compact(sites)
}

// manySites are the queries of the dashboard of many sites for Prometheus, of
// all sites.
func manySites(t *testing.T) (out []string) {
	t.Helper()
	text, err := os.ReadFile("../../dashboards/prometheus/many-sites.json")
	if err != nil {
		t.Fatal(err)
	}
	var board struct {
		Panels []struct {
			Targets []struct{ Expr string }
		}
	}
	if err := json.Unmarshal(text, &board); err != nil {
		t.Fatal(err)
	}
	fill := strings.NewReplacer("$site", ".*", "$__range", "1h", "$__rate_interval", "1m", "$__interval", "1m")
	for _, p := range board.Panels {
		for _, x := range p.Targets {
			out = append(out, fill.Replace(x.Expr))
		}
	}
	return out
}
