package history

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"brimline/analysis/mixed"
)

// Limits is how two ways of measuring the same agree (Bland and Altman, Lancet 327 (1986)
// 307): the mean of the differences and the limits between which 95 % of them lie, each
// with its 95 % interval. In the unit of the differences.
type Limits struct {
	N            int
	Mean, SD     float64
	Lower, Upper float64 // Mean -+ 1.96 SD
	SEMean       float64
	SELimit      float64
	DFMean, DFSD float64
}

// MeanInterval and the others give 95 % intervals.
func (l Limits) MeanInterval() [2]float64  { return around(l.Mean, l.SEMean, l.DFMean) }
func (l Limits) LowerInterval() [2]float64 { return around(l.Lower, l.SELimit, l.DFMean) }
func (l Limits) UpperInterval() [2]float64 { return around(l.Upper, l.SELimit, l.DFMean) }

func around(v, se, df float64) [2]float64 {
	half := tQuantile(1-alpha/2, df) * se
	return [2]float64{v - half, v + half}
}

// z95 is the normal distribution's 97.5 % point.
var z95 = distuv.UnitNormal.Quantile(1 - alpha/2)

// Agree gives the limits of agreement of differences, with SELimit^2 = SEMean^2 + z^2
// SD^2/(2 df) (Bland and Altman 1986, who round it to 3 SD^2/n). Differences of one group,
// such as of one visit, may be alike: where groups hold several, the spread between them is
// taken into SD and errors by a mixed model (Bland and Altman, J. Biopharm. Stat. 17 (2007)
// 571, section 3). Groups may be nil. Three differences at least.
func Agree(d []float64, groups []string) (Limits, error) {
	n := len(d)
	if n < 3 {
		return Limits{}, fmt.Errorf("%d pairs measured both ways; limits of agreement take 3 and more", n)
	}
	m := mean(d)
	var ss float64
	for _, v := range d {
		ss += (v - m) * (v - m)
	}
	l := Limits{N: n, Mean: m, SD: math.Sqrt(ss / float64(n-1)), DFMean: float64(n - 1), DFSD: float64(n - 1)}
	if !(l.SD > minSD*max(1, math.Abs(m))) {
		return Limits{}, fmt.Errorf("all %d differences are the same: there is no scatter; see that readings were not copied", n)
	}
	l.SEMean = l.SD / math.Sqrt(float64(n))
	if groups != nil {
		distinct := map[string]int{}
		for _, g := range groups {
			distinct[g]++
		}
		if len(distinct) > 1 && len(distinct) < n {
			fit, err := mixed.Model{Response: d, Factors: []mixed.Factor{{Name: "visit", Values: groups}}, Random: []mixed.Random{{By: "visit"}}}.Fit(mixed.REML)
			if err == nil && fit.Random[0].SD[0] > minSD {
				if e, err := fit.Estimate(mixed.Contrast{1}, mixed.KenwardRoger); err == nil && e.SE > 0 && e.DF > 0 {
					vb, vw := fit.Random[0].Cov[0][0], fit.ResidualVariance
					dfB, dfW := float64(len(distinct)-1), float64(n-len(distinct))
					per := float64(n) / float64(len(distinct))
					// The variance of a new pair is made of the mean square between visits and that within:
					// (MSB + (per-1) MSW)/per; Satterthwaite's degrees of freedom.
					msb := per*vb + vw
					total := vb + vw
					a, b := msb/per, (per-1)*vw/per
					l.Mean, l.SEMean, l.DFMean = e.Value, e.SE, e.DF
					l.SD, l.DFSD = math.Sqrt(total), total*total/(a*a/dfB+b*b/dfW)
				}
			}
		}
	}
	l.Lower, l.Upper = l.Mean-z95*l.SD, l.Mean+z95*l.SD
	l.SELimit = math.Sqrt(l.SEMean*l.SEMean + z95*z95*l.SD*l.SD/(2*l.DFSD))
	return l, nil
}

// Part is one cause of a hand reading's uncertainty.
type Part struct {
	Name    string  `json:"name"`
	Percent float64 `json:"percent"` // standard uncertainty of the rate
	Basis   string  `json:"basis"`
	// Fixed says that it is the same each time, in one vessel: it shifts readings and does not
	// scatter them.
	Fixed bool `json:"fixed"`
}

