package rig_test

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"brimline/rig"
)

func TestEventLogKeepsTheNewestAndATareThatIsDue(t *testing.T) {
	var l rig.EventLog
	if got := l.Events(); len(got) != 0 {
		t.Fatalf("an empty log tells %v", got)
	}
	for i := range 40 {
		l.Tell(rig.Event{Elapsed: time.Duration(i), TareDue: i == 3, Says: fmt.Sprint(i)})
	}
	got := l.Events()
	if len(got) != 16 || got[0].Says != "24" || got[15].Says != "39" {
		t.Fatalf("%d events, from %q to %q; want the newest 16 of 40", len(got), got[0].Says, got[len(got)-1].Says)
	}
	if !got[0].TareDue || got[1].TareDue {
		t.Errorf("tare due: %v and %v, want the lost event's kept at the oldest alone", got[0].TareDue, got[1].TareDue)
	}
	if got := l.Events(); len(got) != 0 {
		t.Errorf("told twice: %v", got)
	}
}

// telling is a fake that tells one event each time it is asked.
type telling struct{ *fake }

func (telling) Events() []rig.Event { return []rig.Event{{Channel: 1, Says: "x"}} }

func TestAcquirerNumbersEventsByTheBenchsChannels(t *testing.T) {
	var log steps
	a, err := rig.NewAcquirer(newFake("quiet", 1, &log), telling{newFake("one", 2, &log)}, telling{newFake("two", 2, &log)})
	if err != nil {
		t.Fatal(err)
	}
	got := a.Events()
	if len(got) != 2 || got[0].Channel != 2 || got[1].Channel != 4 {
		t.Errorf("events %+v, want one of channel 2 and one of channel 4", got)
	}
}

func TestSystemClockSleeps(t *testing.T) {
	c := rig.NewSystemClock()
	for _, d := range []time.Duration{-time.Second, 0, time.Microsecond, 300 * time.Microsecond, 30 * time.Millisecond} {
		from := c.Now()
		if err := c.Sleep(t.Context(), d); err != nil {
			t.Fatal(err)
		}
		if got := c.Now() - from; got < d {
			t.Errorf("Sleep(%v) took %v only", d, got)
		}
	}
	// The bubble's time stands still in the kernel: the last 2 ms of a sleep are not seen here.
	synctest.Test(t, func(t *testing.T) {
		c := rig.NewSystemClock()
		if err := c.Sleep(t.Context(), 90*time.Millisecond); err != nil {
			t.Fatal(err)
		}
		if got := c.Now(); got != 88*time.Millisecond {
			t.Errorf("Sleep(90 ms) took %v of the runtime's timers, want 88 ms", got)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
		defer cancel()
		from := c.Now()
		if err := c.Sleep(ctx, time.Hour); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("Sleep past its context's end: %v", err)
		}
		if got := c.Now() - from; got > 70*time.Millisecond {
			t.Errorf("the context ended after 50 ms, Sleep after %v", got)
		}
	})
}

func TestSleepAllocatesNothing(t *testing.T) {
	c := rig.NewSystemClock()
	if n := testing.AllocsPerRun(20, func() {
		if err := c.Sleep(t.Context(), 10*time.Microsecond); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("Sleep allocates %v times", n)
	}
}

// BenchmarkSleep shows how late a sleep of one poll at 320 conversions a second is.
func BenchmarkSleep(b *testing.B) {
	c := rig.NewSystemClock()
	const d = 195 * time.Microsecond
	from := c.Now()
	for b.Loop() {
		if err := c.Sleep(b.Context(), d); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64((c.Now()-from)/time.Duration(b.N)-d)/1e3, "us-late")
}
