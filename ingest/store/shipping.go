package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// StoreID returns the file's own mark, 8 hex digits drawn when its schema first had one. A
// copy has the same.
func (r *Reader) StoreID(ctx context.Context) (id string, err error) {
	err = r.db.QueryRowContext(ctx, `SELECT value FROM meta WHERE key = 'id'`).Scan(&id)
	return id, explain("read the store's own mark", r.path, err)
}

// BookChanges lists the rows of the book that were written after a change, or with
// rates the runs whose rates are to be worked out again since: at most limit of them, in the order
// of their last change.
func (r *Reader) BookChanges(ctx context.Context, rates bool, after int64, limit int) ([]ingest.BookChange, error) {
	cs, err := list(ctx, r.db, func(row *sql.Rows) (c ingest.BookChange, err error) {
		return c, row.Scan(&c.Seq, &c.Kind, &c.ID, wallTime{&c.At})
	}, `SELECT seq, kind, row, at FROM book_change WHERE seq > ? AND (kind = ?) = ? ORDER BY seq LIMIT ?`, after, ingest.BookRates, rates, limit)
	return cs, explain("list changes of the book", r.path, err)
}

// BookRow returns a row of the book by its kind and id as the type of package ingest
// that holds it; a boot as an ingest.BootRow. None is ErrNotFound.
func (r *Reader) BookRow(ctx context.Context, kind string, id int64) (any, error) {
	op := fmt.Sprintf("read %s %d", kind, id)
	row, err := r.bookRow(ctx, kind, id)
	return row, explain(op, r.path, err)
}

func (r *Reader) bookRow(ctx context.Context, kind string, id int64) (any, error) {
	switch kind {
	case ingest.BookBoot:
		return r.bootRow(ctx, id)
	case ingest.BookCalibration:
		return byID(ctx, r.db, scanCalibration, selectCalibration+`WHERE k.id = ?`, id)
	case ingest.BookCalibrationCheck:
		return byID(ctx, r.db, scanCheck, selectCheck+`WHERE x.id = ?`, id)
	case ingest.BookEngine:
		return byID(ctx, r.db, scanEngine, selectEngine+`WHERE id = ?`, id)
	case ingest.BookInjector:
		return byID(ctx, r.db, scanInjector, selectInjector+`WHERE id = ?`, id)
	case ingest.BookTest:
		return byID(ctx, r.db, scanTest, selectTest+`WHERE id = ?`, id)
	case ingest.BookHanging:
		return byID(ctx, r.db, scanHanging, selectHanging+`WHERE id = ?`, id)
	case ingest.BookEvent:
		return byID(ctx, r.db, scanEvent, selectEvent+`WHERE id = ?`, id)
	case ingest.BookHandReading:
		return byID(ctx, r.db, scanHandReading, selectHandReading+`WHERE id = ?`, id)
	case ingest.BookCondition:
		return byID(ctx, r.db, scanCondition, selectCondition+`WHERE id = ?`, id)
	case ingest.BookRun:
		return r.Run(ctx, id)
	}
	return nil, fmt.Errorf("the book has no rows of the kind %q: %w", kind, ErrNotFound)
}

// byID returns the one row of a query by its id.
func byID[T any](ctx context.Context, q queryer, scan func(row *sql.Rows) (T, error), query string, id int64) (any, error) {
	found, err := list(ctx, q, scan, query, id)
	if err != nil {
		return nil, err
	}
	if len(found) == 0 {
		return nil, fmt.Errorf("it is not there: %w", ErrNotFound)
	}
	return found[0], nil
}

func (r *Reader) bootRow(ctx context.Context, id int64) (any, error) {
	got, err := byID(ctx, r.db, func(row *sql.Rows) (b ingest.BootRow, err error) {
		return b, row.Scan(&b.ID, wallTime{&b.Wall}, wallTime{&b.Stored}, wallTime{&b.Anchor}, &b.Corrections)
	}, `SELECT b.id, wall, stored, anchor, (SELECT count(*) FROM boot_correction WHERE boot = b.id)
		FROM boot b LEFT JOIN ship_anchor a ON a.boot = b.id WHERE b.id = ?`, id)
	if err != nil {
		return nil, err
	}
	row := got.(ingest.BootRow)
	channels, err := r.BootChannels(ctx, id)
	for _, c := range channels {
		row.Channels = append(row.Channels, ingest.BootChannel{Name: c.Name, CapacityML: c.CapacityML})
	}
	return row, err
}

