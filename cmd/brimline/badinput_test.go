package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"brimline/ingest/store"
	"brimline/rig"
)

// Bad input gets one clear error on one line, that says where, what and what to do,
// exit code 2, and nothing on standard output.
func TestBadInput(t *testing.T) {
	rows := func(n int, row func(i int) string) string {
		var b strings.Builder
		for i := range n {
			b.WriteString(row(i) + "\n")
		}
		return b.String()
	}
	good := rows(60, func(i int) string { return fmt.Sprintf("%d,%.3f", i, 0.14*float64(i)) })
	noise := make([]byte, 10<<20)
	rng := rand.NewChaCha8([32]byte{1})
	if _, err := rng.Read(noise); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name, content string
		args          []string
		says          []string
	}{
		{"empty", "", nil, []string{"empty"}},
		{"only a header", "elapsed_s,tube1_g\n", nil, []string{"no"}},
		{"one sample", "elapsed_s,tube1_g\n0,1\n", nil, []string{"1"}},
		{"seven samples", "elapsed_s,tube1_g\n" + rows(7, func(i int) string { return fmt.Sprintf("%d,%d", i, i) }), nil, []string{"tube1", "at least 8"}},
		{"no header", good, nil, []string{"line 1", "--columns"}},
		{"no unit", "elapsed_s,tube1\n" + good, nil, []string{"line 1", "tube1", "_g"}},
		{"text in a number", "elapsed_s,tube1_g\n0,1\n1,1.1\n2,1.2\n3,one\n" + good, nil, []string{"line 5", "tube1_g", `"one"`}},
		{"NaN", "elapsed_s,tube1_g\n0,1\n1,NaN\n2,1.2\n", nil, []string{"line 3", "tube1_g", "NaN"}},
		{"time runs backwards", "elapsed_s,tube1_g\n0,1\n2,1\n1,1\n", nil, []string{"line 4", "elapsed_s", "1"}},
		{"the same time twice", "elapsed_s,tube1_g\n0,1\n2.5,1\n2.5,1\n", nil, []string{"line 4", "elapsed_s", "2.5"}},
		{"mixed units", "elapsed_s,tube1_g,tube2_ml\n" + rows(60, func(i int) string { return fmt.Sprintf("%d,1,2", i) }), nil, []string{"tube2", "mL"}},
		{"counts without a scale", "elapsed_s,tube1_counts\n" + good, nil, []string{"tube1", "--counts-per-gram"}},
		{"a scale without counts", "elapsed_s,tube1_g\n" + good, []string{"--counts-per-gram", "2147"}, []string{"--counts-per-gram"}},
		{"a density in kg/m3", "elapsed_s,tube1_g\n" + good, []string{"--density", "832"}, []string{"--density", "g/mL"}},
		{"a window outside", "elapsed_s,tube1_g\n" + good, []string{"--from", "1h"}, []string{"--from", "59"}},
		{"a window turned round", "elapsed_s,tube1_g\n" + good, []string{"--from", "40", "--to", "30"}, []string{"--to 30 s", "--from 40 s"}},
		{"a time that is none", "elapsed_s,tube1_g\n" + good, []string{"--from", "soon"}, []string{"soon", "90m"}},
		{"an unknown flag", "elapsed_s,tube1_g\n" + good, []string{"--densty", "0.8"}, []string{"--densty", "--help"}},
		{"ten megabytes of noise", string(noise), nil, []string{"line 1"}},
		{"a very long line", "elapsed_s,tube1_g\n" + strings.Repeat("7", 3<<20), nil, []string{"line 2"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "curves.csv")
			if err := os.WriteFile(file, []byte(tc.content), 0o644); err != nil {
				t.Fatal(err)
			}
			wantError(t, exitUsage, append([]string{"rates", file}, tc.args...), tc.says...)
		})
	}
	t.Run("no such file", func(t *testing.T) {
		wantError(t, exitUsage, []string{"rates", filepath.Join(t.TempDir(), "none.csv")}, "none.csv", "--data")
	})
	t.Run("a folder", func(t *testing.T) { wantError(t, exitUsage, []string{"rates", t.TempDir()}, "folder") })
	t.Run("a test without a store", func(t *testing.T) { wantError(t, exitUsage, []string{"rates", "T1"}, "T1", "--data") })
	t.Run("no argument", func(t *testing.T) { wantError(t, exitUsage, []string{"rates"}, "--help") })
}

