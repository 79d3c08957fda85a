package app

// CrashAt gives options with a hook at the named points of a commit.
func (o Options) CrashAt(hook func(point string)) Options {
	o.crash = hook
	return o
}
