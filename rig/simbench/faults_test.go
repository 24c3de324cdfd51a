package simbench_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"brimline/rig"
	"brimline/rig/ads1115"
	"brimline/rig/hx711"
	"brimline/rig/simbench"
)

const (
	faultStill = 10 * time.Second
	faultFlow  = 2 * time.Minute
	faultAfter = 90 * time.Second
)

// injector 1 of quiet's engine
const (
	quietMLS = 12. / 60
	quietGS  = quietMLS * 0.8
)

// faulty records a run of a quiet world with the faults on channel 0, and returns the
// bench, the run and what channel 0 showed, u seconds after the flow's start.
func faulty(t testing.TB, faults ...simbench.PlannedFault) (*simbench.Bench, simbench.Run, []point) {
	t.Helper()
	b := newBench(t, simbench.Options{Seed: 1, Channels: 2, World: quiet()})
	r := start(t, b, simbench.RunPlan{Still: faultStill, Flow: faultFlow, LeftInML: []float64{0, 0}, Faults: faults})
	var k keep
	if err := b.Record(&k, r.FlowEnd+faultAfter); err != nil {
		t.Fatal(err)
	}
	var out []point
	for _, s := range k.samples {
		if s.Channel == 0 && s.Quality != rig.Settling {
			out = append(out, point{(s.Elapsed - r.FlowStart).Seconds(), float64(s.Counts) / 2000, s})
		}
	}
	return b, r, out
}

type point struct {
	u, g float64
	s    rig.Sample
}

// follows checks a curve against what it should be, in grams, to half a count.
func follows(t *testing.T, curve []point, want func(u float64) float64) {
	t.Helper()
	for _, p := range curve {
		if w := want(p.u); math.Abs(p.g-w) > 0.3e-3 {
			t.Fatalf("%.3f s after the flow's start: %.5f g, want %.5f", p.u, p.g, w)
		}
	}
}

func flowed(u float64) float64 { return min(max(u, 0), faultFlow.Seconds()) }

func fault(k simbench.FaultKind, severity float64) simbench.PlannedFault {
	return simbench.PlannedFault{Kind: k, Severity: severity, At: 30 * time.Second} // 20 s after the flow's start
}

