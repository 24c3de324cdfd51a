// Package rate finds the fills in a curve of mass against time and gives each its
// rate, a standard uncertainty that respects autocorrelation, and flags that say
// why a fill is doubted.
//
// It takes a curve from analysis/curve and is what everything after it rests on:
// the set, the comparison of before with after, the history, the report.
//
//	c, _ := curve.New("tube1", curve.Gram, elapsedS, grams)
//	r, err := rate.Analyse(c, rate.Options{Mode: rate.OneFill, Density: &curve.Density{GPerML: 0.832, U: 0.0005}})
//	f := r.Fills[0] // f.RateMLPerMin ± f.U95MLPerMin
package rate

import (
	"math"

	"brimline/analysis/curve"
)

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
	Says     string // in workshop words: what was seen, when and how big
	Do       string // what to do about it; empty where nothing need be done
	Evidence Evidence
}

// Text is the flag as one sentence: what was seen and what to do about it.
func (g Flag) Text() string {
	if g.Do == "" {
		return g.Says
	}
	return g.Says + ": " + g.Do
}

// Evidence is what a flag rests on, as numbers. What it has none of is NaN.
type Evidence struct {
	FromS, ToS float64 // when, elapsed s; equal for a moment
	Size       float64 // how big, in Unit
	U          float64 // standard uncertainty of Size
	Unit       string  // "g", "g/min", "% of the values", "Hz", "s", ...
	Chance     float64 // that the noise of a sound fill shows as much
}

// NoEvidence is evidence without numbers.
func NoEvidence() Evidence {
	return sized(math.NaN(), math.NaN(), math.NaN(), "")
}

// sized is evidence of a size that was counted or read, not judged by noise: its
// uncertainty and the chance of it were not worked out.
func sized(fromS, toS, size float64, unit string) Evidence {
	return Evidence{FromS: fromS, ToS: toS, Size: size, U: math.NaN(), Unit: unit, Chance: math.NaN()}
}

// Kind is what a stretch of curve turned out to be.
type Kind string

// The kinds.
const (
	KindFill  Kind = "fill"  // rises: fuel came in
	KindDrain Kind = "drain" // falls: fuel went out
	KindStill Kind = "still" // neither, within what a cell's drift allows
)

// Fill is one continuous rise (or fall, or rest) of one tube and its rate.
// A curve in grams has its volume rate only with a density, a curve in millilitres
// its mass rate; what cannot be given is NaN.
type Fill struct {
	Channel string
	Kind    Kind
	StartS  float64 // onset, elapsed s
	EndS    float64 // end of the rise, elapsed s
	Level   float64 // of the fitted line at StartS, in Unit; the line is Level + Rate (t - StartS), less the 0.13 % that air lifts
	Gain    float64 // what came in over it, in Unit as the channel shows it

	Unit         curve.Unit // what the curve was measured in; U and U95 are in Unit/min
	RateGPerMin  float64
	RateMLPerMin float64 // at AtC
	AtC          float64 // °C that volumes are stated at; NaN: those in the tube, at a temperature that is not known
	ZeroDrift    float64 // of the channel's zero, as the rests show it: taken out of the rate, Unit/min; 0 where they show nothing
	U            float64 // standard uncertainty of the rate in Unit/min
	U95          float64 // half width of its 95 % interval, K U
	K            float64 // coverage factor, Student's for DF
	DF           float64 // effective degrees of freedom
	UMLPerMin    float64 // as U, of RateMLPerMin: the density's part added
	U95MLPerMin  float64
	KMLPerMin    float64
	DFMLPerMin   float64

	Budget   []Term // where U comes from, largest first; with a density the terms are of RateMLPerMin
	Advice   string // what would make U smaller, by the largest term; empty where nothing is worth it
	Steady   bool
	Trend    float64 // change of the rate from start to end, part of the mean; 0.02 is a rise of 2 %
	UTrend   float64 // its standard uncertainty, part of the mean
	Rolling  []RollingRate
	RollingS float64 // length of the stretches of Rolling, s

	// The strongest wave in the curve as a wave of the flow: its amplitude, part of the mean,
	// and its frequency as it stands in the record; 0 where none is found. It takes nothing
	// from the mean, and one channel does not show whether the flow pulses or the bench shakes.
	Pulsation, PulsationHz float64

	Samples int // values that the fit used
	LeftOut int // values of the fill that it did not: no measurement, and missing ones that the curve tells of
	Flags   []Flag

	perReading float64 // rate over slope of the readings: the lift of air, and of a volume the warmth
}

// RollingRate is the rate over a short stretch of a fill, in Unit/min.
type RollingRate struct {
	AtS  float64 // the stretch's middle, elapsed s
	Rate float64
	U    float64 // standard uncertainty by the fill's noise
}

// Rate is the rate in Unit/min, what U belongs to.
func (f Fill) Rate() float64 {
	if f.Unit == curve.Millilitre {
		return f.RateMLPerMin
	}
	return f.RateGPerMin
}

// Event is what happens to a tube besides filling: a dump, a hole in the record.
type Event struct {
	Kind   string // "dump": the tube was emptied; "drop": a smaller sudden loss; "gap": no values
	StartS float64
	EndS   float64
	Size   float64 // what went away, in the curve's unit; 0 for a gap
}

// Result is what one channel's curve holds.
type Result struct {
	Fills  []Fill
	Events []Event

	looks []*look // of Fills; nil for one with too few values
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
