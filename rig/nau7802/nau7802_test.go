package nau7802_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"

	"brimline/rig"
	"brimline/rig/nau7802"
	"brimline/rig/rigtest"
	"brimline/rig/simbench"
	"brimline/rig/tca9548a"
)

// known is the value of a chip's nth conversion: every bit changes from one to the next,
// no two of 2^24 are alike, and another gain gives other values.
func known(_ int, n uint64, gain int) int32 {
	v := uint32(n)*0x9E3779 ^ uint32(gain)<<8
	return int32(v<<8) >> 8
}

func bench(t testing.TB, o simbench.Options, sps int) *simbench.Bench {
	t.Helper()
	if o.Channels == 0 {
		o.Channels = 1
	}
	b, err := simbench.New(o)
	if err != nil {
		t.Fatal(err)
	}
	for ch := range o.Channels {
		place := simbench.I2CPlace{Addr: nau7802.Address}
		if o.Channels > 1 {
			place.Mux, place.Port = 0x70, ch
		}
		if err := b.NAU7802(ch, place, sps); err != nil {
			t.Fatal(err)
		}
	}
	return b
}

func open(t testing.TB, bus i2c.Bus, b *simbench.Bench, o nau7802.Options) *nau7802.Sensor {
	t.Helper()
	s, err := nau7802.New(bus, b.Clock(0), o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func read(t testing.TB, s rig.Sensor) rig.Reading {
	t.Helper()
	var r [1]rig.Reading
	if err := s.Read(t.Context(), r[:]); err != nil {
		t.Fatal(err)
	}
	return r[0]
}

func fault(t testing.TB, b *simbench.Bench, f simbench.I2CFault) {
	t.Helper()
	if err := b.SetI2CFault(0, f); err != nil {
		t.Fatal(err)
	}
}

// tares returns how many of the events say that a tare is due.
func tares(events []rig.Event) (n int) {
	for _, e := range events {
		if e.TareDue {
			n++
		}
	}
	return n
}

func TestContract(t *testing.T) {
	for _, sps := range []int{10, 80, 320} {
		t.Run(fmt.Sprintf("sps=%d", sps), func(t *testing.T) {
			rigtest.Sensor(t, func(t *testing.T) rig.Sensor {
				b := bench(t, simbench.Options{Seed: 1}, sps)
				return b.Sensor(0, open(t, b.I2C(0), b, nau7802.Options{SPS: sps}))
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

// The transactions of a start and a reading, by name. The bits are those of the data
// sheet's register map: gain 64 is GAINS 6, 3.3 V is VLDO 4, 320 SPS is CRS 7.
func transcript() (ops []i2ctest.IO, names []string) {
	add := func(name string, w, r []byte) {
		ops = append(ops, i2ctest.IO{Addr: 0x2A, W: w, R: r})
		names = append(names, name)
	}
	add("reset the registers", []byte{0x00, 0x01}, nil)
	add("power up the digital part", []byte{0x00, 0x02}, nil)
	add("not up yet", []byte{0x00}, []byte{0x02})
	add("up", []byte{0x00}, []byte{0x0A})
	add("revision", []byte{0x1F}, []byte{0x0F})
	add("power up the analogue part and its regulator", []byte{0x00, 0x86}, nil)
	add("3.3 V, gain 64", []byte{0x01, 4<<3 | 6}, nil)
	add("320 SPS", []byte{0x02, 7 << 4}, nil)
	add("clock chopper off", []byte{0x15, 0x30}, nil)
	add("PGA capacitor", []byte{0x1C, 0x80}, nil)
	add("start conversions", []byte{0x00, 0x96}, nil)
	add("none is ready yet", []byte{0x00}, []byte{0x9E})
	for i := range 4 {
		add(fmt.Sprintf("conversion %d is ready", i+1), []byte{0x00}, []byte{0xBE})
		add(fmt.Sprintf("conversion %d", i+1), []byte{0x12}, []byte{0, 0, byte(i)})
	}
	add("calibrate the offset", []byte{0x02, 7<<4 | 4}, nil)
	add("it calibrates", []byte{0x02}, []byte{7<<4 | 4})
	add("it is calibrated", []byte{0x02}, []byte{7 << 4})
	add("none is ready", []byte{0x00}, []byte{0x9E})
	add("one is ready", []byte{0x00}, []byte{0xBE})
	add("it", []byte{0x12}, []byte{0xFE, 0xDC, 0xB0})
	return ops, names
}

var transcriptOptions = nau7802.Options{Gain: 64, SPS: 320, LDOV: 3.3, PGACapacitor: true}

func TestTranscript(t *testing.T) {
	ops, _ := transcript()
	play := &i2ctest.Playback{Ops: ops, DontPanic: true}
	s, err := nau7802.New(play, &steps{}, transcriptOptions)
	if err != nil {
		t.Fatal(err)
	}
	if r := read(t, s); r.Counts != -0x12350 || r.Quality != rig.Settling {
		t.Errorf("got %d, %v; want %d (0xFEDCB0 in two's complement), settling", r.Counts, r.Quality, -0x12350)
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

// Each transaction of the transcript fails once: it is tried again, and the reading is
// the same.
func TestEachTransactionOfTheTranscriptFailsOnce(t *testing.T) {
	ops, names := transcript()
	for k := range ops {
		play := &i2ctest.Playback{Ops: ops, DontPanic: true}
		s, err := nau7802.New(&flaky{Bus: play, at: k + 1}, &steps{}, transcriptOptions)
		if err != nil {
			t.Fatal(err)
		}
		if r := read(t, s); r.Counts != -0x12350 {
			t.Errorf("%q not acknowledged once: got %d, %v", names[k], r.Counts, r.Quality)
		}
		if got := s.Counts().Retried; got != 1 {
			t.Errorf("%q: %d transactions retried, want 1", names[k], got)
		}
		if err := play.Close(); err != nil {
			t.Errorf("%q: %v", names[k], err)
		}
	}
}

// check follows a stream of known conversions and fails on a value that was never
// converted, or comes out of order.
type check struct {
	t    testing.TB
	gain int
	n    uint64 // of the newest conversion seen
	by   map[rig.Quality]int
}

func (c *check) reading(r rig.Reading) {
	if c.by == nil {
		c.by = map[rig.Quality]int{}
	}
	c.by[r.Quality]++
	if r.Quality != rig.Good && r.Quality != rig.Saturated {
		if !r.Quality.HasCounts() && r.Counts != 0 {
			c.t.Fatalf("at %v: %v with %d counts", r.Elapsed, r.Quality, r.Counts)
		}
		return
	}
	for n := c.n + 1; n < c.n+1500; n++ {
		if known(0, n, c.gain) == r.Counts {
			c.n = n
			return
		}
	}
	c.t.Fatalf("at %v: accepted %#06x, which is none of the conversions %d to %d", r.Elapsed, uint32(r.Counts)&0xFFFFFF, c.n+1, c.n+1500)
}

// Every transaction with a simulated chip fails in turn, once and for ever: a bad
// reading, never a wrong value; after one failure all goes on.
func TestEachTransactionFails(t *testing.T) {
	for _, forever := range []bool{false, true} {
		for at := 1; ; at++ {
			b := bench(t, simbench.Options{Seed: 2, Counts: known}, 80)
			f := &flaky{Bus: b.I2C(0), at: at, forever: forever}
			s := open(t, f, b, nau7802.Options{Settle: -1})
			c := check{t: t, gain: 128}
			for range 12 {
				c.reading(read(t, s))
			}
			if f.n < at {
				if at < 60 {
					t.Fatalf("only %d transactions", f.n)
				}
				break
			}
			bad := c.by[rig.Absent] + c.by[rig.Stalled] + c.by[rig.Misread]
			if !forever && (bad > 0 || c.by[rig.Good] != 8) {
				t.Fatalf("transaction %d fails once: %v, want 4 settling and 8 good", at, c.by)
			}
			if forever {
				if bad == 0 {
					t.Fatalf("transactions fail from %d on: %v, want bad ones", at, c.by)
				}
				if e := s.Events(); len(e) != 1 || !strings.Contains(e[0].Says, "gives no readings") || !strings.Contains(e[0].Says, errNACK.Error()) {
					t.Fatalf("transactions fail from %d on: events %+v, want one that says so", at, e)
				}
			}
		}
	}
}

func TestNoWrongValueUnderStallsAndNACKs(t *testing.T) {
	var sum nau7802.Counts
	good := 0
	for _, c := range []struct{ sps, reads int }{{10, 2000}, {80, 10_000}, {320, 20_000}} {
		b := bench(t, simbench.Options{Seed: 3, Counts: known}, c.sps)
		if err := b.SetFault(0, simbench.Fault{StallsPerOp: 1. / 300}); err != nil {
			t.Fatal(err)
		}
		fault(t, b, simbench.I2CFault{NACKs: 0.02})
		s := open(t, b.I2C(0), b, nau7802.Options{SPS: c.sps})
		ck := check{t: t, gain: 128}
		for range c.reads {
			ck.reading(read(t, s))
		}
		if ck.by[rig.Good] < c.reads*8/10 {
			t.Errorf("%d SPS: %v of %d reads", c.sps, ck.by, c.reads)
		}
		n := s.Counts()
		good += ck.by[rig.Good]
		sum.Late += n.Late
		sum.Retried += n.Retried
	}
	if sum.Late == 0 || sum.Retried == 0 {
		t.Errorf("nothing was put to the test: %+v", sum)
	}
	t.Logf("%d good values, none wrong; %d late ones discarded, %d transactions retried", good, sum.Late, sum.Retried)
}

func TestGainsAndRates(t *testing.T) {
	for gain := 1; gain <= 128; gain *= 2 {
		b := bench(t, simbench.Options{Seed: 4, Counts: func(_ int, _ uint64, g int) int32 { return int32(g) << 8 }}, 320)
		s := open(t, b.I2C(0), b, nau7802.Options{SPS: 320, Gain: gain, Settle: -1})
		for n := range 10 {
			if r := read(t, s); n >= 4 && (r.Quality != rig.Good || int(r.Counts) != gain<<8) {
				t.Fatalf("gain %d, reading %d: %+v", gain, n, r)
			}
		}
	}
	for _, sps := range []int{10, 20, 40, 80, 320} {
		b := bench(t, simbench.Options{Seed: 5}, sps)
		truth, err := b.Truth(0, 0, time.Second)
		if err != nil {
			t.Fatal(err)
		}
		s := open(t, b.I2C(0), b, nau7802.Options{SPS: sps})
		read(t, s)
		from := read(t, s).Elapsed
		const n = 100
		var to time.Duration
		for range n {
			to = read(t, s).Elapsed
		}
		// Each stamp is found by polling 16 times a period, and so up to two polls late.
		if d := ((to - from) - n*truth.Period).Abs(); d > truth.Period/8 {
			t.Errorf("%d SPS: 100 conversions in %v, the chip needs %v", sps, to-from, n*truth.Period)
		}
		if s.Counts().Late > 0 {
			t.Errorf("%d SPS: %+v", sps, s.Counts())
		}
	}
}

func TestInput2(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 6}, 80)
	if err := b.Load(0, 500); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		input int
		least bool
	}{{1, true}, {2, false}} {
		s := open(t, b.I2C(0), b, nau7802.Options{Input: c.input})
		var r rig.Reading
		for range 60 {
			r = read(t, s)
		}
		if heavy := r.Counts > 500_000; heavy != c.least || r.Quality != rig.Good {
			t.Errorf("input %d under 500 g: %+v", c.input, r)
		}
	}
}

// Values at and beside the ends of range, which are the data sheet's.
func TestValues(t *testing.T) {
	for v, q := range map[int32]rig.Quality{
		0: rig.Good, -1: rig.Good, 0x0F: rig.Good, 0x7FFFFE: rig.Good, -0x7FFFFF: rig.Good,
		0x7FFFFF: rig.Saturated, -0x800000: rig.Saturated,
	} {
		b := bench(t, simbench.Options{Counts: func(int, uint64, int) int32 { return v }}, 80)
		s := open(t, b.I2C(0), b, nau7802.Options{Settle: -1})
		var r rig.Reading
		for range 5 {
			r = read(t, s)
		}
		if r.Counts != v || r.Quality != q {
			t.Errorf("%#x: got %#x, %v; want %v", v, r.Counts, r.Quality, q)
		}
	}
}

// Default settling is half a second, and four conversions at least.
func TestSettling(t *testing.T) {
	for _, c := range []struct{ sps, settle, want int }{{80, 0, 40}, {10, 0, 5}, {320, 0, 160}, {80, -1, 4}, {80, 7, 7}} {
		b := bench(t, simbench.Options{Seed: 7}, c.sps)
		s := open(t, b.I2C(0), b, nau7802.Options{SPS: c.sps, Settle: c.settle})
		n := 0
		for read(t, s).Quality == rig.Settling {
			n++
		}
		if n != c.want {
			t.Errorf("%d SPS, Settle %d: %d settling, want %d", c.sps, c.settle, n, c.want)
		}
	}
}

// An unplugged chip is absent, or stalled once it has answered, within 2 s; plugged in
// again it comes back, is calibrated anew, and a tare is due.
func TestUnpluggedAndBack(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 8, Counts: known}, 80)
	fault(t, b, simbench.I2CFault{Unplugged: true})
	s := open(t, b.I2C(0), b, nau7802.Options{})
	last := b.Now()
	c := check{t: t, gain: 128}
	for n := range 4 {
		r := read(t, s)
		if r.Quality != rig.Absent {
			t.Fatalf("reading %d with no chip: %+v, want absent", n, r)
		}
		if d := r.Elapsed - last; d < 400*time.Millisecond || d > 600*time.Millisecond {
			t.Errorf("reading %d comes %v after the one before, want about 500 ms", n, d)
		}
		last = r.Elapsed
	}
	if e := s.Events(); len(e) != 1 || !strings.Contains(e[0].Says, "Check its plug") || e[0].TareDue {
		t.Errorf("absent: events %+v", e)
	}
	fault(t, b, simbench.I2CFault{})
	for range 60 {
		c.reading(read(t, s))
	}
	if c.by[rig.Good] != 20 || c.by[rig.Settling] != 40 {
		t.Fatalf("after plugging in: %v, want 40 settling and 20 good", c.by)
	}
	if e := s.Events(); len(e) != 1 || !strings.Contains(e[0].Says, "again") || e[0].TareDue {
		t.Errorf("plugged in the first time: events %+v", e)
	}
	fault(t, b, simbench.I2CFault{Unplugged: true})
	from := b.Now()
	r := read(t, s)
	if r.Quality != rig.Stalled || r.Elapsed-from > 2*time.Second {
		t.Fatalf("unplugged after it answered: %+v, %v later", r, r.Elapsed-from)
	}
	fault(t, b, simbench.I2CFault{})
	c = check{t: t, gain: 128, n: c.n}
	for range 60 {
		c.reading(read(t, s))
	}
	if c.by[rig.Good] < 18 || c.by[rig.Settling] != 40 {
		t.Fatalf("plugged in again: %v", c.by)
	}
	if e := s.Events(); tares(e) != 1 {
		t.Errorf("plugged in again: events %+v, want one tare due", e)
	}
}

// A brown-out too short for a single conversion to be missed is noticed, the chip set up
// anew, and its readings settle.
func TestBrownOut(t *testing.T) {
	for _, severity := range []float64{0.0005, 0.005, 0.5} { // 1 ms, 10 ms, 1 s
		b := bench(t, simbench.Options{Seed: 9, Counts: known}, 80)
		s := open(t, b.I2C(0), b, nau7802.Options{Gain: 64})
		c := check{t: t, gain: 64}
		for range 60 {
			c.reading(read(t, s))
		}
		if c.by[rig.Good] != 20 || len(s.Events()) != 0 {
			t.Fatalf("before: %v", c.by)
		}
		if err := b.SetFault(0, simbench.Fault{Kind: simbench.BrownOut, Severity: severity}); err != nil {
			t.Fatal(err)
		}
		from := b.Now()
		c = check{t: t, gain: 64, n: c.n}
		r := read(t, s)
		c.reading(r)
		if r.Quality != rig.Stalled || r.Elapsed-from > 2*time.Second {
			t.Fatalf("severity %g: first reading %+v, %v later; want stalled", severity, r, r.Elapsed-from)
		}
		for range 60 {
			c.reading(read(t, s))
		}
		if c.by[rig.Settling] != 40 || c.by[rig.Good] < 15 {
			t.Errorf("severity %g: %v, want 40 settling and the rest good", severity, c.by)
		}
		if n := s.Counts(); n.BrownOuts == 0 || n.SetUps != 2 {
			t.Errorf("severity %g: %+v", severity, n)
		}
		e := s.Events()
		if tares(e) != 1 || !slices.ContainsFunc(e, func(e rig.Event) bool { return strings.Contains(e.Says, "tare it before the next run") }) {
			t.Errorf("severity %g: events %+v, want one tare due", severity, e)
		}
	}
}

// rewritten is a bus on which a register changes by itself once.
type rewritten struct {
	i2c.Bus
	change []byte
}

func (b *rewritten) Tx(addr uint16, w, r []byte) error {
	if b.change != nil {
		if err := b.Bus.Tx(addr, b.change, nil); err != nil {
			return err
		}
		b.change = nil
	}
	return b.Bus.Tx(addr, w, r)
}

// A setting that changes while the chip keeps its power is found within a second.
func TestChangedSettingIsNoticed(t *testing.T) {
	for _, change := range [][]byte{{0x01, 0x07}, {0x02, 0x00}, {0x00, 0x86}} { // 4.5 V; 10 SPS; no conversions
		b := bench(t, simbench.Options{Seed: 10}, 80)
		bus := &rewritten{Bus: b.I2C(0)}
		s := open(t, bus, b, nau7802.Options{})
		for range 60 {
			read(t, s)
		}
		bus.change = change
		from := b.Now()
		for s.Counts().BrownOuts == 0 {
			if r := read(t, s); r.Elapsed-from > time.Second {
				t.Fatalf("register %#x changed, and %v later: %+v", change, r.Elapsed-from, s.Counts())
			}
		}
	}
}

func TestCalibrationErrors(t *testing.T) {
	for _, c := range []struct {
		f    simbench.I2CFault
		says string
	}{
		{simbench.I2CFault{CalibrationErrors: true}, "CAL_ERR"},
		{simbench.I2CFault{CalibrationHangs: true}, "did not change within 1s"},
	} {
		b := bench(t, simbench.Options{Seed: 11, Counts: known}, 10) // the slowest
		fault(t, b, c.f)
		s := open(t, b.I2C(0), b, nau7802.Options{SPS: 10})
		last := b.Now()
		for range 3 {
			r := read(t, s)
			if r.Quality != rig.Stalled {
				t.Fatalf("%+v: reading %+v, want stalled: the chip answers", c.f, r)
			}
			if d := r.Elapsed - last; d > 2*time.Second {
				t.Errorf("%+v: a reading comes after %v", c.f, d)
			}
			last = r.Elapsed
		}
		if e := s.Events(); len(e) != 1 || !strings.Contains(e[0].Says, c.says) {
			t.Errorf("%+v: events %+v, want one that says %q", c.f, e, c.says)
		}
		if n := s.Counts(); n.CALErrors != 3 || n.SetUps != 0 {
			t.Errorf("%+v: %+v", c.f, n)
		}
		fault(t, b, simbench.I2CFault{})
		ck := check{t: t, gain: 128}
		for range 20 {
			ck.reading(read(t, s))
		}
		if ck.by[rig.Good] != 15 {
			t.Errorf("%+v, then none: %v", c.f, ck.by)
		}
	}
}

// A chip that was powered up and never calibrated is powered down too.
func TestHaltAfterASetUpThatFailed(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 15}, 80)
	fault(t, b, simbench.I2CFault{CalibrationErrors: true})
	bus := b.I2C(0)
	s := open(t, bus, b, nau7802.Options{})
	read(t, s)
	power := func() byte {
		var r [1]byte
		if err := bus.Tx(nau7802.Address, []byte{0x00}, r[:]); err != nil {
			t.Fatal(err)
		}
		return r[0]
	}
	if p := power(); p&0x06 != 0x06 {
		t.Fatalf("PU_CTRL 0x%02x: it is not powered up", p)
	}
	if err := s.Halt(); err != nil {
		t.Fatal(err)
	}
	if p := power(); p&0x06 != 0 {
		t.Errorf("PU_CTRL 0x%02x after Halt: PUD and PUA are still set", p)
	}
}

// A calibration takes the amplifier's offset away: 2000 counts rms without one, 30 with.
func TestCalibrationTakesTheOffsetAway(t *testing.T) {
	world := simbench.DefaultWorld()
	world.WhiteCounts, world.WalkCountsPerSqrtS, world.PowerOnCounts = 0, 0, 0
	for seed := range uint64(5) {
		b := bench(t, simbench.Options{Seed: seed, World: &world}, 80)
		truth, err := b.Truth(0, 0, time.Second)
		if err != nil {
			t.Fatal(err)
		}
		s := open(t, b.I2C(0), b, nau7802.Options{})
		var r rig.Reading
		for range 50 {
			r = read(t, s)
		}
		// The tube is empty and the hose hangs free: 200 counts are 6 times the assumed
		// spread of what a calibration leaves.
		if d := float64(r.Counts) - truth.ZeroCounts; math.Abs(d) > 200 {
			t.Errorf("seed %d: %g counts off the cell's zero", seed, d)
		}
	}
}

// A chip that answers but does not convert is stalled, is set up anew, and returns.
func TestHung(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 12, Counts: known}, 80)
	s := open(t, b.I2C(0), b, nau7802.Options{})
	for range 50 {
		read(t, s)
	}
	if err := b.SetFault(0, simbench.Fault{Hung: true}); err != nil {
		t.Fatal(err)
	}
	last := b.Now()
	for range 4 {
		r := read(t, s)
		if r.Quality != rig.Stalled || r.Elapsed-last > 2*time.Second {
			t.Fatalf("hung: %+v after %v", r, r.Elapsed-last)
		}
		last = r.Elapsed
	}
	if err := b.SetFault(0, simbench.Fault{}); err != nil {
		t.Fatal(err)
	}
	for range 60 {
		read(t, s)
	}
	if r := read(t, s); r.Quality != rig.Good {
		t.Errorf("then: %+v", r)
	}
	if n := tares(s.Events()); n != 1 {
		t.Errorf("%d tares due, want 1", n)
	}
}

// dying is a bus whose chip goes in the middle of a read: ones take the place of the bits
// still to come, and after it nothing answers.
type dying struct {
	i2c.Bus
	bits int // of ADCO that still come; negative: all is well
	dead bool
}

func (d *dying) Tx(addr uint16, w, r []byte) error {
	if d.dead {
		return errNACK
	}
	err := d.Bus.Tx(addr, w, r)
	if d.bits >= 0 && len(r) == 3 && w[0] == 0x12 {
		for i := d.bits; i < 24; i++ {
			r[i/8] |= 0x80 >> (i % 8)
		}
		d.dead = true
	}
	return err
}

func TestTornOff(t *testing.T) {
	torn := 0
	for bits := range 24 {
		b := bench(t, simbench.Options{Seed: 13, Counts: func(int, uint64, int) int32 { return 0x123450 }}, 80)
		bus := &dying{Bus: b.I2C(0), bits: -1}
		s := open(t, bus, b, nau7802.Options{})
		for range 50 {
			read(t, s)
		}
		bus.bits = bits
		r := read(t, s)
		if r.Quality == rig.Good && (r.Counts-0x123450 < 0 || r.Counts-0x123450 > 7) {
			t.Errorf("torn off after %d bits: accepted %#x", bits, r.Counts)
		}
		if r.Quality == rig.Misread {
			torn++
		}
		if r := read(t, s); r.Quality != rig.Stalled {
			t.Errorf("then: %+v", r)
		}
	}
	if torn < 20 {
		t.Errorf("%d of 24 seen, want at least 20", torn)
	}
}

// resets is a bus whose chip loses its power after it was found ready and before its
// conversion is read: every register then reads 0, until it is set up anew.
type resets struct {
	i2c.Bus
	now, reset bool
}

func (d *resets) Tx(addr uint16, w, r []byte) error {
	d.reset = len(w) == 1 && (d.reset || d.now && w[0] == 0x12)
	if !d.reset {
		return d.Bus.Tx(addr, w, r)
	}
	d.now = false
	clear(r)
	return nil
}

// The 0 that a reset leaves in ADCO is no reading; one that was converted is.
func TestResetBeforeTheRead(t *testing.T) {
	code := int32(0x123450)
	b := bench(t, simbench.Options{Seed: 14, Counts: func(int, uint64, int) int32 { return code }}, 80)
	bus := &resets{Bus: b.I2C(0)}
	s := open(t, bus, b, nau7802.Options{})
	for range 50 {
		read(t, s)
	}
	bus.now = true
	if r := read(t, s); r.Quality != rig.Misread {
		t.Errorf("reset before the read: %+v, want a misread", r)
	}
	if r := read(t, s); r.Quality != rig.Stalled {
		t.Errorf("then: %+v, want stalled", r)
	}
	read(t, s)
	if n := tares(s.Events()); n != 1 {
		t.Errorf("a tare was said to be due %d times, want once", n)
	}
	code = 0
	for range 50 {
		read(t, s)
	}
	if r := read(t, s); r.Quality != rig.Good || r.Counts != 0 {
		t.Errorf("a conversion of 0: %+v", r)
	}
}

// Another chip at the address is not taken for a NAU7802, and the reading does not spin.
func TestAnotherChip(t *testing.T) {
	b, err := simbench.New(simbench.Options{Channels: 1})
	if err != nil {
		t.Fatal(err)
	}
	s, err := nau7802.New(impostor{}, b.Clock(0), nau7802.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		from := b.Now()
		if r := read(t, s); r.Quality != rig.Absent || r.Elapsed-from < 400*time.Millisecond {
			t.Errorf("%+v after %v", r, r.Elapsed-from)
		}
	}
	if e := s.Events(); len(e) != 1 || !strings.Contains(e[0].Says, "another chip") {
		t.Errorf("events %+v", e)
	}
}

// impostor acknowledges everything and reads as a chip with other registers.
type impostor struct{}

func (impostor) String() string                  { return "impostor" }
func (impostor) SetSpeed(physic.Frequency) error { return nil }
func (impostor) Tx(_ uint16, w, r []byte) error {
	for i := range r {
		r[i] = 0x08
	}
	return nil
}

type keep struct{ samples []rig.Sample }

func (k *keep) Put(s []rig.Sample) error { k.samples = append(k.samples, s...); return nil }

// acquire reads the sensors for a time.
func acquire(t testing.TB, b *simbench.Bench, sensors []rig.Sensor, d time.Duration) []rig.Sample {
	t.Helper()
	a, err := rig.NewAcquirer(sensors...)
	if err != nil {
		t.Fatal(err)
	}
	var k keep // one line runs at a time
	if err := a.Run(t.Context(), &k, rig.AcquireOptions{Until: b.Now() + d}); err != nil {
		t.Fatal(err)
	}
	return k.samples
}

// behindMux opens n chips behind a multiplexer's ports.
func behindMux(t testing.TB, b *simbench.Bench, n, sps int) []rig.Sensor {
	t.Helper()
	mux, err := tca9548a.New(b.I2C(0), 0x70)
	if err != nil {
		t.Fatal(err)
	}
	var sensors []rig.Sensor
	for ch := range n {
		port, err := mux.Port(0x70, ch)
		if err != nil {
			t.Fatal(err)
		}
		s, err := nau7802.New(port, b.Clock(ch), nau7802.Options{SPS: sps})
		if err != nil {
			t.Fatal(err)
		}
		sensors = append(sensors, b.Sensor(ch, s))
	}
	return sensors
}

// Six chips behind a multiplexer, each in a goroutine of its own: every good value is
// one of its own chip's, the same in every run, and faults of one leave the others alone.
func TestBehindAMultiplexer(t *testing.T) {
	const n = 6
	tagged := func(ch int, k uint64, _ int) int32 { return int32(ch)<<20 | int32(k&0xFFFF)<<4 }
	run := func() ([]rig.Sample, []rig.Sensor) {
		b := bench(t, simbench.Options{Seed: 14, Channels: n, Counts: tagged}, 80)
		sensors := behindMux(t, b, n, 80)
		out := acquire(t, b, sensors, 3*time.Second)
		b.ResetMux(0)
		if err := b.SetI2CFault(2, simbench.I2CFault{Unplugged: true}); err != nil {
			t.Fatal(err)
		}
		out = append(out, acquire(t, b, sensors, 3*time.Second)...)
		return out, sensors
	}
	first, sensors := run()
	by := [n]map[rig.Quality]int{}
	for _, x := range first {
		if by[x.Channel] == nil {
			by[x.Channel] = map[rig.Quality]int{}
		}
		by[x.Channel][x.Quality]++
		if x.Quality.HasCounts() && x.Quality != rig.Settling && int(x.Counts>>20) != x.Channel {
			t.Fatalf("channel %d gave %#x, which is channel %d's", x.Channel, x.Counts, x.Counts>>20)
		}
	}
	for ch, q := range by {
		if ch == 2 {
			if q[rig.Stalled] < 4 {
				t.Errorf("the unplugged one: %v", q)
			}
		} else if q[rig.Good] < 350 || q[rig.Stalled]+q[rig.Absent] > 0 || q[rig.Misread] > 2 {
			t.Errorf("channel %d: %v", ch, q)
		}
	}
	again, _ := run()
	if !slices.Equal(first, again) {
		t.Error("the same seed gives other samples")
	}
	for _, s := range sensors[3:] {
		if err := s.Halt(); err != nil {
			t.Error(err)
		}
	}
}

// How many converters a bus bears, behind one multiplexer, each with a goroutine of its own: the
// figures that the example config and the wiring page give.
func TestBusLoad(t *testing.T) {
	for _, c := range []struct {
		chips, sps int
		bus        physic.Frequency
		percent    float64 // of misreads at most
	}{{6, 80, 100 * physic.KiloHertz, 2}, {8, 80, 400 * physic.KiloHertz, 0.2}, {4, 320, 400 * physic.KiloHertz, 0.5}, {8, 320, physic.MegaHertz, 0.5}} {
		b := bench(t, simbench.Options{Seed: 1, Channels: c.chips}, c.sps)
		if err := b.I2C(0).SetSpeed(c.bus); err != nil {
			t.Fatal(err)
		}
		good, all := 0, 0
		for _, x := range acquire(t, b, behindMux(t, b, c.chips, c.sps), 4*time.Second) {
			if x.Elapsed > 2*time.Second { // set up, and settled
				all++
				if x.Quality == rig.Good {
					good++
				}
			}
		}
		bad := 100 * float64(all-good) / float64(all)
		t.Logf("%d at %d SPS, bus at %v: %.2f %% of %d misread", c.chips, c.sps, c.bus, bad, all)
		if bad > c.percent || all < c.chips*c.sps*2*9/10 {
			t.Errorf("%d at %d SPS, bus at %v: %.2f %% of %d misread, want at most %g %%", c.chips, c.sps, c.bus, bad, all, c.percent)
		}
	}
}

func TestRefuses(t *testing.T) {
	b := bench(t, simbench.Options{}, 80)
	for _, c := range []struct {
		o    nau7802.Options
		says string
	}{
		{nau7802.Options{Gain: 3}, "gain 3"}, {nau7802.Options{Gain: 256}, "gain 256"}, {nau7802.Options{Gain: -1}, "gain -1"},
		{nau7802.Options{SPS: 100}, "100 SPS"}, {nau7802.Options{Input: 3}, "input 3"},
		{nau7802.Options{Input: 2, PGACapacitor: true}, "capacitor"},
		{nau7802.Options{LDOV: 5}, "5 V"}, {nau7802.Options{LDOV: 3.1}, "3.1 V"}, {nau7802.Options{LDOV: math.NaN()}, "NaN V"},
		{nau7802.Options{Timeout: time.Millisecond}, "1ms"},
	} {
		if _, err := nau7802.New(b.I2C(0), b.Clock(0), c.o); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v, want one that says %q", c.o, err, c.says)
		}
	}
	if _, err := nau7802.New(nil, b.Clock(0), nau7802.Options{}); err == nil {
		t.Error("no bus: no error")
	}
	if _, err := nau7802.New(b.I2C(0), nil, nau7802.Options{}); err == nil {
		t.Error("no clock: no error")
	}
	s := open(t, b.I2C(0), b, nau7802.Options{})
	read(t, s)
	if err := s.Halt(); err != nil {
		t.Fatal(err)
	}
	if err := s.Halt(); err != nil {
		t.Error(err)
	}
	if err := s.Start(); err == nil {
		t.Error("Start after Halt gave no error")
	}
	if err := s.Read(t.Context(), make([]rig.Reading, 1)); err == nil {
		t.Error("Read after Halt gave no error")
	}
}

