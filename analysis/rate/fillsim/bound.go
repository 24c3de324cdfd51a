package fillsim

import "math"

// Levels are the noise levels that a bound takes for known.
type Levels struct {
	White       float64 // standard deviation of one value
	Walk        float64 // random walk, per sqrt(s)
	HuntingPerS float64 // standard deviation of the rate, per s
	TauS        float64 // its correlation time
}

// SlopeBound is the Cramer-Rao bound of the standard deviation of r, per s, in
//
//	y_i = m0 + r t_i + w(t_i) + h(t_i) + e_i,
//
// at the times elapsedS, rising, with m0 unknown: w is a random walk, e is white and h
// is the sum over the steps of an AR(1) rate. For Gaussian noise of known levels the
// bound is reached by generalised least squares (Gauss-Markov), whose information is had
// from a Kalman filter of the level and the rate, the level starting diffuse (Harvey
// 1989, Forecasting, ch. 3). It is +Inf for fewer than two times.
func (l Levels) SlopeBound(elapsedS []float64) float64 {
	if len(elapsedS) < 2 {
		return math.Inf(1)
	}
	r := l.White * l.White
	// State: level and rate. The first value sets the level.
	pLL, pLE, pEE := r, 0.0, l.HuntingPerS*l.HuntingPerS
	aL, aE := 0.0, 0.0 // of the regressor t
	info := 0.0
	for i := 1; i < len(elapsedS); i++ {
		dt := elapsedS[i] - elapsedS[i-1]
		keep := 0.0
		if l.HuntingPerS > 0 {
			keep = math.Exp(-dt / l.TauS)
		}
		aL, aE = aL+dt*aE, keep*aE
		pLL += 2*dt*pLE + dt*dt*pEE + l.Walk*l.Walk*dt
		pLE = keep * (pLE + dt*pEE)
		pEE = keep*keep*pEE + l.HuntingPerS*l.HuntingPerS*(1-keep*keep)
		f := pLL + r
		v := elapsedS[i] - elapsedS[0] - aL
		info += v * v / f
		kL, kE := pLL/f, pLE/f
		aL, aE = aL+kL*v, aE+kE*v
		pEE -= kE * pLE
		pLE -= kL * pLE
		pLL -= kL * pLL
	}
	return 1 / math.Sqrt(info)
}
