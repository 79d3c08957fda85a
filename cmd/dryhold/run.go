package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"
	"github.com/spf13/cobra"

	"dryhold/internal/app"
	"dryhold/internal/settings"
)

// stopWithin bounds a stop on request.
const stopWithin = 20 * time.Second

func newRun() *cobra.Command {
	var configFile, data, level, format string
	c := &cobra.Command{
		Use: "run", Short: "Run the daemon", Args: noArgs,
		Long: `Run the daemon until it is interrupted.

Without --config it brings its own MQTT broker on 127.0.0.1:1883 and shows its
page on http://127.0.0.1:8090, both for this machine only, and accepts readings
from any room. With --config it does what the file says; other addresses are
set there, as http.listen and broker.embedded.listen, or broker.url for an MQTT
broker that is there already.

Everything it keeps is below one data directory: --data, or the platform's
place for state ($XDG_STATE_HOME/dryhold).

On SIGHUP the configuration is loaded anew. Nothing that was taken is lost, and
alarms stand as they stood; who is logged in logs in again. One with mistakes is
not taken: the one before goes on, and log, health and metrics say why. To find
them before: dryhold check.

--log says what goes to the log, on standard error: one least level of all parts
and others for single ones, as in info,intake=debug. It goes before "log" of the
configuration; dryhold log changes it for a time while the daemon runs. Under a
service manager whose journal takes the log, lines have no time, which the journal
notes itself, and begin with their priority (sd-daemon), so that journalctl -p finds
them.

A service manager that wants to be told (sd_notify) hears when dryhold is ready,
how it is, and that it makes progress.`,
		Example: `  dryhold run
  dryhold run --config /etc/dryhold/dryhold.yaml --data /var/lib/dryhold`,
		RunE: func(c *cobra.Command, _ []string) error {
			var given *settings.LogLevels
			if c.Flags().Changed("log") {
				levels, err := settings.ParseLog(level)
				if err != nil {
					return usageError{fmt.Errorf("--log: %w", err)}
				}
				given = &levels
			}
			if err := oneOf("log-format", format, "text", "json"); err != nil {
				return err
			}
			out := logTo(c.ErrOrStderr(), format, inJournal(c.ErrOrStderr()))
			return run(c.Context(), c.OutOrStdout(), configFile, dataDir(data), out, app.NewLogLevels(given, nil))
		},
	}
	c.Flags().StringVar(&configFile, "config", "", "configuration file (YAML)")
	c.Flags().StringVar(&data, "data", "", "directory for everything kept (default: the platform's place for state)")
	c.Flags().StringVar(&level, "log", "info", "least level of the log (debug, info, warn, error), and of its parts: info,intake=debug")
	c.Flags().StringVar(&format, "log-format", "text", "text or json")
	return c
}

func run(ctx context.Context, out io.Writer, configFile, data string, to slog.Handler, levels *app.LogLevels) error {
	log := slog.New(levels.Handler(to)).With("part", "daemon")
	s, cat, err := load(configFile)
	if err != nil {
		return err
	}
	a, err := app.New(app.Options{Settings: s, Catalog: cat, DataDir: data, Version: version(), Log: slog.New(to), Levels: levels})
	if err != nil {
		return err
	}
	reload := make(chan os.Signal, 1)
	signal.Notify(reload, syscall.SIGHUP)
	defer signal.Stop(reload)
	m := newManager(log)
	starting, started := context.WithCancel(ctx)
	go m.starting(starting, a)
	err = a.Start(ctx)
	started()
	switch {
	case err != nil && ctx.Err() != nil:
		log.Info("stopped while it started", "error", err)
		return nil
	case err != nil:
		return err
	}
	if err := greet(out, a, data, s.Broker.Embedded != nil); err != nil {
		log.Warn("cannot print the start-up text", "error", err)
	}
	for {
		watching, stop := context.WithCancel(ctx)
		go m.running(watching, a)
		select {
		case <-ctx.Done():
			stop()
			log.Info("stopping")
			m.tell(daemon.SdNotifyStopping)
			stopping, cancel := context.WithTimeout(context.Background(), stopWithin)
			defer cancel()
			return a.Stop(stopping)
		case <-reload:
			stop()
			switch a, err = reloaded(ctx, a, configFile, m); {
			case a == nil && ctx.Err() != nil:
				return nil // stopped meanwhile
			case a == nil:
				return err
			}
		}
	}
}

