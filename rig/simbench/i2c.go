package simbench

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"brimline/rig"
)

// I2CPlace is where a chip stands.
type I2CPlace struct {
	Bus  int    // number of the bus, any
	Mux  uint16 // address of the TCA9548A that it stands behind, 0x70 to 0x77; 0: none
	Port int    // of the multiplexer, 0 to 7
	Addr uint16
}

// I2CFault is what may be wrong with a chip on an I2C bus, beside the Fault of its
// channel.
type I2CFault struct {
	Unplugged bool    // the chip has no power and does not answer; plugging it in powers it up anew
	NACKs     float64 // chance that a transaction is not acknowledged
	// CalibrationErrors makes every offset calibration end with CAL_ERR.
	CalibrationErrors bool
	// CalibrationHangs makes no offset calibration end.
	CalibrationHangs bool
}

// errNACK is what a bus answers where nobody acknowledges.
var errNACK = errors.New("simulated I2C: not acknowledged")

// i2cBus is a bus with everything on it. A byte takes nine clocks; a transaction begins
// when the bus is free, and takes its time on the line of the driver that asked for it.
type i2cBus struct {
	b       *Bench
	number  int
	byteNs  int64
	busy    int64 // until then
	muxes   []*i2cMux
	chips   []*i2cSlot
	hearing []i2cChip
}

// i2cMux is a TCA9548A: one register, each bit of which connects a port.
type i2cMux struct {
	addr    uint16
	control byte
}

type i2cSlot struct {
	at   I2CPlace
	mux  *i2cMux // nil: on the bus itself
	line *Line   // whose driver reads it
	chip i2cChip
}

// i2cChip is a chip at the level of bytes.
type i2cChip interface {
	tick(t int64) (answers bool) // brings it to t
	nack() bool                  // draws whether this transaction is not acknowledged
	put(t int64, i int, v byte)  // byte i of a message to it
	get(t int64) byte
}

// I2C returns a bus by its number, at 400 kHz until its SetSpeed is called. Drivers of chips
// on it must be read through Bench.Sensor when several are read at once.
func (b *Bench) I2C(number int) i2c.Bus { return b.i2cBus(number) }

func (b *Bench) i2cBus(number int) *i2cBus {
	for _, x := range b.buses {
		if x.number == number {
			return x
		}
	}
	x := &i2cBus{b: b, number: number, byteNs: 9 * int64(time.Second) / 400_000}
	b.buses = append(b.buses, x)
	return x
}

// place puts a chip on its bus, and the multiplexer in front of it.
func (b *Bench) place(at I2CPlace, l *Line, chip i2cChip) error {
	switch {
	case at.Mux != 0 && (at.Mux < 0x70 || at.Mux > 0x77):
		return fmt.Errorf("multiplexer at 0x%02x: use 0x70 to 0x77", at.Mux)
	case at.Mux != 0 && (at.Port < 0 || at.Port > 7):
		return fmt.Errorf("port %d: a multiplexer has 0 to 7", at.Port)
	case at.Addr < 0x08 || at.Addr > 0x77:
		return fmt.Errorf("address 0x%02x: use 0x08 to 0x77", at.Addr)
	}
	x := b.i2cBus(at.Bus)
	for _, s := range x.chips {
		sharesWires := s.at.Mux == 0 || at.Mux == 0 || s.at.Mux == at.Mux && s.at.Port == at.Port
		if s.at.Addr == at.Addr && sharesWires {
			return fmt.Errorf("address 0x%02x is heard by another chip there", at.Addr)
		}
	}
	s := &i2cSlot{at: at, line: l, chip: chip}
	if at.Mux != 0 {
		for _, m := range x.muxes {
			if m.addr == at.Mux {
				s.mux = m
			}
		}
		if s.mux == nil {
			s.mux = &i2cMux{addr: at.Mux}
			x.muxes = append(x.muxes, s.mux)
		}
	}
	x.chips = append(x.chips, s)
	return nil
}

// String names the bus.
func (x *i2cBus) String() string { return fmt.Sprintf("simulated I2C%d", x.number) }

