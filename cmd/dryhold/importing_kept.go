package main

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/past"
	"dryhold/internal/promql"
	"dryhold/internal/room"
	"dryhold/internal/unit"
)

// kept is what a server kept of past readings, and what the flags say of it.
type kept struct {
	label                                          string // its word for what tells series apart: label, tag
	quantity, unit, room, sensor, fromText, toText string
	roomLabel, sensorLabel                         string
	tokenFile, caFile                              string
	allowPlain                                     bool
	timeout                                        time.Duration

	url      string
	what     string // that is read, for people
	plan     past.Plan
	walk     walk
	now      time.Time
	last     *past.Reader
	warnings func() []string // nil where it gives none
}

// flags adds what is asked of every store.
func (s *kept) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&s.quantity, "quantity", "", "what the numbers measure: "+strings.Join(unit.QuantityNames(), ", "))
	f.StringVar(&s.unit, "unit", "", "unit of the numbers, as C, F, %, fraction; without it they are only shown in each")
	f.StringVar(&s.room, "room", "", "room of all series")
	f.StringVar(&s.roomLabel, "room-"+s.label, "", "the "+s.label+" that names the room, instead")
	f.StringVar(&s.sensor, "sensor", "", "sensor of all series (default: the room's name)")
	f.StringVar(&s.sensorLabel, "sensor-"+s.label, "", "the "+s.label+" that names the sensor, instead")
	f.StringVar(&s.fromText, "from", "", "since when: 2024-01-01 or 2024-01-01T00:00:00Z")
	f.StringVar(&s.toText, "to", "", "before when (default: now)")
	f.StringVar(&s.tokenFile, "server-token-file", "", "file with the token for the server")
	f.StringVar(&s.caFile, "server-ca-file", "", "file with the authority (PEM) to trust for the server's https")
	f.BoolVar(&s.allowPlain, "allow-plain", false, "send a token or password unencrypted to another machine, where nobody can listen")
	f.DurationVar(&s.timeout, "timeout", time.Minute, "how long to wait for one answer")
}

// prepare reads the flags. secret says whether something is sent that nobody
// else may see.
func (s *kept) prepare(c *cobra.Command, address string, secret bool) error {
	at, err := promql.CheckAddress(address)
	switch {
	case err != nil:
		return usageError{fmt.Errorf("the address of the server: %w", err)}
	case secret && at.Scheme != "https" && !s.allowPlain && !thisMachine(at.Hostname()):
		return usageError{fmt.Errorf("what proves who asks would cross the network to %s unencrypted: use https, or, if nobody can listen there, --allow-plain", at.Host)}
	case s.caFile != "" && at.Scheme != "https":
		return usageError{errors.New("--server-ca-file needs an https address, this one is not")}
	case s.timeout <= 0:
		return usageError{fmt.Errorf("--timeout %v is no time to wait", s.timeout)}
	}
	s.url, s.now = address, time.Now()
	if s.plan.Quantity, err = unit.ParseQuantity(s.quantity); err != nil {
		return usageError{fmt.Errorf("--quantity: %w", err)}
	}
	if s.unit != "" {
		if s.plan.Unit, err = unit.Parse(s.plan.Quantity, s.unit); err != nil {
			return usageError{fmt.Errorf("--unit: %w", err)}
		}
	}
	s.plan.Room, s.plan.Sensor, s.plan.RoomLabel, s.plan.SensorLabel = s.room, s.sensor, s.roomLabel, s.sensorLabel
	if err := s.plan.Check(); err != nil {
		return usageError{fmt.Errorf("%w (--room, --room-%s, --sensor, --sensor-%s)", err, s.label, s.label)}
	}
	return s.period(c)
}

// period reads from when to when.
func (s *kept) period(c *cobra.Command) error {
	from, to := time.Time{}, s.now.UTC().Add(time.Second)
	if err := errors.Join(bound("from", s.fromText, &from), bound("to", s.toText, &to)); err != nil {
		return err
	}
	from, to = from.Truncate(time.Second), to.Truncate(time.Second)
	switch {
	case from.Year() < past.FirstYear:
		return usageError{fmt.Errorf("--from %s: no reading is from before %d", from.Format(time.DateOnly), past.FirstYear)}
	case !from.Before(to):
		return usageError{fmt.Errorf("--from %s is not before --to %s", from.Format(time.RFC3339), to.Format(time.RFC3339))}
	}
	s.walk = walk{from: from, to: to, wait: firstWait, say: func(format string, args ...any) {
		_, _ = fmt.Fprintf(c.ErrOrStderr(), format+"\n", args...)
	}}
	return nil
}

// roots is whom to trust, nil for whom the system trusts.
func (s *kept) roots() (*x509.CertPool, error) {
	if s.caFile == "" {
		return nil, nil
	}
	pem, err := os.ReadFile(s.caFile)
	if err != nil {
		return nil, fmt.Errorf("cannot read --server-ca-file: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, usageError{fmt.Errorf("--server-ca-file %s holds no PEM certificate", s.caFile)}
	}
	return pool, nil
}

// name implements source.
func (s *kept) name() string {
	name := s.what + " of " + s.url
	if u, err := url.Parse(s.url); err == nil {
		name = s.what + " of " + u.Host
	}
	return cut(name, 300)
}

// read implements source.
func (s *kept) read(ctx context.Context, visit func(share float64, rs []room.Reading) error) error {
	r, err := past.NewReader(s.plan, s.now)
	if err != nil {
		return err
	}
	s.last = r
	return s.walk.each(ctx, func(until time.Time, series []past.Series) error {
		return visit(float64(until.Sub(s.walk.from))/float64(s.walk.to.Sub(s.walk.from)), r.Take(series))
	})
}

// report implements source.
func (s *kept) report(seen *past.Survey) (string, error) {
	var b strings.Builder
	r := s.last
	fmt.Fprintf(&b, "%s, %s to %s:\n", s.name(), stamp(s.walk.from), stamp(s.walk.to))
	fmt.Fprintf(&b, "%d series", r.Series())
	if numbers := r.Numbers(); numbers != "" && s.unit != "" {
		fmt.Fprintf(&b, " with %s, read as %s in %s", numbers, s.plan.Quantity, s.plan.Unit.Name)
	}
	refused := 0
	for _, x := range r.Refused() {
		refused += x.N
	}
	fmt.Fprintf(&b, ": %d readings; %d samples say that there was no value, %d cannot be used.\n", seen.Readings, r.Blank(), refused)
	for _, x := range r.Refused() {
		fmt.Fprintf(&b, "  %d: %s, the first: %s\n", x.N, x.Reason, x.First)
	}
	if s.warnings != nil {
		for _, text := range s.warnings() {
			fmt.Fprintf(&b, "The server warns: %s\n", text)
		}
	}
	if doubt := r.Doubt(); doubt != "" {
		fmt.Fprintf(&b, "Look twice: %s.\n", doubt)
	}
	if s.unit == "" && r.Numbers() != "" {
		return b.String(), usageError{errors.New(r.Question())}
	}
	if err := r.Clashes(); err != nil {
		return b.String(), usageError{fmt.Errorf("%w (--sensor-%s)", err, s.label)}
	}
	return b.String(), nil
}

// goOn implements source: readings come in the order of time.
func (s *kept) goOn(at time.Time) string {
	return fmt.Sprintf("run the same command again, or, to ask only for what is missing, with --from %s", at.UTC().Truncate(time.Second).Format(time.RFC3339))
}
