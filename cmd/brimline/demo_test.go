package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"

	"brimline/analysis/rate"
)

// Over 200 afternoons of the demo's bench the 95 % interval of a rate holds what the
// simulator was told in 92-98 % of the fills, and the sets and the change are
// found as they were made. The simulator's record stands in for the driver here, which
// gives the same model's readings; TestDemo goes through the driver.
func TestDemoIntervalsHold(t *testing.T) {
	const seeds = 200
	var mu sync.Mutex
	var fills, held, standing, changes, lower int
	var worst float64
	jobs := make(chan uint64)
	var workers sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		workers.Go(func() {
			for seed := range jobs {
				d := demo{seed: seed, dir: filepath.Join(t.TempDir(), "demo"), progress: io.Discard}
				if err := d.measure(context.Background()); err != nil {
					t.Errorf("seed %d: %v", seed, err)
					continue
				}
				if err := d.analyse(context.Background()); err != nil {
					t.Errorf("seed %d: %v", seed, err)
					continue
				}
				os.RemoveAll(d.dir)
				mu.Lock()
				fills += d.fills()
				held += d.held()
				for i, s := range d.rates {
					for _, m := range s.members {
						if (m.Standing == rate.ApartHigh) == (m.Injector == "4") {
							standing++
						}
					}
					for k, f := range d.tests[i].Fits {
						x := f.fill()
						worst = max(worst, math.Abs(x.RateMLPerMin-d.truth[i][k].RateMLPerMin)/x.RateMLPerMin)
					}
				}
				ci := d.change.Effect.CI95
				if truth := 100 * d.sim.TrueChange(); ci[0] <= truth && truth <= ci[1] {
					changes++
				}
				if d.change.Decision == "lower" {
					lower++
				}
				mu.Unlock()
			}
		})
	}
	for seed := range uint64(seeds) {
		jobs <- 1000 + seed
	}
	close(jobs)
	workers.Wait()
	cover := 100 * float64(held) / float64(fills)
	t.Logf("%d fills of %d afternoons: the 95 %% interval of a rate holds the truth in %.2f %%; the largest error is %.2f %% of the rate", fills, seeds, cover, 100*worst)
	t.Logf("standing in the set as made: %d of %d; the interval of the change holds the truth in %.1f %%; called lower in %.1f %%",
		standing, 2*seeds*demoTubes, 100*float64(changes)/seeds, 100*float64(lower)/seeds)
	if fills != seeds*2*demoRuns*demoTubes {
		t.Errorf("%d fills, want %d", fills, seeds*2*demoRuns*demoTubes)
	}
	if cover < 92 || cover > 98 {
		t.Errorf("coverage %.2f %%, want 92 to 98", cover)
	}
	if standing < 2*seeds*demoTubes*99/100 {
		t.Errorf("only %d of %d standings are as made, want 99 %%", standing, 2*seeds*demoTubes)
	}
	// 95 % of 200, less three standard errors.
	if changes < 181 {
		t.Errorf("the interval of the change holds the truth in %d of %d afternoons, want at least 181", changes, seeds)
	}
}

