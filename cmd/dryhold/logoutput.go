package main

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"sync"
)

// logTo writes the log in a format, text or json. For a journal, each line begins
// with its priority as sd-daemon(3) has it, and has no time.
func logTo(w io.Writer, format string, journal bool) slog.Handler {
	// What goes to the log is decided before, by the levels of its part.
	o := &slog.HandlerOptions{Level: slog.LevelDebug}
	if !journal {
		return logFormat(w, format, o)
	}
	o.ReplaceAttr = func(groups []string, a slog.Attr) slog.Attr {
		if len(groups) == 0 && a.Key == slog.TimeKey {
			return slog.Attr{}
		}
		return a
	}
	line := &journalLine{w: w}
	return journalHandler{line, logFormat(&line.buf, format, o)}
}

func logFormat(w io.Writer, format string, o *slog.HandlerOptions) slog.Handler {
	if format == "json" {
		return slog.NewJSONHandler(w, o)
	}
	return slog.NewTextHandler(w, o)
}

// journalLine puts a line together, so that it is written at once.
type journalLine struct {
	mu  sync.Mutex
	w   io.Writer
	buf bytes.Buffer
}

// journalHandler writes what another handler makes of a record, which that writes
// to the buffer of the line.
type journalHandler struct {
	line *journalLine
	slog.Handler
}

func (h journalHandler) Handle(ctx context.Context, r slog.Record) error {
	h.line.mu.Lock()
	defer h.line.mu.Unlock()
	h.line.buf.Reset()
	h.line.buf.WriteString(priority(r.Level))
	if err := h.Handler.Handle(ctx, r); err != nil {
		return err
	}
	_, err := h.line.w.Write(h.line.buf.Bytes())
	return err
}

func (h journalHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	return journalHandler{h.line, h.Handler.WithAttrs(attrs)}
}

func (h journalHandler) WithGroup(name string) slog.Handler {
	return journalHandler{h.line, h.Handler.WithGroup(name)}
}

// priority is a level as sd-daemon(3) writes it: SD_DEBUG, SD_INFO, SD_WARNING, or
// SD_ERR.
func priority(l slog.Level) string {
	switch {
	case l < slog.LevelInfo:
		return "<7>"
	case l < slog.LevelWarn:
		return "<6>"
	case l < slog.LevelError:
		return "<4>"
	}
	return "<3>"
}
