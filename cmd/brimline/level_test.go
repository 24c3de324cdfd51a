package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"brimline/analysis/curve"
	"brimline/analysis/rate"
	"brimline/config"
	"brimline/ingest"
	"brimline/rig"
	"brimline/rig/calibrate"
	"brimline/rig/simbench"
)

// levelFile is a bench of three senders on one ADS1115: in a round tube, in one that is
// wide at its top, and a pressure sender. There is no density.
func levelFile(t *testing.T, replace ...string) (string, *config.Config) {
	t.Helper()
	const text = `
[bench]
name = "co-op level bench"

[[channel]]
name = "tube1"
sensor = "ads1115"
input = 0
reference_input = 3
sps = 250
bore_mm = 24

[[channel]]
name = "tube2"
sensor = "ads1115"
input = 1
reference_input = 3
sps = 250
strapping = [[0, 0], [20, 6], [60, 24], [210, 101]]
strapping_u_ml = 0.02

[[channel]]
name = "tube3"
sensor = "ads1115"
input = 2
reference_input = 3
sps = 250
sender = "pressure"
`
	file := filepath.Join(t.TempDir(), "level.toml")
	if err := os.WriteFile(file, []byte(strings.NewReplacer(replace...).Replace(text)), 0o644); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Load(file)
	if err != nil {
		t.Fatal(err)
	}
	return file, cfg
}

// pourWater calibrates a channel with measured water, through the driver.
func pourWater(t *testing.T, file, dir, channel string, more ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(t.Context(), append([]string{"calibrate", channel, "--sim", "--yes", "--config", file, "--data", dir, "--by", "the storekeeper",
		"--temp", "19", "--water", "0,5,20,40,60,80,95", "--water-temp", "20", "--vessel-tolerance", "0.02"}, more...), nil, &o, &e)
	return code, o.String(), e.String()
}

// seriesSink keeps a bench's samples by channel.
type seriesSink []ingest.Series

func (k seriesSink) Put(samples []rig.Sample) error {
	for _, s := range samples {
		k[s.Channel].Samples = append(k[s.Channel].Samples, s)
	}
	return nil
}

// collect takes one run of a simulated bench and returns its samples.
func collect(t *testing.T, cfg *config.Config, plan simbench.RunPlan) (*bench, simbench.Run, seriesSink) {
	t.Helper()
	b, err := openStill(cfg, 0)
	if err != nil {
		t.Fatal(err)
	}
	r, err := b.sim.StartRun(plan)
	if err != nil {
		t.Fatal(err)
	}
	all := make(seriesSink, len(cfg.Channels))
	for i, ch := range cfg.Channels {
		all[i].Channel = rig.Channel{Name: ch.Name, CapacityML: ch.CapacityML}
	}
	if err := rig.Acquire(t.Context(), b.sensors, all, rig.AcquireOptions{Until: r.FlowEnd + 10*time.Second}); err != nil {
		t.Fatal(err)
	}
	return b, r, all
}

