package lot

import (
	"errors"
	"fmt"
)

// Sentinels that an edit of lots or alarms wraps, so that a page or a command
// can tell a keeper's slip from a fault of the machine. Wrap with %w and say
// what, where and how to mend before it:
//
//	fmt.Errorf("lot %q: %w", id, lot.ErrNotFound)
var (
	// ErrNotFound is returned when the lot or the alarm condition named is
	// not there.
	ErrNotFound = errors.New("not found")
	// ErrInvalid is returned when the facts given cannot be so: an unknown
	// class or room, a count below 1, a time before the lot was packed, a lot
	// already finished.
	ErrInvalid = errors.New("not accepted")
)

// invalid is a refusal that wraps ErrInvalid.
func invalid(format string, args ...any) error {
	return fmt.Errorf("%s: %w", fmt.Sprintf(format, args...), ErrInvalid)
}
