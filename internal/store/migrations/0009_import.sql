-- +goose Up
-- Imports of past readings, as people made them; the readings themselves are
-- where all are. Rows are only ever appended.
CREATE TABLE import (
  seq    INTEGER PRIMARY KEY AUTOINCREMENT,
  at     INTEGER NOT NULL,
  by     TEXT    NOT NULL,
  source TEXT    NOT NULL,
  stored INTEGER NOT NULL,
  known  INTEGER NOT NULL,
  first  INTEGER NOT NULL,
  last   INTEGER NOT NULL
) STRICT;
