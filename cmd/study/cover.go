package main

import (
	"fmt"
	"io"
	"math"
	"sync"
	"time"

	"brimline/analysis/rate"
	"brimline/analysis/rate/fillsim"
)

// thresholds of the rate.
const (
	leastCover = 0.935 // of the fit's 95 % interval
	mostCover  = 0.965
)

// mostOverBound is the largest standard error of a scenario's fills over the Cramer-Rao
// bound with the noise levels known; 0 for those without a threshold.
var mostOverBound = map[string]float64{"white": 1.05, "white+walk": 1.10, "misreads": 1.15}

// covered is what was counted of a scenario.
type covered struct {
	scenario fillsim.Scenario
	mu       sync.Mutex
	fills    int
	fit      int      // fills whose fit's interval holds what the curve rises by
	whole    clusters // fills whose whole interval holds the truth: those of a bench share a scale and a drift
	over2    float64  // sum of squared errors over the bound
	uRatio   float64  // sum of squared claimed standard uncertainty over the bound
	missing  int      // curves without a fill
	flagged  int      // fills with any flag
	elapsedS float64
}

// coverage fits n fills of each scenario, each bench by itself.
func (o settings) coverage(list []fillsim.Scenario) ([]*covered, error) {
	var out []*covered
	for _, s := range list {
		c := &covered{scenario: s}
		began := time.Now()
		first, err := s.Bench(o.seed)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", s.Name, err)
		}
		per := len(first.Fills)
		err = parallel(o.workers, (o.n+per-1)/per, func(i int) error { return c.bench(o.seed + uint64(i)) })
		if err != nil {
			return nil, fmt.Errorf("%s: %w", s.Name, err)
		}
		c.elapsedS = time.Since(began).Seconds()
		out = append(out, c)
	}
	return out, nil
}

// bench fits one bench's fills and counts.
func (c *covered) bench(seed uint64) error {
	b, err := c.scenario.Bench(seed)
	if err != nil {
		return fmt.Errorf("seed %d: %w", seed, err)
	}
	var fit, whole, missing, flagged int
	var over2, u2 float64
	for i, f := range b.Fills {
		r, err := rate.Analyse(f.Curve, rate.Options{Mode: rate.OneFill})
		if err != nil {
			return fmt.Errorf("seed %d, run %d: %w", seed, i+1, err)
		}
		x := fillOf(r)
		if x.Kind != rate.KindFill {
			missing++
			continue
		}
		if len(x.Flags) > 0 {
			flagged++
		}
		for _, t := range x.Budget {
			if t.Name == "fit" {
				if math.Abs(x.Rate()-f.Reads) <= rate.Coverage95(t.DF)*t.U {
					fit++
				}
				u2 += t.U * t.U / (f.BoundPerMin * f.BoundPerMin)
			}
		}
		if math.Abs(x.Rate()-f.TruthPerMin) <= x.U95 {
			whole++
		}
		d := (x.Rate() - f.Reads) / f.BoundPerMin
		over2 += d * d
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.fills += len(b.Fills)
	c.missing += missing
	c.flagged += flagged
	c.fit += fit
	c.whole.add(whole, len(b.Fills)-missing)
	c.over2 += over2
	c.uRatio += u2
	return nil
}

// found is how many of the fills were found as such.
func (c *covered) found() float64 { return float64(max(1, c.fills-c.missing)) }

// over is the standard error over the bound, and its own standard error.
func (c *covered) over() (ratio, se float64) {
	ratio = math.Sqrt(c.over2 / c.found())
	return ratio, ratio / math.Sqrt(2*c.found())
}

// writeCoverage prints the table and returns what missed its threshold.
func writeCoverage(w io.Writer, o settings, all []*covered, slack float64) (missed []string) {
	miss := func(format string, a ...any) { missed = append(missed, fmt.Sprintf(format, a...)) }
	fmt.Fprintf(w, "Six runs of one bench at a time, %d fills or a few more of each scenario, seeds from %d.\n\n", o.n, o.seed)
	fmt.Fprintln(w, "| scenario | fills | fit's interval holds, % | whole interval holds, % | error over the bound | claimed u over the bound | not found | flagged | s |")
	fmt.Fprintln(w, "|---|--:|---|---|---|--:|--:|--:|--:|")
	for _, c := range all {
		ratio, se := c.over()
		n := int(c.found())
		fit := float64(c.fit) / c.found()
		fmt.Fprintf(w, "| %s | %d | %s | %.1f ± %.1f | %.3f ± %.3f | %.3f | %d | %d | %.0f |\n", c.scenario.Name, c.fills, percent(c.fit, n),
			100*c.whole.share(), 100*c.whole.se(), ratio, se, math.Sqrt(c.uRatio/c.found()), c.missing, c.flagged, c.elapsedS)
		if fit < leastCover-slack*binomialSE(leastCover, n) || fit > mostCover+slack*binomialSE(mostCover, n) {
			miss("%s: the fit's interval holds the truth in %.2f %% of %d fills, want %.1f to %.1f", c.scenario.Name, 100*fit, n, 100*leastCover, 100*mostCover)
		}
		if c.whole.share() < leastCover-slack*c.whole.se() {
			miss("%s: the whole interval holds the truth in %.2f %% of %d fills, want at least %.1f", c.scenario.Name, 100*c.whole.share(), n, 100*leastCover)
		}
		if most := mostOverBound[c.scenario.Name]; most > 0 && ratio > most+slack*se {
			miss("%s: the error is %.3f times the bound, want at most %.2f", c.scenario.Name, ratio, most)
		}
		if c.missing > 0 {
			miss("%s: no fill found in %d of %d curves", c.scenario.Name, c.missing, c.fills)
		}
	}
	fmt.Fprintln(w, "\nThe scenarios:")
	for _, c := range all {
		fmt.Fprintf(w, "\n- %s: %s.", c.scenario.Name, c.scenario.What)
	}
	fmt.Fprint(w, "\n\n")
	return missed
}

// chosenScenarios is the scenarios of the names, all where there are none.
func chosenScenarios(names []string) ([]fillsim.Scenario, error) {
	return pick(fillsim.Scenarios(), names, func(s fillsim.Scenario) string { return s.Name })
}
