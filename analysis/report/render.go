package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"sort"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

//go:embed page.html
var pageText string

//go:embed style.css
var styleText string

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{"withUnits": withUnits, "stopped": stopped}).Parse(pageText))

// Render writes the report as one HTML file to w. It checks the report first and
// writes nothing when a part contradicts another; otherwise an error is w's own.
func Render(w io.Writer, r Report) error {
	if err := r.check(); err != nil {
		return err
	}
	var b bytes.Buffer
	if err := pageTemplate.Execute(&b, newView(&r)); err != nil {
		return fmt.Errorf("report: render %q: %w", r.Title, err)
	}
	clean := cleaned(b.Bytes())
	if _, err := w.Write(clean); err != nil {
		return fmt.Errorf("report: write %q (%d bytes): %w; check the free space and that the place can be written to", r.Title, len(clean), err)
	}
	return nil
}

// cleaned takes out what neither HTML nor a printer can take; a label may hold it.
func cleaned(page []byte) []byte {
	return bytes.Map(func(c rune) rune {
		switch {
		case c < ' ' && c != '\t' && c != '\n' && c != '\r', c == 0xFFFE, c == 0xFFFF:
			return utf8.RuneError
		case c >= 0x202A && c <= 0x202E, c >= 0x2066 && c <= 0x2069:
			return utf8.RuneError // direction marks would turn what follows them around
		}
		return c
	}, page)
}

// view is the page's content with every number already written out.
type view struct {
	*Report
	Runs       []Run // by test, then number
	Style      template.CSS
	PageFoot   template.CSS // a quoted string
	Facts      []pair       // the line below the title
	Lead       string
	Next       []string
	NowPhase   string
	NowApart   []nowLine
	NowUnsure  []nowLine
	NowInLine  string
	InLineMark template.HTML
	NowBare    bool // rates without any finding
	Sure       []pair

	Unit       string
	RateGroups []rateGroup
	Pictures   []picture
	FillPanels []picture
	FillHead   string
	FillWithin string // explains the charts within the fills; empty: there are none
	BudgetView *budgetView
	FlagGroups []flagGroup
	Channels   []string
	MapRows    []mapRow
	CalRows    [][]string
	TestRows   [][]string
	EventRows  [][]string
	Methods    []methodView
	Left       []Exclusion
	Cautions   []string
	Glossary   []glossaryLine
	TruthRows  [][]string
	TruthNote  string
}

type pair struct{ Name, Value string }

type nowLine struct {
	Glyph       template.HTML
	Who, What   string
	Rate, Ratio string
}

type rateGroup struct {
	Phase, Says string
	Rows        []rateView
}

type rateView struct {
	Injector, Name     string
	Rate, U            string
	Ratio, K, DF, Runs string
	Finding            string
	Glyph              template.HTML
	Class              string
	Flags              string
}

type picture struct {
	Caption string
	Note    string
	SVG     template.HTML
}

// budgetView has a column for each channel.
type budgetView struct {
	Columns []pair // channel, which fill
	Rows    []budgetRow
	Total   []budgetRow
	Advice  []pair // channels, what would help
}

type budgetRow struct {
	Name, Kind, Says string
	Cells            []string
	Share            string
	Bar              template.HTML
}

type flagGroup struct {
	Code, Severity, Means string
	Lines                 []flagLine
	Do                    string
}

type flagLine struct{ Where, Says, Evidence string }

type mapRow struct {
	Run, Phase, Hanging, At, Lasted string
	Injectors                       []string
	Excluded                        string
}

type methodView struct {
	Of string
	Method
}

func newView(r *Report) *view {
	v := &view{
		Report: r, Style: template.CSS(styleText), Lead: r.Headline[0], Next: r.Headline[1:],
		Unit: r.RateUnit, Cautions: cautions, Glossary: glossary,
	}
	if v.Unit == "" {
		v.Unit = "mL/min"
	}
	v.Runs = r.orderedRuns()
	phases := r.phases()
	v.head()
	v.now(phases)
	v.sure()
	v.rates(phases)
	v.pictures(phases)
	v.fills()
	v.budget()
	v.flags()
	v.positions()
	v.conditions()
	v.methods()
	v.excluded()
	v.truth()
	return v
}

