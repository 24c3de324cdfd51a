package influx

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api"
	"github.com/influxdata/influxdb-client-go/v2/api/write"

	"brimline/ingest"
)

// Shipper sends what a store holds to a target. Make one with New, let Run do the work,
// ask Status from any goroutine.
type Shipper struct {
	source Source
	target Target
	opt    Options
	log    *slog.Logger
	api    api.WriteAPIBlocking
	key    string // of the target, in the store

	storeID      string
	cursors      map[string]ingest.ShipCursor // as the store had them at the start
	bookAt       int64                        // change up to which rows of the book were collected
	ratesAt      int64                        // likewise rates
	streams      []*channelStream
	seenBoots    int64 // up to which boots' channels have their streams
	bootChannels map[int64][]string
	anchors      map[int64]int64
	turn         int
	held         bool // a boot's clock was never set
	anchored     bool // a boot got its anchor, or it was read
	nextMeasure  time.Time
	batchPoints  int // of one request: fewer than asked for while the link is slow

	mu     sync.Mutex
	status Status
}

// New makes a Shipper; it reads how far the target has acknowledged, and asks the server
// nothing. An error is of the settings or of the store.
func New(ctx context.Context, source Source, target Target, opt Options) (*Shipper, error) {
	if err := target.check(); err != nil {
		return nil, err
	}
	switch opt.Raw {
	case "":
		opt.Raw = RawAll
	case RawAll, RawMeans, RawNone:
	default:
		return nil, fmt.Errorf("ship to %s: raw is %q: give %q, %q or %q", target, opt.Raw, RawAll, RawMeans, RawNone)
	}
	def := func(d *time.Duration, v time.Duration) {
		if *d <= 0 {
			*d = v
		}
	}
	def(&opt.Interval, 10*time.Second)
	def(&opt.Timeout, 20*time.Second)
	def(&opt.RetryMin, time.Second)
	def(&opt.RetryMax, 2*time.Minute)
	def(&opt.RetrySlow, time.Minute)
	if opt.BatchPoints <= 0 {
		opt.BatchPoints = 5000
	}
	if opt.BackfillPointsPerS <= 0 {
		opt.BackfillPointsPerS = 5000
	}
	s := &Shipper{batchPoints: opt.BatchPoints, source: source, target: target, opt: opt, log: opt.Log, key: target.Key(),
		cursors: map[string]ingest.ShipCursor{}, bootChannels: map[int64][]string{}, anchors: map[int64]int64{}}
	if s.log == nil {
		s.log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
	s.log = s.log.With("influx", target.String())
	s.api = api.NewWriteAPIBlocking(target.Org, target.Bucket, target.service(opt.Timeout), write.DefaultOptions().SetPrecision(time.Nanosecond))
	var err error
	if s.storeID, err = source.StoreID(ctx); err != nil {
		return nil, err
	}
	cursors, err := source.Cursors(ctx, s.key)
	if err != nil {
		return nil, err
	}
	for _, c := range cursors {
		s.cursors[c.Stream] = c
	}
	s.bookAt, s.ratesAt = s.cursors[streamBook].At, s.cursors[streamRates].At
	s.status = Status{Target: target.String(), State: Stopped}
	asides, err := source.Asides(ctx, s.key)
	s.status.setAside(asides)
	return s, err
}

func (t *Status) setAside(asides []ingest.ShipAside) {
	for _, a := range asides {
		if a.Why == whyGone {
			t.GonePoints += a.Points
			continue
		}
		t.AsidePoints += a.Points
		t.AsideWhy = a.Why
	}
}

// Status returns how shipping stands.
func (s *Shipper) Status() Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.status
}

func (s *Shipper) set(change func(*Status)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change(&s.status)
}

// Run ships until ctx ends. Whatever fails, it waits and goes on: nothing that measures
// depends on it.
func (s *Shipper) Run(ctx context.Context) {
	defer s.set(func(t *Status) { t.State = Stopped })
	for ctx.Err() == nil {
		begun := time.Now()
		s.measure(ctx)
		b, more, err := s.collect(ctx)
		if err != nil {
			// The streams may stand beyond what the store was told: from the cursors again.
			if !s.failedStore(ctx, err) {
				return
			}
			s.rewind()
			continue
		}
		if b.len() > 0 || len(b.cursors) > 0 || len(b.asides) > 0 {
			s.set(func(t *Status) { t.State = Sending })
			if b.len() > 0 && !s.send(ctx, b, 0, b.len()) {
				return
			}
			if !s.note(ctx, b) {
				return
			}
		}
		if more {
			pace := time.Duration(float64(b.len()) / float64(s.opt.BackfillPointsPerS) * float64(time.Second))
			s.set(func(t *Status) { t.Why, t.Person = "", false })
			s.sleep(ctx, pace-time.Since(begun))
			continue
		}
		s.set(func(t *Status) {
			t.State, t.Why, t.Person, t.NextTry = Idle, "", false, time.Time{}
			if s.held {
				t.State, t.Person = Waiting, true
				t.Why = "the board's clock was never set, and nobody would look for points in 1970: let it find the network's time or correct it; readings are kept"
			}
		})
		s.sleep(ctx, s.opt.Interval)
	}
}

