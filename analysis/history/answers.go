package history

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// injectors fills in each series' own answers.
func (r *Result) injectors(b *book, o Options) {
	for _, name := range b.series {
		var rows []row
		for _, w := range b.rows {
			if w.series == name {
				rows = append(rows, w)
			}
		}
		first, last := rows[0].visit, rows[len(rows)-1].visit
		s := Series{Name: name, Position: rows[0].Position, First: geometric(rows, first), Last: geometric(rows, last), Drift: []Drift{}, Steps: []Step{}}
		seen := map[int]bool{}
		for _, w := range rows {
			seen[w.visit] = true
		}
		s.Tests = len(seen)
		if len(seen) > 1 {
			own := fits{gaps: r.gapsOf(b), of: map[string]*fitted{}}
			for _, by := range []string{Distance, Date} {
				if x := r.axis(b, by); x != nil {
					if o.NoDrift {
						x = nil
					}
					own.of[by] = fitRows(rows, x, own.gaps)
				}
			}
			n := float64(len(b.series))
			s.Drift, s.Steps = r.answers(own, own.of, alpha/n, alpha/n/float64(max(1, len(own.gaps))))
			s.Steps = slices.DeleteFunc(s.Steps, func(x Step) bool { return x.Change == nil })
		}
		if strings.Contains(name, " from ") && len(seen) < 3 {
			r.doubt("new-series", fmt.Sprintf("injector %s begins anew with %d of the tests: a drift of its own needs 3 and more", name, len(seen)), "")
		}
		r.Injectors = append(r.Injectors, s)
	}
}

// gapsOf is gaps without saying again what they lack.
func (r *Result) gapsOf(b *book) []gap {
	var quiet Result
	return quiet.gaps(b)
}

// geometric is the mean rate of rows at a visit.
func geometric(rows []row, visit int) float64 {
	sum, n := 0.0, 0
	for _, w := range rows {
		if w.visit == visit {
			sum += w.y
			n++
		}
	}
	return math.Exp(sum / float64(n))
}

// current is the series of the last visit.
func (b *book) current() []string {
	var out []string
	for _, w := range b.rows {
		if w.visit == len(b.visits)-1 && !slices.Contains(out, w.series) {
			out = append(out, w.series)
		}
	}
	return out
}

// visitMeans lists the set at each visit.
func (r *Result) visitMeans(b *book, s fits) {
	f := s.main(r.By)
	for i, v := range b.visits {
		m := VisitMean{Tests: v.name(), Date: day(v.at), MLPerMin: geometric(b.rows, i)}
		if !math.IsNaN(v.odometer) {
			m.Odometer = &v.odometer
		}
		var means []string
		for _, w := range b.rows {
			if w.visit == i {
				m.Readings++
				if !slices.Contains(means, w.Means) {
					means = append(means, w.Means)
				}
			}
		}
		slices.Sort(means)
		m.Means = strings.Join(means, " and ")
		if f == nil {
			m.Level = &m.MLPerMin
		} else if level, ok := f.visitLevel(i, b.current()); ok {
			level = math.Exp(level)
			m.Level = &level
		} else {
			r.doubt("not-linked", fmt.Sprintf("test %s does not compare with the last one: no injector links them", v.name()), "when injectors are fitted, test before and after, and leave one where it is if you can")
		}
		r.Visits = append(r.Visits, m)
	}
}

// back holds the last test against an earlier one.
func (r *Result) back(b *book, s fits, o Options) error {
	f := s.main(r.By)
	to := 0
	if o.BackTo != "" {
		to = slices.IndexFunc(b.visits, func(v visit) bool {
			return slices.ContainsFunc(v.tests, func(t Test) bool { return t.Label == o.BackTo })
		})
		switch {
		case to < 0:
			return fmt.Errorf("no test %s with readings to go back to; the tests are: %s", o.BackTo, strings.Join(b.names(), ", "))
		case to == len(b.visits)-1:
			return fmt.Errorf("test %s is of the last visit itself; name an earlier one: %s", o.BackTo, strings.Join(b.names()[:to], ", "))
		}
	}
	if f == nil {
		return nil
	}
	last := len(b.visits) - 1
	series := b.current()
	c, _ := f.visitContrast(last, series)
	e, _ := f.visitContrast(to, series)
	for i := range c {
		c[i] -= e[i]
	}
	if !f.means.determined(c) {
		return nil // not-linked says it
	}
	if f.df < 1 {
		r.doubt("back-unknown", fmt.Sprintf("whether test %s is where %s was cannot be told: how much visits differ by themselves is not known from so few", b.visits[last].name(), b.visits[to].name()), "")
		return nil
	}
	value, variance := f.means.estimate(c)
	d := estimate{value, math.Sqrt(f.ms * variance), f.df}
	change := d.change(alpha)
	if change == nil {
		return nil
	}
	margin := math.Log1p(o.MarginPercent / 100)
	p := max(tCDF(-(d.value+margin)/d.se, d.df), tCDF((d.value-margin)/d.se, d.df))
	r.Back = &Back{Test: b.visits[last].name(), To: b.visits[to].name(), MarginPercent: o.MarginPercent, Change: *change, PEquivalence: &p}
	said := fmt.Sprintf("%s (%s)", Moved(*change), Range(*change.CI95))
	zero := change.CI95[0] <= 0 && change.CI95[1] >= 0
	switch {
	case zero && p < alpha:
		r.Back.Says = fmt.Sprintf("The last test, %s, is where %s was, within the margin of %g %%: %s.", r.Back.Test, r.Back.To, o.MarginPercent, said)
	case p < alpha:
		r.Back.Says = fmt.Sprintf("The last test, %s, differs from %s, by less than the margin of %g %%: %s.", r.Back.Test, r.Back.To, o.MarginPercent, said)
	case !zero:
		r.Back.Says = fmt.Sprintf("The last test, %s, is not where %s was: %s.", r.Back.Test, r.Back.To, said)
	default:
		r.Back.Says = fmt.Sprintf("Whether the last test, %s, is where %s was cannot be told: %s.", r.Back.Test, r.Back.To, said)
	}
	if slices.Contains(f.covs, "hand") && !f.handInVisits && b.meansOf(last) != b.meansOf(to) {
		r.doubt("back-by-other-means", fmt.Sprintf("%s was measured %s and %s %s: what the two differ by is in their comparison", r.Back.Test, b.meansOf(last), r.Back.To, b.meansOf(to)), "")
	}
	return nil
}

