package ingest

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"brimline/rig"
)

// Appender is what a Recorder needs of a store.
type Appender interface {
	// Append makes samples of a boot durable, all or none: when it returns nil they
	// survive the end of the process and of the power. It must not keep the slice.
	// A Recorder calls it from one goroutine at a time.
	Append(ctx context.Context, bootID int64, samples []rig.Sample) error
}

// RecorderOptions are for NewRecorder; the zero value is right for a run.
type RecorderOptions struct {
	// Interval is how much is at risk: samples are handed to the store once the
	// waiting ones span this much elapsed time, and at the latest when the oldest
	// has waited this long by the wall clock. On a simulated bench, whose elapsed
	// time runs ahead of the wall clock, the first rule acts; on a slow or silent
	// bench the second. Default 1 s.
	Interval time.Duration

	// MaxSamples is how many samples may wait in memory, 32 bytes each. Default
	// 230,400 (7 MB): 60 s of 12 channels at 320 samples/s, 12 minutes of 4 at 80.
	MaxSamples int

	// Hub, when given, is handed every sample at once, before it is durable.
	Hub *Hub
}

// Recorder is a rig.Sink that puts samples into a store. It gathers them in
// memory and hands them over batch by batch from a goroutine of its own, so that
// acquisition does not wait for the disk.
//
// When the store falls behind by MaxSamples, Put waits for it. A simulated bench
// then simply runs slower. A real bench stops reading: its converters go on, the
// conversions of that time are lost, and the next reading's elapsed time shows the
// gap. Memory cards stall for seconds, the default bound lasts a minute or more.
//
// When the store fails, what it took before is safe and what waits stays in
// memory: Put refuses further samples, and Flush and Close try the waiting ones
// once more.
type Recorder struct {
	store Appender
	boot  int64
	opt   RecorderOptions

	mu      sync.Mutex
	changed sync.Cond     // any change of the fields below that someone may wait for
	waiting []rig.Sample  // put, not yet with the store
	writing []rig.Sample  // with the store, or refused by it
	spare   []rig.Sample  // the memory of the batch before
	oldest  time.Duration // least and greatest elapsed time of waiting
	newest  time.Duration
	keptTo  time.Duration // greatest elapsed time that the store took
	upTo    uint64        // hand over until this many are kept, whatever they span
	busy    bool          // the store is being called
	failed  error         // the store's last answer
	retry   bool          // ask a store that has failed once more
	closing bool
	gone    bool // the writer has ended
	stats   RecorderStats

	timer *time.Timer   // fires when the oldest waiting sample has waited Interval
	ended chan struct{} // closed when the writer has ended
}

// RecorderStats counts samples since the Recorder was made.
type RecorderStats struct {
	Put     uint64 // taken by Put
	Kept    uint64 // of these, durable
	Waits   uint64 // calls of Put that had to wait for the store
	Commits uint64 // batches that the store took
}

// NotKeptError says what a store did not take, and what it did.
type NotKeptError struct {
	Kept    uint64        // samples that are durable
	KeptTo  time.Duration // greatest elapsed time among them
	NotKept uint64        // samples that wait in memory, and are lost if the process ends
	From    time.Duration // least and greatest elapsed time among them
	To      time.Duration
	Err     error // the store's
}

func (e *NotKeptError) Error() string {
	kept := "none kept"
	if e.Kept > 0 {
		kept = fmt.Sprintf("%d kept, to elapsed %.3f s", e.Kept, e.KeptTo.Seconds())
	}
	return fmt.Sprintf("record samples: %s; %d not kept, elapsed %.3f to %.3f s: %v",
		kept, e.NotKept, e.From.Seconds(), e.To.Seconds(), e.Err)
}

// Unwrap gives the store's error.
func (e *NotKeptError) Unwrap() error { return e.Err }

var errClosed = errors.New("record samples: the recorder is closed: make a new one")

// NewRecorder makes a Recorder into a store for one boot. Close ends it.
func NewRecorder(store Appender, bootID int64, opt RecorderOptions) *Recorder {
	if opt.Interval <= 0 {
		opt.Interval = time.Second
	}
	if opt.MaxSamples <= 0 {
		opt.MaxSamples = 60 * 12 * 320
	}
	r := &Recorder{store: store, boot: bootID, opt: opt, ended: make(chan struct{})}
	r.changed.L = &r.mu
	r.timer = time.AfterFunc(opt.Interval, func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.handOver()
	})
	r.timer.Stop()
	go r.write()
	return r
}

// handOver asks the writer for everything put so far.
func (r *Recorder) handOver() {
	r.upTo = r.stats.Put
	r.changed.Broadcast()
}

