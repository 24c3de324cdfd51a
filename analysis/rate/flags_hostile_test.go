package rate

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"brimline/analysis/curve"
)

// hostileCurve draws a curve as no sound bench makes it: any rate of sampling, level,
// slope and noise, in grams or millilitres, coarse or fine, with jumps, holes, wild and
// repeated values, and marks anywhere.
func hostileCurve(t *rapid.T, name string, noisy bool) curve.Curve {
	n := rapid.IntRange(8, 900).Draw(t, "n")
	step := rapid.SampledFrom([]float64{1. / 320, 0.0125, 0.1, 1, 10, 60}).Draw(t, "step")
	rng := rand.New(rand.NewPCG(rapid.Uint64Range(5_000_000, 6_000_000).Draw(t, "seed"), 1))
	logOf := func(lo, hi float64) float64 {
		return math.Exp(rapid.Float64Range(math.Log(lo), math.Log(hi)).Draw(t, "log"))
	}
	slope := rapid.SampledFrom([]float64{0, 0, 1, 1, 1, -1}).Draw(t, "way") * logOf(1e-6, 1e3)
	noise := 0.0
	if noisy {
		noise = logOf(1e-4, 1e2)
	}
	quantum := rapid.SampledFrom([]float64{0, 0, 1e-3, 0.1, 1, 50}).Draw(t, "quantum")
	if noisy {
		noise = max(noise, quantum)
	}
	level := rapid.SampledFrom([]float64{0, 0, 100, -1e6, 1e11}).Draw(t, "level")
	onset, end := rapid.Float64Range(-0.1, 1).Draw(t, "onset"), rapid.Float64Range(0, 1.1).Draw(t, "end")
	ts, ys := make([]float64, n), make([]float64, n)
	for i := range ts {
		ts[i] = float64(i) * step
		x := float64(i) / float64(n)
		ys[i] = level + slope*step*float64(n)*max(0, min(x, end)-onset) + noise*rng.NormFloat64()
	}
	marks := make([]curve.Mark, n)
	for range rapid.IntRange(0, 4).Draw(t, "faults") {
		a := rapid.IntRange(0, n-1).Draw(t, "from")
		b := min(n, a+rapid.IntRange(1, n).Draw(t, "long"))
		switch rapid.IntRange(0, 5).Draw(t, "fault") {
		case 0: // a step
			by := rapid.Float64Range(-300, 300).Draw(t, "step by")
			for i := a; i < n; i++ {
				ys[i] += by
			}
		case 1: // nothing
			for i := a; i < b; i++ {
				ys[i] = math.NaN()
			}
		case 2: // one value
			for i := a; i < b; i++ {
				ys[i] = ys[a]
			}
		case 3: // marks
			m := curve.Mark(rapid.IntRange(0, int(curve.Limit)).Draw(t, "mark"))
			for i := a; i < b; i++ {
				marks[i] = m
			}
		case 4: // a jump in time
			by := rapid.Float64Range(0, 1e4).Draw(t, "later by")
			for i := a; i < n; i++ {
				ts[i] += by
			}
		case 5: // wild values
			for i := a; i < b; i += 1 + rng.IntN(20) {
				ys[i] += 1e4 * rng.NormFloat64()
			}
		}
	}
	if quantum > 0 {
		for i := range ys {
			ys[i] = math.Round(ys[i]/quantum) * quantum
		}
	}
	unit := rapid.SampledFrom([]curve.Unit{curve.Gram, curve.Millilitre}).Draw(t, "unit")
	c, err := curve.New(name, unit, ts, ys)
	if errors.Is(err, curve.ErrNoValues) { // a curve without one is refused: give it one
		ys[len(ys)/2] = 0
		c, err = curve.New(name, unit, ts, ys)
	}
	if err != nil {
		t.Fatal(err)
	}
	for i, m := range marks {
		if m != curve.Used && c.Marks[i] == curve.Used {
			c.Marks[i] = m
		}
	}
	c.CapacityML = rapid.SampledFrom([]float64{0, 50, 1000}).Draw(t, "capacity")
	return c
}

