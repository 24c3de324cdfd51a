package simbench

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"
)

func i2cBench(t *testing.T, o Options) *Bench {
	t.Helper()
	b, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// regs reads n registers of the chip at 0x2A.
func regs(t *testing.T, b *Bench, reg byte, n int) []byte {
	t.Helper()
	r := make([]byte, n)
	if err := b.I2C(0).Tx(0x2A, []byte{reg}, r); err != nil {
		t.Fatal(err)
	}
	return r
}

func setReg(t *testing.T, b *Bench, w ...byte) {
	t.Helper()
	if err := b.I2C(0).Tx(0x2A, w, nil); err != nil {
		t.Fatal(err)
	}
}

// The NAU7802's registers behave as its data sheet says (see package nau7802).
func TestNAU7802Registers(t *testing.T) {
	b := i2cBench(t, Options{Seed: 1, Channels: 1, Counts: func(_ int, n uint64, gain int) int32 { return int32(n)<<8 | int32(gain) }})
	if err := b.NAU7802(0, I2CPlace{Addr: 0x2A}, 80); err != nil {
		t.Fatal(err)
	}
	clk := b.Clock(0)
	pass := func(d time.Duration) {
		t.Helper()
		if err := clk.Sleep(t.Context(), d); err != nil {
			t.Fatal(err)
		}
	}
	if got := regs(t, b, 0x00, 3); !slices.Equal(got, []byte{0, 0, 0}) {
		t.Errorf("after power-on %x, want zeros", got)
	}
	if got := regs(t, b, 0x1F, 1)[0]; got != 0x0F {
		t.Errorf("revision 0x%x", got)
	}
	setReg(t, b, 0x00, 0x02)
	if got := regs(t, b, 0x00, 1)[0]; got != 0x02 {
		t.Errorf("just powered up PU_CTRL is 0x%x, want no PUR yet", got)
	}
	pass(200 * time.Microsecond)
	if got := regs(t, b, 0x00, 1)[0]; got != 0x0A {
		t.Errorf("200 us later PU_CTRL is 0x%x, want PUR", got)
	}
	setReg(t, b, 0x01, 0x27, 0x30) // CTRL1 and CTRL2 in one write
	setReg(t, b, 0x00, 0x96)
	if got := regs(t, b, 0x00, 3); !slices.Equal(got, []byte{0x9E, 0x27, 0x30}) {
		t.Errorf("started: %x", got)
	}
	truth, err := b.Truth(0, 0, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	if p := truth.Period.Seconds() * 80; p < 1/1.05-1e-6 || p > 1/0.95+1e-6 {
		t.Errorf("a period of %v at 80 SPS", truth.Period)
	}
	pass(truth.Period * 4)
	if got := regs(t, b, 0x00, 1)[0]; got != 0xBE {
		t.Errorf("four periods later PU_CTRL is 0x%x, want CR", got)
	}
	if got := regs(t, b, 0x12, 3); !slices.Equal(got, []byte{0, 4, 128}) {
		t.Errorf("the fourth conversion is %x", got)
	}
	if got := regs(t, b, 0x00, 1)[0]; got != 0x9E {
		t.Errorf("read, yet PU_CTRL is 0x%x", got)
	}
	// Calibration: CALS stays set for its time, then CAL_ERR tells.
	for _, bad := range []bool{true, false} {
		if err := b.SetI2CFault(0, I2CFault{CalibrationErrors: bad}); err != nil {
			t.Fatal(err)
		}
		setReg(t, b, 0x02, 0x34)
		if got := regs(t, b, 0x02, 1)[0]; got != 0x34 {
			t.Errorf("calibrating, CTRL2 is 0x%x", got)
		}
		pass(400 * time.Millisecond)
		if got := regs(t, b, 0x02, 1)[0]; got != map[bool]byte{true: 0x38, false: 0x30}[bad] {
			t.Errorf("calibrated, error %v: CTRL2 is 0x%x", bad, got)
		}
	}
	// RR puts all back.
	setReg(t, b, 0x00, 0x01)
	if got := regs(t, b, 0x00, 3); !slices.Equal(got, []byte{1, 0, 0}) {
		t.Errorf("reset: %x", got)
	}
}

// A conversion that ends while ADCO is read tears the value: the simulated chip does
// what the data sheet does not rule out.
func TestNAU7802TearsValues(t *testing.T) {
	b := i2cBench(t, Options{Seed: 2, Channels: 1, Counts: func(_ int, n uint64, _ int) int32 { return 0x010101 * int32(n%100) }})
	if err := b.NAU7802(0, I2CPlace{Addr: 0x2A}, 320); err != nil {
		t.Fatal(err)
	}
	setReg(t, b, 0x00, 0x02)
	if err := b.Clock(0).Sleep(t.Context(), time.Millisecond); err != nil {
		t.Fatal(err)
	}
	setReg(t, b, 0x02, 0x70)
	setReg(t, b, 0x00, 0x96)
	torn := 0
	for range 2000 {
		r := regs(t, b, 0x12, 3)
		if r[0] != r[1] || r[1] != r[2] {
			torn++
		}
	}
	if torn < 10 {
		t.Errorf("%d of 2000 reads without a look at CR are torn, want some", torn)
	}
}

// A bus is one: its bytes take their time, and two chips of one address answer together.
func TestI2CBus(t *testing.T) {
	b := i2cBench(t, Options{Seed: 3, Channels: 4})
	for ch, place := range []I2CPlace{{Addr: 0x2A, Mux: 0x70, Port: 0}, {Addr: 0x2A, Mux: 0x70, Port: 5}, {Addr: 0x48}} {
		var err error
		if place.Addr == 0x48 {
			err = b.ADS1115(place, ADS1115Inputs{Channels: [4]int{ch, -1, -1, -1}, Supply: 1})
		} else {
			err = b.NAU7802(ch, place, 80)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	bus := b.I2C(0)
	var r [2]byte
	if err := bus.Tx(0x2A, []byte{0x1F}, r[:1]); !errors.Is(err, errNACK) {
		t.Errorf("no port connected: %v", err)
	}
	if err := bus.Tx(0x70, []byte{0x21}, nil); err != nil {
		t.Fatal(err)
	}
	if err := bus.Tx(0x70, nil, r[:1]); err != nil || r[0] != 0x21 {
		t.Errorf("the control register reads 0x%x, %v", r[0], err)
	}
	if err := bus.Tx(0x2A, []byte{0x1F}, r[:1]); err != nil || r[0] != 0x0F {
		t.Errorf("ports 0 and 5 connected: 0x%x, %v", r[0], err)
	}
	b.ResetMux(0)
	if err := bus.Tx(0x2A, []byte{0x1F}, r[:1]); !errors.Is(err, errNACK) {
		t.Errorf("after a reset: %v", err)
	}
	// The reset value of the ADS1115's config, and 5 bytes of 9 clocks at 100 kHz.
	if err := bus.SetSpeed(100 * physic.KiloHertz); err != nil {
		t.Fatal(err)
	}
	clk := b.Clock(2)
	if err := clk.Sleep(t.Context(), 10*time.Millisecond); err != nil { // the bus is free by then
		t.Fatal(err)
	}
	from := clk.Now()
	if err := bus.Tx(0x48, []byte{0x01}, r[:]); err != nil || r != [2]byte{0x85, 0x83} {
		t.Errorf("config %x, %v", r, err)
	}
	if d := clk.Now() - from; d < 450*time.Microsecond || d > 460*time.Microsecond {
		t.Errorf("five bytes at 100 kHz took %v", d)
	}
	if err := bus.SetSpeed(physic.Hertz); err == nil {
		t.Error("a bus of 1 Hz")
	}
}

func TestI2CPlacesAreChecked(t *testing.T) {
	b := i2cBench(t, Options{Channels: 3})
	if err := b.NAU7802(0, I2CPlace{Addr: 0x2A, Mux: 0x70}, 80); err != nil {
		t.Fatal(err)
	}
	four := func(ch int) ADS1115Inputs { return ADS1115Inputs{Channels: [4]int{ch, -1, -1, -1}, Supply: -1} }
	for says, err := range map[string]error{
		"another chip":     b.NAU7802(1, I2CPlace{Addr: 0x2A}, 80),
		"already":          b.NAU7802(0, I2CPlace{Addr: 0x2A, Mux: 0x71}, 80),
		"channel 7":        b.NAU7802(7, I2CPlace{Addr: 0x2A}, 80),
		"100 SPS":          b.NAU7802(1, I2CPlace{Addr: 0x2A, Mux: 0x70, Port: 1}, 100),
		"port 8":           b.NAU7802(1, I2CPlace{Addr: 0x2A, Mux: 0x70, Port: 8}, 80),
		"0x69":             b.NAU7802(1, I2CPlace{Addr: 0x2A, Mux: 0x69}, 80),
		"address 0x00":     b.ADS1115(I2CPlace{}, four(1)),
		"no channel on":    b.ADS1115(I2CPlace{Addr: 0x48}, four(-1)),
		"channel 0 has":    b.ADS1115(I2CPlace{Addr: 0x48}, four(0)),
		"channel 9":        b.ADS1115(I2CPlace{Addr: 0x48}, four(9)),
		"supply on":        b.ADS1115(I2CPlace{Addr: 0x48}, ADS1115Inputs{Channels: [4]int{1, -1, -1, -1}, Supply: 0}),
		"no chip":          b.SetI2CFault(2, I2CFault{}),
		"not acknowledged": b.SetI2CFault(0, I2CFault{NACKs: 2}),
	} {
		if err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("got %v, want an error that says %q", err, says)
		}
	}
}

func TestSleepEndsWithItsContext(t *testing.T) {
	b := i2cBench(t, Options{Channels: 1})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := b.Clock(0).Sleep(ctx, time.Second); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	from := b.Now()
	if err := b.Clock(0).Sleep(t.Context(), time.Second); err != nil || b.Now()-from < time.Second || b.Now()-from > 1001*time.Millisecond {
		t.Errorf("1 s took %v, %v", b.Now()-from, err)
	}
}

// A poured volume stands in a level sender's tube until another takes its place, Part
// says what the sender gives for it, and a volume that cannot be is refused.
func TestPour(t *testing.T) {
	b := i2cBench(t, Options{Seed: 1, Channels: 1})
	square := func(_ int, mL, grams float64) float64 { return mL*mL/1e4 + grams/1000 }
	if err := b.ADS1115(I2CPlace{Addr: 0x48}, ADS1115Inputs{Channels: [4]int{0, -1, -1, -1}, Supply: -1, Part: square}); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []error{b.Pour(0, -1), b.Pour(0, math.NaN()), b.Pour(1, 10)} {
		if bad == nil || !strings.Contains(bad.Error(), "pour") {
			t.Errorf("%v", bad)
		}
	}
	for _, c := range []struct{ mL, grams, part float64 }{{0, 0, 0}, {50, 0, 0.25}, {30, 100, 0.19}} {
		if err := errors.Join(b.Pour(0, c.mL), b.Put(0, c.grams)); err != nil {
			t.Fatal(err)
		}
		// One conversion of input 0 against ground at 4.096 V and 860 SPS.
		bus := b.I2C(0)
		var r [2]byte
		if err := errors.Join(bus.Tx(0x48, []byte{1, 0xC3, 0xE3}, nil), b.Clock(0).Sleep(t.Context(), 5*time.Millisecond), bus.Tx(0x48, []byte{0}, r[:])); err != nil {
			t.Fatal(err)
		}
		got := float64(int16(r[0])<<8|int16(r[1])) / 0x8000 * 4.096
		// 10 to 90 % of 3.3 V, which wanders by 0.4 %.
		if want := 3.3 * (0.1 + 0.8*c.part); math.Abs(got-want) > 0.005*want {
			t.Errorf("%g mL and %g g: %.4f V, want %.4f", c.mL, c.grams, got, want)
		}
	}
}
