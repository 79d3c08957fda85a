-- +goose Up
-- Facts are only ever appended. Times are milliseconds since the epoch, UTC.

-- What one sensor measures in one room. quantity is unit.Quantity.
CREATE TABLE series (
  id       INTEGER PRIMARY KEY,
  room     TEXT    NOT NULL,
  sensor   TEXT    NOT NULL,
  quantity INTEGER NOT NULL,
  UNIQUE (room, sensor, quantity)
) STRICT;

-- Readings of days that are not packed yet; steps is the value in resolution
-- steps of its quantity (unit.Quantity.Steps).
CREATE TABLE open_reading (
  series INTEGER NOT NULL REFERENCES series (id),
  at     INTEGER NOT NULL,
  steps  INTEGER NOT NULL,
  PRIMARY KEY (series, at)
) STRICT, WITHOUT ROWID;

-- All readings of a series on one UTC day (days since the epoch), packed by
-- codec 1 of this package. A day may have late readings in open_reading too.
CREATE TABLE packed_day (
  series INTEGER NOT NULL REFERENCES series (id),
  day    INTEGER NOT NULL,
  n      INTEGER NOT NULL,
  codec  INTEGER NOT NULL,
  data   BLOB    NOT NULL,
  PRIMARY KEY (series, day)
) STRICT;

-- Every change of a lot, as JSON of lot.Change.
CREATE TABLE lot_change (
  seq  INTEGER PRIMARY KEY AUTOINCREMENT,
  lot  TEXT NOT NULL,
  body TEXT NOT NULL
) STRICT;

-- What a person did to an alarm.
CREATE TABLE operator_action (
  seq    INTEGER PRIMARY KEY AUTOINCREMENT,
  at     INTEGER NOT NULL,
  action TEXT    NOT NULL,
  key    TEXT    NOT NULL,
  by     TEXT    NOT NULL,
  note   TEXT    NOT NULL
) STRICT;

-- The present state of each alarm condition, as JSON of alarm.Condition.
CREATE TABLE condition (
  key  TEXT PRIMARY KEY,
  body TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- The last message without a time of its own that came under each MQTT packet
-- identifier, so that its redelivery is known for what it is.
CREATE TABLE receipt (
  packet INTEGER PRIMARY KEY,
  digest BLOB    NOT NULL,
  at     INTEGER NOT NULL
) STRICT;

-- The outbox: one row per notice and channel.
CREATE TABLE notice (
  id        INTEGER PRIMARY KEY AUTOINCREMENT,
  key       TEXT    NOT NULL,
  channel   TEXT    NOT NULL,
  body      TEXT    NOT NULL,
  queued    INTEGER NOT NULL,
  attempts  INTEGER NOT NULL DEFAULT 0,
  due       INTEGER NOT NULL,
  delivered INTEGER,
  refused   INTEGER,
  cause     TEXT NOT NULL DEFAULT '',
  UNIQUE (key, channel)
) STRICT;
CREATE INDEX notice_due ON notice (due) WHERE delivered IS NULL AND refused IS NULL;
