package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"brimline/analysis/change"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
	"brimline/rig/calibrate"
	"brimline/rig/hx711"
	"brimline/rig/simbench"
)

// The demo's story is invented: a growers' co-operative's tractor, an afternoon in
// spring, a dose of cleaner, an afternoon three weeks later.
const (
	demoBench    = "Workshop bench of the growers' co-operative"
	demoEngine   = "Tractor 3"
	demoTubes    = 6
	demoRuns     = 3 // in each test, each in its own hanging
	demoMargin   = 5 // percent, set before the first run
	demoStill    = 20 * time.Second
	demoFlow     = 180 * time.Second
	demoBetween  = 10 * time.Minute    // tubes off, emptied, drained, on again
	demoTreated  = 21 * 24 * time.Hour // from the first test to the second
	demoDensityU = 0.0005              // g/mL, of a good hydrometer
	demoDryTube  = 1                   // whose hose is put on dry in the first run, so that it fills first
	demoDryPart  = 0.3                 // of a metre of hose
	demoSchema   = "brimline/demo/1"
)

var demoStart = time.Date(2026, time.April, 11, 13, 0, 0, 0, time.UTC)

func newDemoCommand() *cobra.Command {
	var seed uint64
	var out string
	var asJSON bool
	c := &cobra.Command{
		Use:   "demo",
		Short: "A simulated afternoon, end to end: calibrate, three runs, an event, three runs",
		Long: `Demo measures an invented tractor on a simulated bench: six tubes are calibrated
with masses; three baseline runs of three minutes, each in its own hanging and with
the injectors moved on by one tube; a dose of cleaner; three runs after. In the
first run one hose was put on dry, as happens, and a flag says so. The pins are
simulated, everything above them is the program that runs on a real bench.

It prints each injector's rate with its interval and its standing in the set, the
change from before to after, and beside them what the simulator was told, which a
real bench never knows. It writes the store, a report, the curves and the result.`,
		Example: "  brimline demo\n  brimline demo --seed 7 --out /tmp/afternoon --json",
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			d := demo{seed: seed, dir: out, progress: c.ErrOrStderr(), driver: true}
			result, err := d.run(c.Context())
			if err != nil {
				return fmt.Errorf("demo: %w", err)
			}
			if asJSON {
				return writeJSON(c.OutOrStdout(), result)
			}
			return d.print(c.OutOrStdout())
		},
	}
	f := c.Flags()
	f.Uint64Var(&seed, "seed", 1, "what the simulated bench's chance begins with; the same seed gives the same afternoon")
	f.StringVar(&out, "out", "brimline-demo", "folder to write to")
	f.BoolVar(&asJSON, "json", false, "print JSON, schema "+demoSchema)
	cobra.CheckErr(c.MarkFlagDirname("out"))
	return c
}

// demo is one simulated afternoon and the one three weeks after.
type demo struct {
	seed     uint64
	dir      string
	progress io.Writer
	driver   bool // read through the driver; else by the simulator's own faster record

	sim     *simbench.Bench
	sensors []rig.Sensor
	world   simbench.World
	fuel    ingest.Fuel
	store   *store.Store
	engine  int64

	tests  [2]testFits
	events []ingest.Event
	rates  [2]ratedSet
	change change.Result
	truth  [2][]demoTruth // per test, fill by fill in the order of tests[i].Fits
	files  demoFiles
}

// demoTruth is what the simulator knows of one fill.
type demoTruth struct {
	Run          int     `json:"run"`
	Injector     int     `json:"injector"`
	Channel      string  `json:"channel"`
	RateMLPerMin float64 `json:"rate_ml_per_min"`
}

type demoFiles struct {
	Store  string `json:"store"`
	Report string `json:"report"`
	Curves string `json:"curves"`
	Result string `json:"result"`
}

// demoJSON is the demo's result. Names are part of the schema: add, never rename.
type demoJSON struct {
	Schema    string       `json:"schema"`
	Seed      uint64       `json:"seed"`
	Simulated bool         `json:"simulated"`
	Engine    string       `json:"engine"`
	Tests     []ratesJSON  `json:"tests"`
	Compare   changeJSON   `json:"compare"`
	Truth     []demoTruths `json:"simulators_truth"`
	Change    float64      `json:"simulators_true_change_percent"`
	Files     demoFiles    `json:"files"`
}

type demoTruths struct {
	Test  string      `json:"test"`
	Fills []demoTruth `json:"fills"`
}

