package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"brimline/analysis/change"
	"brimline/analysis/plan"
)

// thresholds of comparisons: what is called lower or higher of equals, at 5 %.
const (
	leastFalse, mostFalse = 0.04, 0.06
	// A figure outside is judged with this many of its standard errors allowed, after
	// moreSets times as many sets: of 2,000 sets one in 25 lies outside by chance.
	falseErrors = 2
	moreSets    = 4
	// The claim that a change is smaller than the margin, where it is just as large.
	mostSmaller = 0.05
	// An interval, on fewer sets.
	intervalErrors = 3
)

// byHand and byRig are what readings are taken with.
const (
	byHand = "hand"
	byRig  = "rig"
)

// What readings scatter by, as standard deviations of their logs. residualSD holds all that
// a reading does by itself: the fit's or the eye's part, and the injector's own unrest.
var (
	residualSD = map[string]float64{byHand: 0.02, byRig: 0.005}
	runSD      = map[string]float64{byHand: 0.01, byRig: 0.0035} // a cylinder's scale, or the rail's pressure
	tubeSD     = map[string]float64{byHand: 0, byRig: 0.0025}    // each tube hangs in its own way
)

const (
	scaleSD     = 0.003 // of a tube's or a cylinder's calibration, the same in all its readings
	handMin     = 2.0   // minutes of a reading by hand
	stopwatchS  = 0.2   // sd of each press
	meniscusML  = 0.2   // sd of the eye, before it is read to
	graduateML  = 0.5   // half of a 1 mL graduation
	rigLeastU   = 0.003 // stated of a rate, evenly drawn from here
	rigMostU    = 0.0045
	studied     = 6 // hangings of the bench's re-hanging study
	studiedRuns = 3
)

// compared is one scenario: an engine, a bench and a plan. The variances are multiples of
// the residual's.
type compared struct {
	name, means              string
	injectors, before, after int // hangings before and after
	runs                     int // in each hanging
	response, hanging        float64

	bench   bool    // the bench's own spread between hangings is known, by a study of its own
	missing float64 // share of the readings that are missing, at random
	lost    bool    // injector 1 is missing in the first hanging of each phase
	fewer   bool    // the first hanging of each phase has one run
	noisy   float64 // factor on what injector 1 scatters by, and on its stated uncertainty; 0 is 1
	both    bool    // the first hanging of each phase is by hand
	worse   float64 // factor on all scatter after; 0 is 1
	what    string  // what is odd about it
}

