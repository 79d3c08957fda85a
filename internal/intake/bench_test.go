package intake_test

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"dryhold/internal/intake"
	"dryhold/internal/intake/mosquittotest"
)

// flood publishes b.N messages of 200 bytes at QoS 1 and waits until all are
// received.
func flood(b *testing.B, url string, received *atomic.Int64) {
	b.Helper()
	start := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	b.ResetTimer()
	err := mosquittotest.Flood{
		URL: url, ClientID: "flood", Count: b.N,
		Topic:   func(int) string { return "larch/loft/climate" },
		Payload: func(i int) []byte { return mosquittotest.Payload200(start, i) },
	}.Run(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	for deadline := time.Now().Add(5 * time.Minute); received.Load() < int64(b.N); time.Sleep(100 * time.Microsecond) {
		if time.Now().After(deadline) {
			b.Fatalf("%d of %d messages received", received.Load(), b.N)
		}
	}
	b.StopTimer()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "msg/s")
}

// BenchmarkSubscribeDoNothing is the yardstick of durable intake: a plain
// subscriber that does nothing, on the same broker under the same load.
func BenchmarkSubscribeDoNothing(b *testing.B) {
	s := mosquittotest.Start(b)
	var received atomic.Int64
	sub := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(s.URL).SetClientID("nothing").SetCleanSession(false).
		SetDefaultPublishHandler(func(mqtt.Client, mqtt.Message) { received.Add(1) }))
	if token := sub.Connect(); token.Wait() && token.Error() != nil {
		b.Fatal(token.Error())
	}
	if token := sub.Subscribe("larch/#", 1, nil); token.Wait() && token.Error() != nil {
		b.Fatal(token.Error())
	}
	defer sub.Disconnect(250)
	flood(b, s.URL, &received)
}

// BenchmarkIntake is this package's client with a handler that only
// acknowledges.
func BenchmarkIntake(b *testing.B) {
	s := mosquittotest.Start(b)
	var received atomic.Int64
	c, err := intake.New(intake.Config{URL: s.URL, ClientID: "dryhold", Filters: []string{"larch/#"}}, time.Now, func(d intake.Delivery) {
		d.Ack()
		received.Add(1)
	})
	if err != nil {
		b.Fatal(err)
	}
	if err := c.Start(b.Context()); err != nil {
		b.Fatal(err)
	}
	defer func() { _ = c.Stop(context.Background()) }()
	flood(b, s.URL, &received)
}

// BenchmarkPublishAsync is what the demo's publisher reaches on the embedded
// broker with throw-away data.
func BenchmarkPublishAsync(b *testing.B) {
	for name, noSync := range map[string]bool{"throwaway": true, "durable": false} {
		b.Run(name, func(b *testing.B) {
			e := startEmbedded(b, noSync)
			var received atomic.Int64
			c, err := intake.New(intake.Config{URL: e, ClientID: "dryhold", Filters: []string{"larch/#"}}, time.Now, func(d intake.Delivery) {
				d.Ack()
				received.Add(1)
			})
			if err != nil {
				b.Fatal(err)
			}
			pub, err := intake.New(intake.Config{URL: e, ClientID: "demo"}, time.Now, func(intake.Delivery) {})
			if err != nil {
				b.Fatal(err)
			}
			for _, one := range []*intake.Client{c, pub} {
				if err := one.Start(b.Context()); err != nil {
					b.Fatal(err)
				}
				defer func() { _ = one.Stop(context.Background()) }()
			}
			start := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
			b.ResetTimer()
			for i := range b.N {
				if err := pub.PublishAsync(b.Context(), "larch/loft/climate", 1, false, mosquittotest.Payload200(start, i), nil); err != nil {
					b.Fatal(err)
				}
			}
			for received.Load() < int64(b.N) {
				time.Sleep(100 * time.Microsecond)
			}
			b.StopTimer()
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "msg/s")
		})
	}
}
