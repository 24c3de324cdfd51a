package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
	"brimline/rig/calibrate"
	"brimline/rig/hx711"
	"brimline/rig/simbench"
)

var calibrationDay = time.Date(2031, 3, 4, 9, 30, 0, 0, time.UTC)

// practice is the options of a calibration on the simulated bench, by default the
// command's own.
func practice(t *testing.T, change func(o *calibrateOptions)) calibrateOptions {
	t.Helper()
	o := calibrateOptions{sim: true, yes: true, data: t.TempDir(), masses: "0,50,100,150,200", class: "M1", cycles: 2, hold: time.Minute, wait: time.Minute,
		waterC: math.NaN(), waterTolC: 1, vesselTolML: 0.5, airC: 19.5, by: "the storekeeper", dueMonths: 12, now: func() time.Time { return calibrationDay }}
	if change != nil {
		change(&o)
	}
	return o
}

// doCalibrate runs it and returns what a person sees, and the error.
func doCalibrate(t *testing.T, o calibrateOptions, in string) (dialogue string, err error) {
	t.Helper()
	var out bytes.Buffer
	err = runCalibrate(t.Context(), []string{"tube1"}, o, strings.NewReader(in), &out, io.Discard)
	return strings.ReplaceAll(out.String(), o.data+string(filepath.Separator), ""), err
}

func wasKept(t *testing.T, dir string) (calibrations []ingest.Calibration, checks []ingest.CalibrationCheck) {
	t.Helper()
	r, err := store.OpenRead(t.Context(), filepath.Join(dir, simStore))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if calibrations, err = r.Calibrations(t.Context(), ""); err != nil {
		t.Fatal(err)
	}
	if checks, err = r.CalibrationChecks(t.Context(), ""); err != nil {
		t.Fatal(err)
	}
	return calibrations, checks
}

func exitOf(err error) int {
	var coded *codedError
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &coded):
		return coded.code
	}
	return exitFailed
}

// A whole calibration, as a person sees it, its page and what is kept, and the truth.
func TestCalibrate(t *testing.T) {
	page := filepath.Join(t.TempDir(), "tube1.html")
	o := practice(t, func(o *calibrateOptions) { o.printable = page })
	dialogue, err := doCalibrate(t, o, "")
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "calibrate_sound.txt", []byte(strings.ReplaceAll(dialogue, page, "tube1.html")))
	html, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	golden(t, "calibrate_certificate.html", html)
	for _, bad := range []string{"<script", "http://", "https://", "NaN", "ZgotmplZ"} {
		if bytes.Contains(html, []byte(bad)) {
			t.Errorf("the page holds %q", bad)
		}
	}

	kept, _ := wasKept(t, o.data)
	if len(kept) != 1 || !kept[0].At.Equal(calibrationDay) {
		t.Fatalf("kept %+v", kept)
	}
	cfg, err := config.Parse("example", config.Example)
	if err != nil {
		t.Fatal(err)
	}
	b, err := openStill(cfg, 0)
	if err != nil {
		t.Fatal(err)
	}
	truth, err := b.sim.Truth(0, 0, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	var c calibrate.Certificate
	if err := json.Unmarshal(kept[0].Certificate, &c); err != nil {
		t.Fatal(err)
	}
	if off := math.Abs(c.Line.Span - truth.CountsPerGram); off > c.Assessment.KSpan*c.Line.USpan {
		t.Errorf("span %g, truth %g, off by more than %g", c.Line.Span, truth.CountsPerGram, c.Assessment.KSpan*c.Line.USpan)
	}
	if len(c.Points) != 17 || !c.Due.Equal(calibrationDay.AddDate(1, 0, 0)) || c.Assessment.HoldS != 60 || !c.Simulated || c.Points[3].MPEG != 0.008 {
		t.Errorf("certificate %+v", c)
	}

	// The same page and the same JSON again, from the store.
	again := filepath.Join(t.TempDir(), "again.html")
	var shown, listed bytes.Buffer
	for _, x := range []struct {
		to   *bytes.Buffer
		with func(o *calibrateOptions)
	}{
		{new(bytes.Buffer), func(o *calibrateOptions) { o.show, o.printable = "1", again }},
		{&shown, func(o *calibrateOptions) { o.show, o.printable = "1", "" }},
		{&listed, func(o *calibrateOptions) { o.list, o.printable = true, "" }},
	} {
		p := o
		x.with(&p)
		if err := runCalibrate(t.Context(), nil, p, nil, x.to, io.Discard); err != nil {
			t.Fatal(err)
		}
	}
	if page, err := os.ReadFile(again); err != nil || !bytes.Equal(page, html) {
		t.Errorf("shown again, the page differs (%v)", err)
	}
	var c2 calibrate.Certificate
	if err := json.Unmarshal(shown.Bytes(), &c2); err != nil || c2.Line.Span != c.Line.Span {
		t.Errorf("shown: %v, %s", err, &shown)
	}
	if !strings.Contains(listed.String(), "tube1") || !strings.Contains(listed.String(), "2032-03-04") {
		t.Errorf("list: %s", &listed)
	}
}

