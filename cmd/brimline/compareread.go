package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"brimline/analysis/change"
	"brimline/analysis/curve"
	"brimline/ingest"
	"brimline/ingest/exchange"
	"brimline/ingest/store"
)

// comparedSet is what is compared and where it came from.
type comparedSet struct {
	source   string // a file's name, or tests of the store
	engine   string
	readings []change.Reading
	lines    []int // per reading, the file's line; nil when it has none
	fuels    []phaseFuel
	doubts   []change.Doubt // what the source itself raises
	// injectorType is as it is kept with the engine; empty when it is kept nowhere.
	injectorType string
}

// readHandReadings reads one engine's readings; engine may be empty when the file
// has one only.
func readHandReadings(file, engine string) (comparedSet, error) {
	f, err := os.Open(file)
	if err != nil {
		return comparedSet{}, fmt.Errorf("%w; give a CSV file of hand readings", err)
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return comparedSet{}, fmt.Errorf("%s is a directory; give a CSV file of hand readings", file)
	}
	rows, err := exchange.ReadReadings(f, file)
	if err != nil {
		return comparedSet{}, fmt.Errorf("%w", err)
	}
	var engines []string
	for _, r := range rows {
		if !slices.Contains(engines, r.Engine) {
			engines = append(engines, r.Engine)
		}
	}
	if engine == "" {
		if len(engines) > 1 {
			return comparedSet{}, fmt.Errorf("%s has readings of %d engines: %s; choose one with --engine", file, len(engines), strings.Join(engines, ", "))
		}
		engine = engines[0]
	}
	set := comparedSet{source: file, engine: engine}
	future := 0
	// A day's grace: the file's dates are local, and this clock may be in another zone.
	latest := time.Now().AddDate(0, 0, 1)
	for _, r := range rows {
		if r.Engine != engine {
			continue
		}
		if r.Date.After(latest) {
			future++
		}
		fuel := phaseFuel{r.Phase, ingest.Fuel{TempC: math.NaN()}}
		for _, c := range r.Conditions {
			if c.Name == change.FuelTemperature {
				fuel.fuel.TempC = c.Value
			}
		}
		set.fuels = append(set.fuels, fuel)
		set.readings = append(set.readings, change.Reading{Injector: r.Injector, Phase: r.Phase, Hanging: r.Hanging, Run: r.Run,
			Day: r.Date.Format(time.DateOnly), Means: meansByHand, RateMLPerMin: r.RateMLPerMin, UMLPerMin: r.UMLPerMin, Conditions: conditionsOf(r.Conditions, 0, 0)})
		set.lines = append(set.lines, r.Line)
	}
	if len(set.readings) == 0 {
		return comparedSet{}, fmt.Errorf("%s has no reading of the engine %q; it has: %s", file, engine, strings.Join(engines, ", "))
	}
	if future > 0 {
		set.doubts = append(set.doubts, change.Doubt{Code: "future", Says: fmt.Sprintf("%s dated in the future", counted(future, "reading")), Do: "check the dates, or this computer's clock"})
	}
	return set, nil
}

// storedReadings reads tests of one engine from the store and fits them.
func storedReadings(ctx context.Context, dir string, refs []string, engine string) (comparedSet, error) {
	r, err := openRead(ctx, dir)
	if err != nil {
		return comparedSet{}, err
	}
	defer r.Close()
	set := comparedSet{source: "tests " + strings.Join(refs, ", ")}
	var tests []testFits
	for _, ref := range refs {
		t, err := fitTest(ctx, r, ref)
		if errors.Is(err, store.ErrNotFound) {
			return set, badInput(err)
		} else if err != nil {
			return set, err
		}
		switch {
		case engine != "" && t.Engine.Label != engine:
			return set, badInput(fmt.Errorf("test %s is of %s, not of %s: leave it out, or mend --engine", ref, t.Engine.Label, engine))
		case set.engine == "":
			set.engine = t.Engine.Label
		case set.engine != t.Engine.Label:
			return set, badInput(fmt.Errorf("test %s is of %s, the first is of %s: compare tests of one engine", ref, t.Engine.Label, set.engine))
		case slices.ContainsFunc(tests, func(x testFits) bool { return x.Test.ID == t.Test.ID }):
			return set, badInput(fmt.Errorf("test %s is named twice: leave one out", ref))
		}
		weighs := slices.ContainsFunc(t.Fits, func(f fitted) bool { return f.Curve.Unit != curve.Millilitre })
		if densityOf(t.Test.Fuel) == nil && weighs {
			return set, badInput(fmt.Errorf("test %s notes no fuel density, so its rates in mL/min are not known: note it, then compare", ref))
		}
		tests = append(tests, t)
		fuel := t.Test.Fuel
		if temp := meanNoted(t.Noted, change.FuelTemperature); !math.IsNaN(temp) {
			fuel.TempC = temp
		}
		set.fuels = append(set.fuels, phaseFuel{t.Test.Phase, fuel})
		for _, w := range t.Warnings {
			set.doubts = append(set.doubts, change.Doubt{Code: "source", Says: w})
		}
		if n := t.left(); n > 0 {
			set.doubts = append(set.doubts, change.Doubt{Code: "fills-left-out", Says: fmt.Sprintf("test %s: %d of %d fills are left out, as their run is excluded or a flag forbids a finding; see 'brimline rates %s'", ref, n, len(t.Fits), ref)})
		}
	}
	set.injectorType = tests[0].Engine.InjectorType
	fitted, err := r.Injectors(ctx, tests[0].Engine.ID)
	if err != nil {
		return set, err
	}
	set.readings = changeReadings(tests...)
	set.refitted(tests, fitted)
	return set, nil
}

