package main

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"brimline/analysis/curve"
	"brimline/analysis/rate"
)

// flaggedSet is a stored run of three tubes with a flag of each severity, one of them on
// two tubes in the same words, and one of the run as a whole.
func flaggedSet() *ratedSet {
	nan := math.NaN()
	engine := rate.Flag{Code: "engine-moves", Severity: rate.Note, Says: "the flow of all 3 tubes goes up by 6 % at about 90 s: idle speed or rail pressure changed", Do: "let the engine settle and repeat",
		Evidence: rate.Evidence{FromS: 90, ToS: 90, Size: 6.1, U: 0.2, Unit: "% of the mean rate", Chance: nan}}
	fill := func(injector int, flags ...rate.Flag) fitted {
		x := rate.Fill{Channel: "tube" + string(rune('0'+injector)), Kind: rate.KindFill, StartS: 20, EndS: 200, Unit: curve.Gram, RateGPerMin: 8.2, RateMLPerMin: 10, AtC: 38,
			U: 0.01, U95: 0.02, K: 2, DF: 60, UMLPerMin: 0.0125, U95MLPerMin: 0.025, KMLPerMin: 2, DFMLPerMin: 60, Flags: append(flags, engine),
			Budget:   []rate.Term{{Name: "fit", U: 0.0100, DF: 40, Kind: "A", Basis: "noise and wander of the fill's own readings"}, {Name: "density", U: 0.0075, DF: math.Inf(1), Kind: "B", Basis: "0.82100 g/mL"}},
			Advice:   "a longer run would help: 60 s more halve the ±0.025 mL/min",
			RollingS: 4, Rolling: []rate.RollingRate{{AtS: 24, Rate: 8.1, U: 0.1}, {AtS: 26, Rate: 8.2, U: 0.1}, {AtS: 28, Rate: nan, U: 0.1}, {AtS: 32.001, Rate: 8.3123456, U: 0.123456}}}
		return fitted{Run: 1, Injector: injector, Curve: curve.Curve{Channel: x.Channel, Unit: curve.Gram}, Result: rate.Result{Fills: []rate.Fill{x}}}
	}
	jump := rate.Flag{Code: "jump", Severity: rate.Forbids, Says: "the reading jumps once, by 3.2 g up at 80 s, and stays there", Do: "keep hands and hoses off, and repeat",
		Evidence: rate.Evidence{FromS: 80, ToS: 80, Size: 3.2, U: 0.051, Unit: "g", Chance: 1e-9}}
	full := rate.Flag{Code: "near-full", Severity: rate.Doubt, Says: "the tube was 92 % full", Do: "empty it before the next run",
		Evidence: rate.Evidence{FromS: nan, ToS: nan, Size: nan, U: nan, Chance: nan}}
	misreads := rate.Flag{Code: "misreads", Severity: rate.Note, Says: "30 of 14400 values are misread", Evidence: rate.NoEvidence()}
	s := &ratedSet{source: "test T1", engine: "Sprayer 1", phase: "baseline", volume: true, values: 14400,
		fits: []fitted{fill(1, misreads, jump), fill(2, full), fill(3, full)}, runFlags: map[int][]rate.Flag{1: {engine}}}
	s.judge()
	return s
}