// SetSpeed sets the clock, 10 kHz to 1 MHz.
func (x *i2cBus) SetSpeed(f physic.Frequency) error {
	if f < 10*physic.KiloHertz || f > physic.MegaHertz {
		return fmt.Errorf("%v: speed %v: use 10 kHz to 1 MHz", x, f)
	}
	x.byteNs = 9 * int64(f.Period())
	return nil
}

// Tx does one transaction. It belongs to the driver whose turn it is; while none is being
// read, to the driver of the chip that is addressed.
func (x *i2cBus) Tx(addr uint16, w, r []byte) error {
	tl := x.b.itsTurn()
	var mux *i2cMux
	for _, m := range x.muxes {
		if m.addr == addr {
			mux = m
		}
	}
	x.hearing = x.hearing[:0]
	for _, s := range x.chips {
		if s.at.Addr == addr && (s.mux == nil || s.mux.control>>s.at.Port&1 == 1) {
			x.hearing = append(x.hearing, s.chip)
			if tl == nil {
				tl = s.line.timeline
			}
		}
	}
	begin := max(x.busy, x.b.now.Load())
	if tl != nil {
		begin = max(x.busy, tl.op())
	}
	t, err := x.transfer(begin, mux, w, r)
	x.busy = t
	if tl != nil {
		tl.t = max(tl.t, t)
	}
	if err != nil {
		return fmt.Errorf("%w: address 0x%02x", err, addr)
	}
	return nil
}

// transfer moves the bytes and returns when it was done.
func (x *i2cBus) transfer(t int64, mux *i2cMux, w, r []byte) (int64, error) {
	t += x.byteNs // the address
	if mux != nil {
		for _, v := range w {
			mux.control = v
			t += x.byteNs
		}
		for i := range r {
			r[i] = mux.control
			t += x.byteNs
		}
		return t, nil
	}
	answers := false
	for _, c := range x.hearing {
		answers = c.tick(t) && !c.nack() || answers
	}
	if !answers {
		return t, errNACK
	}
	for i, v := range w {
		t += x.byteNs
		answers = false
		for _, c := range x.hearing {
			if c.tick(t) {
				c.put(t, i, v)
				answers = true
			}
		}
		if !answers {
			return t, errNACK
		}
	}
	if len(r) > 0 {
		t += x.byteNs // the address again
	}
	for i := range r {
		t += x.byteNs
		r[i] = 0xFF // what nobody drives
		for _, c := range x.hearing {
			if c.tick(t) {
				r[i] &= c.get(t)
			}
		}
	}
	return t, nil
}

// itsTurn returns the line that runs, nil while none is being read.
func (b *Bench) itsTurn() *timeline {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.turn
}

// ResetMux lets the multiplexers of a bus lose their power for a moment: no port is
// connected any more. Not to be called while the bus is in use.
func (b *Bench) ResetMux(bus int) {
	for _, m := range b.i2cBus(bus).muxes {
		m.control = 0
	}
}

// SetI2CFault sets what is wrong with the I2C chip of a channel from now on.
func (b *Bench) SetI2CFault(channel int, f I2CFault) error {
	l, err := b.line(channel)
	if err == nil && l.i2c == nil {
		err = fmt.Errorf("channel %d has no chip on an I2C bus", channel)
	}
	if err == nil && !(f.NACKs >= 0 && f.NACKs <= 1) {
		err = fmt.Errorf("%g of all transactions not acknowledged: use 0 to 1", f.NACKs)
	}
	if err != nil {
		return fmt.Errorf("simulated bench: set a fault: %w", err)
	}
	l.i2c.fault.Store(&f)
	return nil
}

// i2cSupply is what the chips on a bus have in common: their power and their faults.
type i2cSupply struct {
	l     *Line
	rng   *rand.Rand
	fault atomic.Pointer[I2CFault]
	off   bool
	seen  int64 // the moment it was last brought to
}

func (s *i2cSupply) init(l *Line, what string) {
	s.l, s.rng = l, l.b.rand(what, uint64(l.index))
	s.fault.Store(&I2CFault{})
}

