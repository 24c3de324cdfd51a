package rate

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"brimline/analysis/curve"
)

// bottle is a tube on a simulated cell, by the equations of the faults in the trade
// reference written anew: what has come into it and what is shown, at every millisecond's
// multiple that a converter of the rate hz looks.
type bottle struct {
	hz, mLPerMin  float64
	restS, flowS  float64
	afterS        float64
	arrived       func(sent, t, u float64) float64 // mL that are in the tube of those sent, u after the onset; nil: all
	shown         func(in, t float64) float64      // added to what is shown, g or mL
	leaks         float64                          // of the rate, after the end
	lateS, earlyS float64
	level         bool // in mL, by a sender that makes 0.003 mL of noise
}

const testDensity = 0.82

func usualBottle(rng *rand.Rand, hz float64) bottle {
	return bottle{hz: hz, mLPerMin: 6 + 12*rng.Float64(), restS: 30, flowS: 180, afterS: 60 + 60*rng.Float64()}
}

// curve draws the bottle's curve: hunting of 0.5 % and 3 s (AR(1)), a warm-up of 0.8 %, white
// noise and a walk as measured on 24-bit converters, a shaking engine.
func (o bottle) curve(t *testing.T, rng *rand.Rand) curve.Curve {
	t.Helper()
	white, walk, perG := 150.0/2147, 2.0/2147, testDensity
	if o.hz < 50 {
		white = 60.0 / 2147
	}
	if o.level {
		white, walk, perG = 0.003, 0, 1
	}
	const step = 0.25
	from, to := o.restS+o.lateS, o.restS+o.flowS-o.earlyS
	// What was sent, on a grid of 0.25 s.
	n := int((o.restS+o.flowS+o.afterS)/step) + 2
	sent := make([]float64, n)
	hunt, a := 0.005*rng.NormFloat64(), math.Exp(-step/3)
	for k := 1; k < n; k++ {
		u := float64(k-1) * step
		q := o.mLPerMin / 60 * (1 - 0.008*math.Exp(-(u-o.restS)/300) + hunt)
		switch {
		case u < from:
			q = 0
		case u >= to:
			q = o.leaks * o.mLPerMin / 60
		}
		sent[k] = sent[k-1] + q*step
		hunt = a*hunt + 0.005*math.Sqrt(1-a*a)*rng.NormFloat64()
	}
	var ts, ys []float64
	drift := 0.0
	for i := 0; ; i++ {
		at := float64(i) / o.hz
		if at > o.restS+o.flowS+o.afterS {
			break
		}
		k := int(at / step)
		in := sent[k] + (sent[k+1]-sent[k])*(at/step-float64(k))
		if o.arrived != nil {
			in = o.arrived(in, at, at-from)
		}
		y := in*perG + drift + white*rng.NormFloat64()
		if !o.level && at > from && at < to {
			y += 20.0 / 2147 * math.Sin(2*math.Pi*6.67*at)
		}
		if o.shown != nil {
			y += o.shown(in, at)
		}
		drift += walk / math.Sqrt(o.hz) * rng.NormFloat64()
		ts, ys = append(ts, at), append(ys, y)
	}
	unit := curve.Gram
	if o.level {
		unit = curve.Millilitre
	}
	c, err := curve.New("tube2", unit, ts, ys)
	if err != nil {
		t.Fatal(err)
	}
	c.CapacityML = 100
	return c
}

// blocked lets a share of the flow go another way, K V/(S - V) of it, in fine steps.
func blocked(share, mLPerMin float64) func(sent, t, u float64) float64 {
	k := share * mLPerMin / 60 * (100 - 30) / 30.
	v, last, lastT := 0.0, 0.0, 0.0
	return func(sent, t, _ float64) float64 {
		in := sent - last
		v += in - min(in, k*v/(100-v)*(t-lastT))
		last, lastT = sent, t
		return v
	}
}

