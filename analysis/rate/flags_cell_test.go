package rate

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"brimline/analysis/curve"
)

// cellRun is a run of one channel on a healthy engine and a healthy cell, the equations
// written down anew: rest of 30 s, flow of 180 s, rest of 120 s. The flow hunts by 0.5 %
// (AR(1) of 3 s), pulses by 30 % at 6.7 Hz and warms up by 1.5 % over 5 min; the cell has
// white noise, a walk and 20 counts of shaking while the flow lasts.
type cellRun struct {
	hz, mLPerMin, white, walk float64
	restS, flowS, afterS      float64
}

const (
	runCounts = 2147.0
	runGPerML = 0.82
)

func healthyCell(hz, mLPerMin float64) cellRun {
	r := cellRun{hz: hz, mLPerMin: mLPerMin, white: 150, walk: 2, restS: 30, flowS: 180, afterS: 120}
	if hz < 40 {
		r.white = 60
	}
	return r
}

// make gives times and grams; extra is what the cell shows besides, at t, with load g in
// the tube.
func (r cellRun) make(rng *rand.Rand, extra func(t, load float64) float64) (ts, ys []float64) {
	// A board's own pace, as measured on several: 0.96 to 1.19 of the nominal.
	hz := r.hz * (0.96 + 0.23*rng.Float64())
	n := int((r.restS + r.flowS + r.afterS) * hz)
	g, walk, hunt := 0.0, 0.0, rng.NormFloat64()
	keep := math.Exp(-1 / hz / 3)
	phase := 2 * math.Pi * rng.Float64()
	for i := range n {
		t := float64(i) / hz
		u := t - r.restS
		shake := 0.0
		if u > 0 && u < r.flowS {
			q := r.mLPerMin / 60 * runGPerML * (1 + 0.005*hunt + 0.3*math.Cos(2*math.Pi*6.667*u+phase) - 0.015*math.Exp(-u/300))
			g += q / hz
			shake = 20 * math.Sin(2*math.Pi*6.667*t)
		}
		hunt = keep*hunt + math.Sqrt(1-keep*keep)*rng.NormFloat64()
		walk += r.walk / math.Sqrt(hz) * rng.NormFloat64()
		y := math.Round(runCounts*(g+extra(t, g)) + walk + shake + r.white*rng.NormFloat64())
		ts, ys = append(ts, t), append(ys, y/runCounts)
	}
	return ts, ys
}

func nothing(_, _ float64) float64 { return 0 }

func cellFill(t testing.TB, ts, ys []float64, marks []curve.Mark) (Fill, *look) {
	t.Helper()
	c, err := curve.FromCounts("tube1", ts, ys, marks, curve.Calibration{CountsPerGram: 1})
	if err != nil {
		t.Fatal(err)
	}
	c.CapacityML = 100
	r, err := Analyse(c, Options{Mode: OneFill, Density: &curve.Density{GPerML: runGPerML, U: 0.0005}})
	if err != nil {
		t.Fatal(err)
	}
	return r.Fills[0], r.looks[0]
}

const anySeverity Severity = -1