// Spans lists what the store holds of a channel in a boot from an elapsed time on: at
// most limit chunks, and when they are all and open asks for it, the open tail. What does not reach from is
// left out. A tail that cannot be decoded is left out too; verify tells of it.
func (r *Reader) Spans(ctx context.Context, bootID int64, channel string, from time.Duration, limit int, open bool) ([]ingest.Span, error) {
	op := fmt.Sprintf("list what there is of channel %q, boot %d", channel, bootID)
	tx, err := r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true}) // a tail must not become a chunk in between
	if err != nil {
		return nil, explain(op, r.path, err)
	}
	defer tx.Rollback()
	lo := ceilUS(from)
	spans, err := list(ctx, tx, func(row *sql.Rows) (s ingest.Span, err error) {
		var from, to int64
		var lo, hi sql.NullInt64
		q := &s.Quality
		err = row.Scan(&from, &to, &s.N, &s.Raw, &q[0], &q[1], &q[2], &q[3], &q[4], &q[5], &lo, &hi, &s.Sum)
		s.From, s.To, s.Min, s.Max = fromUS(from), fromUS(to), lo.Int64, hi.Int64
		return s, err
	}, `SELECT first_us, last_us, n, raw, good, settling, misread, saturated, stalled, absent, min, max, sum FROM chunk
		WHERE channel = (SELECT id FROM channel WHERE name = ?) AND boot = ? AND first_us > ? AND last_us >= ?
		ORDER BY first_us, id LIMIT ?`,
		channel, bootID, max(lo, math.MinInt64+chunkUS)-chunkUS, lo, limit)
	if err != nil || len(spans) == limit || !open {
		return spans, explain(op, r.path, err)
	}
	tails, err := list(ctx, tx, scanTail, `SELECT id, channel, boot, data FROM tail
		WHERE channel = (SELECT id FROM channel WHERE name = ?) AND boot = ? ORDER BY id`, channel, bootID)
	if err != nil {
		return nil, explain(op, r.path, err)
	}
	var samples []rig.Sample
	for _, t := range tails {
		if part, err := t.decode(); err == nil {
			samples = append(samples, part...)
		}
	}
	if len(samples) > 0 {
		m := summarise(samples)
		if m.lastUS >= lo {
			s := ingest.Span{From: fromUS(m.firstUS), To: fromUS(m.lastUS), N: m.n, Raw: true, Open: true, Sum: m.sum}
			copy(s.Quality[:], m.quality[:])
			if m.quality[rig.Good] > 0 {
				s.Min, s.Max = m.min, m.max
			}
			spans = append(spans, s)
		}
	}
	return spans, nil
}

// SpanSamples is Samples for one who goes on where samples are damaged: damaged says
// in words what is left out, and is empty when nothing is.
func (r *Reader) SpanSamples(ctx context.Context, bootID int64, channel string, from, to time.Duration) (samples []rig.Sample, damaged string, err error) {
	samples, err = r.Samples(ctx, bootID, channel, from, to)
	if damage := (*DamageError)(nil); errors.As(err, &damage) {
		return samples, damage.Error(), nil
	}
	return samples, "", err
}

// Backlog counts what of a channel lies at or after an elapsed time of a boot, that of
// later boots included; what was deleted to save space is left out. Of a chunk that
// from divides, a part in proportion is counted.
func (r *Reader) Backlog(ctx context.Context, channel string, bootID int64, from time.Duration) (ingest.Backlog, error) {
	const op = "count what is to be shipped"
	tx, err := r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true}) // a tail must not become a chunk in between
	if err != nil {
		return ingest.Backlog{}, explain(op, r.path, err)
	}
	defer tx.Rollback()
	var out ingest.Backlog
	lo := ceilUS(from)
	type stretch struct{ boot, firstUS, lastUS int64 }
	stretches := map[int64]stretch{}
	add := func(x stretch) {
		if was, ok := stretches[x.boot]; ok {
			x.firstUS, x.lastUS = min(x.firstUS, was.firstUS), max(x.lastUS, was.lastUS)
		}
		stretches[x.boot] = x
	}
	sealed, err := list(ctx, tx, func(row *sql.Rows) (x stretch, err error) {
		var samples, chunks int64
		err = row.Scan(&x.boot, &x.firstUS, &x.lastUS, &samples, &chunks)
		out.Samples, out.Chunks = out.Samples+samples, out.Chunks+chunks
		return x, err
	}, `SELECT boot, min(CASE WHEN boot = ?2 THEN max(first_us, ?3) ELSE first_us END), max(last_us),
			sum(CASE WHEN boot = ?2 AND first_us < ?3 THEN n * (last_us - ?3) / max(last_us - first_us, 1) ELSE n END), count(*)
		FROM chunk WHERE channel = (SELECT id FROM channel WHERE name = ?1) AND boot >= ?2 AND (boot > ?2 OR last_us >= ?3) AND raw GROUP BY boot`,
		channel, bootID, lo)
	if err != nil {
		return ingest.Backlog{}, explain(op, r.path, err)
	}
	tails, err := list(ctx, tx, scanTail, `SELECT id, channel, boot, data FROM tail
		WHERE channel = (SELECT id FROM channel WHERE name = ?) AND boot >= ? ORDER BY id`, channel, bootID)
	if err != nil {
		return ingest.Backlog{}, explain(op, r.path, err)
	}
	for _, x := range sealed {
		add(x)
	}
	for _, t := range tails {
		samples, err := t.decode()
		if err != nil {
			continue // verify tells of it
		}
		for _, s := range samples {
			if t.boot > bootID || s.Elapsed > from {
				out.Samples++
				add(stretch{t.boot, toUS(s.Elapsed), toUS(s.Elapsed)})
			}
		}
	}
	for _, x := range stretches {
		out.Lasts += fromUS(x.lastUS - x.firstUS)
	}
	return out, nil
}

