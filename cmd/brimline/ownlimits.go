package main

import (
	"fmt"
	"math"

	"brimline/analysis/rate"
	"brimline/cmd/brimline/serve"
	"brimline/config"
)

// ownNote says that a rate or a ratio is beyond one of the user's own limits. It is
// no finding: this program knows no limit of any engine.
type ownNote struct {
	Injector string
	Code     string // "below-own-limit" or "above-own-limit"
	Says     string
}

// ownLimits compares an injector's rate and its ratio to the others with the user's own
// limits, of which there are none unless the config sets them. What is not known is NaN.
func ownLimits(injector string, rateMLPerMin, rateU95, ratio, ratioU95 float64, l config.Limits) []ownNote {
	var out []ownNote
	say := func(code, way string, x, u95, limit float64, unit string) {
		n := ownNote{injector, code, fmt.Sprintf("%s your own limit of %g%s", way, limit, unit)}
		if math.Abs(x-limit) <= u95 {
			n.Says += ", by less than its ±"
		}
		out = append(out, n)
	}
	check := func(x, u95 float64, lo, hi *float64, unit string) {
		if lo != nil && x < *lo {
			say("below-own-limit", "below", x, u95, *lo, unit)
		}
		if hi != nil && x > *hi {
			say("above-own-limit", "above", x, u95, *hi, unit)
		}
	}
	check(rateMLPerMin, rateU95, l.LowMLPerMin, l.HighMLPerMin, " mL/min")
	check(ratio, ratioU95, l.LowRatio, l.HighRatio, " times the others")
	return out
}

// flagViews is the notes as the page shows them, as flags.
func flagViews(notes []ownNote) []serve.FlagView {
	var out []serve.FlagView
	for _, n := range notes {
		out = append(out, serve.FlagView{Code: n.Code, Severity: rate.Note.String(), Says: n.Says})
	}
	return out
}

// againstOwnLimits is what of the set is beyond the user's own limits: the members' means
// and ratios, or where no set is compared each fill's rate.
func (s *ratedSet) againstOwnLimits() []ownNote {
	var out []ownNote
	nan := math.NaN()
	scale := s.perMeasured()
	for _, m := range s.members {
		v, u := nan, nan
		if s.volume {
			v, u = m.Mean*scale, m.U95*scale
		}
		out = append(out, ownLimits(m.Injector, v, u, m.Ratio, m.RatioU95, s.limits)...)
	}
	if len(s.members) > 0 {
		return out
	}
	for _, f := range s.fits {
		for _, x := range f.Result.Fills {
			if x.Kind == rate.KindFill && x.Allows() && !s.isExcluded(f.Run) {
				out = append(out, ownLimits(memberName(f), x.RateMLPerMin, x.U95MLPerMin, nan, nan, s.limits)...)
			}
		}
	}
	return out
}
