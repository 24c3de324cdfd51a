// Package history looks at all tests of an engine over months and years: how fast the
// return flow drifts, by how much it stepped where something was done, whether it is back
// to where it was, and where it will be. It also draws control charts, holds hand readings
// against the rig's, and pools what events did across engines. Plain numbers come in, from
// the store by way of cmd; a Result goes out to a terminal or a report.
//
//	r, err := history.Analyse(history.Input{Tests: tests, Readings: readings, Events: events}, history.Options{})
//	fmt.Println(r.Finding())
//
// # Model
//
//	log(rate) = series + drift x + steps passed + hand + visit + hanging + run + visit x series + residual
//
// A series is the injector at one position; one that is fitted begins a new series. x is
// distance or months, a step is passed by every test after its event, and hand is what
// readings by eye differ by from the rig's. Tests of one day with nothing done between
// them are one visit: they share the engine's state. Visits, hangings, runs and visit x series
// are random where the readings can tell them apart; the residual of a reading is its
// known variance (u/rate)^2 and one that is estimated. Fitted by package mixed: REML,
// Kenward-Roger. What is asked for varies from visit to visit, so visits are the units:
// with V visits and p coefficients an interval has about V - p degrees of freedom.
//
// Where REML puts the visits' spread at zero its intervals would be too short. Then, and
// where each visit has one reading, the error is that of the visits' stratum:
//
//	MS = (RSS without visits - RSS with visits) / (ranks' difference)     weights 1/(known + residual)
//
// and a coefficient's variance MS c'(X'WX)^-1 c, with Student's t on the ranks' difference.
// For balanced readings this is least squares on the visits' means, exactly.
//
// One injector's answers come from its own readings by the same model. Intervals of steps
// hold together over the steps, those of injectors over the injectors (Bonferroni).
//
// # What the design cannot bear
//
// A number is given only if the readings determine it and leave a degree of freedom for
// its error: two tests cannot tell drift from a step. Everything left out has a Doubt.
//
// Assumed: drift is a straight line in log rate, steps are at once and stay, scatter is
// about normal and the same at all visits.
package history

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// The means of measuring.
const (
	ByHand = "by hand"
	ByRig  = "rig"
)

// The axes.
const (
	Date     = "date"
	Distance = "distance"
)

// Test is one occasion.
type Test struct {
	Label    string
	Phase    string // may be empty
	At       time.Time
	Odometer float64 // in Input.Unit; NaN when not noted
}

// Reading is one injector's rate in one run of a test.
type Reading struct {
	Test, Hanging, Run string
	Means              string // ByHand or ByRig
	Position           int    // 1 for the first cylinder

	RateMLPerMin float64 // zero: the tube stayed empty
	UMLPerMin    float64 // its standard uncertainty without what tests share; 0 when not known

	VolumeML, DurationS float64 // of a hand reading; 0 when not known
}

// Event is something done to the engine. Position is that of an injector that was fitted,
// 0 for anything else.
type Event struct {
	Kind, What string
	At         time.Time
	Odometer   float64 // NaN when not noted
	Position   int
	Code       string // as marked on the injector; may be empty
}

// Check is one reading of a known mass: how far the channel was off, in percent of the mass.
type Check struct {
	Channel string
	At      time.Time
	Line    int64 // the calibration that it was held against; a new one starts anew
	Percent float64
}

// Input is an engine's book.
type Input struct {
	Engine   string
	Unit     string // of odometers: "km", "mi" or "h"
	Tests    []Test
	Readings []Reading
	Events   []Event
	Checks   []Check
	Now      time.Time // tests dated a day or more later are left out; zero: none is
}

// Options say what is asked for.
type Options struct {
	By string // Date or Distance; empty: Distance where every test notes it, else Date

	// MarginPercent is the smallest change worth caring about, as a ratio: 10 stands for a
	// factor of 1.10 either way. 0 means 10.
	MarginPercent float64

	// NoDrift takes it that between events nothing drifts; it must be said before the data
	// are seen.
	NoDrift bool

	BackTo string // label of the earlier test that the last is held against; empty: the first

	// ForecastAt is where on the axis to look, an odometer or months since the first test;
	// 0: half of the time or distance covered beyond the last test.
	ForecastAt float64
}

// DefaultMarginPercent is a rule of thumb for a screen: common practice, no source.
const DefaultMarginPercent = 10

// Doubt is something to know beside the numbers, or why one is not there.
type Doubt struct {
	Code string `json:"code"`
	Says string `json:"says"`
	Do   string `json:"do,omitempty"`
}

// Change is a number in percent with its 95 % interval. CI95, DF and P are nil where there
// is none.
type Change struct {
	Percent float64     `json:"percent"`
	CI95    *[2]float64 `json:"ci95"`
	DF      *float64    `json:"df"`
	P       *float64    `json:"p"` // two-sided, of none; not adjusted

	log, se float64 // of the log ratio
}

