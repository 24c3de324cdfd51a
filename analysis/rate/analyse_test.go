package rate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"brimline/analysis/curve"
)

// A cell as measured on 24-bit converters at 80 samples/s and 2147 counts/g: white
// 150 counts rms, a warm random walk of 2 counts/sqrt(s).
const (
	cellWhite = 150.0 / 2147
	cellWalk  = 2.0 / 2147
)

// rig80 is a run's curve: rest, flow, rest. flow gives the mass in g that has come
// in at u seconds after the onset; it stays where it is at the end.
type made struct {
	t, y         []float64
	onset, end   float64
	restS, flowS float64
}

func makeRun(rng *rand.Rand, hz, restS, flowS float64, flow func(u float64) float64) made {
	m := made{onset: restS + rng.Float64(), restS: restS, flowS: flowS}
	m.end = m.onset + flowS
	w := 0.0
	for i := 0; ; i++ {
		t := float64(i)/hz + 1e-4*rng.Float64()
		if t > m.end+restS {
			return m
		}
		u := min(max(t-m.onset, 0), flowS)
		m.t = append(m.t, t)
		m.y = append(m.y, flow(u)+w+cellWhite*rng.NormFloat64())
		w += cellWalk / math.Sqrt(hz) * rng.NormFloat64()
	}
}

func steadyFlow(gPerMin float64) func(float64) float64 {
	return func(u float64) float64 { return gPerMin / 60 * u }
}

func (m made) curve(t *testing.T) curve.Curve {
	t.Helper()
	c, err := curve.New("tube1", curve.Gram, m.t, m.y)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func oneFill(t *testing.T, c curve.Curve, o Options) Fill {
	t.Helper()
	r, err := Analyse(c, o)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Fills) != 1 {
		t.Fatalf("%d fills, want 1: %+v", len(r.Fills), r.Fills)
	}
	return r.Fills[0]
}

func codes(f Fill) string {
	var c []string
	for _, g := range f.Flags {
		c = append(c, g.Code)
	}
	slices.Sort(c)
	return strings.Join(c, " ")
}

func TestSteadyRun(t *testing.T) {
	for _, tc := range []struct {
		name           string
		hz, flowS, gpm float64
	}{
		{"three minutes at 85 samples/s", 85, 180, 8.3},
		{"ten samples a second", 10.6, 180, 8.3},
		{"one sample a second", 1, 180, 8.3},
		{"slow leak", 85, 180, 0.8},
		{"fast", 85, 60, 120},
		{"twenty seconds", 85, 20, 8.3},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(3, uint64(len(tc.name))))
			m := makeRun(rng, tc.hz, 15, tc.flowS, steadyFlow(tc.gpm))
			f := oneFill(t, m.curve(t), Options{Mode: OneFill, Density: &curve.Density{GPerML: 0.832, U: 0.0005}})
			if f.Kind != KindFill || !f.Steady || len(f.Flags) != 0 {
				t.Errorf("kind %s, steady %v, flags %q; want a steady fill without flags", f.Kind, f.Steady, codes(f))
			}
			// Where a line of slope r leaves noise: a few samples, or a few sd over the slope.
			slack := 3/tc.hz + 8*cellWhite/(tc.gpm/60)/math.Sqrt(tc.hz)
			if math.Abs(f.StartS-m.onset) > slack || math.Abs(f.EndS-m.end) > slack {
				t.Errorf("fill from %.2f to %.2f s, made from %.2f to %.2f s, allowed %.2f s", f.StartS, f.EndS, m.onset, m.end, slack)
			}
			if d := math.Abs(f.RateGPerMin - tc.gpm); d > 1.5*f.U95 {
				t.Errorf("rate %.4f ± %.4f g/min, made at %.4f", f.RateGPerMin, f.U95, tc.gpm)
			}
			if want := f.RateGPerMin / 0.832; math.Abs(f.RateMLPerMin-want) > 1e-12*want {
				t.Errorf("volume rate %.4f mL/min, want %.4f", f.RateMLPerMin, want)
			}
			if f.U95MLPerMin < f.U95/0.832 {
				t.Errorf("U95 of the volume rate %.5f is under that of the mass rate", f.U95MLPerMin)
			}
		})
	}
}

