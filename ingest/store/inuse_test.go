package store

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
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
