package rate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// simulate returns n values at spacing dt of r t + walk + white noise.
func simulate(rng *rand.Rand, n int, dt, r, white, walk float64) (t, y []float64) {
	t, y = make([]float64, n), make([]float64, n)
	w := 0.0
	for i := range n {
		t[i] = float64(i) * dt
		y[i] = r*t[i] + w + white*rng.NormFloat64()
		w += walk * math.Sqrt(dt) * rng.NormFloat64()
	}
	return t, y
}

// The interval of a slope must hold the truth as often as it claims, at every
// mixture of white noise and random walk, although the mixture is not known; and
// the slope must be nearly as good as if it were known (the Gauss-Markov bound).
// The truth here is the simulation's own. Two and a half standard errors of 1000
// trials about 95 % are 93.3 to 96.7. Where there is no walk at all one fill cannot
// show that there is none, and the interval is wider than need be: it has no
// upper limit here.
func TestSlopeCoverageAndEfficiency(t *testing.T) {
	const trials = 1000
	for _, tc := range []struct {
		name        string
		n           int
		dt          float64
		white, walk float64
		most        float64 // coverage, %
		bound       float64 // standard error over the Gauss-Markov bound
	}{
		{"white only", 360, 0.5, 1, 0, 100, 1.18},
		{"walk small", 360, 0.5, 1, 0.01, 100, 1.12},
		{"walk as a warm cell", 360, 0.5, 1, 0.08, 97.5, 1.05},
		{"both", 360, 0.5, 1, 0.5, 96.7, 1.05},
		{"walk only", 360, 0.5, 1e-3, 1, 96.7, 1.05},
		{"short and slow, both", 24, 1, 1, 0.3, 100, 1.10},
		{"short and slow, white", 24, 1, 1, 0, 100, 1.18},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(11, uint64(len(tc.name))))
			held, ss := 0, 0.0
			var bound float64
			for range trials {
				ts, ys := simulate(rng, tc.n, tc.dt, 0.1, tc.white, tc.walk)
				b := makeBlocks(ts, ys, fitBlocks)
				e := fitCurve(b).evidence
				f := e.fit(e.alone())
				off := f.slope - 0.1
				ss += off * off
				if math.Abs(off) <= f.u*Coverage95(f.df) {
					held++
				}
				if bound == 0 {
					bound = tc.white * math.Sqrt(filter(b, tc.walk*tc.walk/tc.white/tc.white).varSlope)
				}
			}
			cover := 100 * float64(held) / trials
			eff := math.Sqrt(ss/trials) / bound
			t.Logf("95 %% interval holds the truth in %.1f %%; error %.3f of the bound", cover, eff)
			if cover < 93.3 || cover > tc.most {
				t.Errorf("coverage %.1f %%, want 93.3 to %g", cover, tc.most)
			}
			if eff > tc.bound {
				t.Errorf("standard error %.3f of the bound, want at most %g", eff, tc.bound)
			}
		})
	}
}
