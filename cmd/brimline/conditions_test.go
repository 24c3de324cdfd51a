package main

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"brimline/analysis/change"
	"brimline/ingest"
)

func TestConditionsOfATest(t *testing.T) {
	given := func(flags ...string) func(string) bool {
		return func(f string) bool { return slices.Contains(flags, f) }
	}
	got, err := testOptions{railPressure: 281, coolant: 88, corrections: "0.3, -0.1", correctionUnit: "mg/stroke"}.conditions(2, given("rail-pressure"))
	want := []ingest.Condition{{Name: "rail pressure", Unit: "bar", Value: 281}, {Injector: 1, Name: "correction", Unit: "mg/stroke", Value: 0.3}, {Injector: 2, Name: "correction", Unit: "mg/stroke", Value: -0.1}}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("%+v, %v", got, err)
	}
	for _, c := range []struct {
		o    testOptions
		says string
	}{
		{testOptions{corrections: "0.3", correctionUnit: "mg/stroke"}, "--corrections has 1 values, the engine 2 injectors"},
		{testOptions{corrections: "0.3,x", correctionUnit: "mg/stroke"}, `"x" is not a number`},
		{testOptions{corrections: "0.3,1", correctionUnit: "drops"}, `nothing of the name "correction" in "drops"`},
		{testOptions{corrections: "0.3,1000", correctionUnit: "mg/stroke"}, "use -100 to 100"},
		{testOptions{railPressure: -1}, "--rail-pressure: rail pressure of -1 bar: use 0 to 4000"},
	} {
		if _, err := c.o.conditions(2, given("rail-pressure")); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v, want %q", c.o, err, c.says)
		}
	}
}

// What a run notes goes before what its test notes; an injector's own is its own.
func TestConditionsOfARun(t *testing.T) {
	noted := []ingest.Condition{{Name: "coolant", Unit: "°C", Value: 88}, {Run: 2, Name: "coolant", Unit: "°C", Value: 90}, {Run: 2, Injector: 1, Name: "correction", Unit: "mg/stroke", Value: 0.1}}
	for _, c := range []struct {
		run, injector int
		want          []change.Condition
	}{
		{1, 1, []change.Condition{{Name: "coolant", Unit: "°C", Value: 88}}},
		{2, 1, []change.Condition{{Name: "coolant", Unit: "°C", Value: 90}, {Name: "correction", Unit: "mg/stroke", Value: 0.1}}},
		{2, 2, []change.Condition{{Name: "coolant", Unit: "°C", Value: 90}}},
	} {
		if got := conditionsOf(noted, c.run, c.injector); !slices.Equal(got, c.want) {
			t.Errorf("run %d, injector %d: %+v", c.run, c.injector, got)
		}
	}
}

// What rows of one run note of it must be one value, in the file and against the store.
func TestImportedConditionsAgree(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "x.csv")
	head := "engine,date,phase,hanging,run,injector,rate_ml_per_min,coolant_c\n"
	write := func(rows string) {
		if err := os.WriteFile(file, []byte(head+rows), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write("A,2026-03-02,before,1,1,1,10,88\nA,2026-03-02,before,1,1,2,11,89\n")
	wantError(t, exitUsage, []string{"import", file, "--data", dir}, "line 3", "its coolant is 89 °C, and 88 °C is noted of this run already")
	write("A,2026-03-02,before,1,1,1,10,88\nA,2026-03-02,before,1,1,2,11,88\n")
	done := func() {
		t.Helper()
		var out, errs bytes.Buffer
		if code := run(t.Context(), []string{"import", file, "--data", dir, "--injectors", "4"}, strings.NewReader(""), &out, &errs); code != exitDone {
			t.Fatalf("exit %d, %s", code, errs.String())
		}
	}
	done()
	two := "A,2026-03-02,before,1,1,1,10,88\nA,2026-03-02,before,1,1,2,11,88\n"
	write(two + "A,2026-03-02,before,1,1,3,12,88\n") // a sheet that has grown
	done()
	write(two + "A,2026-03-02,before,1,1,3,12,88\nA,2026-03-02,before,1,1,4,12,95\n")
	wantError(t, exitUsage, []string{"import", file, "--data", dir}, "line 5", "88 °C is noted of this run already")
}
