package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"brimline/cmd/brimline/serve"
	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
)

// started is a daemon that runs in this process.
type started struct {
	url, store string
	stop       context.CancelFunc
	code       chan int
	stderr     *bytes.Buffer // read it after code
}

// startServe runs `brimline serve` until its one line says that it is ready.
func startServe(t *testing.T, args ...string) started {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	r, w := io.Pipe()
	s := started{stop: stop, code: make(chan int, 1), stderr: &bytes.Buffer{}}
	go func() {
		s.code <- run(ctx, append([]string{"serve"}, args...), strings.NewReader(""), w, s.stderr)
		w.Close()
	}()
	line, err := bufio.NewReader(r).ReadString('\n')
	found := regexp.MustCompile(`at (http://127\.0\.0\.1:\d+)/, store (\S+), boot \d+`).FindStringSubmatch(line)
	if err != nil || found == nil {
		code := <-s.code
		t.Fatalf("serve %q said %q (%v), exit %d, %s", args, line, err, code, s.stderr)
	}
	s.url, s.store = found[1], found[2]
	t.Cleanup(stop)
	return s
}

// end stops the daemon as a signal would and returns its exit code.
func (s started) end(t *testing.T) int {
	t.Helper()
	s.stop()
	select {
	case code := <-s.code:
		return code
	case <-time.After(10 * time.Second):
		t.Fatal("the daemon goes on although it was told to end")
		return -1
	}
}

type liveState struct {
	Boot      int64
	Simulated bool
	Failed    string
	Channels  []struct {
		Name, State string
		Seq         *uint64
		MassG       *float64 `json:"mass_g"`
	}
	Store struct {
		OK     bool
		Stored uint64
		Says   string
	}
}

func stateOf(t *testing.T, url string) liveState {
	t.Helper()
	resp, err := http.Get(url + "/api/v1/state")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var v liveState
	if err := json.NewDecoder(resp.Body).Decode(&v); err != nil {
		t.Fatal(err)
	}
	return v
}

// waitFor asks for the state until it is as wanted.
func waitFor(t *testing.T, url, what string, ok func(liveState) bool) liveState {
	t.Helper()
	for begun := time.Now(); time.Since(begun) < 10*time.Second; time.Sleep(50 * time.Millisecond) {
		if v := stateOf(t, url); ok(v) {
			return v
		}
	}
	t.Fatalf("after 10 s there is still no %s: %+v", what, stateOf(t, url))
	return liveState{}
}

func allMeasure(v liveState) bool {
	for _, c := range v.Channels {
		if c.MassG == nil {
			return false
		}
	}
	return len(v.Channels) == 6
}

// Every sample that the page could show is in the store after a clean end, without a
// hole; a second start goes on with a boot of its own.
func TestServeLosesNothing(t *testing.T) {
	dir := t.TempDir()
	published := map[int64][]uint64{}
	var path string
	for boot := int64(1); boot <= 2; boot++ {
		s := startServe(t, "--sim", "--data", dir, "--listen", "127.0.0.1:0")
		path = s.store
		if boot == 1 {
			// Beside the running daemon: nobody else writes.
			var stderr bytes.Buffer
			if code := run(t.Context(), []string{"serve", "--sim", "--data", dir, "--listen", "127.0.0.1:0"}, nil, io.Discard, &stderr); code != exitFailed || !strings.Contains(stderr.String(), "holds the lock") {
				t.Errorf("a second daemon on one store: exit %d, %s", code, &stderr)
			}
			waitFor(t, s.url, "durable sample", func(v liveState) bool { return allMeasure(v) && v.Store.Stored > 0 })
		}
		v := waitFor(t, s.url, "mass of every tube", allMeasure)
		if v.Boot != boot || !v.Simulated {
			t.Errorf("boot %d, simulated %v; want boot %d, simulated", v.Boot, v.Simulated, boot)
		}
		for _, c := range v.Channels {
			published[boot] = append(published[boot], *c.Seq)
		}
		if code := s.end(t); code != exitDone {
			t.Fatalf("exit %d: %s", code, s.stderr)
		}
	}
	if filepath.Base(path) != "simulated.db" {
		t.Errorf("simulated readings are in %s, among real ones", path)
	}
	r, err := store.OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for boot, seqs := range published {
		for i, last := range seqs {
			samples, err := r.Samples(t.Context(), boot, fmt.Sprintf("tube%d", i+1), 0, store.End)
			if err != nil {
				t.Fatal(err)
			}
			for k, sample := range samples {
				if sample.Seq != uint64(k) {
					t.Fatalf("boot %d, tube%d: sample %d has number %d", boot, i+1, k, sample.Seq)
				}
			}
			if uint64(len(samples)) <= last {
				t.Errorf("boot %d, tube%d: number %d was shown, %d samples are stored", boot, i+1, last, len(samples))
			}
		}
	}
}

