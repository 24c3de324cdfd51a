package influx

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api"
	"github.com/influxdata/influxdb-client-go/v2/api/query"

	"brimline/ingest"
	"brimline/rig"
)

// readTimeout is for one question: a run of twelve channels is a million values.
const readTimeout = 2 * time.Minute

// Reader gives what a bench shipped, by the methods of the embedded store's reader. It
// holds the book as it was when it was opened, and asks for samples as they are wanted.
type Reader struct {
	target  Target
	store   string // tag store
	query   api.QueryAPI
	book    book
	shipped map[shippedKey]shipped
}

// shippedKey is the channel's tag and the stamp, which tells boots of one number apart that
// a store had before and after it was restored from a backup.
type shippedKey struct {
	channel string
	stamp   int64
}

type shipped struct {
	toUS  int64
	whole bool
}

// book is the rows of one store.
type book struct {
	boots        map[int64]ingest.BootRow
	engines      map[int64]ingest.Engine
	tests        map[int64]ingest.Test
	hangings     map[int64]ingest.Hanging
	runs         map[int64]ingest.Run
	calibrations map[int64]ingest.Calibration
	readings     map[int64]ingest.HandReading
	conditions   map[int64]ingest.Condition
}

// OpenRead reads the book of the target's bench from its bucket, by Flux (1.8 with flux
// on, or 2.x). When the bench has had several stores, as after a change of its card, it
// takes the one that has the test of that label or id; store names one by its tag and may be empty.
func OpenRead(ctx context.Context, target Target, store, test string) (*Reader, error) {
	if err := target.check(); err != nil {
		return nil, err
	}
	r := &Reader{target: target, query: api.NewQueryAPI(target.Org, target.service(readTimeout))}
	books, err := r.books(ctx)
	if err != nil {
		return nil, err
	}
	if len(books) == 0 {
		return nil, r.nothing(ctx)
	}
	var with []string
	for id, b := range books {
		if store != "" && id != store {
			continue
		}
		if _, err := b.test(test); err == nil {
			with = append(with, id)
		}
	}
	slices.Sort(with)
	switch {
	case len(with) > 1:
		return nil, fmt.Errorf("read from %s: %d stores of bench %q have a test %q, %s: name one of them", target, len(with), target.Bench, test, strings.Join(with, ", "))
	case len(with) == 0 && store != "":
		return nil, fmt.Errorf("read from %s: store %s of bench %q has no test %q: %w", target, store, target.Bench, test, ingest.ErrNotFound)
	case len(with) == 0:
		known := book{tests: map[int64]ingest.Test{}}
		n := int64(0)
		for _, b := range books {
			for _, t := range b.tests {
				n++
				known.tests[n] = t
			}
		}
		_, err := known.test(test)
		if err == nil { // by an id that is this one's alone
			err = fmt.Errorf("no test %q: %w", test, ingest.ErrNotFound)
		}
		return nil, fmt.Errorf("read from %s: bench %q: %w", target, target.Bench, err)
	}
	r.store, r.book = with[0], *books[with[0]]
	return r, r.readShipped(ctx)
}

// nothing says that the bucket holds nothing of the bench, and which benches it knows.
func (r *Reader) nothing(ctx context.Context) error {
	var names []string
	err := r.ask(ctx, r.from(time.Unix(0, 0), farAway)+` |> filter(fn: (r) => r._measurement == "brimline_book" and r._field == "id")
		|> group(columns: ["bench"]) |> distinct(column: "bench") |> keep(columns: ["bench"])`, func(v *query.FluxRecord) error {
		if name, ok := v.ValueByKey("bench").(string); ok && !slices.Contains(names, name) {
			names = append(names, name)
		}
		return nil
	})
	if err != nil {
		return err
	}
	slices.Sort(names)
	there := "it holds no bench's book: has one shipped to it yet?"
	if len(names) > 0 {
		there = "it knows " + strings.Join(names, ", ")
	}
	return fmt.Errorf("read from %s: nothing of bench %q; %s: %w", r.target, r.target.Bench, there, ingest.ErrNotFound)
}

// farAway is behind every stamp.
var farAway = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)

// from is the beginning of a question: the bucket, from one stamp to another without it.
func (r *Reader) from(a, b time.Time) string {
	return fmt.Sprintf("from(bucket: %s) |> range(start: %s, stop: %s)", fluxText(r.target.Bucket), a.UTC().Format(time.RFC3339Nano), b.UTC().Format(time.RFC3339Nano))
}

