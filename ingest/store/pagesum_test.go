package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"brimline/rig"
)

// The check value of CRC-64/XZ in the catalogue of CRC algorithms
// (reveng.sourceforge.io/crc-catalogue), from memory.
func TestPageSumIsTheStandardOne(t *testing.T) {
	if got := sumOf([]byte("123456789")); got != 0x995dc9bbdf1939fa {
		t.Errorf("got %#x", got)
	}
}

// The difference that a change of one byte makes to the sum tells which byte and how: no
// two of a page's changes make the same, nor one that looks like a change of the sum itself.
func TestEveryChangeOfAByteHasItsOwnSum(t *testing.T) {
	all := make([]uint64, 0, pageSize*256)
	for k := 1; k < 256; k++ {
		d := crc64ECMA[k]
		for range pageSize - sumBytes {
			all = append(all, d)
			d = d>>8 ^ crc64ECMA[byte(d)]
		}
		for i := range sumBytes {
			all = append(all, uint64(k)<<(8*i))
		}
	}
	slices.Sort(all)
	if n := len(slices.Compact(all)); n != 255*pageSize {
		t.Errorf("%d changes make %d differences", 255*pageSize, n)
	}
}

func TestMendPage(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	good := make([]byte, pageSize)
	for i := range good {
		good[i] = byte(rng.Uint32())
	}
	setSum(good)
	for at := range good { // one byte, anywhere, the checksum included
		for bit := range 9 {
			change := byte(1) << bit
			if bit == 8 {
				change = byte(1 + rng.IntN(255))
			}
			bad := slices.Clone(good)
			bad[at] ^= change
			if sound(bad) {
				t.Fatalf("byte %d: the change is not noticed", at)
			}
			if !mendPage(bad) || !slices.Equal(bad, good) {
				t.Fatalf("byte %d, change %#x, is not mended", at, change)
			}
		}
	}
	for range 3000 { // more than one byte: never taken for one
		bad := slices.Clone(good)
		for range 2 + rng.IntN(3) {
			bad[rng.IntN(pageSize)] ^= byte(1 + rng.IntN(255))
		}
		if changed := differing(bad, good); changed < 2 {
			continue
		}
		if mendPage(bad) {
			t.Fatal("a page with several bytes changed was called mended")
		}
	}
}

func differing(a, b []byte) (n int) {
	for i := range a {
		if a[i] != b[i] {
			n++
		}
	}
	return n
}

// everything reads the whole store through the API, as text.
func everything(ctx context.Context, r *Reader) (text string, err error) {
	var b strings.Builder
	keep := func(v any, e error) {
		err = errors.Join(err, e)
		fmt.Fprintf(&b, "%+v\n", v)
	}
	keep(r.Boots(ctx))
	keep(r.Channels(ctx))
	keep(r.Engines(ctx))
	keep(r.Tests(ctx, 0))
	keep(r.Hangings(ctx, 1))
	keep(r.Runs(ctx, 1))
	keep(r.Calibrations(ctx, ""))
	keep(r.Stats(ctx))
	keep(r.Overview(ctx, day, day.Add(10*time.Hour), 100))
	return b.String(), err
}

// One byte changed in any page of the file: everything is read as it was, Verify names the
// page, and a backup is sound.
func TestOneByteChangedAnywhereIsMended(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path, bad := filepath.Join(dir, "bench.db"), filepath.Join(dir, "bad.db")
	s, data := filled(t, path, 2, 130)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	r := no(OpenRead(ctx, path))(t)
	whole := no(everything(ctx, r))(t)
	r.Close()
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	for page := range len(good) / pageSize {
		if page > 0 && rng.IntN(2) == 0 {
			continue // half of them each time
		}
		at := page*pageSize + rng.IntN(pageSize)
		if page == 0 {
			at = rng.IntN(100) // the header, which is read in a way of its own
		}
		b := slices.Clone(good)
		b[at] ^= byte(1 << rng.IntN(8))
		if err := os.WriteFile(bad, b, 0o644); err != nil {
			t.Fatal(err)
		}
		r, err := OpenRead(ctx, bad)
		if err != nil {
			t.Errorf("byte %d: %v", at, err)
			continue
		}
		if text, err := everything(ctx, r); err != nil || text != whole {
			t.Errorf("byte %d: %v, or it reads otherwise", at, err)
		}
		for c := range 2 {
			if got, err := r.Samples(ctx, 1, fmt.Sprintf("tube%d", c+1), 0, End); err != nil || !slices.Equal(got, want(data, c)) {
				t.Errorf("byte %d, channel %d: %d samples, %v", at, c, len(got), err)
			}
		}
		r.Close()
		check, err := Verify(ctx, bad)
		if err != nil || check.Lost() || len(check.Damaged) != 1 || check.Damaged[0].Page != int64(page+1) {
			t.Errorf("byte %d: verify %v: %+v", at, err, check.Damaged)
		}
		if page%8 == 0 {
			backup := filepath.Join(t.TempDir(), "backup.db")
			no(Backup(ctx, bad, backup))(t)
		}
	}
}

