package hx711

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"periph.io/x/conn/v3/gpio"

	"brimline/rig"
)

const (
	slowestBoard = 0.9   // real over nominal rate; measured on boards: 0.96 to 1.19
	periodSlack  = 0.003 // how much a chip's period may change within learnOver conversions
	learnOver    = 128   // conversions that a period is learnt from, to twice as many
	looksAPeriod = 250
	looksBefore  = 5 // looks' time before a chip can be ready: one that is, is too fast
	mostUnread   = 4 // conversions that may end unread before the next read
	sharedLeast  = 2 // chips
	sharedMost   = 32
	planRounds   = 16
	fastMost     = 20 // a chip found too fast so often is believed again after as many that were not
	doubtOnce    = 32 // readings that forget a doubt about a chip; one that is kept forgets it at once
	doubtMost    = 2 * doubtOnce
)

// Shared is several HX711 on one clock line. It implements rig.Sensor and
// rig.Starter; one Read reads one conversion of each chip.
//
// The chips convert each at its own pace, 0.96 to 1.19 times the nominal, and a
// conversion that ends while bits are shifted spoils them. The driver therefore
// keeps, for each chip, the two times between which its last conversion was seen to
// end (not ready at a look, ready at the next), and the bounds of its period, learnt
// from up to 256 conversions of its own. It looks often where one is expected to end and
// sleeps between, without the pins' edges: shifting data would raise one for every other bit,
// and one chip's edge tells nothing of the others. A set is read once every chip has a new
// conversion and no chip can end another before the read is over; else the driver
// waits for such a moment, which may cost a conversion of the faster chips. If none
// comes it disturbs as few chips as it can. What a read gave of a chip that may have
// ended a conversion inside it is a Misread, and that chip is left alone until a later
// conversion has surely ended: bits that are still to be shifted look like not ready.
//
// The rule rests on one thing that the data sheet does not say: that a chip's period
// does not change by more than 0.3 % within some hundred conversions.
//
// A chip that gives nothing is waited for 2.5 periods (8.5 when all were just reset),
// then the others go on without it and its readings say Absent or Stalled until it
// comes back. One whose line is stuck low, or that lost its step, gives Misreads
// alone. For a line that flaps, or a chip that keeps falling out of step, the others wait
// only now and then. A level that one look alone saw is no end of a conversion, and an end that
// comes sooner or later than the chip can end one makes its next readings Settling. Sets
// come at the pace of the slowest chip or somewhat slower.
type Shared struct {
	clockLine
	clk   rig.Sleeper
	chips []member
	all   gpio.GPIOValue // mask of the data pins
	took  time.Duration  // by a read, about
	last  time.Duration  // when the last read ended
}

// member is one of the chips on a line.
type member struct {
	chip
	bits     uint32
	seenHigh bool // between reads, since the last: a fall from here is the end of a conversion
	fell     bool // such a fall was seen once
	ready    bool // and again
	known    bool // lo and hi hold
	afresh   bool // it was reset, and no conversion has ended since
	wait     bool // the others wait for it
	doubt    int  // how much speaks against that

	before time.Duration // the time of the look before that of notReady
	sure   time.Duration // a conversion may have ended inside a read: until then the level may be a bit

	lo, hi         time.Duration // its last known conversion ended between these
	stamp          time.Duration // of its last reading
	least, most    time.Duration // bounds of its period
	count          int           // conversions since the older anchor
	anchor, recent anchor
}

// anchor is a conversion that the period is counted from.
type anchor struct {
	lo, hi time.Duration
	count  int
}

