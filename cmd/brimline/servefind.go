package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"brimline/analysis/curve"
	"brimline/analysis/rate"
	"brimline/cmd/brimline/serve"
	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
)

const (
	findBack   = 15 * time.Minute // how far back a live finding looks
	findEnded  = 3.0              // s without flow before a fill counts as ended
	findSpread = 60.0             // s between the ends of fills of one run
)

// liveFinding works out the rates of the fills that ended last from what the store
// holds of one boot.
type liveFinding struct {
	store        *store.Reader
	boot         int64
	clock        rig.Clock
	channels     []config.Channel
	calibrations map[string]ingest.Calibration
	density      *curve.Density // nil: not known
	limits       config.Limits
}

func (l liveFinding) find(ctx context.Context) (serve.Finding, error) {
	now := l.clock.Now()
	var curves []curve.Curve
	for _, ch := range l.channels {
		cal, ok := l.calibrations[ch.Name]
		if !ok {
			continue
		}
		c, ok, err := l.curve(ctx, ch, cal, max(0, now-findBack))
		if err != nil {
			return serve.Finding{}, err
		}
		if ok {
			curves = append(curves, c)
		}
	}
	if len(l.calibrations) == 0 {
		return serve.Finding{}, errors.New("no channel is calibrated: without a calibration there are counts and no rates")
	}
	run := rate.AnalyseRun(curves, rate.Options{Mode: rate.Stream, Density: l.density})
	var fills []rate.Fill
	for i, c := range curves {
		if run.Errs[i] != nil {
			return serve.Finding{}, run.Errs[i]
		}
		if f, ok := lastFill(c, run.Results[i]); ok {
			fills = append(fills, f)
		}
	}
	return l.finding(fills, run.Flags), nil
}

// curve is what a channel read since from; none while there is too little.
func (l liveFinding) curve(ctx context.Context, ch config.Channel, cal ingest.Calibration, from time.Duration) (c curve.Curve, ok bool, err error) {
	samples, err := l.store.Samples(ctx, l.boot, ch.Name, from, store.End)
	var damage *store.DamageError
	if err != nil && !errors.As(err, &damage) { // what is whole is used: the hole is a gap, and flagged
		return c, false, err
	}
	c, err = curveOf(ingest.Series{Channel: rig.Channel{Name: ch.Name, CapacityML: ch.CapacityML}, BootID: l.boot, Samples: samples}, 0, cal)
	if errors.Is(err, curve.ErrNoValues) || len(samples) == 0 {
		return c, false, nil // no reading, no fill
	}
	if err != nil {
		return c, false, err
	}
	used, _ := c.Points()
	return c, len(used) >= 20, nil // the boot has just begun
}

// lastFill returns the newest fill of a channel's curve that has ended.
func lastFill(c curve.Curve, r rate.Result) (rate.Fill, bool) {
	used, _ := c.Points()
	for _, f := range slices.Backward(r.Fills) {
		if f.Kind == rate.KindFill && f.EndS < used[len(used)-1]-findEnded {
			return f, true
		}
	}
	return rate.Fill{}, false
}

// finding puts the fills of the last run into one view and one sentence; of the record's
// flags it takes those of that run.
func (l liveFinding) finding(fills []rate.Fill, ofAll []rate.Flag) serve.Finding {
	out := serve.Finding{At: time.Now().UTC(), Fills: []serve.FillView{}, Flags: []serve.FlagView{}}
	last, first := 0.0, math.Inf(1)
	for _, f := range fills {
		last = max(last, f.EndS)
	}
	var set []rate.Measured
	var doubtful []string
	var allowed []rate.Fill
	for _, f := range fills {
		if f.EndS < last-findSpread {
			continue // of an earlier run
		}
		first = min(first, f.StartS)
		v := serve.FillView{
			Channel: f.Channel, StartS: f.StartS, EndS: f.EndS,
			RateGPerMin: number(f.RateGPerMin), U95GPerMin: number(gramU95(f, l.density)), RateMLPerMin: number(f.RateMLPerMin), U95MLPerMin: number(f.U95MLPerMin),
			Flags: []serve.FlagView{},
		}
		for _, g := range f.Flags {
			v.Flags = append(v.Flags, serve.FlagView{Code: g.Code, Severity: g.Severity.String(), Says: g.Text()})
		}
		v.Flags = append(v.Flags, flagViews(ownLimits(f.Channel, f.RateMLPerMin, f.U95MLPerMin, math.NaN(), math.NaN(), l.limits))...)
		out.Fills = append(out.Fills, v)
		if !f.Allows() {
			doubtful = append(doubtful, f.Channel)
			continue
		}
		if f.Rate() > 0 {
			allowed = append(allowed, f)
		}
	}
	for _, f := range inOneUnit(allowed) {
		if f.Unit == "" {
			doubtful = append(doubtful, f.Channel+" (weighed, and no density is known to compare it with a level)")
			continue
		}
		set = append(set, f.Measured(f.Channel, "last"))
	}
	for _, g := range ofAll {
		if g.Evidence.ToS >= first {
			out.Flags = append(out.Flags, serve.FlagView{Code: g.Code, Severity: g.Severity.String(), Says: g.Text()})
		}
	}
	out.Says = setSentence(set, doubtful, len(out.Fills), l.limits)
	return out
}

// gramU95 is the half width of a rate's 95 % interval in g/min; NaN when it is not known.
func gramU95(f rate.Fill, density *curve.Density) float64 {
	switch {
	case f.Unit == curve.Gram:
		return f.U95
	case density == nil:
		return math.NaN()
	}
	return math.Hypot(f.U95*f.RateGPerMin/f.RateMLPerMin, rate.Coverage95(math.Inf(1))*f.RateMLPerMin*density.U)
}

// setSentence says how the tubes of one run stand to each other. One run is never
// more than a first look, and the sentence says so.
func setSentence(set []rate.Measured, doubtful []string, fills int, limits config.Limits) string {
	if fills == 0 {
		return ""
	}
	var parts, own []string
	members, err := rate.CompareSet(set)
	switch {
	case errors.Is(err, rate.ErrSmallSet):
		parts = append(parts, fmt.Sprintf("%d of %d fills can be used: too few to compare tubes with each other", len(set), fills))
	case err != nil:
		parts = append(parts, "the tubes cannot be compared: "+err.Error())
	default:
		counted := 0
		for _, m := range members {
			for _, n := range ownLimits(m.Injector, math.NaN(), math.NaN(), m.Ratio, m.RatioU95, limits) {
				own = append(own, fmt.Sprintf("%s: %s", n.Injector, n.Says))
			}
			if m.Standing == rate.InLine {
				counted++
				continue
			}
			parts = append(parts, fmt.Sprintf("%s: %s, %s", m.Injector, m.Standing, m.Why))
		}
		if counted == len(members) {
			parts = append(parts, fmt.Sprintf("all %d tubes are in line with their set", counted))
		} else if counted > 0 {
			parts = append(parts, fmt.Sprintf("%d of %d are in line with their set", counted, len(members)))
		}
	}
	if len(doubtful) > 0 {
		parts = append(parts, "left out for their doubts: "+strings.Join(doubtful, ", "))
	}
	parts = append(parts, own...)
	text := strings.Join(parts, "; ") + ". One run is a first look, and a screen that judges no injector: repeat it before anything is taken apart."
	return strings.ToUpper(text[:1]) + text[1:]
}

// number is x for JSON: nil where there is none.
func number(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}