// ByEye is what a reading by eye in a graduated cylinder of 50 or 100 mL is made of, for a
// volume and a time.
func ByEye(volumeML, durationS float64) []Part {
	third := math.Sqrt(3) // a rectangular distribution's half width over its standard uncertainty
	ml := func(half float64) float64 { return 100 * half / third / volumeML }
	s := func(u float64) float64 { return 100 * u / durationS }
	return []Part{
		{"cylinder's scale, class B", ml(1), "ISO 4788: 1 mL either way (from memory)", true},
		{"reading between marks", ml(0.5), "half a division of 1 mL", false},
		{"meniscus, foam, tilt", ml(0.5), "0.5 mL either way, an estimate", false},
		{"film left from last time", ml(0.2), "0.2 mL either way, an estimate", false},
		{"stopwatch", s(0.10), "0.10 s from start to stop: Am. J. Phys. 87 (2019) 110", false},
		{"hoses moved one after another", s(2 / third), "2 s either way, an estimate", false},
		{"fuel's temperature when read", 0.083 * 5 / third, "5 °C either way, an estimate", false},
	}
}

// Agreement is hand readings against the rig's. JSON names are part of schema
// brimline/agreement/1; percents are of hand over rig.
type Agreement struct {
	Engines []string `json:"engines"`
	Pairs   int      `json:"pairs"`
	Visits  int      `json:"visits"`
	Bias    Span     `json:"bias"`
	Lower   Span     `json:"lower_limit"`
	Upper   Span     `json:"upper_limit"`
	Hand    *Scatter `json:"hand_scatter"` // of readings repeated in a hanging; nil without any
	Rig     *Scatter `json:"rig_scatter"`
	// ReadingPercent is what is left of the hand's scatter without what the rig sees too, with
	// its interval; nil where either is not known.
	ReadingPercent *Span    `json:"reading_scatter"`
	VolumeML       *float64 `json:"volume_ml"` // medians of the hand readings
	DurationS      *float64 `json:"duration_s"`
	Parts          []Part   `json:"parts"`
	// StopwatchShare and MeniscusShare are parts of the variance of a reading as the parts
	// give it, without what is fixed.
	StopwatchShare *float64 `json:"stopwatch_share"`
	MeniscusShare  *float64 `json:"meniscus_share"` // reading between marks, meniscus and foam
	Doubts         []Doubt  `json:"doubts"`
}

// Span is a percentage with its 95 % interval.
type Span struct {
	Percent float64     `json:"percent"`
	CI95    *[2]float64 `json:"ci95"`
}

// HandAgainstRig pairs, over engines, what was measured both ways: one injector at one visit.
func HandAgainstRig(ins []Input) (Agreement, error) {
	a := Agreement{Engines: []string{}, Parts: []Part{}, Doubts: []Doubt{}}
	var d []float64
	var visits []string
	var volumes, times []float64
	var ss [2]float64
	var df [2]int
	for _, in := range ins {
		var quiet Result
		b, err := quiet.book(in)
		if err != nil {
			return a, fmt.Errorf("%s: %w", in.Engine, err)
		}
		paired := false
		type cell struct{ hand, rig []float64 }
		cells := map[string]*cell{}
		visitOf := map[string]int{}
		for _, w := range b.rows {
			k := fmt.Sprintf("%06d %s", w.visit, w.series)
			if cells[k] == nil {
				cells[k] = &cell{}
				visitOf[k] = w.visit
			}
			if w.Means == ByHand {
				cells[k].hand = append(cells[k].hand, w.y)
				if w.VolumeML > 0 && w.DurationS > 0 {
					volumes, times = append(volumes, w.VolumeML), append(times, w.DurationS)
				}
			} else {
				cells[k].rig = append(cells[k].rig, w.y)
			}
		}
		for _, k := range sortedKeys(cells) {
			if c := cells[k]; len(c.hand) > 0 && len(c.rig) > 0 {
				d = append(d, mean(c.hand)-mean(c.rig))
				visits = append(visits, fmt.Sprintf("%s/%d", in.Engine, visitOf[k]))
				paired = true
			}
		}
		if paired {
			a.Engines = append(a.Engines, in.Engine)
		}
		for i, means := range []string{ByHand, ByRig} {
			s, n := repeats(b.rows, func(w row) bool { return w.Means == means }, func(w row) string {
				return fmt.Sprint(w.Test, "/", w.Hanging, "/", w.Position)
			})
			ss[i], df[i] = ss[i]+s, df[i]+n
		}
	}
	if len(d) == 0 {
		return a, fmt.Errorf("nothing was measured by hand and by the rig on the same day; measure a set both ways and import the hand readings")
	}
	l, err := Agree(d, visits)
	if err != nil {
		return a, err
	}
	a.Pairs = l.N
	slices.Sort(visits)
	a.Visits = len(slices.Compact(visits))
	a.Bias, a.Lower, a.Upper = span(l.Mean, l.MeanInterval()), span(l.Lower, l.LowerInterval()), span(l.Upper, l.UpperInterval())
	if a.Visits == 1 {
		a.Doubts = append(a.Doubts, Doubt{"one-visit", "all pairs are of one visit: what a day does to all hand readings is in the bias and not in its interval", "measure both ways on more days"})
	}
	if l.N < 12 { // as the limits' own intervals then reach as wide as the limits: a rule of thumb
		a.Doubts = append(a.Doubts, Doubt{"few-pairs", fmt.Sprintf("%d pairs: the limits themselves are poorly known, see their intervals", l.N), ""})
	}
	a.causes(ss, df, volumes, times)
	return a, nil
}

