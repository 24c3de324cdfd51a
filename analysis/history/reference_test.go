package history

import (
	"bufio"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// table reads a CSV file with a header and comments; cells that are no numbers are NaN.
func table(t *testing.T, name string) map[string][]float64 {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var head []string
	out := map[string][]float64{}
	for s := bufio.NewScanner(f); s.Scan(); {
		if strings.HasPrefix(s.Text(), "#") || s.Text() == "" {
			continue
		}
		cells := strings.Split(s.Text(), ",")
		if head == nil {
			head = cells
			continue
		}
		for i, h := range head {
			v, err := strconv.ParseFloat(cells[i], 64)
			if err != nil {
				v = math.NaN()
			}
			out[h] = append(out[h], v)
		}
	}
	return out
}

// results reads a reference case.
func results[T any](t *testing.T, name string) (v T) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	var all struct{ Results json.RawMessage }
	if err := json.Unmarshal(text, &all); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(all.Results, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*max(math.Abs(want), 1e-12)) {
		t.Errorf("%s: %.15g, want %.15g", what, got, want)
	}
}

// NIST/SEMATECH e-Handbook 6.3.2.4: published values have two decimals, limits four.
func TestEWMAOfTheHandbook(t *testing.T) {
	c := table(t, "ewma_nist.csv")
	chart := EWMA{Lambda: 0.3, L: 3, Target: 50, SD: 2.0539}
	for i, p := range chart.Points(c["x"]) {
		if math.Abs(p.Value-c["ewma_published"][i]) > 0.005001 || p.Out {
			t.Errorf("point %d: %v, published %v and none out", i+1, p, c["ewma_published"][i])
		}
		near(t, "ewma", p.Value, c["ewma_computed"][i], 1e-9)
		near(t, "upper", p.Upper, c["ucl_time_varying"][i], 1e-7)
		near(t, "lower", p.Lower, c["lcl_time_varying"][i], 1e-7)
	}
	lo, hi := chart.Limits()
	if math.Abs(lo-47.4115) > 5e-4 || math.Abs(hi-52.5884) > 5e-4 { // the Handbook rounds s
		t.Errorf("limits %.4f and %.4f, published 47.4115 and 52.5884", lo, hi)
	}
}

// NIST/SEMATECH e-Handbook 6.3.2.3: k 0.3175, h 4.1959 in the unit of the data.
func TestCUSUMOfTheHandbook(t *testing.T) {
	c := table(t, "cusum_nist.csv")
	for i, p := range (CUSUM{Target: 325, K: 0.3175, H: 4.1959}).Points(c["x"]) {
		if math.Abs(p.Upper-c["s_hi"][i]) > 1e-9 || math.Abs(p.Lower-c["s_lo"][i]) > 1e-9 || p.Out != (c["signal"][i] == 1) {
			t.Errorf("point %d: %+v, want %v %v %v", i+1, p, c["s_hi"][i], c["s_lo"][i], c["signal"][i])
		}
		if i == 13 && p.Since != 2 { // the mean rises at 13, the first signal is at 14
			t.Errorf("at the signal the sum has been up for %d points, want 2", p.Since)
		}
	}
}

type ewmaCase struct {
	Lambda, L, Mu, SD float64
	Z                 []float64
	UCL               []float64 `json:"ucl_time_varying"`
	LCL               []float64 `json:"lcl_time_varying"`
	Out               []int     `json:"out_time_varying"`
}

type cusumCase struct {
	Mu, SD float64
	K      float64 `json:"k_sigma"`
	H      float64 `json:"h_sigma"`
	Head   float64 `json:"head_start_fraction"`
	Upper  []float64
	Lower  []float64
	NPlus  []int `json:"n_plus"`
	NMinus []int `json:"n_minus"`
	OutUp  []int `json:"out_upper"`
	OutLow []int `json:"out_lower"`
}