// Every fault of the first flags is named, on a curve made with it; each case
// lists every code that is raised, so that none comes uncalled.
func TestFlags(t *testing.T) {
	plain := func(rng *rand.Rand) made { return makeRun(rng, 85, 15, 180, steadyFlow(8.3)) }
	for _, tc := range []struct {
		name   string
		make   func(rng *rand.Rand) made
		change func(rng *rand.Rand, m *made)
		cap    float64
		want   string
		steady bool
		sev    Severity
		says   string
	}{
		{name: "steps down by a tenth", make: func(rng *rand.Rand) made {
			return makeRun(rng, 85, 15, 180, func(u float64) float64 { return 8.3 / 60 * (u - 0.1*max(0, u-80)) })
		}, want: "not-steady", sev: Doubt, says: "goes from 8.3"},
		{name: "sags evenly by a fifth", make: func(rng *rand.Rand) made {
			return makeRun(rng, 85, 15, 180, func(u float64) float64 { return 8.3 / 60 * (u - 0.2*u*u/360) })
		}, want: "blocked-vent", sev: Forbids, says: "bends over"},
		{name: "slow wave", make: func(rng *rand.Rand) made {
			return makeRun(rng, 85, 15, 180, func(u float64) float64 { return 8.3 / 60 * (u + 8*math.Sin(2*math.Pi*u/60)) })
		}, want: "not-steady", sev: Forbids, says: "in stretches of 1"},
		{name: "stops for half a minute", make: func(rng *rand.Rand) made {
			return makeRun(rng, 85, 15, 180, func(u float64) float64 { return 8.3 / 60 * (min(u, 80) + max(0, u-110)) })
		}, want: "not-steady", sev: Forbids, says: "stops once"},
		{name: "no flow", make: func(rng *rand.Rand) made { return makeRun(rng, 85, 15, 180, steadyFlow(0)) },
			want: "no-flow", sev: Forbids, says: "could hide"},
		{name: "misreads", make: plain, change: func(rng *rand.Rand, m *made) {
			for range len(m.y) / 50 {
				m.y[rng.IntN(len(m.y))] *= []float64{0, 2, 4}[rng.IntN(3)]
			}
		}, want: "misreads", steady: true, sev: Doubt, says: "misread"},
		{name: "a few misreads", make: plain, change: func(rng *rand.Rand, m *made) {
			for range 20 {
				m.y[rng.IntN(len(m.y))] = -400
			}
		}, want: "misreads", steady: true, sev: Note, says: "left out"},
		{name: "gap", make: plain, change: func(_ *rand.Rand, m *made) {
			i, _ := slices.BinarySearch(m.t, 90)
			j, _ := slices.BinarySearch(m.t, 115)
			m.t, m.y = slices.Delete(m.t, i, j), slices.Delete(m.y, i, j)
		}, want: "gap", steady: true, sev: Doubt, says: "25 s of"},
		{name: "jumps up", make: plain, change: func(_ *rand.Rand, m *made) {
			for i, _ := slices.BinarySearch(m.t, 110); i < len(m.y); i++ {
				m.y[i] += 5
			}
		}, want: "jump", sev: Forbids, says: "jumps once by 5."},
		{name: "jumps down a little", make: func(rng *rand.Rand) made { return makeRun(rng, 85, 15, 180, steadyFlow(40)) }, change: func(_ *rand.Rand, m *made) {
			for i, _ := slices.BinarySearch(m.t, 110.3); i < len(m.y); i++ {
				m.y[i] -= 5
			}
		}, want: "jump", sev: Doubt, says: "g down at 11"},
		{name: "tube near full", make: plain, cap: 34, want: "near-full", steady: true, sev: Doubt, says: "% full"},
		{name: "tube run over", make: plain, cap: 28, want: "near-full", steady: true, sev: Forbids, says: "run over"},
		{name: "short", make: func(rng *rand.Rand) made { return makeRun(rng, 85, 15, 12, steadyFlow(30)) },
			want: "short", steady: true, sev: Doubt, says: "12 s"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(7, uint64(len(tc.name))))
			m := tc.make(rng)
			if tc.change != nil {
				tc.change(rng, &m)
			}
			c := m.curve(t)
			c.CapacityML = tc.cap
			f := oneFill(t, c, Options{Mode: OneFill, Density: &curve.Density{GPerML: 0.832}})
			if got := codes(f); got != tc.want {
				t.Fatalf("flags %q, want %q: %+v", got, tc.want, f.Flags)
			}
			if f.Steady != tc.steady {
				t.Errorf("steady %v, want %v", f.Steady, tc.steady)
			}
			if g := f.Flags[0]; g.Severity != tc.sev || !strings.Contains(g.Says, tc.says) {
				t.Errorf("flag %s (%s): %q, want %s and %q", g.Code, g.Severity, g.Says, tc.sev, tc.says)
			}
			if f.Allows() != (tc.sev != Forbids) {
				t.Errorf("Allows is %v for a flag that is a %s", f.Allows(), tc.sev)
			}
		})
	}
}

