package curve

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// fillOf is a curve at rest, filling from a third to two thirds of it, at rest, with what
// extra adds at time t.
func fillOf(t *testing.T, seed uint64, hz, seconds, slope, sd float64, extra func(t float64) float64) Curve {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 77))
	var ts, ys []float64
	for i := range int(hz * seconds) {
		x := float64(i) / hz
		ts = append(ts, x)
		ys = append(ys, 50+slope*min(max(x-seconds/3, 0), seconds/3)+sd*rng.NormFloat64()+extra(x))
	}
	c, err := New("tube1", Gram, ts, ys)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestMarkKnocks(t *testing.T) {
	after := func(at, tau float64) func(x float64) float64 {
		return func(x float64) float64 {
			if x < at {
				return 0
			}
			return math.Exp(-(x - at) / tau)
		}
	}
	hit := after(71.234, 0.2)
	for _, tc := range []struct {
		name  string
		slope float64
		extra func(x float64) float64
		knock bool
	}{
		{"a knock of 20 g", 0.15, func(x float64) float64 { return 20 * hit(x) }, true},
		{"one of 2 g", 0.15, func(x float64) float64 { return 2 * hit(x) }, true},
		{"one downward", 0.15, func(x float64) float64 { return -5 * hit(x) }, true},
		{"one in a fast flow", 4, func(x float64) float64 { return 20 * hit(x) }, true},
		{"one that leaves a step", 0.15, func(x float64) float64 {
			if x > 71.234 {
				return 20*hit(x) + 0.5
			}
			return 0
		}, true},
		{"nothing", 0.15, func(float64) float64 { return 0 }, false},
		{"nothing in a fast flow", 4, func(float64) float64 { return 0 }, false},
		{"a step of 5 g", 0.15, func(x float64) float64 {
			if x > 71.234 {
				return 5
			}
			return 0
		}, false},
		{"a step that takes 0.3 s", 0.15, func(x float64) float64 { return 5 * (min(max(x-71.2, 0), 0.3)) / 0.3 }, false},
		{"held back, then a burst", 0.15, func(x float64) float64 {
			if x < 60 {
				return 0
			}
			if x < 71.234 {
				return -0.15 * (x - 60)
			}
			return -0.15 * 11 * after(71.234, 0.5)(x)
		}, false},
		{"a single wild value", 0.15, func(x float64) float64 {
			if math.Abs(x-71.25) < 0.006 {
				return 500
			}
			return 0
		}, false},
	} {
		for _, hz := range []float64{10, 80, 320} {
			sd := 0.07 * math.Sqrt(hz/80)
			c := fillOf(t, uint64(hz), hz, 180, tc.slope, sd, tc.extra)
			values := slices.Clone(c.Values)
			want := 0
			if tc.knock {
				want = 1
			}
			if n := MarkKnocks(&c); n != want {
				t.Errorf("%s, %g values/s: %d knocks, want %d", tc.name, hz, n, want)
			}
			if !slices.Equal(values, c.Values) {
				t.Errorf("%s: a value was changed", tc.name)
			}
			for i, m := range c.Marks {
				x := c.ElapsedS[i]
				if m == Knocked && (!tc.knock || x < 71.23-0.21 || x > 71.23+2.5) {
					t.Errorf("%s, %g values/s: marked at %.2f s", tc.name, hz, x)
					break
				}
				if off := math.Abs(tc.extra(x)); tc.knock && m == Used && x > 71.234 && math.Abs(x-71.234) < 2 && off > 0.5+5*sd {
					t.Errorf("%s, %g values/s: %.2f g at %.2f s are not marked", tc.name, hz, off, x)
					break
				}
			}
		}
	}
	// A few values an hour, or none between holes, are nobody's knock and no panic.
	for _, hz := range []float64{0.1, 1, 3} {
		c := fillOf(t, 3, hz, 40, 1, 0.1, func(x float64) float64 { return 20 * after(20, 0.2)(x) })
		if n := MarkKnocks(&c); n != 0 {
			t.Errorf("%d knocks at %g values/s", n, hz)
		}
	}
}

// No sound curve holds a knock: 300 of each rate.
func TestSoundCurvesAreNotKnocked(t *testing.T) {
	for seed := range uint64(300) {
		hz := []float64{10, 80}[seed%2]
		c := fillOf(t, 2_000_000+seed, hz, 90, []float64{0, 0.1, 0.3, 5}[seed%4], 0.07, func(float64) float64 { return 0 })
		if n := MarkKnocks(&c); n != 0 {
			t.Errorf("seed %d: %d knocks in a sound curve", seed, n)
		}
	}
}

