package mixed

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// randomModel draws a model of 10 to 60 rows: one to three random effects, crossed or
// nested, with up to two slopes, spreads from none to large, unbalanced, with or without
// weights and known variances. Many cannot be fitted.
func randomModel(r *rand.Rand) Model {
	n := 10 + r.IntN(51)
	var m Model
	m.Response = make([]float64, n)
	x, z := make([]float64, n), make([]float64, n)
	for i := range n {
		x[i], z[i] = 20+5*r.NormFloat64(), r.NormFloat64()
	}
	m.Numbers = []Number{{"x", x}, {"z", z}}
	levels := map[string]int{"a": 2 + r.IntN(6), "b": 2 + r.IntN(8), "phase": 2 + r.IntN(2)}
	value := map[string][]int{}
	for _, name := range []string{"a", "b", "phase"} {
		f := Factor{Name: name}
		for i := range n {
			l := r.IntN(levels[name])
			if name == "a" && r.IntN(2) > 0 { // half balanced
				l = i % levels[name]
			}
			value[name] = append(value[name], l)
			f.Values = append(f.Values, fmt.Sprint(name, l))
		}
		m.Factors = append(m.Factors, f)
	}
	m.Fixed = [][]string{nil, {"phase"}, {"phase", "x"}, {"phase", "x", "phase:x"}, {"a", "phase"}, {"x", "z"}}[r.IntN(6)]
	m.Random = [][]Random{
		{{By: "a"}}, {{By: "b"}}, {{By: "a"}, {By: "b"}}, {{By: "a"}, {By: "a:b"}}, {{By: "b"}, {By: "a:phase"}},
		{{By: "b", Slopes: []string{"z"}}}, {{By: "a", Slopes: []string{"x", "z"}}}, {{By: "a", Slopes: []string{"phase"}}, {By: "b"}},
		{{By: "a"}, {By: "b"}, {By: "phase"}}, {{By: "a"}, {By: "a", Slopes: []string{"z"}, SlopesOnly: true}},
	}[r.IntN(10)]
	unit := math.Pow(10, float64(r.IntN(9)-4))
	effects := map[string][]float64{}
	for name, k := range levels {
		s := []float64{0, 0.3, 1, 5, 100}[r.IntN(5)]
		for range k {
			effects[name] = append(effects[name], s*r.NormFloat64())
		}
	}
	slope := []float64{0, 0.5, 3}[r.IntN(3)]
	slopes := make([]float64, levels["b"])
	for i := range slopes {
		slopes[i] = slope * r.NormFloat64()
	}
	if r.IntN(3) == 0 {
		m.Weights = make([]float64, n)
		for i := range n {
			m.Weights[i] = math.Exp(r.NormFloat64())
		}
	}
	if r.IntN(3) == 0 {
		m.KnownVariance = make([]float64, n)
		s := []float64{0.01, 0.5, 2}[r.IntN(3)]
		for i := range n {
			m.KnownVariance[i] = s * unit * unit * math.Exp(r.NormFloat64())
		}
	}
	for i := range n {
		e := r.NormFloat64()
		if m.Weights != nil {
			e /= math.Sqrt(m.Weights[i])
		}
		v := 3 + e + slopes[value["b"][i]]*z[i]
		for name, eff := range effects {
			v += eff[value[name][i]]
		}
		m.Response[i] = v * unit
	}
	return m
}