// orderedTests are the tests by time.
func (r *Report) orderedTests() []Test {
	tests := slices.Clone(r.Tests)
	sort.SliceStable(tests, func(i, j int) bool { return tests[i].At.Before(tests[j].At) })
	return tests
}

// orderedRuns are the runs by test and number; those of a test that is not listed
// come last.
func (r *Report) orderedRuns() []Run {
	at := map[string]int{}
	for i, t := range r.orderedTests() {
		at[t.Label] = i - len(r.Tests)
	}
	runs := slices.Clone(r.Runs)
	sort.SliceStable(runs, func(i, j int) bool {
		if a, b := at[runs[i].Test], at[runs[j].Test]; a != b {
			return a < b
		}
		return runs[i].Test == runs[j].Test && runs[i].Number < runs[j].Number
	})
	return runs
}

// phases in the order of their tests, then of their first rate.
func (r *Report) phases() []string {
	tests := r.orderedTests()
	var out []string
	seen := map[string]bool{}
	add := func(p string) {
		if !seen[p] {
			seen[p] = true
			out = append(out, p)
		}
	}
	for _, t := range tests {
		add(t.Phase)
	}
	for _, row := range r.Rates {
		add(row.Phase)
	}
	return out
}

// ratesOf are the rates of one phase, by injector.
func (r *Report) ratesOf(phase string) []RateRow {
	var out []RateRow
	for _, row := range r.Rates {
		if row.Phase == phase {
			out = append(out, row)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Injector < out[j].Injector })
	return out
}

func day(t time.Time) string {
	if t.IsZero() {
		return missing
	}
	return t.Format("2\u00a0January\u00a02006") + unset(t)
}

// unset follows a time that a board showed whose clock was never set.
func unset(t time.Time) string {
	if t.UTC().Year() > 1970 {
		return ""
	}
	return " (clock not set)"
}

func moment(t time.Time) string {
	if t.IsZero() {
		return missing
	}
	return t.Format("2\u00a0January\u00a02006, 15:04\u00a0MST") + unset(t)
}

func orMissing(s string) string {
	if s == "" {
		return missing
	}
	return s
}

// counted writes "1 run", "3 runs".
func counted(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return itoa(n) + " " + one + "s"
}

// noted writes a number that was typed in or read off, with its unit.
func noted(v float64, unit string) string {
	if !usable(v) {
		return missing
	}
	return strings.TrimSuffix(typeset(typed(v))+"\u00a0"+unit, "\u00a0")
}

func (v *view) head() {
	add := func(name, value string) {
		if value != "" {
			v.Facts = append(v.Facts, pair{name, value})
		}
	}
	e := v.Engine
	add("Engine", e.Label)
	if e.Injectors > 0 {
		s := itoa(e.Injectors)
		if e.InjectorType != "" && e.InjectorType != "unknown" {
			s += ", " + e.InjectorType
		}
		add("Injectors", s)
	}
	add("Firing order", e.FiringOrder)
	add("Bench", v.Bench)
	add("Made", moment(v.MadeAt))
	foot := v.Title
	if v.Simulated {
		foot = "Simulated bench: " + foot
	}
	v.PageFoot = template.CSS(cssString(clip(foot, 480, 10)))
}

// cssString quotes s for a style sheet, every character but letters, digits and
// spaces as a number. The template's own quoting will not do: it takes any string
// in a style sheet for an address and blots out one with a colon.
func cssString(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, c := range s {
		if c == ' ' || unicode.IsLetter(c) || unicode.IsDigit(c) {
			b.WriteRune(c)
		} else {
			fmt.Fprintf(&b, `\%06x `, c) // the space ends the number and is not shown
		}
	}
	b.WriteByte('"')
	return b.String()
}

