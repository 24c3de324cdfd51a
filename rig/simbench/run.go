package simbench

import (
	"fmt"
	"math"
	"slices"
	"sync/atomic"
	"time"
)

// RunPlan says what happens in a run. Its times count from the call that begins it.
type RunPlan struct {
	// Positions[ch] is the injector, 1 for the first cylinder, that feeds channel ch;
	// 0: none. nil: injector 1 on channel 0 and so on.
	Positions []int
	Hanging   int            // number of the hanging: a new number draws new hanging effects
	Treated   bool           // the engine responds to the event
	Still     time.Duration  // before the flow starts
	Flow      time.Duration  // how long it lasts
	Blocked   []int          // channels that no flow reaches
	LeftInML  []float64      // what was not emptied out of each channel's tube; nil: a film
	Faults    []PlannedFault // see Faults; at most one of a kind on a channel
	IdleStep  IdleStep       // of the engine, all channels alike
}

// IdleStep is a change of the engine's speed at one moment, as when a load is switched on.
type IdleStep struct {
	At    time.Duration // after the run's beginning; the speed has changed a quarter of a second later
	Speed float64       // relative, -0.5 to 0.5. An Engine's spill goes with it; without an Engine all of the flow
}

// Run is when a run begins and when its flow starts and ends, elapsed.
type Run struct {
	Start, FlowStart, FlowEnd time.Duration
}

// LoopPlan is a run that repeats itself for ever: still, flow, hold, drain.
type LoopPlan struct {
	RunPlan
	Hold  time.Duration // after the flow, tubes full
	Drain time.Duration // while the tubes empty, evenly
}

// Truth is what a measurement should have found.
type Truth struct {
	Injector           int           // that fed the channel; 0: none
	RateMLPerMin       float64       // the injector's, mean over the window, without hunting and pulsation, 0 where nothing flows
	VolumeML           float64       // that really came in the window, hunting and pulsation included
	LostML             float64       // that the injector sent in the window and that did not come: in the hose, or another way (less than 0: held before)
	MassG              float64       // in the tube at the window's end
	ArtefactG          float64       // that the cell shows besides MassG and PullG at the window's end
	LevelML            float64       // in the tube at the window's end, gas included
	FlowStart, FlowEnd time.Duration // of the channel
	DensityGPerML      float64
	CountsPerGram      float64
	ZeroCounts         float64       // with nothing on the cell, at power-on, without the random walk
	PullG              float64       // of the hose, at the window's end
	DriftG             float64       // of the cell's zero since the run's beginning, at the window's end
	AirG               float64       // that the air bears of MassG: less than 0
	Period             time.Duration // of the channel's conversions
	Faults             []FaultTruth  // of the run on this channel, as the fuel meets them
}

// run is one run of all channels. Once made it does not change, save for next.
type run struct {
	start, flowStart, flowEnd int64 // ns
	drain, end                int64 // ns; 0: it does not drain, nor end by itself
	channels                  []runChannel
	next                      atomic.Pointer[run]
	outlets                   *Outlets // nil: the flow goes into the tubes

	warm, warmTau    float64 // relative, s
	pulse, pulseRadS float64
	points           int // of a series along the flow, huntStepS apart
	densityGPerML    float64
	airPart          float64 // of the fuel's mass that the air bears, as a cell set with masses shows it
	tubeML           float64
	filmML           []float64
}

type runChannel struct {
	injector int
	leftML   float64
	pullG    float64 // at the run's beginning
	pullMore float64 // g that the flow's warmth adds to it
	pullTauS float64 // its time constant; 0: evenly over pullEvenS
	driftGS  float64 // g/s
	rateMLS  float64 // R of the model, mL for a second of the board's clock
	phase    float64
	sinPhase float64
	moving   series   // hunting, and what lasts
	lasting  series   // an Engine's warm-up, and a step of its speed
	from, to int64    // ns, of its flow
	skipped  float64  // mL that the model has before from
	leakMLS  float64  // after to
	fx       *effects // nil: no faults
}

// series is a relative deviation at multiples of huntStepS from the flow's start, with
// straight lines between them, and its integral up to there, s.
type series struct{ value, sum []float64 }

func newSeries(value []float64) series {
	s := series{value, make([]float64, len(value))}
	for k := 1; k < len(value); k++ {
		s.sum[k] = s.sum[k-1] + (value[k-1]+value[k])/2*huntStepS
	}
	return s
}

