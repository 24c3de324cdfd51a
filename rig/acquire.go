package rig

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"
)

// Starter is a Sensor with something to do before the first and after the last
// Read of an acquisition, such as asking for interrupts and giving them up. An
// Acquirer starts its sensors one after another before it reads any of them, and
// stops each when it reads it no more. Stop keeps the converters powered; Start
// may follow it. Starting what is started, or stopping what is stopped, does nothing.
type Starter interface {
	Start() error
	Stop() error
}

// AcquireOptions shape one acquisition; the zero value reads until the context ends.
type AcquireOptions struct {
	// Until ends a sensor's reading with its first set of readings at or after
	// this elapsed time, which is still put into the sink. 0: no such end.
	Until time.Duration
	// LockThreads gives each sensor's goroutine a thread of its own, so that a
	// real-time priority can be given to it. Of no use with simulated sensors.
	LockThreads bool
	// OnThread, if set, is called on each sensor's own thread before its first reading,
	// to give that thread a priority and the like; it implies LockThreads. An error ends
	// the acquisition: what is merely refused is for the hook to tell and let pass.
	OnThread func() error
}

// Acquirer reads sensors into a sink, run after run. It numbers the channels
// across its sensors in order (a sensor of two channels after one of one channel
// has channels 1 and 2), and each channel's samples from 0 on, through all runs.
//
// One Run at a time; Counters may be called at any time from any goroutine.
type Acquirer struct {
	sensors []Sensor
	first   []int    // first[i] is sensor i's first channel
	seq     []uint64 // next number of each channel; touched by its sensor's goroutine only
	counts  []channelCounts
	running atomic.Bool
}

// NewAcquirer returns an Acquirer of the sensors. It does not touch them.
func NewAcquirer(sensors ...Sensor) (*Acquirer, error) {
	if len(sensors) == 0 {
		return nil, errors.New("acquire: no sensors given: name at least one channel in the config")
	}
	a := &Acquirer{sensors: sensors}
	channels := 0
	for i, s := range sensors {
		if s == nil {
			return nil, fmt.Errorf("acquire: sensor %d of %d is nil: it was not opened", i+1, len(sensors))
		}
		n := s.Channels()
		if n < 1 {
			return nil, fmt.Errorf("acquire: sensor %d (%v) has %d channels, at least 1 is needed", i+1, s, n)
		}
		a.first = append(a.first, channels)
		channels += n
	}
	a.seq = make([]uint64, channels)
	a.counts = make([]channelCounts, channels)
	return a, nil
}

// Acquire is one Run of a new Acquirer: numbers start at 0.
func Acquire(ctx context.Context, sensors []Sensor, sink Sink, o AcquireOptions) error {
	a, err := NewAcquirer(sensors...)
	if err != nil {
		return err
	}
	return a.Run(ctx, sink, o)
}

// Channels returns how many channels the sensors have together.
func (a *Acquirer) Channels() int { return len(a.seq) }

// Run reads every sensor in a goroutine of its own and puts each set of readings
// into the sink, bad ones like good ones, until
//
//   - every sensor's reading has passed o.Until: it returns nil;
//   - ctx ends: it returns ctx's cause;
//   - a sensor or the sink fails: it returns that first error, naming the sensor.
//
// In each case all sensors are stopped (see Starter) and no goroutine is left when
// it returns. It allocates nothing per sample. A panic of a sensor or of the sink is
// raised again here, once every sensor is stopped, so that what the caller deferred
// runs: valves are released, the store is closed.
func (a *Acquirer) Run(ctx context.Context, sink Sink, o AcquireOptions) error {
	if sink == nil {
		return errors.New("acquire: no sink given: samples would be lost")
	}
	if !a.running.CompareAndSwap(false, true) {
		return errors.New("acquire: already running: an Acquirer does one run at a time")
	}
	defer a.running.Store(false)

	for i, s := range a.sensors {
		st, ok := s.(Starter)
		if !ok {
			continue
		}
		if err := st.Start(); err != nil {
			// What failed to start may be half started: stop it too.
			for j := range i + 1 {
				err = errors.Join(err, a.stop(j))
			}
			return a.wrap(i, "start", err)
		}
	}

	inner, cancel := context.WithCancel(ctx)
	defer cancel()
	var (
		wg       sync.WaitGroup
		once     sync.Once
		first    error
		panicked atomic.Pointer[string]
	)
	fail := func(err error) {
		once.Do(func() { first = err })
		cancel()
	}
	for i := range a.sensors {
		wg.Go(func() {
			if o.LockThreads || o.OnThread != nil {
				// Never unlocked: the thread ends with this goroutine, and nothing else
				// inherits what OnThread gave it.
				runtime.LockOSThread()
			}
			// Deferred, so that a sensor is stopped even if the sink ends the goroutine.
			defer func() {
				if err := a.stop(i); err != nil {
					fail(a.wrap(i, "stop", err))
				}
			}()
			defer func() {
				if p := recover(); p != nil {
					told := fmt.Sprintf("%v\n\n%s", p, debug.Stack())
					panicked.CompareAndSwap(nil, &told)
					cancel()
				}
			}()
			if o.OnThread != nil {
				if err := o.OnThread(); err != nil {
					fail(a.wrap(i, "make its thread ready", err))
					return
				}
			}
			if err := a.read(inner, i, sink, o.Until); err != nil {
				fail(err)
			}
		})
	}
	wg.Wait()
	if told := panicked.Load(); told != nil {
		panic(*told)
	}
	if first != nil {
		return first
	}
	if ctx.Err() != nil && !a.passed(o.Until) {
		return context.Cause(ctx)
	}
	return nil
}

