package mixed

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// finiteFit fails on anything that is not a number.
func finiteFit(t rapid.TB, f *Fit) {
	t.Helper()
	check := func(what string, v ...float64) {
		for _, x := range v {
			if !finite(x) {
				t.Errorf("%s is %v", what, x)
			}
		}
	}
	check("coefficient", f.Coef...)
	check("standard error", f.SE...)
	check("deviance", f.Deviance, f.LogLik, f.AIC, f.BIC, f.Gradient, f.ResidualVariance)
	for _, c := range f.Random {
		check("spread", c.SD...)
		for i := range c.Cov {
			check("covariance", c.Cov[i]...)
			check("correlation", c.Cor[i]...)
		}
		for i := range c.Effects {
			check("effect", c.Effects[i]...)
			check("effect's deviation", c.EffectSD[i]...)
		}
	}
	for _, w := range f.Warnings {
		if w.Code == "" || w.Text == "" || strings.Contains(w.Text, "NaN") {
			t.Errorf("warning %+v", w)
		}
	}
}

// Models at random either say why they cannot be fitted or give numbers that the dense
// program gives too: weights, known variances, crossed and nested effects, 3 x 3
// covariances, singular fits.
func TestAgainstDense(t *testing.T) {
	fits, singular, known, slopes := 0, 0, 0, 0
	rapid.Check(t, func(rt *rapid.T) {
		m := randomModel(rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 3)))
		method := Method(rapid.IntRange(0, 1).Draw(rt, "method"))
		f, err := m.Fit(method)
		if err != nil {
			if s := err.Error(); !strings.HasPrefix(s, "mixed: ") || strings.Contains(s, "NaN") {
				rt.Fatalf("error %q", s)
			}
			return
		}
		finiteFit(rt, f)
		d := newDense(t, m, method == REML)
		par := f.parameters()
		a, ok := d.at(par)
		if !ok {
			if f.ResidualVariance > 1e-10*f.Random[0].Cov[0][0] {
				rt.Fatalf("V of the fit %v has no factor", par)
			}
			return
		}
		// V of n by n is the worse the more the spreads differ: so is what dense can judge.
		top := par[len(par)-1]
		for _, c := range f.Random {
			for _, s := range c.SD {
				top = math.Max(top, s*s)
			}
		}
		worst := 1 + 1e-5*top/slices.Max([]float64{par[len(par)-1], 1e-12 * top, minOf(m.KnownVariance)})
		near := func(what string, got, want, tol float64) {
			rt.Helper()
			if !(math.Abs(got-want) <= tol*worst) {
				rt.Errorf("%s: got %.12g, dense %.12g (%.1g allowed; %v)", what, got, want, tol*worst, m.Random)
			}
		}
		near("deviance", f.Deviance, a.deviance, 1e-6)
		adjusted, expected, observed, px, score := d.inference(a)
		at := 0
		for _, c := range f.Random { // at an inner optimum the score is nil; at a zero it points out
			for i := range c.SD {
				for j := range i + 1 {
					if scaled := score[at] * math.Sqrt(c.Cov[i][i]*c.Cov[j][j]); !hasWarning(f, "not-converged") && !f.Singular {
						near("score", scaled, 0, 1e-5)
					} else if i == j && c.SD[i] == 0 && score[at] < -1e-6*worst/f.ResidualVariance {
						rt.Errorf("a spread of 0 by %s could grow: score %v", c.By, score[at])
					}
					at++
				}
			}
		}
		for i := range f.Coef {
			near("coefficient", f.Coef[i]/f.SE[i], a.beta.AtVec(i)/f.SE[i], 1e-6)
			near("standard error", f.SE[i]/math.Sqrt(a.phi.At(i, i)), 1, 1e-6)
			c := make(Contrast, len(f.Coef))
			c[i] = 1
			if e, err := f.Estimate(c, KenwardRoger); err == nil {
				near("KR standard error", e.SE/math.Sqrt(adjusted.At(i, i)), 1, 1e-5)
				near("KR df", e.DF/math.Min(a.df(c, px, expected), maxDF), 1, 1e-4)
			} else if method == REML {
				rt.Errorf("KR: %v", err)
			}
			if f.Singular || hasWarning(f, "not-converged") {
				continue
			}
			if e, err := f.Estimate(c, Satterthwaite); err == nil {
				near("Satterthwaite df", e.DF/math.Min(a.df(c, px, observed), maxDF), 1, 1e-3)
			} else if !strings.HasPrefix(err.Error(), "mixed: Satterthwaite") {
				rt.Errorf("Satterthwaite: %v", err)
			}
		}
		fits++
		if f.Singular {
			singular++
		}
		if m.KnownVariance != nil {
			known++
		}
		if len(m.Random[0].Slopes) > 0 {
			slopes++
		}
	})
	t.Logf("%d fits: %d singular, %d with known variances, %d with slopes", fits, singular, known, slopes)
	if fits < 30 || singular == 0 || known == 0 || slopes == 0 {
		t.Errorf("too few of some kind: %d fits, %d singular, %d known, %d slopes", fits, singular, known, slopes)
	}
}

