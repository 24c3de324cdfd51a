package change

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"brimline/analysis/mixed"
)

// estimate is a difference of logs with its standard error. df is 0 when there is
// no error to be had.
type estimate struct{ diff, se, df float64 }

// maxHalf is the widest half interval that is shown, as a log ratio: a factor of
// 1000 either way says nothing.
var maxHalf = math.Log(1000)

// minSD is the scatter below which log rates are taken for copies: no bench and no
// eye repeats to a billionth.
const minSD = 1e-9

func (e estimate) known() bool {
	return e.df > 0 && e.se > minSD && tQuantile(1-alpha/2, e.df)*e.se < maxHalf
}

// interval gives the ends of the 1 - a interval.
func (e estimate) interval(a float64) (lo, hi float64) {
	half := tQuantile(1-a/2, e.df) * e.se
	return e.diff - half, e.diff + half
}

// p is two-sided, of no difference.
func (e estimate) p() float64 { return 2 * tCDF(-math.Abs(e.diff/e.se), e.df) }

// tost gives the two one-sided p values of a difference not above lo, and not below
// hi (Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657). The difference is
// within (lo, hi) at level a when both are below a.
func (e estimate) tost(lo, hi float64) (pLo, pHi float64) {
	return tCDF(-(e.diff-lo)/e.se, e.df), tCDF((e.diff-hi)/e.se, e.df)
}

// effect turns the estimate into percent.
func (e estimate) effect() Effect {
	out := Effect{Percent: percent(e.diff)}
	if e.known() {
		lo, hi := e.interval(alpha)
		p, df := e.p(), e.df
		out.CI95, out.P, out.DF = &[2]float64{percent(lo), percent(hi)}, &p, &df
	}
	return out
}

// percent turns a log ratio into percent.
func percent(log float64) float64 { return 100 * math.Expm1(log) }

func tCDF(t, df float64) float64      { return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.CDF(t) }
func tQuantile(p, df float64) float64 { return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(p) }

func mean(x []float64) float64 {
	var s float64
	for _, v := range x {
		s += v
	}
	return s / float64(len(x))
}

// squares is the sum of squared distances from the mean.
func squares(x []float64) float64 {
	m := mean(x)
	var s float64
	for _, v := range x {
		s += (v - m) * (v - m)
	}
	return s
}

// twoSample is Student's comparison of two samples with pooled variance: after
// minus before.
func twoSample(before, after []float64) estimate {
	nb, na := float64(len(before)), float64(len(after))
	e := estimate{diff: mean(after) - mean(before), df: nb + na - 2}
	if e.df > 0 {
		e.se = math.Sqrt((squares(before) + squares(after)) / e.df * (1/nb + 1/na))
	}
	return e
}

// welch is the comparison of two samples with a variance for each (Welch, Biometrika 34
// (1947) 28). Both need two values.
func welch(before, after []float64) estimate {
	nb, na := float64(len(before)), float64(len(after))
	if nb < 2 || na < 2 {
		return estimate{diff: mean(after) - mean(before)}
	}
	e := estimate{diff: mean(after) - mean(before)}
	e.se, e.df = satterthwaite(component{squares(before) / (nb - 1) / nb, nb - 1}, component{squares(after) / (na - 1) / na, na - 1})
	return e
}

// component is an estimate of a variance, or its negative, with degrees of freedom.
type component struct{ v, df float64 }

// satterthwaite sums components and gives the root of the sum with its effective
// degrees of freedom. A negative component never takes the sum below the largest of
// the others: a variance that noise made too small would be confident nonsense.
func satterthwaite(parts ...component) (se, df float64) {
	var sum, weight, most float64
	for _, p := range parts {
		sum += p.v
		most = math.Max(most, p.v)
		if p.v != 0 {
			weight += p.v * p.v / p.df
		}
	}
	if weight == 0 {
		return 0, 0
	}
	sum = math.Max(sum, most)
	return math.Sqrt(sum), sum * sum / weight
}

