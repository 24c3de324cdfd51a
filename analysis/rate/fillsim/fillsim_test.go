package fillsim

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"

	"brimline/analysis/curve"
)

// The bound by the filter is that of the dense covariance matrix, (X' V^-1 X)^-1 by
// gonum's Cholesky factor, at uneven times.
func TestSlopeBoundIsThatOfTheDenseMatrix(t *testing.T) {
	var at []float64
	for i := range 40 {
		at = append(at, 3+0.5*float64(i)+0.2*math.Sin(float64(i*i)))
	}
	for _, tc := range []struct {
		name string
		l    Levels
	}{
		{"white", Levels{White: 2}},
		{"walk", Levels{White: 0.01, Walk: 1}},
		{"both", Levels{White: 2, Walk: 0.3}},
		{"hunting", Levels{White: 2, Walk: 0.3, HuntingPerS: 0.4, TauS: 3}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			n := len(at)
			V := mat.NewSymDense(n, nil)
			for i := range n {
				for j := i; j < n; j++ {
					v := tc.l.Walk * tc.l.Walk * (at[i] - at[0])
					// Sums of the rate over the steps up to i and to j.
					for a := range i {
						for b := range j {
							if tc.l.HuntingPerS > 0 {
								v += tc.l.HuntingPerS * tc.l.HuntingPerS * (at[a+1] - at[a]) * (at[b+1] - at[b]) * ar1(at, a, b, tc.l.TauS)
							}
						}
					}
					if i == j {
						v += tc.l.White * tc.l.White
					}
					V.SetSym(i, j, v)
				}
			}
			X := mat.NewDense(n, 2, nil)
			for i := range n {
				X.Set(i, 0, 1)
				X.Set(i, 1, at[i]-at[0])
			}
			var ch mat.Cholesky
			if !ch.Factorize(V) {
				t.Fatal("the covariance matrix is not positive definite")
			}
			var vx, info, cov mat.Dense
			if err := ch.SolveTo(&vx, X); err != nil {
				t.Fatal(err)
			}
			info.Mul(X.T(), &vx)
			if err := cov.Inverse(&info); err != nil {
				t.Fatal(err)
			}
			want := math.Sqrt(cov.At(1, 1))
			if got := tc.l.SlopeBound(at); math.Abs(got-want) > 1e-8*want {
				t.Errorf("bound %.12g, by the dense matrix %.12g", got, want)
			}
		})
	}
}

// ar1 is the correlation of the rate at step a with that at step b: the rate of a step
// is the one that the step before left.
func ar1(at []float64, a, b int, tau float64) float64 {
	return math.Exp(-math.Abs(at[a]-at[b]) / tau)
}

// White noise at even times has the bound sd sqrt(12/(n(n^2-1)))/dt, as a textbook gives it.
func TestSlopeBoundOfWhiteNoise(t *testing.T) {
	const n, dt, sd = 1000, 0.0125, 0.07
	at := make([]float64, n)
	for i := range at {
		at[i] = dt * float64(i)
	}
	want := sd * math.Sqrt(12/(n*(float64(n)*n-1))) / dt
	if got := (Levels{White: sd}).SlopeBound(at); math.Abs(got-want) > 1e-9*want {
		t.Errorf("bound %.12g, want %.12g", got, want)
	}
	if got := (Levels{White: sd}).SlopeBound(at[:1]); !math.IsInf(got, 1) {
		t.Errorf("bound of one value %g, want +Inf", got)
	}
}

// Each scenario makes curves as it says, the same for the same seed, others for another.
func TestScenarios(t *testing.T) {
	seen := map[string]bool{}
	for _, s := range Scenarios() {
		t.Run(s.Name, func(t *testing.T) {
			if seen[s.Name] || s.What == "" {
				t.Errorf("named twice, or says nothing: %q", s.What)
			}
			seen[s.Name] = true
			b, err := s.Bench(2_000_001)
			if err != nil {
				t.Fatal(err)
			}
			again, err := s.Bench(2_000_001)
			if err != nil {
				t.Fatal(err)
			}
			other, err := s.Bench(2_000_002)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(b.Fills[1].Curve.Values, again.Fills[1].Curve.Values) || slices.Equal(b.Fills[1].Curve.Values, other.Fills[1].Curve.Values) {
				t.Error("the same seed must give the same curve, another another")
			}
			if len(b.Fills) != runsOfTest {
				t.Fatalf("%d fills, want %d", len(b.Fills), runsOfTest)
			}
			for _, f := range b.Fills {
				if f.Curve.Unit != s.Unit || math.Abs(f.EndS-f.OnsetS-s.FlowS) > 1e-9 || !(f.BoundPerMin > 0) {
					t.Errorf("unit %s, from %g to %g s, bound %g", f.Curve.Unit, f.OnsetS, f.EndS, f.BoundPerMin)
				}
				want := s.MLPerMin
				if s.Unit == curve.Gram {
					want *= gPerML
				}
				if math.Abs(f.TruthPerMin-want) > 1e-9*want {
					t.Errorf("truth %g %s/min, want %g", f.TruthPerMin, s.Unit, want)
				}
				// A scale of 0.1 %, a drift of 0.5 g/h and 50 mg in three minutes at the most.
				if math.Abs(f.Reads-want) > 5e-3*want+(0.5/60+0.05/3)/gPerML {
					t.Errorf("reads %g, made at %g", f.Reads, want)
				}
			}
			n := float64(len(b.Fills[0].Curve.Values))
			if rate := n / (s.RestBeforeS + s.FlowS + s.RestAfterS); rate < 0.85*s.SamplesPerS || rate > 1.2*s.SamplesPerS {
				t.Errorf("%.1f samples/s, want about %g", rate, s.SamplesPerS)
			}
		})
	}
}
