package rate

import (
	"cmp"
	"math"
	"slices"
)

// Numbers of the cutting. Where a number is a choice, its reason stands beside it.
const (
	cutBlocks = 600 // blocks a long stretch is cut in: 0.4 s of a four-minute run
	// Of a stream, however long: a fill of a minute has thirty.
	streamBlockS = 2.0
	cutPenalty   = 16   // in units of log n: what a further piece must save, in squared standard deviations
	stillPart    = 0.08 // a piece under this part of the typical slope is still
	pausePart    = 0.05 // a pause under this part of the fill around it does not end the fill
	pauseShortS  = 3.0  // nor does one under this: an air slug of 0.5 mL at 10 mL/min lasts 3 s
	gapBreakS    = 10.0 // a hole over this, and over gapBreakN sampling intervals, ends a fill
	gapBreakN    = 30
	// A flow that stops from over leakStopPart of what is typical to under leakMostPart, and
	// goes on so for leakTailS to the end, has stopped.
	leakMostPart = 0.35
	leakStopPart = 0.75
	leakTailS    = 10.0
	// What a sudden change is judged by on each side: longer than a knock, by enough
	// blocks for a median.
	lastingS      = 2.0
	lastingBlocks = 5
	// A staircase: at least so many steps up, and so many to one down; three in four
	// within a factor of the median one, which is at most a display's gram.
	stairSteps   = 5
	stairUpDown  = 4
	stairLike    = 1.6
	stairHighest = 1.1
)

// Drift that a cell shows with nothing flowing, as a random walk. Measured on
// 24-bit converters with bar cells: 12 counts/sqrt(s) in the first ten minutes at
// 1540 counts/g. A flow is claimed only beyond it.
const walkCold = 12.0 / 1540 // g/sqrt(s)

// piece is a stretch that one straight line describes.
type piece struct {
	i, j   int     // blocks i to j-1
	slope  float64 // unit/s
	level  float64 // at tm
	tm     float64 // mean time, s
	kind   pieceKind
	joined bool // made of pieces each too short to say
	leaks  bool // a rest in which something still comes, see leakTail
}

type pieceKind int8

const (
	still pieceKind = iota
	rising
	falling
	passing // too short to say: a dump, a knock, a hand on the tube
)

func (p piece) at(t float64) float64 { return p.level + p.slope*(t-p.tm) }

// cut describes b by straight pieces, free to jump between them, so that the sum
// of squared residuals (in units of sd) plus a penalty for each piece is least.
// The search is exact (dynamic programming over all break points, O(n^2) with
// running sums); see Jackson et al. (2005), IEEE Signal Process. Lett. 12, 105.
func cut(b []block, sd float64) []piece {
	n := len(b)
	if n == 0 {
		return nil
	}
	t0, y0 := b[0].t, b[0].y
	// Running sums; w is 1/variance.
	sw := make([]float64, n+1)
	st := make([]float64, n+1)
	sy := make([]float64, n+1)
	stt := make([]float64, n+1)
	sty := make([]float64, n+1)
	syy := make([]float64, n+1)
	for i, k := range b {
		w := k.n / (sd * sd)
		t, y := k.t-t0, k.y-y0
		sw[i+1] = sw[i] + w
		st[i+1] = st[i] + w*t
		sy[i+1] = sy[i] + w*y
		stt[i+1] = stt[i] + w*t*t
		sty[i+1] = sty[i] + w*t*y
		syy[i+1] = syy[i] + w*y*y
	}
	line := func(i, j int) (rss, slope, tm, ym float64) {
		w := sw[j] - sw[i]
		tm, ym = (st[j]-st[i])/w, (sy[j]-sy[i])/w
		cty := sty[j] - sty[i] - w*tm*ym
		ctt := stt[j] - stt[i] - w*tm*tm
		rss = syy[j] - syy[i] - w*ym*ym
		if j-i >= 2 && ctt > 0 {
			slope = cty / ctt
			rss -= cty * slope
		}
		return max(rss, 0), slope, tm, ym
	}
	penalty := cutPenalty * math.Log(float64(n)+1)
	best := make([]float64, n+1)
	from := make([]int, n+1)
	for j := 1; j <= n; j++ {
		best[j] = math.Inf(1)
		for i := range j {
			if best[i]+penalty >= best[j] {
				continue
			}
			if rss, _, _, _ := line(i, j); best[i]+penalty+rss < best[j] {
				best[j], from[j] = best[i]+penalty+rss, i
			}
		}
	}
	var pieces []piece
	for j := n; j > 0; j = from[j] {
		_, slope, tm, ym := line(from[j], j)
		pieces = append(pieces, piece{i: from[j], j: j, slope: slope, level: ym + y0, tm: tm + t0})
	}
	slices.Reverse(pieces)
	return pieces
}

