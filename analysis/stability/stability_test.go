package stability

import (
	"bufio"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
)

func lines(t *testing.T, name string) []string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out []string
	for sc := bufio.NewScanner(f); sc.Scan(); {
		if !strings.HasPrefix(sc.Text(), "#") {
			out = append(out, sc.Text())
		}
	}
	return out[1:] // without the heading
}

// The test suites of NIST SP 1065: nbs9, nine values, and 1000 values of a
// multiplicative generator, all of which the file's first lines describe.
func TestSP1065(t *testing.T) {
	sets := map[string][]float64{"nbs9": {892, 809, 823, 798, 671, 644, 883, 903, 677}}
	for n, i := uint64(1234567890), 0; i < 1000; i++ {
		sets["lcg1000"] = append(sets["lcg1000"], float64(n)/2147483647)
		n = n * 16807 % 2147483647
	}
	if got := sets["lcg1000"][1]; got != 395529916./2147483647 {
		t.Fatalf("the generator's second value is %v", got)
	}
	checked := 0
	for _, line := range lines(t, "allan_sp1065.csv") {
		f := strings.Split(line, ",")
		var of func([]float64, int) (float64, int)
		switch f[1] {
		case "ADEV":
			of = Plain
		case "OADEV":
			of = Overlapping
		default:
			continue // the modified deviation is not offered
		}
		tau, err1 := strconv.Atoi(f[2])
		computed, err2 := strconv.ParseFloat(f[3], 64)
		published, err3 := strconv.ParseFloat(f[4], 64)
		if err := errors.Join(err1, err2, err3); err != nil {
			t.Fatal(err)
		}
		got, _ := of(sets[f[0]], tau)
		// Published to seven digits, computed to nine.
		if math.Abs(got/published-1) > 1e-6 || math.Abs(got/computed-1) > 1e-8 {
			t.Errorf("%s %s at %d: %.9g, published %v, computed %v", f[0], f[1], tau, got, published, computed)
		}
		checked++
	}
	if checked != 10 {
		t.Errorf("%d values checked, want 10", checked)
	}
}

// Values by the handbook's definitions in R 4.2.2, on a simulated series; pairs too.
func TestAgainstR(t *testing.T) {
	var x []float64
	for _, line := range lines(t, "allan_sim_a.csv") {
		v, err := strconv.ParseFloat(line, 64)
		if err != nil {
			t.Fatal(err)
		}
		x = append(x, v)
	}
	for _, c := range []struct {
		m       int
		adev    float64
		n       int
		oadev   float64
		overlap int
	}{
		{1, 0.100640096735483, 399, 0.100640096735466, 399},
		{2, 0.0686546071892964, 199, 0.0699937877573686, 397},
		{4, 0.0495870160871321, 99, 0.0526941398555077, 393},
		{8, 0.03392218854716, 49, 0.0368871801181085, 385},
		{16, 0.0202762838755306, 24, 0.0257299123052085, 369},
		{32, 0.0258007363663931, 11, 0.023313728031883, 337},
		{64, 0.0245694909927751, 5, 0.0247298806071648, 273},
		{100, 0.0171366732832442, 3, 0.0286577816083474, 201},
	} {
		a, n := Plain(x, c.m)
		o, k := Overlapping(x, c.m)
		if math.Abs(a/c.adev-1) > 1e-9 || n != c.n || math.Abs(o/c.oadev-1) > 1e-9 || k != c.overlap {
			t.Errorf("m = %d: plain %v of %d, overlapping %v of %d; want %v of %d, %v of %d", c.m, a, n, o, k, c.adev, c.n, c.oadev, c.overlap)
		}
	}
}

