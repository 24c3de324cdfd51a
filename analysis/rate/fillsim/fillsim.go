// Package fillsim makes fill curves whose truth is known, from a plain model of noise:
// what the fit's standard error and its intervals are judged on. It holds no rig and no
// chip; rig/simbench simulates those.
//
// A Scenario makes a Bench: what one channel of a bench has on one occasion, an hour of
// record at rest (or less) and the six runs of a test. Each run has its truth and the
// Cramer-Rao bound of its slope with the noise levels known.
//
//	for _, s := range fillsim.Scenarios() {
//		b, err := s.Bench(seed)
//		// fit b.Fills together, with b.Still; compare with Fill.TruthPerMin and Fill.BoundPerMin
//	}
//
// Noise is that of 24-bit converters with bar cells: white 150 counts rms at 80
// samples/s and a warm random walk of 2 counts/sqrt(s), at 2147 counts/g; 12
// counts/sqrt(s) in the first ten minutes after power-up. Measured on real cells by
// others; the density of white noise is taken as the same at other sample rates.
package fillsim

import (
	"hash/fnv"
	"math"
	"math/rand/v2"

	"brimline/analysis/curve"
)

// What all scenarios share.
const (
	countsPerGram = 2147.0
	zeroCounts    = 84_000.0
	gPerML        = 0.832
	whiteAt80     = 150.0 // counts rms
	walkWarm      = 2.0   // counts/sqrt(s)
	walkCold      = 12.0  // counts/sqrt(s)
	coldS         = 600.0 // over which the walk of a cold cell goes to a third
	runsOfTest    = 6
	betweenS      = 30.0 // from one run's record to the next
	huntTauS      = 3.0  // correlation time of a hunting flow
	driftGPH      = 0.5  // zero drift, half width, g/h (common practice, no source)
	hoseG         = 0.05 // pull of a hose that creeps, half width over a run of hoseS or more (estimate)
	hoseS         = 180.0
	scaleRelU     = 1e-3 // calibration line: two test weights of class M1 and a repeat
	seedStream    = 0x66696c6c
)

// Scenario is one kind of fill, with all that its curves are made from.
type Scenario struct {
	Name string
	What string // one sentence

	SamplesPerS float64 // nominal; a board's own differs by -4 to +19 %, fixed
	FlowS       float64
	MLPerMin    float64
	Unit        curve.Unit
	RestBeforeS float64
	RestAfterS  float64
	StillS      float64 // of the record at rest

	White     float64 // counts rms of one value
	Walk      float64 // counts/sqrt(s), warm
	Cold      bool    // walk of a cold cell, which settles over the test
	Warming   float64 // by how much of its mean the flow rises over a run
	Hunting   float64 // standard deviation of the flow, part of its mean, over huntTauS
	Pulsation float64 // depth of its pulsation at 6.7 Hz, part of its mean
	Waves     []Wave
	Misreads  float64 // part of the values
	Missing   float64 // part of the values, in stalls
}

// Wave is a pickup as it stands in the record: from FromHz to ToHz, drawn once for a
// bench, of any phase.
type Wave struct {
	FromHz, ToHz float64
	Counts       float64 // amplitude
}