// wantError runs a command that must fail, and checks how it says so.
func wantError(t *testing.T, code int, args []string, says ...string) {
	t.Helper()
	var out, errs bytes.Buffer
	if got := run(context.Background(), args, strings.NewReader(""), &out, &errs); got != code {
		t.Errorf("exit code %d, want %d: %s", got, code, errs.String())
	}
	text := errs.String()
	if out.Len() > 0 {
		t.Errorf("standard output has %q", out.String())
	}
	if strings.Count(text, "\n") != 1 || !strings.HasPrefix(text, "brimline: ") || len(text) > 700 {
		t.Errorf("want one line of a readable length that begins with the program's name, got %q", text)
	}
	for _, want := range says {
		if !strings.Contains(text, want) {
			t.Errorf("the error lacks %q: %s", want, text)
		}
	}
}

// A store that cannot be used is said to be so, by name, and stays as it was.
func TestBadStore(t *testing.T) {
	ctx := context.Background()
	made := func(t *testing.T) (dir, path string) {
		dir = t.TempDir()
		path = filepath.Join(dir, realStore)
		s, err := store.Open(ctx, path, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := s.NewBoot(ctx, time.Now(), []rig.Channel{{Name: "tube1", CapacityML: 100}}); err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		return dir, path
	}
	t.Run("no store there", func(t *testing.T) {
		wantError(t, exitUsage, []string{"rates", "T1", "--data", t.TempDir()}, realStore, "--data")
	})
	t.Run("no such test", func(t *testing.T) {
		dir, _ := made(t)
		wantError(t, exitUsage, []string{"rates", "T7", "--data", dir}, "T7")
	})
	t.Run("not a store", func(t *testing.T) {
		dir, path := made(t)
		junk := bytes.Repeat([]byte("brimline "), 1000)
		if err := os.WriteFile(path, junk, 0o644); err != nil {
			t.Fatal(err)
		}
		wantError(t, exitFailed, []string{"rates", "T1", "--data", dir}, path)
		if now, err := os.ReadFile(path); err != nil || !bytes.Equal(now, junk) {
			t.Errorf("the file was changed: %v", err)
		}
	})
	t.Run("written by another", func(t *testing.T) {
		dir, _ := made(t)
		simulated := filepath.Join(dir, simStore)
		s, err := store.Open(ctx, simulated, store.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		wantError(t, exitFailed, []string{"demo", "--out", dir}, simulated)
	})
}

// Every command's help has an example and wraps within a terminal's width.
func TestHelp(t *testing.T) {
	for _, c := range newRoot().Commands() {
		if c.Hidden {
			continue
		}
		var out bytes.Buffer
		if code := run(context.Background(), []string{c.Name(), "--help"}, nil, &out, io.Discard); code != exitDone {
			t.Errorf("%s --help: exit code %d", c.Name(), code)
		}
		if c.Runnable() && !strings.Contains(out.String(), "Examples:") && !strings.Contains(out.String(), "Example") {
			t.Errorf("%s --help has no example", c.Name())
		}
		for line := range strings.Lines(c.Long) {
			if n := len([]rune(strings.TrimSuffix(line, "\n"))); n > 84 {
				t.Errorf("%s --help has prose of %d columns: %s", c.Name(), n, line)
			}
		}
		for line := range strings.Lines(out.String()) {
			if n := len([]rune(line)); n > 110 {
				t.Errorf("%s --help has a line of %d columns: %s", c.Name(), n, line)
			}
		}
	}
}
