package app_test

import (
	"context"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"dryhold/internal/app"
	"dryhold/internal/intake/mosquittotest"
	"dryhold/internal/settings"
)

// BenchmarkDurableIntake is the whole daemon under the load of
// mosquittotest.Flood: 200-byte JSON at QoS 1, each of two readings on disk
// before its message is acknowledged. Its yardstick, run beside it, is a
// plain subscriber that does nothing. The broker's window of unacknowledged
// messages bounds how many share a commit: 20 by default.
func BenchmarkDurableIntake(b *testing.B) {
	for _, c := range []struct {
		name    string
		options []mosquittotest.Option
	}{
		{"window=20", []mosquittotest.Option{mosquittotest.WithLine("max_inflight_messages 20")}},
		{"window=1000", []mosquittotest.Option{mosquittotest.WithLine("max_inflight_messages 1000")}},
	} {
		b.Run(c.name+"/nothing", func(b *testing.B) {
			s := mosquittotest.Start(b, c.options...)
			received := make(chan struct{}, b.N+1)
			sub := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(s.URL).SetClientID("nothing").SetCleanSession(false).
				SetDefaultPublishHandler(func(mqtt.Client, mqtt.Message) { received <- struct{}{} }))
			if token := sub.Connect(); token.Wait() && token.Error() != nil {
				b.Fatal(token.Error())
			}
			defer sub.Disconnect(250)
			if token := sub.Subscribe("larch/#", 1, nil); token.Wait() && token.Error() != nil {
				b.Fatal(token.Error())
			}
			flood(b, s.URL, func() bool { return len(received) >= b.N })
		})
		b.Run(c.name+"/dryhold", func(b *testing.B) {
			s := mosquittotest.Start(b, c.options...)
			cfg := settings.Default()
			cfg.Broker = settings.Broker{URL: s.URL, ClientID: "dryhold"}
			cfg.HTTP.Listen = "127.0.0.1:0"
			cfg.Topics = mustTopics()
			a, err := app.New(app.Options{Settings: cfg, Catalog: shipped(b), DataDir: b.TempDir()})
			if err != nil {
				b.Fatal(err)
			}
			if err := a.Start(b.Context()); err != nil {
				b.Fatal(err)
			}
			defer func() {
				if err := a.Stop(context.Background()); err != nil {
					b.Error(err)
				}
			}()
			flood(b, s.URL, func() bool { return a.Snapshot().Intake.Messages >= uint64(b.N) })
			b.ReportMetric(float64(b.N)/scrape(b, a.URL(), `dryhold_store_commit_duration_seconds_count{site="home"}`), "msg/commit")
			if in := a.Snapshot().Intake; in.Stored != 2*uint64(b.N) {
				b.Errorf("%d readings stored of %d messages with two each", in.Stored, b.N)
			}
		})
	}
}

// flood publishes b.N messages and waits until the subscriber has all.
func flood(b *testing.B, url string, all func() bool) {
	b.Helper()
	start := time.Now().Add(-time.Duration(b.N+1) * time.Second)
	b.ResetTimer()
	err := mosquittotest.Flood{
		URL: url, ClientID: "flood", Count: b.N,
		Topic:   func(int) string { return "larch/loft/climate" },
		Payload: func(i int) []byte { return mosquittotest.Payload200(start, i) },
	}.Run(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	for deadline := time.Now().Add(5 * time.Minute); !all(); time.Sleep(100 * time.Microsecond) {
		if time.Now().After(deadline) {
			b.Fatal("not all messages arrived")
		}
	}
	b.StopTimer()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "msg/s")
}
