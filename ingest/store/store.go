// Package store is the bench's book and its raw samples in one SQLite file.
//
// It is where a sample rests: a Recorder appends samples, they stand in a tail
// row until the minute is full, and then in a compressed chunk. FORMAT.md has
// the tables and the bytes.
//
//	s, err := store.Open(ctx, "bench.db", store.Options{})
//	boot, err := s.NewBoot(ctx, time.Now(), []rig.Channel{{Name: "tube1", CapacityML: 100}})
//	rec := ingest.NewRecorder(s, boot.ID, ingest.RecorderOptions{})
//	...
//	samples, err := s.Samples(ctx, boot.ID, "tube1", 0, store.End)
//
// # What survives
//
// Every method that writes returns after its transaction is on the disk (WAL,
// synchronous FULL: one fsync of the log for each). What was acknowledged with a
// nil error survives the end of the process and of the power; what was not is
// either whole or absent. A torn end of the log is normal after a power cut and is
// cut off when the file is next opened.
//
// One process writes, and holds the file's name with ".lock" added; others may
// read meanwhile with OpenRead.
package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	_ "modernc.org/sqlite" // the database/sql driver "sqlite"
)

// Tuning, measured at 4 x 80 samples/s; FORMAT.md has the figures.
const (
	pageSize       = 2048
	checkpointEach = 1024 // pages of log before they are moved into the file
)

// synchronous is FULL. It is no constant so that a crash test can link a program whose
// store is weaker (NORMAL), and see that the test finds the loss.
var synchronous = "FULL"

// Options are for Open. The zero value is right for a bench.
type Options struct {
	// MaxBytes is the size the file may grow to; beyond it writes fail with
	// ErrFull. 0 means no limit but the disk's.
	MaxBytes int64
}

// Reader reads a store. Its methods may be called from any goroutine.
type Reader struct {
	path string
	dsn  string // the driver's name for it
	db   *sql.DB
}

// Store is a Reader that also writes. Its methods may be called from any goroutine.
type Store struct {
	*Reader
	lock *os.File
	wdb  *sql.DB

	mu   sync.Mutex // over w and the open chunks
	w    *sql.Conn
	open map[int]*openChunk // by the channel's number in the boot
	boot int64              // the boot that Append takes; 0 before NewBoot
	sc   scratch
	buf  []byte
}

// Path returns the file's path as it was given.
func (r *Reader) Path() string { return r.path }

// Open opens the store at path for writing, and makes it if it is not there (its
// folder must be). It brings an older schema up to date and seals the tails that
// an earlier boot left. A second writer gets ErrInUse, a file of a newer brimline
// ErrNewer, anything else that is not a whole store ErrNotStore; the file is then
// left as it was.
func Open(ctx context.Context, path string, opt Options) (_ *Store, err error) {
	const op = "open for writing"
	if err := checkFile(path, true); err != nil {
		return nil, explain(op, path, err)
	}
	lock, err := takeLock(path)
	if err != nil {
		return nil, explain(op, path, err)
	}
	s := &Store{Reader: &Reader{path: path}, lock: lock, open: map[int]*openChunk{}}
	defer func() {
		if err != nil {
			err = explain(op, path, err)
			s.Close()
		}
	}()
	if s.wdb, err = sql.Open("sqlite", dsn(path, "rwc")); err != nil {
		return nil, err
	}
	s.wdb.SetMaxOpenConns(1)
	if s.w, err = s.wdb.Conn(ctx); err != nil {
		return nil, err
	}
	version, err := schemaVersion(ctx, s.w)
	if err != nil {
		return nil, err
	}
	pragmas := []string{
		fmt.Sprintf("page_size = %d", pageSize), // heeded by a new file only
		"page_sums",                             // heeded by a new file, or at the next VACUUM
		"journal_mode = WAL",
		"synchronous = " + synchronous,
		"foreign_keys = ON",
		fmt.Sprintf("wal_autocheckpoint = %d", checkpointEach),
	}
	if opt.MaxBytes > 0 {
		pragmas = append(pragmas, fmt.Sprintf("max_page_count = %d", max(1, opt.MaxBytes/pageSize)))
	}
	for _, p := range pragmas {
		if _, err = s.w.ExecContext(ctx, "PRAGMA "+p); err != nil {
			return nil, err
		}
	}
	if version > 0 && version < sumsSince {
		if err = s.addPageSums(ctx); err != nil {
			return nil, err
		}
	}
	if err = s.migrate(ctx, version); err != nil {
		return nil, err
	}
	r, err := openReader(ctx, path, "rw", SchemaVersion)
	if err != nil {
		return nil, err
	}
	s.Reader = r
	tails, damage, err := readTails(ctx, s.w, "true")
	if err != nil {
		return nil, err
	}
	if err = s.transact(ctx, op, func(ctx context.Context) error { return s.sealTails(ctx, tails, damage) }); err != nil {
		return nil, err
	}
	return s, nil
}

