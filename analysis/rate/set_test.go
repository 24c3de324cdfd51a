package rate

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

func set(runs int, rates ...float64) []Measured {
	var m []Measured
	for r := range runs {
		for i, v := range rates {
			// Runs differ by one percent for all injectors: it must drop out of the ratios.
			m = append(m, Measured{Injector: fmt.Sprint(i + 1), Run: fmt.Sprint(r), Rate: v * (1 + 0.01*float64(r)), U: 0.002 * v})
		}
	}
	return m
}

func TestCompareSet(t *testing.T) {
	for _, tc := range []struct {
		name  string
		rates []float64
		want  []Standing
	}{
		{"equals", []float64{10, 10.4, 9.7, 10.1, 9.9, 10.2}, []Standing{InLine, InLine, InLine, InLine, InLine, InLine}},
		{"one high", []float64{10, 10.4, 9.7, 18, 9.9, 10.2}, []Standing{InLine, InLine, InLine, ApartHigh, InLine, InLine}},
		{"one low", []float64{10, 10.4, 9.7, 5.5, 9.9, 10.2}, []Standing{InLine, InLine, InLine, ApartLow, InLine, InLine}},
		// Two at once hide each other: then nothing is said, rather than that all is well.
		{"one high, one low", []float64{10, 10.4, 9.7, 22, 9.9, 6.5}, []Standing{CannotTell, CannotTell, CannotTell, CannotTell, CannotTell, CannotTell}},
		{"three, one high", []float64{10, 10.4, 17}, []Standing{CannotTell, CannotTell, CannotTell}},
		{"four, one high", []float64{10, 10.4, 17.5, 9.9}, []Standing{InLine, InLine, ApartHigh, InLine}},
		{"three percent is nothing", []float64{10, 10, 10.3, 10}, []Standing{InLine, InLine, InLine, InLine}},
		{"all over the place", []float64{5, 8, 12, 20}, []Standing{CannotTell, CannotTell, CannotTell, CannotTell}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := CompareSet(set(3, tc.rates...))
			if err != nil {
				t.Fatal(err)
			}
			for i, m := range got {
				if m.Standing != tc.want[i] {
					t.Errorf("injector %s (%.1f) %s (P %.3f, %s), want %s", m.Injector, tc.rates[i], m.Standing, m.P, m.Why, tc.want[i])
				}
				if strings.HasPrefix(string(tc.want[i]), "stands apart") {
					continue
				}
				// The reference is the geometric mean of the others that do not stand apart.
				others, n := 0.0, 0.0
				for j, v := range tc.rates {
					if j != i && !strings.HasPrefix(string(tc.want[j]), "stands apart") {
						others += math.Log(v)
						n++
					}
				}
				if want := tc.rates[i] / math.Exp(others/n); math.Abs(m.Ratio-want) > 1e-9 {
					t.Errorf("injector %s: ratio %.6f, want %.6f", m.Injector, m.Ratio, want)
				}
			}
		})
	}
}

// In a set of equals hardly any injector may be said to stand apart: at most 5 %
// of sets, whatever their spread.
func TestEqualsSeldomStandApart(t *testing.T) {
	const sets = 2000
	for _, spread := range []float64{0.03, 0.08, 0.15} {
		rng := rand.New(rand.NewPCG(8, uint64(1000*spread)))
		apart := 0
		for range sets {
			rates := make([]float64, 4+rng.IntN(3))
			for i := range rates {
				rates[i] = 10 * math.Exp(spread*rng.NormFloat64())
			}
			got, err := CompareSet(set(1, rates...))
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range got {
				if m.Standing == ApartHigh || m.Standing == ApartLow {
					apart++
					break
				}
			}
		}
		part := 100 * float64(apart) / sets
		t.Logf("spread %.0f %%: %.1f %% of equal sets had an injector standing apart", 100*spread, part)
		if part > 6.5 {
			t.Errorf("spread %.0f %%: %.1f %% of equal sets had an injector standing apart, want at most 5 (6.5 with the simulation's own scatter)", 100*spread, part)
		}
	}
}

