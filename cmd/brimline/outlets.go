package main

import (
	"fmt"

	"periph.io/x/conn/v3/gpio"

	"brimline/config"
	"brimline/rig/outlet"
	"brimline/rig/simbench"
)

// outletPins finds the pins of a bench's outputs.
type outletPins struct {
	valve            func(ch int) (gpio.PinOut, error)
	heartbeat, alarm func() (gpio.PinOut, error)
}

// boardPins are on this machine's GPIO chips, which openBoard has loaded.
func boardPins(cfg *config.Config) outletPins {
	find := func(key string, line int) (gpio.PinOut, error) {
		chip, err := chipByLabel(cfg.Outlets.GPIOChip)
		if err != nil {
			return nil, fmt.Errorf("%s = %d: %w", key, line, err)
		}
		pin := chip.ByNumber(line)
		if pin == nil {
			return nil, fmt.Errorf("%s = %d: the GPIO chip %q has lines 0 to %d: correct the config", key, line, chip.Label(), chip.LineCount()-1)
		}
		return pin, nil
	}
	return outletPins{
		valve:     func(ch int) (gpio.PinOut, error) { return find("valve_pin", *cfg.Channels[ch].ValvePin) },
		heartbeat: func() (gpio.PinOut, error) { return find("heartbeat_pin", *cfg.Outlets.HeartbeatPin) },
		alarm:     func() (gpio.PinOut, error) { return find("alarm_pin", *cfg.Outlets.AlarmPin) },
	}
}

func simulatedPins(x *simbench.Outlets) outletPins {
	return outletPins{
		valve:     func(ch int) (gpio.PinOut, error) { return x.Valve(ch), nil },
		heartbeat: func() (gpio.PinOut, error) { return x.Heartbeat(), nil },
		alarm:     func() (gpio.PinOut, error) { return x.Alarm(), nil },
	}
}

// openOutlets opens the valves, the heartbeat and the alarm that the config names, each
// on its safe side. A config without any gives a set that does nothing.
func openOutlets(cfg *config.Config, pins outletPins) (*outlet.Set, error) {
	var o outlet.Options
	fail := func(what string, err error) (*outlet.Set, error) {
		return nil, fmt.Errorf("opening %s: %w", what, err)
	}
	for ch, c := range cfg.Channels {
		var v *outlet.Valve
		if c.ValvePin != nil {
			pin, err := pins.valve(ch)
			if err != nil {
				return fail("the valve of "+c.Name, err)
			}
			if v, err = outlet.NewValve(c.Name, pin, cfg.Outlets.ValvesActiveLow); err != nil {
				return fail("the valve of "+c.Name, err)
			}
		}
		o.Valves = append(o.Valves, v)
	}
	if cfg.Outlets.HeartbeatPin != nil {
		pin, err := pins.heartbeat()
		if err != nil {
			return fail("the heartbeat", err)
		}
		if o.Heartbeat, err = outlet.NewHeartbeat(pin); err != nil {
			return fail("the heartbeat", err)
		}
	}
	if cfg.Outlets.AlarmPin != nil {
		pin, err := pins.alarm()
		if err != nil {
			return fail("the alarm", err)
		}
		if o.Alarm, err = outlet.NewAlarm(pin, cfg.Outlets.AlarmActiveLow); err != nil {
			return fail("the alarm", err)
		}
	}
	return outlet.NewSet(o)
}