// Drift is a change per so much of an axis.
type Drift struct {
	Per string `json:"per"` // "1,000 km", "month"
	Change
}

// Step is what changed where something was done.
type Step struct {
	Name   string  `json:"name"`   // of the events between the same two visits, joined
	Kinds  string  `json:"kinds"`  // joined by a comma
	Before string  `json:"before"` // tests on either side
	After  string  `json:"after"`
	Change *Change `json:"change"` // nil: the tests cannot tell it
}

// Series is one injector at one position.
type Series struct {
	Name     string  `json:"injector"` // "3", or "3 from 2026-05-02"
	Position int     `json:"position"`
	Tests    int     `json:"tests"`
	First    float64 `json:"first_ml_per_min"` // geometric means of its first and last visit
	Last     float64 `json:"last_ml_per_min"`
	Drift    []Drift `json:"drift"` // without those that its tests cannot bear
	Steps    []Step  `json:"steps"`
}

// VisitMean is the set at one visit.
type VisitMean struct {
	Tests    string   `json:"tests"`
	Date     string   `json:"date"`
	Odometer *float64 `json:"odometer"`
	Means    string   `json:"means"`
	Readings int      `json:"readings"`
	MLPerMin float64  `json:"ml_per_min"` // geometric mean of its readings
	// Level is the set's mean with injectors that were fitted later taken account of: visits
	// compare by it. Nil where no injector links the visit to the last.
	Level *float64 `json:"level_ml_per_min"`
}

// Back is the last test against an earlier one.
type Back struct {
	Test          string   `json:"test"`
	To            string   `json:"to"`
	MarginPercent float64  `json:"margin_percent"`
	Change        Change   `json:"change"`
	PEquivalence  *float64 `json:"p_equivalence"` // the larger of the two one-sided p (TOST)
	Says          string   `json:"says"`
}

// Forecast is where the set's mean will be if all goes on as it did and nothing is done.
type Forecast struct {
	At       string     `json:"at"`
	MLPerMin float64    `json:"ml_per_min"`
	Mean95   [2]float64 `json:"mean_ci95_ml_per_min"` // of the line
	Test95   [2]float64 `json:"test_ci95_ml_per_min"` // of a test there
}

// Scatter is how single readings of one kind repeat within a hanging.
type Scatter struct {
	Means   string  `json:"means"`
	Percent float64 `json:"percent"` // standard deviation
	DF      int     `json:"df"`
}

// Spread is a standard deviation of the set's mean.
type Spread struct {
	Percent float64 `json:"percent"`
	DF      float64 `json:"df"`
}

// HangingSpread is how far hangings of one occasion differ in the set's mean.
type HangingSpread struct {
	Spread
	// WithRuns says that what runs add is in it, as it cannot be told apart.
	WithRuns            bool `json:"with_runs"`
	Hangings, Occasions int  `json:"-"`
}

// Result is an engine's history. Its JSON names are part of schema brimline/history/1.
type Result struct {
	Engine    string      `json:"engine"`
	By        string      `json:"by"`
	Unit      string      `json:"unit"`
	Visits    []VisitMean `json:"visits"`
	Drift     []Drift     `json:"drift"` // of the set; without those that the tests cannot bear
	Steps     []Step      `json:"steps"`
	Hand      *Change     `json:"hand_against_rig"` // what hand readings differ by; nil when not known
	Injectors []Series    `json:"injectors"`
	Back      *Back       `json:"back"`
	Forecast  *Forecast   `json:"forecast"`
	Scatter   []Scatter   `json:"scatter"`
	// BetweenVisits is the scatter about the line, beyond what readings add.
	BetweenVisits *Spread `json:"between_visits"`
	Charts        []Chart `json:"charts"`
	Doubts        []Doubt `json:"doubts"`
	Method        string  `json:"method"`
}

// alpha of every interval.
const alpha = 0.05

// daysPerMonth is a year's twelfth.
const daysPerMonth = 365.25 / 12

// maxExtrapolation is how far beyond the last test a forecast goes, as a part of what the
// tests cover. Rule of thumb: common practice, no source.
const maxExtrapolation = 0.5

func (r *Result) doubt(code, says, do string) {
	if !slices.ContainsFunc(r.Doubts, func(d Doubt) bool { return d.Code == code && d.Says == says }) {
		r.Doubts = append(r.Doubts, Doubt{code, says, do})
	}
}

// Forbids reports whether no finding may rest on the result: neither drift, nor step, nor
// comparison came of it.
func (r Result) Forbids() bool {
	return len(r.Drift) == 0 && r.Back == nil && !slices.ContainsFunc(r.Steps, func(s Step) bool { return s.Change != nil })
}

