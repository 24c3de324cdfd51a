// Package ads1115 reads level or pressure senders through ADS1115 converters (Texas
// Instruments, "ADS111x Ultra-Small, Low-Power, I2C-Compatible, 860-SPS, 16-Bit ADCs",
// SBAS444E), up to four inputs a chip.
//
//	s, err := ads1115.New(bus, clk, ads1115.Options{
//		Inputs:    []ads1115.Input{{Plus: 0}, {Plus: 1}, {Plus: 2}},
//		Reference: &ads1115.Input{Plus: 3},
//	})
//
// One Read converts each input once, in order: the Sensor has a channel for each.
//
// # What the data sheet says
//
//	address    0x48 to 0x4B, as ADDR is tied ("I2C Address Selection")
//	registers  0x00 conversion, 0x01 config, both two bytes, the higher first
//	OS         config bit 15: writing 1 starts a single conversion; reads 0 while it
//	           runs and 1 when it is done ("Config Register")
//	MUX        bits 14:12: pairs 0-1, 0-3, 1-3, 2-3, then AIN0 to AIN3 against ground
//	PGA        bits 11:9: full scale 6.144, 4.096, 2.048, 1.024, 0.512, 0.256 V
//	MODE       bit 8: 1 is single-shot
//	DR         bits 7:5: 8, 16, 32, 64, 128, 250, 475, 860 SPS, within 10 %
//	reset      config is 0x8583, conversion 0
//	ends       0x7FFF and 0x8000; an input against ground gives 0 to 0x7FFF, and less
//	           than 0 by its noise only
//
// An input must not stand above VDD by more than 0.3 V, whatever the full scale says.
//
// # Ratiometric
//
// The voltage of a ratiometric sender is a share of its supply. With Options.Reference the
// supply (or a divided part of it) is converted at the beginning of every Read, and each
// channel's counts are millionths of it: a supply that wanders goes out of the result. 500000
// is half of the reference. Without it the counts are the chip's own code.
//
// # Why a reading can be trusted
//
// OS is polled; nothing is taken after a nominal time. Config is compared with what was
// written: after a loss of power it reads 0x8583, which has OS set and means nothing. The
// comparator, which is not used, is given its latch bit, so that no setting equals the reset
// value. A code of 0, as after a reset, or one that ends in four ones, as from a chip that
// went while it was read, is taken only if config still stands.
package ads1115

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	"periph.io/x/conn/v3/i2c"

	"brimline/rig"
)

const (
	regConversion = 0x00
	regConfig     = 0x01

	configStart  = 1 << 15 // OS
	configSingle = 1 << 8  // MODE
	configMark   = 1 << 2  // COMP_LAT: tells a config of ours from the reset value
	configQuiet  = 3       // COMP_QUE: no comparator

	tries      = 3
	fastest    = 1.10 // real over nominal rate at most: "Electrical Characteristics"
	retryPause = 20 * time.Millisecond
	leastRef   = 0x7FFF / 10 // of a reference's code: less is no supply
)

// RatiometricCounts are the counts that stand for the whole reference.
const RatiometricCounts = 1_000_000

// Input is one input, or the difference of two.
type Input struct {
	// Plus is the input, 0 to 3.
	Plus int
	// Minus is what it is measured against: 0 is ground; else 1 or 3, for the pairs 0-1, 0-3,
	// 1-3 and 2-3.
	Minus int
	// RangeV is the full scale: 6.144, 4.096 (default), 2.048, 1.024, 0.512 or 0.256 V.
	RangeV float64
	// Low and High are counts beyond which a reading is Saturated, as that of a sender
	// with a broken wire is. Both 0: the converter's own ends alone.
	Low, High int32
}