// Each kind leaves the mark that its equation says, here written down anew. The
// equations and sizes are those of Faults, from where it says.
func TestFaultSignatures(t *testing.T) {
	t.Run("late-start", func(t *testing.T) {
		b, r, curve := faulty(t, fault(simbench.LateStart, 0.5))
		follows(t, curve, func(u float64) float64 { return quietGS * max(0, flowed(u)-30) })
		if x := truth(t, b, 0, r.FlowStart, r.FlowEnd); x.FlowStart != r.FlowStart+30*time.Second || x.FlowEnd != r.FlowEnd || math.Abs(x.RateMLPerMin-9) > 1e-9 {
			t.Errorf("truth %+v, want a flow from 30 s on and 9 mL/min on average", x)
		}
	})
	t.Run("early-stop", func(t *testing.T) {
		b, r, curve := faulty(t, fault(simbench.EarlyStop, 0.5))
		follows(t, curve, func(u float64) float64 { return quietGS * min(flowed(u), 90) })
		if x := truth(t, b, 0, r.FlowStart, r.FlowEnd); x.FlowEnd != r.FlowEnd-30*time.Second || math.Abs(x.RateMLPerMin-9) > 1e-9 {
			t.Errorf("truth %+v, want a flow to 30 s before the end and 9 mL/min on average", x)
		}
	})
	t.Run("leak-after-stop", func(t *testing.T) {
		b, r, curve := faulty(t, fault(simbench.LeakAfterStop, 0.5))
		follows(t, curve, func(u float64) float64 { return quietGS * (flowed(u) + 0.1*max(0, u-faultFlow.Seconds())) })
		if x := truth(t, b, 0, r.FlowEnd, r.FlowEnd+time.Minute); math.Abs(x.RateMLPerMin-1.2) > 1e-9 || math.Abs(x.VolumeML-1.2) > 1e-9 {
			t.Errorf("truth %+v, want a tenth of 12 mL/min", x)
		}
	})
	t.Run("hose-filling", func(t *testing.T) {
		// 1 m of 4 mm bore is 12.6 mL, 75 s at 10 mL/min: 63 s at 12.
		b, r, curve := faulty(t, fault(simbench.HoseFilling, 1))
		dead := math.Pi / 4 * 16 * 1000 / 1000 / quietMLS
		follows(t, curve, func(u float64) float64 { return quietGS * max(0, flowed(u)-dead) })
		if at10 := dead * 1.2; math.Abs(at10-75) > 0.5 {
			t.Errorf("%.1f s at 10 mL/min, want 75", at10)
		}
		if x := truth(t, b, 0, r.FlowStart, r.FlowEnd); math.Abs(x.LostML-12.57) > 0.01 || math.Abs(x.RateMLPerMin-12) > 1e-9 {
			t.Errorf("truth %+v, want 12 mL/min and a hose of 12.57 mL", x)
		}
	})
	t.Run("air-bursts", func(t *testing.T) {
		// 0.3 mL of air at 0.2 mL/s are 1.5 s, every 25 s, from 20 s on.
		b, r, curve := faulty(t, fault(simbench.AirBursts, 0.6))
		follows(t, curve, func(u float64) float64 {
			u = flowed(u)
			lost := 0.0
			for slug := 20.; slug < u; slug += 25 {
				lost += min(u-slug, 1.5)
			}
			return quietGS * (u - lost)
		})
		// At 20, 45, 70 and 95 s.
		if x := truth(t, b, 0, r.FlowStart, r.FlowEnd); math.Abs(x.LostML-4*0.3) > 1e-9 {
			t.Errorf("truth %+v, want four slugs of 0.3 mL lost", x)
		}
	})
	t.Run("kinked-hose", func(t *testing.T) {
		b, r, curve := faulty(t, fault(simbench.KinkedHose, 0.5))
		follows(t, curve, func(u float64) float64 {
			switch v := quietGS * flowed(u); {
			case u < 20:
				return v
			case u < 30:
				return quietGS * 20
			default: // 2 mL held, 1.6 g
				return v - 1.6*math.Exp(-(u-30)/0.5)
			}
		})
		if x := truth(t, b, 0, r.FlowStart, r.FlowEnd); math.Abs(x.LostML) > 1e-9 || math.Abs(x.VolumeML-24) > 1e-9 {
			t.Errorf("truth %+v, want all of 24 mL in the end", x)
		}
		if x := truth(t, b, 0, r.FlowStart, r.FlowStart+30*time.Second); math.Abs(x.LostML-2) > 1e-9 {
			t.Errorf("truth %+v, want 2 mL held", x)
		}
	})
	t.Run("blocked-vent", func(t *testing.T) {
		// dV/dt = Q - K V/(V0 - V) has the solution t(V) = V/b + (V0 - a/b)/b ln(a/(a - b V)), a = Q V0,
		// b = Q + K (differentiate it). At 30 mL in 100 mL, 0.43 bar, all of Q goes by the second way.
		const v0, q, k = 100, quietMLS, quietMLS * 70 / 30
		const a, b = q * v0, q + k
		after := func(v float64) float64 { return v/b + (v0-a/b)/b*math.Log(a/(a-b*v)) }
		bench, r, curve := faulty(t, fault(simbench.BlockedVent, 1))
		follows(t, curve, func(u float64) float64 {
			low, high := 0.0, a/b
			for range 60 {
				if mid := (low + high) / 2; after(mid) < flowed(u) {
					low = mid
				} else {
					high = mid
				}
			}
			return 0.8 * low
		})
		x := truth(t, bench, 0, r.FlowStart, r.FlowEnd)
		if math.Abs(x.VolumeML+x.LostML-24) > 1e-9 || math.Abs(x.RateMLPerMin-12) > 1e-9 {
			t.Errorf("truth %+v, want 24 mL sent at 12 mL/min", x)
		}
		third := func(n time.Duration) float64 {
			return truth(t, bench, 0, r.FlowStart+n*faultFlow/3, r.FlowStart+(n+1)*faultFlow/3).VolumeML
		}
		if third(2) > 0.7*third(0) {
			t.Errorf("the last third brings %.2f mL, the first %.2f: want it to bend", third(2), third(0))
		}
	})
	t.Run("slow-drip", func(t *testing.T) {
		for _, severity := range []float64{0.5, 1} {
			// A spout of radius r lets go 2 pi r gamma psi/g: 21 mg of 2 mm, 43 mg of 4 mm.
			drop := 2 * math.Pi * 4e-3 * severity * 27e-3 * 0.62 / 9.80665 * 1000
			b, _, curve := faulty(t, fault(simbench.SlowDrip, severity))
			follows(t, curve, func(u float64) float64 {
				n := quietGS * flowed(u) / drop
				if n-math.Floor(n) > 1-1e-9 {
					n++ // the sample falls on the drop
				}
				return drop * math.Floor(n)
			})
			var steps, resid []float64
			for i, p := range curve[1:] {
				if step := p.g - curve[i].g; step > 1e-3 {
					steps = append(steps, step)
				}
				if p.u > 0 && p.u < faultFlow.Seconds() {
					resid = append(resid, p.g-quietGS*p.u)
				}
			}
			if got := (values(steps)).of(); math.Abs(got*1000-43*severity) > 0.5 {
				t.Errorf("drops of %.1f mg, want %.1f", got*1000, 43*severity)
			}
			if got, want := sd(resid), drop/math.Sqrt(12); math.Abs(got-want) > 0.03*want {
				t.Errorf("about the line the staircase has a standard deviation of %.4f g, want step/sqrt(12) = %.4f", got, want)
			}
			if perS := float64(len(steps)) / faultFlow.Seconds(); severity == 1 && (perS < 3 || perS > 6) {
				t.Errorf("%.1f drops a second", perS)
			}
			if x := truth(t, b, 0, 0, time.Minute); math.Abs(x.VolumeML+x.LostML-quietMLS*50) > 1e-9 {
				t.Errorf("truth %+v, want 10 mL sent", x)
			}
		}
	})
	t.Run("film-draining", func(t *testing.T) {
		// 0.11 mL after 60 s, as 1/sqrt(t); the run begins at 5 s.
		_, _, curve := faulty(t, fault(simbench.FilmDraining, 1))
		follows(t, curve, func(u float64) float64 {
			return quietGS*flowed(u) + 0.8*0.11*math.Sqrt(60/(15+min(u, 0)))
		})
	})
	t.Run("foam", func(t *testing.T) {
		b, r, curve := faulty(t, fault(simbench.Foam, 0.5))
		follows(t, curve, func(u float64) float64 { return quietGS * flowed(u) }) // the mass is right
		for u := time.Duration(1); u < 200; u++ {
			x := truth(t, b, 0, r.FlowStart, r.FlowStart+u*time.Second)
			s := float64(u)
			// A tenth of 0.2 mL/s, living 30 s, then sinking back.
			want := 0.02 * 30 * -math.Expm1(-flowed(s)/30) * math.Exp(-(s-flowed(s))/30)
			if got := x.LevelML - x.MassG/0.8; math.Abs(got-want) > 1e-6 {
				t.Fatalf("%v s: %.6f mL of gas, want %.6f", s, got, want)
			}
		}
	})
	t.Run("hose-pull", func(t *testing.T) {
		// 1 mN is 102 mg.
		_, _, curve := faulty(t, fault(simbench.HosePull, 0.2))
		follows(t, curve, func(u float64) float64 {
			if u >= 20 {
				return quietGS*flowed(u) + 0.102
			}
			return quietGS * flowed(u)
		})
	})
	t.Run("knock", func(t *testing.T) {
		_, _, curve := faulty(t, fault(simbench.Knock, 0.5))
		highest := 0.0
		follows(t, curve, func(u float64) float64 {
			if u < 20 {
				return quietGS * flowed(u)
			}
			return quietGS*flowed(u) + 10*math.Exp(-(u-20)/0.2)
		})
		for _, p := range curve {
			over := p.g - quietGS*flowed(p.u)
			highest = max(highest, over)
			if p.u > 22 && over > 1e-3 {
				t.Fatalf("%.3f g over the curve 2 s after the knock", over)
			}
		}
		if highest < 9 || highest > 10 {
			t.Errorf("a knock of 10 g shows %.2f", highest)
		}
	})
	t.Run("spout-dipping", func(t *testing.T) {
		for severity, percent := range map[float64]float64{1: 6.7, 2. / 3: 2.9} { // 6 mm and 4 mm
			_, _, curve := faulty(t, fault(simbench.SpoutDipping, severity))
			d := 6 * severity
			bias := d * d / (24*24 - d*d)
			if math.Abs(bias*100-percent) > 0.05 {
				t.Errorf("%.1f mm: %.2f %%, want %.1f", d, bias*100, percent)
			}
			follows(t, curve, func(u float64) float64 { return quietGS * (flowed(u) + bias*max(0, flowed(u)-20)) })
		}
	})
	t.Run("thermal-drift", func(t *testing.T) {
		// OIML R 60, class C3, 1 kg: 0.07 g per 5 degC. Two lags of 4 min.
		b, r, curve := faulty(t, fault(simbench.ThermalDrift, 5./40))
		follows(t, curve, func(u float64) float64 {
			x := max(0, u-20) / 240
			return quietGS*flowed(u) + 0.07*(1-(1+x)*math.Exp(-x))
		})
		x, y := truth(t, b, 0, r.FlowStart, r.FlowEnd), truth(t, b, 0, r.FlowStart, r.FlowEnd+time.Minute)
		if y.ArtefactG-x.ArtefactG < 0.005 || y.VolumeML != x.VolumeML {
			t.Errorf("in the minute after the stop the zero moves by %.4f g: want it to go on", y.ArtefactG-x.ArtefactG)
		}
		if z := truth(t, b, 0, r.FlowStart, r.FlowEnd+10*time.Hour); math.Abs(z.ArtefactG-0.07) > 1e-6 {
			t.Errorf("in the end %.5f g, want 0.07", z.ArtefactG)
		}
	})
	t.Run("creep", func(t *testing.T) {
		// A cheap cell, 0.1 %. load L = q t gives q (t - tau (1 - exp(-t/tau))) through a lag; after the flow it nears the load.
		const tau = 600
		c := 0.001 / -math.Expm1(-3)
		_, _, curve := faulty(t, fault(simbench.Creep, 0.02))
		follows(t, curve, func(u float64) float64 {
			v := flowed(u)
			x := v + tau*math.Expm1(-v/tau)
			return quietGS * (v + c*(v+(x-v)*math.Exp(-max(0, u-v)/tau)))
		})
		// A load put on at once creeps by 0.1 % in 30 min; here it takes 0.6 s.
		w := quiet()
		w.RatesMLPerMin = []float64{1000}
		b := newBench(t, simbench.Options{Channels: 1, World: w})
		r := start(t, b, simbench.RunPlan{Flow: 600 * time.Millisecond, Faults: []simbench.PlannedFault{{Kind: simbench.Creep, Severity: 0.02}}})
		if x := truth(t, b, 0, r.FlowStart, r.FlowStart+30*time.Minute); math.Abs(x.ArtefactG/x.MassG-0.001) > 1e-6 {
			t.Errorf("in 30 min %.4g of the load creeps, want 0.001", x.ArtefactG/x.MassG)
		}
	})
	t.Run("lamp-pickup", func(t *testing.T) {
		_, _, curve := faulty(t, fault(simbench.LampPickup, 1))
		follows(t, curve, func(u float64) float64 {
			if u < 20 {
				return quietGS * flowed(u)
			}
			return quietGS*flowed(u) + 613./2000*math.Sin(2*math.Pi*3.1*(u-20))
		})
	})
	t.Run("missing-samples", func(t *testing.T) {
		// 2 to 45 s: a third of 45.
		_, _, curve := faulty(t, fault(simbench.MissingSamples, 1./3))
		follows(t, curve, func(u float64) float64 { return quietGS * flowed(u) })
		gaps := 0
		for i, p := range curve[1:] {
			if p.s.Seq != curve[i].s.Seq+1 {
				t.Fatalf("sample %d follows %d", p.s.Seq, curve[i].s.Seq)
			}
			if d := p.u - curve[i].u; d > 0.05 {
				gaps++
				if math.Abs(d-15) > 0.03 || math.Abs(curve[i].u-20) > 0.03 {
					t.Errorf("nothing for %.3f s from %.3f s on, want 15 s from 20 s on", d, curve[i].u)
				}
			}
		}
		if gaps != 1 {
			t.Errorf("%d gaps, want one", gaps)
		}
	})
	t.Run("stuck-code", func(t *testing.T) {
		_, _, curve := faulty(t, fault(simbench.StuckCode, 0.25)) // 15 s
		last := 0.0
		for _, p := range curve {
			if p.u < 20 {
				last = p.g
			}
		}
		follows(t, curve, func(u float64) float64 {
			if u >= 20 && u < 35 {
				return last
			}
			return quietGS * flowed(u)
		})
	})
	t.Run("saturation", func(t *testing.T) {
		_, _, curve := faulty(t, fault(simbench.Saturation, 0.4)) // half of 2^23
		follows(t, curve, func(u float64) float64 {
			if u >= 20 {
				return quietGS*flowed(u) + 0x400000/2000.
			}
			return quietGS * flowed(u)
		})
		_, _, curve = faulty(t, fault(simbench.Saturation, 1))
		for _, p := range curve {
			want := rig.Good
			if p.u >= 20 {
				want = rig.Saturated
			}
			if p.s.Quality != want || want == rig.Saturated && p.s.Counts != 0x7FFFFF {
				t.Fatalf("%.3f s: %d counts, %v, want %v", p.u, p.s.Counts, p.s.Quality, want)
			}
		}
	})
	t.Run("brown-out", func(t *testing.T) {
		w := quiet()
		w.PowerOnCounts, w.PowerOn = 1050, 200*time.Millisecond
		b := newBench(t, simbench.Options{Channels: 2, World: w})
		start(t, b, simbench.RunPlan{Faults: []simbench.PlannedFault{{Kind: simbench.BrownOut, Severity: 0.25, At: 20 * time.Second}}})
		var k keep
		if err := b.Record(&k, 30*time.Second); err != nil {
			t.Fatal(err)
		}
		period := truth(t, b, 0, 0, 1).Period
		back := 20500 * time.Millisecond
		first := true
		for _, s := range k.samples {
			if s.Channel == 1 || s.Elapsed < 20*time.Second {
				continue
			}
			since := s.Elapsed - back
			if first && since != 4*period {
				t.Errorf("the first conversion %v after the supply came back, want %v", since, 4*period)
			}
			first = false
			want := 1050 * -math.Expm1(-0.5/0.2) * math.Exp(-since.Seconds()/0.2) // off for 0.5 s
			if math.Abs(float64(s.Counts)-want) > 0.6 {
				t.Fatalf("%v after: %d counts, want %.1f", since, s.Counts, want)
			}
			if settling := since < 500*time.Millisecond; (s.Quality == rig.Settling) != settling {
				t.Fatalf("%v after: %v", since, s.Quality)
			}
		}
		if first {
			t.Error("no conversions after the supply came back")
		}
	})
}

