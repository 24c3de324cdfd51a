package rate

import (
	"cmp"
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// tableOf reads a file of this package's testdata, less its header.
func tableOf(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

// tableBlocks is a file's two columns as blocks of one value, in the order of x.
func tableBlocks(t *testing.T, name string) []block {
	t.Helper()
	var b []block
	for _, row := range tableOf(t, name) {
		b = append(b, block{t: number(t, row[0]), y: number(t, row[1]), n: 1})
	}
	slices.SortStableFunc(b, func(p, q block) int { return cmp.Compare(p.t, q.t) })
	return b
}

// whiteWithin is a within of b as if all noise were white.
func whiteWithin(t *testing.T, b []block) *within {
	t.Helper()
	n := len(b)
	in := &within{b: b, base: (b[n-1].y - b[0].y) / (b[n-1].t - b[0].t)}
	in.w = newWhitening(b, 0)
	in.t, in.y = in.w.column(in.timeOf), in.w.column(in.valueOf)
	in.weight, in.df = 1, float64(n-3)
	x := in.w.column(func(k int) float64 { return in.timeOf(k) * in.timeOf(k) })
	rss, _, _, _, err := sumsOf(in.t, x, in.y).solve()
	if err != nil {
		t.Fatal(err)
	}
	in.s2 = rss / in.df
	in.at = []noisy{in.noisy}
	return in
}

// A broken line in white noise: the exact least squares over all breaks, and the
// uncertainties linearised there, as R 4.2.2 with package segmented 1.6.2 gives them
// (the exact search by Hudson's method there). Stagnant is Bacon & Watts (1971),
// Biometrika 58, 525; the others are simulated.
func TestBrokenLineAgainstReference(t *testing.T) {
	for _, tc := range []struct {
		name                                    string
		at, uAt, before, uBefore, after, uAfter float64
		rss                                     float64
		sure                                    bool
	}{
		{"seg_fill_kink.csv", 23.2717713865854, 0.354405669619772, 0.252929434782609, 0.0012401, 0.191002916073969, 0.00064753, 0.100810376267151, true},
		{"seg_fill_nokink.csv", 9.59522108569161, 5.97813992188239, 0.194558787878788, 0.0056543, 0.200588968325792, 0.00048857, 0.150344405392212, false},
		{"seg_stagnant.csv", 0.0411057845921137, 0.0228348067669285, -0.42207681441403, 0.011487, -1.02056754501013, 0.015068, 0.0091401972320882, true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			in := whiteWithin(t, tableBlocks(t, tc.name))
			got, ok := in.breaks()
			if !ok {
				t.Fatal("no break was looked for")
			}
			for _, v := range []struct {
				what      string
				got, want float64
				rel       float64 // the reference's own digits
			}{
				{"break", got.atS, tc.at, 1e-8}, {"its u", got.u, tc.uAt, 1e-3},
				{"slope before", got.before, tc.before, 1e-8}, {"its u", got.uBefore, tc.uBefore, 1e-3},
				{"slope after", got.after, tc.after, 1e-8}, {"its u", got.uAfter, tc.uAfter, 1e-3},
				{"residual sum of squares", got.rss, tc.rss, 1e-8},
			} {
				if math.Abs(v.got-v.want) > v.rel*math.Abs(v.want) {
					t.Errorf("%s %.12g, want %.12g", v.what, v.got, v.want)
				}
			}
			// Davies' test there, at ten moments: 1.4e-36, 0.52 and 1.3e-17.
			if tc.sure && got.chance > 1e-9 || !tc.sure && got.chance < 0.3 {
				t.Errorf("chance of such a break by noise %.3g", got.chance)
			}
		})
	}
}

// noise is what a cell adds to a line, as blocks of half a second.
func noiseBlocks(rng *rand.Rand, n int, white, walk float64) []block {
	b := make([]block, n)
	w := 0.0
	for k := range b {
		b[k] = block{t: 0.5 * float64(k), y: w + white*rng.NormFloat64(), n: 1}
		w += walk * math.Sqrt(0.5) * rng.NormFloat64()
	}
	return b
}

// What is called a break or a trend at a chance is called so by noise in no more than
// that, whatever the noise is of and wherever the break is looked for.
func TestNoiseShowsNoBreak(t *testing.T) {
	const trials, level = 300, 0.02
	for _, tc := range []struct {
		name        string
		n           int
		white, walk float64
	}{
		{"white", 360, 1, 0}, {"walk", 360, 0.01, 1}, {"both", 360, 1, 0.1}, {"twenty seconds", 40, 1, 0.2},
	} {
		t.Run(tc.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(2_000_000, uint64(len(tc.name))))
			broken, bent := 0, 0
			for range trials {
				in, err := newWithin(noiseBlocks(rng, tc.n, tc.white, tc.walk))
				if err != nil {
					t.Fatal(err)
				}
				if got, ok := in.breaks(); ok && got.chance < level {
					broken++
				}
				if _, _, chance := in.trend(); chance < level {
					bent++
				}
			}
			t.Logf("at a chance of %.3f: a break in %.4f, a trend in %.4f", level, float64(broken)/trials, float64(bent)/trials)
			// Three standard errors of the trials above the level.
			if most := level*trials + 3*math.Sqrt(level*trials); float64(broken) > most || float64(bent) > most {
				t.Errorf("at a chance of %.3f: a break in %d and a trend in %d of %d, want at most %.0f", level, broken, bent, trials, most)
			}
		})
	}
}