// Cursors returns how far each stream of a target was acknowledged.
func (r *Reader) Cursors(ctx context.Context, target string) ([]ingest.ShipCursor, error) {
	cs, err := list(ctx, r.db, func(row *sql.Rows) (c ingest.ShipCursor, err error) {
		return c, row.Scan(&c.Stream, &c.Boot, &c.At, &c.N)
	}, `SELECT stream, boot, at, n FROM ship_cursor WHERE target = ? ORDER BY stream`, target)
	return cs, explain("read how far shipping has come", r.path, err)
}

// Asides lists what a target refused for good, or all targets' when it is empty, oldest first.
func (r *Reader) Asides(ctx context.Context, target string) ([]ingest.ShipAside, error) {
	as, err := list(ctx, r.db, func(row *sql.Rows) (a ingest.ShipAside, err error) {
		return a, row.Scan(&a.Stream, &a.Boot, &a.From, &a.To, &a.Points, &a.Why, &a.Example, wallTime{&a.At})
	}, `SELECT stream, boot, from_at, to_at, points, why, example, at FROM ship_aside WHERE ?1 = '' OR target = ?1 ORDER BY id`, target)
	return as, explain("list what was set aside", r.path, err)
}

// Advance notes in one commit how far streams of a target were acknowledged, and what
// the target refused. A stretch that goes on where the last of its stream ended, for the
// same reason, lengthens it, so that a server that refuses everything does not fill the card.
func (s *Store) Advance(ctx context.Context, target string, cursors []ingest.ShipCursor, asides []ingest.ShipAside) error {
	return s.write(ctx, "note how far shipping has come", func(ctx context.Context) error {
		for _, c := range cursors {
			if _, err := s.w.ExecContext(ctx, `INSERT INTO ship_cursor (target, stream, boot, at, n) VALUES (?, ?, ?, ?, ?)
				ON CONFLICT DO UPDATE SET boot = excluded.boot, at = excluded.at, n = excluded.n`,
				target, c.Stream, c.Boot, c.At, c.N); err != nil {
				return err
			}
		}
		for _, a := range asides {
			res, err := s.w.ExecContext(ctx, `UPDATE ship_aside SET to_at = ?, points = points + ?, at = ?
				WHERE id = (SELECT max(id) FROM ship_aside WHERE target = ? AND stream = ?) AND boot = ? AND why = ? AND to_at <= ?`,
				a.To, a.Points, timeText(a.At), target, a.Stream, a.Boot, a.Why, a.From)
			if err != nil {
				return err
			}
			if n, err := res.RowsAffected(); err != nil || n > 0 {
				if err != nil {
					return err
				}
				continue
			}
			if _, err := s.w.ExecContext(ctx, `INSERT INTO ship_aside (target, stream, boot, from_at, to_at, points, why, example, at)
				VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`, target, a.Stream, a.Boot, a.From, a.To, a.Points, a.Why, a.Example, timeText(a.At)); err != nil {
				return err
			}
		}
		return nil
	})
}

// SendAgain sets each stream of a target of which something was set aside back to the
// first of that, or with all every stream to its beginning, and forgets what was set
// aside: who ships next sends it anew. What arrived before overwrites itself.
func (s *Store) SendAgain(ctx context.Context, target string, all bool) error {
	return s.write(ctx, "set shipping back", func(ctx context.Context) error {
		// Streams of the book have boot 0 and count changes: from is sent when the cursor is before it.
		set := `UPDATE ship_cursor AS c SET boot = a.boot, at = a.from_at - (a.boot = 0), n = 0
			FROM (SELECT stream, boot, from_at, row_number() OVER (PARTITION BY stream ORDER BY boot, from_at) AS place FROM ship_aside WHERE target = ?1) a
			WHERE c.target = ?1 AND c.stream = a.stream AND a.place = 1 AND (a.boot, a.from_at) <= (c.boot, c.at)`
		if all {
			set = `DELETE FROM ship_cursor WHERE target = ?1`
		}
		if _, err := s.w.ExecContext(ctx, set, target); err != nil {
			return err
		}
		_, err := s.w.ExecContext(ctx, `DELETE FROM ship_aside WHERE target = ?`, target)
		return err
	})
}

