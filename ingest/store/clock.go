package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"brimline/ingest"
)

// CorrectBoot sets the wall clock at a boot's elapsed zero, as found later, for example
// when the board first reached the network; c.Was is not looked at. The value before is
// kept as a correction, and Boot.Stored stays as first believed. Tests that began in the
// boot move with its clock, as their times were read from it; a date that a person typed
// in, outside the boot, stays.
func (s *Store) CorrectBoot(ctx context.Context, bootID int64, c ingest.ClockCorrection) error {
	const op = "correct a boot's clock"
	if err := checkYear("its wall time", c.Wall); err != nil {
		return explain(op, s.path, err)
	}
	return s.write(ctx, op, func(ctx context.Context) error {
		var lastNS int64
		err := s.w.QueryRowContext(ctx, `SELECT wall, (SELECT coalesce(max(max(start_ns, end_ns)), 0) FROM run WHERE boot = boot.id)
			FROM boot WHERE id = ?`, bootID).Scan(wallTime{&c.Was}, &lastNS)
		if errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("no boot %d: check its id: %w", bootID, ErrNotFound)
		}
		if err != nil {
			return err
		}
		if _, err := s.w.ExecContext(ctx, `INSERT INTO boot_correction (boot, was, wall, why, who, at_us) VALUES (?, ?, ?, ?, ?, ?)`,
			bootID, timeText(c.Was), timeText(c.Wall), c.Why, c.Who, toUS(c.At)); err != nil {
			return err
		}
		if _, err := s.w.ExecContext(ctx, `UPDATE boot SET wall = ? WHERE id = ?`, timeText(c.Wall), bootID); err != nil {
			return err
		}
		return s.moveTests(ctx, bootID, c, max(c.At, time.Duration(lastNS)))
	})
}

// moveTests corrects the times of the tests that began in a boot, which lasted for so long
// at least. A test belongs to the boot of its first run; one without runs yet to the boot
// whose time it has.
func (s *Store) moveTests(ctx context.Context, bootID int64, c ingest.ClockCorrection, lasted time.Duration) error {
	type begun struct {
		id int64
		at time.Time
	}
	tests, err := list(ctx, s.w, func(row *sql.Rows) (b begun, err error) {
		return b, row.Scan(&b.id, wallTime{&b.at})
	}, `SELECT id, at FROM test WHERE at >= ? AND at <= ?
		AND coalesce((SELECT boot FROM run WHERE test = test.id ORDER BY number LIMIT 1), ?3) = ?3`,
		timeText(c.Was), timeText(c.Was.Add(lasted)), bootID)
	if err != nil {
		return err
	}
	for _, t := range tests {
		at := c.Wall.Add(t.at.Sub(c.Was))
		if err := checkYear("the time of a test", at); err != nil {
			return err
		}
		if _, err := s.w.ExecContext(ctx, `UPDATE test SET at = ? WHERE id = ?`, timeText(at), t.id); err != nil {
			return err
		}
	}
	return nil
}

// Corrections lists the corrections of a boot's clock, oldest first.
func (r *Reader) Corrections(ctx context.Context, bootID int64) ([]ingest.ClockCorrection, error) {
	cs, err := list(ctx, r.db, func(row *sql.Rows) (c ingest.ClockCorrection, err error) {
		var atUS int64
		err = row.Scan(wallTime{&c.Was}, wallTime{&c.Wall}, &c.Why, &c.Who, &atUS)
		c.At = fromUS(atUS)
		return c, err
	}, `SELECT was, wall, why, who, at_us FROM boot_correction WHERE boot = ? ORDER BY id`, bootID)
	return cs, explain("list a boot's corrections", r.path, err)
}
