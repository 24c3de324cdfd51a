package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"brimline/analysis/history"
)

// historyJSON is a history with what the book says besides. Names are part of schema
// brimline/history/1: add, never rename.
type historyJSON struct {
	Schema          string                 `json:"schema"`
	Finding         string                 `json:"finding"`
	Events          []bookEventJSON        `json:"events"`
	BetweenHangings *history.HangingSpread `json:"between_hangings"` // the bench's own; null: no test has several
	history.Result
}

// historyCaution goes below every history.
const historyCaution = "This is a screen of one engine over time. It does not say what caused a change, nor that a part or product works or fails. The vehicle maker's own procedure and limits decide."

func (h historyJSON) print(w io.Writer) error {
	var b strings.Builder
	wrapTo(&b, "", fmt.Sprintf("%s, history by %s", h.Engine, h.By))
	b.WriteString("\n")
	wrapTo(&b, "", h.Finding)
	h.printVisits(&b)
	h.printInjectors(&b)
	h.printEvents(&b)
	if f := h.Forecast; f != nil {
		b.WriteString("\nIf all goes on as it did and nothing is done\n")
		wrapTo(&b, "  ", fmt.Sprintf("At %s the set's mean is %s mL/min; 95 %% interval %s to %s, of a test there %s to %s.", f.At, rateText(f.MLPerMin),
			rateText(f.Mean95[0]), rateText(f.Mean95[1]), rateText(f.Test95[0]), rateText(f.Test95[1])))
	}
	if len(h.Charts) > 0 {
		b.WriteString("\nControl charts (points are in --json)\n")
		for _, c := range h.Charts {
			wrapTo(&b, "  ", c.Says+".")
		}
	}
	h.printRests(&b)
	printDoubts(&b, h.Doubts)
	b.WriteString("\n")
	wrapTo(&b, "", "Caution: "+historyCaution)
	_, err := io.WriteString(w, b.String())
	return err
}

func (h historyJSON) printVisits(b *strings.Builder) {
	if len(h.Visits) == 0 {
		return
	}
	fmt.Fprintf(b, "\nThe set at each visit, mL/min\n")
	t := tabwriter.NewWriter(b, 0, 0, 3, ' ', 0)
	fmt.Fprintf(t, "  date\t%s\ttest\tby\treadings\tmean\tlevel\n", h.Unit)
	anew := false
	for _, v := range h.Visits {
		odometer, level := none, none
		if v.Odometer != nil {
			odometer = strconv.FormatFloat(*v.Odometer, 'f', -1, 64)
		}
		if v.Level != nil {
			level = rateText(*v.Level)
			anew = anew || math.Abs(*v.Level/v.MLPerMin-1) > 0.001
		}
		means := v.Means
		switch v.Means {
		case history.ByHand:
			means = "hand"
		case history.ByHand + " and " + history.ByRig:
			means = "both"
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%d\t%s\t%s\n", v.Date, odometer, v.Tests, means, v.Readings, rateText(v.MLPerMin), level)
	}
	t.Flush()
	if anew {
		wrapTo(b, "  ", "Level: the mean of the last test's injectors, what was not measured or fitted later reckoned in; visits compare by it.")
	}
}

func (h historyJSON) printInjectors(b *strings.Builder) {
	if len(h.Injectors) == 0 {
		return
	}
	per := "1,000 " + h.Unit
	if h.By == history.Date {
		per = "month"
	}
	fmt.Fprintf(b, "\nEach injector, mL/min, first and last of n visits, and its drift per %s\n", per)
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "  injector\tn\tfirst\tlast\tdrift\t95 %% interval\n")
	find := func(ds []history.Drift) (string, string) {
		for _, d := range ds {
			if d.Per == per {
				return history.Moved(d.Change), history.Range(*d.CI95)
			}
		}
		return none, none
	}
	for _, i := range h.Injectors {
		drift, interval := find(i.Drift)
		name := i.Name
		if position, from, anew := strings.Cut(i.Name, " from "); anew { // to stay within 80 columns
			name = position + " (" + from + ")"
		}
		fmt.Fprintf(t, "  %s\t%d\t%s\t%s\t%s\t%s\n", name, i.Tests, rateText(i.First), rateText(i.Last), drift, interval)
	}
	drift, interval := find(h.Drift)
	fmt.Fprintf(t, "  set\t%d\t\t\t%s\t%s\n", len(h.Visits), drift, interval)
	t.Flush()
	wrapTo(b, "  ", "The injectors' intervals hold all together.")
	for _, d := range h.Drift {
		if d.Per != per {
			wrapTo(b, "  ", fmt.Sprintf("The set per %s: %s (%s).", d.Per, history.Moved(d.Change), history.Range(*d.CI95)))
		}
	}
}