// integral returns the integral over the first u seconds.
func (s *series) integral(u float64) float64 {
	if s.value == nil {
		return 0
	}
	k := min(int(u/huntStepS), len(s.value)-2)
	d := u - float64(k)*huntStepS
	return s.sum[k] + d*(s.value[k]+(s.value[k+1]-s.value[k])*d/(2*huntStepS))
}

// stillRun is what there is before the first run: emptied tubes, nothing flows.
func (b *Bench) stillRun() *run {
	return &run{channels: make([]runChannel, b.o.Channels), filmML: make([]float64, b.o.Channels), densityGPerML: b.w.DensityGPerML, airPart: b.w.airPart(), tubeML: b.w.TubeML}
}

// StartRun empties the tubes, save for what the plan leaves in them, and begins a run
// now. It may be called while channels are being read; then the moment depends on
// the machine.
func (b *Bench) StartRun(p RunPlan) (Run, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	r, err := b.begin(p, b.now.Load(), nil)
	if err != nil {
		return Run{}, fmt.Errorf("simulated bench: start a run: %w", err)
	}
	b.loop = nil
	return Run{time.Duration(r.start), time.Duration(r.flowStart), time.Duration(r.flowEnd)}, nil
}

// Loop begins a run now and repeats it for ever, each time with effects of its own.
// Truth remembers the last sixteen.
func (b *Bench) Loop(p LoopPlan) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if p.Hold < 0 || p.Drain < 0 || p.Still+p.Flow+p.Hold+p.Drain < time.Second {
		return fmt.Errorf("simulated bench: loop: hold %v, drain %v: neither may be negative, and a round must last at least 1 s", p.Hold, p.Drain)
	}
	if _, err := b.begin(p.RunPlan, b.now.Load(), &p); err != nil {
		return fmt.Errorf("simulated bench: loop: %w", err)
	}
	p.Positions, p.Blocked, p.LeftInML, p.Faults = slices.Clone(p.Positions), slices.Clone(p.Blocked), slices.Clone(p.LeftInML), slices.Clone(p.Faults)
	b.loop = &p
	return nil
}

func (p *LoopPlan) close(r *run) {
	r.drain = r.flowEnd + int64(p.Hold)
	r.end = r.drain + int64(p.Drain)
}

const (
	huntStepS = 0.25
	loopRuns  = 16
)

// begin makes the run and lets the lines find it; loop is nil or what it is a round of.
// b.mu is held.
func (b *Bench) begin(p RunPlan, start int64, loop *LoopPlan) (*run, error) {
	positions, err := b.checkPlan(&p)
	if err != nil {
		return nil, err
	}
	w := &b.w
	r := &run{
		start:     start,
		flowStart: start + int64(p.Still),
		warmTau:   w.WarmUp.Seconds(),
		pulse:     w.Pulsation, pulseRadS: 2 * math.Pi * w.PulsationHz,
		points:        int(p.Flow.Seconds()/huntStepS) + 2,
		densityGPerML: w.DensityGPerML,
		airPart:       w.airPart(),
		tubeML:        w.TubeML,
		outlets:       b.runs[len(b.runs)-1].outlets,
	}
	r.flowEnd = r.flowStart + int64(p.Flow)
	if loop != nil {
		loop.close(r)
	}
	cold := math.Exp(-float64(r.flowStart) / float64(w.Afternoon))
	r.warm = w.WarmUpStart * cold
	number := b.starts
	idle := idle{number: number, factor: 1 + w.RunSD*bounded(b.rand("run", number)),
		shared: b.hunting(r.points, w.SharedHuntingSD, "shared hunting", number)}
	if p.IdleStep.Speed != 0 {
		idle.step = make([]float64, r.points)
		for k := range idle.step {
			if p.Still+time.Duration(float64(k)*huntStepS*1e9) > p.IdleStep.At {
				idle.step[k] = p.IdleStep.Speed
			}
		}
	}
	if e := w.Engine; e != nil {
		idle.rail, idle.speed = b.hunting(r.points, e.RailSD, "rail", number), b.hunting(r.points, e.RPMSD, "speed", number)
		idle.thinning = e.thinning(r.points, (e.WarmC-e.ColdC)*cold, w.WarmUp)
	}
	for ch, injector := range positions {
		film := w.FilmML * min(b.rand("film", number, uint64(ch)).ExpFloat64(), 3)
		r.filmML = append(r.filmML, film)
		c := runChannel{injector: injector, from: r.flowStart, to: r.flowEnd, leftML: min(film, w.TubeML)}
		if p.LeftInML != nil {
			c.leftML = p.LeftInML[ch]
		}
		hang := b.rand("hanging", uint64(int64(p.Hanging)), uint64(ch))
		hangFactor := 1 + w.HangingSD*bounded(hang)
		c.pullG = w.PullG * bounded(hang)
		r.unrest(b, &c, number, ch)
		if injector > 0 && !slices.Contains(p.Blocked, ch) {
			b.feed(&c, &idle, hangFactor, p.Treated)
		}
		r.channels = append(r.channels, c)
	}
	if err := r.afflict(p.Faults); err != nil {
		return nil, err
	}
	b.starts++
	b.runs[len(b.runs)-1].next.Store(r)
	b.runs = append(b.runs, r)
	return r, nil
}

