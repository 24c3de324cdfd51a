package rate

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/gonum/stat/distuv"

	"brimline/analysis/curve"
)

// Term is one line of an uncertainty budget.
type Term struct {
	Name  string  // "fit", "calibration", "zero drift", "hose pull", "buoyancy", "time base", "density" or "fuel temperature"
	U     float64 // standard uncertainty that it gives the rate, in the rate's unit
	DF    float64 // its degrees of freedom; +Inf for what is not estimated here
	Kind  string  // "A": by statistics of readings; "B": from what else is known (GUM 4.2, 4.3)
	Basis string  // what U was taken from: half width and distribution, or how it was found
}

const (
	termFit         = "fit"
	termCalibration = "calibration"
	termDrift       = "zero drift"
	termHose        = "hose pull"
	termBuoyancy    = "buoyancy"
	termTime        = "time base"
	termDensity     = "density"
	termTemperature = "fuel temperature"
)

// Half widths of what no fill shows, all taken as rectangular. Where a number is a
// choice, its reason stands beside it.
const (
	// hosePullG is how much the force of a hose on its tube may change over a run of
	// hoseRunS, as it warms and creeps: half of what a hose hung with care pulls (estimate).
	hosePullG = 0.05
	// A hose warms in minutes: a shorter run sees a smaller part of it, so that the pull's
	// pace is what counts; a longer one sees no more than all of it.
	hoseRunS = 180
	// A hose that creeps goes on for minutes after the flow ends, so that a rest of this
	// length shows its pace; what crept early and had come to rest is not in it, and so no
	// less than half of the pull is left.
	hoseRestS = 60
	hoseLeast = 0.5
	timeBase  = 50e-6 // of a crystal from cold to hot (common practice, no source)
)

// What may be had by doing what the advice says; the numbers of the budget of a load cell
// with everything measured.
const (
	adviceWorth     = 0.005  // of the rate: below it the engine's own 1 to 3 % from run to run (common practice, no source) is all that counts
	adviceHelps     = 0.9    // of U95: a remedy that leaves more is none
	calibratedRelU  = 0.0003 // non-linearity within 0.05 % and masses of class M1
	densityMeasured = 0.0003 // g/mL, of a hydrometer that is read to 0.0005
	tempMeasuredC   = 1 / 1.7320508075688772
	expansionPerC   = 0.00085 // of diesel, relative
)

var longerRuns = []float64{30, 60, 120, 180, 300, 600} // s

// setBudget fills in mass and volume rates, their uncertainty, and the budget, from the
// slope in Unit/min, its fit over spanS, the term of the zero's drift, and the rest after
// the flow.
//
// A channel that was calibrated with masses shows what fuel weighs in air: the air's lift
// is corrected in the rate.
func (f *Fill) setBudget(perMin float64, sf slopeFit, spanS float64, drift Term, after rest, c curve.Curve, d *curve.Density) {
	inf := math.Inf(1)
	f.AtC = math.NaN()
	factor, liftHalf := 1.0, 0.0
	if c.InAir {
		factor, liftHalf = curve.InAir(d)
	}
	perMin *= factor
	f.perReading = factor
	size := math.Abs(perMin)
	terms := []Term{{termFit, sf.u * 60 * factor, sf.df, "A", "noise and wander of the fill's own readings"}}
	b := func(name string, half float64, basis string) {
		if half > 0 {
			terms = append(terms, Term{name, half / math.Sqrt(3), inf, "B", basis + ", rectangular"})
		}
	}
	if c.ScaleRelU > 0 {
		terms = append(terms, Term{termCalibration, size * c.ScaleRelU, c.ScaleDF, "B", fmt.Sprintf("the line's span, u %s of it", percent(c.ScaleRelU))})
	}
	if drift.U > 0 {
		drift.U *= factor
		terms = append(terms, drift)
	}
	if c.Unit == curve.Gram {
		half := hoseHalf(spanS, after)
		b(termHose, half, fmt.Sprintf("±%s mg/min", figures(1000*half, 2)))
		b(termBuoyancy, liftHalf*size, "±"+percent(liftHalf))
	}
	b(termTime, timeBase*size, "±50 ppm")
	f.Budget = terms
	switch f.Unit {
	case curve.Gram:
		f.RateGPerMin = perMin
		f.U, f.DF = welchSatterthwaite(terms)
		if d != nil {
			f.setVolume(*d)
		}
	case curve.Millilitre:
		f.RateMLPerMin = perMin
		if d != nil {
			f.RateGPerMin = perMin * d.GPerML
			f.shrink(*d)
		}
		f.U, f.DF = welchSatterthwaite(f.Budget)
		f.UMLPerMin, f.DFMLPerMin = f.U, f.DF
	}
	f.K, f.KMLPerMin = Coverage95(f.DF), Coverage95(f.DFMLPerMin)
	f.U95, f.U95MLPerMin = f.K*f.U, f.KMLPerMin*f.UMLPerMin
	slices.SortStableFunc(f.Budget, func(a, b Term) int {
		switch {
		case a.U > b.U:
			return -1
		case a.U < b.U:
			return 1
		}
		return 0
	})
	f.Advice = f.advise(sf, spanS, d)
}

