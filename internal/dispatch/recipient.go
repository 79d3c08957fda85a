// Package dispatch decides who is told what and when. Machines get every event
// of every alarm at once, and this package has no part in it; it is for people,
// who sleep, travel and have no patience for noise.
//
// Its rules, each for one recipient:
//
//   - An alarm is told once as raised, once it stands for the time of
//     Grouping, or of Patience for a silent sensor, in one message with all else that is due of the same room.
//     What stands no more by then, or by the end of quiet hours, or by the time
//     the day has room for another message, is not told; the digest has it.
//   - An alarm that comes back within Calm of its return is the same episode:
//     it is not raised again, and its return is told once the episode is over.
//   - While it stands and nobody has acknowledged it, it is told again after
//     each of Recipient.Repeat, the last of which goes on; one of low priority
//     only with what goes out of its room anyway, and a forecast not at all.
//   - In 24 h there are at most Recipient.AtMost messages, the last of which is
//     kept for new alarms that are not low: a battery never holds up the heat.
//     A new alarm of high priority goes out in any case, and counts. What there
//     is no room for waits, and goes with the next; and what is not new goes
//     with what is, of whatever room.
//   - An alarm that follows from another that was told is not told beside it
//     (see covers), but joins the next message of its room, and is told as soon
//     as the episode of the other is over.
//   - Shelved alarms, and those out of service, are not told.
//
// So each episode that stands when it may be told is told exactly once as
// raised, and nothing is dropped without a line in the digest.
//
// It is pure: time comes in, and all it must know after a restart is in Told.
package dispatch

import (
	"time"

	"dryhold/internal/alarm"
)

// Times that are the same for all recipients.
const (
	// Grouping is how long an alarm waits for others of its room to join it:
	// longer than sensors of one room take to see the same, and nothing
	// against the hours of an on-delay (judgement).
	Grouping = 5 * time.Minute
	// Patience is how long a silent sensor is waited for, unless its silence is of
	// high priority: most radios are back within hours, and food that lags by
	// hours loses nothing meanwhile (judgement).
	Patience = 4 * time.Hour
	// Calm is how long an alarm must have returned for its episode to be over:
	// a day, as excursions are joined in the review, so that the afternoons of
	// a hot week are one.
	Calm = 24 * time.Hour
	// Together is how far apart sensors may fall silent to have fallen silent
	// together: the longest usual interval of a battery sensor (judgement).
	Together = time.Hour
)

// Defaults of a recipient (judgement).
const (
	DefaultAtMost = 3 // messages a day
	// DefaultName is whom the mail account is for where no recipient is named.
	DefaultName = "keeper"
)

// DefaultRepeat is how often an alarm that nobody acknowledges is told again.
func DefaultRepeat() []time.Duration {
	return []time.Duration{4 * time.Hour, 24 * time.Hour, 7 * 24 * time.Hour}
}

// DefaultDigest is Sunday at 18:00.
func DefaultDigest() *Weekly { return &Weekly{time.Sunday, 18 * 60} }

// Recipient is one person and the ways to them.
type Recipient struct {
	Name     string
	Channels []string // at least one
	Least    alarm.Priority
	// Quiet are the hours of the day in Zone in which only what is at least
	// Urgent goes out; Urgent 0 is nothing.
	Quiet  []Span
	Urgent alarm.Priority
	Zone   *time.Location // never nil
	// Repeat are the pauses before an alarm is told again, the last of which
	// goes on; none for never.
	Repeat []time.Duration
	// After makes the recipient one whom alarms come to that nobody has
	// acknowledged so long after the others were told; 0 for one of the others.
	After time.Duration
	// AtMost is the most messages in any 24 h, the digest and the drill aside; at
	// least 1. One that raises an alarm of high priority may be one more.
	AtMost int
	Digest *Weekly // nil for none
	Drill  *Yearly // nil for none
}

// Span is a part of every day, in minutes since midnight, To not in it. It goes
// over midnight where From is not before To.
type Span struct{ From, To int }

// Weekly is an instant of every week, Minute in minutes since midnight.
type Weekly struct {
	Day    time.Weekday
	Minute int
}

// Yearly is a day of every year, at nine in the morning.
type Yearly struct {
	Month time.Month
	Day   int
}

// drillHour is when a drill is due: by day (judgement).
const drillHour = 9

// quiet reports whether an instant is in the quiet hours.
func (r *Recipient) quiet(at time.Time) bool {
	local := at.In(r.Zone)
	minute := 60*local.Hour() + local.Minute()
	for _, s := range r.Quiet {
		if s.From < s.To && minute >= s.From && minute < s.To || s.From >= s.To && (minute >= s.From || minute < s.To) {
			return true
		}
	}
	return false
}

// Before is the last instant of the week that is not after at.
func (w Weekly) Before(at time.Time, zone *time.Location) time.Time {
	return w.around(at, zone, 0)
}

// Next is the first instant of the week after at.
func (w Weekly) Next(at time.Time, zone *time.Location) time.Time {
	return w.around(at, zone, 7)
}

// around gives the last instant not after at, or with 7 the one a week later by
// the calendar: of a day that changes its hours, the clock decides.
func (w Weekly) around(at time.Time, zone *time.Location, later int) time.Time {
	y, m, d := at.In(zone).Date()
	d -= (int(at.In(zone).Weekday()-w.Day) + 7) % 7
	t := time.Date(y, m, d, w.Minute/60, w.Minute%60, 0, 0, zone)
	if t.After(at) {
		later -= 7
	}
	return time.Date(y, m, d+later, w.Minute/60, w.Minute%60, 0, 0, zone)
}

// before is the last drill day that is not after at.
func (y Yearly) before(at time.Time, zone *time.Location) time.Time {
	year := at.In(zone).Year()
	t := time.Date(year, y.Month, y.Day, drillHour, 0, 0, 0, zone)
	if t.After(at) {
		t = time.Date(year-1, y.Month, y.Day, drillHour, 0, 0, 0, zone)
	}
	return t
}
