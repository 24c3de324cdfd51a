package rate

import (
	"fmt"
	"math"
	"slices"

	"brimline/analysis/curve"
)

// rest is what a channel shows with nothing flowing, beside a fill.
type rest struct {
	slope float64 // unit/s; NaN where the rest is shorter than restLeastS
	u     float64 // standard uncertainty by the fill's noise levels, unit/s; NaN as slope
	long  float64 // s
	n     int     // values
}

// Numbers of the rests.
const (
	restLeastS = 5.0   // a shorter rest shows no slope worth having
	restMostS  = 300.0 // what a channel did longer before or after says little of its zero during the fill
	restClearS = 0.5   // left free before the onset, which is found to a fraction of this
	restDripS  = 2.0   // and after the end: what still drips
	restCount  = 120   // blocks, at most
)

// restBlocks are the blocks of c from fromS to toS; nil where that is too short.
func restBlocks(c curve.Curve, fromS, toS float64) []block {
	if !(toS-fromS >= restLeastS) {
		return nil
	}
	t, y := c.Window(fromS, toS).Points()
	if len(t) < fewestValues || t[len(t)-1]-t[0] < restLeastS {
		return nil
	}
	b := makeBlocks(t, y, restCount)
	if len(b) < fewestValues {
		return nil
	}
	return b
}

// restOf is the slope of a rest under the fill's noise.
func restOf(b []block, sf slopeFit) rest {
	if b == nil {
		return rest{slope: math.NaN(), u: math.NaN()}
	}
	g := filter(b, sf.ratio)
	r := rest{slope: g.slope, u: sf.white * math.Sqrt(g.varSlope), long: b[len(b)-1].t - b[0].t}
	for _, k := range b {
		r.n += int(k.n)
	}
	return r
}

// drifted is the drift of a zero by what is common of cells and what the rests show.
type drifted struct {
	slope, u float64 // unit/s
	rests    int     // that it rests on
}

// driftHelps is how much smaller the drift's standard uncertainty must get for a
// correction: under that it would only add noise that the budget does not need.
const driftHelps = 0.95

// zeroDrift combines a drift of anything within +-half (unit/s, rectangular, about 0)
// with the slopes of the rests, each by its inverse variance: the linear estimate of least
// variance (Gauss-Markov with a prior). A rest that moves by more than a zero can was
// moved by something else, and tells nothing of the zero.
func zeroDrift(half float64, rests ...rest) drifted {
	d := drifted{u: half / math.Sqrt(3)}
	if half == 0 {
		return d
	}
	weight, sum := 1/(d.u*d.u), 0.0
	for _, r := range rests {
		if math.IsNaN(r.slope) || !(r.u > 0) || math.Abs(r.slope) > half+3*r.u {
			continue
		}
		weight += 1 / (r.u * r.u)
		sum += r.slope / (r.u * r.u)
		d.rests++
	}
	if u := 1 / math.Sqrt(weight); u < driftHelps*d.u {
		return drifted{slope: sum / weight, u: u, rests: d.rests}
	}
	d.rests = 0
	return d
}

// term is the drift's line in the budget; halfPerH is what is common of the channel.
func (d drifted) term(halfPerH float64, unit curve.Unit) Term {
	t := Term{Name: termDrift, U: 60 * d.u, DF: math.Inf(1), Kind: "B", Basis: fmt.Sprintf("±%s %s/h, rectangular", figures(halfPerH, 2), unit)}
	switch d.rests {
	case 1:
		t.Basis += ", and the rest beside the fill"
	case 2:
		t.Basis += ", and the rests before and after"
	}
	return t
}

// The ratio of walk to white, variance per second to variance of one value, is taken at
// exp(latticeStep k): the likelihood of one fill bends over a step of three of these.
const latticeStep = 0.5

func latticeRatio(k int) float64 { return math.Exp(latticeStep * float64(k)) }

// evidence is what one stretch of curve tells of its slope and its noise at each ratio.
type evidence struct {
	first int        // lattice index of fits[0]
	fits  []filtered // one for each ratio
	prior []float64  // log of Jeffreys' prior of the ratio's log, of this stretch alone
	nu    float64    // degrees of freedom of each fit's s2

	b       []block
	columns [][]float64
}

