package app

import (
	"fmt"
	"log/slog"
	"runtime/debug"
	"sync"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/health"
	"dryhold/internal/wire"
)

const (
	// clockSlack is how far the clock may lie before the newest stored fact:
	// what a sensor's own clock may be ahead, and a little.
	clockSlack = wire.MaxAhead + time.Minute
	// stepLeast is the least difference between the clock and monotonic time
	// from one look to the next that is called a step: less is shorter than
	// any stale limit that makes sense (judgement).
	stepLeast = time.Minute
	// stepBackPatience bounds how long a clock that was set back while dryhold
	// ran, by up to stepBackMost, is distrusted: whoever set it is then taken
	// to be right. It is short enough for a broker to keep what comes
	// meanwhile (judgement).
	stepBackPatience = 15 * time.Minute
	// stepBackMost is what a clock kept in local time is off, and some more:
	// one that goes back further is broken rather than corrected (judgement).
	stepBackMost = 24 * time.Hour
	// setWords is what mends a clock.
	setWords = "see that a time server can be reached, or set the clock by hand (timedatectl set-time)"
)

// clock says what time it is, whether that can be believed, and how far
// evaluation has come. The wall clock may be wrong and may be set, forward and
// back; durations are taken from monotonic time.
//
// The wall clock is not believed while it lies before the program was built or
// before the newest stored fact, unless the kernel says that a time server
// has set it: then the facts came from a clock that was ahead. While it is
// not believed nothing is taken, judged or changed; messages wait without
// acknowledgement and get their time of receipt by monotonic time when the
// clock is right.
//
// Ticks of the engine run on a time of their own: it does not go back, it
// stands while dryhold does not listen, and after a step forward it goes on as
// if there had been none until every live sensor had its stale limit to speak.
// So neither a step nor a full disk makes all sensors silent at once.
type clock struct {
	wall   func() time.Time
	mono   func() time.Duration // since the start; never goes back
	synced func() bool          // a time server has set the wall clock
	built  time.Time            // zero: not known
	grace  time.Duration        // the longest stale limit
	log    *slog.Logger

	mu      sync.Mutex
	newest  time.Time // no fact on disk is later
	floor   time.Time // below it the wall clock is not believed
	doubt   string    // why the wall clock is not believed; empty when it is
	doubted time.Duration
	trusted bool // was believed at some time
	ahead   bool // believed although facts lie ahead of it
	started bool // at least one look was taken
	wallAt  time.Time
	monoAt  time.Duration
	alarm   alarm.Condition // what the keeper was told of it; the writer's own
	step    time.Duration   // the last one found
	stepAt  time.Time

	ticked  time.Time // the last tick
	lag     time.Duration
	lagEnds time.Duration // monotonic
	paused  bool          // no tick since
	latest  time.Time     // of evaluation
}

// newClock makes the clock of an app. With a wall clock of the caller's the
// monotonic time follows it, unless that is given too, and neither the
// build's date nor the kernel has a say.
func newClock(o Options, log *slog.Logger) *clock {
	c := &clock{wall: o.Now, mono: o.mono, synced: o.synced, built: o.built, grace: o.Settings.Stale, log: log}
	for _, s := range o.Settings.Sensors {
		c.grace = max(c.grace, s.Stale)
	}
	switch {
	case c.wall == nil:
		c.wall = time.Now
		start := time.Now()
		c.mono = func() time.Duration { return time.Since(start) }
		c.synced = clockSynced
		c.built = buildDate()
	case c.mono == nil:
		start := o.Now()
		c.mono = func() time.Duration { return o.Now().Sub(start) }
	}
	if c.synced == nil {
		c.synced = func() bool { return false }
	}
	return c
}

// buildDate is when the program's source was committed or, if the build does
// not say, when the first of it was written.
func buildDate() time.Time {
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if t, err := time.Parse(time.RFC3339, s.Value); s.Key == "vcs.time" && err == nil {
				at = later(at, t)
			}
		}
	}
	return at
}

// stored notes that facts up to an instant are on disk.
func (c *clock) stored(now time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.newest, c.floor = later(c.newest, now), later(c.floor, now)
}