func TestMarkStuck(t *testing.T) {
	const counts = 1 / 2147.
	coded := func(c Curve, most float64) Curve {
		for i, v := range c.Values {
			c.Values[i] = min(math.Round(v/counts)*counts, most)
		}
		return c
	}
	stick := func(c Curve, from, to float64) Curve {
		held := 0.0
		for i, x := range c.ElapsedS {
			if x < from || x >= to {
				held = c.Values[i]
			}
			c.Values[i] = held
		}
		return c
	}
	none := func(float64) float64 { return 0 }
	for _, hz := range []float64{10, 80} {
		sd := 0.07 * math.Sqrt(hz/80)
		sound := func() Curve { return coded(fillOf(t, 5, hz, 180, 0.15, sd, none), 1e9) }
		c := sound()
		if n := MarkStuck(&c); n != 0 || c.Count(Used) != len(c.Marks) {
			t.Errorf("%g values/s: %d runs in a sound curve", hz, n)
		}
		c = stick(sound(), 80, 81.5)
		if n := MarkStuck(&c); n != 1 || math.Abs(float64(c.Count(Stuck))-1.5*hz) > 2 {
			t.Errorf("%g values/s: stuck for 1.5 s: %d runs of %d values", hz, n, c.Count(Stuck))
		}
		// The end of a range, with noise that touches it before and after.
		c = coded(fillOf(t, 5, hz, 180, 0.15, sd, none), 55)
		if n := MarkStuck(&c); n == 0 || c.Count(Stuck) != 0 || c.Count(Limit) == 0 {
			t.Errorf("%g values/s: clipped at 55 g: %d runs, %d stuck, %d at the limit", hz, n, c.Count(Stuck), c.Count(Limit))
		}
		// A display rests for minutes, and is well.
		for _, shown := range []float64{0.1, 0.5, 1} {
			c = fillOf(t, 5, hz, 180, 0.15, 0.02, none)
			for i, v := range c.Values {
				c.Values[i] = math.Round(v/shown) * shown
			}
			if n := MarkStuck(&c); n != 0 {
				t.Errorf("%g values/s: %d runs on a display of %g g", hz, n, shown)
			}
		}
	}
	// A balance with a display of 0.1 g: fills one after another, and rests in which it shows
	// one value; logged each ten seconds, and ten times a second.
	for _, step := range []float64{10, 0.1} {
		rng := rand.New(rand.NewPCG(5_000_000, 1))
		var ts, ys []float64
		v := 0.0
		for i := range 600 {
			if i%60 < 48 {
				v += 0.5 * step * (1 + 0.02*rng.NormFloat64())
			}
			ts, ys = append(ts, float64(i)*step), append(ys, math.Round(10*v)/10)
		}
		c, err := New("x", Gram, ts, slices.Clone(ys))
		if err != nil {
			t.Fatal(err)
		}
		if n := MarkStuck(&c); n != 0 {
			t.Errorf("every %g s: %d runs of a balance at rest", step, n)
		}
		if step < 1 {
			continue
		}
		// One that stands in the middle of a flow, which is seen to have gone on.
		for i := 140; i < 150; i++ {
			ys[i] = ys[139]
		}
		if c, err = New("x", Gram, ts, ys); err != nil {
			t.Fatal(err)
		}
		if n := MarkStuck(&c); n != 1 || c.Count(Stuck) != 11 {
			t.Errorf("every %g s: %d runs, %d values, want the 11 that stood", step, n, c.Count(Stuck))
		}
	}
	c, err := New("x", Gram, []float64{0, 1, 2}, []float64{5, 5, 5})
	if err != nil {
		t.Fatal(err)
	}
	if n := MarkStuck(&c); n != 0 {
		t.Errorf("%d runs in three values", n)
	}
}

func BenchmarkMarkKnocksAndStuck(b *testing.B) {
	ts, ys := ramp(240*80, 0.0125, 0.14, 0.07)
	marks := make([]Mark, len(ts))
	b.ReportAllocs()
	for b.Loop() {
		clear(marks)
		c := Curve{ElapsedS: ts, Values: ys, Marks: marks}
		MarkStuck(&c)
		MarkKnocks(&c)
	}
}