// comparisons is the scenarios: injectors by hangings by means, over which response,
// hanging and runs go round; the corners; single hangings; and tables with holes and other
// oddities.
func comparisons() []compared {
	var out []compared
	add := func(c compared, odd string) {
		hangings := fmt.Sprint(c.before)
		if c.after != c.before {
			hangings = fmt.Sprintf("%d+%d", c.before, c.after)
		}
		c.name = fmt.Sprintf("%s-%dx%sx%d-r%g-h%g%s", c.means, c.injectors, hangings, c.runs, c.response, c.hanging, odd)
		if !slices.ContainsFunc(out, func(x compared) bool { return x.name == c.name }) {
			out = append(out, c)
		}
	}
	means := []string{byHand, byRig}
	responses, hangings := []float64{0, 0.5, 1, 2}, []float64{0, 0.25, 1}
	for i, injectors := range []int{2, 3, 4, 6} {
		for j, n := range []int{2, 3, 4} {
			for k, m := range means {
				add(compared{means: m, injectors: injectors, before: n, after: n, runs: 1 + (i+j+k)%3,
					response: responses[(i+j+2*k)%4], hanging: hangings[(i+2*j+k)%3]}, "")
			}
		}
	}
	for _, m := range means {
		for _, n := range []int{2, 6} {
			for _, corner := range [][2]float64{{0, 0}, {2, 0}, {0, 1}, {2, 1}} {
				h := 2 + (n-2)/2 // 2 injectors with 2 hangings, 6 with 4
				add(compared{means: m, injectors: n, before: h, after: h, runs: 1, response: corner[0], hanging: corner[1]}, "")
			}
		}
	}

	single := func(c compared, odd string) {
		c.before, c.after, c.runs = 1, 1, 3
		add(c, odd)
	}
	single(compared{means: byHand, injectors: 4, response: 1, hanging: 0.25}, "")
	single(compared{means: byRig, injectors: 6, response: 0.5, hanging: 1}, "")
	known := "the bench's spread between hangings is known by a re-hanging study of its own"
	single(compared{means: byHand, injectors: 4, response: 1, hanging: 0, bench: true, what: known}, "-known")
	single(compared{means: byHand, injectors: 3, response: 0, hanging: 1, bench: true, what: known}, "-known")
	single(compared{means: byRig, injectors: 6, response: 2, hanging: 0.25, bench: true, what: known}, "-known")
	single(compared{means: byRig, injectors: 2, response: 0.5, hanging: 1, bench: true, what: known}, "-known")

	odd := func(c compared, name, what string) {
		c.what = what
		add(c, "-"+name)
	}
	gaps := "a tenth of the readings is missing, at random"
	odd(compared{means: byHand, injectors: 4, before: 3, after: 3, runs: 1, response: 1, hanging: 0, missing: 0.1}, "gaps", gaps)
	odd(compared{means: byHand, injectors: 4, before: 3, after: 3, runs: 1, response: 1, hanging: 1, missing: 0.1}, "gaps", gaps)
	odd(compared{means: byRig, injectors: 6, before: 3, after: 3, runs: 2, response: 0.5, hanging: 0.25, missing: 0.1}, "gaps", gaps)
	odd(compared{means: byRig, injectors: 6, before: 2, after: 2, runs: 2, response: 0.5, hanging: 1, missing: 0.1}, "gaps", gaps)
	odd(compared{means: byRig, injectors: 4, before: 3, after: 3, runs: 2, response: 1, hanging: 1, lost: true}, "lost", "one injector is missing in a hanging of each phase")
	odd(compared{means: byHand, injectors: 3, before: 3, after: 3, runs: 2, response: 1, hanging: 0.25, fewer: true}, "fewer", "one hanging of each phase has one run")
	odd(compared{means: byHand, injectors: 4, before: 1, after: 3, runs: 2, response: 1, hanging: 0.25}, "uneven", "a single hanging before")
	odd(compared{means: byRig, injectors: 4, before: 2, after: 4, runs: 2, response: 1, hanging: 1}, "uneven", "fewer hangings before")
	odd(compared{means: byRig, injectors: 4, before: 3, after: 3, runs: 1, response: 1, hanging: 0.25, noisy: 3}, "noisy", "one injector scatters three times as much, and its readings' uncertainty says so")
	odd(compared{means: byRig, injectors: 4, before: 3, after: 3, runs: 1, response: 1, hanging: 0.25, both: true}, "both", "one hanging of each phase is by hand")
	odd(compared{means: byHand, injectors: 4, before: 3, after: 3, runs: 1, response: 1, hanging: 0.25, worse: 2}, "worse", "all scatter is twice as large after, against what the model assumes")
	return out
}

// scatter is what the set's mean scatters by.
func (c compared) scatter() plan.Scatter {
	n, e := float64(c.injectors), residualSD[c.means]
	if c.noisy > 0 {
		e *= math.Sqrt((n - 1 + c.noisy*c.noisy) / n)
	}
	tube, run := tubeSD[c.means], runSD[c.means]
	s := plan.Scatter{HangingSD: math.Sqrt(c.hanging*residualSD[c.means]*residualSD[c.means] + tube*tube/n), RunSD: math.Sqrt(run*run + e*e/n), TubeSD: tube, ReadingSD: e, ResponseSD: residualSD[c.means] * math.Sqrt(c.response)}
	if c.before+c.after == 2 {
		s.HangingDF = studied - 1
	}
	return s
}

// shows is what a plan says of the scenario, with nothing missing: the change that is shown
// 4 times out of 5, and the power of mostChange.
func (c compared) shows(scope string) (plan.Shows, error) {
	s, more := c.scatter(), math.Sqrt(c.factor())
	for _, sd := range []*float64{&s.HangingSD, &s.RunSD, &s.TubeSD, &s.ReadingSD, &s.ResponseSD} {
		*sd *= more
	}
	d := plan.Design{Injectors: c.injectors, Before: c.before, After: c.after, Runs: c.runs}
	return plan.Show(s, d, plan.Ask{Injectors: c.injectors, Change: mostChange, Power: planned, Level: 0.05, Scope: scope})
}

