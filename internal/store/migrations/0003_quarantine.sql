-- +goose Up
-- Packed days that failed their checksum, as they were found. Nothing reads
-- them any more; they are kept for whoever can still make something of them.
-- A day may be here more than once: what came late is packed anew.
CREATE TABLE quarantined_day (
  id     INTEGER PRIMARY KEY AUTOINCREMENT,
  series INTEGER NOT NULL REFERENCES series (id),
  day    INTEGER NOT NULL,
  n      INTEGER NOT NULL,
  codec  INTEGER NOT NULL,
  data   BLOB    NOT NULL,
  found  INTEGER NOT NULL,
  reason TEXT    NOT NULL
) STRICT;

-- The last full check of the database: when it ended, how long it took, how
-- many packed days it read, and what it found wrong with the file itself, one
-- fault a line; empty when it is whole.
CREATE TABLE full_check (
  only   INTEGER PRIMARY KEY CHECK (only = 1),
  ended  INTEGER NOT NULL,
  took   INTEGER NOT NULL,
  days   INTEGER NOT NULL,
  faults TEXT    NOT NULL
) STRICT;