// What each fault is seen from, on a healthy cell: found in every one of some seeds, and
// called nothing else.
func TestCellFaultsAreNamed(t *testing.T) {
	after := func(at float64, f func(u float64) float64) func(t, load float64) float64 {
		return func(t, _ float64) float64 {
			if t < at {
				return 0
			}
			return f(t - at)
		}
	}
	const at = 117.3
	for _, tc := range []struct {
		name, code string
		extra      func(t, load float64) float64
		change     func(ts, ys []float64, marks []curve.Mark)
		sev        Severity
		says       string
	}{
		{name: "a hose pulls by 1 mN", code: "hose-pull", extra: after(at, func(float64) float64 { return 0.102 }), sev: anySeverity, says: "steps up by 0."},
		{name: "a hose lets go by 5 mN", code: "hose-pull", extra: after(at, func(float64) float64 { return -0.51 }), sev: Doubt, says: "steps down by 0."},
		{name: "a hand's weight stays", code: "jump", extra: after(at, func(float64) float64 { return 30 }), sev: Forbids, says: "jumps once by 30"},
		{name: "a knock of 20 g", code: "knock", extra: after(at, func(u float64) float64 { return 20 * math.Exp(-u/0.2) }), sev: Note, says: "knocked once at 117 s"},
		{name: "a zero that goes on by 0.05 g/min", code: "zero-moves", extra: after(210, func(u float64) float64 { return 0.05 / 60 * u }), sev: Doubt, says: "goes on up by 0.0"},
		{name: "a lamp of 60 counts", code: "lamp-pickup", extra: after(0, func(u float64) float64 { return 0.028 * math.Sin(2*math.Pi*3.1*u) }), sev: Note, says: "3.10 Hz"},
		{name: "a converter that stands for 2 s", code: "stuck-code", change: func(ts, ys []float64, _ []curve.Mark) {
			k := 0
			for i, x := range ts {
				if x < at {
					k = i
				} else if x < at+2 {
					ys[i] = ys[k]
				}
			}
		}, sev: Doubt, says: "one and the same value from 117 to 119 s"},
		{name: "the end of the range", code: "saturation", change: func(ts, _ []float64, marks []curve.Mark) {
			for i, x := range ts {
				if x > at {
					marks[i] = curve.Limit
				}
			}
		}, sev: Doubt, says: "from 117 to 330 s"},
		{name: "half a second without power", code: "brown-out", change: func(ts, ys []float64, marks []curve.Mark) {
			for i, x := range ts {
				switch {
				case x > at && x < at+0.5:
					marks[i], ys[i] = curve.Missing, math.NaN()
				case x >= at+0.5 && x < at+1:
					marks[i] = curve.Settling
				}
			}
		}, sev: Doubt, says: "without power at 117 s"},
		{name: "broken-off reads are no brown-out", code: "misreads", change: func(ts, ys []float64, marks []curve.Mark) {
			for x := 50.0; x < 200; x += 10 { // 15 of 14,400 at the most
				i, _ := slices.BinarySearch(ts, x)
				marks[i], ys[i] = curve.Misread, 0
				for k := i + 1; k < i+5; k++ {
					marks[k] = curve.Settling
				}
			}
		}, sev: Note, says: "15 of"},
		{name: "five wild values in a row", code: "misreads", change: func(ts, ys []float64, _ []curve.Mark) {
			i, _ := slices.BinarySearch(ts, at)
			for k := i; k < i+5; k++ {
				ys[k] = 1e5 * float64(1-2*(k%2))
			}
		}, sev: Note, says: "5 of"},
		{name: "reads lost now and then", change: func(ts, ys []float64, _ []curve.Mark) {
			for _, x := range []float64{50, 120} {
				i, _ := slices.BinarySearch(ts, x)
				if len(ts) > 10_000 { // of a slow fill one in 1,800 is 0.06 %, and is said
					ys[i] = -400
				}
			}
		}},
	} {
		for _, hz := range []float64{80, 10} {
			for seed := range uint64(4) {
				rng := rand.New(rand.NewPCG(2_000_100+seed, uint64(hz)))
				extra := nothing
				if tc.extra != nil {
					extra = tc.extra
				}
				ts, ys := healthyCell(hz, 10+8*rng.Float64()).make(rng, extra)
				marks := make([]curve.Mark, len(ts))
				if tc.change != nil {
					tc.change(ts, ys, marks)
				}
				f, _ := cellFill(t, ts, ys, marks)
				if got := codes(f); got != tc.code {
					t.Errorf("%s, %g values/s, seed %d: flags %q, want %q: %+v", tc.name, hz, seed, got, tc.code, f.Flags)
					continue
				}
				if len(f.Flags) == 0 {
					continue
				}
				if g := f.Flags[0]; tc.sev != anySeverity && g.Severity != tc.sev || !strings.Contains(g.Says, tc.says) {
					t.Errorf("%s, %g values/s: %s (%s): %q, want %s and %q", tc.name, hz, g.Code, g.Severity, g.Says, tc.sev, tc.says)
				}
			}
		}
	}
}

