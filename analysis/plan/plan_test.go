package plan

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"brimline/analysis/change"
	"brimline/analysis/power"
)

// rows reads a CSV file of testdata: # comments, a header.
func rows(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatal(name, err)
	}
	var out []map[string]string
	for _, fields := range all[1:] {
		row := map[string]string{}
		for i, h := range all[0] {
			row[h] = fields[i]
		}
		out = append(out, row)
	}
	return out
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func readJSON(t *testing.T, name string, into any) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", name))
	if err == nil {
		err = json.Unmarshal(data, into)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: %.15g, want %.15g within %.1g", what, got, want, tol)
	}
}

// A balanced before-and-after design without hangings, each reading a unit: R 4.2.2, the F
// tests of its two strata. With the injectors' responses equal the residual is the only
// stratum; else the one between injectors is.
func TestPowerAgainstReference(t *testing.T) {
	var ref struct {
		Results []struct {
			I   float64 `json:"injectors"`
			R   float64 `json:"replicates_per_phase"`
			S2  float64 `json:"var_residual"`
			T2  float64 `json:"var_effect_between_injectors"`
			Eff float64 `json:"effect"`
			M   float64 `json:"tost_margin"`
			SE1 float64 `json:"se_random_intercept"`
			DF1 float64 `json:"df_random_intercept"`
			P1  float64 `json:"power_random_intercept"`
			D1  float64 `json:"mde80_random_intercept"`
			Q1  float64 `json:"tost_power_at_zero_random_intercept"`
			SE2 float64 `json:"se_random_slope"`
			DF2 float64 `json:"df_random_slope"`
			P2  float64 `json:"power_random_slope"`
			D2  float64 `json:"mde80_random_slope"`
			Q2  float64 `json:"tost_power_at_zero_random_slope"`
		}
	}
	readJSON(t, "power_lmm_a.json", &ref)
	if len(ref.Results) != 4 {
		t.Fatalf("%d cases", len(ref.Results))
	}
	worst := 0.0
	check := func(what string, s Strata, se, df, change, margin, p, d, q float64) {
		gotSE, gotDF := s.SE()
		near(t, what+" se", gotSE/se, 1, 1e-12)
		near(t, what+" df", gotDF, df, 1e-9)
		for _, x := range []struct{ got, want, tol float64 }{
			{s.Power(change, 0.05), p, 1e-8}, {s.TOST(margin, 0, 0.05), q, 1e-8}, {s.Smallest(0.8, 0.05) / d, 1, 1e-7},
		} {
			near(t, what, x.got, x.want, x.tol)
			worst = math.Max(worst, math.Abs(x.got-x.want))
		}
		// A margin is the smallest where its power is what was asked for.
		near(t, what+" margin", s.TOST(s.SmallestMargin(0.8, 0.05), 0, 0.05), 0.8, 1e-8)
	}
	for _, c := range ref.Results {
		one := 2 * c.S2 / (c.I * c.R)
		check("residual", Strata{Terms: []Term{{one, 2*c.I*c.R - c.I - 1}}}, c.SE1, c.DF1, c.Eff, c.M, c.P1, c.D1, c.Q1)
		check("injectors", Strata{Terms: []Term{{c.T2/c.I + one, c.I - 1}}}, c.SE2, c.DF2, c.Eff, c.M, c.P2, c.D2, c.Q2)
		// The same by three strata of which two are small and known. Within the lattice.
		small := one / 100
		three := Strata{Terms: []Term{{small, 1e5}, {c.T2/c.I + one, c.I - 1}, {-small, 1e5}}}
		near(t, "three strata", three.Power(c.Eff, 0.05), c.P2, 1e-3)
		near(t, "three strata, equivalence", three.TOST(c.M, 0, 0.05), c.Q2, 1e-3)
	}
	t.Logf("%d cases, largest difference %.1e", len(ref.Results), worst)
}

