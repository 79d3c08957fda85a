package app

import (
	"errors"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"dryhold/internal/settings"
)

// watch is a machine's wall clock and its monotonic time.
type watch struct {
	wall   time.Time
	mono   time.Duration
	synced bool
}

func (w *watch) run(d time.Duration) { w.wall, w.mono = w.wall.Add(d), w.mono+d }

// clock is a daemon's clock by the watch; the longest stale limit is an hour.
func (w *watch) clock(newest time.Time) *clock {
	o := Options{
		Settings: settings.Default(), Now: func() time.Time { return w.wall },
		mono: func() time.Duration { return w.mono }, synced: func() bool { return w.synced },
	}
	c := newClock(o, slog.New(slog.DiscardHandler))
	c.stored(newest)
	return c
}

// noon is when the newest fact was stored.
func noon() time.Time { return time.Date(2031, 7, 12, 12, 0, 0, 0, time.UTC) }

func TestClockIsBelieved(t *testing.T) {
	f := func(name string, wall time.Time, built time.Time, synced, want bool, text string) {
		t.Helper()
		w := &watch{wall: wall, synced: synced}
		c := w.clock(noon())
		c.built = built
		if _, got := c.look(); got != want {
			t.Errorf("%s: believed %t, want %t", name, got, want)
		}
		h := c.check(3)
		if h.OK != (want && text == "plausible") || !strings.Contains(h.Text, text) {
			t.Errorf("%s: health says %t %q, want %q", name, h.OK, h.Text, text)
		}
	}
	made := noon().AddDate(-1, 0, 0)
	f("right", noon().Add(time.Minute), made, false, true, "plausible")
	f("never set", time.Unix(12, 0), made, false, false, "it says 1970-01-01 00:00:12 UTC, before this dryhold was made (2030-07-12 12:00:00 UTC)")
	f("never set, whatever the kernel says", time.Unix(12, 0), made, true, false, "3 messages wait")
	f("time of the last shutdown", noon().Add(-time.Hour), made, false, false, "before the newest reading or change that is stored (2031-07-12 12:00:00 UTC)")
	f("a sensor's clock was ahead", noon().Add(-5*time.Minute), made, false, true, "plausible")
	f("just before the slack", noon().Add(-clockSlack), made, false, true, "plausible")
	f("just beyond the slack", noon().Add(-clockSlack-time.Millisecond), made, false, false, "timedatectl")
	f("facts from a clock that was ahead", noon().Add(-time.Hour), made, true, true, "stored up to 2031-07-12 12:00:00 UTC, from a time when it was ahead")
	f("a year later", noon().AddDate(1, 0, 0), made, false, true, "plausible")
}

// A board without a clock boots in 1970 and a time server sets it a minute
// later: what was received meanwhile gets its true time, and the sensors have
// their stale limit to speak before they are said to be silent.
func TestClockSetLate(t *testing.T) {
	w := &watch{wall: time.Unix(3, 0), mono: 3 * time.Second}
	c := w.clock(noon())
	if now := c.judging(); !now.Equal(noon()) {
		t.Errorf("before it is set, states are shown as of %v", now)
	}
	c.pause()
	w.run(10 * time.Second)
	got := c.receipt(w.wall)
	w.run(50 * time.Second)
	if c.sure() {
		t.Error("believed in 1970")
	}
	w.wall = noon().Add(48 * time.Hour)
	if !c.sure() {
		t.Fatal("not believed when it was set")
	}
	if at := c.timeOf(got); !at.Equal(w.wall.Add(-50 * time.Second)) {
		t.Errorf("a message of 50 s ago is dated %v at %v", at, w.wall)
	}
	if at := c.tick(); !at.Equal(noon()) {
		t.Errorf("the first tick is at %v, want that of the newest fact", at)
	}
	w.run(59 * time.Minute)
	if at := c.tick(); !at.Equal(noon().Add(59 * time.Minute)) {
		t.Errorf("the tick after 59 min is at %v", at)
	}
	w.run(time.Minute)
	if at := c.tick(); !at.Equal(w.wall) {
		t.Errorf("after the stale limit it is %v, want %v", at, w.wall)
	}
}

