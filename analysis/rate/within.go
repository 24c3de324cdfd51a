package rate

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Numbers of the rate within the run. Where a number is a choice, its reason stands beside it.
const (
	levelKnots    = 8    // of the bent line that the noise is judged around: of a break between two they leave a bow of a 36th of what it makes
	withinBlocks  = 180  // a second of a three-minute fill: no flow is asked about in less
	withinGrid    = 20   // ratios of walk to white that are weighed, a factor of 3 or 4 apart
	breakScan     = 60   // moments at which a break is looked for, before the finest is sought between them
	breakMargin   = 0.05 // of the fill's time at each end in which no break is looked for
	shiftChance   = 1e-4 // of a sound fill: a twentieth of the flags that sound fills may have in all
	rollingMost   = 120  // points of the rolling rate
	rollingPartU  = 0.02 // of the mean: a rolling rate known worse than this shows noise
	rollingLeast  = 1. / 40
	rollingBlocks = 6      // at least, of a stretch
	rollingLong   = 1. / 4 // of the fill's time: a longer stretch follows nothing
)

// whitening takes the noise of one ratio of walk to white out of a column of values at
// the blocks' times: what the level filter of filter does not foresee, each by its
// standard deviation. Columns that went through it are as if their noise were white,
// and the level itself has gone from them.
type whitening struct {
	b      []block
	gain   []float64 // of each block after the first
	root   []float64 // 1/standard deviation of what is not foreseen
	logDet float64
}

func newWhitening(b []block, ratio float64) whitening {
	w := whitening{b: b, gain: make([]float64, len(b)), root: make([]float64, len(b))}
	P := b[0].white()
	for k := 1; k < len(b); k++ {
		P += ratio * (b[k].t - b[k-1].t)
		F := P + b[k].white()
		w.gain[k], w.root[k] = P/F, 1/math.Sqrt(F)
		w.logDet += math.Log(F)
		P *= 1 - w.gain[k]
	}
	return w
}

// column is x of each block (length of b), whitened; one shorter.
func (w whitening) column(x func(k int) float64) []float64 {
	out := make([]float64, len(w.b)-1)
	w.into(out, 0, x)
	return out
}

// into is column where x is zero before block from.
func (w whitening) into(out []float64, from int, x func(k int) float64) {
	clear(out)
	a := 0.0
	if from == 0 {
		a = x(0)
	}
	for k := max(from, 1); k < len(w.b); k++ {
		v := x(k) - a
		out[k-1] = v * w.root[k]
		a += w.gain[k] * v
	}
}

// sums holds the products of whitened columns, the last of which is fitted by the
// others: the lower half of a matrix, row by row.
type sums struct {
	p int // columns, with the fitted one
	v []float64
}

func sumsOf(columns ...[]float64) sums {
	s := sums{len(columns), make([]float64, len(columns)*len(columns))}
	for i, x := range columns {
		for j := range i + 1 {
			d := 0.0
			for k, v := range columns[j] {
				d += x[k] * v
			}
			s.v[i*s.p+j] = d
		}
	}
	return s
}

// errSingular means that the columns do not determine the fit.
var errSingular = errors.New("the columns do not determine the fit")

