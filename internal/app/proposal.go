package app

import (
	"cmp"
	"context"
	"encoding/hex"
	"strings"
	"unicode"
	"unicode/utf8"

	"dryhold/internal/lot"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
	"dryhold/internal/web"
	"dryhold/internal/wire"
)

// payloadText is the beginning of a payload as it can be shown: text, or
// hexadecimal where it is none.
func payloadText(t topicSeen) (text string, binary, cut bool) {
	shown := t.payload[:min(len(t.payload), lookShown)]
	cut = t.size > len(shown)
	// A letter of several bytes that was cut is no sign of a binary.
	whole := shown
	for back := 0; cut && back < utf8.UTFMax-1 && len(whole) > 0 && !utf8.Valid(whole); back++ {
		whole = whole[:len(whole)-1]
	}
	odd := func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t' }
	if utf8.Valid(whole) && !strings.ContainsFunc(string(whole), odd) {
		return string(whole), false, cut
	}
	const most = 64
	return hex.EncodeToString(shown[:min(len(shown), most)]), true, cut || len(shown) > most
}

// ProposeTopic implements web.TopicWatcher. It changes nothing: the daemon does
// not write its configuration.
func (a *App) ProposeTopic(_ context.Context, topic string, choice *web.TopicChoice) (web.TopicProposal, error) {
	t, announced, found := a.looking.about(topic)
	if !found {
		return web.TopicProposal{}, lot.NotFound("no message was seen on topic %.100q: look at what arrives first", topic)
	}
	if t.discovery != "" {
		return a.proposal(wire.Proposal{Pattern: t.topic, Notes: []string{t.discovery}}, wire.Message{Topic: t.topic}, t), nil
	}
	msg := wire.Message{Topic: t.topic, Payload: t.payload, ReceivedAt: t.last, Retained: t.retained}
	p := wire.ProposeAnnounced(msg, a.roomNames(), announced)
	if t.size > len(t.payload) {
		p.Notes = append(p.Notes, "the message is longer than what was kept of it: what stands behind is not seen")
	}
	if choice != nil {
		choose(&p, *choice)
	}
	return a.proposal(p, msg, t), nil
}

// roomNames are the rooms that exist.
func (a *App) roomNames() []string {
	a.counters.mu.Lock()
	defer a.counters.mu.Unlock()
	return a.counters.names()
}

// choose puts what a person chose in the place of what was guessed. Values that
// were not seen may be chosen as well: not every message has every field.
func choose(p *wire.Proposal, c web.TopicChoice) {
	p.Pattern, p.Room, p.Sensor, p.Time = c.Pattern, c.Room, c.Sensor, nil
	if c.Time != nil {
		p.Time = &wire.TimeField{Path: c.Time.Path, Format: wire.TimeFormat(c.Time.Format)}
	}
	raw := map[string]string{}
	for _, v := range p.Values {
		raw[v.Path] = v.Raw
	}
	p.Values = nil
	for _, v := range c.Values {
		x := wire.Candidate{Path: v.Path, Raw: raw[v.Path], Unit: v.Unit, Scale: cmp.Or(v.Scale, 1)}
		if v.Quantity != nil {
			x.Quantity = *v.Quantity
		}
		p.Values = append(p.Values, x)
	}
}

// proposal writes the lines, checks them as the configuration would be, and
// reads the message by them.
func (a *App) proposal(p wire.Proposal, msg wire.Message, t topicSeen) web.TopicProposal {
	v := web.TopicProposal{
		Topic: strings.ToValidUTF8(t.topic, "\uFFFD"), Shape: string(p.Shape), Notes: append([]string{}, p.Notes...), Already: a.decoder.PatternOf(t.topic),
		TopicChoice: web.TopicChoice{Pattern: p.Pattern, Room: p.Room, Sensor: p.Sensor, Values: []web.ValueChoice{}},
		Problems:    []string{}, Readings: []web.TopicReading{},
	}
	v.Payload, v.Binary, _ = payloadText(t)
	if p.Time != nil {
		v.Time = &web.TopicTime{Path: p.Time.Path, Format: string(p.Time.Format)}
	}
	some := false
	for _, c := range p.Values {
		x := web.ValueChoice{Path: c.Path, Raw: c.Raw, Unit: c.Unit, Scale: c.Scale}
		if c.Quantity != 0 {
			some, x.Quantity = true, &c.Quantity
			if p.Shape != wire.ShapeSenML {
				if _, err := unit.Parse(c.Quantity, c.Unit); err != nil {
					v.Problems = append(v.Problems, err.Error())
				}
			}
		}
		v.Values = append(v.Values, x)
	}
	if p.Shape == wire.ShapeNone || !some {
		return v
	}
	s := a.opts.Settings
	entry := settings.TopicYAML(p.Mapping())
	if v.YAML = entry; !s.OwnTopics() {
		v.Whole, v.YAML = true, "topics:\n"
		for _, m := range s.Topics {
			v.YAML += settings.TopicYAML(m)
		}
		v.YAML += entry
	}
	checked, err := s.CheckTopic(entry)
	if err != nil {
		v.Problems = append(v.Problems, strings.Split(err.Error(), "\n")...)
		return v
	}
	table, err := wire.NewMap([]wire.Mapping{checked}, s.SensorRooms())
	if err != nil {
		v.Problems = append(v.Problems, strings.Split(err.Error(), "\n")...)
		return v
	}
	if t.count == 0 { // announced, and not seen yet
		return v
	}
	d, errs := table.Decode(msg)
	v.Readings = readingsOf(d)
	for _, e := range errs {
		v.Problems = append(v.Problems, string(e.Cause)+": "+e.Err.Error())
	}
	return v
}
