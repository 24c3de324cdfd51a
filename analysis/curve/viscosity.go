package curve

import (
	"fmt"
	"math"
)

// Viscosity is a fuel's kinematic viscosity against temperature by ASTM D341,
//
//	log log Z = A - B log T,   Z = v + 0.7 + exp(-1.47 - 1.84 v - 0.51 v^2)
//
// with T in K, v in mm2/s and logarithms to base 10. The coefficients of Z are from
// memory of the standard; below 2 mm2/s its last term counts.
type Viscosity struct {
	A, B float64
}

// NewViscosity is the line through two measured viscosities, mm2/s at °C.
func NewViscosity(v1, t1C, v2, t2C float64) (Viscosity, error) {
	for _, p := range [][2]float64{{v1, t1C}, {v2, t2C}} {
		if !(p[0] >= 0.3 && p[0] <= 1e4) || !(p[1] >= -60 && p[1] <= 200) {
			return Viscosity{}, fmt.Errorf("viscosity %g mm2/s at %g °C: give 0.3 to 10000 mm2/s at -60 to 200 °C, as the fuel's data sheet has it", p[0], p[1])
		}
	}
	if math.Abs(t1C-t2C) < 5 {
		return Viscosity{}, fmt.Errorf("viscosities at %g and %g °C: the two temperatures must be 5 °C or more apart, such as 20 and 40 °C, or the line between them says nothing", t1C, t2C)
	}
	if (v1-v2)*(t1C-t2C) >= 0 {
		return Viscosity{}, fmt.Errorf("viscosities %g mm2/s at %g °C and %g mm2/s at %g °C: fuel gets thinner as it warms: check which value belongs to which temperature", v1, t1C, v2, t2C)
	}
	w1, w2 := walther(v1), walther(v2)
	x1, x2 := math.Log10(t1C+kelvin), math.Log10(t2C+kelvin)
	b := (w1 - w2) / (x2 - x1)
	return Viscosity{A: w1 + b*x1, B: b}, nil
}

const kelvin = 273.15

func walther(v float64) float64 { return math.Log10(math.Log10(z341(v))) }

func z341(v float64) float64 { return v + 0.7 + math.Exp(-1.47-1.84*v-0.51*v*v) }

// At returns the viscosity at tempC, mm2/s. Z is solved for v exactly: the formula that
// the standard prints for it is off by up to 1e-4.
func (v Viscosity) At(tempC float64) (mm2PerS float64, err error) {
	if !(tempC >= -60 && tempC <= 200) {
		return 0, fmt.Errorf("viscosity at %g °C: the line of ASTM D341 is taken from -60 to 200 °C only: check the temperature", tempC)
	}
	z := math.Pow(10, math.Pow(10, v.A-v.B*math.Log10(tempC+kelvin)))
	if !(z > z341(0.2)) || math.IsInf(z, 0) {
		return 0, fmt.Errorf("viscosity at %g °C: below the 0.2 mm2/s down to which ASTM D341 holds, or beyond all bounds: check the two viscosities", tempC)
	}
	// Newton from above: Z rises with v, and less steeply the smaller v is.
	x := z - 0.7
	for range 50 {
		e := math.Exp(-1.47 - 1.84*x - 0.51*x*x)
		step := (x + 0.7 + e - z) / (1 - (1.84+1.02*x)*e)
		x -= step
		if math.Abs(step) < 1e-13*x {
			break
		}
	}
	return x, nil
}

// TypicalDiesel stands for a diesel whose viscosity nobody measured: 4.30 mm2/s at 20 °C
// and 2.75 at 40 °C (estimate), in the middle of what EN 590 allows, 2.0 to 4.5 at 40 °C.
func TypicalDiesel() Viscosity { return Viscosity{A: 9.641300941, B: 3.971011517} }

// LeakageRatio is by how much guide leakage at the second temperature is more than at the
// first because the fuel is thinner, as a ratio: leakage through a narrow gap goes with one
// over the viscosity. A return flow that is guide leakage in part moves by that part; what
// the control valve spills does not move with viscosity.
func (v Viscosity) LeakageRatio(fromC, toC float64) (float64, error) {
	from, err := v.At(fromC)
	if err != nil {
		return 0, err
	}
	to, err := v.At(toC)
	if err != nil {
		return 0, err
	}
	return from / to, nil
}
