package calibrate_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"brimline/rig"
	"brimline/rig/calibrate"
)

func wantSays(t *testing.T, err error, says string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), says) {
		t.Errorf("got error %v, want one that says %q", err, says)
	}
}

// The table of OIML R 111-1 has a shape that a slip in copying would break: a larger
// mass has a larger tolerance, a smaller one in parts; each class is wider than the
// one before by about three.
func TestMPEHasTheTablesShape(t *testing.T) {
	last := map[string]float64{}
	for _, g := range []float64{1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000} {
		of := map[string]float64{}
		for _, class := range []string{"F2", "M1", "M2"} {
			mpe, err := calibrate.MPE(class, g)
			if err != nil {
				t.Fatal(err)
			}
			of[class] = mpe
			if before := last[class]; before > 0 && (mpe <= before || mpe > 2.7*before) {
				t.Errorf("%s %g g: %g g after %g g", class, g, mpe, before)
			}
			last[class] = mpe
		}
		for _, r := range []float64{of["M1"] / of["F2"], of["M2"] / of["M1"]} {
			if r < 2.9 || r > 3.4 {
				t.Errorf("%g g: classes %v", g, of)
			}
		}
	}
}

func TestLoads(t *testing.T) {
	loads, err := calibrate.ParseLoads("200, 50g,150,100")
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprint(loads); got != "[0 g 50 g 100 g 150 g (100 + 50) 200 g]" {
		t.Errorf("loads %s", got)
	}
	for text, want := range map[string]string{
		"0": "0 g", "100g": "100 g", "50+100": "150 g (100 + 50)", "388": "388 g (200 + 100 + 50 + 20 + 10 + 5 + 2 + 1)", "400": "400 g (200 + 200)",
		"9999": "9999 g (5000 + 2000 + 2000 + 500 + 200 + 200 + 50 + 20 + 20 + 5 + 2 + 2)",
	} {
		l, err := calibrate.ParseLoad(text)
		if err != nil || l.String() != want {
			t.Errorf("%s: %v, %v, want %s", text, l, err, want)
		}
	}
	l, err := calibrate.ParseLoad("150")
	if err != nil {
		t.Fatal(err)
	}
	// 100 g and 50 g of M1: 5 and 3 mg.
	if mpe, err := l.MPE("M1"); err != nil || math.Abs(mpe-0.008) > 1e-15 {
		t.Errorf("tolerance %g, %v, want 8 mg", mpe, err)
	}
	if _, err := l.MPE("G9"); err == nil {
		t.Error("class G9: no error")
	}
	for list, says := range map[string]string{
		"0,50":                               "2 different loads",
		"":                                   "not a number",
		"0,fifty,100":                        `"fifty" is not a number`,
		"0,NaN,100":                          "not a number",
		"0,-5,100":                           "cannot be put together",
		"0,50.5,100":                         "whole grams",
		"0,50,50,100":                        "50 g is there twice",
		"100,100,100":                        "100 g is there twice",
		"0,99999,1":                          "0 to 9999",
		"1,2,3,4,5,6,7,8,9,10,11,12":         "13 different loads",
		"0,1e999,5":                          "not a number",
		"0,100+,200":                         "not a number",
		"10,20,30,40,50,60,70,80,90,100,110": "12 different loads",
	} {
		_, err := calibrate.ParseLoads(list)
		wantSays(t, err, says)
	}
}

// Tanaka and others, Metrologia 38 (2001): values of the published formula to 1e-6 kg/m³.
func TestWaterDensity(t *testing.T) {
	rows := table(t, "water_density.csv")
	if len(rows) != 12 {
		t.Fatalf("%d rows", len(rows))
	}
	for _, row := range rows {
		got, err := calibrate.WaterDensity(number(t, row[0]))
		if err != nil {
			t.Fatal(err)
		}
		if want := number(t, row[1]); math.Abs(1000*got-want) > 1e-6 {
			t.Errorf("%s °C: %.7f kg/m³, the table has %.6f", row[0], 1000*got, want)
		}
	}
	for _, c := range []float64{-1, 40.1, math.NaN()} {
		_, err := calibrate.WaterDensity(c)
		wantSays(t, err, "0 to 40")
	}
}