// NewShared returns a Shared of the chips on the clock pin sck, one data pin each,
// whose order is that of the readings. It drives sck low, which powers the chips up,
// and makes the data pins inputs with pull-up. clk must be monotonic.
func NewShared(sck gpio.PinOut, douts []gpio.PinIn, clk rig.Sleeper, o Options) (*Shared, error) {
	if sck == nil || clk == nil {
		return nil, errors.New("open HX711s on one clock line: they need a clock pin and a clock, and one of them is nil: check the channels' pin names in the config")
	}
	if n := len(douts); n < sharedLeast || n > sharedMost {
		return nil, fmt.Errorf("open HX711s on clock pin %s: %d data pins: use %d to %d (New is for one)", pinName(sck), n, sharedLeast, sharedMost)
	}
	names := make([]string, len(douts))
	for i, dout := range douts {
		if dout == nil {
			return nil, fmt.Errorf("open HX711s on clock pin %s: data pin %d of %d is nil: check the channels' pin names in the config", pinName(sck), i+1, len(douts))
		}
		names[i] = pinName(dout)
	}
	name := fmt.Sprintf("%d HX711 on clock pin %s, data pins %s", len(douts), pinName(sck), strings.Join(names, " "))
	if err := o.check(); err != nil {
		return nil, fmt.Errorf("open %s: %w", name, err)
	}
	s := &Shared{clk: clk, chips: make([]member, len(douts))}
	s.init(sck, clk, o, name)
	s.took = s.period / 25
	for i := range s.chips {
		c := &s.chips[i]
		c.dout, c.settle = douts[i], o.Settle
		s.all |= 1 << i
		c.least, c.most = s.shortest, s.slowest()
	}
	if err := sck.Out(gpio.Low); err != nil {
		return nil, fmt.Errorf("open %s: drive the clock pin low: %w (is the pin free, and may this user drive it?)", name, err)
	}
	for i, dout := range douts {
		if o.Together != nil {
			break
		}
		if err := dout.In(gpio.PullUp, gpio.NoEdge); err != nil {
			return nil, fmt.Errorf("open %s: make data pin %s an input with pull-up: %w (is the pin free?)", name, names[i], err)
		}
	}
	return s, nil
}

// Channels is how many chips there are.
func (s *Shared) Channels() int { return len(s.chips) }

// Start resets all chips, so that reading begins from a known state. The first readings
// are Settling.
func (s *Shared) Start() error {
	if s.dead {
		return fmt.Errorf("start %s: it was halted: open it anew", s.name)
	}
	if s.started {
		return nil
	}
	if err := s.reset(); err != nil {
		return fmt.Errorf("start %s: %w", s.name, err)
	}
	s.started = true
	return nil
}

// Stop ends reading. The chips stay powered and their cells warm.
func (s *Shared) Stop() error {
	s.started = false
	return nil
}

// Halt powers all chips down, by leaving their clock line high, and gives up the pins.
func (s *Shared) Halt() error {
	if s.o.Together != nil {
		return s.halt(s.o.Together)
	}
	data := make([]halter, len(s.chips))
	for i := range s.chips {
		data[i] = s.chips[i].dout
	}
	return s.halt(data...)
}

// Read waits until every chip that answers has a new conversion and reads them all;
// see rig.Sensor. With no chip ready inside Options.Timeout all readings are Absent
// or Stalled. A Shared that was not started is started.
func (s *Shared) Read(ctx context.Context, dst []rig.Reading) error {
	if len(dst) != len(s.chips) {
		return fmt.Errorf("read %s: room for %d readings given, want %d", s.name, len(dst), len(s.chips))
	}
	if s.dead {
		return fmt.Errorf("read %s: it was halted: open it anew", s.name)
	}
	if !s.started {
		if err := s.Start(); err != nil {
			return err
		}
	}
	at, ready, err := s.await(ctx)
	if err != nil {
		return fmt.Errorf("read %s: %w", s.name, err)
	}
	if !ready {
		for i := range s.chips {
			dst[i] = s.chips[i].nothing(s.chips[i].after(at))
		}
		return nil
	}
	if err := s.shift(dst); err != nil {
		return fmt.Errorf("read %s: %w", s.name, err)
	}
	return nil
}

// after returns at, or a moment after the chip's last stamp if at is not later: a
// conversion that was not seen to end is stamped by its chip's period, near enough.
func (c *member) after(at time.Duration) time.Duration {
	c.stamp = max(at, c.stamp+time.Microsecond)
	return c.stamp
}

