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

// Sleep waits for d; see Sleeper. It allocates nothing. The last 2 ms are slept by the
// kernel and not by the runtime, whose timers are up to 1 ms late on Linux: that would
// be a third of a conversion at 320 a second.
func (c *SystemClock) Sleep(ctx context.Context, d time.Duration) error {
	const fine, slice = 2 * time.Millisecond, 20 * time.Millisecond
	for end := c.Now() + d; ; {
		if err := ctx.Err(); err != nil {
			return err
		}
		d = end - c.Now()
		if d <= fine {
			break
		}
		time.Sleep(min(d-fine, slice))
	}
	if d > 0 {
		sleep(d)
	}
	return nil
}

// Origin returns the wall clock's reading at elapsed zero, as it was believed
// then. It may be wrong on a board that has not yet found the network.
func (c *SystemClock) Origin() time.Time { return c.origin.Round(0) }

var _ Sleeper = (*SystemClock)(nil)
