package simbench

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"
)

// ADS1115Inputs says what hangs on the inputs of an ADS1115.
type ADS1115Inputs struct {
	// Channels[i] is the channel whose level sender is on input i; -1: none.
	Channels [4]int
	// Supply is the input that the senders' supply is on; -1: none.
	Supply int
	// Part is the part of its range, 0 to 1, that a channel's sender gives when the tube is
	// filled up to mL, gas included, and holds grams of liquid; nil: mL over World.TubeML.
	Part func(channel int, mL, grams float64) float64
}

// ads1115 is an ADS1115 at the level of its registers (data sheet: see package ads1115),
// with level senders that give 10 to 90 % of their supply from an empty tube to a full
// one (common practice, no source). Assumed: a supply of 3.3 V that wanders by 0.4 % in
// 40 s, and 60 uV rms of noise.
type ads1115 struct {
	i2cSupply
	in      ADS1115Inputs
	pointer byte
	config  uint16
	value   int16
	high    byte  // the byte of a register that came first
	second  bool  // the next byte read is a register's second
	end     int64 // when the conversion under way ends; 0: none
	n       uint64
	factor  float64
	last    [4]float64 // V that each input had
}

const (
	adsReset   = 0x8583
	senderLow  = 0.1
	senderSpan = 0.8
	senderV    = 3.3

	adsNoiseV   = 60e-6
	adsUsualV   = 4.096 // full scale
	adsUsualSPS = 118   // conversions a second: 128, less what a driver takes to find them ready
)

var (
	adsRates  = [8]int{8, 16, 32, 64, 128, 250, 475, 860}
	adsRanges = [8]float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}
	adsPairs  = [4][2]int{{0, 1}, {0, 3}, {1, 3}, {2, 3}}
)

// ADS1115 puts an ADS1115 with level senders in the place of the HX711 of its channels. Its
// driver uses the Clock of the first of them, whose faults are the chip's; Fault.Unplugged
// is the sender's plug, and I2CFault.Unplugged the chip's. Truth gives the counts of a
// ratiometric driver (millionths) where there is a supply input, else those at 4.096 V.
func (b *Bench) ADS1115(at I2CPlace, in ADS1115Inputs) error {
	c := &ads1115{in: in, config: adsReset}
	fail := func(err error) error { return fmt.Errorf("simulated bench: ADS1115: %w", err) }
	if in.Supply < -1 || in.Supply > 3 || in.Supply >= 0 && in.Channels[in.Supply] >= 0 {
		return fail(fmt.Errorf("supply on input %d: use a free one, or -1", in.Supply))
	}
	var lines []*Line
	for _, ch := range in.Channels {
		if ch < 0 {
			continue
		}
		l, err := b.line(ch)
		if err != nil {
			return fail(err)
		}
		if l.i2c != nil {
			return fail(fmt.Errorf("channel %d has a chip on an I2C bus already", ch))
		}
		lines = append(lines, l)
	}
	if len(lines) == 0 {
		return fail(fmt.Errorf("no channel on any input"))
	}
	first := lines[0]
	for _, l := range lines {
		if l.index < first.index {
			first = l
		}
	}
	c.init(first, "ads1115")
	if err := b.place(at, first, c); err != nil {
		return fail(err)
	}
	c.factor = 0.9 + 0.2*c.rng.Float64() // the data sheet's 10 %
	full := 1e6
	if in.Supply < 0 {
		full = senderV / adsUsualV * 0x8000
	}
	conversions := len(lines)
	if in.Supply >= 0 {
		conversions++
	}
	for input, ch := range in.Channels {
		if ch >= 0 {
			b.lines[ch].sender, b.lines[ch].input = c, input
		}
	}
	for _, l := range lines {
		l.i2c = &c.i2cSupply
		l.chip.period = int64(float64(conversions) * float64(time.Second) / adsUsualSPS / c.factor)
		cell := &l.chip.cell
		cell.zero = senderLow * full
		cell.span = senderSpan * full / (b.w.TubeML * b.w.DensityGPerML)
		cell.white = adsNoiseV / senderV * full
	}
	return nil
}