// setVolume gives a fill in grams its volume rate.
func (f *Fill) setVolume(d curve.Density) {
	at := curve.Stated{GPerML: d.GPerML, U: d.U, UTemp: d.UTemp, AtC: math.NaN()}
	if d.Stated != nil {
		at = *d.Stated
	}
	f.AtC = at.AtC
	f.RateMLPerMin = f.RateGPerMin / at.GPerML
	ml := make([]Term, 0, len(f.Budget)+2)
	for _, t := range f.Budget {
		t.U /= at.GPerML
		ml = append(ml, t)
	}
	relative := func(name string, u float64) {
		if u > 0 {
			ml = append(ml, Term{name, math.Abs(f.RateMLPerMin) * u / at.GPerML, math.Inf(1), "B", fmt.Sprintf("%s g/mL, u %s g/mL", figures(at.GPerML, 5), figures(u, 2))})
		}
	}
	relative(termDensity, at.U)
	relative(termTemperature, at.UTemp)
	f.UMLPerMin, f.DFMLPerMin = welchSatterthwaite(ml)
	f.Budget = ml
}

// shrink states a volume that was measured in the tubes at the temperature that is
// asked for.
func (f *Fill) shrink(d curve.Density) {
	if d.Stated == nil || math.IsNaN(d.Stated.UShrink) {
		return
	}
	f.AtC = d.Stated.AtC
	q := d.GPerML / d.Stated.GPerML
	f.RateMLPerMin *= q
	f.perReading *= q
	for i := range f.Budget {
		f.Budget[i].U *= q
	}
	if u := d.Stated.UShrink; u > 0 {
		f.Budget = append(f.Budget, Term{termTemperature, math.Abs(f.RateMLPerMin) * u, math.Inf(1), "B", fmt.Sprintf("volume × %s, u %s", figures(q, 5), percent(u))})
	}
}

// hoseHalf is how fast the pull of a hose may change, g/min: half the width.
func hoseHalf(spanS float64, after rest) float64 {
	half := hosePullG / max(spanS, hoseRunS) * 60
	if after.long >= hoseRestS && !math.IsNaN(after.slope) {
		return max(hoseLeast*half, min(half, 60*(math.Abs(after.slope)+2*after.u)))
	}
	return half
}

