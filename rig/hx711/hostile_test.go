package hx711_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"brimline/rig"
	"brimline/rig/hx711"
	"brimline/rig/simbench"
)

// hostile stands between the driver and the pins and the clock of chips on one clock line,
// and means ill. What takes a chip's power begins between reads: the package's doc says why.
type hostile struct {
	gpio.PinOut // the clock pin
	rig.Sleeper
	t    *testing.T
	b    *simbench.Bench
	rng  *rand.Rand
	gain int

	now       time.Duration
	overshoot float64 // chance that a sleep is 1 to 30 ms too long
	held      bool    // the clock line is held high
	until     time.Duration
	level     gpio.Level // asked for
	lines     []hostileLine
}

type hostileLine struct { // what is wrong with a channel, and what is known of it
	gpio.PinIn
	h *hostile

	low        bool // held low
	cut, hung  bool
	back       time.Duration // when its power comes back, or the chip converts again
	glitches   float64       // chance that a look sees the other level; never two in a row
	falseIn    int           // the look after so many, less one, sees the other level; 0: none does
	high, down time.Duration // mean times for which the line is high and low by itself; 0: it is sound
	level      gpio.Level
	until      time.Duration
	clocked    bool // since it was last read: the next is a bit
	glitched   bool // the look before saw the other level

	made    [16]conversion // its last ones
	last    uint64         // the last that was accepted
	n, good int            // readings, of which good
}

type conversion struct {
	n     uint64
	value int32
	gain  int
}

func newHostile(t *testing.T, seed uint64, sim simbench.Options, gain int, group bool) (*hostile, *hx711.Shared) {
	h := &hostile{t: t, rng: rand.New(rand.NewPCG(seed, 11)), gain: gain, lines: make([]hostileLine, sim.Channels)}
	sim.Counts = func(ch int, n uint64, gain int) int32 {
		v := knownOf(ch, n, gain)
		h.lines[ch].made[n%16] = conversion{n, v, gain}
		return v
	}
	h.b = oneClock(t, sim)
	sck, _, _ := h.b.Line(0)
	h.PinOut, h.Sleeper = sck, h.b.Clock(0)
	var douts []gpio.PinIn
	for i := range h.lines {
		l := &h.lines[i]
		_, l.PinIn, _ = h.b.Line(i)
		l.h = h
		douts = append(douts, l)
	}
	o := hx711.Options{Gain: gain, SPS: sim.SPS, Settle: -1}
	if group {
		o.Together = hostileLines{together(h.b, o).Together, h}
	}
	s, err := hx711.NewShared(h, douts, h, o)
	if err != nil {
		t.Fatal(err)
	}
	return h, s
}

type hostileLines struct {
	hx711.Lines
	h *hostile
}

func (p hostileLines) Read(mask gpio.GPIOValue) (gpio.GPIOValue, error) {
	v, err := p.Lines.Read(mask)
	for i := range p.h.lines {
		if p.h.lines[i].seen(v>>i&1 == 1) {
			v |= 1 << i
		} else {
			v &^= 1 << i
		}
	}
	return v, err
}

func (l *hostileLine) Read() gpio.Level { return l.seen(l.PinIn.Read()) }

func (l *hostileLine) seen(v gpio.Level) gpio.Level {
	bit := l.clocked
	l.clocked = false
	switch {
	case l.low:
		return gpio.Low
	case l.high > 0:
		for l.until < l.h.now {
			l.level = !l.level
			mean := l.high
			if !l.level {
				mean = l.down
			}
			l.until = max(l.until, l.h.now-100*mean) + time.Duration(float64(mean)*l.h.rng.ExpFloat64()) + 1
		}
		return l.level
	case !bit && l.falseIn > 0:
		l.falseIn--
		return v != (l.falseIn == 0)
	case !bit && !l.glitched && l.h.rng.Float64() < l.glitches:
		l.glitched = true
		return !v
	}
	l.glitched = false
	return v
}

func (h *hostile) Out(v gpio.Level) error {
	for i := range h.lines {
		h.lines[i].clocked = true
	}
	h.level = v
	return h.PinOut.Out(v || gpio.Level(h.held))
}

func (h *hostile) Now() time.Duration {
	h.now = h.Sleeper.Now()
	if h.held && h.now > h.until {
		h.held = false
		if err := h.PinOut.Out(h.level); err != nil {
			h.t.Fatal(err)
		}
	}
	for i := range h.lines {
		if l := &h.lines[i]; (l.cut || l.hung) && l.back > 0 && h.now > l.back {
			l.cut, l.hung = false, false
			h.set(i, 0)
		}
	}
	return h.now
}

func (h *hostile) set(ch int, stalls float64) {
	l := &h.lines[ch]
	if err := h.b.SetFault(ch, simbench.Fault{Unplugged: l.cut, Hung: l.hung, StallsPerOp: stalls}); err != nil {
		h.t.Fatal(err)
	}
}