// Water poured into each sender's tube gives a line that holds the simulated one, and a
// fill read by it holds the truth within its uncertainty: mL without a density from a
// level, grams from a pressure.
func TestLevelSendersHoldTheTruth(t *testing.T) {
	file, cfg := levelFile(t)
	dir := t.TempDir()
	for i, ch := range cfg.Channels {
		page := filepath.Join(dir, ch.Name+".html")
		volumes := "0,5,20,40,60,80,95"
		if i == 2 {
			volumes = "0,5,20,35,50,65,80" // 82 g of fuel fill it, and water is heavier
		}
		code, out, errs := pourWater(t, file, dir, ch.Name, "--certificate", page, "--water", volumes)
		if code != exitDone {
			t.Fatalf("%s: exit %d\n%s%s", ch.Name, code, out, errs)
		}
		unit := "mm"
		if i == 2 {
			unit = "g"
		}
		html, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		per, other := "counts per "+map[string]string{"mm": "mm of level", "g": "gram"}[unit], map[string]string{"mm": "One gram", "g": "One mm"}[unit]
		if !strings.Contains(out, per) || strings.Contains(out, "--check") || bytes.Contains(html, []byte(other)) || bytes.Contains(html, []byte("NaN")) || !bytes.Contains(html, []byte("load, "+unit)) {
			t.Errorf("%s: not all in %s:\n%s", ch.Name, unit, out)
		}
	}
	kept, _ := wasKept(t, dir)
	b, r, all := collect(t, cfg, simbench.RunPlan{Still: 8 * time.Second, Flow: 90 * time.Second})
	for i, cal := range kept {
		own, err := b.ownLine(i, cfg.Channels[i])
		if err != nil {
			t.Fatal(err)
		}
		if cal.Unit != own.Unit || !slices.Equal(cal.Tube.Rows, own.Tube.Rows) || math.Abs(cal.CountsPerGram-own.CountsPerGram) > 2*cal.UCountsPerG {
			t.Errorf("%s: %g ± %g counts/%s, truth %g counts/%s", cal.Channel, cal.CountsPerGram, cal.UCountsPerG, cal.Unit, own.CountsPerGram, own.Unit)
		}
		if err := suits(cfg.Channels[i], cal); err != nil {
			t.Error(err)
		}
		c, err := curveOf(all[i], r.Start, cal)
		if err != nil {
			t.Fatal(err)
		}
		result, err := rate.Analyse(c, rate.Options{Mode: rate.OneFill})
		if err != nil {
			t.Fatal(err)
		}
		f := result.Fills[0]
		truth, err := b.sim.Truth(i, r.FlowStart, r.FlowEnd)
		if err != nil {
			t.Fatal(err)
		}
		want := truth.RateMLPerMin
		if i == 2 {
			want *= truth.DensityGPerML
		}
		t.Logf("%s: %.3f ± %.3f %s/min, truth %.3f", cal.Channel, f.Rate(), f.U95, f.Unit, want)
		if f.Kind != rate.KindFill || !f.Allows() || math.Abs(f.Rate()-want) > f.U95 || f.U95 > 0.04*want {
			t.Errorf("%s: %s, %.3f ± %.3f, truth %.3f, flags %+v", cal.Channel, f.Kind, f.Rate(), f.U95, want, f.Flags)
		}
		if i < 2 && (f.Unit != curve.Millilitre || !(f.RateMLPerMin > 0) || f.RateGPerMin > 0 || c.Count(curve.Limit) > 0) {
			t.Errorf("%s: %g mL/min, %g g/min, %d beyond the table", cal.Channel, f.RateMLPerMin, f.RateGPerMin, c.Count(curve.Limit))
		}
		if i == 0 {
			dense, err := rate.Analyse(c, rate.Options{Mode: rate.OneFill, Density: &curve.Density{GPerML: 0.8}})
			if err != nil {
				t.Fatal(err)
			}
			if g := dense.Fills[0]; g.RateMLPerMin != f.RateMLPerMin || math.Abs(g.RateGPerMin-0.8*f.RateMLPerMin) > 1e-9 {
				t.Errorf("with a density: %g mL/min, %g g/min", g.RateMLPerMin, g.RateGPerMin)
			}
		}
	}
}

// Foam lifts a level and not a pressure: a level sender reads high, and what sinks back
// afterwards is seen.
func TestFoamLiftsALevel(t *testing.T) {
	_, cfg := levelFile(t)
	foam := []simbench.PlannedFault{{Kind: simbench.Foam, Channel: 0, Severity: 1}, {Kind: simbench.Foam, Channel: 2, Severity: 1}}
	b, r, all := collect(t, cfg, simbench.RunPlan{Still: 8 * time.Second, Flow: 60 * time.Second, Faults: foam})
	excess := map[int]float64{}
	for _, i := range []int{0, 2} {
		cal, err := b.ownLine(i, cfg.Channels[i])
		if err != nil {
			t.Fatal(err)
		}
		c, err := curveOf(all[i], r.Start, cal)
		if err != nil {
			t.Fatal(err)
		}
		truth, err := b.sim.Truth(i, r.FlowStart, r.FlowEnd)
		if err != nil {
			t.Fatal(err)
		}
		mean := func(from, to time.Duration) float64 {
			_, y := c.Window(from.Seconds(), to.Seconds()).Points()
			sum := 0.0
			for _, v := range y {
				sum += v
			}
			if i == 2 {
				sum /= truth.DensityGPerML
			}
			return sum / float64(len(y))
		}
		at := mean(r.FlowEnd, r.FlowEnd+time.Second)
		excess[i] = at - mean(time.Second, 7*time.Second) - truth.VolumeML
		if sinks := at - mean(r.FlowEnd+9*time.Second, r.FlowEnd+10*time.Second); i == 0 && sinks < 0.1 {
			t.Errorf("the foam sinks back by %.3f mL", sinks)
		}
	}
	if excess[0] < 0.2 || math.Abs(excess[2]) > 0.15 {
		t.Errorf("the level reads %.3f mL high, the pressure %.3f", excess[0], excess[2])
	}
}

