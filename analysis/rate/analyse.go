package rate

import (
	"fmt"
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
	Density *curve.Density // of the fuel in the tube; nil: no conversion between mass and volume
}

// Numbers of the fit and the flags. Where a number is a choice, its reason stands beside it.
const (
	fitBlocks     = 360 // half a second of a three-minute fill: shorter than any wander, long beside a sample
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
	c.Marks = slices.Clone(c.Marks)
	curve.MarkMisreads(&c)
	t, y := c.Points()
	if len(t) < fewestValues {
		return Result{}, fmt.Errorf("channel %s: %d usable values of %d: a rate needs at least %d; %s", c.Channel, len(t), len(c.Values), fewestValues,
			"record longer, or check why values are missing")
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

func (r *Result) add(f Fill, l *look) {
	r.Fills = append(r.Fills, f)
	r.looks = append(r.looks, l)
}

// holeLimit is the time without a value that ends a fill.
func holeLimit(t []float64) float64 {
	return max(gapBreakS, gapBreakN*medianStep(t))
}

// medianStep is the usual time between values, from at most about two thousand steps.
func medianStep(t []float64) float64 {
	if len(t) < 2 {
		return 0
	}
	stride := max(1, len(t)/2000)
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
	if len(t) <= 2*cutBlocks {
		most = len(t)
	}
	b := makeBlocks(t, y, most)
	sd := whitePerValue(b)
	if sd == 0 {
		return // not one value differs from its neighbours' line: no flow
	}
	pieces := cut(b, sd)
	if h := stair(b, pieces); h > 0 {
		// The steps are the noise of what flows (uniform: height/sqrt(12)), not the treads' own.
		sd = max(sd, h*math.Sqrt(float64(len(t))/float64(len(b))/12))
		pieces = cut(b, sd)
	}
	pieces, typical := classify(b, pieces, sd)
	lost := falls(b, sd, typical)
	found := spans(b, pieces, lost)
	if o.Mode == OneFill {
		found = oneSpan(found)
	}
	for k := range found {
		found[k].restFromS, found[k].restToS = t[0], math.Nextafter(t[len(t)-1], math.Inf(1))
		if o.Mode == Stream && k > 0 {
			found[k].restFromS = found[k-1].endS
			found[k-1].restToS = found[k].startS
		}
	}
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

// oneSpan takes all rises of a run together, from the first onset to the last end.
func oneSpan(found []span) []span {
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
		f.j, f.endS = s.j, s.endS
	}
	return out
}

// fitSpan fits the rate of one span of c and raises its flags.
func fitSpan(c curve.Curve, s span, o Options, sd float64) (Fill, *look) {
	f := Fill{Channel: c.Channel, Kind: KindFill, StartS: s.startS, EndS: s.endS, Unit: c.Unit,
		RateGPerMin: math.NaN(), RateMLPerMin: math.NaN(), AtC: math.NaN(), UMLPerMin: math.NaN(), U95MLPerMin: math.NaN(), KMLPerMin: math.NaN(), DFMLPerMin: math.NaN()}
	// The first and last moments of a fill are the hose's, not the injector's.
	guard := 0.0
	if o.Mode != Window {
		guard = min(1, 0.02*(s.endS-s.startS))
	}
	w := c.Window(s.startS+guard, math.Nextafter(s.endS-guard, math.Inf(1)))
	t, y := w.Points()
	f.Samples = len(t)
	if len(t) < fewestValues {
		f.Flags = append(f.Flags, Flag{"few-values", Forbids,
			fmt.Sprintf("only %d usable values in %.0f s", len(t), s.endS-s.startS), "record longer or faster", noEvidence()})
		f.U, f.U95, f.K, f.DF = math.NaN(), math.NaN(), math.NaN(), math.NaN()
		return f, nil
	}
	b := makeBlocks(t, y, fitBlocks)
	sf := fitSlope(b)
	T := b[len(b)-1].t - b[0].t
	perMin := sf.slope * 60
	f.Gain = sf.slope * (s.endS - s.startS)
	f.Level = levelAt(b, sf.slope, s.startS)

	drift := c.DriftPerH
	if c.Unit == curve.Gram {
		drift = zeroDriftGPH
	}
	f.setBudget(perMin, sf, T, drift, rest{slope: math.NaN()}, c, o.Density)

	// A flow is claimed only beyond what a cold cell's wander imitates.
	doubt := 3 * math.Hypot(sf.u, slopeDoubt(b, sd, T))
	switch {
	case s.kind == still || math.Abs(sf.slope) < doubt:
		f.Kind = KindStill
	case sf.slope < 0:
		f.Kind = KindDrain
	}
	f.Steady = true
	l := newLook(c, w, b, s, sf, sd, o)
	f.raise(l)
	return f, l
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