var fluxEscapes = strings.NewReplacer(`\`, `\\`, `"`, `\"`, "${", `\${`, "\n", `\n`, "\r", `\r`)

// fluxText is a text as Flux writes it.
func fluxText(s string) string { return `"` + fluxEscapes.Replace(s) + `"` }

// where is the filter of a measurement's points of this bench, and of its store when
// that is known.
func (r *Reader) where(measurement string, more ...string) string {
	s := fmt.Sprintf(` |> filter(fn: (r) => r._measurement == %s and r.bench == %s`, fluxText(measurement), fluxText(tagValue(r.target.Bench)))
	if r.store != "" {
		s += " and r.store == " + fluxText(r.store)
	}
	for i := 0; i < len(more); i += 2 {
		s += fmt.Sprintf(" and r.%s == %s", more[i], fluxText(tagValue(more[i+1])))
	}
	return s + ")"
}

// ask puts a question and calls take with each row of the answer.
func (r *Reader) ask(ctx context.Context, flux string, take func(*query.FluxRecord) error) error {
	ctx, cancel := context.WithTimeout(ctx, readTimeout)
	defer cancel()
	rows, err := r.query.Query(ctx, flux)
	if err != nil {
		return r.explain(err)
	}
	defer rows.Close()
	for rows.Next() {
		if err := take(rows.Record()); err != nil {
			return r.explain(err)
		}
	}
	return r.explain(rows.Err())
}

func (r *Reader) explain(err error) error {
	if err == nil {
		return nil
	}
	f := judge(err)
	why := f.why
	if f.refused != nil {
		why = "the server does not take the question (" + f.refused.why + "): is Flux on? A 1.8 needs flux-enabled, a 3.x has none"
	}
	if strings.Contains(err.Error(), "Flux query service disabled") {
		why = "the server has its query language Flux off: set flux-enabled = true in section [http] of its config and start it again"
	}
	return &answerError{fmt.Sprintf("read from %s: %s", r.target, why), err}
}

// answerError says in words what an error of the server means; they have its text in them.
type answerError struct {
	says string
	err  error
}

func (e *answerError) Error() string { return e.says }
func (e *answerError) Unwrap() error { return e.err }

// rowKey is where a row of the book stands.
type rowKey struct {
	store, kind string
	id          int64
}

// books reads all rows of the bench's book, by their stores.
func (r *Reader) books(ctx context.Context) (map[string]*book, error) {
	type point struct {
		store, kind string
		ns          int64
	}
	type row struct {
		id, change, parts int64
		text              map[string]string
	}
	points := map[point]*row{}
	err := r.ask(ctx, r.from(time.Unix(0, 0), farAway)+r.where("brimline_book")+` |> keep(columns: ["_time", "_field", "_value", "kind", "store"])`,
		func(v *query.FluxRecord) error {
			kind, _ := v.ValueByKey("kind").(string)
			store, _ := v.ValueByKey("store").(string)
			p := point{store, kind, v.Time().UnixNano()}
			x := points[p]
			if x == nil {
				x = &row{text: map[string]string{}}
				points[p] = x
			}
			switch value := v.Value().(type) {
			case string:
				x.text[v.Field()] = value
			case int64:
				switch v.Field() {
				case "id":
					x.id = value
				case "change":
					x.change = value
				case "parts":
					x.parts = value
				}
			}
			return nil
		})
	if err != nil {
		return nil, err
	}
	last := map[rowKey]*row{}
	for p, x := range points {
		k := rowKey{p.store, p.kind, x.id}
		if was := last[k]; was == nil || was.change < x.change {
			last[k] = x
		}
	}
	out := map[string]*book{}
	for k, x := range last {
		b := out[k.store]
		if b == nil {
			b = newBook()
			out[k.store] = b
		}
		var text strings.Builder
		for i := range int(x.parts) {
			text.WriteString(x.text[partName(i)])
		}
		if err := b.add(k.kind, x.id, text.String()); err != nil {
			return nil, fmt.Errorf("read from %s: bench %q, store %s, %s %d: %w: the point was changed, or only in part written", r.target, r.target.Bench, k.store, k.kind, x.id, err)
		}
	}
	return out, nil
}

func newBook() *book {
	return &book{map[int64]ingest.BootRow{}, map[int64]ingest.Engine{}, map[int64]ingest.Test{}, map[int64]ingest.Hanging{},
		map[int64]ingest.Run{}, map[int64]ingest.Calibration{}, map[int64]ingest.HandReading{}, map[int64]ingest.Condition{}}
}

// add puts a row into the book. Kinds that nobody asks for, or that are a newer program's,
// are left out.
func (b *book) add(kind string, id int64, text string) error {
	switch kind {
	case ingest.BookBoot:
		return put(b.boots, id, text)
	case ingest.BookEngine:
		return put(b.engines, id, text)
	case ingest.BookTest:
		return put(b.tests, id, text)
	case ingest.BookHanging:
		return put(b.hangings, id, text)
	case ingest.BookRun:
		return put(b.runs, id, text)
	case ingest.BookCalibration:
		return put(b.calibrations, id, text)
	case ingest.BookHandReading:
		return put(b.readings, id, text)
	case ingest.BookCondition:
		return put(b.conditions, id, text)
	}
	return nil
}

func put[T any](rows map[int64]T, id int64, text string) error {
	var row T
	if err := decodeRow(text, &row); err != nil {
		return err
	}
	rows[id] = row
	return nil
}

// inOrder returns the rows that keep says, sorted.
func inOrder[T any](rows map[int64]T, keep func(T) bool, compare func(a, b T) int) []T {
	var out []T
	for _, row := range rows {
		if keep(row) {
			out = append(out, row)
		}
	}
	slices.SortFunc(out, compare)
	return out
}

// byRef finds a row by its label or, when no label fits, by its id.
func byRef[T any](rows map[int64]T, what, ref string, label func(T) string) (T, error) {
	var known []string
	for _, row := range rows {
		if label(row) == ref {
			return row, nil
		}
		known = append(known, label(row))
	}
	if id, err := strconv.ParseInt(ref, 10, 64); err == nil {
		if row, ok := rows[id]; ok {
			return row, nil
		}
	}
	there := "there are none yet"
	if slices.Sort(known); len(known) > 0 {
		there = "there are " + strings.Join(known[:min(len(known), 10)], ", ")
		if len(known) > 10 {
			there += " and more"
		}
	}
	var none T
	return none, fmt.Errorf("no %s %q; %s: %w", what, ref, there, ingest.ErrNotFound)
}

func (b *book) test(ref string) (ingest.Test, error) {
	return byRef(b.tests, "test", ref, func(t ingest.Test) string { return t.Label })
}

// Test finds a test by its label or id. None is ingest.ErrNotFound.
func (r *Reader) Test(_ context.Context, ref string) (ingest.Test, error) { return r.book.test(ref) }

// Engine finds an engine by its label or id. None is ingest.ErrNotFound.
func (r *Reader) Engine(_ context.Context, ref string) (ingest.Engine, error) {
	return byRef(r.book.engines, "engine", ref, func(e ingest.Engine) string { return e.Label })
}

// Runs lists a test's runs by number, excluded ones included.
func (r *Reader) Runs(_ context.Context, testID int64) ([]ingest.Run, error) {
	return inOrder(r.book.runs, func(x ingest.Run) bool { return x.TestID == testID }, func(a, b ingest.Run) int { return cmp.Compare(a.Number, b.Number) }), nil
}

// Hangings lists a test's hangings by number.
func (r *Reader) Hangings(_ context.Context, testID int64) ([]ingest.Hanging, error) {
	return inOrder(r.book.hangings, func(x ingest.Hanging) bool { return x.TestID == testID }, func(a, b ingest.Hanging) int { return cmp.Compare(a.Number, b.Number) }), nil
}

// HandReadings lists a test's hand readings, or all when testID is 0, in the order of
// the runs.
func (r *Reader) HandReadings(_ context.Context, testID int64) ([]ingest.HandReading, error) {
	return inOrder(r.book.readings, func(x ingest.HandReading) bool { return testID == 0 || x.TestID == testID }, func(a, b ingest.HandReading) int {
		return cmp.Or(cmp.Compare(a.TestID, b.TestID), cmp.Compare(a.RunNumber, b.RunNumber), cmp.Compare(a.Injector, b.Injector), cmp.Compare(a.ID, b.ID))
	}), nil
}

// Conditions lists what was noted beside a test's runs.
func (r *Reader) Conditions(_ context.Context, testID int64) ([]ingest.Condition, error) {
	return inOrder(r.book.conditions, func(x ingest.Condition) bool { return x.TestID == testID }, func(a, b ingest.Condition) int {
		return cmp.Or(cmp.Compare(a.Run, b.Run), cmp.Compare(a.Name, b.Name), cmp.Compare(a.Injector, b.Injector))
	}), nil
}

// Boots lists the boots, oldest first.
func (r *Reader) Boots(context.Context) ([]ingest.Boot, error) {
	var out []ingest.Boot
	for _, b := range inOrder(r.book.boots, func(ingest.BootRow) bool { return true }, func(a, b ingest.BootRow) int { return cmp.Compare(a.ID, b.ID) }) {
		out = append(out, b.Boot)
	}
	return out, nil
}

// Calibration returns a channel's latest calibration made at or before a time; among
// those of one time, the one kept last. None is ingest.ErrNotFound.
func (r *Reader) Calibration(ctx context.Context, channel string, at time.Time) (ingest.Calibration, error) {
	all, err := r.Calibrations(ctx, channel)
	for _, c := range slices.Backward(all) {
		if !c.At.After(at) { // one without a time always holds
			return c, nil
		}
	}
	return ingest.Calibration{}, cmp.Or(err, fmt.Errorf("no calibration of channel %q at %s: %w", channel, at.UTC().Format(time.RFC3339), ingest.ErrNotFound))
}

// Calibrations lists all calibrations of a channel, or of all channels when it is empty,
// oldest first.
func (r *Reader) Calibrations(_ context.Context, channel string) ([]ingest.Calibration, error) {
	return inOrder(r.book.calibrations, func(c ingest.Calibration) bool { return channel == "" || c.Channel == channel }, func(a, b ingest.Calibration) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID))
	}), nil
}