// A whole test of level senders gives mL/min without a density; a config that changes
// afterwards changes no rate that was found.
func TestTestWithLevelSenders(t *testing.T) {
	file, _ := levelFile(t, `sender = "pressure"`, "bore_mm = 26")
	dir := t.TempDir()
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"test", "--sim", "--config", file, "--data", dir, "--engine", "Sprayer 1", "--injectors", "3", "--injector-type", "solenoid",
		"--yes", "--duration", "60s", "--json"}, strings.NewReader(""), &out, &errs); code != exitDone {
		t.Fatalf("exit %d: %s%s", code, &out, &errs)
	}
	if !strings.Contains(errs.String(), "Run 1 is kept") {
		t.Errorf("it said:\n%s", &errs)
	}
	v := testResult(t, out.String())
	text, err := json.Marshal(v.Rates)
	if err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(string(text), `"rate_ml_per_min":null`); n > 0 || !strings.Contains(string(text), `"rate_ml_per_min":`) {
		t.Errorf("%d rates without mL/min: %s", n, text)
	}
	rates := func() string {
		var out, errs bytes.Buffer
		if code := run(t.Context(), []string{"rates", "T1", "--data", dir}, nil, &out, &errs); code != exitDone {
			t.Fatalf("exit %d: %s", code, &errs)
		}
		return out.String()
	}
	before := rates()
	if !strings.Contains(before, "mL/min") || strings.Contains(before, "g/min") {
		t.Errorf("the rates:\n%s", before)
	}
	if strings.Contains(errs.String(), "in grams") {
		t.Errorf("it said grams:\n%s", &errs)
	}
	// A comparison takes it as it is, too.
	wantError(t, exitUsage, []string{"compare", "T1", "T1", "--data", dir}, "named twice")
	// The next test calibrates the simulated bench for the tube that it has then.
	other, cfg := levelFile(t, `sender = "pressure"`, "bore_mm = 26", "bore_mm = 24", "bore_mm = 48")
	st, err := openStore(t.Context(), dir, true)
	if err != nil {
		t.Fatal(err)
	}
	current, err := currentCalibrations(t.Context(), st.Reader, cfg.Channels)
	err = errors.Join(err, st.Close())
	if err != nil {
		t.Fatal(err)
	}
	if err := suits(cfg.Channels[0], current["tube1"]); err == nil || !strings.Contains(err.Error(), "another tube") {
		t.Errorf("the tube was changed: %v", err)
	}
	weighs := current["tube1"]
	weighs.Unit = ingest.UnitG
	if err := suits(cfg.Channels[0], weighs); err == nil || !strings.Contains(err.Error(), "another kind of sensor") {
		t.Errorf("the cell was changed for a sender: %v", err)
	}
	if why := dropUnsuited(cfg.Channels, current); len(why) != 1 || len(current) != 2 {
		t.Errorf("dropped for %v, left %v", why, current)
	}
	if code := run(t.Context(), []string{"test", "--sim", "--config", other, "--data", dir, "--engine", "Sprayer 1", "--yes", "--duration", "20s"}, strings.NewReader(""), &out, &errs); code != exitDone {
		t.Fatalf("exit %d: %s", code, &errs)
	}
	if after := rates(); after != before {
		t.Errorf("the first test's rates were\n%s\nand are\n%s", before, after)
	}
	var shown bytes.Buffer
	if code := run(t.Context(), []string{"channels", "--sim", "--config", file, "--data", dir, "--for", "3s"}, nil, &shown, &errs); code != exitDone || !strings.Contains(shown.String(), " mL ") {
		t.Errorf("channels: exit %d\n%s%s", code, &shown, &errs)
	}
}

