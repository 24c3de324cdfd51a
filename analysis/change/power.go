package change

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// overScatter averages f(s) over the distribution of s = estimated over true
// standard error, sqrt(chi2/df) with df degrees of freedom, up to s = most. f must
// be smooth below most.
func overScatter(df, most float64, f func(s float64) float64) float64 {
	chi := distuv.ChiSquared{K: df}
	density := func(s float64) float64 {
		lg, _ := math.Lgamma(df / 2)
		return 2 * math.Exp(df/2*math.Log(df/2)-lg+(df-1)*math.Log(s)-df*s*s/2)
	}
	lo, hi := 0.0, math.Sqrt(chi.Quantile(1-1e-14)/df)
	if df > 30 { // a narrow peak: put the nodes where it is
		lo = math.Sqrt(chi.Quantile(1e-14) / df)
	}
	if hi = math.Min(hi, most); hi <= lo {
		return 0
	}
	return quad.Fixed(func(s float64) float64 { return density(s) * f(s) }, lo, hi, 120, nil, 0)
}

func phi(z float64) float64 { return distuv.UnitNormal.CDF(z) }

// powerT is the power of a two-sided t test at level a: the chance that it finds a
// true difference of delta standard errors, on either side.
func powerT(delta, df, a float64) float64 {
	t := tQuantile(1-a/2, df)
	return overScatter(df, math.Inf(1), func(s float64) float64 { return phi(delta-t*s) + phi(-delta-t*s) })
}

// powerTOST is the chance that two one-sided tests at level a show a difference to
// be within +-margin, when it is delta; all in true standard errors.
func powerTOST(margin, delta, df, a float64) float64 {
	t := tQuantile(1-a, df)
	return overScatter(df, margin/t, func(s float64) float64 {
		return phi(margin-t*s-delta) - phi(-margin+t*s-delta)
	})
}

// detectable is the difference that a test with this standard error and these
// degrees of freedom finds with the stated power.
func detectable(se, df float64) float64 {
	lo, hi := 0.0, 1.0
	for powerT(hi, df, alpha) < power {
		lo, hi = hi, 2*hi
	}
	for hi-lo > 1e-9*hi {
		mid := (lo + hi) / 2
		if powerT(mid, df, alpha) < power {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi * se
}

// hangingsNeeded is the smallest number per phase, from 2 to 200, that has the
// stated power both to show a change as large as the margin and, if there is no
// change, to show that; 0 when none has. sd is a hanging's, as a log.
func hangingsNeeded(margin, sd float64) int {
	enough := func(n int) bool {
		df, m := float64(2*n-2), margin/(sd*math.Sqrt(2/float64(n)))
		return powerT(m, df, alpha) >= power && powerTOST(m, 0, df, alpha) >= power
	}
	const most = 200
	if !enough(most) {
		return 0
	}
	lo, hi := 1, most // power rises with n
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		if enough(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}
