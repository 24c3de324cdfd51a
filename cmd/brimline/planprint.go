package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"brimline/analysis/plan"
)

// The JSON of a plan. Names are part of the schema: add, never rename.
type (
	planJSON struct {
		Schema string `json:"schema"`
		Engine string `json:"engine,omitempty"`
		Source string `json:"source"` // of the scatter: a file, tests, "stated"

		Asked    *planAskedJSON   `json:"asked,omitempty"`
		Scatter  *planScatterJSON `json:"scatter,omitempty"`
		Options  []planNeedJSON   `json:"options"` // ways to reach what was asked for
		Chosen   *planNeedJSON    `json:"chosen,omitempty"`
		IfWorse  *planNeedJSON    `json:"if_scatter_at_upper_end,omitempty"`
		Shows    []planShowsJSON  `json:"shows"` // what the plan shows, per scope
		Study    *planStudyJSON   `json:"rehang_study,omitempty"`
		Spread   *planSpreadJSON  `json:"rehang_result,omitempty"`
		Sheet    *plan.Sheet      `json:"sheet,omitempty"`
		Doubts   []string         `json:"doubts"`
		Cautions []string         `json:"cautions"`
	}
	planAskedJSON struct {
		ChangePercent *float64 `json:"change_percent"`
		MarginPercent *float64 `json:"margin_percent"`
		Power         float64  `json:"power"`
		Level         float64  `json:"level"`
		Scope         string   `json:"scope"`
		Injectors     int      `json:"injectors"`
	}
	planScatterJSON struct {
		HangingPercent  float64  `json:"hanging_sd_percent"`
		HangingDF       *float64 `json:"hanging_df"`
		RunPercent      float64  `json:"run_sd_percent"`
		ResponsePercent *float64 `json:"response_sd_percent"`
		TubePercent     float64  `json:"tube_sd_percent"`
		ReadingPercent  float64  `json:"reading_sd_percent"`
		Hangings        int      `json:"hangings,omitempty"`
		Runs            int      `json:"runs,omitempty"`
		Readings        int      `json:"readings,omitempty"`
	}
	planNeedJSON struct {
		Before        int      `json:"hangings_before"`
		After         int      `json:"hangings_after"`
		Runs          int      `json:"runs_per_hanging"`
		EngineMinutes float64  `json:"engine_minutes"` // of what is still to be measured
		TotalMinutes  float64  `json:"total_minutes"`
		Power         *float64 `json:"power"`
		TOST          *float64 `json:"equivalence_power"`
	}
	planShowsJSON struct {
		Scope           string   `json:"scope"`
		Before          int      `json:"hangings_before"`
		After           int      `json:"hangings_after"`
		Runs            int      `json:"runs_per_hanging"`
		SE              float64  `json:"se_log"`
		DF              float64  `json:"df"`
		SmallestPercent *float64 `json:"smallest_change_percent"`
		MarginPercent   *float64 `json:"smallest_margin_percent"`
		Power           *float64 `json:"power"`
		TOST            *float64 `json:"equivalence_power"`
	}
	planStudyJSON struct {
		Hangings    int     `json:"hangings"`
		Runs        int     `json:"runs_per_hanging"`
		DF          float64 `json:"df"`
		LowFactor   float64 `json:"ci95_low_factor"`
		HighFactor  float64 `json:"ci95_high_factor"`
		RunsToHangs float64 `json:"run_sd_over_hanging_sd"`
	}
	planSpreadJSON struct {
		SDPercent       float64    `json:"hanging_sd_percent"`
		DF              float64    `json:"hanging_df"`
		CI95            [2]float64 `json:"ci95_percent"`
		WithRunsPercent float64    `json:"with_runs_sd_percent"`
		WithRunsDF      float64    `json:"with_runs_df"`
		RunPercent      float64    `json:"run_sd_percent"`
		RunDF           float64    `json:"run_df"`
		Hangings        int        `json:"hangings"`
		Runs            int        `json:"runs"`
	}
)

// asked is v where a question was asked, else null.
func asked(v float64, was bool) *float64 {
	if !was || math.IsInf(v, 0) || math.IsNaN(v) {
		return nil
	}
	return &v
}

