package calibrate_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"brimline/rig/calibrate"
)

// near compares to a relative tolerance.
func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s = %.15g, want %.15g to %g", what, got, want, rel)
	}
}

// NIST StRD, Pontius: a real load cell, certified to 15 digits.
func TestQuadraticPontius(t *testing.T) {
	var points []calibrate.Point
	for _, row := range table(t, "strd_pontius.csv") {
		points = append(points, calibrate.Point{Counts: number(t, row[0]), MassG: number(t, row[1])})
	}
	q, err := calibrate.FitQuadratic(points)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string][2]float64{"B0": {q.A, q.UA}, "B1": {q.B, q.UB}, "B2": {q.C, q.UC}, "residual_sd": {q.ResidualSD}}
	compared := 0
	for _, row := range table(t, "strd_certified.csv") {
		g, ok := got[row[1]]
		if row[0] != "Pontius" || !ok {
			continue
		}
		compared++
		// The intercept is a small difference: 1e-9 of it is 1e-15 of the largest reading.
		near(t, row[1], g[0], number(t, row[2]), 1e-9)
		if row[3] != "" {
			near(t, "sd of "+row[1], g[1], number(t, row[3]), 1e-9)
		}
	}
	if compared != len(got) {
		t.Errorf("%d certified values compared, want %d", compared, len(got))
	}
	if !(q.P < 1e-10) { // t is 65: that cell is bent without doubt
		t.Errorf("p of the quadratic term is %g, t %g", q.P, q.T)
	}
}

// NIST/SEMATECH e-Handbook 2.3.6.5; the values were computed at 50 digits, and those
// published (from memory) agree.
func TestQuadraticHandbookLoadCell(t *testing.T) {
	var points []calibrate.Point
	for _, row := range table(t, "ehandbook_loadcell.csv") {
		points = append(points, calibrate.Point{MassG: number(t, row[0]), Counts: number(t, row[1])})
	}
	q, err := calibrate.FitQuadratic(points)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string][2]float64{"a": {q.A, q.UA}, "b": {q.B, q.UB}, "c": {q.C, q.UC}, "residual_sd": {q.ResidualSD}}
	rows := table(t, "ehandbook_loadcell_results.csv")
	if len(rows) != len(got) {
		t.Fatalf("%d published quantities, %d compared", len(rows), len(got))
	}
	for _, row := range rows {
		near(t, row[0], got[row[0]][0], number(t, row[1]), 2e-7) // of the 8 digits given
		if row[2] != "" {
			near(t, "se of "+row[0], got[row[0]][1], number(t, row[2]), 2e-7)
		}
	}
	if q.DF != 30 {
		t.Errorf("df %g, want 30", q.DF)
	}
	// By hand: c (range/2)² / b is the arc's height.
	near(t, "bend", q.BendG, 7.031865115e-6*9.5*9.5/0.100102485397, 1e-6)
}

func TestQuadraticRefuses(t *testing.T) {
	p := func(m, c float64) calibrate.Point { return calibrate.Point{MassG: m, Counts: c} }
	for name, c := range map[string]struct {
		points []calibrate.Point
		says   string
	}{
		"three":      {[]calibrate.Point{p(0, 1), p(1, 2), p(2, 3)}, "at least 4"},
		"two masses": {[]calibrate.Point{p(0, 1), p(1, 2), p(1, 3), p(0, 2)}, "3 different masses"},
		"NaN":        {[]calibrate.Point{p(0, 1), p(1, math.NaN()), p(2, 3), p(3, 3)}, "point 2 of 4"},
	} {
		if _, err := calibrate.FitQuadratic(c.points); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", name, err, c.says)
		}
	}
	q, err := calibrate.FitQuadratic([]calibrate.Point{p(0, 0), p(1, 2), p(2, 4), p(3, 6)})
	if err != nil || q.BendG > 1e-12 {
		t.Errorf("a straight line without scatter: %+v, %v", q, err)
	}
	if _, err := json.Marshal(q); err != nil { // no infinity in it
		t.Error(err)
	}
}

