package store

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"brimline/rig"
)

// Damaged is one thing that is wrong in a store, and where.
type Damaged struct {
	What    string // "page", "table", "chunk", "summary", "tail", "overview", "reference", "file"
	Table   string // that it is in, when that is known
	Row     string // of the table, when that is known
	Page    int64  // of the file, from 1; 0 when not known
	Mended  bool   // what is read is right: one byte of the page changed, and is put right as it is read
	Channel string // of the samples lost
	BootID  int64
	From    time.Duration // of the samples lost, on the boot's elapsed time
	To      time.Duration
	Says    string
}

func (d Damaged) String() string {
	var b strings.Builder
	b.WriteString(d.What)
	if d.Page > 0 {
		fmt.Fprintf(&b, " %d", d.Page)
	}
	if d.Row != "" {
		fmt.Fprintf(&b, " %s", d.Row)
	}
	if d.Table != "" && d.What != "table" {
		fmt.Fprintf(&b, " in table %s", d.Table)
	} else if d.Table != "" {
		fmt.Fprintf(&b, " %s", d.Table)
	}
	if d.Channel != "" {
		fmt.Fprintf(&b, ": channel %s, boot %d", d.Channel, d.BootID)
		if d.To > d.From {
			fmt.Fprintf(&b, ", %.3f to %.3f s", d.From.Seconds(), d.To.Seconds())
		}
	}
	return b.String() + ": " + d.Says
}

// Check is what Verify found.
type Check struct {
	Schema  int
	Samples int64 // that were read back whole, from chunks and tails
	Chunks  int64
	Thinned int64 // chunks whose raw samples were deleted to save space: summaries only
	Bytes   int64 // of the file, without its log
	Damaged []Damaged
}

// BytesPerSample is the file's size over the samples read back; 0 when there are none.
func (c Check) BytesPerSample() float64 {
	if c.Samples == 0 {
		return 0
	}
	return float64(c.Bytes) / float64(c.Samples)
}

// Lost reports whether any of the damage means that something cannot be read back.
func (c Check) Lost() bool {
	return slices.ContainsFunc(c.Damaged, func(d Damaged) bool { return !d.Mended })
}

// SetAside counts the tails that were found damaged when the store was opened, and were
// noted: what they held is lost, and a copy that says so is as whole as the store.
func (c Check) SetAside() (n int) {
	for _, d := range c.Damaged {
		if d.Table == "aside" {
			n++
		}
	}
	return n
}

// broken is the damage that no copy may have: all but what is mended or set aside.
func (c Check) broken() []Damaged {
	return slices.DeleteFunc(slices.Clone(c.Damaged), func(d Damaged) bool { return d.Mended || d.Table == "aside" })
}

// Verify reads the whole of a store and checks it: every page against its checksum, every
// chunk and tail by decoding it, every summary and overview against what it sums up, every
// reference between tables, and the file by SQLite's own check. The store may be in use
// meanwhile: what is checked is one state of it, in which nothing is changed. What is wrong
// is listed in the Check; an error means that the check itself could not be done.
func Verify(ctx context.Context, path string) (Check, error) {
	op := "verify"
	if err := checkFile(path, false); err != nil {
		return Check{}, explain(op, path, err)
	}
	r, err := openAny(ctx, path, sumsSince)
	if err != nil {
		return Check{}, err
	}
	defer r.Close()
	v := verification{ctx: ctx, dsn: r.dsn}
	if err := v.pages(); err != nil {
		return Check{}, explain(op, path, err)
	}
	if v.tx, err = r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true}); err != nil {
		return Check{}, explain(op, path, err)
	}
	defer v.tx.Rollback()
	if err := v.tx.QueryRowContext(ctx, `SELECT user_version, page_count * page_size FROM pragma_user_version, pragma_page_count, pragma_page_size`).
		Scan(&v.Schema, &v.Bytes); err != nil {
		return Check{}, explain(op, path, err)
	}
	for _, part := range []func() error{v.tables, v.file, v.names, v.chunks, v.strays, v.tails, v.overviews, v.references} {
		err := part()
		if ctx.Err() != nil {
			return Check{}, explain(op, path, ctx.Err())
		}
		if isDamage(err) {
			continue // the pages and tables that it stopped at are listed already
		}
		if err != nil {
			return Check{}, explain(op, path, err)
		}
	}
	return v.Check, nil
}