// now answers the workshop: which injector?
func (v *view) now(phases []string) {
	var rows []RateRow
	for i := len(phases) - 1; i >= 0 && len(rows) == 0; i-- {
		v.NowPhase = phases[i]
		rows = v.ratesOf(phases[i])
	}
	if len(rows) == 0 {
		v.NowPhase = ""
		return
	}
	var inLine []string
	bare := true
	for _, r := range rows {
		line := nowLine{
			Glyph: template.HTML(glyph(r.Finding)), Who: "Injector " + itoa(r.Injector), What: string(r.Finding),
			Rate: "no rate",
		}
		if usable(r.Rate) {
			line.Rate = withU(r.Rate, r.U95) + "\u00a0" + v.Unit
		}
		if usable(r.Ratio) {
			line.Ratio = withU(r.Ratio, r.URatio95) + " times its set"
		}
		if r.Name != "" {
			line.Who += " (" + r.Name + ")"
		}
		switch {
		case r.Finding.Apart():
			v.NowApart = append(v.NowApart, line)
		case r.Finding == CannotTell:
			v.NowUnsure = append(v.NowUnsure, line)
		case r.Finding == InLine:
			inLine = append(inLine, itoa(r.Injector))
		}
		bare = bare && r.Finding == NoFinding
	}
	v.NowBare = bare
	v.NowInLine, v.InLineMark = listed(inLine), template.HTML(glyph(InLine))
}

// listed writes "1, 2 and 3".
func listed(s []string) string {
	if len(s) < 2 {
		return strings.Join(s, "")
	}
	return strings.Join(s[:len(s)-1], ", ") + " and " + s[len(s)-1]
}

// sure answers the statistician: how sure, by what model, on what n and df?
func (v *view) sure() {
	add := func(name, value string) { v.Sure = append(v.Sure, pair{name, value}) }
	if c := v.Change; c != nil {
		margin := usable(c.MarginPercent) && c.MarginPercent > 0
		d, p := c.Decision.Words()+"; no margin was set", "no difference: "+pSays(c.P)
		if margin {
			d = c.Decision.Words() + "; margin ±" + typed(c.MarginPercent) + "\u00a0%, fixed beforehand"
			p += "; a change beyond the margin: " + pSays(c.EquivalenceP)
		}
		add("Change of the set", changeSays(c.Percent, c.CI95))
		add("Decision", d)
		add("Model", orMissing(c.Method.Name))
		add("Degrees of freedom", FormatDF(c.DF))
		add("p values", p)
		add("Scope", orMissing(c.Scope))
		if usable(c.DetectablePercent) {
			add("Smallest change detectable", significant(c.DetectablePercent, 2)+"\u00a0%")
		}
	}
	if len(v.Runs) > 0 {
		add("Evidence", v.evidence())
	}
	if len(v.Rates) > 0 {
		add("Rates", v.rateSpan())
	}
	if v.Change == nil {
		add("Model", orMissing(v.RateMethod.Name))
	}
}

func pSays(p float64) string {
	s := FormatP(p)
	if s == missing {
		return "p not known"
	}
	if strings.HasPrefix(s, "<") {
		return "p " + s
	}
	return "p = " + s
}

// evidence counts runs and hangings by phase, excluded runs apart.
func (v *view) evidence() string {
	type count struct {
		runs, excluded int
		hangings       map[string]bool
	}
	counts := map[string]*count{}
	var order []string
	injectors := map[int]bool{}
	for _, r := range v.Runs {
		c := counts[r.Phase]
		if c == nil {
			c = &count{hangings: map[string]bool{}}
			counts[r.Phase] = c
			order = append(order, r.Phase)
		}
		if r.Excluded != "" {
			c.excluded++
			continue
		}
		c.runs++
		c.hangings[fmt.Sprint(r.Test, "\x00", r.Hanging)] = true
		for _, p := range r.Positions {
			injectors[p.Injector] = true
		}
	}
	var parts []string
	for _, p := range order {
		c := counts[p]
		s := fmt.Sprintf("%s: %s in %s", orMissing(p), counted(c.runs, "run"), counted(len(c.hangings), "hanging"))
		if c.excluded > 0 {
			s += fmt.Sprintf(" (and %d left out)", c.excluded)
		}
		parts = append(parts, s)
	}
	s := strings.Join(parts, "; ")
	if len(injectors) > 0 {
		s += "; " + counted(len(injectors), "injector") + " at once"
	}
	return s
}

