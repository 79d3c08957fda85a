package tabular

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dryhold/internal/past"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

func berlin(t testing.TB) *time.Location {
	t.Helper()
	z, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func degrees(t testing.TB, column, name string) Value {
	t.Helper()
	u, err := unit.Parse(unit.Temperature, name)
	if err != nil {
		t.Fatal(err)
	}
	return Value{Column: column, Quantity: unit.Temperature, Unit: u}
}

func now() time.Time { return time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC) }

// lines reads a table and gives its readings and what was refused as text.
func lines(l Layout, text string) (got []string, report Report, err error) {
	report, err = Read(strings.NewReader(text), l, now(), func(rs []room.Reading) error {
		for _, r := range rs {
			got = append(got, fmt.Sprintf("%s %s %g", r.Series, r.At.Format("2006-01-02T15:04:05Z07:00"), r.Value))
		}
		return nil
	})
	for _, p := range report.Problems {
		got = append(got, p.String())
	}
	return got, report, err
}

func TestRead(t *testing.T) {
	rh, _ := unit.Parse(unit.Humidity, "%")
	zone := berlin(t)
	f := func(l Layout, text string, want ...string) {
		t.Helper()
		if l.Zone == nil {
			l.Zone = zone
		}
		got, _, err := lines(l, text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%q (-want +got):\n%s", text, diff)
		}
	}
	plain := Layout{Separator: ',', Time: "time", Format: ISO, Room: "loft", Values: []Value{degrees(t, "temp", "C")}}
	f(plain, "time,temp\n2026-07-01T12:00:00Z,21.5\n", "loft/loft/temperature 2026-07-01T12:00:00Z 21.5")
	f(plain, "\uFEFFTIME,Temp,note\r\n2026-07-01 12:00,21.5,\"two\nlines\"\r\n\r\n", "loft/loft/temperature 2026-07-01T10:00:00Z 21.5")
	f(plain, "time,temp\n2026-07-01 12:00:00+02:00,21.5\n2026-07-01 12:00 -0700,1\n",
		"loft/loft/temperature 2026-07-01T10:00:00Z 21.5", "loft/loft/temperature 2026-07-01T19:00:00Z 1")
	f(plain, "time,temp\n2026-07-01T12:00Z,unavailable\n2026-07-01T12:00Z,\n2026-07-01T12:00Z,warm\nsoon,1\n2026-07-01T12:00Z\n2026-07-01T12:00Z,200\n2027-07-01T12:00Z,20\n1970-01-01T00:00Z,20\n",
		`4:19: column "temp": "warm" is not a decimal number`, `5:1: "soon" is no date of the format iso`, `6:1: the row has 1 cells, the header 2`,
		`7:19: column "temp": temperature 200 °C is outside the plausible range -60 to 100 °C`, "8:1: 2027-07-01T12:00:00Z lies ahead of now: is the format or the zone right?", "9:1: 1970-01-01T00:00:00Z is before 2000: a clock that was never set")

	german := Layout{Separator: ';', DecimalComma: true, Time: "Zeit", Format: DayFirst, RoomColumn: "Raum", SensorColumn: "Sensor",
		Values: []Value{degrees(t, "Temperatur", "C"), {Column: "Feuchte", Quantity: unit.Humidity, Unit: rh}}}
	f(german, "Zeit;Raum;Sensor;Temperatur;Feuchte\n01.07.2026 13:05;cellar;c-1;16,25;55\n01.07.2026 13:05;no room;c-1;16,25;55\n",
		"cellar/c-1/temperature 2026-07-01T11:05:00Z 16.25", "cellar/c-1/humidity 2026-07-01T11:05:00Z 0.55",
		`3:18: room: name "no room" holds a character outside A-Z a-z 0-9 _ . -`)

	american := Layout{Separator: '\t', Time: "date", Format: MonthFirst, Room: "loft", Sensor: "s", Values: []Value{degrees(t, "temp", "F")}}
	f(american, "date\ttemp\n7/1/2026 1:05 PM\t68\n", "loft/s/temperature 2026-07-01T11:05:00Z 20")

	epoch := Layout{Separator: '|', Time: "ts", Format: Seconds, Room: "loft", Values: []Value{{Column: "tenths", Quantity: unit.Temperature, Scale: 0.1}}}
	f(epoch, "ts|tenths\n1782907200.5|215\n", "loft/loft/temperature 2026-07-01T12:00:00Z 21.5")
	epoch.Format = Milliseconds
	f(epoch, "ts|tenths\n1782907200000|215\n", "loft/loft/temperature 2026-07-01T12:00:00Z 21.5")
}

