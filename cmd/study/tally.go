package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"sort"
	"strings"

	"brimline/analysis/rate"
)

// tally is what was counted of one plant.
type tally struct {
	plant  plant
	runs   int
	named  int            // by one of its answers, on the faulty channel or, the engine's, of the run
	any    int            // something was said there
	codes  map[string]int // of runs in which a code was said there
	others int            // fills of sound channels beside it
	wrong  int            // of these, with any flag
	wrongs map[string]int // codes on them
	forbid int            // runs in which a finding was forbidden on the faulty channel
}

func codesOf(flags []rate.Flag) []string {
	var out []string
	for _, g := range flags {
		if !slices.Contains(out, g.Code) {
			out = append(out, g.Code)
		}
	}
	return out
}

// onAll is what was said of the run as a whole, and of at least half of its channels each.
func (s said) onAll() []rate.Flag {
	out := slices.Clone(s.all)
	on := map[string]int{}
	for _, flags := range s.channels {
		for _, c := range codesOf(flags) {
			if on[c]++; 2*on[c] >= len(s.channels) && !slices.Contains(codesOf(out), c) {
				out = append(out, flags[slices.IndexFunc(flags, func(g rate.Flag) bool { return g.Code == c })])
			}
		}
	}
	return out
}

func (f *flagStudy) tally(p plant) tally {
	t := tally{plant: p, codes: map[string]int{}, wrongs: map[string]int{}}
	for _, s := range f.by[p.name] {
		t.runs++
		there := s.onAll()
		if s.faulty >= 0 {
			there = s.channels[s.faulty]
		}
		codes := codesOf(there)
		if len(codes) > 0 {
			t.any++
		}
		if slices.ContainsFunc(codes, func(c string) bool { return slices.Contains(p.answers, c) }) {
			t.named++
		}
		for _, c := range codes {
			t.codes[c]++
		}
		if slices.ContainsFunc(there, func(g rate.Flag) bool { return g.Severity == rate.Forbids }) {
			t.forbid++
		}
		for ch, flags := range s.channels {
			if ch == s.faulty {
				continue
			}
			t.others++
			codes := codesOf(flags)
			if p.engine { // each channel may say of it what the run says
				codes = slices.DeleteFunc(codes, func(c string) bool { return slices.Contains(p.answers, c) })
			}
			if len(codes) > 0 {
				t.wrong++
			}
			for _, c := range codes {
				t.wrongs[c]++
			}
		}
		if s.faulty >= 0 { // what is said of the run as a whole is wrong too
			for _, c := range codesOf(s.all) {
				t.wrongs["run: "+c]++
			}
		}
	}
	return t
}

// percent writes a share with its binomial standard error, in percent.
func percent(k, n int) string {
	if n == 0 {
		return "-"
	}
	p := float64(k) / float64(n)
	return fmt.Sprintf("%.1f ± %.1f", 100*p, 100*binomialSE(p, n))
}

// binomialSE is the standard error of a share; for 0 or all of n that of half an event.
func binomialSE(p float64, n int) float64 {
	least := 0.5 / float64(n)
	p = min(max(p, least), 1-least)
	return math.Sqrt(p * (1 - p) / float64(n))
}

// counted writes codes with how often, the most frequent first.
func counted(m map[string]int) string {
	type row struct {
		code string
		n    int
	}
	var rows []row
	for c, n := range m {
		rows = append(rows, row{c, n})
	}
	sort.Slice(rows, func(i, j int) bool {
		if rows[i].n != rows[j].n {
			return rows[i].n > rows[j].n
		}
		return rows[i].code < rows[j].code
	})
	var out []string
	for _, r := range rows {
		out = append(out, fmt.Sprintf("%s %d", r.code, r.n))
	}
	return strings.Join(out, ", ")
}

// thresholds of the flags.
const (
	leastFound = 0.99
	mostWrong  = 0.005
)

