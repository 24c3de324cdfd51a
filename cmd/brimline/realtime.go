package main

import (
	"fmt"
	"log/slog"
	"runtime"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"brimline/rig"
)

// realTimePriority is that of the threads that read converters: above ordinary
// programs, below the kernel's own interrupt threads (50).
const realTimePriority = 20

const (
	sharePeriod = 10 * time.Millisecond
	shareMost   = 5 * time.Millisecond // for one thread, and
	shareOfAll  = 8 * time.Millisecond // for all of them: the kernel grants 95 % at most
)

// realTime makes a thread that reads converters hard to interrupt: SCHED_FIFO for the
// thread, and the program's memory kept from being swapped out. On a board with one processor
// it is SCHED_DEADLINE, for a share of the time: at SCHED_FIFO reading stood still now and then on
// an emulated board, for a second, until the kernel stepped in, probably since the language's runtime has threads
// wait for each other by yielding, which keeps the only processor from those waited for. Both need a permission
// (CAP_SYS_NICE and CAP_IPC_LOCK, or the limits rtprio and memlock). Without it the
// bench runs all the same and discards more readings, never a wrong one; this is said
// once.
type realTime struct {
	log      *slog.Logger
	priority func() error // of the calling thread
	says     string       // what priority that is
	lock     func() error // of all memory

	mu                     sync.Mutex
	locked, toldP, granted bool
}

func newRealTime(log *slog.Logger, processors, threads int) *realTime {
	r := &realTime{log: log, priority: fifo, says: "real-time priority", lock: lockMemory}
	if processors == 1 {
		budget := min(shareMost, shareOfAll/time.Duration(max(threads, 1)))
		r.priority = func() error { return share(budget) }
		r.says = fmt.Sprintf("real-time priority for %v of each %v, as there is one processor", budget, sharePeriod)
	}
	return r
}

// share gives the calling thread the processor before all others, but at most for budget in
// each sharePeriod, so that those it waits for get their turn.
func share(budget time.Duration) error {
	err := unix.SchedSetAttr(0, &unix.SchedAttr{
		Size: unix.SizeofSchedAttr, Policy: unix.SCHED_DEADLINE, Flags: unix.SCHED_FLAG_RESET_ON_FORK,
		Runtime: uint64(budget), Deadline: uint64(sharePeriod), Period: uint64(sharePeriod),
	}, 0)
	if err != nil {
		return fmt.Errorf("SCHED_DEADLINE for %v of each %v: %w", budget, sharePeriod, err)
	}
	return nil
}

func fifo() error {
	// A thread or program that this one starts is an ordinary one again.
	err := unix.SchedSetAttr(0, &unix.SchedAttr{
		Size: unix.SizeofSchedAttr, Policy: unix.SCHED_FIFO, Priority: realTimePriority, Flags: unix.SCHED_FLAG_RESET_ON_FORK,
	}, 0)
	if err != nil {
		return fmt.Errorf("SCHED_FIFO at priority %d: %w", realTimePriority, err)
	}
	return nil
}

func lockMemory() error {
	// On fault: a Go program reserves far more than it uses.
	if err := unix.Mlockall(unix.MCL_CURRENT | unix.MCL_FUTURE | unix.MCL_ONFAULT); err != nil {
		return fmt.Errorf("mlockall: %w", err)
	}
	return nil
}

// onThread is rig.AcquireOptions.OnThread. What is refused is told and let pass.
func (r *realTime) onThread() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.locked {
		r.locked = true
		if err := r.lock(); err != nil {
			r.log.Warn("memory is not locked: a reading may wait for the disk and be discarded; allow it with LimitMEMLOCK=infinity in the unit or CAP_IPC_LOCK", "refused", err)
		}
	}
	switch err := r.priority(); {
	case err != nil && !r.toldP:
		r.toldP = true
		r.log.Warn("no "+r.says+": more readings may be discarded while the processor is busy; allow it with LimitRTPRIO=20 in the unit or, on one processor, CAP_SYS_NICE", "refused", err)
	case err == nil && !r.granted:
		r.granted = true
		r.log.Info("converters are read at " + r.says)
	}
	return nil
}

// acquireOptions are for reading a bench until its context ends: a real one on
// real-time threads, a simulated one as it comes.
func acquireOptions(sim bool, threads int, log *slog.Logger) rig.AcquireOptions {
	if sim {
		return rig.AcquireOptions{}
	}
	return rig.AcquireOptions{LockThreads: true, OnThread: newRealTime(log, runtime.NumCPU(), threads).onThread}
}
