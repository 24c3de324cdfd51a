package ads1115_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"

	"brimline/rig"
	"brimline/rig/ads1115"
	"brimline/rig/rigtest"
	"brimline/rig/simbench"
)

// bench has an ADS1115 with three level senders and their supply on input 3.
func bench(t testing.TB, o simbench.Options) *simbench.Bench {
	t.Helper()
	o.Channels = 3
	b, err := simbench.New(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.ADS1115(simbench.I2CPlace{Addr: 0x48}, simbench.ADS1115Inputs{Channels: [4]int{0, 1, 2, -1}, Supply: 3}); err != nil {
		t.Fatal(err)
	}
	return b
}

var ratiometric = ads1115.Options{
	Inputs:    []ads1115.Input{{Plus: 0, Low: 50_000, High: 950_000}, {Plus: 1, Low: 50_000, High: 950_000}, {Plus: 2, Low: 50_000, High: 950_000}},
	Reference: &ads1115.Input{Plus: 3},
}

func open(t testing.TB, bus i2c.Bus, clk rig.Sleeper, o ads1115.Options) *ads1115.Sensor {
	t.Helper()
	s, err := ads1115.New(bus, clk, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func read(t testing.TB, s rig.Sensor) []rig.Reading {
	t.Helper()
	r := make([]rig.Reading, s.Channels())
	if err := s.Read(t.Context(), r); err != nil {
		t.Fatal(err)
	}
	return r
}

func TestContract(t *testing.T) {
	for _, sps := range []int{8, 128, 860} {
		t.Run(fmt.Sprintf("sps=%d", sps), func(t *testing.T) {
			rigtest.Sensor(t, func(t *testing.T) rig.Sensor {
				b := bench(t, simbench.Options{Seed: 1})
				o := ratiometric
				o.SPS = sps
				return b.Sensor(0, open(t, b.I2C(0), b.Clock(0), o))
			})
		})
	}
}

// steps is a clock that only Sleep moves.
type steps struct{ now time.Duration }

func (c *steps) Now() time.Duration { c.now += time.Microsecond; return c.now }
func (c *steps) Sleep(ctx context.Context, d time.Duration) error {
	c.now += d
	return ctx.Err()
}

// One reading of one input and a reference, by name. The config bits are those of the
// data sheet: AIN1 against ground is MUX 5, AIN3 MUX 7, 4.096 V PGA 1, 6.144 V PGA 0,
// single-shot, 860 SPS DR 7, the mark COMP_LAT, and no comparator.
func transcript() (ops []i2ctest.IO, names []string) {
	add := func(name string, w, r []byte) {
		ops = append(ops, i2ctest.IO{Addr: 0x49, W: w, R: r})
		names = append(names, name)
	}
	add("convert the reference", []byte{0x01, 0xF1, 0xE7}, nil)
	add("it converts", []byte{0x01}, []byte{0x71, 0xE7})
	add("it is ready", []byte{0x01}, []byte{0xF1, 0xE7})
	add("the reference", []byte{0x00}, []byte{0x60, 0x00})
	add("convert the input", []byte{0x01, 0xD3, 0xE7}, nil)
	add("that is ready", []byte{0x01}, []byte{0xD3, 0xE7})
	add("the input", []byte{0x00}, []byte{0x48, 0x0F})
	add("it ends in four ones: does config stand?", []byte{0x01}, []byte{0xD3, 0xE7})
	return ops, names
}

var transcriptOptions = ads1115.Options{
	Addr: 0x49, SPS: 860,
	Inputs:    []ads1115.Input{{Plus: 1}},
	Reference: &ads1115.Input{Plus: 3, RangeV: 6.144},
}

// 0x480F of 4.096 V is 2.30587 V, 0x6000 of 6.144 V is 4.608 V: the ratio is 0.500407,
// by hand.
const transcriptCounts = 500407

func TestTranscript(t *testing.T) {
	ops, _ := transcript()
	play := &i2ctest.Playback{Ops: ops, DontPanic: true}
	s := open(t, play, &steps{}, transcriptOptions)
	if r := read(t, s)[0]; r.Quality != rig.Good || r.Counts != transcriptCounts {
		t.Errorf("got %d, %v; want %d, good", r.Counts, r.Quality, transcriptCounts)
	}
	if err := play.Close(); err != nil {
		t.Error(err)
	}
}

var errNACK = errors.New("remote I/O error")

// flaky lets chosen transactions fail.
type flaky struct {
	i2c.Bus
	n, at   int // transactions so far; the one that fails, from 1
	forever bool
}

func (f *flaky) Tx(addr uint16, w, r []byte) error {
	f.n++
	if f.n == f.at || f.forever && f.at > 0 && f.n > f.at {
		return errNACK
	}
	return f.Bus.Tx(addr, w, r)
}

func TestEachTransactionOfTheTranscriptFailsOnce(t *testing.T) {
	ops, names := transcript()
	for k := range ops {
		play := &i2ctest.Playback{Ops: ops, DontPanic: true}
		s := open(t, &flaky{Bus: play, at: k + 1}, &steps{}, transcriptOptions)
		if r := read(t, s)[0]; r.Counts != transcriptCounts || r.Quality != rig.Good {
			t.Errorf("%q not acknowledged once: got %d, %v", names[k], r.Counts, r.Quality)
		}
		if s.Retried() != 1 {
			t.Errorf("%q: %d transactions retried, want 1", names[k], s.Retried())
		}
		if err := play.Close(); err != nil {
			t.Errorf("%q: %v", names[k], err)
		}
	}
}

// Every transaction with a simulated chip fails in turn, once and for ever: a bad
// reading, never a wrong value.
func TestEachTransactionFails(t *testing.T) {
	for _, forever := range []bool{false, true} {
		for at := 1; ; at++ {
			// Each input gives its own value: MUX 4 is input 0.
			b := bench(t, simbench.Options{Seed: 2, Counts: func(_ int, _ uint64, mux int) int32 { return int32(mux) << 12 }})
			f := &flaky{Bus: b.I2C(0), at: at, forever: forever}
			s := open(t, f, b.Clock(0), ads1115.Options{Inputs: []ads1115.Input{{Plus: 0}, {Plus: 1}, {Plus: 2}}})
			bad := 0
			for range 3 {
				for i, r := range read(t, s) {
					switch {
					case r.Quality == rig.Absent || r.Quality == rig.Stalled:
						bad++
					case r.Quality != rig.Good || int(r.Counts) != (4+i)<<12:
						t.Fatalf("failure at %d: input %d gave %+v", at, i, r)
					}
				}
			}
			if f.n < at {
				if at < 20 {
					t.Fatalf("only %d transactions", f.n)
				}
				break
			}
			if forever != (bad > 0) {
				t.Fatalf("transaction %d fails, for ever %v: %d bad readings", at, forever, bad)
			}
			if e := s.Events(); forever && (len(e) != 1 || !strings.Contains(e[0].Says, "gives no readings")) {
				t.Fatalf("transactions fail from %d on: events %+v", at, e)
			}
		}
	}
}

func TestManyNACKsAndStalls(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 3, Counts: func(_ int, _ uint64, mux int) int32 { return int32(mux)<<12 | 0xF }})
	if err := b.SetI2CFault(0, simbench.I2CFault{NACKs: 0.05}); err != nil {
		t.Fatal(err)
	}
	if err := b.SetFault(0, simbench.Fault{StallsPerOp: 1. / 100}); err != nil {
		t.Fatal(err)
	}
	s := open(t, b.I2C(0), b.Clock(0), ads1115.Options{SPS: 860, Inputs: []ads1115.Input{{Plus: 0}, {Plus: 1}, {Plus: 2}}})
	good := 0
	for range 3000 {
		for i, r := range read(t, s) {
			if r.Quality == rig.Good {
				good++
				if int(r.Counts) != (4+i)<<12|0xF {
					t.Fatalf("input %d gave %#x", i, r.Counts)
				}
			}
		}
	}
	if good < 8900 || s.Retried() < 1000 {
		t.Errorf("%d good of 9000, %d transactions retried", good, s.Retried())
	}
}

// A ratiometric reading follows the level through a wandering supply; the code alone
// does not.
func TestRatiometric(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 4})
	run, err := b.StartRun(simbench.RunPlan{Still: 100 * time.Second, LeftInML: []float64{0, 40, 100}})
	if err != nil {
		t.Fatal(err)
	}
	plain := open(t, b.I2C(0), b.Clock(0), ads1115.Options{Inputs: []ads1115.Input{{Plus: 0}, {Plus: 1}, {Plus: 2}}})
	share := open(t, b.I2C(0), b.Clock(0), ratiometric)
	var least, most [3]int32
	for i := range least {
		least[i] = math.MaxInt32
	}
	for b.Now() < run.Start+90*time.Second {
		for i, r := range read(t, plain) {
			least[i], most[i] = min(least[i], r.Counts), max(most[i], r.Counts)
		}
		for i, r := range read(t, share) {
			want := 100_000 + 800_000*[]float64{0, 0.4, 1}[i]
			// 60 uV rms of 3.3 V in both conversions, and 1/32768 of 4.096 V: 45 counts rms; five times.
			if r.Quality != rig.Good || math.Abs(float64(r.Counts)-want) > 225 {
				t.Fatalf("input %d at %v: %+v, want %g", i, r.Elapsed, r, want)
			}
		}
	}
	// 0.4 % either way, of 90 % of 3.3 V in 4.096 V.
	if swing := float64(most[2] - least[2]); swing < 0.007*0.9*3.3/4.096*32768 {
		t.Errorf("the supply wanders by %g codes only", swing)
	}
}

