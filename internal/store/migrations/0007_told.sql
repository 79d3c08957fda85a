-- +goose Up
-- What each recipient was told of each alarm, as JSON of dispatch.Told; key is
-- that of the alarm, empty for what is kept of the recipient alone. It goes
-- with the conditions: a message that went out cannot be folded away.
CREATE TABLE told (
  recipient TEXT NOT NULL,
  key       TEXT NOT NULL,
  body      TEXT NOT NULL,
  PRIMARY KEY (recipient, key)
) STRICT, WITHOUT ROWID;
