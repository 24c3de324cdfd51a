package curve

// Densities of OIML D 28:2004, kg/m3: what the conventional mass that is marked on a
// weight refers to.
const (
	airKgPerM3    = 1.2
	weightKgPerM3 = 8000
)

// Buoyancy returns mass over reading of a scale that was adjusted with weights marked in
// conventional mass, for a liquid of rhoKgPerM3 in air of airKgPerM3: the air lifts fuel
// more than weights, so the reading is low.
//
//	m = I (1 - air/8000)/(1 - air/rho)
//
// OIML D 28:2004; the same factor is that of NISTIR 6969, SOP 2.
func Buoyancy(rhoKgPerM3, airKgPerM3 float64) float64 {
	return (1 - airKgPerM3/weightKgPerM3) / (1 - airKgPerM3/rhoKgPerM3)
}

// airSpread is the half width of the density of air about 1.2 kg/m3, relative, where
// pressure and temperature are not noted: weather and warmth at low altitude (estimate).
const airSpread = 0.05

// InAir returns mass over reading for a liquid of this density, and half the relative
// width within which it lies for air that nobody measured. With no density the liquid may
// be any fuel or water, 700 to 1000 kg/m3.
func InAir(d *Density) (factor, halfWidth float64) {
	if d == nil {
		light, heavy := Buoyancy(700, airKgPerM3), Buoyancy(1000, airKgPerM3)
		factor = (light + heavy) / 2
		return factor, (light-heavy)/2 + airSpread*(factor-1)
	}
	factor = Buoyancy(1000*d.GPerML, airKgPerM3)
	return factor, airSpread * (factor - 1)
}