// More points of the lattice change little; the largest is for two hangings and two injectors.
func TestLattice(t *testing.T) {
	worst := 0.0
	for _, d := range []Design{{2, 2, 2, 1}, {6, 3, 3, 2}, {4, 8, 8, 3}} {
		s := Scatter{HangingSD: 0.01, RunSD: 0.015, ResponseSD: 0.02, TubeSD: 0.003, ReadingSD: 0.01}
		st, err := d.Strata(s, ScopeLikeThese)
		if err != nil {
			t.Fatal(err)
		}
		st.tables = newTables()
		se, _ := st.SE()
		for _, x := range []float64{1, 2, 3, 5} {
			f := func(half float64) float64 { return normal(x-half/se) + normal(-x-half/se) }
			worst = math.Max(worst, math.Abs(st.meanOver(points, 0.975, f)-st.meanOver(8*points, 0.975, f)))
		}
	}
	t.Logf("largest difference %.4f", worst)
	if worst > 0.003 {
		t.Errorf("power moves by %g", worst)
	}
}

// What the two scopes promise, drawn from the model and tested by package change itself.
func TestPowerBySimulation(t *testing.T) {
	rng := rand.New(rand.NewPCG(2_000_001, 1))
	const change = 0.05
	for _, c := range []struct {
		d Design
		s Scatter
		n int
	}{
		{Design{Injectors: 4, Before: 3, After: 3, Runs: 2}, Scatter{HangingSD: 0.012, RunSD: 0.01, ResponseSD: 0.03, TubeSD: 0.008, ReadingSD: 0.012}, 600},
		// Two injectors, and injectors that all respond alike: there change.Wider's rules count.
		{Design{Injectors: 2, Before: 3, After: 3, Runs: 2}, Scatter{HangingSD: 0.01, RunSD: 0.01, ResponseSD: 0.005, TubeSD: 0.012, ReadingSD: 0.012}, 600},
		{Design{Injectors: 6, Before: 3, After: 3, Runs: 2}, Scatter{HangingSD: 0.015, RunSD: 0.01, TubeSD: 0.004, ReadingSD: 0.004}, 600},
	} {
		var found [2]float64
		for range c.n {
			engine, like := simulate(t, rng, c.d, c.s, change)
			if engine {
				found[0]++
			}
			if like {
				found[1]++
			}
		}
		for k, scope := range []string{ScopeEngine, ScopeLikeThese} {
			st, err := c.d.Strata(c.s, scope)
			if err != nil {
				t.Fatal(err)
			}
			want := st.Power(change, 0.05)
			if k == 0 {
				// The engine's own change is the mean of its injectors', which was drawn too.
				wide := Strata{Terms: []Term{st.Terms[0]}}
				se, _ := wide.SE()
				sum := 0.0
				for i := range 2000 {
					u := (float64(i) + 0.5) / 2000
					sum += power.T((change+c.s.ResponseSD/math.Sqrt(float64(c.d.Injectors))*math.Sqrt2*math.Erfinv(2*u-1))/se, st.Terms[0].DF, 0.05)
				}
				want = sum / 2000
			}
			got, n := found[k]/float64(c.n), float64(c.n)
			t.Logf("%d injectors, %s: %.3f found, %.3f worked out", c.d.Injectors, scope, got, want)
			near(t, scope, got, want, 4*math.Sqrt(want*(1-want)/n)+0.003)
		}
	}
}

