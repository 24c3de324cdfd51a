package rate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"brimline/analysis/curve"
)

// What faults of cell, wires and converter are told by, and from which size they are seen
// in 99 of 100 fills of 180 s with 120 s of rest after, on a cell of 2147 counts/g with a
// warm walk of 2 counts a root second and noise of 150 counts at 80 or 60 at 10 values/s:
//
//	code         fault                         seen from
//	hose-pull    a step that stays             0.1 g (1 mN); over 2 g it is a jump
//	knock        a spike that is soon gone     2 g at 80 values/s, 5 g at 10 (under that a misread)
//	zero-moves   heat, creep after the flow    0.045 g/min: 35 degC of heat, or 2.5 % of a load of 25 g
//	lamp-pickup  a wave with and without flow  30 mg (60 counts)
//	idle-alias   one with the flow, slow rate  15 mg
//	misreads     spoiled reads                 0.05 % of the values, or four in a row
//	gap          no readings                   1 % of the fill's time
//	stuck-code   one and the same value        1 s
//	saturation   the end of the range          one value
//	brown-out    without supply                0.1 s where values settle, 0.15 s by the transient alone
//
// Numbers of the flags of cell, wires and converter. Where a number is a choice, its
// reason stands beside it.
const (
	// A step is claimed beyond so many standard deviations: of 360 places in a fill one in
	// a million fills shows as much by white noise and a walk, which leaves room for a
	// flow that hunts and is no walk.
	stepLimit  = 6.0
	stepLeast  = 0.06 // unit; a drop from the spout weighs 0.02 to 0.045 g
	pullMost   = 2.0  // unit; a hose pulls by a few mN, 0.1 g each: more is a hand, a tare or a tube
	shownAlike = 0.2  // more neighbours alike than this: a display that shows whole steps
	shownOff   = 0.02 // of a step: a multiple of it, as decimals and calibration lines leave it; one value in 25 is by chance
	shownWhole = 0.95

	// The zero moves after the flow by more than its noise and the drift that every cell has
	// (zeroDriftGPH, which the budget holds) show together in one sound fill of five hundred:
	// with 3.4, one of 1500, three in a hundred cells that are warmed by 40 degC went unseen at
	// 10 values/s. Of 4500 sound fills three carried it with 3.0.
	zeroLimit = 3.1
	zeroRestS = 40.0 // a rest shorter than this shows nothing under the walk of a warm cell
	// Heat and creep move a zero by less than this part of the rate (creep of 5 % of the load
	// in half an hour by 1.4 %); a tube that goes on filling, by more (leakLeast).
	zeroMost = 1.5 * leakLeast
	warmWalk = 2.0 / 2147 // unit/sqrt(s): a warm cell's, measured; a rest is too short to show less

	// Idle shakes a healthy bench by 10 mg at most, and a staircase of drops of 45 mg has a
	// wave of 14: what is lower is not worth a word.
	lineLeast  = 0.015 // unit
	restValues = 2048  // of a rest are looked at for a line: 25 s at 80 values/s show one of 15 mg
	lineTurns  = 5.0   // of a line in a rest, to tell whether it is there too
	lineStays  = 0.5   // of its amplitude is there: it has nothing to do with the engine
	slowRate   = 40.0  // values/s; under it orders of idle fold
	// A wave this slow is like a flow that moves: only of a slow record, where orders of idle
	// fold, is one that is so sure and not slower than slowestHz said to be none.
	slowWaveHz  = 0.5
	slowestHz   = 0.03
	slowChance  = 1e-9
	idleLowRPM  = 500.0
	idleHighRPM = 1100.0

	resetS       = 0.8 // from a read that was broken off to the first conversion after it: 0.4 s at 10 values/s
	restartS     = 2.0 // what settles at a record's beginning is its own power-on
	restartTau   = 0.2 // s, of a converter's power-on transient (measured on 24-bit converters)
	restartAfter = 2.5 // s after a hole in which it is looked for
	restartGapS  = 0.15
	restartLimit = 6.0
)