// planned is the power that true changes are chosen for.
const planned = 0.8

// factor is on the variance of a change whose hangings do not scatter alike: of weighted
// means where some are by hand, of plain ones where all is worse after.
func (c compared) factor() float64 {
	switch n := float64(c.before); {
	case c.worse > 0:
		return (1 + c.worse*c.worse) / 2
	case c.both:
		v := func(c compared) float64 {
			s := c.scatter()
			return s.HangingSD*s.HangingSD + s.RunSD*s.RunSD/float64(c.runs)
		}
		hand := c
		hand.means = byHand
		hand.hanging *= math.Pow(residualSD[c.means]/residualSD[byHand], 2) // what the hanging does is the rig's
		return n / (1/v(hand) + (n-1)/v(c)) / v(c)
	}
	return 1
}

// simulator draws readings.
type simulator struct {
	compared
	*rand.Rand
	scale []float64 // of the tubes, the same in all runs
}

func (c compared) simulator(seed, stream uint64) simulator {
	s := simulator{c, rand.New(rand.NewPCG(seed, stream)), make([]float64, c.injectors)}
	for i := range s.scale {
		s.scale[i] = scaleSD * s.NormFloat64()
	}
	return s
}

// test draws a test: log(rate) = injector + change + response + hanging + run + tube +
// reading. With centred the responses sum to zero, as for the scope "this engine", whose
// change is that of these injectors' mean. truth is each injector's change.
func (s simulator) test(by float64, centred bool) (out []change.Reading, truth []float64) {
	e := residualSD[s.means]
	truth = make([]float64, s.injectors)
	middle := 0.0
	for i := range truth {
		truth[i] = math.Sqrt(s.response) * e * s.NormFloat64()
		middle += truth[i] / float64(len(truth))
	}
	for i := range truth {
		if centred {
			truth[i] -= middle
		}
		truth[i] += by
	}
	level := make([]float64, s.injectors)
	for i := range level {
		level[i] = math.Log(8 + 8*s.Float64()) // mL/min
	}
	for p, phase := range []string{"before", "after"} {
		at := slices.Clone(level)
		more := 1.0
		if p == 1 {
			for i := range at {
				at[i] += truth[i]
			}
			if s.worse > 0 {
				more = s.worse
			}
		}
		for h := range []int{s.before, s.after}[p] {
			out = s.hang(out, phase, h, at, more)
		}
	}
	if s.missing > 0 {
		out = slices.DeleteFunc(out, func(change.Reading) bool { return s.Float64() < s.missing })
	}
	return out, truth
}

// hang appends one hanging's readings; at is each injector's log rate, more a factor on all
// scatter.
func (s simulator) hang(out []change.Reading, phase string, h int, at []float64, more float64) []change.Reading {
	means := s.means
	if s.both && h == 0 {
		means = byHand
	}
	hanging := more * math.Sqrt(s.hanging) * residualSD[s.means] * s.NormFloat64()
	tubes := make([]float64, s.injectors)
	for i := range tubes {
		tubes[i] = s.scale[i] + more*tubeSD[means]*s.NormFloat64()
	}
	for run := range s.runs {
		moved := more * runSD[means] * s.NormFloat64()
		for i := range s.injectors {
			own := more
			if s.noisy > 0 && i == 0 {
				own *= s.noisy
			}
			rate, u := s.reading(means, at[i]+hanging+moved+tubes[i], own)
			if s.fewer && h == 0 && run > 0 || s.lost && h == 0 && i == 0 {
				continue
			}
			out = append(out, change.Reading{Injector: fmt.Sprint(i + 1), Phase: phase, Hanging: fmt.Sprint(h + 1), Run: fmt.Sprint(run + 1),
				Means: means, RateMLPerMin: rate, UMLPerMin: u * rate})
		}
	}
	return out
}

