package main

import (
	"context"
	"fmt"
	"net"
	"slices"
	"strconv"
	"strings"

	"dryhold/internal/app"
	"dryhold/internal/settings"
	"dryhold/internal/unit"
	"dryhold/internal/wire"
)

// askTopics listens for sensors, shows what each says as it would be read, and
// asks which are wanted and where they stand.
func (s *setup) askTopics(ctx context.Context, trial string) error {
	a, err := s.made(trial)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "\nListening at %s for %s ...\n", s.broker, s.listen)
	heard, err := a.Survey(ctx, s.listen)
	if ctx.Err() != nil {
		return errBrokenOff
	}
	if err != nil {
		return fmt.Errorf("cannot listen at the broker: %w", err)
	}
	var taken []wire.Mapping
	readable := 0
	for _, h := range heard {
		if readings := decoded(taken, h.Message); len(readings) > 0 {
			fmt.Fprintf(s.out, "  %s: %s, by the same lines\n", h.Message.Topic, strings.Join(readings, ", "))
			readable++
			continue
		}
		m, wanted, err := s.askTopic(h)
		if err != nil {
			return err
		}
		if wanted {
			readable++
			taken, s.topics = append(taken, m), append(s.topics, settings.TopicYAML(m))
		}
	}
	if readable == 0 {
		fmt.Fprintln(s.out, "No sensor was heard that can be read. The usual topics are taken: rooms/ROOM/temperature and so on.\nOnce it runs, the page /topics shows what arrives.")
	}
	return nil
}

// askTopic proposes how a topic is read.
func (s *setup) askTopic(h app.Heard) (m wire.Mapping, wanted bool, err error) {
	rooms := s.roomNames()
	p := wire.ProposeAnnounced(h.Message, rooms, h.Announced)
	placed := p.Room != "" || strings.Contains(p.Pattern, "{room}")
	if p.Room != "" && !slices.Contains(rooms, p.Room) {
		p.Room, placed = "", false
	}
	if !placed {
		p.Room = rooms[0] // to see whether it can be read at all
	}
	m, readings := s.tried(p, h.Message)
	if len(readings) == 0 {
		if number := p.Shape == wire.ShapeNumber || p.Shape == wire.ShapeJSON; number && len(p.Notes) > 0 {
			fmt.Fprintf(s.out, "  %s: left out: %s\n", h.Message.Topic, p.Notes[0])
		}
		return m, false, nil
	}
	said := strings.Join(readings, ", ")
	if !placed {
		said = strings.ReplaceAll(said, " in "+p.Room, "")
	}
	fmt.Fprintf(s.out, "  %s: %s\n", h.Message.Topic, said)
	if placed {
		wanted, err = s.ask.yes("    Take it?", true, true)
		return m, wanted, err
	}
	const no = "-"
	room, err := s.ask.text("    In which room is it? - leaves it out", no, func(r string) error {
		if r != no && !slices.Contains(rooms, r) {
			return fmt.Errorf("rooms are %s", strings.Join(rooms, ", "))
		}
		return nil
	})
	if err != nil || room == no {
		return m, false, err
	}
	p.Room = room
	m, _ = s.tried(p, h.Message)
	return m, true, nil
}

// tried checks a proposal as the configuration would be, and reads the message by
// it; none where it cannot be.
func (s *setup) tried(p wire.Proposal, msg wire.Message) (wire.Mapping, []string) {
	if p.Shape == wire.ShapeNone || !slices.ContainsFunc(p.Values, func(c wire.Candidate) bool { return c.Quantity != 0 }) {
		return wire.Mapping{}, nil
	}
	base := settings.Default()
	for _, name := range s.roomNames() {
		base.Rooms = append(base.Rooms, settings.Room{Name: name})
	}
	m, err := base.CheckTopic(settings.TopicYAML(p.Mapping()))
	if err != nil {
		return wire.Mapping{}, nil
	}
	return m, decoded([]wire.Mapping{m}, msg)
}

// decoded gives the readings of a message, in words.
func decoded(by []wire.Mapping, msg wire.Message) []string {
	table, err := wire.NewMap(by, nil)
	if err != nil || len(by) == 0 {
		return nil
	}
	msg.Retained = false // that its age is not known does not matter here
	d, _ := table.Decode(msg)
	var out []string
	for _, r := range d.Readings {
		value, in := r.Value, unit.Names(r.Quantity)[0]
		if u, err := unit.Parse(r.Quantity, "%"); err == nil && u.Name == "%" {
			value, in = 100*value, "%"
		}
		out = append(out, fmt.Sprintf("%s %s %s in %s", r.Quantity, strconv.FormatFloat(value, 'g', 4, 64), in, r.Room))
	}
	return out
}

func (s *setup) roomNames() (names []string) {
	for _, r := range s.rooms {
		name, _, _ := strings.Cut(r, ":")
		names = append(names, name)
	}
	return names
}

// text is the configuration.
func (s *setup) text() string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("# Configuration of dryhold, made by dryhold setup. Every key, with its default and")
	line("# what it is for, stands in the example configuration. After a change:")
	line("#   dryhold check --config FILE, then have the daemon load it anew (SIGHUP).\n")
	line("site: %s", strconv.Quote(s.site))
	line("# Time zone of pages and messages.\nzone: %s\n", strconv.Quote(s.zone))
	if s.broker == ownBroker {
		line("# A broker of its own, for this machine alone; the example says how to open it.")
		line("broker: {embedded: {listen: %q}}\n", settings.DefaultMQTTListen)
	} else {
		line("broker:\n  url: %s", strconv.Quote(s.broker))
		if s.user != "" {
			line("  username_file: secrets/mqtt-user\n  password_file: secrets/mqtt-password")
		}
		line("")
	}
	line("# Each room with the most of temperature, humidity and light it should have.\nrooms:")
	for _, r := range s.rooms {
		name, limits, _ := strings.Cut(r, ":")
		l, _ := limitsOf(limits)
		line("  - {name: %s, limits: {warm: %s C, damp: %s %%, bright: %s lx}}", strconv.Quote(name), l[0], l[1], l[2])
	}
	if len(s.topics) > 0 {
		line("\n# How messages are read, as proposed by what came.\ntopics:")
		b.WriteString(strings.Join(s.topics, ""))
	}
	if s.mailServer != "" {
		host, port, _ := net.SplitHostPort(s.mailServer)
		mode := map[string]settings.TLSMode{"465": settings.Implicit}[port]
		if mode == "" {
			if mode = settings.StartTLS; thisMachine(host) {
				mode = settings.NoTLS
			}
		}
		line("\n# Mail of alarms. tls: starttls, implicit, or none for a server on this machine.")
		line("mail:\n  host: %s\n  port: %s\n  tls: %s\n  from: %s\n  to: [%s]", strconv.Quote(host), port, mode, strconv.Quote(s.mailFrom), strconv.Quote(s.mailTo))
		if s.mailUser != "" {
			line("  username_file: secrets/mail-user\n  password_file: secrets/mail-password")
		}
	}
	return b.String()
}
