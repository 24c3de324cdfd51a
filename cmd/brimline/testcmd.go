package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
	"brimline/rig/outlet"
	"brimline/rig/simbench"
)

const (
	testSchema = "brimline/test/1"
	// lightestGPerML stands for a fuel whose density is not known: lighter than any
	// diesel when hot, so that the guard takes a tube for fuller than it is.
	lightestGPerML = 0.75
	betweenRuns    = 2 * time.Minute // on the simulated bench: tubes emptied and drained
	stopWithin     = 15 * time.Second
	leastPerS      = 4 // readings of a channel: three come within a second at 0.9 of it too
)

// testOptions is what `test` may be told.
type testOptions struct {
	config, data   string
	sim            bool
	engine, phase  string
	label, note    string
	injectors      int
	injectorType   string
	distanceUnit   string
	returnOpen     bool
	runs           int
	duration, wait time.Duration
	positions      string
	rotate, rehang bool
	odometer       float64
	railPressure   float64
	engineSpeed    float64
	coolant        float64
	corrections    string
	correctionUnit string
	density        float64
	densityU       float64
	fuelTemp       float64
	fuel           fuelFlags
	yes, asJSON    bool
}

func newTestCommand() *cobra.Command { return newFittedTestCommand(nil, nil) }

// newFittedTestCommand is the command on a simulated bench whose valves may be tampered
// with, and a disk that may be short of room; both may be nil.
func newFittedTestCommand(fit func(*simbench.Outlets), disk ingest.Disk) *cobra.Command {
	var o testOptions
	c := &cobra.Command{
		Use:   "test",
		Short: "Run a test of an engine from the terminal: runs, valves, guard, rates",
		Long: `Test takes one or more runs of an engine, all tubes at once: a rest, the flow, a
rest; everything is kept in the store, and at the end come the rates as 'rates'
prints them. Valves, where the config has them, turn the fuel into the tubes; else
it says when to start and to stop the flow, and sees for itself when it does.

A run ends by its time, by Ctrl-C, or by the guard: when a tube is nearly 85 % full,
when a tube rises no more while others do (it may run over), or when a channel's
level is not known for 2 s. What was collected until then is kept, marked as
stopped early. Unless a tube was full, the guard's word ends the test too, with
exit code 1.

The engine is looked up by its name; a new one needs --injectors and
--injector-type. A return that must hold pressure is not opened to a tube: for
injectors of piezo type, or of unknown type, say --return-open when you know from
the vehicle maker's data that this return may be opened.`,
		Example: "  brimline test --sim --engine \"Tractor 3\" --injectors 6 --injector-type solenoid --yes\n" +
			"  brimline test --config bench.toml --engine \"Tractor 3\" --phase baseline --runs 3 --rotate \\\n" +
			"      --odometer 4212 --density 0.8214 --density-u 0.0005 --fuel-temp 38",
		Args: usageArgs(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error { return runTest(c, o, fit, disk) },
	}
	f := c.Flags()
	f.StringVar(&o.config, "config", "", "the bench's TOML file; see 'brimline config example'")
	f.StringVar(&o.data, "data", "", "folder of the store (default: the config's)")
	f.BoolVar(&o.sim, "sim", false, "on a simulated bench, as fast as it can; without --config, six tubes with valves")
	f.StringVar(&o.engine, "engine", "", "the engine's name")
	f.IntVar(&o.injectors, "injectors", 0, "of a new engine: how many injectors")
	f.StringVar(&o.injectorType, "injector-type", "", "of a new engine: solenoid, piezo or unknown")
	f.StringVar(&o.distanceUnit, "distance-unit", "h", "of a new engine: what its --odometer counts: h, km or mi")
	f.BoolVar(&o.returnOpen, "return-open", false, "the maker's data allow this return to be opened to a tube (=false: it holds pressure)")
	f.StringVar(&o.phase, "phase", "baseline", `"baseline", "after", or your own word`)
	f.StringVar(&o.label, "label", "", "name of the test (default: T1, T2, ...)")
	f.StringVar(&o.note, "note", "", "a remark to keep with the test")
	f.IntVar(&o.runs, "runs", 1, "how many runs")
	f.DurationVar(&o.duration, "duration", 0, "collecting time of a run (default: the config's)")
	f.DurationVar(&o.wait, "wait", 10*time.Minute, "how long to wait for the flow")
	f.StringVar(&o.positions, "positions", "", "the injector at each channel, in the config's order, 0 for none (default: 1,2,3,..)")
	f.BoolVar(&o.rotate, "rotate", false, "move the injectors on by one tube from run to run (each run a new hanging)")
	f.BoolVar(&o.rehang, "rehang", false, "take tubes and hoses off between runs: each run a new hanging")
	f.Float64Var(&o.odometer, "odometer", math.NaN(), "distance or hours of the engine")
	f.Float64Var(&o.railPressure, "rail-pressure", math.NaN(), "as the diagnostic tool shows it, bar")
	f.Float64Var(&o.engineSpeed, "engine-speed", math.NaN(), "at idle, 1/min")
	f.Float64Var(&o.coolant, "coolant", math.NaN(), "its temperature, °C")
	f.StringVar(&o.corrections, "corrections", "", "the control unit's correction of each injector, from the first, such as 0.3,-0.1,0,0.2")
	f.StringVar(&o.correctionUnit, "correction-unit", "mg/stroke", "of --corrections: mg/stroke or mm3/stroke")
	f.Float64Var(&o.density, "density", 0, "of the fuel at the tubes' temperature, g/mL (default: the config's)")
	f.Float64Var(&o.densityU, "density-u", 0, "standard uncertainty of --density, g/mL")
	f.Float64Var(&o.fuelTemp, "fuel-temp", math.NaN(), "of the fuel in the tubes, °C (default: the config's)")
	o.fuel.add(f, "")
	f.BoolVar(&o.yes, "yes", false, "ask nothing: cautions were read, tubes are hung and empty")
	f.BoolVar(&o.asJSON, "json", false, "print JSON, schema "+testSchema)
	for _, name := range []string{"odometer", "fuel-temp", "rail-pressure", "engine-speed", "coolant"} {
		f.Lookup(name).DefValue = "0" // so that the help shows no default: there is none
	}
	cobra.CheckErr(c.MarkFlagFilename("config", "toml"))
	cobra.CheckErr(c.MarkFlagDirname("data"))
	return c
}

// benchTest is one test from its first question to its result.
type benchTest struct {
	o       testOptions
	given   func(string) bool
	cfg     *config.Config
	store   *store.Store
	bench   *bench
	set     *outlet.Set
	sim     *simbench.Outlets // nil: a real bench
	show    *show
	lines   *lineReader
	fitSim  func(*simbench.Outlets) // for tests: what is wrong with the simulated valves
	disk    ingest.Disk             // of the store
	keeper  *ingest.Keeper          // for room: the daemon that watches it does not run meanwhile
	engine  ingest.Engine
	fuel    ingest.Fuel
	test    ingest.Test
	noted   []ingest.Condition // beside its runs
	boot    ingest.Boot
	cals    map[string]ingest.Calibration
	inject  []int // by channel; 0: none
	reading rig.AcquireOptions
	results []testRunJSON
	failure error // of an output
}

// The JSON of a test. Names are part of the schema: add, never rename.
type (
	testJSON struct {
		Schema    string        `json:"schema"`
		Engine    string        `json:"engine"`
		Test      string        `json:"test"`
		Phase     string        `json:"phase"`
		Simulated bool          `json:"simulated"`
		Store     string        `json:"store"`
		Runs      []testRunJSON `json:"runs"`
		Rates     ratesJSON     `json:"rates"`
	}
	testRunJSON struct {
		Run        int      `json:"run"`
		Hanging    int      `json:"hanging"`
		PlannedS   float64  `json:"planned_s"`
		CollectedS float64  `json:"collected_s"`
		Stopped    string   `json:"stopped,omitempty"` // "guard", "user", "failure", "no-flow", "no-level"; absent: by its time
		Cause      string   `json:"cause,omitempty"`   // of the guard: "full", "lost", "plateau", "flow-ended"
		Why        string   `json:"why,omitempty"`
		Rising     []string `json:"still_rising"` // tubes that rose after the flow was taken off
	}
)

func runTest(c *cobra.Command, o testOptions, fitSim func(*simbench.Outlets), disk ingest.Disk) (err error) {
	ctx := c.Context()
	t := &benchTest{o: o, given: c.Flags().Changed, fitSim: fitSim, disk: disk}
	if err := t.check(); err != nil {
		return badInput(fmt.Errorf("test: %w", err))
	}
	if t.cfg, err = serveConfig(serveOptions{config: o.config, data: o.data, sim: o.sim}); err != nil {
		return err
	}
	if o.duration > 0 {
		t.cfg.Run.DurationS = o.duration.Seconds()
	}
	t.show = newShow(c.ErrOrStderr())
	defer t.show.close()
	t.lines = newLineReader(c.InOrStdin())
	defer t.lines.stop()

	if t.store, err = openStore(ctx, t.cfg.Store.Dir, o.sim); err != nil {
		if errors.Is(err, store.ErrInUse) {
			return fmt.Errorf("test: %w; if that is the daemon ('brimline serve'), end it for the test: one program reads the converters at a time", err)
		}
		return fmt.Errorf("test: %w", err)
	}
	defer func() { err = errors.Join(err, t.store.Close()) }()
	if err := t.prepare(ctx); err != nil {
		return fmt.Errorf("test: %w", err)
	}
	if err := t.open(ctx); err != nil {
		return fmt.Errorf("test: %w", err)
	}
	defer func() { err = errors.Join(err, haltAll(t.bench.sensors)) }()
	// After the converters in this list, so before them when it ends, on a panic too.
	defer func() { err = errors.Join(err, t.set.Close()) }()
	if err := t.takeRuns(ctx); err != nil {
		return fmt.Errorf("test: %w", err)
	}
	return t.result(c.OutOrStdout())
}

// check looks at what needs no config.
func (t *benchTest) check() error {
	o := &t.o
	switch {
	case o.config == "" && !o.sim:
		return errors.New("neither --config nor --sim is given: name the bench's file, or practise with --sim; 'brimline config example' prints a file to begin with")
	case strings.TrimSpace(o.engine) == "":
		return errors.New(`--engine is missing: name the engine, for example --engine "Tractor 3"`)
	case strings.TrimSpace(o.phase) == "":
		return errors.New(`--phase is blank: use "baseline", "after", or your own word`)
	case o.runs < 1 || o.runs > 50:
		return fmt.Errorf("--runs %d: use 1 to 50", o.runs)
	case t.given("duration") && (o.duration < 10*time.Second || o.duration > time.Hour):
		return fmt.Errorf("--duration %v: use 10s to 1h", o.duration)
	case o.wait < time.Second || o.wait > 24*time.Hour:
		return fmt.Errorf("--wait %v: use 1s to 24h", o.wait)
	case t.given("injectors") && (o.injectors < 1 || o.injectors > 32):
		return fmt.Errorf("--injectors %d: use 1 to 32", o.injectors)
	case t.given("injector-type") && !slices.Contains([]string{"solenoid", "piezo", "unknown"}, o.injectorType):
		return fmt.Errorf("--injector-type %s: use solenoid, piezo or unknown", o.injectorType)
	case !slices.Contains([]string{"h", "km", "mi"}, o.distanceUnit):
		return fmt.Errorf("--distance-unit %s: use h, km or mi", o.distanceUnit)
	case t.given("odometer") && !(o.odometer >= 0 && o.odometer < 1e9):
		return fmt.Errorf("--odometer %g: use 0 or more", o.odometer)
	case t.given("fuel-temp") && !(o.fuelTemp >= -40 && o.fuelTemp <= 120):
		return fmt.Errorf("--fuel-temp %g °C: use -40 to 120", o.fuelTemp)
	case (t.given("density") || t.given("density-15")) != t.given("density-u"):
		return errors.New("--density (or --density-15) and --density-u belong together: a hydrometer read to 0.001 g/mL has an uncertainty of about 0.0005")
	case t.given("density") && !(o.density >= 0.5 && o.density <= 1.5):
		return fmt.Errorf("--density %g: give it in g/mL, 0.5 to 1.5", o.density)
	case t.given("density-u") && !(o.densityU >= 0 && o.densityU <= 0.05):
		return fmt.Errorf("--density-u %g: give it in g/mL, 0 to 0.05", o.densityU)
	}
	return nil
}

// prepare settles the engine, the positions and the fuel, before anything is powered.
func (t *benchTest) prepare(ctx context.Context) error {
	cfg := t.cfg
	t.fuel = fuelOfConfig(cfg.Fuel)
	if t.given("density") {
		t.fuel.DensityGPerML, t.fuel.UDensity, t.fuel.Density15GPerML, t.fuel.Assumed = t.o.density, t.o.densityU, 0, false
	}
	if t.given("fuel-temp") {
		t.fuel.TempC, t.fuel.UTempC = t.o.fuelTemp, tempU
	}
	if err := t.o.fuel.apply(&t.fuel, t.o.densityU, t.given); err != nil {
		return badInput(err)
	}
	if _, err := densityAsked(t.fuel); err != nil {
		return badInput(err)
	}
	isNew, err := t.findEngine(ctx)
	if err != nil {
		return err
	}
	if t.noted, err = t.o.conditions(t.engine.Injectors, t.given); err != nil {
		return badInput(err)
	}
	if err := t.mayOpenReturn(ctx); err != nil {
		return err
	}
	if err := t.placeInjectors(); err != nil {
		return badInput(err)
	}
	if err := t.quickEnough(); err != nil {
		return badInput(err)
	}
	if !t.o.sim {
		if t.cals, err = currentCalibrations(ctx, t.store.Reader, cfg.Channels); err != nil {
			return err
		}
		if err := t.calibrated(); err != nil {
			return err
		}
	}
	if err := t.hasRoom(ctx); err != nil {
		return err
	}
	if err := t.confirm(ctx, isNew); err != nil {
		return err
	}
	if isNew {
		if t.engine.ID, err = t.store.AddEngine(ctx, t.engine); err != nil {
			return err
		}
	}
	return nil
}

// hasRoom refuses a test whose runs do not all fit on the disk; raw samples of the watch
// make way for them.
func (t *benchTest) hasRoom(ctx context.Context) error {
	if t.disk == nil {
		t.disk = ingest.Folder(filepath.Dir(t.store.Path()))
	}
	clock := rig.NewSystemClock()
	t.keeper = ingest.NewKeeper(ingest.KeeperOptions{Store: t.store, Disk: t.disk, Clock: clock, Boot: clock, Limits: keepLimits(t.cfg.Store),
		Wall: func() (time.Time, bool) { return time.Now(), false }, Log: slog.New(slog.NewTextHandler(sayWriter{t.show}, nil))})
	end, err := t.keeper.BeginRun(ctx, int64(t.o.runs)*t.runNeed())
	if err != nil {
		return fmt.Errorf("%s: %w", counted(t.o.runs, "run"), err)
	}
	end()
	return nil
}

func (t *benchTest) runNeed() int64 {
	seconds := func(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
	return runNeed(t.cfg.Channels, seconds(t.cfg.Run.DurationS), seconds(t.cfg.Run.StillS), t.o.wait)
}

// findEngine looks the engine up, or makes it of the flags and of what it is told.
func (t *benchTest) findEngine(ctx context.Context) (isNew bool, err error) {
	engines, err := t.store.Engines(ctx)
	if err != nil {
		return false, err
	}
	o := &t.o
	for _, e := range engines {
		if e.Label != o.engine {
			continue
		}
		t.engine = e
		if t.given("injectors") && o.injectors != e.Injectors {
			return false, badInput(fmt.Errorf("--injectors %d: %s is kept with %d: leave it out, or name another engine", o.injectors, e.Label, e.Injectors))
		}
		if t.given("injector-type") && o.injectorType != e.InjectorType {
			return false, badInput(fmt.Errorf("--injector-type %s: %s is kept as %s: leave it out, or name another engine", o.injectorType, e.Label, e.InjectorType))
		}
		return false, nil
	}
	if o.injectors == 0 {
		answer, err := t.ask(ctx, fmt.Sprintf("%s is new. How many injectors has it?", o.engine), "--injectors")
		if err != nil {
			return false, err
		}
		if o.injectors, err = strconv.Atoi(answer); err != nil || o.injectors < 1 || o.injectors > 32 {
			return false, badInput(fmt.Errorf("%q injectors: give a number from 1 to 32", answer))
		}
	}
	if o.injectorType == "" {
		if o.injectorType, err = t.ask(ctx, "Of what type are they: solenoid, piezo or unknown?", "--injector-type"); err != nil {
			return false, err
		}
		if !slices.Contains([]string{"solenoid", "piezo", "unknown"}, o.injectorType) {
			return false, badInput(fmt.Errorf("injector type %q: use solenoid, piezo or unknown", o.injectorType))
		}
	}
	t.engine = ingest.Engine{Label: o.engine, Injectors: o.injectors, DistanceUnit: o.distanceUnit, InjectorType: o.injectorType}
	return true, nil
}

// mayOpenReturn refuses a return that is, or may be, held at pressure.
func (t *benchTest) mayOpenReturn(ctx context.Context) error {
	switch {
	case t.given("return-open") && !t.o.returnOpen:
		return badInput(fmt.Errorf("%s: a return that holds pressure is not opened to a tube: %s; use the vehicle maker's own procedure", t.engine.Label, heldReturn))
	case t.o.returnOpen || t.engine.InjectorType == "solenoid":
		return nil
	case t.engine.InjectorType == "piezo":
		return badInput(fmt.Errorf("%s has piezo injectors: %s; only if the vehicle maker's data say that this return may be opened, say --return-open", t.engine.Label, heldReturn))
	}
	t.show.wrap("", fmt.Sprintf("The type of the injectors of %s is not known. Some %s. The vehicle maker's data say whether this return may be opened. If unsure, stop.", t.engine.Label, heldReturn))
	yes, err := t.agree(ctx, "May the return of this engine be opened to a tube?", "--return-open")
	if err != nil {
		return err
	}
	if !yes {
		return badInput(fmt.Errorf("%s: not tested: find out whether its return is held at pressure, then say --return-open or leave it", t.engine.Label))
	}
	return nil
}

// placeInjectors reads --positions.
func (t *benchTest) placeInjectors() error {
	n := len(t.cfg.Channels)
	t.inject = make([]int, n)
	if t.o.positions == "" {
		for ch := range min(n, t.engine.Injectors) {
			t.inject[ch] = ch + 1
		}
	} else {
		parts := strings.Split(t.o.positions, ",")
		if len(parts) > n {
			return fmt.Errorf("--positions names %d channels, the bench has %d", len(parts), n)
		}
		for ch, p := range parts {
			i, err := strconv.Atoi(strings.TrimSpace(p))
			if err != nil || i < 0 || i > t.engine.Injectors {
				return fmt.Errorf("--positions: %q at %s: give an injector from 1 to %d, or 0 for none", p, t.cfg.Channels[ch].Name, t.engine.Injectors)
			}
			if i > 0 && slices.Contains(t.inject, i) {
				return fmt.Errorf("--positions: injector %d stands at two channels", i)
			}
			t.inject[ch] = i
		}
	}
	if len(t.collecting()) == 0 {
		return errors.New("--positions: no channel has an injector")
	}
	if most := slices.Max(t.inject); t.o.sim && most > len(simbench.DefaultWorld().RatesMLPerMin) {
		return fmt.Errorf("injector %d: the simulated engine has %d: use --positions or fewer --injectors", most, len(simbench.DefaultWorld().RatesMLPerMin))
	}
	return nil
}

// positionsOf is the injector at each channel in a run, from 0: with --rotate each run
// moves them on by one of the tubes that are in use.
func (t *benchTest) positionsOf(run int) []int {
	out := slices.Clone(t.inject)
	if !t.o.rotate {
		return out
	}
	used := t.collecting()
	for k, ch := range used {
		out[ch] = t.inject[used[(k+run)%len(used)]]
	}
	return out
}

// placed says which injector feeds which tube.
func (t *benchTest) placed(positions []int) string {
	var at []string
	for _, ch := range t.collecting() {
		at = append(at, fmt.Sprintf("injector %d on %s", positions[ch], t.cfg.Channels[ch].Name))
	}
	return strings.Join(at, ", ")
}

// collecting is the channels that have an injector; it is the same in every run.
func (t *benchTest) collecting() []int {
	var out []int
	for ch, i := range t.inject {
		if i > 0 {
			out = append(out, ch)
		}
	}
	return out
}

// quickEnough refuses a channel whose readings are too rare for the guard, which needs three
// within a second.
func (t *benchTest) quickEnough() error {
	for _, ch := range t.collecting() {
		if c, perS := t.cfg.Channels[ch], config.ReadingsPerS(t.cfg.Channels, ch); perS < leastPerS {
			return fmt.Errorf("channel %s gives %.3g readings a second, and the guard needs %d to stop a run in time: raise sps, now %d for all inputs of its converter", c.Name, perS, leastPerS, c.SPS)
		}
	}
	return nil
}

// calibrated refuses a channel that has no line: its tube could not be guarded.
func (t *benchTest) calibrated() error {
	for _, ch := range t.collecting() {
		name := t.cfg.Channels[ch].Name
		if _, ok := t.cals[name]; !ok {
			return badInput(fmt.Errorf("channel %s has no calibration in %s: without one its level cannot be guarded: 'brimline calibrate %s --config %s' makes one", name, t.store.Path(), name, t.o.config))
		}
		if err := suits(t.cfg.Channels[ch], t.cals[name]); err != nil {
			return badInput(err)
		}
	}
	return nil
}

var testCautions = []string{
	"The rail runs at 200 to 2500 bar: never loosen or probe a pressure line. A pinhole wound is an emergency even if painless: hospital at once, say \"high-pressure fuel injection\".",
	"Low-pressure return only. A return that holds pressure is not opened to a tube. If unsure, stop.",
	"Hot fuel: gloves, eye cover. No flame, no smoking; extinguisher at hand; electronics away from and above the fuel.",
	"Carbon monoxide kills: outdoors or with extraction. Hoses, hair and sleeves clear of belts and fan.",
	"Vent every tube, tray beneath, tank not near empty. Stay with the bench: valves and guard are a second line, not the first.",
}

// confirm shows the cautions and what is going to be done, and asks.
func (t *benchTest) confirm(ctx context.Context, isNew bool) error {
	t.show.say("Take care")
	t.show.wrap("  ", "Follow the vehicle maker's procedure, local codes and the advice of licensed practice; they come before anything said here.")
	for _, c := range testCautions {
		t.show.wrap("  - ", c)
	}
	kept := "known"
	if isNew {
		kept = "new"
	}
	t.show.say("")
	kind := t.engine.InjectorType
	if kind == "unknown" {
		kind = "type not known"
	}
	t.show.say("%s (%s): %s, %s; phase %s", t.engine.Label, kept, counted(t.engine.Injectors, "injector"), kind, t.o.phase)
	t.show.say("%s of %.0f s, %.0f s at rest before and after", counted(t.o.runs, "run"), t.cfg.Run.DurationS, t.cfg.Run.StillS)
	t.show.wrap("", upperFirst(t.placed(t.inject))+".")
	if tubesGPerML(t.fuel) > 0 {
		t.show.wrap("", fuelWords(t.fuel))
	} else if slices.ContainsFunc(t.collecting(), func(ch int) bool { return !feelsLevel(t.cfg.Channels[ch]) }) {
		t.show.wrap("", fmt.Sprintf("The density of the fuel is not given: rates come in grams, and the guard reckons with %g g/mL, which takes tubes for fuller than they are.", lightestGPerML))
	}
	if t.valves() == 0 {
		t.show.wrap("", "This bench has no valves: you start and stop the flow yourself when it says so, also when the guard stops a run.")
	} else {
		var bare []string
		for _, ch := range t.collecting() {
			if t.cfg.Channels[ch].ValvePin == nil {
				bare = append(bare, t.cfg.Channels[ch].Name)
			}
		}
		if len(bare) > 0 {
			return badInput(fmt.Errorf("channels %s have no valve and others do: a run could not be stopped as a whole: set valve_pin for each, or for none", strings.Join(bare, ", ")))
		}
	}
	t.show.say("")
	if t.o.yes {
		return nil
	}
	yes, err := t.agree(ctx, "Tubes hung, vented and empty, hoses on, nobody touching. Begin?", "--yes")
	if err != nil {
		return err
	}
	if !yes {
		return badInput(errors.New("not begun: the answer was not yes; nothing was kept"))
	}
	return nil
}

func (t *benchTest) valves() int {
	n := 0
	for _, ch := range t.cfg.Channels {
		if ch.ValvePin != nil {
			n++
		}
	}
	return n
}

// ask puts a question; the flag is what answers it in a script.
func (t *benchTest) ask(ctx context.Context, question, flag string) (string, error) {
	unanswered := func() error { return badInput(fmt.Errorf("%s Answer with %s", question, flag)) }
	if t.o.yes {
		return "", unanswered()
	}
	t.show.say("%s", question)
	line, err := t.lines.next(ctx)
	if ctx.Err() != nil {
		return "", errors.New("ended by the user before anything was measured")
	}
	if err != nil {
		return "", unanswered()
	}
	return line, nil
}

func (t *benchTest) agree(ctx context.Context, question, flag string) (bool, error) {
	line, err := t.ask(ctx, question+" [yes/no]", flag)
	return line == "y" || line == "yes", err
}

// open powers the bench and begins the boot and the test.
func (t *benchTest) open(ctx context.Context) (err error) {
	if t.o.sim {
		t.bench, err = openStill(t.cfg, 0)
	} else {
		t.bench, err = openBench(t.cfg, false)
	}
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, haltAll(t.bench.sensors))
		}
	}()
	channels := make([]rig.Channel, len(t.cfg.Channels))
	for i, ch := range t.cfg.Channels {
		channels[i] = rig.Channel{Name: ch.Name, CapacityML: ch.CapacityML}
	}
	if t.boot, err = t.store.NewBoot(ctx, t.bench.wall, channels); err != nil {
		return err
	}
	if t.o.sim {
		if err := t.bench.calibrate(ctx, t.store, t.cfg.Channels); err != nil {
			return err
		}
		if t.cals, err = currentCalibrations(ctx, t.store.Reader, t.cfg.Channels); err != nil {
			return err
		}
		if err := t.calibrated(); err != nil {
			return err
		}
		if err := t.simulateOutlets(); err != nil {
			return err
		}
		t.set, err = openOutlets(t.cfg, simulatedPins(t.sim))
	} else {
		t.set, err = openOutlets(t.cfg, boardPins(t.cfg))
	}
	if err != nil {
		return err
	}
	label := t.o.label
	if label == "" {
		if label, err = t.nextLabel(ctx); err != nil {
			return err
		}
	}
	t.test = ingest.Test{EngineID: t.engine.ID, Label: label, Phase: t.o.phase, At: t.bench.wall.Add(t.bench.clock.Now()),
		Odometer: t.o.odometer, Fuel: t.fuel, Note: t.o.note}
	t.test.ID, err = t.store.AddTest(ctx, t.test)
	if errors.Is(err, store.ErrConflict) {
		err = badInput(err)
	}
	if err != nil {
		return err
	}
	for i := range t.noted {
		t.noted[i].TestID = t.test.ID
	}
	return t.store.AddConditions(ctx, t.noted)
}

