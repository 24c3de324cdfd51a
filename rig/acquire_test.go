package rig_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"brimline/rig"
)

// fake is a Sensor whose readings come down a channel.
type fake struct {
	name     string
	channels int
	readings chan []rig.Reading // a nil set is a failure
	log      *steps
	startErr error
	stopErr  error
}

var errBroken = errors.New("broken on purpose")

// steps notes who was started and stopped, in order.
type steps struct {
	mu sync.Mutex
	s  []string
}

func (l *steps) add(what string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.s = append(l.s, what)
}

func newFake(name string, channels int, log *steps) *fake {
	return &fake{name: name, channels: channels, readings: make(chan []rig.Reading), log: log}
}

func (f *fake) Read(ctx context.Context, dst []rig.Reading) error {
	select {
	case <-ctx.Done():
		return fmt.Errorf("%s: %w", f.name, ctx.Err())
	case r := <-f.readings:
		if r == nil {
			return errBroken
		}
		copy(dst, r)
		return nil
	}
}

func (f *fake) Channels() int  { return f.channels }
func (f *fake) String() string { return f.name }
func (f *fake) Halt() error    { return nil }
func (f *fake) Start() error   { f.log.add("start " + f.name); return f.startErr }
func (f *fake) Stop() error    { f.log.add("stop " + f.name); return f.stopErr }

// give sends n readings, one every step, each 1 ms late on the one before it.
func (f *fake) give(from time.Duration, n int, step time.Duration) {
	for i := range n {
		set := make([]rig.Reading, f.channels)
		for ch := range set {
			set[ch] = rig.Reading{Elapsed: from + time.Duration(i)*step, Counts: int32(i)}
		}
		time.Sleep(step)
		f.readings <- set
	}
}

type sink struct {
	mu      sync.Mutex
	samples []rig.Sample
	fullAt  int
}

func (s *sink) Put(samples []rig.Sample) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.samples = append(s.samples, samples...)
	if s.fullAt > 0 && len(s.samples) >= s.fullAt {
		return errBroken
	}
	return nil
}

func (s *sink) of(channel int) (out []rig.Sample) {
	for _, x := range s.samples {
		if x.Channel == channel {
			out = append(out, x)
		}
	}
	return out
}

func TestRunNumbersChannelsAndGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log steps
		one, two := newFake("one", 1, &log), newFake("two", 2, &log)
		a, err := rig.NewAcquirer(one, two)
		if err != nil {
			t.Fatal(err)
		}
		if a.Channels() != 3 {
			t.Fatalf("Channels() = %d, want 3", a.Channels())
		}
		var s sink
		for run := range 3 {
			from := time.Duration(run) * 10 * time.Second
			go one.give(from, 6, time.Second) // the sixth is at from + 5 s
			go two.give(from, 11, 500*time.Millisecond)
			if err := a.Run(t.Context(), &s, rig.AcquireOptions{Until: from + 5*time.Second, LockThreads: run == 1}); err != nil {
				t.Fatal(err)
			}
		}
		for ch, want := range []int{18, 33, 33} {
			got := s.of(ch)
			if len(got) != want {
				t.Errorf("channel %d: %d samples, want %d", ch, len(got), want)
			}
			for i, x := range got {
				if x.Seq != uint64(i) {
					t.Fatalf("channel %d: sample %d has number %d", ch, i, x.Seq)
				}
			}
			c := a.Counters(ch)
			if c.Of(rig.Good) != uint64(want) || c.Readings() != uint64(want) || c.LastElapsed != 25*time.Second || c.LastGood != 25*time.Second {
				t.Errorf("channel %d: counters %+v, want %d good, the last at 25 s", ch, c, want)
			}
		}
		want := "start one, start two, stop two, stop one"
		if got := strings.Join(log.s[:4], ", "); got != want && got != "start one, start two, stop one, stop two" {
			t.Errorf("first run: %s, want both started in order, then both stopped", got)
		}
		if len(log.s) != 12 {
			t.Errorf("three runs: %d starts and stops, want 12", len(log.s))
		}
	})
}

func TestRunKeepsBadReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log steps
		f := newFake("one", 1, &log)
		a, err := rig.NewAcquirer(f)
		if err != nil {
			t.Fatal(err)
		}
		all := []rig.Quality{rig.Good, rig.Misread, rig.Stalled, rig.Absent, rig.Saturated, rig.Settling}
		go func() {
			for i, q := range all {
				f.readings <- []rig.Reading{{Elapsed: time.Duration(i+1) * time.Second, Quality: q}}
			}
		}()
		var s sink
		if err := a.Run(t.Context(), &s, rig.AcquireOptions{Until: 6 * time.Second}); err != nil {
			t.Fatal(err)
		}
		for i, x := range s.samples {
			if x.Quality != all[i] || x.Seq != uint64(i) {
				t.Errorf("sample %d: %+v, want quality %v", i, x, all[i])
			}
		}
		c := a.Counters(0)
		for _, q := range all {
			if c.Of(q) != 1 {
				t.Errorf("%d %v readings counted, want 1", c.Of(q), q)
			}
		}
		if c.LastElapsed != 6*time.Second || c.LastGood != time.Second {
			t.Errorf("last reading at %v, last good at %v; want 6 s and 1 s", c.LastElapsed, c.LastGood)
		}
		if got := (a.Counters(1).Readings()); got != 0 {
			t.Errorf("a channel that does not exist has %d readings", got)
		}
	})
}

func TestRunEnds(t *testing.T) {
	stopped := errors.New("the workshop closes")
	for _, c := range []struct {
		name string
		do   func(one, two *fake, s *sink, cancel context.CancelCauseFunc)
		want error
		says []string
	}{
		{"when a sensor fails", func(one, two *fake, s *sink, cancel context.CancelCauseFunc) {
			go one.give(0, 3, time.Second)
			go func() { time.Sleep(3500 * time.Millisecond); two.readings <- nil }()
		}, errBroken, []string{"read", "sensor 2", "two", "channels 1 to 2"}},
		{"when the sink fails", func(one, two *fake, s *sink, cancel context.CancelCauseFunc) {
			s.fullAt = 2
			go one.give(0, 2, time.Second)
		}, errBroken, []string{"sink", "sensor 1", "one", "channel 0"}},
		{"when a sensor does not start", func(one, two *fake, s *sink, cancel context.CancelCauseFunc) {
			two.startErr = errBroken
		}, errBroken, []string{"start", "sensor 2", "two"}},
		{"when a sensor does not stop", func(one, two *fake, s *sink, cancel context.CancelCauseFunc) {
			two.stopErr = errBroken
			go func() { time.Sleep(time.Second); cancel(stopped) }()
		}, errBroken, []string{"stop", "sensor 2", "two"}},
		{"with its context", func(one, two *fake, s *sink, cancel context.CancelCauseFunc) {
			go one.give(0, 2, time.Second)
			go func() { time.Sleep(5 * time.Second); cancel(stopped) }()
		}, stopped, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var log steps
				one, two := newFake("one", 1, &log), newFake("two", 2, &log)
				var s sink
				ctx, cancel := context.WithCancelCause(t.Context())
				defer cancel(nil)
				c.do(one, two, &s, cancel)
				err := rig.Acquire(ctx, []rig.Sensor{one, two}, &s, rig.AcquireOptions{})
				if !errors.Is(err, c.want) {
					t.Fatalf("got %v, want %v", err, c.want)
				}
				for _, part := range c.says {
					if !strings.Contains(err.Error(), part) {
						t.Errorf("%q does not say %q", err, part)
					}
				}
				for _, want := range []string{"stop one", "stop two"} {
					if !strings.Contains(strings.Join(log.s, ","), want) {
						t.Errorf("%v: want %q too", log.s, want)
					}
				}
			})
		})
	}
}

func TestNewAcquirerRefuses(t *testing.T) {
	var log steps
	if _, err := rig.NewAcquirer(); err == nil {
		t.Error("no sensors: no error")
	}
	if _, err := rig.NewAcquirer(newFake("one", 1, &log), nil); err == nil || !strings.Contains(err.Error(), "2 of 2") {
		t.Errorf("nil sensor: %v", err)
	}
	if _, err := rig.NewAcquirer(newFake("none", 0, &log)); err == nil || !strings.Contains(err.Error(), "none") {
		t.Errorf("sensor without channels: %v", err)
	}
	a, err := rig.NewAcquirer(newFake("one", 1, &log))
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Run(t.Context(), nil, rig.AcquireOptions{}); err == nil || !strings.Contains(err.Error(), "sink") {
		t.Errorf("nil sink: %v", err)
	}
}

func TestRunIsOneAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log steps
		a, err := rig.NewAcquirer(newFake("one", 1, &log))
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- a.Run(ctx, &sink{}, rig.AcquireOptions{}) }()
		synctest.Wait()
		if err := a.Run(t.Context(), &sink{}, rig.AcquireOptions{}); err == nil || !strings.Contains(err.Error(), "already running") {
			t.Errorf("second Run: %v, want one that says it is already running", err)
		}
		cancel()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("first Run: %v", err)
		}
	})
}

