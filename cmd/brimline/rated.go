package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"brimline/analysis/curve"
	"brimline/analysis/rate"
	"brimline/analysis/report"
	"brimline/config"
)

const ratesSchema = "brimline/rates/1"

// screenCaution goes below every set of rates.
const screenCaution = "A high or a low return flow has several causes. This is a screen of the injectors against their own set, not a verdict on any of them; the vehicle maker's own procedure and limits decide."

// ratedSet is the rates of a file or a stored test, and what is said of them.
type ratedSet struct {
	source   string
	engine   string // of a stored test
	phase    string
	start    time.Time // wall clock at elapsed zero; zero when not known
	values   int       // readings of a channel, most
	volume   bool      // rates are shown in mL/min
	fits     []fitted
	runFlags map[int][]rate.Flag // by the run's number, 0 for a file: of a run as a whole
	excluded func(run int) bool  // nil: none is
	warnings []string
	limits   config.Limits // the user's own; none unless a config sets them

	// What judge finds.
	members []rate.Member
	own     []ownNote
	finding string
	next    string // what to do now
	allowed bool   // a finding may rest on the data
}

// judge compares the set and words the finding.
func (s *ratedSet) judge() {
	type part struct {
		name string
		x    rate.Fill
	}
	var sound []part
	steady := 0
	for _, f := range s.fits {
		for _, x := range f.Result.Fills {
			if x.Kind == rate.KindFill && x.Allows() && !s.isExcluded(f.Run) {
				sound = append(sound, part{memberName(f), x})
				if x.Steady {
					steady++
				}
			}
		}
	}
	names := s.memberNames()
	defer func() { s.own = s.againstOwnLimits() }()
	if len(names) >= 3 {
		s.judgeSet(len(sound), names)
		return
	}
	s.allowed = len(sound) > 0
	said := func(p part) string {
		r, u := s.shown(p.x)
		v, w := report.FormatWithU(r, u)
		return v + " ± " + w
	}
	switch n := len(sound); {
	case n == 1:
		how := "One steady fill"
		if steady == 0 {
			how = "One fill, not steady"
		}
		s.finding = fmt.Sprintf("%s: %s %s.", how, said(sound[0]), s.unit())
	case n > 1:
		slices.SortStableFunc(sound, func(a, b part) int { return cmp.Compare(a.x.Rate(), b.x.Rate()) })
		low, high := sound[0], sound[n-1]
		how := fmt.Sprintf("%d of them steady", steady)
		if steady == n {
			how = "all steady"
		}
		s.finding = fmt.Sprintf("%d fills, %s: the lowest %s, the highest %s %s.", n, how, said(low), said(high), s.unit())
		if len(names) > 1 {
			s.finding = fmt.Sprintf("%d fills, %s: the lowest %s (%s), the highest %s %s (%s).", n, how, said(low), injectorWord(low.name), said(high), s.unit(), injectorWord(high.name))
		}
	default:
		s.finding, s.next = s.nothingSaid()
	}
}

// nothingSaid words why no rate may be taken.
func (s *ratedSet) nothingSaid() (finding, next string) {
	kinds := map[rate.Kind]int{}
	var drain rate.Fill
	for _, f := range s.fits {
		for _, x := range f.Result.Fills {
			kinds[x.Kind]++
			if x.Kind == rate.KindDrain {
				drain = x
			}
		}
	}
	switch {
	case kinds[rate.KindFill] == 0 && kinds[rate.KindDrain] == 1:
		r, u := s.shown(drain)
		v, w := report.FormatWithU(r, u)
		return fmt.Sprintf("The tube drains: %s ± %s %s. This is no return flow.", v, w, s.unit()), ""
	case kinds[rate.KindFill] == 0 && kinds[rate.KindDrain] > 0:
		return fmt.Sprintf("No fill is found; the tube drains in %d stretches.", kinds[rate.KindDrain]), ""
	case kinds[rate.KindFill] == 0 && s.disturbed():
		return "No rate can be told: the reading moves, but not as a flow moves it.", "Keep hands, hoses and wind off the bench and repeat the run."
	case kinds[rate.KindFill] == 0:
		return "No flow is shown.", "Check that the engine ran, that fuel reached the tubes and that the channels are plugged in."
	}
	return "No rate may be taken from these data: every fill carries a flag that forbids it.", "Mend what the flags name and repeat the run."
}

// disturbed reports whether a reading moves where nothing flows: where a jump says how,
// it stands in place of the flag that only says so.
func (s *ratedSet) disturbed() bool {
	return slices.ContainsFunc(s.fits, func(f fitted) bool {
		return slices.ContainsFunc(f.Result.Fills, func(x rate.Fill) bool { return hasFlag(x, "disturbed") || hasFlag(x, "jump") })
	})
}

