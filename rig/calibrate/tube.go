package calibrate

import (
	"fmt"
	"math"
	"slices"
	"sort"
)

// Strap is one row of a tube's strapping table: what it holds up to a level.
type Strap struct {
	LevelMM  float64 `json:"level_mm"`
	VolumeML float64 `json:"volume_ml"`
}

// Tube turns the level in it into a volume. Between two rows of the table the volume
// is taken on the straight line between them, as in a tube that is even there; below
// the first and above the last row there is no volume, save that within a fiftieth of
// the table's height the first and the last stretch go on: an empty tube's readings
// scatter about the first row, and half of them must not be cut off.
type Tube struct {
	rows   []Strap
	uML    float64 // of every volume in the table, standard, mL; all wrong together
	uScale float64 // of the cross-section, standard, relative
}

// NewTube returns a tube with a strapping table, in order of rising level. Levels and
// volumes must both rise from row to row. uML is the standard uncertainty of the
// table's volumes: a measure's tolerance over √3.
func NewTube(rows []Strap, uML float64) (Tube, error) {
	if len(rows) < 2 {
		return Tube{}, fmt.Errorf("strapping table: %d rows, at least 2 are needed: pour one more measure and read its level", len(rows))
	}
	if !(uML >= 0) || math.IsInf(uML, 0) {
		return Tube{}, fmt.Errorf("strapping table: a standard uncertainty of %g mL: use 0 or more", uML)
	}
	for i, r := range rows {
		if !finite(r.LevelMM) || !finite(r.VolumeML) || r.VolumeML < 0 {
			return Tube{}, fmt.Errorf("strapping table: row %d is %g mm, %g mL: finite numbers are needed, the volume not negative", i+1, r.LevelMM, r.VolumeML)
		}
		if i == 0 {
			continue
		}
		if b := rows[i-1]; !(r.LevelMM > b.LevelMM) || !(r.VolumeML > b.VolumeML) {
			return Tube{}, fmt.Errorf("strapping table: row %d (%g mm, %g mL) does not rise above row %d (%g mm, %g mL): levels and volumes must both rise; check for a slip in reading",
				i+1, r.LevelMM, r.VolumeML, i, b.LevelMM, b.VolumeML)
		}
	}
	return Tube{rows: slices.Clone(rows), uML: uML}, nil
}

// NewRoundTube returns a tube that is even from its bottom, level 0, to heightMM.
// uRelative is the cross-section's relative standard uncertainty: twice that of the
// inner diameter.
func NewRoundTube(innerDiameterMM, heightMM, uRelative float64) (Tube, error) {
	if !(innerDiameterMM > 0 && innerDiameterMM <= 1e4) || !(heightMM > 0 && heightMM <= 1e5) || !(uRelative >= 0 && uRelative < 1) {
		return Tube{}, fmt.Errorf("tube of %g mm bore, %g mm high, cross-section known to %g: bore and height must be above 0, the uncertainty a fraction such as 0.01", innerDiameterMM, heightMM, uRelative)
	}
	mL := math.Pi / 4 * innerDiameterMM * innerDiameterMM * heightMM / 1000
	return Tube{rows: []Strap{{}, {heightMM, mL}}, uScale: uRelative}, nil
}

// VolumeML returns the volume up to levelMM and its standard uncertainty from the
// table and from uLevelMM. A level outside the table is an error: nobody has poured
// there.
func (t Tube) VolumeML(levelMM, uLevelMM float64) (mL, u float64, err error) {
	if len(t.rows) == 0 {
		return 0, 0, fmt.Errorf("volume at %g mm: the tube has no strapping table: give one", levelMM)
	}
	if !finite(levelMM) || !(uLevelMM >= 0) || math.IsInf(uLevelMM, 0) {
		return 0, 0, fmt.Errorf("volume at %g mm with standard uncertainty %g mm: finite numbers are needed, the uncertainty not negative", levelMM, uLevelMM)
	}
	first, last := t.rows[0], t.rows[len(t.rows)-1]
	mL, slope, within := t.at(levelMM)
	if !within {
		return 0, 0, fmt.Errorf("volume at %g mm: the strapping table covers %g to %g mm: extend the table, nothing is guessed beyond it", levelMM, first.LevelMM, last.LevelMM)
	}
	return mL, math.Hypot(math.Hypot(slope*uLevelMM, t.uML), t.uScale*mL), nil
}

// beyond is the part of the table's height by which its first and last stretch go on.
const beyond = 0.02

// at returns the volume up to a level, and mL/mm there, on the first or last stretch
// also beyond the table; within is false where that is no volume to go by.
func (t Tube) at(levelMM float64) (mL, mLPerMM float64, within bool) {
	first, last := t.rows[0].LevelMM, t.rows[len(t.rows)-1].LevelMM
	i := sort.Search(len(t.rows), func(i int) bool { return t.rows[i].LevelMM >= levelMM })
	i = min(max(1, i), len(t.rows)-1)
	a, b := t.rows[i-1], t.rows[i]
	mLPerMM = (b.VolumeML - a.VolumeML) / (b.LevelMM - a.LevelMM)
	slack := beyond * (last - first)
	return a.VolumeML + mLPerMM*(levelMM-a.LevelMM), mLPerMM, levelMM >= first-slack && levelMM <= last+slack
}

// Volume returns the volume up to levelMM, mL, and what one mm more holds there, mL/mm. Beyond the table
// within is false and the volume that of a tube that goes on as it ends: something for
// a guard, nothing for a result. A tube without a table has NaN.
func (t Tube) Volume(levelMM float64) (mL, mLPerMM float64, within bool) {
	if len(t.rows) == 0 || !finite(levelMM) {
		return math.NaN(), math.NaN(), false
	}
	return t.at(levelMM)
}

// LevelMM returns the level that volumeML stands at, and the mm that one mL more makes
// there. A volume outside the table is an error.
func (t Tube) LevelMM(volumeML float64) (levelMM, mmPerML float64, err error) {
	if len(t.rows) == 0 {
		return 0, 0, fmt.Errorf("level of %g mL: the tube has no strapping table: give one", volumeML)
	}
	first, last := t.rows[0], t.rows[len(t.rows)-1]
	if !(volumeML >= first.VolumeML && volumeML <= last.VolumeML) {
		return 0, 0, fmt.Errorf("level of %g mL: the tube's table covers %.4g to %.4g mL: extend the table, or keep to what it covers", volumeML, first.VolumeML, last.VolumeML)
	}
	i := max(1, sort.Search(len(t.rows), func(i int) bool { return t.rows[i].VolumeML >= volumeML }))
	a, b := t.rows[i-1], t.rows[i]
	mmPerML = (b.LevelMM - a.LevelMM) / (b.VolumeML - a.VolumeML)
	return a.LevelMM + mmPerML*(volumeML-a.VolumeML), mmPerML, nil
}

// Rows returns a copy of the table, and UML its volumes' standard uncertainty.
func (t Tube) Rows() []Strap { return slices.Clone(t.rows) }

// UML returns the standard uncertainty of the table's volumes, mL.
func (t Tube) UML() float64 { return t.uML }

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
