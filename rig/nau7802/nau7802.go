// Package nau7802 reads load cells through NAU7802 converters (Nuvoton, "NAU7802 24-Bit
// Dual-Channel ADC For Bridge Sensors", data sheet revision 2.6) on an I2C bus, alone or
// behind a multiplexer (package tca9548a).
//
// It is the driver that real boards and the simulated bench share: it sees a bus and a
// clock, never a board.
//
//	s, err := nau7802.New(bus, clk, nau7802.Options{SPS: 80})
//	err = rig.Acquire(ctx, []rig.Sensor{s}, sink, rig.AcquireOptions{})
//
// # What the data sheet says
//
// Register names and bits are the data sheet's ("Register Map" and the sections after it);
// section numbers are not given, as they are from memory.
//
//	address    0x2A, fixed
//	power-up   RR resets the registers; PUD starts the digital part; about 200 us later
//	           PUR says that it is up; PUA starts the analogue part, AVDDS the regulator
//	           at VLDO; CS starts conversions
//	CR         in PU_CTRL: a conversion is ready; reading ADCO clears it
//	CALS       in CTRL2: starts a calibration, clears itself at its end; CAL_ERR then
//	           says whether it failed; CALMOD 0 corrects the offset with the inputs
//	           shorted inside the chip
//	settling   four conversions after a start or a change (from memory)
//	PGA_CAP_EN in POWER (0x1C): a capacitor between VIN2P and VIN2N filters the amplifier's
//	           output, and input 2 cannot be used
//	clock      0x30 in ADC (0x15) turns the converter's clock chopper off, as the power-up
//	           sequence asks
//	ends       0x7FFFFF and 0x800000
//
// # Why a reading can be trusted
//
//  1. Ready: CR is polled; nothing is taken after a nominal time.
//  2. Phase: the data sheet does not say that ADCO stands still while it is read. The driver
//     knows when no conversion was ready yet; the next but one cannot end sooner than the
//     shortest period after it, and the read must be over by then, or it is a Misread.
//  3. Loss of power: the bits of PU_CTRL that the driver set are compared at every poll, and
//     CTRL1 and CTRL2 twice a second. After a loss the chip is set up and calibrated anew,
//     its readings are Settling, and an Event says that a tare is due: the new offset
//     calibration is not the old one.
//  4. Torn off: a chip that goes in the middle of a read leaves ones in the place of the bits
//     still to come, and one that was reset just before holds 0. A value that ends in four
//     ones, or is 0, is taken only if the chip still answers as it should: what is left of
//     this error is under 8 counts.
//
// A transaction that is not acknowledged is tried three times; then the reading waits for the
// chip, and says Absent or Stalled if it does not come back in time.
package nau7802

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/i2c"

	"brimline/rig"
)

// Address is the chip's, which cannot be changed.
const Address = 0x2A

// Registers.
const (
	regPUCtrl   = 0x00
	regCtrl1    = 0x01
	regCtrl2    = 0x02
	regADCO     = 0x12 // three bytes, the highest first
	regADC      = 0x15
	regPower    = 0x1C
	regRevision = 0x1F
)

// Bits of PU_CTRL, CTRL2 and the others.
const (
	puReset     = 1 << 0 // RR
	puDigital   = 1 << 1 // PUD
	puAnalogue  = 1 << 2 // PUA
	puUp        = 1 << 3 // PUR
	puStart     = 1 << 4 // CS
	puReady     = 1 << 5 // CR
	puRegulator = 1 << 7 // AVDDS

	calStart = 1 << 2 // CALS
	calError = 1 << 3 // CAL_ERR
	input2   = 1 << 7 // CHS

	chopperOff   = 0x30
	pgaCapacitor = 1 << 7
	revision     = 0x0F // the lower half of regRevision
)

