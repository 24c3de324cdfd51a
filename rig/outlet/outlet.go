package outlet

import (
	"errors"
	"fmt"
	"strconv"
	"sync"

	"periph.io/x/conn/v3/gpio"

	"brimline/rig"
)

// State is what an output was last told.
type State uint8

const (
	Unknown  State = iota // its pin could not be switched: what it does is not known
	Released              // a valve: unpowered, fuel to the can. An alarm: quiet
	Powered               // a valve: fuel into the tube, while the heartbeat holds. An alarm: sounding
)

func (s State) String() string {
	switch s {
	case Released:
		return "released"
	case Powered:
		return "powered"
	}
	return "unknown"
}

// output is one pin that switches a load; released is its safe side.
type output struct {
	what      string // "valve tube1", for messages
	pin       gpio.PinOut
	activeLow bool

	mu    sync.Mutex
	state State
}

func (o *output) set(on bool) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	level, want := gpio.Level(on != o.activeLow), Released
	if on {
		want = Powered
	}
	if err := o.pin.Out(level); err != nil {
		o.state = Unknown
		return fmt.Errorf("%s: driving pin %s %v (%v): %w: check its wiring and the pin's number in the config", o.what, pinName(o.pin), level, want, err)
	}
	o.state = want
	return nil
}

// pinName is a pin's name or number: the String of some pins is many lines long.
func pinName(p gpio.PinOut) string {
	if n := p.Name(); n != "" {
		return n
	}
	return strconv.Itoa(p.Number())
}

func (o *output) is() State {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.state
}

func newOutput(what string, pin gpio.PinOut, activeLow bool) (output, error) {
	if pin == nil {
		return output{}, fmt.Errorf("%s: no pin given", what)
	}
	return output{what: what, pin: pin, activeLow: activeLow}, nil
}

// Valve is a tube's diverter or drain valve. It collects while it is powered and never
// otherwise: that is how the valve is plumbed, and no option turns it round. Only
// the pin's polarity can be stated. Its methods may be called from any goroutine.
type Valve struct{ out output }

// NewValve returns the valve of a tube, released. activeLow: the pin powers the valve
// when it is low, as relay boards with opto-couplers do.
func NewValve(name string, pin gpio.PinOut, activeLow bool) (*Valve, error) {
	v := &Valve{}
	var err error
	if v.out, err = newOutput("valve "+name, pin, activeLow); err != nil {
		return nil, err
	}
	return v, v.Release()
}

// Collect powers the valve: fuel goes into the tube while the heartbeat holds.
func (v *Valve) Collect() error { return v.out.set(true) }

// Release takes the power off: fuel goes to the can, or the tube drains.
func (v *Valve) Release() error { return v.out.set(false) }

// State is what the valve was last told; Unknown after its pin failed.
func (v *Valve) State() State { return v.out.is() }

// Alarm is a sounder or a lamp. Its methods may be called from any goroutine.
type Alarm struct{ out output }

// NewAlarm returns an alarm that is quiet.
func NewAlarm(pin gpio.PinOut, activeLow bool) (*Alarm, error) {
	a := &Alarm{}
	var err error
	if a.out, err = newOutput("alarm", pin, activeLow); err != nil {
		return nil, err
	}
	return a, a.Quiet()
}

// Sound sounds the alarm until Quiet.
func (a *Alarm) Sound() error { return a.out.set(true) }

// Quiet ends the alarm.
func (a *Alarm) Quiet() error { return a.out.set(false) }

// State is what the alarm was last told.
func (a *Alarm) State() State { return a.out.is() }

// Options are the outputs of a bench.
type Options struct {
	Valves    []*Valve   // by channel; nil where a tube has none
	Alarm     *Alarm     // nil: none
	Heartbeat *Heartbeat // needed where there is a valve
}

// Set is all outputs of a bench. Its methods may be called from any goroutine.
type Set struct{ o Options }

// NewSet returns the outputs as one.
func NewSet(o Options) (*Set, error) {
	s := &Set{o}
	if s.HasValves() && o.Heartbeat == nil {
		return nil, errors.New("outlets: there are valves and no heartbeat: a crash could leave them open; wire the heartbeat (hardware/outlets.md) and name its pin")
	}
	return s, nil
}

// HasValves reports whether any tube has a valve.
func (s *Set) HasValves() bool {
	for _, v := range s.o.Valves {
		if v != nil {
			return true
		}
	}
	return false
}

// HasAlarm reports whether there is an alarm output.
func (s *Set) HasAlarm() bool { return s.o.Alarm != nil }

// Collect begins the heartbeat of the given channels and powers their valves. If one
// cannot be powered all are released, and the error says which.
func (s *Set) Collect(channels []int) error {
	if !s.HasValves() {
		return nil
	}
	if err := s.o.Heartbeat.Begin(channels); err != nil {
		return fmt.Errorf("outlets: collect: %w", err)
	}
	for _, ch := range channels {
		if ch < 0 || ch >= len(s.o.Valves) || s.o.Valves[ch] == nil {
			continue
		}
		if err := s.o.Valves[ch].Collect(); err != nil {
			return errors.Join(fmt.Errorf("outlets: collect: %w; every valve was released", err), s.Release())
		}
	}
	return nil
}

// Release ends the heartbeat and takes the power off every valve, also off those after
// one that fails; the error names each that did. Without the heartbeat the circuit
// drops those too, within MaxHold.
func (s *Set) Release() error {
	if s.o.Heartbeat != nil {
		s.o.Heartbeat.End()
	}
	var errs []error
	for _, v := range s.o.Valves {
		if v == nil {
			continue
		}
		if err := v.Release(); err != nil {
			errs = append(errs, fmt.Errorf("outlets: release: %w", err))
		}
	}
	return errors.Join(errs...)
}

// Put feeds the heartbeat with samples; it implements rig.Sink. When the heartbeat
// has lapsed or its pin fails, every valve is released and the error says why.
func (s *Set) Put(samples []rig.Sample) error {
	if s.o.Heartbeat == nil {
		return nil
	}
	if err := s.o.Heartbeat.Put(samples); err != nil {
		return errors.Join(err, s.Release())
	}
	return nil
}

// Sound sounds the alarm, if there is one.
func (s *Set) Sound() error {
	if s.o.Alarm == nil {
		return nil
	}
	return s.o.Alarm.Sound()
}

// Quiet ends the alarm, if there is one.
func (s *Set) Quiet() error {
	if s.o.Alarm == nil {
		return nil
	}
	return s.o.Alarm.Quiet()
}

// Close releases every valve and ends the alarm; the pins keep those levels. Defer it
// as soon as there is a Set: it runs on a panic too.
func (s *Set) Close() error { return errors.Join(s.Release(), s.Quiet()) }

var _ rig.Sink = (*Set)(nil)