// How the finding was reached; for Result.Model.
const (
	modelMixed    = "mixed"                  // REML and Kenward-Roger on the readings
	modelMeans    = "hanging-means"          // Student's t on the hangings' set means
	modelAdjusted = "hanging-means-adjusted" // the same with conditions as covariates
	modelBench    = "bench-hanging-sd"       // one hanging in each phase, widened by the bench's own
	modelNone     = "none"                   // nothing to work an interval out from
)

// fit holds the estimates of the package's model.
type fit struct {
	engine    estimate   // this engine
	like      estimate   // injectors like these
	injector  []estimate // per injector of the table
	runs      estimate   // by the runs of single hangings; df 0 elsewhere
	means     estimate   // by the hangings' means
	hangingSD float64    // of a set mean, as a log; 0 when not known
	model     string
	why       string // why not the mixed model; empty: it is
	spreads   *spreads
}

// spreads are standard deviations of the mixed model, as logs; negative: not in it.
type spreads struct{ hanging, run, tube, reading float64 }

// fitTable fits the package's model.
func fitTable(t table, o Options) fit {
	f := fitMeans(t)
	f.means, f.model = f.engine, modelMeans
	if f.engine.df <= 0 {
		f.model = modelNone
		f.bench(t, o)
		return f
	}
	if f.engine.se <= minSD {
		return f
	}
	if t.balanced && !t.unequal() {
		// The mixed model's closed form (TestClosedForm).
		f.spreads = t.balancedSpreads(f.hangingSD)
	} else {
		m, err := fitMixed(t)
		if err != nil {
			f.why = "the mixed model cannot be fitted to so few or such readings"
			return f
		}
		f.spreads = m.spreads
		if m.spreads.hanging > 0 {
			f.engine, f.injector = m.engine, m.injector
			e := t.resid()
			f.like = likeThese(f.engine, f.injector, component{t.perHangings() * e.v / float64(len(t.injectors)), e.df})
		}
	}
	if f.spreads.hanging > 0 {
		f.model = modelMixed
		return f
	}
	// With the hanging's spread at its bound the mixed model takes the scatter of runs and
	// readings for that of hangings, and is wrong less or more often than it says
	// (TestSpreadAtZero prints how often). The means need no spread to be above zero.
	f.why = "hangings differ no more than their runs and readings do by themselves, and there the hangings' means are the exact answer"
	return f
}

// perHangings is c of the package comment.
func (t *table) perHangings() float64 {
	return 1/float64(len(t.phases[0])) + 1/float64(len(t.phases[1]))
}

// balancedSpreads is the spreads from the mean squares of a balanced table.
func (t *table) balancedSpreads(hangingSD float64) *spreads {
	I, R := float64(len(t.injectors)), float64(len(t.phases[0][0].runs))
	tube := t.resid() // of cells that are means of R readings
	s := spreads{run: -1, tube: -1, reading: math.Sqrt(tube.v)}
	hanging := hangingSD*hangingSD - tube.v/I
	if len(t.injectors) == 1 { // its runs are its readings
		reading := t.withinHangings()
		s.reading = math.Sqrt(reading.v)
		hanging = hangingSD*hangingSD - reading.v/R
	}
	if own, _ := t.withinRuns(); own.df > 0 {
		within := t.withinHangings()
		s.reading = math.Sqrt(own.v)
		s.tube = math.Sqrt(math.Max(0, tube.v-own.v/R))
		s.run = math.Sqrt(math.Max(0, within.v-own.v/I))
		hanging = hangingSD*hangingSD - tube.v/I - within.v/R + own.v/I/R
	}
	s.hanging = math.Sqrt(math.Max(0, hanging))
	return &s
}

// withinHangings is the variance of the set's mean from run to run within hangings.
func (t *table) withinHangings() component {
	var c component
	for p := range t.runMeans {
		for _, runs := range t.runMeans[p] {
			if n := len(runs); n > 1 {
				c.v += squares(runs)
				c.df += float64(n - 1)
			}
		}
	}
	if c.df > 0 {
		c.v /= c.df
	}
	return c
}