// advise says what would make U smaller, by the largest term of the budget, and by how
// much; empty where nothing is worth doing.
func (f *Fill) advise(sf slopeFit, spanS float64, d *curve.Density) string {
	unit, r, u, u95 := string(f.Unit)+"/min", f.Rate(), f.U, f.U95
	if !math.IsNaN(f.RateMLPerMin) {
		unit, r, u, u95 = "mL/min", f.RateMLPerMin, f.UMLPerMin, f.U95MLPerMin
	}
	r = math.Abs(r)
	if len(f.Budget) == 0 || !(u > 0) || !(r > 3*u) || u95 < adviceWorth*r {
		return ""
	}
	// What U would be with u1 for the first term.
	say := func(u1 float64, do string) string {
		terms := slices.Clone(f.Budget)
		terms[0].U, terms[0].DF = u1, math.Inf(1)
		u, df := welchSatterthwaite(terms)
		if to := Coverage95(df) * u; to < adviceHelps*u95 {
			return fmt.Sprintf("longer runs will not help: %s ±%s %s would become ±%s", do, figures(u95, 2), unit, figures(to, 2))
		}
		return ""
	}
	switch f.Budget[0].Name {
	case termCalibration:
		return say(r*calibratedRelU, "calibrate "+f.Channel+";")
	case termDensity:
		if d != nil {
			return say(r*densityMeasured/d.GPerML, "measure the density of the fuel to 0.0005 g/mL;")
		}
	case termTemperature:
		return say(r*expansionPerC*tempMeasuredC, "measure the fuel's temperature in the tubes to 1 °C;")
	case termDrift:
		return say(f.Budget[0].U/2, "let the bench warm up, out of sun and draught; at half the drift")
	case termFit, termHose:
		return f.longer(sf, spanS, unit, u95, u95/u)
	}
	return ""
}

// longer is what a longer run would give: white noise goes with the time to the power
// -3/2, wander with -1/2, and the pull of the hoses as it is spread over the run.
func (f *Fill) longer(sf slopeFit, spanS float64, unit string, u95, k float64) string {
	perValue := spanS / max(float64(f.Samples), 1)
	white := func(T float64) float64 { return 12 * sf.white * sf.white * perValue / (T * T * T) }
	walk := func(T float64) float64 { return 1.1 * sf.walk * sf.walk / T } // 1 with walk alone, 6/5 with much white
	sum := white(spanS) + walk(spanS)
	after := func(extra float64) float64 {
		T, s := spanS+extra, 0.0
		for _, t := range f.Budget {
			v := t.U * t.U
			switch t.Name {
			case termFit:
				if sum > 0 {
					v *= (white(T) + walk(T)) / sum
				}
			case termHose:
				v *= math.Pow(max(spanS, hoseRunS)/max(T, hoseRunS), 2)
			}
			s += v
		}
		return k * math.Sqrt(s)
	}
	what := "a longer run would help"
	if f.Budget[0].Name == termHose {
		what = "hang the hoses so that they bear on nothing, or run longer"
	}
	for _, extra := range longerRuns {
		if to := after(extra); to <= u95/2 {
			return fmt.Sprintf("%s: %.0f s more halve the ±%s %s", what, extra, figures(u95, 2), unit)
		}
	}
	if to := after(spanS); to < adviceHelps*u95 {
		return fmt.Sprintf("%s: with %.0f s more ±%s %s would become ±%s", what, spanS, figures(u95, 2), unit, figures(to, 2))
	}
	return "longer runs will not help: the reading wanders; let the bench warm up, or repeat the run"
}

// figures prints x with n significant figures, never as a power of ten.
func figures(x float64, n int) string {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return strconv.FormatFloat(x, 'g', n, 64)
	}
	return strconv.FormatFloat(x, 'f', max(0, n-1-int(math.Floor(math.Log10(math.Abs(x))))), 64)
}

func percent(part float64) string { return figures(100*part, 2) + " %" }

// Coverage95 returns the factor k that makes a 95 % interval of a standard
// uncertainty with df degrees of freedom (GUM, table G.2); NaN for NaN.
func Coverage95(df float64) float64 {
	if math.IsNaN(df) {
		return df
	}
	if math.IsInf(df, 1) || df > 1e6 {
		return 1.959963984540054
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: max(df, 1)}.Quantile(0.975)
}

// welchSatterthwaite returns the combined standard uncertainty of the terms and
// its effective degrees of freedom (GUM, equation G.2b), which are not cut to a whole
// number: Student's t is defined between them, and cutting makes an interval jump.
func welchSatterthwaite(terms []Term) (u, df float64) {
	var s2, q float64
	for _, t := range terms {
		v := t.U * t.U
		s2 += v
		if !math.IsInf(t.DF, 1) && t.DF > 0 {
			q += v * v / t.DF
		}
	}
	if q == 0 {
		return math.Sqrt(s2), math.Inf(1)
	}
	return math.Sqrt(s2), s2 * s2 / q
}