// ShipAnchor returns what the stamps of a boot's points count from. The first call for a
// boot takes its wall clock at elapsed zero as it is believed now, to the microsecond,
// and keeps it for ever: points that were sent would double if it moved. Of boots with a
// channel in common whose numbers agree in their last two digits, which the stamps would
// not keep apart, one is set behind the end of an earlier one.
func (s *Store) ShipAnchor(ctx context.Context, bootID int64) (anchor time.Time, err error) {
	const op = "anchor a boot's points"
	if anchor, err := readAnchor(ctx, s.db, bootID); !errors.Is(err, sql.ErrNoRows) {
		return anchor, explain(op, s.path, err)
	}
	err = s.write(ctx, op, func(ctx context.Context) (err error) {
		anchor, err = s.anchorBoot(ctx, bootID)
		return err
	})
	return anchor, err
}

func readAnchor(ctx context.Context, q queryer, bootID int64) (anchor time.Time, err error) {
	rows, err := list(ctx, q, func(row *sql.Rows) (t time.Time, err error) { return t, row.Scan(wallTime{&t}) }, `SELECT anchor FROM ship_anchor WHERE boot = ?`, bootID)
	if err == nil && len(rows) == 0 {
		err = sql.ErrNoRows
	}
	if err != nil {
		return time.Time{}, err
	}
	return rows[0], nil
}

// anchorBoot anchors a boot, and before it the older ones that its stamps might meet:
// those have ended and keep their time, whoever is asked for first.
func (s *Store) anchorBoot(ctx context.Context, bootID int64) (anchor time.Time, err error) {
	if anchor, err := readAnchor(ctx, s.w, bootID); !errors.Is(err, sql.ErrNoRows) {
		return anchor, err
	}
	const meets = `b.id <> ?1 AND b.id % 100 = ?1 % 100
		AND EXISTS (SELECT 1 FROM boot_channel x JOIN boot_channel y ON x.channel = y.channel WHERE x.boot = b.id AND y.boot = ?1)`
	older, err := list(ctx, s.w, func(row *sql.Rows) (id int64, err error) { return id, row.Scan(&id) },
		`SELECT id FROM boot b WHERE b.id < ?1 AND b.id NOT IN (SELECT boot FROM ship_anchor) AND `+meets+` ORDER BY id`, bootID)
	if err != nil {
		return time.Time{}, err
	}
	for _, id := range older {
		if _, err := s.anchorBoot(ctx, id); err != nil {
			return time.Time{}, err
		}
	}
	err = s.w.QueryRowContext(ctx, `SELECT wall FROM boot WHERE id = ?`, bootID).Scan(wallTime{&anchor})
	if errors.Is(err, sql.ErrNoRows) {
		return time.Time{}, fmt.Errorf("no boot %d: %w", bootID, ErrNotFound)
	} else if err != nil {
		return time.Time{}, err
	}
	anchor = anchor.Truncate(time.Microsecond)
	ends, err := list(ctx, s.w, func(row *sql.Rows) (end time.Time, err error) {
		var lastUS int64
		err = row.Scan(wallTime{&end}, &lastUS)
		return end.Add(fromUS(lastUS)), err
	}, `SELECT a.anchor, (SELECT coalesce(max(last_us), 0) FROM chunk c
			WHERE c.channel IN (SELECT channel FROM boot_channel x WHERE x.boot = b.id) AND c.boot = b.id)
		FROM boot b JOIN ship_anchor a ON a.boot = b.id WHERE `+meets, bootID)
	if err != nil {
		return time.Time{}, err
	}
	for _, end := range ends {
		if !anchor.After(end) {
			anchor = end.Add(time.Second)
		}
	}
	_, err = s.w.ExecContext(ctx, `INSERT INTO ship_anchor (boot, anchor) VALUES (?, ?)`, bootID, timeText(anchor))
	return anchor, err
}

// restoredLeap is more changes of the book than can have been made since a backup.
const restoredLeap = 1_000_000_000

// leapChanges makes the changes of a restored store's book count on from beyond those that
// were made, and perhaps shipped, between its backup and now: of two rows with one id,
// whoever reads a shared database takes the one that counts further. The file is open nowhere.
func leapChanges(ctx context.Context, path string) error {
	db, err := sql.Open("sqlite", dsn(path, "rw"))
	if err != nil {
		return err
	}
	_, err = db.ExecContext(ctx, `UPDATE sqlite_sequence SET seq = seq + ? WHERE name = 'book_change'`, restoredLeap)
	if closing := db.Close(); err == nil {
		err = closing
	}
	if err != nil {
		return err
	}
	return syncFile(path)
}
