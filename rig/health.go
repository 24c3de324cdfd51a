package rig

import (
	"fmt"
	"math"
	"sync"
	"time"
)

// HealthState says what a channel's latest readings are worth, taken together. The
// zero value is HealthWaiting.
type HealthState uint8

const (
	HealthWaiting    HealthState = iota // no reading yet
	HealthSettling                      // powered or reset a moment ago
	HealthOK                            // it measures
	HealthAbsent                        // no converter has answered since the start: unplugged
	HealthStalled                       // it answered before, and gives nothing new
	HealthMisreading                    // too many of its readings broke a rule of reading
	HealthSaturated                     // it stands at an end of its range
	HealthStuck                         // the same code again and again
	HealthNoisy                         // white noise far above the usual
	healthStates
)

var healthNames = [healthStates]string{"waiting", "settling", "ok", "unplugged", "stalled", "misreading", "saturated", "stuck", "noisy"}

// String returns the state's name as it is shown.
func (s HealthState) String() string {
	if s >= healthStates {
		return fmt.Sprintf("state(%d)", uint8(s))
	}
	return healthNames[s]
}

// Bad reports whether the channel needs a person.
func (s HealthState) Bad() bool { return s >= HealthAbsent }

// HealthChannel is what Health must know of a channel; the zero value is a 24-bit
// converter at 80 SPS and gain 128.
type HealthChannel struct {
	SPS float64 // nominal conversions a second; 0: 80
	// UsualWhiteCounts is the white noise of a sound channel, counts rms; 0: 60 counts at
	// 10 SPS, and with the square root of the rate (measured on load cells with 24-bit
	// converters at gain 128: 30 to 220 at 10 SPS, 150 to 185 at 80 SPS).
	UsualWhiteCounts float64
	// Coarse: a converter whose steps are wider than its noise, as one of 16 bits may
	// be. It may repeat a code for ever.
	Coarse bool
}

const (
	healthMemory   = 700 * time.Millisecond // time constant of what a state is judged by
	healthSilence  = 1500 * time.Millisecond
	stalledFor     = 400 * time.Millisecond // without a conversion; chips on one clock line go on without one that is late by a period or two
	stuckFor       = time.Second
	stuckLeast     = 6 // readings of one code
	noisyTimes     = 6 // the usual noise
	gapPeriods     = 3
	periodLearnt   = 8
	misreadEnter   = 0.3 // share of readings
	misreadLeave   = 0.1
	saturatedEnter = 0.5
	saturatedLeave = 0.25
	noisyEnter     = 0.5
	noisyLeave     = 0.3
)

// ChannelHealth is a channel as it stands at one moment.
type ChannelHealth struct {
	State       HealthState
	Since       time.Duration // elapsed, when it came into this state
	Reason      string        // in words, and what to do; empty for one that is not Bad
	WhiteCounts float64       // white noise of the last seconds, counts rms; NaN before there are three readings
	Counts      int32         // newest Good reading
	LastGood    time.Duration // its elapsed time; 0 before the first
	ByQuality   [qualities]uint64
	Gaps        uint64 // holes of over three periods between conversions, after the first eight
}

// Health watches channels: it is a Sink beside the recorder, takes constant time a
// sample and allocates nothing. A fault that lasts is told within 2 s, whatever the
// other channels do. It may be used from any goroutine.
//
// The white noise is taken from second differences, x(i) - 2x(i-1) + x(i-2), which a
// steady flow and a slow drift leave alone: for independent noise of standard
// deviation s they have the standard deviation √6 s. A channel is noisy when more
// than half of them exceed what half of them would exceed at the limit, so that a
// knock or a mass put on does not count.
type Health struct {
	channels []channelHealth
}

