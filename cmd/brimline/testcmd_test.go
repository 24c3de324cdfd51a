package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"brimline/config"
	"brimline/ingest/store"
	"brimline/rig"
	"brimline/rig/simbench"
)

// benchFile writes a config of two tubes, changed as wanted, and returns its name.
func benchFile(t *testing.T, replace ...string) string {
	t.Helper()
	text := `[bench]
name = "test bench"
[[channel]]
name = "tube1"
clock_pin = 5
data_pin = 6
valve_pin = 9
[[channel]]
name = "tube2"
clock_pin = 12
data_pin = 13
valve_pin = 10
[run]
duration_s = 20
[fuel]
density_g_per_ml = 0.83
density_u = 0.0005
[outlets]
valve = "diverter"
heartbeat_pin = 4
alarm_pin = 26
`
	text = strings.NewReplacer(replace...).Replace(text)
	file := filepath.Join(t.TempDir(), "bench.toml")
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return file
}

// simTest runs `brimline test --sim` of a solenoid engine with two injectors.
func simTest(t *testing.T, dir string, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(t.Context(), append([]string{"test", "--sim", "--data", dir, "--engine", "Sprayer 1", "--injectors", "2",
		"--injector-type", "solenoid", "--yes"}, args...), strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

func testResult(t *testing.T, out string) testJSON {
	t.Helper()
	var v testJSON
	if err := json.Unmarshal([]byte(out), &v); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if v.Schema != testSchema {
		t.Errorf("schema %q", v.Schema)
	}
	return v
}

// A test as a person sees it: what it says meanwhile, then the rates. `rates` says the
// same of it afterwards.
func TestTestGolden(t *testing.T) {
	dir := t.TempDir()
	var both, errs bytes.Buffer
	args := []string{"test", "--sim", "--data", dir, "--engine", "Tractor 3", "--injectors", "6", "--injector-type", "solenoid", "--yes",
		"--runs", "2", "--rotate", "--duration", "40s", "--odometer", "4212", "--density", "0.8214", "--density-u", "0.0005", "--fuel-temp", "38", "--note", "all loads off"}
	if code := run(t.Context(), args, strings.NewReader(""), &both, &errs); code != exitDone {
		t.Fatalf("exit %d: %s", code, &errs)
	}
	var again bytes.Buffer
	code := run(t.Context(), []string{"rates", "T1", "--data", dir}, nil, &again, &errs)
	after, same := strings.CutPrefix(both.String(), again.String())
	if code != exitDone || !same {
		t.Errorf("exit %d: rates prints\n%s\nafter the test\n%s", code, &again, &both)
	}
	golden(t, "test_sim.txt", []byte(strings.ReplaceAll(errs.String()+"(the rates, as 'rates' prints them)\n"+after, dir, "DATA")))
	r, err := store.OpenRead(t.Context(), filepath.Join(dir, simStore))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	x, err := r.Test(t.Context(), "T1")
	if err != nil || x.Odometer != 4212 || x.Fuel.TempC != 38 || x.Fuel.UTempC != tempU || x.Fuel.Density15GPerML != 0 || x.Fuel.DensityGPerML != 0.8214 || x.Note != "all loads off" {
		t.Errorf("kept as %+v, %v", x, err)
	}
	runs, err := r.Runs(t.Context(), x.ID)
	if err != nil || len(runs) != 2 || runs[0].HangingID == runs[1].HangingID || runs[1].Positions[0].Injector != 2 || runs[1].Positions[5].Injector != 1 {
		t.Errorf("runs %+v, %v", runs, err)
	}
}

// The rates of a test on the simulated bench hold what the simulator was told, with
// valves and without, with drain valves, and from one hanging to the next.
func TestTestWithEveryKindOfValve(t *testing.T) {
	for name, change := range map[string][]string{
		"diverter": nil,
		"drain":    {"diverter", "drain"},
		"none":     {"valve_pin = 9", "", "valve_pin = 10", "", "heartbeat_pin = 4", ""},
	} {
		t.Run(name, func(t *testing.T) {
			code, out, errs := simTest(t, t.TempDir(), "--config", benchFile(t, change...), "--duration", "60s", "--runs", "2", "--json")
			v := testResult(t, out)
			if code != exitDone || len(v.Runs) != 2 || len(v.Rates.Fills) != 4 {
				t.Fatalf("exit %d, %+v\n%s", code, v.Runs, errs)
			}
			if v.Runs[0].Hanging != 1 || v.Runs[1].Hanging != 1 {
				t.Errorf("hangings %+v without --rehang", v.Runs)
			}
			if asks := strings.Contains(errs, "NOW start the flow"); asks != (name == "none") {
				t.Errorf("it asks for the flow: %v\n%s", asks, errs)
			}
			for _, f := range v.Rates.Fills {
				// The simulated engine's base rates are 10.6 and 11.9 mL/min, with 15 % for all
				// that varies from run to run.
				want := map[int]float64{1: 10.6, 2: 11.9}[f.Injector]
				if f.ML == nil || *f.ML < 0.85*want || *f.ML > 1.15*want || len(f.Flags) > 0 {
					t.Errorf("run %d, injector %d: %v, flags %v", f.Run, f.Injector, *f.ML, f.Flags)
				}
				if length := *f.EndS - *f.StartS; length < 55 || length > 72 {
					t.Errorf("run %d, injector %d: a fill of %.0f s, want about 60", f.Run, f.Injector, length)
				}
			}
		})
	}
}

func TestTestGuardStopsTheRun(t *testing.T) {
	dir := t.TempDir()
	file := benchFile(t, `name = "tube2"`, "name = \"tube2\"\ncapacity_ml = 8")
	code, out, errs := simTest(t, dir, "--config", file, "--duration", "180s", "--runs", "2")
	if code != exitDone {
		t.Errorf("exit %d, the rates stand", code)
	}
	for _, want := range []string{"STOPPED: tube2 holds", "6.8 mL (85 % of its 8 mL)", "Run 2 is kept"} {
		if !strings.Contains(errs, want) {
			t.Errorf("it did not say %q:\n%s", want, errs)
		}
	}
	if !strings.Contains(out, "run 1: stopped early after") || strings.Contains(out, "near-full") {
		t.Errorf("the result says nothing of the early stop, or a tube passed 85 %%:\n%s", out)
	}
	code, out, _ = simTest(t, dir, "--config", file, "--duration", "180s", "--json")
	v := testResult(t, out)
	if r := v.Runs[0]; code != exitDone || v.Test != "T2" || r.Stopped != "guard" || r.Cause != "full" || r.CollectedS < 15 || r.CollectedS > 40 || r.PlannedS != 180 {
		t.Errorf("exit %d, %+v", code, v.Runs)
	}
}

// Without valves a person must act; the simulated one does not, so the level goes on
// rising, and that is told loudly.
func TestTestGuardWithoutValves(t *testing.T) {
	file := benchFile(t, `name = "tube2"`, "name = \"tube2\"\ncapacity_ml = 8", "valve_pin = 9", "", "valve_pin = 10", "", "heartbeat_pin = 4", "")
	code, out, errs := simTest(t, t.TempDir(), "--config", file, "--duration", "90s", "--json")
	v := testResult(t, out)
	if r := v.Runs[0]; code != exitFailed || r.Cause != "full" || len(r.Rising) != 2 {
		t.Errorf("exit %d, %+v", code, v.Runs)
	}
	if !strings.Contains(errs, "NOW stop the flow") || !strings.Contains(errs, "ALARM: tube2 STILL RISES") {
		t.Errorf("it did not say what to do:\n%s", errs)
	}
}

// The config says 300 mL, the simulated tubes hold 100.
func TestTestSeesATubeRunOver(t *testing.T) {
	file := benchFile(t, `name = "tube1"`, "name = \"tube1\"\ncapacity_ml = 300", `name = "tube2"`, "name = \"tube2\"\ncapacity_ml = 300")
	code, out, errs := simTest(t, t.TempDir(), "--config", file, "--duration", "20m", "--runs", "2", "--json")
	v := testResult(t, out)
	if code != exitFailed || !strings.Contains(errs, "test: run 1: tube2 has not risen") || len(v.Runs) != 1 || v.Runs[0].Cause != "plateau" || v.Runs[0].CollectedS < 400 || v.Runs[0].CollectedS > 700 {
		t.Errorf("exit %d, %+v\n%s", code, v.Runs, errs)
	}
	if !strings.Contains(errs, "is capacity_ml = 300 right?") {
		t.Errorf("it did not say what to look at:\n%s", errs)
	}
}

func TestTestStuckValve(t *testing.T) {
	var fitted *simbench.Outlets
	c := newFittedTestCommand(func(x *simbench.Outlets) {
		fitted = x
		if err := x.Stick(0, true); err != nil {
			t.Error(err)
		}
	}, nil)
	var out, errs bytes.Buffer
	c.SetArgs([]string{"--sim", "--data", t.TempDir(), "--engine", "Sprayer 1", "--injectors", "2", "--injector-type", "solenoid", "--yes",
		"--config", benchFile(t), "--runs", "2", "--json"})
	c.SetOut(&out)
	c.SetErr(&errs)
	c.SilenceUsage, c.SilenceErrors = true, true
	err := c.ExecuteContext(t.Context())
	if err == nil || !strings.Contains(err.Error(), "tube1 rose after the flow was taken off") {
		t.Errorf("the command ended with %v", err)
	}
	v := testResult(t, out.String())
	if len(v.Runs) != 1 || len(v.Runs[0].Rising) != 1 || v.Runs[0].Rising[0] != "tube1" || v.Runs[0].Stopped != "" {
		t.Errorf("runs %+v", v.Runs)
	}
	if !strings.Contains(errs.String(), "ALARM: tube1 STILL RISES") {
		t.Errorf("no loud message:\n%s", &errs)
	}
	if fitted.Sounding() || fitted.Collects(1) {
		t.Error("after the end the alarm sounds, or the other valve collects")
	}
}

// notice calls a function when a text has been written.
type notice struct {
	mu   sync.Mutex
	b    bytes.Buffer
	text string
	do   func()
}

func (n *notice) Write(p []byte) (int, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.b.Write(p)
	if n.do != nil && strings.Contains(n.b.String(), n.text) {
		n.do()
		n.do = nil
	}
	return len(p), nil
}

// Ctrl-C in a run: what was collected is kept and marked, and no further run begins.
func TestTestStoppedByTheUser(t *testing.T) {
	dir := t.TempDir()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	errs := &notice{text: "30 s of", do: cancel}
	var out bytes.Buffer
	code := run(ctx, []string{"test", "--sim", "--data", dir, "--engine", "Sprayer 1", "--injectors", "2", "--injector-type", "solenoid", "--yes",
		"--config", benchFile(t, "[[channel]]", "[[channel]]\ncapacity_ml = 1000"), "--duration", "1h", "--runs", "3", "--json"}, nil, &out, errs)
	v := testResult(t, out.String())
	if r := v.Runs[0]; code == exitFailed || code == exitUsage || len(v.Runs) != 1 || r.Stopped != "user" || r.CollectedS < 30 || r.CollectedS >= 3600 {
		t.Errorf("exit %d, %+v\n%s", code, v.Runs, &errs.b)
	}
	r, err := store.OpenRead(t.Context(), filepath.Join(dir, simStore))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	x, err := r.Test(t.Context(), "T1")
	if err != nil {
		t.Fatal(err)
	}
	runs, err := r.Runs(t.Context(), x.ID)
	if err != nil || len(runs) != 1 || !strings.HasPrefix(runs[0].Note, "stopped early after") || runs[0].Excluded != "" || runs[0].End <= runs[0].Start {
		t.Errorf("kept %+v, %v", runs, err)
	}
}

func TestTestEndedAtAQuestion(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	hold, w := io.Pipe() // a terminal at which nobody types
	defer w.Close()
	errs := &notice{text: "Begin?", do: cancel}
	code := run(ctx, []string{"test", "--sim", "--data", t.TempDir(), "--engine", "Sprayer 1", "--injectors", "2", "--injector-type", "solenoid",
		"--config", benchFile(t)}, hold, io.Discard, errs)
	if code != exitFailed || !strings.Contains(errs.b.String(), "ended by the user") {
		t.Errorf("exit %d: %s", code, &errs.b)
	}
}

func TestTestNoFlow(t *testing.T) {
	file := benchFile(t, "valve_pin = 9", "", "valve_pin = 10", "", "heartbeat_pin = 4", "")
	code, out, errs := simTest(t, t.TempDir(), "--config", file, "--wait", "2s")
	if code != exitFailed || out != "" || !strings.Contains(errs, "no fuel came within 2 s") || !strings.Contains(errs, "holds nothing to rate") {
		t.Errorf("exit %d, %q\n%s", code, out, errs)
	}
}

// refusedTest runs a test that must be refused, and returns what it said.
func refusedTest(t *testing.T, want int, stdin string, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(t.Context(), append([]string{"test"}, args...), strings.NewReader(stdin), &out, &errs); code != want {
		t.Errorf("%q: exit %d, want %d: %s", args, code, want, &errs)
	}
	if out.Len() > 0 {
		t.Errorf("%q: standard output has %q", args, &out)
	}
	return errs.String()
}

func TestTestRefuses(t *testing.T) {
	sim := func(args ...string) []string {
		return append([]string{"--sim", "--data", t.TempDir(), "--config", benchFile(t)}, args...)
	}
	known := append(sim("--engine", "Sprayer 1", "--injectors", "2", "--injector-type", "solenoid", "--duration", "10s", "--yes"), "--label", "first")
	var out bytes.Buffer
	if code := run(t.Context(), append([]string{"test"}, known...), nil, &out, io.Discard); code == exitFailed || code == exitUsage {
		t.Fatalf("exit %d: %s", code, &out)
	}
	again := func(args ...string) []string { return append(known[:5:5], append([]string{"--yes"}, args...)...) }
	fresh := func(args ...string) []string {
		return append(sim("--engine", "Sprayer 1", "--yes"), args...)
	}
	for name, tc := range map[string]struct {
		args []string
		says []string
	}{
		"no bench":            {[]string{"--engine", "x"}, []string{"--config", "--sim"}},
		"no engine":           {sim(), []string{"--engine"}},
		"no such config":      {[]string{"--config", "none.toml", "--engine", "x"}, []string{"none.toml"}},
		"new, a script":       {fresh(), []string{"--injectors"}},
		"no type":             {fresh("--injectors", "2"), []string{"--injector-type"}},
		"a wrong type":        {fresh("--injectors", "2", "--injector-type", "pump"), []string{"pump", "piezo"}},
		"piezo":               {fresh("--injectors", "2", "--injector-type", "piezo"), []string{"hydraulic coupler", "about 10", "--return-open"}},
		"held, as said":       {fresh("--injectors", "2", "--injector-type", "solenoid", "--return-open=false"), []string{"holds pressure"}},
		"unknown, a script":   {fresh("--injectors", "2", "--injector-type", "unknown"), []string{"May the return", "--return-open"}},
		"another count":       {again("--engine", "Sprayer 1", "--injectors", "6"), []string{"--injectors 6", "kept with 2"}},
		"another type":        {again("--engine", "Sprayer 1", "--injector-type", "piezo"), []string{"piezo", "kept as solenoid"}},
		"label taken":         {again("--engine", "Sprayer 1", "--label", "first"), []string{"first"}},
		"too many positions":  {again("--engine", "Sprayer 1", "--positions", "1,2,0"), []string{"3 channels", "has 2"}},
		"no such injector":    {again("--engine", "Sprayer 1", "--positions", "1,3"), []string{`"3" at tube2`, "1 to 2"}},
		"an injector twice":   {again("--engine", "Sprayer 1", "--positions", "1,1"), []string{"injector 1"}},
		"no injector":         {again("--engine", "Sprayer 1", "--positions", "0,0"), []string{"no channel"}},
		"duration":            {again("--engine", "Sprayer 1", "--duration", "5s"), []string{"--duration 5s", "10s"}},
		"runs":                {again("--engine", "Sprayer 1", "--runs", "0"), []string{"--runs 0"}},
		"density alone":       {again("--engine", "Sprayer 1", "--density", "0.83"), []string{"--density-u"}},
		"density in kg/m3":    {again("--engine", "Sprayer 1", "--density", "830", "--density-u", "1"), []string{"g/mL"}},
		"some without valves": {append(fresh("--injectors", "2", "--injector-type", "solenoid"), "--config", benchFile(t, "valve_pin = 10", "")), []string{"tube2", "valve_pin"}},
	} {
		t.Run(name, func(t *testing.T) {
			text := refusedTest(t, exitUsage, "", tc.args...)
			for _, want := range tc.says {
				if !strings.Contains(text, want) {
					t.Errorf("the refusal lacks %q: %s", want, text)
				}
			}
		})
	}
}

// A real bench whose channels were never calibrated is refused before the board is
// touched, with the command that mends it.
// Two senders and their supply on a converter of 8 conversions a second: 2.7 readings a second.
func TestTestRefusesAChannelTooSlowToGuard(t *testing.T) {
	const text = `[bench]
name = "slow bench"
[[channel]]
name = "tube1"
sensor = "ads1115"
sps = 8
input = 0
reference_input = 3
bore_mm = 24
[[channel]]
name = "tube2"
sensor = "ads1115"
sps = 8
input = 1
reference_input = 3
bore_mm = 24
`
	for sps, want := range map[string]int{"8": exitUsage, "16": exitDone} {
		file := filepath.Join(t.TempDir(), "bench.toml")
		if err := os.WriteFile(file, []byte(strings.ReplaceAll(text, "sps = 8", "sps = "+sps)), 0o644); err != nil {
			t.Fatal(err)
		}
		code, _, errs := simTest(t, t.TempDir(), "--config", file, "--duration", "60s")
		if code != want || strings.Contains(errs, "tube1 gives 2.67 readings a second") != (want == exitUsage) {
			t.Errorf("sps %s: exit %d, want %d\n%s", sps, code, want, errs)
		}
	}
}

func TestTestRefusesAnUncalibratedChannel(t *testing.T) {
	file := benchFile(t)
	text := refusedTest(t, exitUsage, "", "--config", file, "--data", t.TempDir(), "--engine", "Sprayer 1", "--injectors", "2", "--injector-type", "solenoid", "--yes")
	if !strings.Contains(text, "tube1 has no calibration") || !strings.Contains(text, "brimline calibrate tube1 --config "+file) {
		t.Errorf("it said %s", text)
	}
}

func TestTestWhileTheDaemonRuns(t *testing.T) {
	dir := t.TempDir()
	s, err := store.Open(t.Context(), filepath.Join(dir, simStore), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	text := refusedTest(t, exitFailed, "", "--sim", "--data", dir, "--config", benchFile(t), "--engine", "Sprayer 1", "--injectors", "2", "--injector-type", "solenoid", "--yes")
	if !strings.Contains(text, "brimline serve") || !strings.Contains(text, "end it for the test") {
		t.Errorf("it said %s", text)
	}
}

// Without --yes the cautions come first, then the questions.
func TestTestAsks(t *testing.T) {
	file, dir := benchFile(t), t.TempDir()
	args := []string{"--sim", "--data", dir, "--config", file, "--engine", "Pickup 2"}
	text := refusedTest(t, exitUsage, "2\nunknown\nno\n", args...)
	if !strings.Contains(text, "If unsure, stop") || !strings.Contains(text, "--return-open") {
		t.Errorf("an unknown type: %s", text)
	}
	text = refusedTest(t, exitUsage, "2\nsolenoid\nno\n", args...)
	if strings.Index(text, "Take care") > strings.Index(text, "Begin?") || !strings.Contains(text, "nothing was kept") {
		t.Errorf("not begun: %s", text)
	}
	r, err := store.OpenRead(t.Context(), filepath.Join(dir, simStore))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if engines, err := r.Engines(t.Context()); err != nil || len(engines) > 0 {
		t.Errorf("kept %v, %v", engines, err)
	}
	var out, errs bytes.Buffer
	if code := run(t.Context(), append([]string{"test"}, append(args, "--json")...), strings.NewReader("2\nunknown\nyes\nyes\n"), &out, &errs); code != exitDone {
		t.Fatalf("exit %d: %s", code, &errs)
	}
	if v := testResult(t, out.String()); v.Engine != "Pickup 2" || v.Test != "T1" {
		t.Errorf("kept as %+v", v)
	}
}

// On a terminal the levels are refreshed in place; what is said stays above them.
func TestShow(t *testing.T) {
	var b bytes.Buffer
	s := newShow(&b)
	s.put(func() { s.tty, s.fd = true, -1 })
	s.now("1 mL")
	for begun := time.Now(); ; time.Sleep(time.Millisecond) {
		s.mu.Lock()
		written := !s.fresh
		s.mu.Unlock()
		if written || time.Since(begun) > 10*time.Second {
			break
		}
	}
	s.say("a word")
	s.ended()
	s.close()
	text := b.String()
	if !strings.HasPrefix(text, "1 mL\r\x1b[K") || !strings.HasSuffix(text, "1 mL\n") || strings.Index(text, "a word\n") < 0 {
		t.Errorf("written %q", text)
	}
}

// faultySink panics in a run that collects.
type faultySink struct{ n int }

func (f *faultySink) Put([]rig.Sample) error {
	if f.n++; f.n > 200 {
		panic("a fault in the program")
	}
	return nil
}

// A panic in the loop goes past every deferred release.
func TestTestPanicReleases(t *testing.T) {
	cfg, err := config.Load(benchFile(t))
	if err != nil {
		t.Fatal(err)
	}
	b, err := openStill(cfg, 0)
	if err != nil {
		t.Fatal(err)
	}
	x, err := b.sim.FitOutlets(simbench.OutletOptions{})
	if err != nil {
		t.Fatal(err)
	}
	set, err := openOutlets(cfg, simulatedPins(x))
	if err != nil {
		t.Fatal(err)
	}
	told := func() (told any) {
		defer func() { told = recover() }()
		defer set.Close()
		if err := set.Collect([]int{0, 1}); err != nil {
			t.Error(err)
		}
		acquirer, err := rig.NewAcquirer(b.sensors...)
		if err != nil {
			t.Error(err)
		}
		faulty := &faultySink{}
		var mu sync.Mutex
		return acquirer.Run(t.Context(), sinkOf(func(s []rig.Sample) error {
			mu.Lock()
			defer mu.Unlock()
			return errors.Join(set.Put(s), faulty.Put(s))
		}), rig.AcquireOptions{})
	}()
	if text, _ := told.(string); !strings.Contains(text, "a fault in the program") {
		t.Fatalf("told %v", told)
	}
	if x.Collects(0) || x.Collects(1) {
		t.Error("valves collect after a panic")
	}
}

type sinkOf func([]rig.Sample) error

func (f sinkOf) Put(s []rig.Sample) error { return f(s) }
