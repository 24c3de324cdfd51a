// Package rate finds the fills in a curve of mass against time and gives each its
// rate, a standard uncertainty that respects autocorrelation, and flags that say
// why a fill is doubted.
package rate

// Severity is how much a flag takes from a fill.
type Severity int

const (
	Note    Severity = iota // worth knowing; the number stands
	Doubt                   // the number stands with a caution
	Forbids                 // no finding may rest on this fill
)

// String returns "note", "doubt" or "forbids".
func (s Severity) String() string { return [...]string{"note", "doubt", "forbids"}[s] }

// Flag is a named, explained doubt about a fill.
type Flag struct {
	Code     string // stable, for programs: "not-steady", "misreads", "no-flow", "gap", "near-full", "drain", ...
	Severity Severity
	Says     string // one sentence in workshop words: what, when, how big, what to do
}

// Kind is what a stretch of curve turned out to be.
type Kind string

const (
	KindFill  Kind = "fill"  // rises: fuel came in
	KindDrain Kind = "drain" // falls slowly: something drains or drips away
	KindStill Kind = "still" // neither, within what the drift allows
)

// Fill is one continuous rise (or fall, or rest) of one tube.
// Rates are of mass unless named otherwise.
type Fill struct {
	Channel string
	Kind    Kind
	StartS  float64 // onset, elapsed s
	EndS    float64 // end of the rise, elapsed s

	RateGPerMin float64 // g/min; NaN when the curve is of volume and no density was given
	U           float64 // standard uncertainty, g/min
	U95         float64 // half width of the 95 % interval, g/min
	DF          float64 // effective degrees of freedom

	RateMLPerMin float64 // mL/min at the fuel's temperature; NaN without a density
	UMLPerMin    float64
	U95MLPerMin  float64

	Budget  []Term // where U comes from, largest first, g/min (mL/min when a density is used)
	Steady  bool
	Samples int // readings that the fit used
	Flags   []Flag
}

// Term is one line of an uncertainty budget.
type Term struct {
	Name string  // "fit", "calibration", "drift", "density", ...
	U    float64 // standard uncertainty in the rate's unit
	DF   float64
}

// Allows reports whether a finding may rest on the fill.
func (f Fill) Allows() bool {
	for _, g := range f.Flags {
		if g.Severity == Forbids {
			return false
		}
	}
	return true
}
