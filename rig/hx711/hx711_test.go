package hx711_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"brimline/rig"
	"brimline/rig/hx711"
	"brimline/rig/rigtest"
	"brimline/rig/simbench"
)

// known is the value of a chip's nth conversion: every bit changes from one to the
// next, no two of 2^24 are alike, and another gain gives other values.
func known(n uint64, gain int) int32 {
	v := uint32(n)*0x9E3779 ^ uint32(gain)<<8
	return int32(v<<8) >> 8
}

func bench(t testing.TB, o simbench.Options) *simbench.Bench {
	t.Helper()
	if o.Channels == 0 {
		o.Channels = 1
	}
	b, err := simbench.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func open(t testing.TB, b *simbench.Bench, o hx711.Options) *hx711.Sensor {
	t.Helper()
	sck, dout, clk := b.Line(0)
	s, err := hx711.New(sck, dout, clk, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func read(t testing.TB, s *hx711.Sensor) rig.Reading {
	t.Helper()
	var r [1]rig.Reading
	if err := s.Read(t.Context(), r[:]); err != nil {
		t.Fatal(err)
	}
	return r[0]
}

func TestContract(t *testing.T) {
	for _, sps := range []int{10, 80} {
		t.Run(fmt.Sprintf("sps=%d", sps), func(t *testing.T) {
			rigtest.Sensor(t, func(t *testing.T) rig.Sensor {
				return open(t, bench(t, simbench.Options{Seed: 1, SPS: sps}), hx711.Options{SPS: sps})
			})
		})
	}
}

// The values are the data sheet's: two's complement, ends of range 0x7FFFFF and
// 0x800000.
func TestValues(t *testing.T) {
	for _, c := range []struct {
		name   string
		value  int32
		counts int32
		q      rig.Quality
	}{
		{"zero", 0, 0, rig.Good},
		{"one", 1, 1, rig.Good},
		{"minus two", -2, -2, rig.Good},
		{"alternating", 0x555555, 0x555555, rig.Good},
		{"alternating, negative", -0x555556, -0x555556, rig.Good},
		{"just inside the top", 0x7FFFFE, 0x7FFFFE, rig.Good},
		{"top", 0x7FFFFF, 0x7FFFFF, rig.Saturated},
		{"just inside the bottom", -0x7FFFFF, -0x7FFFFF, rig.Good},
		{"bottom", -0x800000, -0x800000, rig.Saturated},
		{"all ones", -1, 0, rig.Misread},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := open(t, bench(t, simbench.Options{Counts: func(int, uint64, int) int32 { return c.value }}), hx711.Options{Settle: -1})
			var r rig.Reading
			for range 5 { // the data sheet's four settling conversions, and one
				r = read(t, s)
			}
			if r.Counts != c.counts || r.Quality != c.q {
				t.Errorf("got %d, %v; want %d, %v", r.Counts, r.Quality, c.counts, c.q)
			}
			if c.q == rig.Misread && s.Misreads().AllOnes == 0 {
				t.Errorf("misreads %+v, want some of all ones", s.Misreads())
			}
		})
	}
}

func TestGainIsThatOfTheGoodReadings(t *testing.T) {
	for _, gain := range []int{128, 64, 32} {
		b := bench(t, simbench.Options{Seed: 2, Counts: func(_ int, n uint64, g int) int32 { return int32(g) }})
		s := open(t, b, hx711.Options{Gain: gain})
		good := 0
		for range 100 {
			if r := read(t, s); r.Quality == rig.Good {
				good++
				if int(r.Counts) != gain {
					t.Fatalf("gain %d: a good reading was taken at gain %d", gain, r.Counts)
				}
			}
		}
		if good != 60 {
			t.Errorf("gain %d: %d good readings of 100, want 60: 40 are settling at 80 SPS", gain, good)
		}
	}
}

func TestStampsAreTheConversions(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 3})
	s := open(t, b, hx711.Options{})
	truth, err := b.Truth(0, 0, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	first := read(t, s).Elapsed
	for n := 1; n < 500; n++ {
		got := read(t, s).Elapsed - first
		want := time.Duration(n) * truth.Period
		// 0.1 ms: the simulated wake-up takes 0.02 to 0.1 ms.
		if d := (got - want).Abs(); d > 100*time.Microsecond {
			t.Fatalf("reading %d is stamped %v after the first, the conversion ended at %v", n, got, want)
		}
	}
}

