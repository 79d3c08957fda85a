package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"dryhold/internal/audit"
	"dryhold/internal/engine"
	"dryhold/internal/sensor"
)

func (s *server) routeSensorPages(mux *http.ServeMux) {
	route(mux, "/sensors", methods{http.MethodGet: s.getSensorsPage})
	route(mux, "/sensors/{room}/{sensor}", methods{http.MethodGet: s.getSensorPage})
	route(mux, "/sensors/{room}/{sensor}/{act}", methods{http.MethodGet: s.getSensorForm, http.MethodPost: s.postSensorForm})
}

type (
	// sensorsView is the page of all sensors.
	sensorsView struct {
		Sensors []sensorRow
		Retired []link
		Devices []deviceRow
		Known   []knownRow
	}
	// deviceRow is what a device says of itself.
	deviceRow struct {
		Device, Of, URL string
		State           sight
		Heard           moment
	}
	// knownRow is a retained value of unknown age.
	knownRow struct{ Name, Room, Quantity, Value string }
	// sensorPage is the page of one sensor.
	sensorPage struct {
		sensorRow
		Kept    string // what was just told
		Place   string
		Devices []deviceRow
		Known   []knownRow
		Acts    []link
		Told    []toldRow
		More    string // leads to what was told before
	}
	// toldRow is something that was told of a sensor.
	toldRow struct {
		Seq        int
		What, Old  string
		From, Told moment
		By, Why    string
		Revoke     string // leads to the form that takes it back
		RevokedBy  int
	}
)

// toldMost bounds what is listed on the page of a sensor.
const toldMost = 50

func (s *server) getSensorsPage(w http.ResponseWriter, r *http.Request) {
	p, snap := s.words(r), s.Snapshot()
	if snap == nil {
		s.writeStarting(w, r, "/sensors")
		return
	}
	v := sensorsView{Devices: p.devices(snap.Intake.Devices), Known: p.known(snap.Intake.LastKnown)}
	silent, faulty, speaking := 0, 0, 0
	for _, x := range snap.Sensors {
		if x.State == engine.Retired {
			v.Retired = append(v.Retired, link{Text: x.Room + "/" + x.Name, URL: sensorURL(x.Room, x.Name)})
			continue
		}
		if v.Sensors = append(v.Sensors, p.sensor(x)); x.Silent || x.State == engine.Awaited {
			silent++
		} else {
			speaking++
		}
		if len(x.Faults) > 0 {
			faulty++
		}
	}
	state := okSight(p.tn("%d sensor, it reports", "%d sensors, all report", len(v.Sensors)))
	switch {
	case len(v.Sensors) == 0:
		state = unknownSight(p.t("no sensor has reported yet"))
	case silent > 0:
		state = unknownSight(p.t("%s not heard, %s reporting", p.grouped(uint64(silent)), p.grouped(uint64(speaking))))
	case faulty > 0:
		state = overSight(p.tn("%d sensor has a fault", "%d sensors have a fault", faulty))
	}
	s.writePage(w, r, http.StatusOK, page{
		Name: "sensors page", Head: p.t("Sensors"), Here: "/sensors", At: p.moment(snap.At), Age: p.ago(p.now.Sub(snap.At)), Sight: &state, Reload: true,
		Data: []link{{Text: p.t("sensors and what was told of them"), URL: "/api/v1/sensors"}},
	}, v)
}

// writeStarting answers while there is no state yet.
func (s *server) writeStarting(w http.ResponseWriter, r *http.Request, here string) {
	w.Header().Set("Retry-After", "5")
	p := s.words(r)
	s.writePage(w, r, http.StatusServiceUnavailable, page{Name: "failed", Head: p.t("Starting"), Here: here, Reload: true},
		struct{ Problem, Back string }{p.t("There is no state yet: dryhold is still reading its store."), here})
}

func (p *pageContext) devices(all []engine.DeviceView) (out []deviceRow) {
	for _, d := range all {
		row := deviceRow{Device: d.Device, Heard: p.moment(d.Heard), State: okSight(d.State)}
		switch {
		case d.Gone:
			row.State = unknownSight(d.State)
		case d.State != "ready":
			row.State = heldSight(d.State)
		}
		if d.Room != "" && d.Sensor != "" {
			row.Of, row.URL = d.Room+"/"+d.Sensor, sensorURL(d.Room, d.Sensor)
		}
		out = append(out, row)
	}
	return out
}

func (p *pageContext) known(all []engine.LastKnown) (out []knownRow) {
	for _, k := range all {
		out = append(out, knownRow{k.Sensor, k.Room, p.quantity(k.Quantity), p.reading(k.Quantity, k.Value)})
	}
	return out
}