const (
	tries       = 3
	fastest     = 1.10 // real over nominal rate at most: the internal oscillator's tolerance, assumed
	fewest      = 4    // conversions in the settling time
	upWithin    = 100 * time.Millisecond
	calWithin   = time.Second
	firstWithin = 8                      // nominal periods; a chip may withhold CR while its filter settles, four conversions
	sleepsLate  = 100 * time.Microsecond // a kernel without a real-time priority, measured: 74 us
	retryPause  = 20 * time.Millisecond
	checkEvery  = 500 * time.Millisecond
)

// Options tune a Sensor; the zero value is input 1 at gain 128 and 80 SPS, supplied by the
// chip's own regulator at 3.0 V.
type Options struct {
	// Gain is 1, 2, 4, 8, 16, 32, 64 or 128 (default).
	Gain int
	// SPS is the rate: 10, 20, 40, 80 (default) or 320.
	SPS int
	// Input is 1 (default) or 2.
	Input int
	// LDOV is the voltage of the chip's regulator, which also feeds the cell: 2.4 to 4.5 V in
	// steps of 0.3 V. The supply must be at least 0.3 V higher. 0: 3.0 V. Negative: the
	// regulator stays off and AVDD is supplied from outside.
	LDOV float64
	// PGACapacitor says that the board has a capacitor (330 pF) between VIN2P and VIN2N.
	PGACapacitor bool
	// Settle is how many conversions after power-up are marked Settling. Default: those of
	// the first half second, and at least the four that the filter needs. Negative: four.
	Settle int
	// Timeout is how long one Read waits for a conversion before it says Stalled or Absent.
	// Default: 500 ms, at 10 SPS 1 s. Least: 100 ms, and five conversions.
	Timeout time.Duration
}

// steps of the regulator, VLDO 0 to 7.
func ldoCode(v float64) (byte, bool) {
	code := (4.5 - v) / 0.3
	if !(math.Abs(code-math.Round(code)) < 1e-6 && code > -0.5 && code < 7.5) {
		return 0, false
	}
	return byte(math.Round(code)), true
}

var rates = map[int]byte{10: 0, 20: 1, 40: 2, 80: 3, 320: 7}

func (o *Options) check() error {
	if o.Gain == 0 {
		o.Gain = 128
	}
	if o.Gain < 1 || o.Gain > 128 || o.Gain&(o.Gain-1) != 0 {
		return fmt.Errorf("gain %d: use 1, 2, 4, 8, 16, 32, 64 or 128", o.Gain)
	}
	if o.SPS == 0 {
		o.SPS = 80
	}
	if _, ok := rates[o.SPS]; !ok {
		return fmt.Errorf("rate %d SPS: use 10, 20, 40, 80 or 320", o.SPS)
	}
	if o.Input == 0 {
		o.Input = 1
	}
	switch {
	case o.Input != 1 && o.Input != 2:
		return fmt.Errorf("input %d: use 1 or 2", o.Input)
	case o.Input == 2 && o.PGACapacitor:
		return errors.New("input 2 with a PGA capacitor: the capacitor sits on input 2's pins: take it off, or use input 1")
	}
	if o.LDOV == 0 {
		o.LDOV = 3.0
	}
	if _, ok := ldoCode(o.LDOV); !ok && !(o.LDOV < 0) {
		return fmt.Errorf("regulator at %g V: use 2.4 to 4.5 V in steps of 0.3 V, or a negative value for an external AVDD", o.LDOV)
	}
	switch {
	case o.Settle == 0:
		o.Settle = max(fewest, o.SPS/2)
	case o.Settle < fewest:
		o.Settle = fewest
	}
	least := max(100*time.Millisecond, 5*time.Second/time.Duration(o.SPS))
	switch {
	case o.Timeout == 0:
		o.Timeout = max(500*time.Millisecond, 10*time.Second/time.Duration(o.SPS))
	case o.Timeout < least:
		return fmt.Errorf("timeout %v: at %d SPS at least %v is needed, or leave it 0", o.Timeout, o.SPS, least)
	}
	return nil
}

// Counts is what the driver saw beside good readings.
type Counts struct {
	Late      uint64 // Misreads: a conversion may have ended inside the read
	Torn      uint64 // Misreads: the chip was gone, or not itself, after the read
	Retried   uint64 // transactions that were tried again
	BrownOuts uint64 // times the chip had lost its settings
	SetUps    uint64 // times it was set up and calibrated, the first included
	CALErrors uint64 // calibrations that ended with CAL_ERR or not at all
}

