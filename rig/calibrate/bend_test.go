package calibrate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A bent channel within the limits: 95 % intervals of the span must hold the slope of a
// fill anywhere in the range, and a check with a good mass must find the channel in
// tolerance, about as often as they say. The truth is a known parabola.
func TestWithBendCovers(t *testing.T) {
	loads := []float64{0, 50, 100, 150, 200, 150, 100, 50, 0, 50, 100, 150, 200, 150, 100, 50, 0}
	mpe := map[float64]float64{0: 0, 50: 0.003, 100: 0.005, 150: 0.008, 200: 0.010}
	for _, c := range []struct{ arcG, hysteresisG float64 }{{0, 0}, {0.02, 0}, {0.07, 0}, {0.18, 0}, {-0.28, 0}, {0, 0.15}, {0.1, -0.1}} {
		arcG := c.arcG
		rng := rand.New(rand.NewPCG(3, uint64(math.Abs(arcG+c.hysteresisG)*1000)))
		branch := func(m, half float64) float64 {
			x := (m - 100) / 100
			return m + arcG*x*x + half*(1-x*x)
		}
		reads := func(m float64) float64 { return branch(m, -c.hysteresisG/2) } // going up
		const trials = 400
		rates, checks, all, straight := 0, 0, 0, 0
		for range trials {
			counts := func(m float64) float64 { return 2200*reads(m) + 20*rng.NormFloat64() }
			var points []Point
			for i, m := range loads {
				p := Point{MassG: m, Counts: counts(m), MPEG: mpe[m], Cycle: 1 + i/9, Down: i > 4 && i < 9 || i > 12}
				if p.Down {
					p.Counts += 2200 * (branch(m, c.hysteresisG/2) - reads(m))
				}
				points = append(points, p)
			}
			plain, err := Fit(points)
			if err != nil {
				t.Fatal(err)
			}
			line := plain.WithBend(points)
			a, err := Assess(points, line, Creep{}, DefaultLimits())
			if err != nil {
				t.Fatal(err)
			}
			if a.Refused() {
				t.Fatalf("%+v: refused: %v", c, a.Remarks)
			}
			from := 160 * rng.Float64()
			slope := 2200 * (reads(from+40) - reads(from)) / 40
			if math.Abs(slope/line.Span-1)*100 <= a.USpanPct {
				rates++
			}
			if u95, _, _ := plain.SpanU95(); math.Abs(slope-plain.Span) <= u95 {
				straight++
			}
			for _, m := range []float64{50, 100, 150} {
				k, err := line.NewCheck(m, mpe[m], Reading{counts(0), 6}, Reading{counts(m), 6}, a.Repeatability.G, a.DFRepeat)
				if err != nil {
					t.Fatal(err)
				}
				all++
				if k.InTolerance {
					checks++
				}
			}
		}
		if share := float64(rates) / trials; share < 0.94 {
			t.Errorf("%+v: the span's interval holds %.1f %% of fills' slopes, 95 %% are claimed", c, 100*share)
		}
		if share := float64(checks) / float64(all); share < 0.94 {
			t.Errorf("%+v: %.1f %% of checks in tolerance, 95 %% are claimed", c, 100*share)
		}
		if arcG >= 0.18 && straight > trials/2 {
			t.Errorf("%+v: without the bend %d of %d slopes are held: the trial shows nothing", c, straight, trials)
		}
	}
}

// By hand: 5 even loads once, residuals of the parabola 4x² - 2 on -1 to 1 are 2, -1, -2,
// -1, 2 counts; arc 3/2 · 2 = 3, over 200 g: u = 4 · 3/200/√3.
func TestWithBendByHand(t *testing.T) {
	var points []Point
	for i, off := range []float64{2, -1, -2, -1, 2} {
		points = append(points, Point{MassG: 50 * float64(i), Counts: 1000 + 100*50*float64(i) + off})
	}
	plain, err := Fit(points)
	if err != nil {
		t.Fatal(err)
	}
	line := plain.WithBend(points)
	want := 4 * 3.0 / 200 / math.Sqrt(3)
	if math.Abs(line.USpanBend-want) > 1e-9 || math.Abs(line.USpan-math.Hypot(plain.USpan, want)) > 1e-9 {
		t.Errorf("u(bend) %g counts/g, want %g; u(span) %g from %g", line.USpanBend, want, line.USpan, plain.USpan)
	}
	if again := line.WithBend(points); again.USpan != line.USpan {
		t.Errorf("added twice: %g, %g", line.USpan, again.USpan)
	}
	if line.USpanFit != plain.USpanFit || line.UZero != plain.UZero || line.CovZeroSpan != plain.CovZeroSpan {
		t.Error("the bend changed another part")
	}
}

// Loads too coarse are found last, and still stand first.
func TestRefusalsStandFirst(t *testing.T) {
	var points []Point
	for i := range 5 {
		points = append(points, Point{MassG: 25 * float64(i), Counts: 2200*25*float64(i) + float64(i%2), MPEG: 0.5 * float64(i)})
	}
	line, err := Fit(points)
	if err != nil {
		t.Fatal(err)
	}
	a, err := Assess(points, line, Creep{}, DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	if len(a.Remarks) < 3 || !a.Remarks[0].Refuse || a.Remarks[0].Code != "loads" || a.Remarks[1].Refuse {
		t.Errorf("remarks %+v", a.Remarks)
	}
}