func TestAbsentStalledAndBack(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 4})
	plug := func(in bool) {
		if err := b.SetFault(0, simbench.Fault{Unplugged: !in}); err != nil {
			t.Fatal(err)
		}
	}
	plug(false)
	s := open(t, b, hx711.Options{})
	last := b.Now()
	for n := range 4 {
		r := read(t, s)
		if r.Quality != rig.Absent || r.Counts != 0 {
			t.Fatalf("reading %d with no chip: %+v, want absent", n, r)
		}
		// One reading every 500 ms; looks are 4.5 ms apart.
		if d := r.Elapsed - last; d < 500*time.Millisecond || d > 510*time.Millisecond {
			t.Errorf("reading %d comes %v after the one before, want about 500 ms", n, d)
		}
		last = r.Elapsed
	}
	plug(true)
	for n := range 40 {
		if r := read(t, s); r.Quality != rig.Settling {
			t.Fatalf("reading %d after plugging in: %v, want settling", n, r.Quality)
		}
	}
	if r := read(t, s); r.Quality != rig.Good {
		t.Fatalf("then: %v, want good", r.Quality)
	}
	plug(false)
	if r := read(t, s); r.Quality != rig.Stalled {
		t.Fatalf("unplugged after it answered: %v, want stalled", r.Quality)
	}
	plug(true)
	if r := read(t, s); r.Quality != rig.Settling {
		t.Fatalf("plugged in again: %v, want settling", r.Quality)
	}
}

// A chip that lost its power for less than the timeout has the wrong gain at first
// and a cold cell: its late first conversion gives it away.
func TestShortLossOfPowerIsSeen(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 5, Counts: func(_ int, _ uint64, g int) int32 { return int32(g) }})
	s := open(t, b, hx711.Options{Gain: 64})
	for range 60 {
		read(t, s)
	}
	_, dout, _ := b.Line(0)
	if err := b.SetFault(0, simbench.Fault{Unplugged: true}); err != nil {
		t.Fatal(err)
	}
	dout.Read() // the chip is brought up to date, and dies here
	if err := b.SetFault(0, simbench.Fault{}); err != nil {
		t.Fatal(err)
	}
	dout.Read()
	for n := range 60 {
		r := read(t, s)
		if n < 40 && r.Quality != rig.Settling {
			t.Fatalf("reading %d after the loss: %v, want settling", n, r.Quality)
		}
		if r.Quality == rig.Good && r.Counts != 64 {
			t.Fatalf("reading %d: good at gain %d", n, r.Counts)
		}
	}
}

// check follows a stream of known conversions and fails on a value that was never
// converted, or comes out of order.
type check struct {
	t    *testing.T
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
		return
	}
	for n := c.n + 1; n < c.n+400; n++ {
		if known(n, c.gain) == r.Counts {
			c.n = n
			return
		}
	}
	c.t.Fatalf("at %v: accepted %#06x, which is none of the conversions %d to %d", r.Elapsed, uint32(r.Counts)&0xFFFFFF, c.n+1, c.n+400)
}

// stalls moves a simulated line's time on at chosen operations.
type stalls struct {
	sck  gpio.PinOut
	dout gpio.PinIn
	clk  rig.Clock
	op   int // operations so far
	at   int // the one to stall before
	long time.Duration
}

func (s *stalls) step() {
	s.op++
	if s.op == s.at {
		for end := s.clk.Now() + s.long; s.clk.Now() < end; {
		}
	}
}

func (s *stalls) Now() time.Duration { s.step(); return s.clk.Now() }
func (s *stalls) Sleep(ctx context.Context, d time.Duration) error {
	s.step()
	return s.clk.(rig.Sleeper).Sleep(ctx, d)
}

type stallOut struct {
	gpio.PinOut
	s *stalls
}

func (p stallOut) Out(l gpio.Level) error { p.s.step(); return p.PinOut.Out(l) }

type stallIn struct {
	gpio.PinIn
	s *stalls
}

func (p stallIn) Read() gpio.Level { p.s.step(); return p.PinIn.Read() }
func (p stallIn) WaitForEdge(d time.Duration) bool {
	p.s.step()
	return p.PinIn.WaitForEdge(d)
}