func (r *Reader) readShipped(ctx context.Context) error {
	r.shipped = map[shippedKey]shipped{}
	return r.ask(ctx, r.from(time.Unix(0, 0), farAway)+r.where("brimline_shipped")+` |> filter(fn: (r) => r._field != "boot") |> keep(columns: ["_time", "_field", "_value", "channel"])`,
		func(v *query.FluxRecord) error {
			channel, _ := v.ValueByKey("channel").(string)
			k := shippedKey{channel, v.Time().UnixNano()}
			p := r.shipped[k]
			switch value := v.Value().(type) {
			case int64:
				p.toUS = value
			case bool:
				p.whole = value
			}
			r.shipped[k] = p
			return nil
		})
}

// RunSeries returns the samples of a run, one Series for each of its positions in their
// order: from Start up to End, or to the last while the run goes on. A run of which not
// all has come to the bucket is an error that says how much has. Holes in what came,
// as damage of the embedded store or points that the server refused leave, are told by an
// *ingest.PartialError beside the samples.
func (r *Reader) RunSeries(ctx context.Context, run ingest.Run) ([]ingest.Series, error) {
	boot, ok := r.book.boots[run.BootID]
	if !ok {
		return nil, fmt.Errorf("read run %d from %s: its start of the bench, boot %d, has not come to the bucket: wait until the bench has shipped it", run.Number, r.target, run.BootID)
	}
	var out []ingest.Series
	var holes []string
	for _, p := range run.Positions {
		number := slices.IndexFunc(boot.Channels, func(c ingest.BootChannel) bool { return c.Name == p.Channel })
		if number < 0 {
			return nil, fmt.Errorf("read run %d from %s: boot %d has no channel %q: %w", run.Number, r.target, run.BootID, p.Channel, ingest.ErrNotFound)
		}
		came, ok := r.shipped[shippedKey{tagValue(p.Channel), boot.Anchor.UnixNano() + slot(boot.ID, 0)}]
		switch {
		case !ok:
			return nil, fmt.Errorf("read run %d from %s: no raw samples of channel %s have come: wait until the bench has shipped them; it must ship them all (raw = %q)", run.Number, r.target, p.Channel, RawAll)
		case run.End > 0 && !came.whole && came.toUS < ceilUS(run.End):
			return nil, fmt.Errorf("read run %d from %s: channel %s has come up to %.1f s of the boot, the run ends at %.1f s: wait until the bench has shipped it", run.Number, r.target, p.Channel, float64(came.toUS)/1e6, run.End.Seconds())
		}
		to := run.End
		if to > 0 {
			to += neighbours
		}
		samples, err := r.samples(ctx, boot, p.Channel, run.Start-neighbours, to)
		if err != nil {
			return nil, err
		}
		missing := lacking(samples, run)
		samples = slices.DeleteFunc(samples, func(x rig.Sample) bool { return !within(x.Elapsed, run) })
		for i := range samples {
			samples[i].Channel = number
		}
		if missing > 0 {
			holes = append(holes, fmt.Sprintf("%s lacks %d", p.Channel, missing))
		}
		out = append(out, ingest.Series{Channel: rig.Channel{Name: p.Channel, CapacityML: boot.Channels[number].CapacityML}, BootID: run.BootID, Samples: samples})
	}
	if len(holes) > 0 {
		return out, &ingest.PartialError{Says: fmt.Sprintf("of the samples in %s some are missing by their numbers: %s; the rest is used", r.target, strings.Join(holes, ", "))}
	}
	return out, nil
}

