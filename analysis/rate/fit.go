package rate

import (
	"math"
)

// curveFit is what one stretch of values gave: its blocks, what they tell of the slope
// at each noise ratio, and the periodic parts that were taken out.
type curveFit struct {
	b        []block
	evidence *evidence
	lines    []line
	bent     bool // with the square of time
}

// Numbers of the fit's own doubts.
const (
	// A block further off than this, in standard deviations, is doubted: noise alone
	// reaches it in one block of 150,000.
	doubtSD = 4.5
	// A bend so sure is taken into the fit, so that it is not taken for a walk; noise
	// alone gives one in 16,000 fills.
	bendSD = 4.0
)

// fitCurve fits b, at least fewestValues blocks: once as it is, again with blocks far
// off doubted, and with the lines and the bend that show in what it leaves.
func fitCurve(b []block) curveFit {
	time := timeColumn(b)
	c := curveFit{b: b, evidence: evidenceOf(b, [][]float64{time})}
	columns := [][]float64{time}
	ratio := c.ratio()
	again := doubtFar(b, columns, ratio)
	if change, u := bend(b, ratio); math.Abs(change) > bendSD*u {
		columns, c.bent, again = append(columns, bendColumn(b, time)), true, true
	}
	for {
		if again {
			c.evidence = evidenceOf(b, columns)
			ratio = c.ratio()
		}
		// Each line leaves enough blocks to tell noise by.
		if len(c.lines) == mostLines || len(b) < 2*nearBins {
			return c
		}
		l, with, ok := slowLine(b, columns, ratio)
		if !ok {
			return c
		}
		c.lines, columns, again = append(c.lines, l), with, true
	}
}

// likeliest is the fit at the likeliest ratio of walk to white by the curve alone, and
// that ratio.
func (c curveFit) likeliest() (filtered, float64) {
	g := likeliest(c.evidence.alone())
	return c.evidence.fits[g], latticeRatio(c.evidence.first + g)
}

func (c curveFit) ratio() float64 {
	_, r := c.likeliest()
	return r
}

// doubtFar doubts the blocks that stand far off what the filter expects and off which
// the next ones come back: each then counts as if it stood doubtSD off. A curve that
// stays where it went has moved. It reports whether there are any.
func doubtFar(b []block, columns [][]float64, ratio float64) bool {
	any := false
	off := left(b, columns, ratio)
	scale := 0.0
	{
		abs := make([]float64, len(off))
		for i, v := range off {
			abs[i] = math.Abs(v)
		}
		scale = 1.4826 * median(abs)
	}
	if scale == 0 {
		return false
	}
	for i := 0; i+1 < len(off); i++ {
		z := off[i] / scale
		if math.Abs(z) < doubtSD || z*off[i+1] > 0 {
			continue
		}
		b[i+1].doubt = z*z/doubtSD/doubtSD - 1
		any = true
	}
	return any
}