// reading is one reading of a log rate, and its stated relative standard uncertainty. What
// stopwatch, eye or fit do not add to residualSD is the injector's own unrest.
func (s simulator) reading(means string, log, more float64) (rate, u float64) {
	e := more * residualSD[means]
	if means == byRig {
		u = more * (rigLeastU + (rigMostU-rigLeastU)*s.Float64())
		own := math.Sqrt(e*e - u*u)
		return math.Exp(log + u*s.NormFloat64() + own*s.NormFloat64()), math.Hypot(u, scaleSD)
	}
	volume := math.Exp(log) * handMin
	press := stopwatchS / 60
	own := math.Sqrt(max(0, e*e-2*math.Pow(press/handMin, 2)-(meniscusML*meniscusML+graduateML*graduateML/12)/(volume*volume)))
	minutes := handMin + press*(s.NormFloat64()-s.NormFloat64())
	ml := volume*math.Exp(own*s.NormFloat64())*minutes/handMin + meniscusML*s.NormFloat64()
	return graduateML * math.Round(ml/graduateML) / handMin, e
}

// known is the bench's own spread between hangings as a study of it, with nothing done,
// finds it: what `brimline plan --rehang` prints. Where hangings differ no more than their
// runs it advises the spread with the runs left in, and with less than one degree of freedom
// not to compare with it: then both are 0.
func (s simulator) known() (sd, df float64, err error) {
	s.runs = studiedRuns
	var in []plan.Reading
	at := make([]float64, s.injectors)
	for i := range at {
		at[i] = math.Log(8 + 8*s.Float64())
	}
	for h := range studied {
		for _, r := range s.hang(nil, "study", h, at, 1) {
			in = append(in, plan.Reading{Group: r.Phase, Hanging: r.Hanging, Run: r.Run, Injector: r.Injector, RateMLPerMin: r.RateMLPerMin})
		}
	}
	found, err := plan.Rehang(in)
	if err != nil {
		return 0, 0, err
	}
	switch {
	case found.SD == 0:
		return found.WithRuns, found.WithRunsDF, nil
	case found.DF < 1:
		return 0, 0, nil
	}
	return found.SD, found.DF, nil
}

// outcome is what was counted of sets in one scope.
type outcome struct {
	sets      int
	intervals int // sets with an interval
	shown     int // lower or higher
	holds     int // the interval holds the truth
	together  int // of those with an interval: all injectors' hold theirs
	smaller   int // said to be smaller than the margin
}

func (o *outcome) add(e *change.Effect, truth float64) {
	o.sets++
	if e == nil || e.CI95 == nil {
		return
	}
	o.intervals++
	if *e.P < 0.05 {
		o.shown++
	}
	if at := 100 * math.Expm1(truth); e.CI95[0] <= at && at <= e.CI95[1] {
		o.holds++
	}
}

func share(k, n int) float64 { return float64(k) / float64(max(1, n)) }

// both scopes of the same sets.
type scopes struct {
	engine, like outcome
	mixed        int // findings from the mixed model
}

// Streams of random numbers: one set has one in each.
const (
	streamNull = iota
	streamNullLike
	streamChanged
	streamChangedLike
	streams
)

