package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"brimline/analysis/change"
	"brimline/ingest"
)

// phaseFuel is the fuel of a test of a phase.
type phaseFuel struct {
	phase string
	fuel  ingest.Fuel
}

// fuelEffect is what the fuel's temperature alone could have changed between two phases,
// as it is thinner when it is warm. Names are part of schema brimline/compare/1.
type fuelEffect struct {
	BeforeC     float64 `json:"before_c"` // in the tubes, mean of the tests
	AfterC      float64 `json:"after_c"`
	MostPercent float64 `json:"most_percent"` // were all of the flow guide leakage; were none of it, 0
	Viscosity   string  `json:"viscosity"`    // "noted" or "assumed"
	Says        string  `json:"says"`
}

// fuelEffectOf compares the fuels of the phases that r compares; nil unless the
// temperature of each of their tests is noted.
func fuelEffectOf(fuels []phaseFuel, r change.Result) *fuelEffect {
	side := func(phase string) (tempC float64, fuel ingest.Fuel, noted bool) {
		n := 0.0
		for _, f := range fuels {
			if f.phase != phase {
				continue
			}
			n++
			tempC += (f.fuel.TempC - tempC) / n
			if _, given := viscosityOf(f.fuel); given || n == 1 {
				fuel = f.fuel
			}
		}
		return tempC, fuel, n > 0 && !math.IsNaN(tempC)
	}
	before, fuelBefore, ok := side(r.Before.Phase)
	after, fuelAfter, okAfter := side(r.After.Phase)
	if !ok || !okAfter {
		return nil
	}
	e := fuelEffect{BeforeC: before, AfterC: after, Viscosity: "assumed"}
	v, given := viscosityOf(fuelBefore)
	w, givenAfter := viscosityOf(fuelAfter)
	what := "taken for a typical diesel of EN 590, 4.3 mm2/s at 20 °C and 2.75 at 40 °C, as none is noted"
	switch {
	case given && givenAfter:
		e.Viscosity, what = "noted", "as noted for each"
	case given:
		w, e.Viscosity, what = v, "noted", "as noted for the first"
	case givenAfter:
		v, e.Viscosity, what = w, "noted", "as noted for the second"
	}
	thick, err := v.At(before)
	if err != nil {
		return nil
	}
	thin, err := w.At(after)
	if err != nil {
		return nil
	}
	e.MostPercent = 100 * (thick/thin - 1)
	if math.Abs(e.MostPercent) < 0.05 {
		e.Says = fmt.Sprintf("The fuel in the tubes had %.3g °C before and %.3g °C after: its viscosity explains no change", before, after)
		return &e
	}
	e.Says = fmt.Sprintf("The fuel in the tubes had %.3g °C before and %.3g °C after: that alone could explain a change between none (if all of the flow is control spill) and %s (if all of it is guide leakage, of which thin fuel has more); the viscosity is %s",
		before, after, change.Moved(e.MostPercent, nil), what)
	return &e
}

// doubt says in one sentence what the fuel's temperature could have done, where the
// readings raise that doubt, or where it could explain all of the change; else nil. It
// says nothing where the finding takes the temperature into account.
func (e *fuelEffect) doubt(r change.Result, raised []change.Doubt) *change.Doubt {
	if e == nil || slices.ContainsFunc(r.Conditions, func(c change.ConditionPair) bool { return c.Name == change.FuelTemperature && c.Used }) {
		return nil
	}
	const least = 1 // %: half a degree
	moved := r.Effect.Percent
	d := change.Doubt{Code: change.DoubtFuelTemperature, Says: "the" + strings.TrimPrefix(e.Says, "The"), Do: change.DoFuelTemperature}
	if math.Abs(e.MostPercent) >= least && moved*e.MostPercent > 0 && math.Abs(moved) <= math.Abs(e.MostPercent) {
		d.Says += "; so it could explain the whole change"
		return &d
	}
	if slices.ContainsFunc(raised, func(x change.Doubt) bool { return x.Code == d.Code }) {
		return &d
	}
	return nil
}
