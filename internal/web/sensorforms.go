package web

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/audit"
	"dryhold/internal/engine"
	"dryhold/internal/sensor"
	"dryhold/internal/unit"
)

// What can be told of a sensor on its pages, each by a form at an address of
// its own. What is told is shown in words first, and kept when that is
// confirmed.
const (
	actCalibrate = "calibrate"
	actCorrect   = "correct"
	actVoid      = "void"
	actSwap      = "swap"
	actPlace     = "place"
	actRevoke    = "revoke"
)

// sensorForm is the page of a form, or of what it says before it is kept.
type sensorForm struct {
	Act, Action, Back, Edit string
	Intro, Button           string
	Problem                 string
	User                    string
	Value                   map[string]string // as typed, by field
	Quantities              []choice
	Rooms                   []choice
	// Of the page that asks to confirm.
	Confirm  bool
	What     string
	From, To moment
	Follows  string
	Hidden   []factView
}

// actText gives the heading, what the form is for, and its button.
func (p *pageContext) actText(act string) (head, intro, button string, known bool) {
	switch act {
	case actCalibrate:
		return p.t("Calibrate"), p.t("Compare the sensor with something that is known: ice water, a salt solution in a closed bag, a thermometer you trust. Readings from then on count by what you found."), p.t("Look at the calibration"), true
	case actCorrect:
		return p.t("Correct readings"), p.t("For a time in which the sensor read wrong by an amount you know. Readings stay in the store as they came; within the time they count as corrected."), p.t("Look at the correction"), true
	case actVoid:
		return p.t("Void readings"), p.t("For a time in which the sensor did not measure the room: hung in the sun, lay on the heater, was carried about. Readings stay in the store as they came, and do not count."), p.t("Look at what is voided"), true
	case actSwap:
		return p.t("Swap the device"), p.t("For a device that was replaced. The old one is not expected any more, and its calibration ends. Leave the name empty if the new one reports under the same name."), p.t("Look at the swap"), true
	case actPlace:
		return p.t("Carry it to another place"), p.t("For a sensor that is carried about to find out how a shelf or another room is. What it reads there is kept for that place and does not count for its own room."), p.t("Look at the change"), true
	case actRevoke:
		return p.t("Take a change back"), p.t("It then counts as never told. It stays on record that it was told, and that it was taken back."), p.t("Look at what is taken back"), true
	}
	return "", "", "", false
}

func (s *server) getSensorForm(w http.ResponseWriter, r *http.Request) {
	s.sensorForm(w, r, func(f *sensorForm, x engine.SensorView) (int, bool) {
		f.fill(r.URL.Query())
		return http.StatusOK, true
	})
}

// sensorForm shows the form of an act, unless fill has answered itself.
func (s *server) sensorForm(w http.ResponseWriter, r *http.Request, fill func(*sensorForm, engine.SensorView) (status int, show bool)) {
	p, act := s.words(r), r.PathValue("act")
	head, intro, button, known := p.actText(act)
	if !known {
		s.writeFailed(w, r, http.StatusNotFound, p.t("No such page"), p.t("There is nothing to tell of a sensor under this address."))
		return
	}
	x, ok := s.sensorOf(w, r)
	if !ok {
		return
	}
	f := sensorForm{Act: act, Action: sensorURL(x.Room, x.Name) + "/" + act, Back: sensorURL(x.Room, x.Name), Intro: intro, Button: button, User: userOf(r)}
	status, show := fill(&f, x)
	if !show {
		return
	}
	f.Quantities = p.measured(x, f.Value["what"], act == actVoid)
	for _, room := range s.Snapshot().Rooms {
		f.Rooms = append(f.Rooms, choice{Value: room.Name, Text: room.Name, Chosen: room.Name == f.Value["in"]})
	}
	s.writePage(w, r, status, page{Name: "sensor form", Head: head, ID: x.Room + "/" + x.Name, Here: "/sensors", Narrow: true}, f)
}

// sensorFields are those of all forms; what a form lacks stays empty.
func sensorFields() []string {
	return []string{"what", "offset", "gain", "read1", "true1", "read2", "true2", "from", "to", "due", "new", "place", "in", "change", "note", "by"}
}

func (f *sensorForm) fill(q url.Values) {
	f.Value = map[string]string{}
	for _, name := range sensorFields() {
		if v := q.Get(name); v != "" && len(v) <= maxNote {
			f.Value[name] = strings.ToValidUTF8(v, "")
		}
	}
}