// sets compares n sets from the seed on with a true change; the margin is as large.
func (o settings) sets(c compared, no int, stream uint64, seed uint64, n int, by float64, centred bool) (scopes, error) {
	var s scopes
	var mu sync.Mutex
	err := parallel(o.workers, n, func(i int) error {
		seed := seed + uint64(i)
		sim := c.simulator(seed, uint64(streams*no)+stream)
		truth := by
		if i%2 == 1 {
			truth = -by // a margin of m % stands for a factor either way
		}
		in, each := sim.test(truth, centred)
		opt := change.Options{MarginPercent: 100 * math.Expm1(by)}
		if c.bench {
			var err error
			if opt.HangingSD, opt.HangingDF, err = sim.known(); err != nil {
				return fmt.Errorf("seed %d: %w", seed, err)
			}
		}
		r, err := change.Compare(in, opt)
		if err != nil && c.missing > 0 { // hangings with too little in common are refused
			mu.Lock()
			defer mu.Unlock()
			s.engine.sets++
			s.like.sets++
			return nil
		}
		if err != nil {
			return fmt.Errorf("seed %d: %w", seed, err)
		}
		of := truth
		if len(r.LeftOut) > 0 { // the finding is of the injectors that are left
			of = 0
			for _, x := range r.Injectors {
				of += each[int(x.Injector[0]-'1')] / float64(len(r.Injectors))
			}
		}
		mu.Lock()
		defer mu.Unlock()
		s.engine.add(&r.Effect, of)
		s.like.add(r.LikeThese, truth)
		if r.Model == "mixed" {
			s.mixed++
		}
		if p := r.Equivalence.P; p != nil && *p < 0.05 {
			s.engine.smaller++
		}
		if r.Effect.CI95 == nil {
			return nil
		}
		for _, x := range r.Injectors {
			at := 100 * math.Expm1(each[int(x.Injector[0]-'1')])
			if x.CI95 == nil || at < x.CI95[0] || at > x.CI95[1] {
				return nil
			}
		}
		s.engine.together++
		return nil
	})
	return s, err
}

func (o *outcome) merge(x outcome) {
	o.sets += x.sets
	o.intervals += x.intervals
	o.shown += x.shown
	o.holds += x.holds
	o.together += x.together
	o.smaller += x.smaller
}

// wrong is the sets of equals whose interval leaves out the truth: called lower or higher.
func (o outcome) wrong() int { return o.intervals - o.holds }

// beside is one scope of a scenario: what came out, and what could have.
type beside struct {
	null, changed outcome
	by            float64 // true change of the changed sets, as a log
	planned       float64 // power by package plan; of "this engine" that of the best test that must estimate the scatter
	known         float64 // power of the best test of all, which knows the scatter
}

// found is what was found of a scenario.
type found struct {
	compared
	engine, like beside
	mixed        float64 // share of the findings of equals that are from the mixed model
}

// nullPerRun is how many sets of equals there are for a set with a change.
const nullPerRun = 4

// mostChange keeps the true change within what a person would call a change of return flow.
var mostChange = math.Log(2)

// compare studies the scenarios.
func (o settings) compare(list []compared) ([]found, error) {
	var out []found
	all := comparisons()
	for _, c := range list {
		no := slices.IndexFunc(all, func(x compared) bool { return x.name == c.name })
		f, err := o.comparison(c, no)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", c.name, err)
		}
		out = append(out, f)
	}
	return out, nil
}

func (o settings) comparison(c compared, no int) (found, error) {
	f := found{compared: c}
	n := nullPerRun * o.n
	s, err := o.sets(c, no, streamNull, o.seed, n, 0, true)
	if err != nil {
		return f, err
	}
	f.engine.null, f.like.null = s.engine, s.like
	f.mixed = share(s.mixed, n)
	if s.engine.intervals == 0 {
		return f, nil
	}
	more := func(stream uint64, centred bool) (scopes, error) {
		return o.sets(c, no, stream, o.seed+uint64(n), moreSets*n, 0, centred)
	}
	if p := share(f.engine.null.wrong(), n); p < leastFalse || p > mostFalse {
		if s, err = more(streamNull, true); err != nil {
			return f, err
		}
		f.engine.null.merge(s.engine)
	}
	stream := uint64(streamNull)
	if c.response > 0 { // with none, the responses of both scopes are the same
		stream = streamNullLike
		if s, err = o.sets(c, no, stream, o.seed, n, 0, false); err != nil {
			return f, err
		}
		f.like.null = s.like
	}
	if share(f.like.null.wrong(), n) > mostFalse { // below the band it is careful, and said to be
		if s, err = more(stream, false); err != nil {
			return f, err
		}
		f.like.null.merge(s.like)
	}

	if s, err = f.engine.power(o, c, no, change.ScopeEngine); err != nil {
		return f, err
	}
	f.engine.changed = s.engine
	if s, err = f.like.power(o, c, no, change.ScopeLikeThese); err != nil {
		return f, err
	}
	f.like.changed = s.like
	return f, nil
}

