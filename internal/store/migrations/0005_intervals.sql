-- +goose Up
-- The longest time in milliseconds that each sensor ever said it may take
-- until its next reading (SenML's ut). How long its readings stand follows
-- from it, so it is kept like the readings.
CREATE TABLE stated_interval (
  sensor TEXT    PRIMARY KEY,
  within INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
