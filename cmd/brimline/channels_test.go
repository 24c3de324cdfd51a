package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
	"brimline/rig/simbench"
)

// channelsOf runs `channels` on the simulated bench and returns what it prints and its
// exit code.
func channelsOf(t *testing.T, o channelsOptions) (string, int) {
	t.Helper()
	o.sim, o.now = true, func() time.Time { return time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC) }
	if o.every == 0 {
		o.every = channelsEvery
	}
	if o.length == 0 {
		o.length = 10 * time.Second
	}
	if o.data == "" {
		o.data = t.TempDir()
	}
	var out, errs bytes.Buffer
	err := runChannels(t.Context(), o, &out, &errs)
	code := exitDone
	var coded *codedError
	switch {
	case errors.As(err, &coded):
		code = coded.code
	case err != nil:
		t.Fatal(err)
	}
	if errs.Len() > 0 {
		t.Errorf("standard error: %s", &errs)
	}
	return out.String(), code
}

func TestChannelsOfASoundBench(t *testing.T) {
	got, code := channelsOf(t, channelsOptions{length: 6 * time.Minute})
	if code != exitDone {
		t.Errorf("exit %d", code)
	}
	golden(t, "channels_sound.txt", []byte(got))
}

// faultyBench has one channel unplugged from the start, one whose converter hangs, and
// one that repeats its code; the others are sound.
func faultyBench(b *bench) error {
	if err := b.sim.SetFault(0, simbench.Fault{Unplugged: true}); err != nil {
		return err
	}
	var n discard
	if err := rig.Acquire(context.Background(), b.sensors, &n, rig.AcquireOptions{Until: b.clock.Now() + 2*time.Second}); err != nil {
		return err
	}
	return errors.Join(b.sim.SetFault(2, simbench.Fault{Hung: true}), b.sim.SetFault(4, simbench.Fault{Stuck: true}))
}

type discard int

func (d *discard) Put(s []rig.Sample) error { *d += discard(len(s)); return nil }

func TestChannelsWithFaults(t *testing.T) {
	got, code := channelsOf(t, channelsOptions{prepare: faultyBench})
	if code != exitFlagged {
		t.Errorf("exit %d, want %d", code, exitFlagged)
	}
	golden(t, "channels_faults.txt", []byte(got))
}

// On one clock line the sound channels go on beside those that are not.
func TestChannelsOnASharedClockWithFaults(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "bench.toml")
	text := "[bench]\nname = 'one clock line'\n"
	for i, name := range []string{"a", "b", "c", "d", "e", "f"} {
		text += "[[channel]]\nname = '" + name + "'\nclock_pin = 5\ndata_pin = " + string(rune('1'+i)) + "0\nsps = 80\n"
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	got, code := channelsOf(t, channelsOptions{config: path, prepare: faultyBench, asJSON: true})
	if code != exitFlagged {
		t.Errorf("exit %d, want %d", code, exitFlagged)
	}
	var r channelsReport
	if err := json.Unmarshal([]byte(got), &r); err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"unplugged", "ok", "stalled", "ok", "stuck", "ok"} {
		c := r.Channels[i]
		if c.State != want || (c.Reason == "") != (want == "ok") {
			t.Errorf("channel %s is %s (%q), want %s", c.Name, c.State, c.Reason, want)
		}
		if want == "ok" && (c.Readings["good"] < 600 || c.WhiteMg == nil || c.Gaps > 0) {
			t.Errorf("channel %s is ok, yet %+v", c.Name, c)
		}
		if !strings.HasPrefix(c.Sensor, "6 HX711 on clock pin") {
			t.Errorf("channel %s is on %q", c.Name, c.Sensor)
		}
	}
}

