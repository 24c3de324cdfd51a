package rate

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/dsp/fourier"

	"brimline/analysis/curve"
)

// Drops.

const (
	dropLeastG  = 0.020 // a spout of 1.9 mm radius, by surface tension
	dropMostG   = 0.060 // one of 5.6 mm
	dropsFewest = 20    // under so many the ends' parts of a drop count (common practice, no source)
	dropBins    = 8192  // by mass, at the most, three to the least drop: 55 g
	dropChance  = 1e-4  // a line that is no staircase is sorted out afterwards
	dropAliasHz = 0.3   // twice the quickest that means over 8 s leave, and the rate's own drift
	dropLines   = 3     // are looked at: a shaking engine's may be stronger than the drops'
	dropStairs  = 24.0  // power of a staircase, in units of what noise gives, that is looked for at some ten thousand heights, slopes and places: exp(-24) each
	dropClear   = 1.85  // roots of the power: of some thousand sound fills few lone lines go beyond, to 2.1, and those have little in mass
	dropInMass  = 0.8   // of a line's power in time, then
	dropSurely  = 2.6   // roots of the power, wherever the power in mass
	dropStrong  = 45.0  // power of a line of which both are weighed together: of 940 lone ones none came over 4.7, of 400 flows in drops of 43 mg two stayed under
	dropBoth    = 4.8
	dropFolded  = 1.05 // of a line's power in time, where the next holds
	dropWave    = 1.6  // of the wave that stairs have, a third of a drop, as noise lets it show
	dropFastest = 20.0 // a second: what comes quicker is a jet, of a spout of 4 mm from 70 mL/min on (a jet's Weber number of 1; estimate)
	dropFoldHz  = 0.03 // a lone line at a third of the values' rate folds onto its own second harmonic
)

// drips tells a flow that comes drop by drop: the curve is a staircase in its own mass,
// however the rate moves meanwhile. The spectrum of what the values differ from the smooth
// curve, over that curve's mass, has a line at one drop and, as a staircase has, at half of
// one; a shaking engine's line is one in time, and alone.
func (w *way) drips() (Flag, bool) {
	c := w.l.fill
	least, most := dropLeastG*w.gPer, dropMostG*w.gPer
	if w.rate/most > dropFastest {
		return Flag{}, false
	}
	// The smooth curve goes through means over six large drops or more.
	knots := blocksOf(c, c.ElapsedS[0], max(8, 6*most/w.rate))
	if len(knots) < 8 {
		return Flag{}, false
	}
	bin := least / 3
	bins := 1024
	for bins < dropBins && float64(bins)*bin < w.f.Gain {
		bins *= 2
	}
	sums := make([]float64, bins)
	sum2, n := 0.0, 0
	from := knots[0].y
	far := 5*w.sd + most
	each := func(do func(mass, left, t float64)) {
		k := 0
		for i, m := range c.Marks {
			t := c.ElapsedS[i]
			if m != curve.Used || t < knots[0].t {
				continue
			}
			for k+2 < len(knots) && t > knots[k+1].t {
				k++
			}
			p, q := knots[k], knots[k+1]
			mass := p.y + (q.y-p.y)*(t-p.t)/(q.t-p.t) - from
			if t > q.t || mass < 0 || mass >= float64(bins)*bin {
				continue
			}
			if left := c.Values[i] - from - mass; math.Abs(left) < far {
				do(mass, left, t)
			}
		}
	}
	each(func(mass, left, _ float64) {
		sums[int(mass/bin)] += left
		sum2 += left * left
		n++
	})
	if n < 200 || sum2 == 0 {
		return Flag{}, false
	}
	unit := sum2 // of power: |S|^2 of n values of noise has the mean sum2
	spectrum := fourier.NewFFT(bins).Coefficients(nil, sums)
	span := float64(bins) * bin
	// At half-steps of its frequencies: between two of them a line shows as their difference.
	power := func(half int) float64 {
		x := spectrum[half/2]
		if half%2 == 1 {
			x = (x - spectrum[half/2+1]) * (math.Pi / 4)
		}
		return (real(x)*real(x) + imag(x)*imag(x)) / unit
	}
	lo, hi := int(2*span/most), min(int(2*span/least), 2*len(spectrum)-3)
	reach := min(span, knots[len(knots)-1].y-from)
	t0, T := knots[0].t, knots[len(knots)-1].t-knots[0].t
	passed := make([]bool, hi+1)
	hz := float64(n-1) / T
	for k := lo; k <= hi; k++ {
		// Drops as often as values look like the slow wander that the smooth curve leaves.
		often := w.rate * float64(k) / 2 / span
		passed[k] = often > dropFastest || math.Abs(often-hz*math.Round(often/hz)) < dropAliasHz
	}
	for range dropLines {
		best := -1
		for k := lo; k <= hi; k++ {
			if !passed[k] && (best < 0 || power(k) > power(best)) {
				best = k
			}
		}
		if best < 0 {
			return Flag{}, false
		}
		chance := float64(hi-lo) * math.Exp(-power(best))
		if chance > dropChance {
			return Flag{}, false
		}
		// Closer, in mass and in time: is it a staircase, or a line alone?
		stairs, _, drop := treads(func(do func(x, left float64)) {
			each(func(mass, left, _ float64) { do(mass, left) })
		}, float64(best)/2/span, reach, 6)
		quarters := min(40, int(math.Ceil(4*0.01*w.rate/drop*T)))
		inTime, line, every := treads(func(do func(x, left float64)) {
			each(func(_, left, t float64) { do(t-t0, left) })
		}, w.rate/drop, T, quarters)
		if areDrops(stairs/unit, inTime/unit, line/unit, 3/every, hz) && !w.shakes(drop) && shownIn(c) < drop/2 {
			return w.dripping(drop, drop*drop/reach/2, chance), true
		}
		wide := max(4, int(0.02*float64(best)))
		for k := max(lo, best-wide); k <= min(hi, best+wide); k++ {
			passed[k] = true
		}
	}
	return Flag{}, false
}

