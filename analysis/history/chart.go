package history

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// EWMA is an exponentially weighted moving average chart (Roberts, Technometrics 1 (1959)
// 239; NIST/SEMATECH e-Handbook 6.3.2.4): z[i] = Lambda x[i] + (1 - Lambda) z[i-1] from
// Target on, with limits Target ± L SD sqrt(Lambda/(2-Lambda) (1 - (1-Lambda)^2i)).
type EWMA struct {
	Lambda, L  float64
	Target, SD float64
}

// EWMAPoint is one value of the chart.
type EWMAPoint struct {
	Value float64 `json:"value"`
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
	Out   bool    `json:"out"`
}

// Points gives the chart of x, in the order of time.
func (c EWMA) Points(x []float64) []EWMAPoint {
	out := make([]EWMAPoint, len(x))
	z, left := c.Target, 1.0
	for i, v := range x {
		z = c.Lambda*v + (1-c.Lambda)*z
		left *= (1 - c.Lambda) * (1 - c.Lambda)
		half := c.L * c.SD * math.Sqrt(c.Lambda/(2-c.Lambda)*(1-left))
		out[i] = EWMAPoint{z, c.Target - half, c.Target + half, math.Abs(z-c.Target) > half}
	}
	return out
}

// Limits are those that the chart comes to.
func (c EWMA) Limits() (lower, upper float64) {
	half := c.L * c.SD * math.Sqrt(c.Lambda/(2-c.Lambda))
	return c.Target - half, c.Target + half
}

// CUSUM is a two-sided cumulative sum chart (Page, Biometrika 41 (1954) 100; NIST/SEMATECH
// e-Handbook 6.3.2.3): upper = max(0, upper + x - Target - K), lower = max(0, lower +
// Target - x - K), out where one is above H. All in the unit of x.
type CUSUM struct {
	Target, K, H float64
	HeadStart    float64 // where both sums begin (Lucas and Crosier, Technometrics 24 (1982) 199: H/2)
}

// CUSUMPoint is one value of the chart. Since is how many points the side that stands
// higher has been above zero: the change began about so many points ago.
type CUSUMPoint struct {
	Upper float64 `json:"upper"`
	Lower float64 `json:"lower"`
	Since int     `json:"since"`
	Out   bool    `json:"out"`
}

// Points gives the chart of x, in the order of time.
func (c CUSUM) Points(x []float64) []CUSUMPoint {
	out := make([]CUSUMPoint, len(x))
	up, low := c.HeadStart, c.HeadStart
	nUp, nLow := 0, 0
	count := func(n *int, s float64) {
		if s > 0 {
			*n++
		} else {
			*n = 0
		}
	}
	for i, v := range x {
		up, low = max(0, up+v-c.Target-c.K), max(0, low+c.Target-v-c.K)
		count(&nUp, up)
		count(&nLow, low)
		out[i] = CUSUMPoint{up, low, nUp, up > c.H || low > c.H}
		if low > up {
			out[i].Since = nLow
		}
	}
	return out
}

// The charts' limits: with the mean at its target both give a false alarm once in some 370
// points, and find a shift of one standard deviation after some 10. (EWMA 371.1 and 9.8,
// CUSUM 368.4 and 11.4: R package spc 0.6.7, see the test.)
const (
	ewmaLambda = 0.2
	ewmaL      = 2.86
	cusumK     = 0.25 // in standard deviations
	cusumH     = 8
	falseAlarm = 370
)

// minBaseline is the fewest points that a chart takes target and scatter from. Rule of
// thumb: common practice, no source; textbooks ask for 20 and more, and below chartFew the
// chart says so.
const (
	minBaseline = 5
	chartFew    = 20
)

// d2 is the mean range of two values in standard deviations: 2/sqrt(pi).
var d2 = 2 / math.Sqrt(math.Pi)

