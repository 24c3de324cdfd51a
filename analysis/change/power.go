package change

import (
	"math"

	exact "brimline/analysis/power"
)

// detectable is the difference that a test with this standard error and these
// degrees of freedom finds with the stated power.
func detectable(se, df float64) float64 { return se * exact.Detectable(power, df, alpha) }

// hangingsNeeded is the smallest number per phase, from 2 to 200, that has the
// stated power both to show a change as large as the margin and, if there is no
// change, to show that; 0 when none has. sd is a hanging's, as a log.
func hangingsNeeded(margin, sd float64) int {
	enough := func(n int) bool {
		df, m := float64(2*n-2), margin/(sd*math.Sqrt(2/float64(n)))
		return exact.T(m, df, alpha) >= power && exact.TOST(m, 0, df, alpha) >= power
	}
	const most = 200
	if !enough(most) {
		return 0
	}
	lo, hi := 1, most // power rises with n
	for hi-lo > 1 {
		mid := (lo + hi) / 2
		if enough(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}
