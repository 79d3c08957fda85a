package app

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/influx"
	"dryhold/internal/metrics"
	"dryhold/internal/room"
	"dryhold/internal/store"
)

const (
	// hourGrace is how long after its end an hour is exported at the earliest:
	// what is a little late need not send it again.
	hourGrace = 10 * time.Minute
	// hoursAtOnce bounds the hours the writer copies between two of its turns.
	hoursAtOnce = 500
	// lotResults bounds the results of lots kept for a server that is away,
	// about 200 MB: 500 lots for nearly three years.
	lotResults = 500_000
	// exportPatience is how many failures in a row the check of the export
	// takes: one write that goes wrong is no news.
	exportPatience = 3
)

// export is the export to a server, nil without one. It runs beside the writer,
// reads the store without its lock, and asks it for nothing but the copy of a
// few hours.
type export struct {
	app      *App
	exporter *influx.Exporter
	site     string

	mu      sync.Mutex
	state   store.ExportState
	dropped uint64    // above the cap, since the start
	swept   time.Time // UTC day on which what is too old was last dropped

	// The exporter's own: the newest change of a lot that was seen, and the
	// snapshot there was then. One published later takes it in.
	seen     int64
	seenWith *engine.Snapshot
}

// startExport begins to note what is to be exported, and to export it.
func (a *App) startExport(ctx context.Context) (func(context.Context) error, error) {
	s := a.opts.Settings.Influx
	if s == nil {
		return nil, a.store.EndExport(ctx)
	}
	token, err := tokenOf(s.TokenFile)
	if err != nil {
		return nil, fmt.Errorf("cannot use influx.token_file: %w", err)
	}
	roots, err := authorities(s.CAFile)
	if err != nil {
		return nil, fmt.Errorf("cannot use influx.ca_file: %w", err)
	}
	target := strings.Join([]string{s.URL, s.Org, s.Bucket, a.opts.Settings.Site}, "\n")
	if err := a.store.BeginExport(ctx, target, a.now().Add(-s.Keep), a.now()); err != nil {
		return nil, err
	}
	server := influx.NewServer(influx.ServerConfig{URL: s.URL, Org: s.Org, Bucket: s.Bucket, Token: token, Roots: roots})
	x := &export{app: a, site: a.opts.Settings.Site}
	x.exporter = influx.New(influx.Config{
		Source: x, Write: server.Write, Rate: s.Rate, Log: a.logOf("influx"),
		Poll: a.opts.ExportEvery, FirstPause: a.opts.ExportEvery, LastPause: 10 * a.opts.ExportEvery,
	})
	if err := a.metrics.WatchExport(x.site, x.view); err != nil {
		return nil, err
	}
	a.export.Store(x)
	return beside(context.Background(), func(ctx context.Context) {
		x.exporter.Run(ctx)
		server.Close()
	}), nil
}

// Next implements influx.Source: alarms first, since they are few and wanted,
// then lots, hours and readings, each the oldest first.
func (x *export) Next(ctx context.Context, limit int) (influx.Batch, error) {
	snap := x.app.Snapshot()
	if err := x.look(ctx, snap); err != nil {
		return influx.Batch{}, err
	}
	for _, next := range []func(context.Context, *engine.Snapshot, int) (influx.Batch, error){x.alarms, x.lots, x.hours, x.readings} {
		if b, err := next(ctx, snap, limit); err != nil || b.Sent != nil {
			return b, err
		}
	}
	return influx.Batch{}, nil
}

// Probe implements influx.Source.
func (x *export) Probe() (string, error) {
	return influx.ProbeLine(x.site, x.app.now(), x.view().Dropped)
}

