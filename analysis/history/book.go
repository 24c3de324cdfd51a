package history

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// byEye is the standard uncertainty, of the log rate, of a hand reading that notes none:
// 35 mL in 180 s by eye without the cylinder's own scale, which is the same each time:
// reading 0.82 %, meniscus and foam 0.82, film 0.33, hoses 0.64, temperature 0.24, stopwatch
// 0.06 (an estimate; see budgetByEye for its sources).
const byEye = 0.0139

// visit is the tests of one day with nothing done between them.
type visit struct {
	tests    []Test
	at       time.Time
	odometer float64
	passed   []bool // per event of the book: done before this visit
}

func (v visit) name() string {
	var out []string
	for _, t := range v.tests {
		out = append(out, t.Label)
	}
	return strings.Join(out, " + ")
}

// row is a reading that counts.
type row struct {
	Reading
	visit  int
	series string
	y      float64 // log rate
	known  float64 // its known variance; 0 when not known
}

// book is what can be looked at, in the order of time.
type book struct {
	visits []visit
	events []Event
	rows   []row
	series []string // in the order of position and time
}

// book sorts and checks what came in.
func (r *Result) book(in Input) (*book, error) {
	b := &book{}
	tests := map[string]Test{}
	var future []string
	for _, t := range in.Tests {
		if _, twice := tests[t.Label]; twice {
			return nil, fmt.Errorf("there are two tests %s; give each its own label", t.Label)
		}
		if !in.Now.IsZero() && t.At.After(in.Now.AddDate(0, 0, 1)) { // a day's grace for time zones
			future = append(future, t.Label)
			continue
		}
		tests[t.Label] = t
	}
	if len(future) > 0 {
		r.doubt("future", fmt.Sprintf("left out, as dated in the future: test %s", strings.Join(future, ", ")), "correct the date, or this computer's clock")
	}
	b.events = slices.Clone(in.Events)
	slices.SortStableFunc(b.events, func(x, y Event) int { return x.At.Compare(y.At) })
	b.events = slices.DeleteFunc(b.events, func(e Event) bool {
		late := !in.Now.IsZero() && e.At.After(in.Now.AddDate(0, 0, 1))
		if late {
			r.doubt("future", fmt.Sprintf("left out, as dated in the future: %s", e.name()), "correct the date, or this computer's clock")
		}
		return late
	})
	readings, err := r.usable(in, tests)
	if err != nil {
		return nil, err
	}
	r.visits(b, tests, readings)
	r.moved(b)
	for _, x := range readings {
		w := row{Reading: x, y: math.Log(x.RateMLPerMin)}
		w.visit = slices.IndexFunc(b.visits, func(v visit) bool {
			return slices.ContainsFunc(v.tests, func(t Test) bool { return t.Label == x.Test })
		})
		w.series = b.seriesOf(x.Position, w.visit)
		switch u := x.UMLPerMin / x.RateMLPerMin; {
		case u > 0:
			w.known = u * u
		case x.Means == ByHand:
			w.known = byEye * byEye
			r.doubt("no-u", fmt.Sprintf("hand readings that note no uncertainty are weighted as read to %.2g %%, an estimate for 35 mL in 180 s", 100*byEye), "note u_ml")
		}
		b.rows = append(b.rows, w)
	}
	// In the order of time and place, so that the order of the input does not matter.
	slices.SortStableFunc(b.rows, func(x, y row) int {
		return cmp.Or(cmp.Compare(x.visit, y.visit), cmp.Compare(x.Test, y.Test), cmp.Compare(x.Position, y.Position),
			cmp.Compare(x.Hanging, y.Hanging), cmp.Compare(x.Run, y.Run), cmp.Compare(x.y, y.y))
	})
	type place struct {
		position, visit int
		name            string
	}
	var places []place
	for _, w := range b.rows {
		if !slices.ContainsFunc(places, func(p place) bool { return p.name == w.series }) {
			places = append(places, place{w.Position, w.visit, w.series})
		}
	}
	slices.SortStableFunc(places, func(x, y place) int {
		return cmp.Or(cmp.Compare(x.position, y.position), cmp.Compare(x.visit, y.visit))
	})
	for _, p := range places {
		b.series = append(b.series, p.name)
	}
	if len(b.series) == 1 && len(b.visits) > 1 {
		r.doubt("one-injector", "there is one injector only: what it did cannot be told from what the engine, the fuel or the day did to all", "measure all injectors of the engine")
	}
	return b, nil
}

