package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"dryhold/internal/app"
)

// setup is what is asked, with what the command line says of it.
type setup struct {
	ask  asker
	out  io.Writer
	file string

	broker, user, passwordFile   string
	site, zone                   string
	rooms                        []string // name, or name:warm,damp,bright
	mailServer, mailFrom, mailTo string
	mailUser, mailPasswordFile   string
	listen                       time.Duration
	force, test                  bool

	secrets map[string]string // path within the folder of the file to its text
	topics  []string          // entries of topics as they are written
}

func newSetup() *cobra.Command {
	var s setup
	var yes bool
	c := &cobra.Command{
		Use: "setup [FILE]", Short: "Ask a handful of questions and write a configuration", Args: atMostOneArg,
		Long: `Ask which broker brings the readings, what the site and its rooms are called, and
where mail goes; look at the broker which sensors speak, and propose how they are
read and in which room they stand; show the configuration, check it, and write it,
by default into dryhold.yaml. Passwords go into files of their own, below secrets/,
for their owner alone, or for the group too to which root gave a configuration that
is replaced.

An empty answer takes what stands in brackets. Nothing is written before the last
question, and a file that is there is replaced only when that was said; it is then
kept as FILE.before.

With --yes nothing is asked: flags and defaults are taken, with each proposal that
gives readings of a room that is listed.`,
		Example: `  dryhold setup
  sudo dryhold setup /etc/dryhold/dryhold.yaml
  dryhold setup --yes --room cellar:18,60,5 --room loft
  dryhold setup --yes --broker mqtt://hearth.lan:1883 --user dryhold --password-file pw --room cellar --listen 2m`,
		RunE: func(c *cobra.Command, args []string) error {
			s.file = "dryhold.yaml"
			if len(args) > 0 {
				s.file = args[0]
			}
			s.out, s.secrets = c.OutOrStdout(), map[string]string{}
			s.ask = newAsker(c.Context(), c.InOrStdin(), s.out, yes)
			return s.run(c.Context())
		},
	}
	f := c.Flags()
	f.StringVar(&s.broker, "broker", "", "own, or the address of the MQTT broker, as mqtt://hearth.lan:1883")
	f.StringVar(&s.user, "user", "", "user name at the broker")
	f.StringVar(&s.passwordFile, "password-file", "", "file with the password at the broker, one line")
	f.StringVar(&s.site, "site", "", "name of the household")
	f.StringVar(&s.zone, "zone", "", "time zone, as Europe/Berlin")
	f.StringArrayVar(&s.rooms, "room", nil, "a room, as cellar, or with its limits in C, % and lx, as cellar:18,60,5; again for each")
	f.StringVar(&s.mailServer, "mail-server", "", "mail server that takes messages, as smtp.larch.example:465")
	f.StringVar(&s.mailFrom, "mail-from", "", "address that mail is from")
	f.StringVar(&s.mailTo, "mail-to", "", "address that mail goes to")
	f.StringVar(&s.mailUser, "mail-user", "", "user name at the mail server")
	f.StringVar(&s.mailPasswordFile, "mail-password-file", "", "file with the password at the mail server, one line")
	f.DurationVar(&s.listen, "listen", 20*time.Second, "how long to listen for sensors")
	f.BoolVar(&yes, "yes", false, "ask nothing: take flags and defaults")
	f.BoolVar(&s.force, "force", false, "with --yes, replace a file that is there")
	f.BoolVar(&s.test, "test", false, "with --yes, send a test notice by mail")
	return c
}

