package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"brimline/analysis/curve"
	"brimline/analysis/rate"
)

// curvePart is so many seconds of flow, in g/min, in each tube; dump is what is taken
// away at its end.
type curvePart struct {
	s    float64
	gpm  []float64
	dump float64
}

// curvesFile writes curves of quiet cells at 10 samples/s, made of parts.
func curvesFile(t *testing.T, parts ...curvePart) string {
	t.Helper()
	rng := rand.New(rand.NewPCG(5, 6))
	n := len(parts[0].gpm)
	level := make([]float64, n)
	var b strings.Builder
	b.WriteString("elapsed_s")
	for i := range n {
		fmt.Fprintf(&b, ",tube%d_g", i+1)
	}
	now := 0.0
	for _, p := range parts {
		for range int(10 * p.s) {
			fmt.Fprintf(&b, "\n%.1f", now)
			for i := range n {
				fmt.Fprintf(&b, ",%.3f", level[i]+0.05*rng.NormFloat64())
				level[i] += p.gpm[i] / 600
			}
			now += 0.1
		}
		for i := range n {
			level[i] -= p.dump
		}
	}
	b.WriteString("\n")
	name := filepath.Join(t.TempDir(), "curves.csv")
	if err := os.WriteFile(name, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

func TestRatesFinding(t *testing.T) {
	rest := func(n int) curvePart { return curvePart{s: 20, gpm: make([]float64, n)} }
	flow := func(gpm ...float64) curvePart { return curvePart{s: 120, gpm: gpm} }
	for _, tc := range []struct {
		name  string
		parts []curvePart
		exit  int
		want  []string // in finding, next and warnings
		not   []string
	}{
		{"one tube of six dry", []curvePart{rest(6), flow(10, 10.5, 9.7, 0, 10.1, 10.4), rest(6)}, exitFlagged,
			[]string{"The 5 others are in line", "No flow is shown in tube4 while the others ran", "Look at tube4"}, nil},
		{"three tubes tell little", []curvePart{rest(3), flow(10, 10.5, 9.7), rest(3)}, exitDone,
			[]string{"among so few"}, []string{"maker's figures", "would have to differ"}},
		{"two tubes", []curvePart{rest(2), flow(10, 15), rest(2)}, exitDone,
			[]string{"2 fills, all steady", "±", "tube1", "tube2"}, []string{"10 to 15"}},
		{"one tube stops and starts again", []curvePart{rest(4), flow(10, 10.5, 9.7, 10.1), {s: 20, gpm: []float64{10, 10.5, 9.7, 0}}, flow(10, 10.5, 9.7, 10.1), rest(4)}, exitFlagged,
			[]string{"Of tube4 nothing can be said", "The 3 others are in line", "tube4: several fills while other channels had one"}, nil},
		{"touched, no flow", []curvePart{{s: 60, gpm: []float64{0}, dump: -50}, rest(1), rest(1), rest(1)}, exitFlagged,
			[]string{"the reading moves, but not as a flow"}, []string{"No flow is shown", "comes back"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var out, errs bytes.Buffer
			code := run(t.Context(), []string{"rates", curvesFile(t, tc.parts...), "--json"}, strings.NewReader(""), &out, &errs)
			if code != tc.exit || errs.Len() > 0 {
				t.Fatalf("exit %d, want %d; %s", code, tc.exit, errs.String())
			}
			var r ratesJSON
			if err := json.Unmarshal(out.Bytes(), &r); err != nil {
				t.Fatal(err)
			}
			said := r.Finding + " " + r.Next + " " + strings.Join(r.Warnings, " ")
			for _, x := range r.Fills {
				for _, g := range x.Flags {
					said += " " + g.Says
				}
			}
			for _, w := range tc.want {
				if !strings.Contains(said, w) {
					t.Errorf("it says %q, want %q in it", said, w)
				}
			}
			for _, w := range tc.not {
				if strings.Contains(said, w) {
					t.Errorf("it says %q, which must not hold %q", said, w)
				}
			}
		})
	}
}

// Numbers that no bench gives are misreads, not NaN in the JSON.
func TestRatesTakesNoImpossibleValue(t *testing.T) {
	name := curvesFile(t, curvePart{20, []float64{0}, 0}, curvePart{60, []float64{10}, 0})
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(text), "\n")
	for i, v := range map[int]string{1: "1e300", 300: "-1e300", 500: "1e155", len(lines) - 2: "1e300"} {
		at, _, _ := strings.Cut(lines[i], ",")
		lines[i] = at + "," + v
	}
	if err := os.WriteFile(name, []byte(strings.Join(lines, "\n")), 0o600); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"rates", name, "--json"}, strings.NewReader(""), &out, &errs); code != exitDone {
		t.Fatalf("exit %d: %s", code, errs.String())
	}
	var r ratesJSON
	if err := json.Unmarshal(out.Bytes(), &r); err != nil {
		t.Fatal(err)
	}
	if len(r.Fills) != 1 || math.Abs(*r.Fills[0].G-10) > 2**r.Fills[0].U95 || *r.Fills[0].U95 > 0.2 {
		t.Errorf("fills %+v, want one of 10 g/min", r.Fills)
	}
}