// Options tune a Sensor. Inputs must be given.
type Options struct {
	Addr      uint16 // 0x48 (default) to 0x4B
	SPS       int    // 8, 16, 32, 64, 128 (default), 250, 475 or 860 conversions a second
	Inputs    []Input
	Reference *Input // nil: no reference
	// Timeout is how long one Read tries to get an answer from a chip that gives none before
	// it says Stalled or Absent. Default: 500 ms; least: 100 ms and three conversions.
	Timeout time.Duration
}

var (
	ranges = []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256}
	rates  = []int{8, 16, 32, 64, 128, 250, 475, 860}
	pairs  = [][2]int{{0, 1}, {0, 3}, {1, 3}, {2, 3}}
)

// input is an Input as it is written to the chip.
type input struct {
	Input
	config uint16
}

// Sensor is one ADS1115. It implements rig.Sensor and rig.Teller.
type Sensor struct {
	bus     i2c.Bus
	clk     rig.Sleeper
	o       Options
	name    string
	inputs  []input
	ref     *input
	period  time.Duration // nominal
	soonest time.Duration // no conversion is ready sooner

	// What is written and read stands here: a bus may be given addresses as plain numbers
	// (periph's for Linux does that), and those of a stack may change.
	w [3]byte
	r [2]byte

	answered, gone, dead bool
	why                  error

	rig.EventLog
	resets, retried atomic.Uint64
}

// New returns a Sensor on the bus. It does no transaction: a chip that is not there is seen
// by its readings, which are Absent.
func New(bus i2c.Bus, clk rig.Sleeper, o Options) (*Sensor, error) {
	if bus == nil || clk == nil {
		return nil, errors.New("open ADS1115: it needs a bus and a clock, and one of them is nil: check i2c_bus in the config")
	}
	if o.Addr == 0 {
		o.Addr = 0x48
	}
	s := &Sensor{bus: bus, clk: clk, name: fmt.Sprintf("ADS1115 at 0x%02x on %v", o.Addr, bus)}
	if err := s.check(o); err != nil {
		return nil, fmt.Errorf("open %s: %w", s.name, err)
	}
	return s, nil
}

func (s *Sensor) check(o Options) error {
	if o.Addr < 0x48 || o.Addr > 0x4B {
		return fmt.Errorf("address 0x%02x: use 0x48 to 0x4B, as ADDR is tied", o.Addr)
	}
	if o.SPS == 0 {
		o.SPS = 128
	}
	rate := slices.Index(rates, o.SPS)
	if rate < 0 {
		return fmt.Errorf("rate %d SPS: use one of %v", o.SPS, rates)
	}
	s.period = time.Second / time.Duration(o.SPS)
	s.soonest = time.Duration(float64(s.period) / fastest)
	switch least := max(100*time.Millisecond, 3*s.period); {
	case o.Timeout == 0:
		o.Timeout = 500 * time.Millisecond
	case o.Timeout < least:
		return fmt.Errorf("timeout %v: at %d SPS at least %v is needed, or leave it 0", o.Timeout, o.SPS, least)
	}
	if len(o.Inputs) < 1 || len(o.Inputs) > 4 {
		return fmt.Errorf("%d inputs given: use 1 to 4", len(o.Inputs))
	}
	for i, in := range o.Inputs {
		x, err := in.encode(rate)
		if err != nil {
			return fmt.Errorf("input %d of %d: %w", i+1, len(o.Inputs), err)
		}
		s.inputs = append(s.inputs, x)
	}
	if o.Reference != nil {
		x, err := o.Reference.encode(rate)
		if err != nil {
			return fmt.Errorf("reference: %w", err)
		}
		s.ref = &x
	}
	s.o = o
	return nil
}

