package lot

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestTests(t *testing.T) {
	noon := time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC)
	var b Book
	b.Apply(Change{Kind: Added, Lot: "L-1", Packing: &Packing{Food: "hard-wheat", Container: "pet-2l", Count: 1, NetMassKG: 1, PackedAt: noon, Room: "cellar"}})
	off := true
	say := func(c Change) error {
		c.Lot = "L-1"
		if c.Recorded.IsZero() {
			c.Recorded = noon.AddDate(1, 0, 0)
		}
		if c.At.IsZero() {
			c.At = noon.AddDate(0, 6, 0)
		}
		err := b.Check(c)
		if err == nil {
			b.Apply(c)
		}
		return err
	}
	good := Change{Kind: Tested, By: "Ada", Result: &Result{Taste: 6, Sprouted: 83, Seeds: 100}, Note: " bread "}
	if err := say(good); err != nil {
		t.Fatal(err)
	}
	handed, err := b.Find("L-1")
	if err != nil {
		t.Fatal(err)
	}
	if err := say(Change{Kind: Tested, Result: &Result{OffSmell: &off}, At: noon.AddDate(1, 0, 0).Add(12 * time.Hour)}); err != nil {
		t.Fatal(err)
	}
	f := func(kind error, want string, c Change) {
		t.Helper()
		if err := say(c); !errors.Is(err, kind) || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", c, err, want)
		}
	}
	f(ErrInvalid, "without its result", Change{Kind: Tested})
	f(ErrInvalid, "an empty test", Change{Kind: Tested, Result: &Result{}})
	f(ErrInvalid, "taste 10", Change{Kind: Tested, Result: &Result{Taste: 10}})
	f(ErrInvalid, "taste -1", Change{Kind: Tested, Result: &Result{Taste: -1}})
	f(ErrInvalid, "5 of 4 seeds", Change{Kind: Tested, Result: &Result{Sprouted: 5, Seeds: 4}})
	f(ErrInvalid, "10001 seeds", Change{Kind: Tested, Result: &Result{Seeds: 10_001}})
	f(ErrInvalid, "is earlier", Change{Kind: Tested, Result: good.Result, At: noon.AddDate(0, 0, -1)})
	f(ErrInvalid, "in the future", Change{Kind: Tested, Result: good.Result, At: noon.AddDate(1, 0, 2)})
	f(ErrInvalid, "cannot be printed", Change{Kind: Tested, Result: good.Result, Note: "a\nb"})
	f(ErrInvalid, "501 characters", Change{Kind: Tested, Result: good.Result, Note: strings.Repeat("x", 501)})
	f(ErrNotFound, "no test 3", Change{Kind: Untested, Revokes: 3, Note: "x"})
	f(ErrInvalid, "no reason", Change{Kind: Untested, Revokes: 1})
	if err := say(Change{Kind: Untested, Revokes: 1, Note: "another jar"}); err != nil {
		t.Fatal(err)
	}
	f(ErrInvalid, "taken back already", Change{Kind: Untested, Revokes: 1, Note: "x"})
	l, _ := b.Find("L-1")
	want := []Test{
		{Number: 1, At: noon.AddDate(0, 6, 0), By: "Ada", Result: *good.Result, Note: "bread", Revoked: true, Recorded: noon.AddDate(1, 0, 0)},
		{Number: 2, At: noon.AddDate(1, 0, 0), Result: Result{OffSmell: &off}, Recorded: noon.AddDate(1, 0, 0)},
	}
	if d := cmp.Diff(want, l.Tests); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if in := l.InForce(); len(in) != 1 || in[0].Number != 2 {
		t.Errorf("in force: %+v", in)
	}
	if len(handed.Tests) != 1 || handed.Tests[0].Revoked {
		t.Errorf("what was handed out before has changed: %+v", handed.Tests)
	}
}
