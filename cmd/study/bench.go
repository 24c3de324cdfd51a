package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"time"

	"brimline/analysis/curve"
	"brimline/analysis/rate"
	"brimline/rig"
	"brimline/rig/simbench"
)

// A run of the study: a minute's half of rest, so that little is known of the zero, the
// usual three minutes, and two minutes in which what lags behind the flow shows.
const (
	runStill = 30 * time.Second
	runFlow  = 180 * time.Second
	runAfter = 120 * time.Second
)

// What the person at the bench knows of scale and fuel, as standard uncertainties: the
// scale that M1 masses give in ten minutes, a good hydrometer, a probe in a tube.
const (
	scaleRelU = 3e-4
	scaleDF   = 15
	densityU  = 0.0005 // g/mL
	tempU     = 1      // degC
	levelRelU = 0.004  // of a level sender's volumes: poured ones
	levelMLH  = 0.6    // its zero's drift, as the program takes it
)

// scene is what a run is made of, drawn from its seed.
type scene struct {
	seed    uint64
	sps     int
	level   bool // level senders in place of cells
	world   simbench.World
	n       int // channels
	paces   []float64
	warm    time.Duration // the engine has idled so long
	density curve.Density // in the tubes, as it follows from what was measured
	scale   []scale       // of each channel, as it was calibrated
	rng     *rand.Rand    // for what a study plants
}

// scale is a channel's calibration: how far off it is, and how far it is thought to be.
type scale struct {
	factor float64 // of the true one
	relU   float64
}

// newScene draws a bench of four channels, each fourth of six, on an engine of 5 to 20
// mL/min whose injectors lie within a fifth of each other, as a healthy set's do.
func newScene(seed uint64, sps int, level bool) (*scene, error) {
	rng := rand.New(rand.NewPCG(seed, 0x7374756479))
	s := &scene{seed: seed, sps: sps, level: level, world: simbench.DefaultWorld(), n: 4, rng: rng}
	if rng.IntN(4) == 0 && !level {
		s.n = 6
	}
	base := 6 + 11*rng.Float64()
	s.world.RatesMLPerMin = make([]float64, s.n)
	for i := range s.world.RatesMLPerMin {
		s.world.RatesMLPerMin[i] = base * (0.85 + 0.3*rng.Float64())
	}
	// Density was found at 15 degC, the tubes' temperature with a probe.
	rho15, tempC := 0.815+0.030*rng.Float64(), 30+30*rng.Float64()
	inTubes, err := curve.PetroleumDensity(1000*rho15, 15, tempC)
	if err != nil {
		return nil, fmt.Errorf("seed %d: %w", seed, err)
	}
	s.world.DensityGPerML = inTubes / 1000
	fuel := curve.Fuel{Law: curve.Petroleum, GPerML: rho15 + densityU*rng.NormFloat64(), U: densityU, FoundAtC: 15, PerC: math.NaN(),
		TempC: tempC + tempU*rng.NormFloat64(), UTempC: tempU, StateAtC: math.NaN()}
	if s.density, err = fuel.Density(); err != nil {
		return nil, fmt.Errorf("seed %d: %w", seed, err)
	}
	u := scaleRelU
	if level {
		u = levelRelU
	}
	for range s.n {
		// Its uncertainty was estimated too, with scaleDF degrees of freedom.
		sq := 0.0
		for range scaleDF {
			x := rng.NormFloat64()
			sq += x * x
		}
		s.scale = append(s.scale, scale{1 + u*rng.NormFloat64(), u * math.Sqrt(sq/scaleDF)})
	}
	// Tests are made on a warm engine: its warming in the run is a case of its own.
	s.warm = 45*time.Minute + time.Duration(rng.Float64()*float64(75*time.Minute))
	return s, nil
}

// bench makes the scene's bench and begins a run on it.
func (s *scene) bench(plan simbench.RunPlan) (*simbench.Bench, simbench.Run, error) {
	b, err := simbench.New(simbench.Options{Seed: s.seed, Channels: s.n, SPS: s.sps, World: &s.world, Paces: s.paces})
	if err != nil {
		return nil, simbench.Run{}, err
	}
	if s.level {
		for ch := 0; ch < s.n; ch += 2 {
			place := simbench.I2CPlace{Addr: uint16(0x48 + ch/2)}
			if err := b.ADS1115(place, simbench.ADS1115Inputs{Channels: [4]int{ch, ch + 1, -1, -1}, Supply: 3}); err != nil {
				return nil, simbench.Run{}, err
			}
		}
	}
	if err := b.Advance(s.warm); err != nil {
		return nil, simbench.Run{}, err
	}
	plan.Still, plan.Flow = runStill, runFlow
	r, err := b.StartRun(plan)
	return b, r, err
}

