// Command check tells whether what a bench's store holds is what the emulated
// board's converters offered. It runs inside the guest, after the shipped program has
// stored readings, and prints one line for each wiring: how many readings were
// accepted, discarded and wrong, beside what the kernel module counted.
//
//	check -phase own -counters /sys/kernel/debug/emuboard/counters -sps 80 STORE
//
// A channel's name says its wiring and its converter's number: own3, shared7, bus14.
// An accepted value is right if it has the module's pattern (see pattern.go), and if
// the conversion number and the level in it go on from the one before, no faster than
// time allows. Settling readings are held to the same.
//
// With -test it also holds the rates that "brimline test" printed as JSON against those
// at which the module filled the tubes. For that, -calibrate states each channel's line
// in a new store: what a person would find with masses.
//
//	check -calibrate STORE own0 own1
//
// With -channels it looks at what "brimline channels --json" printed, and at no store.
//
// It exits with 0 if all is as wanted, 1 if a value is wrong or too few were accepted,
// 2 if it could not look.
package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"brimline/ingest/store"
	"brimline/rig"
)

const (
	rateMargin = 1.05 // no converter of the board is faster than its nominal rate
	lookSlack  = 2    // conversions: one may have waited to be read, and one for rounding
	maxShown   = 5    // wrong values told one by one, for each channel
)

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

type options struct {
	phase, counters, store string
	test, channels         string
	calibrate              bool
	sps                    float64
	minShare               float64
	slipped                bool
	silent                 int
}

func run(args []string, stdout, stderr io.Writer) int {
	var o options
	f := flag.NewFlagSet("check", flag.ContinueOnError)
	f.SetOutput(stderr)
	f.StringVar(&o.phase, "phase", "", "name of the phase, printed with the figures")
	f.StringVar(&o.counters, "counters", "", "the module's counters `file`")
	f.Float64Var(&o.sps, "sps", 80, "nominal conversions a second")
	f.Float64Var(&o.minShare, "min-share", 0.5, "least share of each channel's conversions that must have been accepted")
	f.BoolVar(&o.slipped, "slipped", false, "the module offered slipped values: each that was read must be found wrong, and nothing else")
	f.StringVar(&o.test, "test", "", "what 'brimline test --json' printed, a `file`")
	f.StringVar(&o.channels, "channels", "", "what 'brimline channels --json' printed, a `file`: look at this alone")
	f.BoolVar(&o.calibrate, "calibrate", false, "state the lines of the channels named after the store, and check nothing")
	f.IntVar(&o.silent, "silent", -1, "number of the converter that never answers and must have no accepted value; -1: none")
	if err := f.Parse(args); err != nil {
		return 2
	}
	if o.calibrate {
		if f.NArg() < 2 {
			fmt.Fprintln(stderr, "check: -calibrate: name the store and at least one channel")
			return 2
		}
		if err := calibrate(f.Arg(0), f.Args()[1:]); err != nil {
			fmt.Fprintf(stderr, "check: %v\n", err)
			return 2
		}
		return 0
	}
	if o.channels != "" {
		ok, err := checkChannels(o, stdout)
		return exitCode(o, ok, err, stderr)
	}
	if f.NArg() != 1 || o.counters == "" {
		fmt.Fprintln(stderr, "check: name the module's counters with -counters and one store")
		return 2
	}
	o.store = f.Arg(0)
	ok, err := check(o, stdout)
	return exitCode(o, ok, err, stderr)
}

func exitCode(o options, ok bool, err error, stderr io.Writer) int {
	switch {
	case err != nil:
		fmt.Fprintf(stderr, "check: phase %s: %v\n", o.phase, err)
		return 2
	case !ok:
		return 1
	}
	return 0
}

