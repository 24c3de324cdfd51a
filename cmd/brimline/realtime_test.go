package main

import (
	"bytes"
	"errors"
	"log/slog"
	"runtime"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"brimline/rig"
)

func TestRealTimeRefusedIsSaidOnce(t *testing.T) {
	var said bytes.Buffer
	refused := errors.New("operation not permitted")
	r := newRealTime(slog.New(slog.NewTextHandler(&said, nil)), 4, 6)
	r.priority = func() error { return refused }
	r.lock = func() error { return refused }
	for range 3 {
		if err := r.onThread(); err != nil {
			t.Errorf("a refusal ends the acquisition: %v", err)
		}
	}
	for _, what := range []string{"real-time priority", "memory is not locked"} {
		if n := strings.Count(said.String(), what); n != 1 {
			t.Errorf("%q is said %d times, want once:\n%s", what, n, &said)
		}
	}
}

// Where the system permits it the thread has the priority, and no other thread gets
// it; where not, that is what is said.
func TestRealTimeOnThisSystem(t *testing.T) {
	type outcome struct {
		policy uint32
		err    error
	}
	done := make(chan outcome)
	go func() {
		runtime.LockOSThread() // never unlocked: the thread ends here
		err := fifo()
		attr, get := unix.SchedGetAttr(0, 0)
		if get != nil {
			done <- outcome{err: get}
			return
		}
		done <- outcome{policy: attr.Policy, err: err}
	}()
	switch got := <-done; {
	case got.err == nil && got.policy != unix.SCHED_FIFO:
		t.Errorf("permitted, but the policy is %d", got.policy)
	case got.err != nil && (!errors.Is(got.err, unix.EPERM) || !strings.Contains(got.err.Error(), "SCHED_FIFO")):
		t.Errorf("refused with %v, want a refusal that says what was asked for", got.err)
	}
	attr, err := unix.SchedGetAttr(0, 0)
	if err != nil {
		t.Fatal(err)
	}
	if attr.Policy == unix.SCHED_FIFO {
		t.Error("this thread has the priority of another")
	}
}

// On one processor a thread has it for a share of the time, so that several have room.
func TestOneProcessor(t *testing.T) {
	type outcome struct {
		attr *unix.SchedAttr
		err  error
	}
	var said bytes.Buffer
	done := make(chan outcome)
	go func() {
		runtime.LockOSThread() // never unlocked: the thread ends here
		r := newRealTime(slog.New(slog.NewTextHandler(&said, nil)), 1, 4)
		r.lock = func() error { return nil }
		err := r.onThread()
		attr, get := unix.SchedGetAttr(0, 0)
		done <- outcome{attr, errors.Join(err, get)}
	}()
	got := <-done
	if got.err != nil {
		t.Fatal(got.err)
	}
	switch a := got.attr; {
	case a.Policy == unix.SCHED_FIFO:
		t.Error("the thread keeps the processor for as long as it likes")
	case a.Policy == unix.SCHED_DEADLINE && (a.Runtime != 2e6 || a.Period != 10e6 || !strings.Contains(said.String(), "2ms of each 10ms, as there is one processor")):
		t.Errorf("permitted: %+v, and said: %s", a, &said)
	case a.Policy != unix.SCHED_DEADLINE && !strings.Contains(said.String(), "refused=\"SCHED_DEADLINE for 2ms of each 10ms: "):
		t.Errorf("policy %d, and said: %s", a.Policy, &said)
	}
}

func TestOnThreadIsOnlyForRealBenches(t *testing.T) {
	sim, real := acquireOptions(true, 6, slog.New(slog.DiscardHandler)), acquireOptions(false, 6, slog.New(slog.DiscardHandler))
	if sim.LockThreads || sim.OnThread != nil || !real.LockThreads || real.OnThread == nil {
		t.Errorf("simulated %+v, real %+v", sim, real)
	}
	var _ rig.AcquireOptions = sim
}
