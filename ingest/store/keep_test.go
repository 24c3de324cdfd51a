package store

import (
	"context"
	"database/sql"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// minutes appends so many minutes of two channels at 2 readings a second, from a minute on.
func minutes(t testing.TB, s *Store, boot int64, from, n int) {
	t.Helper()
	for m := from; m < from+n; m++ {
		var samples []rig.Sample
		for i := range 120 {
			for ch := range 2 {
				k := m*120 + i
				samples = append(samples, rig.Sample{Channel: ch, Seq: uint64(k), Reading: rig.Reading{
					Elapsed: time.Duration(k) * 500 * time.Millisecond, Counts: int32(1000*ch + k*k%977)}})
			}
		}
		if err := s.Append(t.Context(), boot, samples); err != nil {
			t.Fatal(err)
		}
	}
}

// aRun keeps a run of a boot in a test of its own.
func aRun(t testing.TB, s *Store, boot int64, label string, start, end time.Duration) ingest.Run {
	t.Helper()
	ctx := t.Context()
	var err error
	engine, err := s.AddEngine(ctx, ingest.Engine{Label: label, Injectors: 1, DistanceUnit: "h", InjectorType: "solenoid"})
	var test int64
	if err == nil {
		test, err = s.AddTest(ctx, ingest.Test{EngineID: engine, Label: label, Phase: "baseline", At: day})
	}
	var hanging ingest.Hanging
	if err == nil {
		hanging, err = s.AddHanging(ctx, ingest.Hanging{TestID: test})
	}
	run := ingest.Run{TestID: test, HangingID: hanging.ID, BootID: boot, Start: start, Planned: end - start, Positions: []ingest.PositionOn{{Channel: "tube1", Injector: 1}}}
	if err == nil {
		run, err = s.StartRun(ctx, run)
	}
	if err == nil && end > 0 {
		run.End = end
		err = s.EndRun(ctx, run.ID, end)
	}
	if err != nil {
		t.Fatal(err)
	}
	return run
}

// startedMinutes are the minutes in which chunks of the first channel begin.
func startedMinutes(chunks []ingest.WatchChunk) []int {
	var out []int
	for _, c := range chunks {
		if c.ChannelID == 1 {
			out = append(out, int(c.From/time.Minute))
		}
	}
	return out
}

func sequence(from, to int) []int {
	var out []int
	for i := from; i <= to; i++ {
		out = append(out, i)
	}
	return out
}

var allWatch = ingest.WatchQuery{Before: End, Limit: 10000}

// What a run touches is not the watch's, ten minutes before and after it included.
func TestWatchChunksLeaveRunsOut(t *testing.T) {
	for _, c := range []struct {
		name       string
		start, end time.Duration // of a run; 0, 0: none
		want       []int         // of minutes 0 to 59
	}{
		{"no run", -1, 0, sequence(0, 59)},
		{"a run", 30*time.Minute + time.Second, 33 * time.Minute, append(sequence(0, 19), sequence(44, 59)...)},
		// The last reading of minute 19 is at 19:59.5.
		{"the margin's first microsecond", 29*time.Minute + 59*time.Second + 500*time.Millisecond, 33 * time.Minute, append(sequence(0, 18), sequence(44, 59)...)},
		{"one later", 29*time.Minute + 59*time.Second + 501*time.Millisecond, 33 * time.Minute, append(sequence(0, 19), sequence(44, 59)...)},
		{"the end, on a minute", 40 * time.Minute, 45*time.Minute - time.Microsecond, append(sequence(0, 29), sequence(55, 59)...)},
		{"under way", 40 * time.Minute, 0, sequence(0, 29)},
		{"from the boot's start", 0, time.Minute, sequence(12, 59)},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := mustOpen(t, filepath.Join(t.TempDir(), "a.db"))
			boot := mustBoot(t, s, 2)
			minutes(t, s, boot.ID, 0, 61) // the last is still a tail
			if c.start >= 0 {
				aRun(t, s, boot.ID, "Tractor 3", c.start, c.end)
			}
			got := no(s.WatchChunks(t.Context(), allWatch))(t)
			if !slices.Equal(startedMinutes(got), c.want) {
				t.Errorf("minutes %v, want %v", startedMinutes(got), c.want)
			}
			if len(got) != 2*len(c.want) {
				t.Errorf("%d chunks of two channels, want %d", len(got), 2*len(c.want))
			}
			for i, x := range got {
				if x.Samples != 120 || x.Bytes < 100 || x.To-x.From != 59500*time.Millisecond || i > 0 && x.From < got[i-1].From {
					t.Errorf("chunk %+v", x)
				}
			}
		})
	}
}

