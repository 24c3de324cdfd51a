package rate

import (
	"math"

	"brimline/analysis/curve"
)

// Numbers of the search for a fill's ends.
const (
	kneeLeastS = 3.0  // looked at on either side of an end as the cutting found it
	kneeMostS  = 60.0 // a slow leak takes so long to rise out of the noise
	kneeClear  = 30.0 // in that time the flow brings so many standard deviations of the mean of what was read
	kneeBlocks = 160
	kneeTries  = 49
)

// kneeAt is the time at which a rest turns to a flow of the given slope (unit/s), or a flow
// to a rest, near a time that was found from far off: the likeliest one under the fill's
// noise, so that the wander of a cell over a minute does not move it. outS is how far into
// the rest the flow may reach that the cutting took for one. It is nearS itself where too
// little was read about it. step is the usual time between values, s.
func kneeAt(c curve.Curve, step, nearS, slope, white, ratio float64, starts bool, longS, outS float64) float64 {
	// slope x W = kneeClear x white/sqrt(W/step)
	W := math.Pow(kneeClear*white/math.Abs(slope)*math.Sqrt(step), 2./3)
	W = min(max(W, kneeLeastS, 12*step), kneeMostS, longS/2)
	before, after := min(outS, longS/2), W
	if !starts {
		before, after = after, before
	}
	if max(before, after) > W {
		nearS = kneeWithin(c, nearS, nearS-before, nearS+after, slope, ratio, starts)
	}
	at := kneeWithin(c, nearS, nearS-W, nearS+W, slope, ratio, starts)
	// Once more, finer: the first look's step is a small part of W.
	return kneeWithin(c, at, at-W/4, at+W/4, slope, ratio, starts)
}

// kneeWithin is the likeliest of kneeTries times between fromS and toS, nearS where it
// would be at an end of them.
func kneeWithin(c curve.Curve, nearS, fromS, toS, slope, ratio float64, starts bool) float64 {
	t, y := c.Window(fromS, toS).Points()
	if len(t) < 2*fewestValues {
		return nearS
	}
	b := makeBlocks(t, y, kneeBlocks)
	at, least, end := nearS, math.Inf(1), false
	for i := range kneeTries {
		knee := t[0] + (t[len(t)-1]-t[0])*float64(i+1)/(kneeTries+1)
		if v := kneeRSS(b, knee, slope, ratio, starts); v < least {
			at, least, end = knee, v, i == 0 || i == kneeTries-1
		}
	}
	if end {
		return nearS
	}
	return at
}

// kneeRSS is what is left of b beside a knee of a known slope.
func kneeRSS(b []block, knee, slope, ratio float64, starts bool) float64 {
	flowed := func(k block) float64 {
		if starts == (k.t > knee) {
			return slope * (k.t - knee)
		}
		return 0
	}
	var l level
	l.begin(b[0], ratio)
	y0 := b[0].y - flowed(b[0])
	a, sum := 0.0, 0.0
	for k := 1; k < len(b); k++ {
		l.next(between(b[k-1], b[k]), b[k], ratio)
		v := b[k].y - flowed(b[k]) - y0 - a
		a += l.K * v
		sum += v * v / l.F
	}
	return sum
}

// settle moves the ends of s, where they lie beside a rest, to where the flow begins and
// ends under the noise of its fit, and reports whether that moves one of them beyond the
// moments that the fit leaves out.
func (s *span) settle(c curve.Curve, fit curveFit, guard float64) bool {
	g, ratio := fit.likeliest()
	if g.slope == 0 || g.s2*g.varSlope*9 > g.slope*g.slope {
		return false // no flow to speak of
	}
	moved, step := false, max(medianStep(c.ElapsedS), 1e-6)
	move := func(end *float64, starts bool, outS float64) {
		at := kneeAt(c, step, *end, g.slope, math.Sqrt(g.s2), ratio, starts, s.endS-s.startS, outS)
		moved = moved || math.Abs(at-*end) > guard/2
		*end = at
	}
	if s.restBefore {
		move(&s.startS, true, s.startS-s.restFromS)
	}
	if s.restAfter {
		move(&s.endS, false, s.restToS-s.endS)
	}
	return moved
}