// The page's finding of a bench of level senders is in mL/min without a density, and holds
// the truth.
func TestLiveFindingOfLevels(t *testing.T) {
	_, cfg := levelFile(t, `sender = "pressure"`, "bore_mm = 26")
	cfg.Run.DurationS = 60
	b, st, boot, current := calibratedBench(t, cfg)
	for i, p := range pageChannels(cfg.Channels, current) {
		if p.Scale == nil || p.Scale.VolumeML == nil || math.Abs(p.Scale.VolumeML(1e5+8e5)-cfg.Channels[i].CapacityML) > 1.1 { // 90 % of the supply is full
			t.Errorf("%s on the page: %+v", p.Name, p.Scale)
		}
	}
	rec := ingest.NewRecorder(st, boot.ID, ingest.RecorderOptions{})
	if err := rig.Acquire(t.Context(), b.sensors, rec, rig.AcquireOptions{Until: 75 * time.Second}); err != nil {
		t.Fatal(err)
	}
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := liveFinding{store: st.Reader, boot: boot.ID, clock: b.clock, channels: cfg.Channels, calibrations: current}.find(t.Context())
	if err != nil || len(f.Fills) != 3 || !strings.Contains(f.Says, "One run is a first look") {
		t.Fatalf("%+v, %v", f, err)
	}
	for i, fill := range f.Fills {
		truth, err := b.sim.Truth(i, 8*time.Second, 68*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		if fill.U95GPerMin != nil || math.Abs(*fill.RateMLPerMin-truth.RateMLPerMin) > 2**fill.U95MLPerMin {
			t.Errorf("%s: %.3f ± %.3f mL/min, truth %.3f; g/min ± %v", fill.Channel, *fill.RateMLPerMin, *fill.U95MLPerMin, truth.RateMLPerMin, fill.U95GPerMin)
		}
	}
}

// The guard goes by mL of level, without a density.
func TestGuardOfALevel(t *testing.T) {
	file, _ := levelFile(t, "bore_mm = 24", "bore_mm = 24\ncapacity_ml = 8")
	var out, errs bytes.Buffer
	code := run(t.Context(), []string{"test", "--sim", "--config", file, "--data", t.TempDir(), "--engine", "Sprayer 1", "--injectors", "3", "--injector-type", "solenoid",
		"--yes", "--duration", "90s", "--json"}, strings.NewReader(""), &out, &errs)
	v := testResult(t, out.String())
	if r := v.Runs[0]; code != exitFailed || r.Cause != "full" || !strings.Contains(r.Why, "tube1 holds") || !strings.Contains(r.Why, "6.8 mL (85 % of its 8 mL)") {
		t.Errorf("exit %d, %+v\n%s", code, v.Runs, &errs)
	}
}

// A table that is not the tube's bends the line, and is refused with what to look at.
func TestCalibrateRefusesAnotherTubesTable(t *testing.T) {
	_, cfg := levelFile(t)
	o := practice(t, nil)
	table, err := calibrate.NewTube([]calibrate.Strap{{}, {LevelMM: 60, VolumeML: 50}, {LevelMM: 210, VolumeML: 101}}, 0)
	if err != nil {
		t.Fatal(err)
	}
	var points []calibrate.Point
	b, err := openStill(cfg, 0)
	if err != nil {
		t.Fatal(err)
	}
	own, err := b.ownLine(1, cfg.Channels[1])
	if err != nil {
		t.Fatal(err)
	}
	tube, err := keptTube(own)
	if err != nil {
		t.Fatal(err)
	}
	for _, mL := range []float64{0, 20, 40, 60, 80, 100} {
		really, _, err := tube.LevelMM(mL)
		if err != nil {
			t.Fatal(err)
		}
		mm, mpe, err := calibrate.Water{VesselTolML: o.vesselTolML}.Level(table, mL, 1)
		if err != nil {
			t.Fatal(err)
		}
		points = append(points, calibrate.Point{MassG: mm, MPEG: mpe, Counts: own.Zero + own.CountsPerGram*really, Load: fmt.Sprintf("%g mL", mL)})
	}
	line, err := calibrate.Fit(points)
	if err != nil {
		t.Fatal(err)
	}
	line.Unit = calibrate.UnitMM
	a, err := calibrate.Assess(points, line, calibrate.Creep{}, calibrate.LevelLimits())
	if err != nil || !a.Refused() {
		t.Fatalf("%+v, %v", a, err)
	}
	all := fmt.Sprint(a.Remarks)
	if !strings.Contains(all, "strapping table right") || strings.Contains(all, " g,") || strings.Contains(all, "mass") {
		t.Errorf("remarks %s", all)
	}
}

// What lies beyond the table is marked and not guessed.
func TestLevelBeyondTheTable(t *testing.T) {
	cal := ingest.Calibration{Channel: "a", Zero: 1000, CountsPerGram: 100, UCountsPerG: 0.5, DF: 9, Unit: ingest.UnitMM,
		Tube: ingest.Tube{Rows: []ingest.Strap{{}, {LevelMM: 100, VolumeML: 50}}, UML: 0.1}}
	var s ingest.Series
	s.Channel.Name = "a"
	for i, mm := range []float64{-3, -1, 0, 40, 100, 101, 103} {
		s.Samples = append(s.Samples, rig.Sample{Reading: rig.Reading{Elapsed: time.Duration(i) * time.Second, Counts: int32(1000 + 100*mm), Quality: rig.Good}})
	}
	c, err := curveOf(s, 0, cal)
	if err != nil {
		t.Fatal(err)
	}
	if want := []curve.Mark{curve.Limit, curve.Used, curve.Used, curve.Used, curve.Used, curve.Used, curve.Limit}; !slices.Equal(c.Marks, want) || c.Values[3] != 20 || !math.IsNaN(c.Values[0]) {
		t.Errorf("marks %v, values %v", c.Marks, c.Values)
	}
	// u(span)/span and the table's at both ends of the 51 mL that the readings cover.
	if want := math.Hypot(0.005, math.Sqrt2*0.1/51); math.Abs(c.ScaleRelU-want) > 1e-9 || c.Unit != curve.Millilitre || c.DriftPerH != levelDriftMLPerH {
		t.Errorf("relative u %g, want %g; %s", c.ScaleRelU, want, c.Unit)
	}
	// A wide top: 0.5 mL/mm at -1 mm and 2 mL/mm at 101 mm, -0.5 and 127 mL.
	cal.Tube = ingest.Tube{Rows: []ingest.Strap{{}, {LevelMM: 50, VolumeML: 25}, {LevelMM: 100, VolumeML: 125}}}
	cal.UZero, cal.CovZeroSpan = 20, -4
	if c, err = curveOf(s, 0, cal); err != nil {
		t.Fatal(err)
	}
	collected := 127.5 // from -1 mm to 101 mm
	zero, span := 1.5/100, (101*2+1*0.5)/100.0
	if want := math.Sqrt(zero*zero*400+span*span*0.25-2*zero*span*4) / collected; math.Abs(c.ScaleRelU-want) > 1e-9 {
		t.Errorf("a wide top: relative u %g, want %g", c.ScaleRelU, want)
	}
	cal.Tube = ingest.Tube{Rows: []ingest.Strap{{}, {LevelMM: 100, VolumeML: 50}}}
	cal.Tube.Rows[1].VolumeML = 0
	if _, err := curveOf(s, 0, cal); err == nil || !strings.Contains(err.Error(), "does not rise") {
		t.Errorf("a damaged table: %v", err)
	}
	cal.Tube.Rows[1].VolumeML, cal.CountsPerGram = 50, 0
	if _, err := curveOf(s, 0, cal); err == nil || !strings.Contains(err.Error(), "no level") {
		t.Errorf("no slope: %v", err)
	}
}

// Tubes that are weighed and tubes with level senders compare in mL.
func TestFillsInOneUnit(t *testing.T) {
	level := rate.Fill{Unit: curve.Millilitre, RateMLPerMin: 10, U: 0.1}
	weighed := rate.Fill{Unit: curve.Gram, RateGPerMin: 8, RateMLPerMin: 10, U: 0.04, UMLPerMin: 0.05}
	unknown := rate.Fill{Unit: curve.Gram, RateGPerMin: 8, RateMLPerMin: math.NaN(), U: 0.04}
	if got := inOneUnit([]rate.Fill{weighed, unknown}); got[0].Rate() != 8 || got[1].Rate() != 8 {
		t.Errorf("all weighed: %+v", got)
	}
	got := inOneUnit([]rate.Fill{level, weighed, unknown})
	if got[0].Rate() != 10 || got[1].Rate() != 10 || got[1].U != 0.05 || got[2].Unit != "" {
		t.Errorf("mixed: %+v", got)
	}
	if g := gramU95(level, nil); !math.IsNaN(g) {
		t.Errorf("g/min of a level without a density: %g", g)
	}
	// 0.2 mL/min x 0.8 g/mL, and 1.96 x 10 mL/min x 0.01 g/mL.
	level.U95, level.RateGPerMin = 0.2, 8
	if g := gramU95(level, &curve.Density{GPerML: 0.8, U: 0.01}); math.Abs(g-math.Hypot(0.16, 0.19600)) > 1e-4 {
		t.Errorf("g/min of a level: %g", g)
	}
}
