package ingest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"brimline/rig"
)

// cupboard is a Kept in memory, with its disk and its clock: a chunk a minute, of chunkBytes.
type cupboard struct {
	now    time.Duration
	boots  []Boot
	chunks []WatchChunk
	room   StoreRoom
	disk   int64
	under  bool
	stops  []WatchStop

	diskErr, roomErr, deleteErr, stopErr error
	deleteTakes                          time.Duration // for each chunk
	deletes                              []int         // chunks of each transaction
	rules                                []string
}

const (
	mb         = 1_000_000
	chunkBytes = mb / 10
)

var errFull = errors.New("no space left")

func (c *cupboard) Now() time.Duration { return c.now }
func (c *cupboard) Sleep(ctx context.Context, d time.Duration) error {
	c.now += d
	return ctx.Err()
}
func (c *cupboard) Free() (int64, error) { return c.disk + LogReserve, c.diskErr }
func (c *cupboard) String() string       { return "the card" }

func (c *cupboard) WatchBoots(context.Context) ([]Boot, error)       { return c.boots, nil }
func (c *cupboard) Room(context.Context) (StoreRoom, error)          { return c.room, c.roomErr }
func (c *cupboard) RunUnderWay(context.Context, int64) (bool, error) { return c.under, nil }

func (c *cupboard) WatchChunks(_ context.Context, q WatchQuery) ([]WatchChunk, error) {
	var out []WatchChunk
	for _, x := range c.chunks {
		if (q.BootID == 0 || x.BootID == q.BootID) && x.ID > q.After.ID && x.To < q.Before && len(out) < q.Limit {
			out = append(out, x)
		}
	}
	return out, nil
}

func (c *cupboard) DeleteWatchRaw(_ context.Context, rule string, at time.Time, chunks []WatchChunk) (RawDeleted, error) {
	if c.deleteErr != nil {
		return RawDeleted{}, c.deleteErr
	}
	c.now += time.Duration(len(chunks)) * c.deleteTakes
	sum := RawDeleted{Rule: rule}
	for _, x := range chunks {
		i := slices.Index(c.chunks, x)
		c.chunks = slices.Delete(c.chunks, i, i+1)
		c.room.FreeBytes += x.Bytes
		c.room.UsedBytes -= x.Bytes
		sum.Chunks, sum.Samples, sum.Bytes = sum.Chunks+1, sum.Samples+int64(x.Samples), sum.Bytes+x.Bytes
	}
	c.deletes, c.rules = append(c.deletes, len(chunks)), append(c.rules, rule)
	return sum, nil
}

func (c *cupboard) StopWatch(_ context.Context, boot int64, from time.Duration, why string) (int64, error) {
	if c.stopErr != nil {
		return 0, c.stopErr
	}
	c.stops = append(c.stops, WatchStop{boot, from, -1, why})
	return int64(len(c.stops)), nil
}

func (c *cupboard) ResumeWatch(_ context.Context, id int64, to time.Duration) error {
	c.stops[id-1].To = to
	return c.stopErr
}

// fill adds a chunk a minute to a boot.
func (c *cupboard) fill(boot int64, minutes int) {
	for m := range minutes {
		c.chunks = append(c.chunks, WatchChunk{BootID: boot, ChannelID: 1, ID: int64(len(c.chunks) + 1),
			From: time.Duration(m) * time.Minute, To: time.Duration(m+1)*time.Minute - 1, Samples: 600, Bytes: chunkBytes})
		c.room.UsedBytes += chunkBytes
	}
}

// kept is a Keeper on a cupboard, and what it logged.
type kept struct {
	*cupboard
	keeper *Keeper
	wall   time.Time
	sure   bool
	log    bytes.Buffer
}

var limits = KeepLimits{Warn: Threshold{FreeBytes: 100 * mb}, Thin: Threshold{FreeBytes: 50 * mb}, Stop: Threshold{FreeBytes: 20 * mb}}

func newKept(l KeepLimits) *kept {
	k := &kept{cupboard: &cupboard{disk: 1000 * mb, boots: []Boot{{ID: 1, Wall: noon}, {ID: 2, Wall: noon.AddDate(0, 0, 10)}}, now: 5 * time.Hour}}
	k.keeper = NewKeeper(KeeperOptions{Store: k.cupboard, Disk: k.cupboard, BootID: 2, Clock: k.cupboard, Boot: k.cupboard, Limits: l,
		Wall: func() (time.Time, bool) { return k.wall, k.sure },
		Full: func(err error) bool { return errors.Is(err, errFull) },
		Log:  slog.New(slog.NewTextHandler(&k.log, nil))})
	return k
}

