package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"brimline/ingest"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// What a caller may want to tell apart; every error says more than these.
var (
	ErrInUse    = errors.New("store is in use")      // another process writes it
	ErrNotStore = errors.New("not a usable store")   // not a brimline store, or damaged where it must be whole
	ErrNewer    = errors.New("store is newer")       // written by a newer brimline
	ErrFull     = errors.New("no space left")        // disk, or Options.MaxBytes
	ErrReadOnly = errors.New("store is read-only")   // file or directory cannot be written
	ErrNotFound = ingest.ErrNotFound                 // no such engine, test, run ...
	ErrConflict = errors.New("refused by the store") // a name taken, a reference to nothing
)

// Damage is one stretch of samples that cannot be read back.
type Damage struct {
	Channel string
	ChunkID int64         // in tables chunk and chunk_data; 0 for what was never in a chunk
	From    time.Duration // of the stretch, when that is known
	To      time.Duration
	Err     error
}

// DamageError comes beside samples: those it lists are damaged, the rest are whole.
type DamageError struct {
	Path    string
	Damages []Damage
}

func (e *DamageError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "read samples of %s: %d damaged", e.Path, len(e.Damages))
	for i, d := range e.Damages {
		if i == 5 {
			fmt.Fprintf(&b, "; and %d more", len(e.Damages)-i)
			break
		}
		if d.ChunkID == 0 {
			fmt.Fprintf(&b, "; channel %s, a tail: %v", d.Channel, d.Err)
			continue
		}
		fmt.Fprintf(&b, "; channel %s, chunk %d, %.3f to %.3f s: %v", d.Channel, d.ChunkID, d.From.Seconds(), d.To.Seconds(), d.Err)
	}
	b.WriteString(": the rest is whole; restore these from a backup")
	return b.String()
}

// Unwrap gives the causes.
func (e *DamageError) Unwrap() []error {
	errs := make([]error, len(e.Damages))
	for i, d := range e.Damages {
		errs[i] = d.Err
	}
	return errs
}

// opError is an error that already says what was being done to which file.
type opError struct{ error }

func (e opError) Unwrap() error { return e.error }

// explain wraps an error of SQLite or of the system so that it says what was
// being done, to which file, what is wrong and what to do. It does so once.
func explain(op, path string, err error) error {
	if done := (opError{}); err == nil || errors.As(err, &done) {
		return err
	}
	return opError{explainCause(op, path, err)}
}

func explainCause(op, path string, err error) error {
	say := func(kind error, what string) error {
		return fmt.Errorf("%s: store %s: %s: %w (%w)", op, path, what, kind, err)
	}
	var lite *sqlite.Error
	switch {
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded),
		errors.Is(err, ErrNotFound), errors.Is(err, ErrConflict), errors.Is(err, ErrNewer), errors.Is(err, ErrNotStore):
		return fmt.Errorf("%s: store %s: %w", op, path, err)
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return say(ErrFull, full(path))
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return say(ErrReadOnly, "this user may not write there: check the owner and mode of the file and its folder, and how the disk is mounted")
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s: store %s: no such file or folder: check the path (%w)", op, path, err)
	case !errors.As(err, &lite):
		return fmt.Errorf("%s: store %s: %w", op, path, err)
	}
	switch code := lite.Code(); code & 0xff {
	case sqlite3.SQLITE_FULL:
		return say(ErrFull, full(path))
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return say(ErrInUse, "another program holds a lock on it: close the program that has it open")
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN:
		return say(ErrReadOnly, "it cannot be opened or written: check the owner and mode of the file and its folder, and how the disk is mounted")
	case sqlite3.SQLITE_NOTADB:
		return say(ErrNotStore, "the file is not a database, or its first bytes are damaged; it was left as it is: check the path, or restore a backup")
	case sqlite3.SQLITE_CORRUPT:
		return say(ErrNotStore, "a page of the file is damaged here; the rest can be read: 'brimline verify' lists what is lost, then restore a backup")
	case sqlite3.SQLITE_IOERR:
		// SQLite does not say why; the disk may.
		switch free, _, known := diskRoom(path); {
		case isReadOnlyNow(path):
			return say(ErrReadOnly, "its disk has become read-only, as the system does to one that fails; what was stored is safe: check the disk, then mount it again")
		case known && free < 64<<10: // less than the index of a log
			return say(ErrFull, full(path))
		}
		return fmt.Errorf("%s: store %s: the disk failed to read or write; what was stored is safe if the disk is: check the disk and its plug (%w)", op, path, err)
	case sqlite3.SQLITE_CONSTRAINT:
		switch code {
		case sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY:
			return say(ErrConflict, "it refers to an engine, test, hanging, boot or channel that is not there or does not belong together: check its ids")
		case sqlite3.SQLITE_CONSTRAINT_UNIQUE, sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY:
			return say(ErrConflict, "its label or number is already taken: choose another")
		}
		return say(ErrConflict, "a value is not allowed")
	}
	return fmt.Errorf("%s: store %s: %w", op, path, err)
}

// full says that there is no room, how much there is, and what to do.
func full(path string) string {
	room := ""
	if free, of, known := diskRoom(path); known {
		room = fmt.Sprintf(" (%d bytes are free for this user on its disk of %d)", free, of)
	}
	return "no space is left" + room + "; what was stored is safe: free space and try again"
}

// diskRoom returns what is free for this user on the disk of path, and its size, in bytes.
func diskRoom(path string) (free, of uint64, known bool) {
	var disk syscall.Statfs_t
	if syscall.Statfs(filepath.Dir(path), &disk) != nil {
		return 0, 0, false
	}
	return disk.Bavail * uint64(disk.Bsize), disk.Blocks * uint64(disk.Bsize), true
}

// isReadOnlyNow asks the system whether the disk of path takes writes. It tries the lock
// file: opening and closing the store's own would give up SQLite's locks on it.
func isReadOnlyNow(path string) bool {
	f, err := os.OpenFile(followLinks(path)+".lock", os.O_WRONLY, 0)
	if err == nil {
		f.Close()
	}
	return errors.Is(err, syscall.EROFS)
}
