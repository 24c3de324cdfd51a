package rate

import (
	"fmt"
	"math"
	"slices"

	"brimline/analysis/curve"
)

// Starts and ends, against the other channels.

// Channels of one engine start together, within a standard deviation of startSD that a hose's
// slack makes: assumed. Eight of them are no slack.
const (
	startSD    = 0.375 // s
	startLateS = 8 * startSD
)

// startsAndEnds adds to the channels of a run that they began after the others, or ended
// before them: one curve alone cannot show it.
func (m collection) startsAndEnds() {
	var starts, ends []float64
	for i, c := range m {
		starts, ends = starts[:0], ends[:0]
		for j, o := range m {
			if j != i && o.f.Kind == KindFill && o.l.o.Mode == OneFill {
				starts, ends = append(starts, o.f.StartS), append(ends, o.f.EndS)
			}
		}
		f := c.f
		if f.Kind != KindFill || c.l.o.Mode != OneFill || len(starts) == 0 {
			continue
		}
		// Of an even number the middle one that accuses less.
		slices.Sort(starts)
		slices.Sort(ends)
		start, end := starts[len(starts)/2], ends[(len(ends)-1)/2]
		u := f.onsetDoubtS()
		limit := startLateS + surelySD*u
		if late := f.StartS - start; late > limit && read(c.l.record, start, f.StartS) {
			held := ""
			if finite(f.RateMLPerMin) {
				held = fmt.Sprintf(" (%s mL at this rate)", sig(f.RateMLPerMin/60*late))
			}
			f.Flags = append(f.Flags, Flag{codeLate, Note,
				fmt.Sprintf("the flow begins %.0f s after the other channels', as if the hose had to fill first%s or was put on late: the rate stands, the amount does not", late, held),
				"run the engine until fuel comes from every hose, then start",
				Evidence{start, f.StartS, late, u, "s", chanceOf(limit/math.Hypot(u, startSD), len(m))}})
		}
		if early := end - f.EndS; early > limit && read(c.l.record, f.EndS, end) {
			f.Flags = append(f.Flags, Flag{codeEarly, Doubt,
				fmt.Sprintf("the flow ends %.0f s before the other channels': the hose came off or was shut, or the injector sent nothing more; the rate is that of the time before", early),
				"look at hose and injector and repeat",
				Evidence{f.EndS, end, early, u, "s", chanceOf(limit/math.Hypot(u, startSD), len(m))}})
		}
	}
}

// read reports whether most of the values of c from fromS to toS are good: else nobody knows
// what flowed then.
func read(c curve.Curve, fromS, toS float64) bool {
	w := c.Window(fromS, toS)
	return 2*w.Count(curve.Used) > len(w.Marks)
}

// onsetDoubtS is about how well an onset is known: the crossing of two lines, each by a
// second or so of values.
func (f *Fill) onsetDoubtS() float64 {
	if r := f.Rate() / 60; r > 0 && f.Samples > 0 && f.EndS > f.StartS {
		return f.U / 60 * (f.EndS - f.StartS) / r
	}
	return 0
}