func (p *planned) needJSON(n plan.Need) *planNeedJSON {
	s := p.sheetOf(n.Design)
	return &planNeedJSON{n.Before, n.After, n.Runs, s.EngineS / 60, s.TotalS / 60, asked(n.Power, p.ask.Change > 0), asked(n.TOST, p.ask.Margin > 0)}
}

func (p *planned) json() planJSON {
	o := p.o
	out := planJSON{Schema: planSchema, Engine: p.engine, Source: p.source, Options: []planNeedJSON{}, Shows: []planShowsJSON{}, Sheet: p.sheet, Doubts: append([]string{}, p.doubts...), Cautions: testCautions}
	if p.source == "" {
		out.Source = "stated"
	}
	if s := p.study; s != nil {
		out.Study = &planStudyJSON{s.Hangings, s.Runs, s.DF, s.Low, s.High, p.ratio}
	}
	if s := p.spread; s != nil {
		out.Spread = &planSpreadJSON{percentOf(s.SD), s.DF, [2]float64{percentOf(s.CI95[0]), percentOf(s.CI95[1])}, percentOf(s.WithRuns), s.WithRunsDF, percentOf(s.RunSD), s.RunDF, s.Hangings, s.Runs}
	}
	if o.rehang {
		return out
	}
	out.Asked = &planAskedJSON{asked(o.change, o.change > 0), asked(o.margin, o.margin > 0), o.power, plan.Level, p.ask.Scope, o.injectors}
	s := p.scatter
	out.Scatter = &planScatterJSON{HangingPercent: percentOf(s.HangingSD), RunPercent: percentOf(s.RunSD), ResponsePercent: asked(percentOf(s.ResponseSD), true), TubePercent: percentOf(s.TubeSD), ReadingPercent: percentOf(s.ReadingSD)}
	if h := p.history; h != nil {
		out.Scatter.Hangings, out.Scatter.Runs, out.Scatter.Readings = h.Hangings, h.Runs, h.Readings
	}
	switch {
	case o.given("hanging-sd"):
		out.Scatter.HangingDF = asked(o.hangingDF, o.hangingDF > 0)
	case p.history != nil:
		out.Scatter.HangingDF = &p.history.HangingDF
	}
	for k, n := range p.needs {
		out.Options = append(out.Options, *p.needJSON(n))
		if k == p.best {
			out.Chosen = p.needJSON(n)
		}
	}
	if p.high != nil {
		out.IfWorse = p.needJSON(*p.high)
	}
	for k, s := range p.shows {
		out.Shows = append(out.Shows, planShowsJSON{p.scopes[k], s.Before, s.After, s.Runs, s.SE, s.DF, asked(percentOf(s.Smallest), true), asked(percentOf(s.Margin), true),
			asked(s.Power, p.ask.Change > 0), asked(s.TOST, p.ask.Margin > 0)})
	}
	return out
}

// inPhases says hangings and runs in words.
func inPhases(d plan.Design) string {
	if d.Before == d.After {
		return fmt.Sprintf("in each phase %s of %s", counted(d.Before, "hanging"), counted(d.Runs, "run"))
	}
	return fmt.Sprintf("%s before and %d after, of %s each", counted(d.Before, "hanging"), d.After, counted(d.Runs, "run"))
}

// minutesWords says a time as a person plans with it.
func minutesWords(s float64) string {
	if s < 90*60 {
		return fmt.Sprintf("%.0f min", s/60)
	}
	return fmt.Sprintf("%.1f h", s/3600)
}

// chance says a power in words that need no statistics.
func chance(p float64) string {
	switch {
	case p > 0.995:
		return "more than 99 times in 100"
	case p == 0.8:
		return "4 times out of 5"
	}
	return fmt.Sprintf("%.0f times in 100", 100*p)
}

// figures prints a percentage with two figures.
func figures(percent float64) string {
	if percent >= 10 {
		return fmt.Sprintf("%.0f %%", percent)
	}
	return strconv.FormatFloat(percent, 'g', 2, 64) + " %"
}

