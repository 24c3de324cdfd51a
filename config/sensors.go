package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// sensorKeys are the keys of [[channel]] that belong to some sensors only.
var sensorKeys = map[string][]string{
	"hx711":   {"gpio_chip", "clock_pin", "data_pin", "gain"},
	"nau7802": {"i2c_bus", "mux_address", "mux_port", "gain", "input", "ldo_v", "pga_capacitor"},
	"ads1115": {"i2c_bus", "mux_address", "mux_port", "address", "input", "input_minus", "range_v",
		"reference_input", "reference_range_v", "valid_low", "valid_high", "sender", "bore_mm", "strapping", "strapping_u_ml"},
}

// sensorKinds are the sensors in the order in which messages list them.
var sensorKinds = []string{"hx711", "nau7802", "ads1115"}

const (
	nau7802Address = 0x2A // the chip's only one
	firstMux       = 0x70
	lastMux        = 0x77
	maxI2CBus      = 255
)

// foreign reports keys that belong to another sensor than the channel's.
func (ck *checker) foreign(path, sensor string, table map[string]any) {
	for _, w := range ck.order {
		key, ok := strings.CutPrefix(w.shown, path+".")
		if !ok || table[key] == nil || slices.Contains(sensorKeys[sensor], key) {
			continue
		}
		var owners []string
		for _, kind := range sensorKinds {
			if slices.Contains(sensorKeys[kind], key) {
				owners = append(owners, strconv.Quote(kind))
			}
		}
		if len(owners) > 0 {
			ck.add(path+"."+key, shown(table[key]), fmt.Sprintf("is for sensor = %s, and this channel has %q", strings.Join(owners, " or "), sensor),
				"take the key out, or correct sensor")
		}
	}
}

// sensor reads the keys that belong to the channel's sensor into ch.
func (ck *checker) sensor(ch *Channel, get func(key string, otherwise any) value) {
	switch ch.Sensor {
	case "hx711":
		ch.ClockPin = ck.whole(get("clock_pin", nil), 0, maxPin)
		ch.DataPin = ck.whole(get("data_pin", nil), 0, maxPin)
		ch.SPS = ck.oneOfWhole(get("sps", int64(10)), 10, 80)
		ch.Gain = ck.oneOfWhole(get("gain", int64(128)), 128, 64, 32)
		if v := get("gpio_chip", nil); v.raw != nil {
			ch.GPIOChip = ck.words(v, 60)
		}
		return
	case "nau7802":
		ch.Address = nau7802Address
		ch.SPS = ck.oneOfWhole(get("sps", int64(80)), 10, 20, 40, 80, 320)
		ch.Gain = ck.oneOfWhole(get("gain", int64(128)), 128, 64, 32, 16, 8, 4, 2, 1)
		ch.Input = ck.oneOfWhole(get("input", int64(1)), 1, 2)
		ch.PGACapacitor = ck.yesNo(get("pga_capacitor", false))
		if ch.Input == 2 && ch.PGACapacitor {
			ck.wrong(get("pga_capacitor", nil), "the capacitor sits on the pins of input 2, which this channel uses", "set input = 1, or take the capacitor off and the key out")
		}
		ch.LDOV = ck.oneOfNumber(get("ldo_v", 3.0), "V", 0, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.2, 4.5)
	case "ads1115":
		ch.Address = ck.whole(get("address", int64(0x48)), 0x48, 0x4B)
		ch.SPS = ck.oneOfWhole(get("sps", int64(128)), 8, 16, 32, 64, 128, 250, 475, 860)
		ranges := []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256}
		ch.RangeV = ck.oneOfNumber(get("range_v", 4.096), "V", ranges...)
		ch.Input = ck.whole(get("input", nil), 0, 3)
		if v := get("input_minus", nil); v.raw != nil {
			ch.InputMinus = ck.oneOfWhole(v, 1, 3)
			if pair := [2]int{ch.Input, ch.InputMinus}; ch.Input >= 0 && !slices.Contains([][2]int{{0, 1}, {0, 3}, {1, 3}, {2, 3}}, pair) {
				ck.wrong(v, fmt.Sprintf("input %d cannot be measured against it: the chip has the pairs 0-1, 0-3, 1-3 and 2-3", ch.Input), "leave it out to measure against ground")
			}
		}
		full := "the full scale"
		if v := get("reference_input", nil); v.raw != nil {
			n := ck.whole(v, 0, 3)
			ch.ReferenceInput = &n
			ch.ReferenceRangeV = ck.oneOfNumber(get("reference_range_v", 4.096), "V", ranges...)
			full = "the reference"
			if n == ch.Input {
				ck.wrong(v, "is the channel's own input", "the reference is the input that the senders' supply is on")
			}
		} else if v := get("reference_range_v", nil); v.raw != nil {
			ck.wrong(v, "has no reference_input to belong to", "add reference_input or take this out")
		}
		ch.ValidLow = ck.optional(get("valid_low", nil), -1, 10, "of "+full)
		ch.ValidHigh = ck.optional(get("valid_high", nil), -1, 10, "of "+full)
		if lo, hi := ch.ValidLow, ch.ValidHigh; (lo == nil) != (hi == nil) || lo != nil && *lo >= *hi {
			key := "valid_low"
			if lo == nil {
				key = "valid_high"
			}
			ck.wrong(get(key, nil), "valid_low and valid_high go together, the lower first", "a sender of 10 to 90 % of its supply is sound from 0.05 to 0.95")
		}
		ck.tube(ch, get)
	}
	ch.I2CBus = ck.whole(get("i2c_bus", int64(1)), 0, maxI2CBus)
	mux, port := get("mux_address", nil), get("mux_port", nil)
	switch {
	case mux.raw != nil:
		ch.MuxAddress = ck.whole(mux, firstMux, lastMux)
		ch.MuxPort = ck.whole(port, 0, 7)
	case port.raw != nil:
		ck.wrong(port, "has no mux_address to belong to", "add mux_address = 0x70 or take this out")
	}
}

