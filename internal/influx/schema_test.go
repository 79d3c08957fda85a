package influx

import (
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

var instant = time.Date(2026, 7, 11, 14, 0, 0, 250_000_000, time.UTC)

func TestLines(t *testing.T) {
	f := func(p interface{ Line() (string, error) }, want string) {
		t.Helper()
		got, err := p.Line()
		if err != nil || got != want {
			t.Errorf("%v\n got %s\nwant %s", err, got, want)
		}
	}
	f(Reading{"larch-house", "cellar", "cellar-1", "temperature", instant, 17.25},
		`dryhold_reading,quantity=temperature,room=cellar,sensor=cellar-1,site=larch-house value=17.25 1783778400250`)
	f(Reading{"Larch House, east=1", `a b`, `c,d=e\`, "temperature", instant, 17}, // not spoilt by what is special in a line
		`dryhold_reading,quantity=temperature,room=a\ b,sensor=c\,d\=e/,site=Larch\ House\,\ east\=1 value=17 1783778400250`)
	f(Reading{"larch\nhouse\t", "", "x", "humidity", instant, 0.5},
		`dryhold_reading,quantity=humidity,sensor=x,site=larch\ house value=0.5 1783778400250`)
	f(Hour{Site: "l", Room: "loft", At: instant, Unknown: time.Hour},
		`dryhold_hour,room=loft,site=l estimated_s=0,humidity_s=0,light_s=0,measured_s=0,n=0i,quality="unknown",unknown_s=3600 1783778400250`)
	f(Hour{Site: "l", Room: "loft", At: instant, N: 6, Mean: 21.5, Min: 21, Max: 22, Measured: 50 * time.Minute, Estimated: 10 * time.Minute,
		Humidity: 0.5, Vapour: 1282, HumidityMeasured: time.Minute, Dose: 3, DoseMeasured: time.Hour, Exposure: 0.04, ExposureLow: 0.03, ExposureHigh: 0.05},
		`dryhold_hour,room=loft,site=l estimated_s=600,exposure_days=0.04,exposure_high=0.05,exposure_low=0.03,humidity_mean=0.5,humidity_s=60,light_dose=3,light_s=3600,measured_s=3000,n=6i,quality="partial",temperature_max=22,temperature_mean=21.5,temperature_min=21,unknown_s=0,vapour_mean=1282 1783778400250`)
	f(Lot{Site: "l", Lot: "L-1", At: instant, Room: `the "cold" room`, Likely: 0.9, Low: math.NaN(), High: math.Inf(1), End: instant, EstimatedDays: 2},
		`dryhold_lot,lot=L-1,site=l end=1783778400i,estimated_days=2,finished=false,lost_days=0,moisture=0,oxygen=0,quality="estimated",remaining_likely=0.9,room="the \"cold\" room",unknown_days=0,water_activity=0 1783778400250`)
	f(Alarm{Site: "l", Kind: "hot", Room: "loft", At: instant, From: "normal", To: "active", Value: 31, Peak: 32, Active: true},
		`dryhold_alarm,kind=hot,room=loft,site=l,to=active active=true,from="normal",peak=32,unknown=false,value=31 1783778400250`)
	if _, err := (Reading{At: instant, Value: math.NaN()}).Line(); err == nil {
		t.Error("a point without a value is no point")
	}
}

// No name breaks out of its place: a point is one line with as many parts as it
// was given, whatever stands in it.
func FuzzLine(f *testing.F) {
	f.Add("larch house", "a,b=c", `\`)
	f.Add(`#\ `, `a\,b`, `\"`)
	f.Add("\n# \t", "é\xff", `"x\"`)
	f.Fuzz(func(t *testing.T, site, room, by string) {
		line, err := Alarm{Site: site, Kind: "hot", Room: room, To: "normal", By: by, At: instant}.Line()
		if err != nil || strings.ContainsAny(line, "\n\r\x00") || !utf8.ValidString(line) {
			t.Fatalf("%q, %v", line, err)
		}
		parts := func(s string, at byte) (n int) { // outside of quotes and not escaped
			quoted, n := false, 1
			for i := 0; i < len(s); i++ {
				switch {
				case s[i] == '\\':
					i++
				case s[i] == '"':
					quoted = !quoted
				case s[i] == at && !quoted:
					n++
				}
			}
			return n
		}
		if n := parts(strings.ReplaceAll(line[:strings.LastIndex(line, ` active=`)], `"`, ``)+line[strings.LastIndex(line, ` active=`):], ' '); n != 3 && !strings.Contains(by, " active=") {
			t.Fatalf("%d parts in %q", n, line)
		}
	})
}
