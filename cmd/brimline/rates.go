package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"brimline/analysis/curve"
	"brimline/analysis/rate"
	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/exchange"
	"brimline/ingest/influx"
	"brimline/ingest/store"
)

// ratesFlags is what `rates` may be told.
type ratesFlags struct {
	asJSON, budget       bool
	columns              string
	countsPerGram        float64
	density              float64
	densityU             float64
	fuelKind             string
	fuelTemp             float64
	fuel                 fuelFlags
	capacity             float64
	from                 fromFlag
	to                   secondsFlag
	data                 string
	config, bench, store string // with --from influx
}

func newRatesCommand() *cobra.Command {
	var o ratesFlags
	o.from.v, o.to.v = math.NaN(), math.NaN()
	c := &cobra.Command{
		Use:   "rates FILE.csv | TEST",
		Short: "Rates, uncertainties and flags of a recorded curve or a stored test",
		Long: `Rates finds the fills in curves of mass or volume against time and gives each its
rate with a 95 % interval, and flags that say what is doubtful about it. With three
channels or more it also says whether one stands apart from the set.

FILE.csv has a first column elapsed_s (seconds) or time (seconds or clock stamps)
and one column for each channel, named with its unit: tube1_g, a_ml, x_counts.
Commas or semicolons, decimal points or (with semicolons) commas, # comments.

TEST is the label or number of a test in the store of --data, or with --from influx
of a test in the shared database that [influx] of --config names: the readings come
from there, and the answer is the one that the bench itself gives.

The finding and what to do now come first. A flag names a doubt about a fill; its
severity says what it takes from it:
  note     worth knowing; the number stands
  doubt    the number stands, with a caution
  forbids  no finding may rest on the fill
Below the table each flag tells what was seen, how big, when, how sure, and what to
do about it.

With --config the rates are set beside your own [limits] in that file. There are
none otherwise, and they change neither the finding nor the exit code.

Exit code 3 means that the figures are printed but no finding may rest on them.`,
		Example: "  brimline rates curves.csv --density 0.832\n" +
			"  brimline rates cell.csv --columns time,cell_counts --counts-per-gram 1540\n" +
			"  brimline rates tank.csv --columns time,tank_g --from 43h --to 44h\n" +
			"  brimline rates T1 --data /var/lib/brimline --budget\n" +
			"  brimline rates T1 --data /var/lib/brimline --json\n" +
			"  brimline rates T1 --from influx --config bench.toml --bench north",
		Args: usageArgs(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error { return runRates(c, args[0], o) },
	}
	f := c.Flags()
	f.BoolVar(&o.asJSON, "json", false, "print JSON, schema "+ratesSchema)
	f.BoolVar(&o.budget, "budget", false, "also show what the uncertainty of each fill is made of, and what would make it smaller")
	f.StringVar(&o.columns, "columns", "", `names for the columns of a file without a header, or whose header lacks units; "-" leaves one out`)
	f.Float64Var(&o.countsPerGram, "counts-per-gram", 0, "what one gram gives, for columns of counts")
	f.Float64Var(&o.density, "density", 0, "of the fuel at the tubes' temperature, g/mL, to give volume rates")
	f.Float64Var(&o.densityU, "density-u", 0, "standard uncertainty of --density, g/mL")
	f.StringVar(&o.fuelKind, "fuel", "diesel", "what the fuel is: its density goes with temperature by that")
	f.Float64Var(&o.fuelTemp, "fuel-temp", math.NaN(), "of the fuel in the tubes, °C")
	f.Lookup("fuel-temp").DefValue = "0" // so that the help shows no default: there is none
	o.fuel.add(f, "")
	f.Float64Var(&o.capacity, "capacity", 0, "of a tube, mL, to say when one was near full (grams need --density)")
	f.Var(&o.from, "from", "leave out what is before: seconds, or 90s, 10m, 43h; or \"influx\": take TEST from the shared database")
	f.Var(&o.to, "to", "leave out what is after; with --from and --to the stretch is fitted as one, not cut into fills")
	f.StringVar(&o.data, "data", "", "folder of the store, for a TEST")
	f.StringVar(&o.config, "config", "", "a bench's TOML file: its [limits]; with --from influx its [influx] too")
	f.StringVar(&o.bench, "bench", "", "whose TEST, for --from influx (default: the bench of --config)")
	f.StringVar(&o.store, "store", "", "which store of the bench, by its mark, for --from influx: asked for where two have such a TEST")
	cobra.CheckErr(c.MarkFlagFilename("config", "toml"))
	return c
}

// secondsFlag takes plain seconds or a duration such as 43h or 1m30s.
type secondsFlag struct{ v float64 }

func (s *secondsFlag) String() string {
	if math.IsNaN(s.v) {
		return ""
	}
	return strconv.FormatFloat(s.v, 'g', -1, 64)
}
func (s *secondsFlag) Type() string { return "time" }
func (s *secondsFlag) Set(text string) error {
	if v, err := strconv.ParseFloat(text, 64); err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
		s.v = v
		return nil
	}
	d, err := time.ParseDuration(text)
	if err != nil {
		return fmt.Errorf("%q is neither seconds (5400) nor a duration (90m, 1h30m)", text)
	}
	s.v = d.Seconds()
	return nil
}

