package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/influx"
	"dryhold/internal/past"
)

func newImportInflux(x *importing) *cobra.Command {
	s := kept{label: "tag"}
	var org, bucket string
	var of influx.Past
	var tags []string
	c := &cobra.Command{
		Use: "influx URL", Short: "Import past readings from InfluxDB v2", Args: exactArgs(1),
		Long: `Import past readings from a bucket of InfluxDB v2, by Flux. One field of a
measurement is read, and tags narrow it down. First it shows what was found;
nothing is stored before you agree.

What the numbers are in is never guessed: without --unit they are shown in each.
Two series that run beside each other are not one sensor: tell them apart with
--sensor-tag, or narrow them down with --tag.

It asks for the range piece by piece, less at once where that is too much, and
six times where there is no answer. A reading that is there already is not stored
again: an import that broke off is begun again as it was, or from where it says.
Points are kept to the millisecond. Imported readings move no alarm. To take some
back, void them: dryhold sensors void.

This was made from the vendor's documentation of Flux and of the answers, and
tried against InfluxDB 1.8, which has the same query API; no version 2 ran beside
it. Compare what it shows with what you know, before you agree.

This command talks to the running daemon, and to the server itself.`,
		Example: `  dryhold import influx https://nas:8086 --org home --bucket sensors --measurement air --field temperature --tag room=loft \
      --quantity temperature --unit C --room loft --from 2022-01-01 --server-token-file ~/.config/nas-token --dry-run
  dryhold import influx https://nas:8086 --org home --bucket sensors --measurement air --field humidity \
      --quantity humidity --unit % --room-tag room --sensor-tag device --from 2022-01-01 --server-token-file ~/.config/nas-token`,
		RunE: func(c *cobra.Command, args []string) error {
			if err := required(c, "org", "bucket", "measurement", "field", "quantity", "from"); err != nil {
				return err
			}
			of.Tags = map[string]string{}
			for _, text := range tags {
				name, value, ok := strings.Cut(text, "=")
				if _, twice := of.Tags[name]; !ok || twice {
					return usageError{fmt.Errorf("--tag %q: write NAME=VALUE, each name once", text)}
				}
				of.Tags[name] = value
			}
			if err := of.Check(); err != nil {
				return usageError{err}
			}
			if err := s.prepare(c, args[0], s.tokenFile != ""); err != nil {
				return err
			}
			roots, err := s.roots()
			if err != nil {
				return err
			}
			token := func() (string, error) { return "", nil }
			if s.tokenFile != "" {
				token = func() (string, error) { return readSecret("--server-token-file", "token", s.tokenFile) }
			}
			server := influx.NewServer(influx.ServerConfig{URL: s.url, Org: org, Bucket: bucket, Token: token, Roots: roots, Timeout: s.timeout})
			defer server.Close()
			s.what = fmt.Sprintf("%s/%s of %s in %s", of.Measurement, of.Field, past.Key(of.Tags), bucket)
			s.walk.ask = func(ctx context.Context, from, to time.Time) ([]past.Series, error) {
				return server.Samples(ctx, of, from, to)
			}
			return x.run(c, &s)
		},
	}
	f := c.Flags()
	f.StringVar(&org, "org", "", "the organisation")
	f.StringVar(&bucket, "bucket", "", "the bucket")
	f.StringVar(&of.Measurement, "measurement", "", "the measurement")
	f.StringVar(&of.Field, "field", "", "the field with the numbers")
	f.StringArrayVar(&tags, "tag", nil, "only points with this tag: NAME=VALUE; all of them, where there are several")
	s.flags(c)
	return c
}
