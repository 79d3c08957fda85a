package web

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"time"

	"dryhold/internal/engine"
)

// Examiner says how dryhold fares, beyond its checks.
type Examiner interface {
	Vitals(ctx context.Context) (Vitals, error)
}

type (
	// Vitals are the numbers behind the checks of health: the body of GET
	// /api/v1/vitals.
	Vitals struct {
		Version string    `json:"version"`
		Go      string    `json:"go_version"`
		Started time.Time `json:"started"`
		// Foods and Containers are the classes of the catalog.
		Foods      int `json:"catalog_food_classes"`
		Containers int `json:"catalog_container_classes"`

		Store  StoreVitals     `json:"store"`
		Disk   *DiskVitals     `json:"disk,omitempty"` // nil: not known
		Clock  ClockVitals     `json:"clock"`
		Broker BrokerVitals    `json:"broker"`
		Ways   []ChannelVitals `json:"notice_channels"`
		Export *ExportVitals   `json:"export,omitempty"` // nil: there is none
		Ping   *PingVitals     `json:"ping,omitempty"`   // nil: nobody is pinged
	}
	// StoreVitals is what is stored. The counts are at most a minute old.
	StoreVitals struct {
		Bytes      int64     `json:"bytes"`
		Schema     int64     `json:"schema_step"`
		Readings   int64     `json:"readings"`
		Open       int64     `json:"open_readings"` // of days not packed yet
		PackedDays int64     `json:"packed_days"`
		Series     int64     `json:"series"`
		Checked    time.Time `json:"checked,omitzero"` // all of it read and checked
		CheckTook  float64   `json:"check_seconds,omitempty"`
		Faults     []string  `json:"faults"`
		// Quarantined are the damaged days that were set aside, in words.
		Quarantined []string      `json:"quarantined_days"`
		Backup      *BackupVitals `json:"last_backup,omitempty"` // nil: none is known
	}
	// BackupVitals is the newest backup made of these data.
	BackupVitals struct {
		At       time.Time `json:"at"`
		File     string    `json:"file"`
		Bytes    int64     `json:"bytes"`
		Readings int64     `json:"readings"`
	}
	// DiskVitals is the space where the data are.
	DiskVitals struct {
		Free  uint64 `json:"free_bytes"`
		Total uint64 `json:"total_bytes"`
	}
	// ClockVitals says whether the time is believed.
	ClockVitals struct {
		Trusted bool `json:"trusted"`
		// Synced says that a time server has set the machine's clock.
		Synced bool      `json:"synchronized"`
		Step   float64   `json:"last_step_seconds,omitempty"`
		StepAt time.Time `json:"last_step_at,omitzero"`
	}
	// BrokerVitals is the way by which readings come.
	BrokerVitals struct {
		URL       string  `json:"url"`
		Embedded  bool    `json:"embedded"`
		PerMinute float64 `json:"messages_per_minute"` // in the last minute
		Waiting   int     `json:"waiting"`             // messages received and not looked at
		Pending   int     `json:"unacknowledged"`
		Dropped   int64   `json:"dropped_at_qos_0"`
	}
	// ChannelVitals is one way to people.
	ChannelVitals struct {
		Channel     string    `json:"channel"`
		Waiting     int       `json:"waiting"`
		LastSuccess time.Time `json:"last_delivered,omitzero"` // since the start
		Failures    int       `json:"failures_in_a_row"`
		LastError   string    `json:"last_error,omitempty"`
		Refused     int       `json:"refused"`
	}
	// ExportVitals is the export to a server.
	ExportVitals struct {
		Delivered uint64  `json:"points_delivered"`
		Dropped   uint64  `json:"points_dropped"`
		Behind    float64 `json:"behind_seconds"` // age of the oldest point not sent
		Failures  int     `json:"failures_in_a_row"`
		LastError string  `json:"last_error,omitempty"`
	}
	// PingVitals is the ping by which somebody elsewhere knows that dryhold
	// lives.
	PingVitals struct {
		Answered time.Time `json:"last_answered,omitzero"`
		Failures int       `json:"failures_in_a_row"`
		Withheld bool      `json:"withheld"` // since something urgent is amiss
	}
)

