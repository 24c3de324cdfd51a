package change

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// ConditionPair is one condition, before beside after.
type ConditionPair struct {
	Name   string       `json:"name"`
	Unit   string       `json:"unit"`
	Before *float64     `json:"before"` // mean over the runs that noted it; nil when none did
	After  *float64     `json:"after"`
	Ranges [][2]float64 `json:"ranges"` // least and most, before and after; empty unless both are there
	// Injectors has the values of a condition that is each injector's own.
	Injectors []InjectorCondition `json:"injectors,omitempty"`
	Used      bool                `json:"used"`              // the finding takes it into account
	WhyNot    string              `json:"why_not,omitempty"` // why it cannot be taken into account; empty: it can

	adjusted estimate
	x        [2][]float64 // per phase and hanging
}

// InjectorCondition is one injector's mean, before and after.
type InjectorCondition struct {
	Injector string   `json:"injector"`
	Before   *float64 `json:"before"`
	After    *float64 `json:"after"`
}

// leastDFBeside is how many degrees of freedom must be left beside a covariate: with fewer
// the covariate costs more in width than it can give.
const leastDFBeside = 3

// conditions lists the conditions, and takes those that are to be adjusted for into the
// fit where the design can bear it.
func (r *Result) conditions(readings []Reading, t table, f *fit, o Options) error {
	unit := map[string]string{}
	var names []string
	for i, x := range readings {
		if r.phaseOf(x) < 0 {
			continue
		}
		for _, c := range x.Conditions {
			u, known := unit[c.Name]
			if !known {
				unit[c.Name] = c.Unit
				names = append(names, c.Name)
			} else if u != c.Unit {
				return &ReadingError{i, x, fmt.Sprintf("its %s is in %q, others' in %q", c.Name, c.Unit, u), "give it in one unit throughout"}
			}
		}
	}
	slices.Sort(names)
	for _, n := range o.Adjust {
		if !slices.Contains(names, n) {
			have := "none is noted"
			if len(names) > 0 {
				have = "noted are: " + strings.Join(names, ", ")
			}
			return fmt.Errorf("comparing: no reading notes the condition %q that is to be taken into account; %s", n, have)
		}
	}
	var use []*ConditionPair
	r.Conditions = make([]ConditionPair, 0, len(names))
	for _, n := range names {
		r.Conditions = append(r.Conditions, r.condition(n, unit[n], readings, t))
		c := &r.Conditions[len(r.Conditions)-1]
		if c.WhyNot == "" {
			c.adjusted = adjusted(t, [][2][]float64{c.x})
		}
		if !slices.Contains(o.Adjust, n) {
			continue
		}
		if c.WhyNot != "" {
			r.doubt("not-adjusted", fmt.Sprintf("%s was to be taken into account, and is not: %s", n, c.WhyNot), "")
			continue
		}
		use = append(use, c)
	}
	if len(use) == 0 {
		return nil
	}
	var x [][2][]float64
	for _, c := range use {
		x = append(x, c.x)
	}
	e := adjusted(t, x)
	if e.df < leastDFBeside || e.se <= minSD {
		r.doubt("not-adjusted", fmt.Sprintf("the conditions named are not taken into account: %d hangings do not bear %d of them beside the phase", len(t.phases[0])+len(t.phases[1]), len(x)), "")
		return nil
	}
	for _, u := range use {
		u.Used = true
	}
	// An injector moves with the set by what the covariates move it, and by its own.
	c := t.perHangings()
	I := float64(len(t.injectors))
	own := t.resid()
	for i := range f.injector {
		f.injector[i].diff += e.diff - f.means.diff
		f.injector[i].se, f.injector[i].df = satterthwaite(component{e.se * e.se, e.df}, component{c * own.v * (I - 1) / I, own.df})
	}
	f.like = likeThese(e, f.injector, component{c * own.v / I, own.df})
	f.hangingSD = e.se / math.Sqrt(c)
	f.engine, f.model, f.why = e, modelAdjusted, "conditions were named beforehand to be taken into account"
	return nil
}

// condition gathers one condition.
func (r *Result) condition(name, unit string, readings []Reading, t table) ConditionPair {
	c := ConditionPair{Name: name, Unit: unit, Ranges: [][2]float64{}}
	type runKey struct{ phase, hanging, run string }
	var ofPhase [2][]float64
	perInj := map[string]*[2][]float64{}
	inRun := map[runKey]float64{}
	own, missing := false, false
	for _, x := range readings {
		p := r.phaseOf(x)
		if p < 0 {
			continue
		}
		i := slices.IndexFunc(x.Conditions, func(c Condition) bool { return c.Name == name })
		if i < 0 {
			missing = true
			continue
		}
		v := x.Conditions[i].Value
		ofPhase[p] = append(ofPhase[p], v)
		if perInj[x.Injector] == nil {
			perInj[x.Injector] = &[2][]float64{}
		}
		perInj[x.Injector][p] = append(perInj[x.Injector][p], v)
		k := runKey{x.Phase, x.Hanging, x.Run}
		if was, ok := inRun[k]; ok && was != v {
			own = true
		}
		inRun[k] = v
	}
	meanOf := func(x []float64) *float64 {
		if len(x) == 0 {
			return nil
		}
		m := mean(x)
		return &m
	}
	c.Before, c.After = meanOf(ofPhase[0]), meanOf(ofPhase[1])
	if c.Before != nil && c.After != nil {
		for _, x := range ofPhase {
			c.Ranges = append(c.Ranges, [2]float64{slices.Min(x), slices.Max(x)})
		}
	}
	if own {
		for _, i := range sortedKeys(perInj) {
			c.Injectors = append(c.Injectors, InjectorCondition{i, meanOf(perInj[i][0]), meanOf(perInj[i][1])})
		}
		c.WhyNot = "it is each injector's own, and what moves the injector may move it too"
		return c
	}
	df := len(t.phases[0]) + len(t.phases[1]) - 3
	switch {
	case c.Before == nil || c.After == nil:
		c.WhyNot = "it was noted in one phase only"
	case missing:
		c.WhyNot = "it was not noted in all runs"
	case df < leastDFBeside:
		c.WhyNot = fmt.Sprintf("too few hangings: %d and %d would leave %s", len(t.phases[0]), len(t.phases[1]), degrees(df))
	case c.Ranges[0][1] < c.Ranges[1][0] || c.Ranges[1][1] < c.Ranges[0][0]:
		c.WhyNot = "it moved with the phase, so the two cannot be told apart"
	default:
		for p, hs := range t.phases {
			for _, h := range hs {
				var s, n float64
				for _, run := range sortedKeys(h.runs) {
					s, n = s+inRun[runKey{[]string{r.Before.Phase, r.After.Phase}[p], h.name, run}], n+1
				}
				c.x[p] = append(c.x[p], s/n)
			}
		}
		if within := squares(c.x[0]) + squares(c.x[1]); !(within > 1e-12*(math.Pow(*c.Before, 2)+math.Pow(*c.After, 2))) {
			c.WhyNot = "it did not change from hanging to hanging"
			c.x = [2][]float64{}
		}
	}
	return c
}

func degrees(df int) string {
	switch {
	case df <= 0:
		return "no degree of freedom"
	case df == 1:
		return "1 degree of freedom"
	}
	return fmt.Sprintf("%d degrees of freedom", df)
}
