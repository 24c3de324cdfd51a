//go:build powercut && linux && !arm

package crashtest

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"
)

// cuts is what came of some power cuts.
type cuts struct {
	Count
	unmountable, unopenable int // cards and stores that were lost whole, with all acknowledged in them
	wrong                   error
	device                  deviceStats
}

// powerCuts records and cuts the power, each times on one card, and counts what was
// lost. The cut comes after a random number of the device's writes and flushes, so that
// it hits a commit in any of its steps, or a moment after it.
func powerCuts(t *testing.T, program string, n, each int, seed uint64, ignoreFlush bool) (total cuts) {
	t.Helper()
	ctx := t.Context()
	rng := rand.New(rand.NewPCG(seed, 0))
	var c *card
	var acked []Acked
	for k := range n {
		if k%each == 0 {
			c, acked = newCard(t, 48), nil
			c.ignoreFlush = ignoreFlush
		}
		path := filepath.Join(c.Dir, "bench.db")
		c.Arm(1 + rng.IntN([]int{60, 300, 1500}[rng.IntN(3)]))
		ch := startChild(t, program, asIs, "-store", path, "-seed", fmt.Sprint(rng.Uint64()), "-channels", []string{"4", "12"}[rng.IntN(2)])
		select {
		case <-c.cut:
		case <-time.After(time.Duration(500+rng.IntN(1500)) * time.Millisecond):
			c.Cut()
		}
		if a, ok := ch.kill(t); ok {
			acked = append(acked, a)
		}
		c.Unplug()
		c.Lose(rng)

		last := k%each == each-1
		err := c.Plug()
		if err != nil {
			total.unmountable++
		}
		var got Count
		if err == nil {
			// Opening for writing seals what the boot left; otherwise the next child does,
			// and may be cut off in it.
			got, err = checkAll(ctx, path, acked, last || rng.IntN(2) == 0)
			if err != nil {
				total.unopenable++
			}
		}
		if err != nil {
			total.wrong = fmt.Errorf("cut %d: %w", k, err)
			for _, a := range acked {
				got.Lost += a.Samples
			}
		}
		if last || err != nil {
			total.add(got, acked)
			total.device.sum(c.Stats())
			acked = nil
		}
		if err != nil && !last {
			t.Fatalf("%v", total.wrong)
		}
	}
	return total
}

func (c *cuts) add(got Count, acked []Acked) {
	c.Lost += got.Lost
	c.LostEvents += got.LostEvents
	c.Beyond += got.Beyond
	for _, a := range acked {
		c.Samples += a.Samples
		c.Events += a.Events
	}
}

func (s *deviceStats) sum(o deviceStats) {
	s.written += o.written
	s.writes += o.writes
	s.flushes += o.flushes
	s.kept += o.kept
	s.dropped += o.dropped
	s.torn += o.torn
	s.empty += o.empty
}

func (c *cuts) report(t *testing.T, n int, what string) {
	t.Helper()
	t.Logf("%d power cuts, %s: %d samples and %d events acknowledged, %d and %d lost; %d cards not to be mounted, %d stores not to be opened; %d samples kept but not yet acknowledged",
		n, what, c.Samples, c.Events, c.Lost, c.LostEvents, c.unmountable, c.unopenable, c.Beyond)
	d := c.device
	t.Logf("of unflushed blocks %d were kept, %d dropped, %d torn; %d cuts found none; %d writes, %d flushes", d.kept, d.dropped, d.torn, d.empty, d.writes, d.flushes)
}

// Nothing that was acknowledged is lost in 60 power cuts.
func TestPowerCutsLoseNothing(t *testing.T) {
	got := powerCuts(t, buildChild(t, ""), 60, 10, 1, false)
	got.report(t, 60, "as shipped")
	if got.Lost > 0 || got.LostEvents > 0 || got.wrong != nil {
		t.Errorf("%d samples and %d events that were acknowledged are lost; %v", got.Lost, got.LostEvents, got.wrong)
	}
	if got.Samples < 60*320 || got.device.dropped+got.device.torn < 60 {
		t.Errorf("only %d samples were acknowledged and %d blocks damaged: the test has shown little", got.Samples, got.device.dropped+got.device.torn)
	}
}

// The rig bites: a store that does not flush each commit loses.
func TestPowerCutsFindSynchronousNormal(t *testing.T) {
	got := powerCuts(t, buildChild(t, "-X brimline/ingest/store.synchronous=NORMAL"), 10, 1, 2, false)
	got.report(t, 10, "with synchronous NORMAL")
	if got.Lost == 0 {
		t.Error("synchronous NORMAL lost nothing: the rig does not find what it is there to find")
	}
}

// The rig bites: on a device that ignores flushes even the shipped store loses.
func TestPowerCutsFindAnIgnoredFlush(t *testing.T) {
	got := powerCuts(t, buildChild(t, ""), 10, 1, 3, true)
	got.report(t, 10, "on a device that ignores flushes")
	if got.Lost == 0 {
		t.Error("a device that ignores flushes lost nothing: the rig does not find what it is there to find")
	}
}