// fromFlag is --from: a time, or the word influx.
type fromFlag struct {
	secondsFlag
	influx bool
}

func (f *fromFlag) String() string {
	if f.influx {
		return "influx"
	}
	return f.secondsFlag.String()
}

func (f *fromFlag) Set(text string) error {
	if f.influx = text == "influx"; f.influx {
		return nil
	}
	if err := f.secondsFlag.Set(text); err != nil {
		return fmt.Errorf("%w, nor \"influx\"", err)
	}
	return nil
}

func runRates(c *cobra.Command, what string, o ratesFlags) error {
	given := c.Flags().Changed
	var set ratedSet
	var err error
	var limits config.Limits
	if given("config") {
		cfg, err := config.Load(o.config)
		if err != nil {
			return badInput(fmt.Errorf("rates: %w", err))
		}
		limits = cfg.Limits
	}
	if o.from.influx {
		set, err = ratesFromInflux(c, what, o, given)
	} else if given("bench") || given("store") {
		err = badInput(errors.New("rates: --bench and --store go with --from influx: add it, or leave them out"))
	} else if isFile(what) {
		set, err = ratesOfFile(what, o, given)
	} else {
		set, err = ratesOfTest(c, what, o, given)
	}
	if err != nil {
		return err
	}
	set.limits = limits
	set.judge()
	if o.asJSON {
		err = set.writeJSON(c.OutOrStdout())
	} else {
		err = set.print(c.OutOrStdout(), o.budget)
	}
	if err != nil {
		return fmt.Errorf("rates: writing the result: %w", err)
	}
	if !set.allowed {
		return flagged()
	}
	return nil
}

// isFile reports whether an argument means a file: one that is there, or one that
// could only be meant as one.
func isFile(what string) bool {
	if _, err := os.Stat(what); err == nil {
		return true
	}
	return strings.ContainsRune(what, os.PathSeparator) || filepath.Ext(what) != ""
}

func ratesOfFile(name string, o ratesFlags, given func(string) bool) (ratedSet, error) {
	set := ratedSet{source: name}
	if given("data") {
		return set, badInput(fmt.Errorf("rates: %s is a file, and --data is for a test of the store: leave one of them out", name))
	}
	if isTable(name, exchange.IsTidyCurves) {
		return ratesOfTable(name, o, given)
	}
	if isTable(name, exchange.IsTidyRates) {
		return set, badInput(fmt.Errorf("rates: %s is a table of rates that export wrote, and has no curves to fit: give the one whose name ends in -curves.csv", name))
	}
	density, err := o.densityGiven(given)
	if err != nil {
		return set, badInput(fmt.Errorf("rates: %w", err))
	}
	if given("capacity") && !(o.capacity > 0 && !math.IsInf(o.capacity, 0)) {
		return set, badInput(fmt.Errorf("rates: --capacity is %g mL: give what a tube holds, above 0", o.capacity))
	}
	if o.to.v <= o.from.v {
		return set, badInput(fmt.Errorf("rates: --to %g s does not come after --from %g s", o.to.v, o.from.v))
	}
	curves, err := readCurveFile(name, o.columns)
	if err != nil {
		return set, badInput(fmt.Errorf("rates: %w", err))
	}
	unit, err := curves.Unit()
	if err != nil {
		return set, badInput(fmt.Errorf("rates: %w", err))
	}
	if unit == "counts" && !(o.countsPerGram != 0 && !math.IsInf(o.countsPerGram, 0) && !math.IsNaN(o.countsPerGram)) {
		return set, badInput(fmt.Errorf("rates: %s: column %s holds counts: say what one gram gives, for example --counts-per-gram 2147", name, curves.Channels[0].Name))
	}
	if unit != "counts" && given("counts-per-gram") {
		return set, badInput(fmt.Errorf("rates: %s is in %s and --counts-per-gram is for counts: leave it out, or name the columns _counts with --columns", name, unit))
	}
	set.warnings = curves.Warnings
	opt := rate.Options{Density: density}
	if given("from") && given("to") {
		opt.Mode = rate.Window
	}
	var all []curve.Curve
	for _, ch := range curves.Channels {
		c, err := fileCurve(curves.ElapsedS, ch, o)
		if err != nil {
			return set, badInput(fmt.Errorf("rates: %s: %w", name, err))
		}
		if given("from") || given("to") {
			from, to := o.from.v, o.to.v
			if !given("from") {
				from = math.Inf(-1)
			}
			if !given("to") {
				to = math.Inf(1)
			}
			c = c.Window(from, to)
			if len(c.Values) == 0 {
				last := curves.ElapsedS[len(curves.ElapsedS)-1]
				return set, badInput(fmt.Errorf("rates: %s holds nothing between --from and --to: it runs from %g to %g s", name, curves.ElapsedS[0], last))
			}
		}
		c.CapacityML = o.capacity
		all = append(all, c)
	}
	run := rate.AnalyseRun(all, opt)
	for i, c := range all {
		if err := run.Errs[i]; err != nil {
			return set, badInput(fmt.Errorf("rates: %s: %w", name, err))
		}
		set.fits = append(set.fits, fitted{Curve: c, Result: run.Results[i]})
		set.values = max(set.values, len(c.Values))
	}
	set.runFlags = map[int][]rate.Flag{0: run.Flags}
	set.start = curves.Start
	set.volume = density != nil || unit == "mL"
	return set, nil
}