// checkPlan returns which injector feeds each channel.
func (b *Bench) checkPlan(p *RunPlan) (positions []int, err error) {
	n := b.o.Channels
	if p.Still < 0 || p.Flow < 0 || p.Flow > 24*time.Hour {
		return nil, fmt.Errorf("still %v, flow %v: use 0 or more, and at most 24 h of flow", p.Still, p.Flow)
	}
	injectors := len(b.w.RatesMLPerMin)
	positions = p.Positions
	if positions == nil {
		positions = make([]int, n) // channels beyond the last injector have none
		for ch := range min(n, injectors) {
			positions[ch] = ch + 1
		}
	}
	if len(positions) != n {
		return nil, fmt.Errorf("%d positions for %d channels: give one for each", len(positions), n)
	}
	for ch, i := range positions {
		if i < 0 || i > injectors {
			return nil, fmt.Errorf("channel %d is fed by injector %d: the engine has 1 to %d (0 for none)", ch, i, injectors)
		}
	}
	if p.LeftInML != nil && len(p.LeftInML) != n {
		return nil, fmt.Errorf("%d volumes left in tubes for %d channels: give one for each", len(p.LeftInML), n)
	}
	for ch, v := range p.LeftInML {
		if !(v >= 0 && v <= b.w.TubeML) {
			return nil, fmt.Errorf("%g mL left in the tube of channel %d: use 0 to %g", v, ch, b.w.TubeML)
		}
	}
	if p.IdleStep.At < 0 || !(math.Abs(p.IdleStep.Speed) <= 0.5) {
		return nil, fmt.Errorf("idle step of %g at %v: use -0.5 to 0.5, at 0 or later", p.IdleStep.Speed, p.IdleStep.At)
	}
	for _, ch := range p.Blocked {
		if ch < 0 || ch >= n {
			return nil, fmt.Errorf("channel %d blocked: the bench has 0 to %d", ch, n-1)
		}
	}
	return positions, nil
}

// idle is what all injectors share in a run. Its series are relative, at multiples of
// huntStepS from the flow's start; rail, speed and thinning are an Engine's.
type idle struct {
	number                        uint64 // of the run
	factor                        float64
	shared, rail, speed, thinning []float64
	step                          []float64 // of the speed; nil: none
}

// unrest draws what a cell's zero and a hose's pull do in a run.
func (r *run) unrest(b *Bench, c *runChannel, number uint64, ch int) {
	rng := b.rand("unrest", number, uint64(ch))
	c.driftGS = b.w.DriftGPerH / 3600 * (2*rng.Float64() - 1)
	c.pullMore = b.w.PullChangeG * (2*rng.Float64() - 1)
	if rng.IntN(2) == 0 {
		c.pullTauS = pullTauS
	}
}

// How long a hose takes that warms: minutes (estimate).
const (
	pullTauS  = 120.0 // time constant of one that relaxes
	pullEvenS = 180.0 // of flow, of one that goes on evenly
)

// pull returns the hose's force at t, g.
func (r *run) pull(c *runChannel, t int64) float64 {
	if c.pullMore == 0 || t <= r.flowStart {
		return c.pullG
	}
	u := float64(t-r.flowStart) / 1e9
	if c.pullTauS > 0 {
		return c.pullG - c.pullMore*math.Expm1(-u/c.pullTauS)
	}
	return c.pullG + c.pullMore*min(1, u/pullEvenS)
}

// drift returns how far the cell's zero has gone since the run's beginning at t, g.
func (r *run) drift(c *runChannel, t int64) float64 {
	return c.driftGS * float64(max(0, t-r.start)) / 1e9
}

