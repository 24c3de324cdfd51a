package main

import (
	"os"
	"os/signal"
	"slices"
	"syscall"
	"testing"
)

// A terminal that goes ends a run in good order; nohup is still obeyed.
func TestEndSignals(t *testing.T) {
	ignored := signal.Ignored(syscall.SIGHUP) // as when the tests run under nohup
	c := make(chan os.Signal, 1)
	signal.Notify(c, syscall.SIGHUP)
	if s := endSignals(); !slices.Contains(s, os.Signal(syscall.SIGHUP)) || len(s) != 3 {
		t.Errorf("%v end a command, want a hang-up among them", s)
	}
	signal.Ignore(syscall.SIGHUP)
	if s := endSignals(); slices.Contains(s, os.Signal(syscall.SIGHUP)) || len(s) != 2 {
		t.Errorf("%v end a command, though a hang-up is ignored", s)
	}
	if !ignored {
		signal.Reset(syscall.SIGHUP)
	}
}
