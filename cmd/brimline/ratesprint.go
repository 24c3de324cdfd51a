package main

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"brimline/analysis/rate"
	"brimline/analysis/report"
)

// print writes the set for a person: the finding and what to do first, then the set, each
// fill, the flags explained and, if asked for, where each uncertainty comes from.
func (s *ratedSet) print(w io.Writer, budget bool) error {
	var b strings.Builder
	head := s.source
	if s.engine != "" {
		head = fmt.Sprintf("%s, %s (%s)", s.engine, s.source, s.phase)
	}
	fmt.Fprintf(&b, "%s: %s, up to %d readings each\n\n", head, counted(len(s.memberNames()), "channel"), s.values)
	wrapTo(&b, "", s.finding)
	if s.next != "" {
		wrapTo(&b, "", "Now: "+s.next)
	}
	for _, n := range s.own {
		wrapTo(&b, "", fmt.Sprintf("%s: %s.", upperFirst(injectorWord(n.Injector)), n.Says))
	}
	if len(s.members) > 0 {
		b.WriteString("\n")
		s.printMembers(&b)
	}
	b.WriteString("\n")
	s.printFills(&b)
	s.printFlags(&b)
	if budget {
		s.printBudgets(&b)
	} else {
		s.printAdvice(&b)
	}
	if len(s.warnings) > 0 {
		b.WriteString("\nDoubts about the input\n")
		for _, x := range s.warnings {
			wrapTo(&b, "  - ", x+".")
		}
	}
	b.WriteString("\n")
	method := rateMethodLine
	if slices.ContainsFunc(s.fits, func(f fitted) bool { return !f.Day.IsZero() }) {
		method = handMethodLine
	}
	wrapTo(&b, "", "± is U, the half width of a 95 % interval: U = k u, with k for the degrees of freedom df. "+method)
	wrapTo(&b, "", "Caution: "+screenCaution)
	_, err := io.WriteString(w, b.String())
	return err
}

const rateMethodLine = "Rates: generalised least squares of a line under white noise and random walk; calibration, drift, density and the rest added by the GUM (--budget shows each)."

const handMethodLine = "Rates: as read by eye; ± of a reading from the u_ml that was noted with it, of a mean from how its runs differ."

// tableTo writes rows of cells in columns behind lead, without spaces at the ends of
// lines.
func tableTo(b *strings.Builder, lead string, rows [][]string) {
	var text strings.Builder
	t := tabwriter.NewWriter(&text, 0, 0, 2, ' ', 0)
	for _, r := range rows {
		fmt.Fprintln(t, lead+strings.Join(r, "\t"))
	}
	t.Flush()
	for line := range strings.Lines(text.String()) {
		b.WriteString(strings.TrimRight(line, " \n") + "\n")
	}
}

// withU is "9.75 ± 0.22".
func withU(x, u float64) string {
	v, w := report.FormatWithU(x, u)
	return v + " ± " + w
}

func (s *ratedSet) printMembers(b *strings.Builder) {
	fmt.Fprintf(b, "Each against the others, %s\n", s.unitAt())
	title := "channel"
	if s.fits[0].Injector > 0 {
		title = "injector"
	}
	rows := [][]string{{title, "mean rate", "ratio", "runs"}}
	scale := s.perMeasured()
	for _, m := range s.members {
		rows = append(rows, []string{m.Injector, withU(m.Mean*scale, m.U95*scale), withU(m.Ratio, m.RatioU95), fmt.Sprint(m.Runs), string(m.Standing)})
	}
	tableTo(b, "  ", rows)
}

func (s *ratedSet) printFills(b *strings.Builder) {
	fmt.Fprintf(b, "Each fill, %s\n", s.unitAt())
	stored := s.fits[0].Run > 0
	rows := [][]string{{"channel", "from, s", "to, s", "what", "rate", "k", "df", "flags"}}
	if stored {
		rows = [][]string{{"run", "injector", "tube", "from, s", "to, s", "rate", "k", "df", "flags"}}
	}
	row := func(f fitted, from, to float64, what string, cells ...string) {
		lead := []string{f.Curve.Channel, secondsText(from), secondsText(to), what}
		if stored {
			lead = []string{fmt.Sprint(f.Run), fmt.Sprint(f.Injector), f.fill().Channel, secondsText(from), secondsText(to)}
		}
		rows = append(rows, append(lead, cells...))
	}
	for _, f := range s.fits {
		for _, x := range f.Result.Fills {
			r, u := s.shown(x)
			k, df := s.factor(x)
			row(f, x.StartS, x.EndS, string(x.Kind), withU(r, u), k, report.FormatDF(df), s.worst(f, x))
		}
		for _, e := range f.Result.Events {
			size := fmt.Sprintf("%.0f s without a reading", e.EndS-e.StartS)
			if e.Size > 0 {
				size = fmt.Sprintf("%s %s away", plainText(e.Size, 4), f.Curve.Unit)
			}
			if stored {
				size = e.Kind + ": " + size
			}
			row(f, e.StartS, e.EndS, e.Kind, size)
		}
	}
	tableTo(b, "  ", rows)
}

