package rate

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"brimline/analysis/curve"
)

// Run is what the channels of one run, or one record, hold together.
type Run struct {
	Results []Result // of the curves, in their order
	Errs    []error  // Errs[i] is why curve i has no result; nil where it has one
	Flags   []Flag   // of the run as a whole: what the engine or the bench did to all channels at once
}

// AnalyseRun is Analyse of the channels of one run or one record, which share their
// elapsed time. What shows on all of them at once is the engine's or the bench's, and is
// said as that: the flags that each channel raised of it give way to one, on each
// fill and on the run, which forbids nothing by itself, for the ratio of one rate to the
// others is free of what moves them all. What one of three or more does alone is said to
// be that tube's.
func AnalyseRun(curves []curve.Curve, o Options) Run {
	r := Run{Results: make([]Result, len(curves)), Errs: make([]error, len(curves))}
	for i, c := range curves {
		r.Results[i], r.Errs[i] = Analyse(c, o)
	}
	r.Flags = Together(r.Results)
	return r
}

// Together looks at what Analyse found on each channel of one run or one record, as
// AnalyseRun does, and returns the flags of the run as a whole. It changes the flags of
// the fills. It is for channels that each have options of their own.
func Together(results []Result) []Flag {
	var out []Flag
	for _, m := range collections(results) {
		out = append(out, m.shareFlow()...)
		out = append(out, m.shareMoments()...)
		out = append(out, m.shareWaves()...)
		m.startsAndEnds()
		for _, c := range m {
			c.f.Flags = withoutExplained(c.f.Flags)
		}
	}
	return out
}

// Codes of what all channels show at once.
const (
	codeEngine = "engine-moves"
	codeBench  = "bench-moves"
)

// Numbers of what is common. Where a number is a choice, its reason stands beside it.
const (
	overlapPart = 0.8  // of the usual fill's time that a fill must share to be compared within it
	alikePart   = 0.65 // of what a channel's rate does, as a sum of squares, that the others' account for; chance alone does it once in a thousand
	alikeLeast  = 0.4  // of what they do: the flow of a worn guide and that of a valve move unlike with pressure
	alikeMost   = 2.5
	momentS     = 2.0 // between channels, of one knock or one gap
)

// collection is the fills of one run, a channel's each, that overlap in time.
type collection []*collected

type collected struct {
	f *Fill
	l *look
}

// collections takes fills that overlap by half of the shorter for one run's; a channel
// has one of each.
func collections(results []Result) []collection {
	type part struct {
		channel int
		c       *collected
	}
	var all []part
	for i := range results {
		for k, l := range results[i].looks {
			if l != nil {
				all = append(all, part{i, &collected{&results[i].Fills[k], l}})
			}
		}
	}
	slices.SortStableFunc(all, func(a, b part) int { return cmp.Compare(a.c.f.StartS, b.c.f.StartS) })
	var out []collection
	used := make([]bool, len(all))
	for i, first := range all {
		if used[i] {
			continue
		}
		taken := map[int]bool{first.channel: true}
		m := collection{first.c}
		for k := i + 1; k < len(all) && all[k].c.f.StartS < first.c.f.EndS; k++ {
			g := all[k].c.f
			shared := min(g.EndS, first.c.f.EndS) - g.StartS
			if used[k] || taken[all[k].channel] || shared < min(g.EndS-g.StartS, first.c.f.EndS-first.c.f.StartS)/2 {
				continue
			}
			used[k], taken[all[k].channel] = true, true
			m = append(m, all[k].c)
		}
		if len(m) > 1 {
			out = append(out, m)
		}
	}
	return out
}

// flowing is the members in which something flows for most of the same time, and that time.
func (m collection) flowing() (fills collection, fromS, toS float64) {
	var starts, ends []float64
	for _, c := range m {
		if c.f.Kind == KindFill {
			starts, ends = append(starts, c.f.StartS), append(ends, c.f.EndS)
		}
	}
	if len(starts) == 0 {
		return nil, 0, 0
	}
	fromS, toS = median(starts), median(ends)
	usual := toS - fromS
	for _, c := range m {
		shared := min(c.f.EndS, toS) - max(c.f.StartS, fromS)
		if c.f.Kind == KindFill && shared >= overlapPart*usual {
			fills = append(fills, c)
		}
	}
	for _, c := range fills {
		fromS, toS = max(fromS, c.l.b[0].t), min(toS, c.l.b[len(c.l.b)-1].t)
	}
	return fills, fromS, toS
}

// movesFlow reports whether a flag says that the flow does not hold still, by its cause or not.
func movesFlow(code string) bool {
	return code == codeUnsteady || slices.Contains(explains[code], codeUnsteady)
}

