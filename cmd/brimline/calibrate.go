package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig/calibrate"
)

const (
	calibrationSchema = "brimline/calibration/1"
	checkSchema       = "brimline/check/1"
)

// calibrateOptions is what `calibrate` may be told.
type calibrateOptions struct {
	config, data string
	sim          bool

	masses, class          string
	water                  string
	waterC, waterTolC      float64
	vesselTolML            float64
	cycles                 int
	hold, wait             time.Duration
	by, note               string
	airC                   float64
	dueMonths              int
	yes, force, asJSON     bool
	list                   bool
	show, check, printable string

	now   func() time.Time
	hands func(number int, asked calibrate.Load) calibrate.Load // what the simulated bench's hands put on; nil: what is asked
}

func newCalibrateCommand() *cobra.Command {
	o := calibrateOptions{airC: math.NaN(), waterC: math.NaN(), now: time.Now}
	c := &cobra.Command{
		Use:   "calibrate CHANNEL",
		Short: "Find a channel's line with known masses or measured water, or check it",
		Long: `Calibrate asks for one load after the other, going up and coming down again,
waits until each stands still, and finds the channel's line from counts to grams
with its uncertainty. It says how straight the line is, whether up and down
agree, whether a load comes back, and whether it creeps. A poor calibration is
refused with the reason and the limit, and nothing is stored; --force keeps it all
the same, marked as such (exit code 3 in both cases).

Hang the tube as it is used, hoses off, the bench level, out of the wind and
switched on for ten minutes. The daemon must not run meanwhile.

--masses names the loads in grams; 0 is the empty tube and always belongs to
them. 150 is put together as 100 + 50. The tolerance of their class (OIML R 111-1)
enters the uncertainty; kitchen weights have no class and are not M1.
--water names the millilitres in the tube instead. Best is a measure made to
deliver, marked Ex or TD, or a syringe: its tolerance is for what leaves it. One
marked In or TC keeps some tenths of a mL back at every pour: add that to
--vessel-tolerance. The water's temperature gives the density.

A level or pressure sender (ads1115) takes --water alone. A level sender's line is
from counts to mm: the tube's bore or strapping table in the config turns each
volume into a level, is kept with the line, and turns levels into mL afterwards. A
capacitive sender is calibrated with the fuel itself, poured in the same way. A
pressure sender weighs what stands above it: its line is in grams, and its tube must
be even.

--check puts one known mass on and holds it against what the line, the mass and
the reading leave in doubt. It changes nothing; every check is kept.`,
		Example: "  brimline calibrate tube1 --config bench.toml --by \"the storekeeper\" --temp 19\n" +
			"  brimline calibrate tube1 --sim --yes --certificate tube1.html     practice\n" +
			"  brimline calibrate tube1 --config bench.toml --masses 0,20,50,100,150,200 --class M2\n" +
			"  brimline calibrate tube1 --config bench.toml --water 0,20,40,60,80 --water-temp 18 --vessel-tolerance 0.2\n" +
			"  brimline calibrate tube1 --config bench.toml --check 100g\n" +
			"  brimline calibrate --list --config bench.toml\n" +
			"  brimline calibrate --show 3 --config bench.toml --certificate tube1.html",
		Args: usageArgs(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if o.water != "" && c.Flags().Changed("masses") {
				return badInput(errors.New("calibrate: --masses and --water: choose one"))
			}
			if o.water != "" && !c.Flags().Changed("cycles") {
				o.cycles = 1
			}
			return runCalibrate(c.Context(), args, o, c.InOrStdin(), c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.StringVar(&o.config, "config", "", "the bench's TOML file; see 'brimline config example'")
	f.BoolVar(&o.sim, "sim", false, "a simulated bench, whose masses the program puts on itself")
	f.StringVar(&o.data, "data", "", "folder of the store (default: the config's)")
	f.StringVar(&o.masses, "masses", "0,50,100,150,200", "loads in grams, 3 to 11 with the empty tube")
	f.StringVar(&o.class, "class", "M1", "class of the masses: F2, M1 or M2")
	f.StringVar(&o.water, "water", "", "millilitres in the tube, instead of masses: 0,20,40,60,80")
	f.Float64Var(&o.waterC, "water-temp", o.waterC, "temperature of the water, °C")
	f.Float64Var(&o.waterTolC, "water-temp-tolerance", 1, "how far the water's temperature may be off, plus or minus °C")
	f.Float64Var(&o.vesselTolML, "vessel-tolerance", 0.5, "tolerance of the measure, plus or minus mL for each pour")
	f.IntVar(&o.cycles, "cycles", 2, "how often up and down; one tells nothing of repeatability")
	f.DurationVar(&o.hold, "hold", time.Minute, "how long the top load stands, to see creep; 0s: not at all")
	f.DurationVar(&o.wait, "wait", time.Minute, "how long to wait for a steady reading")
	f.StringVar(&o.by, "by", "", "who calibrates or checks")
	f.StringVar(&o.note, "note", "", "anything worth remembering")
	f.Float64Var(&o.airC, "temp", o.airC, "temperature of the air at the bench, °C")
	f.IntVar(&o.dueMonths, "due-months", 12, "after how many months the next calibration is due; 0: no date")
	f.StringVar(&o.printable, "certificate", "", "write the certificate as a page to print, FILE.html")
	f.BoolVar(&o.yes, "yes", false, "do not ask for Enter: go on when the reading has moved and stands still")
	f.BoolVar(&o.force, "force", false, "keep a calibration that is refused, marked as such")
	f.BoolVar(&o.asJSON, "json", false, "print JSON, schema "+calibrationSchema+" or "+checkSchema+"; what is asked goes to standard error")
	f.BoolVar(&o.list, "list", false, "list the calibrations and checks that were kept, of CHANNEL or of all")
	f.StringVar(&o.show, "show", "", "print a kept certificate as JSON, by its number in --list (3, or k3 for a check)")
	f.StringVar(&o.check, "check", "", "check the line with one mass: 100g, or 100+50")
	for _, name := range []string{"temp", "water-temp"} {
		f.Lookup(name).DefValue = "0" // so that the help is silent about it: NaN stands for not noted
	}
	cobra.CheckErr(c.MarkFlagFilename("config", "toml"))
	cobra.CheckErr(c.MarkFlagDirname("data"))
	cobra.CheckErr(c.MarkFlagFilename("certificate", "html"))
	return c
}

func runCalibrate(ctx context.Context, args []string, o calibrateOptions, in io.Reader, out, errs io.Writer) error {
	modes := 0
	for _, on := range []bool{o.list, o.show != "", o.check != ""} {
		if on {
			modes++
		}
	}
	if modes > 1 {
		return badInput(errors.New("calibrate: --list, --show and --check: choose one"))
	}
	if o.check != "" && o.water != "" {
		return badInput(errors.New("calibrate: --check and --water: choose one: a check takes a mass, which is known better than any pour"))
	}
	o.class = strings.ToUpper(o.class)
	if o.printable != "" {
		if o.list || o.check != "" {
			return badInput(errors.New("calibrate: --certificate goes with a calibration or with --show; a check is kept as JSON, see --list and --show"))
		}
		if info, err := os.Stat(o.printable); err == nil && info.IsDir() {
			return badInput(fmt.Errorf("calibrate: --certificate %s is a folder: name a file, such as %s", o.printable, filepath.Join(o.printable, "tube1.html")))
		}
		dir := filepath.Dir(o.printable)
		if info, err := os.Stat(dir); err != nil || !info.IsDir() {
			return badInput(fmt.Errorf("calibrate: --certificate %s: there is no folder %s: make it, or name another place", o.printable, dir))
		}
	}
	if o.list || o.show != "" {
		return keptCertificates(ctx, args, o, out)
	}
	if len(args) != 1 {
		return badInput(errors.New("calibrate: no channel named: name the one to calibrate, such as tube1; --list shows what was calibrated"))
	}
	cfg, err := calibrateConfig(o)
	if err != nil {
		return err
	}
	index, err := channelNamed(cfg, args[0])
	if err != nil {
		return badInput(fmt.Errorf("calibrate: %w", err))
	}
	plan, err := o.planFor(cfg.Channels[index])
	if err != nil {
		return badInput(fmt.Errorf("calibrate %s: %w", cfg.Channels[index].Name, err))
	}
	if err := plan.fits(cfg.Channels[index]); err != nil {
		return badInput(fmt.Errorf("calibrate %s: %w", cfg.Channels[index].Name, err))
	}
	if err := plan.foretold(cfg.Channels[index]); err != nil && !o.force {
		return badInput(fmt.Errorf("calibrate %s: %w", cfg.Channels[index].Name, err))
	}
	if err := calibrateChannel(ctx, cfg, index, plan, o, in, out, errs); err != nil {
		return fmt.Errorf("calibrate %s: %w", cfg.Channels[index].Name, err)
	}
	return nil
}

// calibrateConfig reads the bench's file, or the built-in one of the simulated bench.
func calibrateConfig(o calibrateOptions) (*config.Config, error) {
	if o.config == "" && !o.sim {
		return nil, badInput(errors.New("calibrate: neither --config nor --sim is given: name the bench's file, or practise with --sim; 'brimline config example' prints a file to begin with"))
	}
	return serveConfig(serveOptions{config: o.config, data: o.data, sim: o.sim})
}

// channelNamed finds a channel by its name; letters of either case are the same.
func channelNamed(cfg *config.Config, name string) (int, error) {
	var names []string
	for i, ch := range cfg.Channels {
		if strings.EqualFold(ch.Name, name) {
			return i, nil
		}
		names = append(names, ch.Name)
	}
	hint := ""
	if n := config.Nearest(name, names); n != "" {
		hint = fmt.Sprintf("; did you mean %s?", n)
	}
	return 0, fmt.Errorf("there is no channel %q; the bench has %s%s", name, strings.Join(names, ", "), hint)
}

// stage is one loading to be done.
type stage struct {
	calibrate.Load
	mpeG   float64
	cycle  int
	down   bool
	hold   bool    // the top load of the first cycle
	pourML float64 // with water: this much more,
	inML   float64 // to make this
}

// calibratePlan is what will be asked for.
type calibratePlan struct {
	stages []stage
	loads  []calibrate.Load
	water  *calibrate.Water
	tube   *calibrate.Tube // of a level sender: loads are mm of level, not grams
	check  bool
}

// unit is what the loads are in.
func (p calibratePlan) unit() string {
	if p.tube != nil {
		return calibrate.UnitMM
	}
	return "g"
}

// with says in words what is put on.
func (p calibratePlan) with(class string) string {
	if w := p.water; w != nil {
		return fmt.Sprintf("measured water of %g ± %g °C, each pour ± %g mL", w.TempC, w.TempTolC, w.VesselTolML)
	}
	return fmt.Sprintf("masses of class %s (OIML R 111-1:2004)", class)
}

// planFor is the plan for a channel: a sender feels no mass, only what is in the tube.
func (o calibrateOptions) planFor(ch config.Channel) (p calibratePlan, err error) {
	if ch.Sensor != "ads1115" {
		return o.plan(nil)
	}
	if feelsLevel(ch) {
		tube, err := tubeOf(ch)
		if err != nil {
			return p, err
		}
		if o.check == "" && o.water != "" {
			return o.plan(&tube)
		}
	}
	switch {
	case o.check != "":
		return p, fmt.Errorf("--check %s: its %s sender feels no mass: calibrate it anew with --water, and compare the two certificates", o.check, ch.Sender)
	case o.water == "":
		return p, fmt.Errorf("its %s sender feels no mass: pour measured volumes instead, --water 0,25,50,75,95 --water-temp 20 --vessel-tolerance 0.25", ch.Sender)
	}
	return o.plan(nil)
}

// plan checks the options and lays out the loadings; tube is that of a level sender, nil
// where masses count.
func (o calibrateOptions) plan(tube *calibrate.Tube) (p calibratePlan, err error) {
	for _, x := range []struct {
		name     string
		v        float64
		lo, hi   float64
		optional bool
	}{
		{"--temp", o.airC, -40, 60, true}, {"--water-temp", o.waterC, 0, 40, o.water == ""},
		{"--water-temp-tolerance", o.waterTolC, 0, 20, false}, {"--vessel-tolerance", o.vesselTolML, 0, 1000, false},
		{"--cycles", float64(o.cycles), 1, 5, false}, {"--due-months", float64(o.dueMonths), 0, 120, false},
		{"--hold (s)", o.hold.Seconds(), 0, 7200, false}, {"--wait (s)", o.wait.Seconds(), 10, 3600, false},
	} {
		switch {
		case math.IsNaN(x.v) && x.optional:
		case math.IsNaN(x.v) && x.name == "--water-temp":
			return p, errors.New("--water needs --water-temp, the water's temperature in °C: it gives the density")
		case !(x.v >= x.lo && x.v <= x.hi):
			return p, fmt.Errorf("%s is %g: use %g to %g", x.name, x.v, x.lo, x.hi)
		}
	}
	if o.check != "" {
		l, err := calibrate.ParseLoad(o.check)
		if err != nil {
			return p, fmt.Errorf("--check: %w", err)
		}
		if l.MassG == 0 {
			return p, errors.New("--check 0g: a check needs a mass: use one near what a run collects, such as 100g")
		}
		mpe, err := l.MPE(o.class)
		if err != nil {
			return p, err
		}
		return calibratePlan{stages: []stage{{}, {Load: l, mpeG: mpe}}, loads: []calibrate.Load{{}, l}, check: true}, nil
	}
	if o.hold > 0 && o.hold < 10*time.Second {
		return p, fmt.Errorf("--hold is %v: creep takes 10s or more to be seen; 0s leaves it out", o.hold)
	}
	if o.water != "" {
		return o.waterPlan(tube)
	}
	if p.loads, err = calibrate.ParseLoads(o.masses); err != nil {
		return p, fmt.Errorf("--masses: %w", err)
	}
	top := len(p.loads) - 1
	for cycle := 1; cycle <= o.cycles; cycle++ {
		for i, l := range p.loads {
			if i > 0 || cycle == 1 { // the empty tube of a later cycle was read at the end of the one before
				p.stages = append(p.stages, stage{Load: l, cycle: cycle, hold: i == top && cycle == 1 && o.hold > 0})
			}
		}
		for _, l := range slices.Backward(p.loads[:top]) {
			p.stages = append(p.stages, stage{Load: l, cycle: cycle, down: true})
		}
	}
	for i := range p.stages {
		if p.stages[i].mpeG, err = p.stages[i].MPE(o.class); err != nil {
			return p, err
		}
	}
	return p, nil
}

// waterPlan pours once, going up: water is not taken out by measure. With a tube the loads
// are the levels that the volumes make in it, mm.
func (o calibrateOptions) waterPlan(tube *calibrate.Tube) (p calibratePlan, err error) {
	if o.cycles != 1 {
		return p, fmt.Errorf("--cycles %d with --water: water is poured once, going up; leave --cycles out", o.cycles)
	}
	volumes, err := calibrate.ParseVolumes(o.water)
	if err != nil {
		return p, fmt.Errorf("--water: %w", err)
	}
	p.tube = tube
	p.water = &calibrate.Water{TempC: o.waterC, TempTolC: o.waterTolC, VesselTolML: o.vesselTolML}
	for i, mL := range volumes {
		s := stage{cycle: 1, inML: mL, hold: i == len(volumes)-1 && o.hold > 0}
		if tube != nil {
			s.Load.MassG, s.mpeG, err = p.water.Level(*tube, mL, i)
		} else {
			s.Load.MassG, s.mpeG, err = p.water.Load(mL, i)
		}
		if err != nil {
			return p, err
		}
		if i > 0 {
			s.pourML = mL - volumes[i-1]
		}
		p.stages, p.loads = append(p.stages, s), append(p.loads, s.Load)
	}
	return p, nil
}

// calibrateChannel opens store and bench, does the plan, and keeps the result.
func calibrateChannel(ctx context.Context, cfg *config.Config, index int, plan calibratePlan, o calibrateOptions, in io.Reader, out, errs io.Writer) (err error) {
	// The store first: while the daemon has it, it has the converters too.
	st, err := openStore(ctx, cfg.Store.Dir, o.sim)
	if errors.Is(err, store.ErrInUse) {
		return fmt.Errorf("the daemon, or another brimline, is running on this store and reads the same converters: stop it (Ctrl-C where it runs, or 'systemctl stop' with its unit's name), calibrate, start it again: it takes up the new calibration when it starts: %w", err)
	}
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, st.Close()) }()

	ch := cfg.Channels[index]
	current, err := currentCalibrations(ctx, st.Reader, []config.Channel{ch})
	if err != nil {
		return err
	}
	line, known := current[ch.Name]
	if plan.check && !known {
		return badInput(fmt.Errorf("it has no calibration in %s yet: run 'brimline calibrate %s' without --check first", st.Path(), ch.Name))
	}
	// The newest date holds: a line found under a clock that runs behind would not.
	if now := o.now(); known && now.Before(line.At) {
		return fmt.Errorf("this machine's clock says %s, before the calibration that holds (%s): set the clock first, or the new line would count as the older one",
			now.UTC().Format("2006-01-02 15:04"), line.At.UTC().Format("2006-01-02 15:04"))
	}
	b, err := calibrateBench(cfg, o)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, haltAll(b.sensors)) }()

	dialogue := out
	if o.asJSON {
		dialogue = errs
	}
	t, err := newTalk(b, cfg, index, plan, o, in, dialogue)
	if err != nil {
		return err
	}
	defer t.close()
	if plan.check {
		return t.check(ctx, st, line, out)
	}
	return t.calibrate(ctx, st, out)
}

