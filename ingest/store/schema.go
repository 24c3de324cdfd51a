package store

// applicationID marks a SQLite file as a brimline store: "brim" in ASCII.
const applicationID = 0x6272696d

// migrations[v] takes a store from schema version v to v+1, inside one
// transaction. FORMAT.md explains the tables. Append, never change: stores of every
// version are out there.
var migrations = [...]string{`
CREATE TABLE meta (
	key   TEXT PRIMARY KEY,
	value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE boot (
	id     INTEGER PRIMARY KEY AUTOINCREMENT,
	wall   TEXT NOT NULL,
	stored TEXT NOT NULL
) STRICT;

CREATE TABLE boot_correction (
	id   INTEGER PRIMARY KEY,
	boot INTEGER NOT NULL REFERENCES boot,
	was  TEXT NOT NULL,
	wall TEXT NOT NULL,
	why  TEXT NOT NULL
) STRICT;
CREATE INDEX boot_correction_boot ON boot_correction (boot);

CREATE TABLE channel (
	id          INTEGER PRIMARY KEY,
	name        TEXT NOT NULL UNIQUE,
	capacity_ml REAL
) STRICT;

CREATE TABLE boot_channel (
	boot        INTEGER NOT NULL REFERENCES boot,
	number      INTEGER NOT NULL,
	channel     INTEGER NOT NULL REFERENCES channel,
	capacity_ml REAL,
	PRIMARY KEY (boot, number),
	UNIQUE (boot, channel)
) STRICT, WITHOUT ROWID;

CREATE TABLE calibration (
	id              INTEGER PRIMARY KEY,
	channel         INTEGER NOT NULL REFERENCES channel,
	at              TEXT,
	zero            REAL,
	counts_per_gram REAL,
	u_zero          REAL,
	u_counts_per_g  REAL,
	cov_zero_span   REAL,
	df              REAL,
	certificate     BLOB
) STRICT;
CREATE INDEX calibration_channel ON calibration (channel, at);

CREATE TABLE engine (
	id            INTEGER PRIMARY KEY,
	label         TEXT NOT NULL UNIQUE,
	injectors     INTEGER NOT NULL,
	firing_order  TEXT NOT NULL,
	distance_unit TEXT NOT NULL,
	injector_type TEXT NOT NULL
) STRICT;

CREATE TABLE injector (
	id       INTEGER PRIMARY KEY,
	engine   INTEGER NOT NULL REFERENCES engine,
	position INTEGER NOT NULL,
	code     TEXT NOT NULL,
	fitted   TEXT
) STRICT;
CREATE INDEX injector_engine ON injector (engine, position);

CREATE TABLE test (
	id               INTEGER PRIMARY KEY,
	engine           INTEGER NOT NULL REFERENCES engine,
	label            TEXT NOT NULL UNIQUE,
	phase            TEXT NOT NULL,
	at               TEXT,
	odometer         REAL,
	fuel_kind        TEXT NOT NULL,
	density_g_per_ml REAL,
	u_density        REAL,
	fuel_temp_c      REAL,
	note             TEXT NOT NULL
) STRICT;
CREATE INDEX test_engine ON test (engine);

CREATE TABLE hanging (
	id     INTEGER PRIMARY KEY,
	test   INTEGER NOT NULL REFERENCES test,
	number INTEGER NOT NULL,
	note   TEXT NOT NULL,
	UNIQUE (test, number),
	UNIQUE (id, test)
) STRICT;

CREATE TABLE run (
	id         INTEGER PRIMARY KEY,
	test       INTEGER NOT NULL REFERENCES test,
	hanging    INTEGER NOT NULL,
	number     INTEGER NOT NULL,
	boot       INTEGER NOT NULL REFERENCES boot,
	start_ns   INTEGER NOT NULL,
	end_ns     INTEGER NOT NULL,
	planned_ns INTEGER NOT NULL,
	excluded   TEXT NOT NULL,
	note       TEXT NOT NULL,
	UNIQUE (test, number),
	FOREIGN KEY (hanging, test) REFERENCES hanging (id, test)
) STRICT;
CREATE INDEX run_boot ON run (boot);

CREATE TABLE position_on (
	run      INTEGER NOT NULL REFERENCES run,
	number   INTEGER NOT NULL,
	channel  INTEGER NOT NULL REFERENCES channel,
	injector INTEGER NOT NULL,
	PRIMARY KEY (run, number),
	UNIQUE (run, channel)
) STRICT, WITHOUT ROWID;

CREATE TABLE event (
	id       INTEGER PRIMARY KEY,
	engine   INTEGER NOT NULL REFERENCES engine,
	kind     TEXT NOT NULL,
	what     TEXT NOT NULL,
	amount   REAL,
	unit     TEXT NOT NULL,
	at       TEXT,
	odometer REAL
) STRICT;
CREATE INDEX event_engine ON event (engine);

CREATE TABLE chunk (
	channel   INTEGER NOT NULL REFERENCES channel,
	boot      INTEGER NOT NULL REFERENCES boot,
	first_us  INTEGER NOT NULL,
	id        INTEGER NOT NULL,
	last_us   INTEGER NOT NULL,
	first_seq INTEGER NOT NULL,
	n         INTEGER NOT NULL,
	good      INTEGER NOT NULL,
	settling  INTEGER NOT NULL,
	misread   INTEGER NOT NULL,
	saturated INTEGER NOT NULL,
	stalled   INTEGER NOT NULL,
	absent    INTEGER NOT NULL,
	other     INTEGER NOT NULL,
	min       INTEGER,
	max       INTEGER,
	sum       INTEGER NOT NULL,
	period_us REAL NOT NULL,
	raw       INTEGER NOT NULL,
	PRIMARY KEY (channel, boot, first_us, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE chunk_data (
	id   INTEGER PRIMARY KEY AUTOINCREMENT,
	data BLOB NOT NULL
) STRICT;

CREATE TABLE tail (
	id      INTEGER PRIMARY KEY,
	channel INTEGER NOT NULL REFERENCES channel,
	boot    INTEGER NOT NULL REFERENCES boot,
	data    BLOB NOT NULL
) STRICT;

CREATE TABLE aside (
	id      INTEGER PRIMARY KEY,
	channel INTEGER NOT NULL,
	boot    INTEGER NOT NULL,
	came    TEXT NOT NULL,
	why     TEXT NOT NULL,
	data    BLOB NOT NULL
) STRICT;
`, `
CREATE TABLE calibration_check (
	id          INTEGER PRIMARY KEY,
	calibration INTEGER NOT NULL REFERENCES calibration,
	at          TEXT,
	certificate BLOB
) STRICT;
CREATE INDEX calibration_check_calibration ON calibration_check (calibration);
`, `
ALTER TABLE calibration ADD COLUMN unit TEXT NOT NULL DEFAULT 'g';
ALTER TABLE calibration ADD COLUMN tube TEXT;
`, `
CREATE TABLE overview (
	cell_us INTEGER NOT NULL,
	boot    INTEGER NOT NULL,
	cell    INTEGER NOT NULL,
	channel INTEGER NOT NULL,
	n       INTEGER NOT NULL,
	good    INTEGER NOT NULL,
	min     INTEGER,
	max     INTEGER,
	sum     INTEGER NOT NULL,
	PRIMARY KEY (cell_us, boot, cell, channel)
) STRICT, WITHOUT ROWID;
CREATE VIEW chunk_cell AS
	SELECT w.us AS cell_us, boot, (first_us - ((first_us % w.us) + w.us) % w.us) / w.us AS cell, channel, n, good, min, max, sum, id
	FROM chunk, (SELECT 600000000 AS us UNION ALL SELECT 7200000000) AS w;
INSERT INTO overview SELECT cell_us, boot, cell, channel, sum(n), sum(good), min(min), max(max), sum(sum)
	FROM chunk_cell GROUP BY cell_us, boot, cell, channel;
CREATE TRIGGER overview_chunk AFTER INSERT ON chunk BEGIN
	INSERT INTO overview SELECT w.us, new.boot, (new.first_us - ((new.first_us % w.us) + w.us) % w.us) / w.us,
		new.channel, new.n, new.good, new.min, new.max, new.sum
	FROM (SELECT 600000000 AS us UNION ALL SELECT 7200000000) AS w WHERE true
	ON CONFLICT (cell_us, boot, cell, channel) DO UPDATE SET n = n + excluded.n, good = good + excluded.good, sum = sum + excluded.sum,
		min = coalesce(min(min, excluded.min), min, excluded.min), max = coalesce(max(max, excluded.max), max, excluded.max);
END;
`, `
CREATE INDEX chunk_raw ON chunk (boot, first_us, channel, id) WHERE raw;

CREATE TABLE raw_deleted (
	boot     INTEGER NOT NULL REFERENCES boot,
	rule     TEXT NOT NULL,
	first_at TEXT,
	last_at  TEXT,
	from_us  INTEGER NOT NULL,
	to_us    INTEGER NOT NULL,
	chunks   INTEGER NOT NULL,
	samples  INTEGER NOT NULL,
	bytes    INTEGER NOT NULL,
	PRIMARY KEY (boot, rule)
) STRICT, WITHOUT ROWID;

CREATE TABLE watch_stop (
	id      INTEGER PRIMARY KEY,
	boot    INTEGER NOT NULL REFERENCES boot,
	from_us INTEGER NOT NULL,
	to_us   INTEGER,
	why     TEXT NOT NULL
) STRICT;

ALTER TABLE boot_correction ADD COLUMN who TEXT NOT NULL DEFAULT '';
ALTER TABLE boot_correction ADD COLUMN at_us INTEGER NOT NULL DEFAULT 0;
`, `
INSERT OR IGNORE INTO meta VALUES ('id', lower(hex(randomblob(4))));

CREATE TABLE ship_anchor (
	boot   INTEGER PRIMARY KEY REFERENCES boot,
	anchor TEXT NOT NULL
) STRICT;

CREATE TABLE ship_cursor (
	target TEXT NOT NULL,
	stream TEXT NOT NULL,
	boot   INTEGER NOT NULL,
	at     INTEGER NOT NULL,
	n      INTEGER NOT NULL,
	PRIMARY KEY (target, stream)
) STRICT, WITHOUT ROWID;

CREATE TABLE ship_aside (
	id      INTEGER PRIMARY KEY,
	target  TEXT NOT NULL,
	stream  TEXT NOT NULL,
	boot    INTEGER NOT NULL,
	from_at INTEGER NOT NULL,
	to_at   INTEGER NOT NULL,
	points  INTEGER NOT NULL,
	why     TEXT NOT NULL,
	example TEXT NOT NULL,
	at      TEXT
) STRICT;
CREATE INDEX ship_aside_stream ON ship_aside (target, stream);

CREATE TABLE book_change (
	seq  INTEGER PRIMARY KEY AUTOINCREMENT,
	kind TEXT NOT NULL,
	row  INTEGER NOT NULL,
	at   TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%f', 'now') || '000000Z'),
	UNIQUE (kind, row) ON CONFLICT REPLACE
) STRICT;
INSERT INTO book_change (kind, row) SELECT 'boot', id FROM boot ORDER BY id;
INSERT INTO book_change (kind, row) SELECT 'calibration', id FROM calibration ORDER BY id;
INSERT INTO book_change (kind, row) SELECT 'calibration_check', id FROM calibration_check ORDER BY id;
INSERT INTO book_change (kind, row) SELECT 'engine', id FROM engine ORDER BY id;
INSERT INTO book_change (kind, row) SELECT 'injector', id FROM injector ORDER BY id;
INSERT INTO book_change (kind, row) SELECT 'test', id FROM test ORDER BY id;
INSERT INTO book_change (kind, row) SELECT 'hanging', id FROM hanging ORDER BY id;
INSERT INTO book_change (kind, row) SELECT 'run', id FROM run ORDER BY id;
INSERT INTO book_change (kind, row) SELECT 'event', id FROM event ORDER BY id;
INSERT INTO book_change (kind, row) SELECT 'rates', id FROM run WHERE end_ns <> 0 ORDER BY id;

CREATE TRIGGER boot_insert AFTER INSERT ON boot BEGIN INSERT INTO book_change (kind, row) VALUES ('boot', new.id); END;
CREATE TRIGGER boot_update AFTER UPDATE ON boot BEGIN INSERT INTO book_change (kind, row) VALUES ('boot', new.id); END;
CREATE TRIGGER calibration_insert AFTER INSERT ON calibration BEGIN INSERT INTO book_change (kind, row) VALUES ('calibration', new.id); END;
CREATE TRIGGER calibration_update AFTER UPDATE ON calibration BEGIN INSERT INTO book_change (kind, row) VALUES ('calibration', new.id); END;
CREATE TRIGGER calibration_check_insert AFTER INSERT ON calibration_check BEGIN INSERT INTO book_change (kind, row) VALUES ('calibration_check', new.id); END;
CREATE TRIGGER calibration_check_update AFTER UPDATE ON calibration_check BEGIN INSERT INTO book_change (kind, row) VALUES ('calibration_check', new.id); END;
CREATE TRIGGER engine_insert AFTER INSERT ON engine BEGIN INSERT INTO book_change (kind, row) VALUES ('engine', new.id); END;
CREATE TRIGGER engine_update AFTER UPDATE ON engine BEGIN INSERT INTO book_change (kind, row) VALUES ('engine', new.id); END;
CREATE TRIGGER injector_insert AFTER INSERT ON injector BEGIN INSERT INTO book_change (kind, row) VALUES ('injector', new.id); END;
CREATE TRIGGER injector_update AFTER UPDATE ON injector BEGIN INSERT INTO book_change (kind, row) VALUES ('injector', new.id); END;
CREATE TRIGGER test_insert AFTER INSERT ON test BEGIN INSERT INTO book_change (kind, row) VALUES ('test', new.id); END;
CREATE TRIGGER test_update AFTER UPDATE ON test BEGIN INSERT INTO book_change (kind, row) VALUES ('test', new.id); END;
CREATE TRIGGER hanging_insert AFTER INSERT ON hanging BEGIN INSERT INTO book_change (kind, row) VALUES ('hanging', new.id); END;
CREATE TRIGGER hanging_update AFTER UPDATE ON hanging BEGIN INSERT INTO book_change (kind, row) VALUES ('hanging', new.id); END;
CREATE TRIGGER run_insert AFTER INSERT ON run BEGIN INSERT INTO book_change (kind, row) VALUES ('run', new.id); END;
CREATE TRIGGER run_update AFTER UPDATE ON run BEGIN INSERT INTO book_change (kind, row) VALUES ('run', new.id); END;
CREATE TRIGGER event_insert AFTER INSERT ON event BEGIN INSERT INTO book_change (kind, row) VALUES ('event', new.id); END;
CREATE TRIGGER event_update AFTER UPDATE ON event BEGIN INSERT INTO book_change (kind, row) VALUES ('event', new.id); END;
CREATE TRIGGER anchor_insert AFTER INSERT ON ship_anchor BEGIN INSERT INTO book_change (kind, row) VALUES ('boot', new.boot); END;

CREATE TRIGGER run_insert_rates AFTER INSERT ON run WHEN new.end_ns <> 0 BEGIN
	INSERT INTO book_change (kind, row) VALUES ('rates', new.id);
END;
CREATE TRIGGER run_update_rates AFTER UPDATE ON run WHEN new.end_ns <> 0 BEGIN
	INSERT INTO book_change (kind, row) VALUES ('rates', new.id);
END;
CREATE TRIGGER test_update_rates AFTER UPDATE ON test BEGIN
	INSERT INTO book_change (kind, row) SELECT 'rates', id FROM run WHERE test = new.id AND end_ns <> 0 ORDER BY id;
END;
CREATE TRIGGER engine_update_rates AFTER UPDATE ON engine BEGIN
	INSERT INTO book_change (kind, row) SELECT 'rates', r.id FROM run r JOIN test t ON t.id = r.test
	WHERE t.engine = new.id AND end_ns <> 0 ORDER BY r.id;
END;
CREATE TRIGGER boot_update_rates AFTER UPDATE OF wall ON boot BEGIN
	INSERT INTO book_change (kind, row) SELECT 'rates', id FROM run WHERE boot = new.id AND end_ns <> 0 ORDER BY id;
END;
CREATE TRIGGER calibration_insert_rates AFTER INSERT ON calibration BEGIN
	INSERT INTO book_change (kind, row) SELECT 'rates', r.id FROM run r
	JOIN position_on p ON p.run = r.id JOIN boot b ON b.id = r.boot
	WHERE p.channel = new.channel AND r.end_ns <> 0 AND (
		new.at IS NULL OR julianday(b.wall) + r.start_ns / 86400e9 > julianday(new.at) - 1e-5
		OR NOT EXISTS (SELECT 1 FROM calibration k WHERE k.channel = new.channel AND k.id <> new.id AND (k.at IS NULL OR k.at < new.at)))
	ORDER BY r.id;
END;
`, schemaImports, `
INSERT INTO book_change (kind, row) SELECT 'hand_reading', id FROM hand_reading ORDER BY id;
CREATE TRIGGER hand_reading_insert AFTER INSERT ON hand_reading BEGIN INSERT INTO book_change (kind, row) VALUES ('hand_reading', new.id); END;
CREATE TRIGGER hand_reading_update AFTER UPDATE ON hand_reading BEGIN INSERT INTO book_change (kind, row) VALUES ('hand_reading', new.id); END;
`, `
ALTER TABLE test ADD COLUMN density_15_g_per_ml REAL NOT NULL DEFAULT 0;
ALTER TABLE test ADD COLUMN density_assumed INTEGER NOT NULL DEFAULT 0;
ALTER TABLE test ADD COLUMN expansion_per_c REAL NOT NULL DEFAULT 0;
ALTER TABLE test ADD COLUMN u_expansion REAL NOT NULL DEFAULT 0;
ALTER TABLE test ADD COLUMN u_fuel_temp_c REAL NOT NULL DEFAULT 0;
ALTER TABLE test ADD COLUMN state_at_c REAL NOT NULL DEFAULT 0;
ALTER TABLE test ADD COLUMN viscosity_1_at_c REAL NOT NULL DEFAULT 0;
ALTER TABLE test ADD COLUMN viscosity_1_mm2_per_s REAL NOT NULL DEFAULT 0;
ALTER TABLE test ADD COLUMN viscosity_2_at_c REAL NOT NULL DEFAULT 0;
ALTER TABLE test ADD COLUMN viscosity_2_mm2_per_s REAL NOT NULL DEFAULT 0;
`, `
CREATE TABLE condition (
	id       INTEGER PRIMARY KEY,
	test     INTEGER NOT NULL REFERENCES test,
	run      INTEGER NOT NULL,
	injector INTEGER NOT NULL,
	name     TEXT NOT NULL,
	unit     TEXT NOT NULL,
	value    REAL NOT NULL,
	UNIQUE (test, run, name, injector)
) STRICT;
CREATE TRIGGER condition_insert AFTER INSERT ON condition BEGIN INSERT INTO book_change (kind, row) VALUES ('condition', new.id); END;
CREATE TRIGGER condition_update AFTER UPDATE ON condition BEGIN INSERT INTO book_change (kind, row) VALUES ('condition', new.id); END;
`}

// sumsSince is the first schema in which every page carries a checksum.
const sumsSince = 4

// SchemaVersion is the schema this program writes.
const SchemaVersion = len(migrations)
