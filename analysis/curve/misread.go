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
	// So many points give the usual distance to 7 %, one standard deviation: enough for a
	// limit of ten times it.
	misreadSample = 300
	misreadHoleS  = 10.0
	misreadHoleN  = 30 // usual steps; a hole is longer than both
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
	u := usedOf(c)
	all := 0
	for range misreadLooks {
		n := u.markMisreads(c)
		if all += n; n == 0 {
			break
		}
		u = u.without(c)
	}
	return all
}

// used is the used points of a curve, in order.
type used struct {
	t, v []float64
	at   []int32 // where point k is in the curve; nil: at k + from
	from int
}

// usedOf gives the used points of c. Where they are all of it they share its slices.
func usedOf(c *Curve) used {
	n := 0
	for _, m := range c.Marks {
		if m == Used {
			n++
		}
	}
	if n == len(c.Marks) {
		return used{t: c.ElapsedS, v: c.Values}
	}
	u := used{make([]float64, 0, n), make([]float64, 0, n), make([]int32, 0, n), 0}
	for i, m := range c.Marks {
		if m == Used {
			u.t, u.v, u.at = append(u.t, c.ElapsedS[i]), append(u.v, c.Values[i]), append(u.at, int32(i))
		}
	}
	return u
}

// without leaves out what has been marked since.
func (u used) without(c *Curve) used {
	if u.at == nil {
		return usedOf(c)
	}
	n := 0
	for k, i := range u.at {
		if c.Marks[i] == Used {
			u.t[n], u.v[n], u.at[n] = u.t[k], u.v[k], i
			n++
		}
	}
	u.t, u.v, u.at = u.t[:n], u.v[:n], u.at[:n]
	return u
}

func (u used) index(k int) int {
	if u.at == nil {
		return u.from + k
	}
	return int(u.at[k])
}

func (u used) part(a, b int) used {
	p := used{t: u.t[a:b], v: u.v[a:b], from: u.from + a}
	if u.at != nil {
		p.at = u.at[a:b]
	}
	return p
}

func (u used) markMisreads(c *Curve) int {
	stretches := u.stretches(max(misreadHoleS, misreadHoleN*usualStep(u.t)), misreadWide)
	n := 0
	for _, s := range stretches {
		n += len(s.t)
	}
	// The usual distance is had from a few hundred points, evenly taken.
	stride := max(1, n/misreadSample)
	abs := make([]float64, 0, n/stride+len(stretches))
	for _, s := range stretches {
		for k := 0; k < len(s.t); k += stride {
			a := s.windowOf(k)
			abs = append(abs, math.Abs(s.offLine(a, k, s.slopeAt(a))))
		}
	}
	if len(abs) == 0 {
		return 0
	}
	scale := 1.4826 * medianOf(abs)
	// A balance that shows whole steps has a median distance of zero while it rests, or next
	// to it: each value is off by up to half a step all the same.
	if step := u.smallestDiff(); !math.IsInf(step, 1) {
		scale = max(scale, step/math.Sqrt(12))
	}
	if scale == 0 {
		return 0
	}
	marked := 0
	for _, s := range stretches {
		marked += s.mark(c, scale)
	}
	return marked
}

// stretches gives the points between holes, where there are at least fewest of them:
// across a hole nothing is known of neighbours.
func (u used) stretches(holeS float64, fewest int) []used {
	var out []used
	from := 0
	for k := 1; k <= len(u.t); k++ {
		if k < len(u.t) && u.t[k]-u.t[k-1] <= holeS {
			continue
		}
		if k-from >= fewest {
			out = append(out, u.part(from, k))
		}
		from = k
	}
	return out
}

// mark marks the clumps of a stretch that stand alone.
func (u used) mark(c *Curve, scale float64) int {
	far := u.far(scale)
	marked := 0
	for i := 0; i < len(far); {
		j := i + 1
		for j < len(far) && far[j] == far[j-1]+1 {
			j++
		}
		if k, end := int(far[i]), int(far[j-1])+1; u.loneClump(k, end, scale) {
			for ; k < end; k++ {
				c.Marks[u.index(k)] = Misread
				marked++
			}
		}
		i = j
	}
	return marked
}

// far gives the points that stand far off the line through their neighbours. Most are
// settled by the range of the values around them, most of the rest (on a steep fill) by
// counting the neighbours whose level is near, which needs no sorting.
func (u used) far(scale float64) []int32 {
	var out []int32
	n := len(u.t)
	limit := misreadScale * scale
	var slopes slidingSlopes
	for from := 0; from < n; from += misreadWide {
		to := min(from+misreadWide, n)
		if lo, hi := rangeOf(u.v[u.windowOf(from) : u.windowOf(to-1)+misreadWide]); hi-lo <= limit/2 {
			continue
		}
		for k := from; k < to; k++ {
			// Where the neighbours lie close together none is far off: most of a curve.
			a := u.windowOf(k)
			if lo, hi := rangeOf(u.v[a : a+misreadWide]); hi-lo <= limit/2 {
				continue
			}
			s := slopes.at(u, a)
			if !u.nearMost(a, k, s, limit) && math.Abs(u.offLine(a, k, s)) > limit {
				out = append(out, int32(k))
			}
		}
	}
	return out
}

