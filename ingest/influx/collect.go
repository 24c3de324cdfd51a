package influx

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// Source is what a Shipper needs of the embedded store, whose package documents the
// methods.
type Source interface {
	StoreID(ctx context.Context) (string, error)
	Boots(ctx context.Context) ([]ingest.Boot, error)
	WatchBoots(ctx context.Context) ([]ingest.Boot, error)
	BootChannels(ctx context.Context, bootID int64) ([]rig.Channel, error)
	Spans(ctx context.Context, bootID int64, channel string, from time.Duration, limit int, open bool) ([]ingest.Span, error)
	SpanSamples(ctx context.Context, bootID int64, channel string, from, to time.Duration) (samples []rig.Sample, damaged string, err error)
	Backlog(ctx context.Context, channel string, bootID int64, from time.Duration) (ingest.Backlog, error)
	BookChanges(ctx context.Context, rates bool, after int64, limit int) ([]ingest.BookChange, error)
	BookRow(ctx context.Context, kind string, id int64) (any, error)
	Run(ctx context.Context, id int64) (ingest.Run, error)
	Cursors(ctx context.Context, target string) ([]ingest.ShipCursor, error)
	Asides(ctx context.Context, target string) ([]ingest.ShipAside, error)
	Advance(ctx context.Context, target string, cursors []ingest.ShipCursor, asides []ingest.ShipAside) error
	ShipAnchor(ctx context.Context, bootID int64) (time.Time, error)
}

// The streams. Those of channels have the channel's name behind a slash.
const (
	streamBook    = "book"
	streamRates   = "rates"
	streamHealth  = "health"
	streamSamples = "samples"
	streamMeans   = "means"
)

const (
	spansAtOnce  = 16              // chunks that are looked up at once
	changesMost  = 500             // rows of the book in one batch
	ratingMost   = 2 * time.Second // of working out rates before what there is is sent
	slotBoots    = 100             // boots that the stamps keep apart, and
	slotSameTime = 10              // readings in one microsecond
	longAgo      = time.Duration(math.MinInt64 / 2 / 1000 * 1000)
)

// slot is what the last three digits of a stamp say: which boot, and which of several
// readings in one microsecond.
func slot(boot int64, n int64) int64 { return boot%slotBoots*slotSameTime + n }

// channelStream is one channel's samples, means or health on their way.
type channelStream struct {
	kind    string
	channel string
	cursor  ingest.ShipCursor // up to what has been collected; durable once its batch is acknowledged
	begun   bool              // cursor stands in a boot
	buf     []rig.Sample      // read, not yet collected, of cursor.Boot
	pos     time.Duration     // where reading goes on, and
	skip    int64             // how many readings of that very time were read
	whole   int64             // the boot that was last said to be here whole
	heads   struct{ points, shipped string }
}

func (s *channelStream) name() string { return s.kind + "/" + s.channel }

// boots is what collecting knows of them in one round.
type boots struct {
	all  []ingest.Boot
	live int64 // the bench's own newest, which may go on
}

func (s *Shipper) boots(ctx context.Context) (boots, error) {
	all, err := s.source.Boots(ctx)
	if err != nil {
		return boots{}, err
	}
	own, err := s.source.WatchBoots(ctx)
	b := boots{all: all}
	if len(own) > 0 {
		b.live = own[len(own)-1].ID
	}
	return b, err
}

// channelsOf returns a boot's channels, which never change.
func (s *Shipper) channelsOf(ctx context.Context, boot int64) ([]string, error) {
	if names, ok := s.bootChannels[boot]; ok {
		return names, nil
	}
	channels, err := s.source.BootChannels(ctx, boot)
	if err != nil {
		return nil, err
	}
	names := make([]string, len(channels))
	for i, c := range channels {
		names[i] = c.Name
	}
	s.bootChannels[boot] = names
	return names, nil
}