// Ends of range, limits of a sender, inputs against each other and full scales, by the
// data sheet's coding.
func TestRangesAndPairs(t *testing.T) {
	var config uint16
	for _, c := range []struct {
		in   ads1115.Input
		code int32
		q    rig.Quality
		bits uint16 // MUX and PGA
	}{
		{ads1115.Input{Plus: 0, RangeV: 6.144}, 0x7FFE, rig.Good, 4<<12 | 0<<9},
		{ads1115.Input{Plus: 1}, 0x7FFF, rig.Saturated, 5<<12 | 1<<9},
		{ads1115.Input{Plus: 2, RangeV: 2.048}, -0x8000, rig.Saturated, 6<<12 | 2<<9},
		{ads1115.Input{Plus: 3, RangeV: 1.024}, -1, rig.Good, 7<<12 | 3<<9},
		{ads1115.Input{Plus: 0, Minus: 1, RangeV: 0.512}, 0, rig.Good, 0<<12 | 4<<9},
		{ads1115.Input{Plus: 0, Minus: 3, RangeV: 0.256}, 5, rig.Good, 1<<12 | 5<<9},
		{ads1115.Input{Plus: 1, Minus: 3}, 1, rig.Good, 2<<12 | 1<<9},
		{ads1115.Input{Plus: 2, Minus: 3}, 1, rig.Good, 3<<12 | 1<<9},
		{ads1115.Input{Plus: 0, Low: 100, High: 200}, 99, rig.Saturated, 4<<12 | 1<<9},
		{ads1115.Input{Plus: 0, Low: 100, High: 200}, 200, rig.Good, 4<<12 | 1<<9},
		{ads1115.Input{Plus: 0, Low: 100, High: 200}, 201, rig.Saturated, 4<<12 | 1<<9},
	} {
		b := bench(t, simbench.Options{Counts: func(int, uint64, int) int32 { return c.code }})
		s := open(t, &spy{b.I2C(0), &config}, b.Clock(0), ads1115.Options{Inputs: []ads1115.Input{c.in}})
		if r := read(t, s)[0]; r.Counts != c.code || r.Quality != c.q {
			t.Errorf("%+v: got %d, %v; want %d, %v", c.in, r.Counts, r.Quality, c.code, c.q)
		}
		if config&0x7E00 != c.bits || config&0x8100 != 0x8100 {
			t.Errorf("%+v: config 0x%04x, want bits 0x%04x, a start and single-shot", c.in, config, c.bits)
		}
	}
}

