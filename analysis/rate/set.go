package rate

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"brimline/analysis/curve"
)

// Measured is one injector's rate in one run, as the comparison within a set
// takes it.
type Measured struct {
	Injector string
	Run      string  // rates of one run share the engine's state: they are compared with each other only
	Rate     float64 // any unit, the same for all
	U        float64 // standard uncertainty of what is the channel's own (fit, calibration, drift), same unit
	DF       float64 // degrees of freedom of U; 0 stands for infinitely many

	Tube   string  // that it ran into; runs into one tube share its calibration
	UTube  float64 // the part of U that they share, same unit
	DFTube float64 // degrees of freedom of UTube; 0 stands for infinitely many
	UAll   float64 // what all rates of the set share beside U, such as the density, same unit
	UFit   float64 // the part of U that a longer run makes smaller, same unit
}

// Measured is the fill as the comparison within a set takes it.
func (f Fill) Measured(injector, run string) Measured {
	m := Measured{Injector: injector, Run: run, Rate: f.Rate(), Tube: f.Channel}
	scale := 1.0 // from the budget's unit, which is mL/min where a density is known
	if f.Unit == curve.Gram && finite(f.RateMLPerMin) && f.RateMLPerMin != 0 {
		scale = f.Rate() / f.RateMLPerMin
	}
	own := make([]Term, 0, len(f.Budget))
	for _, t := range f.Budget {
		t.U *= scale
		switch t.Name {
		case termDensity, termTemperature, termBuoyancy, termTime: // one fuel, one air, one clock
			m.UAll = math.Hypot(m.UAll, t.U)
			continue
		case termCalibration:
			m.UTube, m.DFTube = t.U, t.DF
		case termFit:
			m.UFit = t.U
		}
		own = append(own, t)
	}
	m.U, m.DF = f.U, f.DF
	if len(own) > 0 {
		m.U, m.DF = welchSatterthwaite(own)
	}
	return m
}

// Standing is where an injector stands in its set.
type Standing string

// The standings.
const (
	InLine     Standing = "in line with its set"
	ApartHigh  Standing = "stands apart (high)"
	ApartLow   Standing = "stands apart (low)"
	CannotTell Standing = "cannot tell"
)

// Member is one injector compared with the others of its set.
type Member struct {
	Injector string
	Runs     int
	Mean     float64 // of its rates over the runs
	U95      float64 // half width of the mean's 95 % interval, run-to-run scatter and UAll included; of the measurement alone with one run
	DF       float64
	Ratio    float64 // to the geometric mean of the others in the same runs
	RatioU95 float64 // half width of its 95 % interval
	RatioDF  float64
	Limit    float64 // relative difference beyond which it would stand apart in this set: 0.3 is 30 %
	P        float64 // chance of standing so far off in a set of equals, corrected for looking at all
	Standing Standing
	Why      string // one clause: what the standing rests on
	Need     string // one sentence, where it cannot be told: what would tell, and how much it brings
}

// Choices of the comparison within a set.
const (
	// setSpread is the least relative spread a set of equals is taken to have: healthy
	// sets differ by 10-30 % between their extremes (estimate, no source), so a
	// few percent never make an injector stand apart however well they are measured.
	setSpread = 0.05
	setLevel  = 0.05 // of the whole set
	// wideSpread is where the others differ so much among themselves that none can be
	// said to be in line: twice the standard deviation of a healthy set at its widest.
	wideSpread = 0.20
	// wideLimit is the log ratio beyond which a limit says nothing: a set of three allows
	// any ratio. A member further off than wideSpread is then not called in line.
	wideLimit = 0.5
	fewestSet = 3
)

// ErrSmallSet is returned when there are too few injectors to compare.
var ErrSmallSet = errors.New("too few injectors to compare with each other")

