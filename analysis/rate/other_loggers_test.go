package rate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"brimline/analysis/curve"
)

// Sound records of other loggers than the bench's own: balances that show whole steps,
// values each ten seconds, millilitres, fills and dumps one after another, and stretches
// cut out of a fill. Every fill is found, and nothing is said of one.
func TestSoundRecordsOfOtherLoggers(t *testing.T) {
	const hunting = 0.005 // of the rate, in waves of 3 s (estimate, no source)
	for _, tc := range []struct {
		name               string
		perS, gPerMin      float64
		fillS, restS       float64
		white, digit       float64 // g
		fills              int
		mode               Mode
		unit               curve.Unit
		cutFromS, cutUpToS float64
	}{
		{name: "stream", perS: 80, gPerMin: 10, fillS: 60, restS: 30, white: 0.07, fills: 3},
		{name: "stream at 10/s", perS: 10, gPerMin: 10, fillS: 60, restS: 30, white: 0.03, fills: 4},
		{name: "stream of a balance of 0.1 g at 1/s", perS: 1, gPerMin: 10, fillS: 120, restS: 60, white: 0.01, digit: 0.1, fills: 5},
		{name: "stream of a balance of 1 g at 1/s", perS: 1, gPerMin: 10, fillS: 300, restS: 100, white: 0.01, digit: 1, fills: 4},
		{name: "stream of a balance of 1 g each 10 s", perS: 0.1, gPerMin: 10, fillS: 1800, restS: 600, white: 0.01, digit: 1, fills: 3},
		{name: "stream of a balance of 0.01 g each 10 s", perS: 0.1, gPerMin: 10, fillS: 900, restS: 600, white: 0.01, digit: 0.01, fills: 4},
		{name: "stream in mL", perS: 10, gPerMin: 10, fillS: 60, restS: 30, white: 0.05, digit: 0.02, fills: 3, unit: curve.Millilitre},
		{name: "run in mL", perS: 10, gPerMin: 10, fillS: 180, restS: 60, white: 0.05, digit: 0.02, mode: OneFill, unit: curve.Millilitre},
		{name: "run of an hour at 1/s", perS: 1, gPerMin: 10, fillS: 3600, restS: 120, white: 0.02, mode: OneFill},
		{name: "run of an hour on a balance of 0.1 g at 1/s", perS: 1, gPerMin: 10, fillS: 3600, restS: 120, white: 0.01, digit: 0.1, mode: OneFill},
		{name: "run on a balance of 1 g at 1/s", perS: 1, gPerMin: 10, fillS: 180, restS: 60, white: 0.01, digit: 1, mode: OneFill},
		{name: "run on a balance of 1 g at 10/s", perS: 10, gPerMin: 10, fillS: 180, restS: 60, white: 0.01, digit: 1, mode: OneFill},
		{name: "run on a balance of 0.1 g at 10/s", perS: 10, gPerMin: 10, fillS: 180, restS: 60, white: 0.03, digit: 0.1, mode: OneFill},
		{name: "run on a balance of 0.01 g at 10/s", perS: 10, gPerMin: 10, fillS: 180, restS: 60, white: 0.005, digit: 0.01, mode: OneFill},
		{name: "0.2 mL/min", perS: 80, gPerMin: 0.17, fillS: 180, restS: 60, white: 0.07, mode: OneFill},
		{name: "300 mL/min", perS: 80, gPerMin: 250, fillS: 60, restS: 60, white: 0.07, mode: OneFill},
		{name: "300 mL/min for 20 s at 10/s", perS: 10, gPerMin: 250, fillS: 20, restS: 30, white: 0.07, mode: OneFill},
		{name: "a stretch of a fill", perS: 80, gPerMin: 10, fillS: 180, restS: 60, white: 0.07, mode: Window, cutFromS: 70, cutUpToS: 220},
		{name: "a stretch of a balance of 1 g at 1/s", perS: 1, gPerMin: 10, fillS: 600, restS: 60, white: 0.01, digit: 1, mode: Window, cutFromS: 70, cutUpToS: 600},
		{name: "a stretch each 10 s", perS: 0.1, gPerMin: 10, fillS: 3600, restS: 60, white: 0.07, mode: Window, cutFromS: 70, cutUpToS: 3500},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			fills := max(1, tc.fills)
			if tc.unit == "" {
				tc.unit = curve.Gram
			}
			for seed := range uint64(4) {
				rng := rand.New(rand.NewPCG(2_000_200+seed, 1))
				var ts, ys []float64
				walk, held, hunts := 0.0, 0.0, 0.0
				keeps := math.Exp(-1 / tc.perS / 3)
				for i := range int((tc.restS + float64(fills)*(tc.fillS+tc.restS)) * tc.perS) {
					at := float64(i) / tc.perS
					walk += cellWalk / math.Sqrt(tc.perS) * rng.NormFloat64()
					hunts = hunts*keeps + hunting*math.Sqrt(1-keeps*keeps)*rng.NormFloat64()
					switch in := math.Mod(at, tc.fillS+tc.restS); {
					case in >= tc.restS:
						held += tc.gPerMin / 60 / tc.perS * (1 + hunts)
					case in > tc.restS/2 && tc.fills > 0 && at < float64(fills)*(tc.fillS+tc.restS):
						held = 0 // dumped
					}
					y := 3 + held + walk + tc.white*rng.NormFloat64()
					if tc.digit > 0 {
						y = math.Round(y/tc.digit) * tc.digit
					}
					ts, ys = append(ts, at), append(ys, y)
				}
				c, err := curve.New("scale", tc.unit, ts, ys)
				if err != nil {
					t.Fatal(err)
				}
				if tc.cutUpToS > 0 {
					c = c.Window(tc.cutFromS, tc.cutUpToS)
				}
				r, err := Analyse(c, Options{Mode: tc.mode})
				if err != nil {
					t.Fatal(err)
				}
				if len(r.Fills) != fills {
					t.Errorf("seed %d: %d fills, made were %d: %s", seed, len(r.Fills), fills, fmt.Sprint(r.Fills))
				}
				for _, f := range r.Fills {
					if f.Kind != KindFill || len(f.Flags) > 0 || math.Abs(f.Rate()-tc.gPerMin) > 3*f.U95 {
						t.Errorf("seed %d: a %s from %.0f to %.0f s of %.4g ± %.2g %s/min, flags %+v", seed, f.Kind, f.StartS, f.EndS, f.Rate(), f.U95, f.Unit, f.Flags)
					}
				}
			}
		})
	}
}

