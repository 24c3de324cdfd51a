package mixed

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Kind is what an Interval is of.
type Kind int

const (
	Spread      Kind = iota // a random effect's standard deviation
	Correlation             // of two columns of a random effect
	ResidualSD              // sigma, of a row of weight 1
	Coefficient             // a fixed effect
)

// Interval is a likelihood interval of one parameter.
type Interval struct {
	Kind Kind
	By   string // of a random effect
	Of   string // the column, or the coefficient
	With string // the other column of a correlation
	// Value is the maximum likelihood estimate (not REML's), Low and High the ends. A Low of
	// 0, or an end of -1 or 1 of a correlation, is the end of what is possible: the data
	// do not exclude it.
	Value, Low, High float64
}

// Profile gives likelihood intervals of all spreads, correlations and coefficients at a
// level such as 0.95: where the deviance, all else at its best, is above its least by no
// more than the quantile of chi-squared (1 degree of freedom). The deviance is that of ML,
// whichever the fit's own method, as REML's cannot compare coefficients. It takes some
// tens of fits a parameter.
func (f *Fit) Profile(level float64) ([]Interval, error) {
	if !(level > 0 && level < 1) {
		return nil, fmt.Errorf("mixed: the level of an interval is %v and must lie between 0 and 1, such as 0.95", level)
	}
	z := distuv.UnitNormal.Quantile((1 + level) / 2)
	d := f.d
	pr := d.problem(false)
	best := pr.fit(nil)
	if math.IsInf(best.f, 0) || math.IsNaN(best.f) {
		return nil, fmt.Errorf("mixed: the deviance cannot be computed; use units in which responses and numbers are near 1")
	}
	if err := d.noResidual(pr, best); err != nil {
		return nil, err
	}
	pr.solve(best.x)
	s := profiler{d: d, z: z, least: best.f, sigma: math.Sqrt(pr.sigma2()), theta: best.x}
	var out []Interval
	for k, b := range pr.blocks {
		t := slices.Clone(pr.w.t[k])
		if pr.known && k == len(d.random) {
			v, unit := math.Abs(t[0]), d.yScale*math.Sqrt(d.meanW)
			low, high, err := s.ends(v, 0, math.Inf(1), s.spread(k, []int{0}))
			if err != nil {
				return nil, fmt.Errorf("mixed: profile of the residual: %w", err)
			}
			out = append(out, Interval{Kind: ResidualSD, Value: v * unit, Low: low * unit, High: high * unit})
			continue
		}
		r := d.random[k]
		for i := range b.c {
			v, unit := norm(t[i*b.c:i*b.c+i+1])*s.sigma, d.yScale/r.scale[i]
			low, high, err := s.ends(v, 0, math.Inf(1), s.spread(k, first(b.c, i)))
			if err != nil {
				return nil, fmt.Errorf("mixed: profile of the spread of %s by %s: %w", r.columns[i], r.By, err)
			}
			out = append(out, Interval{Kind: Spread, By: r.By, Of: r.columns[i], Value: v * unit, Low: low * unit, High: high * unit})
		}
		for i := range b.c {
			for j := range i {
				v := 0.0
				if n := norm(t[i*b.c:i*b.c+i+1]) * norm(t[j*b.c:j*b.c+j+1]); n > 0 {
					v = math.Max(-1, math.Min(1, dot(t[j*b.c:j*b.c+j+1], t[i*b.c:])/n))
				}
				var low, high float64
				at, err := s.correlation(k, first(b.c, j, i), first(b.c, i))
				if err == nil {
					low, high, err = s.ends(v, -1, 1, at)
				}
				if err != nil {
					return nil, fmt.Errorf("mixed: profile of the correlation of %s and %s by %s: %w", r.columns[j], r.columns[i], r.By, err)
				}
				out = append(out, Interval{Kind: Correlation, By: r.By, Of: r.columns[j], With: r.columns[i], Value: v, Low: low, High: high})
			}
		}
	}
	if !pr.known {
		unit := d.yScale * math.Sqrt(d.meanW)
		low, high, err := s.ends(s.sigma, 0, math.Inf(1), s.residual())
		if err != nil {
			return nil, fmt.Errorf("mixed: profile of the residual: %w", err)
		}
		out = append(out, Interval{Kind: ResidualSD, Value: s.sigma * unit, Low: low * unit, High: high * unit})
	}
	return s.coefficients(pr, best, out)
}

