package main

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"brimline/analysis/change"
	"brimline/analysis/curve"
	"brimline/analysis/rate"
	"brimline/analysis/report"
	"brimline/ingest/exchange"
)

// write puts the report, the curves and the result beside the store.
func (d *demo) write(ctx context.Context) (demoJSON, error) {
	result := demoJSON{Schema: demoSchema, Seed: d.seed, Simulated: true, Engine: demoEngine,
		Compare: changeJSONOf(d.comparedSet(), d.change), Change: 100 * d.sim.TrueChange(), Files: d.files}
	for i := range d.tests {
		result.Tests = append(result.Tests, d.rates[i].json())
		result.Truth = append(result.Truth, demoTruths{d.tests[i].Test.Label, d.truth[i]})
	}
	for _, f := range []struct {
		path  string
		write func(io.Writer) error
	}{
		{d.files.Report, func(w io.Writer) error { return report.Render(w, d.report()) }},
		{d.files.Curves, d.writeCurves},
		{d.files.Result, func(w io.Writer) error { return writeJSON(w, result) }},
	} {
		if err := ctx.Err(); err != nil {
			return result, err
		}
		if err := writeFile(f.path, f.write); err != nil {
			return result, err
		}
	}
	return result, nil
}

// writeFile writes a file whole: what stood there before is replaced only when all
// of it is on the disk.
func writeFile(path string, write func(io.Writer) error) error {
	fail := func(err error) error {
		return fmt.Errorf("writing %s: %w: free space, or choose another folder", path, err)
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".brimline-*")
	if err != nil {
		return fail(err)
	}
	defer os.Remove(f.Name()) // gone by then, unless something failed
	err = write(f)
	if err == nil {
		err = f.Chmod(0o644)
	}
	if err == nil {
		err = f.Sync()
	}
	if closing := f.Close(); err == nil {
		err = closing
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return fail(err)
	}
	return nil
}

func (d *demo) comparedSet() comparedSet {
	set := comparedSet{source: "tests T1 and T2", engine: demoEngine, injectorType: "solenoid"}
	for _, t := range d.tests {
		set.fuels = append(set.fuels, phaseFuel{t.Test.Phase, t.Test.Fuel})
	}
	return set
}

// print shows the afternoon on a terminal.
func (d *demo) print(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "\n%s on a SIMULATED bench, seed %d\n\n", demoEngine, d.seed)
	after := d.rates[1]
	wrapTo(&b, "", after.finding)
	wrapTo(&b, "", "Now: "+after.next)
	b.WriteString("\n")

	fmt.Fprintf(&b, "Return flow in mL/min, mean of %d runs ± 95 %%, (what the simulator was told)\n", demoRuns)
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprint(t, "  injector\tbaseline\tafter\tratio to set\t\n")
	flags := d.flagsOf()
	for _, m := range after.members {
		fmt.Fprintf(t, "  %s", m.Injector)
		for i := range d.tests {
			k := slices.IndexFunc(d.rates[i].members, func(x rate.Member) bool { return x.Injector == m.Injector })
			if k < 0 {
				fmt.Fprint(t, "\t–")
				continue
			}
			scale := d.rates[i].perMeasured()
			x := d.rates[i].members[k]
			v, u := report.FormatWithU(x.Mean*scale, x.U95*scale)
			fmt.Fprintf(t, "\t%s ± %s (%.2f)", v, u, d.meanTruth(i, m.Injector))
		}
		q, uq := report.FormatWithU(m.Ratio, m.RatioU95)
		said := flags[m.Injector]
		if s := report.Finding(m.Standing); s != report.InLine {
			said = strings.TrimSuffix(s.Mark()+" "+string(m.Standing)+", "+said, ", ")
		}
		fmt.Fprintf(t, "\t%s ± %s\t%s\n", q, uq, said)
	}
	t.Flush()
	wrapTo(&b, "  ", fmt.Sprintf("Figures in brackets are the simulator's truth, marked so because a real bench never knows it. Of the %d fills' own 95 %% intervals %d hold it.", d.fills(), d.held()))

	if says := d.flagCounts(); says != "" {
		wrapTo(&b, "  ", "Flags: "+says+". The report and 'brimline rates' say what each saw and what to do.")
	}

	b.WriteString("\nBefore against after\n\n")
	if err := printChange(&b, d.change, fuelEffectOf(d.comparedSet().fuels, d.change)); err != nil {
		return err
	}
	wrapTo(&b, "", fmt.Sprintf("Simulator's truth: the set's return flow was made %s.", change.Moved(100*d.sim.TrueChange(), nil)))

	fmt.Fprintf(&b, "\nWritten\n")
	t = tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "  report, to read or print\t%s\n", d.files.Report)
	fmt.Fprintf(t, "  store, with every reading\t%s\n", d.files.Store)
	fmt.Fprintf(t, "  curves, half-second means\t%s\n", d.files.Curves)
	fmt.Fprintf(t, "  this result, for programs\t%s\n", d.files.Result)
	t.Flush()
	fmt.Fprintf(&b, "Look closer: brimline rates T1 --data %s\n", d.dir)
	_, err := io.WriteString(w, b.String())
	return err
}

