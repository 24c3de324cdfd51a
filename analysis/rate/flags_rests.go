package rate

import (
	"fmt"
	"math"

	"brimline/analysis/curve"
)

// The rests before and after.

const (
	restBlockS  = 1.0  // of a rest's blocks
	settleS     = 1.5  // at a record's start: a cell that was switched on
	restEnoughS = 15.0 // under this a rest tells nothing
	hoseRunsS   = 3.0  // after the end: what hangs in the hose and what was held
	foamLifeS   = 30.0 // seconds to minutes: estimate
	filmFromS   = 5.0  // a tube is in its place so long after it was emptied: assumed
	leakLeast   = 0.02 // of the rate; a warmed cell moves by under a sixth of that, one that creeps by 5 % of its load by 1.4 %
	leakDrifts  = 4    // times the drift of a cell at changing temperature
	filmLeastML = 0.03 // under this no tare is worth repeating
)

// restWalk is a cell's walk at rest, as the blocks of a rest show it beside an even slope,
// but at least a warm cell's.
func (w *way) restWalk(b []block) float64 {
	const each = 5 // blocks to a mean, of restBlockS
	var m []block
	for i := 0; i+each <= len(b); i += each {
		var k block
		for _, x := range b[i : i+each] {
			k.n += x.n
			k.t += (x.t - k.t) * x.n / k.n
			k.y += (x.y - k.y) * x.n / k.n
		}
		m = append(m, k)
	}
	if len(m) < 6 {
		return w.walk0
	}
	// Means over h seconds, 2 h apart, differ by a walk of w^2 a second with w^2 (2 - 1/3) h.
	const h = each * restBlockS
	n := len(m) - 2
	mean := 0.0
	for i := range n {
		mean += (m[i+2].y - m[i].y) / float64(n)
	}
	sum := 0.0
	for i := range n {
		d := m[i+2].y - m[i].y - mean
		sum += d*d - w.sd*w.sd*(1/m[i].n+1/m[i+2].n)
	}
	return math.Sqrt(max(w.walk0*w.walk0, sum/float64(n-1)/((2-1./3)*h)))
}

// fitted is a rest fitted by a level and a times a shape, under white noise and walk: a with its standard
// uncertainty, and what it takes from the sum of squares.
type fitted struct{ a, u, saves float64 }

func fitShape(wh *whitener, y, x []float64, of func(t float64) float64) fitted {
	wh.of(func(k int) float64 { return of(wh.b[k].t) }, x)
	h := unitLength(x)
	if h == 0 {
		return fitted{}
	}
	z := dot(x, y)
	return fitted{z / h, 1 / h, z * z}
}

// film tells a tube whose wall still drained before the flow began.
func (w *way) film() (Flag, bool) {
	c := w.l.before
	if w.l.o.Mode == Window || len(c.ElapsedS) == 0 {
		return Flag{}, false
	}
	t0 := c.ElapsedS[0]
	b := blocksOf(c.Window(math.Inf(-1), w.f.StartS-0.5), t0+settleS, restBlockS)
	if len(b) < int(restEnoughS) {
		return Flag{}, false
	}
	n := len(b)
	buf := make([]float64, 2*n)
	y, x := buf[:n], buf[n:]
	walk := w.walk0
	if after := blocksOf(w.l.after, w.f.EndS+hoseRunsS, restBlockS); len(after) > 0 {
		walk = w.restWalk(after)
	}
	wh := whiten(b, w.sd, walk, 0)
	wh.of(func(k int) float64 { return b[k].y - b[0].y }, y)
	drains := fitShape(wh, y, x, func(t float64) float64 { return math.Sqrt(60 / (t - t0 + filmFromS)) })
	drifts := fitShape(wh, y, x, func(t float64) float64 { return t - t0 })
	s := 1.0
	if rest := math.Sqrt((dot(y, y) - drains.saves) / float64(max(1, n-2))); rest > 1 {
		s = rest
	}
	ml := w.mL(drains.a)
	if drains.a < surelySD*s*drains.u || drains.saves < drifts.saves+ventClose*s*s || ml < filmLeastML {
		return Flag{}, false
	}
	last := w.f.StartS - t0 + filmFromS
	still := ml * math.Sqrt(60/last)
	return Flag{codeFilm, Note,
		fmt.Sprintf("the empty reading still falls before the flow begins, as fuel drains from the tube's wall (about %s mL were on it a minute after it was emptied, %s mL at the onset): the rate is not touched, the amount is", sig(ml), sig(still)),
		"let an emptied tube drain for 60 s, then tare",
		Evidence{t0, w.f.StartS, ml, w.mL(drains.u * s), "mL", chanceOf(drains.a/drains.u/s, 1)}}, true
}