// Chart is a quantity on both charts, in percent from its target.
type Chart struct {
	Of       string       `json:"of"`
	Labels   []string     `json:"labels"`
	Values   []float64    `json:"values"`
	Baseline int          `json:"baseline"` // so many points from the first give target and SD
	SD       float64      `json:"sd"`       // from neighbours' differences
	EWMA     []EWMAPoint  `json:"ewma"`
	CUSUM    []CUSUMPoint `json:"cusum"`
	CUSUMH   float64      `json:"cusum_limit"`
	Says     string       `json:"says"`
}

// chartOf draws x; values are in percent. Nil: too few, or no scatter.
func chartOf(of string, labels []string, x []float64, baseline int) *Chart {
	if baseline < minBaseline {
		return nil
	}
	target := mean(x[:baseline])
	moved := 0.0
	for i := 1; i < baseline; i++ {
		moved += math.Abs(x[i]-x[i-1]) / float64(baseline-1)
	}
	sd := moved / d2
	if !(sd > 100*minSD) {
		return nil
	}
	c := &Chart{Of: of, Labels: labels, Baseline: baseline, SD: sd, CUSUMH: cusumH * sd}
	for _, v := range x {
		c.Values = append(c.Values, v-target)
	}
	c.EWMA = EWMA{ewmaLambda, ewmaL, 0, sd}.Points(c.Values)
	c.CUSUM = CUSUM{0, cusumK * sd, cusumH * sd, 0}.Points(c.Values)
	first := func(out func(int) bool) string {
		for i := range x {
			if out(i) {
				return labels[i]
			}
		}
		return ""
	}
	e, s := first(func(i int) bool { return c.EWMA[i].Out }), first(func(i int) bool { return c.CUSUM[i].Out })
	switch {
	case e == "" && s == "":
		c.Says = fmt.Sprintf("%s: within the limits of both charts", of)
	case e == "":
		c.Says = fmt.Sprintf("%s: CUSUM is beyond its limit from %s on, EWMA is not", of, s)
	case s == "":
		c.Says = fmt.Sprintf("%s: EWMA is beyond its limits first at %s, CUSUM is not", of, e)
	default:
		c.Says = fmt.Sprintf("%s: beyond the limits, EWMA first at %s and CUSUM first at %s", of, e, s)
	}
	return c
}

// charts draws the set's mean and the check weights.
func (r *Result) charts(b *book, checks []Check) {
	r.setChart(b)
	checks = slices.Clone(checks)
	slices.SortStableFunc(checks, byTime)
	type line struct {
		channel string
		id      int64
	}
	var lines []line
	for _, c := range checks {
		if l := (line{c.Channel, c.Line}); !slices.Contains(lines, l) {
			lines = append(lines, l)
		}
	}
	for _, l := range lines {
		var labels []string
		var x []float64
		for _, c := range checks {
			if c.Channel == l.channel && c.Line == l.id && !math.IsNaN(c.Percent) && !math.IsInf(c.Percent, 0) {
				labels, x = append(labels, c.At.UTC().Format(time.DateOnly)), append(x, c.Percent)
			}
		}
		of := fmt.Sprintf("check weight on %s, calibration %d", l.channel, l.id)
		if c := chartOf(of, labels, x, min(len(x), chartFew)); c != nil {
			r.Charts = append(r.Charts, *c)
			r.fewPoints(*c)
		} else if len(x) > 0 {
			r.doubt("chart-few", fmt.Sprintf("%s: no control chart of %d readings; it takes %d that scatter", of, len(x), minBaseline), "")
		}
	}
}

func (r *Result) fewPoints(c Chart) {
	if c.Baseline < chartFew {
		r.doubt("chart-few", fmt.Sprintf("%s: target and scatter rest on %d points, so false alarms come oftener than the once in %d that the limits are for", c.Of, c.Baseline, falseAlarm), "")
	}
}