func TestClockSteps(t *testing.T) {
	f := func(name string, step time.Duration, synced bool, after time.Duration, believed bool, tick time.Duration) {
		t.Helper()
		w := &watch{wall: noon(), synced: synced}
		c := w.clock(noon())
		c.judging()
		c.tick()
		w.run(time.Second)
		c.stored(c.tick())
		w.wall = w.wall.Add(step)
		for d := time.Duration(0); d < after; d += time.Second { // a look each second, as the writer does
			w.run(time.Second)
			if c.sure() {
				c.tick()
				c.committed()
			} else {
				c.pause()
			}
		}
		if got := c.sure(); got != believed {
			t.Errorf("%s: believed %t, want %t", name, got, believed)
		}
		if got := c.tick().Sub(noon()); got != tick {
			t.Errorf("%s: ticks have come to noon + %v, want %v", name, got, tick)
		}
	}
	f("forward an hour", time.Hour, false, 10*time.Minute, true, 10*time.Minute+time.Second)
	f("and a stale limit later", time.Hour, false, time.Hour+time.Second, true, 2*time.Hour+2*time.Second)
	f("forward half a minute is no step", 30*time.Second, false, 10*time.Second, true, 41*time.Second)
	f("back five minutes: ticks wait", -5*time.Minute, false, 4*time.Minute, true, time.Second)
	f("and go on", -5*time.Minute, false, 6*time.Minute, true, time.Minute+time.Second)
	f("back an hour, by nobody known", -time.Hour, false, 14*time.Minute, false, time.Second)
	f("believed after a while, and ticks wait for the facts", -time.Hour, false, 16*time.Minute, true, time.Second)
	f("and go on then", -time.Hour, false, 62*time.Minute, true, 2*time.Minute+time.Second)
	f("back an hour by a time server", -time.Hour, true, time.Second, true, time.Second)
	f("back two days: not believed", -48*time.Hour, false, 12*time.Hour, false, time.Second)
	f("back to 1970", -noon().Sub(time.Unix(0, 0)), false, time.Hour, false, time.Second)
}

// A glitch that goes back and forth leaves nothing behind but its pause.
func TestClockGlitch(t *testing.T) {
	w := &watch{wall: noon()}
	c := w.clock(noon())
	c.tick()
	for _, step := range []time.Duration{-time.Hour, time.Hour, 2 * time.Hour, -2 * time.Hour} {
		w.wall = w.wall.Add(step)
		w.run(time.Second)
		c.look()
	}
	if !c.sure() {
		t.Error("not believed though it is right again")
	}
	w.run(time.Hour)
	if at := c.tick(); !at.Equal(w.wall) {
		t.Errorf("after the stale limit the tick is at %v, the clock %v", at, w.wall)
	}
}

// While dryhold does not listen, ticks stand; the silence of that time is its
// own.
func TestClockPause(t *testing.T) {
	w := &watch{wall: noon()}
	c := w.clock(noon())
	c.tick()
	for range 3 * 3600 {
		w.run(time.Second)
		c.pause()
	}
	if at := c.tick(); !at.Equal(noon()) {
		t.Errorf("after three hours the tick is at noon + %v", at.Sub(noon()))
	}
	w.run(30 * time.Minute)
	if at := c.tick(); !at.Equal(noon().Add(30 * time.Minute)) {
		t.Errorf("half an hour later the tick is at noon + %v", at.Sub(noon()))
	}
	w.run(time.Hour)
	if at := c.tick(); !at.Equal(w.wall) {
		t.Errorf("after the stale limit the tick is at %v, want %v", at, w.wall)
	}
}