// Verify is the function of that name, for the store that is being read.
func (r *Reader) Verify(ctx context.Context) (Check, error) { return Verify(ctx, r.path) }

// isDamage reports whether SQLite says that the file is damaged where it was read.
func isDamage(err error) bool {
	var lite *sqlite.Error
	return errors.As(err, &lite) && lite.Code()&0xff == sqlite3.SQLITE_CORRUPT
}

type verification struct {
	Check
	ctx      context.Context
	dsn      string
	tx       *sql.Tx
	channels map[int64]string
}

func (v *verification) add(d Damaged) { v.Damaged = append(v.Damaged, d) }

// each runs a query and hands on each row; damage on the way is the error.
func (v *verification) each(query string, row func(*sql.Rows) error, args ...any) error {
	rows, err := v.tx.QueryContext(v.ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := row(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// pages reads every page, free ones included.
func (v *verification) pages() error {
	db, err := sql.Open("sqlite", v.dsn)
	if err != nil {
		return err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	var n int64
	if err := db.QueryRowContext(v.ctx, `SELECT page_count FROM pragma_page_count`).Scan(&n); err != nil {
		return err
	}
	page, err := db.PrepareContext(v.ctx, `SELECT length(data) FROM sqlite_dbpage WHERE pgno = ?`)
	if err != nil {
		return err
	}
	defer page.Close()
	for i := int64(1); i <= n; i++ {
		err := page.QueryRowContext(v.ctx, i).Scan(new(int64))
		if isDamage(err) {
			v.add(Damaged{What: "page", Page: i, Says: "its checksum is wrong: it changed after it was written, and what it held is lost"})
		} else if err != nil && !errors.Is(err, sql.ErrNoRows) { // none: the file became shorter
			return err
		}
	}
	var mended string
	if err := db.QueryRowContext(v.ctx, `PRAGMA page_mended`).Scan(&mended); err != nil {
		return err
	}
	for _, word := range strings.Fields(mended) {
		d := Damaged{What: "page", Mended: true, Says: "its checksum is wrong: one byte of it changed after it was written; it is put right as it is read"}
		if d.Page, err = strconv.ParseInt(word, 10, 64); err != nil {
			return err
		}
		// Which table is a help, not a need: the search for it may itself meet damage.
		if err := db.QueryRowContext(v.ctx, `SELECT name FROM dbstat WHERE pageno = ?`, d.Page).Scan(&d.Table); err != nil {
			d.Table = ""
		}
		v.add(d)
	}
	return nil
}

// tables reads every row of every table.
func (v *verification) tables() error {
	names, err := list(v.ctx, v.tx, scanText, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite\_%' ESCAPE '\' ORDER BY name`)
	if err != nil {
		return err
	}
	for _, name := range names {
		n := 0
		err := v.each(`SELECT * FROM "`+name+`"`, func(*sql.Rows) error { n++; return nil })
		if isDamage(err) {
			v.add(Damaged{What: "table", Table: name, Says: fmt.Sprintf("it cannot be read beyond its row number %d by its key: %v", n, err)})
		} else if err != nil {
			return err
		}
	}
	return nil
}

// file asks SQLite.
func (v *verification) file() error {
	says, err := list(v.ctx, v.tx, scanText, `PRAGMA integrity_check(20)`)
	for _, s := range says {
		if s != "ok" {
			v.add(Damaged{What: "file", Says: s})
		}
	}
	return err
}

func (v *verification) names() error {
	v.channels = map[int64]string{}
	return v.each(`SELECT id, name FROM channel`, func(row *sql.Rows) error {
		var id int64
		var name string
		err := row.Scan(&id, &name)
		v.channels[id] = name
		return err
	})
}

// chunks decodes every chunk and holds its summary against its samples.
func (v *verification) chunks() error {
	data, err := v.tx.PrepareContext(v.ctx, `SELECT data FROM chunk_data WHERE id = ?`)
	if err != nil {
		return err
	}
	defer data.Close()
	return v.each(`SELECT channel, boot, first_us, id, last_us, first_seq, n, good, settling, misread, saturated, stalled, absent, other,
		min, max, sum, raw FROM chunk`, func(row *sql.Rows) error {
		var channel, boot, id, firstSeq int64
		var raw bool
		var m summary
		var lo, hi sql.NullInt64
		q := &m.quality
		if err := row.Scan(&channel, &boot, &m.firstUS, &id, &m.lastUS, &firstSeq, &m.n,
			&q[0], &q[1], &q[2], &q[3], &q[4], &q[5], &q[6], &lo, &hi, &m.sum, &raw); err != nil {
			return err
		}
		m.firstSeq = uint64(firstSeq)
		v.Chunks++
		d := Damaged{What: "chunk", Table: "chunk_data", Row: fmt.Sprint(id), Channel: v.channels[channel], BootID: boot, From: fromUS(m.firstUS), To: fromUS(m.lastUS)}
		var bytes []byte
		err := data.QueryRowContext(v.ctx, id).Scan(&bytes)
		switch missing := errors.Is(err, sql.ErrNoRows); {
		case !raw && !missing && err == nil:
			d.Says = "its summary says that its samples were deleted to save space, but they are there"
			v.add(d)
			return nil
		case !raw:
			v.Thinned++
			if says := m.inconsistent(lo, hi); says != "" {
				d.What, d.Table, d.Says = "summary", "chunk", says
				v.add(d)
			}
			return nil
		case missing:
			d.Says = "its bytes are missing"
			v.add(d)
			return nil
		case err != nil && !isDamage(err):
			return err
		case err != nil:
			d.Says = "a page that it is on is damaged"
			v.add(d)
			return nil
		}
		samples, err := decodeAt(bytes, boot, channel)
		if err != nil {
			d.Says = err.Error()
			v.add(d)
			return nil
		}
		v.Samples += int64(len(samples))
		is := summarise(samples)
		if is.quality[rig.Good] == 0 {
			is.min, is.max = 0, 0
		} else if !lo.Valid || !hi.Valid {
			d.What, d.Table, d.Says = "summary", "chunk", "it has no lowest or highest count, though samples were good"
			v.add(d)
			return nil
		}
		m.min, m.max = lo.Int64, hi.Int64
		if m != is {
			d.What, d.Table = "summary", "chunk"
			d.Says = fmt.Sprintf("it is %+v, but its samples, which are whole, give %+v", m, is)
			v.add(d)
		}
		return nil
	})
}

// inconsistent says how a summary contradicts itself, for want of its samples.
func (m summary) inconsistent(lo, hi sql.NullInt64) string {
	total := 0
	for _, n := range m.quality {
		total += n
	}
	good := int64(m.quality[rig.Good])
	switch {
	case m.n < 1 || total != m.n:
		return fmt.Sprintf("it has %d samples, but %d by their qualities", m.n, total)
	case m.firstUS > m.lastUS:
		return "it ends before it begins"
	case lo.Valid != (good > 0) || hi.Valid != (good > 0):
		return "its lowest and highest counts do not go with the number of good samples"
	case good > 0 && (lo.Int64 > hi.Int64 || m.sum < good*lo.Int64 || m.sum > good*hi.Int64):
		return "the sum of its counts is beyond what its lowest and highest allow"
	case good == 0 && m.sum != 0:
		return "it has a sum of counts, but no good samples"
	}
	return ""
}

// strays are chunks' bytes without a summary.
func (v *verification) strays() error {
	return v.each(`SELECT id FROM chunk_data EXCEPT SELECT id FROM chunk`, func(row *sql.Rows) error {
		var id int64
		err := row.Scan(&id)
		v.add(Damaged{What: "chunk", Table: "chunk_data", Row: fmt.Sprint(id), Says: "its bytes have no row in table chunk, so its samples are not found"})
		return err
	})
}

// tails decodes what is not in chunks yet, and lists what was set aside.
func (v *verification) tails() error {
	err := v.each(`SELECT id, channel, boot, data FROM tail`, func(row *sql.Rows) error {
		t, err := scanTail(row)
		if err != nil {
			return err
		}
		samples, err := t.decode()
		if err != nil {
			v.add(Damaged{What: "tail", Table: "tail", Row: fmt.Sprint(t.id), Channel: v.channels[t.channel], BootID: t.boot, Says: err.Error()})
		}
		v.Samples += int64(len(samples))
		return nil
	})
	if err != nil && !isDamage(err) {
		return err
	}
	return v.each(`SELECT id, channel, boot, came, why FROM aside`, func(row *sql.Rows) error {
		var id, channel, boot int64
		var came, why string
		err := row.Scan(&id, &channel, &boot, &came, &why)
		v.add(Damaged{What: "tail", Table: "aside", Row: fmt.Sprint(id), Channel: v.channels[channel], BootID: boot, Says: came + " that was set aside: " + why})
		return err
	})
}

// overviews holds every row against the summaries of the chunks that it sums up.
func (v *verification) overviews() error {
	const kept = `SELECT cell_us, boot, cell, channel, n, good, min, max, sum FROM overview`
	const due = `SELECT cell_us, boot, cell, channel, sum(n), sum(good), min(min), max(max), sum(sum) FROM chunk_cell GROUP BY cell_us, boot, cell, channel`
	return v.each(`SELECT DISTINCT cell_us, boot, cell, channel FROM (SELECT * FROM (`+kept+` EXCEPT `+due+`) UNION ALL SELECT * FROM (`+due+` EXCEPT `+kept+`))`,
		func(row *sql.Rows) error {
			var us, boot, cell, channel int64
			err := row.Scan(&us, &boot, &cell, &channel)
			v.add(Damaged{What: "overview", Table: "overview", Channel: v.channels[channel], BootID: boot, From: fromUS(cell * us), To: fromUS((cell + 1) * us),
				Says: "it does not sum up its chunks"})
			return err
		})
}

// references checks what SQLite is told of (REFERENCES) and what it cannot be told of.
func (v *verification) references() error {
	err := v.each(`PRAGMA foreign_key_check`, func(row *sql.Rows) error {
		var table, parent string
		var id sql.NullInt64
		var key int64
		err := row.Scan(&table, &id, &parent, &key)
		v.add(Damaged{What: "reference", Table: table, Row: fmt.Sprint(id.Int64), Says: "it refers to a row of table " + parent + " that is not there"})
		return err
	})
	if err != nil {
		return err
	}
	for _, q := range []struct{ table, says, query string }{
		{"chunk", "its boot has no such channel", `SELECT DISTINCT 'of channel ' || channel || ', boot ' || boot FROM
			(SELECT channel, boot FROM chunk EXCEPT SELECT channel, boot FROM boot_channel)`},
		{"tail", "its boot has no such channel", `SELECT DISTINCT 'of channel ' || channel || ', boot ' || boot FROM
			(SELECT channel, boot FROM tail EXCEPT SELECT channel, boot FROM boot_channel)`},
		{"position_on", "its run's boot has no such channel", `SELECT 'of run ' || p.run || ', channel ' || p.channel FROM position_on p JOIN run r ON r.id = p.run
			WHERE NOT EXISTS (SELECT 1 FROM boot_channel b WHERE b.boot = r.boot AND b.channel = p.channel)`},
	} {
		rows, err := list(v.ctx, v.tx, scanText, q.query)
		if err != nil {
			return err
		}
		for _, row := range rows {
			v.add(Damaged{What: "reference", Table: q.table, Row: row, Says: q.says})
		}
	}
	return nil
}

// chunkOf reads of which boot and channel a chunk says it is, without decoding it.
func chunkOf(data []byte) (boot, channel int64) {
	if len(data) < 2 {
		return 0, 0
	}
	boot, n := binary.Varint(data[1:])
	if n <= 0 {
		return 0, 0
	}
	channel, _ = binary.Varint(data[1+n:])
	return boot, channel
}
