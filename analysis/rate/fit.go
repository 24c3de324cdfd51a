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
	// So many blocks in a row may be: more have moved. A knock lasts under a second.
	doubtMost = 3
	// Further off than so many standard deviations a block tells nothing, and the square of
	// what a curve without noise leaves may have no number.
	doubtSDMost = 1e6
	// A bend so sure is taken into the fit, so that it is not taken for a walk. Noise alone
	// gives one in eighty fills, where it costs nothing: it leaves the mean slope alone.
	bendSD = 2.5
)

// fitCurve fits b, at least fewestValues blocks: once as it is, again with blocks far
// off doubted, and with the lines and the bend that show in what it leaves.
func fitCurve(b []block) curveFit {
	time := timeColumn(b)
	c := curveFit{b: b, evidence: evidenceOf(b, [][]float64{time})}
	columns := [][]float64{time}
	ratio := c.ratio()
	again := doubtFar(b, ratio)
	if again {
		// What stood far off has hidden how much of the noise is walk.
		c.evidence = evidenceOf(b, columns)
		ratio = c.ratio()
		doubtFar(b, ratio)
	}
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

// doubtFar doubts the blocks that stand far off what the filter expects of those before
// and off which the next ones come back: each then counts as if it stood one standard
// deviation off. A curve that stays where it went has moved. It reports whether any is
// doubted.
func doubtFar(b []block, ratio float64) bool {
	for k := range b {
		b[k].doubt = 0
	}
	slope := theilSlope(b)
	scale := math.Inf(1) // of one value's white noise, by what all blocks leave
	off := make([]float64, len(b)-1)
	any := false
	for range 2 {
		var l level
		l.begin(b[0], ratio)
		a, far := 0.0, 0
		for k := 1; k < len(b); k++ {
			was := l
			l.next(between(b[k-1], b[k]), b[k], ratio)
			v := b[k].y - b[0].y - slope*(b[k].t-b[0].t) - a
			off[k-1] = math.Abs(v) / math.Sqrt(l.F)
			z := min(off[k-1]/scale, doubtSDMost)
			switch {
			case z < doubtSD:
				far = 0
			case far < doubtMost:
				b[k].doubt = b[k].n*(b[k].white()+(z*z-1)*l.F) - 1
				l = was
				l.next(between(b[k-1], b[k]), b[k], ratio)
				far++
				any = true
			default:
				for ; far > 0; far-- {
					b[k-far].doubt = 0
				}
				a, l.P, l.K = a+v, b[k].white(), 0
			}
			a += l.K * v
		}
		if scale = 1.4826 * median(off); scale == 0 {
			return false
		}
	}
	return any
}

// theilSlope is the median slope of pairs half the blocks apart (Theil 1950, the
// incomplete method): a start that wild values do not spoil.
func theilSlope(b []block) float64 {
	half := len(b) / 2
	s := make([]float64, 0, len(b)-half)
	for i := range len(b) - half {
		s = append(s, (b[i+half].y-b[i].y)/(b[i+half].t-b[i].t))
	}
	return median(s)
}
