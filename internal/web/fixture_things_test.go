package web

import (
	"context"
	"encoding/json"
	"time"

	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// Vitals are invented, as all of Larch House.
func (k *keeper) Vitals(context.Context) (Vitals, error) {
	return Vitals{
		Version: "0.1.0-test", Go: "go1.26.0", Started: ago(50 * time.Hour), Foods: 32, Containers: 9,
		Store: StoreVitals{
			Bytes: 241 << 20, Schema: 10, Readings: 84_000_000, Open: 5000, PackedDays: 87_000, Series: 24, Checked: ago(30 * time.Hour), CheckTook: 21,
			Faults: []string{}, Quarantined: []string{"temperature of sensor loft-1 in room loft on 2026-03-02 (1440 readings: wrong checksum)"},
			Backup: &BackupVitals{At: ago(40 * 24 * time.Hour), File: "/mnt/stick/larch.db", Bytes: 240 << 20, Readings: 83_000_000},
		},
		Disk:   &DiskVitals{Free: 12 << 30, Total: 32 << 30},
		Clock:  ClockVitals{Trusted: true, Synced: true},
		Broker: BrokerVitals{URL: "mqtt://127.0.0.1:1883", Embedded: true, PerMinute: 42, Waiting: 3, Pending: 1},
		Ways:   []ChannelVitals{{Channel: "log", LastSuccess: ago(time.Hour)}, {Channel: "mail", Waiting: 2, Failures: 7, LastError: "the mail server refuses the password"}},
		Export: &ExportVitals{Delivered: 11_204, Behind: 90, Failures: 2, LastError: "connection refused"},
		Ping:   &PingVitals{Answered: ago(3 * time.Minute)},
	}, k.note("vitals")
}

func (k *keeper) LogLevels(context.Context) (LogAnswer, error) {
	return LogAnswer{Parts: []LogPart{{Part: "intake", Level: "debug", Usual: "info", Until: noon().Add(time.Hour)}, {Part: "web", Level: "info", Usual: "info"}}}, k.note("levels")
}

func (k *keeper) ChangeLog(_ context.Context, c ChangeLog) error {
	return k.note("log %s for %g s by %s", c.Levels, c.ForSeconds, c.By)
}

func (k *keeper) WatchTopics(_ context.Context, by string) error { return k.note("watch by %s", by) }
func (k *keeper) LeaveTopics(context.Context) error              { return k.note("leave") }

// Topics are invented, as all of Larch House.
func (k *keeper) Topics(context.Context) (TopicsAnswer, error) {
	return TopicsAnswer{
		Looking: true, Began: ago(time.Minute), Until: noon().Add(4 * time.Minute), Messages: 1234, Elsewhere: 7,
		Topics: []TopicView{
			{Topic: "gw/shelf", Payload: `{"temperature":21.5,"note":"<b>"}`, Bytes: 33, Count: 2, Every: 30, Last: ago(10 * time.Second), Readings: []TopicReading{}},
			{Topic: "home/loft/climate", Payload: "<html>", Bytes: 6, Count: 41, Every: 0.5, Last: ago(time.Second), Pattern: "home/{room}/climate", Readings: []TopicReading{}, Problem: "not json: the payload is not one JSON text"},
			{Topic: "homie/5/x/$state", Payload: "ready", Bytes: 5, Count: 1, Retained: true, Last: ago(time.Minute), Pattern: "homie/5/{sensor}/climate/+", Readings: []TopicReading{}, Says: "the device says ready"},
			{Topic: "rooms/cellar/temperature", Payload: "14.2", Bytes: 4, Count: 12, Every: 5, Last: ago(2 * time.Second), Pattern: "rooms/{room}/{quantity}",
				Readings: []TopicReading{{Room: "cellar", Sensor: "cellar", Quantity: unit.Temperature, Value: 14.2, At: ago(2 * time.Second)}}},
			{Topic: "zz/camera", Payload: "ffd8ff", Binary: true, Cut: true, Bytes: 90_000, Count: 1, Last: ago(time.Second), Readings: []TopicReading{}},
		},
	}, k.note("topics")
}

func (k *keeper) ProposeTopic(_ context.Context, topic string, c *TopicChoice) (TopicProposal, error) {
	if topic != "gw/shelf" {
		return TopicProposal{}, lot.NotFound("no message was seen on topic %q", topic)
	}
	q := unit.Temperature
	p := TopicProposal{Topic: topic, Payload: `{"temperature":21.5,"note":"<b>"}`, Shape: "json", Notes: []string{"look at <it>"}, YAML: "  - topic: gw/shelf\n", Problems: []string{}, Readings: []TopicReading{},
		TopicChoice: TopicChoice{Pattern: "gw/shelf", Sensor: "shelf", Values: []ValueChoice{{Path: "temperature", Raw: "21.5", Quantity: &q, Unit: "C", Scale: 1}, {Path: "linkquality", Raw: "120", Scale: 1}}}}
	if c == nil {
		p.Problems = []string{"the topic names neither {room} nor {sensor}"}
		return p, k.note("propose for %s", topic)
	}
	b, err := json.Marshal(c)
	if err != nil {
		return p, err
	}
	p.TopicChoice = *c
	p.Readings = []TopicReading{{Room: c.Room, Sensor: c.Sensor, Quantity: q, Value: 21.5, At: noon()}}
	return p, k.note("propose for %s as %s", topic, b)
}
