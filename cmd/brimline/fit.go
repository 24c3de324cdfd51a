package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"brimline/analysis/curve"
	"brimline/analysis/rate"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
)

// fitted is one channel's curve over one stretch of time and what was found in it.
type fitted struct {
	Curve         curve.Curve
	Result        rate.Result
	Phase         string // of a stored test; empty for a file
	Run           int    // of a stored test, from 1; 0 for a file
	Hanging       int
	Injector      int       // that fed the channel; 0 when not known
	CalibrationID int64     // of a stored test
	Day           time.Time // that a hand reading was noted for; zero for the bench's own
}

// fill returns the one fill of a run's curve: the first that is one, else the first.
func (f fitted) fill() rate.Fill {
	for _, x := range f.Result.Fills {
		if x.Kind == rate.KindFill {
			return x
		}
	}
	return f.Result.Fills[0]
}

// markOf is how the analysis takes a reading's quality.
func markOf(q rig.Quality) curve.Mark {
	switch q {
	case rig.Good:
		return curve.Used
	case rig.Settling:
		return curve.Settling
	case rig.Saturated:
		return curve.Limit
	case rig.Stalled, rig.Absent:
		return curve.Missing
	}
	return curve.Misread
}

// curveOf turns a run's samples of one channel into a curve on seconds since start.
func curveOf(s ingest.Series, start time.Duration, cal ingest.Calibration) (curve.Curve, error) {
	t := make([]float64, 0, len(s.Samples))
	counts := make([]float64, 0, len(s.Samples))
	marks := make([]curve.Mark, 0, len(s.Samples))
	for _, x := range s.Samples {
		t = append(t, (x.Elapsed - start).Seconds())
		counts = append(counts, float64(x.Counts))
		marks = append(marks, markOf(x.Quality))
	}
	if cal.Unit == ingest.UnitMM {
		c, err := levelCurve(s.Channel.Name, t, counts, marks, cal)
		c.CapacityML = s.Channel.CapacityML
		return c, err
	}
	if cal.Unit == ingest.UnitML {
		for i := range counts {
			counts[i] = (counts[i] - cal.Zero) / cal.CountsPerGram
		}
		c, err := curve.FromVolumes(s.Channel.Name, t, counts, marks, math.Abs(cal.UCountsPerG/cal.CountsPerGram), cal.DF)
		c.CapacityML = s.Channel.CapacityML
		return c, err
	}
	c, err := curve.FromCounts(s.Channel.Name, t, counts, marks, curve.Calibration{
		Zero: cal.Zero, CountsPerGram: cal.CountsPerGram, UCountsPerGram: cal.UCountsPerG, DF: cal.DF, ByMass: true})
	c.CapacityML = s.Channel.CapacityML
	return c, err
}

// testFits is a stored test with every run's fits.
type testFits struct {
	Engine   ingest.Engine
	Test     ingest.Test
	Runs     []ingest.Run
	Hangings map[int64]int       // number by id
	Walls    map[int64]time.Time // when each run began, by its id
	Fits     []fitted            // run by run, in the order of the positions
	RunFlags map[int][]rate.Flag // by the run's number: what rate.AnalyseRun says of the run as a whole
	Used     []ingest.Calibration
	Noted    []ingest.Condition // beside its runs
	Warnings []string
}

// testSource is where a test's book and samples are read from: the embedded store, or
// what came back from a shared one.
type testSource interface {
	Test(ctx context.Context, ref string) (ingest.Test, error)
	Engine(ctx context.Context, ref string) (ingest.Engine, error)
	Runs(ctx context.Context, testID int64) ([]ingest.Run, error)
	Hangings(ctx context.Context, testID int64) ([]ingest.Hanging, error)
	Boots(ctx context.Context) ([]ingest.Boot, error)
	RunSeries(ctx context.Context, run ingest.Run) ([]ingest.Series, error)
	Calibration(ctx context.Context, channel string, at time.Time) (ingest.Calibration, error)
	Calibrations(ctx context.Context, channel string) ([]ingest.Calibration, error)
}

// testBook is a test without its fits, and the boots that its runs are dated by.
func testBook(ctx context.Context, r testSource, ref string) (out testFits, boots []ingest.Boot, err error) {
	if out.Test, err = r.Test(ctx, ref); err != nil {
		return out, nil, err
	}
	if out.Engine, err = r.Engine(ctx, strconv.FormatInt(out.Test.EngineID, 10)); err != nil {
		return out, nil, err
	}
	if out.Runs, err = r.Runs(ctx, out.Test.ID); err != nil {
		return out, nil, err
	}
	hangings, err := r.Hangings(ctx, out.Test.ID)
	if err != nil {
		return out, nil, err
	}
	out.Hangings, out.Walls = map[int64]int{}, map[int64]time.Time{}
	for _, h := range hangings {
		out.Hangings[h.ID] = h.Number
	}
	if c, ok := r.(conditionSource); ok {
		if out.Noted, err = c.Conditions(ctx, out.Test.ID); err != nil {
			return out, nil, err
		}
	}
	boots, err = r.Boots(ctx)
	return out, boots, err
}

