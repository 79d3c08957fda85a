package web

import (
	"context"
	"net/http"
	"time"

	"dryhold/internal/unit"
)

// TopicWatcher shows what arrives at the broker, read or not. It looks for some
// minutes, beside the intake and without touching it.
type TopicWatcher interface {
	// WatchTopics begins to look, or goes on for the full time again.
	WatchTopics(ctx context.Context, by string) error
	// LeaveTopics ends it; what was seen stays for a while.
	LeaveTopics(ctx context.Context) error
	Topics(ctx context.Context) (TopicsAnswer, error)
	// ProposeTopic proposes how the messages of a topic that was seen are to
	// be read, from the newest; with choice, as that says.
	ProposeTopic(ctx context.Context, topic string, choice *TopicChoice) (TopicProposal, error)
}

type (
	// TopicsAnswer is the body of GET /api/v1/topics.
	TopicsAnswer struct {
		Looking bool      `json:"looking"`
		Began   time.Time `json:"began,omitzero"`
		Until   time.Time `json:"until,omitzero"` // when it ends by itself
		Ended   time.Time `json:"ended,omitzero"`
		Why     string    `json:"why,omitempty"` // it ended before its time
		// MappedOnly says that the broker does not show other topics than those
		// the daemon reads.
		MappedOnly bool   `json:"mapped_only"`
		Messages   uint64 `json:"messages"`
		// Elsewhere are the messages on topics beyond the bound on topics kept.
		Elsewhere uint64      `json:"messages_on_other_topics"`
		Topics    []TopicView `json:"topics"` // by name
	}
	// TopicView is one topic with its newest message.
	TopicView struct {
		Topic    string    `json:"topic"`
		Payload  string    `json:"payload"` // text, or hexadecimal where it is binary; at most 1 KiB
		Binary   bool      `json:"binary"`
		Cut      bool      `json:"cut"` // the payload goes on
		Bytes    int       `json:"bytes"`
		Count    uint64    `json:"messages"`
		Every    float64   `json:"every_seconds,omitempty"` // on the average, from two on
		Retained bool      `json:"retained"`                // the newest was kept by the broker
		Last     time.Time `json:"last"`
		Pattern  string    `json:"pattern,omitempty"` // of the entry of topics that reads it
		// Readings are what is read of the newest message, Problem why nothing
		// or not all is, Says what it says otherwise.
		Readings []TopicReading `json:"readings"`
		Problem  string         `json:"problem,omitempty"`
		Says     string         `json:"says,omitempty"`
		// Announced says what a gateway announces to hubs of the topic, or by it.
		Announced string `json:"announced,omitempty"`
	}
	// TopicReading is a reading of a message.
	TopicReading struct {
		Room     string        `json:"room"`
		Sensor   string        `json:"sensor"`
		Quantity unit.Quantity `json:"quantity"`
		Value    float64       `json:"value"` // in the canonical unit
		At       time.Time     `json:"at"`
	}
	// WatchTopics is the body of POST /api/v1/topics: 204.
	WatchTopics struct {
		By string `json:"by"`
	}
	// TopicProposal is the body of GET /api/v1/topics/proposal?topic= and of
	// POST to it.
	TopicProposal struct {
		Topic   string `json:"topic"`
		Payload string `json:"payload"`
		Binary  bool   `json:"binary"`
		// Shape is number, json, senml or homie; empty where nothing can be
		// read.
		Shape string `json:"shape"`
		TopicChoice
		// Notes say what was not understood or should be looked at.
		Notes []string `json:"notes"`
		// Pattern is that of the entry that reads the topic already, which
		// decides if it stands before.
		Already string `json:"already_read_by,omitempty"`
		// YAML are the lines to paste into the configuration: an entry of
		// topics, or topics with the entries that hold now, where the
		// configuration has none of its own.
		YAML  string `json:"yaml"`
		Whole bool   `json:"yaml_is_whole"`
		// Problems say why the lines are not taken as they are.
		Problems []string `json:"problems"`
		// Readings are what the decoder reads of the message by these lines.
		Readings []TopicReading `json:"readings"`
	}
	// TopicChoice says how the messages of a topic are to be read.
	TopicChoice struct {
		Pattern string        `json:"pattern"`
		Room    string        `json:"room,omitempty"`
		Sensor  string        `json:"sensor,omitempty"`
		Time    *TopicTime    `json:"time,omitempty"` // of JSON: where its own time is; nil takes the receipt
		Values  []ValueChoice `json:"values"`
	}
	// TopicTime is where a message carries its own time.
	TopicTime struct {
		Path   string `json:"path"`
		Format string `json:"format"` // rfc3339, s, ms
	}
	// ValueChoice is a value of a message and what it is.
	ValueChoice struct {
		Path string `json:"path,omitempty"` // of a JSON field, name of a SenML record or Homie property
		Raw  string `json:"raw,omitempty"`  // as sent
		// Quantity is left out for a value of no interest.
		Quantity *unit.Quantity `json:"quantity,omitempty"`
		Unit     string         `json:"unit,omitempty"`
		Scale    float64        `json:"scale,omitempty"` // 1 when left out
	}
	// ChooseTopic is the body of POST /api/v1/topics/proposal, which changes
	// nothing.
	ChooseTopic struct {
		Topic string `json:"topic"`
		TopicChoice
	}
)

