package main

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"brimline/analysis/rate"
	"brimline/rig/simbench"
)

func study(args ...string) (code int, out, errs string) {
	var o, e bytes.Buffer
	code = run(args, &o, &e)
	return code, o.String(), e.String()
}

func TestUsage(t *testing.T) {
	if code, _, errs := study("--help"); code != 0 || !strings.Contains(errs, "Seeds from 1 to 1,000,000 are the study's") || !strings.Contains(errs, "-seed") {
		t.Errorf("--help: exit %d, %q", code, errs)
	}
	for _, c := range []struct {
		args []string
		says string
		code int
	}{
		{[]string{"-n", "0"}, "use 1 to", 2},
		{[]string{"-sps", "50"}, "use 80, 10 or 80,10", 2},
		{[]string{"-workers", "0"}, "use 1 to", 2},
		{[]string{"-severity", "NaN"}, "use 0 to 1", 2},
		{[]string{"-nothing"}, "not defined", 2},
		{[]string{"verdicts"}, `no part "verdicts"`, 2},
		{[]string{"-only", "gremlins", "flags"}, "there are late-start", 2},
		{[]string{"-only", "gremlins", "coverage"}, "there are white", 2},
		{[]string{"-only", "gremlins", "compare"}, "there are hand-2x2x", 2},
	} {
		if code, out, errs := study(c.args...); code != c.code || !strings.Contains(errs, c.says) {
			t.Errorf("%v: exit %d, %q, %q, want exit %d and %q", c.args, code, out, errs, c.code, c.says)
		}
	}
}

// A page has what was studied, how and what missed; the same seeds give the same tables.
func TestPage(t *testing.T) {
	file := filepath.Join(t.TempDir(), "STUDY.md")
	args := []string{"-seed", "2000000", "-n", "2", "-sound", "3", "-sps", "10", "-only", "foam,missing-samples,sound", "-code", "v0", "-o", file, "flags"}
	code, first, errs := study(args...)
	if code > 1 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	page, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"of version v0", "5,000,000", "| foam |", "### At 10 samples/s", "seeds from 2000000", "seeds from 2100000", "Which fault is called what", "- spout-dipping (severity 1: 6 mm"} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(string(page), "NaN ") || strings.Contains(string(page), "%!") {
		t.Errorf("the page says NaN or has a broken figure:\n%s", page)
	}
	_, second, _ := study(args...)
	clean := func(s string) string { // without how long it took
		return strings.Join(slices.DeleteFunc(strings.Split(s, "\n"), func(l string) bool { return strings.HasSuffix(l, "workers.") }), "\n")
	}
	if clean(first) != clean(second) {
		t.Errorf("the same seeds gave other tables:\n%s\n%s", first, second)
	}
	if code, out, errs := study("-seed", "2000000", "-n", "5", "-sps", "10", "-only", "missing-samples", "smaller"); code != 0 || !strings.Contains(out, "| missing-samples | 45 s without a sample | 100, 100 | 100, 100 |") {
		t.Errorf("smaller: exit %d, %s\n%s", code, errs, out)
	}
	if code, _, errs := study("-seed", "2000000", "-n", "1", "-sound", "0", "-sps", "10", "-only", "foam", "-o", t.TempDir(), "flags"); code != 1 || !strings.Contains(errs, "writing the page") {
		t.Errorf("a folder in place of a file: exit %d, %q", code, errs)
	}
	if code, out, errs := study("-seed", "2000000", "-sps", "10", "-only", "missing-samples", "-list", "flags"); code != 0 || !strings.Contains(out, "missing-samples, seed 2000000 (45 s without a sample)") || !strings.Contains(out, "(faulty)") {
		t.Errorf("-list: exit %d, %q, %q", code, out, errs)
	}
}

// A share's error with whole groups drawn: Cochran's equation by hand for three groups of
// 2 of 2, 1 of 2 and 0 of 4, p = 3/8. Deviations 1.25, 0.25, -1.5 have a sum of squares of
// 3.875; sqrt(3.875 x 3/2)/8 = 0.301364.
func TestClusters(t *testing.T) {
	var c clusters
	c.add(2, 2)
	c.add(1, 2)
	c.add(0, 4)
	if c.share() != 0.375 || math.Abs(c.se()-0.301364) > 1e-6 {
		t.Errorf("share %g ± %.6f, want 0.375 ± 0.301364", c.share(), c.se())
	}
	var one clusters
	one.add(1, 2)
	if !math.IsNaN(one.se()) {
		t.Errorf("one group has a standard error of %g", one.se())
	}
	// A binomial share: sqrt(0.95 0.05/2000) = 0.004873; none of 50 as half of one.
	if a, b := binomialSE(0.95, 2000), binomialSE(0, 50); math.Abs(a-0.0048734) > 1e-6 || math.Abs(b-math.Sqrt(0.01*0.99/50)) > 1e-12 {
		t.Errorf("binomial errors %g and %g", a, b)
	}
}