// flagCounts is every flag by code, the gravest first, with the fills that it is on.
func (d *demo) flagCounts() string {
	var order []rate.Flag
	fills := map[string]int{}
	for _, t := range d.tests {
		for _, f := range t.Fits {
			for _, g := range f.fill().Flags {
				name := g.Code + " (" + g.Severity.String() + ")"
				if fills[name]++; fills[name] == 1 {
					order = append(order, g)
				}
			}
		}
	}
	slices.SortStableFunc(order, func(a, b rate.Flag) int { return cmp.Compare(b.Severity, a.Severity) })
	var says []string
	for _, g := range order {
		name := g.Code + " (" + g.Severity.String() + ")"
		says = append(says, name+" on "+counted(fills[name], "fill"))
	}
	return strings.Join(says, ", ")
}

// flagsOf is every injector's flags over all runs that take something from a rate, by code.
func (d *demo) flagsOf() map[string]string {
	out := map[string]string{}
	for _, t := range d.tests {
		for _, f := range t.Fits {
			name := memberName(f)
			for _, g := range f.fill().Flags {
				if g.Severity > rate.Note && !strings.Contains(out[name], g.Code) {
					out[name] = strings.TrimPrefix(out[name]+", "+g.Code, ", ")
				}
			}
		}
	}
	return out
}

// meanTruth is the mean over a test's runs of what the simulator let an injector
// flow in its fills.
func (d *demo) meanTruth(test int, injector string) float64 {
	sum, n := 0.0, 0.0
	for _, t := range d.truth[test] {
		if strconv.Itoa(t.Injector) == injector {
			sum += t.RateMLPerMin
			n++
		}
	}
	return sum / n
}

func (d *demo) fills() int { return len(d.truth[0]) + len(d.truth[1]) }

// held counts the fills whose interval holds the simulator's truth.
func (d *demo) held() int {
	n := 0
	for i, t := range d.tests {
		for k, f := range t.Fits {
			x := f.fill()
			if math.Abs(x.RateMLPerMin-d.truth[i][k].RateMLPerMin) <= x.U95MLPerMin {
				n++
			}
		}
	}
	return n
}

// writeCurves writes every run as half-second means of grams, one column for each
// injector whatever tube it hung on.
func (d *demo) writeCurves(w io.Writer) error {
	const slot = 0.5
	c := exchange.Curves{Channels: make([]exchange.CurveChannel, demoTubes)}
	for i := range c.Channels {
		c.Channels[i] = exchange.CurveChannel{Name: fmt.Sprintf("injector%d", i+1), Unit: "g"}
	}
	comments := []string{
		"Simulated: " + demoEngine + ", " + demoBench + ", seed " + strconv.FormatUint(d.seed, 10),
		fmt.Sprintf("Means over %g s of the weighed grams; fuel density %.5f g/mL, standard uncertainty %.4f", slot, d.fuel.DensityGPerML, d.fuel.UDensity),
	}
	for _, t := range d.tests {
		for _, run := range t.Runs {
			hung := make([]string, 0, demoTubes)
			for _, p := range run.Positions {
				hung = append(hung, fmt.Sprintf("%s<-injector%d", p.Channel, p.Injector))
			}
			comments = append(comments, fmt.Sprintf("%s run %d from %.0f s: %s", t.Test.Label, run.Number, run.Start.Seconds(), strings.Join(hung, " ")))
			slots := int((run.End - run.Start).Seconds() / slot)
			row := len(c.ElapsedS)
			for k := range slots {
				c.ElapsedS = append(c.ElapsedS, run.Start.Seconds()+(float64(k)+0.5)*slot)
			}
			for i := range c.Channels {
				c.Channels[i].Values = append(c.Channels[i].Values, slices.Repeat([]float64{math.NaN()}, slots)...)
			}
			for _, f := range t.Fits {
				if f.Run == run.Number {
					slotMeans(c.Channels[f.Injector-1].Values[row:], f.Curve, slot)
				}
			}
		}
	}
	return exchange.WriteCurves(w, c, comments...)
}