// committed notes that facts are on disk that were taken by the clock as it
// is.
func (c *clock) committed() {
	c.mu.Lock()
	at, sure := c.wallAt, c.doubt == ""
	c.mu.Unlock()
	if sure {
		c.stored(at)
	}
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// look reads the clocks: the time, and whether it is believed.
func (c *clock) look() (now time.Time, ok bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now, mono := c.wall().Round(0).UTC(), c.mono()
	if c.started {
		if step := now.Sub(c.wallAt) - (mono - c.monoAt); step >= stepLeast || step <= -stepLeast {
			c.stepped(step, now, mono)
		}
	}
	c.started, c.wallAt, c.monoAt = true, now, mono
	c.believe(now, mono)
	return now, c.doubt == ""
}

// sure reports whether the wall clock is believed.
func (c *clock) sure() bool {
	_, ok := c.look()
	return ok
}

// stepped notes that the wall clock was set. Holds mu.
func (c *clock) stepped(step time.Duration, now time.Time, mono time.Duration) {
	c.step, c.stepAt = step, now
	c.lag = max(0, c.lag+step)
	c.lagEnds = mono + c.grace
	if c.doubt == "" { // else it is told when it is right
		c.log.Warn("the clock was set", "by", step.Round(time.Second), "now", now)
	}
}

// believe decides whether the wall clock is believed. Holds mu.
func (c *clock) believe(now time.Time, mono time.Duration) {
	doubt := ""
	switch {
	case now.Before(c.built):
		doubt = fmt.Sprintf("it says %s, before this dryhold was made (%s)", stamp(now), stamp(c.built))
	case !now.Before(c.floor.Add(-clockSlack)):
	case c.synced(), c.setBack(now, mono):
		c.floor = now
	default:
		doubt = fmt.Sprintf("it says %s, before the newest reading or change that is stored (%s)", stamp(now), stamp(c.newest))
	}
	ahead := doubt == "" && now.Before(c.newest.Add(-clockSlack))
	switch {
	case doubt != "" && c.doubt == "":
		c.doubted = mono
		c.log.Error("the clock is not trusted: nothing is taken or judged until it is right; "+setWords, "cause", doubt)
	case doubt == "" && c.doubt != "":
		c.log.Info("the clock is trusted again", "now", now, "after", (mono - c.doubted).Round(time.Second))
	}
	if ahead && !c.ahead {
		c.log.Error("facts are stored under times that are yet to come, from a clock that was ahead: alarms are not judged before", "now", now, "until", c.newest)
	}
	c.doubt, c.ahead, c.trusted = doubt, ahead, c.trusted || doubt == ""
}

// setBack reports whether a clock that is behind the facts was set back while
// dryhold ran, not by too much, and then left alone. Holds mu.
func (c *clock) setBack(now time.Time, mono time.Duration) bool {
	return c.trusted && c.doubt != "" && mono-c.doubted >= stepBackPatience && c.floor.Sub(now) <= stepBackMost
}

// since is how long ago a message was received, by monotonic time if its
// stamp has one, as those of the machine's clock have; else nothing.
func (c *clock) since(received time.Time) time.Duration {
	if received == received.Round(0) {
		return 0
	}
	return max(0, time.Since(received))
}

// receipt is the monotonic time of a message's receipt.
func (c *clock) receipt(received time.Time) time.Duration { return c.mono() - c.since(received) }

// timeOf is what the wall clock, if it is right by now, would have shown at a
// monotonic instant.
func (c *clock) timeOf(mono time.Duration) time.Time {
	return c.wall().Round(0).UTC().Add(mono - c.mono())
}

// judging is the time at which readings are judged and states shown: the wall
// clock, but it does not go back, and before the clock is believed it is that
// of the newest fact.
func (c *clock) judging() time.Time {
	now, ok := c.look()
	c.mu.Lock()
	defer c.mu.Unlock()
	if !ok {
		now = c.newest
	}
	c.latest = later(c.latest, now)
	return c.latest
}

// tick is the time of the engine's next tick; see clock.
func (c *clock) tick() time.Time {
	c.look()
	c.mu.Lock()
	defer c.mu.Unlock()
	now, mono := c.wallAt, c.monoAt
	if c.paused {
		c.paused = false
		if c.ticked.IsZero() {
			c.ticked = c.newest // the clock was wrong at the start
		}
		if !c.ticked.IsZero() {
			c.lag, c.lagEnds = max(0, now.Sub(c.ticked)), mono+c.grace
		}
	}
	if mono >= c.lagEnds {
		c.lag = 0
	}
	if at := now.Add(-c.lag); at.After(c.ticked) {
		c.ticked = at
	}
	return c.ticked
}

// pause says that dryhold does not listen now.
func (c *clock) pause() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.paused = true
}

// check is the clock's part in health.
func (c *clock) check(waiting int64) health.Check {
	c.mu.Lock()
	defer c.mu.Unlock()
	h := health.Check{Code: "clock", Title: "The clock is right", Urgent: true, OK: true, Text: "plausible"}
	switch {
	case c.doubt != "":
		h.OK = false
		h.Text = fmt.Sprintf("clock not trusted: %s. Nothing is taken, judged or changed until it is right; %d messages wait. To mend it, %s", c.doubt, waiting, setWords)
	case c.ahead:
		h.OK = false
		h.Text = fmt.Sprintf("it says %s, and readings or changes are stored up to %s, from a time when it was ahead. What comes is stored; alarms are judged from then on. If it was right before, set it again", stamp(c.wallAt), stamp(c.newest))
	case c.step != 0 && c.wallAt.Sub(c.stepAt) < 24*time.Hour:
		h.Text = fmt.Sprintf("plausible; set by %s at %s", c.step.Round(time.Second), stamp(c.stepAt))
	}
	return h
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05 UTC") }
