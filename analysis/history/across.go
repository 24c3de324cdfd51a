package history

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Kind is what one kind of event did, over engines.
type Kind struct {
	Kind    string   `json:"kind"`
	Engines []string `json:"engines"`
	Steps   int      `json:"steps"`
	// Change is the mean step over engines, as of engines like these; nil with fewer than
	// three. Its interval holds together with those of the other kinds (Bonferroni), and its
	// P is that of this kind alone.
	Change *Change  `json:"change"`
	PHolm  *float64 `json:"p_holm"` // adjusted for the kinds by Holm's steps
	// BetweenEngines is how true steps differ between engines, a standard deviation; nil
	// without Change.
	BetweenEngines *float64 `json:"between_engines_percent"`
	Parts          []Share  `json:"parts"`
}

// Share is one engine's part: the mean of its steps of this kind.
type Share struct {
	Engine  string  `json:"engine"`
	Steps   int     `json:"steps"`
	Percent float64 `json:"percent"`
}

// Across is what events did across engines. JSON names are part of schema
// brimline/events/1.
type Across struct {
	Kinds  []Kind  `json:"kinds"`
	Doubts []Doubt `json:"doubts"`
}

// minEngines is the fewest engines whose steps are pooled: with two the interval has one
// degree of freedom.
const minEngines = 3

// Pool pools the steps of engines by the kind of event. Engines are the units: each gives
// the mean of its steps y with an error se, and
//
//	y = mean + engine + error      engine ~ N(0, tau^2)
//
// with tau^2 after Paule and Mandel (J. Res. NBS 87 (1982) 377), weights 1/(se^2 + tau^2),
// and the interval of Hartung and Knapp (Stat. Med. 20 (2001) 3875) on one degree of
// freedom fewer than engines, never shorter than the weights alone make it (Röver et al.,
// BMC Med. Res. Methodol. 15 (2015) 99). An engine's steps share its drift, so the error of
// their mean is taken as that of one.
func Pool(results []Result) Across {
	a := Across{Kinds: []Kind{}, Doubts: []Doubt{}}
	type part struct{ log, se []float64 }
	parts := map[string]map[string]*part{}
	var joined []string
	regression := false
	for _, r := range results {
		for _, d := range r.Doubts {
			regression = regression || d.Code == "regression-to-mean"
		}
		for _, s := range r.Steps {
			if s.Change == nil {
				continue
			}
			if strings.Contains(s.Kinds, ", ") {
				joined = append(joined, r.Engine+": "+s.Name)
				continue
			}
			if parts[s.Kinds] == nil {
				parts[s.Kinds] = map[string]*part{}
			}
			p := parts[s.Kinds][r.Engine]
			if p == nil {
				p = &part{}
				parts[s.Kinds][r.Engine] = p
			}
			p.log, p.se = append(p.log, s.Change.log), append(p.se, s.Change.se)
		}
	}
	tested := 0
	for _, k := range parts {
		if len(k) >= minEngines {
			tested++
		}
	}
	var ps []int // kinds that have a P
	for _, name := range sortedKeys(parts) {
		k := Kind{Kind: name, Engines: sortedKeys(parts[name]), Parts: []Share{}}
		var y, se []float64
		for _, e := range k.Engines {
			p := parts[name][e]
			k.Steps += len(p.log)
			y, se = append(y, mean(p.log)), append(se, mean(p.se))
			k.Parts = append(k.Parts, Share{e, len(p.log), percent(mean(p.log))})
		}
		if len(y) < minEngines {
			a.Doubts = append(a.Doubts, Doubt{"few-engines", fmt.Sprintf("%s: a step is known of %d of the engines, and a mean over engines takes %d", name, len(y), minEngines), ""})
		} else {
			e, tau := pooled(y, se)
			k.Change = e.change(alpha / float64(tested))
			if k.Change != nil {
				between := percent(tau)
				k.BetweenEngines = &between
				ps = append(ps, len(a.Kinds))
			}
		}
		a.Kinds = append(a.Kinds, k)
	}
	a.holm(ps)
	if len(a.Kinds) == 0 {
		a.Doubts = append(a.Doubts, Doubt{"no-steps", "no engine has an event whose step its tests can tell", "test several times before and after each thing that is done"})
		return a
	}
	if tested > 1 {
		a.Doubts = append(a.Doubts, Doubt{"many-kinds", fmt.Sprintf("%d kinds of event were looked at: the intervals hold together, and p is adjusted for them", tested), ""})
	}
	if len(joined) > 0 {
		a.Doubts = append(a.Doubts, Doubt{"events-together", "left out, as other things were done between the same tests: " + strings.Join(joined, "; "), ""})
	}
	says := "things are done to engines that read oddly, and an odd reading moves back by itself: part of a step may be that"
	if regression {
		says += "; on some engines the reading before was the highest or the lowest so far"
	}
	a.Doubts = append(a.Doubts, Doubt{"regression-to-mean", says, "compare with engines that were tested and left alone"})
	return a
}

// pooled is the mean over engines and the spread between them.
func pooled(y, se []float64) (estimate, float64) {
	k := float64(len(y))
	sums := func(tau2 float64) (m, w, q float64) {
		for i := range y {
			v := 1 / (se[i]*se[i] + tau2)
			w += v
			m += v * y[i]
		}
		m /= w
		for i := range y {
			q += (y[i] - m) * (y[i] - m) / (se[i]*se[i] + tau2)
		}
		return m, w, q
	}
	lo, hi := 0.0, 0.0
	if _, _, q := sums(0); q > k-1 {
		for hi = 1e-6; ; lo, hi = hi, 4*hi {
			if _, _, q := sums(hi); q <= k-1 {
				break
			}
		}
		for range 60 {
			if mid := (lo + hi) / 2; func() bool { _, _, q := sums(mid); return q > k-1 }() {
				lo = mid
			} else {
				hi = mid
			}
		}
	}
	m, w, q := sums(hi)
	return estimate{m, math.Sqrt(max(1, q/(k-1)) / w), k - 1}, math.Sqrt(hi)
}

// holm adjusts the kinds' p (Scand. J. Statist. 6 (1979) 65).
func (a *Across) holm(ps []int) {
	slices.SortStableFunc(ps, func(i, j int) int {
		if *a.Kinds[i].Change.P < *a.Kinds[j].Change.P {
			return -1
		}
		return 1
	})
	last := 0.0
	for rank, i := range ps {
		last = min(1, max(last, *a.Kinds[i].Change.P*float64(len(ps)-rank)))
		p := last
		a.Kinds[i].PHolm = &p
	}
}

// Finding is the sentences that a person acts on.
func (a Across) Finding() string {
	var out []string
	for _, k := range a.Kinds {
		if k.Change == nil {
			continue
		}
		out = append(out, fmt.Sprintf("After %s, over %d engines, the set's return flow was %s on average (%s).", k.Kind, len(k.Engines), Moved(*k.Change), Range(*k.Change.CI95)))
	}
	if len(out) == 0 {
		return "Of no kind of event can it be said what it did across engines."
	}
	return strings.Join(out, " ")
}