type channelHealth struct {
	mu  sync.Mutex
	opt HealthChannel

	seen      bool
	first     time.Duration // elapsed of the first reading
	last      Sample
	counted   time.Duration // elapsed of the newest reading that had counts; 0: none
	good      int32         // newest Good code
	lastGood  time.Duration
	before    int32 // the Good code before it
	row       int   // Good readings in a row before the newest, up to 2
	same      int   // readings of the code good, in a row
	sameSince time.Duration

	misread, saturated, noisy float64 // shares of the last readings
	white                     float64 // mean of |second difference|
	whites                    int

	state     HealthState
	since     time.Duration
	byQuality [qualities]uint64
	period    float64 // between conversions, ns, mean of the last
	spaces    int     // of which it was taken, up to periodLearnt
	gaps      uint64
}

// NewHealth returns a Health of channels numbered as Samples are.
func NewHealth(channels []HealthChannel) *Health {
	h := &Health{channels: make([]channelHealth, len(channels))}
	for i, o := range channels {
		if !(o.SPS > 0) {
			o.SPS = 80
		}
		if !(o.UsualWhiteCounts > 0) {
			o.UsualWhiteCounts = 60 * math.Sqrt(o.SPS/10)
		}
		h.channels[i].opt = o
	}
	return h
}

// Put takes samples; it never fails. Samples of channels it does not know are left out.
func (h *Health) Put(samples []Sample) error {
	for i := range samples {
		s := &samples[i]
		if s.Channel < 0 || s.Channel >= len(h.channels) {
			continue
		}
		c := &h.channels[s.Channel]
		c.mu.Lock()
		c.put(s)
		c.mu.Unlock()
	}
	return nil
}

// deviationOfSecond turns a mean of |second difference| into a standard deviation:
// E|d| = √(2/π) √6 s for normal noise.
var deviationOfSecond = 1 / math.Sqrt(12/math.Pi)

// medianOfSecond times s is what half of all |second differences| exceed.
var medianOfSecond = 0.67449 * math.Sqrt(6)

func (c *channelHealth) put(s *Sample) {
	dt := time.Duration(float64(time.Second) / c.opt.SPS)
	if c.seen {
		dt = min(max(0, s.Elapsed-c.last.Elapsed), time.Second)
	}
	if !c.seen {
		c.first = s.Elapsed
	}
	c.last, c.seen = *s, true
	if s.Quality < qualities {
		c.byQuality[s.Quality]++
	}
	// The weight of this reading in a mean that forgets with healthMemory.
	w := float64(dt) / float64(dt+healthMemory)
	if s.Quality != Absent && s.Quality != Stalled {
		c.misread += w * (one(s.Quality == Misread) - c.misread)
		c.saturated += w * (one(s.Quality == Saturated) - c.saturated)
	}
	if s.Quality.HasCounts() {
		c.space(s.Elapsed)
	}
	switch s.Quality {
	case Good:
		c.goodCode(s, w)
	case Misread: // a hole in the row, no end of what was
		c.row = 0
	default:
		c.row, c.same = 0, 0
	}
	if state := c.judge(); state != c.state {
		c.state, c.since = state, s.Elapsed
		switch state {
		case HealthStuck:
			c.since = c.sameSince
		case HealthStalled:
			c.since = max(c.first, c.lastGood, c.counted)
		}
	}
}

// space takes in that a conversion came, and counts a gap if it came late. Converters
// that take turns come slower than the nominal rate; the space that is usual is
// learnt from the first eight on.
func (c *channelHealth) space(at time.Duration) {
	if c.counted > 0 {
		space, usual := float64(at-c.counted), max(c.period, float64(time.Second)/c.opt.SPS)
		if c.spaces = min(c.spaces+1, periodLearnt); c.spaces == periodLearnt && space > gapPeriods*usual {
			c.gaps++
			space = gapPeriods * usual
		}
		c.period += (space - c.period) / float64(c.spaces)
	}
	c.counted = at
}

