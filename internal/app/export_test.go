package app

import "dryhold/internal/crash"

// CrashAt gives options with a hook at the points of package crash.
func (o Options) CrashAt(hook crash.Hook) Options {
	o.crash = hook
	return o
}
