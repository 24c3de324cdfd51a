// Package influx ships what the embedded store holds to an InfluxDB bucket, the shared
// store of many benches, and reads it back for an office machine that analyses them.
//
// It is the third room of a sample's life, and a copy: nothing waits for it, and what it
// cannot deliver stays in the embedded store. A Shipper keeps a durable cursor for each
// target and stream; the cursor moves only after the server has acknowledged, and what is
// sent twice overwrites itself, because stamps and tags depend on nothing but the data.
// POINTS.md has the points.
//
//	s, err := influx.New(ctx, st, target, influx.Options{Raw: influx.RawAll, Rater: rater})
//	go s.Run(ctx)
//	...
//	s.Status().BehindPoints
//
// Servers: 1.8 with flux on (token "user:password", bucket "db" or "db/rp", no
// organisation), 2.x, and 3.x for writing.
package influx

import (
	"context"
	"log/slog"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// Target is a bucket and the bench's name in it.
type Target struct {
	URL    string // of the server, for example "http://office:8086"
	Org    string // organisation; empty for 1.8
	Bucket string // "db" or "db/rp" for 1.8
	Token  string // "user:password" for 1.8; never shown
	Bench  string // tag bench: one name for each bench in the bucket
}

// Raw says what is shipped of the raw samples.
type Raw string

// What Raw may be.
const (
	RawAll   Raw = "all"   // every sample: rates can be worked out from the bucket
	RawMeans Raw = "means" // the mean of each second
	RawNone  Raw = "none"
)

// Options are for New; the zero value ships all with the stated defaults.
type Options struct {
	Raw Raw // default RawAll
	// Interval is how often new data are looked for when all is shipped. Each time costs
	// the card one small commit. Default 10 s.
	Interval time.Duration
	// BatchPoints is the most points of one request. Default 5,000.
	BatchPoints int
	// BackfillPointsPerS is how fast what lies over a minute behind is sent, so that
	// the board and the network are not taken up by it. It must be above what the bench
	// gives, or the bucket never catches up. Default 5,000.
	BackfillPointsPerS int
	// Timeout of one request. Default 20 s.
	Timeout time.Duration
	// RetryMin and RetryMax bound the waits after a failure that may pass by itself:
	// doubled each time, with jitter. Defaults 1 s and 2 min. RetrySlow is the wait
	// after one that a person must mend (token, bucket, address). Default 1 min.
	RetryMin, RetryMax, RetrySlow time.Duration

	Rater  Rater                        // nil: no rates are shipped
	Health map[string]rig.HealthChannel // by channel name, for the states of channels; a channel not named is taken as the zero value
	Log    *slog.Logger                 // nil: nothing is logged
}

// Rater works out the rates of a run that has ended. The analysis is not this room's.
type Rater interface {
	// Rates returns one Rate for each position of the run. An error means that none can
	// be had now; it is logged, and the run is asked for again when its book changes.
	Rates(ctx context.Context, run ingest.Run) ([]Rate, error)
}

// Rate is one channel's rate in a run, as it is shipped. NaN is what is not known.
type Rate struct {
	Channel       string
	Injector      int
	Test          string // its label
	Engine        string // its label
	Phase         string
	Hanging       int    // number within the test
	Unit          string // what the curve was measured in, "g" or "mL"
	RateGPerMin   float64
	RateMLPerMin  float64
	U             float64 // standard uncertainty, in Unit/min
	U95           float64 // half width of the 95 % interval, in Unit/min
	UMLPerMin     float64
	U95MLPerMin   float64
	Steady        bool
	Allowed       bool // a finding may rest on it
	Flags         []RateFlag
	CalibrationID int64
	Version       string // of the program that worked it out
}

// RateFlag is a named, explained doubt.
type RateFlag struct {
	Code     string `json:"code"`
	Severity string `json:"severity"` // "note", "doubt" or "forbids"
	Says     string `json:"says"`
}

// State is what a Shipper does now.
type State string

// The states.
const (
	Idle    State = "up to date" // all is shipped but what came just now
	Sending State = "sending"
	Waiting State = "waiting" // for the next try, Status.Why says for what
	Stopped State = "stopped" // Run has not begun, or has ended
)

// Status is how shipping stands. All counts of points are since the Shipper was made,
// but AsidePoints and GonePoints, which are kept in the store.
type Status struct {
	Target      string // without its token
	State       State
	Why         string    // what holds it up, in words, and what to do; empty when nothing does
	Person      bool      // a person must mend it: token, bucket, address
	LastSuccess time.Time // when the server last acknowledged; zero: not yet
	NextTry     time.Time // while Waiting
	Failures    int64     // requests that failed
	Sent        int64     // points that were acknowledged

	// BehindPoints is how many points are still to be sent, counted at MeasuredAt and
	// less what was sent since; BehindS is how many seconds of readings they are, of the
	// channel that lacks most. Time in which the bench was off is not counted.
	BehindPoints int64
	BehindS      float64
	MeasuredAt   time.Time

	AsidePoints int64  // points that the server refused for good
	AsideWhy    string // the last reason
	GonePoints  int64  // raw samples that were deleted to save space before they were sent
}
