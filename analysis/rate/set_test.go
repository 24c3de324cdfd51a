package rate

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
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

// The externally studentized deviation is Grubbs' test in another form: for a set whose
// spread is its own, P is Grubbs' two-sided p by Bonferroni, and taking out one after
// another finds as many as Rosner's generalized ESD does. Results by R 4.2.2 from the
// formulas (Grubbs 1969, Rosner 1983); Uranium is Tietjen & Moore (1972) as in the
// NIST/SEMATECH e-Handbook 1.3.5.17.1, Newcomb is Stigler (1973).
func TestStandingApartIsGrubbs(t *testing.T) {
	for _, tc := range []struct {
		name  string
		scale float64 // so that the others are spread by more than equals are taken to be
		who   int
		p     float64
		want  Standing
	}{
		{"outlier_rep_5.csv", 10, 5, 0.000163175347417511, ApartHigh},
		{"outlier_uranium.csv", 0.1, 8, 3.00263868207136e-07, ApartHigh},
		{"outlier_newcomb.csv", 0.02, 2, 6.69362590496446e-11, ApartLow},
	} {
		t.Run(tc.name, func(t *testing.T) {
			x := oneColumn(t, tc.name)
			var ms []Measured
			for i, v := range x {
				ms = append(ms, Measured{Injector: fmt.Sprint(i + 1), Run: "1", Rate: math.Exp(tc.scale * (v - x[0])), U: 1e-9})
			}
			got, err := CompareSet(ms)
			if err != nil {
				t.Fatal(err)
			}
			for i, m := range got {
				if m.apart() != (i+1 == tc.who) {
					t.Errorf("value %d %s", i+1, m.Standing)
				}
			}
			if m := got[tc.who-1]; m.Standing != tc.want || math.Abs(m.P/tc.p-1) > 1e-6 {
				t.Errorf("value %d %s with P %.12g, want %s with %.12g", tc.who, m.Standing, m.P, tc.want, tc.p)
			}
		})
	}
}

// Slopes of four channels as R 4.2.2 fits them, lm(mass_g ~ t_s * channel) and emmeans
// 1.8.4.1: an injector's difference from the mean of all is three quarters of that from
// the mean of the others, and the ratios' uncertainty is that of the differences. The
// logarithm and the geometric mean make 0.1 % of what differs by 3.6 %.
func TestRatiosAgainstComparedSlopes(t *testing.T) {
	const se, df = 0.000270006569433031, 116 // of each slope, pooled
	want := []struct{ slope, effect float64 }{
		{0.232426774193548, 2.49445564515984e-05}, {0.233837983870968, 0.00143615423387095},
		{0.227473629032258, -0.00492820060483861}, {0.235868931451613, 0.00346710181451606},
	}
	const seEffect = 0.000233832548317692
	var ms []Measured
	mean := 0.0
	byChannel := map[string][2][]float64{}
	for _, row := range tableOf(t, "channels_4_slopes.csv") {
		c := byChannel[row[0]]
		c[0], c[1] = append(c[0], number(t, row[1])), append(c[1], number(t, row[2]))
		byChannel[row[0]] = c
	}
	for i, w := range want {
		c := byChannel[fmt.Sprintf("ch%d", i+1)]
		ones := make([]float64, len(c[0]))
		for k := range ones {
			ones[k] = 1
		}
		r, err := Regress([][]float64{ones, c[0]}, c[1])
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.Coef[1]/w.slope-1) > 1e-8 {
			t.Errorf("ch%d: slope %.15g, want %.15g", i+1, r.Coef[1], w.slope)
		}
		mean += r.Coef[1] / 4
		ms = append(ms, Measured{Injector: fmt.Sprint(i + 1), Run: "1", Rate: r.Coef[1], U: se, DF: df})
	}
	got, err := CompareSet(ms)
	if err != nil {
		t.Fatal(err)
	}
	for i, m := range got {
		if d := math.Log(m.Ratio) * 3 / 4; math.Abs(d-want[i].effect/mean) > 5e-4 {
			t.Errorf("ch%d: %.5f from the mean of all, want %.5f", i+1, d, want[i].effect/mean)
		}
		u := m.RatioU95 / m.Ratio / Coverage95(m.RatioDF)
		if w := seEffect / mean * 4 / 3; math.Abs(u/w-1) > 0.02 {
			t.Errorf("ch%d: u of the ratio %.6f, want %.6f", i+1, u, w)
		}
	}
}

// oneColumn is the one column of a file of this package's testdata.
func oneColumn(t *testing.T, name string) []float64 {
	t.Helper()
	var x []float64
	for _, row := range tableOf(t, name) {
		x = append(x, number(t, row[0]))
	}
	return x
}

