package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"brimline/ingest"
	"brimline/ingest/exchange"
	"brimline/rig"
)

// headRows is by how many first values a longer or shorter copy of a recording is known.
const headRows = 100

// planCurves turns a file of curves into a test of the store.
func (p *importPlan) planCurves(book importBook, text []byte, o importFlags, given func(string) bool) error {
	if exchange.IsTidyCurves(bytes.NewReader(text)) {
		return badInput(fmt.Errorf("%s is a table that export wrote: to move a test from one store to another copy the store; 'brimline rates %s' reads the table as it is", p.file, p.file))
	}
	for _, x := range []struct{ flag, value string }{{"engine", o.engine}, {"phase", o.phase}} {
		if x.value == "" {
			return badInput(fmt.Errorf("%s holds curves, and --%s is missing: say what they are of, for example --engine \"Sprayer 1\" --phase baseline", p.file, x.flag))
		}
	}
	var co exchange.CurveOptions
	if o.columns != "" {
		co.Columns = strings.Split(o.columns, ",")
	}
	curves, err := exchange.ReadCurves(bytes.NewReader(text), p.file, co)
	if err != nil {
		return badInput(fmt.Errorf("%w; nothing was taken in", err))
	}
	in, err := p.curvesIn(book, curves, o, given)
	if err != nil {
		return badInput(fmt.Errorf("%w; nothing was taken in", err))
	}
	p.warnings = append(p.warnings, curves.Warnings...)
	p.warnFewInjectors(in.Engine, o)
	if d := in.Test.Fuel; tubesGPerML(d) > 0 && !(d.UDensity > 0) {
		p.warnings = append(p.warnings, "--density without --density-u: how sure the density is has no part in ±")
	}
	if curves.NoZone {
		p.warnings = append(p.warnings, fmt.Sprintf("its clock stamps name no zone and count as UTC, the first as %s: if they are of another, write it behind them, such as +02:00", curves.Start.UTC().Format(time.DateTime)))
	}
	for _, c := range in.Channels {
		p.added += len(c.Samples)
	}
	if err := p.findCopy(book, in); err != nil {
		return badInput(err)
	}
	if p.nothing == "" {
		p.curves = &in
		_, isKnown := book.engineOf(in.Engine.Label)
		p.tests = []importTestJSON{{Test: in.Test.Label, NewTest: true, Engine: in.Engine.Label, NewEngine: !isKnown, Injectors: in.Engine.Injectors, Phase: in.Test.Phase,
			Day: in.Test.At.Format(time.DateOnly), Hangings: 1, Runs: len(in.Runs), Rows: p.added}}
	}
	return nil
}

// findCopy refuses a recording that overlaps one of the store, and says in p.nothing when it
// is one of the store through and through.
func (p *importPlan) findCopy(book importBook, in ingest.ImportedCurves) error {
	same := 0
	var of ingest.CurveMark
	for _, c := range in.Channels {
		for _, m := range book.marks {
			said := fmt.Sprintf("import %d (%s, taken in on %s as test %s)", m.Import.ID, m.Import.File, m.Import.At.Format(time.DateOnly), m.Test)
			from, to := in.Wall.Add(c.Samples[0].Elapsed), in.Wall.Add(c.Samples[len(c.Samples)-1].Elapsed)
			switch {
			case m.Whole == c.Whole:
				same++
				of = m
			case m.Head == c.Head:
				return fmt.Errorf("%s: channel %s begins as channel %s of %s does and ends otherwise: it is a longer or shorter copy; cut off what is in the store, or leave the column out with --columns and -; nothing was taken in", p.file, c.Channel.Name, m.Channel, said)
			case m.Engine == in.Engine.Label && m.Channel == c.Channel.Name && !from.After(m.To) && !to.Before(m.From):
				return fmt.Errorf("%s: channel %s of %s runs from %s to %s, and %s has it from %s to %s with other values: one tube cannot be measured twice at one time; correct --at, or cut the overlap out of the file; nothing was taken in",
					p.file, c.Channel.Name, in.Engine.Label, from.UTC().Format(time.DateTime), to.UTC().Format(time.DateTime), said, m.From.Format(time.DateTime), m.To.Format(time.DateTime))
			}
		}
	}
	switch {
	case same >= len(in.Channels):
		p.there, p.added = p.added, 0
		p.nothing = fmt.Sprintf("its curves are those of import %d (%s, taken in on %s as test %s), value for value", of.Import.ID, of.Import.File, of.Import.At.Format(time.DateOnly), of.Test)
	case same > 0:
		return fmt.Errorf("%s: %d of its %d channels are in import %d (%s) already, value for value: leave their columns out with --columns and -; nothing was taken in", p.file, same, len(in.Channels), of.Import.ID, of.Import.File)
	}
	return nil
}