// encode makes the config register's value.
func (in Input) encode(rate int) (input, error) {
	mux := slices.Index(pairs, [2]int{in.Plus, in.Minus})
	switch {
	case in.Plus < 0 || in.Plus > 3:
		return input{}, fmt.Errorf("AIN%d: use 0 to 3", in.Plus)
	case in.Minus == 0:
		mux = 4 + in.Plus
	case mux < 0:
		return input{}, fmt.Errorf("AIN%d against AIN%d: the chip has the pairs 0-1, 0-3, 1-3 and 2-3, and each input against ground (0)", in.Plus, in.Minus)
	}
	if in.RangeV == 0 {
		in.RangeV = 4.096
	}
	pga := slices.Index(ranges, in.RangeV)
	if pga < 0 {
		return input{}, fmt.Errorf("full scale %g V: use one of %v", in.RangeV, ranges)
	}
	if in.Low > in.High {
		return input{}, fmt.Errorf("low %d is above high %d counts: swap the two", in.Low, in.High)
	}
	return input{in, configStart | uint16(mux)<<12 | uint16(pga)<<9 | configSingle | uint16(rate)<<5 | configMark | configQuiet}, nil
}

// String names the sensor by its bus and address.
func (s *Sensor) String() string { return s.name }

// Channels is how many inputs are read.
func (s *Sensor) Channels() int { return len(s.inputs) }

// Resets returns how often the chip was found to have lost its settings, and Retried how
// many transactions were tried again. They may be called at any time.
func (s *Sensor) Resets() uint64  { return s.resets.Load() }
func (s *Sensor) Retried() uint64 { return s.retried.Load() }

// Halt leaves the chip as it is: between single conversions it is powered down.
func (s *Sensor) Halt() error {
	s.dead = true
	return nil
}

// errChip is wrapped by every failure that is the chip's and not the caller's.
var errChip = errors.New("the chip did not do as it was asked")

// Read converts the reference, if there is one, and every input; see rig.Sensor. When the
// chip gives nothing, what was converted before stands and the rest is Absent or Stalled.
func (s *Sensor) Read(ctx context.Context, dst []rig.Reading) error {
	if len(dst) != len(s.inputs) {
		return fmt.Errorf("read %s: room for %d readings given, want %d", s.name, len(dst), len(s.inputs))
	}
	if s.dead {
		return fmt.Errorf("read %s: it was halted: open it anew", s.name)
	}
	deadline := s.clk.Now() + s.o.Timeout + time.Duration(len(dst)+1)*2*s.period
	refV, q := 0.0, rig.Good
	if s.ref != nil {
		_, code, err := s.convert(ctx, s.ref, deadline)
		if err != nil {
			return s.fail(dst, err)
		}
		if code < leastRef || code == 0x7FFF {
			q = rig.Misread // a share of nothing
			s.tell(s.clk.Now(), fmt.Errorf("its reference reads %.3f V of a full scale of %g V", volts(code, s.ref), s.ref.RangeV))
		}
		refV = volts(code, s.ref)
	}
	for i := range s.inputs {
		in := &s.inputs[i]
		at, code, err := s.convert(ctx, in, deadline)
		if err != nil {
			return s.fail(dst[i:], err)
		}
		dst[i] = s.reading(in, at, code, refV, q)
	}
	if s.gone && q == rig.Good {
		s.gone = false
		s.Tell(rig.Event{Elapsed: dst[0].Elapsed, Says: s.name + " gives readings again."})
	}
	return nil
}

func (s *Sensor) reading(in *input, at time.Duration, code int16, refV float64, q rig.Quality) rig.Reading {
	if q != rig.Good {
		return rig.Reading{Elapsed: at, Quality: q}
	}
	r := rig.Reading{Elapsed: at, Counts: int32(code)}
	if s.ref != nil {
		r.Counts = round(volts(code, in) / refV * RatiometricCounts)
	}
	beyond := (in.Low != 0 || in.High != 0) && (r.Counts < in.Low || r.Counts > in.High)
	if code == 0x7FFF || code == -0x8000 || beyond {
		r.Quality = rig.Saturated
	}
	return r
}

func volts(code int16, in *input) float64 { return float64(code) / 0x8000 * in.RangeV }

// round is to the nearest; the largest ratio, 10 full scales of 6.144 V in 0.256 V, has
// room in 32 bits.
func round(x float64) int32 {
	if x < 0 {
		return int32(x - 0.5)
	}
	return int32(x + 0.5)
}

