package curve

import (
	"math"
	"slices"
)

// Numbers of the rule for a converter that stands still.
const (
	stuckS      = 1.0 // so long, and
	stuckLeast  = 6   // so many values alike
	stuckChance = 1e-6
	// Where more neighbours than this are alike elsewhere, it is a display's steps that
	// make them so, not a converter: noise of half a step makes 0.4 of them alike.
	stuckShown = 0.2
	limitAlike = 1 // so often at least noise has touched the end of a range before it was reached

	// A converter's noise moves its last digit by several; a display's does not, and then a
	// tube at rest shows one value for minutes: noise of four digits makes one neighbour in
	// fourteen alike. What the quietest tenth of the curve shows counts, for a flow that
	// pulses, or is logged each ten seconds, moves more than the noise does.
	stuckDigits  = 4.0
	stuckWindow  = 16
	stuckQuiet   = 0.1
	stuckRise    = 8   // values before a run that rise or fall one by one, and
	stuckCatchUp = 0.5 // of what they would have brought in it comes at once after it
)

// MarkStuck marks runs of one and the same value where noise must move it: of 1 s or
// more, and so long that by how often neighbours are alike in the rest of the curve the
// chance of one is under one in a million. Noise must move it where it moves the rest of the
// curve by several of its smallest steps; where it does not, as on a balance's display, only
// a run that broke off a flow, which had gone on when the run ended, is one. A run at the highest or lowest value of the
// whole curve, which noise touched before, is one at the end of the range and is marked
// Limit. It returns how many runs it marked; values keep their numbers. A display of
// whole grams, where half of all neighbours are alike, has none.
func MarkStuck(c *Curve) int {
	u := usedOf(c)
	type run struct{ from, end int }
	var runs []run
	alike := 0 // neighbours, outside of long runs
	for k := 0; k < len(u.v); {
		end := k + 1
		for end < len(u.v) && u.v[end] == u.v[k] {
			end++
		}
		if end-k >= stuckLeast && u.t[end-1]-u.t[k] >= stuckS {
			runs = append(runs, run{k, end})
		} else {
			alike += end - k - 1
		}
		k = end
	}
	others := len(u.v)
	for _, r := range runs {
		others -= r.end - r.from
	}
	if len(runs) == 0 || others < 10*stuckLeast {
		return 0
	}
	p := (float64(alike) + 1) / float64(others+2)
	if p > stuckShown {
		return 0
	}
	lo, hi := rangeOf(u.v)
	longRun := make([]bool, len(u.v))
	for _, r := range runs {
		for k := r.from; k < r.end; k++ {
			longRun[k] = true
		}
	}
	noisy := u.quietNoise(longRun) >= stuckDigits*u.smallestDiff()
	marked := 0
	for _, r := range runs {
		chance := float64(len(u.v))
		for range min(r.end-r.from-1, 64) {
			chance *= p
		}
		if chance > stuckChance || !noisy && !u.goesOnAfter(r.from, r.end) {
			continue
		}
		mark := Stuck
		if v := u.v[r.from]; (v == lo || v == hi) && timesOf(u.v[:r.from], v)+timesOf(u.v[r.end:], v) >= limitAlike {
			mark = Limit
		}
		for k := r.from; k < r.end; k++ {
			c.Marks[u.index(k)] = mark
		}
		marked++
	}
	return marked
}

func timesOf(v []float64, x float64) int {
	n := 0
	for _, y := range v {
		if y == x {
			n++
		}
	}
	return n
}

// smallestDiff is the smallest step between neighbours that differ: of a converter one
// code, of a display its last digit.
func (u used) smallestDiff() float64 {
	least := math.Inf(1)
	for k := 1; k < len(u.v); k++ {
		if d := math.Abs(u.v[k] - u.v[k-1]); d > 0 && d < least {
			least = d
		}
	}
	return least
}

// quietNoise is the standard deviation of one value in the quietest tenth of the windows
// without left-out points, by second differences.
func (u used) quietNoise(leftOut []bool) float64 {
	var all []float64
	d := make([]float64, 0, stuckWindow)
	for from := 0; from+stuckWindow <= len(u.v); from += stuckWindow {
		d = d[:0]
		for k := from + 1; k+1 < from+stuckWindow; k++ {
			if !leftOut[k-1] && !leftOut[k] && !leftOut[k+1] {
				d = append(d, math.Abs(u.v[k-1]-2*u.v[k]+u.v[k+1]))
			}
		}
		if len(d) >= stuckWindow/2 {
			insertionSort(d)
			all = append(all, 1.4826*d[len(d)/2]/math.Sqrt(6))
		}
	}
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	return all[int(stuckQuiet*float64(len(all)))]
}

// goesOnAfter reports whether points from to end-1, all alike, break off a flow that had
// gone on by the point after them.
func (u used) goesOnAfter(from, end int) bool {
	if from <= stuckRise || end >= len(u.v) {
		return false
	}
	first := from - stuckRise
	rate := (u.v[from] - u.v[first]) / (u.t[from] - u.t[first])
	for k := first + 1; k <= from; k++ {
		if (u.v[k]-u.v[k-1])*rate <= 0 {
			return false
		}
	}
	came := (u.v[end] - u.v[from]) / (rate * (u.t[end] - u.t[from]))
	return came > stuckCatchUp && came < 1/stuckCatchUp
}
