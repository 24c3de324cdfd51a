package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// chunkUS is a chunk's length, and the grid on elapsed time that chunks are cut on:
// a chunk never spans a multiple of it. So chunks are the same however the samples
// came, batch by batch.
const chunkUS = 60_000_000

// openChunk is the samples of one channel that are in tail rows only.
type openChunk struct {
	channelID int64
	name      string
	samples   []rig.Sample
	lastUS    int64
	any       bool // lastUS is set
}

// cell is the number of the stretch of the grid that a sample falls in.
func cell(s rig.Sample) int64 {
	us := toUS(s.Elapsed)
	if us < 0 {
		return (us - chunkUS + 1) / chunkUS
	}
	return us / chunkUS
}

// firstStretch returns how many of the samples make the first chunk, and whether
// the chunk is full, that is, whether later samples cannot belong to it.
func firstStretch(s []rig.Sample) (n int, full bool) {
	for n = 1; n < len(s); n++ {
		if n == maxChunkSamples || cell(s[n]) != cell(s[0]) {
			return n, true
		}
	}
	return n, false
}

// Append makes samples of the boot durable, all or none: when it returns nil they
// survive the end of the process and of the power. Samples of a channel must be in
// order of elapsed time, which is rounded to the microsecond. bootID must be the
// last boot that NewBoot began. The slice stays the caller's.
func (s *Store) Append(ctx context.Context, bootID int64, samples []rig.Sample) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	op := fmt.Sprintf("append %d samples", len(samples))
	if s.boot == 0 || bootID != s.boot {
		return explain(op, s.path, fmt.Errorf("boot %d is not the one that was started last, %d: start a boot first: %w", bootID, s.boot, ErrConflict))
	}

	// Work on copies: the open chunks change only when the commit has succeeded.
	next := map[int]openChunk{}
	for _, sample := range samples {
		c, ok := next[sample.Channel]
		if !ok {
			was := s.open[sample.Channel]
			if was == nil {
				return explain(op, s.path, fmt.Errorf("channel number %d, but boot %d has %d channels: check the bench's sensors against its config: %w",
					sample.Channel, bootID, len(s.open), ErrConflict))
			}
			c = *was
		}
		us := toUS(sample.Elapsed)
		if c.any && us < c.lastUS {
			return explain(op, s.path, fmt.Errorf("channel %s, sample %d: elapsed %.6f s comes after %.6f s, but time only goes forward: report this as a fault: %w",
				c.name, sample.Seq, float64(us)/1e6, float64(c.lastUS)/1e6, ErrConflict))
		}
		c.lastUS, c.any = us, true
		c.samples = append(c.samples, sample)
		next[sample.Channel] = c
	}

	keep := func(ctx context.Context) error {
		for _, number := range slices.Sorted(maps.Keys(next)) { // the same file each time
			c := next[number]
			saved := len(s.open[number].samples) // that many of c's are in tail rows
			for {
				if k := len(c.samples); k > 0 && k <= maxChunkSamples && cell(c.samples[k-1]) == cell(c.samples[0]) {
					break // the usual case, told by its ends: they are in order
				}
				n, full := firstStretch(c.samples)
				if !full {
					break
				}
				if err := s.insertChunk(ctx, bootID, c.channelID, c.samples[:n]); err != nil {
					return err
				}
				if saved > 0 {
					if _, err := s.w.ExecContext(ctx, `DELETE FROM tail WHERE boot = ? AND channel = ?`, bootID, c.channelID); err != nil {
						return err
					}
					saved = 0
				}
				c.samples = c.samples[n:]
			}
			next[number] = c
			if saved == len(c.samples) {
				continue
			}
			var err error
			if s.buf, err = appendChunk(s.buf[:0], bootID, c.channelID, c.samples[saved:], &s.sc); err != nil {
				return err
			}
			if _, err := s.w.ExecContext(ctx, `INSERT INTO tail (channel, boot, data) VALUES (?, ?, ?)`, c.channelID, bootID, s.buf); err != nil {
				return err
			}
		}
		return nil
	}
	given := maps.Clone(next)
	err := s.transact(ctx, op, keep)
	if isDamage(err) {
		next = given // keep has cut its chunks
		err = s.transact(ctx, op, func(ctx context.Context) error {
			if err := s.rebuildTails(ctx); err != nil {
				return err
			}
			return keep(ctx)
		})
	}
	if err != nil {
		return err
	}
	for number, c := range next {
		was := s.open[number]
		if len(c.samples) < len(was.samples) {
			c.samples = append(was.samples[:0], c.samples...) // back to the start of the memory
		}
		*was = c
	}
	return nil
}