// Guided, with Enter for each load; a slip is seen at once, and put right.
func TestCalibrateGuided(t *testing.T) {
	again := false
	o := practice(t, func(o *calibrateOptions) {
		o.yes, o.cycles, o.hold, o.masses = false, 1, 0, "0,50,100,200"
		o.hands = func(i int, asked calibrate.Load) calibrate.Load {
			if i == 2 && !again { // 200 g for 100 g, the first time
				again = true
				return calibrate.Load{MassG: 200, Masses: []float64{200}}
			}
			return asked
		}
	})
	dialogue, err := doCalibrate(t, o, strings.Repeat("\n", 8))
	if err != nil {
		t.Fatalf("%v\n%s", err, dialogue)
	}
	golden(t, "calibrate_guided.txt", []byte(dialogue))
	if kept, _ := wasKept(t, o.data); len(kept) != 1 {
		t.Errorf("%d kept", len(kept))
	}

	// A load that was not put on.
	o = practice(t, func(o *calibrateOptions) {
		o.yes = false
		o.hands = func(int, calibrate.Load) calibrate.Load { return calibrate.Load{} }
	})
	dialogue, err = doCalibrate(t, o, "\n\n\n\n")
	if exitOf(err) != exitFailed || !strings.Contains(err.Error(), "nothing was stored: 50 g: the reading did not move") || strings.Count(dialogue, "did not move") != mostTries-1 {
		t.Errorf("%v\n%s", err, dialogue)
	}
	o.yes = true
	if _, err = doCalibrate(t, o, ""); exitOf(err) != exitFailed || !strings.Contains(err.Error(), "did not move") {
		t.Errorf("by itself: %v", err)
	}
}

// A poor calibration is refused with its reason; nothing is stored unless it is forced.
func TestCalibrateRefuses(t *testing.T) {
	swapped := func(o *calibrateOptions) {
		o.hands = func(_ int, asked calibrate.Load) calibrate.Load {
			switch asked.MassG {
			case 50:
				return calibrate.Load{MassG: 100, Masses: []float64{100}}
			case 100:
				return calibrate.Load{MassG: 50, Masses: []float64{50}}
			}
			return asked
		}
	}
	o := practice(t, swapped)
	dialogue, err := doCalibrate(t, o, "")
	if exitOf(err) != exitFlagged {
		t.Errorf("exit %d: %v", exitOf(err), err)
	}
	golden(t, "calibrate_refused.txt", []byte(dialogue))
	if kept, _ := wasKept(t, o.data); len(kept) != 0 {
		t.Errorf("a refused calibration was kept: %+v", kept)
	}
	o.force, o.asJSON = true, true
	var out bytes.Buffer
	if err := runCalibrate(t.Context(), []string{"TUBE1"}, o, nil, &out, io.Discard); exitOf(err) != exitFlagged {
		t.Errorf("forced: exit %d: %v", exitOf(err), err)
	}
	var j calibrationJSON
	if err := json.Unmarshal(out.Bytes(), &j); err != nil || j.Schema != calibrationSchema || j.ID == nil || !j.Certificate.Forced {
		t.Errorf("%v: %s", err, &out)
	}
	if kept, _ := wasKept(t, o.data); len(kept) != 1 {
		t.Errorf("forced, %d kept", len(kept))
	}
}