func minOf(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	return slices.Min(v)
}

// No start at random leads to a better optimum than the fit found.
func TestBestOptimum(t *testing.T) {
	fits := 0
	for seed := range uint64(80) {
		r := rand.New(rand.NewPCG(seed, 11))
		d, err := randomModel(r).check()
		if err != nil {
			continue
		}
		pr := d.problem(seed%2 == 0)
		best := pr.fit(nil)
		if best.x == nil || d.noResidual(pr, best) != nil {
			continue
		}
		fits++
		for range 5 {
			x := make([]float64, pr.np)
			for i := range x {
				x[i] = r.NormFloat64() * math.Exp(2*r.NormFloat64())
			}
			if o := pr.settle(x); o.f < best.f-1e-6 && maxAbs(o.x) < 1000 {
				t.Errorf("seed %d: from %v to %v with a deviance lower by %.2g than at %v", seed, x, o.x, best.f-o.f, best.x)
			}
		}
	}
	if fits < 40 {
		t.Errorf("only %d models were fitted", fits)
	}
}

// oneWay is three readings at each of four places, the middle of what may go wrong.
func oneWay() Model {
	return Model{
		Response: []float64{5.1, 5.3, 4.9, 6.2, 6.0, 6.1, 4.4, 4.6, 4.1, 5.5, 5.9, 5.6},
		Factors: []Factor{
			{Name: "place", Values: []string{"a", "a", "a", "b", "b", "b", "c", "c", "c", "d", "d", "d"}},
			{Name: "turn", Values: []string{"1", "2", "3", "1", "2", "3", "1", "2", "3", "1", "2", "3"}},
		},
		Numbers: []Number{{"temp", []float64{20, 21, 22, 23, 20, 21, 22, 23, 20, 21, 22, 23}}},
		Random:  []Random{{By: "place"}},
	}
}