// fitMeans works the package's formulas for hangings' means; names are those of the
// package comment.
func fitMeans(t table) fit {
	set := [2][]float64{t.sets(0), t.sets(1)}
	nInj := len(t.injectors)
	f := fit{engine: twoSample(set[0], set[1])}
	d := make([]float64, nInj)
	f.injector = make([]estimate, nInj)
	for i := range d {
		d[i] = t.byInj[1][i] - t.byInj[0][i]
		f.injector[i].diff = d[i]
	}
	f.engine.diff = mean(d)
	if len(set[0]) == 1 && len(set[1]) == 1 {
		f.runs = runsWithin(t)
	}
	v1 := f.engine.df
	if v1 <= 0 {
		return f
	}
	I := float64(nInj)
	c := t.perHangings()
	sH2 := f.engine.se * f.engine.se / c
	f.hangingSD = math.Sqrt(sH2)
	sE2 := t.resid()
	for i := range f.injector {
		ci := 1/float64(t.in[0][i]) + 1/float64(t.in[1][i])
		f.injector[i].se, f.injector[i].df = satterthwaite(
			component{ci * sH2, v1}, component{ci * sE2.v * (I - 1) / I, sE2.df})
	}
	f.like = likeThese(f.engine, f.injector, component{c * sE2.v / I, sE2.df})
	return f
}

// likeThese widens the engine's estimate by how the injectors differ in response.
func likeThese(engine estimate, injectors []estimate, residual component) estimate {
	n := float64(len(injectors))
	if n < 2 || engine.df <= 0 {
		return estimate{diff: engine.diff}
	}
	d := make([]float64, len(injectors))
	for i, e := range injectors {
		d[i] = e.diff
	}
	w := Wider{Injectors: len(injectors), Engine: engine.se * engine.se, EngineDF: engine.df,
		Between: squares(d) / (n - 1) / n, Residual: residual.v, ResidualDF: residual.df}
	out := engine
	out.se, out.df = w.SE(func(df float64) float64 { return tQuantile(1-alpha/2, df) })
	return out
}

// Wider is what the scope "injectors like these" is worked out from: variances of the
// change of the set, as logs squared. Package plan plans with the same rule.
type Wider struct {
	Injectors            int     // 2 or more
	Engine, EngineDF     float64 // of "this engine"
	Between              float64 // of the injectors' changes over Injectors; its degrees of freedom are Injectors - 1
	Residual, ResidualDF float64 // the part of Between that is no difference in response
}

// SE is the standard error and its degrees of freedom. Between holds the response and the
// residual, which Engine holds already. Where noise makes a difference of variances
// negative, the larger variance stands with its own degrees of freedom: Satterthwaite's
// would be far too few there. Two injectors have one degree of freedom and are often alike
// by chance: it is 1. quantile is Student's, of the interval's end: the wider scope is
// never the surer one, as more degrees of freedom could make it.
func (w Wider) SE(quantile func(df float64) float64) (se, df float64) {
	engine, own := math.Sqrt(w.Engine), float64(w.Injectors-1)
	switch {
	case w.Between <= w.Residual && w.Engine >= w.Between:
		se, df = engine, w.EngineDF
	case w.Engine < w.Residual:
		se, df = math.Sqrt(w.Between), own
	default:
		se, df = satterthwaite(component{w.Engine, w.EngineDF}, component{w.Between, own}, component{-w.Residual, w.ResidualDF})
	}
	if w.Injectors == 2 {
		df = math.Min(df, own)
	}
	if quantile(df)*se < quantile(w.EngineDF)*engine {
		return engine, w.EngineDF
	}
	return se, df
}

// runsWithin compares set means of runs where each phase has one hanging. Runs
// without all injectors do not count.
func runsWithin(t table) estimate {
	before, after := t.runMeans[0][0], t.runMeans[1][0]
	if len(before) == 0 || len(after) == 0 {
		return estimate{}
	}
	return twoSample(before, after)
}