// anchorOf is what the stamps of a boot count from. held: its clock was never set, and it
// may yet be.
func (s *Shipper) anchorOf(ctx context.Context, b boots, boot int64) (anchor int64, held bool, err error) {
	if a, ok := s.anchors[boot]; ok {
		return a, false, nil
	}
	i := slices.IndexFunc(b.all, func(x ingest.Boot) bool { return x.ID == boot })
	if i >= 0 && boot == b.live && !ingest.WallKnown(b.all[i].Wall) {
		return 0, true, nil
	}
	t, err := s.source.ShipAnchor(ctx, boot)
	if err != nil {
		return 0, false, err
	}
	s.anchors[boot], s.anchored = t.UnixNano(), true
	return t.UnixNano(), false, nil
}

// collect gathers the next batch. more: it is as large as may be, and there is more.
func (s *Shipper) collect(ctx context.Context) (b *batch, more bool, err error) {
	b = newBatch()
	known, err := s.boots(ctx)
	if err != nil {
		return nil, false, err
	}
	s.held, s.anchored = false, false
	bookMore, err := s.collectBook(ctx, b)
	if err != nil {
		return nil, false, err
	}
	ratesMore := false
	if s.opt.Rater != nil {
		if ratesMore, err = s.collectRates(ctx, b, known); err != nil {
			return nil, false, err
		}
	}
	for _, boot := range known.all {
		if s.seenBoots >= boot.ID {
			continue
		}
		names, err := s.channelsOf(ctx, boot.ID)
		if err != nil {
			return nil, false, err
		}
		for _, name := range names {
			s.addStreams(name)
		}
		s.seenBoots = boot.ID
	}
	more = bookMore || ratesMore
	// Each stream has its share, and those that come first take turns.
	for i := range s.streams {
		left := len(s.streams) - i
		quota := max(1, (s.batchPoints-b.len())/left)
		st := s.streams[(i+s.turn)%len(s.streams)]
		var full bool
		switch st.kind {
		case streamHealth:
			full, err = s.collectHealth(ctx, b, known, st, quota)
		case streamMeans:
			full, err = s.collectMeans(ctx, b, known, st, quota)
		default:
			full, err = s.collectSamples(ctx, b, known, st, quota)
		}
		if err != nil {
			return nil, false, err
		}
		more = more || full
	}
	s.turn++
	return b, more || s.anchored, nil // a boot's row with its anchor follows at once
}

func (s *Shipper) addStreams(channel string) {
	kinds := []string{streamHealth}
	switch s.opt.Raw {
	case RawAll:
		kinds = append(kinds, streamSamples)
	case RawMeans:
		kinds = append(kinds, streamMeans)
	}
	for _, kind := range kinds {
		st := &channelStream{kind: kind, channel: channel}
		if slices.ContainsFunc(s.streams, func(x *channelStream) bool { return x.kind == kind && x.channel == channel }) {
			continue
		}
		st.cursor, st.begun = s.cursors[st.name()]
		st.cursor.Stream = st.name()
		st.pos, st.skip = fromUS(st.cursor.At), st.cursor.N
		measurement := map[string]string{streamHealth: "brimline_health", streamSamples: "brimline_sample", streamMeans: "brimline_mean"}[kind]
		st.heads.points = s.head(measurement, "channel", channel)
		st.heads.shipped = s.head("brimline_shipped", "channel", channel)
		s.streams = append(s.streams, st)
	}
}

// head is the beginning of a line: the tags come in the order of their names.
func (s *Shipper) head(measurement, tag, value string) string {
	return head(measurement, "bench", s.target.Bench, tag, value, "store", s.storeID)
}

