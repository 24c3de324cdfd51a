package rate

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Regression is a linear least-squares fit y = X beta + e.
type Regression struct {
	Coef       []float64
	SE         []float64  // standard errors of Coef
	Cov        *mat.Dense // covariance of Coef, p x p
	ResidualSD float64
	RSS        float64
	DF         int // n - p
}

// ErrDegenerate means that the columns do not determine the coefficients: too few
// values, or one column a multiple of others.
var ErrDegenerate = errors.New("the data do not determine the line")

// Regress fits y (length n) on p columns of length n by Householder QR, the stable
// way for ill-scaled columns. A line with an intercept has a column of ones.
// NaN or infinite values are an error. Source: Golub & Van Loan, Matrix
// Computations, ch. 5; checked against NIST StRD Norris, Pontius and NoInt1.
func Regress(columns [][]float64, y []float64) (Regression, error) {
	p, n := len(columns), len(y)
	if p == 0 || n <= p {
		return Regression{}, fmt.Errorf("regression of %d values on %d columns: %w: at least %d values are needed", n, p, ErrDegenerate, p+1)
	}
	X := mat.NewDense(n, p, nil)
	scale := make([]float64, p)
	for j, col := range columns {
		if len(col) != n {
			return Regression{}, fmt.Errorf("regression: column %d has %d values, y has %d", j+1, len(col), n)
		}
		for i, v := range col {
			if !finite(v) || !finite(y[i]) {
				return Regression{}, fmt.Errorf("regression: value %d is not a finite number", i+1)
			}
			scale[j] = max(scale[j], math.Abs(v))
		}
		if scale[j] == 0 {
			return Regression{}, fmt.Errorf("regression: column %d is zero: %w", j+1, ErrDegenerate)
		}
		// Scaled to one, so that counts beside counts squared do not look degenerate.
		for i, v := range col {
			X.Set(i, j, v/scale[j])
		}
	}
	var qr mat.QR
	qr.Factorize(X)
	if qr.Cond() > 1e12 {
		return Regression{}, fmt.Errorf("regression: condition number %.1e: %w", qr.Cond(), ErrDegenerate)
	}
	beta := mat.NewVecDense(p, nil)
	yv := mat.NewVecDense(n, y)
	if err := qr.SolveVecTo(beta, false, yv); err != nil {
		return Regression{}, fmt.Errorf("regression: %w: %w", ErrDegenerate, err)
	}
	var res mat.VecDense
	res.MulVec(X, beta)
	res.SubVec(yv, &res)
	out := Regression{RSS: mat.Dot(&res, &res), DF: n - p, Coef: make([]float64, p), SE: make([]float64, p)}
	out.ResidualSD = math.Sqrt(out.RSS / float64(out.DF))
	// Cov = s^2 (R'R)^-1, by way of R^-1.
	var R, Rinv mat.Dense
	qr.RTo(&R)
	if err := Rinv.Inverse(R.Slice(0, p, 0, p)); err != nil {
		return Regression{}, fmt.Errorf("regression: %w: %w", ErrDegenerate, err)
	}
	out.Cov = mat.NewDense(p, p, nil)
	out.Cov.Mul(&Rinv, Rinv.T())
	for j := range p {
		out.Coef[j] = beta.AtVec(j) / scale[j]
		for k := range p {
			out.Cov.Set(j, k, out.Cov.At(j, k)*out.ResidualSD*out.ResidualSD/scale[j]/scale[k])
		}
		out.SE[j] = math.Sqrt(out.Cov.At(j, j))
	}
	return out, nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
