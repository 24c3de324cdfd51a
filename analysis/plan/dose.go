package plan

import (
	"fmt"
	"math"
)

// Tank is a tank that is dosed: volumes in litres of fuel.
type Tank struct {
	CapacityL float64
	LeftL     float64 // in it before dosing
	AddL      float64 // filled up with the dose
	HasMLPerL float64 // of the same product in what was left; 0: none
	RefillAtL float64 // left in it whenever it is filled up again afterwards
}

func (t Tank) check() error {
	switch {
	case !(t.CapacityL >= 1 && t.CapacityL <= 5000):
		return fmt.Errorf("a tank of %g L: use 1 to 5000", t.CapacityL)
	case !(t.LeftL >= 0 && t.LeftL <= t.CapacityL):
		return fmt.Errorf("%g L left in a tank of %g L: use 0 to %g", t.LeftL, t.CapacityL, t.CapacityL)
	case !(t.AddL >= 0 && t.LeftL+t.AddL <= t.CapacityL*(1+1e-9)):
		return fmt.Errorf("%g L left and %g L added do not go into a tank of %g L: add up to %g L", t.LeftL, t.AddL, t.CapacityL, t.CapacityL-t.LeftL)
	case !(t.LeftL+t.AddL > 0):
		return fmt.Errorf("no fuel left and none added: there is nothing to dose")
	case !(t.HasMLPerL >= 0 && t.HasMLPerL <= MaxMLPerL):
		return fmt.Errorf("%g mL per L in what is left: use 0 to %g", t.HasMLPerL, MaxMLPerL)
	case !(t.RefillAtL >= 0 && t.RefillAtL < t.CapacityL):
		return fmt.Errorf("filling up again at %g L left in a tank of %g L: use 0 to below %g", t.RefillAtL, t.CapacityL, t.CapacityL)
	}
	return nil
}

// MaxMLPerL is far above any additive's concentration: one part in ten is no additive.
const MaxMLPerL = 100.0

// Reached is the concentration after a dose, in mL per litre of fuel, all mixed:
//
//	(has x left + dose)/(left + added)
func (t Tank) Reached(doseML float64) (mlPerL float64, err error) {
	if err := t.check(); err != nil {
		return 0, err
	}
	if !(doseML > 0) || math.IsInf(doseML, 0) {
		return 0, fmt.Errorf("a dose of %g mL: use above 0", doseML)
	}
	c := (t.HasMLPerL*t.LeftL + doseML) / (t.LeftL + t.AddL)
	if c > MaxMLPerL {
		return 0, fmt.Errorf("%g mL in %g L of fuel are %.3g mL per L, more than %g: the dose is in mL, fuel in L", doseML, t.LeftL+t.AddL, c, MaxMLPerL)
	}
	return c, nil
}

// DoseFor is the dose in mL that reaches a concentration in mL per litre of fuel.
func (t Tank) DoseFor(mlPerL float64) (doseML float64, err error) {
	if err := t.check(); err != nil {
		return 0, err
	}
	if !(mlPerL > 0 && mlPerL <= MaxMLPerL) {
		return 0, fmt.Errorf("a concentration of %g mL per L: use above 0 and up to %g", mlPerL, MaxMLPerL)
	}
	if doseML = mlPerL*(t.LeftL+t.AddL) - t.HasMLPerL*t.LeftL; !(doseML > 0) {
		return 0, fmt.Errorf("what is left in the tank brings %.3g mL per L by itself, and %g are asked for: no dose is needed", t.HasMLPerL*t.LeftL/(t.LeftL+t.AddL), mlPerL)
	}
	return doseML, nil
}

// Refill is the tank after it was filled up again with untreated fuel.
type Refill struct {
	Number int     `json:"refill"`
	MLPerL float64 `json:"ml_per_l"`
	Share  float64 `json:"share"` // of the concentration first reached
	BurntL float64 `json:"burnt_l"`
}

// Refills follows a concentration over so many refills. Each leaves the fraction
// f = RefillAtL/CapacityL of the concentration (perfect mixing), f^n after n. Fuel burnt is
// counted since dosing, to the moment of the refill. A tank that holds no more than RefillAtL
// after dosing is filled up at once, with nothing burnt.
func (t Tank) Refills(mlPerL float64, n int) []Refill {
	out := []Refill{}
	volume, burnt, c := t.LeftL+t.AddL, 0.0, mlPerL
	for k := range n {
		down := math.Min(volume, t.RefillAtL)
		burnt += volume - down
		c *= down / t.CapacityL
		volume = t.CapacityL
		out = append(out, Refill{k + 1, c, c / mlPerL, burnt})
	}
	return out
}

// TreatedL is how much fuel can be burnt after dosing before the tank is to be filled up.
func (t Tank) TreatedL() float64 { return math.Max(0, t.LeftL+t.AddL-t.RefillAtL) }
