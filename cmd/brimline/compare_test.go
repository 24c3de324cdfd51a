package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"brimline/analysis/change"
)

// runCompare runs the command in process.
func runCompare(args ...string) (code int, stdout, stderr string) {
	var out, errs bytes.Buffer
	code = run(context.Background(), append([]string{"compare"}, args...), strings.NewReader(""), &out, &errs)
	return code, out.String(), errs.String()
}

func testdata(name string) string { return filepath.Join("..", "..", "testdata", name) }

// shortNumbers cuts JSON numbers to nine figures: the last ones depend on the
// processor (fused multiply-add on arm64).
func shortNumbers(js string) []byte {
	return regexp.MustCompile(`-?\d+\.\d+(e[-+]\d+)?`).ReplaceAllFunc([]byte(js), func(b []byte) []byte {
		v, err := strconv.ParseFloat(string(b), 64)
		if err != nil {
			return b
		}
		return strconv.AppendFloat(nil, v, 'g', 9, 64)
	})
}

func TestCompareGolden(t *testing.T) {
	for _, c := range []struct {
		file, golden string
		args         []string
		code         int
	}{
		{"compare_sprayer.csv", "compare_sprayer.txt", nil, exitDone},
		{"compare_sprayer.csv", "compare_sprayer.json", []string{"--json"}, exitDone},
		{"compare_sprayer.csv", "compare_sprayer_margin20.txt", []string{"--margin", "20", "--picked"}, exitDone},
		{"compare_one_run.csv", "compare_one_run.txt", nil, exitFlagged},
		{"compare_one_run.csv", "compare_one_run.json", []string{"--json"}, exitFlagged},
	} {
		code, out, errs := runCompare(append([]string{testdata(c.file)}, c.args...)...)
		if code != c.code || errs != "" {
			t.Errorf("%s: exit %d, want %d; %s", c.golden, code, c.code, errs)
		}
		out = strings.ReplaceAll(out, testdata(c.file), c.file)
		if strings.HasSuffix(c.golden, ".json") {
			out = string(shortNumbers(out))
		}
		golden(t, c.golden, []byte(out))
		for i, line := range strings.Split(out, "\n") {
			if !strings.HasSuffix(c.golden, ".json") && len([]rune(line)) > 80 {
				t.Errorf("%s: line %d has more than 80 columns", c.golden, i+1)
			}
		}
	}
}

// The fields that other programs rely on, by name and type.
func TestCompareJSONFields(t *testing.T) {
	for _, c := range []struct {
		file     string
		interval bool
	}{{"compare_sprayer.csv", true}, {"compare_one_run.csv", false}} {
		_, out, _ := runCompare(testdata(c.file), "--json")
		var got map[string]any
		if err := json.Unmarshal([]byte(out), &got); err != nil {
			t.Fatal(err)
		}
		if got["schema"] != "brimline/compare/1" || got["scope"] != "this engine" {
			t.Errorf("%s: schema %v, scope %v", c.file, got["schema"], got["scope"])
		}
		effect := got["effect"].(map[string]any)
		if _, ok := effect["percent"].(float64); !ok {
			t.Errorf("%s: percent %v", c.file, effect["percent"])
		}
		ci, _ := effect["ci95"].([]any)
		_, df := effect["df"].(float64)
		_, p := effect["p"].(float64)
		equivalence := got["equivalence"].(map[string]any)
		_, ep := equivalence["p"].(float64)
		if (len(ci) == 2) != c.interval || df != c.interval || p != c.interval || ep != c.interval {
			t.Errorf("%s: effect %v, equivalence %v", c.file, effect, equivalence)
		}
		for _, null := range []string{"ci95", "df", "p"} {
			if v, there := effect[null]; !there || !c.interval && v != nil {
				t.Errorf("%s: %s is %v", c.file, null, v)
			}
		}
		if equivalence["margin_percent"] != 10.0 {
			t.Errorf("%s: margin %v", c.file, equivalence["margin_percent"])
		}
		if len(got["injectors"].([]any)) == 0 || len(got["warnings"].([]any)) == 0 || got["finding"] == "" {
			t.Errorf("%s: %v", c.file, got)
		}
	}
}

const readingsHead = "engine,date,phase,hanging,run,injector,rate_ml_per_min\n"

