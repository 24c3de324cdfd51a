package rate

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"brimline/analysis/curve"
)

// Mode says what the curve is known to hold.
type Mode int

// The modes.
const (
	Stream  Mode = iota // any number of fills, dumps and rests: cut it
	OneFill             // a run: one fill between two rests
	Window              // the whole curve is one stretch: fit it as it is
)

// Options of Analyse. The zero value cuts a stream and gives mass rates.
type Options struct {
	Mode    Mode
	Density *curve.Density    // of the fuel in the tube; nil: no conversion between mass and volume
	Records map[string]Record // by channel: its noise at rest; without one a long rest in the curve itself is taken
}

// Numbers of the fit and the flags. Where a number is a choice, its reason stands beside it.
const (
	fitBlocks = 360 // half a second of a three-minute fill: shorter than any wander, long beside a sample
	// The first and last moments of a fill are the hose's, not the injector's: a jet that
	// starts, the drops in flight. Where the onset is found a little early or late costs
	// the slope less than leaving more out: its standard error goes with the time to the
	// power -3/2.
	hoseS         = 0.25
	hosePart      = 0.005
	fewestValues  = 8   // fewer values than this carry no noise estimate
	shortS        = 20  // a fill under this is a spill or a pour, not a run
	zeroDriftGPH  = 0.5 // zero drift of a cell at changing temperature, half width, g/h (common practice, no source)
	nearFullPart  = 0.85
	dumpPart      = 0.5  // a sudden loss of this part of the largest fill empties the tube
	gapNotePart   = 0.01 // of the fill's time
	gapDoubtPart  = 0.10
	misreadDoubt  = 0.01
	misreadForbid = 0.20
)

// Analyse finds the fills of one curve and fits their rates. The error is for a
// curve in which nothing can be fitted (under eight values); doubts about the
// data are flags.
func Analyse(c curve.Curve, o Options) (Result, error) {
	if o.Density != nil {
		if err := o.Density.Check(); err != nil {
			return Result{}, err
		}
	}
	t, y, err := usable(&c)
	if err != nil {
		return Result{}, err
	}
	var r Result
	if o.Mode == Window {
		b := makeBlocks(t, y, cutBlocks)
		s := span{kind: rising, i: 0, j: len(b), startS: t[0], endS: t[len(t)-1], levelBefore: math.NaN()}
		r.add(fitSpan(c, s, o, whitePerValue(b)))
		return r, nil
	}
	hole := holeLimit(t)
	start := 0
	for i := 1; i <= len(t); i++ {
		if i < len(t) && t[i]-t[i-1] <= hole {
			continue
		}
		if i < len(t) {
			r.Events = append(r.Events, Event{Kind: "gap", StartS: t[i-1], EndS: t[i]})
		}
		// In a run a hole does not end the fill: the mass goes on across it.
		if o.Mode != OneFill || i == len(t) {
			r.cutStretch(c, t[start:i], y[start:i], o)
			start = i
		}
	}
	if len(r.Fills) == 0 {
		b := makeBlocks(t, y, cutBlocks)
		s := span{kind: still, j: len(b), startS: t[0], endS: t[len(t)-1], levelBefore: math.NaN()}
		r.add(fitSpan(c, s, o, whitePerValue(b)))
	}
	slices.SortStableFunc(r.Events, func(a, b Event) int {
		if a.StartS < b.StartS {
			return -1
		}
		return 1
	})
	return r, nil
}

// usable marks what is no measurement in c, in marks of its own, and returns what is left to fit.
func usable(c *curve.Curve) (t, y []float64, err error) {
	c.Marks = slices.Clone(c.Marks)
	curve.Clean(c)
	if t, y = c.Points(); len(t) < fewestValues {
		return nil, nil, fmt.Errorf("channel %s: %d usable values of %d: a rate needs at least %d; %s", c.Channel, len(t), len(c.Values), fewestValues,
			"record longer, or check why values are missing")
	}
	return t, y, nil
}

func (r *Result) add(f Fill, l *look) {
	r.Fills = append(r.Fills, f)
	r.looks = append(r.looks, l)
}

// holeLimit is the time without a value that ends a fill.
func holeLimit(t []float64) float64 {
	return max(gapBreakS, gapBreakN*medianStep(t))
}

// medianStep is the usual time between values, from at most about five hundred steps.
func medianStep(t []float64) float64 {
	if len(t) < 2 {
		return 0
	}
	stride := max(1, len(t)/500)
	d := make([]float64, 0, len(t)/stride+1)
	for i := 1; i < len(t); i += stride {
		d = append(d, t[i]-t[i-1])
	}
	slices.Sort(d)
	return d[len(d)/2]
}

