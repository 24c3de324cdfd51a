package store

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"slices"
	"time"

	"brimline/rig"
)

// chunkVersion is the first byte of every chunk. FORMAT.md has the layout.
const chunkVersion = 1

// maxChunkSamples bounds a chunk: 60 s of 1,000 samples/s and a little more.
const maxChunkSamples = 1 << 16

// maxUS is the longest elapsed time that a time.Duration can hold in whole microseconds.
const maxUS = math.MaxInt64 / 1000

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// toUS rounds an elapsed time to the microsecond, halves away from zero. It is the
// one place where a sample is rounded.
func toUS(d time.Duration) int64 {
	us, ns := int64(d)/1000, int64(d)%1000
	switch {
	case ns >= 500 && us < maxUS:
		us++
	case ns <= -500 && us > -maxUS:
		us--
	}
	return us
}

func fromUS(us int64) time.Duration { return time.Duration(us) * time.Microsecond }

// ChunkHead is what a chunk says of itself.
type ChunkHead struct {
	BootID    int64
	ChannelID int64
	N         int
	FirstSeq  uint64
	PeriodUS  float64 // of the clock model, microseconds per sequence number
}

// AppendChunk appends samples of one channel (1 to 65,536 of them) to dst as one chunk.
// Counts, qualities and sequence numbers come back exactly, elapsed times to the
// microsecond. Sample.Channel is not kept: channelID stands for it.
func AppendChunk(dst []byte, bootID, channelID int64, samples []rig.Sample) ([]byte, error) {
	return appendChunk(dst, bootID, channelID, samples, new(scratch))
}

func appendChunk(dst []byte, bootID, channelID int64, s []rig.Sample, sc *scratch) ([]byte, error) {
	if len(s) == 0 || len(s) > maxChunkSamples {
		return dst, fmt.Errorf("encode chunk of channel %d: %d samples, but a chunk holds 1 to %d: split the samples",
			channelID, len(s), maxChunkSamples)
	}
	start := len(dst)
	dst = append(dst, chunkVersion)
	dst = binary.AppendVarint(dst, bootID)
	dst = binary.AppendVarint(dst, channelID)
	dst = binary.AppendUvarint(dst, uint64(len(s)))
	dst = binary.AppendUvarint(dst, s[0].Seq)

	// Where the sequence number does not step by one.
	dst = appendExceptions(dst, len(s), func(i int) (int64, bool) {
		if i == 0 {
			return 0, false
		}
		jump := int64(s[i].Seq - s[i-1].Seq - 1)
		return jump, jump != 0
	})

	// Qualities, run by run.
	runs := dst
	nRuns := uint64(0)
	for pass := range 2 { // the first pass counts
		if pass == 1 {
			runs = binary.AppendUvarint(dst, nRuns)
		}
		for i := 0; i < len(s); {
			j := i + 1
			for j < len(s) && s[j].Quality == s[i].Quality {
				j++
			}
			if pass == 0 {
				nRuns++
			} else {
				runs = append(runs, byte(s[i].Quality))
				runs = binary.AppendUvarint(runs, uint64(j-i))
			}
			i = j
		}
	}
	dst = runs

	// Counts that would only disturb the predictor are kept aside: those without a
	// value, and lone spikes.
	spike := spikeLimit(s, sc)
	aside := func(i int) bool { return !s[i].Quality.HasCounts() || isSpike(s, i, spike) }
	dst = appendExceptions(dst, len(s), func(i int) (int64, bool) { return int64(s[i].Counts), aside(i) })
	sc.x = sc.x[:0]
	for i := range s {
		if !aside(i) {
			sc.x = append(sc.x, int64(s[i].Counts))
		}
	}
	if len(sc.x) > 0 {
		dst = appendSeries(dst, sc.x, sc)
	}

	// Time: the clock model, its breaks, and the residuals of what is left.
	period := clockPeriod(s, sc) // fixed point, 2^-16 us per sequence number
	dst = binary.AppendVarint(dst, period)
	breakOver := max(period>>(fracBits+1), 1000)
	var shift int64
	sc.us = sc.us[:0]
	dst = appendExceptions(dst, len(s), func(i int) (int64, bool) {
		v := toUS(s[i].Elapsed) - modelUS(period, s[i].Seq-s[0].Seq)
		jump, isBreak := int64(0), false
		if i > 0 {
			if d := v - shift - sc.us[i-1]; d > breakOver || d < -breakOver {
				jump, isBreak = d, true
			}
		}
		return jump, isBreak
	}, func(i int, jump int64) {
		shift += jump
		sc.us = append(sc.us, toUS(s[i].Elapsed)-modelUS(period, s[i].Seq-s[0].Seq)-shift)
	})
	dst = appendSeries(dst, sc.us, sc)

	return binary.LittleEndian.AppendUint32(dst, crc32.Checksum(dst[start:], castagnoli)), nil
}

