// Package rigtest checks that a Sensor keeps the contract that rig's acquisition
// loop relies on. Every sensor's tests run it, on a simulated or replayed chip:
//
//	func TestContract(t *testing.T) {
//		rigtest.Sensor(t, func(t *testing.T) rig.Sensor { return open(t) })
//	}
package rigtest

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"brimline/rig"
)

// Sensor runs the contract's checks as subtests, each on a sensor of its own from
// open, whose converters must be alive. The sensor's time may be simulated.
func Sensor(t *testing.T, open func(t *testing.T) rig.Sensor) {
	t.Helper()
	t.Run("says what it is", func(t *testing.T) {
		s := open(t)
		if s.Channels() < 1 {
			t.Errorf("Channels() = %d, want at least 1", s.Channels())
		}
		if name := s.String(); strings.TrimSpace(name) == "" || strings.Contains(name, "\n") {
			t.Errorf("String() = %q, want one line", name)
		}
		if err := s.Halt(); err != nil {
			t.Errorf("Halt() of a sensor never read: %v", err)
		}
	})
	t.Run("reads in order", func(t *testing.T) {
		s := open(t)
		dst := make([]rig.Reading, s.Channels())
		last := make([]time.Duration, len(dst))
		good := 0
		for n := range 200 {
			if err := s.Read(t.Context(), dst); err != nil {
				t.Fatalf("Read %d: %v", n, err)
			}
			for ch, r := range dst {
				if n > 0 && r.Elapsed <= last[ch] {
					t.Fatalf("Read %d, channel %d: elapsed %v is not after %v", n, ch, r.Elapsed, last[ch])
				}
				last[ch] = r.Elapsed
				if !r.Quality.HasCounts() && r.Counts != 0 {
					t.Errorf("Read %d, channel %d: %v carries %d counts, want 0", n, ch, r.Quality, r.Counts)
				}
				if r.Quality == rig.Good {
					good++
				}
			}
		}
		if good == 0 {
			t.Error("200 reads of a living sensor and none of them good")
		}
		if err := s.Halt(); err != nil {
			t.Errorf("Halt: %v", err)
		}
	})
	t.Run("refuses a slice of the wrong length", func(t *testing.T) {
		s := open(t)
		for _, n := range []int{0, s.Channels() + 1} {
			if err := s.Read(t.Context(), make([]rig.Reading, n)); err == nil {
				t.Errorf("Read into %d readings for %d channels gave no error", n, s.Channels())
			}
		}
	})
	t.Run("ends with its context", func(t *testing.T) {
		s := open(t)
		dst := make([]rig.Reading, s.Channels())
		if err := s.Read(t.Context(), dst); err != nil {
			t.Fatalf("first Read: %v", err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := s.Read(ctx, dst); !errors.Is(err, context.Canceled) {
			t.Errorf("Read under an ended context = %v, want context.Canceled", err)
		}
		if err := s.Read(t.Context(), dst); err != nil {
			t.Errorf("Read after one whose context ended: %v", err)
		}
	})
	t.Run("starts and stops", func(t *testing.T) {
		s := open(t)
		st, ok := s.(rig.Starter)
		if !ok {
			return // nothing to start: the contract allows it
		}
		dst := make([]rig.Reading, s.Channels())
		for round := range 3 {
			for _, step := range []func() error{st.Start, st.Start} {
				if err := step(); err != nil {
					t.Fatalf("round %d: Start: %v", round, err)
				}
			}
			if err := s.Read(t.Context(), dst); err != nil {
				t.Fatalf("round %d: Read: %v", round, err)
			}
			for _, step := range []func() error{st.Stop, st.Stop} {
				if err := step(); err != nil {
					t.Fatalf("round %d: Stop: %v", round, err)
				}
			}
		}
	})
	t.Run("is acquired", func(t *testing.T) {
		s := open(t)
		var c collect
		dst := make([]rig.Reading, s.Channels())
		if err := s.Read(t.Context(), dst); err != nil {
			t.Fatal(err)
		}
		a, err := rig.NewAcquirer(s)
		if err != nil {
			t.Fatal(err)
		}
		for range 2 {
			until := dst[0].Elapsed + 2*time.Second
			if err := a.Run(t.Context(), &c, rig.AcquireOptions{Until: until}); err != nil {
				t.Fatal(err)
			}
			dst[0] = c.samples[len(c.samples)-1].Reading
		}
		next := make([]uint64, s.Channels())
		for _, x := range c.samples {
			if x.Seq != next[x.Channel] {
				t.Fatalf("channel %d: number %d follows %d", x.Channel, x.Seq, int64(next[x.Channel])-1)
			}
			next[x.Channel]++
		}
	})
}

type collect struct{ samples []rig.Sample }

func (c *collect) Put(s []rig.Sample) error {
	c.samples = append(c.samples, s...)
	return nil
}