// slotMeans puts the mean of a curve's used values in each slot of time into dst;
// a slot without any stays NaN.
func slotMeans(dst []float64, c curve.Curve, slot float64) {
	n := make([]float64, len(dst))
	t, y := c.Points()
	for i := range t {
		k := int(t[i] / slot)
		if k >= len(dst) {
			continue
		}
		if n[k]++; n[k] == 1 {
			dst[k] = y[i]
		} else {
			dst[k] += (y[i] - dst[k]) / n[k]
		}
	}
	for k := range dst {
		// A tenth of a milligram: far below what a cell resolves, and a short file.
		dst[k] = math.Round(dst[k]*1e4) / 1e4
	}
}

// checksum is over every value that the fits were made of, in the order of the runs.
func (d *demo) checksum() string {
	h := sha256.New()
	var buf []byte
	for _, t := range d.tests {
		for _, f := range t.Fits {
			h.Write([]byte(f.Curve.Channel))
			for i, v := range f.Curve.Values {
				buf = binary.LittleEndian.AppendUint64(buf[:0], math.Float64bits(f.Curve.ElapsedS[i]))
				buf = binary.LittleEndian.AppendUint64(buf, math.Float64bits(v))
				buf = append(buf, byte(f.Curve.Marks[i]))
				h.Write(buf)
			}
		}
	}
	return "sha256:" + hex.EncodeToString(h.Sum(nil))
}

// report fills the report's form.
func (d *demo) report() report.Report {
	after := d.rates[1]
	r := report.Report{
		Title:  "Return flow of " + demoEngine + ", before and after a dose of cleaner",
		Engine: report.Engine{Label: demoEngine, Injectors: demoTubes, InjectorType: "solenoid", FiringOrder: "1-5-3-6-2-4", DistanceUnit: "h"},
		Bench:  demoBench, MadeAt: demoStart.Add(d.sim.Now()).Truncate(time.Second), Version: version, DataChecksum: d.checksum(), Simulated: true,
		Headline:   []string{after.finding, after.next},
		Warnings:   slices.Concat(d.rates[0].warnings, after.warnings, d.change.Warnings),
		RateMethod: report.FillMethod(), Change: reportChange(d.change),
		Truth: &report.Truth{ChangePercent: 100 * d.sim.TrueChange()},
	}
	for _, e := range d.events {
		r.Events = append(r.Events, report.Event{Kind: e.Kind, What: e.What, Amount: e.Amount, Unit: e.Unit, At: e.At, Odometer: e.Odometer})
	}
	for i, t := range d.tests {
		r.Tests = append(r.Tests, report.Test{Label: t.Test.Label, Phase: t.Test.Phase, At: t.Test.At, Odometer: t.Test.Odometer, Note: t.Test.Note,
			Fuel: report.Fuel{Kind: t.Test.Fuel.Kind, DensityGPerML: t.Test.Fuel.DensityGPerML, UDensity: t.Test.Fuel.UDensity, TempC: t.Test.Fuel.TempC}})
		r.Rates = append(r.Rates, reportRates(t, d.rates[i])...)
		r.Runs = append(r.Runs, reportRuns(t)...)
		for _, c := range t.Used {
			if !slices.ContainsFunc(r.Calibrations, func(x report.Calibration) bool { return x.Channel == c.Channel && x.At.Equal(c.At) }) {
				r.Calibrations = append(r.Calibrations, report.Calibration{Channel: c.Channel, At: c.At, CountsPerGram: c.CountsPerGram, UCountsPerGram: c.UCountsPerG,
					Zero: c.Zero, UZero: c.UZero, DF: c.DF, Certificate: fmt.Sprintf("no. %d, nine loads up and down to 200 g, masses of class M1, by demo", c.ID)})
			}
		}
		for _, m := range d.rates[i].members {
			n, _ := strconv.Atoi(m.Injector)
			r.Truth.Rates = append(r.Truth.Rates, report.TruthRate{Injector: n, Phase: t.Test.Phase, Rate: d.meanTruth(i, m.Injector)})
		}
	}
	r.Budgets = reportBudgets(d.tests[:]...)
	return r
}

