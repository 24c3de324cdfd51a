package report

import (
	"math"
	"strconv"
	"strings"
)

// missing stands where a number is not known.
const missing = "–"

// FormatWithU writes an uncertainty to two significant digits and the value to
// the same decimal place, as JCGM 100:2008 (GUM) 7.2.6 advises: 10.05762 with
// 0.027 is "10.058", "0.027". From u = 100 on both are rounded to tens, hundreds
// and so on. A value that is not finite is "–"; an uncertainty that is not known
// (NaN, infinite, zero or negative) is "–" and leaves the value four significant
// digits. Minus is the plain hyphen, for terminals.
func FormatWithU(value, u float64) (string, string) {
	dec, ok := decimals(u)
	switch {
	case !usable(value) && !ok:
		return missing, missing
	case !usable(value):
		return missing, fixed(u, dec)
	case !ok:
		return significant(value, 4), missing
	}
	return fixed(value, dec), fixed(u, dec)
}

// FormatInterval writes a value and the ends of its interval to the decimal place
// that FormatWithU would give for half the interval's width. An infinite end is
// "∞" or "-∞"; one that is not a number is "–".
func FormatInterval(value, lo, hi float64) (v, l, h string) {
	end := func(x float64, dec int, ok bool) string {
		switch {
		case math.IsInf(x, 1):
			return "∞"
		case math.IsInf(x, -1):
			return "-∞"
		case !usable(x):
			return missing
		case !ok:
			return significant(x, 3)
		}
		return fixed(x, dec)
	}
	half := (hi - lo) / 2
	if math.IsInf(half, 0) { // one finite end still tells the digits
		half = math.Min(math.Abs(value-lo), math.Abs(hi-value))
	}
	dec, ok := decimals(half)
	v = missing
	if usable(value) {
		v = end(value, dec, ok)
	}
	return v, end(lo, dec, ok), end(hi, dec, ok)
}

// FormatP writes a probability: two decimals from 0.1 up, three below, "< 0.001"
// below that, "–" when it is not known.
func FormatP(p float64) string {
	switch {
	case math.IsNaN(p) || p < 0 || p > 1:
		return missing
	case p < 0.001:
		return "< 0.001"
	case p < 0.0995:
		return strconv.FormatFloat(p, 'f', 3, 64)
	}
	return strconv.FormatFloat(p, 'f', 2, 64)
}

// FormatDF writes degrees of freedom: one decimal below 10, none above, "∞" for
// no limit, "–" when they are not known.
func FormatDF(df float64) string {
	switch {
	case math.IsInf(df, 1) || df >= 1e6:
		return "∞"
	case math.IsNaN(df) || df < 0:
		return missing
	case df == math.Trunc(df) || df >= 10:
		return strconv.FormatFloat(df, 'f', 0, 64)
	}
	return strconv.FormatFloat(df, 'f', 1, 64)
}

// decimals is the decimal place of the second significant digit of u, negative
// left of the point. Not ok: u is no uncertainty, or so small or large that it
// cannot be written out.
func decimals(u float64) (dec int, ok bool) {
	if !usable(u) || u < 1e-9 {
		return 0, false
	}
	// The 'e' form has rounded already, so 0.0996 counts as 0.10, not as 0.100.
	_, exp, _ := strings.Cut(strconv.FormatFloat(u, 'e', 1, 64), "e")
	e, err := strconv.Atoi(exp)
	return 1 - e, err == nil
}

// fixed writes v with dec decimals; a negative dec rounds to tens and up.
func fixed(v float64, dec int) string {
	if dec < 0 {
		p := math.Pow10(-dec)
		v, dec = math.RoundToEven(v/p)*p, 0
	}
	s := strconv.FormatFloat(v, 'f', dec, 64)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-") // no "-0.00"
	}
	return s
}

// significant writes v with n significant digits, without exponent where it fits.
func significant(v float64, n int) string {
	if v == 0 {
		return "0"
	}
	_, exp, _ := strings.Cut(strconv.FormatFloat(v, 'e', n-1, 64), "e")
	e, err := strconv.Atoi(exp)
	if err != nil || e < -6 {
		return strconv.FormatFloat(v, 'g', n, 64)
	}
	return fixed(v, max(0, n-1-e))
}

// typed writes a number as a person would have typed it, at most six decimals.
func typed(v float64) string {
	s := strconv.FormatFloat(v, 'f', 6, 64)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}

// typeset puts the true minus sign into a number.
func typeset(s string) string { return strings.ReplaceAll(s, "-", "−") }

// signed is typeset with a plus before what is above zero.
func signed(s string) string {
	if s == missing || s == "∞" || strings.HasPrefix(s, "-") || strings.Trim(s, "0.") == "" {
		return typeset(s)
	}
	return "+" + s
}

// withU writes "value ± u", with spaces that do not break.
func withU(value, u float64) string {
	v, w := FormatWithU(value, u)
	if w == missing {
		return typeset(v)
	}
	return typeset(v) + "\u00a0±\u00a0" + w
}
