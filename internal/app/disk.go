package app

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/health"
	"dryhold/internal/lot"
	"dryhold/internal/store"
)

const (
	// firstPause is the pause before a commit that failed is tried again; each
	// is twice the one before, up to longestPause of the first.
	firstPause   = time.Second
	longestPause = 16
	// tellAfter is how many attempts fail before the keeper is told: a
	// single one may be a passing fault.
	tellAfter = 3
	// outageCalm is how long all must be well before an outage of the store is
	// over, so that a disk at the brink is not told of again and again.
	outageCalm = time.Minute

	// A disk is nearly full with less free than lowFree, or than lowShare of
	// it up to lowMost: 5 % of a large disk is plenty. At two readings a
	// minute from 20 sensors lowFree lasts for months (judgement).
	lowFree  = 100 << 20
	lowShare = 0.05
	lowMost  = 1 << 30
	// spaceEvery is how often free space is looked at.
	spaceEvery = 10 * time.Second
)

// outage is a time in which commits fail. It is the writer's own.
type outage struct {
	first    time.Duration // pause
	failures int           // in a row, of attempts by the clock
	cause    string
	remedy   string
	since    time.Time // by the wall clock, as far as that is right
	next     time.Time // attempt, by the machine's clock
	told     bool      // the keeper was
	well     time.Time // since when, by the machine's clock, it is over
}

// failed notes a failed attempt.
func (o *outage) failed(err error, wall, now time.Time) {
	if o.failures == 0 && !o.told {
		o.since = wall
	}
	o.cause, o.remedy = store.Explain(err)
	o.next = now.Add(o.first * time.Duration(min(1<<min(o.failures, 10), longestPause)))
	o.failures++
}

// storeKey is the alarm that notices of the store itself belong to. It is no
// condition: the store could not keep its state.
func storeKey() alarm.Key { return alarm.Key{Kind: "store", Room: "disk"} }

// notice tells of the outage or of its end.
func (o *outage) notice(site string, ev alarm.NoticeEvent, at time.Time, zone *time.Location) alarm.Notice {
	if zone == nil {
		zone = time.UTC
	}
	local := func(t time.Time) string { return t.In(zone).Format("Mon 2 Jan 2006 15:04 MST") }
	n := alarm.Notice{
		Key:   fmt.Sprintf("%s/%s/%s", storeKey(), o.since.UTC().Format("20060102T150405.000Z"), ev),
		Event: ev, Alarm: storeKey(), Priority: alarm.High, Site: site, At: at, Since: o.since, Costs: []alarm.LotCost{},
		Subject: "dryhold can store readings again",
		Body: "dryhold at " + site + " can store again. It could not since\n" + local(o.since) + ".\n\n" +
			"What came meanwhile at QoS 1 was kept by the MQTT broker, as far as its\nqueue reaches, and is stored now.\n\nWhat to do now: nothing.\n",
	}
	if ev == alarm.Raised {
		n.Subject = "dryhold cannot store readings"
		n.Body = "dryhold at " + site + " cannot store anything since\n" + local(o.since) + ":\n" + o.cause + ".\n\n" +
			"Readings are not acknowledged, so that the MQTT broker keeps them as far as\nits queue reaches; changes of lots are refused. The page and the alarms of\nwhat still comes in go on. It is tried again and again; no restart is\nneeded.\n\n" +
			"What to do now: " + o.remedy + ".\n"
	}
	return n
}

// refusal is the answer to a person whose edit could not be stored.
func (o *outage) refusal() error {
	return lot.NotNow("cannot store the change now, because %s. Nothing was changed. To mend it, %s; then try again", o.cause, o.remedy)
}

// change does one edit, unless the clock is not trusted, and words the refusal
// of one that could not be stored.
func (w *writer) change(ctx context.Context, e *edit) error {
	if _, sure := w.clock.look(); !sure && e.read == nil && e.look == nil {
		return lot.NotNow("cannot take the change: %s", w.clock.check(w.unread.Load()).Text)
	}
	before := w.outage
	err := w.edit(ctx, e)
	if err == nil || w.outage.failures == before.failures {
		return err
	}
	if before.failures > 0 { // a person's attempt does not lengthen the pauses
		w.outage.failures, w.outage.next = before.failures, before.next
	}
	return w.outage.refusal()
}

// tell gives the keeper notice from memory that the store fails, once, and
// the notices that it cannot take; and when it is over, that it is.
func (w *writer) tell() {
	o := &w.outage
	zone, now := w.opts.Settings.Zone, w.clock.judging()
	switch {
	case o.failures >= tellAfter:
		if !o.told {
			o.told = true
			w.worker.FromMemory(o.notice(w.opts.Settings.Site, alarm.Raised, now, zone))
		}
		for _, n := range w.pending.Notices {
			if n.Channels == nil {
				n.Channels = w.channels
			}
			w.worker.FromMemory(n)
		}
		w.pending.Notices = nil
	case o.told && o.failures == 0 && time.Since(o.well) >= cmp.Or(w.opts.calm, outageCalm):
		o.told = false
		w.worker.FromMemory(o.notice(w.opts.Settings.Site, alarm.Returned, now, zone))
	}
}

// disk watches the free space of the data directory.
type disk struct {
	dir   string
	space func(dir string) (free, total uint64, err error)
	log   *slog.Logger
	state *diskState
}

type diskState struct {
	mu          sync.Mutex
	looked      time.Time
	free, total uint64
	known, low  bool
}

func newDisk(o Options, log *slog.Logger) disk {
	d := disk{dir: o.DataDir, space: o.space, log: log, state: &diskState{}}
	if d.space == nil {
		d.space = space
	}
	return d
}

// look asks for the free space, now and then.
func (d disk) look(now time.Time) {
	s := d.state
	s.mu.Lock()
	defer s.mu.Unlock()
	if now.Sub(s.looked) < spaceEvery {
		return
	}
	free, total, err := d.space(d.dir)
	s.looked, s.free, s.total, s.known = now, free, total, err == nil && total > 0
	low := s.known && free < max(lowFree, min(uint64(lowShare*float64(total)), lowMost))
	if low && !s.low {
		d.log.Warn("the disk is nearly full: make room before readings can no longer be stored", "directory", d.dir, "free", megabytes(free))
	}
	s.low = low
}

// room is the free space last seen, in bytes; false where it is not known.
func (d disk) room() (free uint64, known bool) {
	d.state.mu.Lock()
	defer d.state.mu.Unlock()
	return d.state.free, d.state.known
}

// check is the disk's part in health. It is not urgent: readings are stored
// as yet.
func (d disk) check(now time.Time) health.Check {
	d.look(now)
	s := d.state
	s.mu.Lock()
	defer s.mu.Unlock()
	c := health.Check{Code: "disk", Title: "The disk has room", OK: !s.low}
	switch {
	case !s.known:
		c.Text = "free space is not known"
	case s.low:
		c.Text = fmt.Sprintf("nearly full: %s of %s free on the disk that holds %s: make room before readings can no longer be stored", megabytes(s.free), megabytes(s.total), d.dir)
	default:
		c.Text = megabytes(s.free) + " free"
	}
	return c
}

func megabytes(n uint64) string {
	if n >= 10<<30 {
		return fmt.Sprintf("%d GB", n>>30)
	}
	return fmt.Sprintf("%d MB", n>>20)
}