func (k *kept) look() DiskStatus {
	k.keeper.Look(context.Background())
	k.now += diskLooks
	return k.keeper.Status()
}

func (k *kept) lines() int { return strings.Count(k.log.String(), "\n") }

// jar is a Flusher.
type jar struct {
	got        int
	err, flush error
}

func (j *jar) Put(samples []rig.Sample) error {
	if j.err == nil {
		j.got += len(samples)
	}
	return j.err
}
func (j *jar) Flush(context.Context) error { return j.flush }

var three = make([]rig.Sample, 3)

// As room goes, the bench warns, thins, stops, and comes back by itself; each is said once.
func TestKeeperLevels(t *testing.T) {
	k := newKept(limits)
	j := &jar{}
	sink := k.keeper.Sink(j)
	for i, step := range []struct {
		disk  int64
		level DiskLevel
		got   int // samples recorded of this step's three
		lines int // logged so far
		says  string
	}{
		{100 * mb, DiskPlenty, 3, 0, ""},
		{100*mb - 1, DiskWarn, 3, 1, "room gets short: 100.0 MB left for the store at the card; free space"},
		{120 * mb, DiskWarn, 3, 1, "room gets short"},
		{50 * mb, DiskWarn, 3, 1, "room gets short"},
		{50*mb - 1, DiskThin, 3, 2, "the oldest raw readings of the watch make way"},
		{20 * mb, DiskThin, 3, 2, "make way"},
		{20*mb - 1, DiskStop, 0, 3, "the watch is stopped for want of room"},
		{30*mb - 1, DiskStop, 0, 3, "20.0 MB"},
		{30 * mb, DiskThin, 3, 4, "make way"},
		{75*mb - 1, DiskThin, 3, 4, "make way"},
		{75 * mb, DiskWarn, 3, 5, "room gets short"},
		{150 * mb, DiskPlenty, 3, 6, ""},
		{0, DiskStop, 0, 7, "0 kB left"},
		{-LogReserve, DiskStop, 0, 7, "0 kB left"},
		{1000 * mb, DiskPlenty, 3, 8, ""},
	} {
		k.disk = step.disk
		s := k.look()
		before := j.got
		if err := sink.Put(three); err != nil {
			t.Fatal(err)
		}
		says := step.says
		if i == 7 {
			says = "30.0 MB"
		}
		if s.Level != step.level || j.got-before != step.got || k.lines() != step.lines || !strings.Contains(s.Says, says) || (s.Says == "") != (says == "") {
			t.Errorf("step %d, %d bytes: %v, %d recorded, %d lines, says %q; want %+v\n%s", i, step.disk, s.Level, j.got-before, k.lines(), s.Says, step, &k.log)
		}
	}
	if s := k.keeper.Status(); s.Skipped != 4*3 {
		t.Errorf("%d skipped, want 12", s.Skipped)
	}
	at := func(look int) time.Duration { return 5*time.Hour + time.Duration(look)*diskLooks }
	if len(k.stops) != 2 || k.stops[0].From != at(6) || k.stops[0].To != at(8) || k.stops[1].To != at(14) || k.stops[0].BootID != 2 || !strings.Contains(k.stops[0].Why, "20.0 MB of room") {
		t.Errorf("stops %+v", k.stops)
	}
}

// Thinning takes the oldest first, no more than is needed, and never the last hour; its
// room lies in the file.
func TestKeeperThins(t *testing.T) {
	k := newKept(limits)
	k.fill(1, 100)
	k.fill(2, 5*60)
	k.disk = 49 * mb
	s := k.look()
	// To 62.5 MB: 13.5 MB are 135 chunks, those of the first boot and then of the second.
	if s.Level != DiskThin || s.RoomBytes < 625*mb/10 || s.RoomBytes > 70*mb || s.Deleted[1].Bytes != s.RoomBytes-49*mb {
		t.Errorf("%+v", s)
	}
	if n := s.Deleted[1].Chunks; n < 135 || n > 199 || k.chunks[0].ID != int64(n)+1 {
		t.Errorf("deleted %d chunks, the next is %d", n, k.chunks[0].ID)
	}
	if k.lines() != 1 || slices.Contains(k.rules, RuleAge) {
		t.Errorf("%v, %s", k.rules, &k.log)
	}
	if again := k.look(); again.Level != DiskThin || again.Deleted != s.Deleted || k.lines() != 1 {
		t.Errorf("with room for the moment it went on: %+v\n%s", again.Deleted, &k.log)
	}
	// The disk fills up with other things: all goes but the last hour, then the watch stops.
	k.disk = 0
	k.room.FreeBytes = 0
	for range 10 {
		s = k.look()
		k.room.FreeBytes = 0
	}
	// The boot's clock stands at 5 h and some seconds of looks.
	if first := k.chunks[0]; first.To <= 4*time.Hour || first.To > 4*time.Hour+5*time.Minute || s.Level != DiskStop {
		t.Errorf("the oldest that is left is %+v, level %v", first, s.Level)
	}
	if k.chunks[0].BootID != 2 {
		t.Error("the first boot has raw samples left")
	}
}

