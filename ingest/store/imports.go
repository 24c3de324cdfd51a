package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strconv"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// schemaImports is the migration that brings the tables of imported files.
const schemaImports = `
CREATE TABLE import (
	id      INTEGER PRIMARY KEY,
	kind    TEXT NOT NULL,
	file    TEXT NOT NULL,
	sha256  TEXT NOT NULL UNIQUE,
	at      TEXT,
	program TEXT NOT NULL,
	rows    INTEGER NOT NULL
) STRICT;

CREATE TABLE hand_reading (
	id              INTEGER PRIMARY KEY,
	import          INTEGER NOT NULL REFERENCES import,
	line            INTEGER NOT NULL,
	test            INTEGER NOT NULL,
	hanging         INTEGER NOT NULL,
	hanging_name    TEXT NOT NULL,
	run_name        TEXT NOT NULL,
	run_number      INTEGER NOT NULL,
	day             TEXT NOT NULL,
	injector        INTEGER NOT NULL,
	volume_ml       REAL,
	duration_s      REAL,
	rate_ml_per_min REAL NOT NULL,
	u_ml_per_min    REAL NOT NULL,
	odometer        REAL,
	FOREIGN KEY (hanging, test) REFERENCES hanging (id, test),
	UNIQUE (hanging, run_name, injector)
) STRICT;
CREATE INDEX hand_reading_test ON hand_reading (test);

CREATE TABLE imported_channel (
	import   INTEGER NOT NULL REFERENCES import,
	channel  INTEGER NOT NULL REFERENCES channel,
	name     TEXT NOT NULL,
	test     INTEGER NOT NULL REFERENCES test,
	head     TEXT NOT NULL,
	whole    TEXT NOT NULL,
	from_utc TEXT,
	to_utc   TEXT,
	PRIMARY KEY (import, channel)
) STRICT, WITHOUT ROWID;
`

const selectImport = `SELECT id, kind, file, sha256, at, program, rows FROM import `

func scanImport(row *sql.Rows) (i ingest.Import, err error) {
	return i, row.Scan(&i.ID, &i.Kind, &i.File, &i.SHA256, wallTime{&i.At}, &i.Program, &i.Rows)
}

// Imports lists the files that were taken in, in that order.
func (r *Reader) Imports(ctx context.Context) ([]ingest.Import, error) {
	is, err := list(ctx, r.db, scanImport, selectImport+`ORDER BY id`)
	return is, explain("list imports", r.path, err)
}

const selectHandReading = `SELECT id, import, line, test, hanging, hanging_name, run_name, run_number, day, injector,
	volume_ml, duration_s, rate_ml_per_min, u_ml_per_min, odometer FROM hand_reading `

func scanHandReading(row *sql.Rows) (h ingest.HandReading, err error) {
	return h, row.Scan(&h.ID, &h.ImportID, &h.Line, &h.TestID, &h.HangingID, &h.Hanging, &h.Run, &h.RunNumber, wallTime{&h.Day}, &h.Injector,
		realOrNaN{&h.VolumeML}, realOrNaN{&h.DurationS}, &h.RateMLPerMin, &h.UMLPerMin, realOrNaN{&h.Odometer})
}

// HandReadings lists a test's hand readings, or all when testID is 0, in the order of
// the runs.
func (r *Reader) HandReadings(ctx context.Context, testID int64) ([]ingest.HandReading, error) {
	hs, err := list(ctx, r.db, scanHandReading, selectHandReading+`WHERE ?1 = 0 OR test = ?1 ORDER BY test, run_number, injector, id`, testID)
	return hs, explain("list hand readings", r.path, err)
}

// CurveMarks lists what tells the imported recordings from copies of them.
func (r *Reader) CurveMarks(ctx context.Context) ([]ingest.CurveMark, error) {
	ms, err := list(ctx, r.db, func(row *sql.Rows) (m ingest.CurveMark, err error) {
		i := &m.Import
		return m, row.Scan(&i.ID, &i.Kind, &i.File, &i.SHA256, wallTime{&i.At}, &i.Program, &i.Rows,
			&m.Channel, &m.Head, &m.Whole, wallTime{&m.From}, wallTime{&m.To}, &m.Test, &m.Engine)
	}, `SELECT i.id, i.kind, i.file, i.sha256, i.at, i.program, i.rows, c.name, c.head, c.whole, c.from_utc, c.to_utc, t.label, e.label
		FROM imported_channel c JOIN import i ON i.id = c.import JOIN test t ON t.id = c.test JOIN engine e ON e.id = t.engine
		ORDER BY i.id, c.channel`)
	return ms, explain("list imported curves", r.path, err)
}

func (s *Store) insertImport(ctx context.Context, i ingest.Import) (int64, error) {
	return s.insertRow(ctx, `INSERT INTO import (kind, file, sha256, at, program, rows) VALUES (?, ?, ?, ?, ?, ?)`,
		i.Kind, i.File, i.SHA256, timeText(i.At), i.Program, i.Rows)
}

