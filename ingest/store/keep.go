package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"

	"brimline/ingest"
)

// marginUS is how much of the raw samples before and after a run is kept with it, in SQL and
// us: 600 s, the longest rest that a config may ask for.
const marginUS = "600000000"

// notOfRun is true for a chunk c that no run of its boot touches, the margin included, and
// that was not taken in from a file. A run without an end goes on, or was cut off: all that
// follows on its boot is its own.
const notOfRun = `c.channel NOT IN (SELECT channel FROM imported_channel) AND NOT EXISTS (SELECT 1 FROM run r WHERE r.boot = c.boot
	AND c.last_us >= r.start_ns / 1000 - ` + marginUS + `
	AND (r.end_ns = 0 OR c.first_us <= r.end_ns / 1000 + ` + marginUS + `))`

// Room tells how the file's pages are used. Pages that are free inside the file are used
// again before it grows.
func (r *Reader) Room(ctx context.Context) (ingest.StoreRoom, error) {
	var room ingest.StoreRoom
	var pages, free, size int64
	err := r.db.QueryRowContext(ctx, `SELECT page_count, freelist_count, page_size FROM pragma_page_count, pragma_freelist_count, pragma_page_size`).
		Scan(&pages, &free, &size)
	room.FreeBytes, room.UsedBytes = free*size, (pages-free)*size
	return room, explain("measure the store's room", r.path, err)
}

// WatchBoots lists the boots of this bench, oldest first: those of recordings that were
// taken in from files are none of its own.
func (r *Reader) WatchBoots(ctx context.Context) ([]ingest.Boot, error) {
	boots, err := list(ctx, r.db, scanBoot, `SELECT id, wall, stored FROM boot
		WHERE id NOT IN (SELECT boot FROM boot_channel WHERE channel IN (SELECT channel FROM imported_channel)) ORDER BY id`)
	return boots, explain("list the bench's boots", r.path, err)
}

// WatchChunks lists chunks that still have their raw samples, belong to no run and were not
// taken in from a file, in the order of boots and elapsed time.
func (r *Reader) WatchChunks(ctx context.Context, q ingest.WatchQuery) ([]ingest.WatchChunk, error) {
	boot := "c.boot >= ?1"
	if q.BootID != 0 {
		boot = "c.boot = ?1"
	} else {
		q.BootID = q.After.BootID
	}
	chunks, err := list(ctx, r.db, func(row *sql.Rows) (c ingest.WatchChunk, err error) {
		var firstUS, lastUS int64
		err = row.Scan(&c.BootID, &c.ChannelID, &c.ID, &firstUS, &lastUS, &c.Samples, &c.Bytes)
		c.From, c.To = fromUS(firstUS), fromUS(lastUS)
		return c, err
	}, `SELECT c.boot, c.channel, c.id, c.first_us, c.last_us, c.n, coalesce(length(d.data), 0)
		FROM chunk c LEFT JOIN chunk_data d ON d.id = c.id
		WHERE c.raw AND `+boot+` AND (c.boot, c.first_us, c.channel, c.id) > (?2, ?3, ?4, ?5) AND c.last_us < ?6 AND `+notOfRun+`
		ORDER BY c.boot, c.first_us, c.channel, c.id LIMIT ?7`,
		q.BootID, q.After.BootID, toUS(q.After.From), q.After.ChannelID, q.After.ID, toUS(q.Before), q.Limit)
	return chunks, explain("list the watch's raw samples", r.path, err)
}