func TestBadInput(t *testing.T) {
	nan := math.NaN()
	row := make([]string, 12)
	for i := range row {
		row[i] = fmt.Sprint(i)
	}
	set := func(v []float64, i int, x float64) []float64 {
		v = slices.Clone(v)
		v[i] = x
		return v
	}
	ones := slices.Repeat([]float64{1}, 12)
	for _, c := range []struct {
		name, want string
		confounded bool
		change     func(m *Model)
	}{
		{"no rows", "the response has no rows", false, func(m *Model) { m.Response = nil }},
		{"NaN", "the response of row 3 is NaN; leave rows with missing values out", false, func(m *Model) { m.Response = set(m.Response, 3, nan) }},
		{"infinity", "the response of row 0 is +Inf", false, func(m *Model) { m.Response = set(m.Response, 0, math.Inf(1)) }},
		{"all equal", "all 12 responses are 1", false, func(m *Model) { m.Response = ones }},
		{"equal but for the last digit", "the fixed effects explain every response", false, func(m *Model) { m.Response = set(ones, 5, 1+1e-15) }},
		{"explained wholly", "the fixed effects explain every response", false, func(m *Model) {
			m.Fixed = []string{"temp"}
			m.Response = slices.Clone(m.Numbers[0].Values)
		}},
		{"copied within places", "have no scatter of their own", false, func(m *Model) {
			for i := range m.Response {
				m.Response[i] = m.Response[i/3*3]
			}
		}},
		{"too large", "too large to compute with", false, func(m *Model) {
			for i := range m.Response {
				m.Response[i] *= 1e300
			}
		}},
		{"short factor", "factor place has 11 values and the response 12", false, func(m *Model) { m.Factors[0].Values = m.Factors[0].Values[1:] }},
		{"short number", "number temp has 0 values and the response 12", false, func(m *Model) { m.Numbers[0].Values = nil }},
		{"NaN number", "number temp, row 2 is NaN", false, func(m *Model) { m.Numbers[0].Values = set(m.Numbers[0].Values, 2, nan) }},
		{"same name", `"place" names two variables`, false, func(m *Model) { m.Numbers[0].Name = "place" }},
		{"no name", `the name "" of a factor`, false, func(m *Model) { m.Factors[0].Name = "" }},
		{"name with a colon", `the name "a:b" of a number`, false, func(m *Model) { m.Numbers[0].Name = "a:b" }},
		{"level that does not occur", `its level "z" has no rows`, false, func(m *Model) { m.Factors[0].Levels = []string{"a", "b", "c", "d", "z"} }},
		{"level that is not listed", `factor place, row 9: level "d" is not one of its levels`, false, func(m *Model) { m.Factors[0].Levels = []string{"a", "b", "c"} }},
		{"level twice", `factor place lists the level "a" twice`, false, func(m *Model) { m.Factors[0].Levels = []string{"a", "a", "b", "c", "d"} }},
		{"unknown fixed", `fixed effect "speed": there is no factor or number "speed"`, false, func(m *Model) { m.Fixed = []string{"speed"} }},
		{"fixed twice", `the fixed effect "temp" is listed twice`, false, func(m *Model) { m.Fixed = []string{"temp", "temp"} }},
		{"itself twice", `"temp:temp" names "temp" twice`, false, func(m *Model) { m.Fixed = []string{"temp:temp"} }},
		{"interaction alone", `fixed effect "turn:temp" needs "temp" as a fixed effect too`, false, func(m *Model) { m.Fixed = []string{"turn", "turn:temp"} }},
		{"one level, fixed", `factor turn has the one level "1"`, false, func(m *Model) {
			m.Factors[1].Values = slices.Repeat([]string{"1"}, 12)
			m.Fixed = []string{"turn"}
		}},
		{"constant number", "the fixed effect temp follows from those before it: effects cannot be told apart", true, func(m *Model) {
			m.Numbers[0].Values = ones
			m.Fixed = []string{"temp"}
		}},
		{"missing cell", "the fixed effect place=b:turn=2 has no rows", true, func(m *Model) {
			m.Factors[1].Values = []string{"1", "2", "2", "1", "1", "1", "1", "2", "1", "1", "2", "1"}
			m.Fixed = []string{"place", "turn", "place:turn"}
			m.Random = []Random{{By: "turn"}}
		}},
		{"more coefficients than rows", "12 rows cannot carry 12 coefficients", false, func(m *Model) { m.Fixed = []string{"place", "turn", "place:turn"} }},
		{"no random effect", "there is no random effect", false, func(m *Model) { m.Random = nil }},
		{"unknown random", `random effect by "bench": there is no factor or number "bench"`, false, func(m *Model) { m.Random = []Random{{By: "bench"}} }},
		{"random by a number", "temp is a number; group by a factor", false, func(m *Model) { m.Random = []Random{{By: "temp"}} }},
		{"one level", `random effect by place: there is one level, "a"`, false, func(m *Model) { m.Factors[0].Values = slices.Repeat([]string{"a"}, 12) }},
		{"a level each row", "random effect by place has 12 levels", true, func(m *Model) { m.Factors[0].Values = row }},
		{"listed twice", "the random effect by place is listed twice", false, func(m *Model) { m.Random = []Random{{By: "place"}, {By: "place"}} }},
		{"same grouping", "the random effects by place and by site group the rows in the same way", true, func(m *Model) {
			m.Factors = append(m.Factors, Factor{Name: "site", Values: []string{"x", "x", "x", "y", "y", "y", "z", "z", "z", "w", "w", "w"}})
			m.Random = append(m.Random, Random{By: "site"})
		}},
		{"fixed and random", "random effect by place, intercept: effects cannot be told apart from the fixed effects", true, func(m *Model) { m.Fixed = []string{"place"} }},
		{"neither intercept nor slope", "has neither intercept nor slopes", false, func(m *Model) { m.Random = []Random{{By: "place", SlopesOnly: true}} }},
		{"slope twice", `lists the slope "temp" twice`, false, func(m *Model) { m.Random = []Random{{By: "place", Slopes: []string{"temp", "temp"}}} }},
		{"slope of nothing", "its slope temp is 0 in all rows", false, func(m *Model) {
			m.Numbers[0].Values = make([]float64, 12)
			m.Random = []Random{{By: "place", Slopes: []string{"temp"}}}
		}},
		{"slopes at each row", "3 columns at each for 12 rows", true, func(m *Model) { m.Random = []Random{{By: "place", Slopes: []string{"turn"}}} }},
		{"weights short", "there are 1 weights and 12 rows", false, func(m *Model) { m.Weights = []float64{1} }},
		{"weight zero", "the weight of row 4 is 0 and must be above 0", false, func(m *Model) { m.Weights = set(ones, 4, 0) }},
		{"weight negative", "the weight of row 11 is -1", false, func(m *Model) { m.Weights = set(ones, 11, -1) }},
		{"weight NaN", "the weight of row 0 is NaN", false, func(m *Model) { m.Weights = set(ones, 0, nan) }},
		{"known variance zero", "the known variance of row 0 is 0", false, func(m *Model) { m.KnownVariance = set(ones, 0, 0) }},
		{"known variances far apart", "differ by more than a factor of 10^12", false, func(m *Model) { m.KnownVariance = set(ones, 0, 1e-14) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := oneWay()
			c.change(&m)
			for _, method := range []Method{REML, ML} {
				f, err := m.Fit(method)
				if err == nil {
					t.Fatalf("%v: no error, but %+v", method, f)
				}
				if !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "mixed: ") {
					t.Errorf("%v: error %q, want %q", method, err, c.want)
				}
				if errors.Is(err, ErrConfounded) != c.confounded {
					t.Errorf("%v: confounded %v in %q", method, !c.confounded, err)
				}
			}
		})
	}
}

