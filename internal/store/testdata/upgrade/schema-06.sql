-- A database as dryhold left it at schema 6. Never changed: see upgrade_test.go.
CREATE TABLE goose_db_version (
		id INTEGER PRIMARY KEY AUTOINCREMENT,
		version_id INTEGER NOT NULL,
		is_applied INTEGER NOT NULL,
		tstamp TIMESTAMP DEFAULT (datetime('now'))
	);
CREATE TABLE series (
  id       INTEGER PRIMARY KEY,
  room     TEXT    NOT NULL,
  sensor   TEXT    NOT NULL,
  quantity INTEGER NOT NULL,
  UNIQUE (room, sensor, quantity)
) STRICT;
CREATE TABLE open_reading (
  series INTEGER NOT NULL REFERENCES series (id),
  at     INTEGER NOT NULL,
  steps  INTEGER NOT NULL,
  PRIMARY KEY (series, at)
) STRICT, WITHOUT ROWID;
CREATE TABLE packed_day (
  series INTEGER NOT NULL REFERENCES series (id),
  day    INTEGER NOT NULL,
  n      INTEGER NOT NULL,
  codec  INTEGER NOT NULL,
  data   BLOB    NOT NULL,
  PRIMARY KEY (series, day)
) STRICT;
CREATE TABLE lot_change (
  seq  INTEGER PRIMARY KEY AUTOINCREMENT,
  lot  TEXT NOT NULL,
  body TEXT NOT NULL
) STRICT;
CREATE TABLE operator_action (
  seq    INTEGER PRIMARY KEY AUTOINCREMENT,
  at     INTEGER NOT NULL,
  action TEXT    NOT NULL,
  key    TEXT    NOT NULL,
  by     TEXT    NOT NULL,
  note   TEXT    NOT NULL
) STRICT;
CREATE TABLE condition (
  key  TEXT PRIMARY KEY,
  body TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE receipt (
  packet INTEGER PRIMARY KEY,
  digest BLOB    NOT NULL,
  at     INTEGER NOT NULL
) STRICT;
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
CREATE TABLE delivered (
  only   INTEGER PRIMARY KEY CHECK (only = 1),
  packet INTEGER NOT NULL
) STRICT;
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
CREATE TABLE full_check (
  only   INTEGER PRIMARY KEY CHECK (only = 1),
  ended  INTEGER NOT NULL,
  took   INTEGER NOT NULL,
  days   INTEGER NOT NULL,
  faults TEXT    NOT NULL
) STRICT;
CREATE TABLE sensor_change (
  seq  INTEGER PRIMARY KEY,
  body TEXT NOT NULL
) STRICT;
CREATE TABLE stated_interval (
  sensor TEXT    PRIMARY KEY,
  within INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE room_note (
  seq  INTEGER PRIMARY KEY,
  body TEXT NOT NULL
) STRICT;
INSERT INTO goose_db_version (id, version_id, is_applied, tstamp) VALUES (1, 0, 1, '2026-07-01 00:00:00');
INSERT INTO goose_db_version (id, version_id, is_applied, tstamp) VALUES (2, 1, 1, '2026-07-01 00:00:00');
INSERT INTO goose_db_version (id, version_id, is_applied, tstamp) VALUES (3, 2, 1, '2026-07-01 00:00:00');
INSERT INTO goose_db_version (id, version_id, is_applied, tstamp) VALUES (4, 3, 1, '2026-07-01 00:00:00');
INSERT INTO goose_db_version (id, version_id, is_applied, tstamp) VALUES (5, 4, 1, '2026-07-01 00:00:00');
INSERT INTO goose_db_version (id, version_id, is_applied, tstamp) VALUES (6, 5, 1, '2026-07-01 00:00:00');
INSERT INTO goose_db_version (id, version_id, is_applied, tstamp) VALUES (7, 6, 1, '2026-07-01 00:00:00');
INSERT INTO series (id, room, sensor, quantity) VALUES (1, 'loft', 'a', 1);
INSERT INTO open_reading (series, at, steps) VALUES (1, 1782954000000, 19500);
INSERT INTO open_reading (series, at, steps) VALUES (1, 1782957600000, -2250);
INSERT INTO packed_day (series, day, n, codec, data) VALUES (1, 20635, 24, 1, X'28B52FFD0400D5000078189202EEB7B70300A09902F4039F1F030035199C93359FE30287C671F0');
INSERT INTO lot_change (seq, lot, body) VALUES (1, 'L-1', '{"kind":"added","lot":"L-1","at":"2026-07-01T00:00:00Z","recorded":"2026-07-01T00:00:00Z","packing":{"food":"white-rice","container":"pet-2l","count":12,"net_mass_kg":1.6,"packed_at":"2026-06-20T00:00:00Z","treatment":{"kind":"none"},"shading":"dark","room":"loft"}}');
INSERT INTO operator_action (seq, at, action, key, by, note) VALUES (1, 1782864000000, 'acknowledge', 'warm/loft', 'mara', 'fan is on');
INSERT INTO condition (key, body) VALUES ('warm/loft', '{"key":{"kind":"warm","room":"loft"},"state":"normal","spell":0,"active":false,"peak":31.25,"gap_ns":0,"value":0,"unknown":true,"on":{"peak":0,"gap_ns":0}}');
INSERT INTO receipt (packet, digest, at) VALUES (7, X'0100000000000000000000000000000000000000000000000000000000000000', 1782864000000);
INSERT INTO notice (id, key, channel, body, queued, attempts, due, delivered, refused, cause) VALUES (1, 'k', 'mail', '{"key":"k","subject":"Loft too warm"}', 1782864000000, 2, 1782864000000, NULL, NULL, 'busy');
INSERT INTO delivered (only, packet) VALUES (1, 7);
INSERT INTO quarantined_day (id, series, day, n, codec, data, found, reason) VALUES (1, 1, 20634, 3, 1, X'00FF', 1782864000000, 'checksum');
INSERT INTO full_check (only, ended, took, days, faults) VALUES (1, 1782864000000, 1500, 1, '');
INSERT INTO sensor_change (seq, body) VALUES (1, '{"kind":"voided","seq":1,"room":"loft","sensor":"a","recorded":"2026-07-01T01:00:00Z","by":"mara","note":"hung in the sun","from":"2026-07-01T00:00:00Z","to":"2026-07-01T00:01:00Z"}');
INSERT INTO stated_interval (sensor, within) VALUES ('a', 600000);
INSERT INTO room_note (seq, body) VALUES (1, '{"kind":"noted","seq":1,"room":"loft","from":"2026-07-01T00:00:00Z","to":"2026-07-01T01:00:00Z","text":"compressor failed","by":"mara","recorded":"2026-07-01T01:00:00Z"}');