// fail makes readings of a failure of the chip, and passes every other on.
func (s *Sensor) fail(dst []rig.Reading, err error) error {
	if !errors.Is(err, errChip) {
		return fmt.Errorf("read %s: %w", s.name, err)
	}
	now := s.clk.Now()
	s.tell(now, err)
	q := rig.Absent
	if s.answered {
		q = rig.Stalled
	}
	for i := range dst {
		dst[i] = rig.Reading{Elapsed: now, Quality: q}
	}
	return nil
}

// tell says once that there are no readings, and why.
func (s *Sensor) tell(now time.Duration, why error) {
	if !s.gone {
		s.gone = true
		s.Tell(rig.Event{Elapsed: now, Says: fmt.Sprintf("%s gives no readings: %v. Check its plug and its supply.", s.name, why)})
	}
}

// convert gives the code of one conversion and when it was found ready. While the chip
// gives none it is tried again until the deadline.
func (s *Sensor) convert(ctx context.Context, in *input, deadline time.Duration) (at time.Duration, code int16, err error) {
	for {
		if err := ctx.Err(); err != nil {
			return 0, 0, err
		}
		if at, code, err = s.once(ctx, in); err == nil || !errors.Is(err, errChip) {
			return at, code, err
		}
		if s.clk.Now()+retryPause >= deadline {
			return 0, 0, err
		}
		if err := s.clk.Sleep(ctx, retryPause); err != nil {
			return 0, 0, err
		}
	}
}

func (s *Sensor) once(ctx context.Context, in *input) (at time.Duration, code int16, err error) {
	s.w = [3]byte{regConfig, byte(in.config >> 8), byte(in.config)}
	if err := s.tx(3, 0); err != nil {
		return 0, 0, err
	}
	begin := s.clk.Now()
	pause := s.soonest
	for {
		if err := s.clk.Sleep(ctx, pause); err != nil {
			return 0, 0, err
		}
		pause = s.period / 16
		at = s.clk.Now()
		config, err := s.get(regConfig)
		if err != nil {
			return 0, 0, err
		}
		if config|configStart != in.config {
			return 0, 0, s.lost(config, in)
		}
		s.answered = true
		if config&configStart != 0 {
			break
		}
		if at-begin > 3*s.period {
			return 0, 0, fmt.Errorf("%w: a conversion was not ready after %v, its nominal time is %v", errChip, at-begin, s.period)
		}
	}
	v, err := s.get(regConversion)
	if err != nil {
		return 0, 0, err
	}
	if v == 0 || v&0xF == 0xF {
		config, err := s.get(regConfig)
		if err != nil {
			return 0, 0, err
		}
		if config != in.config {
			return 0, 0, s.lost(config, in)
		}
	}
	return at, int16(v), nil
}

// lost is the error of a chip that has not the settings it was given.
func (s *Sensor) lost(config uint16, in *input) error {
	s.resets.Add(1)
	return fmt.Errorf("%w: config is 0x%04x in place of 0x%04x: it lost its power, or another chip is at this address", errChip, config, in.config)
}

func (s *Sensor) get(reg byte) (uint16, error) {
	s.w[0] = reg
	err := s.tx(1, 2)
	return uint16(s.r[0])<<8 | uint16(s.r[1]), err
}

// tx writes n bytes of s.w and reads into m of s.r.
func (s *Sensor) tx(n, m int) error {
	var err error
	for range tries {
		if err = s.bus.Tx(s.o.Addr, s.w[:n], s.r[:m]); err == nil {
			return nil
		}
		s.retried.Add(1)
	}
	return fmt.Errorf("%w: register 0x%02x: %w (tried %d times)", errChip, s.w[0], err, tries)
}

var (
	_ rig.Sensor = (*Sensor)(nil)
	_ rig.Teller = (*Sensor)(nil)
)