// A member's mean of one run is that run's rate, as well and as badly known: the
// density, which cancels in ratios, counts in it.
func TestRatesMeanHoldsDensity(t *testing.T) {
	name := curvesFile(t, curvePart{20, make([]float64, 4), 0}, curvePart{120, []float64{10, 10.5, 9.7, 10.1}, 0}, curvePart{20, make([]float64, 4), 0})
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"rates", name, "--json", "--density", "0.832", "--density-u", "0.007"}, strings.NewReader(""), &out, &errs); code != exitDone {
		t.Fatalf("exit %d: %s", code, errs.String())
	}
	var r ratesJSON
	if err := json.Unmarshal(out.Bytes(), &r); err != nil {
		t.Fatal(err)
	}
	for i, m := range r.Set {
		f := r.Fills[i]
		if math.Abs(m.Mean-*f.ML) > 1e-9 || math.Abs(m.U95 / *f.U95ML - 1) > 0.05 {
			t.Errorf("%s: the mean of its one run is %.4f ± %.4f mL/min, the run %.4f ± %.4f", m.Injector, m.Mean, m.U95, *f.ML, *f.U95ML)
		}
		if rel := m.RatioU95 / m.Ratio; rel > 0.007 {
			t.Errorf("%s: the ratio is ± %.2g %%: the density does not cancel", m.Injector, 100*rel)
		}
	}
}

// A run that is left out of findings is left out of the sentence.
func TestRatesFindingLeavesOutExcluded(t *testing.T) {
	fill := func(run int, gpm float64) fitted {
		return fitted{Run: run, Injector: 1, Curve: curve.Curve{Channel: "tube1", Unit: curve.Gram},
			Result: rate.Result{Fills: []rate.Fill{{Channel: "tube1", Kind: rate.KindFill, Unit: curve.Gram, RateGPerMin: gpm, U: 0.01, U95: 0.02, DF: 50, Steady: true}}}}
	}
	s := ratedSet{source: "test", fits: []fitted{fill(1, 10), fill(2, 99)}, excluded: func(run int) bool { return run == 2 }}
	s.judge()
	if want := "One steady fill: 10.000 ± 0.020 g/min."; s.finding != want {
		t.Errorf("%q, want %q", s.finding, want)
	}
}

// A user's own limits are shown beside the finding, and are no finding: there are none
// unless a config sets them, and the exit code is the same.
func TestOwnLimitsAreShownAndJudgeNothing(t *testing.T) {
	file := curvesFile(t, curvePart{s: 20, gpm: make([]float64, 4)}, curvePart{s: 120, gpm: []float64{10, 10.5, 9.7, 13}}, curvePart{s: 20, gpm: make([]float64, 4)})
	cfg := filepath.Join(t.TempDir(), "bench.toml")
	text := "[limits]\nlow_ml_per_min = 12\nhigh_ml_per_min = 15\nhigh_ratio = 1.2\n[[channel]]\nname = \"tube1\"\ndata_pin = 5\nclock_pin = 6\n"
	if err := os.WriteFile(cfg, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	get := func(args ...string) (string, int) {
		var out, errs bytes.Buffer
		code := run(t.Context(), append([]string{"rates", file}, args...), strings.NewReader(""), &out, &errs)
		if errs.Len() > 0 {
			t.Log(errs.String())
		}
		return out.String(), code
	}
	plain, code := get("--density", "0.83", "--json")
	var without, with ratesJSON
	if err := json.Unmarshal([]byte(plain), &without); err != nil || code != exitDone {
		t.Fatalf("exit %d: %v\n%s", code, err, plain)
	}
	if len(without.Own) != 0 || without.Caution != screenCaution {
		t.Errorf("without a config: own limits %+v, caution %q", without.Own, without.Caution)
	}
	limited, code := get("--density", "0.83", "--json", "--config", cfg)
	if err := json.Unmarshal([]byte(limited), &with); err != nil || code != exitDone {
		t.Fatalf("exit %d: %v\n%s", code, err, limited)
	}
	if with.Finding != without.Finding {
		t.Errorf("limits change the finding: %q, was %q", with.Finding, without.Finding)
	}
	want := []ownJSON{{"tube3", "below-own-limit", "below your own limit of 12 mL/min"},
		{"tube4", "above-own-limit", "above your own limit of 15 mL/min"}, {"tube4", "above-own-limit", "above your own limit of 1.2 times the others"}}
	if fmt.Sprint(with.Own) != fmt.Sprint(want) {
		t.Errorf("own limits %v, want %v", with.Own, want)
	}
	if text, _ := get("--density", "0.83", "--config", cfg); !strings.Contains(text, "Tube4: above your own limit of 15 mL/min.") || strings.Contains(strings.ToLower(text), "pass") {
		t.Errorf("the text does not say it, or says too much:\n%s", text)
	}
	// Without a density there is no mL/min to compare.
	if text, _ := get("--config", cfg); strings.Contains(text, "limit of 15") || !strings.Contains(text, "1.2 times the others") {
		t.Errorf("in g/min:\n%s", text)
	}
	wantError(t, exitUsage, []string{"rates", file, "--config", filepath.Join(t.TempDir(), "none.toml")}, "rates:", "none.toml")
}

// What all tubes of a file do at once is said once, of the run.
func TestRatesSayWhatTheEngineDid(t *testing.T) {
	file := curvesFile(t, curvePart{s: 20, gpm: make([]float64, 4)}, curvePart{s: 90, gpm: []float64{10, 10.5, 9.7, 13}},
		curvePart{s: 90, gpm: []float64{8.5, 8.925, 8.245, 11.05}}, curvePart{s: 20, gpm: make([]float64, 4)})
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"rates", file, "--json"}, strings.NewReader(""), &out, &errs); code != exitDone {
		t.Fatalf("exit %d: %s", code, &errs)
	}
	var got ratesJSON
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.RunFlags) != 1 || got.RunFlags[0].Code != "engine-moves" || !strings.Contains(got.RunFlags[0].Says, "all 4 tubes goes down by 16 % at about 110 s") {
		t.Errorf("flags of the run %+v", got.RunFlags)
	}
	for _, f := range got.Fills {
		if len(f.Flags) != 1 || f.Flags[0].Code != "engine-moves" {
			t.Errorf("%s: flags %+v", f.Channel, f.Flags)
		}
	}
}
