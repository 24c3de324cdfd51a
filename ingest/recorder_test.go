package ingest

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"brimline/rig"
)

// shelf is an Appender in memory that can be slow, or fail.
type shelf struct {
	mu      sync.Mutex
	delay   time.Duration
	err     error
	batches [][]rig.Sample
}

func (s *shelf) Append(_ context.Context, _ int64, samples []rig.Sample) error {
	s.mu.Lock()
	delay, err := s.delay, s.err
	s.mu.Unlock()
	time.Sleep(delay)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.batches = append(s.batches, slices.Clone(samples))
	return nil
}

func (s *shelf) set(delay time.Duration, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.delay, s.err = delay, err
}

// all returns the samples in the order they were kept, and the number of batches.
func (s *shelf) all() ([]rig.Sample, int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Concat(s.batches...), len(s.batches)
}

// reading is reading i of an 80 SPS channel.
func reading(channel, i int) rig.Sample {
	return rig.Sample{Channel: channel, Seq: uint64(i), Reading: rig.Reading{Elapsed: time.Duration(i) * 12500 * time.Microsecond, Counts: int32(i)}}
}

func TestRecorderHandsOverEachIntervalOfElapsedTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &shelf{}
		r := NewRecorder(store, 1, RecorderOptions{})
		began := time.Now()
		for i := range 800 { // 10 s of elapsed time in no wall time at all
			if err := r.Put([]rig.Sample{reading(0, i)}); err != nil {
				t.Fatal(err)
			}
			synctest.Wait()
		}
		if got, batches := store.all(); len(got) != 9*81 || batches != 9 {
			t.Errorf("%d samples in %d batches after 10 s at 80 SPS, want 9 batches of 81", len(got), batches)
		}
		if time.Since(began) != 0 {
			t.Errorf("took %v of wall time", time.Since(began))
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		got, _ := store.all()
		for i, s := range got {
			if s != reading(0, i) {
				t.Fatalf("sample %d is %+v", i, s)
			}
		}
		if want := (RecorderStats{Put: 800, Kept: 800, Commits: 10}); r.Stats() != want || len(got) != 800 {
			t.Errorf("%d kept, stats %+v, want %+v", len(got), r.Stats(), want)
		}
	})
}

func TestRecorderHandsOverByTheWallClockWhenSamplesAreRare(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &shelf{}
		r := NewRecorder(store, 1, RecorderOptions{Interval: 5 * time.Second})
		defer r.Close()
		if err := r.Put([]rig.Sample{reading(0, 0)}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(4999 * time.Millisecond)
		synctest.Wait()
		if got, _ := store.all(); len(got) != 0 {
			t.Error("handed over before the interval was up")
		}
		time.Sleep(time.Millisecond)
		synctest.Wait()
		if got, _ := store.all(); len(got) != 1 {
			t.Error("not handed over when the interval was up")
		}
		time.Sleep(time.Hour)
		synctest.Wait()
		if _, batches := store.all(); batches != 1 {
			t.Errorf("%d batches for one sample", batches)
		}
	})
}

func TestRecorderPutByManyKeepsEachChannelsOrder(t *testing.T) {
	store := &shelf{}
	r := NewRecorder(store, 1, RecorderOptions{MaxSamples: 100})
	const channels, each = 6, 2000
	var wg sync.WaitGroup
	for c := range channels {
		wg.Go(func() {
			buf := make([]rig.Sample, 1)
			for i := range each {
				buf[0] = reading(c, i)
				if err := r.Put(buf); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
	if err := r.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	got, _ := store.all()
	next := [channels]int{}
	for _, s := range got {
		if s != reading(s.Channel, next[s.Channel]) {
			t.Fatalf("channel %d: %+v comes after %d samples", s.Channel, s, next[s.Channel])
		}
		next[s.Channel]++
	}
	if len(got) != channels*each {
		t.Errorf("%d samples kept of %d", len(got), channels*each)
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	if err := r.Put([]rig.Sample{reading(0, 0)}); !errors.Is(err, errClosed) {
		t.Errorf("Put after Close: %v", err)
	}
	if err := r.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
}

func TestRecorderRidesOutAStallAndThenWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &shelf{delay: 70 * time.Second}
		r := NewRecorder(store, 1, RecorderOptions{})
		batch := make([]rig.Sample, 12)
		began := time.Now()
		put := 0
		for ; r.Stats().Waits == 0; put++ { // 12 channels at 320 SPS in real time
			for c := range batch {
				batch[c] = rig.Sample{Channel: c, Seq: uint64(put), Reading: rig.Reading{Elapsed: time.Since(began)}}
			}
			if err := r.Put(batch); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Second / 320)
		}
		if put*12 != 60*12*320+12 {
			t.Errorf("held %d samples before Put waited, want 60 s of 12 x 320 and the one that waited", put*12)
		}
		if held := time.Since(began); held < 70*time.Second {
			t.Errorf("Put came back after %v, before the store did", held)
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		if got, _ := store.all(); len(got) != put*12 {
			t.Errorf("%d kept of %d", len(got), put*12)
		}
	})
}

func TestRecorderSaysWhatWasNotKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &shelf{}
		r := NewRecorder(store, 1, RecorderOptions{})
		full := errors.New("no space left")
		put := func(from, to int) (err error) {
			for i := from; i < to && err == nil; i++ {
				err = r.Put([]rig.Sample{reading(0, i)})
			}
			return err
		}
		if err := put(0, 80); err != nil {
			t.Fatal(err)
		}
		if err := r.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		store.set(time.Second, full)
		if err := put(80, 240); err != nil { // 81 go to the store, the rest waits behind them
			t.Fatal(err)
		}
		time.Sleep(1500 * time.Millisecond)
		err := put(240, 241)
		var not *NotKeptError
		if !errors.As(err, &not) || !errors.Is(err, full) {
			t.Fatalf("Put on a full store: %v", err)
		}
		ms := time.Millisecond
		if not.Kept != 80 || not.KeptTo != 79*12500*time.Microsecond || not.NotKept != 160 || not.From != 1000*ms || not.To != 239*12500*time.Microsecond {
			t.Errorf("got %+v", *not)
		}
		if want := "record samples: 80 kept, to elapsed 0.988 s; 160 not kept, elapsed 1.000 to 2.987 s: no space left"; err.Error() != want {
			t.Errorf("got  %s\nwant %s", err, want)
		}
		if err := r.Flush(t.Context()); !errors.Is(err, full) {
			t.Errorf("Flush on a full store: %v", err)
		}
		store.set(0, nil) // space was freed
		if err := r.Flush(t.Context()); err != nil {
			t.Errorf("Flush after space was freed: %v", err)
		}
		if err := put(240, 400); err != nil {
			t.Errorf("Put after space was freed: %v", err)
		}
		store.set(0, full)
		err = r.Close()
		if !errors.As(err, &not) || not.Kept+not.NotKept != 400 {
			t.Errorf("Close on a full store: %v", err)
		}
		if again := r.Close(); again == nil || again.Error() != err.Error() {
			t.Errorf("second Close: %v", again)
		}
		if err := r.Flush(t.Context()); !errors.Is(err, full) {
			t.Errorf("Flush after a failed Close: %v", err)
		}
		got, _ := store.all()
		for i, s := range got {
			if s != reading(0, i) {
				t.Fatalf("sample %d is %+v: doubled or out of order", i, s)
			}
		}
		if uint64(len(got)) != not.Kept {
			t.Errorf("%d kept, the error says %d", len(got), not.Kept)
		}
	})
}