func (v *view) rateSpan() string {
	lo, hi := math.Inf(1), math.Inf(-1)
	dlo, dhi := math.Inf(1), math.Inf(-1)
	known := false
	for _, r := range v.Rates {
		if usable(r.U95) && r.U95 > 0 {
			lo, hi = math.Min(lo, r.U95), math.Max(hi, r.U95)
		}
		if r.DF >= 0 {
			dlo, dhi, known = math.Min(dlo, r.DF), math.Max(dhi, r.DF), true
		}
	}
	s := "intervals hold 95\u00a0%"
	if lo <= hi {
		_, a := FormatWithU(lo, lo)
		_, b := FormatWithU(hi, hi)
		s += "; U " + a
		if a != b {
			s += " to " + b
		}
		s += " " + v.Unit
	}
	if known {
		a, b := FormatDF(dlo), FormatDF(dhi)
		s += "; df\u00a0" + a
		if a != b {
			s += " to " + b
		}
	}
	return s
}

func (v *view) rates(phases []string) {
	for _, p := range phases {
		rows := v.ratesOf(p)
		if len(rows) == 0 {
			continue
		}
		g := rateGroup{Phase: orMissing(p)}
		var tests []string
		for _, t := range v.Tests {
			if t.Phase == p {
				s := t.Label
				if !t.At.IsZero() {
					s += ", " + day(t.At)
				}
				tests = append(tests, s)
			}
		}
		g.Says = strings.Join(tests, "; ")
		for _, r := range rows {
			rate, u := FormatWithU(r.Rate, r.U95)
			row := rateView{
				Injector: itoa(r.Injector), Name: r.Name, Rate: typeset(rate), U: u,
				Ratio: withU(r.Ratio, r.URatio95), K: missing, DF: FormatDF(r.DF), Runs: missing,
				Finding: orMissing(string(r.Finding)),
			}
			if usable(r.K) && r.K > 0 {
				row.K = significant(r.K, 3)
			}
			if r.Runs > 0 {
				row.Runs = itoa(r.Runs)
			}
			if r.Finding != NoFinding {
				row.Glyph = template.HTML(glyph(r.Finding))
			}
			if r.Finding.Apart() {
				row.Class = "apart"
			}
			var codes []string
			for _, f := range r.Flags {
				c := f.Code + " (" + f.Severity + ")"
				if len(codes) == 0 || codes[len(codes)-1] != c {
					codes = append(codes, c)
				}
			}
			row.Flags = strings.Join(codes, ", ")
			g.Rows = append(g.Rows, row)
		}
		v.RateGroups = append(v.RateGroups, g)
	}
}

func (v *view) pictures(phases []string) {
	add := func(caption, note, svg string) {
		v.Pictures = append(v.Pictures, picture{caption, note, template.HTML(svg)})
	}
	show := phases
	if v.Change != nil && v.NowPhase != "" {
		show = []string{v.NowPhase}
	}
	var shared []float64
	for _, p := range show {
		for _, r := range v.ratesOf(p) {
			shared = append(shared, r.Rate, r.Rate-r.U95, r.Rate+r.U95)
		}
	}
	for i, p := range show {
		if rows := v.ratesOf(p); len(rows) > 0 {
			add("Rate per injector: "+orMissing(p), "A point with its 95\u00a0% interval; the dashed line is the median of the set. ● in line, ▲ high, ▼ low, ◇ cannot tell.",
				rateChart("rate"+itoa(i+1), orMissing(p), v.Unit, rows, shared))
		}
	}
	c := v.Change
	if c == nil {
		return
	}
	before, after := map[int]RateRow{}, map[int]RateRow{}
	injectors := map[int]bool{}
	for _, r := range v.Rates {
		switch r.Phase {
		case c.Before:
			before[r.Injector] = r
		case c.After:
			after[r.Injector] = r
		default:
			continue
		}
		injectors[r.Injector] = true
	}
	var order []int
	for n := range injectors {
		order = append(order, n)
	}
	sort.Ints(order)
	change := map[int]InjectorChange{}
	for _, j := range c.Injectors {
		change[j.Injector] = j
	}
	if len(order) > 0 {
		add("Before and after", "Each injector's two rates with their 95\u00a0% intervals, joined.",
			pairChart("pairs", v.Unit, orMissing(c.Before), orMissing(c.After), order, before, after, change))
	}
	note := "95\u00a0% intervals. The line at zero is no change"
	if usable(c.MarginPercent) && c.MarginPercent > 0 {
		note += "; within the shaded margin a change is too small to matter"
	}
	add("The change against the margin", note+".", changeChart("change", c))
}

