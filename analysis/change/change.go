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
//	log(rate) = injector + phase + injector x phase + hanging + run + hanging x injector + residual
//
// Hanging, run and hanging x injector (each tube hangs in its own way, too) are random;
// run and hanging x injector are told from the residual only where a hanging has several
// runs, else the residual holds them. Fitted by package mixed: REML, Kenward-Roger.
//
// Scope "this engine": the injectors are these and no others, and injector x phase
// is part of what is asked for. Its answer is the change of the set's mean. With each
// injector once in each run and as many runs in each hanging, nb and na hangings before
// and after, m[h] the set's mean log rate in a hanging and c = 1/nb + 1/na, it is Student's
// two-sample t on m[h], exactly, wherever hangings differ more than their runs let expect:
//
//	sH2  variance of m[h] within phases, pooled            df  v1 = nb + na - 2
//	sE2  residual of y[h,i] on injector x phase and hanging    (I-1) v1
//	sD2  variance over injectors of d[i], the injectors' differences   I - 1
//
// Where they do not, the mixed model puts the hanging's spread at zero, and is then no
// longer right one time in 20 (TestSpreadAtZero): the answer is Student's t on m[h], which
// needs no spread to be above zero. Where readings are missing m[h] is what the set would
// have sent, by least squares on injector and hanging.
//
// The variance is pooled over the phases: the scatter belongs to the bench and to how
// tubes are hung, which is the same in both. Result.Sensitivity has Welch's t and others.
//
// Scope "injectors like these": injectors are a draw from many. Then the change D varies
// also by how injectors differ in response, and its variance is estimated by
//
//	V = c sH2 + sD2/I - c sE2/I,   not less than either of the first two terms
//
// since sD2/I alone (the paired t over injectors) holds the residual but not the
// hanging, which all injectors share, and the sum holds the residual twice. Its
// degrees of freedom are V^2 / sum(term^2/df), by Satterthwaite, Biometrics
// Bulletin 2 (1946) 110, eq. 17; GUM (JCGM 100:2008) G.4.1, eq. G.2b.
//
// With one hanging in each phase there is no telling it from the treatment. If the bench's
// own spread between hangings is known (Options.HangingSD), the variance is that of the
// runs' means plus HangingSD^2 for each phase, with Satterthwaite's degrees of freedom.
//
// One injector's difference has its own interval; all injectors' hold together at 95 %
// (Bonferroni, 5 %/I each). As injectors share their hangings this is on the safe side.
//
// Assumed: hangings independent, log rates about normal, scatter the same in both phases.
package change

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Reading is one injector's rate in one run.
type Reading struct {
	Injector string
	Phase    string
	Hanging  string // within the phase; a label used in both phases means two hangings
	Run      string // within the hanging
	Day      string // the date, as text; may be empty
	Means    string // what it was measured with, for example "by hand"; may be empty

	RateMLPerMin float64 // above zero
	UMLPerMin    float64 // its standard uncertainty; 0 when not known

	Conditions []Condition
}

// Condition is what was noted beside a reading: of the run, such as the fuel's
// temperature, or of the injector, such as the control unit's correction.
type Condition struct {
	Name, Unit string
	Value      float64
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

	// HangingSD is the bench's own standard deviation between hangings of the set's mean
	// log rate (0.01 is 1 %), what runs add taken out, as a re-hanging study finds it, and
	// HangingDF its degrees of freedom. 0: not known. They are used where each phase has a
	// single hanging.
	HangingSD, HangingDF float64
	// HangingFrom is where these come from, in words; empty: they are stated.
	HangingFrom string

	// Adjust names conditions that are to be taken into account in the finding. As any
	// choice of analysis it must be made before the data are seen.
	Adjust []string
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
	// P is two-sided, of no difference, and adjusted by Holm's steps (Scand. J. Statist. 6
	// (1979) 65) so that the injectors may be looked at together; nil without an interval.
	P *float64 `json:"p_holm"`
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
	Warnings    []string    `json:"warnings"` // the doubts as sentences
	Doubts      []Doubt     `json:"doubts"`

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
	LeftOut        []string `json:"left_out"` // injectors that were not measured in both phases, or could not be tied to the others
	Method         string   `json:"method"`

	// Model is what the interval comes from: "mixed", "hanging-means",
	// "hanging-means-adjusted", "bench-hanging-sd", or "none".
	Model string `json:"model"`
	// ModelWhy says why it is not the mixed model; empty where it is.
	ModelWhy string `json:"model_why,omitempty"`
	// Scatter is what the readings scatter by, and Run what moves the whole set from run to run.
	Scatter *Scatter `json:"scatter,omitempty"`
	// Sensitivity is the same change worked out in other ways.
	Sensitivity []Variant `json:"sensitivity"`
	// Conditions are those noted, before beside after.
	Conditions []ConditionPair `json:"conditions"`
}

