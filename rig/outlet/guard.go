package outlet

import (
	"fmt"
	"math"
	"sync"
	"time"

	"brimline/rig"
)

// What the guard goes by. Times are on the samples' clock.
const (
	FullPart = 0.85 // of its capacity no tube passes; common practice, no source

	// The guard acts this much below FullPart, so that what still comes while it makes
	// sure does not pass it: 1 mL a second is 60 mL/min.
	earlyML   = 1.0
	earlyPart = 0.01 // of the capacity, where that is more

	agree     = 400 * time.Millisecond // readings above must outweigh those below by this
	agreeMost = 150 * time.Millisecond // what one reading may weigh: at least three must agree
	lostAfter = 2 * time.Second        // without a good reading a level is not known
	agreeTop  = 600 * time.Millisecond // more than this is not remembered

	block = time.Second // levels are means over it

	riseML     = 0.3 // above where it began, and no block falling back: the level rises
	riseSlack  = 0.05
	riseBlocks = 3   // a knock may lie across two
	anchorML   = 0.3 // a smaller rise may be noise and drips
	plateauML  = 2.0 // should have come and did not: this much may be spilt
	plateauMin = 4 * time.Second
	establish  = 5.0 // mL collected before a plateau means anything; an air slug hides 0.5 mL
	stillML    = 0.1 // a level that moves less is still
)

// Tube is what the guard must know of a channel under watch: plain numbers, of its
// calibration and its fuel.
type Tube struct {
	Channel       int    // index in the samples
	Name          string // for messages
	ZeroCounts    float64
	CountsPerGram float64
	DensityGPerML float64 // when it is not known: a low one, which makes levels too high, not too low
	CapacityML    float64
	Coarse        bool // a converter of 16 bits, say, which may repeat a code for ever

	// VolumeML turns counts into mL where that is no straight line, as with a level sender;
	// CountsPerGram and DensityGPerML are then not looked at. It goes on beyond what is
	// known of the tube, so that a tube that is too full is seen as such.
	VolumeML func(counts float64) float64
}

// Cause is why the guard wants a run to stop, or sounds the alarm.
type Cause string

const (
	Full      Cause = "full"       // a tube is at the limit
	Lost      Cause = "lost"       // a channel gives no good readings, or one code only: its level is not known
	Plateau   Cause = "plateau"    // a tube rises no more while others do: it may run over
	FlowEnded Cause = "flow-ended" // no tube rises any more
	Rising    Cause = "rising"     // a tube rises although the flow was taken off it
)

// word is the cause's place in what a tube was told of.
func (c Cause) word() int {
	switch c {
	case Rising:
		return 1
	case Full:
		return 2
	}
	return 0
}

// Stop is the guard's word. It is an error, so that a Sink can end an acquisition.
type Stop struct {
	Cause      Cause
	Channel    int
	Name       string
	At         time.Duration // elapsed
	LevelML    float64       // as far as known
	CapacityML float64
	ForS       float64 // Lost, Plateau, FlowEnded: for how long, s
	Stuck      bool    // Lost: its converter gives one code again and again
}

func (s *Stop) Error() string {
	switch s.Cause {
	case Full:
		return fmt.Sprintf("%s holds %.1f mL and may hold %.1f mL (%.0f %% of its %g mL): empty it, and use a larger tube or a shorter run", s.Name, s.LevelML, FullPart*s.CapacityML, 100*FullPart, s.CapacityML)
	case Lost:
		if s.Stuck {
			return fmt.Sprintf("%s has given the same code for %.1f s, which a living cell never does, so its level (last %.1f mL) is not known: switch its converter's supply off and on", s.Name, s.ForS, s.LevelML)
		}
		return fmt.Sprintf("%s has given no good reading for %.1f s, so its level (last %.1f mL) is not known: check its plug and its converter", s.Name, s.ForS, s.LevelML)
	case Plateau:
		return fmt.Sprintf("%s has not risen for %.0f s at %.1f mL while other tubes do: it may be running over (is capacity_ml = %g right?) or its hose is blocked: look at it now", s.Name, s.ForS, s.LevelML, s.CapacityML)
	case FlowEnded:
		return fmt.Sprintf("no tube has risen for %.0f s: the flow has ended; the engine may have stopped", s.ForS)
	case Rising:
		return fmt.Sprintf("%s STILL RISES, it holds %.1f of %g mL: STOP THE ENGINE or take the hose off the tube now; its valve may be stuck", s.Name, s.LevelML, s.CapacityML)
	}
	return string(s.Cause)
}

