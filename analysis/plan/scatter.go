package plan

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"brimline/analysis/mixed"
)

// Reading is one injector's rate in one run. Readings of one Group are of a time in which
// nothing was done to the engine: a phase. Hanging is within the group, Run within the hanging.
type Reading struct {
	Group, Hanging, Run, Injector string
	RateMLPerMin                  float64 // above zero
}

// History is how far an engine's own tests scatter, as standard deviations of logs.
type History struct {
	Hanging  float64 // of the whole set, from hanging to hanging
	Run      float64 // of the whole set, from run to run in a hanging
	Tube     float64 // of one injector from hanging to hanging, around the set
	Reading  float64 // of one injector from run to run, around the set; all that is left
	Response float64 // of an injector's change between two groups, around the set's; NaN: not known

	// RunsApart says that hangings have several runs, so that what runs add is told from what
	// hangings do. Else Hanging, or Tube, holds both.
	RunsApart  bool
	HangingDF  float64 // hangings less groups
	ResponseDF float64

	Groups, Hangings, Runs, Readings, Injectors int
	runsPerHanging                              float64
}

// For is the scatter that a set of so many injectors has. Without an estimate of what runs
// add, all of it is the hanging's, and more runs in a hanging are not counted on.
func (h History) For(injectors int) Scatter {
	n := float64(injectors)
	s := Scatter{HangingSD: math.Sqrt(h.Hanging*h.Hanging + h.Tube*h.Tube/n), TubeSD: h.Tube, ReadingSD: h.Reading, ResponseSD: h.Response}
	if h.RunsApart {
		s.RunSD = math.Sqrt(h.Run*h.Run + h.Reading*h.Reading/n)
	} else {
		s.HangingSD = math.Sqrt(h.Hanging*h.Hanging + (h.Tube*h.Tube+h.Reading*h.Reading)/n)
		s.TubeSD, s.ReadingSD = math.Hypot(h.Tube, h.Reading), 0
	}
	return s
}

// High is For with the set's scatter from hanging to hanging at the upper end of its
// one-sided 80 % interval: to plan with what a few hangings happened to show falls short in
// half of all cases (Browne, Statist. Med. 14 (1995) 1933, from memory).
func (h History) High(injectors int) Scatter {
	s := h.For(injectors)
	seen := s.HangingSD*s.HangingSD + s.RunSD*s.RunSD/h.runsPerHanging
	more := seen * (h.HangingDF/distuv.ChiSquared{K: h.HangingDF}.Quantile(0.2) - 1)
	s.HangingSD = math.Sqrt(s.HangingSD*s.HangingSD + more)
	return s
}

// ErrTooFew is wrapped where readings do not hold what a scatter can be told from.
var ErrTooFew = errors.New("too few")