const topicsPath, proposalPath = "/api/v1/topics", "/api/v1/topics/proposal"

func (s *server) routeTopics(mux *http.ServeMux) {
	route(mux, topicsPath, methods{http.MethodGet: s.getTopics, http.MethodPost: s.postTopics})
	route(mux, topicsPath+"/leave", methods{http.MethodPost: s.postLeaveTopics})
	route(mux, proposalPath, methods{http.MethodGet: s.getProposal, http.MethodPost: s.postProposal})
	route(mux, "/sensors/topics", methods{http.MethodGet: s.getTopicsPage, http.MethodPost: s.postTopicsForm})
	route(mux, "/sensors/proposal", methods{http.MethodGet: s.getProposalPage})
}

func (s *server) getTopics(w http.ResponseWriter, r *http.Request) {
	v, err := s.Actions.Topics(r.Context())
	if err != nil {
		status, detail := s.failure(r, "show what arrives", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, v)
}

func (s *server) postTopics(w http.ResponseWriter, r *http.Request) {
	var body WatchTopics
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, "") }) {
		return
	}
	s.done(w, r, "look at what arrives", s.Actions.WatchTopics(r.Context(), body.By))
}

func (s *server) postLeaveTopics(w http.ResponseWriter, r *http.Request) {
	var body WatchTopics
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, "") }) {
		return
	}
	s.done(w, r, "end the look", s.Actions.LeaveTopics(r.Context()))
}

func (s *server) getProposal(w http.ResponseWriter, r *http.Request) {
	s.propose(w, r, r.URL.Query().Get("topic"), nil)
}

func (s *server) postProposal(w http.ResponseWriter, r *http.Request) {
	var body ChooseTopic
	if !accepted(w, r, &body, func() *refusal { return chosen(body.TopicChoice) }) {
		return
	}
	s.propose(w, r, body.Topic, &body.TopicChoice)
}

func (s *server) propose(w http.ResponseWriter, r *http.Request, topic string, choice *TopicChoice) {
	v, err := s.Actions.ProposeTopic(r.Context(), topic, choice)
	if err != nil {
		status, detail := s.failure(r, "propose a mapping", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, v)
}

// Bounds on what can be chosen.
const mostValues, mostTopic = 100, 512

// chosen refuses a choice that is too long to be one.
func chosen(c TopicChoice) *refusal {
	long := len(c.Pattern) > mostTopic || len(c.Room) > maxName || len(c.Sensor) > maxName || len(c.Values) > mostValues
	for _, v := range c.Values {
		long = long || len(v.Path) > mostTopic || len(v.Unit) > maxName || len(v.Raw) > mostTopic
	}
	if c.Time != nil {
		long = long || len(c.Time.Path) > mostTopic || len(c.Time.Format) > maxName
	}
	if long {
		return &refusal{http.StatusUnprocessableEntity, "a pattern, a name, a path or the list of values is too long"}
	}
	return nil
}
