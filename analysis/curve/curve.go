// Package curve turns a channel's readings into a curve of mass or volume against
// elapsed time: counts to grams by a calibration line, grams to millilitres by a
// density, and a clean-up that marks misreads and never erases them.
//
// It is the first room of analysis: plain numbers in, plain numbers out.
//
//	cal := curve.Calibration{Zero: 84_000, CountsPerGram: 2147, UCountsPerGram: 0.6, DF: 9}
//	c, err := curve.FromCounts("tube1", elapsedS, counts, marks, cal)
//	curve.MarkMisreads(&c)
package curve

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Unit is what a curve's values are in.
type Unit string

// The units a curve may be in.
const (
	Gram       Unit = "g"
	Millilitre Unit = "mL"
)

// Mark says why a value is not used in a fit; the zero value is a used one.
type Mark uint8

// The marks.
const (
	Used     Mark = iota
	Missing       // no value was had: absent, stalled or an empty cell
	Misread       // the driver, or the clean-up here, found it not to be a measurement
	Settling      // after power-up
	Limit         // the converter stood at an end of its range
	Knocked       // the clean-up here found the tube knocked: it was back within moments
	Stuck         // the clean-up here found the converter giving one and the same value
)

// Curve is one channel's values against elapsed time. The three slices have the
// same length n; ElapsedS rises strictly.
type Curve struct {
	Channel    string
	Unit       Unit
	ElapsedS   []float64
	Values     []float64 // in Unit; NaN where none was had
	Marks      []Mark
	ScaleRelU  float64 // relative standard uncertainty of the scale (slope of the calibration), 0 when unknown
	ScaleDF    float64 // its degrees of freedom; +Inf when typed in
	CapacityML float64 // of the tube; 0 when unknown
	DriftPerH  float64 // of a Millilitre curve: how far its zero may drift either way, mL/h
	InAir      bool    // a Gram curve of a scale that was adjusted with masses: it shows fuel light by the lift of air
	TareG      float64 // what the channel shows with its tube empty, in Unit; NaN when unknown
}

// Calibration is a channel's line, counts = Zero + CountsPerGram x grams.
type Calibration struct {
	Zero           float64 // counts at no load
	CountsPerGram  float64 // counts/g
	UCountsPerGram float64 // standard uncertainty, counts/g, mass tolerances included
	DF             float64 // degrees of freedom of UCountsPerGram
	ByMass         bool    // the line's grams are conventional mass, as weights have it: also of a line found with water, whose load was reckoned as that
}

// Check returns an error when no mass can be had from the line.
func (c Calibration) Check() error {
	switch {
	case !finite(c.Zero) || !finite(c.CountsPerGram) || c.CountsPerGram == 0:
		return fmt.Errorf("calibration line %g + %g counts/g gives no mass: calibrate the channel", c.Zero, c.CountsPerGram)
	case !finite(c.UCountsPerGram) || c.UCountsPerGram < 0:
		return fmt.Errorf("calibration: standard uncertainty of the span %g counts/g must be 0 or more", c.UCountsPerGram)
	}
	return nil
}

// Density is a fuel's density at the temperature in the tubes, and what volumes are
// stated by.
type Density struct {
	GPerML float64
	U      float64 // standard uncertainty, g/mL, as it was found
	UTemp  float64 // what the uncertainty of the fuel's temperature adds, g/mL
	Stated *Stated // nil: volumes are those in the tubes, at a temperature that is not noted
}

// Stated is the density at the temperature that volumes are stated at.
type Stated struct {
	AtC    float64 // °C
	GPerML float64
	U      float64 // standard uncertainty, g/mL, as the density was found and by its law
	UTemp  float64 // what the uncertainty of the fuel's temperature adds, g/mL
	// UShrink is the relative standard uncertainty of a volume that was measured in the
	// tubes and is stated at AtC; NaN when that cannot be done, as the tubes' temperature is
	// not noted.
	UShrink float64
}

// Check returns an error when no volume can be had from the density.
func (d Density) Check() error {
	// Wide enough for petrol at 60 °C and brine; a value in kg/m3 is caught.
	if !(d.GPerML >= 0.5 && d.GPerML <= 2) {
		return fmt.Errorf("density %g g/mL is outside 0.5 to 2 g/mL: give it in g/mL, for example 0.832", d.GPerML)
	}
	for _, u := range []float64{d.U, d.UTemp} {
		if !(u >= 0 && u < 0.2*d.GPerML) {
			return fmt.Errorf("density: standard uncertainty %g g/mL must be from 0 to under a fifth of the density %g", u, d.GPerML)
		}
	}
	if s := d.Stated; s != nil {
		return Density{GPerML: s.GPerML, U: s.U, UTemp: s.UTemp}.Check()
	}
	return nil
}

// ErrNoValues is returned for a curve in which no value may be used.
var ErrNoValues = errors.New("no usable value")

