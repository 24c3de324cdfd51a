package rate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"brimline/analysis/curve"
)

// benchRun is a run of several tubes on one engine.
type benchRun struct {
	rates   []float64 // g/min
	hz      float64
	flowS   float64
	shared  func(u float64) float64         // what the engine does to the rate, part of it, u s after the onset
	own     func(ch int, u float64) float64 // what happens in one tube
	hunting float64                         // relative sd of the rate, 3 s, shared; a fifth of it each tube's own
	pulse   float64                         // depth at 6.7 Hz
	change  func(rng *rand.Rand, ch int, t, y []float64) ([]float64, []float64)
}

func (r benchRun) curves(t *testing.T, seed uint64) []curve.Curve {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 31))
	const stepS, restS = 0.1, 20.0
	n := int(r.flowS/stepS) + 2
	hunt := func(sd float64) []float64 {
		x, h := make([]float64, n), sd*rng.NormFloat64()
		a := math.Exp(-stepS / 3)
		for k := range x {
			x[k] = h
			h = a*h + sd*math.Sqrt(1-a*a)*rng.NormFloat64()
		}
		return x
	}
	common := hunt(r.hunting)
	out := make([]curve.Curve, len(r.rates))
	for ch, gpm := range r.rates {
		mine := hunt(r.hunting / 5)
		mass := make([]float64, n) // at multiples of stepS from the onset
		for k := 1; k < n; k++ {
			u := (float64(k) - 0.5) * stepS
			q := 1 + common[k] + mine[k]
			if r.shared != nil {
				q += r.shared(u)
			}
			if r.own != nil {
				q += r.own(ch, u)
			}
			mass[k] = mass[k-1] + gpm/60*stepS*q
		}
		onset, phase := restS+0.3*rng.Float64(), 2*math.Pi*rng.Float64()
		var ts, ys []float64
		w := 0.0
		for i := 0; ; i++ {
			at := float64(i)/r.hz + 1e-4*rng.Float64()
			if at > onset+r.flowS+restS {
				break
			}
			u := min(max(at-onset, 0), r.flowS)
			k := min(int(u/stepS), n-2)
			y := mass[k] + (mass[k+1]-mass[k])*(u/stepS-float64(k))
			if u > 0 && u < r.flowS {
				y += gpm / 60 * r.pulse / (2 * math.Pi * 6.67) * math.Sin(2*math.Pi*6.67*u+phase)
			}
			ts, ys = append(ts, at), append(ys, y+w+cellWhite*math.Sqrt(r.hz/85)*rng.NormFloat64())
			w += cellWalk / math.Sqrt(r.hz) * rng.NormFloat64()
		}
		if r.change != nil {
			ts, ys = r.change(rng, ch, ts, ys)
		}
		c, err := curve.New(fmt.Sprintf("tube%d", ch+1), curve.Gram, ts, ys)
		if err != nil {
			t.Fatal(err)
		}
		out[ch] = c
	}
	return out
}

// allCodes is the codes of each channel's fill.
func allCodes(r Run) []string {
	out := make([]string, len(r.Results))
	for i, x := range r.Results {
		var all []string
		for _, f := range x.Fills {
			all = append(all, codes(f))
		}
		out[i] = strings.Join(all, ";")
	}
	return out
}

