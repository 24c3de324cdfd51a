package rate

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"

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

// Stops of the flow, within a fill.

// stop is a stretch in which nothing came.
type stop struct {
	fromS, toS float64
	missed     float64 // what came less in it than the flow brings, unit
	u          float64
	held       bool // it came afterwards
}

const (
	stopBlockS  = 0.25 // shorter than any stop that shows
	stopBlocks  = 1440 // at the most: a stop of seconds in an hour's fill goes unseen, and harms nothing
	stopSD      = 9.0  // a window is so long that no flow is so many standard deviations from flow: half each way
	stopSlugML  = 1.5  // a single stop of more than this is no slug of air in the hose, but a flow that stopped
	stopFlat    = 0.1  // of the rate may flow inside; the trough of a wave has more
	stopAround  = 0.75 // of the rate flows right before and after: less, and the flow bends there
	stopAgainS  = 2.0  // four time constants of what was held
	stopsAtMost = 40
)

// stops finds stretches without flow: those that a burst makes up for are a hose's that
// was shut, the others slugs of air.
func (w *way) stops() (Flag, bool) {
	T := w.f.EndS - w.f.StartS
	h := max(stopBlockS, T/stopBlocks)
	b := blocksOf(w.l.fill, w.f.StartS, h)
	if len(b) < 24 {
		return Flag{}, false
	}
	sd := blockNoise(b)
	if sd == 0 {
		return Flag{}, false
	}
	line := newRunning(b)
	slopeSD := func(m int) float64 { // of m+1 blocks
		return sd * math.Sqrt(12/float64(m+1)) / (float64(m) * h)
	}
	// The rate while it flows: half of the windows at least are without a stop.
	m := max(8, int(6/h))
	if m >= len(b)/2 {
		return Flag{}, false
	}
	some := make([]float64, 0, len(b)/(m/2)+1)
	for i := 0; i+m < len(b); i += m / 2 {
		some = append(some, line.slope(i, i+m+1))
	}
	r := median(some)
	if r <= 0 {
		return Flag{}, false
	}
	m = 4
	for slopeSD(m)*stopSD > r && m < len(b)/6 {
		m++
	}
	if slopeSD(m)*stopSD > r {
		return Flag{}, false
	}
	var found []stop
	for i := 0; i+m < len(b); i++ {
		if line.slope(i, i+m+1) >= r/2 {
			continue
		}
		from := i
		for i+1+m < len(b) && line.slope(i+1, i+m+2) < r/2 {
			i++
		}
		if s, ok := w.stopAt(b, line, from, i+m, m, r, sd, slopeSD); ok {
			found = append(found, s)
		}
		if len(found) > stopsAtMost {
			return Flag{}, false
		}
	}
	if len(found) == 0 {
		return Flag{}, false
	}
	var held, lost []stop
	for _, s := range found {
		if s.held {
			held = append(held, s)
		} else {
			lost = append(lost, s)
		}
	}
	switch {
	case len(held) > 0 && len(held) <= 3 && len(lost) <= 1:
		return w.kinked(held), true
	case len(lost) > len(held) && (len(lost) > 1 || w.mL(lost[0].missed) < stopSlugML):
		return w.air(lost, b), true
	}
	return Flag{}, false
}

