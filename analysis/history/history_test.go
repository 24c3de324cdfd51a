package history

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

// made is an engine whose history is made up: log rates of I injectors at odometers.
type made struct {
	injectors, hangings, runs int
	odometer                  []float64
	hand                      []bool // per test
	drift                     float64
	steps                     map[int]float64 // from a test on
	visitSD, injectorSD, sd   float64
	handBias, handSD          float64
}

func (m made) input(rng *rand.Rand, name string) Input {
	in := Input{Engine: name, Unit: "h"}
	level := make([]float64, m.injectors)
	for i := range level {
		level[i] = 2.4 + 0.05*rng.NormFloat64()
	}
	step := 0.0
	for t, km := range m.odometer {
		step += m.steps[t]
		label := fmt.Sprintf("T%d", t+1)
		test := Test{Label: label, At: begun.AddDate(0, 2*t, 0).Add(9 * time.Hour), Odometer: km}
		in.Tests = append(in.Tests, test)
		if m.steps[t] != 0 || hasKey(m.steps, t) {
			in.Events = append(in.Events, Event{Kind: "dose", What: "half a litre", At: test.At.AddDate(0, 0, -20), Odometer: math.NaN()})
		}
		visit := m.visitSD * rng.NormFloat64()
		own := make([]float64, m.injectors)
		for i := range own {
			own[i] = m.injectorSD * rng.NormFloat64()
		}
		for h := range m.hangings {
			for r := range m.runs {
				for i := range level {
					x := Reading{Test: label, Hanging: fmt.Sprint(h + 1), Run: fmt.Sprint(h*m.runs + r + 1), Means: ByRig, Position: i + 1}
					y := level[i] + m.drift*km/1000 + step + visit + own[i] + m.sd*rng.NormFloat64()
					if m.hand != nil && m.hand[t] {
						x.Means = ByHand
						y += m.handBias + m.handSD*rng.NormFloat64()
						x.VolumeML, x.DurationS = 3*math.Exp(y), 180
						x.UMLPerMin = max(m.handSD, 1e-3) * math.Exp(y)
					}
					x.RateMLPerMin = math.Exp(y)
					in.Readings = append(in.Readings, x)
				}
			}
		}
	}
	return in
}

func hasKey(m map[int]float64, k int) bool { _, ok := m[k]; return ok }

func hours(n int) []float64 {
	var out []float64
	for i := range n {
		out = append(out, 1000+250*float64(i))
	}
	return out
}

// With as many readings at each visit, drift and step are those of least squares on the
// visits' means, whether the mixed model or the stratum gives them.
func TestBalancedIsOnVisitMeans(t *testing.T) {
	for seed := range uint64(6) {
		m := made{injectors: 4, hangings: 1, runs: 2, odometer: hours(7), drift: 0.02, steps: map[int]float64{4: -0.05}, visitSD: 0.01 * float64(seed%2), sd: 0.02}
		in := m.input(rand.New(rand.NewPCG(2000000+seed, 1)), "Sprayer 1")
		r, err := Analyse(in, Options{By: Distance})
		if err != nil {
			t.Fatal(err)
		}
		var y []float64
		cols := [][]float64{nil, nil, nil}
		for i := range 7 {
			var ys []float64
			for _, x := range in.Readings {
				if x.Test == in.Tests[i].Label {
					ys = append(ys, math.Log(x.RateMLPerMin))
				}
			}
			y = append(y, mean(ys))
			cols[0], cols[1], cols[2] = append(cols[0], 1), append(cols[1], 0.25*float64(i)), append(cols[2], is(i >= 4))
		}
		l := solve(cols, y, []float64{1, 1, 1, 1, 1, 1, 1})
		s2 := l.rss / 4
		for k, got := range []*Change{nil, &r.mainDrift().Change, r.Steps[0].Change} {
			if got == nil {
				continue
			}
			c := make([]float64, 3)
			c[k] = 1
			v, variance := l.estimate(c)
			near(t, "value", got.log, v, 1e-5)
			near(t, "se", got.se, math.Sqrt(s2*variance), 1e-4)
			near(t, "df", *got.DF, 4, 1e-4)
		}
		// Half of the 1,500 h beyond the last test, and a test there.
		v, variance := l.estimate([]float64{1, 2.25, 1})
		near(t, "forecast", math.Log(r.Forecast.MLPerMin), v, 1e-5)
		near(t, "its line", math.Log(r.Forecast.Mean95[1])-v, tQuantile(0.975, 4)*math.Sqrt(s2*variance), 1e-3)
		near(t, "a test there", math.Log(r.Forecast.Test95[1])-v, tQuantile(0.975, 4)*math.Sqrt(s2*(1+variance)), 1e-3)
	}
}

