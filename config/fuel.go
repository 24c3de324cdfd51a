package config

import (
	"fmt"
	"math"
)

// fuel reads [fuel]. What a law of density says of the values is for who turns grams
// into millilitres: here stands what belongs together.
func (ck *checker) fuel(top func(key string) value) Fuel {
	at := func(key string) value { return top("fuel." + key) }
	f := Fuel{Kind: ck.words(at("kind"), 60)}
	tubes, base, u, assume := at("density_g_per_ml"), at("density_15_g_per_ml"), at("density_u"), at("assume_en590")
	if tubes.raw != nil {
		f.DensityGPerML = ck.number(tubes, 0.5, 1.5, "g/mL")
	}
	if base.raw != nil {
		f.Density15GPerML = ck.number(base, 0.5, 1.5, "g/mL")
	}
	if assume.raw != nil {
		f.AssumeEN590 = ck.yesNo(assume)
	}
	given := tubes.raw != nil || base.raw != nil
	switch {
	case tubes.raw != nil && base.raw != nil:
		ck.wrong(base, "stands beside density_g_per_ml: one is the density at 15 °C, the other at the tubes' temperature", "keep the one that was measured")
	case f.AssumeEN590 && given:
		ck.wrong(assume, "stands beside a density that is known", "take one of them out")
	case f.AssumeEN590 && f.Kind != defaults["fuel.kind"]:
		ck.wrong(assume, fmt.Sprintf("is for diesel, and kind is %q", f.Kind), "measure its density, or take this out")
	}
	switch {
	case u.raw != nil:
		f.DensityU = ck.number(u, 0, 0.05, "g/mL")
		if !given {
			ck.add("fuel.density_u", shown(u.raw), "has no density to belong to", "add density_g_per_ml or take this out")
		}
	case given:
		ck.add("fuel.density_u", "", "missing: a density needs its standard uncertainty in g/mL", "a hydrometer read to 0.001 g/mL has about 0.0005")
	}
	if v := at("expansion_per_c"); v.raw != nil {
		f.ExpansionPerC = ck.number(v, 1e-5, 0.003, "per °C")
	}
	if v := at("expansion_u"); v.raw != nil {
		f.ExpansionU = ck.number(v, 0, 0.003, "per °C")
		if f.ExpansionPerC == 0 {
			ck.wrong(v, "has no expansion to belong to", "add expansion_per_c or take this out")
		}
	}
	f.TemperatureC = ck.optional(at("temperature_c"), -40, 120, "°C")
	if v := at("temperature_u"); v.raw != nil {
		f.TemperatureU = ck.number(v, 0, 20, "°C")
		if f.TemperatureC == nil {
			ck.wrong(v, "has no temperature to belong to", "add temperature_c or take this out")
		}
	}
	if v := at("state_at_c"); v.raw != nil {
		f.StateAtC = ck.number(v, 5, 100, "°C")
		if tubes.raw != nil && f.TemperatureC == nil {
			ck.wrong(v, "needs the temperature that density_g_per_ml belongs to", "add temperature_c, that of the fuel in the tubes")
		}
	}
	if (base.raw != nil || f.AssumeEN590) && f.TemperatureC == nil && f.StateAtC == 0 {
		ck.add("fuel.temperature_c", "", "missing: a density at 15 °C gives a volume in the tubes only with the temperature there", "add it, or state_at_c = 15")
	}
	if v := at("viscosity"); v.raw != nil {
		f.Viscosity = ck.viscosity(v)
	}
	return f
}

// viscosity reads two pairs of °C and mm2/s; nil for what is wrong.
func (ck *checker) viscosity(v value) [][2]float64 {
	const form = "write viscosity = [[20, 4.3], [40, 2.75]], °C and mm2/s, from the fuel's data sheet"
	rows, ok := v.raw.([]any)
	if !ok || len(rows) != 2 {
		ck.wrong(v, "must be two pairs of temperature and viscosity", form)
		return nil
	}
	var out [][2]float64
	for i, row := range rows {
		pair, ok := row.([]any)
		if !ok || len(pair) != 2 {
			ck.wrong(v, fmt.Sprintf("row %d is no pair of temperature and viscosity", i+1), form)
			return nil
		}
		var x [2]float64
		for k, raw := range pair {
			switch n := raw.(type) {
			case float64:
				x[k] = n
			case int64:
				x[k] = float64(n)
			default:
				x[k] = math.NaN()
			}
		}
		if !(x[0] >= -40 && x[0] <= 120) || !(x[1] >= 0.3 && x[1] <= 1000) {
			ck.wrong(v, fmt.Sprintf("row %d is %v °C, %v mm2/s: temperatures go from -40 to 120 °C, viscosities from 0.3 to 1000 mm2/s", i+1, x[0], x[1]), form)
			return nil
		}
		out = append(out, x)
	}
	if dT, dV := out[1][0]-out[0][0], out[1][1]-out[0][1]; math.Abs(dT) < 5 || dT*dV >= 0 {
		ck.wrong(v, "must be at temperatures 5 °C or more apart, and thinner at the warmer one", form)
		return nil
	}
	return out
}
