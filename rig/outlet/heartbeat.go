package outlet

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/gpio"

	"brimline/rig"
)

const (
	// BeatEvery is the least sample time between two pulses of the heartbeat: at 80
	// SPS one comes every 50 to 75 ms, at 10 SPS with each conversion.
	BeatEvery = 50 * time.Millisecond
	// MinHold and MaxHold are how long the circuit on the bench keeps the valves
	// powered after the last pulse: 0.8 s, with the tolerances of its parts
	// (hardware/outlets.md). A converter that is reset after a misread is silent for
	// 0.42 s at 10 SPS, which must not drop the valves.
	MinHold = 650 * time.Millisecond
	MaxHold = 950 * time.Millisecond
)

// Heartbeat drives the pin that the valves' supply hangs on. It has no timer: a pulse,
// high and low again at once, is given when a sample comes in, every collecting channel
// has given one (good or bad) since the last pulse, and BeatEvery has gone by on the
// samples' clock. One channel whose loop hangs ends it as well as all of them.
//
// Its methods may be called from any goroutine.
type Heartbeat struct {
	pin gpio.PinOut

	mu      sync.Mutex
	on      bool
	follows []bool // by channel
	heard   []bool // by channel, since the last pulse
	missing int    // channels that are followed and not heard since the last pulse
	timed   bool   // last holds a time
	last    time.Duration
	pulses  uint64
}

// NewHeartbeat returns a heartbeat that is silent.
func NewHeartbeat(pin gpio.PinOut) (*Heartbeat, error) {
	if pin == nil {
		return nil, errors.New("heartbeat: no pin given")
	}
	h := &Heartbeat{pin: pin}
	if err := pin.Out(gpio.Low); err != nil {
		return nil, h.failed(err)
	}
	return h, nil
}

func (h *Heartbeat) failed(err error) error {
	return fmt.Errorf("heartbeat: driving pin %s: %w: check its wiring and heartbeat_pin in the config", pinName(h.pin), err)
}

// Begin makes the heartbeat follow the samples of these channels.
func (h *Heartbeat) Begin(channels []int) error {
	if len(channels) == 0 {
		return errors.New("heartbeat: no channel collects, so there is nothing to follow")
	}
	most := 0
	for _, ch := range channels {
		if ch < 0 {
			return fmt.Errorf("heartbeat: channel %d: channels count from 0", ch)
		}
		most = max(most, ch)
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.follows, h.heard = make([]bool, most+1), make([]bool, most+1)
	for _, ch := range channels {
		h.follows[ch] = true
	}
	h.on, h.timed = true, false
	h.await()
	return nil
}

// await begins to wait for every channel anew.
func (h *Heartbeat) await() {
	h.missing = 0
	for ch, follows := range h.follows {
		h.heard[ch] = false
		if follows {
			h.missing++
		}
	}
}

// End ends the pulses. Whatever the pin's level is then, it lets the circuit drop.
func (h *Heartbeat) End() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.on = false
}

// Pulses is how many pulses were given so far.
func (h *Heartbeat) Pulses() uint64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.pulses
}

// Lapse says that the heartbeat paused for so long that the circuit may have dropped
// the valves. There are no pulses after it until the next Begin.
type Lapse struct {
	Pause  time.Duration // since the last pulse, on the samples' clock
	Silent int           // a channel that gave no sample meanwhile; -1 when all did
}

func (e *Lapse) Error() string {
	who := "every channel was late"
	if e.Silent >= 0 {
		who = fmt.Sprintf("channel %d gave no reading", e.Silent)
	}
	return fmt.Sprintf("heartbeat: no pulse for %.2f s, and the valves hold for %.2f s only: %s: check the converter's plug and what else loads the board", e.Pause.Seconds(), MinHold.Seconds(), who)
}

// Put takes samples as a rig.Sink does, and gives a pulse when one is due. The error is
// a *Lapse or the pin's; either ends the heartbeat. It allocates nothing.
func (h *Heartbeat) Put(samples []rig.Sample) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.on {
		return nil
	}
	for i := range samples {
		s := &samples[i]
		if !h.timed {
			h.last, h.timed = s.Elapsed, true
		}
		if pause := s.Elapsed - h.last; pause > MinHold {
			h.on = false
			return h.lapse(pause)
		}
		if s.Channel < 0 || s.Channel >= len(h.follows) || !h.follows[s.Channel] {
			continue
		}
		if !h.heard[s.Channel] {
			h.heard[s.Channel] = true
			h.missing--
		}
		// A small allowance, so that four conversions at just over 80 SPS do.
		if h.missing > 0 || s.Elapsed-h.last < BeatEvery-BeatEvery/20 {
			continue
		}
		err := h.pin.Out(gpio.High)
		if err == nil {
			err = h.pin.Out(gpio.Low)
		}
		if err != nil {
			h.on = false
			return h.failed(err)
		}
		h.last = s.Elapsed
		h.pulses++
		h.await()
	}
	return nil
}

func (h *Heartbeat) lapse(pause time.Duration) *Lapse {
	for ch, follows := range h.follows {
		if follows && !h.heard[ch] {
			return &Lapse{pause, ch}
		}
	}
	return &Lapse{pause, -1}
}

var _ rig.Sink = (*Heartbeat)(nil)
