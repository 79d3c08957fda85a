package lot

import (
	"errors"
	"fmt"
)

// Sentinels that an edit of lots or alarms wraps, so that a page or a command
// can tell a keeper's slip from a fault of the machine; see Invalid and
// NotFound.
var (
	// ErrNotFound is returned when the lot or the alarm condition named is
	// not there.
	ErrNotFound = errors.New("not found")
	// ErrInvalid is returned when the facts given cannot be so: an unknown
	// class or room, a count below 1, a time before the lot was packed, a lot
	// already finished.
	ErrInvalid = errors.New("not accepted")
	// ErrNotNow is returned when the change may well be right but cannot be
	// taken now: the store cannot write, the clock is not trusted.
	ErrNotNow = errors.New("not now")
)

// refusal is an error for the keeper, in words that stand alone; kind is the
// sentinel it is told by.
type refusal struct {
	text string
	kind error
}

func (r refusal) Error() string { return r.text }
func (r refusal) Unwrap() error { return r.kind }

// Invalid is a refusal told by ErrInvalid.
func Invalid(format string, args ...any) error {
	return refusal{fmt.Sprintf(format, args...), ErrInvalid}
}

// NotFound is a refusal told by ErrNotFound.
func NotFound(format string, args ...any) error {
	return refusal{fmt.Sprintf(format, args...), ErrNotFound}
}

// NotNow is a refusal told by ErrNotNow.
func NotNow(format string, args ...any) error {
	return refusal{fmt.Sprintf(format, args...), ErrNotNow}
}
