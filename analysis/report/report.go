package report

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Report is everything one report shows. Only Title, Headline and MadeAt are
// required; a part with nothing in it is left out or said to be missing.
type Report struct {
	Title        string
	Engine       Engine
	Bench        string    // the bench's own name
	MadeAt       time.Time // when the report was made, shown in its own zone
	Version      string    // of the program
	DataChecksum string    // of the data behind the report, with its kind: "sha256:9f2c..."
	Simulated    bool      // the bench was simulated: said at the top and at the foot of each printed page

	// Headline is the finding: its first sentence answers "which injector, or
	// what change", the others say what to do now, in workshop words.
	Headline []string
	// Warnings are the analysis's own caveats, printed right below the finding.
	Warnings []string

	RateUnit   string // "mL/min" (also when empty) or "g/min", of every rate here
	Rates      []RateRow
	RateMethod Method // how the rates were computed; FillMethod has the words for weighed fills
	Change     *Change

	Tests        []Test
	Runs         []Run
	Events       []Event
	Budgets      []Budget // of one typical fill of each channel: one table, a column for each
	Calibrations []Calibration
	Excluded     []Exclusion // beyond the runs whose own Excluded is set
	Notes        []string    // anything else worth printing with the conditions

	Truth *Truth // of a simulated bench only; an error when Simulated is false
}

// Engine is what was tested.
type Engine struct {
	Label        string
	Injectors    int    // how many; 0 when not known
	InjectorType string // "solenoid", "piezo" or "unknown"
	FiringOrder  string // as the maker writes it; may be empty
	DistanceUnit string // "km", "mi" or "h", of every Odometer here
}

// Test is one occasion on the engine.
type Test struct {
	Label    string
	Phase    string
	At       time.Time
	Odometer float64 // in the engine's DistanceUnit; NaN when not noted
	Fuel     Fuel
	Note     string
}

// Fuel is what the tubes were filled with.
type Fuel struct {
	Kind          string
	DensityGPerML float64 // at the tubes' temperature; 0 or NaN when not known
	UDensity      float64 // standard uncertainty, g/mL; 0 or NaN when not known
	TempC         float64 // °C; NaN when not noted
}

// Run is one timed collection of all tubes at once.
type Run struct {
	Test      string // the test's label; numbers of runs and hangings count within it
	Number    int
	Phase     string
	Hanging   int
	At        time.Time
	DurationS float64 // collecting time, s; 0 or NaN when not known
	Positions []Position
	Curves    []Curve
	Flags     []Flag // of the run as a whole: what the engine or the bench did to all tubes at once
	Excluded  string // why the run is left out of findings; empty: it counts
}

// Position says that an injector fed a channel.
type Position struct {
	Channel  string
	Injector int // from 1
}

// Curve is one tube's fill, thinned or not: the chart thins it and keeps every
// extreme. A NaN value is a gap, and so is a step longer than GapS.
type Curve struct {
	Channel  string
	Injector int       // from 1
	ElapsedS []float64 // since the run's start, s, rising
	ML       []float64 // volume, mL, as many as ElapsedS; nil: Grams is shown
	Grams    []float64 // mass, g, as many as ElapsedS; used when ML is nil
	GapS     float64   // longest step that is still joined, s; 0: ten times the median step
	OnsetS   float64   // where the fill was found to begin, s; NaN: not found
	EndS     float64   // where it was found to end, s; NaN: not found
	Fit      *Line     // the fitted line; nil: none
	Rate     float64   // of the fill, in the report's RateUnit; 0 or NaN: not known
	Rolling  []Rolling // the rate within the fill, rising in time
	Flags    []Flag    // those of the run too: they are marked here and explained once
}

// Rolling is the rate over a short stretch of a fill, in the report's RateUnit.
type Rolling struct {
	AtS  float64 // the stretch's middle, s since the run's start
	Rate float64
	U95  float64 // half width of its 95 % interval
}

// Line is a straight line between two points, in the curve's own units.
type Line struct{ FromS, FromY, ToS, ToY float64 }

// Flag is a named, explained doubt.
type Flag struct {
	Code     string
	Severity string // "note", "doubt" or "forbids"
	Says     string // one sentence: what was seen, when and how big
	Evidence string // how big, when and how sure, in words; may be empty
	Do       string // what to do about it; may be empty
	FromS    float64
	ToS      float64 // when, s since the run's start, to be marked on the curve; not above FromS: a moment; both 0 or NaN: not marked
}

