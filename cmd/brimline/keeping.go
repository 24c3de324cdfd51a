package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"brimline/cmd/brimline/serve"
	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
)

// keeping is what watches over the store's room and the boot's clock.
type keeping struct {
	clock  *rig.SystemClock // real time, on a simulated bench too
	keeper *ingest.Keeper
	watch  *ingest.ClockWatch
}

// newClockWatch watches a boot's wall clock by the clock it returns.
func newClockWatch(st *store.Store, boot ingest.Boot, bench *bench, log *slog.Logger) (*ingest.ClockWatch, *rig.SystemClock) {
	clock, isReal := bench.clock.(*rig.SystemClock)
	if !isReal {
		// A simulated bench's time is its own: wall times are watched by the machine's.
		clock = rig.NewSystemClock()
		boot.Wall = clock.Origin()
	}
	return ingest.NewClockWatch(boot, ingest.SystemTime{Clock: clock}, st.CorrectBoot, log), clock
}

// newKeeping watches over a boot. It does nothing before run.
func newKeeping(st *store.Store, c config.Store, boot ingest.Boot, bench *bench, log *slog.Logger) *keeping {
	k := &keeping{}
	k.watch, k.clock = newClockWatch(st, boot, bench, log)
	k.keeper = ingest.NewKeeper(ingest.KeeperOptions{
		Store: st, Disk: ingest.Folder(filepath.Dir(st.Path())), BootID: boot.ID, Clock: k.clock, Boot: bench.clock,
		Limits: keepLimits(c), Wall: k.watch.Wall, Full: isFull, Log: log,
	})
	return k
}

func isFull(err error) bool { return errors.Is(err, store.ErrFull) }

// run watches until ctx ends.
func (k *keeping) run(ctx context.Context, g *errgroup.Group) {
	g.Go(func() error {
		k.watch.Run(ctx, k.clock)
		return nil
	})
	g.Go(func() error {
		k.keeper.Run(ctx)
		return nil
	})
}

func keepLimits(c config.Store) ingest.KeepLimits {
	threshold := func(freeMB, leftH float64) ingest.Threshold {
		return ingest.Threshold{FreeBytes: int64(freeMB * 1e6), Left: time.Duration(leftH * float64(time.Hour))}
	}
	return ingest.KeepLimits{
		WatchFor: time.Duration(c.WatchDays * 24 * float64(time.Hour)),
		Warn:     threshold(c.WarnFreeMB, c.WarnLeftH), Thin: threshold(c.ThinFreeMB, c.ThinLeftH), Stop: threshold(c.StopFreeMB, c.StopLeftH),
	}
}

// keptWords is how long raw readings are kept, and what is done when room is short, on one line.
func keptWords(c config.Store) string {
	watch := "for ever"
	if c.WatchDays > 0 {
		watch = fmt.Sprintf("%g days", c.WatchDays)
	}
	at := func(freeMB, leftH float64) string {
		switch {
		case freeMB > 0 && leftH > 0:
			return fmt.Sprintf("%g MB or %g h", freeMB, leftH)
		case leftH > 0:
			return fmt.Sprintf("%g h", leftH)
		case freeMB > 0:
			return fmt.Sprintf("%g MB", freeMB)
		}
		return "never"
	}
	return fmt.Sprintf("raw readings of runs for ever, of the watch %s; room left: warns at %s, thins the watch at %s, stops it at %s",
		watch, at(c.WarnFreeMB, c.WarnLeftH), at(c.ThinFreeMB, c.ThinLeftH), at(c.StopFreeMB, c.StopLeftH))
}

// room is the keeper's word for the page.
func (k *keeping) room() serve.RoomStatus {
	s := k.keeper.Status()
	r := serve.RoomStatus{Level: s.Level.String(), WatchRecorded: s.Recorded, PaceBytesPerS: number(s.PaceBytesS),
		SkippedSamples: s.Skipped, DeletedByAge: s.Deleted[0].Samples, DeletedBySpace: s.Deleted[1].Samples, Says: s.Says}
	if s.RoomBytes >= 0 {
		r.RoomBytes = &s.RoomBytes
	}
	if s.Left >= 0 {
		r.LeftS = number(s.Left.Seconds())
	}
	return r
}

// wallClock is the clock watch's word for the page.
func (k *keeping) wallClock() serve.ClockStatus {
	s := k.watch.Status()
	return serve.ClockStatus{Known: s.Known, Vouched: s.Vouched, Corrections: s.Corrections, Says: s.Says}
}

// runTakes is how long a run may take beyond its collecting and its rests, with its waits for
// a level, for the flow, and for the tubes to be at rest.
const runTakes = readyWithin + personTakes + alarmMost

// runNeed is the room that a run needs at most.
func runNeed(channels []config.Channel, collect, still, wait time.Duration) int64 {
	perS := 0.0
	for i := range channels {
		perS += config.ReadingsPerS(channels, i)
	}
	return ingest.RunNeed(math.Max(perS, 1), collect+2*still+wait+runTakes)
}

// clockDoubt says that a run's date means nothing, when its boot began with a clock that was
// never set, nor corrected afterwards; empty when that is not so.
func clockDoubt(boots []ingest.Boot, run ingest.Run) string {
	i := slices.IndexFunc(boots, func(b ingest.Boot) bool { return b.ID == run.BootID })
	// A recording that was taken in from a file may be of any year: its channels alone have a colon.
	imported := slices.ContainsFunc(run.Positions, func(p ingest.PositionOn) bool { return strings.Contains(p.Channel, ":") })
	if i < 0 || imported || boots[i].Wall.IsZero() || ingest.WallKnown(boots[i].Wall) {
		return ""
	}
	return fmt.Sprintf("%s: the board's start %d began on %s by its clock, which was never set nor corrected; dates of its runs mean nothing, their rates do not depend on them",
		ingest.ClockUnset, run.BootID, boots[i].Wall.UTC().Format(time.DateOnly))
}