// usable is the readings that may count.
func (r *Result) usable(in Input, tests map[string]Test) ([]Reading, error) {
	var out []Reading
	empty := map[string]int{}
	seen := map[Reading]bool{}
	of := map[string][]float64{}
	for i, x := range in.Readings {
		if !slices.ContainsFunc(in.Tests, func(t Test) bool { return t.Label == x.Test }) {
			return nil, fmt.Errorf("reading %d is of the test %q, which is not among the tests; give it too", i, x.Test)
		}
		if _, ok := tests[x.Test]; !ok {
			continue // in the future
		}
		switch {
		case x.Position < 1:
			return nil, fmt.Errorf("test %s, run %s: position %d; number the injectors, 1 for the first cylinder", x.Test, x.Run, x.Position)
		case x.RateMLPerMin == 0:
			empty[fmt.Sprintf("injector %d in test %s", x.Position, x.Test)]++
			continue
		case !(x.RateMLPerMin >= 1e-6 && x.RateMLPerMin <= 1e6):
			return nil, fmt.Errorf("test %s, run %s, injector %d: a rate of %g mL/min is not between 1e-06 and 1e+06; check the reading and its unit", x.Test, x.Run, x.Position, x.RateMLPerMin)
		case !(x.UMLPerMin >= 0) || math.IsInf(x.UMLPerMin, 0):
			return nil, fmt.Errorf("test %s, run %s, injector %d: an uncertainty of %g mL/min; give zero or more, 0 when it is not known", x.Test, x.Run, x.Position, x.UMLPerMin)
		}
		key := Reading{Test: x.Test, Hanging: x.Hanging, Run: x.Run, Means: x.Means, Position: x.Position}
		if seen[key] {
			return nil, fmt.Errorf("test %s, run %s has two readings of injector %d; number the runs, or take the copy out", x.Test, x.Run, x.Position)
		}
		seen[key] = true
		of[x.Test] = append(of[x.Test], x.RateMLPerMin)
		out = append(out, x)
	}
	for _, what := range sortedKeys(empty) {
		r.doubt("no-flow", fmt.Sprintf("left out: %s sent nothing back, and a change in percent of nothing cannot be worked out", what), "look into it on its own")
	}
	// The same figures under two labels are one test written down twice.
	var labels []string
	for _, t := range in.Tests {
		slices.Sort(of[t.Label])
		labels = append(labels, t.Label)
	}
	copied := map[string]bool{}
	for i, t := range labels {
		for _, u := range labels[:i] {
			if len(of[t]) >= 2 && !copied[u] && slices.Equal(of[t], of[u]) && of[t][0] != of[t][len(of[t])-1] {
				copied[t] = true
				r.doubt("copied-test", fmt.Sprintf("test %s is left out: all its %d readings are those of test %s", t, len(of[t]), u), "if it was truly measured, note the readings with more digits")
			}
		}
	}
	return slices.DeleteFunc(out, func(x Reading) bool { return copied[x.Test] }), nil
}

// visits groups the tests that have readings.
func (r *Result) visits(b *book, tests map[string]Test, readings []Reading) {
	var list []Test
	for _, label := range sortedKeys(tests) {
		t := tests[label]
		if slices.ContainsFunc(readings, func(x Reading) bool { return x.Test == t.Label }) {
			list = append(list, t)
		} else {
			r.doubt("empty-test", fmt.Sprintf("test %s has no reading that a finding may rest on", t.Label), "")
		}
	}
	slices.SortFunc(list, func(x, y Test) int {
		if day(x.At) == day(y.At) && isBefore(x.Phase) != isBefore(y.Phase) {
			if isBefore(x.Phase) {
				return -1
			}
			return 1
		}
		return cmp.Or(x.At.Compare(y.At), cmp.Compare(x.Label, y.Label))
	})
	for _, t := range list {
		passed := make([]bool, len(b.events))
		for i, e := range b.events {
			passed[i] = r.passed(e, t)
		}
		if n := len(b.visits); n > 0 {
			last := &b.visits[n-1]
			if day(last.at) == day(t.At) && slices.Equal(last.passed, passed) {
				last.tests = append(last.tests, t)
				if math.IsNaN(last.odometer) {
					last.odometer = t.Odometer
				}
				continue
			}
		}
		b.visits = append(b.visits, visit{[]Test{t}, t.At, t.Odometer, passed})
	}
}

func day(t time.Time) string { return t.UTC().Format(time.DateOnly) }

// dateOnly reports whether a time is a date without a time of day.
func dateOnly(t time.Time) bool { return t.UTC().Equal(t.UTC().Truncate(24 * time.Hour)) }

func isBefore(phase string) bool {
	return strings.EqualFold(phase, "baseline") || strings.EqualFold(phase, "before")
}