// The faults at a size that the table in flags_fuel.go claims, or a little over.
var fuelFaults = []struct {
	code string
	sev  []Severity // that it may have
	says string
	size func(rng *rand.Rand, o *bottle)
}{
	{codeVent, []Severity{Forbids}, "tube2's curve bends over as if its vent hole were blocked", func(_ *rand.Rand, o *bottle) { o.arrived = blocked(0.25, o.mLPerMin) }},
	{codeKink, []Severity{Doubt}, "pinched shut", func(rng *rand.Rand, o *bottle) {
		from, long, held := o.restS+20+100*rng.Float64(), 4.0, math.NaN()
		o.arrived = func(sent, t, _ float64) float64 {
			switch {
			case t < from:
				held = sent
				return sent
			case t < from+long:
				return held
			}
			return sent - o.mLPerMin/60*long*math.Exp(-(t-from-long)/0.5)
		}
	}},
	{codeAir, []Severity{Forbids}, "as if air came through the hose", func(rng *rand.Rand, o *bottle) {
		first := 1 + 4*rng.Float64()
		o.arrived = func(sent, _, _ float64) float64 {
			w := max(0, sent-first)
			n := math.Floor(w / 5)
			return sent - n*0.5 - min(w-5*n, 0.5)
		}
	}},
	{codeDrip, []Severity{Note}, "drops of 43 mg", func(_ *rand.Rand, o *bottle) {
		const drop = 0.0429 / testDensity
		o.mLPerMin = min(o.mLPerMin, 12)
		o.arrived = func(sent, _, _ float64) float64 { return math.Floor(sent/drop) * drop }
	}},
	{codeFoam, []Severity{Doubt, Forbids}, "as foam does", func(_ *rand.Rand, o *bottle) {
		o.level = true
		o.shown = func(_, t float64) float64 {
			u := min(max(0, t-o.restS), o.flowS)
			return 0.1 * o.mLPerMin / 60 * 30 * -math.Expm1(-u/30) * math.Exp(-max(0, t-o.restS-o.flowS)/30)
		}
	}},
	{codeFilm, []Severity{Note}, "drains from the tube's wall", func(_ *rand.Rand, o *bottle) {
		o.shown = func(_, t float64) float64 {
			return 0.11 * testDensity * math.Sqrt(60/(5+min(t, o.restS)))
		}
	}},
	{codeLeak, []Severity{Doubt}, "goes on filling", func(_ *rand.Rand, o *bottle) { o.leaks = 0.03 }},
	{codeLeak, []Severity{Doubt}, "goes on filling", func(_ *rand.Rand, o *bottle) { o.leaks = 0.2 }},
	{codeDip, []Severity{Doubt, Forbids}, "as if the spout dipped into the fuel", func(rng *rand.Rand, o *bottle) {
		at := 20 + 100*rng.Float64()
		o.shown = func(in, t float64) float64 {
			return 25. / (24*24 - 25) * testDensity * max(0, in-o.mLPerMin/60*at)
		}
	}},
}

// Each fault is called by its name and by no other, and its size is about right.
func TestFuelFaultsAreNamed(t *testing.T) {
	for _, tc := range fuelFaults {
		t.Run(tc.code, func(t *testing.T) {
			for seed := range uint64(8) {
				rng := rand.New(rand.NewPCG(2_000_000+seed, 31))
				o := usualBottle(rng, []float64{80, 10.5}[seed%2])
				tc.size(rng, &o)
				f := oneFill(t, o.curve(t, rng), Options{Mode: OneFill, Density: &curve.Density{GPerML: testDensity, U: 0.0005}})
				if got := codes(f); got != tc.code {
					t.Errorf("seed %d, %g values/s, %.1f mL/min: flags %q, want %q: %+v", seed, o.hz, o.mLPerMin, got, tc.code, f.Flags)
					continue
				}
				g := f.Flags[0]
				if !slices.Contains(tc.sev, g.Severity) || !strings.Contains(g.Says, tc.says) {
					t.Errorf("seed %d: %s %q, want %v and %q", seed, g.Severity, g.Says, tc.sev, tc.says)
				}
				if g.Severity > Note && g.Do == "" {
					t.Errorf("seed %d: nothing to do about %q", seed, g.Says)
				}
				if e := g.Evidence; !(e.FromS <= e.ToS) || !(e.Size > 0) || !(e.U > 0) || e.Unit == "" || !(e.Chance >= 0 && e.Chance < 0.01) {
					t.Errorf("seed %d: evidence %+v", seed, e)
				}
			}
		})
	}
}

