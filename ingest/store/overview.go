package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// cellsUS is the stretches of elapsed time that rows of table overview sum up, the widest
// first: with them no view of 1,000 columns reads more than some 100 rows a column and
// channel.
var cellsUS = [...]int64{7_200_000_000, 600_000_000}

// OverviewColumn is what one channel's samples were in one column of an overview.
type OverviewColumn struct {
	Index int     // from 0, of the columns asked for
	N     int64   // samples
	Good  int64   // of good quality, from which come the next three
	Min   int32   // counts; 0 when none was good
	Max   int32   // counts; 0 when none was good
	Mean  float64 // counts; 0 when none was good
}

// Overview is one channel's columns, those without samples left out.
type Overview struct {
	Channel string
	Columns []OverviewColumn
}

// Overview sums up what was recorded between two wall times, in all boots, in columns of
// equal width, one Overview for each channel that has samples, by name. A boot's wall
// times are as corrected last. It tells also of times whose raw samples were deleted to
// save space.
//
// What is summed up is sealed minutes, or rows of ten minutes where columns are 20 minutes
// and wider, or of two hours from four hours on; each counts in the column that it begins
// in. The minute that is still open is not in it. Columns below 1 or above 100,000, and a
// time that ends before it begins, are ErrConflict.
func (r *Reader) Overview(ctx context.Context, from, to time.Time, columns int) ([]Overview, error) {
	const op = "read an overview"
	if columns < 1 || columns > 100_000 || !from.Before(to) {
		return nil, explain(op, r.path, fmt.Errorf("%d columns from %s to %s: ask for 1 to 100000 columns of a time that ends after it begins: %w",
			columns, from.UTC().Format(time.RFC3339), to.UTC().Format(time.RFC3339), ErrConflict))
	}
	tx, err := r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true}) // one state of the file for all boots
	if err != nil {
		return nil, explain(op, r.path, err)
	}
	defer tx.Rollback()
	o := overviewQuery{fromUS: from.UnixMicro(), toUS: to.UnixMicro(), columns: columns, sums: map[int64][]overviewSum{}}
	o.widthUS = max(1, (o.toUS-o.fromUS+int64(columns)-1)/int64(columns))
	if err := o.read(ctx, tx); err != nil {
		return nil, explain(op, r.path, err)
	}
	type channel struct {
		id   int64
		name string
	}
	channels, err := list(ctx, tx, func(row *sql.Rows) (c channel, err error) {
		return c, row.Scan(&c.id, &c.name)
	}, `SELECT id, name FROM channel ORDER BY name`)
	if err != nil {
		return nil, explain(op, r.path, err)
	}
	var out []Overview
	for _, c := range channels {
		view := Overview{Channel: c.name}
		for i, s := range o.sums[c.id] {
			if s.n == 0 {
				continue
			}
			col := OverviewColumn{Index: i, N: s.n, Good: s.good}
			if s.good > 0 {
				col.Min, col.Max, col.Mean = int32(s.min), int32(s.max), float64(s.sum)/float64(s.good)
			}
			view.Columns = append(view.Columns, col)
		}
		if view.Columns != nil {
			out = append(out, view)
		}
	}
	return out, nil
}

type overviewSum struct{ n, good, min, max, sum int64 }

type overviewQuery struct {
	fromUS, toUS, widthUS int64 // wall times, since 1970
	columns               int
	sums                  map[int64][]overviewSum // by channel.id, then by column
}

// read sums up boot by boot and column by column: each is a range of its table's key, so
// nothing is sorted.
func (o *overviewQuery) read(ctx context.Context, tx *sql.Tx) error {
	unit := int64(1) // us in a step of the key
	query := `SELECT channel, sum(n), sum(good), coalesce(min(min), 0), coalesce(max(max), 0), sum(sum) FROM chunk
		WHERE channel IN (SELECT channel FROM boot_channel WHERE boot = ?1) AND boot = ?1 AND first_us >= ?2 AND first_us < ?3 GROUP BY channel`
	bounds := `SELECT min((SELECT min(first_us) FROM chunk c WHERE c.channel = b.channel AND c.boot = b.boot)),
		max((SELECT max(first_us) FROM chunk c WHERE c.channel = b.channel AND c.boot = b.boot)) FROM boot_channel b WHERE boot = ?1`
	for _, us := range cellsUS {
		if o.widthUS >= 2*us {
			unit = us
			query = fmt.Sprintf(`SELECT channel, sum(n), sum(good), coalesce(min(min), 0), coalesce(max(max), 0), sum(sum) FROM overview
				WHERE cell_us = %d AND boot = ?1 AND cell >= ?2 AND cell < ?3 GROUP BY channel`, us)
			bounds = fmt.Sprintf(`SELECT (SELECT min(cell) FROM overview WHERE cell_us = %[1]d AND boot = ?1),
				(SELECT max(cell) FROM overview WHERE cell_us = %[1]d AND boot = ?1)`, us)
			break
		}
	}
	type origin struct {
		id   int64
		wall time.Time
	}
	boots, err := list(ctx, tx, func(row *sql.Rows) (b origin, err error) {
		return b, row.Scan(&b.id, wallTime{&b.wall})
	}, `SELECT id, wall FROM boot ORDER BY id`)
	if err != nil {
		return err
	}
	sums, err := tx.PrepareContext(ctx, query)
	if err != nil {
		return err
	}
	defer sums.Close()
	for _, b := range boots {
		var first, last sql.NullInt64
		if err := tx.QueryRowContext(ctx, bounds, b.id).Scan(&first, &last); err != nil {
			return err
		}
		if !first.Valid {
			continue
		}
		zeroUS := b.wall.UnixMicro()
		lo := max(zeroUS+first.Int64*unit, o.fromUS)
		hi := min(zeroUS+(last.Int64+1)*unit, o.toUS)
		for col := (lo - o.fromUS) / o.widthUS; lo < hi && col <= (hi-1-o.fromUS)/o.widthUS; col++ {
			begin := o.fromUS + col*o.widthUS - zeroUS
			end := min(begin+o.widthUS, o.toUS-zeroUS)
			if err := o.add(ctx, sums, int(col), b.id, ceilTo(begin, unit), ceilTo(end, unit)); err != nil {
				return err
			}
		}
	}
	return nil
}

// ceilTo is the first whole unit at or after us.
func ceilTo(us, unit int64) int64 {
	n := us / unit
	if us > n*unit {
		n++
	}
	return n
}

func (o *overviewQuery) add(ctx context.Context, sums *sql.Stmt, col int, args ...any) error {
	rows, err := sums.QueryContext(ctx, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var channel int64
		var s overviewSum
		if err := rows.Scan(&channel, &s.n, &s.good, &s.min, &s.max, &s.sum); err != nil {
			return err
		}
		if o.sums[channel] == nil {
			o.sums[channel] = make([]overviewSum, o.columns)
		}
		was := &o.sums[channel][col]
		if was.good > 0 && s.good > 0 { // two boots in one column
			s.min, s.max = min(s.min, was.min), max(s.max, was.max)
		} else if was.good > 0 {
			s.min, s.max = was.min, was.max
		}
		*was = overviewSum{s.n + was.n, s.good + was.good, s.min, s.max, s.sum + was.sum}
	}
	return rows.Err()
}
