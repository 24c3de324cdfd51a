package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"brimline/ingest/store"
	"brimline/rig"
)

// After a right value, no shift and no two conversions joined pass for the next one but
// by the chance that the check bits and the sequence leave.
func TestPatternTellsSlipsApart(t *testing.T) {
	code := patternCode
	for name, spoil := range map[string]func(k, l, n uint32) uint32{
		"shifted left, 0 follows":  func(k, l, n uint32) uint32 { return code(k, l, n) << 1 & 0xFFFFFF },
		"shifted left, 1 follows":  func(k, l, n uint32) uint32 { return code(k, l, n)<<1&0xFFFFFF | 1 },
		"shifted right, 0 leads":   func(k, l, n uint32) uint32 { return code(k, l, n) >> 1 },
		"shifted right, 1 leads":   func(k, l, n uint32) uint32 { return code(k, l, n)>>1 | 1<<23 },
		"next after 12 bits":       func(k, l, n uint32) uint32 { return code(k, l, n)&0xFFF000 | code(k, l, n+1)>>12 },
		"next after 20 bits":       func(k, l, n uint32) uint32 { return code(k, l, n)&0xFFFFF0 | code(k, l, n+1)>>20 },
		"low byte of the next":     func(k, l, n uint32) uint32 { return code(k, l, n)&0xFFFF00 | code(k, l, n+1)&0xFF },
		"ones after 18 bits":       func(k, l, n uint32) uint32 { return code(k, l, n) | 0x3F },
		"neighbour's zeros win":    func(k, l, n uint32) uint32 { return code(k, l, n) & code((k+1)%16, l, n+n/7) },
		"last bit lost, 1 for it":  func(k, l, n uint32) uint32 { return code(k, l, n) | 1 },
		"last bits lost, 0 for it": func(k, l, n uint32) uint32 { return code(k, l, n) &^ 3 },
		"the one before, again":    func(k, l, n uint32) uint32 { return code(k, l, n-1) },
	} {
		total, missed := 0, 0
		for k := range uint32(16) {
			for l := uint32(0); l < levels; l += 7 {
				for n := range uint32(numbers) {
					spoilt := spoil(k, l, n)
					if spoilt == code(k, l, n) || spoilt == code(k, l, n+1) {
						continue // it is right, or would be a moment later
					}
					total++
					got := judge(k, []rig.Sample{
						{Reading: rig.Reading{Counts: signed(code(k, l, n-1))}},
						{Reading: rig.Reading{Counts: signed(spoilt), Elapsed: 12500 * time.Microsecond}},
					}, 80)
					if got.wrong == 0 {
						missed++
					}
				}
			}
		}
		t.Logf("%s: %d of %d not recognised", name, missed, total)
		if total < 16*levels*numbers/7/8 || missed*1000 > total {
			t.Errorf("%s: %d of %d spoilt values pass for right ones, want at most 1 in 1000", name, missed, total)
		}
	}
}

// The values that a driver is entitled to call a fault or saturation are never offered.
func TestPatternAvoidsSpecialValues(t *testing.T) {
	for k := range uint32(16) {
		for l := range uint32(levels) {
			for n := range uint32(numbers) {
				code := patternCode(k, l, n)
				switch code {
				case 0, 0xFFFFFF, 0x7FFFFF, 0x800000:
					t.Errorf("converter %d, level %d, conversion %d: %#06x", k, l, n, code)
				}
				if level, number, ok := decode(k, signed(code)); !ok || level != l || number != n {
					t.Fatalf("converter %d, level %d, conversion %d: decoded as %d, %d, %v", k, l, n, level, number, ok)
				}
			}
		}
	}
}

