-- +goose Up
-- What people said about sensors, as JSON of sensor.Change; seq is the number
-- in it. Rows are only ever appended: readings stay as they came, and how one
-- counts follows from these.
CREATE TABLE sensor_change (
  seq  INTEGER PRIMARY KEY,
  body TEXT NOT NULL
) STRICT;
