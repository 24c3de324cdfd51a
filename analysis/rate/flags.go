package rate

import (
	"fmt"
	"math"
	"slices"

	"brimline/analysis/curve"
)

// Limits of steadiness, of the mean rate. Within a healthy run at idle the rate
// moves by 1-3 % (estimate, no source); these stand clear of it.
const (
	unsteadyPart   = 0.05 // one side of a break against the other
	unsteadyAny    = 0.10 // one part of the time against any other
	unsteadyForbid = 0.25 // beyond this there is no one rate to speak of
	parts          = 12   // of the fill's time that are looked at
)

// raise adds the flags of a fitted span.
func (f *Fill) raise(l *look) {
	for _, find := range finders {
		f.Flags = append(f.Flags, find(l, f)...)
	}
	f.Flags = withoutExplained(f.Flags)
}

// one is a flag as a list, with evidence over the fill's whole time.
func (f *Fill) one(code string, sev Severity, do, says string, a ...any) []Flag {
	e := NoEvidence()
	e.FromS, e.ToS = f.StartS, f.EndS
	return []Flag{{code, sev, fmt.Sprintf(says, a...), do, e}}
}

// findKind says of what is no fill what it is.
func findKind(l *look, f *Fill) []Flag {
	if f.Kind == KindFill {
		return nil
	}
	unit := string(f.Unit)
	if f.Kind == KindDrain {
		g := f.one("drain", Forbids, "look for a leak, a tap or a hose that sucks back", "the tube loses %s %s/min: it drains or leaks, this is no return flow", plusMinus(-f.Rate(), f.U), unit)
		g[0].Evidence.Size, g[0].Evidence.U, g[0].Evidence.Unit = f.Rate(), f.U, unit+"/min"
		g[0].Evidence.Chance = chanceOf(l.fit.slope/l.fit.u, 1)
		return g
	}
	f.Steady = false
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, k := range l.b {
		lo, hi = min(lo, k.y), max(hi, k.y)
	}
	T := l.b[len(l.b)-1].t - l.b[0].t
	long := l.span.endS - l.span.startS
	var g []Flag
	if atRest := 6*walkCold*math.Sqrt(T) + 8*l.sd; hi-lo > atRest { // a cell at rest stays within this
		how := "but not as a flow moves it"
		if math.Abs(l.b[len(l.b)-1].y-l.b[0].y) < (hi-lo)/2 {
			how = "and comes back"
		}
		g = f.one("disturbed", Forbids, "keep hands, hoses and wind off the bench and repeat",
			"no rate can be told: the reading moves within %s %s over %.0f s, %s", sig(hi-lo), unit, long, how)
	} else {
		g = f.one("no-flow", Forbids, "see that the hose is on, open and in its tube",
			"no flow shown: the reading wanders within %s %s over %.0f s, as a cell at rest does; a flow under %s %s/min could hide in it",
			sig(hi-lo), unit, long, sig(60*3*math.Hypot(l.fit.u, slopeDoubt(l.b, l.sd, T))), unit)
	}
	g[0].Evidence.Size, g[0].Evidence.Unit = hi-lo, unit
	return g
}

// findUnsteady takes steps out of the fill and judges the flow by what is left.
func findUnsteady(l *look, f *Fill) []Flag {
	flags, still := findSteps(l, f)
	if f.Kind == KindStill {
		return flags
	}
	return append(flags, f.judgeWithin(l, still)...)
}

func findShort(l *look, f *Fill) []Flag {
	long := l.span.endS - l.span.startS
	if long >= shortS-1 || f.Kind == KindStill {
		return nil
	}
	g := f.one("short", Doubt, "a run of 60 s or more tells more; 180 s is usual", "lasts only %.0f s", long)
	g[0].Evidence.Size, g[0].Evidence.Unit = long, "s"
	return g
}

// withoutExplained leaves out flags whose cause another names.
func withoutExplained(flags []Flag) []Flag {
	var known []string
	for _, g := range flags {
		known = append(known, explains[g.Code]...)
	}
	return slices.DeleteFunc(flags, func(g Flag) bool { return slices.Contains(known, g.Code) })
}

// plusMinus writes a value with the half width of its 95 % interval, to two digits of that;
// u is its standard uncertainty.
func plusMinus(x, u float64) string {
	half := Coverage95(math.Inf(1)) * u
	if !(half > 0) || !finite(half) {
		return sig(x)
	}
	places := max(0, 1-int(math.Floor(math.Log10(half))))
	return fmt.Sprintf("%.*f ± %.*f", places, x, places, half)
}

// sig writes a value to three significant digits, without an exponent.
func sig(x float64) string {
	if !finite(x) {
		return fmt.Sprint(x)
	}
	if math.Abs(x) < 1e-9 { // what rounding leaves: nothing that is shown is so small
		return "0"
	}
	places := 2 - int(math.Floor(math.Log10(math.Abs(x))))
	if places < 0 {
		pow := math.Pow(10, float64(-places))
		return fmt.Sprintf("%.0f", math.Round(x/pow)*pow)
	}
	return fmt.Sprintf("%.*f", places, x)
}

func times(n int) string {
	switch n {
	case 1:
		return "once"
	case 2:
		return "twice"
	}
	return fmt.Sprintf("%d times", n)
}

// plainSlope is the ordinary least-squares slope of blocks, each by what it is worth.
func plainSlope(b []block) float64 {
	var sum, tm, ym float64
	for _, k := range b {
		w := 1 / k.white()
		sum += w
		tm += (k.t - tm) * w / sum
		ym += (k.y - ym) * w / sum
	}
	var stt, sty float64
	for _, k := range b {
		w := 1 / k.white()
		stt += w * (k.t - tm) * (k.t - tm)
		sty += w * (k.t - tm) * (k.y - ym)
	}
	return sty / stt
}

