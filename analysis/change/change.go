// Package change compares the return flow of a set of injectors before with after:
// by how much it changed, how sure that is, and whether the change is smaller than
// a margin that was set beforehand. It is near the end of a sample's life: rates
// come in as plain numbers, a Result goes out to a terminal, a page or a report.
//
//	r, err := change.Compare(readings, change.Options{MarginPercent: 10})
//	fmt.Println(r.Finding())
//
// # Model
//
// All injectors are measured in one run, and several runs in one hanging of the
// tubes. What disturbs a run (rail pressure, fuel temperature) or a hanging (a
// pulled hose, a tube that stands otherwise) disturbs the whole set, so the hanging
// is the unit, not the reading and still less the sample:
//
//	log(rate) = injector + phase + injector x phase + hanging + run + residual
//
// The runs of a hanging are averaged for each injector, y[h,i]; the injectors of a
// hanging are averaged to the set's mean, m[h]. Only injectors with a reading in
// every hanging count. With nb and na hangings before and after, I injectors,
// c = 1/nb + 1/na and D = mean of m after - mean of m before:
//
//	sH2  variance of m[h] within phases, pooled            df  v1 = nb + na - 2
//	sE2  residual of y[h,i] on injector x phase and hanging    (I-1) v1
//	sD2  variance over injectors of d[i], the injectors' differences   I - 1
//
// Scope "this engine": the injectors are these and no others, and injector x phase
// is part of what is asked for. D is judged by c sH2 with v1 degrees of freedom,
// Student's two-sample t. The variance is pooled, not Welch's: the scatter belongs to
// the bench and to how tubes are hung, which is the same in both phases, and with
// two or three hangings Welch's degrees of freedom are themselves a guess between
// min(nb, na)-1 and v1, which costs width (TestFalsePositives prints both).
//
// Scope "injectors like these": injectors are a draw from many. Then D varies also
// by how injectors differ in response, and its variance is estimated by
//
//	V = c sH2 + sD2/I - c sE2/I,   not less than either of the first two terms
//
// since sD2/I alone (the paired t over injectors) holds the residual but not the
// hanging, which all injectors share, and the sum holds the residual twice. Its
// degrees of freedom are V^2 / sum(term^2/df), by Satterthwaite, Biometrics
// Bulletin 2 (1946) 110, eq. 17; GUM (JCGM 100:2008) G.4.1, eq. G.2b.
//
// One injector's difference d[i] has the variance c (sH2 + sE2 (I-1)/I), the
// scatter taken as the same for all, with Satterthwaite's degrees of freedom;
// the injectors' intervals hold together at 95 % (Bonferroni, 5 %/I each).
//
// Assumed: hangings independent, log rates about normal, scatter the same in both
// phases. Runs of hangings with few and with many runs get the same weight.
package change

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Reading is one injector's rate in one run.
type Reading struct {
	Injector string
	Phase    string
	Hanging  string // within the phase; a label used in both phases means two hangings
	Run      string // within the hanging
	Day      string // the date, as text; may be empty

	RateMLPerMin float64 // above zero
	UMLPerMin    float64 // its standard uncertainty; 0 when not known
}

// Options say what is compared. The zero value compares "baseline" or "before" with
// "after", or else the first two phases, at a margin of 10 %.
type Options struct {
	Before, After string // phases; empty: see above

	// MarginPercent is the smallest change worth caring about, as a ratio: 10 stands
	// for a factor of 1.10 either way, +10 % or -9.1 %. It must be set before the
	// data are seen. 0 means 10.
	MarginPercent float64

	// PickedWorst says that the engine or injector was chosen because its reading
	// was high or low: such a reading moves back by itself.
	PickedWorst bool
}

// DefaultMarginPercent is a rule of thumb for a screen: common practice, no source.
const DefaultMarginPercent = 10

// confidence of every interval, and the power the planning figures are for.
const (
	alpha = 0.05
	power = 0.80
)

// The scopes.
const (
	ScopeEngine    = "this engine"
	ScopeLikeThese = "injectors like these"
)

// Decision is what the data allow to say.
type Decision string