// FromReadings estimates scatter by a mixed model of the log rates: what each injector
// sends in each group is what is asked for; hanging, run and hanging x injector are scatter
// (REML). Response comes of a second model, with injector x group as scatter. There must be a
// group with two hangings (ErrTooFew). Readings may come in any order and be missing.
func FromReadings(in []Reading) (History, error) {
	t, err := tabulate(in)
	if err != nil {
		return History{}, err
	}
	h := History{Response: math.NaN(), Groups: len(t.groups), Hangings: len(t.hangings), Runs: len(t.runs), Readings: len(in), Injectors: len(t.injectors)}
	h.HangingDF = float64(h.Hangings - h.Groups)
	if h.HangingDF < 1 {
		return h, fmt.Errorf("%d hangings in %d phases: %w; how far hangings differ shows in a phase with two or more: measure them (plan --rehang guides it), or state the spread", h.Hangings, h.Groups, ErrTooFew)
	}
	h.runsPerHanging = float64(h.Runs) / float64(h.Hangings)
	h.RunsApart = h.Runs > h.Hangings

	if h.Injectors == 1 && !h.RunsApart { // a reading is a hanging of the set
		h.Hanging, err = t.pooled()
		return h, err
	}
	fit, err := t.model(false, h.RunsApart).Fit(mixed.REML)
	if err != nil && h.RunsApart && h.Injectors > 1 {
		// Too few hangings have several runs to tell all of it apart.
		h.RunsApart = false
		fit, err = t.model(false, false).Fit(mixed.REML)
	}
	if err != nil {
		return h, fmt.Errorf("the scatter of %d readings in %d hangings cannot be told: %w", h.Readings, h.Hangings, err)
	}
	h.Reading = math.Sqrt(fit.ResidualVariance)
	for _, c := range fit.Random {
		switch c.By {
		case "hanging":
			h.Hanging = c.SD[0]
		case "run":
			h.Run = c.SD[0]
		default:
			h.Tube = c.SD[0]
		}
	}
	if h.Injectors == 1 { // a reading is a run of the set
		h.Run, h.Reading = h.Reading, 0
	}
	if h.Groups > 1 && h.Injectors > 1 {
		if fit, err := t.model(true, h.RunsApart).Fit(mixed.REML); err == nil {
			// A change has what two groups have.
			h.Response = math.Sqrt2 * fit.Random[len(fit.Random)-1].SD[0]
			h.ResponseDF = float64((h.Groups - 1) * (h.Injectors - 1))
		}
	}
	return h, nil
}

// table is readings with names that are unique over groups.
type table struct {
	rows                              []Reading
	groups, hangings, runs, injectors []string
}

func tabulate(in []Reading) (table, error) {
	var t table
	if len(in) == 0 {
		return t, fmt.Errorf("no readings: %w; give those of one phase with two hangings or more", ErrTooFew)
	}
	seen := map[Reading]bool{}
	note := func(list *[]string, name string) {
		if !slices.Contains(*list, name) {
			*list = append(*list, name)
		}
	}
	for _, r := range in {
		if !(r.RateMLPerMin > 0) || math.IsInf(r.RateMLPerMin, 0) {
			return t, fmt.Errorf("injector %s in phase %s, hanging %s, run %s: the rate is %g mL/min; leave out what did not flow", r.Injector, r.Group, r.Hanging, r.Run, r.RateMLPerMin)
		}
		key := r
		key.RateMLPerMin = 0
		if seen[key] {
			return t, fmt.Errorf("injector %s in phase %s, hanging %s, run %s is there twice: leave one out", r.Injector, r.Group, r.Hanging, r.Run)
		}
		seen[key] = true
		r.Hanging = r.Group + "\x1f" + r.Hanging
		r.Run = r.Hanging + "\x1f" + r.Run
		t.rows = append(t.rows, r)
		note(&t.groups, r.Group)
		note(&t.hangings, r.Hanging)
		note(&t.runs, r.Run)
		note(&t.injectors, r.Injector)
	}
	return t, nil
}

// model has hanging as scatter, then run and hanging x injector where there are several runs
// in a hanging, and, for the response, injector x group at the end.
func (t table) model(response, runs bool) mixed.Model {
	n := len(t.rows)
	column := func(name string, of func(Reading) string) mixed.Factor {
		f := mixed.Factor{Name: name, Values: make([]string, n)}
		for k, r := range t.rows {
			f.Values[k] = of(r)
		}
		return f
	}
	m := mixed.Model{Response: make([]float64, n), Factors: []mixed.Factor{
		column("hanging", func(r Reading) string { return r.Hanging }),
		column("run", func(r Reading) string { return r.Run }),
	}}
	for k, r := range t.rows {
		m.Response[k] = math.Log(r.RateMLPerMin)
	}
	several := len(t.injectors) > 1
	if several {
		m.Factors = append(m.Factors, column("injector", func(r Reading) string { return r.Injector }))
		m.Fixed = append(m.Fixed, "injector")
	}
	if len(t.groups) > 1 {
		m.Factors = append(m.Factors, column("group", func(r Reading) string { return r.Group }))
		m.Fixed = append(m.Fixed, "group")
		if several && !response {
			m.Fixed = append(m.Fixed, "injector:group")
		}
	}
	m.Random = []mixed.Random{{By: "hanging"}}
	if several && runs {
		m.Random = append(m.Random, mixed.Random{By: "run"}, mixed.Random{By: "hanging:injector"})
	}
	if response {
		m.Random = append(m.Random, mixed.Random{By: "injector:group"})
	}
	return m
}

