package app_test

import (
	"os/exec"
	"slices"
	"syscall"
	"time"

	"dryhold/internal/crash"
	"dryhold/internal/intake/mosquittotest"
)

// blackout is a time in which what the broker took is lost with it: from the
// last time it wrote its memory down to its next start.
type blackout struct{ from, to time.Time }

// shaken is a siege whose mosquitto is restarted too.
type shaken struct {
	*siege
	m         *mosquittotest.Server
	w         *witness
	saved     time.Time // when the broker last wrote its memory down
	blackouts []blackout
	restarts  [2]int // in good order, by SIGKILL
}

// leastShaken is how many kills a daemon gets whose broker is restarted too.
const leastShaken = 12

// shake kills and restarts daemon and broker in any order. A broker that ends
// in good order loses nothing, and then nothing is lost. One that is killed
// forgets what it took since it last wrote its memory down (mosquitto with
// persistence: every half hour by default). That is its own loss: the daemon
// never acknowledged those messages. What the daemon acknowledged is there, and
// nothing more often than the broker delivered it as a new message.
func (s *shaken) shake(kills int, hard bool) {
	t := s.t
	t.Helper()
	origin := time.Now().Add(-20 * time.Hour).UTC().Truncate(time.Second)
	a := s.start()
	f := feed(t, s.broker, origin)
	p := edit(s.page)
	s.begun(a, p)
	s.stop(a)
	s.soft() // from now on the broker's memory has the daemon's session
	points := slices.DeleteFunc(inDaemon(), func(p crash.Point) bool {
		return slices.Contains([]crash.Point{crash.Packing, crash.Packed, crash.Closed}, p)
	})
	for s.lives < kills {
		restart := s.soft
		if hard && s.rng.IntN(2) == 0 {
			restart = s.hard
		}
		switch s.rng.IntN(4) {
		case 0: // the broker while the daemon is away
			restart()
			s.random(time.Second)
		case 1: // the daemon at a point, right after the broker came back
			restart()
			s.toPoint(points[s.rng.IntN(len(points))])
		default: // the broker while the daemon runs
			s.during(restart)
		}
	}
	a = s.start()
	p.end()
	f.end()
	s.drain(a)
	delivered(t, s.dir, "log", "mail") // over MQTT the pauses grow while the broker is away
	if !s.rebuilt(a) {
		t.Error("the state that grew differs from one rebuilt from what is stored")
	}
	s.stop(a)
	got := s.attribute(f)
	p.check(t, s.dir)
	for name, sent := range f.timed {
		f.timed[name] = slices.DeleteFunc(sent, func(m message) bool { return got[m.facts(name)[0]] == 0 })
	}
	s.equal(f)
}

// soft restarts the broker in good order.
func (s *shaken) soft() {
	s.saved = time.Now()
	s.m.Stop()
	s.pause(100 * time.Millisecond)
	s.m.Restart()
	s.restarts[0]++
}

// hard restarts it after a kill.
func (s *shaken) hard() {
	s.m.Kill()
	s.pause(100 * time.Millisecond)
	s.w.forget()
	s.blackouts = append(s.blackouts, blackout{s.saved, time.Now()})
	s.m.Restart()
	s.restarts[1]++
}

// pause lets chance choose the instant of what comes next.
func (s *shaken) pause(most time.Duration) { time.Sleep(time.Duration(s.rng.Int64N(int64(most)))) }

// during runs the real program, lets something happen, and kills it.
func (s *shaken) during(happen func()) {
	s.t.Helper()
	s.lives++
	cmd := exec.Command(s.made.real, "run", "--config", s.config, "--data", s.dir, "--log", "warn")
	if err := cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { _ = cmd.Process.Kill() })
	s.pause(700 * time.Millisecond)
	happen()
	s.pause(700 * time.Millisecond)
	_ = cmd.Process.Kill()
	err := cmd.Wait()
	if status, ok := cmd.ProcessState.Sys().(syscall.WaitStatus); !ok || status.Signal() != syscall.SIGKILL {
		s.t.Fatalf("the daemon ended otherwise than by a kill: %v", err)
	}
}

// attribute compares what is on disk with the book and with what went over the
// wire, and says whose each loss is.
func (s *shaken) attribute(f *feeder) (got map[fact]int) {
	t := s.t
	t.Helper()
	got = factsOf(t, s.dir)
	seen := s.w.accounts()
	sure, theirs, ours, denied, twice, again := 0, 0, 0, 0, 0, 0
	for x, k := range f.book {
		n, a := got[x], seen[x]
		least := min(len(k.sure), k.most(x))
		sure += least
		if missing := least - n; missing > 0 {
			// The broker took so many and lost them, at most as many as it took
			// in its blackouts.
			if in := s.inBlackout(k.sure) + a.alike; missing > in {
				ours += missing - in
				t.Logf("lost: %+v, %d of %d, of which %d can be the broker's; %+v", x, missing, least, in, a)
			}
			theirs += missing
		}
		if n < min(a.acked, k.most(x)) {
			denied += min(a.acked, k.most(x)) - n
			t.Logf("acknowledged and not there: %+v, %d on disk; %+v", x, n, a)
		}
		most := k.most(x)
		if x.at == 0 {
			most = a.delivered
		}
		if n > most {
			twice += n - most
			t.Logf("twice: %+v, %d on disk; %+v", x, n, a)
		}
		again += max(0, n-k.most(x))
	}
	if ours+denied+twice > 0 {
		t.Errorf("of %d readings the broker took, %d are lost and not by it, %d acknowledged by the daemon are not there, %d more often than the broker delivered them",
			sure, ours, denied, twice)
	}
	if len(s.blackouts) == 0 && theirs+again > 0 {
		t.Errorf("a broker that ended in good order lost %d and delivered %d as new again", theirs, again)
	}
	t.Logf("%d readings taken by the broker, %d kills of the daemon, %d restarts of the broker in good order and %d by SIGKILL; the broker itself lost %d of them and delivered %d a second time as new",
		sure, s.lives, s.restarts[0], s.restarts[1], theirs, again)
	return got
}

// inBlackout counts what the broker took in a blackout.
func (s *shaken) inBlackout(when []time.Time) (n int) {
	for _, at := range when {
		if slices.ContainsFunc(s.blackouts, func(b blackout) bool { return !at.Before(b.from) && !at.After(b.to) }) {
			n++
		}
	}
	return n
}
