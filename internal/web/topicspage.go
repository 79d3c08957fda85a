package web

import (
	"cmp"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

type (
	// topicsView is the page of what arrives.
	topicsView struct {
		Problem    string
		User       string
		Looking    bool
		Any        bool // there is something to show, or was
		State      sight
		Counts     string
		Narrow     bool
		Find       string // what the topics shown have in them
		More       string
		Topics     []topicRow
		Every      int // s, between two looks of the script
		Pause, Run string
	}
	topicRow struct {
		Topic, Payload       string
		Binary, Cut          bool
		Size, Count, Every   string
		Kept                 bool
		Last                 moment
		Age                  string
		State                sight
		Problem, Says        string
		Announced            string
		Of                   []link // sensors
		Values, URL, Pattern string
	}
	// proposalView is the page of one proposal.
	proposalView struct {
		TopicProposal
		Shown   string
		Times   []choice // formats
		Rows    []valueRow
		Reads   []string
		HasTime bool
		Scales  bool
	}
	valueRow struct {
		Path, Raw, Scale string
		Choices          []choice
	}
)

// topicsShown bounds the topics of one page; those beyond are found by a word.
const topicsShown = 200

// topicsEvery is how often the script of the page asks again, in seconds.
const topicsEvery = 3

func (s *server) getTopicsPage(w http.ResponseWriter, r *http.Request) {
	s.topicsPage(w, r, http.StatusOK, "")
}

func (s *server) topicsPage(w http.ResponseWriter, r *http.Request, status int, problem string) {
	p := s.words(r)
	x, err := s.Actions.Topics(r.Context())
	if err != nil {
		status, problem = s.failure(r, "show what arrives", err)
	}
	v := topicsView{
		Problem: problem, User: userOf(r), Looking: x.Looking, Any: !x.Began.IsZero(), Narrow: x.MappedOnly,
		Find: strings.TrimSpace(shortText(r.URL.Query().Get("find"), mostTopic)), Every: topicsEvery, Pause: p.t("Hold still"), Run: p.t("Go on"),
	}
	switch {
	case x.Looking:
		v.State = okSight(p.t("looking until %s", p.moment(x.Until).Text))
	case x.Why != "":
		v.State = overSight(p.t("ended %s: %s", p.ago(p.now.Sub(x.Ended)), x.Why))
	case v.Any:
		v.State = heldSight(p.t("ended %s", p.ago(p.now.Sub(x.Ended))))
	}
	v.Counts = p.t("%s messages on %s topics", p.grouped(x.Messages), p.grouped(uint64(len(x.Topics))))
	if x.Elsewhere > 0 {
		v.Counts += "; " + p.t("%s messages on further topics, which are not kept", p.grouped(x.Elsewhere))
	}
	refused := map[string]string{}
	if snap := s.Snapshot(); snap != nil {
		for _, e := range snap.Intake.Errors {
			refused[e.Topic] = e.Cause + ": " + e.Last
		}
	}
	left := 0
	for _, t := range x.Topics {
		if v.Find != "" && !strings.Contains(strings.ToLower(t.Topic), strings.ToLower(v.Find)) {
			continue
		}
		if len(v.Topics) >= topicsShown {
			left++
			continue
		}
		v.Topics = append(v.Topics, p.topic(t, refused[t.Topic]))
	}
	if left > 0 {
		v.More = p.tn("%d topic more: narrow the list by a word of the topic.", "%d topics more: narrow the list by a word of the topic.", left)
	}
	s.writePage(w, r, status, page{
		Name: "topics page", Head: p.t("What arrives on the broker"), Here: "/sensors", Reload: x.Looking, Scripts: []string{"topics.js"},
		Data: []link{{Text: p.t("topics"), URL: topicsPath}},
	}, v)
}

// topic is one topic in words. Refused is why the intake did not take what came
// on it, which the decoder alone does not know.
func (p *pageContext) topic(t TopicView, refused string) topicRow {
	row := topicRow{
		Topic: t.Topic, Payload: shortText(t.Payload, 400), Binary: t.Binary, Cut: t.Cut || len(t.Payload) > 400, Size: p.bytes(uint64(t.Bytes)), Count: p.grouped(t.Count),
		Kept: t.Retained, Last: p.moment(t.Last), Age: p.ago(p.now.Sub(t.Last)), Problem: t.Problem, Says: t.Says, Announced: t.Announced, Pattern: t.Pattern,
	}
	if t.Every > 0 {
		row.Every = p.t("about every %s", p.interval(t.Every))
	}
	var values []string
	for _, x := range t.Readings {
		to := link{Text: x.Room + "/" + x.Sensor, URL: sensorURL(x.Room, x.Sensor)}
		if !slices.Contains(row.Of, to) {
			row.Of = append(row.Of, to)
		}
		values = append(values, p.quantity(x.Quantity)+" "+p.reading(x.Quantity, x.Value))
	}
	row.Values = strings.Join(values, ", ")
	switch {
	case len(t.Readings) > 0 && t.Problem == "":
		row.State = okSight(p.t("read"))
		if refused != "" {
			row.State, row.Problem = heldSight(p.t("read, and not always taken")), refused
		}
	case len(t.Readings) > 0:
		row.State = heldSight(p.t("read in part"))
	case t.Problem != "":
		row.State = overSight(p.t("not read"))
	case t.Says != "":
		row.State = okSight(p.t("understood"))
	default:
		row.State = unknownSight(p.t("not mapped"))
	}
	if t.Pattern == "" && (t.Says == "" || t.Announced != "") {
		row.URL = "/sensors/proposal?" + url.Values{"topic": {t.Topic}}.Encode()
	}
	return row
}

// interval is a span with a decimal while it is short.
func (p *pageContext) interval(seconds float64) string {
	if seconds < 10 {
		return p.number(seconds, 1) + " s"
	}
	return p.silence(math.Round(seconds))
}

// postTopicsForm begins or ends the look.
func (s *server) postTopicsForm(w http.ResponseWriter, r *http.Request) {
	form, no := readForm(w, r)
	by := signed(r, strings.TrimSpace(form.Get("by")))
	if no = cmp.Or(no, personal(by, "")); no == nil {
		var err error
		if form.Get("do") == "leave" {
			err = s.Actions.LeaveTopics(r.Context())
		} else {
			err = s.Actions.WatchTopics(r.Context(), by)
		}
		if err != nil {
			status, detail := s.failure(r, "look at what arrives", err)
			no = &refusal{status, detail}
		}
	}
	if no != nil {
		s.topicsPage(w, r, no.status, no.detail)
		return
	}
	http.Redirect(w, r, "/sensors/topics", http.StatusSeeOther)
}

func (s *server) getProposalPage(w http.ResponseWriter, r *http.Request) {
	p, q := s.words(r), r.URL.Query()
	chose, no := topicChoice(q)
	var x TopicProposal
	if no == nil {
		var err error
		if x, err = s.Actions.ProposeTopic(r.Context(), q.Get("topic"), chose); err != nil {
			status, detail := s.failure(r, "propose a mapping", err)
			no = &refusal{status, detail}
		}
	}
	if no != nil {
		s.writePage(w, r, no.status, page{Name: "failed", Head: p.t("No proposal"), Here: "/sensors", Narrow: true}, struct{ Problem, Back string }{no.detail, "/sensors/topics"})
		return
	}
	v := proposalView{TopicProposal: x, Shown: shortText(x.Payload, 1000), Scales: x.Shape != string(wire.ShapeNumber), HasTime: x.Shape == string(wire.ShapeJSON)}
	for _, c := range x.Values {
		v.Rows = append(v.Rows, valueRow{Path: c.Path, Raw: c.Raw, Scale: strconv.FormatFloat(cmp.Or(c.Scale, 1), 'g', -1, 64), Choices: p.valueChoices(c, x.Shape)})
	}
	format := ""
	if x.Time != nil {
		format = x.Time.Format
	}
	v.Times = []choice{{"", p.t("none: the time of receipt counts"), format == ""}, {"rfc3339", p.t("a text with its zone: 2026-07-01T12:00:00Z"), format == "rfc3339"},
		{"s", p.t("seconds since 1970"), format == "s"}, {"ms", p.t("milliseconds since 1970"), format == "ms"}}
	for _, y := range x.Readings {
		v.Reads = append(v.Reads, p.t("room %s, sensor %s: %s %s, of %s", y.Room, y.Sensor, p.quantity(y.Quantity), p.reading(y.Quantity, y.Value), p.moment(y.At).Text))
	}
	s.writePage(w, r, http.StatusOK, page{Name: "proposal page", Head: p.t("Mapping proposal"), Here: "/sensors",
		Data: []link{{Text: p.t("proposal"), URL: proposalPath + "?" + url.Values{"topic": {x.Topic}}.Encode()}}}, v)
}

// valueChoices lists what a value can be, with its unit.
func (p *pageContext) valueChoices(c ValueChoice, shape string) []choice {
	out := []choice{{"", p.t("of no interest"), c.Quantity == nil}}
	for _, q := range unit.Quantities() {
		names := map[unit.Quantity][]string{unit.Temperature: {"C", "F", "K"}, unit.Humidity: {"%", "fraction"}, unit.Illuminance: {"lx", "klx"},
			unit.Oxygen: {"%", "fraction"}, unit.Battery: {"%", "fraction"}, unit.Link: {"dBm"}}[q]
		if shape == string(wire.ShapeSenML) {
			out = append(out, choice{q.String() + " ", p.t("%s, in the unit it states", p.quantity(q)), c.Quantity != nil && *c.Quantity == q && c.Unit == ""})
			names = wire.SenMLUnits(q)
		}
		for _, n := range names {
			is := c.Quantity != nil && *c.Quantity == q && c.Unit == n
			text := p.t("%s in %s", p.quantity(q), cmp.Or(map[string]string{"C": "°C", "F": "°F"}[n], n))
			switch {
			case shape == string(wire.ShapeSenML):
				text = p.t("%s, %s where it states none", p.quantity(q), n)
			case n == "fraction":
				text = p.t("%s as a fraction of 1", p.quantity(q))
			}
			out = append(out, choice{q.String() + " " + n, text, is})
		}
	}
	return out
}

// topicChoice reads what was chosen on the page; nil where nothing was yet.
func topicChoice(q url.Values) (*TopicChoice, *refusal) {
	if !q.Has("pattern") {
		return nil, nil
	}
	c := TopicChoice{Pattern: strings.TrimSpace(q.Get("pattern")), Room: strings.TrimSpace(q.Get("room")), Sensor: strings.TrimSpace(q.Get("sensor"))}
	if path := strings.TrimSpace(q.Get("timepath")); path != "" && q.Get("timeformat") != "" {
		c.Time = &TopicTime{Path: path, Format: q.Get("timeformat")}
	}
	paths, is, scales := q["path"], q["is"], q["scale"]
	for i := range min(len(is), mostValues+1) {
		v := ValueChoice{Scale: 1}
		if i < len(paths) {
			v.Path = paths[i]
		}
		if name, in, chosen := strings.Cut(is[i], " "); chosen {
			quantity, err := unit.ParseQuantity(name)
			if err != nil {
				return nil, &refusal{http.StatusUnprocessableEntity, err.Error()}
			}
			v.Quantity, v.Unit = &quantity, in
		}
		if i < len(scales) && strings.TrimSpace(scales[i]) != "" {
			scale, err := typedNumber(strings.TrimSpace(scales[i]))
			if err != nil || scale == 0 {
				return nil, &refusal{http.StatusUnprocessableEntity, "scale: " + strconv.Quote(shortText(scales[i], 40)) + " is no factor: write for example 0.1"}
			}
			v.Scale = scale
		}
		c.Values = append(c.Values, v)
	}
	return &c, chosen(c)
}