// solve returns what the columns leave of the fitted one as a sum of squares, the
// coefficients, the inverse of their matrix (of p-1 columns, row by row), and the
// logarithm of its determinant, by Cholesky's factors (Golub & Van Loan, ch. 4).
func (s sums) solve() (rss float64, coef, inverse []float64, logDet float64, err error) {
	n, p := s.p-1, s.p
	l := slices.Clone(s.v)
	for i := range p {
		for j := range i + 1 {
			d := l[i*p+j]
			for k := range j {
				d -= l[i*p+k] * l[j*p+k]
			}
			if i != j {
				l[i*p+j] = d / l[j*p+j]
				continue
			}
			if i == n {
				rss = max(d, 0)
				break
			}
			if !(d > 1e-12*s.v[i*p+i]) {
				return 0, nil, nil, 0, errSingular
			}
			l[i*p+i] = math.Sqrt(d)
			logDet += math.Log(d)
		}
	}
	coef, inverse = make([]float64, n), make([]float64, n*n)
	back := func(x []float64) { // solves L' x = x
		for i := n - 1; i >= 0; i-- {
			for k := i + 1; k < n; k++ {
				x[i] -= l[k*p+i] * x[k]
			}
			x[i] /= l[i*p+i]
		}
	}
	copy(coef, l[n*p:n*p+n])
	back(coef)
	row := make([]float64, n)
	for j := range n {
		clear(row)
		row[j] = 1
		for i := range n { // L x = e
			for k := range i {
				row[i] -= l[i*p+k] * row[k]
			}
			row[i] /= l[i*p+i]
		}
		back(row)
		copy(inverse[j*n:], row)
	}
	return rss, coef, inverse, logDet, nil
}

// within is the rate within a fill.
type within struct {
	b    []block
	base float64 // end-to-end slope, unit/s, taken out of y to keep the sums small
	at   []noisy // ratios of walk to white that the fill allows
	noisy
}

// noisy is a within at one ratio of walk variance per second to white variance of one value.
type noisy struct {
	w      whitening
	ratio  float64
	weight float64 // chance of this ratio
	s2, df float64 // residual variance, of one value's white noise, and its degrees of freedom
	t, y   []float64
}

// newWithin judges the noise of b (at least eight blocks) around a line that may bend: a
// flow that sags or steps must not pass for the wander of a cell, as it does around a
// straight line. How it bends is found first, beside noise that is judged around a line
// bent at levelKnots places; then all ratios of walk to white are weighed around that bend
// and a parabola, by restricted likelihood and Jeffreys' prior as in fitSlope.
func newWithin(b []block) (*within, error) {
	n := len(b)
	if n < fewestValues {
		return nil, errSingular
	}
	T := b[n-1].t - b[0].t
	in := &within{b: b, base: (b[n-1].y - b[0].y) / T}
	h := T / float64(n-1)
	nbar := 0.0
	for _, k := range b {
		nbar += k.n / float64(n)
	}
	lo, hi := math.Log(0.01/float64(n*n)), math.Log(1e3) // as in fitSlope
	grid := make([]noisy, withinGrid)
	logPhi := func(g int) float64 { return lo + (hi-lo)*float64(g)/(withinGrid-1) }
	// Of every so many ratios; of the others none.
	likelihoods := func(every int, bends ...func(k int) float64) ([]float64, error) {
		out := make([]float64, len(grid))
		columns := make([][]float64, len(bends)+2)
		for i := range bends {
			columns[i+1] = make([]float64, n-1)
		}
		for g := range grid {
			if out[g] = math.Inf(-1); g%every != 0 {
				continue
			}
			m := &grid[g]
			columns[0], columns[len(bends)+1] = m.t, m.y
			for i, x := range bends {
				m.w.into(columns[i+1], 0, x)
			}
			rss, _, _, logDet, err := sumsOf(columns...).solve()
			if err != nil {
				return nil, err
			}
			m.df = float64(n - 2 - len(bends))
			m.s2 = max(rss/m.df, 1e-18*(1+b[0].y*b[0].y))
			out[g] = -0.5 * (m.w.logDet + logDet + m.df*math.Log(m.s2))
		}
		return out, nil
	}
	for g := range grid {
		m := &grid[g]
		m.ratio = math.Exp(logPhi(g)) / h / nbar
		m.w = newWhitening(b, m.ratio)
		m.t, m.y = m.w.column(in.timeOf), m.w.column(in.valueOf)
	}
	knots := min(levelKnots, n/8)
	bends := make([]func(k int) float64, knots)
	for i := range bends {
		bends[i] = in.hinge(T * float64(i+1) / float64(knots+1))
	}
	around, err := likelihoods(2, bends...)
	if err != nil {
		return nil, err
	}
	in.noisy = grid[highest(around)]
	bend := []func(k int) float64{func(k int) float64 { return in.timeOf(k) * in.timeOf(k) / T }}
	if at, _, _ := in.scan(in.noisy); at >= 0 {
		bend = append(bend, in.hinge(in.timeOf(at)))
	}
	around, err = likelihoods(1, bend...)
	if err != nil {
		return nil, err
	}
	for g := range around {
		around[g] += 0.5 * math.Log(ratioInformation(math.Exp(logPhi(g)), n-1))
	}
	top := highest(around)
	sum, mean := 0.0, 0.0
	for g := range grid {
		grid[g].weight = math.Exp(around[g] - around[top])
		sum += grid[g].weight
	}
	for g := range grid {
		grid[g].weight /= sum
		mean += grid[g].weight * grid[g].ratio
		if grid[g].weight > 1e-3*shiftChance { // others change no chance that is looked at
			in.at = append(in.at, grid[g])
		}
	}
	// What needs one ratio takes the mean.
	for g := range grid {
		if g == 0 || math.Abs(math.Log(grid[g].ratio/mean)) < math.Abs(math.Log(in.ratio/mean)) {
			in.noisy = grid[g]
		}
	}
	return in, nil
}