// A context that ends at any moment of a start or a reading is Read's error.
func TestContextEndsAtAnyMoment(t *testing.T) {
	for k := 1; ; k++ {
		b := bench(t, simbench.Options{Seed: 15}, 320)
		ctx, cancel := context.WithCancel(t.Context())
		bus := &cancels{Bus: b.I2C(0), at: k, cancel: cancel}
		s := open(t, bus, b, nau7802.Options{SPS: 320})
		err := s.Read(ctx, make([]rig.Reading, 1))
		cancel()
		if bus.n < k {
			if err != nil || k < 20 {
				t.Fatalf("after %d transactions: %v", bus.n, err)
			}
			return
		}
		if err != nil && !errors.Is(err, context.Canceled) {
			t.Fatalf("ended at transaction %d: %v", k, err)
		}
	}
}

type cancels struct {
	i2c.Bus
	n, at  int
	cancel func()
}

func (c *cancels) Tx(addr uint16, w, r []byte) error {
	if c.n++; c.n == c.at {
		c.cancel()
	}
	return c.Bus.Tx(addr, w, r)
}

// instant is a chip that is always ready, to see what the driver itself costs. Each read
// of ADCO moves its clock by the conversion's time.
type instant struct {
	now  time.Duration
	regs [32]byte
	w    [4]byte
	n    uint32
}