// power compares sets with the change that a plan says is shown 4 times out of 5.
func (b *beside) power(o settings, c compared, no int, scope string) (scopes, error) {
	says, err := c.shows(scope)
	if err != nil {
		return scopes{}, err
	}
	b.by, b.planned = says.Smallest, planned
	if b.by > mostChange {
		b.by, b.planned = mostChange, says.Power
	}
	z := math.Sqrt2 * math.Erfinv(0.95)
	b.known = normal(b.by/says.SE-z) + normal(-b.by/says.SE-z)
	stream := uint64(streamChanged)
	if scope != change.ScopeEngine {
		stream = streamChangedLike
	}
	return o.sets(c, no, stream, o.seed, o.n, b.by, scope == change.ScopeEngine)
}

// normal is the standard normal distribution.
func normal(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// verdict judges a share of false findings; "" is within the band.
func verdict(wrong, sets int, slack float64) string {
	p := share(wrong, sets)
	allowed := (falseErrors + slack) * binomialSE(p, sets)
	switch {
	case p > mostFalse+allowed:
		return "too often"
	case p < leastFalse-allowed:
		return "careful"
	}
	return ""
}

// writeCompare prints the tables and returns what missed its threshold.
func writeCompare(w io.Writer, o settings, all []found, slack float64, elapsedS float64) (missed []string) {
	miss := func(format string, a ...any) { missed = append(missed, fmt.Sprintf(format, a...)) }
	fmt.Fprintf(w, "%d sets of equals and %d with a change of each scenario, seeds from %d; %d times as many more of equals where the share called lower or higher lies outside %.0f to %.0f %%, and then judged by all of them with %d standard errors allowed.\n\n",
		nullPerRun*o.n, o.n, o.seed, moreSets, 100*leastFalse, 100*mostFalse, falseErrors)
	fmt.Fprint(w, compareLegend)
	fmt.Fprint(w, "### This engine\n\n")
	fmt.Fprintln(w, "| scenario | sets of equals | with an interval, % | **lower or higher, of equals, %** | by the mixed model, % | change, % | shown, % | best possible, % | scatter known, % | interval holds, % | all injectors' hold, % | \"smaller than the margin\", of the margin, % |")
	fmt.Fprintln(w, "|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|")
	for _, f := range all {
		e := f.engine
		fmt.Fprintf(w, "| %s | %d | %.3g | ", f.name, e.null.sets, 100*share(e.null.intervals, e.null.sets))
		if e.null.intervals == 0 {
			fmt.Fprint(w, "0: says that it cannot tell | - | - | - | - | - | - | - | - |\n")
			continue
		}
		word := verdict(e.null.wrong(), e.null.sets, slack)
		fmt.Fprintf(w, "%s%s | %.0f | %.1f | %s | %.1f | %.1f | %s | %s | %s |\n", percent(e.null.wrong(), e.null.sets), mark(word), 100*f.mixed,
			100*math.Expm1(e.by), percent(e.changed.shown, e.changed.sets), 100*e.planned, 100*e.known,
			percent(e.changed.holds, e.changed.intervals), percent(e.changed.together, e.changed.intervals), percent(e.changed.smaller, e.changed.sets))
		switch word {
		case "too often":
			miss("%s, this engine: %s %% of %d sets of equals are called lower or higher, want %.0f to %.0f", f.name, percent(e.null.wrong(), e.null.sets), e.null.sets, 100*leastFalse, 100*mostFalse)
		case "careful":
			miss("%s, this engine: only %s %% of %d sets of equals are called lower or higher, want %.0f to %.0f: its intervals are wider than they need be", f.name, percent(e.null.wrong(), e.null.sets), e.null.sets, 100*leastFalse, 100*mostFalse)
		}
		for _, x := range []struct {
			what        string
			share, want float64
			n           int
		}{
			{"the interval holds the change", share(e.changed.holds, e.changed.intervals), 0.95, e.changed.intervals},
			{"all injectors' intervals hold together", share(e.changed.together, e.changed.intervals), 0.95, e.changed.intervals},
			{"a change as large as the margin is not called smaller", 1 - share(e.changed.smaller, e.changed.sets), 1 - mostSmaller, e.changed.sets},
		} {
			if x.share < x.want-(intervalErrors+slack)*binomialSE(x.want, x.n) {
				miss("%s, this engine: %s in %.1f %% of %d, want %.0f or more", f.name, x.what, 100*x.share, x.n, 100*x.want)
			}
		}
	}
	fmt.Fprint(w, "\n### Injectors like these\n\n")
	fmt.Fprintln(w, "| scenario | sets of equals | **called changed, of equals, %** | change, % | shown, % | by plan, % | scatter known, % | interval holds, % |")
	fmt.Fprintln(w, "|---|--:|--:|--:|--:|--:|--:|--:|")
	for _, f := range all {
		l := f.like
		if f.engine.null.intervals == 0 {
			continue
		}
		word := verdict(l.null.wrong(), l.null.sets, slack)
		fmt.Fprintf(w, "| %s | %d | %s%s | %.1f | %s | %.1f | %.1f | %s |\n", f.name, l.null.sets, percent(l.null.wrong(), l.null.sets), mark(word),
			100*math.Expm1(l.by), percent(l.changed.shown, l.changed.sets), 100*l.planned, 100*l.known, percent(l.changed.holds, l.changed.intervals))
		if word == "too often" {
			miss("%s, injectors like these: %s %% of %d sets of equals are called changed, want at most %.0f", f.name, percent(l.null.wrong(), l.null.sets), l.null.sets, 100*mostFalse)
		}
	}
	fmt.Fprintln(w, "\nWhat is odd about some:")
	for _, f := range all {
		if f.what != "" {
			fmt.Fprintf(w, "\n- %s: %s.", f.name, f.what)
		}
	}
	fmt.Fprintf(w, "\n\n%.0f s on %d workers.\n\n", elapsedS, o.workers)
	return missed
}

func mark(word string) string {
	if word == "" {
		return ""
	}
	return " (" + word + ")"
}

// compareLegend is what the tables are read with.
var compareLegend = fmt.Sprintf(`A scenario's name is what is read with, injectors x hangings in each phase x runs in each hanging, and the variances of the injectors' response (r) and of the hanging (h) as multiples of a reading's; an ending is told below. A reading scatters by %g %% by hand (half-millilitre readings of a cylinder of %g minutes, an eye of %g mL, a stopwatch of %g s at each press, the injector's own unrest) and by %g %% on the rig (a rate's own uncertainty, the injector's own unrest; each tube hangs in its own way, %g %%); the whole set moves from run to run by %g and %.3g %%; tubes and cylinders have scales of their own.

Of *this engine* the injectors' responses sum to zero in sets of equals, of *injectors like these* they are drawn: their mean differs from zero by chance, and that is no change. The true change is what package plan says is shown 4 times out of 5, up or down in turn, and the margin is as large. *Best possible* is, of this engine, the exact power of Student's t on hangings that nothing is missing from: no test that must find the hangings' scatter out from them does better where hangings differ; *scatter known* is what a test would show that knows all variances, which nobody does. *By plan* is the power that plan states. A change as large as the margin is to be called smaller than it in at most %.0f %%, and intervals are to hold in 95 %% or more, with %d standard errors allowed.

With one hanging in each phase there is no interval, and nothing is called lower or higher, unless the bench's own spread between hangings is known: here by a study of %d hangings of %d runs that is drawn anew for each set.

`,
	100*residualSD[byHand], handMin, meniscusML, stopwatchS, 100*residualSD[byRig], 100*tubeSD[byRig], 100*runSD[byHand], 100*runSD[byRig], 100*mostSmaller, intervalErrors, studied, studiedRuns)

// comparing is the part compare.
func (o settings) comparing(out io.Writer, slack float64) (missed []string, err error) {
	list, err := chosenComparisons(o.names())
	if err != nil {
		return nil, err
	}
	began := time.Now()
	all, err := o.compare(list)
	if err != nil {
		return nil, err
	}
	fmt.Fprint(out, "## Before against after\n\n")
	return writeCompare(out, o, all, slack, time.Since(began).Seconds()), nil
}

// chosenComparisons is the scenarios of the names, all where there are none.
func chosenComparisons(names []string) ([]compared, error) {
	return pick(comparisons(), names, func(c compared) string { return c.name })
}
