package app

import (
	"context"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/settings"
	"dryhold/internal/web"
)

// partKey is the attribute that says of which part a line of the log is.
const partKey = "part"

// LogLevels decide what goes to the log, by the part that says it. They are those
// of the command line, else of the settings, else info; and, for a time, others
// that were asked for while it runs. They outlive a reload. All methods may be
// called from many goroutines at once.
type LogLevels struct {
	clock func() time.Time
	given *settings.LogLevels // on the command line; nil where not

	mu      sync.Mutex
	usual   settings.LogLevels
	changed map[string]levelChange // by part
	holds   atomic.Pointer[levelsThatHold]
}

// levelChange is a level that holds until an instant.
type levelChange struct {
	level slog.Level
	until time.Time
}

// levelsThatHold are worked out anew at an instant, unless that is zero. They are
// not changed once they are there.
type levelsThatHold struct {
	settings.LogLevels
	until time.Time
}

// Bounds of a change (judgement): a log that is left at debug fills a small disk.
const (
	usualChange = time.Hour
	mostChange  = 7 * 24 * time.Hour
)

// NewLogLevels gives the levels of the command line; nil where it says none. The
// clock is nil for the machine's.
func NewLogLevels(given *settings.LogLevels, clock func() time.Time) *LogLevels {
	l := &LogLevels{clock: clock, given: given, changed: map[string]levelChange{}}
	if clock == nil {
		l.clock = time.Now
	}
	l.configure(nil)
	return l
}

// configure takes up the levels of other settings, nil where they say none.
func (l *LogLevels) configure(stated *settings.LogLevels) {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case l.given != nil:
		l.usual = *l.given
	case stated != nil:
		l.usual = *stated
	default:
		l.usual = settings.LogLevels{}
	}
	l.hold()
}

// hold works out what holds from now on. The lock is held.
func (l *LogLevels) hold() {
	next := &levelsThatHold{LogLevels: settings.LogLevels{All: l.usual.All, Parts: map[string]slog.Level{}}}
	now := l.clock()
	for _, part := range settings.LogParts() {
		next.Parts[part] = l.usual.Of(part)
		c, ok := l.changed[part]
		switch {
		case ok && !now.Before(c.until):
			delete(l.changed, part)
		case ok:
			next.Parts[part] = c.level
			if next.until.IsZero() || c.until.Before(next.until) {
				next.until = c.until
			}
		}
	}
	l.holds.Store(next)
}

// level is that of a part now. It takes no lock but when a change ends.
func (l *LogLevels) level(part string) slog.Level {
	h := l.holds.Load()
	if !h.until.IsZero() && !l.clock().Before(h.until) {
		l.mu.Lock()
		l.hold()
		h = l.holds.Load()
		l.mu.Unlock()
	}
	return h.Of(part)
}

// change has parts, or all of them, at other levels for a time. Those of single
// parts go before the one of all.
func (l *LogLevels) change(levels settings.LogLevels, within time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	until := l.clock().Add(within)
	for _, part := range settings.LogParts() {
		own, stated := levels.Parts[part]
		switch {
		case stated:
			l.changed[part] = levelChange{own, until}
		case levels.AllGiven:
			l.changed[part] = levelChange{levels.All, until}
		}
	}
	l.hold()
}

// back ends every change.
func (l *LogLevels) back() {
	l.mu.Lock()
	defer l.mu.Unlock()
	clear(l.changed)
	l.hold()
}

// answer tells them for programs.
func (l *LogLevels) answer() web.LogAnswer {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.hold()
	out := web.LogAnswer{Parts: []web.LogPart{}}
	h := l.holds.Load()
	for _, part := range settings.LogParts() {
		p := web.LogPart{Part: part, Level: settings.LevelWord(h.Of(part)), Usual: settings.LevelWord(l.usual.Of(part))}
		if c, ok := l.changed[part]; ok {
			p.Until = c.until.UTC().Round(0)
		}
		out.Parts = append(out.Parts, p)
	}
	return out
}

// Handler lets through to another what the levels of its part let through, and
// the other itself.
func (l *LogLevels) Handler(out slog.Handler) slog.Handler {
	return partHandler{levels: l, part: "daemon", out: out}
}

type partHandler struct {
	levels *LogLevels
	part   string
	out    slog.Handler
}

func (h partHandler) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= h.levels.level(h.part) && h.out.Enabled(ctx, level)
}

func (h partHandler) Handle(ctx context.Context, r slog.Record) error { return h.out.Handle(ctx, r) }

func (h partHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	for _, a := range attrs {
		if a.Key == partKey {
			h.part = a.Value.String()
		}
	}
	h.out = h.out.WithAttrs(attrs)
	return h
}

func (h partHandler) WithGroup(name string) slog.Handler {
	h.out = h.out.WithGroup(name)
	return h
}

// logOf is the log of a part, one of settings.LogParts.
func (a *App) logOf(part string) *slog.Logger { return a.log.With(partKey, part) }

// LogLevels implements web.LogKeeper.
func (a *App) LogLevels(context.Context) (web.LogAnswer, error) { return a.opts.Levels.answer(), nil }

// ChangeLog implements web.LogKeeper.
func (a *App) ChangeLog(_ context.Context, c web.ChangeLog) error {
	within := usualChange
	if c.ForSeconds != 0 {
		within = time.Duration(c.ForSeconds * float64(time.Second))
	}
	if c.ForSeconds < 0 || c.ForSeconds > mostChange.Seconds() || within <= 0 {
		return lot.Invalid("for_seconds: %g s is outside 0 to %g: leave it out for an hour", c.ForSeconds, mostChange.Seconds())
	}
	if c.Levels == "" {
		a.opts.Levels.back()
		a.logOf("daemon").Info("the levels of the log are as usual again", "by", c.By)
		return nil
	}
	levels, err := settings.ParseLog(c.Levels)
	if err != nil {
		return lot.Invalid("levels: %v", err)
	}
	a.opts.Levels.change(levels, within)
	a.logOf("daemon").Info("the levels of the log are changed for a time", "levels", c.Levels, "for", within, "by", c.By)
	return nil
}