func (c *instant) Now() time.Duration { c.now += 100; return c.now }
func (c *instant) Sleep(_ context.Context, d time.Duration) error {
	c.now += d
	return nil
}
func (c *instant) String() string                  { return "instant" }
func (c *instant) SetSpeed(physic.Frequency) error { return nil }
func (c *instant) Tx(_ uint16, w, r []byte) error {
	if len(w) == 2 {
		switch w[0] {
		case 0x00:
			c.regs[0] = w[1]&^0x01 | w[1]<<2&0x08 // PUR follows PUD
		case 0x02:
			c.regs[2] = w[1] &^ 0x04
		default:
			c.regs[w[0]] = w[1]
		}
		return nil
	}
	copy(r, c.regs[w[0]:])
	switch w[0] {
	case 0x00:
		if c.n++; c.n%2 == 0 { // one look in vain, one conversion
			r[0] |= 0x20
		}
	case 0x1F:
		r[0] = 0x0F
	case 0x12:
		r[1] = byte(c.n)
	}
	return nil
}

func TestNoAllocation(t *testing.T) {
	c := &instant{}
	s, err := nau7802.New(c, c, nau7802.Options{SPS: 320, Settle: -1})
	if err != nil {
		t.Fatal(err)
	}
	dst := make([]rig.Reading, 1)
	good := 0
	one := func() {
		if err := s.Read(t.Context(), dst); err != nil {
			t.Fatal(err)
		}
		if dst[0].Quality == rig.Good {
			good++
		}
	}
	for range 10 {
		one()
	}
	if n := testing.AllocsPerRun(1000, one); n != 0 || good < 1000 {
		t.Errorf("%v allocations a reading, %d good", n, good)
	}
}

