package hx711_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"brimline/rig"
	"brimline/rig/hx711"
	"brimline/rig/rigtest"
	"brimline/rig/simbench"
)

// knownOf is known with a sequence of its own for each channel.
func knownOf(channel int, n uint64, gain int) int32 {
	return known(n+uint64(channel)<<20, gain)
}

// oneClock has all of o's channels on one clock line.
func oneClock(t testing.TB, o simbench.Options) *simbench.Bench {
	t.Helper()
	o.Clocks = make([]int, o.Channels)
	return bench(t, o)
}

func openShared(t testing.TB, b *simbench.Bench, o hx711.Options) *hx711.Shared {
	t.Helper()
	sck, _, _ := b.Line(0)
	var douts []gpio.PinIn
	for i := range b.Channels() {
		_, dout, _ := b.Line(i)
		douts = append(douts, dout)
	}
	s, err := hx711.NewShared(sck, douts, b.Clock(0), o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// together is o with all data pins of b read in one operation.
func together(b *simbench.Bench, o hx711.Options) hx711.Options {
	var all []int
	for i := range b.Channels() {
		all = append(all, i)
	}
	o.Together = b.DataPins(all...)
	return o
}

func readSet(t testing.TB, s *hx711.Shared, dst []rig.Reading) {
	t.Helper()
	if err := s.Read(t.Context(), dst); err != nil {
		t.Fatal(err)
	}
}

func TestSharedContract(t *testing.T) {
	for _, sps := range []int{10, 80} {
		t.Run(fmt.Sprintf("sps=%d", sps), func(t *testing.T) {
			rigtest.Sensor(t, func(t *testing.T) rig.Sensor {
				return openShared(t, oneClock(t, simbench.Options{Seed: 1, SPS: sps, Channels: 4}), hx711.Options{SPS: sps})
			})
			rigtest.Sensor(t, func(t *testing.T) rig.Sensor {
				b := oneClock(t, simbench.Options{Seed: 1, SPS: sps, Channels: 4})
				return openShared(t, b, together(b, hx711.Options{SPS: sps}))
			})
		})
	}
}

// sharedChecks follows every channel of a Shared.
type sharedChecks struct {
	t    *testing.T
	gain int
	n    []uint64
	by   map[rig.Quality]int
}

func (c *sharedChecks) set(rs []rig.Reading) {
	if c.n == nil {
		c.n, c.by = make([]uint64, len(rs)), map[rig.Quality]int{}
	}
	for ch, r := range rs {
		c.by[r.Quality]++
		if r.Quality != rig.Good && r.Quality != rig.Saturated {
			continue
		}
		found := false
		for n := c.n[ch] + 1; n < c.n[ch]+4000 && !found; n++ {
			if knownOf(ch, n, c.gain) == r.Counts {
				c.n[ch], found = n, true
			}
		}
		if !found {
			c.t.Fatalf("channel %d at %v: accepted %#06x, which is none of the conversions from %d on", ch, r.Elapsed, uint32(r.Counts)&0xFFFFFF, c.n[ch]+1)
		}
	}
}

// Eight chips whose periods differ by up to 24 % on one clock line, nothing wrong:
// what the phase rule costs.
func TestSharedPace(t *testing.T) {
	for _, c := range []struct{ sps, gain int }{{80, 128}, {80, 64}, {80, 32}, {10, 128}} {
		b := oneClock(t, simbench.Options{Seed: 2, SPS: c.sps, Channels: 8, Counts: knownOf})
		s := openShared(t, b, hx711.Options{Gain: c.gain, SPS: c.sps, Settle: -1})
		var slowest time.Duration
		for ch := range 8 {
			truth, err := b.Truth(ch, 0, time.Second)
			if err != nil {
				t.Fatal(err)
			}
			slowest = max(slowest, truth.Period)
		}
		ck := &sharedChecks{t: t, gain: c.gain}
		dst := make([]rig.Reading, 8)
		sets := 2000
		if testing.Short() {
			sets = 400
		}
		for range sets {
			readSet(t, s, dst)
			ck.set(dst)
		}
		pace := (dst[0].Elapsed / time.Duration(sets)).Seconds() / slowest.Seconds()
		t.Logf("%d SPS, gain %d: a set every %.3f periods of the slowest chip; %v, discarded %+v", c.sps, c.gain, pace, ck.by, s.Misreads())
		if good := ck.by[rig.Good]; good < sets*8*99/100-8*8 {
			t.Errorf("%d SPS, gain %d: %d of %d readings are good, want 99 %%", c.sps, c.gain, good, sets*8)
		}
		if pace > 1.5 {
			t.Errorf("%d SPS, gain %d: a set takes %.2f periods of the slowest chip, want at most 1.5", c.sps, c.gain, pace)
		}
	}
}

// A slow board, whose pin operations take long beside the chips' period, and chips that drift past
// each other slowly: the worst for a shared clock line, because what is in the way stays so for long.
func TestSharedOnASlowBoard(t *testing.T) {
	alike := []float64{1, 0.998, 0.996, 0.994, 0.992, 0.99, 0.988, 0.986}
	for _, c := range []struct {
		what     string
		pinOp    time.Duration
		together bool
		paces    []float64
		least    float64 // share of the readings that are good
	}{
		{"pins together, 4 us", 4 * time.Microsecond, true, alike, 0.99},
		{"pins together, 8 us", 8 * time.Microsecond, true, alike, 0.99},
		{"pins together, 8 us, all paces", 8 * time.Microsecond, true, nil, 0.99},
		{"pins together, 12 us", 12 * time.Microsecond, true, alike, 0.85},
		{"each pin, 4 us", 4 * time.Microsecond, false, alike, 0.95},
		{"each pin, 8 us", 8 * time.Microsecond, false, alike, 0.6},
		{"each pin, 8 us, all paces", 8 * time.Microsecond, false, nil, 0.75},
	} {
		b := oneClock(t, simbench.Options{Seed: 3, Channels: 8, Counts: knownOf, PinOp: c.pinOp, Paces: c.paces})
		o := hx711.Options{Gain: 128, Settle: -1}
		if c.together {
			o = together(b, o)
		}
		s := openShared(t, b, o)
		ck := &sharedChecks{t: t, gain: 128}
		dst := make([]rig.Reading, 8)
		sets := 3000
		if testing.Short() {
			sets = 1000
		}
		worst := make([]int, 8)
		for range sets {
			readSet(t, s, dst)
			ck.set(dst)
			for i, r := range dst {
				if r.Quality == rig.Good {
					worst[i]++
				}
			}
		}
		pace := (dst[0].Elapsed / time.Duration(sets)).Seconds() / 0.0125
		t.Logf("%s: a set every %.2f nominal periods; %v, worst channel %d of %d, discarded %+v", c.what, pace, ck.by, slices.Min(worst), sets, s.Misreads())
		if got := float64(slices.Min(worst)) / float64(sets); got < c.least {
			t.Errorf("%s: %.3f of the worst channel's readings are good, want %g", c.what, got, c.least)
		}
	}
}

// A million accepted values and more, half by drivers with a clock line of their own and half on a
// shared one, while the driver keeps losing the processor for 10 us to 30 ms.
func TestNoWrongValueInAMillionReads(t *testing.T) {
	million := 1_250_000 // reads: over four fifths are good
	if testing.Short() {
		million = 25_000
	}
	total, good, discarded := 0, 0, uint64(0)
	report := func(what string, by map[rig.Quality]int, m hx711.Misreads) {
		n := 0
		for _, k := range by {
			n += k
		}
		total, good = total+n, good+by[rig.Good]
		discarded += uint64(by[rig.Misread])
		t.Logf("%s: %d reads, %d good, %d settling, %d discarded %+v, 0 wrong", what, n, by[rig.Good], by[rig.Settling], by[rig.Misread], m)
		if sum := m.Overrun + m.Slipped + m.Late + m.AllOnes + m.TooFast; sum != uint64(by[rig.Misread]) {
			t.Errorf("%s: %d misreads, the counters say %d", what, by[rig.Misread], sum)
		}
		if m.Overrun == 0 || m.Late == 0 && !testing.Short() || by[rig.Good] < n/2 {
			t.Errorf("%s: the stalls did not test every rule, or too few readings are good", what)
		}
	}
	for i, c := range []struct {
		gain, sps, tenths int
	}{{128, 80, 2}, {64, 80, 1}, {128, 10, 1}, {32, 80, 1}} {
		b := bench(t, simbench.Options{Seed: uint64(20 + i), SPS: c.sps, Counts: knownOf})
		if err := b.SetFault(0, simbench.Fault{StallsPerOp: 1. / 1500}); err != nil {
			t.Fatal(err)
		}
		s := open(t, b, hx711.Options{Gain: c.gain, SPS: c.sps, Settle: -1})
		ck := &sharedChecks{t: t, gain: c.gain}
		dst := make([]rig.Reading, 1)
		for range million / 10 * c.tenths {
			if err := s.Read(t.Context(), dst); err != nil {
				t.Fatal(err)
			}
			ck.set(dst)
		}
		report(fmt.Sprintf("own clock, gain %d, %d SPS", c.gain, c.sps), ck.by, s.Misreads())
	}
	for i, c := range []struct {
		chips, gain, sps, tenths int
	}{{8, 128, 80, 2}, {4, 64, 80, 1}, {8, 32, 80, 1}, {8, 128, 10, 1}} {
		b := oneClock(t, simbench.Options{Seed: uint64(30 + i), SPS: c.sps, Channels: c.chips, Counts: knownOf})
		if err := b.SetFault(0, simbench.Fault{StallsPerOp: 1. / 5000}); err != nil {
			t.Fatal(err)
		}
		o := hx711.Options{Gain: c.gain, SPS: c.sps, Settle: -1}
		if i%2 == 0 {
			o = together(b, o)
		}
		s := openShared(t, b, o)
		ck := &sharedChecks{t: t, gain: c.gain}
		dst := make([]rig.Reading, c.chips)
		for range million / 10 * c.tenths / c.chips {
			readSet(t, s, dst)
			ck.set(dst)
		}
		report(fmt.Sprintf("%d on one clock, gain %d, %d SPS", c.chips, c.gain, c.sps), ck.by, s.Misreads())
	}
	t.Logf("together: %d reads, %d good, %d discarded, 0 wrong", total, good, discarded)
	if good < million*4/5 {
		t.Errorf("%d of %d reads are good, want four fifths", good, million)
	}
}

// The processor is taken away before every single operation of a set in turn.
func TestSharedPreemptionAtEveryOperation(t *testing.T) {
	const warm, chips = 20, 3
	longs := []time.Duration{45, 55, 70, 5000, 11_000, 60_000}
	if testing.Short() {
		longs = []time.Duration{45, 55}
	}
	for _, long := range longs {
		long *= time.Microsecond
		misreads := 0
		for k := 1; ; k++ {
			b := oneClock(t, simbench.Options{Seed: 6, Channels: chips, Counts: knownOf})
			st := &stalls{long: long}
			sck, _, _ := b.Line(0)
			st.clk = b.Clock(0)
			var douts []gpio.PinIn
			for ch := range chips {
				_, dout, _ := b.Line(ch)
				douts = append(douts, stallIn{dout, st})
			}
			s, err := hx711.NewShared(stallOut{sck, st}, douts, st, hx711.Options{Gain: 64, Settle: -1})
			if err != nil {
				t.Fatal(err)
			}
			dst := make([]rig.Reading, chips)
			for range warm {
				readSet(t, s, dst)
			}
			ck := &sharedChecks{t: t, gain: 64}
			before := st.op
			st.at = before + k
			readSet(t, s, dst)
			ck.set(dst)
			inside := st.op-before >= k
			for range 12 {
				readSet(t, s, dst)
				ck.set(dst)
			}
			misreads += ck.by[rig.Misread]
			if ck.by[rig.Good] < 5*chips {
				t.Fatalf("%v at operation %d: %v of %d: it does not recover", long, k, ck.by, 13*chips)
			}
			if !inside {
				break
			}
			if k > 2000 {
				t.Fatal("a read does not end")
			}
		}
		if long > 50*time.Microsecond && misreads < 3*27*chips {
			t.Errorf("stalls of %v: %d misreads, want at least %d", long, misreads, 3*27*chips)
		}
		if long <= 45*time.Microsecond && misreads > 0 {
			t.Errorf("stalls of %v are allowed, yet %d misreads", long, misreads)
		}
	}
}

func TestSharedGoesOnWithoutADeadChip(t *testing.T) {
	const chips = 4
	for _, dead := range []int{0, 2} {
		b := oneClock(t, simbench.Options{Seed: 7, Channels: chips, Counts: knownOf})
		fault := func(f simbench.Fault) {
			t.Helper()
			if err := b.SetFault(dead, f); err != nil {
				t.Fatal(err)
			}
		}
		fault(simbench.Fault{Unplugged: true})
		s := openShared(t, b, hx711.Options{Gain: 64, Settle: -1})
		dst := make([]rig.Reading, chips)
		ck := &sharedChecks{t: t, gain: 64}
		// sets reads for a while: at the end every living channel must be good, the dead
		// one as said, and sets must have come at their pace.
		sets := func(what string, want rig.Quality) {
			t.Helper()
			begin, n := b.Now(), 0
			var last time.Duration
			for n < 200 {
				readSet(t, s, dst)
				ck.set(dst)
				n++
				other := dst[(dead+1)%chips].Elapsed
				if gap := other - last; last > 0 && gap > 150*time.Millisecond {
					t.Errorf("chip %d %s: the others waited %v", dead, what, gap)
				}
				last = other
			}
			for ch, r := range dst {
				w := rig.Good
				if ch == dead {
					w = want
				}
				if r.Quality != w {
					t.Errorf("chip %d %s: channel %d is %v, want %v", dead, what, ch, r.Quality, w)
				}
			}
			if took := last - begin; took > 200*20*time.Millisecond {
				t.Errorf("chip %d %s: 200 sets took %v", dead, what, took)
			}
		}
		sets("never plugged in", rig.Absent)
		fault(simbench.Fault{})
		sets("plugged in", rig.Good)
		fault(simbench.Fault{Unplugged: true})
		sets("unplugged", rig.Stalled)
		fault(simbench.Fault{})
		sets("plugged in again", rig.Good)
		fault(simbench.Fault{Hung: true})
		sets("hung", rig.Stalled)
		fault(simbench.Fault{})
		sets("running again", rig.Good)
	}
}

// heldLow is a data pin that is shorted to ground.
type heldLow struct{ gpio.PinIn }

func (heldLow) Read() gpio.Level { return gpio.Low }

func TestSharedGoesOnBesideALineStuckLow(t *testing.T) {
	b := oneClock(t, simbench.Options{Seed: 8, Channels: 3, Counts: knownOf})
	sck, first, _ := b.Line(0)
	_, second, _ := b.Line(1)
	_, third, _ := b.Line(2)
	s, err := hx711.NewShared(sck, []gpio.PinIn{first, heldLow{second}, third}, b.Clock(0), hx711.Options{Settle: -1})
	if err != nil {
		t.Fatal(err)
	}
	dst := make([]rig.Reading, 3)
	ck := &sharedChecks{t: t, gain: 128}
	for range 500 {
		readSet(t, s, dst)
		ck.set(dst)
		if dst[1].Quality != rig.Misread {
			t.Fatalf("the line held low: %v, want a misread", dst[1].Quality)
		}
	}
	if ck.by[rig.Good] < 950 || s.Misreads().Slipped != 500 {
		t.Errorf("%v, %+v: want nearly all of the other two good and 500 slipped", ck.by, s.Misreads())
	}
}

// Lines that all stand still: no set comes faster than a chip converts, or than the timeout.
func TestSharedAllLinesStuck(t *testing.T) {
	for _, level := range []gpio.Level{gpio.Low, gpio.High} {
		p := &stuck{level: level}
		s, err := hx711.NewShared(wire{name: "GPIO6"}, []gpio.PinIn{p, p}, p, hx711.Options{})
		if err != nil {
			t.Fatal(err)
		}
		dst := make([]rig.Reading, 2)
		begin, want, sets := p.t, rig.Misread, 100*10*time.Millisecond
		if level == gpio.High {
			want, sets = rig.Absent, 100*500*time.Millisecond
		}
		for range 100 {
			readSet(t, s, dst)
			if dst[0].Quality != want || dst[1].Quality != want {
				t.Fatalf("lines %v: %+v, want %v", level, dst, want)
			}
		}
		if took := p.t - begin; took < sets {
			t.Errorf("lines %v: 100 sets in %v, want at least %v", level, took, sets)
		}
	}
}

func TestSharedRatePinTiedTheOtherWay(t *testing.T) {
	for _, c := range []struct{ said, real int }{{10, 80}, {80, 10}} {
		b := oneClock(t, simbench.Options{Seed: 8, SPS: c.real, Channels: 3})
		s := openShared(t, b, hx711.Options{SPS: c.said})
		dst := make([]rig.Reading, 3)
		for n := range 300 {
			readSet(t, s, dst)
			for ch, r := range dst {
				if r.Quality == rig.Good {
					t.Fatalf("said %d, is %d SPS: set %d, channel %d is good", c.said, c.real, n, ch)
				}
			}
		}
		if c.said < c.real && s.Misreads().TooFast == 0 {
			t.Errorf("said %d, is %d SPS: %+v, want TooFast", c.said, c.real, s.Misreads())
		}
	}
}

func TestSharedFailureAtEveryPinOperation(t *testing.T) {
	life := func(f *failer) error {
		b := oneClock(t, simbench.Options{Seed: 9, Channels: 2})
		sck, first, _ := b.Line(0)
		_, second, _ := b.Line(1)
		s, err := hx711.NewShared(failOut{sck, f}, []gpio.PinIn{failIn{first, f}, failIn{second, f}}, b.Clock(0), hx711.Options{Gain: 64})
		if err != nil {
			return err
		}
		r := make([]rig.Reading, 2)
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
	// NewShared 3, Start 2, two sets of 27 pulses 108, Halt 4.
	if whole.n != 117 {
		t.Errorf("a life of two sets takes %d pin operations, want 117", whole.n)
	}
	for k := 1; k <= whole.n; k++ {
		err := life(&failer{at: k})
		if !errors.Is(err, errPin) || !strings.Contains(err.Error(), "SIM_SCK0") {
			t.Errorf("operation %d failed, got %v: want the pin's error with its name", k, err)
		}
	}
}

// failLines fails at the nth of its operations.
type failLines struct {
	hx711.Lines
	f *failer
}

func (p failLines) Read(mask gpio.GPIOValue) (gpio.GPIOValue, error) {
	if err := p.f.step(); err != nil {
		return 0, err
	}
	return p.Lines.Read(mask)
}

func (p failLines) Halt() error { return errors.Join(p.f.step(), p.Lines.Halt()) }

func TestSharedFailureOfPinsReadTogether(t *testing.T) {
	life := func(f *failer) error {
		b := oneClock(t, simbench.Options{Seed: 9, Channels: 3})
		o := together(b, hx711.Options{})
		o.Together = failLines{o.Together, f}
		s := openShared(t, b, o)
		r := make([]rig.Reading, 3)
		err := s.Start()
		for range 2 {
			if err == nil {
				err = s.Read(t.Context(), r)
			}
		}
		return errors.Join(err, s.Halt())
	}
	whole := &failer{}
	if err := life(whole); err != nil {
		t.Fatalf("with nothing failing: %v", err)
	}
	// A set looks at the pins some times, reads 24 bits and looks once more; and Halt.
	if whole.n < 2*25+2+1 || whole.n > 2*25+250 {
		t.Errorf("a life of two sets reads the pins %d times", whole.n)
	}
	for k := 1; k <= whole.n; k++ {
		err := life(&failer{at: k})
		if !errors.Is(err, errPin) || !strings.Contains(err.Error(), "SIM_SCK0") {
			t.Errorf("operation %d failed, got %v: want the pins' error with the line's name", k, err)
		}
	}
}

func TestNewSharedRefuses(t *testing.T) {
	b := oneClock(t, simbench.Options{Channels: 2})
	sck, dout, _ := b.Line(0)
	for _, c := range []struct {
		douts []gpio.PinIn
		o     hx711.Options
		says  string
	}{
		{[]gpio.PinIn{dout}, hx711.Options{}, "1 data pins: use 2 to 32"},
		{[]gpio.PinIn{dout, nil}, hx711.Options{}, "data pin 2 of 2 is nil"},
		{[]gpio.PinIn{dout, dout}, hx711.Options{Gain: 1}, "gain 1"},
	} {
		if _, err := hx711.NewShared(sck, c.douts, b.Clock(0), c.o); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, want an error that says %q", err, c.says)
		}
	}
	if _, err := hx711.NewShared(nil, []gpio.PinIn{dout, dout}, b.Clock(0), hx711.Options{}); err == nil {
		t.Error("nil clock pin: no error")
	}
	s := openShared(t, b, hx711.Options{})
	if err := s.Halt(); err != nil {
		t.Fatal(err)
	}
	if err := s.Read(t.Context(), make([]rig.Reading, 2)); err == nil || !strings.Contains(err.Error(), "halted") {
		t.Errorf("Read after Halt: %v, want an error that says so", err)
	}
}
