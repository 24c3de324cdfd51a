package mixed

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
)

// phases simulates log rates: injectors in two phases of some hangings, in each of which
// all injectors run together some times. Spreads: injector, injector by phase, hanging,
// run, residual.
func phases(injectors, hangings, runs int, sd [5]float64, seed uint64) Model {
	r := rand.New(rand.NewPCG(seed, 1))
	var m Model
	inj, ph := Factor{Name: "injector"}, Factor{Name: "phase"}
	hang, run := Factor{Name: "hanging"}, Factor{Name: "run"}
	draw := func(s float64) float64 { return s * r.NormFloat64() }
	own := make([]float64, injectors)
	for i := range own {
		own[i] = draw(sd[0])
	}
	for p, phase := range []string{"before", "after"} {
		change := make([]float64, injectors)
		for i := range change {
			change[i] = draw(sd[1])
		}
		for h := range hangings {
			eh := draw(sd[2])
			for k := range runs {
				er := draw(sd[3])
				for i := range injectors {
					m.Response = append(m.Response, 2.7-0.1*float64(p)+own[i]+change[i]+eh+er+draw(sd[4]))
					inj.Values = append(inj.Values, fmt.Sprint(i+1))
					ph.Values = append(ph.Values, phase)
					hang.Values = append(hang.Values, fmt.Sprint(p*hangings+h+1))
					run.Values = append(run.Values, fmt.Sprint(k+1))
				}
			}
		}
	}
	m.Factors = []Factor{inj, ph, hang, run}
	return m
}

// The sizes: 4 injectors x 2 phases x 3 with Kenward-Roger within 1 ms, 12 x 2 x
// 200 (4,800 rows) within 50 ms.
func BenchmarkFit(b *testing.B) {
	sd := [5]float64{0.1, 0.02, 0.02, 0.01, 0.01}
	interaction := []string{"injector", "phase", "injector:phase"}
	for _, c := range []struct {
		name                      string
		injectors, hangings, runs int
		sd                        [5]float64
		fixed                     []string
		random                    []Random
	}{
		{"rows=24/model=intercepts", 4, 1, 3, sd, []string{"phase"}, []Random{{By: "injector"}}},
		{"rows=24/model=slopes", 4, 1, 3, sd, []string{"phase"}, []Random{{By: "injector", Slopes: []string{"phase"}}}},
		{"rows=24/model=singular", 4, 1, 3, [5]float64{0, 0, 0, 0, 0.01}, []string{"phase"}, []Random{{By: "injector", Slopes: []string{"phase"}}}},
		{"rows=24/model=hangings", 4, 3, 1, sd, interaction, []Random{{By: "hanging"}}},
		{"rows=24/model=injectors-and-hangings", 4, 3, 1, sd, []string{"phase"}, []Random{{By: "injector"}, {By: "injector:phase"}, {By: "hanging"}}},
		{"rows=4800/model=slopes", 12, 1, 200, sd, []string{"phase"}, []Random{{By: "injector", Slopes: []string{"phase"}}}},
		{"rows=4800/model=hangings-and-runs", 12, 10, 20, sd, interaction, []Random{{By: "hanging"}, {By: "hanging:run"}}},
		{"rows=4800/model=all", 12, 10, 20, sd, []string{"phase"}, []Random{{By: "injector"}, {By: "injector:phase"}, {By: "hanging"}, {By: "hanging:run"}}},
	} {
		b.Run(c.name, func(b *testing.B) {
			var m Model
			for seed := uint64(1); ; seed++ { // the first that ends at a boundary, or not, as named
				m = phases(c.injectors, c.hangings, c.runs, c.sd, seed)
				m.Fixed, m.Random = c.fixed, c.random
				if f, err := m.Fit(REML); err != nil {
					b.Fatal(err)
				} else if f.Singular == strings.HasSuffix(c.name, "singular") {
					break
				}
			}
			b.ReportAllocs()
			for b.Loop() {
				f, err := m.Fit(REML)
				if err != nil {
					b.Fatal(err)
				}
				after, err := f.Mean(At{Levels: map[string]string{"phase": "after"}})
				if err != nil {
					b.Fatal(err)
				}
				before, err := f.Mean(At{Levels: map[string]string{"phase": "before"}})
				if err != nil {
					b.Fatal(err)
				}
				if _, err := f.Estimate(after.Minus(before), KenwardRoger); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
