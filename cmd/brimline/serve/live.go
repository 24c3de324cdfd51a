package serve

import (
	"math"
	"sync"
	"time"

	"brimline/rig"
)

const (
	step       = 100 * time.Millisecond // one point of the live stream
	kept       = 3000                   // points kept of each channel: 5 minutes
	lostAfter  = 1200 * time.Millisecond
	flowWindow = 10 * time.Second // what the rough rate is taken over
	flowLeast  = 4 * time.Second  // and what it needs at least

	// A rise is called a flow over 1 g/min: six times what white noise of 60 counts at
	// 2147 counts/g and 10 samples/s gives the slope of 5 s, and ten times what the
	// warm-up drift of a cell was measured to imitate. A slower flow is shown as still;
	// the finding sees it all the same.
	flowGPerMin = 1.0
	// nearFull is the part of a tube's capacity from which a person should act.
	nearFull = 0.95
)

// Channel is what the page needs to know of one channel.
type Channel struct {
	Name       string
	CapacityML float64
	Scale      *Scale // nil: not calibrated, shown in counts
}

// Scale turns counts into grams: (counts - Zero) / CountsPerGram; those of a level sender
// into mL, by VolumeML.
type Scale struct {
	Zero          float64
	CountsPerGram float64
	VolumeML      func(counts float64) float64 // nil: the channel weighs
}

// Words for what a channel does.
const (
	Waiting   = "waiting"    // no reading yet
	Settling  = "settling"   // the converter has just been powered or reset
	Lost      = "lost"       // no good reading for over a second
	OverRange = "over range" // the converter stands at an end of its range
	NearFull  = "near full"  // the tube is at 95 % of its capacity or above
	Flowing   = "flowing"
	Draining  = "draining"
	Still     = "still"
	// What readings show that look alive and are not; see rig.Health.
	Stuck      = "stuck"
	Misreading = "misreading"
)

// Live keeps what the page shows: the newest sample of each channel and five
// minutes of points. It is a rig.Sink: Put it after the store, so that nothing is
// shown that is not on its way to the disk.
//
// Any goroutine may call its methods. A slow viewer costs it nothing: viewers read
// from it at their own pace.
type Live struct {
	channels      []Channel
	densityGPerML float64          // 0: not known
	now           func() time.Time // arrival times; the wall clock's monotonic part
	health        *rig.Health      // nil: not watched

	mu    sync.Mutex
	state []channelState
	newer int64 // newest point's number, over all channels; -1 before the first
}

type channelState struct {
	last     rig.Sample
	seen     bool
	good     rig.Sample
	goodAt   time.Time // arrival of good
	hasGood  bool
	tareDue  bool
	counters [8]uint64 // by quality
	points   [kept]point
}

// point is one step of one channel.
type point struct {
	number   int64 // elapsed / step, plus 1 so that the zero value is none
	n        int32
	min, max int32
	sum      float64
}

func newLive(channels []Channel, densityGPerML float64, health *rig.Health, now func() time.Time) *Live {
	return &Live{channels: channels, densityGPerML: densityGPerML, health: health, now: now, state: make([]channelState, len(channels)), newer: -1}
}

