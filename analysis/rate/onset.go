package rate

import (
	"math"

	"brimline/analysis/curve"
)

// Numbers of the search for a fill's ends.
const (
	kneeReachS = 60.0 // what is read so far from an end tells little of it
	kneeNearS  = 3.0  // so close to it blocks are fine
	kneeFine   = 128  // blocks there: 50 ms
	kneeCoarse = 48   // blocks on either side
	kneeTries  = 33
)

// kneeAt is the time at which a rest turns to a flow of the given slope (unit/s), or a flow
// to a rest, near a time that was found from far off: the likeliest one under the fill's
// noise, so that the wander of a cell over a minute does not move it. outS is how far into
// the rest the flow may reach that the cutting took for one. It is nearS itself where too
// little was read about it. leak is the rest's own slope, where something leaks in it.
func kneeAt(c curve.Curve, nearS, slope, leak, ratio float64, starts bool, longS, outS float64) float64 {
	slope -= leak
	if out := min(outS, longS/2); out > kneeNearS {
		from, to := nearS-out, nearS+kneeNearS
		if !starts {
			from, to = nearS-kneeNearS, nearS+out
		}
		if b := kneeData(c, from, to, 0, leak); b != nil {
			nearS = likeliestKnee(b, nearS, from, to, slope, ratio, starts)
		}
	}
	reach := min(kneeReachS, longS/2)
	b := kneeData(c, nearS-reach, nearS+reach, nearS, leak)
	if b == nil {
		return nearS
	}
	span := min(kneeNearS, reach)
	at := likeliestKnee(b, nearS, nearS-span, nearS+span, slope, ratio, starts)
	step := 2 * span / (kneeTries - 1)
	return likeliestKnee(b, at, at-step, at+step, slope, ratio, starts)
}

// kneeData is the blocks of c from fromS to toS less a leak's line, fine ones about fineS
// where that lies within; nil where there are too few.
func kneeData(c curve.Curve, fromS, toS, fineS, leak float64) []block {
	var b []block
	part := func(a, z float64, most int) {
		t, y := c.Window(a, z).Points()
		b = append(b, makeBlocks(t, y, most)...)
	}
	if a, z := fineS-kneeNearS, fineS+kneeNearS; a > fromS && z < toS {
		part(fromS, a, kneeCoarse)
		part(a, z, kneeFine)
		part(z, toS, kneeCoarse)
	} else {
		part(fromS, toS, kneeFine)
	}
	if len(b) < fewestValues {
		return nil
	}
	for k := range b {
		b[k].y -= leak * b[k].t
	}
	return b
}

// likeliestKnee is the likeliest of kneeTries times from fromS to toS, nearS where that is
// at an end of them.
func likeliestKnee(b []block, nearS, fromS, toS, slope, ratio float64, starts bool) float64 {
	// What the filter makes of each block does not hang on where the knee is.
	gain, weight := make([]float64, len(b)), make([]float64, len(b))
	var l level
	l.begin(b[0], ratio)
	for k := 1; k < len(b); k++ {
		l.next(between(b[k-1], b[k]), b[k], ratio)
		gain[k], weight[k] = l.K, 1/l.F
	}
	rss := func(knee float64) float64 {
		y0, a, sum := 0.0, 0.0, 0.0
		for k := range b {
			y := b[k].y
			if starts == (b[k].t > knee) {
				y -= slope * (b[k].t - knee)
			}
			if k == 0 {
				y0 = y
				continue
			}
			v := y - y0 - a
			a += gain[k] * v
			sum += v * v * weight[k]
		}
		return sum
	}
	at, least := 0, math.Inf(1)
	step := (toS - fromS) / (kneeTries - 1)
	for i := range kneeTries {
		if v := rss(fromS + step*float64(i)); v < least {
			at, least = i, v
		}
	}
	if at == 0 || at == kneeTries-1 {
		return nearS
	}
	return fromS + step*float64(at)
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
	move := func(end *float64, starts bool, leak, outS float64) {
		at := kneeAt(c, *end, g.slope, leak, ratio, starts, s.endS-s.startS, outS)
		moved = moved || math.Abs(at-*end) > guard/2
		*end = at
	}
	if s.restBefore {
		move(&s.startS, true, 0, s.startS-s.restFromS)
	}
	if s.restAfter {
		move(&s.endS, false, s.leak, s.restToS-s.endS)
	}
	return moved
}
