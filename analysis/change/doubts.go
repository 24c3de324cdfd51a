package change

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"
)

// warn adds the doubts that the design of the test raises.
func (r *Result) warn(readings []Reading, t table, f fit, o Options) {
	r.warnHangings(f, o)
	switch n := len(t.injectors); {
	case n == 1:
		r.doubt("few-injectors", "one injector: there is no set, and the finding is of this injector alone", "")
	case n < 4:
		r.doubt("few-injectors", fmt.Sprintf("few injectors: %d of them say little about other injectors", n), "")
	}
	for _, c := range []Count{r.Before, r.After} {
		if c.Readings == 1 {
			r.doubt("one-reading", fmt.Sprintf("phase %s has a single reading: a slip in it would look like a change", c.Phase), "measure it again")
		}
	}
	r.warnUnits()
	r.warnMeans(readings)
	r.warnDay(readings)
	r.warnConditions()
	r.warnSpread(t)
	r.warnScatter(readings, f)
	r.doubt("no-untreated", "no untreated comparison: return flow drifts by itself, and an untreated engine measured alongside would show by how much", "")
	if o.PickedWorst {
		r.warnPicked(t)
	}
}

// unitsFactor is between what a wear or a repair does to a whole set, which no source puts at
// three times, and the least of the slips, 3.8 from gallons to litres.
const unitsFactor = 3

// warnUnits asks about the units where one phase is a multiple of the other.
func (r *Result) warnUnits() {
	if ratio := 1 + r.Effect.Percent/100; ratio > unitsFactor || ratio < 1.0/unitsFactor {
		r.doubt("units", fmt.Sprintf("the set's return flow in one phase is %.3g times that in the other: a slip of units (mL/min, mL/s, mL in a run of another length) looks like this", max(ratio, 1/ratio)),
			"see that the readings of both phases are in mL/min")
	}
}

func (r *Result) warnHangings(f fit, o Options) {
	nb, na := r.Before.Hangings, r.After.Hangings
	switch {
	case nb == 1 && na == 1:
		r.doubt("one-hanging", "one hanging per phase: what taking the tubes off and hanging them again does to the reading cannot be told from the treatment",
			"measure each phase again in new hangings, two at the least and three to be useful")
		if f.model == modelBench {
			says := fmt.Sprintf("the interval takes this bench's own spread between hangings, %.2g %% with %.3g degrees of freedom, to hold for this engine too", percent(o.HangingSD), o.HangingDF)
			if o.HangingFrom != "" {
				says = fmt.Sprintf("the interval takes the spread between hangings from %s, %.2g %% with %.3g degrees of freedom, and takes it to hold here too", o.HangingFrom, percent(o.HangingSD), o.HangingDF)
			}
			r.doubt("bench-hanging", says, "")
		}
		if r.RunsOnly != nil {
			r.doubt("runs-only", fmt.Sprintf("the runs within these hangings alone would give %s (95 %% interval: %s); that leaves the hanging out, so it is too narrow and is wrong far more often than one time in 20",
				Moved(r.RunsOnly.Percent, r.RunsOnly.CI95), Range(*r.RunsOnly.CI95)), "")
		}
	case nb == 1 || na == 1:
		r.doubt("single-hanging", "one phase has a single hanging: that hanging cannot be told from the treatment by itself, and the scatter is taken from the other phase", "")
	case f.engine.df < 4:
		r.doubt("few-hangings", fmt.Sprintf("few hangings: %d and %d leave %.3g degrees of freedom, so the interval is wide", nb, na, f.engine.df), "three in each phase make it much narrower")
	}
}

// warnMeans warns where one phase was measured with one thing and the other with another.
func (r *Result) warnMeans(readings []Reading) {
	var means [2][]string
	for _, x := range readings {
		if p := r.phaseOf(x); p >= 0 && !slices.Contains(means[p], x.Means) {
			means[p] = append(means[p], x.Means)
		}
	}
	for p := range means {
		slices.Sort(means[p])
	}
	if !slices.Equal(means[0], means[1]) {
		r.doubt("different-means", fmt.Sprintf("phase %s was measured %s and phase %s %s: what the two differ by themselves cannot be told from the treatment, and is not in the interval",
			r.Before.Phase, strings.Join(means[0], " and "), r.After.Phase, strings.Join(means[1], " and ")), "measure both in one way")
	}
}