// series is a channel's readings of a run.
type series struct {
	t, counts []float64
	marks     []curve.Mark
}

// keeper is a sink that keeps readings on seconds since the run's start.
type keeper struct {
	start time.Duration
	by    []series
}

// Put implements rig.Sink.
func (k *keeper) Put(samples []rig.Sample) error {
	for _, x := range samples {
		s := &k.by[x.Channel]
		s.t = append(s.t, (x.Elapsed - k.start).Seconds())
		s.counts = append(s.counts, float64(x.Counts))
		s.marks = append(s.marks, markOf(x.Quality))
	}
	return nil
}

// markOf is how the analysis takes a reading's quality, as the program has it.
func markOf(q rig.Quality) curve.Mark {
	switch q {
	case rig.Good:
		return curve.Used
	case rig.Settling:
		return curve.Settling
	case rig.Saturated:
		return curve.Limit
	case rig.Stalled, rig.Absent:
		return curve.Missing
	}
	return curve.Misread
}

// curves runs a plan and returns the curves of the channels named, or of all, in their
// order among all; the others' are zero.
func (s *scene) curves(plan simbench.RunPlan, only ...int) ([]curve.Curve, *simbench.Bench, simbench.Run, error) {
	b, r, err := s.bench(plan)
	if err != nil {
		return nil, nil, r, err
	}
	k := keeper{start: r.Start, by: make([]series, s.n)}
	room := int((runStill+runFlow+runAfter).Seconds()*float64(s.sps)*1.2) + 100
	for ch := range k.by {
		if len(only) == 0 || slices.Contains(only, ch) {
			k.by[ch] = series{make([]float64, 0, room), make([]float64, 0, room), make([]curve.Mark, 0, room)}
		}
	}
	if err := b.Record(&k, r.FlowEnd+runAfter, only...); err != nil {
		return nil, nil, r, err
	}
	out := make([]curve.Curve, s.n)
	for ch, x := range k.by {
		if x.t == nil {
			continue
		}
		truth, err := b.Truth(ch, r.FlowStart, r.FlowEnd)
		if err != nil {
			return nil, nil, r, err
		}
		if out[ch], err = s.curve(ch, x, truth); err != nil {
			return nil, nil, r, err
		}
	}
	return out, b, r, nil
}

// curve turns a channel's readings into grams, or mL, by a scale with its error.
func (s *scene) curve(ch int, x series, truth simbench.Truth) (curve.Curve, error) {
	name := "tube" + strconv.Itoa(ch+1)
	span, relU := truth.CountsPerGram*s.scale[ch].factor, s.scale[ch].relU
	var c curve.Curve
	var err error
	if s.level {
		perML := span * s.world.DensityGPerML
		for i := range x.counts {
			x.counts[i] = (x.counts[i] - truth.ZeroCounts) / perML
		}
		c, err = curve.FromVolumes(name, x.t, x.counts, x.marks, relU, scaleDF)
		c.DriftPerH = levelMLH
	} else {
		c, err = curve.FromCounts(name, x.t, x.counts, x.marks,
			curve.Calibration{Zero: truth.ZeroCounts, CountsPerGram: span, UCountsPerGram: relU * span, DF: scaleDF, ByMass: true})
	}
	c.CapacityML = s.world.TubeML
	if err != nil {
		return c, fmt.Errorf("seed %d: %w", s.seed, err)
	}
	return c, nil
}

// analyse is what the program makes of a run.
func (s *scene) analyse(curves []curve.Curve) rate.Run {
	return rate.AnalyseRun(curves, rate.Options{Mode: rate.OneFill, Density: &s.density})
}

// fillOf is the one fill of a run's curve, as the program takes it.
func fillOf(r rate.Result) rate.Fill {
	for _, x := range r.Fills {
		if x.Kind == rate.KindFill {
			return x
		}
	}
	return r.Fills[0]
}

// flagsOf is what was said of each channel of a run, and of the run as a whole.
func flagsOf(r rate.Run) (channels [][]rate.Flag, all []rate.Flag) {
	for i, x := range r.Results {
		if r.Errs[i] != nil {
			channels = append(channels, []rate.Flag{{Code: "no-data", Severity: rate.Forbids, Says: r.Errs[i].Error(), Evidence: rate.Evidence{Chance: math.NaN()}}})
			continue
		}
		channels = append(channels, fillOf(x).Flags)
	}
	return channels, r.Flags
}
