package main

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"brimline/analysis/change"
)

// The scenarios reach over what the study is said to cover, and each has a name of its own.
func TestComparisons(t *testing.T) {
	list := comparisons()
	names := map[string]bool{}
	seen := map[string]map[float64]bool{}
	for _, c := range list {
		names[c.name] = true
		for what, v := range map[string]float64{"injectors": float64(c.injectors), "hangings": float64(c.before), "runs": float64(c.runs), "response": c.response, "hanging": c.hanging} {
			for _, m := range []string{c.means, "any"} {
				if seen[m+what] == nil {
					seen[m+what] = map[float64]bool{}
				}
				seen[m+what][v] = true
			}
		}
	}
	if len(list) < 30 || len(names) != len(list) {
		t.Errorf("%d scenarios, %d names", len(list), len(names))
	}
	for _, m := range []string{byHand, byRig} {
		for what, want := range map[string][]float64{"injectors": {2, 3, 4, 6}, "hangings": {1, 2, 3, 4}, "runs": {1, 2, 3}, "response": {0, 0.5, 1, 2}, "hanging": {0, 0.25, 1}} {
			for _, v := range want {
				if !seen[m+what][v] {
					t.Errorf("by %s no scenario has %g of %s", m, v, what)
				}
			}
		}
	}
}

// What readings scatter by is what is said: the log rate of one injector, over many tests
// with nothing else that moves it.
func TestSimulator(t *testing.T) {
	named := func(name string) compared {
		list, err := chosenComparisons([]string{name})
		if err != nil {
			t.Fatal(err)
		}
		return list[0]
	}
	const n = 20000 // the sd of a standard deviation is 0.5 % of it
	for _, means := range []string{byHand, byRig} {
		s := compared{means: means, injectors: 1}.simulator(2_000_000, 1)
		var sum, sum2 float64
		for range n {
			at := math.Log(8 + 8*s.Float64())
			rate, u := s.reading(means, at, 1)
			if !(u > 0.002 && u < 0.03) {
				t.Fatalf("%s: stated uncertainty %g", means, u)
			}
			d := math.Log(rate) - at
			sum, sum2 = sum+d, sum2+d*d
		}
		if sd := math.Sqrt(sum2/n - math.Pow(sum/n, 2)); math.Abs(sd/residualSD[means]-1) > 0.02 || math.Abs(sum/n) > 4*residualSD[means]/math.Sqrt(n) {
			t.Errorf("%s: readings scatter by %.5f around %.6f, want %g", means, sd, sum/n, residualSD[means])
		}
	}

	count := func(c compared) (per map[string]int, truth []float64) {
		in, truth := c.simulator(2_000_001, 2).test(0.1, true)
		per = map[string]int{}
		for _, r := range in {
			per[r.Phase]++
			per[fmt.Sprintf("%s hanging %s", r.Phase, r.Hanging)]++
			per["injector "+r.Injector]++
			per[r.Means]++
		}
		return per, truth
	}
	per, truth := count(named("rig-4x3x2-r1-h1-lost"))
	if sum := truth[0] + truth[1] + truth[2] + truth[3]; math.Abs(sum-0.4) > 1e-12 || truth[0] == truth[1] {
		t.Errorf("changes of these injectors have a mean of %g: %v", sum/4, truth)
	}
	if per["before"] != 22 || per["after hanging 1"] != 6 || per["injector 1"] != 8 || per["injector 2"] != 12 {
		t.Errorf("one injector lost in a hanging of each phase: %v", per)
	}
	if per, _ := count(named("hand-3x3x2-r1-h0.25-fewer")); per["before hanging 1"] != 3 || per["before hanging 2"] != 6 {
		t.Errorf("one run in the first hangings: %v", per)
	}
	if per, _ := count(named("rig-4x3x1-r1-h0.25-both")); per[byHand] != 8 || per[byRig] != 16 {
		t.Errorf("one hanging of each phase by hand: %v", per)
	}
	if per, _ := count(named("hand-4x1+3x2-r1-h0.25-uneven")); per["before"] != 8 || per["after"] != 24 {
		t.Errorf("one hanging before and three after: %v", per)
	}
	a, _ := named("rig-6x4x1-r2-h1").simulator(2_000_002, 3).test(0, false)
	b, _ := named("rig-6x4x1-r2-h1").simulator(2_000_002, 3).test(0, false)
	if !slices.EqualFunc(a, b, func(x, y change.Reading) bool { return x.RateMLPerMin == y.RateMLPerMin }) {
		t.Error("the same seed gives other readings")
	}
	// Hangings' spread of 1 % and more, each study with a few degrees of freedom.
	sd, df, err := named("rig-6x1x3-r2-h0.25-known").simulator(2_000_003, 4).known()
	if err != nil || !(sd > 0 && sd < 0.02) || !(df >= 1 && df <= studied-1) {
		t.Errorf("a study of hangings: %g with %g degrees of freedom, %v", sd, df, err)
	}
}