// RateRow is one injector's rate in one phase.
type RateRow struct {
	Injector int    // from 1
	Name     string // the injector's code or name; may be empty
	Phase    string
	Rate     float64 // in the report's RateUnit
	U95      float64 // half width of its 95 % interval, same unit
	K        float64 // coverage factor; NaN when not known
	DF       float64 // effective degrees of freedom; +Inf for no limit
	Ratio    float64 // to its set; NaN when it has none
	URatio95 float64 // half width of the ratio's 95 % interval
	Runs     int     // runs behind the rate
	Finding  Finding
	Flags    []Flag
}

// Method says how a number was computed.
type Method struct {
	Name    string // a few words: "paired comparison of run means"
	Plain   string // one paragraph anyone can read
	Formula string // one line for the statistician
}

// FillMethod returns the words for rates that analysis/rate fitted to weighed fills.
func FillMethod() Method {
	return Method{
		Name: "generalised least squares on each fill",
		Plain: "Each tube is weighed many times a second. From the moment fuel arrives, its mass is taken to rise in a " +
			"straight line, and the slope of that line is the rate. Readings that follow each other wander together, so " +
			"a thousand of them are not a thousand pieces of evidence: the fit weighs them by the noise found in the fill " +
			"itself. The other sources of doubt (calibration, drift, density and so on) are added as squares, as the Guide " +
			"to the Expression of Uncertainty in Measurement (GUM) lays down, and U is the half width that holds the true " +
			"rate in 95 of 100 such fills. The mass is turned into volume with the stated density.",
		Formula: "m(t) = m₀ + r (t − t₀) + white noise + random walk, t ≥ t₀;   U = t(0.975; ν) √(Σ uᵢ²), ν by Welch–Satterthwaite",
	}
}

// Change is the comparison of two phases.
type Change struct {
	Before, After string // the phases
	Scope         string // "this engine" or "injectors like these"
	Sentence      string // the change in words

	Percent  float64    // of the whole set
	CI95     [2]float64 // percent; an end may be infinite
	DF       float64
	P        float64 // of no difference, two-sided
	Decision Decision

	MarginPercent     float64 // fixed beforehand; 0 or NaN: none was set
	EquivalenceP      float64 // of a difference beyond the margin (two one-sided tests)
	DetectablePercent float64 // smallest change these data could have shown; NaN when not known

	Injectors []InjectorChange
	Method    Method
}

// InjectorChange is the change of one injector.
type InjectorChange struct {
	Injector int
	Percent  float64
	CI95     [2]float64 // percent
	P        float64    // NaN when not known
}

// Event is something done to the engine.
type Event struct {
	Kind     string
	What     string
	Amount   float64 // NaN when it has none
	Unit     string
	At       time.Time
	Odometer float64 // NaN when not noted
}

// Budget is the uncertainty budget of one rate.
type Budget struct {
	Channel string
	Of      string  // which of its fills: "T2, run 3, injector 4"
	Rate    float64 // in the report's RateUnit, as every U
	Terms   []Term
	U       float64 // combined standard uncertainty; NaN: the root of the sum of the squares of Terms
	DF      float64 // effective degrees of freedom; NaN when not known
	U95     float64 // expanded; NaN when not known
	Advice  string  // what would make U smaller; may be empty
}

// Term is one source of uncertainty.
type Term struct {
	Name string
	Kind string  // as the GUM has it: "A", estimated from readings, or "B", from what else is known
	U    float64 // standard uncertainty
	DF   float64 // +Inf for no limit; NaN when not known
	Says string  // where it comes from; may be empty
}

// Calibration is the line a channel's counts were turned into grams with.
type Calibration struct {
	Channel        string
	At             time.Time
	Due            time.Time // zero when none was set
	CountsPerGram  float64
	UCountsPerGram float64 // standard
	Zero           float64 // counts
	UZero          float64 // standard, counts
	DF             float64 // +Inf when typed in
	Certificate    string  // number, masses, who: in a line
}

// Exclusion is something left out of the findings.
type Exclusion struct{ What, Why string }

// Truth is what a simulated bench was told to do.
type Truth struct {
	Rates         []TruthRate
	ChangePercent float64 // of the whole set; NaN when there was none
}

// TruthRate is one injector's true rate in one phase, in the report's RateUnit.
type TruthRate struct {
	Injector int
	Phase    string
	Rate     float64
}

