package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func runPlan(t *testing.T, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(context.Background(), append([]string{"plan"}, args...), strings.NewReader(""), &out, &errs); code != exitDone || errs.Len() > 0 {
		t.Fatalf("plan %v: exit %d, %s", args, code, errs.String())
	}
	return out.String()
}

func TestPlanGolden(t *testing.T) {
	sprayer := testdata("compare_sprayer.csv")
	for name, args := range map[string][]string{
		"plan_stated.txt":        {"--change", "5", "--margin", "10", "--injectors", "6", "--hanging-sd", "1.2", "--run-sd", "1.5", "--response-sd", "2"},
		"plan_sprayer.txt":       {sprayer, "--change", "5", "--margin", "5"},
		"plan_sprayer.json":      {sprayer, "--change", "5", "--runs", "2", "--json"},
		"plan_sheet.txt":         {"--hangings", "2", "--runs", "2", "--injectors", "4", "--hanging-sd", "1", "--run-sd", "1", "--engine", "Pickup 2", "--margin", "10", "--sheet"},
		"plan_rehang_sheet.txt":  {"--rehang", "--injectors", "6", "--doubt", "200", "--hanging-sd", "1", "--run-sd", "0.5", "--engine", "Tractor 3", "--sheet"},
		"plan_rehang_result.txt": {"--rehang", sprayer},
		"plan_none.txt":          {"--change", "5", "--injectors", "4", "--hanging-sd", "1", "--run-sd", "1", "--response-sd", "4", "--scope", "injectors", "--runs", "1"},
		"plan_dose.txt":          {"dose", "--tank", "70", "--left", "15", "--dose", "60", "--label-min", "1:1200", "--label-max", "1:800", "--burn", "9.5", "--distance", "400"},
		"plan_dose_warns.txt":    {"dose", "--tank", "180", "--left", "40", "--aim", "1:500", "--add", "100", "--burn", "11", "--distance-unit", "h", "--distance", "50", "--has", "1:2000", "--label-max", "1.5", "--refill-at", "10"},
	} {
		out := strings.ReplaceAll(runPlan(t, args...), sprayer, "compare_sprayer.csv")
		if strings.HasSuffix(name, ".json") {
			golden(t, name, shortNumbers(out))
			continue
		}
		golden(t, name, []byte(out))
		for i, line := range strings.Split(out, "\n") {
			if len([]rune(line)) > 80 || strings.TrimRight(line, " ") != line {
				t.Errorf("%s: line %d has more than 80 columns, or ends in spaces: %q", name, i+1, line)
			}
		}
	}
}

// What the figures of the text come from, with the numbers that others rely on.
func TestPlanJSON(t *testing.T) {
	var got planJSON
	if err := json.Unmarshal([]byte(runPlan(t, "--change", "5", "--injectors", "6", "--hanging-sd", "1.2", "--run-sd", "1.5", "--json")), &got); err != nil {
		t.Fatal(err)
	}
	if got.Schema != "brimline/plan/1" || got.Source != "stated" || len(got.Options) != 6 || got.Chosen == nil || len(got.Shows) != 1 || len(got.Cautions) == 0 {
		t.Fatalf("%+v", got)
	}
	least := math.Inf(1)
	for _, n := range got.Options {
		if *n.Power < 0.8 || n.TOST != nil {
			t.Errorf("%+v", n)
		}
		least = min(least, n.TotalMinutes)
	}
	if got.Chosen.TotalMinutes != least || got.Sheet.EngineS/60 != got.Chosen.EngineMinutes {
		t.Errorf("chosen %+v, least %g", got.Chosen, least)
	}
	if s := got.Shows[0]; s.Before != got.Chosen.Before || !(*s.SmallestPercent <= 5) || s.DF != float64(2*s.Before-2) {
		t.Errorf("%+v", s)
	}
	// What is shown is the smallest change: planning for it needs the same hangings.
	var again planJSON
	if err := json.Unmarshal([]byte(runPlan(t, "--hangings", "4", "--runs", "3", "--change", "5", "--injectors", "6", "--hanging-sd", "1.2", "--run-sd", "1.5", "--json")), &again); err != nil {
		t.Fatal(err)
	}
	if len(again.Options) != 0 || again.Shows[0].Runs != 3 || !(*again.Shows[0].Power > 0.8) {
		t.Errorf("%+v", again)
	}

	var d doseJSON
	if err := json.Unmarshal([]byte(runPlan(t, "dose", "--tank", "70", "--left", "15", "--add", "45", "--dose", "60", "--label-min", "1:1000", "--refill-at", "14", "--json")), &d); err != nil {
		t.Fatal(err)
	}
	if d.Schema != "brimline/dose/1" || d.MLPerL != 1 || d.OneIn != 1000 || d.Label != "within" || len(d.Refills) != 3 || d.LabelMax != nil {
		t.Errorf("%+v", d)
	}
}