// simulateOutlets fits the simulated bench with valves where the config has some, and
// leaves out runs that earlier starts have had, so that no two draw the same chance.
func (t *benchTest) simulateOutlets() error {
	for range 64 * (t.boot.ID - 1) {
		if _, err := t.bench.sim.StartRun(simbench.RunPlan{}); err != nil {
			return err
		}
	}
	var err error
	t.sim, err = t.bench.sim.FitOutlets(simbench.OutletOptions{Bare: t.valves() == 0, Drain: t.drain()})
	if err == nil && t.fitSim != nil {
		t.fitSim(t.sim)
	}
	return err
}

func (t *benchTest) drain() bool { return t.cfg.Outlets.Valve == "drain" }

// nextLabel is the first of T1, T2, ... that is free.
func (t *benchTest) nextLabel(ctx context.Context) (string, error) {
	tests, err := t.store.Tests(ctx, 0)
	if err != nil {
		return "", err
	}
	return freeLabel(tests), nil
}

// takeRuns takes every run, or those up to the one that ends the test.
func (t *benchTest) takeRuns(ctx context.Context) (err error) {
	acquirer, err := rig.NewAcquirer(t.bench.sensors...)
	if err != nil {
		return err
	}
	recorder := ingest.NewRecorder(t.store, t.boot.ID, ingest.RecorderOptions{})
	defer func() { err = errors.Join(err, recorder.Close()) }()
	log := slog.New(slog.NewTextHandler(sayWriter{t.show}, nil))
	t.reading = acquireOptions(t.o.sim, len(t.bench.sensors), log)
	watching, stop := context.WithCancel(context.WithoutCancel(ctx))
	var clock sync.WaitGroup
	watch, system := newClockWatch(t.store, t.boot, t.bench, log)
	clock.Go(func() { watch.Run(watching, system) })
	defer clock.Wait()
	defer stop()
	var hanging ingest.Hanging
	for n := range t.o.runs {
		if n > 0 {
			if err := t.between(ctx, n); err != nil {
				return err
			}
			if ctx.Err() != nil {
				break
			}
		}
		if n == 0 || t.o.rehang || t.o.rotate {
			if hanging, err = t.store.AddHanging(context.WithoutCancel(ctx), ingest.Hanging{TestID: t.test.ID}); err != nil {
				return err
			}
		}
		more, err := t.takeRun(ctx, n, hanging, acquirer, recorder)
		if err != nil {
			return fmt.Errorf("run %d: %w", n+1, err)
		}
		if !more {
			break
		}
	}
	return nil
}

