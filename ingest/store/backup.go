package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// ErrExists is what Backup answers when there is something at the place already.
var ErrExists = errors.New("already there")

// Backup copies the store at path to dest, which must not exist, while it may be in use:
// the copy is one state of it, everything acknowledged before the call included. The copy
// is written under a name of its own (dest with ".part" added), brought to the disk and
// verified, and only then gets its name: what stands at dest is whole, at any kill and
// power cut. A store in which something is damaged beyond mending is refused; the Check
// then says what. A page that can be mended is right in the copy. Tails that were set aside
// as damaged are noted in the copy as in the store, and the Check lists them; a damaged table
// of tails in whose place a new one was begun is left out.
func Backup(ctx context.Context, path, dest string) (Check, error) {
	op := "back up " + path + " to " + dest
	if err := checkFile(path, false); err != nil {
		return Check{}, explain(op, path, err)
	}
	if err := mustNotExist(dest); err != nil {
		return Check{}, explain(op, dest, err)
	}
	part, check, err := copyStore(ctx, op, path, dest+".part")
	if err != nil {
		return check, err
	}
	defer part.remove()
	if err := part.moveTo(dest); err != nil {
		return check, explain(op, dest, err)
	}
	return check, nil
}

func mustNotExist(dest string) error {
	if _, err := os.Lstat(dest); err == nil {
		return fmt.Errorf("there is a file or folder %s, and a backup overwrites nothing: choose another name: %w", dest, ErrExists)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// partFile is a copy under way; its lock keeps another copy from the same name.
type partFile struct {
	name string
	lock *os.File
}

// remove ends the copy's life under that name, if it still has it.
func (p partFile) remove() {
	os.Remove(p.name)
	os.Remove(p.name + ".lock")
	p.lock.Close()
}

// moveTo gives the copy its name, at which nothing may be, and brings that to the disk.
func (p partFile) moveTo(dest string) error {
	if err := os.Link(p.name, dest); errors.Is(err, fs.ErrExist) {
		return mustNotExist(dest)
	} else if err != nil { // a file system without links, such as a stick's
		if err := mustNotExist(dest); err != nil {
			return err
		}
		if err := os.Rename(p.name, dest); err != nil {
			return err
		}
	}
	return syncFolder(dest)
}

func syncFolder(path string) error {
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	defer dir.Close()
	return dir.Sync()
}

// copyStore writes a verified copy of a store to part and brings it to the disk. An error in
// writing is of part, whose disk is another than the store's.
func copyStore(ctx context.Context, op, path, part string) (_ partFile, _ Check, err error) {
	p := partFile{name: part}
	if p.lock, err = takeLock(part); err != nil {
		return p, Check{}, explain(op, part, err)
	}
	defer func() {
		if err != nil {
			p.remove()
		}
	}()
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) { // of a copy that was cut off
		return p, Check{}, explain(op, part, err)
	}
	r, err := openAny(ctx, path, sumsSince)
	if err != nil {
		return p, Check{}, err
	}
	err = r.copyInto(ctx, part)
	if isDamage(err) {
		err = r.copyWithoutDamagedTails(ctx, part)
	}
	if closing := r.Close(); err == nil {
		err = closing
	}
	if isDamage(err) {
		found, checking := Verify(ctx, path)
		return p, found, explain(op, path, errors.Join(fmt.Errorf("%s: nothing was copied: %w", found.lostSays(), ErrNotStore), checking))
	}
	if err != nil {
		return p, Check{}, explain(op, part, err)
	}
	if err := syncFile(part); err != nil {
		return p, Check{}, explain(op, part, err)
	}
	check, err := Verify(ctx, part)
	if err != nil {
		return p, check, explain(op, part, fmt.Errorf("read the copy back: %w", err))
	}
	if len(check.broken()) > 0 {
		return p, check, explain(op, part, fmt.Errorf("the copy is not sound: %s: %w", check.lostSays(), ErrNotStore))
	}
	return p, check, nil
}

// copyInto writes one state of the store to a new file, page by page in order, without what
// is free in it.
func (r *Reader) copyInto(ctx context.Context, part string) error {
	c, err := r.db.Conn(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	// SQLite counts it as a change, though none of the store itself.
	if _, err := c.ExecContext(ctx, "PRAGMA query_only = 0"); err != nil {
		return err
	}
	_, err = c.ExecContext(ctx, "VACUUM INTO ?", dsn(part, "rwc")+"&sums=1")
	return err
}

// copyWithoutDamagedTails writes one state of the store to a new file, row by row, without
// the tables of tails that were set aside because a page of theirs cannot be read: with
// them copyInto refuses for ever a store that has long gone on without them.
func (r *Reader) copyWithoutDamagedTails(ctx context.Context, part string) error {
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) { // what copyInto had written
		return err
	}
	db, err := sql.Open("sqlite", dsn(part, "rwc")+"&sums=1")
	if err != nil {
		return err
	}
	db.SetMaxOpenConns(1) // the attached store is the connection's
	err = copyRows(ctx, db, r.dsn)
	if closing := db.Close(); err == nil {
		err = closing
	}
	return err
}

func copyRows(ctx context.Context, db *sql.DB, from string) error {
	const kept = `name NOT LIKE 'tail\_damaged\_%' ESCAPE '\'`
	for _, st := range []string{fmt.Sprintf("PRAGMA page_size = %d", pageSize), "PRAGMA page_sums"} {
		if _, err := db.ExecContext(ctx, st); err != nil {
			return err
		}
	}
	if _, err := db.ExecContext(ctx, "ATTACH ? AS was", from); err != nil {
		return err
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	var version int
	if err := tx.QueryRowContext(ctx, "PRAGMA was.user_version").Scan(&version); err != nil {
		return err
	}
	type object struct{ kind, name, made string }
	objects, err := list(ctx, tx, func(row *sql.Rows) (o object, err error) {
		return o, row.Scan(&o.kind, &o.name, &o.made)
	}, `SELECT type, name, sql FROM was.sqlite_schema WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite\_%' ESCAPE '\' AND `+kept+`
		ORDER BY type <> 'table', rowid`) // triggers come after the rows, which they must not see
	if err != nil {
		return err
	}
	statements := []string{}
	for _, o := range objects {
		statements = append(statements, o.made)
		if o.kind == "table" {
			statements = append(statements, fmt.Sprintf(`INSERT INTO main."%s" SELECT * FROM was."%[1]s"`, o.name))
		}
	}
	statements = append(statements, `DELETE FROM main.sqlite_sequence`, `INSERT INTO main.sqlite_sequence SELECT * FROM was.sqlite_sequence WHERE `+kept,
		fmt.Sprintf("PRAGMA main.application_id = %d", applicationID), fmt.Sprintf("PRAGMA main.user_version = %d", version))
	for _, st := range statements {
		if _, err := tx.ExecContext(ctx, st); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// lostSays names the first damage and counts the rest.
func (c Check) lostSays() string {
	lost := c.broken()
	switch len(lost) {
	case 0:
		return "damaged"
	case 1:
		return lost[0].String()
	}
	return fmt.Sprintf("%s; and %d more ('brimline verify' lists them)", lost[0], len(lost)-1)
}

// syncFile brings a file that no connection has open to the disk.
func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}

// Restored is what Restore did.
type Restored struct {
	Check        // of the backup
	Aside string // where the store that was there before is kept; "" when there was none
}

// Restore puts a copy of a backup in the place of the store at path. The backup is verified
// first and left as it is. A store that another program writes is ErrInUse. What was at
// path is kept beside it, under its name with "before" and the date of now added. The
// change is one renaming: at any kill and power cut the store is the one or the other, whole.
func Restore(ctx context.Context, backup, path string, now time.Time) (Restored, error) {
	op := "restore " + backup
	if err := checkFile(backup, false); err != nil {
		return Restored{}, explain("restore", backup, err)
	}
	if err := checkFile(path, true); err != nil {
		return Restored{}, explain(op, path, err)
	}
	path = followLinks(path)
	if a, err := os.Stat(backup); err == nil {
		if b, err := os.Stat(path); err == nil && os.SameFile(a, b) {
			return Restored{}, explain(op, path, fmt.Errorf("the backup and the store are the same file: name another: %w", ErrConflict))
		}
	}
	lock, err := takeLock(path)
	if err != nil {
		return Restored{}, explain(op, path, err)
	}
	defer lock.Close()
	check, err := Verify(ctx, backup)
	if err != nil {
		return Restored{}, err
	}
	if len(check.broken()) > 0 {
		return Restored{Check: check}, explain(op, path, fmt.Errorf("the backup is damaged and was not used: %s: %w", check.lostSays(), ErrNotStore))
	}
	part, check, err := copyStore(ctx, op, backup, path+".restoring")
	if err != nil {
		return Restored{Check: check}, err
	}
	defer part.remove()
	if err := leapChanges(ctx, part.name); err != nil {
		return Restored{Check: check}, explain(op, path, err)
	}
	if err := giveOwner(path, part.name, lock); err != nil {
		return Restored{Check: check}, explain(op, path, err)
	}
	done := Restored{Check: check}
	if done.Aside, err = setAside(ctx, path, now); err != nil {
		return done, explain(op, path, err)
	}
	if err := os.Rename(part.name, path); err != nil {
		return done, explain(op, path, err)
	}
	return done, explain(op, path, syncFolder(path))
}

// giveOwner gives the copy the owner and mode of the store that it replaces, so that the
// daemon may write it although, say, root restored it. Where there is none, root gives
// the copy and its lock the owner of the folder.
func giveOwner(path, part string, lock *os.File) error {
	files := []string{part}
	was, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		if os.Geteuid() != 0 {
			return nil
		}
		files = append(files, lock.Name())
		was, err = os.Stat(filepath.Dir(path))
	} else if err == nil {
		err = os.Chmod(part, was.Mode().Perm())
	}
	if err != nil {
		return err
	}
	owner, ok := was.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	for _, name := range files {
		if err := os.Chown(name, int(owner.Uid), int(owner.Gid)); err != nil {
			return fmt.Errorf("give the copy the owner of the store before, user %d of group %d, so that its daemon may write it: %w: restore as that user or as root", owner.Uid, owner.Gid, err)
		}
	}
	return nil
}

// setAside keeps the store at path under a name of its own as well, with its log, and
// leaves it without a log that the file which comes in its place could take for its own.
func setAside(ctx context.Context, path string, now time.Time) (string, error) {
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		return "", dropLog(path)
	} else if err != nil {
		return "", err
	}
	// The log into the file, so that the file alone is the store, also if the power goes
	// before the renaming. One that is too damaged for that keeps its log beside it.
	if db, err := sql.Open("sqlite", dsn(path, "rw")); err == nil {
		db.SetMaxOpenConns(1)
		var busy, pages, moved int
		_, err := db.ExecContext(ctx, "PRAGMA busy_timeout = 1000") // who reads for longer is to be told of
		if err == nil {
			err = db.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &pages, &moved)
		}
		_ = db.Close()
		if err == nil && busy != 0 {
			return "", fmt.Errorf("another program reads the store, whose log can so not go into its file: end what reads it (such as 'brimline rates', 'verify' or 'backup'), and restore again: %w", ErrInUse)
		}
	}
	ext := filepath.Ext(path)
	base := strings.TrimSuffix(path, ext) + ".before-" + now.Format("2006-01-02-150405")
	aside := base + ext
	for n := 2; ; n++ {
		if _, err := os.Lstat(aside); errors.Is(err, fs.ErrNotExist) {
			break
		}
		aside = fmt.Sprintf("%s-%d%s", base, n, ext)
	}
	names := []string{""}
	if !isEmpty(path + "-wal") {
		names = append(names, "-wal")
	}
	for _, end := range names {
		if err := keepAlso(path+end, aside+end); err != nil {
			return "", fmt.Errorf("keep the present store aside: %w", err)
		}
	}
	if err := syncFolder(path); err != nil {
		return "", err
	}
	return aside, dropLog(path)
}

// keepAlso gives a file a second name, or a copy where the file system has no links.
func keepAlso(path, also string) error {
	if os.Link(path, also) == nil {
		return nil
	}
	from, err := os.Open(path)
	if err != nil {
		return err
	}
	defer from.Close()
	to, err := os.OpenFile(also, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = io.Copy(to, from)
	if err = errors.Join(err, to.Sync(), to.Close()); err != nil {
		os.Remove(also)
	}
	return err
}

// dropLog removes a store's log, and brings that to the disk before another file gets the
// store's name.
func dropLog(path string) error {
	for _, end := range []string{"-wal", "-shm"} {
		if err := os.Remove(path + end); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return syncFolder(path)
}
