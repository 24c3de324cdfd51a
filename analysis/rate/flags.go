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
	c, w, b, s, sf, sd, o := l.record, l.fill, l.b, l.span, l.fit, l.sd, l.o
	add := func(code string, sev Severity, format string, a ...any) {
		f.Flags = append(f.Flags, Flag{Code: code, Severity: sev, Says: fmt.Sprintf(format, a...), Evidence: noEvidence()})
	}
	long := s.endS - s.startS
	unit := string(f.Unit)
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, k := range b {
		lo, hi = min(lo, k.y), max(hi, k.y)
	}
	T := b[len(b)-1].t - b[0].t
	atRest := 6*walkCold*math.Sqrt(T) + 8*sd // a cell at rest stays within this
	switch {
	case f.Kind == KindStill && hi-lo > atRest:
		f.Steady = false
		how := "but not as a flow moves it"
		if math.Abs(b[len(b)-1].y-b[0].y) < (hi-lo)/2 {
			how = "and comes back"
		}
		add("disturbed", Forbids, "no rate can be told: the reading moves within %s %s over %.0f s, %s; keep hands, hoses and wind off the bench and repeat",
			sig(hi-lo), unit, long, how)
	case f.Kind == KindStill:
		f.Steady = false
		add("no-flow", Forbids, "no flow shown: the reading wanders within %s %s over %.0f s, as a cell at rest does; a flow under %s %s/min could hide in it",
			sig(hi-lo), unit, long, sig(60*3*math.Hypot(sf.u, slopeDoubt(b, sd, T))), unit)
	case f.Kind == KindDrain:
		add("drain", Forbids, "the tube loses %s %s/min: it drains or leaks, this is no return flow", sig(-sf.slope*60), unit)
	}
	if f.Kind != KindStill {
		still := f.checkJumps(b, sd, add)
		f.Flags = append(f.Flags, f.judgeWithin(l, still)...)
	}
	if long < shortS-1 && f.Kind != KindStill {
		add("short", Doubt, "lasts only %.0f s: a run of 60 s or more tells more; 180 s is usual", long)
	}
	f.checkMisreads(w, add)
	f.checkGaps(w, b, add)
	f.checkFull(c, s, o, add)
	for _, find := range finders {
		f.Flags = append(f.Flags, find(l, f)...)
	}
	f.Flags = withoutExplained(f.Flags)
}

// withoutExplained leaves out flags whose cause another names.
func withoutExplained(flags []Flag) []Flag {
	var known []string
	for _, g := range flags {
		known = append(known, explains[g.Code]...)
	}
	return slices.DeleteFunc(flags, func(g Flag) bool { return slices.Contains(known, g.Code) })
}

// checkJumps looks for what changed the reading at once and for good within the fill:
// the rate counts it as flow. It returns the blocks without them, for what is asked
// of the flow itself.
func (f *Fill) checkJumps(b []block, sd float64, add func(string, Severity, string, ...any)) []block {
	typical := math.Abs(f.Rate()) / 60
	all := append(jumps(b, sd, typical), falls(b, sd, typical)...)
	if len(all) == 0 {
		return b
	}
	level := slices.Clone(b)
	big, sum := all[0], 0.0
	for _, j := range all {
		sum += j.size
		if j.size > big.size {
			big = j
		}
		by := lasting(b, j)
		for k := j.i + 1; k < len(level); k++ {
			// A block that the jump falls into goes to where it was before.
			if k < j.j {
				level[k].y = level[j.i].y
			} else {
				level[k].y -= by
			}
		}
	}
	way := "up"
	if b[big.j].y < b[big.i].y {
		way = "down"
	}
	f.Steady = false
	sev := Doubt
	if sum > unsteadyPart*math.Abs(f.Gain) {
		sev = Forbids
	}
	add("jump", sev, "the reading jumps %s, most by %s %s %s at %.0f s, and stays there: the rate counts that as flow; keep hands and hoses off, tare before the run, and repeat",
		times(len(all)), sig(big.size), f.Unit, way, b[big.j].t)
	f.Flags[len(f.Flags)-1].Evidence = Evidence{FromS: b[big.i].t, ToS: b[big.j].t, Size: b[big.j].y - b[big.i].y, U: math.NaN(), Unit: string(f.Unit), Chance: math.NaN()}
	return level
}

