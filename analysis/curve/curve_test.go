package curve

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

func ramp(n int, step, slope, sd float64) (t, y []float64) {
	rng := rand.New(rand.NewPCG(2, 3))
	for i := range n {
		t = append(t, float64(i)*step)
		y = append(y, 100+slope*t[i]+sd*rng.NormFloat64())
	}
	return t, y
}

func TestFromCounts(t *testing.T) {
	c, err := FromCounts("tube1", []float64{0, 1, 2}, []float64{84_000, 86_147, math.NaN()}, []Mark{Used, Used, Settling},
		Calibration{Zero: 84_000, CountsPerGram: 2147, UCountsPerGram: 2.147, DF: 9})
	if err != nil {
		t.Fatal(err)
	}
	if c.Values[0] != 0 || c.Values[1] != 1 || c.Marks[2] != Settling {
		t.Errorf("got %v with marks %v, want 0, 1 g and the mark kept", c.Values, c.Marks)
	}
	if math.Abs(c.ScaleRelU-0.001) > 1e-15 || c.ScaleDF != 9 {
		t.Errorf("relative uncertainty of the scale %g with %g df, want 0.001 with 9", c.ScaleRelU, c.ScaleDF)
	}
}

func TestRefuses(t *testing.T) {
	good := Calibration{CountsPerGram: 2147}
	for _, tc := range []struct {
		name string
		make func() error
		says string
	}{
		{"no span", func() error { _, e := FromCounts("a", []float64{0}, []float64{1}, nil, Calibration{}); return e }, "calibrate the channel"},
		{"negative uncertainty", func() error {
			_, e := FromCounts("a", []float64{0}, []float64{1}, nil, Calibration{CountsPerGram: 1, UCountsPerGram: -1})
			return e
		}, "0 or more"},
		{"lengths", func() error { _, e := FromCounts("a", []float64{0, 1}, []float64{1}, nil, good); return e }, "lengths"},
		{"time runs back", func() error { _, e := New("a", Gram, []float64{0, 2, 1}, []float64{1, 2, 3}); return e }, "must rise"},
		{"time stands", func() error { _, e := New("a", Gram, []float64{0, 2, 2}, []float64{1, 2, 3}); return e }, "must rise"},
		{"time is NaN", func() error { _, e := New("a", Gram, []float64{0, math.NaN()}, []float64{1, 2}); return e }, "must rise"},
		{"unit", func() error { _, e := New("a", "lb", []float64{0}, []float64{1}); return e }, "neither"},
		{"density in kg/m3", Density{GPerML: 832}.Check, "in g/mL"},
		{"density unsure", Density{GPerML: 0.8, U: 0.3}.Check, "a fifth"},
	} {
		if err := tc.make(); err == nil || !strings.Contains(err.Error(), tc.says) {
			t.Errorf("%s: %v, want an error with %q", tc.name, err, tc.says)
		}
	}
	if _, err := New("a", Gram, []float64{0, 1}, []float64{math.NaN(), math.NaN()}); !errors.Is(err, ErrNoValues) {
		t.Errorf("all missing: %v, want ErrNoValues", err)
	}
}