// check prints what it finds; ok is false if anything is not as wanted.
func check(o options, out io.Writer) (ok bool, err error) {
	file, err := os.Open(o.counters)
	if err != nil {
		return false, fmt.Errorf("opening the counters: %w: is the module loaded and debugfs mounted?", err)
	}
	defer file.Close()
	board, err := parseCounters(file)
	if err != nil {
		return false, fmt.Errorf("counters %s: %w", o.counters, err)
	}
	ctx := context.Background()
	st, err := store.OpenRead(ctx, o.store)
	if err != nil {
		return false, err
	}
	defer st.Close()
	boots, err := st.Boots(ctx)
	if err != nil {
		return false, err
	}
	wirings := map[string]*tally{}
	var order, names []string
	ok = true
	for _, boot := range boots {
		channels, err := st.BootChannels(ctx, boot.ID)
		if err != nil {
			return false, err
		}
		for _, ch := range channels {
			wiring, converter, err := splitName(ch.Name)
			if err != nil {
				return false, err
			}
			samples, err := st.Samples(ctx, boot.ID, ch.Name, 0, store.End)
			if err != nil {
				return false, err
			}
			names = append(names, ch.Name)
			t := judge(converter, samples, o.sps)
			if o.slipped {
				t.shown = nil // they are wanted
			}
			for _, w := range t.shown {
				fmt.Fprintf(out, "note phase=%s channel=%s boot=%d %s\n", o.phase, ch.Name, boot.ID, w)
			}
			if why := verdict(o, t, board.converters[converter], converter); why != "" {
				ok = false
				fmt.Fprintf(out, "fault phase=%s channel=%s boot=%d %s\n", o.phase, ch.Name, boot.ID, why)
			}
			if wirings[wiring] == nil {
				wirings[wiring] = &tally{}
				order = append(order, wiring)
			}
			wirings[wiring].add(t, board.converters[converter])
		}
	}
	if o.test != "" {
		faults, err := checkTest(o.test, o.sps, board, names)
		if err != nil {
			return false, err
		}
		for _, why := range faults {
			ok = false
			fmt.Fprintf(out, "fault phase=%s %s\n", o.phase, why)
		}
	}
	if len(order) == 0 {
		return false, fmt.Errorf("store %s has no channels", o.store)
	}
	for _, wiring := range order {
		t := wirings[wiring]
		var powerDowns uint64
		for _, line := range t.clocks {
			powerDowns += board.powerDowns[line]
		}
		fmt.Fprintf(out, "result phase=%s wiring=%s channels=%d accepted=%d settling=%d discarded=%d silent=%d wrong=%d power_downs=%d spoiled=%d slips_read=%d nacks=%d beats=%d\n",
			o.phase, wiring, t.channels, t.good, t.settling, t.misread, t.silent, t.wrong, powerDowns, t.spoiled, t.slipsRead, board.nacks, board.beats)
	}
	return ok, nil
}

// splitName splits a channel's name such as "shared7" into its wiring and converter.
func splitName(name string) (wiring string, converter uint32, err error) {
	wiring = strings.TrimRight(name, "0123456789")
	n, err := strconv.ParseUint(name[len(wiring):], 10, 32)
	if err != nil || wiring == "" || n > 15 {
		return "", 0, fmt.Errorf("channel %q: a wiring and a converter's number from 0 to 15 were expected, as in own3", name)
	}
	return wiring, uint32(n), nil
}

// tally is what was found on one channel, or on all of a wiring.
type tally struct {
	channels                        int
	good, settling, misread, silent int
	wrong                           int
	expected                        float64 // conversions in the time that was recorded
	shown                           []string

	clocks             []uint32 // of the wiring, each once
	spoiled, slipsRead uint64
}

func (t *tally) add(c tally, k converter) {
	t.channels++
	t.good += c.good
	t.settling += c.settling
	t.misread += c.misread
	t.silent += c.silent
	t.wrong += c.wrong
	t.spoiled += k.spoiled
	t.slipsRead += k.slipsRead
	for _, line := range t.clocks {
		if line == k.clock {
			return
		}
	}
	if k.onPins {
		t.clocks = append(t.clocks, k.clock)
	}
}