// Scenarios returns the scenarios, each with noise levels of its own cell.
//
// In each is drawn what U contains beside the fit, from the distributions that it states:
// the zero drift evenly from +-0.5 g/h and the scale normally with 0.1 %, once for a bench;
// for each run of a weighed tube the pull of its hose evenly from +-0.05 g over the run or
// over three minutes, whichever is longer, going on at the same pace after the flow. Not
// drawn are the air's lift and the time base, which the budget has at 50 ppm. Fill.Reads
// gives what the curve itself rises by, so that the fit can be judged alone.
func Scenarios() []Scenario {
	// Three minutes at 80 samples/s and 10 mL/min.
	base := Scenario{SamplesPerS: 80, FlowS: 180, MLPerMin: 10, Unit: curve.Gram, RestBeforeS: 30, RestAfterS: 60,
		StillS: 3600, White: whiteAt80, Walk: walkWarm}
	with := func(name, what string, change func(*Scenario)) Scenario {
		s := base
		s.Name, s.What = name, what
		change(&s)
		return s
	}
	at := func(s *Scenario, hz float64) {
		s.SamplesPerS, s.White = hz, whiteAt80*math.Sqrt(hz/80)
	}
	return []Scenario{
		with("white", "white noise alone, 150 counts rms", func(s *Scenario) { s.Walk = 0 }),
		with("walk", "a random walk of 12 counts/sqrt(s), with a third of a good cell's white noise", func(s *Scenario) { s.White, s.Walk = 50, 12 }),
		with("white+walk", "both, as a good cell shows when warm: 150 counts and 2 counts/sqrt(s)", func(*Scenario) {}),
		with("slow false wave", "an idle order folded at the sample rate to a wave of 15 to 25 s, 60 counts high", func(s *Scenario) {
			s.Waves = []Wave{{1. / 25, 1. / 15, 60}}
		}),
		with("pickup of a few Hz", "mains or lamp pickup of 200 counts at 2 to 9 Hz", func(s *Scenario) {
			s.Waves = []Wave{{2, 9, 200}}
		}),
		with("hunting", "a flow that hunts by 0.5 % (AR(1) over 3 s) and pulsates by 30 % at 6.7 Hz", func(s *Scenario) {
			s.Hunting, s.Pulsation = 0.005, 0.3
		}),
		with("10 samples/s", "ten samples a second", func(s *Scenario) { at(s, 10) }),
		with("320 samples/s", "three hundred and twenty samples a second, for one minute", func(s *Scenario) {
			at(s, 320)
			s.FlowS, s.StillS = 60, 1200
		}),
		with("20 s", "twenty seconds, at 30 mL/min", func(s *Scenario) { s.FlowS, s.MLPerMin = 20, 30 }),
		with("10 min", "ten minutes", func(s *Scenario) { s.FlowS, s.SamplesPerS, s.White = 600, 40, whiteAt80/math.Sqrt2 }),
		with("misreads", "one value in two hundred misread, alone or up to three together, as a reader without timing checks gives them", func(s *Scenario) { s.Misreads = 0.005 }),
		with("warm-up", "a cold cell, whose walk goes from 12 towards 2 counts/sqrt(s) over the test, and a flow that rises by 1 % as the fuel warms", func(s *Scenario) {
			s.Cold, s.Warming = true, 0.01
		}),
		with("missing samples", "2 % of the record missing, in stalls of 2 s and up to 12 s", func(s *Scenario) { s.Missing = 0.02 }),
		with("0.2 mL/min", "a slow leak of 0.2 mL/min over ten minutes", func(s *Scenario) { s.MLPerMin, s.FlowS, s.SamplesPerS, s.White = 0.2, 600, 20, whiteAt80/2 }),
		with("300 mL/min", "300 mL/min for 30 s", func(s *Scenario) { s.MLPerMin, s.FlowS = 300, 30 }),
		with("1 h at 1 sample/s", "an hour at one sample a second and 2 mL/min", func(s *Scenario) {
			at(s, 1)
			s.FlowS, s.MLPerMin, s.StillS, s.RestBeforeS, s.RestAfterS = 3600, 2, 7200, 120, 120
		}),
		with("in millilitres", "a level sender's volumes", func(s *Scenario) { s.Unit = curve.Millilitre }),
	}
}

// Bench is what one channel has on one occasion.
type Bench struct {
	Still curve.Curve // at rest, warm, before the test
	Fills []Fill      // the test's runs, in their order
}

// Fill is one run's curve and what it was made with.
type Fill struct {
	Curve       curve.Curve
	OnsetS      float64 // elapsed s
	EndS        float64
	TruthPerMin float64 // the flow's underlying mean rate, curve's unit/min
	Reads       float64 // what the curve rises by, scale, zero drift and hose as they were drawn, unit/min
	BoundPerMin float64 // Cramer-Rao bound of the curve's slope from onset to end, noise levels known, unit/min
}

// Bench makes the record at rest and the runs of one occasion. The same seed gives the
// same numbers.
func (s Scenario) Bench(seed uint64) (Bench, error) {
	h := fnv.New64a()
	h.Write([]byte(s.Name))
	rng := rand.New(rand.NewPCG(seed, seedStream^h.Sum64()))
	m := maker{Scenario: s, rng: rng,
		hz:        s.SamplesPerS * (0.96 + 0.23*rng.Float64()),
		scale:     1 + scaleRelU*rng.NormFloat64(),
		driftPerS: driftGPH / 3600 * (2*rng.Float64() - 1),
		tubeG:     20 + 20*rng.Float64(),
	}
	for _, w := range s.Waves {
		m.waves = append(m.waves, drawn{w.Counts, w.FromHz + (w.ToHz-w.FromHz)*rng.Float64(), 2 * math.Pi * rng.Float64()})
	}
	var out Bench
	still, err := m.run(s.StillS, 0, 0, s.Walk, 0)
	if err != nil {
		return out, err
	}
	out.Still = still.Curve
	began := 0.0 // since power-up, of a cold cell
	for range runsOfTest {
		walk := s.Walk
		if s.Cold {
			walk += (walkCold - s.Walk) * math.Exp(-began/coldS)
		}
		f, err := m.run(s.RestBeforeS+rng.Float64(), s.FlowS, s.RestAfterS, walk, s.MLPerMin*gPerML/60)
		if err != nil {
			return out, err
		}
		out.Fills = append(out.Fills, f)
		began += s.RestBeforeS + s.FlowS + s.RestAfterS + betweenS
	}
	return out, nil
}

type drawn struct{ counts, hz, phase float64 }

// maker is a scenario with what is drawn once for a bench.
type maker struct {
	Scenario
	rng       *rand.Rand
	hz        float64
	scale     float64
	driftPerS float64 // g/s
	tubeG     float64
	waves     []drawn
}

