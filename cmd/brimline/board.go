package main

import (
	"errors"
	"fmt"
	"strings"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/host/v3/gpioioctl"
	_ "periph.io/x/host/v3/sysfs" // buses, for converters on I2C

	"brimline/config"
	"brimline/rig"
	"brimline/rig/hx711"
)

// openBoard opens the converters that the config names on this machine's GPIO chips.
//
// Only the kernel's own GPIO interface is used (gpioioctl), never a driver that maps
// a processor's registers itself: those guess the board, and on a newer one write to
// memory that is no GPIO.
func openBoard(cfg *config.Config, clock rig.Clock) ([]rig.Sensor, error) {
	state, err := driverreg.Init()
	if err != nil {
		return nil, fmt.Errorf("opening the board: %w", err)
	}
	if len(gpioioctl.Chips) == 0 {
		why := "none was found under /dev/gpiochip*"
		for _, f := range append(state.Failed, state.Skipped...) {
			if f.D.String() == "ioctl-gpio" {
				why = f.Err.Error()
			}
		}
		return nil, fmt.Errorf("opening the board: no GPIO chip (%s): run on the board, let the user into the group gpio, or try 'brimline serve --sim'", why)
	}
	var sensors []rig.Sensor
	for _, ch := range cfg.Channels {
		s, err := openHX711(ch, clock)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("opening channel %s: %w", ch.Name, err), haltAll(sensors))
		}
		sensors = append(sensors, s)
	}
	return sensors, nil
}

func openHX711(ch config.Channel, clock rig.Clock) (rig.Sensor, error) {
	chip, err := chipByLabel(ch.GPIOChip)
	if err != nil {
		return nil, err
	}
	clockLine, dataLine := chip.ByNumber(ch.ClockPin), chip.ByNumber(ch.DataPin)
	for _, use := range []struct {
		key  string
		line *gpioioctl.GPIOLine
		pin  int
	}{{"clock_pin", clockLine, ch.ClockPin}, {"data_pin", dataLine, ch.DataPin}} {
		if use.line == nil {
			return nil, fmt.Errorf("%s = %d: the GPIO chip %q has lines 0 to %d: correct the config", use.key, use.pin, chip.Label(), chip.LineCount()-1)
		}
	}
	return hx711.New(clockLine, dataLine, clock, hx711.Options{Gain: ch.Gain, SPS: ch.SPS})
}

// chipByLabel finds a GPIO chip by its label, which stays; numbers change with the
// order in which the kernel found the chips. An empty label means the only one.
func chipByLabel(label string) (*gpioioctl.GPIOChip, error) {
	var labels []string
	for _, chip := range gpioioctl.Chips {
		if chip.Label() == label {
			return chip, nil
		}
		labels = append(labels, fmt.Sprintf("%q", chip.Label()))
	}
	if label == "" && len(labels) == 1 {
		return gpioioctl.Chips[0], nil
	}
	return nil, fmt.Errorf("gpio_chip = %q: this board has %s: write one of these labels in the config", label, strings.Join(labels, ", "))
}

// haltAll powers every converter down.
func haltAll(sensors []rig.Sensor) error {
	var errs []error
	for _, s := range sensors {
		if err := s.Halt(); err != nil {
			errs = append(errs, fmt.Errorf("powering down %v: %w", s, err))
		}
	}
	return errors.Join(errs...)
}
