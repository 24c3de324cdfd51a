package history

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"brimline/analysis/mixed"
)

// estimate is a log ratio with its error; df is 0 when there is none.
type estimate struct{ value, se, df float64 }

// minSD is the error below which readings are taken for copies: no bench and no eye repeats
// to a billionth. maxHalf is the widest half interval that is shown: a factor of 1000
// either way says nothing.
const minSD = 1e-9

var maxHalf = math.Log(1000)

func (e estimate) known(level float64) bool {
	return e.df > 0 && e.se > minSD && tQuantile(1-level/2, e.df)*e.se < maxHalf
}

// change turns the estimate into percent; its interval is at 1 - level.
func (e estimate) change(level float64) *Change {
	if !e.known(level) {
		return nil
	}
	half := tQuantile(1-level/2, e.df) * e.se
	p, df := 2*tCDF(-math.Abs(e.value/e.se), e.df), e.df
	return &Change{Percent: percent(e.value), CI95: &[2]float64{percent(e.value - half), percent(e.value + half)}, DF: &df, P: &p, log: e.value, se: e.se}
}

func percent(log float64) float64 { return 100 * math.Expm1(log) }

func tCDF(t, df float64) float64      { return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.CDF(t) }
func tQuantile(p, df float64) float64 { return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(p) }

// gap is the events between two neighbouring visits, which no test can tell apart.
type gap struct {
	name, kinds   string
	first         int // visit after it
	before, after string
}

// gaps lists them, and says which events have no test on one side.
func (r *Result) gaps(b *book) []gap {
	var out []gap
	outside := map[string][]string{}
	for i, e := range b.events {
		at := slices.IndexFunc(b.visits, func(v visit) bool { return v.passed[i] })
		switch {
		case len(b.visits) == 0:
		case at == 0 && e.Position > 0: // fitted before all tests
		case at == 0:
			outside["before the first test"] = append(outside["before the first test"], e.name())
		case at < 0:
			outside["after the last test"] = append(outside["after the last test"], e.name())
		case e.Position > 0: // its series begins anew: nothing steps but that position
		default:
			if n := len(out); n > 0 && out[n-1].first == at {
				out[n-1].name += " and " + e.name()
				if !slices.Contains(strings.Split(out[n-1].kinds, ", "), e.Kind) {
					out[n-1].kinds += ", " + e.Kind
				}
				continue
			}
			out = append(out, gap{e.name(), e.Kind, at, b.visits[at-1].name(), b.visits[at].name()})
		}
	}
	for _, where := range sortedKeys(outside) {
		r.doubt("event-outside", fmt.Sprintf("%s: %s; no step can be told without a test on either side", where, strings.Join(outside[where], ", ")), "")
	}
	for _, g := range out {
		if strings.Contains(g.name, " and ") {
			r.doubt("events-together", fmt.Sprintf("%s: no test lies between them, so their step is that of all together", g.name), "test after each thing that is done")
		}
	}
	return out
}

// fitted is the model of some rows on one axis.
type fitted struct {
	rows   []row
	series []string
	covs   []string // "drift", "step 0", ..., "hand"
	visits []int    // that have rows, by number in the book
	line   lsq      // series and covs
	means  lsq      // series and visits, and hand where visits have both
	ms, df float64  // of the visits' stratum
	mixed  *mixed.Fit
	sd     float64 // between visits; of the mixed model
	scale  float64 // of drift's column

	handInVisits bool
	weights      []float64
}

// column gives a covariate's values: x of each visit in the book, steps by the visit that
// is first to have passed.
func column(rows []row, value func(row) float64) []float64 {
	out := make([]float64, len(rows))
	for i, w := range rows {
		out[i] = value(w)
	}
	return out
}

