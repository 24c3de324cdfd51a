package simbench

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync/atomic"
	"time"
)

// World is the engine, the tubes and the cells. Rates are relative deviations added
// up: an injector's flow at elapsed time t, u after the flow's start, is
//
//	q(t) = R (1 - W exp(-u/WarmUp) + hunting(t) + p cos(2 pi f u + phase))
//	R    = base (1 + run) (1 + residual) (1 + hanging) (1 + response, if treated)
//	W    = WarmUpStart exp(-start of flow/Afternoon)
//
// The volume in a tube is the exact integral of this; hunting is a stationary AR(1)
// series with straight lines between its points. A cell's reading is
//
//	counts = zero + span (grams (1 - air) + pull + drift) + walk + transient + shaking + white
//
// where air is what the air bears of fuel more than of the masses that set the scale:
// 1 - (1 - a/fuel)/(1 - a/8 g/mL), a the air's density (OIML D 28). The board's clock is
// wrong by up to TimeBasePPM: what flows in a minute of the truth flows in a little more
// or less of its time.
//
// Zero means zero: change what DefaultWorld returns.
//
// With an Engine the base rates, the pulsation's frequency and the warm-up come from
// it: W is 0, the guide's part of each base goes with 1/viscosity as the fuel warms,
// and what of hunting is shared moves pressure and speed. RatesMLPerMin, WarmUpStart
// and PulsationHz are then not looked at.
type World struct {
	Engine *Engine // nil: the base rates are RatesMLPerMin

	// The engine. Spreads are relative standard deviations.
	RatesMLPerMin []float64 // base rate of each injector, the first cylinder first
	RunSD         float64   // of a run, the same for all injectors
	ResidualSD    float64   // of an injector in a run
	HangingSD     float64   // of a channel in a hanging
	Response      float64   // relative change of the rate where a run is Treated, on average
	ResponseSD    float64   // and its spread over injectors (absolute, 0.02 is 2 %)

	WarmUpStart float64       // relative shortfall when the flow starts on a cold engine
	WarmUp      time.Duration // its time constant within a run
	Afternoon   time.Duration // the time constant of its fading from run to run

	SharedHuntingSD float64       // rail pressure and idle speed, all injectors alike
	OwnHuntingSD    float64       // each injector's own
	Hunting         time.Duration // time constant of both
	PulsationHz     float64       // half the engine's speed
	Pulsation       float64       // its relative amplitude

	// The tubes.
	DensityGPerML float64
	TubeML        float64 // what is in a tube stays at this when it runs over
	FilmML        float64 // left in an emptied tube, on average (exponentially distributed)
	PullG         float64 // standard deviation of a hose's pull, new in each hanging
	PullChangeG   float64 // by which it changes at most, either way, as it warms in each run: evenly over three minutes of flow, or with a time constant of two

	// The cells.
	CountsPerGram        float64 // on average
	CountsPerGramSD      float64 // relative, over cells
	ZeroCountsSD         float64 // over cells
	WhiteCounts          float64 // rms of each conversion at 80 SPS
	WhiteCounts10        float64 // at 10 SPS
	WalkCountsPerSqrtS   float64 // random walk: 2 warm, 12 in the first ten minutes of a cold bench
	PowerOnCounts        float64 // transient after power-up
	PowerOn              time.Duration
	ShakingCounts        float64 // amplitude at PulsationHz while the flow lasts
	Orders               []Order // what else shakes at multiples of the crank's speed, twice PulsationHz
	DriftGPerH           float64 // of a cell's zero at most, either way, new in each run
	AirGPerML            float64 // density of the air around the fuel and the masses; 0: they hang in a vacuum
	TimeBasePPM          float64 // how far the board's clock is off at most, either way
	LargestMassErrorMPEs float64 // a reference mass's error is uniform within this many M1 tolerances
}

// DefaultWorld returns a healthy engine of six injectors on good cells.
//
// Sources: spreads, warm-up time and idle rates are plausible values without a
// source, the rate within 5-20 mL/min for solenoid types at idle. White noise (80
// SPS: 150 counts rms typical; 10 SPS: 60), random walk and power-on transient were
// measured on real 24-bit converters with cells of about 2000 counts/g. 2147
// counts/g is a 1 kg, 1 mV/V cell at 5 V and gain 128, by calculation. Drift and the
// clock's error are common practice, without a source; air of 1.2 kg/m3 is that of OIML
// D 28. Hunting, pulsation, film, pull with its change and shaking are assumed.
func DefaultWorld() World {
	return World{
		RatesMLPerMin: []float64{10.6, 11.9, 9.8, 12.4, 11.1, 13.3},
		RunSD:         0.010,
		ResidualSD:    0.007,
		HangingSD:     0.005,
		Response:      -0.08,
		ResponseSD:    0.02,

		WarmUpStart: 0.015,
		WarmUp:      5 * time.Minute,
		Afternoon:   20 * time.Minute,

		SharedHuntingSD: 0.005,
		OwnHuntingSD:    0.001,
		Hunting:         3 * time.Second,
		PulsationHz:     800.0 / 60 / 2,
		Pulsation:       0.3,

		DensityGPerML: 0.820,
		TubeML:        100,
		FilmML:        0.1,
		PullG:         0.03,
		PullChangeG:   0.05,

		CountsPerGram:        2147,
		CountsPerGramSD:      0.02,
		ZeroCountsSD:         30_000,
		WhiteCounts:          150,
		WhiteCounts10:        60,
		WalkCountsPerSqrtS:   2,
		PowerOnCounts:        1050,
		PowerOn:              200 * time.Millisecond,
		ShakingCounts:        20,
		DriftGPerH:           0.5,
		AirGPerML:            0.0012,
		TimeBasePPM:          50,
		LargestMassErrorMPEs: 1,
	}
}

