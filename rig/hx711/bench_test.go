package hx711_test

import (
	"context"
	"runtime"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"brimline/rig"
	"brimline/rig/hx711"
)

// lean is chips on one clock line that take next to no time of their own, so that a
// benchmark shows what the driver takes besides pin access. Its clock costs what a
// real one costs and tells a time that waiting moves.
type lean struct {
	wire
	real   *rig.SystemClock
	t      time.Duration
	sck    gpio.Level
	pulses int // since the last conversion was read
	next   time.Duration
}

const leanPeriod = 12500 * time.Microsecond

func (b *lean) Now() time.Duration {
	b.real.Now()
	b.t += 100 * time.Nanosecond
	return b.t
}

func (b *lean) Sleep(_ context.Context, d time.Duration) error {
	b.t += max(d, 0)
	return nil
}

func (b *lean) Out(l gpio.Level) error {
	if l == gpio.High && b.sck == gpio.Low {
		b.pulses++
	}
	b.sck = l
	return nil
}

type leanOut struct {
	stuck
	b *lean
}

func (p *leanOut) Read() gpio.Level {
	b := p.b
	if b.t >= b.next { // the conversions of all end together
		b.pulses = 0
		b.next = b.t + leanPeriod
	}
	return gpio.Level(b.pulses > 24 || 0x5A5A5A>>(24-b.pulses)&1 == 1 && b.pulses > 0)
}

func (p *leanOut) WaitForEdge(d time.Duration) bool { p.b.t += d; return false }

func (p *leanOut) Halt() error { return nil }

// Budget: 1.5 us a sample besides pin access, no allocation. What the lean pins
// themselves take is measured and taken off.
func BenchmarkCPUPerSample(b *testing.B) {
	const chips = 8
	for _, wiring := range []string{"own", "shared"} {
		b.Run("wiring="+wiring+"/chips=8", func(b *testing.B) {
			var sensors []rig.Sensor
			clock := rig.NewSystemClock()
			for range chips {
				bank := &lean{wire: wire{name: "GPIO6"}, real: clock, pulses: 25}
				if wiring == "own" {
					s, err := hx711.New(bank, &leanOut{b: bank}, bank, hx711.Options{})
					if err != nil {
						b.Fatal(err)
					}
					sensors = append(sensors, s)
					continue
				}
				douts := make([]gpio.PinIn, chips)
				for i := range douts {
					douts[i] = &leanOut{b: bank}
				}
				s, err := hx711.NewShared(bank, douts, bank, hx711.Options{})
				if err != nil {
					b.Fatal(err)
				}
				sensors = append(sensors, s)
				break
			}
			dst := make([]rig.Reading, chips)
			samples, good := 0, 0
			runtime.LockOSThread() // whose CPU time is counted
			defer runtime.UnlockOSThread()
			b.ReportAllocs()
			begin := cpuTime(b)
			for b.Loop() {
				for _, s := range sensors {
					n := s.Channels()
					if err := s.Read(b.Context(), dst[:n]); err != nil {
						b.Fatal(err)
					}
					samples += n
					if dst[0].Quality == rig.Good {
						good += n
					}
				}
			}
			if b.N > 100 && good < samples/2 {
				b.Fatalf("%d of %d samples are good: %+v", good, samples, dst[0])
			}
			took := cpuTime(b) - begin
			if wiring == "own" {
				took -= leanPins(b, samples*25, samples*26)
			} else {
				took -= leanPins(b, samples/chips*25, samples*26)
			}
			b.ReportMetric(float64(took.Nanoseconds())/float64(samples), "cpu-ns/sample")
			b.ReportMetric(float64(samples)/b.Elapsed().Seconds(), "samples/s")
		})
	}
}

// cpuTime returns the CPU time of this thread: other programs of the machine do not
// count.
func cpuTime(b *testing.B) time.Duration {
	const thisThread = 1 // RUSAGE_THREAD of getrusage(2)
	var u syscall.Rusage
	if err := syscall.Getrusage(thisThread, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// leanPins returns how long so many pulses and so many reads of the lean pins take.
func leanPins(b *testing.B, pulses, reads int) time.Duration {
	bank := &lean{pulses: 25, next: time.Hour}
	var sck gpio.PinOut = bank
	var dout gpio.PinIn = &leanOut{b: bank}
	begin := cpuTime(b)
	for range pulses {
		sck.Out(gpio.High)
		sck.Out(gpio.Low)
	}
	bank.pulses = 12
	for range reads {
		dout.Read()
	}
	return cpuTime(b) - begin
}