// A store with known readings: what is right passes, and each kind of wrong value is
// found and told.
func TestCheck(t *testing.T) {
	const period = 12500 * time.Microsecond
	right := func(converter uint32) []rig.Sample {
		samples := make([]rig.Sample, 400)
		for i := range samples {
			at := time.Duration(i) * period
			samples[i] = rig.Sample{Seq: uint64(i), Reading: rig.Reading{Elapsed: at, Counts: signed(patternCode(converter, 100+uint32(i)/5, uint32(i)))}}
			switch {
			case i < 4:
				samples[i].Quality = rig.Settling
			case i%50 == 49:
				samples[i].Quality, samples[i].Counts = rig.Misread, 0
			}
		}
		return samples
	}
	const board = `clock line=6 converters=1 reads=400 power_downs=12 high_stalls=0 low_stalls=0
converter id=3 clock=6 data=7 gain=128 conversions=400 whole=400 spoiled=5 slips_read=%d
i2c transfers=0 nacks=0 mux=0
`
	for _, c := range []struct {
		name    string
		spoil   func([]rig.Sample)
		slips   int
		args    []string
		code    int
		says    []string
		saysNot string
	}{
		{name: "right", spoil: func([]rig.Sample) {}, says: []string{"wiring=own channels=1 accepted=388 settling=4 discarded=8 silent=0 wrong=0 power_downs=12 spoiled=5"}, saysNot: "fault"},
		{name: "slipped", spoil: func(s []rig.Sample) { s[100].Counts = signed(patternCode(3, 120, 100)<<1&0xFFFFFF | 1) }, code: 1,
			says: []string{"wrong=1", "1 wrong values were accepted", "seq=100", "is no value of this converter"}},
		{name: "another converter's", spoil: func(s []rig.Sample) { s[100].Counts = signed(patternCode(4, 120, 100)) }, code: 1, says: []string{"wrong=1"}},
		{name: "read twice", spoil: func(s []rig.Sample) { s[100].Counts = s[98].Counts }, code: 1,
			says: []string{"was read twice"}},
		{name: "too new", spoil: func(s []rig.Sample) { s[100].Counts = signed(patternCode(3, 120, 104)) }, code: 1, says: []string{"it is 6 conversions after the one before, and at most 4", "wrong=1"}},
		{name: "older", spoil: func(s []rig.Sample) { s[100].Counts = signed(patternCode(3, 120, 90)) }, code: 1, says: []string{"wrong=1"}},
		{name: "higher", spoil: func(s []rig.Sample) { s[100].Counts = signed(patternCode(3, 122, 100)) }, code: 1, says: []string{"has level 122, the one before has 119", "wrong=1"}},
		{name: "lower", spoil: func(s []rig.Sample) { s[100].Counts = signed(patternCode(3, 118, 100)) }, code: 1, says: []string{"has level 118, the one before has 119", "wrong=1"}},
		{name: "wrong while settling", spoil: func(s []rig.Sample) { s[2].Counts++ }, code: 1, says: []string{"quality=settling", "wrong=1"}},
		{name: "too few", spoil: func(s []rig.Sample) {
			for i := range s[:300] {
				s[i].Quality = rig.Misread
			}
		}, code: 1, says: []string{"too few accepted: 98 of about 399"}},
		{name: "silent as wanted", spoil: func(s []rig.Sample) {
			for i := range s {
				s[i].Quality, s[i].Counts = rig.Absent, 0
			}
		}, args: []string{"-silent", "3"}, says: []string{"silent=400"}, saysNot: "fault"},
		{name: "should be silent", spoil: func([]rig.Sample) {}, args: []string{"-silent", "3"}, code: 1, says: []string{"never answered"}},
		{name: "control bites", spoil: func(s []rig.Sample) { s[100].Counts = signed(patternCode(3, 120, 100)<<1&0xFFFFFF | 1) }, slips: 1,
			args: []string{"-slipped"}, says: []string{"wrong=1"}, saysNot: "fault"},
		{name: "control does not bite", spoil: func([]rig.Sample) {}, slips: 20, args: []string{"-slipped"}, code: 1, says: []string{"does not bite: 20"}},
		{name: "control bites too much", spoil: func(s []rig.Sample) { s[100].Counts++; s[200].Counts++ }, slips: 1,
			args: []string{"-slipped"}, code: 1, says: []string{"does not bite: 1 values were slipped as they were read, 2"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			samples := right(3)
			c.spoil(samples)
			path := filepath.Join(dir, "bench.db")
			writeStore(t, path, "own3", samples)
			file := filepath.Join(dir, "counters")
			if err := os.WriteFile(file, fmt.Appendf(nil, board, c.slips), 0o644); err != nil {
				t.Fatal(err)
			}
			var out, errs bytes.Buffer
			args := append([]string{"-phase", "own", "-counters", file}, append(c.args, path)...)
			if code := run(args, &out, &errs); code != c.code {
				t.Errorf("exit code %d, want %d\n%s%s", code, c.code, &out, &errs)
			}
			for _, want := range c.says {
				if !strings.Contains(out.String(), want) {
					t.Errorf("%q is not in\n%s%s", want, &out, &errs)
				}
			}
			if c.saysNot != "" && strings.Contains(out.String(), c.saysNot) {
				t.Errorf("%q is in\n%s", c.saysNot, &out)
			}
		})
	}
}