// evidenceOf runs the filter over b at all ratios that make a difference: below
// 0.01/n^2 of a block's noise the walk adds nothing to the slope, above 1e3 the white
// part adds nothing.
func evidenceOf(b []block, columns [][]float64) *evidence {
	n := len(b)
	values := 0.0
	for _, k := range b {
		values += k.n
	}
	perBlock := (b[n-1].t - b[0].t) / float64(n-1) * values / float64(n) // walk over one block in white variances, at ratio 1
	lo := int(math.Floor(math.Log(0.01/float64(n*n)/perBlock) / latticeStep))
	hi := int(math.Ceil(math.Log(1e3/perBlock) / latticeStep))
	e := &evidence{first: lo, fits: make([]filtered, hi-lo+1), prior: make([]float64, hi-lo+1), nu: float64(n - 1 - len(columns)),
		b: b, columns: slices.Clone(columns)}
	phi := make([]float64, len(e.fits))
	for g := range e.fits {
		ratio := latticeRatio(lo + g)
		e.fits[g] = filterWith(b, columns, ratio)
		phi[g] = ratio * perBlock
	}
	for g, v := range ratioInformations(phi, n-1) {
		e.prior[g] = 0.5 * math.Log(v)
	}
	return e
}

// last is the lattice index of the last ratio.
func (e *evidence) last() int { return e.first + len(e.fits) - 1 }

// logLik is the log likelihood at lattice index k: beyond its range it stays as it is
// at the end.
func (e *evidence) logLik(k int) float64 {
	return e.fits[min(max(k, e.first), e.last())-e.first].logLik
}

// alone is the log of the weights of the ratios by the stretch itself.
func (e *evidence) alone() []float64 {
	w := make([]float64, len(e.fits))
	for g, f := range e.fits {
		w[g] = f.logLik + e.prior[g]
	}
	return w
}

// likeliest is the index in fits of the largest of the log weights.
func likeliest(logw []float64) int {
	top := 0
	for g, v := range logw {
		if v > logw[top] {
			top = g
		}
	}
	return top
}

// Record is what a channel's curve at rest tells of its noise.
type Record struct{ e *evidence }

// RecordOf takes the noise of a channel from a curve of it at rest, the longer the
// better: an hour tells how much of a fill's noise is a walk that the fill itself is too
// short to show. Misreads and periodic pickup are left out of it.
func RecordOf(c curve.Curve) (Record, error) {
	t, y, err := usable(&c)
	if err != nil {
		return Record{}, err
	}
	return Record{fitCurve(makeBlocks(t, y, recordBlocks)).evidence}, nil
}

// recordBlocks are what a record at rest is judged by; in a curve with fills a rest of
// recordLeastS is one: it shows a walk that a fill of three minutes is too short for.
const (
	recordBlocks = 720
	recordLeastS = 600.0
)

// How alike the fills of one channel are is not known beforehand: the spread of the log of
// their ratio may be a fifth (the same flow and hanging) or one (a cell that warms up over
// the test), which is rarer.
var likeness = []struct{ spread, chance float64 }{{0.2, 0.6}, {0.5, 0.3}, {1, 0.1}}

const (
	recordLikeness = 0.35 // spread of the log ratio between a record at rest and a fill, the flow's noise aside
	recordAsRest   = 0.8  // the chance, beforehand, that the flow adds no noise of its own to a fill
)

// kernel is the density, on the lattice about index n of its 2n+1, of the log of a ratio
// whose mean is 1 and whose log has the standard deviation sd: a fill is as noisy as its
// channel in the mean of its variance, which is what its slope's variance follows.
func kernel(sd float64) []float64 {
	n := int(math.Ceil((4*sd + sd*sd/2) / latticeStep))
	k := make([]float64, 2*n+1)
	sum := 0.0
	for i := range k {
		x := (float64(i-n)*latticeStep + sd*sd/2) / sd
		k[i] = math.Exp(-x * x / 2)
		sum += k[i]
	}
	for i := range k {
		k[i] /= sum
	}
	return k
}

