package main

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"brimline/ingest"
)

// Digits match the uncertainty, also of counts, and nothing is in powers of ten.
func TestFiguresOfChannels(t *testing.T) {
	g := func(x float64) *float64 { return &x }
	for _, c := range []struct{ got, want string }{
		{(&driftReport{CountsPerH: 51234.5, UCountsPerH: 6210.9}).text(), "+51000 ± 12000 counts"},
		{(&driftReport{CountsPerH: -30.2, UCountsPerH: 900}).text(), "0 ± 1800 counts"},
		{(&driftReport{GPerH: g(1.5), UGPerH: g(19.15)}).text(), "+2 ± 38 g"},
		{(&driftReport{GPerH: g(-0.104), UGPerH: g(0.0161)}).text(), "-0.104 ± 0.032 g"},
		{orCounts(g(12345), nil, false), "12000 counts"},
		{orCounts(g(58.4), g(26.51), true), "58 counts, 27 mg"},
		{orCounts(g(22), g(10), false), "10 mg"},
		{orCounts(g(6.8), g(3.1), false), "3.1 mg"},
		{orCounts(g(0), g(0), true), "0 counts, 0 mg"},
		{orCounts(nil, nil, true), none},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

// ± is kept for 95 % intervals; a certificate without its factor says u.
func TestListKeepsPlusMinusForIntervals(t *testing.T) {
	rows := keptRows([]ingest.Calibration{
		{ID: 1, Channel: "a", CountsPerGram: 2206.334, UCountsPerG: 0.1, DF: 15, Unit: ingest.UnitG,
			Certificate: []byte(`{"points":[{"mass_g":0}],"assessment":{"k_span":2.131}}`)},
		{ID: 2, Channel: "a", CountsPerGram: 2206.334, UCountsPerG: 0.1, DF: math.Inf(1), Unit: ingest.UnitG, Certificate: []byte(`{}`)},
	}, nil)
	if len(rows) != 2 {
		t.Fatalf("%d rows, want 2", len(rows))
	}
	if want := "2206.33 ± 0.21 counts/g (95 %)"; rows[0].Says != want {
		t.Errorf("got %q, want %q", rows[0].Says, want)
	}
	if want := "2206.33 counts/g, u 0.10"; !strings.HasPrefix(rows[1].Says, want) || strings.Contains(rows[1].Says, "±") {
		t.Errorf("got %q, want %q", rows[1].Says, want)
	}
}

func TestCalibrateRefusesBeforeTheWork(t *testing.T) {
	dir := t.TempDir()
	with := func(args ...string) []string {
		return append([]string{"calibrate", "tube1", "--sim", "--yes", "--data", dir}, args...)
	}
	wantError(t, exitUsage, with("--certificate", dir), "is a folder", filepath.Join(dir, "tube1.html"))
	wantError(t, exitUsage, with("--check", "100g", "--water", "0,25,50", "--water-temp", "18"), "choose one")
	// The default tolerance of a pour is too coarse for pours of 25 mL: no reading mends it.
	wantError(t, exitUsage, with("--water", "0,25,50,75,100", "--water-temp", "18"), "±2.8 %", "the limit is 2 %", "0.5 mL", "--vessel-tolerance", "--force")
	// More than the tube holds is not asked for, not even with --force.
	wantError(t, exitUsage, with("--water", "0,40,80,120", "--water-temp", "18", "--vessel-tolerance", "0.1", "--force"), "120 mL would run over", "holds 100 mL", "up to 80")
	if found, err := os.ReadDir(dir); err != nil || len(found) > 0 {
		t.Errorf("left in the store's folder: %v, %v", found, err)
	}
}

// A calibration that was refused and kept, or is overdue, is told wherever it is used.
func TestPoorCalibrationIsToldWhereUsed(t *testing.T) {
	o := practice(t, func(o *calibrateOptions) {
		o.water, o.waterC, o.vesselTolML, o.cycles, o.force = "0,25,50,75,100", 18, 0.5, 1, true
	})
	if _, err := doCalibrate(t, o, ""); exitOf(err) != exitFlagged {
		t.Fatalf("exit %d: %v", exitOf(err), err)
	}
	kept, _ := wasKept(t, o.data)
	if len(kept) != 1 {
		t.Fatalf("%d kept", len(kept))
	}
	if got := calibrationDoubt(kept[0], calibrationDay); !strings.Contains(got, "tube1") || !strings.Contains(got, "refused by the limits") {
		t.Errorf("doubt %q", got)
	}
	if got := calibrated(kept[0], calibrationDay).text(); !strings.Contains(got, "against the limits") {
		t.Errorf("channels says %q", got)
	}
	var out, errs bytes.Buffer
	args := []string{"test", "--sim", "--data", o.data, "--engine", "Sprayer 2", "--injectors", "6", "--injector-type", "solenoid", "--yes", "--duration", "30s"}
	if code := run(t.Context(), args, strings.NewReader(""), &out, &errs); code != exitDone {
		t.Fatalf("exit %d: %s", code, &errs)
	}
	if text := strings.Join(strings.Fields(out.String()), " "); !strings.Contains(text, "channel tube1: calibration 1 was refused by the limits") {
		t.Errorf("the rates do not tell:\n%s", text)
	}
	sound := ingest.Calibration{ID: 4, Channel: "a", Certificate: []byte(`{"due":"2032-01-01T00:00:00Z"}`)}
	if got := calibrationDoubt(sound, calibrationDay); got != "" {
		t.Errorf("a sound one: %q", got)
	}
	if got := calibrationDoubt(sound, calibrationDay.AddDate(3, 0, 0)); !strings.Contains(got, "overdue, since 2032-01-01") {
		t.Errorf("an old one: %q", got)
	}
}

func TestWrongValuesInPlainWords(t *testing.T) {
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"calibrate", "tube1", "--sim", "--temp", "19,5"}, "a decimal point, such as 19.5"},
		{[]string{"calibrate", "tube1", "--sim", "--cycles", "two"}, "a whole number"},
		{[]string{"calibrate", "tube1", "--sim", "--hold", "90"}, "90s, 5m or 1h"},
		{[]string{"channels", "--sim", "--for", "5"}, "90s, 5m or 1h"},
	} {
		wantError(t, exitUsage, c.args, c.says, c.args[len(c.args)-1], "--help")
		var out, errs bytes.Buffer
		run(t.Context(), c.args, strings.NewReader(""), &out, &errs)
		if text := errs.String(); strings.Contains(text, "strconv") || strings.Contains(text, "time:") {
			t.Errorf("names the parser: %s", text)
		}
	}
}

// What a run may collect is judged, not what a tube holds to its brim: the guard ends a
// run at 85 %, 72 g of the heaviest fuel in 100 mL.
func TestCalibrationRangeGoesByTheGuard(t *testing.T) {
	for masses, told := range map[string]bool{"0,20,50,70": true, "0,20,50,80": false} {
		o := practice(t, func(o *calibrateOptions) { o.masses, o.cycles = masses, 1 })
		dialogue, err := doCalibrate(t, o, "")
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(dialogue, "collect up to 72 g") != told {
			t.Errorf("%s, told %v:\n%s", masses, told, dialogue)
		}
	}
}
