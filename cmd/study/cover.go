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
	// The whole interval may lie below 95 % by as much as chance makes it: three standard
	// errors, as 93.5 % lies below it for 2,000 fills. Of the six fills of a bench, which share
	// its scale and its drift, there would have to be many more for the same.
	wholeErrors = 3
)

// tooFew reports whether a whole interval holds the truth too rarely.
func (c *clusters) tooFew(slack float64) bool {
	return c.share() < 0.95-(wholeErrors+slack)*c.se()
}

// mostOverBound is the largest standard error of a scenario's fills over the Cramer-Rao
// bound with the noise levels known; 0 for those without a threshold.
var mostOverBound = map[string]float64{"white": 1.05, "white+walk": 1.10, "misreads": 1.15}

// What a fill's noise is judged by.
const (
	alone      = iota // the fill
	withRuns          // and the other runs of its test
	withRecord        // and a record of the channel at rest
	ways
)

// covered is what was counted of a scenario.
type covered struct {
	scenario fillsim.Scenario
	mu       sync.Mutex
	fills    int
	missing  int // curves without a fill
	flagged  int // fills with any flag
	by       [ways]counts
	elapsedS float64
}

// counts is what was counted of the fills that were found, in one way.
type counts struct {
	fit   clusters // fit's interval holds what the curve rises by
	whole clusters // whole interval holds the truth: fills of a bench share a scale and a drift
	over2 float64  // sum of squared errors over the bound
	u2    float64  // sum of squared standard uncertainty of the fit over the bound
}

// fillsPerRun is how many fills of each scenario there are for a run of each fault: 2,000
// for 500.
const fillsPerRun = 4

// coverage fits fillsPerRun n fills of each scenario, bench by bench.
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
		err = parallel(o.workers, (fillsPerRun*o.n+per-1)/per, func(i int) error { return c.bench(o.seed + uint64(i)) })
		if err != nil {
			return nil, fmt.Errorf("%s: %w", s.Name, err)
		}
		c.elapsedS = time.Since(began).Seconds()
		out = append(out, c)
	}
	return out, nil
}