// FromCounts makes a curve in grams of raw counts. elapsedS, counts and marks have
// length n; marks may be nil.
func FromCounts(channel string, elapsedS, counts []float64, marks []Mark, cal Calibration) (Curve, error) {
	if err := cal.Check(); err != nil {
		return Curve{}, fmt.Errorf("channel %s: %w", channel, err)
	}
	g := make([]float64, len(counts))
	for i, v := range counts {
		g[i] = (v - cal.Zero) / cal.CountsPerGram
	}
	c := Curve{Channel: channel, Unit: Gram, ElapsedS: elapsedS, Values: g, Marks: marks,
		ScaleRelU: cal.UCountsPerGram / math.Abs(cal.CountsPerGram), ScaleDF: cal.DF, InAir: cal.ByMass, TareG: math.NaN()}
	return c, c.prepare()
}

// FromVolumes makes a curve in millilitres of what a level sender's readings were turned
// into; NaN where there was nothing to turn. scaleRelU is the relative standard
// uncertainty of the volumes' scale, and scaleDF its degrees of freedom.
func FromVolumes(channel string, elapsedS, mL []float64, marks []Mark, scaleRelU, scaleDF float64) (Curve, error) {
	if !finite(scaleRelU) || scaleRelU < 0 {
		return Curve{}, fmt.Errorf("channel %s: relative standard uncertainty of the volumes %g must be 0 or more", channel, scaleRelU)
	}
	c := Curve{Channel: channel, Unit: Millilitre, ElapsedS: elapsedS, Values: mL, Marks: marks, ScaleRelU: scaleRelU, ScaleDF: scaleDF, TareG: math.NaN()}
	return c, c.prepare()
}

// New makes a curve of values that are grams or millilitres already. NaN values
// are marked Missing.
func New(channel string, unit Unit, elapsedS, values []float64) (Curve, error) {
	c := Curve{Channel: channel, Unit: unit, ElapsedS: elapsedS, Values: slices.Clone(values), ScaleDF: math.Inf(1), TareG: math.NaN()}
	if unit != Gram && unit != Millilitre {
		return c, fmt.Errorf("channel %s: unit %q is neither %q nor %q", channel, unit, Gram, Millilitre)
	}
	return c, c.prepare()
}

// mostValue is what no tube holds and no converter gives, in grams, millilitres or
// counts; beyond it squares may not be finite.
const mostValue = 1e12

// prepare checks lengths and times and marks what has no value or cannot be one.
func (c *Curve) prepare() error {
	n := len(c.ElapsedS)
	if c.Marks == nil {
		c.Marks = make([]Mark, n)
	}
	if len(c.Values) != n || len(c.Marks) != n {
		return fmt.Errorf("channel %s: %d times, %d values and %d marks: the lengths must be equal", c.Channel, n, len(c.Values), len(c.Marks))
	}
	used := 0
	for i, t := range c.ElapsedS {
		if !finite(t) || i > 0 && t <= c.ElapsedS[i-1] {
			return fmt.Errorf("channel %s: elapsed time %g s of value %d does not come after %g s: times must rise", c.Channel, t, i+1, c.ElapsedS[max(i-1, 0)])
		}
		if !finite(c.Values[i]) {
			c.Values[i] = math.NaN()
			if c.Marks[i] == Used {
				c.Marks[i] = Missing
			}
		} else if math.Abs(c.Values[i]) > mostValue && c.Marks[i] == Used {
			c.Marks[i] = Misread
		}
		if c.Marks[i] == Used {
			used++
		}
	}
	if used == 0 {
		return fmt.Errorf("channel %s: %w among %d: check the plug and the wiring", c.Channel, ErrNoValues, n)
	}
	return nil
}

// Window returns the part of c with from <= elapsed < to, sharing its slices.
func (c Curve) Window(fromS, toS float64) Curve {
	a, _ := slices.BinarySearch(c.ElapsedS, fromS)
	b, _ := slices.BinarySearch(c.ElapsedS, toS)
	b = max(a, b)
	c.ElapsedS, c.Values, c.Marks = c.ElapsedS[a:b], c.Values[a:b], c.Marks[a:b]
	return c
}

// Points returns the used points of c, in order. Where every point is used they are c's own
// slices: they are for reading only.
func (c Curve) Points() (t, y []float64) {
	n := c.Count(Used)
	if n == len(c.Marks) {
		return c.ElapsedS, c.Values
	}
	t, y = make([]float64, 0, n), make([]float64, 0, n)
	for i, m := range c.Marks {
		if m == Used {
			t = append(t, c.ElapsedS[i])
			y = append(y, c.Values[i])
		}
	}
	return t, y
}

// Count returns how many values carry each of the given marks.
func (c Curve) Count(marks ...Mark) int {
	n := 0
	for _, m := range c.Marks {
		if slices.Contains(marks, m) {
			n++
		}
	}
	return n
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