// bench gives an interval where each phase has one hanging: the scatter of the runs, and
// twice the variance of the bench's own hangings, as each phase's hanging adds it once.
func (f *fit) bench(t table, o Options) {
	if !(f.runs.df > 0) || f.runs.se <= minSD || o.HangingSD == 0 {
		return
	}
	f.model = modelBench
	hang := component{2 * o.HangingSD * o.HangingSD, o.HangingDF}
	runs := component{f.runs.se * f.runs.se, f.runs.df}
	f.engine = estimate{diff: f.runs.diff}
	f.engine.se, f.engine.df = satterthwaite(runs, hang)
	f.hangingSD = math.Sqrt(o.HangingSD*o.HangingSD + runs.v/2)

	// An injector's own: what the readings of a run scatter around their run's mean.
	I := float64(len(t.injectors))
	own, n := t.withinRuns()
	if own.df <= 0 {
		for i := range f.injector {
			f.injector[i].se, f.injector[i].df = f.engine.se, f.engine.df
		}
		return
	}
	c := 1/n[0] + 1/n[1]
	for i := range f.injector {
		f.injector[i].se, f.injector[i].df = satterthwaite(runs, hang, component{c * own.v * (I - 1) / I, own.df})
	}
	f.like = likeThese(f.engine, f.injector, component{c * own.v / I, own.df})
}

// withinRuns is the variance of a reading around what its injector sends and its run
// moves, in the runs that have all injectors, and the number of these per phase.
func (t *table) withinRuns() (own component, n [2]float64) {
	I := len(t.injectors)
	if I < 2 {
		return component{}, n
	}
	type cell struct{ phase, hanging int }
	byCell := map[cell][][]float64{}
	var order []cell
	for start := 0; start < len(t.rows); {
		end := start
		for end < len(t.rows) && t.rows[end].run == t.rows[start].run {
			end++
		}
		if end-start == I {
			r := t.rows[start]
			k := cell{r.phase, r.hangingNo}
			if byCell[k] == nil {
				order = append(order, k)
			}
			y := make([]float64, I)
			for j, x := range t.rows[start:end] {
				y[j] = x.y
			}
			byCell[k] = append(byCell[k], y)
			n[r.phase]++
		}
		start = end
	}
	var ss float64
	for _, k := range order {
		runs := byCell[k]
		centre := make([]float64, I)
		for _, y := range runs {
			m := mean(y)
			for i := range y {
				centre[i] += (y[i] - m) / float64(len(runs))
			}
		}
		for _, y := range runs {
			m := mean(y)
			for i := range y {
				ss += math.Pow(y[i]-m-centre[i], 2)
			}
		}
		own.df += float64((I - 1) * (len(runs) - 1))
	}
	if own.df > 0 {
		own.v = ss / own.df
	}
	return own, n
}

// mixedModel is the model of the readings, with injector x phase fixed.
func mixedModel(t table, known bool) mixed.Model {
	n := len(t.rows)
	m := mixed.Model{Response: make([]float64, n)}
	inj := mixed.Factor{Name: "injector", Values: make([]string, n), Levels: t.injectors}
	phase := mixed.Factor{Name: "phase", Values: make([]string, n), Levels: []string{"before", "after"}}
	hanging := mixed.Factor{Name: "hanging", Values: make([]string, n)}
	run := mixed.Factor{Name: "run", Values: make([]string, n)}
	if known {
		m.KnownVariance = make([]float64, n)
	}
	for k, r := range t.rows {
		m.Response[k] = r.y
		inj.Values[k], phase.Values[k] = t.injectors[r.injector], phase.Levels[r.phase]
		hanging.Values[k], run.Values[k] = r.hanging, r.run
		if known {
			m.KnownVariance[k] = r.known
		}
	}
	m.Factors = []mixed.Factor{phase, hanging, inj, run}
	m.Fixed = []string{"phase"}
	m.Random = []mixed.Random{{By: "hanging"}}
	if len(t.injectors) > 1 {
		m.Fixed = []string{"injector", "phase", "injector:phase"}
		if !t.oneRun {
			m.Random = append(m.Random, mixed.Random{By: "run"}, mixed.Random{By: "hanging:injector"})
		}
	}
	return m
}

// unequalU is the ratio of the largest to the smallest stated uncertainty from which on
// readings are weighted by it: below, the weights hardly change an answer.
const unequalU = 2

// unequal reports whether all readings state an uncertainty and these differ much.
func (t *table) unequal() bool {
	least, most := math.Inf(1), 0.0
	for _, r := range t.rows {
		least, most = math.Min(least, r.known), math.Max(most, r.known)
	}
	return least > 0 && most > unequalU*unequalU*least
}