// spy notes what is written to config.
type spy struct {
	i2c.Bus
	config *uint16
}

func (s *spy) Tx(addr uint16, w, r []byte) error {
	if len(w) == 3 {
		*s.config = uint16(w[1])<<8 | uint16(w[2])
	}
	return s.Bus.Tx(addr, w, r)
}

// What is wrong is told apart within 2 s: a sender unplugged, the chip unplugged, stuck,
// hung, the supply gone.
func TestFaultsAreToldApart(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 5})
	if _, err := b.StartRun(simbench.RunPlan{Still: time.Hour, LeftInML: []float64{50, 50, 50}}); err != nil {
		t.Fatal(err)
	}
	s := open(t, b.I2C(0), b.Clock(0), ratiometric)
	quality := func(what string, want ...rig.Quality) {
		t.Helper()
		from := b.Now()
		var got []rig.Reading
		for range 2 {
			got = read(t, s)
		}
		for i, r := range got {
			if r.Quality != want[i] || r.Elapsed-from > 2*time.Second {
				t.Errorf("%s: input %d is %v after %v, want %v", what, i, r.Quality, r.Elapsed-from, want[i])
			}
		}
	}
	set := func(ch int, f simbench.Fault, chip simbench.I2CFault) {
		t.Helper()
		if err := errors.Join(b.SetFault(ch, f), b.SetI2CFault(0, chip)); err != nil {
			t.Fatal(err)
		}
	}
	set(0, simbench.Fault{}, simbench.I2CFault{Unplugged: true})
	quality("chip not there yet", rig.Absent, rig.Absent, rig.Absent)
	if e := s.Events(); len(e) != 1 || !strings.Contains(e[0].Says, "Check its plug") {
		t.Errorf("events %+v", e)
	}
	set(0, simbench.Fault{}, simbench.I2CFault{})
	quality("all well", rig.Good, rig.Good, rig.Good)
	if e := s.Events(); len(e) != 1 || !strings.Contains(e[0].Says, "again") {
		t.Errorf("events %+v", e)
	}
	set(1, simbench.Fault{Unplugged: true}, simbench.I2CFault{})
	quality("second sender unplugged", rig.Good, rig.Saturated, rig.Good)
	set(1, simbench.Fault{}, simbench.I2CFault{Unplugged: true})
	quality("chip unplugged", rig.Stalled, rig.Stalled, rig.Stalled)
	set(0, simbench.Fault{Hung: true}, simbench.I2CFault{})
	quality("chip hangs", rig.Stalled, rig.Stalled, rig.Stalled)
	set(0, simbench.Fault{}, simbench.I2CFault{})
	quality("all well again", rig.Good, rig.Good, rig.Good)
}

