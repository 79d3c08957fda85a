package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"dryhold/internal/promql"
)

func newImportPrometheus(x *importing) *cobra.Command {
	s := kept{label: "label"}
	var query, user, passwordFile string
	c := &cobra.Command{
		Use: "prometheus URL", Short: "Import past readings from a server with the query API of Prometheus", Args: exactArgs(1),
		Long: `Import past readings from Prometheus, victoria-metrics or another server with the
query API of Prometheus. --query selects the series: the name of a metric, and
labels that narrow it down. First it shows what was found; nothing is stored
before you agree.

Every sample comes as it was taken, with its own time, and no other: a gap stays
one. That is why --query is a selector and no expression: the server would work
an expression out at steps, and repeat values over up to five minutes in which
nothing was measured. Units are converted here. A server that thins out old
samples gives what it kept of them, and says nothing of it.

What the numbers are in is never guessed: without --unit they are shown in each.
Two series that run beside each other are not one sensor: tell them apart with
--sensor-label, or select one.

It asks for the range piece by piece, less at once where that is too much, and
six times where there is no answer. A reading that is there already is not stored
again: an import that broke off is begun again as it was, or from where it says.
Samples are kept to the millisecond. Imported readings move no alarm. To take
some back, void them: dryhold sensors void.

This command talks to the running daemon, and to the server itself.`,
		Example: `  dryhold import prometheus http://nas:9090 --query 'room_temp_celsius{room="loft"}' --quantity temperature --unit C \
      --room loft --sensor loft-1 --from 2024-01-01 --to 2026-01-01 --dry-run
  dryhold import prometheus https://nas:8428 --query 'home_humidity' --quantity humidity --unit % \
      --room-label room --sensor-label device --from 2020-01-01 --server-token-file ~/.config/nas-token --yes`,
		RunE: func(c *cobra.Command, args []string) error {
			if err := required(c, "query", "quantity", "from"); err != nil {
				return err
			}
			if err := promql.CheckSelector(query); err != nil {
				return usageError{fmt.Errorf("--query: %w", err)}
			}
			if (user == "") != (passwordFile == "") || user != "" && s.tokenFile != "" {
				return usageError{errors.New("give --server-user with --server-password-file, or --server-token-file, or none of them")}
			}
			if err := s.prepare(c, args[0], user != "" || s.tokenFile != ""); err != nil {
				return err
			}
			roots, err := s.roots()
			if err != nil {
				return err
			}
			cfg := promql.Config{URL: s.url, Selector: query, Roots: roots, Timeout: s.timeout, User: user}
			if s.tokenFile != "" {
				cfg.Token = func() (string, error) { return readSecret("--server-token-file", "token", s.tokenFile) }
			}
			if user != "" {
				cfg.Password = func() (string, error) { return readSecret("--server-password-file", "password", passwordFile) }
			}
			server, err := promql.New(cfg)
			if err != nil {
				return err
			}
			defer server.Close()
			s.what, s.walk.ask, s.warnings = query, server.Samples, server.Warnings
			return x.run(c, &s)
		},
	}
	f := c.Flags()
	f.StringVar(&query, "query", "", `the series: name{label="value"}`)
	s.flags(c)
	f.StringVar(&user, "server-user", "", "user at the server, with --server-password-file")
	f.StringVar(&passwordFile, "server-password-file", "", "file with the password for the server")
	return c
}
