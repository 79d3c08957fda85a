-- +goose Up
-- What an export has still to send. Readings and alarm events stand in the
-- store anyway and hours are folded from it, so here stands only which: no copy
-- of them is made, however long the other side is away.

-- Days of a series with readings not sent: those from since on. again is the
-- earliest that came since the exporter looked.
CREATE TABLE export_day (
  day    INTEGER NOT NULL,
  series INTEGER NOT NULL REFERENCES series (id),
  since  INTEGER NOT NULL,
  again  INTEGER,
  PRIMARY KEY (day, series)
) STRICT, WITHOUT ROWID;

-- The hours of a room are sent up to next; those from again on have changed
-- since the exporter looked.
CREATE TABLE export_hour (
  room  TEXT    PRIMARY KEY,
  next  INTEGER NOT NULL,
  again INTEGER
) STRICT, WITHOUT ROWID;

-- Results of lots, which cannot be had again: what a lot had left is worked out
-- anew as more is known. body is JSON of the exporter.
CREATE TABLE export_lot (
  seq  INTEGER PRIMARY KEY AUTOINCREMENT,
  at   INTEGER NOT NULL,
  body TEXT    NOT NULL
) STRICT;

-- Where the export goes, up to which alarm event and lot change it got, the
-- UTC day of the last daily results of lots, when something was last taken, and
-- how many points were too old to be kept for it.
CREATE TABLE export_state (
  only       INTEGER PRIMARY KEY CHECK (only = 1),
  target     TEXT    NOT NULL,
  alarm_seq  INTEGER NOT NULL,
  change_seq INTEGER NOT NULL,
  lot_day    INTEGER NOT NULL,
  taken      INTEGER NOT NULL,
  dropped    INTEGER NOT NULL
) STRICT;