// cutLong is cut in time that grows with the length of b: window by window of cutBlocks,
// each of which begins where the last piece of the one before did, which its end had cut off.
func cutLong(b []block, sd float64) []piece {
	if len(b) <= 2*cutBlocks {
		return cut(b, sd)
	}
	var out []piece
	for from := 0; from < len(b); {
		to := min(from+cutBlocks, len(b))
		pieces := cut(b[from:to], sd)
		switch n := len(pieces); {
		case to == len(b):
		case n > 1:
			pieces = pieces[:n-1]
		default: // no break as far as it goes: half of it is safe from the window's end
			pieces[0].j = cutBlocks / 2
		}
		for _, p := range pieces {
			p.i, p.j = p.i+from, p.j+from
			if n := len(out); n > 0 && oneLine(b, out[n-1], p, sd) {
				p.i = out[n-1].i
				out = out[:n-1]
			}
			out = append(out, lineOf(b, p))
		}
		from = out[len(out)-1].j
	}
	return out
}

// oneLine reports whether p and the piece q after it are described as well by one line.
func oneLine(b []block, p, q piece, sd float64) bool {
	both := lineOf(b, piece{i: p.i, j: q.j})
	return both.squares(b)-lineOf(b, p).squares(b)-lineOf(b, q).squares(b) < cutPenalty*math.Log(cutBlocks)*sd*sd
}

// lineOf is p with the line of its own blocks.
func lineOf(b []block, p piece) piece {
	w, ty, tt := 0.0, 0.0, 0.0
	p.tm, p.level, p.slope = 0, 0, 0
	for _, k := range b[p.i:p.j] {
		w += k.n
		p.tm += (k.t - p.tm) * k.n / w
		p.level += (k.y - p.level) * k.n / w
	}
	for _, k := range b[p.i:p.j] {
		ty += k.n * (k.t - p.tm) * (k.y - p.level)
		tt += k.n * (k.t - p.tm) * (k.t - p.tm)
	}
	if tt > 0 {
		p.slope = ty / tt
	}
	return p
}

// squares is the sum of squares that p's line leaves, each block by its values.
func (p piece) squares(b []block) float64 {
	sum := 0.0
	for _, k := range b[p.i:p.j] {
		d := k.y - p.at(k.t)
		sum += k.n * d * d
	}
	return sum
}

// stair returns the height of the steps where pieces are the treads of a staircase,
// else 0: drops that fall one by one (20 to 45 mg from a spout of 2 to 4 mm, by
// surface tension) or a display of whole grams. Each tread is level, and yet fuel
// flows.
func stair(b []block, pieces []piece) float64 {
	var up []float64
	down := 0
	last := -1 // the piece before, short ones passed over
	for k, q := range pieces {
		if tooShort(b, q) {
			continue
		}
		if last >= 0 {
			p := pieces[last]
			d := q.at(b[q.i].t) - p.at(b[p.j-1].t)
			if level := max(p.moved(b), q.moved(b)) < math.Abs(d)/2; level && d > 0 {
				up = append(up, d)
			} else if level {
				down++
			}
		}
		last = k
	}
	if len(up) < stairSteps || len(up) < stairUpDown*down {
		return 0
	}
	height := median(up)
	like := 0
	for _, d := range up {
		if d < stairLike*height && d > height/stairLike {
			like++
		}
	}
	// Pours by hand are higher, and of one height seldom.
	if height > stairHighest || 4*like < 3*len(up) {
		return 0
	}
	return height
}

// span is a stretch of one kind: what a Fill is fitted on.
type span struct {
	kind         pieceKind
	i, j         int     // blocks i to j-1
	startS, endS float64 // refined to where the lines cross
	pauses       int
	levelBefore  float64 // of the still piece before; NaN without one

	restBefore, restAfter bool    // it begins, or ends, where its line crosses that of a rest
	leak                  float64 // what still rises in the rest after, unit/s

	restFromS, restToS float64 // the rests around it begin and end here at the most; 0, 0: the record's ends
}

// fall is a sudden loss between neighbouring blocks: a tube emptied or touched.
type fall struct {
	i, j int // from block i to block j
	size float64
}

