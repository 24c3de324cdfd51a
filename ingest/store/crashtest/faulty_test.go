//go:build powercut && linux && !arm

package crashtest

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"brimline/ingest/store"
)

// fill puts a file on the card that leaves so many bytes, of 0 not one block even for
// root, and returns its name.
func (c *card) fill(leave uint64) string {
	c.t.Helper()
	name := filepath.Join(c.Dir, "photos")
	f, err := os.Create(name)
	if err != nil {
		c.t.Fatal(err)
	}
	defer f.Close()
	for {
		var room unix.Statfs_t
		if err := unix.Statfs(c.Dir, &room); err != nil {
			c.t.Fatal(err)
		}
		if leave > 0 && room.Bavail*blockBytes <= leave {
			return name
		}
		if _, err := f.Write(make([]byte, blockBytes)); errors.Is(err, unix.ENOSPC) {
			return name
		} else if err != nil {
			c.t.Fatal(err)
		}
		if leave > 0 { // so that the free blocks are counted
			if err := f.Sync(); err != nil {
				c.t.Fatal(err)
			}
		}
	}
}

// A disk that is full in the middle of a recording gives a clear error and loses
// nothing; when there is room again the recording goes on where it was.
func TestCardFull(t *testing.T) {
	c := newCard(t, 16)
	r := startRecording(t, filepath.Join(c.Dir, "bench.db"))
	r.seconds(30)
	photos := c.fill(0)
	// What the log has for re-use lets some seconds through; then the disk is full.
	refused := r.until(600)
	r.clear(refused, store.ErrFull, "append 320 samples", r.path, "0 bytes are free", "free space")
	r.check(r.s.Reader)

	// It asks again each time, and says so each time.
	if err := r.rec.Flush(t.Context()); !errors.Is(err, store.ErrFull) {
		t.Errorf("a second try on the full disk: %v, want %v", err, store.ErrFull)
	}
	if err := os.Remove(photos); err != nil {
		t.Fatal(err)
	}
	if err := r.rec.Flush(t.Context()); err != nil {
		t.Errorf("with room again: %v", err)
	}
	if want := r.put; r.acked.kept != want {
		t.Errorf("with room again %d samples are kept, want %d", r.acked.kept, want)
	}
	r.seconds(30)
	r.end()
	r.checkFile()
}

// A store that may not be opened on a full disk says so too, and can be read there.
func TestCardFullAtStart(t *testing.T) {
	c := newCard(t, 16)
	r := startRecording(t, filepath.Join(c.Dir, "bench.db"))
	r.seconds(5)
	r.end()
	c.fill(0)
	s, err := store.Open(t.Context(), r.path, store.Options{})
	if err == nil {
		_, err = s.NewBoot(t.Context(), r.wall, r.bench.Rig())
		s.Close()
	}
	r.clear(err, store.ErrFull, r.path, "free space")
	r.checkFile()
}

// A file system that turns read-only in the middle of a recording, as Linux does to one
// whose disk fails: a clear error, nothing lost.
func TestCardTurnsReadOnly(t *testing.T) {
	c := newCard(t, 16)
	r := startRecording(t, filepath.Join(c.Dir, "bench.db"))
	r.seconds(30)
	// "abort" does what an error in the journal does.
	if err := unix.Mount("", c.Dir, "ext4", unix.MS_REMOUNT, "abort"); err != nil {
		t.Fatal(err)
	}
	refused := r.until(5)
	r.clear(refused, store.ErrReadOnly, "append 320 samples", r.path, "read-only", "mount it again")
	r.check(r.s.Reader)
	r.abandon()

	if _, err := store.Open(t.Context(), r.path, store.Options{}); err == nil {
		t.Error("opened for writing on a read-only file system")
	} else {
		r.clear(err, store.ErrReadOnly, "open for writing", r.path)
	}
	c.Unplug()
	if err := c.Plug(); err != nil {
		t.Fatal(err)
	}
	r.checkFile()
}

// A disk that is mounted read-only from the start.
func TestCardReadOnlyAtStart(t *testing.T) {
	c := newCard(t, 16)
	r := startRecording(t, filepath.Join(c.Dir, "bench.db"))
	r.seconds(5)
	r.end()
	if err := unix.Mount("", c.Dir, "ext4", unix.MS_REMOUNT|unix.MS_RDONLY, ""); err != nil {
		t.Fatal(err)
	}
	_, err := store.Open(t.Context(), r.path, store.Options{})
	r.clear(err, store.ErrReadOnly, "open for writing", r.path, "mounted")
	r.checkFile()
}

// A card that takes no more writes, as worn-out ones do.
func TestCardRefusesWrites(t *testing.T) {
	c := newCard(t, 16)
	r := startRecording(t, filepath.Join(c.Dir, "bench.db"))
	r.seconds(30)
	c.Refuse(true)
	refused := r.until(5)
	r.clear(refused, nil, "append 320 samples", r.path, "check the disk")
	r.abandon()
	c.Unplug()
	if err := c.Plug(); err != nil {
		t.Fatal(err)
	}
	r.checkFile()
}

// A card pulled out in the middle of a recording and put in again.
func TestCardPulledOut(t *testing.T) {
	c := newCard(t, 16)
	r := startRecording(t, filepath.Join(c.Dir, "bench.db"))
	r.seconds(30)
	c.Cut()
	refused := r.until(5)
	r.clear(refused, nil, "append 320 samples", r.path, "check the disk")
	r.abandon()
	c.Unplug()
	if err := c.Plug(); err != nil {
		t.Fatal(err)
	}
	r.checkFile()
}

// A program that records onto a full disk ends with an error, and what it had
// acknowledged before is there.
func TestCardFullEndsTheProgram(t *testing.T) {
	c := newCard(t, 16)
	c.fill(5 << 19) // room for a log of 2 MiB and little more
	path := filepath.Join(c.Dir, "bench.db")
	ch := startChild(t, buildChild(t, ""), asIs, "-store", path)
	<-ch.ended // it fills the rest by itself
	err := ch.cmd.Wait()
	if err == nil || ch.cmd.ProcessState.ExitCode() != 1 {
		t.Errorf("it ended with %v, want exit status 1", err)
	}
	for _, want := range []string{path, "no space", "free space"} {
		if !strings.Contains(ch.errs.String(), want) {
			t.Errorf("it said %q, want something of %q", ch.errs.String(), want)
		}
	}
	a, ok, err := ParseAcks(ch.out.Bytes())
	if err != nil || !ok {
		t.Fatal(ok, err)
	}
	got, err := checkAll(t.Context(), path, []Acked{a}, false)
	if err != nil || got.Lost > 0 || got.LostEvents > 0 || got.Samples < 10_000 {
		t.Errorf("of %d samples and %d events acknowledged %d and %d are lost: %v", got.Samples, got.Events, got.Lost, got.LostEvents, err)
	}
	t.Log(fmt.Sprintf("it had kept %d samples and said: ", got.Samples), ch.errs.String())
}