// The decisions. Lower and Higher come first: a change that is shown is named, also
// where it is shown to be smaller than the margin, and the finding then says so. So
// one in twenty comparisons of equals is called lower or higher, as the 95 % of the
// interval says, whatever the margin.
const (
	Lower              Decision = "lower"                // the 95 % interval is below zero
	Higher             Decision = "higher"               // the 95 % interval is above zero
	NoMeaningfulChange Decision = "no-meaningful-change" // no change is shown, and both one-sided tests against the margin have p < 0.05
	CannotTell         Decision = "cannot-tell"          // none of these
)

// Effect is a change of return flow, after against before, in percent. Without an
// interval (too few units) CI95, DF and P are nil; there is never a NaN.
type Effect struct {
	Percent float64     `json:"percent"` // of the geometric mean over the set
	CI95    *[2]float64 `json:"ci95"`
	DF      *float64    `json:"df"`
	P       *float64    `json:"p"` // two-sided, of no change
}

// Equivalence is the test that the change is smaller than the margin.
type Equivalence struct {
	MarginPercent float64  `json:"margin_percent"`
	P             *float64 `json:"p"` // the larger of the two one-sided p (TOST); nil without an interval
}

// Injector is one injector's part of the change.
type Injector struct {
	Injector       string      `json:"injector"`
	BeforeMLPerMin float64     `json:"before_ml_per_min"` // geometric mean over hangings
	AfterMLPerMin  float64     `json:"after_ml_per_min"`
	Percent        float64     `json:"percent"`
	CI95           *[2]float64 `json:"ci95"` // simultaneous over the injectors; nil without an interval
}

// Count is what one phase rests on, left-out injectors apart.
type Count struct {
	Phase    string  `json:"phase"`
	Hangings int     `json:"hangings"`
	Runs     int     `json:"runs"`
	Readings int     `json:"readings"`
	MLPerMin float64 `json:"ml_per_min"` // the set's geometric mean
}

// Result is a comparison. Its JSON names are part of schema brimline/compare/1.
type Result struct {
	Scope       string      `json:"scope"`
	Effect      Effect      `json:"effect"`
	Equivalence Equivalence `json:"equivalence"`
	Decision    Decision    `json:"decision"`
	Injectors   []Injector  `json:"injectors"`
	Warnings    []string    `json:"warnings"`

	// Forbids says why no finding may rest on the data; empty: it may.
	Forbids string `json:"forbids,omitempty"`
	Before  Count  `json:"before"`
	After   Count  `json:"after"`
	// LikeThese is the same change for the wider scope, "injectors like these"; nil
	// with one injector or without an interval.
	LikeThese *Effect `json:"injectors_like_these"`
	// RunsOnly is the change by the scatter of runs within one hanging, given only
	// where each phase has a single hanging: its interval leaves the hanging out.
	RunsOnly *Effect `json:"runs_only,omitempty"`
	// HangingSDPercent is the scatter of the set's mean from hanging to hanging.
	HangingSDPercent *float64 `json:"hanging_sd_percent"`
	// SmallestDetectablePercent is the true change that data with this scatter and
	// these hangings would show (95 % interval clear of zero) 4 times out of 5.
	SmallestDetectablePercent *float64 `json:"smallest_detectable_percent"`
	// HangingsNeeded per phase, at this scatter, to show a change as large as the
	// margin, and to show that there is none, 4 times out of 5 each. Given for
	// cannot-tell; nil when not known or above 200.
	HangingsNeeded *int     `json:"hangings_needed_per_phase"`
	LeftOut        []string `json:"left_out"` // injectors without a reading in every hanging
	Method         string   `json:"method"`
}

// ReadingError is a reading that cannot be compared.
type ReadingError struct {
	Index   int // into the readings
	Reading Reading
	Problem string
	Next    string
}

func (e *ReadingError) Error() string {
	r := e.Reading
	return fmt.Sprintf("injector %s in phase %s, hanging %s, run %s: %s; %s", r.Injector, r.Phase, r.Hanging, r.Run, e.Problem, e.Next)
}

// The rates that are taken for a return flow, mL/min: far outside what any injector
// sends back, so that only a wrong unit or a slip falls out.
const minRate, maxRate = 1e-6, 1e6

