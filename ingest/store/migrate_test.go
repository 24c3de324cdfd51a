package store

import (
	"compress/gzip"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// fixture unpacks a store of an earlier schema; testdata/README.md says what is in it.
func fixture(t *testing.T, schema int) (path string) {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", fmt.Sprintf("schema%d.db.gz", schema)))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(t.TempDir(), "old.db")
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// fixtureSamples are those of a channel of one boot of a fixture.
func fixtureSamples(channel int) (out []rig.Sample) {
	for i := range 1500 {
		x := rig.Sample{Channel: channel, Seq: uint64(i), Reading: rig.Reading{Elapsed: time.Duration(i) * 100 * time.Millisecond, Counts: int32(i*(channel+3) + i*i%17)}}
		if i%97 == 3 {
			x.Quality, x.Counts = rig.Misread, 0
		}
		out = append(out, x)
	}
	return out
}

func TestEveryOlderSchemaIsBroughtForward(t *testing.T) {
	ctx := t.Context()
	for schema := 1; schema <= 3; schema++ {
		t.Run(fmt.Sprint("schema ", schema), func(t *testing.T) {
			path := fixture(t, schema)
			if _, err := OpenRead(ctx, path); !errors.Is(err, ErrNotStore) || !strings.Contains(err.Error(), fmt.Sprintf("has schema %d", schema)) {
				t.Errorf("reading it as it is: %v", err)
			}
			s := mustOpen(t, path)
			for boot := int64(1); boot <= 2; boot++ {
				for c := range 2 {
					if got, err := s.Samples(ctx, boot, fmt.Sprintf("tube%d", c+1), 0, End); err != nil || !slices.Equal(got, fixtureSamples(c)) {
						t.Errorf("boot %d, channel %d: %d samples, %v", boot, c, len(got), err)
					}
				}
			}
			test := no(s.Test(ctx, "T1"))(t)
			runs := no(s.Runs(ctx, test.ID))(t)
			if f := test.Fuel; f.Kind != "diesel" || f.Assumed || f.Density15GPerML != 0 || f.StateAtC != 0 || f.Viscosity != (ingest.Viscosity{}) {
				t.Errorf("fuel %+v", f)
			}
			if test.Odometer != 4120 || len(runs) != 1 || runs[0].End != 70*time.Second || len(runs[0].Positions) != 2 {
				t.Errorf("test %+v, runs %+v", test, runs)
			}
			if cs := no(s.Conditions(ctx, test.ID))(t); len(cs) != 0 {
				t.Errorf("conditions %+v", cs)
			}
			line := no(s.Calibrations(ctx, "tube1"))(t)
			checks := no(s.CalibrationChecks(ctx, "tube1"))(t)
			if len(line) != 1 || line[0].CountsPerGram != 2147.5 || line[0].Unit != "g" || len(checks) != min(schema-1, 1) {
				t.Errorf("calibrations %+v, checks %+v", line, checks)
			}
			// The overviews of what was there before are filled, page checksums are in place.
			wall := no(s.Boots(ctx))(t)[0].Wall
			view := no(s.Overview(ctx, wall, wall.Add(10*24*time.Hour), 10))(t)
			if len(view) != 2 || len(view[0].Columns) != 2 || view[0].Columns[0].N != 1500 || view[0].Columns[1].Index != 1 {
				t.Errorf("overview %+v", view)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			check := no(Verify(ctx, path))(t)
			if check.Samples != 6000 || check.Schema != SchemaVersion || len(check.Damaged) != 0 {
				t.Errorf("check %+v", check)
			}
			page, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			for i := 0; i < len(page); i += pageSize {
				if !sound(page[i : i+pageSize]) {
					t.Errorf("page %d has no checksum", i/pageSize+1)
				}
			}
		})
	}
}

// bringTo takes the fixture of schema 3 to a later schema, as a program of that time did.
func bringTo(t *testing.T, schema int) (path string) {
	t.Helper()
	ctx := t.Context()
	path = fixture(t, 3)
	db := no(sql.Open("sqlite", dsn(path, "rw")))(t)
	db.SetMaxOpenConns(1)
	statements := []string{"PRAGMA page_sums", "PRAGMA journal_mode = WAL", "VACUUM"}
	for v := 3; v < schema; v++ {
		statements = append(statements, migrations[v], fmt.Sprintf("PRAGMA user_version = %d", v+1))
	}
	for _, st := range statements {
		if _, err := db.ExecContext(ctx, st); err != nil {
			t.Fatalf("schema %d: %.60s: %v", schema, st, err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// A backup from before an update is backed up, restored and opened by the program after it.
func TestBackupOfAnOlderSchema(t *testing.T) {
	ctx := t.Context()
	whole := no(list(ctx, mustOpen(t, fixture(t, 3)).db, scanText, `SELECT type || name || coalesce(sql, '') FROM sqlite_schema ORDER BY type, name`))(t)
	for schema := sumsSince; schema <= SchemaVersion; schema++ {
		t.Run(fmt.Sprint("schema ", schema), func(t *testing.T) {
			old, dir := bringTo(t, schema), t.TempDir()
			backup, path := filepath.Join(dir, "backup.db"), filepath.Join(dir, "bench.db")
			if check := no(Backup(ctx, old, backup))(t); check.Schema != schema || check.Samples != 6000 {
				t.Errorf("the backup says %+v", check)
			}
			no(Restore(ctx, backup, path, day))(t)
			s := mustOpen(t, path)
			for boot := int64(1); boot <= 2; boot++ {
				for c := range 2 {
					if got, err := s.Samples(ctx, boot, fmt.Sprintf("tube%d", c+1), 0, End); err != nil || !slices.Equal(got, fixtureSamples(c)) {
						t.Errorf("boot %d, channel %d: %d samples, %v", boot, c, len(got), err)
					}
				}
			}
			if cs := no(s.BookChanges(ctx, false, 0, 99))(t); len(cs) == 0 {
				t.Error("none of the book's rows is to be shipped")
			}
			same(t, "schema", no(list(ctx, s.db, scanText, `SELECT type || name || coalesce(sql, '') FROM sqlite_schema ORDER BY type, name`))(t), whole)
			if check := no(Verify(ctx, path))(t); check.Schema != SchemaVersion || len(check.Damaged) != 0 {
				t.Errorf("check %+v", check)
			}
		})
	}
}

// FORMAT.md is of the schema that is written, and names every table.
func TestFormatIsOfThisSchema(t *testing.T) {
	text, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, says := range []string{fmt.Sprintf("# The store's format, version %d\n", SchemaVersion), fmt.Sprintf("the schema version (%d)", SchemaVersion)} {
		if !strings.Contains(string(text), says) {
			t.Errorf("FORMAT.md does not say %q", says)
		}
	}
	s := mustOpen(t, filepath.Join(t.TempDir(), "a.db"))
	for _, table := range no(list(t.Context(), s.db, scanText, `SELECT name FROM sqlite_schema WHERE type IN ('table', 'view') AND name NOT LIKE 'sqlite\_%' ESCAPE '\'`))(t) {
		if !regexp.MustCompile(`\b` + table + `\b`).Match(text) {
			t.Errorf("FORMAT.md does not tell of table %s", table)
		}
	}
}

// The step to checksums is cut off at any page of its log; the next Open does it, or has it.
func TestBringingForwardCutOff(t *testing.T) {
	ctx := t.Context()
	path := fixture(t, 3)
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	s := mustOpen(t, path) // the log is not in the file yet
	log, err := os.ReadFile(path + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	const frame = 24 + pageSize
	for cut := 32; cut <= len(log); cut += 5*frame + 77 {
		torn := filepath.Join(t.TempDir(), "torn.db")
		if err := errors.Join(os.WriteFile(torn, before, 0o644), os.WriteFile(torn+"-wal", log[:cut], 0o644)); err != nil {
			t.Fatal(err)
		}
		s, err := Open(ctx, torn, Options{})
		if err != nil {
			t.Fatalf("log cut at %d of %d: %v", cut, len(log), err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if check := no(Verify(ctx, torn))(t); check.Samples != 6000 || len(check.Damaged) != 0 {
			t.Errorf("log cut at %d of %d: %+v", cut, len(log), check)
		}
	}
}