// summary is what a chunk's row says of its samples.
type summary struct {
	firstUS, lastUS int64
	firstSeq        uint64
	n               int
	quality         [7]int // by rig.Quality; the last is for those this program does not know
	min, max, sum   int64  // of the good counts
}

func summarise(samples []rig.Sample) summary {
	m := summary{
		firstUS:  toUS(samples[0].Elapsed),
		lastUS:   toUS(samples[len(samples)-1].Elapsed),
		firstSeq: samples[0].Seq,
		n:        len(samples),
		min:      math.MaxInt64,
		max:      math.MinInt64,
	}
	for _, s := range samples {
		m.quality[min(int(s.Quality), len(m.quality)-1)]++
		if s.Quality == rig.Good {
			m.min = min(m.min, int64(s.Counts))
			m.max = max(m.max, int64(s.Counts))
			m.sum += int64(s.Counts)
		}
	}
	return m
}

// extreme binds a minimum or maximum of no good counts as NULL.
func (m summary) extreme(v int64) any {
	if m.quality[rig.Good] == 0 {
		return nil
	}
	return v
}

// insertChunk seals samples of one stretch of the grid into a chunk.
func (s *Store) insertChunk(ctx context.Context, bootID, channelID int64, samples []rig.Sample) (err error) {
	if s.buf, err = appendChunk(s.buf[:0], bootID, channelID, samples, &s.sc); err != nil {
		return err
	}
	id, err := s.insertRow(ctx, `INSERT INTO chunk_data (data) VALUES (?)`, s.buf)
	if err != nil {
		return err
	}
	m := summarise(samples)
	period := float64(clockPeriod(samples, &s.sc)) / (1 << fracBits)
	_, err = s.w.ExecContext(ctx, `INSERT INTO chunk (channel, boot, first_us, id, last_us, first_seq, n,
		good, settling, misread, saturated, stalled, absent, other, min, max, sum, period_us, raw)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 1)`,
		channelID, bootID, m.firstUS, id, m.lastUS, int64(m.firstSeq), m.n,
		m.quality[0], m.quality[1], m.quality[2], m.quality[3], m.quality[4], m.quality[5], m.quality[6],
		m.extreme(m.min), m.extreme(m.max), m.sum, period)
	return err
}

// tailRow is one row of table tail.
type tailRow struct {
	id, channel, boot int64
	data              []byte
}

func scanTail(row *sql.Rows) (t tailRow, err error) {
	return t, row.Scan(&t.id, &t.channel, &t.boot, &t.data)
}

// sealTails makes chunks of all tails, as readTails gave them, and sets aside those that do
// not decode. It runs inside a transaction, in which SQLite would write nothing any more
// after it had met damage: so the reading comes before it.
func (s *Store) sealTails(ctx context.Context, tails []tailRow, damage error) error {
	if len(tails) == 0 && damage == nil {
		return nil
	}
	slices.SortFunc(tails, func(a, b tailRow) int {
		return cmp.Or(cmp.Compare(a.boot, b.boot), cmp.Compare(a.channel, b.channel), cmp.Compare(a.id, b.id))
	})
	for len(tails) > 0 {
		first := tails[0]
		var samples []rig.Sample
		for len(tails) > 0 && tails[0].boot == first.boot && tails[0].channel == first.channel {
			t := tails[0]
			tails = tails[1:]
			part, err := t.decode()
			if err != nil {
				_, err = s.w.ExecContext(ctx, `INSERT INTO aside (channel, boot, came, why, data) VALUES (?, ?, 'tail', ?, ?)`,
					t.channel, t.boot, err.Error(), t.data)
				if err != nil {
					return err
				}
				continue
			}
			samples = append(samples, part...)
		}
		for len(samples) > 0 {
			n, _ := firstStretch(samples)
			if err := s.insertChunk(ctx, first.boot, first.channel, samples[:n]); err != nil {
				return err
			}
			samples = samples[n:]
		}
	}
	if damage != nil {
		if err := s.renewTails(ctx); err != nil {
			return err
		}
		// Whose they were is not known: of the last boot, as all open tails are.
		_, err := s.w.ExecContext(ctx, `INSERT INTO aside (channel, boot, came, why, data)
			SELECT channel, boot, 'tail', ?, x'' FROM boot_channel WHERE boot = (SELECT max(boot) FROM boot_channel)`,
			damage.Error()+"; samples of this channel may have been on it; the table is kept as tail_damaged")
		return err
	}
	_, err := s.w.ExecContext(ctx, `DELETE FROM tail`)
	return err
}

