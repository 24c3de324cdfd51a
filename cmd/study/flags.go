package main

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"brimline/analysis/curve"
	"brimline/analysis/rate"
	"brimline/rig/simbench"
)

// A plant is what is wrong in a run: a fault of the simulated bench on one channel, or
// what the engine does to all channels.
type plant struct {
	name   string
	what   string // for the table
	engine bool   // on all channels
	level  bool   // on level senders
	sps    int    // 0: any
	// answers are the codes that name it. Others are told apart in the confusion matrix.
	answers []string
	// change makes the scene of it; fault plans it on a channel. One of the two is set.
	change func(*scene, *simbench.RunPlan)
	fault  simbench.FaultKind
}

// answers has the codes that name a fault besides its own name.
var answers = map[simbench.FaultKind][]string{
	simbench.MissingSamples: {"gap"},
	// A hose that fills is a start that comes late: by the curve the two are one.
	simbench.HoseFilling: {"late-start"},
	// Both go on after the flow; what two minutes do not tell apart is called by what it is.
	simbench.ThermalDrift: {"zero-moves"},
	simbench.Creep:        {"zero-moves"},
}

// plants is every fault of the bench, in the order in which the fuel meets them, and then
// what is the engine's.
func plants(severity float64) []plant {
	var out []plant
	for _, f := range simbench.Faults() {
		out = append(out, plant{name: string(f.Kind), what: fmt.Sprintf("%.3g %s", severity*f.Full, f.Unit), level: f.Kind == simbench.Foam,
			answers: append([]string{string(f.Kind)}, answers[f.Kind]...), fault: f.Kind})
	}
	return append(out, engineCases...)
}

// engineCases is what all channels show at once.
var engineCases = []plant{
	{name: "rail-hunting", what: "rail pressure hunts, by 50 bar either way of 270: common waves of 10 % rms and 8 s in the flow", engine: true, answers: []string{"engine-moves"},
		change: func(s *scene, _ *simbench.RunPlan) {
			s.world.SharedHuntingSD, s.world.Hunting = 0.10, 8*time.Second
		}},
	{name: "idle-step", what: "the idle goes up or down by 6 to 10 % at one moment", engine: true, answers: []string{"engine-moves"},
		change: func(s *scene, plan *simbench.RunPlan) {
			plan.IdleStep = simbench.IdleStep{Speed: 0.06 + 0.04*s.rng.Float64(), At: runStill + 30*time.Second + time.Duration(s.rng.Float64()*float64(runFlow-time.Minute))}
			if s.rng.IntN(2) == 0 {
				plan.IdleStep.Speed *= -1
			}
		}},
	{name: "warming", what: "an engine just started: 30 % short, gone with 5 min", engine: true, answers: []string{"engine-moves"},
		change: func(s *scene, _ *simbench.RunPlan) {
			s.warm = time.Minute
			s.world.WarmUpStart = 0.30
		}},
	{name: "idle-orders", what: "idle of 600 rpm at 10 samples/s: orders 1/2, 1 and 2 fold", engine: true, sps: 10, answers: []string{"idle-alias", "shaking"},
		change: func(s *scene, _ *simbench.RunPlan) {
			s.world.PulsationHz = 600. / 120
			s.world.Orders = []simbench.Order{{Order: 0.5, Counts: 300}, {Order: 1, Counts: 1000}, {Order: 2, Counts: 1000}}
		}},
}

// said is what was said of one run.
type said struct {
	seed     uint64
	faulty   int // channel; -1 for none
	channels [][]rate.Flag
	all      []rate.Flag
	rates    []measured // of a sound run
}

// measured is a rate with its interval, and the truth.
type measured struct{ is, u95, truth float64 } // mL/min

// when draws the time of a fault after its run's beginning: within the flow, with room
// for what it does. A fault that goes with the whole run does not look at it.
func when(k simbench.FaultKind, severity float64, rng *rand.Rand) time.Duration {
	from, to := 10*time.Second, runFlow-20*time.Second // after the flow's start
	for _, f := range simbench.Faults() {
		if f.Kind == k && strings.HasPrefix(f.Unit, "s ") {
			to -= time.Duration(severity * f.Full * float64(time.Second))
		}
	}
	switch k {
	case simbench.ThermalDrift, simbench.Misreads:
		from, to = 0, 30*time.Second // warm fuel comes with the flow; a busy board stays busy
	case simbench.SpoutDipping, simbench.AirBursts, simbench.LampPickup:
		to = runFlow - time.Minute
	}
	return runStill + from + time.Duration(rng.Float64()*float64(to-from))
}