// A check holds the line against a mass and leaves it as it is.
func TestCalibrateCheck(t *testing.T) {
	o := practice(t, nil)
	if _, err := doCalibrate(t, o, ""); err != nil {
		t.Fatal(err)
	}
	o.check = "100g"
	o.now = func() time.Time { return calibrationDay.AddDate(0, 1, 0) }
	good, err := doCalibrate(t, o, "")
	if err != nil {
		t.Fatal(err)
	}
	o.now = func() time.Time { return calibrationDay.AddDate(1, 1, 0) }
	o.hands = func(i int, asked calibrate.Load) calibrate.Load { // a chip of 0.2 g is off it
		if i == 1 {
			return calibrate.Load{MassG: 99.8}
		}
		return asked
	}
	off, err := doCalibrate(t, o, "")
	if exitOf(err) != exitFlagged {
		t.Errorf("exit %d: %v", exitOf(err), err)
	}
	golden(t, "calibrate_check.txt", []byte(good+"\n---\n\n"+off))
	kept, checks := wasKept(t, o.data)
	if len(kept) != 1 || len(checks) != 2 || checks[0].CalibrationID != kept[0].ID {
		t.Errorf("kept %d calibrations and %+v", len(kept), checks)
	}
	var list, shown bytes.Buffer
	p := o
	p.check, p.list = "", true
	if err := runCalibrate(t.Context(), []string{"tube1"}, p, nil, &list, io.Discard); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"k1", "k2", "OUT of tolerance", "overdue"} {
		if !strings.Contains(list.String(), want) {
			t.Errorf("the list lacks %q:\n%s", want, &list)
		}
	}
	p.list, p.show = false, "k2"
	if err := runCalibrate(t.Context(), nil, p, nil, &shown, io.Discard); err != nil || !strings.Contains(shown.String(), `"in_tolerance": false`) {
		t.Errorf("%v: %s", err, &shown)
	}
}

// With water: poured once, going up, and its own tolerance is not held against the cell.
func TestCalibrateWater(t *testing.T) {
	o := practice(t, func(o *calibrateOptions) {
		o.water, o.waterC, o.vesselTolML, o.cycles = "0,25,50,75,100", 18, 0.25, 1
		o.hands = func(i int, asked calibrate.Load) calibrate.Load { // each pour 0.1 mL short, within tolerance
			return calibrate.Load{MassG: asked.MassG - 0.1*float64(i)}
		}
	})
	dialogue, err := doCalibrate(t, o, "")
	if err != nil {
		t.Fatalf("%v\n%s", err, dialogue)
	}
	for _, want := range []string{"Pour 25 mL of water into the tube, 75 mL in all", "going up, with measured water of 18 ± 1 °C", "loads went up only"} {
		if !strings.Contains(dialogue, want) {
			t.Errorf("lacks %q:\n%s", want, dialogue)
		}
	}
	kept, _ := wasKept(t, o.data)
	var c calibrate.Certificate
	if err := json.Unmarshal(kept[0].Certificate, &c); err != nil {
		t.Fatal(err)
	}
	// 100 mL of water of 18 °C: 99.860 g less the air's 0.105 g; four pours of 0.25 mL, 0.05 %
	// for tap water, 0.02 % for a degree.
	if p := c.Points[4]; math.Abs(p.MassG-99.755) > 2e-3 || math.Abs(p.MPEG-1.07) > 0.01 || c.MassClass != "" || c.Water.TempC != 18 {
		t.Errorf("%+v", p)
	}
	if c.Line.USpanMass < 50*c.Line.USpanFit {
		t.Errorf("u of the loads %g, of the readings %g: the measure's tolerance should rule", c.Line.USpanMass, c.Line.USpanFit)
	}
}

