package curve

import "math"

// Numbers of the knock rule. A knock is over at once: the curve goes on after it where it
// would have been. It lasts longer than a misread and is left out of a fit as that is.
const (
	knockBlockS = 0.1  // values are taken together over this long, by their median
	knockSlowS  = 0.26 // with fewer than about four values a second a knock is a misread
	knockSide   = 20   // blocks on each side that say where the curve would have been: 2 s
	knockLeast  = 4    // blocks that stand off; what is shorter is a misread
	knockMost   = 25   // a bottle that swings is at rest within 2.5 s (estimate)
	// A knock stands off both sides' lines by so many standard deviations of a block: the
	// lines themselves, carried over up to 2.5 s, are known to 2 of these.
	knockFar   = 6
	knockAfter = 3   // blocks left out after the last that stands off
	knockHoleS = 1.0 // nothing is known of a knock across a hole
)

// MarkKnocks marks values from the moment a tube is knocked until it is at rest again:
// values that stand off both the line of the 2 s before and the line of the 2 s after
// them, for 0.4 to 2.5 s, after a sudden beginning. It returns how many knocks it found;
// values keep their numbers. Steps and kinks, which lie on one of the lines, are none.
// Curves of fewer than four values a second are left as they are.
func MarkKnocks(c *Curve) int {
	u := usedOf(c)
	if usualStep(u.t) > knockSlowS {
		return 0
	}
	found := 0
	for _, s := range u.stretches(knockHoleS, 2*knockSide) {
		found += s.markKnocks(c)
	}
	return found
}

// taken is some values taken together: k to end-1 of a stretch.
type taken struct {
	t, y   float64
	k, end int
}

func (u used) markKnocks(c *Curve) int {
	b := u.together(knockBlockS)
	if len(b) < 2*knockSide/2+knockLeast {
		return 0
	}
	sd := blockNoise(b)
	if sd == 0 {
		return 0 // a display at rest
	}
	limit := knockFar * sd
	found := 0
	for i := knockSide / 2; i < len(b)-knockSide/2; i++ {
		// A beginning: one block far from the one before, as no slope of the curve's makes it.
		if d := b[i].y - b[i-1].y; math.Abs(d) < 0.7*limit || math.Abs(d-(b[i-1].y-b[i-2].y)) < 0.7*limit {
			continue
		}
		end := knockFrom(b, i, limit)
		if end < 0 {
			continue
		}
		found++
		for k := b[i-1].k; k < b[min(end+knockAfter, len(b))-1].end; k++ {
			c.Marks[u.index(k)] = Knocked
		}
		i = end + knockAfter
	}
	return found
}

// together takes the values of each h seconds together, by their medians.
func (u used) together(h float64) []taken {
	out := make([]taken, 0, int((u.t[len(u.t)-1]-u.t[0])/h)+2)
	var held []float64
	for k := 0; k < len(u.t); {
		end := k + 1
		for end < len(u.t) && u.t[end]-u.t[k] < h {
			end++
		}
		held = append(held[:0], u.v[k:end]...)
		insertionSort(held)
		out = append(out, taken{(u.t[k] + u.t[end-1]) / 2, (held[(len(held)-1)/2] + held[len(held)/2]) / 2, k, end})
		k = end
	}
	return out
}

// blockNoise is a block's standard deviation by second differences, blind to what stands off.
func blockNoise(b []taken) float64 {
	stride := max(1, len(b)/misreadSample)
	d := make([]float64, 0, len(b)/stride+1)
	for i := 1; i+1 < len(b); i += stride {
		d = append(d, math.Abs(b[i-1].y-2*b[i].y+b[i+1].y))
	}
	return 1.4826 * medianOf(d) / math.Sqrt(6)
}

// knockFrom returns the block after the last of a knock that begins with block i, or -1
// where there is none.
func knockFrom(b []taken, i int, limit float64) int {
	left := lineOf(b[max(0, i-1-knockSide) : i-1])
	// What follows is not over before it is back on a line of its own.
	for end := i + knockLeast; end <= min(i+knockMost, len(b)-knockSide/2); end++ {
		right := lineOf(b[end:min(len(b), end+knockSide)])
		still := true
		for _, x := range b[end : end+knockLeast] {
			still = still && math.Abs(x.y-right.at(x.t)) < limit/2
		}
		if !still {
			continue
		}
		off, last, top, sign := 0, 0.0, 0.0, 0.0
		falls := true
		for k, x := range b[i:end] {
			p, q := x.y-left.at(x.t), x.y-right.at(x.t)
			d := min(math.Abs(p), math.Abs(q))
			if p*q < 0 || d < limit {
				if k == 0 {
					return -1 // it begins at once
				}
				continue
			}
			if top = max(top, d); off > 0 {
				falls = falls && p*sign > 0 && d < 1.3*last && d > 0.2*last
			}
			off, last, sign = off+1, d, p
		}
		mid := (b[i-1].t + b[end].t) / 2
		switch moved := math.Abs(right.at(mid) - left.at(mid)); {
		case off < knockLeast || top < moved/2:
			return -1
		case b[i].end-b[i].k < 3 && !falls:
			// Few values to a block are not safe from misreads: only what dies away is a knock.
			return -1
		}
		return end
	}
	return -1
}

// line is a straight line.
type line struct{ t, y, slope float64 }

func (l line) at(t float64) float64 { return l.y + l.slope*(t-l.t) }

// lineOf is a line with the median of the slopes over half of the blocks, through the
// median of what it leaves; at least two blocks, at most knockSide count.
func lineOf(b []taken) line {
	var held [knockSide]float64
	b = b[:min(len(b), knockSide)]
	half := len(b) / 2
	for i := range half {
		held[i] = (b[i+half].y - b[i].y) / (b[i+half].t - b[i].t)
	}
	insertionSort(held[:half])
	l := line{t: b[half].t, slope: held[half/2]}
	for i, x := range b {
		held[i] = x.y - l.slope*(x.t-l.t)
	}
	insertionSort(held[:len(b)])
	l.y = held[len(b)/2]
	return l
}

// Clean marks what is no measurement of the tube's content: a converter that stands
// still, knocks, misreads. Values keep their numbers.
func Clean(c *Curve) {
	MarkStuck(c)
	MarkKnocks(c)
	MarkMisreads(c)
}