// look keeps results of lots, drops what is too old, and notes how far the
// export is.
func (x *export) look(ctx context.Context, snap *engine.Snapshot) error {
	db, s := x.app.store, x.app.opts.Settings.Influx
	if day := snap.At.UTC().Truncate(24 * time.Hour); day.After(x.swept) {
		n, err := db.DropUnsent(ctx, snap.At.Add(-s.Keep), lotResults)
		if err != nil {
			return err
		}
		if x.swept = day; n > 0 {
			x.app.logOf("influx").Warn("dropped what waited too long for the export server; readings and alarms stay in the store", "points", n)
			x.mu.Lock()
			x.dropped += uint64(n)
			x.mu.Unlock()
		}
	}
	state, err := db.ExportState(ctx)
	if err == nil {
		err = x.queueLots(ctx, snap, state)
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	x.state = state
	return err
}

// queueLots keeps the results of all lots once a UTC day, and those of a lot
// that was changed.
func (x *export) queueLots(ctx context.Context, snap *engine.Snapshot, state store.ExportState) error {
	db, day := x.app.store, snap.At.UTC().Truncate(24*time.Hour)
	daily := day.After(state.LotDay)
	changed, upTo := []string(nil), state.Changed
	if x.seen > state.Changed && snap != x.seenWith {
		var err error
		if changed, err = db.ChangedLots(ctx, state.Changed, x.seen); err != nil {
			return err
		}
		upTo = x.seen
	}
	if x.seen != state.Newest {
		x.seen, x.seenWith = state.Newest, snap
	}
	if !daily && upTo == state.Changed {
		return nil
	}
	var results []store.LotResult
	for _, l := range snap.Lots {
		if !slices.Contains(changed, l.ID) && (!daily || l.Finished()) {
			continue
		}
		body, err := json.Marshal(x.lot(snap.At, l))
		if err != nil {
			return fmt.Errorf("cannot write the result of lot %s: %w", l.ID, err)
		}
		results = append(results, store.LotResult{At: snap.At, Body: body})
	}
	return db.QueueLots(ctx, results, day, upTo)
}

func (x *export) lot(at time.Time, l engine.LotView) influx.Lot {
	return influx.Lot{
		Site: x.site, Lot: l.ID, At: at, Room: l.Room(), Food: l.Packing.Food, Container: l.Packing.Container,
		Low: l.Remaining.Low, Likely: l.Remaining.Likely, High: l.Remaining.High, Limiting: l.Limiting,
		End: l.End, Early: l.EndEarly, Late: l.EndLate, LostDays: l.LostBeyondPlan,
		Moisture: l.Moisture.WetBasis.Likely, Activity: l.Moisture.Activity.Likely, Oxygen: l.Oxygen.Fraction.Likely,
		EstimatedDays: l.EstimatedDays, UnknownDays: l.UnknownDays, Finished: l.Finished(),
	}
}

func (x *export) alarms(ctx context.Context, _ *engine.Snapshot, limit int) (influx.Batch, error) {
	events, last, err := x.app.store.UnsentAlarms(ctx, limit)
	if err != nil || len(events) == 0 {
		return influx.Batch{}, err
	}
	var b influx.Batch
	for _, e := range events {
		b.Lines = x.line(b.Lines, influx.Alarm{
			Site: x.site, Kind: string(e.Key.Kind), Room: e.Key.Room, Sensor: e.Key.Sensor, Lot: e.Key.Lot, At: e.At,
			From: string(e.From), To: string(e.To), Value: e.Value, Peak: e.Peak, Unknown: e.Unknown, Do: e.Do, By: e.By,
			Active: e.To == alarm.ActiveUnacknowledged || e.To == alarm.ActiveAcknowledged,
		})
	}
	b.Sent = func(ctx context.Context) error { return x.app.store.AlarmsSent(ctx, last, x.app.now()) }
	return b, nil
}

func (x *export) lots(ctx context.Context, _ *engine.Snapshot, limit int) (influx.Batch, error) {
	results, last, err := x.app.store.UnsentLots(ctx, limit)
	if err != nil || len(results) == 0 {
		return influx.Batch{}, err
	}
	var b influx.Batch
	for _, r := range results {
		var l influx.Lot
		if err := json.Unmarshal(r.Body, &l); err != nil {
			return b, fmt.Errorf("the result of a lot of %s is damaged: %w", r.At, err)
		}
		b.Lines = x.line(b.Lines, l)
	}
	b.Sent = func(ctx context.Context) error { return x.app.store.LotsSent(ctx, last, x.app.now()) }
	return b, nil
}

// hours gives the hours of the room that is furthest behind.
func (x *export) hours(ctx context.Context, snap *engine.Snapshot, limit int) (influx.Batch, error) {
	from, err := x.app.store.UnsentHours(ctx)
	if err != nil {
		return influx.Batch{}, err
	}
	before := snap.At.Add(-hourGrace).Truncate(time.Hour)
	var rooms []string
	for name, at := range from {
		if at.Before(before) {
			rooms = append(rooms, name)
		}
	}
	slices.SortFunc(rooms, func(a, b string) int { return from[a].Compare(from[b]) })
	for _, name := range rooms {
		hours, err := x.closed(ctx, name, from[name], before, min(limit, hoursAtOnce))
		if err != nil {
			return influx.Batch{}, err
		}
		if len(hours) > 0 {
			return x.hourBatch(ctx, name, hours)
		}
	}
	return influx.Batch{}, nil
}

// closed asks the writer for hours of a room; none while it is about to fold
// the room again.
func (x *export) closed(ctx context.Context, name string, from, before time.Time, limit int) ([]engine.ClosedHour, error) {
	var out []engine.ClosedHour
	err := x.app.submit(ctx, &edit{look: func(w *writer) {
		if !w.folding(name) {
			out = w.engine.ClosedHours(name, from, before, limit)
		}
	}})
	if err != nil {
		return nil, err // the writer may still be at it
	}
	return out, nil
}

func (x *export) hourBatch(ctx context.Context, name string, hours []engine.ClosedHour) (b influx.Batch, err error) {
	end := hours[len(hours)-1].At.Add(time.Hour)
	n := map[time.Time]int{}
	err = x.app.store.EachDayOf(ctx, []string{name}, hours[0].At, end, func(day []room.Reading) error {
		for _, r := range day {
			if r.Quantity.String() == "temperature" {
				n[r.At.Truncate(time.Hour)]++
			}
		}
		return nil
	})
	if err != nil {
		return b, err
	}
	ms := func(n uint32) time.Duration { return time.Duration(n) * time.Millisecond }
	for _, h := range hours {
		s, e := h.Slot, h.Exposure
		b.Lines = x.line(b.Lines, influx.Hour{
			Site: x.site, Room: name, At: h.At, N: n[h.At], Mean: float64(s.TempMean), Min: float64(s.TempMin), Max: float64(s.TempMax),
			Measured: ms(s.MeasuredMS), Estimated: ms(s.EstimatedMS), Unknown: ms(s.UnknownMS),
			Humidity: float64(s.HumidityMean), Vapour: float64(s.VapourMean), HumidityMeasured: ms(s.VapourMS),
			Dose: float64(s.Dose), DoseMeasured: ms(s.DoseMS), Exposure: float64(e.Days), ExposureLow: float64(e.Low), ExposureHigh: float64(e.High),
		})
	}
	b.Sent = func(ctx context.Context) error { return x.app.store.HoursSent(ctx, name, end, x.app.now()) }
	return b, nil
}

func (x *export) readings(ctx context.Context, _ *engine.Snapshot, limit int) (influx.Batch, error) {
	readings, marks, err := x.app.store.UnsentReadings(ctx, limit)
	if err != nil || len(marks) == 0 {
		return influx.Batch{}, err
	}
	var b influx.Batch
	for _, r := range readings {
		b.Lines = x.line(b.Lines, influx.Reading{Site: x.site, Room: r.Room, Sensor: r.Sensor, Quantity: r.Quantity.String(), At: r.At, Value: r.Value})
	}
	b.Sent = func(ctx context.Context) error { return x.app.store.ReadingsSent(ctx, marks, x.app.now()) }
	return b, nil
}

// line appends a point. One that holds no value, which no number of ours is, is
// told and left out.
func (x *export) line(lines []string, p interface{ Line() (string, error) }) []string {
	line, err := p.Line()
	if err != nil {
		x.app.logOf("influx").Warn("a point cannot be exported", "error", err)
		return lines
	}
	return append(lines, line)
}

// view is what metrics and health show.
func (x *export) view() metrics.ExportView {
	s := x.exporter.Status()
	x.mu.Lock()
	defer x.mu.Unlock()
	v := metrics.ExportView{Delivered: s.Delivered, Dropped: x.dropped + s.Refused}
	if !x.state.Oldest.IsZero() {
		v.Behind = max(0, x.app.now().Sub(x.state.Oldest).Seconds())
	}
	return v
}

// stuck is how long the server has taken nothing; zero while it takes, or
// nothing waits.
func (x *export) stuck(now time.Time) time.Duration {
	if s := x.exporter.Status(); s.Failures == 0 || s.CaughtUp {
		return 0
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	return max(0, now.Sub(x.state.Taken))
}

// checkExport is the export's part in health, none without one. It is not
// urgent: what it sends is kept.
func (a *App) checkExport() []health.Check {
	x := a.export.Load()
	if x == nil {
		return nil
	}
	s, v := x.exporter.Status(), x.view()
	c := health.Check{Code: "export", Title: "The export goes out", OK: s.Failures < exportPatience}
	behind := time.Duration(v.Behind * float64(time.Second)).Round(time.Second)
	switch {
	case s.Failures > 0:
		c.Text = fmt.Sprintf("%d attempts in a row failed, %s behind, nothing is lost until it is %s old; the last: %s", s.Failures, behind, a.opts.Settings.Influx.Keep, s.LastError)
	case v.Behind > 0:
		c.Text = fmt.Sprintf("%s behind, %d points delivered since the start", behind, v.Delivered)
	default:
		c.Text = fmt.Sprintf("up to date, %d points delivered since the start", v.Delivered)
	}
	if v.Dropped > 0 {
		c.Text += fmt.Sprintf("; %d were too old to be kept or refused", v.Dropped)
	}
	return []health.Check{c}
}
