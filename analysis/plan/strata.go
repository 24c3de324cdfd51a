package plan

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"brimline/analysis/change"
	"brimline/analysis/power"
)

// Term is one mean square's part in the variance of the estimated change: its expectation,
// which is below zero where it is subtracted, and its degrees of freedom.
type Term struct{ Var, DF float64 }

// Strata is independent mean squares whose sum estimates the variance of a change. The
// estimate is not let fall below the largest of its terms, as in package change.
type Strata struct {
	Terms []Term
	// wider is the number of injectors of the scope "injectors like these"; 0: the terms
	// are summed. Its last two terms are change.Wider's Between and Residual.
	wider int
	// tables hold what a search asks for again and again; nil: made for each answer.
	tables *tables
}

func (t Strata) check() (Strata, error) {
	sum := 0.0
	for _, x := range t.Terms {
		sum += x.Var
	}
	if !(sum > 0) {
		return Strata{}, fmt.Errorf("all standard deviations that count are zero: no bench repeats itself to the last digit; state what yours does")
	}
	return t, nil
}

// SE is the change's standard error and its degrees of freedom after Satterthwaite
// (Biometrics Bulletin 2 (1946) 110).
func (t Strata) SE() (se, df float64) {
	sum, weight := 0.0, 0.0
	for _, x := range t.Terms {
		sum += x.Var
		weight += x.Var * x.Var / x.DF
	}
	df = sum * sum / weight
	if t.wider == 2 { // as change.Wider has it
		df = math.Min(df, 1)
	}
	return math.Sqrt(sum), df
}

// Power is the chance that the two-sided test at a level finds a change.
func (t Strata) Power(change, level float64) float64 {
	if len(t.Terms) == 1 {
		return power.T(change/math.Sqrt(t.Terms[0].Var), t.Terms[0].DF, level)
	}
	se, _ := t.SE()
	return t.mean(1-level/2, func(half float64) float64 {
		return normal((change-half)/se) + normal((-change-half)/se)
	})
}

// TOST is the chance that two one-sided tests at a level show a change to be within +-margin.
func (t Strata) TOST(margin, change, level float64) float64 {
	if len(t.Terms) == 1 {
		se := math.Sqrt(t.Terms[0].Var)
		return power.TOST(margin/se, change/se, t.Terms[0].DF, level)
	}
	se, _ := t.SE()
	return t.mean(1-level, func(half float64) float64 {
		if half >= margin {
			return 0
		}
		return normal((margin-half-change)/se) - normal((half-margin-change)/se)
	})
}

// Smallest is the change that is found with this power; +Inf if none is.
func (t Strata) Smallest(p, level float64) float64 {
	se, _ := t.SE()
	return se * power.Solve(func(d float64) float64 { return t.Power(d*se, level) }, p)
}

// SmallestMargin is the margin within which no change at all is shown with this power to
// be equivalent.
func (t Strata) SmallestMargin(p, level float64) float64 {
	se, _ := t.SE()
	return se * power.Solve(func(d float64) float64 { return t.TOST(d*se, 0, level) }, p)
}

func normal(z float64) float64 { return distuv.UnitNormal.CDF(z) }

// points of the lattice that several mean squares are averaged over. 8 times as many
// move a power by less than 0.003 (TestLattice).
const points = 1024

// mean averages f over the half width t(q, df) x estimated standard error of the interval.
func (t Strata) mean(q float64, f func(half float64) float64) float64 {
	return t.meanOver(points, q, f)
}

func (t Strata) meanOver(n int, q float64, f func(half float64) float64) float64 {
	tab := t.tables
	if tab == nil {
		tab = newTables()
	}
	draws := make([][]float64, len(t.Terms))
	for j, x := range t.Terms {
		draws[j] = tab.meanSquares(n, j, len(t.Terms), x.DF)
	}
	student := tab.student(q)
	wide := tab.student(1 - Level/2)
	narrow := t.Terms
	if t.wider > 0 {
		narrow = t.Terms[:len(t.Terms)-2]
	}
	sum := 0.0
	for k := range n {
		v, most, weight := 0.0, 0.0, 0.0
		for j, x := range narrow {
			ms := x.Var * draws[j][k]
			v += ms
			most = math.Max(most, ms)
			weight += ms * ms / x.DF
		}
		v = math.Max(v, most)
		se, df := math.Sqrt(v), v*v/weight
		if j := len(narrow); t.wider > 0 {
			// As compare works it out, whatever the level that is asked for.
			w := change.Wider{Injectors: t.wider, Engine: v, EngineDF: df, Between: t.Terms[j].Var * draws[j][k],
				Residual: -t.Terms[j+1].Var * draws[j+1][k], ResidualDF: t.Terms[j+1].DF}
			se, df = w.SE(wide.quantile)
		}
		sum += f(student.quantile(df) * se)
	}
	return sum / float64(n)
}

// tables are filled as they are asked for; not for several goroutines at once.
type tables struct {
	squares  map[squaresKey][]float64
	students map[float64]studentTable
}

type squaresKey struct {
	n, j, of int
	df       float64
}

func newTables() *tables {
	return &tables{map[squaresKey][]float64{}, map[float64]studentTable{}}
}

// meanSquares is chi-squared(df)/df at n points of an additive recurrence in as many
// dimensions as there are terms (Kronecker's sequence with the powers of the root of
// x^(d+1) = x + 1; M. Roberts, 2018, from memory); the j-th coordinate.
func (tab *tables) meanSquares(n, j, of int, df float64) []float64 {
	key := squaresKey{n, j, of, df}
	if x, ok := tab.squares[key]; ok {
		return x
	}
	root := 2.0
	for range 60 {
		root = math.Pow(1+root, 1/float64(of+1))
	}
	step := math.Pow(root, -float64(j+1))
	chi := distuv.ChiSquared{K: df}
	out := make([]float64, n)
	for k := range out {
		_, u := math.Modf(0.5 + step*float64(k+1))
		out[k] = chi.Quantile(1-math.Abs(2*u-1)) / df // folded, so that the ends meet and errors cancel
	}
	tab.squares[key] = out
	return out
}

// studentTable is the log of Student's quantile over log df, straight between its steps:
// it is asked for at every point of the lattice.
type studentTable []float64

const studentFrom, studentTo, studentSteps = -1.5, 12.0, 540 // log df

func (tab *tables) student(q float64) studentTable {
	t, ok := tab.students[q]
	if !ok {
		t = make(studentTable, studentSteps+1)
		for k := range t {
			t[k] = math.Log(power.Quantile(q, math.Exp(studentFrom+(studentTo-studentFrom)*float64(k)/studentSteps)))
		}
		tab.students[q] = t
	}
	return t
}

func (t studentTable) quantile(df float64) float64 {
	at := (math.Log(df) - studentFrom) / (studentTo - studentFrom) * studentSteps
	k := int(math.Min(math.Max(at, 0), studentSteps-1))
	at = math.Min(math.Max(at-float64(k), 0), 1)
	return math.Exp(t[k] + at*(t[k+1]-t[k]))
}
