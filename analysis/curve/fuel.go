package curve

import (
	"errors"
	"fmt"
	"math"
)

// Law is how a liquid's density goes with temperature.
type Law string

// The laws.
const (
	Petroleum Law = "petroleum" // ASTM D1250-04: diesel, heating oil, petrol, test oils of mineral oil
	Water     Law = "water"     // Tanaka
	Typed     Law = "typed"     // by an expansion that was typed in, or not at all
)

// Fuel is what is known of the liquid in the tubes.
type Fuel struct {
	Law    Law
	GPerML float64 // its density
	U      float64 // standard uncertainty, g/mL
	// FoundAtC is the temperature at which it has that density, °C: 15 from a data sheet.
	// NaN: the tubes', whatever that is.
	FoundAtC float64
	PerC     float64 // Typed: part by which the density falls per °C; NaN when not known
	UPerC    float64 // its standard uncertainty

	TempC    float64 // in the tubes, °C; NaN when not noted
	UTempC   float64 // standard uncertainty, °C
	StateAtC float64 // volumes are those at this temperature, °C; NaN: at that of the tubes
}

// AssumedDiesel is the density at 15 °C of a diesel of which nothing is known but that
// it was sold as one: EN 590 for temperate climates allows 820 to 845 kg/m3. Taken as
// rectangular, that is a standard uncertainty of 0.87 %.
func AssumedDiesel() (gPerML, u float64) { return 0.8325, 0.0125 / math.Sqrt(3) }

// Check returns an error when no density can be had from the fuel.
func (f Fuel) Check() error {
	if err := (Density{GPerML: f.GPerML, U: f.U}).Check(); err != nil {
		return err
	}
	switch {
	case f.Law != Petroleum && f.Law != Water && f.Law != Typed:
		return fmt.Errorf("fuel: %q is no law of density against temperature: use %q, %q or %q", f.Law, Petroleum, Water, Typed)
	case !(f.UTempC >= 0 && f.UTempC <= 50):
		return fmt.Errorf("fuel temperature: standard uncertainty %g °C must be from 0 to 50 °C", f.UTempC)
	case !math.IsNaN(f.PerC) && !(f.PerC >= -0.001 && f.PerC <= 0.003):
		return fmt.Errorf("expansion %g per °C is outside -0.001 to 0.003: give the part by which the density falls per °C, for diesel about 0.00084", f.PerC)
	case !(f.UPerC >= 0 && f.UPerC <= 0.003):
		return fmt.Errorf("expansion: standard uncertainty %g per °C must be from 0 to 0.003", f.UPerC)
	}
	for _, t := range []float64{f.FoundAtC, f.TempC, f.StateAtC} {
		if !math.IsNaN(t) && !(t >= -40 && t <= 120) {
			return fmt.Errorf("fuel: %g °C is outside -40 to 120 °C: check the temperatures", t)
		}
	}
	return nil
}

// ErrNoTemperature is returned where a density is wanted at a temperature that is not noted.
var ErrNoTemperature = errors.New("the fuel's temperature in the tubes is not noted")

// Density returns the fuel's density in the tubes and at the temperature that volumes are
// stated at.
//
// A density that was found in the tubes needs no temperature for a volume there. Any other
// temperature needs that of the tubes, and the law; the uncertainties are of the density as
// it was found, with the law's own part, and of the tubes' temperature.
func (f Fuel) Density() (Density, error) {
	if err := f.Check(); err != nil {
		return Density{}, err
	}
	found, state := f.FoundAtC, f.StateAtC
	inTubes := math.IsNaN(found)
	if inTubes {
		found = f.TempC
	}
	own := math.IsNaN(state)
	if own {
		state = f.TempC
	}
	if math.IsNaN(f.TempC) {
		switch {
		case inTubes && own:
			return Density{GPerML: f.GPerML, U: f.U}, nil
		case inTubes:
			return Density{}, fmt.Errorf("volume at %g °C from a density that was found in the tubes: %w: note it", state, ErrNoTemperature)
		case own:
			return Density{}, fmt.Errorf("volume in the tubes from a density at %g °C: %w: note it, or state volumes at %g °C", found, ErrNoTemperature, found)
		}
		// Grams alone become volumes at a stated temperature. The tubes' density then has no
		// part in a mass rate; in it, for buoyancy and how full a tube is, is the stated one.
		at, err := f.at(found, state)
		if err != nil {
			return Density{}, err
		}
		return Density{GPerML: at.GPerML, U: at.U, Stated: &Stated{AtC: state, GPerML: at.GPerML, U: at.U, UShrink: math.NaN()}}, nil
	}
	tubes, err := f.at(found, f.TempC)
	if err != nil {
		return Density{}, err
	}
	at, err := f.at(found, state)
	if err != nil {
		return Density{}, err
	}
	// Where one end of the way is the tubes' temperature, its error moves the density by the
	// slope there; where both are, not at all.
	slopeTubes, err := f.slope(found, f.TempC)
	if err != nil {
		return Density{}, err
	}
	d := Density{GPerML: tubes.GPerML, U: tubes.U, Stated: &Stated{AtC: state, GPerML: at.GPerML, U: at.U}}
	if !inTubes {
		d.UTemp = slopeTubes * f.UTempC
	}
	if inTubes != own {
		d.Stated.UTemp = slopeTubes * f.UTempC * at.GPerML / tubes.GPerML
	}
	if !own {
		d.Stated.UShrink = math.Hypot(slopeTubes*f.UTempC/tubes.GPerML, f.wayRelU(f.TempC, state))
	}
	return d, nil
}