func (v *view) fills() {
	scale, strips := newFillScale(v.Runs), newStrips(v.Runs)
	apart := map[string]map[int]Finding{}
	for _, r := range v.Rates {
		if apart[r.Phase] == nil {
			apart[r.Phase] = map[int]Finding{}
		}
		apart[r.Phase][r.Injector] = r.Finding
	}
	for i, run := range v.Runs {
		if len(run.Curves) == 0 {
			continue
		}
		svg, gaps := fillChart("fill"+itoa(i+1), run, scale, apart[run.Phase])
		caption := sentence(runName(run))
		if run.Phase != "" {
			caption += ", " + run.Phase
		}
		if run.Hanging > 0 {
			caption += ", hanging " + itoa(run.Hanging)
		}
		var notes []string
		if run.Excluded != "" {
			notes = append(notes, "Left out: "+run.Excluded)
		}
		const most = 4
		if len(gaps) > most {
			gaps = append(gaps[:most:most], fmt.Sprintf("%d more", len(gaps)-most))
		}
		if len(gaps) > 0 {
			notes = append(notes, strings.Join(gaps, "; "))
		}
		v.FillPanels = append(v.FillPanels, picture{caption, strings.Join(notes, ". "), template.HTML(svg)})
		if within := withinChart("within"+itoa(i+1), run, strips, apart[run.Phase]); within != "" {
			v.FillPanels = append(v.FillPanels, picture{sentence(runName(run)) + ", within the fills", "", template.HTML(within)})
		}
	}
	v.FillHead = "One picture per run, all to the same scale; the number at a curve's end is its injector. " +
		"Onset is marked by a small ring and the end of the fill by a small box; the pale line beneath a curve is its fit. A break in a curve is a gap in its readings."
	if strips.drawn() {
		v.FillWithin = "Beside it, " + strips.says() + " A line that runs along a strip's edge goes beyond it. " +
			"Where a flag names a moment, a small diamond stands on the curve and a dashed line or a shaded stretch in the strips; the letters at a strip's end are the fill's flags: N note, D doubt, F forbids."
	}
}

// stopped makes a sentence of what is said: a capital first, a full stop at the end.
func stopped(s string) string {
	if s = sentence(s); s != "" && !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}

// sentence starts s with a capital where that is a letter.
func sentence(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return strings.ToUpper(string(r)) + s[n:]
}

