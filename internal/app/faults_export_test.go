package app

import (
	"context"
	"time"

	"dryhold/internal/store"
)

// Clocks gives options with a monotonic clock beside Now, and the date of the
// build.
func (o Options) Clocks(mono func() time.Duration, built time.Time) Options {
	o.mono, o.built = mono, built
	return o
}

// Disk gives options with a disk of so much free space.
func (o Options) Disk(space func(string) (free, total uint64, err error)) Options {
	o.space = space
	return o
}

// Pauses gives options with the first pause before a commit that failed is
// tried again, and with how long all must be well before an outage is over.
func (o Options) Pauses(first, calm time.Duration) Options {
	o.pause, o.calm = first, calm
	return o
}

// Restrict denies the running daemon's store what a sick disk would.
func (a *App) Restrict(ctx context.Context, r store.Restriction) error {
	return a.store.Restrict(ctx, r)
}
