package rate

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"

	"brimline/analysis/curve"
)

// The filter on block means is generalised least squares on their exact covariance: that of
// the values, V = white I + walk min(t_i, t_j), averaged over each block; by gonum's
// Cholesky factor. Blocks hold from one to nine values, with gaps between.
func TestFilterIsTheDenseFit(t *testing.T) {
	const dt = 0.1
	rng := rand.New(rand.NewPCG(2_000_000, 1))
	var at, y []float64
	var of []int // block of each value
	now, w, n := 0.0, 0.0, 12
	for k := range n {
		now += 3 * dt * rng.Float64()
		for range 1 + rng.IntN(9) {
			now += dt
			w += 0.3 * math.Sqrt(dt) * rng.NormFloat64()
			at, y, of = append(at, now), append(y, 2*now+w+0.5*rng.NormFloat64()), append(of, k)
		}
	}
	b := make([]block, n)
	M := mat.NewDense(n, len(at), nil) // means
	for i, k := range of {
		if b[k].n == 0 {
			b[k].long = -at[i]
		}
		b[k].n++
		b[k].t += (at[i] - b[k].t) / b[k].n
		b[k].y += (y[i] - b[k].y) / b[k].n
		if i+1 == len(of) || of[i+1] != k {
			b[k].long += at[i]
		}
	}
	for i, k := range of {
		M.Set(k, i, 1/b[k].n)
	}
	for _, ratio := range []float64{0, 0.01, 1, 1e3} {
		V := mat.NewSymDense(len(at), nil)
		for i := range at {
			for j := i; j < len(at); j++ {
				v := ratio * (at[i] - at[0])
				if i == j {
					v++
				}
				V.SetSym(i, j, v)
			}
		}
		var MV, W mat.Dense
		MV.Mul(M, V)
		W.Mul(&MV, M.T())
		S := mat.NewSymDense(n, nil)
		for i := range n {
			for j := i; j < n; j++ {
				S.SetSym(i, j, W.At(i, j))
			}
		}
		X, Y := mat.NewDense(n, 2, nil), mat.NewVecDense(n, nil)
		for k := range b {
			X.Set(k, 0, 1)
			X.Set(k, 1, b[k].t)
			Y.SetVec(k, b[k].y)
		}
		var ch mat.Cholesky
		if !ch.Factorize(S) {
			t.Fatal("not positive definite")
		}
		var sx, info, cov mat.Dense
		var sy, xy, beta mat.VecDense
		if err := ch.SolveTo(&sx, X); err != nil {
			t.Fatal(err)
		}
		if err := ch.SolveVecTo(&sy, Y); err != nil {
			t.Fatal(err)
		}
		info.Mul(X.T(), &sx)
		if err := cov.Inverse(&info); err != nil {
			t.Fatal(err)
		}
		xy.MulVec(X.T(), &sy)
		beta.MulVec(&cov, &xy)
		s2 := (mat.Dot(Y, &sy) - mat.Dot(&xy, &beta)) / float64(n-2)
		f := filter(b, ratio)
		for _, c := range []struct {
			what      string
			got, want float64
		}{
			{"slope", f.slope, beta.AtVec(1)}, {"its variance", f.varSlope, cov.At(1, 1)}, {"white variance", f.s2, s2},
			{"log likelihood", f.logLik, -0.5 * (ch.LogDet() + math.Log(mat.Det(&info)) + float64(n-2)*math.Log(s2))},
		} {
			if math.Abs(c.got-c.want) > 1e-7*math.Abs(c.want)+1e-12 {
				t.Errorf("ratio %g: %s %.12g, by the dense matrix %.12g", ratio, c.what, c.got, c.want)
			}
		}
	}
}

// A line is found with its frequency and height, slow ones in the blocks and fast ones in
// the values, and noise shows next to none: lineChance of fills each.
func TestLinesAreFound(t *testing.T) {
	for _, tc := range []struct {
		name   string
		hz     float64
		height float64 // g
	}{{"a false wave of 20 s", 0.05, 0.03}, {"a wave of 3 s", 1. / 3, 0.03}, {"pickup", 6.3, 0.1}, {"pickup near half the rate", 38, 0.1}} {
		for seed := range uint64(5) {
			rng := rand.New(rand.NewPCG(2_000_000+seed, 2))
			m := makeRun(rng, 80, 15, 180, steadyFlow(8.3))
			for i, x := range m.t {
				m.y[i] += tc.height * math.Sin(2*math.Pi*tc.hz*x+float64(seed))
			}
			r, err := Analyse(m.curve(t), Options{Mode: OneFill})
			if err != nil {
				t.Fatal(err)
			}
			lines := r.looks[0].lines
			if len(lines) != 1 {
				t.Errorf("%s, seed %d: lines %+v, want one", tc.name, seed, lines)
				continue
			}
			if l := lines[0]; math.Abs(l.freqHz-tc.hz) > 0.015 || math.Abs(l.amp/tc.height-1) > 0.2 || !(l.chance < lineChance) {
				t.Errorf("%s, seed %d: %+v", tc.name, seed, l)
			}
		}
	}
	found := 0
	for seed := range uint64(60) {
		rng := rand.New(rand.NewPCG(2_000_000+seed, 3))
		r, err := Analyse(makeRun(rng, 40, 5, 60, steadyFlow(8.3)).curve(t), Options{Mode: OneFill})
		if err != nil {
			t.Fatal(err)
		}
		found += len(r.looks[0].lines)
	}
	if found > 0 { // two looks at 60 fills: 0.012 expected
		t.Errorf("%d lines in the noise of 60 fills", found)
	}
}

