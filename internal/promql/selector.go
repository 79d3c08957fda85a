package promql

import (
	"errors"
	"fmt"
	"strings"
)

// maxSelector is the longest selector taken, bytes.
const maxSelector = 4096

// CheckSelector reports a text that is more, or less, than one selector: a
// metric's name, or what stands between { and }, or both. What is inside the
// braces the server judges; that nothing of it leaves them is judged here, or
// the range put behind it would be one of something else.
func CheckSelector(text string) error {
	text = strings.TrimSpace(text)
	rest := strings.TrimLeft(text, nameBytes)
	name := text[:len(text)-len(rest)]
	rest = strings.TrimSpace(rest)
	switch {
	case text == "":
		return errors.New("it is empty: write the name of a metric, and labels that narrow it down, as room_temperature_celsius{room=\"loft\"}")
	case len(text) > maxSelector:
		return fmt.Errorf("it has %d bytes: %d are taken", len(text), maxSelector)
	case name != "" && name[0] >= '0' && name[0] <= '9':
		return errors.New("no metric's name begins with a digit")
	case rest == "":
		return nil
	case rest[0] != '{':
		return errExpression
	}
	end, err := closing(rest)
	if err != nil {
		return err
	}
	if strings.TrimSpace(rest[end+1:]) != "" {
		return errExpression
	}
	return nil
}

const nameBytes = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_:"

var errExpression = errors.New("it is no selector, and only the samples of one can be read as they are: the server would look up what an expression needs, and bridge gaps by values that nobody measured. Write name{label=\"value\"}; units are converted here")

// closing is where the brace that opens a text is closed. Strings are those of
// PromQL: in ' and " a backslash escapes, in ` it does not. A comment would hide
// what follows.
func closing(text string) (int, error) {
	for i := 1; i < len(text); i++ {
		switch c := text[i]; c {
		case '}':
			return i, nil
		case '{', '#':
			return 0, fmt.Errorf("there is a %q where labels belong", string(c))
		case '"', '\'', '`':
			for i++; i < len(text) && text[i] != c; i++ {
				if text[i] == '\n' && c != '`' {
					return 0, errors.New("a line ends within a string")
				}
				if text[i] == '\\' && c != '`' {
					i++
				}
			}
			if i >= len(text) {
				return 0, fmt.Errorf("a string that begins with %s is not closed", string(c))
			}
		}
	}
	return 0, errors.New("the brace is not closed: write name{label=\"value\"}")
}
