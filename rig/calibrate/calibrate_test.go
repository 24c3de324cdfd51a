package calibrate_test

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"brimline/rig/calibrate"
)

// table reads one of the repository's published tables, without its heading line.
func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// thermometer is the calibration of JCGM 100:2008 (GUM), annex H.3, table H.6: the
// correction takes the part of the counts, the temperature less 20 °C that of the
// mass.
func thermometer(t *testing.T) []calibrate.Point {
	var points []calibrate.Point
	for _, row := range table(t, "gum_h3_data.csv") {
		points = append(points, calibrate.Point{MassG: number(t, row[1]) - 20, Counts: number(t, row[2])})
	}
	return points
}

func TestGUMThermometer(t *testing.T) {
	l, err := calibrate.Fit(thermometer(t))
	if err != nil {
		t.Fatal(err)
	}
	at30, u30 := l.Counts(10)
	var rss float64
	for _, r := range l.Residuals {
		rss += r * r
	}
	got := map[string]float64{
		"y1_C": l.Zero, "u_y1_C": l.UZero, "y2": l.Span, "u_y2": l.USpan,
		"r_y1_y2": l.CovZeroSpan / (l.UZero * l.USpan), "s_residual_C": l.ResidualSD,
		"rss_C2": rss, "b_at_30C": at30, "u_b_at_30C": u30, "dof": l.DF,
	}
	rows := table(t, "gum_h3_results.csv")
	if len(rows) != len(got) {
		t.Fatalf("%d published quantities, %d compared", len(rows), len(got))
	}
	for _, row := range rows {
		g, ok := got[row[0]]
		if !ok {
			t.Errorf("%s is published and not compared", row[0])
			continue
		}
		// To all of the eight digits or more that the table gives.
		if want := number(t, row[1]); math.Abs(g-want) > 2e-8*math.Abs(want) {
			t.Errorf("%s = %.12g, from the data to 50 digits %v", row[0], g, want)
		}
		// The GUM's own rounding.
		_, decimals, _ := strings.Cut(row[2], ".")
		if want := number(t, row[2]); math.Abs(g-want) > 0.5000001*math.Pow10(-len(decimals)) {
			t.Errorf("%s = %.6g, the GUM prints %s", row[0], g, row[2])
		}
	}
}

