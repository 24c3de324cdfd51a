package calibrate

import (
	"fmt"
	"math"
	"time"

	"brimline/rig"
)

// The rule by which a channel counts as steady. 5 s hold 50 readings of the slowest
// converters and a whole number of a hand's or a hose's swings; the factors pass a
// quiet cell's own random walk, which is a tenth of its white noise.
const (
	windowS     = 5.0
	blocks      = 10
	driftK      = 4.0  // drift over half a window, in its standard uncertainties
	scatterK    = 3.0  // blocks' scatter, in what the readings' noise explains
	shakingK    = 4.0  // noise, in the channel's quietest so far
	ofStep      = 3e-5 // and whatever the noise: this part of the step just made
	mostBad     = 0.1  // of a window's readings
	silentAfter = 2 * time.Second
)

// SteadyRule says the rule in words, for people and certificates.
var SteadyRule = fmt.Sprintf("still for %g s: drift from one half to the other within %g times its standard uncertainty (or %g %% of the step), scatter of the %d block means within %g times what the readings' noise explains",
	windowS, driftK, 100*ofStep, blocks, scatterK)

// Steadiness judges from a channel's readings, as they come, whether it stands still,
// and gives the mean with its uncertainty when it does.
type Steadiness struct {
	StepCounts  float64 // size of the step that was just made, counts; 0 if not known
	QuietCounts float64 // the channel's noise when it was quietest, rms; 0 if not known

	window []rig.Reading // the last windowS seconds, bad ones included
	last   time.Duration
	silent time.Duration // since when there is no good reading
	any    bool
}

// Add takes the next reading.
func (s *Steadiness) Add(r rig.Reading) {
	if !s.any {
		s.any, s.silent = true, r.Elapsed
	}
	if r.Quality == rig.Good {
		s.silent = r.Elapsed
	}
	s.last = r.Elapsed
	s.window = append(s.window, r)
	cut := 0
	for cut < len(s.window) && s.window[cut].Elapsed.Seconds() < r.Elapsed.Seconds()-windowS {
		cut++
	}
	s.window = s.window[cut:]
}

// Verdict is what a window of readings says.
type Verdict struct {
	Steady bool
	Silent bool    // no good reading for two seconds: more waiting will not help
	Why    string  // when not steady: what is wrong, how large, and the limit
	Counts float64 // mean of the window
	U      float64 // its standard uncertainty by blocks, counts
	Noise  float64 // white noise of one reading, rms, from successive differences
	N      int     // good readings
	Drift  float64 // second half less first, counts
}

// silence is what a mechanic should look at when a converter gives no number.
var silence = map[rig.Quality]string{
	rig.Absent:    "no converter answers: check the plug, the supply and the pins in the config",
	rig.Stalled:   "the converter has stopped giving readings: check its plug and supply",
	rig.Saturated: "the converter stands at the end of its range: take load off, and check the cell's four wires",
	rig.Misread:   "every reading is spoilt on its way: check the cable and what else runs on the board",
	rig.Settling:  "the converter keeps starting anew: check its supply",
}

// Judge says whether the channel is steady now. It may be called at any time.
func (s *Steadiness) Judge() Verdict {
	var v Verdict
	if s.last-s.silent >= silentAfter {
		q := s.window[len(s.window)-1].Quality
		v.Silent, v.Why = true, fmt.Sprintf("no good reading for %.0f s (%s): %s", (s.last-s.silent).Seconds(), q, silence[q])
		return v
	}
	if len(s.window) < 2 || s.window[len(s.window)-1].Elapsed.Seconds()-s.window[0].Elapsed.Seconds() < 0.97*windowS {
		v.Why = fmt.Sprintf("less than %g s of readings", windowS)
		return v
	}
	start := s.last.Seconds() - windowS
	var sum, n [blocks]float64
	var total, diff2 float64
	good, pairs := 0, 0
	before := math.NaN()
	for _, r := range s.window {
		if r.Quality != rig.Good {
			before = math.NaN()
			continue
		}
		x := float64(r.Counts)
		b := min(blocks-1, max(0, int((r.Elapsed.Seconds()-start)/windowS*blocks)))
		sum[b] += x
		n[b]++
		total += x
		good++
		if !math.IsNaN(before) {
			diff2 += (x - before) * (x - before)
			pairs++
		}
		before = x
	}
	v.N = good
	if bad := len(s.window) - good; float64(bad) > mostBad*float64(len(s.window)) {
		v.Why = fmt.Sprintf("%d of %d readings are bad, limit %.0f %%: check plug and cable", bad, len(s.window), 100*mostBad)
		return v
	}
	v.Counts = total / float64(good)
	var means [blocks]float64
	for b := range means {
		if n[b] < 2 {
			v.Why = fmt.Sprintf("only %d good readings in %g s, at least %d evenly spread are needed", good, windowS, 2*blocks)
			return v
		}
		means[b] = sum[b] / n[b]
	}
	v.Noise = math.Sqrt(diff2 / float64(max(1, pairs)) / 2)

	// Block means about their straight line.
	const middle = (blocks - 1) / 2.0
	var level, slope, sxx, rss, ss float64
	for b, m := range means {
		level += m / blocks
		slope += (float64(b) - middle) * m
		sxx += (float64(b) - middle) * (float64(b) - middle)
	}
	slope /= sxx
	for b, m := range means {
		e := m - level - slope*(float64(b)-middle)
		rss += e * e
		ss += (m - level) * (m - level)
	}
	v.U = math.Sqrt(ss / (blocks - 1) / blocks)
	v.Drift = slope * blocks / 2
	perBlock := v.Noise / math.Sqrt(float64(good)/blocks)
	uDrift := perBlock / math.Sqrt(sxx) * blocks / 2
	// A converter of few bits may show no noise at all: half a count is its rounding.
	floor := 0.5 + ofStep*math.Abs(s.StepCounts)
	scatter, most := math.Sqrt(rss/(blocks-2)), scatterK*perBlock+floor
	drift := driftK*uDrift + floor
	switch {
	case math.Abs(v.Drift) > drift:
		v.Why = fmt.Sprintf("it still drifts: %+.0f counts in %g s, limit ±%.0f: wait, keep draughts and hands off, look for a hose that pulls", v.Drift, windowS/2, drift)
	case scatter > most:
		v.Why = fmt.Sprintf("it sways: %.0f counts between half seconds, limit %.0f: let it come to rest, stop what shakes the bench", scatter, most)
	case s.QuietCounts > 0 && v.Noise > shakingK*s.QuietCounts+floor:
		v.Why = fmt.Sprintf("it is shaken: noise of %.0f counts, %.0f when it was quiet, limit %g times that: stop what shakes the bench", v.Noise, s.QuietCounts, shakingK)
	default:
		v.Steady = true
	}
	return v
}