// fitRows fits rows; x is the axis by visit, nil for no drift.
func fitRows(rows []row, x []float64, gaps []gap) *fitted {
	f := &fitted{rows: rows, scale: 1}
	hand, rig := false, false
	for _, w := range rows {
		if !slices.Contains(f.series, w.series) {
			f.series = append(f.series, w.series)
		}
		if !slices.Contains(f.visits, w.visit) {
			f.visits = append(f.visits, w.visit)
		}
		hand, rig = hand || w.Means == ByHand, rig || w.Means != ByHand
	}
	var cols, covCols [][]float64
	for _, s := range f.series {
		cols = append(cols, column(rows, func(w row) float64 { return is(w.series == s) }))
	}
	if x != nil {
		for _, v := range f.visits {
			f.scale = max(f.scale, math.Abs(x[v]))
		}
		f.covs = append(f.covs, "drift")
		covCols = append(covCols, column(rows, func(w row) float64 { return x[w.visit] / f.scale }))
	}
	for i, g := range gaps {
		f.covs = append(f.covs, fmt.Sprintf("step %d", i))
		covCols = append(covCols, column(rows, func(w row) float64 { return is(w.visit >= g.first) }))
	}
	if hand && rig {
		f.covs = append(f.covs, "hand")
		covCols = append(covCols, column(rows, func(w row) float64 { return is(w.Means == ByHand) }))
	}
	visitCols := slices.Clone(cols)
	for _, v := range f.visits {
		visitCols = append(visitCols, column(rows, func(w row) float64 { return is(w.visit == v) }))
	}
	y := column(rows, func(w row) float64 { return w.y })
	cols = append(cols, covCols...)
	if hand && rig {
		visitCols = append(visitCols, covCols[len(covCols)-1])
	}
	weights := make([]float64, len(rows))
	for i := range weights {
		weights[i] = 1
	}
	f.line = solve(cols, y, weights)
	f.fitMixed(y, covCols)

	residual := 0.0
	floor := 0.0
	if f.mixed != nil {
		residual = f.mixed.ResidualVariance
	} else if allKnown(rows) {
		residual = betweenVariance(cols, y, rows)
		floor = 1 // the known variances are the least that there is
	}
	if allKnown(rows) {
		for i, w := range rows {
			weights[i] = 1 / (w.known + residual)
		}
	} else if residual > 0 {
		for i := range weights {
			weights[i] = 1 / residual
		}
	}
	f.line = solve(cols, y, weights)
	f.means = solve(visitCols, y, weights)
	if last := len(visitCols) - 1; hand && rig {
		if _, follows := f.means.depends[last]; follows { // each visit is all by hand or all by the rig
			f.means = solve(visitCols[:last], y, weights)
		} else {
			f.handInVisits = true
		}
	}
	f.weights = weights
	if f.df = float64(f.means.rank() - f.line.rank()); f.df > 0 {
		f.ms = (f.line.rss - f.means.rss) / f.df
		if scatterless(f.ms, weights) {
			f.ms = 0
		} else if floor > 0 {
			f.ms = max(f.ms, floor)
		}
	}
	return f
}

// scatterless reports whether a mean square is no more than rounding.
func scatterless(ms float64, w []float64) bool {
	return ms <= minSD*minSD*slices.Max(w)
}

