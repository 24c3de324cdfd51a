package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/pflag"

	"brimline/analysis/curve"
	"brimline/config"
	"brimline/ingest"
)

// tempU is how sure a fuel temperature is of which that is not said: a probe in a tube,
// within 2 °C of what flows in (estimate), rectangular.
var tempU = 2 / math.Sqrt(3)

// petroleum are the kinds of fuel whose density goes with temperature as ASTM D1250 has it.
var petroleum = []string{"diesel", "heating oil", "kerosene", "petrol", "test oil"}

// fuelFlags are what a command may be told of a fuel beside its density in the tubes.
type fuelFlags struct {
	density15, tempU, stateAt float64
	expansion, expansionU     float64
	assume                    bool
	viscosity                 string
}

// add puts the flags into f. with begins the help of each, such as "curves: ".
func (o *fuelFlags) add(f *pflag.FlagSet, with string) {
	f.Float64Var(&o.density15, "density-15", 0, with+"density at 15 °C, g/mL, in place of --density")
	f.BoolVar(&o.assume, "assume-en590", false, with+"the density is not known: take what EN 590 allows a diesel, ±1.5 %")
	f.Float64Var(&o.tempU, "fuel-temp-u", 0, with+"standard uncertainty of --fuel-temp, °C (default 1.2)")
	f.Float64Var(&o.stateAt, "state-at", 0, with+"give volumes at this temperature, °C (default: that of the fuel in the tubes)")
	f.Float64Var(&o.expansion, "expansion", 0, with+"of what is no petroleum product and no water: part by which the density falls per °C")
	f.Float64Var(&o.expansionU, "expansion-u", 0, with+"standard uncertainty of --expansion")
	f.StringVar(&o.viscosity, "viscosity", "", with+`two viscosities of the fuel, mm2/s at °C: "4.3@20,2.75@40"`)
}

// fuelNames are the flags of add.
var fuelNames = []string{"density-15", "assume-en590", "fuel-temp-u", "state-at", "expansion", "expansion-u", "viscosity"}

// apply puts what was given into f. densityU is what --density-u says.
func (o *fuelFlags) apply(f *ingest.Fuel, densityU float64, given func(string) bool) error {
	if given("density") && (given("density-15") || given("assume-en590")) || given("density-15") && given("assume-en590") {
		return errors.New("--density (in the tubes), --density-15 and --assume-en590 are three ways to say one thing: keep one")
	}
	if given("density-15") {
		if !(o.density15 >= 0.5 && o.density15 <= 1.5) {
			return fmt.Errorf("--density-15 %g: give it in g/mL, 0.5 to 1.5", o.density15)
		}
		f.Density15GPerML, f.UDensity, f.DensityGPerML, f.Assumed = o.density15, densityU, 0, false
	}
	if given("assume-en590") && o.assume {
		if f.Kind != "diesel" {
			return fmt.Errorf("--assume-en590 is for diesel, and the fuel is %s: measure its density", f.Kind)
		}
		assumeDensity(f)
	}
	if given("expansion") || given("expansion-u") {
		if !(o.expansion >= 1e-5 && o.expansion <= 0.003) || !(o.expansionU >= 0 && o.expansionU <= 0.003) {
			return fmt.Errorf("--expansion %g, --expansion-u %g: give the part by which the density falls per °C, 0.00001 to 0.003, such as 0.0006, and its standard uncertainty", o.expansion, o.expansionU)
		}
		f.ExpansionPerC, f.UExpansion = o.expansion, o.expansionU
	}
	if given("fuel-temp-u") {
		if !(o.tempU >= 0 && o.tempU <= 20) {
			return fmt.Errorf("--fuel-temp-u %g °C: use 0 to 20", o.tempU)
		}
		if math.IsNaN(f.TempC) {
			return errors.New("--fuel-temp-u without --fuel-temp: give both")
		}
		f.UTempC = o.tempU
	}
	if given("state-at") {
		if !(o.stateAt >= 5 && o.stateAt <= 100) {
			return fmt.Errorf("--state-at %g °C: use 5 to 100", o.stateAt)
		}
		f.StateAtC = o.stateAt
	}
	if given("viscosity") {
		v, err := parseViscosity(o.viscosity)
		if err != nil {
			return fmt.Errorf("--viscosity: %w", err)
		}
		f.Viscosity = v
	}
	return nil
}

func parseViscosity(text string) (v ingest.Viscosity, err error) {
	points := strings.Split(text, ",")
	if len(points) != 2 {
		return v, fmt.Errorf("%q is not two viscosities: write mm2/s at °C, such as 4.3@20,2.75@40", text)
	}
	var x [4]float64
	for i, p := range points {
		mm2, at, ok := strings.Cut(strings.TrimSpace(p), "@")
		for k, word := range []string{at, mm2} {
			n, err := strconv.ParseFloat(word, 64)
			if !ok || err != nil {
				return v, fmt.Errorf("%q is no viscosity at a temperature: write mm2/s at °C, such as 4.3@20", p)
			}
			x[2*i+k] = n
		}
	}
	if _, err := curve.NewViscosity(x[1], x[0], x[3], x[2]); err != nil {
		return v, err
	}
	return ingest.Viscosity{FirstC: x[0], FirstMM2PerS: x[1], SecondC: x[2], SecondMM2PerS: x[3]}, nil
}