// Sensor is one NAU7802. It implements rig.Sensor, rig.Starter and rig.Teller.
type Sensor struct {
	bus  i2c.Bus
	clk  rig.Sleeper
	o    Options
	name string

	period, shortest time.Duration // nominal; no chip converts in less
	power            byte          // PU_CTRL once conversions run, without CR
	ctrl1, ctrl2     byte
	capacitor        byte

	// What is written and read stands here: a bus may be given addresses as plain numbers
	// (periph's for Linux does that), and those of a stack may change.
	w [2]byte
	r [3]byte

	ready    bool // set up, as far as is known
	known    bool // it has been set up since it was opened
	answered bool // a NAU7802 has answered since the sensor was opened
	stale    bool // the conversion that waits is an old one
	gone     bool // that it does not answer has been told
	settle   int  // conversions still to be marked Settling
	interval time.Duration
	found    time.Duration // when the newest conversion was found ready
	last     time.Duration // when it ended, as far as is known
	earliest time.Duration // the next is not looked for sooner
	notReady time.Duration // when no further conversion was ready, surely
	checked  time.Duration // when all settings were compared
	why      error         // of the last failed transaction or set-up
	dead     bool

	rig.EventLog
	late, torn, retried, brownOuts, setUps, calErrors atomic.Uint64
}

// New returns a Sensor on the bus. It does no transaction: a chip that is not there is seen
// by its readings, which are Absent.
func New(bus i2c.Bus, clk rig.Sleeper, o Options) (*Sensor, error) {
	if bus == nil || clk == nil {
		return nil, errors.New("open NAU7802: it needs a bus and a clock, and one of them is nil: check i2c_bus in the config")
	}
	name := fmt.Sprintf("NAU7802 at 0x%02x on %v", Address, bus)
	if err := o.check(); err != nil {
		return nil, fmt.Errorf("open %s: %w", name, err)
	}
	if o.Input == 2 {
		name += ", input 2"
	}
	s := &Sensor{bus: bus, clk: clk, o: o, name: name}
	s.period = time.Second / time.Duration(o.SPS)
	s.shortest = time.Duration(float64(s.period) / fastest)
	s.power = puDigital | puAnalogue | puUp | puStart
	gain := byte(0)
	for g := o.Gain; g > 1; g /= 2 {
		gain++
	}
	s.ctrl1 = gain
	if o.LDOV > 0 {
		code, _ := ldoCode(o.LDOV)
		s.ctrl1 |= code << 3
		s.power |= puRegulator
	}
	s.ctrl2 = rates[o.SPS] << 4
	if o.Input == 2 {
		s.ctrl2 |= input2
	}
	if o.PGACapacitor {
		s.capacitor = pgaCapacitor
	}
	return s, nil
}

// String names the sensor by its bus and address.
func (s *Sensor) String() string { return s.name }

// Channels is 1.
func (s *Sensor) Channels() int { return 1 }

// Counts returns what was seen so far. It may be called at any time.
func (s *Sensor) Counts() Counts {
	return Counts{Late: s.late.Load(), Torn: s.torn.Load(), Retried: s.retried.Load(),
		BrownOuts: s.brownOuts.Load(), SetUps: s.setUps.Load(), CALErrors: s.calErrors.Load()}
}

// Start marks the conversion that waits in the chip as an old one. It does no transaction.
func (s *Sensor) Start() error {
	if s.dead {
		return fmt.Errorf("start %s: it was halted: open it anew", s.name)
	}
	s.stale = true
	return nil
}

// Stop does nothing: the chip stays powered and its cell warm.
func (s *Sensor) Stop() error { return nil }

// Halt powers the chip and its cell down, if one has ever answered.
func (s *Sensor) Halt() error {
	if s.dead {
		return nil
	}
	s.dead = true
	if !s.answered {
		return nil
	}
	if err := s.write(regPUCtrl, 0); err != nil {
		return fmt.Errorf("halt %s: %w (the chip may still be powered)", s.name, err)
	}
	return nil
}

