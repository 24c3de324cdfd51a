// Package rig holds the words of measuring: a Reading is one conversion of one
// converter, a Sample is a Reading with its channel and number, a Sensor gives
// Readings, and the acquisition loop (Acquire) turns Sensors into a stream of
// Samples for a Sink.
//
// It is the first room of a sample's life and depends on the standard library
// alone. The folders below it drive one chip each (hx711), calibrate a channel
// (calibrate) or simulate a whole bench below the drivers (simbench).
package rig

import (
	"context"
	"fmt"
	"time"
)

// Quality says what one reading is worth. The zero value is Good.
// A bad reading is kept and counted, never dropped, repeated or set to zero.
// The numbers are part of the store's format: append, never renumber.
type Quality uint8

const (
	Good      Quality = iota // a conversion, read whole and in time
	Settling                 // one of the first conversions after power-up or reset
	Misread                  // the read broke a timing or framing rule: the counts mean nothing
	Saturated                // the converter stands at an end of its range
	Stalled                  // a converter that has answered gives no new conversion in time
	Absent                   // no converter has answered since the sensor was opened
	qualities
)

var qualityNames = [qualities]string{"good", "settling", "misread", "saturated", "stalled", "absent"}

// String returns the quality's name as it is shown and exported.
func (q Quality) String() string {
	if q >= qualities {
		return fmt.Sprintf("quality(%d)", uint8(q))
	}
	return qualityNames[q]
}

// HasCounts reports whether a reading of this quality carries a converter's value
// (Good, Settling and Saturated do; the others mark that no value was had).
func (q Quality) HasCounts() bool { return q == Good || q == Settling || q == Saturated }

// Reading is one attempt to read one converter.
type Reading struct {
	Elapsed time.Duration // monotonic, since the boot's start, taken when the conversion was found ready
	Counts  int32         // the converter's value; 0 when Quality has no counts
	Quality Quality
}

// Sample is a Reading in its channel's order.
type Sample struct {
	Channel int    // index into the bench's channels, from 0
	Seq     uint64 // counts the channel's readings of this boot from 0, bad ones included
	Reading
}

// Channel is one sensor under one tube, as named in the config.
type Channel struct {
	Name       string  // unique on the bench, for example "tube1"
	CapacityML float64 // what the tube holds, mL
}

// Sensor is one converter, or several that are read together.
type Sensor interface {
	// Read waits for the next conversion and fills dst, one Reading for each of
	// the sensor's channels, in order; len(dst) must equal Channels. A converter
	// that gives nothing in time is not an error: its Reading says so by its
	// Quality. The error is for what cannot go on: a dead pin or bus, or the
	// context's end. Only one goroutine calls Read; dst stays the caller's.
	Read(ctx context.Context, dst []Reading) error
	// Channels is how many converters one Read reads.
	Channels() int
	// String names the sensor by kind and pins or address, for messages.
	String() string
	// Halt powers the converters down. Read must not be called after it.
	Halt() error
}

// Clock tells elapsed time since the boot's start. It never steps and may be
// read from any goroutine.
type Clock interface {
	Now() time.Duration
}

// Sleeper is a Clock that can be waited on, for drivers that look for a ready bit from
// time to time. Sleep returns when d has passed, at the earliest, or soon after ctx's
// end with its error.
type Sleeper interface {
	Clock
	Sleep(ctx context.Context, d time.Duration) error
}

// Sink takes samples. Put is called by several goroutines at once, one for each
// sensor; samples of one channel come in order. It must not keep the slice. An
// error from Put ends the acquisition.
type Sink interface {
	Put(samples []Sample) error
}