// The processor is taken away before every single operation of a read in turn, for
// times on either side of each limit: 50 us, 60 us, a conversion, a settling time.
func TestPreemptionAtEveryOperation(t *testing.T) {
	const warm = 50
	for _, gain := range []int{128, 64} {
		for _, long := range []time.Duration{38, 55, 70, 5000, 11_000, 60_000} {
			long *= time.Microsecond
			misreads := 0
			for k := 1; ; k++ {
				b := bench(t, simbench.Options{Seed: 6, Counts: func(_ int, n uint64, g int) int32 { return known(n, g) }})
				st := &stalls{long: long}
				st.sck, st.dout, st.clk = b.Line(0)
				s, err := hx711.New(stallOut{st.sck, st}, stallIn{st.dout, st}, st, hx711.Options{Gain: gain, Settle: -1})
				if err != nil {
					t.Fatal(err)
				}
				for range warm {
					read(t, s)
				}
				c := check{t: t, gain: gain}
				before := st.op
				st.at = before + k
				c.reading(read(t, s))
				inside := st.op-before >= k
				for range 12 {
					c.reading(read(t, s))
				}
				misreads += c.by[rig.Misread]
				if c.by[rig.Good] < 5 {
					t.Fatalf("gain %d, %v at operation %d: %d good readings of 13: it does not recover", gain, long, k, c.by[rig.Good])
				}
				if !inside {
					break
				}
				if k > 500 {
					t.Fatal("a read does not end")
				}
			}
			// At 55 us each of a pulse's three places inside the guard must count: before
			// the rise, between rise and fall, and after the fall.
			pulses := map[int]int{128: 25, 64: 27}[gain]
			if long > 50*time.Microsecond && misreads < 3*pulses {
				t.Errorf("gain %d, stalls of %v: %d misreads, want at least %d", gain, long, misreads, 3*pulses)
			}
			if long <= 38*time.Microsecond && misreads > 0 {
				t.Errorf("gain %d, stalls of %v are allowed, yet %d misreads", gain, long, misreads)
			}
		}
	}
}

func TestRatePinTiedTheOtherWay(t *testing.T) {
	for _, c := range []struct{ said, real int }{{10, 80}, {80, 10}} {
		b := bench(t, simbench.Options{Seed: 8, SPS: c.real})
		s := open(t, b, hx711.Options{SPS: c.said})
		by := map[rig.Quality]int{}
		for range 300 {
			by[read(t, s).Quality]++
		}
		if by[rig.Good] > 0 {
			t.Errorf("said %d, is %d SPS: %d good readings, want none", c.said, c.real, by[rig.Good])
		}
		if c.said < c.real && s.Misreads().TooFast == 0 {
			t.Errorf("said %d, is %d SPS: %+v, want TooFast", c.said, c.real, s.Misreads())
		}
	}
}

// stuck is a data pin that always reads the same, on a clock that only waiting and
// operations move.
type stuck struct {
	level gpio.Level
	t     time.Duration
	lost  bool // WaitForEdge gives up at once
	waits []time.Duration
}

func (p *stuck) Now() time.Duration { p.t += time.Microsecond; return p.t }
func (p *stuck) String() string     { return "{\n}" } // as some real pins are
func (p *stuck) Name() string       { return "GPIO5" }
func (p *stuck) Number() int        { return 5 }
func (p *stuck) Function() string   { panic("reads the pin") }
func (p *stuck) Halt() error        { return nil }
func (p *stuck) In(gpio.Pull, gpio.Edge) error {
	p.Now()
	return nil
}
func (p *stuck) Read() gpio.Level { p.Now(); return p.level }
func (p *stuck) WaitForEdge(d time.Duration) bool {
	p.waits = append(p.waits, d)
	if !p.lost {
		p.t += d
	}
	return false
}
func (p *stuck) Sleep(_ context.Context, d time.Duration) error {
	p.t += max(d, 0)
	return nil
}
func (p *stuck) Pull() gpio.Pull        { return gpio.PullUp }
func (p *stuck) DefaultPull() gpio.Pull { return gpio.PullUp }

type wire struct{ name string }

func (w wire) String() string                        { panic("may read the clock pin") }
func (w wire) Name() string                          { return w.name }
func (w wire) Number() int                           { return 6 }
func (w wire) Function() string                      { panic("reads the clock pin") }
func (w wire) Halt() error                           { return nil }
func (w wire) Out(gpio.Level) error                  { return nil }
func (w wire) PWM(gpio.Duty, physic.Frequency) error { return nil }

