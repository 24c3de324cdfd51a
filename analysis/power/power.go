// Package power says how likely a t test is to find what is there, and two one-sided
// t tests to show that nothing much is: exactly, by the noncentral t distribution.
//
// The estimate is normal with standard error 1 around delta, and its standard error is
// estimated with df degrees of freedom: estimated over true is s = sqrt(chi2(df)/df),
// which does not depend on the estimate. All differences here are in standard errors.
//
//	power of a two-sided test   E[ Phi(delta - t s) + Phi(-delta - t s) ],  t = t(1 - level/2, df)
//	power of equivalence        E[ Phi(m - t s - delta) - Phi(-m + t s - delta) ]+,  t = t(1 - level, df)
//
// The second is that of two one-sided tests against +-m (Schuirmann, J. Pharmacokin.
// Biopharm. 15 (1987) 657; power after Phillips, ibid. 18 (1990) 137, from memory). The
// expectation over s is a Gauss-Legendre sum on log s, good to 1e-10.
package power

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// Quantile is that of Student's t with df degrees of freedom.
func Quantile(p, df float64) float64 { return distuv.StudentsT{Sigma: 1, Nu: df}.Quantile(p) }

func phi(z float64) float64 { return distuv.UnitNormal.CDF(z) }

// overScatter is the mean of f(s) up to s = most. f must be smooth below most.
func overScatter(df, most float64, f func(s float64) float64) float64 {
	// The density of x = log s is exp(peak - df fall(x)), with fall 0 at x = 0. It is taken as
	// far as it is above exp(-35) of its peak: what is left out is below 1e-13.
	lg, _ := math.Lgamma(df / 2)
	peak := math.Log(2) + df/2*(math.Log(df/2)-1) - lg
	fall := func(x float64) float64 { return (math.Expm1(2*x) - 2*x) / 2 }
	end := func(side float64) float64 {
		return side * Solve(func(x float64) float64 { return df * fall(side*x) }, 35)
	}
	lo, hi := end(-1), math.Min(end(1), math.Log(most))
	if !(hi > lo) {
		return 0
	}
	// Short pieces, as f may rise anywhere: where few degrees of freedom make t large, far
	// below the peak.
	pieces := max(3, math.Ceil((hi-lo)/1.5))
	var sum float64
	for k := range int(pieces) {
		a, b := lo+(hi-lo)*float64(k)/pieces, lo+(hi-lo)*float64(k+1)/pieces
		sum += quad.Fixed(func(x float64) float64 {
			return math.Exp(peak-df*fall(x)) * f(math.Exp(x))
		}, a, b, 24, nil, 0)
	}
	return sum
}

// T is the power of a two-sided t test at a level such as 0.05: the chance that it finds
// a difference of delta standard errors, on either side.
func T(delta, df, level float64) float64 {
	t := Quantile(1-level/2, df)
	return overScatter(df, math.Inf(1), func(s float64) float64 { return phi(delta-t*s) + phi(-delta-t*s) })
}

// OneSided is the power of a one-sided t test, against differences above zero.
func OneSided(delta, df, level float64) float64 {
	t := Quantile(1-level, df)
	return overScatter(df, math.Inf(1), func(s float64) float64 { return phi(delta - t*s) })
}

// TOST is the chance that two one-sided tests show a difference of delta standard errors
// to be within +-margin. It is zero wherever the margin is below t standard errors.
func TOST(margin, delta, df, level float64) float64 {
	t := Quantile(1-level, df)
	return overScatter(df, margin/t, func(s float64) float64 {
		return phi(margin-t*s-delta) - phi(-margin+t*s-delta)
	})
}

// Detectable is the difference, in standard errors, that a two-sided test finds with this
// power, above the level and below 1.
func Detectable(power, df, level float64) float64 {
	return Solve(func(d float64) float64 { return T(d, df, level) }, power)
}

// Solve is the x from zero up at which a rising f reaches a value, to 1e-10 of itself; +Inf
// when it does not before 1e9. It is Chandrupatla's way (Adv. Eng. Softw. 28 (1997) 145, from
// memory): inverse quadratic steps where three points let trust them, halves elsewhere.
func Solve(f func(x float64) float64, value float64) float64 {
	a, b := 0.0, 1.0
	fa, fb := f(a)-value, f(b)-value
	if fa >= 0 {
		return a
	}
	for fb < 0 {
		if a, fa, b = b, fb, 2*b; b > 1e9 {
			return math.Inf(1)
		}
		fb = f(b) - value
	}
	// The root is between a, the newest point, and b; c is the one before.
	for step := 0.5; ; {
		x := a + step*(b-a)
		fx := f(x) - value
		c, fc := a, fa
		if (fx < 0) != (fa < 0) {
			c, fc, b, fb = b, fb, a, fa
		}
		a, fa = x, fx
		best := a
		if math.Abs(fb) < math.Abs(fa) {
			best = b
		}
		least := 0.5e-10 * math.Abs(best/(b-a))
		if fa == 0 || !(least < 0.5) {
			return best
		}
		step = 0.5
		xi, fi := (a-b)/(c-b), (fa-fb)/(fc-fb)
		if fi*fi < xi && (1-fi)*(1-fi) < 1-xi {
			step = fa/(fb-fa)*fc/(fb-fc) + (c-a)/(b-a)*fa/(fc-fa)*fb/(fc-fb)
		}
		step = math.Min(math.Max(step, least), 1-least)
	}
}