// Whatever the curves are and however they are cut, what a flag says is words and numbers
// that a person and a program can take: no NaN in them, times in order, chances that are
// chances, an uncertainty that is one or NaN, and a unit beside each size.
func TestFlagsOfHostileCurves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var curves []curve.Curve
		noisy := rapid.Bool().Draw(t, "noisy")
		for k := range rapid.IntRange(1, 3).Draw(t, "channels") {
			curves = append(curves, hostileCurve(t, string(rune('a'+k)), noisy))
		}
		o := Options{Mode: rapid.SampledFrom([]Mode{Stream, OneFill, Window}).Draw(t, "mode")}
		if rapid.Bool().Draw(t, "dense") {
			o.Density = &curve.Density{GPerML: 0.832, U: 0.001}
		}
		r := AnalyseRun(curves, o)
		Pool(r.Results...)
		flags := slices.Clone(r.Flags)
		for _, x := range r.Results {
			for _, f := range x.Fills {
				flags = append(flags, f.Flags...)
				if f.Kind != KindFill && f.Allows() {
					t.Errorf("a %s without a flag that forbids: %+v", f.Kind, f.Flags)
				}
			}
		}
		for _, g := range flags {
			sound(t, g, noisy)
		}
	})
}

// sound fails where a flag is not fit to be shown.
func sound(t interface{ Errorf(string, ...any) }, g Flag, noisy bool) {
	e := g.Evidence
	for _, odd := range []string{"NaN", "Inf", "%!", "  ", "-0 "} {
		if strings.Contains(g.Text(), odd) {
			t.Errorf("%s says %q", g.Code, g.Text())
		}
	}
	if g.Code == "" || g.Says == "" || strings.HasSuffix(g.Says, ".") || strings.HasSuffix(g.Do, ".") {
		t.Errorf("%q says %q, do %q", g.Code, g.Says, g.Do)
	}
	switch {
	case math.IsInf(e.Size, 0) || math.IsInf(e.FromS, 0) || math.IsInf(e.ToS, 0) || e.FromS > e.ToS,
		e.U < 0 || math.IsInf(e.U, 0),
		e.U == 0 && e.Chance == 0 && noisy, // zeros for what was not worked out
		e.Chance < 0 || e.Chance > 1,
		finite(e.Size) != (e.Unit != ""),
		finite(e.U) && !finite(e.Size):
		t.Errorf("%s, %q: evidence %+v", g.Code, g.Says, e)
	}
}

// What was drawn and broke the analysis: kept as cases.
func TestOddCurves(t *testing.T) {
	t.Run("values at two moments an hour apart", func(t *testing.T) {
		ts, ys := []float64{0}, []float64{0}
		for i := range 400 {
			ts, ys = append(ts, 3600+float64(i)/320), append(ys, 20+0.01*math.Sin(float64(i*i)))
		}
		for _, m := range []Mode{Stream, OneFill, Window} {
			c, err := curve.New("a", curve.Gram, ts, ys)
			if err != nil {
				t.Fatal(err)
			}
			r, err := Analyse(c, Options{Mode: m})
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range r.Fills {
				if f.Allows() {
					t.Errorf("mode %d: %s of %g ± %g g/min, flags %+v", m, f.Kind, f.RateGPerMin, f.U95, f.Flags)
				}
			}
			if f := r.Fills[0]; m == Window && !(len(f.Flags) == 1 && f.Flags[0].Code == "few-values" && strings.Contains(f.Flags[0].Says, "all lie within 3 stretches")) {
				t.Errorf("fitted as one stretch: %+v", f.Flags)
			}
		}
	})
	// A display at whole grams: what the fit leaves of it dies away to nothing.
	t.Run("hardly any noise", func(t *testing.T) {
		ts, ys := make([]float64, 256), make([]float64, 256)
		for i := range ts {
			ts[i] = float64(i) / 320
			if i >= 7 && i < 57 {
				ys[i] = -1
			}
		}
		for i, y := range map[int]float64{60: 1, 71: 1, 73: -1, 247: -1, 248: 1, 249: -1} {
			ys[i] = y
		}
		c, err := curve.New("a", curve.Gram, ts, ys)
		if err != nil {
			t.Fatal(err)
		}
		r, err := Analyse(c, Options{Mode: Window})
		if err != nil {
			t.Fatal(err)
		}
		if f := r.Fills[0]; !finite(f.RateGPerMin) || !(f.U > 0) {
			t.Errorf("%g ± %g g/min", f.RateGPerMin, f.U)
		}
	})
	// Too few values for twelve parts of the time, and a shape that is plain.
	t.Run("a step in ten values", func(t *testing.T) {
		in := []block{}
		for i := range 20 {
			x := float64(i)
			in = append(in, block{t: x, y: 0.5*x + 2*max(0, x-10) + 0.003*math.Sin(x*x), n: 1})
		}
		f := Fill{Kind: KindFill, Unit: curve.Gram, RateGPerMin: 90, perReading: 1, StartS: 0, EndS: 19}
		g := f.judgeWithin(&look{b: in, sd: 0.003}, in)
		if len(g) != 1 || g[0].Code != codeUnsteady || !strings.Contains(g[0].Says, "the flow goes from 30") {
			t.Fatalf("%+v", g)
		}
		sound(t, g[0], true)
	})
}