// stopAt looks closer at blocks i to j, of which each window of m falls short.
func (w *way) stopAt(b []block, line *running, i, j, m int, r, sd float64, slopeSD func(int) float64) (stop, bool) {
	wide := max(m, int(3/max(stopBlockS, b[i+1].t-b[i].t)))
	lo, again := max(0, i-wide), b[j].t+stopAgainS
	from := j
	for from < len(b) && b[from].t < again {
		from++
	}
	to := min(len(b), from+wide)
	if i-lo < 4 || to-from < 4 {
		return stop{}, false // at an end of the fill: a flow that began late or ended early
	}
	if b[j].t-b[i].t > 1.5*float64(j-i)*(b[lo+1].t-b[lo].t)+1 {
		return stop{}, false // a hole in the record
	}
	off := func(a, z int) float64 { // from a line of slope r, mean of blocks a to z-1
		s := 0.0
		for _, k := range b[a:z] {
			s += k.y - r*(k.t-b[i].t)
		}
		return s / float64(z-a)
	}
	before, after := off(lo, i), off(from, to)
	depth, deepest := 0.0, i
	for k := i + 1; k < min(j+4, len(b)-1); k++ {
		if d := before - off(k-1, k+2); d > depth {
			depth, deepest = d, k
		}
	}
	// Flat inside, and a flow before and after as elsewhere; a wave of the flow is neither.
	a, z := i+m/2+1, j-m/2-1
	if z-a < 4 {
		a, z = i, j
	}
	if s := line.slope(a, z+1); math.Abs(s) > stopFlat*r+3*slopeSD(z-a) {
		return stop{}, false
	}
	around := (line.slope(max(0, i-2*wide), i+1) + line.slope(from, min(len(b), from+2*wide))) / 2
	if around < stopAround*r || line.slope(lo, i+1) < r/2-3*slopeSD(i-lo) || line.slope(from, to) < r/2-3*slopeSD(to-from-1) {
		return stop{}, false
	}
	u := sd / math.Sqrt(3)
	if depth < 6*u || w.stuck(b[i].t+(b[j].t-b[i].t)/4, b[deepest].t) || j+1 >= len(b) {
		return stop{}, false
	}
	// It begins where the line before meets the flat, and ends with the last block that is flat.
	flat := 0.0
	for _, k := range b[a : z+1] {
		flat += k.y / float64(z+1-a)
	}
	last := z
	for last+1 < min(j+8, len(b)) && b[last+1].y < flat+max(0.15*depth, 3*sd) {
		last++
	}
	s := stop{fromS: b[i].t + (flat-before)/r, toS: (b[last].t + b[last+1].t) / 2, u: u}
	if s.missed = r * (s.toS - s.fromS); s.toS <= s.fromS {
		return stop{}, false
	}
	switch back := (after - before + depth) / depth; {
	case back > 0.7 && back < 1.4:
		s.held = true
	case back > 0.3 || back < -0.4:
		return stop{}, false
	default:
		s.missed, s.u = before-after, sd*math.Sqrt(1/float64(i-lo)+1/float64(to-from))
	}
	return s, true
}

// stuck reports whether the converter gave one value over and over: flat it is then, but
// not for want of fuel.
func (w *way) stuck(fromS, toS float64) bool {
	c := w.l.fill.Window(fromS, toS)
	same := 0
	for i := 1; i < len(c.Values); i++ {
		if c.Values[i] == c.Values[i-1] {
			same++
		}
	}
	return len(c.Values) > 4 && 10*same > 9*len(c.Values)
}

func (w *way) kinked(s []stop) Flag {
	long := s[0]
	for _, x := range s {
		if x.toS-x.fromS > long.toS-long.fromS {
			long = x
		}
	}
	says := fmt.Sprintf("nothing comes for %s s from %.0f s on, then %s mL at once, as from a hose that was pinched shut and sprang open", sig(long.toS-long.fromS), long.fromS, sig(w.mL(long.missed)))
	if len(s) > 1 {
		says += "; " + times(len(s)) + " in all"
	}
	return Flag{codeKink, Doubt, says + "; what was held came late and the rate counts it", "lay the hose without a kink and repeat",
		Evidence{long.fromS, long.toS, long.toS - long.fromS, (long.toS - long.fromS) * long.u / long.missed, "s", chanceOf(long.missed/long.u, stopBlocks)}}
}

func (w *way) air(s []stop, b []block) Flag {
	sum, u2, surest := 0.0, 0.0, 0.0
	for _, x := range s {
		surest = max(surest, x.missed/x.u)
		sum += x.missed
		u2 += x.u * x.u
	}
	n := float64(len(s))
	part := sum / (sum + w.f.Gain)
	between, u := w.between(s, b)
	sev := Doubt
	if part > wrongPart {
		sev = Forbids
	}
	size := w.mL(sum / n)
	says := fmt.Sprintf("the flow stops %s, from %.0f s on, for about %s mL each and is as before afterwards, as if air came through the hose: the total is %s mL short, and the rate %.1f %% low",
		times(len(s)), s[0].fromS, sig(size), sig(w.mL(sum)), 100*part)
	if between > 0 {
		says += fmt.Sprintf("; in between it is %s %s/min", plusMinus(60*between, 60*u), w.unit)
	}
	return Flag{codeAir, sev, says, "tighten the hose at the injector, let it fill with fuel, and repeat",
		Evidence{s[0].fromS, s[len(s)-1].toS, size, w.mL(math.Sqrt(u2) / n), "mL", chanceOf(surest, stopBlocks)}}
}

