package change

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
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

// fit holds the estimates of the package's model.
type fit struct {
	engine    estimate   // this engine
	like      estimate   // injectors like these
	injector  []estimate // per injector of the table
	runs      estimate   // by the runs of single hangings; df 0 elsewhere
	hangingSD float64    // of a set mean, as a log; 0 when not known
}

// fitTable works the package's formulas; names are those of the package comment.
func fitTable(t table) fit {
	var set [2][]float64
	nInj := len(t.injectors)
	var byInj [2][]float64 // per phase and injector: mean over hangings
	for p, hs := range t.phases {
		byInj[p] = make([]float64, nInj)
		for _, h := range hs {
			set[p] = append(set[p], h.set)
			for i, y := range h.mean {
				byInj[p][i] += y / float64(len(hs))
			}
		}
	}
	f := fit{engine: twoSample(set[0], set[1])}
	d := make([]float64, nInj)
	for i := range d {
		d[i] = byInj[1][i] - byInj[0][i]
	}
	f.injector = make([]estimate, nInj)
	for i := range d {
		f.injector[i].diff = d[i]
	}
	f.like.diff = f.engine.diff
	if len(t.phases[0]) == 1 && len(t.phases[1]) == 1 {
		f.runs = runsWithin(t)
	}
	v1 := f.engine.df
	if v1 <= 0 {
		return f
	}

	var ssE float64
	for p, hs := range t.phases {
		m := mean(set[p])
		for _, h := range hs {
			for i, y := range h.mean {
				e := y - byInj[p][i] - h.set + m
				ssE += e * e
			}
		}
	}
	I := float64(nInj)
	c := 1/float64(len(set[0])) + 1/float64(len(set[1]))
	sH2 := f.engine.se * f.engine.se / c
	f.hangingSD = math.Sqrt(sH2)
	var sE2 float64
	vE := (I - 1) * v1
	if vE > 0 {
		sE2 = ssE / vE
	}
	for i := range f.injector {
		f.injector[i].se, f.injector[i].df = satterthwaite(
			component{c * sH2, v1}, component{c * sE2 * (I - 1) / I, vE})
	}
	if nInj > 1 {
		f.like.se, f.like.df = satterthwaite(
			component{c * sH2, v1}, component{squares(d) / (I - 1) / I, I - 1}, component{-c * sE2 / I, vE})
	}
	return f
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

// runsWithin compares set means of runs where each phase has one hanging. Runs
// without all injectors do not count.
func runsWithin(t table) estimate {
	var set [2][]float64
	for p := range t.phases {
		h := t.phases[p][0]
		for _, name := range sortedKeys(h.runs) {
			run := h.runs[name]
			var sum float64
			n := 0
			for _, i := range t.injectors {
				if y, ok := run[i]; ok {
					sum += y
					n++
				}
			}
			if n == len(t.injectors) {
				set[p] = append(set[p], sum/float64(n))
			}
		}
		if len(set[p]) == 0 {
			return estimate{}
		}
	}
	return twoSample(set[0], set[1])
}

// fill puts estimates and counts into the result.
func (r *Result) fill(t table, f fit) {
	r.Effect = f.engine.effect()
	if e := f.like.effect(); e.CI95 != nil {
		r.LikeThese = &e
	}
	if f.engine.df > 0 {
		sd := percent(f.hangingSD)
		r.HangingSDPercent = &sd
	}
	for p, count := range []*Count{&r.Before, &r.After} {
		sets := 0.0
		for _, h := range t.phases[p] {
			sets += h.set / float64(len(t.phases[p]))
			count.Hangings++
			count.Runs += len(h.runs)
			for _, run := range h.runs {
				for _, i := range t.injectors {
					if _, ok := run[i]; ok {
						count.Readings++
					}
				}
			}
		}
		count.MLPerMin = math.Exp(sets)
	}
	for i, name := range t.injectors {
		e := f.injector[i]
		var log [2]float64
		for p, hs := range t.phases {
			for _, h := range hs {
				log[p] += h.mean[i] / float64(len(hs))
			}
		}
		inj := Injector{Injector: name, BeforeMLPerMin: math.Exp(log[0]), AfterMLPerMin: math.Exp(log[1]), Percent: percent(e.diff)}
		if e.known() {
			lo, hi := e.interval(alpha / float64(len(t.injectors)))
			if hi-lo < 2*maxHalf {
				inj.CI95 = &[2]float64{percent(lo), percent(hi)}
			}
		}
		r.Injectors = append(r.Injectors, inj)
	}
	r.Method = "Student's two-sample t on the set's mean log rate in each hanging, variance pooled over the phases; runs are averaged within a hanging, injectors within the set; equivalence by two one-sided tests; injectors' intervals by Bonferroni"
}

// judge decides, and works out the planning figures.
func (r *Result) judge(t table, f fit) {
	if !f.engine.known() {
		r.forbid(t, f)
		return
	}
	margin := math.Log1p(r.Equivalence.MarginPercent / 100)
	pLo, pHi := f.engine.tost(-margin, margin)
	p := math.Max(pLo, pHi)
	r.Equivalence.P = &p
	switch {
	case *r.Effect.P < alpha && f.engine.diff < 0:
		r.Decision = Lower
	case *r.Effect.P < alpha:
		r.Decision = Higher
	case p < alpha:
		r.Decision = NoMeaningfulChange
	}
	if d := detectable(f.engine.se, f.engine.df); d < maxHalf {
		s := percent(d)
		r.SmallestDetectablePercent = &s
	}
	if r.Decision == CannotTell {
		if n := hangingsNeeded(margin, f.hangingSD); n > 0 {
			r.HangingsNeeded = &n
		}
	}
}

// forbid says why there is no interval.
func (r *Result) forbid(t table, f fit) {
	nb, na := len(t.phases[0]), len(t.phases[1])
	switch {
	case f.engine.df <= 0 && r.Before.Runs == 1 && r.After.Runs == 1:
		r.Forbids = "there is one run in each phase: how much runs differ by themselves is not known"
	case f.engine.df <= 0:
		r.Forbids = "there is one hanging in each phase: the hanging cannot be told from the treatment"
		if e := f.runs.effect(); e.CI95 != nil {
			r.RunsOnly = &e
		}
	case f.engine.se <= minSD:
		r.Forbids = fmt.Sprintf("the set's mean is the same to the last digit within each phase, over %d and %d hangings: the readings look copied or are rounded too coarsely", nb, na)
	default:
		r.Forbids = "the hangings differ so much among themselves that no useful interval can be given"
	}
}
