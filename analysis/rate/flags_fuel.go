package rate

import (
	"math"

	"brimline/analysis/curve"
)

// What the faults on the fuel's way are told by. Each code is raised for a curve that
// bends as the fault's equation has it, by more than a sound engine and a sound cell do:
//
//	code              from which size 99 in 100 are seen: 5 to 20 mL/min for 180 s, rests of 30 and 60 s or more,
//	                  150 counts of noise at 80 values/s or 60 at 10, 2147 counts/g; simulated, some hundred fills each
//	blocked-vent      0.15 of the flow by a second way at 0.43 bar
//	kinked-hose       3 s shut
//	air-bursts        slugs of 0.45 mL
//	slow-drip         drops of 40 mg; of 30 mg nine in ten, under that the noise hides them, and they do no harm
//	foam              4 % of gas, of a level
//	film-draining     0.1 mL of film, the rest before the flow 20 s or more
//	late-start        5 s after the other channels; a hose that fills shows as the same
//	early-stop        5 s before them
//	leak-after-stop   2.5 % of the rate, the rest after the flow 20 s or more
//	spout-dipping     5 mm of spout in a bore of 24 mm (+4.5 %), 20 s or more from the ends
const (
	// A sound engine's rate moves by 0.5 % (estimate) in waves of 3 s, which is over longer
	// times a random walk of the mass of sqrt(2 x 3 s) x 0.5 % of the rate a root second.
	huntingWalk = 0.0125 // sqrt(s)
	// A warm cell's own walk: 2 counts a root second measured on 24-bit converters, at 1540 counts/g.
	walkWarm = 2.0 / 1540 // g/sqrt(s)

	// A finding looks at twenty or so places of a curve, and one in 10,000 sound fills may
	// show as much: 4.5 standard deviations, one side, 3e-6 each.
	surelySD = 4.5

	// A number that is off by more than an engine differs from run to run (1-3 %, common
	// practice, no source) is no ground for a finding.
	wrongPart = 0.02
)

// fuelFlags looks for what went wrong on the fuel's way. What leaves marks of one kind is
// weighed against each other, so that one cause is named.
func fuelFlags(l *look, f *Fill) []Flag {
	if f.Kind != KindFill || len(l.b) < 12 {
		return nil
	}
	w := newWay(l, f)
	var out []Flag
	if g, ok := w.film(); ok {
		out = append(out, g)
	}
	foam, foams := w.foam()
	if foams {
		out = append(out, foam)
	}
	in, bent := w.stops()
	if !bent && !foams {
		in, bent = w.bend()
	}
	if bent {
		f.Steady = false
		out = append(out, in)
	}
	if !foams && in.Code != codeVent {
		if g, ok := w.leak(); ok {
			out = append(out, g)
		}
	}
	// A flow that does not hold still smears a line in time, which could then pass for drops.
	if f.Steady && !foams {
		if g, ok := w.drips(); ok {
			out = append(out, g)
		}
	}
	return out
}

// Codes of the flags on the fuel's way.
const (
	codeVent  = "blocked-vent"
	codeKink  = "kinked-hose"
	codeAir   = "air-bursts"
	codeDrip  = "slow-drip"
	codeFoam  = "foam"
	codeFilm  = "film-draining"
	codeLate  = "late-start"
	codeEarly = "early-stop"
	codeLeak  = "leak-after-stop"
	codeDip   = "spout-dipping"
)

// way is a fill as its fuel came, with what is known of its noise.
type way struct {
	l     *look
	f     *Fill
	rate  float64 // unit/s
	sd    float64 // white noise of one value, with what is periodic in it
	gPer  float64 // unit for a gram
	walk  float64 // of a sound engine and cell while it flows, unit/sqrt(s)
	walk0 float64 // of a sound cell at rest
	unit  string
}

func newWay(l *look, f *Fill) *way {
	w := &way{l: l, f: f, rate: f.Rate() / 60, unit: string(f.Unit), gPer: 1}
	if f.Unit == curve.Millilitre {
		w.gPer = 1 / w.density()
	}
	w.sd = max(l.sd, whitePerValue(l.b))
	w.walk0 = walkWarm * w.gPer
	w.walk = math.Hypot(w.walk0, huntingWalk*w.rate)
	return w
}