// between is the slope of the stretches between stops and its standard uncertainty; 0 where
// none is long enough.
func (w *way) between(s []stop, b []block) (slope, u float64) {
	sum := 0.0
	from := math.Inf(-1)
	for k := 0; k <= len(s); k++ {
		to := math.Inf(1)
		if k < len(s) {
			to = s[k].fromS - stopBlockS
		}
		i, _ := slices.BinarySearchFunc(b, from, func(k block, t float64) int { return cmpFloat(k.t, t) })
		j, _ := slices.BinarySearchFunc(b, to, func(k block, t float64) int { return cmpFloat(k.t, t) })
		if j-i >= 8 {
			part := b[i:j]
			long := part[len(part)-1].t - part[0].t
			d := slopeDoubt(part, w.sd, long)
			v := d*d + 1.2*w.walk*w.walk/long
			slope += plainSlope(part) / v
			sum += 1 / v
		}
		if k < len(s) {
			from = s[k].toS + stopAgainS
		}
	}
	if sum == 0 {
		return 0, 0
	}
	return slope / sum, 1 / math.Sqrt(sum)
}

func cmpFloat(a, b float64) int {
	if a < b {
		return -1
	}
	return 1
}

// blockNoise is the standard deviation of a block, whatever makes it, by second
// differences of neighbours.
func blockNoise(b []block) float64 {
	d := make([]float64, 0, len(b))
	for i := 1; i+1 < len(b); i++ {
		d = append(d, math.Abs(b[i-1].y-2*b[i].y+b[i+1].y))
	}
	if len(d) == 0 {
		return 0
	}
	return 1.4826 * median(d) / math.Sqrt(6)
}

// running gives the slope of any stretch of blocks at once, by running sums.
type running struct{ t, y, tt, ty []float64 }

func newRunning(b []block) *running {
	n := len(b) + 1
	buf := make([]float64, 4*n)
	r := &running{buf[:n], buf[n : 2*n], buf[2*n : 3*n], buf[3*n:]}
	for i, k := range b {
		t, y := k.t-b[0].t, k.y-b[0].y
		r.t[i+1], r.y[i+1] = r.t[i]+t, r.y[i]+y
		r.tt[i+1], r.ty[i+1] = r.tt[i]+t*t, r.ty[i]+t*y
	}
	return r
}

// slope is the least-squares slope of blocks i to j-1, each of the same weight.
func (r *running) slope(i, j int) float64 {
	n := float64(j - i)
	t, y := r.t[j]-r.t[i], r.y[j]-r.y[i]
	return (r.ty[j] - r.ty[i] - t*y/n) / (r.tt[j] - r.tt[i] - t*t/n)
}

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

// Drops.

const (
	dropLeastG  = 0.020 // a spout of 1.9 mm radius, by surface tension
	dropMostG   = 0.060 // one of 5.6 mm
	dropsFewest = 20    // under so many the ends' parts of a drop count (common practice, no source)
	dropBins    = 8192  // by mass, at the most, three to the least drop: 55 g
	dropChance  = 1e-4  // a line that is no staircase is sorted out afterwards
	dropAliasHz = 0.3   // twice the quickest that means over 8 s leave, and the rate's own drift
	dropLines   = 3     // are looked at: a shaking engine's may be stronger than the drops'
	dropStairs  = 24.0  // power of a staircase, in units of what noise gives, that is looked for at some ten thousand heights, slopes and places: exp(-24) each
	dropClear   = 1.85  // roots of the power: of some thousand sound fills few lone lines go beyond, to 2.1, and those have little in mass
	dropInMass  = 0.8   // of a line's power in time, then
	dropSurely  = 2.6   // roots of the power, wherever the power in mass
	dropStrong  = 45.0  // power of a line of which both are weighed together: of 940 lone ones none came over 4.7, of 400 flows in drops of 43 mg two stayed under
	dropBoth    = 4.8
	dropFolded  = 1.05 // of a line's power in time, where the next holds
	dropWave    = 1.6  // of the wave that stairs have, a third of a drop, as noise lets it show
	dropFastest = 20.0 // a second: what comes quicker is a jet, of a spout of 4 mm from 70 mL/min on (a jet's Weber number of 1; estimate)
	dropFoldHz  = 0.03 // a lone line at a third of the values' rate folds onto its own second harmonic
)