// Put takes samples; it never fails. Samples of channels it does not know are left out.
func (l *Live) Put(samples []rig.Sample) error {
	at := l.now()
	if l.health != nil {
		if err := l.health.Put(samples); err != nil {
			return err
		}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, s := range samples {
		if s.Channel < 0 || s.Channel >= len(l.state) {
			continue
		}
		c := &l.state[s.Channel]
		c.last, c.seen = s, true
		if int(s.Quality) < len(c.counters) {
			c.counters[s.Quality]++
		}
		number := int64(s.Elapsed / step)
		l.newer = max(l.newer, number)
		if s.Quality != rig.Good {
			continue
		}
		c.good, c.goodAt, c.hasGood = s, at, true
		p := &c.points[number%kept]
		if p.number != number+1 {
			*p = point{number: number + 1, min: s.Counts, max: s.Counts}
		}
		p.n++
		p.sum += float64(s.Counts)
		p.min, p.max = min(p.min, s.Counts), max(p.max, s.Counts)
	}
	return nil
}

// TareDue marks that a channel's zero may have moved: it is said until the daemon ends,
// since a tare cannot be taken while it reads. Other channels are left out.
func (l *Live) TareDue(channel int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if channel >= 0 && channel < len(l.state) {
		l.state[channel].tareDue = true
	}
}

// channelView is one channel as the API shows it. What cannot be said is null.
type channelView struct {
	Name         string            `json:"name"`
	CapacityML   float64           `json:"capacity_ml"`
	Unit         string            `json:"unit"` // of its points in the stream: "g", "mL" of a level sender without a density, or "counts" without a calibration
	State        string            `json:"state"`
	Says         string            `json:"says"`  // what to do about it; empty when nothing
	AgeS         *float64          `json:"age_s"` // of the newest good reading
	Seq          *uint64           `json:"seq"`   // of the newest reading
	Quality      string            `json:"quality"`
	Counts       *int32            `json:"counts"` // newest good reading
	MassG        *float64          `json:"mass_g"`
	VolumeML     *float64          `json:"volume_ml"`
	RateGPerMin  *float64          `json:"rate_g_per_min"` // rough, of the last 10 s, once it flows evenly
	RateMLPerMin *float64          `json:"rate_ml_per_min"`
	TareDue      bool              `json:"tare_due"` // its zero may have moved since the daemon started
	Readings     map[string]uint64 `json:"readings"` // by quality
	Health       *healthView       `json:"health"`   // null: not watched
}

// healthView is a channel's health as rig.Health has it.
type healthView struct {
	State       string   `json:"state"` // "ok", "unplugged", "stalled", "misreading", "saturated", "stuck", "noisy", "settling", "waiting"
	SinceS      float64  `json:"since_s"`
	Reason      string   `json:"reason"`
	WhiteCounts *float64 `json:"white_counts"` // rms of the last second
	Gaps        uint64   `json:"gaps"`
}

// view returns all channels as they are now, and the newest sample's elapsed time.
func (l *Live) view() (views []channelView, elapsedS float64) {
	now := l.now()
	l.mu.Lock()
	defer l.mu.Unlock()
	views = make([]channelView, len(l.state))
	var elapsed time.Duration
	for i := range l.state {
		elapsed = max(elapsed, l.state[i].last.Elapsed)
	}
	for i := range l.state {
		views[i] = l.channelView(i, now)
		if l.health != nil {
			views[i].judge(l.health.Of(i, elapsed))
		}
		if v := &views[i]; v.TareDue && v.Says == "" {
			v.Says = "it was without power, its zero may have moved: tare it before the next run"
		}
	}
	return views, elapsed.Seconds()
}

// judge takes in the channel's health. What a person must not miss stays: a tube that
// is nearly full, a flow although it is noisy.
func (v *channelView) judge(h rig.ChannelHealth) {
	v.Health = &healthView{State: h.State.String(), SinceS: *rounded(h.Since.Seconds(), 2), Reason: h.Reason, WhiteCounts: rounded(h.WhiteCounts, 1), Gaps: h.Gaps}
	if !h.State.Bad() || v.State == NearFull {
		return
	}
	switch h.State {
	case rig.HealthStuck:
		v.State = Stuck
	case rig.HealthMisreading:
		v.State = Misreading
	}
	if v.State == Stuck || v.State == Misreading {
		v.RateGPerMin, v.RateMLPerMin = nil, nil
	}
	v.Says = h.Reason
}

func (l *Live) channelView(i int, now time.Time) channelView {
	c, ch := &l.state[i], l.channels[i]
	v := channelView{Name: ch.Name, CapacityML: ch.CapacityML, Unit: "counts", State: Waiting, Quality: "none", TareDue: c.tareDue, Readings: map[string]uint64{}}
	if ch.Scale != nil {
		v.Unit = l.unit(i)
	}
	for q, n := range c.counters {
		if n > 0 {
			v.Readings[rig.Quality(q).String()] = n
		}
	}
	if !c.seen {
		v.Says = "no reading yet"
		return v
	}
	seq := c.last.Seq // a copy: the view outlives the lock
	v.Seq, v.Quality = &seq, c.last.Quality.String()
	age := math.Inf(1)
	if c.hasGood {
		age = now.Sub(c.goodAt).Seconds()
		v.AgeS = rounded(age, 2)
		counts := c.good.Counts
		v.Counts = &counts
		if ch.Scale != nil {
			x := l.amount(i, float64(counts))
			switch {
			case v.Unit == "mL":
				v.VolumeML = rounded(x, 3)
			case l.densityGPerML > 0:
				v.VolumeML = rounded(x/l.densityGPerML, 3)
				fallthrough
			default:
				v.MassG = rounded(x, 3)
			}
		}
	}
	switch {
	case c.last.Quality == rig.Settling && age > lostAfter.Seconds():
		v.State = Settling
		return v
	case c.last.Quality == rig.Absent:
		v.State, v.Says = Lost, "no converter answers: check its plug and supply"
		return v
	case c.last.Quality == rig.Stalled:
		v.State, v.Says = Lost, "the converter gives nothing new: check its plug and supply"
		return v
	case c.last.Quality == rig.Saturated && age > lostAfter.Seconds():
		v.State, v.Says = OverRange, "the converter is at the end of its range: check the cell's wires and load"
		return v
	case age > lostAfter.Seconds():
		v.State, v.Says = Lost, "no good reading: check the plug and the wires"
		return v
	}
	rate, recent, even, ok := l.roughRate(i)
	switch {
	case ok && recent >= flowGPerMin:
		v.State = Flowing
	case ok && recent <= -flowGPerMin:
		v.State = Draining
	default:
		v.State = Still
	}
	if v.State == Flowing && even {
		switch {
		case v.Unit == "mL":
			v.RateMLPerMin = rounded(rate, 2)
		case l.densityGPerML > 0:
			v.RateMLPerMin = rounded(rate/l.densityGPerML, 2)
			fallthrough
		default:
			v.RateGPerMin = rounded(rate, 2)
		}
	}
	if v.State != Draining && v.VolumeML != nil && ch.CapacityML > 0 && *v.VolumeML >= nearFull*ch.CapacityML {
		v.State, v.Says = NearFull, "the tube is nearly full: stop the flow or empty it"
	}
	return v
}

// roughRate is the least-squares slope of the channel's last points in its unit a minute, for
// the eye alone: rates that count come from the finding, with their uncertainty.
// recent is that of the window's later half. even is false while the two disagree, as
// they do when a flow has just begun or ended. ok is false without a calibration and
// before flowLeast of points.
func (l *Live) roughRate(i int) (gPerMin, recent float64, even, ok bool) {
	if l.channels[i].Scale == nil {
		return 0, 0, false, false
	}
	c := &l.state[i]
	last := int64(c.good.Elapsed / step)
	const whole = int64(flowWindow / step)
	var all, half line
	first := last
	for number := last; number > last-whole && number >= 0; number-- {
		p := &c.points[number%kept]
		if p.number != number+1 {
			continue
		}
		x, y := float64(number-last), l.amount(i, p.sum/float64(p.n))
		all.add(x, y)
		if number > last-whole/2 {
			half.add(x, y)
		}
		first = number
	}
	span := time.Duration(last-first) * step
	if all.n < 10 || half.n < 5 || span < flowLeast {
		return 0, 0, false, false
	}
	perMin := float64(time.Minute / step)
	gPerMin, recent = all.slope()*perMin, half.slope()*perMin
	even = span > flowWindow*9/10 && math.Abs(recent-gPerMin) < 0.2*math.Abs(gPerMin)
	return gPerMin, recent, even, true
}

// line sums points for a straight line's least squares.
type line struct{ n, x, y, xx, xy float64 }

func (s *line) add(x, y float64) {
	s.n, s.x, s.y, s.xx, s.xy = s.n+1, s.x+x, s.y+y, s.xx+x*x, s.xy+x*y
}

func (s *line) slope() float64 { return (s.n*s.xy - s.x*s.y) / (s.n*s.xx - s.x*s.x) }

// unit is what a calibrated channel's amounts are in: grams, or mL of a level sender where
// no density turns them into grams.
func (l *Live) unit(i int) string {
	if l.channels[i].Scale.VolumeML != nil && !(l.densityGPerML > 0) {
		return "mL"
	}
	return "g"
}

// amount turns a calibrated channel's counts into its unit.
func (l *Live) amount(i int, counts float64) float64 {
	s := l.channels[i].Scale
	switch {
	case s.VolumeML == nil:
		return (counts - s.Zero) / s.CountsPerGram
	case l.densityGPerML > 0:
		return s.VolumeML(counts) * l.densityGPerML
	}
	return s.VolumeML(counts)
}

// pointsView is a stretch of points as the stream carries it. A value is in the
// channel's unit: null for a step without a good reading, a number
// where mean, least and greatest are the same, else [mean, least, greatest].
type pointsView struct {
	Boot   int64   `json:"boot"`
	From   int64   `json:"from"`    // number of the first: its elapsed time is from x step_ms
	StepMS int64   `json:"step_ms"` // 100, or 500 for what is older
	Series [][]any `json:"series"`  // one for each channel
}

// points returns the points numbered from..to-1, merged by merge (from and to are
// multiples of it).
func (l *Live) points(from, to, merge int64) pointsView {
	l.mu.Lock()
	defer l.mu.Unlock()
	v := pointsView{From: from / merge, StepMS: merge * step.Milliseconds(), Series: make([][]any, len(l.state))}
	for i := range l.state {
		c := &l.state[i]
		series := make([]any, 0, (to-from)/merge)
		for number := from; number < to; number += merge {
			var m point
			for k := number; k < number+merge; k++ {
				p := &c.points[k%kept]
				if p.number != k+1 {
					continue
				}
				if m.n == 0 {
					m.min, m.max = p.min, p.max
				}
				m.n += p.n
				m.sum += p.sum
				m.min, m.max = min(m.min, p.min), max(m.max, p.max)
			}
			series = append(series, l.value(i, m))
		}
		v.Series[i] = series
	}
	return v
}

func (l *Live) value(i int, p point) any {
	if p.n == 0 {
		return nil
	}
	convert := func(counts float64) float64 { return counts }
	if l.channels[i].Scale != nil {
		convert = func(counts float64) float64 { return math.Round(l.amount(i, counts)*1000) / 1000 }
	}
	mean, lo, hi := convert(p.sum/float64(p.n)), convert(float64(p.min)), convert(float64(p.max))
	if lo > hi { // a cell hung upside down has a falling scale
		lo, hi = hi, lo
	}
	if lo == hi {
		return mean
	}
	return [3]float64{mean, lo, hi}
}

// ready returns the first point number that may still change. Two steps are held
// back: sensors are read by goroutines of their own and need not be level.
func (l *Live) ready() int64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return max(0, l.newer-1)
}

// rounded returns x to so many decimals, or nil when JSON cannot carry it.
func rounded(x float64, decimals int) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	p := math.Pow10(decimals)
	x = math.Round(x*p) / p
	return &x
}