// pooled is the standard deviation of the log rates within groups.
func (t table) pooled() (float64, error) {
	n, sum := map[string]float64{}, map[string]float64{}
	for _, r := range t.rows {
		n[r.Group]++
		sum[r.Group] += math.Log(r.RateMLPerMin)
	}
	ss := 0.0
	for _, r := range t.rows {
		d := math.Log(r.RateMLPerMin) - sum[r.Group]/n[r.Group]
		ss += d * d
	}
	if !(ss > 0) {
		return 0, errCopied
	}
	return math.Sqrt(ss / float64(len(t.rows)-len(t.groups))), nil
}

var errCopied = errors.New("the set's mean is the same to the last digit in all hangings, or in all runs of a hanging: the readings look copied or are rounded too coarsely")

// Spread is a bench's own standard deviation between hangings of the set's mean log rate,
// what runs add taken out.
type Spread struct {
	SD, DF float64 // SD 0: hangings differ no more than their runs do; then DF is 0
	// CI95 is its 95 % interval (Williams, Biometrika 49 (1962) 278; for broken numbers of
	// runs with their effective one, and then about right).
	CI95 [2]float64
	// WithRuns is the SD between hangings' means as they are, runs left in: never too small.
	WithRuns, WithRunsDF float64
	RunSD, RunDF         float64 // of the set's mean from run to run within a hanging

	Groups, Hangings, Runs int
	LeftOut                int // runs without all injectors of their group
}

// Rehang estimates a bench's spread between hangings from a re-hanging study: a group with
// several hangings of several runs, nothing done in between. Several groups are pooled.
// Only runs with all injectors of their group count. It is the analysis of variance of the
// runs' set means:
//
//	SD^2 = (MSA - MSE)/n0,   DF = (MSA - MSE)^2 / (MSA^2/(hangings - groups) + MSE^2/(runs - hangings))
//
// with n0 the runs in a hanging (for unequal numbers Searle, Casella, McCulloch, Variance
// Components (1992) p. 71).
func Rehang(in []Reading) (Spread, error) {
	t, err := tabulate(in)
	if err != nil {
		return Spread{}, err
	}
	var s Spread
	perGroup := map[string]map[string]bool{}
	type run struct {
		group, hanging string
		sum            float64
		n              int
	}
	runs := map[string]*run{}
	for _, r := range t.rows {
		if perGroup[r.Group] == nil {
			perGroup[r.Group] = map[string]bool{}
		}
		perGroup[r.Group][r.Injector] = true
		if runs[r.Run] == nil {
			runs[r.Run] = &run{group: r.Group, hanging: r.Hanging}
		}
		runs[r.Run].sum += math.Log(r.RateMLPerMin)
		runs[r.Run].n++
	}
	type hanging struct {
		group string
		means []float64
	}
	var hangings []hanging
	at := map[string]int{}
	for _, name := range t.runs {
		r := runs[name]
		if r.n < len(perGroup[r.group]) {
			s.LeftOut++
			continue
		}
		k, ok := at[r.hanging]
		if !ok {
			k = len(hangings)
			at[r.hanging] = k
			hangings = append(hangings, hanging{group: r.group})
		}
		hangings[k].means = append(hangings[k].means, r.sum/float64(r.n))
		s.Runs++
	}
	s.Hangings = len(hangings)

	var ssa, sse, n0 float64
	for _, g := range t.groups {
		var n, n2, sum float64
		for _, h := range hangings {
			if h.group == g {
				n += float64(len(h.means))
				n2 += float64(len(h.means) * len(h.means))
				for _, m := range h.means {
					sum += m
				}
			}
		}
		if n == 0 {
			continue
		}
		s.Groups++
		n0 += n - n2/n
		for _, h := range hangings {
			if h.group != g {
				continue
			}
			mean := 0.0
			for _, m := range h.means {
				mean += m / float64(len(h.means))
			}
			ssa += float64(len(h.means)) * (mean - sum/n) * (mean - sum/n)
			for _, m := range h.means {
				sse += (m - mean) * (m - mean)
			}
		}
	}
	dfa, dfe := float64(s.Hangings-s.Groups), float64(s.Runs-s.Hangings)
	switch {
	case dfa < 1:
		return s, fmt.Errorf("%d hangings in %d phases, of runs with all injectors: %w; a re-hanging study needs two hangings or more in one phase", s.Hangings, s.Groups, ErrTooFew)
	case dfe < 1:
		return s, fmt.Errorf("%d hangings of one run each: %w; what runs add cannot be told from what hangings add: take two runs or more in each hanging", s.Hangings, ErrTooFew)
	case !(ssa > 0) || !(sse > 0):
		return s, errCopied
	}
	n0 /= dfa
	msa, mse := ssa/dfa, sse/dfe
	s.RunSD, s.RunDF = math.Sqrt(mse), dfe
	s.WithRuns, s.WithRunsDF = math.Sqrt(msa/n0), dfa
	if v := msa - mse; v > 0 {
		s.SD = math.Sqrt(v / n0)
		s.DF = v * v / (msa*msa/dfa + mse*mse/dfe)
	}
	end := func(q float64) float64 {
		v := msa - mse*distuv.F{D1: dfa, D2: dfe}.Quantile(q)
		return math.Sqrt(math.Max(0, dfa*v/n0/distuv.ChiSquared{K: dfa}.Quantile(q)))
	}
	s.CI95 = [2]float64{end(0.975), end(0.025)}
	return s, nil
}

