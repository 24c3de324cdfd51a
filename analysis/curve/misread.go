package curve

import (
	"math"
	"slices"
)

// Limits of the misread rule. A misread stands alone: the curve goes on after it
// as if it had not been. What stays changed is a step, and real.
const (
	misreadHalf  = 8 // points looked at on each side
	misreadWide  = 2*misreadHalf + 1
	misreadScale = 10 // times the usual distance between neighbours
	misreadEnd   = 2  // so many far off at an end of the record, or at a hole, are left out too
	misreadLooks = 4
	misreadHoleS = 10.0
	misreadHoleN = 30 // usual steps; a hole is longer than both
)

// MarkMisreads marks values that stand far off the line through their neighbours
// while the curve goes on after them as before: up to half a dozen in a clump, of
// seventeen. It returns how many it marked; values keep their numbers.
//
// The line is the median of the neighbours' values after the local slope (the
// median of the neighbours' slopes) is taken out, so that a steep fill is no
// misread; the usual distance is 1.4826 times the median of all such distances.
// The method is the running-median filter of Hampel (1974), with a slope.
//
// It looks again until it finds no more, since one misread beside another hides it.
func MarkMisreads(c *Curve) int {
	all := 0
	for range misreadLooks {
		n := markMisreads(c)
		if all += n; n == 0 {
			break
		}
	}
	return all
}

func markMisreads(c *Curve) int {
	stretches := stretchesOf(c)
	n := 0
	for _, idx := range stretches {
		n += len(idx)
	}
	// The usual distance is had from about a thousand points, evenly taken.
	stride := max(1, n/1000)
	abs := make([]float64, 0, n/stride+1)
	for _, idx := range stretches {
		for k := 0; k < len(idx); k += stride {
			abs = append(abs, math.Abs(offLine(c, idx, k)))
		}
	}
	if len(abs) == 0 {
		return 0
	}
	scale := 1.4826 * medianOf(abs)
	// A balance that shows whole steps has a median distance of zero while it rests.
	if scale == 0 {
		scale = smallestStep(abs)
	}
	if scale == 0 {
		return 0
	}
	marked := 0
	for _, idx := range stretches {
		marked += markStretch(c, idx, scale)
	}
	return marked
}

// stretchesOf gives the used points between holes, where there are enough of them to
// judge by: across a hole nothing is known of neighbours.
func stretchesOf(c *Curve) [][]int {
	idx := make([]int, 0, len(c.Marks))
	for i, m := range c.Marks {
		if m == Used {
			idx = append(idx, i)
		}
	}
	if len(idx) < misreadWide {
		return nil
	}
	hole := max(misreadHoleS, misreadHoleN*usualStep(c, idx))
	var out [][]int
	from := 0
	for k := 1; k <= len(idx); k++ {
		if k < len(idx) && c.ElapsedS[idx[k]]-c.ElapsedS[idx[k-1]] <= hole {
			continue
		}
		if k-from >= misreadWide {
			out = append(out, idx[from:k])
		}
		from = k
	}
	return out
}

func markStretch(c *Curve, idx []int, scale float64) int {
	n := len(idx)
	far := make([]bool, n)
	for k := range n {
		// Where the neighbours lie close together none is far off: most of a curve.
		lo, hi := math.Inf(1), math.Inf(-1)
		a := min(max(k-misreadHalf, 0), n-misreadWide)
		for _, i := range idx[a : a+misreadWide] {
			lo, hi = min(lo, c.Values[i]), max(hi, c.Values[i])
		}
		if hi-lo > misreadScale*scale/2 {
			far[k] = math.Abs(offLine(c, idx, k)) > misreadScale*scale
		}
	}
	marked := 0
	for k := 0; k < n; k++ {
		if !far[k] {
			continue
		}
		end := k + 1
		for end < n && far[end] {
			end++
		}
		if loneClump(c, idx, k, end, scale) {
			for j := k; j < end; j++ {
				c.Marks[idx[j]] = Misread
				marked++
			}
		}
		k = end - 1
	}
	return marked
}

// offLine is the distance of used point k from the line through its neighbours.
func offLine(c *Curve, idx []int, k int) float64 {
	var slopes, levels [misreadWide]float64
	a := min(max(k-misreadHalf, 0), len(idx)-misreadWide)
	m := 0
	for j := a; j+2 < a+misreadWide; j++ {
		// Slopes over two steps: one wild value spoils two of fifteen, one up and one down.
		dt := c.ElapsedS[idx[j+2]] - c.ElapsedS[idx[j]]
		slopes[m] = (c.Values[idx[j+2]] - c.Values[idx[j]]) / dt
		m++
	}
	s := medianOf(slopes[:m])
	m = 0
	for j := a; j < a+misreadWide; j++ {
		if j == k {
			continue
		}
		levels[m] = c.Values[idx[j]] - s*(c.ElapsedS[idx[j]]-c.ElapsedS[idx[k]])
		m++
	}
	return c.Values[idx[k]] - medianOf(levels[:m])
}

// loneClump reports whether the curve after points k to end goes on where it was
// before them: then they are misreads; otherwise the curve has really moved.
func loneClump(c *Curve, idx []int, k, end int, scale float64) bool {
	if end-k > misreadHalf-1 {
		return false
	}
	before, after := idx[max(0, k-misreadHalf):k], idx[end:min(len(idx), end+misreadHalf)]
	// At an end what comes on the other side is not known: one or two values are
	// better left out than taken for a step, more stay.
	if len(before) == 0 || len(after) == 0 {
		return end-k <= misreadEnd
	}
	vals := func(part []int) float64 {
		v := make([]float64, len(part))
		for i, j := range part {
			v[i] = c.Values[j]
		}
		return medianOf(v)
	}
	// The clump must stand off both sides by more than the sides stand off each other.
	a, b := vals(before), vals(after)
	lo, hi := min(a, b), max(a, b)
	for _, j := range idx[k:end] {
		v := c.Values[j]
		if off := max(lo-v, v-hi); off < misreadScale*scale/2 || off < (hi-lo)/2 {
			return false
		}
	}
	return true
}

// usualStep is the median time between used points, from at most about a thousand.
func usualStep(c *Curve, idx []int) float64 {
	stride := max(1, len(idx)/1000)
	steps := make([]float64, 0, len(idx)/stride+1)
	for k := 1; k < len(idx); k += stride {
		steps = append(steps, c.ElapsedS[idx[k]]-c.ElapsedS[idx[k-1]])
	}
	return medianOf(steps)
}

// medianOf returns the median of v, which it reorders.
func medianOf(v []float64) float64 {
	slices.Sort(v)
	if n := len(v); n%2 == 0 {
		return (v[n/2-1] + v[n/2]) / 2
	}
	return v[len(v)/2]
}

func smallestStep(abs []float64) float64 {
	s := 0.0
	for _, v := range abs {
		if v > 0 && (s == 0 || v < s) {
			s = v
		}
	}
	return s
}
