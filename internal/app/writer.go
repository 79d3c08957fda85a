package app

import (
	"cmp"
	"context"
	"crypto/sha256"
	"sync"
	"time"

	"dryhold/internal/crash"
	"dryhold/internal/engine"
	"dryhold/internal/intake"
	"dryhold/internal/room"
	"dryhold/internal/store"
	"dryhold/internal/web"
	"dryhold/internal/wire"
)

const (
	// batchLimit bounds the messages of one commit. What arrives while a
	// commit syncs makes the next one: the batch adapts to the load.
	batchLimit = 2000
	// tickEvery is how often time alone is looked at.
	tickEvery = time.Second
	// heldLimit bounds the messages of a batch that could not be committed.
	heldLimit = queueLength
	// publishEvery bounds how often state is published under load.
	publishEvery = 200 * time.Millisecond
	// refoldEvery bounds how often late data are folded under load.
	refoldEvery = 5 * time.Second
	// packFor is how long days are packed at a turn while nothing waits: edits
	// that come meanwhile wait no longer (judgement).
	packFor = 200 * time.Millisecond
)

// arrival is one message, decoded, on its way to the writer.
type arrival struct {
	delivery  intake.Delivery
	decoded   wire.Decoded
	errs      []*wire.Error
	intervals []store.Interval // the sender says, longer ones than before
	digest    [32]byte         // of topic and payload, where there is no time of its own
	received  time.Time
	unread    bool          // not decoded, since the clock is not trusted
	at        time.Duration // and its receipt by monotonic time
}

// receive decodes a message and hands it to the writer. It runs on the
// client's goroutine and blocks while the writer's queue is full, which holds
// back the broker. While the clock is not trusted, messages are decoded later,
// and so are those behind them, since the order must stay.
func (a *App) receive(d intake.Delivery) {
	if a.commands != nil && d.Topic == a.commandTopic() {
		a.command(d)
		return
	}
	if d.Topic == a.alone.topic {
		a.present(d)
		return
	}
	if a.hub.Own(d.Topic) { // what dryhold says of a room is no reading of it
		d.Ack()
		return
	}
	a.at(crash.Received)
	x := arrival{delivery: d}
	if now, ok := a.clock.look(); ok && a.unread.Load() == 0 || len(d.Payload) > wire.MaxPayload { // refused at any time, and too large to wait
		a.read(&x, now)
	} else {
		a.unread.Add(1)
		x.unread, x.at = true, a.clock.receipt(d.ReceivedAt)
	}
	a.at(crash.Decoded)
	select {
	case a.arrivals <- x:
	case <-a.writerEnded: // not acknowledged, so it comes again
	}
}

// read decodes a message that was received at an instant.
func (a *App) read(x *arrival, received time.Time) {
	d := x.delivery
	x.received = received
	x.decoded, x.errs = a.decoder.Decode(wire.Message{Topic: d.Topic, Payload: d.Payload, ReceivedAt: received, Retained: d.Retained})
	a.known(x)
	a.trace(x)
	if !x.decoded.OwnTime {
		a.receipts.part(x.decoded.Readings)
		if len(x.decoded.Readings) > 0 {
			x.digest = sha256.Sum256([]byte(d.Topic + "\x00" + string(d.Payload)))
		}
	}
	x.delivery.Payload = nil // thousands may wait
}

// receipts keeps messages without a time of their own apart: a reading is
// known by its series and millisecond, and two messages may arrive within
// one, as after a reconnection.
type receipts struct{ last map[room.Series]time.Time }

// partMost is how far a burst may be dated ahead. A last reading further
// ahead was not of a burst: the clock was set back since.
const partMost = time.Minute

