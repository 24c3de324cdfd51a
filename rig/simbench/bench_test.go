package simbench_test

import (
	"testing"
	"time"

	"brimline/rig"
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