// fuelGiven is the fuel of the flags, whose density goes with what else is said of it.
func (o ratesFlags) fuelGiven(given func(string) bool) (ingest.Fuel, error) {
	f := ingest.Fuel{Kind: o.fuelKind, TempC: math.NaN()}
	known := given("density") || given("density-15")
	if given("density-u") && !known {
		return f, errors.New("--density-u without --density: give both")
	}
	if given("density") {
		f.DensityGPerML = o.density
	}
	if known {
		f.UDensity = o.densityU
		if err := (curve.Density{GPerML: max(f.DensityGPerML, o.fuel.density15), U: f.UDensity}).Check(); err != nil {
			return f, fmt.Errorf("--density: %w", err)
		}
	}
	if given("fuel-temp") {
		if !(o.fuelTemp >= -40 && o.fuelTemp <= 120) {
			return f, fmt.Errorf("--fuel-temp %g: give the fuel's temperature in the tubes, -40 to 120 °C", o.fuelTemp)
		}
		f.TempC, f.UTempC = o.fuelTemp, tempU
	}
	if err := o.fuel.apply(&f, o.densityU, given); err != nil {
		return f, err
	}
	_, err := densityAsked(f)
	return f, err
}

// densityGiven is the density of the flags; nil when there is none.
func (o ratesFlags) densityGiven(given func(string) bool) (*curve.Density, error) {
	f, err := o.fuelGiven(given)
	if err != nil {
		return nil, err
	}
	return densityAsked(f)
}

func readCurveFile(name, columns string) (exchange.Curves, error) {
	f, err := os.Open(name)
	if err != nil {
		return exchange.Curves{}, fmt.Errorf("%w; give a CSV file of curves, or the label of a stored test with --data", err)
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return exchange.Curves{}, fmt.Errorf("%s is a folder: give a CSV file of curves", name)
	}
	var o exchange.CurveOptions
	if columns != "" {
		o.Columns = strings.Split(columns, ",")
	}
	return exchange.ReadCurves(f, name, o)
}

// fileCurve makes a curve of one column of a file.
func fileCurve(elapsedS []float64, ch exchange.CurveChannel, o ratesFlags) (curve.Curve, error) {
	switch ch.Unit {
	case "counts":
		return curve.FromCounts(ch.Name, elapsedS, ch.Values, nil, curve.Calibration{CountsPerGram: o.countsPerGram, DF: math.Inf(1), ByMass: true})
	case "mL":
		return curve.New(ch.Name, curve.Millilitre, elapsedS, ch.Values)
	}
	c, err := curve.New(ch.Name, curve.Gram, elapsedS, ch.Values)
	c.InAir = true // a scale shows what masses weigh
	return c, err
}