// warnDay warns where each phase was measured on a single day.
func (r *Result) warnDay(readings []Reading) {
	var days [2][]string
	for _, x := range readings {
		if p := r.phaseOf(x); p >= 0 && x.Day != "" && !slices.Contains(days[p], x.Day) {
			days[p] = append(days[p], x.Day)
		}
	}
	if len(days[0]) == 1 && len(days[1]) == 1 && days[0][0] != days[1][0] {
		r.doubt("one-day", fmt.Sprintf("one day per phase (%s and %s): what else changed between the days, such as fuel, its temperature or the weather, cannot be told from the treatment", days[0][0], days[1][0]), "")
	}
	if len(days[0]) > 0 && len(days[1]) > 0 && slices.Max(days[0]) > slices.Min(days[1]) && slices.Min(days[0]) > slices.Min(days[1]) {
		r.doubt("day-order", fmt.Sprintf("phase %s began on %s, before phase %s, which began on %s", r.After.Phase, slices.Min(days[1]), r.Before.Phase, slices.Min(days[0])), "check the dates and which phase is which")
	}
}

// The temperature of the fuel as a condition, and from where on it is a doubt: the leaking
// part of a return flow moves by about 2 % for each degree (diesel near 40 C by ASTM D341).
// What it could have changed is told by who knows the fuel.
const (
	FuelTemperature = "fuel temperature"
	leakPercentPerC = 2.0

	DoubtFuelTemperature = "fuel-temperature"
	DoFuelTemperature    = "measure both phases at one temperature"

	leastTemperature = 1.0 // a difference that a workshop thermometer shows, C
	leastRelative    = 0.02
)

// warnConditions warns where a condition of the runs moved with the phase: its ranges do
// not meet, and it moved by more than it is noted to.
func (r *Result) warnConditions() {
	for _, c := range r.Conditions {
		if len(c.Ranges) == 0 || len(c.Injectors) > 0 || c.Used {
			continue
		}
		moved := *c.After - *c.Before
		apart := c.Ranges[0][1] < c.Ranges[1][0] || c.Ranges[1][1] < c.Ranges[0][0]
		if c.Name == FuelTemperature {
			if math.Abs(moved) >= leastTemperature && (apart || math.Abs(moved)*leakPercentPerC >= r.Equivalence.MarginPercent/2) {
				r.doubt(DoubtFuelTemperature, fmt.Sprintf("the fuel was at %.3g %s before and at %.3g %s after, and thin fuel leaks more: what that does cannot be told from the treatment",
					*c.Before, c.Unit, *c.After, c.Unit), DoFuelTemperature)
			}
			continue
		}
		if apart && math.Abs(moved) >= leastRelative*math.Max(math.Abs(*c.Before), math.Abs(*c.After)) {
			r.doubt("condition-moved", fmt.Sprintf("%s was %.4g %s before and %.4g %s after: what it does to the flow cannot be told from the treatment", c.Name, *c.Before, c.Unit, *c.After, c.Unit), "measure both phases under the same conditions")
		}
	}
}

// warnSpread warns where one phase scatters otherwise than the other: hangings at a chance
// of 1 in 20, readings at 1 in 100 as the finding hardly rests on theirs.
func (r *Result) warnSpread(t table) {
	test := func(what string, a, b component, level float64) {
		if a.df < 2 || b.df < 2 || a.v <= minSD*minSD || b.v <= minSD*minSD {
			return
		}
		c := (distuv.F{D1: b.df, D2: a.df}).CDF(b.v / a.v)
		if 2*math.Min(c, 1-c) >= level {
			return
		}
		r.doubt("unequal-spread", fmt.Sprintf("%s scatter by %.2g %% in phase %s and by %.2g %% in phase %s, and the interval takes them for alike", what,
			percent(math.Sqrt(a.v)), r.Before.Phase, percent(math.Sqrt(b.v)), r.After.Phase), "compare with Welch's row of the table")
	}
	var set [2]component
	for p := range set {
		if y := t.sets(p); len(y) > 1 {
			set[p] = component{squares(y) / float64(len(y)-1), float64(len(y) - 1)}
		}
	}
	test("the hangings", set[0], set[1], 0.05)
	test("the readings of a hanging", t.residual[0], t.residual[1], 0.01)
}

