package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
)

// exchangeStart is when the bench of exchangeStore was started.
var exchangeStart = time.Date(2026, 3, 2, 14, 0, 0, 0, time.UTC)

// exchangeStore makes a store with one test of two runs of three tubes, and a watch around
// them: noisy ramps of 9, 10 and 11 g/min at 10 readings a second, some of them misread.
// It returns its folder.
func exchangeStore(t *testing.T, engine, label string) string {
	t.Helper()
	ctx, dir := t.Context(), t.TempDir()
	s, err := store.Open(ctx, filepath.Join(dir, realStore), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	var channels []rig.Channel
	for i := range 3 {
		name := fmt.Sprintf("tube%d", i+1)
		channels = append(channels, rig.Channel{Name: name, CapacityML: 100})
		for k, span := range []float64{2100, 2150} { // the second comes amid the record
			_, err := s.AddCalibration(ctx, ingest.Calibration{Channel: name, At: exchangeStart.Add(time.Duration(k)*900*time.Second - time.Minute), Zero: 500, CountsPerGram: span,
				UZero: 3, UCountsPerG: 0.6, DF: 9, Certificate: []byte("{}")})
			must(err)
		}
	}
	id, err := s.AddEngine(ctx, ingest.Engine{Label: engine, Injectors: 3, DistanceUnit: "h", InjectorType: "solenoid"})
	must(err)
	test := ingest.Test{EngineID: id, Label: label, Phase: "baseline", At: exchangeStart, Odometer: 1204, Fuel: ingest.Fuel{Kind: "diesel", DensityGPerML: 0.832, UDensity: 0.0005, TempC: 38, UTempC: 0.5, StateAtC: 15}}
	test.ID, err = s.AddTest(ctx, test)
	must(err)
	hanging, err := s.AddHanging(ctx, ingest.Hanging{TestID: test.ID})
	must(err)
	boot, err := s.NewBoot(ctx, exchangeStart, channels)
	must(err)
	rng := rand.New(rand.NewPCG(1, 2))
	var samples []rig.Sample
	for n := range 9000 {
		at := time.Duration(n) * 100 * time.Millisecond
		for i := range 3 {
			x := rig.Sample{Channel: i, Seq: uint64(n), Reading: rig.Reading{Elapsed: at + time.Duration(i)*3*time.Millisecond}}
			flow := math.Mod(at.Seconds(), 300) - 60 // each 300 s: rest, a fill of 120 s, rest
			x.Counts = 500 + int32(math.Round(2100*float64(9+i)/60*min(max(flow, 0), 120)+60*rng.NormFloat64()))
			if rng.IntN(500) == 0 {
				x.Counts, x.Quality = 0, rig.Misread
			}
			samples = append(samples, x)
		}
	}
	must(s.Append(ctx, boot.ID, samples))
	for k := range 2 {
		run := ingest.Run{TestID: test.ID, HangingID: hanging.ID, BootID: boot.ID, Start: time.Duration(300*k) * time.Second, End: time.Duration(300*k+240) * time.Second}
		for i := range 3 {
			run.Positions = append(run.Positions, ingest.PositionOn{Channel: channels[i].Name, Injector: (i+k)%3 + 1})
		}
		_, err := s.StartRun(ctx, run)
		must(err)
	}
	return dir
}

// brimline runs a command in process; want is its exit code.
func brimline(t *testing.T, want int, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(t.Context(), args, strings.NewReader(""), &out, &errs); code != want {
		t.Fatalf("brimline %s: exit %d, want %d: %s", strings.Join(args, " "), code, want, &errs)
	}
	return out.String()
}

// decoded is a command's JSON.
func decoded[T any](t *testing.T, text string) (v T) {
	t.Helper()
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	return v
}

// duckRows is what DuckDB, the independent reader, answers to a query.
func duckRows(t *testing.T, query string) [][]any {
	t.Helper()
	dir := filepath.Join("..", "..", "ingest", "exchange", "testdata", "duckdb")
	if _, err := os.Stat(filepath.Join(dir, "node_modules")); err != nil {
		t.Fatalf("DuckDB is not there: 'make reader' installs it: %v", err)
	}
	cmd := exec.Command("node", filepath.Join(dir, "query.mjs"))
	cmd.Stdin = strings.NewReader("SET TimeZone='UTC'\n" + query)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("DuckDB: %v: %s", err, &errs)
	}
	return decoded[struct{ Rows [][]any }](t, string(out)).Rows
}

