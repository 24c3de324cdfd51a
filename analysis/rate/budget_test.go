package rate

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"brimline/analysis/curve"
)

// budgetTable is a file of testdata; its first comment lines say where it is from.
func budgetTable(t *testing.T, name string) (rows []map[string]string) {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil || len(all) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(all), err)
	}
	for _, row := range all[1:] {
		m := map[string]string{}
		for i, v := range row {
			m[all[0][i]] = v
		}
		rows = append(rows, m)
	}
	return rows
}

func budgetNumbers(t *testing.T, text string) (out []float64) {
	t.Helper()
	for _, word := range strings.Fields(text) {
		if v, err := strconv.ParseFloat(strings.TrimPrefix(word, "t99"), 64); err == nil {
			out = append(out, v)
		}
	}
	return out
}

// JCGM 100:2008 (GUM), G.4.1 and H.1. Our degrees of freedom are not cut to a whole number;
// the GUM prints 19.0 for 18.9987, and cuts 16.76 to 16 in H.1, where it takes 99 %.
func TestWelchSatterthwaiteOfTheGUM(t *testing.T) {
	for _, row := range budgetTable(t, "welch_satterthwaite.csv") {
		us, dfs := budgetNumbers(t, row["inputs"]), budgetNumbers(t, row["n_or_dof"])
		var terms []Term
		for i, u := range us {
			df := dfs[i]
			if strings.HasPrefix(row["n_or_dof"], "n ") {
				df--
			}
			terms = append(terms, Term{U: u, DF: df})
		}
		u, df := welchSatterthwaite(terms)
		wantU, wantDF := budgetNumbers(t, row["uc_calc"])[0], budgetNumbers(t, row["nu_eff_calc"])[0]
		if math.Abs(u-wantU) > 1e-6 || math.Abs(df-wantDF) > 1e-6 {
			t.Errorf("%s: u %.7g with %.8g degrees of freedom, want %.7g with %.8g", row["example"], u, df, wantU, wantDF)
		}
		if published := budgetNumbers(t, row["uc_published"])[0]; math.Abs(u/published-1) > 0.011 {
			t.Errorf("%s: u %g, published %g", row["example"], u, published)
		}
		U, printed := Coverage95(df)*u, budgetNumbers(t, row["U_published"])[0]
		if strings.Contains(row["t95_calc"], "t99") {
			U = distuv.StudentsT{Sigma: 1, Nu: math.Floor(df)}.Quantile(0.995) * u
		}
		if math.Abs(U/printed-1) > 0.025 {
			t.Errorf("%s: U %g, published %g", row["example"], U, printed)
		}
	}
}

// loadCellBudget is the fill of budget_load_cell.csv: 35 mL in 180 s, of 0.825 g/mL.
func loadCellBudget(uDensity, ofTemp float64) Fill {
	const gPerMin, rho = 35 / 3. * 0.825, 0.825
	f := Fill{Channel: "tube3", Unit: curve.Gram, RateMLPerMin: math.NaN(), UMLPerMin: math.NaN(), U95MLPerMin: math.NaN(), DFMLPerMin: math.NaN(), Samples: 14400}
	f.setBudget(gPerMin, slopeFit{slope: gPerMin / 60, u: math.Hypot(0.19245, 0.306348) / 60e3, df: 300, white: 0.02}, 180, zeroDrift(zeroDriftGPH/3600.0).term(zeroDriftGPH, curve.Gram), rest{slope: math.NaN()},
		curve.Curve{Unit: curve.Gram, InAir: true, ScaleRelU: math.Hypot(math.Hypot(0.000288675, 0.0000288675), 0.00011547), ScaleDF: math.Inf(1)},
		&curve.Density{GPerML: rho, U: uDensity, UTemp: ofTemp})
	return f
}

