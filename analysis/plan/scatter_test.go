package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// Davies' dyestuff: six batches of five, one-way. Its moments and REML agree: batch 1764.05,
// residual 2451.25 (lme4 1.1.31, R 4.2.2; published in the book, testdata/README.md).
func TestRehangAgainstReference(t *testing.T) {
	read := func(name string) []Reading {
		var in []Reading
		n := map[string]int{}
		for _, r := range rows(t, name) {
			n[r["Batch"]]++
			in = append(in, Reading{Group: "study", Hanging: r["Batch"], Run: fmt.Sprint(n[r["Batch"]]), Injector: "1", RateMLPerMin: math.Exp(number(t, r["Yield"]) / 1000)})
		}
		return in
	}
	s, err := Rehang(read("lmm_dyestuff.csv"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "between batches", s.SD*s.SD*1e6, 1764.05, 1e-5*1764)
	near(t, "within", s.RunSD*s.RunSD*1e6, 2451.25, 1e-5*2451)
	// Satterthwaite by hand, of 11271.5 with 5 and 2451.25 with 24.
	near(t, "df", s.DF, math.Pow(11271.5-2451.25, 2)/(11271.5*11271.5/5+2451.25*2451.25/24), 1e-6)
	near(t, "with runs", s.WithRuns*s.WithRuns*1e6, 11271.5/5, 1e-2)
	if s.Groups != 1 || s.Hangings != 6 || s.Runs != 30 || !(s.CI95[0] < s.SD && s.SD < s.CI95[1]) {
		t.Errorf("%+v", s)
	}
	// By readings of several groups nothing changes but the degrees of freedom: the same twice.
	twice := read("lmm_dyestuff.csv")
	for _, r := range read("lmm_dyestuff.csv") {
		r.Group = "again"
		r.RateMLPerMin *= 1.3
		twice = append(twice, r)
	}
	two, err := Rehang(twice)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "twice", two.SD, s.SD, 1e-12)
	near(t, "twice, df", two.DF, 2*s.DF, 1e-9)

	// Box and Tiao's second set: batches differ no more than chance.
	s, err = Rehang(read("lmm_dyestuff2.csv"))
	if err != nil || s.SD != 0 || s.DF != 0 || s.CI95[0] != 0 || !(s.CI95[1] > 0) || !(s.WithRuns > 0) {
		t.Errorf("%+v %v", s, err)
	}
	// The model of a history gives the same, as one injector's.
	h, err := FromReadings(read("lmm_dyestuff.csv"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "history's hanging", h.Hanging*h.Hanging*1e6, 1764.05, 1e-5*1764)
	near(t, "history's run", h.Run*h.Run*1e6, 2451.25, 1e-5*2451)
}

// Sessions that all injectors share, lme4 1.1.31: session 3.52428409950463e-4, residual
// 1.80919067703215e-4 of a model without interaction. What a set's mean has of both is the
// same in a balanced design whatever the residual is pooled of.
func TestHistoryAgainstReference(t *testing.T) {
	var in []Reading
	for _, r := range rows(t, "ba_4x4_session_crossed.csv") {
		in = append(in, Reading{Group: r["phase"], Hanging: r["session"], Run: "1", Injector: r["injector"], RateMLPerMin: number(t, r["rate"])})
	}
	h, err := FromReadings(in)
	if err != nil {
		t.Fatal(err)
	}
	s := h.For(4)
	want := 3.52428409950463e-4 + 1.80919067703215e-4/4
	near(t, "set's mean", s.HangingSD*s.HangingSD, want, 1e-5*want)
	if h.HangingDF != 6 || h.RunsApart || s.RunSD != 0 || !(h.Response >= 0) || h.ResponseDF != 3 {
		t.Errorf("%+v", h)
	}
	// Browne's upper end by chi-squared of 6 degrees of freedom at 0.2: 3.0701 (NIST tables' form).
	high := h.High(4)
	near(t, "upper end", high.HangingSD*high.HangingSD/want, 6/3.070088, 1e-5)
}

// invented draws a history: groups, hangings, runs and injectors with known scatter.
func invented(rng *rand.Rand, groups, hangings, runs, injectors int, h History) (in []Reading) {
	response := func() []float64 {
		x := make([]float64, injectors)
		for i := range x {
			x[i] = h.Response / math.Sqrt2 * rng.NormFloat64()
		}
		return x
	}
	for g := range groups {
		own := response()
		for n := range hangings {
			hang := h.Hanging * rng.NormFloat64()
			tube := make([]float64, injectors)
			for i := range tube {
				tube[i] = h.Tube * rng.NormFloat64()
			}
			for r := range runs {
				run := h.Run * rng.NormFloat64()
				for i := range injectors {
					y := math.Log(10+float64(i)) - 0.05*float64(g) + own[i] + hang + run + tube[i] + h.Reading*rng.NormFloat64()
					in = append(in, Reading{fmt.Sprint(g), fmt.Sprint(n), fmt.Sprint(r), fmt.Sprint(i + 1), math.Exp(y)})
				}
			}
		}
	}
	return in
}

// The truth comes back from a large history, also with a twentieth of it missing.
func TestHistoryFindsTheTruth(t *testing.T) {
	truth := History{Hanging: 0.015, Run: 0.008, Tube: 0.008, Reading: 0.01, Response: 0.04}
	rng := rand.New(rand.NewPCG(2_000_002, 1))
	full := invented(rng, 5, 12, 3, 6, truth)
	missing := []Reading{}
	for _, r := range full {
		if rng.Float64() > 0.05 {
			missing = append(missing, r)
		}
	}
	for _, in := range [][]Reading{full, missing} {
		h, err := FromReadings(in)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%d readings: hanging %.4f run %.4f tube %.4f reading %.4f response %.4f", len(in), h.Hanging, h.Run, h.Tube, h.Reading, h.Response)
		for _, x := range []struct {
			what      string
			got, want float64
		}{{"hanging", h.Hanging, truth.Hanging}, {"run", h.Run, truth.Run}, {"tube", h.Tube, truth.Tube}, {"reading", h.Reading, truth.Reading}, {"response", h.Response, truth.Response}} {
			// Twice the standard error of a standard deviation with 20 to 55 degrees of freedom, and more for what others are taken from.
			near(t, x.what, x.got/x.want, 1, 0.35)
		}
		if !h.RunsApart || h.HangingDF != 55 || h.ResponseDF != 20 {
			t.Errorf("%+v", h)
		}
		// Rehang finds the set's spread from the same readings.
		s, err := Rehang(in)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "spread of set", s.SD/h.For(6).HangingSD, 1, 0.25)
		if len(in) < len(full) && s.LeftOut == 0 {
			t.Error("runs with holes were not left out")
		}
	}
}