// Sound fills carry no flag: of these few none may, and of a study's 5,000 one in two
// hundred (cmd/study).
func TestSoundFillsOfAHealthyCell(t *testing.T) {
	for seed := range uint64(60) {
		rng := rand.New(rand.NewPCG(2_001_000+seed, 3))
		r := healthyCell([]float64{10, 10, 80}[seed%3], 5+15*rng.Float64())
		if seed%2 == 0 {
			r.afterS = 60
		}
		ts, ys := r.make(rng, nothing)
		if f, _ := cellFill(t, ts, ys, nil); len(f.Flags) != 0 {
			t.Errorf("seed %d: %+v", seed, f.Flags)
		}
	}
}

// What is no fault: a balance of tenths, halves or whole grams, a power-on transient at
// the record's beginning, a cold cell's walk.
func TestWhatIsNoFaultOfTheCell(t *testing.T) {
	for seed := range uint64(6) {
		for _, shown := range []float64{0.1, 0.5, 1} {
			rng := rand.New(rand.NewPCG(2_002_000+seed, 4))
			r := healthyCell(10, 5+15*rng.Float64())
			r.white, r.walk = 40, 1
			ts, ys := r.make(rng, nothing)
			for i, y := range ys {
				ys[i] = shown * math.Round(y/shown)
			}
			f, _ := cellFill(t, ts, ys, nil)
			for _, g := range f.Flags {
				if slices.Contains([]string{"hose-pull", "jump", "knock", "stuck-code", "zero-moves", "misreads", "lamp-pickup", "idle-alias"}, g.Code) {
					t.Errorf("a display of %g g, seed %d: %s: %s", shown, seed, g.Code, g.Text())
				}
			}
		}
		rng := rand.New(rand.NewPCG(2_003_000+seed, 5))
		ts, ys := healthyCell(80, 9).make(rng, func(t, _ float64) float64 { return 0.49 * math.Exp(-t/0.2) })
		if f, _ := cellFill(t, ts, ys, nil); len(f.Flags) != 0 {
			t.Errorf("a power-on transient at the beginning, seed %d: %+v", seed, f.Flags)
		}
		r := healthyCell(80, 9)
		r.walk = 12
		ts, ys = r.make(rng, nothing)
		if f, _ := cellFill(t, ts, ys, nil); len(f.Flags) != 0 {
			t.Errorf("a cold cell's walk, seed %d: %+v", seed, f.Flags)
		}
	}
}

// A converter that began anew leaves a hole and a transient where no marks tell of it, as
// in a file.
func TestRestartSeenByItsTransient(t *testing.T) {
	for seed := range uint64(5) {
		rng := rand.New(rand.NewPCG(2_004_000+seed, 6))
		ts, ys := healthyCell(80, 9).make(rng, func(t, _ float64) float64 {
			if t < 100 {
				return 0
			}
			return 0.49 * math.Exp(-(t-100)/0.2)
		})
		i, _ := slices.BinarySearch(ts, 98)
		j, _ := slices.BinarySearch(ts, 100)
		f, l := cellFill(t, slices.Delete(ts, i, j), slices.Delete(ys, i, j), nil)
		if codes(f) != "brown-out" {
			t.Fatalf("seed %d: %+v", seed, f.Flags)
		}
		g := f.Flags[0]
		if math.Abs(g.Evidence.FromS-98) > 0.1 || math.Abs(g.Evidence.Size-2) > 0.1 || !(g.Evidence.Chance < 1e-6) {
			t.Errorf("evidence %+v, want 2 s from 98 s", g.Evidence)
		}
		if r := l.restarts(); len(r) != 1 || math.Abs(r[0].size-0.49) > 0.15 {
			t.Errorf("restarts %+v, want one of 0.49 g", r)
		}
		// The same hole without a transient is a gap.
		ts, ys = healthyCell(80, 9).make(rng, nothing)
		f, _ = cellFill(t, slices.Delete(ts, i, j), slices.Delete(ys, i, j), nil)
		if codes(f) != "gap" {
			t.Errorf("seed %d: a hole: %+v", seed, f.Flags)
		}
	}
}