// Compare compares two phases. Readings may come in any order and are not changed;
// those of other phases are left out with a warning. An error is a *ReadingError
// (a rate that is not above zero, a copy) or says which phases or injectors are
// missing. Few data are not an error: the result then has no interval, the decision
// is CannotTell and Forbids says why.
func Compare(readings []Reading, o Options) (Result, error) {
	if o.MarginPercent == 0 {
		o.MarginPercent = DefaultMarginPercent
	}
	if !(o.MarginPercent > 0 && o.MarginPercent <= 100) {
		return Result{}, fmt.Errorf("comparing: the margin is %g %%; give the smallest change worth caring about, above 0 and up to 100 %%", o.MarginPercent)
	}
	if err := checkReadings(readings); err != nil {
		return Result{}, err
	}
	r := Result{Scope: ScopeEngine, Decision: CannotTell, Warnings: []string{}, LeftOut: []string{},
		Equivalence: Equivalence{MarginPercent: o.MarginPercent}}
	if err := r.choosePhases(readings, o); err != nil {
		return Result{}, err
	}
	t, err := r.tabulate(readings)
	if err != nil {
		return Result{}, err
	}
	f := fitTable(t)
	r.fill(t, f)
	r.judge(t, f)
	r.warn(readings, t, f, o)
	return r, nil
}

func checkReadings(readings []Reading) error {
	if len(readings) == 0 {
		return fmt.Errorf("comparing: there are no readings; give some from before and some from after")
	}
	type key struct{ phase, hanging, run, injector string }
	seen := map[key]bool{}
	for i, r := range readings {
		bad := func(problem, next string) error { return &ReadingError{i, r, problem, next} }
		switch {
		case r.RateMLPerMin == 0:
			return bad("the rate is zero, and a change in percent of nothing cannot be worked out", "leave this injector out of the comparison and look into it on its own: an injector that sends nothing back is a finding")
		case !(r.RateMLPerMin >= minRate && r.RateMLPerMin <= maxRate):
			return bad(fmt.Sprintf("a rate of %g mL/min is not between %g and %g", r.RateMLPerMin, minRate, maxRate), "check the reading and its unit")
		case !(r.UMLPerMin >= 0) || math.IsInf(r.UMLPerMin, 0):
			return bad(fmt.Sprintf("an uncertainty of %g mL/min", r.UMLPerMin), "give zero or more, 0 when it is not known")
		}
		k := key{r.Phase, r.Hanging, r.Run, r.Injector}
		if seen[k] {
			return bad("there are two readings of it", "number the runs and hangings, or take the copy out")
		}
		seen[k] = true
	}
	return nil
}

func (r *Result) choosePhases(readings []Reading, o Options) error {
	var phases []string
	for _, x := range readings {
		if !slices.Contains(phases, x.Phase) {
			phases = append(phases, x.Phase)
		}
	}
	known := func(names ...string) string {
		for _, n := range names {
			for _, p := range phases {
				if strings.EqualFold(p, n) {
					return p
				}
			}
		}
		return ""
	}
	before, after := o.Before, o.After
	if before == "" {
		before = known("baseline", "before")
	}
	if after == "" {
		after = known("after")
	}
	if before == "" || after == "" {
		for _, p := range phases {
			switch {
			case before == "" && p != after:
				before = p
			case after == "" && p != before:
				after = p
			}
		}
		if before != "" && after != "" {
			r.Warnings = append(r.Warnings, fmt.Sprintf("which phase came first was taken from the order of the readings: %q before, %q after; name them to be sure", before, after))
		}
	}
	list := strings.Join(phases, ", ")
	switch {
	case before == "" || after == "":
		return fmt.Errorf("comparing: all readings are of the phase %s; give readings of a second phase", list)
	case before == after:
		return fmt.Errorf("comparing: the phase %s is named as before and as after; name two of: %s", before, list)
	case !slices.Contains(phases, before):
		return fmt.Errorf("comparing: no reading is of the phase %q; the phases are: %s", before, list)
	case !slices.Contains(phases, after):
		return fmt.Errorf("comparing: no reading is of the phase %q; the phases are: %s", after, list)
	}
	var others []string
	for _, p := range phases {
		if p != before && p != after {
			others = append(others, p)
		}
	}
	if len(others) > 0 {
		r.Warnings = append(r.Warnings, "readings of other phases were left out: "+strings.Join(others, ", "))
	}
	r.Before.Phase, r.After.Phase = before, after
	return nil
}