func TestGramsIsTheInverse(t *testing.T) {
	l, err := calibrate.Fit([]calibrate.Point{
		{MassG: 0, Counts: 1000}, {MassG: 100, Counts: 215_705}, {MassG: 200, Counts: 430_394},
		{MassG: 200, Counts: 430_401, MPEG: 0.010}, {MassG: 0, Counts: 1009},
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, grams := range []float64{0, 37.5, 150, 400} {
		counts, u := l.Counts(grams)
		g, ug, err := l.Grams(counts, 0)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(g-grams) > 1e-9 || math.Abs(ug-u/l.Span) > 1e-12 {
			t.Errorf("%g g: back to %g g, u %g, want u %g", grams, g, ug, u/l.Span)
		}
		_, with, err := l.Grams(counts, 20)
		if err != nil {
			t.Fatal(err)
		}
		if want := math.Hypot(ug, 20/l.Span); math.Abs(with-want) > 1e-12 {
			t.Errorf("%g g with 20 counts: u %g, want %g", grams, with, want)
		}
	}
}

// For loads 0, 0, m, m the span is the difference of means over m: an error of d g in
// m changes it by the part d/m, by hand.
func TestMassTolerance(t *testing.T) {
	points := []calibrate.Point{
		{MassG: 0, Counts: 10}, {MassG: 0, Counts: 14}, {MassG: 200, Counts: 400_012, MPEG: 0.010}, {MassG: 200, Counts: 400_012, MPEG: 0.010},
	}
	l, err := calibrate.Fit(points)
	if err != nil {
		t.Fatal(err)
	}
	if want := 2000 * 0.010 / math.Sqrt(3) / 200; math.Abs(l.USpanMass-want) > 1e-12 {
		t.Errorf("part of the masses %g, want %g: loading the same mass twice must not halve it", l.USpanMass, want)
	}
	if want := math.Hypot(l.USpanFit, l.USpanMass); l.USpan != want {
		t.Errorf("u(span) %g, want %g", l.USpan, want)
	}
	for i := range points {
		points[i].MPEG = 0
	}
	exact, err := calibrate.Fit(points)
	if err != nil {
		t.Fatal(err)
	}
	if exact.USpan != l.USpanFit || exact.UZero != l.UZero || exact.CovZeroSpan != l.CovZeroSpan {
		t.Errorf("tolerances changed more than the span's uncertainty: %+v and %+v", exact, l)
	}
}

func TestProperties(t *testing.T) {
	base := thermometer(t)
	want, err := calibrate.Fit(base)
	if err != nil {
		t.Fatal(err)
	}
	near := func(t *testing.T, what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 1e-9*math.Abs(want) {
			t.Errorf("%s = %.12g, want %.12g", what, got, want)
		}
	}
	t.Run("order does not matter", func(t *testing.T) {
		shuffled := append(append([]calibrate.Point{}, base[6:]...), base[:6]...)
		l, err := calibrate.Fit(shuffled)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "zero", l.Zero, want.Zero)
		near(t, "u(span)", l.USpan, want.USpan)
		near(t, "covariance", l.CovZeroSpan, want.CovZeroSpan)
	})
	t.Run("units scale", func(t *testing.T) {
		var scaled []calibrate.Point
		for _, p := range base {
			scaled = append(scaled, calibrate.Point{MassG: p.MassG * 1000, Counts: p.Counts * 7})
		}
		l, err := calibrate.Fit(scaled)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "zero", l.Zero, want.Zero*7)
		near(t, "span", l.Span, want.Span*7/1000)
		near(t, "u(zero)", l.UZero, want.UZero*7)
		near(t, "u(span)", l.USpan, want.USpan*7/1000)
		near(t, "covariance", l.CovZeroSpan, want.CovZeroSpan*49/1000)
	})
	t.Run("equal uncertainties are no weights", func(t *testing.T) {
		var same []calibrate.Point
		for _, p := range base {
			p.UCounts = 0.02
			same = append(same, p)
		}
		l, err := calibrate.Fit(same)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "zero", l.Zero, want.Zero)
		near(t, "u(zero)", l.UZero, want.UZero)
		near(t, "residual sd", l.ResidualSD, want.ResidualSD)
		if !l.Weighted {
			t.Error("not said to be weighted")
		}
	})
	t.Run("weight two is a point twice", func(t *testing.T) {
		twice := append(append([]calibrate.Point{}, base...), base[3])
		a, err := calibrate.Fit(twice)
		if err != nil {
			t.Fatal(err)
		}
		var weighted []calibrate.Point
		for i, p := range base {
			p.UCounts = 1
			if i == 3 {
				p.UCounts = math.Sqrt(0.5)
			}
			weighted = append(weighted, p)
		}
		b, err := calibrate.Fit(weighted)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "zero", b.Zero, a.Zero)
		near(t, "span", b.Span, a.Span)
		// The same sum of squares over one degree of freedom less.
		near(t, "u(span)", b.USpan*math.Sqrt(b.DF), a.USpan*math.Sqrt(a.DF))
	})
}

