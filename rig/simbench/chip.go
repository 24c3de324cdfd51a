package simbench

import (
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// chip is an HX711 at the level of its pins (data sheet: see package hx711). Its
// state is brought up to date whenever a pin is touched.
type chip struct {
	l      *Line
	cell   cell
	period int64  // ns per conversion: nominal, times the board's own factor
	settle int64  // ns from power-up to the first conversion
	next   int64  // when the conversion under way ends
	n      uint64 // conversions done
	value  uint32 // of the last conversion, 24 bits
	pulses int    // since the last conversion; more than 27 stay 28
	gain   int    // of the conversion under way
	sck    gpio.Level
	dout   gpio.Level
	highAt int64 // when sck rose
	off    bool  // powered down, or not there
	supply supply
	offAt  int64 // since when
	armed  bool  // falling edges are queued
	edges  int   // queued
}

const (
	powerDownNs = 60_000
	edgeQueue   = 16 // events that a Linux kernel keeps for one line
)

func (c *chip) init(l *Line) {
	// Real boards give 0.96 to 1.19 times the nominal rate, each its own, as measured
	// on several; the distribution between is assumed flat.
	factor := 0.96 + 0.23*l.b.rand("rate", uint64(l.index)).Float64()
	if paces := l.b.o.Paces; paces != nil {
		factor = paces[l.index]
	}
	nominal := float64(time.Second) / float64(l.b.o.SPS)
	c.l = l
	c.cell.init(l)
	c.period = int64(nominal / factor)
	c.gain = 128
	c.dout = gpio.High
	c.cell.period = c.period
	c.supply.event = forever
	c.settle = 4 * c.period // 400 ms at 10 SPS, 50 ms at 80 SPS, on the chip's own oscillator
	c.next = c.settle
}

// tick brings the chip to time t.
func (c *chip) tick(t int64) {
	if t >= c.supply.event {
		c.supplied(t)
	}
	unplugged := c.l.fault.Load().Unplugged || c.supply.gone
	switch {
	case unplugged && !c.off:
		c.powerDown(t)
	case !unplugged && c.off && !bool(c.sck):
		c.powerUp(t)
	case !c.off && bool(c.sck) && t-c.highAt > powerDownNs:
		c.run(c.highAt + powerDownNs)
		c.powerDown(c.highAt + powerDownNs)
	}
	if !c.off {
		c.run(t)
	}
}

func (c *chip) powerDown(t int64) {
	c.off, c.offAt = true, t
	c.setDout(gpio.High)
}

func (c *chip) powerUp(t int64) {
	c.off = false
	c.gain, c.pulses = 128, 0
	c.next = t + c.settle
	c.cell.powerUp(t, t-c.offAt)
}

// run does the conversions that end up to t.
func (c *chip) run(t int64) {
	if c.l.fault.Load().Hung {
		c.next = max(c.next, t+1) // so that it is never due
		return
	}
	if t < c.next {
		return
	}
	// Of those that nobody looked at only the last can be read.
	missed := (t - c.next) / c.period
	c.n += uint64(missed)
	c.next += missed * c.period
	c.convert()
}

func (c *chip) convert() {
	switch c.pulses {
	case 25:
		c.gain = 128
	case 26:
		c.gain = 32
	case 27:
		c.gain = 64
	}
	c.pulses = 0
	c.n++
	var v int32
	if known := c.l.b.o.Counts; known != nil {
		v = known(c.l.index, c.n, c.gain)
	} else {
		v = c.cell.counts(c.next, c.gain)
	}
	if c.l.fault.Load().Stuck && c.n > 1 {
		v = int32(c.value<<8) >> 8
	}
	c.value = uint32(max(-0x800000, min(v, 0x7FFFFF))) & 0xFFFFFF
	c.next += c.period
	c.supply.look(c.l, c.next-c.period)
	c.setDout(gpio.Low)
}

func (c *chip) setDout(v gpio.Level) {
	if c.dout == gpio.High && v == gpio.Low && c.armed && c.edges < edgeQueue {
		c.edges++
	}
	c.dout = v
}

// clock is a change of the clock line at t.
func (c *chip) clock(t int64, v gpio.Level) {
	c.tick(t)
	if v == c.sck {
		return
	}
	c.sck = v
	if !bool(v) {
		if c.off {
			c.tick(t) // a reset ends here
		}
		return
	}
	c.highAt = t
	if c.off {
		return
	}
	c.pulses = min(c.pulses+1, 28)
	if c.pulses <= 24 {
		c.setDout(c.value>>(24-c.pulses)&1 == 1)
	} else {
		c.setDout(gpio.High)
	}
}

// waitForEdge behaves as pins of the kernel's GPIO character device do through
// periph: a queued edge returns at once, a negative timeout too, and 0 is for ever.
func (c *chip) waitForEdge(timeout time.Duration) bool {
	l := c.l
	t := l.op()
	c.tick(t)
	if c.edges > 0 {
		c.edges--
		return true
	}
	if !c.armed || timeout < 0 {
		return false
	}
	l.catchUp()
	until := forever
	if timeout > 0 {
		until = t + int64(timeout)
	}
	if !c.off && c.dout == gpio.High && c.next < until && !l.fault.Load().Hung {
		until = c.next + wakeNs + l.rng.Int64N(wakeSlack)
	}
	if !l.wait(l.busyUntil(t, until)) {
		return false
	}
	c.tick(l.op())
	if c.edges > 0 {
		c.edges--
		return true
	}
	return false
}

// pin is what the pins of a clock line have in common.
type pin struct {
	l      *timeline
	name   string
	number int
}

func (p *pin) String() string   { return fmt.Sprintf("%s(%d)", p.name, p.number) }
func (p *pin) Name() string     { return p.name }
func (p *pin) Number() int      { return p.number }
func (p *pin) Function() string { return "" }

type sckPin struct{ pin }

// Halt gives up the line: others need not wait for it any more.
func (p *sckPin) Halt() error {
	p.l.end()
	return nil
}

func (p *sckPin) Out(v gpio.Level) error {
	t := p.l.op()
	for _, l := range p.l.lines {
		l.chip.clock(t, v)
	}
	return nil
}

func (p *sckPin) PWM(gpio.Duty, physic.Frequency) error {
	return fmt.Errorf("simulated pin %s: it has no PWM: drive it with Out", p.name)
}

type doutPin struct {
	pin
	c *chip
}

// Halt gives up the pin, and the line with its last pin that gives edges.
func (p *doutPin) Halt() error {
	p.disarm()
	return nil
}

func (p *doutPin) disarm() {
	p.c.armed = false
	for _, l := range p.l.lines {
		if l.chip.armed {
			return
		}
	}
	p.l.end()
}

// In asks for falling edges, or for none. Like the kernel's pins it leaves queued
// edges where they are.
func (p *doutPin) In(_ gpio.Pull, edge gpio.Edge) error {
	switch edge {
	case gpio.NoEdge:
		p.disarm()
	case gpio.FallingEdge:
		p.l.begin()
		p.c.tick(p.l.op())
		p.c.armed = true
	default:
		return fmt.Errorf("simulated pin %s: edges %v: the simulated chip gives falling edges only", p.name, edge)
	}
	return nil
}

func (p *doutPin) Read() gpio.Level {
	p.c.tick(p.l.op())
	return p.c.dout
}

func (p *doutPin) WaitForEdge(timeout time.Duration) bool { return p.c.waitForEdge(timeout) }
func (p *doutPin) Pull() gpio.Pull                        { return gpio.PullUp }
func (p *doutPin) DefaultPull() gpio.Pull                 { return gpio.PullNoChange }

// DataPins is the data pins of several channels on one clock line, read in one
// operation, as the kernel's GPIO character device can.
type DataPins []*doutPin

// DataPins returns the data pins of the channels together, in that order.
// It panics if there is no such channel.
func (b *Bench) DataPins(channels ...int) DataPins {
	var d DataPins
	for _, ch := range channels {
		d = append(d, &b.lines[ch].dout)
	}
	return d
}

// Read returns the levels of the pins in the mask, bit 0 the first's.
func (d DataPins) Read(mask gpio.GPIOValue) (gpio.GPIOValue, error) {
	var v gpio.GPIOValue
	var t int64
	for i, p := range d {
		c := p.c
		if i == 0 {
			t = c.l.op()
		}
		if c.tick(t); c.dout {
			v |= 1 << i
		}
	}
	return v & mask, nil
}

// Halt gives the pins up.
func (d DataPins) Halt() error {
	for _, p := range d {
		p.disarm()
	}
	return nil
}

var (
	_ gpio.PinOut = (*sckPin)(nil)
	_ gpio.PinIn  = (*doutPin)(nil)
)

// saturate rounds counts to the converter's range.
func saturate(v float64) int32 {
	return int32(max(-0x800000, min(math.RoundToEven(v), 0x7FFFFF)))
}
