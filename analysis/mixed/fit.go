package mixed

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/mat"
)

// Warning is a doubt about a fit, to be shown beside its numbers.
type Warning struct {
	Code string // "singular", "few-levels", "not-converged"
	Text string
}

// Component is the covariance of one random effect.
type Component struct {
	By      string
	Columns []string // "intercept", and what the slopes are of
	Cov     [][]float64
	SD      []float64
	Cor     [][]float64 // 0 beside a spread of 0
	Levels  []string
	// Effects are the predictions (BLUPs) per level and column, and EffectSD the standard
	// deviations of the effects given the data, the variances and the fixed effects.
	Effects, EffectSD [][]float64
}

// Fit is a fitted model. It is not changed by its methods, which may run at once.
type Fit struct {
	Method Method
	Rows   int

	Names []string // of the fixed effects' coefficients: "intercept", "phase=after", ...
	Coef  []float64
	SE    []float64
	Cov   [][]float64

	Random           []Component // in the order of Model.Random
	ResidualVariance float64     // sigma^2, of a row of weight 1

	// Deviance is -2 log likelihood, restricted or not, with all constants but log|X'X|
	// (the REML criterion of lme4 and nlme).
	Deviance, LogLik, AIC, BIC float64

	Singular bool    // a spread is 0 or a correlation is 1 or -1
	Gradient float64 // largest entry of the deviance's gradient where the fit stopped
	Steps    int

	Warnings []Warning

	d        *data
	pr       *problem // as it was fitted; not for use after the fit, as it holds work space
	theta    []float64
	s2       float64 // residual variance, scaled
	mo       moments // all scaled: y over yScale, X rotated
	kr, satt []float64
	krErr    error
	sattErr  error
	adjusted []float64 // covariance of the coefficients after Kenward and Roger, rotated
}

// Fit estimates the model. The errors are for models that these rows cannot carry: what
// is missing, what does not vary, what cannot be told apart (ErrConfounded).
func (m Model) Fit(method Method) (*Fit, error) {
	d, err := m.check()
	if err != nil {
		return nil, err
	}
	pr := d.problem(method == REML)
	best := pr.fit(nil)
	if math.IsInf(best.f, 0) || math.IsNaN(best.f) {
		return nil, errors.New("mixed: the deviance cannot be computed: numbers of very different size; use units in which responses and numbers are near 1")
	}
	if err := d.noResidual(pr, best); err != nil {
		return nil, err
	}
	f := &Fit{Method: method, Rows: d.n, d: d, pr: pr, theta: best.x, Gradient: best.gradient, Steps: best.steps}
	pr.solve(best.x)
	f.s2 = pr.sigma2()
	f.report(best)
	f.mo = pr.withResidual(pr.moments(true), f.s2)
	if err := f.separable(); err != nil {
		return nil, err
	}
	f.inference()
	return f, nil
}

// noResidual refuses a fit whose residual went to nothing.
func (d *data) noResidual(pr *problem, best minimum) error {
	if pr.known {
		return nil
	}
	for k, b := range pr.blocks {
		if top := maxAbs(best.x[b.par : b.par+b.params()]); top > maxTheta/10 || top > 1000 && !best.found {
			return fmt.Errorf("mixed: rows at the same level of %s have no scatter of their own (less than %.0e of that between levels): check that readings were not copied, and that the %d rows are more than the random effects have levels", d.random[k].By, 1/top, d.n)
		}
	}
	return nil
}

// report fills the public fields.
func (f *Fit) report(best minimum) {
	d, pr := f.d, f.pr
	n, p := d.n, d.p
	ys2 := d.yScale * d.yScale

	coef := make([]float64, p)
	for j := range p {
		coef[j] = d.shift[j] + d.yScale*pr.w.beta[j]
	}
	backSolve(d.r, p, coef)
	f.Coef = coef
	phi := inverseOf(pr.w.lx, p)
	f.Cov = d.unrotate(phi, f.s2*ys2)
	for j, c := range d.columns {
		f.Names = append(f.Names, c.name)
		f.SE = append(f.SE, math.Sqrt(f.Cov[j][j]))
	}

	f.Deviance = best.f + 2*pr.dof()*math.Log(d.yScale)
	if pr.reml {
		for j := range p {
			f.Deviance += 2 * math.Log(d.r[j*p+j])
		}
	}
	f.LogLik = -f.Deviance / 2
	parameters := float64(p + pr.np)
	if !pr.known {
		parameters++
	}
	f.AIC = f.Deviance + 2*parameters
	f.BIC = f.Deviance + math.Log(float64(n))*parameters

	sigma := math.Sqrt(f.s2) * d.yScale
	f.ResidualVariance = f.s2 * ys2 * d.meanW
	spread := pr.posterior()
	for k, b := range pr.blocks {
		t := pr.w.t[k]
		for i := range b.c {
			f.Singular = f.Singular || t[i*b.c+i] == 0
		}
		if b.c == 1 && k == len(d.random) { // the residual, where variances are known
			f.ResidualVariance = t[0] * t[0] * ys2 * d.meanW
			continue
		}
		f.Random = append(f.Random, component(d.random[k], b, t, sigma, pr.effects(b), spread[k], d.yScale))
	}
	f.warn(best)
}