// collectBook gathers rows of the book that changed.
func (s *Shipper) collectBook(ctx context.Context, b *batch) (more bool, err error) {
	changes, err := s.source.BookChanges(ctx, false, s.bookAt, changesMost)
	if err != nil {
		return false, err
	}
	for _, c := range changes {
		row, err := s.source.BookRow(ctx, c.Kind, c.ID)
		if errors.Is(err, ingest.ErrNotFound) { // deleted since
			s.bookAt = c.Seq
			continue
		} else if err != nil {
			return false, err
		}
		text, err := encodeRow(row)
		if err != nil {
			return false, fmt.Errorf("ship %s %d: %w", c.Kind, c.ID, err)
		}
		b.begin(s.head("brimline_book", "kind", c.Kind))
		b.integer("id", c.ID)
		b.integer("change", c.Seq)
		all := parts(text)
		b.integer("parts", int64(len(all)))
		for i, part := range all {
			b.text(partName(i), part)
		}
		b.end(c.At.UnixNano()/1e6*1e6+c.Seq%1e6, place{stream: streamBook, at: c.Seq})
		s.bookAt = c.Seq
	}
	if len(changes) > 0 {
		b.cursors[streamBook] = ingest.ShipCursor{Stream: streamBook, At: s.bookAt}
	}
	return len(changes) == changesMost, nil
}

// collectRates gathers the rates of runs that ended or changed.
func (s *Shipper) collectRates(ctx context.Context, b *batch, known boots) (more bool, err error) {
	changes, err := s.source.BookChanges(ctx, true, s.ratesAt, changesMost)
	if err != nil {
		return false, err
	}
	begun := time.Now()
	for _, c := range changes {
		if time.Since(begun) > ratingMost || b.len() >= s.batchPoints {
			return true, nil
		}
		run, err := s.source.Run(ctx, c.ID)
		if err == nil {
			var held bool
			if held, err = s.rateRun(ctx, b, known, run, c.Seq); held {
				s.held = true
				return false, nil // in their order: those behind it wait too
			}
		}
		if err != nil && !errors.Is(err, ingest.ErrNotFound) {
			return false, err
		}
		s.ratesAt = c.Seq
		b.cursors[streamRates] = ingest.ShipCursor{Stream: streamRates, At: c.Seq}
	}
	return len(changes) == changesMost, nil
}

func (s *Shipper) rateRun(ctx context.Context, b *batch, known boots, run ingest.Run, seq int64) (held bool, err error) {
	anchor, held, err := s.anchorOf(ctx, known, run.BootID)
	if held || err != nil {
		return held, err
	}
	rates, err := s.ratesOf(ctx, run)
	if ctx.Err() != nil {
		return false, ctx.Err()
	}
	if err != nil {
		s.log.Warn("the rates of a run are not shipped", "run", run.Number, "run_id", run.ID, "why", err)
		return false, nil
	}
	stamp := anchor + run.Start.Microseconds()*1000 + slot(run.BootID, 0)
	for _, r := range rates {
		codes := make([]string, len(r.Flags))
		for i, f := range r.Flags {
			codes[i] = f.Code
		}
		says, err := json.Marshal(r.Flags)
		if err != nil {
			return false, fmt.Errorf("ship the rates of run %d: %w", run.ID, err)
		}
		b.begin(s.head("brimline_rate", "channel", r.Channel))
		b.text("test", r.Test)
		b.text("engine", r.Engine)
		b.text("phase", r.Phase)
		b.integer("run", int64(run.Number))
		b.integer("run_id", run.ID)
		b.integer("hanging", int64(r.Hanging))
		b.integer("injector", int64(r.Injector))
		b.text("unit", r.Unit)
		var unknown []string
		for _, x := range []struct {
			name  string
			value float64
		}{{"rate_g_per_min", r.RateGPerMin}, {"rate_ml_per_min", r.RateMLPerMin}, {"u", r.U}, {"u95", r.U95}, {"u_ml_per_min", r.UMLPerMin}, {"u95_ml_per_min", r.U95MLPerMin}} {
			if b.float(x.name, x.value); math.IsNaN(x.value) || math.IsInf(x.value, 0) {
				unknown = append(unknown, x.name)
			}
		}
		// A field that is left out keeps what the point had before.
		b.text("unknown", strings.Join(unknown, ","))
		b.boolean("steady", r.Steady)
		b.boolean("allowed", r.Allowed)
		b.text("excluded", run.Excluded)
		b.text("flags", strings.Join(codes, ","))
		b.integer("flags_n", int64(len(r.Flags)))
		b.text("flags_says", string(says))
		b.integer("calibration_id", r.CalibrationID)
		b.text("version", r.Version)
		b.end(stamp, place{stream: streamRates, at: seq})
	}
	return false, nil
}

