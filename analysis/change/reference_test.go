package change

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	exact "brimline/analysis/power"
)

// readTable reads a file of testdata: # comments, a header, rows of fields.
func readTable(t *testing.T, name string) (rows []map[string]string) {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var header []string
	for s := bufio.NewScanner(f); s.Scan(); {
		if strings.HasPrefix(s.Text(), "#") {
			continue
		}
		fields := strings.Split(s.Text(), ",")
		if header == nil {
			header = fields
			continue
		}
		row := map[string]string{}
		for i, h := range header {
			row[h] = fields[i]
		}
		rows = append(rows, row)
	}
	return rows
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// near compares at a relative tolerance.
func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s: got %.15g, want %.15g (relative %.1g)", what, got, want, rel)
	}
}

// Student (1908), extra sleep; t.test(drug2, drug1, var.equal = TRUE, mu = +-2), R 4.2.2.
func TestTwoSampleStudentSleep(t *testing.T) {
	var before, after, d []float64
	for _, r := range readTable(t, "tost_sleep.csv") {
		x, y := number(t, r["drug1"]), number(t, r["drug2"])
		before, after, d = append(before, x), append(after, y), append(d, y-x)
	}
	const rel = 1e-9 // the reference's own suggestion
	e := twoSample(before, after)
	near(t, "difference", e.diff, 1.58, rel)
	near(t, "df", e.df, 18, 0)
	near(t, "se", e.se, 0.849091017238762, rel)
	near(t, "p", e.p(), 0.0791867142159382, rel)
	lo, hi := e.interval(0.05)
	near(t, "lower", lo, -0.203874032287599, rel)
	near(t, "upper", hi, 3.3638740322876, rel)
	pLo, pHi := e.tost(-2, 2)
	near(t, "tost lower", pLo, 0.000259555972430621, rel)
	near(t, "tost upper", pHi, 0.313416367121335, rel)

	// The same data paired: the t tail at 9 degrees of freedom.
	n := float64(len(d))
	p := estimate{diff: mean(d), se: math.Sqrt(squares(d) / (n - 1) / n), df: n - 1}
	near(t, "paired se", p.se, 0.388958723888395, rel)
	near(t, "paired p", p.p(), 0.00283289019738427, rel)
	pLo, pHi = p.tost(-2, 2)
	near(t, "paired tost lower", pLo, 3.55234415924769e-06, rel)
	near(t, "paired tost upper", pHi, 0.154157235669097, rel)
}

// Percentage change and TOST within 5 % of paired logs, R 4.2.2.
func TestPercentOfInjectorMeans(t *testing.T) {
	var d []float64
	for _, r := range readTable(t, "tost_injector_means_4.csv") {
		d = append(d, math.Log(number(t, r["after"])/number(t, r["before"])))
	}
	const rel = 1e-9
	e := estimate{diff: mean(d), se: math.Sqrt(squares(d) / 3 / 4), df: 3}
	got := e.effect()
	near(t, "percent", got.Percent, -0.675125849636904, rel)
	near(t, "lower", got.CI95[0], -4.08737769364916, rel)
	near(t, "upper", got.CI95[1], 2.85852255686092, rel)
	near(t, "p", *got.P, 0.581081461896629, rel)
	m := math.Log(1.05)
	pLo, pHi := e.tost(-m, m)
	near(t, "tost lower", pLo, 0.0157340423128297, rel)
	near(t, "tost upper", pHi, 0.00745524812666902, rel)
}