// Through pins and driver the wiring's faults are seen as what they are, no wrong value
// passes for good, and the other channel goes on.
func TestWiringFaultsThroughTheDriver(t *testing.T) {
	run := func(t *testing.T, d time.Duration, f simbench.PlannedFault) (by [2]map[rig.Quality]int, samples []rig.Sample) {
		t.Helper()
		w := quiet()
		w.TubeML = 1000
		b, sensors := open(t, simbench.Options{Seed: 2, Channels: 2, World: w}, hx711.Options{})
		f.At = 20 * time.Second
		r := start(t, b, simbench.RunPlan{Still: time.Second, Flow: time.Hour, LeftInML: []float64{0, 0}, Faults: []simbench.PlannedFault{f}})
		samples = acquire(t, b, sensors, d)
		by = [2]map[rig.Quality]int{{}, {}}
		for _, s := range samples {
			by[s.Channel][s.Quality]++
			want := []float64{320, 160}[s.Channel] * max(0, (s.Elapsed-r.FlowStart).Seconds())
			// A conversion may wait 30 ms for a reader that was stalled: 0.03 s of 320 counts/s.
			if d := float64(s.Counts) - want; s.Quality == rig.Good && f.Kind != simbench.StuckCode && (d > 0.6 || d < -10.6) {
				t.Fatalf("channel %d at %v: %d counts are taken for good, the model says %.1f", s.Channel, s.Elapsed, s.Counts, want)
			}
		}
		if n := by[1][rig.Good]; n < int(d.Seconds())*70 {
			t.Errorf("channel 1 has %d good samples in %v", n, d)
		}
		return by, samples
	}
	t.Run("misreads", func(t *testing.T) {
		for _, severity := range []float64{0.5, 1} {
			by, _ := run(t, 1000*time.Second, simbench.PlannedFault{Kind: simbench.Misreads, Severity: severity})
			n := float64(by[0][rig.Good] + by[0][rig.Misread])
			// 0.6 % at 1, of some 90 000 reads: 4 % standard error, and 15 % for "about".
			if share := float64(by[0][rig.Misread]) / n; math.Abs(share-0.006*severity) > 0.2*0.006*severity {
				t.Errorf("severity %g: %.4f of the reads are misreads, want %.4f", severity, share, 0.006*severity)
			}
			if by[1][rig.Misread] > 0 {
				t.Errorf("channel 1 has %d misreads", by[1][rig.Misread])
			}
		}
	})
	t.Run("missing-samples", func(t *testing.T) {
		_, samples := run(t, time.Minute, simbench.PlannedFault{Kind: simbench.MissingSamples, Severity: 0.2})
		last, longest := time.Duration(0), time.Duration(0)
		for _, s := range samples {
			if s.Channel == 0 {
				longest, last = max(longest, s.Elapsed-last), s.Elapsed
			}
		}
		if (longest - 9*time.Second).Abs() > 50*time.Millisecond {
			t.Errorf("the longest gap is %v, want 9 s", longest)
		}
	})
	t.Run("brown-out", func(t *testing.T) {
		by, samples := run(t, time.Minute, simbench.PlannedFault{Kind: simbench.BrownOut, Severity: 1})
		if by[0][rig.Stalled] < 2 {
			t.Errorf("2 s without supply: %v, want stalled readings", by[0])
		}
		var after []rig.Quality
		for _, s := range samples {
			if s.Channel == 0 && s.Elapsed > 22*time.Second && s.Quality != rig.Stalled {
				after = append(after, s.Quality)
			}
		}
		if len(after) < 100 || after[0] != rig.Settling || after[len(after)-1] != rig.Good {
			t.Errorf("%d readings afterwards: want them to settle first and then to be good", len(after))
		}
	})
	t.Run("stuck-code", func(t *testing.T) {
		_, samples := run(t, time.Minute, simbench.PlannedFault{Kind: simbench.StuckCode, Severity: 0.5})
		codes := map[int32]bool{}
		for _, s := range samples {
			if s.Channel == 0 && s.Elapsed > 20050*time.Millisecond && s.Elapsed < 49950*time.Millisecond {
				codes[s.Counts] = true
			}
		}
		if len(codes) != 1 {
			t.Errorf("%d codes in 30 s of a stuck one", len(codes))
		}
	})
	t.Run("saturation", func(t *testing.T) {
		by, _ := run(t, time.Minute, simbench.PlannedFault{Kind: simbench.Saturation, Severity: 1})
		if by[0][rig.Saturated] < 39*76 {
			t.Errorf("40 s at the end of the range: %v", by[0])
		}
	})
}

