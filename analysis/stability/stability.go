// Package stability says how steady a channel at rest is: its white noise, the Allan
// deviation of its readings over an averaging time, and its drift. It sees plain
// numbers, evenly spaced; Even makes them of readings with holes.
//
//	x, tau0, err := stability.Even(elapsedS, counts)
//	dev, n := stability.Overlapping(x, int(math.Round(10/tau0))) // of 10 s
//
// The readings of a cell stand where the handbook has fractional frequencies: the
// Allan deviation at tau is how much two neighbouring averages over tau differ, over
// √2. Falling with 1/√tau it is white noise, which averaging mends; level or rising it
// is wander and drift, which averaging does not.
//
// A value that is not there is NaN. An average counts if nine tenths of its values
// are there.
//
// Source: W. J. Riley, Handbook of Frequency Stability Analysis, NIST Special
// Publication 1065 (2008), equations 7 (plain) and 9 (overlapping); its test suites
// are among the tests.
package stability

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// MostValues bounds what Even makes: over 13 hours at 80 a second.
const MostValues = 4 << 20

// leastThere is the share of an average's values that must be there.
const leastThere = 0.9

// Even puts readings at elapsed times into a series of even steps of tau0S seconds,
// NaN where there was none. The step is the median distance of neighbours; each
// reading stands as many steps after the one before as its distance comes nearest to,
// but at least one, so that a converter whose rate wanders makes no holes.
//
// elapsedS and values have the same length, at least two, and elapsedS rises.
func Even(elapsedS, values []float64) (series []float64, tau0S float64, err error) {
	n := len(elapsedS)
	if n != len(values) || n < 2 {
		return nil, 0, fmt.Errorf("even series: %d times and %d values: give as many of each, at least two", n, len(values))
	}
	steps := make([]float64, n-1)
	for i := range steps {
		steps[i] = elapsedS[i+1] - elapsedS[i]
		if !(steps[i] > 0) || math.IsInf(steps[i], 0) {
			return nil, 0, fmt.Errorf("even series: time %d is %g s and the next %g s: times must rise", i, elapsedS[i], elapsedS[i+1])
		}
	}
	sorted := slices.Clone(steps)
	slices.Sort(sorted)
	tau0S = sorted[len(sorted)/2]
	if span := (elapsedS[n-1] - elapsedS[0]) / tau0S; span > MostValues {
		return nil, 0, fmt.Errorf("even series: %.3g steps of %g s, the limit is %d: give a shorter stretch", span, tau0S, MostValues)
	}
	series = append(make([]float64, 0, n), values[0])
	for i, d := range steps {
		for range int(math.Round(d/tau0S)) - 1 {
			series = append(series, math.NaN())
		}
		series = append(series, values[i+1])
	}
	return series, tau0S, nil
}

// Plain returns the Allan deviation of averages over m values, each value in one
// average, and how many pairs of neighbours it rests on. NaN if there is none, or m
// is below 1.
func Plain(x []float64, m int) (dev float64, pairs int) {
	if m < 1 {
		return math.NaN(), 0
	}
	sum := 0.0
	before := math.NaN()
	for i := 0; i+m <= len(x); i += m {
		a := mean(x[i : i+m])
		if d := a - before; !math.IsNaN(d) {
			sum += d * d
			pairs++
		}
		before = a
	}
	return math.Sqrt(sum / (2 * float64(pairs))), pairs // 0/0 is NaN
}

func mean(x []float64) float64 {
	var s window
	for _, v := range x {
		s.add(v, 1)
	}
	return s.mean(len(x))
}

// window is a sum that values enter and leave.
type window struct {
	sum float64
	n   int
}

func (w *window) add(v, sign float64) {
	if !math.IsNaN(v) {
		w.sum += sign * v
		w.n += int(sign)
	}
}

func (w *window) mean(m int) float64 {
	if w.n < 1 || float64(w.n) < leastThere*float64(m) {
		return math.NaN()
	}
	return w.sum / float64(w.n)
}

