package rate

import (
	"fmt"
	"math"
	"slices"
)

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
