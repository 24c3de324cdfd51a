// Package calibrate finds the straight line between a load cell's counts and the
// mass on it, from readings with reference masses, and keeps the line's uncertainty.
// It is done once for a channel, between the driver that reads the cell and the
// analysis that turns a fill's counts into grams.
//
//	line, err := calibrate.Fit([]calibrate.Point{
//		{MassG: 0, Counts: 1_203},
//		{MassG: 100, Counts: 216_011, MPEG: 0.005},
//		{MassG: 200, Counts: 430_702, MPEG: 0.010},
//	})
//	grams, u, err := line.Grams(300_000, 4)
//
// The model is
//
//	counts = zero + span mass
//
// fitted by (weighted) least squares. Masses are conventional masses, and water counts
// as what a scale set with weights would read of it (Water); air buoyancy of the fuel
// is the analysis's concern.
//
// Around the line: Steadiness says when a channel stands still and gives the mean;
// Load and MPE know sets of masses and their tolerances; Assess judges linearity,
// hysteresis, repeatability and creep against limits and looks for slips of the hand;
// NewCheck holds a line against one known mass; Certificate is what is kept of it all;
// Tube turns the level in a tube into its volume.
package calibrate

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// Point is one loading of the cell.
type Point struct {
	MassG   float64 `json:"mass_g"`   // nominal or certified; 0 for the empty cell
	Counts  float64 `json:"counts"`   // mean of the good readings
	UCounts float64 `json:"u_counts"` // its standard uncertainty: on every point, or 0 on every point for equal weights
	MPEG    float64 `json:"mpe_g"`    // maximum permissible error of the masses loaded, plus or minus, g; 0: exact

	// Where the point stands in its calibration; Fit does not look at it.
	Cycle int     `json:"cycle,omitempty"`         // from 1: the loads up and down again; 0: not said
	Down  bool    `json:"down,omitempty"`          // reached by taking load off
	Load  string  `json:"load,omitempty"`          // in words: "150 g (100 + 50)"
	AtS   float64 `json:"at_s,omitempty"`          // elapsed since the first point, s
	UMean float64 `json:"u_mean_counts,omitempty"` // standard uncertainty of Counts by blocks; does not weigh
}

// Line is a calibration line with the covariance of its two parameters. The fit's
// covariance is scaled by the residuals, also where the points have weights: weights
// are relative.
type Line struct {
	Zero        float64   `json:"zero_counts"`         // counts at no load
	Span        float64   `json:"counts_per_gram"`     // counts/g, not 0; negative if the cell hangs upside down
	UZero       float64   `json:"u_zero_counts"`       // standard uncertainty of Zero, counts
	USpan       float64   `json:"u_counts_per_gram"`   // of Span, counts/g, mass tolerances (and bend) included
	CovZeroSpan float64   `json:"cov_zero_span"`       // covariance of the two, counts²/g
	USpanFit    float64   `json:"u_fit_counts_per_g"`  // the part of USpan that the readings' scatter gives
	USpanMass   float64   `json:"u_mass_counts_per_g"` // the part that the masses' tolerances give
	USpanBend   float64   `json:"u_bend_counts_per_g"` // the part that the channel's bend gives (WithBend); 0: left out
	ResidualSD  float64   `json:"residual_sd_counts"`  // of a point of weight 1 (mean weight 1), counts
	DF          float64   `json:"df"`                  // points less 2
	Residuals   []float64 `json:"residuals_counts"`    // counts less the line, in the order of the points
	MaxResidual float64   `json:"max_residual_g"`      // the largest, as grams
	FromG       float64   `json:"from_g"`              // the masses used:
	ToG         float64   `json:"to_g"`                // outside them the line is not proven
	Weighted    bool      `json:"weighted"`            // the points had uncertainties of their own

	// Unit is what the loads were measured in: grams when empty, or "mm" of level. Then
	// all that is named grams here and in the points, the assessment and the certificate
	// is mm.
	Unit string `json:"unit,omitempty"`
}

// UnitMM is the Unit of a level sender's line.
const UnitMM = "mm"

func (l Line) unit() string {
	if l.Unit == "" {
		return "g"
	}
	return l.Unit
}

