package rate

import "brimline/analysis/curve"

// Run is what the channels of one run, or one record, hold together.
type Run struct {
	Results []Result // of the curves, in their order
	Errs    []error  // Errs[i] is why curve i has no result; nil where it has one
	Flags   []Flag   // of the run as a whole: what the engine or the bench did to all channels at once
}

// AnalyseRun is Analyse of the channels of one run or one record, which share their
// elapsed time: what shows on all of them at once is the engine's or the bench's, and is
// said as that.
func AnalyseRun(curves []curve.Curve, o Options) Run {
	r := Run{Results: make([]Result, len(curves)), Errs: make([]error, len(curves))}
	for i, c := range curves {
		r.Results[i], r.Errs[i] = Analyse(c, o)
	}
	return r
}