func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func (c *channelHealth) goodCode(s *Sample, w float64) {
	if c.same > 0 && s.Counts == c.good {
		c.same++
	} else {
		c.same, c.sameSince = 1, s.Elapsed
	}
	if c.row == 2 {
		second := math.Abs(float64(s.Counts) - 2*float64(c.good) + float64(c.before))
		c.whites = min(c.whites+1, 1<<20)
		// The first ones weigh alike, so that the mean begins without bias.
		c.white += max(w, 1/float64(c.whites)) * (second - c.white)
		c.noisy += w * (one(second > noisyTimes*c.opt.UsualWhiteCounts*medianOfSecond) - c.noisy)
	}
	c.row = min(c.row+1, 2)
	c.before, c.good, c.lastGood = c.good, s.Counts, s.Elapsed
}

// judge returns the state after the newest reading.
func (c *channelHealth) judge() HealthState {
	over := func(share float64, state HealthState, enter, leave float64) bool {
		if c.state == state {
			return share > leave
		}
		return share > enter
	}
	switch {
	case c.last.Quality == Absent:
		return HealthAbsent
	case c.last.Quality == Stalled && c.last.Elapsed-max(c.first, c.counted, c.lastGood) >= stalledFor:
		return HealthStalled
	case over(c.misread, HealthMisreading, misreadEnter, misreadLeave):
		return HealthMisreading
	case over(c.saturated, HealthSaturated, saturatedEnter, saturatedLeave):
		return HealthSaturated
	case !c.opt.Coarse && c.same >= stuckLeast && c.lastGood-c.sameSince >= stuckFor:
		return HealthStuck
	case over(c.noisy, HealthNoisy, noisyEnter, noisyLeave):
		return HealthNoisy
	case c.lastGood > 0 && c.last.Elapsed-c.lastGood < healthMemory:
		return HealthOK
	case c.last.Quality == Settling:
		return HealthSettling
	}
	return c.state // one bad reading after a pause decides nothing
}

// Channels returns how many channels are watched.
func (h *Health) Channels() int { return len(h.channels) }

// Of returns how a channel stands at elapsed time now, of the clock that stamps the
// samples. A channel that does not exist waits for ever.
func (h *Health) Of(channel int, now time.Duration) ChannelHealth {
	if channel < 0 || channel >= len(h.channels) {
		return ChannelHealth{WhiteCounts: math.NaN()}
	}
	c := &h.channels[channel]
	c.mu.Lock()
	defer c.mu.Unlock()
	v := ChannelHealth{
		State: c.state, Since: c.since, WhiteCounts: math.NaN(),
		Counts: c.good, LastGood: c.lastGood, ByQuality: c.byQuality, Gaps: c.gaps,
	}
	if c.whites > 0 {
		v.WhiteCounts = c.white * deviationOfSecond
	}
	if silent := now - c.last.Elapsed; c.seen && silent > healthSilence && c.state != HealthAbsent && c.state != HealthStalled {
		v.State, v.Since = HealthStalled, c.last.Elapsed
	}
	v.Reason = c.reason(v, now)
	return v
}

func (c *channelHealth) reason(v ChannelHealth, now time.Duration) string {
	forS := max(0, now-v.Since).Seconds()
	switch v.State {
	case HealthAbsent:
		return "no converter has answered yet: check its plug, its supply and its pins in the config"
	case HealthStalled:
		return fmt.Sprintf("it answered before, and for %.1f s it has given nothing new: check its plug and its supply", forS)
	case HealthMisreading:
		return fmt.Sprintf("about %.0f %% of its readings broke a rule of reading and were thrown away: check its wires, its rate in the config, and what else keeps the processor busy", 100*c.misread)
	case HealthSaturated:
		return "the converter stands at an end of its range: check the cell's four wires and its load"
	case HealthStuck:
		return fmt.Sprintf("the code %d again and again for %.1f s, which a living cell never gives: switch its supply off and on; if that does not help, change the converter", v.Counts, forS)
	case HealthNoisy:
		return fmt.Sprintf("white noise of %.0f counts rms, about %.0f are usual: check screen, ground and supply, and that nothing shakes the bench", v.WhiteCounts, c.opt.UsualWhiteCounts)
	}
	return ""
}

var _ Sink = (*Health)(nil)
