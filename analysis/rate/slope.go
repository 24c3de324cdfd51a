package rate

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// slopeFit is a slope under white noise plus random walk.
type slopeFit struct {
	slope float64 // unit/s
	u     float64 // standard uncertainty, unit/s
	df    float64
	ratio float64 // walk variance per second over white variance of one value, at the most likely point
	white float64 // white standard deviation of one value there, unit
	walk  float64 // random walk there, unit/sqrt(s)
}

// filtered is what one pass of the filter leaves of the data at one noise ratio.
type filtered struct {
	slope, varSlope float64 // generalised least squares, given the ratio
	s2              float64 // residual variance, of one value's white noise
	logLik          float64 // restricted log likelihood, s2 concentrated out
}

// fit is the slope under the model
//
//	y(t) = m0 + r t + w(t) + e + periodic lines,
//
// w a random walk, e white. For a given ratio of walk to white it is generalised least
// squares, by a Kalman filter of the level that starts diffuse (Harvey 1989,
// Forecasting, ch. 3): O(n), any spacing.
//
// How much of the noise is walk is not known well from one fill, and to take the
// likeliest value for the truth would give intervals that are too short. So the
// slope is averaged over all ratios by the weights, of which logw are the logs: the
// restricted likelihood times a prior, Jeffreys' where the fill stands alone (from the
// information of the spectrum of the differenced series), or what the channel's other
// fills and its record at rest tell (pooled). What comes out is a mixture of t
// distributions: u^2 is the mean of their variances plus the spread of their centres,
// and df are those whose Student factor times u is the half width that holds 95 % of
// the mixture.
func (e *evidence) fit(logw []float64) slopeFit {
	top := likeliest(logw)
	weight := make([]float64, len(logw))
	scale := make([]float64, len(logw)) // of the slope at each ratio, standard deviation
	var sum, mean, meanVar float64      // over the ratios
	for g := range weight {
		if weight[g] = math.Exp(logw[g] - logw[top]); weight[g] < 1e-6 {
			weight[g] = 0
		}
		sum += weight[g]
	}
	for g, f := range e.fits {
		weight[g] /= sum
		mean += weight[g] * f.slope
		scale[g] = math.Sqrt(f.s2 * f.varSlope)
	}
	for g, f := range e.fits {
		d := f.slope - mean
		meanVar += weight[g] * (f.s2*f.varSlope + d*d)
	}
	u := math.Sqrt(meanVar)
	// The half width that holds 95 % of the mixture, by bisection.
	inside := func(half float64) float64 {
		p := 0.0
		for g, f := range e.fits {
			if weight[g] == 0 {
				continue
			}
			d := f.slope - mean
			p += weight[g] * (1 - studentTail((half-d)/scale[g], e.nu) - studentTail((half+d)/scale[g], e.nu))
		}
		return p
	}
	a, c := 0.5*u, 20*u
	for range 20 {
		if m := (a + c) / 2; inside(m) < 0.95 {
			a = m
		} else {
			c = m
		}
	}
	out := slopeFit{slope: mean, u: u, df: dfOfFactor((a+c)/2/u, e.nu), ratio: latticeRatio(e.first + top), white: math.Sqrt(e.fits[top].s2)}
	out.walk = out.white * math.Sqrt(out.ratio)
	return out
}

// mostColumns is how many columns the filter takes: time, its square, and a sine and a
// cosine for each of mostLines.
const mostColumns = 2 + 2*mostLines

// level is the filter's state: the variance of the level at a block's last value, in
// white variances of one value, and the variance and gain of the block before that.
type level struct{ P, F, K float64 }

// begin is the state after the first block, of which nothing was known before.
func (l *level) begin(b block, ratio float64) {
	l.P = ratio*b.long*(2*b.n-1)/(6*b.n) + b.white()
}

// next moves the state over a block. The walk goes on within it: the mean of its n
// values has (2n-1)/6n of the walk from its first to its last, and shares half of it
// with the last.
func (l *level) next(gap float64, b block, ratio float64) {
	g, d := ratio*gap, ratio*b.long
	c := l.P + g + d/2
	l.F = l.P + g + d*(2*b.n-1)/(6*b.n) + b.white()
	l.K = c / l.F
	l.P += g + d - l.K*c
}

// normal is what a pass of the filter makes of y and of columns: A x = B are the normal
// equations, C the sum of squares of y, logDet that of the covariance matrix.
type normal struct {
	p         int
	A         [mostColumns][mostColumns]float64
	B         [mostColumns]float64
	C, logDet float64
	base      float64 // slope that was taken out of y beforehand, along the first column
}