// shareFlow looks for a movement of the flow that the channels have in common.
func (m collection) shareFlow() []Flag {
	fills, fromS, toS := m.flowing()
	if len(fills) < 2 || !(toS > fromS) {
		return nil
	}
	moves := make([][]float64, len(fills)) // of each fill's mean, in parts of the shared time
	for i, c := range fills {
		p := partRatesOf(c.l.b, fromS, toS, c.l.sd, nil)
		moves[i] = p.relative()
	}
	var common, alone []int
	for i, c := range fills {
		if !slices.ContainsFunc(c.f.Flags, func(g Flag) bool { return movesFlow(g.Code) }) {
			continue
		}
		if alike(moves[i], middle(slices.Delete(slices.Clone(moves), i, i+1))) {
			common = append(common, i)
		} else {
			alone = append(alone, i)
		}
	}
	if len(fills) > 2 && len(common) == 0 && len(alone) == 1 {
		fills[alone[0]].saysAlone(len(fills))
	}
	if len(common)+len(alone) == 0 && !slices.ContainsFunc(fills, func(c *collected) bool { return c.f.doubted() }) {
		// At a low rate no channel by itself stands clear of what its cell may do, but no
		// cell's wander is another's. What jumps or is knocked moves too: that is no flow's.
		common = together(moves)
	}
	if len(common) == 0 {
		return nil
	}
	shared := make([][]float64, len(common))
	for k, i := range common {
		shared[k] = moves[i]
		fills[i].f.Flags = slices.DeleteFunc(fills[i].f.Flags, func(g Flag) bool { return movesFlow(g.Code) })
	}
	g := engineFlag(fills, common, middle(shared), fromS, toS)
	for _, c := range fills {
		c.f.Steady = false
		c.f.Flags = append(c.f.Flags, g)
	}
	return []Flag{g}
}

// relative is how the parts' rates differ from their mean, as parts of it; NaN where
// there is none.
func (p partRates) relative() []float64 {
	mean, n := 0.0, 0.0
	for k, v := range p.slope {
		if p.have[k] {
			n++
			mean += (v - mean) / n
		}
	}
	out := make([]float64, parts)
	for k, v := range p.slope {
		out[k] = math.NaN()
		if p.have[k] && mean != 0 {
			out[k] = v/mean - 1
		}
	}
	return out
}

// middle is the median of the series, part by part; of two the mean.
func middle(series [][]float64) []float64 {
	out := make([]float64, parts)
	for k := range out {
		var v []float64
		for _, s := range series {
			if finite(s[k]) {
				v = append(v, s[k])
			}
		}
		switch slices.Sort(v); len(v) {
		case 0:
			out[k] = math.NaN()
		default:
			out[k] = (v[(len(v)-1)/2] + v[len(v)/2]) / 2
		}
	}
	return out
}

// doubted reports whether a flag says more than a note.
func (f *Fill) doubted() bool {
	return slices.ContainsFunc(f.Flags, func(g Flag) bool { return g.Severity > Note })
}