// feed lets the channel's injector flow into it.
func (b *Bench) feed(c *runChannel, idle *idle, hangFactor float64, treated bool) {
	w, inj := &b.w, uint64(c.injector)
	c.rateMLS = w.RatesMLPerMin[c.injector-1] / 60 * idle.factor * hangFactor *
		(1 + w.ResidualSD*bounded(b.rand("residual", idle.number, inj))) / b.clock
	if treated {
		c.rateMLS *= 1 + b.response(c.injector)
	}
	c.phase = 2 * math.Pi * float64(c.injector-1) / float64(len(w.RatesMLPerMin))
	c.sinPhase = math.Sin(c.phase)
	moving := b.hunting(len(idle.shared), w.OwnHuntingSD, "own hunting", idle.number, inj)
	for k := range moving {
		moving[k] += idle.shared[k]
	}
	var lasting []float64
	toSpeed := 1.0
	if e := w.Engine; e != nil {
		share := e.guideShare(c.injector)
		var toRail float64
		toRail, toSpeed = e.sensitivity(c.injector)
		lasting = make([]float64, len(moving))
		for k := range moving {
			lasting[k] = share * idle.thinning[k]
			moving[k] += toRail*idle.rail[k] + toSpeed*idle.speed[k]
		}
	}
	if idle.step != nil {
		if lasting == nil {
			lasting = make([]float64, len(moving))
		}
		for k := range lasting {
			lasting[k] += toSpeed * idle.step[k]
		}
	}
	if lasting != nil {
		for k := range moving {
			moving[k] += lasting[k]
		}
		c.lasting = newSeries(lasting)
	}
	c.moving = newSeries(moving)
}

// hunting returns a stationary AR(1) series of the given relative standard deviation.
func (b *Bench) hunting(points int, sd float64, what string, numbers ...uint64) []float64 {
	rng := b.rand(what, numbers...)
	a := math.Exp(-huntStepS / b.w.Hunting.Seconds())
	h := make([]float64, points)
	x := rng.NormFloat64()
	for k := range h {
		h[k] = sd * x
		x = a*x + math.Sqrt(1-a*a)*rng.NormFloat64()
	}
	return h
}

// runAt returns the run that holds at t, from r on.
func (b *Bench) runAt(r *run, t int64) *run {
	for {
		next := r.next.Load()
		if next == nil && r.end > 0 && t >= r.end {
			next = b.nextRound(r)
		}
		if next == nil || t < next.start {
			return r
		}
		r = next
	}
}

// nextRound begins the round of the loop that follows r, unless another line has.
func (b *Bench) nextRound(r *run) *run {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.loop == nil || b.runs[len(b.runs)-1] != r {
		return r.next.Load()
	}
	next, err := b.begin(b.loop.RunPlan, r.end, b.loop)
	if err != nil {
		return nil // cannot be: the same plan was begun before
	}
	if len(b.runs) > loopRuns {
		b.runs = slices.Clone(b.runs[len(b.runs)-loopRuns:])
	}
	return next
}

// underlying returns the integral of the model without hunting and pulsation, mL,
// over the flow's first u seconds.
func (r *run) underlying(c *runChannel, u float64) float64 {
	return c.rateMLS * (u + r.warm*r.warmTau*math.Expm1(-u/r.warmTau) + c.lasting.integral(u))
}

// integral returns the integral of the whole model, mL, from the engine's flow's start
// to t, which lies in the flow.
func (r *run) integral(c *runChannel, t int64) float64 {
	u := float64(t-r.flowStart) / 1e9
	pulse := r.pulse / r.pulseRadS * (math.Sin(r.pulseRadS*u+c.phase) - c.sinPhase)
	warm := r.warm * r.warmTau * math.Expm1(-u/r.warmTau)
	return c.rateMLS * (u + warm + c.moving.integral(u) + pulse)
}

// sent returns what the channel's injector has sent from the run's start to t, mL.
func (r *run) sent(c *runChannel, t int64) float64 {
	if c.rateMLS == 0 || t <= c.from {
		return 0
	}
	v := r.integral(c, min(t, c.to)) - c.skipped
	if c.leakMLS != 0 {
		v += r.leaked(c, t)
	}
	return v
}

// leaked returns what came of it after the flow's end.
func (r *run) leaked(c *runChannel, t int64) float64 {
	if r.end > 0 {
		t = min(t, r.drain)
	}
	return c.leakMLS * float64(max(0, t-c.to)) / 1e9
}

// delivered returns what has come into the tube from the run's start to t, mL.
func (r *run) delivered(ch int, t int64) float64 {
	c := &r.channels[ch]
	v := r.sent(c, t)
	if c.fx != nil {
		v = c.fx.arrivedOf(v, t)
	}
	return v
}

