package calibrate

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Densities in g/mL, for buoyancy. Conventional mass is defined for weights of
// 8000 kg/m³ in air of 1.2 kg/m³ (OIML D 28:2004).
const (
	airGPerML    = 0.0012
	weightGPerML = 8.0
)

// WaterDensity returns the density of air-free water at 101.325 kPa, g/mL, between 0
// and 40 °C: Tanaka and others, Metrologia 38 (2001) 301-309. Water that has taken up
// air is 0.0003 % lighter, tap water up to 0.05 % heavier (estimate).
func WaterDensity(tempC float64) (gPerML float64, err error) {
	if !(tempC >= 0 && tempC <= 40) {
		return 0, fmt.Errorf("density of water: %g °C is outside 0 to 40 °C, where the formula holds: measure the water's temperature", tempC)
	}
	const a1, a2, a3, a4, a5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
	t := tempC
	return a5 * (1 - (t+a1)*(t+a1)*(t+a2)/(a3*(t+a4))) / 1000, nil
}

// Water is how measured water was poured, for a calibration without masses.
type Water struct {
	TempC       float64 `json:"temp_c"`
	TempTolC    float64 `json:"temp_tolerance_c"`    // plus or minus
	VesselTolML float64 `json:"vessel_tolerance_ml"` // of one pour, plus or minus, as marked on the measure
}

// tapWater is how far tap water's density may lie from pure water's, relative.
const tapWater = 0.0005

// Load returns what volumeML of water, poured in a number of measures, puts on the
// cell: grams of conventional mass, and its tolerance, plus or minus, g.
//
//	mass = volume (rho - air)/(1 - air/8000)
//
// so that a line found with water and one found with weights mean the same. All pours
// are taken as wrong together: one measure's error comes back with every pour.
func (w Water) Load(volumeML float64, pours int) (massG, mpeG float64, err error) {
	rho, err := WaterDensity(w.TempC)
	if err != nil {
		return 0, 0, err
	}
	if !(volumeML >= 0 && volumeML <= 1e5) || pours < 0 {
		return 0, 0, fmt.Errorf("poured water: %g mL in %d pours: use 0 to 100000 mL", volumeML, pours)
	}
	if !(w.TempTolC >= 0 && w.TempTolC <= 40) || !(w.VesselTolML >= 0 && w.VesselTolML <= 1e5) {
		return 0, 0, fmt.Errorf("poured water: tolerances of %g °C and %g mL: neither may be negative", w.TempTolC, w.VesselTolML)
	}
	off := 0.0 // the density's relative tolerance from the temperature: the worse end
	for _, t := range []float64{w.TempC - w.TempTolC, w.TempC + w.TempTolC} {
		end, err := WaterDensity(min(40, max(0, t)))
		if err != nil {
			return 0, 0, err
		}
		off = max(off, math.Abs(end/rho-1))
	}
	massG = volumeML * (rho - airGPerML) / (1 - airGPerML/weightGPerML)
	return massG, float64(pours)*w.VesselTolML*rho + massG*(off+tapWater), nil
}

// Level returns the level that volumeML, poured in a number of measures, makes in a
// tube, and its tolerance, plus or minus, mm. All pours are taken as wrong together.
func (w Water) Level(t Tube, volumeML float64, pours int) (levelMM, mpeMM float64, err error) {
	if !(w.VesselTolML >= 0 && w.VesselTolML <= 1e5) || pours < 0 {
		return 0, 0, fmt.Errorf("poured water: a measure's tolerance of %g mL, %d pours: neither may be negative", w.VesselTolML, pours)
	}
	levelMM, mmPerML, err := t.LevelMM(volumeML)
	return levelMM, float64(pours) * w.VesselTolML * mmPerML, err
}

// ParseVolumes reads a list of what the tube holds after each pour, "0,25,50,100" mL,
// rising. The empty tube is added if it is left out.
func ParseVolumes(list string) ([]float64, error) {
	var volumes []float64
	for word := range strings.SplitSeq(list, ",") {
		mL, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(word), "mL")), 64)
		if err != nil || !(mL >= 0 && mL <= 1e5) {
			return nil, fmt.Errorf("volumes %s: %q is not a number of millilitres from 0 to 100000: write 0,25,50", list, word)
		}
		if len(volumes) == 0 && mL > 0 {
			volumes = append(volumes, 0)
		}
		if n := len(volumes); n > 0 && mL <= volumes[n-1] {
			return nil, fmt.Errorf("volumes %s: %g mL does not come after %g mL: name what the tube holds after each pour, rising", list, mL, volumes[n-1])
		}
		volumes = append(volumes, mL)
	}
	return volumes, checkCount(len(volumes))
}