// flagStudy plants each fault in n runs and none in enough runs for sound fills.
type flagStudy struct {
	o        settings
	sps      int
	mu       sync.Mutex
	by       map[string][]said // a plant's runs; "" are the sound ones
	began    time.Time
	elapsedS float64
}

func (f *flagStudy) add(name string, s said) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.by[name] = append(f.by[name], s)
}

// run does the runs of all plants, seed by seed, on several workers.
func (f *flagStudy) run(list []plant) error {
	f.by, f.began = map[string][]said{}, time.Now()
	type job struct {
		seed  uint64
		level bool
		list  []plant
		sound bool
	}
	var jobs []job
	byBench := map[bool][]plant{}
	for _, p := range list {
		if p.sps == 0 || p.sps == f.sps {
			byBench[p.level] = append(byBench[p.level], p)
		}
	}
	for i := range uint64(f.o.n) {
		for level, l := range byBench {
			jobs = append(jobs, job{seed: f.o.seed + i, level: level, list: l})
		}
	}
	// Sound fills have seeds of their own, ten for each faulty one.
	for i := range uint64(f.o.sound) {
		jobs = append(jobs, job{seed: f.o.seed + soundSeeds + i, sound: true})
	}
	err := parallel(f.o.workers, len(jobs), func(i int) error {
		j := jobs[i]
		if j.sound {
			return f.sound(j.seed)
		}
		return f.planted(j.seed, j.level, j.list)
	})
	for _, runs := range f.by {
		slices.SortFunc(runs, func(a, b said) int { return int(int64(a.seed) - int64(b.seed)) })
	}
	f.elapsedS = time.Since(f.began).Seconds()
	return err
}

// soundSeeds is how far the seeds of sound runs lie from those of faulty ones.
const soundSeeds = 100_000

func (f *flagStudy) sound(seed uint64) error {
	s, err := newScene(seed, f.sps, false)
	if err != nil {
		return err
	}
	curves, b, run, err := s.curves(simbench.RunPlan{})
	if err != nil {
		return err
	}
	r := s.analyse(curves)
	x := said{seed: seed, faulty: -1}
	x.channels, x.all = flagsOf(r)
	for ch := range curves {
		truth, err := b.Truth(ch, run.FlowStart, run.FlowEnd)
		if err != nil {
			return err
		}
		if r.Errs[ch] == nil {
			fill := fillOf(r.Results[ch])
			x.rates = append(x.rates, measured{fill.RateMLPerMin, fill.U95MLPerMin, truth.RateMLPerMin})
		}
	}
	f.add("", x)
	return nil
}

// planted does one seed's runs with each plant. Faults leave the other channels as they
// are, so these are recorded once.
func (f *flagStudy) planted(seed uint64, level bool, list []plant) error {
	var base []curve.Curve
	for _, p := range list {
		s, err := newScene(seed, f.sps, level)
		if err != nil {
			return err
		}
		var plan simbench.RunPlan
		if p.change != nil {
			p.change(s, &plan)
			curves, _, _, err := s.curves(plan)
			if err != nil {
				return fmt.Errorf("%s: %w", p.name, err)
			}
			channels, all := flagsOf(s.analyse(curves))
			f.add(p.name, said{seed: seed, faulty: -1, channels: channels, all: all})
			continue
		}
		if base == nil {
			if base, _, _, err = s.curves(plan); err != nil {
				return err
			}
		}
		rng := rand.New(rand.NewPCG(seed, hash(p.name)))
		ch := rng.IntN(s.n)
		plan.Faults = []simbench.PlannedFault{{Kind: p.fault, Channel: ch, Severity: f.o.severity, At: when(p.fault, f.o.severity, rng)}}
		faulty, _, _, err := s.curves(plan, ch)
		if err != nil {
			return fmt.Errorf("%s: %w", p.name, err)
		}
		curves := slices.Clone(base)
		curves[ch] = faulty[ch]
		channels, all := flagsOf(s.analyse(curves))
		f.add(p.name, said{seed: seed, faulty: ch, channels: channels, all: all})
	}
	return nil
}

func hash(s string) uint64 {
	h := uint64(14695981039346656037) // FNV-1a
	for _, c := range []byte(s) {
		h = (h ^ uint64(c)) * 1099511628211
	}
	return h
}
