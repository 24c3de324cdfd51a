package store

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"brimline/rig"
)

// signal gives n samples of a cell at 80 SPS under a steady flow: white noise of 150
// counts rms and a random walk of 12 counts per root second (the 'typical' column
// of hx711 cells measured by others), 10 counts a sample of flow, and readings
// found ready 20 to 100 us late.
func signal(seed uint64, n int) []rig.Sample {
	rng := rand.New(rand.NewPCG(seed, 7))
	const periodNS = 12_480_311 // 80.126 SPS
	level := 81234.0
	start := time.Duration(rng.IntN(1e9))
	s := make([]rig.Sample, n)
	for i := range s {
		level += 10 + rng.NormFloat64()*12/math.Sqrt(80)
		late := time.Duration(20_000 + rng.IntN(80_000))
		s[i] = rig.Sample{Seq: uint64(i), Reading: rig.Reading{
			Elapsed: start + time.Duration(i)*periodNS + late,
			Counts:  int32(math.Round(level + 150*rng.NormFloat64())),
		}}
	}
	return s
}

// rounded is what a store gives back for s on channel ch: elapsed to 1 us.
func rounded(s []rig.Sample, ch int) []rig.Sample {
	out := slices.Clone(s)
	for i := range out {
		out[i].Elapsed = fromUS(toUS(out[i].Elapsed))
		out[i].Channel = ch
	}
	return out
}

func TestElapsedIsRoundedToTheMicrosecond(t *testing.T) {
	for in, want := range map[time.Duration]int64{
		0: 0, 499: 0, 500: 1, 1499: 1, 1500: 2, -499: 0, -500: -1, -1500: -2,
		math.MaxInt64: maxUS, math.MinInt64: -maxUS,
	} {
		if got := toUS(in); got != want {
			t.Errorf("toUS(%d ns) = %d us, want %d", int64(in), got, want)
		}
	}
}

// anySamples draws anything a sink may be given, the absurd included.
func anySamples(t *rapid.T) []rig.Sample {
	n := rapid.IntRange(1, 400).Draw(t, "n")
	smooth := rapid.Bool().Draw(t, "smooth")
	seq := rapid.Uint64().Draw(t, "seq")
	elapsed := rapid.Int64Range(-math.MaxInt64, math.MaxInt64).Draw(t, "elapsed")
	counts := rapid.Int32().Draw(t, "counts")
	s := make([]rig.Sample, n)
	for i := range s {
		q := rig.Good
		if rapid.IntRange(0, 9).Draw(t, "odd") == 0 {
			q = rig.Quality(rapid.Byte().Draw(t, "quality"))
			counts = rapid.SampledFrom([]int32{0, -1, math.MinInt32, math.MaxInt32, -8388608, 8388607}).Draw(t, "edge")
			seq += rapid.Uint64().Draw(t, "jump")
		}
		s[i] = rig.Sample{Seq: seq, Reading: rig.Reading{Elapsed: time.Duration(elapsed), Counts: counts, Quality: q}}
		if smooth {
			seq++
			counts += rapid.Int32Range(-300, 300).Draw(t, "step")
			elapsed += min(rapid.Int64Range(0, 1e8).Draw(t, "dt"), math.MaxInt64-max(elapsed, 0))
		} else {
			seq += rapid.Uint64().Draw(t, "dseq")
			counts = rapid.Int32().Draw(t, "counts")
			elapsed = rapid.Int64Range(elapsed, math.MaxInt64).Draw(t, "elapsed")
		}
	}
	return s
}

func TestChunkGivesBackWhatWasPut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySamples(t)
		boot, channel := rapid.Int64().Draw(t, "boot"), rapid.Int64().Draw(t, "channel")
		prefix := []byte("prefix")
		data, err := AppendChunk(slices.Clone(prefix), boot, channel, s)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.HasPrefix(data, prefix) {
			t.Fatal("AppendChunk changed what was before it")
		}
		head, got, err := DecodeChunk(data[len(prefix):])
		if err != nil {
			t.Fatal(err)
		}
		if head.BootID != boot || head.ChannelID != channel || head.N != len(s) || head.FirstSeq != s[0].Seq {
			t.Fatalf("head %+v does not fit boot %d, channel %d, %d samples", head, boot, channel, len(s))
		}
		if want := rounded(s, 0); !slices.Equal(got, want) {
			t.Fatalf("got  %v\nwant %v", got, want)
		}
	})
}

