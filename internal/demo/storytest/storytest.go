// Package storytest runs a daemon over the invented weather of Larch House for
// tests that live through a summer there. It is used by tests only.
package storytest

import (
	"context"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/demo"
	"dryhold/internal/intake"
	"dryhold/internal/settings"
)

// Story is a daemon with a clock that goes as the weather does.
type Story struct {
	// App is the daemon.
	App *app.App

	t         testing.TB
	sensors   *intake.Client
	weather   *demo.Scenario
	at        time.Time // of the next step of the weather
	clock     atomic.Int64
	published uint64
}

// New starts a daemon at a time of the demo, over nothing, and stops it at the
// end of the test.
func New(t testing.TB, from time.Time) *Story {
	t.Helper()
	cat, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	h := &Story{t: t, weather: demo.NewScenario(1), at: demo.Start()}
	for ; h.at.Before(from); h.at = h.at.Add(demo.Interval) {
		h.weather.Next()
	}
	h.clock.Store(from.UnixMilli())
	s := demo.Settings()
	s.HTTP.Listen = "127.0.0.1:0"
	h.App, err = app.New(app.Options{
		Settings: s, Catalog: cat, DataDir: filepath.Join(t.TempDir(), "data"), Now: func() time.Time { return time.UnixMilli(h.clock.Load()).UTC() }, Throwaway: true, Futures: 4,
	})
	if err == nil {
		err = h.App.Start(context.Background())
	}
	if err != nil {
		t.Fatal(err)
	}
	h.ending(h.App.Stop)
	h.sensors, err = intake.New(intake.Config{URL: h.App.BrokerURL(), ClientID: "larch-house-sensors"}, time.Now, func(d intake.Delivery) { d.Ack() })
	if err == nil {
		err = h.sensors.Start(context.Background())
	}
	if err != nil {
		t.Fatal(err)
	}
	h.ending(h.sensors.Stop)
	return h
}

// ending has it stopped at the end of the test.
func (h *Story) ending(stop func(context.Context) error) {
	h.t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		if err := stop(ctx); err != nil {
			h.t.Error(err)
		}
	})
}

// Until lets the weather go on, each half hour a message of every room, and
// waits for the daemon every two hours, so that no sensor looks silent.
func (h *Story) Until(end time.Time) {
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

func (h *Story) taken() {
	h.t.Helper()
	for deadline := time.Now().Add(2 * time.Minute); h.App.Snapshot().Intake.Messages < h.published; time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			h.t.Fatalf("the daemon took %d of %d messages", h.App.Snapshot().Intake.Messages, h.published)
		}
	}
}
