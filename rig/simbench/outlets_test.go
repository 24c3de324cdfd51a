package simbench_test

import (
	"math"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"brimline/rig/simbench"
)

// Fuel goes into a tube while its valve's pin is high and the monostable holds.
func TestValvesGateTheFlow(t *testing.T) {
	b := newBench(t, simbench.Options{Channels: 2, World: quiet()}) // 12 and 6 mL/min
	x, err := b.FitOutlets(simbench.OutletOptions{})
	if err != nil {
		t.Fatal(err)
	}
	run := start(t, b, simbench.RunPlan{Flow: time.Hour})
	level := func(ch int) float64 { // mL
		tr := truth(t, b, ch, run.Start, b.Now()+time.Nanosecond)
		return tr.MassG / tr.DensityGPerML
	}
	advance := func(d time.Duration) {
		t.Helper()
		if err := b.Advance(d); err != nil {
			t.Fatal(err)
		}
	}
	out := func(p gpio.PinOut, v gpio.Level) {
		t.Helper()
		if err := p.Out(v); err != nil {
			t.Fatal(err)
		}
	}
	beatFor := func(d time.Duration) {
		t.Helper()
		for end := b.Now() + d; b.Now() < end; advance(100 * time.Millisecond) {
			out(x.Heartbeat(), gpio.High)
			out(x.Heartbeat(), gpio.Low)
		}
	}
	want := func(when string, ch int, mL float64) {
		t.Helper()
		if got := level(ch); math.Abs(got-mL) > 1e-6 {
			t.Errorf("%s: tube %d holds %.6f mL, want %.6f", when, ch, got, mL)
		}
	}

	advance(10 * time.Second)
	out(x.Valve(0), gpio.High)
	advance(10 * time.Second)
	want("pin high, no heartbeat", 0, 0)
	beatFor(10 * time.Second)
	want("10 s of heartbeat", 0, 2)
	want("its pin was low", 1, 0)
	advance(5 * time.Second) // the last pulse was 0.1 s before: it holds 0.7 s more
	want("the heartbeat ended", 0, 2+0.7*12/60)
	if x.Collects(0) {
		t.Error("the monostable let go, and the valve collects")
	}
	beatFor(5 * time.Second)
	want("it came back", 0, 2+0.7*12/60+1)
	out(x.Valve(0), gpio.Low)
	beatFor(5 * time.Second)
	want("released", 0, 2+0.7*12/60+1)

	if err := x.Stick(1, true); err != nil {
		t.Fatal(err)
	}
	out(x.Valve(1), gpio.High)
	out(x.Valve(1), gpio.Low)
	advance(10 * time.Second)
	want("stuck", 1, 1)
	if err := x.Stick(1, false); err != nil {
		t.Fatal(err)
	}
	advance(10 * time.Second)
	want("freed", 1, 1)
	advance(20 * time.Minute)
	want("20 minutes later", 1, 1)
	if x.SpiltML(0) != 0 {
		t.Errorf("%g mL ran over", x.SpiltML(0))
	}
}

func TestFitOutletsRefuses(t *testing.T) {
	b := newBench(t, simbench.Options{Channels: 1, World: quiet()})
	for _, o := range []simbench.OutletOptions{{DrainMLPerS: -1}, {DrainMLPerS: math.NaN()}, {Hold: -1}} {
		if _, err := b.FitOutlets(o); err == nil {
			t.Errorf("%+v was taken", o)
		}
	}
	x, err := b.FitOutlets(simbench.OutletOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if err := x.Stick(1, true); err == nil {
		t.Error("a valve of no channel was stuck")
	}
	if err := x.Valve(0).PWM(gpio.DutyHalf, 1); err == nil {
		t.Error("a valve took PWM")
	}
}