// By hand, 6 injectors, 4 and 4 hangings of one run each: the set's mean scatters by 0.01
// from run to run and by 0.02/sqrt(6) from its readings, so the change by
// sqrt((1e-4 + 4e-4/6)/2) = 0.0091287, with 6 degrees of freedom.
func TestBestPossible(t *testing.T) {
	list, err := chosenComparisons([]string{"hand-6x4x1-r0-h0"})
	if err != nil {
		t.Fatal(err)
	}
	s, err := list[0].shows(change.ScopeEngine)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(s.SE-0.0091287) > 1e-7 || math.Abs(s.DF-6) > 1e-9 {
		t.Errorf("standard error %.7f with %g degrees of freedom", s.SE, s.DF)
	}
	worse := list[0]
	worse.worse = 2 // variances of 1 and 4 in place of 1 and 1
	if f := worse.factor(); f != 2.5 {
		t.Errorf("twice the scatter after: factor %g, want 2.5", f)
	}
	// Of four hangings one has 0.0001 + 0.0004/6 in place of rig's 0.0035^2 + 0.0025^2/6 +
	// 0.005^2/6; weighted, 4/(1/v1 + 3/v2)/v2 = 4 v1/(v2 + 3 v1).
	both := list[0]
	both.means, both.both = byRig, true
	v1, v2 := 1.6666667e-4, 1.2250e-5+1.0416667e-6+4.1666667e-6
	if f, want := both.factor(), 4*v1/(v2+3*v1); math.Abs(f-want) > 1e-6 {
		t.Errorf("one of four by hand: factor %.7f, want %.7f", f, want)
	}
}

func TestVerdict(t *testing.T) {
	for _, c := range []struct {
		wrong, sets int
		slack       float64
		want        string
	}{
		{100, 2000, 0, ""}, {80, 2000, 0, ""}, {120, 2000, 0, ""},
		{150, 2000, 0, "too often"}, // 7.5 %, standard error 0.59
		{140, 2000, 0, ""},          // 7.0 %, standard error 0.57: within two of them
		{50, 2000, 0, "careful"},    // 2.5 %, standard error 0.35
		{68, 2000, 0, ""},
		{700, 10000, 0, "too often"}, // 7.0 %, standard error 0.26
		{0, 60, 0, "careful"},
		{150, 2000, 3, ""},
	} {
		if got := verdict(c.wrong, c.sets, c.slack); got != c.want {
			t.Errorf("%d of %d, slack %g: %q, want %q", c.wrong, c.sets, c.slack, got, c.want)
		}
	}
}