// Put takes samples; it copies them. They are durable within Interval, or when a
// later Flush or Close returns nil. An error means that these samples were not
// taken: the store has failed (a *NotKeptError) or the Recorder is closed.
func (r *Recorder) Put(samples []rig.Sample) error {
	if len(samples) == 0 {
		return nil
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	for waited := false; r.held() > 0 && r.held()+len(samples) > r.opt.MaxSamples && r.failed == nil && !r.closing; {
		if !waited {
			waited = true
			r.stats.Waits++
		}
		r.handOver()
		r.changed.Wait()
	}
	if r.closing {
		return errClosed
	}
	if r.failed != nil {
		return r.notKept()
	}
	if len(r.waiting) == 0 {
		r.oldest, r.newest = samples[0].Elapsed, samples[0].Elapsed
		r.timer.Reset(r.opt.Interval)
	}
	for _, s := range samples {
		r.oldest, r.newest = min(r.oldest, s.Elapsed), max(r.newest, s.Elapsed)
	}
	r.waiting = append(r.waiting, samples...)
	r.stats.Put += uint64(len(samples))
	if r.hasWork() {
		r.changed.Broadcast()
	}
	if r.opt.Hub != nil {
		r.opt.Hub.Publish(samples)
	}
	return nil
}

func (r *Recorder) held() int { return len(r.waiting) + len(r.writing) }

// hasWork reports whether the writer should call the store now.
func (r *Recorder) hasWork() bool {
	if r.failed != nil {
		return r.retry
	}
	return r.stats.Kept < r.upTo || len(r.waiting) > 0 && r.newest-r.oldest >= r.opt.Interval
}

// write hands batches to the store until the Recorder is closed.
func (r *Recorder) write() {
	defer close(r.ended)
	r.mu.Lock()
	defer r.mu.Unlock()
	for {
		for !r.hasWork() {
			if r.closing {
				r.gone = true
				r.changed.Broadcast()
				return
			}
			r.changed.Wait()
		}
		// A batch that was refused goes again first and as it was, so that no sample
		// is doubled or out of order.
		if len(r.writing) == 0 {
			r.writing, r.waiting = r.waiting, r.spare[:0]
			r.timer.Stop()
		}
		batch := r.writing
		r.retry, r.busy = false, true
		r.mu.Unlock()
		err := r.store.Append(context.Background(), r.boot, batch)
		r.mu.Lock()
		r.failed, r.busy = err, false
		if err == nil {
			_, last := span(batch)
			if r.stats.Kept == 0 {
				r.keptTo = last
			}
			r.keptTo = max(r.keptTo, last)
			r.stats.Kept += uint64(len(batch))
			r.stats.Commits++
			r.writing, r.spare = nil, batch
		}
		r.changed.Broadcast()
	}
}

// Flush returns nil when all samples put before it are durable. After a failure it
// asks the store once more. The error is the context's, or a *NotKeptError.
func (r *Recorder) Flush(ctx context.Context) error {
	stop := context.AfterFunc(ctx, func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.changed.Broadcast()
	})
	defer stop()
	r.mu.Lock()
	defer r.mu.Unlock()
	target := r.stats.Put
	r.askAgain()
	for r.stats.Kept < target {
		if r.failed != nil && !r.retry && !r.busy || r.gone {
			return r.notKept()
		}
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("flush samples: %d of %d are durable: %w", r.stats.Kept, target, err)
		}
		r.changed.Wait()
	}
	return nil
}

// askAgain hands everything over. A store that has failed, or may be about to, is
// asked once more.
func (r *Recorder) askAgain() {
	r.retry = (r.failed != nil || r.busy) && !r.gone
	r.handOver()
}

// Close makes all samples durable and ends the Recorder; the store stays open. The
// error is a *NotKeptError. A second Close gives the same answer.
func (r *Recorder) Close() error {
	r.mu.Lock()
	r.closing = true
	r.askAgain()
	r.mu.Unlock()
	<-r.ended
	r.timer.Stop()
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.held() > 0 {
		return r.notKept()
	}
	return nil
}

// Stats returns the counts so far.
func (r *Recorder) Stats() RecorderStats {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.stats
}

// notKept is the error for what is held now.
func (r *Recorder) notKept() error {
	e := &NotKeptError{Kept: r.stats.Kept, KeptTo: r.keptTo, NotKept: uint64(r.held()), Err: r.failed}
	switch {
	case len(r.writing) == 0:
		e.From, e.To = r.oldest, r.newest
	case len(r.waiting) == 0:
		e.From, e.To = span(r.writing)
	default:
		from, to := span(r.writing)
		e.From, e.To = min(from, r.oldest), max(to, r.newest)
	}
	return e
}

// span returns the least and greatest elapsed time of samples, of which there are some.
func span(samples []rig.Sample) (from, to time.Duration) {
	from, to = samples[0].Elapsed, samples[0].Elapsed
	for _, s := range samples {
		from, to = min(from, s.Elapsed), max(to, s.Elapsed)
	}
	return from, to
}