// A line that comes with the flow at 10 samples/s is an order of idle, folded.
func TestIdleOrdersFold(t *testing.T) {
	rng := rand.New(rand.NewPCG(2_006_000, 8))
	ts, ys := healthyCell(10, 9).make(rng, func(t, _ float64) float64 {
		if t < 30 || t > 210 {
			return 0
		}
		return 0.05 * math.Sin(2*math.Pi*26.667*t)
	})
	f, _ := cellFill(t, ts, ys, nil)
	if codes(f) != "idle-alias" || !strings.Contains(f.Flags[0].Do, "80 values/s") {
		t.Errorf("%+v", f.Flags)
	}
	// 800 rpm, fourth of trade reference's orders: order 2 is 26.67 Hz, 3.33 Hz at 10 a second.
	if s := ordersAt(3.3333, 10); !strings.Contains(s, "order 2 at 800 rpm") {
		t.Errorf("3.33 Hz at 10 values/s: %s", s)
	}
	if s := ordersAt(0, 10); !strings.Contains(s, "order 1.5 at 800 rpm") && !strings.Contains(s, "order 2 at 900 rpm") && !strings.Contains(s, "order 3 at 800 rpm") {
		t.Errorf("0 Hz at 10 values/s: %s", s)
	}
}

// The scan is generalised least squares at every place at once: at each it must equal the
// fit with the step as a column of its own.
func TestScanIsLeastSquares(t *testing.T) {
	rng := rand.New(rand.NewPCG(2_007_000, 9))
	n := 40
	b := make([]block, n)
	now, w := 0.0, 0.0
	for i := range b {
		d := 0.3 + rng.Float64()
		now += d
		w += 0.2 * math.Sqrt(d) * rng.NormFloat64()
		b[i] = block{t: now, n: float64(1 + rng.IntN(5))}
		b[i].y = 3 + 0.7*now + w + rng.NormFloat64()/math.Sqrt(b[i].n)
	}
	const ratio = 0.04
	// By the definition: V of white and walk, inverted outright.
	V := make([][]float64, n)
	for i := range V {
		V[i] = make([]float64, n)
		for j := range V[i] {
			V[i][j] = ratio * (min(b[i].t, b[j].t) - b[0].t)
			if i == j {
				V[i][j] += 1 / b[i].n
			}
		}
	}
	L := make([][]float64, n)
	for i := range L {
		L[i] = make([]float64, n)
		for j := 0; j <= i; j++ {
			s := V[i][j]
			for k := range j {
				s -= L[i][k] * L[j][k]
			}
			if i == j {
				L[i][j] = math.Sqrt(s)
			} else {
				L[i][j] = s / L[j][j]
			}
		}
	}
	whiten := func(x func(i int) float64) []float64 {
		out := make([]float64, n)
		for i := range out {
			s := x(i)
			for k := range i {
				s -= L[i][k] * out[k]
			}
			out[i] = s / L[i][i]
		}
		return out
	}
	one := whiten(func(int) float64 { return 1 })
	time := whiten(func(i int) float64 { return b[i].t - b[0].t })
	y := whiten(func(i int) float64 { return b[i].y })
	plain, err := Regress([][]float64{one, time}, y)
	if err != nil {
		t.Fatal(err)
	}
	s := scanShocks(b, ratio)
	for k := 2; k < n-2; k++ {
		step, err := Regress([][]float64{one, time, whiten(func(i int) float64 {
			if i >= k {
				return 1
			}
			return 0
		})}, y)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(step.Coef[2]-s.size[k]) > 1e-9 || math.Abs(step.SE[2]-s.u[k]) > 1e-9*step.SE[2] {
			t.Fatalf("step before block %d: %.9g ± %.9g, by the definition %.9g ± %.9g", k, s.size[k], s.u[k], step.Coef[2], step.SE[2])
		}
		if bias := plain.Coef[1] - step.Coef[1]; math.Abs(bias-s.bias[k]) > 1e-9 {
			t.Fatalf("step before block %d moves the slope by %.9g, by the definition %.9g", k, s.bias[k], bias)
		}
		knee, err := Regress([][]float64{one, time, whiten(func(i int) float64 { return max(0, b[i].t-b[k].t) })}, y)
		if err != nil {
			t.Fatal(err)
		}
		tt := knee.Coef[2] / knee.SE[2]
		if want := s.knee[k]; math.Abs((s.nu+1)*math.Log1p(tt*tt/s.nu)-want) > 1e-6 {
			t.Fatalf("knee at block %d: gain %.9g, by the definition %.9g", k, want, (s.nu+1)*math.Log1p(tt*tt/s.nu))
		}
	}
	c := fitColumn(b, ratio, func(t float64) float64 { return t })
	if math.Abs(c.coef-plain.Coef[1]) > 1e-9 || math.Abs(c.u-plain.SE[1]) > 1e-9 {
		t.Errorf("slope %.9g ± %.9g, by the definition %.9g ± %.9g", c.coef, c.u, plain.Coef[1], plain.SE[1])
	}
}