// A loss of power in the middle of a conversion resets config, which then reads as ready,
// and the conversion to 0: it is noticed and the conversion done again.
func TestBrownOut(t *testing.T) {
	b := bench(t, simbench.Options{Counts: func(_ int, _ uint64, mux int) int32 { return int32(mux) << 12 }})
	dips := 0
	bus := &after{b.I2C(0), func() {
		if dips++; dips%5 != 1 {
			return
		}
		if err := b.SetFault(0, simbench.Fault{Kind: simbench.BrownOut, Severity: 0.001}); err != nil {
			t.Error(err)
		}
	}}
	s := open(t, bus, b.Clock(0), ads1115.Options{SPS: 16, Inputs: []ads1115.Input{{Plus: 0}, {Plus: 1}}})
	for range 10 {
		for i, r := range read(t, s) {
			if r.Quality != rig.Good || int(r.Counts) != (4+i)<<12 {
				t.Fatalf("input %d: %+v", i, r)
			}
		}
	}
	if s.Resets() < 4 {
		t.Errorf("%d of %d brown-outs were noticed", s.Resets(), dips/5)
	}
}

// A reset after the conversion was found ready leaves a 0, which is not taken.
func TestResetBeforeTheRead(t *testing.T) {
	b := bench(t, simbench.Options{Counts: func(int, uint64, int) int32 { return 0x1230 }})
	bus := &changed{Bus: b.I2C(0), config: 0x8583, whenRead: true}
	s := open(t, bus, b.Clock(0), ads1115.Options{Inputs: []ads1115.Input{{Plus: 0}}})
	for bus.times = range 5 {
		if r := read(t, s)[0]; r.Quality != rig.Good || r.Counts != 0x1230 {
			t.Errorf("%+v, want what was converted", r)
		}
	}
	if n := s.Resets(); n != 4+3+2+1 {
		t.Errorf("%d resets were noticed, want 10", n)
	}
}