// reportRates is one test's rows of the table per injector.
func reportRates(t testFits, s ratedSet) []report.RateRow {
	var rows []report.RateRow
	scale := s.perMeasured()
	for _, m := range s.members {
		n, _ := strconv.Atoi(m.Injector)
		row := report.RateRow{Injector: n, Phase: t.Test.Phase, Rate: m.Mean * scale, U95: m.U95 * scale, K: rate.Coverage95(m.DF), DF: m.DF,
			Ratio: m.Ratio, URatio95: m.RatioU95, Runs: m.Runs, Finding: report.Finding(m.Standing)}
		for _, f := range t.Fits {
			if memberName(f) != m.Injector {
				continue
			}
			for _, g := range f.fill().Flags {
				row.Flags = append(row.Flags, report.Flag{Code: g.Code, Severity: g.Severity.String()}) // its curve explains it
			}
		}
		rows = append(rows, row)
	}
	return rows
}

// reportRuns is one test's runs with their curves, as volume where the density is
// known, counted from the level before the onset.
func reportRuns(t testFits) []report.Run {
	var out []report.Run
	for _, run := range t.Runs {
		r := report.Run{Test: t.Test.Label, Number: run.Number, Phase: t.Test.Phase, Hanging: t.Hangings[run.HangingID], At: t.Walls[run.ID],
			DurationS: run.Planned.Seconds(), Flags: reportFlags(t.RunFlags[run.Number]), Excluded: run.Excluded}
		for _, p := range run.Positions {
			r.Positions = append(r.Positions, report.Position{Channel: p.Channel, Injector: p.Injector})
		}
		for _, f := range t.Fits {
			if f.Run == run.Number {
				r.Curves = append(r.Curves, reportCurve(f, densityOf(t.Test.Fuel)))
			}
		}
		out = append(out, r)
	}
	return out
}

func reportCurve(f fitted, density *curve.Density) report.Curve {
	x := f.fill()
	level := f.Curve.Unit == curve.Millilitre
	per := 1.0
	if density != nil && !level {
		per = density.GPerML
	}
	t, values := f.Curve.Points()
	values = slices.Clone(values)
	for i := range values {
		values[i] = (values[i] - x.Level) / per
	}
	// A misread or two leave no gap worth the name.
	c := report.Curve{Channel: f.Curve.Channel, Injector: f.Injector, ElapsedS: t, GapS: 0.5, OnsetS: x.StartS, EndS: x.EndS,
		Fit: &report.Line{FromS: x.StartS, FromY: 0, ToS: x.EndS, ToY: x.Gain / per}}
	if density != nil || level {
		c.ML = values
	} else {
		c.Grams = values
	}
	c.Rate = x.Rate() / per
	for _, r := range x.Rolling {
		c.Rolling = append(c.Rolling, report.Rolling{AtS: r.AtS, Rate: r.Rate / per, U95: rate.Coverage95(math.Inf(1)) * r.U / per})
	}
	c.Flags = reportFlags(x.Flags)
	return c
}

func reportFlags(flags []rate.Flag) []report.Flag {
	var out []report.Flag
	for _, g := range flags {
		f := report.Flag{Code: g.Code, Severity: g.Severity.String(), Says: g.Says, Evidence: evidenceText(g.Evidence), Do: g.Do, FromS: math.NaN(), ToS: math.NaN()}
		if seen(g.Evidence) {
			f.FromS, f.ToS = g.Evidence.FromS, g.Evidence.ToS
		}
		out = append(out, f)
	}
	return out
}