// Every line of the two budgets of a load cell, and what they come to.
func TestBudgetOfALoadCell(t *testing.T) {
	of := map[string]string{"white noise": termFit, "drop gran": termFit, "zero drift": termDrift, "calibration": termCalibration, "local span": termCalibration, "span with": termCalibration,
		"hose force": termHose, "density": termDensity, "fuel temp": termTemperature, "buoyancy": termBuoyancy, "time base": termTime}
	for file, uDensity := range map[string]float64{"budget_load_cell.csv": 0.0005 / math.Sqrt(3), "budget_load_cell_density_assumed.csv": 0.0125 / math.Sqrt(3)} {
		want, combined := map[string]float64{}, 0.0
		for _, row := range budgetTable(t, file) {
			if row["component"] == "combined" {
				combined = budgetNumbers(t, row["u_pct"])[0]
			}
			for start, name := range of {
				if strings.HasPrefix(row["component"], start) {
					want[name] = math.Hypot(want[name], budgetNumbers(t, row["u_pct"])[0])
				}
			}
		}
		f := loadCellBudget(uDensity, 0.825*0.00083*2/math.Sqrt(3))
		if len(want) != 8 || len(f.Budget) != 8 {
			t.Fatalf("%s: %d terms, ours %d", file, len(want), len(f.Budget))
		}
		for _, x := range f.Budget {
			if got := 100 * x.U / f.RateMLPerMin; math.Abs(got-want[x.Name]) > 0.004*want[x.Name]+0.00001 {
				t.Errorf("%s: %s %.5f %%, want %.5f %%", file, x.Name, got, want[x.Name])
			}
			if x.Kind != map[bool]string{true: "A", false: "B"}[x.Name == termFit] || x.Basis == "" {
				t.Errorf("%s: kind %q, basis %q", x.Name, x.Kind, x.Basis)
			}
		}
		if got := 100 * f.UMLPerMin / f.RateMLPerMin; math.Abs(got/combined-1) > 0.002 {
			t.Errorf("%s: combined %.5f %%, want %.5f %%", file, got, combined)
		}
		if !slices.IsSortedFunc(f.Budget, func(a, b Term) int { return int(math.Copysign(1, b.U-a.U)) }) {
			t.Errorf("%s: the largest term does not stand first: %+v", file, f.Budget)
		}
		if math.Abs(f.U95MLPerMin-f.KMLPerMin*f.UMLPerMin) > 1e-15 || math.Abs(f.KMLPerMin-1.96) > 0.001 || f.U95 != f.K*f.U {
			t.Errorf("%s: U95 %g with k %g and u %g", file, f.U95MLPerMin, f.KMLPerMin, f.UMLPerMin)
		}
		// The mass rate has no part of the density's.
		if f.U > 0.2*f.UMLPerMin*0.825 && uDensity > 0.001 {
			t.Errorf("%s: mass rate u %g g/min", file, f.U)
		}
		m := f.Measured("3", "1")
		if all := math.Sqrt(m.U*m.U+m.UAll*m.UAll) / f.RateGPerMin; math.Abs(100*all/combined-1) > 0.002 || m.UTube <= 0 || m.UTube >= m.U {
			t.Errorf("%s: as measured %+v, together %.5f %%", file, m, 100*all)
		}
	}
}