func calibrateBench(cfg *config.Config, o calibrateOptions) (*bench, error) {
	if o.sim {
		return openStill(cfg, 0)
	}
	return openBench(cfg, false)
}

// calibrate does the plan and keeps the line, all of it or nothing.
func (t *talk) calibrate(ctx context.Context, st *store.Store, out io.Writer) error {
	t.intro()
	points, creep, err := t.loads(ctx)
	if err != nil {
		return stopped(ctx, err)
	}
	line, err := calibrate.Fit(points)
	if err != nil {
		return fmt.Errorf("nothing was stored: %w", err)
	}
	limits := calibrate.DefaultLimits()
	if t.ch.Sensor == "ads1115" {
		limits = calibrate.LevelLimits()
	}
	if t.plan.tube != nil {
		line.Unit = calibrate.UnitMM
	}
	line = line.WithBend(points)
	a, err := calibrate.Assess(points, line, creep, limits)
	if err != nil {
		return fmt.Errorf("nothing was stored: %w", err)
	}
	a.Remarks = append(a.Remarks, t.notNoted(line)...)
	at := t.o.now().UTC().Truncate(time.Second)
	c := calibrate.Certificate{
		Channel: t.ch.Name, At: at, By: t.o.by, TempC: number(t.o.airC), MassClass: t.o.class, Note: t.o.note, Points: points, Line: line,
		Bench: t.cfg.Bench.Name, Sensor: t.sensor.String(), Simulated: t.o.sim, Water: t.plan.water, Due: dueDate(at, t.o.dueMonths),
		Steady: calibrate.SteadyRule, Assessment: &a, Forced: a.Refused() && t.o.force, Program: version,
	}
	if c.Water != nil {
		c.MassClass = ""
	}
	unit, tube := ingest.UnitG, ingest.Tube{}
	if t.plan.tube != nil {
		c.Tube, c.TubeUML = t.plan.tube.Rows(), t.plan.tube.UML()
		unit, tube = ingest.UnitMM, storedTube(*t.plan.tube)
	}
	var id int64
	if !a.Refused() || t.o.force {
		text, err := json.Marshal(c)
		if err != nil {
			return fmt.Errorf("nothing was stored: %w", err)
		}
		id, err = st.AddCalibration(ctx, ingest.Calibration{Channel: c.Channel, At: at, Zero: line.Zero, CountsPerGram: line.Span,
			UZero: line.UZero, UCountsPerG: line.USpan, CovZeroSpan: line.CovZeroSpan, DF: a.DFSpan, Certificate: text, Unit: unit, Tube: tube})
		if err != nil {
			return stopped(ctx, err)
		}
	}
	t.result(c, id, st.Path())
	if t.o.printable != "" {
		if err := writeCertificate(t.o.printable, c, id); err != nil {
			return err
		}
		t.say("Certificate: %s (open it in a browser to print it)", t.o.printable)
	}
	if t.o.asJSON {
		if err := writeJSON(out, calibrationJSON{calibrationSchema, idOrNull(id), st.Path(), c}); err != nil {
			return err
		}
	}
	if a.Refused() {
		return flagged()
	}
	return nil
}

