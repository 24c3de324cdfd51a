package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"brimline/ingest/store"
	"brimline/rig"
)

// storeOf makes a bench's store with n samples of tube1.
func storeOf(t *testing.T, dir string, n int) (path string) {
	t.Helper()
	path = filepath.Join(dir, realStore)
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	boot, err := s.NewBoot(t.Context(), time.Now(), []rig.Channel{{Name: "tube1", CapacityML: 100}})
	if err != nil {
		t.Fatal(err)
	}
	var samples []rig.Sample
	for i := range n {
		samples = append(samples, rig.Sample{Seq: uint64(i), Reading: rig.Reading{Elapsed: time.Duration(i) * 100 * time.Millisecond, Counts: int32(i * i % 99999)}})
	}
	if err := s.Append(t.Context(), boot.ID, samples); err != nil {
		t.Fatal(err)
	}
	return path
}

func mustRun(t *testing.T, code int, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	if got := run(context.Background(), args, strings.NewReader(""), &out, &errs); got != code {
		t.Fatalf("%v: exit code %d, want %d: %s%s", args, got, code, out.String(), errs.String())
	}
	return out.String()
}

func TestVerifyBackupRestore(t *testing.T) {
	dir := t.TempDir()
	path, dest := storeOf(t, dir, 3000), filepath.Join(t.TempDir(), "may.db")
	if text := mustRun(t, exitDone, "verify", dir); !strings.Contains(text, "3000 samples") || !strings.Contains(text, "sound") {
		t.Errorf("verify says %q", text)
	}
	if text := mustRun(t, exitDone, "backup", dest, "--data", dir); !strings.Contains(text, "3000 samples") {
		t.Errorf("backup says %q", text)
	}
	wantError(t, exitUsage, []string{"backup", dest, "--data", dir}, dest, "overwrites nothing")

	// One byte is mended and told of; a page is not, and what it held is named.
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	bad := slices.Clone(good)
	bad[len(bad)/2] ^= 0x20
	damage := func() (v verifiedJSON) {
		t.Helper()
		if err := os.WriteFile(path, bad, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal([]byte(mustRun(t, exitFlagged, "verify", path, "--json")), &v); err != nil {
			t.Fatal(err)
		}
		return v
	}
	v := damage()
	if v.Schema != "brimline/verify/1" || v.Samples != 3000 || v.Bytes != int64(len(bad)) || v.BytesPerSample != float64(len(bad))/3000 ||
		len(v.Damaged) != 1 || !v.Damaged[0].Mended || v.Damaged[0].Page != int64(len(bad)/2/2048+1) {
		t.Errorf("one byte: %+v", v)
	}
	if text := mustRun(t, exitFlagged, "verify", path); !strings.Contains(text, "Nothing is lost") || !strings.Contains(text, "brimline backup") {
		t.Errorf("verify says %q", text)
	}
	chunk := bytes.LastIndex(good, []byte("\x01\x02\x02\xd8\x04")) // format, boot 1, channel 1, 600 samples
	if chunk < 0 {
		t.Fatal("no chunk found in the file")
	}
	copy(bad[chunk+10:], make([]byte, 100))
	v = damage()
	if v.Samples >= 3000 || !slices.ContainsFunc(v.Damaged, func(d damagedJSON) bool { return d.What == "chunk" && d.Channel == "tube1" && d.ToS > d.FromS }) {
		t.Errorf("a page: %+v", v)
	}
	if text := mustRun(t, exitFlagged, "verify", path); !strings.Contains(text, "tube1") || !strings.Contains(text, "brimline restore") {
		t.Errorf("verify says %q", text)
	}
	wantError(t, exitFailed, []string{"backup", dest + "2", "--data", dir}, "nothing was copied", "page")

	if text := mustRun(t, exitDone, "restore", dest, "--data", dir); !strings.Contains(text, "3000 samples") || !strings.Contains(text, "brimline.before-") {
		t.Errorf("restore says %q", text)
	}
	mustRun(t, exitDone, "verify", path)
	var restored struct {
		Schema, Aside string
		Store         verifiedJSON
	}
	fresh := t.TempDir()
	if err := json.Unmarshal([]byte(mustRun(t, exitDone, "restore", dest, "--data", fresh, "--json")), &restored); err != nil {
		t.Fatal(err)
	}
	if restored.Schema != "brimline/restore/1" || restored.Aside != "" || restored.Store.Samples != 3000 || restored.Store.Path != filepath.Join(fresh, realStore) {
		t.Errorf("restored %+v", restored)
	}
	var backed struct {
		Schema string
		Backup verifiedJSON
	}
	if err := json.Unmarshal([]byte(mustRun(t, exitDone, "backup", dest+"3", "--data", fresh, "--json")), &backed); err != nil {
		t.Fatal(err)
	}
	if backed.Schema != "brimline/backup/1" || backed.Backup.Samples != 3000 || backed.Backup.Path != dest+"3" {
		t.Errorf("backed up %+v", backed)
	}
}

// All three while another program writes: verify and backup go on, restore refuses.
func TestVerifyAndBackupBesideTheDaemon(t *testing.T) {
	dir := t.TempDir()
	path := storeOf(t, dir, 700)
	dest := filepath.Join(t.TempDir(), "copy.db")
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	boot, err := s.NewBoot(t.Context(), time.Now(), []rig.Channel{{Name: "tube1", CapacityML: 100}})
	if err != nil {
		t.Fatal(err)
	}
	put := func(from, to int) {
		for i := from; i < to; i++ {
			x := rig.Sample{Seq: uint64(i), Reading: rig.Reading{Elapsed: time.Duration(i) * time.Second, Counts: int32(i)}}
			if err := s.Append(t.Context(), boot.ID, []rig.Sample{x}); err != nil {
				t.Error(err)
				return
			}
		}
	}
	put(0, 10)
	done := make(chan struct{})
	go func() {
		defer close(done)
		put(10, 150)
	}()
	mustRun(t, exitDone, "verify", path)
	mustRun(t, exitDone, "backup", dest, "--data", path)
	<-done
	mustRun(t, exitDone, "verify", dest)
	wantError(t, exitFailed, []string{"restore", dest, "--data", path}, "stop that program", path)
}

func TestVerifyBackupRestoreRefuse(t *testing.T) {
	dir := t.TempDir()
	none := filepath.Join(dir, "none.db")
	text := filepath.Join(dir, "text.db")
	if err := os.WriteFile(text, []byte("elapsed_s,tube1_g\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		code int
		args []string
		says string
	}{
		{exitUsage, []string{"verify", none}, "none.db"},
		{exitUsage, []string{"verify", dir}, "holds no store"},
		{exitUsage, []string{"verify", "--config", none}, "--config"},
		{exitUsage, []string{"verify", text, text}, "--help"},
		{exitFailed, []string{"verify", text}, "not a database"},
		{exitUsage, []string{"backup"}, "--help"},
		{exitUsage, []string{"backup", none, "--data", filepath.Join(dir, "folder")}, "folder"},
		{exitFailed, []string{"backup", none, "--data", text}, "not a database"},
		{exitUsage, []string{"restore", none, "--data", dir}, "none.db"},
		{exitUsage, []string{"restore", text, "--data", filepath.Join(dir, "folder")}, "folder"},
		{exitFailed, []string{"restore", text, "--data", dir}, "not a database"},
	} {
		wantError(t, c.code, c.args, c.says)
	}
	for _, name := range []string{"verify", "backup", "restore"} {
		if code := run(context.Background(), []string{name, "--help"}, nil, io.Discard, io.Discard); code != exitDone {
			t.Errorf("%s --help: exit code %d", name, code)
		}
	}
}

// What was set aside earlier is told apart from damage that keeps a store from being backed
// up, and no line of advice is wider than a terminal.
func TestCheckSaysWhatToDo(t *testing.T) {
	aside := store.Damaged{What: "tail", Table: "aside", Row: "1", Says: "ends early"}
	lost := store.Damaged{What: "page", Page: 7, Says: "its checksum is wrong"}
	mended := lost
	mended.Mended = true
	for name, c := range map[string]struct {
		damaged []store.Damaged
		says    string
		noted   bool // a copy says that something was lost earlier
	}{
		"sound":  {nil, "sound: every page", false},
		"mended": {[]store.Damaged{mended}, "Nothing is lost", false},
		"aside":  {[]store.Damaged{aside}, "lost earlier", true},
		"lost":   {[]store.Damaged{lost, aside}, "If that is refused", true},
	} {
		check := store.Check{Samples: 10_092_000_000, Chunks: 2_102_400, Bytes: 25_000_000_000, Damaged: c.damaged}
		var out bytes.Buffer
		if err := printCheck(&out, "/var/lib/brimline/brimline.db", check); err != nil || !strings.Contains(out.String(), c.says) {
			t.Errorf("%s: %v, %q", name, err, out.String())
		}
		noted := setAsideText(check)
		if c.noted != strings.Contains(noted, "lost earlier") {
			t.Errorf("%s: a copy says %q", name, noted)
		}
		for line := range strings.Lines(out.String() + noted) {
			if len(strings.TrimRight(line, "\n")) > 80 {
				t.Errorf("%s: wider than 80 columns: %q", name, line)
			}
		}
	}
}