// together returns the fills, three or more and all but one in four of them, that do what the
// others do, where that is a movement that matters; none else.
func together(moves [][]float64) []int {
	var all []int
	for i, x := range moves {
		others := slices.Delete(slices.Clone(moves), i, i+1)
		if alike(x, middle(others)) {
			all = append(all, i)
		}
	}
	if len(all) < 3 || 4*len(all) < 3*len(moves) {
		return nil
	}
	lo, hi := 0.0, 0.0
	for _, v := range middle(moves) {
		if finite(v) {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	if hi-lo <= unsteadyAny {
		return nil
	}
	return all
}

// alike reports whether x does what others do.
func alike(x, others []float64) bool {
	var xx, xo, oo float64
	for k, v := range x {
		if finite(v) && finite(others[k]) {
			xx += v * v
			xo += v * others[k]
			oo += others[k] * others[k]
		}
	}
	gain := xo / oo
	return oo > 0 && xo*xo > alikePart*xx*oo && gain > alikeLeast && gain < alikeMost
}

// saysAlone adds to the flags of a flow that moves that no other does.
func (c *collected) saysAlone(of int) {
	for k := range c.f.Flags {
		if g := &c.f.Flags[k]; g.Code == codeUnsteady {
			g.Says += fmt.Sprintf(", and that of the other %d does not", of-1)
			g.Do = "it is this tube, its hose or its injector: look at hose, vent and spout, and repeat"
		}
	}
}

// engineFlag words what the flow of all does together: moved is its deviations from the mean.
func engineFlag(fills collection, common []int, moved []float64, fromS, toS float64) Flag {
	lo, hi := 0.0, 0.0
	for _, v := range moved {
		if finite(v) {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	// Its form is that of most of the channels that show it.
	var forms [movementKinds]int
	var at, size, u []float64
	for _, i := range common {
		forms[fills[i].l.moved.kind]++
	}
	form := movementKind(0)
	for k := range forms {
		if forms[k] > forms[form] {
			form = movementKind(k)
		}
	}
	for _, i := range common {
		if mv := fills[i].l.moved; mv.kind == form {
			at, size, u = append(at, mv.atS), append(size, mv.part), append(u, mv.u)
		}
	}
	all := fmt.Sprintf("the flow of all %d tubes", len(fills))
	if len(fills) == 2 {
		all = "the flow of both tubes"
	}
	g := Flag{Code: codeEngine, Severity: Doubt, Evidence: Evidence{FromS: fromS, ToS: toS, Size: 100 * (hi - lo), U: math.NaN(), Unit: percentOfMean, Chance: math.NaN()}}
	g.Do = "ratios to the others hold, the rates are of no one state: let the engine settle and repeat"
	switch form {
	case movesByStep:
		when := median(at)
		g.Evidence = Evidence{FromS: when, ToS: when, Size: 100 * median(size), U: 100 * median(u) / math.Sqrt(float64(len(u))), Unit: percentOfMean, Chance: math.NaN()}
		g.Says = fmt.Sprintf("%s goes %s by %.0f %% at about %.0f s: idle speed or rail pressure changed", all, upOrDown(g.Evidence.Size), math.Abs(g.Evidence.Size), when)
	case movesEvenly:
		g.Evidence.Size, g.Evidence.U = 100*median(size), 100*median(u)/math.Sqrt(float64(len(u)))
		g.Says = fmt.Sprintf("%s goes %s all the time, by %.0f %% over the %.0f s: the engine or its fuel warms or cools", all, upOrDown(g.Evidence.Size), math.Abs(g.Evidence.Size), toS-fromS)
	case movesByStops:
		g.Says = fmt.Sprintf("%s stops in between, together: the engine stopped or stood without load", all)
	default:
		g.Says = fmt.Sprintf("%s moves together, between %.0f and %.0f %% of its mean: the engine hunts", all, 100*(1+lo), 100*(1+hi))
	}
	if math.Abs(g.Evidence.Size) < 100*unsteadyAny {
		g.Severity = Note
	}
	return g
}

func upOrDown(x float64) string {
	if x < 0 {
		return "down"
	}
	return "up"
}

// atOnce has, for a flag of one channel that has its moment, what it is when the channels
// have it at the same moment.
var atOnce = map[string]struct{ says, do string }{
	"jump":  {"the readings of %s jump at once, at about %.0f s, and stay there: the bench was moved or leaned on", "keep hands and hoses off the bench, and repeat"},
	"knock": {"%s are knocked at once, at about %.0f s: someone or something pushed the bench", "keep off the bench while it runs"},
	"gap":   {"%s have no readings for the same time, from about %.0f s: the program or the board stood still, no tube and no plug", "look at the board's load, its card and its supply"},
}

// momentOf is the code that a flag's moment goes by: a light lean on the bench is on each
// channel like a hose that pulls.
func momentOf(code string) string {
	if code == "hose-pull" {
		return "jump"
	}
	return code
}

// shareMoments looks for what the channels show at the same moment.
func (m collection) shareMoments() []Flag {
	var out []Flag
	for _, code := range []string{"gap", "jump", "knock"} {
		type moment struct {
			c *collected
			g Flag
		}
		var at []moment
		for _, c := range m {
			for _, g := range c.f.Flags {
				if momentOf(g.Code) == code && finite(g.Evidence.FromS) {
					at = append(at, moment{c, g})
				}
			}
		}
		// Most of the channels: a light one may feel too little of a knock to show it.
		if len(at) < 2 || 3*len(at) < 2*len(m) {
			continue
		}
		var when []float64
		for _, x := range at {
			when = append(when, x.g.Evidence.FromS)
		}
		usual := median(when)
		if slices.ContainsFunc(at, func(x moment) bool { return math.Abs(x.g.Evidence.FromS-usual) > momentS }) {
			continue
		}
		all := fmt.Sprintf("all %d channels", len(m))
		switch {
		case len(at) < len(m):
			all = fmt.Sprintf("%d of %d channels", len(at), len(m))
		case len(m) == 2:
			all = "both channels"
		}
		shared := Flag{Code: codeBench, Says: fmt.Sprintf(atOnce[code].says, all, usual), Do: atOnce[code].do}
		for _, x := range at {
			g := shared
			g.Severity, g.Evidence = x.g.Severity, x.g.Evidence
			shared.Severity = max(shared.Severity, g.Severity)
			x.c.f.Flags = slices.DeleteFunc(x.c.f.Flags, func(g Flag) bool { return momentOf(g.Code) == code })
			x.c.f.Flags = append(x.c.f.Flags, g)
		}
		shared.Evidence = at[0].g.Evidence
		out = append(out, shared)
	}
	return out
}