// A run of one boot keeps nothing of another, and the chunks of all boots come in order,
// some at a time.
func TestWatchChunksInOrder(t *testing.T) {
	s := mustOpen(t, filepath.Join(t.TempDir(), "a.db"))
	for range 2 {
		minutes(t, s, mustBoot(t, s, 2).ID, 0, 31)
	}
	aRun(t, s, 2, "Sprayer 1", 0, time.Minute)
	all := no(s.WatchChunks(t.Context(), allWatch))(t)
	if len(all) != 2*31+2*18 { // the first boot's tail became a chunk
		t.Fatalf("%d chunks", len(all))
	}
	var pieces []ingest.WatchChunk
	for q := (ingest.WatchQuery{Before: End, Limit: 7}); ; q.After = pieces[len(pieces)-1] {
		some := no(s.WatchChunks(t.Context(), q))(t)
		if len(some) == 0 {
			break
		}
		pieces = append(pieces, some...)
	}
	if !slices.Equal(pieces, all) {
		t.Error("asked for seven at a time they are others")
	}
	second := no(s.WatchChunks(t.Context(), ingest.WatchQuery{BootID: 2, Before: 20 * time.Minute, Limit: 1000}))(t)
	if got := startedMinutes(second); !slices.Equal(got, sequence(12, 19)) {
		t.Errorf("before 20 minutes in boot 2: %v", got)
	}
	if none := no(s.WatchChunks(t.Context(), ingest.WatchQuery{BootID: 3, Before: End, Limit: 9}))(t); len(none) != 0 {
		t.Errorf("a boot that is not there has %v", none)
	}
}

// Deleted raw samples are gone, noted, and their room is used again; summaries, runs and
// what came to belong to a run meanwhile stay.
func TestDeleteWatchRaw(t *testing.T) {
	ctx := t.Context()
	s := mustOpen(t, filepath.Join(t.TempDir(), "a.db"))
	boot := mustBoot(t, s, 2)
	minutes(t, s, boot.ID, 0, 121)
	run := aRun(t, s, boot.ID, "Tractor 3", 60*time.Minute+time.Second, 61*time.Minute)
	before := no(s.RunSeries(ctx, run))(t)
	chunks := no(s.WatchChunks(ctx, allWatch))(t)
	stats := no(s.Stats(ctx))(t)
	aRun(t, s, boot.ID, "Tractor 4", 110*time.Minute+time.Second, 0) // begins after the list was made

	sum := no(s.DeleteWatchRaw(ctx, ingest.RuleAge, day, chunks))(t)
	// Minutes 0 to 49 and 72 to 99; 50 to 71 and 100 to 119 belong to runs.
	if sum.Chunks != 2*(50+28) || sum.Samples != int64(sum.Chunks)*120 {
		t.Errorf("deleted %+v", sum)
	}
	if got := no(s.Samples(ctx, boot.ID, "tube2", 0, 50*time.Minute))(t); len(got) != 0 {
		t.Errorf("%d samples of what was deleted", len(got))
	}
	if got := no(s.Samples(ctx, boot.ID, "tube2", 0, End))(t); len(got) != (22+21)*120 {
		t.Errorf("%d samples are left, want %d", len(got), 43*120)
	}
	same(t, "the run's samples", no(s.RunSeries(ctx, run))(t), before)
	after := no(s.Stats(ctx))(t)
	if after.Samples != stats.Samples || after.Chunks != stats.Chunks || after.DataBytes != stats.DataBytes-sum.Bytes {
		t.Errorf("summaries: %+v before, %+v after deleting %d bytes", stats, after, sum.Bytes)
	}
	note := ingest.RawDeleted{BootID: boot.ID, Rule: ingest.RuleAge, FirstAt: day, LastAt: day, From: 0, To: 100*time.Minute - 500*time.Millisecond,
		Chunks: sum.Chunks, Samples: sum.Samples, Bytes: sum.Bytes}
	same(t, "note", no(s.RawDeleted(ctx, 0))(t), []ingest.RawDeleted{note})

	// Again: nothing is left to delete, and nothing is counted twice.
	if again := no(s.DeleteWatchRaw(ctx, ingest.RuleSpace, day.Add(time.Hour), chunks))(t); again.Chunks != 0 || again.Bytes != 0 {
		t.Errorf("deleted twice: %+v", again)
	}
	same(t, "note", no(s.RawDeleted(ctx, boot.ID))(t), []ingest.RawDeleted{note})
	same(t, "another boot", no(s.RawDeleted(ctx, boot.ID+1))(t), []ingest.RawDeleted(nil))

	// The freed pages are used before the file grows.
	room := no(s.Room(ctx))(t)
	if room.FreeBytes < sum.Bytes/2 {
		t.Errorf("%d bytes deleted, %d are free in the file", sum.Bytes, room.FreeBytes)
	}
	minutes(t, s, boot.ID, 121, 30)
	then := no(s.Room(ctx))(t)
	if then.FreeBytes+then.UsedBytes != room.FreeBytes+room.UsedBytes || then.UsedBytes <= room.UsedBytes {
		t.Errorf("the file grew although it had room: %+v, then %+v", room, then)
	}
	if sums := no(s.DeleteWatchRaw(ctx, ingest.RuleAge, day, nil))(t); sums.Chunks != 0 {
		t.Errorf("nothing to delete: %+v", sums)
	}
	_, err := s.DeleteWatchRaw(ctx, ingest.RuleAge, time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC), nil)
	if !errors.Is(err, ErrConflict) || !strings.Contains(err.Error(), "year 10000") {
		t.Errorf("the year 10000: %v", err)
	}
	ended, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := s.DeleteWatchRaw(ended, ingest.RuleAge, day, chunks); !errors.Is(err, context.Canceled) {
		t.Errorf("after the context's end: %v", err)
	}
}