// component puts a block into words and units.
func component(r randomTerm, b *block, t []float64, sigma float64, effects, spread []float64, yScale float64) Component {
	c := b.c
	out := Component{By: r.By, Columns: r.columns, Levels: r.levels, Cov: square(c), Cor: square(c), SD: make([]float64, c)}
	for i := range c {
		row := t[i*c : i*c+i+1]
		out.SD[i] = norm(row) * sigma / r.scale[i]
	}
	for i := range c {
		for j := range i + 1 {
			v := dot(t[j*c:j*c+j+1], t[i*c:]) * sigma * sigma / (r.scale[i] * r.scale[j])
			out.Cov[i][j], out.Cov[j][i] = v, v
			cor := 0.0
			if i == j {
				cor = 1
			} else if s := out.SD[i] * out.SD[j]; s > 0 {
				cor = math.Max(-1, math.Min(1, v/s))
			}
			out.Cor[i][j], out.Cor[j][i] = cor, cor
		}
	}
	for l := range b.levels {
		e, s := make([]float64, c), make([]float64, c)
		for i := range c {
			e[i] = effects[l*c+i] * yScale / r.scale[i]
			s[i] = math.Sqrt(math.Max(0, spread[l*c+i])) * sigma / r.scale[i]
		}
		out.Effects, out.EffectSD = append(out.Effects, e), append(out.EffectSD, s)
	}
	return out
}

// posterior gives the variances of the random effects given the data and the fixed
// effects, in units of sigma^2, per block: the diagonals of T (1 + T'Z'OZ T)^-1 T'.
func (pr *problem) posterior() [][]float64 {
	w, c, m := &pr.w, pr.first.c, pr.m
	y := identity(m)
	pr.timesT(y, m, true)
	solveLower(w.l, m, y, m)
	out := make([][]float64, len(pr.blocks))
	for k, b := range pr.blocks {
		out[k] = make([]float64, b.cols())
		if b != pr.first {
			for j := range out[k] {
				for i := range m {
					out[k][j] += y[i*m+b.off+j] * y[i*m+b.off+j]
				}
			}
			continue
		}
		for g := range b.levels {
			tg := w.tg[g*c*c : (g+1)*c*c]
			// K Z1'OZ2 y' of this level: tg'h, times the rest's own spread.
			kz := make([]float64, c*m)
			for i := range c {
				for j := range c {
					if v := tg[i*c+j]; v != 0 {
						addScaled(kz[j*m:j*m+m], v, w.h[(g*c+i)*pr.r:(g*c+i)*pr.r+m])
					}
				}
			}
			for j := range c {
				for i := range c {
					out[k][g*c+j] += tg[i*c+j] * tg[i*c+j]
				}
				for i := range m {
					v := dot(y[i*m:i*m+m], kz[j*m:j*m+m])
					out[k][g*c+j] += v * v
				}
			}
		}
	}
	return out
}

func square(c int) [][]float64 {
	out := make([][]float64, c)
	for i := range out {
		out[i] = make([]float64, c)
	}
	return out
}

// backSolve turns b into r^-1 b, r upper.
func backSolve(r []float64, p int, b []float64) {
	for i := p - 1; i >= 0; i-- {
		b[i] = (b[i] - dot(r[i*p+i+1:(i+1)*p], b[i+1:])) / r[i*p+i]
	}
}