// check finds what would make the report contradict itself.
func (r *Report) check() error {
	if r.Title == "" {
		return fmt.Errorf("report: render: the title is empty; give one that names the engine")
	}
	if len(r.Headline) == 0 || r.Headline[0] == "" {
		return fmt.Errorf("report: render %q: no headline: a report leads with its finding; give at least one sentence, such as that nothing can be told", r.Title)
	}
	if r.MadeAt.IsZero() {
		return fmt.Errorf("report: render %q: MadeAt is not set; give the time the report is made", r.Title)
	}
	if r.Truth != nil && !r.Simulated {
		return fmt.Errorf("report: render %q: a simulator's truth was given for a bench that is not marked as simulated; set Simulated or leave Truth nil", r.Title)
	}
	switch r.RateUnit {
	case "", "mL/min", "g/min":
	default:
		return fmt.Errorf("report: render %q: rate unit %q is not one of \"mL/min\", \"g/min\"", r.Title, r.RateUnit)
	}
	type key struct {
		phase    string
		injector int
	}
	seen := map[key]bool{}
	for i, row := range r.Rates {
		where := fmt.Sprintf("report: render %q: rate row %d (injector %d, phase %q)", r.Title, i+1, row.Injector, row.Phase)
		if row.Injector < 1 {
			return fmt.Errorf("%s: injectors count from 1", where)
		}
		if k := (key{row.Phase, row.Injector}); seen[k] {
			return fmt.Errorf("%s: this injector and phase have a row already; merge the two", where)
		} else {
			seen[k] = true
		}
		if row.U95 < 0 || row.URatio95 < 0 {
			return fmt.Errorf("%s: a negative uncertainty (U95 %g, URatio95 %g); give it as a half width, or NaN when it is not known", where, row.U95, row.URatio95)
		}
		if !row.Finding.known() {
			return fmt.Errorf("%s: finding %q is not one of %q", where, row.Finding, findings)
		}
		if err := checkFlags(where, row.Flags); err != nil {
			return err
		}
	}
	for _, run := range r.Runs {
		if err := checkFlags(fmt.Sprintf("report: render %q: run %d of test %q", r.Title, run.Number, run.Test), run.Flags); err != nil {
			return err
		}
		for _, c := range run.Curves {
			where := fmt.Sprintf("report: render %q: run %d of test %q, channel %q", r.Title, run.Number, run.Test, c.Channel)
			ys, _ := c.values()
			if len(ys) != len(c.ElapsedS) {
				return fmt.Errorf("%s: %d values for %d times; give one for each", where, len(ys), len(c.ElapsedS))
			}
			if c.Injector < 1 {
				return fmt.Errorf("%s: injector %d: injectors count from 1", where, c.Injector)
			}
			if err := checkFlags(where, c.Flags); err != nil {
				return err
			}
		}
	}
	if c := r.Change; c != nil {
		where := fmt.Sprintf("report: render %q: change", r.Title)
		if !c.Decision.known() {
			return fmt.Errorf("%s: decision %q is not one of %q", where, c.Decision, decisions)
		}
		if c.MarginPercent < 0 {
			return fmt.Errorf("%s: margin %g %% is negative; give its size", where, c.MarginPercent)
		}
		if c.CI95[0] > c.CI95[1] {
			return fmt.Errorf("%s: interval %g to %g %% runs backwards; give the lower end first", where, c.CI95[0], c.CI95[1])
		}
		for _, j := range c.Injectors {
			if j.Injector < 1 {
				return fmt.Errorf("%s: injector %d: injectors count from 1", where, j.Injector)
			}
			if j.CI95[0] > j.CI95[1] {
				return fmt.Errorf("%s: injector %d: interval %g to %g %% runs backwards; give the lower end first", where, j.Injector, j.CI95[0], j.CI95[1])
			}
		}
	}
	for i, b := range r.Budgets {
		if slices.ContainsFunc(r.Budgets[:i], func(o Budget) bool { return o.Channel == b.Channel }) {
			return fmt.Errorf("report: render %q: channel %q has two budgets; give one of a typical fill", r.Title, b.Channel)
		}
		for k, t := range b.Terms {
			if t.U < 0 {
				return fmt.Errorf("report: render %q: budget of %s, term %q: standard uncertainty %g is negative", r.Title, b.Channel, t.Name, t.U)
			}
			if slices.ContainsFunc(b.Terms[:k], func(o Term) bool { return o.Name == t.Name }) {
				return fmt.Errorf("report: render %q: budget of %s has term %q twice; merge the two", r.Title, b.Channel, t.Name)
			}
		}
	}
	return nil
}

func checkFlags(where string, flags []Flag) error {
	for _, f := range flags {
		if severityMeans(f.Severity) == "" {
			return fmt.Errorf("%s: flag %q: severity %q is not one of \"note\", \"doubt\", \"forbids\"", where, f.Code, f.Severity)
		}
	}
	return nil
}

// values returns what the curve shows, and its unit.
func (c *Curve) values() (ys []float64, unit string) {
	if c.ML != nil {
		return c.ML, "mL"
	}
	return c.Grams, "g"
}

// usable reports whether v can be shown and drawn. Beyond 1e12 in size nothing
// here is a measurement, and sums of it would lose every digit on a chart.
func usable(v float64) bool { return !math.IsNaN(v) && math.Abs(v) < 1e12 }