// Intervals of drift, step, "back" and a forecast hold as often as they say: 95 %, within
// what so many histories allow.
func TestIntervalsHold(t *testing.T) {
	const n = 200
	held := map[string]int{}
	m := made{injectors: 4, hangings: 1, runs: 2, odometer: hours(8), drift: 0.01, steps: map[int]float64{4: -0.03}, visitSD: 0.01, injectorSD: 0.005, sd: 0.015,
		hand: []bool{true, true, false, false, false, true, false, false}, handBias: 0.02, handSD: 0.02}
	for i := range n {
		rng := rand.New(rand.NewPCG(2100000+uint64(i), 2))
		in := m.input(rng, "Sprayer 1")
		r := Result{Unit: in.Unit, By: Distance}
		b, err := r.book(in)
		if err != nil {
			t.Fatal(err)
		}
		s := r.fit(b, Options{})
		if err := r.back(b, s, Options{MarginPercent: 10, BackTo: "T3"}); err != nil {
			t.Fatal(err)
		}
		r.forecast(b, s, Options{})
		holds := func(what string, ci [2]float64, truth float64) {
			if ci[0] <= truth && truth <= ci[1] {
				held[what]++
			}
		}
		holds("drift", *r.mainDrift().CI95, percent(0.01))
		holds("step", *r.Steps[0].Change.CI95, percent(-0.03))
		holds("hand", *r.Hand.CI95, percent(0.02))
		// Test 8 against test 3: 1,250 h of drift and the step.
		holds("back", *r.Back.Change.CI95, percent(0.0125-0.03))
	}
	t.Logf("held of %d: %v", n, held)
	// Three standard deviations of a count of 95 %: 9.2 of 200.
	for what, k := range held {
		if k < 190-10 {
			t.Errorf("%s: %d of %d intervals hold", what, k, n)
		}
	}
	if len(held) != 4 {
		t.Errorf("held %v", held)
	}
}

func codes(r Result) (out []string) {
	for _, d := range r.Doubts {
		out = append(out, d.Code)
	}
	return out
}