// simulate draws one comparison and says whether each scope shows a change.
func simulate(t *testing.T, rng *rand.Rand, d Design, s Scatter, effect float64) (engine, like bool) {
	t.Helper()
	response := make([]float64, d.Injectors)
	for i := range response {
		response[i] = effect + s.ResponseSD*rng.NormFloat64()
	}
	var in []change.Reading
	own := make([]float64, d.Injectors)
	for p, hangings := range []int{d.Before, d.After} {
		for h := range hangings {
			set := s.HangingSD*rng.NormFloat64() + s.RunSD/math.Sqrt(float64(d.Runs))*rng.NormFloat64()
			mean := 0.0
			for i := range own {
				own[i] = s.TubeSD*rng.NormFloat64() + s.ReadingSD/math.Sqrt(float64(d.Runs))*rng.NormFloat64()
				mean += own[i] / float64(d.Injectors)
			}
			for i := range own {
				in = append(in, change.Reading{Phase: []string{"before", "after"}[p], Hanging: strconv.Itoa(h), Run: strconv.Itoa(h), Injector: strconv.Itoa(i),
					RateMLPerMin: 10 * math.Exp(set+own[i]-mean+float64(p)*response[i])})
			}
		}
	}
	r, err := change.Compare(in, change.Options{})
	if err != nil || r.Effect.P == nil || r.LikeThese == nil {
		t.Fatal(err, r.Forbids)
	}
	return *r.Effect.P < 0.05, *r.LikeThese.P < 0.05
}

// The same readings, compared and planned with: the smallest change that is shown is one.
func TestSmallestIsCompares(t *testing.T) {
	rng := rand.New(rand.NewPCG(2_000_002, 1))
	d := Design{Injectors: 4, Before: 3, After: 3, Runs: 2}
	var in []change.Reading
	var own []Reading
	for _, phase := range []string{"before", "after"} {
		for h := range 3 {
			set := 0.02 * rng.NormFloat64()
			for r := range d.Runs {
				run := 0.004 * rng.NormFloat64()
				for i := range d.Injectors {
					x := Reading{Group: phase, Hanging: strconv.Itoa(h), Run: strconv.Itoa(2*h + r), Injector: strconv.Itoa(i), RateMLPerMin: 10 * math.Exp(set+run+0.004*rng.NormFloat64())}
					own = append(own, x)
					in = append(in, change.Reading{Phase: phase, Hanging: x.Hanging, Run: x.Run, Injector: x.Injector, RateMLPerMin: x.RateMLPerMin})
				}
			}
		}
	}
	r, err := change.Compare(in, change.Options{})
	if err != nil || r.SmallestDetectablePercent == nil {
		t.Fatal(err, r.Forbids)
	}
	h, err := FromReadings(own)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Show(h.For(d.Injectors), d, Ask{Power: 0.8})
	if err != nil {
		t.Fatal(err)
	}
	// The scatter is an iterated fit in one and mean squares in the other.
	near(t, "smallest change, percent", 100*math.Expm1(got.Smallest), *r.SmallestDetectablePercent, 0.02**r.SmallestDetectablePercent)
	near(t, "degrees of freedom", got.DF, *r.Effect.DF, 1e-9)
}

