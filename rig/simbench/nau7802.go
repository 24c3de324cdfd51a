package simbench

import (
	"fmt"
	"time"
)

// nau7802 is an NAU7802 at the level of its registers (data sheet: see package nau7802).
//
// What the data sheet does not say is taken at its worst: a conversion that ends while
// ADCO is read tears the value. Assumed: a rate within 5 % of nominal, a calibration of
// four conversions and 0.3 s that leaves 30 counts of offset, another each time, 2000
// counts without one, and that the first three conversions after a start mean nothing.
type nau7802 struct {
	i2cSupply
	reg     [32]byte
	pointer byte
	offAt   int64
	upAt    int64 // when PUR will be set; 0: not under way
	calEnd  int64 // when the calibration under way ends; 0: none
	next    int64 // when the conversion under way ends; 0: none
	fresh   int   // conversions since the last start
	n       uint64
	value   int32
	factor  float64 // real over nominal rate
	offset  float64 // of the amplifier, counts at gain 128
	left    float64 // of it after the last calibration
}

const (
	nauUpNs      = 200_000
	nauCalNs     = 300_000_000
	nauUnsettled = 3
)

var nauRates = [8]int{10, 20, 40, 80, 80, 80, 80, 320}

// NAU7802 puts an NAU7802 in the place of a channel's HX711, with the same cell at its
// input 1. sps is the rate that the driver will set, by which Truth, Record and the cell's
// noise go. at.Addr is 0x2A for a real one.
func (b *Bench) NAU7802(channel int, at I2CPlace, sps int) error {
	l, err := b.line(channel)
	if err == nil && l.i2c != nil {
		err = fmt.Errorf("it has a chip on an I2C bus already")
	}
	if err == nil && sps != 10 && sps != 20 && sps != 40 && sps != 80 && sps != 320 {
		err = fmt.Errorf("%d SPS: use 10, 20, 40, 80 or 320", sps)
	}
	c := &nau7802{}
	if err == nil {
		c.init(l, "nau7802")
		err = b.place(at, l, c)
	}
	if err != nil {
		return fmt.Errorf("simulated bench: NAU7802 on channel %d: %w", channel, err)
	}
	c.factor = 0.95 + 0.1*c.rng.Float64()
	c.offset = 2000 * bounded(c.rng)
	c.left = c.offset
	c.reset()
	l.i2c = &c.i2cSupply
	l.chip.period = int64(float64(time.Second) / float64(sps) / c.factor)
	l.chip.cell.period = l.chip.period
	l.chip.cell.white = b.w.whiteAt(sps)
	return nil
}

func (c *nau7802) reset() {
	c.reg = [32]byte{}
	c.reg[0x1F] = 0x0F
	c.upAt, c.calEnd, c.next = 0, 0, 0
	c.left = c.offset
}

func (c *nau7802) period() int64 {
	return int64(float64(time.Second) / float64(nauRates[c.reg[2]>>4&7]) / c.factor)
}

func (c *nau7802) tick(t int64) bool {
	lost, since, on := c.power(t, c.l.fault.Load().Unplugged)
	if lost {
		c.run(since)
		c.cool(since)
		c.reset()
	}
	if on {
		c.run(t)
	}
	return on
}

// cool notes since when the cell has no supply.
func (c *nau7802) cool(t int64) {
	if c.reg[0]&0x04 != 0 {
		c.offAt = t
	}
}

// run does what is due up to t.
func (c *nau7802) run(t int64) {
	if c.upAt > 0 && t >= c.upAt {
		c.upAt = 0
		c.reg[0] |= 0x08
	}
	if c.calEnd > 0 && t >= c.calEnd && !c.fault.Load().CalibrationHangs {
		c.reg[2] &^= 0x0C
		if c.fault.Load().CalibrationErrors {
			c.reg[2] |= 0x08
		} else {
			c.left = 30 * c.rng.NormFloat64()
		}
		end := c.calEnd
		c.calEnd = 0
		c.start(end)
	}
	if c.next == 0 || t < c.next {
		return
	}
	if c.l.fault.Load().Hung {
		c.next = t + 1
		return
	}
	period := c.period()
	missed := (t - c.next) / period
	c.n += uint64(missed)
	c.fresh += int(missed)
	c.next += missed * period
	c.convert()
	c.next += period
}

// start begins conversions anew, if the chip is set to convert.
func (c *nau7802) start(t int64) {
	c.next, c.fresh = 0, 0
	if c.reg[0]&0x16 == 0x16 && c.calEnd == 0 {
		c.next = t + c.period()
	}
}

func (c *nau7802) convert() {
	c.n++
	c.fresh++
	gain := 1 << (c.reg[1] & 7)
	var v int32
	switch known := c.l.b.o.Counts; {
	case known != nil:
		v = known(c.l.index, c.n, gain)
	case c.reg[2]&0x80 != 0: // nothing hangs on input 2
		v = saturate(c.l.chip.cell.white * c.rng.NormFloat64() * float64(gain) / 128)
	default:
		v = saturate((float64(c.l.chip.cell.counts(c.next, 128)) + c.left) * float64(gain) / 128)
	}
	if c.fresh <= nauUnsettled {
		v ^= 0x155555
	}
	if c.l.fault.Load().Stuck && c.n > 1 {
		v = c.value
	}
	c.value = v
	c.reg[0x12], c.reg[0x13], c.reg[0x14] = byte(v>>16), byte(v>>8), byte(v)
	c.reg[0] |= 0x20
}

func (c *nau7802) put(t int64, i int, v byte) {
	if i == 0 {
		c.pointer = v & 0x1F
		return
	}
	r := c.pointer
	c.pointer = (c.pointer + 1) & 0x1F
	old := c.reg[r]
	switch {
	case r == 0x00:
		c.control(t, v)
	case r >= 0x12 && r <= 0x14, r == 0x1F: // read only
	case r == 0x02:
		c.reg[r] = v&^0x08 | old&0x08
		if v&0x04 != 0 && old&0x04 == 0 {
			c.reg[r] &^= 0x08
			c.calEnd = t + nauCalNs + 4*c.period()
			c.next = 0
		} else if v&0xF0 != old&0xF0 {
			c.start(t)
		}
	case r == 0x01:
		c.reg[r] = v
		c.start(t)
	default:
		c.reg[r] = v
	}
}

// control is a write to PU_CTRL.
func (c *nau7802) control(t int64, v byte) {
	if v&0x01 != 0 {
		c.cool(t)
		c.reset()
		c.reg[0] = 0x01
		return
	}
	old := c.reg[0]
	c.reg[0] = v&^0x28 | old&0x28
	if v&0x02 == 0 {
		c.reg[0] &^= 0x28
		c.upAt = 0
	} else if old&0x02 == 0 {
		c.upAt = t + nauUpNs
	}
	if v&0x04 != 0 && old&0x04 == 0 {
		c.l.chip.cell.powerUp(t, t-c.offAt)
	} else if v&0x04 == 0 && old&0x04 != 0 {
		c.offAt = t
	}
	if old&0x16 != 0x16 || v&0x16 != 0x16 {
		c.start(t)
	}
}

func (c *nau7802) get(int64) byte {
	r := c.pointer
	c.pointer = (c.pointer + 1) & 0x1F
	if r == 0x14 {
		c.reg[0] &^= 0x20
	}
	return c.reg[r]
}

var _ i2cChip = (*nau7802)(nil)
