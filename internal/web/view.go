package web

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/health"
)

// maxCosts bounds the lots listed with one alarm.
const maxCosts = 8

// pageContext is what turning the snapshot into words needs.
type pageContext struct {
	now  time.Time
	zone *time.Location
	tr   *translator // nil is English
	us   bool        // US units
}

// t is an English text in the language of the page.
func (p *pageContext) t(english string, values ...any) string { return p.tr.T(english, values...) }

// pageView is all the page shows, in words.
type pageView struct {
	Site     string
	Refresh  bool
	At       moment
	Age      string
	Old      bool // the state is old: nothing on the page is now
	Starting bool // there is no state yet

	Alarms      []alarmView
	Rooms       []roomView
	Lots        []lotView
	LotsMore    string // what the lots table leaves out
	Sensors     []sensorRow
	SensorsMore string
	Caveat      string // on the mould indices
	Checks      []checkView
	Healthy     sight
	Errors      []errorView
	Known       []string // retained values of unknown age
	Intake      string

	FirstReading        string
	NoAlarm, UnknownNow sight
}

type conditionView struct {
	Name, Value, Limit, Note string
	Sight                    sight
}

type roomView struct {
	Name       string
	Conditions []conditionView
	DewPoint   string
	Ageing     string
	Kinetic    string
	Coverage   string
	Last       moment
	LastAge    string
	Lots       string
	Mould      []surfaceView
	Opinion    string // the second opinion on mould
	Sensors    []sensorView
}

type surfaceView struct {
	Name, Index string
	Sight       sight
}

type sensorView struct {
	Name, Age string
	Sight     sight
}

type alarmView struct {
	Key         alarm.Key
	Title       string
	Sight       sight
	Priority    string
	Since       moment
	Age, Text   string
	Value, Peak string
	Limit, By   string
	Costs       []string
	CostsMore   string
	Advice      []string // what would help, as worked out
	Acts        []actLink
	Aside       string // where it is set aside, by whom and until when
	Note        string // what was noted of it last
	Unknown     bool
	HasNumbers  bool
}

type checkView struct {
	Title, Text string
	Sight       sight
	Since       moment
}

type errorView struct {
	Topic, Cause, Last, Count string
	At                        moment
}

// view turns the snapshot into words; the snapshot may be nil.
func (s *server) view(snap *engine.Snapshot, refresh bool) pageView {
	v := pageView{Refresh: refresh, Starting: snap == nil, FirstReading: s.FirstReading,
		UnknownNow: unknownSight("There is no reading now.")}
	p := &pageContext{now: s.Now(), zone: s.Zone}
	v.Checks, v.Healthy = p.checks(s.healthNow().Checks)
	if snap == nil {
		return v
	}
	// The site's clock may run a little ahead of the one asked.
	if snap.At.After(p.now) {
		p.now = snap.At
	}
	v.Site = snap.Site
	v.At, v.Age = p.moment(snap.At), p.ago(p.now.Sub(snap.At))
	v.Old = p.now.Sub(snap.At) > 2*time.Minute
	for _, a := range snap.Alarms {
		v.Alarms = append(v.Alarms, p.alarm(a))
	}
	for _, r := range snap.Rooms {
		v.Rooms = append(v.Rooms, p.room(r, snap.Sensors))
	}
	v.NoAlarm, v.Caveat = noAlarm(snap, v.Old), engine.MouldCaveat
	v.Lots, v.LotsMore = p.lots(snap.Lots)
	v.Sensors, v.SensorsMore = p.sensors(snap.Sensors)
	p.intake(&v, snap.Intake)
	return v
}

// noAlarm is what the absence of alarms is worth: silence about what is not
// measured is no good news.
func noAlarm(snap *engine.Snapshot, old bool) sight {
	unknown := func(r engine.RoomView) bool {
		return !r.Temperature.Known || !r.Humidity.Known || !r.Illuminance.Known
	}
	wanting := 0
	for _, l := range snap.Lots {
		if len(l.Warnings) > 0 {
			wanting++
		}
	}
	grows := func(r engine.RoomView) bool {
		return slices.ContainsFunc(r.Mould, func(m engine.MouldView) bool { return m.Index >= 1 })
	}
	switch {
	case len(snap.Rooms) == 0:
		return unknownSight("no alarm, for nothing is measured yet")
	case old:
		return unknownSight("no alarm when this state was fresh")
	case wanting > 0:
		return overSight("no alarm, but " + plural(wanting, "lot has a warning", "lots have a warning") + ": see the lots below")
	case slices.ContainsFunc(snap.Rooms, grows):
		return overSight("no alarm, but mould grows on a surface by its index: see the rooms below")
	case slices.ContainsFunc(snap.Rooms, unknown):
		return unknownSight("no alarm, but not everything is measured: see the rooms below")
	}
	return okSight("no alarm: nothing needs doing")
}

func (p *pageContext) checks(checks []health.Check) ([]checkView, sight) {
	var out []checkView
	failing := 0
	for _, c := range checks {
		look := okSight("ok")
		if !c.OK {
			look = overSight("not ok")
			failing++
		}
		out = append(out, checkView{c.Title, c.Text, look, p.moment(c.Since)})
	}
	switch {
	case failing > 0:
		return out, overSight(plural(failing, "check fails", "checks fail"))
	case len(checks) == 0:
		return out, unknownSight("nothing is checked")
	}
	return out, okSight("dryhold itself is well")
}

