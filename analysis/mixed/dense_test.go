package mixed

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// dense is the model with matrices of n by n, written from the formulas of the papers and
// sharing no code with the fit but the columns of X: the judge of what has no published
// values (weights, known variances, 3 x 3 covariances).
type dense struct {
	y    *mat.VecDense
	x    *mat.Dense
	g    []*mat.SymDense // V is the sum of the parameters times these
	base *mat.SymDense   // and this, where variances are known
	reml bool
}

// newDense builds the parts of V: for each entry of each covariance, then the residual.
func newDense(t testing.TB, m Model, reml bool) *dense {
	t.Helper()
	d, err := m.check()
	if err != nil {
		t.Fatal(err)
	}
	n := d.n
	out := &dense{y: mat.NewVecDense(n, slices.Clone(m.Response)), x: mat.NewDense(n, d.p, nil), reml: reml}
	for i := range n {
		for j, c := range d.columns {
			out.x.Set(i, j, c.row(i))
		}
	}
	for _, r := range d.random {
		col := func(i, a int) float64 { return r.blk.z[i*r.blk.c+a] * r.scale[a] }
		for a := range r.blk.c {
			for b := range a + 1 {
				g := mat.NewSymDense(n, nil)
				for i := range n {
					for j := range i + 1 {
						if r.blk.level[i] != r.blk.level[j] {
							continue
						}
						v := col(i, a) * col(j, b)
						if a != b {
							v += col(i, b) * col(j, a)
						}
						g.SetSym(i, j, v)
					}
				}
				out.g = append(out.g, g)
			}
		}
	}
	e := mat.NewSymDense(n, nil)
	for i := range n {
		e.SetSym(i, i, 1)
		if m.Weights != nil {
			e.SetSym(i, i, 1/m.Weights[i])
		}
	}
	out.g = append(out.g, e)
	if m.KnownVariance != nil {
		out.base = mat.NewSymDense(n, nil)
		for i, v := range m.KnownVariance {
			out.base.SetSym(i, i, v)
		}
	}
	return out
}

// parameters of a fit in the order of g.
func (f *Fit) parameters() []float64 {
	var out []float64
	for _, c := range f.Random {
		for a := range c.SD {
			out = append(out, c.Cov[a][:a+1]...)
		}
	}
	return append(out, f.ResidualVariance)
}

type denseAt struct {
	deviance float64
	vi, p    *mat.Dense // V^-1 and P
	phi      *mat.SymDense
	beta     *mat.VecDense
}

func (d *dense) at(par []float64) (denseAt, bool) {
	n, p := d.x.Dims()
	v := mat.NewSymDense(n, nil)
	for i, g := range d.g {
		for r := range n {
			for c := range r + 1 {
				v.SetSym(r, c, v.At(r, c)+par[i]*g.At(r, c))
			}
		}
	}
	if d.base != nil {
		v.AddSym(v, d.base)
	}
	var ch mat.Cholesky
	if !ch.Factorize(v) {
		return denseAt{}, false
	}
	out := denseAt{vi: mat.NewDense(n, n, nil), p: mat.NewDense(n, n, nil)}
	var inv mat.SymDense
	if ch.InverseTo(&inv) != nil {
		return denseAt{}, false
	}
	out.vi.Copy(&inv)
	var vx, xvx mat.Dense
	vx.Mul(out.vi, d.x)
	xvx.Mul(d.x.T(), &vx)
	s := mat.NewSymDense(p, nil)
	for i := range p {
		for j := range i + 1 {
			s.SetSym(i, j, xvx.At(i, j))
		}
	}
	var cx mat.Cholesky
	if !cx.Factorize(s) {
		return denseAt{}, false
	}
	out.phi = mat.NewSymDense(p, nil)
	if cx.InverseTo(out.phi) != nil {
		return denseAt{}, false
	}
	var h mat.Dense
	h.Mul(&vx, out.phi)
	out.p.Mul(&h, vx.T())
	out.p.Sub(out.vi, out.p)
	out.beta = mat.NewVecDense(p, nil)
	out.beta.MulVec(h.T(), d.y)
	var py mat.VecDense
	py.MulVec(out.p, d.y)
	out.deviance = ch.LogDet() + mat.Dot(d.y, &py)
	if d.reml {
		out.deviance += cx.LogDet() + float64(n-p)*math.Log(2*math.Pi)
	} else {
		out.deviance += float64(n) * math.Log(2*math.Pi)
	}
	return out, true
}

func trace(a, b mat.Matrix) float64 {
	n, m := a.Dims()
	var s float64
	for i := range n {
		for j := range m {
			s += a.At(i, j) * b.At(j, i)
		}
	}
	return s
}