// DeleteWatchRaw deletes the raw samples of chunks that WatchChunks listed, all or none, and
// notes by which rule and when. Their summaries stay. What a run has come to touch
// meanwhile is left. The writer waits for it: give it few chunks at a time.
func (s *Store) DeleteWatchRaw(ctx context.Context, rule string, at time.Time, chunks []ingest.WatchChunk) (ingest.RawDeleted, error) {
	op := fmt.Sprintf("delete raw samples of %d chunks", len(chunks))
	var sum ingest.RawDeleted
	if err := checkYear("the time of it", at); err != nil {
		return sum, explain(op, s.path, err)
	}
	err := s.write(ctx, op, func(ctx context.Context) error {
		sum = ingest.RawDeleted{Rule: rule, FirstAt: at, LastAt: at}
		for _, c := range chunks {
			res, err := s.w.ExecContext(ctx, `UPDATE chunk AS c SET raw = 0
				WHERE channel = ? AND boot = ? AND first_us = ? AND id = ? AND raw AND `+notOfRun, c.ChannelID, c.BootID, toUS(c.From), c.ID)
			if err != nil {
				return err
			}
			if n, err := res.RowsAffected(); err != nil {
				return err
			} else if n == 0 {
				continue
			}
			if _, err := s.w.ExecContext(ctx, `DELETE FROM chunk_data WHERE id = ?`, c.ID); err != nil {
				return err
			}
			if _, err := s.w.ExecContext(ctx, `INSERT INTO raw_deleted VALUES (?1, ?2, ?3, ?3, ?4, ?5, 1, ?6, ?7)
				ON CONFLICT (boot, rule) DO UPDATE SET last_at = ?3, from_us = min(from_us, ?4), to_us = max(to_us, ?5),
				chunks = chunks + 1, samples = samples + ?6, bytes = bytes + ?7`,
				c.BootID, rule, timeText(at), toUS(c.From), toUS(c.To), c.Samples, c.Bytes); err != nil {
				return err
			}
			sum.Chunks, sum.Samples, sum.Bytes = sum.Chunks+1, sum.Samples+int64(c.Samples), sum.Bytes+c.Bytes
		}
		return nil
	})
	if err != nil {
		return ingest.RawDeleted{}, err
	}
	return sum, nil
}

// RawDeleted lists what raw samples of a boot were deleted by rule, or of all boots when
// bootID is 0: these were not lost. Chunks of runs, and others between From and To that
// still have their samples, are not counted.
func (r *Reader) RawDeleted(ctx context.Context, bootID int64) ([]ingest.RawDeleted, error) {
	ds, err := list(ctx, r.db, func(row *sql.Rows) (d ingest.RawDeleted, err error) {
		var fromUSs, toUSs int64
		err = row.Scan(&d.BootID, &d.Rule, wallTime{&d.FirstAt}, wallTime{&d.LastAt}, &fromUSs, &toUSs, &d.Chunks, &d.Samples, &d.Bytes)
		d.From, d.To = fromUS(fromUSs), fromUS(toUSs)
		return d, err
	}, `SELECT boot, rule, first_at, last_at, from_us, to_us, chunks, samples, bytes FROM raw_deleted WHERE ? IN (0, boot) ORDER BY boot, rule`, bootID)
	return ds, explain("list what was deleted by rule", r.path, err)
}

// StopWatch notes that from an elapsed time of a boot on nothing was recorded, and why:
// what is missing then was not lost. ResumeWatch ends it.
func (s *Store) StopWatch(ctx context.Context, bootID int64, from time.Duration, why string) (id int64, err error) {
	return s.insert(ctx, "note that the watch stops", `INSERT INTO watch_stop (boot, from_us, why) VALUES (?, ?, ?)`, bootID, toUS(from), why)
}

// ResumeWatch notes when recording went on.
func (s *Store) ResumeWatch(ctx context.Context, id int64, to time.Duration) error {
	return s.update(ctx, "note that the watch goes on", fmt.Sprintf("stop %d", id), `UPDATE watch_stop SET to_us = ? WHERE id = ?`, toUS(to), id)
}

// WatchStops lists when nothing was recorded for want of room, oldest first; of all boots
// when bootID is 0.
func (r *Reader) WatchStops(ctx context.Context, bootID int64) ([]ingest.WatchStop, error) {
	ws, err := list(ctx, r.db, func(row *sql.Rows) (w ingest.WatchStop, err error) {
		var from int64
		var to sql.NullInt64
		err = row.Scan(&w.BootID, &from, &to, &w.Why)
		w.From, w.To = fromUS(from), End
		if to.Valid {
			w.To = fromUS(to.Int64)
		}
		return w, err
	}, `SELECT boot, from_us, to_us, why FROM watch_stop WHERE ? IN (0, boot) ORDER BY id`, bootID)
	return ws, explain("list the watch's stops", r.path, err)
}

// RunUnderWay reports whether a run of a boot has no end yet.
func (r *Reader) RunUnderWay(ctx context.Context, bootID int64) (under bool, err error) {
	err = r.db.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM run WHERE boot = ? AND end_ns = 0)`, bootID).Scan(&under)
	return under, explain("look for a run under way", r.path, err)
}
