package influx

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"
)

// Times and sizes of the exporter; judgement, but for BatchPoints, which is
// the vendor's advice.
const (
	BatchPoints = 5000
	firstPause  = 2 * time.Second
	lastPause   = 5 * time.Minute
	longestWait = time.Hour // that a server may ask for
	pollEvery   = 10 * time.Second
)

// Batch is lines to send in order, and what notes that they were.
type Batch struct {
	Lines []string
	// Sent makes durable that none of it need be sent again.
	Sent func(ctx context.Context) error
}

// Source gives what is to be sent.
type Source interface {
	// Next gives the next batch of about limit lines; one without Sent when
	// nothing waits. It gives the same again until Sent was called.
	Next(ctx context.Context, limit int) (Batch, error)
	// Probe is a line with which no server can find fault.
	Probe() (string, error)
}

// Config is what an Exporter is made of. Times left at zero are as usual.
type Config struct {
	Source Source
	// Write sends lines; its errors are WriteErrors.
	Write func(ctx context.Context, lines []string) error
	Rate  int // points a second at most
	Log   *slog.Logger

	Poll, FirstPause, LastPause time.Duration
}

// Status is how the export fares.
type Status struct {
	Delivered uint64 // points the server took
	Refused   uint64 // points it refused, left out since
	Failures  int    // in a row
	LastError string
	CaughtUp  bool // nothing waited at the last look
}

// Exporter sends what a source has, one batch at a time and in order. What
// cannot be sent stays with the source.
type Exporter struct {
	cfg Config

	mu     sync.Mutex
	status Status
}

// New makes an exporter; it starts nothing.
func New(cfg Config) *Exporter {
	set := func(to *time.Duration, usual time.Duration) {
		if *to == 0 {
			*to = usual
		}
	}
	set(&cfg.Poll, pollEvery)
	set(&cfg.FirstPause, firstPause)
	set(&cfg.LastPause, lastPause)
	return &Exporter{cfg: cfg}
}

// Status gives how the export fares.
func (x *Exporter) Status() Status {
	x.mu.Lock()
	defer x.mu.Unlock()
	return x.status
}

// Run sends until ctx ends.
func (x *Exporter) Run(ctx context.Context) {
	for ctx.Err() == nil {
		pause, err := x.turn(ctx)
		if ctx.Err() != nil {
			return
		}
		x.fared(err)
		if err != nil {
			pause = x.pause(err)
		}
		wait(ctx, pause)
	}
}

// turn sends one batch and gives how long to wait for the next.
func (x *Exporter) turn(ctx context.Context) (time.Duration, error) {
	began := time.Now()
	b, err := x.cfg.Source.Next(ctx, BatchPoints)
	if err != nil {
		return 0, err
	}
	x.mu.Lock()
	x.status.CaughtUp = b.Sent == nil
	x.mu.Unlock()
	if b.Sent == nil {
		return x.cfg.Poll, nil
	}
	if err := x.deliver(ctx, b.Lines); err != nil {
		return 0, err
	}
	if err := b.Sent(ctx); err != nil {
		return 0, err
	}
	if x.cfg.Rate == 0 {
		return 0, nil
	}
	return max(0, time.Duration(len(b.Lines))*time.Second/time.Duration(x.cfg.Rate)-time.Since(began)), nil
}

// deliver sends lines. Where the server finds fault with them, it sends the
// halves, so that one it will not have does not hold up the others.
func (x *Exporter) deliver(ctx context.Context, lines []string) error {
	if len(lines) == 0 {
		return nil
	}
	err := x.cfg.Write(ctx, lines)
	var refused *WriteError
	switch {
	case err == nil:
		x.mu.Lock()
		x.status.Delivered += uint64(len(lines))
		x.mu.Unlock()
		return nil
	case !errors.As(err, &refused) || !refused.points():
		return err
	case len(lines) > 1:
		if err := x.deliver(ctx, lines[:len(lines)/2]); err != nil {
			return err
		}
		return x.deliver(ctx, lines[len(lines)/2:])
	}
	// It may be that the server takes nothing: then the fault is not the
	// point's, and it is kept.
	probe, fault := x.cfg.Source.Probe()
	if fault == nil {
		fault = x.cfg.Write(ctx, []string{probe})
	}
	if fault != nil {
		return fault
	}
	x.cfg.Log.Warn("the export server refuses a point, which is left out", "point", lines[0], "error", err)
	x.mu.Lock()
	x.status.Refused++
	x.mu.Unlock()
	return nil
}

// fared notes the outcome of a turn.
func (x *Exporter) fared(err error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	s := &x.status
	switch {
	case err == nil && s.Failures > 0:
		x.cfg.Log.Info("the export goes on", "failed", s.Failures)
	case err != nil && s.Failures == 0:
		x.cfg.Log.Warn("cannot export; nothing is lost, and it is tried again", "error", err)
	}
	if err == nil {
		s.Failures, s.LastError = 0, ""
		return
	}
	s.Failures++
	s.LastError = err.Error()
}

// pause is how long to wait after a failure: twice as long each time, or as
// long as the server asks.
func (x *Exporter) pause(err error) time.Duration {
	n := min(x.Status().Failures-1, 20)
	pause := min(x.cfg.FirstPause<<n, x.cfg.LastPause)
	var asked *WriteError
	if errors.As(err, &asked) {
		pause = max(pause, min(asked.RetryAfter, longestWait))
	}
	return pause
}

func wait(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}