// A load of water is what a scale set with weights would read. The table's second line
// has 100 g read for 100.28512 mL of water of 20 °C, in air that differs a little from
// the 1.2 kg/m³ taken here (1.1992943): 0.6e-6 of the reading.
func TestWaterLoad(t *testing.T) {
	row := table(t, "buoyancy.csv")[1]
	w := calibrate.Water{TempC: 20, VesselTolML: 0.25}
	massG, mpe, err := w.Load(number(t, row[8]), 4)
	if err != nil {
		t.Fatal(err)
	}
	if want := number(t, row[0]); math.Abs(massG/want-1) > 1e-6 {
		t.Errorf("%.5f g, a scale reads %g g", massG, want)
	}
	// Four pours of ±0.25 mL, and 0.05 % for what is in tap water.
	if want := 4*0.25*0.9982067 + 100*0.0005; math.Abs(mpe-want) > 1e-3 {
		t.Errorf("tolerance %g g, want %g", mpe, want)
	}
	// Water of 20 ± 5 °C: at 25 °C it is 0.116 % lighter (998.2067 and 997.0470 kg/m³).
	_, with, err := calibrate.Water{TempC: 20, TempTolC: 5}.Load(100, 0)
	if err != nil {
		t.Fatal(err)
	}
	if want := 99.8207 * (1 - 0.9970470/0.9982067 + 0.0005); math.Abs(with-want) > 1e-3 {
		t.Errorf("tolerance %g g, want %g", with, want)
	}
	for _, bad := range []calibrate.Water{{TempC: 50}, {TempC: 20, TempTolC: -1}, {TempC: 20, VesselTolML: math.NaN()}} {
		if _, _, err := bad.Load(10, 1); err == nil {
			t.Errorf("%+v: no error", bad)
		}
	}
	if _, _, err := w.Load(math.NaN(), 1); err == nil {
		t.Error("NaN mL: no error")
	}
	if v, err := calibrate.ParseVolumes("25, 50mL,100"); err != nil || fmt.Sprint(v) != "[0 25 50 100]" {
		t.Errorf("volumes %v, %v", v, err)
	}
	for list, says := range map[string]string{"0,25": "2 different", "0,50,25,75": "does not come after", "0,x,5": "not a number", "0,5,5,9": "does not come after", "0,NaN,7": "not a number"} {
		_, err := calibrate.ParseVolumes(list)
		wantSays(t, err, says)
	}
}

// readings makes seconds of readings at 80 a second.
func readings(seconds float64, counts func(s float64) float64, quality func(s float64) rig.Quality) []rig.Reading {
	var out []rig.Reading
	for k := range int(seconds * 80) {
		s := float64(k) / 80
		r := rig.Reading{Elapsed: time.Duration(s * 1e9), Quality: quality(s)}
		if r.Quality.HasCounts() {
			r.Counts = int32(math.Round(counts(s)))
		}
		out = append(out, r)
	}
	return out
}

