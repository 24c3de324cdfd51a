package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"brimline/analysis/plan"
)

// printSheet writes the steps to be followed on paper, 80 columns wide.
func (p *planned) printSheet(b *strings.Builder) {
	o, s := p.o, p.sheet
	rule := strings.Repeat("-", 78)
	what := "comparison"
	if o.rehang {
		what = "re-hanging study"
	}
	fmt.Fprintf(b, "%s\nSHEET  %s\n%s\n", rule, p.head(what+", "+counted(o.injectors, "injector")), rule)
	b.WriteString("Date ____________  By ____________________  Bench ____________________________\n\n")
	wrapTo(b, "", "Follow the vehicle maker's procedure, local codes and the advice of licensed practice; they come before anything said here.")
	for _, c := range testCautions {
		wrapTo(b, "  - ", c)
	}
	b.WriteString("\nBefore the first run, in ink\n")
	if !o.rehang {
		margin := "______"
		if o.margin > 0 {
			margin = strconv.FormatFloat(o.margin, 'g', -1, 64)
		}
		wrapTo(b, "  [ ] ", fmt.Sprintf("The smallest change worth caring about (margin): %s %%. Runs are left out only for a reason that is written down before their figures are seen. The plan ends after the last hanging below, not when a figure pleases.", margin))
	}
	wrapTo(b, "  [ ] ", "The same in all runs: fuel batch, warm-up, idle, electrical loads, bench, hands. Injector type ______________ and the maker's word that this return may be opened.")
	if o.rehang {
		wrapTo(b, "  [ ] ", "Nothing is done to the engine until the last hanging. Hang tubes and hoses as you would for a test, no more carefully.")
	} else {
		wrapTo(b, "  [ ] ", "Nothing is done to the engine within a phase.")
	}
	fmt.Fprintf(b, "\nTime: %s.\n", p.efforts(*s))
	if !o.rehang && o.rotate && o.injectors > 1 {
		wrapTo(b, "", "Tubes: "+p.rotationWords(p.phases[0].Hangings))
	}
	hangings := map[string]int{}
	for _, ph := range p.phases {
		hangings[ph.Name] = ph.Hangings
	}
	var so plan.Sheet // what was done up to here
	var places []int  // of the hanging before
	same := false     // the command but for its figures
	for _, x := range s.Steps {
		switch x.Do {
		case plan.DoTreat:
			fmt.Fprintf(b, "\n%s\n", rule)
			wrapTo(b, "  [ ] ", "BETWEEN THE PHASES: what is to be tried, as its maker says. Note what, how much, date and distance or hours: ________________________________________")
			wrapTo(b, "      ", "('brimline plan dose' reckons a dose.) Distance or hours from here to the next phase: ____________")
		case plan.DoHang:
			fmt.Fprintf(b, "\n%s\nPHASE %s, hanging %d of %d\n", rule, x.Phase, x.Hanging, hangings[x.Phase])
			b.WriteString("      date ____________   clock ________   distance or hours ____________\n")
			same = slices.Equal(places, x.Positions) && x.Hanging > 1
			places = x.Positions
			if same {
				wrapTo(b, "  [ ] ", "Engine stopped, maker's waiting time over. All tubes and hoses off; tubes empty, vents clear; hang them again, each where it was.")
				break
			}
			wrapTo(b, "  [ ] ", "Engine stopped, maker's waiting time over. All tubes and hoses off; tubes empty, vents clear; hang them:")
			p.printPlaces(b, x.Positions)
		case plan.DoWarm:
			if x.Hanging == 1 {
				wrapTo(b, "  [ ] ", fmt.Sprintf("Engine on, warm for %s, returns to the can. Every phase begins at the same fuel temperature.", minutesWords(x.Seconds)))
			} else {
				wrapTo(b, "  [ ] ", fmt.Sprintf("Engine on, %s to settle, returns to the can, to the same fuel temperature.", minutesWords(x.Seconds)))
			}
			if same {
				wrapTo(b, "      ", "Type the same command, with this hanging's temperature and distance or hours.")
			} else {
				wrapTo(b, "      ", p.command(x.Phase, places))
			}
			b.WriteString("                                         drain     fuel   rail    idle  coolant\n")
			b.WriteString("      run   still   collect   still   and empty     °C     bar     rpm     °C\n")
		case plan.DoDrain:
			fmt.Fprintf(b, "  [ ] %3d %5.0f s  %6.0f s  %5.0f s  %6.0f s     _____  _____   _____  ______\n", x.Run, s.Times.StillS, s.Times.RunS, s.Times.StillS, s.Times.DrainS)
		}
		if x.Engine {
			so.EngineS += x.Seconds
		}
		if x.Do == plan.DoDrain && x.Run == p.runs {
			fmt.Fprintf(b, "      Engine stopped; it was on for %.0f minutes up to here.\n", so.EngineS/60)
		}
	}
	fmt.Fprintf(b, "\n%s\n", rule)
	wrapTo(b, "  [ ] ", "Collected fuel to a marked waste can and a licensed collector, or back to the tank only if clean and the maker allows. Return lines back as they were, no leaks; an open return may have let air in: prime as the maker says.")
	wrapTo(b, "  [ ] ", p.afterwards())
}

// printPlaces is which injector each tube takes; sets of more than 16 take a second row.
func (p *planned) printPlaces(b *strings.Builder, positions []int) {
	const row = 16
	for from := 0; from < len(positions); from += row {
		to := min(from+row, len(positions))
		b.WriteString("        tube    ")
		for k := from; k < to; k++ {
			fmt.Fprintf(b, "%4d", k+1)
		}
		b.WriteString("\n        injector")
		for _, i := range positions[from:to] {
			fmt.Fprintf(b, "%4d", i)
		}
		b.WriteString("\n")
	}
}

// command is what is typed for a hanging: its runs are a test of their own.
func (p *planned) command(phase string, places []int) string {
	words := make([]string, len(places))
	for k, i := range places {
		words[k] = strconv.Itoa(i)
	}
	engine := p.engine
	if engine == "" {
		engine = "NAME"
	}
	return fmt.Sprintf("Type: brimline test --config bench.toml --engine %q --phase %s --runs %d --duration %gs --positions %s --fuel-temp ___ --odometer ___", engine, phase, p.runs, p.o.duration.Seconds(), strings.Join(words, ","))
}

// afterwards is what to do with the readings.
func (p *planned) afterwards() string {
	if p.o.rehang {
		return "'brimline plan --rehang --phase rehang --data FOLDER --engine NAME' says what hanging adds, with its degrees of freedom and interval."
	}
	margin := "THE MARGIN ABOVE"
	if p.o.margin > 0 {
		margin = strconv.FormatFloat(p.o.margin, 'g', -1, 64)
	}
	return fmt.Sprintf("'brimline compare TEST TEST ... --data FOLDER --margin %s' with all tests of both phases. The result is a screening comparison, not a diagnosis and not proof that a part or product works or fails.", margin)
}
