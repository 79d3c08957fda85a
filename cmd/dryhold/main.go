// Command dryhold watches a store room and says what its heat costs the food
// in it. Flags, signals and exit codes live here; the daemon is package app.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"dryhold/internal/nearest"
	"dryhold/internal/notify"
)

func main() {
	notify.LimitDefaultClient()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := newRoot().ExecuteContext(ctx)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "dryhold:", err)
		os.Exit(exitCode(err))
	}
}

// usageError is a mistake in the command line, exit code 2; any other failure
// is 1.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func exitCode(err error) int {
	if errors.As(err, new(usageError)) {
		return 2
	}
	return 1
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "dryhold",
		Short: "Watch a store room and what its heat costs the food in it",
		Long: `dryhold watches the rooms where dry staples are kept for years. It takes
temperature, humidity and light readings over MQTT, integrates what the heat
does to every lot, raises alarms in time, and says what a hot week costs in
days of life.

It is about quality, not safety: when in doubt about any food, throw it out,
and follow your local food-safety authority.`,
		Example: `  dryhold demo                    an invented year and a hot week, in a minute or two
  dryhold run                     the daemon, with a broker of its own, on this machine only
  dryhold lots add white-rice pet-2l --count 12 --mass 1.6 --room cellar
  dryhold status`,
		Args: subcommand, RunE: help,
		SilenceUsage: true, SilenceErrors: true,
		CompletionOptions: cobra.CompletionOptions{HiddenDefaultCmd: false},
	}
	root.SetHelpCommand(newHelp())
	listTopics(root)
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return usageError{fmt.Errorf("%w (see %s --help)", err, c.CommandPath())}
	})
	root.AddCommand(newRun(), newDemo(), newSetup(), newCheck(), newDoctor(), newLots(), newExplain(), newForecast(), newReview(), newWhatIf(), newUseFirst(), newPack(), newRounds(), newReport(), newAlarms(), newNotices(), newSensors(), newRooms(), newImport(), newAudit(), newLog(), newStatus(), newBackup(), newExport(), newRestore(), newRefold(), newPassword(), newToken(), newVersion())
	return root
}

func newVersion() *cobra.Command {
	return &cobra.Command{
		Use: "version", Short: "Print the version", Args: noArgs,
		Example: "  dryhold version",
		RunE: func(c *cobra.Command, _ []string) error {
			_, err := fmt.Fprintln(c.OutOrStdout(), "dryhold", version())
			return err
		},
	}
}

// version is what the Go toolchain recorded of this build.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v := info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && (v == "" || v == "(devel)") {
			v = s.Value[:min(12, len(s.Value))]
		}
	}
	if v == "" {
		v = "(devel)"
	}
	return v
}

// help is what a command does that only holds others.
func help(c *cobra.Command, _ []string) error { return c.Help() }

// subcommand refuses the name of a command that is not there.
func subcommand(c *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	var names []string
	for _, sub := range c.Commands() {
		if sub.IsAvailableCommand() {
			names = append(names, sub.Name())
		}
	}
	return usageError{fmt.Errorf("%s has no command %q%s", c.CommandPath(), args[0], nearest.Hint(args[0], names))}
}

func noArgs(c *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usageError{fmt.Errorf("%s takes no arguments, and %q is one (see %s --help)", c.CommandPath(), args[0], c.CommandPath())}
	}
	return nil
}

func exactArgs(n int) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if len(args) != n {
			return usageError{fmt.Errorf("%d arguments wanted, %d given: %s", n, len(args), c.UseLine())}
		}
		return nil
	}
}

// required refuses a command line without the flags named.
func required(c *cobra.Command, flags ...string) error {
	var missing []string
	for _, name := range flags {
		if !c.Flags().Changed(name) {
			missing = append(missing, "--"+name)
		}
	}
	if len(missing) > 0 {
		return usageError{fmt.Errorf("%s needs %s (see %s --help)", c.CommandPath(), strings.Join(missing, " and "), c.CommandPath())}
	}
	return nil
}