// failing is a store that takes a few batches and then none.
type failing struct {
	ingest.Appender
	left int
}

func (f *failing) Append(ctx context.Context, boot int64, samples []rig.Sample) error {
	if f.left--; f.left < 0 {
		return fmt.Errorf("store %d samples: %w", len(samples), store.ErrFull)
	}
	return f.Appender.Append(ctx, boot, samples)
}

// A store that fails is said on the page and by the exit.
func TestServeWhenTheDiskIsFull(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	cfg, err := config.Parse("example", config.Example)
	if err != nil {
		t.Fatal(err)
	}
	st, err := openStore(ctx, t.TempDir(), true)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	bench, err := openBench(cfg, true)
	if err != nil {
		t.Fatal(err)
	}
	var channels []rig.Channel
	for _, ch := range cfg.Channels {
		channels = append(channels, rig.Channel{Name: ch.Name, CapacityML: ch.CapacityML})
	}
	boot, err := st.NewBoot(ctx, bench.wall, channels)
	if err != nil {
		t.Fatal(err)
	}
	log := slog.New(slog.DiscardHandler)
	d := &daemon{cfg: cfg, store: st, bench: bench, log: log,
		recorder: ingest.NewRecorder(&failing{st, 2}, boot.ID, ingest.RecorderOptions{Interval: 200 * time.Millisecond})}
	d.server = serve.New(serve.Options{Boot: boot.ID, Channels: pageChannels(cfg.Channels, nil), Store: d.storeStatus, Log: log})
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx, ln, true) }()
	v := waitFor(t, "http://"+ln.Addr().String(), "failure", func(v liveState) bool { return v.Failed != "" })
	if v.Store.OK || !strings.Contains(v.Failed, "no space left") || !strings.Contains(v.Failed, "not kept") {
		t.Errorf("the page is told %q, store %+v", v.Failed, v.Store)
	}
	stop() // nobody waits for the rest of the page's last seconds
	select {
	case err := <-ended:
		if !errors.Is(err, store.ErrFull) {
			t.Errorf("ended with %v", err)
		}
	case <-time.After(10 * time.Second):
		t.Fatal("the daemon goes on")
	}
}

func TestServeUsage(t *testing.T) {
	bad := filepath.Join(t.TempDir(), "none.toml")
	for _, c := range []struct {
		name string
		args []string
		says string
	}{
		{"nothing given", nil, "neither --config nor --sim is given"},
		{"no door", []string{"--sim", "--listen", "0.0.0.0:8461"}, "no password yet"},
		{"no port", []string{"--sim", "--listen", "127.0.0.1"}, "must be written host:port"},
		{"no file", []string{"--config", bad}, "brimline config example"},
		{"extra word", []string{"now"}, "see 'brimline serve --help'"},
	} {
		var stderr bytes.Buffer
		if code := run(t.Context(), append([]string{"serve"}, c.args...), nil, io.Discard, &stderr); code != exitUsage || !strings.Contains(stderr.String(), c.says) {
			t.Errorf("%s: exit %d, %s", c.name, code, &stderr)
		}
	}
}

// A board that starts in 1970 measures by its newest calibration all the same.
func TestCalibrationsAreFoundWithoutAClock(t *testing.T) {
	ctx := t.Context()
	st, err := openStore(ctx, t.TempDir(), false)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	channels := []config.Channel{{Name: "tube1"}, {Name: "tube2"}}
	if _, err := st.NewBoot(ctx, time.Unix(30, 0), []rig.Channel{{Name: "tube1"}, {Name: "tube2"}}); err != nil {
		t.Fatal(err)
	}
	made := time.Date(2026, 4, 9, 7, 30, 0, 0, time.UTC)
	for days, zero := range []float64{100, 200} {
		if _, err := st.AddCalibration(ctx, ingest.Calibration{Channel: "tube1", At: made.AddDate(0, 0, days), Zero: zero, CountsPerGram: 2000}); err != nil {
			t.Fatal(err)
		}
	}
	got, err := currentCalibrations(ctx, st.Reader, channels)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 1 || got["tube1"].Zero != 200 {
		t.Errorf("got %+v, want tube1's second and no other", got)
	}
}

