// Package hx711 reads load cells through HX711 converters (AVIA Semiconductor,
// "HX711, 24-Bit Analog-to-Digital Converter (ADC) for Weigh Scales", data sheet
// without revision number): a Sensor has a clock line and a data line of its own,
// a Shared is several chips on one clock line.
//
// It is the driver that real boards and the simulated bench share: it sees pins
// and a clock, never a board.
//
//	s, err := hx711.New(sck, dout, clk, hx711.Options{SPS: 80})
//	err = rig.Acquire(ctx, []rig.Sensor{s}, sink, rig.AcquireOptions{})
//
// # What the data sheet asks
//
//	PD_SCK high    0.2 to 50 us; over 60 us powers the chip down (it then wakes with
//	               channel A, gain 128)
//	PD_SCK low     at least 0.2 us
//	DOUT           high: no new conversion; falls when one is ready; data change at
//	               PD_SCK's rising edge, MSB first, and are read after its fall;
//	               pulse 25 drives DOUT high
//	pulses         25: A, gain 128 next; 26: B, gain 32; 27: A, gain 64
//	settling       400 ms at 10 SPS, 50 ms at 80 SPS, after power-up, reset or a
//	               change of channel or gain
//	ends of range  0x7FFFFF and 0x800000
//
// # Why a reading can be trusted
//
// A user-space program can lose the processor at any moment. Four rules make such
// a reading a Misread instead of a wrong value:
//
//  1. Overrun: the clock is read after every pulse (every few, where pins are quick); with
//     over 50 us between, the chip may have been reset.
//  2. Slip: after the last pulse DOUT must be high, or the bits are not where they
//     were thought to be.
//  3. Phase: a conversion that ends inside a read shifts the bits. The driver knows
//     when it last saw DOUT high: the next conversion but one cannot end sooner
//     than the shortest period after it, and the read must be over by then.
//  4. All ones (-1) is what a line that nobody drives gives: a fault, not data.
//
// After a broken rule of the first three the chip's state is not known, so it is
// made known: the chip is reset on purpose and its next four conversions are marked
// Settling. The driver counts what it discarded and why; see Misreads.
//
// Not seen is a plug pulled in the middle of a read (0.3 ms of every 12.5 ms): ones
// take the place of the bits still to come. The readings after it say Stalled.
package hx711

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/gpio"

	"brimline/rig"
)

const (
	maxHigh      = 50 * time.Microsecond // data sheet, table 3: T3
	resetHigh    = 80 * time.Microsecond // over 60 us, with a margin
	resetSettle  = 4                     // conversions in the data sheet's settling time: 400 ms at 10 SPS
	fastestBoard = 1.25                  // real over nominal rate; measured on boards: 0.96 to 1.19
	maxWait      = 100 * time.Millisecond
	maxSpins     = 1_000_000
	earlyLimit   = 3                     // waits in a row that give up before their time
	quickPulses  = 12 * time.Microsecond // pulses that take no longer together share a look at the clock
	mostPulses   = 4
	fastLimit    = 3 // conversions in a row found ready before they can be
)

// Options tune a Sensor; the zero value is a chip on channel A at gain 128 with its
// RATE pin tied high.
type Options struct {
	// Gain is 128 (default) or 64 for channel A, or 32 for channel B.
	Gain int
	// SPS is the nominal rate, as the RATE pin is tied: 80 (default) or 10. Real
	// chips give 0.96 to 1.19 times as much.
	SPS int
	// Settle is how many conversions after power-up are marked Settling. Default:
	// those of the first half second, 40 at 80 SPS and 5 at 10 SPS (the reading of a
	// cell just powered was measured to fall by 1050 counts with a time constant of
	// 0.2 s). Negative: as few as the data sheet's settling time asks for.
	Settle int
	// Timeout is how long one Read waits for a conversion before it says Stalled or
	// Absent. Default: 500 ms at 80 SPS, 1 s at 10 SPS. Least: 100 ms and 600 ms, so
	// that a chip that was just reset is not called dead.
	Timeout time.Duration
	// Together, for a Shared: reads its data pins, in their order, in one operation. Whoever gives it has made them inputs with pull-up. nil: each pin is
	// read by itself, which takes so much longer that it may disturb chips on a slow board.
	Together Lines
}