func TestFind(t *testing.T) {
	s := Scatter{HangingSD: 0.01, RunSD: 0.015, ResponseSD: math.NaN()}
	got, err := Find(s, Ask{Injectors: 6, Change: math.Log1p(0.05), Power: 0.8})
	if err != nil || len(got) != 6 {
		t.Fatal(got, err)
	}
	last := MaxHangings
	for k, n := range got {
		if n.Runs != k+1 || n.Before != n.After || n.Before > last {
			t.Errorf("%+v after %d hangings", n, last)
		}
		last = n.Before
		// The fewest: one less does not do.
		d := n.Design
		if n.Power < 0.8 {
			t.Errorf("%+v: too little", n)
		}
		if d.Before--; d.Before > 1 {
			d.After--
			less, err := d.Strata(s, ScopeEngine)
			if err != nil {
				t.Fatal(err)
			}
			if p := less.Power(math.Log1p(0.05), 0.05); p >= 0.8 {
				t.Errorf("%+v does already: %g", d, p)
			}
		}
		// By the noncentral t of hangings' means, written down anew.
		v := 0.01*0.01 + 0.015*0.015/float64(n.Runs)
		near(t, "power", n.Power, power.T(math.Log1p(0.05)/math.Sqrt(2*v/float64(n.Before)), float64(2*n.Before-2), 0.05), 1e-12)
	}
	// Hangings that are there already count.
	had, err := Find(s, Ask{Injectors: 6, Change: math.Log1p(0.05), Power: 0.8, Before: 10, Runs: 1})
	if err != nil || len(had) != 1 || had[0].Before != 10 || had[0].After >= got[0].After {
		t.Errorf("%+v %v", had, err)
	}
	// The margin asks for more than the same change does.
	both, err := Find(s, Ask{Injectors: 6, Change: math.Log1p(0.05), Margin: math.Log1p(0.05), Power: 0.8, Runs: 1})
	if err != nil || len(both) != 1 || both[0].TOST < 0.8 || both[0].After < got[0].After {
		t.Errorf("%+v %v", both, err)
	}
	// What no number of hangings shows is an empty list: injectors that differ stay as many.
	s.ResponseSD = 0.1
	none, err := Find(s, Ask{Injectors: 2, Change: 0.01, Power: 0.8, Scope: ScopeLikeThese, Runs: 1})
	if err != nil || len(none) != 0 {
		t.Errorf("%+v %v", none, err)
	}
}

func TestShow(t *testing.T) {
	s := Scatter{HangingSD: 0.01, RunSD: 0.015, ResponseSD: 0.02, ReadingSD: 0.01}
	got, err := Show(s, Design{6, 3, 3, 2}, Ask{Power: 0.8, Change: 0.05, Margin: 0.1})
	if err != nil {
		t.Fatal(err)
	}
	v := 0.01*0.01 + 0.015*0.015/2
	near(t, "se", got.SE, math.Sqrt(2*v/3), 1e-15)
	near(t, "df", got.DF, 4, 1e-12)
	near(t, "smallest", got.Smallest, power.Detectable(0.8, 4, 0.05)*got.SE, 1e-9)
	near(t, "power", got.Power, power.T(0.05/got.SE, 4, 0.05), 1e-12)
	near(t, "tost", got.TOST, power.TOST(0.1/got.SE, 0, 4, 0.05), 1e-12)
	wide, err := Show(s, Design{6, 3, 3, 2}, Ask{Power: 0.8, Scope: ScopeLikeThese})
	if err != nil || wide.Smallest <= got.Smallest || wide.Power != 0 {
		t.Errorf("%+v %v", wide, err)
	}
	// One hanging in each phase rests on the bench's own spread.
	s.HangingDF = 8
	one, err := Show(s, Design{6, 1, 1, 3}, Ask{Power: 0.8})
	if err != nil || one.SE < 0.01*math.Sqrt2 {
		t.Errorf("%+v %v", one, err)
	}
}

func TestRefuses(t *testing.T) {
	s := Scatter{HangingSD: 0.01, ResponseSD: math.NaN()}
	for _, c := range []struct {
		d     Design
		s     Scatter
		scope string
		want  string
	}{
		{Design{0, 2, 2, 1}, s, ScopeEngine, "0 injectors"},
		{Design{4, 0, 2, 1}, s, ScopeEngine, "0 hangings before"},
		{Design{4, 2, 2, 0}, s, ScopeEngine, "0 runs"},
		{Design{4, 1, 1, 3}, s, ScopeEngine, "cannot be told"},
		{Design{4, 2, 2, 1}, Scatter{HangingSD: -1}, ScopeEngine, "negative"},
		{Design{4, 2, 2, 1}, Scatter{HangingSD: math.NaN()}, ScopeEngine, "negative or missing"},
		{Design{4, 2, 2, 1}, Scatter{}, ScopeEngine, "are zero"},
		{Design{1, 2, 2, 1}, s, ScopeLikeThese, "one injector"},
		{Design{4, 2, 2, 1}, s, ScopeLikeThese, "not known"},
	} {
		if _, err := c.d.Strata(c.s, c.scope); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: %v, want %q", c.d, err, c.want)
		}
	}
	for _, a := range []Ask{{Injectors: 4, Power: 0.8}, {Injectors: 4, Change: 0.1, Power: 1}, {Injectors: 4, Change: 0.1, Power: 0.01}, {Injectors: 4, Change: math.NaN(), Power: 0.8}, {Injectors: 4, Change: 0.1, Power: 0.8, Level: 0.9}, {Injectors: 40, Change: 0.1, Power: 0.8}} {
		if _, err := Find(s, a); err == nil {
			t.Errorf("%+v is taken", a)
		}
	}
}

