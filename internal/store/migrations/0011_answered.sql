-- +goose Up
-- Answers to edits that came with a name of their own (Idempotency-Key), kept
-- for two days so that an edit sent again is answered and not done again. The
-- row is written with the edit. id is a hash of who asked and of the name,
-- digest one of what was asked.
CREATE TABLE answered (
  id       TEXT    PRIMARY KEY,
  digest   TEXT    NOT NULL,
  at       INTEGER NOT NULL,
  status   INTEGER NOT NULL,
  location TEXT    NOT NULL,
  body     TEXT    NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX answered_at ON answered (at);
