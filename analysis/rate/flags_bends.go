package rate

import (
	"fmt"
	"math"

	"brimline/analysis/curve"
)

// Bends of the flow as a whole.

const (
	bendPlaces = 24   // for a break, over the fill's time
	breakLeast = 0.01 // of the rate: less harms nothing
	breakMost  = 0.16 // a spout of 9 mm; a steeper step is no spout's
	boreMM     = 24.0 // of a usual tube, for a spout's size
	ventLeast  = 0.02 // of the rate, lost at the end
	ventClose  = 6.0  // a break must describe a bend better by this, in squared standard deviations, to be preferred (Bayes' criterion: log of 360 blocks)
)

// bends is what a fill's curve holds besides its line, under one level of noise.
type bends struct {
	wh           *whitener
	y, q1, spare []float64 // whitened: the curve less its line, the line, room
	logLik       float64   // with trend and break
	scale        float64   // of the rest, see scaleOf
	trend        float64   // standard deviations
	alone, with  breakAt   // best break without a trend beside it, and with
}

// breakAt is a change of slope.
type breakAt struct{ at, z, part, uPart float64 }

// bendsOf fits trend and break under so many times the noise of a sound flow.
func (w *way) bendsOf(more float64) (bends, bool) {
	b := w.l.b
	n := len(b)
	buf := make([]float64, 5*n)
	q2, left := buf[:n], buf[n:2*n]
	o := bends{y: buf[2*n : 3*n], q1: buf[3*n : 4*n], spare: buf[4*n:]}
	x := o.spare
	t0, T := b[0].t, b[n-1].t-b[0].t
	o.wh = whiten(b, w.sd, w.walk*more, w.rate)
	o.wh.of(func(k int) float64 { return b[k].y - b[0].y }, o.y)
	o.wh.of(func(k int) float64 { return b[k].t - t0 }, o.q1)
	o.wh.of(func(k int) float64 { u := b[k].t - t0; return u * u / T }, q2)
	if unitLength(o.q1) == 0 {
		return o, false
	}
	less(o.y, o.q1)
	less(q2, o.q1)
	if unitLength(q2) == 0 {
		return o, false
	}
	copy(left, o.y)
	o.trend = less(left, q2)
	for p := 1; p < bendPlaces; p++ {
		at := t0 + T*float64(p)/bendPlaces
		o.wh.of(func(k int) float64 { return max(0, b[k].t-at) }, x)
		less(x, o.q1)
		h := unitLength(x)
		if h == 0 {
			continue
		}
		if z := dot(x, o.y); math.Abs(z) > math.Abs(o.alone.z) {
			o.alone = breakAt{at, z, z / h / w.rate, 1 / h / w.rate}
		}
		less(x, q2)
		if h2 := unitLength(x); h2 > 0.05 { // else a break there looks as the trend does
			if z := dot(x, left); math.Abs(z) > math.Abs(o.with.z) {
				o.with = breakAt{at, z, z / (h * h2) / w.rate, 1 / (h * h2) / w.rate}
			}
		}
	}
	o.scale = scaleOf(left)
	o.logLik = -0.5 * (dot(left, left) - o.with.z*o.with.z)
	for _, r := range o.wh.root {
		if r > 0 {
			o.logLik += math.Log(r)
		}
	}
	return o, true
}

func (o *bends) show() bool {
	limit := surelySD * o.scale
	return o.trend < -limit || o.with.z > limit
}

// bend tells a curve that bends over, as by a blocked vent, and one that steepens at
// once, as when the spout gets wet, from a steady one and from one that drifts.
func (w *way) bend() (Flag, bool) {
	o, ok := w.bendsOf(1)
	if !ok || !o.show() {
		return Flag{}, false
	}
	// An engine that hunts more than a sound one bends more by chance: as much as its
	// curve shows once trend and break are taken out.
	for _, more := range [...]float64{2, 4, 8} {
		if p, ok := w.bendsOf(more); ok && p.logLik > o.logLik {
			o = p
		}
	}
	if !o.show() {
		return Flag{}, false
	}
	if o.with.z > surelySD*o.scale && o.alone.z > max(surelySD*o.scale, o.trend) && o.alone.part > breakLeast && o.alone.part < breakMost {
		return w.dipping(o), true
	}
	if o.trend < -surelySD*o.scale {
		return w.vent(o)
	}
	return Flag{}, false
}