// findSteps says of steps within the fill: the rate counts them as flow. It returns the
// blocks without them, for what is asked of the flow itself.
func findSteps(l *look, f *Fill) ([]Flag, []block) {
	found, level := shocks(l.b, likeliestRatio(l.b), stepLimit)
	found = slices.DeleteFunc(found, func(s shock) bool { return math.Abs(s.size) < stepLeast })
	if len(found) == 0 || shownIn(l.fill) > 0.4*math.Abs(largest(found).size) {
		return nil, l.b
	}
	level = slices.DeleteFunc(level, func(k block) bool { return k.n <= asideN })
	big, bias := largest(found), 0.0
	for _, s := range found {
		bias += s.bias * 60
	}
	at := (l.b[big.at-1].t + l.b[big.at].t) / 2
	way := "up"
	if big.size < 0 {
		way = "down"
	}
	share := 100 * math.Abs(bias/f.Rate())
	g := Flag{Code: "hose-pull", Severity: Note, Evidence: Evidence{FromS: l.b[big.at-1].t, ToS: l.b[big.at].t, Size: big.size, U: big.u, Unit: string(f.Unit),
		Chance: chanceOf(big.z, len(l.b))}}
	most := ""
	if len(found) > 1 {
		most = fmt.Sprintf("%s, most ", times(len(found)))
	}
	g.Says = fmt.Sprintf("the reading steps %s by %s %s %sat %.0f s and stays there, as when a hose pulls or is touched; the rate takes that for %s %s/min of flow (%s %% of the rate)",
		way, sig(math.Abs(big.size)), f.Unit, most, at, sig(math.Abs(bias)), f.Unit, figures(share, 2))
	g.Do = "let the hose hang free and keep off it, and repeat"
	if math.Abs(big.size) > pullMost {
		g.Code = "jump"
		once := times(len(found))
		if len(found) > 1 {
			once += ", most"
		}
		g.Says = fmt.Sprintf("the reading jumps %s by %s %s %s at %.0f s, and stays there; the rate takes that for %s %s/min of flow (%s %% of the rate)",
			once, sig(math.Abs(big.size)), f.Unit, way, at, sig(math.Abs(bias)), f.Unit, figures(share, 2))
		g.Do = "keep hands and hoses off, tare before the run, and repeat"
	}
	if f.Kind == KindStill {
		// With the step in it no flow could be told.
		share = math.Inf(1)
		g.Says, _, _ = strings.Cut(g.Says, "; the rate")
	}
	switch {
	case share > 100*unsteadyPart:
		g.Severity, f.Steady = Forbids, false
	case math.Abs(bias) > f.U:
		g.Severity, f.Steady = Doubt, false
	}
	return []Flag{g}, level
}

func largest(found []shock) shock {
	return slices.MaxFunc(found, func(a, b shock) int {
		if math.Abs(a.size) < math.Abs(b.size) {
			return -1
		}
		return 1
	})
}

// shownIn is the step of a display that shows whole steps: neighbours are often alike, or
// all differ by multiples of it. It is 0 for values that noise moves freely; a converter's
// is its code.
func shownIn(w curve.Curve) float64 {
	alike, n, least := 0, 0, math.Inf(1)
	each := func(do func(d float64)) {
		last := math.NaN()
		for i, m := range w.Marks {
			if m != curve.Used {
				continue
			}
			if d := math.Abs(w.Values[i] - last); d >= 0 {
				do(d)
			}
			last = w.Values[i]
		}
	}
	each(func(d float64) {
		n++
		if d == 0 {
			alike++
		} else {
			least = min(least, d)
		}
	})
	if !finite(least) {
		return 0
	}
	if float64(alike) > shownAlike*float64(n) {
		return least
	}
	whole, other := 0, 0 // multiples, and those above one
	each(func(d float64) {
		k := math.Round(d / least)
		if math.Abs(d/least-k) < shownOff {
			whole++
			if k > 1 {
				other++
			}
		}
	})
	// Values that a flow alone moves are all of one step and its like.
	if float64(whole) > shownWhole*float64(n) && other > n/20 {
		return least
	}
	return 0
}