// What readings were measured with.
const (
	meansRig    = "with the rig"
	meansByHand = "by hand"
)

// refitted tells injectors that were fitted anew between the tests from those before them:
// the position's name stays with the first, and another gets a name of its own, so that they
// are not compared.
func (s *comparedSet) refitted(tests []testFits, fitted []ingest.Injector) {
	type place struct{ test, injector string }
	names := map[place]string{}
	for p := 1; p <= tests[0].Engine.Injectors; p++ {
		var first int64
		moved := ""
		for k, t := range tests {
			var sits ingest.Injector // the last that was fitted by then
			for _, f := range fitted {
				if f.Position == p && !f.Fitted.After(t.Test.At) && !f.Fitted.Before(sits.Fitted) {
					sits = f
				}
			}
			if k == 0 {
				first = sits.ID
			}
			if sits.ID != first {
				names[place{t.Test.Label, strconv.Itoa(p)}] = fmt.Sprintf("%d fitted %s", p, sits.Fitted.Format(time.DateOnly))
				moved = fmt.Sprintf("at position %d another injector was fitted on %s, between the tests", p, sits.Fitted.Format(time.DateOnly))
				if sits.Code != "" {
					for _, f := range fitted {
						if f.Code == sits.Code && f.Position != p {
							moved += fmt.Sprintf("; its code, %s, was at position %d before: it was moved", f.Code, f.Position)
						}
					}
				}
			}
		}
		if moved != "" {
			s.doubts = append(s.doubts, change.Doubt{Code: "moved", Says: moved, Do: "an injector is compared only where it stayed"})
		}
	}
	for i, r := range s.readings {
		label := r.Hanging[:strings.LastIndex(r.Hanging, ".")] // a label may have dots
		if name, ok := names[place{label, r.Injector}]; ok {
			s.readings[i].Injector = name
		}
	}
}

// changeReadings is the readings of tests for a comparison of their phases.
func changeReadings(tests ...testFits) []change.Reading {
	var out []change.Reading
	for _, t := range tests {
		for _, f := range t.Fits {
			if !t.stands(f) {
				continue
			}
			x := f.fill()
			// What hangings share, such as the density or a tube's calibration, is not in their scatter.
			m := x.Measured("", "")
			own := known(x.UMLPerMin)
			if own > 0 {
				own = math.Sqrt(max(m.U*m.U-m.UTube*m.UTube, 0)) * x.RateMLPerMin / m.Rate
			}
			day := t.Test.At
			if !f.Day.IsZero() {
				day = f.Day
			}
			means := meansRig
			if f.Curve.Channel == handChannel {
				means = meansByHand
			}
			conditions := conditionsOf(t.Noted, f.Run, f.Injector)
			if finite(t.Test.Fuel.TempC) && !slices.ContainsFunc(conditions, func(c change.Condition) bool { return c.Name == change.FuelTemperature }) {
				conditions = append(conditions, change.Condition{Name: change.FuelTemperature, Unit: "°C", Value: t.Test.Fuel.TempC})
			}
			out = append(out, change.Reading{Injector: strconv.Itoa(f.Injector), Phase: f.Phase,
				Hanging: fmt.Sprintf("%s.%d", t.Test.Label, f.Hanging), Run: fmt.Sprintf("%s.%d", t.Test.Label, f.Run),
				Day: day.Format(time.DateOnly), Means: means, RateMLPerMin: x.RateMLPerMin, UMLPerMin: own, Conditions: conditions})
		}
	}
	return out
}