// run measures, analyses and writes all files.
func (d *demo) run(ctx context.Context) (demoJSON, error) {
	if err := d.measure(ctx); err != nil {
		return demoJSON{}, err
	}
	d.say("fitting rates, comparing, writing the report")
	if err := d.analyse(ctx); err != nil {
		return demoJSON{}, err
	}
	return d.write(ctx)
}

func (d *demo) say(format string, a ...any) {
	fmt.Fprintf(d.progress, format+"\n", a...)
}

// measure makes the bench and the store and goes through both afternoons.
func (d *demo) measure(ctx context.Context) (err error) {
	if err := d.openStore(ctx); err != nil {
		return err
	}
	// Whatever happens, what was acknowledged is left readable.
	defer func() { err = errors.Join(err, d.store.Close()) }()
	if err := d.openBench(); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, haltAll(d.sensors)) }()
	if d.engine, err = d.store.AddEngine(ctx, ingest.Engine{Label: demoEngine, Injectors: demoTubes, FiringOrder: "1-5-3-6-2-4", DistanceUnit: "h", InjectorType: "solenoid"}); err != nil {
		return err
	}
	tests := []ingest.Test{
		{Label: "T1", Phase: "baseline", At: demoStart, Odometer: 4212, Note: "engine at working temperature, idle, all loads off"},
		{Label: "T2", Phase: "after", At: demoStart.Add(demoTreated), Odometer: 4268, Note: "as T1; fuel from the same delivery"},
	}
	for i, t := range tests {
		if i == 1 {
			if _, err := d.store.AddEvent(ctx, ingest.Event{EngineID: d.engine, Kind: "dose", What: "injector cleaner into the tank, 190 L of fuel in it",
				Amount: 0.5, Unit: "L", At: demoStart.Add(26 * time.Hour), Odometer: 4213}); err != nil {
				return err
			}
			d.say("event: a dose of cleaner; 55 engine hours and three weeks later")
			if err := d.sim.Advance(demoStart.Add(demoTreated).Sub(demoStart) - d.sim.Now()); err != nil {
				return err
			}
		}
		if err := d.afternoon(ctx, t, i == 1); err != nil {
			return fmt.Errorf("test %s: %w", t.Label, err)
		}
	}
	return nil
}

// openStore makes a new store; the file of an earlier demo in the same folder goes.
func (d *demo) openStore(ctx context.Context) error {
	if err := os.MkdirAll(d.dir, 0o755); err != nil {
		return fmt.Errorf("making the folder %s: %w: choose another with --out", d.dir, err)
	}
	path := filepath.Join(d.dir, simStore)
	d.files = demoFiles{Store: path, Report: filepath.Join(d.dir, "report.html"), Curves: filepath.Join(d.dir, "curves.csv"), Result: filepath.Join(d.dir, "result.json")}
	if _, err := os.Stat(path); err == nil {
		// Opened for writing, so that a daemon that writes it is noticed.
		old, err := store.Open(ctx, path, store.Options{})
		if err != nil {
			return err
		}
		engines, err := old.Engines(ctx)
		if err = errors.Join(err, old.Close()); err != nil {
			return err
		}
		if len(engines) != 1 || engines[0].Label != demoEngine {
			return badInput(fmt.Errorf("%s holds other simulated readings than a demo's: choose another folder with --out", path))
		}
		for _, ext := range []string{"", "-wal", "-shm"} {
			if err := os.Remove(path + ext); err != nil && !errors.Is(err, os.ErrNotExist) {
				return fmt.Errorf("removing the last demo's store: %w: choose another folder with --out", err)
			}
		}
	}
	var err error
	d.store, err = store.Open(ctx, path, store.Options{})
	return err
}

// openBench powers a simulated bench up, with a driver on each of its lines.
func (d *demo) openBench() error {
	d.world = simbench.DefaultWorld()
	d.world.RatesMLPerMin = []float64{9.7, 10.4, 9.2, 15.8, 10.1, 9.5} // the fourth is worn
	d.world.DensityGPerML = 0.8214
	var err error
	d.sim, err = simbench.New(simbench.Options{Seed: d.seed, Channels: demoTubes, World: &d.world})
	if err != nil {
		return err
	}
	// What the hydrometer shows is not quite what is: the error is drawn with the
	// uncertainty that the test notes.
	rng := rand.New(rand.NewPCG(d.seed, 0x64656e73697479))
	d.fuel = ingest.Fuel{Kind: "diesel", DensityGPerML: math.Round(1e5*(d.world.DensityGPerML+demoDensityU*rng.NormFloat64())) / 1e5, UDensity: demoDensityU, TempC: 38}
	for ch := range demoTubes {
		sck, dout, clk := d.sim.Line(ch)
		s, err := hx711.New(sck, dout, clk, hx711.Options{})
		if err != nil {
			return fmt.Errorf("opening %s: %w", tubeName(ch), err)
		}
		d.sensors = append(d.sensors, s)
	}
	return nil
}