func (p *pageContext) room(r engine.RoomView, sensors []engine.SensorView) roomView {
	v := roomView{
		Name: r.Name,
		Conditions: []conditionView{
			p.condition("Cool", "too warm", r.Temperature, float64(r.WarmLimit), p.celsius()),
			p.condition("Dark", "too bright", r.Illuminance, float64(r.BrightLimit), p.lux()),
			p.condition("Dry", "too damp", r.Humidity, float64(r.DampLimit), p.percent()),
		},
		DewPoint: known(r.DewPoint, p.celsius().text),
		Ageing:   known(r.Acceleration, p.ageing),
		Kinetic:  known(r.MeanKinetic, p.celsius().text),
		Coverage: p.percent().text(r.Coverage24h),
		Lots:     plural(r.LotCount, "lot", "lots"),
	}
	var surfaces []Surface
	surfaces, v.Opinion = Mould(r)
	for _, s := range surfaces {
		v.Mould = append(v.Mould, surfaceView{s.Name, s.Index, s.sight()})
	}
	last := r.Temperature.At
	for _, t := range []time.Time{r.Humidity.At, r.Illuminance.At} {
		if t.After(last) {
			last = t
		}
	}
	v.Last = p.moment(last)
	if !last.IsZero() {
		v.LastAge = p.ago(p.now.Sub(last))
	}
	for _, sv := range sensors {
		if sv.Room != r.Name || sv.State == engine.Retired {
			continue
		}
		v.Sensors = append(v.Sensors, sensorView{sv.Name, p.age(sv.LastSeen), sensorSight(sv)})
	}
	return v
}

func (p *pageContext) age(t time.Time) string {
	if t.IsZero() {
		return "never heard"
	}
	return p.ago(p.now.Sub(t))
}

func known(v engine.Value, text func(float64) string) string {
	if !v.Known {
		return "unknown"
	}
	return text(v.Value)
}

// condition is one of cool, dark and dry against its limit. An old value is
// shown as what it is: the last known one, with its age.
func (p *pageContext) condition(name, over string, v engine.Value, limit float64, m measure) conditionView {
	c := conditionView{Name: name, Value: "unknown", Sight: unknownSight("unknown")}
	value, lim := m.against(v.Value, limit)
	c.Limit = lim
	switch {
	case !v.Known && v.At.IsZero():
		c.Note = "no reading yet"
	case !v.Known:
		c.Note = "last " + m.text(v.Value) + ", " + p.ago(p.now.Sub(v.At))
	case v.Value > limit:
		c.Value, c.Sight = value, overSight(over)
	default:
		c.Value, c.Sight = value, okSight("ok")
	}
	return c
}

func (p *pageContext) alarm(a engine.AlarmView) alarmView {
	v := alarmView{
		Key: a.Key, Title: p.alarmTitle(a.Key), Sight: p.alarmSight(a.State), Priority: p.priorityWord(a.Priority),
		Since: p.moment(a.Since), Age: p.age(a.Since), Text: a.Text, By: a.By, Unknown: a.Unknown,
		Acts: actLinks(a), Aside: p.aside(a),
	}
	if a.Note != "" {
		v.Note = a.NoteBy + ", " + p.moment(a.NoteAt).Text + ": " + a.Note
	}
	if m, ok := p.alarmMeasure(a.Key.Kind); ok {
		v.HasNumbers = true
		v.Value, v.Limit = m.against(a.Value, a.Limit)
		v.Peak, _ = m.against(a.Peak, a.Limit)
		if a.Unknown {
			v.Value = "unknown"
		}
	}
	switch {
	case v.HasNumbers:
	case timed(a.Key.Kind):
		v.HasNumbers = true
		v.Value, v.Peak, v.Limit = p.silence(a.Value), p.silence(a.Peak), p.silence(a.Limit)
	default:
		v.HasNumbers = true
		v.Value, v.Peak, v.Limit = a.Key.Kind.Amount(a.Value), a.Key.Kind.Amount(a.Peak), a.Key.Kind.Amount(a.Limit)
		if a.Unknown {
			v.Value = "unknown"
		}
	}
	for _, x := range a.Advice {
		v.Advice = append(v.Advice, x.Text)
	}
	costs := slices.SortedStableFunc(slices.Values(a.Costs), func(a, b alarm.LotCost) int { return cmp.Compare(b.Days, a.Days) })
	if hidden := len(costs) - maxCosts; hidden > 0 {
		v.CostsMore = plural(hidden, "lot that loses", "lots that lose") + " less not shown."
		costs = costs[:maxCosts]
	}
	for _, c := range costs {
		v.Costs = append(v.Costs, c.Lot+" ("+c.Food+"): "+p.days(c.Days)+" so far, "+p.days(c.Week)+" more in the week ahead")
	}
	return v
}

func (p *pageContext) intake(v *pageView, in engine.IntakeView) {
	link := "not connected to the broker"
	if in.Connected {
		link = "connected to the broker"
	}
	v.Intake = link + "; since the start " + p.grouped(in.Messages) + " messages, " +
		p.grouped(in.Stored) + " readings stored, " + p.grouped(in.Duplicates) + " readings that came twice"
	for _, e := range in.Errors {
		v.Errors = append(v.Errors, errorView{e.Topic, e.Cause, e.Last, p.grouped(e.Count), p.moment(e.At)})
	}
	for _, k := range in.LastKnown {
		v.Known = append(v.Known, k.Room+", "+k.Sensor+": "+k.Quantity.String()+" "+
			strconv.FormatFloat(k.Value, 'f', -1, 64)+" "+k.Quantity.Symbol())
	}
}
