package mixed

import "math"

// block is one random effect: c columns at each of its levels. Its covariance at one
// level is sigma^2 T T' with T lower triangular, its parameters the entries of T row
// by row.
type block struct {
	c, levels int
	level     []int     // of each row
	z         []float64 // n by c
	par       int       // first of its c(c+1)/2 parameters
	off       int       // first of its columns in what is not eliminated first
}

func (b *block) params() int { return b.c * (b.c + 1) / 2 }
func (b *block) cols() int   { return b.c * b.levels }

// problem is a model made ready for computing. The design is rotated so that
// X'OX = 1, and y is what X leaves of it over yScale, so that neither the units nor
// the place of the zero cost digits. O is the diagonal matrix of weights.
//
// One random effect, that with the most columns, is eliminated level by level; the
// others together are few columns and are treated as full. So V, n by n, is never
// formed: with V1 = 1/O + Z1 Z1' of the eliminated effect and Z2 of the others,
//
//	B'V1^-1 C = B'OC - sum over levels of (Z1'OB)' K (Z1'OC),  K = T (1 + T'Z1'OZ1 T)^-1 T'
//	V^-1      = V1^-1 - V1^-1 Z2 N Z2' V1^-1,                  N = T2 (1 + T2'S T2)^-1 T2'
//
// with S = Z2'V1^-1 Z2 (Woodbury).
type problem struct {
	n, p     int
	reml     bool
	known    bool      // the variances of 1/O are known: sigma is 1 and not estimated
	x        []float64 // p columns of n
	y, omega []float64
	logOmega float64
	blocks   []*block
	first    *block
	rest     []*block
	m, q1    int // columns of the rest, columns of the first
	np       int // parameters
	a        []float64
	g        []float64 // Z1'O[Z2 X y], q1 by r
	bb       []float64 // [Z2 X y]'O[Z2 X y], r by r
	r        int       // m + p + 1
	w        work
}

// work is the room of value, kept between calls.
type work struct {
	t            [][]float64 // T of each block
	lg, tg       []float64   // per level: factor of 1 + T'aT, and its inverse times T'
	h            []float64   // tg g
	s            []float64   // S, r by r
	l            []float64   // factor of 1 + T2'S T2
	yy           []float64   // L^-1 T2'S of X and y, m by p+1
	lx           []float64   // factor of X'V^-1 X
	beta         []float64
	b1, b2       []float64 // random effects
	resid        []float64
	logDet, logX float64
	q            float64 // y'Py
	rr           float64 // resid'O resid
}

// prepare forms the cross products of x (p columns of n), the blocks and the weights.
func prepare(x []float64, p int, omega []float64, blocks []*block, reml, known bool) *problem {
	pr := &problem{n: len(omega), p: p, reml: reml, known: known, x: x, omega: omega, blocks: blocks}
	for _, b := range blocks {
		b.par = pr.np
		pr.np += b.params()
		if pr.first == nil || b.cols() > pr.first.cols() {
			pr.first = b
		}
	}
	for _, b := range blocks {
		if b != pr.first {
			b.off = pr.m
			pr.m += b.cols()
			pr.rest = append(pr.rest, b)
		}
	}
	for _, v := range omega {
		pr.logOmega += math.Log(v)
	}
	f, m := pr.first, pr.m
	c := f.c
	pr.q1, pr.r = f.cols(), m+p+1
	r := pr.r
	pr.a = make([]float64, pr.q1*c)
	pr.g = make([]float64, pr.q1*r)
	pr.bb = make([]float64, r*r)
	for i, w := range omega {
		base := f.level[i] * c
		for a := range c {
			zw := f.z[i*c+a] * w
			addScaled(pr.a[(base+a)*c:(base+a)*c+c], zw, f.z[i*c:i*c+c])
			row := pr.g[(base+a)*r : (base+a+1)*r]
			for _, b := range pr.rest {
				at := b.off + b.level[i]*b.c
				addScaled(row[at:at+b.c], zw, b.z[i*b.c:i*b.c+b.c])
			}
		}
		for _, b := range pr.rest {
			for d := range b.c {
				zw := b.z[i*b.c+d] * w
				row := pr.bb[(b.off+b.level[i]*b.c+d)*r:]
				for _, o := range pr.rest {
					at := o.off + o.level[i]*o.c
					addScaled(row[at:at+o.c], zw, o.z[i*o.c:i*o.c+o.c])
				}
			}
		}
	}
	for j := range p {
		pr.cross(x[j*pr.n:(j+1)*pr.n], m+j)
		pr.bb[(m+j)*r+m+j] = 1
	}
	pr.w = work{
		lg: make([]float64, pr.q1*c), tg: make([]float64, pr.q1*c), h: make([]float64, pr.q1*r),
		s: make([]float64, r*r), l: make([]float64, m*m), yy: make([]float64, m*(p+1)), lx: make([]float64, p*p),
		beta: make([]float64, p), b1: make([]float64, pr.q1), b2: make([]float64, m), resid: make([]float64, pr.n),
	}
	for _, b := range blocks {
		pr.w.t = append(pr.w.t, make([]float64, b.c*b.c))
	}
	return pr
}

