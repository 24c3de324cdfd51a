// Package crashtest ends a recording in every ugly way and counts what is lost.
//
// A child process (recordchild) records through ingest.Recorder into a store and
// acknowledges on a pipe what the store said is kept. It is killed, or the power of
// its disk is cut (build tag powercut: a block device of our own under a real ext4).
// Then the store is opened and every acknowledged sample is compared with the one
// that was put. Samples are a function of their number, so the parent knows them
// without being told.
package crashtest

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
)

// Bench is an imagined bench; its n-th sample is always the same.
type Bench struct {
	Seed     uint64
	Channels int
	PerS     int // samples of each channel in a second
}

// Rig lists the bench's channels.
func (b Bench) Rig() []rig.Channel {
	out := make([]rig.Channel, b.Channels)
	for i := range out {
		out[i] = rig.Channel{Name: fmt.Sprintf("tube%d", i+1), CapacityML: 100}
	}
	return out
}

// Sample returns the n-th sample that the bench gives, channel by channel in turn: a
// cell of 150 counts rms under a steady flow, found ready 20 to 100 us late, now and
// then without a value. It is as hard to compress as a real one.
func (b Bench) Sample(n int) rig.Sample {
	ch, i := n%b.Channels, n/b.Channels
	h := mix(mix(b.Seed+uint64(ch)) + uint64(i))
	late := time.Duration(20_000 + h%80_000)
	period := time.Second / time.Duration(b.PerS)
	s := rig.Sample{Channel: ch, Seq: uint64(i), Reading: rig.Reading{
		Elapsed: time.Duration(i)*period + late + time.Duration(ch)*period/time.Duration(b.Channels),
	}}
	if h>>32%5000 == 0 {
		s.Quality = rig.Stalled
		return s
	}
	// Box and Muller's transform: two even numbers give a normal one.
	u1, u2 := float64(mix(h+1)>>11+1)/(1<<53), float64(mix(h+2)>>11)/(1<<53)
	noise := 150 * math.Sqrt(-2*math.Log(u1)) * math.Cos(2*math.Pi*u2)
	// 800 counts/s is some 20 mL/min on a usual cell; it wraps long before 24 bits do.
	s.Counts = int32(81234 + float64(i%(b.PerS*600))*800/float64(b.PerS) + noise)
	return s
}

// mix is splitmix64 (Steele, Lea and Flood, 2014): every number gets another one that
// looks drawn at random.
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// Stored is what a store gives back for s: elapsed time to the microsecond.
func Stored(s rig.Sample) rig.Sample {
	s.Elapsed = s.Elapsed.Round(time.Microsecond)
	return s
}

// Acked is what a child acknowledged of one boot.
type Acked struct {
	BootID  int64
	Bench   Bench
	Samples int // the first so many
	Events  int // the first so many

	// Of a child that was paced:
	LateMS int // how far behind a real bench it was at its end
	Waits  int // how often the recorder let it wait for the store
}

// The lines that a child writes, each in one call so that none comes in half.
const (
	bootLine  = "boot %d %d %d %d\n" // id, seed, channels, per second
	keptLine  = "kept %d\n"
	eventLine = "event %d\n"
	pacedLine = "late %d ms, waited %d times\n" // when it was paced, at its end
)

// ParseAcks reads what a child wrote before it ended. ok is false when it did not get
// as far as a boot.
func ParseAcks(out []byte) (a Acked, ok bool, err error) {
	for sc := bufio.NewScanner(bytes.NewReader(out)); sc.Scan(); {
		line := sc.Text() + "\n"
		var id int64
		var b Bench
		var n int
		if _, err := fmt.Sscanf(line, bootLine, &id, &b.Seed, &b.Channels, &b.PerS); err == nil {
			a.BootID, a.Bench, ok = id, b, true
		} else if _, err := fmt.Sscanf(line, keptLine, &n); err == nil {
			a.Samples = n
		} else if _, err := fmt.Sscanf(line, eventLine, &n); err == nil {
			a.Events = n
		} else if _, err := fmt.Sscanf(line, pacedLine, &a.LateMS, &a.Waits); err == nil {
			continue
		} else {
			return a, ok, fmt.Errorf("a child's line %q is none of its words", line)
		}
	}
	return a, ok, nil
}

// Count is what came of acknowledged samples and events.
type Count struct {
	Samples, Lost      int // acknowledged, and of these missing or with other values
	Events, LostEvents int
	Beyond             int // whole and right, but not yet acknowledged: that is allowed
}

// Add sums counts.
func (c *Count) Add(d Count) {
	c.Samples += d.Samples
	c.Lost += d.Lost
	c.Events += d.Events
	c.LostEvents += d.LostEvents
	c.Beyond += d.Beyond
}