// modelUS is the clock model's time for a sequence number, from the chunk's first.
func modelUS(period int64, seq uint64) int64 {
	return (period*int64(seq) + 1<<(fracBits-1)) >> fracBits
}

// appendExceptions appends the count of indices that differs calls an exception,
// then for each the distance from the one before (from -1 at first) less one, and
// its value. after, when given, is called for every index with its value (0 when
// it is none), before the next index is asked for.
func appendExceptions(dst []byte, n int, differs func(i int) (int64, bool), after ...func(i int, v int64)) []byte {
	var list []byte
	count, last := uint64(0), -1
	for i := range n {
		v, is := differs(i)
		if is {
			count++
			list = binary.AppendUvarint(list, uint64(i-last-1))
			list = binary.AppendVarint(list, v)
			last = i
		}
		for _, f := range after {
			f(i, v)
		}
	}
	return append(binary.AppendUvarint(dst, count), list...)
}

// readExceptions reads what appendExceptions wrote, calling each in order.
func (r *byteReader) readExceptions(n int, each func(i int, v int64)) {
	count := r.uvarint()
	if count > uint64(n) {
		r.fail(fmt.Errorf("lists %d exceptions among %d samples", count, n))
		return
	}
	i := -1
	for range count {
		gap, v := r.uvarint(), r.varint()
		if r.err != nil {
			return
		}
		if gap >= uint64(n-i-1) {
			r.fail(fmt.Errorf("lists an exception beyond its %d samples", n))
			return
		}
		i += 1 + int(gap)
		each(i, v)
	}
}

// clockPeriod estimates the clock's period over the stretches without a stall, in
// 2^-16 us per sequence number. Any value is correct; a good one codes shorter.
func clockPeriod(s []rig.Sample, sc *scratch) int64 {
	sc.diffs = sc.diffs[:0]
	stride := max(1, (len(s)-1)/256)
	for i := stride; i < len(s); i += stride {
		if s[i].Seq == s[i-1].Seq+1 {
			sc.diffs = append(sc.diffs, toUS(s[i].Elapsed)-toUS(s[i-1].Elapsed))
		}
	}
	typical := median(sc.diffs)
	if typical <= 0 || typical > 1<<32 {
		return 0
	}
	var us, seqs int64
	for i := 1; i < len(s); i++ {
		if d := toUS(s[i].Elapsed) - toUS(s[i-1].Elapsed); s[i].Seq == s[i-1].Seq+1 && d >= 0 && d < typical+typical/2 {
			us += d
			seqs++
		}
	}
	if seqs == 0 || us > 1<<46 {
		return typical << fracBits
	}
	return us << fracBits / seqs
}

// spikeLimit is the jump, in counts, above which a lone value is called a spike.
func spikeLimit(s []rig.Sample, sc *scratch) int64 {
	sc.diffs = sc.diffs[:0]
	stride := max(1, (len(s)-1)/256)
	for i := stride; i < len(s); i += stride {
		if s[i].Quality.HasCounts() && s[i-1].Quality.HasCounts() {
			sc.diffs = append(sc.diffs, abs(int64(s[i].Counts)-int64(s[i-1].Counts)))
		}
	}
	return 64*median(sc.diffs) + 1024
}

// isSpike reports whether value i jumps away from both neighbours, which agree.
func isSpike(s []rig.Sample, i int, limit int64) bool {
	if i == 0 || i == len(s)-1 {
		return false
	}
	a, b, c := int64(s[i-1].Counts), int64(s[i].Counts), int64(s[i+1].Counts)
	up := abs(b - a)
	return up > limit && abs(b-c) > limit && abs(a-c) < up/8 &&
		s[i-1].Quality.HasCounts() && s[i+1].Quality.HasCounts()
}

func abs(v int64) int64 {
	if v < 0 {
		return -v
	}
	return v
}

// median sorts x and returns its middle value, 0 for an empty x.
func median(x []int64) int64 {
	if len(x) == 0 {
		return 0
	}
	slices.SortFunc(x, cmp.Compare[int64])
	return x[len(x)/2]
}