// spread is what a centre of density p makes of its members under kernel k; gather the
// likelihood of the centre by a member's. What lies beyond the ends of p is as it is there.
func spread(p, k []float64) []float64 { return smooth(p, k, -1) }
func gather(p, k []float64) []float64 { return smooth(p, k, 1) }

func smooth(p, k []float64, way int) []float64 {
	n := len(k) / 2
	out := make([]float64, len(p))
	for i := range p {
		for d, w := range k {
			out[i] += w * p[min(max(i+way*(d-n), 0), len(p)-1)]
		}
	}
	return out
}

// pooled gives for each member the log of the weights of its ratios by its own
// likelihood and by what the others and the record at rest tell. The log of a member's
// ratio is taken as normal about one of the channel's, with a spread that is one of
// likeness (kernel); all is summed over both. (An empirical-Bayes pool would take the likeliest
// spread for the truth; Gelman et al., Bayesian Data Analysis, ch. 5.)
func pooled(members []*evidence, record *evidence) [][]float64 {
	lo, hi := members[0].first, members[0].last()
	for _, e := range members {
		lo, hi = min(lo, e.first), max(hi, e.last())
	}
	n := hi - lo + 1
	centre := make([]float64, n) // prior of the channel's ratio
	if record != nil {
		restPrior(centre, lo, record)
	} else {
		for _, e := range members {
			top := e.prior[likeliest(e.prior)]
			for g, v := range e.prior {
				centre[e.first+g-lo] += math.Exp(v - top)
			}
		}
	}
	// Likelihoods, each with 1 at its top.
	like := make([][]float64, len(members))
	for j, e := range members {
		like[j] = likelihood(e, lo, n)
	}
	out := make([][]float64, len(members))
	given := make([][]float64, len(members)) // weight of each ratio by all but the member itself
	for j := range given {
		given[j] = make([]float64, n)
	}
	// Weights of the spreads have one common scale, so that they can be summed.
	logAll := make([][]float64, len(likeness))
	kernels := make([][]float64, len(likeness))
	each := make([][][]float64, len(likeness))
	for s, a := range likeness {
		kernels[s] = kernel(a.spread)
		logAll[s] = make([]float64, n)
		for _, l := range like {
			m := gather(l, kernels[s])
			each[s] = append(each[s], m)
			for k := range m {
				logAll[s][k] += math.Log(max(m[k], 1e-300))
			}
		}
	}
	for j, e := range members {
		top := math.Inf(-1)
		for s := range likeness {
			for k := range n {
				top = max(top, logAll[s][k]-math.Log(max(each[s][j][k], 1e-300)))
			}
		}
		for s := range likeness {
			others := make([]float64, n)
			for k := range n {
				others[k] = centre[k] * math.Exp(logAll[s][k]-math.Log(max(each[s][j][k], 1e-300))-top)
			}
			for k, v := range spread(others, kernels[s]) {
				given[j][k] += likeness[s].chance * v
			}
		}
		out[j] = make([]float64, len(e.fits))
		for g := range e.fits {
			out[j][g] = e.fits[g].logLik + math.Log(max(given[j][e.first+g-lo], 1e-300))
		}
	}
	return out
}

// likelihood is that of e on n lattice points from lo, 1 at its top.
func likelihood(e *evidence, lo, n int) []float64 {
	out := make([]float64, n)
	top := math.Inf(-1)
	for k := range n {
		out[k] = e.logLik(lo + k)
		top = max(top, out[k])
	}
	for k := range out {
		out[k] = math.Exp(out[k] - top)
	}
	return out
}

// restPrior sets p to what a record at rest tells of a fill's ratio beforehand: as at
// rest, or any larger one, for the flow adds noise and never takes any away.
func restPrior(p []float64, lo int, record *evidence) {
	from, n := min(lo, record.first), len(p)
	cell := likelihood(record, from, lo-from+n)
	sum := 0.0
	for _, v := range cell {
		sum += v
	}
	alike := spread(cell, kernel(recordLikeness))
	larger := 0.0
	for k, v := range cell {
		larger += v / sum / float64(len(cell)-k)
		p[max(k-(lo-from), 0)] += recordAsRest*alike[k]/sum + (1-recordAsRest)*larger
	}
}