// The interval of a mean of several runs holds the true mean, and that of a ratio the
// true ratio, also where a tube's calibration or the density is wrong for all of
// them, and where one run alone has few degrees of freedom.
func TestMeansOfRunsHold(t *testing.T) {
	const trials = 300
	for _, tc := range []struct {
		name                        string
		runs                        int
		df                          float64
		own, tube, all, run, rotate float64
	}{
		{"one run, few degrees of freedom", 1, 4, 0.01, 0, 0, 0, 0},
		{"tubes' calibrations", 3, 0, 0.001, 0.01, 0, 0.001, 0},
		{"tubes' calibrations and scatter", 3, 0, 0.001, 0.01, 0, 0.01, 0},
		{"tubes' calibrations, rotated", 3, 0, 0.001, 0.01, 0, 0.001, 1},
		{"density", 3, 0, 0.001, 0.001, 0.01, 0.003, 0},
		{"scatter", 3, 0, 0.001, 0.001, 0, 0.02, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(12, uint64(len(tc.name))))
			mean, ratio := 0, 0
			for range trials {
				all := tc.all * rng.NormFloat64()
				var tube [4]float64
				for i := range tube {
					tube[i] = tc.tube * rng.NormFloat64()
				}
				var ms []Measured
				for r := range tc.runs {
					for i := range 4 {
						at := (i + r*int(tc.rotate)) % 4
						u := tc.own
						if tc.df > 0 { // known from a sample only
							chi2 := 0.0
							for range int(tc.df) {
								z := rng.NormFloat64()
								chi2 += z * z
							}
							u *= math.Sqrt(chi2 / tc.df)
						}
						v := 10 * math.Exp(all+tube[at]+tc.own*rng.NormFloat64()+tc.run*rng.NormFloat64())
						ms = append(ms, Measured{Injector: fmt.Sprint(i), Run: fmt.Sprint(r), Rate: v, U: v * math.Hypot(u, tc.tube), DF: tc.df,
							Tube: fmt.Sprint(at), UTube: v * tc.tube, UAll: v * tc.all})
					}
				}
				got, err := CompareSet(ms)
				if err != nil {
					t.Fatal(err)
				}
				if math.Abs(got[0].Mean-10) <= got[0].U95 {
					mean++
				}
				if math.Abs(got[0].Ratio-1) <= got[0].RatioU95 {
					ratio++
				}
			}
			m, q := 100*float64(mean)/trials, 100*float64(ratio)/trials
			t.Logf("the mean's interval holds in %.1f %%, the ratio's in %.1f %%", m, q)
			// Two and a half standard errors of 300 trials below 95 %.
			if m < 91.8 || q < 91.8 {
				t.Errorf("the mean's interval holds in %.1f %%, the ratio's in %.1f %%, want 95", m, q)
			}
		})
	}
}

func TestUncertainRatioCannotTell(t *testing.T) {
	m := set(1, 10, 10.2, 9.9, 13.5)
	for i := range m {
		m[i].U = 1.5
	}
	got, err := CompareSet(m)
	if err != nil {
		t.Fatal(err)
	}
	if got[3].Standing != CannotTell || !strings.Contains(got[3].Why, "repeat") {
		t.Errorf("%s (%s), want cannot tell, with advice", got[3].Standing, got[3].Why)
	}
}

func TestCompareSetRefuses(t *testing.T) {
	if _, err := CompareSet(set(2, 10, 11)); !errors.Is(err, ErrSmallSet) {
		t.Errorf("two injectors: %v, want ErrSmallSet", err)
	}
	if _, err := CompareSet(set(1, 10, 0, 11)); err == nil || !strings.Contains(err.Error(), "not above zero") {
		t.Errorf("a zero rate: %v", err)
	}
	if _, err := CompareSet(append(set(1, 10, 11, 12), Measured{Injector: "1", Run: "0", Rate: 3})); err == nil || !strings.Contains(err.Error(), "twice") {
		t.Errorf("a rate given twice: %v", err)
	}
	// An injector missing in one run is left out, the others are compared.
	m := set(2, 10, 11, 12, 13)
	got, err := CompareSet(m[:7])
	if err != nil || len(got) != 3 {
		t.Errorf("%d members, %v; want the three that were in both runs", len(got), err)
	}
}
