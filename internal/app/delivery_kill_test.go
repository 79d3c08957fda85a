package app_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/crash"
	"dryhold/internal/servertest"
	"dryhold/internal/web"
)

// A daemon killed while it delivers, before a notice is sent, after it is taken
// and after that is noted, delivers each at least once in the end, and whatever
// comes again has the same key and the same body.
func TestKillDuringDelivery(t *testing.T) {
	r, dir := newHooked(t), t.TempDir()
	put := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	page := servertest.FreeAddr(t)
	config := put("dryhold.yaml", fmt.Sprintf(`
site: larch-house
broker: {embedded: {listen: %q}}
http: {listen: %q}
notify: {channels: [{name: house, webhook: {url: %q, secret_file: %q}}]}
`, servertest.FreeAddr(t), page, r.URL+"/hook", put("secret", "planted-secret-of-the-webhook")))
	data := filepath.Join(dir, "data")
	var queued []string // answered as queued, so on disk
	queue := func() {
		body := asJSON(t, web.TestNotice{Channel: "house", By: "Mara"})
		resp, err := client().Post("http://"+page+"/api/v1/notices/test", "application/json", strings.NewReader(body))
		if err != nil {
			return // it was killed before it answered
		}
		defer resp.Body.Close()
		var answer web.TestQueued
		if resp.StatusCode == http.StatusAccepted && json.NewDecoder(resp.Body).Decode(&answer) == nil {
			queued = append(queued, answer.Key)
		}
	}
	lives := 0
	for _, point := range []crash.Point{crash.Sending, crash.Sent, crash.Noted} {
		for n := range 3 {
			lives++
			cmd := exec.Command(os.Args[0])
			cmd.Env = append(os.Environ(), "DRYHOLD_TEST_DAEMON="+data, "DRYHOLD_TEST_CONFIG="+config,
				"DRYHOLD_TEST_CRASH="+string(point), fmt.Sprintf("DRYHOLD_TEST_COMMITS=%d", n))
			out, err := cmd.StdoutPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			ended := make(chan bool, 1)
			go func() {
				came := false
				for lines := bufio.NewScanner(out); lines.Scan(); {
					came = came || strings.Contains(lines.Text(), marker)
				}
				ended <- came
			}()
			for came, over := false, false; !over; time.Sleep(20 * time.Millisecond) {
				queue()
				select {
				case came = <-ended:
					over = true
				default:
				}
				if over && !came {
					t.Errorf("the daemon ended before it came to %q", point)
				}
			}
			_ = cmd.Wait()
		}
	}
	s, err := configOf(config)
	if err != nil {
		t.Fatal(err)
	}
	h := &house{t: t, opts: app.Options{Settings: s, Catalog: shipped(t), DataDir: data}}
	t.Cleanup(func() {
		if h.app != nil {
			h.stop()
		}
	})
	h.start()
	delivered(t, data, "house")
	h.stop()
	bodies, again := map[string]string{}, 0
	for _, p := range r.taken() {
		body, seen := bodies[p.key]
		if bodies[p.key] = p.body; !seen {
			continue
		}
		if again++; body != p.body {
			t.Errorf("notice %s came again with another body:\n%s\n%s", p.key, body, p.body)
		}
	}
	for _, key := range queued {
		if _, ok := bodies["larch-house/"+key]; !ok {
			t.Errorf("notice %s was answered as queued and never came", key)
		}
	}
	// Each of three kills between taking and noting makes one come again; a
	// kill at another point may catch one under way, and no more.
	if again < 3 || again > lives {
		t.Errorf("%d notices came again after %d kills", again, lives)
	}
	if len(queued) < 3 {
		t.Errorf("only %d notices were queued in %d lives", len(queued), lives)
	}
	t.Logf("%d notices, %d came again after %d kills", len(bodies), again, lives)
}