// Lines is several input pins that are read at once; a gpio.Group is one.
type Lines interface {
	// Read returns the levels of the pins in the mask, bit 0 the first's.
	Read(mask gpio.GPIOValue) (gpio.GPIOValue, error)
	Halt() error
}

func (o *Options) check() error {
	switch o.Gain {
	case 0:
		o.Gain = 128
	case 128, 64, 32:
	default:
		return fmt.Errorf("gain %d: use 128 or 64 (channel A) or 32 (channel B)", o.Gain)
	}
	least := 100 * time.Millisecond
	settle, timeout := 40, 500*time.Millisecond
	switch o.SPS {
	case 0:
		o.SPS = 80
	case 80:
	case 10:
		least = 600 * time.Millisecond
		settle, timeout = 5, time.Second
	default:
		return fmt.Errorf("rate %d SPS: use 80 (RATE pin high) or 10 (RATE pin low)", o.SPS)
	}
	switch {
	case o.Settle == 0:
		o.Settle = settle
	case o.Settle < resetSettle:
		o.Settle = resetSettle
	}
	switch {
	case o.Timeout == 0:
		o.Timeout = timeout
	case o.Timeout < least:
		return fmt.Errorf("timeout %v: at %d SPS at least %v is needed, or leave it 0 for %v", o.Timeout, o.SPS, least, timeout)
	}
	return nil
}

// Misreads counts discarded readings by the rule they broke (see the package's doc).
type Misreads struct {
	Overrun uint64 // a clock pulse was high for more than 50 us
	Slipped uint64 // DOUT was low after the last pulse
	Late    uint64 // a conversion may have ended inside the read
	AllOnes uint64 // the value was -1
	TooFast uint64 // conversions come faster than Options.SPS allows: how is RATE tied?
}

// Sensor is one HX711. It implements rig.Sensor and rig.Starter.
type Sensor struct {
	clockLine
	chip chip
}

// clockLine is a clock line and how the chips on it are read.
type clockLine struct {
	sck  gpio.PinOut
	clk  rig.Clock
	o    Options
	name string

	pulses        int
	period        time.Duration // nominal
	shortest      time.Duration // no real chip converts in less
	misreads      [5]atomic.Uint64
	started, dead bool
}

// chip is what the driver knows of one chip.
type chip struct {
	dout     gpio.PinIn
	earliest time.Duration // its next conversion cannot end sooner
	due      time.Duration // and should have ended by now, or the chip was reset
	notReady time.Duration // when DOUT was last seen high
	settle   int           // conversions still to be marked Settling
	fast     int           // conversions in a row that were ready before earliest
	answered bool
}

// New returns a Sensor on the chip's two pins: it drives sck low, which powers the
// chip up, and makes dout an input with pull-up, so that an empty socket reads as
// not ready. clk must be monotonic. Give each chip a clock line of its own.
func New(sck gpio.PinOut, dout gpio.PinIn, clk rig.Clock, o Options) (*Sensor, error) {
	if sck == nil || dout == nil || clk == nil {
		return nil, errors.New("open HX711: it needs a clock pin, a data pin and a clock, and one of them is nil: check the channel's pin names in the config")
	}
	// Names and numbers only: the String of some pins reads the pin, and reading the
	// clock pin turns it into an input.
	name := fmt.Sprintf("HX711 on clock pin %s, data pin %s", pinName(sck), pinName(dout))
	if err := o.check(); err != nil {
		return nil, fmt.Errorf("open %s: %w", name, err)
	}
	s := &Sensor{chip: chip{dout: dout, settle: o.Settle}}
	s.init(sck, clk, o, name)
	if err := sck.Out(gpio.Low); err != nil {
		return nil, fmt.Errorf("open %s: drive the clock pin low: %w (is the pin free, and may this user drive it?)", name, err)
	}
	if err := dout.In(gpio.PullUp, gpio.NoEdge); err != nil {
		return nil, fmt.Errorf("open %s: make the data pin an input with pull-up: %w (is the pin free?)", name, err)
	}
	return s, nil
}