// Every format holds the store's readings: counts, times and sums as DuckDB finds them.
func TestExportAgainstStore(t *testing.T) {
	dir, out := exchangeStore(t, `=Sprayer, "1"`, "T1"), t.TempDir()
	r, err := store.OpenRead(t.Context(), filepath.Join(dir, realStore))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var n, known, sum int64
	for _, name := range []string{"tube1", "tube2", "tube3"} {
		for k := range 2 {
			samples, err := r.Samples(t.Context(), 1, name, time.Duration(300*k)*time.Second, time.Duration(300*k+240)*time.Second)
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range samples {
				n++
				if s.Quality.HasCounts() {
					known, sum = known+1, sum+int64(s.Counts)
				}
			}
		}
	}
	rates := decoded[ratesJSON](t, brimline(t, exitDone, "rates", "T1", "--data", dir, "--json"))
	for format, table := range map[string]string{
		"csv":     "read_csv('%s', comment='#', header=true, delim=',', quote='\"', escape='\"')",
		"parquet": "'%s'",
		"json":    "(SELECT unnest(rows, recursive := true) FROM read_json('%s', maximum_object_size=100000000))",
	} {
		told := decoded[exportJSON](t, brimline(t, exitDone, "export", "T1", "--data", dir, "--out", out, "--format", format, "--json"))
		if len(told.Files) != 2 || told.Files[0].Rows != 6 || told.Files[1].Rows != int(n) {
			t.Fatalf("%s: %+v", format, told)
		}
		got := duckRows(t, fmt.Sprintf(`SELECT count(*), count(counts), sum(counts)::BIGINT, epoch_us(min(time_utc)), fsum((mass_g * 2100 + 500) - counts), fsum(mass_g * (1e0 - 1.2e0/8000) / (1e0 - 1.2e0/832) / 0.832 - volume_ml), sum(injector)::BIGINT FROM `+table, told.Files[1].File))[0]
		if got[0] != fmt.Sprint(n) || got[1] != fmt.Sprint(known) || got[2] != fmt.Sprint(sum) || got[3] != fmt.Sprint(exchangeStart.UnixMicro()) ||
			math.Abs(got[4].(float64)) > 1e-3 || math.Abs(got[5].(float64)) > 1e-3 || got[6] != fmt.Sprint(2*n) {
			t.Errorf("%s: got %v, want %d readings, %d with counts, sum %d", format, got, n, known, sum)
		}
		rows := duckRows(t, "SELECT run::INT, injector::INT, rate_ml_per_min, u_ml_per_min, u95_ml_per_min, calibration::INT, engine, flags FROM "+fmt.Sprintf(table, told.Files[0].File)+" ORDER BY run, injector")
		for i, f := range rates.Fills {
			x := rows[i]
			engine := `=Sprayer, "1"`
			if format == "csv" {
				engine = "'" + engine
			}
			if x[0] != float64(f.Run) || x[1] != float64(f.Injector) || x[2] != *f.ML || x[3] != *f.UML || x[4] != *f.U95ML || x[5] == nil || x[6] != engine {
				t.Errorf("%s row %d: %v, want %+v", format, i, x, f)
			}
		}
	}
}

// An exported table gives the store's rates again, to the last bit.
func TestExportedCurvesGiveTheSameRates(t *testing.T) {
	dir, out := exchangeStore(t, "Sprayer 1", "T 1,x"), t.TempDir()
	brimline(t, exitDone, "export", "T 1,x", "--data", dir, "--out", out)
	want := decoded[ratesJSON](t, brimline(t, exitDone, "rates", "T 1,x", "--data", dir, "--json"))
	path := filepath.Join(out, "test-T_1_x-curves.csv")
	got := decoded[ratesJSON](t, brimline(t, exitDone, "rates", path, "--json"))
	got.Source, got.Engine, got.Phase = want.Source, want.Engine, want.Phase
	if a, b := fmt.Sprintf("%+v", asText(t, got)), asText(t, want); a != b {
		t.Errorf("got %s\nwant %s", a, b)
	}
	if len(want.Fills) != 6 || *want.Fills[0].U == 0 {
		t.Errorf("%+v", want.Fills)
	}
	// One run of it: what the other run tells of the channels' noise is not in its table.
	brimline(t, exitDone, "export", "T 1,x", "--run", "2", "--data", dir, "--out", out)
	one := decoded[ratesJSON](t, brimline(t, exitDone, "rates", filepath.Join(out, "test-T_1_x-run2-curves.csv"), "--json"))
	for i, f := range one.Fills {
		w := want.Fills[3+i]
		if f.Channel != w.Channel || f.Injector != w.Injector || f.Run != 2 || math.Abs(*f.G-*w.G) > *w.U/2 || *f.U < *w.U/2 || *f.U > 2**w.U {
			t.Errorf("run 2: %s, of the test %s", asText(t, f), asText(t, w))
		}
	}
	if _, err := os.Stat(filepath.Join(out, "test-T_1_x-run2-rates.csv")); err != nil {
		t.Error(err)
	}
}

