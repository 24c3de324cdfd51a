package history

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// lsq is weighted least squares of y on columns, of which some may follow from others:
// those are dropped, and what then is no longer determined is known.
type lsq struct {
	kept    []int
	beta    []float64 // of the kept
	inv     *mat.Dense
	depends map[int][]float64 // a dropped column as a sum of the kept
	rss     float64
}

// dependent is what is left of a column, relative, that counts as none.
const dependent = 1e-9

func solve(cols [][]float64, y, w []float64) lsq {
	out := lsq{depends: map[int][]float64{}}
	dot := func(a, b []float64) (s float64) {
		for i, v := range a {
			s += w[i] * v * b[i]
		}
		return s
	}
	var q [][]float64
	for j, c := range cols {
		v := append([]float64(nil), c...)
		size := dot(v, v)
		for range 2 {
			for _, u := range q {
				s := dot(u, v)
				for i := range v {
					v[i] -= s * u[i]
				}
			}
		}
		if left := dot(v, v); left > dependent*dependent*size {
			norm := math.Sqrt(left)
			for i := range v {
				v[i] /= norm
			}
			q = append(q, v)
			out.kept = append(out.kept, j)
		} else {
			out.depends[j] = nil
		}
	}
	// With X = QR of the kept columns, beta = R^-1 Q'y and (X'WX)^-1 = R^-1 R^-T.
	p := len(out.kept)
	if p == 0 {
		out.rss = dot(y, y)
		return out
	}
	r := mat.NewTriDense(p, mat.Upper, nil)
	for a := range p {
		for b := a; b < p; b++ {
			r.SetTri(a, b, dot(q[a], cols[out.kept[b]]))
		}
	}
	var rInv mat.TriDense
	_ = rInv.InverseTri(r) // its error is a poor condition, which dropping dependent columns has bounded
	on := func(v []float64) []float64 {
		qy := mat.NewVecDense(p, nil)
		for a := range p {
			qy.SetVec(a, dot(q[a], v))
		}
		var b mat.VecDense
		b.MulVec(&rInv, qy)
		return b.RawVector().Data
	}
	out.beta = on(y)
	out.inv = mat.NewDense(p, p, nil)
	out.inv.Mul(&rInv, rInv.T())
	for j := range out.depends {
		out.depends[j] = on(cols[j])
	}
	for i := range y {
		e := y[i]
		for a, j := range out.kept {
			e -= out.beta[a] * cols[j][i]
		}
		out.rss += w[i] * e * e
	}
	return out
}

// rank of the columns.
func (l lsq) rank() int { return len(l.kept) }

// determined reports whether c'beta is the same whichever columns are dropped.
func (l lsq) determined(c []float64) bool {
	for j, parts := range l.depends {
		want := 0.0
		size := math.Abs(c[j])
		for a, k := range l.kept {
			want += parts[a] * c[k]
			size += math.Abs(parts[a] * c[k])
		}
		if math.Abs(want-c[j]) > 1e-6*size {
			return false
		}
	}
	return true
}

// estimate is c'beta and c'(X'WX)^-1 c.
func (l lsq) estimate(c []float64) (value, variance float64) {
	for a, j := range l.kept {
		value += c[j] * l.beta[a]
		for b, k := range l.kept {
			variance += c[j] * c[k] * l.inv.At(a, b)
		}
	}
	return value, variance
}
