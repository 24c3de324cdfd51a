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
`}

// SchemaVersion is the schema this program writes.
const SchemaVersion = len(migrations)