// White noise alone: with its test's other runs and a record at rest a fill's interval is
// shorter than alone, and no fill of another channel has a part in it.
func TestPoolNarrows(t *testing.T) {
	run := func(seed uint64, channel string, walk float64) Result {
		rng := rand.New(rand.NewPCG(2_000_000+seed, 4))
		ts, ys := simulate(rng, 3600, 0.05, 0.14, cellWhite, walk)
		c, err := curve.New(channel, curve.Gram, ts, ys)
		if err != nil {
			t.Fatal(err)
		}
		r, err := Analyse(c, Options{Mode: Window})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	u := func(f Fill) float64 {
		for _, x := range f.Budget {
			if x.Name == termFit {
				return x.U
			}
		}
		return math.NaN()
	}
	var results []Result
	var alone []float64
	for i := range uint64(6) {
		results = append(results, run(i, "tube1", 0))
		alone = append(alone, u(results[i].Fills[0]))
	}
	other := run(9, "tube2", 0.01)
	otherU := u(other.Fills[0])
	Pool(append(results, other, Result{Fills: []Fill{{Channel: "dead"}}})...)
	sum, sumAlone := 0.0, 0.0
	for i, r := range results {
		sum, sumAlone = sum+u(r.Fills[0]), sumAlone+alone[i]
	}
	if !(sum < 0.8*sumAlone) {
		t.Errorf("pooled u %.3g in the mean, alone %.3g", sum/6, sumAlone/6)
	}
	if got := u(other.Fills[0]); got != otherU {
		t.Errorf("a channel's only fill went from u %g to %g", otherU, got)
	}
}

func TestRecordOfRefuses(t *testing.T) {
	c, err := curve.New("tube1", curve.Gram, []float64{0, 1, 2}, []float64{1, 2, 3})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := RecordOf(c); err == nil || !strings.Contains(err.Error(), "at least 8") {
		t.Errorf("three values: %v, want an error that names the least number", err)
	}
}

// The estimate of a zero's drift is the prior's where nothing is known, weighs two rests by
// their variances, and leaves out one that moved by more than a zero does.
func TestZeroDrift(t *testing.T) {
	half, prior := 0.5/3600, 0.5/3600/math.Sqrt(3)
	none := rest{slope: math.NaN(), u: math.NaN()}
	for _, tc := range []struct {
		name          string
		before, after rest
		slope, u      float64
	}{
		{"no rest", none, none, 0, prior},
		{"one as sure as the prior", rest{slope: 1e-4, u: prior}, none, 5e-5, prior / math.Sqrt2},
		{"two", rest{slope: 1e-4, u: prior}, rest{slope: -4e-5, u: prior}, 2e-5, prior / math.Sqrt(3)},
		{"moved by something else", rest{slope: 1e-3, u: prior}, none, 0, prior},
		{"one that says next to nothing", rest{slope: 1e-4, u: 10 * prior}, none, 0, prior},
	} {
		d := zeroDrift(half, tc.before, tc.after)
		if math.Abs(d.slope-tc.slope) > 1e-12 || math.Abs(d.u-tc.u) > 1e-12 {
			t.Errorf("%s: %g with u %g, want %g with %g", tc.name, d.slope, d.u, tc.slope, tc.u)
		}
	}
	if d := zeroDrift(0, rest{slope: 1, u: 1}); d != (drifted{}) {
		t.Errorf("a zero that cannot drift: %+v", d)
	}
}

// The degrees of freedom come back from their own factor.
func TestDFOfFactor(t *testing.T) {
	for _, df := range []float64{1, 1.3, 2, 5, 17.5, 100, 358} {
		if got := dfOfFactor(Coverage95(df), 358); math.Abs(got-df) > 1e-4*df {
			t.Errorf("df %g comes back as %g", df, got)
		}
	}
}

// A rest that waves a little before the flow is no flow that stopped.
func TestTinyRiseBeforeTheFlow(t *testing.T) {
	rng := rand.New(rand.NewPCG(2_000_000, 5))
	m := makeRun(rng, 80, 30, 180, steadyFlow(8.3))
	for i, x := range m.t {
		m.y[i] += 0.012 * min(x, 7) // 84 mg in the first seven seconds
	}
	f := oneFill(t, m.curve(t), Options{Mode: OneFill})
	if math.Abs(f.StartS-m.onset) > 0.5 || !f.Allows() {
		t.Errorf("from %.1f s, made from %.1f s; flags %q", f.StartS, m.onset, codes(f))
	}
}
