package change

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/mat"
)

// hanging is one hanging's log rates.
type hanging struct {
	name string
	runs map[string]map[string]float64 // run, injector: log rate
	mean []float64                     // per injector of the table, over its runs; NaN without a reading
	set  float64                       // the phase's set mean, moved by what this hanging does to all its injectors
}

// row is one reading as the model sees it.
type row struct {
	index             int // into the readings
	injector, phase   int // into table.injectors; 0 before, 1 after
	hanging, run      string
	y                 float64 // log rate
	known             float64 // variance that is known of y; 0 when not known
	hangingNo, number int     // of the hanging within its phase, and of the run within the hanging
}

// table is what the model sees: two phases of hangings and the injectors that were
// measured in both.
type table struct {
	injectors []string
	phases    [2][]*hanging  // before, after
	byInj     [2][]float64   // per phase and injector: its mean log rate
	residual  [2]component   // variance of y[h,i] on injector and hanging; df (I-1)(n-1) with every injector in every hanging
	in        [2][]int       // per phase and injector: hangings it was measured in
	rows      []row          // by phase, hanging, run, injector
	balanced  bool           // each injector once in each run, as many runs in each hanging
	whole     bool           // each injector in each hanging
	oneRun    bool           // no hanging has two runs
	runMeans  [2][][]float64 // per phase and hanging: the set's mean log rate in each complete run
}

// tabulate takes the two phases' readings. Injectors that were not measured in both
// phases are left out, and those of a hanging that shares no injector with the others.
func (r *Result) tabulate(readings []Reading) (table, error) {
	var t table
	byKey := map[[2]string]*hanging{}
	hangings := map[string]int{} // injector: hangings it is in
	perPhase := map[string][2]bool{}
	for _, x := range readings {
		p := r.phaseOf(x)
		if p < 0 {
			continue
		}
		k := [2]string{x.Phase, x.Hanging}
		h := byKey[k]
		if h == nil {
			h = &hanging{name: x.Hanging, runs: map[string]map[string]float64{}}
			byKey[k] = h
			t.phases[p] = append(t.phases[p], h)
		}
		if h.runs[x.Run] == nil {
			h.runs[x.Run] = map[string]float64{}
		}
		if !h.has(x.Injector) {
			hangings[x.Injector]++
		}
		h.runs[x.Run][x.Injector] = math.Log(x.RateMLPerMin)
		in := perPhase[x.Injector]
		in[p] = true
		perPhase[x.Injector] = in
	}
	all := len(t.phases[0]) + len(t.phases[1])
	for p := range t.phases {
		slices.SortFunc(t.phases[p], func(a, b *hanging) int { return natural(a.name, b.name) })
	}
	for _, i := range sortedKeys(hangings) {
		if in := perPhase[i]; in[0] && in[1] {
			t.injectors = append(t.injectors, i)
			continue
		}
		only := r.Before.Phase
		if perPhase[i][1] {
			only = r.After.Phase
		}
		r.LeftOut = append(r.LeftOut, i)
		r.doubt("one-phase", fmt.Sprintf("injector %s was measured in phase %s only and was left out", i, only), "measure the same injectors in both")
	}
	if len(t.injectors) > 0 && !t.connected() {
		// Hangings that share no injector say nothing of each other.
		t.injectors = slices.DeleteFunc(t.injectors, func(i string) bool {
			if hangings[i] == all {
				return false
			}
			r.LeftOut = append(r.LeftOut, i)
			r.doubt("missing-cells", fmt.Sprintf("injector %s is missing in %d of %d hangings, which have too little in common with each other, and was left out", i, all-hangings[i], all), "")
			return true
		})
	}
	slices.SortFunc(r.LeftOut, natural)
	if len(t.injectors) == 0 {
		return t, fmt.Errorf("comparing: no injector was measured in all %d hangings of %s and %s; measure the same injectors in each, or take incomplete hangings out", all, r.Before.Phase, r.After.Phase)
	}
	t.whole = true
	for _, i := range t.injectors {
		if n := hangings[i]; n < all {
			t.whole = false
			r.doubt("missing-cells", fmt.Sprintf("injector %s is missing in %d of %d hangings: it rests on the others", i, all-n, all), "")
		}
	}
	// A hanging of which every injector was left out is none.
	for p := range t.phases {
		t.phases[p] = slices.DeleteFunc(t.phases[p], func(h *hanging) bool {
			return !slices.ContainsFunc(t.injectors, h.has)
		})
	}
	partial := 0
	for p := range t.phases {
		for _, h := range t.phases[p] {
			partial += h.average(t.injectors)
		}
	}
	if partial > 0 {
		r.doubt("missing-cells", fmt.Sprintf("%s missing within hangings: those injectors rest on fewer runs", plural(partial, "reading is", "readings are")), "")
	}
	t.list(readings, r)
	for p := range t.phases {
		t.additive(p)
	}
	return t, nil
}

func (r *Result) phaseOf(x Reading) int {
	return slices.Index([]string{r.Before.Phase, r.After.Phase}, x.Phase)
}

// connected reports whether in each phase every hanging can be reached from every other
// over injectors that both have.
func (t *table) connected() bool {
	for p := range t.phases {
		hs := t.phases[p]
		reached := make([]bool, len(hs))
		queue := []int{0}
		reached[0] = true
		for len(queue) > 0 {
			a := hs[queue[0]]
			queue = queue[1:]
			for k, b := range hs {
				if !reached[k] && slices.ContainsFunc(t.injectors, func(i string) bool { return a.has(i) && b.has(i) }) {
					reached[k] = true
					queue = append(queue, k)
				}
			}
		}
		if slices.Contains(reached, false) {
			return false
		}
	}
	return true
}