// findMisreads counts the values that were no measurement. What stood still, was knocked,
// settled or ran into the range's end is said by its own flag, and what is missing for
// longer is a gap.
func findMisreads(l *look, f *Fill) []Flag {
	w := l.fill
	misread, missing := 0, 0
	row, longest := 0, 0 // of bad values next to each other
	from, to := math.NaN(), math.NaN()
	inHole := 0.0 // up to this time nothing was had for longer
	for i, m := range w.Marks {
		switch m {
		case curve.Misread:
			misread++
		case curve.Missing:
			if w.ElapsedS[i] <= inHole {
				continue
			}
			if end := holeEnd(w, i); end-w.ElapsedS[i] > missingS {
				inHole = end
				continue
			}
			missing++
		default:
			row = 0
			continue
		}
		row++
		longest = max(longest, row)
		if math.IsNaN(from) {
			from = w.ElapsedS[i]
		}
		to = w.ElapsedS[i]
	}
	bad := misread + missing
	if bad == 0 {
		return nil
	}
	part := float64(bad) / float64(len(w.Marks))
	if longest < misreadClump && part < misreadNote {
		return nil
	}
	are, what := "are", "misread and left out of the fit"
	if bad == 1 {
		are = "is"
	}
	if missing > misread {
		what = "missing"
	}
	g := f.one("misreads", Note, "", "%d of %d values (%s %%) %s %s", bad, len(w.Marks), figures(100*part, 2), are, what)
	if bad > 2 && part >= misreadDoubt {
		g[0].Severity = Doubt
		g[0].Do = "check the wiring, the supply and the screen of this channel"
	}
	if bad > 2 && part >= misreadForbid {
		g[0].Severity = Forbids
	}
	g[0].Evidence = sized(from, to, 100*part, "% of the values")
	return g
}

const (
	missingS = 0.25 // how long nothing may be had before it is a gap
	// Fewer misreads than one in 2,000 do the fit no harm and tell nothing of the wires: a
	// reader that is sound loses one now and then. Several in a row are worth a look all the same.
	misreadNote  = 0.0005
	misreadClump = 4
)

// holeEnd is the time of the last value in a row from i on of which nothing was had.
func holeEnd(w curve.Curve, i int) float64 {
	for i+1 < len(w.Marks) && w.Marks[i+1] == curve.Missing {
		i++
	}
	return w.ElapsedS[i]
}

// hole is a time from which there is no reading at all.
type hole struct{ fromS, toS float64 }

// holes gives the times of w in which nothing was had: neither a value nor one that was
// marked for a reason. A misread or two in a row are no hole worth the name.
func holes(w curve.Curve, usual float64) []hole {
	var out []hole
	last := math.NaN()
	least := max(5*usual, missingS)
	for i, m := range w.Marks {
		if m == curve.Missing {
			continue
		}
		if t := w.ElapsedS[i]; t-last > least {
			out = append(out, hole{last, t})
		}
		last = w.ElapsedS[i]
	}
	return out
}

func findGaps(l *look, f *Fill) []Flag {
	T := l.b[len(l.b)-1].t - l.b[0].t
	lost, n, longest := 0.0, 0, hole{}
	for _, h := range l.holes() {
		if l.restarted(h) {
			continue // said by the flag of the restart
		}
		lost += h.toS - h.fromS
		n++
		if h.toS-h.fromS > longest.toS-longest.fromS {
			longest = h
		}
	}
	if lost <= gapNotePart*T {
		return nil
	}
	what := "a gap"
	if n > 1 {
		what = fmt.Sprintf("%d gaps", n)
	}
	g := f.one("gap", Note, "", "%s in the record, %.3g s of %.0f s in all, the longest %.3g s at %.0f s; the fit bridges it, what the flow did then is not known",
		what, lost, T, longest.toS-longest.fromS, longest.fromS)
	if lost > gapDoubtPart*T {
		g[0].Severity = Doubt
		g[0].Do = "see what else the board was doing, its card and its cables, and repeat"
	}
	g[0].Evidence = sized(longest.fromS, longest.toS, lost, "s")
	return g
}

func findFull(l *look, f *Fill) []Flag {
	c, s := l.record, l.span
	if c.CapacityML <= 0 || f.Kind != KindFill {
		return nil
	}
	ml := math.NaN()
	tare := c.TareG
	if !finite(tare) {
		tare = s.levelBefore
	}
	end := c.Window(s.endS-2, s.endS+2)
	if _, y := end.Points(); len(y) > 0 && finite(tare) {
		top := math.Inf(-1)
		for _, v := range y {
			top = max(top, v)
		}
		ml = top - tare
	} else {
		ml = f.Gain
	}
	if f.Unit == curve.Gram {
		if l.o.Density == nil {
			return nil
		}
		ml /= l.o.Density.GPerML
	}
	var g []Flag
	switch {
	case ml > c.CapacityML:
		g = f.one("near-full", Forbids, "use a larger tube or a shorter run", "the tube took %.0f mL and holds %.0f mL: it has run over", ml, c.CapacityML)
	case ml > nearFullPart*c.CapacityML:
		g = f.one("near-full", Doubt, "empty it before the next run", "the tube was %.0f %% full (%.0f of %.0f mL)", 100*ml/c.CapacityML, ml, c.CapacityML)
	default:
		return nil
	}
	g[0].Evidence = sized(f.EndS, f.EndS, ml, "mL")
	return g
}