// A flow that steps by 8 % or sags by 14 % is not steady; the break is where it was made
// and the rates on either side are those made, within their uncertainties.
func TestStepsAndSagsAreFound(t *testing.T) {
	const runs = 30
	steps, sags, times, sides := 0, 0, 0, 0
	for seed := range uint64(runs) {
		rng := rand.New(rand.NewPCG(2_000_000+seed, 41))
		at := 50 + 80*rng.Float64()
		m := makeRun(rng, 80, 15, 180, func(u float64) float64 { return 8.3 / 60 * (u - 0.08*max(0, u-at)) })
		f := oneFill(t, m.curve(t), Options{Mode: OneFill})
		if codes(f) == codeUnsteady && !f.Steady && f.Flags[0].Evidence.Size < 0 {
			steps++
			if e := f.Flags[0].Evidence; math.Abs((e.FromS+e.ToS)/2-at-m.onset) < 3*(e.ToS-e.FromS)/4 {
				times++
			}
		}
		in, err := newWithin(merged(makeBlocks(m.t, m.y, 400)[40:360], withinBlocks))
		if err != nil {
			t.Fatal(err)
		}
		if got, ok := in.breaks(); ok && math.Abs(60*got.before-8.3) < 2*60*got.uBefore && math.Abs(60*got.after-0.92*8.3) < 2*60*got.uAfter {
			sides++
		}
		m = makeRun(rng, 80, 15, 180, func(u float64) float64 { return 8.3 / 60 * (u - 0.14*u*u/360) })
		f = oneFill(t, m.curve(t), Options{Mode: OneFill})
		if math.Abs(f.Trend+0.15) > 4*f.UTrend {
			t.Errorf("seed %d: trend %.3f ± %.3f, made at -0.151 of the mean", seed, f.Trend, f.UTrend)
		}
		// On one tube alone it is named as what bends a curve so.
		if codes(f) == codeVent && !f.Steady {
			sags++
		}
	}
	t.Logf("of %d: steps found %d, at their time within three standard uncertainties %d, both rates within two %d; sags found %d", runs, steps, times, sides, sags)
	if steps < runs || sags < runs || times < runs-2 || sides < runs-7 {
		t.Errorf("of %d: steps found %d, at their time %d, both rates %d; sags found %d", runs, steps, times, sides, sags)
	}
}

