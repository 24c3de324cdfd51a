package ingest

import (
	"errors"
	"time"
)

// ErrNotFound is what every error about something that is not there wraps, whether it
// was looked for in the embedded store or in the shared database.
var ErrNotFound = errors.New("not in the store")

// The kinds of BookChange: the tables of the book, and "rates" for a run whose rates
// are to be worked out again because the run, its test, its clock or a calibration changed.
const (
	BookBoot             = "boot"
	BookCalibration      = "calibration"
	BookCalibrationCheck = "calibration_check"
	BookEngine           = "engine"
	BookInjector         = "injector"
	BookTest             = "test"
	BookHanging          = "hanging"
	BookRun              = "run"
	BookEvent            = "event"
	BookHandReading      = "hand_reading"
	BookCondition        = "condition"
	BookRates            = "rates"
)

// BookChange says that a row of the book was written. Of several changes of one row
// only the last is kept.
type BookChange struct {
	Seq  int64 // rises with each change, never used again
	Kind string
	ID   int64
	At   time.Time // by the clock of the machine, to the millisecond
}

// BootRow is a boot as it is shipped.
type BootRow struct {
	Boot
	Anchor      time.Time // what its points' stamps count from; zero until the first was made
	Channels    []BootChannel
	Corrections int // of its wall clock, so far
}

// BootChannel is one channel of a boot, in the order of Sample.Channel.
type BootChannel struct {
	Name       string
	CapacityML float64 // NaN when not known
}

// Span is a stretch of one channel's samples as they stand in the store: a chunk, or
// the open tail.
type Span struct {
	From, To time.Duration // elapsed, of its first and last sample
	N        int           // samples
	Raw      bool          // the samples are there; false when they were deleted to save space
	Open     bool          // more may come to it
	Quality  [6]int        // how many of each rig.Quality
	Min, Max int64         // of the good counts; 0 when there are none
	Sum      int64
}

// Backlog is what of one channel is still to be shipped.
type Backlog struct {
	Samples int64 // in chunks and tails
	Chunks  int64
	Lasts   time.Duration // from the first of them to the last in each boot, together
}

// ShipCursor is how far a stream has been acknowledged by a target. What it counts
// depends on the stream: Boot and At (elapsed microseconds, with N of the samples at
// At already acknowledged) for samples and health; At alone, a BookChange.Seq, for the book.
type ShipCursor struct {
	Stream string
	Boot   int64
	At     int64
	N      int64
}

// ShipAside is a stretch of a stream that a target refused for good, which is in the store
// still, or that could not be sent: it is damaged, or was deleted by a rule before.
type ShipAside struct {
	Stream   string
	Boot     int64
	From, To int64     // positions as in ShipCursor.At, both included
	Points   int64     // how many
	Why      string    // the server's reason, or the store's
	Example  string    // the first of the lines; empty: it was never sent
	At       time.Time // when it was set aside, by the clock of the machine
}

// PartialError comes beside samples of which some are missing: what is there may be used,
// with the doubt said.
type PartialError struct{ Says string }

func (e *PartialError) Error() string { return e.Says }
