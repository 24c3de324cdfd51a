package power

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// reference reads results that R 4.2.2 and pwr 1.3.0 gave; testdata/README.md.
func reference(t *testing.T, name string, into any) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, into); err != nil {
		t.Fatal(err)
	}
}

// worst keeps the largest of many differences.
type worst float64

func (w *worst) near(t *testing.T, what any, got, want, tol float64) {
	t.Helper()
	d := math.Abs(got - want)
	if !(d <= tol) {
		t.Errorf("%+v: %.15g, want %.15g within %.1g", what, got, want, tol)
	}
	*w = worst(math.Max(float64(*w), d))
}

type tCase struct {
	N, Delta, SD float64
	N1, N2, D    float64
	Level        float64 `json:"sig_level"`
	Power        float64
	Type         string
	Alternative  string
	Strict       bool
}

// shape is a case's degrees of freedom, and its standard error for sd 1.
func (c tCase) shape() (df, se float64) {
	switch {
	case c.N1 > 0:
		return c.N1 + c.N2 - 2, math.Sqrt(1/c.N1 + 1/c.N2)
	case c.Type == "two.sample":
		return 2*c.N - 2, math.Sqrt(2 / c.N)
	}
	return c.N - 1, math.Sqrt(1 / c.N)
}

func (c tCase) power() float64 {
	df, se := c.shape()
	d := c.Delta / (c.SD * se)
	if c.Alternative == "one.sided" || !c.Strict {
		level := c.Level
		if c.Alternative != "one.sided" { // the side that is meant, without the wrong one
			level /= 2
		}
		return OneSided(d, df, level)
	}
	return T(d, df, c.Level)
}

func TestTAgainstReference(t *testing.T) {
	var ref struct {
		Results map[string][]tCase
	}
	reference(t, "power_t_a.json", &ref)
	n := 0
	for kind, cases := range ref.Results {
		var w worst
		for _, c := range cases {
			if kind == "unequal_n" { // pwr.t2n.test counts both sides
				c.SD, c.Delta, c.Strict = 1, c.D, true
			}
			if df, se := c.shape(); kind == "mde" { // two-sided, both sides
				w.near(t, c, Detectable(c.Power, df, c.Level)*se*c.SD/c.Delta, 1, 1e-7)
			} else { // of a sample size n the power is reached exactly
				w.near(t, c, c.power(), c.Power, 1e-9)
			}
			n++
		}
		t.Logf("%s: %d cases, largest difference %.1e", kind, len(cases), float64(w))
	}
	if n != 215 {
		t.Errorf("%d cases were found", n)
	}
}

func TestTOSTAgainstReference(t *testing.T) {
	var ref struct {
		Results []struct{ Delta, Margin, SE, DF, Power, Alpha float64 }
	}
	reference(t, "power_tost_a.json", &ref)
	var w worst
	for _, c := range ref.Results {
		w.near(t, c, TOST(c.Margin/c.SE, c.Delta/c.SE, c.DF, c.Alpha), c.Power, 1e-8)
	}
	if len(ref.Results) < 10 {
		t.Errorf("%d cases were found", len(ref.Results))
	}
	t.Logf("%d cases, largest difference %.1e", len(ref.Results), float64(w))
}

// What has no published value: few and broken degrees of freedom, many, and the ends.
func TestEnds(t *testing.T) {
	var w worst
	for _, df := range []float64{0.5, 1, 1.3, 2, 7.7, 60, 1e4, 1e6} {
		w.near(t, "no difference is found as often as the level says", T(0, df, 0.05), 0.05, 1e-8)
		w.near(t, "the same, one-sided", OneSided(0, df, 0.05), 0.05, 1e-8)
		// A difference at the margin is called equivalent as often as the level says, where
		// the other end is far.
		w.near(t, "at the margin", TOST(1e6, 1e6, df, 0.05), 0.05, 1e-6)
	}
	w.near(t, "no margin", TOST(0, 0, 5, 0.05), 0, 0)
	w.near(t, "without end", T(1e6, 5, 0.05), 1, 1e-10)
	if d := Detectable(0.8, 1e6, 0.05); math.Abs(d-2.8016) > 1e-3 { // 1.95996 + 0.84162
		t.Errorf("normal limit %g", d)
	}
	if x := Solve(func(float64) float64 { return 0.5 }, 0.8); !math.IsInf(x, 1) {
		t.Errorf("what is never reached is at %g", x)
	}
}

func BenchmarkT(b *testing.B) {
	for b.Loop() {
		T(2, 6, 0.05)
	}
}