// What a design cannot bear has a name and no number, and nothing is ever NaN.
func TestWhatCannotBeBorne(t *testing.T) {
	base := made{injectors: 4, hangings: 1, runs: 2, odometer: hours(6), drift: 0.02, visitSD: 0.01, sd: 0.01}
	with := func(change func(*made)) Input {
		m := base
		change(&m)
		return m.input(rand.New(rand.NewPCG(2200000, 3)), "Sprayer 1")
	}
	for _, c := range []struct {
		name  string
		in    Input
		o     Options
		codes []string
		drift bool
		step  bool
	}{
		{"nothing", Input{}, Options{}, nil, false, false},
		{"one test", with(func(m *made) { m.odometer = hours(1) }), Options{}, []string{"one-test"}, false, false},
		{"two tests", with(func(m *made) { m.odometer = hours(2) }), Options{}, []string{"few-visits", "back-unknown"}, false, false},
		{"two tests and a dose", with(func(m *made) { m.odometer, m.steps = hours(2), map[int]float64{1: 0.1} }), Options{}, []string{"drift-or-step"}, false, false},
		{"three tests", with(func(m *made) { m.odometer = hours(3) }), Options{}, []string{"chart-few"}, true, false},
		{"three tests and a dose", with(func(m *made) { m.odometer, m.steps = hours(3), map[int]float64{2: 0.1} }), Options{}, []string{"few-visits"}, false, false},
		{"three tests and a dose, no drift", with(func(m *made) { m.odometer, m.steps = hours(3), map[int]float64{2: 0.1} }), Options{NoDrift: true}, nil, false, true},
		{"a dose after each test", with(func(m *made) { m.steps = map[int]float64{1: 0.1, 2: 0, 3: 0, 4: 0, 5: 0} }), Options{}, []string{"few-visits"}, false, false},
		{"all hand, then all rig", with(func(m *made) {
			m.hand = []bool{true, true, true, false, false, false}
			m.steps = map[int]float64{3: 0.1}
		}), Options{}, []string{"confounded", "hand-apart"}, true, false},
		{"all equal", func() Input {
			in := with(func(m *made) {})
			for i := range in.Readings {
				in.Readings[i].RateMLPerMin = 11.5
			}
			return in
		}(), Options{}, []string{"no-scatter"}, false, false},
		{"one injector", with(func(m *made) { m.injectors = 1 }), Options{}, []string{"one-injector"}, true, false},
		{"one injector, one run", with(func(m *made) { m.injectors, m.runs = 1, 1 }), Options{}, []string{"one-injector"}, true, false},
		{"no odometer", func() Input {
			in := with(func(m *made) {})
			in.Tests[2].Odometer = math.NaN()
			return in
		}(), Options{}, []string{"no-odometer"}, true, false},
		{"odometer backwards", with(func(m *made) { m.odometer = []float64{1000, 1250, 900, 1750, 2000, 2250} }), Options{}, []string{"odometer-back"}, true, false},
		{"odometer in other units", with(func(m *made) { m.odometer = []float64{1000, 1250, 1500, 17500, 20000, 22500} }), Options{}, []string{"odometer-jump"}, true, false},
		{"odometer stands still", with(func(m *made) { m.odometer = []float64{1000, 1000, 1000, 1000, 1000, 1000} }), Options{By: Distance}, []string{"confounded"}, false, false},
		{"future", func() Input {
			in := with(func(m *made) {})
			in.Now = in.Tests[4].At
			return in
		}(), Options{}, []string{"future"}, true, false},
		{"copied", func() Input {
			in := with(func(m *made) {})
			for i, x := range in.Readings {
				if x.Test == "T2" {
					in.Readings[i].RateMLPerMin = in.Readings[i-8].RateMLPerMin
				}
			}
			return in
		}(), Options{}, []string{"copied-test"}, true, false},
		{"a dry tube", func() Input {
			in := with(func(m *made) {})
			in.Readings[3].RateMLPerMin = 0
			return in
		}(), Options{}, []string{"no-flow"}, true, false},
		{"forecast too far", with(func(m *made) {}), Options{By: Distance, ForecastAt: 4000}, []string{"forecast-beyond"}, true, false},
		{"forecast backwards", with(func(m *made) {}), Options{By: Distance, ForecastAt: 1500}, []string{"forecast-beyond"}, true, false},
		{"events together", func() Input {
			in := with(func(m *made) { m.steps = map[int]float64{3: 0.1} })
			e := in.Events[0]
			e.Kind = "filter"
			in.Events = append(in.Events, e)
			return in
		}(), Options{}, []string{"events-together"}, true, true},
		{"event before and after all", func() Input {
			in := with(func(m *made) {})
			in.Events = []Event{{Kind: "dose", At: begun.AddDate(-1, 0, 0)}, {Kind: "repair", At: begun.AddDate(3, 0, 0)}}
			return in
		}(), Options{}, []string{"event-outside"}, true, false},
		{"same day", func() Input {
			in := with(func(m *made) {})
			in.Events = []Event{{Kind: "dose", At: in.Tests[2].At.Truncate(24 * time.Hour), Odometer: math.NaN()}}
			return in
		}(), Options{}, []string{"same-day"}, true, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := Analyse(c.in, c.o)
			if err != nil {
				t.Fatal(err)
			}
			for _, want := range c.codes {
				if !slices.Contains(codes(r), want) {
					t.Errorf("doubts %v, want %s", codes(r), want)
				}
			}
			if (r.mainDrift() != nil) != c.drift {
				t.Errorf("drift %+v", r.Drift)
			}
			if got := slices.ContainsFunc(r.Steps, func(s Step) bool { return s.Change != nil }); got != c.step {
				t.Errorf("steps %+v", r.Steps)
			}
			text, err := json.Marshal(r) // which refuses NaN
			if err != nil || strings.Contains(string(text)+r.Finding(), "NaN") {
				t.Errorf("%v: %s", err, text)
			}
		})
	}
}

