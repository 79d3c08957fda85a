package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"dryhold/internal/alarm"
	"dryhold/internal/engine"
	"dryhold/internal/health"
	"dryhold/internal/web"
	"dryhold/internal/wire"
)

// lately is how far back what could not be read counts as a fault of now.
const lately = 24 * time.Hour

// askDaemon asks the running daemon how it is; false where none answers.
func (x *examination) askDaemon(ctx context.Context) (running bool, err error) {
	const area, title = "daemon", "The daemon answers"
	k := newClient(x.URL)
	var s web.StatusAnswer
	err = k.do(ctx, http.MethodGet, "/api/v1/status", nil, &s)
	var no refusal
	switch {
	case errors.As(err, new(usageError)):
		return false, err
	case errors.As(err, &no) && (no.status == http.StatusUnauthorized || no.status == http.StatusForbidden):
		x.add(health.Unsure(area, title, "it is there, and asks who is: "+no.detail, "Give --token-file with a token that may read (dryhold token)."))
		return true, nil
	case errors.As(err, &no):
		x.add(health.Ill(area, title, "it is there, and says: "+no.detail, "If it is starting, wait; else see its log: journalctl -u dryhold."))
		return true, nil
	case err != nil:
		x.add(health.Ill(area, title, err.Error(), "Start it (systemctl start dryhold, or dryhold run), or say with --url where it is. If it does not stay: journalctl -u dryhold says why."))
		return false, nil
	}
	x.add(health.Fine(area, title, "version "+s.Version))
	if own := version(); own != s.Version && x.here() {
		x.add(health.Ill(area, "The daemon is of this version", "it is "+s.Version+", and this command "+own, "Restart it: systemctl restart dryhold"))
	}
	for _, c := range s.Health.Checks {
		f := health.Fine(areaOf(c.Code), c.Title, c.Text)
		if !c.OK {
			f = health.Ill(f.Area, c.Title, c.Text, remedyOf(c.Code))
		}
		x.add(f)
	}
	if s.Snapshot != nil {
		x.add(sensorFindings(s.Snapshot)...)
	}
	var v web.Vitals
	if err := k.do(ctx, http.MethodGet, "/api/v1/vitals", nil, &v); err != nil {
		x.add(health.Unsure(area, "The daemon tells its numbers", err.Error(), "See its log: journalctl -u dryhold."))
		return true, nil
	}
	x.add(vitalFindings(v, x.Config != "")...)
	return true, nil
}

// here reports that the daemon runs on this machine.
func (x *examination) here() bool {
	u, err := url.Parse(x.URL)
	return err == nil && thisMachine(u.Hostname())
}

// vitalFindings are of the numbers behind the checks. What this machine sees for
// itself is left to it.
func vitalFindings(v web.Vitals, probed bool) []health.Finding {
	var out []health.Finding
	if v.Broker.Dropped > 0 {
		out = append(out, health.Ill("broker", "No message is dropped", fmt.Sprintf("%d at QoS 0 were dropped since the start, since they came faster than they could be kept", v.Broker.Dropped), "Have sensors publish at QoS 1: the broker then waits."))
	}
	if probed {
		return out
	}
	if !v.Clock.Synced {
		out = append(out, health.Unsure("clock", "A time server sets the clock", "its machine does not say so", "Switch synchronisation on there: timedatectl set-ntp true."))
	}
	if b := v.Store.Backup; b != nil {
		out = append(out, health.Fine("store", "There is a backup", fmt.Sprintf("%s, made %s, with %d readings", b.File, stamp(b.At), b.Readings)))
	} else {
		out = append(out, health.Unsure("store", "There is a backup", "none is known", "dryhold backup FILE, with FILE on another disk; or name a folder under backup in the configuration, and dryhold makes them by itself."))
	}
	return out
}

// sensorFindings say which rooms and sensors are not heard, which are at fault,
// and what came that could not be used.
func sensorFindings(s *engine.Snapshot) []health.Finding {
	const area = "sensors"
	out := []health.Finding{}
	silent, in := 0, 0
	for _, r := range s.Rooms {
		if newest(r).IsZero() {
			out = append(out, health.Ill(area, "Room "+r.Name+" is heard", "nothing ever came from it", "See on the page /topics what arrives, and whether topics and sensors of the configuration lead it into this room."))
		}
	}
	for _, v := range s.Sensors {
		if v.State == engine.Retired {
			continue
		}
		in++
		name := v.Room + "/" + v.Name
		if v.Silent || v.LastSeen.IsZero() {
			silent++
			out = append(out, health.Ill(area, "Sensor "+name+" is heard", "last heard: "+age(v.LastSeen, s.At)+", while it may be silent for "+span(v.StaleSeconds), "See its battery, its radio and its gateway. If it was replaced: dryhold sensors swap "+name+". If it sends seldom: give it a stale limit under sensors."))
		}
		for _, f := range v.Faults {
			if f.Kind != alarm.Silent {
				out = append(out, health.Ill(area, "Sensor "+name+" can be believed", web.FaultWord(f.Kind)+" since "+stamp(f.Since)+": "+f.Text, "Compare it with another beside it; then dryhold sensors calibrate, void or swap "+name+"."))
			}
		}
		for _, k := range v.Calibrations {
			if k.Overdue {
				out = append(out, health.Ill(area, "Sensor "+name+" is calibrated", k.Quantity.String()+" was due "+day10(k.Due), "dryhold sensors calibrate "+name+" --help"))
			}
		}
	}
	switch {
	case in == 0:
		out = append(out, health.Ill(area, "Sensors are heard", "none was ever heard", "Publish a reading (dryhold run says how), or see on the page /topics what arrives, and map it."))
	case silent == 0:
		out = append(out, health.Fine(area, "Sensors are heard", fmt.Sprintf("%d, each within its limit", in)))
	}
	return append(out, unusedFindings(s)...)
}

