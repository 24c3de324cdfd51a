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
	nominal := float64(time.Second) / float64(l.b.o.SPS)
	c.l = l
	c.cell.init(l)
	c.period = int64(nominal / factor)
	c.gain = 128
	c.dout = gpio.High
	c.settle = 4 * c.period // 400 ms at 10 SPS, 50 ms at 80 SPS, on the chip's own oscillator
	c.next = c.settle
}

// tick brings the chip to time t.
func (c *chip) tick(t int64) {
	unplugged := c.l.fault.Load().Unplugged
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
	c.value = uint32(max(-0x800000, min(v, 0x7FFFFF))) & 0xFFFFFF
	c.next += c.period
	c.setDout(gpio.Low)
}

func (c *chip) setDout(v gpio.Level) {
	if c.dout == gpio.High && v == gpio.Low && c.armed && c.edges < edgeQueue {
		c.edges++
	}
	c.dout = v
}

func (c *chip) clock(v gpio.Level) {
	t := c.l.op()
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
	if f := l.fault.Load(); f.StallsPerOp != l.stalls {
		l.stalls = f.StallsPerOp
		l.drawStall()
	}
	until := forever
	if timeout > 0 {
		until = t + int64(timeout)
	}
	if !c.off && c.dout == gpio.High && c.next < until {
		until = c.next + wakeNs + l.rng.Int64N(wakeSlack)
	}
	if !l.wait(until) {
		return false
	}
	c.tick(l.op())
	if c.edges > 0 {
		c.edges--
		return true
	}
	return false
}

// pin is what a line's two pins have in common.
type pin struct {
	l      *Line
	name   string
	number int
}

func (p *pin) String() string   { return fmt.Sprintf("%s(%d)", p.name, p.number) }
func (p *pin) Name() string     { return p.name }
func (p *pin) Number() int      { return p.number }
func (p *pin) Function() string { return "" }

// Halt gives up the line: other lines need not wait for it any more.
func (p *pin) Halt() error {
	p.l.end()
	return nil
}

type sckPin struct{ pin }

func (p *sckPin) Out(v gpio.Level) error {
	p.l.chip.clock(v)
	return nil
}

func (p *sckPin) PWM(gpio.Duty, physic.Frequency) error {
	return fmt.Errorf("simulated pin %s: it has no PWM: drive it with Out", p.name)
}

type doutPin struct{ pin }

// In asks for falling edges, or for none. Like the kernel's pins it leaves queued
// edges where they are.
func (p *doutPin) In(_ gpio.Pull, edge gpio.Edge) error {
	c := &p.l.chip
	switch edge {
	case gpio.NoEdge:
		c.armed = false
		p.l.end()
	case gpio.FallingEdge:
		p.l.begin()
		c.tick(p.l.op())
		c.armed = true
	default:
		return fmt.Errorf("simulated pin %s: edges %v: the simulated chip gives falling edges only", p.name, edge)
	}
	return nil
}

func (p *doutPin) Read() gpio.Level {
	c := &p.l.chip
	c.tick(p.l.op())
	return c.dout
}

func (p *doutPin) WaitForEdge(timeout time.Duration) bool { return p.l.chip.waitForEdge(timeout) }
func (p *doutPin) Pull() gpio.Pull                        { return gpio.PullUp }
func (p *doutPin) DefaultPull() gpio.Pull                 { return gpio.PullNoChange }

var (
	_ gpio.PinOut = (*sckPin)(nil)
	_ gpio.PinIn  = (*doutPin)(nil)
)

// saturate rounds counts to the converter's range.
func saturate(v float64) int32 {
	return int32(max(-0x800000, min(math.RoundToEven(v), 0x7FFFFF)))
}
