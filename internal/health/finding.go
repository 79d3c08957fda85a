package health

// State is how one thing that was looked at came out.
type State string

// States of findings. What could not be looked at is not good.
const (
	Good    State = "good"
	Wrong   State = "wrong"
	Unknown State = "not known"
)

// Finding is one line of an examination: what was looked at, how it is, and
// what to do about it. Checks say how the daemon finds itself; findings are of
// whoever looks at it, its machine and its neighbours from outside.
type Finding struct {
	Area  string `json:"area"`  // broker, sensors, clock, disk, people, exports, certificates, configuration, store, daemon
	Title string `json:"title"` // what should be so
	State State  `json:"state"`
	Found string `json:"found"`
	// Remedy is what to do; empty only where all is good.
	Remedy string `json:"remedy,omitempty"`
}

// Fine is a finding with which nothing is to be done.
func Fine(area, title, found string) Finding {
	return Finding{Area: area, Title: title, State: Good, Found: found}
}

// Ill is a finding of something that is wrong.
func Ill(area, title, found, remedy string) Finding {
	return Finding{area, title, Wrong, found, remedy}
}

// Unsure is a finding of something that could not be looked at, or not in full.
func Unsure(area, title, found, remedy string) Finding {
	return Finding{area, title, Unknown, found, remedy}
}

// Count is how many findings are in a state.
func Count(findings []Finding, s State) (n int) {
	for _, f := range findings {
		if f.State == s {
			n++
		}
	}
	return n
}