// What the data tell only together is named.
func TestConfoundedVariances(t *testing.T) {
	m := phases(4, 1, 5, [5]float64{0.1, 0.05, 0, 0, 0.01}, 3)
	m.Fixed = []string{"phase"}
	m.Random = []Random{{By: "injector", Slopes: []string{"phase"}}, {By: "injector:phase"}}
	_, err := m.Fit(REML)
	if !errors.Is(err, ErrConfounded) || !strings.Contains(err.Error(), "injector:phase") {
		t.Errorf("error %v", err)
	}
	// One hanging a phase: the hanging is the phase.
	m.Random = []Random{{By: "injector"}, {By: "hanging"}}
	if _, err = m.Fit(REML); !errors.Is(err, ErrConfounded) || !strings.Contains(err.Error(), "hanging") {
		t.Errorf("error %v", err)
	}
}

func TestBadQuestions(t *testing.T) {
	m := oneWay()
	m.Fixed = []string{"temp", "turn"}
	f, err := m.Fit(REML)
	if err != nil {
		t.Fatal(err)
	}
	ml, err := m.Fit(ML)
	if err != nil {
		t.Fatal(err)
	}
	ask := func(c Contrast, m DFMethod) error { _, err := f.Estimate(c, m); return err }
	c1, c2 := Contrast{0, 0, 1, 0}, Contrast{0, 0, 0, 1}
	for _, c := range []struct {
		err  error
		want string
	}{
		{ask(Contrast{1}, KenwardRoger), "the contrast has 1 weights and the model 4 coefficients"},
		{ask(Contrast{1, 0, 0, math.NaN()}, KenwardRoger), "the contrast's weight of turn=3 is NaN"},
		{ask(make(Contrast, 4), Satterthwaite), "only zeros"},
		{ask(c1, DFMethod(7)), "no method 7"},
		{second(ml.Estimate(c1, KenwardRoger)), "fit by REML"},
		{second(ml.CovKenwardRoger()), "fit by REML"},
		{second(f.Test(nil, KenwardRoger)), "an F test needs a contrast"},
		{second(f.Test([]Contrast{c1, c2, c1.Minus(c2)}, KenwardRoger)), "depend on each other"},
		{second(f.Test([]Contrast{c1, c1}, Satterthwaite)), "depend on each other"},
		{second(f.Coefficient("speed")), `no coefficient "speed"; there are intercept, temp, turn=2, turn=3`},
		{second(f.Mean(At{Levels: map[string]string{"turn": "9"}})), `mean at turn = "9": its levels are 1, 2, 3`},
		{second(f.Mean(At{Levels: map[string]string{"temp": "9"}})), "no such factor"},
		{second(f.Mean(At{Numbers: map[string]float64{"turn": 9}})), "no such number"},
		{second(f.Mean(At{Numbers: map[string]float64{"temp": math.Inf(1)}})), "give a number"},
		{second(f.Effect("place")), `"place" is not a fixed effect`},
		{second(f.Profile(1)), "must lie between 0 and 1"},
		{second(f.Profile(math.NaN())), "must lie between 0 and 1"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) || !strings.HasPrefix(c.err.Error(), "mixed: ") {
			t.Errorf("error %v, want %q", c.err, c.want)
		}
	}
}