// findKnocks says of knocks, which the fit leaves out.
func findKnocks(l *look, f *Fill) []Flag {
	w := l.fill
	// Of the largest: its size, when it was largest, and from when to when it lasted.
	n, size, at, began, ended := 0, 0.0, math.NaN(), math.NaN(), math.NaN()
	for i := 0; i < len(w.Marks); i++ {
		if w.Marks[i] != curve.Knocked {
			continue
		}
		from := i
		for i+1 < len(w.Marks) && w.Marks[i+1] == curve.Knocked {
			i++
		}
		n++
		start := levelAt(l.b, l.fit.slope, w.ElapsedS[from])
		if from > 0 && finite(w.Values[from-1]) {
			start = w.Values[from-1]
		}
		for k := from; k <= i; k++ {
			if d := w.Values[k] - start; math.Abs(d) > math.Abs(size) || math.IsNaN(at) {
				size, at, began, ended = d, w.ElapsedS[k], w.ElapsedS[from], w.ElapsedS[i]
			}
		}
	}
	if n == 0 {
		return nil
	}
	once := times(n)
	if n > 1 {
		once += ", most"
	}
	return []Flag{{Code: "knock", Severity: Note,
		Says:     fmt.Sprintf("the tube was knocked %s at %.0f s, by %s %s; it was at rest again after %.1f s, and the fit leaves that out", once, at, sig(math.Abs(size)), f.Unit, ended-began),
		Evidence: sized(began, ended, size, string(f.Unit))}}
}

// findZeroMoves looks at the rest after the flow: a zero that goes on moving has moved
// during the flow too. Heat (two lags of minutes) and creep (one of ten) bend so slowly
// that a warm cell's walk hides in which way, even in a rest of 25 min: the one flag names
// both.
func findZeroMoves(l *look, f *Fill) []Flag {
	b := l.blocksAfter
	if f.Kind != KindFill || len(b) < shockLeast || b[len(b)-1].t-b[0].t < zeroRestS {
		return nil
	}
	ratio := likeliestRatio(b)
	c := fitColumn(b, ratio, func(t float64) float64 { return t })
	// What a walk moves cannot be less than a warm cell's: a rest this short shows it badly.
	T := b[len(b)-1].t - b[0].t
	c.u = max(c.u, math.Sqrt(1.2*warmWalk*warmWalk/T+12*l.sd*l.sd/(weightOf(b)*T*T)))
	drift := l.record.DriftPerH
	if l.record.Unit == curve.Gram {
		drift = zeroDriftGPH
	}
	z := c.coef / math.Hypot(c.u, drift/3600/math.Sqrt(3))
	if math.Abs(z) < zeroLimit || math.Abs(c.coef)*60 > zeroMost*f.Rate() {
		return nil
	}
	if s, _ := shocks(b, ratio, stepLimit); len(s) > 0 {
		return nil // the tube or its hose was touched: that is no drift
	}
	unit := string(f.Unit)
	perMin := c.coef * 60
	share := 100 * math.Abs(perMin/f.Rate())
	g := Flag{Code: "zero-moves", Severity: Note, Evidence: Evidence{FromS: b[0].t, ToS: b[len(b)-1].t, Size: perMin, U: c.u * 60, Unit: unit + "/min", Chance: chanceOf(z, 1)}}
	g.Do = "shade the cell from hot fuel and air, let the bench warm up loaded, and log 2 minutes of rest before and after"
	way := "up"
	if perMin < 0 {
		way = "down"
	}
	g.Says = fmt.Sprintf("after the flow the reading goes on %s by %s %s/min, as when warm fuel heats the cell or the cell creeps under its load; during the flow that may have been up to %s %% of the rate",
		way, plusMinus(math.Abs(perMin), c.u*60), unit, figures(share, 2))
	if math.Abs(perMin) > f.U {
		g.Severity = Doubt
	}
	return []Flag{g}
}

func weightOf(b []block) float64 {
	n := 0.0
	for _, k := range b {
		n += k.n
	}
	return n
}