// list makes the rows, in an order of their own, so that sums are the same every time.
func (t *table) list(readings []Reading, r *Result) {
	type key struct {
		phase             string
		hanging, run, inj string
	}
	at := map[key]int{}
	for i, x := range readings {
		at[key{x.Phase, x.Hanging, x.Run, x.Injector}] = i
	}
	t.balanced, t.oneRun = true, true
	runs := len(t.phases[0][0].runs)
	for p, hs := range t.phases {
		phase := []string{r.Before.Phase, r.After.Phase}[p]
		for hn, h := range hs {
			t.balanced = t.balanced && len(h.runs) == runs
			var complete []float64
			names := sortedKeys(h.runs)
			for n, run := range names {
				var sum float64
				got := 0
				for i, name := range t.injectors {
					y, ok := h.runs[run][name]
					if !ok {
						t.balanced = false
						continue
					}
					k := at[key{phase, h.name, run, name}]
					x := readings[k]
					t.rows = append(t.rows, row{index: k, injector: i, phase: p, y: y, known: math.Pow(x.UMLPerMin/x.RateMLPerMin, 2),
						hanging: fmt.Sprint(p, " ", h.name), run: fmt.Sprint(p, " ", h.name, "\x00", run), hangingNo: hn, number: n})
					sum += y
					got++
				}
				if got == len(t.injectors) {
					complete = append(complete, sum/float64(got))
				}
			}
			if len(names) > 1 {
				t.oneRun = false
			}
			t.runMeans[p] = append(t.runMeans[p], complete)
		}
	}
}

// additive fits y[h,i] = a[i] + b[h] within a phase, the b summing to zero: a is what the
// injectors send back, and mean(a) + b what the set would have sent in each hanging. Where
// each injector is in each hanging these are plain means.
func (t *table) additive(p int) {
	hs := t.phases[p]
	I, H := len(t.injectors), len(hs)
	t.in[p] = make([]int, I)
	var y []float64
	var at [][2]int
	for k, h := range hs {
		for i, v := range h.mean {
			if !math.IsNaN(v) {
				t.in[p][i]++
				y, at = append(y, v), append(at, [2]int{k, i})
			}
		}
	}
	a, b := make([]float64, I), make([]float64, H)
	if len(y) == I*H {
		for j, v := range y {
			a[at[j][1]] += v / float64(H)
			b[at[j][0]] += v / float64(I)
		}
		m := mean(a)
		for k := range b {
			b[k] -= m
		}
	} else {
		// Least squares; the last hanging's b is minus the sum of the others.
		x := mat.NewDense(len(y), I+H-1, nil)
		for j, ki := range at {
			x.Set(j, ki[1], 1)
			if ki[0] < H-1 {
				x.Set(j, I+ki[0], 1)
				continue
			}
			for k := range H - 1 {
				x.Set(j, I+k, -1)
			}
		}
		var c mat.VecDense
		var qr mat.QR
		qr.Factorize(x)
		// The hangings are connected, so the columns are independent.
		if err := qr.SolveVecTo(&c, false, mat.NewVecDense(len(y), y)); err == nil {
			for i := range a {
				a[i] = c.AtVec(i)
			}
			for k := range H - 1 {
				b[k] = c.AtVec(I + k)
				b[H-1] -= b[k]
			}
		}
	}
	t.byInj[p] = a
	m := mean(a)
	for k, h := range hs {
		h.set = m + b[k]
	}
	var ss float64
	for j, v := range y {
		ss += math.Pow(v-a[at[j][1]]-b[at[j][0]], 2)
	}
	if df := float64(len(y) - I - (H - 1)); df > 0 {
		t.residual[p] = component{ss / df, df}
	}
}

// resid is the residuals' variance pooled over the phases.
func (t *table) resid() component {
	a, b := t.residual[0], t.residual[1]
	if a.df+b.df == 0 {
		return component{}
	}
	return component{(a.v*a.df + b.v*b.df) / (a.df + b.df), a.df + b.df}
}

// sets is the set's mean in each hanging of a phase.
func (t *table) sets(p int) []float64 {
	out := make([]float64, len(t.phases[p]))
	for k, h := range t.phases[p] {
		out[k] = h.set
	}
	return out
}

func (h *hanging) has(injector string) bool {
	for _, run := range h.runs {
		if _, ok := run[injector]; ok {
			return true
		}
	}
	return false
}

// average fills mean, and counts the readings missing from its runs.
func (h *hanging) average(injectors []string) (missing int) {
	names := sortedKeys(h.runs) // a fixed order, so that sums are the same every time
	h.mean = nil
	for _, i := range injectors {
		var sum, n float64
		gaps := 0
		for _, run := range names {
			if y, ok := h.runs[run][i]; ok {
				sum += y
				n++
			} else {
				gaps++
			}
		}
		if n > 0 {
			missing += gaps
		}
		h.mean = append(h.mean, sum/n) // NaN where n is 0
	}
	return missing
}

// plural counts one or many.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// natural orders labels as people number things, 2 before 10 and T1.2 before T1.10: part by
// part between dots, numbers first.
func natural(a, b string) int {
	return slices.CompareFunc(strings.Split(a, "."), strings.Split(b, "."), func(a, b string) int {
		x, errX := strconv.Atoi(a)
		y, errY := strconv.Atoi(b)
		switch {
		case errX == nil && errY == nil && x != y:
			return cmp.Compare(x, y)
		case errX == nil && errY != nil:
			return -1
		case errX != nil && errY == nil:
			return 1
		}
		return cmp.Compare(a, b)
	})
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, natural)
	return keys
}