func (h historyJSON) printEvents(b *strings.Builder) {
	if len(h.Events) == 0 {
		return
	}
	b.WriteString("\nWhat was done\n")
	for _, e := range h.Events {
		what := e.Kind
		if e.Position > 0 {
			what = fmt.Sprintf("injector fitted at %d", e.Position)
		}
		if e.What != "" {
			what += ": " + e.What
		}
		if e.Amount != nil {
			what += fmt.Sprintf(", %g %s", *e.Amount, e.Unit)
		}
		if e.Odometer != nil {
			what += fmt.Sprintf(", at %g %s", *e.Odometer, h.Unit)
		}
		wrapTo(b, "  "+e.At[:len(time.DateOnly)]+"  ", what)
	}
	for _, s := range h.Steps {
		b.WriteString("\n")
		said := "no number, see the doubts"
		if s.Change != nil {
			said = fmt.Sprintf("%s (%s)", history.Moved(*s.Change), history.Range(*s.Change.CI95))
		}
		wrapTo(b, "  ", fmt.Sprintf("Step at %s, between test %s and %s:", s.Name, s.Before, s.After))
		wrapTo(b, "    ", "set: "+said)
		for _, i := range h.Injectors {
			for _, own := range i.Steps {
				if own.Name == s.Name {
					wrapTo(b, "    ", fmt.Sprintf("%s: %s (%s)", i.Name, history.Moved(*own.Change), history.Range(*own.Change.CI95)))
				}
			}
		}
	}
}

func (h historyJSON) printRests(b *strings.Builder) {
	b.WriteString("\nWhat this rests on\n")
	for _, s := range h.Scatter {
		wrapTo(b, "  ", fmt.Sprintf("Readings %s repeat to %.2g %% within a hanging (%d degrees of freedom).", byMeans(s.Means), s.Percent, s.DF))
	}
	if s := h.BetweenVisits; s != nil {
		wrapTo(b, "  ", fmt.Sprintf("Visits differ by %.2g %% beside that (%.3g degrees of freedom).", s.Percent, s.DF))
	}
	if s := h.BetweenHangings; s != nil {
		runs := ""
		if s.WithRuns {
			runs = ", what runs add left in"
		}
		wrapTo(b, "  ", fmt.Sprintf("Hangings of one occasion differ by %.2g %% in the set's mean%s (%.3g degrees of freedom).", s.Percent, runs, s.DF))
	}
	if h.Hand != nil {
		wrapTo(b, "  ", fmt.Sprintf("Hand readings against the rig's: %s (%s); taken account of.", history.Moved(*h.Hand), history.Range(*h.Hand.CI95)))
	}
	wrapTo(b, "  ", "Method: "+orNone(h.Method)+".")
}

func byMeans(means string) string {
	if means == history.ByRig {
		return "by the rig"
	}
	return means
}

func orNone(text string) string {
	if text == "" {
		return "none: too little to work on"
	}
	return text
}

func printDoubts(b *strings.Builder, doubts []history.Doubt) {
	if len(doubts) == 0 {
		return
	}
	b.WriteString("\nDoubts\n")
	for _, d := range doubts {
		text := d.Says
		if d.Do != "" {
			text += ": " + d.Do
		}
		wrapTo(b, "  - ", text+" ["+d.Code+"].")
	}
}