// The demo through the driver, by its command: the files are there and agree.
func TestDemo(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "out")
	var text, progress bytes.Buffer
	if code := run(context.Background(), []string{"demo", "--seed", "3", "--out", dir}, nil, &text, &progress); code != exitDone {
		t.Fatalf("exit code %d: %s", code, progress.String())
	}
	for _, want := range []string{"SIMULATED", "Injector 4 stands apart (high)", "late-start (note) on 1 fill", "the simulator was told", "Before against after", "report.html", "maker's own procedure"} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("the printout lacks %q", want)
		}
	}
	if strings.Contains(text.String(), "NaN") || strings.Contains(strings.ToLower(text.String()), "pass") {
		t.Errorf("the printout says NaN or pass:\n%s", text.String())
	}
	if n := strings.Count(progress.String(), "run "); n != 2*demoRuns {
		t.Errorf("progress names %d runs, want %d", n, 2*demoRuns)
	}
	read := func(name string) []byte {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	var result demoJSON
	if err := json.Unmarshal(read("result.json"), &result); err != nil {
		t.Fatal(err)
	}
	if result.Schema != demoSchema || !result.Simulated || len(result.Tests) != 2 || len(result.Tests[0].Fills) != demoRuns*demoTubes {
		t.Errorf("result.json: schema %q, simulated %v, %d tests", result.Schema, result.Simulated, len(result.Tests))
	}
	if page := string(read("report.html")); !strings.Contains(page, "stands apart (high)") || !strings.Contains(page, "imulated") {
		t.Error("report.html lacks the finding, or does not say that the bench is simulated")
	} else if !strings.Contains(page, "run the engine until fuel comes from every hose") && !strings.Contains(page, "Run the engine until fuel comes from every hose") {
		t.Error("report.html does not say what to do about the dry hose")
	}

	// rates of the stored test gives the same fills as the demo.
	var out, errs bytes.Buffer
	if code := run(context.Background(), []string{"rates", "T2", "--data", dir, "--json"}, nil, &out, &errs); code != exitDone {
		t.Fatalf("rates T2: exit code %d: %s", code, errs.String())
	}
	var stored ratesJSON
	if err := json.Unmarshal(out.Bytes(), &stored); err != nil {
		t.Fatal(err)
	}
	if len(stored.Fills) != demoRuns*demoTubes || *stored.Fills[0].ML != *result.Tests[1].Fills[0].ML || stored.Finding != result.Tests[1].Finding {
		t.Errorf("rates T2 differs from the demo: %v, %q", stored.Fills[0], stored.Finding)
	}

	// rates of the exported curves finds each fill of each injector at the same rate.
	out.Reset()
	if code := run(context.Background(), []string{"rates", filepath.Join(dir, "curves.csv"), "--json"}, nil, &out, &errs); code != exitDone {
		t.Fatalf("rates curves.csv: exit code %d: %s", code, errs.String())
	}
	var curves ratesJSON
	if err := json.Unmarshal(out.Bytes(), &curves); err != nil {
		t.Fatal(err)
	}
	var same int
	for _, test := range result.Tests {
		for _, f := range test.Fills {
			for _, c := range curves.Fills {
				if c.Channel == "injector"+string(rune('0'+f.Injector)) && math.Abs(*c.G-*f.G) < *f.U95 {
					same++
					break
				}
			}
		}
	}
	if same != 2*demoRuns*demoTubes {
		t.Errorf("%d of %d fills are found again in curves.csv", same, 2*demoRuns*demoTubes)
	}

	// Again with the same seed: the same bytes. The store of the first is replaced.
	report, first := read("report.html"), read("result.json")
	if code := run(context.Background(), []string{"demo", "--seed", "3", "--out", dir, "--json"}, nil, io.Discard, io.Discard); code != exitDone {
		t.Fatalf("the second demo: exit code %d", code)
	}
	if !bytes.Equal(first, read("result.json")) || !bytes.Equal(report, read("report.html")) {
		t.Error("the same seed gave another result or report")
	}
}

// A folder that holds other simulated readings is not overwritten, and one that
// cannot be written gets an error with the next step.
func TestDemoRefuses(t *testing.T) {
	blocked := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(blocked, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	var errs bytes.Buffer
	if code := run(context.Background(), []string{"demo", "--out", filepath.Join(blocked, "sub")}, nil, io.Discard, &errs); code != exitFailed || !strings.Contains(errs.String(), "--out") {
		t.Errorf("a folder under a file: exit code %d, %q", code, errs.String())
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, simStore), []byte("not a store at all, but long enough to be read as one by mistake"), 0o644); err != nil {
		t.Fatal(err)
	}
	errs.Reset()
	if code := run(context.Background(), []string{"demo", "--out", dir}, nil, io.Discard, &errs); code != exitFailed || !strings.Contains(errs.String(), simStore) {
		t.Errorf("a file that is no store: exit code %d, %q", code, errs.String())
	}
	if b, err := os.ReadFile(filepath.Join(dir, simStore)); err != nil || !strings.HasPrefix(string(b), "not a store") {
		t.Errorf("the file was changed: %q, %v", b, err)
	}
}
