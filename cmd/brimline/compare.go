package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"brimline/analysis/change"
	"brimline/analysis/curve"
	"brimline/ingest/exchange"
	"brimline/ingest/store"
)

func newCompareCommand() *cobra.Command {
	var (
		asJSON       bool
		engine, data string
		o            change.Options
	)
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
uncertainty of the volume) and odometer may be added. Taking the tubes off and
hanging them again makes a new hanging, and hangings are what the interval rests
on: measure at least two in each phase, better three.

Exit code 3 means that the figures are printed but no finding may rest on them.`,
		Example: "  brimline compare readings.csv --margin 10\n" +
			"  brimline compare T1 T2 --data /var/lib/brimline\n" +
			"  brimline compare readings.csv --before spring --after autumn --engine \"Sprayer 1\" --json",
		Args: usageArgs(cobra.MinimumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if o.MarginPercent <= 0 { // Compare would take 0 for its default
				return badInput(fmt.Errorf("compare: --margin is %g %%; give the smallest change worth caring about, above 0 and up to 100", o.MarginPercent))
			}
			if data != "" {
				set, err := storedReadings(c.Context(), data, args, engine)
				if err != nil {
					return fmt.Errorf("compare: %w", err)
				}
				return compareSet(c.OutOrStdout(), set, o, asJSON)
			}
			if len(args) > 1 {
				return badInput(fmt.Errorf("compare: %d arguments: give one file of readings, or tests with --data, the store's folder", len(args)))
			}
			set, err := readHandReadings(args[0], engine)
			if err != nil {
				return badInput(err)
			}
			return compareSet(c.OutOrStdout(), set, o, asJSON)
		},
	}
	f := c.Flags()
	f.Float64Var(&o.MarginPercent, "margin", change.DefaultMarginPercent, "smallest change worth caring about, in percent, set before the data are seen")
	f.StringVar(&o.Before, "before", "", `phase to compare with (default "baseline" or "before", else the file's first)`)
	f.StringVar(&o.After, "after", "", `phase to compare (default "after", else the file's second)`)
	f.StringVar(&engine, "engine", "", "label of the engine, when the file has several")
	f.StringVar(&data, "data", "", "folder of the store, for TESTs")
	f.BoolVar(&o.PickedWorst, "picked", false, "this engine was picked because it read high or low: adds the warning that such a reading moves back by itself")
	f.BoolVar(&asJSON, "json", false, "print JSON, schema brimline/compare/1")
	return c
}

// comparedSet is what is compared and where it came from.
type comparedSet struct {
	source   string // a file's name, or tests of the store
	engine   string
	readings []change.Reading
	lines    []int // per reading, the file's line; nil when it has none
	fuels    []phaseFuel
	warnings []string // what the source itself raises doubt by
}

// readHandReadings reads one engine's readings; engine may be empty when the file
// has one only.
func readHandReadings(file, engine string) (comparedSet, error) {
	f, err := os.Open(file)
	if err != nil {
		return comparedSet{}, fmt.Errorf("compare: %w; give a CSV file of hand readings", err)
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return comparedSet{}, fmt.Errorf("compare: %s is a directory; give a CSV file of hand readings", file)
	}
	rows, err := exchange.ReadReadings(f, file)
	if err != nil {
		return comparedSet{}, fmt.Errorf("compare: %w", err)
	}
	var engines []string
	for _, r := range rows {
		if !slices.Contains(engines, r.Engine) {
			engines = append(engines, r.Engine)
		}
	}
	if engine == "" {
		if len(engines) > 1 {
			return comparedSet{}, fmt.Errorf("compare: %s has readings of %d engines: %s; choose one with --engine", file, len(engines), strings.Join(engines, ", "))
		}
		engine = engines[0]
	}
	set := comparedSet{source: file, engine: engine}
	future := 0
	// A day's grace: the file's dates are local, and this clock may be in another zone.
	latest := time.Now().AddDate(0, 0, 1)
	for _, r := range rows {
		if r.Engine != engine {
			continue
		}
		if r.Date.After(latest) {
			future++
		}
		set.readings = append(set.readings, change.Reading{Injector: r.Injector, Phase: r.Phase, Hanging: r.Hanging, Run: r.Run,
			Day: r.Date.Format(time.DateOnly), RateMLPerMin: r.RateMLPerMin, UMLPerMin: r.UMLPerMin})
		set.lines = append(set.lines, r.Line)
	}
	if len(set.readings) == 0 {
		return comparedSet{}, fmt.Errorf("compare: %s has no reading of the engine %q; it has: %s", file, engine, strings.Join(engines, ", "))
	}
	if future > 0 {
		set.warnings = append(set.warnings, fmt.Sprintf("%d readings are dated in the future: check the dates, or this computer's clock", future))
	}
	return set, nil
}

