package change

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"
)

// Finding is the sentence that a person acts on: the change, its interval, and what
// may be said. It never says better or worse: which way a return flow should move
// is debated in the trade.
func (r Result) Finding() string {
	what := fmt.Sprintf("The set's return flow was %s in phase %s than in phase %s",
		Moved(r.Effect.Percent, r.Effect.CI95), r.After.Phase, r.Before.Phase)
	if r.Effect.CI95 == nil {
		return fmt.Sprintf("Cannot tell: %s. %s, with no interval to go with it.", r.Forbids, what)
	}
	what += fmt.Sprintf(" (95 %% interval: %s)", Range(*r.Effect.CI95))
	margin := r.Equivalence.MarginPercent
	switch r.Decision {
	case NoMeaningfulChange:
		return fmt.Sprintf("No meaningful change. %s: no change is shown, and one as large as the margin of %g %% is ruled out.", what, margin)
	case CannotTell:
		return fmt.Sprintf("Cannot tell yet. %s: no change is shown, and one as large as the margin of %g %% is not ruled out.", what, margin)
	}
	word := strings.ToUpper(string(r.Decision)[:1]) + string(r.Decision)[1:]
	lo, hi := r.Effect.CI95[0], r.Effect.CI95[1]
	if up, down := margin, percent(-math.Log1p(margin/100)); lo > up || hi < down {
		return fmt.Sprintf("%s. %s: all of it beyond the margin of %g %% that was set.", word, what, margin)
	}
	if *r.Equivalence.P < alpha {
		return fmt.Sprintf("%s, by less than the margin. %s: the change is shown, and shown to be smaller than the margin of %g %% that was set.", word, what, margin)
	}
	return fmt.Sprintf("%s. %s: whether it is larger than the margin of %g %% that was set cannot be told.", word, what, margin)
}

// Moved says a change in words, "4.2 % lower", with digits that suit its interval,
// which may be nil.
func Moved(percent float64, ci *[2]float64) string {
	d := 1
	if ci != nil {
		d = digits(*ci)
	}
	word := "higher"
	if percent < 0 {
		word = "lower"
	}
	if size := fmt.Sprintf("%.*f", d, math.Abs(percent)); strings.Trim(size, "0.") != "" {
		return size + " % " + word
	}
	return fmt.Sprintf("%.*f %% different", d, 0.0)
}

// Range says an interval in words, "1.0 % to 7.3 % lower".
func Range(ci [2]float64) string {
	d := digits(ci)
	lo, hi := ci[0], ci[1]
	switch {
	case hi < 0:
		return fmt.Sprintf("%.*f %% to %.*f %% lower", d, -hi, d, -lo)
	case lo > 0:
		return fmt.Sprintf("%.*f %% to %.*f %% higher", d, lo, d, hi)
	}
	return fmt.Sprintf("%.*f %% lower to %.*f %% higher", d, -lo, d, hi)
}

// digits after the point: two figures of a half interval below 1 %, none where it
// is above 20 %.
func digits(ci [2]float64) int {
	switch half := (ci[1] - ci[0]) / 2; {
	case half < 0.95:
		return 2
	case half < 20:
		return 1
	}
	return 0
}

// warn adds the doubts that the design of the test raises.
func (r *Result) warn(readings []Reading, t table, f fit, o Options) {
	add := func(format string, a ...any) { r.Warnings = append(r.Warnings, fmt.Sprintf(format, a...)) }
	nb, na := r.Before.Hangings, r.After.Hangings
	switch {
	case nb == 1 && na == 1:
		add("one hanging per phase: what taking the tubes off and hanging them again does to the reading cannot be told from the treatment; measure each phase again in new hangings, two at the least and three to be useful")
		if r.RunsOnly != nil {
			add("the runs within these hangings alone would give %s (95 %% interval: %s); that leaves the hanging out, so it is too narrow and is wrong far more often than one time in 20",
				Moved(r.RunsOnly.Percent, r.RunsOnly.CI95), Range(*r.RunsOnly.CI95))
		}
	case nb == 1 || na == 1:
		add("one phase has a single hanging: that hanging cannot be told from the treatment by itself, and the scatter is taken from the other phase")
	case f.engine.df < 4:
		add("few hangings: %d and %d leave %g degrees of freedom, so the interval is wide; three in each phase make it much narrower", nb, na, f.engine.df)
	}
	if n := len(t.injectors); n == 1 {
		add("one injector: there is no set, and the finding is of this injector alone")
	} else if n < 4 {
		add("few injectors: %d of them say little about other injectors", n)
	}
	r.warnDay(readings, add)
	r.warnScatter(readings, f, add)
	add("no untreated comparison: return flow drifts by itself, and an untreated engine measured alongside would show by how much")
	if o.PickedWorst {
		add("picked because it read high or low: such a reading moves back towards the rest by itself; take a second baseline and leave out the reading that it was picked by")
	}
}

// warnDay warns where each phase was measured on a single day.
func (r *Result) warnDay(readings []Reading, add func(string, ...any)) {
	var days [2][]string
	for _, x := range readings {
		p := slices.Index([]string{r.Before.Phase, r.After.Phase}, x.Phase)
		if p >= 0 && x.Day != "" && !slices.Contains(days[p], x.Day) {
			days[p] = append(days[p], x.Day)
		}
	}
	if len(days[0]) == 1 && len(days[1]) == 1 && days[0][0] != days[1][0] {
		add("one day per phase (%s and %s): what else changed between the days, such as fuel, its temperature or the weather, cannot be told from the treatment", days[0][0], days[1][0])
	}
}

// warnScatter warns where hangings agree better than the readings' own stated
// uncertainty can explain, at a chance of 1 in 1000.
func (r *Result) warnScatter(readings []Reading, f fit, add func(string, ...any)) {
	if !f.engine.known() {
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
	chi2 := f.engine.df * f.hangingSD * f.hangingSD / expected
	if p := (distuv.ChiSquared{K: f.engine.df}).CDF(chi2); p < 1e-3 {
		add("the hangings agree to %.2g %%, better than the readings' stated uncertainty lets expect (%.2g %%): either the uncertainty is mostly of a kind that all readings share, or the readings are rounded or copied",
			percent(f.hangingSD), percent(math.Sqrt(expected)))
	}
}
