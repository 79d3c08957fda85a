package main

import (
	"fmt"
	"io"
	"path"
	"strings"

	"github.com/spf13/cobra"

	"dryhold/config"
	"dryhold/internal/nearest"
)

// topic is one page of the manual.
type topic struct{ name, title, text string }

// topics are the pages of the manual, sorted by name. The first line of each is
// its title.
func topics() ([]topic, error) {
	files, err := config.Manual()
	if err != nil {
		return nil, err
	}
	var all []topic
	for _, f := range files {
		title, text, _ := strings.Cut(string(f.Data), "\n")
		all = append(all, topic{
			name:  strings.TrimSuffix(path.Base(f.Name), ".md"),
			title: strings.TrimPrefix(title, "# "),
			text:  strings.TrimSpace(text) + "\n",
		})
	}
	return all, nil
}

// newHelp shows what a command is for, as --help does, or a topic of the manual.
// A word that is both, such as sensors, gives both.
func newHelp() *cobra.Command {
	return &cobra.Command{
		Use:   "help [COMMAND|TOPIC]",
		Short: "Show help on a command, or a topic of the manual",
		Long: `Show what a command is for, or a topic of the manual, as plain text. A word that is
both gives the topic and then the command. Without one it lists both. The topics
are manual pages too, where the Debian package put them: man 7 dryhold-sensors.`,
		Example: `  dryhold help lots add
  dryhold help science
  dryhold help alarms | less`,
		ValidArgsFunction: completeHelp,
		RunE: func(c *cobra.Command, args []string) error {
			all, err := topics()
			if err != nil {
				return err
			}
			command, rest, err := c.Root().Find(args)
			if err != nil || len(rest) > 0 {
				command = nil
			}
			out := c.OutOrStdout()
			if len(args) == 1 {
				for _, t := range all {
					if t.name != args[0] {
						continue
					}
					if _, err := io.WriteString(out, t.shown()); err != nil || command == nil {
						return err
					}
					heading := "The command dryhold " + t.name
					if _, err := fmt.Fprintf(out, "\n%s\n%s\n\n", heading, strings.Repeat("-", len(heading))); err != nil {
						return err
					}
				}
			}
			if command == nil {
				return noHelp(c.Root(), args, all)
			}
			command.InitDefaultHelpFlag()
			return command.Help()
		},
	}
}

// noHelp says what was meant most likely where nothing has the name.
func noHelp(root *cobra.Command, args []string, all []topic) error {
	command, rest, err := root.Find(args)
	if err == nil && command != root {
		return subcommand(command, rest)
	}
	var names []string
	for _, c := range root.Commands() {
		if c.IsAvailableCommand() {
			names = append(names, c.Name())
		}
	}
	for _, t := range all {
		names = append(names, t.name)
	}
	return usageError{fmt.Errorf("there is no command and no topic %q%s", args[0], nearest.Hint(args[0], names))}
}

// completeHelp gives shells what may follow: commands, and topics at first.
func completeHelp(c *cobra.Command, args []string, begun string) ([]string, cobra.ShellCompDirective) {
	command, rest, err := c.Root().Find(args)
	if err != nil || len(rest) > 0 {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	var found []string
	seen := map[string]bool{}
	offer := func(name, what string) {
		if strings.HasPrefix(name, begun) && !seen[name] {
			seen[name] = true
			found = append(found, cobra.CompletionWithDesc(name, what))
		}
	}
	for _, sub := range command.Commands() {
		if sub.IsAvailableCommand() {
			offer(sub.Name(), sub.Short)
		}
	}
	if all, err := topics(); err == nil && len(args) == 0 {
		for _, t := range all {
			offer(t.name, t.title)
		}
	}
	return found, cobra.ShellCompDirectiveNoFileComp
}

// listTopics has the help of the program itself end with the topics.
func listTopics(root *cobra.Command) {
	shown := root.HelpFunc()
	root.SetHelpFunc(func(c *cobra.Command, args []string) {
		shown(c, args)
		all, err := topics()
		if c != root || err != nil {
			return
		}
		out := c.OutOrStdout()
		fmt.Fprint(out, "\nTopics of the manual (dryhold help TOPIC):\n")
		for _, t := range all {
			fmt.Fprintf(out, "  %-12s%s\n", t.name, t.title)
		}
	})
}
