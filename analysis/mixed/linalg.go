package mixed

import (
	"math"

	"gonum.org/v1/gonum/floats"
)

// Matrices are flat and row by row. The sizes here go from 1 to a few hundred, and
// often to 0 (no second random effect), which is why these few loops are our own.

// cholesky puts the lower factor of the symmetric n by n matrix a in its place; what
// is above the diagonal stays. It reports whether a is positive definite.
func cholesky(a []float64, n int) bool {
	for i := range n {
		ri := a[i*n : i*n+n]
		for j := range i + 1 {
			rj := a[j*n : j*n+n]
			s := ri[j] - dot(ri[:j], rj[:j])
			if i != j {
				ri[j] = s / rj[j]
				continue
			}
			if !(s > 0) || math.IsInf(s, 1) {
				return false
			}
			ri[i] = math.Sqrt(s)
		}
	}
	return true
}

// logDet is twice the sum of logs of a factor's diagonal.
func logDet(l []float64, n int) float64 {
	var s float64
	for i := range n {
		s += math.Log(l[i*n+i])
	}
	return 2 * s
}

// solveLower turns b (n by k) into L^-1 b.
func solveLower(l []float64, n int, b []float64, k int) {
	for i := range n {
		bi := b[i*k : i*k+k]
		for j, v := range l[i*n : i*n+i] {
			addScaled(bi, -v, b[j*k:j*k+k])
		}
		scale(bi, 1/l[i*n+i])
	}
}

// solveLowerT turns b (n by k) into L'^-1 b.
func solveLowerT(l []float64, n int, b []float64, k int) {
	for i := n - 1; i >= 0; i-- {
		bi := b[i*k : i*k+k]
		scale(bi, 1/l[i*n+i])
		for j, v := range l[i*n : i*n+i] {
			addScaled(b[j*k:j*k+k], -v, bi)
		}
	}
}

// inverseOf returns (L L')^-1.
func inverseOf(l []float64, n int) []float64 {
	b := identity(n)
	solveLower(l, n, b, n)
	out := make([]float64, n*n)
	addGram(out, 1, b, n, b, n, n)
	return out
}

func identity(n int) []float64 {
	b := make([]float64, n*n)
	for i := range n {
		b[i*n+i] = 1
	}
	return b
}

// addGram adds f A'B to c (ka by kb), where A is n by ka and B is n by kb.
func addGram(c []float64, f float64, a []float64, ka int, b []float64, kb, n int) {
	for i := range n {
		bi := b[i*kb : i*kb+kb]
		for j, v := range a[i*ka : i*ka+ka] {
			if v != 0 { // most effects meet few of the others
				addScaled(c[j*kb:j*kb+kb], f*v, bi)
			}
		}
	}
}

// addProduct adds f A B to c (n by k), where A is n by m with rows of stride sa, and
// B is m by k.
func addProduct(c []float64, f float64, a []float64, sa, n, m int, b []float64, k int) {
	for i := range n {
		ci := c[i*k : i*k+k]
		for j, v := range a[i*sa : i*sa+m] {
			if v != 0 {
				addScaled(ci, f*v, b[j*k:j*k+k])
			}
		}
	}
}

// sub is a copy of columns from..from+k of a, n rows of stride s.
func sub(a []float64, s, n, from, k int) []float64 {
	out := make([]float64, n*k)
	for i := range n {
		copy(out[i*k:i*k+k], a[i*s+from:])
	}
	return out
}

func mirror(a []float64, n int) {
	for i := range n {
		for j := range i {
			a[j*n+i] = a[i*n+j]
		}
	}
}

// long is from where on gonum's vector instructions pay for the call.
const long = 16

func dot(a, b []float64) float64 {
	b = b[:len(a)]
	if len(a) >= long {
		return floats.Dot(a, b)
	}
	var s float64
	for i, v := range a {
		s += v * b[i]
	}
	return s
}

// addScaled adds f x to dst.
func addScaled(dst []float64, f float64, x []float64) {
	x = x[:len(dst)]
	if len(dst) >= long {
		floats.AddScaled(dst, f, x)
		return
	}
	for i := range dst {
		dst[i] += f * x[i]
	}
}

func scale(x []float64, f float64) {
	for i := range x {
		x[i] *= f
	}
}

func maxAbs(x []float64) float64 {
	var m float64
	for _, v := range x {
		m = math.Max(m, math.Abs(v))
	}
	return m
}

// quadratic is a'Mb for a square M.
func quadratic(a, m, b []float64) float64 {
	var s float64
	for i, v := range a {
		if v != 0 {
			s += v * dot(m[i*len(b):(i+1)*len(b)], b)
		}
	}
	return s
}