// A history with one run in most hangings, one group, one injector: what can be told is.
func TestHistoryOfFew(t *testing.T) {
	rng := rand.New(rand.NewPCG(2_000_003, 1))
	truth := History{Hanging: 0.02, Run: 0.02, Tube: 0.01, Reading: 0.01}
	for _, c := range []struct {
		groups, hangings, runs, injectors int
	}{{1, 2, 1, 4}, {1, 3, 2, 1}, {2, 2, 1, 1}, {1, 2, 2, 2}, {3, 2, 2, 6}} {
		in := invented(rng, c.groups, c.hangings, c.runs, c.injectors, truth)
		h, err := FromReadings(in)
		if err != nil {
			t.Errorf("%+v: %v", c, err)
			continue
		}
		s := h.For(c.injectors)
		if !(s.HangingSD+s.RunSD > 0) || h.RunsApart != (c.runs > 1) || c.groups == 1 != math.IsNaN(h.Response) && c.injectors > 1 {
			t.Errorf("%+v: %+v", c, h)
		}
		if high := h.High(c.injectors); !(high.HangingSD > s.HangingSD) {
			t.Errorf("%+v: upper end %g of %g", c, high.HangingSD, s.HangingSD)
		}
	}
	// One more run in one hanging tells runs apart or falls back; never an error.
	in := invented(rng, 1, 3, 1, 3, truth)
	in = append(in, Reading{"0", "0", "9", "1", 10.1}, Reading{"0", "0", "9", "2", 11.1}, Reading{"0", "0", "9", "3", 12.2})
	if h, err := FromReadings(in); err != nil || !(h.For(3).HangingSD+h.For(3).RunSD > 0) {
		t.Errorf("%+v %v", h, err)
	}
}