// findLines names the periodic parts that the fit found: what is there with no flow too is
// picked up by the wires; what comes and goes with the flow is the engine, shaking.
func findLines(l *look, f *Fill) []Flag {
	if f.Kind != KindFill {
		return nil
	}
	t, _ := l.fill.Points()
	step := medianStep(t)
	unit := string(f.Unit)
	var out []Flag
	said := map[string]int{}
	lines := l.lines
	// A wire that began to pick up late in the fill shows it best in the rest after.
	atRest, resting := l.restLine(step)
	if resting {
		lines = append(slices.Clone(lines), atRest)
	}
	// The stairs of a display have waves of a third of a step.
	least := max(lineLeast, 0.5*shownIn(l.fill))
	for i, x := range lines {
		if x.amp < least || l.foldsTo(x) {
			continue
		}
		e := Evidence{FromS: f.StartS, ToS: f.EndS, Size: x.freqHz, U: 0.5 / (f.EndS - f.StartS), Unit: "Hz", Chance: x.chance}
		stays, known := true, true
		if i < len(l.lines) {
			stays, known = l.staysAtRest(x)
		}
		slow := 1/step < slowRate
		if x.freqHz < slowWaveHz && !(known && stays) && (!slow || x.freqHz < slowestHz || x.chance > slowChance) {
			continue
		}
		if !known {
			stays = !slow
		}
		g := Flag{Severity: Note, Evidence: e}
		wave := fmt.Sprintf("%s Hz, %s %s high", sig(x.freqHz), sig(x.amp), unit)
		switch {
		case stays:
			g.Code = "lamp-pickup"
			g.Says = "a wave of " + wave + " runs through the reading, with and without flow, as a lamp, a charger or the mains puts on a wire"
			g.Do = "keep lamps, chargers and mains leads off the cell's wires, and use a screened lead"
		case slow:
			g.Code = "idle-alias"
			g.Says = fmt.Sprintf("a wave of %s comes with the flow; at %s values/s the engine's shaking folds to it (%s)", wave, sig(1/step), ordersAt(x.freqHz, 1/step))
			g.Do = "sample at 80 values/s, and stand the bench off the engine"
		default:
			g.Code = "shaking"
			g.Says = "a wave of " + wave + " comes with the flow: the engine shakes the bench"
			g.Do = "stand the bench off the engine"
		}
		// A slow wave is to the fit like a flow that moves: an end of it that is cut off counts.
		if u := l.waveDoubt(x) * 60; x.freqHz < slowWaveHz && u > f.U/2 {
			g.Severity = Doubt
			g.Says += fmt.Sprintf("; what is cut off of it may move the rate by %s %s/min", sig(u), unit)
		}
		if k, ok := said[g.Code]; ok {
			out[k].Severity = max(out[k].Severity, g.Severity)
			continue
		}
		said[g.Code] = len(out)
		out = append(out, g)
	}
	return out
}

// shareWaves says once of a run what comes with the flow on most of its channels: it is
// the engine's. Each keeps its own.
func (m collection) shareWaves() []Flag {
	var out []Flag
	for _, code := range []string{"idle-alias", "shaking"} {
		var all []Flag
		for _, c := range m {
			if i := slices.IndexFunc(c.f.Flags, func(g Flag) bool { return g.Code == code }); i >= 0 {
				all = append(all, c.f.Flags[i])
			}
		}
		if len(all) < 2 || 3*len(all) < 2*len(m) {
			continue
		}
		g := all[0]
		lo, hi := g.Evidence.Size, g.Evidence.Size
		for _, x := range all {
			g.Severity = max(g.Severity, x.Severity)
			lo, hi = min(lo, x.Evidence.Size), max(hi, x.Evidence.Size)
		}
		g.Says = fmt.Sprintf("waves of %s to %s Hz come with the flow on %d of %d channels: the engine shakes the bench", sig(lo), sig(hi), len(all), len(m))
		if code == "idle-alias" {
			g.Says += ", and orders of its idle fold at this sample rate"
		}
		out = append(out, g)
	}
	return out
}