// Montgomery's example and the Nile, from the definitions in R 4.2.2.
func TestChartsAgainstR(t *testing.T) {
	for _, name := range []string{"chart_montgomery_cusum", "chart_nile"} {
		var x []float64
		for head, column := range table(t, name+".csv") {
			if head != "index" {
				x = column
			}
		}
		type all struct {
			EWMA  []ewmaCase
			Slow  ewmaCase  `json:"ewma_L2.7_lambda0.1"`
			H4    cusumCase `json:"cusum_k0.5_h4"`
			H5    cusumCase `json:"cusum_k0.5_h5"`
			Start cusumCase `json:"cusum_head_start"`
			Each  struct {
				SD float64 `json:"sigma_from_mr"`
			} `json:"individuals"`
		}
		want := results[all](t, name+".json")
		for _, w := range append(want.EWMA, want.Slow) {
			var out []int
			for i, p := range (EWMA{w.Lambda, w.L, w.Mu, w.SD}).Points(x) {
				near(t, name+" z", p.Value, w.Z[i], 1e-10)
				near(t, name+" upper", p.Upper, w.UCL[i], 1e-10)
				near(t, name+" lower", p.Lower, w.LCL[i], 1e-10)
				if p.Out {
					out = append(out, i+1)
				}
			}
			if !slices.Equal(out, w.Out) {
				t.Errorf("%s, lambda %g: out %v, want %v", name, w.Lambda, out, w.Out)
			}
		}
		for _, w := range []cusumCase{want.H4, want.H5, want.Start} {
			var out, both []int
			for i, p := range (CUSUM{w.Mu, w.K * w.SD, w.H * w.SD, w.Head * w.H * w.SD}).Points(x) {
				if math.Abs(p.Upper-w.Upper[i]) > 1e-9*w.SD || math.Abs(p.Lower-w.Lower[i]) > 1e-9*w.SD {
					t.Errorf("%s, point %d: %v, want %v and %v", name, i+1, p, w.Upper[i], w.Lower[i])
				}
				n := w.NPlus[i]
				if w.Lower[i] > w.Upper[i] {
					n = w.NMinus[i]
				}
				// R's sums of what should be zero may be 1e-16 and count.
				if max(w.Upper[i], w.Lower[i]) > 1e-9*w.SD && p.Since != n {
					t.Errorf("%s, point %d: since %d, want %d", name, i+1, p.Since, n)
				}
				if p.Out {
					out = append(out, i+1)
				}
				if slices.Contains(w.OutUp, i+1) || slices.Contains(w.OutLow, i+1) {
					both = append(both, i+1)
				}
			}
			if !slices.Equal(out, both) {
				t.Errorf("%s, h %g: out %v, want %v", name, w.H, out, both)
			}
		}
		labels := make([]string, len(x))
		if c := chartOf(name, labels, x, len(x)); c == nil {
			t.Errorf("%s: no chart", name)
		} else {
			near(t, name+" SD from neighbours", c.SD, want.Each.SD, 1e-9)
		}
	}
	d := results[[]struct {
		N  int
		D2 float64
	}](t, "chart_constants_a.json")
	near(t, "d2", d2, d[0].D2, 1e-9)
}

// runLength is the mean run length of a chart whose state moves by a density on (lo, hi): the
// integral equation L(s) = 1 + [L(0) P(s to 0)] + int L(u) f(s, u) du (Crowder, Technometrics
// 29 (1987) 401; Page 1954), at nodes of Gauss and Legendre.
func runLength(lo, hi, start float64, toZero func(s float64) float64, density func(s, u float64) float64) float64 {
	const n = 80
	x, w := make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, lo, hi)
	at := append([]float64{start}, x...) // the start is a node of weight none
	a, b := mat.NewDense(n+1, n+1, nil), mat.NewVecDense(n+1, nil)
	for i, s := range at {
		b.SetVec(i, 1)
		for j, u := range x {
			a.Set(i, j+1, -w[j]*density(s, u))
		}
		a.Set(i, 0, a.At(i, 0)-toZero(s))
		a.Set(i, i, a.At(i, i)+1)
	}
	var l mat.VecDense
	if err := l.SolveVec(a, b); err != nil && l.Len() == 0 { // poorly conditioned where runs are very long: then 1/ARL is none
		return math.NaN()
	}
	return l.AtVec(0)
}

func ewmaRunLength(lambda, l, shift float64) float64 {
	h := l * math.Sqrt(lambda/(2-lambda))
	return runLength(-h, h, 0, func(float64) float64 { return 0 }, func(s, u float64) float64 {
		return distuv.Normal{Mu: shift, Sigma: 1}.Prob((u-(1-lambda)*s)/lambda) / lambda
	})
}

func cusumRunLength(k, h, shift float64) float64 {
	n := distuv.Normal{Mu: shift, Sigma: 1}
	return runLength(0, h, 0, func(s float64) float64 { return n.CDF(k - s) }, func(s, u float64) float64 { return n.Prob(u - s + k) })
}