// Misreads as a reader without timing checks gives them, alone and in clumps, are
// marked; steps, kinks, steep fills and noise are not.
func TestMarkMisreads(t *testing.T) {
	for _, tc := range []struct {
		name   string
		step   float64
		slope  float64
		sd     float64
		change func(t, y []float64)
		want   []int
	}{
		{"noise alone", 0.0125, 0.14, 0.07, func(_, _ []float64) {}, nil},
		{"steep and slow", 10, 0.5, 0.1, func(_, _ []float64) {}, nil},
		{"zero, doubled and a far one", 0.0125, 0.14, 0.07, func(_, y []float64) { y[50], y[120], y[300] = 0, 2*y[120], -3900 }, []int{50, 120, 300}},
		{"a clump of three", 10, 0.5, 0.1, func(_, y []float64) { y[60], y[61], y[62] = y[60]*2, y[61]*2, -1 }, []int{60, 61, 62}},
		{"two clumps close together", 0.0125, 0.14, 0.07, func(_, y []float64) { y[60], y[61], y[62], y[66], y[67] = -39, -39, 900, 3900, -3900 }, []int{60, 61, 62, 66, 67}},
		{"the first and the last two", 0.1, 0.14, 0.07, func(_, y []float64) { y[0], y[398], y[399] = -39, 3900, -39 }, []int{0, 398, 399}},
		{"values after a hole stay", 0.1, 0.14, 0.07, func(t, y []float64) {
			for i := 396; i < len(y); i++ {
				t[i] += 5000
				y[i] -= 8
			}
		}, nil},
		{"a dump stays", 10, 0.5, 0.1, func(_, y []float64) {
			for i := 200; i < len(y); i++ {
				y[i] -= 290
			}
		}, nil},
		{"a pour stays", 0.0125, 0, 0.07, func(_, y []float64) {
			for i := 200; i < len(y); i++ {
				y[i] += 50
			}
		}, nil},
		{"a kink stays", 10, 0, 0.1, func(t, y []float64) {
			for i := 200; i < len(y); i++ {
				y[i] += 0.5 * (t[i] - t[200])
			}
		}, nil},
		{"whole steps of a display", 1, 0, 0, func(_, y []float64) {
			for i := range y {
				y[i] = math.Round(0.05 * float64(i))
			}
		}, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			ts, ys := ramp(400, tc.step, tc.slope, tc.sd)
			tc.change(ts, ys)
			c, err := New("a", Gram, ts, ys)
			if err != nil {
				t.Fatal(err)
			}
			n := MarkMisreads(&c)
			var got []int
			for i, m := range c.Marks {
				if m == Misread {
					got = append(got, i)
				}
			}
			if !slices.Equal(got, tc.want) || n != len(tc.want) {
				t.Errorf("marked %v (said %d), want %v", got, n, tc.want)
			}
			if !slices.Equal(c.Values, ys) {
				t.Error("a value was changed: misreads are marked, never erased")
			}
		})
	}
}

func TestWindowAndPoints(t *testing.T) {
	c, err := New("a", Gram, []float64{0, 1, 2, 3, 4}, []float64{5, math.NaN(), 7, 8, 9})
	if err != nil {
		t.Fatal(err)
	}
	w := c.Window(1, 4)
	ts, ys := w.Points()
	if !slices.Equal(ts, []float64{2, 3}) || !slices.Equal(ys, []float64{7, 8}) {
		t.Errorf("points %v %v, want those at 2 and 3 s", ts, ys)
	}
	if n := w.Count(Missing, Misread); n != 1 {
		t.Errorf("%d missing, want 1", n)
	}
	if w := c.Window(3, 1); len(w.Values) != 0 {
		t.Errorf("a window that ends before it starts holds %d values", len(w.Values))
	}
}

func TestFromVolumes(t *testing.T) {
	marks := []Mark{Used, Limit, Used, Used}
	c, err := FromVolumes("a", []float64{0, 1, 2, 3}, []float64{5, math.NaN(), math.NaN(), 8}, marks, 0.004, 7)
	if err != nil {
		t.Fatal(err)
	}
	// What lay beyond the table stays told apart from what was never had.
	if want := []Mark{Used, Limit, Missing, Used}; !slices.Equal(c.Marks, want) || c.Unit != Millilitre || c.ScaleRelU != 0.004 || c.ScaleDF != 7 || !math.IsNaN(c.TareG) {
		t.Errorf("%+v", c)
	}
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1)} {
		if _, err := FromVolumes("a", []float64{0}, []float64{1}, nil, bad, 7); err == nil || !strings.Contains(err.Error(), "0 or more") {
			t.Errorf("relative u %g: %v", bad, err)
		}
	}
	if _, err := FromVolumes("a", []float64{0}, []float64{math.NaN()}, []Mark{Limit}, 0, 1); !errors.Is(err, ErrNoValues) {
		t.Errorf("nothing within the table: %v", err)
	}
}
