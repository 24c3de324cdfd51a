package outlet_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"brimline/rig"
	"brimline/rig/outlet"
)

// A tube of these tests: 100 mL, 2147 counts/g, fuel of 0.82 g/mL.
const (
	countsPerML = 2147 * 0.82
	zeroCounts  = -12_345
	whiteCounts = 150 // rms at 80 SPS, measured on real converters (see simbench.DefaultWorld)
)

func tubes(n int) []outlet.Tube {
	out := make([]outlet.Tube, n)
	for ch := range out {
		out[ch] = outlet.Tube{Channel: ch, Name: fmt.Sprintf("tube%d", ch+1), ZeroCounts: zeroCounts, CountsPerGram: 2147, DensityGPerML: 0.82, CapacityML: 100}
	}
	return out
}

func newGuard(t testing.TB, ts ...outlet.Tube) *outlet.Guard {
	t.Helper()
	g, err := outlet.NewGuard(ts...)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// feed gives the guard readings of levels (mL at seconds, by channel) from one second
// to another, and returns its first word. A level of NaN is a stalled conversion, of
// +Inf none at all.
func feed(t testing.TB, g *outlet.Guard, rng *rand.Rand, sps, from, to float64, levels ...func(s float64) float64) *outlet.Stop {
	t.Helper()
	one := make([]rig.Sample, 1)
	for i := 0; ; i++ {
		at := from + float64(i)/sps
		if at >= to {
			return nil
		}
		for ch, level := range levels {
			mL := level(at)
			if math.IsInf(mL, 1) {
				continue
			}
			one[0] = rig.Sample{Channel: ch, Reading: rig.Reading{Elapsed: time.Duration(at * 1e9)}}
			if math.IsNaN(mL) {
				one[0].Quality = rig.Stalled
			} else {
				one[0].Counts = int32(zeroCounts + countsPerML*mL + whiteCounts*rng.NormFloat64())
			}
			if err := g.Put(one); err != nil {
				var stop *outlet.Stop
				if !errors.As(err, &stop) {
					t.Fatalf("Put: %v", err)
				}
				return stop
			}
		}
	}
}

func wantStop(t *testing.T, got *outlet.Stop, cause outlet.Cause, channel int) {
	t.Helper()
	if got == nil || got.Cause != cause || got.Channel != channel {
		t.Fatalf("the guard said %v, want %s of channel %d", got, cause, channel)
	}
}

func wantNone(t *testing.T, got *outlet.Stop) {
	t.Helper()
	if got != nil {
		t.Fatalf("the guard stopped at %v: %v", got.At, got)
	}
}

func still(s float64) float64 { return 0.1 }

// No tube passes 85 % at flows up to 60 mL/min; faster ones are stopped in under 1 s
// after it.
func TestGuardStopsAFullTube(t *testing.T) {
	for _, sps := range []float64{8, 9.6, 80, 320} {
		for _, mLPerMin := range []float64{2, 10, 40, 60, 300} {
			t.Run(fmt.Sprintf("sps=%g,rate=%g", sps, mLPerMin), func(t *testing.T) {
				worst := 0.0
				for seed := range uint64(20) {
					rng := rand.New(rand.NewPCG(seed, 7))
					g := newGuard(t, tubes(1)...)
					start := 83.0 - 3*mLPerMin/60 + rng.Float64()/sps*mLPerMin/60
					rise := func(s float64) float64 { return start + mLPerMin/60*s }
					g.Begin(0)
					stop := feed(t, g, rng, sps, 0, 400, rise)
					wantStop(t, stop, outlet.Full, 0)
					crossed := (84 - start) / mLPerMin * 60 // acts at 84 mL: 1 mL below
					late := stop.At.Seconds() - crossed
					worst = max(worst, late)
					level := rise(stop.At.Seconds())
					if mLPerMin <= 60 && level >= 85 {
						t.Errorf("the tube held %.2f mL when the run stopped", level)
					}
					if late >= 1 && level > 84.3 { // a slow rise is in the noise for longer
						t.Errorf("stopped %.2f s after 84 mL were passed, at %.2f mL", late, level)
					}
					if over := (85 - start) / mLPerMin * 60; stop.At.Seconds()-over >= 1 {
						t.Errorf("stopped %.2f s after 85 mL were passed", stop.At.Seconds()-over)
					}
					if !strings.Contains(stop.Error(), "tube1") || !strings.Contains(stop.Error(), "85 %") {
						t.Errorf("the message names neither tube nor limit: %v", stop)
					}
				}
				t.Logf("at most %.2f s after 84 mL", worst)
			})
		}
	}
}

// A knock is a spike with its ringing; a misread may be any code at all. Neither stops a
// run, nor do they hide that a tube is full.
func TestGuardBearsKnocksAndMisreads(t *testing.T) {
	for _, sps := range []float64{9.6, 80} {
		rng := rand.New(rand.NewPCG(1, uint64(sps)))
		wild := func(start, mLPerMin float64) func(float64) float64 {
			knock := 3.0
			return func(s float64) float64 {
				mL := start + mLPerMin/60*s
				if s > knock+2 {
					knock = s + 5*rng.Float64()
				}
				if u := s - knock; u >= 0 && u < 0.3 { // 60 mL of a hand's blow, ringing at 12 Hz
					mL += 60 * math.Exp(-u/0.15) * math.Cos(2*math.Pi*12*u)
				}
				if rng.Float64() < 0.03 {
					mL = 4000 * (2*rng.Float64() - 1)
				}
				return mL
			}
		}
		g := newGuard(t, tubes(1)...)
		g.Begin(0)
		wantNone(t, feed(t, g, rng, sps, 0, 300, wild(40, 8)))
		g.Begin(300 * time.Second)
		full := wild(80-300*20.0/60, 20)
		stop := feed(t, g, rng, sps, 300, 400, full)
		wantStop(t, stop, outlet.Full, 0)
		if late := stop.At.Seconds() - 300 - (84-80)/20.0*60; late >= 1 || late < -1.5 {
			t.Errorf("%g SPS: stopped %.2f s after 84 mL", sps, late)
		}
	}
}

// A tube that stood empty below the zero of its calibration is taken by its rise.
func TestGuardTakesTheRiseWhereTheZeroIsOff(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	g := newGuard(t, tubes(1)...)
	level := func(s float64) float64 { return -30 + max(0, s-5) }
	wantNone(t, feed(t, g, rng, 80, 0, 5, level))
	g.Begin(5 * time.Second)
	stop := feed(t, g, rng, 80, 5, 200, level)
	wantStop(t, stop, outlet.Full, 0)
	if rise := stop.At.Seconds() - 5; rise < 83 || rise > 85 {
		t.Errorf("stopped after a rise of %.1f mL, want 84 to 85", rise)
	}
}

func TestGuardStopsWhereALevelIsNotKnown(t *testing.T) {
	for name, none := range map[string]float64{"stalled": math.NaN(), "silent": math.Inf(1)} {
		rng := rand.New(rand.NewPCG(3, 4))
		g := newGuard(t, tubes(2)...)
		lost := func(lasts float64) func(float64) float64 {
			return func(s float64) float64 {
				if s > 10 && s < 10+lasts {
					return none
				}
				return 20 + s/6
			}
		}
		g.Begin(0)
		wantNone(t, feed(t, g, rng, 80, 0, 20, still, lost(1.9)))
		g = newGuard(t, tubes(2)...)
		g.Begin(0)
		stop := feed(t, g, rng, 80, 0, 20, still, lost(10))
		wantStop(t, stop, outlet.Lost, 1)
		if at := stop.At.Seconds(); at < 12 || at > 12.1 {
			t.Errorf("%s from 10 s on: told at %.2f s, want 12", name, at)
		}
	}
}

// A tube that is smaller than the config says runs over at its brim: its level stays
// while the others rise. An air slug and a knock do the same for some seconds.
func TestGuardSeesATubeRunOver(t *testing.T) {
	rise := func(mLPerMin float64) func(float64) float64 {
		return func(s float64) float64 { return 0.1 + max(0, s-5)*mLPerMin/60 }
	}
	rng := rand.New(rand.NewPCG(5, 6))
	g := newGuard(t, tubes(3)...)
	wantNone(t, feed(t, g, rng, 80, 0, 5, still, still, still))
	g.Begin(5 * time.Second)
	small := func(s float64) float64 { return min(rise(12)(s), 30) }
	stop := feed(t, g, rng, 80, 5, 300, rise(10), small, rise(9))
	wantStop(t, stop, outlet.Plateau, 1)
	spilt := rise(12)(stop.At.Seconds()) - 30
	if spilt > 3 {
		t.Errorf("%.1f mL ran over before it was seen, want 3 at most", spilt)
	}
	t.Logf("%.1f mL ran over: %v", spilt, stop)

	g = newGuard(t, tubes(3)...)
	wantNone(t, feed(t, g, rng, 80, 0, 5, still, still, still))
	g.Begin(5 * time.Second)
	slug := func(s float64) float64 {
		if s > 60 { // 0.5 mL of air: 3 s at 10 mL/min
			s = max(60, s-3)
		}
		mL := rise(10)(s)
		if s > 100 && s < 100.5 {
			mL += 40
		}
		return mL
	}
	wantNone(t, feed(t, g, rng, 80, 5, 200, rise(10), slug, rise(1)))

	// All at once: the engine stopped.
	g = newGuard(t, tubes(3)...)
	wantNone(t, feed(t, g, rng, 80, 0, 5, still, still, still))
	g.Begin(5 * time.Second)
	ended := func(s float64) float64 { return rise(10)(min(s, 90)) }
	if stop := feed(t, g, rng, 80, 5, 200, ended, ended, ended); stop == nil || stop.Cause != outlet.FlowEnded {
		t.Errorf("all tubes at once: %v", stop)
	}
}

func TestGuardSeesFlowBegin(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	g := newGuard(t, tubes(2)...)
	level := func(s float64) float64 {
		mL := 0.1 + max(0, s-30)*10/60
		if s > 12 && s < 12.4 {
			mL += 20 // a knock is no flow
		}
		return mL
	}
	wantNone(t, feed(t, g, rng, 80, 0, 5, still, still))
	g.Begin(5 * time.Second)
	wantNone(t, feed(t, g, rng, 80, 5, 30, still, level))
	if at, flows := g.Flow(); flows {
		t.Fatalf("flow was seen at %v, it begins at 30 s", at)
	}
	wantNone(t, feed(t, g, rng, 80, 30, 36, still, level))
	if at, flows := g.Flow(); !flows || at < 31*time.Second || at > 36*time.Second {
		t.Errorf("flow of 10 mL/min from 30 s on: seen %v at %v, want within 6 s", flows, at)
	}
	if mL := g.LevelML(1); math.Abs(mL-level(35.2)) > 0.3 {
		t.Errorf("level %.2f mL, want about %.2f", mL, level(35.2))
	}
	if !math.IsNaN(g.LevelML(7)) {
		t.Error("a channel that is not under watch has a level")
	}
}

func TestGuardSeesALevelThatStillRises(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	rise := func(s float64) float64 { return 20 + s/6 }
	until := func(s float64) float64 { // dripping on for 1 s, and a knock later
		mL := rise(min(s, 31))
		if s > 45 && s < 45.5 {
			mL += 30
		}
		return mL
	}
	g := newGuard(t, tubes(2)...)
	g.Begin(0)
	wantNone(t, feed(t, g, rng, 80, 0, 30, rise, rise))
	g.Released(30*time.Second, 2*time.Second)
	stop := feed(t, g, rng, 80, 30, 90, until, rise)
	wantStop(t, stop, outlet.Rising, 1)
	if late := stop.At.Seconds() - 30; late > 8 {
		t.Errorf("told %.1f s after the release, want 8 s at most at 10 mL/min", late)
	}
	if !strings.Contains(stop.Error(), "STOP THE ENGINE") {
		t.Errorf("the message is not loud: %v", stop)
	}

	g = newGuard(t, tubes(2)...)
	g.Begin(0)
	wantNone(t, feed(t, g, rng, 80, 0, 30, rise, rise))
	g.Released(30*time.Second, 2*time.Second)
	wantNone(t, feed(t, g, rng, 80, 30, 44, until, until))
	if since := g.StillSince(); since < 30*time.Second || since > 34*time.Second {
		t.Errorf("still since %v, want 31 to 33 s", since)
	}
	wantNone(t, feed(t, g, rng, 80, 44, 90, until, until))
}

// Where a person takes the flow off, a tube may come to the limit after the end.
func TestGuardGoesOnAfterTheRelease(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	rise := func(s float64) float64 { return 60 + s/3 }
	g := newGuard(t, tubes(1)...)
	g.Begin(0)
	wantNone(t, feed(t, g, rng, 80, 0, 60, rise))
	g.Released(60*time.Second, time.Minute)
	stop := feed(t, g, rng, 80, 60, 90, rise)
	wantStop(t, stop, outlet.Full, 0)
	if mL := rise(stop.At.Seconds()); mL > 85 {
		t.Errorf("told at %.1f mL", mL)
	}
	// It was told of: no more than that it rises.
	wantStop(t, feed(t, g, rng, 80, 90, 150, rise), outlet.Rising, 0)
}

// Converters on one clock line give their samples together, so their tubes come to the
// same word at the same moment: none is left out.
func TestGuardTellsOfEveryTube(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	g := newGuard(t, tubes(3)...)
	set := make([]rig.Sample, 3)
	told := map[outlet.Cause][3]int{}
	g.Begin(0)
	for i := range 80 * 90 {
		at := float64(i) / 80
		if i == 80*20 {
			g.Released(20*time.Second, 2*time.Second)
		}
		for ch := range set {
			set[ch] = rig.Sample{Channel: ch, Reading: rig.Reading{Elapsed: time.Duration(at * 1e9), Counts: int32(zeroCounts + countsPerML*(20+at) + whiteCounts*rng.NormFloat64())}}
		}
		var stop *outlet.Stop
		if errors.As(g.Put(set), &stop) {
			n := told[stop.Cause]
			n[stop.Channel]++
			told[stop.Cause] = n
		}
	}
	for _, c := range []outlet.Cause{outlet.Rising, outlet.Full} {
		if told[c] != [3]int{1, 1, 1} {
			t.Errorf("%s was told %v times, want once of each tube", c, told[c])
		}
	}
}

// A converter that gives one code again and again shows a tube at rest that fills: its
// level is not known. A coarse one may do so.
func TestGuardStopsWhereACodeIsStuck(t *testing.T) {
	for _, coarse := range []bool{false, true} {
		ts := tubes(2)
		ts[1].Coarse = coarse
		g := newGuard(t, ts...)
		g.Begin(0)
		next := stream(1)
		var stop *outlet.Stop
		for i := range 80 * 20 {
			at := time.Duration(i) * time.Second / 80
			stuck := rig.Sample{Channel: 1, Reading: rig.Reading{Elapsed: at, Counts: zeroCounts + 3000}}
			if at < 10*time.Second {
				stuck.Counts += int32(i % 5)
			}
			if err := errors.Join(g.Put(next()), g.Put([]rig.Sample{stuck})); errors.As(err, &stop) {
				break
			}
			if late := at - 10*time.Second; g.Knows(1) != (late < 0 || coarse) && (late < 0 || late > 2050*time.Millisecond) {
				t.Fatalf("coarse %v: level known %v at %v", coarse, g.Knows(1), at)
			}
		}
		if coarse {
			wantNone(t, stop)
			continue
		}
		wantStop(t, stop, outlet.Lost, 1)
		if at := stop.At.Seconds(); at < 11.9 || at > 12.1 || !strings.Contains(stop.Error(), "same code") {
			t.Errorf("stuck from 10 s on: told at %.2f s, want 12: %v", at, stop)
		}
	}
}

// At the upper end of its range a converter says that the tube is fuller than can be told;
// at the lower end it says nothing. Cells may be mounted either way round.
func TestGuardTakesAnEndOfTheRange(t *testing.T) {
	const top, bottom = 1<<23 - 1, -1 << 23
	for _, x := range []struct {
		countsPerGram float64
		code          int32
		want          outlet.Cause
	}{{2147, top, outlet.Full}, {2147, bottom, outlet.Lost}, {-2147, bottom, outlet.Full}, {-2147, top, outlet.Lost}} {
		tube := tubes(1)[0]
		tube.CountsPerGram = x.countsPerGram
		g := newGuard(t, tube)
		g.Begin(0)
		var stop *outlet.Stop
		for i := 0; stop == nil && i < 80*3; i++ {
			r := rig.Reading{Elapsed: time.Duration(i) * time.Second / 80, Counts: zeroCounts + int32(i%9)}
			if i >= 40 {
				r.Counts, r.Quality = x.code, rig.Saturated
			}
			errors.As(g.Put([]rig.Sample{{Reading: r}}), &stop)
		}
		wantStop(t, stop, x.want, 0)
		if late := stop.At - time.Second/2; x.want == outlet.Full && late > time.Second {
			t.Errorf("%g counts/g: told %v after the end of the range was reached", x.countsPerGram, late)
		}
	}
}

func TestNewGuardRefuses(t *testing.T) {
	for name, change := range map[string]func(*outlet.Tube){
		"calibration": func(x *outlet.Tube) { x.CountsPerGram = 0 },
		"density":     func(x *outlet.Tube) { x.DensityGPerML = 832 },
		"density 0":   func(x *outlet.Tube) { x.DensityGPerML = 0 },
		"capacity":    func(x *outlet.Tube) { x.CapacityML = math.NaN() },
		"channel":     func(x *outlet.Tube) { x.Channel = -1 },
	} {
		x := tubes(1)[0]
		change(&x)
		if _, err := outlet.NewGuard(x); err == nil || !strings.Contains(err.Error(), name) || !strings.Contains(err.Error(), "tube1") {
			t.Errorf("a tube with a wrong %s: %v", name, err)
		}
	}
	if _, err := outlet.NewGuard(tubes(1)[0], tubes(1)[0]); err == nil {
		t.Error("a channel twice was taken")
	}
}

func TestPutAllocatesNothing(t *testing.T) {
	g, set := newGuard(t, tubes(6)...), benchSet(t, 6)
	g.Begin(0)
	if err := set.Collect([]int{0, 1, 2, 3, 4, 5}); err != nil {
		t.Fatal(err)
	}
	next := stream(6)
	if n := testing.AllocsPerRun(5000, func() {
		s := next()
		if err := errors.Join(g.Put(s), set.Put(s)); err != nil {
			t.Fatal(err)
		}
	}); n > 0 {
		t.Errorf("%g allocations a sample", n)
	}
}

// stream gives the samples of channels at 80 SPS in turn, rising at 1 mL/min.
func stream(channels int) func() []rig.Sample {
	one, i := make([]rig.Sample, 1), 0
	return func() []rig.Sample {
		at := float64(i/channels) / 80
		one[0] = rig.Sample{Channel: i % channels, Reading: rig.Reading{Elapsed: time.Duration(at * 1e9), Counts: int32(zeroCounts + countsPerML*math.Mod(at/60, 80))}}
		i++
		return one
	}
}

// The budget is a fortieth of a 1.5 us sample's share of the processor.
func BenchmarkPut(b *testing.B) {
	for _, channels := range []int{1, 8, 32} {
		b.Run(fmt.Sprintf("channels=%d", channels), func(b *testing.B) {
			g, set := newGuard(b, tubes(channels)...), benchSet(b, channels)
			all := make([]int, channels)
			for ch := range all {
				all[ch] = ch
			}
			g.Begin(0)
			if err := set.Collect(all); err != nil {
				b.Fatal(err)
			}
			next := stream(channels)
			b.ReportAllocs()
			for b.Loop() {
				s := next()
				_ = g.Put(s) // after hours of stream a tube is full: it costs the same
				if err := set.Put(s); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