func hasFlag(x rate.Fill, code string) bool {
	return slices.ContainsFunc(x.Flags, func(g rate.Flag) bool { return g.Code == code })
}

// judgeSet compares three members or more with each other. Fills of one channel
// are taken as runs in their order; a member that has fewer sound fills than
// another cannot be told.
func (s *ratedSet) judgeSet(sound int, names []string) {
	var ms []rate.Measured
	var twice []string
	if s.fits[0].Run > 0 {
		ms = measured(s.fits, s.isExcluded)
	} else {
		ms, twice = measuredInTurn(s.fits)
	}
	if len(twice) > 0 {
		s.warnings = append(s.warnings, fmt.Sprintf("%s: several fills while other channels had one: the flow stopped, or the tube was touched or emptied; left out of the comparison", strings.Join(twice, ", ")))
	}
	members, err := rate.CompareSet(ms)
	s.members = members
	var missing []string
	for _, n := range names {
		if !slices.ContainsFunc(members, func(m rate.Member) bool { return m.Injector == n }) {
			missing = append(missing, n)
		}
	}
	if err != nil {
		s.finding = "The injectors cannot be compared: " + err.Error() + "."
		s.next = "Mend what the flags name and repeat the run."
		if sound == 0 {
			s.finding, s.next = s.nothingSaid()
		}
		return
	}
	slices.SortFunc(s.members, func(a, b rate.Member) int { return compareNames(a.Injector, b.Injector) })
	s.allowed = len(missing) == 0
	s.finding, s.next = setFinding(s.members, missing, s.dry(missing))
}

// dry is those of names in which no flow is shown, and nothing else is the matter.
func (s *ratedSet) dry(names []string) []string {
	return slices.DeleteFunc(slices.Clone(names), func(n string) bool {
		return slices.ContainsFunc(s.fits, func(f fitted) bool {
			return memberName(f) == n && slices.ContainsFunc(f.Result.Fills, func(x rate.Fill) bool { return !hasFlag(x, "no-flow") })
		})
	})
}

// measuredInTurn takes the fills of a file's channels as runs, in their order in
// time: fills that overlap belong to one run. A channel with two fills in one run has
// no rate for it: it is left out and named in twice.
func measuredInTurn(fits []fitted) (ms []rate.Measured, twice []string) {
	type part struct {
		name string
		x    rate.Fill
	}
	var all []part
	for _, f := range fits {
		for _, x := range f.Result.Fills {
			if x.Kind == rate.KindFill && x.Allows() {
				all = append(all, part{memberName(f), x})
			}
		}
	}
	slices.SortStableFunc(all, func(a, b part) int { return cmp.Compare(a.x.StartS, b.x.StartS) })
	run, end := 0, math.Inf(-1)
	for _, p := range all {
		if p.x.StartS >= end {
			run++
			end = p.x.EndS
		}
		end = max(end, p.x.EndS)
		m := p.x.Measured(p.name, strconv.Itoa(run))
		if slices.ContainsFunc(ms, func(o rate.Measured) bool { return o.Injector == m.Injector && o.Run == m.Run }) && !slices.Contains(twice, m.Injector) {
			twice = append(twice, m.Injector)
		}
		ms = append(ms, m)
	}
	ms = slices.DeleteFunc(ms, func(m rate.Measured) bool { return slices.Contains(twice, m.Injector) })
	return ms, twice
}