func (l *clockLine) init(sck gpio.PinOut, clk rig.Clock, o Options, name string) {
	l.sck, l.clk, l.o, l.name = sck, clk, o, name
	l.pulses = map[int]int{128: 25, 32: 26, 64: 27}[o.Gain]
	l.period = time.Second / time.Duration(o.SPS)
	l.shortest = time.Duration(float64(l.period) / fastestBoard)
}

func pinName(p interface {
	Name() string
	Number() int
}) string {
	if n := p.Name(); n != "" {
		return n
	}
	return fmt.Sprint(p.Number())
}

// String names the sensor by its pins.
func (l *clockLine) String() string { return l.name }

// Channels is 1.
func (s *Sensor) Channels() int { return 1 }

// Misreads returns what was discarded so far. It may be called at any time.
func (l *clockLine) Misreads() Misreads {
	return Misreads{
		Overrun: l.misreads[overrun].Load(),
		Slipped: l.misreads[slipped].Load(),
		Late:    l.misreads[late].Load(),
		AllOnes: l.misreads[allOnes].Load(),
		TooFast: l.misreads[tooFast].Load(),
	}
}

// Start asks for DOUT's falling edges and resets the chip, so that reading begins
// from a known state. Its first readings are Settling.
func (s *Sensor) Start() error {
	if s.dead {
		return fmt.Errorf("start %s: it was halted: open it anew", s.name)
	}
	if s.started {
		return nil
	}
	if err := s.chip.dout.In(gpio.PullUp, gpio.FallingEdge); err != nil {
		return fmt.Errorf("start %s: ask for falling edges on the data pin: %w (does this pin give interrupts?)", s.name, err)
	}
	s.started = true
	if err := s.reset(); err != nil {
		return fmt.Errorf("start %s: %w", s.name, err)
	}
	return nil
}

// Stop gives up DOUT's edges, so that nothing is interrupted while nobody reads.
// The chip stays powered and its cell warm.
func (s *Sensor) Stop() error {
	if !s.started || s.dead {
		return nil
	}
	s.started = false
	if err := s.chip.dout.In(gpio.PullUp, gpio.NoEdge); err != nil {
		return fmt.Errorf("stop %s: give up edges on the data pin: %w", s.name, err)
	}
	return nil
}

// Halt powers the chip down, by leaving its clock line high, and gives up both pins.
func (s *Sensor) Halt() error { return s.halt(s.chip.dout) }

type halter interface{ Halt() error }

func (l *clockLine) halt(data ...halter) error {
	if l.dead {
		return nil
	}
	l.dead = true
	l.started = false
	var errs []error
	if err := l.sck.Out(gpio.High); err != nil {
		errs = append(errs, fmt.Errorf("drive the clock pin high: %w", err))
	}
	if err := l.sck.Halt(); err != nil {
		errs = append(errs, fmt.Errorf("halt the clock pin: %w", err))
	}
	for _, dout := range data {
		if err := dout.Halt(); err != nil {
			errs = append(errs, fmt.Errorf("halt the data pin: %w", err))
		}
	}
	if len(errs) > 0 {
		return fmt.Errorf("halt %s: %w (a chip may still be powered)", l.name, errors.Join(errs...))
	}
	return nil
}