// fitTest reads a stored test and fits each of its runs, those that are excluded
// from findings too. Damaged samples are warned of, the rest is fitted.
func fitTest(ctx context.Context, r testSource, ref string) (testFits, error) {
	out, boots, err := testBook(ctx, r, ref)
	if err != nil {
		return out, err
	}
	if len(out.Runs) == 0 {
		if err := out.addHandReadings(ctx, r); err != nil || len(out.Runs) > 0 {
			return out, err
		}
		return out, badInput(fmt.Errorf("test %s has no runs yet", out.Test.Label))
	}
	for _, run := range out.Runs {
		if err := out.fitRun(ctx, r, boots, run); err != nil {
			return out, err
		}
	}
	pool(out.Fits)
	var unsure []string
	for _, k := range out.Used {
		if k.Unit != ingest.UnitMM && noted(k.UCountsPerG) == nil && !slices.Contains(unsure, k.Channel) {
			unsure = append(unsure, k.Channel)
		}
	}
	if doubt := scaleDoubt(unsure); doubt != "" {
		out.Warnings = append(out.Warnings, doubt)
	}
	return out, nil
}

// pool lets the runs of a test lend each other what they tell of their channels' noise: one
// run is too short to show how much of it is wander.
func pool(fits []fitted) {
	results := make([]rate.Result, len(fits))
	for i, f := range fits {
		results[i] = f.Result
	}
	rate.Pool(results...)
}

// scaleDoubt tells of channels of which it is not known how sure their scale is, as another
// logger recorded them or a file does not say; empty when there are none.
func scaleDoubt(channels []string) string {
	if len(channels) == 0 {
		return ""
	}
	return fmt.Sprintf("%s: how sure the scale is is not known, and has no part in ±", strings.Join(channels, ", "))
}

// doubts is what was warned of, and what was noted of the runs.
func (t testFits) doubts() []string {
	out := slices.Clone(t.Warnings)
	for _, r := range t.Runs {
		if r.Note != "" {
			out = append(out, fmt.Sprintf("run %d: %s", r.Number, r.Note))
		}
	}
	return out
}

// fitRun adds the fits of one of the test's runs.
func (out *testFits) fitRun(ctx context.Context, r testSource, boots []ingest.Boot, run ingest.Run) error {
	series, err := r.RunSeries(ctx, run)
	var damage *store.DamageError
	var partial *ingest.PartialError
	if errors.As(err, &damage) || errors.As(err, &partial) {
		out.Warnings = append(out.Warnings, fmt.Sprintf("run %d: %v", run.Number, err))
	} else if err != nil {
		return err
	}
	at := wallOf(boots, run.BootID, run.Start)
	out.Walls[run.ID] = at
	if doubt := clockDoubt(boots, run); doubt != "" && !slices.Contains(out.Warnings, doubt) {
		out.Warnings = append(out.Warnings, doubt)
	}
	first := len(out.Fits)
	for i, s := range series {
		cal, doubt, err := calibrationFor(ctx, r, s.Channel.Name, at)
		if errors.Is(err, store.ErrNotFound) {
			return badInput(fmt.Errorf("test %s, run %d: channel %s has no calibration: calibrate it, then ask again", out.Test.Label, run.Number, s.Channel.Name))
		} else if err != nil {
			return err
		}
		if doubt != "" {
			out.Warnings = append(out.Warnings, fmt.Sprintf("run %d, %s", run.Number, doubt))
		}
		if !slices.ContainsFunc(out.Used, func(c ingest.Calibration) bool { return c.ID == cal.ID }) {
			out.Used = append(out.Used, cal)
			if doubt := calibrationDoubt(cal, at); doubt != "" {
				out.Warnings = append(out.Warnings, doubt)
			}
		}
		f := fitted{Phase: out.Test.Phase, Run: run.Number, Hanging: out.Hangings[run.HangingID], Injector: run.Positions[i].Injector, CalibrationID: cal.ID}
		if f.Curve, err = curveOf(s, run.Start, cal); err != nil {
			f.Result = deadResult(s.Channel.Name, err)
		}
		out.Fits = append(out.Fits, f)
	}
	flags := fitTogether(out.Fits[first:], rate.Options{Mode: rate.OneFill, Density: densityOf(out.Test.Fuel)})
	if len(flags) > 0 {
		if out.RunFlags == nil {
			out.RunFlags = map[int][]rate.Flag{}
		}
		out.RunFlags[run.Number] = flags
	}
	return nil
}

