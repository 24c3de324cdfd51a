package store

import (
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

func TestInUse(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	ask := func(what, want string) {
		t.Helper()
		got, err := InUse(path)
		if err != nil || got != want {
			t.Errorf("%s: %q, %v; want %q", what, got, err, want)
		}
	}
	ask("no store", "")
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	ask("being written", fmt.Sprintf("process %d", os.Getpid()))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	ask("closed", "")
	if s, err = Open(t.Context(), path, Options{}); err != nil {
		t.Fatalf("asking took the lock: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// A daemon that starts while another program asks is not told that the store is in use.
func TestInUseKeepsNoWriterOut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	asks, err := os.Create(path + ".lock")
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.Flock(int(asks.Fd()), syscall.LOCK_SH); err != nil { // as InUse does
		t.Fatal(err)
	}
	time.AfterFunc(20*time.Millisecond, func() { asks.Close() })
	s, err := Open(t.Context(), path, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}