// Transactions are as large as fits in 50 ms, and at the most every fourth moment is theirs.
func TestKeeperGivesTheRecorderItsTurn(t *testing.T) {
	k := newKept(limits)
	k.fill(1, 2000)
	k.disk, k.deleteTakes = 0, 4*time.Millisecond
	began := k.now
	k.keeper.Look(context.Background())
	n := 0
	for i, size := range k.deletes {
		if n += size; i > 2 && time.Duration(size)*k.deleteTakes > batchTakes {
			t.Errorf("transaction %d takes %v", i, time.Duration(size)*k.deleteTakes)
		}
	}
	if n < lookMost || n > lookMost+batchMost {
		t.Errorf("%d chunks in one look", n)
	}
	if took, busy := k.now-began, time.Duration(n)*k.deleteTakes; took != 4*busy {
		t.Errorf("busy for %v of %v", busy, took)
	}
	// A disk so slow that one chunk takes longer gets one at a time.
	k.deletes, k.deleteTakes, k.room.FreeBytes = nil, time.Second, 0
	k.keeper.Look(context.Background())
	if last := k.deletes[len(k.deletes)-1]; last != 1 {
		t.Errorf("transactions of %v", k.deletes)
	}
	// A quick one gets more, up to a bound.
	k.deletes, k.deleteTakes, k.room.FreeBytes = nil, 0, 0
	k.keeper.Look(context.Background())
	if most := slices.Max(k.deletes); most != batchMost {
		t.Errorf("transactions of %v", k.deletes)
	}
}

// A threshold may be a time at the bench's own pace; what others write is none.
func TestKeeperPace(t *testing.T) {
	l := limits
	l.Warn.Left, l.Stop.Left = 48*time.Hour, time.Hour
	k := newKept(l)
	k.disk = 2000 * mb
	var s DiskStatus
	grow := func(d time.Duration, perS int64) {
		for range d / diskLooks {
			k.room.UsedBytes += perS * 10
			s = k.look()
		}
	}
	grow(9*time.Minute+50*time.Second, 20_000)
	if !math.IsNaN(s.PaceBytesS) || s.Left != -1 || s.Level != DiskPlenty {
		t.Errorf("before ten minutes: %+v", s)
	}
	grow(50*time.Minute, 20_000)
	if math.Abs(s.PaceBytesS-20_000) > 1 || s.Level != DiskWarn || math.Abs(s.Left.Hours()-2000e6/20_000/3600) > 0.1 {
		t.Errorf("20 kB/s: %+v", s)
	}
	if !strings.Contains(s.Says, "28 hours at the present pace") {
		t.Errorf("says %q", s.Says)
	}
	k.disk -= 500 * mb // someone copies a film
	grow(time.Minute, 20_000)
	if math.Abs(s.PaceBytesS-20_000) > 1 {
		t.Errorf("what others write became a pace: %v", s.PaceBytesS)
	}
	k.room.UsedBytes -= 100 * mb // deleted by a rule, and counted
	k.keeper.freed += 100 * mb
	grow(time.Minute, 20_000)
	if math.Abs(s.PaceBytesS-20_000) > 1 {
		t.Errorf("what was deleted became a pace: %v", s.PaceBytesS)
	}
	grow(2*time.Hour, 0) // a quiet bench lasts for ever
	if s.PaceBytesS != 0 || s.Left != -1 || s.Level != DiskPlenty {
		t.Errorf("silent: %+v", s)
	}
	grow(2*time.Hour, 600_000)
	if s.Level != DiskStop || s.Left > time.Hour {
		t.Errorf("600 kB/s: %+v", s)
	}
	pace := s.PaceBytesS // it stopped within the hour, at the pace of that hour
	// Stopped, it writes nothing; the pace stays, or it would start at once.
	grow(3*time.Hour, 0)
	if s.Level != DiskStop || s.PaceBytesS != pace {
		t.Errorf("stopped for a while: %+v", s)
	}
	k.disk = int64(1.49 * 3600 * pace)
	if grow(time.Minute, 0); s.Level != DiskStop {
		t.Errorf("room for under an hour and a half: %+v", s)
	}
	k.disk = int64(1.51 * 3600 * pace)
	if grow(time.Minute, 0); s.Level != DiskWarn {
		t.Errorf("room again: %+v", s)
	}
}