func (s *i2cSupply) nack() bool {
	p := s.fault.Load().NACKs
	return p > 0 && s.rng.Float64() < p
}

// power returns since when the power was gone, if it went since it was last asked, and
// whether it is there at t.
func (s *i2cSupply) power(t int64, unplugged bool) (lost bool, since int64, on bool) {
	on = !unplugged && !s.fault.Load().Unplugged
	since = t
	lost = !on && !s.off
	planned, set := s.l.wires(t)
	for _, w := range [...]*wires{planned, set} {
		if w == nil || w.dippedTo <= w.dippedFrom || t < w.dippedFrom || w.dippedTo <= s.seen {
			continue
		}
		if !s.off {
			lost, since = true, max(w.dippedFrom, s.seen)
		}
		on = on && t >= w.dippedTo
	}
	s.off, s.seen = !on, max(s.seen, t)
	return lost, since, on
}

// Clock returns the clock of a channel's driver, for one that waits by sleeping. Only the
// goroutine that uses the driver may use it. It panics if there is no such channel.
func (b *Bench) Clock(channel int) rig.Sleeper { return b.lines[channel].timeline }

// Sleep lets others run until d has passed, and a little: a program wakes late. The
// clock of a line that is not being read passes its time alone.
func (l *timeline) Sleep(ctx context.Context, d time.Duration) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	l.catchUp()
	until := l.op() + max(0, int64(d)) + wakeNs + l.rng.Int64N(wakeSlack)
	for _, x := range l.lines {
		until = x.busyUntil(l.t, until)
	}
	if !l.wait(until) {
		b := l.bench
		if wait := b.real(until - max(l.t, b.now.Load())); wait > 0 {
			time.Sleep(wait)
		}
		l.t = max(l.t, until)
		b.mu.Lock()
		if b.active == 0 {
			b.now.Store(max(b.now.Load(), l.t))
		}
		b.mu.Unlock()
	}
	return ctx.Err()
}

// Sensor makes a driver that sleeps (on an I2C bus, or on a shared clock line) take its
// turns: between Start and Stop its channel counts as being read, and what it does comes
// in an order that only the seed decides. For one that waits for edges there is no need. It panics if there is no such channel.
func (b *Bench) Sensor(channel int, s rig.Sensor) rig.Sensor {
	return &turnTaker{Sensor: s, tl: b.lines[channel].timeline}
}

type turnTaker struct {
	rig.Sensor
	tl      *timeline
	started bool
	waiting bool // for its first turn
}

func (s *turnTaker) Start() error {
	if s.started {
		return nil
	}
	if st, ok := s.Sensor.(rig.Starter); ok {
		if err := st.Start(); err != nil {
			return err
		}
	}
	s.tl.begin()
	s.started, s.waiting = true, true
	return nil
}

func (s *turnTaker) Read(ctx context.Context, dst []rig.Reading) error {
	if !s.started {
		if err := s.Start(); err != nil {
			return err
		}
	}
	if s.waiting {
		s.waiting = false
		s.tl.wait(s.tl.t)
	}
	return s.Sensor.Read(ctx, dst)
}

func (s *turnTaker) Stop() error {
	if !s.started {
		return nil
	}
	s.started = false
	s.tl.end()
	if st, ok := s.Sensor.(rig.Starter); ok {
		return st.Stop()
	}
	return nil
}

func (s *turnTaker) Halt() error {
	return errors.Join(s.Stop(), s.Sensor.Halt())
}

// Events are those of the driver, if it tells any.
func (s *turnTaker) Events() []rig.Event {
	if t, ok := s.Sensor.(rig.Teller); ok {
		return t.Events()
	}
	return nil
}

// whiteAt returns the noise of a cell's conversions at a rate, by that at 80 SPS: white
// noise goes with the root of the bandwidth.
func (w *World) whiteAt(sps int) float64 { return w.WhiteCounts * math.Sqrt(float64(sps)/80) }

var (
	_ i2c.Bus     = (*i2cBus)(nil)
	_ rig.Sleeper = (*timeline)(nil)
	_ rig.Starter = (*turnTaker)(nil)
	_ rig.Teller  = (*turnTaker)(nil)
)