// ratesOf asks the Rater. A fault of the analysis that one run brings to light must not
// hold up all that is behind it, for it would come back at each try.
func (s *Shipper) ratesOf(ctx context.Context, run ingest.Run) (rates []Rate, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the analysis broke off: %v: tell the makers of brimline", p)
		}
	}()
	return s.opt.Rater.Rates(ctx, run)
}

// enter sets a stream to the beginning of the first boot that holds its channel, or of
// the next one behind its own, and reports whether there is one.
func (s *Shipper) enter(ctx context.Context, b *batch, known boots, st *channelStream) (bool, error) {
	for _, boot := range known.all {
		if st.begun && boot.ID <= st.cursor.Boot {
			continue
		}
		names, err := s.channelsOf(ctx, boot.ID)
		if err != nil {
			return false, err
		}
		if slices.Contains(names, st.channel) {
			st.cursor.Boot, st.cursor.At, st.cursor.N = boot.ID, us(longAgo), 0
			st.begun, st.buf, st.pos, st.skip = true, nil, longAgo, 0
			b.cursors[st.name()] = st.cursor
			return true, nil
		}
	}
	return false, nil
}

// eachBoot calls take for the boot that a stream stands in and those behind it, until one
// has more than was asked for, or may still go on.
func (s *Shipper) eachBoot(ctx context.Context, b *batch, known boots, st *channelStream, take func(anchor int64, over bool) (full bool, err error)) (full bool, err error) {
	if !st.begun {
		if there, err := s.enter(ctx, b, known, st); !there || err != nil {
			return false, err
		}
	}
	for {
		anchor, held, err := s.anchorOf(ctx, known, st.cursor.Boot)
		if held {
			s.held = true
		}
		if held || err != nil {
			return false, err
		}
		over := st.cursor.Boot != known.live
		if full, err := take(anchor, over); full || err != nil || !over {
			return full, err
		}
		if there, err := s.enter(ctx, b, known, st); !there || err != nil {
			return false, err
		}
	}
}

// read gets the stream's next samples of its boot into its buffer, and reports whether
// there were any.
func (s *Shipper) read(ctx context.Context, b *batch, st *channelStream) (bool, error) {
	for {
		spans, err := s.source.Spans(ctx, st.cursor.Boot, st.channel, st.pos, spansAtOnce, true)
		if err != nil {
			return false, err
		}
		for _, span := range spans {
			behind := span.To + time.Microsecond
			from := st.pos
			var samples []rig.Sample
			damaged := ""
			if span.Raw {
				if samples, damaged, err = s.source.SpanSamples(ctx, st.cursor.Boot, st.channel, from, behind); err != nil {
					return false, err
				}
			}
			switch {
			case span.Open:
			case damaged != "":
				s.setDamagedAside(b, st, span, len(samples), damaged)
			case len(samples) == 0: // perhaps deleted since it was listed
				setGoneAside(b, st, span)
			}
			for n := st.skip; n > 0 && len(samples) > 0 && samples[0].Elapsed == from; n-- {
				samples = samples[1:]
			}
			if !span.Open {
				st.pos, st.skip = behind, 0
			} else {
				if span.To != from {
					st.pos, st.skip = span.To, 0
				}
				for _, x := range samples {
					if x.Elapsed == st.pos {
						st.skip++
					}
				}
			}
			if len(samples) > 0 {
				st.buf = append(st.buf[:len(st.buf):len(st.buf)], samples...)
				return true, nil
			}
			if !span.Open && len(st.buf) == 0 { // or what was set aside would be so again after a restart
				st.cursor.At, st.cursor.N = us(behind), 0
				b.cursors[st.name()] = st.cursor
			}
		}
		if len(spans) < spansAtOnce {
			return false, nil
		}
	}
}