// Whatever is done to the wall clock, neither ticks nor evaluation go back,
// and in the stale limit after a step forward ticks run by monotonic time.
func TestClockNeverUnhappens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := &watch{wall: noon()}
		c := w.clock(noon())
		tick, shown, mono, stepped := c.tick(), c.judging(), w.mono, -2*time.Hour
		for range rapid.IntRange(1, 60).Draw(t, "looks") {
			if rapid.IntRange(0, 4).Draw(t, "what") == 0 {
				step := time.Duration(rapid.Int64Range(-100_000, 100_000).Draw(t, "step")) * time.Second
				w.wall = w.wall.Add(step)
				if step >= stepLeast {
					stepped = w.mono
				}
			}
			w.synced = rapid.Bool().Draw(t, "synced")
			w.run(time.Duration(rapid.Int64Range(0, 2000).Draw(t, "run")) * time.Second)
			if !c.sure() {
				c.pause()
				if at := c.judging(); at.Before(shown) {
					t.Fatalf("evaluation went back from %v to %v", shown, at)
				}
				continue
			}
			at := c.tick()
			if at.Before(tick) {
				t.Fatalf("ticks went back from %v to %v", tick, at)
			}
			if w.mono-stepped < c.grace && at.Sub(tick) > w.mono-mono+stepLeast {
				t.Fatalf("right after a step ticks went on by %v in %v", at.Sub(tick), w.mono-mono)
			}
			tick, mono = at, w.mono
			if at := c.judging(); at.Before(shown) {
				t.Fatalf("evaluation went back from %v to %v", shown, at)
			} else {
				shown = at
			}
			c.committed()
		}
		// Left alone and right, all is as if nothing had been.
		w.synced = true
		w.wall = later(w.wall, c.newest)
		for range 2 {
			if !c.sure() {
				t.Fatal("not believed in the end")
			}
			c.tick()
			w.run(time.Hour)
		}
		if at := c.tick(); !at.Equal(w.wall) {
			t.Fatalf("in the end the tick is at %v, the clock %v", at, w.wall)
		}
	})
}

// On the machine's own clocks a month passes without a step.
func TestClockOfTheMachine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := newClock(Options{Settings: settings.Default()}, slog.New(slog.DiscardHandler))
		if c.sure() {
			t.Error("believed before 2026, when the first of dryhold was written")
		}
		c.built = time.Time{}
		for range 30 * 24 {
			time.Sleep(time.Hour)
			if now, ok := c.look(); !ok || !now.Equal(time.Now()) || !c.tick().Equal(now) {
				t.Fatalf("believed %t at %v, tick at %v", ok, now, c.tick())
			}
		}
		if c.step != 0 {
			t.Errorf("a step of %v", c.step)
		}
	})
}

// The machine's clock stamps messages with monotonic time too: how long one
// waited is known whatever was done to the wall clock.
func TestClockKnowsHowLongAMessageWaited(t *testing.T) {
	c := newClock(Options{Settings: settings.Default()}, slog.New(slog.DiscardHandler))
	received := time.Now().Add(-time.Hour)
	if got := c.since(received); got < time.Hour {
		t.Errorf("a message of an hour ago waited for %v", got)
	}
	if at, now := c.timeOf(c.receipt(received)), time.Now(); at.After(now.Add(-time.Hour)) {
		t.Errorf("a message of an hour ago is dated %v at %v", at, now)
	}
	if got := c.since(received.Round(0)); got != 0 {
		t.Errorf("without monotonic time it waited for %v", got)
	}
}

// Pauses before another attempt grow to a bound, and begin anew with the next
// outage.
func TestPausesGrow(t *testing.T) {
	o := outage{first: firstPause}
	now := noon()
	var got []time.Duration
	for range 7 {
		o.failed(errors.New("no room"), now, now)
		got = append(got, o.next.Sub(now))
		now = o.next
	}
	s := time.Second
	if want := []time.Duration{s, 2 * s, 4 * s, 8 * s, 16 * s, 16 * s, 16 * s}; !slices.Equal(got, want) {
		t.Errorf("pauses %v, want %v", got, want)
	}
	if !o.since.Equal(noon()) || o.cause != "no room" {
		t.Errorf("since %v because of %q", o.since, o.cause)
	}
	o.failures = 0
	o.failed(errors.New("no room"), now, now)
	if o.next.Sub(now) != s || !o.since.Equal(now) {
		t.Errorf("the next outage begins at %v with a pause of %v", o.since, o.next.Sub(now))
	}
}