// note tells the store what was acknowledged and what was set aside.
func (s *Shipper) note(ctx context.Context, b *batch) bool {
	cursors := make([]ingest.ShipCursor, 0, len(b.cursors))
	for _, c := range b.cursors {
		cursors = append(cursors, c)
	}
	for {
		err := s.source.Advance(ctx, s.key, cursors, b.asides)
		if err == nil {
			break
		}
		if !s.failedStore(ctx, err) {
			return false // what was sent goes again later, and overwrites itself
		}
	}
	for _, c := range cursors {
		s.cursors[c.Stream] = c
	}
	s.set(func(t *Status) { t.setAside(b.asides) })
	if len(b.asides) > 0 {
		a := b.asides[0]
		s.log.Warn("points were set aside and will not be sent again by themselves", "stream", a.Stream, "why", a.Why, "example", a.Example)
	}
	return true
}

// failedStore waits after the store failed; it reports whether to go on.
func (s *Shipper) failedStore(ctx context.Context, err error) bool {
	if ctx.Err() != nil {
		return false
	}
	s.waiting("reading what is to be shipped: "+err.Error(), false, s.opt.RetrySlow)
	return s.sleep(ctx, s.opt.RetrySlow)
}

// rewind sets all streams to what the store was told last.
func (s *Shipper) rewind() {
	s.streams, s.seenBoots = nil, 0
	s.bookAt, s.ratesAt = s.cursors[streamBook].At, s.cursors[streamRates].At
}

// send sends points i to j without j of a batch, in parts where the server refuses some,
// and sets those aside that it refuses for good. It returns when all are acknowledged or
// set aside, or false when ctx ended before.
func (s *Shipper) send(ctx context.Context, b *batch, i, j int) bool {
	refused := s.put(ctx, b.lines(i, j), int64(j-i))
	switch {
	case ctx.Err() != nil:
		return false
	case refused == nil:
		return true
	case refused.slow:
	case j-i == 1 || refused.dropped >= j-i:
		setAside(b, i, j, refused.why)
		return true
	}
	s.sleep(ctx, 5*time.Millisecond) // a server that refuses all costs no more than the board can spare
	mid := i + (j-i)/2
	return s.send(ctx, b, i, mid) && s.send(ctx, b, mid, j)
}

func setAside(b *batch, i, j int, why string) {
	for ; i < j; i++ {
		p := b.places[i]
		example := b.lines(i, i+1)
		b.setAside(ingest.ShipAside{Stream: p.stream, Boot: p.boot, From: p.at, To: p.at, Points: 1,
			Why: why, Example: strings.TrimSuffix(example[:min(len(example), 1000)], "\n"), At: time.Now()})
	}
}

// fewPoints get through any link in the time of a request.
const fewPoints = 100

// put sends lines until the server acknowledges or refuses them, however long that takes.
// Many that are not answered in time come back as slow, to be sent in parts.
func (s *Shipper) put(ctx context.Context, lines string, points int64) *refusal {
	wait := s.opt.RetryMin
	for {
		begun := time.Now()
		sending, cancel := context.WithTimeout(ctx, s.opt.Timeout)
		err := s.api.WriteRecord(sending, strings.TrimSuffix(lines, "\n"))
		cancel()
		if err == nil {
			if time.Since(begun) < s.opt.Timeout/4 {
				s.batchPoints = min(s.batchPoints+s.batchPoints/8+1, s.opt.BatchPoints)
			}
			s.set(func(t *Status) {
				t.LastSuccess, t.State, t.Why, t.Person, t.NextTry = time.Now(), Sending, "", false, time.Time{}
				t.Sent += points
				t.BehindPoints = max(0, t.BehindPoints-points)
			})
			return nil
		}
		if ctx.Err() != nil {
			return nil
		}
		s.set(func(t *Status) { t.Failures++ })
		f := judge(err)
		if f.refused != nil {
			return f.refused
		}
		if errors.Is(err, context.DeadlineExceeded) && points > fewPoints {
			s.batchPoints = max(int(points)/2, fewPoints)
			s.waiting(f.why, false, 0)
			return &refusal{slow: true}
		}
		pause := wait/2 + rand.N(wait/2+1) // many benches do not come back at once
		wait = min(2*wait, s.opt.RetryMax)
		if f.person {
			pause, wait = s.opt.RetrySlow, s.opt.RetryMin
		}
		if f.after > 0 {
			pause = min(f.after, max(s.opt.RetryMax, s.opt.RetrySlow)) // what the server asks for, within reason
		}
		why := f.why
		s.waiting(why, f.person, pause)
		if !s.sleep(ctx, pause) {
			return nil
		}
	}
}