// setChart draws the set's mean; what was before the first event is its baseline.
func (r *Result) setChart(b *book) {
	var labels []string
	var x []float64
	baseline := -1
	means := map[string]int{}
	for _, v := range r.Visits {
		means[v.Means]++
	}
	mixedMeans := len(means) > 1
	for i, v := range r.Visits {
		if v.Level == nil {
			continue
		}
		if baseline < 0 && slices.Contains(b.visits[i].passed, true) && !slices.Equal(b.visits[i].passed, b.visits[0].passed) {
			baseline = len(x)
		}
		labels, x = append(labels, v.Tests), append(x, 100*math.Log(*v.Level))
	}
	if baseline < 0 {
		baseline = len(x)
	}
	of := "the set's mean"
	if c := chartOf(of, labels, x, min(baseline, chartFew)); c != nil {
		r.Charts = append(r.Charts, *c)
		r.fewPoints(*c)
		if mixedMeans {
			r.doubt("chart-means", "the chart of the set's mean holds hand and rig readings, which do not scatter alike", "")
		}
	} else if len(x) > 1 {
		r.doubt("chart-few", fmt.Sprintf("%s: no control chart, as %d visits lie before the first event; it takes %d that scatter", of, baseline, minBaseline), "")
	}
}

// Suspect finds the place at which a step, added to columns that explain y, explains the most:
// the largest F over places with at least so many values on either side (Andrews,
// Econometrica 61 (1993) 821). last is the number of values before it. P is that of the
// F at one place, times the places: on the safe side, as neighbours are alike. Size is the
// step. Values are taken to scatter independently. ok is false where none can be added.
func Suspect(y []float64, columns [][]float64, least int) (last int, f, p, size float64, ok bool) {
	n := len(y)
	w := make([]float64, n)
	for i := range w {
		w[i] = 1
	}
	without := solve(columns, y, w)
	places := 0
	df := float64(n - without.rank() - 1)
	for k := max(least, 1); k <= n-max(least, 1) && df >= 1; k++ {
		step := make([]float64, n)
		for i := k; i < n; i++ {
			step[i] = 1
		}
		l := solve(append(slices.Clone(columns), step), y, w)
		if l.rank() == without.rank() || !(l.rss > 0) { // an event is there already, or all is exact
			continue
		}
		places++
		if v := (without.rss - l.rss) / (l.rss / df); v > f {
			last, f, size, ok = k, v, l.beta[l.rank()-1], true
		}
	}
	return last, f, min(1, float64(places)*2*tCDF(-math.Sqrt(f), df)), size, ok
}

// unmarked warns of a step where nothing is noted, beyond drift, events and hand readings.
// Two visits at least are on either side: one that stands out alone is no step.
func (r *Result) unmarked(b *book, s fits, o Options) {
	fit := s.main(r.By)
	if fit == nil {
		return
	}
	var at []int
	var y []float64
	for i := range b.visits {
		if v, ok := fit.visitLevel(i, b.current()); ok {
			at, y = append(at, i), append(y, v)
		}
	}
	of := func(value func(visit int) float64) []float64 {
		out := make([]float64, len(at))
		for k, i := range at {
			out[k] = value(i)
		}
		return out
	}
	columns := [][]float64{of(func(int) float64 { return 1 })}
	if !o.NoDrift {
		columns = append(columns, of(func(i int) float64 { return s.x[r.By][i] / fit.scale }))
	}
	for _, g := range s.gaps {
		columns = append(columns, of(func(i int) float64 { return is(i >= g.first) }))
	}
	if !fit.handInVisits && slices.Contains(fit.covs, "hand") {
		columns = append(columns, of(func(i int) float64 { return is(b.meansOf(i) == ByHand) }))
	}
	if last, _, p, size, ok := Suspect(y, columns, 2); ok && p < alpha {
		word := "higher"
		if size < 0 {
			word = "lower"
		}
		r.doubt("unmarked-step", fmt.Sprintf("from test %s to %s the set steps, some %.2g %% %s, beyond drift and events (p %.2g after looking at every place): was something done, or the bench changed, that is not noted?",
			b.visits[at[last-1]].name(), b.visits[at[last]].name(), math.Abs(percent(size)), word, p), "")
	}
}