// run asks, looks, shows and writes.
func (s *setup) run(ctx context.Context) error {
	for _, question := range []func(context.Context) error{s.askFile, s.askHouse, s.askBroker, s.askRooms, s.askMail} {
		if err := question(ctx); err != nil {
			return err
		}
	}
	// What is tried stands in a folder of its own until all is settled.
	trial, err := os.MkdirTemp("", "dryhold-setup-")
	if err != nil {
		return fmt.Errorf("cannot make a place to try the configuration: %w", err)
	}
	defer os.RemoveAll(trial)
	if s.broker != ownBroker {
		if err := s.askTopics(ctx, trial); err != nil {
			return err
		}
	}
	a, err := s.made(trial)
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "\n%s\nThe configuration is good. Passwords in it are in files of their own: %d.\n", s.text(), len(s.secrets))
	if s.mailServer != "" {
		if send, err := s.ask.yes("Send a test notice to "+s.mailTo+" now?", true, s.test); err != nil {
			return err
		} else if send {
			if err := a.SendTest(ctx, who("")); err != nil {
				fmt.Fprintf(s.out, "%v\n", err)
			} else {
				fmt.Fprintln(s.out, "The mail server took it. See whether it comes.")
			}
		}
	}
	if write, err := s.ask.yes("Write it to "+s.file+"?", true, true); err != nil {
		return err
	} else if !write {
		fmt.Fprintln(s.out, "Nothing was written.")
		return nil
	}
	if err := s.write(); err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.out, "Written. Start it:\n  dryhold run --config %s\n", shellWord(s.file))
	return err
}

// made is the configuration as it will be, written into a folder to try and
// loaded by what check loads it with.
func (s *setup) made(dir string) (*app.App, error) {
	if err := s.lay(dir, "dryhold.yaml"); err != nil {
		return nil, err
	}
	config, cat, err := load(filepath.Join(dir, "dryhold.yaml"))
	if err != nil {
		return nil, errors.New("these answers make no configuration:\n" + strings.ReplaceAll(err.Error(), dir+"/", ""))
	}
	return app.New(app.Options{Settings: config, Catalog: cat, DataDir: filepath.Join(dir, "data"), Version: version()})
}

// lay writes secrets and configuration into a folder that has neither.
func (s *setup) lay(dir, name string) error {
	files := map[string]string{name: s.text()}
	for path, text := range s.secrets {
		files[path] = text + "\n"
	}
	for path, text := range files {
		path = filepath.Join(dir, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			return fmt.Errorf("cannot make the folder of %s: %w", path, err)
		}
		if err := replace(path, text, 0); err != nil {
			return err
		}
	}
	return nil
}

// write puts all in its place: secrets first, the configuration last, so that
// one that is there has all it names.
func (s *setup) write() error {
	dir := filepath.Dir(s.file)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("cannot make %s: %w", dir, err)
	}
	group := groupOf(s.file)
	for path, text := range s.secrets {
		path = filepath.Join(dir, path)
		if err := folder(filepath.Dir(path), group); err != nil {
			return fmt.Errorf("cannot make the folder of secrets: %w", err)
		}
		if err := keep(path); err != nil {
			return err
		}
		if err := replace(path, text+"\n", group); err != nil {
			return err
		}
	}
	if err := keep(s.file); err != nil {
		return err
	}
	return replace(s.file, s.text(), group)
}

// groupOf is the group to which root has given a file, as the packages give the
// configuration to that of the daemon; 0 for none.
func groupOf(path string) (group int) {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	s, known := info.Sys().(*syscall.Stat_t)
	if !known || s.Uid != 0 || info.Mode().Perm()&0o040 == 0 {
		return 0
	}
	return int(s.Gid)
}

// folder makes a folder for its owner and the group, unless it is there.
func folder(path string, group int) error {
	if _, err := os.Stat(path); err == nil {
		return nil
	}
	if err := os.Mkdir(path, 0o700); err != nil || group == 0 {
		return err
	}
	return errors.Join(os.Chown(path, -1, group), os.Chmod(path, 0o750))
}

// keep gives a file that is there a second name, under which it stays.
func keep(path string) error {
	before := path + ".before"
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err := os.Remove(before); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("cannot replace %s: %w", before, err)
	}
	if err := os.Link(path, before); err != nil {
		return fmt.Errorf("cannot keep the file before as %s: %w", before, err)
	}
	return nil
}

// replace writes a file for its owner and the group, where there is one, whole or
// not at all.
func replace(path, text string, group int) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), ".setup-*") // mode 0600
	if err != nil {
		return fmt.Errorf("cannot write %s: %w", path, err)
	}
	defer func() {
		if err != nil {
			err = fmt.Errorf("cannot write %s: %w", path, errors.Join(err, os.Remove(f.Name())))
		}
	}()
	if group != 0 {
		err = errors.Join(f.Chown(-1, group), f.Chmod(0o640))
	}
	if err == nil {
		_, err = f.WriteString(text)
	}
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
