package metrics

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/lot"
	"dryhold/internal/unit"
)

// Larch House and all that is stored in it are invented.

func at(seconds int64) time.Time { return time.Unix(1_784_000_000+seconds, 0).UTC() }

func is(v float64, t time.Time) engine.Value { return engine.Value{Known: true, Value: v, At: t} }

// house has a room where all is known and one where nothing is known any more.
func house() *engine.Snapshot {
	stays := func(room string) []lot.Stay { return []lot.Stay{{Room: room, From: at(-9e6)}} }
	return &engine.Snapshot{
		Site: "Larch House", At: at(60),
		Rooms: []engine.RoomView{{
			Name: "cellar", Temperature: is(14.25, at(10)), Humidity: is(0.58, at(20)), Illuminance: is(0, at(30)), DewPoint: is(6.1, at(20)),
			WarmLimit: 18, DampLimit: 0.65, BrightLimit: 50, Acceleration: is(0.62, at(10)), MeanKinetic: is(13.7, at(10)), Coverage24h: 0.99, LotCount: 2,
			Mould: []engine.MouldView{{Surface: "cardboard", Index: 0}, {Surface: "wood shelves", Index: 1.25, Peak: 2}},
		}, {
			Name:        "loft",
			Temperature: engine.Value{Value: 33.4, At: at(-9000)}, Humidity: engine.Value{Value: 0.4}, Acceleration: engine.Value{Value: 2.7, At: at(-9000)},
			WarmLimit: 24, DampLimit: 0.6, BrightLimit: 50,
		}},
		Lots: []engine.LotView{
			{Lot: lot.Lot{ID: "rice-1", Stays: stays("cellar"), Packing: lot.Packing{Food: "white-rice"}},
				Remaining: engine.Estimate{Low: 0.9, Likely: 0.95, High: 0.98}, LostBeyondPlan: 0.5},
			{Lot: lot.Lot{ID: "rice-2", Stays: stays("cellar"), Packing: lot.Packing{Food: "brown-rice"}},
				Remaining: engine.Estimate{Low: -0.1, Likely: 0.08, High: 0.2}, LostBeyondPlan: 61, Warnings: []string{"The seal leaks.", "Past its limit."}},
			{Lot: lot.Lot{ID: "sugar-1", Stays: stays("cellar"), Packing: lot.Packing{Food: "sugar"}, FinishedAt: at(0)},
				Remaining: engine.Estimate{Likely: 0.01}, Warnings: []string{"The seal leaks."}},
		},
		Alarms: []engine.AlarmView{
			{Key: alarm.Key{Kind: alarm.Warm, Room: "loft"}, State: alarm.ActiveUnacknowledged, Priority: alarm.High},
			{Key: alarm.Key{Kind: alarm.Silent, Room: "loft", Sensor: "loft-1"}, State: alarm.ActiveAcknowledged, Priority: alarm.Medium},
			{Key: alarm.Key{Kind: alarm.Damp, Room: "cellar"}, State: alarm.ReturnedUnack, Priority: alarm.Low},
			{Key: alarm.Key{Kind: alarm.Quality, Lot: "L-1"}, State: alarm.Shelved, Priority: alarm.Medium},
			{Key: alarm.Key{Kind: alarm.Quality, Lot: "L-2"}, State: alarm.ActiveUnacknowledged, Priority: alarm.Medium},
			{Key: alarm.Key{Kind: alarm.Disk}, State: alarm.ActiveUnacknowledged, Priority: alarm.Medium},
		},
		Sensors: []engine.SensorView{
			{Name: "cellar-1", Room: "cellar", LastSeen: at(30), Battery: is(0.87, at(30)), Calibrations: []engine.CalibrationView{
				{Quantity: unit.Temperature, Gain: 1, Due: at(100)}, {Quantity: unit.Humidity, Gain: 1}}},
			{Name: "loft-0", Room: "loft", LastSeen: at(-90000), State: engine.Retired, Battery: is(0.1, at(-90000))},
			{Name: "loft-1", Room: "loft", LastSeen: at(-9000), Silent: true, Battery: engine.Value{Value: 0.2, At: at(-9000)}},
			{Name: "loft-2", Room: "loft", Silent: true},
		},
		Intake: engine.IntakeView{Connected: true, Messages: 1000, Stored: 2990, Duplicates: 4,
			Errors: []engine.TopicErrors{{Topic: "home/loft/climate", Cause: "implausible", Count: 3}}},
	}
}

