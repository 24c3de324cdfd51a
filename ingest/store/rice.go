package store

import (
	"encoding/binary"
	"errors"
	"math/bits"
)

// The integer coder of a chunk: a Holt predictor (level and trend, fixed point)
// whose errors are Rice coded in blocks, each block with the parameter that suits
// it. All arithmetic wraps at 64 bits on both sides alike, so any input comes
// back, however badly it is predicted.

const (
	fracBits   = 16  // fraction of level and trend
	blockLen   = 128 // residuals that share one Rice parameter
	escapeOnes = 24  // this many ones say: width and raw bits follow
)

// A gain is one setting of the predictor: level += e / 2^level, trend += e /
// 2^trend. The encoder tries them all and keeps the shortest. The list is part of
// the format: append, never change. Trend = level² / 4 is critically damped.
type gain struct{ level, trend uint }

var gains = [...]gain{
	{0, 63}, // the last value again: a staircase
	{0, 0},  // the line through the last two: a smooth curve
	{1, 4},
	{2, 6},
	{3, 8},
	{4, 10}, // noise of a cell under a pulsating flow
	{5, 12},
	{6, 14}, // noise of a cell at rest
}

type holt struct {
	gain
	l, t int64
}

func newHolt(g gain, first int64) holt { return holt{gain: g, l: first << fracBits} }

func (h *holt) predict() int64 { return (h.l + h.t + 1<<(fracBits-1)) >> fracBits }

func (h *holt) update(e int64) {
	e <<= fracBits
	h.l += h.t + e>>h.level
	if h.trend < 63 {
		h.t += e >> h.trend
	}
}

