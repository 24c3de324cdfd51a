package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// filled makes a store of one boot with k seconds of channels, and a run in its book.
func filled(t *testing.T, path string, channels, k int) (*Store, [][]rig.Sample) {
	t.Helper()
	ctx := t.Context()
	s := mustOpen(t, path)
	boot := mustBoot(t, s, channels)
	data := benchSeconds(channels, k)
	for _, b := range data {
		if err := s.Append(ctx, boot.ID, b); err != nil {
			t.Fatal(err)
		}
	}
	engine := no(s.AddEngine(ctx, ingest.Engine{Label: "Tractor 4", Injectors: channels}))(t)
	test := no(s.AddTest(ctx, ingest.Test{EngineID: engine, Label: "T1", Odometer: 4120}))(t)
	h := no(s.AddHanging(ctx, ingest.Hanging{TestID: test}))(t)
	no(s.StartRun(ctx, ingest.Run{TestID: test, HangingID: h.ID, BootID: boot.ID, Positions: []ingest.PositionOn{{Channel: "tube1", Injector: 1}}}))(t)
	no(s.AddCalibration(ctx, ingest.Calibration{Channel: "tube1", At: day, CountsPerGram: 2147}))(t)
	return s, data
}

func TestBackupAndRestoreGiveEverySampleBack(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path, dest := filepath.Join(dir, "bench.db"), filepath.Join(dir, "copy of it?.db")
	s, data := filled(t, path, 2, 200)
	check := no(Backup(ctx, path, dest))(t) // while the store is open for writing
	if total := len(want(data, 0)) + len(want(data, 1)); check.Samples != int64(total) || len(check.Damaged) != 0 {
		t.Errorf("the backup has %d samples of %d: %+v", check.Samples, total, check)
	}
	// What comes after the backup is not in it.
	if err := s.Append(ctx, 1, []rig.Sample{{Seq: 1 << 40, Reading: rig.Reading{Elapsed: time.Hour}}}); err != nil {
		t.Fatal(err)
	}
	if _, err := Backup(ctx, path, dest); !errors.Is(err, ErrExists) || !strings.Contains(err.Error(), dest) {
		t.Errorf("a second backup of that name: %v", err)
	}
	if _, err := Restore(ctx, dest, path, day); !errors.Is(err, ErrInUse) {
		t.Errorf("restored while the store is in use: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	held, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	done := no(Restore(ctx, dest, path, day))(t)
	if kept, err := os.ReadFile(done.Aside); err != nil || !bytes.Equal(kept, held) {
		t.Errorf("the store before is not kept in %s: %v", done.Aside, err)
	}
	if again := no(Restore(ctx, dest, path, day))(t); again.Aside == done.Aside || again.Aside == "" {
		t.Errorf("the second restore kept the store before in %q", again.Aside)
	}
	elsewhere := filepath.Join(t.TempDir(), "bench.db")
	if done := no(Restore(ctx, dest, elsewhere, day))(t); done.Aside != "" {
		t.Errorf("there was no store, but it was kept as %s", done.Aside)
	}
	for _, p := range []string{path, elsewhere} {
		r := mustOpen(t, p)
		for c := range 2 {
			if got, err := r.Samples(ctx, 1, fmt.Sprintf("tube%d", c+1), 0, End); err != nil || !slices.Equal(got, want(data, c)) {
				t.Errorf("%s, channel %d: %d samples of %d, %v", p, c, len(got), len(want(data, c)), err)
			}
		}
		if test := no(r.Test(ctx, "T1"))(t); test.Odometer != 4120 {
			t.Errorf("test %+v", test)
		}
		mustBoot(t, r, 2) // and it goes on
		if err := r.Append(ctx, 2, benchSeconds(2, 1)[0]); err != nil {
			t.Error(err)
		}
	}
	left, err := filepath.Glob(filepath.Join(dir, "*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range left {
		if strings.Contains(f, ".part") || strings.Contains(f, ".restoring") {
			t.Errorf("%s was left behind", f)
		}
	}
}

// What cannot be written is the copy, on a disk of its own: its place is what the error tells of.
func TestBackupNamesThePlaceThatFailed(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path := filepath.Join(dir, "bench.db")
	s, _ := filled(t, path, 1, 2)
	s.Close()
	for name, dest := range map[string]string{"no such folder": filepath.Join(dir, "none", "x.db"), "a file for a folder": filepath.Join(path, "x.db")} {
		if _, err := Backup(ctx, path, dest); err == nil || !strings.Contains(err.Error(), "store "+dest) || strings.Contains(err.Error(), "store "+path+":") {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := Restore(ctx, path, dest, day); err == nil || !strings.Contains(err.Error(), "store "+dest) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestRestoreRefuses(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path, dest := filepath.Join(dir, "bench.db"), filepath.Join(dir, "backup.db")
	s, _ := filled(t, path, 1, 70)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	no(Backup(ctx, path, dest))(t)
	held, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	good, err := os.ReadFile(dest)
	if err != nil {
		t.Fatal(err)
	}
	damaged := slices.Clone(good)
	clear(damaged[len(damaged)-3*pageSize : len(damaged)-2*pageSize-100])
	for name, c := range map[string]struct {
		content []byte
		is      error
		says    string
	}{
		"damaged":     {damaged, ErrNotStore, "damaged"},
		"cut off":     {good[:len(good)/2], ErrNotStore, "damaged"},
		"not a store": {[]byte("elapsed_s,tube1_g\n"), ErrNotStore, "not a database"},
		"empty":       {nil, ErrNotStore, "no store yet"},
	} {
		t.Run(name, func(t *testing.T) {
			bad := filepath.Join(t.TempDir(), "bad.db")
			if err := os.WriteFile(bad, c.content, 0o644); err != nil {
				t.Fatal(err)
			}
			_, err := Restore(ctx, bad, path, day)
			if !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("got %v", err)
			}
			t.Log(err)
		})
	}
	if _, err := Restore(ctx, filepath.Join(dir, "none.db"), path, day); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a backup that is not there: %v", err)
	}
	if _, err := Restore(ctx, path, path, day); !errors.Is(err, ErrConflict) {
		t.Errorf("a store over itself: %v", err)
	}
	if now, err := os.ReadFile(path); err != nil || !bytes.Equal(now, held) {
		t.Errorf("a refused restore changed the store: %v", err)
	}
	if asides, _ := filepath.Glob(filepath.Join(dir, "*before*")); len(asides) > 0 {
		t.Errorf("a refused restore left %v", asides)
	}
}

// A store that was killed has a log. It is kept with the store that a restore replaces, and
// is not taken for that of the new one.
func TestRestoreOverAKilledStore(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	live, path, dest := filepath.Join(dir, "live.db"), filepath.Join(dir, "bench.db"), filepath.Join(dir, "backup.db")
	s, _ := filled(t, live, 1, 70)
	no(Backup(ctx, live, dest))(t)
	last := rig.Sample{Seq: 1 << 40, Reading: rig.Reading{Elapsed: 75 * time.Second, Counts: 7}}
	if err := s.Append(ctx, 1, []rig.Sample{last}); err != nil {
		t.Fatal(err)
	}
	for _, end := range []string{"", "-wal"} { // as a kill leaves them
		b, err := os.ReadFile(live + end)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path+end, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	done := no(Restore(ctx, dest, path, day))(t)
	for p, n := range map[string]int{path: 0, done.Aside: 1} {
		r := mustOpen(t, p)
		if got, err := r.Samples(ctx, 1, "tube1", 75*time.Second, End); err != nil || len(got) != n {
			t.Errorf("%s has %d of the last samples, want %d: %v", p, len(got), n, err)
		}
	}
}

// A log that a reader keeps from going into the file holds what was acknowledged: were it
// taken away before the renaming, a power cut between the two would lose it.
func TestRestoreWaitsForReaders(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path, dest := filepath.Join(dir, "bench.db"), filepath.Join(dir, "backup.db")
	s, _ := filled(t, path, 1, 5)
	no(Backup(ctx, path, dest))(t)
	r, err := OpenRead(ctx, path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	reading, err := r.db.BeginTx(ctx, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer reading.Rollback()
	if err := reading.QueryRowContext(ctx, `SELECT count(*) FROM tail`).Scan(new(int)); err != nil {
		t.Fatal(err)
	}
	last := rig.Sample{Seq: 1 << 40, Reading: rig.Reading{Elapsed: 75 * time.Second, Counts: 7}}
	if err := s.Append(ctx, 1, []rig.Sample{last}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(ctx, dest, path, day); !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), "reads the store") {
		t.Errorf("restored while it is read: %v", err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*before*")); len(left) > 0 {
		t.Errorf("the refused restore left %v", left)
	}
	if err := reading.Rollback(); err != nil {
		t.Fatal(err)
	}
	s = mustOpen(t, path)
	if got, err := s.Samples(ctx, 1, "tube1", 75*time.Second, End); err != nil || len(got) != 1 {
		t.Errorf("%d of the last samples, %v", len(got), err)
	}
	s.Close()
	no(Restore(ctx, dest, path, day))(t)
}

// A copy that could not be made whole is not left for one that is.
func TestKeepAlsoLeavesNoHalfCopy(t *testing.T) {
	dir := t.TempDir()
	also := filepath.Join(dir, "also.db")
	if err := keepAlso(dir, also); err == nil { // a folder can be neither linked nor read
		t.Error("a folder was copied")
	}
	if _, err := os.Stat(also); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%s was left behind: %v", also, err)
	}
}

// The daemon writes what another user restored.
func TestRestoreKeepsOwnerAndMode(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path, dest := filepath.Join(dir, "bench.db"), filepath.Join(dir, "backup.db")
	s, _ := filled(t, path, 1, 2)
	s.Close()
	no(Backup(ctx, path, dest))(t)
	daemon := os.Geteuid()
	if daemon == 0 {
		daemon = 4711
	}
	for _, name := range []string{path, dir} {
		if err := os.Chown(name, daemon, -1); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(path, 0o660); err != nil {
		t.Fatal(err)
	}
	owned := func(name string, mode os.FileMode) {
		t.Helper()
		info, err := os.Stat(name)
		if err != nil {
			t.Fatal(err)
		}
		if got := int(info.Sys().(*syscall.Stat_t).Uid); got != daemon || info.Mode() != mode {
			t.Errorf("%s is user %d's, mode %v; want %d, %v", name, got, info.Mode(), daemon, mode)
		}
	}
	no(Restore(ctx, dest, path, day))(t)
	owned(path, 0o660)
	for _, name := range []string{path, path + ".lock"} { // a new card
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
	no(Restore(ctx, dest, path, day))(t)
	owned(path, 0o644)
	owned(path+".lock", 0o644)
}

// Killed at any moment, a backup leaves nothing or a whole copy under its name, and a
// restore leaves the store before or the one restored, whole, under its own.
func TestBackupAndRestoreKilled(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path, dest := filepath.Join(dir, "bench.db"), filepath.Join(dir, "backup.db")
	s, data := filled(t, path, 2, 130)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	no(Backup(ctx, path, dest))(t)
	s = mustOpen(t, path)
	if err := s.Append(ctx, no(s.NewBoot(ctx, day, tubes(2)))(t).ID, data[0]); err != nil { // tells the two apart
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	run := func(job string, after time.Duration) {
		cmd := child(t, job, path)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		timer := time.AfterFunc(after, func() { cmd.Process.Kill() })
		err := cmd.Wait()
		timer.Stop()
		if exit := (*exec.ExitError)(nil); err != nil && (!errors.As(err, &exit) || exit.ExitCode() != -1) {
			t.Fatalf("%s: %v", job, err)
		}
	}
	backups, restores := 0, 0
	for i := range 12 {
		os.Remove(dest + "2")
		run("backup", time.Duration(20+i*12)*time.Millisecond)
		if _, err := os.Stat(dest + "2"); err == nil {
			backups++
			if check := no(Verify(ctx, dest+"2"))(t); len(check.Damaged) > 0 {
				t.Errorf("a backup that was cut off: %v", check.Damaged)
			}
		}
		run("restore", time.Duration(20+i*12)*time.Millisecond)
		check := no(Verify(ctx, path))(t)
		if len(check.Damaged) > 0 {
			t.Errorf("after a restore that was cut off: %v", check.Damaged)
		}
		r, err := OpenRead(ctx, path)
		if err != nil {
			t.Fatal(err)
		}
		if len(no(r.Boots(ctx))(t)) == 1 {
			restores++
		}
		r.Close()
	}
	t.Logf("%d of 12 backups and %d of 12 restores had come to their end", backups, restores)
}

// killable does what TestBackupAndRestoreKilled kills.
func killable(job, path string) error {
	ctx := context.Background()
	dest := filepath.Join(filepath.Dir(path), "backup.db")
	if job == "backup" {
		_, err := Backup(ctx, path, dest+"2")
		return err
	}
	_, err := Restore(ctx, dest, path, time.Now())
	return err
}
