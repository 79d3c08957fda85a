package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"dryhold/internal/engine"
	"dryhold/internal/web"
)

// explained is an invented lot, with lines longer than the screen.
func explained() engine.Explanation {
	return engine.Explanation{
		Lot: "L-1", FoodName: "Hard wheat, whole", AsOf: time.Date(2026, 7, 14, 12, 0, 0, 0, time.UTC),
		Remaining: engine.Estimate{Low: 0.801, Likely: 0.8893, High: 0.93}, Limiting: "staling",
		Sections: []engine.Section{
			{Key: engine.LotSection, Title: "The lot", Lines: []engine.Line{{Text: "12 × 1.6 kg of Hard wheat, whole."}}},
			{Key: engine.ModeSection + "staling", Title: "Mode: staling", Lines: []engine.Line{
				{Text: "Activation energy: 80 (60 to 92) kJ/mol.", Source: "judgement 60-90 for hard grain; " + strings.Repeat("the halving per 5.6 K of seed practice ", 5)},
				{Text: "Arithmetic: 1000.25 days × 1.20345 × water 1.05123 × oxygen 0.958123 ÷ 10957.5 days + light 0.0000123 = 0.110659"},
			}},
		},
		Options: []engine.Option{{What: "Keep it 3 K cooler", Days: 812.5}},
	}
}

// answering is a daemon that knows the one lot.
func answering(t *testing.T) string {
	t.Helper()
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var body any = explained()
		if r.URL.Path != "/api/v1/lots/L-1/explanation" {
			w.WriteHeader(http.StatusNotFound)
			body = web.Problem{Status: http.StatusNotFound, Detail: fmt.Sprintf("no lot %q: did you mean %q?", strings.Split(r.URL.EscapedPath(), "/")[4], "L-1")}
		}
		if err := json.NewEncoder(w).Encode(body); err != nil {
			t.Error(err)
		}
	}))
	t.Cleanup(s.Close)
	return s.URL
}

func TestExplainIsPrinted(t *testing.T) {
	url := answering(t)
	got, code := call(t, "explain", "L-1", "--url", url)
	if code != 0 {
		t.Fatalf("exit %d: %s", code, got)
	}
	for line := range strings.Lines(got) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 100 {
			t.Errorf("%d characters wide: %s", n, line)
		}
	}
	flat := strings.Join(strings.Fields(got), " ")
	for _, s := range explained().Sections {
		for _, l := range s.Lines {
			for _, want := range []string{strings.ToUpper(s.Title), l.Text, strings.TrimSpace(l.Source)} {
				if !strings.Contains(flat, want) {
					t.Errorf("no %q in:\n%s", want, got)
				}
			}
		}
	}
	if want := "Quality left: 88.9 % (80.1 to 93.0 %), limited by staling."; !strings.Contains(flat, want) {
		t.Errorf("no %q in:\n%s", want, got)
	}
}

func TestExplainAsJSON(t *testing.T) {
	got, code := call(t, "explain", "L-1", "--json", "--url", answering(t))
	var x engine.Explanation
	if err := json.NewDecoder(bytes.NewReader([]byte(got))).Decode(&x); err != nil || code != 0 {
		t.Fatalf("exit %d, %v: %s", code, err, got)
	}
	if d := cmp.Diff(explained(), x); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestExplainMistakes(t *testing.T) {
	url := answering(t)
	f := func(code int, want string, args ...string) {
		t.Helper()
		got, exit := call(t, append([]string{"explain"}, args...)...)
		if exit != code || !strings.Contains(got, want) {
			t.Errorf("dryhold explain %s: exit %d, want %d with %q:\n%s", strings.Join(args, " "), exit, code, want, got)
		}
	}
	f(1, "no lot \"l-1\": did you mean \"L-1\"?; `dryhold lots list --all` lists them", "l-1", "--url", url)
	f(1, `no lot "a%2Fb"`, "a/b", "--url", url) // as the path has it: no other page is asked for
	f(2, "1 arguments wanted, 0 given: dryhold explain LOT")
	f(2, "is not an address", "L-1", "--url", "hearth")
	f(1, "cannot reach the daemon", "L-1", "--url", "http://127.0.0.1:1")
	f(0, "dryhold explain L-1 --json", "--help")
	f(0, "throw it out", "--help")
}