func second[T any](_ T, err error) error { return err }

// The numbers follow the units, the order of rows does not matter, and whole weights
// are rows that were averaged.
func TestInvariance(t *testing.T) {
	_, m := readReference(t, "ba_6x4_rs_unbal")
	base, err := m.Fit(REML)
	if err != nil {
		t.Fatal(err)
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if !(math.Abs(got-want) <= 1e-7*math.Abs(want)) {
			t.Errorf("%s: got %.12g, want %.12g", what, got, want)
		}
	}
	same := func(what string, f *Fit, unit float64) {
		t.Helper()
		for i := range f.Coef {
			near(what+" coefficient", f.Coef[i], unit*base.Coef[i])
			near(what+" standard error", f.SE[i], unit*base.SE[i])
		}
		near(what+" residual", f.ResidualVariance, unit*unit*base.ResidualVariance)
		near(what+" spread", f.Random[0].SD[1], unit*base.Random[0].SD[1])
		c := Contrast{0, 1}
		a, err1 := f.Estimate(c, KenwardRoger)
		b, err2 := base.Estimate(c, KenwardRoger)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		near(what+" df", a.DF, b.DF)
	}
	for _, unit := range []float64{1e-9, 60, 1e9} {
		scaled := m
		scaled.Response = slices.Clone(m.Response)
		scale(scaled.Response, unit)
		f, err := scaled.Fit(REML)
		if err != nil {
			t.Fatal(err)
		}
		same(fmt.Sprint("unit ", unit), f, unit)
	}
	order := rand.New(rand.NewPCG(1, 2)).Perm(len(m.Response))
	shuffled := Model{Fixed: m.Fixed, Random: m.Random, Response: make([]float64, len(order))}
	for _, fc := range m.Factors {
		values := make([]string, len(order))
		for i, o := range order {
			values[i] = fc.Values[o]
		}
		shuffled.Factors = append(shuffled.Factors, Factor{fc.Name, values, fc.Levels})
	}
	for i, o := range order {
		shuffled.Response[i] = m.Response[o]
	}
	f, err := shuffled.Fit(REML)
	if err != nil {
		t.Fatal(err)
	}
	same("shuffled", f, 1)

	// Weights matter by their ratios; sigma is that of a row of weight 1.
	_, m = readReference(t, "ba_12x5_rs_bal")
	all, err := m.Fit(REML)
	if err != nil {
		t.Fatal(err)
	}
	m.Weights = slices.Repeat([]float64{7}, len(m.Response))
	f, err = m.Fit(REML)
	if err != nil {
		t.Fatal(err)
	}
	near("weighted residual", f.ResidualVariance, 7*all.ResidualVariance)
	near("weighted spread", f.Random[0].SD[0], all.Random[0].SD[0])
	near("weighted deviance", f.Deviance, all.Deviance)
}

