package store

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"syscall"
)

// InUse returns the program that writes the store at path, as it named itself
// ("process 4711"), or "" if none does, or there is no store. It changes nothing.
func InUse(path string) (holder string, err error) {
	name := followLinks(path) + ".lock"
	f, err := os.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("ask who writes the store %s: %w", path, err)
	}
	defer f.Close() // and gives the lock back, if it was to be had
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB)
	if err == nil {
		return "", nil
	}
	if !errors.Is(err, syscall.EWOULDBLOCK) {
		return "", fmt.Errorf("ask who writes the store %s: lock %s: %w", path, name, err)
	}
	said, _ := io.ReadAll(io.LimitReader(f, 64))
	if holder = strings.TrimSpace(string(said)); holder == "" {
		holder = "another program"
	}
	return holder, nil
}