// print writes a plan for a person: what it takes first, then what it rests on.
func (p *planned) print(w io.Writer) error {
	var b strings.Builder
	switch {
	case p.spread != nil:
		p.printSpread(&b)
	case p.study != nil:
		p.printStudy(&b)
	default:
		p.printComparison(&b)
	}
	if len(p.doubts) > 0 {
		b.WriteString("\nDoubts\n")
		for _, d := range p.doubts {
			wrapTo(&b, "  - ", d+".")
		}
	}
	if p.sheet != nil && p.o.sheet {
		b.WriteString("\n")
		p.printSheet(&b)
	}
	if p.spread == nil && !p.o.sheet {
		b.WriteString("\n")
		wrapTo(&b, "", "Caution: follow the vehicle maker's procedure, local codes and the advice of licensed practice; they come before anything said here. "+testCautions[1]+" --sheet prints the steps with the cautions.")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (p *planned) head(what string) string {
	if p.engine == "" {
		return what
	}
	return p.engine + ": " + what
}

func (p *planned) printComparison(b *strings.Builder) {
	o := p.o
	b.WriteString(p.head(fmt.Sprintf("plan of a comparison, %s", counted(o.injectors, "injector"))) + "\n\n")
	var goals []string
	if o.change > 0 {
		goals = append(goals, fmt.Sprintf("a change of %g %%", o.change))
	}
	if o.margin > 0 {
		goals = append(goals, fmt.Sprintf("if nothing changed, that no change reaches %g %%", o.margin))
	}
	goal := strings.Join(goals, ", and, ")
	switch {
	case o.hangings != "":
		d := p.shows[0]
		wrapTo(b, "", fmt.Sprintf("%s: %s.", upperFirst(inPhases(d.Design)), p.efforts(*p.sheet)))
		p.printShows(b)
	case p.best < 0:
		wrapTo(b, "", fmt.Sprintf("No plan of up to %d hangings in each phase shows, %s, %s: find out what makes the hangings differ, or ask for less.", plan.MaxHangings, chance(o.power), goal))
		if p.ask.Scope == plan.ScopeLikeThese {
			wrapTo(b, "", "For injectors like these it is their number that counts: how they differ in response does not average out over hangings.")
		}
	default:
		n := p.needs[p.best]
		wrapTo(b, "", fmt.Sprintf("Measure %s: %s. That shows, at least %s, %s.", inPhases(n.Design), p.efforts(*p.sheet), chance(o.power), goal))
		if o.have > 0 {
			wrapTo(b, "", fmt.Sprintf("The %s of the first phase are there; the times are those of the second.", counted(o.have, "hanging")))
		}
		p.printOptions(b)
		if p.high != nil && p.high.After > n.After {
			wrapTo(b, "", fmt.Sprintf("The scatter is itself an estimate. At the upper end of what these tests allow it takes %s: plan for that if you can come only once.", inPhases(p.high.Design)))
		} else if p.history != nil && !o.given("hanging-sd") && p.high == nil {
			wrapTo(b, "", fmt.Sprintf("The scatter is itself an estimate: at the upper end of what these tests allow, %d hangings in each phase are not enough.", plan.MaxHangings))
		}
		p.printShows(b)
	}
	p.printScatter(b)
	if p.sheet != nil && !o.sheet {
		p.printRotation(b)
	}
}

// efforts says what a sheet costs.
func (p *planned) efforts(s plan.Sheet) string {
	runs := 0
	for _, x := range s.Steps {
		if x.Do == plan.DoRun {
			runs++
		}
	}
	return fmt.Sprintf("%s, the engine on for %.0f minutes, %s in all", counted(runs, "run"), s.EngineS/60, minutesWords(s.TotalS))
}

func (p *planned) printOptions(b *strings.Builder) {
	b.WriteString("\n")
	t := tabwriter.NewWriter(b, 0, 0, 3, ' ', 0)
	head := [2]string{"    runs in\thangings\tengine,\tin all,", "    a hanging\tin a phase\tminutes\thours"}
	if p.o.change > 0 {
		head[0], head[1] = head[0]+"\ta change", head[1]+"\tis shown"
	}
	if p.o.margin > 0 {
		head[0], head[1] = head[0]+"\tnone", head[1]+"\tis shown"
	}
	fmt.Fprintf(t, "%s\n%s\n", head[0], head[1])
	for k, n := range p.needs {
		mark := "  "
		if k == p.best {
			mark = "> "
		}
		s := p.sheetOf(n.Design)
		hangings := strconv.Itoa(n.After)
		if n.Before != n.After {
			hangings = fmt.Sprintf("%d + %d", n.Before, n.After)
		}
		fmt.Fprintf(t, "  %s%d\t%s\t%.0f\t%.1f", mark, n.Runs, hangings, s.EngineS/60, s.TotalS/3600)
		if p.o.change > 0 {
			fmt.Fprintf(t, "\t%.2f", n.Power)
		}
		if p.o.margin > 0 {
			fmt.Fprintf(t, "\t%.2f", n.TOST)
		}
		fmt.Fprintln(t)
	}
	t.Flush()
	b.WriteString("\n")
	text := ""
	if len(p.needs) > 1 {
		text = "> takes the least time in all. "
	}
	text += "The last figures are chances, 0 to 1, in tests at 5 %: that a true change as large is shown, or that none is when there is none."
	if p.needs[p.best].Runs == 1 {
		text += " With one run in each hanging, a run that has to be left out takes its hanging with it."
	}
	wrapTo(b, "", text)
}

// printShows says what the plan shows, in each scope.
func (p *planned) printShows(b *strings.Builder) {
	o := p.o
	b.WriteString("\nWhat this plan shows\n")
	for k, s := range p.shows {
		who := "Of this engine's injectors"
		if p.scopes[k] == plan.ScopeLikeThese {
			who = "Of injectors like these"
		}
		small, margin := "none, however large", "none"
		if v := percentOf(s.Smallest); v < 1000 {
			small = figures(v)
		}
		if v := percentOf(s.Margin); v < 1000 {
			margin = figures(v)
		}
		text := fmt.Sprintf("%s, %s: the smallest change that is shown is %s; if nothing changed, the smallest margin that can be shown to hold is %s.", who, chance(o.power), small, margin)
		if o.change > 0 {
			text += fmt.Sprintf(" A change of %g %% is shown %s.", o.change, chance(s.Power))
		}
		if o.margin > 0 {
			text += fmt.Sprintf(" That no change reaches %g %% is shown %s, if there is none.", o.margin, chance(s.TOST))
		}
		wrapTo(b, "  ", text)
	}
	if p.shows[0].Before == 1 && p.shows[0].After == 1 {
		wrapTo(b, "  ", "With one hanging in each phase all rests on the bench's own spread between hangings, as it was stated.")
	}
}

func (p *planned) printScatter(b *strings.Builder) {
	o, s := p.o, p.scatter
	b.WriteString("\nWhat it rests on\n")
	t := tabwriter.NewWriter(b, 0, 0, 3, ' ', 0)
	line := func(what, flag string, v float64, df float64) {
		from := "stated"
		if !o.given(flag) {
			if p.history == nil || math.IsNaN(v) {
				return
			}
			from = "from " + p.source
			if len([]rune(from)) > 30 {
				from = "from the readings"
			}
			if df > 0 {
				from += fmt.Sprintf(", %.0f df", df)
			}
		}
		fmt.Fprintf(t, "  %s\t%.2f %%\t%s\n", what, percentOf(v), from)
	}
	var hangingDF, responseDF float64
	if p.history != nil {
		hangingDF, responseDF = p.history.HangingDF, p.history.ResponseDF
	}
	line("set, hanging to hanging", "hanging-sd", s.HangingSD, hangingDF)
	line("set, run to run", "run-sd", s.RunSD, 0)
	line("injectors' changes among each other", "response-sd", s.ResponseSD, responseDF)
	t.Flush()
	if h := p.history; h != nil {
		wrapTo(b, "  ", fmt.Sprintf("%s in %s and %s, %s; standard deviations by a mixed model (REML).", counted(h.Readings, "reading"), counted(h.Runs, "run"), counted(h.Hangings, "hanging"), counted(h.Groups, "phase")))
	}
	method := "Power by the noncentral t distribution, exact for as many runs in each hanging and all injectors in each run"
	if p.ask.Scope == plan.ScopeLikeThese || len(p.scopes) > 1 {
		method += "; for injectors like these it is a mean over three variances' distributions, good to 0.003"
	}
	wrapTo(b, "  ", method+". It says nothing of what is alike in all hangings of a phase: another fuel, another season, another idle. Keep these the same, and measure an untreated engine beside it if there is one.")
}

// printRotation is the rotation in short.
func (p *planned) printRotation(b *strings.Builder) {
	if !p.o.rotate || p.o.injectors < 2 {
		return
	}
	if p.o.have > 0 {
		b.WriteString("\nWhere the tubes hang\n")
	} else {
		b.WriteString("\nWhere the tubes hang, the same in both phases\n")
	}
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', tabwriter.AlignRight)
	n := p.o.injectors
	fmt.Fprint(t, "  tube\t")
	for k := range n {
		fmt.Fprintf(t, "%d\t", k+1)
	}
	fmt.Fprintln(t)
	most := 0
	for _, ph := range p.phases {
		most = max(most, ph.Hangings)
	}
	for h := range min(most, n) {
		fmt.Fprintf(t, "  hanging %d: injector\t", h+1)
		for _, i := range plan.Positions(n, h) {
			fmt.Fprintf(t, "%d\t", i)
		}
		fmt.Fprintln(t)
	}
	t.Flush()
	wrapTo(b, "  ", p.rotationWords(most))
}

// rotationWords says how far the rotation separates.
func (p *planned) rotationWords(hangings int) string {
	n := p.o.injectors
	balance := "each injector follows each other one on a tube exactly once"
	if n%2 == 1 {
		balance = "which injector follows which on a tube is not balanced, as no single square of an odd number can be"
	}
	text := ""
	switch {
	case hangings > n:
		text = fmt.Sprintf("After hanging %d it begins anew. Each tube takes each injector once in %d hangings, so tube, injector and order are told apart; %s.", n, n, balance)
	case hangings == n:
		text = fmt.Sprintf("Each tube takes each injector once, so tube, injector and order are told apart; %s.", balance)
	default:
		text = fmt.Sprintf("%d hangings are not the %d in which each tube meets each injector: tube and injector are told apart in part.", hangings, n)
	}
	if len(p.phases) == 2 && p.phases[0].Hangings != p.phases[1].Hangings || p.o.have > 0 {
		return text + " Where the other phase hung otherwise, what a tube adds is in its injector's change; it leaves the set's change alone."
	}
	return text + " As both phases hang the same, what a tube adds leaves every change alone."
}

func (p *planned) printStudy(b *strings.Builder) {
	s, o := p.study, p.o
	b.WriteString(p.head(fmt.Sprintf("plan of a re-hanging study, %s", counted(o.injectors, "injector"))) + "\n\n")
	wrapTo(b, "", fmt.Sprintf("Take %s of %s each, with nothing done to the engine in between: %s.", counted(s.Hangings, "hanging"), counted(s.Runs, "run"), p.efforts(*p.sheet)))
	wrapTo(b, "", fmt.Sprintf("The bench's own spread between hangings is then known with about %.1f degrees of freedom: if it comes out as 1 %%, the truth is between %.2f and %.2f %% (95 %%, chi-squared).", s.DF, s.Low, s.High))
	b.WriteString("\n")
	t := tabwriter.NewWriter(b, 0, 0, 3, ' ', 0)
	fmt.Fprintln(t, "    hangings\tdf\tif 1 % is found, the truth is")
	for _, n := range []int{3, 4, 6, 8, 12, 16, 24, 32} {
		if n == s.Hangings {
			continue
		}
		if x := plan.StudyOf(n, s.Runs, p.ratio); x.DF < 1.5 { // its interval has no upper end to speak of
			fmt.Fprintf(t, "    %d\t%.1f\tanything: too few\n", n, x.DF)
		} else {
			fmt.Fprintf(t, "    %d\t%.1f\t%.2f to %.2f %%\n", n, x.DF, x.Low, x.High)
		}
	}
	t.Flush()
	b.WriteString("\n")
	guess := "a run's scatter is taken to be as large as a hanging's; --hanging-sd and --run-sd state a better guess"
	if o.given("run-sd") {
		guess = fmt.Sprintf("a run's scatter is taken as %.2g times a hanging's, as stated", p.ratio)
	}
	wrapTo(b, "", fmt.Sprintf("Runs blur the hangings' means, so their scatter is taken out and costs degrees of freedom: %s.", guess))
	b.WriteString("\nAfterwards\n")
	wrapTo(b, "  ", "'brimline plan --rehang --phase rehang' with the readings (a file, or --data and --engine) says what the spread is, with its degrees of freedom and interval. It is the bench's with this way of hanging: it holds for other tests of the same engine type on the same bench by the same hands, until hoses, tubes or people change. With it 'compare' gives an interval where each phase has one hanging; two hangings or more in each phase are better than any such number.")
}

func (p *planned) printSpread(b *strings.Builder) {
	s := p.spread
	b.WriteString(p.head("what re-hanging adds, from "+p.source) + "\n\n")
	if s.SD > 0 {
		wrapTo(b, "", fmt.Sprintf("The set's mean scatters by %.2f %% from hanging to hanging (standard deviation, %.1f degrees of freedom), what runs add taken out; the truth is between %.2f and %.2f %% (95 %%).", percentOf(s.SD), s.DF, percentOf(s.CI95[0]), percentOf(s.CI95[1])))
		if s.CI95[0] == 0 {
			wrapTo(b, "", "As the interval reaches down to zero, it is not shown that hangings add anything to what runs do.")
		}
	} else {
		wrapTo(b, "", fmt.Sprintf("Hangings differ no more than their runs do by themselves. That is no proof that they add nothing: the truth may be up to %.2f %% (95 %%). To be on the safe side, plan with %.2f %%, what the hangings' means scatter by with their runs left in (%.0f degrees of freedom).", percentOf(s.CI95[1]), percentOf(s.WithRuns), s.WithRunsDF))
	}
	b.WriteString("\nWhat it rests on\n")
	phases := ""
	if s.Groups > 1 {
		phases = fmt.Sprintf(" in %d phases, pooled", s.Groups)
	}
	wrapTo(b, "  ", fmt.Sprintf("%s and %s%s; from run to run within a hanging the set's mean scatters by %.2f %% (%.0f degrees of freedom).", counted(s.Hangings, "hanging"), counted(s.Runs, "run"), phases, percentOf(s.RunSD), s.RunDF))
	wrapTo(b, "  ", "Analysis of variance of the runs' set means; degrees of freedom after Satterthwaite, interval after Williams.")
	b.WriteString("\nWhat to do with it\n")
	sd, df := percentOf(s.SD), s.DF
	if s.SD == 0 {
		sd, df = percentOf(s.WithRuns), s.WithRunsDF
	}
	if df >= 1 {
		wrapTo(b, "  ", fmt.Sprintf("Plan with it: --hanging-sd %.2f --hanging-df %.1f --run-sd %.2f. Compare with it where a phase has one hanging: 'compare --hanging-sd %.2f --hanging-df %.1f', or hanging_sd_percent and hanging_df in [compare] of the bench's file.", sd, df, percentOf(s.RunSD), sd, df))
	} else {
		wrapTo(b, "  ", "With less than one degree of freedom it is not to be planned or compared with: add hangings, or runs in each.")
	}
	if factor := s.CI95[1] / math.Max(s.SD, 1e-12); s.SD > 0 && factor > 1+p.o.doubt/100 {
		wrapTo(b, "  ", fmt.Sprintf("The truth may be %.1f times what was found, more than the %.1f times of --doubt %g: add hangings to the study.", factor, 1+p.o.doubt/100, p.o.doubt))
	}
	wrapTo(b, "  ", "It is this bench's, with these tubes, hoses and hands: measure it again when they change.")
}