func ratesOfTest(c *cobra.Command, ref string, o ratesFlags, given func(string) bool) (ratedSet, error) {
	set := ratedSet{source: "test " + ref}
	for _, name := range append([]string{"columns", "counts-per-gram", "density", "density-u", "fuel", "fuel-temp", "capacity", "from", "to"}, fuelNames...) {
		if given(name) {
			return set, badInput(fmt.Errorf("rates: --%s is for a file; the store knows it of test %s: leave it out", name, ref))
		}
	}
	if o.data == "" {
		return set, badInput(fmt.Errorf("rates: there is no file %s; for a test of that label name the store's folder with --data", ref))
	}
	r, err := openRead(c.Context(), o.data)
	if err != nil {
		return set, fmt.Errorf("rates: %w", err)
	}
	defer r.Close()
	t, err := fitTest(c.Context(), r, ref)
	if err != nil {
		if errors.Is(err, store.ErrNotFound) {
			err = badInput(err)
		}
		return set, fmt.Errorf("rates: %w", err)
	}
	return ratesOf(t), nil
}

// ratesFromInflux is the rates of a test that is read back from the shared database.
func ratesFromInflux(c *cobra.Command, ref string, o ratesFlags, given func(string) bool) (ratedSet, error) {
	var set ratedSet
	for _, name := range append([]string{"columns", "counts-per-gram", "density", "density-u", "fuel", "fuel-temp", "capacity", "to", "data"}, fuelNames...) {
		if given(name) {
			return set, badInput(fmt.Errorf("rates: --%s does not go with --from influx, which takes all it needs from the shared database: leave one of them out", name))
		}
	}
	if isFile(ref) {
		return set, badInput(fmt.Errorf("rates: %s is a file, and --from influx is for a test: leave one of them out", ref))
	}
	if o.config == "" {
		return set, badInput(errors.New("rates: --from influx needs --config: the file of a bench whose [influx] says where the shared database is"))
	}
	cfg, err := config.Load(o.config)
	if err != nil {
		return set, badInput(fmt.Errorf("rates: %w", err))
	}
	target, err := influxTarget(cfg, nil)
	if err != nil {
		return set, fmt.Errorf("rates: %w", err)
	}
	if given("bench") {
		target.Bench = o.bench
	}
	r, err := influx.OpenRead(c.Context(), target, o.store, ref)
	if err != nil {
		if errors.Is(err, ingest.ErrNotFound) {
			err = badInput(err)
		}
		return set, fmt.Errorf("rates: %w", err)
	}
	t, err := fitTest(c.Context(), r, ref)
	if err != nil {
		if errors.Is(err, ingest.ErrNotFound) {
			err = badInput(err)
		}
		return set, fmt.Errorf("rates: %w", err)
	}
	return ratesOf(t), nil
}

// openRead opens the store in a data folder: the bench's own, or else the simulated
// one's.
func openRead(ctx context.Context, dir string) (*store.Reader, error) {
	for _, name := range []string{realStore, simStore} {
		path := filepath.Join(dir, name)
		if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
			return store.OpenRead(ctx, path)
		}
	}
	return nil, badInput(fmt.Errorf("%s holds no store (%s or %s): name the folder that --data of serve or --out of demo named", dir, realStore, simStore))
}

// ratesOf is the rates of one stored test.
func ratesOf(t testFits) ratedSet {
	set := ratedSet{source: "test " + t.Test.Label, engine: t.Engine.Label, phase: t.Test.Phase, fits: t.Fits, runFlags: t.RunFlags,
		warnings: t.doubts(), volume: densityOf(t.Test.Fuel) != nil, start: t.Test.At, excluded: t.excluded}
	for _, f := range t.Fits {
		set.values = max(set.values, len(f.Curve.Values))
	}
	for _, r := range t.Runs {
		if r.Excluded != "" {
			set.warnings = append(set.warnings, fmt.Sprintf("run %d is left out of the finding: %s", r.Number, r.Excluded))
		}
	}
	weighs, feels := 0, 0
	for _, f := range t.Fits {
		switch f.Curve.Unit {
		case curve.Gram:
			weighs++
		case curve.Millilitre:
			feels++
		}
	}
	switch {
	case set.volume:
	case feels == 0:
		set.warnings = append(set.warnings, "the test notes no fuel density: rates are in g/min")
	default: // a level needs none
		set.volume = true
		if weighs > 0 {
			set.warnings = append(set.warnings, "the test notes no fuel density: tubes that are weighed have no rate in mL/min, and compare with none that has a level sender")
		}
	}
	slices.SortStableFunc(set.fits, func(a, b fitted) int {
		if a.Run != b.Run {
			return a.Run - b.Run
		}
		return a.Injector - b.Injector
	})
	return set
}