// write prints the tables and returns what missed its threshold. slack is how many
// standard errors a figure may lie beyond: none in the study, some in a shorter test.
func (f *flagStudy) write(w io.Writer, list []plant, slack float64) (missed []string) {
	miss := func(format string, a ...any) { missed = append(missed, fmt.Sprintf(format, a...)) }
	fmt.Fprintf(w, "### At %d samples/s\n\n", f.sps)
	fmt.Fprintf(w, "Each fault at severity %g on one channel of a run, %d runs each, seeds from %d; %d sound runs, seeds from %d.\n\n", f.o.severity, f.o.n, f.o.seed, f.o.sound, f.o.seed+soundSeeds)
	if len(list) > 0 {
		fmt.Fprintln(w, "| planted | size | named, % | anything said, % | forbids, % | on the channels beside it: wrong, % |")
		fmt.Fprintln(w, "|---|---|---|---|---|---|")
	}
	var tallies []tally
	for _, p := range list {
		if len(f.by[p.name]) == 0 {
			continue
		}
		t := f.tally(p)
		tallies = append(tallies, t)
		beside := percent(t.wrong, t.others)
		if p.engine {
			beside += " (of all)"
		}
		fmt.Fprintf(w, "| %s | %s | %s | %s | %s | %s |\n", p.name, p.what, percent(t.named, t.runs), percent(t.any, t.runs), percent(t.forbid, t.runs), beside)
		share := float64(t.named) / float64(t.runs)
		if share < leastFound-slack*binomialSE(leastFound, t.runs) {
			miss("%s at %d samples/s: named in %d of %d, want %.0f %%", p.name, f.sps, t.named, t.runs, 100*leastFound)
		}
	}
	if sound := f.by[""]; len(sound) > 0 {
		t := f.tally(plant{name: ""})
		runs := 0
		for _, s := range sound {
			if len(s.all) > 0 {
				runs++
			}
		}
		fmt.Fprintf(w, "\nSound fills: %d, of which %s %% carry a flag (%s). Of %d sound runs %d have something said of the run as a whole.\n",
			t.others, percent(t.wrong, t.others), orNone(counted(t.wrongs)), t.runs, runs)
		if share := float64(t.wrong) / float64(t.others); share > mostWrong+slack*binomialSE(mostWrong, t.others) {
			miss("sound fills at %d samples/s: %d of %d carry a flag, want at most %.1f %%", f.sps, t.wrong, t.others, 100*mostWrong)
		}
		if share := float64(runs) / float64(t.runs); share > mostWrong+slack*binomialSE(mostWrong, t.runs) {
			miss("sound runs at %d samples/s: %d of %d have a flag of the whole run, want at most %.1f %%", f.sps, runs, t.runs, 100*mostWrong)
		}
	}
	missed = append(missed, f.writeRates(w, slack)...)
	writeMatrix(w, tallies)
	fmt.Fprintf(w, "\n%.0f s on %d workers.\n\n", f.elapsedS, f.o.workers)
	return missed
}

// writeSmaller prints how often a fault is named, and anything said, by its severity.
func writeSmaller(w io.Writer, list []plant, steps []*flagStudy) {
	o := steps[0].o
	fmt.Fprintf(w, "## How small a fault is still found\n\nAt %d samples/s, %d runs each, seeds from %d: named in %% of the runs, and behind it anything said. A fault that is not found may be too small to matter: see its size against the rate's U.\n\n| planted | at 1 |", steps[0].sps, o.n, o.seed)
	for _, f := range steps {
		fmt.Fprintf(w, " %g |", f.o.severity)
	}
	fmt.Fprintf(w, "\n|---|---|%s\n", strings.Repeat("---|", len(steps)))
	elapsed := 0.0
	for _, p := range list {
		fmt.Fprintf(w, "| %s | %s |", p.name, p.what)
		for _, f := range steps {
			t := f.tally(p)
			fmt.Fprintf(w, " %.0f, %.0f |", 100*float64(t.named)/float64(t.runs), 100*float64(t.any)/float64(t.runs))
		}
		fmt.Fprintln(w)
	}
	for _, f := range steps {
		elapsed += f.elapsedS
	}
	fmt.Fprintf(w, "\n%.0f s on %d workers.\n\n", elapsed, o.workers)
}

