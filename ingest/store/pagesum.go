package store

import (
	"encoding/binary"
	"math/bits"
	"sync"
	"unsafe"

	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// Every page of a store ends in a checksum of itself, so that no damage to the file is
// taken for a value, whichever table it is in. SQLite has none of its own in its main
// file; the layer below it (a VFS, in SQLite's words) computes it as a page is written
// to the file and checks it as it is read. It is the checksum, the place and the mark in
// the file's header (8 reserved bytes a page, byte 20 of the file) of SQLite's own
// checksum VFS, https://sqlite.org/cksumvfs.html, and the arithmetic is that of
// https://sqlite.org/fileformat2.html, section 4.2.
//
// The log needs none: its frames carry checksums already.

const (
	sumVFS   = "brimline" // its name among SQLite's
	sumBytes = 8          // reserved at each page's end
)

// pageSum is two sums of 32-bit words that run crosswise.
type pageSum struct{ s1, s2 uint32 }

// sumOf returns the checksum of a page without its last 8 bytes; len(data) is a multiple of 8.
func sumOf(data []byte) (s pageSum) {
	for ; len(data) >= 8; data = data[8:] {
		s.s1 += binary.LittleEndian.Uint32(data) + s.s2
		s.s2 += binary.LittleEndian.Uint32(data[4:]) + s.s1
	}
	return s
}

func storedSum(page []byte) pageSum {
	at := page[len(page)-sumBytes:]
	return pageSum{binary.LittleEndian.Uint32(at), binary.LittleEndian.Uint32(at[4:])}
}

// setSum writes the page's checksum into its last 8 bytes.
func setSum(page []byte) {
	s := sumOf(page[:len(page)-sumBytes])
	at := page[len(page)-sumBytes:]
	binary.LittleEndian.PutUint32(at, s.s1)
	binary.LittleEndian.PutUint32(at[4:], s.s2)
}

// mendPage puts a page with a wrong checksum right in memory if one byte of it, and no
// more, has changed, and reports whether it did.
//
// The sums are linear in the words, and a step of theirs can be taken back. So the
// difference between the sum that is stored and that of the bytes, taken back step by
// step, is at each place the change of its words that would explain it. At the right
// place that is a change of one byte in one word. A page damaged in any other way looks
// so at one of its places once in 3e13 times: 510 words, times 2^-32 that the other word
// comes out unchanged, times 1,020 changes of a byte among 2^32.
func mendPage(page []byte) bool {
	data := page[:len(page)-sumBytes]
	want, is := storedSum(page), sumOf(data)
	d1, d2 := want.s1-is.s1, want.s2-is.s2
	if w1, w2 := want.s1^is.s1, want.s2^is.s2; w1 == 0 && oneByte(w2) || w2 == 0 && oneByte(w1) {
		setSum(page) // the checksum itself is what changed
		return true
	}
	for i := len(data) - 8; i >= 0; i -= 8 {
		dx, dy := d1, d2-d1
		word, d := data[i:], dx
		if dx == 0 {
			word, d = data[i+4:], dy
		}
		if old := binary.LittleEndian.Uint32(word); (dx == 0 || dy == 0) && oneByte(old^(old+d)) {
			binary.LittleEndian.PutUint32(word, old+d)
			return true
		}
		d1, d2 = 2*d1-d2, d2-d1
	}
	return false
}

// oneByte reports whether the bits that are set lie in one byte of the four.
func oneByte(x uint32) bool {
	return x != 0 && bits.TrailingZeros32(x)/8 == (31-bits.LeadingZeros32(x))/8
}

// sumFile is what the layer keeps of an open main file, in the memory that SQLite gives
// for the file, behind the system's own part.
type sumFile struct {
	methods uintptr // the system's
	db      uintptr // the connection that has it open
	sums    bool    // its pages carry checksums
	strict  bool    // a page that could be mended is refused as well
}

var sums struct { // the layer: SQLite's register of them is one for the process, too
	once   sync.Once
	system uintptr // the VFS below
	offset uintptr // of a sumFile in the memory of a file

	mu     sync.Mutex
	tables map[uintptr]uintptr // the system's tables of methods, and what stands for them
}

// usePageSums makes the layer known to SQLite. If that fails, SQLite says of the first
// file that its layer is not known.
func usePageSums() {
	sums.once.Do(func() {
		tls := libc.NewTLS()
		defer tls.Close()
		sums.tables = map[uintptr]uintptr{}
		sums.system = sqlite3.Xsqlite3_vfs_find(tls, 0)
		size := libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_vfs{}))
		vfs := libc.Xcalloc(tls, 1, size) // for the life of the process
		name, err := libc.CString(sumVFS)
		if sums.system == 0 || vfs == 0 || err != nil {
			return
		}
		system, v := at[sqlite3.Tsqlite3_vfs](sums.system), at[sqlite3.Tsqlite3_vfs](vfs)
		*v = *system
		sums.offset = (uintptr(system.FszOsFile) + 7) &^ 7
		v.FszOsFile = int32(sums.offset + unsafe.Sizeof(sumFile{}))
		v.FpNext, v.FzName = 0, name
		v.FxOpen = funcPointer(sumOpen)
		sqlite3.Xsqlite3_vfs_register(tls, vfs, 0)
	})
}

