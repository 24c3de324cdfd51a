package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"brimline/analysis/change"
	"brimline/ingest"
	"brimline/ingest/store"
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
		{"compare_conditions.csv", "compare_conditions.txt", []string{"--injector-type", "solenoid", "--adjust", "fuel temperature"}, exitDone},
		{"compare_one_hanging.csv", "compare_one_hanging.txt", []string{"--injector-type", "solenoid", "--hanging-sd", "0.8", "--hanging-df", "5"}, exitDone},
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
		{"hanging-sd alone", readingsHead, []string{"--hanging-sd", "0.8"}, "--hanging-sd and --hanging-df belong together"},
		{"hanging-sd negative", readingsHead, []string{"--hanging-sd=-1", "--hanging-df", "5"}, "--hanging-sd -1 %"},
		{"hanging-df zero", readingsHead + onePair, []string{"--hanging-sd", "1", "--hanging-df", "0"}, "has 0 degrees of freedom"},
		{"unknown type", readingsHead + onePair, []string{"--injector-type", "pump"}, "--injector-type pump: use solenoid, piezo, unknown"},
		{"piezo", readingsHead + onePair, []string{"--injector-type", "piezo"}, "A has piezo injectors: injectors with a hydraulic coupler need several bar in their return"},
		{"return held", readingsHead + onePair, []string{"--injector-type", "solenoid", "--return-open=false"}, "a return that holds pressure is not compared"},
		{"adjust for what is not noted", readingsHead + onePair, []string{"--adjust", "coolant"}, `no reading notes the condition "coolant"`},
		{"no config", readingsHead + onePair, []string{"--config", "no.toml"}, "no.toml"},
		{"pressure in MPa", strings.TrimSpace(readingsHead) + ",rail_pressure_bar\nA,2026-03-02,before,1,1,1,10,28000000\n", nil, "line 2, column rail_pressure_bar"},
		{"correction twice", strings.TrimSpace(readingsHead) + ",correction_mg_per_stroke,correction_mm3_per_stroke\nA,2026-03-02,before,1,1,1,10,0.1,0.1\n", nil, "the row has its correction in mg/stroke already"},
		{"correction in two units", strings.TrimSpace(readingsHead) + ",correction_mg_per_stroke,correction_mm3_per_stroke\nA,2026-03-02,before,1,1,1,10,0.1,\nA,2026-03-02,after,1,1,1,10,,0.1\n", nil, `its correction is in "mm3/stroke", others' in "mg/stroke"`},
		{"negative", readingsHead + "A,2026-03-02,before,1,1,1,-10\n", nil, "line 2, column rate_ml_per_min"},
		{"nobody in both", readingsHead + "A,2026-03-02,before,1,1,1,10\nA,2026-03-02,after,1,1,2,9\n", nil, "no injector was measured in all 2 hangings"},
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

const onePair = "A,2026-03-02,before,1,1,1,10\nA,2026-03-02,after,1,1,1,9\n"