func TestFitRefuses(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := []calibrate.Point{{MassG: 0, Counts: 1}, {MassG: 100, Counts: 200}, {MassG: 200, Counts: 410}}
	with := func(i int, p calibrate.Point) []calibrate.Point {
		c := append([]calibrate.Point{}, good...)
		c[i] = p
		return c
	}
	for _, c := range []struct {
		name   string
		points []calibrate.Point
		says   string
	}{
		{"none", nil, "0 points"},
		{"two", good[:2], "at least 3"},
		{"one mass", []calibrate.Point{{MassG: 50, Counts: 1}, {MassG: 50, Counts: 2}, {MassG: 50, Counts: 3}}, "at 50 g"},
		{"mass not a number", with(1, calibrate.Point{MassG: nan, Counts: 2}), "point 2 of 3: mass (g) is NaN"},
		{"counts not finite", with(2, calibrate.Point{MassG: 1, Counts: inf}), "point 3 of 3: counts is +Inf"},
		{"tolerance not a number", with(0, calibrate.Point{MPEG: nan}), "tolerance"},
		{"negative tolerance", with(0, calibrate.Point{MPEG: -1}), "negative"},
		{"negative uncertainty", with(0, calibrate.Point{UCounts: -1}), "negative"},
		{"weights for some", with(0, calibrate.Point{UCounts: 1}), "1 of 3"},
		{"deaf cell", []calibrate.Point{{MassG: 0, Counts: 77_777}, {MassG: 100, Counts: 77_777}, {MassG: 200, Counts: 77_777}}, "does not feel"},
		{"deaf cell at zero", []calibrate.Point{{MassG: 0}, {MassG: 100}, {MassG: 200}}, "does not feel"},
		{"too large", []calibrate.Point{{MassG: 0, Counts: 1e300}, {MassG: 100, Counts: -1e300}, {MassG: 200, Counts: -1e300}}, "too large"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := calibrate.Fit(c.points)
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("got %+v, %v; want an error that says %q", l, err, c.says)
			}
		})
	}
	if _, _, err := (calibrate.Line{}).Grams(1, 0); err == nil {
		t.Error("grams from a line without span: no error")
	}
	l, err := calibrate.Fit(good)
	if err != nil {
		t.Fatal(err)
	}
	for _, bad := range [][2]float64{{nan, 0}, {inf, 0}, {1, nan}, {1, -1}, {1, inf}} {
		if _, _, err := l.Grams(bad[0], bad[1]); err == nil {
			t.Errorf("grams of %g ± %g counts: no error", bad[0], bad[1])
		}
	}
}

func TestMPEIsTheStandardsTable(t *testing.T) {
	rows := table(t, "gum_oiml_r111_mpe.csv")
	if len(rows) != 7 {
		t.Fatalf("%d masses in the table, want 7", len(rows))
	}
	for _, row := range rows {
		for i, class := range []string{"F2", "M1", "M2"} {
			got, err := calibrate.MPE(class, number(t, row[0]))
			if err != nil {
				t.Fatal(err)
			}
			if want := number(t, row[i+1]) / 1000; math.Abs(got-want) > 1e-12 {
				t.Errorf("%s %s g: %g g, the table gives %g", class, row[0], got, want)
			}
		}
	}
	if _, err := calibrate.MPE("Z9", 100); err == nil || !strings.Contains(err.Error(), "Z9") {
		t.Errorf("unknown class: %v", err)
	}
	if _, err := calibrate.MPE("M1", 30); err == nil || !strings.Contains(err.Error(), "30 g") {
		t.Errorf("unknown mass: %v", err)
	}
}

func TestCertificateComesBack(t *testing.T) {
	points := []calibrate.Point{{MassG: 0, Counts: 1}, {MassG: 100, Counts: 200_000, MPEG: 0.005}, {MassG: 200, Counts: 400_012, MPEG: 0.010}}
	l, err := calibrate.Fit(points)
	if err != nil {
		t.Fatal(err)
	}
	temp := 18.5
	for _, tempC := range []*float64{&temp, nil} {
		c := calibrate.Certificate{
			Channel: "tube1", At: time.Date(2031, 3, 4, 9, 30, 0, 0, time.UTC), By: "the storekeeper",
			TempC: tempC, MassClass: "M1", Points: points, Line: l,
		}
		text, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		var back calibrate.Certificate
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatal(err)
		}
		again, err := json.Marshal(back)
		if err != nil {
			t.Fatal(err)
		}
		if string(again) != string(text) {
			t.Errorf("written, read and written again:\n%s\n%s", text, again)
		}
		if back.Line.Span != l.Span || back.Line.CovZeroSpan != l.CovZeroSpan || back.Line.ToG != 200 {
			t.Errorf("line %+v came back as %+v", l, back.Line)
		}
	}
}

func BenchmarkFit(b *testing.B) {
	points := []calibrate.Point{{MassG: 0, Counts: 1}, {MassG: 50, Counts: 100_003}, {MassG: 100, Counts: 200_000}, {MassG: 200, Counts: 400_012}, {MassG: 0, Counts: 3}}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := calibrate.Fit(points); err != nil {
			b.Fatal(err)
		}
	}
}