// Overlapping is Plain with averages that begin at every value, which uses the data
// better: the usual choice.
func Overlapping(x []float64, m int) (dev float64, pairs int) {
	if m < 1 || len(x) < 2*m {
		return math.NaN(), 0
	}
	// Sums of values near zero keep their digits.
	x = slices.Clone(x)
	centre := mean(x)
	if math.IsNaN(centre) { // more than a tenth missing: any value will do
		for _, v := range x {
			if !math.IsNaN(v) {
				centre = v
				break
			}
		}
	}
	for i := range x {
		x[i] -= centre
	}
	var left, right window
	for i := range m {
		left.add(x[i], 1)
		right.add(x[m+i], 1)
	}
	sum := 0.0
	for i := 0; ; i++ {
		if d := right.mean(m) - left.mean(m); !math.IsNaN(d) {
			sum += d * d
			pairs++
		}
		if i+2*m >= len(x) {
			break
		}
		left.add(x[i], -1)
		left.add(x[i+m], 1)
		right.add(x[i+m], -1)
		right.add(x[i+2*m], 1)
	}
	return math.Sqrt(sum / (2 * float64(pairs))), pairs
}

// White returns the standard deviation of the white noise of x: from the median of
// |x(i) - 2x(i-1) + x(i-2)|, whose standard deviation is √6 times the noise's, so that
// neither drift and flow nor a few knocks count. NaN if three values in a row are
// nowhere.
func White(x []float64) float64 {
	var d []float64
	for i := 2; i < len(x); i++ {
		if v := math.Abs(x[i] - 2*x[i-1] + x[i-2]); !math.IsNaN(v) {
			d = append(d, v)
		}
	}
	if len(d) == 0 {
		return math.NaN()
	}
	slices.Sort(d)
	median := (d[(len(d)-1)/2] + d[len(d)/2]) / 2
	return median / (0.674490 * math.Sqrt(6)) // the normal's upper quartile
}

// wanderSafety is set so that intervals of ±2u hold the drift in nine records of ten
// where white noise and a walk are alike in weight, which is where it is hardest.
const wanderSafety = 1.5

// ErrShort is for series too short to tell.
var ErrShort = errors.New("too few values")

// Drift returns the slope of the least-squares line through x, per second, and its
// standard uncertainty under white noise and a random walk:
//
//	u² = 12 s²/(n³ tau0²) + 6 q²/(5 T)
//
// for n values over T = n tau0, white noise s and a walk of q per √s. s is White; q is
// taken from the Allan deviation of what the line leaves, at a tenth of T: AVAR =
// s² tau0/tau + q² tau/3, taken as half as large again, for a record of ten such
// lengths does not know it better than to a third and the line has taken some of it
// away. So u errs to the wide side where there is no walk. The second term is the variance of
// such a slope over a random walk, ∫ (6/T³ · t(T-t))² q² dt.
//
// x has at least 20 values that are there.
func Drift(x []float64, tau0S float64) (perS, u float64, err error) {
	var n, sx, sy, sxx, sxy float64
	for i, v := range x {
		if math.IsNaN(v) {
			continue
		}
		t := float64(i)
		n, sx, sy, sxx, sxy = n+1, sx+t, sy+v, sxx+t*t, sxy+t*v
	}
	if n < 20 {
		return 0, 0, fmt.Errorf("drift: %g values, at least 20 are needed: %w", n, ErrShort)
	}
	slope := (n*sxy - sx*sy) / (n*sxx - sx*sx)
	left := make([]float64, len(x))
	for i, v := range x {
		left[i] = v - slope*float64(i)
	}
	s := White(x)
	if math.IsNaN(s) {
		return 0, 0, fmt.Errorf("drift: no three values in a row: %w", ErrShort)
	}
	m := max(1, len(x)/10)
	q2 := 0.0
	if dev, pairs := Overlapping(left, m); pairs > 0 {
		tau := float64(m) * tau0S
		q2 = max(0, 3/tau*(wanderSafety*dev*dev-s*s*tau0S/tau))
	}
	T := float64(len(x)) * tau0S
	u2 := 12*s*s/(n*T*T) + 6*q2/(5*T)
	return slope / tau0S, math.Sqrt(u2), nil
}
