package change

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// methods says in words how an interval came about.
var methods = map[string]string{
	modelMixed:    "a mixed model of the log rates, with injector, phase and their interaction as what is asked for and hanging, run and reading as scatter; REML, Kenward and Roger's errors and degrees of freedom",
	modelMeans:    "Student's two-sample t on the set's mean log rate in each hanging, variance pooled over the phases; runs are averaged within a hanging, injectors within the set",
	modelAdjusted: "least squares on the set's mean log rate in each hanging, with the phase and the conditions named beforehand",
	modelBench:    "Student's two-sample t on the set's mean log rate in each run, widened by the bench's own spread between hangings",
}

// fill puts estimates and counts into the result.
func (r *Result) fill(t table, f fit) {
	r.Effect = f.engine.effect()
	if e := f.like.effect(); e.CI95 != nil {
		r.LikeThese = &e
	}
	if f.hangingSD > 0 || f.means.df > 0 || f.engine.df > 0 {
		sd := percent(f.hangingSD)
		r.HangingSDPercent = &sd
	}
	for p, count := range []*Count{&r.Before, &r.After} {
		for _, h := range t.phases[p] {
			count.Hangings++
			count.Runs += len(h.runs)
		}
		for _, x := range t.rows {
			if x.phase == p {
				count.Readings++
			}
		}
		count.MLPerMin = math.Exp(mean(t.byInj[p]))
	}
	for i, name := range t.injectors {
		e := f.injector[i]
		inj := Injector{Injector: name, BeforeMLPerMin: math.Exp(t.byInj[0][i]), AfterMLPerMin: math.Exp(t.byInj[1][i]), Percent: percent(e.diff)}
		if e.known() {
			lo, hi := e.interval(alpha / float64(len(t.injectors)))
			if hi-lo < 2*maxHalf {
				inj.CI95 = &[2]float64{percent(lo), percent(hi)}
			}
			p := e.p()
			inj.P = &p
		}
		r.Injectors = append(r.Injectors, inj)
	}
	holm(r.Injectors)
	r.Model, r.ModelWhy = f.model, f.why
	r.Method = methods[f.model]
	if r.Method != "" {
		r.Method += "; equivalence by two one-sided tests; injectors' intervals by Bonferroni"
	}
	r.Scatter = scatterOf(t, f)
}

// holm turns the injectors' p values into Holm's.
func holm(of []Injector) {
	var known []*Injector
	for i := range of {
		if of[i].P != nil {
			known = append(known, &of[i])
		}
	}
	slices.SortStableFunc(known, func(a, b *Injector) int { return cmp.Compare(*a.P, *b.P) })
	most := 0.0
	for k, i := range known {
		most = math.Max(most, math.Min(1, *i.P*float64(len(of)-k)))
		p := most
		i.P = &p
	}
}

// scatterOf is the spreads; nil where none is known.
func scatterOf(t table, f fit) *Scatter {
	var s Scatter
	own, _ := t.withinRuns()
	within := t.withinHangings()
	I := float64(len(t.injectors))
	if within.df > 0 && own.df > 0 {
		sd := percent(math.Sqrt(math.Max(0, within.v-own.v/I)))
		ci := williams(within, component{own.v / I, own.df})
		s.RunPercent, s.RunCI95 = &sd, &ci
	}
	if f.spreads != nil {
		sd := percent(f.spreads.hanging)
		s.HangingPercent = &sd
	}
	switch e := t.resid(); {
	case own.df > 0:
		sd := percent(math.Sqrt(own.v))
		s.ReadingPercent = &sd
	case t.oneRun && e.df > 0:
		sd := percent(math.Sqrt(e.v))
		s.ReadingPercent = &sd
	}
	if s == (Scatter{}) {
		return nil
	}
	return &s
}

// williams is a 95 % interval of the standard deviation, in percent, of what the first of
// two variances has more than the second (Williams, Biometrika 49 (1962) 278; Searle,
// Casella, McCulloch, Variance Components (1992) p. 78).
func williams(a, b component) [2]float64 {
	end := func(q float64) float64 {
		v := a.v
		if b.v > 0 {
			v -= b.v * distuv.F{D1: a.df, D2: b.df}.Quantile(q)
		}
		return percent(math.Sqrt(math.Max(0, a.df*v/distuv.ChiSquared{K: a.df}.Quantile(q))))
	}
	return [2]float64{end(1 - alpha/2), end(alpha / 2)}
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
	if e := f.runs.effect(); e.CI95 != nil && f.engine.df <= 0 {
		r.RunsOnly = &e
	}
	switch {
	case f.engine.df <= 0 && r.Before.Runs == 1 && r.After.Runs == 1:
		r.Forbids = "there is one run in each phase: how much runs differ by themselves is not known"
	case f.engine.df <= 0:
		r.Forbids = "there is one hanging in each phase: the hanging cannot be told from the treatment"
	case f.engine.se <= minSD:
		r.Forbids = fmt.Sprintf("the set's mean is the same to the last digit within each phase, over %d and %d hangings: the readings look copied or are rounded too coarsely", nb, na)
	default:
		r.Forbids = "the hangings differ so much among themselves that no useful interval can be given"
	}
}