// Guard turns counts into levels and says when a run must stop. It implements
// rig.Sink; its methods may be called from any goroutine. Per sample it costs a fixed
// time that grows with the number of tubes alone, and allocates nothing.
//
// A level is the calibration's volume, (counts - zero) / (counts per gram x density),
// or the rise since Begin where the tube read below zero then. Single readings decide
// nothing: those above the limit must outweigh those below by 0.4 s of readings, at
// least three, so that a knock or a misread stops no run and a full tube stops it
// in under 1 s.
type Guard struct {
	mu    sync.Mutex
	tubes []tube
	by    []int // tube's index by channel; -1: not under watch
	phase phase
	since time.Duration // of the phase
	grace time.Duration // of the phase released
	now   time.Duration // newest elapsed time of a sample
}

type phase uint8

const (
	idle phase = iota
	collecting
	released
)

type tube struct {
	Tube
	mLPerCount float64
	actML      float64
	told       [3]bool // what was said since Begin: plateau or lost; rising; full

	heard time.Duration // of the newest good reading, or when the phase began
	good  time.Duration // the same, of one whose code was not that of the reading before
	code  int32         // of the newest good reading
	above time.Duration // weight of the readings over actML, less those below

	blockAt  time.Duration
	blockSum float64
	blockN   int
	known    bool // levelML holds
	levelML  float64
	before   float64 // levelML of the block before
	liftML   float64 // what is added to the calibration's volume: the tube read below zero
	movedML  float64 // level at movedAt
	movedAt  time.Duration
	based    bool // baseML holds
	baseML   float64
	rises    int // blocks in turn that are above the mark and do not fall back
	flowing  bool
	flowAt   time.Duration
	flowML   float64
	anchorAt time.Duration // when the level last rose by anchorML
	anchorML float64
	refKnown bool // refML holds
	refML    float64
}

// NewGuard returns a guard of the tubes, at rest: it follows levels and stops nothing
// until Begin.
func NewGuard(tubes ...Tube) (*Guard, error) {
	g := &Guard{}
	for _, t := range tubes {
		switch {
		case t.Channel < 0 || t.Channel > 1000:
			return nil, fmt.Errorf("guard of %s: channel %d: channels count from 0", t.Name, t.Channel)
		case t.VolumeML != nil:
		case !(math.Abs(t.CountsPerGram) > 0) || math.IsInf(t.CountsPerGram, 0) || math.IsNaN(t.ZeroCounts) || math.IsInf(t.ZeroCounts, 0):
			return nil, fmt.Errorf("guard of %s: calibration zero %g counts, %g counts/g: calibrate the channel", t.Name, t.ZeroCounts, t.CountsPerGram)
		case !(t.DensityGPerML > 0.1 && t.DensityGPerML < 20):
			return nil, fmt.Errorf("guard of %s: density %g g/mL: give the fuel's, about 0.83", t.Name, t.DensityGPerML)
		}
		switch {
		case !(t.CapacityML > 2*earlyML) || math.IsInf(t.CapacityML, 0):
			return nil, fmt.Errorf("guard of %s: capacity %g mL: give what the tube holds to its brim, above %g mL", t.Name, t.CapacityML, 2*earlyML)
		}
		for len(g.by) <= t.Channel {
			g.by = append(g.by, -1)
		}
		if g.by[t.Channel] >= 0 {
			return nil, fmt.Errorf("guard of %s: channel %d is under watch already as %s", t.Name, t.Channel, g.tubes[g.by[t.Channel]].Name)
		}
		g.by[t.Channel] = len(g.tubes)
		g.tubes = append(g.tubes, tube{Tube: t, mLPerCount: 1 / (t.CountsPerGram * t.DensityGPerML),
			actML: FullPart*t.CapacityML - max(earlyML, earlyPart*t.CapacityML)})
	}
	return g, nil
}

