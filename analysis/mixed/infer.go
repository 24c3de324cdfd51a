package mixed

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// DFMethod is how degrees of freedom are found.
type DFMethod int

const (
	// KenwardRoger widens the covariance of the coefficients for the variances' being
	// estimates, and takes degrees of freedom from the expected information (Kenward and
	// Roger 1997). For REML fits.
	KenwardRoger DFMethod = iota
	// Satterthwaite takes degrees of freedom from the observed information (Giesbrecht and
	// Burns 1985). What is at zero is held there.
	Satterthwaite
)

func (m DFMethod) String() string {
	if m == Satterthwaite {
		return "Satterthwaite"
	}
	return "Kenward-Roger"
}

// Contrast is a weight for each coefficient, in the order of Fit.Names.
type Contrast []float64

// Minus is the difference of two contrasts of one fit.
func (c Contrast) Minus(o Contrast) Contrast {
	out := slices.Clone(c)
	for i := range min(len(c), len(o)) {
		out[i] -= o[i]
	}
	return out
}

// Estimate is a contrast's value with its error.
type Estimate struct {
	Value, SE, DF float64
	T, P          float64 // of the value being 0, two-sided
}

// Interval is the value's confidence interval at a level such as 0.95.
func (e Estimate) Interval(level float64) (low, high float64) {
	half := e.SE * distuv.StudentsT{Sigma: 1, Nu: e.DF}.Quantile((1+level)/2)
	return e.Value - half, e.Value + half
}

// FTest is a test of several contrasts all being 0.
type FTest struct {
	F     float64
	NumDF int
	DenDF float64
	P     float64
}

// maxDF is where degrees of freedom are as good as infinite: t and normal then differ
// in the tenth digit.
const maxDF = 1e9

// inference prepares both methods.
func (f *Fit) inference() {
	k, p := f.mo.k, f.d.p
	switch w, ok := invert(f.mo.info, k); {
	case f.Method != REML:
		f.krErr = errors.New("mixed: Kenward-Roger rests on the restricted likelihood; fit by REML, or use Satterthwaite")
	case !ok:
		f.krErr = errors.New("mixed: Kenward-Roger: the information on the variances has no inverse; leave a random effect out")
	default:
		scale(w, 2)
		f.kr = w
		f.adjusted = f.mo.adjust(w, p)
	}

	g, h := f.mo.curvature()
	sigma := math.Sqrt(f.s2)
	_, ht := f.pr.chain(g, h, k, sigma)
	// What is at zero is held there: its columns of T are zeros.
	var free []int
	for i, pa := range f.pr.pairs() {
		if f.pr.w.t[pa.i][pa.b*pa.blk.c+pa.b] > 0 {
			free = append(free, i)
		}
	}
	if k > f.pr.np {
		free = append(free, k-1)
	}
	nf := len(free)
	hf := make([]float64, nf*nf)
	for i, a := range free {
		for j, b := range free {
			hf[i*nf+j] = ht[a*k+b]
		}
	}
	inv, ok := invert(hf, nf)
	if !ok {
		f.sattErr = errors.New("mixed: Satterthwaite: the deviance is flat or not at its least in the variances; use Kenward-Roger, or leave a random effect out")
		return
	}
	// Back to the covariance parameters: 2 J H^-1 J'.
	jac := make([]float64, k*nf)
	for i, row := range f.fullJacobian(k, sigma) {
		for j, b := range free {
			jac[i*nf+j] = row[b]
		}
	}
	ji := make([]float64, k*nf)
	addProduct(ji, 2, jac, nf, k, nf, inv, nf)
	f.satt = make([]float64, k*k)
	for i := range k {
		for j := range k {
			f.satt[i*k+j] = dot(ji[i*nf:(i+1)*nf], jac[j*nf:(j+1)*nf])
		}
	}
}

// fullJacobian is d(covariance parameters)/d(sigma T, sigma).
func (f *Fit) fullJacobian(k int, sigma float64) [][]float64 {
	out := square(k)
	np := f.pr.np
	jac := f.pr.jacobian()
	for i := range np {
		for j := range np {
			out[i][j] = sigma * jac[i*np+j]
		}
	}
	if k > np {
		out[np][np] = 2 * sigma
	}
	return out
}

