package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// Two programs on one I2C bus would read each other's multiplexer ports.
func TestClaimKeepsTheOthersOff(t *testing.T) {
	device := filepath.Join(t.TempDir(), "i2c-1")
	if err := claim(device); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), device) {
		t.Errorf("a device that is not there: %v", err)
	}
	if err := os.WriteFile(device, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := claim(device); err != nil {
		t.Fatal(err)
	}
	if err := claim(device); !errors.Is(err, unix.EWOULDBLOCK) || !strings.Contains(err.Error(), device) || !strings.Contains(err.Error(), "another brimline") {
		t.Errorf("claimed twice: %v", err)
	}
}
