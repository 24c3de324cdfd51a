package curve

import (
	"fmt"
	"math"
)

// product is one band of the generalised refined products of API MPMS 11.1-2004
// (ASTM D1250-04), 11.1.6.1: the coefficients of thermal expansion for densities at
// 60 °F from the band's lower edge up.
type product struct {
	from       float64 // kg/m3 at 60 °F
	k0, k1, k2 float64
}

// products are the bands by falling density. Diesel lies in the first two: the band goes
// by the density and never by the fuel's name.
var products = [...]product{
	{838.3127, 103.8720, 0.2701, 0},          // fuel oils
	{787.5195, 330.3010, 0, 0},               // jet fuels
	{770.3520, 1489.0670, 0, -0.00186840},    // between the two
	{petroleumLightest, 192.4571, 0.2438, 0}, // gasolines
}

// Limits of the standard, and two temperatures in it.
const (
	petroleumLightest = 610.6  // kg/m3 at 60 °F
	petroleumHeaviest = 1163.5 // kg/m3 at 60 °F
	petroleumColdest  = -50    // °C
	petroleumHottest  = 150    // °C
	base15C           = 15.0
)

// productOf is the band of a density at 60 °F.
func productOf(rho60 float64) product {
	for _, p := range products {
		if rho60 >= p.from {
			return p
		}
	}
	return products[len(products)-1]
}

// ctl60 is the volume at 60 °F of what fills 1 at tC (°C, ITS-90), at atmospheric
// pressure: the standard's CTL, from the density at 60 °F, kg/m3. All rounding that the
// standard prescribes for printed factors is left out.
func (p product) ctl60(rho60, tC float64) float64 {
	// The standard's temperatures are of the IPTS-68.
	a := [...]float64{-0.148759, -0.267408, 1.080760, 1.269056, -4.089591, -1.871251, 7.438081, -3.536296}
	scaled, power, shift := tC/630, 1.0, 0.0
	for _, ai := range a {
		power *= scaled
		shift += ai * power
	}
	const delta60 = 0.01374979547 // °F, what 60 °F of the older scale is moved by
	t68F := 1.8*(tC-shift) + 32
	d := t68F - 60.0068749
	A := delta60 / 2 * ((p.k0/rho60+p.k1)/rho60 + p.k2)
	B := (2*p.k0 + p.k1*rho60) / (p.k0 + (p.k1+p.k2*rho60)*rho60)
	moved := rho60 * (1 + math.Expm1(A*(1+0.8*A))/(1+A*(1+1.6*A)*B))
	alpha := (p.k0/moved+p.k1)/moved + p.k2
	return math.Exp(-alpha * d * (1 + 0.8*alpha*(d+delta60)))
}

// rho60 is the density at 60 °F of a product of density rho at tC, both kg/m3, by
// halving: where the bands of jet fuel and gasoline meet, the iteration of the standard
// nearly stands still in warm fuel, for there a little less density is much more expansion.
// Beyond the standard's range the answer is an end of it, or a little beyond.
func rho60(rho, tC float64) float64 {
	lo, hi := petroleumLightest-1, petroleumHeaviest+1
	for range 60 {
		x := (lo + hi) / 2
		if x*productOf(x).ctl60(x, tC) < rho {
			lo = x
		} else {
			hi = x
		}
	}
	return (lo + hi) / 2
}

// PetroleumDensity returns the density at toC of a petroleum product that has rhoKgPerM3
// at atC, in kg/m3 in vacuo: API MPMS 11.1-2004 = ASTM D1250-04, generalised refined
// products, at atmospheric pressure. Temperatures are in °C. It goes through the density
// at 60 °F, as the standard does for bases other than its own; with atC or toC 15 it
// is the metric volume correction factor.
//
// The uncertainty of the equation is not in it: see PetroleumRelU.
func PetroleumDensity(rhoKgPerM3, atC, toC float64) (float64, error) {
	for _, t := range []float64{atC, toC} {
		if !(t >= petroleumColdest && t <= petroleumHottest) {
			return 0, fmt.Errorf("density of fuel at %g °C: ASTM D1250 covers %d to %d °C: measure the fuel's temperature again", t, petroleumColdest, petroleumHottest)
		}
	}
	base := rho60(rhoKgPerM3, atC)
	if math.IsNaN(rhoKgPerM3) || !(base >= petroleumLightest && base <= petroleumHeaviest) {
		return 0, fmt.Errorf("density of fuel %g kg/m3 at %g °C: ASTM D1250 covers products of %g to %g kg/m3 at 60 °F: read the hydrometer again, or type in the density at the tubes' temperature",
			rhoKgPerM3, atC, petroleumLightest, petroleumHeaviest)
	}
	if atC == toC {
		return rhoKgPerM3, nil
	}
	return base * productOf(base).ctl60(base, toC), nil
}

// PetroleumRelU is the relative standard uncertainty that the equation itself adds to a
// density taken from atC to toC: a fuel expands a little more or less than the average of
// its band. At 95 % the standard's text gives 0.05 % at 100 °F, 0.15 % at 150 °F and
// 0.25 % at 200 °F from 60 °F (from memory); between them it is taken straight, and
// the same below 60 °F. One fuel is off in the same sense on its whole way, so that what
// counts is the difference between the two temperatures.
func PetroleumRelU(atC, toC float64) float64 {
	off := func(t float64) float64 {
		f := math.Abs(1.8 * (t - base15C))
		p := 0.05 / 40 * f
		if f > 40 {
			p = 0.05 + 0.002*(f-40)
		}
		return math.Copysign(p, t-base15C)
	}
	return math.Abs(off(toC)-off(atC)) / 100 / 2
}