// Read waits for the next conversion and reads it; see rig.Sensor. A Sensor that
// was not started is started. With no conversion inside Options.Timeout the reading
// is Absent if the chip has never answered, else Stalled.
func (s *Sensor) Read(ctx context.Context, dst []rig.Reading) error {
	if len(dst) != 1 {
		return fmt.Errorf("read %s: room for %d readings given, want 1", s.name, len(dst))
	}
	if s.dead {
		return fmt.Errorf("read %s: it was halted: open it anew", s.name)
	}
	if !s.started {
		if err := s.Start(); err != nil {
			return err
		}
	}
	c := &s.chip
	at, ready, err := s.await(ctx)
	if err != nil {
		return fmt.Errorf("read %s: %w", s.name, err)
	}
	if !ready {
		dst[0] = c.nothing(at)
		c.settle = s.o.Settle // when it comes back it will have been powered up anew
		return nil
	}
	counts, why, err := s.shift()
	if err != nil {
		return fmt.Errorf("read %s: %w", s.name, err)
	}
	c.earliest = at + s.shortest*9/10
	c.due = at + s.period*3/2
	if why != kept {
		s.misreads[why].Add(1)
		dst[0] = rig.Reading{Elapsed: at, Quality: rig.Misread}
		if why == overrun || why == slipped || why == late {
			c.settle = max(c.settle, resetSettle)
			if err := s.reset(); err != nil {
				return fmt.Errorf("read %s: %w", s.name, err)
			}
		}
		return nil
	}
	dst[0] = c.conversion(at, counts)
	return nil
}

// conversion is the reading of a conversion that was read by every rule.
func (c *chip) conversion(at time.Duration, counts int32) rig.Reading {
	c.answered = true
	r := rig.Reading{Elapsed: at, Counts: counts}
	switch {
	case c.settle > 0:
		c.settle--
		r.Quality = rig.Settling
	case counts == 0x7FFFFF || counts == -0x800000:
		r.Quality = rig.Saturated
	}
	return r
}

// nothing is the reading of a chip that gave no conversion in time.
func (c *chip) nothing(at time.Duration) rig.Reading {
	if c.answered {
		return rig.Reading{Elapsed: at, Quality: rig.Stalled}
	}
	return rig.Reading{Elapsed: at, Quality: rig.Absent}
}

// await waits until DOUT is low, which is ready, or the timeout has passed, and
// returns when it looked last.
//
// The level is looked at first, because a line that is low already gives no edge.
// Shifting data leaves edges behind in the kernel's queue, so an edge is only a
// reason to look again. Waits are never 0 or negative: pins differ in what those
// mean. Until earliest the level means nothing and is not looked at.
func (s *Sensor) await(ctx context.Context) (at time.Duration, ready bool, err error) {
	c := &s.chip
	now := s.clk.Now()
	begin := now
	early, looks := 0, 0
	for {
		if err := ctx.Err(); err != nil {
			return 0, false, err
		}
		wait := min(c.earliest-now, maxWait)
		if wait <= 0 {
			if c.dout.Read() == gpio.Low {
				// Ready at the first look although the driver came in time: once is
				// chance, always is a chip that converts faster than it was said to.
				if looks == 0 && now < c.earliest+s.shortest/20 {
					c.fast++
				} else {
					c.fast = 0
				}
				return now, true, nil
			}
			looks++
			c.notReady = now
			if now > c.due {
				c.settle = s.o.Settle // overdue: it lost its power, or was reset
			}
			if now-begin >= s.o.Timeout {
				return now, false, nil
			}
			// Look at least this often, or the phase rule knows too little.
			wait = s.shortest * 9 / 20
		}
		asked := now
		edge := c.dout.WaitForEdge(wait)
		if now = s.clk.Now(); edge || now-asked >= wait/2 {
			early = 0
			continue
		}
		if early++; early >= earlyLimit {
			return 0, false, fmt.Errorf("waiting for an edge on the data pin gave up at once %d times in a row, the last time %v were asked for: the pin was lost (taken by another program, or its chip unplugged?)", early, wait)
		}
	}
}

