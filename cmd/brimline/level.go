package main

import (
	"fmt"
	"math"
	"slices"
	"time"

	"brimline/analysis/curve"
	"brimline/analysis/rate"
	"brimline/config"
	"brimline/ingest"
	"brimline/rig/calibrate"
)

// levelDriftMLPerH is how far a level sender's zero may drift either way; common
// practice, no source, as for a cell.
const levelDriftMLPerH = 0.6

// feelsLevel reports whether a channel's sensor follows the level; else it weighs.
func feelsLevel(ch config.Channel) bool { return ch.Sensor == "ads1115" && ch.Sender == "level" }

// hasTube reports whether the config says what turns the channel's level into mL.
func hasTube(ch config.Channel) bool { return ch.BoreMM > 0 || len(ch.Strapping) > 0 }

// tubeOf is the tube of a level sender as the config has it.
func tubeOf(ch config.Channel) (calibrate.Tube, error) {
	switch {
	case len(ch.Strapping) > 0:
		rows := make([]calibrate.Strap, len(ch.Strapping))
		for i, r := range ch.Strapping {
			rows[i] = calibrate.Strap{LevelMM: r[0], VolumeML: r[1]}
		}
		return calibrate.NewTube(rows, ch.StrappingUML)
	case ch.BoreMM > 0:
		// The bore's own error goes out of every volume: the line is found with volumes
		// that the same bore turns into levels.
		return calibrate.NewRoundTube(ch.BoreMM, ch.CapacityML*1000/(math.Pi/4*ch.BoreMM*ch.BoreMM), 0)
	}
	return calibrate.Tube{}, fmt.Errorf("channel %s has a level sender and nothing that turns a level into mL: give bore_mm for an even round tube, or strapping, in the config", ch.Name)
}

// storedTube is a tube as the store keeps it, and keptTube back again.
func storedTube(t calibrate.Tube) ingest.Tube {
	out := ingest.Tube{UML: t.UML()}
	for _, r := range t.Rows() {
		out.Rows = append(out.Rows, ingest.Strap{LevelMM: r.LevelMM, VolumeML: r.VolumeML})
	}
	return out
}

func keptTube(cal ingest.Calibration) (calibrate.Tube, error) {
	rows := make([]calibrate.Strap, len(cal.Tube.Rows))
	for i, r := range cal.Tube.Rows {
		rows[i] = calibrate.Strap{LevelMM: r.LevelMM, VolumeML: r.VolumeML}
	}
	t, err := calibrate.NewTube(rows, cal.Tube.UML)
	if err != nil {
		return t, fmt.Errorf("calibration %d of %s: %w: calibrate the channel anew", cal.ID, cal.Channel, err)
	}
	return t, nil
}

// volumeBy is what turns a level sender's counts into mL, by its line and the tube that
// was in force with it; nil for a channel that weighs. within is false beyond the tube's
// table.
func volumeBy(cal ingest.Calibration) (func(counts float64) (mL float64, within bool), error) {
	if cal.Unit != ingest.UnitMM {
		return nil, nil
	}
	t, err := keptTube(cal)
	if err == nil && !(math.Abs(cal.CountsPerGram) > 0 && !math.IsInf(cal.CountsPerGram, 0) && !math.IsNaN(cal.Zero)) {
		err = fmt.Errorf("calibration line %g + %g counts/mm gives no level: calibrate %s anew", cal.Zero, cal.CountsPerGram, cal.Channel)
	}
	if err != nil {
		return nil, err
	}
	return func(counts float64) (float64, bool) {
		mL, _, within := t.Volume((counts - cal.Zero) / cal.CountsPerGram)
		return mL, within
	}, nil
}

// suits returns an error when a channel's calibration was found on another kind of sensor
// or in another tube than the config has now.
func suits(ch config.Channel, cal ingest.Calibration) error {
	if feelsLevel(ch) != (cal.Unit == ingest.UnitMM) {
		return fmt.Errorf("channel %s was calibrated on %s as a line in %s, and has another kind of sensor now: calibrate it anew", ch.Name, cal.At.Format(time.DateOnly), cal.Unit)
	}
	if !feelsLevel(ch) {
		return nil
	}
	tube, err := tubeOf(ch)
	if err != nil {
		return err
	}
	now := storedTube(tube)
	if now.UML != cal.Tube.UML || !slices.Equal(now.Rows, cal.Tube.Rows) {
		return fmt.Errorf("channel %s was calibrated on %s with another tube than the config has now (bore_mm, strapping or capacity_ml): calibrate it anew; runs until now keep the old tube", ch.Name, cal.At.Format(time.DateOnly))
	}
	return nil
}

// dropUnsuited takes out of calibrations what does not suit its channel, and says why.
func dropUnsuited(channels []config.Channel, calibrations map[string]ingest.Calibration) []error {
	var why []error
	for _, ch := range channels {
		if cal, ok := calibrations[ch.Name]; ok {
			if err := suits(ch, cal); err != nil {
				delete(calibrations, ch.Name)
				why = append(why, err)
			}
		}
	}
	return why
}