func TestRefuses(t *testing.T) {
	base := made{injectors: 2, hangings: 1, runs: 2, odometer: hours(4), sd: 0.01}
	for _, c := range []struct {
		name string
		o    Options
		edit func(*Input)
		want string
	}{
		{"margin", Options{MarginPercent: -1}, func(*Input) {}, "the margin is -1 %"},
		{"margin NaN", Options{MarginPercent: math.NaN()}, func(*Input) {}, "the margin is NaN %"},
		{"axis", Options{By: "tide"}, func(*Input) {}, `the axis "tide"`},
		{"negative rate", Options{}, func(in *Input) { in.Readings[1].RateMLPerMin = -3 }, "a rate of -3 mL/min"},
		{"rate NaN", Options{}, func(in *Input) { in.Readings[1].RateMLPerMin = math.NaN() }, "a rate of NaN mL/min"},
		{"u", Options{}, func(in *Input) { in.Readings[1].UMLPerMin = -1 }, "an uncertainty of -1 mL/min"},
		{"position", Options{}, func(in *Input) { in.Readings[1].Position = 0 }, "position 0"},
		{"copy", Options{}, func(in *Input) { in.Readings = append(in.Readings, in.Readings[0]) }, "two readings of injector 1"},
		{"test twice", Options{}, func(in *Input) { in.Tests = append(in.Tests, in.Tests[0]) }, "two tests T1"},
		{"unknown test", Options{}, func(in *Input) { in.Readings[0].Test = "T9" }, `the test "T9"`},
		{"distance without odometer", Options{By: Distance}, func(in *Input) { in.Tests[1].Odometer = math.NaN() }, "no odometer is noted for test T2"},
		{"distance backwards", Options{By: Distance}, func(in *Input) { in.Tests[2].Odometer = 10 }, "the odometer runs backwards: 1250 at test T2 and 10 at test T3"},
		{"back to nothing", Options{BackTo: "T7"}, func(*Input) {}, "no test T7"},
		{"back to itself", Options{BackTo: "T4"}, func(*Input) {}, "test T4 is of the last visit itself"},
	} {
		in := base.input(rand.New(rand.NewPCG(2300000, 4)), "Sprayer 1")
		c.edit(&in)
		if _, err := Analyse(in, c.o); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// The order of the input, and the unit of the rates, change nothing that is in percent.
func TestOrderAndUnit(t *testing.T) {
	m := made{injectors: 3, hangings: 2, runs: 2, odometer: hours(6), drift: 0.02, steps: map[int]float64{3: 0.1}, visitSD: 0.01, sd: 0.01}
	in := m.input(rand.New(rand.NewPCG(2400000, 5)), "Sprayer 1")
	a, err := Analyse(in, Options{})
	if err != nil {
		t.Fatal(err)
	}
	slices.Reverse(in.Tests)
	slices.Reverse(in.Readings)
	for i := range in.Readings {
		in.Readings[i].RateMLPerMin *= 60
	}
	b, err := Analyse(in, Options{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "drift", b.mainDrift().Percent, a.mainDrift().Percent, 1e-6)
	near(t, "step", b.Steps[0].Change.Percent, a.Steps[0].Change.Percent, 1e-6)
	near(t, "interval", b.Steps[0].Change.CI95[0], a.Steps[0].Change.CI95[0], 1e-5)
	near(t, "forecast", b.Forecast.MLPerMin, 60*a.Forecast.MLPerMin, 1e-6)
}

// An injector that is fitted begins anew: its readings say nothing of a step of the set,
// and the others' visits stay comparable.
func TestFittedInjectorStartsAnew(t *testing.T) {
	m := made{injectors: 4, hangings: 1, runs: 2, odometer: hours(8), drift: 0.02, visitSD: 0.003, sd: 0.004}
	in := m.input(rand.New(rand.NewPCG(2500000, 6)), "Sprayer 1")
	for i, x := range in.Readings {
		if x.Position == 3 && x.Test >= "T5" {
			in.Readings[i].RateMLPerMin *= 2
		}
	}
	before, err := Analyse(in, Options{})
	if err != nil {
		t.Fatal(err)
	}
	in.Events = []Event{{Kind: "injector", At: begun.AddDate(0, 7, 10), Odometer: math.NaN(), Position: 3, Code: "B7"}}
	r, err := Analyse(in, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Steps) != 0 || len(r.Injectors) != 5 || r.Injectors[3].Name != "3 from 2021-10-11" || r.Injectors[3].Tests != 4 {
		t.Errorf("steps %+v, injectors %+v", r.Steps, r.Injectors)
	}
	d := r.mainDrift()
	if !(d.CI95[0] < percent(0.02) && percent(0.02) < d.CI95[1]) || d.se > before.mainDrift().se/3 {
		t.Errorf("drift %+v, without the event %+v", d, before.mainDrift())
	}
	for _, v := range r.Visits {
		if v.Level == nil {
			t.Errorf("visit %s is not linked", v.Tests)
		}
	}
	// All at once: nothing links what was before with what is after.
	for p := range 4 {
		in.Events = append(in.Events, Event{Kind: "injector", At: begun.AddDate(0, 7, 10), Position: p + 1, Code: fmt.Sprint("C", p)})
	}
	in.Events = append(in.Events, Event{Kind: "injector", At: begun.AddDate(0, 9, 10), Position: 1, Code: "B7"})
	r, err = Analyse(in, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r.Visits[0].Level != nil || r.Back != nil || !slices.Contains(codes(r), "not-linked") || !slices.Contains(codes(r), "moved-injector") {
		t.Errorf("visits %+v, back %+v, doubts %v", r.Visits[0], r.Back, codes(r))
	}
}

func TestBackToWhereItWas(t *testing.T) {
	m := made{injectors: 4, hangings: 1, runs: 3, odometer: hours(8), steps: map[int]float64{3: -0.2, 6: 0.2}, visitSD: 0.004, sd: 0.004}
	in := m.input(rand.New(rand.NewPCG(2600000, 7)), "Sprayer 1")
	for to, want := range map[string]string{"": "is where T1 was, within the margin of 10 %", "T5": "is not where T5 was"} {
		r, err := Analyse(in, Options{BackTo: to, NoDrift: true})
		if err != nil || r.Back == nil || !strings.Contains(r.Back.Says, want) {
			t.Errorf("back to %q: %+v %v, want %q", to, r.Back, err, want)
		}
	}
}

func TestRegressionToTheMean(t *testing.T) {
	m := made{injectors: 4, hangings: 1, runs: 2, odometer: hours(6), steps: map[int]float64{3: 0}, sd: 0.01}
	in := m.input(rand.New(rand.NewPCG(2700000, 8)), "Sprayer 1")
	for i, x := range in.Readings {
		if x.Test == "T3" {
			in.Readings[i].RateMLPerMin *= 1.2
		}
	}
	r, err := Analyse(in, Options{})
	if err != nil || !slices.Contains(codes(r), "regression-to-mean") {
		t.Errorf("%v %v", codes(r), err)
	}
}

// A step that nobody noted is asked about, and seldom where there is none.
func TestUnmarkedStep(t *testing.T) {
	found := map[float64]int{}
	for seed := range uint64(40) {
		for _, step := range []float64{0, -0.1} {
			m := made{injectors: 4, hangings: 1, runs: 2, odometer: hours(10), drift: 0.02, steps: map[int]float64{5: step}, visitSD: 0.01, sd: 0.01}
			in := m.input(rand.New(rand.NewPCG(2750000+seed, 8)), "Sprayer 1")
			in.Events = nil
			r := Result{Unit: in.Unit, By: Distance}
			b, err := r.book(in)
			if err != nil {
				t.Fatal(err)
			}
			r.unmarked(b, r.fit(b, Options{}), Options{})
			if slices.Contains(codes(r), "unmarked-step") {
				found[step]++
			}
		}
	}
	// 5 % of 40 is 2; above 6 comes by chance once in 100.
	if found[0] > 6 || found[-0.1] < 36 {
		t.Errorf("a step is asked about %v times of 40", found)
	}
}

// Steps of engines that are known alike are pooled as a t test of one sample, wherever they
// differ more than their errors.
func TestPoolIsStudentsT(t *testing.T) {
	y := []float64{-0.30, 0.02, -0.11, -0.21, 0.05}
	e, tau := pooled(y, []float64{0.01, 0.01, 0.01, 0.01, 0.01})
	m := mean(y)
	var ss float64
	for _, v := range y {
		ss += (v - m) * (v - m)
	}
	near(t, "mean", e.value, m, 1e-12)
	near(t, "se", e.se, math.Sqrt(ss/4/5), 1e-9)
	near(t, "between", tau, math.Sqrt(ss/4-1e-4), 1e-6)
	// And where they differ less, as well as their errors let it be.
	e, tau = pooled([]float64{-0.1, -0.1, -0.1}, []float64{0.03, 0.03, 0.03})
	near(t, "se", e.se, 0.03/math.Sqrt(3), 1e-12)
	if tau != 0 {
		t.Errorf("between engines %g, want 0", tau)
	}
}

func TestPoolOverEngines(t *testing.T) {
	rng := rand.New(rand.NewPCG(2800000, 9))
	var all []Result
	for i := range 5 {
		m := made{injectors: 4, hangings: 1, runs: 2, odometer: hours(8), drift: 0.01, steps: map[int]float64{4: -0.1 + 0.02*rng.NormFloat64()}, visitSD: 0.005, sd: 0.01}
		in := m.input(rng, fmt.Sprint("Tractor ", i+1))
		if i == 4 {
			in.Events[0].Kind = "filter"
		}
		r, err := Analyse(in, Options{})
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, r)
	}
	a := Pool(all)
	if len(a.Kinds) != 2 || a.Kinds[0].Kind != "dose" || a.Kinds[0].Change == nil || a.Kinds[1].Change != nil || a.Kinds[0].PHolm == nil {
		t.Fatalf("%+v", a)
	}
	if ci := a.Kinds[0].Change.CI95; !(ci[0] < percent(-0.1) && percent(-0.1) < ci[1]) {
		t.Errorf("dose %+v", a.Kinds[0].Change)
	}
	for _, word := range []string{"better", "worse", "improve"} {
		if strings.Contains(a.Finding(), word) {
			t.Errorf("it judges: %s", a.Finding())
		}
	}
	if _, err := json.Marshal(Pool(nil)); err != nil || !strings.Contains(Pool(nil).Finding(), "Of no kind") {
		t.Errorf("nothing: %v %s", err, Pool(nil).Finding())
	}
}

// The bias of hand readings, and what is left of their scatter, come out as they were made.
func TestHandAgainstRig(t *testing.T) {
	rng := rand.New(rand.NewPCG(2900000, 10))
	m := made{injectors: 6, hangings: 1, runs: 3, odometer: hours(8), visitSD: 0.01, sd: 0.01}
	in := m.input(rng, "Sprayer 1")
	var hand []Reading
	for _, x := range in.Readings {
		x.Run = "h" + x.Run
		x.Means = ByHand
		x.RateMLPerMin *= math.Exp(0.03 + 0.01*rng.NormFloat64() + 0.02*rng.NormFloat64())
		x.VolumeML, x.DurationS = 3*x.RateMLPerMin, 180
		hand = append(hand, x)
	}
	in.Readings = append(in.Readings, hand...)
	a, err := HandAgainstRig([]Input{in})
	if err != nil {
		t.Fatal(err)
	}
	if ci := a.Bias.CI95; a.Pairs != 48 || a.Visits != 8 || !(ci[0] < percent(0.03) && percent(0.03) < ci[1]) {
		t.Errorf("%+v", a)
	}
	// Hand is sqrt(1 + 1 + 4) %, rig 1 %: what is left is 2.24 %.
	if ci := a.ReadingPercent.CI95; !(ci[0] < 2.24 && 2.24 < ci[1]) {
		t.Errorf("reading scatter %+v", a.ReadingPercent)
	}
	if a.MeniscusShare == nil || !(*a.MeniscusShare > 0.5 && *a.StopwatchShare < 0.05) {
		t.Errorf("shares %v %v", a.MeniscusShare, a.StopwatchShare)
	}
	if _, err := HandAgainstRig([]Input{m.input(rng, "Sprayer 2")}); err == nil || !strings.Contains(err.Error(), "nothing was measured by hand and by the rig") {
		t.Errorf("%v", err)
	}
	if _, err := Agree([]float64{1, 1, 1}, nil); err == nil || !strings.Contains(err.Error(), "no scatter") {
		t.Errorf("%v", err)
	}
}

// Check weights are charted line by line.
func TestChecksOnCharts(t *testing.T) {
	rng := rand.New(rand.NewPCG(3000000, 11))
	var checks []Check
	for i := range 30 {
		p := 0.02 * rng.NormFloat64()
		if i >= 22 {
			p += 0.1
		}
		checks = append(checks, Check{"tube1", begun.AddDate(0, 0, 7*i), 1, p})
	}
	checks = append(checks, Check{"tube2", begun, 2, 0.01})
	m := made{injectors: 2, hangings: 1, runs: 2, odometer: hours(7), sd: 0.01}
	in := m.input(rng, "Sprayer 1")
	in.Checks = checks
	r, err := Analyse(in, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Charts) != 2 || !strings.Contains(r.Charts[1].Says, "beyond the limits") || !slices.Contains(codes(r), "chart-few") {
		t.Errorf("%+v, %v", r.Charts, codes(r))
	}
}

func BenchmarkAnalyse(b *testing.B) {
	m := made{injectors: 6, hangings: 1, runs: 3, odometer: hours(20), drift: 0.01, steps: map[int]float64{6: -0.03, 13: 0.02}, visitSD: 0.01, sd: 0.015}
	in := m.input(rand.New(rand.NewPCG(3100000, 12)), "Sprayer 1")
	for b.Loop() {
		if _, err := Analyse(in, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
