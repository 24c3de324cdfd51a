package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"

	"brimline/ingest"
)

// AddConditions keeps what was noted beside runs of tests, all or none. A second of one name
// for the same test, run and injector is ErrConflict.
func (s *Store) AddConditions(ctx context.Context, cs []ingest.Condition) error {
	return s.write(ctx, "keep conditions", func(ctx context.Context) error { return s.insertConditions(ctx, cs) })
}

func (s *Store) insertConditions(ctx context.Context, cs []ingest.Condition) error {
	for _, c := range cs {
		if math.IsNaN(c.Value) || math.IsInf(c.Value, 0) {
			return fmt.Errorf("%s is %g: give a number", c.Name, c.Value)
		}
		if _, err := s.insertRow(ctx, `INSERT INTO condition (test, run, injector, name, unit, value) VALUES (?, ?, ?, ?, ?, ?)`,
			c.TestID, c.Run, c.Injector, c.Name, c.Unit, c.Value); err != nil {
			return fmt.Errorf("%s: %w", c.Name, err)
		}
	}
	return nil
}

const selectCondition = `SELECT id, test, run, injector, name, unit, value FROM condition `

func scanCondition(row *sql.Rows) (c ingest.Condition, err error) {
	return c, row.Scan(&c.ID, &c.TestID, &c.Run, &c.Injector, &c.Name, &c.Unit, &c.Value)
}

// Conditions lists what was noted beside a test's runs.
func (r *Reader) Conditions(ctx context.Context, testID int64) ([]ingest.Condition, error) {
	cs, err := list(ctx, r.db, scanCondition, selectCondition+`WHERE test = ? ORDER BY run, name, injector`, testID)
	return cs, explain("list conditions", r.path, err)
}