// Whole pages destroyed, one after the other: no panic, nothing is given that was not put,
// what is lost is said, and the rest is read, also after the store was opened for writing.
func TestPagesDestroyed(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path := filepath.Join(dir, "bench.db")
	s, data := filled(t, path, 2, 200)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	seed := uint64(time.Now().UnixNano())
	rng := rand.New(rand.NewPCG(seed, 8))
	t.Log("seed", seed)
	var refused, partly, harmless int
	const stride = 5 // each fifth page, others each time
	for page := rng.IntN(stride); page < len(good)/pageSize; page += stride {
		b := slices.Clone(good)
		for i := range pageSize / 2 {
			b[page*pageSize+i] ^= byte(1 + rng.IntN(255))
		}
		bad := filepath.Join(dir, fmt.Sprintf("bad%d.db", page))
		if err := os.WriteFile(bad, b, 0o644); err != nil {
			t.Fatal(err)
		}
		check, err := Verify(ctx, bad)
		r, opening := OpenRead(ctx, bad)
		if opening != nil {
			refused++
			if !errors.Is(opening, ErrNotStore) || err == nil {
				t.Errorf("page %d: %v; verify: %v", page+1, opening, err)
			}
			continue
		}
		if err != nil || !check.Lost() || !slices.ContainsFunc(check.Damaged, func(d Damaged) bool { return d.Page == int64(page+1) }) {
			t.Errorf("page %d: verify %v does not name it: %v", page+1, err, check.Damaged)
		}
		read := func(r *Reader) (n int) {
			for c := range 2 {
				got, err := r.Samples(ctx, 1, fmt.Sprintf("tube%d", c+1), 0, End)
				checkSubset(t, got, want(data, c))
				var damage *DamageError
				if len(got) < len(want(data, c)) && err == nil || err != nil && !errors.As(err, &damage) && !errors.Is(err, ErrNotStore) {
					t.Errorf("page %d, channel %d: %d samples, %v", page+1, c, len(got), err)
				}
				n += len(got)
			}
			return n
		}
		n := read(r)
		r.Close()
		if total := len(want(data, 0)) + len(want(data, 1)); n == total {
			harmless++
		} else {
			partly++
		}
		w, err := Open(ctx, bad, Options{})
		if err != nil {
			if !errors.Is(err, ErrNotStore) {
				t.Errorf("page %d: opened for writing: %v", page+1, err)
			}
			t.Logf("page %d, not opened for writing: %v", page+1, check.Damaged[0])
			continue
		}
		if again := read(w.Reader); again < n {
			t.Errorf("page %d: %d samples, but %d once it was opened for writing", page+1, n, again)
		}
		w.Close()
	}
	t.Logf("of %d pages: %d refused as a whole, %d lost samples, %d did not", (len(good)/pageSize+stride-1)/stride, refused, partly, harmless)
	if partly == 0 {
		t.Error("no page held samples: the test does not bite")
	}
}

func scanInt(row *sql.Rows) (n int64, err error) {
	err = row.Scan(&n)
	return n, err
}