func TestReadingsRefused(t *testing.T) {
	one := Reading{"a", "1", "1", "1", 10}
	with := func(rs ...Reading) []Reading { return rs }
	for _, c := range []struct {
		name string
		in   []Reading
		few  bool
	}{
		{"none", nil, true},
		{"one", with(one), true},
		{"a hanging in each phase", with(one, Reading{"b", "1", "1", "1", 10.1}), true},
		{"twice", with(one, one), false},
		{"zero", with(one, Reading{"a", "2", "1", "1", 0}), false},
		{"negative", with(one, Reading{"a", "2", "1", "1", -3}), false},
		{"NaN", with(one, Reading{"a", "2", "1", "1", math.NaN()}), false},
		{"infinite", with(one, Reading{"a", "2", "1", "1", math.Inf(1)}), false},
	} {
		for k, f := range []func([]Reading) error{
			func(in []Reading) error { _, err := FromReadings(in); return err },
			func(in []Reading) error { _, err := Rehang(in); return err },
		} {
			err := f(c.in)
			if err == nil || isTooFew(err) != c.few {
				t.Errorf("%s, %d: %v", c.name, k, err)
			}
			if err != nil && strings.Contains(err.Error(), "\n") {
				t.Errorf("%s: %v has several lines", c.name, err)
			}
		}
	}
	equal := with(one, Reading{"a", "1", "2", "1", 10}, Reading{"a", "2", "1", "1", 10}, Reading{"a", "2", "2", "1", 10})
	if _, err := Rehang(equal); err == nil || !strings.Contains(err.Error(), "copied") {
		t.Errorf("equal readings: %v", err)
	}
	if h, err := FromReadings(equal); err == nil {
		t.Errorf("equal readings: %+v", h)
	}
	single := with(one, Reading{"a", "2", "1", "1", 10.1}, Reading{"a", "3", "1", "1", 9.9})
	if _, err := Rehang(single); !isTooFew(err) {
		t.Errorf("single runs: %v", err)
	}
}

// A study's interval holds the truth as often as it says, and its degrees of freedom are
// what an estimate's own are about.
func TestRehangCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(2_000_004, 1))
	const n = 1500
	for _, truth := range []History{{Hanging: 0.01, Run: 0.01}, {Hanging: 0.02, Run: 0.005}} {
		holds, df := 0, 0.0
		for range n {
			s, err := Rehang(invented(rng, 1, 9, 2, 1, truth))
			if err != nil {
				t.Fatal(err)
			}
			if s.CI95[0] <= truth.Hanging && truth.Hanging <= s.CI95[1] {
				holds++
			}
			df += s.DF / n
		}
		study := StudyOf(9, 2, truth.Run/truth.Hanging)
		t.Logf("run %g: %.3f hold, df %.2f on average, %.2f planned", truth.Run, float64(holds)/n, df, study.DF)
		near(t, "coverage", float64(holds)/n, 0.95, 0.02)
		near(t, "df", df, study.DF, 1)
	}
}

func TestFindStudy(t *testing.T) {
	// Without runs' blur: chi-squared tables, 0.025 point of 8 degrees of freedom 2.1797,
	// of 7 1.6899 (NIST/SEMATECH e-Handbook 1.3.6.7.4, from memory).
	s, ok, err := FindStudy(1, 2, 0)
	if err != nil || !ok || s.Hangings != 9 {
		t.Fatalf("%+v %v %v", s, ok, err)
	}
	near(t, "upper", s.High, math.Sqrt(8/2.1797), 1e-4)
	if before := StudyOf(8, 2, 0); before.High < 2 {
		t.Errorf("8 do already: %+v", before)
	}
	// Runs that blur ask for more hangings; more of them for fewer.
	blurred, _, _ := FindStudy(1, 2, 1.5)
	more, _, _ := FindStudy(1, 6, 1.5)
	if !(blurred.Hangings > more.Hangings && more.Hangings >= s.Hangings) {
		t.Errorf("%+v %+v %+v", s, more, blurred)
	}
	if _, ok, err := FindStudy(0.01, 2, 0); ok || err != nil {
		t.Errorf("to 1 %%: %v %v", ok, err)
	}
	for _, c := range [][3]float64{{0, 2, 0}, {1, 1, 0}, {1, 51, 0}, {1, 2, -1}, {math.NaN(), 2, 0}, {1, 2, math.NaN()}} {
		if _, _, err := FindStudy(c[0], int(c[1]), c[2]); err == nil {
			t.Errorf("%v is taken", c)
		}
	}
}
