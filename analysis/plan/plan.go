// Package plan says beforehand what a comparison can show: how many hangings and runs,
// and how much engine time, a change of some percent needs, or how small a change a
// stated plan would show. It stands before a sample's life: Scatter comes from the tests
// of an engine (FromReadings) or from stated numbers; a Need, a rotation of the tubes and
// a sheet of steps go out.
//
//	s, err := plan.FromReadings(readings)          // or plan.Scatter{HangingSD: 0.01, RunSD: 0.015}
//	o, err := plan.Find(s.For(6), plan.Ask{Injectors: 6, Change: math.Log1p(0.05), Power: 0.8})
//
// # Model
//
// That of package change, on log rates, so that 0.01 is 1 %: H hangings in each phase, R
// runs in each hanging, all I injectors in each run.
//
//	vH = hanging^2 + run^2/R              variance of a hanging's set mean
//	vE = tube^2 + reading^2/R             of one injector in a hanging, around what its set does
//	c  = 1/nb + 1/na                      nb, na hangings before and after
//
// Scope "this engine": the change of the set's mean varies by c vH, which compare estimates
// with nb + na - 2 degrees of freedom: its power is exactly that of Student's t.
//
// Scope "injectors like these": injectors differ in response by an SD r, so the change
// varies by c vH + r^2/I. Compare estimates that as a sum of three mean squares:
//
//	c vH           from hangings        nb + na - 2
//	r^2/I + c vE/I from injectors       I - 1
//	- c vE/I       from the residual    (I - 1)(nb + na - 2)
//
// with Satterthwaite's degrees of freedom, and change.Wider's rule where noise makes a
// difference negative or injectors are two. Mean squares are independent chi-squares and do
// not depend on the estimated change, so power is the mean over them of a normal
// probability. With one term it is the exact noncentral t (package power); with several
// the mean is taken over 1024 points of a lattice (Strata.Power), good to 0.003.
//
// Assumed, as there: hangings independent, logs about normal, scatter the same in both
// phases. Not covered: what is forgotten in all hangings alike (a new fuel batch, another
// season), which no number of hangings takes away.
package plan

import "fmt"

// Scatter is standard deviations as logs: 0.01 is 1 %.
type Scatter struct {
	HangingSD float64 // of the set's mean from hanging to hanging, what runs add taken out
	RunSD     float64 // of the set's mean from run to run within a hanging
	// ResponseSD is by how much injectors differ in their change, after against before;
	// NaN where it is not known: then there is no scope but "this engine".
	ResponseSD float64
	TubeSD     float64 // of one injector from hanging to hanging, around its set
	ReadingSD  float64 // of one injector from run to run, around its set

	// HangingDF is the degrees of freedom of a HangingSD that compare is given as the
	// bench's own; only used with one hanging in each phase. 0: none is given.
	HangingDF float64
}

// Design is what is measured. Before and After are hangings.
type Design struct {
	Injectors, Before, After, Runs int // runs in each hanging
}

// Scopes, named as compare names them.
const (
	ScopeEngine    = "this engine"
	ScopeLikeThese = "injectors like these"
)

// Limits of a plan: beyond them a person has slipped on a key.
const (
	MaxInjectors = 32
	MaxHangings  = 200
	MaxRuns      = 50
)

// Strata is the independent mean squares whose sum estimates the variance of the change.
func (d Design) Strata(s Scatter, scope string) (Strata, error) {
	switch {
	case d.Injectors < 1 || d.Injectors > MaxInjectors:
		return Strata{}, fmt.Errorf("%d injectors: use 1 to %d", d.Injectors, MaxInjectors)
	case d.Before < 1 || d.Before > MaxHangings || d.After < 1 || d.After > MaxHangings:
		return Strata{}, fmt.Errorf("%d hangings before and %d after: use 1 to %d", d.Before, d.After, MaxHangings)
	case d.Runs < 1 || d.Runs > MaxRuns:
		return Strata{}, fmt.Errorf("%d runs in a hanging: use 1 to %d", d.Runs, MaxRuns)
	case !(s.HangingSD >= 0 && s.RunSD >= 0 && s.TubeSD >= 0 && s.ReadingSD >= 0):
		return Strata{}, fmt.Errorf("a negative or missing standard deviation in %+v: give zero or more", s)
	}
	runs, injectors := float64(d.Runs), float64(d.Injectors)
	within := s.ReadingSD * s.ReadingSD / runs
	c, df := 1/float64(d.Before)+1/float64(d.After), float64(d.Before+d.After-2)
	vH := s.HangingSD*s.HangingSD + s.RunSD*s.RunSD/runs
	vE := s.TubeSD*s.TubeSD + within
	residual := vE
	var out []Term
	switch {
	case d.Before+d.After > 2:
		out = []Term{{c * vH, df}}
	case d.Runs < 2 || !(s.HangingDF > 0):
		return Strata{}, fmt.Errorf("one hanging in each phase cannot be told from what is done between them: plan two or more, or measure the bench's own spread between hangings, then state it with its degrees of freedom and two runs or more")
	default:
		// compare widens by the bench's own hangings, once for each phase.
		// Of an injector's scatter it sees what runs of one hanging show.
		df, residual = 2*(runs-1), within
		out = []Term{{c * s.RunSD * s.RunSD / runs, df}, {c * s.HangingSD * s.HangingSD, s.HangingDF}}
	}
	if scope == ScopeEngine {
		return Strata{Terms: out}.check()
	}
	switch {
	case d.Injectors < 2:
		return Strata{}, fmt.Errorf("one injector tells nothing of injectors like it: plan for the scope %q, or with two injectors or more", ScopeEngine)
	case !(s.ResponseSD >= 0):
		return Strata{}, fmt.Errorf("how much injectors differ in response is not known: state it, or plan for the scope %q", ScopeEngine)
	}
	between := Term{(s.ResponseSD*s.ResponseSD + c*vE) / injectors, injectors - 1}
	out = append(out, between, Term{-c * residual / injectors, (injectors - 1) * df})
	return Strata{Terms: out, wider: d.Injectors}.check()
}

