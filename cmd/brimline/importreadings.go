package main

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"brimline/ingest"
	"brimline/ingest/exchange"
)

// readKey is what names one hand reading.
type readKey struct {
	engine, phase, hanging, run string
	injector                    int
	day                         string
}

// planReadings sorts a file's readings into tests, and into those that are in the store
// and those that are not. It returns every fault.
func (p *importPlan) planReadings(book importBook, rows []exchange.HandReading, o importFlags) []error {
	var faults []error
	bad := func(r exchange.HandReading, column, value, problem, next string) {
		faults = append(faults, &exchange.InputError{File: p.file, Line: r.Line, Column: column, Value: value, Problem: problem, Next: next})
	}
	there := map[readKey]ingest.HandReading{}
	otherDay := map[readKey][]ingest.HandReading{} // by the key without its day
	for _, x := range book.readings {
		t := book.test(x.TestID)
		k := readKey{book.engine(t.EngineID).Label, t.Phase, x.Hanging, x.Run, x.Injector, x.Day.Format(time.DateOnly)}
		there[k] = x
		k.day = ""
		otherDay[k] = append(otherDay[k], x)
	}
	type hangingKey struct{ engine, phase, hanging string }
	firstDay := map[hangingKey]time.Time{}
	most := map[string]int{} // highest injector of each engine in the file
	injectors := make([]int, len(rows))
	rows = slices.Clone(rows)
	for i := range rows {
		rows[i].Hanging, rows[i].Run = plainNumber(rows[i].Hanging), plainNumber(rows[i].Run)
	}
	for i, r := range rows {
		k := hangingKey{r.Engine, r.Phase, r.Hanging}
		if d, ok := firstDay[k]; !ok || r.Date.Before(d) {
			firstDay[k] = r.Date
		}
		n, err := strconv.Atoi(r.Injector)
		known, isKnown := book.engineOf(r.Engine)
		limit, why, next := maxInjectors, "", "number the injectors, 1 for the first cylinder"
		switch {
		case isKnown:
			limit, why = known.Injectors, fmt.Sprintf(", as %s is kept with %d", r.Engine, known.Injectors)
			next += "; an engine that has more than it was begun with needs a name of its own"
		case o.injectors > 0:
			limit, why = o.injectors, ", by --injectors"
		}
		if err != nil || n < 1 || n > limit {
			bad(r, "injector", r.Injector, fmt.Sprintf("not a position from 1 to %d%s", limit, why), next)
			continue
		}
		injectors[i] = n
		most[r.Engine] = max(most[r.Engine], n)
	}
	if len(faults) > 0 {
		return faults
	}
	latest := time.Now().AddDate(0, 0, 1) // a day's grace for time zones, as in compare
	future, again := 0, 0
	tests := slices.Clone(book.tests) // to find free labels in
	for i, r := range rows {
		k := readKey{r.Engine, r.Phase, r.Hanging, r.Run, injectors[i], r.Date.Format(time.DateOnly)}
		if was, ok := there[k]; ok {
			if column, said, stored := differs(r, was); column != "" {
				imp := book.importOf(was.ImportID)
				bad(r, column, said, fmt.Sprintf("the store has %s for this reading, from line %d of %s, taken in on %s", stored, was.Line, imp.File, imp.At.Format(time.DateOnly)),
					"put back what was there; a reading that was taken again is a run of its own")
				continue
			}
			p.there++
			continue
		}
		k.day = ""
		if slices.ContainsFunc(otherDay[k], func(x ingest.HandReading) bool { c, _, _ := differs(r, x); return c == "" }) {
			again++
		}
		if r.Date.After(latest) {
			future++
		}
		day := firstDay[hangingKey{r.Engine, r.Phase, r.Hanging}]
		t := p.testFor(book, &tests, r, day, most[r.Engine], o)
		h := hangingFor(book, t, r.Hanging)
		if other := takenBy(book, h, r.Run, injectors[i]); other != "" {
			bad(r, "injector", r.Injector, fmt.Sprintf("%s, phase %s, hanging %s, run %s has this injector already, %s", r.Engine, r.Phase, r.Hanging, r.Run, other),
				"put back the date if it was changed, or take the copy out; a reading that was taken again is a run of its own")
		}
		h.Readings = append(h.Readings, ingest.HandReading{Line: r.Line, Hanging: r.Hanging, Run: r.Run, RunNumber: runNumber(book, t, r.Hanging, r.Run),
			Day: r.Date, Injector: injectors[i], VolumeML: r.VolumeML, DurationS: r.DurationS, RateMLPerMin: r.RateMLPerMin, UMLPerMin: r.UMLPerMin, Odometer: r.Odometer})
		if says := noteConditions(book, t, runNumber(book, t, r.Hanging, r.Run), injectors[i], r.Conditions); says != "" {
			bad(r, "", "", says, "what is noted of a run is the same for all its tubes: correct it")
		}
		if known := t.Test.Odometer; t.Test.ID == 0 {
			if math.IsNaN(known) {
				t.Test.Odometer = r.Odometer
			} else if !math.IsNaN(r.Odometer) && r.Odometer != known {
				bad(r, "odometer", strconv.FormatFloat(r.Odometer, 'g', -1, 64), fmt.Sprintf("rows of this engine, phase and date before it have %g", known), "one test has one odometer: correct it")
			}
		}
		p.added++
	}
	if len(faults) > 0 {
		return faults
	}
	if p.added == 0 {
		p.nothing = fmt.Sprintf("all %d readings are in the store already, with the same values", p.there)
	}
	if future > 0 {
		p.warnings = append(p.warnings, fmt.Sprintf("%d readings are dated in the future: check the dates, or this computer's clock", future))
	}
	if again > 0 {
		p.warnings = append(p.warnings, fmt.Sprintf("%d readings are in the store with the same values on another day: if only the date was corrected, they are now there twice", again))
	}
	for _, t := range p.readings {
		j := importTestJSON{Test: t.Test.Label, NewTest: t.Test.ID == 0, Engine: t.Engine.Label, NewEngine: t.Engine.ID == 0, Injectors: t.Engine.Injectors, Phase: t.Test.Phase,
			Day: t.Test.At.Format(time.DateOnly), Hangings: len(t.Hangings)}
		runs := map[int]bool{}
		for _, h := range t.Hangings {
			j.Rows += len(h.Readings)
			for _, x := range h.Readings {
				runs[x.RunNumber] = true
			}
		}
		j.Runs = len(runs)
		p.tests = append(p.tests, j)
		p.warnFewInjectors(t.Engine, o)
	}
	return nil
}