// budget puts one fill of each channel side by side, every u in per cent of the rate: so
// that channels with more and with less flow can be compared.
func (v *view) budget() {
	out := &budgetView{}
	var used []Budget
	for _, b := range v.Budgets {
		if len(b.Terms) > 0 && usable(b.Rate) && b.Rate != 0 {
			used = append(used, b)
			out.Columns = append(out.Columns, pair{b.Channel, b.Of})
		}
	}
	if len(used) == 0 {
		return
	}
	rows := map[string]*budgetRow{}
	shares := map[string]float64{}
	var order []string
	percent := func(u float64, b Budget) string {
		if !usable(u) {
			return missing
		}
		_, text := FormatWithU(0, 100*u/math.Abs(b.Rate))
		return text
	}
	total := func(name string, of func(Budget) string) {
		row := budgetRow{Name: name}
		for _, b := range used {
			row.Cells = append(row.Cells, of(b))
		}
		out.Total = append(out.Total, row)
	}
	combined := make([]float64, len(used))
	for k, b := range used {
		sum := 0.0
		for _, t := range b.Terms {
			if usable(t.U) {
				sum += t.U * t.U
			}
		}
		if combined[k] = b.U; !usable(b.U) {
			combined[k] = math.Sqrt(sum)
		}
		for _, t := range b.Terms {
			row := rows[t.Name]
			if row == nil {
				row = &budgetRow{Name: t.Name, Kind: t.Kind, Says: t.Says, Cells: slices.Repeat([]string{missing}, len(used))}
				rows[t.Name] = row
				order = append(order, t.Name)
			}
			row.Cells[k] = percent(t.U, b)
			if usable(t.U) && sum > 0 {
				shares[t.Name] += t.U * t.U / sum / float64(len(used))
			}
		}
	}
	sort.SliceStable(order, func(i, j int) bool { return shares[order[i]] > shares[order[j]] })
	for _, name := range order {
		row, share := rows[name], shares[name]
		row.Bar = template.HTML(bar(share))
		if row.Share = fixed(100*share, 0) + "\u00a0%"; share > 0 && share < 0.005 {
			row.Share = "<\u00a01\u00a0%"
		}
		out.Rows = append(out.Rows, *row)
	}
	u := map[string]float64{}
	for k, b := range used {
		u[b.Channel] = combined[k]
	}
	total("combined, u", func(b Budget) string { return percent(u[b.Channel], b) })
	total("effective df", func(b Budget) string { return FormatDF(b.DF) })
	total("coverage factor, k", func(b Budget) string {
		if !usable(b.U95) || !(u[b.Channel] > 0) {
			return missing
		}
		return significant(b.U95/u[b.Channel], 3)
	})
	total("expanded, U (95\u00a0%)", func(b Budget) string { return percent(b.U95, b) })
	total("rate ± U, "+v.Unit, func(b Budget) string { return withU(b.Rate, b.U95) })
	for _, b := range used {
		if b.Advice == "" {
			continue
		}
		if i := slices.IndexFunc(out.Advice, func(p pair) bool { return p.Value == b.Advice }); i >= 0 {
			out.Advice[i].Name += ", " + b.Channel
		} else {
			out.Advice = append(out.Advice, pair{b.Channel, b.Advice})
		}
	}
	v.BudgetView = out
}

// flags gathers what has one code, severity and advice, in order of weight.
func (v *view) flags() {
	type key struct{ code, severity, do string }
	index := map[key]int{}
	said := map[[4]string]bool{}
	add := func(where string, f Flag) {
		if f.Says == "" && f.Do == "" { // named in a row of the table only
			return
		}
		k := key{f.Code, f.Severity, f.Do}
		i, ok := index[k]
		if !ok {
			i = len(v.FlagGroups)
			index[k] = i
			v.FlagGroups = append(v.FlagGroups, flagGroup{Code: f.Code, Severity: f.Severity, Means: severityMeans(f.Severity), Do: f.Do})
		}
		if line := [4]string{f.Code, f.Severity, where, f.Says}; !said[line] {
			said[line] = true
			v.FlagGroups[i].Lines = append(v.FlagGroups[i].Lines, flagLine{where, f.Says, f.Evidence})
		}
	}
	for _, run := range v.Runs {
		for _, f := range run.Flags {
			add(sentence(runName(run))+", all channels", f)
		}
		for _, c := range run.Curves {
			for _, f := range c.Flags {
				if slices.ContainsFunc(run.Flags, func(o Flag) bool { return o.Code == f.Code && o.Says == f.Says }) {
					continue // said of the run
				}
				add(fmt.Sprintf("%s, injector %d on %s", sentence(runName(run)), c.Injector, c.Channel), f)
			}
		}
	}
	for _, r := range v.Rates {
		for _, f := range r.Flags {
			add(fmt.Sprintf("Injector %d, %s", r.Injector, orMissing(r.Phase)), f)
		}
	}
	weight := map[string]int{"forbids": 0, "doubt": 1, "note": 2}
	sort.SliceStable(v.FlagGroups, func(i, j int) bool {
		return weight[v.FlagGroups[i].Severity] < weight[v.FlagGroups[j].Severity]
	})
}