// passed reports whether an event was done before a test. On the same day the odometer
// tells, else the times, else the test's phase, else that a dose has yet to reach the
// injectors while a part works at once.
func (r *Result) passed(e Event, t Test) bool {
	if day(e.At) != day(t.At) {
		return e.At.Before(t.At)
	}
	if e.Odometer != t.Odometer && !math.IsNaN(e.Odometer) && !math.IsNaN(t.Odometer) {
		return e.Odometer < t.Odometer
	}
	if !dateOnly(e.At) && !dateOnly(t.At) {
		return e.At.Before(t.At)
	}
	var out bool
	switch {
	case isBefore(t.Phase):
		out = false
	case strings.EqualFold(t.Phase, "after"):
		out = true
	default:
		out = e.Kind != "dose"
	}
	order := "before"
	if out {
		order = "after"
	}
	r.doubt("same-day", fmt.Sprintf("test %s is of the same day as %s, and taken to be %s it", t.Label, e.name(), order), "note the times of day")
	return out
}

// name says an event in a few words.
func (e Event) name() string {
	out := e.Kind
	if e.Position > 0 {
		out = fmt.Sprintf("injector fitted at %d", e.Position)
	}
	if e.What != "" && e.Position == 0 {
		out += " (" + e.What + ")"
	}
	return out + " of " + day(e.At)
}

// seriesOf names the injector at a position at a visit.
func (b *book) seriesOf(position, visit int) string {
	name := fmt.Sprintf("%d", position)
	for i, e := range b.events {
		if e.Position == position && b.visits[visit].passed[i] && !b.visits[0].passed[i] {
			name = fmt.Sprintf("%d from %s", position, day(e.At))
		}
	}
	return name
}

// moved warns of an injector that is said to have been at two positions.
func (r *Result) moved(b *book) {
	at := map[string]Event{}
	for _, e := range b.events {
		if e.Position == 0 || e.Code == "" {
			continue
		}
		if was, ok := at[e.Code]; ok && was.Position != e.Position {
			r.doubt("moved-injector", fmt.Sprintf("the injector marked %s was at position %d and from %s at %d: its readings there begin a new series, as what the position does to it is in them too",
				e.Code, was.Position, day(e.At), e.Position), "")
		}
		at[e.Code] = e
	}
}

// distances says why distance cannot be the axis; nil: it can.
func (b *book) distances() error {
	var missing []string
	last, lastName := math.Inf(-1), ""
	for _, v := range b.visits {
		if math.IsNaN(v.odometer) {
			missing = append(missing, v.name())
			continue
		}
		if v.odometer < last {
			return fmt.Errorf("%w: %g at test %s and %g at test %s, which came later: correct the reading, or the date", errBackwards, last, lastName, v.odometer, v.name())
		}
		last, lastName = v.odometer, v.name()
	}
	if len(missing) > 0 {
		return fmt.Errorf("%w for test %s", errNoOdometer, strings.Join(missing, ", "))
	}
	return nil
}

var (
	errBackwards  = errors.New("the odometer runs backwards")
	errNoOdometer = errors.New("no odometer is noted")
)

// The most that an engine covers in a day, to find odometers of another unit: an hour meter
// cannot gain more than 24 h, a vehicle of one driver hardly 2,000 km (common sense, no
// source).
var mostPerDay = map[string]float64{"h": 24, "km": 2000, "mi": 1250}

// Months is a time in months of the axis of dates, twelfths of a year.
func Months(d time.Duration) float64 { return d.Hours() / 24 / daysPerMonth }

// axis gives x of each visit, from 0 at the first: in thousands of the unit, or months.
// Nil: there is no such axis.
func (r *Result) axis(b *book, by string) []float64 {
	if len(b.visits) == 0 {
		return nil
	}
	first := b.visits[0]
	if by == Date {
		out := make([]float64, len(b.visits))
		for i, v := range b.visits {
			out[i] = Months(v.at.Sub(first.at))
		}
		return out
	}
	if err := b.distances(); err != nil {
		code := "no-odometer"
		if errors.Is(err, errBackwards) {
			code = "odometer-back"
		}
		r.doubt(code, fmt.Sprintf("no drift per %s: %v", r.perUnit(), err), "")
		return nil
	}
	out := make([]float64, len(b.visits))
	for i, v := range b.visits {
		out[i] = (v.odometer - first.odometer) / 1000
		if i > 0 {
			was := b.visits[i-1]
			days := v.at.Sub(was.at).Hours()/24 + 1
			if most := mostPerDay[r.Unit]; most > 0 && v.odometer-was.odometer > most*days {
				r.doubt("odometer-jump", fmt.Sprintf("the odometer gains %g %s from test %s to %s in %.0f days", v.odometer-was.odometer, r.Unit, was.name(), v.name(), days-1), "see that all are in the engine's own unit")
			}
		}
	}
	return out
}

func sortedKeys[V any](m map[string]V) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
