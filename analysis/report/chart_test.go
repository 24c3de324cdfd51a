package report

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestNewAxis(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name   string
		values []float64
		max    int
		ticks  []float64
		labels []string
	}{
		{"tens", []float64{10.3, 15.9}, 6, []float64{10, 12, 14, 16}, []string{"10", "12", "14", "16"}},
		{"across zero", []float64{-5.5, 1.1}, 6, []float64{-6, -4, -2, 0, 2}, []string{"−6", "−4", "−2", "0", "2"}},
		{"tenths", []float64{0.11, 0.48}, 5, []float64{0.1, 0.2, 0.3, 0.4, 0.5}, []string{"0.1", "0.2", "0.3", "0.4", "0.5"}},
		{"nothing", nil, 6, []float64{0, 0.2, 0.4, 0.6, 0.8, 1}, nil},
		{"not numbers", []float64{nan, inf, -inf, 1e300}, 6, []float64{0, 0.2, 0.4, 0.6, 0.8, 1}, nil},
		{"one value", []float64{12}, 6, []float64{10.5, 11, 11.5, 12, 12.5, 13, 13.5}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			a := newAxis(c.values, 0, 100, c.max)
			if !slices.EqualFunc(a.ticks, c.ticks, func(x, y float64) bool { return math.Abs(x-y) < 1e-12 }) {
				t.Errorf("ticks %v, want %v", a.ticks, c.ticks)
			}
			for i, want := range c.labels {
				if got := a.label(a.ticks[i]); got != want {
					t.Errorf("label %d is %q, want %q", i, got, want)
				}
			}
			for _, v := range c.values {
				if usable(v) && (v < a.lo || v > a.hi) {
					t.Errorf("%v is outside %v to %v", v, a.lo, a.hi)
				}
			}
		})
	}
}

// Steps are 1, 2 or 5 times a power of ten, the axis holds what it must, and the
// ticks are few and even.
func TestNewAxisProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(-1e6, 1e6), 1, 8).Draw(t, "values")
		most := rapid.IntRange(3, 9).Draw(t, "most")
		a := newAxis(values, 30, 300, most)
		if len(a.ticks) < 2 || len(a.ticks) > most+1 {
			t.Fatalf("%d ticks, asked for at most %d steps", len(a.ticks), most)
		}
		step := a.ticks[1] - a.ticks[0]
		lead := step / math.Pow(10, math.Floor(math.Log10(step)+1e-6))
		if math.Abs(lead-1) > 1e-3 && math.Abs(lead-2) > 1e-3 && math.Abs(lead-5) > 1e-3 {
			t.Fatalf("step %v is not 1, 2 or 5 times a power of ten", step)
		}
		for _, v := range values {
			if v < a.lo-1e-9*step || v > a.hi+1e-9*step {
				t.Fatalf("%v is outside %v to %v", v, a.lo, a.hi)
			}
		}
	})
}

func TestThinKeepsExtremesAndGaps(t *testing.T) {
	var xs, ys []float64
	for k := range 2000 {
		xs, ys = append(xs, float64(k)/10), append(ys, float64(k)/50)
	}
	ys[777], ys[778] = -9, 99 // single readings far out
	for k := 1500; k < 1520; k++ {
		ys[k] = math.NaN()
	}
	xs, ys = slices.Delete(xs, 1000, 1100), slices.Delete(ys, 1000, 1100) // no reading for 10 s
	before := slices.Clone(ys)
	got := thin(xs, ys, 0, 0, 200, 100)
	if len(got) != 3 {
		t.Fatalf("%d stretches, want 3: a step of 10 s and a NaN each end one", len(got))
	}
	n, lowest, highest := 0, false, false
	for _, s := range got {
		n += len(s)
		for i, p := range s {
			lowest, highest = lowest || p == point{77.7, -9}, highest || p == point{77.8, 99}
			if i > 0 && p.x <= s[i-1].x {
				t.Fatalf("time does not rise at %v", p)
			}
		}
	}
	if !lowest || !highest {
		t.Error("a lone extreme was thinned away")
	}
	if n > 4*100+8 {
		t.Errorf("%d points for 100 columns", n)
	}
	if got[0][len(got[0])-1].x != 99.9 || got[1][0].x != 110 {
		t.Errorf("the gap runs from %v to %v, want 99.9 to 110", got[0][len(got[0])-1].x, got[1][0].x)
	}
	if !slices.EqualFunc(ys, before, func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }) {
		t.Error("thinning changed the caller's slice")
	}
}

// In every column the thinned curve has the extremes, the first and the last of
// the whole one, and no point that was not measured.
func TestThinProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ys := rapid.SliceOfN(rapid.Float64Range(-50, 50), 1, 400).Draw(t, "ys")
		columns := rapid.IntRange(1, 60).Draw(t, "columns")
		xs := make([]float64, len(ys))
		for i := range xs {
			xs[i] = float64(i)
		}
		x1 := float64(len(ys))
		got := thin(xs, ys, 2, 0, x1, columns)
		if len(got) != 1 {
			t.Fatalf("%d stretches of an unbroken curve", len(got))
		}
		type span struct{ lo, hi, first, last float64 }
		spans := func(ps []point) map[int]span {
			m := map[int]span{}
			for _, p := range ps {
				c := int(math.Floor(p.x / (x1 / float64(columns))))
				s, ok := m[c]
				if !ok {
					s = span{p.y, p.y, p.y, p.y}
				}
				m[c] = span{math.Min(s.lo, p.y), math.Max(s.hi, p.y), s.first, p.y}
			}
			return m
		}
		var all []point
		for i := range xs {
			all = append(all, point{xs[i], ys[i]})
		}
		want, have := spans(all), spans(got[0])
		for c, s := range want {
			if have[c] != s {
				t.Fatalf("column %d: %v, want %v", c, have[c], s)
			}
		}
		for _, p := range got[0] {
			if ys[int(p.x)] != p.y {
				t.Fatalf("%v was never measured", p)
			}
		}
	})
}