func TestWhatAllTubesDoIsTheEngine(t *testing.T) {
	step := func(by, at float64) func(float64) float64 {
		return func(u float64) float64 {
			if u > at {
				return by
			}
			return 0
		}
	}
	wave := func(by float64) func(float64) float64 {
		return func(u float64) float64 { return by * math.Sin(2*math.Pi*u/70) }
	}
	four := []float64{8.1, 7.2, 9.4, 8.6}
	for _, tc := range []struct {
		name  string
		run   benchRun
		want  string   // of each channel; "" for none
		each  []string // if they differ
		says  string   // in the run's flag
		size  float64  // of the run's flag
		about float64
		atS   float64
	}{
		{name: "idle falls by a tenth", run: benchRun{rates: four, shared: step(-0.12, 80)}, want: codeEngine, says: "goes down by 13 %", size: -12.7, about: 0.7, atS: 100}, // of the mean
		{name: "warms up from cold", run: benchRun{rates: four, shared: func(u float64) float64 { return -0.3 * math.Exp(-u/300) }}, want: codeEngine, says: "goes up all the time", size: 16, about: 2},
		{name: "hunts slowly", run: benchRun{rates: four, shared: wave(0.15)}, want: codeEngine, says: "hunts", size: 30, about: 4},
		{name: "hunts slowly at so low a rate that no tube shows it by itself", run: benchRun{rates: []float64{2.1, 2.4, 1.9, 2.6}, shared: wave(0.09)}, want: codeEngine, says: "hunts", size: 18, about: 4},
		{name: "stalls and starts", run: benchRun{rates: four, shared: func(u float64) float64 { return step(-1, 60)(u) - step(-1, 90)(u) }}, want: codeEngine, says: "stops in between"},
		{name: "two tubes, idle falls", run: benchRun{rates: four[:2], shared: step(-0.12, 80)}, want: codeEngine, says: "both tubes", size: -12.7, about: 0.7, atS: 100},
		{name: "six tubes, a small step of idle", run: benchRun{rates: []float64{8, 8.5, 9, 7, 7.7, 8.8}, shared: step(0.07, 100)}, want: codeEngine, says: "goes up by 7 %", size: 7, about: 1, atS: 120},
	} {
		t.Run(tc.name, func(t *testing.T) {
			tc.run.hz, tc.run.flowS, tc.run.hunting = 80, 180, 0.005
			r := AnalyseRun(tc.run.curves(t, 2_000_000), Options{Mode: OneFill})
			for i, got := range allCodes(r) {
				want := tc.want
				if tc.each != nil {
					want = tc.each[i]
				}
				if got != want {
					t.Errorf("tube%d has the flags %q, want %q: %+v", i+1, got, want, r.Results[i].Fills[0].Flags)
				}
				if f := r.Results[i].Fills[0]; !f.Allows() || f.Steady {
					t.Errorf("tube%d: allows %v, steady %v; a ratio may rest on it, and it is not steady", i+1, f.Allows(), f.Steady)
				}
			}
			if len(r.Flags) != 1 || !strings.Contains(r.Flags[0].Says, tc.says) {
				t.Fatalf("the run's flags are %+v, want one that says %q", r.Flags, tc.says)
			}
			e := r.Flags[0].Evidence
			if tc.about > 0 && math.Abs(e.Size-tc.size) > tc.about {
				t.Errorf("size %.1f %%, want %.0f", e.Size, tc.size)
			}
			if tc.atS > 0 && math.Abs(e.FromS-tc.atS) > 3 {
				t.Errorf("at %.1f s, want %.0f s", e.FromS, tc.atS)
			}
		})
	}
}

func TestWhatOneTubeDoesIsItsOwn(t *testing.T) {
	run := benchRun{rates: []float64{8.1, 7.2, 9.4, 8.6}, hz: 80, flowS: 180, hunting: 0.005, own: func(ch int, u float64) float64 {
		if ch == 1 && u > 80 {
			return -0.15
		}
		return 0
	}}
	r := AnalyseRun(run.curves(t, 2_000_001), Options{Mode: OneFill})
	if len(r.Flags) != 0 {
		t.Errorf("the run is flagged: %+v", r.Flags)
	}
	for i, x := range r.Results {
		f := x.Fills[0]
		if i != 1 {
			if len(f.Flags) != 0 {
				t.Errorf("tube%d: %+v, want no flag", i+1, f.Flags)
			}
			continue
		}
		if len(f.Flags) != 1 || !strings.Contains(f.Flags[0].Text(), "the other 3 does not") || !strings.Contains(f.Flags[0].Text(), "this tube") {
			t.Errorf("tube2: %+v, want one flag that says it is this tube's own", f.Flags)
		}
		if e := f.Flags[0].Evidence; math.Abs(e.Size+16) > 2 || math.Abs((e.FromS+e.ToS)/2-100) > 3 || !(e.Chance < shiftChance) {
			t.Errorf("tube2: evidence %+v, want -16 %% of the mean at 100 s", e)
		}
	}
	// Of two tubes nobody can say which it is.
	two := run
	two.rates = run.rates[:2]
	r = AnalyseRun(two.curves(t, 2_000_001), Options{Mode: OneFill})
	if got := allCodes(r); got[0] != "" || got[1] != codeUnsteady || len(r.Flags) != 0 {
		t.Errorf("two tubes have %q and the run %+v, want not-steady on the second alone", got, r.Flags)
	} else if strings.Contains(r.Results[1].Fills[0].Flags[0].Text(), "other") {
		t.Errorf("of two tubes: %s", r.Results[1].Fills[0].Flags[0].Text())
	}
}

