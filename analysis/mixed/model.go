package mixed

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Factor says at which of some named levels each row is.
type Factor struct {
	Name   string
	Values []string // the level of each row
	// Levels is the order of the levels; the first is the one that effects are counted
	// from. Left out, it is that of first appearance.
	Levels []string
}

// Number is a measured quantity of each row: a temperature, a distance, a time.
type Number struct {
	Name   string
	Values []float64
}

// Random is an effect that varies from level to level of what it is By, with normal
// scatter.
type Random struct {
	By string // a factor, or factors with colons between: "hanging:run" is each run within its hanging
	// Slopes are effects of factors or numbers that vary between the levels too, with
	// their own spread and their correlations.
	Slopes []string
	// SlopesOnly leaves the intercept out; a factor then has a column for each level.
	SlopesOnly bool
}

// Model is what to fit; each row is one response. The fixed intercept is always there.
type Model struct {
	Response []float64
	Factors  []Factor
	Numbers  []Number
	// Fixed effects: factors, numbers, and their interactions with colons between
	// ("injector:phase"), whose parts must be listed as well.
	Fixed  []string
	Random []Random // one at least

	// Weights w make the residual variance sigma^2/w: a mean of three readings has 3. Left
	// out, all are 1. They matter by their ratios only.
	Weights []float64
	// KnownVariance d is what is known to add to each row's residual variance, as from a
	// rate's stated uncertainty: d + sigma^2/w. In the unit of the response squared.
	KnownVariance []float64
}

// Method is how variances are estimated.
type Method int

const (
	REML Method = iota // restricted maximum likelihood: what is asked for nearly always
	ML                 // maximum likelihood: to compare models with other fixed effects
)

func (m Method) String() string {
	if m == ML {
		return "ML"
	}
	return "REML"
}

// ErrConfounded is wrapped by the error for an effect that these rows cannot tell from
// another one.
var ErrConfounded = errors.New("effects cannot be told apart")

// randomTerm is a random effect in words and columns.
type randomTerm struct {
	Random
	columns []string
	levels  []string
	scale   []float64 // of each column: its root mean square
	blk     *block
}

// data is a checked model.
type data struct {
	design
	model    Model
	n, p     int
	weights  []float64 // mean 1
	meanW    float64
	x        []float64 // p columns of n
	r        []float64 // upper factor: x = q r, p by p
	q        []float64 // X with X'OX = 1
	omega    []float64
	yScale   float64
	y        []float64
	shift    []float64 // coefficients in q that y lost
	random   []randomTerm
	residual *block // where KnownVariance makes the residual a random effect
}

const (
	dependentTol = 1e-9  // what is left of a column, relative, that counts as none
	exactTol     = 1e-10 // scatter, relative to the values, that counts as none
)

// check turns a model into columns and cross products.
func (m Model) check() (*data, error) {
	n := len(m.Response)
	d := &data{design: design{vars: map[string]*variable{}}, model: m, n: n}
	if n == 0 {
		return nil, errors.New("mixed: the response has no rows")
	}
	for i, y := range m.Response {
		if !finite(y) {
			return nil, fmt.Errorf("mixed: the response of row %d is %v; leave rows with missing values out", i, y)
		}
	}
	for _, f := range m.Factors {
		if err := d.addFactor(f, n); err != nil {
			return nil, err
		}
	}
	for _, x := range m.Numbers {
		if err := d.addNumber(x, n); err != nil {
			return nil, err
		}
	}
	if err := d.addFixed(m.Fixed); err != nil {
		return nil, err
	}
	if d.p = len(d.columns); n <= d.p {
		return nil, fmt.Errorf("mixed: %d rows cannot carry %d coefficients of fixed effects; take more readings or leave effects out", n, d.p)
	}
	if err := d.addWeights(); err != nil {
		return nil, err
	}
	if err := d.addX(); err != nil {
		return nil, err
	}
	if len(m.Random) == 0 {
		return nil, errors.New("mixed: there is no random effect; name one, or fit by least squares")
	}
	for _, r := range m.Random {
		if err := d.addRandom(r); err != nil {
			return nil, err
		}
	}
	return d, nil
}

// positive checks weights and variances.
func positive(what string, v []float64, n int, instead string) error {
	if len(v) != n {
		return fmt.Errorf("mixed: there are %d %ss and %d rows; give one for each row or none", len(v), what, n)
	}
	for i, x := range v {
		if !(x > 0) || !finite(x) {
			return fmt.Errorf("mixed: the %s of row %d is %v and must be above 0; %s", what, i, x, instead)
		}
	}
	return nil
}