// first lists 0..c-1 with what is named in front.
func first(c int, front ...int) []int {
	for i := range c {
		if !slices.Contains(front, i) {
			front = append(front, i)
		}
	}
	return front
}

// profiler holds what the profiles of one fit share.
type profiler struct {
	d            *data
	z            float64
	least, sigma float64
	theta        []float64
}

// constrained gives the least deviance where a parameter has the value v.
type constrained func(v float64) (deviance float64, err error)

// permuted is the problem with a block's columns in another order, and the best T of
// its parameters in absolute scale, sigma last if it is estimated.
func (s *profiler) permuted(k int, order []int) (*problem, []float64) {
	pr := s.d.problem(false)
	x := slices.Clone(s.theta)
	if b := pr.blocks[k]; b.c > 1 {
		z := slices.Clone(b.z)
		for i := range pr.n {
			for a, from := range order {
				z[i*b.c+a] = b.z[i*b.c+from]
			}
		}
		blocks := slices.Clone(pr.blocks)
		nb := *b
		nb.z, nb.off = z, 0
		blocks[k] = &nb
		at := func(i, j int) int { return b.par + i*(i+1)/2 + j }
		for a, i := range order { // Cholesky of the covariance in the new order
			for c := range a + 1 {
				j := order[c]
				v := 0.0
				for l := range min(i, j) + 1 {
					v += s.theta[at(i, l)] * s.theta[at(j, l)]
				}
				v -= dot(x[at(a, 0):at(a, 0)+c], x[at(c, 0):])
				switch p := x[at(c, c)]; {
				case a == c:
					x[at(a, a)] = math.Sqrt(math.Max(0, v))
				case p > 0:
					x[at(a, c)] = v / p
				default:
					x[at(a, c)] = 0
				}
			}
		}
		pr = prepare(pr.x, pr.p, pr.omega, blocks, false, pr.known)
		pr.setResponse(s.d.y)
	}
	scale(x, s.sigma)
	if !pr.known {
		x = append(x, s.sigma)
	}
	return pr, x
}

// nudge is the start of a spread that is 0, of sigma: from 0 itself there is no way.
const nudge = 0.1

// search minimises the deviance over u, where all parameters are x = x0 + M u for the
// map that into fills; pull turns derivatives in x into those in u.
func search(pr *problem, u []float64, into func(u, x []float64), pull func(g, h []float64) ([]float64, []float64)) (minimum, error) {
	n := pr.np
	if !pr.known {
		n++
	}
	x := make([]float64, n)
	out := minimise(u, func(u []float64) (float64, []float64, []float64) {
		into(u, x)
		f, g, h := pr.absolute(x)
		if g == nil {
			return f, nil, nil
		}
		gu, hu := pull(g, h)
		return f, gu, hu
	})
	if !out.found {
		return out, fmt.Errorf("the search stopped after %d steps at a gradient of %.2g; leave a random effect out", out.steps, out.gradient)
	}
	return out, nil
}

// without pulls derivatives to all parameters but one.
func without(at int) func(g, h []float64) ([]float64, []float64) {
	return func(g, h []float64) ([]float64, []float64) {
		n := len(g)
		gu, hu := make([]float64, 0, n-1), make([]float64, 0, (n-1)*(n-1))
		for i := range n {
			if i == at {
				continue
			}
			gu = append(gu, g[i])
			for j := range n {
				if j != at {
					hu = append(hu, h[i*n+j])
				}
			}
		}
		return gu, hu
	}
}

// holding gives the least deviance where parameter at of x has the value v.
func (s *profiler) holding(pr *problem, x []float64, at int) constrained {
	u := slices.Delete(slices.Clone(x), at, at+1)
	lift(pr, u, at, s.sigma)
	return func(v float64) (float64, error) {
		out, err := search(pr, u, func(u, x []float64) {
			copy(x, u[:at])
			x[at] = v
			copy(x[at+1:], u[at:])
		}, without(at))
		if err == nil {
			u = out.x
			lift(pr, u, at, s.sigma)
		}
		return out.f, err
	}
}

