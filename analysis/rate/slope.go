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

// fitSlope fits the model
//
//	y(t) = m0 + r t + w(t) + e,
//
// w a random walk, e white, to b (at least four blocks) and returns r. For a given ratio of walk to
// white the fit is generalised least squares, by a Kalman filter of the level
// that starts diffuse (Harvey 1989, Forecasting, ch. 3): O(n), any spacing.
//
// How much of the noise is walk is not known well from one fill, and to take the
// likeliest value for the truth would give intervals that are too short. So the
// slope is averaged over all ratios, each weighted by its restricted likelihood
// times Jeffreys' prior for the ratio, from the information of the spectrum of
// the differenced series. What comes out is a mixture of t distributions: u^2 is
// the mean of their variances plus the spread of their centres, and df are those
// whose Student factor times u is the half width that holds 95 % of the mixture.
func fitSlope(b []block) slopeFit {
	n := len(b)
	T := b[n-1].t - b[0].t
	h := T / float64(n-1)
	nbar := 0.0
	for _, k := range b {
		nbar += k.n / float64(n)
	}
	// phi is the walk's variance over one block in units of a block's white variance.
	// Below 0.01/n^2 the walk adds nothing to the slope; above 1e3 the white part adds nothing.
	const grid = 40
	lo, hi := math.Log(0.01/float64(n*n)), math.Log(1e3)
	fits := make([]filtered, grid)
	logw := make([]float64, grid)
	top := 0
	for g := range fits {
		phi := math.Exp(lo + (hi-lo)*float64(g)/(grid-1))
		fits[g] = filter(b, phi/h/nbar)
		logw[g] = fits[g].logLik + 0.5*math.Log(ratioInformation(phi, n-1))
		if logw[g] > logw[top] {
			top = g
		}
	}
	weight := make([]float64, grid)
	var sum, mean, meanVar float64 // over the ratios
	for g := range weight {
		weight[g] = math.Exp(logw[g] - logw[top])
		sum += weight[g]
	}
	for g, f := range fits {
		weight[g] /= sum
		mean += weight[g] * f.slope
	}
	nu := float64(n - 2)
	scale := make([]float64, grid) // of the slope at each ratio, standard deviation
	for g, f := range fits {
		scale[g] = math.Sqrt(f.s2 * f.varSlope)
		d := f.slope - mean
		meanVar += weight[g] * (f.s2*f.varSlope + d*d)
	}
	u := math.Sqrt(meanVar)
	// The half width that holds 95 % of the mixture, by bisection.
	t := distuv.StudentsT{Sigma: 1, Nu: nu}
	inside := func(half float64) float64 {
		p := 0.0
		for g, f := range fits {
			if weight[g] < 1e-5 {
				continue
			}
			d := f.slope - mean
			p += weight[g] * (t.CDF((half-d)/scale[g]) - t.CDF((-half-d)/scale[g]))
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
	df := dfOfFactor((a+c)/2/u, nu)
	phi := math.Exp(lo + (hi-lo)*float64(top)/(grid-1)) // the likeliest
	out := slopeFit{slope: mean, u: u, df: df, ratio: phi / h / nbar, white: math.Sqrt(fits[top].s2)}
	out.walk = out.white * math.Sqrt(out.ratio)
	return out
}

// filter runs the level filter over b at one ratio of walk variance per second to
// white variance of one value.
func filter(b []block, ratio float64) filtered {
	// Taking the end-to-end slope out first keeps the sums of squares small.
	n := len(b)
	base := (b[n-1].y - b[0].y) / (b[n-1].t - b[0].t)
	P := 1 / b[0].n
	ay, at := 0.0, 0.0
	var A, B, C, L float64
	for k := 1; k < n; k++ {
		dt := b[k].t - b[k-1].t
		P += ratio * dt
		x := b[k].t - b[0].t
		vy := b[k].y - b[0].y - base*x - ay
		vt := x - at
		F := P + 1/b[k].n
		A += vt * vt / F
		B += vt * vy / F
		C += vy * vy / F
		L += math.Log(F)
		K := P / F
		ay += K * vy
		at += K * vt
		P *= 1 - K
	}
	nu := float64(n - 2)
	rss := max(C-B*B/A, 0)
	// A display that repeats to the last digit leaves nothing to estimate noise from.
	s2 := max(rss/nu, 1e-18*(1+b[0].y*b[0].y))
	return filtered{slope: base + B/A, varSlope: 1 / A, s2: s2, logLik: -0.5 * (L + math.Log(A) + nu*math.Log(s2))}
}

// ratioInformation is Fisher's information on the log of the ratio with the scale
// unknown, for n differences of evenly spaced blocks: their covariance has the
// eigenvalues phi + 2 - 2 cos(k pi/(n+1)).
func ratioInformation(phi float64, n int) float64 {
	var s1, s2 float64
	for k := 1; k <= n; k++ {
		g := phi / (phi + 2 - 2*math.Cos(float64(k)*math.Pi/float64(n+1)))
		s1 += g
		s2 += g * g
	}
	return max(0.5*(s2-s1*s1/float64(n)), 1e-300)
}

// dfOfFactor returns the degrees of freedom, at most most, whose 95 % factor is k.
func dfOfFactor(k, most float64) float64 {
	if k <= Coverage95(most) {
		return most
	}
	lo, hi := 1.0, most
	for hi > lo*(1+1e-6) { // a quantile is slow
		if m := math.Sqrt(lo * hi); Coverage95(m) > k {
			lo = m
		} else {
			hi = m
		}
	}
	return math.Sqrt(lo * hi)
}