// cross fills the products of the random effects with v into column col.
func (pr *problem) cross(v []float64, col int) {
	f, r := pr.first, pr.r
	for k := range pr.q1 {
		pr.g[k*r+col] = 0
	}
	for k := range pr.m {
		pr.bb[k*r+col] = 0
	}
	for i, w := range pr.omega {
		wv := w * v[i]
		for a := range f.c {
			pr.g[(f.level[i]*f.c+a)*r+col] += f.z[i*f.c+a] * wv
		}
		for _, b := range pr.rest {
			for d := range b.c {
				pr.bb[(b.off+b.level[i]*b.c+d)*r+col] += b.z[i*b.c+d] * wv
			}
		}
	}
	for k := range pr.m {
		pr.bb[col*r+k] = pr.bb[k*r+col]
	}
}

// setResponse takes y, of which X must explain nothing.
func (pr *problem) setResponse(y []float64) {
	pr.y = y
	last := pr.r - 1
	pr.cross(y, last)
	var s float64
	for i, v := range y {
		s += pr.omega[i] * v * v
	}
	pr.bb[last*pr.r+last] = s
}

// dof is what the residual variance is divided by.
func (pr *problem) dof() float64 {
	if pr.reml {
		return float64(pr.n - pr.p)
	}
	return float64(pr.n)
}

// sigma2 is the residual variance at the parameters of the last value.
func (pr *problem) sigma2() float64 {
	if pr.known {
		return 1
	}
	return pr.w.q / pr.dof()
}

// maxTheta is the ratio of a random effect's spread to the residual's above which
// there is no residual to speak of.
const maxTheta = 1e6

// setT puts the parameters into the blocks' T.
func (pr *problem) setT(theta []float64) bool {
	for k, b := range pr.blocks {
		at := b.par
		for i := range b.c {
			for j := range i + 1 {
				v := theta[at]
				if !(math.Abs(v) <= maxTheta) {
					return false
				}
				pr.w.t[k][i*b.c+j] = v
				at++
			}
		}
	}
	return true
}

// timesT turns b, whose rows are the columns of the rest, into T2 b or T2'b.
func (pr *problem) timesT(b []float64, k int, transposed bool) {
	for i, bl := range pr.blocks {
		if bl == pr.first {
			continue
		}
		for l := range bl.levels {
			at := (bl.off + l*bl.c) * k
			multT(pr.w.t[i], bl.c, b[at:at+bl.c*k], k, transposed)
		}
	}
}

// multT turns b (c by k) into T b or T'b.
func multT(t []float64, c int, b []float64, k int, transposed bool) {
	if transposed {
		for a := range c {
			row := b[a*k : a*k+k]
			scale(row, t[a*c+a])
			for d := a + 1; d < c; d++ {
				addScaled(row, t[d*c+a], b[d*k:d*k+k])
			}
		}
		return
	}
	for a := c - 1; a >= 0; a-- {
		row := b[a*k : a*k+k]
		scale(row, t[a*c+a])
		for d := range a {
			addScaled(row, t[a*c+d], b[d*k:d*k+k])
		}
	}
}

// firstT is T of the effect that is eliminated first.
func (pr *problem) firstT() []float64 {
	for i, b := range pr.blocks {
		if b == pr.first {
			return pr.w.t[i]
		}
	}
	return nil
}