// cell is a channel as it might be, for assessing: exact but for what is set.
type cell struct {
	bend, hysteresis, noise, walk, zeroDrift float64 // counts: at mid range, at mid range, sd, per √reading, end against beginning
	loads                                    []float64
	cycles                                   int
}

const span, zero = 2147.0, -51_000.0

func (c cell) points(rng *rand.Rand) []calibrate.Point {
	loads, cycles := c.loads, c.cycles
	if loads == nil {
		loads = []float64{0, 50, 100, 150, 200}
	}
	if cycles == 0 {
		cycles = 2
	}
	top := loads[len(loads)-1]
	var points []calibrate.Point
	walk := 0.0
	add := func(massG float64, cycle int, down bool) {
		x := massG / top
		v := zero + span*massG + 4*c.bend*x*(1-x)
		if down {
			v += 4 * c.hysteresis * x * (1 - x)
		}
		walk += c.walk * rng.NormFloat64()
		points = append(points, calibrate.Point{MassG: massG, Counts: v + walk + c.noise*rng.NormFloat64(), Cycle: cycle, Down: down,
			MPEG: massG * 5e-5})
	}
	for cycle := 1; cycle <= cycles; cycle++ {
		for i, m := range loads {
			if i > 0 || cycle == 1 {
				add(m, cycle, false)
			}
		}
		for i := len(loads) - 2; i >= 0; i-- {
			add(loads[i], cycle, true)
		}
	}
	for i := range points {
		points[i].Counts += c.zeroDrift * float64(i) / float64(len(points)-1)
	}
	return points
}

func assess(t *testing.T, points []calibrate.Point, creep calibrate.Creep) calibrate.Assessment {
	t.Helper()
	l, err := calibrate.Fit(points)
	if err != nil {
		t.Fatal(err)
	}
	a, err := calibrate.Assess(points, l, creep, calibrate.DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func refusals(a calibrate.Assessment) string {
	var codes []string
	for _, r := range a.Remarks {
		if r.Refuse {
			codes = append(codes, r.Code)
		}
	}
	return strings.Join(codes, " ")
}

func says(a calibrate.Assessment) string {
	var b strings.Builder
	for _, r := range a.Remarks {
		b.WriteString(r.Says + "\n")
	}
	return b.String()
}

func newRand(n uint64) *rand.Rand { return rand.New(rand.NewPCG(n, 7)) }

// Each fault is refused by its own limit, and half of it is not. Hysteresis and zero
// drift show in other amounts too, so only their own code is asked for.
func TestAssessRefuses(t *testing.T) {
	g := func(massG float64) float64 { return massG * span } // counts
	hold := calibrate.Creep{Counts: 5, HoldS: 60}
	for _, c := range []struct {
		name  string
		cell  func(size float64) cell
		creep func(size float64) calibrate.Creep
		size  float64 // counts, a little beyond the limit; limits are parts of 200 g
		code  string
	}{
		// A parabola's means are off its own line by at most two thirds of the arc.
		{name: "bend", cell: func(s float64) cell { return cell{bend: s, noise: 4} }, size: g(0.001*200+0.01) * 1.6, code: "linearity"},
		{name: "hysteresis", cell: func(s float64) cell { return cell{hysteresis: s, noise: 4} }, size: g(0.21), code: "hysteresis"},
		{name: "repeatability", cell: func(s float64) cell { return cell{noise: s} }, size: g(0.2), code: "repeatability"},
		{name: "zero", cell: func(s float64) cell { return cell{zeroDrift: s, noise: 4} }, size: g(0.22), code: "zero-return"},
		{name: "creep", creep: func(s float64) calibrate.Creep { return calibrate.Creep{Counts: s, HoldS: 60} }, size: g(0.21), code: "creep"},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, part := range []float64{1, 0.4} {
				x, creep := cell{noise: 4}, hold
				if c.cell != nil {
					x = c.cell(c.size * part)
				}
				if c.creep != nil {
					creep = c.creep(c.size * part)
				}
				a := assess(t, x.points(newRand(1)), creep)
				if got := strings.Contains(refusals(a), c.code); got != (part == 1) {
					t.Errorf("%g of the fault: refused by %q: %s", part, refusals(a), says(a))
				}
				if part == 1 && (!a.Refused() || !strings.Contains(says(a), "limit 0.")) {
					t.Errorf("the limit is not said: %s", says(a))
				}
			}
		})
	}
}

