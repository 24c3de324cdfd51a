package calibrate

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// mpeMilliGrams is OIML R 111-1:2004, table 1: maximum permissible errors in mg of
// the conventional mass, by class and nominal grams. Those below 10 g, F2 from 500 g
// on, and M1 and M2 from 200 g on, are from memory.
var mpeMilliGrams = map[string]map[float64]float64{
	"F2": {1: 0.3, 2: 0.4, 5: 0.5, 10: 0.6, 20: 0.8, 50: 1.0, 100: 1.6, 200: 3.0, 500: 8.0, 1000: 16, 2000: 30, 5000: 80},
	"M1": {1: 1.0, 2: 1.2, 5: 1.6, 10: 2.0, 20: 2.5, 50: 3.0, 100: 5.0, 200: 10, 500: 25, 1000: 50, 2000: 100, 5000: 250},
	"M2": {1: 3.0, 2: 4.0, 5: 5.0, 10: 6.0, 20: 8.0, 50: 10, 100: 16, 200: 30, 500: 80, 1000: 160, 2000: 300, 5000: 800},
}

// set is a set of masses as they are sold: 5, 2, 2, 1 of each power of ten (OIML
// R 111-1:2004, 4.3). Any whole number of grams up to 9999 can be made of it.
var set = []float64{5000, 2000, 2000, 1000, 500, 200, 200, 100, 50, 20, 20, 10, 5, 2, 2, 1}

// MPE returns the maximum permissible error, plus or minus, in g, of one reference
// mass of class F2, M1 or M2 (OIML R 111-1:2004). Those of masses loaded together
// add up.
func MPE(class string, nominalG float64) (float64, error) {
	byMass, ok := mpeMilliGrams[strings.ToUpper(class)]
	if !ok {
		return 0, fmt.Errorf("mass tolerance: class %q is not known: use F2, M1 or M2; better classes (E1, E2, F1) count as F2; masses without a class cannot be used", class)
	}
	mg, ok := byMass[nominalG]
	if !ok {
		return 0, fmt.Errorf("mass tolerance: no %s mass of %g g: use 1, 2 or 5 g or ten, a hundred or a thousand times that, up to 5000 g", class, nominalG)
	}
	return mg / 1000, nil
}

// Load is what stands on a cell at once: nothing, or one or more reference masses.
type Load struct {
	MassG  float64   // nominal
	Masses []float64 // nominal g of each, the heaviest first; none for the empty cell
}

// String is the load in words: "150 g (100 + 50)".
func (l Load) String() string {
	if len(l.Masses) < 2 {
		return fmt.Sprintf("%g g", l.MassG)
	}
	parts := make([]string, len(l.Masses))
	for i, m := range l.Masses {
		parts[i] = strconv.FormatFloat(m, 'g', -1, 64)
	}
	return fmt.Sprintf("%g g (%s)", l.MassG, strings.Join(parts, " + "))
}

// MPE returns the tolerance of the masses loaded together, plus or minus, g.
func (l Load) MPE(class string) (float64, error) {
	sum := 0.0
	for _, m := range l.Masses {
		mpe, err := MPE(class, m)
		if err != nil {
			return 0, err
		}
		sum += mpe
	}
	return sum, nil
}

// ParseLoad reads one load: "100", "100g", or "100+50" for two masses. A number that
// is no single mass is made of the fewest masses of a usual set, 150 of 100 and 50.
func ParseLoad(text string) (Load, error) {
	var l Load
	for part := range strings.SplitSeq(text, "+") {
		word := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(part), "g"))
		g, err := strconv.ParseFloat(word, 64)
		if err != nil || math.IsNaN(g) || math.IsInf(g, 0) {
			return Load{}, fmt.Errorf("load %q: %q is not a number: write grams, such as 100 or 100+50", text, part)
		}
		if g < 0 || g > 9999 || g != math.Trunc(g) {
			return Load{}, fmt.Errorf("load %q: %g g cannot be put together from a set of masses: use whole grams from 0 to 9999", text, g)
		}
		l.MassG += g
		for _, m := range set {
			if g >= m {
				l.Masses = append(l.Masses, m)
				g -= m
			}
		}
	}
	slices.SortFunc(l.Masses, func(a, b float64) int { return int(b - a) })
	return l, nil
}

// Fewest and Most are how many different loads a calibration may have: three show
// whether the line is straight, more than eleven cost time and tell no more.
const Fewest, Most = 3, 11

// ParseLoads reads a list of loads, "0,50,100,200", and returns them lightest first.
// The empty cell belongs to every calibration and is added if it is left out.
func ParseLoads(list string) ([]Load, error) {
	loads := []Load{{}}
	seen := map[float64]bool{}
	for word := range strings.SplitSeq(list, ",") {
		l, err := ParseLoad(word)
		if err != nil {
			return nil, err
		}
		if seen[l.MassG] {
			return nil, fmt.Errorf("loads %s: %g g is there twice: name each load once, they are put on going up and coming down without that", list, l.MassG)
		}
		seen[l.MassG] = true
		if l.MassG > 0 {
			loads = append(loads, l)
		}
	}
	slices.SortFunc(loads, func(a, b Load) int { return int(a.MassG - b.MassG) })
	return loads, checkCount(len(loads))
}

func checkCount(n int) error {
	if n < Fewest || n > Most {
		return fmt.Errorf("%d different loads with the empty cell: a calibration takes %d to %d, evenly spread up to the most that the cell will carry", n, Fewest, Most)
	}
	return nil
}
