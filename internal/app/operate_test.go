package app_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
	"dryhold/internal/crash"
	"dryhold/internal/engine"
	"dryhold/internal/settings"
	"dryhold/internal/store"
	"dryhold/internal/web"
)

// ovenText is a configuration in which the oven's alarm comes at once.
const ovenText = "site: larch-house\nbroker: {embedded: {listen: 127.0.0.1:0}}\nhttp: {listen: 127.0.0.1:0}\naccept_new_rooms: true\n" +
	"rooms:\n  - {name: oven, limits: {warm: {limit: 30 C, deadband: 0.5 K, on_delay: 0s, off_delay: 0s}, hot: off}}\n"

func ovenSettings(t *testing.T, more string) *settings.Settings {
	t.Helper()
	cfg, err := settings.Parse("oven.yaml", []byte(ovenText+more))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

// hotOven heats the oven of a daemon until its alarm stands.
func hotOven(t *testing.T, page, broker string) {
	t.Helper()
	publish(t, publisher(t, broker), "rooms/oven/temperature", false, "31")
	eventually(t, "the oven's alarm", func() bool { return ovenAlarm(t, page).State == alarm.ActiveUnacknowledged })
}

// ovenAlarm is the oven's alarm as it is shown; zero when it is normal.
func ovenAlarm(t *testing.T, page string) engine.AlarmView {
	t.Helper()
	for _, a := range statusOf(t, page).Snapshot.Alarms {
		if a.Key == ovenWarm() {
			return a
		}
	}
	return engine.AlarmView{}
}

// ovenHistory is what the oven's alarm went through, the newest first.
func ovenHistory(t *testing.T, page string) (out []string) {
	t.Helper()
	_, body := get(t, page+"/api/v1/alarms/history?alarm=warm/oven&limit=10000")
	var a web.AlarmHistoryAnswer
	if err := json.Unmarshal([]byte(body), &a); err != nil {
		t.Fatalf("%v: %s", err, body)
	}
	for _, ev := range a.Events {
		out = append(out, strings.TrimSpace(fmt.Sprintf("%s to %s %s %s", ev.From, ev.To, ev.By, ev.Note)))
	}
	return out
}

func operate(t *testing.T, page, do string, body web.OperateAlarm, want int) string {
	t.Helper()
	body.Key, body.By = ovenWarm(), "Mara"
	code, answer := post(t, page+"/api/v1/alarms/"+do, body)
	if code != want {
		t.Errorf("%s: %d %s, want %d", do, code, answer, want)
	}
	return answer
}

// What people did to an alarm is there after a kill -9 right behind the
// answer: its state, the note, the audit, the history.
func TestOperationsOutliveAKill(t *testing.T) {
	file := filepath.Join(t.TempDir(), "oven.yaml")
	if err := os.WriteFile(file, []byte(ovenText), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("DRYHOLD_TEST_CONFIG", file)
	h := newHouse(t, nil)
	d := begin(t, h.opts.DataDir, "")
	hotOven(t, d.url, d.broker)
	operate(t, d.url, alarm.ActAcknowledge, web.OperateAlarm{Note: "seen"}, http.StatusNoContent)
	operate(t, d.url, alarm.ActAnnotate, web.OperateAlarm{Note: "compressor failed"}, http.StatusNoContent)
	operate(t, d.url, alarm.ActShelve, web.OperateAlarm{For: "8h"}, http.StatusNoContent)
	shelved := ovenAlarm(t, d.url)
	d.kill(t)

	h.opts.Settings = ovenSettings(t, "")
	h.start()
	a := ovenAlarm(t, h.app.URL())
	if a.State != alarm.Shelved || a.Note != "compressor failed" || a.NoteBy != "Mara" || !a.ShelvedUntil.Equal(shelved.ShelvedUntil) ||
		time.Until(a.ShelvedUntil) > 8*time.Hour || time.Until(a.ShelvedUntil) < 7*time.Hour {
		t.Errorf("after a kill: %+v", a)
	}
	want := []string{
		"active acknowledged to shelved Mara",
		"active acknowledged to active acknowledged Mara compressor failed",
		"active unacknowledged to active acknowledged Mara seen",
		"normal to active unacknowledged",
	}
	if d := cmp.Diff(want, ovenHistory(t, h.app.URL())); d != "" {
		t.Errorf("history (-want +got):\n%s", d)
	}
	var acts []string
	for _, a := range auditOf(t, h.app.URL()) {
		acts = append(acts, strings.TrimSpace(a.By+" "+a.Of+" "+strings.Split(a.What, " until")[0]+" "+a.Why))
	}
	if d := cmp.Diff([]string{"Mara warm/oven shelved", "Mara warm/oven annotated compressor failed", "Mara warm/oven acknowledged seen"}, acts); d != "" {
		t.Errorf("audit (-want +got):\n%s", d)
	}
	if _, page := get(t, h.app.URL()+"/alarms"); !strings.Contains(page, "compressor failed") || !strings.Contains(page, "Shelved by Mara until") {
		t.Error("the page of alarms does not show what was done")
	}
}

// Killed before the commit it never was; killed behind it, it is there once.
func TestOperationKilledInBetween(t *testing.T) {
	file := filepath.Join(t.TempDir(), "oven.yaml")
	if err := os.WriteFile(file, []byte(ovenText), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("DRYHOLD_TEST_CONFIG", file)
	f := func(point crash.Point, want alarm.State, events int) {
		t.Run(string(point), func(t *testing.T) {
			h := newHouse(t, nil)
			d := begin(t, h.opts.DataDir, point)
			hotOven(t, d.url, d.broker)
			r, err := client().Post(d.url+"/api/v1/alarms/shelve", "application/json", strings.NewReader(`{"kind":"warm","room":"oven","by":"Mara","for":"1h"}`))
			if err == nil {
				r.Body.Close()
				t.Fatalf("answered with %s", r.Status)
			}
			_ = d.Wait() // ended by itself
			h.opts.Settings = ovenSettings(t, "")
			h.start()
			if got := ovenAlarm(t, h.app.URL()).State; got != want {
				t.Errorf("it is %q, want %q", got, want)
			}
			if got := ovenHistory(t, h.app.URL()); len(got) != events {
				t.Errorf("history %q, want %d", got, events)
			}
			if got := auditOf(t, h.app.URL()); len(got) != events-1 {
				t.Errorf("audit %v", got)
			}
		})
	}
	f(crash.Confirmed, alarm.ActiveUnacknowledged, 1)
	f(crash.Acknowledges, alarm.Shelved, 2)
}

// While the store takes nothing every act is refused with the reason, and the
// alarm, its history and the audit stay as they were; afterwards it is taken.
func TestOperationsWhileTheStoreIsSick(t *testing.T) {
	h := newHouse(t, nil)
	h.opts.Settings = ovenSettings(t, "")
	h.start()
	page := h.app.URL()
	hotOven(t, page, h.app.BrokerURL())
	before := ovenAlarm(t, page)
	h.restrict(store.Restriction{ReadOnly: true})
	refuse := func(do string, body web.OperateAlarm) {
		t.Helper()
		if answer := operate(t, page, do, body, http.StatusServiceUnavailable); !strings.Contains(answer, "the disk is read-only") || !strings.Contains(answer, "Nothing was changed") {
			t.Errorf("%s: %s", do, answer)
		}
		if got := ovenAlarm(t, page); got.State != before.State || got.Note != before.Note || got.Spell != before.Spell {
			t.Errorf("%s was refused, and the alarm is %+v", do, got)
		}
	}
	refuse(alarm.ActAcknowledge, web.OperateAlarm{})
	refuse(alarm.ActShelve, web.OperateAlarm{For: "1h"})
	refuse(alarm.ActOutOfService, web.OperateAlarm{Note: "painting"})
	refuse(alarm.ActAnnotate, web.OperateAlarm{Note: "compressor failed"})
	if got := ovenHistory(t, page); len(got) != 1 {
		t.Errorf("history %q", got)
	}
	h.restrict(store.Restriction{})
	operate(t, page, alarm.ActShelve, web.OperateAlarm{For: "1h"}, http.StatusNoContent)
	operate(t, page, alarm.ActUnshelve, web.OperateAlarm{}, http.StatusNoContent)
	if got := ovenAlarm(t, page); got.State != alarm.ActiveUnacknowledged || got.Spell == before.Spell {
		t.Errorf("out of shelving, hot as before, it is not raised anew: %+v", got)
	}
	want := []string{"shelved to active unacknowledged Mara", "active unacknowledged to shelved Mara", "normal to active unacknowledged"}
	if d := cmp.Diff(want, ovenHistory(t, page)); d != "" {
		t.Errorf("history (-want +got):\n%s", d)
	}
	operate(t, page, alarm.ActShelve, web.OperateAlarm{Until: time.Now().AddDate(0, 0, 8)}, http.StatusUnprocessableEntity)
	operate(t, page, alarm.ActReturn, web.OperateAlarm{}, http.StatusUnprocessableEntity)
	operate(t, page, alarm.ActOutOfService, web.OperateAlarm{}, http.StatusUnprocessableEntity)
	// Normal conditions are listed too.
	_, body := get(t, page+"/api/v1/alarms?all=true")
	var all web.AlarmsAnswer
	if err := json.Unmarshal([]byte(body), &all); err != nil || len(all.Alarms) != 1 || len(all.Normal) == 0 {
		t.Errorf("%v: %s", err, body)
	}
}
