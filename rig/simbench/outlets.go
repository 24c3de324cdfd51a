package simbench

import (
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"
)

// OutletOptions shape the valves of a simulated bench.
type OutletOptions struct {
	// Bare: there are no valves, and the flow goes into the tubes; of the outlets only the
	// alarm does something.
	Bare bool
	// Drain: an unpowered valve empties its tube, at DrainMLPerS. Else it turns the flow
	// away from the tube, whose level stays.
	Drain       bool
	DrainMLPerS float64       // default 10 (assumed)
	Hold        time.Duration // of the heartbeat's monostable; default 0.8 s
}

// Outlets are simulated valves, the monostable that powers them, and an alarm. Their
// pins may be driven from the goroutine of a channel that is being read; from
// elsewhere only while none is, or the moment depends on the machine.
type Outlets struct {
	b     *Bench
	o     OutletOptions
	valve []valvePin
	beat  simPin
	alarm simPin

	mu      sync.Mutex
	expiry  int64 // ns; the monostable holds until then
	beating gpio.Level
	sounds  gpio.Level
}

// valvePin is one valve: a pin, and since when fuel goes into the tube or does not.
type valvePin struct {
	simPin
	on     gpio.Level
	stuck  bool
	turned []turn // in order of time; released before the first
}

type turn struct {
	at      int64 // ns
	collect bool
}

// FitOutlets puts a valve on every tube, unpowered, and an alarm. From now on fuel goes into a tube
// only while its valve's pin is high and the heartbeat's monostable holds, which each
// change of its pin triggers anew. It is an error while a line is being read.
func (b *Bench) FitOutlets(o OutletOptions) (*Outlets, error) {
	if o.DrainMLPerS == 0 {
		o.DrainMLPerS = 10
	}
	if o.Hold == 0 {
		o.Hold = 800 * time.Millisecond
	}
	if !(o.DrainMLPerS > 0 && o.DrainMLPerS <= 1e4) || o.Hold < 0 {
		return nil, fmt.Errorf("simulated bench: fit valves: drain %g mL/s, hold %v: use 0 to 10000 mL/s, and no negative time", o.DrainMLPerS, o.Hold)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.active > 0 {
		return nil, fmt.Errorf("simulated bench: fit valves: %d channels are being read: stop them first", b.active)
	}
	x := &Outlets{b: b, o: o, valve: make([]valvePin, b.o.Channels)}
	for ch := range x.valve {
		x.valve[ch].simPin = simPin{name: fmt.Sprintf("SIM_VALVE%d", ch), number: 200 + ch, out: func(v gpio.Level) { x.drive(ch, v) }}
	}
	x.beat = simPin{name: "SIM_HEARTBEAT", number: 300, out: x.edge}
	x.alarm = simPin{name: "SIM_ALARM", number: 301, out: func(v gpio.Level) {
		x.mu.Lock()
		defer x.mu.Unlock()
		x.sounds = v
	}}
	if !o.Bare {
		b.runs[len(b.runs)-1].outlets = x
	}
	return x, nil
}

// Valve returns the pin of a channel's valve. It panics if there is no such channel.
func (x *Outlets) Valve(ch int) gpio.PinOut { return &x.valve[ch].simPin }

// Heartbeat returns the pin that triggers the monostable.
func (x *Outlets) Heartbeat() gpio.PinOut { return &x.beat }

// Alarm returns the alarm's pin.
func (x *Outlets) Alarm() gpio.PinOut { return &x.alarm }

// Sounding reports whether the alarm sounds.
func (x *Outlets) Sounding() bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	return bool(x.sounds)
}