func TestDataLineStuckLow(t *testing.T) {
	p := &stuck{level: gpio.Low}
	s, err := hx711.New(wire{name: "GPIO6"}, p, p, hx711.Options{})
	if err != nil {
		t.Fatal(err)
	}
	begin := p.t
	for range 100 {
		if r := read(t, s); r.Quality != rig.Misread {
			t.Fatalf("%+v, want a misread", r)
		}
	}
	if d := p.t - begin; d < 100*12500*time.Microsecond {
		t.Errorf("100 misreads in %v: faster than a chip converts", d)
	}
	if s.Misreads().Slipped != 100 {
		t.Errorf("%+v, want 100 slipped", s.Misreads())
	}
}

func TestDataLineStuckHigh(t *testing.T) {
	p := &stuck{level: gpio.High}
	s, err := hx711.New(wire{name: "GPIO6"}, p, p, hx711.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if r := read(t, s); r.Quality != rig.Absent {
			t.Fatalf("%+v, want absent", r)
		}
	}
	for _, d := range p.waits {
		if d <= 0 || d > 100*time.Millisecond {
			t.Fatalf("waited for an edge with timeout %v: want above 0, and at most 100 ms", d)
		}
	}
}

func TestDataPinLost(t *testing.T) {
	p := &stuck{level: gpio.High, lost: true}
	s, err := hx711.New(wire{name: "GPIO6"}, p, p, hx711.Options{})
	if err != nil {
		t.Fatal(err)
	}
	err = s.Read(t.Context(), make([]rig.Reading, 1))
	if err == nil || !strings.Contains(err.Error(), "gave up at once") || !strings.Contains(err.Error(), "GPIO5") {
		t.Errorf("got %v, want an error that says so and names the pin", err)
	}
}