// Record has misreads as a driver has them: no counts, as many as through the pins, and
// four conversions that settle after each.
func TestRecordSpoilsReads(t *testing.T) {
	b := newBench(t, simbench.Options{Seed: 3, Channels: 2, World: quiet()})
	start(t, b, simbench.RunPlan{Flow: 1000 * time.Second, Faults: []simbench.PlannedFault{{Kind: simbench.Misreads, Severity: 1}}})
	var k keep
	if err := b.Record(&k, 1000*time.Second); err != nil {
		t.Fatal(err)
	}
	var reads, bad [2]int
	settling := 0
	for _, s := range k.samples {
		reads[s.Channel]++
		if s.Elapsed > time.Second && s.Channel == 0 && s.Quality != rig.Misread {
			if want := settling > 0; want != (s.Quality == rig.Settling) {
				t.Fatalf("%v: %v, %d conversions yet to settle", s.Elapsed, s.Quality, settling)
			}
			settling--
		}
		if s.Quality == rig.Misread {
			bad[s.Channel]++
			settling = 4
			if s.Counts != 0 {
				t.Fatalf("%v: a misread of %d counts", s.Elapsed, s.Counts)
			}
		}
	}
	// 500 of 84,000: the share is found within four standard errors, 18 %.
	if share := float64(bad[0]) / float64(reads[0]); math.Abs(share-0.006) > 0.18*0.006 || bad[1] > 0 {
		t.Errorf("%d and %d misreads of %v reads, want 0.6 %% on channel 0", bad[0], bad[1], reads)
	}
}

