package calibrate

import (
	"fmt"
	"math"
)

// Reading is a channel's mean at one load.
type Reading struct {
	Counts float64 `json:"counts"`
	U      float64 `json:"u_counts"` // standard uncertainty by blocks
}

// Check is a channel's reading of one known load, held against what line, load and
// reading leave in doubt. It changes nothing: what to do with it is a person's choice.
type Check struct {
	Load        string  `json:"load"`
	MassG       float64 `json:"mass_g"`
	MassClass   string  `json:"mass_class"`
	MPEG        float64 `json:"mpe_g"` // of the load, plus or minus
	Empty       Reading `json:"empty"`
	Loaded      Reading `json:"loaded"`
	ReadsG      float64 `json:"reads_g"`      // the load by the calibration's span: loaded less empty
	DifferenceG float64 `json:"difference_g"` // ReadsG less MassG
	U95G        float64 `json:"u95_g"`        // half width of the difference's 95 % interval: the tolerance
	K           float64 `json:"k"`
	DF          float64 `json:"df"`
	ULineG      float64 `json:"u_line_g"`     // standard uncertainties: of the span at this load,
	UMassG      float64 `json:"u_mass_g"`     // of the load,
	UReadingG   float64 `json:"u_reading_g"`  // of the two readings,
	URepeatG    float64 `json:"u_repeat_g"`   // of putting the load on (the calibration's repeatability; 0: not known)
	InTolerance bool    `json:"in_tolerance"` // |DifferenceG| is at most U95G
	ZeroShiftG  float64 `json:"zero_shift_g"` // the empty channel against the calibration's zero; no rate depends on it
}

// NewCheck compares. massG must be above 0; mpeG is the load's tolerance. repeatG is
// the standard deviation of one loading and repeatDF its degrees of freedom, both 0 if
// not known.
//
//	u² = (mass u(span)/span)² + mpe²/3 + (u²(empty) + u²(loaded))/span² + 2 repeat²
//
// with the coverage factor from Welch-Satterthwaite (GUM, G.4).
func (l Line) NewCheck(massG, mpeG float64, empty, loaded Reading, repeatG, repeatDF float64) (Check, error) {
	if l.Span == 0 {
		return Check{}, fmt.Errorf("check with %g g: the calibration line has no span: calibrate the channel", massG)
	}
	if !(massG > 0) || math.IsInf(massG, 0) || !(mpeG >= 0) || math.IsInf(mpeG, 0) || !(repeatG >= 0) || math.IsInf(repeatG, 0) {
		return Check{}, fmt.Errorf("check with %g g, tolerance %g g, repeatability %g g: the mass must be above 0 and the others not negative", massG, mpeG, repeatG)
	}
	for _, r := range []Reading{empty, loaded} {
		if !finite(r.Counts) || !(r.U >= 0) || math.IsInf(r.U, 0) {
			return Check{}, fmt.Errorf("check with %g g: a reading of %g counts with standard uncertainty %g: finite numbers are needed: read the channel again", massG, r.Counts, r.U)
		}
	}
	c := Check{MassG: massG, MPEG: mpeG, Empty: empty, Loaded: loaded}
	span := math.Abs(l.Span)
	c.ReadsG = (loaded.Counts - empty.Counts) / l.Span
	c.DifferenceG = c.ReadsG - massG
	c.ZeroShiftG = (empty.Counts - l.Zero) / l.Span
	c.ULineG = massG * l.USpan / span
	c.UMassG = mpeG / math.Sqrt(3)
	c.UReadingG = math.Hypot(empty.U, loaded.U) / span
	c.URepeatG = math.Sqrt2 * repeatG
	_, _, lineDF := l.SpanU95()
	u2, den := 0.0, 0.0
	for _, part := range []struct{ u, df float64 }{{c.ULineG, lineDF}, {c.UMassG, math.Inf(1)}, {c.UReadingG, 2 * (blocks - 1)}, {c.URepeatG, repeatDF}} {
		u2 += part.u * part.u
		if part.u > 0 && part.df > 0 {
			den += math.Pow(part.u, 4) / part.df
		}
	}
	c.DF = manyDF
	if den > 0 {
		c.DF = min(manyDF, u2*u2/den)
	}
	c.K = coverage(c.DF)
	c.U95G = c.K * math.Sqrt(u2)
	c.InTolerance = math.Abs(c.DifferenceG) <= c.U95G
	return c, nil
}
