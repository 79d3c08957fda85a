package app

import (
	"context"
	"crypto/sha256"
	"sync"
	"time"

	"dryhold/internal/engine"
	"dryhold/internal/intake"
	"dryhold/internal/room"
	"dryhold/internal/store"
	"dryhold/internal/wire"
)

const (
	// batchLimit bounds the messages of one commit. What arrives while a
	// commit syncs makes the next one: the batch adapts to the load.
	batchLimit = 2000
	// tickEvery is how often time alone is looked at.
	tickEvery = time.Second
	// retryEvery is how long a batch that could not be committed waits.
	retryEvery = time.Second
	// publishEvery bounds how often state is published under load.
	publishEvery = 200 * time.Millisecond
	// refoldEvery bounds how often late data are folded under load.
	refoldEvery = 5 * time.Second
)

// arrival is one message, decoded, on its way to the writer.
type arrival struct {
	delivery intake.Delivery
	decoded  wire.Decoded
	errs     []*wire.Error
	received time.Time
}

// receive decodes a message and hands it to the writer. It runs on the
// client's goroutine and blocks while the writer's queue is full, which holds
// back the broker.
func (a *App) receive(d intake.Delivery) {
	at := a.now()
	decoded, errs := a.decoder.Decode(wire.Message{Topic: d.Topic, Payload: d.Payload, ReceivedAt: at, Retained: d.Retained})
	decoded.Readings, errs = a.known(d.Topic, decoded.Readings, errs)
	a.arrivals <- arrival{d, decoded, errs, at}
}

// writer is the one goroutine that changes anything.
type writer struct {
	*App
	held     []arrival     // a batch that could not be committed yet
	pending  store.Outcome // what the engine asked for and no commit has stored
	refolds  []engine.Refold
	shown    time.Time // of the last publication
	refolded time.Time
}

func (a *App) startWriter(context.Context) (func(context.Context) error, error) {
	w := &writer{App: a}
	quit, done := make(chan struct{}), make(chan struct{})
	var once sync.Once
	go func() {
		defer close(done)
		w.run(quit)
	}()
	return func(ctx context.Context) error {
		once.Do(func() { close(quit) })
		select {
		case <-done:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}, nil
}

func (w *writer) run(quit <-chan struct{}) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	tick := time.NewTicker(tickEvery)
	defer tick.Stop()
	for {
		w.vitals.beat(time.Now())
		arrivals, retry := w.arrivals, (<-chan time.Time)(nil)
		if w.held != nil {
			arrivals, retry = nil, time.After(retryEvery)
		}
		select {
		case <-quit:
			return
		case first := <-arrivals:
			w.commit(ctx, w.gather(first))
		case <-retry:
			w.commit(ctx, w.held)
		case e := <-w.edits:
			err := w.edit(ctx, e)
			w.settle(ctx) // so that who reads after the answer sees the edit
			e.done <- err
		case <-tick.C:
			w.tick(ctx)
		}
		w.settle(ctx)
	}
}

// gather takes what else is waiting, without waiting for more.
func (w *writer) gather(first arrival) []arrival {
	batch := []arrival{first}
	for len(batch) < batchLimit {
		select {
		case next := <-w.arrivals:
			batch = append(batch, next)
		default:
			return batch
		}
	}
	return batch
}

// commit makes a batch durable and acknowledges it. If that fails the batch
// is held and tried again; unacknowledged, it also stays with the broker.
func (w *writer) commit(ctx context.Context, batch []arrival) {
	began := time.Now()
	b, repeats := w.batch(batch)
	var fresh int
	err := w.store.Commit(ctx, b, w.channels, w.now(), func(readings []room.Reading) (store.Outcome, error) {
		fresh = len(readings)
		now := w.now()
		w.take(w.engine.Observe(now, readings))
		w.take(w.engine.Tick(now))
		return w.pending, nil
	})
	w.vitals.committed(w.now(), err)
	if err != nil {
		w.held = batch
		w.log.Error("cannot store readings; they stay with the broker and are tried again", "messages", len(batch), "error", err)
		return
	}
	w.stored()
	for _, x := range batch {
		x.delivery.Ack()
	}
	w.held = nil
	w.counters.count(batch, fresh, len(b.Readings)-fresh+repeats, w.now())
	w.metrics.ObserveCommit(time.Since(began).Seconds(), len(b.Readings))
}