// foldsTo reports whether a line is only what a stronger one folds to at the rate of the
// blocks.
func (l *look) foldsTo(x line) bool {
	T := l.b[len(l.b)-1].t - l.b[0].t
	rate := float64(len(l.b)-1) / T
	return slices.ContainsFunc(l.lines, func(y line) bool {
		if x.freqHz > rate/2 || y.freqHz <= rate/2 {
			return false
		}
		// Blocks of now four values, now five fold it to more places than one.
		return x.amp < 0.3*y.amp || x.amp < y.amp && math.Abs(math.Abs(y.freqHz-rate*math.Round(y.freqHz/rate))-x.freqHz) < 5/T+0.003*y.freqHz
	})
}

// restLine looks for a line in the values at the end of the rest after the flow; step is
// the usual time between values.
func (l *look) restLine(step float64) (line, bool) {
	w := l.after
	w = w.Window(l.span.endS+restDripS, math.Inf(1))
	if n := len(w.Marks); n > restValues {
		w.ElapsedS, w.Values, w.Marks = w.ElapsedS[n-restValues:], w.Values[n-restValues:], w.Marks[n-restValues:]
	}
	if len(w.Marks) < restValues/8 || step <= 0 {
		return line{}, false
	}
	slots := make([]float64, restValues)
	for i := range slots {
		slots[i] = math.NaN()
	}
	end := 0
	// A tube that goes on filling has no waves: its line is taken out.
	t, y := w.Points()
	if len(t) < restValues/8 {
		return line{}, false
	}
	slope := plainSlope(makeBlocks(t, y, fitBlocks))
	for i, x := range t {
		if k := int((x-t[0])/step + 0.5); k < len(slots) {
			slots[k], end = y[i]-slope*(x-t[0]), k+1
		}
	}
	return peak(slots[:end], step, slowWaveHz, 2*end)
}

// waveDoubt is the most by which a wave moves the slope of a line through it, unit/s: 6
// amplitudes over its angular frequency and the square of the time.
func (l *look) waveDoubt(x line) float64 {
	T := l.span.endS - l.span.startS
	return 6 * x.amp / (2 * math.Pi * x.freqHz * T * T) * 2
}

// staysAtRest reports whether a line of the fill is in the rest after it (or before) too;
// known is false where neither is long enough.
func (l *look) staysAtRest(x line) (stays, known bool) {
	for _, w := range []curve.Curve{l.after, l.before} {
		t, y := w.Points()
		// The moments of the flow's own end are left out.
		for len(t) > 0 && len(t) == len(y) && t[0] < l.span.endS+1 && t[0] > l.span.endS {
			t, y = t[1:], y[1:]
		}
		if len(t) < 4*fewestValues || (t[len(t)-1]-t[0])*x.freqHz < lineTurns {
			continue
		}
		return amplitudeAt(t, y, x.freqHz) > lineStays*x.amp, true
	}
	return false, false
}

// amplitudeAt is the amplitude of a wave in values about a straight line.
func amplitudeAt(t, y []float64, hz float64) float64 {
	n := float64(len(t))
	var tm, ym float64
	for i := range t {
		tm += t[i] / n
		ym += y[i] / n
	}
	var stt, sty float64
	for i := range t {
		stt += (t[i] - tm) * (t[i] - tm)
		sty += (t[i] - tm) * (y[i] - ym)
	}
	slope := sty / stt
	var a, b float64
	for i := range t {
		s, c := math.Sincos(2 * math.Pi * hz * t[i])
		v := y[i] - ym - slope*(t[i]-tm)
		a += v * s
		b += v * c
	}
	return 2 * math.Hypot(a, b) / n
}

// ordersAt says which orders of which idle speeds fold to a frequency at a sample rate:
// |order rpm/60 - k rate|.
func ordersAt(hz, rate float64) string {
	type place struct {
		order, rpm float64
	}
	var all []place
	for _, order := range []float64{0.5, 1, 2, 3} {
		for k := 0.0; k*rate < order*idleHighRPM/60+rate; k++ {
			for _, f := range []float64{k*rate - hz, k*rate + hz} {
				// Of half the rate both are one.
				p := place{order, math.Round(60 * f / order)}
				if p.rpm >= idleLowRPM && p.rpm <= idleHighRPM && f > rate/2 && !slices.Contains(all, p) {
					all = append(all, p)
				}
			}
		}
	}
	// The idle most like 800 rpm first.
	slices.SortStableFunc(all, func(a, b place) int { return cmp.Compare(math.Abs(a.rpm-800), math.Abs(b.rpm-800)) })
	said := ""
	for i, p := range all[:min(3, len(all))] {
		if i > 0 {
			said += ", or "
		}
		said += fmt.Sprintf("order %g at %.0f rpm", p.order, p.rpm)
	}
	if said == "" {
		return "no order of an idle speed does"
	}
	return said
}