// importEngine returns the engine's id, by its label, and keeps it if it is new.
func (s *Store) importEngine(ctx context.Context, e ingest.Engine) (id int64, err error) {
	err = s.w.QueryRowContext(ctx, `SELECT id FROM engine WHERE label = ?`, e.Label).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return s.insertRow(ctx, `INSERT INTO engine (label, injectors, firing_order, distance_unit, injector_type) VALUES (?, ?, ?, ?, ?)`,
			e.Label, e.Injectors, e.FiringOrder, e.DistanceUnit, e.InjectorType)
	}
	return id, err
}

// importTest keeps a test, unless it has an id.
func (s *Store) importTest(ctx context.Context, e ingest.Engine, t ingest.Test) (ingest.Test, error) {
	if t.ID != 0 {
		return t, nil
	}
	if err := checkYear("its time", t.At); err != nil {
		return t, err
	}
	var err error
	if t.EngineID, err = s.importEngine(ctx, e); err != nil {
		return t, err
	}
	t.ID, err = s.insertRow(ctx, insertTest, testColumns(t)...)
	if err != nil {
		return t, fmt.Errorf("test %q: %w", t.Label, err)
	}
	return t, nil
}

// ImportReadings keeps hand readings, all or none, with the engines, tests and hangings
// that are new. A file that was taken in before (by its SHA256), a reading that is there
// and a label taken are ErrConflict. It returns the import with its ID.
func (s *Store) ImportReadings(ctx context.Context, imp ingest.Import, tests []ingest.ReadTest) (ingest.Import, error) {
	imp.Kind, imp.Rows = ingest.ImportReadings, 0
	for _, t := range tests {
		for _, h := range t.Hangings {
			imp.Rows += len(h.Readings)
		}
	}
	err := s.write(ctx, fmt.Sprintf("take in %s", imp.File), func(ctx context.Context) (err error) {
		if imp.ID, err = s.insertImport(ctx, imp); err != nil {
			return err
		}
		for _, t := range tests {
			test, err := s.importTest(ctx, t.Engine, t.Test)
			if err != nil {
				return err
			}
			for _, h := range t.Hangings {
				if h.Hanging.ID == 0 {
					h.Hanging.ID, err = s.insertRow(ctx, `INSERT INTO hanging (test, number, note) VALUES (?, ?, ?)`, test.ID, h.Hanging.Number, h.Hanging.Note)
					if err != nil {
						return err
					}
				}
				for _, x := range h.Readings {
					_, err := s.w.ExecContext(ctx, `INSERT INTO hand_reading (import, line, test, hanging, hanging_name, run_name, run_number, day, injector,
						volume_ml, duration_s, rate_ml_per_min, u_ml_per_min, odometer) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
						imp.ID, x.Line, test.ID, h.Hanging.ID, x.Hanging, x.Run, x.RunNumber, timeText(x.Day), x.Injector,
						real(x.VolumeML), real(x.DurationS), x.RateMLPerMin, x.UMLPerMin, real(x.Odometer))
					if err != nil {
						return fmt.Errorf("line %d: %w", x.Line, err)
					}
				}
			}
			for _, c := range t.Conditions {
				c.TestID = test.ID
				if err := s.insertConditions(ctx, []ingest.Condition{c}); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		return ingest.Import{}, err
	}
	return imp, nil
}

// ImportCurves keeps another logger's recording, all or none: an engine if it is new, a
// test with one hanging and the runs, a boot of its own, and for each channel its
// calibration and its samples, sealed in chunks as the bench's own are. It returns the
// import with its ID. What ImportReadings refuses is refused here too.
func (s *Store) ImportCurves(ctx context.Context, imp ingest.Import, in ingest.ImportedCurves) (ingest.Import, error) {
	imp.Kind, imp.Rows = ingest.ImportCurves, 0
	for _, c := range in.Channels {
		imp.Rows += len(c.Samples)
	}
	op := fmt.Sprintf("take in %s", imp.File)
	if err := checkYear("its wall time", in.Wall); err != nil {
		return ingest.Import{}, explain(op, s.path, err)
	}
	err := s.write(ctx, op, func(ctx context.Context) (err error) {
		if imp.ID, err = s.insertImport(ctx, imp); err != nil {
			return err
		}
		test, err := s.importTest(ctx, in.Engine, in.Test)
		if err != nil {
			return err
		}
		hanging, err := s.insertRow(ctx, `INSERT INTO hanging (test, number, note) VALUES (?, 1, '')`, test.ID)
		if err != nil {
			return err
		}
		boot, err := s.insertRow(ctx, `INSERT INTO boot (wall, stored) VALUES (?1, ?1)`, in.Wall.UTC().Format(timeLayout))
		if err != nil {
			return err
		}
		stored := map[string]int64{}
		for number, c := range in.Channels {
			id, err := s.importChannel(ctx, imp, boot, number, test.ID, in.Wall, c)
			if err != nil {
				return fmt.Errorf("channel %s: %w", c.Channel.Name, err)
			}
			stored[c.Channel.Name] = id
		}
		for _, run := range in.Runs {
			id, err := s.insertRow(ctx, insertRun, test.ID, hanging, run.Number, boot, int64(run.Start), int64(run.End), int64(run.Planned), run.Excluded, run.Note)
			if err != nil {
				return err
			}
			for i, p := range run.Positions {
				if _, err := s.w.ExecContext(ctx, `INSERT INTO position_on VALUES (?, ?, ?, ?)`, id, i, stored[p.Channel], p.Injector); err != nil {
					return fmt.Errorf("injector %d on channel %q: %w", p.Injector, p.Channel, err)
				}
			}
		}
		return nil
	})
	if err != nil {
		return ingest.Import{}, err
	}
	return imp, nil
}

// importChannel keeps one channel of a recording and returns its id.
func (s *Store) importChannel(ctx context.Context, imp ingest.Import, boot int64, number int, test int64, wall time.Time, c ingest.ImportedChannel) (int64, error) {
	if len(c.Samples) == 0 {
		return 0, fmt.Errorf("it has no samples: leave it out: %w", ErrConflict)
	}
	id, err := s.channelID(ctx, "import"+strconv.FormatInt(imp.ID, 10)+":"+c.Channel.Name)
	if err != nil {
		return 0, err
	}
	if _, err := s.w.ExecContext(ctx, `UPDATE channel SET capacity_ml = ? WHERE id = ?`, real(c.Channel.CapacityML), id); err != nil {
		return 0, err
	}
	if _, err := s.w.ExecContext(ctx, `INSERT INTO boot_channel VALUES (?, ?, ?, ?)`, boot, number, id, real(c.Channel.CapacityML)); err != nil {
		return 0, err
	}
	k := c.Calibration
	if _, err := s.w.ExecContext(ctx, `INSERT INTO calibration (channel, at, zero, counts_per_gram, u_zero, u_counts_per_g, cov_zero_span, df, certificate, unit, tube)
		VALUES (?, NULL, ?, ?, ?, ?, ?, ?, ?, ?, NULL)`, // it always holds
		id, real(k.Zero), real(k.CountsPerGram), real(k.UZero), real(k.UCountsPerG), real(k.CovZeroSpan), real(k.DF), k.Certificate, k.Unit); err != nil {
		return 0, err
	}
	first, last := c.Samples[0], c.Samples[len(c.Samples)-1]
	if _, err := s.w.ExecContext(ctx, `INSERT INTO imported_channel (import, channel, name, test, head, whole, from_utc, to_utc) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
		imp.ID, id, c.Channel.Name, test, c.Head, c.Whole, timeText(wall.Add(first.Elapsed)), timeText(wall.Add(last.Elapsed))); err != nil {
		return 0, err
	}
	for samples := c.Samples; len(samples) > 0; {
		n, _ := firstStretch(samples)
		if err := checkOrder(samples[:n]); err != nil {
			return 0, err
		}
		if err := s.insertChunk(ctx, boot, id, samples[:n]); err != nil {
			return 0, err
		}
		samples = samples[n:]
	}
	return id, nil
}

func checkOrder(samples []rig.Sample) error {
	for i := 1; i < len(samples); i++ {
		if toUS(samples[i].Elapsed) <= toUS(samples[i-1].Elapsed) {
			return fmt.Errorf("sample %d at %v does not come after %v: times must rise by a microsecond or more: %w", samples[i].Seq, samples[i].Elapsed, samples[i-1].Elapsed, ErrConflict)
		}
	}
	return nil
}

// Extent returns the elapsed times of a channel's first and last sample of a boot that the
// store knows of, deleted raw samples included; last is before first when there are none.
func (r *Reader) Extent(ctx context.Context, bootID int64, channel string) (first, last time.Duration, err error) {
	op := fmt.Sprintf("find the ends of channel %q, boot %d", channel, bootID)
	var lo, hi sql.NullInt64
	err = r.db.QueryRowContext(ctx, `SELECT min(first_us), max(last_us) FROM chunk k JOIN channel c ON c.id = k.channel WHERE boot = ? AND name = ?`, bootID, channel).Scan(&lo, &hi)
	if err != nil {
		return 0, 0, explain(op, r.path, err)
	}
	tails, err := list(ctx, r.db, scanTail, `SELECT t.id, channel, boot, data FROM tail t JOIN channel c ON c.id = t.channel WHERE boot = ? AND name = ? ORDER BY t.id`, bootID, channel)
	if err != nil {
		return 0, 0, explain(op, r.path, err)
	}
	first, last = 0, -1
	if lo.Valid {
		first, last = fromUS(lo.Int64), fromUS(hi.Int64)
	}
	for _, t := range tails {
		samples, err := t.decode()
		if err != nil || len(samples) == 0 {
			continue // told by whoever reads the samples
		}
		if last < first {
			first = samples[0].Elapsed
		}
		last = samples[len(samples)-1].Elapsed
	}
	return first, last, nil
}
