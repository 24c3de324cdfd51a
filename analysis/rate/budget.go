package rate

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"brimline/analysis/curve"
)

// Term is one line of an uncertainty budget.
type Term struct {
	Name string  // "fit", "calibration", "zero drift" or "density"
	U    float64 // standard uncertainty that it gives the rate, in the rate's unit
	DF   float64 // its degrees of freedom; +Inf for what is not estimated here
}

const (
	termFit         = "fit"
	termCalibration = "calibration"
	termDrift       = "zero drift"
	termDensity     = "density"
)

// setRates fills in mass and volume rates and the budget.
func (f *Fill) setRates(perMin float64, terms []Term, d *curve.Density) {
	f.Budget = terms
	switch f.Unit {
	case curve.Gram:
		f.RateGPerMin = perMin
		if d == nil {
			break
		}
		ml := make([]Term, 0, len(terms)+1)
		for _, t := range terms {
			ml = append(ml, Term{t.Name, t.U / d.GPerML, t.DF})
		}
		f.RateMLPerMin = perMin / d.GPerML
		ml = append(ml, Term{termDensity, math.Abs(f.RateMLPerMin) * d.U / d.GPerML, math.Inf(1)})
		u, df := welchSatterthwaite(ml)
		f.UMLPerMin, f.U95MLPerMin, f.DFMLPerMin = u, Coverage95(df)*u, df
		f.Budget = ml
	case curve.Millilitre:
		f.RateMLPerMin, f.UMLPerMin, f.U95MLPerMin, f.DFMLPerMin = perMin, f.U, f.U95, f.DF
		if d != nil {
			f.RateGPerMin = perMin * d.GPerML
		}
	}
	slices.SortStableFunc(f.Budget, func(a, b Term) int {
		switch {
		case a.U > b.U:
			return -1
		case a.U < b.U:
			return 1
		}
		return 0
	})
}

// Coverage95 returns the factor k that makes a 95 % interval of a standard
// uncertainty with df degrees of freedom (GUM, table G.2).
func Coverage95(df float64) float64 {
	if math.IsInf(df, 1) || df > 1e6 {
		return 1.959963984540054
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: max(df, 1)}.Quantile(0.975)
}

// welchSatterthwaite returns the combined standard uncertainty of the terms and
// its effective degrees of freedom (GUM, equation G.2b).
func welchSatterthwaite(terms []Term) (u, df float64) {
	var s2, q float64
	for _, t := range terms {
		v := t.U * t.U
		s2 += v
		if !math.IsInf(t.DF, 1) && t.DF > 0 {
			q += v * v / t.DF
		}
	}
	if q == 0 {
		return math.Sqrt(s2), math.Inf(1)
	}
	return math.Sqrt(s2), s2 * s2 / q
}