// neighbours is how far before and behind a run samples are read with it: by their
// numbers, what is missing at its ends is found.
const neighbours = 10 * time.Second

// within reports whether an elapsed time is in a run.
func within(at time.Duration, run ingest.Run) bool {
	return at >= run.Start && (run.End == 0 || at < run.End)
}

// lacking counts the numbers that are missing in a run, each where it would stand if
// samples came evenly between the two that are there.
func lacking(samples []rig.Sample, run ingest.Run) (n int) {
	for i := 1; i < len(samples); i++ {
		a, b := samples[i-1], samples[i]
		if b.Seq <= a.Seq+1 || b.Elapsed < run.Start || run.End > 0 && a.Elapsed >= run.End {
			continue
		}
		gap := b.Seq - a.Seq
		for k := uint64(1); k < min(gap, maxGap); k++ {
			if within(a.Elapsed+time.Duration(float64(b.Elapsed-a.Elapsed)*float64(k)/float64(gap)), run) {
				n++
			}
		}
	}
	return n
}

// maxGap bounds what is counted of one gap: a number out of all bounds is another program's.
const maxGap = 1 << 24

// samples reads a channel's samples of a boot; to 0 means to the last.
func (r *Reader) samples(ctx context.Context, boot ingest.BootRow, channel string, from, to time.Duration) ([]rig.Sample, error) {
	if boot.Anchor.IsZero() {
		return nil, fmt.Errorf("read from %s: boot %d has no anchor yet: wait until the bench has shipped more", r.target, boot.ID)
	}
	lo, hi := ceilUS(from), int64(math.MaxInt64)
	stop := farAway
	if to > 0 {
		hi = ceilUS(to)
		stop = boot.Anchor.Add(fromUS(hi))
	}
	// A later boot of the channel with the same slot has its anchor behind this one's end.
	for _, b := range r.book.boots {
		holds := slices.ContainsFunc(b.Channels, func(c ingest.BootChannel) bool { return c.Name == channel })
		if holds && b.ID%slotBoots == boot.ID%slotBoots && b.Anchor.After(boot.Anchor) && b.Anchor.Before(stop) {
			stop = b.Anchor
		}
	}
	anchor := boot.Anchor.UnixNano()
	byStamp := map[int64]*rig.Sample{}
	fields := map[int64]int{}
	flux := r.from(boot.Anchor.Add(fromUS(lo)), stop) + r.where("brimline_sample", "channel", channel) + ` |> keep(columns: ["_time", "_field", "_value"])`
	err := r.ask(ctx, flux, func(v *query.FluxRecord) error {
		stamp := v.Time().UnixNano()
		rest := stamp - anchor
		micro := rest / 1000
		if rest < 0 && rest%1000 != 0 {
			micro--
		}
		if (rest-micro*1000)/slotSameTime != boot.ID%slotBoots || micro < lo || micro >= hi {
			return nil // of another boot
		}
		n, ok := v.Value().(int64)
		if !ok {
			return fmt.Errorf("field %s of brimline_sample holds %v, not a whole number: another program writes there", v.Field(), v.Value())
		}
		x := byStamp[stamp]
		if x == nil {
			x = &rig.Sample{Reading: rig.Reading{Elapsed: fromUS(micro)}}
			byStamp[stamp] = x
		}
		switch v.Field() {
		case "counts":
			x.Counts = int32(n)
		case "quality":
			x.Quality = rig.Quality(n)
		case "seq":
			x.Seq = uint64(n)
		}
		fields[stamp]++
		return nil
	})
	if err != nil {
		return nil, err
	}
	stamps := make([]int64, 0, len(byStamp))
	for stamp := range byStamp {
		if fields[stamp] != 3 {
			return nil, errors.New("read from " + r.target.String() + ": a point of brimline_sample lacks a field: another program writes there")
		}
		stamps = append(stamps, stamp)
	}
	slices.Sort(stamps)
	out := make([]rig.Sample, len(stamps))
	for i, stamp := range stamps {
		out[i] = *byStamp[stamp]
	}
	return out, nil
}

// ceilUS is the first whole microsecond at or after d.
func ceilUS(d time.Duration) int64 {
	n := us(d)
	if fromUS(n) < d {
		n++
	}
	return n
}