// waiting says why nothing is sent; it is logged when it is not what was said before.
func (s *Shipper) waiting(why string, person bool, pause time.Duration) {
	fresh := false
	s.set(func(t *Status) {
		fresh = t.Why != why
		t.State, t.Why, t.Person, t.NextTry = Waiting, why, person, time.Now().Add(pause)
	})
	if fresh {
		s.log.Warn("shipping waits; readings are kept", "why", why)
	}
}

// sleep waits, and measures meanwhile; it reports whether ctx goes on.
func (s *Shipper) sleep(ctx context.Context, d time.Duration) bool {
	for end := time.Now().Add(d); ; {
		left := time.Until(end)
		if left <= 0 {
			return ctx.Err() == nil
		}
		t := time.NewTimer(min(left, time.Until(s.nextMeasure)+time.Millisecond))
		select {
		case <-ctx.Done():
			t.Stop()
			return false
		case <-t.C:
			s.measure(ctx)
		}
	}
}

// Measure counts what is behind at once, for one who cannot Run it yet, as without a
// token. Not while Run goes on.
func (s *Shipper) Measure(ctx context.Context) {
	s.nextMeasure = time.Time{}
	s.measure(ctx)
}

// measure counts what is behind, every 5 s, and so rarely that it takes a fiftieth of the
// time at most.
func (s *Shipper) measure(ctx context.Context) {
	begun := time.Now()
	if begun.Before(s.nextMeasure) {
		return
	}
	points, seconds, err := s.behind(ctx)
	s.nextMeasure = time.Now().Add(max(5*time.Second, 50*time.Since(begun)))
	if err != nil {
		return // the next collection fails likewise, and says so
	}
	s.set(func(t *Status) { t.BehindPoints, t.BehindS, t.MeasuredAt = points, seconds, begun })
}

// behind counts points that are not acknowledged, and the seconds of readings that the
// channel lacks which lacks most. Walls have no part in it: some boots are of 1970.
func (s *Shipper) behind(ctx context.Context) (points int64, seconds float64, err error) {
	for _, rates := range []bool{false, true} {
		stream := streamBook
		if rates {
			if s.opt.Rater == nil {
				break
			}
			stream = streamRates
		}
		changes, err := s.source.BookChanges(ctx, rates, s.cursors[stream].At, 100*changesMost)
		if err != nil {
			return 0, 0, err
		}
		points += int64(len(changes))
	}
	all, err := s.source.Boots(ctx)
	if err != nil {
		return 0, 0, err
	}
	for _, b := range all {
		if _, err := s.channelsOf(ctx, b.ID); err != nil {
			return 0, 0, err
		}
	}
	var most time.Duration
	for channel, first := range s.firstBoots(all) {
		for _, kind := range []string{streamHealth, string(s.opt.Raw)} {
			stream := map[string]string{streamHealth: streamHealth, string(RawAll): streamSamples, string(RawMeans): streamMeans}[kind]
			if stream == "" {
				continue
			}
			c, begun := s.cursors[stream+"/"+channel]
			if !begun {
				c = ingest.ShipCursor{Boot: first, At: us(longAgo)}
			}
			left, err := s.source.Backlog(ctx, channel, c.Boot, fromUS(c.At))
			if err != nil {
				return 0, 0, err
			}
			switch stream {
			case streamSamples:
				points += left.Samples
			case streamMeans:
				points += 60 * left.Chunks // seconds of a chunk
			default:
				points += left.Chunks
			}
			if stream != streamHealth || s.opt.Raw == RawNone {
				most = max(most, left.Lasts)
			}
		}
	}
	return points, most.Seconds(), nil
}

// firstBoots is each channel's first boot.
func (s *Shipper) firstBoots(all []ingest.Boot) map[string]int64 {
	first := map[string]int64{}
	for _, b := range slices.Backward(all) {
		for _, name := range s.bootChannels[b.ID] {
			first[name] = b.ID
		}
	}
	return first
}

// refusal is the server's word that it will never take these points together.
type refusal struct {
	why     string
	dropped int  // of them, by its own count; 0: it does not say
	slow    bool // it said nothing in time: they may be too many for the link
}

// failure is what a failed request means.
type failure struct {
	why     string
	person  bool          // it stays until a person mends it
	after   time.Duration // the server asks to wait so long
	refused *refusal
}

// droppedCount is in "partial write: ... dropped=3". Stretches that are refused for one
// reason join only where the reason is told without it.
var droppedCount = regexp.MustCompile(` *\bdropped=(\d+)`)

func dropped(message string) int {
	if m := droppedCount.FindStringSubmatch(message); m != nil {
		if n, err := strconv.Atoi(m[1]); err == nil {
			return n
		}
	}
	return 0
}

var errNotInflux = errors.New("not the answer of an InfluxDB")