// budgetSays is where each term of a budget comes from.
var budgetSays = map[string]string{
	"fit":              "noise and wander of the reading and of the flow, from the fill itself",
	"calibration":      "the span's line, masses' tolerances included",
	"zero drift":       "0.5 g/h either way while the temperature changes (common practice, no source)",
	"hose pull":        "what a hose that warms and creeps pulls at its tube (estimate)",
	"buoyancy":         "the air's lift, which changes with the weather",
	"time base":        "the board's crystal",
	"density":          "of the fuel, as noted for the test",
	"fuel temperature": "of the fuel in the tubes, as noted for the test",
}

// reportBudgets is the budget of one typical fill of each channel: of the fills that a
// finding may rest on, the one with the median relative uncertainty.
func reportBudgets(tests ...testFits) []report.Budget {
	type one struct {
		test string
		f    fitted
	}
	of := map[string][]one{}
	for _, t := range tests {
		for _, f := range t.Fits {
			if x := f.fill(); t.stands(f) && len(x.Budget) > 0 && finite(x.UMLPerMin) {
				of[x.Channel] = append(of[x.Channel], one{t.Test.Label, f})
			}
		}
	}
	var out []report.Budget
	for _, ch := range slices.SortedFunc(maps.Keys(of), compareNames) {
		fills := of[ch]
		relative := func(o one) float64 { return o.f.fill().UMLPerMin / o.f.fill().RateMLPerMin }
		slices.SortStableFunc(fills, func(a, b one) int { return cmp.Compare(relative(a), relative(b)) })
		o := fills[len(fills)/2]
		x := o.f.fill()
		b := report.Budget{Channel: ch, Of: fmt.Sprintf("%s, run %d, injector %d", o.test, o.f.Run, o.f.Injector),
			Rate: x.RateMLPerMin, U: x.UMLPerMin, DF: x.DFMLPerMin, U95: x.U95MLPerMin, Advice: x.Advice}
		for _, term := range x.Budget {
			b.Terms = append(b.Terms, report.Term{Name: term.Name, Kind: term.Kind, U: term.U, DF: term.DF, Says: budgetSays[term.Name]})
		}
		out = append(out, b)
	}
	return out
}

// modelName is how the report calls what a comparison rests on.
func modelName(model string) string {
	switch model {
	case "mixed":
		return "a mixed model of the log rates"
	case "hanging-means":
		return "a t test of the hangings' means"
	case "hanging-means-adjusted":
		return "the hangings' means, adjusted for conditions"
	case "bench-hanging-sd":
		return "one hanging a phase, and the bench's own spread between hangings"
	}
	return "no interval can be had"
}

// reportChange is a comparison in the report's form.
func reportChange(r change.Result) *report.Change {
	num := func(p *float64) float64 {
		if p == nil {
			return math.NaN()
		}
		return *p
	}
	interval := func(ci *[2]float64) [2]float64 {
		if ci == nil {
			return [2]float64{math.Inf(-1), math.Inf(1)}
		}
		return *ci
	}
	out := &report.Change{Before: r.Before.Phase, After: r.After.Phase, Scope: r.Scope, Sentence: r.Finding(),
		Percent: r.Effect.Percent, CI95: interval(r.Effect.CI95), DF: num(r.Effect.DF), P: num(r.Effect.P), Decision: report.Decision(r.Decision),
		MarginPercent: r.Equivalence.MarginPercent, EquivalenceP: num(r.Equivalence.P), DetectablePercent: num(r.SmallestDetectablePercent),
		Method: report.Method{Name: modelName(r.Model), Plain: r.Method,
			Formula: "log(rate) = injector + phase + injector × phase + hanging + run + hanging × injector + residual; the hangings' scatter is the error"}}
	for _, i := range r.Injectors {
		n, err := strconv.Atoi(i.Injector)
		if err != nil {
			continue // a name of a file's own: the report numbers injectors
		}
		out.Injectors = append(out.Injectors, report.InjectorChange{Injector: n, Percent: i.Percent, CI95: interval(i.CI95), P: num(i.P)})
	}
	return out
}