// What a level sender feels in warm fuel is stated at 15 °C: the volume shrinks, and the
// fuel's temperature joins the budget; a density has no other part in it.
func TestVolumeStatedAtATemperature(t *testing.T) {
	fuel := curve.Fuel{Law: curve.Petroleum, GPerML: 0.835, U: 0.0005, FoundAtC: 15, PerC: math.NaN(), TempC: 40, UTempC: 2, StateAtC: 15}
	vcf := 0.97854139822250 // of 835 kg/m3 at 40 °C: vcf54b.csv, 2004
	d, err := fuel.Density()
	if err != nil {
		t.Fatal(err)
	}
	x, y := make([]float64, 600), make([]float64, 600)
	for i := range x {
		x[i] = 0.3 * float64(i)
		y[i] = 0.2*x[i] + 0.001*float64(i%2)
	}
	fill := func(unit curve.Unit, d *curve.Density) Fill {
		t.Helper()
		c, err := curve.New("tube1", unit, x, slices.Clone(y))
		if err != nil {
			t.Fatal(err)
		}
		r, err := Analyse(c, Options{Mode: Window, Density: d})
		if err != nil {
			t.Fatal(err)
		}
		return r.Fills[0]
	}
	level := fill(curve.Millilitre, &d)
	if math.Abs(level.RateMLPerMin-12*vcf) > 1e-4 || level.AtC != 15 || math.Abs(level.RateGPerMin-12*0.835*vcf) > 1e-4 {
		t.Errorf("level: %g mL/min at %g °C, %g g/min", level.RateMLPerMin, level.AtC, level.RateGPerMin)
	}
	uOf := func(f Fill, name string) float64 {
		for _, x := range f.Budget {
			if x.Name == name {
				return x.U
			}
		}
		return 0
	}
	if got, want := uOf(level, termTemperature)/level.RateMLPerMin, math.Hypot(2*0.000882, curve.PetroleumRelU(15, 40)); math.Abs(got/want-1) > 0.01 {
		t.Errorf("level: fuel temperature u %g of the rate, want %g", got, want)
	}
	if uOf(level, termDensity) != 0 || level.U != level.UMLPerMin {
		t.Errorf("level: budget %+v", level.Budget)
	}
	weighed := fill(curve.Gram, &d)
	if math.Abs(weighed.RateMLPerMin-12/0.835) > 1e-4 || weighed.AtC != 15 || uOf(weighed, termTemperature) != 0 || math.Abs(uOf(weighed, termDensity)/weighed.RateMLPerMin-0.0005/0.835) > 1e-9 {
		t.Errorf("weighed: %g mL/min at %g °C, budget %+v", weighed.RateMLPerMin, weighed.AtC, weighed.Budget)
	}
	fuel.StateAtC = math.NaN()
	if d, err = fuel.Density(); err != nil {
		t.Fatal(err)
	}
	own := fill(curve.Gram, &d)
	if math.Abs(own.RateMLPerMin-12/0.835/vcf) > 1e-4 || own.AtC != 40 || math.Abs(uOf(own, termTemperature)/own.RateMLPerMin-2*0.000882) > 1e-5 {
		t.Errorf("weighed, in the tubes: %g mL/min at %g °C, budget %+v", own.RateMLPerMin, own.AtC, own.Budget)
	}
	if f := fill(curve.Millilitre, &d); math.Abs(f.RateMLPerMin-12) > 1e-4 || f.AtC != 40 || uOf(f, termTemperature) != 0 {
		t.Errorf("level, in the tubes: %+v", f)
	}
	// Without the tubes' temperature a level cannot be stated elsewhere, a weight can.
	fuel.TempC, fuel.StateAtC = math.NaN(), 15
	if d, err = fuel.Density(); err != nil {
		t.Fatal(err)
	}
	if f := fill(curve.Millilitre, &d); math.Abs(f.RateMLPerMin-12) > 1e-4 || !math.IsNaN(f.AtC) {
		t.Errorf("level, temperature not noted: %g mL/min at %g °C", f.RateMLPerMin, f.AtC)
	}
	if f := fill(curve.Gram, &d); math.Abs(f.RateMLPerMin-12/0.835) > 1e-4 || f.AtC != 15 {
		t.Errorf("weighed, temperature not noted: %g mL/min at %g °C", f.RateMLPerMin, f.AtC)
	}
	if f := fill(curve.Gram, &curve.Density{GPerML: 0.8, U: 0.001}); !math.IsNaN(f.AtC) || math.Abs(f.RateMLPerMin-15) > 1e-4 {
		t.Errorf("a bare density: %g mL/min at %g °C", f.RateMLPerMin, f.AtC)
	}
	if f := fill(curve.Gram, nil); !math.IsNaN(f.RateMLPerMin) || !math.IsNaN(f.KMLPerMin) || !math.IsNaN(f.U95MLPerMin) || !(f.K > 1.9) {
		t.Errorf("no density: %+v", f)
	}
	bad := d
	bad.Stated = &curve.Stated{AtC: 15, GPerML: 835}
	if c, err := curve.New("tube1", curve.Gram, x, y); err != nil {
		t.Fatal(err)
	} else if _, err := Analyse(c, Options{Mode: Window, Density: &bad}); err == nil || !strings.Contains(err.Error(), "in g/mL") {
		t.Errorf("a stated density in kg/m3: %v", err)
	}
}

