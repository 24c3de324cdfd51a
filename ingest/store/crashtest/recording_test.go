package crashtest

import (
	"errors"
	"strings"
	"testing"
	"time"

	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
)

// recording is one in this process, second by second, so that a test can do something
// to its disk in the middle.
type recording struct {
	t     *testing.T
	path  string
	wall  time.Time
	bench Bench
	s     *store.Store
	boot  ingest.Boot
	acked *acknowledging
	rec   *ingest.Recorder
	put   int // samples that the recorder took
	ended bool
}

func startRecording(t *testing.T, path string) *recording {
	t.Helper()
	r := &recording{t: t, path: path, wall: time.Date(2024, 5, 1, 8, 0, 0, 0, time.UTC), bench: Bench{Seed: 5, Channels: 4, PerS: 80}}
	var err error
	if r.s, err = store.Open(t.Context(), path, store.Options{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.abandon() })
	if r.boot, err = r.s.NewBoot(t.Context(), r.wall, r.bench.Rig()); err != nil {
		t.Fatal(err)
	}
	r.acked = &acknowledging{Store: r.s, say: func(string) {}, commits: make(chan int)}
	r.rec = ingest.NewRecorder(r.acked, r.boot.ID, ingest.RecorderOptions{})
	return r
}

// second records one second and asks for it to be kept.
func (r *recording) second() error {
	batch := make([]rig.Sample, r.bench.Channels*r.bench.PerS)
	for i := range batch {
		batch[i] = r.bench.Sample(r.put + i)
	}
	if err := r.rec.Put(batch); err != nil {
		return err
	}
	r.put += len(batch)
	return r.rec.Flush(r.t.Context())
}

// seconds records some that must be kept.
func (r *recording) seconds(n int) {
	r.t.Helper()
	for range n {
		if err := r.second(); err != nil {
			r.t.Fatal(err)
		}
	}
}

// until records until the store refuses, and returns its error.
func (r *recording) until(seconds int) error {
	r.t.Helper()
	for range seconds {
		if err := r.second(); err != nil {
			return err
		}
	}
	r.t.Fatalf("nothing was refused in %d s of recording", seconds)
	return nil
}

// clear checks that an error is of a kind and has the words that help.
func (r *recording) clear(err, kind error, words ...string) {
	r.t.Helper()
	r.t.Logf("it said: %v", err)
	if err == nil {
		r.t.Fatal("no error")
	}
	if kind != nil && !errors.Is(err, kind) {
		r.t.Errorf("%v: not of the kind %q", err, kind)
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			r.t.Errorf("%v: want something of %q", err, w)
		}
	}
}

// check compares what a reader gives with what was acknowledged.
func (r *recording) check(reader *store.Reader) {
	r.t.Helper()
	got, err := Check(r.t.Context(), reader, Acked{BootID: r.boot.ID, Bench: r.bench, Samples: r.acked.kept})
	if err != nil || got.Lost > 0 || got.Samples == 0 {
		r.t.Errorf("of %d samples acknowledged %d are lost: %v", got.Samples, got.Lost, err)
	}
}

// checkFile does so for the file as another program reads it.
func (r *recording) checkFile() {
	r.t.Helper()
	reader, err := store.OpenRead(r.t.Context(), r.path)
	if err != nil {
		r.t.Fatal(err)
	}
	r.check(reader)
	if err := reader.Close(); err != nil {
		r.t.Error(err)
	}
}

// end ends the recording in good order.
func (r *recording) end() {
	r.t.Helper()
	r.ended = true
	if err := errors.Join(r.rec.Close(), r.s.Close()); err != nil {
		r.t.Fatal(err)
	}
}

// abandon ends it where its disk may be gone.
func (r *recording) abandon() {
	if r.ended {
		return
	}
	r.ended = true
	r.rec.Close()
	r.s.Close()
}