// What cannot be calibrated is told apart, in words, and nothing is stored.
func TestCalibrateCannot(t *testing.T) {
	faulty := func(t *testing.T, world func(w *simbench.World), fault simbench.Fault) (string, error) {
		o := practice(t, nil)
		cfg, err := calibrateConfig(o)
		if err != nil {
			t.Fatal(err)
		}
		w := simbench.DefaultWorld()
		if world != nil {
			world(&w)
		}
		sim, err := simbench.New(simbench.Options{Seed: 3, Channels: 1, World: &w})
		if err != nil {
			t.Fatal(err)
		}
		sck, dout, clk := sim.Line(0)
		sensor, err := hx711.New(sck, dout, clk, hx711.Options{})
		if err != nil {
			t.Fatal(err)
		}
		b := &bench{clock: sim, sim: sim, sensors: []rig.Sensor{sensor}}
		if err := b.sim.SetFault(0, fault); err != nil {
			t.Fatal(err)
		}
		plan, err := o.plan(nil)
		if err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		talk, err := newTalk(b, cfg, 0, plan, o, nil, &out)
		if err != nil {
			t.Fatal(err)
		}
		defer talk.close()
		st, err := openStore(t.Context(), o.data, true)
		if err != nil {
			t.Fatal(err)
		}
		defer st.Close()
		err = talk.calibrate(t.Context(), st, &out)
		if kept, err := st.Calibrations(t.Context(), ""); err != nil || len(kept) != 0 {
			t.Errorf("kept %v, %v", kept, err)
		}
		return out.String(), err
	}
	for _, c := range []struct {
		name  string
		world func(w *simbench.World)
		fault simbench.Fault
		says  []string
	}{
		{"unplugged", nil, simbench.Fault{Unplugged: true}, []string{"nothing was stored", "no converter answers", "check the plug"}},
		{"never steady", func(w *simbench.World) { w.WalkCountsPerSqrtS = 2000 }, simbench.Fault{}, []string{"nothing was stored", "not steady within 1m0s", "limit"}},
		{"beyond its range", func(w *simbench.World) { w.CountsPerGram = 60_000 }, simbench.Fault{}, []string{"nothing was stored", "end of its range"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := faulty(t, c.world, c.fault)
			if exitOf(err) != exitFailed {
				t.Fatalf("exit %d: %v", exitOf(err), err)
			}
			for _, want := range c.says {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("lacks %q: %v", want, err)
				}
			}
		})
	}
}

// handWorked is a real channel with a person beside it who changes the load every 20 s.
type handWorked struct {
	now   time.Duration
	loads []float64 // grams, one after the other
	rng   *rand.Rand
}

func (h *handWorked) Read(ctx context.Context, dst []rig.Reading) error {
	h.now += 12500 * time.Microsecond
	load := h.loads[min(int(h.now/(20*time.Second)), len(h.loads)-1)]
	dst[0] = rig.Reading{Elapsed: h.now, Counts: int32(50_000 + 2000*load + 100*h.rng.NormFloat64())}
	return ctx.Err()
}
func (h *handWorked) Channels() int      { return 1 }
func (h *handWorked) String() string     { return "a cell with a person beside it" }
func (h *handWorked) Halt() error        { return nil }
func (h *handWorked) Now() time.Duration { return h.now }

// On a real bench --yes goes on when the reading has moved and stands still again; a
// load that never comes is waited for and then named.
func TestCalibrateByItself(t *testing.T) {
	loads := []float64{0, 50, 100, 200, 100, 50, 0}
	for _, c := range []struct {
		name  string
		loads []float64
		says  string // empty: done
	}{
		{"all loads", loads, ""},
		{"the last one stays on", loads[:6], "0 g was not steady within 1m0s (--wait): the reading has not moved"},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := practice(t, func(o *calibrateOptions) { o.sim, o.masses, o.cycles, o.hold = false, "0,50,100,200", 1, 0 })
			cfg, err := config.Parse("example", config.Example)
			if err != nil {
				t.Fatal(err)
			}
			h := &handWorked{loads: c.loads, rng: rand.New(rand.NewPCG(4, 2))}
			plan, err := o.plan(nil)
			if err != nil {
				t.Fatal(err)
			}
			var out bytes.Buffer
			talk, err := newTalk(&bench{clock: h, sensors: []rig.Sensor{h}}, cfg, 0, plan, o, nil, &out)
			if err != nil {
				t.Fatal(err)
			}
			defer talk.close()
			points, _, err := talk.loads(t.Context())
			if c.says != "" {
				if err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(out.String(), "not steady after") {
					t.Errorf("%v\n%s", err, &out)
				}
				return
			}
			if err != nil || len(points) != len(loads) {
				t.Fatalf("%d points, %v\n%s", len(points), err, &out)
			}
			for i, p := range points {
				if want := 50_000 + 2000*loads[i]; math.Abs(p.Counts-want) > 30 { // u is 5
					t.Errorf("%s: %g counts, want %g", p.Load, p.Counts, want)
				}
			}
		})
	}
}