// factor is k, written out, and the degrees of freedom of what shown gives.
func (s *ratedSet) factor(x rate.Fill) (k string, df float64) {
	df = x.DF
	if s.volume {
		df = x.DFMLPerMin
	}
	if _, u95 := s.shown(x); !finite(u95) || !(df > 0) {
		return "–", math.NaN()
	}
	return fmt.Sprintf("%.2f", rate.Coverage95(df)), df
}

// worst is what the table says of a fill's flags: the gravest; they are explained below.
func (s *ratedSet) worst(f fitted, x rate.Fill) string {
	var says []string
	if s.isExcluded(f.Run) {
		says = append(says, "left out")
	}
	if len(x.Flags) > 0 {
		g := slices.MaxFunc(x.Flags, func(a, b rate.Flag) int { return cmp.Compare(a.Severity, b.Severity) })
		says = append(says, g.Severity.String())
	}
	return strings.Join(says, ", ")
}

// secondsText is a time within a run; a hand reading's need not be noted.
func secondsText(s float64) string {
	if math.IsNaN(s) {
		return "–"
	}
	return fmt.Sprintf("%.1f", s)
}

// severityMeans is what a flag's severity takes from a fill.
var severityMeans = map[rate.Severity]string{
	rate.Forbids: "no finding may rest on the fill",
	rate.Doubt:   "the number stands, with a caution",
	rate.Note:    "worth knowing; the number stands",
}

// flagOn is a flag and what it is on, in words.
type flagOn struct {
	rate.Flag
	where string
}

// flagsOf is every flag once, the gravest first, flags of one code and one advice
// together: what is said of a run as a whole, or in the same words of several of a run's
// channels, stands as one.
func (s *ratedSet) flagsOf() []flagOn {
	var out []flagOn
	runs := map[int]int{} // channels of each
	for _, f := range s.fits {
		runs[f.Run]++
	}
	for _, run := range slices.Sorted(maps.Keys(s.runFlags)) {
		where := "all channels"
		if run > 0 {
			where = fmt.Sprintf("run %d, all channels", run)
		}
		for _, g := range s.runFlags[run] {
			out = append(out, flagOn{g, where})
		}
	}
	type said struct {
		run            int
		code, says, do string
		rate.Severity
	}
	var order []said
	on := map[said][]fitted{}
	fills := map[said][]rate.Fill{}
	flags := map[said]rate.Flag{}
	for _, f := range s.fits {
		for _, x := range f.Result.Fills {
			for _, g := range x.Flags {
				if slices.ContainsFunc(s.runFlags[f.Run], func(o rate.Flag) bool { return o.Code == g.Code && o.Says == g.Says }) {
					continue // said of the run
				}
				k := said{f.Run, g.Code, g.Says, g.Do, g.Severity}
				if _, known := flags[k]; !known {
					order = append(order, k)
					flags[k] = g
				}
				on[k], fills[k] = append(on[k], f), append(fills[k], x)
			}
		}
	}
	for _, k := range order {
		out = append(out, flagOn{flags[k], whereOf(on[k], fills[k], len(on[k]) > 1 && len(on[k]) == runs[k.run])})
	}
	first := map[[2]string]int{}
	for i, g := range out {
		if _, known := first[[2]string{g.Code, g.Do}]; !known {
			first[[2]string{g.Code, g.Do}] = i
		}
	}
	slices.SortStableFunc(out, func(a, b flagOn) int {
		return cmp.Or(cmp.Compare(b.Severity, a.Severity), cmp.Compare(first[[2]string{a.Code, a.Do}], first[[2]string{b.Code, b.Do}]))
	})
	return out
}

