package rate

import "math"

// shock is a sudden change of level (a step) between two blocks.
type shock struct {
	at   int     // it lies between blocks at-1 and at
	size float64 // unit
	u    float64 // its standard uncertainty
	z    float64 // size over u, by Student's t brought to the normal scale
	bias float64 // what it does to the slope of a fit that does not know of it, unit/s
}

// scan is what one pass over blocks leaves for every place at once.
type scan struct {
	gain []float64 // of a step before block k: by how much it lowers twice the log likelihood
	knee []float64 // of a change of slope at block k, the same
	size []float64 // of the step
	u    []float64
	bias []float64
	nu   float64
}

// scanShocks tests a step before each block, and a change of slope at each, in
//
//	y(t) = m0 + r t + w(t) + e,
//
// w a random walk and e white with the ratio given: exactly as generalised least squares
// would with the step as a further column, but for all places in one pass forward and
// one back (the auxiliary residuals of de Jong and Penzer 1998, J. Am. Stat. Assoc. 93,
// 796). It returns nil for fewer than shockLeast blocks.
func scanShocks(b []block, ratio float64) *scan {
	n := len(b)
	if n < shockLeast {
		return nil
	}
	held := make([]float64, 9*n)
	part := func(i int) []float64 { return held[i*n : (i+1)*n] }
	vy, vt, F, K := part(0), part(1), part(2), part(3)
	s := &scan{gain: part(4), knee: part(5), size: part(6), u: part(7), bias: part(8), nu: float64(n - 3)}
	base := (b[n-1].y - b[0].y) / (b[n-1].t - b[0].t)
	P := b[0].white()
	var ay, at, A, B, C float64
	for k := 1; k < n; k++ {
		P += ratio * (b[k].t - b[k-1].t)
		x := b[k].t - b[0].t
		vy[k], vt[k] = b[k].y-b[0].y-base*x-ay, x-at
		F[k] = P + b[k].white()
		K[k] = P / F[k]
		A += vt[k] * vt[k] / F[k]
		B += vt[k] * vy[k] / F[k]
		C += vy[k] * vy[k] / F[k]
		ay += K[k] * vy[k]
		at += K[k] * vt[k]
		P *= 1 - K[k]
	}
	rss := C - B*B/A
	beta := B / A
	// Scores of a step before block k (y, t), its variance; the same of a knee at block
	// k, which is the steps after it, each by its time; and their covariance.
	var sy, st, N, ky, kt, M, cov float64
	for k := n - 1; k >= 1; k-- {
		if k < n-1 {
			dt := b[k+1].t - b[k].t
			ky += dt * sy
			kt += dt * st
			M += 2*dt*cov + dt*dt*N
			cov = (1 - K[k]) * (cov + dt*N)
		}
		keep := 1 - K[k]
		sy = vy[k]/F[k] + keep*sy
		st = vt[k]/F[k] + keep*st
		N = 1/F[k] + keep*keep*N
		if v := N - st*st/A; v > 1e-9*N {
			score := sy - beta*st
			left := max(rss-score*score/v, 1e-12*rss)
			s.size[k] = score / v
			s.u[k] = math.Sqrt(left / s.nu / v)
			s.gain[k] = (s.nu + 1) * math.Log(max(rss, 1e-300)/max(left, 1e-300))
			s.bias[k] = s.size[k] * st / A
		}
		if v := M - kt*kt/A; v > 1e-9*M {
			score := ky - beta*kt
			s.knee[k] = (s.nu + 1) * math.Log(max(rss, 1e-300)/max(rss-score*score/v, 1e-12*rss, 1e-300))
		}
	}
	return s
}

// Numbers of the search for steps.
const (
	shockLeast = 20 // blocks: fewer know too little of their noise
	shockBest  = 2  // blocks nearest to an end are not looked at: a step there is a wild block
	// A step must save so much more than the best change of slope in its place, in twice
	// the log likelihood: odds of 20 to 1 (Kass and Raftery 1995: strong).
	shockOverKnee = 6
	shockMost     = 3 // steps taken one after another; more is no step but a way of flowing
	// What is left when the steps are out must be under this part of what they explained:
	// a curve that bends, drips or comes in bursts is not explained by a few steps.
	shockRest = 0.25
	// With the step still in the noise it shows as a little less: it is looked at from here.
	shockSure = 0.7
)

