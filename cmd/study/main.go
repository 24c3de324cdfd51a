// Command study measures how far the program's rates, intervals, flags and comparisons
// keep their word, on simulated fills and tests whose truth is known: `go run ./cmd/study --help`.
//
// It is for developers; `make study` writes its tables into analysis/STUDY.md.
package main

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"brimline/rig/simbench"
)

const help = `study measures rates, intervals, flags and comparisons on simulated fills and tests whose
truth is known.

  study [options] PART...

Parts:
  coverage   fills of known truth from a plain model of noise: how often the 95 %
             interval holds, and the standard error over the Cramer-Rao bound
  compare    before against after: how often equals are called changed, how often a
             change is shown beside the best that is possible, n sets and four times
             as many of equals
  smaller    the same faults at lower severities, a fifth as many runs; no thresholds
  flags      each fault of the simulated bench in N runs, and sound runs: what is said
             of the faulty channel, what is wrongly said of the others

Seeds from 1 to 1,000,000 are the study's: nothing may be tuned on them. Tests use
2,000,000 and up; tune on 5,000,000 and up.

It ends with 1 when a figure misses its threshold, and says which.

Options:
`

// settings is what a study is asked for.
type settings struct {
	n, sound int
	seed     uint64
	sps      []int
	workers  int
	severity float64
	only     string
	list     bool
	into     string // file
	code     string // version
}

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

func run(args []string, out, errs io.Writer) int {
	var o settings
	fs := flag.NewFlagSet("study", flag.ContinueOnError)
	fs.SetOutput(errs)
	fs.Usage = func() { fmt.Fprint(errs, help); fs.PrintDefaults() }
	fs.IntVar(&o.n, "n", 500, "runs of each fault, sets with a change; four times as many fills and sets of equals of each scenario")
	fs.IntVar(&o.sound, "sound", -1, "sound runs, of four or six fills each; -1: enough for ten times n fills")
	fs.Uint64Var(&o.seed, "seed", 1, "the first seed")
	sps := fs.String("sps", "80", "samples a second of the bench: 80, 10 or 80,10")
	fs.IntVar(&o.workers, "workers", runtime.GOMAXPROCS(0), "how many run at once")
	fs.Float64Var(&o.severity, "severity", 1, "of the faults, 0 to 1")
	fs.StringVar(&o.only, "only", "", "only these faults or scenarios, by name with commas between; \"sound\" is the sound runs alone")
	fs.StringVar(&o.only, "fault", "", "as -only")
	fs.StringVar(&o.into, "o", "", "write a dated page to this file, with what was studied and how")
	fs.StringVar(&o.code, "code", "not said", "version of the code, for the page")
	fs.BoolVar(&o.list, "list", false, "print what was said of the first seed, in place of tables")
	if err := fs.Parse(args); err != nil {
		if errors.Is(err, flag.ErrHelp) {
			return 0
		}
		return 2
	}
	if err := o.check(*sps); err != nil {
		fmt.Fprintln(errs, "study:", err)
		return 2
	}
	parts := fs.Args()
	if len(parts) == 0 {
		parts = []string{"coverage", "flags"}
	}
	for _, part := range parts {
		if err := o.knows(part); err != nil {
			fmt.Fprintln(errs, "study:", err)
			return 2
		}
	}
	var page bytes.Buffer
	tables := out
	if o.into != "" {
		tables = io.MultiWriter(out, &page)
	}
	var missed []string
	for _, part := range parts {
		var m []string
		var err error
		switch part {
		case "flags":
			m, err = o.flags(tables, 0)
		case "coverage":
			m, err = o.cover(tables, 0)
		case "compare":
			m, err = o.comparing(tables, 0)
		case "smaller":
			err = o.smaller(tables)
		}
		if err != nil {
			fmt.Fprintf(errs, "study: %s: %v\n", part, err)
			return 1
		}
		missed = append(missed, m...)
	}
	if o.into != "" {
		if err := os.WriteFile(o.into, o.page(page.Bytes(), missed, time.Now()), 0o644); err != nil {
			fmt.Fprintf(errs, "study: writing the page: %v\n", err)
			return 1
		}
	}
	if len(missed) > 0 {
		fmt.Fprintf(errs, "study: %d figures miss their threshold:\n  %s\n", len(missed), strings.Join(missed, "\n  "))
		return 1
	}
	return 0
}

func (o *settings) check(sps string) error {
	for x := range strings.SplitSeq(sps, ",") {
		if x != "80" && x != "10" {
			return fmt.Errorf("-sps %s: use 80, 10 or 80,10", sps)
		}
		n, _ := strconv.Atoi(x)
		o.sps = append(o.sps, n)
	}
	switch {
	case o.n < 1 || o.n > soundSeeds:
		return fmt.Errorf("-n %d: use 1 to %d", o.n, soundSeeds)
	case o.workers < 1 || o.workers > 256:
		return fmt.Errorf("-workers %d: use 1 to 256", o.workers)
	case !(o.severity >= 0 && o.severity <= 1):
		return fmt.Errorf("-severity %g: use 0 to 1", o.severity)
	}
	if o.sound < 0 {
		o.sound = (10*o.n + 3) / 4
	}
	if o.list {
		o.n, o.sound = 1, 0
	}
	return nil
}

