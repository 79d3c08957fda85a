package web

import (
	"context"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"dryhold/internal/note"
)

// RoomNoter keeps what people say of stretches of a room's time.
type RoomNoter interface {
	// NoteRoom keeps a note, or takes one back, durably. It gives it its number
	// and the time of its telling, and To where that is zero.
	NoteRoom(ctx context.Context, c note.Change) (RoomNoted, error)
	// RoomNotes gives all that was ever told, in the order it was told.
	RoomNotes(ctx context.Context) ([]note.Change, error)
}

// The bodies of the API of the notes of rooms.
type (
	// RoomNotesAnswer is the body of GET /api/v1/rooms/notes.
	RoomNotesAnswer struct {
		Notes []RoomNote `json:"notes"` // in the order they were told
	}
	// RoomNote is a change with what became of it.
	RoomNote struct {
		note.Change
		RevokedBy int `json:"revoked_by,omitempty"` // the number of the change that took it back
	}
	// RoomNoted is the answer to an edit: 200.
	RoomNoted struct {
		Change note.Change `json:"change"`
		Of     note.Change `json:"of"`   // the note itself; of what takes one back, that one
		Lots   int         `json:"lots"` // that stood in the room while it held: their review books by it
	}
	// NoteRoom is the body of POST /api/v1/rooms/{room}/note.
	NoteRoom struct {
		From time.Time `json:"from"`
		To   time.Time `json:"to,omitzero"` // excluded; now when left out
		Text string    `json:"text"`
		By   string    `json:"by"`
	}
	// RevokeNote is the body of POST /api/v1/rooms/notes/{seq}/revoke.
	RevokeNote struct {
		Note string `json:"note"` // the reason
		By   string `json:"by"`
	}
)

func (s *server) routeNotes(mux *http.ServeMux) {
	route(mux, "/api/v1/rooms/notes", methods{http.MethodGet: s.getRoomNotes})
	route(mux, "/api/v1/rooms/{room}/note", methods{http.MethodPost: s.postRoomNote})
	route(mux, "/api/v1/rooms/notes/{seq}/revoke", methods{http.MethodPost: s.postRevokeNote})
}

func (s *server) getRoomNotes(w http.ResponseWriter, r *http.Request) {
	told, err := s.Actions.RoomNotes(r.Context())
	if err != nil {
		status, detail := s.failure(r, "list the notes of rooms", err)
		writeProblem(w, status, detail)
		return
	}
	var book note.Book
	for _, c := range told {
		book.Apply(c)
	}
	answer := RoomNotesAnswer{Notes: make([]RoomNote, 0, len(told))}
	for _, c := range told {
		answer.Notes = append(answer.Notes, RoomNote{c, book.RevokedBy(c.Seq)})
	}
	s.writeJSON(w, r, http.StatusOK, answer)
}

func (s *server) postRoomNote(w http.ResponseWriter, r *http.Request) {
	var body NoteRoom
	if !accepted(w, r, &body, func() *refusal { return noted(body) }) {
		return
	}
	in := r.PathValue("room")
	if len(in) > maxName {
		writeProblem(w, http.StatusUnprocessableEntity, fmt.Sprintf("a name longer than %d bytes is none of a room", maxName))
		return
	}
	s.noteRoom(w, r, note.Change{Kind: note.Noted, Room: in, From: body.From, To: body.To, Text: body.Text, By: body.By})
}

// noted refuses a note that is too long to keep or has no beginning.
func noted(body NoteRoom) *refusal {
	if no := personal(body.By, ""); no != nil {
		return no
	}
	if len(body.Text) > maxNote {
		return &refusal{http.StatusUnprocessableEntity, fmt.Sprintf("text: it is longer than %d bytes", maxNote)}
	}
	return begun(body.From)
}

func (s *server) postRevokeNote(w http.ResponseWriter, r *http.Request) {
	var body RevokeNote
	if !accepted(w, r, &body, func() *refusal { return personal(body.By, body.Note) }) {
		return
	}
	seq, err := strconv.Atoi(r.PathValue("seq"))
	if err != nil || seq < 1 {
		writeProblem(w, http.StatusNotFound, fmt.Sprintf("%q is no number of a note: GET /api/v1/rooms/notes lists them", r.PathValue("seq")))
		return
	}
	s.noteRoom(w, r, note.Change{Kind: note.Revoked, Revokes: seq, Text: body.Note, By: body.By})
}

func (s *server) noteRoom(w http.ResponseWriter, r *http.Request, c note.Change) {
	done, err := s.Actions.NoteRoom(r.Context(), c)
	if err != nil {
		status, detail := s.failure(r, "keep the note of the room", err)
		writeProblem(w, status, detail)
		return
	}
	s.writeJSON(w, r, http.StatusOK, done)
}