// warnFewInjectors tells that a new engine has as few injectors as hardly any engine: the
// file may not have them all, and the number stays.
func (p *importPlan) warnFewInjectors(e ingest.Engine, o importFlags) {
	if e.ID != 0 || o.injectors > 0 || e.Injectors >= 3 {
		return
	}
	doubt := fmt.Sprintf("%s begins with %s, the highest in the file, and keeps that number: give --injectors if it has more", e.Label, counted(e.Injectors, "injector"))
	if !slices.Contains(p.warnings, doubt) {
		p.warnings = append(p.warnings, doubt)
	}
}

// noteConditions adds what a row notes to its test, and says where another row, or the store,
// has another value.
func noteConditions(book importBook, t *ingest.ReadTest, run, injector int, cs []ingest.Condition) (problem string) {
	for _, c := range cs {
		c.Run = run
		if c.Name == ownCondition {
			c.Injector = injector
		}
		same := func(x ingest.Condition) bool { return x.Run == c.Run && x.Injector == c.Injector && x.Name == c.Name }
		was, at := t.Conditions, slices.IndexFunc(t.Conditions, same)
		if at < 0 {
			was = book.noted[t.Test.ID]
			at = slices.IndexFunc(was, same)
		}
		switch {
		case at < 0:
			t.Conditions = append(t.Conditions, c)
		case was[at].Value != c.Value || was[at].Unit != c.Unit:
			return fmt.Sprintf("its %s is %g %s, and %g %s is noted of this run already", c.Name, c.Value, c.Unit, was[at].Value, was[at].Unit)
		}
	}
	return ""
}

// takenBy says where a hanging has a run's injector already, in the plan or in the store;
// empty when it has not.
func takenBy(book importBook, h *ingest.ReadHanging, run string, injector int) string {
	for _, x := range h.Readings {
		if x.Run == run && x.Injector == injector {
			return fmt.Sprintf("on line %d", x.Line)
		}
	}
	for _, x := range book.readings {
		if h.Hanging.ID != 0 && x.HangingID == h.Hanging.ID && x.Run == run && x.Injector == injector {
			return fmt.Sprintf("in the store, of %s, from line %d of %s", x.Day.Format(time.DateOnly), x.Line, book.importOf(x.ImportID).File)
		}
	}
	return ""
}

// plainNumber is a number without leading zeros, which spreadsheets take off; any other
// name stays as it is.
func plainNumber(name string) string {
	if n, err := strconv.Atoi(name); err == nil && n >= 0 {
		return strconv.Itoa(n)
	}
	return name
}