// curvesIn is a file's curves as they go into the store.
func (p *importPlan) curvesIn(book importBook, curves exchange.Curves, o importFlags, given func(string) bool) (in ingest.ImportedCurves, err error) {
	n := len(curves.Channels)
	positions, err := positionsOf(o.positions, n)
	if err != nil {
		return in, err
	}
	highest := slices.Max(positions)
	engine, known := book.engineOf(o.engine)
	switch {
	case known && highest > engine.Injectors:
		return in, fmt.Errorf("injector %d at column %s, but %s is kept with %d, and keeps that number: give --positions, 0 for a column of none, or an engine that has more a name of its own", highest, curves.Channels[slices.Index(positions, highest)].Name, engine.Label, engine.Injectors)
	case !known:
		engine = ingest.Engine{Label: o.engine, Injectors: highest, DistanceUnit: o.distanceUnit, InjectorType: "unknown"}
		if o.injectors > 0 && o.injectors < highest {
			return in, fmt.Errorf("--injectors %d, but a column is of injector %d: correct one of them", o.injectors, highest)
		}
		engine.Injectors = max(highest, o.injectors)
	}
	in.Engine = engine
	if in.Wall, err = wallOfCurves(p.file, curves, o.at, given("at")); err != nil {
		return in, err
	}
	if in.Test, err = importedTest(book, in, o, given); err != nil {
		return in, err
	}
	first, last := curves.ElapsedS[0], curves.ElapsedS[len(curves.ElapsedS)-1]
	if math.Abs(first) > maxElapsedS || math.Abs(last) > maxElapsedS {
		return in, fmt.Errorf("%s: its time goes from %g to %g s, beyond the %g s that are kept: write the time in seconds since the start", p.file, first, last, float64(maxElapsedS))
	}
	in.Test.At = in.Wall.Add(elapsedOf(first))
	if in.Runs, err = importedRuns(o.runs, curves, positions); err != nil {
		return in, err
	}
	if whole := in.Runs[0].Planned; len(o.runs) == 0 && whole > longRun {
		p.warnings = append(p.warnings, fmt.Sprintf("the whole file, %.3g h, counts as one run with one fill: name its runs with --run", whole.Hours()))
	}
	for i, ch := range curves.Channels {
		if positions[i] == 0 {
			p.warnings = append(p.warnings, fmt.Sprintf("column %s has no injector (--positions) and is kept outside of the runs", ch.Name))
		}
		c, err := p.channelIn(curves, ch, o, given)
		if err != nil {
			return in, fmt.Errorf("%s, column %s: %w", p.file, ch.Name, err)
		}
		in.Channels = append(in.Channels, c)
	}
	return in, nil
}

// longRun is what no run of a tube lasts: at a drop a second it would run over.
const longRun = 2 * time.Hour

// maxElapsedS bounds the times of a recording: ten years, as for stamps.
const maxElapsedS = 10 * 366 * 86400

func elapsedOf(s float64) time.Duration {
	return time.Duration(math.Round(s*1e6)) * time.Microsecond
}

// positionsOf is the injector at each of n columns, 0 for none.
func positionsOf(text string, n int) ([]int, error) {
	out := make([]int, n)
	if text == "" {
		if n > maxInjectors {
			return nil, fmt.Errorf("%d columns are more than the %d injectors that an engine may have: give --positions, 0 for a column of none", n, maxInjectors)
		}
		for i := range out {
			out[i] = i + 1
		}
		return out, nil
	}
	parts := strings.Split(text, ",")
	if len(parts) != n {
		return nil, fmt.Errorf("--positions names %d columns, the file has %d", len(parts), n)
	}
	for i, s := range parts {
		v, err := strconv.Atoi(strings.TrimSpace(s))
		if err != nil || v < 0 || v > maxInjectors {
			return nil, fmt.Errorf("--positions: %q: give an injector from 1 to %d, or 0 for none", s, maxInjectors)
		}
		if v > 0 && slices.Contains(out[:i], v) {
			return nil, fmt.Errorf("--positions: injector %d stands at two columns", v)
		}
		out[i] = v
	}
	if slices.Max(out) == 0 {
		return nil, errors.New("--positions: no column has an injector")
	}
	return out, nil
}