func TestWatchStops(t *testing.T) {
	ctx := t.Context()
	s := mustOpen(t, filepath.Join(t.TempDir(), "a.db"))
	boot := mustBoot(t, s, 1)
	first := no(s.StopWatch(ctx, boot.ID, 5*time.Second, "3 MB were left"))(t)
	if err := s.ResumeWatch(ctx, first, 9*time.Second); err != nil {
		t.Fatal(err)
	}
	no(s.StopWatch(ctx, boot.ID, 20*time.Second, "2 MB were left"))(t)
	same(t, "stops", no(s.WatchStops(ctx, 0))(t), []ingest.WatchStop{
		{BootID: boot.ID, From: 5 * time.Second, To: 9 * time.Second, Why: "3 MB were left"},
		{BootID: boot.ID, From: 20 * time.Second, To: End, Why: "2 MB were left"},
	})
	if err := s.ResumeWatch(ctx, 99, 0); !errors.Is(err, ErrNotFound) || !strings.Contains(err.Error(), "no stop 99") {
		t.Errorf("no such stop: %v", err)
	}
	if _, err := s.StopWatch(ctx, 77, 0, ""); !errors.Is(err, ErrConflict) {
		t.Errorf("no such boot: %v", err)
	}
	if under := no(s.RunUnderWay(ctx, boot.ID))(t); under {
		t.Error("a run is under way in an empty store")
	}
	run := aRun(t, s, boot.ID, "Pickup 2", time.Second, 0)
	if under := no(s.RunUnderWay(ctx, boot.ID))(t); !under {
		t.Error("a run without an end is not under way")
	}
	if err := s.EndRun(ctx, run.ID, 2*time.Second); err != nil {
		t.Fatal(err)
	}
	if under := no(s.RunUnderWay(ctx, boot.ID))(t); under {
		t.Error("a run that has ended is under way")
	}
}

