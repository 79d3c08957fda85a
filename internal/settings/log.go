package settings

import (
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// LogLevels are the least levels of what goes to the log.
type LogLevels struct {
	All slog.Level
	// AllGiven says that All stands there, and is not info for want of another.
	AllGiven bool
	// Parts are those of single parts, each one of LogParts.
	Parts map[string]slog.Level
}

// LogParts are the parts of the daemon whose log has a level of its own, in order
// of their names. What belongs to none of the others is of "daemon".
func LogParts() []string {
	return []string{"broker", "clock", "commands", "daemon", "engine", "hub", "influx", "intake", "notify", "router", "sensors", "store", "upkeep", "web"}
}

// levelWords are the levels, from the one that tells most.
func levelWords() []string { return []string{"debug", "info", "warn", "error"} }

// LevelWord is how a level is written.
func LevelWord(l slog.Level) string { return strings.ToLower(l.String()) }

// Of is the level of a part.
func (l LogLevels) Of(part string) slog.Level {
	if own, ok := l.Parts[part]; ok {
		return own
	}
	return l.All
}

// String is what ParseLog reads.
func (l LogLevels) String() string {
	out := []string{LevelWord(l.All)}
	for _, part := range slices.Sorted(maps.Keys(l.Parts)) {
		out = append(out, part+"="+LevelWord(l.Parts[part]))
	}
	return strings.Join(out, ",")
}

// ParseLog reads levels such as info,intake=debug: one of all parts, which is info
// where it is left out, and those of single parts.
func ParseLog(text string) (LogLevels, error) {
	out := LogLevels{Parts: map[string]slog.Level{}}
	for item := range strings.SplitSeq(text, ",") {
		part, word, of := strings.Cut(strings.TrimSpace(item), "=")
		if !of {
			part, word = "", part
		}
		i := slices.Index(levelWords(), word)
		_, twice := out.Parts[part]
		switch {
		case i < 0:
			return LogLevels{}, fmt.Errorf("%q is not a level%s: write debug, info, warn or error, as in info,intake=debug", word, hint(word, levelWords()))
		case !of && out.AllGiven, of && twice:
			return LogLevels{}, fmt.Errorf("%q gives a level twice: keep one", text)
		case !of:
			out.AllGiven, out.All = true, levelOf(word)
		case !slices.Contains(LogParts(), part):
			return LogLevels{}, fmt.Errorf("%q is not a part with a level of its own%s: they are %s", part, hint(part, LogParts()), strings.Join(LogParts(), ", "))
		default:
			out.Parts[part] = levelOf(word)
		}
	}
	return out, nil
}

// levelOf is the level of one of the words.
func levelOf(word string) slog.Level {
	return map[string]slog.Level{"debug": slog.LevelDebug, "warn": slog.LevelWarn, "error": slog.LevelError}[word] // else info, which is 0
}

// log reads the levels of the log.
func (p *parse) log(n ast.Node) {
	text := p.text(n, "log")
	level := "(" + strings.Join(levelWords(), "|") + ")"
	item := `\s*((` + strings.Join(LogParts(), "|") + ")=)?" + level + `\s*`
	means(n, object{"pattern": "^" + item + "(," + item + ")*$", "examples": []any{"info,intake=debug"}})
	if text == "" {
		return
	}
	levels, err := ParseLog(text)
	if err != nil {
		p.at(n, "log: %v", err)
		return
	}
	p.s.Log = &levels
}