// What is no error is a named doubt: exit code 3 where no finding may rest on it, and never a
// NaN.
func TestCompareNamesDoubts(t *testing.T) {
	// three hangings in each phase of two injectors, read on two days
	rows := func(change func(phase string, hanging, injector int) string) string {
		var b strings.Builder
		for p, phase := range []string{"before", "after"} {
			for h := range 3 {
				for i := range 2 {
					b.WriteString("A,2026-03-0" + strconv.Itoa(2+p) + "," + phase + "," + strconv.Itoa(h+1) + ",1," + change(phase, h, i) + "\n")
				}
			}
		}
		return readingsHead + b.String()
	}
	plain := func(phase string, h, i int) string {
		rate := 10 + float64(i) + 0.1*float64(h)
		if phase == "after" {
			rate -= 0.2 * float64(h)
		}
		return strconv.Itoa(i+1) + "," + strconv.FormatFloat(rate, 'f', 2, 64)
	}
	for _, c := range []struct {
		name, in string
		args     []string
		code     int
		doubts   []string
	}{
		{"sound", rows(plain), nil, exitDone, []string{"few-injectors", "injector-type", "no-untreated", "one-day"}},
		{"one run, one injector", readingsHead + onePair, nil, exitFlagged, []string{"one-hanging", "one-reading", "few-injectors"}},
		{"a phase with one reading", readingsHead + "A,2026-03-02,before,1,1,1,10\nA,2026-03-02,before,2,1,1,10.1\nA,2026-03-02,before,3,1,1,10.2\nA,2026-03-03,after,1,1,1,9\n", nil, exitDone, []string{"one-reading", "single-hanging"}},
		{"all equal", rows(func(_ string, _, i int) string { return strconv.Itoa(i+1) + ",10" }), nil, exitFlagged, []string{"few-injectors"}},
		{"missing cells", strings.Replace(rows(plain), "A,2026-03-03,after,2,1,2,10.90\n", "", 1), nil, exitDone, []string{"missing-cells"}},
		{"an injector that was not there before", strings.Replace(rows(plain), "A,2026-03-03,after,2,1,2,", "A,2026-03-03,after,2,1,3,", 1), nil, exitDone, []string{"one-phase", "missing-cells"}},
		{"a date in the future", strings.Replace(rows(plain), "A,2026-03-03", "A,2199-03-03", 1), nil, exitDone, []string{"future"}},
		{"after dated before", strings.ReplaceAll(rows(plain), "A,2026-03-03", "A,2025-03-03"), nil, exitDone, []string{"day-order"}},
		{"a third phase", rows(plain) + "A,2026-03-09,later,1,1,1,10\n", nil, exitDone, []string{"other-phases"}},
		{"phases of other names", strings.NewReplacer("before", "spring", "after", "summer").Replace(rows(plain)), nil, exitDone, []string{"phase-order"}},
		{"picked", rows(plain), []string{"--picked"}, exitDone, []string{"picked"}},
		{"piezo, and the return may be opened", rows(plain), []string{"--injector-type", "piezo", "--return-open"}, exitDone, []string{"few-injectors"}},
		{"wilder after", rows(func(phase string, h, i int) string {
			if phase == "after" {
				return strconv.Itoa(i+1) + "," + []string{"6", "10", "17"}[h]
			}
			return plain(phase, h, i)
		}), nil, exitDone, []string{"unequal-spread"}},
	} {
		file := filepath.Join(t.TempDir(), "x.csv")
		if err := os.WriteFile(file, []byte(c.in), 0o644); err != nil {
			t.Fatal(err)
		}
		code, out, errs := runCompare(append([]string{file, "--json"}, c.args...)...)
		var got struct {
			Doubts   []change.Doubt
			Warnings []string
			Type     string `json:"injector_type"`
		}
		if err := json.Unmarshal([]byte(out), &got); err != nil || code != c.code {
			t.Errorf("%s: exit %d, want %d: %v %s", c.name, code, c.code, err, errs)
			continue
		}
		if strings.Contains(out, "NaN") || len(got.Doubts) != len(got.Warnings) {
			t.Errorf("%s: %s", c.name, out)
		}
		for _, want := range c.doubts {
			if !slices.ContainsFunc(got.Doubts, func(d change.Doubt) bool { return d.Code == want && d.Says != "" }) {
				t.Errorf("%s: no doubt %q in %+v", c.name, want, got.Doubts)
			}
		}
		if has := slices.ContainsFunc(got.Doubts, func(d change.Doubt) bool { return d.Code == "injector-type" }); has != (got.Type == "unknown") {
			t.Errorf("%s: type %s, doubt %v", c.name, got.Type, has)
		}
		if code, text, _ := runCompare(append([]string{file}, c.args...)...); code != c.code || strings.Contains(text, "NaN") || !strings.Contains(text, "\nDoubts\n") {
			t.Errorf("%s: exit %d\n%s", c.name, code, text)
		}
	}
}

// The margin and the bench's spread between hangings come from the config where no flag says
// otherwise.
func TestCompareConfig(t *testing.T) {
	file := filepath.Join(t.TempDir(), "b.toml")
	text := "[compare]\nmargin_percent = 4\nhanging_sd_percent = 0.8\nhanging_df = 5\n[[channel]]\nname = \"tube1\"\ndata_pin = 5\nclock_pin = 6\n"
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want []string
	}{
		{nil, []string{"margin of 4 %", "bench-hanging: the interval takes this bench's own spread between hangings, 0.8 % with 5 degrees"}},
		{[]string{"--margin", "2", "--hanging-sd", "3", "--hanging-df", "2"}, []string{"margin of 2 %", "3 % with 2 degrees"}},
	} {
		code, out, errs := runCompare(append([]string{testdata("compare_one_hanging.csv"), "--config", file}, c.args...)...)
		out = strings.Join(strings.Fields(out), " ")
		for _, want := range c.want {
			if code != exitDone || !strings.Contains(out, want) {
				t.Errorf("%q: exit %d, %s, no %q in %s", c.args, code, errs, want, out)
			}
		}
	}
	if code, out, _ := runCompare(testdata("compare_one_hanging.csv")); code != exitFlagged || !strings.Contains(out, "one hanging in each phase") {
		t.Errorf("without: exit %d, %s", code, out)
	}
}