// invert gives the inverse of a positive definite matrix, scaled to a diagonal of 1 on
// the way.
func invert(a []float64, n int) ([]float64, bool) {
	d := make([]float64, n)
	l := make([]float64, n*n)
	for i := range n {
		if !(a[i*n+i] > 0) {
			return nil, false
		}
		d[i] = math.Sqrt(a[i*n+i])
	}
	for i := range n {
		for j := range n {
			l[i*n+j] = (a[i*n+j] + a[j*n+i]) / (2 * d[i] * d[j])
		}
	}
	if !cholesky(l, n) {
		return nil, false
	}
	for i := range n {
		if l[i*n+i] < 1e-7 {
			return nil, false
		}
	}
	out := inverseOf(l, n)
	for i := range n {
		for j := range n {
			out[i*n+j] /= d[i] * d[j]
		}
	}
	return out, true
}

// adjust is the covariance of the coefficients after Kenward and Roger (1997, equation
// 4 and section 2): phi + 2 phi (sum W_rs (Q_rs - P_r phi P_s)) phi. V is linear in its
// parameters, so the term of second derivatives is 0.
func (mo moments) adjust(w []float64, p int) []float64 {
	k := mo.k
	lambda := make([]float64, p*p)
	for r := range k {
		pp := make([]float64, p*p)
		addProduct(pp, 1, mo.px[r], p, p, p, mo.phi, p)
		for s := range k {
			addScaled(lambda, w[r*k+s], mo.qx[r*k+s])
			addProduct(lambda, -w[r*k+s], pp, p, p, p, mo.px[s], p)
		}
	}
	pl := make([]float64, p*p)
	addProduct(pl, 2, mo.phi, p, p, p, lambda, p)
	out := slices.Clone(mo.phi)
	addProduct(out, 1, pl, p, p, p, mo.phi, p)
	for i := range p {
		for j := range i {
			v := (out[i*p+j] + out[j*p+i]) / 2
			out[i*p+j], out[j*p+i] = v, v
		}
	}
	return out
}

// rotate turns a contrast of the model's coefficients into one of the rotated ones.
func (f *Fit) rotate(c Contrast) ([]float64, error) {
	p := f.d.p
	if len(c) != p {
		return nil, fmt.Errorf("mixed: the contrast has %d weights and the model %d coefficients %v; give one for each", len(c), p, f.Names)
	}
	out := make([]float64, p) // r'out = c
	for i := range p {
		if !finite(c[i]) {
			return nil, fmt.Errorf("mixed: the contrast's weight of %s is %v; give a number", f.Names[i], c[i])
		}
		out[i] = c[i]
		for j := range i {
			out[i] -= f.d.r[j*p+i] * out[j]
		}
		out[i] /= f.d.r[i*p+i]
	}
	if maxAbs(c) == 0 {
		return nil, errors.New("mixed: the contrast has only zeros; it asks for nothing")
	}
	return out, nil
}

// method gives the covariance of the variances and of the rotated coefficients.
func (f *Fit) method(m DFMethod) (variances, coef []float64, err error) {
	switch m {
	case KenwardRoger:
		return f.kr, f.adjusted, f.krErr
	case Satterthwaite:
		return f.satt, f.mo.phi, f.sattErr
	}
	return nil, nil, fmt.Errorf("mixed: there is no method %d for degrees of freedom", m)
}

// singleDF is 2 v^2/var(v) of the variance v = c'phi c: for one contrast both methods
// differ by the covariance of the variances only.
func (f *Fit) singleDF(c, cov []float64) float64 {
	p, k := f.d.p, f.mo.k
	v := quadratic(c, f.mo.phi, c)
	pc := make([]float64, p)
	addProduct(pc, 1, f.mo.phi, p, p, p, c, 1)
	g := make([]float64, k)
	for r := range k {
		g[r] = quadratic(pc, f.mo.px[r], pc)
	}
	s := quadratic(g, cov, g)
	if !(s > 2*v*v/maxDF) {
		return maxDF
	}
	return 2 * v * v / s
}