// latin_squares.csv has repeats as rows and tubes as columns. Its even squares are balanced along
// their rows; what follows on a tube is a matter of time, so hangings run along a row here.
func TestPositions(t *testing.T) {
	want := map[int]map[[2]int]int{}
	for _, r := range rows(t, "latin_squares.csv") {
		n := int(number(t, r["n"]))
		if want[n] == nil {
			want[n] = map[[2]int]int{}
		}
		want[n][[2]int{int(number(t, r["repeat"])), int(number(t, r["channel"]))}] = int(number(t, r["injector"]))
	}
	if len(want) != 4 {
		t.Fatalf("%d squares", len(want))
	}
	for n, square := range want {
		for h := range n {
			for tube, injector := range Positions(n, h) {
				if n == 4 { // the file's is another square of the same kind, multiples modulo 5
					continue
				}
				if square[[2]int{tube + 1, h + 1}] != injector {
					t.Errorf("%d injectors, hanging %d, tube %d: injector %d, want %d", n, h+1, tube+1, injector, square[[2]int{tube + 1, h + 1}])
				}
			}
		}
	}
	for n := 1; n <= 12; n++ {
		follows := map[[2]int]int{}
		for k := range n {
			var row, column []int
			for h := range n {
				row = append(row, Positions(n, h)[k])
				column = append(column, Positions(n, k)[h])
				if h > 0 {
					follows[[2]int{row[h-1], row[h]}]++
				}
			}
			for _, x := range [][]int{row, column} {
				slices.Sort(x)
				for i := range x {
					if x[i] != i+1 {
						t.Fatalf("%d injectors: %v is not each once", n, x)
					}
				}
			}
		}
		if n%2 == 0 && len(follows) != n*(n-1) {
			t.Errorf("%d injectors: %d of %d pairs follow each other", n, len(follows), n*(n-1))
		}
		if got := Positions(n, n); !slices.Equal(got, Positions(n, 0)) {
			t.Errorf("%d injectors: the square does not begin anew: %v", n, got)
		}
	}
}

func TestSheet(t *testing.T) {
	s := SheetOf(4, 2, []Phase{{"baseline", 3}, {"after", 3}}, DefaultTimes(), true)
	// By hand: each phase 15 min warm and 2 x 3 min to settle; 6 runs of 4 min; 3 drains of
	// 1 min with the engine on.
	near(t, "engine", s.EngineS, 2*(900+2*180+6*240+3*60), 0)
	near(t, "total", s.TotalS, s.EngineS+6*300+6*60, 0)
	var hung [2][][]int
	for _, x := range s.Steps {
		if x.Do == DoHang {
			p := 0
			if x.Phase == "after" {
				p = 1
			}
			hung[p] = append(hung[p], x.Positions)
		}
	}
	if len(hung[0]) != 3 || len(hung[1]) != 3 {
		t.Fatal(hung)
	}
	for h := range 3 {
		if !slices.Equal(hung[0][h], hung[1][h]) || !slices.Equal(hung[0][h], Positions(4, h)) {
			t.Errorf("hanging %d: %v and %v", h+1, hung[0][h], hung[1][h])
		}
	}
	plain := SheetOf(4, 2, []Phase{{"rehang", 5}}, DefaultTimes(), false)
	for _, x := range plain.Steps {
		if x.Do == DoHang && !slices.Equal(x.Positions, []int{1, 2, 3, 4}) {
			t.Errorf("a re-hanging study moves tubes: %v", x.Positions)
		}
	}
	for _, x := range []Times{{}, {RunS: 180, StillS: 1}, {RunS: math.NaN(), StillS: 30}, {RunS: 180, StillS: 30, WarmUpS: -1}} {
		if x.Check() == nil {
			t.Errorf("%+v is taken", x)
		}
	}
	if err := DefaultTimes().Check(); err != nil {
		t.Error(err)
	}
}