// addWeights scales weights to a mean of 1 and sets the matrix O.
func (d *data) addWeights() error {
	d.weights, d.meanW = make([]float64, d.n), 1
	for i := range d.weights {
		d.weights[i] = 1
	}
	if w := d.model.Weights; w != nil {
		if err := positive("weight", w, d.n, "leave out what should not count"); err != nil {
			return err
		}
		d.meanW = 0
		for _, v := range w {
			d.meanW += v / float64(d.n)
		}
		for i, v := range w {
			d.weights[i] = v / d.meanW
		}
	}
	d.omega = d.weights
	if d.model.KnownVariance != nil {
		if err := positive("known variance", d.model.KnownVariance, d.n, "use weights where none is known"); err != nil {
			return err
		}
		d.omega = make([]float64, d.n)
		var mean float64
		for i, v := range d.model.KnownVariance {
			d.omega[i] = 1 / v
			mean += d.omega[i] / float64(d.n)
		}
		for _, v := range d.omega {
			if !finite(v) || !(v >= 1e-12*mean) {
				return errors.New("mixed: the known variances differ by more than a factor of 10^12; check their unit")
			}
		}
	}
	return nil
}

// weightedDot is a'Ob.
func weightedDot(o, a, b []float64) float64 {
	var s float64
	for i, v := range a {
		s += o[i] * v * b[i]
	}
	return s
}

// orthonormal turns the columns of x (n rows each) into q with q'Oq = 1, x = q r, by
// Gram and Schmidt twice over. It gives the first column that depends on those before
// it, or -1.
func orthonormal(x []float64, p int, o []float64) (q, r []float64, dependent int) {
	n := len(o)
	q, r = slices.Clone(x), make([]float64, p*p)
	oq := make([]float64, n*p)
	for j := range p {
		v := q[j*n : (j+1)*n]
		norm0 := math.Sqrt(weightedDot(o, v, v))
		for range 2 {
			for i := range j {
				s := dot(oq[i*n:(i+1)*n], v)
				r[i*p+j] += s
				addScaled(v, -s, q[i*n:(i+1)*n])
			}
		}
		norm := math.Sqrt(weightedDot(o, v, v))
		if !(norm > dependentTol*norm0) {
			return nil, nil, j
		}
		r[j*p+j] = norm
		scale(v, 1/norm)
		for i, w := range o {
			oq[j*n+i] = w * v[i]
		}
	}
	return q, r, -1
}

// addX builds and rotates X, and takes what it explains from y.
func (d *data) addX() error {
	n, p := d.n, d.p
	d.x = make([]float64, n*p)
	for j, c := range d.columns {
		for i := range n {
			d.x[j*n+i] = c.row(i)
		}
	}
	var dependent int
	if d.q, d.r, dependent = orthonormal(d.x, p, d.omega); dependent >= 0 {
		name := d.columns[dependent].name
		if maxAbs(d.x[dependent*n:(dependent+1)*n]) == 0 {
			return fmt.Errorf("mixed: the fixed effect %s has no rows or only zeros: %w; leave out its interaction, or measure that combination", name, ErrConfounded)
		}
		return fmt.Errorf("mixed: the fixed effect %s follows from those before it: %w; leave one of them out", name, ErrConfounded)
	}
	low, high := slices.Min(d.model.Response), slices.Max(d.model.Response)
	if low == high {
		return fmt.Errorf("mixed: all %d responses are %v: there is no scatter to estimate; check that readings were not copied", n, low)
	}
	d.y = slices.Clone(d.model.Response)
	d.shift = project(d.q, p, d.omega, d.y)
	ss := weightedDot(d.weights, d.y, d.y)
	d.yScale = math.Sqrt(ss / float64(n-p))
	if big := math.Max(math.Abs(low), math.Abs(high)); !(d.yScale > exactTol*(high-low)) || !(d.yScale > 1e-13*big) {
		return fmt.Errorf("mixed: the fixed effects explain every response to %.1g: there is no scatter to estimate; check that readings were not copied", math.Max(d.yScale, exactTol*(high-low)))
	}
	if !finite(d.yScale) {
		return errors.New("mixed: the responses are too large to compute with; use a larger unit")
	}
	scale(d.y, 1/d.yScale)
	if d.model.KnownVariance != nil {
		// O turns to the scaled response, and X with it.
		f := d.yScale
		scale(d.omega, f*f)
		scale(d.q, 1/f)
		scale(d.r, f)
		scale(d.shift, f)
		d.residual = &block{c: 1, levels: n, level: make([]int, n), z: make([]float64, n)}
		for i := range n {
			d.residual.level[i], d.residual.z[i] = i, 1/math.Sqrt(d.weights[i])
		}
	}
	return nil
}