// The rolling rate follows a flow that sags, and its uncertainty is of use and true.
func TestRollingFollows(t *testing.T) {
	for _, tc := range []struct{ hz, flowS, gpm float64 }{{80, 180, 8.3}, {10, 180, 8.3}, {80, 20, 30}, {1, 600, 20}} {
		rng := rand.New(rand.NewPCG(2_000_000, uint64(tc.hz+tc.flowS)))
		m := makeRun(rng, tc.hz, 15, tc.flowS, func(u float64) float64 { return tc.gpm / 60 * (u - 0.2*u*u/2/tc.flowS) })
		f := oneFill(t, m.curve(t), Options{Mode: OneFill})
		if n := len(f.Rolling); n < 10 || n > rollingMost+2 || !(f.RollingS > 0) || f.RollingS > tc.flowS*rollingLong {
			t.Errorf("%+v: %d points over %.1f s each", tc, n, f.RollingS)
			continue
		}
		within := 0
		for _, p := range f.Rolling {
			want := tc.gpm * (1 - 0.2*(p.AtS-m.onset)/tc.flowS)
			if math.Abs(p.Rate-want) < 2*p.U {
				within++
			}
			if p.U > 0.1*tc.gpm {
				t.Errorf("%+v: at %.0f s u is %.3f of %.3f g/min", tc, p.AtS, p.U, p.Rate)
			}
		}
		t.Logf("%+v: %d points of %.1f s, %d within two standard uncertainties", tc, len(f.Rolling), f.RollingS, within)
		// Neighbours overlap, so that one wander counts several times.
		if float64(within) < 0.75*float64(len(f.Rolling)) {
			t.Errorf("%+v: %d of %d points within two standard uncertainties", tc, within, len(f.Rolling))
		}
	}
}

// What is too short, flat or full of holes to ask about has no rate within it, and no panic.
func TestWithinOfLittle(t *testing.T) {
	flat := make([]block, 20)
	for k := range flat {
		flat[k] = block{t: float64(k), y: 3, n: 1}
	}
	if in, err := newWithin(flat); err == nil {
		if _, _, chance := in.trend(); chance < 0.01 {
			t.Errorf("a flat line bends, chance %g", chance)
		}
		if br, ok := in.breaks(); ok && br.chance < 0.01 {
			t.Errorf("a flat line breaks, chance %g", br.chance)
		}
	}
	if _, err := newWithin(flat[:fewestValues-1]); err == nil {
		t.Error("seven blocks are enough")
	}
	for _, n := range []int{8, 9, 12} {
		rng := rand.New(rand.NewPCG(2_000_000, uint64(n)))
		b := noiseBlocks(rng, n, 1, 0.1)
		b[n/2].t += 1e4
		for k := n/2 + 1; k < n; k++ {
			b[k].t += 1e4
		}
		in, err := newWithin(b)
		if err != nil {
			t.Fatal(err)
		}
		in.trend()
		in.breaks()
		if points, _ := in.rolling(1); len(points) > n {
			t.Errorf("%d points of %d blocks", len(points), n)
		}
	}
}

// A flow that pulses is known by how much and how fast; its mean is what it was made at.
func TestPulsationIsMeasured(t *testing.T) {
	rng := rand.New(rand.NewPCG(2_000_000, 51))
	const depth, hz = 0.25, 0.4
	m := makeRun(rng, 80, 15, 180, func(u float64) float64 { return 8.3 / 60 * (u + depth/(2*math.Pi*hz)*math.Sin(2*math.Pi*hz*u)) })
	f := oneFill(t, m.curve(t), Options{Mode: OneFill})
	if math.Abs(f.Pulsation-depth) > 0.05 || math.Abs(f.PulsationHz-hz) > 0.01 || math.Abs(f.RateGPerMin-8.3) > 1.5*f.U95 {
		t.Errorf("pulses by %.2f at %.3f Hz about %.3f ± %.3f g/min, made with %.2f at %.1f Hz about 8.3", f.Pulsation, f.PulsationHz, f.RateGPerMin, f.U95, depth, hz)
	}
	m = makeRun(rng, 80, 15, 180, steadyFlow(8.3))
	if f := oneFill(t, m.curve(t), Options{Mode: OneFill}); f.Pulsation != 0 || f.PulsationHz != 0 {
		t.Errorf("an even flow pulses by %.2f at %.3f Hz", f.Pulsation, f.PulsationHz)
	}
}