func (v *view) positions() {
	seen := map[string]bool{}
	for _, r := range v.Runs {
		for _, p := range r.Positions {
			if !seen[p.Channel] {
				seen[p.Channel] = true
				v.Channels = append(v.Channels, p.Channel)
			}
		}
	}
	for _, r := range v.Runs {
		row := mapRow{Run: sentence(runName(r)), Phase: orMissing(r.Phase), Hanging: missing, At: moment(r.At), Lasted: missing, Excluded: r.Excluded}
		if r.Hanging > 0 {
			row.Hanging = itoa(r.Hanging)
		}
		if usable(r.DurationS) && r.DurationS > 0 {
			row.Lasted = noted(r.DurationS, "s")
		}
		on := map[string][]string{}
		for _, p := range r.Positions {
			on[p.Channel] = append(on[p.Channel], itoa(p.Injector))
		}
		for _, ch := range v.Channels {
			row.Injectors = append(row.Injectors, orMissing(strings.Join(on[ch], ", ")))
		}
		v.MapRows = append(v.MapRows, row)
	}
}

func (v *view) conditions() {
	unit := v.Engine.DistanceUnit
	for _, t := range v.Tests {
		density := missing
		if d := t.Fuel.DensityGPerML; usable(d) && d > 0 {
			if u := t.Fuel.UDensity; usable(u) && u > 0 {
				density = withU(d, u) + " (standard)"
			} else {
				density = noted(d, "")
			}
		}
		v.TestRows = append(v.TestRows, []string{
			orMissing(t.Label), orMissing(t.Phase), moment(t.At), noted(t.Odometer, unit), orMissing(t.Fuel.Kind), density, noted(t.Fuel.TempC, ""), orMissing(t.Note),
		})
	}
	for _, e := range v.Events {
		amount := missing
		if usable(e.Amount) {
			amount = noted(e.Amount, e.Unit)
		}
		v.EventRows = append(v.EventRows, []string{moment(e.At), noted(e.Odometer, unit), orMissing(e.Kind), orMissing(e.What), amount})
	}
	for _, c := range v.Calibrations {
		v.CalRows = append(v.CalRows, []string{
			c.Channel, day(c.At), withU(c.CountsPerGram, c.UCountsPerGram), withU(c.Zero, c.UZero), FormatDF(c.DF), day(c.Due), orMissing(c.Certificate),
		})
	}
}

func (v *view) methods() {
	if len(v.Rates) > 0 {
		v.Methods = append(v.Methods, methodView{"The rates", v.RateMethod})
	}
	if v.Change != nil {
		v.Methods = append(v.Methods, methodView{"The comparison", v.Change.Method})
	}
}

func (v *view) excluded() {
	for _, r := range v.Runs {
		if r.Excluded != "" {
			v.Left = append(v.Left, Exclusion{sentence(runName(r)), r.Excluded})
		}
	}
	v.Left = append(v.Left, v.Excluded...)
}

func (v *view) truth() {
	if v.Truth == nil {
		return
	}
	rows := map[[2]string]RateRow{}
	for _, r := range v.Rates {
		rows[[2]string{r.Phase, itoa(r.Injector)}] = r
	}
	inside, judged := 0, 0
	for _, t := range v.Truth.Rates {
		r, ok := rows[[2]string{t.Phase, itoa(t.Injector)}]
		measured, holds, true_ := missing, missing, withU(t.Rate, math.NaN())
		if ok {
			measured = withU(r.Rate, r.U95)
			if usable(r.Rate) && usable(r.U95) && usable(t.Rate) {
				s, _ := FormatWithU(t.Rate, r.U95)
				true_ = typeset(s)
				judged++
				if holds = "no"; math.Abs(r.Rate-t.Rate) <= r.U95 {
					holds = "yes"
					inside++
				}
			}
		}
		v.TruthRows = append(v.TruthRows, []string{itoa(t.Injector), orMissing(t.Phase), true_, measured, holds})
	}
	if judged > 0 {
		v.TruthNote = fmt.Sprintf("%d of %d intervals hold the simulator's rate; 95\u00a0%% would be expected in the long run.", inside, judged)
	}
	if c := v.Change; c != nil && usable(v.Truth.ChangePercent) {
		s, _, _ := FormatInterval(v.Truth.ChangePercent, c.CI95[0], c.CI95[1])
		v.TruthNote += fmt.Sprintf(" The set's true change was %s %%; the estimate is %s.", signed(s), changeSays(c.Percent, c.CI95))
	}
}