// A run is never cut, and one that begins gets the room that the watch can give.
func TestKeeperAndRuns(t *testing.T) {
	ctx := context.Background()
	k := newKept(limits)
	j := &jar{}
	sink := k.keeper.Sink(j)
	put := func() int {
		before := j.got
		if err := sink.Put(three); err != nil {
			t.Fatal(err)
		}
		return j.got - before
	}
	end, err := k.keeper.BeginRun(ctx, 10*mb)
	if err != nil {
		t.Fatal(err)
	}
	k.disk = 0
	if s := k.look(); s.Level != DiskStop || put() != 3 || len(k.stops) != 0 || !strings.Contains(s.Says, "only the run under way is recorded") {
		t.Errorf("the disk watch cut a run: %+v, %+v", s, k.stops)
	}
	end()
	end() // twice is once
	if k.look(); put() != 0 || len(k.stops) != 1 {
		t.Errorf("after the run the watch goes on without room: %+v", k.stops)
	}
	// A run that others began, as the store knows it.
	k.under = true
	if k.look(); put() != 3 || k.stops[0].To < 0 {
		t.Error("a run that the store knows of is cut")
	}
	k.under = false
	k.look()

	_, err = k.keeper.BeginRun(ctx, 5*mb)
	if !errors.Is(err, ErrNoRoom) {
		t.Fatalf("a run without room: %v", err)
	}
	for _, word := range []string{"needs up to 5.0 MB", "0 kB for the store at the card", "16.8 MB are left to its log", "make the run shorter", "delete or move other files"} {
		if !strings.Contains(err.Error(), word) {
			t.Errorf("%q does not say %q", err, word)
		}
	}
	if put() != 0 {
		t.Error("a refused run opened the watch")
	}
	k.fill(1, 60) // 6 MB
	if end, err = k.keeper.BeginRun(ctx, 5*mb); err != nil {
		t.Fatalf("the watch made no way for a run: %v", err)
	}
	if put() != 3 || k.stops[len(k.stops)-1].To < 0 {
		t.Errorf("the run is not recorded: %+v", k.stops)
	}
	if !strings.Contains(k.log.String(), "made way for a run") {
		t.Errorf("what was deleted for the run is not said:\n%s", &k.log)
	}
	end()
	// Exactly enough is enough.
	k.chunks, k.room.FreeBytes = nil, 7*mb
	if end, err = k.keeper.BeginRun(ctx, 7*mb); err != nil {
		t.Error(err)
	} else {
		end()
	}
	if _, err = k.keeper.BeginRun(ctx, 7*mb+1); !errors.Is(err, ErrNoRoom) {
		t.Errorf("a byte too few: %v", err)
	}
	// What is not known refuses nothing.
	k.diskErr = errors.New("statfs: stale")
	if end, err = k.keeper.BeginRun(ctx, math.MaxInt64); err != nil {
		t.Error(err)
	} else {
		end()
	}
	if need := RunNeed(40, 200*time.Second); need != 40*200*4+1<<20 {
		t.Errorf("need %d", need)
	}
}

// A disk that cannot be asked stops nothing, and is said once.
func TestKeeperIsBlind(t *testing.T) {
	for name, breaks := range map[string]func(*kept){
		"disk":  func(k *kept) { k.diskErr = errors.New("stale handle") },
		"store": func(k *kept) { k.roomErr = errors.New("stale handle") },
	} {
		k := newKept(limits)
		breaks(k)
		j := &jar{}
		sink := k.keeper.Sink(j)
		k.look()
		if s := k.look(); s.RoomBytes != -1 || !strings.Contains(s.Says, "not known: stale handle") || k.lines() != 1 {
			t.Errorf("%s: %+v\n%s", name, s, &k.log)
		}
		if err := sink.Put(three); err != nil || j.got != 3 {
			t.Errorf("%s: %d, %v", name, j.got, err)
		}
		k.diskErr, k.roomErr = nil, nil
		if s := k.look(); s.RoomBytes != 1000*mb || s.Says != "" {
			t.Errorf("%s, seen again: %+v", name, s)
		}
	}
}

