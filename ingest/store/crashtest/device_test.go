//go:build powercut && linux && !arm

package crashtest

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	fusefs "github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"
	"golang.org/x/sys/unix"
)

const (
	sectorBytes = 512  // written whole or not at all
	blockBytes  = 4096 // of the file system
	cacheBlocks = 512  // 2 MiB: what a card may hold unflushed before it writes the oldest by itself
)

// device is a memory card: one file of a FUSE file system that a loop device makes a
// block device of. What is written stays in its cache until it is flushed, or pushed
// out by later writes. A cut loses a random part of the cache.
type device struct {
	ignoreFlush bool

	mu      sync.Mutex
	disk    []byte                      // what a cut does not touch
	cache   map[int64]*[blockBytes]byte // block number to its content; sectors not in dirty are not valid
	dirty   map[int64]uint8             // block number to a bit for each sector that is in the cache only
	queue   []int64                     // blocks of the cache in the order they came in
	plugged int                         // counts pluggings in; a handle of an earlier one is dead
	dead    bool                        // cut off: nothing is read or written
	refuse  bool                        // reads, but fails to write
	ops     int                         // writes and flushes since it was plugged in
	cutAt   int                         // the number of ops after which it is cut off; 0: never
	cut     chan struct{}               // closed when it is cut off
	stats   deviceStats
}

// deviceStats counts since the device was made.
type deviceStats struct {
	written int64 // bytes
	writes  int
	flushes int

	// of the cuts
	kept, dropped, torn int // blocks of the cache
	empty               int // cuts that found nothing unflushed
}

func newDevice(size int) *device {
	return &device{disk: make([]byte, size), cache: map[int64]*[blockBytes]byte{}, dirty: map[int64]uint8{}, cut: make(chan struct{})}
}

// read fills dst from off: the cache over the disk.
func (d *device) read(dst []byte, off int64) {
	copy(dst, d.disk[off:])
	for b := off / blockBytes; b*blockBytes < off+int64(len(dst)); b++ {
		for s := range int64(blockBytes / sectorBytes) {
			if d.dirty[b]&(1<<s) == 0 {
				continue
			}
			at := b*blockBytes + s*sectorBytes
			from, to := max(at, off), min(at+sectorBytes, off+int64(len(dst)))
			if from < to {
				copy(dst[from-off:to-off], d.cache[b][from-b*blockBytes:])
			}
		}
	}
}

// write takes data at off, both whole sectors, into the cache.
func (d *device) write(data []byte, off int64) {
	d.stats.written += int64(len(data))
	d.stats.writes++
	for len(data) > 0 {
		b, in := off/blockBytes, off%blockBytes
		if d.cache[b] == nil {
			d.cache[b] = new([blockBytes]byte)
			d.queue = append(d.queue, b)
		}
		n := copy(d.cache[b][in:], data)
		for s := in / sectorBytes; s < (in+int64(n))/sectorBytes; s++ {
			d.dirty[b] |= 1 << s
		}
		data, off = data[n:], off+int64(n)
	}
	for len(d.queue) > cacheBlocks {
		d.settle(d.queue[0], 0xff)
		d.queue = d.queue[1:]
	}
}

// settle puts the block's cached sectors of a mask onto the disk and forgets the others.
func (d *device) settle(block int64, mask uint8) {
	for s := range int64(blockBytes / sectorBytes) {
		if d.dirty[block]&mask&(1<<s) != 0 {
			copy(d.disk[block*blockBytes+s*sectorBytes:], d.cache[block][s*sectorBytes:(s+1)*sectorBytes])
		}
	}
	delete(d.cache, block)
	delete(d.dirty, block)
}

func (d *device) flush() {
	d.stats.flushes++
	if d.ignoreFlush {
		return
	}
	for _, b := range d.queue {
		d.settle(b, 0xff)
	}
	d.queue = nil
}

// count counts an op and cuts the device off when its time has come.
func (d *device) count() {
	if d.ops++; d.ops == d.cutAt {
		d.die()
	}
}

func (d *device) die() {
	if !d.dead {
		d.dead = true
		close(d.cut)
	}
}