// tube reads what turns a sender's level into mL.
func (ck *checker) tube(ch *Channel, get func(key string, otherwise any) value) {
	ch.Sender = ck.oneOf(get("sender", "level"), "level", "pressure")
	bore, table, u := get("bore_mm", nil), get("strapping", nil), get("strapping_u_ml", nil)
	if ch.Sender == "pressure" {
		for _, v := range []value{bore, table, u} {
			if v.raw != nil {
				ck.wrong(v, "is for a level sender; a pressure sender at the bottom of an even tube weighs what stands above it, in g", `take the key out, or correct sender; in a tube that is not even use sender = "level" only`)
			}
		}
		return
	}
	if bore.raw != nil {
		ch.BoreMM = ck.number(bore, 2, 500, "mm")
	}
	if table.raw == nil {
		if u.raw != nil {
			ck.wrong(u, "has no strapping to belong to", "add strapping or take this out")
		}
		return
	}
	if bore.raw != nil {
		ck.wrong(table, "stands beside bore_mm: a tube is round and even, or has a table", "keep one of the two")
	}
	ch.StrappingUML = ck.number(u, 0, 100, "mL, the standard uncertainty of the table's volumes: a measure's tolerance over 1.73")
	const form = "write strapping = [[0, 0], [50, 24.5], [100, 51]], level in mm and volume in mL"
	rows, ok := table.raw.([]any)
	if !ok || len(rows) < 2 || len(rows) > 200 {
		ck.wrong(table, "must be a list of 2 to 200 pairs of level and volume", form)
		return
	}
	for i, row := range rows {
		pair, ok := row.([]any)
		if !ok || len(pair) != 2 {
			ck.wrong(table, fmt.Sprintf("row %d is no pair of level and volume", i+1), form)
			return
		}
		var x [2]float64
		for k, raw := range pair {
			switch n := raw.(type) {
			case float64:
				x[k] = n
			case int64:
				x[k] = float64(n)
			default:
				ck.wrong(table, fmt.Sprintf("row %d holds %s, which is no number", i+1, shown(raw)), form)
				return
			}
		}
		switch {
		case !(x[0] >= -1000 && x[0] <= 5000) || !(x[1] >= 0 && x[1] <= 10000):
			ck.wrong(table, fmt.Sprintf("row %d is %g mm, %g mL: levels go from -1000 to 5000 mm, volumes from 0 to 10000 mL", i+1, x[0], x[1]), form)
			return
		case i == 0 && x[1] != 0:
			ck.wrong(table, fmt.Sprintf("begins with %g mL at %g mm: the first row is the empty tube, 0 mL", x[1], x[0]), form)
			return
		case i > 0 && !(x[0] > ch.Strapping[i-1][0] && x[1] > ch.Strapping[i-1][1]):
			ck.wrong(table, fmt.Sprintf("row %d (%g mm, %g mL) does not rise above row %d (%g mm, %g mL): levels and volumes must both rise", i+1, x[0], x[1], i, ch.Strapping[i-1][0], ch.Strapping[i-1][1]),
				"look for a slip in reading, and put the rows in order")
			return
		}
		ch.Strapping = append(ch.Strapping, x)
	}
	if top := ch.Strapping[len(rows)-1][1]; top < 0.9*ch.CapacityML {
		ck.wrong(table, fmt.Sprintf("ends at %g mL and the tube holds %g mL (capacity_ml): beyond the table nothing can be told", top, ch.CapacityML), "pour and read on to the top, or correct capacity_ml")
	}
}

// oneOfNumber reads one of some numbers.
func (ck *checker) oneOfNumber(v value, unit string, allowed ...float64) float64 {
	words := make([]string, len(allowed))
	for i, a := range allowed {
		words[i] = fmt.Sprint(a)
		if v.raw == a || v.raw == int64(a) && a == float64(int64(a)) {
			return a
		}
	}
	ck.wrong(v, "must be "+strings.Join(words, " or ")+" "+unit, "")
	return allowed[0]
}

