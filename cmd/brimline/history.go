package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"brimline/analysis/history"
	"brimline/analysis/plan"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig/calibrate"
)

const (
	historySchema   = "brimline/history/1"
	eventsSchema    = "brimline/events/1"
	agreementSchema = "brimline/agreement/1"
)

// historyFlags is what `history` may be told.
type historyFlags struct {
	data, forecast            string
	events, agreement, asJSON bool
	history.Options
}

func newHistoryCommand() *cobra.Command {
	var o historyFlags
	c := &cobra.Command{
		Use:   "history [ENGINE] --data FOLDER",
		Short: "All tests of an engine over the years: drift, steps, forecast",
		Long: `History looks at all tests of an engine, by hand and by the rig, with what was
done to it ('brimline event' notes that): by how much the return flow drifts per
1,000 km, miles or hours and per month, by how much it stepped at each event,
whether the last test is where an earlier one was, and where the flow will be if
all goes on as it did. Each number has a 95 % interval; one that the tests
cannot bear is left out, and a doubt says why. Injectors that were fitted start
anew.

A straight drift and a step need tests on both sides of an event, and one visit
more than there are numbers to tell. --no-drift takes it that nothing drifts
between events; say so before you see the data, as with --margin.

--agreement holds hand readings against the rig's where both were taken on one
day, over all engines or ENGINE's, and says what a hand reading's scatter is
made of. --events pools the steps of each kind of event over all engines.

Exit code 3 means that nothing can be told yet.`,
		Example: "  brimline history \"Sprayer 1\" --data /var/lib/brimline\n" +
			"  brimline history \"Sprayer 1\" --data /var/lib/brimline --by date --back-to T2 --json\n" +
			"  brimline history \"Tractor 4\" --data /var/lib/brimline --forecast 4200\n" +
			"  brimline history --events --data /var/lib/brimline\n" +
			"  brimline history --agreement --data /var/lib/brimline",
		Args: usageArgs(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if err := runHistory(c, args, o); err != nil {
				return fmt.Errorf("history: %w", err)
			}
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&o.data, "data", "", "folder of the store")
	f.StringVar(&o.By, "by", "", "axis: distance or date (default: distance where every test notes the odometer)")
	f.Float64Var(&o.MarginPercent, "margin", history.DefaultMarginPercent, "smallest change worth caring about, in percent, set before the data are seen")
	f.BoolVar(&o.NoDrift, "no-drift", false, "take it that between events nothing drifts")
	f.StringVar(&o.BackTo, "back-to", "", "earlier test that the last one is held against (default: the first)")
	f.StringVar(&o.forecast, "forecast", "", "where to look ahead: an odometer, or a date such as 2027-05-01 (default: half of what is covered)")
	f.BoolVar(&o.events, "events", false, "what events did, over all engines of the store")
	f.BoolVar(&o.agreement, "agreement", false, "hand readings against the rig's")
	f.BoolVar(&o.asJSON, "json", false, "print JSON, schema "+historySchema+", "+eventsSchema+" or "+agreementSchema)
	cobra.CheckErr(c.MarkFlagDirname("data"))
	c.MarkFlagsMutuallyExclusive("events", "agreement")
	return c
}

func runHistory(c *cobra.Command, args []string, o historyFlags) error {
	ctx := c.Context()
	switch {
	case o.data == "":
		return badInput(errors.New("--data is missing: name the store's folder"))
	case o.MarginPercent <= 0: // Analyse would take 0 for its default
		return badInput(fmt.Errorf("--margin is %g %%; give the smallest change worth caring about, above 0 and up to 100", o.MarginPercent))
	case o.By != "" && o.By != history.Date && o.By != history.Distance:
		return badInput(fmt.Errorf("--by is %q; give %s or %s", o.By, history.Distance, history.Date))
	case len(args) == 0 && !o.events && !o.agreement:
		return badInput(errors.New("no ENGINE: name one, or ask for --events or --agreement over all engines"))
	case len(args) == 1 && o.events:
		return badInput(errors.New("--events is over all engines: leave ENGINE out"))
	}
	r, err := openRead(ctx, o.data)
	if err != nil {
		return err
	}
	defer r.Close()
	if o.events || o.agreement {
		engines, err := r.Engines(ctx)
		if err != nil {
			return err
		}
		if len(args) == 1 {
			e, err := engineOf(ctx, r, args[0])
			if err != nil {
				return err
			}
			engines = []ingest.Engine{e}
		}
		if o.agreement {
			return runAgreement(ctx, c.OutOrStdout(), r, engines, o)
		}
		return runEvents(ctx, c.OutOrStdout(), r, engines, o)
	}
	e, err := engineOf(ctx, r, args[0])
	if err != nil {
		return err
	}
	b, err := historyOf(ctx, r, e)
	if err != nil {
		return err
	}
	if err := o.setForecast(b.in); err != nil {
		return badInput(err)
	}
	result, err := history.Analyse(b.in, o.Options)
	if err != nil {
		return badInput(fmt.Errorf("%s: %w", e.Label, err))
	}
	result.Doubts = append(b.doubts, result.Doubts...)
	out := historyJSON{Schema: historySchema, Finding: result.Finding(), Events: b.events, BetweenHangings: b.hangings(), Result: result}
	if o.asJSON {
		err = writeJSON(c.OutOrStdout(), out)
	} else {
		err = out.print(c.OutOrStdout())
	}
	if err != nil {
		return fmt.Errorf("writing the result: %w", err)
	}
	if result.Forbids() {
		return flagged()
	}
	return nil
}

func engineOf(ctx context.Context, r *store.Reader, ref string) (ingest.Engine, error) {
	e, err := r.Engine(ctx, ref)
	if !errors.Is(err, store.ErrNotFound) {
		return e, err
	}
	all, listErr := r.Engines(ctx)
	if listErr != nil {
		return e, listErr
	}
	var labels []string
	for _, x := range all {
		labels = append(labels, x.Label)
	}
	if len(labels) == 0 {
		return e, badInput(errors.New("the store has no engine yet: test one, or import hand readings"))
	}
	return e, badInput(fmt.Errorf("no engine %q; the store has: %s", ref, strings.Join(labels, ", ")))
}

// setForecast turns --forecast into a place on the axis, which a date makes that of dates.
func (o *historyFlags) setForecast(in history.Input) error {
	if o.forecast == "" {
		return nil
	}
	if at, err := time.Parse(time.DateOnly, o.forecast); err == nil {
		if o.By == history.Distance {
			return fmt.Errorf("--forecast %s is a date and --by is distance: give an odometer, or --by date", o.forecast)
		}
		o.By = history.Date
		if len(in.Tests) == 0 {
			return nil
		}
		first := in.Tests[0].At
		for _, t := range in.Tests {
			if t.At.Before(first) {
				first = t.At
			}
		}
		o.ForecastAt = history.Months(at.Sub(first))
		return nil
	}
	v, err := strconv.ParseFloat(o.forecast, 64)
	if err != nil || !(v > 0) || math.IsInf(v, 0) {
		return fmt.Errorf("--forecast %q is neither an odometer nor a date such as 2027-05-01", o.forecast)
	}
	if o.By == history.Date {
		return fmt.Errorf("--forecast %s is an odometer and --by is date: give a date, or --by distance", o.forecast)
	}
	o.By, o.ForecastAt = history.Distance, v
	return nil
}

// engineBook is an engine's book on the way to the analysis.
type engineBook struct {
	in     history.Input
	events []bookEventJSON
	doubts []history.Doubt
}

// hangings is the bench's own spread between hangings, from tests and groups of tests of
// several; nil where there is none. It is as 'plan --rehang' finds it; where what runs add
// takes up all of the spread, or more than its degrees of freedom bear, it is left in, which
// is never too small.
func (b engineBook) hangings() *history.HangingSpread {
	group := occasions(b.in)
	var rs []plan.Reading
	seen := map[plan.Reading]bool{}
	for _, x := range b.in.Readings {
		r := plan.Reading{Group: group[x.Test] + "/" + x.Means, Hanging: x.Test + "/" + x.Hanging, Run: x.Test + "/" + x.Hanging + "/" + x.Run, Injector: strconv.Itoa(x.Position)}
		if !(x.RateMLPerMin > 0) || seen[r] { // a reading that was taken twice counts once
			continue
		}
		seen[r] = true
		r.RateMLPerMin = x.RateMLPerMin
		rs = append(rs, r)
	}
	var out history.HangingSpread
	s, err := plan.Rehang(rs)
	switch {
	case err == nil && s.DF >= 1:
		out.Percent, out.DF = percentOf(s.SD), s.DF
	case err == nil:
		out.Percent, out.DF, out.WithRuns = percentOf(s.WithRuns), s.WithRunsDF, true
	default: // one run in each
		h, err := plan.FromReadings(rs)
		if err != nil || h.RunsApart {
			return nil // no occasion has two hangings
		}
		out.Percent, out.DF, out.WithRuns = percentOf(h.For(h.Injectors).HangingSD), h.HangingDF, true
	}
	if !(out.Percent > 0) {
		return nil
	}
	out.Hangings, out.Occasions = several(rs)
	return &out
}

// several counts the hangings of occasions that have two and more, and these.
func several(rs []plan.Reading) (hangings, groups int) {
	by := map[string]map[string]bool{}
	for _, r := range rs {
		if by[r.Group] == nil {
			by[r.Group] = map[string]bool{}
		}
		by[r.Group][r.Hanging] = true
	}
	for _, h := range by {
		if len(h) > 1 {
			hangings, groups = hangings+len(h), groups+1
		}
	}
	return hangings, groups
}

// occasionDays is how long one occasion of several tests may take. Common practice, no source.
const occasionDays = 7

// occasions groups an engine's tests, by label: those of one phase within a week, with no
// event in between, are hangings of one occasion, as the sheet of 'brimline plan' has each
// hanging as a test of its own.
func occasions(in history.Input) map[string]string {
	tests := slices.Clone(in.Tests)
	slices.SortStableFunc(tests, func(a, b history.Test) int { return a.At.Compare(b.At) })
	group := map[string]string{}
	var first time.Time // of the occasion
	for k, t := range tests {
		group[t.Label] = t.Label
		if k == 0 {
			first = t.At
			continue
		}
		last := tests[k-1]
		done := slices.ContainsFunc(in.Events, func(e history.Event) bool { return e.At.After(last.At) && !e.At.After(t.At) })
		if t.Phase != "" && t.Phase == last.Phase && !done && t.At.Sub(first) <= occasionDays*24*time.Hour {
			group[t.Label] = group[last.Label]
		} else {
			first = t.At
		}
	}
	return group
}

// historyOf reads an engine's tests, events and checks.
func historyOf(ctx context.Context, r *store.Reader, e ingest.Engine) (engineBook, error) {
	b := engineBook{in: history.Input{Engine: e.Label, Unit: e.DistanceUnit, Now: time.Now()}, events: []bookEventJSON{}, doubts: []history.Doubt{}}
	tests, err := r.Tests(ctx, e.ID)
	if err != nil {
		return b, err
	}
	for _, t := range tests {
		b.in.Tests = append(b.in.Tests, history.Test{Label: t.Label, Phase: t.Phase, At: t.At, Odometer: t.Odometer})
		if err := b.addTest(ctx, r, t); err != nil {
			return b, err
		}
	}
	if err := b.addEvents(ctx, r, e); err != nil {
		return b, err
	}
	return b, b.addChecks(ctx, r)
}

func (b *engineBook) doubt(code, says, do string) {
	b.doubts = append(b.doubts, history.Doubt{Code: code, Says: says, Do: do})
}

// addTest adds a test's readings that a finding may rest on.
func (b *engineBook) addTest(ctx context.Context, r *store.Reader, test ingest.Test) error {
	t, err := fitTest(ctx, r, strconv.FormatInt(test.ID, 10))
	var coded *codedError
	if errors.As(err, &coded) && coded.code == exitUsage { // no runs yet, or no calibration
		b.doubt("unusable-test", coded.Error(), "")
		return nil
	} else if err != nil {
		return err
	}
	hand, err := r.HandReadings(ctx, test.ID)
	if err != nil {
		return err
	}
	noVolume := 0
	for i, x := range changeReadings(t) { // in the order of the fits that stand
		f := standing(t)[i]
		if !(x.RateMLPerMin > 0) {
			noVolume++
			continue
		}
		y := history.Reading{Test: test.Label, Hanging: x.Hanging, Run: x.Run, Means: history.ByRig, Position: f.Injector, RateMLPerMin: x.RateMLPerMin, UMLPerMin: x.UMLPerMin}
		if f.Curve.Channel == handChannel {
			y.Means = history.ByHand
			if at := slices.IndexFunc(hand, func(h ingest.HandReading) bool { return h.RunNumber == f.Run && h.Injector == f.Injector }); at >= 0 {
				y.VolumeML, y.DurationS = known(hand[at].VolumeML), known(hand[at].DurationS)
			}
		}
		b.in.Readings = append(b.in.Readings, y)
	}
	if noVolume > 0 {
		b.doubt("no-density", fmt.Sprintf("test %s: %s left out, as no fuel density is noted and mL/min are not known", test.Label, counted(noVolume, "reading")), "note the density")
	}
	if n := t.left(); n > 0 {
		b.doubt("left-out", fmt.Sprintf("test %s: %d of %d fills are left out, as their run is excluded or a flag forbids a finding", test.Label, n, len(t.Fits)), "see 'brimline rates "+test.Label+"'")
	}
	for _, x := range t.Fits {
		if x.Injector < 1 && t.stands(x) {
			b.doubt("no-position", fmt.Sprintf("test %s: channel %s fed by no known injector is left out", test.Label, x.Curve.Channel), "")
		}
	}
	b.in.Readings = slices.DeleteFunc(b.in.Readings, func(x history.Reading) bool { return x.Position < 1 })
	return nil
}

// standing is the fits that changeReadings takes, in its order.
func standing(t testFits) []fitted {
	var out []fitted
	for _, f := range t.Fits {
		if t.stands(f) {
			out = append(out, f)
		}
	}
	return out
}

// bookEventJSON is an event as it was noted. Names are part of the schemas of history and event.
type bookEventJSON struct {
	Kind     string   `json:"kind"`
	What     string   `json:"what"`
	Amount   *float64 `json:"amount"`
	Unit     string   `json:"unit"`
	At       string   `json:"at"`
	Odometer *float64 `json:"odometer"`
	Position int      `json:"position,omitempty"` // of an injector that was fitted
}

// unitPosition is the unit of an event's amount that is the position of a fitted injector.
const unitPosition = "position"

func bookEventJSONOf(e ingest.Event) bookEventJSON {
	out := bookEventJSON{Kind: e.Kind, What: e.What, Amount: finiteOrNil(e.Amount), Unit: e.Unit, At: e.At.UTC().Format(time.RFC3339), Odometer: finiteOrNil(e.Odometer)}
	if e.Unit == unitPosition {
		out.Position, out.Amount, out.Unit = int(known(e.Amount)), nil, ""
	}
	return out
}

// addEvents adds what was noted, and injectors that the book says were fitted without an event.
func (b *engineBook) addEvents(ctx context.Context, r *store.Reader, e ingest.Engine) error {
	events, err := r.Events(ctx, e.ID)
	if err != nil {
		return err
	}
	for _, x := range events {
		j := bookEventJSONOf(x)
		b.events = append(b.events, j)
		b.in.Events = append(b.in.Events, history.Event{Kind: x.Kind, What: x.What, At: x.At, Odometer: x.Odometer, Position: j.Position, Code: codeOf(j)})
	}
	injectors, err := r.Injectors(ctx, e.ID)
	if err != nil {
		return err
	}
	for _, i := range injectors {
		there := slices.ContainsFunc(b.in.Events, func(x history.Event) bool {
			return x.Position == i.Position && x.At.UTC().Format(time.DateOnly) == i.Fitted.UTC().Format(time.DateOnly)
		})
		if !i.Fitted.IsZero() && !there {
			b.in.Events = append(b.in.Events, history.Event{Kind: "injector", What: i.Code, At: i.Fitted, Odometer: math.NaN(), Position: i.Position, Code: i.Code})
			b.events = append(b.events, bookEventJSON{Kind: "injector", What: i.Code, At: i.Fitted.UTC().Format(time.RFC3339), Position: i.Position})
		}
	}
	return nil
}

// codeOf is what is marked on a fitted injector; empty for other events.
func codeOf(e bookEventJSON) string {
	if e.Position == 0 {
		return ""
	}
	return e.What
}

// addChecks adds the check weights of all channels of the bench.
func (b *engineBook) addChecks(ctx context.Context, r *store.Reader) error {
	checks, err := r.CalibrationChecks(ctx, "")
	if err != nil {
		return err
	}
	for _, k := range checks {
		var c calibrate.CheckCertificate
		if err := json.Unmarshal(k.Certificate, &c); err != nil || !(c.Check.MassG > 0) {
			b.doubt("check-unread", fmt.Sprintf("the check of %s on %s cannot be read", k.Channel, k.At.Format(time.DateOnly)), "")
			continue
		}
		b.in.Checks = append(b.in.Checks, history.Check{Channel: k.Channel, At: k.At, Line: k.CalibrationID, Percent: 100 * c.Check.DifferenceG / c.Check.MassG})
	}
	return nil
}

// runEvents pools what events did over engines.
func runEvents(ctx context.Context, w io.Writer, r *store.Reader, engines []ingest.Engine, o historyFlags) error {
	var results []history.Result
	var doubts []history.Doubt
	for _, e := range engines {
		b, err := historyOf(ctx, r, e)
		if err != nil {
			return err
		}
		b.in.Checks = nil // no part of it
		one, err := history.Analyse(b.in, history.Options{By: o.By, NoDrift: o.NoDrift, MarginPercent: o.MarginPercent})
		if err != nil {
			doubts = append(doubts, history.Doubt{Code: "engine-left-out", Says: fmt.Sprintf("%s is left out: %v", e.Label, err)})
			continue
		}
		results = append(results, one)
	}
	a := history.Pool(results)
	a.Doubts = append(doubts, a.Doubts...)
	told := slices.ContainsFunc(a.Kinds, func(k history.Kind) bool { return k.Change != nil })
	var err error
	if o.asJSON {
		err = writeJSON(w, struct {
			Schema  string `json:"schema"`
			Finding string `json:"finding"`
			history.Across
		}{eventsSchema, a.Finding(), a})
	} else {
		err = printAcross(w, a, len(engines))
	}
	if err != nil {
		return fmt.Errorf("writing the result: %w", err)
	}
	if !told {
		return flagged()
	}
	return nil
}

// runAgreement holds hand readings against the rig's.
func runAgreement(ctx context.Context, w io.Writer, r *store.Reader, engines []ingest.Engine, o historyFlags) error {
	var ins []history.Input
	for _, e := range engines {
		b, err := historyOf(ctx, r, e)
		if err != nil {
			return err
		}
		ins = append(ins, b.in)
	}
	a, err := history.HandAgainstRig(ins)
	if err != nil {
		return badInput(err)
	}
	if o.asJSON {
		err = writeJSON(w, struct {
			Schema  string `json:"schema"`
			Finding string `json:"finding"`
			history.Agreement
		}{agreementSchema, a.Finding(), a})
	} else {
		err = printAgreement(w, a)
	}
	if err != nil {
		return fmt.Errorf("writing the result: %w", err)
	}
	return nil
}
