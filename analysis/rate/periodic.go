package rate

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
)

// line is one periodic part of what a fill's fit leaves: pickup, or what idle orders
// fold to at the sample rate.
type line struct {
	freqHz float64
	amp    float64 // amplitude, unit
	chance float64 // that the noise of a sound fill shows as strong a line anywhere in its spectrum
}

// Numbers of the search for lines.
const (
	mostLines  = 3    // taken into the fit
	lineChance = 1e-4 // a line is taken for one where noise shows such a line in one fill of ten thousand
	// Fewer turns than this in a fill cannot be told from a walk, or from a flow that moves.
	leastTurns = 2.0
	// The spectrum of noise is not quite flat where the flow hunts: power is judged
	// against the median of so many bins about it.
	nearBins = 61
	// So many values are looked at for fast lines: 50 s at 80 samples/s, in which a line of
	// an eighth of a value's noise shows.
	fastValues = 4096
)

// peak finds the strongest line in values (NaN where there is none) at even steps, from
// fromHz up. Power is in units of its noise, so that under noise alone it is
// exponential with mean 1; the spectrum is of least values or more, padded with zeros, and
// the chance counts every bin of it as one trial (Scargle 1982, Astrophys. J. 263, 835, with the mean of noise from the median).
func peak(values []float64, stepS, fromHz float64, least int) (line, bool) {
	size := 64
	for size < least {
		size *= 2
	}
	padded := make([]float64, size)
	mean, used := 0.0, 0.0
	for _, v := range values {
		if finite(v) {
			used++
			mean += (v - mean) / used
		}
	}
	for i, v := range values {
		if finite(v) {
			padded[i] = v - mean
		}
	}
	spectrum := fourier.NewFFT(size).Coefficients(nil, padded)
	power := padded[:len(spectrum)]
	for j, c := range spectrum {
		power[j] = real(c)*real(c) + imag(c)*imag(c)
	}
	from := max(1, int(math.Ceil(fromHz*float64(size)*stepS)))
	if used < fewestValues || from+nearBins/2 > len(power) {
		return line{}, false
	}
	all := medianPower(power[from:])
	if !(all > 0) {
		return line{}, false
	}
	best, at := 0.0, 0
	for j := from; j < len(power); j++ {
		if power[j] <= best*all {
			continue
		}
		lo := min(max(from, j-nearBins/2), len(power)-nearBins)
		near := max(all, medianPower(power[max(lo, 0):min(lo+nearBins, len(power))]))
		if p := power[j] / near; p > best {
			best, at = p, j
		}
	}
	chance := -math.Expm1(float64(len(power)-from) * math.Log1p(-math.Exp(-best)))
	// A line between two bins stands in both: what is on either side of the peak is its own.
	pad := float64(size) / float64(len(values))
	beside := int(math.Ceil(pad))
	sum := 0.0
	for _, p := range power[max(at-beside, 0):min(at+beside+1, len(power))] {
		sum += p
	}
	// And the top of a parabola through the logs of the three is where it is.
	place := float64(at)
	if at > 1 && at+1 < len(power) {
		a, b, c := math.Log(power[at-1]), math.Log(power[at]), math.Log(power[at+1])
		if d := a - 2*b + c; d < 0 {
			place += 0.5 * (a - c) / d
		}
	}
	return line{freqHz: place / float64(size) / stepS, amp: 2 * math.Sqrt(sum/pad) / used, chance: chance}, chance < lineChance
}

// medianPower is the mean of exponential noise by its median.
func medianPower(power []float64) float64 {
	p := slices.Clone(power)
	return median(p) / math.Ln2
}

// waveColumns are the sine and the cosine of a line as blocks show it: lowered by the
// mean over each block's values.
func waveColumns(b []block, freqHz float64) (sine, cosine []float64) {
	sine, cosine = make([]float64, len(b)), make([]float64, len(b))
	for k, x := range b {
		part := 1.0
		if x.n > 1 {
			step := math.Pi * freqHz * x.long / (x.n - 1)
			if s := math.Sin(step); math.Abs(s) > 1e-9 {
				part = math.Sin(x.n*step) / (x.n * s)
			}
		}
		s, c := math.Sincos(2 * math.Pi * freqHz * (x.t - b[0].t))
		sine[k], cosine[k] = part*s, part*c
	}
	return sine, cosine
}