// at is the value of type T at an address of SQLite's memory, which is not Go's.
func at[T any](p uintptr) *T { return *(**T)(unsafe.Pointer(&p)) }

// bytesAt is SQLite's memory as a slice.
func bytesAt(p uintptr, n int32) []byte { return unsafe.Slice(at[byte](p), n) }

// funcPointer is a Go function (not a closure) as the translated C code calls it.
func funcPointer(f any) uintptr { return (*[2]uintptr)(unsafe.Pointer(&f))[1] }

// call turns an address as the translated C code has it into a Go function.
func call[F any](p uintptr) F {
	return *(*F)(unsafe.Pointer(&p))
}

type (
	openFunc    = func(tls *libc.TLS, vfs, name, file uintptr, flags int32, outFlags uintptr) int32
	readFunc    = func(tls *libc.TLS, file, buf uintptr, n int32, offset int64) int32
	controlFunc = func(tls *libc.TLS, file uintptr, op int32, arg uintptr) int32
)

// sumOpen opens a file; a main file gets the methods below.
func sumOpen(tls *libc.TLS, vfs, name, file uintptr, flags int32, outFlags uintptr) int32 {
	rc := call[openFunc](at[sqlite3.Tsqlite3_vfs](sums.system).FxOpen)(tls, sums.system, name, file, flags, outFlags)
	methods := *at[uintptr](file)
	if rc != sqlite3.SQLITE_OK || methods == 0 || flags&sqlite3.SQLITE_OPEN_MAIN_DB == 0 {
		return rc
	}
	f := at[sumFile](file + sums.offset)
	*f = sumFile{methods: methods}
	f.strict = uriFlag(tls, name, "strict")
	f.sums = uriFlag(tls, name, "sums") // a new file, whose pages may come before its header
	sums.mu.Lock()
	defer sums.mu.Unlock()
	ours := sums.tables[methods]
	if ours == 0 {
		ours = libc.Xcalloc(tls, 1, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_io_methods{})))
		if ours == 0 {
			return sqlite3.SQLITE_NOMEM // SQLite closes the file: its methods are the system's still
		}
		m := at[sqlite3.Tsqlite3_io_methods](ours)
		*m = *at[sqlite3.Tsqlite3_io_methods](methods)
		m.FxRead, m.FxWrite, m.FxFileControl = funcPointer(sumRead), funcPointer(sumWrite), funcPointer(sumControl)
		sums.tables[methods] = ours
	}
	*at[uintptr](file) = ours
	return rc
}