// fault gives a channel the faults of f in place of those that it has.
func (h *hostile) fault(ch int, f hostileLine, stalls float64) {
	l := &h.lines[ch]
	f.PinIn, f.h, f.made, f.last, f.n, f.good = l.PinIn, h, l.made, l.last, l.n, l.good
	*l = f
	h.set(ch, stalls)
}

// hold holds the clock line high, until the chips are without power and for some time more.
func (h *hostile) hold(d time.Duration) {
	h.held, h.until = true, h.now+d+200*time.Microsecond
	if err := errors.Join(h.PinOut.Out(gpio.High), h.Sleeper.Sleep(h.t.Context(), 100*time.Microsecond)); err != nil {
		h.t.Fatal(err)
	}
}

func (h *hostile) Sleep(ctx context.Context, d time.Duration) error {
	if h.rng.Float64() < h.overshoot {
		d = max(d, 0) + time.Millisecond + time.Duration(h.rng.Int64N(int64(29*time.Millisecond)))
	}
	return h.Sleeper.Sleep(ctx, d)
}

// check fails for a value that is not one of the chip's own conversions at the gain, or not later than the
// one before. Of a line that flaps by itself no value can be told.
func (h *hostile) check(what string, rs []rig.Reading) {
	for ch, r := range rs {
		l := &h.lines[ch]
		l.n++
		if r.Quality != rig.Good && r.Quality != rig.Saturated {
			continue
		}
		l.good++
		if l.high > 0 {
			continue
		}
		own := slices.ContainsFunc(l.made[:], func(c conversion) bool {
			if c.value == r.Counts && c.n > l.last && c.gain == h.gain {
				l.last = c.n
				return true
			}
			return false
		})
		if !own {
			h.t.Fatalf("%s: channel %d at %v: accepted %#06x, which is none of its conversions %v after %d", what, ch, r.Elapsed, uint32(r.Counts)&0xFFFFFF, l.made, l.last)
		}
	}
}

// Every single look at a chip's line in turn sees the other level, once.
func TestSharedOneFalseLook(t *testing.T) {
	const chips = 2
	seeds := 4
	if testing.Short() {
		seeds = 1
	}
	for seed := range uint64(seeds) {
		looks := 0
		for k := 1; k == 1 || looks == 0; k++ {
			h, s := newHostile(t, seed, simbench.Options{Seed: seed, SPS: 80, Channels: chips, PinOp: 11 * time.Microsecond}, 128, true)
			dst := make([]rig.Reading, chips)
			for n := range 50 {
				if n == 30 {
					h.lines[0].falseIn = k
				}
				readSet(t, s, dst)
				h.check(fmt.Sprintf("seed %d, look %d", seed, k), dst)
				if n == 33 {
					looks = h.lines[0].falseIn
				}
			}
			if q := dst[0].Quality; q != rig.Good {
				t.Errorf("seed %d, look %d was false: the chip is %v some sets later", seed, k, q)
			}
			if k > 1000 {
				t.Fatal("a set does not end")
			}
		}
	}
}

// Whatever is wrong with one chip or two, the others come at their pace: at most a fifth slower,
// as a line that flaps is given another chance now and then.
func TestSharedPaceBesideABadNeighbour(t *testing.T) {
	type fault struct {
		name string
		line hostileLine
		two  bool
	}
	faults := []fault{
		{name: "none"},
		{name: "cut", line: hostileLine{cut: true}},
		{name: "two cut", line: hostileLine{cut: true}, two: true},
		{name: "hung", line: hostileLine{hung: true}},
		{name: "held low", line: hostileLine{low: true}},
		{name: "two held low", line: hostileLine{low: true}, two: true},
		{name: "1 % of looks wrong", line: hostileLine{glitches: 0.01}},
		{name: "half of the looks wrong", line: hostileLine{glitches: 0.5}},
		{name: "cut, 1 % of looks wrong", line: hostileLine{cut: true, glitches: 0.01}},
		{name: "cut, 10 % of looks wrong", line: hostileLine{cut: true, glitches: 0.1}},
	}
	times := []time.Duration{50, 500, 3000, 12_000, 30_000, 100_000}
	for _, high := range times {
		for _, down := range times {
			high, down := high*time.Microsecond, down*time.Microsecond
			faults = append(faults, fault{name: fmt.Sprintf("flaps, %v high, %v low", high, down), line: hostileLine{high: high, down: down}})
		}
	}
	const chips, sets = 6, 300
	boards := []struct {
		sps   int
		pinOp time.Duration
	}{{80, time.Microsecond}, {80, 5 * time.Microsecond}, {10, 5 * time.Microsecond}}
	if testing.Short() {
		boards = boards[:1]
	}
	for _, c := range boards {
		slowest, least := 0.0, 1.0
		for _, f := range faults {
			h, s := newHostile(t, 5, simbench.Options{Seed: 4, SPS: c.sps, Channels: chips, PinOp: c.pinOp}, 128, true)
			dst := make([]rig.Reading, chips)
			read := func(sets int) {
				for range sets {
					readSet(t, s, dst)
					h.check(f.name, dst)
				}
			}
			read(100)
			bad := 1
			if f.two {
				bad = 2
			}
			for i := range bad {
				h.fault(i, f.line, 0)
			}
			read(20)
			begin := h.now
			for i := range h.lines {
				h.lines[i].good = 0
			}
			read(sets)
			pace := (h.now - begin).Seconds() / sets * float64(c.sps)
			good := 1.0
			for i := bad; i < chips; i++ {
				good = min(good, float64(h.lines[i].good)/sets)
			}
			slowest, least = max(slowest, pace), min(least, good)
			if pace > 1.2 || good < 0.9 {
				t.Errorf("%d SPS, pins of %v, %s: a set every %.2f nominal periods, %.3f of the worst sound chip good; want at most 1.2, at least 0.9; %+v", c.sps, c.pinOp, f.name, pace, good, s.Misreads())
			}
		}
		t.Logf("%d SPS, pins of %v: at worst a set every %.2f nominal periods, %.3f of a sound chip's readings good", c.sps, c.pinOp, slowest, least)
	}
}