// inference gives Kenward and Roger's adjusted covariance, the covariance of the
// parameters by expected (REML) and by observed information, and P_r.
func (d *dense) inference(a denseAt) (adjusted, expected, observed *mat.Dense, px []*mat.Dense, score []float64) {
	n, p := d.x.Dims()
	k := len(d.g)
	pg := make([]*mat.Dense, k)
	vgv := make([]*mat.Dense, k) // V^-1 G V^-1
	px = make([]*mat.Dense, k)
	for r, g := range d.g {
		pg[r] = mat.NewDense(n, n, nil)
		pg[r].Mul(a.p, g)
		var h mat.Dense
		h.Mul(a.vi, g)
		vgv[r] = mat.NewDense(n, n, nil)
		vgv[r].Mul(&h, a.vi)
		h.Reset()
		h.Mul(vgv[r], d.x)
		px[r] = mat.NewDense(p, p, nil)
		px[r].Mul(d.x.T(), &h)
	}
	var py mat.VecDense
	py.MulVec(a.p, d.y)
	info, obs := mat.NewDense(k, k, nil), mat.NewDense(k, k, nil)
	for r := range k {
		var gy, pgy mat.VecDense
		gy.MulVec(d.g[r], &py)
		pgy.MulVec(a.p, &gy)
		tr := mat.Trace(pg[r])
		if !d.reml {
			tr = trace(a.vi, d.g[r])
		}
		score = append(score, tr-mat.Dot(&py, &gy))
		for s := range k {
			tr := trace(pg[r], pg[s])
			info.Set(r, s, tr/2)
			var gy mat.VecDense
			gy.MulVec(d.g[s], &py)
			if !d.reml {
				var h, l mat.Dense
				h.Mul(a.vi, d.g[r])
				l.Mul(a.vi, d.g[s])
				tr = trace(&h, &l)
			}
			obs.Set(r, s, mat.Dot(&gy, &pgy)-tr/2)
		}
	}
	expected, observed = mat.NewDense(k, k, nil), mat.NewDense(k, k, nil)
	_ = expected.Inverse(info) // a bad condition shows in the comparison
	_ = observed.Inverse(obs)
	lambda := mat.NewDense(p, p, nil)
	for r := range k {
		for s := range k {
			var h, q, pp mat.Dense
			h.Mul(vgv[r], d.g[s])
			q.Mul(&h, a.vi)
			h.Reset()
			h.Mul(d.x.T(), &q)
			q.Reset()
			q.Mul(&h, d.x)
			h.Reset()
			h.Mul(px[r], a.phi)
			pp.Mul(&h, px[s])
			q.Sub(&q, &pp)
			q.Scale(expected.At(r, s), &q)
			lambda.Add(lambda, &q)
		}
	}
	var h mat.Dense
	h.Mul(a.phi, lambda)
	adjusted = mat.NewDense(p, p, nil)
	adjusted.Mul(&h, a.phi)
	adjusted.Scale(2, adjusted)
	adjusted.Add(adjusted, a.phi)
	return adjusted, expected, observed, px, score
}

// df of one contrast with the parameters' covariance w.
func (a denseAt) df(c []float64, px []*mat.Dense, w *mat.Dense) float64 {
	v := mat.NewVecDense(len(c), slices.Clone(c))
	var pc mat.VecDense
	pc.MulVec(a.phi, v)
	g := mat.NewVecDense(len(px), nil)
	for r := range px {
		g.SetVec(r, mat.Inner(&pc, px[r], &pc))
	}
	s := mat.Inner(v, a.phi, v)
	return 2 * s * s / mat.Inner(g, w, g)
}

// lower walks down from x, coordinate by coordinate.
func lower(f func([]float64) float64, x []float64) float64 {
	best := f(x)
	for step := 0.25; step > 1e-5; {
		moved := false
		for i := range x {
			for _, s := range []float64{-step, step} {
				x[i] += s
				if v := f(x); v < best {
					best, moved = v, true
				} else {
					x[i] -= s
				}
			}
		}
		if !moved {
			step /= 2
		}
	}
	return best
}

// The upper end of a correlation of which lme4's spline gives 0.8555: by dense matrices
// and a search without derivatives, the deviance rises by 3.8415 (chi-squared, 95 %) at
// our end, and by 4.46 at lme4's.
func TestProfileEndBySearch(t *testing.T) {
	_, m := readReference(t, "ba_4x5_rs_bal")
	d := newDense(t, m, false)
	f, err := m.Fit(ML)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ rho, rise, tol float64 }{{0.8270868, 3.841459, 1e-3}, {0.855458909337252, 4.4632, 1e-2}} {
		least := lower(func(x []float64) float64 {
			a, s, e := math.Exp(x[0]), math.Exp(x[1]), math.Exp(x[2])
			at, ok := d.at([]float64{a * a, c.rho * a * s, s * s, e * e})
			if !ok {
				return math.Inf(1)
			}
			return at.deviance
		}, []float64{0.25, 0.1, -1.9})
		if rise := least - f.Deviance; !(math.Abs(rise-c.rise) <= c.tol) {
			t.Errorf("at %v the deviance rises by %v, want %v", c.rho, rise, c.rise)
		}
	}
}