// Hand readings taken into the store keep what was noted beside them; an injector that was
// fitted anew between the tests is not compared; the type is the engine's.
func TestCompareStored(t *testing.T) {
	ctx, dir := t.Context(), t.TempDir()
	wantDone := func(args ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		if code := run(ctx, args, strings.NewReader(""), &out, &errs); code != exitDone {
			t.Fatalf("%q: exit %d, %s", args, code, errs.String())
		}
		return out.String()
	}
	wantDone("import", testdata("compare_conditions.csv"), "--data", dir)
	args := []string{"compare", "T1", "T2", "T3", "T4", "--data", dir, "--injector-type", "solenoid", "--adjust", "fuel temperature", "--json"}
	stored := wantDone(args...)
	_, file, _ := runCompare(testdata("compare_conditions.csv"), "--injector-type", "solenoid", "--adjust", "fuel temperature", "--json")
	read := func(js string) (r changeJSON) {
		if err := json.Unmarshal([]byte(js), &r); err != nil {
			t.Fatal(err)
		}
		return r
	}
	a, b := read(stored), read(file)
	for i := range b.Conditions {
		for k, v := range []*float64{b.Conditions[i].Before, b.Conditions[i].After} {
			got := []*float64{a.Conditions[i].Before, a.Conditions[i].After}[k]
			if a.Conditions[i].Name != b.Conditions[i].Name || math.Abs(*got-*v) > 1e-9 {
				t.Errorf("condition %+v in the store, %+v in the file", a.Conditions[i], b.Conditions[i])
			}
		}
	}
	if len(b.Conditions) != 3 || math.Abs(a.Effect.Percent-b.Effect.Percent) > 1e-9 || math.Abs(a.Effect.CI95[0]-b.Effect.CI95[0]) > 1e-9 || a.Model != "hanging-means-adjusted" {
		t.Errorf("%s %+v in the store, %+v in the file", a.Model, a.Effect, b.Effect)
	}
	if a.FuelTemperature == nil || math.Abs(a.FuelTemperature.BeforeC-b.FuelTemperature.BeforeC) > 0.2 {
		t.Errorf("fuel %+v in the store, %+v in the file", a.FuelTemperature, b.FuelTemperature)
	}

	s, err := store.Open(ctx, filepath.Join(dir, realStore), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	engines, err := s.Engines(ctx)
	if err != nil {
		t.Fatal(err)
	}
	day := func(d string) time.Time {
		at, err := time.Parse(time.DateOnly, d)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	e := engines[0]
	for _, x := range []ingest.Injector{{EngineID: e.ID, Position: 1, Code: "K7"}, {EngineID: e.ID, Position: 3, Code: "M2"}, {EngineID: e.ID, Position: 3, Code: "K7", Fitted: day("2026-04-01")}} {
		if _, err := s.AddInjector(ctx, x); err != nil {
			t.Fatal(err)
		}
	}
	e.InjectorType = "piezo"
	if err := errors.Join(s.UpdateEngine(ctx, e), s.Close()); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := runCompare(args[1:]...); code != exitUsage || !strings.Contains(errs, "is kept as piezo") {
		t.Errorf("another type: exit %d, %s", code, errs)
	}
	if code, _, errs := runCompare("T1", "T2", "T3", "T4", "--data", dir); code != exitUsage || !strings.Contains(errs, "hydraulic coupler") {
		t.Errorf("piezo: exit %d, %s", code, errs)
	}
	moved := read(wantDone("compare", "T1", "T2", "T3", "T4", "--data", dir, "--return-open", "--json"))
	text := strings.Join(moved.Warnings, "\n")
	if !slices.Equal(moved.LeftOut, []string{"3", "3 fitted 2026-04-01"}) || !strings.Contains(text, "at position 3 another injector was fitted on 2026-04-01, between the tests; its code, K7, was at position 1 before: it was moved") {
		t.Errorf("left out %q: %s", moved.LeftOut, text)
	}
}

func TestCompareFuture(t *testing.T) {
	file := filepath.Join(t.TempDir(), "x.csv")
	in := readingsHead + "A,2026-03-02,before,1,1,1,10\nA,2199-03-02,after,1,1,1,9\n"
	if err := os.WriteFile(file, []byte(in), 0o644); err != nil {
		t.Fatal(err)
	}
	code, out, _ := runCompare(file)
	if code != exitFlagged || !strings.Contains(out, "future: 1 reading dated in the future; check the dates") {
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

// What the fuel's temperature could have done is said once.
func TestCompareFuelSaidOnce(t *testing.T) {
	var b strings.Builder
	b.WriteString("engine,date,phase,hanging,run,injector,rate_ml_per_min,fuel_temp_c\n")
	for p, phase := range []string{"baseline", "after"} {
		for h := 1; h <= 3; h++ {
			for i := 1; i <= 4; i++ {
				rate := 10 + float64(i) + 0.1*float64(h) + 0.01*float64((h*i)%3) + 0.6*float64(p)
				b.WriteString("Sprayer 1,2026-03-0" + strconv.Itoa(1+p) + "," + phase + "," + strconv.Itoa(h) + "," + strconv.Itoa(h) + "," + strconv.Itoa(i) + "," +
					strconv.FormatFloat(rate, 'f', 3, 64) + "," + strconv.Itoa(40+6*p) + "\n")
			}
		}
	}
	file := filepath.Join(t.TempDir(), "warm.csv")
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := runCompare(file, "--injector-type", "solenoid")
	flat := strings.Join(strings.Fields(out), " ")
	if code != exitDone || strings.Count(flat, "could explain") != 2 || strings.Count(flat, "fuel in the tubes had") != 1 ||
		!strings.Contains(flat, "fuel-temperature: the fuel in the tubes had 40 °C before and 46 °C after") || !strings.Contains(flat, "so it could explain the whole change; measure both phases at one temperature") {
		t.Errorf("exit %d, %s\n%s", code, errs, out)
	}
	// Taken into account it is no doubt any more.
	_, out, _ = runCompare(testdata("compare_conditions.csv"), "--injector-type", "solenoid", "--adjust", "fuel temperature")
	if strings.Contains(out, "fuel-temperature:") {
		t.Errorf("a doubt of what is taken into account:\n%s", out)
	}
}

// With one hanging in each phase the engine's own tests tell what hangings do, and the
// printout says so; where none has several it says which flags would.
func TestCompareOwnHangings(t *testing.T) {
	var b strings.Builder
	b.WriteString("engine,date,phase,hanging,run,injector,rate_ml_per_min\n")
	sets := map[string][]float64{"before": {0}, "after": {-0.06}, "rehang": {0, 0.012, -0.01, 0.005, -0.006}}
	for d, phase := range []string{"before", "after", "rehang"} {
		for h, set := range sets[phase] {
			for r := 1; r <= 3; r++ {
				for i := 1; i <= 4; i++ {
					rate := (8 + float64(i)) * math.Exp(set+0.002*float64(r-2)+0.001*float64((h+i*r)%3))
					b.WriteString("Pickup 2,2026-03-" + strconv.Itoa(10+d) + "," + phase + "," + strconv.Itoa(h+1) + "," + strconv.Itoa(r) + "," + strconv.Itoa(i) + "," + strconv.FormatFloat(rate, 'f', 4, 64) + "\n")
				}
			}
		}
	}
	tmp := t.TempDir()
	file, dir := filepath.Join(tmp, "own.csv"), t.TempDir()
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	brimline(t, exitDone, "import", file, "--data", dir)
	args := []string{"compare", "T1", "T2", "--data", dir, "--injector-type", "solenoid"}
	flat := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	out := brimline(t, exitDone, args...)
	within80(t, "compare with its own hangings", out)
	// The five sets were given a standard deviation of 0.86 %.
	if !strings.Contains(flat(out), "from this engine's tests that have several (5 hangings, on 1 occasion), 0.86 % with 3.88 degrees") {
		t.Error(out)
	}
	var stated, own changeJSON
	decode := func(into *changeJSON, args ...string) {
		if err := json.Unmarshal([]byte(brimline(t, exitDone, append(args, "--json")...)), into); err != nil {
			t.Fatal(err)
		}
	}
	decode(&own, args...)
	// As a person would give what 'plan --rehang' prints.
	var study struct {
		Result struct {
			SD float64 `json:"hanging_sd_percent"`
			DF float64 `json:"hanging_df"`
		} `json:"rehang_result"`
	}
	js := brimline(t, exitDone, "plan", "--rehang", file, "--phase", "rehang", "--json")
	if err := json.Unmarshal([]byte(js), &study); err != nil || study.Result.SD == 0 {
		t.Fatal(err, js)
	}
	decode(&stated, append(args, "--hanging-sd", strconv.FormatFloat(study.Result.SD, 'g', -1, 64), "--hanging-df", strconv.FormatFloat(study.Result.DF, 'g', -1, 64))...)
	for k := range own.Effect.CI95 {
		if math.Abs(own.Effect.CI95[k]-stated.Effect.CI95[k]) > 0.005 { // the store keeps rates rounded
			t.Errorf("%v by itself, %v as plan --rehang's", *own.Effect.CI95, *stated.Effect.CI95)
		}
	}
	// A file, where nothing else is known.
	code, out, _ := runCompare(file, "--before", "before", "--after", "after", "--injector-type", "solenoid")
	if code != exitFlagged || !strings.Contains(flat(out), "give it with --hanging-sd and --hanging-df") {
		t.Errorf("exit %d\n%s", code, out)
	}
}
