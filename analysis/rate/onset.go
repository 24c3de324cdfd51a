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
// noise, so that the wander of a cell over a minute does not move it. It is nearS itself
// where too little was read about it.
func kneeAt(c curve.Curve, nearS, slope, white, ratio float64, starts bool, reachS float64) float64 {
	perS := 1 / max(medianStep(c.ElapsedS), 1e-6)
	// slope x W = kneeClear x white/sqrt(perS W)
	W := math.Pow(kneeClear*white/math.Abs(slope)/math.Sqrt(perS), 2./3)
	W = min(max(W, kneeLeastS, 12/perS), kneeMostS, reachS/2)
	t, y := c.Window(nearS-W, nearS+W).Points()
	if len(t) < 2*fewestValues || !(nearS-t[0] > W/4) || !(t[len(t)-1]-nearS > W/4) {
		return nearS
	}
	b := makeBlocks(t, y, kneeBlocks)
	rss := func(knee float64) float64 {
		var l level
		l.begin(b[0], ratio)
		flowed := func(k block) float64 {
			if starts == (k.t > knee) {
				return slope * (k.t - knee)
			}
			return 0
		}
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
	from, to := nearS-W/2, nearS+W/2
	step := (to - from) / (kneeTries - 1)
	at := leastOf(from, step, kneeTries, rss)
	if at <= from || at >= to-step/2 {
		return nearS // no knee within reach
	}
	const finer = 8
	return leastOf(at-step, 2*step/finer, finer+1, rss)
}

// leastOf is where f is least of n places.
func leastOf(from, step float64, n int, f func(float64) float64) float64 {
	at, least := from, math.Inf(1)
	for i := range n {
		x := from + step*float64(i)
		if v := f(x); v < least {
			at, least = x, v
		}
	}
	return at
}

// settle moves the ends of s, where they lie beside a rest, to where the flow begins and
// ends under the noise of its fit, and reports whether that moves one of them beyond the
// moments that the fit leaves out.
func (s *span) settle(c curve.Curve, fit curveFit, guard float64) bool {
	g, ratio := fit.likeliest()
	if g.slope == 0 || g.s2*g.varSlope*9 > g.slope*g.slope {
		return false // no flow to speak of
	}
	moved := false
	move := func(end *float64, starts bool) {
		at := kneeAt(c, *end, g.slope, math.Sqrt(g.s2), ratio, starts, s.endS-s.startS)
		moved = moved || math.Abs(at-*end) > guard/2
		*end = at
	}
	if s.restBefore {
		move(&s.startS, true)
	}
	if s.restAfter {
		move(&s.endS, false)
	}
	return moved
}