// await waits for a moment at which a set can be read, or until the timeout has
// passed with no chip ready.
func (s *Shared) await(ctx context.Context) (at time.Duration, ready bool, err error) {
	step := s.period / looksAPeriod
	begin := s.clk.Now()
	var planned time.Duration // 0: not yet
	for {
		if err := ctx.Err(); err != nil {
			return 0, false, err
		}
		now, err := s.look()
		if err != nil {
			return 0, false, err
		}
		next := now + maxWait
		waiting, some, fell := false, false, false
		for i := range s.chips {
			c := &s.chips[i]
			switch {
			case c.ready, !c.seenHigh:
				some = true // one that lost its step is read to bring it back
			case c.fell:
				fell = true
			case now <= c.due+s.period:
				waiting = waiting || c.wait
				next = min(next, max(c.earliest-looksBefore*step, now+step))
			}
			if !c.ready && now > c.due {
				c.settle = s.o.Settle // overdue: it lost its power, or was reset
				c.known = false
			}
		}
		if fell {
			continue
		}
		switch {
		case waiting:
		case some:
			if planned == 0 {
				planned = s.plan(now)
			}
			if next = planned; next <= now {
				return now, true, nil
			}
		case now-begin >= s.o.Timeout:
			return now, false, nil
		default:
			next = min(next, now+s.shortest*9/20)
		}
		if err := s.clk.Sleep(ctx, min(next-s.clk.Now(), maxWait)); err != nil {
			return 0, false, err
		}
	}
}

// levels returns the levels of the data lines, bit i that of chip i.
func (s *Shared) levels() (gpio.GPIOValue, error) {
	if s.o.Together != nil {
		v, err := s.o.Together.Read(s.all)
		if err != nil {
			return 0, fmt.Errorf("read the data pins: %w (are they still ours?)", err)
		}
		return v, nil
	}
	var v gpio.GPIOValue
	for i := range s.chips {
		if s.chips[i].dout.Read() {
			v |= 1 << i
		}
	}
	return v, nil
}

// look looks at every chip once, and returns the time after it.
func (s *Shared) look() (time.Duration, error) {
	before := s.clk.Now()
	levels, err := s.levels()
	if err != nil {
		return 0, err
	}
	after := s.clk.Now()
	for i := range s.chips {
		c := &s.chips[i]
		low := levels>>i&1 == 0
		if before < c.sure {
			continue
		}
		switch {
		case low && !c.ready && !c.fell: // the line may only have flickered: look again
			c.fell = c.seenHigh
		case low && !c.ready:
			c.ready, c.fell = true, false
			c.ended(c.notReady, after, &s.clockLine)
		case !low:
			c.fell = false
			if c.ready { // a conversion went away unread: if its power did, the next is overdue
				c.ready, c.known = false, false
				c.settle = max(c.settle, resetSettle)
				c.due, c.earliest = before+s.period*3/2, before
				c.doubted()
			}
			c.before, c.notReady, c.seenHigh = c.notReady, before, true
		}
	}
	return after, nil
}

// ended takes in that a conversion was seen to end between two times.
func (c *member) ended(lo, hi time.Duration, l *clockLine) {
	switch {
	case c.known && hi-c.lo < c.least, c.afresh && hi < c.earliest:
		c.fast = min(c.fast+1, fastMost)
		c.known = false
		c.settle = max(c.settle, resetSettle)
		c.doubted()
	case c.known || c.afresh: // at eight times the rate an interval may still look right by chance
		c.fast = max(c.fast-1, 0)
	}
	c.afresh = false
	if c.known && lo-c.hi > c.most { // it came too late: one was lost, or the bounds are wrong
		c.known = false
		c.least, c.most = l.shortest, l.slowest()
		c.settle = max(c.settle, resetSettle)
	}
	now := anchor{lo: c.before, hi: hi}   // were the look at lo a false one, wrong bounds would stay
	if !c.known || hi-c.lo >= 2*c.least { // or more than one ended, as nobody looked
		c.count = 0
		c.anchor, c.recent = now, now
		// What was learnt grows old.
		c.bound(c.least, c.most, periodSlack, l)
	} else {
		c.count++
		now.count = c.count
		of := time.Duration(c.count - c.anchor.count)
		least, most := c.least, c.most
		c.bound((now.lo-c.anchor.hi)/of, (hi-c.anchor.lo)/of, periodSlack, l)
		if of < learnOver { // few conversions may tell less than is known
			c.bound(max(least, c.least), min(most, c.most), 0, l)
		}
		if c.count-c.recent.count >= learnOver {
			c.anchor, c.recent = c.recent, now
		}
	}
	c.lo, c.hi, c.known = lo, hi, true
}