// sig writes a value to three significant digits, without an exponent.
func sig(x float64) string {
	if x == 0 || !finite(x) {
		return fmt.Sprintf("%g", x)
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

// plainSlope is the ordinary least-squares slope of blocks, each by its count.
func plainSlope(b []block) float64 {
	var w, tm, ym float64
	for _, k := range b {
		w += k.n
		tm += (k.t - tm) * k.n / w
		ym += (k.y - ym) * k.n / w
	}
	var stt, sty float64
	for _, k := range b {
		stt += k.n * (k.t - tm) * (k.t - tm)
		sty += k.n * (k.t - tm) * (k.y - ym)
	}
	return sty / stt
}

func (f *Fill) checkMisreads(w curve.Curve, add func(string, Severity, string, ...any)) {
	bad := w.Count(curve.Misread, curve.Limit, curve.Missing)
	if bad == 0 {
		return
	}
	part := float64(bad) / float64(len(w.Marks))
	sev := Note
	switch {
	case part >= misreadForbid:
		sev = Forbids
	case part >= misreadDoubt:
		sev = Doubt
	}
	said := "left out of the fit"
	if sev > Note {
		said += "; check the wiring, the supply and the screen of this channel"
	}
	kind := "misread"
	if w.Count(curve.Limit) > bad/2 {
		kind = "at the end of the converter's range"
	} else if w.Count(curve.Missing) > bad/2 {
		kind = "missing"
	}
	add("misreads", sev, "%d of %d values (%.2g %%) are %s: %s", bad, len(w.Marks), 100*part, kind, said)
}

func (f *Fill) checkGaps(w curve.Curve, b []block, add func(string, Severity, string, ...any)) {
	t, _ := w.Points()
	usual := medianStep(t)
	lost, longest, at, n := 0.0, 0.0, 0.0, 0
	for i := 1; i < len(t); i++ {
		// A misread or two in a row leave no gap worth the name.
		if d := t[i] - t[i-1]; d > max(5*usual, 0.25) {
			lost += d
			n++
			if d > longest {
				longest, at = d, t[i-1]
			}
		}
	}
	T := b[len(b)-1].t - b[0].t
	if lost <= gapNotePart*T {
		return
	}
	sev := Note
	if lost > gapDoubtPart*T {
		sev = Doubt
	}
	what := "a gap"
	if n > 1 {
		what = fmt.Sprintf("%d gaps", n)
	}
	add("gap", sev, "%s in the record, %.3g s of %.0f s in all, the longest %.3g s at %.0f s: the fit bridges it, what the flow did then is not known", what, lost, T, longest, at)
	f.Flags[len(f.Flags)-1].Evidence = Evidence{FromS: at, ToS: at + longest, Size: lost, U: math.NaN(), Unit: "s", Chance: math.NaN()}
}

func (f *Fill) checkFull(c curve.Curve, s span, o Options, add func(string, Severity, string, ...any)) {
	if c.CapacityML <= 0 || f.Kind != KindFill {
		return
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
		if o.Density == nil {
			return
		}
		ml /= o.Density.GPerML
	}
	switch {
	case ml > c.CapacityML:
		add("near-full", Forbids, "the tube took %.0f mL and holds %.0f mL: it has run over; use a larger tube or a shorter run", ml, c.CapacityML)
	case ml > nearFullPart*c.CapacityML:
		add("near-full", Doubt, "the tube was %.0f %% full (%.0f of %.0f mL): empty it before the next run", 100*ml/c.CapacityML, ml, c.CapacityML)
	}
}