// Estimate is a contrast's value, standard error and degrees of freedom.
func (f *Fit) Estimate(c Contrast, m DFMethod) (Estimate, error) {
	r, err := f.rotate(c)
	if err != nil {
		return Estimate{}, err
	}
	cov, coef, err := f.method(m)
	if err != nil {
		return Estimate{}, err
	}
	e := Estimate{Value: dot(c, f.Coef), DF: f.singleDF(r, cov)}
	e.SE = math.Sqrt(quadratic(r, coef, r)) * f.d.yScale
	if !(e.SE > 0) || !(e.DF > 0) {
		return Estimate{}, fmt.Errorf("mixed: %v: the contrast's error cannot be computed (standard error %v, degrees of freedom %v); leave a random effect out", m, e.SE, e.DF)
	}
	e.T = e.Value / e.SE
	e.P = 2 * distuv.StudentsT{Sigma: 1, Nu: e.DF}.CDF(-math.Abs(e.T))
	return e, nil
}

// CovKenwardRoger is the adjusted covariance of the coefficients.
func (f *Fit) CovKenwardRoger() ([][]float64, error) {
	if f.krErr != nil {
		return nil, f.krErr
	}
	return f.d.unrotate(f.adjusted, f.d.yScale*f.d.yScale), nil
}

// Test is the F test of all contrasts being 0. They must not depend on each other.
func (f *Fit) Test(cs []Contrast, m DFMethod) (FTest, error) {
	p, l := f.d.p, len(cs)
	if l == 0 {
		return FTest{}, errors.New("mixed: an F test needs a contrast")
	}
	if l == 1 {
		e, err := f.Estimate(cs[0], m)
		return FTest{F: e.T * e.T, NumDF: 1, DenDF: e.DF, P: e.P}, err
	}
	cov, coef, err := f.method(m)
	if err != nil {
		return FTest{}, err
	}
	rows := make([]float64, l*p)
	beta := make([]float64, l)
	for i, c := range cs {
		r, err := f.rotate(c)
		if err != nil {
			return FTest{}, err
		}
		copy(rows[i*p:], r)
		beta[i] = dot(c, f.Coef) / f.d.yScale
	}
	plain, err := sandwichOf(rows, l, p, f.mo.phi)
	if err != nil {
		return FTest{}, err
	}
	var out FTest
	if m == Satterthwaite {
		out, err = f.satterthwaiteF(rows, beta, plain, cov, l)
	} else {
		out, err = f.kenwardRogerF(rows, beta, plain, coef, cov, l)
	}
	if err != nil {
		return FTest{}, err
	}
	out.NumDF = l
	out.P = fTail(out.F, float64(l), out.DenDF)
	return out, nil
}

// fTail is the probability of an F above f; one less the distribution function would be 0
// for all small ones.
func fTail(f, d1, d2 float64) float64 { return mathext.RegIncBeta(d2/2, d1/2, d2/(d2+d1*f)) }

// sandwichOf is rows c rows' (l by l), refused where the rows depend on each other.
func sandwichOf(rows []float64, l, p int, c []float64) (*mat.SymDense, error) {
	half := make([]float64, l*p)
	addProduct(half, 1, rows, p, l, p, c, p)
	out := mat.NewSymDense(l, nil)
	for i := range l {
		for j := range i + 1 {
			out.SetSym(i, j, dot(half[i*p:(i+1)*p], rows[j*p:(j+1)*p]))
		}
	}
	scaled := make([]float64, l*l)
	for i := range l {
		for j := range l {
			scaled[i*l+j] = out.At(i, j)
		}
	}
	if _, ok := invert(scaled, l); !ok {
		return nil, errors.New("mixed: the contrasts of the F test depend on each other; leave out those that follow from the rest")
	}
	return out, nil
}

