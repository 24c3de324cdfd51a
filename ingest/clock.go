package ingest

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"syscall"
	"time"

	"brimline/rig"
)

// EarliestWall is the earliest wall time that is taken for one: no bench ran before. A
// board without a clock of its own starts in 1970.
var EarliestWall = time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)

// WallKnown reports whether a wall time may be one, and is not what a clock shows that
// was never set.
func WallKnown(t time.Time) bool { return !t.Before(EarliestWall) }

// ClockUnset is said wherever a wall time of a boot is shown whose clock was never set.
const ClockUnset = "clock not set"

// ClockCorrection is one change of what is believed to be a boot's wall clock at elapsed
// zero.
type ClockCorrection struct {
	Was  time.Time     // as believed before
	Wall time.Time     // as believed since
	Who  string        // "clock watch", or a person
	Why  string        // what showed it
	At   time.Duration // the boot's elapsed time when it was made; 0 when it was made afterwards
}

// By returns by how much the clock was corrected.
func (c ClockCorrection) By() time.Duration { return c.Wall.Sub(c.Was) }

// TimeSource is the system's time as a ClockWatch asks for it.
type TimeSource interface {
	// Now returns the wall clock and the boot's elapsed time at one moment.
	Now() (wall time.Time, elapsed time.Duration)
	// Synchronised reports whether the system vouches for its wall clock.
	Synchronised() bool
}

// SystemTime is the TimeSource of a real machine; clock is the boot's.
type SystemTime struct{ Clock rig.Clock }

// Now reads both clocks within a millisecond of each other, if the machine lets it.
func (s SystemTime) Now() (wall time.Time, elapsed time.Duration) {
	for range 5 {
		before := s.Clock.Now()
		wall = time.Now().Round(0)
		after := s.Clock.Now()
		elapsed = before + (after-before)/2
		if after-before < time.Millisecond {
			break
		}
	}
	return wall, elapsed
}

// Synchronised asks the kernel (adjtimex(2)): a time service clears STA_UNSYNC, and
// setting the clock by hand sets it.
func (s SystemTime) Synchronised() bool {
	const staUnsync, timeError = 0x0040, 5
	var t syscall.Timex // no modes: it only reads
	state, err := syscall.Adjtimex(&t)
	return err == nil && state != timeError && t.Status&staUnsync == 0
}

const (
	clockTolerance = 500 * time.Millisecond // two clocks read one after the other agree better
	settlesVouched = 10 * time.Second       // a time service may step twice
	settlesAlone   = 10 * time.Minute       // a clock that nobody vouches for may go back
	surelyStable   = 24 * time.Hour
	clockLooks     = time.Second
)

// ClockWatch compares the wall clock with elapsed time and corrects what is believed of
// the boot when the wall clock has been set. Elapsed times are never touched.
//
// A new wall time is accepted when it has stood for 10 s and the kernel vouches for it, or
// none was known before, or else for 10 minutes; one before EarliestWall never. One that the
// kernel vouched for gives way to no other that it does not vouch for. A time zone plays no
// part: all is UTC.
type ClockWatch struct {
	boot    Boot
	source  TimeSource
	correct func(context.Context, int64, ClockCorrection) error
	log     *slog.Logger

	mu       sync.Mutex
	anchor   time.Time // wall clock at elapsed zero, as believed
	vouched  bool      // by the kernel
	quiet    time.Duration
	stepped  bool
	stepTo   time.Time // anchor that the wall clock now stands for
	stepAt   time.Duration
	failing  bool // the last correction could not be kept
	refused  bool // the step was said to be none that is accepted
	accepted int
}

// NewClockWatch watches the clock of one boot. correct keeps a correction.
func NewClockWatch(boot Boot, source TimeSource, correct func(ctx context.Context, bootID int64, c ClockCorrection) error, log *slog.Logger) *ClockWatch {
	return &ClockWatch{boot: boot, source: source, correct: correct, log: log, anchor: boot.Wall}
}

// Run looks once a second until ctx ends.
func (w *ClockWatch) Run(ctx context.Context, sleeper rig.Sleeper) {
	for sleeper.Sleep(ctx, clockLooks) == nil {
		w.Look(ctx)
	}
}