func TestClockStandsStill(t *testing.T) {
	p := &stuck{level: gpio.High}
	s, err := hx711.New(wire{name: "GPIO6"}, p, still{}, hx711.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Start(); err == nil || !strings.Contains(err.Error(), "stands still") {
		t.Errorf("got %v, want an error that says the clock stands still", err)
	}
}

type still struct{}

func (still) Now() time.Duration { return 0 }

// failer makes the kth pin operation fail.
type failer struct{ n, at int }

var errPin = errors.New("device or resource busy")

func (f *failer) step() error {
	if f.n++; f.n == f.at {
		return errPin
	}
	return nil
}

type failOut struct {
	gpio.PinOut
	f *failer
}

func (p failOut) Out(l gpio.Level) error {
	if err := p.f.step(); err != nil {
		return err
	}
	return p.PinOut.Out(l)
}

func (p failOut) Halt() error {
	if err := p.f.step(); err != nil {
		return err
	}
	return p.PinOut.Halt()
}

type failIn struct {
	gpio.PinIn
	f *failer
}

func (p failIn) In(pull gpio.Pull, e gpio.Edge) error {
	if err := p.f.step(); err != nil {
		return err
	}
	return p.PinIn.In(pull, e)
}

func (p failIn) Halt() error {
	if err := p.f.step(); err != nil {
		return err
	}
	return p.PinIn.Halt()
}

func TestFailureAtEveryPinOperation(t *testing.T) {
	life := func(f *failer) error {
		b := bench(t, simbench.Options{Seed: 9})
		sck, dout, clk := b.Line(0)
		s, err := hx711.New(failOut{sck, f}, failIn{dout, f}, clk, hx711.Options{Gain: 64})
		if err != nil {
			return err
		}
		r := make([]rig.Reading, 1)
		return errors.Join(func() error {
			if err := s.Start(); err != nil {
				return err
			}
			for range 2 {
				if err := s.Read(t.Context(), r); err != nil {
					return err
				}
			}
			return s.Stop()
		}(), s.Halt())
	}
	whole := &failer{}
	if err := life(whole); err != nil {
		t.Fatalf("with nothing failing: %v", err)
	}
	// New 2, Start 3, two reads of 27 pulses 108, Stop 1, Halt 3.
	if whole.n != 117 {
		t.Errorf("a life of two reads takes %d pin operations, want 117", whole.n)
	}
	for k := 1; k <= whole.n; k++ {
		err := life(&failer{at: k})
		if !errors.Is(err, errPin) {
			t.Errorf("operation %d failed, got %v", k, err)
			continue
		}
		if !strings.Contains(err.Error(), "SIM_SCK0") || !strings.Contains(err.Error(), "SIM_DOUT0") {
			t.Errorf("operation %d: %q does not name the pins", k, err)
		}
	}
}

// transcript notes what is done to the pins.
type transcript struct{ ops []string }

type noteOut struct {
	gpio.PinOut
	n *transcript
}

func (p noteOut) Out(l gpio.Level) error {
	p.n.ops = append(p.n.ops, map[gpio.Level]string{gpio.Low: "L", gpio.High: "H"}[l])
	return p.PinOut.Out(l)
}
func (p noteOut) Halt() error { p.n.ops = append(p.n.ops, "halt clock"); return p.PinOut.Halt() }

type noteIn struct {
	gpio.PinIn
	n *transcript
}

func (p noteIn) In(pull gpio.Pull, e gpio.Edge) error {
	p.n.ops = append(p.n.ops, fmt.Sprint("in ", pull, " ", e))
	return p.PinIn.In(pull, e)
}
func (p noteIn) Read() gpio.Level { p.n.ops = append(p.n.ops, "?"); return p.PinIn.Read() }
func (p noteIn) Halt() error      { p.n.ops = append(p.n.ops, "halt data"); return p.PinIn.Halt() }

// The data sheet's figure 2: 24 bits, each read after the clock's fall, then one to
// three pulses more; here with the driver's look at DOUT before and after.
func TestTranscript(t *testing.T) {
	for gain, extra := range map[int]int{128: 1, 32: 2, 64: 3} {
		b := bench(t, simbench.Options{Seed: 10})
		sck, dout, clk := b.Line(0)
		n := &transcript{}
		s, err := hx711.New(noteOut{sck, n}, noteIn{dout, n}, clk, hx711.Options{Gain: gain})
		if err != nil {
			t.Fatal(err)
		}
		read(t, s)
		if err := s.Halt(); err != nil {
			t.Fatal(err)
		}
		got := strings.Join(n.ops, " ")
		for strings.Contains(got, "? ? H") { // looks while it waits
			got = strings.Replace(got, "? ? H", "? H", 1)
		}
		want := "L in PullUp NoEdge in PullUp FallingEdge H L ? " +
			strings.Repeat("H L ? ", 24) + strings.Repeat("H L ", extra) + "? H halt clock halt data"
		if got != want {
			t.Errorf("gain %d:\n got %s\nwant %s", gain, got, want)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	b := bench(t, simbench.Options{})
	sck, dout, clk := b.Line(0)
	if _, err := hx711.New(nil, dout, clk, hx711.Options{}); err == nil {
		t.Error("nil clock pin: no error")
	}
	for _, c := range []struct {
		o    hx711.Options
		says string
	}{
		{hx711.Options{Gain: 100}, "gain 100"},
		{hx711.Options{SPS: 40}, "40 SPS"},
		{hx711.Options{Timeout: time.Millisecond}, "at least 100ms"},
		{hx711.Options{SPS: 10, Timeout: 500 * time.Millisecond}, "at least 600ms"},
		{hx711.Options{Timeout: -1}, "timeout"},
	} {
		_, err := hx711.New(sck, dout, clk, c.o)
		if err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), "SIM_SCK0") {
			t.Errorf("%+v: %v, want an error that says %q and names the pin", c.o, err, c.says)
		}
	}
}

func TestHaltPowersDown(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 11})
	s := open(t, b, hx711.Options{})
	read(t, s)
	for range 2 {
		if err := s.Halt(); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Read(t.Context(), make([]rig.Reading, 1)); err == nil || !strings.Contains(err.Error(), "halted") {
		t.Errorf("Read after Halt: %v, want an error that says so", err)
	}
	if err := s.Start(); err == nil {
		t.Error("Start after Halt: no error")
	}
	var n discard
	if err := b.Record(&n, b.Now()+time.Second); err != nil || n != 0 {
		t.Errorf("the chip made %d conversions in the second after Halt (error %v), want 0", n, err)
	}
}

type discard int

func (d *discard) Put(s []rig.Sample) error { *d += discard(len(s)); return nil }

func TestReadAllocatesNothing(t *testing.T) {
	b := bench(t, simbench.Options{Seed: 12})
	s := open(t, b, hx711.Options{})
	r := make([]rig.Reading, 1)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	n := testing.AllocsPerRun(2000, func() {
		if err := s.Read(ctx, r); err != nil {
			t.Fatal(err)
		}
	})
	if n != 0 {
		t.Errorf("%v allocations a Read, want 0", n)
	}
}