// judge compares one channel's samples, oldest first, with what its converter offers.
func judge(converter uint32, samples []rig.Sample, sps float64) tally {
	var t tally
	t.channels = 1
	if n := len(samples); n > 0 {
		t.expected = (samples[n-1].Elapsed - samples[0].Elapsed).Seconds() * sps
	}
	var last struct {
		level, number uint32
		at            time.Duration
		any           bool
	}
	for _, s := range samples {
		switch s.Quality {
		case rig.Good:
			t.good++
		case rig.Settling:
			t.settling++
		case rig.Misread:
			t.misread++
			continue
		case rig.Stalled, rig.Absent:
			t.silent++
			continue
		}
		level, number, right := decode(converter, s.Counts)
		why := "is no value of this converter"
		if right && last.any {
			// Compared with the last right one, so that a wrong one is counted once.
			most := (s.Elapsed-last.at).Seconds()*sps*rateMargin + lookSlack
			step := (number - last.number) % numbers
			switch {
			case level < last.level || float64(level-last.level) > most*16/fill+1:
				right, why = false, fmt.Sprintf("has level %d, the one before has %d", level, last.level)
			case most >= numbers: // numbers came round: no more can be said
			case step == 0:
				right, why = false, "was read twice"
			case float64(step) > most:
				right, why = false, fmt.Sprintf("is %d conversions after the one before, and at most %.0f can have ended", step, most)
			}
		}
		if !right {
			t.wrong++
			if len(t.shown) < maxShown {
				t.shown = append(t.shown, fmt.Sprintf("wrong seq=%d elapsed_s=%.4f quality=%v counts=%d (0x%06X): it %s", s.Seq, s.Elapsed.Seconds(), s.Quality, s.Counts, uint32(s.Counts)&0xFFFFFF, why))
			}
			continue
		}
		last.level, last.number, last.at, last.any = level, number, s.Elapsed, true
	}
	return t
}

// verdict says what is not as wanted on a channel; empty: nothing.
func verdict(o options, t tally, k converter, id uint32) string {
	if o.silent >= 0 && id == uint32(o.silent) {
		if t.good+t.settling > 0 || t.silent == 0 {
			return fmt.Sprintf("converter %d never answered, yet %d readings were accepted and %d said so", id, t.good+t.settling, t.silent)
		}
		return ""
	}
	if share := float64(t.good) / max(t.expected, 1); t.good == 0 || share < o.minShare {
		return fmt.Sprintf("too few accepted: %d of about %.0f conversions, at least %.0f %% were wanted", t.good, t.expected, 100*o.minShare)
	}
	if !o.slipped {
		if t.wrong > 0 {
			return fmt.Sprintf("%d wrong values were accepted", t.wrong)
		}
		return ""
	}
	// A slipped value in a reading that was discarded is no longer there to be found,
	// nor is one that was read while the program ended.
	least := int64(k.slipsRead) - int64(t.misread) - 1
	if t.wrong == 0 || int64(t.wrong) < least || uint64(t.wrong) > k.slipsRead {
		return fmt.Sprintf("the check does not bite: %d values were slipped as they were read, %d were found wrong", k.slipsRead, t.wrong)
	}
	return ""
}

// converter is what the module counted for one converter.
type converter struct {
	onPins             bool
	clock              uint32 // its clock line, when on pins
	spoiled, slipsRead uint64
	unfed              uint64 // conversions with the valve's pin high and no heartbeat
}

// counters is the module's file.
type counters struct {
	converters map[uint32]converter
	powerDowns map[uint32]uint64 // by clock line
	nacks      uint64
	beats      uint64
	alarms     uint64
}

func parseCounters(r io.Reader) (counters, error) {
	c := counters{converters: map[uint32]converter{}, powerDowns: map[uint32]uint64{}}
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		fields := strings.Fields(lines.Text())
		if len(fields) == 0 {
			continue
		}
		v := map[string]uint64{}
		for _, field := range fields[1:] {
			name, text, _ := strings.Cut(field, "=")
			x, err := strconv.ParseUint(text, 10, 64)
			if err != nil {
				return c, fmt.Errorf("line %d: %q: a name, an equals sign and a whole number were expected", n, field)
			}
			v[name] = x
		}
		switch fields[0] {
		case "clock":
			c.powerDowns[uint32(v["line"])] = v["power_downs"]
		case "converter":
			c.converters[uint32(v["id"])] = converter{onPins: true, clock: uint32(v["clock"]), spoiled: v["spoiled"], slipsRead: v["slips_read"], unfed: v["unfed"]}
		case "i2c_converter":
			c.converters[uint32(v["id"])] = converter{slipsRead: v["slips_read"], unfed: v["unfed"]}
		case "outputs":
			c.beats, c.alarms = v["beats"], v["alarms"]
		case "i2c":
			c.nacks = v["nacks"]
		default:
			return c, fmt.Errorf("line %d: %q is neither clock, converter, outputs, i2c nor i2c_converter", n, fields[0])
		}
	}
	if err := lines.Err(); err != nil {
		return c, err
	}
	if len(c.converters) == 0 {
		return c, errors.New("it names no converter")
	}
	return c, nil
}