// between is what a person does from one run to the next.
func (t *benchTest) between(ctx context.Context, n int) error {
	if t.o.sim {
		return t.bench.sim.Advance(betweenRuns)
	}
	if t.o.yes {
		return nil
	}
	what := "Empty the tubes and let them drain, and leave hoses and tubes as they hang"
	switch {
	case t.o.rotate:
		what = "Empty the tubes and hang them anew: " + t.placed(t.positionsOf(n))
	case t.o.rehang:
		what = "Take the tubes and hoses off, empty them and hang them anew"
	}
	_, err := t.ask(ctx, fmt.Sprintf("%s. Enter begins run %d.", what, n+1), "--yes")
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// takeRun takes one run. More is false when the test ends with it.
func (t *benchTest) takeRun(ctx context.Context, n int, hanging ingest.Hanging, acquirer *rig.Acquirer, recorder *ingest.Recorder) (more bool, err error) {
	duration := time.Duration(t.cfg.Run.DurationS * float64(time.Second))
	r := &benchRun{set: t.set, recorder: recorder, show: t.show, channels: t.collecting(),
		still: time.Duration(t.cfg.Run.StillS * float64(time.Second)), duration: duration, wait: t.o.wait, drain: t.drain(),
		interrupted: func() bool { return ctx.Err() != nil }}
	positions := t.positionsOf(n)
	run := ingest.Run{TestID: t.test.ID, HangingID: hanging.ID, BootID: t.boot.ID, Planned: duration, Start: t.bench.clock.Now()}
	var tubes []outlet.Tube
	for _, ch := range r.channels {
		c := t.cfg.Channels[ch]
		cal, density := t.cals[c.Name], tubesGPerML(t.fuel)
		if !(density > 0) {
			density = lightestGPerML
		}
		r.names, r.capacity = append(r.names, c.Name), append(r.capacity, c.CapacityML)
		volume, err := guardVolume(cal)
		if err != nil {
			return false, err
		}
		tubes = append(tubes, outlet.Tube{Channel: ch, Name: c.Name, ZeroCounts: cal.Zero, CountsPerGram: cal.CountsPerGram, DensityGPerML: density, CapacityML: c.CapacityML,
			Coarse: c.Sensor == "ads1115", VolumeML: volume})
		run.Positions = append(run.Positions, ingest.PositionOn{Channel: c.Name, Injector: positions[ch]})
	}
	if r.guard, err = outlet.NewGuard(tubes...); err != nil {
		return false, err
	}
	if t.o.sim {
		if err := t.simulateRun(positions, hanging, r); err != nil {
			return false, err
		}
	}
	// What was begun is kept whatever the user does meanwhile.
	keep := context.WithoutCancel(ctx)
	endOnDisk, err := t.keeper.BeginRun(keep, t.runNeed())
	if err != nil {
		return false, err
	}
	defer endOnDisk()
	if run, err = t.store.StartRun(keep, run); err != nil {
		return false, err
	}
	t.show.say("Run %d of %d, hanging %d", n+1, t.o.runs, hanging.Number)
	if n > 0 && t.o.rotate {
		t.show.wrap("  ", "Now "+t.placed(positions)+".")
	}

	acquiring, cancel := context.WithCancel(keep)
	defer cancel()
	// Ctrl-C ends a run by its samples; when none come, by the clock.
	defer context.AfterFunc(ctx, func() { time.AfterFunc(r.still+stopWithin, cancel) })()
	err = acquirer.Run(acquiring, r, t.reading)
	released := t.set.Release()
	if errors.Is(err, errRunOver) || ctx.Err() != nil && errors.Is(err, context.Canceled) {
		err = nil
	}
	r.cut(err)
	// A run has ended when its last sample is safe.
	err = errors.Join(err, released, recorder.Flush(keep), t.store.EndRun(keep, run.ID, r.end()))
	word, why := r.stopped()
	result := testRunJSON{Run: run.Number, Hanging: hanging.Number, PlannedS: duration.Seconds(), CollectedS: r.collected().Seconds(), Stopped: word, Why: why, Rising: append([]string{}, r.rising...)}
	if r.stop != nil {
		result.Cause = string(r.stop.Cause)
	}
	var notes []string
	if word != "" {
		notes = append(notes, fmt.Sprintf("stopped early after %.0f s: %s", result.CollectedS, why))
	}
	if len(r.rising) > 0 {
		notes = append(notes, "still rising after the flow was taken off: "+strings.Join(r.rising, ", "))
	}
	for _, note := range eventNotes(acquirer, t.cfg.Channels) {
		notes = append(notes, note)
		t.show.wrap("  ", note)
	}
	if !r.flowed {
		err = errors.Join(err, t.store.Exclude(keep, run.ID, "nothing was collected: "+why))
	} else if len(notes) > 0 {
		err = errors.Join(err, t.store.NoteRun(keep, run.ID, strings.Join(notes, "; ")))
	}
	if err != nil {
		return false, err
	}
	t.results = append(t.results, result)
	t.show.say("  Run %d is kept: %.0f s collected.", run.Number, result.CollectedS)
	if len(r.rising) > 0 {
		t.failure = errors.Join(t.failure, fmt.Errorf("%s rose after the flow was taken off: look at the valve before the next run", strings.Join(r.rising, ", ")))
	}
	t.failure = errors.Join(t.failure, r.failure)
	switch word {
	case "":
		return t.failure == nil, nil
	case "guard":
		// A tube that was full is emptied before the next run.
		if r.stop.Cause == outlet.Full {
			return t.failure == nil, nil
		}
		fallthrough // any other word of the guard needs a look first
	case "no-flow", "no-level":
		t.failure = errors.Join(t.failure, fmt.Errorf("run %d: %s", run.Number, why))
	}
	return false, nil
}

// simulateRun lets the simulated engine run: with valves all the time, else from a
// while after the rest began, as a person would start it.
func (t *benchTest) simulateRun(positions []int, hanging ingest.Hanging, r *benchRun) error {
	plan := simbench.RunPlan{Positions: positions, Hanging: int(hanging.ID), Treated: t.o.phase == "after"}
	if t.valves() > 0 {
		plan.Flow = r.still + r.duration + 10*time.Minute
	} else {
		plan.Still = r.still + 8*time.Second
		plan.Flow = r.duration + 8*time.Second
	}
	_, err := t.bench.sim.StartRun(plan)
	return err
}

// result reads the test back from the store and prints its rates as `rates` does.
func (t *benchTest) result(out io.Writer) error {
	ctx := context.Background()
	if !slices.ContainsFunc(t.results, func(r testRunJSON) bool { return r.CollectedS > 0 }) {
		if t.failure != nil {
			return fmt.Errorf("test: %w; test %s in %s holds nothing to rate", t.failure, t.test.Label, t.store.Path())
		}
		return fmt.Errorf("test: ended before anything was collected: test %s in %s holds nothing to rate", t.test.Label, t.store.Path())
	}
	fits, err := fitTest(ctx, t.store.Reader, t.test.Label)
	if err != nil {
		return fmt.Errorf("test: %w", err)
	}
	set := ratesOf(fits)
	set.limits = t.cfg.Limits
	set.judge()
	t.show.say("")
	t.show.close() // so that the result comes after it where both go to one terminal
	if t.o.asJSON {
		err = writeJSON(out, testJSON{Schema: testSchema, Engine: t.engine.Label, Test: t.test.Label, Phase: t.test.Phase, Simulated: t.o.sim,
			Store: t.store.Path(), Runs: t.results, Rates: set.json()})
	} else if err = set.print(out, false); err == nil {
		_, err = fmt.Fprintf(out, "\nKept as test %s in %s; 'brimline rates %s --data %s' works it out again.\n", t.test.Label, t.store.Path(), t.test.Label, t.cfg.Store.Dir)
	}
	switch {
	case err != nil:
		return fmt.Errorf("test: writing the result: %w", err)
	case t.failure != nil:
		return fmt.Errorf("test: %w", t.failure)
	case !set.allowed:
		return flagged()
	}
	return nil
}