func TestHolesAndEnds(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	x := make([]float64, 20_000)
	for i := range x {
		x[i] = 1e6 + 100*rng.NormFloat64()
	}
	for i := 0; i < len(x); i += 25 { // 4 % missing
		x[i] = math.NaN()
	}
	for _, m := range []int{1, 10, 100} {
		// White noise: 100/√m, to four times the error of so many pairs.
		want := 100 / math.Sqrt(float64(m))
		for name, of := range map[string]func([]float64, int) (float64, int){"plain": Plain, "overlapping": Overlapping} {
			if got, n := of(x, m); math.Abs(got/want-1) > 4/math.Sqrt(float64(len(x)/m)) || n == 0 {
				t.Errorf("%s, m = %d, with holes: %v of %d pairs, want about %v", name, m, got, n, want)
			}
		}
	}
	if got := White(x); math.Abs(got-100) > 3 {
		t.Errorf("white noise %v, want 100", got)
	}
	holes := make([]float64, 100)
	for i := range holes {
		holes[i] = math.NaN()
	}
	for _, c := range []struct {
		x []float64
		m int
	}{{nil, 1}, {x, 0}, {x, -1}, {x[:3], 2}, {holes, 5}, {x, len(x)}} {
		if d, n := Plain(c.x, c.m); !math.IsNaN(d) || n != 0 {
			t.Errorf("plain of %d values, m = %d: %v of %d pairs", len(c.x), c.m, d, n)
		}
		if d, n := Overlapping(c.x, c.m); !math.IsNaN(d) || n != 0 {
			t.Errorf("overlapping of %d values, m = %d: %v of %d pairs", len(c.x), c.m, d, n)
		}
	}
	if w := White(holes); !math.IsNaN(w) {
		t.Errorf("white noise of nothing: %v", w)
	}
	if _, _, err := Drift(holes, 1); !errors.Is(err, ErrShort) {
		t.Errorf("drift of nothing: %v", err)
	}
}

func TestEven(t *testing.T) {
	// 11.3 a second, with two readings missing and a late one.
	var at, v []float64
	for i := range 30 {
		if i == 7 || i == 8 {
			continue
		}
		d := 0.0
		if i == 20 {
			d = 0.03
		}
		at, v = append(at, float64(i)/11.3+d), append(v, float64(i))
	}
	x, tau0, err := Even(at, v)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(tau0*11.3-1) > 1e-9 || len(x) != 30 {
		t.Fatalf("step %v, %d values; want 1/11.3 and 30", tau0, len(x))
	}
	for i, got := range x {
		if missing := i == 7 || i == 8; missing != math.IsNaN(got) || !missing && got != float64(i) {
			t.Errorf("value %d is %v", i, got)
		}
	}
	for _, c := range [][2][]float64{{{1}, {1}}, {{1, 2}, {1}}, {{1, 1}, {1, 2}}, {{2, 1}, {1, 2}}, {{0, 1e-6, 2e-6, 1e9}, {1, 2, 3, 4}}, {{0, math.NaN()}, {1, 2}}} {
		if x, _, err := Even(c[0], c[1]); err == nil {
			t.Errorf("times %v: %v, want an error", c[0], x)
		}
	}
}

// The interval ± 2u must hold the true drift nine times in ten at least, with white
// noise alone and with a walk that outweighs it.
func TestDriftCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	for _, c := range []struct{ white, walk float64 }{{150, 0}, {150, 12}, {10, 12}} {
		const runs, sps, seconds, drift = 400, 10, 60, 3.0
		in, mean := 0, 0.0
		for range runs {
			x := make([]float64, sps*seconds)
			w := 0.0
			for i := range x {
				w += c.walk / math.Sqrt(sps) * rng.NormFloat64()
				x[i] = 1e5 + drift*float64(i)/sps + w + c.white*rng.NormFloat64()
			}
			got, u, err := Drift(x, 1./sps)
			if err != nil {
				t.Fatal(err)
			}
			mean += got / runs
			if math.Abs(got-drift) < 2*u {
				in++
			}
		}
		t.Logf("white %g, walk %g: %.1f %% of intervals hold the drift; mean %.2f, true %g", c.white, c.walk, 100*float64(in)/runs, mean, drift)
		if in < runs*9/10 {
			t.Errorf("white %g, walk %g: %d of %d intervals hold the drift, want nine tenths", c.white, c.walk, in, runs)
		}
	}
}

func BenchmarkOverlapping(b *testing.B) {
	x := make([]float64, 80*600)
	rng := rand.New(rand.NewPCG(3, 3))
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	for b.Loop() {
		Overlapping(x, 800)
	}
	b.ReportMetric(float64(len(x))*float64(b.N)/b.Elapsed().Seconds(), "values/s")
}