// whereOf names the fills that a flag is on, all of one run.
func whereOf(fits []fitted, fills []rate.Fill, all bool) string {
	lead := ""
	if fits[0].Run > 0 {
		lead = fmt.Sprintf("run %d, ", fits[0].Run)
	}
	if all {
		return lead + "all channels"
	}
	var names []string
	for i, f := range fits {
		x := fills[i]
		switch {
		case f.Run > 0 && len(fits) == 1:
			names = append(names, fmt.Sprintf("injector %d on %s", f.Injector, x.Channel))
		case f.Run > 0:
			names = append(names, fmt.Sprintf("%d on %s", f.Injector, x.Channel))
		case len(f.Result.Fills) > 1 && finite(x.StartS):
			names = append(names, fmt.Sprintf("%s at %.0f s", x.Channel, x.StartS))
		default:
			names = append(names, x.Channel)
		}
	}
	if f := fits[0]; f.Run > 0 && len(fits) > 1 {
		lead += "injectors "
	}
	return lead + strings.Join(names, ", ")
}

// printFlags explains each flag once: what was seen and where, how big, how sure, and
// what to do about it.
func (s *ratedSet) printFlags(b *strings.Builder) {
	flags := s.flagsOf()
	if len(flags) > 0 {
		b.WriteString("\nFlags\n")
	}
	alike := 0 // of one code, advice and severity, up to this one
	for i, g := range flags {
		if i == 0 || flags[i-1].Severity != g.Severity {
			fmt.Fprintf(b, "  %s: %s\n", g.Severity, severityMeans[g.Severity])
		}
		if alike++; alike <= mostAlike {
			wrapTo(b, "  - ", fmt.Sprintf("%s, %s: %s.", g.Code, g.where, g.Says))
			if e := evidenceText(g.Evidence); e != "" {
				wrapTo(b, "    ", "Evidence: "+e+".")
			}
		}
		last := i == len(flags)-1 || flags[i+1].Code != g.Code || flags[i+1].Do != g.Do || flags[i+1].Severity != g.Severity
		if last && alike > mostAlike {
			wrapTo(b, "  - ", fmt.Sprintf("%s, %d more like these: --json has each.", g.Code, alike-mostAlike))
		}
		if last {
			alike = 0
		}
		if g.Do != "" && last {
			wrapTo(b, "    ", "Do: "+g.Do+".")
		}
	}
}

// mostAlike is how many flags of one code are told one by one: a tank's log of days has
// hundreds, and a run of twelve tubes may have one on each.
const mostAlike = 12

// evidenceText is what a flag rests on: how big, when, how sure; empty without evidence.
func evidenceText(e rate.Evidence) string {
	if !seen(e) {
		return ""
	}
	var says []string
	what := ""
	if finite(e.Size) {
		if u := rate.Coverage95(math.Inf(1)) * e.U; u > 0 && finite(u) {
			what = withU(e.Size, u)
		} else {
			what = plainText(e.Size, 3)
		}
		what = strings.TrimSpace(what + " " + e.Unit)
	}
	switch {
	case !finite(e.FromS) || !finite(e.ToS):
	case secondsText(e.FromS) == secondsText(e.ToS): // a moment, as it is shown
		what += fmt.Sprintf(" at %.1f s", (e.FromS+e.ToS)/2)
	default:
		what += fmt.Sprintf(" from %.1f to %.1f s", e.FromS, e.ToS)
	}
	if what != "" {
		says = append(says, strings.TrimSpace(what))
	}
	if e.Chance >= 0 && e.Chance <= 1 {
		says = append(says, "noise alone shows as much in "+chanceText(e.Chance))
	}
	return strings.Join(says, "; ")
}

// seen reports whether a flag carries evidence in numbers.
func seen(e rate.Evidence) bool { return finite(e.Size) || finite(e.FromS) || finite(e.Chance) }

// plainText writes x to some significant digits and never as a power of ten.
func plainText(x float64, digits int) string {
	if a := math.Abs(x); a >= 1e-4 && a < 1e15 {
		if rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'e', digits-1, 64), 64); err == nil {
			x = rounded
		}
		return strconv.FormatFloat(x, 'f', -1, 64)
	}
	return strconv.FormatFloat(x, 'g', digits, 64)
}

// chanceText is a chance in words: "1 of 20 000 fills".
func chanceText(p float64) string {
	switch {
	case p < 1e-6:
		return "fewer than 1 of a million fills"
	case p >= 0.095:
		return fmt.Sprintf("%.0f of 100 fills", 100*p)
	}
	n := 1 / p
	pow := math.Pow(10, math.Floor(math.Log10(n)))
	text := fmt.Sprintf("%.0f", math.Round(n/pow)*pow)
	for i := len(text) - 3; i > 0 && len(text) > 4; i -= 3 {
		text = text[:i] + " " + text[i:]
	}
	return "1 of " + text + " fills"
}

