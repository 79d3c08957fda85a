package audit

import (
	"time"

	"dryhold/internal/alarm"
)

// OfAlarm is the act that something done to an alarm is: do is one of
// alarm.Acts, of the alarm by its written key, until the end of shelving.
func OfAlarm(at time.Time, do, of, by, note string, until time.Time) Act {
	return Act{Told: at, At: at, By: by, Kind: Alarm, Of: of, What: AlarmWords(do, until), Why: note}
}

// AlarmWords says what an act did to an alarm; not to which, nor why.
func AlarmWords(do string, until time.Time) string {
	switch do {
	case alarm.ActAcknowledge:
		return "acknowledged"
	case alarm.ActShelve:
		if until.IsZero() {
			return "shelved"
		}
		return "shelved until " + until.UTC().Format(time.RFC3339)
	case alarm.ActUnshelve:
		return "taken from the shelf"
	case alarm.ActOutOfService:
		return "taken out of service"
	case alarm.ActReturn:
		return "returned to service"
	case alarm.ActAnnotate:
		return "annotated"
	}
	return do
}