// The output of a test against the rates at which the module fills, 80 SPS and 64 + 3
// sixteenths of a period for a step of 2048 counts, by hand: 60 x 80 x 16/67 x 2048/81920 =
// 28.66 g/min.
func TestRates(t *testing.T) {
	board := counters{converters: map[uint32]converter{3: {unfed: 4}}, beats: 100}
	const output = `{"runs": [{"stopped": "", "still_rising": []}], "rates": {"fills": [{"channel": "own3", "rate_g_per_min": 28.7}]}}`
	for name, c := range map[string]struct {
		output string
		spoil  func(*counters)
		says   string
	}{
		"as wanted":    {output: output},
		"rate":         {output: strings.Replace(output, "28.7", "28.2", 1), says: "a rate of 28.20 g/min: the module filled it at 28.66"},
		"no rate":      {output: strings.Replace(output, "28.7", "null", 1), says: "without a rate"},
		"no fill":      {output: strings.Replace(output, "own3", "own4", 1), says: "own3 has no fill"},
		"stopped":      {output: strings.Replace(output, `"stopped": ""`, `"stopped": "guard"`, 1), says: "run 1 stopped early (guard"},
		"rising":       {output: strings.Replace(output, `[]`, `["own3"]`, 1), says: "still rising [own3]"},
		"no heartbeat": {output: output, spoil: func(c *counters) { c.converters[3] = converter{unfed: 17} }, says: "17 conversions without a heartbeat"},
		"no beats":     {output: output, spoil: func(c *counters) { c.beats = 0 }, says: "0 heartbeats"},
		"alarm":        {output: output, spoil: func(c *counters) { c.alarms = 1 }, says: "1 alarms"},
	} {
		path := filepath.Join(t.TempDir(), "test.json")
		if err := os.WriteFile(path, []byte(c.output), 0o644); err != nil {
			t.Fatal(err)
		}
		b := counters{converters: map[uint32]converter{3: board.converters[3]}, beats: board.beats}
		if c.spoil != nil {
			c.spoil(&b)
		}
		faults, err := checkTest(path, 80, b, []string{"own3"})
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(faults, "\n"); c.says == "" && got != "" || !strings.Contains(got, c.says) {
			t.Errorf("%s: %q, want %q", name, got, c.says)
		}
	}
}

func TestChannels(t *testing.T) {
	const output = `{"channels": [{"name": "own2", "state": "unplugged", "reason": "r", "counts": null}, {"name": "bus14", "state": "ok", "counts": -2096130, "misreads": 2}]}`
	for name, c := range map[string]struct {
		output string
		silent int
		ok     bool
		says   string
	}{
		"as wanted":       {output, 2, true, "ok=1 unplugged=1 misreads=2"},
		"unplugged":       {output, -1, false, "own2 is said to be unplugged (r), want ok"},
		"not unplugged":   {output, 14, false, "bus14 is said to be ok (), want unplugged"},
		"another's value": {strings.Replace(output, "bus14", "bus15", 1), 2, false, "bus15 does not show its converter's -1047552 counts"},
	} {
		path := filepath.Join(t.TempDir(), "channels.json")
		if err := os.WriteFile(path, []byte(c.output), 0o644); err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		ok, err := checkChannels(options{channels: path, silent: c.silent}, &out)
		if err != nil || ok != c.ok || !strings.Contains(out.String(), c.says) {
			t.Errorf("%s: %v, %v, %q; want %v and %q", name, ok, err, &out, c.ok, c.says)
		}
	}
}

// A line that -calibrate states is the one that the pattern has.
func TestCalibrate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	var errs bytes.Buffer
	if code := run([]string{"-calibrate", path, "bus15"}, &errs, &errs); code != 0 {
		t.Fatalf("exit code %d: %s", code, &errs)
	}
	st, err := store.OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	c, err := st.Calibration(t.Context(), "bus15", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if c.Zero != -1<<20+1024 || c.CountsPerGram != 81920 {
		t.Errorf("zero %v, %v counts/g; want -1047552 and 81920", c.Zero, c.CountsPerGram)
	}
}

func TestCheckRefuses(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "bench.db")
	writeStore(t, path, "tube", nil)
	for name, c := range map[string]struct{ counters, says string }{
		"no converter": {"clock line=0 power_downs=1\n", "it names no converter"},
		"no number":    {"converter id=x\n", `line 1: "id=x"`},
		"unknown line": {"valve id=1\n", `"valve" is neither`},
		"channel name": {"converter id=3 clock=6\n", `channel "tube"`},
	} {
		file := filepath.Join(dir, "counters")
		if err := os.WriteFile(file, []byte(c.counters), 0o644); err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		if code := run([]string{"-counters", file, path}, &out, &errs); code != 2 || !strings.Contains(errs.String(), c.says) {
			t.Errorf("%s: exit code %d, %q; want 2 and %q", name, code, errs.String(), c.says)
		}
	}
}

func writeStore(t *testing.T, path, channel string, samples []rig.Sample) {
	t.Helper()
	ctx := context.Background()
	st, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	boot, err := st.NewBoot(ctx, time.Now(), []rig.Channel{{Name: channel, CapacityML: 100}})
	if err != nil {
		t.Fatal(err)
	}
	if len(samples) > 0 {
		if err := st.Append(ctx, boot.ID, samples); err != nil {
			t.Fatal(err)
		}
	}
	if err := st.Close(); err != nil {
		t.Fatal(err)
	}
}
