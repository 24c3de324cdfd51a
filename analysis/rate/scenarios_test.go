package rate_test

import (
	"math"
	"sync"
	"testing"

	"brimline/analysis/rate"
	"brimline/analysis/rate/fillsim"
)

// What the fit claims on curves of known truth, with what a bench has: the runs of a test
// and a record at rest. Thirty fills of a scenario are few: they show a fit that is broken
// there, and all scenarios together one that is a few per cent off. The full study, with
// its thresholds, is cmd/study.
func TestScenarios(t *testing.T) {
	const benches = 5
	var all struct {
		sync.Mutex
		held, n int
	}
	t.Run("each", func(t *testing.T) {
		for _, s := range fillsim.Scenarios() {
			t.Run(s.Name, func(t *testing.T) {
				t.Parallel()
				held, n, over2 := 0, 0, 0.0
				for seed := range uint64(benches) {
					b, err := s.Bench(2_000_000 + seed)
					if err != nil {
						t.Fatal(err)
					}
					still, err := rate.RecordOf(b.Still)
					if err != nil {
						t.Fatal(err)
					}
					var results []rate.Result
					for _, f := range b.Fills {
						r, err := rate.Analyse(f.Curve, rate.Options{Mode: rate.OneFill, Records: map[string]rate.Record{f.Curve.Channel: still}})
						if err != nil {
							t.Fatal(err)
						}
						if len(r.Fills) != 1 || r.Fills[0].Kind != rate.KindFill {
							t.Fatalf("seed %d: %+v, want one fill", seed, r.Fills)
						}
						results = append(results, r)
					}
					rate.Pool(results...)
					for i, r := range results {
						x, f := r.Fills[0], b.Fills[i]
						// Ends are found to a second, or to as much as noise of ten standard
						// deviations of a second's mean is in flow.
						slack := 1 + 10*(s.White/math.Sqrt(s.SamplesPerS)+s.Walk)/2147/(f.TruthPerMin/60)
						if math.Abs(x.StartS-f.OnsetS) > slack || math.Abs(x.EndS-f.EndS) > slack {
							t.Errorf("seed %d, run %d: from %.2f to %.2f s, made from %.2f to %.2f s, allowed %.2f s", seed, i+1, x.StartS, x.EndS, f.OnsetS, f.EndS, slack)
						}
						for _, term := range x.Budget {
							if term.Name != "fit" {
								continue
							}
							off := x.Rate() + x.ZeroDrift - f.Reads
							if math.Abs(off) <= rate.Coverage95(term.DF)*term.U {
								held++
							}
							over2 += off * off / (f.BoundPerMin * f.BoundPerMin)
							n++
						}
					}
				}
				// Four binomial standard deviations under 95 %, and three of the standard error.
				if least := 0.95 - 4*math.Sqrt(0.05*0.95/float64(n)); float64(held) < least*float64(n) {
					t.Errorf("the fit's interval holds the truth in %d of %d", held, n)
				}
				if over := math.Sqrt(over2 / float64(n)); over > 1.1*(1+3/math.Sqrt(2*float64(n))) {
					t.Errorf("standard error %.2f of the bound", over)
				}
				all.Lock()
				defer all.Unlock()
				all.held, all.n = all.held+held, all.n+n
			})
		}
	})
	cover := 100 * float64(all.held) / float64(all.n)
	t.Logf("the fit's interval holds the truth in %.1f %% of %d fills", cover, all.n)
	// 95 % and three standard deviations of 500 fills.
	if cover < 92 || cover > 98 {
		t.Errorf("the fit's interval holds the truth in %.1f %% of %d fills, want 92 to 98", cover, all.n)
	}
}
