package rate

import (
	"math"
	"math/rand/v2"
	"slices"
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

func with(f Fill, code string) (Flag, bool) {
	i := slices.IndexFunc(f.Flags, func(g Flag) bool { return g.Code == code })
	if i < 0 {
		return Flag{}, false
	}
	return f.Flags[i], true
}