// A mean of k readings with weight k stands for the readings.
func TestWeightsAreReadings(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	var rows, means Model
	var place, meanPlace, turn, meanTurn []string
	for p := range 6 {
		e := r.NormFloat64()
		for q := range 4 {
			k := 1 + r.IntN(3)
			var sum float64
			for range k {
				y := 10 + e + 0.5*float64(q) + 0.3*r.NormFloat64()
				sum += y
				rows.Response = append(rows.Response, y)
				place, turn = append(place, fmt.Sprint(p)), append(turn, fmt.Sprint(q))
			}
			means.Response = append(means.Response, sum/float64(k))
			means.Weights = append(means.Weights, float64(k))
			meanPlace, meanTurn = append(meanPlace, fmt.Sprint(p)), append(meanTurn, fmt.Sprint(q))
		}
	}
	rows.Factors, means.Factors = []Factor{{Name: "place", Values: place}, {Name: "turn", Values: turn}}, []Factor{{Name: "place", Values: meanPlace}, {Name: "turn", Values: meanTurn}}
	rows.Fixed, means.Fixed = []string{"turn"}, []string{"turn"}
	rows.Random, means.Random = []Random{{By: "place"}}, []Random{{By: "place"}}
	a, err := rows.check()
	if err != nil {
		t.Fatal(err)
	}
	b, err := means.check()
	if err != nil {
		t.Fatal(err)
	}
	// At the same ratio of the spreads the estimates are the same.
	pa, pb := a.problem(true), b.problem(true)
	pa.solve([]float64{2.5})
	pb.solve([]float64{2.5 * math.Sqrt(b.meanW)}) // its unit is the residual of a row of mean weight
	ca, cb := coefficientsOf(a, pa), coefficientsOf(b, pb)
	for i := range ca {
		if !(math.Abs(ca[i]-cb[i]) < 1e-10) {
			t.Errorf("coefficient %d: %v by rows, %v by means", i, ca[i], cb[i])
		}
	}
}

func coefficientsOf(d *data, pr *problem) []float64 {
	c := make([]float64, d.p)
	for j := range c {
		c[j] = d.shift[j] + d.yScale*pr.w.beta[j]
	}
	backSolve(d.r, d.p, c)
	return c
}

// At a singular fit Satterthwaite holds what is at zero there: as if the model did not
// have it.
func TestSatterthwaiteAtZero(t *testing.T) {
	seen := 0
	for seed := range uint64(120) {
		m := randomModel(rand.New(rand.NewPCG(seed, 13)))
		m.KnownVariance = nil
		f, err := m.Fit(REML)
		if err != nil || !f.Singular || len(m.Random) < 2 || hasWarning(f, "not-converged") {
			continue
		}
		without := m
		without.Random = nil
		scalar := true
		for i, c := range f.Random {
			scalar = scalar && len(c.SD) == 1
			if c.SD[0] > 0 {
				without.Random = append(without.Random, m.Random[i])
			}
		}
		if !scalar || len(without.Random) == 0 {
			continue
		}
		g, err := without.Fit(REML)
		if err != nil {
			t.Fatal(err)
		}
		seen++
		for i := range f.Names {
			c := make(Contrast, len(f.Names))
			c[i] = 1
			a, errA := f.Estimate(c, Satterthwaite)
			b, errB := g.Estimate(c, Satterthwaite)
			if errA != nil || errB != nil {
				t.Fatal(errA, errB)
			}
			if !(math.Abs(a.DF-b.DF) <= 1e-4*b.DF) || !(math.Abs(a.SE-b.SE) <= 1e-6*b.SE) {
				t.Errorf("seed %d, %s: %+v, without what is zero %+v", seed, f.Names[i], a, b)
			}
		}
	}
	if seen < 5 {
		t.Errorf("only %d fits were of use", seen)
	}
}

