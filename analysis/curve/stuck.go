package curve

// Numbers of the rule for a converter that stands still.
const (
	stuckS      = 1.0 // so long, and
	stuckLeast  = 6   // so many values alike
	stuckChance = 1e-6
	// Where more neighbours than this are alike elsewhere, it is a display's steps that
	// make them so, not a converter: noise of half a step makes 0.4 of them alike.
	stuckShown = 0.2
	limitAlike  = 1 // so often at least noise has touched the end of a range before it was reached
)

// MarkStuck marks runs of one and the same value where noise must move it: of 1 s or
// more, and so long that by how often neighbours are alike in the rest of the curve the
// chance of one is under one in a million. A run at the highest or lowest value of the
// whole curve, which noise touched before, is one at the end of the range and is marked
// Limit. It returns how many runs it marked; values keep their numbers. A display of
// whole grams, where half of all neighbours are alike, has none.
func MarkStuck(c *Curve) int {
	u := usedOf(c)
	type run struct{ from, end int }
	var runs []run
	alike := 0 // neighbours, outside of long runs
	for k := 0; k < len(u.v); {
		end := k + 1
		for end < len(u.v) && u.v[end] == u.v[k] {
			end++
		}
		if end-k >= stuckLeast && u.t[end-1]-u.t[k] >= stuckS {
			runs = append(runs, run{k, end})
		} else {
			alike += end - k - 1
		}
		k = end
	}
	others := len(u.v)
	for _, r := range runs {
		others -= r.end - r.from
	}
	if len(runs) == 0 || others < 10*stuckLeast {
		return 0
	}
	p := (float64(alike) + 1) / float64(others+2)
	if p > stuckShown {
		return 0
	}
	lo, hi := rangeOf(u.v)
	marked := 0
	for _, r := range runs {
		chance := float64(len(u.v))
		for range min(r.end-r.from-1, 64) {
			chance *= p
		}
		if chance > stuckChance {
			continue
		}
		mark := Stuck
		if v := u.v[r.from]; (v == lo || v == hi) && timesOf(u.v[:r.from], v)+timesOf(u.v[r.end:], v) >= limitAlike {
			mark = Limit
		}
		for k := r.from; k < r.end; k++ {
			c.Marks[u.index(k)] = mark
		}
		marked++
	}
	return marked
}

func timesOf(v []float64, x float64) int {
	n := 0
	for _, y := range v {
		if y == x {
			n++
		}
	}
	return n
}
