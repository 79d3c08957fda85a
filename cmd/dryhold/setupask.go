package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"dryhold/internal/settings"
	"dryhold/internal/wire"
)

// ownBroker is the answer for the embedded broker.
const ownBroker = "own"

// asker asks a person, line by line, or nobody.
type asker struct {
	ctx   context.Context
	out   io.Writer
	lines <-chan string // nil: nobody is asked
}

// newAsker reads lines beside, so that an interrupt is heard while it waits.
func newAsker(ctx context.Context, in io.Reader, out io.Writer, nobody bool) asker {
	if nobody {
		return asker{ctx: ctx, out: out}
	}
	lines := make(chan string)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(in); s.Scan(); {
			select {
			case lines <- s.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	return asker{ctx, out, lines}
}

// errBrokenOff is of questions that nobody answers any more.
var errBrokenOff = errors.New("broken off; nothing was written")

// text asks for a text; an empty answer is usual. It asks again until check
// takes it.
func (a asker) text(question, usual string, check func(string) error) (string, error) {
	for {
		answer := usual
		if a.lines != nil {
			fmt.Fprintf(a.out, "%s [%s]: ", question, usual)
			select {
			case line, more := <-a.lines:
				if !more {
					return "", errBrokenOff
				}
				if line = strings.TrimSpace(line); line != "" {
					answer = line
				}
			case <-a.ctx.Done():
				return "", errBrokenOff
			}
		}
		err := check(answer)
		if err == nil {
			return answer, nil
		}
		if a.lines == nil {
			return "", usageError{fmt.Errorf("%s: %w", strings.ToLower(question), err)}
		}
		fmt.Fprintf(a.out, "  %v\n", err)
	}
}

// yes asks for a yes or no; quiet is the answer where nobody is asked.
func (a asker) yes(question string, usual, quiet bool) (bool, error) {
	if a.lines == nil {
		return quiet, nil
	}
	word := map[bool]string{true: "yes", false: "no"}[usual]
	answer, err := a.text(question, word, func(s string) error {
		return oneOf("answer", strings.ToLower(s), "yes", "y", "no", "n")
	})
	return strings.HasPrefix(strings.ToLower(answer), "y"), err
}

func anything(string) error { return nil }

// askFile asks before a file is replaced.
func (s *setup) askFile(context.Context) error {
	if _, err := os.Lstat(s.file); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if again, err := s.ask.yes(s.file+" is there already. Replace it at the end?", false, s.force); err != nil {
		return err
	} else if !again {
		return fmt.Errorf("%s is there already and stays as it is: name another file (dryhold setup FILE), or use --force with --yes", s.file)
	}
	return nil
}

func (s *setup) askHouse(context.Context) (err error) {
	s.site, err = s.ask.text("Name of the household", orElse(s.site, settings.DefaultSite), wire.CheckName)
	if err != nil {
		return err
	}
	s.zone, err = s.ask.text("Time zone", orElse(s.zone, machineZone()), func(z string) error {
		_, err := time.LoadLocation(z)
		return err
	})
	return err
}

func orElse(given, usual string) string {
	if given != "" {
		return given
	}
	return usual
}

// machineZone is the zone of this machine, UTC where it is not known.
func machineZone() string {
	link, err := os.Readlink("/etc/localtime")
	if _, zone, found := strings.Cut(filepath.ToSlash(link), "zoneinfo/"); err == nil && found {
		if _, err := time.LoadLocation(zone); err == nil {
			return zone
		}
	}
	return "UTC"
}

func (s *setup) askBroker(context.Context) (err error) {
	s.broker, err = s.ask.text("MQTT broker: own, or the address of yours, as mqtt://127.0.0.1:1883", orElse(s.broker, ownBroker), func(b string) error {
		if b != ownBroker && !strings.Contains(b, "://") {
			return errors.New("write own, or an address such as mqtt://hearth.lan:1883")
		}
		return nil
	})
	if err != nil || s.broker == ownBroker {
		return err
	}
	return s.askLogin("broker", "mqtt", &s.user, s.passwordFile)
}

// askLogin asks for user and password; an empty user is none.
func (s *setup) askLogin(of, name string, user *string, passwordFile string) (err error) {
	if *user, err = s.ask.text("User name at the "+of+" (none: empty)", *user, anything); err != nil || *user == "" {
		return err
	}
	password := ""
	if passwordFile != "" {
		if password, err = readSecret("password file", "password", passwordFile); err != nil {
			return err
		}
	} else if password, err = s.ask.text("Password at the "+of+" (it is seen while you type)", "", func(p string) error {
		if p == "" {
			return errors.New("a user needs a password")
		}
		return nil
	}); err != nil {
		return err
	}
	s.secrets["secrets/"+name+"-user"], s.secrets["secrets/"+name+"-password"] = *user, password
	return nil
}

// askRooms asks for rooms and the limits of each.
func (s *setup) askRooms(context.Context) error {
	if len(s.rooms) == 0 {
		names, err := s.ask.text("Rooms, with spaces between", "cellar", func(names string) error {
			for _, n := range strings.Fields(names) {
				if err := wire.CheckName(n); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
		for _, name := range strings.Fields(names) {
			limits, err := s.ask.text("Most of "+name+": C,%,lx", usualLimits, func(l string) error { _, err := limitsOf(l); return err })
			if err != nil {
				return err
			}
			s.rooms = append(s.rooms, name+":"+limits)
		}
	}
	for _, r := range s.rooms {
		name, limits, _ := strings.Cut(r, ":")
		if err := wire.CheckName(name); err != nil {
			return usageError{fmt.Errorf("--room %q: %w", r, err)}
		}
		if _, err := limitsOf(limits); err != nil {
			return usageError{fmt.Errorf("--room %q: %w", r, err)}
		}
	}
	return nil
}

// usualLimits are those that hold without any.
const usualLimits = "21,60,50"

// limitsOf reads limits in C, % and lx.
func limitsOf(text string) (limits [3]string, err error) {
	parts := strings.Split(orElse(text, usualLimits), ",")
	if len(parts) != len(limits) {
		return limits, errors.New("write the most of temperature in C, humidity in % and light in lx, as " + usualLimits)
	}
	for i, p := range parts {
		limits[i] = strings.TrimSpace(p)
		if _, err := strconv.ParseFloat(limits[i], 64); err != nil {
			return limits, fmt.Errorf("%q is no number: write as %s", p, usualLimits)
		}
	}
	return limits, nil
}

func (s *setup) askMail(context.Context) (err error) {
	s.mailServer, err = s.ask.text("Mail server for alarms, with its port, as smtp.larch.example:465 (none: empty)", s.mailServer, func(at string) error {
		if at == "" {
			return nil
		}
		_, _, err := net.SplitHostPort(at)
		return err
	})
	if err != nil || s.mailServer == "" {
		return err
	}
	address := func(a string) error {
		if !strings.Contains(a, "@") {
			return errors.New("write a mail address, as mara@larch.example")
		}
		return nil
	}
	if s.mailTo, err = s.ask.text("Mail goes to", s.mailTo, address); err != nil {
		return err
	}
	if s.mailFrom, err = s.ask.text("Mail is from", orElse(s.mailFrom, s.mailTo), address); err != nil {
		return err
	}
	return s.askLogin("mail server", "mail", &s.mailUser, s.mailPasswordFile)
}
