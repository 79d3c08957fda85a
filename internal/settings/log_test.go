package settings_test

import (
	"log/slog"
	"strings"
	"testing"

	"dryhold/internal/settings"
)

func TestLogLevels(t *testing.T) {
	f := func(text, want, part string, level slog.Level) {
		t.Helper()
		got, err := settings.ParseLog(text)
		if err != nil || got.String() != want || got.Of(part) != level {
			t.Errorf("%q: %s, %s at %v (%v); want %s, %v", text, got, part, got.Of(part), err, want, level)
		}
	}
	f("info", "info", "store", slog.LevelInfo)
	f("debug", "debug", "store", slog.LevelDebug)
	f("intake=debug", "info,intake=debug", "intake", slog.LevelDebug)
	f("intake=debug", "info,intake=debug", "store", slog.LevelInfo)
	f(" web=error , warn,intake=debug", "warn,intake=debug,web=error", "web", slog.LevelError)
	f("web=error,warn", "warn,web=error", "hub", slog.LevelWarn)

	refused := func(text, want string) {
		t.Helper()
		if _, err := settings.ParseLog(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
		_, err := settings.Parse("f.yaml", []byte("log: "+`"`+text+`"`))
		if err == nil || !strings.Contains(err.Error(), "f.yaml:1:") {
			t.Errorf("a configuration with %q: %v", text, err)
		}
	}
	refused("", "is not a level")
	refused("loud", "write debug, info, warn or error")
	refused("degub", `did you mean "debug"`)
	refused("INFO+2", "is not a level")
	refused("info,", "is not a level")
	refused("info,warn", "gives a level twice")
	refused("web=info,web=warn", "gives a level twice")
	refused("intak=debug", `did you mean "intake"`)
	refused("=debug", "is not a part")

	if got := parse(t, "site: larch-house").Log; got != nil {
		t.Errorf("without the key: %v", got)
	}
}
