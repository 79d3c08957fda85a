package web

import (
	"cmp"
	"net/url"
	"slices"
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
	At       moment
	Age      string
	Old      bool // the state is old: nothing on the page is now
	Starting bool // there is no state yet

	Alarms    []alarmView
	Rooms     []roomView
	Caveat    string // on the mould indices
	Risks     []riskView
	RisksMore string // how many more there are
	NoRisk    sight
	Stored    string // how many lots there are
	NoLots    bool
	Axis      *lifeAxis
	Sensors   sight
	Checks    []checkView // those that fail, and all of them before the first state
	Healthy   sight

	FirstReading        string
	NoAlarm, UnknownNow sight
}

type conditionView struct {
	Name, Value, Limit, Note string
	Sight                    sight
}

type roomView struct {
	Name, URL  string
	Conditions []conditionView
	DewPoint   string
	Ageing     string
	Kinetic    string
	Coverage   string
	Last       moment
	LastAge    string
	Lots       string
	Grows      sight // the worst of the surfaces
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
	Settled     bool     // it does not stand: what it has cost is told on demand
	Advice      []string // what would help, as worked out
	Acts        []actLink
	Aside       string // where it is set aside, by whom and until when
	Note        string // what was noted of it last
	Unknown     bool
}

type checkView struct {
	Title, Text string
	Sight       sight
	Since       moment
	OK          bool
}

type errorView struct {
	Topic, Cause, Last, Count string
	At                        moment
}

// view turns the snapshot into words; the snapshot may be nil.
func (s *server) view(p *pageContext, snap *engine.Snapshot) pageView {
	v := pageView{Starting: snap == nil, FirstReading: s.FirstReading,
		UnknownNow: unknownSight(p.t("There is no reading now."))}
	v.Checks, v.Healthy = p.checks(s.healthNow().Checks)
	if snap == nil {
		return v
	}
	// The site's clock may run a little ahead of the one asked.
	if snap.At.After(p.now) {
		p.now = snap.At
	}
	v.Checks = slices.DeleteFunc(v.Checks, func(c checkView) bool { return c.OK })
	v.Site = snap.Site
	v.At, v.Age = p.moment(snap.At), p.ago(p.now.Sub(snap.At))
	v.Old = p.now.Sub(snap.At) > 2*time.Minute
	for _, a := range snap.Alarms {
		v.Alarms = append(v.Alarms, p.alarm(a))
	}
	for _, r := range snap.Rooms {
		v.Rooms = append(v.Rooms, p.room(r, snap.Sensors))
	}
	v.NoAlarm, v.Caveat = p.noAlarm(snap, v.Old), engine.MouldCaveat
	p.risks(&v, snap.Lots)
	v.Sensors = p.listening(snap.Sensors)
	return v
}

// noAlarm is what the absence of alarms is worth: silence about what is not
// measured is no good news.
func (p *pageContext) noAlarm(snap *engine.Snapshot, old bool) sight {
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
		return unknownSight(p.t("no alarm, for nothing is measured yet"))
	case old:
		return unknownSight(p.t("no alarm when this state was fresh"))
	case wanting > 0:
		return overSight(p.tn("no alarm, but %d lot has a warning", "no alarm, but %d lots have a warning", wanting))
	case slices.ContainsFunc(snap.Rooms, grows):
		return overSight(p.t("no alarm, but mould grows on a surface by its index: see the rooms"))
	case slices.ContainsFunc(snap.Rooms, unknown):
		return unknownSight(p.t("no alarm, but not everything is measured: see the rooms"))
	}
	return okSight(p.t("no alarm: nothing needs doing"))
}

func (p *pageContext) checks(checks []health.Check) ([]checkView, sight) {
	var out []checkView
	failing := 0
	for _, c := range checks {
		look := okSight(p.t("ok"))
		if !c.OK {
			look = overSight(p.t("not ok"))
			failing++
		}
		out = append(out, checkView{c.Title, c.Text, look, p.moment(c.Since), c.OK})
	}
	switch {
	case failing > 0:
		return out, overSight(p.tn("%d check fails", "%d checks fail", failing))
	case len(checks) == 0:
		return out, unknownSight(p.t("nothing is checked"))
	}
	return out, okSight(p.t("dryhold itself is well"))
}