// density is the fuel's, g/mL, or a middle one of diesel where none is known: it turns
// sizes of bottles and slugs, which no rate rests on.
func (w *way) density() float64 {
	if w.l.o.Density != nil {
		return w.l.o.Density.GPerML
	}
	return 0.83
}

// mL is x of the curve's unit as a volume.
func (w *way) mL(x float64) float64 {
	if w.f.Unit == curve.Millilitre {
		return x
	}
	return x / w.density()
}

// blocksOf means the used values of c from fromS on over equal stretches of stepS.
func blocksOf(c curve.Curve, fromS, stepS float64) []block {
	n := len(c.ElapsedS)
	if n == 0 {
		return nil
	}
	b := make([]block, 0, min(n, int((c.ElapsedS[n-1]-c.ElapsedS[0])/stepS)+2))
	slot := math.Inf(-1)
	for i, m := range c.Marks {
		t := c.ElapsedS[i]
		if m != curve.Used || t < fromS {
			continue
		}
		if s := math.Floor((t - fromS) / stepS); s != slot {
			b = append(b, block{})
			slot = s
		}
		k := &b[len(b)-1]
		k.n++
		k.t += (t - k.t) / k.n
		k.y += (c.Values[i] - k.y) / k.n
	}
	return b
}

// A whitener takes from a series of blocks what a random walk and white noise hold over
// from one to the next: of what it leaves, each value stands for itself, with the
// standard deviation 1. A block that lies far from the one before is left out, as one
// that was knocked; where the level stays away a new one begins.
type whitener struct {
	b    []block
	sd   float64
	gain []float64
	root []float64 // 0: the block is left out
	new  []bool    // a level begins here
}

// knockedSD is how far a block may lie from the level before, beyond its noise.
const knockedSD = 6

// whiten makes the whitener of b by white noise sd of a value and a walk, with the
// slope that the series is expected to have.
func whiten(b []block, sd, walk, slope float64) *whitener {
	n := len(b)
	buf := make([]float64, 2*n)
	w := &whitener{b: b, sd: sd, gain: buf[:n], root: buf[n:], new: make([]bool, n)}
	v := walk * walk / (sd * sd)
	P, a, out := 1/b[0].n, b[0].y, 0
	for k := 1; k < n; k++ {
		dt := b[k].t - b[k-1].t
		P += v * dt
		a += slope * dt
		F := P + 1/b[k].n
		e := b[k].y - a
		if math.Abs(e) > knockedSD*sd*math.Sqrt(F)+0.5*math.Abs(slope)*dt {
			if out++; out < 4 {
				continue
			}
			// It stays where it is: a step.
			w.new[k], P, a, out = true, 1/b[k].n, b[k].y, 0
			continue
		}
		out = 0
		w.gain[k], w.root[k] = P/F, 1/(sd*math.Sqrt(F))
		a += w.gain[k] * e
		P *= 1 - w.gain[k]
	}
	return w
}

// of writes what is left of a column x(block) to out, length n.
func (w *whitener) of(x func(k int) float64, out []float64) []float64 {
	a := x(0)
	out[0] = 0
	for k := 1; k < len(w.b); k++ {
		out[k] = 0
		switch {
		case w.new[k]:
			a = x(k)
		case w.root[k] > 0:
			e := x(k) - a
			out[k] = e * w.root[k]
			a += w.gain[k] * e
		}
	}
	return out
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}

// less takes from x its part along q, which has the length 1, and returns that part.
func less(x, q []float64) float64 {
	p := dot(x, q)
	for i := range x {
		x[i] -= p * q[i]
	}
	return p
}

// unitLength scales x to the length 1 and returns the length it had; 0 leaves it.
func unitLength(x []float64) float64 {
	s := math.Sqrt(dot(x, x))
	if s > 0 {
		for i := range x {
			x[i] /= s
		}
	}
	return s
}

// scaleOf is how much larger the residuals are than the noise taken for it, at least 1:
// the median absolute deviation, that knocks count for nothing.
func scaleOf(x []float64) float64 {
	d := make([]float64, 0, len(x))
	for _, v := range x {
		if v != 0 {
			d = append(d, math.Abs(v))
		}
	}
	if len(d) == 0 {
		return 1
	}
	return max(1, 1.4826*median(d))
}
