package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"dryhold/internal/app"
	"dryhold/internal/catalog"
	"dryhold/internal/health"
	"dryhold/internal/settings"
	"dryhold/internal/store"
)

// Where the packages put configuration and data.
const (
	packagedConfig = "/etc/dryhold/dryhold.yaml"
	packagedData   = "/var/lib/dryhold"
)

// examination is what doctor prints as JSON.
type examination struct {
	URL      string           `json:"url"`
	Config   string           `json:"config,omitempty"` // empty: none was looked at
	Data     string           `json:"data,omitempty"`
	Good     int              `json:"good"`
	Wrong    int              `json:"wrong"`
	NotKnown int              `json:"not_known"`
	Findings []health.Finding `json:"findings"`
}

func newDoctor() *cobra.Command {
	var x examination
	var asJSON bool
	c := &cobra.Command{
		Use: "doctor", Short: "Find out what is wrong, and how to mend it", Args: noArgs,
		Long: `Look at the daemon and at all it needs: broker, sensors, clock, disk, store, ways
to people, exports, certificates, configuration. Each line says what should be so,
whether it is, what was found, and what to do about it.

With the daemon running it is asked how it is. With --config this machine also
tries what the configuration names, whether the daemon runs or not: it logs in at
the broker and the mail server, asks the servers of exports whether they take the
token, times a sync of the disk, reads the database through. Nothing is sent to
anybody, and nothing is changed. Where the Debian package put a configuration,
that is taken, unless told otherwise.

Run it as the user of the daemon or as root: what another user may not see is not
known. The exit code is 1 where something is wrong. What is not known is no
fault, but nobody has seen that it is good.`,
		Example: `  sudo -u dryhold dryhold doctor
  dryhold doctor --config dryhold.yaml --data /var/lib/dryhold
  dryhold doctor --url https://hearth.lan:8090 --token-file ~/.config/dryhold/token --json`,
		RunE: func(c *cobra.Command, _ []string) error {
			if _, err := os.Stat(packagedConfig); err == nil && x.Config == "" && x.Data == "" && !givenURL(c) {
				x.Config, x.Data = packagedConfig, packagedData
			}
			if err := x.examine(c.Context(), givenURL(c)); err != nil {
				return err
			}
			print := x.print
			if asJSON {
				print = func(w io.Writer) error { return printJSON(w, x) }
			}
			if err := print(c.OutOrStdout()); err != nil {
				return err
			}
			if x.Wrong > 0 {
				return fmt.Errorf("%d of %d things are wrong", x.Wrong, len(x.Findings))
			}
			return nil
		},
	}
	addURL(c, &x.URL)
	c.Flags().StringVar(&x.Config, "config", "", "configuration file of the daemon (YAML)")
	c.Flags().StringVar(&x.Data, "data", "", "data directory of the daemon (default: the platform's place for state)")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// givenURL reports that the daemon's address was said.
func givenURL(c *cobra.Command) bool {
	return c.Flags().Changed("url") || os.Getenv("DRYHOLD_URL") != ""
}

// examine looks at everything that can be seen from here.
func (x *examination) examine(ctx context.Context, given bool) error {
	s, cat, mistakes := load(x.Config)
	if x.Config != "" && mistakes == nil && !given {
		x.URL = pageURL(s)
	}
	running, err := x.askDaemon(ctx)
	if err != nil {
		return err
	}
	if x.Config == "" && running {
		x.add(health.Unsure("configuration", "The configuration is good", "none was given: only the daemon was asked", "Give --config and --data, and this machine tries broker, mail, exports, disk and store by itself."))
		x.Data = ""
	} else {
		x.Data = dataDir(x.Data)
		if err := x.probe(ctx, s, cat, mistakes, running); err != nil {
			return err
		}
	}
	order := []string{"daemon", "configuration", "broker", "sensors", "clock", "disk", "store", "people", "exports", "certificates"}
	slices.SortStableFunc(x.Findings, func(a, b health.Finding) int {
		return cmp.Compare(slices.Index(order, a.Area), slices.Index(order, b.Area))
	})
	x.Good, x.Wrong, x.NotKnown = health.Count(x.Findings, health.Good), health.Count(x.Findings, health.Wrong), health.Count(x.Findings, health.Unknown)
	return nil
}

// add adds findings, but those that the daemon has told just so.
func (x *examination) add(findings ...health.Finding) {
	for _, f := range findings {
		if !slices.ContainsFunc(x.Findings, func(is health.Finding) bool {
			return is.Area == f.Area && is.Title == f.Title && is.State == f.State && f.State == health.Good
		}) {
			x.Findings = append(x.Findings, f)
		}
	}
}

// probe looks at the configuration, and tries what it names.
func (x *examination) probe(ctx context.Context, s *settings.Settings, cat *catalog.Catalog, mistakes error, running bool) error {
	if !running {
		x.add(x.inUse())
	}
	if x.add(x.configuration(s, cat, mistakes, running)...); mistakes != nil {
		return nil
	}
	a, err := app.New(app.Options{Settings: s, Catalog: cat, DataDir: x.Data, Version: version()})
	if err != nil {
		return err
	}
	x.add(a.Probe(ctx, running)...)
	return nil
}

// inUse says of a daemon that does not answer whether there is one.
func (x *examination) inUse() health.Finding {
	const area, title = "daemon", "Nobody else has the data"
	switch used, err := store.InUse(x.Data); {
	case err != nil:
		return health.Unsure(area, title, err.Error(), "Run this as the user of the daemon, or as root.")
	case used:
		return health.Ill(area, title, "a dryhold has "+x.Data+", and does not answer at "+x.URL, "Say with --url where its page is (http.listen). If that is right it is starting or stuck: see its log, and restart it if it stays so.")
	}
	return health.Fine(area, title, "no dryhold runs on "+x.Data)
}

// configuration checks the file and those it names.
func (x *examination) configuration(s *settings.Settings, cat *catalog.Catalog, mistakes error, running bool) []health.Finding {
	const area, title = "configuration", "The configuration is good"
	if mistakes != nil {
		f := health.Ill(area, title, mistakes.Error(), "Mend these lines; `dryhold check --config "+x.Config+"` says when all are. Until then what it names is not tried.")
		if errors.Is(mistakes, os.ErrPermission) {
			f.State, f.Remedy = health.Unknown, "Run this as the user of the daemon, or as root."
		}
		return []health.Finding{f}
	}
	out := []health.Finding{health.Fine(area, title, fmt.Sprintf("site %s, %d rooms listed, %d topics, %d food classes", s.Site, len(s.Rooms), len(s.Topics), len(cat.Foods)))}
	if missing := unreadable(s); len(missing) > 0 {
		out = append(out, health.Ill(area, "The files it names can be read", strings.Join(missing, "; "), "Put them there, readable for the user of the daemon and nobody else; or run this as that user."))
	} else {
		out = append(out, health.Fine(area, "The files it names can be read", "all of them"))
	}
	if open := readable(x.Config, s); len(open) > 0 {
		out = append(out, health.Ill(area, "Secrets are kept from others", "others on this machine can read "+strings.Join(open, ", "), "chmod 600 "+strings.Join(open, " ")+", as owner the user of the daemon; or chown root:dryhold and chmod 640."))
	} else {
		out = append(out, health.Fine(area, "Secrets are kept from others", "no file with one can be read by others"))
	}
	if running {
		return out // which says by itself what it leaves open
	}
	for _, w := range s.Warnings() {
		out = append(out, health.Ill(area, "Closed to strangers", w, remedyOf("open")))
	}
	return out
}

// pageURL is where a configuration puts the page, as seen from its machine.
func pageURL(s *settings.Settings) string {
	host, port, err := net.SplitHostPort(s.HTTP.Listen)
	if err != nil {
		return "http://" + s.HTTP.Listen
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	if s.HTTP.TLS == nil {
		return "http://" + net.JoinHostPort(host, port)
	}
	if len(s.HTTP.Hosts) > 0 {
		host = s.HTTP.Hosts[0]
	}
	return "https://" + net.JoinHostPort(host, port)
}

func (x *examination) print(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Daemon at %s", x.URL)
	if x.Data != "" {
		fmt.Fprintf(&b, ", configuration %s, data %s", cmp.Or(x.Config, "as without a file"), x.Data)
	}
	b.WriteString("\n")
	area := ""
	for _, f := range x.Findings {
		if f.Area != area {
			area = f.Area
			fmt.Fprintf(&b, "\n%s\n", strings.ToUpper(area))
		}
		mark := map[health.State]string{health.Good: "good", health.Wrong: "WRONG", health.Unknown: "?"}[f.State]
		const indent = "         "
		fmt.Fprintf(&b, "  %-7s%s", mark, wrapTo(screen-len(indent), f.Title+": "+f.Found, indent))
		if f.Remedy != "" {
			b.WriteString(indent + wrapTo(screen-len(indent), "To do: "+f.Remedy, indent))
		}
	}
	fmt.Fprintf(&b, "\n%d good, %d wrong, %d not known.\n", x.Good, x.Wrong, x.NotKnown)
	_, err := io.WriteString(w, b.String())
	return err
}