func TestSteadiness(t *testing.T) {
	good := func(float64) rig.Quality { return rig.Good }
	rng := newRand(5)
	noisy := func(counts func(s float64) float64) func(float64) float64 {
		return func(s float64) float64 { return 100_000 + 150*rng.NormFloat64() + counts(s) }
	}
	for _, c := range []struct {
		name    string
		counts  func(s float64) float64
		quality func(s float64) rig.Quality
		seconds float64
		says    string // empty: steady
		silent  bool
	}{
		{name: "still", counts: noisy(func(float64) float64 { return 0 })},
		{name: "a converter of few bits, no noise at all", counts: func(float64) float64 { return 1234 }},
		{name: "too short", counts: noisy(func(float64) float64 { return 0 }), seconds: 3, says: "less than 5 s"},
		{name: "none yet", seconds: 0.001, says: "less than 5 s"},
		// 150 rms at 80/s: a half window's mean is known to 150 √(2/200) = 15 counts, four of them 60.
		{name: "drift", counts: noisy(func(s float64) float64 { return 80 * s }), says: "still drifts"},
		{name: "swaying", counts: noisy(func(s float64) float64 { return 200 * math.Sin(2*math.Pi*s/1.7) }), says: "sways"},
		{name: "unplugged", quality: func(float64) rig.Quality { return rig.Absent }, says: "no converter answers", silent: true},
		{name: "stopped", counts: noisy(func(float64) float64 { return 0 }), quality: func(s float64) rig.Quality {
			if s > 5 {
				return rig.Stalled
			}
			return rig.Good
		}, says: "stopped giving readings", silent: true},
		{name: "saturated", counts: func(float64) float64 { return 0x7FFFFF }, quality: func(float64) rig.Quality { return rig.Saturated }, says: "end of its range", silent: true},
		{name: "a fifth misread", counts: noisy(func(float64) float64 { return 0 }), quality: func(s float64) rig.Quality {
			if int(s*80)%5 == 0 {
				return rig.Misread
			}
			return rig.Good
		}, says: "readings are bad"},
		{name: "a few misread", counts: noisy(func(float64) float64 { return 0 }), quality: func(s float64) rig.Quality {
			if int(s*80)%20 == 0 {
				return rig.Misread
			}
			return rig.Good
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.quality == nil {
				c.quality = good
			}
			if c.seconds == 0 {
				c.seconds = 8
			}
			if c.counts == nil {
				c.counts = func(float64) float64 { return 0 }
			}
			var s calibrate.Steadiness
			for _, r := range readings(c.seconds, c.counts, c.quality) {
				s.Add(r)
			}
			v := s.Judge()
			if v.Steady != (c.says == "") || !strings.Contains(v.Why, c.says) || v.Silent != c.silent {
				t.Errorf("%+v, want %q", v, c.says)
			}
			if v.Steady && (v.N < 350 || v.U > 20) {
				t.Errorf("mean of %d readings with u %g", v.N, v.U)
			}
		})
	}
	t.Run("noisier than it was", func(t *testing.T) {
		s := calibrate.Steadiness{QuietCounts: 30}
		for _, r := range readings(6, noisy(func(float64) float64 { return 0 }), good) {
			s.Add(r)
		}
		if v := s.Judge(); v.Steady || !strings.Contains(v.Why, "shaken") {
			t.Errorf("%+v", v)
		}
	})
	t.Run("a slow creep after a large step", func(t *testing.T) {
		quiet := func(s float64) float64 { return 100_000 + 2*rng.NormFloat64() + 3*s }
		for step, want := range map[float64]bool{0: false, 400_000: true} { // 3e-5 of it are 12 counts
			s := calibrate.Steadiness{StepCounts: step}
			for _, r := range readings(6, quiet, good) {
				s.Add(r)
			}
			if v := s.Judge(); v.Steady != want {
				t.Errorf("step %g: %+v", step, v)
			}
		}
	})
	if v := (&calibrate.Steadiness{}).Judge(); v.Steady || v.Silent {
		t.Errorf("before any reading: %+v", v)
	}
}

// A quiet cell with its random walk counts as steady nearly always, and the block mean's
// uncertainty tells how far the mean is from the truth.
func TestSteadinessOfAQuietCell(t *testing.T) {
	rng := newRand(9)
	steady, within := 0, 0
	const n = 400
	for range n {
		var s calibrate.Steadiness
		for _, r := range readings(5.1, func(float64) float64 { return 50_000 + 150*rng.NormFloat64() }, func(float64) rig.Quality { return rig.Good }) {
			s.Add(r)
		}
		if v := s.Judge(); v.Steady {
			steady++
			if math.Abs(v.Counts-50_000) <= 2.262*v.U { // t of 9 degrees of freedom
				within++
			}
		}
	}
	t.Logf("%d of %d windows steady, %d means within their 95 %% interval", steady, n, within)
	if steady < n*98/100 || within < steady*91/100 || within > steady*99/100 {
		t.Errorf("%d of %d steady, %d within", steady, n, within)
	}
}

