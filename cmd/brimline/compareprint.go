package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"brimline/analysis/change"
)

// changeCaution goes below every comparison.
const changeCaution = "This is a screen across the injectors of one engine. It does not say what caused a change, nor that a part or product works or fails. The vehicle maker's own procedure and limits decide."

// printChange prints a comparison for a reader who knows no statistics: the finding
// first, then the figures, what they rest on, and the doubts.
func printChange(w io.Writer, r change.Result, fuel *fuelEffect) error {
	var b strings.Builder
	wrapTo(&b, "", r.Finding())
	b.WriteString("\n")
	printSet(&b, r)
	printInjectors(&b, r)
	printBasis(&b, r, fuel)
	printConditions(&b, r)
	printSensitivity(&b, r)
	if len(r.Doubts) > 0 {
		b.WriteString("\nDoubts\n")
		for _, d := range r.Doubts {
			wrapTo(&b, "  - ", d.Code+": "+d.Text()+".")
		}
	}
	b.WriteString("\n")
	wrapTo(&b, "", "Caution: "+changeCaution)
	_, err := io.WriteString(w, b.String())
	return err
}

// printSet prints the change of the whole set.
func printSet(b *strings.Builder, r change.Result) {
	t := tabwriter.NewWriter(b, 0, 0, 3, ' ', 0)
	fmt.Fprintf(t, "  change of the set\t%s\n", change.Moved(r.Effect.Percent, r.Effect.CI95))
	if r.Effect.CI95 != nil {
		fmt.Fprintf(t, "  95 %% interval\t%s\n", change.Range(*r.Effect.CI95))
		fmt.Fprintf(t, "  chance of one as large from scatter alone\tp %s\n", pValue(*r.Effect.P))
		fmt.Fprintf(t, "  chance if the true change were the margin, %g %%\tp %s\n", r.Equivalence.MarginPercent, pValue(*r.Equivalence.P))
	} else {
		fmt.Fprintf(t, "  95 %% interval\tnone: too little to work one out\n")
	}
	fmt.Fprintf(t, "  decision\t%s\n", r.Decision)
	t.Flush()
}

func printInjectors(b *strings.Builder, r change.Result) {
	fmt.Fprintf(b, "\nEach injector, mL/min\n")
	t := tabwriter.NewWriter(b, 0, 0, 3, ' ', 0)
	fmt.Fprintf(t, "  injector\t%s\t%s\tchange\t95 %% interval, all together\n", r.Before.Phase, r.After.Phase)
	for _, i := range r.Injectors {
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\n", i.Injector, rateText(i.BeforeMLPerMin), rateText(i.AfterMLPerMin), change.Moved(i.Percent, i.CI95), rangeOrNone(i.CI95))
	}
	fmt.Fprintf(t, "  set\t%s\t%s\t%s\t%s\n", rateText(r.Before.MLPerMin), rateText(r.After.MLPerMin), change.Moved(r.Effect.Percent, r.Effect.CI95), rangeOrNone(r.Effect.CI95))
	t.Flush()
	if len(r.LeftOut) > 0 {
		wrapTo(b, "  ", "Left out: injector "+strings.Join(r.LeftOut, ", ")+" (see the doubts below).")
	}
}

// printBasis prints what the finding rests on, and for whom it holds.
func printBasis(b *strings.Builder, r change.Result, fuel *fuelEffect) {
	b.WriteString("\nWhat this rests on\n")
	for _, n := range []change.Count{r.Before, r.After} {
		wrapTo(b, "  ", fmt.Sprintf("%s: %s, %s, %s.", n.Phase, counted(n.Hangings, "hanging"), counted(n.Runs, "run"), counted(n.Readings, "reading")))
	}
	switch {
	case r.Effect.DF != nil && r.Before.Hangings == 1 && r.After.Hangings == 1:
		wrapTo(b, "  ", fmt.Sprintf("The interval comes from how runs differ and from the bench's own spread between hangings, together %.2g %% in the set's mean, with %.3g degrees of freedom.", *r.HangingSDPercent, *r.Effect.DF))
	case r.Effect.DF != nil:
		wrapTo(b, "  ", fmt.Sprintf("The interval comes from how hangings of one phase differ, %.2g %% in the set's mean, with %.3g degrees of freedom.", *r.HangingSDPercent, *r.Effect.DF))
	}
	if s := r.Scatter; s != nil && s.RunPercent != nil {
		wrapTo(b, "  ", fmt.Sprintf("From run to run in one hanging the whole set moves together by %.2g %% (95 %% interval: %.2g to %.2g %%): the engine's doing, or the bench's.", *s.RunPercent, s.RunCI95[0], s.RunCI95[1]))
	}
	if s := r.Scatter; s != nil && s.ReadingPercent != nil {
		wrapTo(b, "  ", fmt.Sprintf("A single reading scatters by %.2g %% on its own.", *s.ReadingPercent))
	}
	if r.SmallestDetectablePercent != nil {
		wrapTo(b, "  ", fmt.Sprintf("Smallest change that such a test shows 4 times out of 5: %.2g %%.", *r.SmallestDetectablePercent))
	}
	if r.HangingsNeeded != nil {
		wrapTo(b, "  ", fmt.Sprintf("To settle it at this scatter, measure about %d hangings in each phase.", *r.HangingsNeeded))
	} else if r.Decision == change.CannotTell && r.Effect.CI95 != nil {
		wrapTo(b, "  ", "At this scatter more than 200 hangings in each phase would be needed to settle it: find out what makes the hangings differ first.")
	}
	if fuel != nil && !slices.ContainsFunc(r.Doubts, func(d change.Doubt) bool { return d.Code == change.DoubtFuelTemperature }) {
		wrapTo(b, "  ", fuel.Says+".")
	}
	if r.Effect.CI95 == nil {
		wrapTo(b, "  ", fmt.Sprintf("For %s, and for %s, there is no interval.", change.ScopeEngine, change.ScopeLikeThese))
		return
	}
	wrapTo(b, "  ", fmt.Sprintf("It holds for %s as it is: %s.", change.ScopeEngine, change.Range(*r.Effect.CI95)))
	like := "no interval, as there is too little to say how injectors differ"
	if r.LikeThese != nil {
		like = fmt.Sprintf("%s, with %.2g degrees of freedom", change.Range(*r.LikeThese.CI95), *r.LikeThese.DF)
	}
	wrapTo(b, "  ", fmt.Sprintf("For %s in the same engine, which need not respond alike: %s. It says nothing yet of other engines.", change.ScopeLikeThese, like))
	wrapTo(b, "  ", "Method: "+r.Method+".")
	if r.ModelWhy != "" {
		wrapTo(b, "  ", "Why not the mixed model: "+r.ModelWhy+".")
	}
}