// Analyse looks at an engine's tests. Readings need not be in order. An error is for an
// input that cannot be looked at at all; what only bears less is a Doubt.
func Analyse(in Input, o Options) (Result, error) {
	if o.MarginPercent == 0 {
		o.MarginPercent = DefaultMarginPercent
	}
	if !(o.MarginPercent > 0 && o.MarginPercent <= 100) {
		return Result{}, fmt.Errorf("the margin is %g %%; give the smallest change worth caring about, above 0 and up to 100 %%", o.MarginPercent)
	}
	if o.By != "" && o.By != Date && o.By != Distance {
		return Result{}, fmt.Errorf("the axis %q is not known; give %s or %s", o.By, Date, Distance)
	}
	r := Result{Engine: in.Engine, Unit: in.Unit, Visits: []VisitMean{}, Drift: []Drift{}, Steps: []Step{}, Injectors: []Series{},
		Scatter: []Scatter{}, Charts: []Chart{}, Doubts: []Doubt{}}
	b, err := r.book(in)
	if err != nil {
		return Result{}, err
	}
	if err := r.chooseAxis(b, o); err != nil {
		return Result{}, err
	}
	r.scatter(b)
	fits := r.fit(b, o)
	r.injectors(b, o)
	r.visitMeans(b, fits)
	if err := r.back(b, fits, o); err != nil {
		return Result{}, err
	}
	r.forecast(b, fits, o)
	r.charts(b, in.Checks)
	r.unmarked(b, fits, o)
	return r, nil
}

// chooseAxis decides what drift, steps and forecast go by.
func (r *Result) chooseAxis(b *book, o Options) error {
	r.By = o.By
	known := b.distances()
	if known == nil && r.By == "" {
		r.By = Distance
	}
	if r.By == "" {
		r.By = Date
	}
	if known != nil && r.By == Distance {
		return fmt.Errorf("%w; note the odometer, or take the date for the axis", known)
	}
	return nil
}

// perUnit names what a drift by distance is per.
func (r *Result) perUnit() string { return "1,000 " + r.Unit }

// Finding is the sentences that a person acts on. They never say better or worse: which
// way a return flow should move is debated in the trade.
func (r Result) Finding() string {
	var out []string
	n := len(r.Visits)
	switch {
	case n == 0:
		return "No test has a reading that a finding may rest on."
	case n == 1:
		return fmt.Sprintf("There is one test, %s: a history begins with the second.", r.Visits[0].Tests)
	}
	span := fmt.Sprintf("%d visits from %s to %s", n, r.Visits[0].Date, r.Visits[n-1].Date)
	main := r.mainDrift()
	switch {
	case main == nil:
		out = append(out, "Over "+span+" no drift can be told.")
	case main.CI95[0] > 0 || main.CI95[1] < 0:
		out = append(out, fmt.Sprintf("Over %s the set's return flow drifted: %s per %s (95 %% interval: %s).", span, Moved(main.Change), main.Per, Range(*main.CI95)))
	default:
		out = append(out, fmt.Sprintf("Over %s no drift of the set's return flow is shown: %s per %s (95 %% interval: %s).", span, Moved(main.Change), main.Per, Range(*main.CI95)))
	}
	for _, s := range r.Steps {
		if s.Change == nil {
			continue
		}
		word := "no step is shown"
		if s.Change.CI95[0] > 0 || s.Change.CI95[1] < 0 {
			word = "it stepped"
		}
		out = append(out, fmt.Sprintf("At %s %s: %s (%s).", s.Name, word, Moved(*s.Change), Range(*s.Change.CI95)))
	}
	if r.Back != nil {
		out = append(out, r.Back.Says)
	}
	return strings.Join(out, " ")
}

// mainDrift is the drift on the axis; nil when it is not known.
func (r Result) mainDrift() *Drift {
	for i := range r.Drift {
		if (r.Drift[i].Per == "month") == (r.By == Date) {
			return &r.Drift[i]
		}
	}
	return nil
}

// Moved says a change in words, "4.2 % lower", with digits that suit its interval.
func Moved(c Change) string {
	d := 1
	if c.CI95 != nil {
		d = digits(*c.CI95)
	}
	word := "higher"
	if c.Percent < 0 {
		word = "lower"
	}
	if size := fmt.Sprintf("%.*f", d, math.Abs(c.Percent)); strings.Trim(size, "0.") != "" {
		return size + " % " + word
	}
	return fmt.Sprintf("%.*f %% different", d, 0.0)
}

// Range says an interval in words, "1.0 % to 7.3 % lower".
func Range(ci [2]float64) string {
	d := digits(ci)
	lo, hi := ci[0], ci[1]
	switch {
	case hi < 0:
		return fmt.Sprintf("%.*f %% to %.*f %% lower", d, -hi, d, -lo)
	case lo > 0:
		return fmt.Sprintf("%.*f %% to %.*f %% higher", d, lo, d, hi)
	}
	return fmt.Sprintf("%.*f %% lower to %.*f %% higher", d, -lo, d, hi)
}

// digits after the point: two figures of a half interval below 1 %, none where it is above
// 20 %.
func digits(ci [2]float64) int {
	switch half := (ci[1] - ci[0]) / 2; {
	case half < 0.95:
		return 2
	case half < 20:
		return 1
	}
	return 0
}