func assumeDensity(f *ingest.Fuel) {
	f.DensityGPerML, f.Assumed = 0, true
	f.Density15GPerML, f.UDensity = curve.AssumedDiesel()
}

// fuelOfConfig is the config's fuel as a test notes it.
func fuelOfConfig(c config.Fuel) ingest.Fuel {
	f := ingest.Fuel{Kind: c.Kind, DensityGPerML: c.DensityGPerML, Density15GPerML: c.Density15GPerML, UDensity: c.DensityU,
		ExpansionPerC: c.ExpansionPerC, UExpansion: c.ExpansionU, TempC: math.NaN(), StateAtC: c.StateAtC}
	if c.AssumeEN590 {
		assumeDensity(&f)
	}
	if c.TemperatureC != nil {
		f.TempC, f.UTempC = *c.TemperatureC, c.TemperatureU
		if f.UTempC == 0 {
			f.UTempC = tempU
		}
	}
	if v := c.Viscosity; len(v) == 2 {
		f.Viscosity = ingest.Viscosity{FirstC: v[0][0], FirstMM2PerS: v[0][1], SecondC: v[1][0], SecondMM2PerS: v[1][1]}
	}
	return f
}

// densityAsked is the density of a fuel in the tubes and where its volumes are stated; nil
// when none is known. What cannot be worked out of what is noted is an error.
func densityAsked(f ingest.Fuel) (*curve.Density, error) {
	nan := math.NaN()
	x := curve.Fuel{Law: curve.Typed, GPerML: f.DensityGPerML, U: f.UDensity, FoundAtC: nan, PerC: nan, TempC: f.TempC, UTempC: f.UTempC, StateAtC: nan}
	if math.IsNaN(x.U) {
		x.U = 0
	}
	switch {
	case f.Kind == "water":
		x.Law = curve.Water
	case f.ExpansionPerC > 0:
		x.PerC, x.UPerC = f.ExpansionPerC, f.UExpansion
	case slices.Contains(petroleum, f.Kind):
		x.Law = curve.Petroleum
	}
	if !(f.DensityGPerML > 0) {
		if !(f.Density15GPerML > 0) {
			return nil, nil
		}
		x.GPerML, x.FoundAtC = f.Density15GPerML, 15
	}
	if f.StateAtC != 0 {
		x.StateAtC = f.StateAtC
	}
	d, err := x.Density()
	if err != nil {
		return nil, fmt.Errorf("fuel %s: %w", f.Kind, err)
	}
	return &d, nil
}

// densityOf is a test's fuel density for the analysis; nil when it is not known. Of an
// older store, or another program's, what is noted may not go together: then it is that in
// the tubes or none.
func densityOf(f ingest.Fuel) *curve.Density {
	d, err := densityAsked(f)
	if err != nil && f.DensityGPerML > 0 {
		return &curve.Density{GPerML: f.DensityGPerML, U: f.UDensity}
	}
	return d
}

// tubesGPerML is the density in the tubes for what needs no uncertainty; 0 when not known.
func tubesGPerML(f ingest.Fuel) float64 {
	if d := densityOf(f); d != nil {
		return d.GPerML
	}
	return 0
}

// statedWords is at what temperature volumes are given; empty when that is not known.
func statedWords(d *curve.Density) string {
	if d == nil || d.Stated == nil {
		return ""
	}
	return fmt.Sprintf("volumes at %g °C", d.Stated.AtC)
}

// fuelWords is a fuel in a line: "diesel, 0.832 g/mL, u 0.0005 g/mL, 40 °C".
func fuelWords(f ingest.Fuel) string {
	words := []string{f.Kind}
	switch {
	case f.Assumed:
		words = append(words, fmt.Sprintf("density assumed, %g ± %.2g g/mL at 15 °C (EN 590)", f.Density15GPerML, f.UDensity*math.Sqrt(3)))
	case f.Density15GPerML > 0:
		words = append(words, fmt.Sprintf("%g g/mL at 15 °C, u %g g/mL", f.Density15GPerML, f.UDensity))
	case f.DensityGPerML > 0:
		words = append(words, fmt.Sprintf("%g g/mL, u %g g/mL", f.DensityGPerML, f.UDensity))
	}
	if !math.IsNaN(f.TempC) {
		words = append(words, fmt.Sprintf("%g °C", f.TempC))
	}
	if f.StateAtC != 0 {
		words = append(words, fmt.Sprintf("volumes at %g °C", f.StateAtC))
	}
	return strings.Join(words, ", ")
}

// viscosityOf is a fuel's viscosity against temperature; given is false where a typical
// diesel stands in.
func viscosityOf(f ingest.Fuel) (v curve.Viscosity, given bool) {
	n := f.Viscosity
	v, err := curve.NewViscosity(n.FirstMM2PerS, n.FirstC, n.SecondMM2PerS, n.SecondC)
	if err != nil {
		return curve.TypicalDiesel(), false
	}
	return v, true
}