// A channel that was calibrated with masses reads fuel light by 0.13 % (buoyancy.csv).
func TestLiftOfAir(t *testing.T) {
	f := Fill{Unit: curve.Gram}
	c := curve.Curve{Unit: curve.Gram, InAir: true}
	f.setBudget(10, slopeFit{u: 1e-6, df: 100}, 180, zeroDrift(0.5/3600).term(0.5, curve.Gram), rest{slope: math.NaN()}, c, &curve.Density{GPerML: 0.83})
	if math.Abs(f.RateGPerMin-10.012977) > 2e-5 || math.Abs(f.RateMLPerMin-12.06382) > 2e-5 {
		t.Errorf("%g g/min, %g mL/min", f.RateGPerMin, f.RateMLPerMin)
	}
	bare := Fill{Unit: curve.Gram}
	c.InAir = false
	bare.setBudget(10, slopeFit{u: 1e-6, df: 100}, 180, zeroDrift(0.5/3600).term(0.5, curve.Gram), rest{slope: math.NaN()}, c, &curve.Density{GPerML: 0.83})
	if bare.RateGPerMin != 10 || slices.ContainsFunc(bare.Budget, func(t Term) bool { return t.Name == termBuoyancy }) {
		t.Errorf("not by masses: %g g/min, %+v", bare.RateGPerMin, bare.Budget)
	}
}

// The rate within the fill is lifted as the fill's rate is.
func TestLiftOfAirWithinTheFill(t *testing.T) {
	x, y := make([]float64, 1800), make([]float64, 1800)
	for i := range x {
		x[i] = 0.1 * float64(i)
		y[i] = 0.2*x[i] + 0.001*math.Sin(float64(7*i*i%1000))
	}
	c, err := curve.New("tube1", curve.Gram, x, y)
	if err != nil {
		t.Fatal(err)
	}
	c.InAir = true
	r, err := Analyse(c, Options{Mode: Window, Density: &curve.Density{GPerML: 0.83}})
	if err != nil {
		t.Fatal(err)
	}
	f := r.Fills[0]
	if math.Abs(f.RateGPerMin/12.01557-1) > 2e-5 || len(f.Rolling) == 0 {
		t.Fatalf("%g g/min, %d points within", f.RateGPerMin, len(f.Rolling))
	}
	mean := 0.0
	for _, p := range f.Rolling {
		mean += p.Rate / float64(len(f.Rolling))
	}
	if math.Abs(mean/f.RateGPerMin-1) > 1e-4 {
		t.Errorf("within the fill %g g/min, over all %g", mean, f.RateGPerMin)
	}
}

// A rest that shows no creep halves what a hose may have pulled; a creeping one does not.
func TestHosePullByTheRest(t *testing.T) {
	none := rest{slope: math.NaN()}
	for _, tc := range []struct {
		name  string
		spanS float64
		after rest
		want  float64 // mg/min
	}{
		{"three minutes", 180, none, 50. / 3},
		{"a minute: at the same pace", 60, none, 50. / 3},
		{"an hour: once", 3600, none, 50. / 60},
		{"quiet rest", 180, rest{slope: 0, u: 1e-6, long: 120}, 25. / 3},
		{"rest that tells little", 180, rest{slope: 0, u: 1, long: 120}, 50. / 3},
		{"short rest", 180, rest{slope: 0, u: 1e-6, long: 30}, 50. / 3},
		{"creeping rest", 180, rest{slope: 1e-3, u: 1e-6, long: 120}, 50. / 3},
		{"slow creep", 180, rest{slope: 2e-4, u: 1e-6, long: 120}, 12.12},
	} {
		if got := 1000 * hoseHalf(tc.spanS, tc.after); math.Abs(got-tc.want) > 1e-9 {
			t.Errorf("%s: %g mg/min, want %g", tc.name, got, tc.want)
		}
	}
}

