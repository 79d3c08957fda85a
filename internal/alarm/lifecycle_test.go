package alarm

import (
	"errors"
	"strings"
	"testing"
	"time"
)

// Shelving has an end, and not a far one.
func TestShelvingIsLimited(t *testing.T) {
	f := func(length time.Duration, want string) {
		t.Helper()
		c := New(Key{Kind: Warm, Room: "loft"})
		after, _, err := c.Shelve(noon(), noon().Add(length), "mara")
		if want == "" && (err != nil || after.State != Shelved || !after.ShelvedUntil.Equal(noon().Add(length))) {
			t.Errorf("shelved for %v: %v, %q until %v", length, err, after.State, after.ShelvedUntil)
		}
		if want != "" && (!errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), want) || after != c) {
			t.Errorf("shelved for %v: %v, want %q", length, err, want)
		}
	}
	f(time.Second, "")
	f(MaxShelve, "")
	f(MaxShelve+1, "longer than 7 days")
	f(0, "the end must come after now")
	f(-time.Hour, "the end must come after now")
}

// What was noted stays with the alarm through shelving, and goes with a new
// spell.
func TestAnnotate(t *testing.T) {
	r := instant()
	note := func(text string) step {
		return act(func(c Condition) (Condition, []Transition, error) { return c.Annotate(noon(), "mara", text) })
	}
	up, down := moved{0, ActiveUnacknowledged, Raised}, moved{30, ReturnedUnack, Returned}
	c := play(t, []step{see(r, 0, 25), note("compressor failed"), see(r, 30, 20)}, up, down)
	if c.Note != "compressor failed" || c.NoteBy != "mara" || !c.NoteAt.Equal(noon()) {
		t.Errorf("after the return: %q by %q at %v", c.Note, c.NoteBy, c.NoteAt)
	}
	c = play(t, []step{see(r, 0, 25), note("compressor failed"), see(r, 30, 20), see(r, 60, 25)}, up, down, moved{60, ActiveUnacknowledged, Raised})
	if c.Note != "" || c.NoteBy != "" || !c.NoteAt.IsZero() {
		t.Errorf("raised anew it says %q by %q at %v of an earlier spell", c.Note, c.NoteBy, c.NoteAt)
	}
	c = play(t, []step{shelve(0, 60), note("painters are in"), see(r, 10, 25), unshelve(20)},
		moved{0, Shelved, ""}, moved{20, ActiveUnacknowledged, Raised})
	if c.Note != "painters are in" {
		t.Errorf("out of shelving it says %q", c.Note)
	}
	for _, bad := range [][2]string{{"", "text"}, {"mara", " "}} {
		if after, _, err := c.Annotate(noon(), bad[0], bad[1]); !errors.Is(err, ErrRefused) || after != c {
			t.Errorf("annotated %q by %q: %v", bad[1], bad[0], err)
		}
	}
}
