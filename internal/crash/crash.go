// Package crash names the instants at which tests end the process, to show
// that nothing is lost and nothing counts twice. Each is between two steps
// that belong together. In a daemon that no test ends they cost a look into a
// context that holds nothing.
package crash

// Point is one instant.
type Point string

// The points, in the order of what they are about.
const (
	Received     Point = "a message received, not decoded"
	Decoded      Point = "a message decoded, not with the writer"
	Batched      Point = "a batch put together, no transaction begun"
	Inserted     Point = "readings inserted, not judged"
	Judged       Point = "readings judged, what follows not written"
	Written      Point = "a batch written, not committed"
	Committed    Point = "a batch committed, nothing acknowledged"
	Acknowledged Point = "the first of several messages acknowledged"

	Folded   Point = "some days folded at start"
	Refolded Point = "some days folded again"

	Alarmed      Point = "an alarm condition changed, not committed"
	Edited       Point = "a change of a lot committed, not answered"
	Confirmed    Point = "an acknowledgement taken, not committed"
	Acknowledges Point = "an acknowledgement committed, not answered"

	Sending Point = "a notice taken from the outbox, not sent"
	Sent    Point = "a notice taken by its channel, not noted"
	Noted   Point = "a notice noted as delivered"

	Packing Point = "closed days listed, none packed"
	Packed  Point = "a closed day packed, not committed"
	Closed  Point = "closed days packed and committed"

	Migrated Point = "one migration done, more to come"

	Copied  Point = "a backup copied, not checked"
	Checked Point = "a backup checked, without its name"

	Fetched  Point = "a restore copied and checked, not ready"
	Ready    Point = "a restore ready, the old database not kept aside"
	KeptSafe Point = "a restore ready, the old database kept aside"
	Cleared  Point = "a restore with the old log gone, without its name"
)

// Points lists all of them. A test goes through the list and fails at one that
// is never reached.
func Points() []Point {
	return []Point{
		Received, Decoded, Batched, Inserted, Judged, Written, Committed, Acknowledged,
		Folded, Refolded,
		Alarmed, Edited, Confirmed, Acknowledges,
		Sending, Sent, Noted,
		Packing, Packed, Closed,
		Migrated,
		Copied, Checked,
		Fetched, Ready, KeptSafe, Cleared,
	}
}

// Hook is called at each point.
type Hook func(Point)

// Key is that of the Hook in a context.
type Key struct{}

// At calls the hook of a context, if it has one.
func At(ctx interface{ Value(key any) any }, p Point) {
	if hook, ok := ctx.Value(Key{}).(Hook); ok {
		hook(p)
	}
}