// What every sound run must be free of: over 200 runs no flag at all.
func TestSoundRunsRaiseNoFlag(t *testing.T) {
	raised := 0
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 1))
		m := makeRun(rng, 11, 15, 120, steadyFlow(3+10*rng.Float64()))
		if f := oneFill(t, m.curve(t), Options{Mode: OneFill}); len(f.Flags) != 0 {
			raised++
			t.Logf("seed %d: %+v", seed, f.Flags)
		}
	}
	t.Logf("%d of 200 sound runs were flagged", raised)
	if raised > 1 {
		t.Errorf("%d of 200 sound runs were flagged, want at most 1", raised)
	}
}

// A stream of fills and dumps, one sample each ten seconds, is cut where it was made.
func TestStreamIsCut(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	var ts, ys []float64
	level, now := 1300.0, 0.0
	add := func(seconds, gPerMin float64) {
		for range int(seconds / 10) {
			ts, ys = append(ts, now), append(ys, level+0.1*rng.NormFloat64())
			now += 10
			level += gPerMin / 6
		}
	}
	add(100, 0)
	add(480, 29.9)
	add(90, 0)
	level -= 235
	add(100, 0)
	add(460, 29.9)
	now += 4000 // an outage
	add(300, 0)
	add(600, -6.8)
	c, err := curve.New("beaker", curve.Gram, ts, ys)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Analyse(c, Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := []struct {
		kind             Kind
		start, end, rate float64
	}{{KindFill, 100, 580, 29.9}, {KindFill, 770, 1220, 29.9}, {KindDrain, 5530, 6120, -6.8}}
	if len(r.Fills) != len(want) {
		t.Fatalf("%d fills, want %d: %+v", len(r.Fills), len(want), r.Fills)
	}
	for i, w := range want {
		f := r.Fills[i]
		if f.Kind != w.kind || math.Abs(f.StartS-w.start) > 12 || math.Abs(f.EndS-w.end) > 12 || math.Abs(f.RateGPerMin-w.rate) > 0.15 {
			t.Errorf("fill %d is a %s of %.2f g/min from %.0f to %.0f s, want %+v", i, f.Kind, f.RateGPerMin, f.StartS, f.EndS, w)
		}
	}
	if len(r.Events) != 2 || r.Events[0].Kind != "dump" || math.Abs(r.Events[0].Size-235) > 1 || r.Events[1].Kind != "gap" || r.Events[1].EndS-r.Events[1].StartS < 4000 {
		t.Errorf("events %+v, want a dump of 235 g and a gap of 4000 s", r.Events)
	}
}

// knock swings the reading by 15 g for 0.4 s from each of the times.
func (m *made) knock(at ...float64) {
	for i, t := range m.t {
		for _, k := range at {
			if t >= k && t < k+0.4 {
				m.y[i] += 15 * math.Sin(2*math.Pi*3*(t-k)/0.4)
			}
		}
	}
}

// A knock is over at once: it is no dump, ends no fill and is no pause.
func TestKnockTakesNothing(t *testing.T) {
	for seed := range uint64(10) {
		rng := rand.New(rand.NewPCG(seed, 21))
		m := makeRun(rng, 80, 20, 120, steadyFlow(10))
		m.knock(50+10*rng.Float64(), 100+10*rng.Float64())
		for _, mode := range []Mode{Stream, OneFill} {
			r, err := Analyse(m.curve(t), Options{Mode: mode})
			if err != nil {
				t.Fatal(err)
			}
			if len(r.Fills) != 1 || len(r.Events) != 0 {
				t.Errorf("seed %d, mode %d: %d fills, events %+v; want one fill and none", seed, mode, len(r.Fills), r.Events)
				continue
			}
			f := r.Fills[0]
			if math.Abs(f.RateGPerMin-10) > 1.5*f.U95 || f.U95 > 0.2 {
				t.Errorf("seed %d, mode %d: rate %.3f ± %.3f g/min, made at 10", seed, mode, f.RateGPerMin, f.U95)
			}
			for _, g := range f.Flags {
				if strings.Contains(g.Says, "stops") || g.Severity == Forbids {
					t.Errorf("seed %d, mode %d: %s: %s", seed, mode, g.Code, g.Says)
				}
			}
		}
	}
}

// A tube lifted off for a moment and put back emptier was emptied.
func TestLiftedAndEmptied(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 22))
	m := makeRun(rng, 20, 20, 120, steadyFlow(10))
	for i, u := range m.t {
		switch {
		case u > 100 && u < 101:
			m.y[i] = -180
		case u >= 101:
			m.y[i] -= 13
		}
	}
	r, err := Analyse(m.curve(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Events) == 0 || math.Abs(r.Events[0].StartS-100) > 1 || len(r.Fills) != 2 {
		t.Errorf("events %+v and %d fills, want a loss at 100 s between two fills", r.Events, len(r.Fills))
	}
}

