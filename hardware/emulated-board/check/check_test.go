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

// No shift, and no two conversions joined, looks like a value of the same converter
// but by the chance that eight check bits leave (1 in 256).
func TestPatternTellsSlipsApart(t *testing.T) {
	for name, spoil := range map[string]func(k, n uint32) uint32{
		"shifted left, 0 follows":  func(k, n uint32) uint32 { return patternCode(k, n) << 1 & 0xFFFFFF },
		"shifted left, 1 follows":  func(k, n uint32) uint32 { return patternCode(k, n)<<1&0xFFFFFF | 1 },
		"shifted right, 0 leads":   func(k, n uint32) uint32 { return patternCode(k, n) >> 1 },
		"shifted right, 1 leads":   func(k, n uint32) uint32 { return patternCode(k, n)>>1 | 1<<23 },
		"next after 12 bits":       func(k, n uint32) uint32 { return patternCode(k, n)&0xFFF000 | patternCode(k, n+1)>>12 },
		"next after 20 bits":       func(k, n uint32) uint32 { return patternCode(k, n)&0xFFFFF0 | patternCode(k, n+1)>>20 },
		"low byte of the next":     func(k, n uint32) uint32 { return patternCode(k, n)&0xFFFF00 | patternCode(k, n+1)&0xFF },
		"ones after 18 bits":       func(k, n uint32) uint32 { return patternCode(k, n) | 0x3F },
		"neighbour's check":        func(k, n uint32) uint32 { return patternCode(k, n)&0xFFFF00 | patternCheck((k+1)%16, n) },
		"neighbour's zeros win":    func(k, n uint32) uint32 { return patternCode(k, n) & patternCode((k+1)%16, n+n/7) },
		"last bit lost, 1 for it":  func(k, n uint32) uint32 { return patternCode(k, n) | 1 },
		"last bits lost, 0 for it": func(k, n uint32) uint32 { return patternCode(k, n) &^ 3 },
	} {
		total, missed := 0, 0
		for k := range uint32(16) {
			for n := range uint32(numbers) {
				code := spoil(k, n)
				if code == patternCode(k, n) {
					continue // nothing was spoilt
				}
				total++
				if _, ok := decode(k, signed(code)); ok {
					missed++
				}
			}
		}
		t.Logf("%s: %d of %d not recognised", name, missed, total)
		if total < 16*numbers/4 || missed*100 > total {
			t.Errorf("%s: %d of %d spoilt values pass for right ones, want less than 1 in 100", name, missed, total)
		}
	}
}

// The values that a driver is entitled to call a fault or saturation are never offered.
func TestPatternAvoidsSpecialValues(t *testing.T) {
	for k := range uint32(16) {
		for n := range uint32(numbers) {
			switch code := patternCode(k, n); code {
			case 0, 0xFFFFFF, 0x7FFFFF, 0x800000:
				t.Errorf("converter %d, conversion %d: %#06x", k, n, code)
			}
			if number, ok := decode(k, signed(patternCode(k, n))); !ok || number != n {
				t.Fatalf("converter %d, conversion %d: decoded as %d, %v", k, n, number, ok)
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
			samples[i] = rig.Sample{Seq: uint64(i), Reading: rig.Reading{Elapsed: at, Counts: signed(patternCode(converter, uint32(4000+i)))}}
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
		{name: "slipped", spoil: func(s []rig.Sample) { s[100].Counts = signed(patternCode(3, 4100)<<1&0xFFFFFF | 1) }, code: 1,
			says: []string{"wrong=1", "1 wrong values were accepted", "seq=100", "is no value of this converter"}},
		{name: "another converter's", spoil: func(s []rig.Sample) { s[100].Counts = signed(patternCode(4, 4100)) }, code: 1, says: []string{"wrong=1"}},
		{name: "read twice", spoil: func(s []rig.Sample) { s[100].Counts = s[98].Counts }, code: 1,
			says: []string{"was read twice"}},
		{name: "too new", spoil: func(s []rig.Sample) { s[100].Counts = signed(patternCode(3, 4104)) }, code: 1, says: []string{"it is 6 conversions after the one before, and at most 4", "wrong=1"}},
		{name: "older", spoil: func(s []rig.Sample) { s[100].Counts = signed(patternCode(3, 4090)) }, code: 1, says: []string{"wrong=1"}},
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
		{name: "control bites", spoil: func(s []rig.Sample) { s[100].Counts = signed(patternCode(3, 4100)<<1&0xFFFFFF | 1) }, slips: 1,
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