func highest(v []float64) int {
	top := 0
	for i := range v {
		if v[i] > v[top] {
			top = i
		}
	}
	return top
}

func (in *within) timeOf(k int) float64  { return in.b[k].t - in.b[0].t }
func (in *within) valueOf(k int) float64 { return in.b[k].y - in.b[0].y - in.base*in.timeOf(k) }

// trend is how much the slope changes from start to end by a parabola, unit/s, its
// standard uncertainty, and the chance that noise makes as much.
func (in *within) trend() (change, u, chance float64) {
	T := in.timeOf(len(in.b) - 1)
	var square float64
	for _, m := range in.at {
		x := m.w.column(func(k int) float64 { return in.timeOf(k) * in.timeOf(k) / T })
		_, coef, inverse, _, err := sumsOf(m.t, x, m.y).solve()
		if err != nil {
			return 0, math.Inf(1), 1
		}
		v := 2 * math.Sqrt(m.s2*inverse[3])
		change += m.weight * 2 * coef[1]
		square += m.weight * (v*v + 4*coef[1]*coef[1])
		chance += m.weight * 2 * normalTail(normalDeviate(math.Abs(2*coef[1])/v, m.df))
	}
	return change, math.Sqrt(max(square-change*change, 0)), chance
}

// normalDeviate is the deviate of a normal distribution as rare as t is in Student's.
func normalDeviate(t, df float64) float64 {
	// Wallace (1959), Ann. Math. Stat. 30, 1124: right to 0.02 for 5 degrees of freedom and more.
	return math.Copysign((8*df+1)/(8*df+3)*math.Sqrt(df*math.Log1p(t*t/df)), t)
}

func normalTail(z float64) float64 { return distuv.UnitNormal.Survival(z) }

// brokenLine is a line that changes its slope once.
type brokenLine struct {
	atS, u        float64 // when, s, and its standard uncertainty
	before, after float64 // slopes, unit/s
	uBefore       float64
	uAfter        float64
	rss           float64
	chance        float64 // that noise around one straight line shows as strong a break anywhere
}