// knows returns an error where there is no such part, or nothing in it of the names asked for.
func (o settings) knows(part string) error {
	var err error
	switch part {
	case "flags", "smaller":
		_, _, err = chosen(plants(o.severity), o.names())
	case "coverage":
		_, err = chosenScenarios(o.names())
	case "compare":
		_, err = chosenComparisons(o.names())
	default:
		err = fmt.Errorf("there is no part %q: see --help", part)
	}
	return err
}

// flags is the part of that name. A figure may miss its threshold by slack standard errors.
func (o settings) flags(out io.Writer, slack float64) (missed []string, err error) {
	list, sound, err := chosen(plants(o.severity), o.names())
	if err != nil {
		return nil, err
	}
	if !sound {
		o.sound = 0
	}
	fmt.Fprint(out, "## What is said of faults, and of sound fills\n\n")
	for _, sps := range o.sps {
		f := flagStudy{o: o, sps: sps}
		if err := f.run(list); err != nil {
			return nil, err
		}
		if o.list {
			f.list(out, list)
			continue
		}
		missed = append(missed, f.write(out, list, slack)...)
	}
	return missed, nil
}

// smaller is the part of that name.
func (o settings) smaller(out io.Writer) error {
	list, _, err := chosen(plants(1), o.names())
	if err != nil {
		return err
	}
	list = slices.DeleteFunc(list, func(p plant) bool { return p.engine })
	o.n, o.sound = max(1, o.n/5), 0
	o.seed += 2 * soundSeeds
	var steps []*flagStudy
	for _, severity := range []float64{0.5, 0.2, 0.1} {
		o.severity = severity
		f := &flagStudy{o: o, sps: o.sps[0]}
		if err := f.run(list); err != nil {
			return err
		}
		steps = append(steps, f)
	}
	writeSmaller(out, list, steps)
	return nil
}

// cover is the part coverage.
func (o settings) cover(out io.Writer, slack float64) (missed []string, err error) {
	list, err := chosenScenarios(o.names())
	if err != nil {
		return nil, err
	}
	all, err := o.coverage(list)
	if err != nil {
		return nil, err
	}
	fmt.Fprint(out, "## The rate and its interval\n\n")
	return writeCoverage(out, o, all, slack), nil
}

// names is what -only asks for; nil for everything.
func (o settings) names() []string {
	if o.only == "" {
		return nil
	}
	return strings.Split(o.only, ",")
}

// chosen is the plants of the names, and whether sound runs belong to them.
func chosen(all []plant, names []string) (list []plant, sound bool, err error) {
	if len(names) == 0 {
		return all, true, nil
	}
	if i := slices.Index(names, "sound"); i >= 0 {
		sound = true
		if names = slices.Delete(slices.Clone(names), i, i+1); len(names) == 0 {
			return nil, true, nil
		}
	}
	list, err = pick(all, names, func(p plant) string { return p.name })
	return list, sound, err
}

// pick is those of all that are named, in the order of the names; all where none is.
func pick[T any](all []T, names []string, name func(T) string) ([]T, error) {
	if len(names) == 0 {
		return all, nil
	}
	var out []T
	for _, n := range names {
		i := slices.IndexFunc(all, func(x T) bool { return name(x) == n })
		if i < 0 {
			var known []string
			for _, x := range all {
				known = append(known, name(x))
			}
			return nil, fmt.Errorf("there is no %q: there are %s", n, strings.Join(known, ", "))
		}
		out = append(out, all[i])
	}
	return out, nil
}

// list prints what was said of each run.
func (f *flagStudy) list(w io.Writer, list []plant) {
	sizes := map[string]string{}
	for _, i := range simbench.Faults() {
		sizes[string(i.Kind)] = i.Does
	}
	for _, p := range append([]plant{{name: ""}}, list...) {
		for _, s := range f.by[p.name] {
			name := p.name
			if name == "" {
				name = "sound"
			}
			fmt.Fprintf(w, "%s, seed %d (%s)\n", name, s.seed, p.what)
			for _, g := range s.all {
				fmt.Fprintf(w, "  the run: %s, %s: %s\n", g.Code, g.Severity, g.Text())
			}
			for ch, flags := range s.channels {
				mark := ""
				if ch == s.faulty {
					mark = " (faulty)"
				}
				if len(flags) == 0 && ch == s.faulty {
					fmt.Fprintf(w, "  tube%d%s: nothing said\n", ch+1, mark)
				}
				for _, g := range flags {
					e := g.Evidence
					fmt.Fprintf(w, "  tube%d%s: %s, %s: %s [%.4g to %.4g s, %.4g ± %.2g %s, chance %.2g]\n", ch+1, mark, g.Code, g.Severity, g.Text(), e.FromS, e.ToS, e.Size, e.U, e.Unit, e.Chance)
				}
			}
		}
	}
}

// parallel does n jobs on a number of workers and returns the first error.
func parallel(workers, n int, do func(i int) error) error {
	var next atomic.Int64
	var mu sync.Mutex
	var first error
	var group sync.WaitGroup
	for range workers {
		group.Go(func() {
			for {
				i := int(next.Add(1) - 1)
				if i >= n {
					return
				}
				if err := do(i); err != nil {
					mu.Lock()
					if first == nil {
						first = err
					}
					mu.Unlock()
					next.Store(int64(n))
				}
			}
		})
	}
	group.Wait()
	return first
}
