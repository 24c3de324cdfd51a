package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// Values in columns: a NaN is NULL, a zero time is NULL, any other time is UTC
// text of fixed width, which sorts in order of time.

const timeLayout = "2006-01-02T15:04:05.000000000Z"

func timeText(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UTC().Format(timeLayout)
}

// wallTime scans a time column.
type wallTime struct{ t *time.Time }

func (w wallTime) Scan(v any) (err error) {
	*w.t = time.Time{}
	switch v := v.(type) {
	case nil:
	case string:
		*w.t, err = time.Parse(timeLayout, v)
	default:
		err = fmt.Errorf("%T is not a time", v)
	}
	return err
}

// real binds a number; SQLite would do the same, but in silence.
func real(v float64) any {
	if math.IsNaN(v) {
		return nil
	}
	return v
}

// realOrNaN scans a REAL column.
type realOrNaN struct{ v *float64 }

func (r realOrNaN) Scan(v any) error {
	var n sql.NullFloat64
	if err := n.Scan(v); err != nil {
		return err
	}
	*r.v = math.NaN()
	if n.Valid {
		*r.v = n.Float64
	}
	return nil
}

// checkYear refuses a time that timeLayout cannot hold.
func checkYear(what string, t time.Time) error {
	if y := t.UTC().Year(); y < 1 || y > 9999 {
		return fmt.Errorf("%s is in the year %d, beyond 1 to 9999: correct the date: %w", what, y, ErrConflict)
	}
	return nil
}