// weights is the log of the weights of the ratios of a fill by itself and by its channel's
// record at rest, where there is one.
func (l *look) weights() []float64 {
	if r, ok := l.o.Records[l.record.Channel]; ok && r.e != nil {
		return pooled([]*evidence{l.evidence}, r.e)[0]
	}
	return l.evidence.alone()
}

// fitAlone is the slope by the fill and its channel's record alone.
func (l *look) fitAlone() slopeFit {
	sf := l.evidence.fit(l.weights())
	sf.stretch(l.evidence.slow(sf.ratio))
	return sf
}

// Numbers of the check of the noise model.
const (
	slowTurns = 4   // in the fill's time: the slowest noise, which a slope is made wrong by
	slowTrust = 5.0 // degrees of freedom that the model itself is worth: less than one fill's slow part, which has 7
)

// slow is what the fit at a ratio leaves in waves of one to slowTurns turns, as a sum of
// squares, and what it is where the model holds: the degrees of freedom. A flow that hunts
// is a walk over minutes and less than one over seconds, so that the whole spectrum gives
// too small a walk; a fit whose u is scaled by the slow part alone does not mind (a
// prewhitened estimate of the long-run variance: Andrews and Monahan 1992, Econometrica 60,
// 953, with cosines in place of their kernel).
func (e *evidence) slow(ratio float64) (sum, df float64) {
	n := len(e.b) - 1
	if n < 16*slowTurns {
		return 0, 0
	}
	v := left(e.b, e.columns, ratio)
	basis := whitened(e.b, e.columns, ratio)
	wave := make([]float64, n)
	for j := 1; j <= slowTurns; j++ {
		for _, phase := range []float64{0, math.Pi / 2} {
			for k := range wave {
				wave[k] = math.Cos(2*math.Pi*float64(j)*(float64(k)+0.5)/float64(n) - phase)
			}
			size := dot(wave, wave)
			d := dot(wave, v)
			sum += d * d / size
			df++
			for _, x := range basis {
				d := dot(wave, x)
				df -= d * d / size
			}
		}
	}
	return sum, df
}

// stretch scales u by what the slow part of the noise is over what the model says of it.
func (s *slopeFit) stretch(sum, df float64) {
	if df <= 0 {
		return
	}
	s.u *= math.Sqrt((slowTrust + sum) / (slowTrust + df))
	s.df = 1 / (1/s.df + 1/(slowTrust+df))
}

// Pool lets the fills of each channel in results lend each other what they tell of its
// noise, and sets their rates and uncertainties anew; flags stay. One fill cannot show
// how much of its noise is a walk where that is little, and its interval must allow for
// more: with the other runs of a test, and a record of the channel at rest
// (Options.Records), it need not. Results are changed in place.
func Pool(results ...Result) {
	type member struct {
		f *Fill
		l *look
	}
	channels := map[string][]member{}
	var order []string
	for _, r := range results {
		for i, l := range r.looks {
			f := &r.Fills[i]
			if l == nil || f.Kind != KindFill {
				continue
			}
			if _, ok := channels[f.Channel]; !ok {
				order = append(order, f.Channel)
			}
			channels[f.Channel] = append(channels[f.Channel], member{f, l})
		}
	}
	for _, name := range order {
		m := channels[name]
		all := make([]*evidence, len(m))
		for i, x := range m {
			all[i] = x.l.evidence
		}
		if len(m) < 2 {
			continue
		}
		var record *evidence
		for _, x := range m {
			if r, ok := x.l.o.Records[name]; ok {
				record = r.e
			}
		}
		fits := make([]slopeFit, len(m))
		sum, df := 0.0, 0.0
		for i, logw := range pooled(all, record) {
			fits[i] = all[i].fit(logw)
			s, d := all[i].slow(fits[i].ratio)
			sum, df = sum+s, df+d
		}
		for i, x := range m {
			fits[i].stretch(sum, df)
			x.f.takeFit(x.l, fits[i])
		}
	}
}