func TestServePortInUse(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	var stderr bytes.Buffer
	code := run(t.Context(), []string{"serve", "--sim", "--data", t.TempDir(), "--listen", ln.Addr().String()}, nil, io.Discard, &stderr)
	if code != exitFailed || !strings.Contains(stderr.String(), "is the daemon running already?") {
		t.Errorf("exit %d, %s", code, &stderr)
	}
}

// The finding of a minute's flow on the simulated pins, as fast as the machine goes,
// holds the simulator's truth.
func TestLiveFindingHoldsTheTruth(t *testing.T) {
	cfg, err := config.Parse("example", config.Example)
	if err != nil {
		t.Fatal(err)
	}
	cfg.Run.DurationS = 60
	high := 12.0
	cfg.Limits.HighMLPerMin = &high
	bench, st, boot, calibrations := calibratedBench(t, cfg)
	l := liveFinding{store: st.Reader, boot: boot.ID, clock: bench.clock, channels: cfg.Channels, calibrations: calibrations,
		density: densityOf(ingest.Fuel{DensityGPerML: cfg.Fuel.DensityGPerML, UDensity: cfg.Fuel.DensityU}), limits: cfg.Limits}

	if f, err := l.find(t.Context()); err != nil || f.Says != "" || len(f.Fills) != 0 {
		t.Errorf("before any sample: %+v, %v", f, err)
	}
	rec := ingest.NewRecorder(st, boot.ID, ingest.RecorderOptions{})
	if err := rig.Acquire(t.Context(), bench.sensors, rec, rig.AcquireOptions{Until: 75 * time.Second}); err != nil {
		t.Fatal(err)
	}
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := l.find(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if len(f.Fills) != 6 || !strings.Contains(f.Says, "One run is a first look") {
		t.Fatalf("finding %+v", f)
	}
	outside := 0
	for i, fill := range f.Fills {
		truth, err := bench.sim.Truth(i, 8*time.Second, 68*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		off := *fill.RateMLPerMin - truth.RateMLPerMin
		if off > *fill.U95MLPerMin || off < -*fill.U95MLPerMin {
			outside++
		}
		// The 95 % interval may miss now and then; four times its half width it may not.
		if off > 4**fill.U95MLPerMin || off < -4**fill.U95MLPerMin {
			t.Errorf("%s: %.3f ± %.3f mL/min, truth %.3f", fill.Channel, *fill.RateMLPerMin, *fill.U95MLPerMin, truth.RateMLPerMin)
		}
		over := false
		for _, flag := range fill.Flags {
			over = over || flag.Code == "above-own-limit"
		}
		if over != (*fill.RateMLPerMin > high) {
			t.Errorf("%s: %.2f mL/min, own limit %g, flags %+v", fill.Channel, *fill.RateMLPerMin, high, fill.Flags)
		}
	}
	if outside > 2 {
		t.Errorf("%d of 6 truths lie outside their 95 %% intervals", outside)
	}
}

// calibratedBench is a simulated bench of the config whose channels were just calibrated,
// and a boot of it in a store of its own.
func calibratedBench(t *testing.T, cfg *config.Config) (*bench, *store.Store, ingest.Boot, map[string]ingest.Calibration) {
	t.Helper()
	b, err := openSimulated(cfg, 0)
	if err != nil {
		t.Fatal(err)
	}
	st, err := openStore(t.Context(), t.TempDir(), true)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	var channels []rig.Channel
	for _, ch := range cfg.Channels {
		channels = append(channels, rig.Channel{Name: ch.Name, CapacityML: ch.CapacityML})
	}
	boot, err := st.NewBoot(t.Context(), b.wall, channels)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.calibrate(t.Context(), st, cfg.Channels); err != nil {
		t.Fatal(err)
	}
	calibrations, err := currentCalibrations(t.Context(), st.Reader, cfg.Channels)
	if err != nil {
		t.Fatal(err)
	}
	return b, st, boot, calibrations
}