// CompareSet compares each injector with its set. In each run the ratio of an
// injector to the geometric mean of the others is taken, so that what moves the
// whole engine drops out; the ratios of several runs are averaged as logarithms.
//
// An injector stands apart when its mean log rate lies further from the others'
// than a set with their spread would put it: the externally studentized deviation
// with n-2 degrees of freedom (Cook & Weisberg 1982, Residuals and Influence in
// Regression, ch. 2), Bonferroni over the n injectors. The one furthest off is
// looked at first and, if it stands apart, taken out of the set before the next is:
// one bad injector must not hide in the spread that it makes, nor pull the others'
// ratios. It cannot be told where the measurement itself is too uncertain, or where the
// rest of the set is spread too wide.
//
// The uncertainty of a mean or a ratio over the runs is the scatter of the runs or, if
// that is more, what each run's own uncertainty lets expect, and beside it what the
// runs share: a tube's calibration does not average out over runs into that tube.
//
// Only injectors found in every run are compared; every rate must be positive.
func CompareSet(all []Measured) ([]Member, error) {
	s, err := newSet(all)
	if err != nil {
		return nil, err
	}
	out := make([]Member, len(s.names))
	core := make([]int, len(s.names)) // who is not apart
	for i := range core {
		core[i] = i
	}
	for {
		far := -1
		for _, i := range core {
			out[i] = s.member(i, core)
			if out[i].apart() && (far < 0 || out[i].P < out[far].P) {
				far = i
			}
		}
		if far < 0 || len(core) == fewestSet {
			break
		}
		core = slices.DeleteFunc(core, func(i int) bool { return i == far })
	}
	// Those taken out are compared with the set that stayed.
	for i := range out {
		if !slices.Contains(core, i) {
			p := out[i].P
			out[i] = s.member(i, core)
			out[i].P = p
		}
	}
	return out, nil
}

func (m Member) apart() bool { return m.Standing == ApartHigh || m.Standing == ApartLow }

// rateSet is the log rates of a set, injector by run.
type rateSet struct {
	names []string
	logs  [][]float64
	at    [][]Measured
	means []float64
}

func newSet(all []Measured) (rateSet, error) {
	var s rateSet
	var runs []string
	at := map[[2]string]Measured{}
	for _, m := range all {
		if !(m.Rate > 0) || math.IsInf(m.Rate, 0) {
			return s, fmt.Errorf("injector %s in run %s: rate %g is not above zero: leave it out of the set", m.Injector, m.Run, m.Rate)
		}
		k := [2]string{m.Injector, m.Run}
		if _, twice := at[k]; twice {
			return s, fmt.Errorf("injector %s appears twice in run %s", m.Injector, m.Run)
		}
		at[k] = m
		if !slices.Contains(s.names, m.Injector) {
			s.names = append(s.names, m.Injector)
		}
		if !slices.Contains(runs, m.Run) {
			runs = append(runs, m.Run)
		}
	}
	s.names = slices.DeleteFunc(s.names, func(n string) bool {
		return slices.ContainsFunc(runs, func(r string) bool { _, ok := at[[2]string{n, r}]; return !ok })
	})
	if len(s.names) < fewestSet {
		return s, fmt.Errorf("%w: %d with a usable rate in every run, at least %d are needed", ErrSmallSet, len(s.names), fewestSet)
	}
	for _, name := range s.names {
		logs, rates := make([]float64, len(runs)), make([]Measured, len(runs))
		for k, r := range runs {
			rates[k] = at[[2]string{name, r}]
			logs[k] = math.Log(rates[k].Rate)
		}
		s.logs, s.at = append(s.logs, logs), append(s.at, rates)
		s.means = append(s.means, stat.Mean(logs, nil))
	}
	return s, nil
}