func printAcross(w io.Writer, a history.Across, engines int) error {
	var b strings.Builder
	fmt.Fprintf(&b, "What was done, over %s\n\n", counted(engines, "engine"))
	wrapTo(&b, "", a.Finding())
	for _, k := range a.Kinds {
		b.WriteString("\n")
		wrapTo(&b, "", fmt.Sprintf("%s: %s on %s", k.Kind, counted(k.Steps, "step"), counted(len(k.Engines), "engine")))
		if k.Change != nil {
			wrapTo(&b, "  ", fmt.Sprintf("mean over engines like these: %s (95 %% interval, all kinds together: %s; p %s)", history.Moved(*k.Change), history.Range(*k.Change.CI95), pValue(*k.PHolm)))
			wrapTo(&b, "  ", fmt.Sprintf("engines differ in it by %.2g %% (standard deviation)", *k.BetweenEngines))
		}
		for _, p := range k.Parts {
			wrapTo(&b, "  ", fmt.Sprintf("%s: %s, %+.1f %%", p.Engine, counted(p.Steps, "step"), p.Percent))
		}
	}
	printDoubts(&b, a.Doubts)
	b.WriteString("\n")
	wrapTo(&b, "", "Caution: what went together with an event need not be what it caused. "+historyCaution)
	_, err := io.WriteString(w, b.String())
	return err
}

func printAgreement(w io.Writer, a history.Agreement) error {
	var b strings.Builder
	wrapTo(&b, "", "Hand against rig: "+strings.Join(a.Engines, ", "))
	b.WriteString("\n")
	wrapTo(&b, "", a.Finding())
	b.WriteString("\nHand over rig\n")
	t := tabwriter.NewWriter(&b, 0, 0, 3, ' ', 0)
	for _, x := range []struct {
		name string
		history.Span
	}{{"mean", a.Bias}, {"lower limit of agreement", a.Lower}, {"upper limit of agreement", a.Upper}} {
		fmt.Fprintf(t, "  %s\t%s\t%s\n", x.name, history.Moved(history.Change{Percent: x.Percent, CI95: x.CI95}), history.Range(*x.CI95))
	}
	t.Flush()
	if a.Hand != nil && a.Rig != nil {
		b.WriteString("\nHow readings repeat in a hanging\n")
		wrapTo(&b, "  ", fmt.Sprintf("By hand %.2g %% (%d degrees of freedom), by the rig %.2g %% (%d), which is the engine for the most part.", a.Hand.Percent, a.Hand.DF, a.Rig.Percent, a.Rig.DF))
		if s := a.ReadingPercent; s.CI95 != nil {
			wrapTo(&b, "  ", fmt.Sprintf("What reading by eye adds: %.2g %% (95 %% interval: %.2g to %.2g %%).", s.Percent, s.CI95[0], s.CI95[1]))
		} else {
			wrapTo(&b, "  ", "What reading by eye adds cannot be told from the engine's own scatter.")
		}
	}
	if len(a.Parts) > 0 {
		fmt.Fprintf(&b, "\nWhat a reading of %.3g mL in %.3g s is made of\n", *a.VolumeML, *a.DurationS)
		t := tabwriter.NewWriter(&b, 0, 0, 3, ' ', 0)
		for _, p := range a.Parts {
			fixed := ""
			if p.Fixed {
				fixed = " (the same each time)"
			}
			fmt.Fprintf(t, "  %s\t%.2f %%\n", p.Name+fixed, p.Percent)
		}
		t.Flush()
		wrapTo(&b, "  ", fmt.Sprintf("Of the variance that scatters, meniscus and marks are %.0f %%, the stopwatch %.1f %%.", 100**a.MeniscusShare, 100**a.StopwatchShare))
	}
	printDoubts(&b, a.Doubts)
	_, err := io.WriteString(w, b.String())
	return err
}