func printedRates(t *testing.T, s *ratedSet, budget bool) string {
	t.Helper()
	var b strings.Builder
	if err := s.print(&b, budget); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// The finding comes first; each flag says in words what it takes from a fill, on what it
// rests and what to do; what is on several tubes or on the run is said once.
func TestRatesTextTellsFlags(t *testing.T) {
	text := printedRates(t, flaggedSet(), false)
	plain := strings.Join(strings.Fields(text), " ")
	last := 0
	for _, want := range []string{
		"The injectors cannot be compared", "Each fill, mL/min at 38 °C", "run injector tube from, s to, s rate k df flags",
		"1 1 tube1 20.0 200.0 10.000 ± 0.025 2.00 60 forbids", "1 2 tube2 20.0 200.0 10.000 ± 0.025 2.00 60 doubt",
		"forbids: no finding may rest on the fill - jump, run 1, injector 1 on tube1: the reading jumps once",
		"Evidence: 3.20 ± 0.10 g at 80.0 s; noise alone shows as much in fewer than 1 of a million fills. Do: keep hands and hoses off, and repeat.",
		"doubt: the number stands, with a caution - near-full, run 1, injectors 2 on tube2, 3 on tube3: the tube was 92 % full. Do: empty it",
		"note: worth knowing; the number stands - engine-moves, run 1, all channels: the flow of all 3 tubes", "Evidence: 6.10 ± 0.39 % of the mean rate at 90.0 s.",
		"misreads, run 1, injector 1 on tube1: 30 of 14400 values are misread.",
		"To know the rates better - tube2, tube3: a longer run would help", "U = k u", "several causes",
	} {
		at := strings.Index(plain, want)
		if at < last {
			t.Errorf("%q is at %d, not behind what should stand before it (%d)", want, at, last)
		}
		last = max(last, at)
	}
	for _, once := range []string{"goes up by 6 %", "92 % full", "Caution:"} {
		if n := strings.Count(plain, once); n != 1 {
			t.Errorf("%q is said %d times", once, n)
		}
	}
	if strings.Contains(text, "Where U comes from") || strings.Contains(text, "NaN") {
		t.Errorf("a budget that was not asked for, or NaN:\n%s", text)
	}
}

// A record of days has the same flag a hundred times: a dozen are told, the others counted.
func TestRatesTextCountsFlags(t *testing.T) {
	s := flaggedSet()
	s.fits[1].Result.Fills[0].Flags = nil
	for k := range 30 {
		s.fits[1].Result.Fills[0].Flags = append(s.fits[1].Result.Fills[0].Flags, rate.Flag{Code: "drain", Severity: rate.Forbids, Says: fmt.Sprintf("the tube loses %d g/min", k), Do: "look for a leak", Evidence: rate.NoEvidence()})
	}
	plain := strings.Join(strings.Fields(printedRates(t, s, false)), " ")
	for _, want := range []string{"the tube loses 11 g/min. - drain, 18 more like these: --json has each. Do: look for a leak.", "jump, run 1"} {
		if !strings.Contains(plain, want) {
			t.Errorf("it lacks %q:\n%s", want, plain)
		}
	}
	if strings.Contains(plain, "loses 12 g/min") || strings.Count(plain, "look for a leak") != 1 {
		t.Errorf("more than a dozen are told:\n%s", plain)
	}
}

func TestRatesTextShowsBudgets(t *testing.T) {
	text := printedRates(t, flaggedSet(), true)
	plain := strings.Join(strings.Fields(text), " ")
	for _, want := range []string{"term kind u, mL/min df share from", "fit A 0.010 40 64 % noise and wander of the fill's own readings", "density B 0.0075 ∞ 36 % 0.82100 g/mL",
		"combined 0.013 60 k 2.00, U 0.025", "A longer run would help: 60 s more halve"} {
		if !strings.Contains(plain, want) {
			t.Errorf("it lacks %q", want)
		}
	}
	for _, s := range []string{text, printedRates(t, flaggedSet(), false)} {
		for line := range strings.Lines(s) {
			if n := len([]rune(strings.TrimRight(line, "\n"))); n > 80 {
				t.Errorf("%d characters: %s", n, line)
			}
			if strings.HasSuffix(line, " \n") {
				t.Errorf("spaces at the end of %q", line)
			}
		}
	}
}

// The JSON holds all of it, and null where there is no number.
func TestRatesJSONTellsFlags(t *testing.T) {
	var b strings.Builder
	s := flaggedSet()
	if err := s.writeJSON(&b); err != nil {
		t.Fatal(err)
	}
	var r ratesJSON
	if err := json.Unmarshal([]byte(b.String()), &r); err != nil {
		t.Fatal(err)
	}
	x := r.Fills[0]
	g := x.Flags[slices.IndexFunc(x.Flags, func(g flagJSON) bool { return g.Code == "jump" })]
	if e := g.Evidence; e == nil || *e.FromS != 80 || *e.Size != 3.2 || *e.U != 0.051 || e.Unit != "g" || *e.Chance != 1e-9 || g.Do == "" || !strings.Contains(g.Says, g.Do) || g.Severity != "forbids" {
		t.Errorf("the jump is %+v with %+v", g, g.Evidence)
	}
	if g := r.Fills[1].Flags[0]; g.Code != "near-full" || g.Evidence != nil {
		t.Errorf("a flag without numbers: %+v with %+v", g, g.Evidence)
	}
	if len(r.RunFlags) != 1 || r.RunFlags[0].Run != 1 || r.RunFlags[0].Code != "engine-moves" || r.RunFlags[0].Evidence.Chance != nil {
		t.Errorf("of the run: %+v", r.RunFlags)
	}
	if *x.K != 2 || *x.KML != 2 || *x.DFML != 60 || *x.AtC != 38 || x.UnitOfTerm != "mL/min" || x.Advice != "" || r.Fills[1].Advice == "" {
		t.Errorf("k %v and %v, df %v, %v °C, budget in %s, advice %q", *x.K, *x.KML, *x.DFML, *x.AtC, x.UnitOfTerm, x.Advice)
	}
	if b := x.Budget; len(b) != 2 || b[0].Kind != "A" || math.Abs(*b[0].Share-0.64) > 1e-12 || b[1].DF != nil || b[1].Basis != "0.82100 g/mL" {
		t.Errorf("budget %+v", b)
	}
	// Stretches side by side, digits as far as u goes, and no NaN.
	if p := x.Rolling; p == nil || len(p.AtS) != 3 || p.StretchS != 4 || p.Rate[1] != nil || *p.Rate[2] != 8.31 || *p.U[2] != 0.12 || p.AtS[2] != 32 {
		t.Errorf("rolling %+v", p)
	}
}

func TestChanceText(t *testing.T) {
	for p, want := range map[float64]string{0: "fewer than 1 of a million fills", 1e-4: "1 of 10 000 fills", 3.2e-4: "1 of 3000 fills", 0.012: "1 of 80 fills", 0.2: "20 of 100 fills", 1: "100 of 100 fills", 1e-6: "1 of 1 000 000 fills"} {
		if got := chanceText(p); got != want {
			t.Errorf("%g: %q, want %q", p, got, want)
		}
	}
	for x, want := range map[float64]string{5354.2: "5350", 15920: "15900", 0.33333: "0.333", -12: "-12", 0: "0", 2.5e-7: "2.5e-07"} {
		if got := plainText(x, 3); got != want {
			t.Errorf("%g: %q, want %q", x, got, want)
		}
	}
	if got := evidenceText(rate.NoEvidence()); got != "" {
		t.Errorf("no evidence says %q", got)
	}
	if got, want := evidenceText(rate.Evidence{FromS: 10, ToS: 40, Size: 2.5, U: math.NaN(), Unit: "% of the values", Chance: 0.02}), "2.5 % of the values from 10.0 to 40.0 s; noise alone shows as much in 1 of 50 fills"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got, want := evidenceText(rate.Evidence{FromS: 14.21, ToS: 14.24, Size: 3.2, U: 0.05, Unit: "g", Chance: math.NaN()}), "3.200 ± 0.098 g at 14.2 s"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
