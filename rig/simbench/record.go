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
// would have met, and stalls of the reader do not spoil reads. It is an error while a
// line is being read. A channel that is unplugged or powered down gives nothing.
func (b *Bench) Record(sink rig.Sink, until time.Duration) error {
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
	for _, l := range b.lines {
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
		for _, x := range b.lines {
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
		c.convert()
		if l.busyUntil(at, at) > at {
			continue // nobody was there to read it
		}
		r := rig.Reading{Elapsed: time.Duration(at), Counts: int32(c.value<<8) >> 8}
		switch {
		case at-c.cell.onAt < settlingNs:
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
