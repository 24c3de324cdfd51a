package simbench_test

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"brimline/rig"
	"brimline/rig/calibrate"
	"brimline/rig/hx711"
	"brimline/rig/simbench"
)

type count struct{ n, good int }

func (c *count) Put(samples []rig.Sample) error {
	c.n += len(samples)
	for _, s := range samples {
		if s.Quality == rig.Good {
			c.good++
		}
	}
	return nil
}

// open returns a bench and a driver on each of its lines.
func open(t testing.TB, o simbench.Options, d hx711.Options) (*simbench.Bench, []rig.Sensor) {
	t.Helper()
	b, err := simbench.New(o)
	if err != nil {
		t.Fatal(err)
	}
	var sensors []rig.Sensor
	for ch := range b.Channels() {
		sck, dout, clk := b.Line(ch)
		s, err := hx711.New(sck, dout, clk, d)
		if err != nil {
			t.Fatal(err)
		}
		sensors = append(sensors, s)
	}
	return b, sensors
}

// The budget is an afternoon of six runs of 240 s on six channels in 4 s: 173 000
// samples/s.
func BenchmarkDriver(b *testing.B) {
	for _, channels := range []int{1, 6} {
		b.Run(map[int]string{1: "channels=1", 6: "channels=6"}[channels], func(b *testing.B) {
			bench, sensors := open(b, simbench.Options{Seed: 1, Channels: channels}, hx711.Options{})
			if _, err := bench.StartRun(simbench.RunPlan{Flow: 24 * time.Hour}); err != nil {
				b.Fatal(err)
			}
			a, err := rig.NewAcquirer(sensors...)
			if err != nil {
				b.Fatal(err)
			}
			var c count
			b.ReportAllocs()
			for b.Loop() { // ten seconds of bench time each
				if err := a.Run(b.Context(), &c, rig.AcquireOptions{Until: bench.Now() + 10*time.Second}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(c.n)/b.Elapsed().Seconds(), "samples/s")
		})
	}
}

func BenchmarkRecord(b *testing.B) {
	bench, err := simbench.New(simbench.Options{Seed: 1})
	if err != nil {
		b.Fatal(err)
	}
	if _, err := bench.StartRun(simbench.RunPlan{Flow: 24 * time.Hour}); err != nil {
		b.Fatal(err)
	}
	var c count
	b.ReportAllocs()
	for b.Loop() {
		if err := bench.Record(&c, bench.Now()+10*time.Second); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(c.n)/b.Elapsed().Seconds(), "samples/s")
}

// keep is a Sink that keeps everything.
type keep struct{ samples []rig.Sample }

func (k *keep) Put(samples []rig.Sample) error {
	k.samples = append(k.samples, samples...)
	return nil
}

// quiet is a world without chance: what is read can be computed.
func quiet() *simbench.World {
	return &simbench.World{
		RatesMLPerMin: []float64{12, 6},
		WarmUp:        time.Minute, Afternoon: time.Hour, Hunting: time.Second, PulsationHz: 1,
		DensityGPerML: 0.8, TubeML: 100, CountsPerGram: 2000, PowerOn: time.Millisecond,
	}
}

func newBench(t testing.TB, o simbench.Options) *simbench.Bench {
	t.Helper()
	b, err := simbench.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func truth(t testing.TB, b *simbench.Bench, ch int, from, to time.Duration) simbench.Truth {
	t.Helper()
	x, err := b.Truth(ch, from, to)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func start(t testing.TB, b *simbench.Bench, p simbench.RunPlan) simbench.Run {
	t.Helper()
	r, err := b.StartRun(p)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func acquire(t testing.TB, b *simbench.Bench, sensors []rig.Sensor, d time.Duration) []rig.Sample {
	t.Helper()
	var k keep
	if err := rig.Acquire(t.Context(), sensors, &k, rig.AcquireOptions{Until: b.Now() + d}); err != nil {
		t.Fatal(err)
	}
	return k.samples
}

func TestSameSeedSameSamplesInTheSameOrder(t *testing.T) {
	record := func(seed uint64) []rig.Sample {
		b, sensors := open(t, simbench.Options{Seed: seed, Channels: 4}, hx711.Options{})
		if err := b.SetFault(1, simbench.Fault{StallsPerOp: 1e-4}); err != nil {
			t.Fatal(err)
		}
		if err := b.SetFault(2, simbench.Fault{Unplugged: true}); err != nil {
			t.Fatal(err)
		}
		start(t, b, simbench.RunPlan{Still: time.Second, Flow: 5 * time.Second})
		first := acquire(t, b, sensors, 4*time.Second)
		if err := b.Advance(time.Minute); err != nil {
			t.Fatal(err)
		}
		return append(first, acquire(t, b, sensors, 4*time.Second)...)
	}
	a, again, other := record(1), record(1), record(2)
	if !slices.Equal(a, again) {
		t.Error("the same seed gave other samples, or another order")
	}
	if slices.Equal(a, other) {
		t.Error("another seed gave the same samples")
	}
	by := map[rig.Quality]int{}
	for i, s := range a {
		by[s.Quality]++
		// Lines take turns by the time they wake; one operation more or less is a few us,
		// a stall up to 30 ms.
		if i > 0 && s.Elapsed < a[i-1].Elapsed-35*time.Millisecond {
			t.Fatalf("sample %d is of %v, the one before of %v", i, s.Elapsed, a[i-1].Elapsed)
		}
	}
	if by[rig.Good] == 0 || by[rig.Absent] == 0 || by[rig.Misread] == 0 {
		t.Errorf("qualities %v: want good, absent and misread", by)
	}
}

func TestElapsedGoesOnBetweenRuns(t *testing.T) {
	b, sensors := open(t, simbench.Options{Seed: 3, Channels: 2}, hx711.Options{})
	first := acquire(t, b, sensors, time.Second)
	at := b.Now()
	if err := b.Advance(time.Hour); err != nil {
		t.Fatal(err)
	}
	if b.Now() != at+time.Hour {
		t.Errorf("an hour after %v it is %v", at, b.Now())
	}
	second := acquire(t, b, sensors, time.Second)
	if gap := second[0].Elapsed - first[len(first)-1].Elapsed; gap < time.Hour || gap > time.Hour+time.Second {
		t.Errorf("the second acquisition begins %v after the first, want an hour", gap)
	}
}

// Goroutines that end early, at different times, must not hold up the others.
func TestNothingIsHeldUp(t *testing.T) {
	t.Run("when one sensor is read longer", func(t *testing.T) {
		b, sensors := open(t, simbench.Options{Seed: 4, Channels: 3}, hx711.Options{})
		if got := len(acquire(t, b, sensors[:1], time.Second)); got < 60 {
			t.Errorf("one of three sensors: %d samples in a second", got)
		}
		if got := len(acquire(t, b, sensors, time.Second)); got < 180 {
			t.Errorf("three sensors: %d samples in a second", got)
		}
	})
	t.Run("when the context ends", func(t *testing.T) {
		b, sensors := open(t, simbench.Options{Seed: 5, Channels: 3}, hx711.Options{})
		ctx, cancel := context.WithCancel(t.Context())
		err := rig.Acquire(ctx, sensors, &stopAt{n: 100, stop: func() error { cancel(); return nil }}, rig.AcquireOptions{})
		if !errors.Is(err, context.Canceled) {
			t.Errorf("got %v, want context.Canceled", err)
		}
		acquire(t, b, sensors, time.Second)
	})
	t.Run("when the sink fails", func(t *testing.T) {
		b, sensors := open(t, simbench.Options{Seed: 6, Channels: 3}, hx711.Options{})
		full := errors.New("card full")
		err := rig.Acquire(t.Context(), sensors, &stopAt{n: 100, stop: func() error { return full }}, rig.AcquireOptions{})
		if !errors.Is(err, full) {
			t.Errorf("got %v, want the sink's error", err)
		}
		acquire(t, b, sensors, time.Second)
	})
	t.Run("when one sensor is halted", func(t *testing.T) {
		b, sensors := open(t, simbench.Options{Seed: 7, Channels: 3}, hx711.Options{})
		acquire(t, b, sensors, time.Second)
		if err := sensors[1].Halt(); err != nil {
			t.Fatal(err)
		}
		acquire(t, b, []rig.Sensor{sensors[0], sensors[2]}, time.Second)
	})
}

type stopAt struct {
	seen, n int
	stop    func() error
}

func (s *stopAt) Put(samples []rig.Sample) error {
	if s.seen += len(samples); s.seen == s.n {
		return s.stop()
	}
	return nil
}

func TestPinsBehaveAsTheKernels(t *testing.T) {
	b := newBench(t, simbench.Options{Seed: 8, Channels: 1, Counts: func(int, uint64, int) int32 { return 0x555555 }})
	sck, dout, clk := b.Line(0)
	if dout.WaitForEdge(time.Second) {
		t.Error("an edge on a pin that was not asked for edges")
	}
	if err := dout.In(gpio.PullUp, gpio.FallingEdge); err != nil {
		t.Fatal(err)
	}
	if dout.WaitForEdge(-1) {
		t.Error("a negative timeout waited")
	}
	if !dout.WaitForEdge(0) || dout.Read() != gpio.Low {
		t.Error("timeout 0 did not wait for ever")
	}
	before := clk.Now()
	if dout.WaitForEdge(5*time.Millisecond) || clk.Now()-before < 5*time.Millisecond {
		t.Error("a line that is low already gave an edge")
	}
	pulse := func(high time.Duration) {
		if err := sck.Out(gpio.High); err != nil {
			t.Fatal(err)
		}
		for end := clk.Now() + high; clk.Now() < end; {
		}
		if err := sck.Out(gpio.Low); err != nil {
			t.Fatal(err)
		}
	}
	for range 25 {
		pulse(0)
	}
	// 0101... : the first bit's fall is none, as the line is low; eleven more fall after
	// a one, and what follows bit 24 (a one) does not.
	stale := 0
	at := clk.Now()
	for dout.WaitForEdge(time.Millisecond) {
		stale++
	}
	if stale != 11 || dout.Read() != gpio.High {
		t.Errorf("%d stale edges of 11, DOUT %v, by %v", stale, dout.Read(), clk.Now()-at)
	}
	// Powered down only over 60 us.
	next := func() time.Duration {
		for dout.Read() == gpio.High {
			dout.WaitForEdge(100 * time.Millisecond)
		}
		at := clk.Now()
		for range 25 {
			pulse(0)
		}
		return at
	}
	period := truth(t, b, 0, 0, 1).Period
	a := next()
	pulse(50 * time.Microsecond)
	if d := next() - a; (d - period).Abs() > time.Millisecond {
		t.Errorf("after 50 us high the next conversion came %v later, want %v", d, period)
	}
	pulse(65 * time.Microsecond)
	a = clk.Now()
	if d := next() - a; (d - 4*period).Abs() > time.Millisecond {
		t.Errorf("after 65 us high the next conversion came %v later, want the settling time %v", d, 4*period)
	}
	if err := dout.In(gpio.PullUp, gpio.BothEdges); err == nil {
		t.Error("both edges asked for: no error")
	}
	if err := sck.PWM(gpio.DutyHalf, physic.KiloHertz); err == nil {
		t.Error("PWM: no error")
	}
	if err := dout.Halt(); err != nil {
		t.Fatal(err)
	}
	if err := b.Advance(time.Second); err != nil {
		t.Errorf("after Halt: %v", err)
	}
}

// Without chance, what the driver reads is what the model says: 12 mL/min of 0.8 g/mL
// at 2000 counts/g are 320 counts/s.
func TestDriverReadsTheModel(t *testing.T) {
	w := quiet()
	b, sensors := open(t, simbench.Options{Seed: 9, Channels: 2, World: w}, hx711.Options{})
	r := start(t, b, simbench.RunPlan{Still: 5 * time.Second, Flow: 20 * time.Second, Positions: []int{2, 1}, LeftInML: []float64{0, 10}})
	samples := acquire(t, b, sensors, 30*time.Second)
	good := 0
	for _, s := range samples {
		if s.Quality != rig.Good {
			continue
		}
		good++
		flowing := min(max(s.Elapsed-r.FlowStart, 0), 20*time.Second).Seconds()
		want := []float64{160 * flowing, 16000 + 320*flowing}[s.Channel]
		// Half a count of rounding, and 0.15 ms between a conversion's end and its stamp.
		if math.Abs(float64(s.Counts)-want) > 0.6 {
			t.Fatalf("channel %d at %v: %d counts, the model says %.2f", s.Channel, s.Elapsed, s.Counts, want)
		}
	}
	if good < 4000 {
		t.Errorf("%d good samples in 30 s of two channels", good)
	}
	x := truth(t, b, 1, r.FlowStart+time.Second, r.FlowEnd-time.Second)
	if x.Injector != 1 || math.Abs(x.RateMLPerMin-12) > 1e-9 || math.Abs(x.VolumeML-12*18./60) > 1e-9 || x.CountsPerGram != 2000 || x.DensityGPerML != 0.8 {
		t.Errorf("truth %+v, want injector 1, 12 mL/min, 3.6 mL", x)
	}
	if x.FlowStart != r.FlowStart || x.FlowEnd != r.FlowEnd {
		t.Errorf("flow from %v to %v, want %v to %v", x.FlowStart, x.FlowEnd, r.FlowStart, r.FlowEnd)
	}
	if x := truth(t, b, 1, r.FlowStart-2*time.Second, r.FlowStart+2*time.Second); math.Abs(x.RateMLPerMin-6) > 1e-9 {
		t.Errorf("half a window of flow: %g mL/min, want 6", x.RateMLPerMin)
	}
}

// The volume is the integral of the rate: added up in steps of 0.1 ms by the midpoint
// rule it must be the same as in one piece.
func TestVolumeIsTheIntegral(t *testing.T) {
	w := quiet()
	w.WarmUpStart, w.WarmUp, w.Pulsation, w.PulsationHz = 0.02, 20*time.Second, 0.3, 20./3
	b := newBench(t, simbench.Options{Channels: 2, World: w})
	r := start(t, b, simbench.RunPlan{Flow: 30 * time.Second})
	const stepS = 1e-4
	var mL, smoothML float64
	for u := stepS / 2; u < 30; u += stepS {
		warm := 1 - 0.02*math.Exp(-u/20)
		smoothML += 6. / 60 * stepS * warm
		mL += 6. / 60 * stepS * (warm + 0.3*math.Cos(2*math.Pi*20./3*u+math.Pi))
	}
	x := truth(t, b, 1, r.FlowStart, r.FlowEnd)
	if math.Abs(x.VolumeML-mL) > 1e-7 || math.Abs(x.RateMLPerMin-smoothML*2) > 1e-7 {
		t.Errorf("%.9f mL at a mean of %.9f mL/min; added up %.9f and %.9f", x.VolumeML, x.RateMLPerMin, mL, smoothML*2)
	}
	var pieces, hunted float64
	w.SharedHuntingSD, w.OwnHuntingSD = 0.02, 0.02
	b = newBench(t, simbench.Options{Channels: 2, World: w})
	r = start(t, b, simbench.RunPlan{Flow: 30 * time.Second})
	for at := r.FlowStart; at < r.FlowEnd; at += 7 * time.Millisecond {
		v := truth(t, b, 1, at, min(at+7*time.Millisecond, r.FlowEnd)).VolumeML
		if v < 0 {
			t.Fatalf("at %v the tube loses %g mL", at, -v)
		}
		pieces += v
	}
	hunted = truth(t, b, 1, r.FlowStart, r.FlowEnd).VolumeML
	if math.Abs(pieces-hunted) > 1e-9 || math.Abs(hunted-mL) < 1e-6 {
		t.Errorf("with hunting %.9f mL, in pieces %.9f, without %.9f", hunted, pieces, mL)
	}
}

// Each spread alone must come back as the standard deviation of the true rates.
func TestSpreadsAreAsStated(t *testing.T) {
	const n = 400
	within := func(t *testing.T, what string, got, want float64) {
		t.Helper()
		// The standard error of a standard deviation from n values is 1/sqrt(2n), 3.5 %.
		if math.Abs(got-want) > 0.12*want {
			t.Errorf("%s: standard deviation %.5f, want %.5f", what, got, want)
		}
	}
	for _, c := range []struct {
		name   string
		set    func(*simbench.World)
		want   float64
		common bool // both channels alike
	}{
		{"run", func(w *simbench.World) { w.RunSD = 0.01 }, 0.01, true},
		{"residual", func(w *simbench.World) { w.ResidualSD = 0.007 }, 0.007, false},
		{"hanging", func(w *simbench.World) { w.HangingSD = 0.005 }, 0.005, false},
	} {
		w := quiet()
		c.set(w)
		b := newBench(t, simbench.Options{Seed: 10, Channels: 2, World: w})
		var one, diff []float64
		for run := range n {
			r := start(t, b, simbench.RunPlan{Flow: 10 * time.Second, Hanging: run})
			x, y := truth(t, b, 0, r.FlowStart, r.FlowEnd).RateMLPerMin/12, truth(t, b, 1, r.FlowStart, r.FlowEnd).RateMLPerMin/6
			one, diff = append(one, x), append(diff, x-y)
			if err := b.Advance(time.Minute); err != nil {
				t.Fatal(err)
			}
		}
		within(t, c.name, sd(one), c.want)
		if c.common && sd(diff) > 1e-12 {
			t.Errorf("%s: the channels differ by %g", c.name, sd(diff))
		}
		if !c.common {
			within(t, c.name+", difference of two channels", sd(diff), c.want*math.Sqrt2)
		}
	}
	t.Run("response", func(t *testing.T) {
		w := quiet()
		w.Response, w.ResponseSD, w.RatesMLPerMin = -0.08, 0.02, slices.Repeat([]float64{12}, 60)
		b := newBench(t, simbench.Options{Seed: 11, Channels: 60, World: w})
		var first []float64
		for range 2 { // an injector's response is its own, and stays
			r := start(t, b, simbench.RunPlan{Flow: 10 * time.Second, Treated: true})
			var change []float64
			for ch := range 60 {
				change = append(change, truth(t, b, ch, r.FlowStart, r.FlowEnd).RateMLPerMin/12-1)
			}
			if first != nil && !slices.Equal(first, change) {
				t.Error("the responses changed from one run to the next")
			}
			first = change
			if err := b.Advance(time.Minute); err != nil {
				t.Fatal(err)
			}
		}
		// 60 injectors: three standard errors of the mean and of the spread.
		if m := values(first).of(); math.Abs(m+0.08) > 3*0.02/math.Sqrt(60) || math.Abs(sd(first)-0.02) > 3*0.02/math.Sqrt(120) {
			t.Errorf("responses %.4f ± %.4f, want -0.08 ± 0.02", m, sd(first))
		}
	})
	t.Run("warm-up fades", func(t *testing.T) {
		w := quiet()
		w.WarmUpStart, w.Afternoon = 0.02, 20*time.Minute
		b := newBench(t, simbench.Options{Channels: 2, World: w})
		short := func() float64 {
			r := start(t, b, simbench.RunPlan{Flow: time.Second})
			return 1 - truth(t, b, 0, r.FlowStart, r.FlowStart+time.Millisecond).RateMLPerMin/12
		}
		cold := short()
		if err := b.Advance(20 * time.Minute); err != nil {
			t.Fatal(err)
		}
		if warm := short(); math.Abs(cold-0.02) > 1e-5 || math.Abs(warm-0.02/math.E) > 1e-5 {
			t.Errorf("short of the full rate by %g at first and %g after 20 min, want 0.02 and %g", cold, warm, 0.02/math.E)
		}
	})
}

type values []float64

func (v values) of() float64 {
	s := 0.0
	for _, x := range v {
		s += x
	}
	return s / float64(len(v))
}

func sd(v []float64) float64 {
	m, s := values(v).of(), 0.0
	for _, x := range v {
		s += (x - m) * (x - m)
	}
	return math.Sqrt(s / float64(len(v)-1))
}

// The noise of a still cell is as DefaultWorld says: from differences of neighbours
// for the white part, from those 20 s apart for the walk.
func TestNoiseIsAsStated(t *testing.T) {
	for _, c := range []struct {
		sps  int
		want float64
	}{{80, 150}, {10, 60}} {
		w := simbench.DefaultWorld()
		w.WalkCountsPerSqrtS = 0
		b := newBench(t, simbench.Options{Seed: 12, Channels: 1, SPS: c.sps, World: &w})
		var k keep
		if err := b.Record(&k, 500*time.Second); err != nil {
			t.Fatal(err)
		}
		var v []float64
		for _, s := range k.samples {
			if s.Elapsed > 10*time.Second { // the power-on transient is over
				v = append(v, float64(s.Counts))
			}
		}
		if got := sd(v); math.Abs(got-c.want) > 0.04*c.want {
			t.Errorf("%d SPS: white noise %.1f counts rms, want %.0f", c.sps, got, c.want)
		}
		rate := float64(len(v)) / 490
		if f := rate / float64(c.sps); f < 0.955 || f > 1.195 {
			t.Errorf("%d SPS: real rate %.3f of nominal, want 0.96 to 1.19", c.sps, f)
		}
		if first := k.samples[0]; first.Quality != rig.Settling {
			t.Errorf("first conversion after power-up is %v", first.Quality)
		}
	}
	w := simbench.DefaultWorld()
	w.WhiteCounts, w.PowerOnCounts = 0, 0
	b := newBench(t, simbench.Options{Seed: 13, Channels: 1, World: &w})
	var k keep
	if err := b.Record(&k, 4000*time.Second); err != nil {
		t.Fatal(err)
	}
	period := truth(t, b, 0, 0, 1).Period.Seconds()
	var steps []float64
	every := int(20 / period)
	for i := every; i < len(k.samples); i += every {
		steps = append(steps, float64(k.samples[i].Counts-k.samples[i-every].Counts))
	}
	// 200 steps: 5 % standard error.
	if got, want := sd(steps), 2*math.Sqrt(20); math.Abs(got-want) > 0.2*want {
		t.Errorf("walk over 20 s: %.2f counts, want %.2f", got, want)
	}
}

func TestPowerOnTransient(t *testing.T) {
	w := quiet()
	w.PowerOnCounts, w.PowerOn = 1050, 200*time.Millisecond
	b := newBench(t, simbench.Options{Channels: 1, World: w})
	var k keep
	if err := b.Record(&k, 2*time.Second); err != nil {
		t.Fatal(err)
	}
	for _, s := range k.samples {
		if want := 1050 * math.Exp(-s.Elapsed.Seconds()/0.2); math.Abs(float64(s.Counts)-want) > 0.51 {
			t.Fatalf("at %v: %d counts, want %.1f", s.Elapsed, s.Counts, want)
		}
	}
}

// Masses keep to OIML R 111-1 class M1 (the table is in calibrate), and one mass is
// the same on every cell.
func TestMassesKeepToTheirClass(t *testing.T) {
	differs := false
	for seed := range uint64(200) {
		b := newBench(t, simbench.Options{Seed: seed, Channels: 2})
		for _, g := range []float64{10, 20, 50, 100, 200, 500} {
			for ch := range 2 {
				if err := b.Load(ch, g); err != nil {
					t.Fatal(err)
				}
			}
			mpe, err := calibrate.MPE("M1", g)
			if err != nil {
				t.Fatal(err)
			}
			off := b.Loaded(0) - g
			differs = differs || math.Abs(off) > mpe*0.9
			if math.Abs(off) > mpe || b.Loaded(1) != b.Loaded(0) {
				t.Fatalf("seed %d: the %g g mass is %g g on one cell and %g g on another, tolerance %g g", seed, g, b.Loaded(0), b.Loaded(1), mpe)
			}
		}
	}
	if !differs {
		t.Error("no mass of 1200 comes near its tolerance")
	}
	b := newBench(t, simbench.Options{Channels: 1, World: quiet()})
	if err := b.Load(0, 100, 50); err != nil {
		t.Fatal(err)
	}
	var k keep
	if err := b.Record(&k, time.Second); err != nil {
		t.Fatal(err)
	}
	if got := float64(k.samples[50].Counts); math.Abs(got-2000*b.Loaded(0)) > 0.51 || b.Loaded(0) != 150 {
		t.Errorf("100 g and 50 g read %g counts at 2000 counts/g, loaded %g g", got, b.Loaded(0))
	}
	if err := b.Load(0); err != nil || b.Loaded(0) != 0 {
		t.Errorf("masses taken off: %g g, error %v", b.Loaded(0), err)
	}
}

func TestTubeRunsOverAndFlowIsBlocked(t *testing.T) {
	b := newBench(t, simbench.Options{Channels: 2, World: quiet()})
	r := start(t, b, simbench.RunPlan{Flow: time.Minute, LeftInML: []float64{95, 0}, Blocked: []int{1}})
	if x := truth(t, b, 0, r.FlowStart, r.FlowEnd); math.Abs(x.MassG-100*0.8) > 1e-9 || math.Abs(x.VolumeML-12) > 1e-9 {
		t.Errorf("a tube of 100 mL with 95 in it got %g mL and holds %g g, want 12 and 80", x.VolumeML, x.MassG)
	}
	if x := truth(t, b, 1, r.FlowStart, r.FlowEnd); x.RateMLPerMin != 0 || x.VolumeML != 0 || x.MassG != 0 || x.Injector != 2 {
		t.Errorf("blocked: %+v, want nothing from injector 2", x)
	}
}

func TestLoopRepeats(t *testing.T) {
	b := newBench(t, simbench.Options{Channels: 2, World: quiet()})
	if err := b.Loop(simbench.LoopPlan{
		RunPlan: simbench.RunPlan{Still: 2 * time.Second, Flow: 10 * time.Second},
		Hold:    3 * time.Second, Drain: 5 * time.Second,
	}); err != nil {
		t.Fatal(err)
	}
	var k keep
	if err := b.Record(&k, 400*time.Second); err != nil { // twenty rounds
		t.Fatal(err)
	}
	for _, s := range k.samples {
		if s.Channel != 0 {
			continue
		}
		at := math.Mod(s.Elapsed.Seconds(), 20)
		var want float64 // 12 mL/min of 0.8 g/mL at 2000 counts/g
		switch {
		case at < 2:
		case at < 12:
			want = 320 * (at - 2)
		case at < 15:
			want = 3200
		default:
			want = 3200 * (20 - at) / 5
		}
		if math.Abs(float64(s.Counts)-want) > 0.51 {
			t.Fatalf("at %v: %d counts, want %.1f", s.Elapsed, s.Counts, want)
		}
	}
	if _, err := b.Truth(0, 390*time.Second, 391*time.Second); err != nil {
		t.Errorf("truth of the last round: %v", err)
	}
	if _, err := b.Truth(0, 0, time.Second); err == nil || !strings.Contains(err.Error(), "oldest") {
		t.Errorf("truth of a round long gone: %v", err)
	}
	start(t, b, simbench.RunPlan{Still: time.Second, Flow: time.Hour}) // ends the loop
	if err := b.Record(&k, 450*time.Second); err != nil {
		t.Fatal(err)
	}
	if last := k.samples[len(k.samples)-1]; last.Counts < 6000 {
		t.Errorf("the run after the loop has %d counts after 50 s", last.Counts)
	}
}

func TestPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, sensors := open(t, simbench.Options{Seed: 14, Channels: 3, Pace: 2}, hx711.Options{})
		from := time.Now()
		acquire(t, b, sensors, 10*time.Second)
		if real := time.Since(from); real < 4900*time.Millisecond || real > 5100*time.Millisecond {
			t.Errorf("10 s at pace 2 took %v", real)
		}
		// Real time that goes by while nothing is read counts too.
		time.Sleep(5 * time.Second)
		acquire(t, b, sensors, 0)
		if b.Now() < 20*time.Second || b.Now() > 21*time.Second {
			t.Errorf("5 s later at pace 2 the bench says %v, want 20 s", b.Now())
		}
		from, at := time.Now(), b.Now()
		if err := b.Advance(time.Hour); err != nil {
			t.Fatal(err)
		}
		acquire(t, b, sensors, time.Second)
		if real := time.Since(from); real > 2*time.Second || b.Now() < at+time.Hour {
			t.Errorf("an hour leapt over took %v and ended at %v", real, b.Now())
		}
	})
}

// What may be called while channels are being read is called here; the race detector
// does the rest.
func TestCallsDuringAnAcquisition(t *testing.T) {
	b, sensors := open(t, simbench.Options{Seed: 15, Channels: 3}, hx711.Options{})
	a, err := rig.NewAcquirer(sensors...)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- a.Run(ctx, &count{}, rig.AcquireOptions{}) }()
	for a.Counters(0).Readings() == 0 {
		time.Sleep(time.Millisecond)
	}
	for i := range 20 {
		r := start(t, b, simbench.RunPlan{Flow: time.Hour})
		if err := b.SetFault(i%3, simbench.Fault{Unplugged: i%2 == 0}); err != nil {
			t.Error(err)
		}
		if err := b.Load(i%3, 100); err != nil {
			t.Error(err)
		}
		truth(t, b, 0, r.FlowStart, r.FlowEnd)
		if err := b.Advance(time.Second); err == nil || !strings.Contains(err.Error(), "being read") {
			t.Errorf("Advance: %v", err)
		}
		if err := b.Record(&count{}, b.Now()+time.Second); err == nil || !strings.Contains(err.Error(), "being read") {
			t.Errorf("Record: %v", err)
		}
		time.Sleep(time.Millisecond)
	}
	cancel()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

func TestRefusals(t *testing.T) {
	bad := simbench.DefaultWorld()
	bad.RunSD = math.NaN()
	none := simbench.DefaultWorld()
	none.RatesMLPerMin = nil
	for _, c := range []struct {
		o    simbench.Options
		says string
	}{
		{simbench.Options{Channels: -1}, "-1 channels"},
		{simbench.Options{Channels: 65}, "1 to 64"},
		{simbench.Options{SPS: 20}, "20 SPS"},
		{simbench.Options{Pace: math.NaN()}, "pace"},
		{simbench.Options{World: &bad}, "RunSD"},
		{simbench.Options{World: &none}, "at least one injector"},
		{simbench.Options{World: &simbench.World{RatesMLPerMin: []float64{-1}}}, "injector 1"},
	} {
		if _, err := simbench.New(c.o); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("New(%+v): %v, want an error that says %q", c.o, err, c.says)
		}
	}
	b := newBench(t, simbench.Options{Channels: 2})
	full := errors.New("card full")
	for _, c := range []struct {
		what string
		err  error
		says string
	}{
		{"positions", second(b.StartRun(simbench.RunPlan{Positions: []int{1}})), "1 positions for 2 channels"},
		{"injector", second(b.StartRun(simbench.RunPlan{Positions: []int{1, 7}})), "injector 7"},
		{"negative flow", second(b.StartRun(simbench.RunPlan{Flow: -1})), "flow"},
		{"left in", second(b.StartRun(simbench.RunPlan{LeftInML: []float64{0, 101}})), "101 mL"},
		{"left in, length", second(b.StartRun(simbench.RunPlan{LeftInML: []float64{0}})), "1 volumes"},
		{"blocked", second(b.StartRun(simbench.RunPlan{Blocked: []int{2}})), "channel 2"},
		{"loop without length", b.Loop(simbench.LoopPlan{}), "at least 1 s"},
		{"loop of a bad plan", b.Loop(simbench.LoopPlan{RunPlan: simbench.RunPlan{Flow: time.Minute, Blocked: []int{2}}}), "channel 2"},
		{"mass", b.Load(0, 30), "30 g"},
		{"load channel", b.Load(2, 10), "no channel 2"},
		{"fault channel", b.SetFault(-1, simbench.Fault{}), "no channel -1"},
		{"stalls", b.SetFault(0, simbench.Fault{StallsPerOp: 2}), "0 to 1"},
		{"back in time", b.Advance(-1), "backwards"},
		{"record into nothing", b.Record(nil, time.Second), "no sink"},
		{"record backwards", b.Record(&count{}, -1), "already"},
		{"record into a full sink", b.Record(&stopAt{n: 3, stop: func() error { return full }}, time.Second), "card full"},
		{"truth channel", second(b.Truth(9, 0, 1)), "no channel 9"},
		{"truth window", second(b.Truth(0, 1, 1)), "after the start"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.says) {
			t.Errorf("%s: %v, want an error that says %q", c.what, c.err, c.says)
		}
	}
	if b.Loaded(7) != 0 {
		t.Error("a channel that does not exist is loaded")
	}
	start(t, b, simbench.RunPlan{Flow: time.Second})
	if err := b.Advance(time.Minute); err != nil {
		t.Fatal(err)
	}
	start(t, b, simbench.RunPlan{Flow: time.Second})
	if err := second(b.Truth(0, 0, 2*time.Minute)); err == nil || !strings.Contains(err.Error(), "next run") {
		t.Errorf("truth over two runs: %v", err)
	}
}