// Begin puts the guard on at an elapsed time: from now on tubes collect. Levels as of
// the block before are the start's.
func (g *Guard) Begin(at time.Duration) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.phase, g.since = collecting, at
	for i := range g.tubes {
		t := &g.tubes[i]
		t.told = [3]bool{}
		t.heard, t.good, t.above, t.flowing, t.rises = at, at, 0, false, 0
		t.based, t.baseML, t.liftML = t.known, t.levelML, 0
		if t.known && t.levelML < 0 {
			t.liftML = -t.levelML
		}
		t.startBlock(at)
	}
}

// Released tells the guard that the flow was taken off every tube. A level that still
// rises after the grace is told by Put as a *Stop with cause Rising, once for
// each tube: give the time that films and drips (2 s), or a person, may take. A tube
// that comes to the limit meanwhile is told of as Full.
func (g *Guard) Released(at, grace time.Duration) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.phase, g.since, g.grace = released, at, grace
	for i := range g.tubes {
		t := &g.tubes[i]
		t.told[1] = false
		t.refKnown, t.rises = false, 0
		t.movedAt, t.movedML = at, t.levelML
	}
}

// Rest takes the guard off; levels are still followed.
func (g *Guard) Rest() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.phase = idle
}

// LevelML is a channel's level as the mean of the last whole second, mL; NaN when it is
// not known.
func (g *Guard) LevelML(channel int) float64 {
	g.mu.Lock()
	defer g.mu.Unlock()
	if channel < 0 || channel >= len(g.by) || g.by[channel] < 0 || !g.tubes[g.by[channel]].known {
		return math.NaN()
	}
	return g.tubes[g.by[channel]].levelML
}

// Flow reports since when fuel is seen to flow into any tube in this Begin; false when
// none does.
func (g *Guard) Flow() (time.Duration, bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	first, any := time.Duration(0), false
	for i := range g.tubes {
		if t := &g.tubes[i]; t.flowing && (!any || t.flowAt < first) {
			first, any = t.flowAt, true
		}
	}
	return first, any
}

// Knows reports whether a channel's level is known: it has given a good reading, and not
// the same code again and again, within the last 2 s.
func (g *Guard) Knows(channel int) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if channel < 0 || channel >= len(g.by) || g.by[channel] < 0 {
		return false
	}
	return g.now-g.tubes[g.by[channel]].good <= lostAfter
}

// StillSince returns the elapsed time since when no tube has moved by 0.1 mL or more,
// not before Released.
func (g *Guard) StillSince() time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	last := g.since
	for i := range g.tubes {
		last = max(last, g.tubes[i].movedAt)
	}
	return last
}

// Put takes samples as a rig.Sink does. The error is a *Stop: from Begin on each
// tube is told of once as Full, once as Lost or at a standstill, and after Released once
// as Rising. A caller that goes on
// after it may.
func (g *Guard) Put(samples []rig.Sample) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	var stop *Stop
	for i := range samples {
		s := &samples[i]
		g.now = max(g.now, s.Elapsed)
		if s.Channel < 0 || s.Channel >= len(g.by) || g.by[s.Channel] < 0 {
			continue
		}
		t := &g.tubes[g.by[s.Channel]]
		switch found := g.take(t, s); {
		case stop == nil:
			stop = found
		case found != nil: // one at a time: this one is told by the tube's next samples
			t.told[found.Cause.word()] = false
		}
	}
	if g.phase == collecting && stop == nil {
		stop = g.lost()
	}
	if stop != nil {
		return stop
	}
	return nil
}

// lost looks for a channel without good readings. Any channel's samples will do to
// notice: the one that is lost may give none.
func (g *Guard) lost() *Stop {
	for i := range g.tubes {
		t := &g.tubes[i]
		if silent := g.now - t.good; silent > lostAfter && !t.told[0] {
			t.told[0] = true
			stop := t.stop(Lost, g.now, silent)
			stop.Stuck = g.now-t.heard < lostAfter
			return stop
		}
	}
	return nil
}

func (t *tube) stop(c Cause, at, lasted time.Duration) *Stop {
	return &Stop{Cause: c, Channel: t.Channel, Name: t.Name, At: at, LevelML: t.levelML, CapacityML: t.CapacityML, ForS: lasted.Seconds()}
}

func (t *tube) startBlock(at time.Duration) { t.blockAt, t.blockSum, t.blockN = at, 0, 0 }

func (t *tube) volume(counts int32) float64 {
	if t.VolumeML != nil {
		return t.VolumeML(float64(counts))
	}
	return (float64(counts) - t.ZeroCounts) * t.mLPerCount
}

