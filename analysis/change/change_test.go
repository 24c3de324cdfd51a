package change

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// set makes readings of one run: rates of injectors 1, 2, ...
func set(phase, hanging, run string, rates ...float64) (out []Reading) {
	for i, r := range rates {
		out = append(out, Reading{Injector: fmt.Sprint(i + 1), Phase: phase, Hanging: hanging, Run: run, RateMLPerMin: r})
	}
	return out
}

// scaled is three hangings before and three after of two injectors; after is
// before times ratio, and hangings differ by spread.
func scaled(ratio, spread float64) []Reading {
	var in []Reading
	for h, s := range []float64{1 - spread, 1, 1 + spread} {
		in = append(in, set("before", fmt.Sprint(h+1), "1", 10*s, 12*s)...)
		in = append(in, set("after", fmt.Sprint(h+1), "1", 10*s*ratio, 12*s*ratio)...)
	}
	return in
}

func TestDecisions(t *testing.T) {
	for _, c := range []struct {
		name          string
		ratio, spread float64
		want          Decision
		finding       string
	}{
		{"far below", 0.70, 0.01, Lower, "all of it beyond the margin of 10 %"},
		{"far above", 1.40, 0.01, Higher, "Higher. The set's return flow was 40.0 % higher in phase after than in phase before"},
		{"below, margin open", 0.90, 0.02, Lower, "whether it is larger than the margin of 10 % that was set cannot be told"},
		{"shown and inside the margin", 0.97, 0.002, Lower, "Lower, by less than the margin. The set's return flow was 3.00 % lower"},
		{"nothing, and precise", 1.001, 0.01, NoMeaningfulChange, "No meaningful change. "},
		{"nothing, and coarse", 1.001, 0.10, CannotTell, "one as large as the margin of 10 % is not ruled out"},
	} {
		r, err := Compare(scaled(c.ratio, c.spread), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if r.Decision != c.want || !strings.Contains(r.Finding(), c.finding) {
			t.Errorf("%s: %s: %s; want %s: %s", c.name, r.Decision, r.Finding(), c.want, c.finding)
		}
		for _, word := range []string{"better", "worse", "pass", "fail", "improve"} {
			if strings.Contains(strings.ToLower(r.Finding()), word) {
				t.Errorf("%s: the finding judges: %s", c.name, r.Finding())
			}
		}
		if math.Abs(r.Effect.Percent-100*(c.ratio-1)) > 1e-9 || math.Abs(r.Injectors[1].Percent-100*(c.ratio-1)) > 1e-9 {
			t.Errorf("%s: percent %g, injector %g", c.name, r.Effect.Percent, r.Injectors[1].Percent)
		}
		if *r.SmallestDetectablePercent <= 0 || (r.HangingsNeeded != nil) != (c.want == CannotTell) {
			t.Errorf("%s: smallest %v, needed %v", c.name, *r.SmallestDetectablePercent, r.HangingsNeeded)
		}
	}
}

func TestFewData(t *testing.T) {
	join := slices.Concat[[]Reading]
	for _, c := range []struct {
		name    string
		in      []Reading
		forbids string
		warns   string
	}{
		{"one run in each phase", join(set("before", "1", "1", 10, 12), set("after", "1", "1", 9, 11)), "one run in each phase", "one hanging per phase"},
		{"one injector, one run", join(set("before", "1", "1", 10), set("after", "1", "1", 9)), "one run in each phase", "one injector"},
		{"one hanging, two runs", join(set("before", "1", "1", 10, 12), set("before", "1", "2", 10.1, 12.1), set("after", "1", "1", 9, 11), set("after", "1", "2", 9.1, 11)),
			"the hanging cannot be told from the treatment", "the runs within these hangings alone"},
		{"all equal", scaled(1, 0), "the same to the last digit", "no untreated comparison"},
		{"all equal in each phase", scaled(0.8, 0), "the same to the last digit", "no untreated comparison"},
		{"wild", join(set("before", "1", "1", 1e-5), set("before", "2", "1", 1e5), set("after", "1", "1", 1)), "no useful interval", "one phase has a single hanging"},
	} {
		r, err := Compare(c.in, Options{})
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if r.Decision != CannotTell || !strings.Contains(r.Forbids, c.forbids) || !strings.Contains(strings.Join(r.Warnings, "\n"), c.warns) {
			t.Errorf("%s: %s, %q, %q", c.name, r.Decision, r.Forbids, r.Warnings)
		}
		if r.Effect.CI95 != nil || r.Effect.P != nil || r.Effect.DF != nil || r.Equivalence.P != nil || r.Injectors[0].CI95 != nil {
			t.Errorf("%s: an interval all the same: %+v", c.name, r)
		}
		if !strings.HasPrefix(r.Finding(), "Cannot tell: ") {
			t.Errorf("%s: %s", c.name, r.Finding())
		}
	}
}

func TestWarnings(t *testing.T) {
	base := func() []Reading { return scaled(0.9, 0.01) }
	for _, c := range []struct {
		name string
		harm func([]Reading) []Reading
		opt  Options
		want string
		left string
	}{
		{"missing in a hanging", func(in []Reading) []Reading { return in[:len(in)-1] }, Options{}, "injector 2 is missing in 1 of 6 hangings: it rests on the others", ""},
		{"in one phase only", func(in []Reading) []Reading {
			for i := range in {
				if in[i].Injector == "2" && in[i].Phase == "after" {
					in[i].Injector = "2 new"
				}
			}
			return in
		}, Options{}, "injector 2 was measured in phase before only", "2"},
		{"missing in a run", func(in []Reading) []Reading { return append(in, set("after", "3", "2", 9)...) }, Options{}, "1 reading is missing within hangings", ""},
		{"a third phase", func(in []Reading) []Reading { return append(in, set("later", "1", "1", 9, 9)...) }, Options{}, "other phases were left out: later", ""},
		{"phases by order", func(in []Reading) []Reading {
			for i := range in {
				in[i].Phase = map[string]string{"before": "spring", "after": "summer"}[in[i].Phase]
			}
			return in
		}, Options{}, `taken from the order of the readings: "spring" before, "summer" after`, ""},
		{"few hangings", func(in []Reading) []Reading {
			return slices.DeleteFunc(in, func(r Reading) bool { return r.Hanging == "3" })
		}, Options{}, "2 and 2 leave 2 degrees", ""},
		{"one hanging after", func(in []Reading) []Reading {
			return slices.DeleteFunc(in, func(r Reading) bool { return r.Phase == "after" && r.Hanging != "1" })
		}, Options{}, "one phase has a single hanging", ""},
		{"days", func(in []Reading) []Reading {
			for i := range in {
				in[i].Day = map[string]string{"before": "2026-03-02", "after": "2026-03-09"}[in[i].Phase]
			}
			return in
		}, Options{}, "one day per phase (2026-03-02 and 2026-03-09)", ""},
		{"few injectors", func(in []Reading) []Reading { return in }, Options{}, "few injectors: 2", ""},
		{"picked", func(in []Reading) []Reading { return in }, Options{PickedWorst: true}, "picked because", ""},
		{"too alike for the uncertainty", func(in []Reading) []Reading {
			for i := range in {
				in[i].UMLPerMin = 5
			}
			return in
		}, Options{}, "better than the readings' stated uncertainty", ""},
		{"no untreated", func(in []Reading) []Reading { return in }, Options{}, "no untreated comparison", ""},
	} {
		in := base()
		without, err := Compare(in, Options{Before: "before", After: "after"})
		if err != nil {
			t.Fatal(err)
		}
		if c.name != "few injectors" && c.name != "no untreated" && strings.Contains(strings.Join(without.Warnings, "\n"), c.want) {
			t.Errorf("%s: warned without cause", c.name)
		}
		r, err := Compare(c.harm(in), c.opt)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if !strings.Contains(strings.Join(r.Warnings, "\n"), c.want) {
			t.Errorf("%s: warnings %q, want %q", c.name, r.Warnings, c.want)
		}
		if c.left != "" && !slices.Contains(r.LeftOut, c.left) {
			t.Errorf("%s: left out %q", c.name, r.LeftOut)
		}
	}
}

func TestRefuses(t *testing.T) {
	for _, c := range []struct {
		name  string
		in    []Reading
		opt   Options
		index int // of the ReadingError; -1 for another error
		part  string
	}{
		{"none", nil, Options{}, -1, "there are no readings"},
		{"one phase", set("before", "1", "1", 10), Options{}, -1, "all readings are of the phase before"},
		{"zero", append(scaled(1, 0.1), set("after", "4", "1", 0)...), Options{}, 12, "the rate is zero"},
		{"negative", append(scaled(1, 0.1), set("after", "4", "1", -1)...), Options{}, 12, "-1 mL/min is not between"},
		{"NaN", append(scaled(1, 0.1), set("after", "4", "1", math.NaN())...), Options{}, 12, "NaN mL/min is not between"},
		{"infinite", append(scaled(1, 0.1), set("after", "4", "1", math.Inf(1))...), Options{}, 12, "+Inf mL/min is not between"},
		{"NaN uncertainty", []Reading{{Injector: "1", Phase: "before", RateMLPerMin: 1, UMLPerMin: math.NaN()}}, Options{}, 0, "an uncertainty of NaN"},
		{"a copy", append(scaled(1, 0.1), set("after", "3", "1", 9)...), Options{}, 12, "two readings"},
		{"unknown before", scaled(1, 0.1), Options{Before: "spring"}, -1, `no reading is of the phase "spring"; the phases are: before, after`},
		{"unknown after", scaled(1, 0.1), Options{After: "spring"}, -1, `no reading is of the phase "spring"`},
		{"same phase", scaled(1, 0.1), Options{Before: "after", After: "after"}, -1, "as before and as after"},
		{"margin", scaled(1, 0.1), Options{MarginPercent: -1}, -1, "the margin is -1 %"},
		{"NaN margin", scaled(1, 0.1), Options{MarginPercent: math.NaN()}, -1, "the margin is NaN %"},
		{"bench without df", scaled(1, 0.1), Options{HangingSD: 0.01}, -1, "0 degrees of freedom"},
		{"bench in percent", scaled(1, 0.1), Options{HangingSD: 1.5, HangingDF: 3}, -1, "1.5 as a log ratio"},
		{"NaN bench", scaled(1, 0.1), Options{HangingSD: math.NaN(), HangingDF: 3}, -1, "NaN as a log ratio"},
		{"unknown condition", scaled(1, 0.1), Options{Adjust: []string{"coolant"}}, -1, "none is noted"},
		{"units mixed", []Reading{
			{Injector: "1", Phase: "before", RateMLPerMin: 1, Conditions: []Condition{{"rail pressure", "bar", 280}}},
			{Injector: "1", Phase: "after", RateMLPerMin: 1, Conditions: []Condition{{"rail pressure", "MPa", 28}}}}, Options{}, 1, `its rail pressure is in "MPa", others' in "bar"`},
		{"NaN condition", []Reading{{Injector: "1", Phase: "before", RateMLPerMin: 1, Conditions: []Condition{{"coolant", "C", math.NaN()}}}}, Options{}, 0, "its coolant is NaN"},
		{"hangings that share nothing", slices.Concat(set("before", "1", "1", 10), set("after", "1", "1", 10), []Reading{{Injector: "2", Phase: "before", Hanging: "2", Run: "1", RateMLPerMin: 9},
			{Injector: "2", Phase: "after", Hanging: "2", Run: "1", RateMLPerMin: 9}}), Options{}, -1, "no injector was measured in all 4 hangings"},
		{"nobody throughout", append(set("before", "1", "1", 10), Reading{Injector: "2", Phase: "after", RateMLPerMin: 1}), Options{}, -1, "no injector was measured in all 2 hangings"},
	} {
		_, err := Compare(c.in, c.opt)
		if err == nil || !strings.Contains(err.Error(), c.part) {
			t.Errorf("%s: %v, want %q", c.name, err, c.part)
			continue
		}
		var re *ReadingError
		if got := errors.As(err, &re); got != (c.index >= 0) || got && re.Index != c.index {
			t.Errorf("%s: %v, want reading %d", c.name, err, c.index)
		}
	}
}

// What must hold whatever comes in: no NaN, JSON that encodes, the order of rows
// and the unit of the rate make no difference, and time turned round turns the
// change round.
func TestCompareProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var in []Reading
		for _, phase := range []string{"before", "after"} {
			for h := range rapid.IntRange(1, 4).Draw(t, "hangings") {
				for r := range rapid.IntRange(1, 3).Draw(t, "runs") {
					for i := range rapid.IntRange(1, 5).Draw(t, "injectors") {
						in = append(in, Reading{Injector: fmt.Sprint(i), Phase: phase, Hanging: fmt.Sprint(h), Run: fmt.Sprint(r),
							RateMLPerMin: rapid.SampledFrom([]float64{1, 10, 10.1, 9.9, 12, 1e-4, 1e4, rapid.Float64Range(1e-3, 1e3).Draw(t, "free")}).Draw(t, "rate"),
							UMLPerMin:    rapid.SampledFrom([]float64{0, 0.1}).Draw(t, "u")})
					}
				}
			}
		}
		r, err := Compare(in, Options{})
		if err != nil {
			t.Fatal(err) // injector 0 is in every run
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatalf("%v: %+v", err, r)
		}
		if strings.Contains(r.Finding(), "NaN") || strings.Contains(r.Finding(), "Inf") {
			t.Fatal(r.Finding())
		}
		if (r.Effect.CI95 == nil) != (r.Forbids != "") || r.Forbids != "" && r.Decision != CannotTell {
			t.Fatalf("%+v", r)
		}

		shuffled := slices.Clone(in)
		rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0)).Shuffle(len(in), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		again, err := Compare(shuffled, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if again.Effect.Percent != r.Effect.Percent || r.Effect.CI95 != nil && *again.Effect.CI95 != *r.Effect.CI95 {
			t.Fatalf("order matters: %+v and %+v", r.Effect, again.Effect)
		}

		back, err := Compare(in, Options{Before: "after", After: "before"})
		if err != nil {
			t.Fatal(err)
		}
		// 1 + percent/100 loses the digits of a fall that the rise gains; a fit by iteration ends within 1e-8 or so
		want := map[Decision]Decision{Lower: Higher, Higher: Lower, CannotTell: CannotTell, NoMeaningfulChange: NoMeaningfulChange}[r.Decision]
		if back.Decision != want || math.Abs((1+back.Effect.Percent/100)*(1+r.Effect.Percent/100)-1) > 1e-14*math.Max(back.Effect.Percent, r.Effect.Percent)+1e-6 {
			t.Fatalf("turned round: %s %g, was %s %g", back.Decision, back.Effect.Percent, r.Decision, r.Effect.Percent)
		}
	})
}