// resolve checks the world, and takes from its engine what that states.
func (w *World) resolve() error {
	if w.Engine != nil {
		if err := w.Engine.check(); err != nil {
			return fmt.Errorf("world: %w", err)
		}
		w.RatesMLPerMin = w.Engine.rates()
		w.WarmUpStart, w.PulsationHz = 0, w.Engine.RPM/120
	}
	if len(w.RatesMLPerMin) == 0 {
		return fmt.Errorf("world: RatesMLPerMin is empty: the engine needs at least one injector")
	}
	for i, r := range w.RatesMLPerMin {
		if !(r >= 0 && r <= maxRateMLPerMin) {
			return fmt.Errorf("world: RatesMLPerMin of injector %d is %g: use 0 to %d", i+1, r, maxRateMLPerMin)
		}
	}
	for i, o := range w.Orders {
		if !(o.Order > 0 && o.Order <= 100 && math.Abs(o.Counts) <= 1e6) {
			return fmt.Errorf("world: Orders[%d] is order %g with %g counts: use orders above 0, to 100, of at most 1e6 counts", i, o.Order, o.Counts)
		}
	}
	for _, x := range []limits{
		{"RunSD", w.RunSD, 0, 0.2}, {"ResidualSD", w.ResidualSD, 0, 0.2}, {"HangingSD", w.HangingSD, 0, 0.2},
		{"Response", w.Response, -1, 10}, {"ResponseSD", w.ResponseSD, 0, 0.2},
		{"WarmUpStart", w.WarmUpStart, -0.5, 0.5}, {"WarmUp", w.WarmUp.Seconds(), 1, 1e6}, {"Afternoon", w.Afternoon.Seconds(), 1, 1e9},
		{"SharedHuntingSD", w.SharedHuntingSD, 0, 0.2}, {"OwnHuntingSD", w.OwnHuntingSD, 0, 0.2}, {"Hunting", w.Hunting.Seconds(), 0.1, 1e4},
		{"PulsationHz", w.PulsationHz, 0.1, 1000}, {"Pulsation", w.Pulsation, 0, 1},
		{"DensityGPerML", w.DensityGPerML, 0.1, 20}, {"TubeML", w.TubeML, 1, 1e4}, {"FilmML", w.FilmML, 0, 10}, {"PullG", w.PullG, 0, 10}, {"PullChangeG", w.PullChangeG, 0, 10},
		{"CountsPerGram", w.CountsPerGram, 1, 1e6}, {"CountsPerGramSD", w.CountsPerGramSD, 0, 0.2}, {"ZeroCountsSD", w.ZeroCountsSD, 0, 1e6},
		{"WhiteCounts", w.WhiteCounts, 0, 1e6}, {"WhiteCounts10", w.WhiteCounts10, 0, 1e6}, {"WalkCountsPerSqrtS", w.WalkCountsPerSqrtS, 0, 1e5},
		{"PowerOnCounts", w.PowerOnCounts, -1e6, 1e6}, {"PowerOn", w.PowerOn.Seconds(), 0.001, 1e4}, {"ShakingCounts", w.ShakingCounts, 0, 1e6},
		{"DriftGPerH", w.DriftGPerH, 0, 100}, {"AirGPerML", w.AirGPerML, 0, 0.01}, {"TimeBasePPM", w.TimeBasePPM, 0, 1000},
		{"LargestMassErrorMPEs", w.LargestMassErrorMPEs, 0, 10},
	} {
		if err := x.check(); err != nil {
			return fmt.Errorf("world: %w (start from DefaultWorld)", err)
		}
	}
	return nil
}

// airPart is the part of the fuel's mass that a scale set with reference masses does not
// show.
func (w *World) airPart() float64 {
	const massGPerML = 8
	return 1 - (1-w.AirGPerML/w.DensityGPerML)/(1-w.AirGPerML/massGPerML)
}

// cell is one load cell with what stands on it.
type cell struct {
	b       *Bench
	channel int
	span    float64 // counts/g
	zero    float64 // counts
	white   float64 // counts rms
	walk    float64 // counts
	rng     *rand.Rand
	period  int64 // ns over which a conversion averages; 0: it is taken at its end
	last    int64 // ns, the conversion before
	code    int32 // that it gave
	onAt    int64 // ns, powered since
	onStep  float64
	run     *run
	loadG   atomic.Uint64 // float64 bits: reference masses

	pouredML atomic.Uint64 // float64 bits: measured volume in the tube of a level sender
}