// part moves readings that were received at once a millisecond apart.
func (r *receipts) part(readings []room.Reading) {
	for i, x := range readings {
		if last, any := r.last[x.Series]; any && !x.At.After(last) && last.Sub(x.At) <= partMost {
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
	early    *arrival         // was taken when the clock was set to a time not trusted
	outage   outage
	pending  store.Outcome // what the engine asked for and no commit has stored
	refolds  []engine.Refold
	shown    time.Time // of the last publication
	refolded time.Time
	imports  imports
	receipt  *web.Receipt // of the edit being done, where it names itself
}

func (a *App) startWriter(context.Context) (func(context.Context) error, error) {
	a.channels = a.machines()
	w := &writer{App: a, outage: outage{first: cmp.Or(a.opts.pause, firstPause)}}
	quit := make(chan struct{})
	var once sync.Once
	go func() {
		defer close(a.writerEnded)
		w.run(quit)
	}()
	return func(ctx context.Context) error {
		once.Do(func() { close(quit) })
		return await(ctx, a.writerEnded)
	}, nil
}

func (w *writer) run(quit <-chan struct{}) {
	// Not one that can end: the database watches such a one at every
	// statement, and a commit is not broken off.
	ctx := w.armed(context.Background())
	tick := time.NewTicker(tickEvery)
	defer tick.Stop()
	for {
		w.vitals.beat(time.Now())
		_, sure := w.clock.look()
		arrivals := w.arrivals
		if !sure || w.outage.failures > 0 {
			w.clock.pause()
		}
		if !sure || len(w.held) >= heldLimit {
			arrivals = nil
		} else if x := w.early; x != nil {
			w.early = nil
			w.accept(ctx, *x)
			w.settle(ctx)
			continue
		}
		select {
		case <-quit:
			return
		case first := <-arrivals:
			w.accept(ctx, first)
		case <-w.retry:
			w.commit(ctx, w.held)
		case e := <-w.edits:
			err := w.change(ctx, e)
			w.settle(ctx) // so that who reads after the answer sees the edit
			e.done <- err
		case <-tick.C:
			w.tick(ctx)
		}
		w.settle(ctx)
	}
}

// accept takes what has arrived to the store.
func (w *writer) accept(ctx context.Context, first arrival) {
	switch batch := w.gather(first); {
	case len(batch) == 0:
	case w.held == nil:
		w.commit(ctx, batch)
	default:
		w.hold(batch)
	}
}

// gather takes what else is waiting, without waiting for more, up to a message
// that waits for the clock.
func (w *writer) gather(x arrival) (batch []arrival) {
	for {
		if x.unread && !w.clock.sure() {
			w.early = &x
			return batch
		}
		batch = append(batch, w.dated(x))
		if len(batch) >= batchLimit {
			return batch
		}
		select {
		case x = <-w.arrivals:
		default:
			return batch
		}
	}
}

// dated decodes a message that waited for the clock, with the time of its
// receipt as the clock shows it now that it is right.
func (w *writer) dated(x arrival) arrival {
	if x.unread {
		w.read(&x, w.clock.timeOf(x.at))
		x.unread = false
		w.unread.Add(-1)
	}
	return x
}

// hold keeps a batch that comes while an earlier one cannot be committed.
// Unacknowledged, it also stays with the broker. Alarms are judged on it all
// the same: the room is as warm while the disk is full.
func (w *writer) hold(batch []arrival) {
	w.held = append(w.held, batch...)
	now := w.clock.judging()
	var heard []room.Reading
	for _, x := range batch {
		if x.decoded.AgeUnknown || x.delivery.Duplicate {
			continue
		}
		for _, r := range x.decoded.Readings {
			if now.Sub(r.At) < time.Hour { // older ones are folded when they are stored
				heard = append(heard, r)
			}
		}
	}
	w.take(w.engine.Observe(now, heard))
	w.tell()
}

// commit makes a batch durable and acknowledges it. If that fails the batch
// is held and tried again; unacknowledged, it also stays with the broker.
func (w *writer) commit(ctx context.Context, batch []arrival) {
	began, now := time.Now(), w.clock.judging()
	b, repeats := w.batch(batch)
	w.at(crash.Batched)
	var fresh int
	err := w.store.Commit(ctx, b, w.channels, now, func(readings []room.Reading) (store.Outcome, error) {
		fresh = len(readings)
		fx := w.engine.Observe(now, readings)
		w.take(fx)
		w.observed(fx)
		if w.outage.failures == 0 {
			w.take(w.engine.Tick(w.clock.tick()))
		}
		w.people()
		w.at(crash.Judged)
		w.alarmed()
		return w.pending, nil
	})
	if err != nil {
		w.held = batch
		w.committed(err)
		w.retry = time.After(time.Until(w.outage.next))
		return
	}
	w.at(crash.Committed)
	w.stored()
	for i, x := range batch {
		x.delivery.Ack()
		if i == 0 && len(batch) > 1 {
			w.at(crash.Acknowledged)
		}
	}
	w.learn(b.Intervals)
	w.held, w.retry = nil, nil
	w.committed(nil)
	w.counters.count(batch, fresh, len(b.Readings)-fresh+repeats, now)
	w.metrics.ObserveCommit(time.Since(began).Seconds(), len(b.Readings))
}

// alarmed tells a test of alarm conditions about to be committed.
func (w *writer) alarmed() {
	if len(w.pending.Conditions) > 0 {
		w.at(crash.Alarmed)
	}
}

// committed notes the outcome of a commit, and logs it when it changes.
func (w *writer) committed(err error) {
	now := time.Now()
	switch {
	case err != nil:
		if w.vitals.committed(err) {
			w.logOf("store").Error("cannot store; what came over MQTT stays with the broker, and it is tried again", "error", err)
		}
		w.outage.failed(err, w.clock.judging(), now)
		w.tell()
	case w.held != nil: // an edit found room: see whether the batch does
		w.retry = time.After(0)
	case w.outage.failures > 0:
		w.vitals.committed(nil)
		w.outage.failures, w.outage.well = 0, now
		w.logOf("store").Info("can store again")
	}
	if err == nil {
		w.clock.committed()
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
			if d.Duplicate && (inBatch[d.ID] == x.digest || w.store.Redelivered(d.ID, x.digest)) {
				repeats += len(x.decoded.Readings)
				continue
			}
			inBatch[d.ID] = x.digest
			b.Receipts = append(b.Receipts, store.Receipt{Packet: d.ID, Digest: x.digest, At: x.received})
		}
		b.Readings = append(b.Readings, x.decoded.Readings...)
		b.Intervals = append(b.Intervals, x.intervals...)
	}
	return b, repeats
}

// take keeps what the engine asks for until a commit has stored it.
func (w *writer) take(fx engine.Effects) {
	w.pending.Conditions = append(w.pending.Conditions, fx.Conditions...)
	w.pending.Transitions = append(w.pending.Transitions, fx.Transitions...)
	for _, n := range fx.Notices {
		w.pending.Notices = append(w.pending.Notices, w.linked(n))
	}
	w.pending.Told = append(w.pending.Told, fx.Told...)
	w.refolds = append(w.refolds, fx.Refold...)
}

// stored notes that everything pending is on disk, and lets notices go.
func (w *writer) stored() {
	if len(w.pending.Notices) > 0 {
		w.worker.Wake()
	}
	w.metrics.CountAlarms(w.pending.Transitions, w.pending.Notices)
	w.pending = store.Outcome{}
}

// tick lets time pass. It does not while dryhold cannot listen, for want of a
// right clock or a store: silence is then its own.
func (w *writer) tick(ctx context.Context) {
	w.vitals.connection(w.client.Connected(), time.Now())
	w.disk.look(time.Now())
	_, sure := w.clock.look()
	w.doubt()
	if sure && w.outage.failures == 0 {
		w.take(w.engine.Tick(w.clock.tick()))
		w.feel()
	}
	if sure {
		w.people()
	}
	w.tell()
	idle := len(w.pending.Conditions)+len(w.pending.Notices)+len(w.pending.Actions)+len(w.pending.Told) == 0 && w.outage.failures == 0
	if !sure || idle || w.held != nil || time.Now().Before(w.outage.next) {
		return
	}
	w.alarmed()
	err := w.store.Commit(ctx, store.Batch{}, w.channels, w.clock.judging(), func([]room.Reading) (store.Outcome, error) { return w.pending, nil })
	if err == nil {
		w.stored()
	}
	w.committed(err)
}

// settle folds late data again, packs closed days and publishes the state,
// as far as the load leaves room.
func (w *writer) settle(ctx context.Context) {
	now, idle := time.Now(), len(w.arrivals) == 0
	w.foldImported(now)
	if len(w.refolds) > 0 && (idle || now.Sub(w.refolded) >= refoldEvery) {
		err := w.refold(ctx, w.refolds, crash.Refolded)
		news := w.vitals.folded(err)
		switch {
		case err == nil:
			w.refolds = nil
			w.engine.TakeRevised() // what asked for it has noted since when
		case news:
			w.logOf("engine").Error("cannot fold late readings; trying again", "error", err)
		}
		w.refolded = now
	}
	if day := w.now().UTC().Truncate(24 * time.Hour); w.clock.sure() && w.outage.failures == 0 && day.After(w.vitals.packedDay) {
		w.pack(ctx, day)
	}
	if idle || now.Sub(w.shown) >= publishEvery {
		w.publish()
		w.shown = now
	}
}

// pack packs days that are closed: those before yesterday, since a late
// reading usually belongs to one of the two newest. It goes on while no message
// waits, so that years that were imported take minutes and not hours.
func (w *writer) pack(ctx context.Context, day time.Time) {
	for began := time.Now(); ; {
		more, err := w.store.Pack(ctx, day.Add(-24*time.Hour))
		switch {
		case err != nil:
			w.logOf("store").Error("cannot pack closed days; trying again tomorrow", "error", err)
		case more && len(w.arrivals) == 0 && time.Since(began) < packFor:
			continue
		case more:
			return // the rest at the next turn
		}
		w.vitals.packedDay = day
		return
	}
}

func (w *writer) publish() {
	s := w.engine.Snapshot(w.clock.judging())
	if w.client != nil {
		w.counters.overrun(w.client.Dropped(), s.At)
	}
	s.Intake = w.counters.view(w.client != nil && w.client.Connected())
	w.show(s)
}