func TestChunkOfWildSignals(t *testing.T) {
	base := signal(1, 4800)
	for name, change := range map[string]func(i int, s *rig.Sample){
		"as it is": func(int, *rig.Sample) {},
		"constant": func(i int, s *rig.Sample) { s.Counts = 5; s.Elapsed = time.Duration(i) * 12500 * time.Microsecond },
		"doubled": func(i int, s *rig.Sample) {
			if i%200 == 7 {
				s.Counts *= 2
			}
		},
		"misreads": func(i int, s *rig.Sample) {
			if i%100 < 2 {
				s.Counts, s.Quality = 0, rig.Misread
			}
		},
		"absent":   func(i int, s *rig.Sample) { s.Counts, s.Quality = 0, rig.Absent },
		"stall":    func(i int, s *rig.Sample) { s.Elapsed += time.Duration(i/1000) * 7 * time.Second },
		"lost":     func(i int, s *rig.Sample) { s.Seq += uint64(i/700) * 3 },
		"rails":    func(i int, s *rig.Sample) { s.Counts = int32(i%2*2-1) * math.MaxInt32 },
		"backward": func(i int, s *rig.Sample) { s.Elapsed = -s.Elapsed },
	} {
		t.Run(name, func(t *testing.T) {
			s := slices.Clone(base)
			for i := range s {
				change(i, &s[i])
			}
			data, err := AppendChunk(nil, 1, 2, s)
			if err != nil {
				t.Fatal(err)
			}
			_, got, err := DecodeChunk(data)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(got, rounded(s, 0)) {
				t.Fatal("samples came back changed")
			}
			t.Logf("%.3f B/sample", float64(len(data))/float64(len(s)))
		})
	}
}

func TestChunkRefusesTooManyAndNone(t *testing.T) {
	for _, n := range []int{0, maxChunkSamples + 1} {
		if _, err := AppendChunk(nil, 1, 1, make([]rig.Sample, n)); err == nil {
			t.Errorf("AppendChunk took %d samples", n)
		}
	}
	if data, err := AppendChunk(nil, 1, 1, make([]rig.Sample, maxChunkSamples)); err != nil {
		t.Error(err)
	} else if _, got, err := DecodeChunk(data); err != nil || len(got) != maxChunkSamples {
		t.Errorf("the largest chunk came back as %d samples, %v", len(got), err)
	}
}

// A chunk cut at any byte, or with any bit flipped, is an error and gives nothing.
// CRC-32C finds every single-bit fault and every burst of up to 32 bits (Koopman
// 2002, 32-bit CRCs), so neither loop has an exception.
func TestChunkCutOrFlippedAnywhere(t *testing.T) {
	data, err := AppendChunk(nil, 3, 4, signal(5, 700))
	if err != nil {
		t.Fatal(err)
	}
	for i := range data {
		if _, got, err := DecodeChunk(data[:i]); err == nil || got != nil {
			t.Fatalf("cut at byte %d of %d: %d samples, error %v", i, len(data), len(got), err)
		}
		for bit := range 8 {
			bad := slices.Clone(data)
			bad[i] ^= 1 << bit
			if _, got, err := DecodeChunk(bad); err == nil || got != nil {
				t.Fatalf("bit %d of byte %d flipped: %d samples, error %v", bit, i, len(got), err)
			}
		}
		bad := slices.Clone(data)
		bad[i] ^= 0xff
		if _, _, err := DecodeChunk(bad); err == nil {
			t.Fatalf("byte %d flipped: no error", i)
		}
	}
}

// FuzzDecodeChunk feeds the decoder bytes behind a right checksum, so that the
// layout is fuzzed and not the checksum. What decodes must encode and come back.
func FuzzDecodeChunk(f *testing.F) {
	for _, n := range []int{1, 2, 130, 400} {
		data, err := AppendChunk(nil, 1, 2, signal(uint64(n), n))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data[:len(data)-4])
	}
	odd := signal(9, 50)
	odd[10].Quality, odd[10].Counts = rig.Misread, 0
	odd[20].Counts = math.MinInt32
	for i := 30; i < 50; i++ {
		odd[i].Seq += 5
		odd[i].Elapsed += time.Second
	}
	data, err := AppendChunk(nil, -1, 1<<40, odd)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data[:len(data)-4])
	f.Add([]byte{chunkVersion})
	f.Add([]byte{9, 1, 1, 1})
	f.Fuzz(func(t *testing.T, body []byte) {
		DecodeChunk(body) // almost surely a wrong checksum
		whole := binary.LittleEndian.AppendUint32(slices.Clone(body), crc32.Checksum(body, castagnoli))
		head, got, err := DecodeChunk(whole)
		if err != nil {
			return
		}
		again, err := AppendChunk(nil, head.BootID, head.ChannelID, got)
		if err != nil {
			t.Fatal(err)
		}
		_, back, err := DecodeChunk(again)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(got, back) {
			t.Fatal("decode, encode, decode does not agree")
		}
	})
}

func BenchmarkEncodeChunk(b *testing.B) {
	s := signal(1, 4800)
	sc := new(scratch)
	var data []byte
	for b.Loop() {
		data, _ = appendChunk(data[:0], 1, 1, s, sc)
	}
	b.ReportMetric(float64(len(data))/float64(len(s)), "B/sample")
	b.ReportMetric(float64(len(s)*b.N)/b.Elapsed().Seconds(), "samples/s")
}

func BenchmarkDecodeChunk(b *testing.B) {
	s := signal(1, 4800)
	data, err := AppendChunk(nil, 1, 1, s)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, _, err := DecodeChunk(data); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(s)*b.N)/b.Elapsed().Seconds(), "samples/s")
}
