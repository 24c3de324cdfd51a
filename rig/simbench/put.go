package simbench

import (
	"fmt"
	"math"
)

// Put puts a number of grams on the cell of a channel, in place of the masses that
// were there: poured water, a spanner, what a mass of no class weighs.
func (b *Bench) Put(channel int, grams float64) error {
	l, err := b.line(channel)
	if err != nil {
		return fmt.Errorf("simulated bench: put: %w", err)
	}
	if math.IsNaN(grams) || math.Abs(grams) > 1e5 {
		return fmt.Errorf("simulated bench: put %g g on channel %d: use at most 100000 g", grams, channel)
	}
	l.chip.cell.loadG.Store(math.Float64bits(grams))
	return nil
}