func zigzag(v int64) uint64   { return uint64(v<<1) ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// residuals writes the zigzagged prediction errors of x[1:] into dst, which has
// room for them; x[0] starts the predictor.
func residuals(dst []uint64, x []int64, g gain) []uint64 {
	h := newHolt(g, x[0])
	dst = dst[:0]
	for _, v := range x[1:] {
		e := v - h.predict()
		dst = append(dst, zigzag(e))
		h.update(e)
	}
	return dst
}

// riceLen is the length in bits of one residual under parameter k.
func riceLen(z uint64, k uint) uint64 {
	if q := z >> k; q < escapeOnes {
		return q + 1 + uint64(k)
	}
	return escapeOnes + 6 + uint64(max(bits.Len64(z), 1))
}

// bestRice returns the parameter for a block and the block's length in bits.
func bestRice(block []uint64) (k uint, length uint64) {
	var sum uint64
	for _, z := range block {
		sum += min(z, 1<<56) // 128 of them cannot overflow
	}
	guess := uint(max(bits.Len64(sum/uint64(len(block)))-1, 0))
	cost := func(k uint) (n uint64) {
		for _, z := range block {
			n += riceLen(z, k)
		}
		return n
	}
	// One wild residual raises the mean, so the search walks down from the guess
	// for as long as that pays, and looks one step up.
	k, length = guess, cost(guess)
	if c := cost(guess + 1); c < length {
		k, length = guess+1, c
	}
	for try := guess; try > 0; {
		try--
		c := cost(try)
		if c >= length {
			break
		}
		k, length = try, c
	}
	return k, length + 6
}

// appendSeries appends x (n >= 1 values): the gain's number, the first value, then
// the residuals' bits, padded to a byte.
func appendSeries(dst []byte, x []int64, sc *scratch) []byte {
	best, bestBits := 0, ^uint64(0)
	for i, g := range gains {
		sc.try = residuals(sc.try, x, g)
		var total uint64
		for rest := sc.try; len(rest) > 0 && total < bestBits; {
			n := min(blockLen, len(rest))
			_, c := bestRice(rest[:n])
			total += c
			rest = rest[n:]
		}
		if total < bestBits {
			best, bestBits = i, total
			sc.best, sc.try = sc.try, sc.best
		}
	}
	dst = append(dst, byte(best))
	dst = binary.AppendVarint(dst, x[0])
	w := bitWriter{out: dst}
	for rest := sc.best; len(rest) > 0; {
		n := min(blockLen, len(rest))
		k, _ := bestRice(rest[:n])
		w.write(uint64(k), 6)
		for _, z := range rest[:n] {
			if q := z >> k; q < escapeOnes {
				w.write(1<<(q+1)-2, uint(q)+1) // q ones and a zero
				w.write(z, k)
			} else {
				width := uint(max(bits.Len64(z), 1))
				w.write(1<<escapeOnes-1, escapeOnes)
				w.write(uint64(width-1), 6)
				w.write(z, width)
			}
		}
		rest = rest[n:]
	}
	return w.flush()
}

// scratch is the encoder's working memory, kept between chunks.
type scratch struct {
	try, best []uint64
	us, x     []int64
	diffs     []int64
}

var errShort = errors.New("ends early")

// readSeries reads what appendSeries wrote into x (n >= 1 values).
func (r *byteReader) readSeries(x []int64) error {
	g := int(r.byte())
	first := r.varint()
	if r.err != nil {
		return r.err
	}
	if g >= len(gains) {
		return errors.New("names a predictor that does not exist")
	}
	x[0] = first
	h := newHolt(gains[g], first)
	b := bitReader{in: r.b}
	for rest := x[1:]; len(rest) > 0; {
		n := min(blockLen, len(rest))
		k := uint(b.read(6))
		for i := range rest[:n] {
			var z uint64
			if q := b.ones(); q < escapeOnes {
				z = uint64(q)<<k | b.read(k)
			} else {
				z = b.read(uint(b.read(6)) + 1)
			}
			if b.short {
				return errShort
			}
			e := unzigzag(z)
			rest[i] = h.predict() + e
			h.update(e)
		}
		rest = rest[n:]
	}
	r.b = b.rest()
	return nil
}

// bitWriter appends bits, first bit highest.
type bitWriter struct {
	out []byte
	acc uint64 // the low n bits wait
	n   uint
}

// write appends the low width bits of v; width is at most 64.
func (w *bitWriter) write(v uint64, width uint) {
	if width > 32 {
		w.write(v>>32, width-32)
		width = 32
	}
	w.acc = w.acc<<width | v&(1<<width-1)
	w.n += width
	for w.n >= 8 {
		w.n -= 8
		w.out = append(w.out, byte(w.acc>>w.n))
	}
}

func (w *bitWriter) flush() []byte {
	if w.n > 0 {
		w.out = append(w.out, byte(w.acc<<(8-w.n)))
		w.n = 0
	}
	return w.out
}

// bitReader reads what bitWriter wrote; past the end it gives zeros and sets short.
type bitReader struct {
	in    []byte
	pos   int
	acc   uint64 // the high n bits are next
	n     uint
	short bool
}

func (b *bitReader) fill() {
	for b.n <= 56 && b.pos < len(b.in) {
		b.acc |= uint64(b.in[b.pos]) << (56 - b.n)
		b.pos++
		b.n += 8
	}
}

// read returns the next width bits; width is at most 64.
func (b *bitReader) read(width uint) uint64 {
	if width > 32 {
		hi := b.read(width - 32)
		return hi<<32 | b.read(32)
	}
	if width == 0 {
		return 0
	}
	b.fill()
	if b.n < width {
		b.short = true
		return 0
	}
	v := b.acc >> (64 - width)
	b.acc <<= width
	b.n -= width
	return v
}

// ones counts ones up to escapeOnes and swallows the zero that ends fewer.
func (b *bitReader) ones() uint {
	b.fill()
	q := uint(bits.LeadingZeros64(^b.acc))
	used := q + 1
	if q >= escapeOnes {
		q, used = escapeOnes, escapeOnes
	}
	if b.n < used {
		b.short = true
		return 0
	}
	b.acc <<= used
	b.n -= used
	return q
}

// rest returns the bytes after the one the last bit came from.
func (b *bitReader) rest() []byte {
	return b.in[b.pos-int(b.n/8):]
}

// byteReader reads the header fields; after the first fault all reads give zero.
type byteReader struct {
	b   []byte
	err error
}

func (r *byteReader) byte() byte {
	if len(r.b) == 0 {
		r.fail(errShort)
		return 0
	}
	c := r.b[0]
	r.b = r.b[1:]
	return c
}

func (r *byteReader) uvarint() uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.fail(errShort)
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *byteReader) varint() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.fail(errShort)
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *byteReader) fail(err error) {
	if r.err == nil {
		r.err = err
	}
	r.b = nil
}
