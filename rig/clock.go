package rig

import (
	"context"
	"time"
)

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

// Sleep waits for d; see Sleeper. It allocates nothing: time.Sleep keeps one timer a
// goroutine. The context is looked at every 20 ms.
func (c *SystemClock) Sleep(ctx context.Context, d time.Duration) error {
	for end := c.Now() + d; ; {
		if err := ctx.Err(); err != nil {
			return err
		}
		left := end - c.Now()
		if left <= 0 {
			return nil
		}
		time.Sleep(min(left, 20*time.Millisecond))
	}
}

// Origin returns the wall clock's reading at elapsed zero, as it was believed
// then. It may be wrong on a board that has not yet found the network.
func (c *SystemClock) Origin() time.Time { return c.origin.Round(0) }

var _ Sleeper = (*SystemClock)(nil)