// cutStretch adds the fills and dumps of a stretch without a hole.
func (r *Result) cutStretch(c curve.Curve, t, y []float64, o Options) {
	if len(t) < fewestValues {
		return
	}
	// A slow record is cut value by value, a fast one by blocks of a few tenths of a second.
	most := cutBlocks
	if o.Mode == Stream { // its fills are as short in a day as in an hour
		most = max(most, int((t[len(t)-1]-t[0])/streamBlockS))
	}
	if len(t) <= 2*most {
		most = len(t)
	}
	b := makeBlocks(t, y, most)
	sd := whitePerValue(b)
	if sd == 0 {
		return // not one value differs from its neighbours' line: no flow
	}
	// A display's rounding is its noise, and no less of the mean of many values that it shows alike.
	if step := shownIn(c.Window(t[0], math.Nextafter(t[len(t)-1], math.Inf(1)))); sd < step/2 {
		sd = max(sd, step*math.Sqrt(float64(len(t))/float64(len(b))/12))
	}
	pieces := cutLong(b, sd)
	if h := stair(b, pieces); h > 0 {
		// The steps are the noise of what flows (uniform: height/sqrt(12)), not the treads' own.
		sd = max(sd, h*math.Sqrt(float64(len(t))/float64(len(b))/12))
		pieces = cutLong(b, sd)
	}
	pieces, typical := classify(b, pieces, sd)
	if o.Mode == OneFill {
		leakTail(b, pieces, typical)
	}
	lost := falls(b, sd, typical)
	found := spans(b, pieces, lost)
	if o.Mode == OneFill {
		found = oneSpan(b, found)
	}
	for k := range found {
		found[k].restFromS, found[k].restToS = t[0], math.Nextafter(t[len(t)-1], math.Inf(1))
		if o.Mode == Stream && k > 0 {
			found[k].restFromS = found[k-1].endS
			found[k-1].restToS = found[k].startS
		}
	}
	o = o.withRest(c, found)
	biggest := 0.0
	for _, s := range found {
		if s.kind == falling && o.Mode == OneFill {
			continue
		}
		f, l := fitSpan(c, s, o, sd)
		// In a stream a handful of values that rise are a splash, not a fill.
		if o.Mode == Stream && f.Samples < fewestValues {
			continue
		}
		r.add(f, l)
		biggest = max(biggest, f.Gain)
	}
	for _, f := range lost {
		kind := "drop"
		if f.size >= dumpPart*biggest {
			kind = "dump"
		}
		r.Events = append(r.Events, Event{Kind: kind, StartS: b[f.i].t, EndS: b[f.j].t, Size: f.size})
	}
}

// withRest is o with a record of the channel at rest made of the longest rest beside the
// spans found, where that is long enough to be one and none is given.
func (o Options) withRest(c curve.Curve, found []span) Options {
	if _, ok := o.Records[c.Channel]; ok {
		return o
	}
	fromS, toS := 0.0, 0.0
	longer := func(a, z float64) {
		if z-a > toS-fromS {
			fromS, toS = a, z
		}
	}
	for _, s := range found {
		longer(s.restFromS, s.startS-restClearS)
		longer(s.endS+restDripS, s.restToS)
	}
	if toS-fromS < recordLeastS {
		return o
	}
	t, y := c.Window(fromS, toS).Points()
	if len(t) < recordBlocks {
		return o
	}
	o.Records = maps.Clone(o.Records)
	if o.Records == nil {
		o.Records = map[string]Record{}
	}
	o.Records[c.Channel] = Record{fitCurve(makeBlocks(t, y, recordBlocks)).evidence}
	return o
}

// A rise before or after the flow of a run that brings under tinyPart of it, at under
// slowPart of its pace, is a wave or a hose that creeps: the rest's, not the flow's.
const (
	tinyPart = 0.01
	slowPart = 0.25
)

// oneSpan takes all rises of a run together, from the first onset to the last end.
func oneSpan(b []block, found []span) []span {
	gain := func(s span) float64 { return b[s.j-1].y - b[s.i].y }
	long := func(s span) float64 { return max(b[s.j-1].t-b[s.i].t, 1e-9) }
	flow := -1
	for k, s := range found {
		if s.kind == rising && (flow < 0 || gain(s) > gain(found[flow])) {
			flow = k
		}
	}
	if flow < 0 {
		return nil
	}
	main := found[flow]
	found = slices.DeleteFunc(slices.Clone(found), func(s span) bool {
		return s.kind == rising && gain(s) < tinyPart*gain(main) && gain(s)/long(s) < slowPart*gain(main)/long(main)
	})
	var out []span
	for _, s := range found {
		if s.kind != rising {
			continue
		}
		if len(out) == 0 {
			out = append(out, s)
			continue
		}
		f := &out[0]
		// A loss cuts in two what flowed on all the while.
		if s.startS-f.endS > pauseShortS {
			f.pauses++
		}
		f.pauses += s.pauses
		f.j, f.endS, f.restAfter, f.leak = s.j, s.endS, s.restAfter, s.leak
	}
	return out
}