// breaks looks for the moment at which a change of slope says most.
//
// The moment is not known beforehand: the chance is Davies' bound for the largest of a
// statistic looked for along a line, two-sided (Davies 1987, Biometrika 74, 33, eq. 3 and
// its two-sided form),
//
//	2 (Q(M) + V exp(-M^2/2)/sqrt(8 pi)),
//
// M the largest deviate, V the sum of its ups and downs over the scan, Q the normal's
// tail. The moment itself is that of the least squares among all (Hudson 1966, J. Am.
// Stat. Assoc. 61, 1097); its uncertainty and those of the slopes are linearised there
// (Muggeo 2003, Stat. Med. 22, 3055).
//
// with each ratio of walk to white, weighed by the ratio's own chance.
func (in *within) breaks() (brokenLine, bool) {
	chance := 0.0
	for _, m := range in.at {
		_, most, variation := in.scan(m)
		chance += m.weight * min(1, 2*(normalTail(most)+variation*math.Exp(-most*most/2)/math.Sqrt(8*math.Pi)))
	}
	at, _, _ := in.scan(in.noisy)
	if at < 0 {
		return brokenLine{chance: 1}, false
	}
	stride := in.scanStride()
	out, ok := in.finest(max(1, at-stride), min(len(in.b)-2, at+stride))
	out.chance = chance
	return out, ok
}

func (in *within) scanEdge() int   { return max(2, int(breakMargin*float64(len(in.b)))) }
func (in *within) scanStride() int { return max(1, (len(in.b)-2*in.scanEdge())/breakScan) }

// scan looks for a break at blocks all along the fill: the block where it says most (-1
// where none can be looked for), the deviate there, and the sum of the deviate's ups and
// downs along the way.
func (in *within) scan(m noisy) (at int, most, variation float64) {
	var tt, ty float64
	for k, x := range m.t {
		tt += x * x
		ty += x * m.y[k]
	}
	at = -1
	last, n := math.NaN(), len(in.b)
	for c := in.scanEdge(); c < n-in.scanEdge(); c += in.scanStride() {
		var xx, xt, xy, a float64
		for k := c + 1; k < n; k++ {
			v := in.b[k].t - in.b[c].t - a
			a += m.w.gain[k] * v
			v *= m.w.root[k]
			xx += v * v
			xt += v * m.t[k-1]
			xy += v * m.y[k-1]
		}
		left := xx - xt*xt/tt
		if !(left > 1e-12*xx) {
			continue
		}
		z := normalDeviate((xy-xt*ty/tt)/math.Sqrt(left*m.s2), m.df)
		if !math.IsNaN(last) {
			variation += math.Abs(z - last)
		}
		last = z
		if math.Abs(z) > most || at < 0 {
			at, most = c, math.Abs(z)
		}
	}
	return at, most, variation
}

// hinge is zero up to c, in seconds from the first block, and rises by one a second after.
func (in *within) hinge(c float64) func(k int) float64 {
	return func(k int) float64 { return max(in.timeOf(k)-c, 0) }
}

// finest is the broken line of least squares whose break lies between blocks from and to.
func (in *within) finest(from, to int) (brokenLine, bool) {
	n := len(in.b)
	at, least := math.NaN(), math.Inf(1)
	consider := func(c float64) {
		x := in.w.column(in.hinge(c))
		if rss, _, _, _, err := sumsOf(in.t, x, in.y).solve(); err == nil && rss < least {
			at, least = c, rss
		}
	}
	ramp, step := make([]float64, n-1), make([]float64, n-1)
	for i := from; i < to; i++ {
		consider(in.timeOf(i))
		// Between two blocks the two lines are free of each other: where they cross is
		// the best break, if it is between the blocks.
		c := in.timeOf(i)
		in.w.into(ramp, i+1, func(k int) float64 { return in.timeOf(k) - c })
		in.w.into(step, i+1, func(int) float64 { return 1 })
		_, coef, _, _, err := sumsOf(in.t, ramp, step, in.y).solve()
		if err != nil || coef[1] == 0 {
			continue
		}
		if cross := c - coef[2]/coef[1]; cross > c && cross < in.timeOf(i+1) {
			consider(cross)
		}
	}
	consider(in.timeOf(to))
	if math.IsNaN(at) {
		return brokenLine{}, false
	}
	x := in.w.column(in.hinge(at))
	first := slices.IndexFunc(in.b, func(k block) bool { return k.t-in.b[0].t > at })
	in.w.into(step, first, func(int) float64 { return -1 })
	rss, coef, _, _, err := sumsOf(in.t, x, in.y).solve()
	if err != nil {
		return brokenLine{}, false
	}
	for k := range step {
		step[k] *= coef[1]
	}
	_, _, inverse, _, err := sumsOf(in.t, x, step, in.y).solve()
	if err != nil {
		return brokenLine{}, false
	}
	s2 := rss / float64(n-4)
	return brokenLine{
		atS: in.b[0].t + at, u: math.Sqrt(s2 * inverse[8]),
		before: in.base + coef[0], after: in.base + coef[0] + coef[1],
		uBefore: math.Sqrt(s2 * inverse[0]), uAfter: math.Sqrt(s2 * max(inverse[0]+2*inverse[1]+inverse[4], 0)),
		rss: rss,
	}, true
}