// drips tells a flow that comes drop by drop: the curve is a staircase in its own mass,
// however the rate moves meanwhile. The spectrum of what the values differ from the smooth
// curve, over that curve's mass, has a line at one drop and, as a staircase has, at half of
// one; a shaking engine's line is one in time, and alone.
func (w *way) drips() (Flag, bool) {
	c := w.l.fill
	least, most := dropLeastG*w.gPer, dropMostG*w.gPer
	if w.rate/most > dropFastest {
		return Flag{}, false
	}
	// The smooth curve goes through means over six large drops or more.
	knots := blocksOf(c, c.ElapsedS[0], max(8, 6*most/w.rate))
	if len(knots) < 8 {
		return Flag{}, false
	}
	bin := least / 3
	bins := 1024
	for bins < dropBins && float64(bins)*bin < w.f.Gain {
		bins *= 2
	}
	sums := make([]float64, bins)
	sum2, n := 0.0, 0
	from := knots[0].y
	far := 5*w.sd + most
	each := func(do func(mass, left, t float64)) {
		k := 0
		for i, m := range c.Marks {
			t := c.ElapsedS[i]
			if m != curve.Used || t < knots[0].t {
				continue
			}
			for k+2 < len(knots) && t > knots[k+1].t {
				k++
			}
			p, q := knots[k], knots[k+1]
			mass := p.y + (q.y-p.y)*(t-p.t)/(q.t-p.t) - from
			if t > q.t || mass < 0 || mass >= float64(bins)*bin {
				continue
			}
			if left := c.Values[i] - from - mass; math.Abs(left) < far {
				do(mass, left, t)
			}
		}
	}
	each(func(mass, left, _ float64) {
		sums[int(mass/bin)] += left
		sum2 += left * left
		n++
	})
	if n < 200 || sum2 == 0 {
		return Flag{}, false
	}
	unit := sum2 // of power: |S|^2 of n values of noise has the mean sum2
	spectrum := fourier.NewFFT(bins).Coefficients(nil, sums)
	span := float64(bins) * bin
	// At half-steps of its frequencies: between two of them a line shows as their difference.
	power := func(half int) float64 {
		x := spectrum[half/2]
		if half%2 == 1 {
			x = (x - spectrum[half/2+1]) * (math.Pi / 4)
		}
		return (real(x)*real(x) + imag(x)*imag(x)) / unit
	}
	lo, hi := int(2*span/most), min(int(2*span/least), 2*len(spectrum)-3)
	reach := min(span, knots[len(knots)-1].y-from)
	t0, T := knots[0].t, knots[len(knots)-1].t-knots[0].t
	passed := make([]bool, hi+1)
	hz := float64(n-1) / T
	for k := lo; k <= hi; k++ {
		// Drops as often as values look like the slow wander that the smooth curve leaves.
		often := w.rate * float64(k) / 2 / span
		passed[k] = often > dropFastest || math.Abs(often-hz*math.Round(often/hz)) < dropAliasHz
	}
	for range dropLines {
		best := -1
		for k := lo; k <= hi; k++ {
			if !passed[k] && (best < 0 || power(k) > power(best)) {
				best = k
			}
		}
		if best < 0 {
			return Flag{}, false
		}
		chance := float64(hi-lo) * math.Exp(-power(best))
		if chance > dropChance {
			return Flag{}, false
		}
		// Closer, in mass and in time: is it a staircase, or a line alone?
		stairs, _, drop := treads(func(do func(x, left float64)) {
			each(func(mass, left, _ float64) { do(mass, left) })
		}, float64(best)/2/span, reach, 6)
		quarters := min(40, int(math.Ceil(4*0.01*w.rate/drop*T)))
		inTime, line, every := treads(func(do func(x, left float64)) {
			each(func(_, left, t float64) { do(t-t0, left) })
		}, w.rate/drop, T, quarters)
		if areDrops(stairs/unit, inTime/unit, line/unit, 3/every, hz) && !w.shakes(drop) && shownIn(c) < drop/2 {
			return w.dripping(drop, drop*drop/reach/2, chance), true
		}
		wide := max(4, int(0.02*float64(best)))
		for k := max(lo, best-wide); k <= min(hi, best+wide); k++ {
			passed[k] = true
		}
	}
	return Flag{}, false
}