// What is said of a channel is counted for the plant that stands there, and against the
// others.
func TestTally(t *testing.T) {
	flag := func(codes ...string) (out []rate.Flag) {
		for _, c := range codes {
			out = append(out, rate.Flag{Code: c, Severity: rate.Doubt})
		}
		return out
	}
	f := flagStudy{by: map[string][]said{
		"knock": {
			{seed: 1, faulty: 1, channels: [][]rate.Flag{nil, flag("knock", "jump", "knock"), nil}},
			{seed: 2, faulty: 0, channels: [][]rate.Flag{flag("jump"), flag("jump"), nil}, all: flag("engine-moves")},
			{seed: 3, faulty: 2, channels: [][]rate.Flag{nil, nil, nil}},
		},
		"waves": {{seed: 1, faulty: -1, channels: [][]rate.Flag{flag("engine-moves"), flag("engine-moves", "gap")}, all: flag("engine-moves")}},
	}}
	k := f.tally(plant{name: "knock", answers: []string{"knock"}})
	if k.runs != 3 || k.named != 1 || k.any != 2 || k.others != 6 || k.wrong != 1 || k.codes["jump"] != 2 || k.codes["knock"] != 1 || k.wrongs["jump"] != 1 || k.wrongs["run: engine-moves"] != 1 {
		t.Errorf("knock: %+v", k)
	}
	w := f.tally(plant{name: "waves", engine: true, answers: []string{"engine-moves"}})
	if w.runs != 1 || w.named != 1 || w.others != 2 || w.wrong != 1 || w.wrongs["gap"] != 1 || w.wrongs["engine-moves"] != 0 {
		t.Errorf("waves: %+v", w)
	}
	var table bytes.Buffer
	f.sps, f.o = 80, settings{severity: 1, n: 3}
	missed := f.write(&table, []plant{{name: "knock", answers: []string{"knock"}}}, 0)
	if len(missed) != 1 || !strings.Contains(missed[0], "named in 1 of 3") || !strings.Contains(table.String(), "| knock | 66.7 | **33.3** |") {
		t.Errorf("%v\n%s", missed, table.String())
	}
}

// Every fault begins within the flow and has time for what it does.
func TestWhen(t *testing.T) {
	for _, f := range simbench.Faults() {
		s, err := newScene(2000000, 80, false)
		if err != nil {
			t.Fatal(err)
		}
		for range 1000 {
			at := when(f.Kind, 1, s.rng)
			if at < runStill || at > runStill+runFlow-20*time.Second {
				t.Fatalf("%s at %v", f.Kind, at)
			}
			if strings.HasPrefix(f.Unit, "s ") && at+time.Duration(f.Full*1e9) > runStill+runFlow-10*time.Second {
				t.Fatalf("%s at %v lasts beyond the flow", f.Kind, at)
			}
		}
	}
}

func TestParallelStopsAtAnError(t *testing.T) {
	var did atomic.Int64
	err := parallel(2, 1000, func(i int) error {
		if did.Add(1); i == 3 {
			return errors.New("three")
		}
		return nil
	})
	if err == nil || err.Error() != "three" || did.Load() > 990 {
		t.Errorf("%v after %d jobs", err, did.Load())
	}
}

// The shorter version of `make study`: as many fills as a minute allows, each figure
// within 3.5 standard errors of its threshold, which chance alone misses in one figure of
// some 4,000. It prints what it found.
func TestShortStudy(t *testing.T) {
	const slack = 3.5
	o := settings{n: 9, seed: 2_000_000, workers: 2, severity: 1}
	var table bytes.Buffer
	list, err := chosenScenarios(nil)
	if err != nil {
		t.Fatal(err)
	}
	all, err := o.coverage(list)
	if err != nil {
		t.Fatal(err)
	}
	missed := writeCoverage(&table, o, all, slack)
	var fit clusters // of all scenarios: what a few fills of each cannot show
	for _, c := range all {
		fit.groups = append(fit.groups, c.by[withRecord].fit.groups...)
		fit.n, fit.k = fit.n+c.by[withRecord].fit.n, fit.k+c.by[withRecord].fit.k
	}
	if p := fit.share(); p < leastCover-slack*fit.se() || p > mostCover+slack*fit.se() {
		missed = append(missed, fmt.Sprintf("all scenarios: the fit's interval holds the truth in %.2f %% of %d fills", 100*p, fit.n))
	}
	o.n, o.sound, o.sps = 12, 60, []int{80, 10}
	more, err := o.flags(&table, slack)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("\n%s", table.String())
	for _, m := range append(missed, more...) {
		t.Error(m)
	}
}