// SameConverter reports whether two channels hang on one converter, or on one clock line, and
// are read together.
func (ch Channel) SameConverter(other Channel) bool {
	if ch.Sensor != other.Sensor {
		return false
	}
	if ch.Sensor == "hx711" {
		return ch.GPIOChip == other.GPIOChip && ch.ClockPin == other.ClockPin
	}
	return ch.I2CBus == other.I2CBus && ch.MuxAddress == other.MuxAddress && ch.MuxPort == other.MuxPort && ch.Address == other.Address
}

// ReadingsPerS is how many readings a second channel i gives, nominally: an ads1115 shares its
// rate among its inputs and the reference.
func ReadingsPerS(channels []Channel, i int) float64 {
	ch := channels[i]
	if ch.Sensor != "ads1115" {
		return float64(ch.SPS)
	}
	n := 0
	for _, other := range channels {
		if ch.SameConverter(other) {
			n++
		}
	}
	if ch.ReferenceInput != nil {
		n++
	}
	return float64(ch.SPS) / float64(n)
}

// OnI2C reports whether the channel's converter is on an I2C bus.
func (ch Channel) OnI2C() bool { return ch.Sensor != "hx711" }

// Wiring tells where the channel's converter is, for people.
func (ch Channel) Wiring() string {
	if !ch.OnI2C() {
		chip := ch.GPIOChip
		if chip == "" {
			chip = "the only GPIO chip"
		}
		return fmt.Sprintf("clock %d, data %d of %s", ch.ClockPin, ch.DataPin, chip)
	}
	s := fmt.Sprintf("I2C bus %d", ch.I2CBus)
	if ch.MuxAddress != 0 {
		s += fmt.Sprintf(", port %d of 0x%02x", ch.MuxPort, ch.MuxAddress)
	}
	s += fmt.Sprintf(", 0x%02x, input %d", ch.Address, ch.Input)
	if ch.InputMinus != 0 {
		s += fmt.Sprintf(" against %d", ch.InputMinus)
	}
	if ch.ReferenceInput != nil {
		s += fmt.Sprintf(" over %d", *ch.ReferenceInput)
	}
	return s
}

// places reports converters on I2C that would be heard together, or are described in
// two ways.
func (ck *checker) places(channels []Channel) {
	for i, ch := range channels {
		if !ch.OnI2C() || ch.I2CBus < 0 || ch.Address < 0 || ch.MuxAddress < 0 || ch.MuxPort < 0 || ch.Input < 0 {
			continue // wrong, and reported
		}
		path := fmt.Sprintf("channel[%d]", i+1)
		at := func(key, says, try string) { // stands at the first of these keys that is given
			for _, k := range []string{key, "mux_port", "mux_address", "input", "address", "i2c_bus", "sensor"} {
				if p, ok := ck.where[path+"."+k]; ok {
					ck.problems = append(ck.problems, Problem{File: ck.file, Line: p.line, Column: p.column, Key: path + "." + k, Says: says, Try: try})
					return
				}
			}
			ck.add(path, "", says, try)
		}
		for j, other := range channels[:i] {
			if !other.OnI2C() || other.I2CBus != ch.I2CBus {
				continue
			}
			first := fmt.Sprintf("channel[%d]", j+1)
			if !ch.SameConverter(other) {
				together := ch.MuxAddress == 0 || other.MuxAddress == 0 || ch.MuxAddress == other.MuxAddress && ch.MuxPort == other.MuxPort
				if together && ch.Address == other.Address {
					at("mux_address", fmt.Sprintf("address 0x%02x on bus %d is heard together with %s", ch.Address, ch.I2CBus, first),
						"put each behind a multiplexer's port of its own, or on another bus or address")
					break
				}
				continue
			}
			if ch.Sensor == "nau7802" {
				at("mux_port", "this converter is "+first+" already: one input of a NAU7802 is read", "give the channel another port, bus or converter")
				break
			}
			switch {
			case ch.Input == other.Input && ch.InputMinus == other.InputMinus:
				at("input", fmt.Sprintf("this input is %s already", first), "the chip has inputs 0 to 3")
			case j == i-1:
				ck.alike(path, first, ch, other, at)
			case !channels[i-1].SameConverter(ch):
				at("input", first+" is on this ADS1115 too: channels on one converter must stand one after the other", "move the channel up to the others")
			}
		}
	}
}

// alike reports what differs although it belongs to the whole converter.
func (ck *checker) alike(path, first string, ch, other Channel, at func(key, says, try string)) {
	ref := func(c Channel) int {
		if c.ReferenceInput == nil {
			return -1
		}
		return *c.ReferenceInput
	}
	if ch.SPS != other.SPS {
		at("sps", fmt.Sprintf("%s on the same ADS1115 has sps = %d and %s %d", first, other.SPS, path, ch.SPS), "the chip has one rate for all inputs")
	}
	if ref(ch) != ref(other) || ch.ReferenceRangeV != other.ReferenceRangeV {
		at("reference_input", first+" on the same ADS1115 has another reference, or none", "give all channels of a chip the same reference_input and reference_range_v")
	}
}