// OpenRead opens the store at path for reading, also while a daemon writes it. A
// store on a medium that cannot be written, or is full, can be read if it was closed
// cleanly. Close the Reader when done: the writer's log grows while a read goes on.
func OpenRead(ctx context.Context, path string) (*Reader, error) {
	if err := checkFile(path, false); err != nil {
		return nil, explain("open for reading", path, err)
	}
	return openAny(ctx, path, SchemaVersion)
}

// openAny opens a store of a schema from a version on for reading.
func openAny(ctx context.Context, path string, since int) (*Reader, error) {
	r, err := openReader(ctx, path, "ro", since)
	if (errors.Is(err, ErrReadOnly) || errors.Is(err, ErrFull)) && isEmpty(path+"-wal") {
		// No log, and no right or room to make one: the file alone is the whole store.
		r, err = openReader(ctx, path, "ro&immutable=1", since)
	}
	return r, err
}

func openReader(ctx context.Context, path, mode string, since int) (*Reader, error) {
	const op = "open for reading"
	name := dsn(path, mode) + "&_pragma=query_only(1)"
	db, err := sql.Open("sqlite", name)
	if err != nil {
		return nil, explain(op, path, err)
	}
	db.SetMaxOpenConns(4)
	version, err := schemaVersion(ctx, db)
	if err == nil && version == 0 {
		err = fmt.Errorf("the file holds no store yet: check the path, or start the daemon on it once: %w", ErrNotStore)
	}
	if isDamage(err) {
		err = fmt.Errorf("the page that its tables are listed on is damaged, so nothing in it can be found; it was left as it is: keep a copy of it, then restore a backup: %w (%w)", ErrNotStore, err)
	}
	if err == nil && version < since {
		err = fmt.Errorf("has schema %d, this program reads schema %d: start the daemon on it once ('brimline serve', with --sim for a simulated one), which brings it up to date and keeps all that is in it: %w", version, SchemaVersion, ErrNotStore)
	}
	if err != nil {
		db.Close()
		return nil, explain(op, path, err)
	}
	return &Reader{path: path, dsn: name, db: db}, nil
}

// Close ends reading.
func (r *Reader) Close() error { return explain("close", r.path, r.db.Close()) }

// Close moves the log into the file and gives the lock back. Everything
// acknowledged is on the disk before it is called.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var errs []error
	if s.db != nil {
		errs = append(errs, s.db.Close())
	}
	if s.w != nil {
		errs = append(errs, s.w.Close())
		s.w = nil
	}
	if s.wdb != nil {
		errs = append(errs, s.wdb.Close())
	}
	errs = append(errs, s.lock.Close())
	return explain("close", s.path, errors.Join(errs...))
}

// dsn is the driver's name for the file, with checksums of its pages.
func dsn(path, mode string) string {
	usePageSums()
	abs, err := filepath.Abs(path)
	if err != nil {
		abs = path
	}
	return (&url.URL{Scheme: "file", Path: abs, RawQuery: "vfs=" + sumVFS + "&mode=" + mode + "&_pragma=busy_timeout(5000)"}).String()
}

// checkFile refuses what cannot be a store before SQLite sees it. A missing file is
// an error unless it may be made.
//
// It looks at the file from outside only. A process that opens and closes a file
// loses all the locks it has on it (POSIX), SQLite's own included: another program
// could then take the log away from under a store that this process has open.
func checkFile(path string, mayMake bool) error {
	if mayMake {
		if _, err := os.Stat(filepath.Dir(path)); err != nil {
			return fmt.Errorf("its folder: %w", err)
		}
	}
	info, err := os.Stat(path)
	if mayMake && errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("it is a folder or a device, not a file: check the path: %w", ErrNotStore)
	}
	return nil
}

func isEmpty(path string) bool {
	info, err := os.Stat(path)
	return errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0
}

// takeLock takes the writer's lock. The system gives it back when the process
// ends, however it ends; the lock file itself stays.
func takeLock(path string) (*os.File, error) {
	name := followLinks(path) + ".lock"
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	for n := 0; n < 10 && errors.Is(err, syscall.EWOULDBLOCK); n++ {
		// InUse holds it for as long as it asks; a writer holds it for longer.
		time.Sleep(10 * time.Millisecond)
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	}
	if err != nil {
		holder, _ := io.ReadAll(io.LimitReader(f, 64))
		f.Close()
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("lock %s: %w", name, err)
		}
		return nil, fmt.Errorf("another program (%s) writes it and holds the lock %s: stop that program, or open the store for reading only: %w",
			strings.TrimSpace(string(holder)), name, ErrInUse)
	}
	// The number is for the message above only, so failing to write it is no reason to stop.
	f.Truncate(0)
	fmt.Fprintf(f, "process %d\n", os.Getpid())
	return f, nil
}

