package rate

import (
	"math"

	"brimline/analysis/curve"
)

// look is all that the flags of one fill are judged by: the fill, the rests on either
// side of it, and what the fit left.
type look struct {
	o      Options
	record curve.Curve // the channel's whole curve, misreads marked
	span   span
	before curve.Curve // what the channel showed before the onset, back to the fill or hole before; may be empty
	fill   curve.Curve // from onset to end, less the moments that are the hose's
	after  curve.Curve // after the end, up to the next fill or hole; may be empty
	b      []block     // of fill
	fit    slopeFit
	sd     float64    // white noise of one value, unit
	moved  movement   // how the flow does not hold still; set when the flags are raised
	began  *[]restart // see restarts

	evidence                  *evidence // what the fill's values tell of its slope at each noise ratio
	blocksBefore, blocksAfter []block   // of the rests

	lines                 []line // periodic parts that the fit took out, strongest first
	restBefore, restAfter rest   // the still stretches before the onset and after the end
}

func newLook(c, fill curve.Curve, b []block, s span, sd float64, o Options) *look {
	l := &look{o: o, record: c, span: s, fill: fill, b: b, sd: sd}
	from, to := math.Inf(-1), math.Inf(1)
	if s.restFromS < s.startS {
		from = s.restFromS
	}
	if s.restToS > s.endS {
		to = s.restToS
	}
	l.before, l.after = c.Window(from, s.startS), c.Window(math.Nextafter(s.endS, math.Inf(1)), to)
	l.blocksBefore = restBlocks(c, max(from, s.startS-restMostS), s.startS-restClearS)
	l.blocksAfter = restBlocks(c, s.endS+restDripS, min(to, s.endS+restMostS))
	return l
}

// A finder looks for one thing in a fill.
type finder func(*look, *Fill) []Flag

// finders run in this order, after what the fit itself shows.
var finders = []finder{
	findKind, findUnsteady, findShort, findMisreads, findGaps, findFull,
	fuelFlags,
	findKnocks, findZeroMoves, findLines, findRestarted, findStuck, findLimit,
}

// explains has, for a flag that names a cause, the flags of the same curve that only
// say that something is wrong: they are left out beside it.
var explains = map[string][]string{
	codeVent: {codeUnsteady, "jump"}, codeDip: {codeUnsteady},
	// Stops leave steps and waves behind; what comes or sinks after the end is no zero's drift.
	codeKink: {codeUnsteady, "jump", "hose-pull", "knock", "idle-alias", "shaking"},
	codeAir:  {codeUnsteady, "jump", "hose-pull", "idle-alias", "shaking"},
	codeFoam: {codeUnsteady, "zero-moves"}, codeLeak: {"zero-moves"},
	// A staircase of drops has a wave of a third of a drop; what is higher is not taken for drops.
	codeDrip:      {"idle-alias", "shaking"},
	"lamp-pickup": {codeDrip, "idle-alias", "shaking"},
	"jump":        {"disturbed"}, "hose-pull": {"disturbed"},
	// What is missing is no flow that ended, nor a fill too short.
	"saturation": {codeEarly, codeDrip, "short"}, "stuck-code": {codeDrip}, "brown-out": {codeDrip},
}
