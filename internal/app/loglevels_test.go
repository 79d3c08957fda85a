package app

import (
	"context"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/settings"
	"dryhold/internal/web"
)

func levels(t *testing.T, text string) settings.LogLevels {
	t.Helper()
	l, err := settings.ParseLog(text)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// A change goes back by itself, and not before; what it does not name stays.
func TestLogLevelsGoBack(t *testing.T) {
	now := time.Date(2026, 7, 1, 8, 0, 0, 0, time.UTC)
	l := NewLogLevels(nil, func() time.Time { return now })
	stated := levels(t, "warn,web=error")
	l.configure(&stated)
	f := func(part string, want slog.Level) {
		t.Helper()
		log := slog.New(l.Handler(slog.NewTextHandler(io.Discard, &slog.HandlerOptions{Level: slog.LevelDebug}))).With("part", part)
		for _, level := range []slog.Level{slog.LevelDebug, slog.LevelInfo, slog.LevelWarn, slog.LevelError} {
			if got := log.With("room", "cellar").Enabled(t.Context(), level); got != (level >= want) {
				t.Errorf("%v: %s takes %v: %v, want from %v on", now, part, level, got, want)
			}
		}
	}
	f("store", slog.LevelWarn)
	f("web", slog.LevelError)
	l.change(levels(t, "intake=debug"), time.Hour)
	l.change(levels(t, "info,store=debug"), 10*time.Minute) // the intake too, from now on
	f("store", slog.LevelDebug)
	f("web", slog.LevelInfo)
	f("intake", slog.LevelInfo)
	l.change(levels(t, "intake=debug"), time.Hour)
	now = now.Add(10*time.Minute - 1)
	f("store", slog.LevelDebug)
	now = now.Add(1)
	f("store", slog.LevelWarn)
	f("web", slog.LevelError)
	f("intake", slog.LevelDebug)
	other := levels(t, "info")
	l.configure(&other) // as at a reload: the change outlives it
	f("web", slog.LevelInfo)
	f("intake", slog.LevelDebug)
	for _, p := range l.answer().Parts {
		if want := p.Part == "intake"; !p.Until.IsZero() != want || p.Usual != "info" || (p.Level == "debug") != want {
			t.Errorf("it is told as %+v", p)
		}
	}
	now = now.Add(time.Hour)
	f("intake", slog.LevelInfo)
	l.change(levels(t, "debug"), time.Hour)
	l.back()
	f("intake", slog.LevelInfo)

	given := levels(t, "error")
	l = NewLogLevels(&given, nil)
	l.configure(&stated)
	f("store", slog.LevelError)
}

// Many parts speak while levels change; the race detector looks on in the CI. Not
// a line is lost that its part lets through all the time.
func TestLogLevelsBesideLines(t *testing.T) {
	var mu sync.Mutex
	lines := 0
	l := NewLogLevels(nil, nil)
	out := slog.NewTextHandler(writerFunc(func(p []byte) (int, error) {
		mu.Lock()
		defer mu.Unlock()
		if strings.Contains(string(p), "always") {
			lines++
		}
		return len(p), nil
	}), &slog.HandlerOptions{Level: slog.LevelDebug})
	const each = 200
	var parts, changes sync.WaitGroup
	over := make(chan struct{})
	for _, part := range settings.LogParts() {
		parts.Go(func() {
			log := slog.New(l.Handler(out)).With("part", part)
			for range each {
				log.Error("always")
				log.Debug("sometimes")
			}
		})
	}
	changes.Go(func() {
		for {
			select {
			case <-over:
				return
			default:
			}
			l.change(levels(t, "debug"), time.Nanosecond)
			l.answer()
			l.back()
		}
	})
	parts.Wait()
	close(over)
	changes.Wait()
	if want := each * len(settings.LogParts()); lines != want {
		t.Errorf("%d lines of %d", lines, want)
	}
}

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(p []byte) (int, error) { return f(p) }

// What an App says passes its levels, and a handler that wants less has its way.
func TestLogOfAnApp(t *testing.T) {
	var b strings.Builder
	c, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	f := func(least slog.Level, change web.ChangeLog, want error) string {
		t.Helper()
		b.Reset()
		a, err := New(Options{Settings: settings.Default(), Catalog: c, DataDir: t.TempDir(), Log: slog.New(slog.NewTextHandler(&b, &slog.HandlerOptions{Level: least}))})
		if err != nil {
			t.Fatal(err)
		}
		switch err := a.ChangeLog(context.Background(), change); {
		case want == nil && err != nil, want != nil && (err == nil || !strings.Contains(err.Error(), want.Error())):
			t.Errorf("%+v: %v, want %v", change, err, want)
		}
		a.logOf("store").Debug("a stored batch")
		a.logOf("web").Debug("a page")
		return b.String()
	}
	if got := f(slog.LevelDebug, web.ChangeLog{Levels: "store=debug", By: "mara"}, nil); !strings.Contains(got, `part=store`) || strings.Contains(got, "a page") || !strings.Contains(got, "by=mara") {
		t.Errorf("said %s", got)
	}
	if got := f(slog.LevelError, web.ChangeLog{Levels: "debug"}, nil); got != "" {
		t.Errorf("a log of errors alone took %s", got)
	}
	f(slog.LevelDebug, web.ChangeLog{Levels: "store=loud"}, lot.Invalid("is not a level"))
	for _, seconds := range []float64{-1, 7*86400 + 1, 1e300, 1e-12} {
		f(slog.LevelDebug, web.ChangeLog{Levels: "debug", ForSeconds: seconds}, lot.Invalid("is outside 0 to 604800"))
	}
}

// Each part that the code names is one that can be asked for, and the reverse.
func TestLogPartsAreThoseOfTheCode(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	var named []string
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		for _, m := range regexp.MustCompile(`logOf\("([a-z]*)"\)`).FindAllStringSubmatch(string(text), -1) {
			named = append(named, m[1])
		}
		if bare := regexp.MustCompile(`\b(a|w|h|app)\.log\.(Debug|Info|Warn|Error)\(`).Find(text); bare != nil {
			t.Errorf("%s logs by %s: use logOf, with the part", file, bare)
		}
	}
	slices.Sort(named)
	if named = slices.Compact(named); !slices.Equal(named, settings.LogParts()) {
		t.Errorf("the code names the parts %v, settings.LogParts %v", named, settings.LogParts())
	}
}