// readTails reads the tails that meet a condition, by id. Where a page of the table is
// damaged it reads up to it from both ends, and tells of it in damage.
func readTails(ctx context.Context, q queryer, where string, args ...any) (tails []tailRow, damage, err error) {
	read := func(order string, after int64) (got []tailRow, err error) {
		rows, err := q.QueryContext(ctx, `SELECT id, channel, boot, data FROM tail WHERE `+where+` ORDER BY id `+order, args...)
		if err != nil {
			return nil, err
		}
		defer rows.Close()
		for rows.Next() {
			t, err := scanTail(rows)
			if err != nil || t.id <= after {
				return got, err
			}
			got = append(got, t)
		}
		return got, rows.Err()
	}
	tails, err = read("", math.MinInt64)
	if !isDamage(err) {
		return tails, nil, err
	}
	damage = fmt.Errorf("a page of table tail cannot be read, and what it held is lost: %w", err)
	last := int64(math.MinInt64)
	if len(tails) > 0 {
		last = tails[len(tails)-1].id
	}
	rest, err := read("DESC", last)
	if err != nil && !isDamage(err) {
		return nil, nil, err
	}
	slices.Reverse(rest)
	return append(tails, rest...), damage, nil
}

// renewTails sets a damaged table of tails aside, under a name of its own, and begins a new
// one. The old one cannot be emptied: that would read its pages.
func (s *Store) renewTails(ctx context.Context) error {
	var n int
	var made string
	if err := s.w.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name LIKE 'tail\_damaged\_%' ESCAPE '\'`).Scan(&n); err != nil {
		return err
	}
	if err := s.w.QueryRowContext(ctx, `SELECT sql FROM sqlite_schema WHERE type = 'table' AND name = 'tail'`).Scan(&made); err != nil {
		return err
	}
	for _, st := range []string{fmt.Sprintf(`ALTER TABLE tail RENAME TO tail_damaged_%d`, n+1), made} {
		if _, err := s.w.ExecContext(ctx, st); err != nil {
			return fmt.Errorf("set the damaged table of tails aside: %w", err)
		}
	}
	return nil
}

// rebuildTails is renewTails while samples are being taken: what the damaged table held is
// still at hand, and goes into the new one.
func (s *Store) rebuildTails(ctx context.Context) error {
	if err := s.renewTails(ctx); err != nil {
		return err
	}
	for _, number := range slices.Sorted(maps.Keys(s.open)) {
		c := s.open[number]
		if len(c.samples) == 0 {
			continue
		}
		data, err := appendChunk(nil, s.boot, c.channelID, c.samples, &s.sc)
		if err != nil {
			return err
		}
		if _, err := s.w.ExecContext(ctx, `INSERT INTO tail (channel, boot, data) VALUES (?, ?, ?)`, c.channelID, s.boot, data); err != nil {
			return err
		}
	}
	return nil
}

// decode reads a tail and checks that it stands where it was put.
func (t tailRow) decode() ([]rig.Sample, error) { return decodeAt(t.data, t.boot, t.channel) }

// decodeAt decodes a chunk and checks that it is of the boot and channel its row says.
func decodeAt(data []byte, boot, channel int64) ([]rig.Sample, error) {
	head, samples, err := DecodeChunk(data)
	if err != nil {
		return nil, err
	}
	if head.BootID != boot || head.ChannelID != channel {
		return nil, fmt.Errorf("its row says boot %d, channel %d, it says boot %d, channel %d", boot, channel, head.BootID, head.ChannelID)
	}
	return samples, nil
}