// Check compares a store sample by sample with what was acknowledged of a boot. Lost
// ones are counted; an error is what may not be whatever was lost: a sample that was
// never put, or half a batch.
func Check(ctx context.Context, r *store.Reader, a Acked) (Count, error) {
	c := Count{Samples: a.Samples, Events: a.Events}
	first := -1
	for ch, channel := range a.Bench.Rig() {
		want := (a.Samples - ch + a.Bench.Channels - 1) / a.Bench.Channels
		got, err := r.Samples(ctx, a.BootID, channel.Name, 0, store.End)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return c, err
		}
		for i, s := range got {
			if put := Stored(a.Bench.Sample(i*a.Bench.Channels + ch)); s != put {
				if i < want {
					c.Lost++
				}
				return c, fmt.Errorf("boot %d, %s, sample %d: the store has %+v, put was %+v", a.BootID, channel.Name, i, s, put)
			}
		}
		c.Lost += max(0, want-len(got))
		c.Beyond += max(0, len(got)-want)
		if first < 0 {
			first = len(got)
		}
		// The child puts one sample of every channel at a time.
		if len(got) != first {
			return c, fmt.Errorf("boot %d: %s has %d samples, tube1 has %d: half a batch was kept", a.BootID, channel.Name, len(got), first)
		}
	}
	events, err := eventsOf(ctx, r, a.BootID)
	if err != nil {
		return c, err
	}
	for n := range a.Events {
		if !events[n+1] {
			c.LostEvents++
		}
	}
	return c, nil
}

// eventsOf returns the numbers of the events that a boot's child kept.
func eventsOf(ctx context.Context, r *store.Reader, bootID int64) (map[int]bool, error) {
	out := map[int]bool{}
	engine, err := r.Engine(ctx, engineLabel)
	if errors.Is(err, store.ErrNotFound) {
		return out, nil
	} else if err != nil {
		return nil, err
	}
	events, err := r.Events(ctx, engine.ID)
	if err != nil {
		return nil, err
	}
	for _, e := range events {
		if e.Odometer == float64(bootID) {
			out[int(e.Amount)] = true
		}
	}
	return out, nil
}

const engineLabel = "killed engine"

// RecordOptions are for Record.
type RecordOptions struct {
	Bench   Bench
	Early   bool // acknowledge before the store is asked: a control that must lose
	Samples int  // end in good order after so many; 0: never
	Paced   bool // no faster than a real bench gives them
}

// Record is what the child does: it opens the store, begins a boot and records as fast
// as the store takes it, with an event every few commits from another goroutine, as a
// daemon's page would. It acknowledges with say, after the store did.
func Record(ctx context.Context, path string, opt RecordOptions, say func(line string)) (err error) {
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	boot, err := s.NewBoot(ctx, time.Date(2024, 5, 1, 8, 0, 0, 0, time.UTC), opt.Bench.Rig())
	if err != nil {
		return err
	}
	say(fmt.Sprintf(bootLine, boot.ID, opt.Bench.Seed, opt.Bench.Channels, opt.Bench.PerS))
	engine, err := s.Engine(ctx, engineLabel)
	if errors.Is(err, store.ErrNotFound) {
		engine = ingest.Engine{Label: engineLabel, Injectors: 4, DistanceUnit: "km", InjectorType: "solenoid"}
		engine.ID, err = s.AddEngine(ctx, engine)
	}
	if err != nil {
		return err
	}

	a := &acknowledging{Store: s, early: opt.Early, say: say, commits: make(chan int, 1)}
	noted := make(chan error, 1)
	go func() {
		var err error
		for n := 1; err == nil; n++ {
			if _, more := <-a.commits; !more {
				break
			}
			e := ingest.Event{EngineID: engine.ID, Kind: "repair", What: "a line of the book", Amount: float64(n), Odometer: float64(boot.ID), At: boot.Wall}
			if opt.Early {
				say(fmt.Sprintf(eventLine, n))
			}
			if _, err = s.AddEvent(ctx, e); err == nil && !opt.Early {
				say(fmt.Sprintf(eventLine, n))
			}
		}
		noted <- err
	}()

	// Little may wait, so that batches stay near a second's worth, as on a real bench.
	rec := ingest.NewRecorder(a, boot.ID, ingest.RecorderOptions{MaxSamples: 2 * opt.Bench.Channels * opt.Bench.PerS})
	batch := make([]rig.Sample, opt.Bench.Channels)
	begun := time.Now()
	for n := 0; (opt.Samples == 0 || n < opt.Samples) && err == nil && ctx.Err() == nil; n += len(batch) {
		for i := range batch {
			batch[i] = opt.Bench.Sample(n + i)
		}
		if opt.Paced {
			time.Sleep(time.Until(begun.Add(batch[0].Elapsed)))
		}
		err = rec.Put(batch)
	}
	late := time.Since(begun) - batch[0].Elapsed
	err = errors.Join(err, rec.Close())
	close(a.commits)
	if opt.Paced && err == nil {
		say(fmt.Sprintf(pacedLine, late.Milliseconds(), rec.Stats().Waits))
	}
	return errors.Join(err, <-noted)
}

// acknowledging says what a store has kept, once it has.
type acknowledging struct {
	*store.Store
	early   bool
	say     func(string)
	commits chan int // an event is due
	kept    int
	n       int
}

// Append implements ingest.Appender.
func (a *acknowledging) Append(ctx context.Context, bootID int64, samples []rig.Sample) error {
	if a.early {
		a.say(fmt.Sprintf(keptLine, a.kept+len(samples)))
	}
	if err := a.Store.Append(ctx, bootID, samples); err != nil {
		return err
	}
	a.kept += len(samples)
	if !a.early {
		a.say(fmt.Sprintf(keptLine, a.kept))
	}
	if a.n++; a.n%5 == 0 {
		select {
		case a.commits <- a.n:
		default:
		}
	}
	return nil
}