func (g *Guard) take(t *tube, s *rig.Sample) *Stop {
	var mL float64
	switch s.Quality {
	case rig.Good:
		mL = t.volume(s.Counts) + t.liftML
	case rig.Saturated:
		// At the upper end the tube is fuller than can be told; the lower end is no level.
		if mL = t.volume(s.Counts); mL < t.actML {
			return nil
		}
	default:
		return nil
	}
	since := max(0, s.Elapsed-t.heard)
	t.heard = max(t.heard, s.Elapsed)
	// The same code again is no sign that the converter lives.
	if t.Coarse || s.Quality == rig.Saturated || s.Counts != t.code {
		t.good = t.heard
	}
	t.code = s.Counts
	if g.phase != idle {
		weight := min(since, agreeMost)
		if mL < t.actML {
			weight = -weight
		}
		t.above = max(0, min(t.above+weight, agreeTop))
		if t.above >= agree && !t.told[2] {
			t.told[2] = true
			stop := t.stop(Full, s.Elapsed, 0)
			stop.LevelML = mL
			return stop
		}
	}
	if t.blockN == 0 && t.blockSum == 0 {
		t.blockAt = s.Elapsed
	}
	t.blockSum += mL
	t.blockN++
	if s.Elapsed-t.blockAt < block {
		return nil
	}
	return g.endBlock(t, s.Elapsed)
}

// endBlock takes the mean of a second of readings for the level.
func (g *Guard) endBlock(t *tube, at time.Duration) *Stop {
	t.before, t.levelML = t.levelML, t.blockSum/float64(t.blockN)
	t.startBlock(at)
	if !t.known {
		t.known, t.before = true, t.levelML
	}
	if math.Abs(t.levelML-t.movedML) >= stillML {
		t.movedAt, t.movedML = at, t.levelML
	}
	switch g.phase {
	case collecting:
		return g.rise(t, at)
	case released:
		return g.stillRising(t, at)
	}
	return nil
}

// rise follows a tube that collects: whether fuel flows into it, and when it last rose.
func (g *Guard) rise(t *tube, at time.Duration) *Stop {
	if !t.based {
		t.based, t.baseML = true, t.levelML
		return nil
	}
	if !t.flowing {
		if t.risesFrom(t.baseML) {
			t.flowing = true
			t.flowAt, t.flowML = at, t.levelML
			t.anchorAt, t.anchorML = at, t.levelML
		}
		return nil
	}
	// A level that falls back was disturbed, and counts anew from where it is.
	if t.levelML >= t.anchorML+anchorML || t.levelML < t.anchorML-anchorML {
		t.anchorAt, t.anchorML = at, t.levelML
		return nil
	}
	flat, collected := at-t.anchorAt, t.anchorML-t.flowML
	rate := collected / (t.anchorAt - t.flowAt).Seconds() // mL/s; of no use before enough is collected
	if t.told[0] || collected < establish || flat < plateauMin || rate*flat.Seconds() < plateauML+anchorML {
		return nil
	}
	t.told[0] = true
	cause := FlowEnded
	for i := range g.tubes {
		if o := &g.tubes[i]; o != t && o.flowing && at-o.anchorAt < flat/2 {
			cause = Plateau
		}
	}
	if cause == FlowEnded && len(g.tubes) == 1 {
		cause = Plateau // nothing to compare it with: look
	}
	return t.stop(cause, at, flat)
}

// risesFrom reports whether the last blocks show that the level rises from a mark.
func (t *tube) risesFrom(markML float64) bool {
	if t.levelML < markML+riseML || t.levelML < t.before-riseSlack {
		t.rises = 0
		return false
	}
	t.rises++
	return t.rises >= riseBlocks
}

// stillRising follows a tube that the flow was taken off.
func (g *Guard) stillRising(t *tube, at time.Duration) *Stop {
	if at < g.since+g.grace+block {
		return nil // this block reached into the grace
	}
	if !t.refKnown || t.levelML < t.refML-riseML {
		t.refKnown, t.refML, t.rises = true, t.levelML, 0
		return nil
	}
	if !t.risesFrom(t.refML) || t.told[1] {
		return nil
	}
	t.told[1] = true
	return t.stop(Rising, at, at-g.since)
}

var _ rig.Sink = (*Guard)(nil)