func (b *book) names() []string {
	var out []string
	for _, v := range b.visits {
		out = append(out, v.name())
	}
	return out
}

// meansOf is what a visit was measured with: ByHand when only so.
func (b *book) meansOf(visit int) string {
	if slices.ContainsFunc(b.rows, func(w row) bool { return w.visit == visit && w.Means != ByHand }) {
		return "by the rig"
	}
	return ByHand
}

// forecast looks ahead, as far as it may.
func (r *Result) forecast(b *book, s fits, o Options) {
	f := s.main(r.By)
	if f == nil || f.df < 1 || len(b.visits) < 3 {
		return
	}
	x := s.x[r.By]
	last := len(b.visits) - 1
	furthest := x[last] + maxExtrapolation*x[last]
	at := furthest
	if o.ForecastAt != 0 {
		at = o.ForecastAt
		if r.By == Distance {
			at = (o.ForecastAt - b.visits[0].odometer) / 1000
		}
	}
	place := func(x float64) string {
		if r.By == Distance {
			return fmt.Sprintf("%s %s", thousands(b.visits[0].odometer+1000*x), r.Unit)
		}
		return day(b.visits[0].at.Add(time.Duration(x * daysPerMonth * 24 * float64(time.Hour))))
	}
	if !(at <= furthest*(1+1e-9)) || at < x[last] {
		why := "before the last test"
		if at > x[last] {
			why = fmt.Sprintf("further than half of what the tests cover beyond the last, up to %s", place(furthest))
		}
		r.doubt("forecast-beyond", fmt.Sprintf("no forecast for %s: it is %s", place(at), why), "")
		return
	}
	series, covs := map[string]float64{}, map[string]float64{"drift": at}
	current := b.current()
	for _, name := range current {
		series[name] = 1 / float64(len(current))
	}
	for i := range s.gaps {
		covs[fmt.Sprintf("step %d", i)] = 1
	}
	covs["hand"] = is(b.meansOf(last) == ByHand)
	e, ok := f.estimate(f.contrast(series, covs))
	if !ok || !e.known(alpha) {
		return
	}
	var weight float64
	for i, w := range f.rows {
		if w.visit == last {
			weight += f.weights[i]
		}
	}
	t := tQuantile(1-alpha/2, e.df)
	test := math.Sqrt(e.se*e.se + f.ms/weight)
	if t*test > maxHalf {
		return
	}
	r.Forecast = &Forecast{At: place(at), MLPerMin: math.Exp(e.value),
		Mean95: [2]float64{math.Exp(e.value - t*e.se), math.Exp(e.value + t*e.se)},
		Test95: [2]float64{math.Exp(e.value - t*test), math.Exp(e.value + t*test)}}
}

// thousands writes a whole number with commas.
func thousands(v float64) string {
	s := strconv.FormatFloat(math.Round(v), 'f', 0, 64)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// scatter is how single readings repeat: by means, within a hanging of a test.
func (r *Result) scatter(b *book) {
	for _, means := range []string{ByRig, ByHand} {
		ss, df := repeats(b.rows, func(w row) bool { return w.Means == means }, func(w row) string {
			return fmt.Sprint(w.Test, "/", w.Hanging, "/", w.Position)
		})
		if df > 0 {
			r.Scatter = append(r.Scatter, Scatter{means, percent(math.Sqrt(ss / float64(df))), df})
		}
	}
}

// repeats is the sum of squares of log rates within groups, and its degrees of freedom.
func repeats(rows []row, use func(row) bool, group func(row) string) (ss float64, df int) {
	of := map[string][]float64{}
	for _, w := range rows {
		if use(w) {
			of[group(w)] = append(of[group(w)], w.y)
		}
	}
	for _, k := range sortedKeys(of) {
		ys := of[k]
		m := mean(ys)
		for _, y := range ys {
			ss += (y - m) * (y - m)
		}
		df += len(ys) - 1
	}
	return ss, df
}

func mean(x []float64) float64 {
	var s float64
	for _, v := range x {
		s += v
	}
	return s / float64(len(x))
}

// byTime orders checks.
func byTime(a, b Check) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Percent, b.Percent)) }