// Cut cuts the device off now.
func (d *device) Cut() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.die()
}

// Arm lets the device be cut off after so many writes and flushes from now.
func (d *device) Arm(ops int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.cutAt = d.ops + ops
}

// Lose is what the power cut does to the cache: each block of it is kept, dropped or
// torn, the sectors of a torn one kept or dropped each by itself. How much is lost
// differs from cut to cut.
func (d *device) Lose(rng *rand.Rand) {
	d.mu.Lock()
	defer d.mu.Unlock()
	keep := []float64{0, 0.2, 0.5, 0.8, 0.98}[rng.IntN(5)]
	if len(d.queue) == 0 {
		d.stats.empty++
	}
	for _, b := range d.queue {
		switch {
		case rng.IntN(5) == 0:
			d.settle(b, uint8(rng.Uint32()))
			d.stats.torn++
		case rng.Float64() < keep:
			d.settle(b, 0xff)
			d.stats.kept++
		default:
			d.settle(b, 0)
			d.stats.dropped++
		}
	}
	d.queue = nil
}

// Refuse lets every write fail from now, or no longer.
func (d *device) Refuse(on bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.refuse = on
}

func (d *device) Stats() deviceStats {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.stats
}

// plugIn gives the device back its life under a new name, so that the kernel has
// nothing of it left in memory.
func (d *device) plugIn() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.plugged++
	d.dead, d.refuse, d.ops, d.cutAt, d.cut = false, false, 0, 0, make(chan struct{})
	return fmt.Sprintf("card%d", d.plugged)
}

// deviceDir is the FUSE file system's only folder.
type deviceDir struct {
	fusefs.Inode
	d *device
}

// Lookup implements fs.NodeLookuper.
func (dir *deviceDir) Lookup(ctx context.Context, name string, out *fuse.EntryOut) (*fusefs.Inode, syscall.Errno) {
	dir.d.mu.Lock()
	defer dir.d.mu.Unlock()
	if name != fmt.Sprintf("card%d", dir.d.plugged) {
		return nil, syscall.ENOENT
	}
	f := &deviceFile{d: dir.d, plugged: dir.d.plugged}
	f.attr(&out.Attr)
	return dir.NewInode(ctx, f, fusefs.StableAttr{Mode: fuse.S_IFREG, Ino: uint64(100 + dir.d.plugged)}), 0
}

// deviceFile is the device as plugged in once.
type deviceFile struct {
	fusefs.Inode
	d       *device
	plugged int
}

func (f *deviceFile) attr(a *fuse.Attr) {
	a.Mode, a.Size, a.Blksize = fuse.S_IFREG|0o600, uint64(len(f.d.disk)), blockBytes
}

// Getattr implements fs.NodeGetattrer.
func (f *deviceFile) Getattr(ctx context.Context, h fusefs.FileHandle, out *fuse.AttrOut) syscall.Errno {
	f.attr(&out.Attr)
	return 0
}

// Open implements fs.NodeOpener: the kernel is to keep nothing of the file in memory,
// so that a write or flush of the block device is one of the file at once.
func (f *deviceFile) Open(ctx context.Context, flags uint32) (fusefs.FileHandle, uint32, syscall.Errno) {
	return nil, fuse.FOPEN_DIRECT_IO, 0
}

// live reports whether the handle may be used; the caller holds the lock.
func (f *deviceFile) live() bool { return f.plugged == f.d.plugged && !f.d.dead }

// Read implements fs.NodeReader.
func (f *deviceFile) Read(ctx context.Context, h fusefs.FileHandle, dest []byte, off int64) (fuse.ReadResult, syscall.Errno) {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if !f.live() {
		return nil, syscall.EIO
	}
	dest = dest[:max(0, min(int64(len(dest)), int64(len(f.d.disk))-off))]
	f.d.read(dest, off)
	return fuse.ReadResultData(dest), 0
}

// Write implements fs.NodeWriter.
func (f *deviceFile) Write(ctx context.Context, h fusefs.FileHandle, data []byte, off int64) (uint32, syscall.Errno) {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if !f.live() || f.d.refuse || off%sectorBytes != 0 || len(data)%sectorBytes != 0 || off+int64(len(data)) > int64(len(f.d.disk)) {
		return 0, syscall.EIO
	}
	f.d.write(data, off)
	f.d.count()
	return uint32(len(data)), 0
}