// Samples returns a channel's samples of a boot from one elapsed time up to, and
// without, another (End: to the last), oldest first, chunks and tail together;
// elapsed times are whole microseconds. What is damaged is left out and listed in
// a *DamageError, which comes beside the samples that are whole; any other error
// comes without samples. A stretch whose raw samples were deleted to save space is
// left out silently. A channel that the boot does not have is ErrNotFound.
func (r *Reader) Samples(ctx context.Context, bootID int64, channel string, from, to time.Duration) ([]rig.Sample, error) {
	op := fmt.Sprintf("read samples of channel %q, boot %d", channel, bootID)
	tx, err := r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true}) // one state of the file for all queries
	if err != nil {
		return nil, explain(op, r.path, err)
	}
	defer tx.Rollback()
	type place struct {
		id     int64
		number int
	}
	found, err := list(ctx, tx, func(row *sql.Rows) (p place, err error) {
		return p, row.Scan(&p.id, &p.number)
	}, `SELECT c.id, number FROM boot_channel b JOIN channel c ON c.id = b.channel WHERE boot = ? AND name = ?`, bootID, channel)
	p, err := one(found, err, fmt.Sprintf("channel %q in boot %d", channel, bootID), labels(ctx, tx,
		`SELECT name FROM boot_channel b JOIN channel c ON c.id = b.channel WHERE boot = ? ORDER BY number`, bootID))
	if err != nil {
		return nil, explain(op, r.path, err)
	}

	lo, hi := ceilUS(from), ceilUS(to)
	if to == End {
		hi = math.MaxInt64
	}
	damage := &DamageError{Path: r.path}
	var out []rig.Sample
	add := func(samples []rig.Sample) {
		for _, s := range samples {
			if us := int64(s.Elapsed / time.Microsecond); us >= lo && us < hi {
				s.Channel = p.number
				out = append(out, s)
			}
		}
	}
	type row struct {
		id       int64
		firstSeq int64
		m        summary
	}
	rows, err := list(ctx, tx, func(r *sql.Rows) (c row, err error) {
		return c, r.Scan(&c.id, &c.m.firstUS, &c.m.lastUS, &c.firstSeq, &c.m.n)
	}, `SELECT id, first_us, last_us, first_seq, n FROM chunk
		WHERE channel = ? AND boot = ? AND first_us < ? AND first_us > ? AND last_us >= ? AND raw ORDER BY first_us, id`,
		p.id, bootID, hi, max(lo, math.MinInt64+chunkUS)-chunkUS, lo)
	if isDamage(err) {
		rows = nil
		damage.Damages = append(damage.Damages, Damage{Channel: channel,
			Err: fmt.Errorf("a page of table chunk cannot be read; the chunks were found one by one instead: %w", err)})
		var found []rig.Sample
		found, err = salvage(ctx, tx, bootID, p.id, channel, damage)
		add(found)
	}
	if err != nil {
		return nil, explain(op, r.path, err)
	}
	total := 0
	for _, c := range rows {
		total += min(c.m.n, maxChunkSamples) // a damaged row asks for no more
	}
	out = slices.Grow(out, total)
	for _, c := range rows {
		// One by one, so that a bad page costs the chunks on it and no others.
		var data []byte
		err := tx.QueryRowContext(ctx, `SELECT data FROM chunk_data WHERE id = ?`, c.id).Scan(&data)
		if errors.Is(err, sql.ErrNoRows) {
			err = errors.New("its bytes are missing from table chunk_data")
		}
		var samples []rig.Sample
		if err == nil {
			samples, err = decodeAt(data, bootID, p.id)
		}
		if err == nil {
			m := summarise(samples)
			if m.firstUS != c.m.firstUS || m.lastUS != c.m.lastUS || m.n != c.m.n || m.firstSeq != uint64(c.firstSeq) {
				err = errors.New("its row in table chunk says another time, number or count than its samples")
			}
		}
		if ctx.Err() != nil {
			return nil, explain(op, r.path, ctx.Err())
		}
		if err != nil {
			damage.Damages = append(damage.Damages, Damage{channel, c.id, fromUS(c.m.firstUS), fromUS(c.m.lastUS), err})
			continue
		}
		add(samples)
	}
	tails, lost, err := readTails(ctx, tx, "channel = ? AND boot = ?", p.id, bootID)
	if err != nil {
		return nil, explain(op, r.path, err)
	}
	if lost != nil {
		damage.Damages = append(damage.Damages, Damage{Channel: channel, Err: lost})
	}
	for _, t := range tails {
		samples, err := t.decode()
		if err != nil {
			damage.Damages = append(damage.Damages, Damage{Channel: channel, Err: err})
			continue
		}
		add(samples)
	}
	asides, err := list(ctx, tx, scanText, `SELECT why FROM aside WHERE channel = ? AND boot = ? ORDER BY id`, p.id, bootID)
	if err != nil {
		return nil, explain(op, r.path, err)
	}
	for _, why := range asides {
		damage.Damages = append(damage.Damages, Damage{Channel: channel, Err: errors.New(why + " (set aside when the store was opened)")})
	}
	if len(damage.Damages) > 0 {
		return out, damage
	}
	return out, nil
}