// A config that somebody else has changed converts another input: nothing is taken.
func TestAnotherConfigIsNotTaken(t *testing.T) {
	b := bench(t, simbench.Options{Counts: func(int, uint64, int) int32 { return 0x1230 }})
	bus := &changed{Bus: b.I2C(0), config: 0xD387, times: 1 << 30}
	s := open(t, bus, b.Clock(0), ads1115.Options{Inputs: []ads1115.Input{{Plus: 0}}})
	if r := read(t, s)[0]; r.Quality != rig.Absent {
		t.Errorf("%+v, want absent", r)
	}
}

// changed is a bus on which the chip's config is another after it was written, or with
// whenRead only once the conversion is read, which is then 0.
type changed struct {
	i2c.Bus
	config   uint16
	whenRead bool
	times    int // still to come
	is       bool
}

func (c *changed) Tx(addr uint16, w, r []byte) error {
	err := c.Bus.Tx(addr, w, r)
	if len(w) == 3 || c.whenRead && w[0] == 0 {
		if c.is = (len(w) == 1) == c.whenRead && c.times > 0; c.is {
			c.times--
		}
	}
	switch {
	case !c.is || len(w) == 3:
	case w[0] == 1:
		r[0], r[1] = byte(c.config>>8), byte(c.config)
	case c.whenRead:
		clear(r)
	}
	return err
}

// after does something after each config that is written.
type after struct {
	i2c.Bus
	do func()
}

func (a *after) Tx(addr uint16, w, r []byte) error {
	err := a.Bus.Tx(addr, w, r)
	if len(w) == 3 {
		a.do()
	}
	return err
}

// A reference that is not there gives no readings, not wrong ones.
func TestNoReference(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 6, Counts: func(_ int, _ uint64, mux int) int32 { return map[bool]int32{true: 40, false: 9000}[mux == 7] }})
	s := open(t, b.I2C(0), b.Clock(0), ratiometric)
	for _, r := range read(t, s) {
		if r.Quality != rig.Misread || r.Counts != 0 {
			t.Errorf("%+v, want a misread", r)
		}
	}
	if e := s.Events(); len(e) != 1 || !strings.Contains(e[0].Says, "its reference reads 0.005 V") {
		t.Errorf("events %+v", e)
	}
}

// A chip that goes in the middle of a read leaves ones, which are not taken.
func TestTornOff(t *testing.T) {
	for bits := range 17 {
		b := bench(t, simbench.Options{Counts: func(int, uint64, int) int32 { return 0x1230 }})
		bus := &dying{Bus: b.I2C(0), bits: bits}
		s := open(t, bus, b.Clock(0), ads1115.Options{Inputs: []ads1115.Input{{Plus: 0}}})
		// The last three bits are not seen: 7 of 32768.
		if r := read(t, s)[0]; r.Quality == rig.Good && (r.Counts < 0x1230 || r.Counts > 0x1237) {
			t.Errorf("torn off after %d bits: accepted %#x", bits, r.Counts)
		}
	}
}

