package rate

import "brimline/analysis/curve"

// AnalyseRun is Analyse of the channels of one run or one record, which share their
// elapsed time: what shows on all of them at once is the engine's or the bench's, and is
// said as that. Results and errs have the length of curves, in their order; errs[i] is
// why curve i has no result.
func AnalyseRun(curves []curve.Curve, o Options) (results []Result, errs []error) {
	results, errs = make([]Result, len(curves)), make([]error, len(curves))
	for i, c := range curves {
		results[i], errs[i] = Analyse(c, o)
	}
	return results, errs
}
