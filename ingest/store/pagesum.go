package store

import (
	"encoding/binary"
	"fmt"
	"hash/crc64"
	"math/bits"
	"slices"
	"strings"
	"sync"
	"unsafe"

	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// Every page of a store ends in a checksum of itself, so that no damage to the file is
// taken for a value, whichever table it is in. SQLite has none of its own in its main
// file; the layer below it (a VFS, in SQLite's words) computes it as a page is written
// to the file and checks it as it is read. The place (8 reserved bytes a page) and the
// mark in the file's header (byte 20) are as in SQLite's own checksum VFS,
// https://sqlite.org/cksumvfs.html; the sum is another, because that one's cannot tell
// where a single byte changed: its steps are Fibonacci numbers, which are often even.
//
// The log needs none: its frames carry checksums already.

const (
	sumVFS   = "brimline" // its name among SQLite's
	sumBytes = 8          // reserved at each page's end
)

// crc64ECMA is CRC-64/XZ: polynomial of ECMA-182, reflected, inverted at both ends.
var crc64ECMA = crc64.MakeTable(crc64.ECMA)

func sumOf(data []byte) uint64 { return crc64.Checksum(data, crc64ECMA) }

func storedSum(page []byte) uint64 {
	return binary.LittleEndian.Uint64(page[len(page)-sumBytes:])
}

// sound reports whether a page is as it was written.
func sound(page []byte) bool { return sumOf(page[:len(page)-sumBytes]) == storedSum(page) }

// setSum writes the page's checksum into its last 8 bytes.
func setSum(page []byte) {
	binary.LittleEndian.PutUint64(page[len(page)-sumBytes:], sumOf(page[:len(page)-sumBytes]))
}

// mendPage puts a page with a wrong checksum right in memory if one byte of it, and no
// more, has changed, and reports whether it did.
//
// A CRC is linear: the difference between the sum that is stored and that of the bytes
// depends on the change and its place only, and its steps can be taken back. Taken back to
// the right place it is an entry of the CRC's own table, at the number that was added
// (exclusive or) to the byte. That no two changes of one byte have the same difference is
// what TestEveryChangeOfAByteHasItsOwnSum shows; a page damaged in any other way looks like
// one of them once in 3e13 times (2,048 x 255 of 2^64).
func mendPage(page []byte) bool {
	data := page[:len(page)-sumBytes]
	diff := sumOf(data) ^ storedSum(page)
	if diff != 0 && diff>>(bits.TrailingZeros64(diff)&^7) < 256 {
		setSum(page) // the checksum itself is what changed
		return true
	}
	for i := len(data) - 1; i >= 0; i-- {
		// Entries differ in their first byte, so one at most can be the last that was added.
		k := lastAdded[diff>>56]
		if crc64ECMA[k] == diff {
			data[i] ^= k
			return true
		}
		diff = (diff^crc64ECMA[k])<<8 | uint64(k)
	}
	return false
}

// lastAdded is which entry of the CRC's table has a first byte.
var lastAdded = func() (n [256]byte) {
	for k, entry := range crc64ECMA {
		n[entry>>56] = byte(k)
	}
	return n
}()

// sumFile is what the layer keeps of an open main file, in the memory that SQLite gives
// for the file, behind the system's own part.
type sumFile struct {
	methods uintptr // the system's
	db      uintptr // the connection that has it open
	sums    bool    // its pages carry checksums
}

var sums struct { // the layer: SQLite's register of them is one for the process, too
	once   sync.Once
	system uintptr // the VFS below
	offset uintptr // of a sumFile in the memory of a file

	mu     sync.Mutex
	tables map[uintptr]uintptr // the system's tables of methods, and what stands for them
	mended map[uintptr][]int64 // the pages that were read so, by open file
}

// usePageSums makes the layer known to SQLite. If that fails, SQLite says of the first
// file that its layer is not known.
func usePageSums() {
	sums.once.Do(func() {
		tls := libc.NewTLS()
		defer tls.Close()
		sums.tables, sums.mended = map[uintptr]uintptr{}, map[uintptr][]int64{}
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
	f.sums = uriFlag(tls, name, "sums") // a new file, whose pages may come before its header
	sums.mu.Lock()
	defer sums.mu.Unlock()
	delete(sums.mended, file) // of a file before it at that address
	ours := sums.tables[methods]
	if ours == 0 {
		ours = libc.Xcalloc(tls, 1, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_io_methods{})))
		if ours == 0 {
			return sqlite3.SQLITE_NOMEM // SQLite closes the file: its methods are the system's still
		}
		m := at[sqlite3.Tsqlite3_io_methods](ours)
		*m = *at[sqlite3.Tsqlite3_io_methods](methods)
		m.FxRead, m.FxWrite, m.FxFileControl = funcPointer(sumRead), funcPointer(sumWrite), funcPointer(sumControl)
		m.FxDeviceCharacteristics = funcPointer(sumTraits)
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
			if sound(whole) || mend(file, whole, 0) {
				copy(b, whole)
			}
		}
		f.sums = b[20] == sumBytes
		return rc
	}
	if !f.sums || !isPage(n) || sound(b) || mend(file, b, offset) {
		return rc
	}
	// Not SQLITE_IOERR_DATA, at which SQLite would end the transaction: the rest is read on.
	return sqlite3.SQLITE_CORRUPT
}