// Single channels are recorded with the samples that they have among all, whatever fault
// is on another.
func TestRecordOnly(t *testing.T) {
	record := func(faults []simbench.PlannedFault, only ...int) (by [3][]rig.Sample) {
		b := newBench(t, simbench.Options{Seed: 8, Channels: 3})
		start(t, b, simbench.RunPlan{Flow: 20 * time.Second, Faults: faults})
		var k keep
		if err := b.Record(&k, 25*time.Second, only...); err != nil {
			t.Fatal(err)
		}
		for _, s := range k.samples {
			by[s.Channel] = append(by[s.Channel], s)
		}
		return by
	}
	all := record(nil)
	some := record([]simbench.PlannedFault{{Kind: simbench.Knock, Channel: 1, Severity: 1}}, 0, 2)
	if !slices.Equal(all[0], some[0]) || !slices.Equal(all[2], some[2]) || some[1] != nil || len(all[0]) < 1000 {
		t.Errorf("channels 0 and 2 alone: %d, %d and %d samples, want those of all: %d, %d, %d", len(some[0]), len(some[1]), len(some[2]), len(all[0]), len(all[1]), len(all[2]))
	}
	b := newBench(t, simbench.Options{Channels: 2})
	if err := b.Record(&count{}, time.Second, 2); err == nil || !strings.Contains(err.Error(), "channel 2") {
		t.Errorf("a channel that is not there: %v", err)
	}
}