// A disk that fills up between two looks ends the watch, not the program; a run's samples
// are not left out in silence.
func TestKeeperWhenTheStoreIsFull(t *testing.T) {
	k := newKept(limits)
	j := &jar{err: fmt.Errorf("append: %w", errFull), flush: errFull}
	sink := k.keeper.Sink(j)
	k.stopErr = errFull
	if err := sink.Put(three); err != nil {
		t.Fatal(err)
	}
	k.look()
	s := k.look()
	if s.Level != DiskStop || s.Skipped != 3 || !strings.Contains(s.Says, "the disk is full, and nothing is recorded") || k.lines() != 2 {
		t.Errorf("%+v\n%s", s, &k.log)
	}
	k.stopErr = nil
	k.look()
	j.err, j.flush = nil, nil
	if s = k.look(); s.Level != DiskPlenty || s.Says != "" {
		t.Errorf("room again: %+v", s)
	}
	if len(k.stops) != 1 || k.stops[0].From != 5*time.Hour || k.stops[0].To < 0 {
		t.Errorf("stops %+v", k.stops)
	}
	if err := sink.Put(three); err != nil || j.got != 3 {
		t.Errorf("%d recorded, %v", j.got, err)
	}
	end, err := k.keeper.BeginRun(context.Background(), mb)
	if err != nil {
		t.Fatal(err)
	}
	j.err = errFull
	if err := sink.Put(three); !errors.Is(err, errFull) {
		t.Errorf("a run's samples that the store refuses: %v", err)
	}
	end()
	j.err = errors.New("the card is gone")
	if err := sink.Put(three); err == nil {
		t.Error("any error is taken for a full disk")
	}
}

// A run does not begin on a recorder that still holds what a full disk refused: its first
// samples would be refused too, and the run cut.
func TestKeeperBeginsNoRunOnARefusedStore(t *testing.T) {
	k := newKept(limits)
	j := &jar{err: errFull, flush: errFull}
	sink := k.keeper.Sink(j)
	if err := sink.Put(three); err != nil {
		t.Fatal(err)
	}
	_, err := k.keeper.BeginRun(context.Background(), mb)
	if !errors.Is(err, ErrNoRoom) || !errors.Is(err, errFull) || !strings.Contains(err.Error(), "free space on the disk") {
		t.Fatalf("a run on a store that refuses samples: %v", err)
	}
	if err := sink.Put(three); err != nil || j.got != 0 {
		t.Errorf("the refused run opened the watch: %d recorded, %v", j.got, err)
	}
	j.flush = nil
	j.err = nil
	end, err := k.keeper.BeginRun(context.Background(), mb)
	if err != nil {
		t.Fatal(err)
	}
	defer end()
	if k.keeper.refused != nil {
		t.Error("the run began before what waited was asked about")
	}
	if err := sink.Put(three); err != nil || j.got != 3 {
		t.Errorf("%d of the run's samples recorded, %v", j.got, err)
	}
}

