-- +goose Up
-- The MQTT packet identifier of the newest message on disk. Identifiers go
-- round: it tells a message delivered again from a new one that reuses the
-- identifier of an old one.
CREATE TABLE delivered (
  only   INTEGER PRIMARY KEY CHECK (only = 1),
  packet INTEGER NOT NULL
) STRICT;
