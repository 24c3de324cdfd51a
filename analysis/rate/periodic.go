package rate

// line is one periodic part of what a fill's fit leaves: pickup, or what idle orders
// fold to at the sample rate.
type line struct {
	freqHz float64
	amp    float64 // amplitude, unit
	chance float64 // that the noise of a sound fill shows as strong a line anywhere in its spectrum
}