func is(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func allKnown(rows []row) bool {
	return !slices.ContainsFunc(rows, func(w row) bool { return w.known <= 0 })
}

// betweenVariance is the variance v that, with the rows' known ones, makes the weighted sum
// of squares what it should be (Paule and Mandel, J. Res. NBS 87 (1982) 377); 0 where the
// known ones do.
func betweenVariance(cols [][]float64, y []float64, rows []row) float64 {
	excess := func(v float64) float64 {
		w := make([]float64, len(rows))
		for i, x := range rows {
			w[i] = 1 / (x.known + v)
		}
		l := solve(cols, y, w)
		return l.rss - float64(len(rows)-l.rank())
	}
	if excess(0) <= 0 {
		return 0
	}
	lo, hi := 0.0, 1e-6
	for excess(hi) > 0 && hi < 1e6 {
		lo, hi = hi, 4*hi
	}
	for range 40 { // to a part in 10^12
		if mid := (lo + hi) / 2; excess(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// levels names each row's group and counts the groups.
func levels(rows []row, key func(row) string) (values []string, n int) {
	seen := map[string]bool{}
	for _, w := range rows {
		k := key(w)
		values, seen[k] = append(values, k), true
	}
	return values, len(seen)
}

// fitMixed fits the mixed model where rows can carry one.
func (f *fitted) fitMixed(y []float64, covCols [][]float64) {
	rows := f.rows
	m := mixed.Model{Response: y}
	if len(f.series) > 1 {
		values, _ := levels(rows, func(w row) string { return w.series })
		m.Factors, m.Fixed = append(m.Factors, mixed.Factor{Name: "series", Values: values, Levels: f.series}), append(m.Fixed, "series")
	}
	for i, name := range f.covs {
		if slices.Contains(f.line.kept, len(f.series)+i) {
			m.Numbers, m.Fixed = append(m.Numbers, mixed.Number{Name: name, Values: covCols[i]}), append(m.Fixed, name)
		}
	}
	random := func(name string, key func(row) string, above int) int {
		values, n := levels(rows, key)
		if n < 2 || n >= len(rows) || n <= above {
			return above
		}
		m.Factors = append(m.Factors, mixed.Factor{Name: name, Values: values})
		m.Random = append(m.Random, mixed.Random{By: name})
		return n
	}
	visit := func(w row) string { return fmt.Sprint(w.visit) }
	hanging := func(w row) string { return fmt.Sprint(w.visit, "/", w.Test, "/", w.Hanging) }
	run := func(w row) string { return hanging(w) + "/" + w.Run }
	visits := random("visit", visit, 1)
	if len(m.Random) == 0 {
		return
	}
	hangings := random("hanging", hanging, visits)
	random("run", run, hangings)
	random("visit x series", func(w row) string { return visit(w) + "/" + w.series }, max(visits, hangings))
	if allKnown(rows) {
		for _, w := range rows {
			m.KnownVariance = append(m.KnownVariance, w.known)
		}
	}
	// Effects that these readings cannot tell apart are dropped from the last on: the residual
	// then holds them.
	for len(m.Random) > 0 {
		fit, err := m.Fit(mixed.REML)
		if err == nil {
			f.mixed, f.sd = fit, fit.Random[0].SD[0]
			return
		}
		m.Random = m.Random[:len(m.Random)-1]
	}
}

// spreadShown reports whether the mixed model has a spread between visits, so that its
// intervals hold.
func (f *fitted) spreadShown() bool { return f.mixed != nil && f.sd > 1e-6 }

// contrast is a weight for each series and for covariates by name.
func (f *fitted) contrast(series map[string]float64, covs map[string]float64) []float64 {
	c := make([]float64, len(f.series)+len(f.covs))
	for i, s := range f.series {
		c[i] = series[s]
	}
	for i, name := range f.covs {
		c[len(f.series)+i] = covs[name]
		if name == "drift" {
			c[len(f.series)+i] /= f.scale
		}
	}
	return c
}

// estimate is what the readings say of a contrast. ok is false where they do not
// determine it; df 0 where no error is to be had.
func (f *fitted) estimate(c []float64) (e estimate, ok bool) {
	if !f.line.determined(c) {
		return e, false
	}
	value, variance := f.line.estimate(c)
	e = estimate{value, math.Sqrt(f.ms * variance), f.df}
	if f.df < 1 {
		return estimate{value: value}, true
	}
	if !f.spreadShown() {
		return e, true
	}
	of := map[string]float64{}
	for i, s := range f.series {
		of["series="+s] = c[i]
		of["intercept"] += c[i]
	}
	for i, name := range f.covs {
		of[name] = c[len(f.series)+i]
	}
	k := make(mixed.Contrast, len(f.mixed.Names))
	for i, name := range f.mixed.Names {
		k[i] = of[name]
	}
	x, err := f.mixed.Estimate(k, mixed.KenwardRoger)
	if err != nil || !(x.SE > 0) || !(x.DF > 0) || math.IsInf(x.SE, 0) {
		return e, true // the stratum's error
	}
	return estimate{x.Value, x.SE, x.DF}, true
}

// fits is the set's model on both axes.
type fits struct {
	gaps []gap
	x    map[string][]float64
	of   map[string]*fitted
}

// main is the fit on the axis that was chosen.
func (s fits) main(by string) *fitted { return s.of[by] }

// fit fits the set and fills in drift, steps, hand against rig and spreads.
func (r *Result) fit(b *book, o Options) fits {
	s := fits{gaps: r.gaps(b), x: map[string][]float64{}, of: map[string]*fitted{}}
	if len(b.visits) < 2 {
		if len(b.visits) == 1 {
			r.doubt("one-test", "there is one test: nothing to hold it against", "test again after some time or distance")
		}
		return s
	}
	for _, by := range []string{Distance, Date} {
		x := r.axis(b, by)
		s.x[by] = x
		if x == nil {
			continue
		}
		if o.NoDrift {
			x = nil
		}
		s.of[by] = fitRows(b.rows, x, s.gaps)
	}
	f := s.main(r.By)
	level := alpha / float64(max(1, len(s.gaps)))
	r.Drift, r.Steps = r.answers(s, s.of, alpha, level)
	r.cannotBear(f, s, o)
	if e, ok := f.estimate(f.contrast(nil, map[string]float64{"hand": 1})); ok && slices.Contains(f.covs, "hand") {
		r.Hand = e.change(alpha)
	}
	if slices.Contains(f.covs, "hand") && r.Hand == nil {
		r.doubt("hand-apart", "what hand readings differ by from the rig's cannot be told from drift and steps", "measure both ways on one day")
	}
	r.spreads(f)
	r.regression(b, f, s.gaps)
	switch {
	case f.df < 1:
		r.Method = "none: too few visits for an error"
	case f.spreadShown():
		r.Method = "mixed model of log rates, visits random; REML, Kenward-Roger"
	default:
		r.Method = fmt.Sprintf("least squares of log rates with the error between visits, Student's t with %.0f degrees of freedom", f.df)
	}
	return s
}

// answers is drift and steps of fits on both axes, at their levels.
func (r *Result) answers(s fits, of map[string]*fitted, driftLevel, stepLevel float64) ([]Drift, []Step) {
	drift, steps := []Drift{}, []Step{}
	for _, by := range []string{Distance, Date} {
		f := of[by]
		if f == nil || !slices.Contains(f.covs, "drift") {
			continue
		}
		per := "month"
		if by == Distance {
			per = r.perUnit()
		}
		if e, ok := f.estimate(f.contrast(nil, map[string]float64{"drift": 1})); ok {
			if c := e.change(driftLevel); c != nil {
				drift = append(drift, Drift{per, *c})
			}
		}
	}
	f := of[r.By]
	for i, g := range s.gaps {
		st := Step{Name: g.name, Kinds: g.kinds, Before: g.before, After: g.after}
		if e, ok := f.estimate(f.contrast(nil, map[string]float64{fmt.Sprintf("step %d", i): 1})); ok {
			st.Change = e.change(stepLevel)
		}
		steps = append(steps, st)
	}
	return drift, steps
}

// cannotBear says what the set's readings do not tell, and why.
func (r *Result) cannotBear(f *fitted, s fits, o Options) {
	n, p := len(f.visits), len(f.covs)+1
	if f.df >= 1 {
		if f.ms == 0 && !f.spreadShown() {
			r.doubt("no-scatter", "readings repeat exactly from visit to visit: there is no scatter that an interval could rest on", "see that readings were not copied, and note them with more digits")
			return
		}
		for i, name := range f.covs {
			c := make([]float64, len(f.series)+len(f.covs))
			c[len(f.series)+i] = 1
			if f.line.determined(c) || name == "hand" {
				continue
			}
			what := "drift"
			if strings.HasPrefix(name, "step ") {
				var k int
				if _, err := fmt.Sscanf(name, "step %d", &k); err == nil {
					what = "the step at " + s.gaps[k].name
				}
			}
			r.doubt("confounded", fmt.Sprintf("%s has no number: these tests cannot tell it from the other effects", what), "test more than once between events")
		}
		return
	}
	next := fmt.Sprintf("take at least %d visits for this many effects", p+1)
	if !o.NoDrift && len(s.gaps) > 0 {
		next += ", or say --no-drift if nothing drifts between events"
	}
	if n == 2 && len(s.gaps) > 0 && !o.NoDrift {
		r.doubt("drift-or-step", "two visits cannot tell drift from a step: neither has a number", next+"; 'brimline compare' holds the two tests against each other")
		return
	}
	what := "a line through them fits exactly"
	if len(s.gaps) > 0 {
		what = fmt.Sprintf("drift and %d steps fit them exactly", len(s.gaps))
		if o.NoDrift {
			what = fmt.Sprintf("%d steps fit them exactly", len(s.gaps))
		}
	}
	r.doubt("few-visits", fmt.Sprintf("%d visits: %s, so nothing is left to say how sure a number is, and none is given", n, what), next)
}

// spreads fills in what visits and hangings add, as the mixed model has it.
func (r *Result) spreads(f *fitted) {
	if f.mixed == nil {
		return
	}
	for _, c := range f.mixed.Random {
		if c.By == "visit" && f.df >= 1 {
			r.BetweenVisits = &Spread{percent(c.SD[0]), f.df}
		}
	}
	for _, w := range f.mixed.Warnings {
		if w.Code == "not-converged" {
			r.doubt("not-converged", strings.TrimSuffix(w.Text, "."), "")
		}
	}
}

// regression warns where something was done after a visit that stood out: such a reading
// moves back by itself.
func (r *Result) regression(b *book, f *fitted, gaps []gap) {
	for _, g := range gaps {
		if g.first < 3 { // of two none stands out
			continue
		}
		var before []float64
		for v := range g.first {
			if e, ok := f.visitLevel(v, f.series[:1]); ok {
				before = append(before, e)
			}
		}
		if len(before) < 3 {
			continue
		}
		last := before[len(before)-1]
		if last == slices.Max(before) || last == slices.Min(before) {
			end := "highest"
			if last == slices.Min(before) {
				end = "lowest"
			}
			r.doubt("regression-to-mean", fmt.Sprintf("%s came after the %s reading so far: if that was the reason for it, the next reading lies nearer to the others by itself", g.name, end), "")
		}
	}
}

// visitLevel is the log level of series at a visit, by what its injectors share with the
// other visits; ok is false where nothing links them.
func (f *fitted) visitLevel(visit int, series []string) (float64, bool) {
	c, ok := f.visitContrast(visit, series)
	if !ok || !f.means.determined(c) {
		return 0, false
	}
	v, _ := f.means.estimate(c)
	return v, true
}

func (f *fitted) visitContrast(visit int, series []string) ([]float64, bool) {
	at := slices.Index(f.visits, visit)
	if at < 0 {
		return nil, false
	}
	c := make([]float64, len(f.series)+len(f.visits), len(f.series)+len(f.visits)+1)
	if f.handInVisits {
		c = append(c, 0)
	}
	for _, s := range series {
		if i := slices.Index(f.series, s); i >= 0 {
			c[i] = 1 / float64(len(series))
		}
	}
	c[len(f.series)+at] = 1
	return c, true
}
