package store

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// The test program is also the child process of some tests.
func TestMain(m *testing.M) {
	switch path := os.Getenv("STORE_TEST_PATH"); os.Getenv("STORE_TEST_CHILD") {
	case "record":
		fmt.Println(recordForEver(path))
		os.Exit(1)
	case "backup", "restore":
		if err := killable(os.Getenv("STORE_TEST_CHILD"), path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	case "locks":
		fmt.Print(sharedLock(path))
		os.Exit(0)
	case "open":
		_, err := Open(context.Background(), path, Options{})
		fmt.Print(err)
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func mustOpen(t testing.TB, path string) *Store {
	t.Helper()
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func mustBoot(t testing.TB, s *Store, channels int) ingest.Boot {
	t.Helper()
	boot, err := s.NewBoot(t.Context(), day, tubes(channels))
	if err != nil {
		t.Fatal(err)
	}
	return boot
}

var day = time.Date(2026, 4, 9, 7, 30, 0, 123456789, time.UTC)

// same compares values in which NaN equals NaN.
func same(t *testing.T, what string, got, want any) {
	t.Helper()
	if g, w := fmt.Sprintf("%#v", got), fmt.Sprintf("%#v", want); g != w {
		t.Errorf("%s:\ngot  %s\nwant %s", what, g, w)
	}
}

func no[T any](v T, err error) func(t *testing.T) T {
	return func(t *testing.T) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func TestBookComesBackAsItWasKept(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "odd name?#%20.db")
	s := mustOpen(t, path)
	boot := mustBoot(t, s, 3)

	engine := ingest.Engine{Label: "Tractor 4", Injectors: 6, FiringOrder: "1-5-3-6-2-4", DistanceUnit: "h", InjectorType: "solenoid"}
	engine.ID = no(s.AddEngine(ctx, engine))(t)
	other := ingest.Engine{Label: "7", Injectors: 4, DistanceUnit: "km", InjectorType: "unknown"}
	other.ID = no(s.AddEngine(ctx, other))(t)
	injectors := []ingest.Injector{
		{EngineID: engine.ID, Position: 1, Code: "A1", Fitted: day},
		{EngineID: engine.ID, Position: 1, Code: "B7", Fitted: day.AddDate(0, 1, 0)},
		{EngineID: engine.ID, Position: 2},
	}
	for i := range injectors {
		injectors[i].ID = no(s.AddInjector(ctx, injectors[i]))(t)
	}
	test := ingest.Test{EngineID: engine.ID, Label: "T1", Phase: "baseline", At: day, Odometer: math.NaN(), Note: "cold, wet",
		Fuel: ingest.Fuel{Kind: "diesel", TempC: math.NaN()}}
	test.ID = no(s.AddTest(ctx, test))(t)
	undated := ingest.Test{EngineID: other.ID, Label: "T2", Phase: "after", Odometer: 1234.5,
		Fuel: ingest.Fuel{Kind: "glycol", DensityGPerML: 1.05, Density15GPerML: 1.06, Assumed: true, UDensity: 0.0005, ExpansionPerC: 0.0006, UExpansion: 0.0001,
			TempC: 20, UTempC: 0.5, StateAtC: 15, Viscosity: ingest.Viscosity{FirstC: 20, FirstMM2PerS: 4.3, SecondC: 40, SecondMM2PerS: 2.75}}}
	undated.ID = no(s.AddTest(ctx, undated))(t)
	test.Fuel.DensityGPerML = 0.832
	if err := s.UpdateTest(ctx, test); err != nil {
		t.Fatal(err)
	}
	hangings := []ingest.Hanging{
		no(s.AddHanging(ctx, ingest.Hanging{TestID: test.ID, Note: "new hoses"}))(t),
		no(s.AddHanging(ctx, ingest.Hanging{TestID: test.ID}))(t),
	}
	if hangings[0].Number != 1 || hangings[1].Number != 2 {
		t.Errorf("hangings are numbered %d and %d", hangings[0].Number, hangings[1].Number)
	}
	run := no(s.StartRun(ctx, ingest.Run{TestID: test.ID, HangingID: hangings[1].ID, BootID: boot.ID, Start: 12345678901, Planned: 3 * time.Minute,
		Positions: []ingest.PositionOn{{Channel: "tube3", Injector: 1}, {Channel: "tube1", Injector: 6}}, Note: "warm"}))(t)
	if run.Number != 1 || run.ID == 0 {
		t.Errorf("the first run is number %d, id %d", run.Number, run.ID)
	}
	run.End, run.Excluded, run.Note = 200*time.Second, "hose fell off", "stopped early"
	if err := errors.Join(s.EndRun(ctx, run.ID, run.End), s.Exclude(ctx, run.ID, run.Excluded), s.NoteRun(ctx, run.ID, run.Note)); err != nil {
		t.Fatal(err)
	}
	events := []ingest.Event{
		{EngineID: engine.ID, Kind: "dose", What: "cleaner", Amount: 250, Unit: "mL", At: day.Add(time.Hour), Odometer: 4000},
		{EngineID: engine.ID, Kind: "filter", What: "fuel filter", Amount: math.NaN(), At: day.Add(2 * time.Hour), Odometer: math.NaN()},
	}
	for i := range events {
		events[i].ID = no(s.AddEvent(ctx, events[i]))(t)
	}
	line := ingest.Calibration{Channel: "tube2", At: day, Zero: -8123.25, CountsPerGram: 1540.32, UZero: 3, UCountsPerG: 0.1,
		CovZeroSpan: -0.2, DF: math.Inf(1), Certificate: []byte(`{"who":"me"}`), Unit: ingest.UnitG}
	line.ID = no(s.AddCalibration(ctx, line))(t)
	later := line
	later.At, later.UZero, later.Certificate = day.AddDate(0, 0, 7), math.NaN(), nil
	later.Unit, later.Tube = ingest.UnitMM, ingest.Tube{Rows: []ingest.Strap{{}, {LevelMM: 210.25, VolumeML: 101.5}}, UML: 0.125}
	later.ID = no(s.AddCalibration(ctx, later))(t)
	checked := ingest.CalibrationCheck{CalibrationID: line.ID, Channel: "tube2", At: day.AddDate(0, 1, 0), Certificate: []byte(`{"mass_g":100}`)}
	checked.ID = no(s.AddCalibrationCheck(ctx, checked))(t)
	corrected := day.AddDate(56, 0, 0)
	correction := ingest.ClockCorrection{Wall: corrected, Who: "the storekeeper", Why: "network time", At: 5 * time.Second}
	if err := s.CorrectBoot(ctx, boot.ID, correction); err != nil {
		t.Fatal(err)
	}
	correction.Was = day
	test.At = corrected // begun in that boot, by its clock

	check := func(r *Reader) {
		t.Helper()
		same(t, "engine by label", no(r.Engine(ctx, "Tractor 4"))(t), engine)
		same(t, "engine by id", no(r.Engine(ctx, "1"))(t), engine)
		same(t, "engine whose label is a number", no(r.Engine(ctx, "7"))(t), other)
		same(t, "engines", no(r.Engines(ctx))(t), []ingest.Engine{engine, other})
		same(t, "injectors", no(r.Injectors(ctx, engine.ID))(t), injectors)
		same(t, "test", no(r.Test(ctx, "T1"))(t), test)
		same(t, "test by id", no(r.Test(ctx, fmt.Sprint(undated.ID)))(t), undated)
		same(t, "tests of an engine", no(r.Tests(ctx, engine.ID))(t), []ingest.Test{test})
		same(t, "all tests", no(r.Tests(ctx, 0))(t), []ingest.Test{undated, test})
		same(t, "hangings", no(r.Hangings(ctx, test.ID))(t), hangings)
		same(t, "run", no(r.Run(ctx, run.ID))(t), run)
		same(t, "runs", no(r.Runs(ctx, test.ID))(t), []ingest.Run{run})
		same(t, "events", no(r.Events(ctx, engine.ID))(t), events)
		same(t, "calibration in force", no(r.Calibration(ctx, "tube2", day.AddDate(0, 0, 6)))(t), line)
		same(t, "calibration at its own time", no(r.Calibration(ctx, "tube2", later.At))(t), later)
		same(t, "calibrations", no(r.Calibrations(ctx, "tube2"))(t), []ingest.Calibration{line, later})
		same(t, "calibrations of all channels", no(r.Calibrations(ctx, ""))(t), []ingest.Calibration{line, later})
		same(t, "checks", no(r.CalibrationChecks(ctx, "tube2"))(t), []ingest.CalibrationCheck{checked})
		same(t, "checks of all channels", no(r.CalibrationChecks(ctx, ""))(t), []ingest.CalibrationCheck{checked})
		same(t, "checks of another channel", no(r.CalibrationChecks(ctx, "tube1"))(t), []ingest.CalibrationCheck(nil))
		same(t, "boots", no(r.Boots(ctx))(t), []ingest.Boot{{ID: boot.ID, Wall: corrected, Stored: day}})
		same(t, "corrections", no(r.Corrections(ctx, boot.ID))(t), []ingest.ClockCorrection{correction})
		same(t, "channels", no(r.Channels(ctx))(t), tubes(3))
		same(t, "channels of the boot", no(r.BootChannels(ctx, boot.ID))(t), tubes(3))
	}
	check(s.Reader)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := OpenRead(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	check(r)
}

func TestBookRefuses(t *testing.T) {
	ctx := t.Context()
	s := mustOpen(t, filepath.Join(t.TempDir(), "bench.db"))
	boot := mustBoot(t, s, 2)
	engine := no(s.AddEngine(ctx, ingest.Engine{Label: "E"}))(t)
	t1 := no(s.AddTest(ctx, ingest.Test{EngineID: engine, Label: "T1"}))(t)
	t2 := no(s.AddTest(ctx, ingest.Test{EngineID: engine, Label: "T2"}))(t)
	h1 := no(s.AddHanging(ctx, ingest.Hanging{TestID: t1}))(t)
	run := ingest.Run{TestID: t1, HangingID: h1.ID, BootID: boot.ID}
	first := func(_ any, err error) error { return err }
	with := func(change func(r *ingest.Run)) error {
		r := run
		change(&r)
		return first(s.StartRun(ctx, r))
	}
	for name, c := range map[string]struct {
		err  error
		kind error
		says string
	}{
		"engine label twice": {first(s.AddEngine(ctx, ingest.Engine{Label: "E"})), ErrConflict, `engine "E"`},
		"test label twice":   {first(s.AddTest(ctx, ingest.Test{EngineID: engine, Label: "T1"})), ErrConflict, "already taken"},
		"test of no engine":  {first(s.AddTest(ctx, ingest.Test{EngineID: 99, Label: "T9"})), ErrConflict, "not there"},
		"hanging of another": {with(func(r *ingest.Run) { r.TestID = t2 }), ErrConflict, "belong together"},
		"run of no boot":     {with(func(r *ingest.Run) { r.BootID = 9 }), ErrConflict, "not there"},
		"a channel twice": {with(func(r *ingest.Run) {
			r.Positions = []ingest.PositionOn{{Channel: "tube1", Injector: 1}, {Channel: "tube1", Injector: 2}}
		}), ErrConflict, `injector 2 on channel "tube1"`},
		"a nameless channel": {with(func(r *ingest.Run) { r.Positions = []ingest.PositionOn{{Injector: 1}} }), ErrConflict, "no name"},
		"year 10000":         {first(s.AddTest(ctx, ingest.Test{EngineID: engine, Label: "T3", At: day.AddDate(9000, 0, 0)})), ErrConflict, "11026"},
		"unknown test":       {first(s.Test(ctx, "T7")), ErrNotFound, `no test "T7"; there are T2, T1`},
		"unknown engine":     {first(s.Engine(ctx, "x")), ErrNotFound, "there are E"},
		"unknown run":        {first(s.Run(ctx, 5)), ErrNotFound, "there are none yet"},
		"end no run":         {s.EndRun(ctx, 5, 1), ErrNotFound, "no run 5"},
		"correct no boot":    {s.CorrectBoot(ctx, 5, ingest.ClockCorrection{Wall: day}), ErrNotFound, "no boot 5"},
		"change no test":     {s.UpdateTest(ctx, ingest.Test{ID: 9, EngineID: engine, Label: "T4"}), ErrNotFound, "no test 9"},
		"change no engine":   {s.UpdateEngine(ctx, ingest.Engine{ID: 9, Label: "F"}), ErrNotFound, "no engine 9"},
		"a level, no tube":   {first(s.AddCalibration(ctx, ingest.Calibration{Channel: "tube1", At: day, Unit: "mm"})), ErrConflict, "two rows or more"},
		"a line in litres":   {first(s.AddCalibration(ctx, ingest.Calibration{Channel: "tube1", At: day, Unit: "l"})), ErrConflict, "in g, or in mm"},
		"check of nothing":   {first(s.AddCalibrationCheck(ctx, ingest.CalibrationCheck{CalibrationID: 77, At: day})), ErrConflict, "not there"},
		"no calibration":     {first(s.Calibration(ctx, "tube1", day)), ErrNotFound, `channel "tube1"`},
		"unknown channel":    {first(s.Samples(ctx, boot.ID, "tube9", 0, End)), ErrNotFound, "there are tube1, tube2"},
		"two of a name":      {first(s.NewBoot(ctx, day, []rig.Channel{{Name: "a"}, {Name: "a"}})), ErrConflict, `channel 1, "a"`},
	} {
		if !errors.Is(c.err, c.kind) || !strings.Contains(fmt.Sprint(c.err), c.says) || !strings.Contains(fmt.Sprint(c.err), s.Path()) {
			t.Errorf("%s: %v", name, c.err)
		}
	}
	if runs := no(s.Runs(ctx, t1))(t); len(runs) != 0 {
		t.Errorf("a refused run left %+v", runs)
	}
	same(t, "channels after refusals", no(s.Channels(ctx))(t), tubes(2))
}

// want returns what a store gives back of a bench's samples for one channel.
func want(data [][]rig.Sample, channel int) []rig.Sample {
	var out []rig.Sample
	for _, x := range slices.Concat(data...) {
		if x.Channel == channel {
			out = append(out, x)
		}
	}
	return rounded(out, channel)
}

func TestSamplesComeBackWhateverTheBatches(t *testing.T) {
	ctx := t.Context()
	data := benchSeconds(2, 200)
	all := slices.Concat(data...)
	batchings := map[string]func(s *Store, boot int64) error{
		"second by second": func(s *Store, boot int64) (err error) {
			for _, b := range data {
				err = errors.Join(err, s.Append(ctx, boot, b))
			}
			return err
		},
		"at once": func(s *Store, boot int64) error { return s.Append(ctx, boot, all) },
		"in lumps": func(s *Store, boot int64) (err error) {
			for lump := range slices.Chunk(all, 7777) {
				err = errors.Join(err, s.Append(ctx, boot, lump))
			}
			return err
		},
	}
	var chunks []string
	for name, put := range batchings {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "bench.db")
			s := mustOpen(t, path)
			boot := mustBoot(t, s, 2)
			if err := put(s, boot.ID); err != nil {
				t.Fatal(err)
			}
			check := func(r *Reader) {
				t.Helper()
				for c := range 2 {
					w := want(data, c)
					name := fmt.Sprintf("tube%d", c+1)
					if got := no(r.Samples(ctx, boot.ID, name, 0, End))(t); !slices.Equal(got, w) {
						t.Fatalf("%s: %d samples came back changed, of %d", name, len(got), len(w))
					}
					for _, span := range [][2]time.Duration{{0, 1}, {30 * time.Second, 150 * time.Second}, {w[5].Elapsed, w[9].Elapsed},
						{w[5].Elapsed - 1, w[9].Elapsed + 1}, {60 * time.Second, 120 * time.Second}, {199 * time.Second, End}, {time.Hour, End}, {-End, 0}} {
						var part []rig.Sample
						for _, x := range w {
							if x.Elapsed >= span[0] && x.Elapsed < span[1] {
								part = append(part, x)
							}
						}
						if got := no(r.Samples(ctx, boot.ID, name, span[0], span[1]))(t); !slices.Equal(got, part) {
							t.Fatalf("%s from %v to %v: %d samples, want %d", name, span[0], span[1], len(got), len(part))
						}
					}
				}
				if st := no(r.Stats(ctx))(t); st.Samples != int64(len(all)) || st.Aside != 0 {
					t.Errorf("stats %+v for %d samples", st, len(all))
				}
			}
			check(s.Reader)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = mustOpen(t, path) // seals the tails
			check(s.Reader)
			if st := no(s.Stats(ctx))(t); st.Chunks != 2*4 || st.Tails != 0 {
				t.Errorf("200 s of 2 channels, sealed, are %d chunks and %d tails", st.Chunks, st.Tails)
			}
			rows := no(list(ctx, s.db, scanText, `SELECT concat_ws(' ', channel, first_us, last_us, first_seq, n, good, min, max, sum, hex(data))
				FROM chunk JOIN chunk_data USING (id) ORDER BY channel, first_us`))(t)
			if chunks == nil {
				chunks = rows
			}
			if !slices.Equal(rows, chunks) {
				t.Error("the chunks differ from those of another batching")
			}
		})
	}
}

func TestChunkRowSumsUpItsSamples(t *testing.T) {
	ctx := t.Context()
	s := mustOpen(t, filepath.Join(t.TempDir(), "bench.db"))
	boot := mustBoot(t, s, 1)
	var in []rig.Sample
	for i, q := range []rig.Quality{rig.Good, rig.Good, rig.Good, rig.Settling, rig.Misread, rig.Saturated, rig.Stalled, rig.Absent, 77} {
		counts := []int32{-5, 7, 100, 1000, 0, 8388607, 0, 0, 3}[i]
		in = append(in, rig.Sample{Seq: uint64(10 + i), Reading: rig.Reading{Elapsed: time.Duration(i) * time.Second, Counts: counts, Quality: q}})
	}
	in = append(in, rig.Sample{Seq: 30, Reading: rig.Reading{Elapsed: time.Minute, Quality: rig.Absent}})
	in = append(in, rig.Sample{Seq: 31, Reading: rig.Reading{Elapsed: 2 * time.Minute, Quality: rig.Good}})
	if err := s.Append(ctx, boot.ID, in); err != nil {
		t.Fatal(err)
	}
	rows := no(list(ctx, s.db, scanText, `SELECT concat_ws(' ', first_us, last_us, first_seq, n, good, settling, misread, saturated, stalled, absent, other,
		coalesce(min, '-'), coalesce(max, '-'), sum, period_us, raw) FROM chunk ORDER BY first_us`))(t)
	same(t, "chunk rows", rows, []string{
		"0 8000000 10 9 3 1 1 1 1 1 1 -5 100 102 1000000.0 1",
		"60000000 60000000 30 1 0 0 0 0 0 1 0 - - 0 0.0 1",
	})
	if got := no(s.Samples(ctx, boot.ID, "tube1", 0, End))(t); !slices.Equal(got, in) {
		t.Errorf("got %v", got)
	}
}

func TestAppendRefuses(t *testing.T) {
	ctx := t.Context()
	s := mustOpen(t, filepath.Join(t.TempDir(), "bench.db"))
	if err := s.Append(ctx, 0, nil); !errors.Is(err, ErrConflict) {
		t.Errorf("before any boot: %v", err)
	}
	old, boot := mustBoot(t, s, 2), mustBoot(t, s, 2)
	at := func(channel int, elapsed time.Duration) []rig.Sample {
		return []rig.Sample{{Channel: channel, Reading: rig.Reading{Elapsed: elapsed}}}
	}
	if err := s.Append(ctx, boot.ID, at(1, 5*time.Second)); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		err  error
		says string
	}{
		"an ended boot":     {s.Append(ctx, old.ID, at(0, 0)), "start a boot first"},
		"no such channel":   {s.Append(ctx, boot.ID, at(2, 0)), "channel number 2, but boot 2 has 2 channels"},
		"a negative number": {s.Append(ctx, boot.ID, at(-1, 0)), "channel number -1"},
		"time backwards":    {s.Append(ctx, boot.ID, append(at(0, 0), at(1, 4*time.Second)...)), "elapsed 4.000000 s comes after 5.000000 s"},
	} {
		if !errors.Is(c.err, ErrConflict) || !strings.Contains(fmt.Sprint(c.err), c.says) {
			t.Errorf("%s: %v", name, c.err)
		}
	}
	canceled, cancel := context.WithCancel(ctx)
	cancel()
	if err := s.Append(canceled, boot.ID, at(0, 0)); !errors.Is(err, context.Canceled) {
		t.Errorf("a cancelled context: %v", err)
	}
	if got := no(s.Samples(ctx, boot.ID, "tube1", 0, End))(t); len(got) != 0 {
		t.Errorf("a refused batch left %v", got)
	}
	if err := s.Append(ctx, boot.ID, at(1, 5*time.Second)); err != nil {
		t.Errorf("the same time again: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Append(ctx, boot.ID, at(1, 6*time.Second)); !errors.Is(err, errClosed) {
		t.Errorf("after Close: %v", err)
	}
}

// execSQL runs SQL on a file behind the store's back.
func execSQL(t *testing.T, path string, statements ...string) {
	t.Helper()
	db, err := sql.Open("sqlite", dsn(path, "rwc"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, st := range statements {
		if _, err := db.Exec(st); err != nil {
			t.Fatal(err)
		}
	}
}

func TestOpenRefusesWhatItMustNotTouch(t *testing.T) {
	ctx := t.Context()
	whole := filepath.Join(t.TempDir(), "whole.db")
	s := mustOpen(t, whole)
	mustBoot(t, s, 2)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	good, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	flip := func(from, to int) func(t *testing.T, path string) {
		return func(t *testing.T, path string) {
			bad := slices.Clone(good)
			for i := from; i < to; i++ {
				bad[i] ^= 0x5a
			}
			if err := os.WriteFile(path, bad, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	for name, c := range map[string]struct {
		make        func(t *testing.T, path string)
		write, read error // nil: it may be opened so
		says        string
	}{
		"a text file": {func(t *testing.T, path string) {
			os.WriteFile(path, []byte("elapsed_s,tube1_g\n0,1\n"), 0o644)
		}, ErrNotStore, ErrNotStore, "not a database"},
		"a short file": {func(t *testing.T, path string) { os.WriteFile(path, []byte("abc"), 0o644) }, ErrNotStore, ErrNotStore, "not a database"},
		"a folder":     {func(t *testing.T, path string) { os.Mkdir(path, 0o755) }, ErrNotStore, ErrNotStore, "not a file"},
		"another's database": {func(t *testing.T, path string) {
			execSQL(t, path, `CREATE TABLE songs (title TEXT)`, `PRAGMA application_id = 77`)
		}, ErrNotStore, ErrNotStore, "another program"},
		"an unmarked database": {func(t *testing.T, path string) { execSQL(t, path, `CREATE TABLE songs (title TEXT)`) }, ErrNotStore, ErrNotStore, "another program"},
		"a newer store": {func(t *testing.T, path string) {
			flip(0, 0)(t, path)
			execSQL(t, path, fmt.Sprintf("PRAGMA user_version = %d", SchemaVersion+1))
		}, ErrNewer, ErrNewer, fmt.Sprintf("has schema %d, this program knows schemas up to %d", SchemaVersion+1, SchemaVersion)},
		"a damaged magic":  {flip(3, 5), ErrNotStore, ErrNotStore, "restore a backup"},
		"a damaged header": {flip(16, 100), ErrNotStore, ErrNotStore, "estore a backup"},
		"a damaged schema": {flip(100, pageSize), ErrNotStore, ErrNotStore, "restore a backup"},
		"half a file":      {func(t *testing.T, path string) { os.WriteFile(path, good[:pageSize+100], 0o644) }, ErrNotStore, ErrNotStore, "restore a backup"},
		"an empty file":    {func(t *testing.T, path string) { os.WriteFile(path, nil, 0o644) }, nil, ErrNotStore, "holds no store yet"},
		"a missing file":   {func(t *testing.T, path string) {}, nil, os.ErrNotExist, "no such file"},
		"a missing folder": {func(t *testing.T, path string) { os.Remove(filepath.Dir(path)) }, os.ErrNotExist, os.ErrNotExist, "check the path"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "sub", "bench.db")
			os.Mkdir(filepath.Dir(path), 0o755)
			c.make(t, path)
			before, _ := os.ReadFile(path)
			if r, err := OpenRead(ctx, path); !errors.Is(err, c.read) || r != nil {
				t.Errorf("OpenRead: %v", err)
			} else if !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), path) {
				t.Errorf("OpenRead does not say %q: %v", c.says, err)
			}
			s, err := Open(ctx, path, Options{})
			if c.write == nil {
				if err != nil {
					t.Fatalf("Open: %v", err)
				}
				s.Close()
				return
			}
			if !errors.Is(err, c.write) || s != nil {
				t.Fatalf("Open: %v", err)
			}
			if !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), path) || strings.Count(err.Error(), path) > 2 {
				t.Errorf("Open does not say %q and the path, once: %v", c.says, err)
			}
			if after, _ := os.ReadFile(path); !slices.Equal(before, after) {
				t.Error("the refused file was changed")
			}
			t.Log(err)
		})
	}
}

func TestOneWriterManyReaders(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "bench.db")
	s := mustOpen(t, path)
	boot := mustBoot(t, s, 4)
	_, err := Open(ctx, path, Options{})
	if !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), path+".lock") || !strings.Contains(err.Error(), fmt.Sprintf("process %d", os.Getpid())) {
		t.Fatalf("a second writer: %v", err)
	}
	r, err := OpenRead(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()

	// Readers only ever see a prefix of each channel, while a Recorder writes.
	data := benchSeconds(4, 150)
	rec := ingest.NewRecorder(s, boot.ID, ingest.RecorderOptions{})
	stop := make(chan struct{})
	var readers sync.WaitGroup
	for _, from := range []*Reader{s.Reader, r} {
		readers.Go(func() {
			w := want(data, 2)
			for {
				got, err := from.Samples(ctx, boot.ID, "tube3", 0, End)
				if err != nil || len(got) > len(w) || !slices.Equal(got, w[:len(got)]) {
					t.Errorf("a reader saw %d samples, %v", len(got), err)
					return
				}
				select {
				case <-stop:
					return
				default:
				}
			}
		})
	}
	var writers sync.WaitGroup
	for c := range 4 {
		writers.Go(func() {
			for _, x := range slices.Concat(data...) {
				if x.Channel != c {
					continue
				}
				if err := rec.Put([]rig.Sample{x}); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	writers.Wait()
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
	close(stop)
	readers.Wait()
	for c := range 4 {
		if got := no(r.Samples(ctx, boot.ID, fmt.Sprintf("tube%d", c+1), 0, End))(t); !slices.Equal(got, want(data, c)) {
			t.Errorf("tube%d: %d samples", c+1, len(got))
		}
	}

	run := ingest.Run{BootID: boot.ID, Start: 10 * time.Second, End: 100 * time.Second,
		Positions: []ingest.PositionOn{{Channel: "tube4", Injector: 1}, {Channel: "tube1", Injector: 2}}}
	series := no(r.RunSeries(ctx, run))(t)
	if len(series) != 2 || series[0].Channel.Name != "tube4" || series[1].Channel.CapacityML != 100 || series[0].BootID != boot.ID {
		t.Fatalf("the run's series are %d: %+v", len(series), series)
	}
	for _, x := range series {
		if n := len(x.Samples); n < 7200 || n > 7220 || x.Samples[0].Elapsed < run.Start || x.Samples[n-1].Elapsed >= run.End {
			t.Errorf("90 s of %s at 80.13 SPS are %d samples", x.Channel.Name, n)
		}
	}
}

// sharedLock says whether some other process holds the lock that SQLite keeps on the
// file of every open connection (sqlite.org/lockingv3.html; 510 bytes at 2^30 + 2).
func sharedLock(path string) string {
	f, err := os.Open(path)
	if err != nil {
		return err.Error()
	}
	lock := syscall.Flock_t{Type: syscall.F_WRLCK, Whence: io.SeekStart, Start: 1<<30 + 2, Len: 510}
	if err := syscall.FcntlFlock(f.Fd(), syscall.F_GETLK, &lock); err != nil {
		return err.Error()
	}
	if lock.Type == syscall.F_UNLCK {
		return "free"
	}
	return "held"
}

// Without its lock, a store's log is deleted under it by the next program that opens
// the file and leaves, and what is written from then on is lost. (Seen with the
// sqlite3 shell: 4807 of 7143 acknowledged samples were gone after a kill.)
func TestLookingAtAnOpenStoreKeepsItsLocks(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "bench.db")
	s := mustOpen(t, path)
	check := func(after, want string) {
		t.Helper()
		out, err := child(t, "locks", path).Output()
		if err != nil || string(out) != want {
			t.Errorf("after %s the lock is %q (%v), want %q", after, out, err, want)
		}
	}
	check("Open", "held")
	if _, err := Open(ctx, path, Options{}); !errors.Is(err, ErrInUse) {
		t.Fatal(err)
	}
	check("a second Open", "held")
	r, err := OpenRead(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	check("OpenRead", "held")
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	check("a Reader's Close", "held")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	check("Close", "free")
}

// Two writers by two names would each seal the other's tails, and double samples.
func TestOneLockByWhateverName(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path, link, circle := filepath.Join(dir, "disk", "bench.db"), filepath.Join(dir, "link.db"), filepath.Join(dir, "circle.db")
	if err := errors.Join(os.Mkdir(filepath.Join(dir, "disk"), 0o755), os.Symlink("disk/bench.db", filepath.Join(dir, "nearer.db")),
		os.Symlink(filepath.Join(dir, "nearer.db"), link), os.Symlink(circle, circle)); err != nil {
		t.Fatal(err)
	}
	s := mustOpen(t, link) // makes the store where the link leads
	mustBoot(t, s, 1)
	for _, name := range []string{path, link} {
		if _, err := Open(ctx, name, Options{}); !errors.Is(err, ErrInUse) {
			t.Errorf("a second writer by the name %s: %v", name, err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	mustBoot(t, mustOpen(t, path), 1)
	if _, err := Open(ctx, circle, Options{}); err == nil || !strings.Contains(err.Error(), circle) {
		t.Errorf("a link to itself: %v", err)
	}
}

// Asking for what is not there must not use up the connections that the answer needs.
func TestManyAskForAChannelThatIsNotThere(t *testing.T) {
	s := mustOpen(t, filepath.Join(t.TempDir(), "bench.db"))
	boot := mustBoot(t, s, 2)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var readers sync.WaitGroup
	for range 16 {
		readers.Go(func() {
			for range 50 {
				if _, err := s.Samples(ctx, boot.ID, "tube9", 0, End); !errors.Is(err, ErrNotFound) {
					t.Error(err)
					return
				}
			}
		})
	}
	readers.Wait()
}

// A chunk's id names it for ever, also when all raw samples were deleted to save space.
func TestChunkIDsAreNotUsedAgain(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "bench.db")
	for life := range 2 {
		s := mustOpen(t, path)
		boot := mustBoot(t, s, 1)
		if err := s.Append(ctx, boot.ID, slices.Concat(benchSeconds(1, 130)...)); err != nil {
			t.Fatal(err)
		}
		if ids := no(list(ctx, s.db, scanText, `SELECT DISTINCT id FROM chunk`))(t); len(ids) != 2+3*life {
			t.Errorf("life %d: ids %v, want %d of them", life, ids, 2+3*life)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if err := mustOpen(t, path).Close(); err != nil { // seals the tail
			t.Fatal(err)
		}
		execSQL(t, path, `DELETE FROM chunk_data`, `UPDATE chunk SET raw = 0`)
	}
}

// checkSubset fails unless got is some of w, in order and unchanged.
func checkSubset(t *testing.T, got, w []rig.Sample) {
	t.Helper()
	at := map[uint64]rig.Sample{}
	for _, x := range w {
		at[x.Seq] = x
	}
	for i, x := range got {
		if at[x.Seq] != x || i > 0 && x.Seq <= got[i-1].Seq {
			t.Fatalf("sample %d is %+v: never put, or out of order", i, x)
		}
	}
}

func TestDamagedChunksAreNamedAndTheRestIsRead(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "bench.db")
	s := mustOpen(t, path)
	boot := mustBoot(t, s, 2)
	data := benchSeconds(2, 330)
	for _, b := range data {
		if err := s.Append(ctx, boot.ID, b); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	// Channel 1 (tube1) has chunks of minutes 0 to 4 and 30 tails of minute 5.
	chunk := func(minute int) string {
		return fmt.Sprintf(`(SELECT id FROM chunk WHERE channel = 1 AND first_us / 60000000 = %d)`, minute)
	}
	execSQL(t, path,
		`UPDATE chunk_data SET data = CAST(substr(data, 1, 99) || x'00' || substr(data, 101) AS BLOB) WHERE id = `+chunk(1),
		`DELETE FROM chunk_data WHERE id = `+chunk(2),
		`UPDATE chunk_data SET data = (SELECT data FROM chunk_data JOIN chunk USING (id) WHERE channel = 2 LIMIT 1) WHERE id = `+chunk(3),
		`UPDATE chunk SET n = n + 1 WHERE channel = 1 AND first_us / 60000000 = 4`,
		`UPDATE tail SET data = zeroblob(40) WHERE id = (SELECT id FROM tail WHERE channel = 1 ORDER BY id LIMIT 1 OFFSET 10)`,
	)
	w := want(data, 0)
	read := func(r *Reader) *DamageError {
		t.Helper()
		got, err := r.Samples(ctx, boot.ID, "tube1", 0, End)
		var damage *DamageError
		if !errors.As(err, &damage) || len(damage.Damages) != 5 {
			t.Fatalf("got %v", err)
		}
		for i, d := range damage.Damages[:4] {
			if d.Channel != "tube1" || d.ChunkID == 0 || d.From/time.Minute != time.Duration(i+1) || d.To/time.Minute != time.Duration(i+1) {
				t.Errorf("damage %d is %+v", i, d)
			}
		}
		checkSubset(t, got, w)
		whole := 0 // of the one good chunk and all tails, of which one second is gone
		for _, x := range w {
			if m := x.Elapsed / time.Minute; m == 0 || m == 5 {
				whole++
			}
		}
		if lost := whole - len(got); lost < 80 || lost > 81 {
			t.Errorf("%d of %d samples are gone, want one second's", lost, whole)
		}
		for i, says := range []string{"checksum", "missing", "boot 1, channel 2", "another time, number or count", ""} {
			if !strings.Contains(damage.Damages[i].Err.Error(), says) {
				t.Errorf("damage %d does not say %q: %v", i, says, damage.Damages[i].Err)
			}
		}
		return damage
	}
	r, err := OpenRead(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	damage := read(r)
	t.Log(damage)
	if got, err := r.Samples(ctx, boot.ID, "tube2", 0, End); err != nil || !slices.Equal(got, want(data, 1)) {
		t.Errorf("the other channel: %d samples, %v", len(got), err)
	}
	r.Close()
	s = mustOpen(t, path) // seals the tails, sets the bad one aside
	if d := read(s.Reader); !strings.Contains(d.Damages[4].Err.Error(), "set aside") {
		t.Errorf("the bad tail: %v", d.Damages[4].Err)
	}
	if st := no(s.Stats(ctx))(t); st.Aside != 1 || st.Tails != 0 {
		t.Errorf("stats %+v", st)
	}
}

// Any two bytes of a page may go bad. Whatever opens then gives only samples that
// were put; what is lost is said, unless the file as a whole is refused.
func TestBytesFlippedAnywhereInTheFile(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path := filepath.Join(dir, "bench.db")
	s := mustOpen(t, path)
	boot := mustBoot(t, s, 1)
	data := benchSeconds(1, 250)
	for lump := range slices.Chunk(slices.Concat(data...), 2000) {
		if err := s.Append(ctx, boot.ID, lump); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	w := want(data, 0)
	rng := rand.New(rand.NewPCG(3, 4))
	bad := filepath.Join(dir, "bad.db")
	refused, partly, harmless := 0, 0, 0
	for range 100 {
		b := slices.Clone(good)
		at := rng.IntN(len(b))
		b[at] ^= byte(1 << rng.IntN(8))
		b[at-at%pageSize+(at+1+rng.IntN(99))%pageSize] ^= byte(1 << rng.IntN(8)) // on the same page: one byte is mended
		if err := os.WriteFile(bad, b, 0o644); err != nil {
			t.Fatal(err)
		}
		r, err := OpenRead(ctx, bad)
		if err != nil {
			refused++
			continue
		}
		got, err := r.Samples(ctx, boot.ID, "tube1", 0, End)
		r.Close()
		checkSubset(t, got, w)
		var damage *DamageError
		switch {
		case errors.As(err, &damage):
			partly++
		case err != nil:
			refused++
		case len(got) == len(w):
			harmless++
		default:
			t.Errorf("byte %d: %d samples of %d and no error", at, len(got), len(w))
		}
	}
	t.Logf("%d refused, %d read in part, %d harmless (unused bytes, other tables)", refused, partly, harmless)
	if partly == 0 {
		t.Error("no flip hit a chunk: the test does not bite")
	}
}

// The log may end anywhere after a power cut. What opens is then a prefix, in
// whole commits, and it never shrinks as the log gets longer.
func TestTornLog(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path := filepath.Join(dir, "bench.db")
	s := mustOpen(t, path)
	boot := mustBoot(t, s, 1)
	data := benchSeconds(1, 90)
	for _, b := range data {
		if err := s.Append(ctx, boot.ID, b); err != nil {
			t.Fatal(err)
		}
	}
	main, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	log, err := os.ReadFile(path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	w := want(data, 0)
	rng := rand.New(rand.NewPCG(5, 6))
	var cuts []int
	for range 25 {
		cuts = append(cuts, rng.IntN(len(log)))
	}
	slices.Sort(cuts)
	cuts = append(cuts, len(log))
	last := 0
	for _, cut := range cuts {
		torn := filepath.Join(t.TempDir(), "torn.db")
		if err := errors.Join(os.WriteFile(torn, main, 0o644), os.WriteFile(torn+"-wal", log[:cut], 0o644)); err != nil {
			t.Fatal(err)
		}
		s, err := Open(ctx, torn, Options{})
		if err != nil {
			t.Fatalf("log cut at %d of %d: %v", cut, len(log), err)
		}
		got, err := s.Samples(ctx, boot.ID, "tube1", 0, End)
		s.Close()
		if errors.Is(err, ErrNotFound) && last == 0 {
			continue // cut before the boot
		}
		if err != nil || len(got) < last || len(got) > len(w) || !slices.Equal(got, w[:len(got)]) {
			t.Fatalf("log cut at %d of %d: %d samples after %d, %v", cut, len(log), len(got), last, err)
		}
		last = len(got)
	}
	if last != len(w) {
		t.Errorf("the whole log gave %d samples of %d", last, len(w))
	}
}

func TestFullDiskKeepsWhatWasStored(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "bench.db")
	s, err := Open(ctx, path, Options{MaxBytes: 300_000})
	if err != nil {
		t.Fatal(err)
	}
	boot := mustBoot(t, s, 2)
	data := benchSeconds(2, 1200)
	rec := ingest.NewRecorder(s, boot.ID, ingest.RecorderOptions{})
	put, taken := error(nil), 0
	for _, b := range data {
		if put = rec.Put(b); put != nil {
			break
		}
		taken += len(b)
		if err := rec.Flush(ctx); err != nil {
			put = err
			break
		}
	}
	var not *ingest.NotKeptError
	if !errors.Is(put, ErrFull) || !errors.As(put, &not) || !strings.Contains(put.Error(), path) || !strings.Contains(put.Error(), "free space") {
		t.Fatalf("got %v", put)
	}
	t.Log(put)
	if err := rec.Close(); !errors.Is(err, ErrFull) {
		t.Errorf("Close: %v", err)
	}
	if int(not.Kept+not.NotKept) != taken || not.Kept == 0 {
		t.Errorf("%d kept and %d not, of %d", not.Kept, not.NotKept, taken)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = mustOpen(t, path)
	total := 0
	for c := range 2 {
		got := no(s.Samples(ctx, boot.ID, fmt.Sprintf("tube%d", c+1), 0, End))(t)
		if !slices.Equal(got, want(data, c)[:len(got)]) {
			t.Error("samples came back changed")
		}
		total += len(got)
	}
	if total != int(not.Kept) {
		t.Errorf("%d samples in the store, %d acknowledged", total, not.Kept)
	}
	mustBoot(t, s, 2) // there is room again
}

// child starts this test program as another process; see TestMain.
func child(t *testing.T, job, path string) *exec.Cmd {
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), "STORE_TEST_CHILD="+job, "STORE_TEST_PATH="+path)
	cmd.Stderr = os.Stderr
	return cmd
}

func TestReadOnlyFolder(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path := filepath.Join(dir, "bench.db")
	s := mustOpen(t, path)
	mustBoot(t, s, 2)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.Remove(path+".lock"), os.Chmod(path, 0o444), os.Chmod(dir, 0o555), os.Chmod(filepath.Dir(dir), 0o755)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.Chmod(dir, 0o755) })
	for _, p := range []string{path, filepath.Join(dir, "new.db")} {
		cmd := child(t, "open", p)
		if os.Geteuid() == 0 {
			// The superuser may write anywhere, so the child is nobody. The link is
			// followed in the child and needs no right on the program's folder.
			cmd.Path = "/proc/self/exe"
			cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
		}
		cmd.Dir = "/"
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		if got := string(out); !strings.Contains(got, "may not write there") || !strings.Contains(got, p) || !strings.Contains(got, ErrReadOnly.Error()) {
			t.Errorf("got %s", got)
		}
	}
	r, err := OpenRead(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if got := no(r.Channels(ctx))(t); len(got) != 2 {
		t.Errorf("got %v", got)
	}
}

const killChannels = 3

// recordForEver puts the same samples each time, and says after each Flush how
// many seconds of them are durable.
func recordForEver(path string) error {
	ctx := context.Background()
	s, err := Open(ctx, path, Options{})
	if err != nil {
		return err
	}
	boot, err := s.NewBoot(ctx, time.Now(), tubes(killChannels))
	if err != nil {
		return err
	}
	rec := ingest.NewRecorder(s, boot.ID, ingest.RecorderOptions{})
	fmt.Println("boot", boot.ID)
	for n, b := range benchSeconds(killChannels, 900) {
		if err := rec.Put(b); err != nil {
			return err
		}
		if err := rec.Flush(ctx); err != nil {
			return err
		}
		fmt.Println(n + 1)
	}
	return errors.New("ran out of samples")
}

// A process is killed at a random moment, ten times on one store. Every boot then
// holds all that was acknowledged, and nothing that was not put.
func TestKilled(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "bench.db")
	data := benchSeconds(killChannels, 900)
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	type life struct {
		boot int64
		acks int // seconds
	}
	var lives []life
	for range 10 {
		cmd := child(t, "record", path)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		var l life
		lines := bufio.NewScanner(out)
		if !lines.Scan() {
			t.Fatal("the child said nothing")
		}
		if _, err := fmt.Sscanf(lines.Text(), "boot %d", &l.boot); err != nil {
			t.Fatalf("the child said %q", lines.Text())
		}
		// While it lives it can be read, but not written, from here.
		if r, err := OpenRead(ctx, path); err != nil {
			t.Error(err)
		} else {
			if _, err := r.Samples(ctx, l.boot, "tube1", 0, End); err != nil {
				t.Error(err)
			}
			r.Close()
		}
		if _, err := Open(ctx, path, Options{}); !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), fmt.Sprintf("process %d", cmd.Process.Pid)) {
			t.Errorf("a second writer: %v", err)
		}
		time.AfterFunc(time.Duration(rng.IntN(300))*time.Millisecond, func() { cmd.Process.Kill() })
		for lines.Scan() {
			if _, err := fmt.Sscan(lines.Text(), &l.acks); err != nil {
				t.Fatalf("the child said %q", lines.Text())
			}
		}
		io.Copy(io.Discard, out)
		if err := cmd.Wait(); err == nil {
			t.Fatal("the child ended by itself")
		}
		lives = append(lives, l)
	}
	s := mustOpen(t, path)
	for _, l := range lives {
		for c := range killChannels {
			got, err := s.Samples(ctx, l.boot, fmt.Sprintf("tube%d", c+1), 0, End)
			if err != nil {
				t.Fatal(err)
			}
			acked := len(want(data[:l.acks], c))
			if len(got) < acked {
				t.Errorf("boot %d, channel %d: %d samples, but %d were acknowledged", l.boot, c, len(got), acked)
			}
			if w := want(data, c); len(got) > len(w) || !slices.Equal(got, w[:len(got)]) {
				t.Errorf("boot %d, channel %d: samples came back changed", l.boot, c)
			}
		}
	}
	t.Logf("killed after, in seconds of samples: %v", lives)
	if reflect.DeepEqual(lives, make([]life, len(lives))) {
		t.Error("nothing was ever acknowledged: the test does not bite")
	}
}

// oldStore makes a store as a program of an earlier schema left it.
func oldStore(t *testing.T, path string, version int, statements ...string) {
	t.Helper()
	all := []string{fmt.Sprintf("PRAGMA page_size = %d", pageSize), "PRAGMA journal_mode = WAL"}
	all = append(all, migrations[:version]...)
	all = append(all, fmt.Sprintf("PRAGMA application_id = %d", applicationID), fmt.Sprintf("PRAGMA user_version = %d", version))
	execSQL(t, path, append(all, statements...)...)
}

// A store of schema 1 gets the table of checks when it is next opened for writing, and
// what stood in it stays.
func TestSchemaOneIsBroughtForward(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "old.db")
	const id = 1
	oldStore(t, path, 1, `INSERT INTO channel (id, name) VALUES (1, 'tube1')`,
		`INSERT INTO calibration (id, channel, at, counts_per_gram) VALUES (1, 1, '`+fmt.Sprint(timeText(day))+`', 2147)`)
	if _, err := OpenRead(ctx, path); err == nil || !strings.Contains(err.Error(), "has schema 1") || !strings.Contains(err.Error(), "brimline serve") {
		t.Errorf("reading it does not say what to do: %v", err)
	}
	s := no(Open(ctx, path, Options{}))(t)
	defer s.Close()
	if _, err := s.AddCalibrationCheck(ctx, ingest.CalibrationCheck{CalibrationID: id, At: day}); err != nil {
		t.Error(err)
	}
	if cs := no(s.Calibrations(ctx, "tube1"))(t); len(cs) != 1 || cs[0].CountsPerGram != 2147 || cs[0].Unit != "g" || cs[0].Tube.Rows != nil {
		t.Errorf("calibrations %+v", cs)
	}
}

// A store of schema 2 keeps its checks, and they still belong to their calibration.
func TestSchemaTwoKeepsItsChecks(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "old.db")
	const id = 1
	oldStore(t, path, 2, `INSERT INTO channel (id, name) VALUES (1, 'tube1')`,
		`INSERT INTO calibration (id, channel, at, counts_per_gram) VALUES (1, 1, '`+fmt.Sprint(timeText(day))+`', 2147)`,
		`INSERT INTO calibration_check (calibration, at, certificate) VALUES (1, '`+fmt.Sprint(timeText(day))+`', CAST('{"by":"x"}' AS BLOB))`)
	s := no(Open(ctx, path, Options{}))(t)
	defer s.Close()
	checks := no(s.CalibrationChecks(ctx, "tube1"))(t)
	if len(checks) != 1 || checks[0].CalibrationID != id || !checks[0].At.Equal(day) || string(checks[0].Certificate) != `{"by":"x"}` {
		t.Errorf("checks %+v", checks)
	}
}