func tubeName(ch int) string { return "tube" + strconv.Itoa(ch+1) }

// afternoon is one test: a boot, on the first a calibration, and the runs.
func (d *demo) afternoon(ctx context.Context, t ingest.Test, treated bool) (err error) {
	channels := make([]rig.Channel, demoTubes)
	for ch := range channels {
		channels[ch] = rig.Channel{Name: tubeName(ch), CapacityML: d.world.TubeML}
	}
	origin := t.At.Add(-d.sim.Now()) // wall clock at elapsed zero
	boot, err := d.store.NewBoot(ctx, origin, channels)
	if err != nil {
		return err
	}
	acquirer, err := rig.NewAcquirer(d.sensors...)
	if err != nil {
		return err
	}
	recorder := ingest.NewRecorder(d.store, boot.ID, ingest.RecorderOptions{})
	defer func() { err = errors.Join(err, recorder.Close()) }()
	read := func(sink rig.Sink, until time.Duration) error {
		if d.driver {
			return acquirer.Run(ctx, sink, rig.AcquireOptions{Until: until})
		}
		return d.sim.Record(sink, until)
	}
	if !treated {
		d.say("calibrating %d tubes with masses of class M1", demoTubes)
		if err := d.calibrate(ctx, origin, recorder, read); err != nil {
			return fmt.Errorf("calibrating: %w", err)
		}
	}
	t.EngineID, t.Fuel = d.engine, d.fuel
	if t.ID, err = d.store.AddTest(ctx, t); err != nil {
		return err
	}
	for n := range demoRuns {
		if err := d.sim.Advance(demoBetween); err != nil {
			return err
		}
		shift := n
		if treated {
			shift += demoRuns
		}
		if err := d.oneRun(t, boot, shift, treated, ctx, recorder, read); err != nil {
			return fmt.Errorf("run %d: %w", n+1, err)
		}
	}
	return nil
}

// readFunc reads every channel into a sink until an elapsed time.
type readFunc func(sink rig.Sink, until time.Duration) error

// meanSink takes the mean of each channel's good counts, and passes samples on.
type meanSink struct {
	next   rig.Sink
	sum, n [demoTubes]float64
}

// Put implements rig.Sink. The channels' goroutines each touch their own sums.
func (m *meanSink) Put(samples []rig.Sample) error {
	for _, s := range samples {
		if s.Quality == rig.Good {
			m.sum[s.Channel] += float64(s.Counts)
			m.n[s.Channel]++
		}
	}
	return m.next.Put(samples)
}

// calibrate loads every cell with masses, up and down, and keeps the lines.
func (d *demo) calibrate(ctx context.Context, origin time.Time, recorder rig.Sink, read readFunc) error {
	const class = "M1"
	var points [demoTubes][]calibrate.Point
	loads := [][]float64{nil, {50}, {100}, {50, 100}, {200}, {50, 100}, {100}, {50}, nil}
	for i, load := range loads {
		point := calibrate.Point{Down: i > len(loads)/2}
		for _, g := range load {
			mpe, err := calibrate.MPE(class, g)
			if err != nil {
				return err
			}
			point.MassG += g
			point.MPEG += mpe
		}
		for ch := range demoTubes {
			if err := d.sim.Load(ch, load...); err != nil {
				return err
			}
		}
		m := meanSink{next: recorder}
		if err := read(&m, d.sim.Now()+8*time.Second); err != nil {
			return err
		}
		for ch := range demoTubes {
			if m.n[ch] == 0 {
				return fmt.Errorf("%s gives no good reading: check its plug", tubeName(ch))
			}
			p := point
			p.Counts = m.sum[ch] / m.n[ch]
			points[ch] = append(points[ch], p)
		}
		if err := d.sim.Advance(20 * time.Second); err != nil { // masses are changed by hand
			return err
		}
	}
	at := origin.Add(d.sim.Now())
	for ch := range demoTubes {
		line, err := calibrate.Fit(points[ch])
		if err != nil {
			return fmt.Errorf("%s: %w", tubeName(ch), err)
		}
		line = line.WithBend(points[ch]) // as the calibrate command does
		temp := 19.5
		certificate, err := json.Marshal(calibrate.Certificate{Channel: tubeName(ch), At: at, By: "demo", TempC: &temp, MassClass: class,
			Note: "simulated", Points: points[ch], Line: line})
		if err != nil {
			return err
		}
		if _, err := d.store.AddCalibration(ctx, ingest.Calibration{Channel: tubeName(ch), At: at, Zero: line.Zero, CountsPerGram: line.Span,
			UZero: line.UZero, UCountsPerG: line.USpan, CovZeroSpan: line.CovZeroSpan, DF: line.DF, Certificate: certificate}); err != nil {
			return err
		}
	}
	return nil
}

