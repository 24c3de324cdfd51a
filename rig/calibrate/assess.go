package calibrate

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Limits are what a calibration may show at most, in per cent of the span used. They
// are common practice, no source: a cell fit for the work is several times better.
type Limits struct {
	LinearityPct     float64 `json:"linearity_pct"`     // largest deviation of a load from the line
	HysteresisPct    float64 `json:"hysteresis_pct"`    // largest difference between up and down
	RepeatabilityPct float64 `json:"repeatability_pct"` // standard deviation of one load
	CreepPct         float64 `json:"creep_pct"`         // over the hold at the top load
	ZeroReturnPct    float64 `json:"zero_return_pct"`   // empty cell, end against beginning
	ScatterPct       float64 `json:"scatter_pct"`       // half width of the span's 95 % interval, masses apart
	SpanPct          float64 `json:"span_pct"`          // the same, the loads' tolerance included
}

// DefaultLimits are the limits that calibrate applies.
func DefaultLimits() Limits {
	return Limits{LinearityPct: 0.1, HysteresisPct: 0.1, RepeatabilityPct: 0.05, CreepPct: 0.1, ZeroReturnPct: 0.1, ScatterPct: 0.1, SpanPct: 2}
}

// LevelLimits are those for level senders, which are ten times coarser than load cells;
// common practice, no source.
func LevelLimits() Limits {
	return Limits{LinearityPct: 1, HysteresisPct: 1, RepeatabilityPct: 0.5, CreepPct: 0.5, ZeroReturnPct: 0.5, ScatterPct: 1, SpanPct: 3}
}

// Quadratic is a parabola through the points, counts = A + B mass + C mass², by least
// squares with equal weights.
type Quadratic struct {
	A          float64 `json:"a_counts"`
	B          float64 `json:"b_counts_per_g"`
	C          float64 `json:"c_counts_per_g2"`
	UA         float64 `json:"u_a"`
	UB         float64 `json:"u_b"`
	UC         float64 `json:"u_c"`
	ResidualSD float64 `json:"residual_sd_counts"`
	DF         float64 `json:"df"`
	T          float64 `json:"t"`      // C/UC: the test whether the line is bent
	P          float64 `json:"p"`      // chance of a T as large on a straight line
	BendG      float64 `json:"bend_g"` // the arc's height over its chord, from the least to the greatest mass, g
}

// FitQuadratic fits the parabola. It needs four points or more at three masses or
// more. The tests repeat NIST's certified fit of a real load cell (StRD, Pontius) and
// that of the e-Handbook, 2.3.6.5.
func FitQuadratic(points []Point) (Quadratic, error) {
	n := len(points)
	if n < 4 {
		return Quadratic{}, fmt.Errorf("parabola: %d points, at least 4 are needed to see its scatter: load more masses", n)
	}
	low, high := math.Inf(1), math.Inf(-1)
	for i, p := range points {
		if !finite(p.MassG) || !finite(p.Counts) {
			return Quadratic{}, fmt.Errorf("parabola: point %d of %d: %g g, %g counts: finite numbers are needed", i+1, n, p.MassG, p.Counts)
		}
		low, high = min(low, p.MassG), max(high, p.MassG)
	}
	middle, half := (low+high)/2, (high-low)/2
	if len(byMass(points)) < 3 {
		return Quadratic{}, fmt.Errorf("parabola: fewer than 3 different masses from %g to %g g: load one more", low, high)
	}
	// On -1 to 1 the columns are of one size, and QR loses next to nothing.
	design, target := mat.NewDense(n, 3, nil), mat.NewVecDense(n, nil)
	for i, p := range points {
		x := (p.MassG - middle) / half
		design.SetRow(i, []float64{1, x, x * x})
		target.SetVec(i, p.Counts)
	}
	var qr mat.QR
	qr.Factorize(design)
	var beta mat.VecDense
	if err := qr.SolveVecTo(&beta, false, target); err != nil {
		return Quadratic{}, fmt.Errorf("parabola: masses from %g to %g g are too alike: %w", low, high, err)
	}
	var fitted mat.VecDense
	fitted.MulVec(design, &beta)
	rss := 0.0
	for i := range n {
		r := target.AtVec(i) - fitted.AtVec(i)
		rss += r * r
	}
	q := Quadratic{DF: float64(n - 3)}
	s2 := rss / q.DF
	q.ResidualSD = math.Sqrt(s2)

	// Back from x to grams: (A, B, C) = M (b0, b1, b2), and the covariance with it.
	m := mat.NewDense(3, 3, []float64{
		1, -middle / half, middle * middle / (half * half),
		0, 1 / half, -2 * middle / (half * half),
		0, 0, 1 / (half * half),
	})
	var abc mat.VecDense
	abc.MulVec(m, &beta)
	var r mat.Dense
	qr.RTo(&r)
	var rInv, mr mat.Dense // cov = s² M (R'R)^-1 M' = s² (M R^-1)(M R^-1)'
	if err := rInv.Inverse(r.Slice(0, 3, 0, 3)); err != nil {
		return Quadratic{}, fmt.Errorf("parabola: masses from %g to %g g are too alike: %w", low, high, err)
	}
	mr.Mul(m, &rInv)
	var u [3]float64
	for i := range u {
		u[i] = q.ResidualSD * mat.Norm(mr.RowView(i), 2)
	}
	q.A, q.B, q.C = abc.AtVec(0), abc.AtVec(1), abc.AtVec(2)
	q.UA, q.UB, q.UC = u[0], u[1], u[2]
	if q.B != 0 {
		q.BendG = math.Abs(q.C * half * half / q.B)
	}
	switch {
	case q.UC > 0:
		q.T = q.C / q.UC
		q.P = 2 * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: q.DF}.Survival(math.Abs(q.T))
	case q.C == 0:
		q.P = 1
	}
	return q, nil
}