// holes of the fill's stretch, found once.
func (l *look) holes() []hole {
	t, _ := l.fill.Points()
	return holes(l.fill, medianStep(t))
}

// restart is a moment at which the converter began anew.
type restart struct {
	fromS, toS float64 // from its last value to the first that counts again
	offS       float64 // of these without any reading
	size       float64 // of the transient where it was seen by that, else NaN
	z          float64
}

// restarts looks for them between the rests' ends: values that settle in the middle of a
// record, or a hole after which the reading dies away to where it belongs as a converter's
// does at power-on.
func (l *look) restarts() []restart {
	if l.began == nil {
		l.began = l.findRestarts()
	}
	return *l.began
}

func (l *look) findRestarts() *[]restart {
	out := []restart{}
	w := l.record
	if l.span.restFromS < l.span.restToS {
		w = w.Window(l.span.restFromS, l.span.restToS)
	}
	n := len(w.Marks)
	for i := 0; i < n; i++ {
		if w.Marks[i] != curve.Settling {
			continue
		}
		from := i
		for i+1 < n && (w.Marks[i+1] == curve.Settling || w.Marks[i+1] == curve.Missing) {
			i++
		}
		if w.ElapsedS[from]-w.ElapsedS[0] < restartS {
			continue
		}
		last := from - 1
		for last > 0 && w.Marks[last] == curve.Missing {
			last--
		}
		// A read that was broken off resets the converter too: its supply is well.
		if w.Marks[last] == curve.Misread && w.ElapsedS[from]-w.ElapsedS[last] < resetS {
			continue
		}
		out = append(out, restart{fromS: w.ElapsedS[last], toS: w.ElapsedS[i], offS: w.ElapsedS[from] - w.ElapsedS[last], size: math.NaN(), z: math.Inf(1)})
	}
	for _, h := range l.holes() {
		if h.toS-h.fromS < restartGapS || slices.ContainsFunc(out, func(r restart) bool { return h.fromS < r.toS && r.fromS < h.toS }) {
			continue
		}
		if size, z, ok := dyingAway(l.record.Window(h.toS, h.toS+restartAfter)); ok {
			out = append(out, restart{h.fromS, h.toS + 5*restartTau, h.toS - h.fromS, size, z})
		}
	}
	return &out
}

// dyingAway looks for a transient of restartTau from the beginning of w, on a line.
func dyingAway(w curve.Curve) (size, z float64, ok bool) {
	t, y := w.Points()
	if len(t) < 2*fewestValues {
		return 0, 0, false
	}
	x := make([]float64, len(t))
	one, rel := make([]float64, len(t)), make([]float64, len(t))
	for i := range t {
		one[i], rel[i], x[i] = 1, t[i]-t[0], math.Exp(-(t[i]-t[0])/restartTau)
	}
	r, err := Regress([][]float64{one, rel, x}, y)
	if err != nil {
		return 0, 0, false
	}
	z = normalOf(r.Coef[2]/r.SE[2], float64(len(t)-3))
	return r.Coef[2], z, math.Abs(z) > restartLimit
}

// restarted reports whether a hole is a restart's.
func (l *look) restarted(h hole) bool {
	return slices.ContainsFunc(l.restarts(), func(r restart) bool { return h.fromS < r.toS && r.fromS < h.toS })
}