func checks() []health.Check {
	return []health.Check{{Code: "store", OK: true, Urgent: true}, {Code: "mail"}}
}

func mustNew(t testing.TB, cfg Config) *Metrics {
	t.Helper()
	m, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func over(snap *engine.Snapshot) Config {
	return Config{Version: "0.1.0-test", Site: "Larch House", Snapshot: func() *engine.Snapshot { return snap }, Health: checks}
}

// scrape is what the handler answers.
func scrape(t testing.TB, m *Metrics) string {
	t.Helper()
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	body, err := io.ReadAll(w.Result().Body)
	if err != nil || w.Code != http.StatusOK {
		t.Fatalf("scrape: %d, %v: %s", w.Code, err, body)
	}
	return string(body)
}

// samples keeps the sample lines whose name starts with the prefix.
func samples(text, prefix string) []string {
	return slices.DeleteFunc(strings.Split(text, "\n"), func(line string) bool { return !strings.HasPrefix(line, prefix) })
}

func TestNamesAndUnitsFollowTheConventions(t *testing.T) {
	cfg := over(house())
	cfg.PerLot = true
	m := mustNew(t, cfg)
	m.ObserveCommit(0.003, 120)
	problems, err := testutil.GatherAndLint(m.registry)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

func TestExposition(t *testing.T) {
	m := mustNew(t, over(house()))
	got := slices.DeleteFunc(samples(scrape(t, m), "dryhold_"), func(line string) bool {
		return strings.HasPrefix(line, "dryhold_build_info") || strings.HasPrefix(line, "dryhold_store_")
	})
	want := strings.Split(strings.TrimSpace(`
dryhold_access_refused_total{kind="broker login",site="Larch House"} 0
dryhold_access_refused_total{kind="broker topic",site="Larch House"} 0
dryhold_access_refused_total{kind="page login",site="Larch House"} 0
dryhold_access_refused_total{kind="page login rate",site="Larch House"} 0
dryhold_access_refused_total{kind="page token",site="Larch House"} 0
dryhold_alarm_active{kind="damp",lot="",priority="low",room="cellar",sensor="",site="Larch House"} 0
dryhold_alarm_active{kind="disk",lot="",priority="medium",room="",sensor="",site="Larch House"} 1
dryhold_alarm_active{kind="quality",lot="L-1",priority="medium",room="",sensor="",site="Larch House"} 0
dryhold_alarm_active{kind="quality",lot="L-2",priority="medium",room="",sensor="",site="Larch House"} 1
dryhold_alarm_active{kind="silent",lot="",priority="medium",room="loft",sensor="loft-1",site="Larch House"} 1
dryhold_alarm_active{kind="warm",lot="",priority="high",room="loft",sensor="",site="Larch House"} 1
dryhold_alarms{site="Larch House",state="active_acknowledged"} 1
dryhold_alarms{site="Larch House",state="active_unacknowledged"} 3
dryhold_alarms{site="Larch House",state="out_of_service"} 0
dryhold_alarms{site="Larch House",state="returned_unacknowledged"} 1
dryhold_alarms{site="Larch House",state="shelved"} 1
dryhold_health_ok{check="mail",site="Larch House"} 0
dryhold_health_ok{check="store",site="Larch House"} 1
dryhold_intake_connected{site="Larch House"} 1
dryhold_intake_errors_total{cause="implausible",site="Larch House",topic="home/loft/climate"} 3
dryhold_intake_messages_total{site="Larch House"} 1000
dryhold_intake_readings_duplicate_total{site="Larch House"} 4
dryhold_intake_readings_stored_total{site="Larch House"} 2990
dryhold_last_evaluation_timestamp_seconds{site="Larch House"} 1.78400006e+09
dryhold_room_ageing_acceleration_ratio{room="cellar",site="Larch House"} 0.62
dryhold_room_dew_point_celsius{room="cellar",site="Larch House"} 6.1
dryhold_room_illuminance_limit_lux{room="cellar",site="Larch House"} 50
dryhold_room_illuminance_limit_lux{room="loft",site="Larch House"} 50
dryhold_room_illuminance_lux{room="cellar",site="Larch House"} 0
dryhold_room_last_reading_timestamp_seconds{quantity="humidity",room="cellar",site="Larch House"} 1.78400002e+09
dryhold_room_last_reading_timestamp_seconds{quantity="illuminance",room="cellar",site="Larch House"} 1.78400003e+09
dryhold_room_last_reading_timestamp_seconds{quantity="temperature",room="cellar",site="Larch House"} 1.78400001e+09
dryhold_room_last_reading_timestamp_seconds{quantity="temperature",room="loft",site="Larch House"} 1.783991e+09
dryhold_room_lots{room="cellar",site="Larch House"} 2
dryhold_room_lots{room="loft",site="Larch House"} 0
dryhold_room_lots_warned{room="cellar",site="Larch House"} 1
dryhold_room_lots_warned{room="loft",site="Larch House"} 0
dryhold_room_lowest_remaining_quality_ratio{room="cellar",site="Larch House"} 0.08
dryhold_room_mean_kinetic_temperature_celsius{room="cellar",site="Larch House"} 13.7
dryhold_room_mould_index{room="cellar",site="Larch House",surface="cardboard"} 0
dryhold_room_mould_index{room="cellar",site="Larch House",surface="wood shelves"} 1.25
dryhold_room_relative_humidity_limit_ratio{room="cellar",site="Larch House"} 0.65
dryhold_room_relative_humidity_limit_ratio{room="loft",site="Larch House"} 0.6
dryhold_room_relative_humidity_ratio{room="cellar",site="Larch House"} 0.58
dryhold_room_temperature_celsius{room="cellar",site="Larch House"} 14.25
dryhold_room_temperature_coverage_ratio{room="cellar",site="Larch House"} 0.99
dryhold_room_temperature_coverage_ratio{room="loft",site="Larch House"} 0
dryhold_room_temperature_limit_celsius{room="cellar",site="Larch House"} 18
dryhold_room_temperature_limit_celsius{room="loft",site="Larch House"} 24
dryhold_sensor_battery_ratio{room="cellar",sensor="cellar-1",site="Larch House"} 0.87
dryhold_sensor_calibration_due_timestamp_seconds{quantity="temperature",room="cellar",sensor="cellar-1",site="Larch House"} 1.7840001e+09
dryhold_sensor_last_seen_timestamp_seconds{room="cellar",sensor="cellar-1",site="Larch House"} 1.78400003e+09
dryhold_sensor_last_seen_timestamp_seconds{room="loft",sensor="loft-1",site="Larch House"} 1.783991e+09
dryhold_sensor_silent{room="cellar",sensor="cellar-1",site="Larch House"} 0
dryhold_sensor_silent{room="loft",sensor="loft-1",site="Larch House"} 1
dryhold_sensor_silent{room="loft",sensor="loft-2",site="Larch House"} 1
`), "\n")
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestLotsOnlyWhenAsked(t *testing.T) {
	if got := samples(scrape(t, mustNew(t, over(house()))), "dryhold_lot_"); len(got) > 0 {
		t.Errorf("series of lots nobody asked for: %q", got)
	}
	cfg := over(house())
	cfg.PerLot = true
	want := []string{
		`dryhold_lot_life_lost_beyond_plan_seconds{food="brown-rice",lot="rice-2",room="cellar",site="Larch House"} 5.2704e+06`,
		`dryhold_lot_life_lost_beyond_plan_seconds{food="white-rice",lot="rice-1",room="cellar",site="Larch House"} 43200`,
		`dryhold_lot_remaining_quality_high_ratio{food="brown-rice",lot="rice-2",room="cellar",site="Larch House"} 0.2`,
		`dryhold_lot_remaining_quality_high_ratio{food="white-rice",lot="rice-1",room="cellar",site="Larch House"} 0.98`,
		`dryhold_lot_remaining_quality_low_ratio{food="brown-rice",lot="rice-2",room="cellar",site="Larch House"} -0.1`,
		`dryhold_lot_remaining_quality_low_ratio{food="white-rice",lot="rice-1",room="cellar",site="Larch House"} 0.9`,
		`dryhold_lot_remaining_quality_ratio{food="brown-rice",lot="rice-2",room="cellar",site="Larch House"} 0.08`,
		`dryhold_lot_remaining_quality_ratio{food="white-rice",lot="rice-1",room="cellar",site="Larch House"} 0.95`,
	}
	if d := cmp.Diff(want, samples(scrape(t, mustNew(t, cfg)), "dryhold_lot_")); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestInsideOfLots(t *testing.T) {
	snap := house()
	snap.Lots = snap.Lots[:1]
	l := &snap.Lots[0]
	l.AsOf, l.Packing.Treatment.Kind = at(0), lot.Absorber
	l.EndEarly, l.End = at(1e8), at(3e8) // and the late bound beyond 100 years
	l.Moisture = engine.MoistureView{WetBasis: engine.Estimate{Low: 0.1, Likely: 0.115, High: 0.12}, Activity: engine.Estimate{Low: 0.38, Likely: 0.43, High: 0.48},
		Amber: engine.Passing{Level: 0.6}, Red: engine.Passing{Level: 0.65}}
	l.Oxygen = engine.OxygenView{Fraction: engine.Estimate{Low: 2e-5, Likely: 3e-5, High: 0.2}, Left: 57.5, SealFailure: engine.Estimate{Low: 0.1, Likely: 0.25, High: 0.6}}
	l.Insects = &engine.InsectView{Generations: engine.Estimate{Low: 0.2, Likely: 0.3, High: 0.4}}
	inside := func() []string {
		t.Helper()
		cfg := over(snap)
		cfg.PerLot = true
		return slices.DeleteFunc(samples(scrape(t, mustNew(t, cfg)), "dryhold_lot_"), func(line string) bool {
			return strings.HasPrefix(line, "dryhold_lot_remaining_") || strings.HasPrefix(line, "dryhold_lot_life_")
		})
	}
	const labels = `{food="white-rice",lot="rice-1",room="cellar",site="Larch House"} `
	series := func(lines ...string) (out []string) {
		for _, line := range lines {
			name, value, _ := strings.Cut(line, " ")
			out = append(out, "dryhold_lot_"+name+labels+value)
		}
		return out
	}
	want := series("absorber_left_liters 0.0575", "insect_generations 0.3", "moisture_ratio 0.115", "oxygen_high_ratio 0.2", "oxygen_low_ratio 2e-05",
		"oxygen_ratio 3e-05", "projected_end_early_timestamp_seconds 1.884e+09", "projected_end_timestamp_seconds 2.084e+09", "seal_failure_ratio 0.25",
		"water_activity_amber_ratio 0.6", "water_activity_high_ratio 0.48", "water_activity_low_ratio 0.38", "water_activity_ratio 0.43", "water_activity_red_ratio 0.65")
	if d := cmp.Diff(want, inside()); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}

	// What is not known, or not there, has no sample; 0 would look good.
	nan := engine.Estimate{Low: math.NaN(), Likely: math.NaN(), High: math.NaN()}
	l.EndEarly, l.End, l.Packing.Treatment.Kind, l.Insects = time.Time{}, time.Time{}, lot.NoTreatment, nil
	l.Moisture, l.Oxygen = engine.MoistureView{WetBasis: nan, Activity: nan}, engine.OxygenView{Fraction: nan, SealFailure: nan}
	if got := inside(); len(got) > 0 {
		t.Errorf("unknown exported: %q", got)
	}
	*l = engine.LotView{Lot: l.Lot}
	if got := inside(); len(got) > 0 {
		t.Errorf("a lot that was never worked out exported: %q", got)
	}
}

func TestCommitsAndBuild(t *testing.T) {
	m := mustNew(t, over(nil))
	m.ObserveCommit(0.003, 120)
	m.ObserveCommit(9, 0)
	text := scrape(t, m)
	for _, want := range []string{
		`dryhold_store_commit_duration_seconds_bucket{site="Larch House",le="0.004"} 1`, `dryhold_store_commit_duration_seconds_bucket{site="Larch House",le="+Inf"} 2`,
		`dryhold_store_commit_duration_seconds_sum{site="Larch House"} 9.003`, `dryhold_store_commit_readings_bucket{site="Larch House",le="128"} 2`, `dryhold_store_commit_readings_sum{site="Larch House"} 120`,
		`dryhold_build_info{goversion="go`, `site="Larch House",version="0.1.0-test"} 1`, "go_goroutines ", "process_start_time_seconds ",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("lacks %s", want)
		}
	}
}

func TestNothingPublishedYet(t *testing.T) {
	m := mustNew(t, over(nil))
	text := scrape(t, m)
	for _, prefix := range []string{"dryhold_room_", "dryhold_alarm", "dryhold_intake_", "dryhold_sensor_", "dryhold_last_"} {
		if got := samples(text, prefix); len(got) > 0 {
			t.Errorf("samples of a state nobody published: %q", got)
		}
	}
	if len(samples(text, "dryhold_health_ok")) != 2 {
		t.Error("the checks are there from the start")
	}
	if _, err := New(Config{}); err == nil {
		t.Error("no snapshot function is a fault of the caller")
	}
}

func TestNoNumberIsAbsentAndCostsNothingElse(t *testing.T) {
	snap := house()
	snap.Rooms[0].Temperature.Value = math.NaN()
	snap.Rooms[0].DewPoint.Value = math.Inf(1)
	snap.Lots[1].Remaining.Likely = math.NaN()
	text := scrape(t, mustNew(t, over(snap)))
	if got := samples(text, `dryhold_room_temperature_celsius{`); len(got) > 0 {
		t.Errorf("not a number exported: %q", got)
	}
	if got := samples(text, `dryhold_room_dew_point_celsius{`); len(got) > 0 {
		t.Errorf("infinity exported: %q", got)
	}
	want := []string{`dryhold_room_lowest_remaining_quality_ratio{room="cellar",site="Larch House"} 0.95`}
	if d := cmp.Diff(want, samples(text, "dryhold_room_lowest_")); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// A topic is whatever a device sent. Odd bytes, and names that become equal
// when cleaned, must not cost the scrape.
func TestOddLabels(t *testing.T) {
	snap := house()
	snap.Site = "a\xffb"
	snap.Rooms[1].Name = snap.Rooms[0].Name
	snap.Sensors[2] = snap.Sensors[0]
	snap.Intake.Errors = []engine.TopicErrors{
		{Topic: "a\xfe", Cause: "x", Count: 1}, {Topic: "a\xfd", Cause: "x", Count: 2},
		{Topic: "quote\"\\\nline\x00", Cause: "x", Count: 3},
		{Topic: strings.Repeat("ü", 40_000), Cause: "", Count: 4},
	}
	snap.Lots = append(snap.Lots, engine.LotView{}) // a lot without a stay
	cfg := over(snap)
	cfg.PerLot, cfg.Version = true, "v\xff"
	cfg.Health = func() []health.Check { return []health.Check{{Code: "x\xff"}, {Code: "x\xfe"}} }
	text := scrape(t, mustNew(t, cfg))
	for prefix, want := range map[string]int{
		"dryhold_intake_errors_total{": 3, "dryhold_sensor_silent{": 2, "dryhold_health_ok{": 1, "dryhold_room_lots{": 1, "dryhold_build_info{": 1,
	} {
		if got := samples(text, prefix); len(got) != want {
			t.Errorf("%d samples of %s, want %d", len(got), prefix, want)
		}
	}
	if !strings.Contains(text, `topic="quote\"\\\nline`) || !strings.Contains(text, "a\uFFFDb") {
		t.Error("odd bytes are escaped or replaced, not dropped")
	}
	if got := samples(text, `promhttp_metric_handler_errors_total{cause="gathering"}`); !slices.Equal(got, []string{`promhttp_metric_handler_errors_total{cause="gathering"} 0`}) {
		t.Errorf("series were lost: %q", got)
	}
}

func TestTwoInstancesInOneProcess(t *testing.T) {
	a, b := mustNew(t, over(house())), mustNew(t, over(nil))
	a.ObserveCommit(1, 1)
	if got := samples(scrape(t, b), `dryhold_store_commit_readings_count{site="Larch House"} 1`); len(got) > 0 {
		t.Error("one instance counts for the other")
	}
	if len(samples(scrape(t, a), "dryhold_room_lots{")) != 2 || len(samples(scrape(t, b), "dryhold_room_lots{")) != 0 {
		t.Error("one instance shows the other's rooms")
	}
}

func TestScrapesWhilePublishing(t *testing.T) {
	var published atomic.Pointer[engine.Snapshot]
	m := mustNew(t, Config{Snapshot: published.Load, Health: checks, PerLot: true})
	done := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		for i := 0; ; i++ {
			select {
			case <-done:
				return
			default:
			}
			snap := house()
			snap.Site = fmt.Sprint("site-", i%7)
			published.Store(snap)
			m.ObserveCommit(0.001, i%100)
		}
	})
	var scrapers sync.WaitGroup
	for range 4 {
		scrapers.Go(func() {
			for range 25 {
				if text := scrape(t, m); !strings.Contains(text, "dryhold_health_ok") {
					t.Error("a scrape without the checks")
				}
			}
		})
	}
	scrapers.Wait()
	close(done)
	wg.Wait()
}

func BenchmarkScrapePerLot(b *testing.B) {
	snap := house()
	for i := range 500 {
		l := snap.Lots[0]
		l.ID = fmt.Sprint("lot-", i)
		snap.Lots = append(snap.Lots, l)
	}
	cfg := over(snap)
	cfg.PerLot = true
	m := mustNew(b, cfg)
	for b.Loop() {
		scrape(b, m)
	}
}
