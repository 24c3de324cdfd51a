package influx

import (
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"brimline/ingest"
	"brimline/ingest/influx/influxtest"
	"brimline/ingest/store"
	"brimline/rig"
)

// What a real server gives back is what the store holds, by the same methods, for each
// of several benches and stores in one bucket.
func TestReadingBack(t *testing.T) {
	ctx := t.Context()
	server := influxtest.Start(t, influxtest.Options{})
	target := func(bench string) Target {
		return Target{URL: server.URL(), Bucket: server.Bucket(), Token: server.Token(), Bench: bench}
	}
	ship := func(s *store.Store, bench string) {
		t.Helper()
		opt := quick()
		opt.BatchPoints = 5000
		shipUntil(t, s, target(bench), opt, "shipping "+bench, idle)
	}
	if _, err := OpenRead(ctx, target("north"), "", "T1"); !errors.Is(err, ingest.ErrNotFound) || !strings.Contains(err.Error(), "holds no bench's book") {
		t.Errorf("an empty bucket: %v", err)
	}

	north, _ := history(t, filepath.Join(t.TempDir(), "north.db"))
	defer north.Close()
	// A row that is longer than a field, a name that needs quotes, a run of the second boot
	// that reaches to its end, and hand readings.
	boots, err := north.Boots(ctx)
	if err != nil {
		t.Fatal(err)
	}
	test, err := north.Test(ctx, "T1")
	if err != nil {
		t.Fatal(err)
	}
	test.Note = strings.Repeat(`"ü" \ ${x} `, 20000)
	test.Odometer = 1234.5
	if err := north.UpdateTest(ctx, test); err != nil {
		t.Fatal(err)
	}
	hangings, err := north.Hangings(ctx, test.ID)
	if err != nil {
		t.Fatal(err)
	}
	open, err := north.StartRun(ctx, ingest.Run{TestID: test.ID, HangingID: hangings[0].ID, BootID: boots[1].ID, Start: 2 * time.Second, Positions: []ingest.PositionOn{{Channel: "tube1", Injector: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	_, err = north.ImportReadings(ctx, ingest.Import{File: "old.csv", SHA256: "x", At: monday, Program: "test"}, []ingest.ReadTest{{
		Engine: ingest.Engine{Label: "Sprayer 2", Injectors: 1, DistanceUnit: "h", InjectorType: "unknown"},
		Test:   ingest.Test{Label: "H1", Phase: "baseline", At: monday, Odometer: math.NaN(), Fuel: ingest.Fuel{Kind: "diesel", TempC: math.NaN()}},
		Hangings: []ingest.ReadHanging{{Hanging: ingest.Hanging{Number: 1}, Readings: []ingest.HandReading{
			{Line: 2, Hanging: "1", Run: "1", RunNumber: 1, Day: monday.Truncate(24 * time.Hour), Injector: 1, VolumeML: 30, DurationS: 60, RateMLPerMin: 30, UMLPerMin: 0.25, Odometer: math.NaN()}}}},
	}})
	if err != nil {
		t.Fatal(err)
	}
	if err := north.AddConditions(ctx, []ingest.Condition{{TestID: test.ID, Name: "rail pressure", Unit: "bar", Value: 281.5}, {TestID: test.ID, Run: 1, Injector: 1, Name: "correction", Unit: "mg/stroke", Value: -0.25}}); err != nil {
		t.Fatal(err)
	}
	ship(north, "north")
	r, err := OpenRead(ctx, target("north"), "", "T1")
	if err != nil {
		t.Fatal(err)
	}
	same := func(what string) func(got, want any, err1, err2 error) {
		return func(got, want any, err1, err2 error) {
			t.Helper()
			if err1 != nil || err2 != nil || printable(got) != printable(want) {
				t.Errorf("%s:\ngot  %.2000v %v\nwant %.2000v %v", what, got, err1, want, err2)
			}
		}
	}
	{
		got, err1 := r.Test(ctx, "T1")
		want, err2 := north.Test(ctx, "T1")
		same("test")(got, want, err1, err2)
	}
	{
		got, err1 := r.Engine(ctx, "1")
		want, err2 := north.Engine(ctx, "1")
		same("engine")(got, want, err1, err2)
	}
	{
		got, err1 := r.Runs(ctx, test.ID)
		want, err2 := north.Runs(ctx, test.ID)
		same("runs")(got, want, err1, err2)
	}
	{
		got, err1 := r.Hangings(ctx, test.ID)
		want, err2 := north.Hangings(ctx, test.ID)
		same("hangings")(got, want, err1, err2)
	}
	{
		got, err1 := r.Boots(ctx)
		want, err2 := north.Boots(ctx)
		same("boots")(got, want, err1, err2)
	}
	{
		got, err1 := r.Calibrations(ctx, "tube1")
		want, err2 := north.Calibrations(ctx, "tube1")
		same("calibrations")(got, want, err1, err2)
	}
	for _, at := range []time.Time{monday, monday.Add(time.Hour)} {
		got, err1 := r.Calibration(ctx, "tube1", at)
		want, err2 := north.Calibration(ctx, "tube1", at)
		same("calibration")(got, want, err1, err2)
	}
	if _, err := r.Calibration(ctx, "tube1", monday.Add(-time.Hour)); !errors.Is(err, ingest.ErrNotFound) {
		t.Errorf("before all calibrations: %v", err)
	}
	{
		got, err1 := r.HandReadings(ctx, 0)
		want, err2 := north.HandReadings(ctx, 0)
		same("hand readings")(got, want, err1, err2)
		if len(got) != 1 {
			t.Errorf("%d hand readings", len(got))
		}
	}
	{
		got, err1 := r.Conditions(ctx, test.ID)
		want, err2 := north.Conditions(ctx, test.ID)
		same("conditions")(got, want, err1, err2)
		if len(got) != 2 {
			t.Errorf("%d conditions", len(got))
		}
	}
	runs, err := north.Runs(ctx, test.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, run := range runs { // the second goes on
		got, err1 := r.RunSeries(ctx, run)
		want, err2 := north.RunSeries(ctx, run)
		same("samples")(got, want, err1, err2)
		if len(got) != len(run.Positions) || len(got[0].Samples) < 30 {
			t.Errorf("run %d: %d series", run.Number, len(got))
		}
	}

	// A run of which not all has come.
	if err := north.EndRun(ctx, open.ID, time.Minute); err != nil {
		t.Fatal(err)
	}
	run, err := north.Run(ctx, open.ID)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.RunSeries(ctx, run); err == nil || !strings.Contains(err.Error(), "has come up to 5.9 s") {
		t.Errorf("a run that is not here yet: %v", err)
	}
	// A bench that ships means only, and one whose samples are not all there.
	means, _ := history(t, filepath.Join(t.TempDir(), "means.db"))
	defer means.Close()
	opt := quick()
	opt.Raw = RawMeans
	shipUntil(t, means, target("means"), opt, "means", idle)
	if m, err := OpenRead(ctx, target("means"), "", "T1"); err != nil {
		t.Error(err)
	} else if _, err := m.RunSeries(ctx, runs[0]); err == nil || !strings.Contains(err.Error(), `raw = "all"`) {
		t.Errorf("means only: %v", err)
	}
	id, err := north.StoreID(ctx)
	if err != nil {
		t.Fatal(err)
	}
	remove := func(from, to time.Duration) {
		t.Helper()
		anchor := monday.Truncate(time.Microsecond)
		server.Query(server.Bucket(), "DELETE FROM brimline_sample WHERE store = '"+id+"' AND channel = 'tube1' AND time >= '"+anchor.Add(from).Format(time.RFC3339Nano)+"' AND time < '"+anchor.Add(to).Format(time.RFC3339Nano)+"'")
	}
	// The run goes from 10 s to 30 s; of what is missing at its ends only its own counts.
	for _, c := range []struct {
		from, to time.Duration
		lacks    int
	}{{15 * time.Second, 16 * time.Second, 10}, {8 * time.Second, 12 * time.Second, 10 + 19}, {28 * time.Second, 33 * time.Second, 29 + 20}} {
		remove(c.from, c.to)
		var partial *ingest.PartialError
		got, err := r.RunSeries(ctx, runs[0])
		if !errors.As(err, &partial) || !strings.Contains(err.Error(), fmt.Sprintf("tube1 lacks %d;", c.lacks)) || len(got) != 2 {
			t.Errorf("without %v to %v: %v, want %d missing", c.from, c.to, err, c.lacks)
		} else if n := len(got[0].Samples) + len(got[1].Samples); n != 199+199-c.lacks {
			t.Errorf("without %v to %v: %d samples and %d missing", c.from, c.to, n, c.lacks)
		}
	}

	// The same names from another bench, and from the same bench with a new card.
	south := openStore(t, filepath.Join(t.TempDir(), "south.db"))
	defer south.Close()
	boot := newBoot(t, south, monday)
	if err := south.Append(ctx, boot.ID, []rig.Sample{{Channel: 0, Reading: rig.Reading{Elapsed: 15 * time.Second, Counts: -7}}, {Channel: 0, Seq: 1, Reading: rig.Reading{Elapsed: 31 * time.Second}}, {Channel: 1, Reading: rig.Reading{Elapsed: 31 * time.Second}}}); err != nil {
		t.Fatal(err)
	}
	keepBook(t, south, boot)
	ship(south, "south")
	other, err := OpenRead(ctx, target("south"), "", "T1")
	if err != nil {
		t.Fatal(err)
	}
	if got, err := other.RunSeries(ctx, runs[0]); err != nil || len(got[1].Samples) != 1 || got[1].Samples[0].Counts != -7 {
		t.Errorf("the other bench: %+v, %v", got, err)
	}
	if _, err := OpenRead(ctx, target("west"), "", "T1"); err == nil || !strings.Contains(err.Error(), "it knows means, north, south") {
		t.Errorf("no such bench: %v", err)
	}
	if _, err := OpenRead(ctx, target("south"), "", "T9"); !errors.Is(err, ingest.ErrNotFound) || !strings.Contains(err.Error(), "there are T1") {
		t.Errorf("no such test: %v", err)
	}
	ship(south, "north")
	if _, err := OpenRead(ctx, target("north"), "", "T1"); err == nil || !strings.Contains(err.Error(), `2 stores of bench "north" have a test "T1"`) {
		t.Errorf("two cards: %v", err)
	}
	if r, err = OpenRead(ctx, target("north"), id, "T1"); err != nil {
		t.Fatal(err)
	}
	if got, err := r.Test(ctx, "T1"); err != nil || got.Odometer != 1234.5 {
		t.Errorf("the named card's test: %.200v, %v", got, err)
	}

	// A store that is restored from a backup uses numbers again: what it says now holds.
	restored(t, func(s *store.Store) { ship(s, "east") }, func() (*Reader, error) { return OpenRead(ctx, target("east"), "", "T1") })

	wrong := target("north")
	wrong.Token = "admin:wrong"
	if _, err := OpenRead(ctx, wrong, "", "T1"); err == nil || !strings.Contains(err.Error(), "refuses the token") || strings.Contains(err.Error(), "admin:wrong") {
		t.Errorf("a wrong token: %v", err)
	}
	server.Restart(influxtest.Options{NoFlux: true})
	if _, err := OpenRead(ctx, target("north"), "", "T1"); err == nil || !strings.Contains(err.Error(), "flux-enabled = true") {
		t.Errorf("no Flux: %v", err)
	}
	server.Stop()
	if _, err := OpenRead(ctx, target("north"), "", "T1"); err == nil || !strings.Contains(err.Error(), "cannot be reached") {
		t.Errorf("no server: %v", err)
	}
}

// restored makes a store and a backup of it, ships a run that was made after the backup,
// restores, and ships another run of that number.
func restored(t *testing.T, ship func(*store.Store), read func() (*Reader, error)) {
	t.Helper()
	ctx := t.Context()
	dir := t.TempDir()
	path := filepath.Join(dir, "bench.db")
	s, _ := history(t, path)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Backup(ctx, path, filepath.Join(dir, "backup.db")); err != nil {
		t.Fatal(err)
	}
	add := func(wall time.Time, remarks ...string) ingest.Run {
		t.Helper()
		s = openStore(t, path)
		boot := newBoot(t, s, wall)
		record(t, s, boot, 0, 20)
		run, err := s.StartRun(ctx, ingest.Run{TestID: 1, HangingID: 1, BootID: boot.ID, Start: 5 * time.Second, End: 15 * time.Second, Positions: []ingest.PositionOn{{Channel: "tube1", Injector: 1}}})
		for _, remark := range remarks {
			if err == nil {
				err = s.NoteRun(ctx, run.ID, remark)
			}
		}
		if err != nil {
			t.Fatal(err)
		}
		ship(s)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		return run
	}
	before := add(monday.Add(5*time.Hour), "before", "before", "before")
	if _, err := store.Restore(ctx, filepath.Join(dir, "backup.db"), path, monday.Add(6*time.Hour)); err != nil {
		t.Fatal(err)
	}
	after := add(monday.Add(7 * time.Hour))
	if before.ID != after.ID || before.BootID != after.BootID {
		t.Fatalf("runs %d and %d of boots %d and %d: the test needs equal ones", before.ID, after.ID, before.BootID, after.BootID)
	}
	r, err := read()
	if err != nil {
		t.Fatal(err)
	}
	runs, err := r.Runs(ctx, 1)
	if err != nil || len(runs) != 2 || runs[1].Note != "" {
		t.Fatalf("runs %+v, %v: want what the restored store says", runs, err)
	}
	if got, err := r.RunSeries(ctx, runs[1]); err != nil || len(got[0].Samples) != 100 {
		t.Errorf("samples after the restore: %v", err)
	}
}

// printable makes NaN equal to itself.
func printable(v any) string { return fmt.Sprintf("%#v", v) }

// A boot of other channels, as an import is, may be dated into a boot of its slot: the
// samples behind its anchor are read all the same.
func TestABootOfOtherChannelsCutsNothingOff(t *testing.T) {
	server := influxtest.Start(t, influxtest.Options{})
	target := Target{URL: server.URL(), Bucket: server.Bucket(), Token: server.Token(), Bench: "north"}
	s := openStore(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	boot := newBoot(t, s, monday)
	record(t, s, boot, 0, 40)
	run := keepBook(t, s, boot)
	for range 100 {
		if _, err := s.NewBoot(t.Context(), monday.Add(20*time.Second), []rig.Channel{{Name: "elsewhere", CapacityML: 100}}); err != nil {
			t.Fatal(err)
		}
	}
	shipUntil(t, s, target, quick(), "all", idle)
	r, err := OpenRead(t.Context(), target, "", "T1")
	if err != nil {
		t.Fatal(err)
	}
	run, err = s.Run(t.Context(), run.ID)
	if err != nil {
		t.Fatal(err)
	}
	got, err := r.RunSeries(t.Context(), run)
	want, wantErr := s.RunSeries(t.Context(), run)
	if err := errors.Join(err, wantErr); err != nil {
		t.Fatal(err)
	}
	for i := range want {
		if fmt.Sprint(got[i].Samples) != fmt.Sprint(want[i].Samples) {
			t.Errorf("%s: %d samples from the bucket, %d stored", want[i].Channel.Name, len(got[i].Samples), len(want[i].Samples))
		}
	}
}
