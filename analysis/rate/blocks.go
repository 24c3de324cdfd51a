package rate

import (
	"math"
	"slices"
)

// block is the mean of the used values in one short stretch of time. All fits
// work on blocks: they keep what a rate is made of and cost little at any sample
// rate. A slow curve has one value to a block.
type block struct {
	t     float64 // mean elapsed time of its values, s
	y     float64 // mean value
	n     float64 // how many values
	long  float64 // from its first value to its last, s
	doubt float64 // by how many times its own white variance it is further doubted: a knock, a misread that stayed
}

// white is the variance of the block's mean in white variances of one value.
func (b block) white() float64 { return (1 + b.doubt) / b.n }

// between is the time from the last value of a to the first of b.
func between(a, b block) float64 { return b.t - b.long/2 - a.t - a.long/2 }

// makeBlocks means t and y (length n, t rising) over equal stretches of time so
// that at most about most blocks come out. A block never reaches over a gap: it
// holds only what falls in its own stretch.
func makeBlocks(t, y []float64, most int) []block {
	if len(t) == 0 {
		return nil
	}
	if len(t) <= most {
		b := make([]block, len(t))
		for i := range t {
			b[i] = block{t: t[i], y: y[i], n: 1}
		}
		return b
	}
	h := (t[len(t)-1] - t[0]) / float64(most)
	b := make([]block, 0, most+1)
	perS := 1 / h
	for i := 0; i < len(t); {
		// Sums from the block's first value keep their digits.
		t0, y0 := t[i], y[i]
		slot := int((t0 - t[0]) * perS)
		n, st, sy := 0, 0.0, 0.0
		for ; i < len(t) && int((t[i]-t[0])*perS) == slot; i++ {
			n++
			st += t[i] - t0
			sy += y[i] - y0
		}
		b = append(b, block{t: t0 + st/float64(n), y: y0 + sy/float64(n), n: float64(n), long: t[i-1] - t0})
	}
	return b
}

// whitePerValue estimates the standard deviation of one value's white noise from
// second differences of neighbouring blocks, which a line of any slope and a
// slow wander leave untouched: for white noise their variance is 6 sd^2/n.
// The median absolute deviation makes it blind to steps and knocks.
func whitePerValue(b []block) float64 {
	if len(b) < 4 {
		return 0
	}
	d := make([]float64, 0, len(b)-2)
	for i := 1; i+1 < len(b); i++ {
		w := (b[i].t - b[i-1].t) / (b[i+1].t - b[i-1].t)
		v := 1/b[i].n + (1-w)*(1-w)/b[i-1].n + w*w/b[i+1].n
		d = append(d, math.Abs(b[i].y-(1-w)*b[i-1].y-w*b[i+1].y)/math.Sqrt(v))
	}
	slices.Sort(d)
	if s := 1.4826 * d[len(d)/2]; s > 0 {
		return s
	}
	// Over half of the differences are zero: a display that shows whole steps.
	for _, v := range d {
		if v > 0 {
			return v / math.Sqrt(12)
		}
	}
	return 0
}