// Look compares the clocks once.
func (w *ClockWatch) Look(ctx context.Context) {
	wall, elapsed := w.source.Now()
	vouched := w.source.Synchronised()
	w.mu.Lock()
	defer w.mu.Unlock()
	shown := wall.Add(-elapsed)
	switch {
	case near(shown, w.anchor):
		if w.stepped {
			w.log.Info("the wall clock is back where it was: nothing is corrected", "boot", w.boot.ID)
			w.stepped, w.refused, w.quiet = false, false, elapsed
		}
		w.vouched = w.vouched || vouched && WallKnown(w.anchor)
		return
	case !w.stepped || !near(shown, w.stepTo):
		w.stepped, w.refused, w.failing = true, false, false
		w.stepTo, w.stepAt, w.quiet = shown, elapsed, elapsed
		w.log.Warn("the wall clock was set: elapsed times and rates are not touched, wall times follow when it stands",
			"boot", w.boot.ID, "by", shown.Sub(w.anchor).Round(time.Millisecond), "shows", wall.UTC().Format(time.RFC3339))
	}
	if why := w.refusal(shown, vouched); why != "" {
		if !w.refused {
			w.log.Warn("the wall clock's new time is not taken over: "+why, "boot", w.boot.ID, "shows", wall.UTC().Format(time.RFC3339))
		}
		w.refused = true
		return
	}
	settles, why := settlesAlone, fmt.Sprintf("the wall clock was set, and stood for %v", settlesAlone)
	switch {
	case vouched:
		settles, why = settlesVouched, "the wall clock was set, and the system says that it is synchronised"
	case !WallKnown(w.anchor):
		settles, why = settlesVouched, "the wall clock was set, and none was known before"
	}
	if elapsed-w.stepAt < settles {
		return
	}
	c := ClockCorrection{Was: w.anchor, Wall: w.stepTo, Who: "clock watch", Why: why, At: elapsed}
	if err := w.correct(ctx, w.boot.ID, c); err != nil {
		if !w.failing { // it is tried again at each look
			w.log.Warn("a correction of the clock could not be kept, and is tried again", "error", err)
		}
		w.failing = true
		return
	}
	w.log.Info("wall times of this boot are corrected", "boot", w.boot.ID, "by", c.By().Round(time.Millisecond), "why", why)
	w.anchor, w.vouched, w.quiet = w.stepTo, vouched, elapsed
	w.stepped, w.refused, w.failing = false, false, false
	w.accepted++
}

// refusal says why a new wall time at elapsed zero is not taken over; empty if it may be.
func (w *ClockWatch) refusal(anchor time.Time, vouched bool) string {
	switch {
	case !WallKnown(anchor):
		return fmt.Sprintf("it is before %s, when there was no such bench: set the date", EarliestWall.Format(time.DateOnly))
	case w.vouched && !vouched:
		return "a time service vouched for the time before, and for this one none does: check the network, or begin a new boot"
	}
	return ""
}

func near(a, b time.Time) bool { return a.Sub(b).Abs() <= clockTolerance }

// Wall returns the present wall time as the boot's anchor has it. It is sure when the
// kernel vouches for it, or when no clock has been set for a day: nothing is deleted for
// its age by a clock that may be wrong.
func (w *ClockWatch) Wall() (now time.Time, sure bool) {
	_, elapsed := w.source.Now()
	w.mu.Lock()
	defer w.mu.Unlock()
	now = w.anchor.Add(elapsed)
	return now, WallKnown(now) && !w.stepped && (w.vouched || elapsed-w.quiet >= surelyStable)
}

// ClockStatus is a boot's clock as it is shown.
type ClockStatus struct {
	Known       bool   // the boot's wall times may be shown as such
	Vouched     bool   // by the kernel
	Corrections int    // since the daemon started
	Says        string // what a person should know and do; empty when there is nothing
}

// Status tells how the boot's clock stands.
func (w *ClockWatch) Status() ClockStatus {
	w.mu.Lock()
	defer w.mu.Unlock()
	s := ClockStatus{Known: WallKnown(w.anchor), Vouched: w.vouched, Corrections: w.accepted}
	switch {
	case w.stepped && !w.refused:
		s.Says = "the clock was set; wall times follow when it has stood for a while"
	case !s.Known:
		s.Says = ClockUnset + ": dates mean nothing, rates are right; connect the network or set the date"
	case w.refused:
		s.Says = "the system's clock differs from the time that is believed: set it, or begin a new boot"
	}
	return s
}
