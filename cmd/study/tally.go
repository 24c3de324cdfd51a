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

func (f *flagStudy) tally(p plant) tally {
	t := tally{plant: p, codes: map[string]int{}, wrongs: map[string]int{}}
	for _, s := range f.by[p.name] {
		t.runs++
		there := s.all
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
			if len(flags) > 0 {
				t.wrong++
			}
			for _, c := range codesOf(flags) {
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
	fmt.Fprintf(w, "### Flags at %d samples/s\n\n", f.o.sps)
	fmt.Fprintf(w, "Each fault at severity %g on one channel of a run, %d runs each; %d sound runs. Seeds from %d and from %d.\n\n", f.o.severity, f.o.n, f.o.sound, f.o.seed, f.o.seed+soundSeeds)
	fmt.Fprintln(w, "| planted | size | named, % | anything said, % | forbids, % | on the channels beside it: wrong, % |")
	fmt.Fprintln(w, "|---|---|---|---|---|---|")
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
			miss("%s at %d samples/s: named in %d of %d, want %.0f %%", p.name, f.o.sps, t.named, t.runs, 100*leastFound)
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
			miss("sound fills at %d samples/s: %d of %d carry a flag, want at most %.1f %%", f.o.sps, t.wrong, t.others, 100*mostWrong)
		}
		if share := float64(runs) / float64(t.runs); share > mostWrong+slack*binomialSE(mostWrong, t.runs) {
			miss("sound runs at %d samples/s: %d of %d have a flag of the whole run, want at most %.1f %%", f.o.sps, runs, t.runs, 100*mostWrong)
		}
	}
	writeMatrix(w, tallies)
	fmt.Fprintf(w, "\n%.0f s on %d workers.\n\n", f.elapsedS, f.o.workers)
	return missed
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
