package rig

import "time"

// SystemClock is the Clock of a real board: time since it was made, on the
// operating system's monotonic clock, which a change of the wall clock does not
// move. Make one at start-up and give it to every sensor.
type SystemClock struct {
	origin time.Time // keeps its monotonic reading: never Round(0) or encode it
}

// NewSystemClock returns a clock that stands at zero now.
func NewSystemClock() *SystemClock { return &SystemClock{origin: time.Now()} }

// Now returns the time elapsed since the clock was made.
func (c *SystemClock) Now() time.Duration { return time.Since(c.origin) }

// Origin returns the wall clock's reading at elapsed zero, as it was believed
// then. It may be wrong on a board that has not yet found the network.
func (c *SystemClock) Origin() time.Time { return c.origin.Round(0) }