// fitTogether fits the curves of one run that have no result yet, and returns the flags
// of the run as a whole.
func fitTogether(fits []fitted, o rate.Options) []rate.Flag {
	var curves []curve.Curve
	var of []*fitted
	for i := range fits {
		if fits[i].Result.Fills == nil {
			curves, of = append(curves, fits[i].Curve), append(of, &fits[i])
		}
	}
	run := rate.AnalyseRun(curves, o)
	for i, f := range of {
		f.Result = run.Results[i]
		if err := run.Errs[i]; err != nil {
			f.Result = deadResult(f.Curve.Channel, err)
		}
	}
	return run.Flags
}

// deadResult is of a channel in which nothing could be fitted: it takes nothing from the
// others.
func deadResult(channel string, why error) rate.Result {
	return rate.Result{Fills: []rate.Fill{deadFill(channel, why)}}
}

// calibrationFor is the calibration that held for a channel at a wall time. A board
// without a clock of its own may have run in a year before all of them: then the
// oldest stands in, and the doubt is said.
func calibrationFor(ctx context.Context, r testSource, channel string, at time.Time) (cal ingest.Calibration, doubt string, err error) {
	cal, err = r.Calibration(ctx, channel, at)
	if !errors.Is(err, store.ErrNotFound) {
		return cal, "", err
	}
	all, listErr := r.Calibrations(ctx, channel)
	if listErr != nil {
		return cal, "", listErr
	}
	if len(all) == 0 {
		return cal, "", err
	}
	cal = all[0]
	return cal, fmt.Sprintf("%s: the board's clock stood at %s, before any calibration: the one of %s is used; correct the clock of that start",
		channel, at.Format(time.DateOnly), cal.At.Format(time.DateOnly)), nil
}

// deadFill stands for a channel in which nothing could be fitted.
func deadFill(channel string, why error) rate.Fill {
	nan := math.NaN()
	return rate.Fill{Channel: channel, Kind: rate.KindStill, Unit: curve.Gram, RateGPerMin: nan, RateMLPerMin: nan, AtC: nan,
		U: nan, U95: nan, K: nan, DF: nan, UMLPerMin: nan, U95MLPerMin: nan, KMLPerMin: nan, DFMLPerMin: nan, StartS: nan, EndS: nan,
		Flags: []rate.Flag{{Code: "no-data", Severity: rate.Forbids, Says: why.Error(), Evidence: rate.NoEvidence()}}}
}

// wallOf is the wall time of an elapsed time of a boot, as its clock was corrected
// last.
func wallOf(boots []ingest.Boot, id int64, at time.Duration) time.Time {
	for _, b := range boots {
		if b.ID == id {
			return b.Wall.Add(at)
		}
	}
	return time.Time{}
}

// measured is the rates that a comparison within the set may rest on: fills that
// allow a finding.
func measured(fits []fitted, excluded func(run int) bool) []rate.Measured {
	var out []rate.Measured
	var members []fitted
	var fills []rate.Fill
	for _, f := range fits {
		x := f.fill()
		if x.Kind != rate.KindFill || !x.Allows() || excluded(f.Run) {
			continue
		}
		members, fills = append(members, f), append(fills, x)
	}
	for i, x := range inOneUnit(fills) {
		if x.Unit != "" {
			x.U = known(x.U) // of a hand reading it need not be noted
			out = append(out, x.Measured(memberName(members[i]), strconv.Itoa(members[i].Run)))
		}
	}
	return out
}

// memberName is what a curve's member of the set is called: its injector, or the
// column of a file.
func memberName(f fitted) string {
	if f.Injector > 0 {
		return strconv.Itoa(f.Injector)
	}
	return f.Curve.Channel
}

// stands reports whether a finding may rest on one of the test's fills.
func (t testFits) stands(f fitted) bool {
	x := f.fill()
	return x.Kind == rate.KindFill && x.Allows() && !t.excluded(f.Run)
}

// left counts the fills that no finding may rest on.
func (t testFits) left() int {
	n := 0
	for _, f := range t.Fits {
		if !t.stands(f) {
			n++
		}
	}
	return n
}

// excluded reports whether a run is left out of findings.
func (t testFits) excluded(run int) bool {
	return slices.ContainsFunc(t.Runs, func(r ingest.Run) bool { return r.Number == run && r.Excluded != "" })
}