// tube returns what is in the tube at t, of v mL that have come.
func (r *run) tube(ch int, v float64, t int64) (mL float64) {
	c := &r.channels[ch]
	mL = c.leftML + v
	if r.outlets != nil {
		mL, _ = r.outlets.level(r, ch, t)
	}
	if c.fx != nil {
		mL += c.fx.filmAt(r, t)
	}
	mL = min(mL, r.tubeML)
	if r.end > 0 && t > r.drain {
		left := max(0, float64(r.end-t)/float64(max(1, r.end-r.drain)))
		film := min(r.filmML[ch], mL)
		mL = film + (mL-film)*left
	}
	return mL
}

// grams returns what the tube and the hose put on the cell at t.
func (r *run) grams(ch int, t int64) float64 {
	c := &r.channels[ch]
	v := r.delivered(ch, t)
	g := r.tube(ch, v, t)*r.densityGPerML*(1-r.airPart) + r.pull(c, t) + r.drift(c, t)
	if c.fx != nil {
		g += c.fx.artefactG(r, v, t)
	}
	return g
}

// levelML returns how high the tube stands at t as a volume, gas included.
func (r *run) levelML(ch int, t int64) float64 {
	mL := r.tube(ch, r.delivered(ch, t), t)
	if fx := r.channels[ch].fx; fx != nil {
		mL += fx.foamAt(t)
	}
	return min(mL, r.tubeML)
}

// response is the relative change of an injector's rate where a run is Treated.
func (b *Bench) response(injector int) float64 {
	return max(-1, b.w.Response+b.w.ResponseSD*bounded(b.rand("response", uint64(injector))))
}

// TrueChange returns the change of the set's mean (geometric, over all injectors)
// where a run is Treated, relative: -0.08 is 8 % lower. No measurement may look
// at it.
func (b *Bench) TrueChange() float64 {
	n := len(b.w.RatesMLPerMin)
	sum := 0.0
	for i := range n {
		sum += math.Log1p(b.response(i+1)) / float64(n)
	}
	return math.Expm1(sum)
}

// Truth returns what channel ch should be found to have done between two elapsed
// times, which must lie in one run. No measurement may look at it.
func (b *Bench) Truth(ch int, from, to time.Duration) (Truth, error) {
	l, err := b.line(ch)
	if err != nil {
		return Truth{}, fmt.Errorf("simulated bench: truth: %w", err)
	}
	if to <= from {
		return Truth{}, fmt.Errorf("simulated bench: truth of channel %d from %v to %v: the end must come after the start", ch, from, to)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	i := len(b.runs) - 1
	for i >= 0 && b.runs[i].start > int64(from) {
		i--
	}
	if i < 0 {
		return Truth{}, fmt.Errorf("simulated bench: truth of channel %d from %v: the oldest run remembered begins at %v", ch, from, time.Duration(b.runs[0].start))
	}
	r := b.runs[i]
	if i+1 < len(b.runs) && b.runs[i+1].start < int64(to) {
		return Truth{}, fmt.Errorf("simulated bench: truth of channel %d from %v to %v: the next run begins at %v: give times within one run", ch, from, to, time.Duration(b.runs[i+1].start))
	}
	c := &r.channels[ch]
	steady := func(t time.Duration) float64 {
		u := float64(max(c.from, min(int64(t), c.to))-r.flowStart) / 1e9
		return r.underlying(c, u) + r.leaked(c, int64(t))
	}
	came := r.delivered(ch, int64(to)) - r.delivered(ch, int64(from))
	end := r.tube(ch, r.delivered(ch, int64(to)), int64(to)) * r.densityGPerML
	x := Truth{
		Injector:      c.injector,
		RateMLPerMin:  (steady(to) - steady(from)) / (to - from).Minutes() * b.clock,
		VolumeML:      came,
		LostML:        r.sent(c, int64(to)) - r.sent(c, int64(from)) - came,
		MassG:         end,
		LevelML:       r.levelML(ch, int64(to)),
		FlowStart:     time.Duration(c.from),
		FlowEnd:       time.Duration(c.to),
		DensityGPerML: r.densityGPerML,
		CountsPerGram: l.chip.cell.span,
		ZeroCounts:    l.chip.cell.zero,
		PullG:         r.pull(c, int64(to)),
		DriftG:        r.drift(c, int64(to)),
		AirG:          -r.airPart * end,
		Period:        time.Duration(l.chip.period),
	}
	if c.fx != nil {
		x.Faults = slices.Clone(c.fx.truth)
		x.ArtefactG = c.fx.artefactG(r, r.delivered(ch, int64(to)), int64(to))
	}
	return x, nil
}