// Record reads level senders as their driver does: the same pace, millionths of the supply
// within its noise, foam and all.
func TestRecordReadsLevels(t *testing.T) {
	const until = 100 * time.Second
	make := func(supply int) (*simbench.Bench, simbench.Run) {
		w := quiet()
		w.AirGPerML = 0.0012 // which a level does not feel
		b := newBench(t, simbench.Options{Seed: 3, Channels: 2, World: w})
		if err := b.ADS1115(simbench.I2CPlace{Addr: 0x48}, simbench.ADS1115Inputs{Channels: [4]int{0, 1, -1, -1}, Supply: supply}); err != nil {
			t.Fatal(err)
		}
		return b, start(t, b, simbench.RunPlan{Still: 10 * time.Second, Flow: 60 * time.Second, Faults: []simbench.PlannedFault{{Kind: simbench.Foam, Severity: 1}}})
	}
	for _, supply := range []int{3, -1} {
		o := ads1115.Options{Inputs: []ads1115.Input{{Plus: 0}, {Plus: 1}}}
		if supply >= 0 {
			o.Reference = &ads1115.Input{Plus: supply}
		}
		b, _ := make(supply)
		s, err := ads1115.New(b.I2C(0), b.Clock(0), o)
		if err != nil {
			t.Fatal(err)
		}
		driven := len(acquire(t, b, []rig.Sensor{b.Sensor(0, s)}, until))
		b, r := make(supply)
		var k keep
		if err := b.Record(&k, until); err != nil {
			t.Fatal(err)
		}
		if n := len(k.samples); math.Abs(float64(n)/float64(driven)-1) > 0.05 {
			t.Errorf("supply on %d: %d samples, through the driver %d", supply, n, driven)
		}
		var off []float64
		for _, x := range k.samples {
			if x.Elapsed > r.Start && x.Quality == rig.Good {
				tr := truth(t, b, x.Channel, r.Start, x.Elapsed)
				shown := (float64(x.Counts) - tr.ZeroCounts) / (tr.CountsPerGram * tr.DensityGPerML)
				off = append(off, shown-tr.LevelML)
			}
		}
		// 60 uV and a code of 125 uV are 0.0026 mL for a supply of 3.3 V, and the supply's
		// own noise comes in; without a reference it wanders by 0.4 % of 10 to 40 mL and the rest.
		most := 0.006
		if supply < 0 {
			most = 0.2
		}
		if got := sd(off); got > most || got < 0.002 {
			t.Errorf("supply on %d: %.4f mL about the truth, want 0.002 to %.3f", supply, got, most)
		}
		if got := values(off).of(); supply >= 0 && math.Abs(got) > 0.003 {
			t.Errorf("%.4f mL off the truth on average", got)
		}
	}
}

// What holds for every kind: severity 0 is none; the same seed gives the same samples;
// the other channel and the truth of what the injector sends stay; the truth says what
// was done, and all that a sound converter shows.
func TestEveryFault(t *testing.T) {
	if n := len(simbench.Faults()); n != 21 {
		t.Errorf("%d kinds of fault: test the new one's signature and change this number", n)
	}
	const seed = 4
	record := func(t *testing.T, f ...simbench.PlannedFault) (*simbench.Bench, simbench.Run, [2][]rig.Sample) {
		b, sensors := open(t, simbench.Options{Seed: seed, Channels: 2}, hx711.Options{})
		r := start(t, b, simbench.RunPlan{Still: 3 * time.Second, Flow: 30 * time.Second, Faults: f})
		var by [2][]rig.Sample
		for _, s := range acquire(t, b, sensors, 40*time.Second) {
			by[s.Channel] = append(by[s.Channel], s)
		}
		return b, r, by
	}
	b, r, sound := record(t)
	if x := truth(t, b, 0, r.FlowStart, r.FlowEnd); x.Faults != nil || x.ArtefactG != 0 || x.LostML != 0 || x.LevelML*x.DensityGPerML != x.MassG {
		t.Errorf("the truth of a sound run: %+v", x)
	}
	for _, info := range simbench.Faults() {
		t.Run(string(info.Kind), func(t *testing.T) {
			if !(info.Full > 0) || info.Unit == "" || info.Does == "" || info.Source == "" {
				t.Errorf("%+v says too little", info)
			}
			f := simbench.PlannedFault{Kind: info.Kind, At: 5 * time.Second}
			if _, _, by := record(t, f); !slices.Equal(by[0], sound[0]) || !slices.Equal(by[1], sound[1]) {
				t.Error("with severity 0 the samples are others")
			}
			f.Severity = 0.9
			b, r, by := record(t, f)
			if _, _, again := record(t, f); !slices.Equal(by[0], again[0]) {
				t.Error("the same seed gave other samples")
			}
			if !slices.Equal(by[1], sound[1]) {
				t.Error("the other channel's samples changed")
			}
			if same := slices.Equal(by[0], sound[0]); same != (info.Kind == simbench.Foam) { // foam weighs nothing
				t.Errorf("the channel's samples are as before: %v", same)
			}
			x, other := truth(t, b, 0, r.Start, r.FlowEnd+5*time.Second), truth(t, b, 1, r.Start, r.FlowEnd+5*time.Second)
			if len(x.Faults) != 1 || x.Faults[0].Kind != info.Kind || x.Faults[0].Severity != 0.9 || x.Faults[0].Size != 0.9*info.Full || other.Faults != nil {
				t.Fatalf("truth has %+v, and of the other channel %+v", x.Faults, other.Faults)
			}
			if y := x.Faults[0]; y.From < r.Start || y.From > r.FlowEnd || y.To != 0 && y.To < y.From {
				t.Errorf("truth: from %v to %v", y.From, y.To)
			}
		})
	}
}