func (w *way) dipping(o bends) Flag {
	a := o.alone
	mm := boreMM * math.Sqrt(a.part/(1+a.part))
	_, end := w.l.fill.ElapsedS[0], w.f.EndS
	off := a.part * (end - a.at) / (w.f.EndS - w.f.StartS)
	sev := Doubt
	if off > wrongPart {
		sev = Forbids
	}
	return Flag{codeDip, sev,
		fmt.Sprintf("the flow steps up by %s %% at about %.0f s, as if the spout dipped into the fuel from then on: a spout of %s mm in a tube of %.0f mm would show that; the rate is up to %.1f %% high",
			plusMinus(100*a.part, 100*a.uPart), a.at, sig(mm), boreMM, 100*off),
		"raise the spout so that it stays dry, and repeat",
		Evidence{a.at, end, 100 * a.part, 100 * a.uPart, "% of the rate", chanceOf(o.with.z/o.scale, bendPlaces)}}
}

// vent fits dV/dt = Q - K V/(S - V), V from the onset on and S the tube's free volume, and
// weighs it against a break.
func (w *way) vent(o bends) (Flag, bool) {
	b := w.l.b
	n := len(b)
	space := 100.0 // mL, a usual tube
	if c := w.l.record.CapacityML; c > 0 {
		space = c
	}
	if w.f.Unit == curve.Gram {
		space *= w.density()
	}
	if left := w.l.span.levelBefore - w.l.record.TareG; finite(left) && left > 0 && left < space/2 {
		space -= left
	}
	buf := make([]float64, 5*n)
	base, moved, r, dq, dk := buf[:n], buf[n:2*n], buf[2*n:3*n], buf[3*n:4*n], buf[4*n:]
	rss := func(q, k float64) float64 {
		w.ventCurve(q, k, space, base)
		o.wh.of(func(i int) float64 { return b[i].y - b[0].y - base[i] }, r)
		return dot(r, r)
	}
	q := w.rate * 1.1
	k := 0.2 * w.rate
	now := rss(q, k)
	var kk, qq, qk float64
	for range 20 {
		// Gauss-Newton; the columns by small differences.
		w.ventCurve(q, k, space, base)
		w.ventCurve(q*1.001, k, space, moved)
		o.wh.of(func(i int) float64 { return (moved[i] - base[i]) / (0.001 * q) }, dq)
		w.ventCurve(q, k+0.001*q, space, moved)
		o.wh.of(func(i int) float64 { return (moved[i] - base[i]) / (0.001 * q) }, dk)
		qq, kk, qk = dot(dq, dq), dot(dk, dk), dot(dq, dk)
		gq, gk := dot(dq, r), dot(dk, r)
		d := qq*kk - qk*qk
		if d <= 0 {
			return Flag{}, false
		}
		sq, sk := (kk*gq-qk*gk)/d, (qq*gk-qk*gq)/d
		better := false
		for range 8 {
			if q2, k2 := q+sq, k+sk; q2 > w.rate/2 && k2 > 0 {
				if s := rss(q2, k2); s < now {
					better = now-s > 1e-3*now/float64(n)
					q, k, now = q2, k2, s
					break
				}
			}
			sq, sk = sq/2, sk/2
		}
		if !better {
			break
		}
	}
	uk := o.scale * math.Sqrt(qq/(qq*kk-qk*qk))
	rss(q, k) // leaves the curve in base
	end := base[n-1]
	lost := k * end / (space - end) / q // of the flow, at the end
	part := 1 - end/(q*(b[n-1].t-w.f.StartS))
	line := dot(o.y, o.y)
	a := o.alone
	byBreak := 0.0
	if a.z < 0 {
		byBreak = a.z * a.z
	}
	if k < surelySD*uk || lost < ventLeast || line-now < byBreak-ventClose*o.scale*o.scale {
		return Flag{}, false
	}
	sev := Doubt
	if part > wrongPart {
		sev = Forbids
	}
	return Flag{codeVent, sev,
		fmt.Sprintf("%s's curve bends over as if its vent hole were blocked and the flow went another way: from %s at the start to %s %s/min at the end, %.1f %% lost over the fill (a flow that falls evenly on this channel alone looks the same)",
			w.f.Channel, sig(60*q), sig(60*q*(1-lost)), w.unit, 100*part),
		"clear the vent hole and repeat",
		Evidence{w.f.StartS, w.f.EndS, 100 * part, 100 * part * uk / k, "% of the flow", chanceOf(k/uk, 1)}}, true
}

// ventCurve writes the volume that has come at each block, from the onset on.
func (w *way) ventCurve(q, k, space float64, out []float64) {
	v, t := 0.0, w.f.StartS
	flow := func(v float64) float64 { return q - k*v/max(space-v, 1e-3*space) }
	for i, x := range w.l.b {
		// The midpoint rule; a step is half a second of minutes.
		h := x.t - t
		v += h * flow(v+h/2*flow(v))
		out[i], t = v, x.t
	}
}
