-- +goose Up
-- What every alarm went through, as JSON of alarm.Event: transitions, and what
-- people did that moved no state. Rows are only ever appended and kept for the
-- life of the store.
CREATE TABLE alarm_event (
  seq  INTEGER PRIMARY KEY AUTOINCREMENT,
  at   INTEGER NOT NULL,
  key  TEXT    NOT NULL,
  body TEXT    NOT NULL
) STRICT;
CREATE INDEX alarm_event_at ON alarm_event (at);

-- Until when an alarm was shelved.
ALTER TABLE operator_action ADD COLUMN until INTEGER;

-- What may be done only once, and was: by a link in a notice, by a command over
-- MQTT. id is of the link or command; what says what was done.
CREATE TABLE done_once (
  id   TEXT    PRIMARY KEY,
  at   INTEGER NOT NULL,
  what TEXT    NOT NULL,
  by   TEXT    NOT NULL
) STRICT, WITHOUT ROWID;

-- Keys that the daemon made for itself.
CREATE TABLE own_key (
  name  TEXT PRIMARY KEY,
  value BLOB    NOT NULL,
  made  INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
