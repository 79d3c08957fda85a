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
	decoded.Readings, errs = a.known(d.Topic, decoded, errs)
	if !decoded.OwnTime {
		a.receipts.part(decoded.Readings)
	}
	select {
	case a.arrivals <- arrival{d, decoded, errs, at}:
	case <-a.writerEnded: // not acknowledged, so it comes again
	}
}

// receipts keeps messages without a time of their own apart: a reading is
// known by its series and millisecond, and two messages may arrive within
// one, as after a reconnection.
type receipts struct{ last map[room.Series]time.Time }

// part moves readings that were received at once a millisecond apart.
func (r *receipts) part(readings []room.Reading) {
	for i, x := range readings {
		if last, any := r.last[x.Series]; any && !x.At.After(last) {
			readings[i].At = last.Add(time.Millisecond)
		}
		r.last[x.Series] = readings[i].At
	}
}

// writer is the one goroutine that changes anything.
type writer struct {
	*App
	held     []arrival        // a batch that could not be committed yet
	retry    <-chan time.Time // when to try it again
	pending  store.Outcome    // what the engine asked for and no commit has stored
	refolds  []engine.Refold
	shown    time.Time // of the last publication
	refolded time.Time
}

func (a *App) startWriter(context.Context) (func(context.Context) error, error) {
	w := &writer{App: a}
	quit := make(chan struct{})
	var once sync.Once
	go func() {
		defer close(a.writerEnded)
		w.run(quit)
	}()
	return func(ctx context.Context) error {
		once.Do(func() { close(quit) })
		select {
		case <-a.writerEnded:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}, nil
}

func (w *writer) run(quit <-chan struct{}) {
	// Not one that can end: the database watches such a one at every
	// statement, and a commit is not broken off.
	ctx := context.Background()
	tick := time.NewTicker(tickEvery)
	defer tick.Stop()
	for {
		w.vitals.beat(time.Now())
		arrivals := w.arrivals
		if w.held != nil {
			arrivals = nil
		}
		select {
		case <-quit:
			return
		case first := <-arrivals:
			w.commit(ctx, w.gather(first))
		case <-w.retry:
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
		w.at("before commit")
		return w.pending, nil
	})
	w.committed(err)
	if err != nil {
		w.held, w.retry = batch, time.After(retryEvery)
		return
	}
	w.at("after commit")
	w.stored()
	for _, x := range batch {
		x.delivery.Ack()
	}
	w.held, w.retry = nil, nil
	w.counters.count(batch, fresh, len(b.Readings)-fresh+repeats, w.now())
	w.metrics.ObserveCommit(time.Since(began).Seconds(), len(b.Readings))
}

// at is a point where a test may end the process.
func (w *writer) at(point string) {
	if w.opts.crash != nil {
		w.opts.crash(point)
	}
}

// committed notes the outcome of a commit, and logs it when it changes.
func (w *writer) committed(err error) {
	switch news := w.vitals.committed(err); {
	case !news:
	case err != nil:
		w.log.Error("cannot store; what came over MQTT stays with the broker, and it is tried again", "error", err)
	default:
		w.log.Info("can store again")
	}
}

// batch collects the readings of the messages, without those of messages that
// are delivered again: a message without a time of its own would count as a
// new reading at its new receive time.
func (w *writer) batch(arrivals []arrival) (b store.Batch, repeats int) {
	inBatch := map[uint16][32]byte{}
	for _, x := range arrivals {
		d := x.delivery
		if d.QoS > 0 {
			b.Packets = append(b.Packets, store.Packet{ID: d.ID, Again: d.Duplicate})
		}
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
	w.vitals.connection(w.client.Connected(), time.Now())
	w.take(w.engine.Tick(w.now()))
	if len(w.pending.Conditions) == 0 && len(w.pending.Notices) == 0 {
		return
	}
	err := w.store.Commit(ctx, store.Batch{}, w.channels, w.now(), func([]room.Reading) (store.Outcome, error) { return w.pending, nil })
	w.committed(err)
	if err == nil {
		w.stored()
	}
}

// settle folds late data again, packs closed days and publishes the state,
// as far as the load leaves room.
func (w *writer) settle(ctx context.Context) {
	now, idle := time.Now(), len(w.arrivals) == 0
	if len(w.refolds) > 0 && (idle || now.Sub(w.refolded) >= refoldEvery) {
		err := w.refold(ctx, w.refolds)
		news := w.vitals.folded(err)
		switch {
		case err == nil:
			w.refolds = nil
		case news:
			w.log.Error("cannot fold late readings; trying again", "error", err)
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