// measured lists the quantities of a sensor, each in the units in which people
// read it: those it has sent, or all where it was not heard yet.
func (p *pageContext) measured(x engine.SensorView, chosen string, whole bool) (out []choice) {
	add := func(value, text string) {
		out = append(out, choice{Value: value, Text: text, Chosen: value == chosen})
	}
	values := map[unit.Quantity]engine.Value{unit.Temperature: x.Temperature, unit.Humidity: x.Humidity, unit.Illuminance: x.Illuminance, unit.Oxygen: x.Oxygen, unit.Battery: x.Battery, unit.Link: x.Link}
	sends := func(q unit.Quantity) bool { return x.LastSeen.IsZero() || !values[q].At.IsZero() }
	if whole {
		add("", p.t("everything it measures"))
		for _, q := range unit.Quantities() {
			if sends(q) {
				add(q.String(), p.quantity(q))
			}
		}
		return out
	}
	type in struct {
		q          unit.Quantity
		unit, text string
	}
	all := []in{{unit.Temperature, "C", p.t("temperature in °C")}, {unit.Temperature, "F", p.t("temperature in °F")}, {unit.Humidity, "%", p.t("humidity in percent")},
		{unit.Illuminance, "lx", p.t("light in lx")}, {unit.Oxygen, "%", p.t("oxygen in percent")}, {unit.Battery, "%", p.t("battery in percent")}, {unit.Link, "dBm", p.t("link in dBm")}}
	if p.us {
		all[0], all[1] = all[1], all[0]
	}
	for _, c := range all {
		if sends(c.q) {
			add(c.q.String()+" "+c.unit, c.text)
		}
	}
	return out
}

// postSensorForm shows what a form says, and keeps it when it was confirmed.
func (s *server) postSensorForm(w http.ResponseWriter, r *http.Request) {
	p := s.words(r)
	s.sensorForm(w, r, func(f *sensorForm, x engine.SensorView) (int, bool) {
		form, no := readForm(w, r)
		f.fill(form)
		var c sensor.Change
		if no == nil {
			c, no = p.changeFrom(f.Act, form)
		}
		c.By = signed(r, c.By)
		if c.Kind != sensor.Revoked {
			c.Room, c.Sensor = x.Room, x.Name
		}
		if no = cmp.Or(no, personal(c.By, c.Note), named(c.New), named(c.In)); no == nil && form.Get("confirm") != "yes" {
			no = s.confirmed(r, p, f, c)
			if no == nil {
				return http.StatusOK, true
			}
		}
		if no == nil {
			var done SensorChanged
			if done, no = s.keepSensor(w, r, c); no == nil {
				http.Redirect(w, r, f.Back+"?kept="+strconv.Itoa(done.Change.Seq)+"#told", http.StatusSeeOther)
				return 0, false
			}
		}
		f.Problem = no.detail
		return no.status, true
	})
}

// named refuses a name that is too long for one.
func named(name string) *refusal {
	if len(name) > maxName {
		return &refusal{http.StatusUnprocessableEntity, fmt.Sprintf("a name longer than %d bytes is none", maxName)}
	}
	return nil
}

// confirmed fills the page that asks whether a change is meant.
func (s *server) confirmed(r *http.Request, p *pageContext, f *sensorForm, c sensor.Change) *refusal {
	f.Confirm, f.What, f.From, f.To = true, p.said(audit.Words(c)), p.moment(c.From), p.moment(c.To)
	if c.From.IsZero() {
		f.From = moment{Text: p.t("now")}
	}
	f.Follows = p.t("What was worked out from these readings is worked out again. You can take it back later.")
	f.Button = p.t("Keep it")
	if c.Kind == sensor.Revoked {
		told, err := s.Actions.SensorChanges(r.Context())
		if err != nil {
			status, detail := s.failure(r, "list what was told of sensors", err)
			return &refusal{status, detail}
		}
		f.Button = p.t("Take it back")
		f.Follows = p.t("What was worked out from these readings is worked out again. To have it back, tell it again.")
		f.From = moment{}
		for _, t := range told {
			if t.Seq == c.Revokes {
				f.What += ": " + p.said(audit.Words(t))
			}
		}
	}
	values := url.Values{}
	for _, name := range sensorFields() {
		if v := f.Value[name]; v != "" {
			f.Hidden = append(f.Hidden, factView{name, v})
			values.Set(name, v)
		}
	}
	f.Edit = f.Action + "?" + values.Encode()
	return nil
}

