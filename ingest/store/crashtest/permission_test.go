package crashtest

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

const nobody = 65534

// asUser makes a child's user one whom modes stop: root is not.
func asUser(t *testing.T, dirs ...string) func(*child) {
	t.Helper()
	if os.Geteuid() != 0 {
		return func(*child) {}
	}
	for _, d := range dirs {
		if err := os.Chown(d, nobody, nobody); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(filepath.Dir(d), 0o755); err != nil { // of the test's temporary folders
			t.Fatal(err)
		}
	}
	return func(c *child) {
		c.cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	}
}

// A right to write that is taken away in the middle of a recording stops the next
// program, not the one that has the files open; it says what to do, and nothing that
// was acknowledged is lost.
func TestPermissionLost(t *testing.T) {
	dir := t.TempDir()
	program := buildChild(t, "")
	path := filepath.Join(dir, "bench.db")
	user := asUser(t, dir, filepath.Dir(program))
	mode := func(file, folder os.FileMode) {
		t.Helper()
		names, err := filepath.Glob(path + "*")
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range names {
			if err := os.Chmod(n, file); err != nil {
				t.Fatal(err)
			}
		}
		if err := os.Chmod(dir, folder); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() { os.Chmod(dir, 0o700) })
	var acked []Acked
	record := func(meanwhile func()) {
		t.Helper()
		c := startChild(t, program, user, "-store", path)
		select {
		case <-c.acking:
		case <-c.ended:
			t.Fatalf("the child ended: %s", c.errs.String())
		}
		meanwhile()
		time.Sleep(300 * time.Millisecond)
		a, ok := c.kill(t)
		if !ok || c.errs.Len() > 0 {
			t.Fatalf("the child began no boot: %s", c.errs.String())
		}
		acked = append(acked, a)
	}

	record(func() { mode(0o400, 0o500) })
	c := startChild(t, program, user, "-store", path)
	<-c.ended
	c.cmd.Wait()
	if code := c.cmd.ProcessState.ExitCode(); code != 1 {
		t.Errorf("without the right to write it ended with status %d, want 1", code)
	}
	t.Logf("it said: %s", c.errs.String())
	for _, want := range []string{"open for writing", path, "may not write", "check the owner and mode"} {
		if !strings.Contains(c.errs.String(), want) {
			t.Errorf("it said %q, want something of %q", c.errs.String(), want)
		}
	}

	mode(0o600, 0o700)
	record(func() {})
	got, err := checkAll(t.Context(), path, acked, false)
	if err != nil || got.Lost > 0 || got.LostEvents > 0 || got.Samples < 640 {
		t.Errorf("of %d samples and %d events acknowledged %d and %d are lost: %v", got.Samples, got.Events, got.Lost, got.LostEvents, err)
	}
}