// bound sets the bounds of the period, with a slack, within those of any chip.
func (c *member) bound(least, most time.Duration, slack float64, l *clockLine) {
	c.least = max(l.shortest, least-time.Duration(slack*float64(least)))
	c.most = min(l.slowest(), most+time.Duration(slack*float64(most)))
	if c.least > c.most {
		c.least, c.most = l.shortest, l.slowest()
	}
}

func (l *clockLine) slowest() time.Duration {
	return time.Duration(float64(l.period) / slowestBoard)
}

// plan returns the first moment from now on at which a read disturbs no chip, or, if
// there is none within a period and a half, one that disturbs the fewest.
func (s *Shared) plan(now time.Duration) time.Duration {
	at := now
	if !slices.ContainsFunc(s.chips, func(c member) bool { return c.ready }) {
		return max(now, s.last+s.shortest) // nothing to gain by haste
	}
	need := s.took * 5 / 4
	limit := now + s.period*3/2
	for range planRounds {
		moved := false
		for i := range s.chips {
			c := &s.chips[i]
			if !c.ready {
				continue
			}
			if x, ok := c.safeFrom(at, need); ok && x > at {
				at, moved = x, true
			}
		}
		if !moved && at <= limit {
			return at
		}
		if at > limit {
			break
		}
	}
	best, least := now, s.disturbed(now, need)
	for i := range s.chips {
		c := &s.chips[i]
		for n := range time.Duration(mostUnread) {
			at := c.hi + n*c.most
			if !c.ready || !c.known || at <= now || at > limit {
				continue
			}
			if d := s.disturbed(at, need); d < least || d == least && at < best {
				best, least = at, d
			}
		}
	}
	return best
}

// disturbed returns how many chips a read at a time may disturb.
func (s *Shared) disturbed(at, need time.Duration) int {
	n := 0
	for i := range s.chips {
		c := &s.chips[i]
		if x, ok := c.safeFrom(at, need); c.ready && (!ok || x > at) {
			n++
		}
	}
	return n
}

// safeFrom returns the first moment from t on at which the chip surely has a
// conversion and will surely end none for as long as a read needs. ok is false if
// that cannot be known.
func (c *member) safeFrom(t, need time.Duration) (at time.Duration, ok bool) {
	if !c.known {
		return 0, false
	}
	for n := range time.Duration(mostUnread) {
		from, to := max(t, c.hi+n*c.most), c.lo+(n+1)*c.least-need
		if from <= to {
			return from, true
		}
	}
	return 0, false
}

// shift reads the 24 bits of every chip, sends the pulses that choose the gain of the
// next conversions, and judges each chip's value by itself.
func (s *Shared) shift(dst []rig.Reading) error {
	for i := range s.chips {
		s.chips[i].bits = 0
	}
	start := s.clk.Now()
	for pulse := 1; pulse <= s.pulses; pulse++ {
		before := s.clk.Now() // the reads of eight bits take too long to be counted in
		if err := s.pulse(pulse); err != nil {
			return err
		}
		if s.clk.Now()-before > maxHigh { // what follows would mean nothing
			return s.overran(start, dst)
		}
		if pulse > 24 {
			continue
		}
		levels, err := s.levels()
		if err != nil {
			return err
		}
		for i := range s.chips {
			c := &s.chips[i]
			c.bits = c.bits<<1 | uint32(levels>>i&1)
		}
	}
	end := s.clk.Now()
	s.took += (min(end-start, s.period/4) - s.took) / 8
	s.last = end
	levels, err := s.levels()
	if err != nil {
		return err
	}
	for i := range s.chips {
		dst[i] = s.judge(&s.chips[i], start, end, levels>>i&1 == 1)
	}
	return nil
}