func TestAssessSoundCell(t *testing.T) {
	for seed := range uint64(50) {
		if a := assess(t, cell{noise: 8, walk: 8}.points(newRand(seed)), calibrate.Creep{Counts: 20, HoldS: 60}); a.Refused() {
			t.Errorf("seed %d: %s", seed, says(a))
		}
	}
}

// The amounts, by hand: no noise, so each is exactly what was put in.
func TestAssessAmounts(t *testing.T) {
	points := cell{hysteresis: 215}.points(newRand(1))
	a := assess(t, points, calibrate.Creep{Counts: -2147, HoldS: 90})
	near(t, "hysteresis", a.Hysteresis.G, 215/span, 0.01) // the line's span is changed by some 1e-4 by it
	if a.Hysteresis.AtG != 100 || a.Repeatability.G > 1e-6 || a.DFRepeat != 8 || a.ZeroReturn.G != 0 {
		t.Errorf("%+v %+v %g", *a.Hysteresis, *a.Repeatability, a.DFRepeat)
	}
	near(t, "creep", a.Creep.G, -1, 1e-3)
	near(t, "creep, %", a.Creep.Pct, 0.5, 1e-3)
	if a.HoldS != 90 || a.SpanG != 200 || a.ToleranceG != 0.01 {
		t.Errorf("%+v", a)
	}
	// Two readings of one load, d apart, have a standard deviation of d/√2: 8 pairs, one
	// of them 100 counts apart.
	points = cell{}.points(newRand(1))
	points[4].Counts += 100
	near(t, "repeatability", assess(t, points, calibrate.Creep{}).Repeatability.G, 100/math.Sqrt2/math.Sqrt(8)/span, 1e-3)
	// One way, once.
	a = assess(t, cell{noise: 4}.points(newRand(1))[:5], calibrate.Creep{})
	if a.Hysteresis != nil || a.Repeatability != nil || a.Creep != nil || a.ZeroReturn != nil || a.Refused() {
		t.Errorf("one way up: %+v", a)
	}
	for _, want := range []string{"put on once", "went up only", "not held"} {
		if !strings.Contains(says(a), want) {
			t.Errorf("lacks %q: %s", want, says(a))
		}
	}
}

// Loads that are themselves not known do not make a line: refused from 2 % on, said
// before.
func TestAssessPoorLoads(t *testing.T) {
	for tolerance, refused := range map[float64]bool{0.005: false, 0.03: true} {
		points := cell{noise: 4}.points(newRand(1))
		for i := range points {
			points[i].MPEG = tolerance * points[i].MassG
		}
		a := assess(t, points, calibrate.Creep{Counts: 1, HoldS: 60})
		if (refusals(a) == "loads") != refused || !strings.Contains(says(a), "own tolerance") {
			t.Errorf("loads to %g: span ±%.2g %%, %q: %s", tolerance, a.USpanPct, refusals(a), says(a))
		}
	}
}

// A slip of the hand is named.
func TestAssessNamesTheSlip(t *testing.T) {
	for _, c := range []struct {
		name string
		slip func(p []calibrate.Point)
		says []string
	}{
		{"two masses taken for each other throughout", func(p []calibrate.Point) {
			for i := range p {
				switch p[i].MassG {
				case 50:
					p[i].Counts = zero + span*150
				case 150:
					p[i].Counts = zero + span*50
				}
			}
		}, []string{"50 g and 150 g are swapped"}},
		{"put on in the wrong order once", func(p []calibrate.Point) {
			p[1].Counts, p[2].Counts = p[2].Counts, p[1].Counts
		}, []string{"50 g (cycle 1, going up) and 100 g (cycle 1, going up) are swapped", "in the order asked for"}},
		{"the wrong mass once", func(p []calibrate.Point) { p[6].Counts = zero + span*70 }, []string{"100 g (cycle 1, coming down) reads as about 70 g"}},
		{"a mass left on", func(p []calibrate.Point) { p[8].Counts = zero + span*50 }, []string{"0 g (cycle 1, coming down) reads as about 50 g"}},
		{"a bend is no slip", func(p []calibrate.Point) {
			for i := range p {
				p[i].Counts += p[i].MassG * p[i].MassG * 0.3
			}
		}, []string{"do not lie on a line", "beyond its range"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			points := cell{noise: 6}.points(newRand(3))
			c.slip(points)
			a := assess(t, points, calibrate.Creep{})
			for _, want := range c.says {
				if !a.Refused() || !strings.Contains(says(a), want) {
					t.Errorf("lacks %q: %s", want, says(a))
				}
			}
		})
	}
}