// levelCurve turns a run's samples of a level sender into a curve in mL. What lies beyond
// the tube's table is marked as a limit.
//
// The scale's uncertainty is that of the line, which holds the poured volumes' tolerance,
// and that of the table. A collected volume V2 - V1 between levels h1 and h2, where one mm
// holds A1 and A2, changes by
//
//	(A2 - A1) d(zero)/span + (h2 A2 - h1 A1) d(span)/span
//
// so in an even tube by d(span)/span of itself, and in a cone by three times that. An error
// that all of the table's volumes share goes out, as the line was found through the same
// table; what is left may stand at both ends of the fill.
func levelCurve(name string, t, counts []float64, marks []curve.Mark, cal ingest.Calibration) (curve.Curve, error) {
	volume, err := volumeBy(cal)
	if err != nil {
		return curve.Curve{}, err
	}
	tube, err := keptTube(cal)
	if err != nil {
		return curve.Curve{}, err
	}
	mL := make([]float64, len(counts))
	var levelsMM []float64
	for i, x := range counts {
		v, within := volume(x)
		if !within {
			v = math.NaN()
			if marks[i] == curve.Used {
				marks[i] = curve.Limit
			}
		}
		mL[i] = v
		if marks[i] == curve.Used {
			levelsMM = append(levelsMM, (x-cal.Zero)/cal.CountsPerGram)
		}
	}
	relU := 0.0
	if n := len(levelsMM); n > 0 {
		slices.Sort(levelsMM) // the outermost may be misreads
		h1, h2 := levelsMM[n/20], levelsMM[n-1-n/20]
		v1, a1, _ := tube.Volume(h1)
		v2, a2, _ := tube.Volume(h2)
		rows := cal.Tube.Rows
		collected := max(v2-v1, 0.01*(rows[len(rows)-1].VolumeML-rows[0].VolumeML)) // a channel at rest has no scale
		perZero, perSpan := (a2-a1)/cal.CountsPerGram, (h2*a2-h1*a1)/cal.CountsPerGram
		line := perZero*perZero*known(cal.UZero)*known(cal.UZero) + perSpan*perSpan*cal.UCountsPerG*cal.UCountsPerG + 2*perZero*perSpan*known(cal.CovZeroSpan)
		relU = math.Sqrt(max(0, line)+2*cal.Tube.UML*cal.Tube.UML) / collected
	}
	c, err := curve.FromVolumes(name, t, mL, marks, relU, cal.DF)
	c.DriftPerH = levelDriftMLPerH
	return c, err
}

// known is x, or 0 where it was not noted.
func known(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x
}

// senderPart is what the senders of a simulated ADS1115 give: the part of their range for
// a volume up to the level, and grams in the tube.
func senderPart(cfg *config.Config, tubeML, densityGPerML float64) (func(channel int, mL, grams float64) float64, error) {
	tubes := map[int]calibrate.Tube{}
	for i, ch := range cfg.Channels {
		if feelsLevel(ch) && hasTube(ch) {
			t, err := tubeOf(ch)
			if err != nil {
				return nil, err
			}
			tubes[i] = t
		}
	}
	return func(channel int, mL, grams float64) float64 {
		if cfg.Channels[channel].Sender == "pressure" {
			return grams / (tubeML * densityGPerML)
		}
		t, ok := tubes[channel]
		if !ok {
			return mL / tubeML
		}
		rows := t.Rows()
		first, last := rows[0], rows[len(rows)-1]
		mm, _, err := t.LevelMM(max(mL, first.VolumeML))
		if err != nil { // above the table's top
			return 1
		}
		return (mm - first.LevelMM) / (last.LevelMM - first.LevelMM)
	}, nil
}

// levelLine turns the line in grams that the simulated bench tells of a sender into that
// in mm of its tube.
func levelLine(own ingest.Calibration, ch config.Channel, fullG float64) (ingest.Calibration, error) {
	t, err := tubeOf(ch)
	if err != nil {
		return own, err
	}
	rows := t.Rows()
	first, last := rows[0].LevelMM, rows[len(rows)-1].LevelMM
	perMM := own.CountsPerGram * fullG / (last - first)
	own.Zero -= perMM * first
	own.UCountsPerG *= perMM / own.CountsPerGram
	own.CountsPerGram = perMM
	own.Unit, own.Tube = ingest.UnitMM, storedTube(t)
	return own, nil
}

// guardVolume is what the overfill guard turns a level sender's counts into; nil for a
// channel that weighs.
func guardVolume(cal ingest.Calibration) (func(counts float64) float64, error) {
	volume, err := volumeBy(cal)
	if volume == nil || err != nil {
		return nil, err
	}
	return func(counts float64) float64 { mL, _ := volume(counts); return mL }, nil
}

// inOneUnit returns the fills as they compare with each other: as they are when all are of
// one unit, else those of weighing channels in mL. One whose density is not known has no
// Unit then and compares with nothing.
func inOneUnit(fills []rate.Fill) []rate.Fill {
	mixed := slices.ContainsFunc(fills, func(f rate.Fill) bool { return f.Unit != fills[0].Unit })
	if !mixed {
		return fills
	}
	out := slices.Clone(fills)
	for i, f := range out {
		switch {
		case f.Unit == curve.Millilitre:
		case f.RateMLPerMin > 0:
			// The budget is of the rate in mL/min already.
			out[i].Unit, out[i].U, out[i].U95, out[i].DF = curve.Millilitre, f.UMLPerMin, f.U95MLPerMin, f.DFMLPerMin
		default:
			out[i].Unit = ""
		}
	}
	return out
}
