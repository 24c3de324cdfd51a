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

// Pour makes a measured volume stand in the tube of a channel with a level sender, in
// place of what was poured before, on top of what the run has left there.
func (b *Bench) Pour(channel int, mL float64) error {
	l, err := b.line(channel)
	if err != nil {
		return fmt.Errorf("simulated bench: pour: %w", err)
	}
	if !(mL >= 0 && mL <= 1e5) {
		return fmt.Errorf("simulated bench: pour %g mL into the tube of channel %d: use 0 to 100000 mL", mL, channel)
	}
	l.chip.cell.pouredML.Store(math.Float64bits(mL))
	return nil
}