// DecodeChunk reads one chunk, the whole of data. Sample.Channel is 0. It never
// panics and never gives samples that were not written: a chunk with a wrong
// checksum is an error and gives none.
func DecodeChunk(data []byte) (ChunkHead, []rig.Sample, error) {
	head, samples, err := decodeChunk(data)
	if err != nil {
		return head, nil, fmt.Errorf("decode chunk of %d bytes: %w", len(data), err)
	}
	return head, samples, nil
}

func decodeChunk(data []byte) (head ChunkHead, samples []rig.Sample, err error) {
	if len(data) < 5 {
		return head, nil, errShort
	}
	body := data[:len(data)-4]
	want := binary.LittleEndian.Uint32(data[len(body):])
	if got := crc32.Checksum(body, castagnoli); got != want {
		return head, nil, fmt.Errorf("checksum is %08x but its bytes give %08x: they changed after they were written", want, got)
	}
	if body[0] != chunkVersion {
		return head, nil, fmt.Errorf("has format %d, this program knows format %d: use a newer brimline", body[0], chunkVersion)
	}
	return decodeBody(body)
}

// decodeBody reads a chunk without its checksum.
func decodeBody(body []byte) (head ChunkHead, samples []rig.Sample, err error) {
	r := &byteReader{b: body[1:]}
	head.BootID = r.varint()
	head.ChannelID = r.varint()
	n64 := r.uvarint()
	head.FirstSeq = r.uvarint()
	if r.err != nil {
		return head, nil, r.err
	}
	// A sample's time takes at least one bit, the first one's excepted: a damaged
	// count cannot ask for more memory than that.
	if n64 == 0 || n64 > maxChunkSamples || n64 > 8*uint64(len(body)) {
		return head, nil, fmt.Errorf("claims %d samples in %d bytes", n64, len(body))
	}
	n := int(n64)
	head.N = n
	s := make([]rig.Sample, n)

	jumps := make([]uint64, n)
	r.readExceptions(n, func(i int, v int64) { jumps[i] = uint64(v) })
	s[0].Seq = head.FirstSeq + jumps[0]
	for i := 1; i < n; i++ {
		s[i].Seq = s[i-1].Seq + 1 + jumps[i]
	}

	runs := r.uvarint()
	at := 0
	for range runs {
		q, length := rig.Quality(r.byte()), r.uvarint()
		if r.err != nil {
			return head, nil, r.err
		}
		if length == 0 || length > uint64(n-at) {
			return head, nil, fmt.Errorf("lists a run of %d qualities where %d samples are left", length, n-at)
		}
		for ; length > 0; length-- {
			s[at].Quality = q
			at++
		}
	}
	if at != n {
		return head, nil, fmt.Errorf("lists %d qualities for %d samples", at, n)
	}

	aside := make([]bool, n)
	left := n
	badAside := false
	r.readExceptions(n, func(i int, v int64) {
		badAside = badAside || v != int64(int32(v))
		s[i].Counts, aside[i] = int32(v), true
		left--
	})
	if r.err != nil {
		return head, nil, r.err
	}
	if badAside {
		return head, nil, errors.New("holds counts beyond 32 bits")
	}
	x := make([]int64, n)
	if left > 0 {
		if err := r.readSeries(x[:left]); err != nil {
			return head, nil, err
		}
	}
	next := 0
	for i := range s {
		if aside[i] {
			continue
		}
		v := x[next]
		next++
		if v != int64(int32(v)) {
			return head, nil, errors.New("holds counts beyond 32 bits")
		}
		s[i].Counts = int32(v)
	}

	period := r.varint()
	head.PeriodUS = float64(period) / (1 << fracBits)
	shift := make([]int64, n)
	r.readExceptions(n, func(i int, v int64) { shift[i] = v })
	if r.err != nil {
		return head, nil, r.err
	}
	if err := r.readSeries(x); err != nil {
		return head, nil, err
	}
	var total int64
	for i := range s {
		total += shift[i]
		us := x[i] + total + modelUS(period, s[i].Seq-s[0].Seq)
		if us > maxUS || us < -maxUS {
			return head, nil, fmt.Errorf("holds an elapsed time of %d us, beyond what a duration can hold", us)
		}
		s[i].Elapsed = fromUS(us)
	}
	if len(r.b) != 0 {
		return head, nil, fmt.Errorf("has %d bytes after its samples", len(r.b))
	}
	return head, s, nil
}