// printConditions prints what was noted beside the runs, before beside after.
func printConditions(b *strings.Builder, r change.Result) {
	if len(r.Conditions) == 0 {
		return
	}
	value := func(v *float64) string {
		if v == nil {
			return "-"
		}
		return strconv.FormatFloat(math.Round(*v*100)/100, 'f', -1, 64)
	}
	b.WriteString("\nConditions noted\n")
	t := tabwriter.NewWriter(b, 0, 0, 3, ' ', 0)
	fmt.Fprintf(t, "  what\t%s\t%s\tunit\n", r.Before.Phase, r.After.Phase)
	for _, c := range r.Conditions {
		if len(c.Injectors) > 0 {
			fmt.Fprintf(t, "  %s\t\t\t%s\n", c.Name, c.Unit)
		} else {
			fmt.Fprintf(t, "  %s\t%s\t%s\t%s\n", c.Name, value(c.Before), value(c.After), c.Unit)
		}
		for _, i := range c.Injectors {
			fmt.Fprintf(t, "    injector %s\t%s\t%s\t%s\n", i.Injector, value(i.Before), value(i.After), c.Unit)
		}
	}
	t.Flush()
	for _, c := range r.Conditions {
		switch {
		case c.Used:
			wrapTo(b, "  ", c.Name+": taken into account in the finding.")
		case c.WhyNot != "":
			wrapTo(b, "  ", c.Name+": cannot be taken into account, as "+c.WhyNot+".")
		default:
			wrapTo(b, "  ", c.Name+": not taken into account in the finding; the table below shows what it would be.")
		}
	}
}

// printSensitivity prints what the change would be by other ways of working it out.
func printSensitivity(b *strings.Builder, r change.Result) {
	if len(r.Sensitivity) == 0 {
		return
	}
	b.WriteString("\nThe same change, worked out in other ways\n")
	rows := [][4]string{{"", "change", "95 % interval", "p"}}
	unsound := -1
	var notes []string
	for _, v := range r.Sensitivity {
		if unsound < 0 && !v.Sound {
			unsound = len(rows)
		}
		p := "none"
		if v.P != nil {
			p = pValue(*v.P)
		}
		rows = append(rows, [4]string{v.Name, change.Moved(v.Percent, v.CI95), rangeOrNone(v.CI95), p})
		if v.Code == "permutation" {
			notes = append(notes, v.Name+": "+v.Says+".")
		}
	}
	var width [3]int
	for _, row := range rows {
		for k := range width {
			width[k] = max(width[k], len([]rune(row[k])))
		}
	}
	for i, row := range rows {
		if i == unsound {
			b.WriteString("  too sure, as they take for independent what hangings and runs share:\n")
		}
		fmt.Fprintf(b, "  %-*s  %-*s  %-*s  %s\n", width[0], row[0], width[1], row[1], width[2], row[2], row[3])
	}
	for _, n := range notes {
		wrapTo(b, "  ", n)
	}
}

func rangeOrNone(ci *[2]float64) string {
	if ci == nil {
		return "none"
	}
	return change.Range(*ci)
}

// rateText prints a rate above zero with two decimals, or three figures if that is more.
func rateText(mlPerMin float64) string {
	places := max(2, 2-int(math.Floor(math.Log10(mlPerMin))))
	return strconv.FormatFloat(mlPerMin, 'f', places, 64)
}

// pValue prints a p value with the digits that mean something.
func pValue(p float64) string {
	if p < 0.0001 {
		return "<0.0001"
	}
	return fmt.Sprintf("%.2g", p)
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// wrapTo writes text in lines of up to 78 columns; the first begins with lead, the
// others with as many spaces.
func wrapTo(b *strings.Builder, lead, text string) {
	const width = 78
	line := lead
	empty := true
	for _, word := range strings.Fields(text) {
		if !empty && len([]rune(line))+1+len([]rune(word)) > width {
			b.WriteString(line + "\n")
			line, empty = strings.Repeat(" ", len(lead)), true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	b.WriteString(line + "\n")
}
