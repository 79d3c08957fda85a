package note

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/lot"
)

// Larch House and all that is done in it are invented.
var noon = time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)

func noted(seq int, room string) Change {
	return Change{Kind: Noted, Seq: seq, Room: room, From: noon.Add(-48 * time.Hour), To: noon.Add(-24 * time.Hour), Text: "compressor failed", By: "Ada", Recorded: noon}
}

func revoked(seq, of int) Change {
	return Change{Kind: Revoked, Seq: seq, Revokes: of, Text: "it was the fuse", By: "Ada", Recorded: noon}
}

func TestCheck(t *testing.T) {
	var b Book
	for _, c := range []Change{noted(1, "cellar"), noted(2, "loft"), revoked(3, 1)} {
		if err := b.Check(c); err != nil {
			t.Fatal(err)
		}
		b.Apply(c)
	}
	f := func(c Change, kind error, want string, slip func(*Change)) {
		t.Helper()
		c.Seq = 4
		slip(&c)
		if err := b.Check(c); !errors.Is(err, kind) || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", c, err, want)
		}
	}
	n, r := noted(4, "cellar"), revoked(4, 2)
	f(n, lot.ErrInvalid, "the next is 4", func(c *Change) { c.Seq = 5 })
	f(n, lot.ErrInvalid, "unknown note", func(c *Change) { c.Kind = "seen" })
	f(n, lot.ErrInvalid, "no room", func(c *Change) { c.Room = "" })
	f(n, lot.ErrInvalid, "no beginning", func(c *Change) { c.From = time.Time{} })
	f(n, lot.ErrInvalid, "before 1980", func(c *Change) { c.From = time.Date(1979, 1, 1, 0, 0, 0, 0, time.UTC) })
	f(n, lot.ErrInvalid, "no end", func(c *Change) { c.To = time.Time{} })
	f(n, lot.ErrInvalid, "is empty", func(c *Change) { c.To = c.From })
	f(n, lot.ErrInvalid, "in the future", func(c *Change) { c.To = noon.Add(time.Millisecond) })
	f(n, lot.ErrInvalid, "revokes none", func(c *Change) { c.Revokes = 2 })
	f(n, lot.ErrInvalid, "no text", func(c *Change) { c.Text = " " })
	f(n, lot.ErrInvalid, "U+000A", func(c *Change) { c.Text = "a\nb" })
	f(n, lot.ErrInvalid, "not UTF-8", func(c *Change) { c.Text = "\xff" })
	f(n, lot.ErrInvalid, "501 characters", func(c *Change) { c.Text = strings.Repeat("ä", 501) })
	f(r, lot.ErrInvalid, "no reason", func(c *Change) { c.Text = "" })
	f(r, lot.ErrNotFound, "no note 9", func(c *Change) { c.Revokes = 9 })
	f(r, lot.ErrNotFound, "no note 0", func(c *Change) { c.Revokes = 0 })
	f(r, lot.ErrInvalid, "taken back already", func(c *Change) { c.Revokes = 1 })
	f(r, lot.ErrInvalid, "took back note 1", func(c *Change) { c.Revokes = 3 })
	f(r, lot.ErrInvalid, "of room loft, not of cellar", func(c *Change) { c.Room = "cellar" })
	f(r, lot.ErrInvalid, "no span", func(c *Change) { c.From = noon })
	if b.RevokedBy(1) != 3 || b.RevokedBy(2) != 0 {
		t.Errorf("revoked by %d and %d", b.RevokedBy(1), b.RevokedBy(2))
	}
}

// What is in force is what was noted and not taken back, in order.
func TestInForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b Book
		want := map[string][]Change{}
		for range rapid.IntRange(0, 12).Draw(t, "changes") {
			c := noted(b.NextSeq(), rapid.SampledFrom([]string{"cellar", "loft"}).Draw(t, "room"))
			if rapid.Bool().Draw(t, "revoke") {
				c = revoked(b.NextSeq(), rapid.IntRange(0, 12).Draw(t, "of"))
			}
			target, _ := b.Target(c)
			if b.Check(c) != nil {
				continue
			}
			b.Apply(c)
			if c.Kind == Noted {
				want[c.Room] = append(want[c.Room], c)
				continue
			}
			var left []Change
			for _, n := range want[target.Room] {
				if n.Seq != target.Seq {
					left = append(left, n)
				}
			}
			want[target.Room] = left
		}
		for _, room := range []string{"cellar", "loft", "hall"} {
			if d := cmp.Diff(want[room], b.InForce(room)); d != "" {
				t.Fatalf("%s (-want +got):\n%s", room, d)
			}
		}
	})
}