// A fit that leaves next to nothing to the readings is of readings that some hangings or
// injectors have to themselves: its likelihood has no one peak.
var (
	errNoResidual = errors.New("the readings do not scatter")
	errOneReading = errors.New("each hanging has one reading")
)

// fitMixed fits the mixed model to the readings.
func fitMixed(t table) (fit, error) {
	f := fit{}
	if len(t.injectors) == 1 && t.oneRun {
		return f, errOneReading // each hanging is a reading: there is nothing to tell them apart by
	}
	m, err := mixedModel(t, t.unequal()).Fit(mixed.REML)
	if err == nil && t.unequal() && m.ResidualVariance < 1e-9 {
		// The stated uncertainties are larger than the scatter: they are shared between
		// readings, or too large, and must not be taken for scatter.
		m, err = mixedModel(t, false).Fit(mixed.REML)
	}
	if err != nil {
		return f, err
	}
	for _, w := range m.Warnings {
		if w.Code == "not-converged" {
			return f, errors.New(w.Text)
		}
	}
	change := func(at map[string]string) (estimate, error) {
		at["phase"] = "after"
		after, err := m.Mean(mixed.At{Levels: at})
		if err != nil {
			return estimate{}, err
		}
		at["phase"] = "before"
		before, err := m.Mean(mixed.At{Levels: at})
		if err != nil {
			return estimate{}, err
		}
		e, err := m.Estimate(after.Minus(before), mixed.KenwardRoger)
		return estimate{e.Value, e.SE, e.DF}, err
	}
	if f.engine, err = change(map[string]string{}); err != nil {
		return f, err
	}
	f.injector = []estimate{f.engine}
	if len(t.injectors) > 1 {
		f.injector = f.injector[:0]
		for _, i := range t.injectors {
			e, err := change(map[string]string{"injector": i})
			if err != nil {
				return f, err
			}
			f.injector = append(f.injector, e)
		}
	}
	s := spreads{run: -1, tube: -1, reading: math.Sqrt(m.ResidualVariance)}
	for _, c := range m.Random {
		switch sd := c.SD[0]; c.By {
		case "hanging":
			s.hanging = sd
		case "run":
			s.run = sd
		default:
			s.tube = sd
		}
	}
	if s.reading < 1e-3*max(s.hanging, s.run, s.tube) {
		return f, errNoResidual
	}
	if s.hanging <= 1e-6*s.reading { // what the optimiser leaves of a spread at its bound
		s.hanging = 0
	}
	f.spreads = &s
	return f, nil
}

// adjusted is the comparison of the hangings' set means with covariates beside the phase,
// by least squares; x is per covariate the two phases' values in each hanging.
func adjusted(t table, x [][2][]float64) estimate {
	set := [2][]float64{t.sets(0), t.sets(1)}
	n, p := len(set[0])+len(set[1]), 2+len(x)
	e := estimate{diff: mean(set[1]) - mean(set[0]), df: float64(n - p)}
	if e.df <= 0 {
		return estimate{diff: e.diff}
	}
	X, y := mat.NewDense(n, p, nil), mat.NewVecDense(n, nil)
	k := 0
	for phase := range set {
		for h, v := range set[phase] {
			y.SetVec(k, v)
			X.Set(k, 0, 1)
			X.Set(k, 1, float64(phase))
			for j := range x {
				X.Set(k, 2+j, x[j][phase][h]-mean(append(append([]float64{}, x[j][0]...), x[j][1]...)))
			}
			k++
		}
	}
	var qr mat.QR
	qr.Factorize(X)
	var b, fitted mat.VecDense
	if err := qr.SolveVecTo(&b, false, y); err != nil {
		return estimate{diff: e.diff}
	}
	fitted.MulVec(X, &b)
	var ss float64
	for i := range n {
		ss += math.Pow(y.AtVec(i)-fitted.AtVec(i), 2)
	}
	var xx, inv mat.Dense
	xx.Mul(X.T(), X)
	if err := inv.Inverse(&xx); err != nil {
		return estimate{diff: e.diff}
	}
	return estimate{b.AtVec(1), math.Sqrt(ss / e.df * inv.At(1, 1)), e.df}
}