// hanging is one hanging's log rates.
type hanging struct {
	name string
	runs map[string]map[string]float64 // run, injector: log rate
	mean []float64                     // per injector of the table, over its runs
	set  float64                       // over the injectors
}

// table is what the model sees: two phases of hangings, complete injectors.
type table struct {
	injectors []string
	phases    [2][]*hanging // before, after
}

func (r *Result) tabulate(readings []Reading) (table, error) {
	var t table
	byKey := map[[2]string]*hanging{}
	everywhere := map[string]int{} // injector: hangings it is in
	perPhase := map[string][2]bool{}
	for _, x := range readings {
		p := slices.Index([]string{r.Before.Phase, r.After.Phase}, x.Phase)
		if p < 0 {
			continue
		}
		k := [2]string{x.Phase, x.Hanging}
		h := byKey[k]
		if h == nil {
			h = &hanging{name: x.Hanging, runs: map[string]map[string]float64{}}
			byKey[k] = h
			t.phases[p] = append(t.phases[p], h)
		}
		if h.runs[x.Run] == nil {
			h.runs[x.Run] = map[string]float64{}
		}
		if !h.has(x.Injector) {
			everywhere[x.Injector]++
		}
		h.runs[x.Run][x.Injector] = math.Log(x.RateMLPerMin)
		in := perPhase[x.Injector]
		in[p] = true
		perPhase[x.Injector] = in
	}
	all := len(t.phases[0]) + len(t.phases[1])
	for _, i := range sortedKeys(everywhere) {
		if everywhere[i] == all {
			t.injectors = append(t.injectors, i)
			continue
		}
		r.LeftOut = append(r.LeftOut, i)
		if in := perPhase[i]; in[0] != in[1] {
			only := r.Before.Phase
			if in[1] {
				only = r.After.Phase
			}
			r.Warnings = append(r.Warnings, fmt.Sprintf("injector %s was measured in phase %s only and was left out", i, only))
		} else {
			r.Warnings = append(r.Warnings, fmt.Sprintf("injector %s is missing in %d of %d hangings and was left out", i, all-everywhere[i], all))
		}
	}
	if len(t.injectors) == 0 {
		return t, fmt.Errorf("comparing: no injector was measured in all %d hangings of %s and %s; measure the same injectors in each, or take incomplete hangings out", all, r.Before.Phase, r.After.Phase)
	}
	partial := 0
	for p := range t.phases {
		slices.SortFunc(t.phases[p], func(a, b *hanging) int { return natural(a.name, b.name) })
		for _, h := range t.phases[p] {
			partial += h.average(t.injectors)
		}
	}
	if partial > 0 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("%d readings are missing within hangings: those injectors rest on fewer runs", partial))
	}
	return t, nil
}

func (h *hanging) has(injector string) bool {
	for _, run := range h.runs {
		if _, ok := run[injector]; ok {
			return true
		}
	}
	return false
}

// average fills mean and set, and counts the readings missing from its runs.
func (h *hanging) average(injectors []string) (missing int) {
	names := sortedKeys(h.runs) // a fixed order, so that sums are the same every time
	for _, i := range injectors {
		var sum, n float64
		for _, run := range names {
			if y, ok := h.runs[run][i]; ok {
				sum += y
				n++
			} else {
				missing++
			}
		}
		h.mean = append(h.mean, sum/n)
	}
	h.set = mean(h.mean)
	return missing
}

// natural orders labels as people number things: 2 before 10.
func natural(a, b string) int {
	x, errX := strconv.Atoi(a)
	y, errY := strconv.Atoi(b)
	switch {
	case errX == nil && errY == nil && x != y:
		return cmp.Compare(x, y)
	case errX == nil && errY != nil:
		return -1
	case errX != nil && errY == nil:
		return 1
	}
	return cmp.Compare(a, b)
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, natural)
	return keys
}