// rolling is the rate over short stretches, in unit/min: as short as their uncertainty
// is of use, at most rollingMost, overlapping.
func (in *within) rolling(meanPerS float64) (points []RollingRate, longS float64) {
	b, n := in.b, len(in.b)
	T := b[n-1].t - b[0].t
	enough := rollingPartU * math.Abs(meanPerS)
	stretch := func(long float64, from int) (int, filtered) {
		to := from
		for to < n && b[to].t <= b[from].t+long*(1+1e-9) {
			to++
		}
		if to-from < 4 {
			return to, filtered{}
		}
		return to, filter(b[from:to], in.ratio)
	}
	for longS = max(rollingLeast, rollingBlocks/float64(n)) * T; ; longS *= 1.25 {
		if longS >= rollingLong*T {
			longS = rollingLong * T
			break
		}
		to, f := stretch(longS, n/2-int(longS/T/2*float64(n)))
		if f.varSlope > 0 && math.Sqrt(f.varSlope*in.s2) <= enough && to < n {
			break
		}
	}
	next := math.Inf(-1)
	for i := range n {
		if b[i].t < next {
			continue
		}
		to, f := stretch(longS, i)
		next = b[i].t + T/rollingMost
		if f.varSlope > 0 && b[to-1].t-b[i].t > 0.8*longS { // a gap leaves less
			points = append(points, RollingRate{AtS: (b[i].t + b[to-1].t) / 2, Rate: 60 * f.slope, U: 60 * math.Sqrt(f.varSlope*in.s2)})
		}
		if to == n {
			break
		}
	}
	return points, longS
}

