package change

import (
	"fmt"
	"math"
	"strings"
)

// Finding is the sentence that a person acts on: the change, its interval, and what
// may be said. It never says better or worse: which way a return flow should move
// is debated in the trade.
func (r Result) Finding() string {
	out := r.sentence()
	if r.Model == modelBench {
		out += " Each phase has one hanging, which cannot be told from the treatment by these data: the interval is widened by the spread between hangings that this bench was found to have."
	}
	return out
}

func (r Result) sentence() string {
	what := fmt.Sprintf("The set's return flow was %s in phase %s than in phase %s",
		Moved(r.Effect.Percent, r.Effect.CI95), r.After.Phase, r.Before.Phase)
	if r.Effect.CI95 == nil {
		return fmt.Sprintf("Cannot tell: %s. %s, with no interval to go with it.", r.Forbids, what)
	}
	what += fmt.Sprintf(" (95 %% interval: %s)", Range(*r.Effect.CI95))
	margin := r.Equivalence.MarginPercent
	switch r.Decision {
	case NoMeaningfulChange:
		return fmt.Sprintf("No meaningful change. %s: no change is shown, and one as large as the margin of %g %% is ruled out.%s", what, margin, r.couldShow())
	case CannotTell:
		return fmt.Sprintf("Cannot tell yet. %s: no change is shown, and one as large as the margin of %g %% is not ruled out.%s", what, margin, r.couldShow())
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

// couldShow says how small a change the data could have shown: where none is shown this
// belongs to it.
func (r Result) couldShow() string {
	if r.SmallestDetectablePercent == nil {
		return " Data such as these hardly ever show a change, however large."
	}
	return fmt.Sprintf(" The smallest change that data such as these show, 4 times out of 5, is %.2g %%.", *r.SmallestDetectablePercent)
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