// What is with the store when Close or Flush is called, and is refused, gets its second
// try too.
func TestRecorderTriesAgainWhatWasUnderWay(t *testing.T) {
	for name, end := range map[string]func(r *Recorder) error{
		"Close": (*Recorder).Close,
		"Flush": func(r *Recorder) error { return r.Flush(context.Background()) },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				store := &shelf{delay: time.Second, err: errors.New("locked for a moment")}
				r := NewRecorder(store, 1, RecorderOptions{})
				defer r.Close()
				for i := range 100 { // over 1 s: the first 81 are handed over
					if err := r.Put([]rig.Sample{reading(0, i)}); err != nil {
						t.Fatal(err)
					}
				}
				synctest.Wait()
				store.set(0, nil) // the call under way fails all the same
				if err := end(r); err != nil {
					t.Error(err)
				}
				if got, _ := store.all(); len(got) != 100 {
					t.Errorf("%d samples kept, want 100", len(got))
				}
			})
		})
	}
}

func TestRecorderFlushHeedsItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := NewRecorder(&shelf{delay: time.Minute}, 1, RecorderOptions{})
		if err := r.Put([]rig.Sample{reading(0, 0)}); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		err := r.Flush(ctx)
		if !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "0 of 1") {
			t.Errorf("got %v", err)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestHubNeverWaits(t *testing.T) {
	var hub Hub
	hub.Publish([]rig.Sample{reading(0, 0)}) // to nobody
	slow, quick := hub.Subscribe(4), hub.Subscribe(100)
	r := NewRecorder(&shelf{}, 1, RecorderOptions{Hub: &hub})
	defer r.Close()
	buf := make([]rig.Sample, 2)
	for i := range 10 {
		buf[0], buf[1] = reading(0, i), reading(1, i)
		if err := r.Put(buf); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 10 {
		if got := <-quick.C; got[0] != reading(0, i) || got[1] != reading(1, i) {
			t.Errorf("batch %d is %v", i, got)
		}
	}
	if quick.Lost() != 0 || slow.Lost() != 12 {
		t.Errorf("quick lost %d, slow lost %d, want 0 and 12", quick.Lost(), slow.Lost())
	}
	if got := <-slow.C; got[0] != reading(0, 6) {
		t.Errorf("the slow one's first is %v, want the newest four", got)
	}
	slow.Close()
	slow.Close()
	for range slow.C { // what was waiting, then the end
	}
	hub.Publish(buf)
	if got := <-quick.C; len(got) != 2 {
		t.Errorf("after the other left: %v", got)
	}
	quick.Close()
}

// BenchmarkRecorderPut is the cost to acquisition of handing over one sample.
func BenchmarkRecorderPut(b *testing.B) {
	r := NewRecorder(nowhere{}, 1, RecorderOptions{Hub: &Hub{}})
	defer r.Close()
	buf := make([]rig.Sample, 1)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		buf[0] = reading(0, i)
		if err := r.Put(buf); err != nil {
			b.Fatal(err)
		}
		i++
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "samples/s")
}

type nowhere struct{}

func (nowhere) Append(context.Context, int64, []rig.Sample) error { return nil }