// judgeWithin fills in the rate within the fill and says where it does not hold still: by a
// break, a trend, or parts of its time that differ, of a size that matters and that noise
// does not make. b is the fill's blocks without what changed the reading for good.
func (f *Fill) judgeWithin(l *look, b []block) []Flag {
	slope := f.Rate() / 60
	mean := math.Abs(slope)
	f.Trend, f.UTrend = 0, math.Inf(1)
	b = merged(b, withinBlocks)
	in, err := newWithin(b)
	if err != nil || mean == 0 {
		return nil // too few blocks to see more than one line
	}
	f.Rolling, f.RollingS = in.rolling(mean)
	for i := range f.Rolling {
		f.Rolling[i].Rate *= f.perReading
		f.Rolling[i].U *= f.perReading
	}
	for _, x := range l.lines {
		if part := 2 * math.Pi * x.freqHz * x.amp / mean; part > f.Pulsation {
			f.Pulsation, f.PulsationHz = part, x.freqHz
		}
	}
	change, u, chance := in.trend()
	f.Trend, f.UTrend = change/slope, u/mean
	bend := shape{size: math.Abs(change), chance: chance, at: in.parabola(change)}
	br, ok := in.breaks()
	step := shape{size: math.Abs(br.after - br.before), chance: br.chance, at: br.value}
	bends := bend.size > 2*unsteadyPart*mean && bend.chance < shiftChance
	steps := ok && step.size > unsteadyPart*mean && step.chance < shiftChance
	p := partRatesOf(b, b[0].t, b[len(b)-1].t, l.sd, nil)
	apart, apartBy := p.apart(mean)
	if !bends && !steps && apart == 0 && l.span.pauses == 0 {
		return nil
	}
	f.Steady = false
	lo, hi := p.ends()
	long := in.timeOf(len(b) - 1)
	unit := string(f.Unit)
	g := Flag{Code: codeUnsteady, Severity: Doubt, Evidence: Evidence{FromS: b[0].t, ToS: b[len(b)-1].t, Size: 100 * apart / mean, U: 100 * apartBy / mean, Unit: percentOfMean, Chance: math.NaN()}}
	size := apart
	// What of the movement is left beside a shape says whether the shape is all of it.
	left := func(s shape) float64 {
		lo, hi := partRatesOf(b, b[0].t, b[len(b)-1].t, l.sd, s.at).ends()
		return hi - lo
	}
	wholeStep, wholeBend := steps && left(step) < (hi-lo)/2, bends && left(bend) < (hi-lo)/2
	inParts := ""
	if hi < lo { // too few values for parts: a shape is all that is known
		wholeStep, wholeBend, hi, lo = steps, bends && !steps, 0, 0
	} else {
		inParts = fmt.Sprintf("in stretches of %s s the flow is %s to %s %s/min", sig(long/parts), sig(60*lo), sig(60*hi), unit)
	}
	if wholeStep && wholeBend {
		wholeStep = left(step) < left(bend)
		wholeBend = !wholeStep
	}
	switch {
	case l.span.pauses > 0:
		l.moved.kind = movesByStops
		size = hi - lo
		g.Evidence.Size = 100 * size / mean
		g.Says = fmt.Sprintf("the flow stops %s in between", times(l.span.pauses))
		if inParts != "" {
			g.Says += "; " + inParts
		}
		g.Do = "find out why and repeat"
	case wholeStep:
		size = step.size
		l.moved = movement{movesByStep, br.atS, (br.after - br.before) / slope, math.Hypot(br.uBefore, br.uAfter) / mean}
		g.Evidence = Evidence{FromS: br.atS - 2*br.u, ToS: br.atS + 2*br.u, Size: 100 * (br.after - br.before) / slope,
			U: 100 * math.Hypot(br.uBefore, br.uAfter) / mean, Unit: percentOfMean, Chance: step.chance}
		g.Says = fmt.Sprintf("the flow goes from %s to %s %s/min at about %.0f s", sig(60*br.before), sig(60*br.after), unit, br.atS)
		g.Do = "let the engine settle and repeat"
	case wholeBend:
		size = bend.size
		l.moved = movement{movesEvenly, math.NaN(), f.Trend, f.UTrend}
		way := "rises"
		if f.Trend < 0 {
			way = "falls"
		}
		g.Evidence.Size, g.Evidence.U, g.Evidence.Chance = 100*f.Trend, 100*f.UTrend, bend.chance
		g.Says = fmt.Sprintf("the flow %s all the time, by %.0f %% over the %.0f s", way, 100*math.Abs(f.Trend), long)
		g.Do = "let the engine warm up and settle, and repeat"
	default:
		l.moved.kind = movesAbout
		size = max(apart, step.size, bend.size)
		if apart == 0 {
			g.Evidence.Size, g.Evidence.U = 100*size/mean, 100*u/mean
			g.Evidence.Chance = min(step.chance, bend.chance)
		}
		g.Says = inParts
		g.Do = "the mean of it is no one rate: let the engine settle and repeat"
	}
	if size > unsteadyForbid*mean {
		g.Severity = Forbids
	}
	if f.Kind == KindDrain {
		g.Do = "" // it is no engine's flow: what to do is said of the drain
	}
	return []Flag{g}
}