// shocks gives the sudden steps of b that are beyond limit standard deviations, in order
// of time, and b with them taken out and the blocks in which they fell left aside. It
// gives none where steps are not what best explains b. ratio is what a fit with the
// steps in it found; it is found anew without.
func shocks(b []block, ratio, limit float64) ([]shock, []block) {
	s := scanShocks(b, ratio)
	if s == nil {
		return nil, b
	}
	k, gain := s.best(b)
	if k == 0 || gain < shockSure*limit*limit || gain < s.bestKnee()+shockOverKnee {
		return nil, b
	}
	first := gain
	var found []shock
	level := append([]block(nil), b...)
	for k > 0 {
		if len(found) == shockMost {
			return nil, b
		}
		// The step fell into one of the blocks beside it, which says nothing of its size.
		aside(level, k)
		if s = scanShocks(level, ratio); s == nil {
			return nil, b
		}
		size := s.size[k]
		addStep(level, k, -size)
		if n := len(found); n > 0 && near(found[n-1].at, k) {
			found[n-1].size += size // one that took longer
		} else {
			found = append(found, shock{at: k, size: size})
		}
		// The noise anew: the step was in it.
		ratio = likeliestRatio(level)
		if s = scanShocks(level, ratio); s == nil {
			return nil, b
		}
		k, gain = s.best(level)
		knee := s.bestKnee()
		steps := gain >= limit*limit && gain >= knee+shockOverKnee
		if !steps && max(gain, knee) > max(shockRest*first, shockSure*limit*limit) {
			return nil, b
		}
		if !steps {
			break
		}
	}
	// Each as large and as sure as it is beside the others and in the noise without them.
	for i := range found {
		with := append([]block(nil), level...)
		addStep(with, found[i].at, found[i].size)
		if s = scanShocks(with, ratio); s == nil {
			return nil, b
		}
		f := &found[i]
		f.size, f.u, f.bias = s.size[f.at], s.u[f.at], s.bias[f.at]
		f.z = normalOf(f.size/f.u, s.nu)
	}
	out := found[:0]
	for _, f := range found {
		if math.Abs(f.z) >= limit {
			out = append(out, f)
		}
	}
	if len(out) == 0 {
		return nil, b
	}
	for i := 1; i < len(out); i++ {
		for j := i; j > 0 && out[j-1].at > out[j].at; j-- {
			out[j-1], out[j] = out[j], out[j-1]
		}
	}
	return out, level
}

// best is the place of the step that explains most, 0 for none. A step over a hole is
// none: what happened there is not known.
func (s *scan) best(b []block) (at int, gain float64) {
	usual := (b[len(b)-1].t - b[0].t) / float64(len(b)-1)
	for k := shockBest; k < len(b)-shockBest; k++ {
		if s.gain[k] > gain && b[k].t-b[k-1].t < 3*usual && b[k].n > asideN {
			at, gain = k, s.gain[k]
		}
	}
	return at, gain
}

func (s *scan) bestKnee() float64 {
	most := 0.0
	for _, g := range s.knee[shockBest : len(s.knee)-shockBest] {
		most = max(most, g)
	}
	return most
}

// asideN is the weight of a block that is left aside.
const asideN = 1e-6

// aside leaves out the blocks on both sides of a place.
func aside(b []block, at int) {
	for k := at - 1; k <= at; k++ {
		if k > 0 && k < len(b)-1 {
			b[k].n = asideN
		}
	}
}

func near(a, b int) bool { return a-b <= 3 && b-a <= 3 }

func addStep(b []block, at int, size float64) {
	for k := at; k < len(b); k++ {
		b[k].y += size
	}
}

// likeliestRatio is the ratio of walk to white at which b is likeliest, of a lattice of
// factors of four: a step's standard uncertainty goes with its fourth root.
func likeliestRatio(b []block) float64 {
	n := len(b)
	values := 0.0
	for _, k := range b {
		values += k.n
	}
	perBlock := (b[n-1].t - b[0].t) / float64(n-1) * values / float64(n)
	best, at := math.Inf(-1), 0.0
	for k := -14; k <= 8; k += 2 {
		ratio := math.Ldexp(1, k) / perBlock
		if l := fitColumn(b, ratio, func(t float64) float64 { return t }).logLik; l > best {
			best, at = l, ratio
		}
	}
	return at
}

// column is the coefficient of a column beside a level, under white noise and a walk.
type column struct {
	coef, u float64
	logLik  float64 // restricted, the scale concentrated out
}

// fitColumn fits y = m0 + c x(t - t0) to at least three blocks, t0 the first one's time.
func fitColumn(b []block, ratio float64, x func(t float64) float64) column {
	n := len(b)
	x0, x1 := x(0), x(b[n-1].t-b[0].t)
	base := (b[n-1].y - b[0].y) / (x1 - x0)
	P := b[0].white()
	var ay, ax, A, B, C, L float64
	for k := 1; k < n; k++ {
		P += ratio * (b[k].t - b[k-1].t)
		xk := x(b[k].t-b[0].t) - x0
		vy, vx := b[k].y-b[0].y-base*xk-ay, xk-ax
		F := P + b[k].white()
		A += vx * vx / F
		B += vx * vy / F
		C += vy * vy / F
		L += math.Log(F)
		K := P / F
		ay += K * vy
		ax += K * vx
		P *= 1 - K
	}
	nu := float64(n - 2)
	s2 := max((C-B*B/A)/nu, 1e-18*(1+b[0].y*b[0].y))
	return column{coef: base + B/A, u: math.Sqrt(s2 / A), logLik: -0.5 * (L + math.Log(A) + nu*math.Log(s2))}
}

// normalOf brings Student's t with nu degrees of freedom to the normal scale (the signed
// root of its log likelihood ratio).
func normalOf(t, nu float64) float64 {
	return math.Copysign(math.Sqrt(nu*math.Log1p(t*t/nu)), t)
}

// chanceOf is the chance that noise alone goes beyond z in one of so many trials.
func chanceOf(z float64, trials int) float64 {
	return -math.Expm1(float64(trials) * math.Log1p(-math.Erfc(math.Abs(z)/math.Sqrt2)))
}