func (s *server) routeHealth(mux *http.ServeMux) {
	route(mux, "/health", methods{http.MethodGet: s.getHealthPage})
	route(mux, "/api/v1/vitals", methods{http.MethodGet: s.getVitals})
}

func (s *server) getVitals(w http.ResponseWriter, r *http.Request) {
	v, err := s.Actions.Vitals(r.Context())
	if err != nil {
		status, detail := s.failure(r, "look how dryhold fares", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, v)
}

type (
	healthView struct {
		Checks  []healthRow
		Problem string
		Intake  []factView
		Errors  []errorView
		Parts   []healthPart
	}
	healthRow struct {
		Code, Title, Text string
		Sight             sight
		Since             moment
		Age               string
	}
	// healthPart is a heading with its facts.
	healthPart struct {
		ID, Head string
		Facts    []healthFact
		Rows     []string // what is to be read whole
	}
	healthFact struct {
		Name, Value string
		At          moment
		Sight       *sight
	}
)

// backupOld is how old the newest backup may be until the page marks it
// (judgement): a month of readings is what one would miss least gladly.
const backupOld = 31 * 24 * time.Hour

func (s *server) getHealthPage(w http.ResponseWriter, r *http.Request) {
	p, snap := s.words(r), s.Snapshot()
	checks := s.healthNow().Checks
	v, failing := healthView{}, 0
	for _, c := range checks {
		row := healthRow{Code: c.Code, Title: c.Title, Text: c.Text, Sight: okSight(p.t("ok")), Since: p.moment(c.Since), Age: p.ago(p.now.Sub(c.Since))}
		if !c.OK {
			failing++
			row.Sight = heldSight(p.t("not ok"))
			if c.Urgent {
				row.Sight = overSight(p.t("not ok, urgent"))
			}
		}
		v.Checks = append(v.Checks, row)
	}
	slices.SortStableFunc(v.Checks, func(a, b healthRow) int { return rankOf(a.Sight) - rankOf(b.Sight) })
	well := okSight(p.t("dryhold itself is well"))
	switch {
	case failing > 0:
		well = overSight(p.tn("%d check fails", "%d checks fail", failing))
	case len(checks) == 0:
		well = unknownSight(p.t("nothing is checked"))
	}
	head := page{Name: "health page", Head: p.t("Health"), Here: "/health", Sight: &well, Reload: true,
		Data: []link{{Text: p.t("checks"), URL: "/healthz"}, {Text: p.t("numbers"), URL: "/api/v1/vitals"}, {Text: p.t("metrics"), URL: "/metrics"}}}
	x, err := s.Actions.Vitals(r.Context())
	if err != nil {
		_, v.Problem = s.failure(r, "look how dryhold fares", err)
	} else {
		v.Parts = p.vitals(x, snap)
	}
	if snap != nil {
		head.At, head.Age = p.moment(snap.At), p.ago(p.now.Sub(snap.At))
		v.Errors = p.intakeErrors(snap.Intake)
	}
	s.writePage(w, r, http.StatusOK, head, v)
}

// rankOf puts what fails first, the urgent before the rest.
func rankOf(s sight) int { return slices.Index([]string{"over", "held", "ok"}, s.Class) }

func (p *pageContext) intakeErrors(in engine.IntakeView) (out []errorView) {
	for _, e := range in.Errors {
		out = append(out, errorView{e.Topic, e.Cause, e.Last, p.grouped(e.Count), p.moment(e.At)})
	}
	return out
}

// vitals turns the numbers into words.
func (p *pageContext) vitals(x Vitals, snap *engine.Snapshot) []healthPart {
	parts := []healthPart{p.intakeVitals(x.Broker, snap), p.storeVitals(x.Store), p.machineVitals(x), p.noticeVitals(x)}
	if e := x.Export; e != nil {
		part := healthPart{ID: "export", Head: p.t("Export"), Facts: []healthFact{
			{Name: p.t("Points delivered since the start"), Value: p.grouped(e.Delivered)},
			{Name: p.t("Oldest point not sent"), Value: p.orNone(e.Behind > 0, p.silence(e.Behind))},
			{Name: p.t("Points given up"), Value: p.grouped(e.Dropped)},
		}}
		if e.Failures > 0 {
			part.Rows = []string{e.LastError}
		}
		parts = append(parts, part)
	}
	return append(parts, healthPart{ID: "versions", Head: p.t("Versions"), Facts: []healthFact{
		{Name: "dryhold", Value: x.Version}, {Name: "Go", Value: strings.TrimPrefix(x.Go, "go")},
		{Name: p.t("Schema of the store"), Value: p.number(float64(x.Store.Schema), 0)},
		{Name: p.t("Catalog"), Value: p.t("%d foods, %d containers", x.Foods, x.Containers)},
		{Name: p.t("Running since"), At: p.moment(x.Started), Value: p.span(p.now.Sub(x.Started))},
	}})
}

// orNone is a text where there is something to say.
func (p *pageContext) orNone(some bool, text string) string {
	if !some {
		return p.t("none")
	}
	return text
}

func (p *pageContext) intakeVitals(b BrokerVitals, snap *engine.Snapshot) healthPart {
	part := healthPart{ID: "intake", Head: p.t("Intake")}
	add := func(name, value string) { part.Facts = append(part.Facts, healthFact{Name: name, Value: value}) }
	whose := b.URL
	if b.Embedded {
		whose = p.t("%s, the one inside dryhold", b.URL)
	}
	add(p.t("Broker"), whose)
	if snap != nil {
		link := unknownSight(p.t("not connected"))
		if snap.Intake.Connected {
			link = okSight(p.t("connected"))
		}
		part.Facts = append(part.Facts, healthFact{Name: p.t("Connection"), Sight: &link})
	}
	add(p.t("Messages in the last minute"), p.number(b.PerMinute, 0))
	if snap != nil {
		in := snap.Intake
		add(p.t("Messages since the start"), p.grouped(in.Messages))
		add(p.t("Readings stored since the start"), p.grouped(in.Stored))
		add(p.t("Readings that came twice"), p.grouped(in.Duplicates))
		part.Facts = append(part.Facts, healthFact{Name: p.t("Last reading stored"), At: p.moment(in.LastStored), Value: p.ago(p.now.Sub(in.LastStored))})
		if in.LastStored.IsZero() {
			part.Facts[len(part.Facts)-1].Value = ""
		}
	}
	add(p.t("Waiting to be looked at"), p.grouped(uint64(max(0, b.Waiting))))
	add(p.t("Not acknowledged yet"), p.grouped(uint64(max(0, b.Pending))))
	add(p.t("Dropped at QoS 0"), p.grouped(uint64(max(0, b.Dropped))))
	return part
}

func (p *pageContext) storeVitals(x StoreVitals) healthPart {
	count := func(n int64) string { return p.grouped(uint64(max(0, n))) }
	part := healthPart{ID: "store", Head: p.t("Store"), Facts: []healthFact{
		{Name: p.t("Size"), Value: p.bytes(uint64(max(0, x.Bytes)))},
		{Name: p.t("Readings"), Value: count(x.Readings)},
		{Name: p.t("Of these in days not packed yet"), Value: count(x.Open)},
		{Name: p.t("Packed days"), Value: p.t("%s, of %s series", count(x.PackedDays), count(x.Series))},
	}}
	whole := unknownSight(p.t("not checked in full yet"))
	switch {
	case len(x.Faults) > 0:
		whole = overSight(p.t("damaged"))
	case !x.Checked.IsZero():
		whole = okSight(p.t("whole, checked %s", p.ago(p.now.Sub(x.Checked))))
	}
	aside := okSight(p.t("none"))
	if n := len(x.Quarantined); n > 0 {
		aside = heldSight(p.tn("%d damaged day", "%d damaged days", n))
	}
	backup := heldSight(p.t("none is known: `dryhold backup` makes one"))
	if b := x.Backup; b != nil {
		if backup = okSight(p.ago(p.now.Sub(b.At))); p.now.Sub(b.At) > backupOld {
			backup = heldSight(p.ago(p.now.Sub(b.At)))
		}
		backup.Word += ", " + p.t("%s readings in %s", count(b.Readings), b.File)
	}
	part.Facts = append(part.Facts, healthFact{Name: p.t("Integrity"), Sight: &whole}, healthFact{Name: p.t("Set aside"), Sight: &aside}, healthFact{Name: p.t("Last backup"), Sight: &backup},
		healthFact{Name: p.t("All data as open files"), Value: p.t("`dryhold export FOLDER` writes them, also while the daemon runs")})
	part.Rows = append(slices.Clone(x.Faults), x.Quarantined...)
	return part
}

func (p *pageContext) machineVitals(x Vitals) healthPart {
	part := healthPart{ID: "machine", Head: p.t("Machine")}
	space := healthFact{Name: p.t("Disk"), Value: p.t("not known")}
	if d := x.Disk; d != nil {
		space.Value = p.t("%s free of %s", p.bytes(d.Free), p.bytes(d.Total))
	}
	clock := overSight(p.t("not trusted"))
	if x.Clock.Trusted {
		clock = okSight(p.t("trusted"))
	}
	set := p.t("by hand or not known")
	if x.Clock.Synced {
		set = p.t("by a time server")
	}
	part.Facts = []healthFact{space, {Name: p.t("Clock"), Sight: &clock}, {Name: p.t("Clock set"), Value: set}}
	if !x.Clock.StepAt.IsZero() {
		part.Facts = append(part.Facts, healthFact{Name: p.t("Last step of the clock"), Value: p.t("%s s", p.number(x.Clock.Step, 0)), At: p.moment(x.Clock.StepAt)})
	}
	return part
}

func (p *pageContext) noticeVitals(x Vitals) healthPart {
	part := healthPart{ID: "notices", Head: p.t("Notices")}
	for _, c := range x.Ways {
		look := okSight(p.t("ready, %d waiting", c.Waiting))
		switch {
		case c.Failures > 0:
			look = heldSight(p.tn("%d attempt failed, %d waiting", "%d attempts in a row failed, %d waiting", c.Failures, c.Waiting))
			part.Rows = append(part.Rows, c.Channel+": "+c.LastError)
		case !c.LastSuccess.IsZero():
			look = okSight(p.t("last delivered %s, %d waiting", p.ago(p.now.Sub(c.LastSuccess)), c.Waiting))
		}
		part.Facts = append(part.Facts, healthFact{Name: c.Channel, Sight: &look})
		if c.Refused > 0 {
			part.Facts = append(part.Facts, healthFact{Name: p.t("%s, refused for good", c.Channel), Value: p.grouped(uint64(c.Refused))})
		}
	}
	if h := x.Ping; h != nil {
		look := unknownSight(p.t("not asked yet"))
		switch {
		case h.Failures > 0:
			look = heldSight(p.tn("%d ping not answered", "%d pings in a row not answered", h.Failures))
		case h.Withheld:
			look = heldSight(p.t("withheld while something urgent is amiss"))
		case !h.Answered.IsZero():
			look = okSight(p.t("answered %s", p.ago(p.now.Sub(h.Answered))))
		}
		part.Facts = append(part.Facts, healthFact{Name: p.t("Heartbeat"), Sight: &look})
	}
	return part
}

// bytes is a size of what is stored.
func (p *pageContext) bytes(n uint64) string {
	const kib = 1 << 10
	switch v := float64(n); {
	case n < kib:
		return p.number(v, 0) + " B"
	case n < kib*kib:
		return p.number(v/kib, 0) + " KiB"
	case n < kib*kib*kib:
		return p.number(v/kib/kib, 1) + " MiB"
	default:
		return p.number(v/kib/kib/kib, 1) + " GiB"
	}
}
