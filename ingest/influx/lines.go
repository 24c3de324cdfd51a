package influx

import (
	"math"
	"strconv"
	"strings"

	"brimline/ingest"
)

// place is where a point stands in its stream, as in ingest.ShipCursor.
type place struct {
	stream string
	boot   int64
	at     int64
}

// batch is points in line protocol, in the order of their streams, and how far each
// stream will have come when they are acknowledged.
type batch struct {
	buf     []byte
	ends    []int // of each line in buf
	places  []place
	cursors map[string]ingest.ShipCursor
	asides  []ingest.ShipAside // what is set aside without being sent
	fields  int                // of the line that is being written
}

func newBatch() *batch { return &batch{cursors: map[string]ingest.ShipCursor{}} }

func (b *batch) len() int { return len(b.ends) }

// lines returns the points i to j without j.
func (b *batch) lines(i, j int) string {
	from := 0
	if i > 0 {
		from = b.ends[i-1]
	}
	return string(b.buf[from:b.ends[j-1]])
}

// setAside notes what is not sent; what goes on where the last of its stream ended, for
// the same reason, lengthens that.
func (b *batch) setAside(a ingest.ShipAside) {
	if n := len(b.asides); n > 0 {
		if last := &b.asides[n-1]; last.Stream == a.Stream && last.Boot == a.Boot && last.Why == a.Why && last.To <= a.From {
			last.To, last.Points = a.To, last.Points+a.Points
			return
		}
	}
	b.asides = append(b.asides, a)
}

// begin starts a line: a measurement with its tags, as head gives it.
func (b *batch) begin(head string) {
	b.buf = append(b.buf, head...)
	b.fields = 0
}

func (b *batch) key(name string) {
	if b.fields > 0 {
		b.buf = append(b.buf, ',')
	} else {
		b.buf = append(b.buf, ' ')
	}
	b.fields++
	b.buf = append(append(b.buf, name...), '=')
}

func (b *batch) integer(name string, v int64) {
	b.key(name)
	b.buf = append(strconv.AppendInt(b.buf, v, 10), 'i')
}

// float leaves out what is not a finite number: line protocol has no word for it.
func (b *batch) float(name string, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	b.key(name)
	b.buf = strconv.AppendFloat(b.buf, v, 'g', -1, 64)
}

func (b *batch) boolean(name string, v bool) {
	b.key(name)
	b.buf = strconv.AppendBool(b.buf, v)
}

var quoted = strings.NewReplacer(`"`, `\"`, `\`, `\\`, "\n", " ", "\r", " ")

func (b *batch) text(name, v string) {
	b.key(name)
	b.buf = append(append(append(b.buf, '"'), quoted.Replace(v)...), '"')
}

// end ends a line with its stamp, in nanoseconds.
func (b *batch) end(stamp int64, at place) {
	b.buf = append(strconv.AppendInt(append(b.buf, ' '), stamp, 10), '\n')
	b.ends = append(b.ends, len(b.buf))
	b.places = append(b.places, at)
}

// tagValue is text as a tag takes it. What line protocol cannot write in a tag, or only
// in some places, becomes "_".
func tagValue(v string) string {
	v = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == '\\' {
			return '_'
		}
		return r
	}, v)
	if v == "" {
		return "_" // no tag may be empty
	}
	return v
}

var tagged = strings.NewReplacer(",", `\,`, "=", `\=`, " ", `\ `)

// head is a measurement with its tags, whose names come sorted: name, value and so on.
func head(measurement string, tags ...string) string {
	var s strings.Builder
	s.WriteString(measurement)
	for i := 0; i < len(tags); i += 2 {
		s.WriteString("," + tags[i] + "=" + tagged.Replace(tagValue(tags[i+1])))
	}
	return s.String()
}