func (s *Shipper) setDamagedAside(b *batch, st *channelStream, span ingest.Span, whole int, damaged string) {
	if missing := span.N - whole; st.pos <= span.From && missing > 0 {
		s.log.Warn("damaged samples are not shipped", "channel", st.channel, "boot", st.cursor.Boot, "why", damaged)
		b.asides = append(b.asides, ingest.ShipAside{Stream: st.name(), Boot: st.cursor.Boot, From: us(span.From), To: us(span.To),
			Points: int64(missing), Why: damaged, At: time.Now()})
	}
}

// whyGone is kept as the reason of samples that were deleted before they were sent.
const whyGone = "deleted here to save space before they were sent"

// setGoneAside notes a chunk that was deleted; of one that was sent in part, its share.
func setGoneAside(b *batch, st *channelStream, span ingest.Span) {
	n := int64(span.N)
	if st.pos <= span.From {
		n -= st.skip
	} else {
		n = n * us(span.To-st.pos) / us(span.To-span.From)
	}
	if n > 0 {
		b.asides = append(b.asides, ingest.ShipAside{Stream: st.name(), Boot: st.cursor.Boot, From: us(span.From), To: us(span.To),
			Points: n, Why: whyGone, At: time.Now()})
	}
}

// collectSamples gathers up to most samples of a stream as they are.
func (s *Shipper) collectSamples(ctx context.Context, b *batch, known boots, st *channelStream, most int) (full bool, err error) {
	n := 0
	return s.eachBoot(ctx, b, known, st, func(anchor int64, over bool) (bool, error) {
		c := &st.cursor
		moved := false
		shipped := func(whole bool) {
			b.begin(st.heads.shipped)
			b.integer("boot", c.Boot)
			b.integer("to_us", c.At)
			b.boolean("whole", whole)
			b.end(anchor+slot(c.Boot, 0), place{st.name(), c.Boot, c.At})
			b.cursors[st.name()] = *c
		}
		for {
			if len(st.buf) == 0 {
				if got, err := s.read(ctx, b, st); err != nil {
					return false, err
				} else if !got {
					break
				}
			}
			for len(st.buf) > 0 && n < most {
				x := st.buf[0]
				st.buf = st.buf[1:]
				if at := us(x.Elapsed); at != c.At {
					c.At, c.N = at, 0
				}
				moved = true
				if c.N >= slotSameTime {
					b.setAside(ingest.ShipAside{Stream: st.name(), Boot: c.Boot, From: c.At, To: c.At, Points: 1,
						Why: fmt.Sprintf("over %d readings of one channel in one microsecond", slotSameTime), At: time.Now()})
				} else {
					b.begin(st.heads.points)
					b.integer("counts", int64(x.Counts))
					b.integer("quality", int64(x.Quality))
					b.integer("seq", int64(x.Seq))
					b.end(anchor+c.At*1000+slot(c.Boot, c.N), place{st.name(), c.Boot, c.At})
					n++
				}
				c.N++
			}
			if n >= most {
				shipped(false)
				return true, nil
			}
		}
		if moved || over && st.whole != c.Boot {
			shipped(over)
			if over {
				st.whole = c.Boot
			}
		}
		return false, nil
	})
}

// collectMeans gathers up to most seconds of a stream, each when it is whole.
func (s *Shipper) collectMeans(ctx context.Context, b *batch, known boots, st *channelStream, most int) (full bool, err error) {
	n := 0
	return s.eachBoot(ctx, b, known, st, func(anchor int64, over bool) (bool, error) {
		for {
			end := secondEnd(st.buf)
			if end == len(st.buf) {
				if got, err := s.read(ctx, b, st); err != nil {
					return false, err
				} else if got {
					continue
				}
				if !over || end == 0 {
					return false, nil // the second may go on
				}
			}
			if n >= most {
				return true, nil
			}
			s.mean(b, st, anchor, st.buf[:end])
			st.buf = st.buf[end:]
			n++
		}
	})
}