// areDrops reports whether the powers of a staircase in mass and in time are those of drops,
// or of a line alone in time, of values hz a second; thirdHz is the staircase's third line.
func areDrops(inMass, inTime, line, thirdHz, hz float64) bool {
	// Of a lone line of power P a staircase takes P/(1 + 1/4 + 1/9), and noise adds to that by
	// some root of P.
	clear := (max(inMass, inTime) - line/(1+1./4+1./9)) / math.Sqrt(line)
	folded := math.Mod(thirdHz, hz)
	if min(folded, hz-folded) < dropFoldHz && inMass < dropFolded*line {
		return false
	}
	if max(inMass, inTime) < dropStairs {
		return false
	}
	// Where the line is strong, what it has in mass says the more.
	return clear >= dropClear && inMass >= dropInMass*line || clear >= dropSurely || line > dropStrong && clear+4*inMass/line >= dropBoth
}

// shakes reports whether a periodic part is higher than drops of that size make one.
func (w *way) shakes(drop float64) bool {
	for _, x := range w.l.lines {
		if x.amp > dropWave*drop/math.Pi {
			return true
		}
	}
	return false
}

// dripping words a flow in drops, of the curve's unit.
func (w *way) dripping(drop, u, chance float64) Flag {
	count := w.f.Gain / drop
	mg := 1000 * drop / w.gPer
	says := fmt.Sprintf("the fuel comes in drops of %.0f mg, %.1f a second", mg, w.rate/drop)
	sev, do := Note, ""
	if count < dropsFewest {
		sev, do = Doubt, fmt.Sprintf("run on until %d have come", dropsFewest)
		says += fmt.Sprintf(", and only %.0f came", count)
	}
	return Flag{codeDrip, sev, says, do, Evidence{w.f.StartS, w.f.EndS, mg, 1000 * u / w.gPer, "mg", chance}}
}

// treads looks for a staircase of about f0 steps in a unit of x, which goes from 0 to longest,
// within so many quarters of a cycle over longest of f0. It returns what the staircase and
// what a lone line takes from the sum of squares of what the values leave, in the units of
// the power of a line, and the height of the steps. A staircase of steps h less its mean line
// is (h/pi) sum sin(k theta)/k.
func treads(each func(func(x, left float64)), f0, longest float64, quarters int) (stairs, line, height float64) {
	const harmonics, chunks = 3, 48 // parts whose sums give the neighbouring frequencies
	var sum [harmonics][chunks]complex128
	each(func(at, left float64) {
		k := min(chunks-1, max(0, int(at/longest*chunks)))
		s, c := math.Sincos(2 * math.Pi * f0 * at)
		e := complex(c, -s)
		x := complex(left, 0)
		for h := range sum {
			x *= e
			sum[h][k] += x
		}
	})
	// The cell's own walk, or the flow's, turns the phase by a part of a cycle: an even change
	// of frequency takes up most of that. A line of a shaking engine has none.
	const bows, places = 9, 32
	turn := func(cycles float64) complex128 {
		s, c := math.Sincos(2 * math.Pi * cycles)
		return complex(c, -s)
	}
	var bow [bows][chunks]complex128
	var first [places][harmonics]complex128 // the place of the first step
	norm := 0.0
	for k := range chunks {
		x := (float64(k) + 0.5) / chunks
		for i := range bow {
			bow[i][k] = turn(0.8 * float64(i-bows/2) * x * (1 - x)) // 0.2 cycles more in the middle each
		}
	}
	for h := range harmonics {
		k := float64(h + 1)
		norm += 1 / k / k
		for p := range first {
			first[p][h] = turn(k*float64(p)/places) / complex(k, 0)
		}
	}
	height = 1 / f0
	var shift [chunks]complex128
	for q := -quarters; q <= quarters; q++ {
		d := float64(q) / 4 // cycles, end to end
		for k := range chunks {
			shift[k] = turn(d * (float64(k) + 0.5) / chunks)
		}
		for i := range bow {
			var total [harmonics]complex128
			for k := range chunks {
				e, turned := shift[k]*bow[i][k], complex(1, 0)
				for h := range sum {
					turned *= e
					total[h] += sum[h][k] * turned
				}
			}
			if i == bows/2 {
				line = max(line, real(total[0])*real(total[0])+imag(total[0])*imag(total[0]))
			}
			for p := range first {
				fit := 0.0
				for h, v := range total {
					fit -= imag(v * first[p][h]) // of sin(k(x + theta))/k
				}
				if w := fit * fit / norm; fit > 0 && w > stairs {
					stairs, height = w, 1/(f0+d/longest)
				}
			}
		}
	}
	return stairs, line, height
}

