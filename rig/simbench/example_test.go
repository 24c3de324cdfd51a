package simbench_test

import (
	"context"
	"fmt"
	"log"
	"time"

	"brimline/rig"
	"brimline/rig/calibrate"
	"brimline/rig/hx711"
	"brimline/rig/simbench"
)

// mean is a Sink that takes the mean of each channel's good readings.
type mean [6]struct{ sum, n float64 }

func (m *mean) Put(samples []rig.Sample) error {
	for _, s := range samples {
		if s.Quality == rig.Good {
			m[s.Channel].sum += float64(s.Counts)
			m[s.Channel].n++
		}
	}
	return nil
}

// Six channels are calibrated with masses, and then six runs are measured, all
// through the driver that ships.
func Example() {
	ctx := context.Background()
	bench, err := simbench.New(simbench.Options{Seed: 7, Channels: 6})
	if err != nil {
		log.Fatal(err)
	}
	var sensors []rig.Sensor
	for ch := range bench.Channels() {
		sck, dout, clk := bench.Line(ch)
		s, err := hx711.New(sck, dout, clk, hx711.Options{})
		if err != nil {
			log.Fatal(err)
		}
		defer s.Halt()
		sensors = append(sensors, s)
	}
	acq, err := rig.NewAcquirer(sensors...)
	if err != nil {
		log.Fatal(err)
	}
	read := func(d time.Duration) (m mean) {
		if err := acq.Run(ctx, &m, rig.AcquireOptions{Until: bench.Now() + d}); err != nil {
			log.Fatal(err)
		}
		return m
	}

	// Calibrate: every load on every cell, ten seconds each.
	points := make([][]calibrate.Point, len(sensors))
	for _, load := range [][]float64{nil, {50}, {100}, {200}, nil} {
		var point calibrate.Point
		for _, g := range load {
			mpe, err := calibrate.MPE("M1", g)
			if err != nil {
				log.Fatal(err)
			}
			point.MassG += g
			point.MPEG += mpe
		}
		for ch := range sensors {
			if err := bench.Load(ch, load...); err != nil {
				log.Fatal(err)
			}
		}
		m := read(10 * time.Second)
		for ch := range sensors {
			point.Counts = m[ch].sum / m[ch].n
			points[ch] = append(points[ch], point)
		}
	}
	lines := make([]calibrate.Line, len(sensors))
	for ch := range sensors {
		if lines[ch], err = calibrate.Fit(points[ch]); err != nil {
			log.Fatal(err)
		}
	}

	// Six runs, the last three after the event, each in a hanging of its own.
	for run := range 6 {
		r, err := bench.StartRun(simbench.RunPlan{
			Hanging: run + 1, Treated: run >= 3,
			Still: 10 * time.Second, Flow: 30 * time.Second,
		})
		if err != nil {
			log.Fatal(err)
		}
		before := read(9 * time.Second)
		read(32 * time.Second) // the flow
		after := read(9 * time.Second)
		truth, err := bench.Truth(0, r.FlowStart, r.FlowEnd)
		if err != nil {
			log.Fatal(err)
		}
		const inAir = 1.0013 // the air bears so much more of fuel than of masses
		gained := inAir * (after[0].sum/after[0].n - before[0].sum/before[0].n) / lines[0].Span
		fmt.Printf("run %d: %.1f mL/min, true mean %.1f\n", run+1, gained/truth.DensityGPerML/0.5, truth.VolumeML/0.5)
		if err := bench.Advance(5 * time.Minute); err != nil { // tubes off, emptied, on again
			log.Fatal(err)
		}
	}
	// Output:
	// run 1: 10.4 mL/min, true mean 10.5
	// run 2: 10.6 mL/min, true mean 10.6
	// run 3: 10.5 mL/min, true mean 10.5
	// run 4: 9.5 mL/min, true mean 9.5
	// run 5: 9.6 mL/min, true mean 9.6
	// run 6: 9.7 mL/min, true mean 9.7
}

// A tube whose vent is blocked, with a second way out for the fuel: its curve bends,
// and the simulator knows by how much.
func ExamplePlannedFault() {
	bench, err := simbench.New(simbench.Options{Seed: 7, Channels: 6})
	if err != nil {
		log.Fatal(err)
	}
	r, err := bench.StartRun(simbench.RunPlan{
		Still: 10 * time.Second, Flow: 3 * time.Minute,
		Faults: []simbench.PlannedFault{{Kind: simbench.BlockedVent, Channel: 2, Severity: 0.5}},
	})
	if err != nil {
		log.Fatal(err)
	}
	for third := range time.Duration(3) {
		truth, err := bench.Truth(2, r.FlowStart+third*time.Minute, r.FlowStart+(third+1)*time.Minute)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("minute %d: %.1f mL of %.1f\n", third+1, truth.VolumeML, truth.VolumeML+truth.LostML)
	}
	// Output:
	// minute 1: 9.2 mL of 9.8
	// minute 2: 8.0 mL of 9.8
	// minute 3: 6.8 mL of 9.8
}