// The limits that were chosen give the false alarms that the charts say, by R's spc 0.6.7
// and by the integral equation.
func TestRunLengthsOfTheLimits(t *testing.T) {
	type all struct {
		EWMA []struct {
			Lambda, L float64
			Shift     float64 `json:"shift_sigma"`
			ARL       float64
		} `json:"ewma_two_sided_fixed_limits"`
		One []struct {
			K, H  float64
			Shift float64 `json:"shift_sigma"`
			ARL   float64
		} `json:"cusum_one_sided"`
		Two []struct {
			K, H  float64
			Shift float64 `json:"shift_sigma"`
			ARL   float64
		} `json:"cusum_two_sided"`
	}
	want := results[all](t, "arl_a.json")
	found := 0
	for _, w := range want.EWMA {
		near(t, "EWMA", ewmaRunLength(w.Lambda, w.L, w.Shift), w.ARL, 1e-4)
		if w.Lambda == ewmaLambda && w.L == ewmaL && w.Shift == 0 {
			found++
			near(t, "EWMA's false alarms", w.ARL, falseAlarm, 0.01)
		}
	}
	for _, w := range want.One {
		near(t, "CUSUM", cusumRunLength(w.K, w.H, w.Shift), w.ARL, 1e-4)
	}
	for _, w := range want.Two {
		// Both sides: 1/ARL = 1/ARL up + 1/ARL down (Kemp 1961; exact for these sums).
		both := 1 / (1/cusumRunLength(w.K, w.H, w.Shift) + 1/cusumRunLength(w.K, w.H, -w.Shift))
		near(t, "CUSUM, both sides", both, w.ARL, 1e-4)
		if w.K == cusumK && w.H == cusumH && w.Shift == 0 {
			found++
			near(t, "CUSUM's false alarms", w.ARL, falseAlarm, 0.01)
		}
	}
	if found != 2 {
		t.Errorf("%d of the 2 limits chosen are in the reference", found)
	}
}

// The place of a step, against strucchange 1.5.3 (Fstats from 0.15 of the values).
func TestSuspectAgainstStrucchange(t *testing.T) {
	for name, none := range map[string]bool{"change_nile": false, "change_sim_levels": false, "change_sim_none": true} {
		y := table(t, name+".csv")["y"]
		want := results[struct {
			SupF struct {
				Statistic float64
				Argmax    int
			}
		}](t, name+".json").SupF
		ones := make([]float64, len(y))
		for i := range ones {
			ones[i] = 1
		}
		last, f, p, _, ok := Suspect(y, [][]float64{ones}, int(0.15*float64(len(y))))
		near(t, name+" F", f, want.Statistic, 1e-8)
		if !ok || last != want.Argmax || (p >= alpha) != none {
			t.Errorf("%s: at %d, p %.2g; want %d, none %v", name, last, p, want.Argmax, none)
		}
	}
	for _, y := range [][]float64{nil, {1}, {1, 1, 1, 1}, {1, 1, 2, 2}} {
		ones := make([]float64, len(y))
		for i := range ones {
			ones[i] = 1
		}
		if _, _, p, _, ok := Suspect(y, [][]float64{ones}, 2); ok || math.IsNaN(p) {
			t.Errorf("%v: p %v, %v", y, p, ok)
		}
	}
}

// Bland and Altman 1986; the published limits are of 2 SD.
func TestAgreeAsPublished(t *testing.T) {
	c := table(t, "bland_altman_1986.csv")
	var d []float64
	for i, a := range c["method_a"] {
		d = append(d, a-c["method_b"][i])
	}
	l, err := Agree(d, nil)
	if err != nil {
		t.Fatal(err)
	}
	want := table(t, "bland_altman_1986_results.csv")["computed"]
	for i, got := range []float64{l.Mean, l.SD, l.Mean - 2*l.SD, l.Mean + 2*l.SD, l.Lower, l.Upper, l.SEMean, math.Sqrt(3) * l.SD / math.Sqrt(17), l.SELimit} {
		// The file has four decimals, and 1.96 for 1.95996.
		if math.Abs(got-want[i]) > 2e-3 {
			t.Errorf("figure %d: %.4f, want %.4f", i, got, want[i])
		}
	}
	for i, got := range []float64{l.Mean, l.SD, l.Mean - 2*l.SD, l.Mean + 2*l.SD, l.SEMean} {
		published := []float64{-2.1, 38.8, -79.7, 75.5, 9.4}[i]
		if math.Abs(got-published) > 0.1 { // they went on from rounded figures
			t.Errorf("figure %d: %.2f, published %.1f", i, got, published)
		}
	}
}

