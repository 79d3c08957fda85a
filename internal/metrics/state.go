package metrics

import (
	"math"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// state reads the snapshot at each scrape. It holds nothing mutable.
type state struct {
	descs
	perLot   bool
	site     string
	snapshot func() *engine.Snapshot
	health   func() []health.Check
}

func newState(cfg Config) *state {
	return &state{descs: newDescs(), perLot: cfg.PerLot, site: cfg.Site, snapshot: cfg.Snapshot, health: cfg.Health}
}

// Describe implements prometheus.Collector.
func (s *state) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range s.all {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (s *state) Collect(ch chan<- prometheus.Metric) {
	e := &emitter{ch: ch, seen: map[series]struct{}{}}
	if s.health != nil {
		for _, c := range s.health() {
			e.gauge(s.healthOK, flag(c.OK), s.site, c.Code)
		}
	}
	snap := s.snapshot()
	if snap == nil {
		return
	}
	e.time(s.evaluated, snap.At, snap.Site)
	s.intake(e, snap)
	s.rooms(e, snap)
	s.sensors(e, snap)
	s.alarmStates(e, snap)
	if s.perLot {
		s.perLotSeries(e, snap)
	}
}

// sensors are those in use: one that was replaced has no series any more.
func (s *state) sensors(e *emitter, snap *engine.Snapshot) {
	for _, v := range snap.Sensors {
		if v.State == engine.Retired {
			continue
		}
		labels := []string{snap.Site, v.Room, v.Name}
		e.gauge(s.sensorSilent, flag(v.Silent), labels...)
		e.time(s.sensorSeen, v.LastSeen, labels...)
		if v.Battery.Known {
			e.gauge(s.sensorBattery, v.Battery.Value, labels...)
		}
		for _, c := range v.Calibrations {
			e.time(s.sensorDue, c.Due, snap.Site, v.Room, v.Name, c.Quantity.String())
		}
	}
}

func (s *state) intake(e *emitter, snap *engine.Snapshot) {
	in := snap.Intake
	e.gauge(s.connected, flag(in.Connected), snap.Site)
	e.counter(s.messages, in.Messages, snap.Site)
	e.counter(s.stored, in.Stored, snap.Site)
	e.counter(s.duplicates, in.Duplicates, snap.Site)
	for _, t := range in.Errors {
		e.counter(s.intakeErrors, t.Count, snap.Site, t.Topic, t.Cause)
	}
}

func (s *state) rooms(e *emitter, snap *engine.Snapshot) {
	lowest, warned := map[string]float64{}, map[string]int{}
	for _, l := range snap.Lots {
		room := roomOf(l)
		if !l.Finished() && len(l.Warnings) > 0 {
			warned[room]++
		}
		if old, ok := lowest[room]; !l.Finished() && finite(l.Remaining.Likely) && (!ok || l.Remaining.Likely < old) {
			lowest[room] = l.Remaining.Likely
		}
	}
	for _, r := range snap.Rooms {
		for _, v := range []struct {
			desc  *prometheus.Desc
			value engine.Value
		}{
			{s.temperature, r.Temperature}, {s.humidity, r.Humidity}, {s.illuminance, r.Illuminance},
			{s.dewPoint, r.DewPoint}, {s.acceleration, r.Acceleration}, {s.meanKinetic, r.MeanKinetic},
		} {
			if v.value.Known {
				e.gauge(v.desc, v.value.Value, snap.Site, r.Name)
			}
		}
		e.gauge(s.warmLimit, float64(r.WarmLimit), snap.Site, r.Name)
		e.gauge(s.dampLimit, float64(r.DampLimit), snap.Site, r.Name)
		e.gauge(s.brightLimit, float64(r.BrightLimit), snap.Site, r.Name)
		e.gauge(s.coverage, r.Coverage24h, snap.Site, r.Name)
		e.gauge(s.lots, float64(r.LotCount), snap.Site, r.Name)
		e.gauge(s.lotsWarned, float64(warned[r.Name]), snap.Site, r.Name)
		for _, m := range r.Mould {
			e.gauge(s.mouldIndex, m.Index, snap.Site, r.Name, m.Surface)
		}
		if q, ok := lowest[r.Name]; ok {
			e.gauge(s.lowestQuality, q, snap.Site, r.Name)
		}
		e.time(s.lastReading, r.Temperature.At, snap.Site, r.Name, unit.Temperature.String())
		e.time(s.lastReading, r.Humidity.At, snap.Site, r.Name, unit.Humidity.String())
		e.time(s.lastReading, r.Illuminance.At, snap.Site, r.Name, unit.Illuminance.String())
	}
}

func (s *state) alarmStates(e *emitter, snap *engine.Snapshot) {
	count := map[alarm.State]int{}
	for _, a := range snap.Alarms {
		count[a.State]++
		active := a.State == alarm.ActiveUnacknowledged || a.State == alarm.ActiveAcknowledged
		e.gauge(s.alarmActive, flag(active), snap.Site, a.Key.Room, a.Key.Sensor, a.Key.Lot, string(a.Key.Kind), priority(a.Priority))
	}
	for _, st := range []alarm.State{
		alarm.ActiveUnacknowledged, alarm.ActiveAcknowledged, alarm.ReturnedUnack, alarm.Shelved, alarm.OutOfService,
	} {
		e.gauge(s.alarms, float64(count[st]), snap.Site, strings.ReplaceAll(string(st), " ", "_"))
	}
}

func (s *state) perLotSeries(e *emitter, snap *engine.Snapshot) {
	const secondsPerDay = 86_400
	for _, l := range snap.Lots {
		if l.Finished() {
			continue
		}
		labels := []string{snap.Site, roomOf(l), l.ID, l.Packing.Food}
		e.gauge(s.lotQuality, l.Remaining.Likely, labels...)
		e.gauge(s.lotQualityLow, l.Remaining.Low, labels...)
		e.gauge(s.lotQualityHigh, l.Remaining.High, labels...)
		e.gauge(s.lotLost, l.LostBeyondPlan*secondsPerDay, labels...)
		if !l.AsOf.IsZero() { // else nothing inside was ever worked out
			s.insideSeries(e, l, labels)
		}
	}
}

// insideSeries is what is inside the containers of a lot, and its end.
func (s *state) insideSeries(e *emitter, l engine.LotView, labels []string) {
	const litersPerCM3 = 0.001
	e.time(s.lotEnd, l.End, labels...)
	e.time(s.lotEndEarly, l.EndEarly, labels...)
	e.time(s.lotEndLate, l.EndLate, labels...)
	m, o := l.Moisture, l.Oxygen
	e.gauge(s.lotMoisture, m.WetBasis.Likely, labels...)
	e.gauge(s.lotActivity, m.Activity.Likely, labels...)
	e.gauge(s.lotActivityLow, m.Activity.Low, labels...)
	e.gauge(s.lotActivityHigh, m.Activity.High, labels...)
	if m.Red.Level > 0 {
		e.gauge(s.lotAmber, m.Amber.Level, labels...)
		e.gauge(s.lotRed, m.Red.Level, labels...)
	}
	e.gauge(s.lotOxygen, o.Fraction.Likely, labels...)
	e.gauge(s.lotOxygenLow, o.Fraction.Low, labels...)
	e.gauge(s.lotOxygenHigh, o.Fraction.High, labels...)
	if l.Packing.Treatment.Kind == lot.Absorber {
		e.gauge(s.lotAbsorber, o.Left*litersPerCM3, labels...)
	}
	e.gauge(s.lotSealFailure, o.SealFailure.Likely, labels...)
	if l.Insects != nil {
		e.gauge(s.lotGenerations, l.Insects.Generations.Likely, labels...)
	}
}

// roomOf is where the lot stands; unlike lot.Lot.Room it has an answer for a
// lot without a stay.
func roomOf(l engine.LotView) string {
	if len(l.Stays) == 0 {
		return l.Packing.Room
	}
	return l.Room()
}

func priority(p alarm.Priority) string {
	switch p {
	case alarm.Low:
		return "low"
	case alarm.Medium:
		return "medium"
	case alarm.High:
		return "high"
	}
	return "unknown"
}

func flag(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// clean makes a label value of any bytes: a topic is whatever a device sent.
func clean(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

// emitter sends the samples of one scrape. A value that is not a number and a
// second sample of one series are left out: either would cost the whole
// scrape, and with it every alarm.
type emitter struct {
	ch   chan<- prometheus.Metric
	seen map[series]struct{}
}

type series struct {
	desc   *prometheus.Desc
	labels string // joined by a byte that no clean label contains
}

func (e *emitter) gauge(d *prometheus.Desc, v float64, labels ...string) {
	e.send(d, prometheus.GaugeValue, v, labels)
}

func (e *emitter) counter(d *prometheus.Desc, v uint64, labels ...string) {
	e.send(d, prometheus.CounterValue, float64(v), labels)
}

// time sends an instant as Unix seconds; an instant never set has no sample.
func (e *emitter) time(d *prometheus.Desc, at time.Time, labels ...string) {
	if !at.IsZero() {
		e.send(d, prometheus.GaugeValue, float64(at.UnixMilli())/1000, labels)
	}
}

func (e *emitter) send(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels []string) {
	if !finite(v) {
		return
	}
	cleaned := make([]string, len(labels))
	for i, l := range labels {
		cleaned[i] = clean(l)
	}
	key := series{d, strings.Join(cleaned, "\xff")}
	if _, twice := e.seen[key]; twice {
		return
	}
	e.seen[key] = struct{}{}
	m, err := prometheus.NewConstMetric(d, kind, v, cleaned...)
	if err != nil {
		m = prometheus.NewInvalidMetric(d, err) // counted by the handler
	}
	e.ch <- m
}