// areDrops reports whether the powers of a staircase in mass and in time are those of drops,
// or of a line alone in time, of values hz a second; thirdHz is the staircase's third line.
func areDrops(inMass, inTime, line, thirdHz, hz float64) bool {
	// Of a lone line of power P a staircase takes P/(1 + 1/4 + 1/9), and noise adds to that by
	// some root of P.
	clear := (max(inMass, inTime) - line/(1+1./4+1./9)) / math.Sqrt(line)
	folded := math.Mod(thirdHz, hz)
	if min(folded, hz-folded) < dropFoldHz && inMass < dropFolded*line {
		return false
	}
	if max(inMass, inTime) < dropStairs {
		return false
	}
	// Where the line is strong, what it has in mass says the more.
	return clear >= dropClear && inMass >= dropInMass*line || clear >= dropSurely || line > dropStrong && clear+4*inMass/line >= dropBoth
}

// shakes reports whether a periodic part is higher than drops of that size make one.
func (w *way) shakes(drop float64) bool {
	for _, x := range w.l.lines {
		if x.amp > dropWave*drop/math.Pi {
			return true
		}
	}
	return false
}

// dripping words a flow in drops, of the curve's unit.
func (w *way) dripping(drop, u, chance float64) Flag {
	count := w.f.Gain / drop
	mg := 1000 * drop / w.gPer
	says := fmt.Sprintf("the fuel comes in drops of %.0f mg, %.1f a second", mg, w.rate/drop)
	sev, do := Note, ""
	if count < dropsFewest {
		sev, do = Doubt, fmt.Sprintf("run on until %d have come", dropsFewest)
		says += fmt.Sprintf(", and only %.0f came", count)
	}
	return Flag{codeDrip, sev, says, do, Evidence{w.f.StartS, w.f.EndS, mg, 1000 * u / w.gPer, "mg", chance}}
}

// treads looks for a staircase of about f0 steps in a unit of x, which goes from 0 to longest,
// within so many quarters of a cycle over longest of f0. It returns what the staircase and
// what a lone line takes from the sum of squares of what the values leave, in the units of
// the power of a line, and the height of the steps. A staircase of steps h less its mean line
// is (h/pi) sum sin(k theta)/k.
func treads(each func(func(x, left float64)), f0, longest float64, quarters int) (stairs, line, height float64) {
	const harmonics, chunks = 3, 48 // parts whose sums give the neighbouring frequencies
	var sum [harmonics][chunks]complex128
	each(func(at, left float64) {
		k := min(chunks-1, max(0, int(at/longest*chunks)))
		s, c := math.Sincos(2 * math.Pi * f0 * at)
		e := complex(c, -s)
		x := complex(left, 0)
		for h := range sum {
			x *= e
			sum[h][k] += x
		}
	})
	// The cell's own walk, or the flow's, turns the phase by a part of a cycle: an even change
	// of frequency takes up most of that. A line of a shaking engine has none.
	const bows, places = 9, 32
	turn := func(cycles float64) complex128 {
		s, c := math.Sincos(2 * math.Pi * cycles)
		return complex(c, -s)
	}
	var bow [bows][chunks]complex128
	var first [places][harmonics]complex128 // the place of the first step
	norm := 0.0
	for k := range chunks {
		x := (float64(k) + 0.5) / chunks
		for i := range bow {
			bow[i][k] = turn(0.8 * float64(i-bows/2) * x * (1 - x)) // 0.2 cycles more in the middle each
		}
	}
	for h := range harmonics {
		k := float64(h + 1)
		norm += 1 / k / k
		for p := range first {
			first[p][h] = turn(k*float64(p)/places) / complex(k, 0)
		}
	}
	height = 1 / f0
	var shift [chunks]complex128
	for q := -quarters; q <= quarters; q++ {
		d := float64(q) / 4 // cycles, end to end
		for k := range chunks {
			shift[k] = turn(d * (float64(k) + 0.5) / chunks)
		}
		for i := range bow {
			var total [harmonics]complex128
			for k := range chunks {
				e, turned := shift[k]*bow[i][k], complex(1, 0)
				for h := range sum {
					turned *= e
					total[h] += sum[h][k] * turned
				}
			}
			if i == bows/2 {
				line = max(line, real(total[0])*real(total[0])+imag(total[0])*imag(total[0]))
			}
			for p := range first {
				fit := 0.0
				for h, v := range total {
					fit -= imag(v * first[p][h]) // of sin(k(x + theta))/k
				}
				if w := fit * fit / norm; fit > 0 && w > stairs {
					stairs, height = w, 1/(f0+d/longest)
				}
			}
		}
	}
	return stairs, line, height
}
