package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2creg"
	"periph.io/x/host/v3/gpioioctl"
	_ "periph.io/x/host/v3/sysfs" // buses, for converters on I2C

	"brimline/config"
	"brimline/rig"
	"brimline/rig/hx711"
)

// openBoard opens the converters that the config names on this machine's GPIO chips and I2C
// buses.
//
// Only the kernel's own GPIO interface is used (gpioioctl), never a driver that maps
// a processor's registers itself: those guess the board, and on a newer one write to
// memory that is no GPIO.
func openBoard(cfg *config.Config, clock rig.Sleeper) ([]rig.Sensor, error) {
	state, err := driverreg.Init()
	if err != nil {
		return nil, fmt.Errorf("opening the board: %w", err)
	}
	needsPins := slices.ContainsFunc(cfg.Channels, func(ch config.Channel) bool { return !ch.OnI2C() })
	if len(gpioioctl.Chips) == 0 && needsPins {
		why := "none was found under /dev/gpiochip*"
		for _, f := range append(state.Failed, state.Skipped...) {
			if f.D.String() == "ioctl-gpio" {
				why = f.Err.Error()
			}
		}
		return nil, fmt.Errorf("opening the board: no GPIO chip (%s): run on the board, let the user into the group gpio, or try 'brimline serve --sim'", why)
	}
	buses := newI2CBuses(cfg, openI2CBus)
	var sensors []rig.Sensor
	for _, together := range cfg.Converters() {
		channels := cfg.Channels[together[0] : together[len(together)-1]+1]
		var s rig.Sensor
		if channels[0].OnI2C() {
			s, err = buses.driveI2C(channels, clock)
		} else {
			s, err = openHX711(channels, clock)
		}
		if err != nil {
			return nil, errors.Join(fmt.Errorf("opening channel %s: %w", channelNames(channels), err), haltAll(sensors))
		}
		sensors = append(sensors, s)
	}
	return sensors, nil
}

// openI2CBus opens a bus by its number. It stays open until the program ends.
func openI2CBus(number int) (i2c.Bus, error) {
	bus, err := i2creg.Open(fmt.Sprintf("/dev/i2c-%d", number))
	if err != nil {
		var known []string
		for _, ref := range i2creg.All() {
			known = append(known, ref.Name)
		}
		have := "none"
		if len(known) > 0 {
			have = strings.Join(known, ", ")
		}
		return nil, fmt.Errorf("opening /dev/i2c-%d: %w: this board has %s: turn I2C on in the board's own configuration, let the user into the group i2c, and load the kernel module i2c-dev", number, err, have)
	}
	if err := claim(fmt.Sprintf("/dev/i2c-%d", number)); err != nil {
		return nil, err
	}
	return bus, nil
}

// claim keeps a device from every other run of this program until this one ends. The kernel
// does so for a GPIO line; an I2C bus it lends to all, and of two that choose a multiplexer's
// ports each takes for its own tube's what the other's converter gives.
func claim(device string) error {
	fd, err := unix.Open(device, unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("claiming %s: %w", device, err)
	}
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		err = errors.Join(err, unix.Close(fd))
		return fmt.Errorf("claiming %s: %w: is it another brimline ('serve', 'test', 'channels', 'calibrate') that reads the converters? End that one first", device, err)
	}
	return nil
}

func channelNames(channels []config.Channel) string {
	names := make([]string, len(channels))
	for i, ch := range channels {
		names[i] = ch.Name
	}
	return strings.Join(names, ", ")
}

// openHX711 opens the converters of the channels on one clock line.
func openHX711(channels []config.Channel, clock rig.Sleeper) (rig.Sensor, error) {
	ch := channels[0]
	chip, err := chipByLabel(ch.GPIOChip)
	if err != nil {
		return nil, err
	}
	pin := func(key string, number int) (*gpioioctl.GPIOLine, error) {
		line := chip.ByNumber(number)
		if line == nil {
			return nil, fmt.Errorf("%s = %d: the GPIO chip %q has lines 0 to %d: correct the config", key, number, chip.Label(), chip.LineCount()-1)
		}
		return line, nil
	}
	sck, err := pin("clock_pin", ch.ClockPin)
	if err != nil {
		return nil, err
	}
	var lines []*gpioioctl.GPIOLine
	var douts []gpio.PinIn
	for _, ch := range channels {
		dout, err := pin("data_pin", ch.DataPin)
		if err != nil {
			return nil, fmt.Errorf("channel %s: %w", ch.Name, err)
		}
		lines = append(lines, dout)
		douts = append(douts, dout)
	}
	together, err := dataLines(chip, lines)
	if err != nil {
		return nil, err
	}
	return driveHX711(sck, douts, together, clock, ch)
}

// dataLines has several lines read in one operation; nil for one line alone, or if the chip
// cannot tell them by their names, which is how a set of lines is asked for.
func dataLines(chip *gpioioctl.GPIOChip, lines []*gpioioctl.GPIOLine) (hx711.Lines, error) {
	if len(lines) == 1 {
		return nil, nil
	}
	names := make([]string, len(lines))
	for i, line := range lines {
		names[i] = line.Name()
		if chip.ByName(names[i]) != line {
			return nil, nil
		}
	}
	set, err := chip.LineSet(gpioioctl.LineInput, gpio.NoEdge, gpio.PullUp, names...)
	if err != nil {
		return nil, fmt.Errorf("taking the data lines %s of the GPIO chip %q together: %w (is one of them in use?)", strings.Join(names, ", "), chip.Label(), err)
	}
	return lineSet{set}, nil
}

// lineSet gives its lines back when it is halted.
type lineSet struct{ *gpioioctl.LineSet }

func (s lineSet) Halt() error { return s.Close() }

// driveHX711 returns the driver of the converters on one clock line, whose data pins
// may be read together; the first channel's rate and gain are those of all.
func driveHX711(sck gpio.PinOut, douts []gpio.PinIn, together hx711.Lines, clock rig.Sleeper, ch config.Channel) (rig.Sensor, error) {
	o := hx711.Options{Gain: ch.Gain, SPS: ch.SPS, Together: together}
	if len(douts) == 1 {
		return hx711.New(sck, douts[0], clock, o)
	}
	return hx711.NewShared(sck, douts, clock, o)
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