func TestCheck(t *testing.T) {
	l := calibrate.Line{Zero: 1000, Span: 2000, USpan: 0.2, USpanFit: 0.2, DF: 12}
	read := func(counts float64) calibrate.Reading { return calibrate.Reading{Counts: counts, U: 8} }
	c, err := l.NewCheck(100, 0.005, read(1400), read(201_430), 0.006, 8)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "reads", c.ReadsG, 100.015, 1e-12)
	near(t, "zero shift", c.ZeroShiftG, 0.2, 1e-12)
	near(t, "u of the line", c.ULineG, 100*0.2/2000, 1e-12)
	near(t, "u of the mass", c.UMassG, 0.005/math.Sqrt(3), 1e-12)
	near(t, "u of the readings", c.UReadingG, 8*math.Sqrt2/2000, 1e-12)
	near(t, "u of putting on", c.URepeatG, 0.006*math.Sqrt2, 1e-12)
	// By hand: u² = 1e-4 + 0.0833e-4 + 0.32e-4 + 0.72e-4 = 2.1233e-4, u = 0.014572.
	near(t, "u", c.U95G/c.K, 0.014572, 1e-4)
	// df = u⁴ / (1e-8/12 + 0.1024e-8/18 + 0.5184e-8/8) = 4.5084e-8/0.15370e-8 = 29.3; t of it is 2.044.
	near(t, "df", c.DF, 29.33, 1e-2)
	near(t, "k", c.K, 2.0443, 1e-3)
	if !c.InTolerance {
		t.Errorf("15 mg off with ±%g: out", c.U95G)
	}
	if c, err = l.NewCheck(100, 0.005, read(1400), read(201_480), 0.006, 8); err != nil || c.InTolerance {
		t.Errorf("40 mg off with ±%g: in (%v)", c.U95G, err)
	}
	// A cell that hangs upside down.
	up := l
	up.Span = -2000
	if c, err = up.NewCheck(100, 0.005, read(1400), read(-198_600), 0, 0); err != nil || math.Abs(c.ReadsG-100) > 1e-9 || !c.InTolerance {
		t.Errorf("negative span: %+v, %v", c, err)
	}
	nan := math.NaN()
	for _, f := range []func() error{
		func() error { _, err := (calibrate.Line{}).NewCheck(100, 0, read(0), read(1), 0, 0); return err },
		func() error { _, err := l.NewCheck(0, 0, read(0), read(1), 0, 0); return err },
		func() error { _, err := l.NewCheck(nan, 0, read(0), read(1), 0, 0); return err },
		func() error { _, err := l.NewCheck(100, -1, read(0), read(1), 0, 0); return err },
		func() error { _, err := l.NewCheck(100, 0, read(nan), read(1), 0, 0); return err },
		func() error { _, err := l.NewCheck(100, 0, read(0), read(1), nan, 0); return err },
	} {
		if err := f(); err == nil {
			t.Error("no error")
		}
	}
}