// TestClockSetBack: of the hour that comes twice, rows before the times go back
// are of the first pass, for each sensor by itself; an hour left out is refused.
func TestClockSetBack(t *testing.T) {
	l := Layout{Separator: ',', Time: "time", Format: ISO, Room: "loft", SensorColumn: "s", Zone: berlin(t), Values: []Value{degrees(t, "temp", "C")}}
	got, report, err := lines(l, `time,s,temp
2026-10-25 01:30,a,1
2026-10-25 02:00,a,2
2026-10-25 02:00,b,2
2026-10-25 02:30,a,3
2026-10-25 02:00,a,4
2026-10-25 02:30,a,5
2026-10-25 03:00,a,6
2026-03-29 02:30,a,7
`)
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		"loft/a/temperature 2026-10-24T23:30:00Z 1", "loft/a/temperature 2026-10-25T00:00:00Z 2", "loft/b/temperature 2026-10-25T00:00:00Z 2",
		"loft/a/temperature 2026-10-25T00:30:00Z 3", "loft/a/temperature 2026-10-25T01:00:00Z 4", "loft/a/temperature 2026-10-25T01:30:00Z 5",
		"loft/a/temperature 2026-10-25T02:00:00Z 6", `9:1: "2026-03-29 02:30" is no time in Europe/Berlin: the clock was set forward over it`,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if report.Twice != 5 || report.Readings != 7 || report.Refused != 1 {
		t.Errorf("%+v", report)
	}
}

func TestRefusesTable(t *testing.T) {
	good := Layout{Separator: ',', Time: "time", Format: ISO, Zone: time.UTC, Room: "loft", Values: []Value{degrees(t, "temp", "C")}}
	f := func(change func(*Layout), text, want string) {
		t.Helper()
		l := good
		l.Values = slices.Clone(good.Values)
		change(&l)
		if _, _, err := lines(l, text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", text, err, want)
		}
	}
	as := func(*Layout) {}
	f(as, "", "the table is empty")
	f(as, "\xff\xfet\x00", "not UTF-8")
	f(as, "time,tmp\n", `no column "temp": did you mean "tmp"`)
	f(as, "time,temp,temp\n", `two columns "temp"`)
	f(as, "time,temp\n\""+strings.Repeat("x", 3*maxRow), "a row is longer than")
	f(func(l *Layout) { l.Zone = nil }, "", "in which zone")
	f(func(l *Layout) { l.Room = "" }, "", "say the room")
	f(func(l *Layout) { l.Room = "a b" }, "", "holds a character")
	f(func(l *Layout) { l.Format = "day" }, "", "time format")
	f(func(l *Layout) { l.DecimalComma = true }, "", "can not both")
	f(func(l *Layout) { l.Values = append(l.Values, l.Values[0]) }, "", "twice")
	f(func(l *Layout) { l.Values = nil }, "", "which columns hold values")
}

func TestPropose(t *testing.T) {
	f := func(text, want string, open ...string) {
		t.Helper()
		p, err := Propose([]byte(text))
		if err != nil {
			t.Errorf("%q: %v", text, err)
			return
		}
		var as []string
		for _, c := range p.Columns {
			as = append(as, c.As)
		}
		got := fmt.Sprintf("%q comma %t %s %s", p.Layout.Separator, p.Layout.DecimalComma, p.Layout.Format, strings.Join(as, "|"))
		if got != want {
			t.Errorf("%q:\n got %s\nwant %s", text, got, want)
		}
		if len(p.Open) != len(open) {
			t.Errorf("%q: asks %q", text, p.Open)
			return
		}
		for i := range open {
			if !strings.Contains(p.Open[i], open[i]) {
				t.Errorf("%q: asks %q, want %q", text, p.Open[i], open[i])
			}
		}
	}
	f("time,room,temperature_c,humidity\n2026-07-01T12:00:00Z,loft,21,55\n", `',' comma false iso time|room|temperature in C|humidity in %`)
	f("Timestamp;Temperature (°F);RH\n2026-07-01 12:00;68,5;55\n", `';' comma true iso time|temperature in F|humidity in %`, "do not say their zone", "--room")
	f("date,temp\n03/04/2026,20\n", `',' comma false dmy time|temperature in C`, "does not say its unit", "day or with the month", "zone", "--room")
	f("date,temp\n13/04/2026,20\n", `',' comma false dmy time|temperature in C`, "does not say its unit", "zone", "--room")
	f("ts,room,lux\n1782907200,loft,3\n", `',' comma false s time|room|illuminance in lx`)
	f("a,b\n1,2\n", `',' comma false  |`, "--time", "--value", "--room")
	if _, err := Propose([]byte(" \n")); err == nil {
		t.Error("an empty table is taken")
	}
}