// unrotate turns a covariance of rotated coefficients into that of the model's own.
func (d *data) unrotate(c []float64, f float64) [][]float64 {
	p := d.p
	inv := identity(p) // r^-1 by rows of its transpose
	for j := range p {
		backSolve(d.r, p, inv[j*p:j*p+p])
	}
	// inv[j] is r^-1 e_j, so the covariance is sum_ij c_ij inv_i inv_j'.
	ci := make([]float64, p*p)
	addProduct(ci, f, c, p, p, p, inv, p)
	out := make([]float64, p*p)
	addGram(out, 1, inv, p, ci, p, p)
	res := square(p)
	for i := range p {
		for j := range p {
			res[i][j] = (out[i*p+j] + out[j*p+i]) / 2
		}
	}
	return res
}

// fewLevels is the number of levels below which a spread is hardly an estimate: at 4
// levels the interval of a standard deviation still spans a factor of 6.6 (chi-squared
// with 3 degrees of freedom).
const fewLevels = 4

// warn lists what a reader has to know about the fit.
func (f *Fit) warn(best minimum) {
	if !best.found {
		f.Warnings = append(f.Warnings, Warning{"not-converged", fmt.Sprintf(
			"The search for the likeliest variances stopped after %d steps at a gradient of %.2g: the numbers may be off. Bring responses and numbers to a size near 1, or leave a random effect out.", best.steps, best.gradient)})
	}
	if f.Singular {
		var what []string
		for _, c := range f.Random {
			for i, s := range c.SD {
				if s == 0 {
					what = append(what, fmt.Sprintf("the spread of %s by %s is 0", c.Columns[i], c.By))
				}
			}
			for i := range c.SD {
				for j := range i {
					if r := math.Abs(c.Cor[i][j]); r > 1-1e-9 {
						what = append(what, fmt.Sprintf("the correlation of %s and %s by %s is %.0f", c.Columns[j], c.Columns[i], c.By, c.Cor[i][j]))
					}
				}
			}
		}
		if f.ResidualVariance == 0 {
			what = append(what, "the rows scatter no more than their known variances allow")
		}
		if len(what) == 0 {
			what = []string{"a combination of random effects has no spread"}
		}
		f.Warnings = append(f.Warnings, Warning{"singular", "Singular fit: " + strings.Join(what, "; ") +
			". That is the likeliest value, not a proof of none: the data are too few to show it."})
	}
	for _, c := range f.Random {
		if n := len(c.Levels); n < fewLevels {
			f.Warnings = append(f.Warnings, Warning{"few-levels", fmt.Sprintf(
				"The spread of %s rests on %d levels only and is hardly known.", c.By, n)})
		}
	}
}

// parameterName names covariance parameter i.
func (f *Fit) parameterName(i int) string {
	pairs := f.pr.pairs()
	if i >= len(pairs) || pairs[i].i >= len(f.d.random) {
		return "the residual"
	}
	t := f.d.random[pairs[i].i]
	if t.blk.c == 1 {
		return "the random effect by " + t.By
	}
	return fmt.Sprintf("the random effect by %s (%s, %s)", t.By, t.columns[pairs[i].a], t.columns[pairs[i].b])
}

// separableTol is the least eigenvalue of the information, scaled to a diagonal of 1,
// at which variances are still told apart.
const separableTol = 1e-9

// separable refuses variances of which the data tell a combination only.
func (f *Fit) separable() error {
	k := f.mo.k
	s := make([]float64, k*k)
	for i := range k {
		if !(f.mo.info[i*k+i] > 0) {
			return fmt.Errorf("mixed: the rows say nothing of the variance of %s: %w", f.parameterName(i), ErrConfounded)
		}
		for j := range k {
			s[i*k+j] = f.mo.info[i*k+j] / math.Sqrt(f.mo.info[i*k+i]*f.mo.info[j*k+j])
		}
	}
	var e mat.EigenSym
	if !e.Factorize(mat.NewSymDense(k, s), true) {
		return errors.New("mixed: the information on the variances cannot be computed; bring responses and numbers to a size near 1")
	}
	if v := e.Values(nil)[0]; v < separableTol {
		var vec mat.Dense
		e.VectorsTo(&vec)
		first, second := -1, -1
		for i := range k {
			switch a := math.Abs(vec.At(i, 0)); {
			case first < 0 || a > math.Abs(vec.At(first, 0)):
				first, second = i, first
			case second < 0 || a > math.Abs(vec.At(second, 0)):
				second = i
			}
		}
		return fmt.Errorf("mixed: the variances of %s and %s: %w in these rows; leave one of them out", f.parameterName(first), f.parameterName(second), ErrConfounded)
	}
	return nil
}