// Age: only by a clock that is sure, and never as if a sample were older than it can be.
func TestKeeperAge(t *testing.T) {
	year70 := time.Unix(9, 0)
	day := 24 * time.Hour
	for _, c := range []struct {
		name  string
		boots []time.Time // an hour of chunks each, the last is under way
		now   time.Time
		sure  bool
		keep  time.Duration
		want  []int // chunks left of each boot
	}{
		{"young", []time.Time{noon, noon.Add(day)}, noon.Add(2 * day), true, 2 * day, []int{60, 60}},
		{"half an hour of the first is old", []time.Time{noon, noon.Add(day)}, noon.Add(2*day + 30*time.Minute), true, 2 * day, []int{30, 60}},
		{"a microsecond under a minute more", []time.Time{noon, noon.Add(day)}, noon.Add(2*day + 31*time.Minute - 1), true, 2 * day, []int{30, 60}},
		{"all is old", []time.Time{noon, noon.Add(day)}, noon.Add(20 * day), true, 2 * day, []int{0, 0}},
		{"for ever", []time.Time{noon, noon.Add(day)}, noon.AddDate(500, 0, 0).Add(-400 * 365 * day), true, 0, []int{60, 60}},
		{"a clock that may be wrong", []time.Time{noon, noon.Add(day)}, noon.Add(20 * day), false, 2 * day, []int{60, 60}},
		{"1970, none known", []time.Time{year70, year70}, noon.Add(20 * day), true, 2 * day, []int{60, 60}},
		{"1970, then a known one of yesterday", []time.Time{year70, noon.Add(day)}, noon.Add(2 * day), true, 2 * day, []int{60, 60}},
		{"1970, then a known one long ago", []time.Time{year70, noon.Add(day)}, noon.Add(5 * day), true, 2 * day, []int{0, 0}},
		{"1970 after one of today", []time.Time{noon, year70}, noon.Add(day), true, 2 * day, []int{60, 60}},
		{"a clock that went back: it is not older than the boot before", []time.Time{noon, noon.Add(-300 * day)}, noon.Add(day), true, 2 * day, []int{60, 60}},
		{"a clock that was ahead is never too old", []time.Time{noon.Add(300 * day), noon}, noon.Add(5 * day), true, 2 * day, []int{60, 60}},
	} {
		t.Run(c.name, func(t *testing.T) {
			k := newKept(KeepLimits{WatchFor: c.keep})
			k.boots, k.wall, k.sure = nil, c.now, c.sure
			for i, wall := range c.boots {
				k.boots = append(k.boots, Boot{ID: int64(i + 1), Wall: wall})
				k.fill(int64(i+1), 60)
			}
			k.look()
			got := make([]int, len(c.boots))
			for _, x := range k.chunks {
				got[x.BootID-1]++
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("left %v, want %v", got, c.want)
			}
			if slices.Contains(k.rules, RuleSpace) {
				t.Error("deleted for want of room")
			}
		})
	}
}

// Years of old samples go some at a time, and then it rests for an hour; a failure is
// tried again then.
func TestKeeperAgePass(t *testing.T) {
	k := newKept(KeepLimits{WatchFor: time.Hour})
	k.wall, k.sure = noon.AddDate(0, 1, 0), true
	k.fill(1, 1000)
	k.look()
	if n := 1000 - len(k.chunks); n < lookMost || n > lookMost+batchMost {
		t.Errorf("%d at once", n)
	}
	for range 4 {
		k.look()
	}
	if len(k.chunks) != 0 || k.lines() != 1 || !strings.Contains(k.log.String(), "chunks=1000") {
		t.Errorf("%d left\n%s", len(k.chunks), &k.log)
	}
	if d := k.keeper.Status().Deleted[0]; d.Chunks != 1000 || d.Rule != RuleAge || d.Bytes != 1000*chunkBytes || !d.LastAt.Equal(k.wall) {
		t.Errorf("%+v", d)
	}
	k.fill(1, 10)
	k.deleteErr = errors.New("the card stalls")
	for k.look(); k.lines() < 2 && k.now < 7*time.Hour; {
		k.look()
	}
	k.deleteErr = nil
	k.look()
	if len(k.chunks) != 10 || !strings.Contains(k.log.String(), "tried again in an hour") {
		t.Errorf("%d left\n%s", len(k.chunks), &k.log)
	}
	k.now += ageLooks
	if k.look(); len(k.chunks) != 0 {
		t.Errorf("%d left an hour later", len(k.chunks))
	}
}

// Run looks at once, and ends with its context.
func TestKeeperRun(t *testing.T) {
	k := newKept(limits)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	k.keeper.Run(ctx)
	if s := k.keeper.Status(); s.RoomBytes != 1000*mb {
		t.Errorf("%+v", s)
	}
	bare := NewKeeper(KeeperOptions{Store: k.cupboard, Disk: k.cupboard, Clock: k.cupboard, Boot: k.cupboard, Limits: KeepLimits{WatchFor: 1, Thin: Threshold{FreeBytes: 1 << 50}}})
	k.fill(1, 5)
	bare.Look(context.Background())
	if len(k.chunks) != 0 || slices.Contains(k.rules, RuleAge) {
		t.Errorf("without a wall clock: %d left, by %v", len(k.chunks), k.rules)
	}
}

func TestFolder(t *testing.T) {
	if free, err := Folder(t.TempDir()).Free(); err != nil || free <= 0 {
		t.Errorf("%d free, %v", free, err)
	}
	if _, err := Folder(t.TempDir() + "/none").Free(); err == nil || !strings.Contains(err.Error(), "/none") || !strings.Contains(err.Error(), "check that the folder is there") {
		t.Errorf("no folder: %v", err)
	}
}