// read is the loop of sensor i. It returns nil at the context's end too: the end
// is the caller's to tell, and is no sensor's fault.
func (a *Acquirer) read(ctx context.Context, i int, sink Sink, until time.Duration) error {
	s := a.sensors[i]
	n := s.Channels()
	first := a.first[i]
	readings := make([]Reading, n)
	samples := make([]Sample, n)
	for {
		if err := s.Read(ctx, readings); err != nil {
			if ctx.Err() != nil && (errors.Is(err, ctx.Err()) || errors.Is(err, context.Cause(ctx))) {
				return nil
			}
			return a.wrap(i, "read", err)
		}
		done := until > 0
		for k := range readings {
			ch := first + k
			samples[k] = Sample{Channel: ch, Seq: a.seq[ch], Reading: readings[k]}
			a.seq[ch]++
			a.counts[ch].add(readings[k])
			done = done && readings[k].Elapsed >= until
		}
		if err := sink.Put(samples); err != nil {
			return a.wrap(i, "put a sample into the sink", err)
		}
		if done {
			return nil
		}
	}
}

// passed reports whether every channel's last reading has passed until.
func (a *Acquirer) passed(until time.Duration) bool {
	if until <= 0 {
		return false
	}
	for ch := range a.counts {
		if time.Duration(a.counts[ch].elapsed.Load()) < until {
			return false
		}
	}
	return true
}

func (a *Acquirer) stop(i int) error {
	if st, ok := a.sensors[i].(Starter); ok {
		return st.Stop()
	}
	return nil
}

func (a *Acquirer) wrap(i int, what string, err error) error {
	channels := fmt.Sprintf("channel %d", a.first[i])
	if n := a.sensors[i].Channels(); n > 1 {
		channels = fmt.Sprintf("channels %d to %d", a.first[i], a.first[i]+n-1)
	}
	return fmt.Errorf("acquire: %s: sensor %d (%v, %s): %w", what, i+1, a.sensors[i], channels, err)
}

// Counters is what a channel has given since its Acquirer was made.
type Counters struct {
	ByQuality   [qualities]uint64 // readings of each Quality
	LastElapsed time.Duration     // of the newest reading; 0 before the first
	LastGood    time.Duration     // of the newest Good reading; 0 before the first
}

// Of returns how many readings had quality q.
func (c Counters) Of(q Quality) uint64 {
	if q >= qualities {
		return 0
	}
	return c.ByQuality[q]
}

// Readings returns how many readings there were, bad ones included.
func (c Counters) Readings() uint64 {
	var n uint64
	for _, k := range c.ByQuality {
		n += k
	}
	return n
}

// Counters returns the counters of a channel, for a live view: each number is whole,
// but a reading that comes in meanwhile may be in one and not yet in another. A
// channel that does not exist has none.
func (a *Acquirer) Counters(channel int) Counters {
	if channel < 0 || channel >= len(a.counts) {
		return Counters{}
	}
	k := &a.counts[channel]
	var c Counters
	for q := range c.ByQuality {
		c.ByQuality[q] = k.quality[q].Load()
	}
	c.LastElapsed = time.Duration(k.elapsed.Load())
	c.LastGood = time.Duration(k.good.Load())
	return c
}

// Events returns what the sensors have to tell since it was last called, with the
// channels numbered as samples are. Any goroutine may call it.
func (a *Acquirer) Events() []Event {
	var out []Event
	for i, s := range a.sensors {
		t, ok := s.(Teller)
		if !ok {
			continue
		}
		for _, e := range t.Events() {
			e.Channel += a.first[i]
			out = append(out, e)
		}
	}
	return out
}

type channelCounts struct {
	quality       [qualities]atomic.Uint64
	elapsed, good atomic.Int64
}

func (k *channelCounts) add(r Reading) {
	if r.Quality < qualities {
		k.quality[r.Quality].Add(1)
	}
	k.elapsed.Store(int64(r.Elapsed))
	if r.Quality == Good {
		k.good.Store(int64(r.Elapsed))
	}
}