// Amount is one property of a channel, in grams and as a part of the span used.
type Amount struct {
	G   float64 `json:"g"`
	Pct float64 `json:"pct"`
	AtG float64 `json:"at_g"` // the load where it is largest
}

// Remark is one thing to know about a calibration.
type Remark struct {
	Code   string `json:"code"`
	Refuse bool   `json:"refuse"` // the calibration is too poor to be used
	Says   string `json:"says"`   // what, how large, the limit, what to do
}

// Assessment says how good a calibration is. What was not measured is null.
type Assessment struct {
	SpanG         float64    `json:"span_g"`           // from the least load to the greatest
	USpanPct      float64    `json:"u95_span_pct"`     // half width of the span's 95 % interval, per cent of it
	KSpan         float64    `json:"k_span"`           // its coverage factor
	DFSpan        float64    `json:"df_span"`          // effective degrees of freedom (Welch-Satterthwaite)
	Linearity     Amount     `json:"linearity"`        // of the loads' means
	Quadratic     *Quadratic `json:"quadratic"`        // null with fewer than four points
	Hysteresis    *Amount    `json:"hysteresis"`       // null if loads went one way only
	Repeatability *Amount    `json:"repeatability"`    // standard deviation of one load; null with one cycle
	DFRepeat      float64    `json:"df_repeatability"` // its degrees of freedom
	ZeroReturn    *Amount    `json:"zero_return"`      // null if the empty cell was read once
	Creep         *Amount    `json:"creep"`            // null if not held
	HoldS         float64    `json:"creep_hold_s"`     // how long the top load was held
	ToleranceG    float64    `json:"load_tolerance_g"` // of the greatest load
	Limits        Limits     `json:"limits"`           // what it was held against
	Remarks       []Remark   `json:"remarks"`          // refusals first
}

// Refused reports whether any remark refuses the calibration.
func (a Assessment) Refused() bool {
	return slices.ContainsFunc(a.Remarks, func(r Remark) bool { return r.Refuse })
}

// Creep is the drift of a load that stands.
type Creep struct {
	Counts float64 // end less beginning
	HoldS  float64 // 0: not held
}

// SpanU95 returns the half width of the span's 95 % interval, counts/g, its coverage
// factor and the effective degrees of freedom by Welch-Satterthwaite (GUM, G.4): the
// masses' part and the bend's have no end of them. More than a billion count as a billion, so that
// the number can be written as JSON.
func (l Line) SpanU95() (u95, k, df float64) {
	df = manyDF
	if l.USpanFit > 0 {
		df = min(manyDF, l.DF*math.Pow(l.USpan/l.USpanFit, 4))
	}
	k = coverage(df)
	return k * l.USpan, k, df
}