// What is said of a fault's size is its size, and what is said of the rate without it is the rate.
func TestFuelFaultsAreMeasured(t *testing.T) {
	one := func(code string, change func(rng *rand.Rand, o *bottle)) (bottle, Flag) {
		rng := rand.New(rand.NewPCG(2_000_100, 32))
		o := usualBottle(rng, 80)
		o.mLPerMin = 10
		change(rng, &o)
		f := oneFill(t, o.curve(t, rng), Options{Mode: OneFill, Density: &curve.Density{GPerML: testDensity}})
		for _, g := range f.Flags {
			if g.Code == code {
				return o, g
			}
		}
		t.Fatalf("no %s: %+v", code, f.Flags)
		return o, Flag{}
	}
	for _, tc := range fuelFaults {
		var want, within float64
		switch tc.code {
		case codeKink:
			want, within = 4, 0.4 // s
		case codeAir:
			want, within = 0.5, 0.05 // mL
		case codeDrip:
			want, within = 42.9, 0.2 // mg
		case codeFoam:
			want, within = 0.5, 0.05 // 0.1 of 1/6 mL/s, for 30 s
		case codeFilm:
			want, within = 0.11, 0.02 // mL
		case codeDip:
			want, within = 100*25./(576-25), 1 // %
		default:
			continue
		}
		if _, g := one(tc.code, tc.size); math.Abs(g.Evidence.Size-want) > within {
			t.Errorf("%s: %g ± %g %s, want %g ± %g", tc.code, g.Evidence.Size, g.Evidence.U, g.Evidence.Unit, want, within)
		}
	}
	if _, g := one(codeLeak, func(_ *rand.Rand, o *bottle) { o.leaks = 0.1 }); math.Abs(g.Evidence.Size-testDensity) > 3*g.Evidence.U+0.01 {
		t.Errorf("a leak of 1 mL/min is %g ± %g %s", g.Evidence.Size, g.Evidence.U, g.Evidence.Unit)
	}
	// A vent that lets a fifth by: 30 mL in 100, what is lost is the integral.
	v := blocked(0.2, 10)
	in := 0.0
	for i := range 180 * 80 {
		in = v(float64(i)/80/6, float64(i)/80, 0)
	}
	if _, g := one(codeVent, func(_ *rand.Rand, o *bottle) { o.arrived = blocked(0.2, 10) }); math.Abs(g.Evidence.Size-100*(1-in/30)) > 1.5 {
		t.Errorf("a vent loses %g ± %g %%, want %g", g.Evidence.Size, g.Evidence.U, 100*(1-in/30))
	}
}

// Sound fills have no flag: an engine that hunts, warms up and shakes is none of the faults.
func TestSoundBottlesRaiseNoFlag(t *testing.T) {
	raised := 0
	const fills = 120
	for seed := range uint64(fills) {
		rng := rand.New(rand.NewPCG(2_001_000+seed, 33))
		o := usualBottle(rng, []float64{80, 10.5}[seed%2])
		o.level = seed%5 == 4
		f := oneFill(t, o.curve(t, rng), Options{Mode: OneFill, Density: &curve.Density{GPerML: testDensity}})
		if len(f.Flags) > 0 {
			raised++
			t.Logf("seed %d: %+v", seed, f.Flags)
		}
	}
	if raised > 1 {
		t.Errorf("%d of %d sound fills are flagged, want at most 1", raised, fills)
	}
}