// Each term's advice, with what U would become; and none where the engine's own scatter
// is more than all that the bench leaves.
func TestAdvice(t *testing.T) {
	fill := func(perMin, spanS, scaleRelU, driftPerH float64, unit curve.Unit, fit slopeFit, d *curve.Density) Fill {
		f := Fill{Channel: "tube3", Unit: unit, Samples: int(80 * spanS), RateMLPerMin: math.NaN()}
		f.setBudget(perMin, fit, spanS, zeroDrift(driftPerH/3600).term(driftPerH, unit), rest{slope: math.NaN()}, curve.Curve{Unit: unit, ScaleRelU: scaleRelU, ScaleDF: 9}, d)
		return f
	}
	quiet := slopeFit{u: 1e-5, df: 300, white: 0.02}
	noisy := slopeFit{u: 0.4 * math.Sqrt(12/(80*math.Pow(20, 3))), df: 300, white: 0.4}
	wander := slopeFit{u: 0.01, df: 50, white: 0.001, walk: 0.13}
	assumed := &curve.Density{GPerML: 0.8325, U: 0.0125 / math.Sqrt(3)}
	for _, tc := range []struct {
		name string
		f    Fill
		says []string
	}{
		{"calibration", fill(9.6, 180, 0.01, 0.5, curve.Gram, quiet, nil), []string{"longer runs will not help: calibrate tube3", "±0.22 g/min would become ±0.022"}},
		{"density", fill(9.6, 180, 0.001, 0.5, curve.Gram, quiet, assumed), []string{"measure the density of the fuel", "±0.20 mL/min would become ±0.0"}},
		{"temperature", fill(9.6, 180, 0.001, 0.5, curve.Gram, quiet, &curve.Density{GPerML: 0.83, U: 0.0003, UTemp: 0.0035}), []string{"the fuel's temperature in the tubes to 1 °C"}},
		{"drift", fill(1, 180, 0.001, 3, curve.Gram, quiet, nil), []string{"let the bench warm up", "would become"}},
		{"noise", fill(2, 20, 0.001, 0.5, curve.Gram, noisy, nil), []string{"a longer run would help: 30 s more halve"}},
		{"hose", fill(0.5, 180, 0.001, 0.1, curve.Gram, quiet, nil), []string{"hang the hoses so that they bear on nothing", "300 s more halve"}},
		{"wander", fill(10, 180, 0.001, 0, curve.Millilitre, wander, nil), []string{"more"}},
		{"nothing worth it", fill(9.6, 180, 0.0005, 0.5, curve.Gram, quiet, nil), nil},
		{"wander, long", fill(10, 3600, 0.001, 0, curve.Millilitre, wander, nil), []string{"with 3600 s more", "would become"}},
		{"no flow", fill(0.001, 180, 0.0005, 0.5, curve.Gram, quiet, nil), nil},
	} {
		for _, says := range tc.says {
			if !strings.Contains(tc.f.Advice, says) {
				t.Errorf("%s: %q does not say %q", tc.name, tc.f.Advice, says)
			}
		}
		if tc.says == nil && tc.f.Advice != "" {
			t.Errorf("%s: %q", tc.name, tc.f.Advice)
		}
		t.Logf("%s: %s", tc.name, tc.f.Advice)
	}
}

// The advice keeps its word: the run that is as much longer has half the U.
func TestAdviceOfALongerRunKeepsItsWord(t *testing.T) {
	sd := 0.4
	at := func(spanS float64) Fill {
		f := Fill{Channel: "tube1", Unit: curve.Gram, Samples: int(80 * spanS), RateMLPerMin: math.NaN()}
		f.setBudget(2, slopeFit{u: sd * math.Sqrt(12/(80*math.Pow(spanS, 3))), df: 300, white: sd}, spanS, zeroDrift(0.5/3600).term(0.5, curve.Gram), rest{slope: math.NaN()}, curve.Curve{Unit: curve.Gram}, nil)
		return f
	}
	short, long, between := at(20), at(50), at(35)
	if !strings.Contains(short.Advice, "30 s more halve") || long.U95 > short.U95/2 || between.U95 > short.U95 {
		t.Errorf("±%g after 20 s, ±%g after 50 s: %s", short.U95, long.U95, short.Advice)
	}
}