// batch collects the readings of the messages, without those of messages that
// are delivered again: a message without a time of its own would count as a
// new reading at its new receive time.
func (w *writer) batch(arrivals []arrival) (b store.Batch, repeats int) {
	inBatch := map[uint16][32]byte{}
	for _, x := range arrivals {
		d := x.delivery
		if x.decoded.AgeUnknown || len(x.decoded.Readings) == 0 {
			continue
		}
		if !x.decoded.OwnTime && d.QoS > 0 {
			digest := sha256.Sum256([]byte(d.Topic + "\x00" + string(d.Payload)))
			if d.Duplicate && (inBatch[d.ID] == digest || w.store.Redelivered(d.ID, digest)) {
				repeats += len(x.decoded.Readings)
				continue
			}
			inBatch[d.ID] = digest
			b.Receipts = append(b.Receipts, store.Receipt{Packet: d.ID, Digest: digest, At: x.received})
		}
		b.Readings = append(b.Readings, x.decoded.Readings...)
	}
	return b, repeats
}

// take keeps what the engine asks for until a commit has stored it.
func (w *writer) take(fx engine.Effects) {
	w.pending.Conditions = append(w.pending.Conditions, fx.Conditions...)
	w.pending.Notices = append(w.pending.Notices, fx.Notices...)
	w.refolds = append(w.refolds, fx.Refold...)
}

// stored notes that everything pending is on disk, and lets notices go.
func (w *writer) stored() {
	if len(w.pending.Notices) > 0 {
		w.worker.Wake()
	}
	w.pending = store.Outcome{}
}

// tick lets time pass.
func (w *writer) tick(ctx context.Context) {
	w.take(w.engine.Tick(w.now()))
	if len(w.pending.Conditions) == 0 && len(w.pending.Notices) == 0 {
		return
	}
	err := w.store.Commit(ctx, store.Batch{}, w.channels, w.now(), func([]room.Reading) (store.Outcome, error) { return w.pending, nil })
	w.vitals.committed(w.now(), err)
	if err != nil {
		w.log.Error("cannot store alarm state; trying again", "error", err)
		return
	}
	w.stored()
}

// settle folds late data again, packs closed days and publishes the state,
// as far as the load leaves room.
func (w *writer) settle(ctx context.Context) {
	now, idle := time.Now(), len(w.arrivals) == 0
	if len(w.refolds) > 0 && (idle || now.Sub(w.refolded) >= refoldEvery) {
		err := w.refold(ctx, w.refolds)
		w.vitals.folded(w.now(), err)
		if err != nil {
			w.log.Error("cannot fold late readings; trying again", "error", err)
		} else {
			w.refolds = nil
		}
		w.refolded = now
	}
	if day := w.now().UTC().Truncate(24 * time.Hour); day.After(w.vitals.packedDay) {
		w.pack(ctx, day)
	}
	if idle || now.Sub(w.shown) >= publishEvery {
		w.publish()
		w.shown = now
	}
}

// pack packs days that are closed: those before yesterday, since a late
// reading usually belongs to one of the two newest.
func (w *writer) pack(ctx context.Context, day time.Time) {
	more, err := w.store.Pack(ctx, day.Add(-24*time.Hour))
	switch {
	case err != nil:
		w.log.Error("cannot pack closed days; trying again tomorrow", "error", err)
	case more:
		return // the rest at the next turn
	}
	w.vitals.packedDay = day
}

func (w *writer) publish() {
	s := w.engine.Snapshot(w.now())
	s.Intake = w.counters.view(w.client != nil && w.client.Connected())
	w.published.Store(s)
}