func rangeOf(v []float64) (lo, hi float64) {
	lo, hi = v[0], v[0]
	for _, x := range v {
		if x < lo {
			lo = x
		} else if x > hi {
			hi = x
		}
	}
	return lo, hi
}

// windowOf is where the neighbours of point k begin.
func (u used) windowOf(k int) int { return min(max(k-misreadHalf, 0), len(u.t)-misreadWide) }

// slope is that from point j over two steps: one wild value spoils two of fifteen, one up
// and one down.
func (u used) slope(j int) float64 { return (u.v[j+2] - u.v[j]) / (u.t[j+2] - u.t[j]) }

const slopesWide = misreadWide - 2

// slopeAt is the median slope of the window from a.
func (u used) slopeAt(a int) float64 {
	var s slidingSlopes
	return s.at(u, a)
}

// slidingSlopes keeps a window's slopes in order while it goes along a stretch.
type slidingSlopes struct {
	from   int // the window that it holds, plus 1; 0: none
	sorted [slopesWide]float64
}

func (s *slidingSlopes) at(u used, a int) float64 {
	switch {
	case s.from == a+1:
	case s.from == a && a > 0:
		s.replace(u.slope(a-1), u.slope(a-1+slopesWide))
	default:
		for j := range s.sorted {
			s.sorted[j] = u.slope(a + j)
		}
		insertionSort(s.sorted[:])
	}
	s.from = a + 1
	return s.sorted[slopesWide/2]
}

// replace puts a slope in another's place.
func (s *slidingSlopes) replace(old, new float64) {
	k := 0
	for k < slopesWide-1 && s.sorted[k] != old {
		k++
	}
	for ; k > 0 && s.sorted[k-1] > new; k-- {
		s.sorted[k] = s.sorted[k-1]
	}
	for ; k < slopesWide-1 && s.sorted[k+1] < new; k++ {
		s.sorted[k] = s.sorted[k+1]
	}
	s.sorted[k] = new
}

// nearMost reports whether so many neighbours' levels lie within limit of point k, from
// either side, that their median does.
func (u used) nearMost(a, k int, slope, limit float64) bool {
	above, below := 0, 0
	v, t := u.v[k], u.t[k]
	for j := a; j < a+misreadWide; j++ {
		off := v - (u.v[j] - slope*(u.t[j]-t))
		if off <= limit {
			above++
		}
		if off >= -limit {
			below++
		}
	}
	// The point itself is counted in both.
	return min(above, below) >= misreadHalf+2
}

// offLine is the distance of point k from the line through its neighbours, those of the
// window from a, with their slope.
func (u used) offLine(a, k int, slope float64) float64 {
	var levels [misreadWide]float64
	m := 0
	for j := a; j < a+misreadWide; j++ {
		if j == k {
			continue
		}
		levels[m] = u.v[j] - slope*(u.t[j]-u.t[k])
		m++
	}
	insertionSort(levels[:m])
	return u.v[k] - (levels[m/2-1]+levels[m/2])/2
}

// insertionSort is the fastest there is for a dozen values.
func insertionSort(v []float64) {
	for i := 1; i < len(v); i++ {
		x := v[i]
		j := i
		for ; j > 0 && v[j-1] > x; j-- {
			v[j] = v[j-1]
		}
		v[j] = x
	}
}

// loneClump reports whether the curve after points k to end goes on where it was
// before them: then they are misreads; otherwise the curve has really moved.
func (u used) loneClump(k, end int, scale float64) bool {
	if end-k > misreadHalf-1 {
		return false
	}
	before, after := u.v[max(0, k-misreadHalf):k], u.v[end:min(len(u.v), end+misreadHalf)]
	// At an end what comes on the other side is not known: one or two values are
	// better left out than taken for a step, more stay.
	if len(before) == 0 || len(after) == 0 {
		return end-k <= misreadEnd
	}
	var held [misreadHalf]float64
	medianIn := func(part []float64) float64 {
		v := held[:copy(held[:], part)]
		return medianOf(v)
	}
	// The clump must stand off both sides by more than the sides stand off each other.
	a, b := medianIn(before), medianIn(after)
	lo, hi := min(a, b), max(a, b)
	for _, v := range u.v[k:end] {
		if off := max(lo-v, v-hi); off < misreadScale*scale/2 || off < (hi-lo)/2 {
			return false
		}
	}
	return true
}

// usualStep is the median time between points, from at most some hundreds.
func usualStep(t []float64) float64 {
	if len(t) < 2 {
		return 0
	}
	stride := max(1, len(t)/misreadSample)
	steps := make([]float64, 0, len(t)/stride+1)
	for k := 1; k < len(t); k += stride {
		steps = append(steps, t[k]-t[k-1])
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
