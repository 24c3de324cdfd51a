package report

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestFormatWithU(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		from         string
		value, u     float64
		wantV, wantU string
	}{
		// JCGM 100:2008, 7.2.6: 10,057 62 ohm with 27 milliohm is rounded to 10,058; 28,05 kHz to 28 kHz.
		{"GUM 7.2.6, ohm", 10.05762, 0.027, "10.058", "0.027"},
		{"GUM 7.2.6, kHz", 120.4, 28.05, "120", "28"},
		// JCGM 100:2008, H.3 (intercept, slope, value at 30 C), as in the reference data.
		{"GUM H.3, y1", -0.17120, 0.0029, "-0.1712", "0.0029"},
		{"GUM H.3, y2", 0.0021800, 0.00067, "0.00218", "0.00067"},
		{"GUM H.3, 30 C", -0.14940, 0.0041, "-0.1494", "0.0041"},
		// The rest follow from the rule itself.
		{"carry", 3.14159, 0.0996, "3.14", "0.10"},
		{"carry to one", 3.14159, 0.996, "3.1", "1.0"},
		{"ten", 123.456, 10.4, "123", "10"},
		{"hundred", 12345, 234, "12340", "230"},
		{"larger than the value", 0.3, 17, "0", "17"},
		{"no negative zero", -0.001, 0.23, "0.00", "0.23"},
		{"negative zero", math.Copysign(0, -1), 0.1, "0.00", "0.10"},
		{"no u", 13.4249, nan, "13.42", "–"},
		{"infinite u", 13.4249, inf, "13.42", "–"},
		{"zero u", 13.4249, 0, "13.42", "–"},
		{"negative u", 13.4249, -1, "13.42", "–"},
		{"no value", nan, 0.123, "–", "0.12"},
		{"infinite value", -inf, 0.123, "–", "0.12"},
		{"neither", nan, nan, "–", "–"},
		{"zero, no u", 0, nan, "0", "–"},
		{"too large to be one", 1e300, 1e299, "–", "–"},
		{"too small to write out", 1e-30, 1e-31, "1e-30", "–"},
	} {
		t.Run(c.from, func(t *testing.T) {
			v, u := FormatWithU(c.value, c.u)
			if v != c.wantV || u != c.wantU {
				t.Errorf("FormatWithU(%v, %v) = %q, %q, want %q, %q", c.value, c.u, v, u, c.wantV, c.wantU)
			}
		})
	}
}

// What is printed is never further from the number than half its last place, the
// uncertainty has two significant digits, and both have the same decimals.
func TestFormatWithUProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
		u := math.Pow(10, rapid.Float64Range(-6, 5).Draw(t, "log u"))
		vs, us := FormatWithU(value, u)
		v, err1 := strconv.ParseFloat(vs, 64)
		pu, err2 := strconv.ParseFloat(us, 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("%q %q: not numbers", vs, us)
		}
		place := math.Pow(10, math.Floor(math.Log10(pu)+1e-12)-1) // of the second digit of what is printed
		if math.Abs(pu-u) > 0.5001*place || math.Abs(v-value) > 0.5001*place {
			t.Fatalf("(%v, %v) printed %q, %q: off by more than half of %v", value, u, vs, us, place)
		}
		_, d1, _ := strings.Cut(vs, ".")
		_, d2, _ := strings.Cut(us, ".")
		if len(d1) != len(d2) {
			t.Fatalf("%q and %q have different decimals", vs, us)
		}
	})
}

func TestFormatInterval(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		v, lo, hi float64
		want      string
	}{
		{-3.4321, -5.81, -1.04, "-3.4 -5.8 -1.0"},
		{-3.4321, -35.81, 41.04, "-3 -36 41"},
		{0.01, -0.234, 0.254, "0.01 -0.23 0.25"},
		{2, -inf, inf, "2.00 -∞ ∞"},
		{2.345, -inf, 5, "2.3 -∞ 5.0"},
		{nan, nan, nan, "– – –"},
		{nan, -1, 1, "– -1.0 1.0"},
		{4, 4, 4, "4.00 4.00 4.00"},
	} {
		v, lo, hi := FormatInterval(c.v, c.lo, c.hi)
		if got := v + " " + lo + " " + hi; got != c.want {
			t.Errorf("FormatInterval(%v, %v, %v) = %q, want %q", c.v, c.lo, c.hi, got, c.want)
		}
	}
}

func TestFormatPAndDF(t *testing.T) {
	for p, want := range map[float64]string{0.0004: "< 0.001", 0: "< 0.001", 0.0123: "0.012", 0.0994: "0.099", 0.0997: "0.10", 0.5: "0.50", 1: "1.00", 1.2: "–", -1: "–"} {
		if got := FormatP(p); got != want {
			t.Errorf("FormatP(%v) = %q, want %q", p, got, want)
		}
	}
	if got := FormatP(math.NaN()); got != "–" {
		t.Errorf("FormatP(NaN) = %q", got)
	}
	for df, want := range map[float64]string{4: "4", 3.72: "3.7", 16.7: "17", math.Inf(1): "∞", math.Inf(-1): "–", -2: "–", 0: "0"} {
		if got := FormatDF(df); got != want {
			t.Errorf("FormatDF(%v) = %q, want %q", df, got, want)
		}
	}
	if got := FormatDF(math.NaN()); got != "–" {
		t.Errorf("FormatDF(NaN) = %q", got)
	}
}

func ExampleFormatWithU() {
	value, u := FormatWithU(13.42491, 0.2134)
	fmt.Println(value, "±", u, "mL/min")
	// Output: 13.42 ± 0.21 mL/min
}