// findRestarted says of converters that began anew within the fill or beside it.
func findRestarted(l *look, f *Fill) []Flag {
	all := l.restarts()
	if len(all) == 0 {
		return nil
	}
	r := all[0]
	within := false
	for _, x := range all {
		if x.toS > l.span.startS && x.fromS < l.span.endS {
			if !within {
				r = x
			}
			within = true
		}
	}
	g := Flag{Code: "brown-out", Severity: Note, Evidence: sized(r.fromS, r.toS, r.offS, "s")}
	if finite(r.z) {
		g.Evidence.Chance = chanceOf(r.z, 1)
	}
	g.Says = fmt.Sprintf("the converter was without power at %.0f s, for %s s, and began anew", r.fromS, sig(r.offS))
	if len(all) > 1 {
		g.Says = fmt.Sprintf("the converter began anew %s, first at %.0f s after %s s without power", times(len(all)), all[0].fromS, sig(all[0].offS))
	}
	g.Do = "its zero may be another: see to the plug and the supply, tare, and repeat"
	if within {
		g.Severity = Doubt
	}
	return []Flag{g}
}

// findStuck says of a converter that gave one and the same value. What lies in a rest takes
// nothing from the fill's values.
func findStuck(l *look, f *Fill) []Flag {
	from, to, n, all := markedIn(l.fill, curve.Stuck)
	if n > 0 {
		g := Flag{Code: "stuck-code", Severity: Doubt, Evidence: sized(from, to, to-from, "s"),
			Says: fmt.Sprintf("the converter gave one and the same value from %.0f to %.0f s, %d of the fill's %d values; they are left out", from, to, n, all),
			Do:   "see to the plug, the wires and the converter of this channel, and repeat"}
		if float64(n) > misreadForbid*float64(all) && to > l.span.endS-1 { // where it ended is not known
			g.Severity = Forbids
		}
		return []Flag{g}
	}
	if from, to, n, _ = markedIn(l.around(), curve.Stuck); n == 0 {
		return nil
	}
	when, flow := "before", "the flow"
	if from > l.span.startS {
		when = "after"
	}
	if f.Kind != KindFill {
		flow = "this stretch"
	}
	return []Flag{{Code: "stuck-code", Severity: Note, Evidence: sized(from, to, to-from, "s"),
		Says: fmt.Sprintf("the converter gave one and the same value from %.0f to %.0f s, %s %s, whose own values moved", from, to, when, flow),
		Do:   "see to the plug, the wires and the converter of this channel before the next run"}}
}

// findLimit says of a converter at an end of its range.
func findLimit(l *look, f *Fill) []Flag {
	w := l.around()
	if l.record.Unit == curve.Millilitre {
		w = l.fill // an empty tube stands below its table, and is well
	}
	from, to, n, all := markedIn(w, curve.Limit)
	if n == 0 {
		return nil
	}
	g := Flag{Code: "saturation", Severity: Doubt, Evidence: sized(from, to, 100*float64(n)/float64(all), "% of the values"),
		Says: fmt.Sprintf("the converter stood at the end of its range from %.0f to %.0f s, %d of %d values; what the tube took then is not known", from, to, n, all),
		Do:   "take load off the cell, see to its four wires, and repeat"}
	if l.record.Unit == curve.Millilitre {
		g.Says = fmt.Sprintf("the level stood beyond the end of its table from %.0f to %.0f s, %d of %d values; what the tube took then is not known", from, to, n, all)
		g.Do = "empty the tube before the run, or calibrate it to its brim"
	}
	return []Flag{g}
}

// around is the record from the rest before to the rest after, and on to where values
// count again.
func (l *look) around() curve.Curve {
	if !(l.span.restFromS < l.span.restToS) {
		return l.record
	}
	w := l.record.Window(l.span.restFromS, math.Inf(1))
	end, _ := slices.BinarySearch(w.ElapsedS, l.span.restToS)
	for end < len(w.Marks) && w.Marks[end] != curve.Used {
		end++
	}
	w.ElapsedS, w.Values, w.Marks = w.ElapsedS[:end], w.Values[:end], w.Marks[:end]
	return w
}

// markedIn is from when to when values of w carry a mark, and how many of how many.
func markedIn(w curve.Curve, m curve.Mark) (from, to float64, n, all int) {
	for i, x := range w.Marks {
		if x == m {
			if n == 0 {
				from = w.ElapsedS[i]
			}
			to = w.ElapsedS[i]
			n++
		}
	}
	return from, to, n, len(w.Marks)
}
