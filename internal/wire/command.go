package wire

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"dryhold/internal/alarm"
	"dryhold/internal/nearest"
)

// Bounds of a command, bytes.
const (
	maxCommand     = 4096
	maxCommandID   = 100
	maxCommandName = 80
	maxCommandNote = 2000
)

// Command is an act on an alarm, told over MQTT as JSON:
//
//	{"id": "4f1c", "do": "shelve", "alarm": "warm/loft", "by": "mara", "for": "8h", "note": "painters are in"}
//
// Its id is its sender's choice and never used twice: a command that comes
// again under the id of one that was done is not done again.
type Command struct {
	ID    string
	Do    string // one of alarm.Acts
	Alarm alarm.Key
	By    string
	Note  string
	Until time.Time // of shelving
}

// CommandAnswer is the answer to a command, as JSON.
type CommandAnswer struct {
	ID   string    `json:"id"`
	Done bool      `json:"done"`
	At   time.Time `json:"at"`
	Text string    `json:"text"` // what was done, or why it was not
}

// ParseCommand reads a command that came at an instant. The ID is given as far
// as it could be read, also with an error, so that it can be answered.
func ParseCommand(payload []byte, now time.Time) (Command, error) {
	var told struct {
		ID    string    `json:"id"`
		Do    string    `json:"do"`
		Alarm string    `json:"alarm"`
		By    string    `json:"by"`
		Note  string    `json:"note"`
		For   string    `json:"for"`
		Until time.Time `json:"until"`
	}
	if len(payload) > maxCommand {
		return Command{}, fmt.Errorf("a command of %d bytes: send at most %d", len(payload), maxCommand)
	}
	if !utf8.Valid(payload) {
		return Command{}, errors.New("the command is not UTF-8")
	}
	d := json.NewDecoder(bytes.NewReader(payload))
	d.DisallowUnknownFields()
	err := d.Decode(&told)
	if _, more := d.Token(); err == nil && !errors.Is(more, io.EOF) {
		err = errors.New("it goes on after its JSON object")
	}
	c := Command{ID: told.ID, Do: told.Do, By: strings.TrimSpace(told.By), Note: strings.TrimSpace(told.Note), Until: told.Until.UTC().Truncate(time.Second)}
	if len(c.ID) > maxCommandID {
		c.ID = ""
	}
	switch {
	case err != nil:
		return c, fmt.Errorf("the command is not the JSON expected: %s", strings.TrimPrefix(err.Error(), "json: "))
	case c.ID == "":
		return c, fmt.Errorf("id: give each command an id of its own, of at most %d bytes, so that it is done once however often it comes", maxCommandID)
	case !slices.Contains(alarm.Acts(), c.Do):
		return c, fmt.Errorf("do: unknown act %q%s", c.Do, nearest.Hint(c.Do, alarm.Acts()))
	case c.By == "" || len(c.By) > maxCommandName:
		return c, fmt.Errorf("by: give the name of who does it, of at most %d bytes", maxCommandName)
	case len(c.Note) > maxCommandNote:
		return c, fmt.Errorf("note: it is longer than %d bytes", maxCommandNote)
	}
	if c.Alarm, err = alarm.ParseKey(told.Alarm); err != nil {
		return c, fmt.Errorf("alarm: %w", err)
	}
	given := 0
	if told.For != "" {
		given++
		if c.Until, err = alarm.ShelveEnd(now.UTC(), told.For); err != nil {
			return c, fmt.Errorf("for: %w", err)
		}
	}
	if !told.Until.IsZero() {
		given++
	}
	switch {
	case c.Do == alarm.ActShelve && given != 1:
		return c, errors.New("say how long it is shelved: for (8h, 2d), or until (a time), not both")
	case c.Do != alarm.ActShelve && given != 0:
		return c, errors.New("for, until: only shelving has an end")
	}
	return c, nil
}