// Doubt is something that a finding must be read with.
type Doubt struct {
	Code string `json:"code"` // such as "one-hanging"; codes stay what they are
	Says string `json:"says"`
	Do   string `json:"do,omitempty"` // what would remove it
}

// Text is the doubt as one sentence without a full stop.
func (d Doubt) Text() string {
	if d.Do == "" {
		return d.Says
	}
	return d.Says + "; " + d.Do
}

// doubt adds one.
func (r *Result) doubt(code, says, do string) { r.Add(Doubt{code, says, do}) }

// Add adds a doubt that the readings do not show by themselves.
func (r *Result) Add(d Doubt) {
	r.Doubts, r.Warnings = append(r.Doubts, d), append(r.Warnings, d.Text())
}

// Scatter is spreads as standard deviations in percent.
type Scatter struct {
	// RunPercent is by how much the whole set moves together from run to run within a
	// hanging, what injectors do on their own taken out, with its 95 % interval (Williams,
	// Biometrika 49 (1962) 278). nil where no two runs of a hanging have all injectors.
	RunPercent *float64    `json:"run_percent"`
	RunCI95    *[2]float64 `json:"run_ci95"`
	// HangingPercent is by how much it moves from hanging to hanging, runs taken out.
	HangingPercent *float64 `json:"hanging_percent"`
	// ReadingPercent is a single reading around its injector, hanging and run.
	ReadingPercent *float64 `json:"reading_percent"`
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
	if err := o.checkHanging(); err != nil {
		return Result{}, err
	}
	if err := checkReadings(readings); err != nil {
		return Result{}, err
	}
	r := Result{Scope: ScopeEngine, Decision: CannotTell, Warnings: []string{}, Doubts: []Doubt{}, LeftOut: []string{},
		Sensitivity: []Variant{}, Conditions: []ConditionPair{}, Equivalence: Equivalence{MarginPercent: o.MarginPercent}}
	if err := r.choosePhases(readings, o); err != nil {
		return Result{}, err
	}
	t, err := r.tabulate(readings)
	if err != nil {
		return Result{}, err
	}
	f := fitTable(t, o)
	if err := r.conditions(readings, t, &f, o); err != nil {
		return Result{}, err
	}
	r.fill(t, f)
	r.judge(t, f)
	r.sensitivity(t, f)
	r.warn(readings, t, f, o)
	return r, nil
}

func (o Options) checkHanging() error {
	if o.HangingSD == 0 && o.HangingDF == 0 {
		return nil
	}
	if !(o.HangingSD > 0 && o.HangingSD <= 1) {
		return fmt.Errorf("comparing: the bench's spread between hangings is %g as a log ratio; give it above 0 and up to 1 (0.01 is 1 %%)", o.HangingSD)
	}
	if !(o.HangingDF >= 1) {
		return fmt.Errorf("comparing: the bench's spread between hangings has %g degrees of freedom; give those of the re-hanging study, 1 or more", o.HangingDF)
	}
	return nil
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
		for _, c := range r.Conditions {
			if math.IsNaN(c.Value) || math.IsInf(c.Value, 0) {
				return bad(fmt.Sprintf("its %s is %g", c.Name, c.Value), "give a number, or leave it out")
			}
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
			r.doubt("phase-order", fmt.Sprintf("which phase came first was taken from the order of the readings: %q before, %q after", before, after), "name them to be sure")
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
		r.doubt("other-phases", "readings of other phases were left out: "+strings.Join(others, ", "), "")
	}
	r.Before.Phase, r.After.Phase = before, after
	return nil
}
