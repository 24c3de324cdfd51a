package simbench

import (
	"errors"
	"fmt"
	"time"

	"brimline/rig"
)

// settlingNs is how long after power-up Record marks conversions Settling.
const settlingNs = int64(500 * time.Millisecond)

// Record puts every conversion from now to until into the sink, in order of time,
// without pins or driver between: each is stamped with its own end, and none is lost
// but to MissingSamples. It is over ten times as fast as a driver, for studies of
// thousands of runs. The model is the same; the noise is not the one that a driver
// would have met. A stall of the reader spoils every second read that it falls into, as a
// driver would have told: no counts, and the four conversions after it settle. A channel with
// an ADS1115 gives what a driver would have made of its level, at the usual 128 conversions a second
// for the chip. It is an error while a line is being read. A channel that is unplugged or
// powered down gives nothing.
//
// With channels named, only those are recorded, with the readings that they have among all:
// a study that plants a fault on one channel has the others' already.
func (b *Bench) Record(sink rig.Sink, until time.Duration, only ...int) error {
	if sink == nil {
		return errors.New("simulated bench: record: no sink given")
	}
	b.mu.Lock()
	active := b.active
	b.mu.Unlock()
	if active > 0 {
		return fmt.Errorf("simulated bench: record: %d channels are being read: stop them first", active)
	}
	now, end := b.now.Load(), int64(until)
	if end < now {
		return fmt.Errorf("simulated bench: record until %v: it is %v already", until, b.Now())
	}
	lines := b.lines
	if len(only) > 0 {
		lines = nil
	}
	for _, ch := range only {
		l, err := b.line(ch)
		if err != nil {
			return fmt.Errorf("simulated bench: record: %w", err)
		}
		lines = append(lines, l)
	}
	for _, l := range lines {
		c := &l.chip
		if c.sck { // powered down by now, or within 60 us
			c.tick(max(now, c.highAt+powerDownNs+1))
		} else {
			c.tick(now)
		}
	}
	sample := make([]rig.Sample, 1)
	for {
		var l *Line
		for _, x := range lines {
			if x.chip.supply.gone && x.chip.supply.event <= end {
				x.chip.supplied(x.chip.supply.event)
			}
			if !x.chip.off && x.chip.next <= end && (l == nil || x.chip.next < l.chip.next) {
				l = x
			}
		}
		if l == nil {
			break
		}
		c := &l.chip
		at := c.next
		if c.supply.event <= at {
			c.supplied(at)
			continue
		}
		r := rig.Reading{Elapsed: time.Duration(at)}
		if l.sender != nil {
			c.n++
			c.next += c.period
			r.Counts = l.sender.counts(at, l.input, c.cell.rng)
		} else {
			c.convert()
			r.Counts = int32(c.value<<8) >> 8
		}
		if l.busyUntil(at, at) > at {
			continue // nobody was there to read it
		}
		switch {
		case l.spoils(at):
			r.Counts, r.Quality = 0, rig.Misread
			l.settle = readsToSettle
		case l.settle > 0:
			l.settle--
			r.Quality = rig.Settling
		case at-c.cell.onAt < settlingNs && l.sender == nil:
			r.Quality = rig.Settling
		case r.Counts == 0x7FFFFF || r.Counts == -0x800000:
			r.Quality = rig.Saturated
		}
		sample[0] = rig.Sample{Channel: l.index, Seq: l.seq, Reading: r}
		l.seq++
		if err := sink.Put(sample); err != nil {
			return fmt.Errorf("simulated bench: record channel %d at %v: %w", l.index, r.Elapsed, err)
		}
	}
	b.now.Store(end)
	return nil
}

// readsToSettle is how many conversions settle after a driver has reset its HX711.
const readsToSettle = 4

// spoils reports whether a stall of the reader spoils the read of what ended at t: about
// every second one of those that fall into a read does, as TestWiringFaultsThroughTheDriver measures
// through the driver.
func (l *Line) spoils(t int64) bool {
	p := max(l.fault.Load().StallsPerOp, l.stallsPerOp(t)) * opsPerRead / 2
	if p == 0 || l.sender != nil {
		return false
	}
	if l.spoiling == nil {
		l.spoiling = l.b.rand("spoiled reads", uint64(l.index))
	}
	return l.spoiling.Float64() < p
}