func TestAssessChecksItsInput(t *testing.T) {
	points := cell{}.points(newRand(1))
	if _, err := calibrate.Assess(points, calibrate.Line{}, calibrate.Creep{}, calibrate.DefaultLimits()); err == nil {
		t.Error("a line of nothing: no error")
	}
	two := cell{loads: []float64{0, 100}}.points(newRand(1))
	l, err := calibrate.Fit(two)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := calibrate.Assess(two, l, calibrate.Creep{}, calibrate.DefaultLimits()); err == nil || !strings.Contains(err.Error(), "2 different loads") {
		t.Errorf("two loads: %v", err)
	}
}

// The 95 % interval of the span holds the truth as often as it says: by readings alone
// (exact masses), and with masses anywhere within their tolerance. The masses' part is
// a worst case of all wrong together, so the second may hold more often.
func TestSpanIntervalHoldsTheTruth(t *testing.T) {
	const n = 2000
	for _, c := range []struct {
		name        string
		noise, walk float64
		mpe         float64 // relative tolerance of each mass
		low, high   float64
	}{
		// 2000 draws of 95 % vary by 0.5 %: four of these either way.
		{"white noise, exact masses", 9, 0, 0, 0.93, 0.97},
		// A walk of 2 counts/√s over loads 25 s apart is 10; 12 in a cold bench is 60. Readings
		// are then not independent, and a few of a hundred intervals less hold: warm it up.
		{"warm cell's walk, exact masses", 9, 10, 0, 0.93, 0.97},
		{"cold cell's walk, exact masses", 9, 60, 0, 0.915, 0.97},
		{"warm cell's walk, masses of class M1", 9, 10, 5e-5, 0.95, 1},
	} {
		rng := newRand(11)
		held := 0
		for range n {
			points := cell{noise: c.noise, walk: c.walk}.points(rng)
			// The set: 50, 100 and 200 g with an error of their own; 150 is two of them.
			err50, err100, err200 := (2*rng.Float64()-1)*c.mpe*50, (2*rng.Float64()-1)*c.mpe*100, (2*rng.Float64()-1)*c.mpe*200
			wrong := map[float64]float64{50: err50, 100: err100, 150: err50 + err100, 200: err200}
			for i := range points {
				points[i].Counts += span * wrong[points[i].MassG]
				points[i].MPEG = points[i].MassG * c.mpe
			}
			l, err := calibrate.Fit(points)
			if err != nil {
				t.Fatal(err)
			}
			if u95, _, _ := l.SpanU95(); math.Abs(l.Span-span) <= u95 {
				held++
			}
		}
		share := float64(held) / n
		t.Logf("%s: %.1f %% of %d intervals hold the span", c.name, 100*share, n)
		if share < c.low || share > c.high {
			t.Errorf("%s: %.3f, want %g to %g", c.name, share, c.low, c.high)
		}
	}
}

func ExampleAssess() {
	points := []calibrate.Point{
		{MassG: 0, Counts: 1000}, {MassG: 100, Counts: 215_720}, {MassG: 200, Counts: 430_395},
		{MassG: 100, Counts: 215_705, Down: true}, {MassG: 0, Counts: 1004, Down: true},
	}
	line, err := calibrate.Fit(points)
	if err != nil {
		fmt.Println(err)
		return
	}
	a, err := calibrate.Assess(points, line, calibrate.Creep{}, calibrate.DefaultLimits())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("off by %.3f g at %g g, hysteresis %.3f g\n", a.Linearity.G, a.Linearity.AtG, a.Hysteresis.G)
	// Output: off by 0.004 g at 100 g, hysteresis -0.007 g
}
