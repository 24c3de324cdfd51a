package main

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"
)

var updateGolden = flag.Bool("update", false, "rewrite the golden files in testdata; read what changed as prose")

// golden compares output with testdata/name at the repository's root. A missing
// file fails; -update writes it.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("..", "..", "testdata", name)
	if *updateGolden {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("no golden file: %v; run the test with -update and review what it writes", err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs; got:\n%s\nwant:\n%s", name, got, want)
	}
}