func TestSpread(t *testing.T) {
	for _, c := range []struct{ in, want []float64 }{
		{[]float64{20, 21, 22}, []float64{20, 33, 46}},
		{[]float64{95, 96, 97}, []float64{74, 87, 100}},
		{[]float64{1, 50}, []float64{10, 50}},
		{nil, nil},
	} {
		got := slices.Clone(c.in)
		spread(got, 13, 10, 100)
		if !slices.Equal(got, c.want) {
			t.Errorf("spread(%v) = %v, want %v", c.in, got, c.want)
		}
	}
}

func TestPointAt(t *testing.T) {
	s := [][]point{{{0, 0}, {10, 5}}, {{20, 8}, {30, 12}}}
	for x, want := range map[float64]float64{0: 0, 4: 2, 10: 5, 25: 10, 30: 12} {
		if p := pointAt(s, x); p.y != want {
			t.Errorf("at %v: %v, want %v", x, p.y, want)
		}
	}
	for _, x := range []float64{-1, 15, 31, math.NaN(), math.Inf(1)} {
		if p := pointAt(s, x); usable(p.x) {
			t.Errorf("at %v: %v, want none: off the curve or in a gap", x, p)
		}
	}
}

// CSS Syntax Module Level 3, 4.3.7: a backslash and up to six hexadecimal digits
// stand for a character, and one space behind them belongs to them.
func TestCSSString(t *testing.T) {
	for in, want := range map[string]string{
		"Tractor 7":     `"Tractor 7"`,
		`a"b</style>\1`: `"a\000022 b\00003c \00002f style\00003e \00005c 1"`,
		"é: ü":          `"é\00003a  ü"`,
		"":              `""`,
	} {
		if got := cssString(in); got != want {
			t.Errorf("cssString(%q) = %s, want %s", in, got, want)
		}
	}
}

// What the fit leaves is what was put beside the line, and what was not there stays away.
func TestLeftOver(t *testing.T) {
	c := Curve{OnsetS: 10, EndS: 100, Fit: &Line{10, 2, 100, 20}}
	for k := range 1100 {
		s := float64(k) / 10
		y := 2 + (s-10)*0.2
		if s >= 55 {
			y += 0.3
		}
		if k == 300 {
			y = math.NaN()
		}
		c.ElapsedS, c.Grams = append(c.ElapsedS, s), append(c.Grams, y)
	}
	got := c.leftOver()
	if len(got) != leftBlocks {
		t.Fatalf("%d means, want %d", len(got), leftBlocks)
	}
	for _, p := range got {
		want := 0.0
		if p.x > 56 {
			want = 0.3
		}
		if math.Abs(p.x-55) > 2 && math.Abs(p.y-want) > 1e-9 {
			t.Errorf("at %.1f s %.6f is left, want %.1f", p.x, p.y, want)
		}
	}
	c.Fit = &Line{10, 2, 10, 20}
	if got := c.leftOver(); got != nil {
		t.Errorf("a line without length leaves %v", got)
	}
}

// A strip reaches to a round number at or above what it must show, and not far above.
func TestReachFor(t *testing.T) {
	for far, want := range map[float64]float64{0.0101: 0.015, 0.01: 0.01, 0.05: 0.05, 0.051: 0.06, 8.1: 10, 21: 30} {
		if got := reachFor(far); math.Abs(got-want) > 1e-12 {
			t.Errorf("%g reaches to %g, want %g", far, got, want)
		}
	}
}

// The moment that a flag names is marked on the curve and in both strips; what lasts for
// the whole fill, or names no time, is not. Each flag's severity stands as a letter.
func TestMomentsAreMarked(t *testing.T) {
	r := coop(2, 2, 300)
	c := &r.Runs[0].Curves[0]
	c.Flags = []Flag{{Code: "jump", Severity: "forbids", FromS: 60, ToS: 60}, {Code: "not-steady", Severity: "doubt", FromS: 80, ToS: 110},
		{Code: "whole", Severity: "note", FromS: c.OnsetS, ToS: c.EndS}, {Code: "none", Severity: "note", FromS: math.NaN(), ToS: math.NaN()}}
	drawing := withinChart("w", r.Runs[0], newStrips(r.Runs), nil)
	for what, n := range map[string]int{`class="moment"`: 2, `class="when"`: 2, ">F D N<": 1, `class="rollband"`: 2, "jump (forbids) at 60.0 s": 1, "whole (note)": 0} {
		if got := strings.Count(drawing, what); got != n {
			t.Errorf("%s is there %d times, want %d", what, got, n)
		}
	}
	// What is said of the run is marked on each curve and explained once.
	c.Flags = append(c.Flags, Flag{Code: "engine-moves", Severity: "note", Says: "the flow of both tubes goes up", FromS: 60})
	r.Runs[0].Flags = c.Flags[4:]
	if n := strings.Count(render(t, r), "The flow of both tubes goes up"); n != 1 {
		t.Errorf("the run's flag is explained %d times", n)
	}
	c.Flags = c.Flags[:4]
	fill, _ := fillChart("f", r.Runs[0], newFillScale(r.Runs), nil)
	if got := strings.Count(fill, `class="pt open"`); got != 2 {
		t.Errorf("%d diamonds on the curve, want 2", got)
	}
}