func (c *ads1115) tick(t int64) bool {
	lost, _, on := c.power(t, false)
	if lost {
		c.config, c.value, c.end = adsReset, 0, 0
	}
	if on && c.end > 0 && t >= c.end && !c.l.fault.Load().Hung {
		c.convert(c.end)
		c.end = 0
	}
	return on
}

func (c *ads1115) convert(t int64) {
	c.n++
	if known := c.l.b.o.Counts; known != nil {
		c.value = int16(known(c.l.index, c.n, int(c.config>>12&7)))
		return
	}
	mux := int(c.config >> 12 & 7)
	var v float64
	if mux < 4 {
		v = c.volts(t, adsPairs[mux][0]) - c.volts(t, adsPairs[mux][1])
	} else {
		v = c.volts(t, mux-4)
	}
	c.value = adsCode(v, adsRanges[c.config>>9&7], c.rng)
}

// adsCode is what the converter makes of v volts.
func adsCode(v, rangeV float64, rng *rand.Rand) int16 {
	code := math.RoundToEven((v + adsNoiseV*rng.NormFloat64()) / rangeV * 0x8000)
	return int16(max(-0x8000, min(code, 0x7FFF)))
}

// counts is what a driver makes of an input at t, by the usual full scale: millionths of
// the supply where that is on an input, else the code.
func (c *ads1115) counts(t int64, input int, rng *rand.Rand) int32 {
	code := adsCode(c.volts(t, input), adsUsualV, rng)
	if c.in.Supply < 0 {
		return int32(code)
	}
	supply := adsCode(c.volts(t, c.in.Supply), adsUsualV, rng)
	return int32(math.Round(1e6 * float64(code) / float64(supply)))
}

// volts returns what stands on an input at t.
func (c *ads1115) volts(t int64, input int) float64 {
	supply := senderV * (1 + 0.004*math.Sin(2*math.Pi*float64(t)/40e9))
	if input == c.in.Supply {
		return supply
	}
	ch := c.in.Channels[input]
	if ch < 0 {
		return 0
	}
	l := c.l.b.lines[ch]
	f := l.fault.Load()
	planned, set := l.wires(t)
	switch {
	case f.Unplugged:
		return 0 // pulled down on the board
	case f.Stuck, planned != nil && planned.stuck(t), set != nil && set.stuck(t):
		return c.last[input]
	}
	cell := &l.chip.cell
	cell.run = c.l.b.runAt(cell.run, t)
	mL := cell.run.levelML(ch, t) + math.Float64frombits(cell.pouredML.Load())
	part := mL / c.l.b.w.TubeML
	if c.in.Part != nil {
		held := cell.run.tube(ch, cell.run.delivered(ch, t), t) * cell.run.densityGPerML
		part = c.in.Part(ch, mL, held+math.Float64frombits(cell.loadG.Load()))
	}
	v := senderLow + senderSpan*part
	for _, w := range [...]*wires{planned, set} {
		if w != nil {
			v += w.add(t) / 0x800000
		}
	}
	c.last[input] = supply * max(0, min(v, 1))
	return c.last[input]
}

func (c *ads1115) put(t int64, i int, v byte) {
	c.second = false
	switch i {
	case 0:
		c.pointer = v & 3
	case 1:
		c.high = v
	case 2:
		if c.pointer != 1 {
			return
		}
		w := uint16(c.high)<<8 | uint16(v)
		start := w&0x8000 != 0 && c.end == 0
		c.config = w &^ 0x8000
		if start {
			period := float64(time.Second) / float64(adsRates[w>>5&7])
			c.end = t + int64(period/c.factor)
		}
	}
}

func (c *ads1115) get(int64) byte {
	w := uint16(c.value)
	if c.pointer == 1 {
		w = c.config &^ 0x8000
		if c.end == 0 {
			w |= 0x8000
		}
	}
	c.second = !c.second
	if c.second {
		return byte(w >> 8)
	}
	return byte(w)
}

var _ i2cChip = (*ads1115)(nil)