// What misses is said in words, and what is only careful of the wider scope is marked.
func TestWriteCompare(t *testing.T) {
	sound := outcome{sets: 2000, intervals: 2000, holds: 1900, shown: 100}
	changed := outcome{sets: 500, intervals: 500, shown: 400, holds: 475, together: 480, smaller: 20}
	is := func(null outcome) beside {
		return beside{null: null, changed: changed, by: 0.1, planned: 0.8, known: 0.95}
	}
	often, careful, few := sound, sound, changed
	often.holds, careful.holds = 1800, 1990
	few.holds, few.together, few.smaller = 440, 440, 60
	all := []found{
		{compared: compared{name: "fine"}, engine: is(sound), like: is(careful)},
		{compared: compared{name: "often"}, engine: is(often), like: is(often)},
		{compared: compared{name: "careful", what: "odd so"}, engine: is(careful), like: is(sound)},
		{compared: compared{name: "short"}, engine: beside{null: sound, changed: few}, like: is(sound)},
		{compared: compared{name: "none"}, engine: beside{null: outcome{sets: 2000}}},
	}
	var b bytes.Buffer
	missed := writeCompare(&b, settings{n: 500, seed: 1, workers: 2}, all, 0, 1)
	want := []string{"often, this engine: 10.0 ± 0.7 %", "often, injectors like these: 10.0 ± 0.7 %", "careful, this engine: only 0.5 ± 0.2 %",
		"short, this engine: the interval holds the change in 88.0 %", "short, this engine: all injectors' intervals hold together in 88.0 %", "short, this engine: a change as large as the margin is not called smaller in 88.0 %"}
	if len(missed) != len(want) {
		t.Errorf("%d figures miss, want %d: %q", len(missed), len(want), missed)
	}
	for _, w := range want {
		if !slices.ContainsFunc(missed, func(m string) bool { return strings.Contains(m, w) }) {
			t.Errorf("nothing says %q: %q", w, missed)
		}
	}
	for _, w := range []string{"| fine | 2000 | 100 | 5.0 ± 0.5 | 0 | 10.5 | 80.0 ± 1.8 | 80.0 | 95.0 |", "| fine | 2000 | 0.5 ± 0.2 (careful) |", "| none | 2000 | 0 | 0: says that it cannot tell |", "- careful: odd so."} {
		if !strings.Contains(b.String(), w) {
			t.Errorf("the table lacks %q:\n%s", w, b.String())
		}
	}
}

// The shorter version of the study's comparisons: all scenarios on few sets, each figure
// within 3.5 standard errors of its threshold, and all balanced ones together.
func TestShortCompare(t *testing.T) {
	const slack = 3.5
	o := settings{n: 2, seed: 2_000_000, workers: 2}
	all, err := o.compare(comparisons())
	if err != nil {
		t.Fatal(err)
	}
	var table bytes.Buffer
	for _, m := range writeCompare(&table, o, all, slack, 0) {
		t.Error(m)
	}
	t.Logf("\n%s", table.String())
	var equals, changed outcome
	planned := 0.0
	for _, f := range all {
		if f.before != f.after || f.before == 1 || f.what != "" {
			continue
		}
		equals.merge(f.engine.null)
		changed.merge(f.engine.changed)
		planned += f.engine.planned * float64(f.engine.changed.sets)
	}
	p, se := share(equals.wrong(), equals.sets), binomialSE(0.05, equals.sets)
	t.Logf("balanced, two hangings or more: %d sets of equals, %.2f ± %.2f %% called lower or higher; of %d with a change %.1f %% shown, %.1f %% possible",
		equals.sets, 100*p, 100*se, changed.sets, 100*share(changed.shown, changed.sets), 100*planned/float64(changed.sets))
	if math.Abs(p-0.05) > slack*se {
		t.Errorf("%.2f %% of %d sets of equals are called lower or higher, want 5", 100*p, equals.sets)
	}
	if equals.wrong() != equals.shown {
		t.Errorf("%d intervals leave zero out, and %d are called lower or higher", equals.wrong(), equals.shown)
	}
	planned /= float64(changed.sets)
	if got := share(changed.shown, changed.sets); got < planned-slack*binomialSE(planned, changed.sets) {
		t.Errorf("%.1f %% of changes are shown, %.1f %% are possible", 100*got, 100*planned)
	}
}