func span(v float64, ci [2]float64) Span {
	return Span{percent(v), &[2]float64{percent(ci[0]), percent(ci[1])}}
}

// causes fills in what a hand reading's scatter is made of; ss and df are of hand and rig.
func (a *Agreement) causes(ss [2]float64, df [2]int, volumes, times []float64) {
	for i, to := range []**Scatter{&a.Hand, &a.Rig} {
		if df[i] > 0 {
			*to = &Scatter{[]string{ByHand, ByRig}[i], percent(math.Sqrt(ss[i] / float64(df[i]))), df[i]}
		}
	}
	if a.Hand == nil || a.Rig == nil {
		a.Doubts = append(a.Doubts, Doubt{"no-repeats", "how readings repeat is not known of both ways", "take two runs and more in a hanging"})
	} else {
		// Variance of hand less variance of rig: what the engine does is in both, what the rig
		// itself adds is small. Its interval by Satterthwaite.
		h, g := ss[0]/float64(df[0]), ss[1]/float64(df[1])
		v := h - g
		nu := v * v / (h*h/float64(df[0]) + g*g/float64(df[1]))
		s := &Span{Percent: percent(math.Sqrt(max(v, 0)))}
		if v > 0 && nu >= 1 {
			chi := distuv.ChiSquared{K: nu}
			s.CI95 = &[2]float64{percent(math.Sqrt(v * nu / chi.Quantile(1-alpha/2))), percent(math.Sqrt(v * nu / chi.Quantile(alpha/2)))}
		}
		a.ReadingPercent = s
	}
	if len(volumes) == 0 {
		a.Doubts = append(a.Doubts, Doubt{"no-volumes", "hand readings have no volume and time, so what they are made of is not known", "note volume_ml and duration_s"})
		return
	}
	v, t := median(volumes), median(times)
	a.VolumeML, a.DurationS = &v, &t
	a.Parts = ByEye(v, t)
	var total, watch, meniscus float64
	for _, p := range a.Parts {
		if p.Fixed {
			continue
		}
		total += p.Percent * p.Percent
		switch p.Name {
		case "stopwatch":
			watch += p.Percent * p.Percent
		case "reading between marks", "meniscus, foam, tilt":
			meniscus += p.Percent * p.Percent
		}
	}
	watch, meniscus = watch/total, meniscus/total
	a.StopwatchShare, a.MeniscusShare = &watch, &meniscus
}

func median(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}

// Finding is the sentences that a person acts on.
func (a Agreement) Finding() string {
	b := Change{Percent: a.Bias.Percent, CI95: a.Bias.CI95}
	out := fmt.Sprintf("Readings by hand are %s than the rig's on average (95 %% interval: %s), over %d pairs of %d visits. Of 100 pairs some 95 lie between %s and %s.",
		Moved(b), Range(*a.Bias.CI95), a.Pairs, a.Visits, Moved(Change{Percent: a.Lower.Percent, CI95: a.Lower.CI95}), Moved(Change{Percent: a.Upper.Percent, CI95: a.Upper.CI95}))
	return out
}
