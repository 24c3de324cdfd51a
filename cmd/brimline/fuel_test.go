package main

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"brimline/analysis/change"
	"brimline/ingest"
)

// A ramp of 12 g/min as a scale shows it, with a little noise.
func rampFile(t *testing.T) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("elapsed_s,tube1_g\n")
	for i := range 1200 {
		x := 0.25 * float64(i)
		flowed := 0.2 * min(max(x-30, 0), 240)
		fmt.Fprintf(&b, "%.2f,%.4f\n", x, 50+flowed+0.004*math.Sin(float64(7*i*i%1000)))
	}
	name := filepath.Join(t.TempDir(), "ramp.csv")
	if err := os.WriteFile(name, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	return name
}

// One fill, by what is said of its fuel. The factor of 835 kg/m3 at 40 °C is from
// vcf54b.csv, of air from buoyancy.csv: 0.13 %.
func TestRatesAtATemperature(t *testing.T) {
	file := rampFile(t)
	const vcf, air = 0.97854139822250, 1.0013
	for _, tc := range []struct {
		name  string
		flags string
		rate  float64
		atC   float64 // 0: not known
	}{
		{"in the tubes", "--density 0.81708 --density-u 0.0005", 12 * air / 0.81708, 0},
		{"in the tubes, warm", "--density 0.81708 --density-u 0.0005 --fuel-temp 40", 12 * air / 0.81708, 40},
		{"in the tubes, stated at 15 °C", "--density 0.81708 --density-u 0.0005 --fuel-temp 40 --state-at 15", 12 * air / 0.835, 15},
		{"known at 15 °C", "--density-15 0.835 --density-u 0.0005 --fuel-temp 40 --fuel-temp-u 1", 12 * air / 0.835 / vcf, 40},
		{"known and stated at 15 °C", "--density-15 0.835 --density-u 0.0005 --state-at 15", 12 * air / 0.835, 15},
		{"assumed", "--assume-en590 --fuel-temp 40 --state-at 15", 12 * air / 0.8325, 15},
		{"another liquid", "--fuel glycol --density-15 1.06 --density-u 0.001 --expansion 0.0006 --fuel-temp 25", 12 * 1.0010 / 1.06 / (1 - 0.006), 25},
		{"water", "--fuel water --density 0.99705 --density-u 0.0003 --fuel-temp 25 --state-at 20", 12 * 1.00105 / 0.99821, 20},
	} {
		got := decoded[ratesJSON](t, brimline(t, exitDone, append(append([]string{"rates", file}, strings.Fields(tc.flags)...), "--json")...)).Fills[0]
		if got.ML == nil || math.Abs(*got.ML/tc.rate-1) > 2e-4 {
			t.Errorf("%s: %v mL/min, want %g", tc.name, got.ML, tc.rate)
		}
		if at := got.AtC; (at == nil) != (tc.atC == 0) || at != nil && *at != tc.atC {
			t.Errorf("%s: at %v °C, want %g", tc.name, at, tc.atC)
		}
	}
	// How unsure an assumed density is shows.
	got := decoded[ratesJSON](t, brimline(t, exitDone, "rates", file, "--assume-en590", "--state-at", "15", "--json")).Fills[0]
	if part := *got.UML / *got.ML; math.Abs(part-0.0088) > 0.0003 || !strings.Contains(got.Advice, "measure the density") {
		t.Errorf("assumed: u is %g of the rate, advice %q", part, got.Advice)
	}
}

// turnedDown is what a command that takes no such input says of it.
func turnedDown(t *testing.T, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(t.Context(), args, strings.NewReader(""), &out, &errs); code != exitUsage || out.Len() > 0 {
		t.Errorf("%q: exit %d, standard output %q", args, code, &out)
	}
	return errs.String()
}

func TestFuelFlagsRefuse(t *testing.T) {
	file := rampFile(t)
	for _, tc := range []struct{ flags, says string }{
		{"--density 0.83 --density-15 0.85", "keep one"},
		{"--density-15 835", "in g/mL"},
		{"--density-15 0.835", "temperature in the tubes is not noted"},
		{"--density 0.83 --state-at 15", "temperature in the tubes is not noted"},
		{"--density 0.83 --fuel-temp 40 --state-at 300", "5 to 100"},
		{"--density 0.83 --fuel-temp-u 1", "--fuel-temp-u without --fuel-temp"},
		{"--density 0.83 --fuel-temp 40 --fuel-temp-u 99", "0 to 20"},
		{"--density 0.83 --fuel-temp 400", "-40 to 120"},
		{"--fuel water --assume-en590", "for diesel"},
		{"--fuel water --density 0.98 --fuel-temp 60 --state-at 20", "0 to 40 °C"},
		{"--fuel glycol --density 1.06 --fuel-temp 40 --state-at 15", "give its expansion"},
		{"--fuel glycol --density 1.06 --expansion 0.6", "0.00001 to 0.003"},
		{"--density 0.83 --viscosity 4.3@20", "two viscosities"},
		{"--density 0.83 --viscosity 4.3@20,warm", "mm2/s at °C"},
		{"--density 0.83 --viscosity 2@20,4@40", "thinner as it warms"},
		{"--density-u 0.01", "--density-u without"},
	} {
		if got := turnedDown(t, append([]string{"rates", file}, strings.Fields(tc.flags)...)...); !strings.Contains(got, tc.says) {
			t.Errorf("%s: %s, want %q", tc.flags, got, tc.says)
		}
	}
}