func TestWhatAllChannelsFeelIsTheBench(t *testing.T) {
	rates := []float64{8.1, 7.2, 9.4, 8.6}
	cut := func(from, to float64) func(*rand.Rand, int, []float64, []float64) ([]float64, []float64) {
		return func(_ *rand.Rand, _ int, t, y []float64) ([]float64, []float64) {
			var ts, ys []float64
			for i, v := range t {
				if v < from || v > to {
					ts, ys = append(ts, v), append(ys, y[i])
				}
			}
			return ts, ys
		}
	}
	lean := func(_ *rand.Rand, ch int, t, y []float64) ([]float64, []float64) {
		for i, v := range t {
			if v > 110 {
				y[i] += 3 + float64(ch)
			}
		}
		return t, y
	}
	leanAfterPull := func(rng *rand.Rand, ch int, t, y []float64) ([]float64, []float64) {
		for i, v := range t {
			if v > 70 && ch == 1 {
				y[i] += 0.5
			}
		}
		return lean(rng, ch, t, y)
	}
	for _, tc := range []struct {
		name   string
		change func(*rand.Rand, int, []float64, []float64) ([]float64, []float64)
		says   string
		sev    Severity
	}{
		{"the program stands still", cut(90, 98), "all 4 channels have no readings", Note},
		{"someone leans on the bench", lean, "jump at once, at about 110 s", Forbids},
		{"and a hose had pulled on one", leanAfterPull, "jump at once, at about 110 s", Forbids},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := AnalyseRun(benchRun{rates: rates, hz: 80, flowS: 180, hunting: 0.005, change: tc.change}.curves(t, 2_000_002), Options{Mode: OneFill})
			for i, got := range allCodes(r) {
				if got != codeBench {
					t.Errorf("tube%d has the flags %q, want %q: %+v", i+1, got, codeBench, r.Results[i].Fills[0].Flags)
				}
			}
			if len(r.Flags) != 1 || !strings.Contains(r.Flags[0].Says, tc.says) || r.Flags[0].Severity != tc.sev {
				t.Errorf("the run's flags are %+v, want one that %s and says %q", r.Flags, tc.sev, tc.says)
			}
		})
	}
	// One channel's gap is its own.
	r := AnalyseRun(benchRun{rates: rates, hz: 80, flowS: 180, change: func(rng *rand.Rand, ch int, t, y []float64) ([]float64, []float64) {
		if ch == 2 {
			return cut(90, 98)(rng, ch, t, y)
		}
		return t, y
	}}.curves(t, 2_000_003), Options{Mode: OneFill})
	if got := allCodes(r); len(r.Flags) != 0 || got[2] != "gap" || got[0] != "" {
		t.Errorf("one channel's gap gives %q and on the run %+v", got, r.Flags)
	}
}

// A channel that has no result takes nothing from the others, and of one nothing is common.
func TestRunWithADeadChannel(t *testing.T) {
	curves := benchRun{rates: []float64{8, 9, 10}, hz: 20, flowS: 60}.curves(t, 2_000_004)
	nan := make([]float64, len(curves[1].ElapsedS))
	for i := range nan {
		nan[i] = math.NaN()
	}
	var err error
	if curves[1], err = curve.New("tube2", curve.Gram, curves[1].ElapsedS, nan); err == nil {
		t.Log("a curve of nothing is one")
	} else {
		curves[1] = curve.Curve{Channel: "tube2", Unit: curve.Gram}
	}
	r := AnalyseRun(curves, Options{Mode: OneFill})
	if r.Errs[1] == nil || r.Errs[0] != nil || r.Errs[2] != nil || len(r.Results[0].Fills) != 1 || len(r.Flags) != 0 {
		t.Errorf("errors %v, flags %+v; want the second alone to have no result", r.Errs, r.Flags)
	}
	if r := AnalyseRun(nil, Options{}); len(r.Results) != 0 || len(r.Flags) != 0 {
		t.Errorf("no channels give %+v", r)
	}
}