// Ctrl-C, the end of the input, and a daemon that has the store.
func TestCalibrateStopped(t *testing.T) {
	o := practice(t, func(o *calibrateOptions) { o.yes = false })
	if _, err := doCalibrate(t, o, "\n\n"); exitOf(err) != exitFailed || !strings.Contains(err.Error(), "the input ended") {
		t.Errorf("input ended: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	o.yes = true
	o.hands = func(i int, asked calibrate.Load) calibrate.Load {
		if i == 3 {
			cancel()
		}
		return asked
	}
	err := runCalibrate(ctx, []string{"tube1"}, o, nil, io.Discard, io.Discard)
	if exitOf(err) != exitFailed || !strings.Contains(err.Error(), "stopped; nothing was stored") {
		t.Errorf("Ctrl-C: %v", err)
	}
	if kept, _ := wasKept(t, o.data); len(kept) != 0 {
		t.Errorf("kept %v", kept)
	}
	held, err := openStore(t.Context(), o.data, true)
	if err != nil {
		t.Fatal(err)
	}
	defer held.Close()
	if _, err := doCalibrate(t, o, ""); exitOf(err) != exitFailed || !strings.Contains(err.Error(), "the daemon, or another brimline, is running") || !errors.Is(err, store.ErrInUse) {
		t.Errorf("in use: %v", err)
	}
	// Looking is allowed meanwhile.
	o.list = true
	var out bytes.Buffer
	if err := runCalibrate(t.Context(), nil, o, nil, &out, io.Discard); err != nil || !strings.Contains(out.String(), "No channel has been calibrated") {
		t.Errorf("list: %v, %s", err, &out)
	}
}

// Zero and span survive restarts: a start of the daemon changes no line that was found,
// and takes up a new one.
func TestCalibrationSurvivesRestarts(t *testing.T) {
	o := practice(t, nil)
	if _, err := doCalibrate(t, o, ""); err != nil {
		t.Fatal(err)
	}
	before, _ := wasKept(t, o.data)
	for range 2 {
		s := startServe(t, "--sim", "--data", o.data, "--listen", "127.0.0.1:0")
		if code := s.end(t); code != exitDone {
			t.Fatalf("exit %d: %s", code, s.stderr)
		}
	}
	kept, _ := wasKept(t, o.data)
	others := map[string]int{}
	for _, c := range kept {
		if c.Channel != "tube1" {
			others[c.Channel]++
			continue
		}
		if c.ID != before[0].ID || c.Zero != before[0].Zero || c.CountsPerGram != before[0].CountsPerGram {
			t.Errorf("tube1 was given another line: %+v", c)
		}
	}
	if len(others) != 5 || others["tube2"] != 1 {
		t.Errorf("stated lines of the other cells: %v", others)
	}
}

func TestCalibrateBadInput(t *testing.T) {
	dir := t.TempDir()
	with := func(args ...string) []string {
		return append([]string{"calibrate", "--sim", "--yes", "--data", dir}, args...)
	}
	for _, c := range []struct {
		name string
		args []string
		says []string
	}{
		{"no channel", with(), []string{"no channel named"}},
		{"no such channel", with("tubee1"), []string{"tubee1", "did you mean tube1?"}},
		{"neither config nor sim", []string{"calibrate", "tube1"}, []string{"--config", "--sim"}},
		{"no such file", []string{"calibrate", "tube1", "--config", filepath.Join(dir, "none.toml")}, []string{"none.toml"}},
		{"two loads", with("tube1", "--masses", "0,100"), []string{"2 different loads", "3 to 11"}},
		{"twelve loads", with("tube1", "--masses", "0,10,20,30,40,50,60,70,80,90,100,110"), []string{"12 different loads"}},
		{"one mass twice", with("tube1", "--masses", "100,100"), []string{"100 g is there twice"}},
		{"not a number", with("tube1", "--masses", "0,fifty,100"), []string{"fifty", "not a number"}},
		{"NaN", with("tube1", "--masses", "0,NaN,100"), []string{"NaN"}},
		{"class", with("tube1", "--class", "Z"), []string{`"Z"`, "F2, M1 or M2"}},
		{"water without temperature", with("tube1", "--water", "0,25,50"), []string{"--water-temp"}},
		{"hot water", with("tube1", "--water", "0,25,50", "--water-temp", "90"), []string{"--water-temp is 90", "40"}},
		{"water down", with("tube1", "--water", "0,50,25", "--water-temp", "18"), []string{"does not come after"}},
		{"water in cycles", with("tube1", "--water", "0,25,50", "--water-temp", "18", "--cycles", "3"), []string{"--cycles 3"}},
		{"water and masses", with("tube1", "--water", "0,25,50", "--masses", "0,50,100"), []string{"choose one"}},
		{"no cycles", with("tube1", "--cycles", "0"), []string{"--cycles is 0", "1 to 5"}},
		{"short hold", with("tube1", "--hold", "2s"), []string{"--hold", "10s"}},
		{"short wait", with("tube1", "--wait", "1s"), []string{"--wait", "10"}},
		{"air", with("tube1", "--temp", "190"), []string{"--temp is 190"}},
		{"air not a number", with("tube1", "--temp", "warm"), []string{"--temp"}},
		{"check of nothing", with("tube1", "--check", "0g"), []string{"needs a mass"}},
		{"check not a number", with("tube1", "--check", "heavy"), []string{"heavy", "not a number"}},
		{"check before a calibration", with("tube1", "--check", "100g"), []string{"no calibration", "without --check"}},
		{"list and show", with("--list", "--show", "1"), []string{"choose one"}},
		{"show none", with("--show", "99"), []string{"99", "--list"}},
		{"no folder for the page", with("tube1", "--certificate", filepath.Join(dir, "no", "x.html")), []string{"there is no folder"}},
		{"page of a check", with("tube1", "--check", "100g", "--certificate", filepath.Join(dir, "x.html")), []string{"--show"}},
		{"two channels", with("tube1", "tube2"), []string{"--help"}},
	} {
		t.Run(c.name, func(t *testing.T) { wantError(t, exitUsage, c.args, c.says...) })
	}
	t.Run("a sender that feels no mass", func(t *testing.T) {
		file := filepath.Join(dir, "level.toml")
		if err := os.WriteFile(file, []byte("[[channel]]\nname = 'a'\nsensor = 'ads1115'\ninput = 0\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		args := []string{"calibrate", "a", "--sim", "--yes", "--config", file, "--data", dir}
		wantError(t, exitUsage, args, "calibrate a", "level sender", "bore_mm", "strapping")
		for _, tube := range []string{"bore_mm = 24\n", "sender = 'pressure'\n"} {
			if err := os.WriteFile(file, []byte("[[channel]]\nname = 'a'\nsensor = 'ads1115'\ninput = 0\n"+tube), 0o644); err != nil {
				t.Fatal(err)
			}
			wantError(t, exitUsage, args, "calibrate a", "feels no mass", "--water 0,25")
			wantError(t, exitUsage, append(args, "--check", "100g"), "--check 100g", "feels no mass")
		}
		if err := os.WriteFile(file, []byte("[[channel]]\nname = 'a'\nsensor = 'ads1115'\ninput = 0\nbore_mm = 24\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		wantError(t, exitUsage, append(args, "--water", "0,50,110", "--water-temp", "20"), "level of 110 mL", "covers 0 to 100 mL")
	})
	t.Run("a clock that runs behind", func(t *testing.T) {
		o := practice(t, nil)
		if _, err := doCalibrate(t, o, ""); err != nil {
			t.Fatal(err)
		}
		o.now = func() time.Time { return time.Unix(0, 0) }
		if _, err := doCalibrate(t, o, ""); exitOf(err) != exitFailed || !strings.Contains(err.Error(), "set the clock first") {
			t.Errorf("%v", err)
		}
	})
}

// No text of the dialogue is wider than a terminal.
func TestCalibrateDialogueFits(t *testing.T) {
	for _, name := range []string{"calibrate_sound.txt", "calibrate_guided.txt", "calibrate_refused.txt", "calibrate_check.txt"} {
		text, err := os.ReadFile(filepath.Join("..", "..", "testdata", name))
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(text)) {
			if n := len([]rune(strings.TrimSpace(line))); n > 120 {
				t.Errorf("%s: %d columns: %s", name, n, line)
			}
		}
		if regexp.MustCompile(`(?i)\bpass(ed)?\b`).Match(text) {
			t.Errorf("%s says pass", name)
		}
	}
}