// pass runs the level filter over b at one ratio of walk variance per second to white
// variance of one value. The first column is time.
func pass(b []block, columns [][]float64, ratio float64) normal {
	n, p := len(b), len(columns)
	time := columns[0]
	// Taking the end-to-end slope out first keeps the sums of squares small.
	m := normal{p: p, base: (b[n-1].y - b[0].y) / (time[n-1] - time[0])}
	var l level
	l.begin(b[0], ratio)
	var ay float64
	var a, v [mostColumns]float64
	product := 1.0 // of F, whose logs are summed: a log for each is slow
	for k := 1; k < n; k++ {
		l.next(between(b[k-1], b[k]), b[k], ratio)
		w := 1 / l.F
		vy := b[k].y - b[0].y - m.base*(time[k]-time[0]) - ay
		ay += l.K * vy
		m.C += vy * vy * w
		for i, c := range columns {
			v[i] = c[k] - c[0] - a[i]
			a[i] += l.K * v[i]
			m.B[i] += v[i] * vy * w
			for j := range i + 1 {
				m.A[i][j] += v[i] * v[j] * w
			}
		}
		if product *= l.F; k%8 == 0 {
			m.logDet += math.Log(product)
			product = 1
		}
	}
	m.logDet += math.Log(product)
	return m
}

// solved is the solution of normal equations.
type solved struct {
	x      [mostColumns]float64
	inv    [mostColumns]float64 // diagonal of the inverse of A
	logDet float64              // of A
	rss    float64
}

// solve solves m's equations by a Cholesky factor. A column that the others make up gets
// the coefficient 0 and no certainty.
func (m *normal) solve() solved {
	var s solved
	var L [mostColumns][mostColumns]float64
	for i := range m.p {
		for j := range i + 1 {
			v := m.A[i][j]
			for k := range j {
				v -= L[i][k] * L[j][k]
			}
			if i > j {
				L[i][j] = v / L[j][j]
				continue
			}
			if !(v > 1e-12*m.A[i][i]) {
				v = math.Inf(1)
			}
			L[i][i] = math.Sqrt(v)
			if !math.IsInf(v, 1) {
				s.logDet += math.Log(v)
			}
		}
	}
	var z [mostColumns]float64
	s.rss = m.C
	for i := range m.p {
		v := m.B[i]
		for k := range i {
			v -= L[i][k] * z[k]
		}
		z[i] = v / L[i][i]
		s.rss -= z[i] * z[i]
	}
	for i := m.p - 1; i >= 0; i-- {
		v := z[i]
		for k := i + 1; k < m.p; k++ {
			v -= L[k][i] * s.x[k]
		}
		s.x[i] = v / L[i][i]
	}
	// The sum of squares of column c of the inverse of L.
	for c := range m.p {
		var y [mostColumns]float64
		for i := c; i < m.p; i++ {
			v := 0.0
			if i == c {
				v = 1
			}
			for k := c; k < i; k++ {
				v -= L[i][k] * y[k]
			}
			y[i] = v / L[i][i]
			s.inv[c] += y[i] * y[i]
		}
		if math.IsInf(L[c][c], 1) {
			s.inv[c] = math.Inf(1)
		}
	}
	return s
}

// filter is the slope of a plain line at one ratio.
func filter(b []block, ratio float64) filtered {
	return filterWith(b, [][]float64{timeColumn(b)}, ratio)
}

// filterWith is the slope, the coefficient of the first column, beside what the other
// columns take up.
func filterWith(b []block, columns [][]float64, ratio float64) filtered {
	m := pass(b, columns, ratio)
	s := m.solve()
	nu := float64(len(b) - 1 - m.p)
	s2 := variance(s.rss, nu, b)
	return filtered{slope: m.base + s.x[0], varSlope: s.inv[0], s2: s2, logLik: -0.5 * (m.logDet + s.logDet + nu*math.Log(s2))}
}

// variance is that of one value's white noise by the residual sum of squares. A display
// that repeats to the last digit leaves nothing to estimate noise from.
func variance(rss, nu float64, b []block) float64 {
	return max(rss/nu, 1e-18*(1+b[0].y*b[0].y))
}

// left is what the fit leaves of each block but the first that is new in it, in
// standard deviations: independent of each other where the model holds.
func left(b []block, columns [][]float64, ratio float64) []float64 {
	m := pass(b, columns, ratio)
	s := m.solve()
	root := math.Sqrt(variance(s.rss, float64(len(b)-1-m.p), b))
	out := make([]float64, len(b)-1)
	var l level
	l.begin(b[0], ratio)
	a := 0.0
	at := func(k int) float64 {
		y := b[k].y - m.base*columns[0][k]
		for i, c := range columns {
			y -= s.x[i] * c[k]
		}
		return y
	}
	y0 := at(0)
	for k := 1; k < len(b); k++ {
		l.next(between(b[k-1], b[k]), b[k], ratio)
		v := at(k) - y0 - a
		a += l.K * v
		out[k-1] = v / math.Sqrt(l.F) / root
	}
	return out
}

