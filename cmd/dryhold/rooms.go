package main

import (
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"dryhold/internal/note"
	"dryhold/internal/web"
)

func newRooms() *cobra.Command {
	var url string
	c := &cobra.Command{
		Use: "rooms", Short: "Note why a room was as it was, compare rooms, map the places of one", Args: subcommand, RunE: help,
		Long: `Compare the rooms by season, map the places of a room with a sensor that is
carried about, and note the cause of a stretch of a room's time, where you know
it: the compressor failed, painters were in. The review then books what the
stretch cost to that cause, in place of the excursion that was found. Nothing
else changes by a note: not the readings, not what any lot has left. These
commands talk to the running daemon.`,
		Example: `  dryhold rooms note loft --from 2026-07-11 --to 2026-07-14T08:00 "compressor failed"
  dryhold rooms notes
  dryhold rooms revoke 3 --note "it was the fuse"
  dryhold rooms compare
  dryhold rooms place loft "top shelf by the window" --sensor roamer
  dryhold rooms map`,
	}
	addURL(c, &url)
	c.AddCommand(newRoomsNote(&url), newRoomsNotes(&url), newRoomsRevoke(&url), newRoomsCompare(&url), newRoomsPlace(&url), newRoomsMap(&url))
	return c
}

func newRoomsNote(url *string) *cobra.Command {
	var from, to, by string
	var asJSON bool
	c := &cobra.Command{
		Use: "note ROOM TEXT", Short: "Note the cause of a stretch of a room's time", Args: exactArgs(2),
		Long: `Note the cause of a stretch of a room's time. Of two notes that overlap, the one
that begins first goes on to its end. ` + boundsHelp,
		Example: `  dryhold rooms note loft --from 2026-07-11 --to 2026-07-14T08:00 "compressor failed"`,
		RunE: func(c *cobra.Command, args []string) error {
			if err := required(c, "from"); err != nil {
				return err
			}
			body := web.NoteRoom{Text: args[1], By: who(by)}
			if err := bound("from", from, &body.From); err != nil {
				return err
			}
			if err := bound("to", to, &body.To); err != nil {
				return err
			}
			return noteRoom(c, *url, "/api/v1/rooms/"+escape(args[0])+"/note", body, asJSON)
		},
	}
	c.Flags().StringVar(&from, "from", "", "when it began: 2026-07-11 or 2026-07-11T09:30 (required)")
	c.Flags().StringVar(&to, "to", "", "when it was over (default: now)")
	c.Flags().StringVar(&by, "by", "", "your name (default: the user's)")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func newRoomsNotes(url *string) *cobra.Command {
	var asJSON, all bool
	c := &cobra.Command{
		Use: "notes", Short: "List the notes of rooms, each with its number", Args: noArgs,
		Example: "  dryhold rooms notes\n  dryhold rooms notes --all",
		RunE: func(c *cobra.Command, _ []string) error {
			var answer web.RoomNotesAnswer
			if err := newClient(*url).do(c.Context(), http.MethodGet, "/api/v1/rooms/notes", nil, &answer); err != nil {
				return err
			}
			if asJSON {
				return printJSON(c.OutOrStdout(), answer)
			}
			return printRoomNotes(c.OutOrStdout(), answer, all)
		},
	}
	c.Flags().BoolVar(&all, "all", false, "with what was taken back")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func printRoomNotes(w io.Writer, a web.RoomNotesAnswer, all bool) error {
	var text strings.Builder
	for _, n := range a.Notes {
		if !all && (n.RevokedBy > 0 || n.Kind == note.Revoked) {
			continue
		}
		line := fmt.Sprintf("%d  revoked note %d", n.Seq, n.Revokes)
		if n.Kind == note.Noted {
			line = fmt.Sprintf("%d  %s from %s to %s", n.Seq, n.Room, stamp(n.From), stamp(n.To))
		}
		line += ", told by " + n.By + ": " + n.Text
		if n.RevokedBy > 0 {
			line += fmt.Sprintf(" (taken back by number %d)", n.RevokedBy)
		}
		text.WriteString(wrap(line, "   "))
	}
	if text.Len() == 0 {
		text.WriteString("No notes of rooms.\n")
	}
	_, err := io.WriteString(w, text.String())
	return err
}

func newRoomsRevoke(url *string) *cobra.Command {
	var reason, by string
	var asJSON bool
	c := &cobra.Command{
		Use: "revoke NUMBER", Short: "Take back a note of a room", Args: exactArgs(1),
		Long: `Take back a note of a room, by the number that "dryhold rooms notes" shows. Both
stay on record; the review books as if it had not been told.`,
		Example: `  dryhold rooms revoke 3 --note "it was the fuse"`,
		RunE: func(c *cobra.Command, args []string) error {
			n, err := strconv.Atoi(args[0])
			if err != nil || n < 1 {
				return usageError{fmt.Errorf("%q is no number of a note: `dryhold rooms notes` shows them", args[0])}
			}
			if err := required(c, "note"); err != nil {
				return err
			}
			return noteRoom(c, *url, "/api/v1/rooms/notes/"+strconv.Itoa(n)+"/revoke", web.RevokeNote{Note: reason, By: who(by)}, asJSON)
		},
	}
	c.Flags().StringVar(&reason, "note", "", "why (required)")
	c.Flags().StringVar(&by, "by", "", "your name (default: the user's)")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// noteRoom sends a note and says what it does.
func noteRoom(c *cobra.Command, url, path string, body any, asJSON bool) error {
	var done web.RoomNoted
	if err := newClient(url).do(c.Context(), http.MethodPost, path, body, &done); err != nil {
		return err
	}
	if asJSON {
		return printJSON(c.OutOrStdout(), done)
	}
	of, lots := done.Of, fmt.Sprintf("%d lots", done.Lots)
	if done.Lots == 1 {
		lots = "1 lot"
	}
	var text string
	if done.Change.Kind == note.Revoked {
		text = wrap(fmt.Sprintf("Kept as number %d: note %d of %s is taken back. What it was charged with goes by what was found, for %s that stood there.", done.Change.Seq, of.Seq, of.Room, lots), "  ")
	} else {
		text = wrap(fmt.Sprintf("Kept as note %d: %s from %s to %s, %s. The review books what this cost %s that stood there to it.", of.Seq, of.Room, stamp(of.From), stamp(of.To), of.Text, lots), "  ")
		text += wrap(fmt.Sprintf("To take it back: dryhold rooms revoke %d --note WHY", of.Seq), "  ")
	}
	_, err := io.WriteString(c.OutOrStdout(), text)
	return err
}