// Starts and ends, against the other channels.

// Channels of one engine start together, within a standard deviation of startSD that a hose's
// slack makes: assumed. Eight of them are no slack.
const (
	startSD    = 0.375 // s
	startLateS = 8 * startSD
)

// startsAndEnds adds to the channels of a run that they began after the others, or ended
// before them: one curve alone cannot show it.
func (m collection) startsAndEnds() {
	var starts, ends []float64
	for i, c := range m {
		starts, ends = starts[:0], ends[:0]
		for j, o := range m {
			if j != i && o.f.Kind == KindFill && o.l.o.Mode == OneFill {
				starts, ends = append(starts, o.f.StartS), append(ends, o.f.EndS)
			}
		}
		f := c.f
		if f.Kind != KindFill || c.l.o.Mode != OneFill || len(starts) == 0 {
			continue
		}
		// Of an even number the middle one that accuses less.
		slices.Sort(starts)
		slices.Sort(ends)
		start, end := starts[len(starts)/2], ends[(len(ends)-1)/2]
		u := f.onsetDoubtS()
		limit := startLateS + surelySD*u
		if late := f.StartS - start; late > limit && read(c.l.record, start, f.StartS) {
			held := ""
			if finite(f.RateMLPerMin) {
				held = fmt.Sprintf(" (%s mL at this rate)", sig(f.RateMLPerMin/60*late))
			}
			f.Flags = append(f.Flags, Flag{codeLate, Note,
				fmt.Sprintf("the flow begins %.0f s after the other channels', as if the hose had to fill first%s or was put on late: the rate stands, the amount does not", late, held),
				"run the engine until fuel comes from every hose, then start",
				Evidence{start, f.StartS, late, u, "s", chanceOf(limit/math.Hypot(u, startSD), len(m))}})
		}
		if early := end - f.EndS; early > limit && read(c.l.record, f.EndS, end) {
			f.Flags = append(f.Flags, Flag{codeEarly, Doubt,
				fmt.Sprintf("the flow ends %.0f s before the other channels': the hose came off or was shut, or the injector sent nothing more; the rate is that of the time before", early),
				"look at hose and injector and repeat",
				Evidence{f.EndS, end, early, u, "s", chanceOf(limit/math.Hypot(u, startSD), len(m))}})
		}
	}
}

// read reports whether most of the values of c from fromS to toS are good: else nobody knows
// what flowed then.
func read(c curve.Curve, fromS, toS float64) bool {
	w := c.Window(fromS, toS)
	return 2*w.Count(curve.Used) > len(w.Marks)
}

// onsetDoubtS is about how well an onset is known: the crossing of two lines, each by a
// second or so of values.
func (f *Fill) onsetDoubtS() float64 {
	if r := f.Rate() / 60; r > 0 && f.Samples > 0 && f.EndS > f.StartS {
		return f.U / 60 * (f.EndS - f.StartS) / r
	}
	return 0
}