// run makes one record: rest, flow of gPerS, rest.
func (m *maker) run(beforeS, flowS, afterS, walk, gPerS float64) (Fill, error) {
	n := int((beforeS + flowS + afterS) * m.hz)
	t, counts := make([]float64, 0, n), make([]float64, 0, n)
	var flowT []float64 // sample times between onset and end
	wander, swing, e := 0.0, 0.0, m.Hunting*m.rng.NormFloat64()
	dt := 1 / m.hz
	keep := math.Exp(-dt / huntTauS)
	hose := 0.0 // g/s
	if flowS > 0 && m.Unit == curve.Gram {
		hose = hoseG / max(flowS, hoseS) * (2*m.rng.Float64() - 1)
	}
	misread := 0
	for i := range n {
		at := float64(i)*dt + 1e-4*m.rng.Float64()
		u := min(max(at-beforeS, 0), flowS)
		in := u
		if flowS > 0 {
			// Rises evenly in time about its mean.
			in += m.Warming * (u*u/(2*flowS) - u/2)
			in += m.Pulsation * math.Sin(2*math.Pi*6.7*u) / (2 * math.Pi * 6.7)
		}
		v := m.scale*(m.tubeG+gPerS*(in+swing)) + m.driftPerS*at + hose*max(at-beforeS, 0)
		c := zeroCounts + countsPerGram*v + wander + m.White*m.rng.NormFloat64()
		for _, w := range m.waves {
			c += w.counts * math.Sin(2*math.Pi*w.hz*at+w.phase)
		}
		if at > beforeS && at < beforeS+flowS {
			flowT = append(flowT, at)
			swing += e * dt
			e = keep*e + m.Hunting*math.Sqrt(1-keep*keep)*m.rng.NormFloat64()
		}
		if walk > 0 {
			wander += walk * math.Sqrt(dt) * m.rng.NormFloat64()
		}
		if misread == 0 && m.Misreads > 0 && m.rng.Float64() < m.Misreads/2 {
			misread = 1 + m.rng.IntN(3) // two in a clump on average
		}
		if misread > 0 {
			misread--
			c = m.misread(c)
		}
		t, counts = append(t, at), append(counts, math.Round(c))
	}
	b := Levels{White: m.White, Walk: walk, HuntingPerS: m.Hunting * gPerS * countsPerGram, TauS: huntTauS}
	if m.Missing > 0 {
		t, counts = m.stalls(t, counts)
		flowT = within(t, beforeS, beforeS+flowS)
	}
	f := Fill{OnsetS: beforeS, EndS: beforeS + flowS}
	toUnit := 60.0
	var err error
	if m.Unit == curve.Millilitre {
		toUnit /= gPerML
		ml := make([]float64, len(counts))
		for i, c := range counts {
			ml[i] = (c - zeroCounts) / countsPerGram / gPerML
		}
		f.Curve, err = curve.FromVolumes("tube1", t, ml, nil, scaleRelU, math.Inf(1))
		f.Curve.DriftPerH = driftGPH / gPerML
	} else {
		f.Curve, err = curve.FromCounts("tube1", t, counts, nil, curve.Calibration{
			Zero: zeroCounts, CountsPerGram: countsPerGram, UCountsPerGram: scaleRelU * countsPerGram, DF: math.Inf(1)})
	}
	if err != nil || flowS == 0 {
		return f, err
	}
	f.TruthPerMin = toUnit * gPerS
	f.Reads = toUnit * (m.scale*gPerS + m.driftPerS + hose)
	f.BoundPerMin = toUnit * b.SlopeBound(flowT) / countsPerGram
	return f, nil
}

// misread is what a reader without timing checks makes of c: 45 % zero or -1, a quarter
// doubled, 8 % four times, 6 % the lowest code, the rest all ones below some bit.
func (m *maker) misread(c float64) float64 {
	switch p := m.rng.Float64(); {
	case p < 0.23:
		return 0
	case p < 0.45:
		return -1
	case p < 0.70:
		return 2 * c
	case p < 0.78:
		return 4 * c
	case p < 0.84:
		return -(1 << 23)
	}
	return float64(int(1)<<(16+m.rng.IntN(7))) - 1
}

// stalls takes stretches of 2 to 12 s out of a record, until the part is reached that
// is missing on average.
func (m *maker) stalls(t, y []float64) (tt, yy []float64) {
	long := t[len(t)-1]
	tt, yy = t, y
	// The mean stall is 4 s: 2 s and an exponential tail of 2 s.
	for range int(m.Missing*long/4 + m.rng.Float64()) {
		from := long * m.rng.Float64()
		to := from + min(2+2*m.rng.ExpFloat64(), 12)
		t, y := tt, yy
		tt, yy = nil, nil
		for i := range t {
			if t[i] < from || t[i] > to {
				tt, yy = append(tt, t[i]), append(yy, y[i])
			}
		}
	}
	return tt, yy
}

func within(t []float64, from, to float64) []float64 {
	var out []float64
	for _, x := range t {
		if x > from && x < to {
			out = append(out, x)
		}
	}
	return out
}