func TestUnitOfRate(t *testing.T) {
	a, err := Compare(scaled(0.9, 0.02), Options{})
	if err != nil {
		t.Fatal(err)
	}
	in := scaled(0.9, 0.02)
	for i := range in {
		in[i].RateMLPerMin *= 0.06 // L/h
	}
	b, err := Compare(in, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 2 {
		near(t, "interval", b.Effect.CI95[i], a.Effect.CI95[i], 1e-9)
	}
	near(t, "set", b.Before.MLPerMin, 0.06*a.Before.MLPerMin, 1e-9)
}

func ExampleCompare() {
	var in []Reading
	for h, rates := range [][2]float64{{20.0, 18.1}, {20.3, 18.4}, {19.8, 18.0}} {
		hanging := fmt.Sprint(h + 1)
		in = append(in,
			Reading{Injector: "1", Phase: "baseline", Hanging: hanging, Run: "1", RateMLPerMin: rates[0]},
			Reading{Injector: "1", Phase: "after", Hanging: hanging, Run: "1", RateMLPerMin: rates[1]})
	}
	r, err := Compare(in, Options{MarginPercent: 5})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(r.Finding())
	// Output:
	// Lower. The set's return flow was 9.3 % lower in phase after than in phase baseline (95 % interval: 6.8 % to 11.8 % lower): all of it beyond the margin of 5 % that was set.
}

func BenchmarkCompare(b *testing.B) {
	in := sixByThree().simulate(rand.New(rand.NewPCG(1, 1)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Compare(in, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// One reading is missing, so the mixed model is fitted by iteration.
func BenchmarkCompareWithGaps(b *testing.B) {
	in := sixByThree().simulate(rand.New(rand.NewPCG(1, 1)))[1:]
	b.ReportAllocs()
	for b.Loop() {
		if r, err := Compare(in, Options{}); err != nil || r.Model != modelMixed {
			b.Fatal(r.Model, err)
		}
	}
}

func TestWords(t *testing.T) {
	ci := func(lo, hi float64) *[2]float64 { return &[2]float64{lo, hi} }
	for _, c := range []struct {
		percent float64
		ci      *[2]float64
		want    string
	}{
		{-4.24, nil, "4.2 % lower"}, {4.24, ci(4, 4.5), "4.24 % higher"}, {31.7, ci(5, 90), "32 % higher"},
		{-0.01, nil, "0.0 % different"}, {0, nil, "0.0 % different"}, {-0.01, ci(-0.1, 0.1), "0.01 % lower"},
	} {
		if got := Moved(c.percent, c.ci); got != c.want {
			t.Errorf("%g %v: %q, want %q", c.percent, c.ci, got, c.want)
		}
	}
	for _, c := range []struct {
		lo, hi float64
		want   string
	}{{-7.3, -1, "1.0 % to 7.3 % lower"}, {1, 7.3, "1.0 % to 7.3 % higher"}, {-1, 7.3, "1.0 % lower to 7.3 % higher"}} {
		if got := Range([2]float64{c.lo, c.hi}); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// Readings of one phase in mL/s, of the other in mL/min: the change is asked about.
func TestSlipOfUnits(t *testing.T) {
	var rs []Reading
	for hanging := range 2 {
		for injector := range 4 {
			rate := 10 + float64(injector) + 0.1*float64((hanging+injector)%3)
			for _, p := range []struct {
				phase string
				by    float64
			}{{"baseline", 1}, {"after", 1.0 / 60}} {
				rs = append(rs, Reading{Phase: p.phase, Hanging: fmt.Sprint(p.phase, hanging), Run: fmt.Sprint(p.phase, hanging), Injector: fmt.Sprint(injector), RateMLPerMin: rate * p.by})
			}
		}
	}
	r, err := Compare(rs, Options{MarginPercent: 10})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(r.Doubts, func(d Doubt) bool { return d.Code == "units" && strings.Contains(d.Says, "60 times") }) {
		t.Errorf("doubts %+v, want one of the units that says 60 times", r.Doubts)
	}
}