// A curve without noise is what the truth says, at any moment and whatever is wrong
// before the converter.
func TestTruthAccountsForFaults(t *testing.T) {
	w := quiet()
	w.SharedHuntingSD, w.OwnHuntingSD, w.Pulsation, w.PulsationHz, w.PullG, w.FilmML = 0.005, 0.001, 0.3, 20./3, 0.03, 0.1
	var all []simbench.PlannedFault
	plans := map[string][]simbench.PlannedFault{}
	for _, info := range simbench.Faults() {
		if !info.Wiring {
			f := simbench.PlannedFault{Kind: info.Kind, Severity: 0.3, At: 20 * time.Second}
			all, plans[string(info.Kind)] = append(all, f), []simbench.PlannedFault{f}
		}
	}
	slices.Reverse(all) // the plan's order does not matter
	plans["all at once"] = all
	for name, plan := range plans {
		b := newBench(t, simbench.Options{Seed: 6, Channels: 2, World: w})
		r := start(t, b, simbench.RunPlan{Still: 10 * time.Second, Flow: 100 * time.Second, Faults: plan})
		var k keep
		if err := b.Record(&k, r.FlowEnd+10*time.Second); err != nil {
			t.Fatal(err)
		}
		for i, s := range k.samples {
			if i%40 != 0 || s.Channel != 0 || s.Quality != rig.Good {
				continue
			}
			x := truth(t, b, 0, r.Start, s.Elapsed)
			shown := x.ZeroCounts + x.CountsPerGram*(x.MassG+x.PullG+x.ArtefactG)
			if math.Abs(float64(s.Counts)-shown) > 0.51 {
				t.Fatalf("%s at %v: %d counts, the truth accounts for %.1f", name, s.Elapsed, s.Counts, shown)
			}
			sound := x.VolumeML + x.LostML
			if x.MassG < -1e-9 || math.Abs(sound) > 100 || x.LevelML < x.MassG/x.DensityGPerML-1e-9 {
				t.Fatalf("%s at %v: truth %+v", name, s.Elapsed, x)
			}
		}
		if x := truth(t, b, 0, r.Start, r.FlowEnd); len(x.Faults) != len(plan) {
			t.Errorf("%s: truth has %d faults of %d", name, len(x.Faults), len(plan))
		}
	}
}

func TestSetFaultByName(t *testing.T) {
	for _, info := range simbench.Faults() {
		b := newBench(t, simbench.Options{Channels: 2, World: quiet()})
		if err := b.Record(&count{}, 5*time.Second); err != nil {
			t.Fatal(err)
		}
		err := b.SetFault(0, simbench.Fault{Kind: info.Kind, Severity: 1})
		if info.Wiring != (err == nil) || err != nil && !strings.Contains(err.Error(), "plan it in a run") {
			t.Errorf("%s: %v", info.Kind, err)
		}
		if !info.Wiring || info.Kind == simbench.Misreads { // which Record does not see
			continue
		}
		var k keep
		if err := b.Record(&k, 15*time.Second); err != nil {
			t.Fatal(err)
		}
		start(t, b, simbench.RunPlan{Flow: 12 * time.Second}) // which does not end it
		if err := b.Record(&k, 80*time.Second); err != nil {
			t.Fatal(err)
		}
		if err := b.SetFault(0, simbench.Fault{}); err != nil {
			t.Fatal(err)
		}
		ended := len(k.samples)
		if err := b.Record(&k, 90*time.Second); err != nil {
			t.Fatal(err)
		}
		var during [2]int
		wrong := false
		for i, s := range k.samples {
			want := float64(0)
			if u := min((s.Elapsed - 15*time.Second).Seconds(), 12); u > 0 {
				want = []float64{320, 160}[s.Channel] * u
			}
			off := math.Abs(float64(s.Counts)-want) > 0.6
			if off && (s.Channel == 1 || i >= ended) {
				t.Fatalf("%s: channel %d at %v has %d counts, want %.1f", info.Kind, s.Channel, s.Elapsed, s.Counts, want)
			}
			wrong = wrong || off
			if s.Elapsed < 15*time.Second {
				during[s.Channel]++
			}
		}
		if !wrong && during[0] > during[1]*9/10 {
			t.Errorf("%s: channel 0 is sound, with %d samples in 10 s", info.Kind, during[0])
		}
	}
}