// errChip is wrapped by every failure that is the chip's and not the caller's: the
// reading then says Absent or Stalled, and Read gives no error.
var errChip = errors.New("the chip did not do as it was asked")

// Read waits for the next conversion and reads it; see rig.Sensor. The first Read, and the
// first after the chip has lost its power, sets it up, which takes up to 2 s.
func (s *Sensor) Read(ctx context.Context, dst []rig.Reading) error {
	if len(dst) != 1 {
		return fmt.Errorf("read %s: room for %d readings given, want 1", s.name, len(dst))
	}
	if s.dead {
		return fmt.Errorf("read %s: it was halted: open it anew", s.name)
	}
	r, err := s.read(ctx)
	if err != nil {
		return fmt.Errorf("read %s: %w", s.name, err)
	}
	dst[0] = r
	return nil
}

func (s *Sensor) read(ctx context.Context) (rig.Reading, error) {
	begin := s.clk.Now()
	for {
		var err error
		if !s.ready {
			if err = s.setUp(ctx); err == nil {
				begin = s.clk.Now()
			}
		}
		if err == nil {
			var r rig.Reading
			var ok bool
			if r, ok, err = s.convert(ctx, begin); ok {
				return r, nil
			}
		}
		if err != nil && !errors.Is(err, errChip) {
			return rig.Reading{}, err
		}
		left := s.o.Timeout - (s.clk.Now() - begin)
		if err == nil || left <= 0 {
			return s.nothing(s.clk.Now()), nil
		}
		if !errors.Is(err, errSetUp) {
			left = min(left, retryPause) // a set-up that failed is tried once a Read
		}
		if err := s.clk.Sleep(ctx, left); err != nil {
			return rig.Reading{}, err
		}
	}
}

// nothing is the reading of a chip that gave none, and tells why once.
func (s *Sensor) nothing(now time.Duration) rig.Reading {
	s.settle = s.o.Settle
	if !s.gone && s.why != nil {
		s.gone = true
		s.Tell(rig.Event{Elapsed: now, Says: fmt.Sprintf("%s gives no readings: %v. Check its plug and its supply.", s.name, s.why)})
	}
	q := rig.Absent
	if s.answered {
		q = rig.Stalled
	}
	return rig.Reading{Elapsed: now, Quality: q}
}

// convert waits for a conversion until the timeout after begin, and reads it. Not ok
// without an error: none came.
func (s *Sensor) convert(ctx context.Context, begin time.Duration) (r rig.Reading, ok bool, err error) {
	if s.stale {
		s.notReady = s.clk.Now()
		if err := s.get(regADCO, 3); err != nil {
			return r, false, err
		}
		s.stale, s.last, s.earliest = false, 0, 0
	}
	looks := 0
	for {
		if err := ctx.Err(); err != nil {
			return r, false, err
		}
		now := s.clk.Now()
		if now < s.earliest {
			if err := s.clk.Sleep(ctx, s.earliest-now); err != nil {
				return r, false, err
			}
			now = s.clk.Now()
		}
		power, err := s.status(now)
		if err != nil {
			return r, false, err
		}
		if power != s.power && power != s.power|puReady {
			return s.brownOut(now), true, nil
		}
		if power&puReady != 0 {
			r, err = s.take(now, looks)
			return r, err == nil, err
		}
		s.notReady = now
		looks++
		if now-begin >= s.o.Timeout {
			s.why = fmt.Errorf("no conversion was ready within %v, although the chip answers", s.o.Timeout)
			s.ready = false // setting it up anew may bring it back
			return r, false, nil
		}
		if err := s.clk.Sleep(ctx, s.period/16); err != nil {
			return r, false, err
		}
	}
}

