package app

import (
	"context"
	"runtime"
	"sync"
	"time"

	"dryhold/internal/store"
	"dryhold/internal/web"
)

// heldFor is how long a count of what is stored serves the page of health.
const heldFor = time.Minute

// held is the last count of what is stored.
type held struct {
	mu    sync.Mutex
	at    time.Time // by the machine's clock
	count store.Held
}

// Vitals implements web.Examiner.
func (a *App) Vitals(ctx context.Context) (web.Vitals, error) {
	counted, err := a.count(ctx)
	if err != nil {
		return web.Vitals{}, err
	}
	v := web.Vitals{
		Version: a.opts.Version, Go: runtime.Version(), Started: a.now().Add(-a.clock.mono()).UTC().Truncate(time.Second),
		Foods: len(a.opts.Catalog.Foods), Containers: len(a.opts.Catalog.Containers),
		Store: a.storeVitals(counted), Disk: a.disk.vitals(), Clock: a.clock.vitals(), Broker: a.brokerVitals(), Ways: []web.ChannelVitals{},
	}
	if a.worker != nil {
		for _, c := range a.worker.Status().Channels {
			v.Ways = append(v.Ways, web.ChannelVitals{Channel: c.Channel, Waiting: c.Waiting, LastSuccess: c.LastSuccess, Failures: c.Failures, LastError: c.LastError, Refused: c.Refused})
		}
	}
	if x := a.export.Load(); x != nil {
		s, w := x.exporter.Status(), x.view()
		v.Export = &web.ExportVitals{Delivered: w.Delivered, Dropped: w.Dropped, Behind: w.Behind, Failures: s.Failures, LastError: s.LastError}
	}
	v.Ping = a.vitals.heart.vitals()
	return v, nil
}

// count gives what is stored, counted now or less than heldFor ago: after years
// a count passes over many days.
func (a *App) count(ctx context.Context) (store.Held, error) {
	h := &a.held
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.at.IsZero() || time.Since(h.at) >= heldFor {
		count, err := a.store.Held(ctx, a.opts.DataDir)
		if err != nil {
			return store.Held{}, err
		}
		h.count, h.at = count, time.Now()
	}
	return h.count, nil
}

func (a *App) storeVitals(h store.Held) web.StoreVitals {
	in := a.store.Integrity()
	v := web.StoreVitals{
		Bytes: h.Bytes, Schema: h.Schema, Readings: h.Readings, Open: h.Open, PackedDays: h.PackedDays, Series: h.Series,
		Checked: in.Checked, CheckTook: in.Took.Seconds(), Faults: append([]string{}, in.Faults...), Quarantined: []string{},
	}
	for _, d := range in.Quarantined {
		v.Quarantined = append(v.Quarantined, d.String())
	}
	if b, known := store.LastBackup(a.opts.DataDir); known {
		v.Backup = &web.BackupVitals{At: b.At, File: b.File, Bytes: b.Bytes, Readings: b.Readings}
	}
	return v
}

func (a *App) brokerVitals() web.BrokerVitals {
	v := web.BrokerVitals{URL: a.BrokerURL(), Embedded: a.broker != nil}
	if a.client != nil {
		v.Waiting, v.Pending, v.Dropped = a.client.Waiting(), a.client.Pending(), a.client.Dropped()
	}
	a.counters.mu.Lock()
	defer a.counters.mu.Unlock()
	v.PerMinute = float64(a.counters.flow.lastMinute(a.now()))
	return v
}

// vitals is nil where the space is not known.
func (d *disk) vitals() *web.DiskVitals {
	d.state.mu.Lock()
	defer d.state.mu.Unlock()
	if !d.state.known {
		return nil
	}
	return &web.DiskVitals{Free: d.state.free, Total: d.state.total}
}

func (c *clock) vitals() web.ClockVitals {
	c.mu.Lock()
	defer c.mu.Unlock()
	return web.ClockVitals{Trusted: c.doubt == "", Synced: c.synced(), Step: c.step.Seconds(), StepAt: c.stepAt}
}

// vitals is nil where nobody is pinged.
func (h *heartbeat) vitals() *web.PingVitals {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.on {
		return nil
	}
	return &web.PingVitals{Answered: h.answered, Failures: h.failures, Withheld: h.withheld}
}

// flow counts messages by stretches of ten seconds.
type flow struct {
	counts [7]uint64 // of the stretch under way and the six before it
	newest int64     // number of the stretch under way; 0: none yet
}

// flowStretch is the length of a stretch in seconds: six are a minute.
const flowStretch = 10

func (f *flow) add(n int, now time.Time) {
	f.move(now)
	f.counts[f.newest%int64(len(f.counts))] += uint64(n)
}

// move begins a new stretch when it is time. A clock that was set far forward,
// or back, begins anew.
func (f *flow) move(now time.Time) {
	is := max(0, now.Unix()/flowStretch)
	if f.newest == 0 || is < f.newest || is-f.newest >= int64(len(f.counts)) {
		*f = flow{newest: is}
		return
	}
	for f.newest < is {
		f.newest++
		f.counts[f.newest%int64(len(f.counts))] = 0
	}
}

// lastMinute is how many came in the minute up to the stretch under way.
func (f *flow) lastMinute(now time.Time) (n uint64) {
	f.move(now)
	for i, count := range f.counts {
		if int64(i) != f.newest%int64(len(f.counts)) {
			n += count
		}
	}
	return n
}