// at is the density at toC of what was found at foundC.
func (f Fuel) at(foundC, toC float64) (Density, error) {
	if foundC == toC {
		return Density{GPerML: f.GPerML, U: f.U}, nil
	}
	to, err := f.move(f.GPerML, foundC, toC)
	if err != nil {
		return Density{}, err
	}
	return Density{GPerML: to, U: to * math.Hypot(f.U/f.GPerML, f.wayRelU(foundC, toC))}, nil
}

// move takes a density, g/mL, from one temperature to another, °C.
func (f Fuel) move(gPerML, fromC, toC float64) (float64, error) {
	switch f.Law {
	case Petroleum:
		rho, err := PetroleumDensity(1000*gPerML, fromC, toC)
		return rho / 1000, err
	case Water:
		from, err := WaterDensity(fromC)
		if err != nil {
			return 0, err
		}
		to, err := WaterDensity(toC)
		return gPerML * to / from, err
	}
	if math.IsNaN(f.PerC) {
		return 0, fmt.Errorf("density at %g °C of a liquid that has %g g/mL at %g °C: how it goes with temperature is not known: give its expansion per °C, or state volumes at the temperature of that density",
			toC, gPerML, fromC)
	}
	return gPerML * (1 - f.PerC*(toC-fromC)), nil
}

// wayRelU is the relative standard uncertainty of the law between two temperatures.
func (f Fuel) wayRelU(fromC, toC float64) float64 {
	switch f.Law {
	case Petroleum:
		return PetroleumRelU(fromC, toC)
	case Typed:
		return f.UPerC * math.Abs(toC-fromC)
	}
	return 0 // Tanaka: 1e-6
}

// slope is by how much the density falls per °C at tempC, g/mL.
func (f Fuel) slope(foundC, tempC float64) (float64, error) {
	if f.UTempC == 0 {
		return 0, nil // so that a liquid of unknown expansion has a density where it was found
	}
	if f.Law == Typed && math.IsNaN(f.PerC) {
		if math.IsNaN(f.FoundAtC) {
			return 0, nil // found in the tubes, at whatever temperature
		}
		return 0, fmt.Errorf("density at %g ± %g °C of a liquid that has %g g/mL at %g °C: how it goes with temperature is not known: give its expansion per °C", tempC, f.UTempC, f.GPerML, foundC)
	}
	const step = 0.5
	rho, err := f.at(foundC, tempC)
	if err != nil {
		return 0, err
	}
	a, b := tempC-step, tempC+step
	if f.Law == Water {
		a, b = max(a, 0), min(b, 40)
	}
	cold, err := f.move(rho.GPerML, tempC, a)
	if err != nil {
		return 0, err
	}
	warm, err := f.move(rho.GPerML, tempC, b)
	return math.Abs(warm-cold) / (b - a), err
}

// WaterDensity returns the density of air-free water at 101.325 kPa, g/mL, between 0
// and 40 °C: Tanaka and others, Metrologia 38 (2001) 301-309. Tap water may be 0.05 %
// heavier (estimate).
func WaterDensity(tempC float64) (gPerML float64, err error) {
	if !(tempC >= 0 && tempC <= 40) {
		return 0, fmt.Errorf("density of water: %g °C is outside 0 to 40 °C, where the formula holds: measure the water's temperature", tempC)
	}
	const a1, a2, a3, a4, a5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
	t := tempC
	return a5 * (1 - (t+a1)*(t+a1)*(t+a2)/(a3*(t+a4))) / 1000, nil
}

// TapWaterRelU is the relative standard uncertainty of tap water taken for pure:
// dissolved salts, up to 0.05 % (estimate), rectangular.
const TapWaterRelU = 0.0005 / 1.7320508075688772