// writeRates says how well the rates of the sound runs keep their word, all errors of the
// bench included.
func (f *flagStudy) writeRates(w io.Writer, slack float64) (missed []string) {
	var c clusters
	var off2, u2 float64
	for _, s := range f.by[""] {
		held := 0
		for _, m := range s.rates {
			d := (m.is - m.truth) / m.truth
			if math.Abs(m.is-m.truth) <= m.u95 {
				held++
			}
			off2 += d * d
			u2 += m.u95 * m.u95 / (m.truth * m.truth)
		}
		c.add(held, len(s.rates))
	}
	if c.n == 0 {
		return nil
	}
	n := float64(c.n)
	fmt.Fprintf(w, "\nOf their rates in mL/min the 95 %% interval, with all of the budget in it, holds the truth in %.1f ± %.1f %%; it is ±%.2f %% of the rate, and the error's root mean square %.2f %%.\n",
		100*c.share(), 100*c.se(), 100*math.Sqrt(u2/n), 100*math.Sqrt(off2/n))
	if c.tooFew(slack) {
		missed = append(missed, fmt.Sprintf("rates of sound runs at %d samples/s: the interval holds the truth in %.2f ± %.2f %% of %d, want 95 or more", f.sps, 100*c.share(), 100*c.se(), c.n))
	}
	return missed
}

// clusters counts what comes in groups whose members share something, as the fills of a
// bench share its scale or its fuel.
type clusters struct {
	n, k   int
	groups []cluster
}

type cluster struct{ n, k int }

func (c *clusters) add(k, n int) {
	c.n, c.k, c.groups = c.n+n, c.k+k, append(c.groups, cluster{n, k})
}

func (c *clusters) share() float64 { return float64(c.k) / float64(max(1, c.n)) }

// se is the standard error of the share with whole groups drawn (the linearised ratio
// estimator, Cochran 1977, Sampling Techniques, 3rd ed., eq. 6.13), at least the binomial.
func (c *clusters) se() float64 {
	p, m := c.share(), float64(len(c.groups))
	if m < 2 {
		return math.NaN()
	}
	ss := 0.0
	for _, g := range c.groups {
		d := float64(g.k) - p*float64(g.n)
		ss += d * d
	}
	return max(math.Sqrt(ss*m/(m-1))/float64(c.n), binomialSE(p, c.n))
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

// writeMatrix prints which fault is called what: a row a fault, a column a code.
func writeMatrix(w io.Writer, tallies []tally) {
	var codes []string
	for _, t := range tallies {
		for c := range t.codes {
			if !slices.Contains(codes, c) {
				codes = append(codes, c)
			}
		}
	}
	if len(codes) == 0 {
		return
	}
	slices.Sort(codes)
	fmt.Fprintf(w, "\nWhich fault is called what, in %% of its runs (a run may carry several). Columns:")
	for i, c := range codes {
		sep := ","
		if i == len(codes)-1 {
			sep = ".\n\n"
		}
		fmt.Fprintf(w, " %s %s%s", short(i), c, sep)
	}
	fmt.Fprint(w, "| planted |")
	for i := range codes {
		fmt.Fprintf(w, " %s |", short(i))
	}
	fmt.Fprintf(w, "\n|---|%s\n", strings.Repeat("--:|", len(codes)))
	for _, t := range tallies {
		fmt.Fprintf(w, "| %s |", t.plant.name)
		for _, c := range codes {
			cell := ""
			if n := t.codes[c]; n > 0 {
				cell = fmt.Sprintf("%.3g", 100*float64(n)/float64(t.runs))
				if slices.Contains(t.plant.answers, c) {
					cell = "**" + cell + "**"
				}
			}
			fmt.Fprintf(w, " %s |", cell)
		}
		fmt.Fprintln(w)
	}
	var wrong []string
	for _, t := range tallies {
		if len(t.wrongs) > 0 && !t.plant.engine {
			wrong = append(wrong, fmt.Sprintf("beside %s: %s", t.plant.name, counted(t.wrongs)))
		}
	}
	if len(wrong) > 0 {
		fmt.Fprintf(w, "\nOn channels without a fault, %s.\n", strings.Join(wrong, "; "))
	}
}

// short is a column's letter: A to Z, then AA and so on.
func short(i int) string {
	if i < 26 {
		return string(rune('A' + i))
	}
	return string(rune('A'+i/26-1)) + string(rune('A'+i%26))
}