// oneRun hangs the tubes anew, each injector one tube further than in the run before,
// and collects for three minutes between two rests.
func (d *demo) oneRun(t ingest.Test, boot ingest.Boot, shift int, treated bool, ctx context.Context, recorder *ingest.Recorder, read readFunc) error {
	hanging, err := d.store.AddHanging(ctx, ingest.Hanging{TestID: t.ID})
	if err != nil {
		return err
	}
	positions := make([]int, demoTubes)
	run := ingest.Run{TestID: t.ID, HangingID: hanging.ID, BootID: boot.ID, Planned: demoFlow}
	for ch := range positions {
		positions[ch] = (ch+shift)%demoTubes + 1
		run.Positions = append(run.Positions, ingest.PositionOn{Channel: tubeName(ch), Injector: positions[ch]})
	}
	began := time.Now()
	plan := simbench.RunPlan{Positions: positions, Hanging: shift + 1, Treated: treated, Still: demoStill, Flow: demoFlow}
	if shift == 0 {
		plan.Faults = []simbench.PlannedFault{{Kind: simbench.HoseFilling, Channel: demoDryTube, Severity: demoDryPart}}
	}
	sim, err := d.sim.StartRun(plan)
	if err != nil {
		return err
	}
	run.Start = sim.Start
	if run, err = d.store.StartRun(ctx, run); err != nil {
		return err
	}
	end := sim.FlowEnd + demoStill
	if err := read(recorder, end); err != nil {
		return err
	}
	// A run has ended when its last sample is safe.
	if err := recorder.Flush(ctx); err != nil {
		return err
	}
	if err := d.store.EndRun(ctx, run.ID, end); err != nil {
		return err
	}
	d.say("%s, run %d of %d: %d tubes, %.0f s simulated in %.1f s", t.Phase, run.Number, demoRuns, demoTubes, (end - sim.Start).Seconds(), time.Since(began).Seconds())
	return nil
}

// analyse reads everything back from the store, as `rates` and `compare` do, and
// asks the simulator what each fill should have been.
func (d *demo) analyse(ctx context.Context) error {
	r, err := store.OpenRead(ctx, d.files.Store)
	if err != nil {
		return err
	}
	defer r.Close()
	for i, label := range []string{"T1", "T2"} {
		t, err := fitTest(ctx, r, label)
		if err != nil {
			return err
		}
		d.tests[i] = t
		d.rates[i] = ratesOf(t)
		d.rates[i].judge()
		if d.truth[i], err = d.truthOf(t); err != nil {
			return err
		}
	}
	if d.events, err = r.Events(ctx, d.tests[0].Engine.ID); err != nil {
		return err
	}
	d.change, err = change.Compare(changeReadings(d.tests[:]...), change.Options{Before: "baseline", After: "after", MarginPercent: demoMargin})
	return err
}

// truthOf is the simulator's rate over each fill's own time.
func (d *demo) truthOf(t testFits) ([]demoTruth, error) {
	var out []demoTruth
	for _, f := range t.Fits {
		x := f.fill()
		run := t.Runs[f.Run-1]
		ch, err := strconv.Atoi(f.Curve.Channel[len("tube"):])
		if err != nil {
			return nil, err
		}
		at := func(s float64) time.Duration { return run.Start + time.Duration(s*float64(time.Second)) }
		truth, err := d.sim.Truth(ch-1, at(x.StartS), at(x.EndS))
		if err != nil {
			return nil, fmt.Errorf("the simulator's truth of run %d, %s: %w", f.Run, f.Curve.Channel, err)
		}
		out = append(out, demoTruth{f.Run, f.Injector, f.Curve.Channel, truth.RateMLPerMin})
	}
	return out, nil
}