// check reads the empty channel and one mass, and keeps what they say of the line.
func (t *talk) check(ctx context.Context, st *store.Store, cal ingest.Calibration, out io.Writer) error {
	t.intro()
	points, _, err := t.loads(ctx)
	if err != nil {
		return stopped(ctx, err)
	}
	// The stored degrees of freedom are those of the whole u(span).
	line := calibrate.Line{Zero: cal.Zero, Span: cal.CountsPerGram, UZero: cal.UZero, USpan: cal.UCountsPerG, USpanFit: cal.UCountsPerG, CovZeroSpan: cal.CovZeroSpan, DF: cal.DF}
	repeatG, repeatDF := 0.0, 0.0
	var found calibrate.Certificate
	if err := json.Unmarshal(cal.Certificate, &found); err == nil && found.Assessment != nil && found.Assessment.Repeatability != nil {
		repeatG, repeatDF = found.Assessment.Repeatability.G, found.Assessment.DFRepeat
	}
	load := t.plan.stages[1]
	reading := func(p calibrate.Point) calibrate.Reading { return calibrate.Reading{Counts: p.Counts, U: p.UMean} }
	k, err := line.NewCheck(load.MassG, load.mpeG, reading(points[0]), reading(points[1]), repeatG, repeatDF)
	if err != nil {
		return fmt.Errorf("nothing was stored: %w", err)
	}
	k.Load, k.MassClass = load.String(), t.o.class
	c := calibrate.CheckCertificate{Channel: t.ch.Name, At: t.o.now().UTC().Truncate(time.Second), By: t.o.by, TempC: number(t.o.airC), Note: t.o.note,
		Simulated: t.o.sim, Calibrated: cal.At, Due: found.Due, Check: k, Program: version}
	text, err := json.Marshal(c)
	if err != nil {
		return fmt.Errorf("nothing was stored: %w", err)
	}
	id, err := st.AddCalibrationCheck(ctx, ingest.CalibrationCheck{CalibrationID: cal.ID, At: c.At, Certificate: text})
	if err != nil {
		return stopped(ctx, err)
	}
	t.checked(c, cal, id, st.Path())
	if t.o.asJSON {
		if err := writeJSON(out, checkJSON{checkSchema, idOrNull(id), cal.ID, st.Path(), c}); err != nil {
			return err
		}
	}
	if !k.InTolerance {
		return flagged()
	}
	return nil
}

type calibrationJSON struct {
	Schema      string                `json:"schema"`
	ID          *int64                `json:"id"` // null: refused, not kept
	Store       string                `json:"store"`
	Certificate calibrate.Certificate `json:"certificate"`
}

type checkJSON struct {
	Schema      string                     `json:"schema"`
	ID          *int64                     `json:"id"`
	Calibration int64                      `json:"calibration"` // held against this one
	Store       string                     `json:"store"`
	Certificate calibrate.CheckCertificate `json:"certificate"`
}

func idOrNull(id int64) *int64 {
	if id == 0 {
		return nil
	}
	return &id
}

// stopped says of an error that ended the work that nothing is left behind.
func stopped(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return errors.New("stopped; nothing was stored, and the line that held before still holds")
	}
	return fmt.Errorf("nothing was stored: %w", err)
}

func dueDate(at time.Time, months int) *time.Time {
	if months == 0 {
		return nil
	}
	due := at.AddDate(0, months, 0)
	return &due
}