// Why a reading was discarded; indices into misreads.
const (
	kept    = -1
	overrun = iota - 1
	slipped
	late
	allOnes
	tooFast
)

// shift reads the 24 bits of a ready conversion and sends the pulses that choose
// the gain of the next.
func (s *Sensor) shift() (counts int32, why int, err error) {
	c := &s.chip
	var bits uint32
	end := s.clk.Now()
	looked, look := 0, 1 // the pulses after which the clock was, and will be, looked at
	for pulse := 1; pulse <= s.pulses; pulse++ {
		if err := s.pulse(pulse); err != nil {
			return 0, kept, err
		}
		if pulse <= 24 {
			bits <<= 1
			if c.dout.Read() {
				bits |= 1
			}
		}
		if pulse < look && pulse < s.pulses {
			continue
		}
		// No high phase is longer than the time from look to look. A look costs as much as
		// a pin that the processor drives itself, so that quick pulses share one.
		before := end
		if end = s.clk.Now(); end-before > maxHigh {
			return 0, overrun, nil // what follows would mean nothing
		}
		each := max(1, (end-before)/time.Duration(pulse-looked))
		looked, look = pulse, pulse+int(max(1, min(quickPulses/each, mostPulses)))
	}
	if c.dout.Read() == gpio.Low {
		return 0, slipped, nil
	}
	if c.fast >= fastLimit {
		return 0, tooFast, nil // the phase rule does not hold for this chip
	}
	if end > c.notReady+s.shortest {
		return 0, late, nil
	}
	c.notReady = end
	if counts = signed(bits); counts == -1 {
		return 0, allOnes, nil
	}
	return counts, kept, nil
}

// pulse sends one clock pulse, the nth of a read.
func (l *clockLine) pulse(n int) error {
	// Nothing may come between these two.
	if err := l.sck.Out(gpio.High); err != nil {
		return pulseError(n, "high", err)
	}
	if err := l.sck.Out(gpio.Low); err != nil {
		return pulseError(n, "low", err)
	}
	return nil
}

// signed is the value of 24 bits.
func signed(bits uint32) int32 { return int32(bits<<8) >> 8 }

func pulseError(pulse int, level string, err error) error {
	return fmt.Errorf("drive the clock pin %s at pulse %d: %w (is the pin still ours?)", level, pulse, err)
}

// reset powers the chip down and up: 25 pulses or none, it is now at the start.
func (s *Sensor) reset() error {
	now, err := s.powerCycle()
	if err != nil {
		return err
	}
	s.chip.wasReset(now, &s.clockLine)
	return nil
}

// powerCycle resets all chips on the line. At the time that it returns none of them
// was ready.
func (l *clockLine) powerCycle() (now time.Duration, err error) {
	if err := l.sck.Out(gpio.High); err != nil {
		return 0, fmt.Errorf("reset: drive the clock pin high: %w", err)
	}
	high := l.clk.Now()
	for n := 0; l.clk.Now()-high < resetHigh; n++ {
		if n > maxSpins {
			return 0, fmt.Errorf("reset: the clock stands still at %v: give the sensor a running clock", high)
		}
	}
	now = l.clk.Now() // before the pin falls: at this moment the chip was surely not ready
	if err := l.sck.Out(gpio.Low); err != nil {
		return 0, fmt.Errorf("reset: drive the clock pin low: %w", err)
	}
	return now, nil
}

func (c *chip) wasReset(now time.Duration, l *clockLine) {
	c.notReady = now
	c.earliest = now + resetSettle*l.shortest*9/10
	c.due = now + resetSettle*l.period*3/2
	c.settle = max(c.settle, resetSettle)
}

var (
	_ rig.Sensor  = (*Sensor)(nil)
	_ rig.Starter = (*Sensor)(nil)
)
