package simbench

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/gpio"

	"brimline/rig"
)

// Options shape a Bench; the zero value has six channels at 80 SPS, runs as fast as
// it can, and has DefaultWorld behind it.
type Options struct {
	Seed     uint64
	Channels int     // how many chips, cells and tubes; default 6, at most 64
	SPS      int     // nominal rate of the chips: 80 (default) or 10
	Pace     float64 // virtual seconds per real second: 1 is real time, 0 as fast as possible
	World    *World  // nil: DefaultWorld()
	// Clocks[ch] is the number of the clock line that channel ch hangs on, any number:
	// channels of one number share it. nil: each channel has one of its own.
	Clocks []int
	// Counts, if set, replaces the cells: it gives the value of the channel's nth
	// conversion, from 1, at a gain. For tests of drivers, which need to know every bit.
	Counts func(channel int, n uint64, gain int) int32
	// PinOp is how long a pin operation, or a look at the clock, takes; default 1 us, at
	// most 50. Through a kernel it was measured to take 4 to 12 us on an emulated board.
	PinOp time.Duration
	// Paces[ch] is the real over the nominal rate of channel ch's chip, 0.5 to 2. nil:
	// drawn, each its own.
	Paces []float64
}

// Bench is the simulated bench. It is a rig.Clock that any goroutine may read; the
// clock of a Line belongs to that line's driver alone.
type Bench struct {
	o Options
	w World

	clock float64 // true seconds in a second of the board's
	buses []*i2cBus

	now  atomic.Int64 // ns; the newest moment at which a line was woken
	wall time.Time    // real time at elapsed zero, for Pace

	mu      sync.Mutex
	lines   []*Line // one for each channel
	times   []*timeline
	active  int       // timelines being read
	running int       // of these, those that are not waiting
	turn    *timeline // the one that runs; nil while none is being read
	runs    []*run
	starts  uint64 // runs begun so far
	loop    *LoopPlan
}

const maxChannels = 64

// New returns a bench that was powered on just now, with empty tubes and no flow.
func New(o Options) (*Bench, error) {
	if o.Channels == 0 {
		o.Channels = 6
	}
	if o.SPS == 0 {
		o.SPS = 80
	}
	switch {
	case o.Channels < 1 || o.Channels > maxChannels:
		return nil, fmt.Errorf("simulated bench: %d channels: use 1 to %d", o.Channels, maxChannels)
	case o.SPS != 80 && o.SPS != 10:
		return nil, fmt.Errorf("simulated bench: %d SPS: use 80 or 10", o.SPS)
	case o.PinOp < 0 || o.PinOp > maxPinOp:
		return nil, fmt.Errorf("simulated bench: a pin operation of %v: use up to %v, or 0 for %v", o.PinOp, maxPinOp, usualPinOp)
	case o.Pace < 0 || math.IsNaN(o.Pace) || math.IsInf(o.Pace, 0):
		return nil, fmt.Errorf("simulated bench: pace %g: use 1 for real time or 0 for as fast as possible", o.Pace)
	}
	if o.Clocks != nil && len(o.Clocks) != o.Channels {
		return nil, fmt.Errorf("simulated bench: %d clock lines named for %d channels: name one for each", len(o.Clocks), o.Channels)
	}
	if o.PinOp == 0 {
		o.PinOp = usualPinOp
	}
	if o.Paces != nil && len(o.Paces) != o.Channels {
		return nil, fmt.Errorf("simulated bench: %d paces named for %d channels: name one for each", len(o.Paces), o.Channels)
	}
	for i, pace := range o.Paces {
		if !(pace >= 0.5 && pace <= 2) {
			return nil, fmt.Errorf("simulated bench: channel %d converts at %g times its nominal rate: use 0.5 to 2", i, pace)
		}
	}
	w := DefaultWorld()
	if o.World != nil {
		w = *o.World
	}
	if err := w.resolve(); err != nil {
		return nil, fmt.Errorf("simulated bench: %w", err)
	}
	b := &Bench{o: o, w: w, wall: time.Now()}
	b.clock = 1 + w.TimeBasePPM*1e-6*(2*b.rand("time base").Float64()-1)
	b.runs = []*run{b.stillRun()}
	shared := map[int]*timeline{}
	for i := range o.Channels {
		var tl *timeline
		if o.Clocks != nil {
			tl = shared[o.Clocks[i]]
		}
		if tl == nil {
			tl = b.newTimeline(i)
			if o.Clocks != nil {
				shared[o.Clocks[i]] = tl
			}
		}
		b.lines = append(b.lines, newLine(b, i, tl))
	}
	return b, nil
}

// Channels returns how many lines the bench has.
func (b *Bench) Channels() int { return len(b.lines) }

// Now returns the bench's elapsed time. It may be called from any goroutine.
func (b *Bench) Now() time.Duration { return time.Duration(b.now.Load()) }