// Two starts of a board without a clock, both in 1970. The correction of the second moves
// its own test, by its own amount, and no other.
func TestCorrectBootMovesItsTests(t *testing.T) {
	ctx := t.Context()
	s := mustOpen(t, filepath.Join(t.TempDir(), "a.db"))
	wall := time.Unix(12, 0).UTC()
	engine := no(s.AddEngine(ctx, ingest.Engine{Label: "Tractor 3", Injectors: 1, DistanceUnit: "h", InjectorType: "solenoid"}))(t)
	begin := func(boot int64, label string, at time.Time, runs bool) {
		t.Helper()
		id := no(s.AddTest(ctx, ingest.Test{EngineID: engine, Label: label, Phase: "baseline", At: at}))(t)
		if !runs {
			return
		}
		h := no(s.AddHanging(ctx, ingest.Hanging{TestID: id}))(t)
		run := no(s.StartRun(ctx, ingest.Run{TestID: id, HangingID: h.ID, BootID: boot, Start: 50 * time.Second}))(t)
		if err := s.EndRun(ctx, run.ID, 90*time.Second); err != nil {
			t.Fatal(err)
		}
	}
	at := wall.Add(40 * time.Second)
	typed := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	for boot := int64(1); boot <= 2; boot++ {
		no(s.NewBoot(ctx, wall, tubes(1)))(t)
		begin(boot, []string{"", "first", "second"}[boot], at, true)
	}
	begin(2, "dated by hand", typed, true)
	begin(2, "not begun", at.Add(20*time.Second), false)
	begin(2, "at zero", wall, true)

	found := time.Date(2026, 4, 9, 7, 30, 0, 0, time.UTC)
	if err := s.CorrectBoot(ctx, 2, ingest.ClockCorrection{Wall: found, Who: "clock watch", Why: "synchronised", At: 3 * time.Minute}); err != nil {
		t.Fatal(err)
	}
	// And once more, by an hour, after the boot's end.
	if err := s.CorrectBoot(ctx, 2, ingest.ClockCorrection{Wall: found.Add(-time.Hour), Who: "the storekeeper", Why: "it was summer time"}); err != nil {
		t.Fatal(err)
	}
	for label, want := range map[string]time.Time{
		"first": at, "second": found.Add(40*time.Second - time.Hour), "dated by hand": typed,
		"not begun": found.Add(60*time.Second - time.Hour), "at zero": found.Add(-time.Hour),
	} {
		if got := no(s.Test(ctx, label))(t).At; !got.Equal(want) {
			t.Errorf("test %q at %v, want %v", label, got, want)
		}
	}
	same(t, "boots", no(s.Boots(ctx))(t), []ingest.Boot{{ID: 1, Wall: wall, Stored: wall}, {ID: 2, Wall: found.Add(-time.Hour), Stored: wall}})
	cs := no(s.Corrections(ctx, 2))(t)
	same(t, "corrections", cs, []ingest.ClockCorrection{
		{Was: wall, Wall: found, Who: "clock watch", Why: "synchronised", At: 3 * time.Minute},
		{Was: found, Wall: found.Add(-time.Hour), Who: "the storekeeper", Why: "it was summer time"},
	})
	if cs[1].By() != -time.Hour || cs[0].By() != found.Sub(wall) {
		t.Errorf("by %v and %v", cs[0].By(), cs[1].By())
	}
	// A time that cannot be kept changes nothing.
	for name, to := range map[string]time.Time{"before the year 1": time.Date(0, 1, 1, 0, 0, 0, 0, time.UTC), "a test would leave the calendar": time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC)} {
		if err := s.CorrectBoot(ctx, 2, ingest.ClockCorrection{Wall: to}); !errors.Is(err, ErrConflict) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if got := no(s.Corrections(ctx, 2))(t); len(got) != 2 {
		t.Errorf("a refused correction was kept: %+v", got)
	}
}

// A year's store has millions of chunks: the watch's oldest are found by the index, and
// reading a channel does not use it.
func TestWatchChunksUseTheIndex(t *testing.T) {
	s := mustOpen(t, filepath.Join(t.TempDir(), "a.db"))
	for query, index := range map[string]string{
		`SELECT id FROM chunk c WHERE c.raw AND c.boot >= 1 AND (c.boot, c.first_us, c.channel, c.id) > (1, 2, 3, 4) AND c.last_us < 9 AND ` + notOfRun + ` ORDER BY c.boot, c.first_us, c.channel, c.id LIMIT 5`: "chunk_raw",
		`SELECT id FROM chunk c WHERE c.raw AND c.boot = 1 AND (c.boot, c.first_us, c.channel, c.id) > (1, 2, 3, 4) AND c.last_us < 9 AND ` + notOfRun + ` ORDER BY c.boot, c.first_us, c.channel, c.id LIMIT 5`:  "chunk_raw",
		`SELECT id, first_us, last_us, first_seq, n FROM chunk WHERE channel = 1 AND boot = 1 AND first_us < 9 AND first_us > 2 AND last_us >= 3 AND raw ORDER BY first_us, id`:                                   "PRIMARY KEY",
	} {
		plan, err := list(t.Context(), s.db, func(row *sql.Rows) (text string, err error) {
			var id, parent, unused int
			return text, row.Scan(&id, &parent, &unused, &text)
		}, "EXPLAIN QUERY PLAN "+query)
		if err != nil {
			t.Fatal(err)
		}
		if all := strings.Join(plan, "; "); !strings.Contains(all, index) || strings.Contains(all, "TEMP B-TREE") || strings.Contains(all, "SCAN c") {
			t.Errorf("%s\nis done by %s, want by %s", query, all, index)
		}
	}
}