// counter is a Sensor without Starter that is always ready, to count allocations.
type counter struct{ n int }

func (c *counter) Read(_ context.Context, dst []rig.Reading) error {
	c.n++
	dst[0] = rig.Reading{Elapsed: time.Duration(c.n), Counts: int32(c.n)}
	return nil
}
func (c *counter) Channels() int  { return 1 }
func (c *counter) String() string { return "counter" }
func (c *counter) Halt() error    { return nil }

type discard struct{ n int }

func (d *discard) Put(samples []rig.Sample) error { d.n += len(samples); return nil }

func TestRunAllocatesNothingPerSample(t *testing.T) {
	s, d := &counter{}, &discard{}
	a, err := rig.NewAcquirer(s)
	if err != nil {
		t.Fatal(err)
	}
	run := func(samples int) float64 {
		return testing.AllocsPerRun(5, func() {
			if err := a.Run(t.Context(), d, rig.AcquireOptions{Until: time.Duration(s.n + samples)}); err != nil {
				t.Fatal(err)
			}
		})
	}
	// The goroutine and its buffers are made once a run; 10000 samples more add nothing.
	if few, many := run(10), run(10_010); many > few+1 {
		t.Errorf("a run of 10010 samples allocates %v times, one of 10 samples %v times", many, few)
	}
}

func BenchmarkRun(b *testing.B) {
	s, d := &counter{}, &discard{}
	a, err := rig.NewAcquirer(s)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if err := a.Run(b.Context(), d, rig.AcquireOptions{Until: time.Duration(s.n + 1000)}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(d.n)/b.Elapsed().Seconds(), "samples/s")
}

func TestSystemClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		wall := time.Now()
		c := rig.NewSystemClock()
		time.Sleep(90 * time.Second)
		if c.Now() != 90*time.Second {
			t.Errorf("after 90 s the clock says %v", c.Now())
		}
		if !c.Origin().Equal(wall) {
			t.Errorf("origin %v, want %v", c.Origin(), wall)
		}
	})
}

func TestRunOnThread(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log steps
		one, two := newFake("one", 1, &log), newFake("two", 2, &log)
		go one.give(0, 3, time.Second)
		go two.give(0, 3, time.Second)
		hook := func() error { log.add("thread"); return nil }
		o := rig.AcquireOptions{Until: 2 * time.Second, OnThread: hook}
		if err := rig.Acquire(t.Context(), []rig.Sensor{one, two}, &sink{}, o); err != nil {
			t.Fatal(err)
		}
		if got := strings.Count(strings.Join(log.s, ","), "thread"); got != 2 {
			t.Errorf("the hook ran %d times for two sensors: %v", got, log.s)
		}
		o.OnThread = func() error { return errBroken }
		err := rig.Acquire(t.Context(), []rig.Sensor{one, two}, &sink{}, o)
		if !errors.Is(err, errBroken) || !strings.Contains(err.Error(), "thread") {
			t.Errorf("a hook that fails: %v, want its error", err)
		}
		if last := log.s[len(log.s)-2:]; !strings.HasPrefix(last[0], "stop") || !strings.HasPrefix(last[1], "stop") {
			t.Errorf("after a hook that failed: %v, want both stopped", log.s)
		}
	})
}

// A panic of the sink reaches the caller of Run, after every sensor was stopped.
func TestRunRaisesAPanicInItsCaller(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := &steps{}
		a, b := newFake("a", 1, log), newFake("b", 1, log)
		acquirer, err := rig.NewAcquirer(a, b)
		if err != nil {
			t.Fatal(err)
		}
		go a.give(0, 1, time.Millisecond)
		var told any
		func() {
			defer func() { told = recover() }()
			err = acquirer.Run(t.Context(), panicking{}, rig.AcquireOptions{})
		}()
		if text, _ := told.(string); !strings.Contains(text, "a fault in the program") || !strings.Contains(text, "acquire_test.go") {
			t.Errorf("told %v, returned %v", told, err)
		}
		if len(log.s) != 4 || log.s[2] == log.s[3] {
			t.Errorf("steps %v: want both sensors stopped", log.s)
		}
	})
}

type panicking struct{}

func (panicking) Put([]rig.Sample) error { panic("a fault in the program") }