// list runs a query and scans every row.
func list[T any](ctx context.Context, q queryer, scan func(row *sql.Rows) (T, error), query string, args ...any) ([]T, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []T
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

func scanText(row *sql.Rows) (s string, err error) {
	err = row.Scan(&s)
	return s, err
}

// one returns the only value of a list, or ErrNotFound in words.
func one[T any](found []T, err error, what string, known func() ([]string, error)) (T, error) {
	var zero T
	if err != nil {
		return zero, err
	}
	if len(found) > 0 {
		return found[0], nil
	}
	labels, err := known()
	if err != nil {
		return zero, err
	}
	there := "there are none yet"
	if len(labels) > 0 {
		there = "there are " + strings.Join(labels, ", ")
		if len(labels) == knownMax {
			there += " and perhaps more"
		}
	}
	return zero, fmt.Errorf("no %s; %s: %w", what, there, ErrNotFound)
}

const knownMax = 10 // labels that a not-found error offers

// labels asks for what a not-found error offers. Who has a transaction open asks
// inside it: another connection may not be had until it ends.
func labels(ctx context.Context, q queryer, query string, args ...any) func() ([]string, error) {
	return func() ([]string, error) {
		return list(ctx, q, scanText, query+" LIMIT "+strconv.Itoa(knownMax), args...)
	}
}

// insert runs an INSERT and returns the new row's id.
func (s *Store) insert(ctx context.Context, op, query string, args ...any) (id int64, err error) {
	err = s.write(ctx, op, func(ctx context.Context) error {
		id, err = s.insertRow(ctx, query, args...)
		return err
	})
	return id, err
}

func (s *Store) insertRow(ctx context.Context, query string, args ...any) (int64, error) {
	res, err := s.w.ExecContext(ctx, query, args...)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

// update runs an UPDATE that must change one row.
func (s *Store) update(ctx context.Context, op, what, query string, args ...any) error {
	return s.write(ctx, op, func(ctx context.Context) error {
		res, err := s.w.ExecContext(ctx, query, args...)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 1 {
			return err
		}
		return fmt.Errorf("no %s: check its id: %w", what, ErrNotFound)
	})
}

// NewBoot begins a boot: wall is the wall clock at elapsed zero, channels are the
// bench's, in the order of Sample.Channel. It seals what earlier boots left open;
// from here on Append takes this boot only.
func (s *Store) NewBoot(ctx context.Context, wall time.Time, channels []rig.Channel) (ingest.Boot, error) {
	const op = "start a boot"
	boot := ingest.Boot{Wall: wall.UTC().Round(0), Stored: wall.UTC().Round(0)}
	if err := checkYear("its wall time", wall); err != nil {
		return boot, explain(op, s.path, err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	open := map[int]*openChunk{}
	if s.w == nil {
		return boot, explain(op, s.path, errClosed)
	}
	tails, damage, err := readTails(ctx, s.w, "true")
	if err != nil {
		return boot, explain(op, s.path, err)
	}
	err = s.transact(ctx, op, func(ctx context.Context) (err error) {
		if err := s.sealTails(ctx, tails, damage); err != nil {
			return err
		}
		boot.ID, err = s.insertRow(ctx, `INSERT INTO boot (wall, stored) VALUES (?1, ?1)`, wall.UTC().Format(timeLayout))
		if err != nil {
			return err
		}
		for number, c := range channels {
			id, err := s.channelID(ctx, c.Name)
			if err != nil {
				return err
			}
			if _, err := s.w.ExecContext(ctx, `UPDATE channel SET capacity_ml = ? WHERE id = ?`, real(c.CapacityML), id); err != nil {
				return err
			}
			if _, err := s.w.ExecContext(ctx, `INSERT INTO boot_channel VALUES (?, ?, ?, ?)`, boot.ID, number, id, real(c.CapacityML)); err != nil {
				return fmt.Errorf("channel %d, %q: %w", number, c.Name, err)
			}
			open[number] = &openChunk{channelID: id, name: c.Name}
		}
		return nil
	})
	if err != nil {
		return ingest.Boot{}, err
	}
	s.boot, s.open = boot.ID, open
	return boot, nil
}

// channelID returns a channel's id, and makes the channel known if it is new.
func (s *Store) channelID(ctx context.Context, name string) (id int64, err error) {
	if name == "" {
		return 0, fmt.Errorf("a channel has no name: name it in the config: %w", ErrConflict)
	}
	err = s.w.QueryRowContext(ctx, `SELECT id FROM channel WHERE name = ?`, name).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return s.insertRow(ctx, `INSERT INTO channel (name) VALUES (?)`, name)
	}
	return id, err
}

func scanBoot(row *sql.Rows) (b ingest.Boot, err error) {
	return b, row.Scan(&b.ID, wallTime{&b.Wall}, wallTime{&b.Stored})
}

// Boots lists the boots, oldest first.
func (r *Reader) Boots(ctx context.Context) ([]ingest.Boot, error) {
	boots, err := list(ctx, r.db, scanBoot, `SELECT id, wall, stored FROM boot ORDER BY id`)
	return boots, explain("list boots", r.path, err)
}

func scanChannel(row *sql.Rows) (c rig.Channel, err error) {
	return c, row.Scan(&c.Name, realOrNaN{&c.CapacityML})
}

// Channels lists every channel the store has heard of, by name; CapacityML is the
// last known, NaN when none was.
func (r *Reader) Channels(ctx context.Context) ([]rig.Channel, error) {
	cs, err := list(ctx, r.db, scanChannel, `SELECT name, capacity_ml FROM channel ORDER BY name`)
	return cs, explain("list channels", r.path, err)
}

// BootChannels lists a boot's channels in the order of Sample.Channel.
func (r *Reader) BootChannels(ctx context.Context, bootID int64) ([]rig.Channel, error) {
	cs, err := list(ctx, r.db, scanChannel, `SELECT name, b.capacity_ml FROM boot_channel b
		JOIN channel c ON c.id = b.channel WHERE boot = ? ORDER BY number`, bootID)
	return cs, explain("list a boot's channels", r.path, err)
}

// AddCalibration keeps a channel's calibration and returns its id.
func (s *Store) AddCalibration(ctx context.Context, c ingest.Calibration) (id int64, err error) {
	const op = "keep a calibration"
	if err := checkYear("its time", c.At); err != nil {
		return 0, explain(op, s.path, err)
	}
	tube, err := tubeText(&c)
	if err != nil {
		return 0, explain(op, s.path, err)
	}
	err = s.write(ctx, op, func(ctx context.Context) error {
		channel, err := s.channelID(ctx, c.Channel)
		if err != nil {
			return err
		}
		id, err = s.insertRow(ctx, `INSERT INTO calibration
			(channel, at, zero, counts_per_gram, u_zero, u_counts_per_g, cov_zero_span, df, certificate, unit, tube)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, channel, timeText(c.At), real(c.Zero), real(c.CountsPerGram),
			real(c.UZero), real(c.UCountsPerG), real(c.CovZeroSpan), real(c.DF), c.Certificate, c.Unit, tube)
		return err
	})
	return id, err
}

// tubeText is the column of a calibration's tube; nil for a weighing channel.
func tubeText(c *ingest.Calibration) (any, error) {
	switch {
	case c.Unit == "" || c.Unit == ingest.UnitG:
		c.Unit = ingest.UnitG
		return nil, nil
	case c.Unit != ingest.UnitMM || len(c.Tube.Rows) < 2:
		return nil, fmt.Errorf("%w: calibration of %q in %q with %d rows of its tube: a line is in g, or in mm with the tube's table: give two rows or more", ErrConflict, c.Channel, c.Unit, len(c.Tube.Rows))
	}
	text, err := json.Marshal(c.Tube)
	if err != nil {
		return nil, fmt.Errorf("calibration of %q: the tube's table: %w: use finite numbers", c.Channel, err)
	}
	return string(text), nil
}

const selectCalibration = `SELECT k.id, name, at, zero, counts_per_gram, u_zero, u_counts_per_g, cov_zero_span, df, certificate, unit, tube
	FROM calibration k JOIN channel c ON c.id = k.channel `

func scanCalibration(row *sql.Rows) (c ingest.Calibration, err error) {
	var tube sql.NullString
	err = row.Scan(&c.ID, &c.Channel, wallTime{&c.At}, realOrNaN{&c.Zero}, realOrNaN{&c.CountsPerGram},
		realOrNaN{&c.UZero}, realOrNaN{&c.UCountsPerG}, realOrNaN{&c.CovZeroSpan}, realOrNaN{&c.DF}, &c.Certificate, &c.Unit, &tube)
	if err == nil && tube.Valid {
		if err = json.Unmarshal([]byte(tube.String), &c.Tube); err != nil {
			err = fmt.Errorf("calibration %d of %s: its tube's table is damaged: %w: calibrate the channel anew", c.ID, c.Channel, err)
		}
	}
	return c, err
}

// Calibration returns a channel's latest calibration made at or before a time;
// among those of one time, the one kept last. None is ErrNotFound.
func (r *Reader) Calibration(ctx context.Context, channel string, at time.Time) (ingest.Calibration, error) {
	found, err := list(ctx, r.db, scanCalibration, selectCalibration+
		`WHERE name = ? AND (at IS NULL OR at <= ?) ORDER BY at DESC, k.id DESC LIMIT 1`, channel, at.UTC().Format(timeLayout))
	c, err := one(found, err, fmt.Sprintf("calibration of channel %q at %s: calibrate it", channel, at.UTC().Format(time.RFC3339)),
		labels(ctx, r.db, `SELECT DISTINCT name || ' (first ' || coalesce(min(at), 'undated') || ')' FROM calibration k
			JOIN channel c ON c.id = k.channel GROUP BY name ORDER BY name`))
	return c, explain("find a calibration", r.path, err)
}

// Calibrations lists all calibrations of a channel, or of all channels when it is
// empty, oldest first.
func (r *Reader) Calibrations(ctx context.Context, channel string) ([]ingest.Calibration, error) {
	cs, err := list(ctx, r.db, scanCalibration, selectCalibration+`WHERE ?1 = '' OR name = ?1 ORDER BY at, k.id`, channel)
	return cs, explain("list calibrations", r.path, err)
}

// AddCalibrationCheck keeps a check of a calibration, which it leaves as it is, and
// returns the check's id. A calibration that is not there is ErrConflict.
func (s *Store) AddCalibrationCheck(ctx context.Context, c ingest.CalibrationCheck) (int64, error) {
	const op = "keep a check of a calibration"
	if err := checkYear("its time", c.At); err != nil {
		return 0, explain(op, s.path, err)
	}
	return s.insert(ctx, op, `INSERT INTO calibration_check (calibration, at, certificate) VALUES (?, ?, ?)`,
		c.CalibrationID, timeText(c.At), c.Certificate)
}

const selectCheck = `SELECT x.id, x.calibration, name, x.at, x.certificate FROM calibration_check x
	JOIN calibration k ON k.id = x.calibration JOIN channel c ON c.id = k.channel `

func scanCheck(row *sql.Rows) (c ingest.CalibrationCheck, err error) {
	return c, row.Scan(&c.ID, &c.CalibrationID, &c.Channel, wallTime{&c.At}, &c.Certificate)
}

// CalibrationChecks lists the checks of a channel's calibrations, or of all channels'
// when it is empty, oldest first.
func (r *Reader) CalibrationChecks(ctx context.Context, channel string) ([]ingest.CalibrationCheck, error) {
	cs, err := list(ctx, r.db, scanCheck, selectCheck+`WHERE ?1 = '' OR name = ?1 ORDER BY x.at, x.id`, channel)
	return cs, explain("list checks of calibrations", r.path, err)
}

// AddEngine keeps an engine and returns its id. A label taken is ErrConflict.
func (s *Store) AddEngine(ctx context.Context, e ingest.Engine) (int64, error) {
	return s.insert(ctx, fmt.Sprintf("keep engine %q", e.Label), `INSERT INTO engine
		(label, injectors, firing_order, distance_unit, injector_type) VALUES (?, ?, ?, ?, ?)`,
		e.Label, e.Injectors, e.FiringOrder, e.DistanceUnit, e.InjectorType)
}

// UpdateEngine replaces the engine with e.ID.
func (s *Store) UpdateEngine(ctx context.Context, e ingest.Engine) error {
	return s.update(ctx, fmt.Sprintf("change engine %q", e.Label), fmt.Sprintf("engine %d", e.ID), `UPDATE engine
		SET label = ?, injectors = ?, firing_order = ?, distance_unit = ?, injector_type = ? WHERE id = ?`,
		e.Label, e.Injectors, e.FiringOrder, e.DistanceUnit, e.InjectorType, e.ID)
}

const selectEngine = `SELECT id, label, injectors, firing_order, distance_unit, injector_type FROM engine `

func scanEngine(row *sql.Rows) (e ingest.Engine, err error) {
	return e, row.Scan(&e.ID, &e.Label, &e.Injectors, &e.FiringOrder, &e.DistanceUnit, &e.InjectorType)
}

// byRef is the end of a query that finds a row by its label or, when no label
// fits, by its id. It takes the reference twice.
const byRef = `WHERE label = ? OR CAST(id AS TEXT) = ? ORDER BY label = ? DESC LIMIT 1`

// Engine finds an engine by its label or id. None is ErrNotFound.
func (r *Reader) Engine(ctx context.Context, ref string) (ingest.Engine, error) {
	found, err := list(ctx, r.db, scanEngine, selectEngine+byRef, ref, ref, ref)
	e, err := one(found, err, fmt.Sprintf("engine %q", ref), labels(ctx, r.db, `SELECT label FROM engine ORDER BY id DESC`))
	return e, explain("find an engine", r.path, err)
}

// Engines lists the engines in the order they were kept.
func (r *Reader) Engines(ctx context.Context) ([]ingest.Engine, error) {
	es, err := list(ctx, r.db, scanEngine, selectEngine+`ORDER BY id`)
	return es, explain("list engines", r.path, err)
}

// AddInjector keeps what was fitted at a position and returns its id.
func (s *Store) AddInjector(ctx context.Context, i ingest.Injector) (int64, error) {
	op := fmt.Sprintf("keep the injector at position %d", i.Position)
	if err := checkYear("the date it was fitted", i.Fitted); err != nil {
		return 0, explain(op, s.path, err)
	}
	return s.insert(ctx, op, `INSERT INTO injector (engine, position, code, fitted) VALUES (?, ?, ?, ?)`,
		i.EngineID, i.Position, i.Code, timeText(i.Fitted))
}

const selectInjector = `SELECT id, engine, position, code, fitted FROM injector `

func scanInjector(row *sql.Rows) (i ingest.Injector, err error) {
	return i, row.Scan(&i.ID, &i.EngineID, &i.Position, &i.Code, wallTime{&i.Fitted})
}

// Injectors lists an engine's injectors by position, at each the oldest first.
func (r *Reader) Injectors(ctx context.Context, engineID int64) ([]ingest.Injector, error) {
	is, err := list(ctx, r.db, scanInjector, selectInjector+`WHERE engine = ? ORDER BY position, fitted, id`, engineID)
	return is, explain("list injectors", r.path, err)
}

// AddEvent keeps something done to an engine and returns its id.
func (s *Store) AddEvent(ctx context.Context, e ingest.Event) (int64, error) {
	op := fmt.Sprintf("keep event %q", e.What)
	if err := checkYear("its time", e.At); err != nil {
		return 0, explain(op, s.path, err)
	}
	return s.insert(ctx, op, `INSERT INTO event (engine, kind, what, amount, unit, at, odometer) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		e.EngineID, e.Kind, e.What, real(e.Amount), e.Unit, timeText(e.At), real(e.Odometer))
}

const selectEvent = `SELECT id, engine, kind, what, amount, unit, at, odometer FROM event `

func scanEvent(row *sql.Rows) (e ingest.Event, err error) {
	return e, row.Scan(&e.ID, &e.EngineID, &e.Kind, &e.What, realOrNaN{&e.Amount}, &e.Unit, wallTime{&e.At}, realOrNaN{&e.Odometer})
}

// Events lists what was done to an engine, oldest first.
func (r *Reader) Events(ctx context.Context, engineID int64) ([]ingest.Event, error) {
	es, err := list(ctx, r.db, scanEvent, selectEvent+`WHERE engine = ? ORDER BY at, id`, engineID)
	return es, explain("list events", r.path, err)
}

const insertTest = `INSERT INTO test
	(engine, label, phase, at, odometer, note, ` + fuelColumns + `)
	VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`

// fuelColumns are of table test, as fuelValues and scanTest have them.
const fuelColumns = `fuel_kind, density_g_per_ml, u_density, fuel_temp_c, density_15_g_per_ml, density_assumed, expansion_per_c, u_expansion,
	u_fuel_temp_c, state_at_c, viscosity_1_at_c, viscosity_1_mm2_per_s, viscosity_2_at_c, viscosity_2_mm2_per_s`

func fuelValues(f ingest.Fuel) []any {
	v := f.Viscosity
	return []any{f.Kind, real(f.DensityGPerML), real(f.UDensity), real(f.TempC), f.Density15GPerML, f.Assumed, f.ExpansionPerC, f.UExpansion,
		f.UTempC, f.StateAtC, v.FirstC, v.FirstMM2PerS, v.SecondC, v.SecondMM2PerS}
}

func testColumns(t ingest.Test) []any {
	return append([]any{t.EngineID, t.Label, t.Phase, timeText(t.At), real(t.Odometer), t.Note}, fuelValues(t.Fuel)...)
}

// AddTest keeps a test and returns its id. A label taken is ErrConflict.
func (s *Store) AddTest(ctx context.Context, t ingest.Test) (int64, error) {
	op := fmt.Sprintf("keep test %q", t.Label)
	if err := checkYear("its time", t.At); err != nil {
		return 0, explain(op, s.path, err)
	}
	return s.insert(ctx, op, insertTest, testColumns(t)...)
}

// UpdateTest replaces the test with t.ID, for example when the fuel's density is
// measured afterwards.
func (s *Store) UpdateTest(ctx context.Context, t ingest.Test) error {
	op := fmt.Sprintf("change test %q", t.Label)
	if err := checkYear("its time", t.At); err != nil {
		return explain(op, s.path, err)
	}
	return s.update(ctx, op, fmt.Sprintf("test %d", t.ID), `UPDATE test
		SET (engine, label, phase, at, odometer, note, `+fuelColumns+`)
		= (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) WHERE id = ?`, append(testColumns(t), t.ID)...)
}

const selectTest = `SELECT id, engine, label, phase, at, odometer, note, ` + fuelColumns + ` FROM test `

func scanTest(row *sql.Rows) (t ingest.Test, err error) {
	f := &t.Fuel
	v := &f.Viscosity
	return t, row.Scan(&t.ID, &t.EngineID, &t.Label, &t.Phase, wallTime{&t.At}, realOrNaN{&t.Odometer}, &t.Note, &f.Kind,
		realOrNaN{&f.DensityGPerML}, realOrNaN{&f.UDensity}, realOrNaN{&f.TempC}, &f.Density15GPerML, &f.Assumed, &f.ExpansionPerC, &f.UExpansion,
		&f.UTempC, &f.StateAtC, &v.FirstC, &v.FirstMM2PerS, &v.SecondC, &v.SecondMM2PerS)
}

// Test finds a test by its label or id. None is ErrNotFound.
func (r *Reader) Test(ctx context.Context, ref string) (ingest.Test, error) {
	found, err := list(ctx, r.db, scanTest, selectTest+byRef, ref, ref, ref)
	t, err := one(found, err, fmt.Sprintf("test %q", ref), labels(ctx, r.db, `SELECT label FROM test ORDER BY id DESC`))
	return t, explain("find a test", r.path, err)
}

// Tests lists an engine's tests, or all when engineID is 0, oldest first.
func (r *Reader) Tests(ctx context.Context, engineID int64) ([]ingest.Test, error) {
	ts, err := list(ctx, r.db, scanTest, selectTest+`WHERE ?1 = 0 OR engine = ?1 ORDER BY at, id`, engineID)
	return ts, explain("list tests", r.path, err)
}

// AddHanging keeps a hanging; with Number 0 it takes the test's next. It returns
// the hanging with its ID and Number.
func (s *Store) AddHanging(ctx context.Context, h ingest.Hanging) (ingest.Hanging, error) {
	err := s.write(ctx, "keep a hanging", func(ctx context.Context) (err error) {
		if h.Number, err = s.nextNumber(ctx, "hanging", h.TestID, h.Number); err != nil {
			return err
		}
		h.ID, err = s.insertRow(ctx, `INSERT INTO hanging (test, number, note) VALUES (?, ?, ?)`, h.TestID, h.Number, h.Note)
		return err
	})
	if err != nil {
		return ingest.Hanging{}, err
	}
	return h, nil
}

// nextNumber returns number, or when it is 0 one more than the test's highest.
func (s *Store) nextNumber(ctx context.Context, table string, testID int64, number int) (int, error) {
	if number != 0 {
		return number, nil
	}
	err := s.w.QueryRowContext(ctx, `SELECT coalesce(max(number), 0) + 1 FROM `+table+` WHERE test = ?`, testID).Scan(&number)
	return number, err
}

const selectHanging = `SELECT id, test, number, note FROM hanging `

func scanHanging(row *sql.Rows) (h ingest.Hanging, err error) {
	return h, row.Scan(&h.ID, &h.TestID, &h.Number, &h.Note)
}

// Hangings lists a test's hangings by number.
func (r *Reader) Hangings(ctx context.Context, testID int64) ([]ingest.Hanging, error) {
	hs, err := list(ctx, r.db, scanHanging, selectHanging+`WHERE test = ? ORDER BY number`, testID)
	return hs, explain("list hangings", r.path, err)
}

const insertRun = `INSERT INTO run
	(test, hanging, number, boot, start_ns, end_ns, planned_ns, excluded, note) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`

// StartRun keeps a run and its positions; with Number 0 it takes the test's next.
// It returns the run with its ID and Number. The hanging must be the test's own.
func (s *Store) StartRun(ctx context.Context, run ingest.Run) (ingest.Run, error) {
	err := s.write(ctx, "start a run", func(ctx context.Context) (err error) {
		if run.Number, err = s.nextNumber(ctx, "run", run.TestID, run.Number); err != nil {
			return err
		}
		run.ID, err = s.insertRow(ctx, insertRun, run.TestID, run.HangingID, run.Number, run.BootID, int64(run.Start), int64(run.End), int64(run.Planned), run.Excluded, run.Note)
		if err != nil {
			return err
		}
		for i, p := range run.Positions {
			channel, err := s.channelID(ctx, p.Channel)
			if err != nil {
				return err
			}
			if _, err := s.w.ExecContext(ctx, `INSERT INTO position_on VALUES (?, ?, ?, ?)`, run.ID, i, channel, p.Injector); err != nil {
				return fmt.Errorf("injector %d on channel %q: %w", p.Injector, p.Channel, err)
			}
		}
		return nil
	})
	if err != nil {
		return ingest.Run{}, err
	}
	return run, nil
}

// EndRun notes when a run ended, on its boot's elapsed time.
func (s *Store) EndRun(ctx context.Context, runID int64, end time.Duration) error {
	return s.update(ctx, "end a run", fmt.Sprintf("run %d", runID), `UPDATE run SET end_ns = ? WHERE id = ?`, int64(end), runID)
}

// Exclude leaves a run out of findings, for a reason; an empty reason takes it in again.
func (s *Store) Exclude(ctx context.Context, runID int64, why string) error {
	return s.update(ctx, "exclude a run", fmt.Sprintf("run %d", runID), `UPDATE run SET excluded = ? WHERE id = ?`, why, runID)
}

// NoteRun keeps a remark on a run, for example why it stopped early, in place of the
// one that it had.
func (s *Store) NoteRun(ctx context.Context, runID int64, note string) error {
	return s.update(ctx, "note on a run", fmt.Sprintf("run %d", runID), `UPDATE run SET note = ? WHERE id = ?`, note, runID)
}

const selectRun = `SELECT id, test, hanging, number, boot, start_ns, end_ns, planned_ns, excluded, note FROM run `

func scanRun(row *sql.Rows) (r ingest.Run, err error) {
	return r, row.Scan(&r.ID, &r.TestID, &r.HangingID, &r.Number, &r.BootID, &r.Start, &r.End, &r.Planned, &r.Excluded, &r.Note)
}

func (r *Reader) positions(ctx context.Context, runs []ingest.Run) (err error) {
	for i := range runs {
		runs[i].Positions, err = list(ctx, r.db, func(row *sql.Rows) (p ingest.PositionOn, err error) {
			return p, row.Scan(&p.Channel, &p.Injector)
		}, `SELECT name, injector FROM position_on p JOIN channel c ON c.id = p.channel WHERE run = ? ORDER BY number`, runs[i].ID)
		if err != nil {
			return err
		}
	}
	return nil
}

// Run finds a run by its id. None is ErrNotFound.
func (r *Reader) Run(ctx context.Context, id int64) (ingest.Run, error) {
	found, err := list(ctx, r.db, scanRun, selectRun+`WHERE id = ?`, id)
	if err == nil {
		err = r.positions(ctx, found)
	}
	run, err := one(found, err, fmt.Sprintf("run %d", id), labels(ctx, r.db, `SELECT id FROM run ORDER BY id DESC`))
	return run, explain("find a run", r.path, err)
}

// Runs lists a test's runs by number, excluded ones included.
func (r *Reader) Runs(ctx context.Context, testID int64) ([]ingest.Run, error) {
	runs, err := list(ctx, r.db, scanRun, selectRun+`WHERE test = ? ORDER BY number`, testID)
	if err == nil {
		err = r.positions(ctx, runs)
	}
	return runs, explain("list runs", r.path, err)
}
