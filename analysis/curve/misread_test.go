package curve

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// What MarkMisreads does, said as plainly as it can be, each point looked at in full:
// what the fast one must equal.

func slowMarkMisreads(c *Curve) int {
	all := 0
	for range misreadLooks {
		n := slowMarks(c)
		if all += n; n == 0 {
			break
		}
	}
	return all
}

func slowMarks(c *Curve) int {
	stretches := slowStretches(c)
	n := 0
	for _, idx := range stretches {
		n += len(idx)
	}
	// The usual distance is had from a few hundred points, evenly taken.
	stride := max(1, n/misreadSample)
	abs := make([]float64, 0, n/stride+1)
	for _, idx := range stretches {
		for k := 0; k < len(idx); k += stride {
			abs = append(abs, math.Abs(slowOffLine(c, idx, k)))
		}
	}
	if len(abs) == 0 {
		return 0
	}
	scale := 1.4826 * medianOf(abs)
	// A balance that shows whole steps is off by up to half a step.
	if step := usedOf(c).smallestDiff(); !math.IsInf(step, 1) {
		scale = max(scale, step/math.Sqrt(12))
	}
	if scale == 0 {
		return 0
	}
	marked := 0
	for _, idx := range stretches {
		marked += slowStretch(c, idx, scale)
	}
	return marked
}

// slowStretches gives the used points between holes, where there are enough of them to
// judge by: across a hole nothing is known of neighbours.
func slowStretches(c *Curve) [][]int {
	idx := make([]int, 0, len(c.Marks))
	for i, m := range c.Marks {
		if m == Used {
			idx = append(idx, i)
		}
	}
	if len(idx) < misreadWide {
		return nil
	}
	hole := max(misreadHoleS, misreadHoleN*slowUsualStep(c, idx))
	var out [][]int
	from := 0
	for k := 1; k <= len(idx); k++ {
		if k < len(idx) && c.ElapsedS[idx[k]]-c.ElapsedS[idx[k-1]] <= hole {
			continue
		}
		if k-from >= misreadWide {
			out = append(out, idx[from:k])
		}
		from = k
	}
	return out
}

func slowStretch(c *Curve, idx []int, scale float64) int {
	n := len(idx)
	far := make([]bool, n)
	for k := range n {
		// Where the neighbours lie close together none is far off: most of a curve.
		lo, hi := math.Inf(1), math.Inf(-1)
		a := min(max(k-misreadHalf, 0), n-misreadWide)
		for _, i := range idx[a : a+misreadWide] {
			lo, hi = min(lo, c.Values[i]), max(hi, c.Values[i])
		}
		if hi-lo > misreadScale*scale/2 {
			far[k] = math.Abs(slowOffLine(c, idx, k)) > misreadScale*scale
		}
	}
	marked := 0
	for k := 0; k < n; k++ {
		if !far[k] {
			continue
		}
		end := k + 1
		for end < n && far[end] {
			end++
		}
		if slowLoneClump(c, idx, k, end, scale) {
			for j := k; j < end; j++ {
				c.Marks[idx[j]] = Misread
				marked++
			}
		}
		k = end - 1
	}
	return marked
}

// offLine is the distance of used point k from the line through its neighbours.
func slowOffLine(c *Curve, idx []int, k int) float64 {
	var slopes, levels [misreadWide]float64
	a := min(max(k-misreadHalf, 0), len(idx)-misreadWide)
	m := 0
	for j := a; j+2 < a+misreadWide; j++ {
		// Slopes over two steps: one wild value spoils two of fifteen, one up and one down.
		dt := c.ElapsedS[idx[j+2]] - c.ElapsedS[idx[j]]
		slopes[m] = (c.Values[idx[j+2]] - c.Values[idx[j]]) / dt
		m++
	}
	s := medianOf(slopes[:m])
	m = 0
	for j := a; j < a+misreadWide; j++ {
		if j == k {
			continue
		}
		levels[m] = c.Values[idx[j]] - s*(c.ElapsedS[idx[j]]-c.ElapsedS[idx[k]])
		m++
	}
	return c.Values[idx[k]] - medianOf(levels[:m])
}

// loneClump reports whether the curve after points k to end goes on where it was
// before them: then they are misreads; otherwise the curve has really moved.
func slowLoneClump(c *Curve, idx []int, k, end int, scale float64) bool {
	if end-k > misreadHalf-1 {
		return false
	}
	before, after := idx[max(0, k-misreadHalf):k], idx[end:min(len(idx), end+misreadHalf)]
	// At an end what comes on the other side is not known: one or two values are
	// better left out than taken for a step, more stay.
	if len(before) == 0 || len(after) == 0 {
		return end-k <= misreadEnd
	}
	vals := func(part []int) float64 {
		v := make([]float64, len(part))
		for i, j := range part {
			v[i] = c.Values[j]
		}
		return medianOf(v)
	}
	// The clump must stand off both sides by more than the sides stand off each other.
	a, b := vals(before), vals(after)
	lo, hi := min(a, b), max(a, b)
	for _, j := range idx[k:end] {
		v := c.Values[j]
		if off := max(lo-v, v-hi); off < misreadScale*scale/2 || off < (hi-lo)/2 {
			return false
		}
	}
	return true
}

