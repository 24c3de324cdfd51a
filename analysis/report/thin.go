package report

import (
	"math"
	"slices"
)

type point struct{ x, y float64 }

// thin cuts a curve into its unbroken stretches and thins each for a chart that
// is columns wide between x0 and x1: of every column the first, lowest, highest
// and last point stay, which draws the same pixels as all of them (U. Jugel et
// al., "M4: a visualization-oriented time series data aggregation", PVLDB 7
// (2014), 797-808). A stretch ends at a value or time that cannot be drawn, where
// time does not rise, and at a step longer than gapS (0: ten times the median
// step). The slices given are left as they are.
func thin(xs, ys []float64, gapS, x0, x1 float64, columns int) [][]point {
	if gapS <= 0 {
		gapS = 10 * medianStep(xs)
	}
	perColumn := (x1 - x0) / float64(max(columns, 1))
	column := func(x float64) int { return int(math.Floor((x - x0) / perColumn)) }

	var out [][]point
	var run []point
	var first, low, high, last point // of the column being filled
	var col, n int
	flushColumn := func() {
		if n == 0 {
			return
		}
		kept := []point{first, low, high, last}
		if high.x < low.x {
			kept[1], kept[2] = high, low
		}
		for _, p := range kept {
			if len(run) == 0 || run[len(run)-1].x < p.x {
				run = append(run, p)
			}
		}
		n = 0
	}
	flushRun := func() {
		flushColumn()
		if len(run) > 0 {
			out = append(out, run)
		}
		run = nil
	}
	for i, x := range xs {
		y := ys[i]
		if !usable(x) || !usable(y) {
			flushRun()
			continue
		}
		p := point{x, y}
		if n > 0 && (x <= last.x || x-last.x > gapS) {
			flushRun()
		}
		c := column(x)
		if n > 0 && c != col {
			flushColumn()
		}
		if n == 0 {
			first, low, high, col = p, p, p, c
		}
		if y < low.y {
			low = p
		}
		if y > high.y {
			high = p
		}
		last = p
		n++
	}
	flushRun()
	return out
}

// medianStep is the median of the rises between neighbouring times; 0 for none.
func medianStep(xs []float64) float64 {
	steps := make([]float64, 0, len(xs))
	for i := 1; i < len(xs); i++ {
		if d := xs[i] - xs[i-1]; usable(d) && d > 0 {
			steps = append(steps, d)
		}
	}
	if len(steps) == 0 {
		return 0
	}
	slices.Sort(steps)
	return steps[len(steps)/2]
}

// median of the usable values; NaN for none. The slice given is left as it is.
func median(vs []float64) float64 {
	s := make([]float64, 0, len(vs))
	for _, v := range vs {
		if usable(v) {
			s = append(s, v)
		}
	}
	if len(s) == 0 {
		return math.NaN()
	}
	slices.Sort(s)
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}
