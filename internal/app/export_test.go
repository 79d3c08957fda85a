package app

import (
	"time"

	"dryhold/internal/crash"
)

// CrashAt gives options with a hook at the points of package crash.
func (o Options) CrashAt(hook crash.Hook) Options {
	o.crash = hook
	return o
}

// Refreshed gives options by which hubs are told again so often.
func (o Options) Refreshed(every time.Duration) Options {
	o.refresh = every
	return o
}