// lift gives each diagonal entry of T that is 0 a little, so that it may grow; entry
// skip is missing from u.
func lift(pr *problem, u []float64, skip int, sigma float64) {
	for _, b := range pr.blocks {
		for i := range b.c {
			at := b.par + i*(i+1)/2 + i
			if at == skip {
				continue
			}
			if at > skip {
				at--
			}
			if math.Abs(u[at]) < nudge*sigma*1e-3 {
				u[at] = nudge * sigma
			}
		}
	}
}

// spread holds the standard deviation of the block's column order[0], which becomes the
// first: its row of T is then itself.
func (s *profiler) spread(k int, order []int) constrained {
	pr, x := s.permuted(k, order)
	return s.holding(pr, x, pr.blocks[k].par)
}

// residual holds sigma.
func (s *profiler) residual() constrained {
	pr, x := s.permuted(0, first(s.d.random[0].blk.c))
	f := s.holding(pr, x, pr.np)
	return func(v float64) (float64, error) {
		if v == 0 {
			return math.Inf(1), nil
		}
		return f(v)
	}
}

// correlation holds that of the columns order[0] and order[1], which become the first:
// the second row of T is then its length times (rho, sqrt(1 - rho^2)). With one of the
// two spreads at 0 there is no correlation, and the deviance is the same for all: that is
// the most that it can be.
func (s *profiler) correlation(k int, order, swapped []int) (constrained, error) {
	pr, x := s.permuted(k, order)
	most := math.Inf(1)
	for _, o := range [][]int{order, swapped} {
		f, err := s.spread(k, o)(0)
		if err != nil {
			return nil, err
		}
		most = math.Min(most, f)
	}
	from := pr.blocks[k].par // entry (0,0); (1,0) and (1,1) follow
	at := from + 1
	u := slices.Delete(slices.Clone(x), at, at+1)
	u[at] = math.Hypot(x[at], x[at+1])
	lift(pr, u, at, s.sigma)
	return func(rho float64) (float64, error) {
		c := math.Sqrt(1 - rho*rho)
		sign := func(u []float64) float64 { // a spread of either sign has the correlation rho
			if math.Signbit(u[from]) != math.Signbit(u[at]) {
				return -rho
			}
			return rho
		}
		var r float64
		out, err := search(pr, u, func(u, x []float64) {
			r = sign(u)
			copy(x, u[:at])
			x[at], x[at+1] = r*u[at], c*u[at]
			copy(x[at+2:], u[at+1:])
		}, func(g, h []float64) ([]float64, []float64) {
			n := len(g)
			m := make([]float64, n*(n-1)) // dx/du
			for i := range n {
				switch {
				case i < at:
					m[i*(n-1)+i] = 1
				case i == at:
					m[i*(n-1)+at] = r
				case i == at+1:
					m[i*(n-1)+at] = c
				default:
					m[i*(n-1)+i-1] = 1
				}
			}
			gu, hm, hu := make([]float64, n-1), make([]float64, n*(n-1)), make([]float64, (n-1)*(n-1))
			addProduct(gu, 1, g, n, 1, n, m, n-1)
			addProduct(hm, 1, h, n, n, n, m, n-1)
			addGram(hu, 1, m, n-1, hm, n-1, n)
			return gu, hu
		})
		if out.f > most-s.z*rootTol { // also where the search ran into the kink at a spread of 0
			return most, nil
		}
		if err == nil {
			u = out.x
			lift(pr, u, at, s.sigma)
		}
		return out.f, err
	}, nil
}

// ends finds where the signed root of the deviance above its least passes -z and z,
// within (from, to).
func (s *profiler) ends(v, from, to float64, at constrained) (low, high float64, err error) {
	step := s.sigma / 4
	switch {
	case to == 1: // a correlation
		step = 0.25
	case v > 0:
		step = v / 4
	}
	if low, err = s.end(v, from, -1, step, at); err != nil {
		return 0, 0, err
	}
	high, err = s.end(v, to, 1, step, at)
	return low, high, err
}

const (
	rootTol  = 1e-7 // of the signed root, that is of 1.96
	rootRuns = 100
)