// dilution.csv: one dose in a full tank, refills with untreated fuel.
func TestDilution(t *testing.T) {
	n := 0
	for _, r := range rows(t, "dilution.csv") {
		f, k := number(t, r["residual_fraction"]), int(number(t, r["refills_after"]))
		tank := Tank{CapacityL: 80, LeftL: 10, AddL: 70, RefillAtL: 80 * f}
		got := tank.Refills(1.25, k)[k-1]
		near(t, "share", got.Share, number(t, r["dose_left_fraction"]), 5e-9)
		near(t, "washed out", 1-got.Share, number(t, r["washed_out_fraction"]), 5e-9)
		near(t, "concentration", got.MLPerL, 1.25*number(t, r["dose_left_fraction"]), 1e-8)
		near(t, "burnt", got.BurntL, float64(k)*80*(1-f), 1e-9)
		n++
	}
	if n != 24 {
		t.Errorf("%d rows", n)
	}
}

func TestDose(t *testing.T) {
	// Worked by hand: 60 mL in 15 L left and 45 L added; then with 0.4 mL/L in the 15 L.
	tank := Tank{CapacityL: 70, LeftL: 15, AddL: 45, RefillAtL: 14}
	c, err := tank.Reached(60)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "reached", c, 1, 1e-15)
	tank.HasMLPerL = 0.4
	c, _ = tank.Reached(54)
	near(t, "reached with some left", c, 1, 1e-15)
	d, err := tank.DoseFor(1)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "dose", d, 54, 1e-12)
	near(t, "treated", tank.TreatedL(), 46, 1e-12)
	// A tank that is not full after dosing: 46 L burnt, then 14 L of it in 70 L.
	first := tank.Refills(1, 1)[0]
	near(t, "burnt", first.BurntL, 46, 1e-12)
	near(t, "left", first.MLPerL, 0.2, 1e-12)
	for _, x := range []Tank{
		{CapacityL: 0, LeftL: 0, AddL: 0}, {CapacityL: 70, LeftL: 80}, {CapacityL: 70, LeftL: -1, AddL: 5}, {CapacityL: 70, LeftL: 20, AddL: 60},
		{CapacityL: 70}, {CapacityL: 70, LeftL: 20, AddL: 10, RefillAtL: 70}, {CapacityL: 70, LeftL: 20, AddL: 10, HasMLPerL: -1}, {CapacityL: math.NaN(), LeftL: 1},
	} {
		if _, err := x.Reached(10); err == nil {
			t.Errorf("%+v is taken", x)
		}
		if _, err := x.DoseFor(1); err == nil {
			t.Errorf("%+v is taken for a dose", x)
		}
	}
	for _, dose := range []float64{0, -1, math.NaN(), math.Inf(1), 1e5} {
		if _, err := tank.Reached(dose); err == nil {
			t.Errorf("a dose of %g mL is taken", dose)
		}
	}
	for _, c := range []float64{0, 0.05, 101, math.NaN()} { // 0.05: what is left brings more
		if _, err := tank.DoseFor(c); err == nil {
			t.Errorf("%g mL per L is taken", c)
		}
	}
}

func isTooFew(err error) bool { return errors.Is(err, ErrTooFew) }