// Drops that fall one by one on a quiet cell are treads and steps, and a flow.
func TestDripsAreAFlow(t *testing.T) {
	const drop = 0.030
	for _, tc := range []struct{ hz, gpm, white, flowS float64 }{
		{10, 0.5, 0.003, 180}, {10, 0.2, 0.003, 600}, {80, 0.5, 0.005, 180}, {80, 2, 0.01, 180},
	} {
		held := 0
		for seed := range uint64(10) {
			rng := rand.New(rand.NewPCG(seed, 23))
			m := makeRun(rng, tc.hz, 20, tc.flowS, func(u float64) float64 { return drop * math.Floor(tc.gpm/60*u/drop+0.5) })
			// A quieter cell than makeRun's: the drops are to be seen.
			for i, u := range m.t {
				x := min(max(u-m.onset, 0), m.flowS)
				m.y[i] = drop*math.Floor(tc.gpm/60*x/drop+0.5) + tc.white*rng.NormFloat64()
			}
			r, err := Analyse(m.curve(t), Options{})
			if err != nil {
				t.Fatal(err)
			}
			if len(r.Fills) != 1 || r.Fills[0].Kind != KindFill || !r.Fills[0].Allows() {
				t.Errorf("%g samples/s, %g g/min, seed %d: %+v, want one fill", tc.hz, tc.gpm, seed, r.Fills)
				continue
			}
			if f := r.Fills[0]; math.Abs(f.RateGPerMin-tc.gpm) <= f.U95 {
				held++
			}
		}
		if held < 9 {
			t.Errorf("%g samples/s, %g g/min: the interval held the truth in %d of 10", tc.hz, tc.gpm, held)
		}
	}
}

// Misreads of all kinds in every twentieth value, alone or three together, make no
// dump and cut no fill.
func TestMisreadsCutNothing(t *testing.T) {
	for _, tc := range []struct {
		hz    float64
		clump int
	}{{80, 1}, {10, 1}, {10, 3}} {
		for seed := range uint64(10) {
			rng := rand.New(rand.NewPCG(seed, 24))
			m := makeRun(rng, tc.hz, 20, 120, steadyFlow(10))
			for i := 0; i < len(m.y); i++ {
				if rng.Float64() > 0.05/float64(tc.clump) {
					continue
				}
				for range tc.clump {
					if i < len(m.y) {
						counts := 84000 + 2147*m.y[i]
						m.y[i] = ([]float64{0, -1, 2 * counts, 4 * counts, -1 << 23, float64(int(1)<<(18+rng.IntN(6))) - 1}[rng.IntN(6)] - 84000) / 2147
						i++
					}
				}
			}
			r, err := Analyse(m.curve(t), Options{})
			if err != nil {
				t.Fatal(err)
			}
			if len(r.Fills) != 1 || len(r.Events) != 0 {
				t.Errorf("%g samples/s, clumps of %d, seed %d: %d fills, events %+v; want one fill and none", tc.hz, tc.clump, seed, len(r.Fills), r.Events)
				continue
			}
			if f := r.Fills[0]; math.Abs(f.RateGPerMin-10) > 2*f.U95 || f.U95 > 0.2 || codes(f) != "misreads" {
				t.Errorf("%g samples/s, clumps of %d, seed %d: rate %.3f ± %.3f g/min, flags %s; made at 10", tc.hz, tc.clump, seed, f.RateGPerMin, f.U95, codes(f))
			}
		}
	}
}

