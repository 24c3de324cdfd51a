package main

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"time"

	"periph.io/x/conn/v3/i2c"

	"brimline/config"
	"brimline/rig"
	"brimline/rig/ads1115"
	"brimline/rig/nau7802"
	"brimline/rig/simbench"
	"brimline/rig/tca9548a"
)

// i2cBuses are a bench's I2C buses, with the multiplexers that its config names on them.
// Each is opened when its first converter is.
type i2cBuses struct {
	cfg   *config.Config
	open  func(number int) (i2c.Bus, error)
	buses map[int]i2c.Bus
	muxed map[int]*tca9548a.Bus
}

func newI2CBuses(cfg *config.Config, open func(number int) (i2c.Bus, error)) *i2cBuses {
	return &i2cBuses{cfg: cfg, open: open, buses: map[int]i2c.Bus{}, muxed: map[int]*tca9548a.Bus{}}
}

// at returns the bus that a channel's converter sees.
func (b *i2cBuses) at(ch config.Channel) (i2c.Bus, error) {
	n := ch.I2CBus
	if b.buses[n] == nil {
		bus, err := b.open(n)
		if err != nil {
			return nil, fmt.Errorf("i2c_bus = %d: %w", n, err)
		}
		var muxes []uint16
		seen := map[int]bool{}
		for _, other := range b.cfg.Channels {
			if other.OnI2C() && other.I2CBus == n && other.MuxAddress != 0 && !seen[other.MuxAddress] {
				seen[other.MuxAddress] = true
				muxes = append(muxes, uint16(other.MuxAddress))
			}
		}
		if len(muxes) > 0 {
			mux, err := tca9548a.New(bus, muxes...)
			if err != nil {
				return nil, err
			}
			// Those beside the multiplexers go through it too: it is they that are locked out
			// while a port is chosen.
			b.muxed[n], bus = mux, mux.Root()
		}
		b.buses[n] = bus
	}
	if ch.MuxAddress == 0 {
		return b.buses[n], nil
	}
	return b.muxed[n].Port(uint16(ch.MuxAddress), ch.MuxPort)
}

// driveI2C returns the driver of the converter that the channels are on.
func (b *i2cBuses) driveI2C(channels []config.Channel, clock rig.Sleeper) (rig.Sensor, error) {
	ch := channels[0]
	bus, err := b.at(ch)
	if err != nil {
		return nil, err
	}
	if ch.Sensor == "nau7802" {
		o := nau7802.Options{Gain: ch.Gain, SPS: ch.SPS, Input: ch.Input, LDOV: ch.LDOV, PGACapacitor: ch.PGACapacitor}
		if ch.LDOV == 0 {
			o.LDOV = -1 // off
		}
		return nau7802.New(bus, clock, o)
	}
	o := ads1115.Options{Addr: uint16(ch.Address), SPS: ch.SPS}
	full := float64(0x8000)
	if ch.ReferenceInput != nil {
		o.Reference = &ads1115.Input{Plus: *ch.ReferenceInput, RangeV: ch.ReferenceRangeV}
		full = ads1115.RatiometricCounts
	}
	for _, ch := range channels {
		in := ads1115.Input{Plus: ch.Input, Minus: ch.InputMinus, RangeV: ch.RangeV}
		if ch.ValidLow != nil {
			in.Low, in.High = int32(math.Round(*ch.ValidLow*full)), int32(math.Round(*ch.ValidHigh*full))
		}
		o.Inputs = append(o.Inputs, in)
	}
	return ads1115.New(bus, clock, o)
}

// simulateI2C puts the converter that the channels are on into the simulated bench, in the
// place of the HX711 there.
func simulateI2C(sim *simbench.Bench, cfg *config.Config, channels []int) error {
	ch := cfg.Channels[channels[0]]
	at := simbench.I2CPlace{Bus: ch.I2CBus, Mux: uint16(ch.MuxAddress), Port: ch.MuxPort, Addr: uint16(ch.Address)}
	if ch.Sensor == "nau7802" {
		return sim.NAU7802(channels[0], at, ch.SPS)
	}
	in := simbench.ADS1115Inputs{Channels: [4]int{-1, -1, -1, -1}, Supply: -1}
	if ch.ReferenceInput != nil {
		in.Supply = *ch.ReferenceInput
	}
	for _, i := range channels {
		in.Channels[cfg.Channels[i].Input] = i
	}
	// ownLine goes by the same tube.
	world := simulatedWorld(cfg)
	part, err := senderPart(cfg, world.TubeML, world.DensityGPerML)
	if err != nil {
		return err
	}
	in.Part = part
	return sim.ADS1115(at, in)
}

// tellEvents writes what befalls the converters to the log, once a second, until ctx ends,
// and hands on which channels are due for a tare.
func tellEvents(ctx context.Context, a *rig.Acquirer, channels []config.Channel, log *slog.Logger, tareDue func(channel int)) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for ended := false; !ended; {
		select {
		case <-tick.C:
		case <-ctx.Done():
			ended = true // what has come since is told too
		}
		for _, channel := range logEvents(a, channels, log) {
			tareDue(channel)
		}
	}
}

// logEvents returns the channels that are due for a tare.
func logEvents(a *rig.Acquirer, channels []config.Channel, log *slog.Logger) (tareDue []int) {
	for _, e := range a.Events() {
		log.Warn(e.Says, "channel", channels[e.Channel].Name, "elapsed", e.Elapsed, "tare_due", e.TareDue)
		if e.TareDue {
			tareDue = append(tareDue, e.Channel)
		}
	}
	return tareDue
}

// eventNotes returns what befell the converters as notes to keep with a run.
func eventNotes(a *rig.Acquirer, channels []config.Channel) []string {
	var notes []string
	for _, e := range a.Events() {
		notes = append(notes, fmt.Sprintf("%s at %.0f s: %s", channels[e.Channel].Name, e.Elapsed.Seconds(), strings.TrimSuffix(e.Says, ".")))
	}
	return notes
}

// simulatedGain is how many counts a channel's driver gives for one of simbench's Truth,
// which is for a load cell at gain 128, and for a sender at 4.096 V or as a ratio.
func simulatedGain(ch config.Channel) float64 {
	switch {
	case ch.Sensor != "ads1115":
		return float64(ch.Gain) / 128
	case ch.ReferenceInput != nil:
		return 1
	}
	return 4.096 / ch.RangeV
}