func TestChannelsJSON(t *testing.T) {
	dir := t.TempDir()
	st, err := store.Open(t.Context(), filepath.Join(dir, simStore), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2025, 4, 5, 0, 0, 0, 0, time.UTC)
	for name, certificate := range map[string]string{"tube1": `{"due":"2026-04-05T00:00:00Z"}`, "tube2": `{"due":"2027-04-05T00:00:00Z"}`, "tube3": "{}"} {
		if _, err := st.AddCalibration(t.Context(), ingest.Calibration{Channel: name, At: at, CountsPerGram: 1000, Certificate: []byte(certificate)}); err != nil {
			t.Fatal(err)
		}
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
	got, code := channelsOf(t, channelsOptions{data: dir, asJSON: true, length: 40 * time.Second})
	var r channelsReport
	if err := json.Unmarshal([]byte(got), &r); err != nil || code != exitDone {
		t.Fatalf("exit %d, %v: %s", code, err, got)
	}
	if r.Schema != "brimline/channels/1" || !r.OK || !r.Simulated || len(r.Channels) != 6 {
		t.Errorf("%+v", r)
	}
	for i, want := range []string{"2025-04-05, overdue since 2026-04-05", "2025-04-05, due 2027-04-05", "2025-04-05", "simulated"} {
		c := r.Channels[i]
		if got := c.Calibration.text(); got != want {
			t.Errorf("%s is calibrated %q, want %q", c.Name, got, want)
		}
		// The simulated white noise at 10 SPS is 60 counts; 400 readings tell it to a tenth.
		if w := *c.WhiteCounts; w < 50 || w > 70 || i < 3 && *c.WhiteMg != w {
			t.Errorf("%s: white noise %v counts, %v mg; want about 60 and as many", c.Name, w, *c.WhiteMg)
		}
		if len(c.Allan) != 3 || c.Allan[0].Counts == nil || c.Allan[1].Counts == nil || c.Allan[2].Counts != nil {
			t.Errorf("%s: %+v, want 1 and 10 s of 40 s and no 100 s", c.Name, c.Allan)
		}
		// 10 to 12 readings make an average of 1 s: 60/√11.
		if a := *c.Allan[0].Counts; a < 12 || a > 25 {
			t.Errorf("%s: Allan deviation of 1 s %v counts, want about 18", c.Name, a)
		}
	}
}

func TestChannelsWatch(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 1500*time.Millisecond)
	defer cancel()
	var out, errs bytes.Buffer
	o := channelsOptions{sim: true, watch: true, asJSON: true, data: t.TempDir(), length: 10 * time.Second, now: time.Now, every: 300 * time.Millisecond}
	err := runChannels(ctx, o, &out, &errs)
	var coded *codedError
	if err != nil && !errors.As(err, &coded) {
		t.Fatal(err)
	}
	pictures := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(pictures) < 3 {
		t.Fatalf("%d pictures in 1.5 s, want one every 0.3 s:\n%s", len(pictures), &out)
	}
	var last channelsReport
	if err := json.Unmarshal([]byte(pictures[len(pictures)-1]), &last); err != nil {
		t.Fatal(err)
	}
	if last.ReadS < 0.5 || len(last.Channels) != 6 {
		t.Errorf("the last picture: %+v", last)
	}
}

func TestChannelsRefuses(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "bench.toml")
	if err := os.WriteFile(path, []byte("[[channel]]\nname = 'a'\nclock_pin = 5\ndata_pin = 6\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	refuse := func(code int, says string, args ...string) {
		t.Helper()
		var out, errs bytes.Buffer
		if got := run(t.Context(), append([]string{"channels"}, args...), strings.NewReader(""), &out, &errs); got != code || !strings.Contains(errs.String(), says) {
			t.Errorf("channels %q: exit %d, %q; want %d and %q", args, got, &errs, code, says)
		}
	}
	refuse(exitUsage, "neither --config nor --sim")
	refuse(exitUsage, "--for 1s: use 2s to 1h", "--sim", "--for", "1s")
	refuse(exitUsage, "unknown command", "--sim", "tube1")
	refuse(exitUsage, "no such file", "--config", filepath.Join(dir, "none.toml"))

	st, err := store.Open(t.Context(), filepath.Join(dir, realStore), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	refuse(exitFailed, "and with it the converters: see http://127.0.0.1:8461/", "--config", path, "--data", dir)
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
}

// watched fails on a channel that Health calls bad.
type watched struct {
	t      *testing.T
	health *rig.Health
}

func (w watched) Put(samples []rig.Sample) error {
	if err := w.health.Put(samples); err != nil {
		return err
	}
	for _, s := range samples {
		if h := w.health.Of(s.Channel, s.Elapsed); h.State.Bad() {
			w.t.Errorf("channel %d at %v: %v: %s", s.Channel, s.Elapsed, h.State, h.Reason)
		}
	}
	return nil
}

// A sound bench that fills, rests and empties its tubes raises no alarm.
func TestHealthIsQuietOnSoundRuns(t *testing.T) {
	for _, sps := range []int{10, 80} {
		cfg, err := serveConfig(serveOptions{sim: true})
		if err != nil {
			t.Fatal(err)
		}
		for i := range cfg.Channels {
			cfg.Channels[i].SPS = sps
		}
		b, err := openSimulated(cfg, 0)
		if err != nil {
			t.Fatal(err)
		}
		sink := watched{t, rig.NewHealth(healthChannels(cfg.Channels))}
		if err := rig.Acquire(t.Context(), b.sensors, sink, rig.AcquireOptions{Until: 200 * time.Second}); err != nil {
			t.Fatal(err)
		}
	}
}