// falls finds sudden losses that last: more than noise makes, and more in one step
// than the typical flow brings or takes in ten. A reading that is back within
// moments was knocked or misread, and nothing was lost.
func falls(b []block, sd, typical float64) []fall {
	limit := func(dt float64) float64 { return max(12*sd, 0.5, 10*typical*dt) }
	var found, out []fall
	for i := 1; i < len(b); i++ {
		d := b[i-1].y - b[i].y
		if d < limit(b[i].t-b[i-1].t) {
			continue
		}
		if n := len(found); n > 0 && found[n-1].j == i-1 {
			found[n-1].j, found[n-1].size = i, found[n-1].size+d
		} else {
			found = append(found, fall{i - 1, i, d})
		}
	}
	for _, f := range found {
		if -lasting(b, f) >= limit(b[f.j].t-b[f.i].t) {
			out = append(out, f)
		}
	}
	return out
}

// lasting is by how much the level after f differs from that before it, each side's
// carried to the middle by its own slope; medians, so that neither the knock itself
// nor a misread beside it counts. At an end of the record it is the step itself where
// one side has few blocks, and nothing where that side is a moment only.
func lasting(b []block, f fall) float64 {
	mid := (b[f.i].t + b[f.j].t) / 2
	lo, hi := f.i+1, f.j
	for lo > 0 && (f.i+1-lo < lastingBlocks || b[f.i].t-b[lo].t < lastingS) {
		lo--
	}
	for hi < len(b) && (hi-f.j < lastingBlocks || b[hi-1].t-b[f.j].t < lastingS) {
		hi++
	}
	if f.i+1-lo < lastingBlocks || hi-f.j < lastingBlocks {
		if min(b[f.i].t-b[lo].t, b[hi-1].t-b[f.j].t) < lastingS && b[f.j].t-b[f.i].t < lastingS {
			return 0
		}
		return b[f.j].y - b[f.i].y
	}
	return levelNear(b[f.j:hi], mid) - levelNear(b[lo:f.i+1], mid)
}

// levelNear is the level of blocks at time t by a line with the median of their
// slopes (over two steps) through the median of what it leaves.
func levelNear(b []block, t float64) float64 {
	slopes := make([]float64, 0, len(b))
	for i := 2; i < len(b); i++ {
		slopes = append(slopes, (b[i].y-b[i-2].y)/(b[i].t-b[i-2].t))
	}
	slope := median(slopes)
	levels := make([]float64, 0, len(b))
	for _, k := range b {
		levels = append(levels, k.y-slope*(k.t-t))
	}
	return median(levels)
}

// median is the middle of v, the upper one of two, which it reorders.
func median(v []float64) float64 {
	slices.Sort(v)
	return v[len(v)/2]
}

// classify says of each piece whether it rises, falls, rests or is too short to
// say, and returns the pieces (short ones that rise together joined), and the
// typical slope: the one at which the median gram came or went, so that neither
// long rests nor short knocks set it.
func classify(b []block, pieces []piece, sd float64) ([]piece, float64) {
	pieces = joinShort(b, pieces, sd)
	order := make([]piece, 0, len(pieces))
	total := 0.0
	for _, p := range pieces {
		if !tooShort(b, p) {
			order = append(order, p)
			total += p.moved(b)
		}
	}
	slices.SortFunc(order, func(p, q piece) int {
		return cmp.Compare(math.Abs(p.slope), math.Abs(q.slope))
	})
	typical, sum := 0.0, 0.0
	for _, p := range order {
		sum += p.moved(b)
		typical = math.Abs(p.slope)
		if sum >= total/2 {
			break
		}
	}
	for k := range pieces {
		p := &pieces[k]
		limit := max(stillPart*typical, 3*slopeDoubt(b[p.i:p.j], sd, p.long(b)))
		switch {
		case tooShort(b, *p):
			p.kind = passing
		case p.slope > limit:
			p.kind = rising
		case p.slope < -limit:
			p.kind = falling
		default:
			p.kind = still
		}
	}
	return pieces, typical
}

// leakTail takes a rise that goes on at a small part of the flow to the end of a run for a
// rest, in which something leaks; a flow that bends over to so little does not stop at once.
func leakTail(b []block, pieces []piece, typical float64) {
	k := len(pieces)
	for k > 0 && pieces[k-1].kind != falling && (pieces[k-1].kind != rising || pieces[k-1].slope < leakMostPart*typical) {
		k--
	}
	if k == 0 || k == len(pieces) || pieces[k-1].kind != rising || pieces[k-1].slope < leakStopPart*typical ||
		b[len(b)-1].t-b[pieces[k].i].t < leakTailS {
		return
	}
	for i := k; i < len(pieces); i++ {
		if pieces[i].kind == rising {
			pieces[i].kind, pieces[i].leaks = still, true
		}
	}
}