// BenchmarkRead is what a sample costs beside the bus: the target is at most 1.5 us and
// no allocation. driver=alone is one sensor on a bus that takes no time; chips=8 is
// eight simulated chips at 320 SPS behind a multiplexer through the acquisition loop,
// the simulation of bus, chips and cells included.
func BenchmarkRead(b *testing.B) {
	b.Run("driver=alone", func(b *testing.B) {
		c := &instant{}
		s, err := nau7802.New(c, c, nau7802.Options{SPS: 320})
		if err != nil {
			b.Fatal(err)
		}
		dst := make([]rig.Reading, 1)
		b.ReportAllocs()
		for b.Loop() {
			if err := s.Read(b.Context(), dst); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "samples/s")
	})
	b.Run("driver=eight", func(b *testing.B) {
		type one struct {
			s   *nau7802.Sensor
			dst []rig.Reading
		}
		var all []one
		for range 8 {
			c := &instant{}
			mux, err := tca9548a.New(c, 0x70)
			if err != nil {
				b.Fatal(err)
			}
			s, err := nau7802.New(mux.Root(), c, nau7802.Options{SPS: 320})
			if err != nil {
				b.Fatal(err)
			}
			all = append(all, one{s, make([]rig.Reading, 1)})
		}
		b.ReportAllocs()
		n := 0
		for b.Loop() {
			for _, x := range all {
				if err := x.s.Read(b.Context(), x.dst); err != nil {
					b.Fatal(err)
				}
				n++
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/sample")
	})
	b.Run("chips=8/simulated", func(b *testing.B) {
		bench := bench(b, simbench.Options{Seed: 1, Channels: 8}, 320)
		if err := bench.I2C(0).SetSpeed(physic.MegaHertz); err != nil {
			b.Fatal(err)
		}
		a, err := rig.NewAcquirer(behindMux(b, bench, 8, 320)...)
		if err != nil {
			b.Fatal(err)
		}
		var n count
		b.ReportAllocs()
		for b.Loop() {
			if err := a.Run(b.Context(), &n, rig.AcquireOptions{Until: bench.Now() + time.Second}); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n.all), "ns/sample")
		b.ReportMetric(100*float64(n.good)/float64(n.all), "%good")
	})
}

type count struct{ all, good int }

func (c *count) Put(s []rig.Sample) error {
	for _, x := range s {
		c.all++
		if x.Quality == rig.Good {
			c.good++
		}
	}
	return nil
}
