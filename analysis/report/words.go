package report

import "strings"

// Finding places one injector in its own set. There is no "pass": a maker's
// limits are not known here.
type Finding string

// The findings, worded as they are shown everywhere.
const (
	NoFinding  Finding = ""
	InLine     Finding = "in line with its set"
	ApartHigh  Finding = "stands apart (high)"
	ApartLow   Finding = "stands apart (low)"
	CannotTell Finding = "cannot tell"
)

var findings = []Finding{NoFinding, InLine, ApartHigh, ApartLow, CannotTell}

func (f Finding) known() bool {
	for _, g := range findings {
		if f == g {
			return true
		}
	}
	return false
}

// Apart reports whether the injector stands apart from its set.
func (f Finding) Apart() bool { return f == ApartHigh || f == ApartLow }

// Mark is one character that tells the findings apart without colour.
func (f Finding) Mark() string {
	switch f {
	case InLine:
		return "●"
	case ApartHigh:
		return "▲"
	case ApartLow:
		return "▼"
	case CannotTell:
		return "?"
	}
	return missing
}

func (f Finding) shape() shape {
	switch f {
	case InLine:
		return disc
	case ApartHigh:
		return up
	case ApartLow:
		return down
	}
	return diamond
}

// Decision is the outcome of a comparison, as it stands in the JSON.
type Decision string

// The decisions.
const (
	Lower              Decision = "lower"
	Higher             Decision = "higher"
	NoMeaningfulChange Decision = "no-meaningful-change"
	CannotTellChange   Decision = "cannot-tell"
)

var decisions = []Decision{Lower, Higher, NoMeaningfulChange, CannotTellChange}

func (d Decision) known() bool { return d.Words() != "" }

// Words returns the decision as it is shown to people; "" for an unknown one.
func (d Decision) Words() string {
	switch d {
	case Lower:
		return "lower"
	case Higher:
		return "higher"
	case NoMeaningfulChange:
		return "no meaningful change"
	case CannotTellChange:
		return "cannot tell yet"
	}
	return ""
}

// severityMeans explains a flag's severity; "" for an unknown one.
func severityMeans(severity string) string {
	switch severity {
	case "note":
		return "worth knowing; the number stands"
	case "doubt":
		return "the number stands, with a caution"
	case "forbids":
		return "no finding may rest on this fill"
	}
	return ""
}

// cautions are the short ones that belong on paper; the safety sheet has them all.
var cautions = []string{
	"Follow the vehicle maker's procedure, local codes and the advice of licensed practice; they come before anything said here.",
	"This is a screening comparison within the set, not a diagnosis, and not proof that a part or product works or fails. A low outlier is as much a finding as a high one.",
	"The rail runs at 200 to 2500 bar. Never loosen or probe a pressure line; wait the maker's time after shut-down. A pinhole in the skin is a surgical emergency even if painless: hospital at once, say \"high-pressure fuel injection\".",
	"The rig connects to the low-pressure return only. A return that holds pressure must not be opened to a tube or bottle. If unsure, stop.",
	"Hot fuel and mist burn, and exhaust kills: gloves and eye cover, no flame, outdoors or with extraction and an alarm.",
	"Return flow also moves with fuel, temperature, pressure and idle speed. Which way deposits or a cleaner should move it is debated in the trade: the change is stated, never called better or worse.",
}

// term is a line of the glossary.
type glossaryLine struct{ Word, Means string }

var glossary = []glossaryLine{
	{"return flow", "fuel an injector sends back to the tank instead of into the cylinder; also called leak-off."},
	{"run", "one timed collection of all tubes at once."},
	{"hanging", "the tubes and hoses as they were put on; taking them off and on again is a new hanging."},
	{"phase", "which side of a comparison a test belongs to, such as baseline or after."},
	{"fill", "one continuous rise of one tube."},
	{"rate", "return flow in mL/min (or g/min) at the fuel's own temperature."},
	{"U (95\u00a0%)", "half width of the interval that holds the true value in 95 of 100 such measurements; U = k u."},
	{"k, df", "coverage factor, and the effective degrees of freedom it comes from: the fewer, the wider."},
	{"ratio to the set", "an injector's rate divided by the typical rate of its own set in the same runs."},
	{"margin", "the smallest change worth caring about, fixed before the data were seen."},
	{"flag", "a named, explained doubt about a fill."},
}

// withUnits keeps a number and the per cent or unit after it on one line.
func withUnits(s string) string {
	return unitBreaks.Replace(s)
}

var unitBreaks = strings.NewReplacer(" %", "\u00a0%", " mL/min", "\u00a0mL/min", " ± ", "\u00a0±\u00a0")