func (p piece) long(b []block) float64  { return b[p.j-1].t - b[p.i].t }
func (p piece) moved(b []block) float64 { return math.Abs(p.slope) * p.long(b) }

func tooShort(b []block, p piece) bool { return p.j-p.i < 4 || p.long(b) < 2 }

// joinShort makes one piece of neighbouring pieces that are each too short to say,
// as of a pour by hand, unless a sudden loss lies between them.
func joinShort(b []block, pieces []piece, sd float64) []piece {
	out := make([]piece, 0, len(pieces))
	for _, p := range pieces {
		n := len(out)
		if n == 0 || !tooShort(b, p) || !tooShort(b, out[n-1]) && !out[n-1].joined || b[p.i-1].y-b[p.i].y > max(12*sd, 0.5) {
			out = append(out, p)
			continue
		}
		q := &out[n-1]
		q.j, q.joined = p.j, true
		part := b[q.i:q.j]
		q.slope = plainSlope(part)
		q.tm, q.level = 0, 0
		w := 0.0
		for _, k := range part {
			w += k.n
			q.tm += (k.t - q.tm) * k.n / w
			q.level += (k.y - q.level) * k.n / w
		}
	}
	return out
}

// slopeDoubt is the standard deviation of a slope over T that white noise of sd a
// value and a cold cell's wander alone give.
func slopeDoubt(b []block, sd, T float64) float64 {
	n := 0.0
	for _, k := range b {
		n += k.n
	}
	return math.Sqrt(12*sd*sd/(n*T*T) + 1.2*walkCold*walkCold/T)
}

// spans joins pieces to fills and drains. A fill ends at a sudden loss, and at a
// pause that is more than one.
func spans(b []block, pieces []piece, lost []fall) []span {
	var out []span
	fallIn := func(i, j int) bool {
		return slices.ContainsFunc(lost, func(f fall) bool { return f.j > i && f.j <= j })
	}
	for k := 0; k < len(pieces); k++ {
		kind := pieces[k].kind
		if kind != rising && kind != falling {
			continue
		}
		s := span{kind: kind, i: pieces[k].i}
		first, last := k, k
	grow:
		for m := k + 1; m < len(pieces); m++ {
			if fallIn(pieces[last].j-1, pieces[m].i) {
				break
			}
			switch pieces[m].kind {
			case kind:
				// What was too short to say between two rises was a knock, not a pause.
				if slices.ContainsFunc(pieces[last+1:m], func(p piece) bool { return p.kind == still }) {
					s.pauses++
				}
				last = m
			case still, passing:
				// Looks on past a pause; whether it was one shows when the flow goes on.
				pause := b[pieces[m].j-1].t - b[pieces[last].j-1].t
				if pause > max(pauseShortS, pausePart*(b[pieces[last].j-1].t-b[s.i].t)) {
					break grow
				}
			default:
				break grow
			}
		}
		k = last
		s.j = pieces[last].j
		refineEnds(b, pieces, first, last, &s)
		out = append(out, s)
	}
	return out
}

// refineEnds moves the start and end of a span to where its line crosses that of
// the rest before and after it.
func refineEnds(b []block, pieces []piece, first, last int, s *span) {
	s.startS, s.endS = b[s.i].t, b[s.j-1].t
	s.levelBefore = math.NaN()
	if first > 0 && pieces[first-1].kind == still {
		p, q := pieces[first-1], pieces[first]
		s.levelBefore, s.restBefore = p.level, true
		if t, ok := crossing(p, q, b[p.j-1].t, b[q.i].t, b[q.j-1].t-b[q.i].t); ok {
			s.startS = t
		}
	}
	if last+1 < len(pieces) && pieces[last+1].kind == still {
		p, q := pieces[last], pieces[last+1]
		s.restAfter = true
		if t, ok := crossing(p, q, b[p.j-1].t, b[q.i].t, b[p.j-1].t-b[p.i].t); ok {
			s.endS = t
			if q.leaks {
				s.leak = q.slope
			}
		}
	}
}

// crossing is where the lines of p and q meet, if that is near the boundary.
func crossing(p, q piece, endP, startQ, long float64) (float64, bool) {
	d := p.slope - q.slope
	if d == 0 {
		return 0, false
	}
	t := (q.level - q.slope*q.tm - p.level + p.slope*p.tm) / d
	slack := max(startQ-endP, 0.1*long)
	return t, t > endP-slack && t < startQ+slack
}
