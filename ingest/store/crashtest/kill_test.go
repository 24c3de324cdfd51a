package crashtest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"brimline/ingest/store"
	"brimline/rig"
)

// buildChild builds recordchild; ldflags may weaken its store.
func buildChild(t testing.TB, ldflags string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "recordchild")
	cmd := exec.Command("go", "build", "-ldflags", ldflags, "-o", out, "./recordchild")
	if msg, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("build recordchild: %v\n%s", err, msg)
	}
	return out
}

// asIs starts a child as this user.
func asIs(*child) {}

// child is a recordchild at work.
type child struct {
	cmd    *exec.Cmd
	acking chan struct{} // closed at its first acknowledged sample
	ended  chan struct{} // closed when its output has ended
	out    bytes.Buffer  // to be read when ended is closed
	errs   bytes.Buffer
}

func startChild(t testing.TB, program string, with func(*child), args ...string) *child {
	t.Helper()
	c := &child{cmd: exec.Command(program, args...), acking: make(chan struct{}), ended: make(chan struct{})}
	with(c)
	c.cmd.Stderr = &c.errs
	pipe, err := c.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(c.ended)
		buf := make([]byte, 4096)
		for acking := false; ; {
			n, err := pipe.Read(buf)
			c.out.Write(buf[:n])
			if !acking && bytes.Contains(c.out.Bytes(), []byte("kept ")) {
				acking = true
				close(c.acking)
			}
			if err != nil {
				return
			}
		}
	}()
	return c
}

// kill ends the child as kill -9 does and returns what it had acknowledged.
func (c *child) kill(t testing.TB) (Acked, bool) {
	t.Helper()
	c.cmd.Process.Kill()
	<-c.ended
	c.cmd.Wait()
	a, ok, err := ParseAcks(c.out.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	return a, ok
}

// checkAll opens a store that a crash left and compares it with all that was
// acknowledged. A store of which nothing was acknowledged need not be there yet.
func checkAll(ctx context.Context, path string, acked []Acked, forWriting bool) (sum Count, err error) {
	var r *store.Reader
	var closer io.Closer
	if forWriting {
		s, err := store.Open(ctx, path, store.Options{})
		if err != nil {
			return sum, err
		}
		r, closer = s.Reader, s
	} else {
		r, err = store.OpenRead(ctx, path)
		if len(acked) == 0 && (errors.Is(err, store.ErrNotStore) || errors.Is(err, fs.ErrNotExist)) {
			return sum, nil
		} else if err != nil {
			return sum, err
		}
		closer = r
	}
	defer func() { err = errors.Join(err, closer.Close()) }()
	for _, a := range acked {
		c, err := Check(ctx, r, a)
		sum.Add(c)
		if err != nil {
			return sum, err
		}
	}
	return sum, nil
}

// killed records and kills, several times on each of some stores, and counts what was
// lost. Half of the kills come while the child starts and opens the store, half while
// it records.
func killed(t *testing.T, kills, each int, seed uint64, args ...string) (total Count) {
	ctx := t.Context()
	program := buildChild(t, "")
	rng := rand.New(rand.NewPCG(seed, 0))
	var path string
	var acked []Acked
	for k := range kills {
		if k%each == 0 {
			path, acked = filepath.Join(t.TempDir(), "bench.db"), nil
		}
		channels := []string{"4", "12"}[rng.IntN(2)]
		c := startChild(t, program, asIs, append([]string{"-store", path, "-seed", fmt.Sprint(rng.Uint64()), "-channels", channels}, args...)...)
		if rng.IntN(2) == 0 {
			time.Sleep(time.Duration(rng.Int64N(int64(60 * time.Millisecond))))
		} else {
			select {
			case <-c.acking:
				time.Sleep(time.Duration(rng.Int64N(int64(120 * time.Millisecond))))
			case <-c.ended:
			case <-time.After(30 * time.Second):
			}
		}
		a, ok := c.kill(t)
		if c.errs.Len() > 0 {
			t.Fatalf("kill %d: the child failed before it was killed: %s", k, c.errs.String())
		}
		if ok {
			acked = append(acked, a)
			total.Samples += a.Samples
			total.Events += a.Events
		}
		// What was lost stays lost, so it is counted when the store's last kill is over,
		// but values are compared after each.
		last := k%each == each-1
		got, err := checkAll(ctx, path, acked, last)
		if err != nil {
			t.Fatalf("kill %d: %v", k, err)
		}
		if last {
			total.Lost += got.Lost
			total.LostEvents += got.LostEvents
			total.Beyond += got.Beyond
			os.RemoveAll(filepath.Dir(path))
		}
	}
	return total
}

// Nothing that was acknowledged is lost in 200 kills.
func TestKilledRecordingLosesNothing(t *testing.T) {
	got := killed(t, 200, 10, 1)
	t.Logf("200 kills: %d samples and %d events acknowledged, %d and %d lost; %d samples were kept but not yet acknowledged",
		got.Samples, got.Events, got.Lost, got.LostEvents, got.Beyond)
	if got.Lost > 0 || got.LostEvents > 0 {
		t.Errorf("%d samples and %d events that were acknowledged are lost", got.Lost, got.LostEvents)
	}
	if got.Samples < 200*320 {
		t.Errorf("only %d samples were acknowledged before the kills: the test has shown little", got.Samples)
	}
}

// The test above can see a loss: a child that acknowledges before the store does loses.
func TestKillFindsAnEarlyAcknowledgement(t *testing.T) {
	got := killed(t, 20, 5, 2, "-early")
	t.Logf("20 kills of a child that acknowledges early: %d samples acknowledged, %d lost", got.Samples, got.Lost)
	if got.Lost == 0 {
		t.Error("a child that acknowledges early lost nothing: the kill test could not see a loss")
	}
}

// A sample with another value, one never put, and half a batch are found.
func TestCheckFindsWhatIsWrong(t *testing.T) {
	ctx := t.Context()
	bench := Bench{Seed: 3, Channels: 2, PerS: 80}
	for name, spoil := range map[string]func(n int) int{
		"another value": func(n int) int { return n + 160*(n/300) },
		"half a batch":  func(n int) int { return n },
	} {
		path := filepath.Join(t.TempDir(), "bench.db")
		s, err := store.Open(ctx, path, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		boot, err := s.NewBoot(ctx, time.Unix(0, 0), bench.Rig())
		if err != nil {
			t.Fatal(err)
		}
		for n := range 401 {
			sample := bench.Sample(spoil(n))
			if err := s.Append(ctx, boot.ID, []rig.Sample{sample}); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := Check(ctx, s.Reader, Acked{BootID: boot.ID, Bench: bench, Samples: 100}); err == nil {
			t.Errorf("%s: not found", name)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