// How often one injector of a set is found to stand apart, by how far it does, and how
// often another is said to beside it.
func TestPowerOfASet(t *testing.T) {
	const sets = 400
	for _, tc := range []struct {
		n      int
		factor float64
		least  float64 // found, %: three standard errors of the sets below what was found
	}{{4, 1.5, 3}, {4, 2, 45}, {4, 3, 76}, {6, 1.5, 42}, {6, 2, 88}, {6, 0.6, 70}, {8, 1.4, 42}} {
		rng := rand.New(rand.NewPCG(2_000_000, uint64(100*tc.factor)+uint64(tc.n)))
		found, wrong := 0, 0
		for range sets {
			rates := make([]float64, tc.n)
			for i := range rates {
				rates[i] = 10 * math.Exp(0.08*rng.NormFloat64()) // a healthy set, 10 to 30 % between its extremes (estimate, no source)
			}
			rates[0] *= tc.factor
			got, err := CompareSet(set(2, rates...))
			if err != nil {
				t.Fatal(err)
			}
			other := false
			for i, m := range got {
				if i == 0 && m.apart() && (m.Standing == ApartHigh) == (tc.factor > 1) {
					found++
				}
				other = other || i > 0 && m.apart()
			}
			if other {
				wrong++
			}
		}
		f, w := 100*float64(found)/sets, 100*float64(wrong)/sets
		t.Logf("%d injectors, one at %.1f times: found in %.0f %%, another accused in %.1f %%", tc.n, tc.factor, f, w)
		// Three standard errors of the sets beside 5 %.
		if f < tc.least || w > 8.3 {
			t.Errorf("%d injectors, one at %.1f times: found in %.0f %%, want %.0f; another accused in %.1f %%, want at most 5", tc.n, tc.factor, f, tc.least, w)
		}
	}
}

// What cannot be told says what would tell it, and doing that tells it.
func TestNeed(t *testing.T) {
	one := func(u, tube, fit float64) []Measured {
		m := set(1, 10, 10.2, 9.9, 10.6, 10.1, 9.8)
		for i := range m {
			m[i].Tube = fmt.Sprintf("tube%d", i+1)
			m[i].U, m[i].UFit = u*m[i].Rate, fit*m[i].Rate
			if i == 3 {
				m[i].UTube = tube * m[i].Rate
				m[i].U = math.Hypot(m[i].U, m[i].UTube)
			}
		}
		return m
	}
	manyTubes := func(tube float64) []Measured {
		m := one(0.001, 0, 0)
		for i := range m {
			m[i].UTube = tube * m[i].Rate
			m[i].U = math.Hypot(m[i].U, m[i].UTube)
		}
		return m
	}
	for _, tc := range []struct {
		name string
		m    []Measured
		want []string
		not  string
	}{
		{"own noise", one(0.2, 0, 0), []string{"more runs would bring it from", "which is enough"}, "calibrat"},
		{"a tube of which little is known", one(0.005, 0.12, 0), []string{"calibrating tube4", "which is enough"}, "more run"},
		{"short runs", one(0.12, 0, 0.12), []string{"twice as long", "which is enough"}, "calibrat"},
		{"tubes of which little is known", manyTubes(0.12), []string{"calibrating tube4", "which is enough; so is another hanging of 1 run, each injector into the next one's tube, with 16 %"}, "more run"},
		{"others that differ", set(3, 5, 8, 12, 20), []string{"more runs of these do not help"}, ""},
		{"three", set(3, 10, 10.4, 17), []string{"more injectors on the bench", "among 6 of this spread"}, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := CompareSet(tc.m)
			if err != nil {
				t.Fatal(err)
			}
			i := slices.IndexFunc(got, func(m Member) bool { return m.Injector == fmt.Sprint(min(4, len(got))) })
			m := got[i]
			if m.Standing != CannotTell {
				t.Fatalf("%s: %s", m.Standing, m.Why)
			}
			t.Log(m.Need)
			for _, w := range tc.want {
				if !strings.Contains(m.Need, w) {
					t.Errorf("need %q, want %q in it", m.Need, w)
				}
			}
			if tc.not != "" && strings.Contains(m.Need, tc.not) {
				t.Errorf("need %q has %q in it", m.Need, tc.not)
			}
		})
	}
	for _, m := range mustCompare(t, set(3, 10, 10.4, 9.7, 10.1)) {
		if m.Need != "" {
			t.Errorf("injector %s is in line and needs %q", m.Injector, m.Need)
		}
	}
	// Another hanging brings what was said that it brings.
	hung := manyTubes(0.12)
	for i, x := range manyTubes(0.12) {
		x.Run, x.Tube = "2", fmt.Sprintf("tube%d", (i+1)%6+1)
		hung = append(hung, x)
	}
	if after := mustCompare(t, hung)[3]; math.Abs(100*after.RatioU95/after.Ratio-16) > 0.5 || after.Standing == CannotTell {
		t.Errorf("another hanging brings %.1f %%, %s, where 16 %% was said", 100*after.RatioU95/after.Ratio, after.Standing)
	}
	// As many more runs as are said to be enough are.
	ms := one(0.2, 0, 0)
	m := mustCompare(t, ms)[3]
	var more int
	if _, err := fmt.Sscanf(m.Need, "%d more run", &more); err != nil {
		t.Fatalf("%q: %v", m.Need, err)
	}
	all := slices.Clone(ms)
	for k := range more {
		for _, x := range ms {
			x.Run = fmt.Sprint("more", k)
			all = append(all, x)
		}
	}
	if m := mustCompare(t, all)[3]; m.Standing == CannotTell {
		t.Errorf("after %d more runs: %s, %s", more, m.Standing, m.Why)
	}
}

func mustCompare(t *testing.T, ms []Measured) []Member {
	t.Helper()
	got, err := CompareSet(ms)
	if err != nil {
		t.Fatal(err)
	}
	return got
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