// A table and a store that hold the same numbers give the same readings, bit by
// bit.
func TestSameAsSamples(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		u, err := unit.Parse(unit.Temperature, rapid.SampledFrom([]string{"C", "F", "K"}).Draw(rt, "unit"))
		if err != nil {
			rt.Fatal(err)
		}
		plan := past.Plan{Quantity: unit.Temperature, Unit: u, Room: "loft"}
		text, series := "time,temp\n", past.Series{}
		for i := range rapid.IntRange(1, 30).Draw(rt, "n") {
			at := now().Add(-time.Duration(1000-i)*time.Minute + time.Duration(rapid.IntRange(0, 999).Draw(rt, "ms"))*time.Millisecond)
			v := rapid.Float64Range(-500, 500).Draw(rt, "v")
			text += fmt.Sprintf("%s,%s\n", at.Format(time.RFC3339Nano), strconv.FormatFloat(v, 'g', -1, 64))
			series.Samples = append(series.Samples, past.Sample{At: at, Value: v})
		}
		var table []room.Reading
		l := Layout{Separator: ',', Time: "time", Format: ISO, Room: "loft", Zone: time.UTC, Values: []Value{{Column: "temp", Quantity: unit.Temperature, Unit: u}}}
		report, err := Read(strings.NewReader(text), l, now(), func(rs []room.Reading) error { table = append(table, rs...); return nil })
		if err != nil {
			rt.Fatal(err)
		}
		r, err := past.NewReader(plan, now())
		if err != nil {
			rt.Fatal(err)
		}
		store := r.Take([]past.Series{series})
		if d := cmp.Diff(table, store); d != "" {
			rt.Fatalf("(-table +store):\n%s", d)
		}
		if refused := r.Refused(); len(refused) > 0 && refused[0].N != report.Refused || len(refused) == 0 && report.Refused > 0 {
			rt.Fatalf("%+v of the table, %+v of the store", report, refused)
		}
	})
}

// FuzzRead: no table makes it panic, and whatever is read is plausible, dated
// and named.
func FuzzRead(f *testing.F) {
	f.Add("time,temp\n2026-07-01T12:00:00Z,21.5\n", byte(0))
	f.Add("time;temp\n01.07.2026 13:05;16,25\n", byte(1))
	f.Add("time\ttemp\n7/1/2026 1:05 PM\t68\n", byte(2))
	f.Add("time,temp\n1782907200,\"21\n5\"\n", byte(3))
	f.Add("time,temp\n2026-10-25 02:30,1\n2026-10-25 02:30,2\n", byte(0))
	zone := berlin(f)
	f.Fuzz(func(t *testing.T, text string, kind byte) {
		l := Layout{Separator: separators()[kind%4], Time: "time", Format: Formats()[int(kind)%len(Formats())], Zone: zone, Room: "loft", Values: []Value{{Column: "temp", Quantity: unit.Temperature}}}
		l.DecimalComma = l.Separator == ';'
		n := 0
		report, err := Read(strings.NewReader(text), l, now(), func(rs []room.Reading) error {
			for _, r := range rs {
				n++
				if r.Quantity.Plausible(r.Value) != nil || r.At.Year() < past.FirstYear || r.At.After(now().Add(time.Hour)) || r.At.Location() != time.UTC {
					t.Fatalf("%+v", r)
				}
			}
			return nil
		})
		if err == nil && n != report.Readings {
			t.Fatalf("%d readings, %d told", n, report.Readings)
		}
		if p, err := Propose([]byte(text)); err == nil && len(p.Columns) != len(p.Header) {
			t.Fatalf("%+v", p)
		}
	})
}