// A step is claimed no more often in noise than its limit says.
func TestStepsAreNotMadeOfNoise(t *testing.T) {
	for seed := range uint64(300) {
		rng := rand.New(rand.NewPCG(2_008_000+seed, 10))
		walk := []float64{0, 0.0003, 0.002, 0.02}[seed%4]
		b := make([]block, 200)
		w := 0.0
		for i := range b {
			w += walk * rng.NormFloat64()
			b[i] = block{t: 0.5 * float64(i), n: 40, y: 0.1*float64(i) + w + 0.011*rng.NormFloat64()}
		}
		if s, _ := shocks(b, likeliestRatio(b), stepLimit); len(s) > 0 {
			t.Errorf("seed %d: %+v", seed, s)
		}
	}
}

// Odd curves end, and panic nowhere: a handful of values, one long hole, all marked but a
// few, constant, falling.
func TestFlagsOfOddCurves(t *testing.T) {
	rng := rand.New(rand.NewPCG(2_009_000, 11))
	for trial := range 200 {
		n := 8 + rng.IntN(400)
		ts, ys, marks := make([]float64, n), make([]float64, n), make([]curve.Mark, n)
		now, y := 0.0, 0.0
		for i := range ts {
			now += 0.05 + 0.1*rng.Float64()
			if rng.Float64() < 0.01 {
				now += 30 * rng.Float64()
			}
			y += 0.02*rng.Float64() + float64(rng.IntN(40)/39)*rng.NormFloat64()
			ts[i], ys[i] = now, y+0.02*rng.NormFloat64()
			if rng.Float64() < float64(trial)/250 {
				marks[i] = curve.Mark(rng.IntN(7))
			}
			if trial%5 == 0 {
				ys[i] = math.Round(ys[i])
			}
		}
		for i := range 8 {
			marks[i*n/8] = curve.Used
		}
		c, err := curve.FromCounts("x", ts, ys, marks, curve.Calibration{CountsPerGram: -1})
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range []Mode{Stream, OneFill, Window} {
			r, err := Analyse(c, Options{Mode: m})
			if err != nil {
				continue // too few are left: said by the error
			}
			for _, f := range r.Fills {
				for _, g := range f.Flags {
					if g.Code == "" || g.Says == "" || strings.Contains(g.Text(), "NaN") || strings.Contains(g.Text(), "Inf") || strings.Contains(g.Text(), "%!") {
						t.Errorf("trial %d: %q: %q", trial, g.Code, g.Text())
					}
				}
			}
		}
	}
}
