package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"brimline/analysis/change"
	"brimline/config"
)

// compareOptions is what `compare` may be told beside what change.Options holds.
type compareOptions struct {
	change.Options
	asJSON               bool
	engine, data, config string
	injectorType         string
	returnOpen           bool
	hangingSDPercent     float64
}

func newCompareCommand() *cobra.Command {
	var o compareOptions
	c := &cobra.Command{
		Use:   "compare FILE.csv | TEST TEST...",
		Short: "Compare the return flow before with after",
		Long: `Compare reads hand readings, or tests of the store, and says by how much the
set's return flow changed between two phases, how sure that is, and whether the
change is smaller than a margin. Set the margin before you see the data: it is
the smallest change that you would care about.

TESTs are labels or numbers of tests of one engine in the store of --data; each
belongs to the phase that it was noted with. A file has a header and one row for
each tube of each run:

  engine,date,phase,hanging,run,injector,volume_ml,duration_s
  Sprayer 1,2026-03-02,baseline,1,1,1,33.5,180

rate_ml_per_min may stand instead of volume and duration; u_ml (standard
uncertainty of the volume) and odometer may be added, and what was noted beside:
fuel_temp_c, rail_pressure_bar, engine_speed_per_min, coolant_c, and the control
unit's correction_mg_per_stroke or correction_mm3_per_stroke. They are shown
before beside after; --adjust takes one into account where the hangings bear it.

Taking the tubes off and hanging them again makes a new hanging, and hangings
are what the interval rests on: measure at least two in each phase, better
three.
With one in each, only a bench whose own spread between hangings is known gives
an interval. That comes from --hanging-sd and --hanging-df, else from [compare]
in the file of --config, else from tests of the engine in the store of --data
that have several hangings.

Where the return is held at pressure, as injectors of piezo type with a
hydraulic coupler need it, readings from an open tube mean nothing and are not
compared.

Exit code 3 means that the figures are printed but no finding may rest on them.`,
		Example: "  brimline compare readings.csv --margin 10 --injector-type solenoid\n" +
			"  brimline compare T1 T2 --data /var/lib/brimline\n" +
			"  brimline compare readings.csv --before spring --after autumn --json",
		Args: usageArgs(cobra.MinimumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error { return runCompareCommand(c, args, o) },
	}
	f := c.Flags()
	f.Float64Var(&o.MarginPercent, "margin", change.DefaultMarginPercent, "smallest change worth caring about, in percent, set before the data are seen")
	f.StringVar(&o.Before, "before", "", `phase to compare with (default "baseline" or "before", else the file's first)`)
	f.StringVar(&o.After, "after", "", `phase to compare (default "after", else the file's second)`)
	f.StringVar(&o.engine, "engine", "", "label of the engine, when the file has several")
	f.StringVar(&o.data, "data", "", "folder of the store, for TESTs")
	f.StringVar(&o.config, "config", "", "a bench's TOML file: its [compare]")
	f.StringVar(&o.injectorType, "injector-type", "", "solenoid, piezo or unknown, where it is not kept with the engine")
	f.BoolVar(&o.returnOpen, "return-open", false, "the maker's data allow this return to be opened to a tube (=false: it holds pressure)")
	f.StringSliceVar(&o.Adjust, "adjust", nil, `condition to take into account, such as "fuel temperature"; choose it before the data are seen`)
	f.Float64Var(&o.hangingSDPercent, "hanging-sd", 0, "this bench's own spread between hangings, in percent, from a re-hanging study")
	f.Float64Var(&o.HangingDF, "hanging-df", 0, "degrees of freedom of --hanging-sd, as 'plan --rehang' prints them")
	f.BoolVar(&o.PickedWorst, "picked", false, "it was picked because it read high or low: says how far that moves back by itself")
	f.BoolVar(&o.asJSON, "json", false, "print JSON, schema brimline/compare/1")
	cobra.CheckErr(c.MarkFlagDirname("data"))
	cobra.CheckErr(c.MarkFlagFilename("config", "toml"))
	return c
}

func runCompareCommand(c *cobra.Command, args []string, o compareOptions) error {
	if err := o.settle(c.Flags().Changed); err != nil {
		return badInput(fmt.Errorf("compare: %w", err))
	}
	var set comparedSet
	var err error
	switch {
	case o.data != "":
		if set, err = storedReadings(c.Context(), o.data, args, o.engine); err != nil {
			return fmt.Errorf("compare: %w", err)
		}
	case len(args) > 1:
		return badInput(fmt.Errorf("compare: %d arguments: give one file of readings, or tests with --data, the store's folder", len(args)))
	default:
		if set, err = readHandReadings(args[0], o.engine); err != nil {
			return badInput(fmt.Errorf("compare: %w", err))
		}
	}
	if err := set.mayCompare(c, o); err != nil {
		return badInput(fmt.Errorf("compare: %w", err))
	}
	if o.data != "" && o.HangingSD == 0 {
		if err := o.ownHangings(c.Context(), set); err != nil {
			return fmt.Errorf("compare: %w", err)
		}
	}
	return compareSet(c.OutOrStdout(), set, o.Options, o.asJSON)
}

// ownHangings takes the spread between hangings from the engine's tests in the store, where
// each phase has one hanging and nobody stated a spread.
func (o *compareOptions) ownHangings(ctx context.Context, set comparedSet) error {
	r, err := change.Compare(set.readings, o.Options)
	if err != nil || !needsHangings(r) {
		return nil // what is wrong with the readings is said where they are compared
	}
	read, err := openRead(ctx, o.data)
	if err != nil {
		return err
	}
	defer read.Close()
	e, err := engineOf(ctx, read, set.engine)
	if err != nil {
		return err
	}
	b, err := historyOf(ctx, read, e)
	if err != nil {
		return err
	}
	if s := b.hangings(); s != nil {
		o.HangingSD, o.HangingDF = logOf(s.Percent), s.DF
		o.HangingFrom = fmt.Sprintf("this engine's tests that have several (%s, on %s)", counted(s.Hangings, "hanging"), counted(s.Occasions, "occasion"))
		if s.WithRuns {
			o.HangingFrom += ", their runs' scatter left in,"
		}
	}
	return nil
}

// needsHangings reports whether only the spread between hangings is wanting for an interval.
func needsHangings(r change.Result) bool { return r.Effect.CI95 == nil && r.RunsOnly != nil }

// settle checks the flags and takes from the config what no flag says.
func (o *compareOptions) settle(given func(string) bool) error {
	if o.config != "" {
		cfg, err := config.Load(o.config)
		if err != nil {
			return err
		}
		k := cfg.Compare
		if !given("margin") {
			o.MarginPercent = k.MarginPercent
		}
		if k.HangingSDPercent != nil && !given("hanging-sd") {
			o.hangingSDPercent, o.HangingDF = *k.HangingSDPercent, *k.HangingDF
		}
	}
	switch {
	case o.MarginPercent <= 0: // Compare would take 0 for its default
		return fmt.Errorf("--margin is %g %%; give the smallest change worth caring about, above 0 and up to 100", o.MarginPercent)
	case given("hanging-sd") != given("hanging-df"):
		return errors.New("--hanging-sd and --hanging-df belong together: a spread is worth what its degrees of freedom say")
	case given("hanging-sd") && !(o.hangingSDPercent > 0 && o.hangingSDPercent <= 100):
		return fmt.Errorf("--hanging-sd %g %%: give the spread between hangings, above 0 and up to 100", o.hangingSDPercent)
	case given("injector-type") && !slices.Contains(injectorTypes, o.injectorType):
		return fmt.Errorf("--injector-type %s: use %s", o.injectorType, strings.Join(injectorTypes, ", "))
	case given("return-open") && !o.returnOpen:
		return fmt.Errorf("a return that holds pressure is not compared: %s; use the vehicle maker's own procedure", heldReturn)
	}
	o.HangingSD = logOf(o.hangingSDPercent)
	return nil
}

// mayCompare refuses readings of a return that is held at pressure, and asks for the
// injectors' type where nobody knows it and somebody is there to ask.
func (s *comparedSet) mayCompare(c *cobra.Command, o compareOptions) error {
	kind, err := typeOf(s.injectorType, o.injectorType)
	if err != nil {
		return fmt.Errorf("--injector-type %s: %s is %w: leave it out, or correct the engine", o.injectorType, s.engine, err)
	}
	if f, ok := c.InOrStdin().(*os.File); ok && kind == "" && !o.returnOpen && !o.asJSON && term.IsTerminal(int(f.Fd())) {
		if kind, err = askType(f, c.ErrOrStderr(), s.engine); err != nil {
			return err
		}
	}
	s.injectorType = kind
	switch {
	case o.returnOpen || kind == "solenoid":
	case kind == "piezo":
		return fmt.Errorf("%s has piezo injectors: %s; only if the vehicle maker's data say that this return may be opened, say --return-open", s.engine, heldReturn)
	default:
		s.injectorType = "unknown"
		s.doubts = append(s.doubts, change.Doubt{Code: "injector-type", Says: "the type of the injectors is not known: where the return is held at pressure, an open tube changes the engine and the readings mean nothing",
			Do: "say --injector-type solenoid or piezo; the vehicle maker's data have it"})
	}
	return nil
}

// askType asks for the injectors' type.
func askType(in io.Reader, out io.Writer, engine string) (string, error) {
	fmt.Fprintf(out, "Of what type are the injectors of %s: %s?\n", engine, strings.Join(injectorTypes, ", "))
	line, err := bufio.NewReader(in).ReadString('\n')
	if line = strings.ToLower(strings.TrimSpace(line)); line == "" && err != nil {
		return "unknown", nil
	}
	if !slices.Contains(injectorTypes, line) {
		return "", fmt.Errorf("injector type %q: use %s", line, strings.Join(injectorTypes, ", "))
	}
	return line, nil
}

// compareSet compares, prints, and ends with exit code 3 where no finding may rest
// on the result.
func compareSet(w io.Writer, set comparedSet, o change.Options, asJSON bool) error {
	r, err := change.Compare(set.readings, o)
	var bad *change.ReadingError
	if errors.As(err, &bad) && set.lines != nil {
		err = fmt.Errorf("compare: %s, line %d: %w", set.source, set.lines[bad.Index], err)
		return badInput(err)
	}
	if err != nil {
		return badInput(fmt.Errorf("%s: %w", set.source, err))
	}
	set.addDoubts(&r)
	fuel := fuelEffectOf(set.fuels, r)
	if asJSON {
		err = writeJSON(w, changeJSONOf(set, r))
	} else {
		if _, err = fmt.Fprintf(w, "%s, before against after, from %s\n\n", set.engine, set.source); err == nil {
			err = printChange(w, r, fuel)
		}
	}
	if err != nil {
		return fmt.Errorf("compare: writing the result: %w", err)
	}
	if r.Forbids != "" {
		return flagged()
	}
	return nil
}

// addDoubts puts what the source raises doubt by before what the readings do, and says of
// the fuel's temperature what its viscosity makes of it.
func (s comparedSet) addDoubts(r *change.Result) {
	own := r.Doubts
	r.Doubts, r.Warnings = []change.Doubt{}, []string{}
	for _, d := range s.doubts {
		r.Add(d)
	}
	fuel := fuelEffectOf(s.fuels, *r).doubt(*r, own)
	for _, d := range own {
		if d.Code == "one-hanging" && needsHangings(*r) {
			d.Do += "; or measure the bench's own spread between hangings ('brimline plan --rehang'), and give it with --hanging-sd and --hanging-df"
		}
		if fuel != nil && d.Code == fuel.Code {
			d, fuel = *fuel, nil
		}
		r.Add(d)
	}
	if fuel != nil {
		r.Add(*fuel)
	}
}

// changeJSON is a comparison with where it came from. Names are part of schema
// brimline/compare/1: add, never rename.
type changeJSON struct {
	Schema  string `json:"schema"`
	Source  string `json:"source"`
	Engine  string `json:"engine"`
	Finding string `json:"finding"`
	// InjectorType is "solenoid", "piezo" or "unknown".
	InjectorType string `json:"injector_type"`
	// Absent unless the fuel's temperature is noted of all tests.
	FuelTemperature *fuelEffect `json:"fuel_temperature,omitempty"`
	change.Result
}

func changeJSONOf(set comparedSet, r change.Result) changeJSON {
	return changeJSON{"brimline/compare/1", set.source, set.engine, r.Finding(), set.injectorType, fuelEffectOf(set.fuels, r), r}
}