// Fills of three minutes are found in a record of half a day as in one of an hour; a fill
// of hours, and a rest of hours, are one.
func TestLongStreams(t *testing.T) {
	const perS, gPerMin = 2, 10.0
	for _, tc := range []struct {
		name   string
		hours  float64
		flows  func(at float64) bool
		dumped func(at float64) bool
		fills  int
		kind   Kind
	}{
		{"a fill each six minutes", 5, func(at float64) bool { k := math.Mod(at, 360); return k > 60 && k < 240 }, func(at float64) bool { return math.Mod(at, 360) > 300 }, 50, KindFill},
		{"one fill", 4, func(at float64) bool { return at > 1000 && at < 13_000 }, func(float64) bool { return false }, 1, KindFill},
		{"a rest", 4, func(float64) bool { return false }, func(float64) bool { return false }, 1, KindStill},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			rng := rand.New(rand.NewPCG(2_000_210, 1))
			var ts, ys []float64
			held, walk := 0.0, 0.0
			for i := range int(tc.hours * 3600 * perS) {
				at := float64(i) / perS
				switch {
				case tc.flows(at):
					held += gPerMin / 60 / perS
				case tc.dumped(at):
					held = 0
				}
				walk += cellWalk / math.Sqrt(perS) * rng.NormFloat64()
				ts, ys = append(ts, at), append(ys, held+walk+0.03*rng.NormFloat64())
			}
			c, err := curve.New("scale", curve.Gram, ts, ys)
			if err != nil {
				t.Fatal(err)
			}
			r, err := Analyse(c, Options{})
			if err != nil {
				t.Fatal(err)
			}
			if len(r.Fills) != tc.fills {
				t.Errorf("%d fills, made were %d", len(r.Fills), tc.fills)
			}
			for _, f := range r.Fills {
				if f.Kind != tc.kind || f.Kind == KindFill && (len(f.Flags) > 0 || math.Abs(f.RateGPerMin-gPerMin) > 3*f.U95) {
					t.Errorf("a %s from %.0f to %.0f s of %.4g ± %.2g g/min, flags %+v", f.Kind, f.StartS, f.EndS, f.RateGPerMin, f.U95, f.Flags)
				}
			}
		})
	}
}