// A recording that was taken in from a file is not the watch's, also where no run of it is,
// and its boot is none of the bench's.
func TestImportsAreNotTheWatch(t *testing.T) {
	ctx := t.Context()
	s := mustOpen(t, filepath.Join(t.TempDir(), "a.db"))
	minutes(t, s, mustBoot(t, s, 2).ID, 0, 3)
	var samples []rig.Sample
	for i := range 3600 {
		samples = append(samples, rig.Sample{Seq: uint64(i), Reading: rig.Reading{Elapsed: time.Duration(i) * time.Second, Counts: int32(i)}})
	}
	_, err := s.ImportCurves(ctx, ingest.Import{File: "curves.csv", SHA256: "ab", At: day, Program: "test"}, ingest.ImportedCurves{
		Engine: ingest.Engine{Label: "Sprayer 2", Injectors: 1, DistanceUnit: "h", InjectorType: "solenoid"},
		Test:   ingest.Test{Label: "old", Phase: "baseline"}, Wall: day,
		Channels: []ingest.ImportedChannel{{Channel: rig.Channel{Name: "a", CapacityML: 100}, Samples: samples, Head: "h", Whole: "w",
			Calibration: ingest.Calibration{CountsPerGram: 1, DF: 1, Unit: ingest.UnitG}}},
		Runs: []ingest.Run{{Number: 1, Start: 0, End: time.Minute, Positions: []ingest.PositionOn{{Channel: "a", Injector: 1}}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	mustBoot(t, s, 2) // seals the tails
	got := no(s.WatchChunks(ctx, allWatch))(t)
	if len(got) != 6 || slices.ContainsFunc(got, func(c ingest.WatchChunk) bool { return c.BootID != 1 }) {
		t.Errorf("the watch's chunks: %+v", got)
	}
	boots := no(s.WatchBoots(ctx))(t)
	if len(boots) != 2 || boots[0].ID != 1 || boots[1].ID != 3 || !boots[0].Wall.Equal(day) {
		t.Errorf("the bench's boots: %+v", boots)
	}
}

// noDisk is a disk with no room at all.
type noDisk struct{}

func (noDisk) Free() (int64, error) { return 0, nil }
func (noDisk) String() string       { return "a full card" }

// While a keeper deletes all that it may, a recorder beside it loses nothing, and what a run
// needs is whole.
func TestKeeperBesideARecorder(t *testing.T) {
	ctx := t.Context()
	s := mustOpen(t, filepath.Join(t.TempDir(), "a.db"))
	old := mustBoot(t, s, 2)
	minutes(t, s, old.ID, 0, 120)
	run := aRun(t, s, old.ID, "Tractor 3", 30*time.Minute+time.Second, 31*time.Minute)
	whole := no(s.RunSeries(ctx, run))(t)
	boot := mustBoot(t, s, 2)
	clock := rig.NewSystemClock()
	k := ingest.NewKeeper(ingest.KeeperOptions{Store: s, Disk: noDisk{}, BootID: boot.ID, Clock: clock, Boot: clock,
		Limits: ingest.KeepLimits{Thin: ingest.Threshold{FreeBytes: 1 << 40}}})
	rec := ingest.NewRecorder(s, boot.ID, ingest.RecorderOptions{})
	sink := k.Sink(rec)
	looked := make(chan struct{})
	go func() {
		defer close(looked)
		k.Look(ctx)
	}()
	const n = 6000 // 50 minutes at 2 readings a second
	for i := range n {
		if err := sink.Put([]rig.Sample{{Channel: i % 2, Seq: uint64(i / 2), Reading: rig.Reading{Elapsed: time.Duration(i/2) * time.Second, Counts: int32(i)}}}); err != nil {
			t.Fatal(err)
		}
	}
	<-looked
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
	for _, tube := range []string{"tube1", "tube2"} {
		if got := no(s.Samples(ctx, boot.ID, tube, 0, End))(t); len(got) != n/2 {
			t.Errorf("%s: %d of %d samples", tube, len(got), n/2)
		}
	}
	same(t, "the run's samples", no(s.RunSeries(ctx, run))(t), whole)
	left := no(s.WatchChunks(ctx, ingest.WatchQuery{BootID: old.ID, Before: End, Limit: 9}))(t)
	if d := k.Status().Deleted[1]; len(left) != 0 || d.Chunks != 2*(120-22) {
		t.Errorf("deleted %+v; left of the watch %+v", d, left)
	}
	if v := no(Verify(ctx, s.Path()))(t); len(v.Damaged) != 0 || v.Thinned != 2*(120-22) {
		t.Errorf("verify: %+v", v)
	}
}