// warnScatter warns where hangings agree better than the readings' own stated
// uncertainty can explain, at a chance of 1 in 1000.
func (r *Result) warnScatter(readings []Reading, f fit) {
	if !f.means.known() {
		return
	}
	var sum float64
	n := 0
	for _, x := range readings {
		if x.UMLPerMin == 0 {
			continue
		}
		sum += x.UMLPerMin * x.UMLPerMin / (x.RateMLPerMin * x.RateMLPerMin)
		n++
	}
	if n == 0 {
		return
	}
	// A set mean averages the readings of a hanging; uncertainty that they share
	// (the vessel's scale) cancels between phases and is not in the scatter.
	perHanging := float64(r.Before.Readings+r.After.Readings) / float64(r.Before.Hangings+r.After.Hangings)
	expected := sum / float64(n) / perHanging
	chi2 := f.means.df * f.hangingSD * f.hangingSD / expected
	if p := (distuv.ChiSquared{K: f.means.df}).CDF(chi2); p < 1e-3 {
		r.doubt("too-alike", fmt.Sprintf("the hangings agree to %.2g %%, better than the readings' stated uncertainty lets expect (%.2g %%): either the uncertainty is mostly of a kind that all readings share, or the readings are rounded or copied",
			percent(f.hangingSD), percent(math.Sqrt(expected))), "")
	}
}

// Regress is what is to be expected next of one that was chosen for its reading: x of a
// population of mean mu, between whose members sd is sdBetween, where repeats of one
// scatter by sdRepeat. next = mu + ICC (x - mu), ICC = sdBetween^2/(sdBetween^2 +
// sdRepeat^2) (Galton, J. Anthropol. Inst. 15 (1886) 246). x - next is the false change of
// a treatment that does nothing.
func Regress(x, mu, sdBetween, sdRepeat float64) (next float64) {
	b, w := sdBetween*sdBetween, sdRepeat*sdRepeat
	if b+w == 0 {
		return x
	}
	return mu + b/(b+w)*(x-mu)
}

// warnPicked tells what moves back by itself, and by how much where the readings show it.
func (r *Result) warnPicked(t table) {
	says := "picked because it read high or low: such a reading moves back towards the rest by itself"
	const do = "take a second baseline and leave out the reading that it was picked by"
	before := t.byInj[0]
	e := t.resid()
	if own, _ := t.withinRuns(); e.df == 0 {
		e = own
	}
	if len(before) < 3 || e.df == 0 {
		r.doubt("picked", says, do)
		return
	}
	mu, far := mean(before), 0
	for i, y := range before {
		if math.Abs(y-mu) > math.Abs(before[far]-mu) {
			far = i
		}
	}
	// As the readings were averaged over the hangings, so is their scatter.
	repeat := e.v / float64(t.in[0][far])
	between := math.Max(0, squares(before)/float64(len(before)-1)-repeat)
	next := Regress(before[far], mu, math.Sqrt(between), math.Sqrt(repeat))
	r.doubt("picked", fmt.Sprintf("%s. Of these injectors %s stands furthest out before, at %.4g mL/min; by how injectors differ and repeats scatter it would next read %.4g with nothing done, a false change of %s. By how much an engine picked among others moves back is not to be seen from it alone",
		says, t.injectors[far], math.Exp(before[far]), math.Exp(next), Moved(percent(next-before[far]), &[2]float64{-0.5, 0.5})), do)
}