// storedReadings reads tests of one engine from the store and fits them.
func storedReadings(ctx context.Context, dir string, refs []string, engine string) (comparedSet, error) {
	r, err := openRead(ctx, dir)
	if err != nil {
		return comparedSet{}, err
	}
	defer r.Close()
	set := comparedSet{source: "tests " + strings.Join(refs, ", ")}
	var tests []testFits
	for _, ref := range refs {
		t, err := fitTest(ctx, r, ref)
		if errors.Is(err, store.ErrNotFound) {
			return set, badInput(err)
		} else if err != nil {
			return set, err
		}
		switch {
		case engine != "" && t.Engine.Label != engine:
			return set, badInput(fmt.Errorf("test %s is of %s, not of %s: leave it out, or mend --engine", ref, t.Engine.Label, engine))
		case set.engine == "":
			set.engine = t.Engine.Label
		case set.engine != t.Engine.Label:
			return set, badInput(fmt.Errorf("test %s is of %s, the first is of %s: compare tests of one engine", ref, t.Engine.Label, set.engine))
		case slices.ContainsFunc(tests, func(x testFits) bool { return x.Test.ID == t.Test.ID }):
			return set, badInput(fmt.Errorf("test %s is named twice: leave one out", ref))
		}
		weighs := slices.ContainsFunc(t.Fits, func(f fitted) bool { return f.Curve.Unit != curve.Millilitre })
		if densityOf(t.Test.Fuel) == nil && weighs {
			return set, badInput(fmt.Errorf("test %s notes no fuel density, so its rates in mL/min are not known: note it, then compare", ref))
		}
		tests = append(tests, t)
		set.fuels = append(set.fuels, phaseFuel{t.Test.Phase, t.Test.Fuel})
		set.warnings = append(set.warnings, t.Warnings...)
		if n := t.left(); n > 0 {
			set.warnings = append(set.warnings, fmt.Sprintf("test %s: %d of %d fills are left out, as their run is excluded or a flag forbids a finding; see 'brimline rates %s'", ref, n, len(t.Fits), ref))
		}
	}
	set.readings = changeReadings(tests...)
	return set, nil
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
	r.Warnings = append(set.warnings, r.Warnings...)
	fuel := fuelEffectOf(set.fuels, r)
	if w := fuel.doubt(r); w != "" {
		r.Warnings = append(r.Warnings, w)
	}
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

// changeJSON is a comparison with where it came from. Names are part of schema
// brimline/compare/1: add, never rename.
type changeJSON struct {
	Schema  string `json:"schema"`
	Source  string `json:"source"`
	Engine  string `json:"engine"`
	Finding string `json:"finding"`
	// Absent unless the fuel's temperature is noted of all tests.
	FuelTemperature *fuelEffect `json:"fuel_temperature,omitempty"`
	change.Result
}

func changeJSONOf(set comparedSet, r change.Result) changeJSON {
	return changeJSON{"brimline/compare/1", set.source, set.engine, r.Finding(), fuelEffectOf(set.fuels, r), r}
}

// changeCaution goes below every comparison.
const changeCaution = "This is a screen across the injectors of one engine. It does not say what caused a change, nor that a part or product works or fails. The vehicle maker's own procedure and limits decide."

// printChange prints a comparison for a reader who knows no statistics: the finding
// first, then the figures, what they rest on, and the doubts.
func printChange(w io.Writer, r change.Result, fuel *fuelEffect) error {
	var b strings.Builder
	wrapTo(&b, "", r.Finding())
	b.WriteString("\n")

	t := tabwriter.NewWriter(&b, 0, 0, 3, ' ', 0)
	fmt.Fprintf(t, "  change of the set\t%s\n", change.Moved(r.Effect.Percent, r.Effect.CI95))
	if r.Effect.CI95 != nil {
		fmt.Fprintf(t, "  95 %% interval\t%s\n", change.Range(*r.Effect.CI95))
		fmt.Fprintf(t, "  chance of one as large from scatter alone\tp %s\n", pValue(*r.Effect.P))
		fmt.Fprintf(t, "  chance if the true change were the margin, %g %%\tp %s\n", r.Equivalence.MarginPercent, pValue(*r.Equivalence.P))
	} else {
		fmt.Fprintf(t, "  95 %% interval\tnone: too little to work one out\n")
	}
	fmt.Fprintf(t, "  decision\t%s\n", r.Decision)
	t.Flush()

	fmt.Fprintf(&b, "\nEach injector, mL/min\n")
	t = tabwriter.NewWriter(&b, 0, 0, 3, ' ', 0)
	fmt.Fprintf(t, "  injector\t%s\t%s\tchange\t95 %% interval, all together\n", r.Before.Phase, r.After.Phase)
	for _, i := range r.Injectors {
		interval := "none"
		if i.CI95 != nil {
			interval = change.Range(*i.CI95)
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\n", i.Injector, rateText(i.BeforeMLPerMin), rateText(i.AfterMLPerMin), change.Moved(i.Percent, i.CI95), interval)
	}
	interval := "none"
	if r.Effect.CI95 != nil {
		interval = change.Range(*r.Effect.CI95)
	}
	fmt.Fprintf(t, "  set\t%s\t%s\t%s\t%s\n", rateText(r.Before.MLPerMin), rateText(r.After.MLPerMin), change.Moved(r.Effect.Percent, r.Effect.CI95), interval)
	t.Flush()
	if len(r.LeftOut) > 0 {
		wrapTo(&b, "  ", "Left out: injector "+strings.Join(r.LeftOut, ", ")+" (see the doubts below).")
	}

	b.WriteString("\nWhat this rests on\n")
	for _, n := range []change.Count{r.Before, r.After} {
		wrapTo(&b, "  ", fmt.Sprintf("%s: %s, %s, %s.", n.Phase, counted(n.Hangings, "hanging"), counted(n.Runs, "run"), counted(n.Readings, "reading")))
	}
	if r.Effect.DF != nil {
		wrapTo(&b, "  ", fmt.Sprintf("The interval comes from how hangings of one phase differ, %.2g %% in the set's mean, with %.3g degrees of freedom.", *r.HangingSDPercent, *r.Effect.DF))
	}
	if r.SmallestDetectablePercent != nil {
		wrapTo(&b, "  ", fmt.Sprintf("Smallest change that such a test shows 4 times out of 5: %.2g %%.", *r.SmallestDetectablePercent))
	}
	if r.HangingsNeeded != nil {
		wrapTo(&b, "  ", fmt.Sprintf("To settle it at this scatter, measure about %d hangings in each phase.", *r.HangingsNeeded))
	} else if r.Decision == change.CannotTell && r.Effect.CI95 != nil {
		wrapTo(&b, "  ", "At this scatter more than 200 hangings in each phase would be needed to settle it: find out what makes the hangings differ first.")
	}
	if fuel != nil {
		wrapTo(&b, "  ", fuel.Says+".")
	}
	wrapTo(&b, "  ", fmt.Sprintf("Scope: %s. It says nothing yet about other engines.", r.Scope))
	if r.LikeThese != nil {
		wrapTo(&b, "  ", fmt.Sprintf("For other injectors like these in the same engine, the interval is %s.", change.Range(*r.LikeThese.CI95)))
	}
	if r.Effect.CI95 != nil {
		wrapTo(&b, "  ", "Method: "+r.Method+".")
	}

	if len(r.Warnings) > 0 {
		b.WriteString("\nDoubts\n")
		for _, x := range r.Warnings {
			wrapTo(&b, "  - ", x+".")
		}
	}
	b.WriteString("\n")
	wrapTo(&b, "", "Caution: "+changeCaution)
	_, err := io.WriteString(w, b.String())
	return err
}

// rateText prints a rate above zero with two decimals, or three figures if that is more.
func rateText(mlPerMin float64) string {
	places := max(2, 2-int(math.Floor(math.Log10(mlPerMin))))
	return strconv.FormatFloat(mlPerMin, 'f', places, 64)
}

// pValue prints a p value with the digits that mean something.
func pValue(p float64) string {
	if p < 0.0001 {
		return "below 0.0001"
	}
	return fmt.Sprintf("%.2g", p)
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// wrapTo writes text in lines of up to 78 columns; the first begins with lead, the
// others with as many spaces.
func wrapTo(b *strings.Builder, lead, text string) {
	const width = 78
	line := lead
	empty := true
	for _, word := range strings.Fields(text) {
		if !empty && len([]rune(line))+1+len([]rune(word)) > width {
			b.WriteString(line + "\n")
			line, empty = strings.Repeat(" ", len(lead)), true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	b.WriteString(line + "\n")
}