// secondEnd returns how many of the samples are in the first one's second.
func secondEnd(samples []rig.Sample) int {
	for i, x := range samples {
		if second(x) != second(samples[0]) {
			return i
		}
	}
	return len(samples)
}

// second is the second of elapsed time that a sample falls in.
func second(x rig.Sample) int64 {
	return int64(math.Floor(float64(us(x.Elapsed)) / 1e6))
}

func (s *Shipper) mean(b *batch, st *channelStream, anchor int64, samples []rig.Sample) {
	start := second(samples[0]) * 1e6
	var good, sum, lo, hi int64
	for _, x := range samples {
		if x.Quality != rig.Good {
			continue
		}
		v := int64(x.Counts)
		if good == 0 {
			lo, hi = v, v
		}
		good, sum, lo, hi = good+1, sum+v, min(lo, v), max(hi, v)
	}
	b.begin(st.heads.points)
	if good > 0 {
		b.float("mean_counts", float64(sum)/float64(good))
		b.integer("min", lo)
		b.integer("max", hi)
	}
	b.integer("good", good)
	b.integer("bad", int64(len(samples))-good)
	b.end(anchor+start*1000+slot(st.cursor.Boot, 0), place{st.name(), st.cursor.Boot, start})
	st.cursor.At, st.cursor.N = start+1e6, 0
	b.cursors[st.name()] = st.cursor
}

// collectHealth gathers up to most of a channel's sealed chunks as a channel's health.
func (s *Shipper) collectHealth(ctx context.Context, b *batch, known boots, st *channelStream, most int) (full bool, err error) {
	n := 0
	return s.eachBoot(ctx, b, known, st, func(anchor int64, _ bool) (bool, error) {
		for {
			spans, err := s.source.Spans(ctx, st.cursor.Boot, st.channel, fromUS(st.cursor.At), spansAtOnce, false)
			if err != nil {
				return false, err
			}
			for _, span := range spans {
				if n >= most {
					return true, nil
				}
				if err := s.health(ctx, b, st, anchor, span); err != nil {
					return false, err
				}
				n++
			}
			if len(spans) < spansAtOnce {
				return false, nil
			}
		}
	})
}

func (s *Shipper) health(ctx context.Context, b *batch, st *channelStream, anchor int64, span ingest.Span) error {
	b.begin(st.heads.points)
	b.integer("n", int64(span.N))
	for q, name := range []string{"good", "settling", "misread", "saturated", "stalled", "absent"} {
		b.integer(name, int64(span.Quality[q]))
	}
	if good := span.Quality[rig.Good]; good > 0 {
		b.integer("min", span.Min)
		b.integer("max", span.Max)
		b.float("mean_counts", float64(span.Sum)/float64(good))
	}
	if span.Raw {
		samples, _, err := s.source.SpanSamples(ctx, st.cursor.Boot, st.channel, span.From, span.To+time.Microsecond)
		if err != nil {
			return err
		}
		if len(samples) > 0 {
			for i := range samples {
				samples[i].Channel = 0
			}
			h := rig.NewHealth([]rig.HealthChannel{s.opt.Health[st.channel]})
			if err := h.Put(samples); err != nil {
				return err
			}
			now := h.Of(0, samples[len(samples)-1].Elapsed)
			b.text("state", now.State.String())
			b.text("reason", now.Reason)
			b.float("white_counts", now.WhiteCounts)
			b.integer("gaps", int64(now.Gaps))
		}
	}
	b.end(anchor+us(span.From)*1000+slot(st.cursor.Boot, 0), place{st.name(), st.cursor.Boot, us(span.From)})
	st.cursor.At, st.cursor.N = us(span.To)+1, 0
	b.cursors[st.name()] = st.cursor
	return nil
}

func us(d time.Duration) int64      { return d.Microseconds() }
func fromUS(us int64) time.Duration { return time.Duration(us) * time.Microsecond }