// foam tells a level that stood high with gas and sinks back after the flow.
func (w *way) foam() (Flag, bool) {
	if w.f.Unit != curve.Millilitre || w.l.o.Mode == Window {
		return Flag{}, false
	}
	b := blocksOf(w.l.after, w.f.EndS+0.5, restBlockS)
	if len(b) < int(restEnoughS) {
		return Flag{}, false
	}
	n := len(b)
	buf := make([]float64, 2*n)
	y, x := buf[:n], buf[n:]
	wh := whiten(b, w.sd, w.walk0, 0)
	wh.of(func(k int) float64 { return b[k].y - b[0].y }, y)
	sinks := fitShape(wh, y, x, func(t float64) float64 { return math.Exp(-(t - w.f.EndS) / foamLifeS) })
	drifts := fitShape(wh, y, x, func(t float64) float64 { return t })
	s := 1.0
	if rest := math.Sqrt((dot(y, y) - sinks.saves) / float64(max(1, n-2))); rest > 1 {
		s = rest
	}
	T := w.f.EndS - w.f.StartS
	gas := sinks.a / (w.rate * foamLifeS * -math.Expm1(-T/foamLifeS)) // of what flowed in
	if sinks.a < surelySD*s*sinks.u || sinks.saves < drifts.saves || gas < foamLeast {
		return Flag{}, false
	}
	// While it flows the level rises by gas exp(-u/30 s) too fast: over T by this part.
	part := gas * foamLifeS * -math.Expm1(-T/foamLifeS) / T
	sev := Doubt
	if part > wrongPart {
		sev = Forbids
	}
	return Flag{codeFoam, sev,
		fmt.Sprintf("the level sinks back by %s mL after the flow, as foam does (about %.0f %% gas in what comes in): the fill stands that much too high and its rate up to %.1f %%", sig(sinks.a), 100*gas, 100*part),
		"bring the spout to the tube's wall so that the fuel runs down it, or weigh, and repeat",
		Evidence{w.f.EndS, b[n-1].t, sinks.a, sinks.u * s, "mL", chanceOf(sinks.a/sinks.u/s, 1)}}, true
}

const foamLeast = 0.01 // of gas: less moves the rate by under 0.2 % in three minutes

// leak tells a rise that goes on after the end at one slope, which no warmth does.
func (w *way) leak() (Flag, bool) {
	if w.l.o.Mode == Window {
		return Flag{}, false
	}
	b := blocksOf(w.l.after, w.f.EndS+hoseRunsS, restBlockS)
	if len(b) < int(restEnoughS) {
		return Flag{}, false
	}
	n := len(b)
	buf := make([]float64, 2*n)
	y, x := buf[:n], buf[n:]
	wh := whiten(b, w.sd, w.restWalk(b), leakLeast*w.rate)
	t0, T := b[0].t, b[n-1].t-b[0].t
	mid := t0 + T/2
	wh.of(func(k int) float64 { return b[k].y - b[0].y }, y)
	all := fitShape(wh, y, x, func(t float64) float64 { return t - t0 })
	rest := math.Sqrt(max(1, (dot(y, y)-all.saves)/float64(n-2)))
	u := rest * all.u
	drift := zeroDriftGPH / 3600 * w.gPer
	if w.f.Unit == curve.Millilitre {
		drift = w.l.record.DriftPerH / 3600
	}
	if all.a < surelySD*u || all.a < leakLeast*w.rate || all.a < leakDrifts*drift {
		return Flag{}, false
	}
	less(y, x)
	bent := fitShape(wh, y, x, func(t float64) float64 { return max(0, t-mid) })
	// What warmth brings loses most of its slope in minutes; a leak keeps it.
	if -bent.a > 0.5*all.a+2*rest*bent.u {
		return Flag{}, false
	}
	part := all.a / w.rate
	return Flag{codeLeak, Doubt,
		fmt.Sprintf("after the flow's end at %.0f s the tube goes on filling at %s %s/min, %.1f %% of the rate, at one pace: something leaks into it, and may have done so all along", w.f.EndS, plusMinus(60*all.a, 60*u), w.unit, 100*part),
		"find where it comes from (the injector's valve, a joint, another hose) and repeat",
		Evidence{w.f.EndS, b[n-1].t, 60 * all.a, 60 * u, w.unit + "/min", chanceOf(all.a/u, 1)}}, true
}
