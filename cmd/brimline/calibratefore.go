package main

import (
	"fmt"
	"math"

	"brimline/config"
	"brimline/rig/calibrate"
)

// fits refuses to have more poured into a tube than it holds.
func (p calibratePlan) fits(ch config.Channel) error {
	for _, s := range p.stages {
		if p.water != nil && ch.CapacityML > 0 && s.inML > ch.CapacityML {
			return fmt.Errorf("--water: %g mL would run over: the tube holds %g mL (capacity_ml in the config): name volumes up to %.3g", s.inML, ch.CapacityML, 0.8*ch.CapacityML)
		}
	}
	return nil
}

// foretold refuses a plan whose loads are known too badly for any reading to mend: that
// can be said before an hour of pouring and not only after it.
func (p calibratePlan) foretold(ch config.Channel) error {
	if p.check {
		return nil
	}
	limits := calibrate.DefaultLimits()
	if ch.Sensor == "ads1115" {
		limits = calibrate.LevelLimits()
	}
	points := make([]calibrate.Point, len(p.stages))
	for i, s := range p.stages {
		points[i] = calibrate.Point{MassG: s.MassG, Counts: s.MassG, MPEG: s.mpeG}
	}
	line, err := calibrate.Fit(points)
	if err != nil {
		return err
	}
	// Readings without any scatter; k as with the many degrees of freedom of a tolerance.
	u95, _, _ := calibrate.Line{Span: line.Span, USpan: line.USpanMass, DF: 1}.SpanU95()
	pct := 100 * u95 / math.Abs(line.Span)
	if pct <= limits.SpanPct {
		return nil
	}
	better := "use masses of a better class, or heavier ones (--class, --masses)"
	if p.water != nil {
		better = fmt.Sprintf("each pour may be off by %g mL: use a better measure and say so with --vessel-tolerance, or pour more at a time (--water)", p.water.VesselTolML)
	}
	return fmt.Errorf("these loads cannot tell the span better than ±%.2g %% (95 %%), the limit is %g %%: %s; --force calibrates all the same", pct, limits.SpanPct, better)
}