// Scaling the values scales rate and uncertainty; shifting the clock or the zero
// changes neither.
func TestRateScalesWithUnits(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	m := makeRun(rng, 20, 15, 120, steadyFlow(8.3))
	base := oneFill(t, m.curve(t), Options{Mode: OneFill})
	moved := m
	moved.t, moved.y = slices.Clone(m.t), slices.Clone(m.y)
	for i := range moved.t {
		moved.t[i] += 5000
		moved.y[i] += 350
	}
	f := oneFill(t, moved.curve(t), Options{Mode: OneFill})
	if math.Abs(f.RateGPerMin-base.RateGPerMin) > 1e-9*base.RateGPerMin || math.Abs(f.StartS-5000-base.StartS) > 1e-6 {
		t.Errorf("shifted by 5000 s and 350 g: rate %.12g from %.6f s, want %.12g from %.6f s", f.RateGPerMin, f.StartS, base.RateGPerMin, base.StartS+5000)
	}
	ml := make([]float64, len(m.y))
	for i, v := range m.y {
		ml[i] = v / 0.832
	}
	c, err := curve.New("tube1", curve.Millilitre, m.t, ml)
	if err != nil {
		t.Fatal(err)
	}
	v := oneFill(t, c, Options{Mode: OneFill, Density: &curve.Density{GPerML: 0.832}})
	if math.Abs(v.RateMLPerMin*0.832-base.RateGPerMin) > 1e-6*base.RateGPerMin || math.Abs(v.RateGPerMin-base.RateGPerMin) > 1e-6*base.RateGPerMin {
		t.Errorf("the same curve in mL: %.6f mL/min and %.6f g/min, want %.6f g/min", v.RateMLPerMin, v.RateGPerMin, base.RateGPerMin)
	}
}

func TestAnalyseRefuses(t *testing.T) {
	ts := []float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}
	flat := make([]float64, len(ts))
	c, err := curve.New("tube1", curve.Gram, ts[:3], flat[:3])
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Analyse(c, Options{}); err == nil || !strings.Contains(err.Error(), "at least 8") {
		t.Errorf("three values: %v, want an error that names the least number", err)
	}
	c, err = curve.New("tube1", curve.Gram, ts, flat)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Analyse(c, Options{Density: &curve.Density{GPerML: 832}}); err == nil || !strings.Contains(err.Error(), "g/mL") {
		t.Errorf("a density in kg/m3: %v, want an error that names the unit", err)
	}
	// A flat line to the last digit is no error and no flow.
	for _, mode := range []Mode{Stream, OneFill, Window} {
		f := oneFill(t, c, Options{Mode: mode})
		if f.Kind != KindStill || codes(f) != "no-flow" || !finite(f.U95) {
			t.Errorf("mode %d: a flat line is a %s with %q and U95 %g", mode, f.Kind, codes(f), f.U95)
		}
	}
}

// Ten megabytes of noise end, and claim nothing.
func TestNoiseClaimsNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	n := 500_000
	ts, ys := make([]float64, n), make([]float64, n)
	for i := range ts {
		ts[i], ys[i] = float64(i)/80, 1000*rng.Float64()
	}
	c, err := curve.New("x", curve.Gram, ts, ys)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Analyse(c, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range r.Fills {
		if f.Allows() {
			t.Errorf("noise gave a rate: %+v", f)
		}
	}
}

// BenchmarkAnalyse is AnalyseRun, everything included: four fills of 180 s at 80 samples/s
// are to take 50 ms and 8 MB at the most. The others show how it grows.
func BenchmarkAnalyse(b *testing.B) {
	for _, tc := range []struct {
		name     string
		hz, s    float64
		channels int
	}{
		{"channels=4/run=180s/sps=80", 80, 180, 4},
		{"channels=1/run=180s/sps=80", 80, 180, 1},
		{"channels=8/run=180s/sps=80", 80, 180, 8},
		{"channels=12/run=180s/sps=80", 80, 180, 12},
		{"channels=4/run=180s/sps=10", 10, 180, 4},
		{"channels=4/run=180s/sps=320", 320, 180, 4},
		{"channels=4/run=10s/sps=80", 80, 10, 4},
		{"channels=4/run=1min/sps=80", 80, 60, 4},
		{"channels=4/run=10min/sps=80", 80, 600, 4},
		{"channels=4/run=1h/sps=80", 80, 3600, 4},
		{"channels=4/run=10h/sps=80", 80, 36000, 4},
	} {
		b.Run(tc.name, func(b *testing.B) {
			curves := make([]curve.Curve, tc.channels)
			for i := range curves {
				m := makeRun(rand.New(rand.NewPCG(1, uint64(i))), tc.hz, 30, tc.s, steadyFlow(8.3))
				c, err := curve.New(fmt.Sprintf("tube%d", i+1), curve.Gram, m.t, m.y)
				if err != nil {
					b.Fatal(err)
				}
				curves[i] = c
			}
			b.ReportAllocs()
			for b.Loop() {
				r := AnalyseRun(curves, Options{Mode: OneFill})
				for _, err := range r.Errs {
					if err != nil {
						b.Fatal(err)
					}
				}
			}
			values := float64(tc.channels * len(curves[0].Values))
			b.ReportMetric(values*float64(b.N)/b.Elapsed().Seconds(), "values/s")
		})
	}
}