// spoil destroys pages of a file, through a descriptor of another process: this one has
// SQLite's locks on it.
func spoil(t *testing.T, path string, pages ...int64) {
	t.Helper()
	for _, p := range pages {
		cmd := exec.Command("dd", "if=/dev/urandom", "of="+path, "bs="+fmt.Sprint(pageSize/2), "count=1", "conv=notrunc", "seek="+fmt.Sprint(2*(p-1)))
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
}

// A page of open tails goes bad while samples are taken: taking goes on, and nothing is lost
// that is still at hand.
func TestTailPageGoesBadWhileRecording(t *testing.T) {
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "bench.db")
	s := mustOpen(t, path)
	boot := mustBoot(t, s, 2)
	data := benchSeconds(2, 50)
	for _, b := range data[:40] {
		if err := s.Append(ctx, boot.ID, b); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := s.w.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		t.Fatal(err)
	}
	pages, err := list(ctx, s.db, scanInt, `SELECT pageno FROM dbstat WHERE name = 'tail' AND pagetype = 'leaf' ORDER BY pageno`)
	if err != nil || len(pages) < 3 {
		t.Fatal(pages, err)
	}
	s.Close()
	spoil(t, path, pages[1])
	// Closed and opened again: what was not on the page is there, and recording goes on.
	s = mustOpen(t, path)
	got, err := s.Samples(ctx, boot.ID, "tube1", 0, End)
	checkSubset(t, got, want(data, 0))
	if lost := len(want(data[:40], 0)) - len(got); lost < 1 || lost > 10*81 {
		t.Errorf("%d samples of a bad page are lost: %v", lost, err)
	}
	next := mustBoot(t, s, 2)
	for _, b := range data {
		if err := s.Append(ctx, next.ID, b); err != nil {
			t.Fatal(err)
		}
	}
	var told *DamageError
	if _, err := s.Samples(ctx, boot.ID, "tube1", 0, End); !errors.As(err, &told) || !strings.Contains(err.Error(), "set aside") {
		t.Errorf("the loss is no longer told: %v", err)
	}
	if got := no(s.Samples(ctx, next.ID, "tube2", 0, End))(t); !slices.Equal(got, want(data, 1)) {
		t.Errorf("%d samples after it", len(got))
	}
	if check := no(Verify(ctx, path))(t); !slices.ContainsFunc(check.Damaged, func(d Damaged) bool { return d.Table == "tail_damaged_1" }) {
		t.Errorf("verify does not name the table set aside: %v", check.Damaged)
	}
	// While recording.
	if _, err := s.w.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		t.Fatal(err)
	}
	if pages, err = list(ctx, s.db, scanInt, `SELECT pageno FROM dbstat WHERE name = 'tail' AND pagetype = 'leaf' ORDER BY pageno`); err != nil {
		t.Fatal(err)
	}
	spoil(t, path, pages[0], pages[len(pages)-1])
	if _, err := s.w.ExecContext(ctx, "PRAGMA shrink_memory"); err != nil {
		t.Fatal(err)
	}
	later := rig.Sample{Seq: 1 << 40, Reading: rig.Reading{Elapsed: 55 * time.Second, Counts: 7}}
	minute := rig.Sample{Seq: 1<<40 + 1, Reading: rig.Reading{Elapsed: 65 * time.Second, Counts: 8}}
	for _, x := range []rig.Sample{later, minute} {
		if err := s.Append(ctx, next.ID, []rig.Sample{x}); err != nil {
			t.Fatal(err)
		}
	}
	got, err = s.Samples(ctx, next.ID, "tube1", 0, End)
	if w := append(want(data, 0), later, minute); err != nil || !slices.Equal(got, w) {
		t.Errorf("%d samples of %d, %v", len(got), len(w), err)
	}
	// A backup has all that can be read, and says what cannot; restored, the store is sound
	// but for that, and goes on.
	dir := t.TempDir()
	backup, elsewhere := filepath.Join(dir, "backup.db"), filepath.Join(dir, "bench.db")
	check, err := Backup(ctx, path, backup)
	if err != nil {
		t.Fatal(err)
	}
	no(Restore(ctx, backup, elsewhere, day))(t)
	if again := no(Verify(ctx, elsewhere))(t); check.SetAside() == 0 || len(again.Damaged) != check.SetAside() || again.Samples != check.Samples {
		t.Errorf("the backup says %+v, the store restored from it %+v", check, again)
	}
	w := mustOpen(t, elsewhere)
	for id := range next.ID {
		for _, ch := range []string{"tube1", "tube2"} {
			a, was := s.Samples(ctx, id+1, ch, 0, End)
			if b, is := w.Samples(ctx, id+1, ch, 0, End); !slices.Equal(a, b) || (was == nil) != (is == nil) {
				t.Errorf("boot %d, %s: %d samples, %v; restored %d, %v", id+1, ch, len(a), was, len(b), is)
			}
		}
	}
	schema := `SELECT type || name || coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'tail\_damaged\_%' ESCAPE '\' AND name NOT LIKE 'sqlite\_auto%' ESCAPE '\' ORDER BY type, name`
	if a, b := no(list(ctx, s.db, scanText, schema))(t), no(list(ctx, w.db, scanText, schema))(t); !slices.Equal(a, b) {
		t.Errorf("the schema became %v, it was %v", b, a)
	}
	mustBoot(t, w, 2)
	if err := w.Append(ctx, next.ID+1, data[0]); err != nil {
		t.Error(err)
	}
}

// A tail that does not decode was set aside once; that keeps nobody from a backup.
func TestBackupOfAStoreWithTailsSetAside(t *testing.T) {
	ctx := t.Context()
	dir := t.TempDir()
	path, dest := filepath.Join(dir, "bench.db"), filepath.Join(dir, "backup.db")
	s, _ := filled(t, path, 1, 3)
	if _, err := s.w.ExecContext(ctx, `UPDATE tail SET data = x'0102' WHERE id = (SELECT min(id) FROM tail)`); err != nil {
		t.Fatal(err)
	}
	s.Close()
	mustOpen(t, path).Close()
	check := no(Backup(ctx, path, dest))(t)
	if check.SetAside() != 1 || !check.Lost() {
		t.Errorf("the backup says %+v", check)
	}
	no(Restore(ctx, dest, path, day))(t)
	if again := no(Verify(ctx, path))(t); again.SetAside() != 1 || len(again.Damaged) != 1 {
		t.Errorf("restored: %+v", again)
	}
}