func second[T any](_ T, err error) error { return err }

func TestAcquisitionAllocatesNothingPerSample(t *testing.T) {
	b, sensors := open(t, simbench.Options{Seed: 16, Channels: 2}, hx711.Options{})
	start(t, b, simbench.RunPlan{Flow: 24 * time.Hour})
	a, err := rig.NewAcquirer(sensors...)
	if err != nil {
		t.Fatal(err)
	}
	var c count
	run := func(d time.Duration) float64 {
		return testing.AllocsPerRun(5, func() {
			if err := a.Run(t.Context(), &c, rig.AcquireOptions{Until: b.Now() + d}); err != nil {
				t.Fatal(err)
			}
		})
	}
	// What is allocated is allocated once a run; 3000 samples more add nothing.
	if short, long := run(time.Second), run(20*time.Second); long > short+3 {
		t.Errorf("20 s allocate %v times, 1 s %v times", long, short)
	}
}

// The same with every fault on every channel.
func BenchmarkRecordFaults(b *testing.B) {
	bench, err := simbench.New(simbench.Options{Seed: 1})
	if err != nil {
		b.Fatal(err)
	}
	var all []simbench.PlannedFault
	for ch := range bench.Channels() {
		for _, info := range simbench.Faults() {
			all = append(all, simbench.PlannedFault{Kind: info.Kind, Channel: ch, Severity: 0.5})
		}
	}
	if _, err := bench.StartRun(simbench.RunPlan{Flow: 24 * time.Hour, Faults: all}); err != nil {
		b.Fatal(err)
	}
	var c count
	b.ReportAllocs()
	for b.Loop() {
		if err := bench.Record(&c, bench.Now()+10*time.Second); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(c.n)/b.Elapsed().Seconds(), "samples/s")
}
