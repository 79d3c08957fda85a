-- +goose Up
-- Retained topics that were published for hubs, and so are to be taken away
-- again when a room is gone or the configuration has changed. A topic stands
-- here before it is first published and until the broker has confirmed that it
-- is empty.
CREATE TABLE announced (
  topic TEXT PRIMARY KEY
) STRICT, WITHOUT ROWID;