// changeFrom reads a form. Who and which sensor stand elsewhere.
func (p *pageContext) changeFrom(act string, q url.Values) (c sensor.Change, no *refusal) {
	c = sensor.Change{Note: strings.TrimSpace(q.Get("note")), By: strings.TrimSpace(q.Get("by"))}
	instant := func(name string) (t time.Time) {
		if text := strings.TrimSpace(q.Get(name)); text != "" && no == nil {
			t, no = p.typedTime(name, text)
		}
		return t
	}
	c.From, c.To = instant("from"), instant("to")
	switch act {
	case actCalibrate:
		c.Kind, c.To, c.Due = sensor.Calibrated, time.Time{}, instant("due")
	case actCorrect:
		c.Kind = sensor.Corrected
	case actVoid:
		c.Kind = sensor.Voided
	case actSwap:
		c.Kind, c.To, c.New = sensor.Swapped, time.Time{}, strings.TrimSpace(q.Get("new"))
	case actPlace:
		c.Kind, c.Place, c.In = sensor.Placed, strings.TrimSpace(q.Get("place")), strings.TrimSpace(q.Get("in"))
	case actRevoke:
		seq, err := strconv.Atoi(q.Get("change"))
		if err != nil || seq < 1 {
			no = cmp.Or(no, &refusal{http.StatusUnprocessableEntity, p.t("Say which change is taken back.")})
		}
		return sensor.Change{Kind: sensor.Revoked, Revokes: seq, Note: c.Note, By: c.By}, no
	}
	if no == nil && (c.Kind == sensor.Corrected || c.Kind == sensor.Voided) {
		if c.To.IsZero() {
			c.To = p.now.UTC()
		}
		if no = begun(c.From); no == nil && !c.From.Before(c.To) {
			no = &refusal{http.StatusUnprocessableEntity, p.t("The time ends before it begins.")}
		}
	}
	if no == nil && (c.Kind == sensor.Calibrated || c.Kind == sensor.Corrected) {
		var by *Adjustment
		if by, no = p.adjustment(q, &c); no == nil {
			no = by.apply(&c)
		}
	}
	if what := q.Get("what"); no == nil && c.Kind == sensor.Voided && what != "" {
		quantity, err := unit.ParseQuantity(what)
		if err != nil {
			return c, &refusal{http.StatusUnprocessableEntity, err.Error()}
		}
		c.Quantity = &quantity
	}
	return c, no
}

// adjustment reads how readings are to be taken, and of what.
func (p *pageContext) adjustment(q url.Values, c *sensor.Change) (*Adjustment, *refusal) {
	var no *refusal
	number := func(name string) float64 {
		text := strings.TrimSpace(q.Get(name))
		if text == "" || no != nil {
			return 0
		}
		v, err := typedNumber(text)
		if err != nil {
			no = &refusal{http.StatusUnprocessableEntity, p.t("%s is not a number: write for example 0.4", strconv.Quote(shortText(text, 40)))}
		}
		return v
	}
	name, in, _ := strings.Cut(q.Get("what"), " ")
	quantity, err := unit.ParseQuantity(name)
	if err != nil {
		return nil, &refusal{http.StatusUnprocessableEntity, err.Error()}
	}
	c.Quantity = &quantity
	a := &Adjustment{Unit: in, Offset: number("offset"), Gain: number("gain")}
	for _, n := range []string{"1", "2"} {
		read, reference := strings.TrimSpace(q.Get("read"+n)), strings.TrimSpace(q.Get("true"+n))
		switch {
		case read == "" && reference == "":
		case read == "" || reference == "":
			no = cmp.Or(no, &refusal{http.StatusUnprocessableEntity, p.t("A comparison needs both: what the sensor read and what was true.")})
		default:
			a.Points = append(a.Points, sensor.Comparison{Reading: number("read" + n), Reference: number("true" + n)})
		}
	}
	return a, no
}

// typedNumber reads a number as people type it: with a point or a comma, and a
// minus of either kind.
func typedNumber(text string) (float64, error) {
	const longest = 32
	if len(text) > longest {
		return 0, errors.New("too long for a number")
	}
	text = strings.ReplaceAll(text, "−", "-")
	if strings.Count(text, ",") == 1 && !strings.Contains(text, ".") {
		text = strings.ReplaceAll(text, ",", ".")
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) || strings.ContainsAny(text, "xXpP_") {
		return 0, fmt.Errorf("%q is not a number", text)
	}
	return v, nil
}

// typedTime reads a time as a form of the page has it, in the zone of the site;
// a date is its midnight.
func (p *pageContext) typedTime(name, text string) (time.Time, *refusal) {
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04", time.DateOnly} {
		if t, err := time.ParseInLocation(layout, text, p.zone); err == nil {
			return t.UTC(), nil
		}
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t.UTC(), nil
	}
	return time.Time{}, &refusal{http.StatusUnprocessableEntity, name + ": " + p.t("%s is not a time: write 2026-07-11 or 2026-07-11T09:30", strconv.Quote(shortText(text, 40)))}
}

// shortText is the beginning of a text, of so many bytes.
func shortText(text string, most int) string {
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + "…"
}