// Line returns the pins of channel i's chip, and the clock for its driver, which
// only the goroutine that uses the driver may read. Channels that share a clock line
// share the pin sck and the clock. It panics if there is no such channel.
func (b *Bench) Line(i int) (sck gpio.PinOut, dout gpio.PinIn, clk rig.Clock) {
	l := b.lines[i]
	return &l.sck, &l.dout, l.timeline
}

// Advance moves the clock on by d, as time goes by between runs. It is an error while
// a line is being read.
func (b *Bench) Advance(d time.Duration) error {
	if d < 0 {
		return fmt.Errorf("simulated bench: advance by %v: time does not run backwards", d)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.active > 0 {
		return fmt.Errorf("simulated bench: advance by %v: %d channels are being read: stop them first", d, b.active)
	}
	b.now.Add(int64(d))
	b.wall = b.wall.Add(-b.real(int64(d))) // with a pace, the time leapt over is not slept through
	return nil
}

// real returns how long a virtual time takes; 0 without a pace.
func (b *Bench) real(ns int64) time.Duration {
	if b.o.Pace == 0 {
		return 0
	}
	return time.Duration(float64(ns) / b.o.Pace)
}

// Fault is what may be wrong with one channel's wiring.
type Fault struct {
	// Unplugged: no chip answers; the pull-up holds DOUT high. Plugging it in again
	// powers the chip up anew.
	Unplugged bool
	// Hung: the chip has its power and answers its clock, but no conversion ends.
	Hung bool
	// Stuck: every conversion gives the code of the one before.
	Stuck bool
	// StallsPerOp is the chance that the driver loses the processor at a pin
	// operation or a look at the clock, for 10 us to 30 ms (log-uniform, assumed). A
	// read makes about 140 of them. On a shared clock line the largest counts.
	StallsPerOp float64
	// Kind is a wiring fault by name, with its Severity, from now on; "": none.
	Kind     FaultKind
	Severity float64

	wires *wires // of Kind
}

// SetFault sets what is wrong with a channel's wiring from now on. While the channel
// is being read it takes effect at once, at a moment that depends on the machine.
func (b *Bench) SetFault(channel int, f Fault) error {
	l, err := b.line(channel)
	if err != nil {
		return fmt.Errorf("simulated bench: set a fault: %w", err)
	}
	if f.StallsPerOp < 0 || f.StallsPerOp > 1 || math.IsNaN(f.StallsPerOp) {
		return fmt.Errorf("simulated bench: set a fault: %g stalls an operation: use 0 to 1", f.StallsPerOp)
	}
	if f.Kind != "" {
		info, err := f.Kind.info()
		if err == nil && !info.Wiring {
			err = fmt.Errorf("%s is no fault of the wiring: plan it in a run", f.Kind)
		}
		if err == nil {
			err = checkSeverity(f.Severity)
		}
		if err != nil {
			return fmt.Errorf("simulated bench: set a fault: %w", err)
		}
		f.wires = &wires{}
		f.wires.set(f.Kind, f.Severity*info.Full, b.now.Load())
	}
	l.fault.Store(&f)
	return nil
}

func (b *Bench) line(channel int) (*Line, error) {
	if channel < 0 || channel >= len(b.lines) {
		return nil, fmt.Errorf("there is no channel %d: the bench has 0 to %d", channel, len(b.lines)-1)
	}
	return b.lines[channel], nil
}

// Line is one channel: a chip with its data line, on a clock line of its own or a
// shared one.
type Line struct {
	*timeline
	b     *Bench
	index int
	dout  doutPin
	chip  chip
	i2c   *i2cSupply // of the chip on a bus that stands in its place; nil: none
	fault atomic.Pointer[Fault]

	// Record's.
	seq      uint64     // samples made
	settle   int        // of them yet to come that settle
	spoiling *rand.Rand // nil: no read was in danger yet
	sender   *ads1115   // whose input has the channel's sender; nil: it has a cell
	input    int
}

// timeline is one clock line with a time of its own, which whoever drives it moves
// on. It is the rig.Clock for the driver.
type timeline struct {
	bench *Bench
	sck   sckPin
	lines []*Line // that hang on it

	// Touched by the driver's goroutine only.
	t       int64 // ns
	rng     *rand.Rand
	stalls  float64 // StallsPerOp that toStall was drawn for
	toStall int64   // operations left until the next stall

	// Guarded by bench.mu.
	active, waiting, called bool
	wake                    int64
	grant                   chan struct{} // one token: it is this line's turn
}

const (
	usualPinOp = time.Microsecond
	maxPinOp   = 50 * time.Microsecond
)

const (
	wakeNs    = 20_000 // from an edge to the driver's next instruction, at least (assumed)
	wakeSlack = 80_000 // and at most this much more (assumed)
	forever   = int64(1 << 62)
)

// newTimeline makes the clock line whose first channel is first.
func (b *Bench) newTimeline(first int) *timeline {
	tl := &timeline{bench: b, rng: b.rand("line", uint64(first)), toStall: math.MaxInt64, grant: make(chan struct{}, 1)}
	tl.sck = sckPin{pin{tl, fmt.Sprintf("SIM_SCK%d", first), 2 * first}}
	b.times = append(b.times, tl)
	return tl
}

func newLine(b *Bench, i int, tl *timeline) *Line {
	l := &Line{timeline: tl, b: b, index: i}
	tl.lines = append(tl.lines, l)
	l.fault.Store(&Fault{})
	l.dout = doutPin{pin: pin{tl, fmt.Sprintf("SIM_DOUT%d", i), 2*i + 1}, c: &l.chip}
	l.chip.init(l)
	return l
}

// rand returns a source that depends on the seed and the words alone, so that what
// is drawn for one thing does not shift what is drawn for another.
func (b *Bench) rand(what string, numbers ...uint64) *rand.Rand {
	h := uint64(14695981039346656037) // FNV-1a
	mix := func(x uint64) {
		for range 8 {
			h = (h ^ x&0xff) * 1099511628211
			x >>= 8
		}
	}
	for _, c := range []byte(what) {
		mix(uint64(c))
	}
	for _, n := range numbers {
		mix(n)
	}
	return rand.New(rand.NewPCG(b.o.Seed, h))
}

// Now returns the line's time, and takes a little of it.
func (l *timeline) Now() time.Duration { return time.Duration(l.op()) }

// op spends the time of one operation and returns the moment of its effect.
func (l *timeline) op() int64 {
	l.t += int64(l.bench.o.PinOp)
	if l.toStall--; l.toStall <= 0 {
		const least, most = 10e3, 30e6 // ns
		l.t += int64(least * math.Pow(most/least, l.rng.Float64()))
		l.drawStall()
	}
	return l.t
}

func (l *timeline) drawStall() {
	l.toStall = math.MaxInt64
	if l.stalls > 0 {
		l.toStall = 1 + int64(l.rng.ExpFloat64()/l.stalls)
	}
}

// catchUp draws the next stall anew when a fault has changed.
func (l *timeline) catchUp() {
	stalls := 0.0
	for _, x := range l.lines {
		stalls = max(stalls, x.fault.Load().StallsPerOp, x.stallsPerOp(l.t))
	}
	if stalls != l.stalls {
		l.stalls = stalls
		l.drawStall()
	}
}

// wait lets other lines run until it is this line's turn at time until. It returns
// false if the line was given up meanwhile.
func (l *timeline) wait(until int64) bool {
	b := l.bench
	b.mu.Lock()
	if !l.active {
		b.mu.Unlock()
		return false
	}
	l.wake, l.waiting = until, true
	b.running--
	if b.dispatch() == l {
		<-l.grant
		b.mu.Unlock()
	} else {
		b.mu.Unlock()
		<-l.grant
	}
	if l.called {
		l.called = false
		return false
	}
	if b.o.Pace > 0 {
		// The line holds its turn meanwhile: the others wake later than it.
		time.Sleep(time.Until(b.wall.Add(b.real(until))))
	}
	l.t = max(l.t, until)
	return true
}

// dispatch gives the turn to the line that wakes first, if no line is running. It
// returns that line, or nil. b.mu is held.
func (b *Bench) dispatch() *timeline {
	if b.running > 0 || b.active == 0 {
		return nil
	}
	var next *timeline
	for _, l := range b.times {
		if l.waiting && (next == nil || l.wake < next.wake) {
			next = l
		}
	}
	next.waiting = false
	b.turn = next
	b.running++
	b.now.Store(max(b.now.Load(), next.wake))
	next.grant <- struct{}{}
	return next
}

// begin counts the line as being read, from the bench's present time on.
func (l *timeline) begin() {
	b := l.bench
	b.mu.Lock()
	defer b.mu.Unlock()
	if l.active {
		return
	}
	if b.active == 0 && b.o.Pace > 0 { // real time went by while nothing was read
		b.now.Store(max(b.now.Load(), int64(float64(time.Since(b.wall))*b.o.Pace)))
	}
	l.active = true
	b.active++
	b.running++
	l.t = max(l.t, b.now.Load())
}

// end takes the line out of the count, and wakes its driver if it waits.
func (l *timeline) end() {
	b := l.bench
	b.mu.Lock()
	defer b.mu.Unlock()
	if !l.active {
		return
	}
	l.active = false
	b.active--
	if b.turn == l {
		b.turn = nil
	}
	if l.waiting {
		l.waiting, l.called = false, true
		l.grant <- struct{}{}
	} else {
		b.running--
	}
	if b.active == 0 { // the bench's time is that of the line that got furthest
		for _, l := range b.times {
			b.now.Store(max(b.now.Load(), l.t))
		}
	}
	b.dispatch()
}

var _ rig.Clock = (*Bench)(nil)