// setFinding words what the set's comparison shows and what to do. missing are the
// injectors that were not compared, dry those of them in which no flow is shown.
func setFinding(members []rate.Member, missing, dry []string) (finding, next string) {
	var apart, unsure []string
	limit, most := 0.0, 0.0
	for _, m := range members {
		most = max(most, math.Abs(m.Ratio-1))
		switch m.Standing {
		case rate.ApartHigh, rate.ApartLow:
			apart = append(apart, fmt.Sprintf("%s %s: %s", injectorWord(m.Injector), m.Standing, m.Why))
		case rate.CannotTell:
			unsure = append(unsure, m.Injector)
		default:
			limit = max(limit, m.Limit)
		}
	}
	var b strings.Builder
	switch {
	case len(apart) > 0:
		b.WriteString(upperFirst(strings.Join(apart, "; ")) + ".")
		if len(unsure) == 0 && len(missing) == 0 {
			b.WriteString(" The others are in line with their set.")
		}
		next = "Hang that injector on another tube and repeat: if it stays apart, check its return and have it tested by the maker's procedure."
	case len(unsure) == 0 && len(missing) > 0:
		fmt.Fprintf(&b, "The %d others are in line with each other.", len(members))
	case len(unsure) == 0 && limit > 1:
		fmt.Fprintf(&b, "The %d differ from each other by up to %.0f %%; among so few no injector can be shown to stand apart unless it is many times the others.", len(members), 100*most)
		next = "Keep the result to compare with later; with the whole set on the bench more can be told."
	case len(unsure) == 0:
		fmt.Fprintf(&b, "No injector stands apart from its set of %d; one would have to differ by %.0f %% to be shown.", len(members), 100*limit)
		next = "Compare the rates with the vehicle maker's figures where there are any, and keep the result to compare with later."
	}
	if len(unsure) > 0 {
		first := members[slices.IndexFunc(members, func(m rate.Member) bool { return m.Injector == unsure[0] })]
		fmt.Fprintf(&b, " It cannot be told of %s: %s.", strings.Join(unsure, ", "), first.Why)
		if first.Need != "" {
			fmt.Fprintf(&b, " What would tell: %s.", first.Need)
		}
		if next == "" {
			next = "Repeat the run, each injector on another tube, and look at all runs together."
		}
	}
	if len(dry) > 0 {
		fmt.Fprintf(&b, " No flow is shown in %s while the others ran.", injectorWords(dry))
		if next == "" {
			next = fmt.Sprintf("Look at %s: plug, hose, tube; then repeat: an injector that sends nothing back is a finding too.", injectorWords(dry))
		}
	}
	if rest := slices.DeleteFunc(slices.Clone(missing), func(n string) bool { return slices.Contains(dry, n) }); len(rest) > 0 {
		fmt.Fprintf(&b, " Of %s nothing can be said: see the flags.", injectorWords(rest))
		if next == "" {
			next = "Mend what the flags name and repeat the run."
		}
	}
	return strings.TrimSpace(b.String()), next
}

// injectorWord is a member's name in a sentence: "injector 4", or the column's name.
func injectorWord(name string) string {
	if _, err := strconv.Atoi(name); err == nil {
		return "injector " + name
	}
	return name
}

func injectorWords(names []string) string {
	words := make([]string, len(names))
	for i, n := range names {
		words[i] = injectorWord(n)
	}
	return strings.Join(words, ", ")
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// compareNames orders names by number where both are numbers.
func compareNames(a, b string) int {
	x, errA := strconv.Atoi(a)
	y, errB := strconv.Atoi(b)
	if errA == nil && errB == nil {
		return x - y
	}
	return strings.Compare(a, b)
}

func (s *ratedSet) isExcluded(run int) bool { return s.excluded != nil && s.excluded(run) }

func (s *ratedSet) memberNames() []string {
	var names []string
	for _, f := range s.fits {
		if n := memberName(f); !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	return names
}

func (s *ratedSet) unit() string {
	if s.volume {
		return "mL/min"
	}
	return "g/min"
}

// unitAt is the unit with the temperature that it is at, where one is stated.
func (s *ratedSet) unitAt() string {
	for _, f := range s.fits {
		for _, x := range f.Result.Fills {
			if t := atC(x); s.volume && finite(t) {
				return fmt.Sprintf("%s at %g °C", s.unit(), t)
			}
		}
	}
	return s.unit()
}

// atC is the temperature of a fill's millilitres, °C; NaN when it has none or it is not
// known.
func atC(x rate.Fill) float64 {
	if !finite(x.RateMLPerMin) {
		return math.NaN()
	}
	return x.AtC
}

// shown is a fill's rate and U95 in the unit that is shown.
func (s *ratedSet) shown(x rate.Fill) (r, u95 float64) {
	if s.volume {
		return x.RateMLPerMin, x.U95MLPerMin
	}
	return x.RateGPerMin, x.U95
}

// perMeasured is the factor from the unit that rates were measured in to the one
// shown: one over the density, which is the same for every fill of a set. With level
// senders among them they were compared in mL/min.
func (s *ratedSet) perMeasured() float64 {
	for _, f := range s.fits {
		if x := f.Result.Fills; len(x) > 0 && f.Curve.Unit == curve.Millilitre && f.fill().Allows() && !s.isExcluded(f.Run) {
			return 1
		}
	}
	for _, f := range s.fits {
		for _, x := range f.Result.Fills {
			if r, _ := s.shown(x); x.Rate() != 0 && !math.IsNaN(r) {
				return r / x.Rate()
			}
		}
	}
	return 1
}