func TestFaultsRepeatInALoop(t *testing.T) {
	b := newBench(t, simbench.Options{Channels: 1, World: quiet()})
	faults := []simbench.PlannedFault{
		{Kind: simbench.HosePull, Severity: 1, At: 5 * time.Second}, {Kind: simbench.MissingSamples, Severity: 1. / 45, At: 7 * time.Second},
		{Kind: simbench.LeakAfterStop, Severity: 1},
	}
	if err := b.Loop(simbench.LoopPlan{RunPlan: simbench.RunPlan{Flow: 8 * time.Second, Faults: faults}, Hold: 7 * time.Second, Drain: 5 * time.Second}); err != nil {
		t.Fatal(err)
	}
	faults[0].Severity = 0 // the bench keeps a copy
	var k keep
	if err := b.Record(&k, 200*time.Second); err != nil {
		t.Fatal(err)
	}
	for _, s := range k.samples {
		at := math.Mod(s.Elapsed.Seconds(), 20)
		if s.Quality == rig.Settling {
			continue
		}
		full := quietGS * (8 + 0.2*7)
		var want float64
		switch {
		case at < 8:
			want = quietGS * at
		case at < 15:
			want = quietGS * (8 + 0.2*(at-8))
		default:
			want = full * (20 - at) / 5
		}
		if at >= 5 {
			want += 0.51
		}
		if at > 7 && at < 8 {
			t.Fatalf("a sample at %v, where there are none", s.Elapsed)
		}
		if math.Abs(float64(s.Counts)/2000-want) > 0.3e-3 {
			t.Fatalf("at %v: %.4f g, want %.4f", s.Elapsed, float64(s.Counts)/2000, want)
		}
	}
}

func TestFaultRefusals(t *testing.T) {
	b := newBench(t, simbench.Options{Channels: 2})
	for _, c := range []struct {
		says   string
		faults []simbench.PlannedFault
	}{
		{`no fault "gremlins": there are late-start, `, []simbench.PlannedFault{{Kind: "gremlins", Severity: 1}}},
		{"knock on channel 2", []simbench.PlannedFault{{Kind: simbench.Knock, Channel: 2}}},
		{"severity 1.1", []simbench.PlannedFault{{Kind: simbench.Knock, Severity: 1.1}}},
		{"severity NaN", []simbench.PlannedFault{{Kind: simbench.Knock, Severity: math.NaN()}}},
		{"at -1ns", []simbench.PlannedFault{{Kind: simbench.Knock, At: -1}}},
		{"planned twice on channel 1", []simbench.PlannedFault{{Kind: simbench.Knock, Channel: 1, Severity: 1}, {Kind: simbench.Knock, Channel: 1, Severity: 1}}},
	} {
		if err := second(b.StartRun(simbench.RunPlan{Flow: time.Minute, Faults: c.faults})); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, want an error that says %q", err, c.says)
		}
	}
	for says, f := range map[string]simbench.Fault{
		"no fault": {Kind: "gremlins"}, "severity -1": {Kind: simbench.LampPickup, Severity: -1},
	} {
		if err := b.SetFault(0, f); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, want an error that says %q", err, says)
		}
	}
}

// Faults at the ends of what a plan may hold make no curve that is not a number.
func TestFaultsAtTheEdges(t *testing.T) {
	for _, info := range simbench.Faults() {
		for _, flow := range []time.Duration{0, 100 * time.Millisecond, 250 * time.Millisecond, 3*time.Second + time.Millisecond} {
			for _, severity := range []float64{1e-9, 1} {
				for _, at := range []time.Duration{0, time.Second, time.Hour} {
					b := newBench(t, simbench.Options{Channels: 1, World: quiet()})
					r := start(t, b, simbench.RunPlan{Still: time.Second, Flow: flow, LeftInML: []float64{100},
						Faults: []simbench.PlannedFault{{Kind: info.Kind, Severity: severity, At: at}}})
					var k keep
					if err := b.Record(&k, 6*time.Second); err != nil {
						t.Fatal(err)
					}
					x := truth(t, b, 0, r.Start, r.FlowEnd+time.Second)
					if math.IsNaN(x.VolumeML+x.LostML+x.MassG+x.ArtefactG+x.LevelML) || x.VolumeML < 0 || x.LevelML > 100 {
						t.Errorf("%s of %g at %v in a flow of %v: %+v", info.Kind, severity, at, flow, x)
					}
				}
			}
		}
	}
}

func TestFaultsAllocateNothingPerConversion(t *testing.T) {
	b := newBench(t, simbench.Options{Seed: 7, Channels: 2})
	var all []simbench.PlannedFault
	for _, info := range simbench.Faults() {
		all = append(all, simbench.PlannedFault{Kind: info.Kind, Severity: 0.5})
	}
	start(t, b, simbench.RunPlan{Flow: time.Hour, Faults: all})
	var c count
	record := func(d time.Duration) float64 {
		return testing.AllocsPerRun(5, func() {
			if err := b.Record(&c, b.Now()+d); err != nil {
				t.Fatal(err)
			}
		})
	}
	record(time.Minute) // past what lasts a while
	if short, long := record(time.Second), record(20*time.Second); long > short {
		t.Errorf("20 s allocate %v times, 1 s %v times", long, short)
	}
}