// Stick makes a channel's valve stay as it is once it collects next, or now, whatever
// its pin and the monostable do; or frees it.
func (x *Outlets) Stick(ch int, stuck bool) error {
	if _, err := x.b.line(ch); err != nil {
		return fmt.Errorf("simulated bench: stick a valve: %w", err)
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	now := int64(x.b.Now())
	v := &x.valve[ch]
	v.stuck = stuck
	if !stuck {
		v.turn(now, bool(v.on) && now < x.expiry)
	}
	return nil
}

// Collects reports whether fuel goes into a channel's tube now.
func (x *Outlets) Collects(ch int) bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	now := int64(x.b.Now())
	v := &x.valve[ch]
	return v.collects() && (v.stuck || now < x.expiry)
}

// SpiltML is what ran over a channel's brim in the run that holds now.
func (x *Outlets) SpiltML(ch int) float64 {
	now := int64(x.b.Now())
	x.b.mu.Lock()
	r := x.b.runs[0]
	x.b.mu.Unlock()
	_, spilt := x.level(x.b.runAt(r, now), ch, now)
	return spilt
}

func (v *valvePin) collects() bool { return len(v.turned) > 0 && v.turned[len(v.turned)-1].collect }

func (v *valvePin) turn(at int64, collect bool) {
	if v.collects() != collect && !(v.stuck && !collect) {
		v.turned = append(v.turned, turn{at, collect})
	}
}

// lapse turns what the monostable let go of, if it did before now.
func (x *Outlets) lapse(now int64) {
	if now < x.expiry {
		return
	}
	for ch := range x.valve {
		x.valve[ch].turn(x.expiry, false)
	}
}

func (x *Outlets) drive(ch int, v gpio.Level) {
	x.mu.Lock()
	defer x.mu.Unlock()
	now := int64(x.b.Now())
	x.lapse(now)
	x.valve[ch].on = v
	x.valve[ch].turn(now, bool(v) && now < x.expiry)
}

func (x *Outlets) edge(v gpio.Level) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if v == x.beating {
		return
	}
	x.beating = v
	now := int64(x.b.Now())
	x.lapse(now)
	x.expiry = now + int64(x.o.Hold)
	for ch := range x.valve {
		x.valve[ch].turn(now, bool(x.valve[ch].on))
	}
}

// level returns what a tube of run r holds at t, and what ran over its brim, mL.
func (x *Outlets) level(r *run, ch int, t int64) (mL, spilt float64) {
	x.mu.Lock()
	defer x.mu.Unlock()
	v := &x.valve[ch]
	mL = min(r.channels[ch].leftML, r.tubeML)
	film := 0.0
	if ch < len(r.filmML) {
		film = r.filmML[ch]
	}
	at, collect := r.start, false
	step := func(to int64) {
		if to = min(to, t); to <= at {
			return
		}
		switch {
		case collect:
			mL += r.delivered(ch, to) - r.delivered(ch, at)
			if over := mL - r.tubeML; over > 0 {
				mL, spilt = r.tubeML, spilt+over
			}
		case x.o.Drain:
			mL = max(min(mL, film), mL-x.o.DrainMLPerS*float64(to-at)/1e9)
		}
		at = to
	}
	for _, turned := range v.turned {
		step(turned.at)
		collect = turned.collect
	}
	if collect && !v.stuck {
		step(x.expiry)
		collect = t < x.expiry
	}
	step(t)
	return mL, spilt
}

// simPin is an output pin that does something at once.
type simPin struct {
	name   string
	number int
	out    func(gpio.Level)
}

func (p *simPin) String() string   { return fmt.Sprintf("%s(%d)", p.name, p.number) }
func (p *simPin) Name() string     { return p.name }
func (p *simPin) Number() int      { return p.number }
func (p *simPin) Function() string { return "" }
func (p *simPin) Halt() error      { return nil }

func (p *simPin) Out(v gpio.Level) error {
	p.out(v)
	return nil
}

func (p *simPin) PWM(gpio.Duty, physic.Frequency) error {
	return fmt.Errorf("simulated pin %s: it has no PWM: drive it with Out", p.name)
}

var _ gpio.PinOut = (*simPin)(nil)