// Crossed injectors and sessions; a session is a hanging. REML with Kenward-Roger
// (lme4 1.1.31, pbkrtest 0.5.2, emmeans 1.8.4.1) has 6 degrees of freedom here, not
// the 27 of a model without sessions; balanced, it must equal the two-sample t.
func TestCompareAgainstMixedModel(t *testing.T) {
	var in []Reading
	for _, r := range readTable(t, "ba_4x4_session_crossed.csv") {
		in = append(in, Reading{Injector: r["injector"], Phase: r["phase"], Hanging: r["session"], Run: "1", RateMLPerMin: number(t, r["rate"])})
	}
	got, err := Compare(in, Options{MarginPercent: 5})
	if err != nil {
		t.Fatal(err)
	}
	const rel = 1e-6 // that of the reference's variance optimum
	near(t, "percent", got.Effect.Percent, -9.97370635869176, rel)
	near(t, "lower", got.Effect.CI95[0], -13.0269182271981, rel)
	near(t, "upper", got.Effect.CI95[1], -6.81331072109301, rel)
	near(t, "df", *got.Effect.DF, 6, 1e-12)
	near(t, "p", *got.Effect.P, 0.000301144631012806, rel)
	near(t, "tost p", *got.Equivalence.P, 0.996404519906809, rel)
	if got.Decision != Lower {
		t.Errorf("decision %s, want lower", got.Decision)
	}

	// Variance components of the same fit: session 3.52428409950463e-4, residual
	// 1.80919067703215e-4; a hanging's set mean of 4 injectors has both.
	table := tabulated(t, in)
	f := fitTable(table, Options{})
	near(t, "hanging variance", f.hangingSD*f.hangingSD, 3.52428409950463e-4+1.80919067703215e-4/4, 1e-5)
	// The paired t over injectors (R: t -50.7684975974965, df 3) is the part of
	// "injectors like these" that leaves the hanging out; here it is 7 times too
	// narrow, and the scope must not fall below "this engine".
	paired := 0.105068406755713 / 50.7684975974965
	if f.like.se < f.engine.se || f.engine.se < 6*paired {
		t.Errorf("se: like these %g, this engine %g, paired %g", f.like.se, f.engine.se, paired)
	}
}

func tabulated(t *testing.T, in []Reading) table {
	t.Helper()
	var r Result
	if err := r.choosePhases(in, Options{}); err != nil {
		t.Fatal(err)
	}
	table, err := r.tabulate(in)
	if err != nil {
		t.Fatal(err)
	}
	return table
}

// qt of R 4.2.2.
func TestStudentQuantile(t *testing.T) {
	for _, c := range []struct{ p, df, want float64 }{
		{.975, 1, 12.7062047361747}, {.9995, 1, 636.61924876879}, {.975, 3, 3.18244630528371}, {.9995, 3, 12.923978636688},
		{.975, 3.0639, 3.1452255599112}, {.9995, 3.0639, 12.4779205995231}, {.975, 19, 2.09302405440831},
		{.9995, 19, 3.88340585259213}, {.975, 161.4, 1.97477103114894}, {.9995, 161.4, 3.35182602094963},
	} {
		near(t, "quantile", tQuantile(c.p, c.df), c.want, 1e-9)
	}
}

// power.t.test(strict = TRUE), R 4.2.2, pwr 1.3.0; exact TOST power by R's integrate.
func TestPower(t *testing.T) {
	for _, c := range []struct{ n, delta, want float64 }{ // paired, sd 1: df n-1
		{3, 0.5, 0.0841070558965017}, {3, 2, 0.470749431279045}, {4, 1, 0.288752416401842}, {8, 1, 0.680833958206362},
		{8, 2, 0.997601675199936}, {20, 0.5, 0.564504418439084},
	} {
		if got := exact.T(c.delta*math.Sqrt(c.n), c.n-1, 0.05); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("power of n %g, delta %g: %.12g, want %.12g", c.n, c.delta, got, c.want)
		}
	}
	for _, c := range []struct{ n, want float64 }{ // two samples of n, sd 1, power 0.8
		{3, 3.07089226636009}, {4, 2.38075421327031}, {5, 2.02443933938419}, {8, 1.50663422787625}, {20, 0.909129032682003},
	} {
		near(t, "smallest detectable", detectable(math.Sqrt(2/c.n), 2*c.n-2), c.want, 1e-7)
	}
	for _, c := range []struct{ delta, margin, se, df, want float64 }{
		{0, 0.25, 0.1, 3, 0.362000789767707}, {0.1, 0.25, 0.1, 3, 0.262980291372307}, {0, 0.5, 0.1, 3, 0.956912845450115},
		{0.1, 0.25, 0.2, 3, 0.0371214765217388}, {0, 0.25, 0.1, 19, 0.555748021655302},
	} {
		if got := exact.TOST(c.margin/c.se, c.delta/c.se, c.df, 0.05); math.Abs(got-c.want) > 1e-8 {
			t.Errorf("TOST power of %+v: %.12g", c, got)
		}
	}
	// Two samples, sd 1, delta 2, power 0.8: n 5.09, so 6 (without the wrong side,
	// which is under 1e-6 here). The margin of 2 is then shown to hold by fewer.
	if got := hangingsNeeded(2, 1); got != 6 {
		t.Errorf("hangings needed %d, want 6", got)
	}
	if got := hangingsNeeded(0.01, 1); got != 0 {
		t.Errorf("hangings needed %d for a hundredth of the scatter, want none", got)
	}
}
