// Package health holds the daemon's own condition as data: the page, the
// health endpoint, metrics and the command line all read the same checks.
package health

import "time"

// Check is one thing that must work for dryhold to be trusted.
type Check struct {
	Code   string    `json:"code"`  // intake, store, evaluation, clock, disk, notices-mail: stable
	Title  string    `json:"title"` // for people: "Readings arrive"
	OK     bool      `json:"ok"`
	Text   string    `json:"text"`   // what is so, and when not OK how to mend it
	Since  time.Time `json:"since"`  // of the present OK or not OK
	Urgent bool      `json:"urgent"` // not OK turns the health endpoint red
}

// Red reports whether an urgent check fails.
func Red(checks []Check) bool {
	for _, c := range checks {
		if c.Urgent && !c.OK {
			return true
		}
	}
	return false
}
