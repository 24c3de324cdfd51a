package mixed

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

const intercept = "intercept"

// variable is a factor or a number of the model.
type variable struct {
	factor  bool
	levels  []string
	level   []int     // of each row
	values  []float64 // of a number
	average float64   // of a number
}

// column is a product of indicators and numbers: variable and level (-1 for a number).
type column struct {
	name  string
	parts []part
}

type part struct {
	name  string
	v     *variable
	level int
}

// term is one of Model.Fixed with its columns.
type term struct {
	name string
	vars []string
}

// design is a model's fixed part in words and columns.
type design struct {
	vars    map[string]*variable
	columns []column
	terms   []term
}

// at gives a column's value where each factor is a mixture of its levels (weights) and
// each number has a value.
func (c column) at(levels map[string][]float64, numbers map[string]float64) float64 {
	v := 1.0
	for _, p := range c.parts {
		if p.level < 0 {
			v *= numbers[p.name]
		} else {
			v *= levels[p.name][p.level]
		}
	}
	return v
}

// row gives a column's value at row i.
func (c column) row(i int) float64 {
	v := 1.0
	for _, p := range c.parts {
		switch {
		case p.level < 0:
			v *= p.v.values[i]
		case p.v.level[i] != p.level:
			return 0
		}
	}
	return v
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// checkName refuses what the names of terms and coefficients could not hold.
func (d *design) checkName(kind, name string) error {
	if name == "" || name == intercept || strings.ContainsAny(name, ":=") {
		return fmt.Errorf("mixed: the name %q of a %s: a name must not be empty, %q, or hold ':' or '='; rename it", name, kind, intercept)
	}
	if d.vars[name] != nil {
		return fmt.Errorf("mixed: %q names two variables; give each factor and number a name of its own", name)
	}
	return nil
}

func (d *design) addFactor(f Factor, n int) error {
	if err := d.checkName("factor", f.Name); err != nil {
		return err
	}
	if len(f.Values) != n {
		return fmt.Errorf("mixed: factor %s has %d values and the response %d; give one for each row", f.Name, len(f.Values), n)
	}
	v := &variable{factor: true, levels: slices.Clone(f.Levels), level: make([]int, n)}
	place := map[string]int{}
	for i, l := range v.levels {
		if _, twice := place[l]; twice {
			return fmt.Errorf("mixed: factor %s lists the level %q twice; list each once", f.Name, l)
		}
		place[l] = i
	}
	seen := make([]bool, len(v.levels))
	for i, l := range f.Values {
		at, known := place[l]
		if !known {
			if len(f.Levels) > 0 {
				return fmt.Errorf("mixed: factor %s, row %d: level %q is not one of its levels %v; list it or leave the list out", f.Name, i, l, f.Levels)
			}
			at = len(v.levels)
			place[l] = at
			v.levels = append(v.levels, l)
			seen = append(seen, false)
		}
		seen[at] = true
		v.level[i] = at
	}
	if i := slices.Index(seen, false); i >= 0 {
		return fmt.Errorf("mixed: factor %s: its level %q has no rows; leave it out of the list", f.Name, v.levels[i])
	}
	d.vars[f.Name] = v
	return nil
}

func (d *design) addNumber(x Number, n int) error {
	if err := d.checkName("number", x.Name); err != nil {
		return err
	}
	if len(x.Values) != n {
		return fmt.Errorf("mixed: number %s has %d values and the response %d; give one for each row", x.Name, len(x.Values), n)
	}
	v := &variable{values: x.Values}
	for i, z := range x.Values {
		if !finite(z) {
			return fmt.Errorf("mixed: number %s, row %d is %v; leave rows with missing values out", x.Name, i, z)
		}
		v.average += z / float64(n)
	}
	d.vars[x.Name] = v
	return nil
}

// split takes "a:b" apart and checks the names.
func (d *design) split(what, name string) ([]string, error) {
	parts := strings.Split(name, ":")
	for i, p := range parts {
		if d.vars[p] == nil {
			return nil, fmt.Errorf("mixed: %s %q: there is no factor or number %q among the model's", what, name, p)
		}
		if slices.Contains(parts[:i], p) {
			return nil, fmt.Errorf("mixed: %s %q names %q twice", what, name, p)
		}
	}
	return parts, nil
}

// expand lists the products of the variables: all levels but the first of a factor
// (all, if whole), the first variable's running fastest.
func (d *design) expand(names []string, whole bool) []column {
	out := []column{{}}
	for _, name := range names {
		v := d.vars[name]
		var parts []part
		var labels []string
		if v.factor {
			for l, label := range v.levels {
				if l > 0 || whole {
					parts, labels = append(parts, part{name, v, l}), append(labels, name+"="+label)
				}
			}
		} else {
			parts, labels = []part{{name, v, -1}}, []string{name}
		}
		var next []column
		for i, p := range parts {
			for _, c := range out {
				label := labels[i]
				if c.name != "" {
					label = c.name + ":" + label
				}
				next = append(next, column{label, append(slices.Clone(c.parts), p)})
			}
		}
		out = next
	}
	return out
}

// addFixed adds the columns of the fixed effects, the intercept first.
func (d *design) addFixed(fixed []string) error {
	d.columns = []column{{name: intercept}}
	key := func(parts []string) string {
		parts = slices.Clone(parts)
		slices.Sort(parts)
		return strings.Join(parts, ":")
	}
	have := map[string]bool{}
	for _, name := range fixed {
		parts, err := d.split("fixed effect", name)
		if err != nil {
			return err
		}
		if have[key(parts)] {
			return fmt.Errorf("mixed: the fixed effect %q is listed twice", name)
		}
		have[key(parts)] = true
		for _, p := range parts {
			if v := d.vars[p]; v.factor && len(v.levels) < 2 {
				return fmt.Errorf("mixed: fixed effect %q: factor %s has the one level %q; an effect needs two or more, leave it out", name, p, v.levels[0])
			}
		}
		d.terms = append(d.terms, term{name, parts})
		d.columns = append(d.columns, d.expand(parts, false)...)
	}
	for _, t := range d.terms {
		for i := range t.vars {
			if sub := slices.Delete(slices.Clone(t.vars), i, i+1); len(sub) > 0 && !have[key(sub)] {
				return fmt.Errorf("mixed: fixed effect %q needs %q as a fixed effect too: without it an effect would mean something else at each level", t.name, strings.Join(sub, ":"))
			}
		}
	}
	return nil
}

// grouping numbers the combinations of factors that occur, in the order of the
// factors' levels.
func (d *design) grouping(by string, n int) (names []string, level []int, err error) {
	parts, err := d.split("random effect by", by)
	if err != nil {
		return nil, nil, err
	}
	code := make([]int, n)
	for _, p := range parts {
		v := d.vars[p]
		if !v.factor {
			return nil, nil, fmt.Errorf("mixed: random effect by %q: %s is a number; group by a factor", by, p)
		}
		// Renumber after each factor, so that codes stay small whatever the counts.
		for i := range code {
			code[i] = code[i]*len(v.levels) + v.level[i]
		}
		sorted := slices.Clone(code)
		slices.Sort(sorted)
		sorted = slices.Compact(sorted)
		var next []string
		for _, c := range sorted {
			l := v.levels[c%len(v.levels)]
			if names != nil {
				l = names[c/len(v.levels)] + ":" + l
			}
			next = append(next, l)
		}
		names = next
		for i := range code {
			code[i], _ = slices.BinarySearch(sorted, code[i])
		}
	}
	return names, code, nil
}
