package settings

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/alarm"
)

// present is a configuration of two rooms of Larch House (invented).
func present(t *testing.T) *Settings {
	t.Helper()
	s, err := Parse("dryhold.yaml", []byte(`
rooms:
  - name: cellar
    limits: {warm: 17 C, damp: 65 %}
  - name: loft
    limits: {warm: {limit: 24 C, on_delay: 20h}, bright: off}
lots:
  - {lot: L-1, limits: {quality: 20 %}}
  - {lot: L-2, limits: {quality: 30 %}}
`))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestTrial(t *testing.T) {
	s := present(t)
	before := s.Rules("loft")
	trial, err := ParseTrial("limits.yaml", []byte(`
limits: {damp: 55 %}
rooms:
  - name: loft
    limits: {warm: 26 C}
sensors:
  - {name: loft-2, limits: {warm: 25 C}}
lots:
  - {lot: L-1, limits: {quality: 50 %}}
`), s)
	if err != nil {
		t.Fatal(err)
	}
	cellar, loft, other := trial.Rules("cellar"), trial.Rules("loft"), trial.Rules("shed")
	f := func(what string, got, want any) {
		t.Helper()
		if got != want {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	f("warm of the cellar, left out", cellar[alarm.Warm].Limit, 17.0)
	f("damp of every room", cellar[alarm.Damp].Limit, 0.55)
	f("damp of a listed room", loft[alarm.Damp].Limit, 0.55)
	f("damp of a room not listed", other[alarm.Damp].Limit, 0.55)
	f("warm of the loft", loft[alarm.Warm].Limit, 26.0)
	f("its delay, left out", loft[alarm.Warm].OnDelay, 20*time.Hour)
	f("warm of a room not listed", other[alarm.Warm].Limit, 21.0)
	f("warm of a shelf", trial.ShelfRules("loft-2")[alarm.Warm].Limit, 25.0)
	f("quality of a lot", trial.LotRules("L-1")[alarm.Quality].Limit, 0.5)
	f("quality of a lot left out", trial.LotRules("L-2")[alarm.Quality].Limit, 0.3)
	if _, on := loft[alarm.Bright]; on {
		t.Error("what is off stays off")
	}
	if d := cmp.Diff(before, s.Rules("loft")); d != "" {
		t.Errorf("the configuration was changed:\n%s", d)
	}
}

func TestTrialProblems(t *testing.T) {
	s := present(t)
	f := func(src, want string) {
		t.Helper()
		_, err := ParseTrial("limits.yaml", []byte(src), s)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", src, err, want)
		}
		if err != nil && strings.Count(err.Error(), "\n") > 0 {
			t.Errorf("%q: more than one problem:\n%v", src, err)
		}
	}
	f("", "limits.yaml: the file is empty")
	f("rooms:\n  - name: attic\n    limits: {warm: 20 C}\n", `limits.yaml:2:11: unknown room "attic"`)
	f("rooms:\n  - name: loft\n", `limits.yaml:2:5: a room needs the key "limits"`)
	f("limits: {warm: 200 C}", "limits.yaml:1:16: warm 200 C is outside -30 to 60 °C")
	f("limits: {warn: 20 C}", `did you mean "warm"?`)
	f("broker: {}", `limits.yaml:1:1: unknown key "broker" in the limits to try`)
}

func FuzzTrial(f *testing.F) {
	f.Add("limits: {damp: 55 %}\nrooms:\n  - name: loft\n    limits: {warm: 26 C}\n")
	f.Add("rooms: [{name: cellar, limits: {warm: off}}]")
	f.Add("limits: {stuck: 3d}")
	f.Fuzz(func(t *testing.T, src string) {
		s := Default()
		trial, err := ParseTrial("f", []byte(src), s)
		if err != nil {
			if _, listed := err.(Problems); !listed {
				t.Fatalf("%T", err)
			}
			return
		}
		trial.Rules("cellar")
	})
}
