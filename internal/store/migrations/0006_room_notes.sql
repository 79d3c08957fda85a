-- +goose Up
-- What people said of stretches of a room's time, as JSON of note.Change; seq
-- is the number in it. Rows are only ever appended.
CREATE TABLE room_note (
  seq  INTEGER PRIMARY KEY,
  body TEXT NOT NULL
) STRICT;