// Fsync implements fs.NodeFsyncer: the loop device's flush comes here.
func (f *deviceFile) Fsync(ctx context.Context, h fusefs.FileHandle, flags uint32) syscall.Errno {
	f.d.mu.Lock()
	defer f.d.mu.Unlock()
	if !f.live() {
		return syscall.EIO
	}
	// Cut off at this op, the flush comes too late.
	if f.d.count(); f.d.dead {
		return syscall.EIO
	}
	if f.d.refuse {
		return syscall.EIO
	}
	f.d.flush()
	return 0
}

// card is a device with an ext4 on it.
type card struct {
	*device
	t    testing.TB
	fuse string // where the device's file is
	Dir  string // where the ext4 is, while it is mounted
}

// newCard makes a card of some MiB, mounted until the test ends.
func newCard(t testing.TB, mib int) *card {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Fatal("a power cut needs root: it mounts a file system (run 'make test-powercut' as root, or leave these tests out with 'make test POWERCUT=no')")
	}
	if _, err := os.Stat("/dev/fuse"); err != nil {
		t.Fatalf("a power cut needs /dev/fuse: %v (load the kernel module fuse, or leave these tests out with 'make test POWERCUT=no')", err)
	}
	dir := t.TempDir()
	c := &card{device: newDevice(mib << 20), t: t, fuse: filepath.Join(dir, "fuse"), Dir: filepath.Join(dir, "ext4")}
	for _, d := range []string{c.fuse, c.Dir} {
		if err := os.Mkdir(d, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	image := filepath.Join(dir, "image")
	if err := os.WriteFile(image, c.disk, 0o600); err != nil {
		t.Fatal(err)
	}
	c.command("mkfs.ext4", "-q", "-F", "-m", "0", "-b", fmt.Sprint(blockBytes), "-E", "lazy_itable_init=0,lazy_journal_init=0", image)
	made, err := os.ReadFile(image)
	if err != nil {
		t.Fatal(err)
	}
	os.Remove(image)
	c.disk = made

	hour := time.Hour
	server, err := fusefs.Mount(c.fuse, &deviceDir{d: c.device}, &fusefs.Options{
		MountOptions: fuse.MountOptions{DirectMountStrict: true, FsName: "brimline-card", MaxWrite: 1 << 20},
		AttrTimeout:  &hour,
	})
	if err != nil {
		t.Fatalf("mount the card's FUSE file system on %s: %v (it needs root and /dev/fuse)", c.fuse, err)
	}
	t.Cleanup(func() {
		c.Unplug()
		if err := server.Unmount(); err != nil {
			t.Errorf("unmount %s: %v", c.fuse, err)
		}
	})
	if err := c.Plug(); err != nil {
		t.Fatal(err)
	}
	return c
}

func (c *card) command(name string, args ...string) string {
	c.t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		c.t.Fatalf("%s %s: %v: %s", name, strings.Join(args, " "), err, out)
	}
	return strings.TrimSpace(string(out))
}

// Plug plugs the card in and mounts it, which replays its journal. The error is
// that the file system cannot be mounted.
func (c *card) Plug() error {
	c.t.Helper()
	loop := c.command("losetup", "--find", "--show", "--direct-io=on", filepath.Join(c.fuse, c.plugIn()))
	err := unix.Mount(loop, c.Dir, "ext4", 0, "")
	// The loop device goes by itself when it is unmounted.
	c.command("losetup", "--detach", loop)
	if err != nil {
		return fmt.Errorf("mount the card: %w", err)
	}
	return nil
}

// Unplug unmounts the card; after a cut its file system can write nothing any more.
func (c *card) Unplug() {
	c.t.Helper()
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		err := unix.Unmount(c.Dir, 0)
		if err == nil || err == unix.EINVAL { // EINVAL: it is not mounted
			return
		}
		if time.Now().After(end) {
			c.t.Fatalf("unmount %s: %v", c.Dir, err)
		}
	}
}
