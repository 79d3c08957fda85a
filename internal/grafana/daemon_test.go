package grafana

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dryhold/internal/app"
	"dryhold/internal/intake"
	"dryhold/internal/lot"
	"dryhold/internal/servertest"
	"dryhold/internal/settings"
)

// larchHouse is a daemon that has lived through sixteen invented days of summer: a
// hot loft, a cellar whose sensor has fallen silent, a pantry of which nothing is
// known, lots, alarms, messages to mara, and an export.
type larchHouse struct {
	app     *app.App
	sensors *intake.Client
	sent    uint64 // messages

	mu    sync.Mutex
	lines []string // of the export, in line protocol
}

const houseYAML = `
site: larch-house
broker: {embedded: {listen: %[1]q}}
http: {listen: %[2]q}
metrics: {per_lot: true}
influx: {url: %[3]q, org: larch-house, bucket: dryhold}
rooms: [{name: cellar, limits: {warm: 18 C}}, {name: north-pantry}, {name: loft, limits: {hot: {limit: 30 C, on_delay: 1h}}}]
topics:
  - topic: larch/{room}/climate
    json:
      time: {path: ts, format: ms}
      fields:
        - {path: t, quantity: temperature, unit: C}
        - {path: rh, quantity: humidity, unit: "%%"}
        - {path: lx, quantity: illuminance, unit: lx}
        - {path: charge, quantity: battery, unit: "%%"}
        - {path: o2, quantity: oxygen, unit: "%%"}
notify:
  channels: [{name: house, webhook: {url: %[4]q, secret_file: %[5]q}}]
  recipients: [{name: mara, channels: [house]}]
`

func live(t *testing.T) *larchHouse {
	t.Helper()
	h := &larchHouse{}
	server := httptest.NewServer(http.HandlerFunc(h.take))
	t.Cleanup(server.Close)
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte(strings.Repeat("invented", 4)), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := settings.Parse("house.yaml", fmt.Appendf(nil, houseYAML, servertest.FreeAddr(t), servertest.FreeAddr(t), server.URL, server.URL+"/webhook", secret))
	if err != nil {
		t.Fatal(err)
	}
	foods, err := settings.Catalog()
	if err != nil {
		t.Fatal(err)
	}
	end := time.Now().UTC()
	var clock atomic.Int64          // ms; 0: that of the machine
	begin := end.AddDate(0, 0, -16) // a mean of 30 days is known when half of them are
	clock.Store(begin.UnixMilli())
	h.app, err = app.New(app.Options{
		Settings: s, Catalog: foods, DataDir: filepath.Join(t.TempDir(), "data"), Version: "test", Throwaway: true, Futures: 4, ExportEvery: 20 * time.Millisecond,
		Now: func() time.Time {
			if ms := clock.Load(); ms > 0 {
				return time.UnixMilli(ms).UTC()
			}
			return time.Now().UTC()
		},
	})
	if err == nil {
		err = h.app.Start(t.Context())
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		if err := h.app.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	h.play(t, begin, end, &clock)
	clock.Store(0)
	// What has ended by now and what was found of the lots goes out within seconds.
	eventually(t, "the export", func() bool {
		h.mu.Lock()
		all := strings.Join(h.lines, "\n")
		h.mu.Unlock()
		return strings.Contains(all, "dryhold_hour,") && strings.Contains(all, "dryhold_lot,") && strings.Contains(all, "dryhold_alarm,") &&
			strings.Contains(h.scrape(t), `dryhold_export_behind_seconds{site="larch-house"} 0`+"\n")
	})
	return h
}

// play lives through the days.
func (h *larchHouse) play(t *testing.T, begin, end time.Time, clock *atomic.Int64) {
	t.Helper()
	c, err := intake.New(intake.Config{URL: h.app.BrokerURL(), ClientID: "invented-sensors"}, time.Now, func(d intake.Delivery) { d.Ack() })
	if err == nil {
		err = c.Start(t.Context())
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Stop(context.Background()) })
	h.sensors = c
	h.publish(t, "loft", "not JSON")
	for at, n := begin, 0; at.Before(end); at, n = at.Add(30*time.Minute), n+1 {
		clock.Store(at.UnixMilli())
		h.hot(t, at, 22+at.Sub(begin).Hours()/32+float64(n%3)) // up to 36 °C
		if end.Sub(at) > 5*time.Hour {
			h.publish(t, "cellar", fmt.Sprintf(`{"ts":%d,"t":%g,"rh":58,"lx":0,"charge":87}`, at.UnixMilli(), 14+float64(n%2)/2))
		}
		if n%2 == 1 {
			h.taken(t)
		}
		if n == 0 {
			h.add(t, "brown-rice", "loft", lot.Treatment{Kind: lot.NoTreatment}, at)
			h.add(t, "white-rice", "loft", lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}, at)
			h.add(t, "white-rice", "cellar", lot.Treatment{Kind: lot.Absorber, CapacityCM3: 300}, at)
		}
	}
}

func (h *larchHouse) publish(t *testing.T, room, text string) {
	t.Helper()
	h.sent++
	if err := h.sensors.Publish(t.Context(), "larch/"+room+"/climate", 1, false, []byte(text)); err != nil {
		t.Fatal(err)
	}
}

// hot is what the sensor of the loft says.
func (h *larchHouse) hot(t *testing.T, at time.Time, celsius float64) {
	t.Helper()
	h.publish(t, "loft", fmt.Sprintf(`{"ts":%d,"t":%g,"rh":66,"lx":20,"charge":12,"o2":20.9}`, at.UnixMilli(), celsius))
}

// taken waits until all that was published is kept.
func (h *larchHouse) taken(t *testing.T) {
	t.Helper()
	eventually(t, "the intake", func() bool { return h.app.Snapshot().Intake.Messages >= h.sent })
}

func (h *larchHouse) add(t *testing.T, food, room string, treatment lot.Treatment, at time.Time) {
	t.Helper()
	_, err := h.app.AddLot(t.Context(), lot.Packing{
		Food: food, Container: "pet-2l", Count: 12, NetMassKG: 1.6, PackedAt: at.Add(-300 * 24 * time.Hour), Room: room,
		Treatment: treatment, Shading: lot.Boxed, Note: "invented",
	}, "mara")
	if err != nil {
		t.Fatal(err)
	}
}

// take is the server of the export, and of the messages.
func (h *larchHouse) take(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if z, e := gzip.NewReader(bytes.NewReader(body)); err == nil && e == nil {
		body, err = io.ReadAll(z)
	}
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	if r.URL.Path == "/api/v2/write" {
		h.mu.Lock()
		h.lines = append(h.lines, strings.Split(string(body), "\n")...)
		h.mu.Unlock()
	}
	w.WriteHeader(http.StatusNoContent)
}

// scrape is what /metrics says now.
func (h *larchHouse) scrape(t *testing.T) string {
	t.Helper()
	r, err := http.Get(h.app.URL() + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil || r.StatusCode != http.StatusOK {
		t.Fatalf("%d, %v", r.StatusCode, err)
	}
	return string(body)
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(2 * time.Minute); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("waited two minutes for %s", what)
		}
	}
}
