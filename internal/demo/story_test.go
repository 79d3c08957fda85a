package demo_test

import (
	"context"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/demo"
	"dryhold/internal/intake"
)

// story is a daemon over the invented weather of Larch House, with a clock that
// goes as the weather does.
type story struct {
	t         *testing.T
	app       *app.App
	sensors   *intake.Client
	weather   *demo.Scenario
	at        time.Time // of the next step of the weather
	clock     atomic.Int64
	published uint64
}

func newStory(t *testing.T, from time.Time) *story {
	t.Helper()
	h := &story{t: t, weather: demo.NewScenario(1), at: demo.Start()}
	for ; h.at.Before(from); h.at = h.at.Add(demo.Interval) {
		h.weather.Next()
	}
	h.clock.Store(from.UnixMilli())
	s := demo.Settings()
	s.HTTP.Listen = "127.0.0.1:0"
	var err error
	h.app, err = app.New(app.Options{
		Settings: s, Catalog: shipped(t), DataDir: filepath.Join(t.TempDir(), "data"), Now: func() time.Time { return time.UnixMilli(h.clock.Load()).UTC() }, Throwaway: true, Futures: 4,
	})
	if err == nil {
		err = h.app.Start(context.Background())
	}
	if err != nil {
		t.Fatal(err)
	}
	ending := func(stop func(context.Context) error) {
		t.Cleanup(func() {
			ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
			defer cancel()
			if err := stop(ctx); err != nil {
				t.Error(err)
			}
		})
	}
	ending(h.app.Stop)
	h.sensors, err = intake.New(intake.Config{URL: h.app.BrokerURL(), ClientID: "larch-house-sensors"}, time.Now, func(d intake.Delivery) { d.Ack() })
	if err == nil {
		err = h.sensors.Start(context.Background())
	}
	if err != nil {
		t.Fatal(err)
	}
	ending(h.sensors.Stop)
	return h
}

// until lets the weather go on, each half hour a message of every room, and
// waits for the daemon every two hours, so that no sensor looks silent.
func (h *story) until(end time.Time) {
	h.t.Helper()
	for i := 0; h.at.Before(end); i++ {
		said := h.weather.Next()
		h.at = h.at.Add(demo.Interval)
		if i%3 != 0 {
			continue
		}
		for _, m := range said {
			h.clock.Store(m.At.UnixMilli())
			if err := h.sensors.PublishAsync(context.Background(), "larch/"+m.Room+"/climate", 1, false, m.Payload, nil); err != nil {
				h.t.Fatal(err)
			}
			h.published++
		}
		if i%12 == 0 {
			h.taken()
		}
	}
	h.clock.Store(end.UnixMilli())
	h.taken()
}

func (h *story) taken() {
	h.t.Helper()
	for deadline := time.Now().Add(2 * time.Minute); h.app.Snapshot().Intake.Messages < h.published; time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			h.t.Fatalf("the daemon took %d of %d messages", h.app.Snapshot().Intake.Messages, h.published)
		}
	}
}