// span is a number of seconds as a time span.
func span(seconds float64) string {
	text := (time.Duration(seconds) * time.Second).String()
	return strings.TrimSuffix(strings.TrimSuffix(text, "0s"), "0m")
}

// unusedFindings has one finding for each cause for which messages of late could
// not be used.
func unusedFindings(s *engine.Snapshot) []health.Finding {
	type cause struct {
		count uint64
		last  engine.TopicErrors
	}
	causes, order := map[string]*cause{}, []string{}
	for _, e := range s.Intake.Errors {
		if s.At.Sub(e.At) > lately {
			continue
		}
		c := causes[e.Cause]
		if c == nil {
			c = &cause{}
			causes[e.Cause], order = c, append(order, e.Cause)
		}
		if c.count += e.Count; e.At.After(c.last.At) {
			c.last = e
		}
	}
	var out []health.Finding
	for _, name := range order {
		c := causes[name]
		found := fmt.Sprintf("%d since the start (%s), the last on %q: %s", c.count, name, c.last.Topic, c.last.Last)
		f := health.Ill("sensors", "All that arrives can be read", found, "See on the page /topics what arrives there, and correct its mapping under topics.")
		switch wire.Cause(name) {
		case wire.FromFuture, wire.TooOld, wire.BadTime:
			f.Title, f.Remedy = "Clocks of sensors are right", "Set the clock of the sensor or its gateway by a time server; or leave its time out of the mapping, and the time of receipt is taken."
		case wire.NotMapped:
			f.State, f.Remedy = health.Unknown, "If it is wanted, map it (the page /topics proposes how); else let topics match less."
		case "not let in":
			f.Title, f.Remedy = "Sensors log in to the broker", "Give the sensor the name and password that stand under broker.embedded.users."
		case "not allowed":
			f.Title, f.Remedy = "Sensors keep to their topics", "Let the sensor publish below its own name, or name its topics under publish of its user."
		}
		out = append(out, f)
	}
	return out
}

// areaOf is where a check of health belongs.
func areaOf(code string) string {
	word, _, _ := strings.Cut(code, "-")
	switch word {
	case "intake", "alone", "share":
		return "broker"
	case "flood":
		return "sensors"
	case "store", "integrity", "backup":
		return "store"
	case "clock", "disk":
		return word
	case "notices", "ping":
		return "people"
	case "export", "alertmanager", "hub":
		return "exports"
	case "certificate":
		return "certificates"
	case "configuration", "open":
		return "configuration"
	}
	return "daemon"
}

// remedyOf is what to do about a check of health that is not OK, beside what its
// own text says.
func remedyOf(code string) string {
	word, of, _ := strings.Cut(code, "-")
	switch word {
	case "intake":
		return "See that the broker runs (systemctl status mosquitto) and that address, user and password under broker are right. Readings at QoS 1 wait there."
	case "alone", "share":
		return "Give each daemon at a broker a client_id and a root of its own."
	case "flood":
		return "Have the sensor send less often: one reading a minute is plenty."
	case "store":
		return "Make room on the disk and see that it can be written; it goes on by itself."
	case "integrity":
		return "dryhold restore BACKUP --force with the newest backup, while the daemon is stopped."
	case "backup":
		return "Do what it says; the next attempt comes by itself. Meanwhile: dryhold backup FILE, with FILE on another disk."
	case "disk":
		return "Delete or move what is not needed on that disk."
	case "clock":
		return "timedatectl set-ntp true, or timedatectl set-time."
	case "notices":
		return strings.TrimSuffix("See what waits and why (dryhold notices --undelivered), mend it, and try it: dryhold notices test --channel "+of, " --channel ")
	case "ping":
		return "See that the address in notify.ping_url_file is right and that this machine reaches it."
	case "export":
		return "See that the server runs, and url, org, bucket and token under influx. Nothing is lost meanwhile, up to the age keep."
	case "alertmanager":
		return "See that the alert router runs, and url and token under alertmanager."
	case "hub":
		return "Grant the broker's user writing below discovery_prefix and homie."
	case "certificate":
		return "Renew the certificate; it is taken up without a restart."
	case "configuration":
		return "dryhold check --config FILE lists the mistakes; mend them, then systemctl reload dryhold."
	case "open":
		return "Give http users and tls, and broker.embedded users and tls; or let them listen on 127.0.0.1 alone."
	}
	return "See the log (journalctl -u dryhold); restart it if it stays so."
}
