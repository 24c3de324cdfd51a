package rate

// rest is what a channel shows with nothing flowing, beside a fill.
type rest struct {
	slope float64 // unit/s; NaN where the rest is shorter than restLeastS
	u     float64 // standard uncertainty by the fill's noise levels, unit/s; NaN as slope
	long  float64 // s
	n     int     // values
}