// whitened is the columns as the filter leaves them, made of length one and at right
// angles to each other.
func whitened(b []block, columns [][]float64, ratio float64) [][]float64 {
	out := make([][]float64, 0, len(columns))
	for _, c := range columns {
		x := make([]float64, len(b)-1)
		var l level
		l.begin(b[0], ratio)
		a := 0.0
		for k := 1; k < len(b); k++ {
			l.next(between(b[k-1], b[k]), b[k], ratio)
			v := c[k] - c[0] - a
			a += l.K * v
			x[k-1] = v / math.Sqrt(l.F)
		}
		for _, o := range out {
			d := dot(o, x)
			for k := range x {
				x[k] -= d * o[k]
			}
		}
		if size := math.Sqrt(dot(x, x)); size > 0 {
			for k := range x {
				x[k] /= size
			}
			out = append(out, x)
		}
	}
	return out
}

// timeColumn is the blocks' times from their middle, the column of the slope.
func timeColumn(b []block) []float64 {
	mid := (b[0].t + b[len(b)-1].t) / 2
	c := make([]float64, len(b))
	for k := range b {
		c[k] = b[k].t - mid
	}
	return c
}

// bendColumn is the square of the time from the middle, in units of all the blocks' time.
// It leaves the coefficient of the time the mean slope.
func bendColumn(b []block, time []float64) []float64 {
	T := time[len(time)-1] - time[0]
	c := make([]float64, len(b))
	for k, t := range time {
		c[k] = t * t / T / T
	}
	return c
}

// bend is how much the slope changes over the blocks' whole time, with its standard
// uncertainty, unit/s, by a fit with the square of time under the same noise.
func bend(b []block, ratio float64) (change, u float64) {
	time := timeColumn(b)
	m := pass(b, [][]float64{time, bendColumn(b, time)}, ratio)
	s := m.solve()
	T := time[len(time)-1] - time[0]
	return 2 * s.x[1] / T, 2 * math.Sqrt(s.inv[1]*variance(s.rss, float64(len(b)-3), b)) / T
}

// ratioInformation is Fisher's information on the log of the ratio with the scale
// unknown, for n differences of evenly spaced blocks: their covariance has the
// eigenvalues phi + 2 - 2 cos(k pi/(n+1)).
func ratioInformation(phi float64, n int) float64 {
	return ratioInformations([]float64{phi}, n)[0]
}

// ratioInformations is ratioInformation at each of the phi.
func ratioInformations(phi []float64, n int) []float64 {
	s1, s2 := make([]float64, len(phi)), make([]float64, len(phi))
	for k := 1; k <= n; k++ {
		e := 2 - 2*math.Cos(float64(k)*math.Pi/float64(n+1))
		for i, p := range phi {
			g := p / (p + e)
			s1[i] += g
			s2[i] += g * g
		}
	}
	for i := range phi {
		s1[i] = max(0.5*(s2[i]-s1[i]*s1[i]/float64(n)), 1e-300)
	}
	return s1
}

// studentTail is the chance that Student's t of nu degrees of freedom is over t.
func studentTail(t, nu float64) float64 {
	if nu < 50 {
		return distuv.StudentsT{Sigma: 1, Nu: nu}.Survival(t)
	}
	// The normal deviate as rare as t is then right to 1e-4, and quick.
	return 0.5 * math.Erfc(normalDeviate(t, nu)/math.Sqrt2)
}

// dfOfFactor returns the degrees of freedom, from 1 to most, whose 95 % factor is k.
func dfOfFactor(k, most float64) float64 {
	if k <= Coverage95(most) {
		return most
	}
	// The factor is nearly straight in 1/df: secants from the normal one and the first term
	// of its expansion (Fisher and Cornish 1960, Technometrics 2, 209).
	z := Coverage95(math.Inf(1))
	a, fa := 0.0, z-k
	x := 4 * (k - z) / (z*z*z + z)
	for range 12 {
		x = min(max(x, 1/most), 1)
		fx := Coverage95(1/x) - k
		if x == a || math.Abs(fx) < 1e-9 {
			break
		}
		a, fa, x = x, fx, x-fx*(x-a)/(fx-fa)
	}
	return 1 / min(max(x, 1/most), 1)
}