// slowLine looks for a line in what the fit with columns leaves of the blocks, and
// returns it with its columns at the frequency at which the fit leaves least.
func slowLine(b []block, columns [][]float64, ratio float64) (line, [][]float64, bool) {
	T := b[len(b)-1].t - b[0].t
	step := T / float64(len(b)-1)
	slots := make([]float64, len(b))
	for i := range slots {
		slots[i] = math.NaN()
	}
	for k, v := range left(b, columns, ratio) {
		slots[min(int((b[k+1].t-b[0].t)/step+0.5), len(slots)-1)] = v
	}
	l, ok := peak(slots, step, leastTurns/T, 2*len(slots))
	if !ok {
		return l, nil, false
	}
	tried := slices.Clone(columns)
	rss := func(hz float64) solved {
		s, c := waveColumns(b, hz)
		tried = append(tried[:len(columns)], s, c)
		m := pass(b, tried, ratio)
		return m.solve()
	}
	// The peak is one bin of the padded spectrum wide at the most: golden section.
	a, z := max(l.freqHz-0.5/T, leastTurns/T/2), l.freqHz+0.5/T
	const golden = 0.6180339887498949
	x1, x2 := z-golden*(z-a), a+golden*(z-a)
	r1, r2 := rss(x1).rss, rss(x2).rss
	for range 20 { // to 1e-4 of the peak's width
		if r1 < r2 {
			z, x2, r2 = x2, x1, r1
			x1 = z - golden*(z-a)
			r1 = rss(x1).rss
		} else {
			a, x1, r1 = x1, x2, r2
			x2 = a + golden*(z-a)
			r2 = rss(x2).rss
		}
	}
	l.freqHz = (a + z) / 2
	s := rss(l.freqHz)
	l.amp = amplitudeOf(tried[len(columns)], tried[len(columns)+1], s.x[len(columns)], s.x[len(columns)+1])
	return l, tried, true
}

// amplitudeOf is the amplitude of a sine + b cosine as the blocks show it: near half their
// rate the two are one column, and their coefficients alone have no bound.
func amplitudeOf(sine, cosine []float64, a, b float64) float64 {
	wave, all := 0.0, 0.0
	for k := range sine {
		v := a*sine[k] + b*cosine[k]
		wave += v * v
		all += sine[k]*sine[k] + cosine[k]*cosine[k]
	}
	return math.Sqrt(2 * wave / all)
}

// fastLine looks for a line quicker than the blocks follow, in what values t and y leave
// beside the line through the blocks' means.
func fastLine(t, y []float64, b []block) (line, bool) {
	step := medianStep(t)
	blockS := (b[len(b)-1].t - b[0].t) / float64(len(b)-1)
	// From half the blocks' rate to half the values' own: nothing between them where a
	// block is a value or two.
	if blockS < 3*step {
		return line{}, false
	}
	from := 0
	if len(t) > fastValues {
		from = (len(t) - fastValues) / 2
	}
	slots := make([]float64, fastValues)
	for i := range slots {
		slots[i] = math.NaN()
	}
	end, k := 0, 0
	for i := from; i < len(t); i++ {
		slot := int((t[i]-t[from])/step + 0.5)
		if slot >= len(slots) {
			break
		}
		for k < len(b)-2 && b[k+1].t < t[i] {
			k++
		}
		slots[slot] = y[i] - b[k].y - (b[k+1].y-b[k].y)*(t[i]-b[k].t)/(b[k+1].t-b[k].t)
		end = slot + 1
	}
	return peak(slots[:end], step, 0.5/blockS, end)
}

// folds reports whether a line of the blocks is the fast one, folded at their rate.
func folds(slow, fast line, blockS, T float64) bool {
	f := fast.freqHz * blockS
	return math.Abs(math.Abs(f-math.Round(f))/blockS-slow.freqHz) < 2/T
}