// end goes from the estimate v in the direction of side (-1 or 1) to the value at which
// the root of the deviance's rise is z, or to the limit if it does not reach z. step is
// the first one tried.
func (s *profiler) end(v, limit, side, step float64, at constrained) (float64, error) {
	if v == limit {
		return v, nil
	}
	root := func(x float64) (float64, error) {
		f, err := at(x)
		return math.Sqrt(math.Max(0, f-s.least)) - s.z, err
	}
	near, rNear := v, -s.z
	far, rFar := v, -s.z
	// Outward until z is passed.
	for run := 0; rFar < 0; run++ {
		if run == rootRuns {
			return 0, fmt.Errorf("no end found up to %.3g; the data hardly bound it", far)
		}
		if far == limit {
			return limit, nil
		}
		near, rNear = far, rFar
		far += side * step
		if side*(far-limit) >= 0 {
			far = limit
		}
		var err error
		if rFar, err = root(far); err != nil {
			return 0, err
		}
		step *= 2
	}
	// Then between: false position, halving the weight of the end that stays (Illinois);
	// the root is close to a straight line.
	wNear, wFar := rNear, rFar
	last := 0.0
	for range rootRuns {
		mid := (near*wFar - far*wNear) / (wFar - wNear)
		if math.IsInf(wFar, 1) || !(math.Abs(wFar-wNear) > 0) {
			mid = (near + far) / 2
		}
		r, err := root(mid)
		if err != nil {
			return 0, err
		}
		if math.Abs(r) < rootTol || math.Abs(far-near) <= 1e-12*(math.Abs(near)+math.Abs(far)) {
			return mid, nil
		}
		if r < 0 {
			near, wNear = mid, r
			if last < 0 {
				wFar /= 2
			}
		} else {
			far, wFar = mid, r
			if last > 0 {
				wNear /= 2
			}
		}
		last = r
	}
	return 0, fmt.Errorf("no end found between %.6g and %.6g", near, far)
}

// coefficients adds the intervals of the fixed effects: one column of X goes to the
// response, and the others are fitted.
func (s *profiler) coefficients(pr *problem, best minimum, out []Interval) ([]Interval, error) {
	d := s.d
	n, p := d.n, d.p
	pr.solve(best.x)
	coef := make([]float64, p)
	for j := range p {
		coef[j] = d.shift[j] + d.yScale*pr.w.beta[j]
	}
	backSolve(d.r, p, coef)
	cov := d.unrotate(inverseOf(pr.w.lx, p), pr.sigma2()*d.yScale*d.yScale)
	for j, c := range d.columns {
		others := make([]float64, 0, n*(p-1))
		for i := range p {
			if i != j {
				others = append(others, d.x[i*n:(i+1)*n]...)
			}
		}
		q, _, dependent := orthonormal(others, p-1, d.omega)
		if dependent >= 0 { // not so, as all of X is independent
			return nil, fmt.Errorf("mixed: profile of %s: the other fixed effects depend on each other", c.name)
		}
		reduced := prepare(q, p-1, d.omega, pr.blocks, false, pr.known)
		theta := slices.Clone(best.x)
		y := make([]float64, n)
		at := func(v float64) (float64, error) {
			for i := range y {
				y[i] = (d.model.Response[i] - v*d.x[j*n+i]) / d.yScale
			}
			project(q, p-1, d.omega, y)
			reduced.setResponse(y)
			lift(reduced, theta, len(theta), 1)
			m := minimise(theta, reduced.profiled)
			if !m.found {
				return 0, fmt.Errorf("the search stopped after %d steps at a gradient of %.2g; leave a random effect out", m.steps, m.gradient)
			}
			theta = m.x
			return m.f, nil
		}
		iv := Interval{Kind: Coefficient, Of: c.name, Value: coef[j]}
		se := math.Sqrt(cov[j][j])
		var err error
		if iv.Low, err = s.end(coef[j], math.Inf(-1), -1, se, at); err == nil {
			iv.High, err = s.end(coef[j], math.Inf(1), 1, se, at)
		}
		if err != nil {
			return nil, fmt.Errorf("mixed: profile of %s: %w", c.name, err)
		}
		out = append(out, iv)
	}
	return out, nil
}