func TestCompareRefuses(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		name, in string
		args     []string
		want     string
	}{
		{"empty", "", nil, "the file is empty"},
		{"only a header", readingsHead, nil, "nothing below it"},
		{"one phase", readingsHead + "A,2026-03-02,before,1,1,1,10\n", nil, "give readings of a second phase"},
		{"text", readingsHead + "A,2026-03-02,before,1,1,1,ten\n", nil, `line 2, column rate_ml_per_min, "ten": not a number`},
		{"zero", readingsHead + "B,2026-03-02,before,1,1,1,9\nA,2026-03-02,before,1,1,1,10\nA,2026-03-02,after,1,1,1,0\n", []string{"--engine", "A"}, "line 4: injector 1 in phase after, hanging 1, run 1: the rate is zero"},
		{"copy", readingsHead + "A,2026-03-02,before,1,1,1,10\nA,2026-03-02,before,1,1,1,10\n", nil, "line 3, column injector"},
		{"engines", readingsHead + "A,2026-03-02,before,1,1,1,10\nB,2026-03-02,after,1,1,1,9\n", nil, "2 engines: A, B; choose one with --engine"},
		{"unknown engine", readingsHead + "A,2026-03-02,before,1,1,1,10\n", []string{"--engine", "C"}, `no reading of the engine "C"; it has: A`},
		{"unknown phase", readingsHead + "A,2026-03-02,before,1,1,1,10\nA,2026-03-02,after,1,1,1,9\n", []string{"--before", "spring"}, "the phases are: before, after"},
		{"margin zero", readingsHead, []string{"--margin", "0"}, "--margin is 0 %"},
		{"margin NaN", readingsHead + "A,2026-03-02,before,1,1,1,10\nA,2026-03-02,after,1,1,1,9\n", []string{"--margin", "nan"}, "the margin is NaN %"},
		{"unknown flag", readingsHead, []string{"--what"}, "see 'brimline compare --help'"},
	} {
		t.Run(c.name, func(t *testing.T) {
			file := filepath.Join(dir, c.name+".csv")
			if err := os.WriteFile(file, []byte(c.in), 0o644); err != nil {
				t.Fatal(err)
			}
			code, out, errs := runCompare(append([]string{file}, c.args...)...)
			if code != exitUsage || out != "" || strings.Count(errs, "\n") != 1 || !strings.Contains(errs, c.want) {
				t.Errorf("exit %d, %q, %q; want exit 2 and %q", code, out, errs, c.want)
			}
		})
	}
	for _, args := range [][]string{{dir}, {filepath.Join(dir, "missing.csv")}, {}} {
		if code, out, errs := runCompare(args...); code != exitUsage || out != "" || strings.Count(errs, "\n") != 1 {
			t.Errorf("%q: exit %d, %q, %q", args, code, out, errs)
		}
	}
}

func TestCompareFuture(t *testing.T) {
	file := filepath.Join(t.TempDir(), "x.csv")
	in := readingsHead + "A,2026-03-02,before,1,1,1,10\nA,2199-03-02,after,1,1,1,9\n"
	if err := os.WriteFile(file, []byte(in), 0o644); err != nil {
		t.Fatal(err)
	}
	code, out, _ := runCompare(file)
	if code != exitFlagged || !strings.Contains(out, "1 readings are dated in the future") {
		t.Errorf("exit %d: %s", code, out)
	}
}

func TestCompareFullDisk(t *testing.T) {
	var errs bytes.Buffer
	code := run(context.Background(), []string{"compare", testdata("compare_sprayer.csv")}, strings.NewReader(""), noSpace{}, &errs)
	if code != exitFailed || !strings.Contains(errs.String(), "writing the result: no space") {
		t.Errorf("exit %d, %s", code, errs.String())
	}
	if err := printChange(noSpace{}, change.Result{}, nil); err == nil {
		t.Error("printChange hides a failed write")
	}
}

type noSpace struct{}

func (noSpace) Write([]byte) (int, error) { return 0, errors.New("no space left") }

// A small rate keeps three figures: 0.0111 and 0.0121 are not both 0.01.
func TestRateText(t *testing.T) {
	for v, want := range map[float64]string{11.004: "11.00", 183.456: "183.46", 1.2345: "1.23", 0.2345: "0.234", 0.01213: "0.0121", 1e-6: "0.00000100"} {
		if got := rateText(v); got != want {
			t.Errorf("%g is %q, want %q", v, got, want)
		}
	}
}
