package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"brimline/analysis/change"
	"brimline/ingest"
	"brimline/ingest/exchange"
)

// ownCondition is the one condition that is each injector's own: what the control unit adds
// to or takes from its fuel.
const ownCondition = "correction"

// heldReturn is why a return that is held at pressure is not measured (common practice, no
// source for the figure).
const heldReturn = "injectors with a hydraulic coupler need several bar in their return (about 10): opened to a tube, the engine runs otherwise or stops, and the figure means nothing"

// injectorTypes are the types that are asked for.
var injectorTypes = []string{"solenoid", "piezo", "unknown"}

// conditions is what the test's flags note beside its runs.
func (o testOptions) conditions(injectors int, given func(string) bool) ([]ingest.Condition, error) {
	var out []ingest.Condition
	add := func(flag string, c ingest.Condition) error {
		if err := exchange.CheckCondition(c); err != nil {
			return fmt.Errorf("--%s: %w", flag, err)
		}
		out = append(out, c)
		return nil
	}
	for _, x := range []struct {
		flag, name, unit string
		value            float64
	}{{"rail-pressure", "rail pressure", "bar", o.railPressure}, {"engine-speed", "engine speed", "1/min", o.engineSpeed}, {"coolant", "coolant", "°C", o.coolant}} {
		if given(x.flag) {
			if err := add(x.flag, ingest.Condition{Name: x.name, Unit: x.unit, Value: x.value}); err != nil {
				return nil, err
			}
		}
	}
	if o.corrections == "" {
		return out, nil
	}
	parts := strings.Split(o.corrections, ",")
	if len(parts) != injectors {
		return nil, fmt.Errorf("--corrections has %d values, the engine %s: give one for each, from the first", len(parts), counted(injectors, "injector"))
	}
	for i, p := range parts {
		v, err := strconv.ParseFloat(strings.TrimSpace(p), 64)
		if err != nil {
			return nil, fmt.Errorf("--corrections: %q is not a number: give one for each injector, such as 0.3,-0.1,0,0.2", p)
		}
		if err := add("corrections", ingest.Condition{Injector: i + 1, Name: ownCondition, Unit: o.correctionUnit, Value: v}); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// conditionSource is a testSource that holds what was noted beside runs.
type conditionSource interface {
	Conditions(ctx context.Context, testID int64) ([]ingest.Condition, error)
}

// injectorSource is a testSource that knows what was fitted at each position.
type injectorSource interface {
	Injectors(ctx context.Context, engineID int64) ([]ingest.Injector, error)
}

// conditionsOf is what holds for a run and an injector: of the run itself where it was
// noted, else of the test.
func conditionsOf(noted []ingest.Condition, run, injector int) []change.Condition {
	var out []change.Condition
	for _, general := range []bool{false, true} {
		for _, c := range noted {
			if (c.Run == 0) != general || c.Run != 0 && c.Run != run || c.Injector != 0 && c.Injector != injector {
				continue
			}
			known := false
			for _, x := range out {
				known = known || x.Name == c.Name
			}
			if !known {
				out = append(out, change.Condition{Name: c.Name, Unit: c.Unit, Value: c.Value})
			}
		}
	}
	return out
}

// meanNoted is the mean of a condition over the runs that noted it; NaN where none did.
func meanNoted(noted []ingest.Condition, name string) float64 {
	var sum, n float64
	for _, c := range noted {
		if c.Name == name {
			sum, n = sum+c.Value, n+1
		}
	}
	return sum / n
}

// typeOf is the injectors' type: as it is kept, or as it is said where it is not known.
func typeOf(kept, said string) (string, error) {
	switch {
	case said == "":
		return kept, nil
	case kept != "" && kept != "unknown" && kept != said:
		return "", errors.New("kept as " + kept)
	}
	return said, nil
}
