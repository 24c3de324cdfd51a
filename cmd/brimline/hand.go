package main

import (
	"context"
	"fmt"
	"math"

	"brimline/analysis/curve"
	"brimline/analysis/rate"
	"brimline/ingest"
)

// handSource is a testSource that may hold hand readings.
type handSource interface {
	HandReadings(ctx context.Context, testID int64) ([]ingest.HandReading, error)
}

// handChannel stands where the name of a channel stands for what was weighed.
const handChannel = "by hand"

// addHandReadings gives a test without runs of the bench's its hand readings as fits, and
// as runs what they are numbered by.
func (out *testFits) addHandReadings(ctx context.Context, r testSource) error {
	h, ok := r.(handSource)
	if !ok {
		return nil
	}
	readings, err := h.HandReadings(ctx, out.Test.ID)
	if err != nil {
		return err
	}
	for _, x := range readings {
		id := -int64(x.RunNumber) // of no run of the bench's
		if _, known := out.Walls[id]; !known {
			out.Walls[id] = x.Day
			out.Runs = append(out.Runs, ingest.Run{ID: id, TestID: x.TestID, HangingID: x.HangingID, Number: x.RunNumber})
		}
		out.Fits = append(out.Fits, fitted{Phase: out.Test.Phase, Run: x.RunNumber, Hanging: out.Hangings[x.HangingID], Injector: x.Injector, Day: x.Day,
			Curve:  curve.Curve{Channel: handChannel, Unit: curve.Millilitre, ElapsedS: []float64{x.DurationS}, Values: []float64{x.VolumeML}, Marks: []curve.Mark{curve.Used}},
			Result: rate.Result{Fills: []rate.Fill{handFill(x, densityOf(out.Test.Fuel))}}})
	}
	return nil
}

// handFill is a hand reading as a fill. What was not noted is NaN.
func handFill(x ingest.HandReading, density *curve.Density) rate.Fill {
	nan := math.NaN()
	f := rate.Fill{Channel: handChannel, Kind: rate.KindFill, StartS: 0, EndS: x.DurationS, Gain: x.VolumeML, Unit: curve.Millilitre,
		RateMLPerMin: x.RateMLPerMin, RateGPerMin: nan, AtC: nan, U: nan, U95: nan, K: nan, DF: math.Inf(1), UMLPerMin: nan, U95MLPerMin: nan, KMLPerMin: nan, DFMLPerMin: math.Inf(1),
		Steady: true, Trend: nan, UTrend: nan, Samples: 1}
	if density != nil {
		f.RateGPerMin = x.RateMLPerMin * density.GPerML
	}
	if x.UMLPerMin > 0 {
		f.U, f.K = x.UMLPerMin, rate.Coverage95(f.DF)
		f.U95 = f.K * f.U
		f.UMLPerMin, f.U95MLPerMin, f.KMLPerMin = f.U, f.U95, f.K
		f.Budget = []rate.Term{{Name: "as noted", U: f.U, DF: f.DF, Kind: "B", Basis: "u_ml as noted with the reading"}}
	} else {
		f.Flags = append(f.Flags, rate.Flag{Code: "no-u", Severity: rate.Doubt, Evidence: rate.NoEvidence(),
			Says: "read by eye, and no uncertainty was noted: it has no ±, and the comparison within the set takes it as exact; note u_ml"})
	}
	if x.RateMLPerMin == 0 {
		f.Kind = rate.KindStill
		f.Flags = append(f.Flags, rate.Flag{Code: "no-flow", Severity: rate.Forbids, Says: fmt.Sprintf("the tube of injector %d stayed empty", x.Injector), Evidence: rate.NoEvidence()})
	}
	return f
}