// solve finds fixed and random effects at theta, and the parts of the deviance, by
// penalised least squares (Bates et al. 2015, section 3). It reports whether theta can
// be computed with.
func (pr *problem) solve(theta []float64) bool {
	if !pr.setT(theta) {
		return false
	}
	w, c, r, m, p := &pr.w, pr.first.c, pr.r, pr.m, pr.p
	t1 := pr.firstT()
	w.logDet = 0
	// Where each level has one row, as with known variances, V1 is diagonal, and the
	// products with its inverse are sums: the general difference would lose the digits by
	// which the known variances are smaller than the residual's.
	single := c == 1 && pr.first.levels == pr.n
	if single {
		clear(w.s)
	} else {
		copy(w.s, pr.bb)
	}
	for g := range pr.first.levels {
		at := g * c * c
		lg, tg := w.lg[at:at+c*c], w.tg[at:at+c*c]
		for i := range c {
			for j := range c {
				tg[i*c+j] = t1[j*c+i]
			}
		}
		congruence(lg, pr.a[at:at+c*c], t1, c)
		for i := range c {
			lg[i*c+i]++
		}
		if !cholesky(lg, c) {
			return false
		}
		w.logDet += logDet(lg, c)
		solveLower(lg, c, tg, c)
		for i := range c {
			h := w.h[(g*c+i)*r : (g*c+i+1)*r]
			clear(h)
			for j := range c {
				if v := tg[i*c+j]; v != 0 {
					addScaled(h, v, pr.g[(g*c+j)*r:(g*c+j+1)*r])
				}
			}
			from, f := h, -1.0
			if single {
				a := pr.a[g]
				from, f = pr.g[g*r:g*r+r], 1/(a*(1+a*t1[0]*t1[0]))
			}
			for a, v := range from {
				if v != 0 {
					addScaled(w.s[a*r:a*r+a+1], f*v, from[:a+1])
				}
			}
		}
	}
	mirror(w.s, r)

	for i := range m {
		copy(w.l[i*m:i*m+m], w.s[i*r:i*r+m])
		copy(w.yy[i*(p+1):(i+1)*(p+1)], w.s[i*r+m:i*r+r])
	}
	pr.timesT(w.l, m, true)
	for i := range m {
		for j := range i {
			w.l[i*m+j], w.l[j*m+i] = w.l[j*m+i], w.l[i*m+j]
		}
	}
	pr.timesT(w.l, m, true)
	for i := range m {
		w.l[i*m+i]++
	}
	if !cholesky(w.l, m) {
		return false
	}
	w.logDet += logDet(w.l, m)
	pr.timesT(w.yy, p+1, true)
	solveLower(w.l, m, w.yy, p+1)
	xy := w.beta
	for i := range p {
		for j := range p {
			w.lx[i*p+j] = w.s[(m+i)*r+m+j]
		}
		xy[i] = w.s[(m+i)*r+r-1]
	}
	for k := range m {
		row := w.yy[k*(p+1) : (k+1)*(p+1)]
		for i := range p {
			addScaled(w.lx[i*p:i*p+p], -row[i], row[:p])
			xy[i] -= row[i] * row[p]
		}
	}
	if !cholesky(w.lx, p) {
		return false
	}
	w.logX = logDet(w.lx, p)
	solveLower(w.lx, p, xy, 1)
	solveLowerT(w.lx, p, xy, 1)

	w.q = 0
	for k := range m {
		row := w.yy[k*(p+1) : (k+1)*(p+1)]
		w.b2[k] = row[p] - dot(w.beta, row)
	}
	solveLowerT(w.l, m, w.b2, 1)
	w.q += dot(w.b2, w.b2)
	pr.timesT(w.b2, 1, false)
	for k := range pr.q1 {
		h := w.h[k*r : k*r+r]
		w.b1[k] = h[r-1] - dot(w.beta, h[m:]) - dot(w.b2, h)
	}
	for g := range pr.first.levels {
		u := w.b1[g*c : g*c+c]
		solveLowerT(w.lg[g*c*c:(g+1)*c*c], c, u, 1)
		w.q += dot(u, u)
		multT(t1, c, u, 1, false)
	}
	// The residuals themselves rather than y'y less what is explained: the difference
	// would lose digits where the effects are much larger than the scatter.
	copy(w.resid, pr.y)
	for j, b := range w.beta {
		if b != 0 {
			addScaled(w.resid, -b, pr.x[j*pr.n:(j+1)*pr.n])
		}
	}
	for _, b := range pr.blocks {
		eff := pr.effects(b)
		for i := range w.resid {
			w.resid[i] -= dot(b.z[i*b.c:i*b.c+b.c], eff[b.level[i]*b.c:])
		}
	}
	w.rr = 0
	for i, e := range w.resid {
		w.rr += pr.omega[i] * e * e
	}
	w.q += w.rr
	return w.q > 0
}

// congruence puts T'aT into out.
func congruence(out, a, t []float64, c int) {
	if c == 1 {
		out[0] = t[0] * a[0] * t[0]
		return
	}
	for i := range c {
		for j := range c {
			var s float64
			for k := i; k < c; k++ {
				for l := j; l < c; l++ {
					s += t[k*c+i] * a[k*c+l] * t[l*c+j]
				}
			}
			out[i*c+j] = s
		}
	}
}

// effects is the random effects of a block as solve left them.
func (pr *problem) effects(b *block) []float64 {
	if b == pr.first {
		return pr.w.b1
	}
	return pr.w.b2[b.off : b.off+b.cols()]
}

// deviance is -2 log likelihood (restricted, if so) at what solve left; sigma2 is the
// residual variance.
func (pr *problem) deviance(sigma2 float64) float64 {
	w := &pr.w
	d := pr.dof()*math.Log(2*math.Pi*sigma2) + w.q/sigma2 + w.logDet - pr.logOmega
	if pr.reml {
		d += w.logX
	}
	return d
}

// value is the deviance at theta with the best residual variance; infinite where it
// cannot be computed.
func (pr *problem) value(theta []float64) float64 {
	if !pr.solve(theta) {
		return math.Inf(1)
	}
	return pr.deviance(pr.sigma2())
}
