package change

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// Variant is the change worked out in another way. It decides nothing: a reader sees what
// depends on what.
type Variant struct {
	Code string `json:"code"` // stays what it is
	Name string `json:"name"`
	Says string `json:"says"` // what it assumes or leaves out
	// Sound reports whether the hangings are its unit; others are shown because they are
	// commonly done, and are wrong more often than they say where hangings differ.
	Sound bool `json:"sound"`
	Effect
}

// sensitivity fills the table. Rows whose variance cannot be told are left out.
func (r *Result) sensitivity(t table, f fit) {
	add := func(code, name, says string, sound bool, e estimate) {
		if v := e.effect(); v.CI95 != nil {
			r.Sensitivity = append(r.Sensitivity, Variant{code, name, says, sound, v})
		}
	}
	set := [2][]float64{t.sets(0), t.sets(1)}
	add("finding", "the finding", "as above", true, f.engine)
	if math.Abs(f.means.se-f.engine.se) > 1e-6*f.engine.se { // else the same twice
		add("hanging-means", "means of hangings", "Student's t; every hanging counts alike", true, f.means)
	}
	add("welch", "means of hangings, Welch", "does not take the scatter before and after for the same", true, welch(set[0], set[1]))
	if p, least, all, exact := permuted(set); p > 0 {
		says := fmt.Sprintf("all %d ways of sorting the hangings into before and after; no p below %.2g is possible", all, least)
		if !exact {
			says = fmt.Sprintf("%d random ways of sorting the hangings into before and after", all)
		}
		r.Sensitivity = append(r.Sensitivity, Variant{"permutation", "hangings shuffled", says, true, Effect{Percent: percent(f.means.diff), P: &p}})
	}
	add("injectors-like-these", ScopeLikeThese, "the wider scope: also by how injectors differ in response", true, f.like)
	for _, c := range r.Conditions {
		if c.adjusted.df > 0 {
			add("adjusted-"+c.Name, "with "+c.Name, "taken into account as a covariate", true, c.adjusted)
		}
	}

	d := make([]float64, len(t.injectors))
	for i := range d {
		d[i] = t.byInj[1][i] - t.byInj[0][i]
	}
	if n := float64(len(d)); n > 1 {
		add("paired-injectors", "paired over injectors", "takes injectors for independent, though they share run and hanging", false,
			estimate{mean(d), math.Sqrt(squares(d) / (n - 1) / n), n - 1})
	}
	var runs [2][]float64
	for p := range runs {
		for _, h := range t.runMeans[p] {
			runs[p] = append(runs[p], h...)
		}
	}
	if !t.oneRun && len(runs[0]) > 0 && len(runs[1]) > 0 {
		add("no-hanging", "without the hanging", "takes runs of one hanging for independent", false, twoSample(runs[0], runs[1]))
	}
	simple, unpaired := readingsAlone(t)
	add("injector-only", "injector and phase only", "a simple model: takes every reading for independent", false, simple)
	add("unpaired", "readings unpaired, Welch", "takes every reading for independent and forgets whose it is", false, unpaired)
}

// readingsAlone is the change from readings one by one: with the injectors as blocks, and
// without.
func readingsAlone(t table) (simple, unpaired estimate) {
	var y [2][]float64
	sum, n := make([]float64, len(t.injectors)), make([]float64, len(t.injectors))
	for _, r := range t.rows {
		y[r.phase] = append(y[r.phase], r.y)
		sum[r.injector] += r.y
		n[r.injector]++
	}
	// Least squares of y on injector and phase: phase and y less their injector's mean.
	var xx, xy, yy float64
	x := make([]float64, len(t.injectors))
	for _, r := range t.rows {
		x[r.injector] += float64(r.phase) / n[r.injector]
	}
	for _, r := range t.rows {
		dx, dy := float64(r.phase)-x[r.injector], r.y-sum[r.injector]/n[r.injector]
		xx, xy, yy = xx+dx*dx, xy+dx*dy, yy+dy*dy
	}
	simple.df = float64(len(t.rows) - len(t.injectors) - 1)
	if simple.df > 0 && xx > 0 {
		simple.diff = xy / xx
		simple.se = math.Sqrt(math.Max(0, yy-xy*xy/xx) / simple.df / xx)
	} else {
		simple.df = 0
	}
	return simple, welch(y[0], y[1])
}

// mostSorted is up to how many ways of sorting are all gone through; above it as many are
// drawn, which leaves a p of 0.05 sure to 0.002.
const mostSorted = 20000

// permuted is the share of all ways of sorting hangings into the phases whose set means
// differ by as much or more, the least share that there can be, and how many ways were
// tried (Fisher, The Design of Experiments (1935) section 21). p is 0 with a single hanging
// on both sides.
func permuted(set [2][]float64) (p, least float64, all int, exact bool) {
	nb, na := len(set[0]), len(set[1])
	if nb+na < 3 {
		return 0, 0, 0, true
	}
	y := append(append([]float64{}, set[0]...), set[1]...)
	total := 0.0
	for _, v := range y {
		total += v
	}
	differ := func(before float64) float64 { return math.Abs((total-before)/float64(na) - before/float64(nb)) }
	var first float64
	for _, v := range set[0] {
		first += v
	}
	seen := differ(first) * (1 - 1e-9) // sums in another order differ in their last digits
	ways := 1.0
	for k := range nb {
		ways *= float64(nb+na-k) / float64(k+1)
	}
	least = 1 / ways
	if nb == na {
		least = 2 / ways // the mirror image differs by as much
	}
	if ways > mostSorted {
		rng := rand.New(rand.NewPCG(1, uint64(nb+na))) // fixed: the same readings give the same p
		hits := 1
		for range mostSorted {
			rng.Shuffle(len(y), func(i, j int) { y[i], y[j] = y[j], y[i] })
			var before float64
			for _, v := range y[:nb] {
				before += v
			}
			if differ(before) >= seen {
				hits++
			}
		}
		return float64(hits) / (mostSorted + 1), least, mostSorted, false
	}
	hits := 0
	var choose func(from, left int, before float64)
	choose = func(from, left int, before float64) {
		if left == 0 {
			all++
			if differ(before) >= seen {
				hits++
			}
			return
		}
		for k := from; k <= len(y)-left; k++ {
			choose(k+1, left-1, before+y[k])
		}
	}
	choose(0, nb, 0)
	return float64(hits) / float64(all), least, all, true
}
