package app_test

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/dispatch"
	"dryhold/internal/store"
	"dryhold/internal/web"
)

// mail is what the keeper got for a person, with links.
func (k *keeper) mail() []alarm.Notice {
	k.mu.Lock()
	defer k.mu.Unlock()
	var out []alarm.Notice
	for _, n := range k.got {
		if n.To != "" && len(n.Items) > 0 {
			out = append(out, n)
		}
	}
	return out
}

// linkedHouse is a house with a hot oven of which mara was told, and the paths
// of the links that she was sent, by their text.
func linkedHouse(t *testing.T) (h *house, w *watches, links map[string]string) {
	t.Helper()
	h, k := newHouse(t, nil), &keeper{}
	w = &watches{wall: time.Date(2031, 7, 12, 12, 0, 0, 0, time.UTC)}
	h.opts.Settings = ovenSettings(t, "")
	h.opts.Settings.HTTP.PublicURL = "http://hearth.lan:8090"
	h.opts.Settings.Notify.Recipients = []dispatch.Recipient{{Name: "mara", Channels: []string{"keeper"}, Least: alarm.Low, Zone: time.UTC, Repeat: dispatch.DefaultRepeat(), AtMost: 3}}
	h.opts.Now, h.opts.Channels = w.Now, append(h.opts.Channels, k)
	h.opts = h.opts.Clocks(w.Mono, time.Time{})
	h.start()
	c := publisher(t, h.app.BrokerURL())
	heat := func() {
		t.Helper()
		publish(t, c, "rooms/oven", false, fmt.Sprintf(`{"temperature":31,"time":%q}`, w.Now().Format(time.RFC3339)))
	}
	heat()
	eventually(t, "the oven's alarm", func() bool { return ovenAlarm(t, h.app.URL()).State == alarm.ActiveUnacknowledged })
	w.run(dispatch.Grouping + time.Minute)
	heat()
	eventually(t, "the message", func() bool { return len(k.mail()) > 0 })
	links = map[string]string{}
	for _, l := range k.mail()[0].Links {
		path, found := strings.CutPrefix(l.URL, "http://hearth.lan:8090")
		if !found {
			t.Errorf("a link to %s", l.URL)
		}
		links[l.Text] = path
	}
	return h, w, links
}

// follow presses the button of a link.
func follow(t *testing.T, page, path, note string) (int, string) {
	t.Helper()
	r, err := client().PostForm(page+path, url.Values{"note": {note}})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(body)
}

// A link in a message shows what it does, does it once and for the alarm it was
// sent for alone, and says afterwards who did it.
func TestLinksWorkOnce(t *testing.T) {
	h, w, links := linkedHouse(t)
	page := h.app.URL()
	ack, shelve := links["Acknowledge warm/oven"], links["Shelve for a day warm/oven"]
	if ack == "" || shelve == "" || links["All alarms, for who is logged in"] != "/alarms" || len(links) != 3 {
		t.Fatalf("links %v", links)
	}
	unmoved := func(why string) {
		t.Helper()
		if got := ovenHistory(t, page); len(got) != 1 {
			t.Errorf("%s: %q", why, got)
		}
	}
	for range 3 { // a scanner of mail
		if code, body := get(t, page+ack); code != http.StatusOK || !strings.Contains(body, "Nothing is done until you press the button") || !strings.Contains(body, "mara") {
			t.Errorf("%d %s", code, body)
		}
	}
	unmoved("a GET moved the alarm")
	for _, bad := range []string{ack[:len(ack)-1], ack[:len(ack)-4] + "AAAA", "/a/AAAA", "/a/" + strings.Repeat("A", 3000)} {
		if code, body := follow(t, page, bad, ""); code != http.StatusNotFound || !strings.Contains(body, "not one of ours") {
			t.Errorf("%s: %d %s", bad, code, body)
		}
	}
	unmoved("a wrong link moved the alarm")

	if code, body := follow(t, page, ack, "window open"); code != http.StatusOK || !strings.Contains(body, "is acknowledged") {
		t.Errorf("%d %s", code, body)
	}
	if a := ovenAlarm(t, page); a.State != alarm.ActiveAcknowledged || a.By != "mara (by link)" {
		t.Errorf("after the link: %+v", a)
	}
	for _, again := range []func() (int, string){
		func() (int, string) { return follow(t, page, ack, "") }, func() (int, string) { return get(t, page+ack) },
	} {
		if code, body := again(); code != http.StatusUnprocessableEntity || !strings.Contains(body, "it was done already, on Sat 12 Jul 2031 12:06 UTC by mara (by link): warm/oven acknowledged") {
			t.Errorf("a second time: %d %s", code, body)
		}
	}
	// Of another spell it is of no use, and is not used up by that.
	operate(t, page, alarm.ActShelve, web.OperateAlarm{For: "1h"}, http.StatusNoContent)
	operate(t, page, alarm.ActUnshelve, web.OperateAlarm{}, http.StatusNoContent)
	if code, body := follow(t, page, shelve, ""); code != http.StatusUnprocessableEntity || !strings.Contains(body, "another one has come since") {
		t.Errorf("for an alarm that is over: %d %s", code, body)
	}
	w.run(7*24*time.Hour + time.Hour)
	if code, body := follow(t, page, shelve, ""); code != http.StatusUnprocessableEntity || !strings.Contains(body, "this link was good until Sat 19 Jul 2031 12:06 UTC") {
		t.Errorf("after a week: %d %s", code, body)
	}
	want := []string{"shelved to active unacknowledged Mara", "active acknowledged to shelved Mara",
		"active unacknowledged to active acknowledged mara (by link) window open", "normal to active unacknowledged"}
	if d := cmp.Diff(want, ovenHistory(t, page)); d != "" {
		t.Errorf("history (-want +got):\n%s", d)
	}
}

// Followed while the store is sick a link does nothing and stays good; what it
// did outlives the daemon, and so does that it was used.
func TestLinksAreDurable(t *testing.T) {
	h, _, links := linkedHouse(t)
	shelve := links["Shelve for a day warm/oven"]
	h.restrict(store.Restriction{ReadOnly: true})
	if code, body := follow(t, h.app.URL(), shelve, ""); code != http.StatusServiceUnavailable || !strings.Contains(body, "the disk is read-only") {
		t.Errorf("while the store is sick: %d %s", code, body)
	}
	h.restrict(store.Restriction{})
	if code, body := follow(t, h.app.URL(), shelve, ""); code != http.StatusOK || !strings.Contains(body, "is shelved") {
		t.Errorf("%d %s", code, body)
	}
	h.restart()
	if a := ovenAlarm(t, h.app.URL()); a.State != alarm.Shelved || !a.ShelvedUntil.Equal(time.Date(2031, 7, 13, 12, 6, 0, 0, time.UTC)) {
		t.Errorf("after a restart: %+v", a)
	}
	if code, body := follow(t, h.app.URL(), shelve, ""); code != http.StatusUnprocessableEntity || !strings.Contains(body, "it was done already") {
		t.Errorf("a second time, after a restart: %d %s", code, body)
	}
	if code, _ := follow(t, h.app.URL(), links["Acknowledge warm/oven"], ""); code != http.StatusUnprocessableEntity {
		t.Errorf("a shelved alarm is acknowledged: %d", code)
	}
}