func TestByEyeAsBudgeted(t *testing.T) {
	f, err := os.ReadFile(filepath.Join("testdata", "budget_by_eye.csv"))
	if err != nil {
		t.Fatal(err)
	}
	var u []float64
	for _, line := range strings.Split(string(f), "\n") {
		cells := strings.Split(line, ",")
		if strings.HasPrefix(line, "#") || len(cells) < 7 || cells[len(cells)-2] == "u_pct" {
			continue
		}
		v, err := strconv.ParseFloat(cells[len(cells)-2], 64)
		if err != nil {
			t.Fatal(err)
		}
		u = append(u, v)
	}
	parts := ByEye(35, 180)
	var all, scatter float64
	for i, p := range parts {
		near(t, p.Name, p.Percent, u[i], 1e-4)
		all += p.Percent * p.Percent
		if !p.Fixed {
			scatter += p.Percent * p.Percent
		}
	}
	near(t, "combined", math.Sqrt(all), u[len(parts)], 1e-4)
	near(t, "what hand readings are weighted by", byEye, math.Sqrt(scatter)/100, 0.005)
}

// begun is when the made-up histories of these tests begin.
var begun = time.Date(2021, 3, 1, 0, 0, 0, 0, time.UTC)

// single is one injector with one reading a test, its log rates y, at odometers.
func single(y, odometer []float64) Input {
	in := Input{Engine: "Sprayer 1", Unit: "h"}
	for i := range y {
		label := "T" + strconv.Itoa(i+1)
		in.Tests = append(in.Tests, Test{Label: label, At: begun.AddDate(0, i, 0), Odometer: odometer[i]})
		in.Readings = append(in.Readings, Reading{Test: label, Hanging: "1", Run: "1", Means: ByRig, Position: 1, RateMLPerMin: math.Exp(y[i])})
	}
	return in
}

// Drift of one injector read once a test is the slope of least squares: New Haven's
// temperatures and the level of Lake Huron by year, R 4.2.2.
func TestDriftIsLeastSquares(t *testing.T) {
	for name, column := range map[string]string{"slope_nhtemp": "temp", "slope_lakehuron": "level"} {
		c := table(t, name+".csv")
		by := 10.0 // a rate of exp(580) is none
		if column == "level" {
			by = 100
		}
		var y, km []float64
		for i, v := range c[column] {
			y, km = append(y, v/by), append(km, 1000*(c["year"][i]-c["year"][0]))
		}
		r, err := Analyse(single(y, km), Options{By: Distance})
		if err != nil {
			t.Fatal(err)
		}
		want := results[struct {
			OLS struct {
				Coefficients []struct{ Estimate, SE, DF, P float64 }
				CI95         [][2]float64
			}
		}](t, name+".json").OLS
		d := r.mainDrift()
		if d == nil {
			t.Fatalf("%s: no drift: %+v", name, r.Doubts)
		}
		near(t, name, d.log*by, want.Coefficients[1].Estimate, 1e-8)
		near(t, name+" se", d.se*by, want.Coefficients[1].SE, 1e-8)
		near(t, name+" df", *d.DF, want.Coefficients[1].DF, 1e-12)
		near(t, name+" p", *d.P, want.Coefficients[1].P, 1e-6)
		for i, v := range want.CI95[1] {
			near(t, name+" interval", d.CI95[i], percent(v/by), 1e-8)
		}
	}
}

// Without drift the step at one event is Student's t on the tests before and after.
func TestStepIsStudentsT(t *testing.T) {
	c := table(t, "tost_sleep.csv")
	y := append(slices.Clone(c["drug1"]), c["drug2"]...)
	in := single(y, make([]float64, len(y)))
	in.Events = []Event{{Kind: "dose", At: begun.AddDate(0, 9, 10), Odometer: math.NaN()}}
	r, err := Analyse(in, Options{By: Date, NoDrift: true})
	if err != nil {
		t.Fatal(err)
	}
	want := results[struct {
		Student struct {
			Estimate, SE, DF, P float64
			CI                  [2]float64
		}
	}](t, "tost_sleep.json").Student
	if len(r.Steps) != 1 || r.Steps[0].Change == nil || len(r.Drift) != 0 {
		t.Fatalf("steps %+v, drift %+v", r.Steps, r.Drift)
	}
	s := r.Steps[0].Change
	near(t, "step", s.log, want.Estimate, 1e-9)
	near(t, "se", s.se, want.SE, 1e-9)
	near(t, "df", *s.DF, want.DF, 1e-12)
	near(t, "p", *s.P, want.P, 1e-8)
	near(t, "low", s.CI95[0], percent(want.CI[0]), 1e-8)
	near(t, "high", s.CI95[1], percent(want.CI[1]), 1e-8)
}