// Faults come and go at random, several at once, on chips, clocks, pins and gains at random: no
// wrong value is accepted, and all chips are good again some time after the last fault ended.
func TestSharedAmongRandomFaults(t *testing.T) {
	trials := 150
	if testing.Short() {
		trials = 10
	}
	total, good := 0, 0
	for seed := range uint64(trials) {
		rng := rand.New(rand.NewPCG(seed, 12))
		sim := simbench.Options{Seed: seed, SPS: 80, Channels: 2 + rng.IntN(7), PinOp: time.Duration(1+rng.IntN(12)) * time.Microsecond}
		if rng.IntN(3) == 0 {
			sim.SPS = 10
		}
		if rng.IntN(3) == 0 { // chips that hardly drift past each other
			for i := range sim.Channels {
				sim.Paces = append(sim.Paces, 1-float64(i)*0.001*rng.Float64())
			}
		}
		gain := []int{128, 64, 32}[rng.IntN(3)]
		together := sim.PinOp > 4*time.Microsecond || rng.IntN(2) == 0
		what := fmt.Sprintf("seed %d, %d chips, %d SPS, gain %d, pins of %v, together %v, paces %v", seed, sim.Channels, sim.SPS, gain, sim.PinOp, together, sim.Paces)
		h, s := newHostile(t, seed, sim, gain, together)
		dst := make([]rig.Reading, sim.Channels)
		last := make([]time.Duration, sim.Channels)
		set := func() {
			readSet(t, s, dst)
			h.check(what, dst)
			for i, r := range dst {
				if r.Elapsed <= last[i] {
					t.Fatalf("%s: channel %d is stamped %v after %v", what, i, r.Elapsed, last[i])
				}
				last[i] = r.Elapsed
			}
		}
		some := func() time.Duration { // 50 us to 200 ms, log-uniform
			return time.Duration(50e3 * math.Pow(4000, rng.Float64()))
		}
		for range 4 {
			stalls := 0.0
			if rng.IntN(3) == 0 {
				stalls = 1 / float64(2000+rng.IntN(20_000))
			}
			h.overshoot = []float64{0, 0, 0.001, 0.02}[rng.IntN(4)]
			bad := rng.IntN(sim.Channels + 1)
			for range 60 {
				set()
				i := rng.IntN(sim.Channels)
				if i >= bad || rng.IntN(4) > 0 {
					continue
				}
				var f hostileLine
				switch rng.IntN(8) {
				case 0:
					f.cut = true
				case 1:
					f.cut, f.back = true, h.now+some()
				case 2:
					f.hung = true
				case 3:
					f.hung, f.back = true, h.now+some()
				case 4:
					f.low = true
				case 5:
					f.high, f.down = some(), some()
				case 6:
					f.glitches = some().Seconds()
				case 7:
					h.hold(some())
				}
				h.fault(i, f, stalls)
			}
			h.overshoot = 0
			for i := range h.lines {
				h.fault(i, hostileLine{}, 0)
			}
			for range 120 {
				set()
			}
			for i := range h.lines {
				total, good = total+h.lines[i].n, good+h.lines[i].good
				h.lines[i].n, h.lines[i].good = 0, 0
			}
			for range 20 {
				set()
			}
			for i := range h.lines {
				if got := h.lines[i].good; got < 10 {
					t.Errorf("%s: channel %d: %d of 20 readings are good 120 sets after the last fault; %+v", what, i, got, s.Misreads())
				}
			}
		}
	}
	t.Logf("%d readings, %d accepted, 0 wrong", total, good)
	if good < total*7/10 {
		t.Errorf("%d of %d readings are good, want 7 of 10: the faults are too many to tell anything", good, total)
	}
}