// Need is one way to reach what was asked for.
type Need struct {
	Design
	Power float64 // of showing the change; of no matter where none was asked for
	TOST  float64 // of showing that there is none as large as the margin, if there is none at all
}

// Ask is what a plan is to reach. Change and Margin are logs, above zero; 0: not asked for.
type Ask struct {
	Injectors      int
	Change, Margin float64
	Power          float64 // such as 0.8, of each
	Level          float64 // such as 0.05; 0 means that
	Scope          string  // empty: ScopeEngine
	Before         int     // hangings that were measured already, or 0: as many as after
	Runs           int     // in a hanging; 0: each of 1 to MostRuns is tried
}

func (a *Ask) settle() error {
	if a.Level == 0 {
		a.Level = Level
	}
	if a.Scope == "" {
		a.Scope = ScopeEngine
	}
	switch {
	case !(a.Change >= 0 && a.Margin >= 0) || a.Change == 0 && a.Margin == 0:
		return fmt.Errorf("a change of %g and a margin of %g: one of them must be above zero", a.Change, a.Margin)
	case !(a.Power > a.Level && a.Power < 1):
		return fmt.Errorf("power %g: use above %g and below 1", a.Power, a.Level)
	case !(a.Level > 0 && a.Level < 0.5):
		return fmt.Errorf("level %g: use above 0 and below 0.5", a.Level)
	}
	return nil
}

// MostRuns in a hanging are tried: each brings less, and a dozen are an afternoon.
const MostRuns = 6

// Level of every test that is planned, as compare's.
const Level = 0.05

// Find gives for each number of runs in a hanging the fewest hangings that do; runs with
// which no number up to MaxHangings does are left out, so the list may be empty.
func Find(s Scatter, a Ask) ([]Need, error) {
	if err := a.settle(); err != nil {
		return nil, err
	}
	var out []Need
	tab := newTables()
	from, to := 1, MostRuns
	if a.Runs > 0 {
		from, to = a.Runs, a.Runs
	}
	for runs := from; runs <= to; runs++ {
		n, err := fewest(s, a, runs, tab)
		if err != nil {
			return nil, err
		}
		if n != nil {
			out = append(out, *n)
		}
	}
	return out, nil
}

// fewest is the design with the fewest hangings; power rises with their number.
func fewest(s Scatter, a Ask, runs int, tab *tables) (*Need, error) {
	try := func(n int) (Need, bool, error) {
		d := Design{a.Injectors, n, n, runs}
		if a.Before > 0 {
			d.Before = a.Before
		}
		t, err := d.Strata(s, a.Scope)
		if err != nil {
			return Need{}, false, err
		}
		t.tables = tab
		out, ok := Need{Design: d}, true
		if a.Change > 0 {
			out.Power = t.Power(a.Change, a.Level)
			ok = out.Power >= a.Power
		}
		if a.Margin > 0 && ok {
			out.TOST = t.TOST(a.Margin, 0, a.Level)
			ok = out.TOST >= a.Power
		}
		return out, ok, nil
	}
	lo, hi := 1, MaxHangings
	if a.Before > 1 {
		lo = 0
	}
	best, ok, err := try(hi)
	if err != nil || !ok {
		return nil, err
	}
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		n, ok, err := try(mid)
		if err != nil {
			return nil, err
		}
		if ok {
			hi, best = mid, n
		} else {
			lo = mid
		}
	}
	return &best, nil
}

// Shows is what a stated design can show. Differences are logs; +Inf where none is.
type Shows struct {
	Design
	SE, DF   float64 // of the change; DF by Satterthwaite from the true variances
	Smallest float64 // change that is shown with the asked power
	Margin   float64 // smallest that equivalence within is shown with the asked power, if nothing changed
	Power    float64 // of the asked change; 0 where none was asked for
	TOST     float64 // within the asked margin; likewise
}

// Show works out what a stated design can show; a.Change, a.Margin may both be 0.
func Show(s Scatter, d Design, a Ask) (Shows, error) {
	want := a
	if a.Change == 0 && a.Margin == 0 {
		a.Margin = 1 // only what may be asked for is checked
	}
	if err := a.settle(); err != nil {
		return Shows{}, err
	}
	t, err := d.Strata(s, a.Scope)
	if err != nil {
		return Shows{}, err
	}
	t.tables = newTables()
	out := Shows{Design: d}
	out.SE, out.DF = t.SE()
	out.Smallest = t.Smallest(a.Power, a.Level)
	out.Margin = t.SmallestMargin(a.Power, a.Level)
	if want.Change > 0 {
		out.Power = t.Power(want.Change, a.Level)
	}
	if want.Margin > 0 {
		out.TOST = t.TOST(want.Margin, 0, a.Level)
	}
	return out, nil
}
