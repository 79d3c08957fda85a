package lot

import (
	"slices"
	"strings"
	"time"
)

// Inspected is a round through a room: what was looked for there, and what was
// found. It is of no lot; the lots it tells of are noted beside it. Stored:
// never rename.
const Inspected ChangeKind = "inspected"

// RoundEvery is how often a room with food in it is looked through (common
// practice, no source).
const RoundEvery = 31 * 24 * time.Hour

// RoundQuestion is one point of the checklist.
type RoundQuestion struct {
	ID   string `json:"id"`
	Text string `json:"text"`
	// Found is what it means where the answer is found.
	Found string `json:"found"`
	// Act is what to do then.
	Act string `json:"act"`
}

// RoundQuestions lists the checklist of a round. What to do follows the cautions
// of models section 13.
func RoundQuestions() []RoundQuestion {
	return []RoundQuestion{
		{"rodents", "Droppings, gnawed corners, webs or insects?", "signs of rodents or insects",
			"throw out what is gnawed; move the food into metal bins or closed cupboards, off the floor"},
		{"bottles", "Bottles that bulge, or that were drawn in and are slack now?", "bottles bulging or slack",
			"name their lots as failed; what bulges is thrown out unopened"},
		{"leaks", "Cracks, open caps, food outside?", "cracks or leaks", "name their lots as failed, and repack or throw out"},
		{"damp", "Damp cartons, wet walls, a musty smell?", "damp", "air or dry the room, move the cartons off the wall; wet or mouldy food is thrown out"},
		{"sensor", "A sensor that is missing, moved or dead?", "a sensor missing, moved or dead", "put it back, change its battery, and tell with dryhold sensors what happened"},
	}
}

// Answers to a question.
const (
	RoundFine  = "fine"  // looked, and nothing found
	RoundFound = "found" // looked, and found
)

// RoundAnswer is the answer to one question; those not looked at have none.
type RoundAnswer struct {
	Question string `json:"question"`
	Answer   string `json:"answer"`
}

// Round is one round through a room.
type Round struct {
	Room     string        `json:"room"`
	At       time.Time     `json:"at"`
	Recorded time.Time     `json:"recorded"`
	By       string        `json:"by,omitempty"`
	Answers  []RoundAnswer `json:"answers"`
	Note     string        `json:"note,omitempty"`
}

// Found are the questions of which something was found, in the order of the
// checklist.
func (r Round) Found() (out []RoundQuestion) {
	for _, q := range RoundQuestions() {
		if slices.Contains(r.Answers, RoundAnswer{q.ID, RoundFound}) {
			out = append(out, q)
		}
	}
	return out
}

// Rounds are those that were told, in that order. The slice is a copy.
func (b *Book) Rounds() []Round { return slices.Clone(b.rounds) }

// LastRound is the newest round through a room; false where there was none.
func (b *Book) LastRound(room string) (newest Round, any bool) {
	for _, r := range b.rounds {
		if r.Room == room && (!any || !r.At.Before(newest.At)) {
			newest, any = r, true
		}
	}
	return newest, any
}

// checkRound reports why a round cannot be taken.
func checkRound(c Change) error {
	switch {
	case c.Room == "":
		return Invalid("no room: say which was looked through")
	case c.At.After(c.Recorded.Add(24 * time.Hour)):
		return Invalid("the round at %s is in the future", c.At.Format(time.RFC3339))
	case c.At.Year() < oldestYear:
		return Invalid("the round at %s is before %d", c.At.Format(time.RFC3339), oldestYear)
	case len(c.Answers) == 0:
		return Invalid("no answers: say of each point whether all is fine or something was found")
	}
	var known []string
	for _, q := range RoundQuestions() {
		known = append(known, q.ID)
	}
	for i, a := range c.Answers {
		switch {
		case !slices.Contains(known, a.Question):
			return Invalid("unknown question %q: it is one of %s", a.Question, strings.Join(known, ", "))
		case a.Answer != RoundFine && a.Answer != RoundFound:
			return Invalid("%s: unknown answer %q: it is fine or found", a.Question, a.Answer)
		case slices.ContainsFunc(c.Answers[:i], func(b RoundAnswer) bool { return b.Question == a.Question }):
			return Invalid("%s is answered twice", a.Question)
		}
	}
	return checkLine(c.Note)
}

func (c Change) round() Round {
	return Round{c.Room, earlier(c.At, c.Recorded), c.Recorded, c.By, slices.Clone(c.Answers), strings.TrimSpace(c.Note)}
}