// project takes from y its part in the columns of q and gives their coefficients.
func project(q []float64, p int, o, y []float64) []float64 {
	n := len(y)
	coef := make([]float64, p)
	for range 2 {
		for j := range p {
			s := weightedDot(o, q[j*n:(j+1)*n], y)
			coef[j] += s
			addScaled(y, -s, q[j*n:(j+1)*n])
		}
	}
	return coef
}

// addRandom adds a random effect's columns, refusing what cannot be estimated.
func (d *data) addRandom(r Random) error {
	n := d.n
	t := randomTerm{Random: r}
	levels, level, err := d.grouping(r.By, n)
	if err != nil {
		return err
	}
	t.levels = levels
	var cols []column
	if !r.SlopesOnly {
		cols = append(cols, column{name: intercept})
	} else if len(r.Slopes) == 0 {
		return fmt.Errorf("mixed: random effect by %s has neither intercept nor slopes", r.By)
	}
	for i, s := range r.Slopes {
		parts, err := d.split("slope of the random effect by "+r.By, s)
		if err != nil {
			return err
		}
		if slices.Contains(r.Slopes[:i], s) {
			return fmt.Errorf("mixed: random effect by %s lists the slope %q twice", r.By, s)
		}
		cols = append(cols, d.expand(parts, r.SlopesOnly && i == 0)...)
	}
	b := &block{c: len(cols), levels: len(levels), level: level, z: make([]float64, n*len(cols))}
	t.blk = b
	if b.levels < 2 {
		return fmt.Errorf("mixed: random effect by %s: there is one level, %q; a spread needs two or more, leave the effect out", r.By, levels[0])
	}
	if b.cols() >= n {
		return fmt.Errorf("mixed: random effect by %s has %d levels and %d columns at each for %d rows: %w from the residual; leave it out, or take more than one reading at a level",
			r.By, b.levels, b.c, n, ErrConfounded)
	}
	for _, o := range d.random {
		if o.SlopesOnly || r.SlopesOnly {
			continue
		}
		if o.By == r.By {
			return fmt.Errorf("mixed: the random effect by %s is listed twice; list it once, with its slopes", r.By)
		}
		if o.blk.levels == b.levels && samePartition(o.blk.level, level) {
			return fmt.Errorf("mixed: the random effects by %s and by %s group the rows in the same way: %w; leave one of them out", o.By, r.By, ErrConfounded)
		}
	}
	for a, c := range cols {
		t.columns = append(t.columns, c.name)
		var ss float64
		v := make([]float64, n)
		for i := range n {
			v[i] = c.row(i)
			ss += v[i] * v[i]
		}
		if !(ss > 0) || !finite(ss) {
			return fmt.Errorf("mixed: random effect by %s: its slope %s is 0 in all rows or too large to compute with; leave it out or use another unit", r.By, c.name)
		}
		rms := math.Sqrt(ss / float64(n))
		t.scale = append(t.scale, rms)
		scale(v, 1/rms)
		for i := range n {
			b.z[i*b.c+a] = v[i]
		}
		if d.explained(b, a) {
			return fmt.Errorf("mixed: random effect by %s, %s: %w from the fixed effects, which explain it wholly; leave one of them out", r.By, c.name, ErrConfounded)
		}
	}
	d.random = append(d.random, t)
	return nil
}

// explained reports whether X explains column a of the block at all levels.
func (d *data) explained(b *block, a int) bool {
	n := d.n
	total := 0.0
	for i, w := range d.omega {
		total += w * b.z[i*b.c+a] * b.z[i*b.c+a]
	}
	left := total
	by := make([]float64, b.levels)
	for j := range d.p {
		clear(by)
		q := d.q[j*n : (j+1)*n]
		for i, w := range d.omega {
			by[b.level[i]] += w * q[i] * b.z[i*b.c+a]
		}
		left -= dot(by, by)
	}
	return left <= 1e-8*total
}

func samePartition(a, b []int) bool {
	to := map[int]int{}
	for i, l := range a {
		if was, seen := to[l]; seen && was != b[i] {
			return false
		}
		to[l] = b[i]
	}
	return true
}

// problem makes the checked model ready for computing.
func (d *data) problem(reml bool) *problem {
	var blocks []*block
	for _, t := range d.random {
		b := *t.blk
		blocks = append(blocks, &b)
	}
	if d.residual != nil {
		b := *d.residual
		blocks = append(blocks, &b)
	}
	pr := prepare(d.q, d.p, d.omega, blocks, reml, d.residual != nil)
	pr.setResponse(d.y)
	return pr
}