// What begins late or ends early shows against the others only, and says both causes.
func TestLateAndEarlyAgainstTheOthers(t *testing.T) {
	for _, tc := range []struct {
		name  string
		n     int
		late  []float64
		early []float64
		want  []string
	}{
		{"one of four late", 4, []float64{0, 20, 0, 0}, []float64{0, 0, 0, 0}, []string{"", codeLate, "", ""}},
		{"one of two late", 2, []float64{12, 0}, []float64{0, 0}, []string{codeLate, ""}},
		{"one of four early", 4, []float64{0, 0, 0, 0}, []float64{0, 0, 0, 40}, []string{"", "", "", codeEarly}},
		{"late and early", 3, []float64{30, 0, 0}, []float64{30, 0, 0}, []string{codeEarly + " " + codeLate, "", ""}},
		{"a second is nothing", 3, []float64{0, 1, 0}, []float64{0, 0, 1}, []string{"", "", ""}},
		{"one alone", 1, []float64{40}, []float64{0}, []string{""}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var curves []curve.Curve
			for i := range tc.n {
				rng := rand.New(rand.NewPCG(2_002_000+uint64(i), 34))
				o := usualBottle(rng, 80)
				o.afterS, o.lateS, o.earlyS = 60, tc.late[i], tc.early[i]
				curves = append(curves, o.curve(t, rng))
			}
			r := AnalyseRun(curves, Options{Mode: OneFill, Density: &curve.Density{GPerML: testDensity}})
			for i, x := range r.Results {
				if got := codes(x.Fills[0]); got != tc.want[i] {
					t.Errorf("channel %d: flags %q, want %q: %+v", i, got, tc.want[i], x.Fills[0].Flags)
				}
				for _, g := range x.Fills[0].Flags {
					if g.Code == codeLate && (!strings.Contains(g.Says, "hose had to fill") || !strings.Contains(g.Says, "put on late") || math.Abs(g.Evidence.Size-tc.late[i]) > 1) {
						t.Errorf("channel %d: %+v", i, g)
					}
					if g.Code == codeEarly && math.Abs(g.Evidence.Size-tc.early[i]) > 1 {
						t.Errorf("channel %d: %+v", i, g)
					}
				}
			}
			// A stream's fills each have a time of their own.
			for _, x := range AnalyseRun(curves, Options{}).Results {
				for _, f := range x.Fills {
					if c := codes(f); strings.Contains(c, codeLate) || strings.Contains(c, codeEarly) {
						t.Errorf("a stream has flags %q", c)
					}
				}
			}
		})
	}
}

// Under twenty drops no rate is to be trusted.
func TestFewDrops(t *testing.T) {
	for _, tc := range []struct {
		gain, drop float64
		want       Severity
	}{{0.8, 0.05, Doubt}, {2, 0.05, Note}} {
		w := way{f: &Fill{StartS: 0, EndS: 60, Gain: tc.gain}, gPer: 1, rate: tc.gain / 60}
		if g := w.dripping(tc.drop, 0.001, 0); g.Severity != tc.want || (g.Do == "") != (tc.want == Note) {
			t.Errorf("%.0f drops: %+v", tc.gain/tc.drop, g)
		}
	}
}

// A lone line in time, as of a shaking engine, is no staircase; one at a third of the values'
// rate looks like one by folding. Powers as simulated benches gave them.
func TestDropsOrALine(t *testing.T) {
	for _, tc := range []struct {
		name                         string
		inMass, inTime, line, thirdH float64
		want                         bool
	}{
		{"drops", 131.5, 115.0, 116.6, 9, true},
		{"drops on an even flow", 96.1, 129.9, 126.5, 7, true},
		{"drops that move about", 88.8, 77.4, 79.6, 13.2, true},
		{"a shaking engine", 19.5, 70.5, 72.2, 20.1, false},
		{"a weak line", 34.3, 47.1, 47.6, 11.2, false},
		{"noise", 16.5, 8.3, 6.1, 17.7, false},
		{"a line folded on itself", 50.0, 65.4, 55.6, 9.99, false},
		{"drops where lines fold", 100.6, 112.1, 75.5, 10.01, true},
	} {
		if got := areDrops(tc.inMass, tc.inTime, tc.line, tc.thirdH, 10); got != tc.want {
			t.Errorf("%s: %v, want %v", tc.name, got, tc.want)
		}
	}
}