const manyDF = 1e9

// coverage is the factor of a two-sided 95 % interval (GUM, G.3).
func coverage(df float64) float64 {
	if df > 1e6 {
		return distuv.UnitNormal.Quantile(0.975)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(0.975)
}

// Assess judges a calibration's points against limits. The points are those that line
// was fitted to, with their Cycle and Down. A deviation that the loads' own tolerance
// may cause is not held against the channel.
func Assess(points []Point, line Line, creep Creep, limits Limits) (Assessment, error) {
	if len(points) < Fewest || len(line.Residuals) != len(points) || line.Span == 0 {
		return Assessment{}, errors.New("assess a calibration: the line was not fitted to these points: fit it first")
	}
	a := Assessment{SpanG: line.ToG - line.FromG, Limits: limits, Remarks: []Remark{}}
	groups := byMass(points)
	if err := checkCount(len(groups)); err != nil {
		return Assessment{}, fmt.Errorf("assess a calibration: %w", err)
	}
	u95, k, df := line.SpanU95()
	a.USpanPct, a.KSpan, a.DFSpan = 100*u95/math.Abs(line.Span), k, df
	amount := func(counts, atG float64) Amount {
		g := counts / line.Span
		return Amount{G: g, Pct: 100 * math.Abs(g) / a.SpanG, AtG: atG}
	}
	var spread, spreadDF float64
	for _, group := range groups {
		var all, up, down mean
		cells := map[bool]*mean{false: &up, true: &down}
		for _, i := range group {
			all.add(line.Residuals[i])
			cells[points[i].Down].add(line.Residuals[i])
			a.ToleranceG = max(a.ToleranceG, points[i].MPEG)
		}
		massG := points[group[0]].MassG
		if d := amount(all.m, massG); d.Pct >= a.Linearity.Pct {
			a.Linearity = d
		}
		if up.n > 0 && down.n > 0 {
			if d := amount(down.m-up.m, massG); a.Hysteresis == nil || d.Pct > a.Hysteresis.Pct {
				a.Hysteresis = &d
			}
		}
		for _, c := range cells {
			spread += c.ss
			spreadDF += max(0, c.n-1)
		}
	}
	if spreadDF > 0 {
		r := amount(math.Sqrt(spread/spreadDF), line.ToG)
		r.G = math.Abs(r.G)
		a.Repeatability, a.DFRepeat = &r, spreadDF
	}
	if empty := groups[0]; len(empty) > 1 {
		z := amount(points[empty[len(empty)-1]].Counts-points[empty[0]].Counts, points[empty[0]].MassG)
		a.ZeroReturn = &z
	}
	if creep.HoldS > 0 {
		c := amount(creep.Counts, line.ToG)
		a.Creep, a.HoldS = &c, creep.HoldS
	}
	if q, err := FitQuadratic(points); err == nil {
		a.Quadratic = &q
	}
	a.remarks(points, line)
	slices.SortStableFunc(a.Remarks, func(x, y Remark) int {
		switch {
		case x.Refuse == y.Refuse:
			return 0
		case x.Refuse:
			return -1
		}
		return 1
	})
	return a, nil
}

// remarks holds the amounts against the limits.
func (a *Assessment) remarks(points []Point, line Line) {
	unit := line.unit()
	refuse := func(code, says string) { a.Remarks = append(a.Remarks, Remark{code, true, says}) }
	caution := func(code, says string) { a.Remarks = append(a.Remarks, Remark{code, false, says}) }
	excess := func(x *Amount, limitPct, allowedG float64) bool {
		return x != nil && math.Abs(x.G) > limitPct/100*a.SpanG+allowedG
	}
	against := func(x *Amount, limitPct float64) string {
		return fmt.Sprintf("%.2g %s, %.2g %% of %.4g %s, limit %g %%", math.Abs(x.G), unit, x.Pct, a.SpanG, unit, limitPct)
	}
	advice := func(weighing, level string) string {
		if unit == UnitMM {
			return level
		}
		return weighing
	}
	bent := excess(&a.Linearity, a.Limits.LinearityPct, a.ToleranceG)
	uneven := excess(a.Hysteresis, a.Limits.HysteresisPct, 0)
	loose := excess(a.Repeatability, a.Limits.RepeatabilityPct, 0)
	mistake := ""
	if bent || uneven || loose {
		mistake = mistakes(points, line, a.Limits.LinearityPct/100*a.SpanG+a.ToleranceG)
	}
	if mistake != "" {
		refuse("load", mistake)
	}
	if bent {
		says := fmt.Sprintf("the readings do not lie on a line: %.4g %s is off by %s", a.Linearity.AtG, unit, against(&a.Linearity, a.Limits.LinearityPct))
		if mistake == "" {
			says += advice(": look for a hose or wire that touches, a cell loaded beyond its range, a mass that stands askew",
				": is the tube's bore or strapping table right, does the sender hang free, does it reach from the bottom to the top, was each volume poured whole?")
		}
		refuse("linearity", says)
	}
	if uneven {
		says := fmt.Sprintf("up and down differ at %.4g %s by %s", a.Hysteresis.AtG, unit, against(a.Hysteresis, a.Limits.HysteresisPct))
		if mistake == "" {
			says += ": something rubs or sticks between the cell and the tube; free it and begin again"
		}
		refuse("hysteresis", says)
	}
	if loose {
		says := fmt.Sprintf("the same load does not come back: standard deviation %s", against(a.Repeatability, a.Limits.RepeatabilityPct))
		if mistake == "" {
			says += ": put each mass in the same place, tighten the cell's screws, keep hoses still, or use heavier masses"
		}
		refuse("repeatability", says)
	}
	if excess(a.ZeroReturn, a.Limits.ZeroReturnPct, 0) {
		refuse("zero-return", fmt.Sprintf("the empty channel does not come back to where it began: %s: let the bench warm up for ten minutes, look for drops and for what pulls", against(a.ZeroReturn, a.Limits.ZeroReturnPct)))
	}
	if excess(a.Creep, a.Limits.CreepPct, 0) {
		refuse("creep", fmt.Sprintf("it creeps under a standing load: %s in %g s: %s", against(a.Creep, a.Limits.CreepPct), a.HoldS,
			advice("let it warm up, stay within the cell's range; a glued or cracked cell is to be replaced", "look for a leak, let the liquid settle and the sender warm up")))
	}
	fitPct := 100 * coverage(line.DF) * line.USpanFit / math.Abs(line.Span)
	if mistake == "" && fitPct > a.Limits.ScatterPct+100*a.ToleranceG/a.SpanG {
		refuse("scatter", fmt.Sprintf("the span is known to ±%.2g %% (95 %%, %s apart), limit %g %%: %s", fitPct, advice("masses", "measures"), a.Limits.ScatterPct,
			advice("use heavier masses, more of them, or more cycles", "pour more volumes, up to the top of the tube")))
	}

	if q := a.Quadratic; q != nil && q.P < 0.01 && !bent && mistake == "" {
		caution("bend", fmt.Sprintf("the line is slightly bent (p %.2g): an arc of %.2g %s over %.4g %s, within the limit; a fill is read as if it were straight, and its uncertainty holds the bend", q.P, q.BendG, unit, a.SpanG, unit))
	}
	if n := len(byMass(points)); n < 5 {
		caution("few-loads", fmt.Sprintf("%d loads: five or more show a bend better", n))
	}
	if a.Repeatability == nil {
		caution("one-cycle", "each load was put on once: repeatability is not known")
	}
	if a.Hysteresis == nil {
		caution("one-way", "loads went up only: the difference between up and down is not known")
	}
	if a.Creep == nil {
		caution("no-hold", "the top load was not held: creep is not known")
	}
	share := line.USpanMass * line.USpanMass / (line.USpan * line.USpan)
	if share > 0.5 && a.USpanPct > a.Limits.SpanPct {
		refuse("loads", fmt.Sprintf("the span is known to ±%.2g %% (95 %%), limit %g %%, for the loads' own tolerance: use better masses, or a better measure and fewer pours", a.USpanPct, a.Limits.SpanPct))
	} else if share > 0.9 && a.USpanPct > 0.1 {
		caution("loads", fmt.Sprintf("the loads' own tolerance makes %.0f %% of the span's uncertainty: better masses, or a better measure, would tell more", 100*share))
	}
}

// mistakes looks for a load that was not what was asked for: two that are swapped
// throughout, or single readings that are far from a line through most of the others.
// allowedG is how far off a reading may be.
func mistakes(points []Point, line Line, allowedG float64) string {
	unit, thing, another := line.unit(), "masses", "mass on it, or two"
	if unit == UnitMM {
		thing, another = "volumes", "volume in it"
	}
	groups := byMass(points)
	// Throughout: does swapping two loads make the line straight? The empty cell is not
	// taken for a load; with it, evenly spread loads would have a second answer.
	for i := range groups {
		for j := i + 1; j < len(groups) && points[groups[i][0]].MassG > 0; j++ {
			swapped := slices.Clone(points)
			a, b := points[groups[i][0]].MassG, points[groups[j][0]].MassG
			for _, x := range groups[i] {
				swapped[x].MassG = b
			}
			for _, x := range groups[j] {
				swapped[x].MassG = a
			}
			if l, err := Fit(swapped); err == nil && l.MaxResidual < 3*allowedG && line.MaxResidual > 10*l.MaxResidual {
				return fmt.Sprintf("%.6g %s and %.6g %s are swapped, it seems: with one taken for the other the readings lie on a line to %.2g %s: check the %s and begin again", a, unit, b, unit, l.MaxResidual, unit, thing)
			}
		}
	}
	// Single ones: the median of all slopes between two loads does not mind a few.
	var slopes, zeros []float64
	for i, p := range points {
		for _, q := range points[i+1:] {
			if p.MassG != q.MassG {
				slopes = append(slopes, (q.Counts-p.Counts)/(q.MassG-p.MassG))
			}
		}
	}
	slope := median(slopes)
	if slope == 0 {
		return ""
	}
	for _, p := range points {
		zeros = append(zeros, p.Counts-slope*p.MassG)
	}
	zero := median(zeros)
	type far struct {
		p     Point
		reads float64
	}
	var off []far
	for _, p := range points {
		if g := (p.Counts - zero) / slope; math.Abs(g-p.MassG) > max(10*allowedG, 0.03*(line.ToG-line.FromG)) {
			off = append(off, far{p, g})
		}
	}
	near := func(reads, massG float64) bool { return math.Abs(reads-massG) <= 0.02*(line.ToG-line.FromG) }
	where := func(p Point) string {
		if p.Cycle == 0 {
			return ""
		}
		way := "going up"
		if p.Down {
			way = "coming down"
		}
		return fmt.Sprintf(" (cycle %d, %s)", p.Cycle, way)
	}
	switch {
	case len(off) == 0 || 3*len(off) > len(points):
		return "" // that is no slip but a channel that does not measure
	case len(off) == 2 && near(off[0].reads, off[1].p.MassG) && near(off[1].reads, off[0].p.MassG):
		return fmt.Sprintf("%.6g %s%s and %.6g %s%s are swapped, it seems: each reads as the other: begin again, in the order asked for",
			off[0].p.MassG, unit, where(off[0].p), off[1].p.MassG, unit, where(off[1].p))
	}
	return fmt.Sprintf("%.6g %s%s reads as about %.3g %s: was another %s, or did something touch? Begin again", off[0].p.MassG, unit, where(off[0].p), off[0].reads, unit, another)
}

// byMass returns the points' places, by rising mass.
func byMass(points []Point) [][]int {
	groups := map[float64][]int{}
	var masses []float64
	for i, p := range points {
		if groups[p.MassG] == nil {
			masses = append(masses, p.MassG)
		}
		groups[p.MassG] = append(groups[p.MassG], i)
	}
	slices.Sort(masses)
	out := make([][]int, len(masses))
	for i, m := range masses {
		out[i] = groups[m]
	}
	return out
}

// mean is a running mean with the sum of squares about it (Welford).
type mean struct{ n, m, ss float64 }

func (a *mean) add(x float64) {
	a.n++
	d := x - a.m
	a.m += d / a.n
	a.ss += d * (x - a.m)
}

func median(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	s := slices.Sorted(slices.Values(values))
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}