// The scatter of stored tests is that of their file, by name or by engine.
func TestPlanFromStore(t *testing.T) {
	dir := t.TempDir()
	var out, errs bytes.Buffer
	if code := run(context.Background(), []string{"import", testdata("compare_sprayer.csv"), "--data", dir}, strings.NewReader(""), &out, &errs); code != exitDone {
		t.Fatalf("exit %d: %s", code, errs.String())
	}
	read := func(args ...string) planJSON {
		var got planJSON
		if err := json.Unmarshal([]byte(runPlan(t, append(args, "--change", "5", "--runs", "2", "--json")...)), &got); err != nil {
			t.Fatal(err)
		}
		return got
	}
	file := read(testdata("compare_sprayer.csv"))
	stored := read("--data", dir, "--engine", "Sprayer 1")
	if math.Abs(file.Scatter.HangingPercent-stored.Scatter.HangingPercent) > 1e-6 || stored.Engine != "Sprayer 1" || math.Abs(*stored.Chosen.Power-*file.Chosen.Power) > 1e-6 {
		t.Errorf("file %+v, store %+v", file.Scatter, stored.Scatter)
	}
	one := read(testdata("compare_sprayer.csv"), "--phase", "baseline")
	if one.Scatter.Hangings != 3 || one.Scatter.ResponsePercent != nil || len(one.Shows) != 1 {
		t.Errorf("%+v", one.Scatter)
	}
	wantError(t, exitUsage, []string{"plan", "--change", "5", "--data", dir}, "--engine")
	wantError(t, exitUsage, []string{"plan", "--change", "5", "--data", dir, "--engine", "Sprayer 9"}, "Sprayer 9", "Sprayer 1")
	wantError(t, exitUsage, []string{"plan", "T99", "--change", "5", "--data", dir}, "T99")
	wantError(t, exitUsage, []string{"plan", "--change", "5", "--data", filepath.Join(dir, "none"), "--engine", "Sprayer 1"}, "none")
}