// member compares injector i with the others in core.
func (s rateSet) member(i int, core []int) Member {
	core = slices.DeleteFunc(slices.Clone(core), func(j int) bool { return j == i })
	nr, no := len(s.logs[i]), float64(len(core))
	ratios, rates := make([]float64, nr), make([]float64, nr)
	all := 0.0
	for k := range nr {
		ratios[k], rates[k] = s.logs[i][k], s.at[i][k].Rate
		for _, j := range core {
			ratios[k] -= s.logs[j][k] / no
		}
		all += s.at[i][k].UAll / s.at[i][k].Rate / float64(nr)
	}
	ratio, mean := stat.Mean(ratios, nil), stat.Mean(rates, nil)
	m := Member{Injector: s.names[i], Runs: nr, Mean: mean, Ratio: math.Exp(ratio)}
	rel := make([]float64, nr)
	for k := range rel {
		rel[k] = rates[k] / mean
	}
	var u float64
	u, m.DF = s.ofMean(rel, i, nil, all)
	m.U95 = Coverage95(m.DF) * m.Mean * u
	u, m.RatioDF = s.ofMean(ratios, i, core, 0)
	m.RatioU95 = m.Ratio * Coverage95(m.RatioDF) * u
	others := make([]float64, len(core))
	for k, j := range core {
		others[k] = s.means[j]
	}
	m.judge(ratio, m.RatioU95/m.Ratio, others)
	if m.Standing == CannotTell {
		m.Need = s.need(i, core, ratio, ratios, others)
	}
	return m
}

// need is what would tell where injector i stands, and how much it brings.
func (s rateSet) need(i int, core []int, ratio float64, ratios, others []float64) string {
	half := func(s rateSet, x []float64) float64 {
		u, df := s.ofMean(x, i, core, 0)
		return Coverage95(df) * u
	}
	now := half(s, ratios)
	spread := max(stat.StdDev(others, nil), setSpread)
	limit := limitOf(spread, float64(len(others)+1))
	switch {
	case spread > wideSpread:
		return fmt.Sprintf("more runs of these do not help, for it is the others that differ, by %.0f %%: measure them beside one that is known, or go by the maker's figures", 100*spread)
	case !(math.Abs(ratio)+now > limit && now > spread):
		const six = 6 // of the usual larger engine
		if n := float64(len(others) + 1); n < six {
			return fmt.Sprintf("more injectors on the bench at once: among %d of this spread one that is %.0f %% off can be shown, among %d only one that is many times the others", six, 100*math.Expm1(limitOf(spread, six)), int(n))
		}
		return ""
	}
	enough := spread
	if math.Abs(ratio) < limit {
		enough = max(enough, limit-math.Abs(ratio))
	} else {
		enough = math.Abs(ratio)
	}
	var best string
	left := now
	better := func(h float64, format string, a ...any) {
		if h < 0.95*left {
			left = h
			best = fmt.Sprintf(format, a...) + fmt.Sprintf(" would bring it from %s to %s %%", sig2(100*now), sig2(100*h))
			if h <= enough {
				best += ", which is enough"
			}
		}
	}
	// The tube whose calibration weighs most, calibrated as well as it can be.
	tubes := map[string]float64{}
	for k := range ratios {
		tubes[s.at[i][k].Tube] += s.at[i][k].UTube / s.at[i][k].Rate / float64(len(ratios))
		for _, j := range core {
			tubes[s.at[j][k].Tube] += s.at[j][k].UTube / s.at[j][k].Rate / float64(len(ratios)*len(core))
		}
	}
	worst := ""
	for t, u := range tubes {
		if worst == "" || u > tubes[worst] || u == tubes[worst] && t < worst {
			worst = t
		}
	}
	if worst != "" && tubes[worst] > 0 {
		better(half(s.with(func(m Measured) Measured {
			if m.Tube == worst && m.UTube > calibratedRelU*m.Rate {
				m.U = math.Hypot(math.Sqrt(max(m.U*m.U-m.UTube*m.UTube, 0)), calibratedRelU*m.Rate)
				m.UTube, m.DFTube = calibratedRelU*m.Rate, 0
			}
			return m
		}), ratios), "calibrating %s", worst)
	}
	// The same runs once more, each injector into the next one's tube: it needs no masses.
	hanging := fmt.Sprintf("another hanging of %s, each injector into the next one's tube,", counted(len(ratios), "run"))
	hung := math.Inf(1)
	if moved, ok := s.onOtherTubes(); ok {
		if hung = half(moved, slices.Concat(ratios, ratios)); left > enough {
			better(hung, "%s", hanging)
		}
	}
	// Twice as long, counted as under a random walk: under white noise it brings more.
	better(half(s.with(func(m Measured) Measured {
		m.U = math.Sqrt(max(m.U*m.U-m.UFit*m.UFit/2, m.UTube*m.UTube))
		return m
	}), ratios), "runs twice as long")
	// More runs: each as those that there are, on the same tubes.
	if left > enough {
		for more := 1; more <= mostRuns; more++ {
			long := s.repeated(more)
			x := make([]float64, 0, len(ratios)+more)
			x = append(x, ratios...)
			// The scatter stays what it was: the new ones are one standard deviation off, up and down.
			sd := 0.0
			if len(ratios) > 1 {
				sd = stat.StdDev(ratios, nil)
			}
			for k := range more {
				x = append(x, ratio+sd*float64(1-2*(k%2)))
			}
			h := half(long, x)
			if h <= enough || more == mostRuns {
				better(h, "%s", counted(more, "more run"))
				break
			}
		}
	}
	if best == "" {
		return fmt.Sprintf("neither longer runs nor %d more of them nor a calibration would bring it much below %s %%: look at what the flags say", mostRuns, sig2(100*now))
	}
	if hung <= enough && !strings.HasPrefix(best, hanging) {
		best += fmt.Sprintf("; so is %s with %s %%", hanging, sig2(100*hung))
	}
	return best
}