// kenwardRogerF follows Kenward and Roger (1997), section 3 (equations 5 to 8), with
// the second version of their approximation, exact where an F test is.
func (f *Fit) kenwardRogerF(rows, beta []float64, plain *mat.SymDense, coef, w []float64, l int) (FTest, error) {
	p, k, q := f.d.p, f.mo.k, float64(l)
	adj, err := sandwichOf(rows, l, p, coef)
	if err != nil {
		return FTest{}, err
	}
	var chol mat.Cholesky
	if !chol.Factorize(adj) {
		return FTest{}, errors.New("mixed: Kenward-Roger: the adjusted covariance of the contrasts is not positive; test them one by one")
	}
	b := mat.NewVecDense(l, beta)
	var s mat.VecDense
	if err := chol.SolveVecTo(&s, b); err != nil {
		return FTest{}, fmt.Errorf("mixed: Kenward-Roger: the contrasts' covariance is close to singular: %w; test them one by one", err)
	}
	wald := mat.Dot(b, &s) / q

	// A_r = theta phi P_r phi with theta = L'(L phi L')^-1 L has the traces of the l by l
	// matrices (L phi L')^-1 L phi P_r phi L'.
	if !chol.Factorize(plain) {
		return FTest{}, errors.New("mixed: Kenward-Roger: the covariance of the contrasts is not positive; test them one by one")
	}
	lp := make([]float64, l*p)
	addProduct(lp, 1, rows, p, l, p, f.mo.phi, p)
	a := make([]*mat.Dense, k)
	for r := range k {
		half := make([]float64, l*p)
		addProduct(half, 1, lp, p, l, p, f.mo.px[r], p)
		m := mat.NewDense(l, l, nil)
		for i := range l {
			for j := range l {
				m.Set(i, j, dot(half[i*p:(i+1)*p], lp[j*p:(j+1)*p]))
			}
		}
		a[r] = mat.NewDense(l, l, nil)
		if err := chol.SolveTo(a[r], m); err != nil {
			return FTest{}, fmt.Errorf("mixed: Kenward-Roger: the contrasts' covariance is close to singular: %w; test them one by one", err)
		}
	}
	var a1, a2 float64
	var prod mat.Dense
	for r := range k {
		for t := range k {
			a1 += w[r*k+t] * mat.Trace(a[r]) * mat.Trace(a[t])
			prod.Mul(a[r], a[t])
			a2 += w[r*k+t] * mat.Trace(&prod)
		}
	}
	if !(a2 > q/maxDF) {
		return FTest{F: wald, DenDF: maxDF}, nil
	}
	bb := (a1 + 6*a2) / (2 * q)
	g := ((q+1)*a1 - (q+4)*a2) / ((q + 2) * a2)
	d := 3*q + 2*(1-g)
	c1, c2, c3 := g/d, (q-g)/d, (q+2-g)/d
	e := 1 / (1 - a2/q)
	v := 2 / q * (1 + c1*bb) / ((1 - c2*bb) * (1 - c2*bb) * (1 - c3*bb))
	rho := v / (2 * e * e)
	df := 4 + (q+2)/(q*rho-1)
	lambda := df / (e * (df - 2))
	if !(df > 2) || !finite(df) || !(lambda > 0) {
		return FTest{}, fmt.Errorf("mixed: Kenward-Roger: too few degrees of freedom for an F test of %d contrasts at once; test them one by one", l)
	}
	return FTest{F: lambda * wald, DenDF: math.Min(df, maxDF)}, nil
}

// satterthwaiteF takes the contrasts apart into uncorrelated ones and gives their mean
// square the denominator that has its expectation (Fai and Cornelius 1996).
func (f *Fit) satterthwaiteF(rows, beta []float64, plain *mat.SymDense, cov []float64, l int) (FTest, error) {
	p := f.d.p
	var e mat.EigenSym
	if !e.Factorize(plain, true) {
		return FTest{}, errors.New("mixed: Satterthwaite: the contrasts' covariance cannot be taken apart; test them one by one")
	}
	values := e.Values(nil)
	var vec mat.Dense
	e.VectorsTo(&vec)
	var sum, expect, least, most float64
	least = math.Inf(1)
	for j := range l {
		c := make([]float64, p)
		var b float64
		for i := range l {
			addScaled(c, vec.At(i, j), rows[i*p:(i+1)*p])
			b += vec.At(i, j) * beta[i]
		}
		sum += b * b / values[j]
		nu := f.singleDF(c, cov)
		least, most = math.Min(least, nu), math.Max(most, nu)
		expect += nu / (nu - 2)
	}
	out := FTest{F: sum / float64(l), DenDF: least}
	switch {
	case most-least <= 1e-8*most:
	case least <= 2: // no expectation: the least that an F with one has
		out.DenDF = 2
	default:
		out.DenDF = 2 * expect / (expect - float64(l))
	}
	return out, nil
}