// status returns PU_CTRL, and from time to time compares the other settings too: if they
// differ, 0 is returned in its place.
func (s *Sensor) status(now time.Duration) (byte, error) {
	if now-s.checked < checkEvery {
		err := s.get(regPUCtrl, 1)
		return s.r[0], err
	}
	if err := s.get(regPUCtrl, 3); err != nil {
		return 0, err
	}
	s.checked = now
	if s.r[1] != s.ctrl1 || s.r[2] != s.ctrl2 {
		return 0, nil
	}
	return s.r[0], nil
}

// brownOut notes that the chip lost its settings.
func (s *Sensor) brownOut(now time.Duration) rig.Reading {
	s.brownOuts.Add(1)
	s.ready = false
	s.why = errors.New("it lost its power and its settings")
	return rig.Reading{Elapsed: now, Quality: rig.Stalled}
}

// take reads the conversion that was found ready at the given time, after looks at the
// chip that found none.
func (s *Sensor) take(at time.Duration, looks int) (rig.Reading, error) {
	from := s.clk.Now()
	if err := s.get(regADCO, 3); err != nil {
		return rig.Reading{}, err
	}
	end := s.clk.Now()
	counts := int32(uint32(s.r[0])<<24|uint32(s.r[1])<<16|uint32(s.r[2])<<8) >> 8
	late := end > s.notReady+s.shortest
	s.track(at, looks)
	s.notReady = end
	if late {
		s.late.Add(1)
		s.notReady = from // a conversion may have ended since, and wait
		return rig.Reading{Elapsed: at, Quality: rig.Misread}, nil
	}
	if counts == 0 || counts&0xF == 0xF {
		if err := s.get(regPUCtrl, 1); err != nil || s.r[0]&^puReady != s.power {
			s.torn.Add(1)
			return rig.Reading{Elapsed: at, Quality: rig.Misread}, nil
		}
	}
	if s.gone {
		s.gone = false
		s.Tell(rig.Event{Elapsed: at, Says: s.name + " gives readings again."})
	}
	s.why = nil
	r := rig.Reading{Elapsed: at, Counts: counts}
	switch {
	case s.settle > 0:
		s.settle--
		r.Quality = rig.Settling
	case counts == 0x7FFFFF || counts == -0x800000:
		r.Quality = rig.Saturated
	}
	return r, nil
}

// track learns the chip's own period and phase, so that the bus is not polled in vain. The
// period is the mean time between conversions found. A conversion ended between the last
// look in vain and the one that found it; where the expected moment lies outside, it is
// moved to the nearer end. One that is found ready at the first look comes too late for
// the phase rule, and one found at the second nearly so: the next is expected earlier.
func (s *Sensor) track(at time.Duration, looks int) {
	expected := s.last + s.interval
	took := at - s.found
	s.found = at
	switch {
	case s.last == 0 || at-s.last > 3*s.period:
		s.interval, s.last = s.shortest, at
	case looks == 0:
		s.last = min(expected, at) - s.period/8
	default:
		s.last = max(s.notReady, min(expected, at))
		if took < s.period*3/2 { // else one was missed
			s.interval += (took - s.interval) / 32
		}
		if looks == 1 {
			s.last -= s.period / 32
		}
	}
	s.earliest = s.last + s.interval - s.period/16 - sleepsLate
}

// errSetUp is wrapped by a set-up that failed although the chip answers.
var errSetUp = fmt.Errorf("%w while it was set up", errChip)

// setUp brings the chip from any state to converting, with its offset calibrated.
func (s *Sensor) setUp(ctx context.Context) error {
	err := s.powerUp(ctx)
	if err == nil {
		err = s.calibrate(ctx)
	}
	if err != nil {
		if errors.Is(err, errChip) {
			s.why = err
		}
		return err
	}
	s.setUps.Add(1)
	now := s.clk.Now()
	if s.known {
		s.Tell(rig.Event{Elapsed: now, TareDue: true, Says: fmt.Sprintf("%s was set up and calibrated anew: %v. Its zero may have moved: tare it before the next run.", s.name, s.reason())})
		s.gone = false
	}
	s.known, s.ready, s.stale = true, true, false
	s.settle = s.o.Settle
	s.interval, s.last, s.earliest = 0, 0, 0
	s.notReady, s.checked = now, now
	return nil
}