// mostRuns is how many more runs are thought of: a morning's.
const mostRuns = 8

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// sig2 writes a per cent to two digits at most.
func sig2(x float64) string { return strconv.FormatFloat(x, 'g', 2, 64) }

// with is the set with each of its rates changed.
func (s rateSet) with(change func(Measured) Measured) rateSet {
	at := make([][]Measured, len(s.at))
	for i, runs := range s.at {
		at[i] = make([]Measured, len(runs))
		for k, m := range runs {
			at[i][k] = change(m)
		}
	}
	s.at = at
	return s
}

// repeated is the set with more runs, as the last.
func (s rateSet) repeated(more int) rateSet {
	at := make([][]Measured, len(s.at))
	for i, runs := range s.at {
		at[i] = slices.Clone(runs)
		for range more {
			at[i] = append(at[i], runs[len(runs)-1])
		}
	}
	s.at = at
	return s
}

// onOtherTubes is the set with its runs once more, each injector into the tube of the next;
// ok is false where tubes are not known, or nothing is shared by what went into one.
func (s rateSet) onOtherTubes() (moved rateSet, ok bool) {
	at := make([][]Measured, len(s.at))
	for i, runs := range s.at {
		at[i] = slices.Clone(runs)
		for k, m := range runs {
			o := s.at[(i+1)%len(s.at)][k]
			if m.Tube == "" || o.Tube == "" {
				return s, false
			}
			ok = ok || o.UTube > 0
			own := math.Sqrt(max(m.U*m.U-m.UTube*m.UTube, 0))
			m.Tube, m.UTube, m.DFTube = o.Tube, o.UTube/o.Rate*m.Rate, o.DFTube
			m.U = math.Hypot(own, m.UTube)
			at[i] = append(at[i], m)
		}
	}
	s.at = at
	return s, ok
}