// Fit returns the least-squares line through the points, of which there must be at
// least three, at two masses or more.
//
// The masses' tolerances are added to the span's uncertainty and to nothing else.
// Each mass is taken as uniform within its tolerance (standard uncertainty mpe/√3,
// GUM 4.3.7), and all masses as wrong together in the worst way:
//
//	u(span) = |span| Σ |k_i| mpe_i/√3,  k_i = w_i (m_i - mean m) / Σ w_j (m_j - mean m)²
//
// because the masses of one set are adjusted together and loading the same mass
// again does not average its error away. The zero is read with no mass at all.
//
// Reference for the fit and its covariance: JCGM 100:2008 (GUM), annex H.3, whose
// example the tests repeat.
func Fit(points []Point) (Line, error) {
	n := len(points)
	if n < 3 {
		return Line{}, fmt.Errorf("calibration line: %d points, at least 3 are needed to see whether it is straight: load one more mass", n)
	}
	masses, counts, weights := make([]float64, n), make([]float64, n), make([]float64, n)
	withU := 0
	for i, p := range points {
		for _, x := range []struct {
			name string
			v    float64
		}{{"mass (g)", p.MassG}, {"counts", p.Counts}, {"counts' uncertainty", p.UCounts}, {"mass tolerance (g)", p.MPEG}} {
			if math.IsNaN(x.v) || math.IsInf(x.v, 0) {
				return Line{}, fmt.Errorf("calibration line: point %d of %d: %s is %g, a finite number is needed: read the cell again", i+1, n, x.name, x.v)
			}
		}
		if p.UCounts < 0 || p.MPEG < 0 {
			return Line{}, fmt.Errorf("calibration line: point %d of %d: uncertainty %g counts, tolerance %g g: neither may be negative", i+1, n, p.UCounts, p.MPEG)
		}
		masses[i], counts[i], weights[i] = p.MassG, p.Counts, 1
		if p.UCounts > 0 {
			withU++
			weights[i] = 1 / (p.UCounts * p.UCounts)
		}
	}
	if withU != 0 && withU != n {
		return Line{}, fmt.Errorf("calibration line: %d of %d points have an uncertainty of their counts: give all or none", withU, n)
	}
	// Relative weights, of mean 1, so that ResidualSD is in counts in either case.
	meanWeight := stat.Mean(weights, nil)
	for i := range weights {
		weights[i] /= meanWeight
		if !(weights[i] > 0) || math.IsInf(weights[i], 0) {
			return Line{}, fmt.Errorf("calibration line: point %d of %d: uncertainty %g counts is too unlike the others' to weigh it: check its unit", i+1, n, points[i].UCounts)
		}
	}
	// About the mean mass the two columns are orthogonal, and QR loses nothing.
	meanMass := stat.Mean(masses, weights)
	low, high := masses[0], masses[0]
	design, target := mat.NewDense(n, 2, nil), mat.NewVecDense(n, nil)
	for i, m := range masses {
		low, high = min(low, m), max(high, m)
		root := math.Sqrt(weights[i])
		design.SetRow(i, []float64{root, root * (m - meanMass)})
		target.SetVec(i, root*counts[i])
	}
	if low == high {
		return Line{}, fmt.Errorf("calibration line: all %d points are at %g g: load at least two different masses", n, low)
	}
	var qr mat.QR
	qr.Factorize(design)
	var beta mat.VecDense
	if err := qr.SolveVecTo(&beta, false, target); err != nil {
		return Line{}, fmt.Errorf("calibration line: masses from %g to %g g are too alike to draw a line through: %w", low, high, err)
	}
	level, span := beta.AtVec(0), beta.AtVec(1)
	largest := 0.0
	for _, c := range counts {
		largest = max(largest, math.Abs(c))
	}
	if math.Abs(span)*(high-low) <= 1e-12*largest { // nothing but rounding
		return Line{}, errors.New("calibration line: the span is 0 counts/g: the cell does not feel the masses: check that they stand on it and that its bridge is wired")
	}

	l := Line{Span: span, Zero: level - span*meanMass, DF: float64(n - 2), FromG: low, ToG: high, Weighted: withU > 0}
	var rss, sw, sxx float64
	for i, m := range masses {
		r := counts[i] - (level + span*(m-meanMass))
		l.Residuals = append(l.Residuals, r)
		l.MaxResidual = max(l.MaxResidual, math.Abs(r/span))
		rss += weights[i] * r * r
		sw += weights[i]
		sxx += weights[i] * (m - meanMass) * (m - meanMass)
	}
	s2 := rss / l.DF
	l.ResidualSD = math.Sqrt(s2)
	l.USpanFit = math.Sqrt(s2 / sxx)
	for i, m := range masses {
		l.USpanMass += math.Abs(span*weights[i]*(m-meanMass)/sxx) * points[i].MPEG / math.Sqrt(3)
	}
	l.USpan = math.Hypot(l.USpanFit, l.USpanMass)
	l.UZero = math.Sqrt(s2 * (1/sw + meanMass*meanMass/sxx))
	l.CovZeroSpan = -s2 * meanMass / sxx
	if !(math.Abs(l.Zero) < math.Inf(1) && l.UZero < math.Inf(1) && l.USpan < math.Inf(1)) {
		return Line{}, errors.New("calibration line: the numbers are too large to compute with: check the masses' unit (grams) and the counts")
	}
	return l, nil
}

// Counts returns what the line predicts at massG, and its standard uncertainty,
// counts.
func (l Line) Counts(massG float64) (counts, u float64) {
	v := l.UZero*l.UZero + massG*massG*l.USpan*l.USpan + 2*massG*l.CovZeroSpan
	return l.Zero + l.Span*massG, math.Sqrt(max(0, v))
}

// Grams returns the mass that gives these counts, and its standard uncertainty from
// the line and from uCounts, that of the counts themselves. The two are taken as
// independent: the counts must not be among those that made the line.
func (l Line) Grams(counts, uCounts float64) (grams, u float64, err error) {
	if l.Span == 0 {
		return 0, 0, errors.New("grams: the calibration line has no span: calibrate the channel")
	}
	if math.IsNaN(counts) || math.IsInf(counts, 0) || !(uCounts >= 0) || math.IsInf(uCounts, 0) {
		return 0, 0, fmt.Errorf("grams: %g counts with standard uncertainty %g: finite numbers are needed, the uncertainty not negative", counts, uCounts)
	}
	grams = (counts - l.Zero) / l.Span
	_, uLine := l.Counts(grams)
	return grams, math.Hypot(uLine, uCounts) / math.Abs(l.Span), nil
}