// slowUsualStep is the median time between used points, from at most some hundreds.
func slowUsualStep(c *Curve, idx []int) float64 {
	stride := max(1, len(idx)/misreadSample)
	steps := make([]float64, 0, len(idx)/stride+1)
	for k := 1; k < len(idx); k += stride {
		steps = append(steps, c.ElapsedS[idx[k]]-c.ElapsedS[idx[k-1]])
	}
	return medianOf(steps)
}

func TestMarkMisreadsIsWhatThePlainOneIs(t *testing.T) {
	marked := 0
	for seed := range uint64(400) {
		rng := rand.New(rand.NewPCG(seed, 31))
		c := wildCurve(t, rng)
		slow := c
		slow.Marks = slices.Clone(c.Marks)
		want, got := slowMarkMisreads(&slow), MarkMisreads(&c)
		if got != want || !slices.Equal(c.Marks, slow.Marks) {
			t.Fatalf("seed %d: %d marked, the plain one %d", seed, got, want)
		}
		marked += got
	}
	if marked < 1000 {
		t.Errorf("%d misreads in all: the curves try nothing", marked)
	}
}

// wildCurve is a curve at random: any rate and slope, noise, a display's steps, knees,
// steps, holes, clumps of wild values, marks from before.
func wildCurve(t *testing.T, rng *rand.Rand) Curve {
	t.Helper()
	n := 5 + rng.IntN(900)
	h := []float64{0.0031, 0.0125, 0.1, 1, 10}[rng.IntN(5)]
	slope, sd := []float64{0, 0.14, -0.5, 5}[rng.IntN(4)], []float64{0, 0.003, 0.07, 1}[rng.IntN(4)]
	shown := []float64{0, 0, 0.1, 1}[rng.IntN(4)]
	step, knee, wild := []float64{0, 0, 0.02}[rng.IntN(3)], []float64{0, 0.01}[rng.IntN(2)], []float64{0, 0.01, 0.1, 0.3}[rng.IntN(4)]
	ts, ys, marks := make([]float64, n), make([]float64, n), make([]Mark, n)
	now, y := 0.0, 100*rng.NormFloat64()
	for i := range ts {
		d := h * (1 + 0.2*(rng.Float64()-0.5))
		if rng.Float64() < 0.005 {
			d += 40 * h * rng.ExpFloat64()
		}
		now, y = now+d, y+slope*d
		if rng.Float64() < step {
			y += 5 * rng.NormFloat64()
		}
		if rng.Float64() < knee {
			slope = rng.NormFloat64()
		}
		ts[i], ys[i] = now, y+sd*rng.NormFloat64()
		if shown > 0 {
			ys[i] = shown * math.Round(ys[i]/shown)
		}
		if rng.Float64() < wild {
			ys[i] = []float64{0, 2 * y, -3900, y + 3*rng.NormFloat64()}[rng.IntN(4)]
		}
		if rng.Float64() < 0.02 {
			marks[i] = Settling
		}
	}
	marks[0] = Used
	c, err := FromCounts(fmt.Sprintf("tube%d", n), ts, ys, marks, Calibration{CountsPerGram: 1})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// A sound run at 80 samples/s, a steep slow one, and one with misreads.
func BenchmarkMarkMisreads(b *testing.B) {
	for _, tc := range []struct {
		name          string
		n             int
		step, sd, bad float64
	}{{"80sps", 240 * 80, 0.0125, 0.07, 0}, {"10sps", 2400, 0.1, 0.028, 0}, {"80sps-misreads", 240 * 80, 0.0125, 0.07, 0.005}} {
		ts, ys := ramp(tc.n, tc.step, 0.14, tc.sd)
		rng := rand.New(rand.NewPCG(1, 1))
		for i := range ys {
			if rng.Float64() < tc.bad {
				ys[i] *= 2
			}
		}
		marks := make([]Mark, tc.n)
		for _, how := range []struct {
			name string
			mark func(*Curve) int
		}{{"fast", MarkMisreads}, {"plain", slowMarkMisreads}} {
			b.Run(tc.name+"/"+how.name, func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					clear(marks)
					c := Curve{ElapsedS: ts, Values: ys, Marks: marks}
					how.mark(&c)
				}
			})
		}
	}
}