func (s *Sensor) reason() error {
	if s.why == nil {
		return errors.New("it had stopped")
	}
	return s.why
}

func (s *Sensor) powerUp(ctx context.Context) error {
	if err := s.write(regPUCtrl, puReset); err != nil {
		return err
	}
	if err := s.write(regPUCtrl, puDigital); err != nil {
		return err
	}
	if err := s.until(ctx, "PUR, which says that it is powered up", regPUCtrl, puUp, puUp, upWithin, 200*time.Microsecond); err != nil {
		return err
	}
	if err := s.get(regRevision, 1); err != nil {
		return err
	}
	if got := s.r[0] & 0x0F; got != revision {
		return fmt.Errorf("%w: what answers has revision 0x%x and a NAU7802 has 0x%x: is another chip at this address?", errSetUp, got, revision)
	}
	s.answered = true
	for _, x := range [...][2]byte{
		{regPUCtrl, s.power &^ (puUp | puStart)},
		{regCtrl1, s.ctrl1},
		{regCtrl2, s.ctrl2},
		{regADC, chopperOff},
		{regPower, s.capacitor},
		{regPUCtrl, s.power &^ puUp},
	} {
		if err := s.write(x[0], x[1]); err != nil {
			return err
		}
	}
	// The regulator has no ready bit: conversions that come say that the analogue part runs.
	for range fewest {
		if err := s.until(ctx, "CR, which says that a conversion is ready", regPUCtrl, puReady, puReady, firstWithin*s.period, s.period/16); err != nil {
			return err
		}
		if err := s.get(regADCO, 3); err != nil {
			return err
		}
	}
	return nil
}

// calibrate lets the chip find its offset.
func (s *Sensor) calibrate(ctx context.Context) error {
	if err := s.write(regCtrl2, s.ctrl2|calStart); err != nil {
		return err
	}
	err := s.until(ctx, "CALS, which says that the offset is being calibrated", regCtrl2, calStart, 0, calWithin, 5*time.Millisecond)
	if err == nil && s.r[0]&calError != 0 {
		err = fmt.Errorf("%w: CAL_ERR says that the offset calibration failed", errSetUp)
	}
	if errors.Is(err, errSetUp) {
		s.calErrors.Add(1)
	}
	return err
}

// until polls a register until its masked bits have a value; s.r[0] is then the register.
func (s *Sensor) until(ctx context.Context, what string, reg, mask, want byte, within, pause time.Duration) error {
	begin := s.clk.Now()
	for {
		if err := s.get(reg, 1); err != nil {
			return err
		}
		if s.r[0]&mask == want {
			return nil
		}
		if s.clk.Now()-begin > within {
			return fmt.Errorf("%w: %s, did not change within %v (register 0x%02x is 0x%02x)", errSetUp, what, within, reg, s.r[0])
		}
		if err := s.clk.Sleep(ctx, pause); err != nil {
			return err
		}
	}
}

// get reads n registers from reg on into s.r.
func (s *Sensor) get(reg byte, n int) error {
	s.w[0] = reg
	var err error
	for range tries {
		if err = s.bus.Tx(Address, s.w[:1], s.r[:n]); err == nil {
			return nil
		}
		s.retried.Add(1)
	}
	s.why = fmt.Errorf("%w: read register 0x%02x: %w (tried %d times)", errChip, reg, err, tries)
	return s.why
}

func (s *Sensor) write(reg, v byte) error {
	s.w = [2]byte{reg, v}
	var err error
	for range tries {
		if err = s.bus.Tx(Address, s.w[:], nil); err == nil {
			return nil
		}
		s.retried.Add(1)
	}
	s.why = fmt.Errorf("%w: write 0x%02x to register 0x%02x: %w (tried %d times)", errChip, v, reg, err, tries)
	return s.why
}

var (
	_ rig.Sensor  = (*Sensor)(nil)
	_ rig.Starter = (*Sensor)(nil)
	_ rig.Teller  = (*Sensor)(nil)
)