func TestPlanBadInput(t *testing.T) {
	// One hanging in each phase, and one phase.
	few := filepath.Join(t.TempDir(), "few.csv")
	if err := os.WriteFile(few, []byte(readingsHead+"A,2026-03-02,before,1,1,1,10\nA,2026-03-02,before,1,1,2,11\nA,2026-03-05,after,1,1,1,10.2\nA,2026-03-05,after,1,1,2,11.3\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	good := []string{"--injectors", "6", "--hanging-sd", "1", "--run-sd", "1"}
	for _, c := range []struct {
		args []string
		says []string
	}{
		{good, []string{"nothing is asked for", "--change"}},
		{[]string{"--change", "5", "--injectors", "6"}, []string{"--hanging-sd", "--rehang"}},
		{[]string{"--change", "5", "--hanging-sd", "1"}, []string{"--injectors is missing"}},
		{append([]string{"--change", "0"}, good...), []string{"--change 0 %", "0.1 to 900"}},
		{append([]string{"--change", "NaN"}, good...), []string{"--change NaN"}},
		{append([]string{"--change", "1000"}, good...), []string{"--change 1000"}},
		{append([]string{"--margin", "-5"}, good...), []string{"--margin -5", "0.1 to 100"}},
		{append([]string{"--change", "5", "--power", "1"}, good...), []string{"--power 1", "0.5 to 0.99"}},
		{append([]string{"--change", "5", "--power", "80"}, good...), []string{"--power 80"}},
		{append([]string{"--change", "5", "--runs", "0"}, good...), []string{"--runs 0", "1 to 50"}},
		{append([]string{"--change", "5", "--have", "0"}, good...), []string{"--have 0"}},
		{append([]string{"--hangings", "0"}, good...), []string{"--hangings 0", "1 to 200"}},
		{append([]string{"--hangings", "three"}, good...), []string{"--hangings three", "such as 3,4"}},
		{append([]string{"--hangings", "3,4,5"}, good...), []string{"--hangings 3,4,5"}},
		{append([]string{"--hangings", "3", "--have", "2"}, good...), []string{"--have with --hangings"}},
		{append([]string{"--hangings", "1", "--runs", "3"}, good...), []string{"one hanging in each phase"}},
		{[]string{"--change", "5", "--injectors", "0", "--hanging-sd", "1"}, []string{"--injectors 0", "1 to 32"}},
		{[]string{"--change", "5", "--injectors", "6", "--hanging-sd", "-1"}, []string{"--hanging-sd -1 %"}},
		{[]string{"--change", "5", "--injectors", "6", "--hanging-sd", "0", "--run-sd", "0"}, []string{"are zero"}},
		{[]string{"--change", "5", "--injectors", "6", "--hanging-sd", "1", "--run-sd", "80"}, []string{"--run-sd 80 %"}},
		{append([]string{"--change", "5", "--reading-sd", "99"}, good...), []string{"--reading-sd 99"}},
		{append([]string{"--change", "5", "--tube-sd", "99"}, good...), []string{"--tube-sd 99"}},
		{append([]string{"--change", "5", "--response-sd", "101"}, good...), []string{"--response-sd 101"}},
		{append([]string{"--change", "5", "--hanging-df", "0.5"}, good...), []string{"--hanging-df 0.5"}},
		{[]string{"--change", "5", "--injectors", "6", "--hanging-df", "5"}, []string{"--hanging-df without --hanging-sd"}},
		{append([]string{"--change", "5", "--scope", "all"}, good...), []string{"--scope all", "engine"}},
		{append([]string{"--change", "5", "--scope", "injectors"}, good...), []string{"respon", "not known"}},
		{append([]string{"--change", "5", "--duration", "1s"}, good...), []string{"--duration 1s", "10s to 1h"}},
		{append([]string{"--change", "5", "--still", "1s"}, good...), []string{"--still 1s"}},
		{append([]string{"--change", "5", "--drain", "-1s"}, good...), []string{"--drain -1s"}},
		{append([]string{"--change", "5", "--hang-time", "3h"}, good...), []string{"--hang-time 3h"}},
		{append([]string{"--change", "5", "--warm-up", "3h"}, good...), []string{"--warm-up 3h"}},
		{append([]string{"--change", "5", "--settle", "soon"}, good...), []string{"soon", "such as 90s"}},
		{append([]string{"--change", "5", "--phase", "x"}, good...), []string{"--phase without readings"}},
		{append([]string{"--change", "5", "--doubt", "50"}, good...), []string{"--doubt without --rehang"}},
		{[]string{"--rehang", "--change", "5", "--injectors", "6"}, []string{"--rehang with --change"}},
		{[]string{"--rehang"}, []string{"--injectors is missing"}},
		{[]string{"--rehang", "--injectors", "6", "--doubt", "1"}, []string{"--doubt 1 %", "5 to 1000"}},
		{[]string{"--rehang", "--injectors", "6", "--doubt", "5"}, []string{"more than 200 hangings"}},
		{[]string{"--rehang", "--injectors", "6", "--runs", "1"}, []string{"1 runs", "what runs add"}},
		{[]string{"--rehang", "--injectors", "6", "--run-sd", "1"}, []string{"give both"}},
		{[]string{"--rehang", few}, []string{"few.csv", "two hangings or more in one phase"}},
		{[]string{few, "--change", "5"}, []string{"few.csv", "2 hangings in 2 phases"}},
		{[]string{few, "--change", "5", "--phase", "later"}, []string{"--phase later", "before, after"}},
		{[]string{few, few, "--change", "5"}, []string{"2 arguments"}},
		{[]string{"none.csv", "--change", "5"}, []string{"none.csv"}},
		{[]string{"--what"}, []string{"see 'brimline plan --help'"}},

		{[]string{"dose"}, []string{"--tank is missing"}},
		{[]string{"dose", "--tank", "0", "--left", "0"}, []string{"--tank 0", "1 to 5000"}},
		{[]string{"dose", "--tank", "70"}, []string{"--left is missing"}},
		{[]string{"dose", "--tank", "70", "--left", "71", "--dose", "60"}, []string{"--left 71", "0 to 70"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--add", "60", "--dose", "60"}, []string{"--add 60", "0 to 55"}},
		{[]string{"dose", "--tank", "70", "--left", "15"}, []string{"--dose", "--aim"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--dose", "60", "--aim", "1"}, []string{"--dose", "--aim"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--dose", "-1"}, []string{"--dose -1"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--dose", "60000"}, []string{"mL per L", "the dose is in mL"}},
		{[]string{"dose", "--tank", "70", "--left", "0", "--add", "0", "--dose", "60"}, []string{"nothing to dose"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--aim", "much"}, []string{"--aim much", "1:800"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--aim", "1:0"}, []string{"--aim 1:0"}},
		{[]string{"dose", "--tank", "70", "--left", "70", "--aim", "1:2000", "--has", "1:1000"}, []string{"no dose is needed"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--dose", "60", "--has", "-1"}, []string{"--has -1"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--dose", "60", "--label-min", "1:800", "--label-max", "1:1200"}, []string{"--label-min 1:800 is more than --label-max 1:1200"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--dose", "60", "--label-max", "200"}, []string{"--label-max 200"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--dose", "60", "--refill-at", "70"}, []string{"--refill-at 70"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--dose", "60", "--refills", "21"}, []string{"--refills 21"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--dose", "60", "--burn", "0"}, []string{"--burn 0"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--dose", "60", "--distance", "100"}, []string{"--distance without --burn"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--dose", "60", "--burn", "9", "--distance", "-1"}, []string{"--distance -1"}},
		{[]string{"dose", "--tank", "70", "--left", "15", "--dose", "60", "--distance-unit", "yd"}, []string{"--distance-unit yd"}},
		{[]string{"dose", "70"}, []string{"--help"}},
	} {
		t.Run(strings.Join(c.args, " "), func(t *testing.T) {
			wantError(t, exitUsage, append([]string{"plan"}, c.args...), c.says...)
		})
	}
	// A spread that is stated stands in for readings that tell none.
	if out := runPlan(t, few, "--change", "5", "--hanging-sd", "1", "--run-sd", "1"); !strings.Contains(out, "tell no scatter") {
		t.Errorf("%s", out)
	}
	// One hanging in each phase rests on the bench's own spread.
	if out := runPlan(t, "--hangings", "1", "--runs", "3", "--injectors", "6", "--hanging-sd", "1", "--hanging-df", "8", "--run-sd", "1"); !strings.Contains(out, "the bench's own spread") {
		t.Errorf("%s", out)
	}
	var errs bytes.Buffer
	if code := run(context.Background(), append([]string{"plan", "--change", "5"}, good...), strings.NewReader(""), noSpace{}, &errs); code != exitFailed || !strings.Contains(errs.String(), "writing the plan") {
		t.Errorf("a full disk: exit %d, %s", code, errs.String())
	}
	if code := run(context.Background(), []string{"plan", "dose", "--tank", "70", "--left", "15", "--dose", "60"}, strings.NewReader(""), noSpace{}, &errs); code != exitFailed {
		t.Errorf("a full disk: exit %d", code)
	}
}

// Below the label's range, within it, and above, as it was typed in.
func TestDoseLabel(t *testing.T) {
	for _, c := range []struct{ min, max, label string }{
		{"1.1", "", "below"}, {"1:1000", "1:1000", "within"}, {"", "0.9 mL/L", "above"}, {"", "1:500", "within"}, {"1:999", "", "below"}, {"", "", ""},
	} {
		args := []string{"dose", "--tank", "60", "--left", "0", "--dose", "60", "--json"}
		if c.min != "" {
			args = append(args, "--label-min", c.min)
		}
		if c.max != "" {
			args = append(args, "--label-max", c.max)
		}
		var d doseJSON
		if err := json.Unmarshal([]byte(runPlan(t, args...)), &d); err != nil {
			t.Fatal(err)
		}
		warned := strings.Contains(strings.Join(d.Warnings, " "), "label's")
		if d.Label != c.label || warned != (c.label == "below" || c.label == "above") {
			t.Errorf("%+v: %q, %v", c, d.Label, d.Warnings)
		}
	}
}

// A run-in by hand: 70 L, filled up at 20; 100 L burnt take one refill at 50 L and are at the
// second when it falls due.
func TestDoseRunIn(t *testing.T) {
	for _, c := range []struct {
		distance string
		refills  int
		mlPerL   float64
	}{{"499", 0, 1}, {"501", 1, 20.0 / 70}, {"999", 1, 20.0 / 70}, {"1001", 2, 400.0 / 4900}} {
		var d doseJSON
		if err := json.Unmarshal([]byte(runPlan(t, "dose", "--tank", "70", "--left", "20", "--dose", "70", "--refill-at", "20", "--burn", "10", "--distance", c.distance, "--json")), &d); err != nil {
			t.Fatal(err)
		}
		if d.RunIn.Refills != c.refills || math.Abs(d.RunIn.MLPerL-c.mlPerL) > 1e-12 {
			t.Errorf("%s km: %+v", c.distance, d.RunIn)
		}
	}
}