// mend is mendPage, and notes that it was needed.
func mend(file uintptr, page []byte, offset int64) bool {
	if !mendPage(page) {
		return false
	}
	sums.mu.Lock()
	defer sums.mu.Unlock()
	if number := offset/int64(len(page)) + 1; !slices.Contains(sums.mended[file], number) {
		sums.mended[file] = append(sums.mended[file], number)
	}
	return true
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

// sumTraits tells what the device is like: what is read is always whole pages, or SQLite
// would read parts of some (long rows) past their checksums.
func sumTraits(tls *libc.TLS, file uintptr) int32 {
	m := at[sqlite3.Tsqlite3_io_methods](at[sumFile](file + sums.offset).methods)
	return call[func(*libc.TLS, uintptr) int32](m.FxDeviceCharacteristics)(tls, file) &^ sqlite3.SQLITE_IOCAP_SUBPAGE_READ
}

// sumControl answers two pragmas. page_sums asks that pages have room for checksums from
// now on: those of a new file, or of all at the next VACUUM. page_mended gives the numbers
// of the pages that this connection had to mend, with spaces between them.
func sumControl(tls *libc.TLS, file uintptr, op int32, arg uintptr) int32 {
	f := at[sumFile](file + sums.offset)
	switch op {
	case sqlite3.SQLITE_FCNTL_PDB:
		f.db = *at[uintptr](arg)
	case sqlite3.SQLITE_FCNTL_PRAGMA:
		words := at[[3]uintptr](arg)
		switch libc.GoString(words[1]) {
		case "page_sums":
			if f.db == 0 {
				return sqlite3.SQLITE_ERROR
			}
			n := tls.Alloc(8)
			defer tls.Free(8)
			*at[int32](n) = sumBytes
			return sqlite3.Xsqlite3_file_control(tls, f.db, 0, sqlite3.SQLITE_FCNTL_RESERVE_BYTES, n)
		case "page_mended":
			sums.mu.Lock()
			says := strings.Trim(fmt.Sprint(sums.mended[file]), "[]")
			sums.mu.Unlock()
			text := sqlite3.Xsqlite3_malloc(tls, int32(len(says)+1)) // SQLite frees it
			if text == 0 {
				return sqlite3.SQLITE_NOMEM
			}
			b := bytesAt(text, int32(len(says)+1))
			b[copy(b, says)] = 0
			words[0] = text
			return sqlite3.SQLITE_OK
		}
	}
	return call[controlFunc](at[sqlite3.Tsqlite3_io_methods](f.methods).FxFileControl)(tls, file, op, arg)
}
