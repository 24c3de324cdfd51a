package rate

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"testing"
)

func referenceBlocks(t *testing.T, name string) []block {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name+".csv"))
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
	var b []block
	for _, row := range rows[1:] {
		b = append(b, block{t: number(t, row[0]), y: number(t, row[1]), n: 1})
	}
	return b
}

// Slopes and standard errors of ordinary least squares by R 4.2.2 (lm) on published and
// simulated series: with no walk the filter gives them to nine digits, at even and at
// uneven times. (The program has no AR(1), Newey-West or Huber fit of its own to check.)
func TestFilterWithoutWalkIsLeastSquares(t *testing.T) {
	for _, tc := range []struct {
		name             string
		slope, se, sigma float64
	}{
		{"slope_fill_ar1", 0.23369301427816, 0.000164370715601803, 0.0226032147029634},
		{"slope_fill_irregular", 0.309530876020308, 0.000123415623306374, 0.0204515724966824},
		{"slope_fill_outliers", 0.233828038075093, 0.00183516093280331, 0.252359651941483},
		{"slope_lakehuron", -0.0242011106223189, 0.00403610790322284, 1.13028677883002},
		{"slope_nhtemp", 0.036921367046402, 0.00818797865453302, 1.09838002762038},
		{"slope_phones", 5.04147826086957, 1.65793742784098, 56.2233936349573},
	} {
		f := filter(referenceBlocks(t, tc.name), 0)
		near := func(what string, got, want float64) {
			t.Helper()
			if math.Abs(got-want) > 1e-9*math.Abs(want) {
				t.Errorf("%s: %s %.15g, R has %.15g", tc.name, what, got, want)
			}
		}
		near("slope", f.slope, tc.slope)
		near("standard error", math.Sqrt(f.s2*f.varSlope), tc.se)
		near("residual sd", math.Sqrt(f.s2), tc.sigma)
	}
}

// A fill with splashes: doubting them brings the slope to where robust fits have it, by R
// 4.2.2: Huber's 0.233104 with standard error 0.000182 (MASS rlm), MM 0.233044 with
// 0.000174 (robustbase lmrob), Theil-Sen 0.233126; ordinary least squares has 0.233828.
// Within two of their standard errors is as near as they are to each other.
func TestSplashesAreDoubted(t *testing.T) {
	c := fitCurve(referenceBlocks(t, "slope_fill_outliers"))
	f := c.evidence.fit(c.evidence.alone())
	for name, want := range map[string]float64{"Huber": 0.233104467828992, "MM": 0.233044215802584, "Theil-Sen": 0.233125866188769} {
		if math.Abs(f.slope-want) > 2*0.00018 {
			t.Errorf("slope %.6f, %s %.6f", f.slope, name, want)
		}
	}
	doubted := 0
	for _, k := range c.b {
		if k.doubt > 0 {
			doubted++
		}
	}
	if doubted < 4 || doubted > 8 {
		t.Errorf("%d of 61 values are doubted; six have a weight under 0.1 in Huber's fit", doubted)
	}
}

// Noise that is AR(1), as a walk and white noise do not make it: the interval of a fill
// alone still holds the slope of the AR(1) fit, and is no shorter than that fit's own
// (R 4.2.2, nlme gls, REML).
func TestAutocorrelatedNoiseIsNotTakenForWhite(t *testing.T) {
	for _, tc := range []struct {
		name      string
		slope, se float64
	}{
		{"slope_fill_ar1", 0.233751810291988, 0.000324559164335342},
		{"slope_fill_irregular", 0.309524092825459, 0.000187988726218015},
		{"slope_lakehuron", -0.0194345900994881, 0.0126641382334485},
		{"slope_nhtemp", 0.0371814748615635, 0.00943808147984518},
	} {
		c := fitCurve(referenceBlocks(t, tc.name))
		f := c.evidence.fit(c.evidence.alone())
		if half := Coverage95(f.df) * f.u; math.Abs(f.slope-tc.slope) > half || half < 1.96*tc.se {
			t.Errorf("%s: slope %.6g ± %.2g, the AR(1) fit has %.6g with standard error %.2g", tc.name, f.slope, half, tc.slope, tc.se)
		}
	}
}