// wallOfCurves is the wall time at elapsed zero.
func wallOfCurves(file string, curves exchange.Curves, at string, given bool) (time.Time, error) {
	switch {
	case !curves.Start.IsZero() && given:
		return time.Time{}, fmt.Errorf("%s has clock stamps of its own and --at is for a file without: leave it out", file)
	case !curves.Start.IsZero():
		return curves.Start, nil
	case !given:
		return time.Time{}, fmt.Errorf("%s has no clock stamps: give the wall time of its first row, for example --at 2026-03-02T14:05:00Z", file)
	}
	t, err := parseWall(at)
	if err != nil {
		return time.Time{}, fmt.Errorf("--at: %w", err)
	}
	first := curves.ElapsedS[0]
	if math.Abs(first) > maxElapsedS {
		return t, nil // refused where the times are checked
	}
	return t.Add(-elapsedOf(first)), nil
}

// wallLayouts are the wall times that a flag takes; without a zone they are UTC.
var wallLayouts = []string{time.RFC3339, "2006-01-02T15:04Z07:00", "2006-01-02 15:04:05Z07:00", "2006-01-02 15:04Z07:00", "2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02 15:04", time.DateOnly}

func parseWall(text string) (time.Time, error) {
	for _, layout := range wallLayouts {
		if t, err := time.Parse(layout, text); err == nil {
			if y := t.UTC().Year(); y < 1900 || y > 2200 {
				return t, fmt.Errorf("%s: the year is not between 1900 and 2200: correct it", text)
			}
			return t.UTC(), nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is no date and time: write it as 2026-03-02T14:05:00Z (UTC), 2026-03-02T15:05:00+01:00, or 2026-03-02", text)
}

// importedTest is the test that a file of curves makes, without its time.
func importedTest(book importBook, in ingest.ImportedCurves, o importFlags, given func(string) bool) (ingest.Test, error) {
	t := ingest.Test{Label: o.label, Phase: o.phase, Odometer: math.NaN(), Fuel: ingest.Fuel{Kind: o.fuel, TempC: math.NaN()}, Note: "recorded by another logger"}
	if t.Label == "" {
		t.Label = freeLabel(book.tests)
	} else if slices.ContainsFunc(book.tests, func(x ingest.Test) bool { return x.Label == t.Label }) {
		return t, fmt.Errorf("--label %s: a test of this name is in the store: choose another, or leave it out", t.Label)
	}
	told := ratesFlags{density: o.density, densityU: o.densityU, fuelKind: o.fuel, fuelTemp: o.fuelTempC, fuel: o.fuelAs}
	var err error
	if t.Fuel, err = told.fuelGiven(given); err != nil {
		return t, err
	}
	if given("odometer") {
		if !(o.odometer >= 0 && o.odometer < 1e9) {
			return t, fmt.Errorf("--odometer %g: give the distance or hours, 0 to 1e9", o.odometer)
		}
		t.Odometer = o.odometer
	}
	if given("capacity") && !(o.capacity > 0 && !math.IsInf(o.capacity, 0)) {
		return t, fmt.Errorf("--capacity is %g mL: give what a tube holds, above 0", o.capacity)
	}
	return t, nil
}

// importedRuns cuts a recording into runs; without --run the whole is one.
func importedRuns(given []string, curves exchange.Curves, positions []int) ([]ingest.Run, error) {
	first, last := curves.ElapsedS[0], curves.ElapsedS[len(curves.ElapsedS)-1]
	whole := ingest.Run{Start: elapsedOf(first), End: elapsedOf(last) + time.Microsecond}
	for i, p := range positions {
		if p > 0 {
			whole.Positions = append(whole.Positions, ingest.PositionOn{Channel: curves.Channels[i].Name, Injector: p})
		}
	}
	whole.Number, whole.Planned = 1, whole.End-whole.Start
	if len(given) == 0 {
		return []ingest.Run{whole}, nil
	}
	var runs []ingest.Run
	for i, text := range given {
		from, to := secondsFlag{}, secondsFlag{}
		a, b, ok := strings.Cut(text, ":")
		if !ok || from.Set(a) != nil || to.Set(b) != nil {
			return nil, fmt.Errorf("--run %q: give FROM:TO in the file's seconds, for example 10:190", text)
		}
		if from.v >= last || to.v <= first || from.v >= to.v {
			return nil, fmt.Errorf("--run %s: the file goes from %.10g to %.10g s: give a stretch of it", text, first, last)
		}
		from.v, to.v = max(from.v, first), min(to.v, last)
		run := whole
		run.Number, run.Start, run.End = i+1, elapsedOf(from.v), elapsedOf(to.v)
		run.Planned = run.End - run.Start
		if i > 0 && run.Start < runs[i-1].End {
			return nil, fmt.Errorf("--run %s begins before the run before it ends: give them in order of time, apart from each other", text)
		}
		runs = append(runs, run)
	}
	return runs, nil
}

// channelIn is one column as samples with a calibration of its own: counts in the decimal
// step of the column's values, so that the values come back as they were written.
func (p *importPlan) channelIn(curves exchange.Curves, ch exchange.CurveChannel, o importFlags, given func(string) bool) (ingest.ImportedChannel, error) {
	out := ingest.ImportedChannel{Channel: rig.Channel{Name: ch.Name, CapacityML: math.NaN()}}
	if given("capacity") {
		out.Channel.CapacityML = o.capacity
	}
	if (ch.Unit == "counts") != (o.countsPerGram != 0) || math.IsNaN(o.countsPerGram) || math.IsInf(o.countsPerGram, 0) {
		if ch.Unit == "counts" {
			return out, errors.New("it holds counts: say what one gram gives, for example --counts-per-gram 2147")
		}
		return out, fmt.Errorf("it is in %s and --counts-per-gram is for counts: leave it out, or name the column _counts with --columns", ch.Unit)
	}
	steps, exact, ok := stepsPerUnit(ch.Values)
	if !ok {
		return out, fmt.Errorf("its largest value is beyond the ±%d that are kept: check the unit", math.MaxInt32)
	}
	if !exact {
		p.warnings = append(p.warnings, fmt.Sprintf("column %s has more digits than are kept: its values were rounded to %g %s", ch.Name, 1/steps, ch.Unit))
	}
	nan := math.NaN()
	out.Calibration = ingest.Calibration{CountsPerGram: steps, UZero: nan, CovZeroSpan: nan, DF: math.Inf(1), Unit: ingest.UnitG}
	switch ch.Unit {
	case "counts":
		out.Calibration.CountsPerGram = o.countsPerGram * steps
	case "mL":
		out.Calibration.Unit = ingest.UnitML
	}
	var err error
	if out.Calibration.Certificate, err = json.Marshal(map[string]any{"imported_from": p.file, "column": ch.Name, "unit": ch.Unit, "counts_per_step": steps,
		"says": "the values of another logger as they came; what they are worth is not known here"}); err != nil {
		return out, err
	}
	for i, t := range curves.ElapsedS {
		s := rig.Sample{Seq: uint64(i), Reading: rig.Reading{Elapsed: elapsedOf(t), Quality: rig.Stalled}}
		if v := ch.Values[i]; !math.IsNaN(v) {
			s.Counts, s.Quality = int32(math.Round(v*steps)), rig.Good
		}
		if i > 0 && s.Elapsed <= out.Samples[i-1].Elapsed {
			return out, fmt.Errorf("its times %.9g and %.9g s are less than a microsecond apart: write them in seconds", curves.ElapsedS[i-1], t)
		}
		out.Samples = append(out.Samples, s)
	}
	h := sha256.New()
	var buf [16]byte
	for i, s := range out.Samples {
		binary.LittleEndian.PutUint64(buf[:8], uint64(s.Elapsed-out.Samples[0].Elapsed))
		binary.LittleEndian.PutUint64(buf[8:], math.Float64bits(ch.Values[i]))
		h.Write(buf[:])
		if i+1 == min(headRows, len(out.Samples)) {
			out.Head = hex.EncodeToString(h.Sum(nil))
		}
	}
	out.Whole = hex.EncodeToString(h.Sum(nil))
	return out, nil
}

// stepsPerUnit is the least power of ten that makes whole numbers of all values, and whether
// it makes them exactly; else the largest that keeps them within 32 bits. ok is false when
// even 1 does not.
func stepsPerUnit(values []float64) (steps float64, exact, ok bool) {
	most := 0.0
	for _, v := range values {
		if !math.IsNaN(v) {
			most = max(most, math.Abs(v))
		}
	}
	if most > math.MaxInt32 {
		return 0, false, false
	}
	steps = 1
	for k := 0; k <= 9; k++ {
		power := math.Pow10(k)
		if most*power > math.MaxInt32 {
			return steps, false, true
		}
		steps = power
		if !slices.ContainsFunc(values, func(v float64) bool { return !math.IsNaN(v) && math.Round(v*power)/power != v }) {
			return steps, true, true
		}
	}
	return steps, false, true
}