// Study is the size of a re-hanging study.
type Study struct {
	Hangings, Runs int
	DF             float64
	// The 95 % interval of a standard deviation s that is found: from Low s to High s.
	Low, High float64
}

// StudyOf is what a study of so many hangings tells; ratio is that of a run's SD to a
// hanging's, as far as it is known: runs blur the hangings' means, by their number.
func StudyOf(hangings, runs int, ratio float64) Study {
	a := float64(hangings - 1)
	e := ratio * ratio / float64(runs) // of the hanging's variance
	s := Study{Hangings: hangings, Runs: runs}
	s.DF = 1 / ((1+e)*(1+e)/a + e*e/(float64(hangings)*float64(runs-1)))
	chi := distuv.ChiSquared{K: s.DF}
	s.Low, s.High = math.Sqrt(s.DF/chi.Quantile(0.975)), math.Sqrt(s.DF/chi.Quantile(0.025))
	return s
}

// FindStudy is the smallest study after which a bench's hanging SD is at most (1 + doubt)
// times what was found, with 97.5 % confidence (chi-squared): doubt 1 is twice. ok is false
// where MaxHangings are not enough.
func FindStudy(doubt float64, runs int, ratio float64) (s Study, ok bool, err error) {
	switch {
	case !(doubt > 0):
		return s, false, fmt.Errorf("a doubt of %g: use above 0, such as 1 for twice", doubt)
	case runs < 2 || runs > MaxRuns:
		return s, false, fmt.Errorf("%d runs in a hanging: use 2 to %d, as one does not tell what runs add", runs, MaxRuns)
	case !(ratio >= 0) || ratio > 100:
		return s, false, fmt.Errorf("a run's SD of %g times a hanging's: use 0 to 100", ratio)
	}
	for n := 2; n <= MaxHangings; n++ {
		if s = StudyOf(n, runs, ratio); s.High <= 1+doubt {
			return s, true, nil
		}
	}
	return s, false, nil
}