// A channel that was not read after its end did not end early, as far as anybody knows.
func TestNotReadIsNotEarly(t *testing.T) {
	var curves []curve.Curve
	for i := range 3 {
		rng := rand.New(rand.NewPCG(2_004_000+uint64(i), 36))
		o := usualBottle(rng, 80)
		o.afterS = 60
		curves = append(curves, o.curve(t, rng))
	}
	for i, at := range curves[1].ElapsedS {
		if at > 150 {
			curves[1].Marks[i] = curve.Limit
		}
	}
	r := AnalyseRun(curves, Options{Mode: OneFill, Density: &curve.Density{GPerML: testDensity}})
	if c := codes(r.Results[1].Fills[0]); strings.Contains(c, codeEarly) {
		t.Errorf("flags %q", c)
	}
}

// A bent flow of another kind is not a fault of the fuel's way, and odd records raise nothing.
func TestFuelFlagsLeaveOthersAlone(t *testing.T) {
	fuel := []string{codeVent, codeKink, codeAir, codeDrip, codeFoam, codeFilm, codeLeak, codeDip}
	for _, tc := range []struct {
		name   string
		change func(o *bottle)
		marks  func(c *curve.Curve)
	}{
		{"the flow stops for half a minute", func(o *bottle) {
			o.arrived = func(sent, t, _ float64) float64 { return sent - o.mLPerMin/60*min(30, max(0, t-o.restS-60)) }
		}, nil},
		{"the flow steps down", func(o *bottle) {
			o.arrived = func(sent, t, _ float64) float64 { return sent - 0.1*max(0, sent-o.mLPerMin/60*90) }
		}, nil},
		{"one code for a minute", func(*bottle) {}, func(c *curve.Curve) {
			i, _ := slices.BinarySearch(c.ElapsedS, 80)
			j, _ := slices.BinarySearch(c.ElapsedS, 140)
			for k := i; k < j; k++ {
				c.Values[k] = c.Values[i]
			}
		}},
		{"no values for a minute", func(*bottle) {}, func(c *curve.Curve) {
			for i, t := range c.ElapsedS {
				if t > 80 && t < 140 {
					c.Marks[i] = curve.Missing
				}
			}
		}},
		{"warmth in the cell", func(o *bottle) {
			o.shown = func(_, t float64) float64 {
				x := max(0, t-o.restS) / 240
				return 0.14 * (1 - (1+x)*math.Exp(-x))
			}
		}, nil},
		{"nothing marked usable but the ends", func(*bottle) {}, func(c *curve.Curve) {
			for i := 20; i < len(c.Marks)-20; i++ {
				c.Marks[i] = curve.Misread
			}
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(2_003_000, 35))
			o := usualBottle(rng, 80)
			o.mLPerMin = 10
			tc.change(&o)
			c := o.curve(t, rng)
			if tc.marks != nil {
				tc.marks(&c)
			}
			for _, mode := range []Mode{Stream, OneFill, Window} {
				r, err := Analyse(c, Options{Mode: mode})
				if err != nil {
					t.Fatal(err)
				}
				for _, f := range r.Fills {
					for _, g := range f.Flags {
						if slices.Contains(fuel, g.Code) && mode == OneFill {
							t.Errorf("%s: %s", g.Code, g.Text())
						}
					}
				}
			}
		})
	}
}
