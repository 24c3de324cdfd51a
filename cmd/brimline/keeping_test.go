package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
)

// smallDisk has so many bytes beside what is left to the log.
type smallDisk int64

func (d smallDisk) Free() (int64, error) { return int64(d) + ingest.LogReserve, nil }
func (d smallDisk) String() string       { return "a small card" }

// testOn runs a test of two runs on a disk; the command's error and what it said.
func testOn(t *testing.T, dir string, disk ingest.Disk) (error, string) {
	t.Helper()
	c := newFittedTestCommand(nil, disk)
	var errs bytes.Buffer
	c.SetArgs([]string{"--sim", "--data", dir, "--engine", "Sprayer 1", "--injectors", "2", "--injector-type", "solenoid", "--yes", "--config", benchFile(t), "--runs", "2", "--json"})
	c.SetOut(io.Discard)
	c.SetErr(&errs)
	c.SilenceUsage, c.SilenceErrors = true, true
	return c.ExecuteContext(t.Context()), errs.String()
}

// A test that does not fit on the disk is refused before anything is kept; raw readings of
// the watch make way for one.
func TestTestThatDoesNotFit(t *testing.T) {
	dir := t.TempDir()
	err, said := testOn(t, dir, smallDisk(0))
	if !errors.Is(err, ingest.ErrNoRoom) {
		t.Fatalf("ended with %v", err)
	}
	for _, word := range []string{"2 runs", "needs up to 2.", "for the store at a small card", "delete or move other files"} {
		if !strings.Contains(err.Error(), word) {
			t.Errorf("%q does not say %q", err, word)
		}
	}
	if strings.Contains(said, "Take care") {
		t.Errorf("it asked first:\n%s", said)
	}
	st, err := openStore(t.Context(), dir, true)
	if err != nil {
		t.Fatal(err)
	}
	tests, err := st.Tests(t.Context(), 0)
	engines, err2 := st.Engines(t.Context())
	if err != nil || err2 != nil || len(tests)+len(engines) > 0 {
		t.Errorf("kept %v, %v; %v, %v", tests, engines, err, err2)
	}
	// Some hours of a watch lie in the file.
	boot, err := st.NewBoot(t.Context(), time.Date(2026, 4, 9, 7, 30, 0, 0, time.UTC), []rig.Channel{{Name: "tube1", CapacityML: 100}})
	if err != nil {
		t.Fatal(err)
	}
	noise := uint32(1)
	for minute := range 240 {
		samples := make([]rig.Sample, 4800)
		for i := range samples {
			k := minute*len(samples) + i
			noise = noise*1664525 + 1013904223
			samples[i] = rig.Sample{Seq: uint64(k), Reading: rig.Reading{Elapsed: time.Duration(k) * 12500 * time.Microsecond, Counts: int32(noise >> 9)}}
		}
		if err := st.Append(t.Context(), boot.ID, samples); err != nil {
			t.Fatal(err)
		}
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	if err, said := testOn(t, dir, smallDisk(0)); err != nil {
		t.Fatalf("no room was made: %v\n%s", err, said)
	}
	r, err := store.OpenRead(t.Context(), filepath.Join(dir, simStore))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	gone, err := r.RawDeleted(t.Context(), 0)
	if err != nil || len(gone) != 1 || gone[0].Rule != ingest.RuleSpace || gone[0].BootID != boot.ID || gone[0].From != 0 || gone[0].Chunks == 0 || gone[0].Chunks > 239 {
		t.Errorf("deleted %+v, %v", gone, err)
	}
	tests, err = r.Tests(t.Context(), 0)
	if err != nil || len(tests) != 1 {
		t.Fatalf("%v, %v", tests, err)
	}
	if runs, err := r.Runs(t.Context(), tests[0].ID); err != nil || len(runs) != 2 {
		t.Errorf("%v, %v", runs, err)
	}
}

// The daemon tells of its room and its clock, and stops the watch where there is none.
func TestServeWithoutRoom(t *testing.T) {
	t.Setenv("BRIMLINE_STORE_WARN_FREE_MB", "1e9") // a thousand TB: more than any disk here
	t.Setenv("BRIMLINE_STORE_THIN_FREE_MB", "1e9")
	t.Setenv("BRIMLINE_STORE_STOP_FREE_MB", "1e9")
	s := startServe(t, "--sim", "--data", t.TempDir(), "--listen", "127.0.0.1:0")
	v := waitFor(t, s.url, "stop of the watch", func(v liveState) bool { return allMeasure(v) && !v.Store.OK })
	if !strings.Contains(v.Store.Says, "the watch is stopped for want of room") || v.Failed != "" {
		t.Errorf("store %+v, failed %q", v.Store, v.Failed)
	}
	get := func(path string) []byte {
		t.Helper()
		resp, err := http.Get(s.url + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return body
	}
	var state struct {
		Room struct {
			Level         string
			WatchRecorded bool   `json:"watch_recorded"`
			RoomBytes     *int64 `json:"room_bytes"`
		}
		Clock struct{ Known bool }
	}
	if err := json.Unmarshal(get("/api/v1/state"), &state); err != nil {
		t.Fatal(err)
	}
	if state.Room.Level != "stopped" || state.Room.WatchRecorded || state.Room.RoomBytes == nil || *state.Room.RoomBytes <= 0 || !state.Clock.Known {
		t.Errorf("state %+v", state)
	}
	text := string(get("/metrics"))
	for _, line := range []string{"brimline_store_room_level 3\n", "brimline_watch_recorded 0\n", "brimline_store_room_bytes ", "brimline_clock_known 1\n",
		"brimline_samples_skipped_total ", `brimline_raw_samples_deleted_total{rule="age"} 0`, "brimline_clock_corrections_total 0\n"} {
		if !strings.Contains(text, line) {
			t.Errorf("/metrics has no %q", line)
		}
	}
	if code := s.end(t); code != exitDone {
		t.Fatalf("exit %d: %s", code, s.stderr)
	}
	r, err := store.OpenRead(t.Context(), s.store)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	stops, err := r.WatchStops(t.Context(), 1)
	if err != nil || len(stops) != 1 || stops[0].To != store.End || !strings.Contains(stops[0].Why, "of room were left") {
		t.Errorf("stops %+v, %v", stops, err)
	}
	if n := strings.Count(s.stderr.String(), "stopped for want of room"); n != 1 {
		t.Errorf("said %d times:\n%s", n, s.stderr)
	}
}

func TestKeepLimits(t *testing.T) {
	got := keepLimits(config.Store{WatchDays: 0.5, WarnFreeMB: 1000, ThinFreeMB: 1.5, StopFreeMB: 0, WarnLeftH: 168, ThinLeftH: 0.25})
	want := ingest.KeepLimits{WatchFor: 12 * time.Hour, Warn: ingest.Threshold{FreeBytes: 1e9, Left: 168 * time.Hour},
		Thin: ingest.Threshold{FreeBytes: 1.5e6, Left: 15 * time.Minute}}
	if got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	if most := keepLimits(config.Store{WatchDays: 36500, WarnFreeMB: 1e9, WarnLeftH: 87600}); most.WatchFor <= 0 || most.Warn.FreeBytes <= 0 || most.Warn.Left <= 0 {
		t.Errorf("the most that a config may say: %+v", most)
	}
	for want, c := range map[string]config.Store{
		"of the watch for ever; room left: warns at never, thins the watch at never, stops it at never":            {},
		"of the watch 365 days; room left: warns at 1000 MB or 168 h, thins the watch at 24 h, stops it at 200 MB": {WatchDays: 365, WarnFreeMB: 1000, WarnLeftH: 168, ThinLeftH: 24, StopFreeMB: 200},
	} {
		if got := keptWords(c); got != "raw readings of runs for ever, "+want {
			t.Errorf("%+v is %q", c, got)
		}
	}
	channels := []config.Channel{{Sensor: "hx711", SPS: 80}, {Sensor: "hx711", SPS: 80}}
	if need := runNeed(channels, 3*time.Minute, 5*time.Second, 10*time.Minute); need != 160*4*int64((180+10+600+20+60+600))+1<<20 {
		t.Errorf("a run needs %d bytes", need)
	}
}

// A run of a start whose clock was never set says so beside its rates, once for all runs of
// it; a correction afterwards takes that away and dates the test anew.
func TestRatesOfAStartIn1970(t *testing.T) {
	dir := t.TempDir()
	if err, said := testOn(t, dir, smallDisk(1e9)); err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	warnings := func() (found int) {
		t.Helper()
		var out, errs bytes.Buffer
		if code := run(t.Context(), []string{"rates", "T1", "--data", dir, "--json"}, nil, &out, &errs); code != exitDone {
			t.Fatalf("exit %d: %s", code, &errs)
		}
		var v struct{ Warnings []string }
		if err := json.Unmarshal(out.Bytes(), &v); err != nil {
			t.Fatal(err)
		}
		for _, w := range v.Warnings {
			if strings.Contains(w, "clock not set: the board's start 1 began on 1970-01-01") {
				found++
			}
		}
		return found
	}
	if n := warnings(); n != 0 {
		t.Errorf("%d warnings of a clock that is right", n)
	}
	set := func(wall time.Time) ingest.Test {
		t.Helper()
		st, err := openStore(t.Context(), dir, true)
		if err != nil {
			t.Fatal(err)
		}
		defer st.Close()
		if err := st.CorrectBoot(t.Context(), 1, ingest.ClockCorrection{Wall: wall, Who: "the storekeeper", Why: "a test"}); err != nil {
			t.Fatal(err)
		}
		test, err := st.Test(t.Context(), "T1")
		if err != nil {
			t.Fatal(err)
		}
		return test
	}
	if test := set(time.Unix(8, 0)); test.At.Year() != 1970 {
		t.Errorf("the test is dated %v", test.At)
	}
	if n := warnings(); n != 1 {
		t.Errorf("%d warnings of two runs in 1970", n)
	}
	found := time.Date(2026, 4, 9, 7, 30, 0, 0, time.UTC)
	if test := set(found); test.At.Before(found) || test.At.After(found.Add(time.Minute)) {
		t.Errorf("the test is dated %v", test.At)
	}
	if n := warnings(); n != 0 {
		t.Errorf("%d warnings after the correction", n)
	}
	imported := ingest.Run{BootID: 1, Positions: []ingest.PositionOn{{Channel: "import1:a", Injector: 1}}}
	if doubt := clockDoubt([]ingest.Boot{{ID: 1, Wall: time.Unix(0, 0)}}, imported); doubt != "" {
		t.Errorf("a recording from a file: %s", doubt)
	}
}
