package app_test

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/crash"
	"dryhold/internal/dispatch"
)

// hurry is how much faster the clock runs in a daemon in a hurry, so that hours
// of reminders pass within a test.
const hurry = 1000

// hurried is a clock that runs fast since an instant.
func hurried(began string) func() time.Time {
	from, err := time.Parse(time.RFC3339, began)
	if err != nil {
		panic(err)
	}
	return func() time.Time { return from.Add(hurry * time.Since(from)) }
}

// Killed again and again while people are told, the daemon tells them each
// alarm once as raised, then again at its hours, and no message has the key of
// another or is missing in the row.
func TestKillWhilePeopleAreTold(t *testing.T) {
	s := besiege(t, build(t), 5, "", "")
	text, err := os.ReadFile(s.config)
	if err != nil {
		t.Fatal(err)
	}
	own := "notify: {recipients: [{name: mara, channels: [mail], repeat: [1h], at_most: 100, digest: off}]}\n"
	if err := os.WriteFile(s.config, append(text, own...), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Setenv("DRYHOLD_TEST_BEGAN", time.Now().UTC().Format(time.RFC3339))
	done := make(chan struct{})
	ended := make(chan struct{})
	sensor := feedClient(t, s.broker)
	go func() {
		defer close(ended)
		for {
			select {
			case <-done:
				return
			case <-time.After(100 * time.Millisecond):
				_ = sensor.Publish(t.Context(), "rooms/oven/temperature", 1, false, []byte("40")) // lost while the daemon is away
			}
		}
	}()
	points := []crash.Point{crash.Judged, crash.Alarmed, crash.Written, crash.Committed, crash.Sending, crash.Sent, crash.Noted}
	kills := killsWanted(t, 2*len(points))
	for i := range kills {
		if i%3 == 2 {
			s.live(daemonOf(s), time.Duration(500+s.rng.IntN(3000))*time.Millisecond, 0)
		} else if point := points[i%len(points)]; !s.at(point, s.rng.IntN(3)) {
			t.Errorf("it never came to %s", point)
		}
	}
	s.live(daemonOf(s), 15*time.Second, 0)
	close(done)
	<-ended
	messages := messagesOf(t, s.dir)
	raised, last := map[string]int{}, map[string]time.Time{}
	for i, n := range messages {
		if !strings.HasPrefix(n.Key, fmt.Sprintf("mara#%d/", i+1)) || n.To != "mara" {
			t.Fatalf("message %d to %s has the key %s", i+1, n.To, n.Key)
		}
		for _, x := range n.Items {
			key := x.Key.String()
			switch x.Event {
			case alarm.Raised:
				raised[key]++
			case alarm.Reminder:
				if pause := n.At.Sub(last[key]); pause < time.Hour {
					t.Errorf("%s is told again after %v", key, pause)
				}
			}
			last[key] = n.At
		}
	}
	for _, key := range []string{"warm/oven", "hot/oven"} { // which is hot all the time
		if raised[key] != 1 {
			t.Errorf("%s was told %d times as raised", key, raised[key])
		}
	}
	kept := toldOf(t, s.dir)
	i := slices.IndexFunc(kept, func(x dispatch.Told) bool { return x.Diary != nil })
	if i < 0 || kept[i].Diary.Messages != len(messages) || len(messages) < 3 {
		t.Errorf("%d messages in the outbox, and in the diary %+v", len(messages), kept)
	}
	t.Logf("%d messages over %d lives, %d mails", len(messages), s.lives, s.post.count())
}

// daemonOf is a daemon in a process of its own, in a hurry.
func daemonOf(s *siege) *exec.Cmd {
	cmd := exec.Command(s.made.ending)
	cmd.Env = append(os.Environ(), "DRYHOLD_TEST_DAEMON="+s.dir, "DRYHOLD_TEST_CONFIG="+s.config)
	return cmd
}

// messagesOf lists the messages to people in the order in which they were made.
func messagesOf(t *testing.T, dir string) (out []alarm.Notice) {
	t.Helper()
	rows(t, dir, `SELECT body FROM notice WHERE channel = 'mail' ORDER BY id`, func(r *sql.Rows) error {
		var n alarm.Notice
		var body string
		if err := r.Scan(&body); err != nil {
			return err
		}
		out = append(out, n)
		return json.Unmarshal([]byte(body), &out[len(out)-1])
	})
	return out
}

func toldOf(t *testing.T, dir string) []dispatch.Told {
	t.Helper()
	db := opened(t, dir)
	told, err := db.Told(t.Context())
	if err != nil {
		t.Error(err)
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}
	return told
}