// budgetOf is the unit of a fill's budget, and u, df and U95 that it adds up to.
func budgetOf(x rate.Fill) (unit string, r, u, df, u95 float64) {
	if finite(x.UMLPerMin) {
		return "mL/min", x.RateMLPerMin, x.UMLPerMin, x.DFMLPerMin, x.U95MLPerMin
	}
	return string(x.Unit) + "/min", x.Rate(), x.U, x.DF, x.U95
}

// shareOf is a term's part of the sum of squares.
func shareOf(t rate.Term, terms []rate.Term) float64 {
	sum := 0.0
	for _, o := range terms {
		sum += o.U * o.U
	}
	return t.U * t.U / sum
}

// printBudgets shows what the uncertainty of each fill is made of.
func (s *ratedSet) printBudgets(b *strings.Builder) {
	b.WriteString("\nWhere U comes from: u is a standard uncertainty, its share is of the sum of\nsquares; kind A is estimated from readings, B from what else is known\n")
	for _, f := range s.fits {
		for _, x := range f.Result.Fills {
			if len(x.Budget) == 0 {
				continue
			}
			unit, r, u, df, u95 := budgetOf(x)
			b.WriteString("\n")
			wrapTo(b, "  ", fmt.Sprintf("%s: %s %s", whereOf([]fitted{f}, []rate.Fill{x}, false), withU(r, u95), unit))
			rows := [][]string{{"term", "kind", "u, " + unit, "df", "share", "from"}}
			for _, t := range x.Budget {
				row := []string{t.Name, t.Kind, uText(t.U), report.FormatDF(t.DF), percentText(shareOf(t, x.Budget))}
				for _, line := range wrapped(t.Basis, 28) {
					rows = append(rows, append(row, line))
					row = make([]string, 5)
				}
			}
			rows = append(rows, []string{"combined", "", uText(u), report.FormatDF(df), fmt.Sprintf("k %.2f, U %s", u95/u, uText(u95))})
			tableTo(b, "    ", rows)
			if a := adviceOn(x); a != "" {
				wrapTo(b, "    ", upperFirst(a)+".")
			}
		}
	}
}

// wrapped cuts text into lines of up to width characters, at least one.
func wrapped(text string, width int) []string {
	lines := []string{""}
	for _, word := range strings.Fields(text) {
		last := &lines[len(lines)-1]
		switch {
		case *last == "":
			*last = word
		case len([]rune(*last))+1+len([]rune(word)) <= width:
			*last += " " + word
		default:
			lines = append(lines, word)
		}
	}
	return lines
}

func uText(u float64) string {
	_, text := report.FormatWithU(u, u)
	return text
}

func percentText(part float64) string {
	switch {
	case !finite(part):
		return "–"
	case part > 0 && part < 0.005:
		return "< 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*part)
}

// adviceOn is what would make a fill's U smaller: nothing where no finding may rest on the
// fill, for then another run is needed, not a longer one.
func adviceOn(x rate.Fill) string {
	if x.Kind != rate.KindFill || !x.Allows() {
		return ""
	}
	return x.Advice
}

// printAdvice says what would narrow the intervals: of each channel what its widest one
// needs, and where several need the same, once.
func (s *ratedSet) printAdvice(b *strings.Builder) {
	type widest struct {
		f   fitted
		x   rate.Fill
		u95 float64
	}
	var channels, order []string
	of := map[string]widest{}
	for _, f := range s.fits {
		for _, x := range f.Result.Fills {
			if _, u95 := s.shown(x); adviceOn(x) != "" && !s.isExcluded(f.Run) && u95 > of[x.Channel].u95 {
				if of[x.Channel].u95 == 0 {
					channels = append(channels, x.Channel)
				}
				of[x.Channel] = widest{f, x, u95}
			}
		}
	}
	if len(channels) == 0 {
		return
	}
	on := map[string][]string{}
	for _, c := range channels {
		w := of[c]
		name := c
		if w.f.Run == 0 {
			name = whereOf([]fitted{w.f}, []rate.Fill{w.x}, false)
		}
		if on[w.x.Advice] == nil {
			order = append(order, w.x.Advice)
		}
		on[w.x.Advice] = append(on[w.x.Advice], name)
	}
	b.WriteString("\nTo know the rates better\n")
	for _, a := range order {
		wrapTo(b, "  - ", fmt.Sprintf("%s: %s.", strings.Join(on[a], ", "), a))
	}
}
