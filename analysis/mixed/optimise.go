package mixed

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// target is a function to be made least: its value, gradient and Hessian at x. A value
// that is infinite or not a number is out of bounds.
type target func(x []float64) (f float64, g, h []float64)

// minimum is where minimise stopped.
type minimum struct {
	x        []float64
	f        float64
	gradient float64 // largest entry
	steps    int
	found    bool
}

const (
	maxSteps  = 200
	gradTol   = 1e-9  // on a deviance, of which 1e-4 already means nothing to a reader
	smallGrad = 1e-7  // gradient that will do where a step promises nothing
	curveTol  = 1e-10 // curvature, relative to the largest, that counts as none
	roundoff  = 1e-13 // relative, of a deviance
	foundGrad = 1e-6  // gradient at which slight negative curvature is taken for rounding
)

// minimise goes down from x by Newton steps within a radius of trust (Conn, Gould,
// Toint 2000, chapter 7). Negative curvature is followed, so that a saddle, as which
// every variance of zero that should not be zero appears, is left.
func minimise(x []float64, fn target) minimum {
	n := len(x)
	x = append([]float64(nil), x...)
	if n == 0 {
		f, _, _ := fn(x)
		return minimum{x: x, f: f, found: !math.IsInf(f, 0) && !math.IsNaN(f)}
	}
	f, g, h := fn(x)
	radius := math.Max(0.5, maxAbs(x))
	out := minimum{}
	next := make([]float64, n)
	for out.steps = 0; out.steps < maxSteps && !math.IsInf(f, 0) && !math.IsNaN(f); out.steps++ {
		step, gain, newton, flat := trustStep(g, h, n, radius)
		noise := roundoff * (1 + math.Abs(f))
		if top := maxAbs(g); flat && (top <= gradTol || top <= smallGrad && gain <= noise/1000) {
			out.found = true
			break
		}
		for i := range x {
			next[i] = x[i] + step[i]
		}
		fn1, g1, h1 := fn(next)
		real := f - fn1
		bad := math.IsNaN(fn1) || math.IsInf(fn1, 0)
		better := !bad && (real >= 0.1*gain && real > noise || real >= -10*noise && maxAbs(g1) < maxAbs(g))
		if !better {
			if gain <= noise { // no more digits: a minimum, unless it is steep and curved downwards
				out.found = flat || maxAbs(g) <= foundGrad*(1+math.Abs(f))
				break
			}
			radius = math.Min(radius, norm(step)) / 4
			if radius < 1e-14 {
				break
			}
			continue
		}
		if !newton && real > 0.5*gain {
			radius *= 3
		}
		copy(x, next)
		f, g, h = fn1, g1, h1
	}
	out.x, out.f, out.gradient = x, f, maxAbs(g)
	return out
}

func norm(x []float64) float64 { return math.Sqrt(dot(x, x)) }

// trustStep minimises g's + s'hs/2 over |s| <= radius. gain is the decrease, newton
// that the radius did not matter, flat that there is no negative curvature.
func trustStep(g, h []float64, n int, radius float64) (step []float64, gain float64, newton, flat bool) {
	values, vectors := make([]float64, n), identity(n)
	if n == 1 {
		values[0] = h[0]
	} else {
		var e mat.EigenSym
		if !e.Factorize(mat.NewSymDense(n, h), true) {
			return make([]float64, n), 0, true, true
		}
		e.Values(values)
		e.VectorsTo(mat.NewDense(n, n, vectors))
	}
	floor := curveTol * math.Max(maxAbs(values), 1e-300)
	c := make([]float64, n) // g along the vectors
	for j := range n {
		for i := range n {
			c[j] += vectors[i*n+j] * g[i]
		}
	}
	flat = values[0] >= -floor
	for j, v := range values {
		if math.Abs(v) < floor {
			values[j] = floor
			if math.Abs(c[j]) < gradTol/10 {
				c[j] = 0
			}
		}
	}
	at := func(mu float64) (s []float64) {
		s = make([]float64, n)
		for j := range n {
			if c[j] != 0 {
				s[j] = -c[j] / (values[j] + mu)
			}
		}
		return s
	}
	var s []float64
	if s = at(0); values[0] > 0 && norm(s) <= radius {
		newton = true
	} else {
		lo := math.Max(0, -values[0]) * (1 + 1e-12)
		hi := lo + norm(c)/radius + floor
		if s = at(lo + floor); norm(s) < radius && !flat { // the hard case: g has no part downhill
			s[0] += math.Copysign(math.Sqrt(radius*radius-dot(s, s)), -c[0])
		} else {
			for range 60 {
				mid := (lo + hi) / 2
				if s = at(mid); norm(s) > radius {
					lo = mid
				} else {
					hi = mid
				}
				if hi-lo <= 1e-3*hi {
					break
				}
			}
			s = at(hi)
		}
	}
	step = make([]float64, n)
	for j := range n {
		gain -= c[j]*s[j] + values[j]*s[j]*s[j]/2
		for i := range n {
			step[i] += vectors[i*n+j] * s[j]
		}
	}
	return step, gain, newton, flat
}