// salvage finds a channel's chunks of a boot without table chunk, by what each says of
// itself, oldest first. It reads all chunks that there are, so it is slow.
func salvage(ctx context.Context, tx *sql.Tx, bootID, channelID int64, name string, damage *DamageError) ([]rig.Sample, error) {
	var last int64
	if err := tx.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'chunk_data'`).Scan(&last); err != nil {
		return nil, err
	}
	var found [][]rig.Sample
	for id := int64(1); id <= last; id++ {
		var data []byte
		err := tx.QueryRowContext(ctx, `SELECT data FROM chunk_data WHERE id = ?`, id).Scan(&data)
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if errors.Is(err, sql.ErrNoRows) {
			continue
		}
		var samples []rig.Sample
		if err == nil {
			if boot, channel := chunkOf(data); boot != bootID || channel != channelID {
				continue
			}
			samples, err = decodeAt(data, bootID, channelID)
		}
		if err != nil {
			damage.Damages = append(damage.Damages, Damage{Channel: name, ChunkID: id, Err: fmt.Errorf("perhaps of this channel: %w", err)})
			continue
		}
		found = append(found, samples)
	}
	slices.SortStableFunc(found, func(a, b []rig.Sample) int { return cmp.Compare(a[0].Elapsed, b[0].Elapsed) })
	return slices.Concat(found...), nil
}

// RunSeries returns the samples of a run, one Series for each of its positions in
// their order: from Start up to End, or to the last while the run goes on. Damage
// is reported as Samples does.
func (r *Reader) RunSeries(ctx context.Context, run ingest.Run) ([]ingest.Series, error) {
	channels, err := r.BootChannels(ctx, run.BootID)
	if err != nil {
		return nil, err
	}
	byName := map[string]rig.Channel{}
	for _, c := range channels {
		byName[c.Name] = c
	}
	to := run.End
	if to == 0 {
		to = End
	}
	all := &DamageError{Path: r.path}
	var out []ingest.Series
	for _, p := range run.Positions {
		samples, err := r.Samples(ctx, run.BootID, p.Channel, run.Start, to)
		if damage := (*DamageError)(nil); errors.As(err, &damage) {
			all.Damages = append(all.Damages, damage.Damages...)
		} else if err != nil {
			return nil, err
		}
		out = append(out, ingest.Series{Channel: byName[p.Channel], BootID: run.BootID, Samples: samples})
	}
	if len(all.Damages) > 0 {
		return out, all
	}
	return out, nil
}

// Stats is the size of a store.
type Stats struct {
	Samples   int64 // in chunks and tails
	Chunks    int64
	Tails     int64 // rows of open chunks
	Aside     int64 // damaged tails that were set aside
	DataBytes int64 // of chunks and tails, as coded
	FileBytes int64 // of the file, without its log
}

// Stats counts what the store holds.
func (r *Reader) Stats(ctx context.Context) (Stats, error) {
	const op = "measure the store"
	var st Stats
	err := r.db.QueryRowContext(ctx, `SELECT
		(SELECT coalesce(sum(n), 0) FROM chunk), (SELECT count(*) FROM chunk),
		(SELECT count(*) FROM tail), (SELECT count(*) FROM aside),
		(SELECT coalesce(sum(length(data)), 0) FROM chunk_data) + (SELECT coalesce(sum(length(data)), 0) FROM tail),
		(SELECT page_count * page_size FROM pragma_page_count, pragma_page_size)`).
		Scan(&st.Samples, &st.Chunks, &st.Tails, &st.Aside, &st.DataBytes, &st.FileBytes)
	if err != nil {
		return Stats{}, explain(op, r.path, err)
	}
	tails, _, err := readTails(ctx, r.db, "true")
	if err != nil {
		return Stats{}, explain(op, r.path, err)
	}
	for _, t := range tails {
		if samples, err := t.decode(); err == nil {
			st.Samples += int64(len(samples))
		}
	}
	return st, nil
}

// ceilUS is the first whole microsecond at or after d.
func ceilUS(d time.Duration) int64 {
	us := int64(d) / 1000
	if int64(d)%1000 > 0 {
		us++
	}
	return us
}