// bench fits one bench's fills in each way.
func (c *covered) bench(seed uint64) error {
	b, err := c.scenario.Bench(seed)
	if err != nil {
		return fmt.Errorf("seed %d: %w", seed, err)
	}
	still, err := rate.RecordOf(b.Still)
	if err != nil {
		return fmt.Errorf("seed %d: %w", seed, err)
	}
	plain, recorded := make([]rate.Result, len(b.Fills)), make([]rate.Result, len(b.Fills))
	for i, f := range b.Fills {
		o := rate.Options{Mode: rate.OneFill}
		if plain[i], err = rate.Analyse(f.Curve, o); err == nil {
			o.Records = map[string]rate.Record{f.Curve.Channel: still}
			recorded[i], err = rate.Analyse(f.Curve, o)
		}
		if err != nil {
			return fmt.Errorf("seed %d, run %d: %w", seed, i+1, err)
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.fills += len(b.Fills)
	for _, r := range plain {
		x := fillOf(r)
		if x.Kind != rate.KindFill {
			c.missing++
		} else if len(x.Flags) > 0 {
			c.flagged++
		}
	}
	c.by[alone].count(plain, b.Fills)
	rate.Pool(plain...)
	c.by[withRuns].count(plain, b.Fills)
	rate.Pool(recorded...)
	c.by[withRecord].count(recorded, b.Fills)
	return nil
}

// count counts one bench's fills.
func (c *counts) count(results []rate.Result, truth []fillsim.Fill) {
	fit, whole, n := 0, 0, 0
	for i, r := range results {
		x, f := fillOf(r), truth[i]
		if x.Kind != rate.KindFill {
			continue
		}
		n++
		rises := x.Rate() + x.ZeroDrift
		for _, t := range x.Budget {
			if t.Name != "fit" {
				continue
			}
			if math.Abs(rises-f.Reads) <= rate.Coverage95(t.DF)*t.U {
				fit++
			}
			c.u2 += t.U * t.U / (f.BoundPerMin * f.BoundPerMin)
		}
		if math.Abs(x.Rate()-f.TruthPerMin) <= x.U95 {
			whole++
		}
		d := (rises - f.Reads) / f.BoundPerMin
		c.over2 += d * d
	}
	c.fit.add(fit, n)
	c.whole.add(whole, n)
}

// over is the standard error over the bound, and its own standard error; claimed is the
// fit's own standard uncertainty over the bound.
func (c *counts) over() (ratio, se, claimed float64) {
	n := float64(max(1, c.fit.n))
	ratio = math.Sqrt(c.over2 / n)
	return ratio, ratio / math.Sqrt(2*n), math.Sqrt(c.u2 / n)
}

// writeCoverage prints the table and returns what missed its threshold.
func writeCoverage(w io.Writer, o settings, all []*covered, slack float64) (missed []string) {
	miss := func(format string, a ...any) { missed = append(missed, fmt.Sprintf(format, a...)) }
	fmt.Fprintf(w, "%d fills or a few more of each scenario, six runs of a bench each, seeds from %d. The noise of a fill is judged by the fill alone, by it and the other runs of its test, or by these and a record of the channel at rest; the thresholds are for the last.\n\n", o.n, o.seed)
	fmt.Fprintln(w, "| scenario | fills | fit's interval holds, %: alone | with runs | with runs and record | whole interval holds, % | error over the bound | claimed u over the bound | alone: error | claimed | not found | flagged |")
	fmt.Fprintln(w, "|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|")
	share := func(c *clusters) string { return fmt.Sprintf("%.1f ± %.1f", 100*c.share(), 100*c.se()) }
	for _, c := range all {
		best := &c.by[withRecord]
		ratio, se, claimed := best.over()
		single, _, singleClaimed := c.by[alone].over()
		fmt.Fprintf(w, "| %s | %d | %s | %s | %s | %s | %.3f ± %.3f | %.3f | %.3f | %.3f | %d | %d |\n", c.scenario.Name, c.fills,
			share(&c.by[alone].fit), share(&c.by[withRuns].fit), share(&best.fit), share(&best.whole), ratio, se, claimed, single, singleClaimed, c.missing, c.flagged)
		if fit := best.fit.share(); fit < leastCover-slack*best.fit.se() || fit > mostCover+slack*best.fit.se() {
			miss("%s: the fit's interval holds the truth in %.2f %% of %d fills, want %.1f to %.1f", c.scenario.Name, 100*fit, best.fit.n, 100*leastCover, 100*mostCover)
		}
		if best.whole.tooFew(slack) {
			miss("%s: the whole interval holds the truth in %.2f ± %.2f %% of %d fills, want 95 or more", c.scenario.Name, 100*best.whole.share(), 100*best.whole.se(), best.whole.n)
		}
		if most := mostOverBound[c.scenario.Name]; most > 0 && ratio > most+slack*se {
			miss("%s: the error is %.3f times the bound, want at most %.2f", c.scenario.Name, ratio, most)
		}
		if c.missing > 0 {
			miss("%s: no fill found in %d of %d curves", c.scenario.Name, c.missing, c.fills)
		}
	}
	fmt.Fprintln(w, "\nThe scenarios:")
	elapsed := 0.0
	for _, c := range all {
		elapsed += c.elapsedS
		fmt.Fprintf(w, "\n- %s: %s.", c.scenario.Name, c.scenario.What)
	}
	fmt.Fprintf(w, "\n\n%.0f s on %d workers.\n\n", elapsed, o.workers)
	return missed
}

// chosenScenarios is the scenarios of the names, all where there are none.
func chosenScenarios(names []string) ([]fillsim.Scenario, error) {
	return pick(fillsim.Scenarios(), names, func(s fillsim.Scenario) string { return s.Name })
}