// reloaded is the daemon that runs with the configuration as it is now, or with
// the one before where that has mistakes; nil where neither runs.
func reloaded(ctx context.Context, a *app.App, configFile string, m manager) (*app.App, error) {
	m.log.Info("loading the configuration anew")
	m.reloading()
	s, cat, err := load(configFile)
	if err != nil {
		a.Unchanged(err)
		return a, err
	}
	starting, started := context.WithCancel(ctx)
	go m.starting(starting, a)
	next, err := a.Reload(ctx, s, cat)
	started()
	if err == nil {
		m.log.Info("the configuration is loaded anew")
	}
	return next, err
}

// greet says what listens where, and how to publish a first reading.
func greet(out io.Writer, a *app.App, data string, own bool) error {
	broker := "reads from"
	if own {
		broker = "own broker"
	}
	text := fmt.Sprintf("dryhold %s\n  page        %s\n  %-10s  %s\n  data        %s\n", version(), a.URL(), broker, a.BrokerURL(), data)
	if line := a.FirstReading(); line != "" {
		text += "\nPublish a first reading (°C; then also .../humidity in %, .../illuminance in lx):\n  " + line + "\n"
	}
	text += "\nRegister a first lot:\n  dryhold lots add white-rice pet-2l --count 12 --mass 1.6 --room cellar\n"
	text += "\nQuality is not safety: when in doubt about any food, throw it out.\n"
	_, err := io.WriteString(out, text)
	return err
}

func newCheck() *cobra.Command {
	var configFile string
	var scenarios, schema bool
	c := &cobra.Command{
		Use: "check [--schema] [--scenarios FILE...]", Short: "Check a configuration and the catalog, print its schema, or play scenarios of alarms",
		Long: `Check a configuration file and the catalog files it names. Every mistake is
listed with file, line and column, and the exit code is then 1.

Files with credentials and certificates need not be there: those that cannot be
read are listed, but are no mistake.

With --schema it prints the schema of the configuration (JSON Schema 2020-12), made
of what the parser takes, by which an editor completes keys and marks mistakes; the
YAML language server, which most editors use, wants this line in the file:

  # yaml-language-server: $schema=dryhold.schema.json

With --scenarios it plays scenarios instead: invented stretches of a house, with
what is expected of its alarms and messages, so that rules are tried before they
are needed. ` + scenarioHelp,
		Example: `  dryhold check --config /etc/dryhold/dryhold.yaml
  dryhold check --schema > dryhold.schema.json
  dryhold check --scenarios hot-day.yaml gap.yaml`,
		Args: func(c *cobra.Command, args []string) error {
			switch {
			case schema && (scenarios || configFile != ""):
				return usageError{errors.New("--schema prints the schema alone: leave --config and --scenarios out")}
			case !scenarios:
				return noArgs(c, args)
			case len(args) == 0:
				return usageError{errors.New("--scenarios wants files to play, as dryhold check --scenarios hot-day.yaml")}
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			if schema {
				text, err := settings.Schema()
				if err == nil {
					_, err = c.OutOrStdout().Write(text)
				}
				return err
			}
			s, cat, err := load(configFile)
			if err != nil {
				return errors.New("the configuration has mistakes:\n" + err.Error())
			}
			if scenarios {
				return playScenarios(c.OutOrStdout(), args, cat)
			}
			text := fmt.Sprintf("The configuration is good: site %s, %d rooms listed, %d topics, %d food classes, %d container classes.\n",
				s.Site, len(s.Rooms), len(s.Topics), len(cat.Foods), len(cat.Containers))
			if missing := unreadable(s); len(missing) > 0 {
				text += "These files cannot be read from here; the daemon will need them:\n  " + strings.Join(missing, "\n  ") + "\n"
			}
			for _, w := range s.Warnings() {
				text += "Warning: " + w + ".\n"
			}
			if open := readable(configFile, s); len(open) > 0 {
				text += "Warning: others on this machine can read these files (chmod 600):\n  " + strings.Join(open, "\n  ") + "\n"
			}
			_, err = io.WriteString(c.OutOrStdout(), text)
			return err
		},
	}
	c.Flags().StringVar(&configFile, "config", "", "configuration file (YAML); without it the shipped defaults are checked")
	c.Flags().BoolVar(&schema, "schema", false, "print the schema of the configuration, for editors")
	c.Flags().BoolVar(&scenarios, "scenarios", false, "play the scenarios in the files named")
	return c
}
