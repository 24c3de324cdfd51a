package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"brimline/analysis/plan"
)

// planOptions are the flags of plan; standard deviations, changes and margins in percent.
type planOptions struct {
	engine, data, phases, hangings, scope string
	change, margin, power, doubt          float64
	injectors, runs, have                 int

	hangingSD, hangingDF, runSD, readingSD, tubeSD, responseSD float64

	duration, still, drain, hang, warm, settle time.Duration

	rehang, rotate, sheet, asJSON bool

	given func(string) bool
}

func newPlanCommand() *cobra.Command {
	var o planOptions
	def := plan.DefaultTimes()
	seconds := func(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
	c := &cobra.Command{
		Use:   "plan [FILE.csv | TEST TEST...]",
		Short: "Plan a comparison: hangings, runs and engine minutes; a sheet to follow",
		Long: `Plan says before a comparison what it takes: the hangings, runs and engine
minutes that show a change of --change percent, or that show there is none as
large as --margin; or, with --hangings, the smallest change that such a plan
shows. It needs to know how far the bench scatters by itself: from hand
readings, from tests of the store (--data, all of --engine's or the ones named),
or from numbers that you state in percent. What is stated goes before what is
found.

--sheet writes the steps out on paper: how the tubes go round so that injector,
tube and order can be told apart, every run, what to note, and the time it
takes.

--rehang plans a re-hanging study: how many hangings, with nothing done in
between, tell the bench's own spread between hangings to within --doubt. With
readings of such a study (--phase names it) it says what the spread is.

'plan dose' reckons the concentration that a dose reaches in a tank.`,
		Example: "  brimline plan --change 5 --data /var/lib/brimline --engine \"Sprayer 1\" --sheet\n" +
			"  brimline plan --change 5 --margin 10 --injectors 6 --hanging-sd 1.2 --run-sd 1.5\n" +
			"  brimline plan readings.csv --hangings 3 --runs 2\n" +
			"  brimline plan --rehang --injectors 6 --doubt 100 --sheet\n" +
			"  brimline plan --rehang readings.csv --phase rehang",
		RunE: func(c *cobra.Command, args []string) error {
			o.given = c.Flags().Changed
			if err := o.run(c.Context(), c.OutOrStdout(), args); err != nil {
				return fmt.Errorf("plan: %w", err)
			}
			return nil
		},
		Args: usageArgs(cobra.ArbitraryArgs),
	}
	f := c.Flags()
	f.Float64Var(&o.change, "change", 0, "the change of the set's return flow that is to be shown, in percent")
	f.Float64Var(&o.margin, "margin", 0, "the margin that a change is to be shown to be smaller than, in percent, if there is none")
	f.StringVar(&o.hangings, "hangings", "", "a stated plan: hangings in each phase, or before,after such as 3,4")
	f.IntVar(&o.runs, "runs", 0, "runs in each hanging (default: up to 6 are tried; of a stated plan 2)")
	f.IntVar(&o.have, "have", 0, "hangings of the first phase that are measured already")
	f.IntVar(&o.injectors, "injectors", 0, "how many injectors (default: those of the readings)")
	f.StringVar(&o.scope, "scope", "engine", `what the change is said of: "engine" (these injectors), "injectors" (injectors like these)`)
	f.Float64Var(&o.power, "power", 0.8, "how likely it is to be shown: 0.8 is 4 times out of 5")
	f.Float64Var(&o.hangingSD, "hanging-sd", 0, "standard deviation of the set's mean from hanging to hanging, without what runs add, in percent")
	f.Float64Var(&o.hangingDF, "hanging-df", 0, "its degrees of freedom, for one hanging in each phase")
	f.Float64Var(&o.runSD, "run-sd", 0, "standard deviation of the set's mean from run to run in a hanging, in percent")
	f.Float64Var(&o.responseSD, "response-sd", 0, "standard deviation of the injectors' changes among each other, in percent")
	f.Float64Var(&o.tubeSD, "tube-sd", 0, "standard deviation of one injector from hanging to hanging, beside its set's, in percent")
	f.Float64Var(&o.readingSD, "reading-sd", 0, "standard deviation of one injector from run to run, beside its set's, in percent")
	f.StringVar(&o.data, "data", "", "folder of the store, for its tests")
	f.StringVar(&o.engine, "engine", "", "label of the engine")
	f.StringVar(&o.phases, "phase", "", "only readings of this phase, or of these, with commas")
	f.BoolVar(&o.rehang, "rehang", false, "a re-hanging study: its size, or with readings its result")
	f.Float64Var(&o.doubt, "doubt", 100, "of --rehang: the true spread is to be at most this much above what is found, in percent")
	f.BoolVar(&o.rotate, "rotate", true, "tubes go round from hanging to hanging (=false: each stays with its injector)")
	f.BoolVar(&o.sheet, "sheet", false, "write out the sheet to follow")
	f.DurationVar(&o.duration, "duration", seconds(def.RunS), "collecting time of a run")
	f.DurationVar(&o.still, "still", seconds(def.StillS), "rest before and after the flow")
	f.DurationVar(&o.drain, "drain", seconds(def.DrainS), "emptying the tubes and letting them drain")
	f.DurationVar(&o.hang, "hang-time", seconds(def.HangS), "taking tubes and hoses off and putting them on, engine stopped")
	f.DurationVar(&o.warm, "warm-up", seconds(def.WarmUpS), "engine warm before a phase's first run")
	f.DurationVar(&o.settle, "settle", seconds(def.SettleS), "engine on before the first run of another hanging")
	f.BoolVar(&o.asJSON, "json", false, "print JSON, schema "+planSchema+", the sheet included")
	cobra.CheckErr(c.MarkFlagDirname("data"))
	c.AddCommand(newDoseCommand())
	return c
}

const planSchema = "brimline/plan/1"

// planned is a plan before it is printed.
type planned struct {
	o       planOptions
	engine  string
	source  string // of the scatter
	history *plan.History
	scatter plan.Scatter
	ask     plan.Ask
	needs   []plan.Need
	best    int // of needs; -1: none does
	high    *plan.Need
	shows   []plan.Shows // of the design, in the scope asked for and the other one
	scopes  []string     // of shows
	study   *plan.Study
	ratio   float64 // that the study reckons with
	spread  *plan.Spread
	sheet   *plan.Sheet
	phases  []plan.Phase
	runs    int
	doubts  []string
}

// check looks at every flag on its own.
func (o *planOptions) check() error {
	percents := []struct {
		name   string
		v      float64
		lo, hi float64
		what   string
	}{
		{"change", o.change, 0.1, 900, "the change that is to be shown"},
		{"margin", o.margin, 0.1, 100, "the smallest change worth caring about"},
		{"hanging-sd", o.hangingSD, 0, 50, "a standard deviation"},
		{"run-sd", o.runSD, 0, 50, "a standard deviation"},
		{"response-sd", o.responseSD, 0, 100, "a standard deviation"},
		{"tube-sd", o.tubeSD, 0, 50, "a standard deviation"},
		{"reading-sd", o.readingSD, 0, 50, "a standard deviation"},
		{"doubt", o.doubt, 5, 1000, "by how much the spread may be larger than was found"},
	}
	for _, p := range percents {
		if o.given(p.name) && !(p.v >= p.lo && p.v <= p.hi) {
			return fmt.Errorf("--%s %g %%: %s, use %g to %g", p.name, p.v, p.what, p.lo, p.hi)
		}
	}
	switch {
	case o.given("injectors") && (o.injectors < 1 || o.injectors > plan.MaxInjectors):
		return fmt.Errorf("--injectors %d: use 1 to %d", o.injectors, plan.MaxInjectors)
	case o.given("runs") && (o.runs < 1 || o.runs > plan.MaxRuns):
		return fmt.Errorf("--runs %d: use 1 to %d in a hanging", o.runs, plan.MaxRuns)
	case o.given("have") && (o.have < 1 || o.have > plan.MaxHangings):
		return fmt.Errorf("--have %d: use 1 to %d hangings that are measured already", o.have, plan.MaxHangings)
	case !(o.power >= 0.5 && o.power <= 0.99):
		return fmt.Errorf("--power %g: use 0.5 to 0.99; 0.8 is 4 times out of 5", o.power)
	case o.given("hanging-df") && !(o.hangingDF >= 1 && o.hangingDF <= 1000):
		return fmt.Errorf("--hanging-df %g: use 1 to 1000, as 'plan --rehang' prints it", o.hangingDF)
	case o.given("hanging-df") && !o.given("hanging-sd"):
		return errors.New("--hanging-df without --hanging-sd: give both, as 'plan --rehang' prints them")
	case o.scope != "engine" && o.scope != "injectors":
		return fmt.Errorf(`--scope %s: use "engine" (this engine's injectors) or "injectors" (injectors like these)`, o.scope)
	}
	for _, d := range []struct {
		name   string
		v      time.Duration
		lo, hi time.Duration
	}{
		{"duration", o.duration, 10 * time.Second, time.Hour},
		{"still", o.still, 5 * time.Second, 10 * time.Minute},
		{"drain", o.drain, 0, time.Hour},
		{"hang-time", o.hang, 0, 2 * time.Hour},
		{"warm-up", o.warm, 0, 2 * time.Hour},
		{"settle", o.settle, 0, 2 * time.Hour},
	} {
		if d.v < d.lo || d.v > d.hi {
			return fmt.Errorf("--%s %v: use %v to %v", d.name, d.v, d.lo, d.hi)
		}
	}
	if o.rehang {
		for _, name := range []string{"change", "margin", "hangings", "have", "scope", "power"} {
			if o.given(name) {
				return fmt.Errorf("--rehang with --%s: a re-hanging study compares nothing; plan the comparison in a second call", name)
			}
		}
		return nil
	}
	switch {
	case o.given("doubt"):
		return errors.New("--doubt without --rehang: it is how well a re-hanging study is to know the bench")
	case o.hangings == "" && o.change == 0 && o.margin == 0:
		return errors.New("nothing is asked for: give --change (percent) to see what it takes to show one, --margin to see what it takes to rule one out, or --hangings to see what a plan shows")
	case o.hangings != "" && o.have > 0:
		return errors.New("--have with --hangings: a stated plan names both phases, such as --hangings 3,5")
	}
	return nil
}

// stated is --hangings: one number, or two.
func (o *planOptions) stated() (before, after int, err error) {
	words := strings.Split(o.hangings, ",")
	n := make([]int, len(words))
	for k, w := range words {
		if n[k], err = strconv.Atoi(strings.TrimSpace(w)); err != nil || len(words) > 2 {
			return 0, 0, fmt.Errorf("--hangings %s: give one whole number for each phase alike, or two such as 3,4", o.hangings)
		}
		if n[k] < 1 || n[k] > plan.MaxHangings {
			return 0, 0, fmt.Errorf("--hangings %s: use 1 to %d", o.hangings, plan.MaxHangings)
		}
	}
	return n[0], n[len(n)-1], nil
}

func (o *planOptions) times() plan.Times {
	return plan.Times{WarmUpS: o.warm.Seconds(), SettleS: o.settle.Seconds(), StillS: o.still.Seconds(), RunS: o.duration.Seconds(), DrainS: o.drain.Seconds(), HangS: o.hang.Seconds()}
}

func (o planOptions) run(ctx context.Context, w io.Writer, args []string) error {
	if err := o.check(); err != nil {
		return badInput(err)
	}
	p := &planned{o: o, engine: o.engine, best: -1}
	readings, err := p.readings(ctx, args)
	if err != nil {
		return err
	}
	if o.rehang {
		err = p.planStudy(readings)
	} else if err = p.settleScatter(readings); err == nil {
		err = p.planComparison()
	}
	if err != nil {
		return badInput(err)
	}
	if o.asJSON {
		err = writeJSON(w, p.json())
	} else {
		err = p.print(w)
	}
	if err != nil {
		return fmt.Errorf("writing the plan: %w", err)
	}
	return nil
}

// readings are what is named on the command line; nil when nothing is.
func (p *planned) readings(ctx context.Context, args []string) ([]plan.Reading, error) {
	o := p.o
	var sets []comparedSet
	switch {
	case o.data != "":
		refs := args
		if len(refs) == 0 {
			if o.engine == "" {
				return nil, badInput(errors.New("--data without --engine or tests: name the engine whose tests tell the scatter, or the tests"))
			}
			var err error
			if refs, err = testsOf(ctx, o.data, o.engine); err != nil {
				return nil, err
			}
		}
		var refused error
		for _, ref := range refs {
			set, err := storedReadings(ctx, o.data, []string{ref}, o.engine)
			var coded *codedError
			if errors.As(err, &coded) && coded.code == exitUsage && len(args) == 0 {
				// One of an engine's many: the others tell as well.
				p.doubts = append(p.doubts, "left out: "+err.Error())
				refused = err
				continue
			} else if err != nil {
				return nil, err
			}
			sets = append(sets, set)
		}
		if len(sets) == 0 {
			return nil, badInput(fmt.Errorf("no test of %s tells its scatter: %w", o.engine, refused))
		}
		p.source = "tests " + strings.Join(refs, ", ")
	case len(args) > 1:
		return nil, badInput(fmt.Errorf("%d arguments: give one file of readings, or tests with --data, the store's folder", len(args)))
	case len(args) == 1:
		set, err := readHandReadings(args[0], o.engine)
		if err != nil {
			return nil, badInput(err)
		}
		sets = append(sets, set)
		p.source = args[0]
	default:
		if o.phases != "" {
			return nil, badInput(errors.New("--phase without readings: it chooses among a file's or a store's"))
		}
		return nil, nil
	}
	only := strings.FieldsFunc(o.phases, func(r rune) bool { return r == ',' })
	var out []plan.Reading
	var phases []string
	days := map[string][2]string{}
	for _, set := range sets {
		if p.engine == "" {
			p.engine = set.engine
		}
		if set.engine != p.engine {
			return nil, badInput(fmt.Errorf("tests of %s and of %s: plan for one engine", p.engine, set.engine))
		}
		for _, d := range set.doubts {
			p.doubts = append(p.doubts, d.Text())
		}
		for _, r := range set.readings {
			if !slices.Contains(phases, r.Phase) {
				phases = append(phases, r.Phase)
			}
			if len(only) > 0 && !slices.Contains(only, r.Phase) {
				continue
			}
			out = append(out, plan.Reading{Group: r.Phase, Hanging: r.Hanging, Run: r.Run, Injector: r.Injector, RateMLPerMin: r.RateMLPerMin})
			d, ok := days[r.Phase]
			if !ok || r.Day < d[0] {
				d[0] = r.Day
			}
			d[1] = max(d[1], r.Day)
			days[r.Phase] = d
		}
	}
	for _, only := range only {
		if !slices.Contains(phases, only) {
			return nil, badInput(fmt.Errorf("--phase %s: there are readings of %s", only, strings.Join(phases, ", ")))
		}
	}
	for _, phase := range phases {
		if from, to := days[phase][0], days[phase][1]; longPhase(from, to) {
			p.doubts = append(p.doubts, fmt.Sprintf("phase %s goes from %s to %s: what drifted meanwhile counts as scatter between hangings; name tests that are close together", phase, from, to))
		}
	}
	return out, nil
}

// longPhase: two months, in which an engine, its fuel and the season may have moved. Common
// practice, no source.
func longPhase(from, to string) bool {
	a, errA := time.Parse(time.DateOnly, from)
	b, errB := time.Parse(time.DateOnly, to)
	return errA == nil && errB == nil && b.Sub(a) > 60*24*time.Hour
}

// testsOf is the labels of an engine's tests.
func testsOf(ctx context.Context, dir, engine string) ([]string, error) {
	r, err := openRead(ctx, dir)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	engines, err := r.Engines(ctx)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range engines {
		names = append(names, e.Label)
		if e.Label != engine {
			continue
		}
		tests, err := r.Tests(ctx, e.ID)
		if err != nil {
			return nil, err
		}
		if len(tests) == 0 {
			return nil, badInput(fmt.Errorf("%s has no test yet: state the scatter with --hanging-sd and --run-sd", engine))
		}
		var refs []string
		for _, t := range tests {
			refs = append(refs, t.Label)
		}
		return refs, nil
	}
	if len(names) == 0 {
		return nil, badInput(fmt.Errorf("there is no engine in %s yet: state the scatter with --hanging-sd and --run-sd", dir))
	}
	return nil, badInput(fmt.Errorf("there is no engine %q in %s; it has: %s", engine, dir, strings.Join(names, ", ")))
}

// logOf turns percent into the log that the analysis works with.
func logOf(percent float64) float64 { return math.Log1p(percent / 100) }

// percentOf is the other way round.
func percentOf(log float64) float64 { return 100 * math.Expm1(log) }

// settleScatter puts together what the readings show and what is stated.
func (p *planned) settleScatter(readings []plan.Reading) error {
	o := p.o
	p.scatter = plan.Scatter{ResponseSD: math.NaN()}
	injectors := o.injectors
	if readings != nil {
		h, err := plan.FromReadings(readings)
		switch {
		case errors.Is(err, plan.ErrTooFew) && o.given("hanging-sd"):
			p.doubts = append(p.doubts, "the readings tell no scatter: "+err.Error())
		case err != nil:
			return fmt.Errorf("%s: %w", p.source, err)
		default:
			p.history = &h
		}
		if injectors == 0 {
			injectors = h.Injectors
		}
		if p.history != nil {
			p.scatter = h.For(injectors)
			if !h.RunsApart && !o.given("run-sd") {
				p.doubts = append(p.doubts, "each hanging has one run: what runs add cannot be told from what hangings add, and more runs in a hanging are not counted on")
				if o.runs == 0 {
					p.o.runs = 1
				}
			}
			if h.Hanging == 0 && h.RunsApart && !o.given("hanging-sd") {
				p.doubts = append(p.doubts, fmt.Sprintf("hangings differ no more than their runs do by themselves, over %.0f degrees of freedom: that may be luck; the upper end below is the safer plan", h.HangingDF))
			}
		}
	}
	if p.history == nil && !o.given("hanging-sd") {
		return errors.New("how far hangings differ is not known: give --hanging-sd (and --run-sd) in percent, readings of a phase with two hangings or more, or measure it ('plan --rehang')")
	}
	if p.history == nil && !o.given("run-sd") {
		p.doubts = append(p.doubts, "--run-sd is not given: runs are taken to add nothing, so that more of them in a hanging bring nothing")
		if o.runs == 0 {
			p.o.runs = 1
		}
	}
	if injectors == 0 {
		return errors.New("--injectors is missing: how many has the engine?")
	}
	p.o.injectors = injectors
	for _, x := range []struct {
		name string
		v    float64
		to   *float64
	}{
		{"hanging-sd", o.hangingSD, &p.scatter.HangingSD}, {"run-sd", o.runSD, &p.scatter.RunSD}, {"tube-sd", o.tubeSD, &p.scatter.TubeSD},
		{"reading-sd", o.readingSD, &p.scatter.ReadingSD}, {"response-sd", o.responseSD, &p.scatter.ResponseSD},
	} {
		if o.given(x.name) {
			*x.to = logOf(x.v)
		}
	}
	p.scatter.HangingDF = o.hangingDF
	return nil
}

// planComparison finds or judges the design, and writes its sheet.
func (p *planned) planComparison() error {
	o := p.o
	scope := plan.ScopeEngine
	if o.scope == "injectors" {
		scope = plan.ScopeLikeThese
	}
	p.ask = plan.Ask{Injectors: o.injectors, Change: logOf(o.change), Margin: logOf(o.margin), Power: o.power, Level: plan.Level, Scope: scope, Before: o.have, Runs: o.runs}
	var design plan.Design
	if o.hangings != "" {
		before, after, err := o.stated()
		if err != nil {
			return err
		}
		design = plan.Design{Injectors: o.injectors, Before: before, After: after, Runs: o.runs}
		if o.runs == 0 {
			design.Runs = 2
		}
	} else {
		needs, err := plan.Find(p.scatter, p.ask)
		if err != nil {
			return err
		}
		p.needs = needs
		least := math.Inf(1)
		for k, n := range needs {
			if t := p.sheetOf(n.Design).TotalS; t < least {
				least, p.best = t, k
			}
		}
		if p.best < 0 {
			return nil
		}
		design = needs[p.best].Design
		if p.history != nil && !o.given("hanging-sd") {
			if err := p.planHigh(design.Runs); err != nil {
				return err
			}
		}
	}
	p.runs, p.phases = design.Runs, p.phasesOf(design)
	sheet := p.sheetOf(design)
	p.sheet = &sheet
	p.scopes = []string{scope}
	if scope == plan.ScopeEngine && p.scatter.ResponseSD >= 0 && o.injectors > 1 {
		p.scopes = append(p.scopes, plan.ScopeLikeThese)
	} else if scope == plan.ScopeLikeThese {
		p.scopes = append(p.scopes, plan.ScopeEngine)
	}
	for _, s := range p.scopes {
		a := p.ask
		a.Scope = s
		shows, err := plan.Show(p.scatter, design, a)
		if err != nil {
			return err
		}
		p.shows = append(p.shows, shows)
	}
	return nil
}

// planHigh is the same plan if the scatter is at the upper end of what the tests allow.
func (p *planned) planHigh(runs int) error {
	s := p.history.High(p.o.injectors)
	s.ResponseSD = p.scatter.ResponseSD
	a := p.ask
	a.Runs = runs
	needs, err := plan.Find(s, a)
	if err == nil && len(needs) > 0 {
		p.high = &needs[0]
	}
	return err
}

// phasesOf is what is still to be measured.
func (p *planned) phasesOf(d plan.Design) []plan.Phase {
	if p.o.have > 0 {
		return []plan.Phase{{Name: "after", Hangings: d.After}}
	}
	return []plan.Phase{{Name: "baseline", Hangings: d.Before}, {Name: "after", Hangings: d.After}}
}

func (p *planned) sheetOf(d plan.Design) plan.Sheet {
	return plan.SheetOf(d.Injectors, d.Runs, p.phasesOf(d), p.o.times(), p.o.rotate)
}

// planStudy is the size of a re-hanging study, or what its readings say.
func (p *planned) planStudy(readings []plan.Reading) error {
	o := p.o
	if readings != nil {
		s, err := plan.Rehang(readings)
		if err != nil {
			return fmt.Errorf("%s: %w", p.source, err)
		}
		p.spread = &s
		if s.LeftOut > 0 {
			p.doubts = append(p.doubts, fmt.Sprintf("%s without all injectors left out", counted(s.LeftOut, "run")))
		}
		return nil
	}
	if o.given("hanging-sd") != o.given("run-sd") || o.given("hanging-sd") && o.hangingSD == 0 {
		return errors.New("--rehang with one of --hanging-sd and --run-sd: give both as a first guess, above zero, or neither")
	}
	// Without a guess a run's scatter is taken as a hanging's: from experience neither rules
	// the other by much; an estimate.
	p.ratio = 1
	if o.given("run-sd") {
		p.ratio = o.runSD / o.hangingSD
	}
	if o.injectors == 0 {
		return errors.New("--injectors is missing: how many has the engine?")
	}
	from, to := 2, plan.MostRuns
	if o.runs > 0 {
		from, to = o.runs, o.runs
	}
	for runs := from; runs <= to; runs++ {
		s, ok, err := plan.FindStudy(o.doubt/100, runs, p.ratio)
		if err != nil {
			return err
		}
		phases := []plan.Phase{{Name: "rehang", Hangings: s.Hangings}}
		// Tubes stay with their injectors: what a tube adds is no scatter of a hanging.
		if sheet := plan.SheetOf(o.injectors, runs, phases, o.times(), false); ok && (p.study == nil || sheet.TotalS < p.sheet.TotalS) {
			p.study, p.sheet, p.phases, p.runs = &s, &sheet, phases, runs
		}
	}
	if p.study == nil {
		return fmt.Errorf("--doubt %g %%: more than %d hangings would be needed; use a larger doubt, or more --runs in a hanging", o.doubt, plan.MaxHangings)
	}
	return nil
}