// followLinks returns where a symbolic link at path leads, however many there are, so
// that a store has one lock by whichever name it is opened. What is no link, or leads
// in a circle, comes back as it is.
func followLinks(path string) string {
	for range 40 { // as many as Linux follows
		target, err := os.Readlink(path)
		if err != nil {
			return path
		}
		if !filepath.IsAbs(target) {
			// Not filepath.Join: a ".." is the folder's own, which may be a link too.
			target = filepath.Dir(path) + string(filepath.Separator) + target
		}
		path = target
	}
	return path
}

// queryer is what *sql.DB, *sql.Conn and *sql.Tx have in common.
type queryer interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// schemaVersion returns the file's schema version, 0 for a new file.
func schemaVersion(ctx context.Context, q queryer) (int, error) {
	var app, tables int64
	var version int
	err := q.QueryRowContext(ctx, `SELECT application_id, user_version, (SELECT count(*) FROM sqlite_schema)
		FROM pragma_application_id, pragma_user_version`).Scan(&app, &version, &tables)
	switch {
	case err != nil:
		return 0, err
	case app == 0 && version == 0 && tables == 0:
		return 0, nil
	case app != applicationID:
		return 0, fmt.Errorf("it is a SQLite file of another program (application id %#x), and was left as it is: check the path: %w", app, ErrNotStore)
	case version >= sumsSince:
		sums, err := hasPageSums(ctx, q)
		if err != nil {
			return 0, err
		}
		if !sums {
			return 0, fmt.Errorf("its first page is damaged: it does not say that pages carry checksums, as they do since schema %d; it was left as it is: restore a backup: %w", sumsSince, ErrNotStore)
		}
	}
	if version > SchemaVersion {
		return 0, fmt.Errorf("it has schema %d, this program knows schemas up to %d, and it was left as it is: use the brimline that wrote it, or a newer one: %w", version, SchemaVersion, ErrNewer)
	}
	return version, nil
}

// hasPageSums reports whether the file's pages have room for checksums, and so carry them.
func hasPageSums(ctx context.Context, q queryer) (bool, error) {
	var mark []byte
	err := q.QueryRowContext(ctx, `SELECT substr(data, 21, 1) FROM sqlite_dbpage WHERE pgno = 1`).Scan(&mark)
	return len(mark) == 1 && mark[0] == sumBytes, err
}

// addPageSums gives checksums to the pages of a store from before schema 4: the file is
// written anew, as one transaction. That takes room for three times its size on the disk
// while it lasts.
func (s *Store) addPageSums(ctx context.Context) error {
	if has, err := hasPageSums(ctx, s.w); has || err != nil {
		return err
	}
	if _, err := s.w.ExecContext(ctx, "VACUUM"); err != nil {
		return fmt.Errorf("give its pages checksums: %w", err)
	}
	return nil
}

// migrate takes the file from version to SchemaVersion, one transaction a step.
func (s *Store) migrate(ctx context.Context, version int) error {
	for v := version; v < SchemaVersion; v++ {
		err := s.transact(ctx, "open for writing", func(ctx context.Context) error {
			if _, err := s.w.ExecContext(ctx, migrations[v]); err != nil {
				return fmt.Errorf("bring schema %d to %d: %w", v, v+1, err)
			}
			_, err := s.w.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, v+1))
			if err != nil || v > 0 {
				return err
			}
			_, err = s.w.ExecContext(ctx, `INSERT INTO meta VALUES ('made', ?)`, timeText(time.Now()))
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// transact runs f inside one transaction on s.w. The caller holds s.mu, or has
// the store to itself. The context is heeded before the transaction, not within:
// a transaction is short, and one that was cut off would leave the caller unsure.
// On an error everything is as it was before.
func (s *Store) transact(ctx context.Context, op string, f func(ctx context.Context) error) (err error) {
	if s.w == nil {
		return explain(op, s.path, errClosed)
	}
	if err := ctx.Err(); err != nil {
		return explain(op, s.path, err)
	}
	ctx = context.WithoutCancel(ctx)
	if _, err := s.w.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return explain(op, s.path, err)
	}
	if err = f(ctx); err == nil {
		_, err = s.w.ExecContext(ctx, "COMMIT")
	}
	if err != nil {
		// Some failures have rolled back already; then this one's error means nothing.
		s.w.ExecContext(ctx, "ROLLBACK")
		return explain(op, s.path, err)
	}
	return nil
}

// write is transact for the methods of the book.
func (s *Store) write(ctx context.Context, op string, f func(ctx context.Context) error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.transact(ctx, op, f)
}

// End as an upper end of a time range means: to the last sample.
const End = time.Duration(1<<63 - 1)

var errClosed = errors.New("it is closed: open it again")