// differs names the first column in which a row is not what the store has.
func differs(r exchange.HandReading, was ingest.HandReading) (column, said, stored string) {
	text := func(v float64) string {
		if math.IsNaN(v) {
			return "nothing"
		}
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	for _, x := range []struct {
		column       string
		said, stored float64
	}{{"volume_ml", r.VolumeML, was.VolumeML}, {"duration_s", r.DurationS, was.DurationS}, {"rate_ml_per_min", r.RateMLPerMin, was.RateMLPerMin},
		{"u_ml", r.UMLPerMin, was.UMLPerMin}, {"odometer", r.Odometer, was.Odometer}} {
		if x.said != x.stored && !(math.IsNaN(x.said) && math.IsNaN(x.stored)) {
			if x.column == "u_ml" { // which is kept as that of the rate; the duration is the same
				toML := func(v float64) string {
					if v == 0 {
						return "nothing"
					}
					return strconv.FormatFloat(v*was.DurationS/60, 'g', 6, 64)
				}
				return x.column, toML(x.said), toML(x.stored)
			}
			return x.column, text(x.said), text(x.stored)
		}
	}
	return "", "", ""
}

func (b importBook) test(id int64) ingest.Test {
	i := slices.IndexFunc(b.tests, func(t ingest.Test) bool { return t.ID == id })
	if i < 0 {
		return ingest.Test{}
	}
	return b.tests[i]
}

func (b importBook) engine(id int64) ingest.Engine {
	i := slices.IndexFunc(b.engines, func(e ingest.Engine) bool { return e.ID == id })
	if i < 0 {
		return ingest.Engine{}
	}
	return b.engines[i]
}

func (b importBook) engineOf(label string) (ingest.Engine, bool) {
	i := slices.IndexFunc(b.engines, func(e ingest.Engine) bool { return e.Label == label })
	if i < 0 {
		return ingest.Engine{}, false
	}
	return b.engines[i], true
}

func (b importBook) importOf(id int64) ingest.Import {
	i := slices.IndexFunc(b.imports, func(x ingest.Import) bool { return x.ID == id })
	if i < 0 {
		return ingest.Import{}
	}
	return b.imports[i]
}

// testFor is the plan's test for a reading: one that hand readings of this engine, phase
// and day made before, or a new one.
func (p *importPlan) testFor(book importBook, tests *[]ingest.Test, r exchange.HandReading, day time.Time, most int, o importFlags) *ingest.ReadTest {
	for i := range p.readings {
		t := &p.readings[i]
		if t.Engine.Label == r.Engine && t.Test.Phase == r.Phase && t.Test.At.Equal(day) {
			return t
		}
	}
	engine, known := book.engineOf(r.Engine)
	if !known {
		engine = ingest.Engine{Label: r.Engine, Injectors: most, DistanceUnit: o.distanceUnit, InjectorType: "unknown"}
		if o.injectors > 0 {
			engine.Injectors = o.injectors
		}
	}
	test := ingest.Test{EngineID: engine.ID, Phase: r.Phase, At: day, Odometer: math.NaN(), Fuel: ingest.Fuel{TempC: math.NaN()}, Note: "read by eye"}
	stored := slices.IndexFunc(book.tests, func(t ingest.Test) bool {
		return known && t.EngineID == engine.ID && t.Phase == r.Phase && t.At.Equal(day) && len(book.hangings[t.ID]) > 0
	})
	if stored >= 0 {
		test = book.tests[stored]
	} else {
		test.Label = freeLabel(*tests)
		*tests = append(*tests, test)
	}
	p.readings = append(p.readings, ingest.ReadTest{Engine: engine, Test: test})
	return &p.readings[len(p.readings)-1]
}

// hangingFor is the test's hanging of a name: planned, or in the store, or new. It takes
// the number that it is named by, or where that is none or taken the next free one.
func hangingFor(book importBook, t *ingest.ReadTest, name string) *ingest.ReadHanging {
	used := map[int]bool{}
	for i := range t.Hangings {
		if h := &t.Hangings[i]; h.Readings[0].Hanging == name {
			return h
		}
		used[t.Hangings[i].Hanging.Number] = true
	}
	var hanging ingest.Hanging
	for _, h := range book.hangings[t.Test.ID] {
		used[h.Number] = true
		if slices.ContainsFunc(book.readings, func(x ingest.HandReading) bool { return x.HangingID == h.ID && x.Hanging == name }) {
			hanging = h
		}
	}
	if hanging.ID == 0 {
		n, err := strconv.Atoi(name)
		if err != nil || n < 1 || used[n] {
			hanging.Note = "named " + name + " in the file"
			for n = 1; used[n]; n++ {
			}
		}
		hanging.Number = n
	}
	t.Hangings = append(t.Hangings, ingest.ReadHanging{Hanging: hanging})
	return &t.Hangings[len(t.Hangings)-1]
}

// runNumber is the number within the test of a run that the file names within its hanging:
// the one that it has, or the next.
func runNumber(book importBook, t *ingest.ReadTest, hanging, run string) int {
	last := 0
	for _, h := range t.Hangings {
		for _, x := range h.Readings {
			if x.Hanging == hanging && x.Run == run {
				return x.RunNumber
			}
			last = max(last, x.RunNumber)
		}
	}
	for _, x := range book.readings {
		if t.Test.ID == 0 || x.TestID != t.Test.ID {
			continue
		}
		if x.Hanging == hanging && x.Run == run {
			return x.RunNumber
		}
		last = max(last, x.RunNumber)
	}
	return last + 1
}