// What config check says of a fuel that has no density where its volumes are wanted.
func TestConfigCheckLooksAtTheFuel(t *testing.T) {
	file := filepath.Join(t.TempDir(), "b.toml")
	text := "[[channel]]\nname = 'tube1'\nclock_pin = 4\ndata_pin = 5\n[fuel]\nkind = 'glycol'\ndensity_15_g_per_ml = 1.06\ndensity_u = 0.001\ntemperature_c = 40\n"
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	if got := turnedDown(t, "config", "check", file); !strings.Contains(got, "give its expansion per °C") {
		t.Errorf("%s", got)
	}
	if err := os.WriteFile(file, []byte(text+"expansion_per_c = 0.0006\nstate_at_c = 20\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if got := brimline(t, exitDone, "config", "check", file); !strings.Contains(got, "glycol, 1.06 g/mL at 15 °C, u 0.001 g/mL, 40 °C, volumes at 20 °C") {
		t.Errorf("%s", got)
	}
}

// 38 and 46 °C: 2.00 % per °C at 40 °C (viscosity_d341.csv), about 16 %.
func TestWhatTheFuelsTemperatureExplains(t *testing.T) {
	diesel := func(tempC float64, v ingest.Viscosity) ingest.Fuel {
		return ingest.Fuel{Kind: "diesel", DensityGPerML: 0.83, TempC: tempC, Viscosity: v}
	}
	heavy := ingest.Viscosity{FirstC: 20, FirstMM2PerS: 7.6, SecondC: 40, SecondMM2PerS: 4.4}
	result := func(percent float64) change.Result {
		r := change.Result{}
		r.Before.Phase, r.After.Phase, r.Effect.Percent = "baseline", "after", percent
		return r
	}
	for _, tc := range []struct {
		name          string
		before, after ingest.Fuel
		moved         float64
		most, within  float64
		viscosity     string
		doubt         bool
	}{
		{"warmer, assumed", diesel(40, ingest.Viscosity{}), diesel(50, ingest.Viscosity{}), 12, 20.45, 0.01, "assumed", true}, // 2.75/2.2831465
		{"colder", diesel(40, ingest.Viscosity{}), diesel(30, ingest.Viscosity{}), 12, -18.896, 0.01, "assumed", false},       // 2.75/3.3907299
		{"more than it can", diesel(40, ingest.Viscosity{}), diesel(50, ingest.Viscosity{}), 30, 20.45, 0.01, "assumed", false},
		{"noted", diesel(40, heavy), diesel(60, ingest.Viscosity{}), 12, 52.89, 0.01, "noted", true}, // 4.4/2.8779125
		{"noted of the second", diesel(40, ingest.Viscosity{}), diesel(60, heavy), -12, 52.89, 0.01, "noted", false},
		{"the same", diesel(40, ingest.Viscosity{}), diesel(40, ingest.Viscosity{}), 12, 0, 1e-9, "assumed", false},
	} {
		r := result(tc.moved)
		e := fuelEffectOf([]phaseFuel{{"baseline", tc.before}, {"after", tc.after}, {"other", diesel(math.NaN(), heavy)}}, r)
		if e == nil {
			t.Errorf("%s: nothing is said", tc.name)
			continue
		}
		if math.Abs(e.MostPercent-tc.most) > tc.within || e.Viscosity != tc.viscosity || (e.doubt(r, nil) != nil) != tc.doubt {
			t.Errorf("%s: %+v, doubt %+v", tc.name, e, e.doubt(r, nil))
		}
		if tc.most == 0 != strings.Contains(e.Says, "explains no change") {
			t.Errorf("%s: %s", tc.name, e.Says)
		}
	}
	for name, fuels := range map[string][]phaseFuel{
		"none":       nil,
		"not noted":  {{"baseline", diesel(40, ingest.Viscosity{})}, {"after", diesel(math.NaN(), ingest.Viscosity{})}},
		"one of two": {{"baseline", diesel(40, ingest.Viscosity{})}, {"baseline", diesel(math.NaN(), ingest.Viscosity{})}, {"after", diesel(40, ingest.Viscosity{})}},
		"far out":    {{"baseline", diesel(40, ingest.Viscosity{})}, {"after", diesel(4000, ingest.Viscosity{})}},
	} {
		r := result(12)
		if e := fuelEffectOf(fuels, r); e != nil || e.doubt(r, nil) != nil {
			t.Errorf("%s: %+v", name, e)
		}
	}
}

// What a test of an older store, or another program, notes and cannot be is left at the
// density in the tubes.
func TestFuelThatDoesNotGoTogether(t *testing.T) {
	if d := densityOf(ingest.Fuel{Kind: "diesel", DensityGPerML: 0.83, UDensity: 0.001, TempC: 140}); d == nil || d.GPerML != 0.83 || d.U != 0.001 || d.Stated != nil {
		t.Errorf("hot: %+v", d)
	}
	if d := densityOf(ingest.Fuel{Kind: "diesel", Density15GPerML: 0.83, TempC: math.NaN()}); d != nil {
		t.Errorf("at 15 °C, tubes not noted: %+v", d)
	}
	if d := densityOf(ingest.Fuel{TempC: math.NaN()}); d != nil {
		t.Errorf("nothing: %+v", d)
	}
}