// ofMean is the standard uncertainty of the mean over the runs of x, the relative
// rates of injector i or their log ratios to the mean of those in core, and its
// degrees of freedom; shared is what stays beside it. The 95 % half widths of what
// runs scatter and of what they share are added as squares: with the two degrees of
// freedom of three runs the Welch-Satterthwaite formula gives intervals that hold in
// 93 % only, whenever the scatter is small by luck (TestMeansOfRunsHold).
func (s rateSet) ofMean(x []float64, i int, core []int, shared float64) (u, df float64) {
	var terms, tubes []Term
	add := func(part float64, m Measured) {
		own := math.Sqrt(max(m.U*m.U-m.UTube*m.UTube, 0))
		terms = append(terms, Term{Name: "run", U: math.Abs(part) * own / m.Rate, DF: someDF(m.DF)})
		t := slices.IndexFunc(tubes, func(t Term) bool { return t.Name == m.Tube })
		if t < 0 || m.Tube == "" {
			t = len(tubes)
			tubes = append(tubes, Term{Name: m.Tube, DF: someDF(m.DFTube)})
		}
		tubes[t].U += part * m.UTube / m.Rate
	}
	nr := len(x)
	for k := range nr {
		add(1/float64(nr), s.at[i][k])
		for _, j := range core {
			add(-1/float64(nr*len(core)), s.at[j][k])
		}
	}
	own, dfOwn := welchSatterthwaite(terms)
	if nr > 1 {
		// The wider interval, not the larger deviation, for the same reason.
		seen, df := stat.StdDev(x, nil)/math.Sqrt(float64(nr)), float64(nr-1)
		if Coverage95(df)*seen > Coverage95(dfOwn)*own {
			own, dfOwn = seen, df
		}
	}
	kept, dfKept := welchSatterthwaite(append(tubes, Term{Name: "shared", U: shared, DF: math.Inf(1)}))
	u = math.Hypot(own, kept)
	switch {
	case kept == 0:
		return u, dfOwn
	case own == 0:
		return u, dfKept
	}
	const most = 1e7 // Coverage95 takes it for infinity
	df = dfOfFactor(math.Hypot(Coverage95(dfOwn)*own, Coverage95(dfKept)*kept)/u, most)
	if df >= most/10 {
		df = math.Inf(1)
	}
	return u, df
}

func someDF(df float64) float64 {
	if df == 0 {
		return math.Inf(1)
	}
	return df
}

// limitOf is the log ratio beyond which one of n injectors stands apart from others that
// are spread so.
func limitOf(spread, n float64) float64 {
	t := distuv.StudentsT{Sigma: 1, Nu: n - 2}
	return spread * math.Sqrt(1+1/(n-1)) * t.Quantile(1-setLevel/n/2)
}

// judge sets P, Standing and Why from the log ratio, the half width of its
// interval, and the others' mean log rates.
func (m *Member) judge(ratio, half float64, others []float64) {
	n := float64(len(others) + 1)
	seen := stat.StdDev(others, nil)
	spread := max(seen, setSpread)
	t := distuv.StudentsT{Sigma: 1, Nu: n - 2}
	m.P = min(1, 2*n*t.Survival(math.Abs(ratio)/spread/math.Sqrt(1+1/(n-1))))
	limit := limitOf(spread, n)
	m.Limit = math.Exp(limit) - 1
	sure := m.P < setLevel && math.Abs(ratio) > half
	switch {
	case sure && ratio > 0:
		m.Standing, m.Why = ApartHigh, fmt.Sprintf("%.0f %% above the others, which differ among themselves by %.0f %%", 100*(m.Ratio-1), 100*seen)
	case sure:
		m.Standing, m.Why = ApartLow, fmt.Sprintf("%.0f %% below the others, which differ among themselves by %.0f %%", 100*(1-m.Ratio), 100*seen)
	case spread > wideSpread:
		m.Standing, m.Why = CannotTell, fmt.Sprintf("the others differ among themselves by %.0f %%: more than one may stand apart", 100*spread)
	case math.Abs(ratio)+half > limit && half > spread:
		m.Standing, m.Why = CannotTell, fmt.Sprintf("its ratio is known to %.0f %% only: repeat the run, or calibrate", 100*half)
	case limit > wideLimit && math.Abs(ratio) > wideSpread:
		m.Standing, m.Why = CannotTell, fmt.Sprintf("%.0f %% off, but among %d injectors with this spread that may be chance", 100*math.Abs(m.Ratio-1), int(n))
	case limit > wideLimit:
		m.Standing, m.Why = InLine, fmt.Sprintf("%.0f %% off the others", 100*math.Abs(m.Ratio-1))
	default:
		m.Standing, m.Why = InLine, fmt.Sprintf("within %.0f %%, what a set of %d with this spread allows", 100*m.Limit, int(n))
	}
}