func TestTube(t *testing.T) {
	rows := []calibrate.Strap{{LevelMM: 5, VolumeML: 0}, {LevelMM: 15, VolumeML: 4}, {LevelMM: 65, VolumeML: 29}, {LevelMM: 115, VolumeML: 54.5}}
	tube, err := calibrate.NewTube(rows, 0.1)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ mm, mL, u float64 }{
		{5, 0, math.Hypot(0.2, 0.1)}, {15, 4, math.Hypot(0.2, 0.1)}, // 0.4 mL/mm, 0.5 mm
		{40, 16.5, math.Hypot(0.25, 0.1)}, {115, 54.5, math.Hypot(0.255, 0.1)},
	} {
		mL, u, err := tube.VolumeML(c.mm, 0.5)
		if err != nil || math.Abs(mL-c.mL) > 1e-12 || math.Abs(u-c.u) > 1e-12 {
			t.Errorf("%g mm: %g mL, u %g, %v; want %g, %g", c.mm, mL, u, err, c.mL, c.u)
		}
	}
	rows[1].VolumeML = 99 // the table is the tube's own
	if mL, _, err := tube.VolumeML(15, 0); err != nil || mL != 4 {
		t.Errorf("after the caller changed its rows: %g mL, %v", mL, err)
	}
	// Between rows the volume rises with the level, everywhere.
	last := -1.0
	for mm := 5.0; mm <= 115; mm += 0.25 {
		mL, _, err := tube.VolumeML(mm, 0)
		if err != nil || mL <= last {
			t.Fatalf("%g mm: %g mL after %g, %v", mm, mL, last, err)
		}
		last = mL
	}
	// Within a fiftieth of the 110 mm, 2.2 mm, the ends go on (0.4 and 0.51 mL/mm); beyond
	// that there is something for a guard and nothing for a result.
	for _, c := range []struct {
		mm, mL, slope float64
		within        bool
	}{{3, -0.8, 0.4, true}, {117, 55.52, 0.51, true}, {2.7, -0.92, 0.4, false}, {117.3, 55.673, 0.51, false}, {40, 16.5, 0.5, true}} {
		if mL, slope, within := tube.Volume(c.mm); math.Abs(mL-c.mL) > 1e-9 || math.Abs(slope-c.slope) > 1e-9 || within != c.within {
			t.Errorf("%g mm: %g mL, within %v; want %g, %v", c.mm, mL, within, c.mL, c.within)
		}
		if _, _, err := tube.VolumeML(c.mm, 0); !c.within {
			wantSays(t, err, "covers 5 to 115 mm")
		}
	}
	if mL, _, within := (calibrate.Tube{}).Volume(1); within || !math.IsNaN(mL) {
		t.Errorf("no table: %g mL, %v", mL, within)
	}
	// The inverse: 1/0.4, 1/0.5 and 50/25.5 mm/mL.
	for _, c := range []struct{ mL, mm, slope float64 }{{0, 5, 2.5}, {2, 10, 2.5}, {4, 15, 2.5}, {16.5, 40, 2}, {54.5, 115, 50 / 25.5}} {
		if mm, slope, err := tube.LevelMM(c.mL); err != nil || math.Abs(mm-c.mm) > 1e-9 || math.Abs(slope-c.slope) > 1e-9 {
			t.Errorf("%g mL: %g mm, %g mm/mL, %v; want %g, %g", c.mL, mm, slope, err, c.mm, c.slope)
		}
	}
	for _, mL := range []float64{-0.1, 54.6, math.NaN()} {
		_, _, err := tube.LevelMM(mL)
		wantSays(t, err, "covers 0 to 54.5 mL")
	}
	_, _, err = calibrate.Tube{}.LevelMM(1)
	wantSays(t, err, "no strapping table")
	// Two pours of ±0.25 mL at 2 mm/mL.
	if mm, mpe, err := (calibrate.Water{VesselTolML: 0.25}).Level(tube, 16.5, 2); err != nil || mm != 40 || math.Abs(mpe-1) > 1e-9 {
		t.Errorf("poured: %g mm ± %g, %v", mm, mpe, err)
	}
	_, _, err = calibrate.Water{VesselTolML: -1}.Level(tube, 1, 1)
	wantSays(t, err, "neither may be negative")
	for _, bad := range [][2]float64{{math.NaN(), 0}, {20, math.NaN()}, {20, -1}} {
		_, _, err := tube.VolumeML(bad[0], bad[1])
		wantSays(t, err, "finite")
	}
	_, _, err = calibrate.Tube{}.VolumeML(1, 0)
	wantSays(t, err, "no strapping table")

	// A bore of 24 mm: π/4 24² = 452.39 mm², 0.45239 mL to a millimetre.
	round, err := calibrate.NewRoundTube(24, 100, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	mL, u, err := round.VolumeML(50, 0)
	if err != nil || math.Abs(mL-22.6195) > 1e-4 || math.Abs(u-0.226195) > 1e-6 {
		t.Errorf("50 mm: %g mL, u %g, %v", mL, u, err)
	}
	for _, bad := range [][3]float64{{0, 10, 0}, {24, math.NaN(), 0}, {24, 10, -1}, {24, 10, 1}} {
		_, err := calibrate.NewRoundTube(bad[0], bad[1], bad[2])
		wantSays(t, err, "above 0")
	}
	for _, c := range []struct {
		rows []calibrate.Strap
		u    float64
		says string
	}{
		{nil, 0, "at least 2"},
		{[]calibrate.Strap{{}, {10, 5}, {10, 6}}, 0, "row 3"},
		{[]calibrate.Strap{{}, {10, 5}, {20, 5}}, 0, "must both rise"},
		{[]calibrate.Strap{{}, {math.NaN(), 5}}, 0, "row 2"},
		{[]calibrate.Strap{{0, -1}, {10, 5}}, 0, "not negative"},
		{[]calibrate.Strap{{}, {10, 5}}, math.NaN(), "NaN mL"},
	} {
		_, err := calibrate.NewTube(c.rows, c.u)
		wantSays(t, err, c.says)
	}
}