// Coefficient is the contrast that asks for one coefficient.
func (f *Fit) Coefficient(name string) (Contrast, error) {
	i := slices.Index(f.Names, name)
	if i < 0 {
		return nil, fmt.Errorf("mixed: there is no coefficient %q; there are %s", name, strings.Join(f.Names, ", "))
	}
	c := make(Contrast, len(f.Names))
	c[i] = 1
	return c, nil
}

// At is a place among the fixed effects: levels of factors and values of numbers by
// their names.
type At struct {
	Levels  map[string]string
	Numbers map[string]float64
}

// Mean is the contrast that asks for the mean response at a place. Over factors that
// are not named it is averaged, each level counting alike; numbers that are not named
// are at their mean over the rows. The difference of two means is an effect.
func (f *Fit) Mean(at At) (Contrast, error) {
	levels, numbers := map[string][]float64{}, map[string]float64{}
	for name := range at.Levels {
		if v := f.d.vars[name]; v == nil || !v.factor {
			return nil, fmt.Errorf("mixed: mean at a level of %q: the model has no such factor", name)
		}
	}
	for name, z := range at.Numbers {
		if v := f.d.vars[name]; v == nil || v.factor {
			return nil, fmt.Errorf("mixed: mean at a value of %q: the model has no such number", name)
		}
		if !finite(z) {
			return nil, fmt.Errorf("mixed: mean at %s = %v: give a number", name, z)
		}
	}
	for name, v := range f.d.vars {
		if !v.factor {
			numbers[name] = v.average
			if z, named := at.Numbers[name]; named {
				numbers[name] = z
			}
			continue
		}
		w := make([]float64, len(v.levels))
		if level, named := at.Levels[name]; named {
			i := slices.Index(v.levels, level)
			if i < 0 {
				return nil, fmt.Errorf("mixed: mean at %s = %q: its levels are %s", name, level, strings.Join(v.levels, ", "))
			}
			w[i] = 1
		} else {
			for i := range w {
				w[i] = 1 / float64(len(w))
			}
		}
		levels[name] = w
	}
	c := make(Contrast, len(f.d.columns))
	for j, col := range f.d.columns {
		c[j] = col.at(levels, numbers)
	}
	return c, nil
}

// Effect is the contrasts of one of Model.Fixed: of a factor its levels against the
// first, of a number its slope, of an interaction the differences of differences; other
// factors are averaged over, each level counting alike, and other numbers are 0 (the
// tests of type III).
func (f *Fit) Effect(name string) ([]Contrast, error) {
	at := slices.IndexFunc(f.d.terms, func(t term) bool { return t.name == name })
	if at < 0 {
		return nil, fmt.Errorf("mixed: %q is not a fixed effect of the model: they are %v", name, f.d.model.Fixed)
	}
	levels, numbers := map[string][]float64{}, map[string]float64{}
	for n, v := range f.d.vars {
		if v.factor {
			w := make([]float64, len(v.levels))
			for i := range w {
				w[i] = 1 / float64(len(w))
			}
			levels[n] = w
		}
	}
	var out []Contrast
	var walk func(vars []string)
	walk = func(vars []string) {
		if len(vars) == 0 {
			c := make(Contrast, len(f.d.columns))
			for j, col := range f.d.columns {
				c[j] = col.at(levels, numbers)
			}
			out = append(out, c)
			return
		}
		v := f.d.vars[vars[0]]
		if !v.factor {
			numbers[vars[0]] = 1
			walk(vars[1:])
			return
		}
		keep := levels[vars[0]]
		for i := 1; i < len(v.levels); i++ {
			w := make([]float64, len(v.levels))
			w[0], w[i] = -1, 1
			levels[vars[0]] = w
			walk(vars[1:])
		}
		levels[vars[0]] = keep
	}
	walk(f.d.terms[at].vars)
	// A column without a factor of the effect does not change with it.
	for _, c := range out {
		for j, col := range f.d.columns {
			for _, n := range f.d.terms[at].vars {
				if !slices.ContainsFunc(col.parts, func(p part) bool { return p.name == n }) {
					c[j] = 0
				}
			}
		}
	}
	return out, nil
}