func asText(t *testing.T, v any) string {
	t.Helper()
	var b bytes.Buffer
	if err := writeJSON(&b, v); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// A time range has its readings, each by the calibration of its time, and no others.
func TestExportRange(t *testing.T) {
	dir, out := exchangeStore(t, "Sprayer 1", "T1"), t.TempDir()
	told := decoded[exportJSON](t, brimline(t, exitDone, "export", "--from", "2026-03-02T14:04Z", "--to", "2026-03-02T15:14:30+01:00", "--channels", "tube2,tube3", "--format", "parquet", "--data", dir, "--out", out, "--json"))
	if len(told.Files) != 2 || told.Files[0].Rows != 2 || told.Files[1].Rows != 2*(9000-2400-300) {
		t.Fatalf("%+v", told)
	}
	got := duckRows(t, "SELECT calibration, epoch_us(min(time_utc)), epoch_us(max(time_utc)), count(DISTINCT channel), count(run), bool_and(abs(mass_g * CASE calibration % 2 WHEN 1 THEN 2100 ELSE 2150 END + 500 - counts) < 1e-6) FROM '"+told.Files[1].File+"' WHERE counts IS NOT NULL AND channel = 'tube2' GROUP BY calibration ORDER BY calibration")
	at := func(d time.Duration) string { return fmt.Sprint(exchangeStart.Add(d).UnixMicro()) }
	if len(got) != 2 || got[0][1] != at(240*time.Second+3*time.Millisecond) || got[0][2].(string) >= at(840*time.Second) || got[1][1].(string) < at(840*time.Second) ||
		got[1][2] != at(869903*time.Millisecond) || got[0][4] != "0" || got[0][5] != true || got[1][5] != true {
		t.Errorf("got %v", got)
	}
	// A stretch without readings is an empty table, not an error.
	told = decoded[exportJSON](t, brimline(t, exitDone, "export", "--from", "2020-01-01", "--to", "2020-01-02", "--data", dir, "--out", out, "--json"))
	if told.Files[0].Rows != 0 || told.Files[1].Rows != 0 || len(told.Warnings) != 1 || !strings.Contains(told.Warnings[0], "nothing was measured from 2020-01-01 00:00:00 to") {
		t.Errorf("%+v", told)
	}
}

// The readings of a time range are rated with the uncertainty of their scale and the size of
// their tubes, as in the store.
func TestExportedRangeIsRatedAsTheStore(t *testing.T) {
	dir, out := exchangeStore(t, "Sprayer 1", "T1"), t.TempDir()
	s, err := store.Open(t.Context(), filepath.Join(dir, realStore), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	// One start more, of a tube that runs over.
	boot, err := s.NewBoot(t.Context(), exchangeStart.Add(time.Hour), []rig.Channel{{Name: "tube1", CapacityML: 15}, {Name: "sender", CapacityML: 100}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.AddCalibration(t.Context(), ingest.Calibration{Channel: "sender", At: exchangeStart, Zero: 0, CountsPerGram: 100, UZero: 1, UCountsPerG: 0.2, DF: 9, Unit: ingest.UnitMM,
		Tube: ingest.Tube{Rows: []ingest.Strap{{LevelMM: 0, VolumeML: 0}, {LevelMM: 100, VolumeML: 100}}, UML: 0.1}, Certificate: []byte("{}")}); err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3, 4))
	var samples []rig.Sample
	for n := range 2400 {
		at := time.Duration(n) * 100 * time.Millisecond
		in := min(max(at.Seconds()-60, 0), 120) // s of flow
		for i, perS := range []float64{2150 * 9. / 60, 100 * 20. / 60} {
			samples = append(samples, rig.Sample{Channel: i, Seq: uint64(n), Reading: rig.Reading{Elapsed: at, Counts: 500 + int32(math.Round(perS*in+20*rng.NormFloat64()))}})
		}
	}
	if err := s.Append(t.Context(), boot.ID, samples); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	rates := func(from, to string, more ...string) (exportJSON, ratesJSON, string) {
		t.Helper()
		told := decoded[exportJSON](t, brimline(t, exitDone, append([]string{"export", "--from", from, "--to", to, "--data", dir, "--out", out, "--json"}, more...)...))
		file := told.Files[len(told.Files)-1].File
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		return told, decoded[ratesJSON](t, brimline(t, exitDone, "rates", file, "--density", "0.832", "--fuel-temp", "38", "--state-at", "15", "--json")), string(text)
	}
	term := func(f fillJSON, name string) float64 {
		for _, x := range f.Budget {
			if x.Name == name {
				return *x.U
			}
		}
		return 0
	}
	stored := decoded[ratesJSON](t, brimline(t, exitDone, "rates", "T1", "--data", dir, "--json")).Fills[0]
	_, got, text := rates("2026-03-02T14:00Z", "2026-03-02T14:05Z")
	if u, want := term(got.Fills[0], "calibration"), term(stored, "calibration"); want == 0 || math.Abs(u/want-1) > 0.01 {
		t.Errorf("the part of the calibration is %g, in the store %g", u, want)
	}
	if len(got.Warnings) > 0 || strings.Contains(text, "# calibration 2 ") || !strings.Contains(text, "# calibration 1 ") {
		t.Errorf("%v\n%.2000s", got.Warnings, text)
	}
	told, got, text := rates("2026-03-02T15:00Z", "2026-03-02T15:10Z", "--what", "curves")
	var flags []string
	for _, f := range got.Fills {
		for _, g := range f.Flags {
			flags = append(flags, f.Channel+" "+g.Code+" "+g.Severity)
		}
	}
	if !slices.Contains(flags, "tube1 near-full forbids") {
		t.Errorf("flags %v", flags)
	}
	if all := strings.Join(got.Warnings, "\n"); len(told.Warnings) != 1 || !strings.Contains(all, told.Warnings[0]) || !strings.Contains(all, "sender: how sure the scale is is not known") || strings.Contains(all, "tube1") {
		t.Errorf("told %v, then %v\n%.1500s", told.Warnings, got.Warnings, text)
	}
	// --channels is for both tables.
	told = decoded[exportJSON](t, brimline(t, exitDone, "export", "--from", "2026-03-02T14:00Z", "--to", "2026-03-02T14:05Z", "--channels", "tube1, tube3", "--what", "rates", "--force", "--data", dir, "--out", out, "--json"))
	if told.Files[0].Rows != 2 {
		t.Errorf("%+v", told)
	}
	wantError(t, exitUsage, []string{"rates", told.Files[0].File}, "table of rates", "-curves.csv")
	wantError(t, exitUsage, []string{"import", told.Files[0].File, "--data", dir}, "table of rates", "copy the store")
}

// What a rule deleted from a time range is told, and stands in the table's own metadata.
func TestExportTellsOfDeletedReadings(t *testing.T) {
	dir, out := exchangeStore(t, "Sprayer 1", "T1"), t.TempDir()
	s, err := store.Open(t.Context(), filepath.Join(dir, realStore), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	boot, err := s.NewBoot(t.Context(), exchangeStart.Add(time.Hour), []rig.Channel{{Name: "tube1"}})
	if err != nil {
		t.Fatal(err)
	}
	var samples []rig.Sample
	for n := range 1300 {
		samples = append(samples, rig.Sample{Seq: uint64(n), Reading: rig.Reading{Elapsed: time.Duration(n) * 100 * time.Millisecond}})
	}
	if err := s.Append(t.Context(), boot.ID, samples); err != nil {
		t.Fatal(err)
	}
	chunks, err := s.WatchChunks(t.Context(), ingest.WatchQuery{Before: time.Hour, Limit: 1})
	if err != nil || len(chunks) != 1 {
		t.Fatal(chunks, err)
	}
	if _, err := s.DeleteWatchRaw(t.Context(), ingest.RuleAge, exchangeStart.AddDate(0, 1, 0), chunks); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	told := decoded[exportJSON](t, brimline(t, exitDone, "export", "--from", "2026-03-02", "--to", "2026-03-03", "--what", "curves", "--data", dir, "--out", out, "--json"))
	text, err := os.ReadFile(told.Files[0].File)
	if err != nil {
		t.Fatal(err)
	}
	if len(told.Warnings) != 1 || !strings.Contains(told.Warnings[0], "were deleted (rule age)") || !bytes.Contains(text, []byte("# doubt: "+told.Warnings[0])) || told.Files[0].Rows != 27000+1300-600 {
		t.Errorf("%+v", told)
	}
}

func TestExportRefuses(t *testing.T) {
	dir, out := exchangeStore(t, "Sprayer 1", "T1"), t.TempDir()
	file := filepath.Join(out, "test-T1-rates.csv")
	if err := os.WriteFile(file, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	e := func(args ...string) []string { return append([]string{"export", "--data", dir, "--out", out}, args...) }
	for _, c := range []struct {
		args []string
		says []string
	}{
		{e("T1"), []string{"is there already", file, "--force"}},
		{e("T9"), []string{`"T9"`, "T1"}},
		{e("T1", "--run", "3"), []string{"no run 3", "2 runs"}},
		{e("T1", "--format", "xlsx"), []string{"--format xlsx", "parquet"}},
		{e("T1", "--what", "all"), []string{"--what all"}},
		{e("T1", "--from", "2026-03-02"), []string{"--from", "T1"}},
		{e(), []string{"--from", "--help"}},
		{e("--from", "02.03.2026", "--to", "2026-03-03"), []string{"--from", `"02.03.2026"`, "2026-03-02"}},
		{e("--from", "2026-03-03", "--to", "2026-03-02"), []string{"--to", "after"}},
		{e("--from", "2026-03-02", "--to", "2026-03-03", "--channels", "tube9"), []string{"tube9", "tube1"}},
		{[]string{"export", "T1"}, []string{"--data"}},
		{[]string{"export", "T1", "--data", dir, "--out", filepath.Join(out, "none")}, []string{"--out", "make the folder"}},
	} {
		wantError(t, exitUsage, c.args, c.says...)
	}
	if text, err := os.ReadFile(file); err != nil || string(text) != "mine" {
		t.Errorf("what was there is %q, %v", text, err)
	}
	brimline(t, exitDone, e("T1", "--force")...)
	if text, err := os.ReadFile(file); err != nil || !bytes.HasPrefix(text, []byte("# test T1")) {
		t.Errorf("--force left %q, %v", text, err)
	}
	// Nothing half-written is left behind.
	found, err := os.ReadDir(out)
	if err != nil || len(found) != 2 {
		t.Errorf("%v, %v", found, err)
	}
}

// storeText is a store's book and samples as they are, to tell whether anything changed.
func storeText(t *testing.T, dir string) string {
	t.Helper()
	r, err := store.OpenRead(t.Context(), filepath.Join(dir, realStore))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	engines, err1 := r.Engines(t.Context())
	tests, err2 := r.Tests(t.Context(), 0)
	readings, err3 := r.HandReadings(t.Context(), 0)
	imports, err4 := r.Imports(t.Context())
	boots, err5 := r.Boots(t.Context())
	stats, err6 := r.Stats(t.Context())
	for _, err := range []error{err1, err2, err3, err4, err5, err6} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return fmt.Sprint(engines, tests, readings, imports, boots, stats.Samples, stats.Chunks)
}

// Hand readings compare from the store as they do from their file, and a second import of
// them adds nothing.
func TestImportReadings(t *testing.T) {
	dir, file := t.TempDir(), testdata("compare_sprayer.csv")
	dry := decoded[importJSON](t, brimline(t, exitDone, "import", file, "--data", dir, "--dry-run", "--json"))
	if found, err := os.ReadDir(dir); err != nil || len(found) > 0 || !dry.DryRun || dry.Added != 72 || len(dry.Tests) != 6 {
		t.Errorf("a dry run left %v, says %+v", found, dry)
	}
	done := decoded[importJSON](t, brimline(t, exitDone, "import", file, "--data", dir, "--json"))
	if done.Added != dry.Added || done.Import != 1 || asText(t, done.Tests) != asText(t, dry.Tests) {
		t.Errorf("did %+v, said %+v", done, dry)
	}
	var tests []string
	for _, x := range done.Tests {
		tests = append(tests, x.Test)
	}
	_, want, _ := runCompare(file, "--json")
	_, got, _ := runCompare(append(tests, "--data", dir, "--json")...)
	got = strings.Replace(got, "tests T1, T2, T3, T4, T5, T6", strings.ReplaceAll(file, `\`, `\\`), 1)
	if got != want {
		t.Errorf("from the store: %s\nfrom the file: %s", got, want)
	}
	before := storeText(t, dir)
	if again := brimline(t, exitDone, "import", file, "--data", dir); !strings.Contains(again, "Nothing is added: this very file") {
		t.Error(again)
	}
	// The same readings in a sheet that was saved again, with one more hanging.
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	grown := filepath.Join(t.TempDir(), "grown.csv")
	write := func(s string) {
		t.Helper()
		if err := os.WriteFile(grown, []byte(s), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write(string(text) + "\n# nothing new\n")
	if again := decoded[importJSON](t, brimline(t, exitDone, "import", grown, "--data", dir, "--json")); again.Added != 0 || again.There != 72 || again.Nothing == "" {
		t.Errorf("%+v", again)
	}
	if after := storeText(t, dir); after != before {
		t.Errorf("changed to %s", after)
	}
	write(string(text) + "Sprayer 1,2026-03-02,baseline,1,3,1,34,180,0.7,1204\nSprayer 1,2026-05-02,later,A,x,2,33,180,0.7,1300\n")
	more := decoded[importJSON](t, brimline(t, exitDone, "import", grown, "--data", dir, "--json"))
	if more.Added != 2 || more.There != 72 || len(more.Tests) != 2 || more.Tests[0].NewTest || more.Tests[0].Test != "T1" || !more.Tests[1].NewTest || more.Tests[1].NewEngine {
		t.Errorf("%+v", more)
	}
	// What is there with another value refuses all of the file, new rows too.
	before = storeText(t, dir)
	write(strings.Replace(string(text), "34.5,180", "34.6,180", 1) + "Sprayer 1,2026-06-02,latest,1,1,1,34,180,0.7,1204\n")
	wantError(t, exitUsage, []string{"import", grown, "--data", dir}, "line 5, column volume_ml", `"34.6"`, "34.5", "nothing was taken in")
	if after := storeText(t, dir); after != before {
		t.Errorf("changed to %s", after)
	}
	// And out again.
	told := decoded[exportJSON](t, brimline(t, exitDone, "export", "T1", "--data", dir, "--out", t.TempDir(), "--json"))
	if len(told.Files) != 1 || told.Files[0].Rows != 13 {
		t.Fatalf("%+v", told)
	}
	if got := duckRows(t, "SELECT source, rate_ml_per_min, u_ml_per_min, count(*) OVER () FROM read_csv('"+told.Files[0].File+"', comment='#') ORDER BY run, injector")[0]; got[0] != "hand" || got[1] != 11.5 || math.Abs(got[2].(float64)-0.7/3) > 1e-12 {
		t.Errorf("%v", got)
	}
}

// What cannot be changed later is told before: an engine's injectors. What differs is told
// as it stands in the file.
func TestImportReadingsTells(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "r.csv")
	write := func(s string) {
		t.Helper()
		if err := os.WriteFile(file, []byte("engine,date,phase,hanging,run,injector,volume_ml,duration_s,u_ml\n"+s), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	row := "S,2026-03-02,baseline,1,1,2,33.5,180,0.3\n"
	write(row)
	if all := strings.Join(decoded[importJSON](t, brimline(t, exitDone, "import", file, "--data", dir, "--dry-run", "--injectors", "4", "--json")).Warnings, ""); all != "" {
		t.Error(all)
	}
	said := strings.Join(strings.Fields(brimline(t, exitDone, "import", file, "--data", dir)), " ")
	for _, want := range []string{"new engine S of 2 injectors", "S begins with 2 injectors", "--injectors"} {
		if !strings.Contains(said, want) {
			t.Errorf("lacks %q: %s", want, said)
		}
	}
	write(strings.Replace(row, "0.3", "0.4", 1))
	wantError(t, exitUsage, []string{"import", file, "--data", dir}, `line 2, column u_ml, "0.4": the store has 0.3 for`)
	write(row + strings.Replace(row, "1,2,", "1,3,", 1))
	wantError(t, exitUsage, []string{"import", file, "--data", dir}, "line 3", "S is kept with 2", "a name of its own")
}

// One tube of one run is one reading, by whatever date or number it is written.
func TestImportTakesNoReadingTwice(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "r.csv")
	write := func(rows ...string) {
		t.Helper()
		text := "engine,date,phase,hanging,run,injector,rate_ml_per_min\n" + strings.Join(rows, "\n") + "\n"
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write("S,2026-03-02,baseline,01,01,1,10", "S,2026-03-02,baseline,01,01,2,11", "S,2026-03-02,baseline,01,01,3,12")
	brimline(t, exitDone, "import", file, "--data", dir)
	before := storeText(t, dir)
	// As a spreadsheet saves it.
	write("S,2026-03-02,baseline,1,1,1,10", "S,2026-03-02,baseline,1,1,2,11", "S,2026-03-02,baseline,1,1,3,12")
	if again := decoded[importJSON](t, brimline(t, exitDone, "import", file, "--data", dir, "--json")); again.Added != 0 || again.There != 3 {
		t.Errorf("%+v", again)
	}
	// One date corrected, the others as they were.
	write("S,2026-03-02,baseline,1,1,1,10", "S,2026-03-03,baseline,1,1,2,11", "S,2026-03-03,baseline,1,1,3,12")
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"import", file, "--data", dir, "--dry-run"}, strings.NewReader(""), &out, &errs); code != exitUsage {
		t.Errorf("exit %d", code)
	}
	for _, want := range []string{"2 reasons", "line 3, column injector", "line 4, column injector", "of 2026-03-02, from line 3 of r.csv", "put back the date"} {
		if !strings.Contains(errs.String(), want) {
			t.Errorf("lacks %q: %s", want, &errs)
		}
	}
	write("S,2026-03-02,baseline,1,1,1,10", "S,2026-03-02,baseline,1,2,1,10", "S,2026-03-02,baseline,1,02,01,10")
	wantError(t, exitUsage, []string{"import", file, "--data", dir}, "line 4, column injector", "on line 3")
	if after := storeText(t, dir); after != before {
		t.Errorf("changed to %s", after)
	}
}

// Clock stamps without a zone count as UTC, which is told.
func TestImportTellsOfStampsWithoutZone(t *testing.T) {
	file := filepath.Join(t.TempDir(), "c.csv")
	for zone, told := range map[string]bool{"": true, "Z": false, "+02:00": false} {
		text := "time,a_g,b_g,c_g\n"
		for i := range 60 {
			text += fmt.Sprintf("2026-03-02T14:05:%02d%s,%d,%d,%d\n", i, zone, i, i, i)
		}
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		all := strings.Join(decoded[importJSON](t, brimline(t, exitDone, "import", file, "--data", t.TempDir(), "--engine", "S", "--phase", "after", "--dry-run", "--json")).Warnings, "")
		if strings.Contains(all, "count as UTC, the first as 2026-03-02 14:05:00") != told {
			t.Errorf("zone %q: %s", zone, all)
		}
	}
}

// Every bad row is told of at once, and nothing is taken in.
func TestImportTellsOfEveryBadRow(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "r.csv")
	head := "engine,date,phase,hanging,run,injector,volume_ml,duration_s\n"
	for _, c := range []struct {
		text string
		args []string
		says []string
	}{
		{head + "S,2026-03-02,baseline,1,1,1,x,180\nS,2026-03-02,baseline,1,1,2,33,180\nS,2026-13-02,baseline,1,1,3,33,180\n", nil, []string{"2 reasons", `line 2, column volume_ml, "x"`, `line 4, column date, "2026-13-02"`}},
		{head + "S,2026-03-02,baseline,1,1,0,33,180\nS,2026-03-02,baseline,1,1,A,33,180\n", nil, []string{`line 2, column injector, "0"`, `line 3, column injector, "A"`, "1 to 32", "1 for the first cylinder"}},
		{head + "S,2026-03-02,baseline,1,1,7,33,180\n", []string{"--injectors", "6"}, []string{"line 2", "1 to 6", "--injectors"}},
		{"engine,date,phase,hanging,run,injektor,volume_ml,duration_s\n", nil, []string{"injektor", "did you mean injector"}},
		{head + "S,2026-03-02,baseline,1,1,1,33,180\n", []string{"--density", "0.83"}, []string{"--density is for curves"}},
		{head + "S,2026-03-02,baseline,1,1,1,33,180\n", []string{"--distance-unit", "leagues"}, []string{"leagues", "km"}},
	} {
		if err := os.WriteFile(file, []byte(c.text), 0o644); err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		if code := run(t.Context(), append([]string{"import", file, "--data", dir}, c.args...), strings.NewReader(""), &out, &errs); code != exitUsage || out.Len() > 0 {
			t.Errorf("exit %d, %q for %q", code, out.String(), c.text)
		}
		for _, want := range c.says {
			if !strings.Contains(errs.String(), want) {
				t.Errorf("lacks %q: %s", want, &errs)
			}
		}
	}
	wantError(t, exitUsage, []string{"import", filepath.Join(dir, "none.csv"), "--data", dir}, "none.csv")
	wantError(t, exitUsage, []string{"import", file}, "--data")
	wantError(t, exitUsage, []string{"import", file, "--data", filepath.Join(dir, "none")}, "make the folder")
}

// A file that fails in the middle of the transaction leaves the store as it was, and a
// store that a daemon writes is not touched.
func TestImportIsAllOrNothing(t *testing.T) {
	dir := t.TempDir()
	s, err := store.Open(t.Context(), filepath.Join(dir, realStore), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	wantError(t, exitFailed, []string{"import", testdata("compare_sprayer.csv"), "--data", dir}, "stop the daemon")
	reading := ingest.HandReading{Hanging: "1", Run: "1", RunNumber: 1, Injector: 1, Day: exchangeStart, RateMLPerMin: 10}
	one := func(label string, readings ...ingest.HandReading) ingest.ReadTest {
		return ingest.ReadTest{Engine: ingest.Engine{Label: "S", Injectors: 4, DistanceUnit: "h"}, Test: ingest.Test{Label: label, Phase: "baseline", At: exchangeStart, Odometer: math.NaN()},
			Hangings: []ingest.ReadHanging{{Hanging: ingest.Hanging{Number: 1}, Readings: readings}}}
	}
	imp := ingest.Import{File: "a.csv", SHA256: "aa", At: exchangeStart, Program: "v1"}
	if _, err := s.ImportReadings(t.Context(), imp, []ingest.ReadTest{one("T1", reading), one("T2", reading, reading)}); err == nil {
		t.Error("a reading that is there twice was taken")
	}
	curves := ingest.ImportedCurves{Engine: ingest.Engine{Label: "S", Injectors: 4}, Test: ingest.Test{Label: "T1", Phase: "after", At: exchangeStart}, Wall: exchangeStart,
		Channels: []ingest.ImportedChannel{{Channel: rig.Channel{Name: "a"}, Calibration: ingest.Calibration{CountsPerGram: 1, Unit: "g"}, Samples: []rig.Sample{{}, {Reading: rig.Reading{Elapsed: time.Second}}}},
			{Channel: rig.Channel{Name: "b"}, Calibration: ingest.Calibration{CountsPerGram: 1, Unit: "g"}, Samples: []rig.Sample{{}, {}}}}}
	if _, err := s.ImportCurves(t.Context(), imp, curves); err == nil {
		t.Error("times that do not rise were taken")
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if got, want := storeText(t, dir), fmt.Sprint([]int{}, []int{}, []int{}, []int{}, []int{}, 0, 0); got != want {
		t.Errorf("left behind: %s", got)
	}
}

// Another logger's curves give from the store what they give from their file.
func TestImportCurves(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "curves.csv")
	rng := rand.New(rand.NewPCG(3, 4))
	rows := func(n int, stamp func(i int) string, scale float64) string {
		var b strings.Builder
		for i := range n {
			flow := min(max(float64(i)/10-30, 0), 120)
			fmt.Fprintf(&b, "%s,%.2f,%.2f,%.2f\n", stamp(i), scale*(9*flow/60+0.02*rng.NormFloat64()), scale*(10*flow/60+0.02*rng.NormFloat64()), scale*(11*flow/60+0.02*rng.NormFloat64()))
		}
		return b.String()
	}
	elapsed := func(i int) string { return fmt.Sprintf("%.1f", float64(i)/10) }
	write := func(s string) {
		t.Helper()
		if err := os.WriteFile(file, []byte(s), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for k, unit := range []string{"g", "ml", "counts"} {
		scale := 1.0
		args := []string{"import", file, "--data", dir, "--engine", "Sprayer 1", "--phase", "baseline", "--capacity", "100", "--at", fmt.Sprintf("2026-03-0%dT14:00Z", k+2)}
		rates := []string{"rates", file, "--json", "--capacity", "100"}
		if unit == "counts" {
			scale = 2147
			args, rates = append(args, "--counts-per-gram", "2147"), append(rates, "--counts-per-gram", "2147")
		}
		if unit != "ml" {
			args, rates = append(args, "--density", "0.832", "--density-u", "0.0005"), append(rates, "--density", "0.832", "--density-u", "0.0005")
		}
		text := fmt.Sprintf("elapsed_s,a_%s,b_%s,c_%s\n", unit, unit, unit) + rows(1800, elapsed, scale)
		write(text)
		dry := decoded[importJSON](t, brimline(t, exitDone, append(args, "--dry-run", "--json")...))
		done := decoded[importJSON](t, brimline(t, exitDone, append(args, "--json")...))
		if done.Added != 5400 || asText(t, done.Tests) != asText(t, dry.Tests) || len(done.Warnings) > 0 {
			t.Errorf("%s: %+v, said %+v", unit, done, dry)
		}
		want := decoded[ratesJSON](t, brimline(t, exitDone, rates...))
		got := decoded[ratesJSON](t, brimline(t, exitDone, "rates", done.Tests[0].Test, "--data", dir, "--json"))
		for i, f := range got.Fills {
			w := want.Fills[slices.IndexFunc(want.Fills, func(x fillJSON) bool { return strings.HasSuffix(f.Channel, ":"+x.Channel) })]
			if math.Abs(*f.ML / *w.ML - 1) > 1e-9 || math.Abs(*f.UML / *w.UML - 1) > 1e-6 || f.Injector != i+1 {
				t.Errorf("%s: %v ± %v, from the file %v ± %v", unit, *f.ML, *f.UML, *w.ML, *w.UML)
			}
		}
		// The same again, saved otherwise, and a longer copy.
		before := storeText(t, dir)
		write("# saved again\n" + text)
		if again := brimline(t, exitDone, args...); !strings.Contains(again, "value for value") {
			t.Error(again)
		}
		write(text + "180,1,1,1\n")
		wantError(t, exitUsage, args, "longer or shorter copy", "nothing was taken in")
		write(fmt.Sprintf("elapsed_s,a_%s,b_%s,c_%s\n", unit, unit, unit) + rows(1800, elapsed, scale))
		wantError(t, exitUsage, args, "cannot be measured twice", "--at")
		if after := storeText(t, dir); after != before {
			t.Errorf("changed to %s", after)
		}
	}
	// Out of the store the imported values come as they were written.
	out := t.TempDir()
	brimline(t, exitDone, "export", "T1", "--data", dir, "--out", out)
	if got := duckRows(t, "SELECT count(*), bool_and(round(mass_g, 2) = mass_g), min(time_utc)::VARCHAR FROM read_csv('"+filepath.Join(out, "test-T1-curves.csv")+"', comment='#')")[0]; got[0] != "5400" || got[1] != true || got[2] != "2026-03-02 14:00:00+00" {
		t.Errorf("%v", got)
	}
	// Several runs, a column of no injector, a hole that is kept as one; and imports compare.
	stamped := func(i int) string {
		return exchangeStart.AddDate(0, 1, 0).Add(time.Duration(i) * 100 * time.Millisecond).Format(time.RFC3339Nano)
	}
	lines := strings.Split("time,a_g,b_g,c_g\n"+rows(3600, stamped, 1), "\n")
	cells := strings.Split(lines[50], ",")
	lines[50] = strings.Join([]string{cells[0], "", cells[2], cells[3]}, ",")
	write(strings.Join(lines, "\n"))
	done := decoded[importJSON](t, brimline(t, exitDone, "import", file, "--data", dir, "--engine", "Sprayer 1", "--phase", "after", "--label", "A1", "--density", "0.832", "--positions", "3,0,1", "--run", "0:175", "--run", "180:350", "--json"))
	if done.Tests[0].Runs != 2 || done.Tests[0].Test != "A1" || len(done.Warnings) != 3 || !strings.Contains(done.Warnings[2], "--density without --density-u") || done.Tests[0].NewEngine {
		t.Errorf("%+v", done)
	}
	brimline(t, exitDone, "export", "A1", "--data", dir, "--out", out, "--format", "parquet")
	if got := duckRows(t, "SELECT count(*) - count(counts), any_value(quality) FILTER (counts IS NULL), count(DISTINCT channel), count(DISTINCT run) FROM '"+filepath.Join(out, "test-A1-curves.parquet")+"'")[0]; got[0] != "1" || got[1] != "stalled" || got[2] != "2" || got[3] != "2" {
		t.Errorf("%v", got)
	}
	_, text, errs := runCompare("T1", "A1", "--data", dir, "--json")
	if x := decoded[struct {
		Injectors []struct{ Injector string }
	}](t, text); len(x.Injectors) != 2 {
		t.Errorf("%s%s", text, errs)
	}
}

func TestImportCurvesRefuses(t *testing.T) {
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "curves.csv")
	if err := os.WriteFile(file, []byte("elapsed_s,a_g,b_g\n0,1,1\n1,2,2\n2,3,3\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	args := func(more ...string) []string {
		return append([]string{"import", file, "--data", dir, "--engine", "S", "--phase", "baseline"}, more...)
	}
	at := []string{"--at", "2026-03-02T14:00Z"}
	for _, c := range []struct {
		args []string
		says []string
	}{
		{[]string{"import", file, "--data", dir}, []string{"--engine", "missing"}},
		{args(), []string{"no clock stamps", "--at"}},
		{args("--at", "yesterday"), []string{"--at", `"yesterday"`}},
		{args(append(at, "--positions", "1,2,3")...), []string{"names 3 columns", "has 2"}},
		{args(append(at, "--positions", "1,1")...), []string{"injector 1 stands at two"}},
		{args(append(at, "--positions", "0,0")...), []string{"no column has an injector"}},
		{args(append(at, "--run", "5:9")...), []string{"--run 5:9", "from 0 to 2 s"}},
		{args(append(at, "--run", "0-1")...), []string{`"0-1"`, "FROM:TO"}},
		{args(append(at, "--run", "0:2", "--run", "1:2")...), []string{"before the run before it ends"}},
		{args(append(at, "--density", "832")...), []string{"--density", "g/mL"}},
		{args(append(at, "--counts-per-gram", "2147")...), []string{"column a", "is for counts"}},
		{args(append(at, "--capacity", "-1")...), []string{"--capacity"}},
		{args(append(at, "--odometer", "-1")...), []string{"--odometer"}},
		{args(append(at, "--injectors", "1")...), []string{"--injectors 1", "injector 2"}},
	} {
		wantError(t, exitUsage, append(c.args, "--dry-run"), c.says...)
	}
	if found, err := os.ReadDir(dir); err != nil || len(found) > 0 {
		t.Errorf("left %v, %v", found, err)
	}
	brimline(t, exitDone, "export", "T1", "--data", exchangeStore(t, "S", "T1"), "--out", dir)
	wantError(t, exitUsage, []string{"import", filepath.Join(dir, "test-T1-curves.csv"), "--data", dir, "--engine", "S", "--phase", "baseline"}, "export wrote", "rates")
	if err := os.WriteFile(file, []byte("elapsed_s,a_g\n0,1\n1,3e9\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	wantError(t, exitUsage, args(at...), "column a", "2147483647")
}

func TestStepsPerUnit(t *testing.T) {
	for _, c := range []struct {
		values []float64
		steps  float64
		exact  bool
	}{
		{[]float64{1, 2, math.NaN()}, 1, true},
		{[]float64{0.25, -12.5}, 100, true},
		{[]float64{2147.4836}, 1e4, true},
		{[]float64{1.0 / 3}, 1e9, false},
		{[]float64{100.0 / 3}, 1e7, false},
	} {
		if steps, exact, ok := stepsPerUnit(c.values); steps != c.steps || exact != c.exact || !ok {
			t.Errorf("%v: %g, %v, %v", c.values, steps, exact, ok)
		}
	}
}

// BenchmarkExport exports readings at 80 a second of the store to a file: a channel-hour,
// and a day of four channels.
func BenchmarkExport(b *testing.B) {
	for _, size := range []struct {
		name     string
		channels int
		hours    int
		formats  []string // a day is written as Parquet alone: 2.3 GB as CSV, 6 GB as JSON
	}{{"channel-hour", 1, 1, []string{"csv", "parquet", "json"}}, {"day-of-4", 4, 24, []string{"parquet"}}} {
		dir := b.TempDir()
		s, err := store.Open(b.Context(), filepath.Join(dir, realStore), store.Options{})
		if err != nil {
			b.Fatal(err)
		}
		var channels []rig.Channel
		for i := range size.channels {
			channels = append(channels, rig.Channel{Name: fmt.Sprintf("tube%d", i+1), CapacityML: 100})
			if _, err := s.AddCalibration(b.Context(), ingest.Calibration{Channel: channels[i].Name, At: exchangeStart, CountsPerGram: 2147, DF: 9, Certificate: []byte("{}")}); err != nil {
				b.Fatal(err)
			}
		}
		boot, err := s.NewBoot(b.Context(), exchangeStart, channels)
		if err != nil {
			b.Fatal(err)
		}
		rng := rand.New(rand.NewPCG(5, 6))
		samples := make([]rig.Sample, 0, size.channels*4800)
		for minute := range size.hours * 60 {
			samples = samples[:0]
			for i := range size.channels {
				for k := range 4800 {
					n := minute*4800 + k
					at := time.Duration(n)*12500*time.Microsecond + time.Duration(20+rng.IntN(80))*time.Microsecond
					samples = append(samples, rig.Sample{Channel: i, Seq: uint64(n), Reading: rig.Reading{Elapsed: at, Counts: int32(100000 + 150*rng.NormFloat64())}})
				}
			}
			if err := s.Append(b.Context(), boot.ID, samples); err != nil {
				b.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
		for _, format := range size.formats {
			b.Run("size="+size.name+"/format="+format, func(b *testing.B) {
				b.ReportAllocs()
				out := b.TempDir()
				args := []string{"export", "--from", exchangeStart.Format(time.RFC3339), "--to", exchangeStart.AddDate(0, 0, 2).Format(time.RFC3339), "--what", "curves", "--format", format, "--data", dir, "--out", out, "--force"}
				for b.Loop() {
					if code := run(b.Context(), args, strings.NewReader(""), io.Discard, os.Stderr); code != exitDone {
						b.Fatal(code)
					}
				}
				files, err := filepath.Glob(filepath.Join(out, "*"))
				if err != nil || len(files) != 1 {
					b.Fatal(files, err)
				}
				info, err := os.Stat(files[0])
				if err != nil {
					b.Fatal(err)
				}
				rows := float64(size.channels*size.hours) * 80 * 3600
				b.ReportMetric(rows*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
				b.ReportMetric(float64(info.Size())/rows, "B/row")
			})
		}
	}
}