// judge returns the reading of one chip after a read from start to end, which left its
// line high or low.
func (s *Shared) judge(c *member, start, end time.Duration, high bool) rig.Reading {
	c.doubt = max(c.doubt-1, 0)
	c.wait = c.wait || c.doubt <= doubtMost
	wasReady, lost := c.ready, !c.seenHigh && !c.ready
	c.ready, c.fell, c.seenHigh, c.notReady, c.before = false, false, high, end, end
	if !wasReady && !lost {
		return s.unready(c, start, end, high)
	}
	// The conversion that was read is the nth after the one that was seen to end.
	c.due = end + s.period*3/2
	n := time.Duration(0)
	for n < mostUnread && start >= c.hi+(n+1)*c.most {
		n++
	}
	why := kept
	switch {
	case !high || lost:
		why = slipped
	case c.fast >= fastLimit:
		why = tooFast // the phase rule does not hold for this chip
	case !c.known || end >= c.lo+(n+1)*c.least:
		why = late
	case signed(c.bits) == -1:
		why = allOnes
	}
	switch {
	case why == kept || why == allOnes:
		c.lo += n * c.least
		c.hi += n * c.most
		c.count += int(n)
		c.earliest = c.lo + c.least
		if why == kept {
			c.doubt = max(c.doubt-doubtOnce, 0)
			return c.conversion(c.after((c.lo+c.hi)/2), signed(c.bits))
		}
	case why == tooFast:
		c.earliest = end
	default:
		// The pulses of this read may have been shared out between two conversions: how many
		// each got, which chooses the gain, is not sure.
		c.settle = max(c.settle, resetSettle)
		c.earliest = end
		c.known = false
		if !high { // else the next fall is the end of a conversion, whatever this level means
			s.retry(c, end, high)
		}
	}
	s.misreads[why].Add(1)
	return rig.Reading{Elapsed: c.after(start), Quality: rig.Misread}
}

// unready returns the reading of a chip that was not ready when it got the pulses of a
// read: it was given up. If its line moved all the same, a conversion ended meanwhile and
// lost its first bits, and the next set waits for it, but not again and again.
func (s *Shared) unready(c *member, start, end time.Duration, high bool) rig.Reading {
	c.known, c.afresh, c.sure = false, false, 0
	c.earliest = end
	c.settle = s.o.Settle
	if moved := !high || signed(c.bits) != -1; moved {
		s.retry(c, end, high)
	}
	return c.nothing(c.after(start))
}

// doubted counts against a chip: for one that was doubted often the others do not wait,
// but once in a while, lest it stays out of step with them for ever.
func (c *member) doubted() {
	if c.doubt > doubtMost {
		c.wait = false
	} else {
		c.doubt += doubtOnce
	}
}

// retry has the next set wait for a chip that is out of step, unless that was tried often
// enough: then it is dead, or its line is stuck.
func (s *Shared) retry(c *member, end time.Duration, high bool) {
	c.doubted()
	c.due = end + s.period*3/2
	if !high && c.wait { // its level means nothing until a conversion has surely ended
		c.seenHigh, c.sure = true, end+s.slowest()
		c.earliest, c.due = c.sure, c.sure+s.period/2
	}
}

// overran discards a whole set and makes the chips' state known again.
func (s *Shared) overran(at time.Duration, dst []rig.Reading) error {
	for i := range s.chips {
		c := &s.chips[i]
		if c.seenHigh && !c.ready {
			dst[i] = c.nothing(c.after(at))
			continue
		}
		s.misreads[overrun].Add(1)
		dst[i] = rig.Reading{Elapsed: c.after(at), Quality: rig.Misread}
	}
	return s.reset()
}

// reset powers all chips down and up.
func (s *Shared) reset() error {
	now, err := s.powerCycle()
	if err != nil {
		return err
	}
	for i := range s.chips {
		c := &s.chips[i]
		c.wasReset(now, &s.clockLine)
		c.ready, c.fell, c.known, c.sure = false, false, false, 0
		c.seenHigh, c.afresh, c.before, c.wait, c.doubt = true, true, now, true, 0
	}
	s.last = now
	return nil
}

var (
	_ rig.Sensor  = (*Shared)(nil)
	_ rig.Starter = (*Shared)(nil)
)