// fitSpan fits the rate of one span of c and raises its flags.
func fitSpan(c curve.Curve, s span, o Options, sd float64) (Fill, *look) {
	f := Fill{Channel: c.Channel, Kind: KindFill, StartS: s.startS, EndS: s.endS, Unit: c.Unit,
		RateGPerMin: math.NaN(), RateMLPerMin: math.NaN(), AtC: math.NaN(), UMLPerMin: math.NaN(), U95MLPerMin: math.NaN(), KMLPerMin: math.NaN(), DFMLPerMin: math.NaN()}
	guard := 0.0
	if o.Mode != Window {
		guard = min(hoseS, hosePart*(s.endS-s.startS))
	}
	w, t, y := inside(c, s, guard)
	b := makeBlocks(t, y, fitBlocks)
	// Values that all lie at a few moments beside a hole tell no slope, however many they are.
	if len(b) < fewestValues {
		f.Samples = len(t)
		says := fmt.Sprintf("only %s in %.0f s", counted(len(t), "usable value"), s.endS-s.startS)
		if len(t) >= fewestValues {
			says = fmt.Sprintf("the %d usable values all lie within %d stretches of %s s of the %.0f s", len(t), len(b), sig((s.endS-s.startS)/fitBlocks), s.endS-s.startS)
		}
		f.Flags = append(f.Flags, Flag{"few-values", Forbids, says, "record longer or faster", NoEvidence()})
		f.U, f.U95, f.K, f.DF = math.NaN(), math.NaN(), math.NaN(), math.NaN()
		return f, nil
	}
	fit := fitCurve(b)
	if moved := s; moved.settle(c, fit, guard) {
		// A cell that wanders put the ends where no flow began or ended.
		mw, mt, my := inside(c, moved, guard)
		if b := makeBlocks(mt, my, fitBlocks); len(b) >= fewestValues {
			w, t, y, s = mw, mt, my, moved
			fit = fitCurve(b)
		}
	} else {
		s = moved
	}
	f.StartS, f.EndS, f.Samples, f.LeftOut = s.startS, s.endS, len(t), len(w.Marks)-len(t)
	l := newLook(c, w, fit.b, s, sd, o)
	l.evidence, l.lines = fit.evidence, fit.lines
	if x, ok := fastLine(t, y, fit.b); ok {
		// What the blocks show of it, folded at their rate, is no line of its own.
		T := t[len(t)-1] - t[0]
		l.lines = append(slices.DeleteFunc(l.lines, func(slow line) bool { return folds(slow, x, T/fitBlocks, T) }), x)
	}
	f.takeFit(l, l.fitAlone())
	sf, T := l.fit, l.b[len(l.b)-1].t-l.b[0].t

	// A flow is claimed only beyond what a cold cell's wander imitates.
	doubt := 3 * math.Hypot(sf.u, slopeDoubt(l.b, sd, T))
	switch {
	case s.kind == still || math.Abs(sf.slope) < doubt:
		f.Kind = KindStill
	case sf.slope < 0:
		f.Kind = KindDrain
	}
	f.Steady = true
	f.raise(l)
	return f, l
}

// inside is the curve and its usable points within a span, less guard at each end.
func inside(c curve.Curve, s span, guard float64) (w curve.Curve, t, y []float64) {
	w = c.Window(s.startS+guard, math.Nextafter(s.endS-guard, math.Inf(1)))
	t, y = w.Points()
	return w, t, y
}

// takeFit sets the fill's rate, uncertainty and budget by the slope, less the zero's
// drift as the rests show it.
func (f *Fill) takeFit(l *look, sf slopeFit) {
	l.fit = sf
	l.restBefore, l.restAfter = restOf(l.blocksBefore, sf), restOf(l.blocksAfter, sf)
	drift := l.record.DriftPerH
	if l.record.Unit == curve.Gram {
		drift = zeroDriftGPH
	}
	zero := zeroDrift(drift/3600, l.restBefore, l.restAfter)
	slope := sf.slope - zero.slope
	f.ZeroDrift = 60 * zero.slope
	f.Gain = slope * (f.EndS - f.StartS)
	f.Level = levelAt(l.b, slope, f.StartS)
	f.setBudget(60*slope, sf, l.b[len(l.b)-1].t-l.b[0].t, zero.term(drift, l.record.Unit), l.restAfter, l.record, l.o.Density)
}

// levelAt is where a line of this slope through the blocks' mean stands at time t.
func levelAt(b []block, slope, t float64) float64 {
	n, level := 0.0, 0.0
	for _, k := range b {
		n += k.n
		level += (k.y - slope*(k.t-t) - level) * k.n / n
	}
	return level
}
