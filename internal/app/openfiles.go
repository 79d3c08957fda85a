package app

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"dryhold/internal/audit"
	"dryhold/internal/engine"
	"dryhold/internal/openfiles"
	"dryhold/internal/room"
	"dryhold/internal/sensor"
	"dryhold/internal/store"
	"dryhold/internal/web"
)

// Export writes everything of a data directory into a folder of open files, as
// of one instant. A daemon may run there. What was worked out is what the
// daemon of these options would show at that instant: it is built from the
// facts as at a start. Where it fails, what was written is removed.
func Export(ctx context.Context, opts Options, dir string, how openfiles.Options, tell store.Progress) (m openfiles.Manifest, err error) {
	a, err := New(opts)
	if err != nil {
		return m, err
	}
	if a.store, err = store.Look(ctx, opts.DataDir, a.logOf("store")); err != nil {
		return m, err
	}
	defer func() { err = errors.Join(err, a.store.Close()) }()
	now := a.now().UTC().Truncate(time.Millisecond)
	a.now = func() time.Time { return now }
	how.Schema = web.LineSchema
	w, err := openfiles.Create(dir, how)
	if err != nil {
		return m, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, w.Abandon())
		}
	}()
	if err := a.putReadings(ctx, w, tell); err != nil {
		return m, err
	}
	if err := a.store.EachFact(ctx, now, w.Put); err != nil {
		return m, err
	}
	if !how.FactsOnly {
		if err := a.putWorkedOut(ctx, w, tell); err != nil {
			return m, err
		}
	}
	schema, err := a.store.Schema(ctx)
	if err != nil {
		return m, fmt.Errorf("cannot read the schema step: %w", err)
	}
	if err := a.store.Seen(ctx); err != nil {
		return m, err
	}
	tell("bringing it to disk", 0, 0)
	s := opts.Settings
	return w.Close(openfiles.Site{Name: s.Site, Zone: s.Zone.String(), AsOf: now, Dryhold: opts.Version, Schema: schema})
}

// putReadings writes every reading, with how it counts.
func (a *App) putReadings(ctx context.Context, w *openfiles.Writer, tell store.Progress) error {
	changes, err := a.store.SensorChanges(ctx)
	if err != nil {
		return err
	}
	var book sensor.Book
	for _, c := range changes {
		book.Apply(c)
	}
	total, err := a.store.CountReadings(ctx)
	if err != nil {
		return err
	}
	rooms, err := a.store.Rooms(ctx)
	if err != nil {
		return err
	}
	done := int64(0)
	var line openfiles.Reading
	for _, name := range rooms {
		err := a.store.EachDay(ctx, name, time.UnixMilli(0), func(day []room.Reading) error {
			for _, r := range day {
				line = openfiles.Reading{Room: r.Room, Sensor: r.Sensor, Quantity: r.Quantity, Unit: r.Quantity.Symbol(), At: r.At, Value: r.Value}
				var counted room.Reading
				if counted, line.Counts = book.Correct(r); line.Counts {
					line.AsCounted = &counted.Value
				}
				if err := w.Put(&line); err != nil {
					return err
				}
			}
			done += int64(len(day))
			tell("exporting readings of "+name, done, total)
			return ctx.Err()
		})
		if err != nil {
			return fmt.Errorf("cannot export the readings of %s: %w", name, err)
		}
	}
	return nil
}

// putWorkedOut builds the state from the facts and writes what people read of
// it.
func (a *App) putWorkedOut(ctx context.Context, w *openfiles.Writer, tell store.Progress) error {
	acts, err := a.store.Audit(ctx, audit.Filter{}, math.MaxInt)
	if err != nil {
		return err
	}
	tell("working out hours and lots", 0, 0)
	if _, err := a.startEngine(ctx); err != nil {
		return fmt.Errorf("cannot work out hours and lots (--facts-only leaves them out): %w", err)
	}
	now := a.now()
	reviews, err := a.engine.Review(now)
	if err != nil {
		return fmt.Errorf("cannot review the lots (--facts-only leaves that out): %w", err)
	}
	snap := a.Snapshot()
	if err := errors.Join(putAll(w, acts), putAll(w, snap.Rooms), putAll(w, snap.Sensors), putAll(w, snap.Lots), putAll(w, reviews)); err != nil {
		return err
	}
	for _, name := range a.engine.Rooms() {
		if err := a.putHours(ctx, w, name, now); err != nil {
			return err
		}
	}
	return nil
}

func putAll[T any](w *openfiles.Writer, rows []T) error {
	for i := range rows {
		if err := w.Put(&rows[i]); err != nil {
			return err
		}
	}
	return nil
}

// hoursHeld bounds the hours that are held at a time while they are written.
const hoursHeld = 10_000

// putHours writes the hours of a room that are over.
func (a *App) putHours(ctx context.Context, w *openfiles.Writer, name string, now time.Time) error {
	for from := time.UnixMilli(0).UTC(); ; {
		hours := a.engine.ClosedHours(name, from, now, hoursHeld)
		if len(hours) == 0 {
			return nil
		}
		for _, h := range hours {
			line := hourOf(name, h)
			if err := w.Put(&line); err != nil {
				return err
			}
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		from = hours[len(hours)-1].At.Add(time.Hour)
	}
}

func hourOf(name string, h engine.ClosedHour) openfiles.Hour {
	known := func(is bool, v float32) *float32 {
		if !is {
			return nil
		}
		return &v
	}
	seconds := func(ms uint32) float64 { return float64(ms) / 1000 }
	s := h.Slot
	judged := s.MeasuredMS+s.EstimatedMS > 0
	return openfiles.Hour{
		Room: name, At: h.At,
		Mean: known(judged, s.TempMean), Min: known(judged, s.TempMin), Max: known(judged, s.TempMax),
		Measured: seconds(s.MeasuredMS), Estimated: seconds(s.EstimatedMS), Unknown: seconds(s.UnknownMS),
		Humidity: known(h.Humidity, s.HumidityMean), Vapour: known(h.Humidity, s.VapourMean), HumidityMeasured: seconds(s.VapourMS),
		Dose: known(s.DoseMS > 0, s.Dose), LightMeasured: seconds(s.DoseMS),
		Exposure: float64(h.Exposure.Days), ExposureLow: float64(h.Exposure.Low), ExposureHigh: float64(h.Exposure.High),
	}
}

// Refill makes the database of an empty data directory from an export.
func Refill(ctx context.Context, from, dir string, tell store.Progress) (openfiles.Manifest, store.Contents, error) {
	folder, err := openfiles.Open(from)
	if err != nil {
		return openfiles.Manifest{}, store.Contents{}, err
	}
	got, err := store.Fill(ctx, dir, folder.AsOf, func(put func(row any) error) error {
		return folder.Each(ctx, func(done, total int64) { tell("reading the export", done, total) }, put)
	}, tell)
	return folder.Manifest, got, err
}