func uriFlag(tls *libc.TLS, name uintptr, key string) bool {
	k, err := libc.CString(key)
	if err != nil {
		return false
	}
	defer libc.Xfree(tls, k)
	return sqlite3.Xsqlite3_uri_boolean(tls, name, k, 0) != 0
}

// isPage reports whether a transfer of n bytes is of a page.
func isPage(n int32) bool { return n >= 512 && n&(n-1) == 0 }

// sumRead reads, and checks what it read if it is a page. A page that is damaged in one
// byte comes back mended; any other that is damaged is refused.
func sumRead(tls *libc.TLS, file, buf uintptr, n int32, offset int64) int32 {
	f := at[sumFile](file + sums.offset)
	m := at[sqlite3.Tsqlite3_io_methods](f.methods)
	rc := call[readFunc](m.FxRead)(tls, file, buf, n, offset)
	if rc != sqlite3.SQLITE_OK {
		return rc
	}
	b := bytesAt(buf, n)
	if offset == 0 && n >= 100 && !isPage(n) {
		// SQLite looks at the header before it takes a lock, so the page may be torn; it
		// is checked once more when it is read as a page.
		page := libc.Xmalloc(tls, pageSize)
		if page == 0 {
			return sqlite3.SQLITE_NOMEM
		}
		defer libc.Xfree(tls, page)
		whole := bytesAt(page, pageSize)
		if call[readFunc](m.FxRead)(tls, file, page, pageSize, 0) == sqlite3.SQLITE_OK && n <= pageSize {
			if sumOf(whole[:pageSize-sumBytes]) == storedSum(whole) || !f.strict && mendPage(whole) {
				copy(b, whole)
			}
		}
		f.sums = b[20] == sumBytes
		return rc
	}
	if !f.sums || !isPage(n) || sumOf(b[:n-sumBytes]) == storedSum(b) || !f.strict && mendPage(b) {
		return rc
	}
	// Not SQLITE_IOERR_DATA, at which SQLite would end the transaction: the rest is read on.
	return sqlite3.SQLITE_CORRUPT
}

// sumWrite gives a page its checksum and writes it.
func sumWrite(tls *libc.TLS, file, buf uintptr, n int32, offset int64) int32 {
	f := at[sumFile](file + sums.offset)
	m := at[sqlite3.Tsqlite3_io_methods](f.methods)
	if isPage(n) {
		b := bytesAt(buf, n)
		switch {
		case offset == 0:
			f.sums = b[20] == sumBytes
		case !f.sums:
			// Another connection may have brought them in.
			mark := tls.Alloc(1)
			if call[readFunc](m.FxRead)(tls, file, mark, 1, 20) == sqlite3.SQLITE_OK {
				f.sums = *at[byte](mark) == sumBytes
			}
			tls.Free(1)
		}
		if f.sums {
			setSum(b) // where SQLite keeps nothing
		}
	}
	return call[readFunc](m.FxWrite)(tls, file, buf, n, offset)
}

// sumControl answers PRAGMA page_sums, which asks that pages have room for checksums from
// now on: those of a new file, or of all at the next VACUUM.
func sumControl(tls *libc.TLS, file uintptr, op int32, arg uintptr) int32 {
	f := at[sumFile](file + sums.offset)
	switch op {
	case sqlite3.SQLITE_FCNTL_PDB:
		f.db = *at[uintptr](arg)
	case sqlite3.SQLITE_FCNTL_PRAGMA:
		if words := at[[3]uintptr](arg); libc.GoString(words[1]) == "page_sums" && f.db != 0 {
			n := tls.Alloc(8)
			defer tls.Free(8)
			*at[int32](n) = sumBytes
			return sqlite3.Xsqlite3_file_control(tls, f.db, 0, sqlite3.SQLITE_FCNTL_RESERVE_BYTES, n)
		}
	}
	return call[controlFunc](at[sqlite3.Tsqlite3_io_methods](f.methods).FxFileControl)(tls, file, op, arg)
}