type dying struct {
	i2c.Bus
	bits int
	dead bool
}

func (d *dying) Tx(addr uint16, w, r []byte) error {
	if d.dead {
		return errNACK
	}
	err := d.Bus.Tx(addr, w, r)
	if len(r) == 2 && w[0] == 0 {
		for i := d.bits; i < 16; i++ {
			r[i/8] |= 0x80 >> (i % 8)
		}
		d.dead = true
	}
	return err
}

func TestRefuses(t *testing.T) {
	b := bench(t, simbench.Options{})
	one := []ads1115.Input{{Plus: 0}}
	for _, c := range []struct {
		o    ads1115.Options
		says string
	}{
		{ads1115.Options{}, "0 inputs"},
		{ads1115.Options{Inputs: make([]ads1115.Input, 5)}, "5 inputs"},
		{ads1115.Options{Inputs: one, Addr: 0x47}, "0x47"}, {ads1115.Options{Inputs: one, Addr: 0x4C}, "0x4c"},
		{ads1115.Options{Inputs: one, SPS: 100}, "100 SPS"},
		{ads1115.Options{Inputs: one, Timeout: time.Millisecond}, "1ms"},
		{ads1115.Options{Inputs: []ads1115.Input{{Plus: 4}}}, "AIN4"}, {ads1115.Options{Inputs: []ads1115.Input{{Plus: -1}}}, "AIN-1"},
		{ads1115.Options{Inputs: []ads1115.Input{{Plus: 1, Minus: 2}}}, "AIN1 against AIN2"},
		{ads1115.Options{Inputs: []ads1115.Input{{RangeV: 5}}}, "5 V"},
		{ads1115.Options{Inputs: []ads1115.Input{{Low: 2, High: 1}}}, "swap"},
		{ads1115.Options{Inputs: one, Reference: &ads1115.Input{Plus: 9}}, "reference"},
	} {
		if _, err := ads1115.New(b.I2C(0), b.Clock(0), c.o); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v, want one that says %q", c.o, err, c.says)
		}
	}
	if _, err := ads1115.New(nil, b.Clock(0), ratiometric); err == nil {
		t.Error("no bus: no error")
	}
	s := open(t, b.I2C(0), b.Clock(0), ratiometric)
	if err := s.Halt(); err != nil {
		t.Fatal(err)
	}
	if err := s.Read(t.Context(), make([]rig.Reading, 3)); err == nil {
		t.Error("Read after Halt gave no error")
	}
}

// instant is a chip that is always ready.
type instant struct {
	steps
	config [2]byte
}

func (c *instant) String() string                  { return "instant" }
func (c *instant) SetSpeed(physic.Frequency) error { return nil }
func (c *instant) Tx(_ uint16, w, r []byte) error {
	if len(w) == 3 {
		copy(c.config[:], w[1:])
		return nil
	}
	r[0], r[1] = 0x40, 0
	if w[0] == 1 {
		copy(r, c.config[:])
	}
	return nil
}

func TestNoAllocation(t *testing.T) {
	c := &instant{}
	s := open(t, c, c, ratiometric)
	dst := make([]rig.Reading, 3)
	if n := testing.AllocsPerRun(1000, func() {
		if err := s.Read(t.Context(), dst); err != nil {
			t.Fatal(err)
		}
	}); n != 0 || !dst[0].Quality.HasCounts() {
		t.Errorf("%v allocations a reading of three inputs (%v)", n, dst[0].Quality)
	}
}

// BenchmarkRead is what a set of three inputs and a reference costs beside the bus.
func BenchmarkRead(b *testing.B) {
	c := &instant{}
	s := open(b, c, c, ratiometric)
	dst := make([]rig.Reading, 3)
	b.ReportAllocs()
	for b.Loop() {
		if err := s.Read(b.Context(), dst); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(3*b.N), "ns/sample")
}