// One contrast through the formulas for several has the same answer: lambda is 1.
func TestKenwardRogerOfOne(t *testing.T) {
	_, m := readReference(t, "ba_6x4_rs_unbal")
	f, err := m.Fit(REML)
	if err != nil {
		t.Fatal(err)
	}
	c := Contrast{0, 1}
	e, err := f.Estimate(c, KenwardRoger)
	if err != nil {
		t.Fatal(err)
	}
	r, err := f.rotate(c)
	if err != nil {
		t.Fatal(err)
	}
	plain, err := sandwichOf(r, 1, 2, f.mo.phi)
	if err != nil {
		t.Fatal(err)
	}
	got, err := f.kenwardRogerF(r, []float64{e.Value / f.d.yScale}, plain, f.adjusted, f.kr, 1)
	if err != nil || math.Abs(got.DenDF-e.DF) > 1e-9*e.DF || math.Abs(got.F-e.T*e.T) > 1e-9*got.F {
		t.Errorf("got %+v, %v; want %+v", got, err, e)
	}
}

// Intervals of models at random are ordered, hold the estimate, and are numbers.
func TestProfileOfRandomModels(t *testing.T) {
	seen := 0
	for seed := range uint64(40) {
		m := randomModel(rand.New(rand.NewPCG(seed, 21)))
		f, err := m.Fit(REML)
		if err != nil || f.Rows > 40 {
			continue
		}
		ivs, err := f.Profile(0.9)
		if err != nil {
			if !strings.HasPrefix(err.Error(), "mixed: ") {
				t.Errorf("seed %d: %v", seed, err)
			}
			continue
		}
		seen++
		for _, iv := range ivs {
			if !(iv.Low <= iv.Value && iv.Value <= iv.High) || !finite(iv.Low) || !finite(iv.High) {
				t.Errorf("seed %d: %+v", seed, iv)
			}
		}
	}
	if seen < 10 {
		t.Errorf("only %d profiles", seen)
	}
}

// The intervals and p values rest on t and F with fractional degrees of freedom: R 4.2.2's
// (dist_a.json), relative 1e-9.
func TestDistributions(t *testing.T) {
	raw, err := os.ReadFile(filepath.Join("testdata", "dist_a.json"))
	if err != nil {
		t.Fatal(err)
	}
	var ref struct {
		Results struct {
			PT []struct{ Q, DF, Value float64 }
			QT []struct{ P, DF, Value float64 }
			PF []struct {
				Q, DF1, DF2 float64
				Value       float64 `json:"upper_tail"`
			}
		}
	}
	if err := json.Unmarshal(raw, &ref); err != nil {
		t.Fatal(err)
	}
	near := func(what string, got, want float64) {
		t.Helper()
		if !(math.Abs(got-want) <= 1e-9*math.Abs(want)) {
			t.Errorf("%s: got %.15g, want %.15g", what, got, want)
		}
	}
	r := ref.Results
	if len(r.PT) < 10 || len(r.QT) < 10 || len(r.PF) < 5 {
		t.Fatalf("%d, %d, %d values", len(r.PT), len(r.QT), len(r.PF))
	}
	for _, v := range r.PT {
		near(fmt.Sprint("pt ", v), distuv.StudentsT{Sigma: 1, Nu: v.DF}.CDF(v.Q), v.Value)
	}
	for _, v := range r.QT {
		if v.P <= 0.5 {
			continue
		}
		_, high := Estimate{SE: 1, DF: v.DF}.Interval(2*v.P - 1)
		near(fmt.Sprint("qt ", v), high, v.Value)
	}
	for _, v := range r.PF {
		near(fmt.Sprint("pf ", v), fTail(v.Q, v.DF1, v.DF2), v.Value)
	}
}