func (c *cell) init(l *Line) {
	b, ch := l.b, uint64(l.index)
	fixed := b.rand("cell", ch)
	c.b, c.channel, c.run = b, l.index, b.runs[0]
	c.rng = b.rand("noise", ch)
	c.white, c.onStep = b.w.WhiteCounts, b.w.PowerOnCounts
	if b.o.SPS == 10 {
		c.white = b.w.WhiteCounts10
	}
	c.span = b.w.CountsPerGram * (1 + b.w.CountsPerGramSD*bounded(fixed))
	c.zero = b.w.ZeroCountsSD * bounded(fixed)
}

// powerUp starts the transient. A cell that was off for a moment only has not cooled.
func (c *cell) powerUp(t, offFor int64) {
	w := &c.b.w
	c.onAt = t
	c.onStep = w.PowerOnCounts * -math.Expm1(-float64(offFor)/float64(w.PowerOn))
}

// counts returns the conversion that ends at t.
func (c *cell) counts(t int64, gain int) int32 {
	w := &c.b.w
	c.run = c.b.runAt(c.run, t)
	c.walk += w.WalkCountsPerSqrtS * math.Sqrt(float64(t-c.last)/1e9) * c.rng.NormFloat64()
	c.last = t
	v := c.white * c.rng.NormFloat64()
	if gain == 32 {
		return saturate(v / 4) // channel B has no cell
	}
	v += c.zero + c.walk + c.span*(math.Float64frombits(c.loadG.Load())+c.run.grams(c.channel, t))
	if since := t - c.onAt; since < 20*int64(w.PowerOn) {
		v += c.onStep * math.Exp(-float64(since)/float64(w.PowerOn))
	}
	if t > c.run.flowStart && t < c.run.flowEnd {
		v += w.ShakingCounts * math.Sin(2*math.Pi*w.PulsationHz*float64(t)/1e9)
		for _, o := range w.Orders {
			v += o.shaking(2*w.PulsationHz, float64(t)/1e9, float64(c.period)/1e9)
		}
	}
	planned, set := c.wires()
	if planned != nil {
		v += planned.add(t)
	}
	if set != nil {
		v += set.add(t)
	}
	if gain == 64 {
		v /= 2
	}
	if planned != nil && planned.stuck(t) || set != nil && set.stuck(t) {
		return c.code
	}
	c.code = saturate(v)
	return c.code
}

// wires returns what is wrong below the cell by the run's plan and by SetFault; nil
// where nothing is.
func (c *cell) wires() (planned, set *wires) {
	if fx := c.run.channels[c.channel].fx; fx != nil {
		planned = &fx.wires
	}
	return planned, c.b.lines[c.channel].fault.Load().wires
}

// bounded draws from a normal distribution cut at 2.5 standard deviations, so that no
// seed makes a bench that nobody would have bought, and scaled back to a standard
// deviation of 1.
func bounded(r *rand.Rand) float64 {
	// sqrt(1 - 2 a phi(a)/(2 Phi(a) - 1)) for a = 2.5
	const cut, sd = 2.5, 0.954597
	for {
		if x := r.NormFloat64(); math.Abs(x) <= cut {
			return x / sd
		}
	}
}

// m1MilliGrams is OIML R 111-1:2004, table 1, class M1: maximum permissible errors
// in mg by nominal grams. Those from 200 g on are from memory.
var m1MilliGrams = map[float64]float64{10: 2, 20: 2.5, 50: 3, 100: 5, 200: 10, 500: 25}

// Load puts reference masses of class M1 on the cell of a channel, by their nominal
// grams, in place of those that were there; with none it takes them off. There is
// one mass of each size, with an error of its own that is the same on every cell.
// What the tube holds stays.
func (b *Bench) Load(channel int, nominalG ...float64) error {
	l, err := b.line(channel)
	if err != nil {
		return fmt.Errorf("simulated bench: load: %w", err)
	}
	total := 0.0
	for _, g := range nominalG {
		actual, err := b.mass(g)
		if err != nil {
			return fmt.Errorf("simulated bench: load channel %d: %w", channel, err)
		}
		total += actual
	}
	l.chip.cell.loadG.Store(math.Float64bits(total))
	return nil
}

// Loaded returns the true grams of the reference masses on a channel's cell, 0 for a
// channel that does not exist.
func (b *Bench) Loaded(channel int) float64 {
	l, err := b.line(channel)
	if err != nil {
		return 0
	}
	return math.Float64frombits(l.chip.cell.loadG.Load())
}

func (b *Bench) mass(nominalG float64) (float64, error) {
	mpe, ok := m1MilliGrams[nominalG]
	if !ok {
		return 0, fmt.Errorf("there is no mass of %g g in the set: it has 10, 20, 50, 100, 200 and 500 g", nominalG)
	}
	u := 2*b.rand("mass", math.Float64bits(nominalG)).Float64() - 1
	return nominalG + u*b.w.LargestMassErrorMPEs*mpe/1000, nil
}