const (
	codeUnsteady  = "not-steady" // a flow that does not hold still, where no cause is named
	percentOfMean = "% of the mean rate"
)

// movement is how a fill's flow does not hold still.
type movement struct {
	kind    movementKind
	atS     float64 // of a step
	part, u float64 // of the mean: the step, or the change from start to end, and its standard uncertainty
}

type movementKind int

const (
	movesNot movementKind = iota
	movesAbout
	movesByStep
	movesEvenly
	movesByStops
	movementKinds
)

// shape is a way in which the flow may change: by how much, unit/s, the chance that noise
// shows as much, and the mass that it makes, in the curve's unit.
type shape struct {
	size, chance float64
	at           func(t float64) float64
}

// parabola is the curve of a slope that changes evenly by change over the fill.
func (in *within) parabola(change float64) func(t float64) float64 {
	t0, T := in.b[0].t, in.timeOf(len(in.b)-1)
	return func(t float64) float64 { return change * ((t-t0)*(t-t0)/T - (t - t0)) / 2 }
}

// value is the broken line less a level.
func (l brokenLine) value(t float64) float64 {
	if t < l.atS {
		return l.before * (t - l.atS)
	}
	return l.after * (t - l.atS)
}

// partRates is the rates of equal parts of a fill's time, unit/s, and the standard deviation
// that white noise and a cold cell's wander give each.
type partRates struct {
	slope, doubt [parts]float64
	have         [parts]bool
}

// partRatesOf is of the parts from fromS to toS; it takes shape, if there is one, out of the
// blocks first.
func partRatesOf(b []block, fromS, toS, sd float64, shape func(t float64) float64) partRates {
	if shape != nil {
		b = slices.Clone(b)
		for k := range b {
			b[k].y -= shape(b[k].t)
		}
	}
	var p partRates
	i := 0
	for i < len(b) && b[i].t < fromS {
		i++
	}
	for k := range parts {
		j := i
		for j < len(b) && b[j].t <= toS && (b[j].t-fromS < (toS-fromS)*float64(k+1)/parts || k == parts-1) {
			j++
		}
		if j-i >= 3 {
			part := b[i:j]
			p.slope[k], p.have[k] = plainSlope(part), true
			p.doubt[k] = slopeDoubt(part, sd, part[len(part)-1].t-part[0].t)
		}
		i = j
	}
	return p
}

// apart is by how much the two parts that differ most beyond noise differ, and the standard
// deviation of that; 0 where no two do by as much as matters.
func (p partRates) apart(mean float64) (d, sd float64) {
	for k := range parts {
		for m := range k {
			if !p.have[k] || !p.have[m] {
				continue
			}
			by := math.Hypot(p.doubt[k], p.doubt[m])
			if a := math.Abs(p.slope[k] - p.slope[m]); a > max(unsteadyAny*mean, 5*by) && a > d {
				d, sd = a, by
			}
		}
	}
	return d, sd
}

func (p partRates) ends() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for k, v := range p.slope {
		if p.have[k] {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	return lo, hi
}

// merged means neighbouring blocks so that about most are left; none over a gap.
func merged(b []block, most int) []block {
	each := (len(b) + most/2) / most
	if each <= 1 {
		return b
	}
	usual := 2 * (b[len(b)-1].t - b[0].t) / float64(len(b)-1)
	out := make([]block, 0, len(b)/each+1)
	in, sure, from := 0, 0.0, 0.0
	for k, x := range b {
		if k == 0 || in == each || x.t-b[k-1].t > usual {
			out, in, sure, from = append(out, block{}), 0, 0, x.t-x.long/2
		}
		in++
		last := &out[len(out)-1]
		sure += 1 / x.white()
		last.n += x.n
		last.t += (x.t - last.t) / x.white() / sure
		last.y += (x.y - last.y) / x.white() / sure
		last.long = x.t + x.long/2 - from
		last.doubt = max(last.n/sure-1, 0)
	}
	return out
}