// sensorOf finds the sensor of a path, and answers where there is none.
func (s *server) sensorOf(w http.ResponseWriter, r *http.Request) (engine.SensorView, bool) {
	snap, room, name := s.Snapshot(), r.PathValue("room"), r.PathValue("sensor")
	if snap == nil {
		s.writeStarting(w, r, "/sensors")
		return engine.SensorView{}, false
	}
	i := slices.IndexFunc(snap.Sensors, func(v engine.SensorView) bool { return v.Room == room && v.Name == name })
	if i < 0 {
		p := s.words(r)
		s.writePage(w, r, http.StatusNotFound, page{Name: "failed", Head: p.t("No such sensor"), Here: "/sensors", Narrow: true},
			struct{ Problem, Back string }{p.t("No sensor %s was ever heard in room %s.", name, room), "/sensors"})
		return engine.SensorView{}, false
	}
	return snap.Sensors[i], true
}

func (s *server) getSensorPage(w http.ResponseWriter, r *http.Request) {
	x, ok := s.sensorOf(w, r)
	if !ok {
		return
	}
	p, snap := s.words(r), s.Snapshot()
	told, err := s.Actions.SensorChanges(r.Context())
	if err != nil {
		status, detail := s.failure(r, "list what was told of sensors", err)
		s.writeFailed(w, r, status, p.t("No history"), detail)
		return
	}
	v := sensorPage{sensorRow: p.sensor(x), Acts: p.sensorActs(x)}
	v.Devices = slices.DeleteFunc(p.devices(snap.Intake.Devices), func(d deviceRow) bool { return d.URL != v.URL })
	v.Known = slices.DeleteFunc(p.known(snap.Intake.LastKnown), func(k knownRow) bool { return k.Room != x.Room || k.Name != x.Name })
	v.Told = p.told(told, x)
	if len(v.Told) > toldMost {
		v.Told, v.More = v.Told[:toldMost], "/audit?"+url.Values{"kind": {string(audit.Sensor)}, "of": {x.Room + "/" + x.Name}}.Encode()
	}
	if kept, err := strconv.Atoi(r.URL.Query().Get("kept")); err == nil {
		if i := slices.IndexFunc(v.Told, func(t toldRow) bool { return t.Seq == kept }); i >= 0 {
			v.Kept = v.Told[i].What
		}
	}
	s.writePage(w, r, http.StatusOK, page{
		Name: "sensor page", Head: x.Name, ID: x.Room, Here: "/sensors", At: p.moment(snap.At), Age: p.ago(p.now.Sub(snap.At)), Sight: &v.State,
		Data: []link{{Text: p.t("sensors and what was told of them"), URL: "/api/v1/sensors"}},
	}, v)
}

// told lists what was told of one sensor, or led to it, the newest first.
func (p *pageContext) told(told []sensor.Change, x engine.SensorView) (out []toldRow) {
	revoked := revokedBy(told)
	acts := audit.Sensors(told) // one for each change, in its order
	for i := len(told) - 1; i >= 0; i-- {
		c, a := told[i], acts[i]
		if a.Of != x.Room+"/"+x.Name && (c.Kind != sensor.Swapped || c.Room != x.Room || c.New != x.Name) {
			continue
		}
		row := toldRow{Seq: c.Seq, What: p.said(a.What), Old: p.said(a.Old), From: p.moment(a.At), Told: p.moment(a.Told), By: a.By, Why: a.Why, RevokedBy: revoked[c.Seq]}
		if a.Of != x.Room+"/"+x.Name {
			row.What = p.t("takes the place of %s", c.Sensor)
		}
		if c.Kind != sensor.Revoked && row.RevokedBy == 0 {
			row.Revoke = sensorURL(x.Room, x.Name) + "/revoke?change=" + strconv.Itoa(c.Seq)
		}
		out = append(out, row)
	}
	return out
}

// sensorActs lead to what can be told of a sensor.
func (p *pageContext) sensorActs(x engine.SensorView) []link {
	if x.State == engine.Retired {
		return nil
	}
	at := sensorURL(x.Room, x.Name) + "/"
	return []link{
		{Text: p.t("Calibrate"), URL: at + actCalibrate}, {Text: p.t("Swap the device"), URL: at + actSwap},
		{Text: p.t("Void readings"), URL: at + actVoid}, {Text: p.t("Correct readings"), URL: at + actCorrect},
		{Text: p.t("Carry it to another place"), URL: at + actPlace},
	}
}