func (p *pageContext) room(r engine.RoomView, sensors []engine.SensorView) roomView {
	v := roomView{
		Name: r.Name, URL: "/room/" + url.PathEscape(r.Name),
		Conditions: []conditionView{
			p.condition(p.t("Cool"), p.t("too warm"), r.Temperature, float64(r.WarmLimit), p.celsius()),
			p.condition(p.t("Dark"), p.t("too bright"), r.Illuminance, float64(r.BrightLimit), p.lux()),
			p.condition(p.t("Dry"), p.t("too damp"), r.Humidity, float64(r.DampLimit), p.percent()),
		},
		DewPoint: p.orUnknown(r.DewPoint, p.celsius().text),
		Ageing:   p.orUnknown(r.Acceleration, p.ageing),
		Kinetic:  p.orUnknown(r.MeanKinetic, p.celsius().text),
		Coverage: p.percent().text(r.Coverage24h),
		Lots:     p.tn("%d lot", "%d lots", r.LotCount),
	}
	p.mould(&v, r)
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
		v.Sensors = append(v.Sensors, sensorView{sv.Name, p.age(sv.LastSeen), p.sensorSight(sv)})
	}
	return v
}

// mould lists the surfaces of a room, and puts the worst of them first of all.
func (p *pageContext) mould(v *roomView, r engine.RoomView) {
	surfaces, opinion := Mould(r)
	v.Opinion = opinion
	worst := -1
	for i, s := range surfaces {
		v.Mould = append(v.Mould, surfaceView{s.Name, s.Index, s.sight()})
		if worst < 0 || weight(s.Standing) > weight(surfaces[worst].Standing) {
			worst = i
		}
	}
	if worst >= 0 {
		v.Grows = v.Mould[worst].Sight
	}
}

// weight is how much a standing wants to be seen.
func weight(s Standing) int { return slices.Index([]Standing{As, Good, Doubtful, Near, Bad}, s) }

func (p *pageContext) age(t time.Time) string {
	if t.IsZero() {
		return p.t("never heard")
	}
	return p.ago(p.now.Sub(t))
}

func (p *pageContext) orUnknown(v engine.Value, text func(float64) string) string {
	if !v.Known {
		return p.t("unknown")
	}
	return text(v.Value)
}

// condition is one of cool, dark and dry against its limit. An old value is
// shown as what it is: the last known one, with its age.
func (p *pageContext) condition(name, over string, v engine.Value, limit float64, m measure) conditionView {
	c := conditionView{Name: name, Value: p.t("unknown"), Sight: unknownSight(p.t("unknown"))}
	value, lim := m.against(v.Value, limit)
	c.Limit = lim
	switch {
	case !v.Known && v.At.IsZero():
		c.Note = p.t("no reading yet")
	case !v.Known:
		c.Note = p.t("last %s, %s", m.text(v.Value), p.ago(p.now.Sub(v.At)))
	case v.Value > limit:
		c.Value, c.Sight = value, overSight(over)
	default:
		c.Value, c.Sight = value, okSight(p.t("ok"))
	}
	return c
}

func (p *pageContext) alarm(a engine.AlarmView) alarmView {
	v := alarmView{
		Key: a.Key, Title: p.alarmTitle(a.Key), Sight: p.alarmSight(a.State), Priority: p.priorityWord(a.Priority),
		Since: p.moment(a.Since), Age: p.age(a.Since), Text: a.Text, By: a.By, Unknown: a.Unknown,
		Acts: p.actLinks(a), Aside: p.aside(a), Settled: !a.Active,
	}
	if a.Note != "" {
		v.Note = p.t("%s, %s: %s", a.NoteBy, p.moment(a.NoteAt).Text, a.Note)
	}
	m, measured := p.alarmMeasure(a.Key.Kind)
	switch {
	case measured:
		v.Value, v.Limit = m.against(a.Value, a.Limit)
		v.Peak, _ = m.against(a.Peak, a.Limit)
	case timed(a.Key.Kind):
		v.Value, v.Peak, v.Limit = p.silence(a.Value), p.silence(a.Peak), p.silence(a.Limit)
	default:
		v.Value, v.Peak, v.Limit = a.Key.Kind.Amount(a.Value), a.Key.Kind.Amount(a.Peak), a.Key.Kind.Amount(a.Limit)
	}
	if a.Unknown && !timed(a.Key.Kind) { // a time says itself that it is not known
		v.Value = p.t("unknown")
	}
	for _, x := range a.Advice {
		v.Advice = append(v.Advice, x.Text)
	}
	// A list of lots that lose nothing says nothing.
	costs := slices.DeleteFunc(slices.Clone(a.Costs), func(c alarm.LotCost) bool { return c.Days < 0.05 && c.Week < 0.05 })
	slices.SortStableFunc(costs, func(a, b alarm.LotCost) int { return cmp.Compare(b.Days, a.Days) })
	if hidden := len(costs) - maxCosts; hidden > 0 {
		v.CostsMore = p.tn("%d lot that loses less is not shown.", "%d lots that lose less are not shown.", hidden)
		costs = costs[:maxCosts]
	}
	for _, c := range costs {
		v.Costs = append(v.Costs, p.t("%s (%s): %s so far, %s more in the week ahead", c.Lot, c.Food, p.days(c.Days), p.days(c.Week)))
	}
	return v
}
