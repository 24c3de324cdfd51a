package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"brimline/rig"
)

// ErrNoRoom is a run that does not fit on the disk.
var ErrNoRoom = errors.New("not enough room for a run")

// Rules by which raw samples of the watch are deleted, as the store notes them.
const (
	RuleAge   = "age"   // older than the config's watch_days
	RuleSpace = "space" // the disk was short of room
)

// WatchChunk is a stretch of raw samples of one channel, a minute at most, that belongs to
// no run.
type WatchChunk struct {
	BootID, ChannelID, ID int64
	From, To              time.Duration // elapsed times of its first and last sample
	Samples               int
	Bytes                 int64 // as coded
}

// WatchQuery asks for WatchChunks.
type WatchQuery struct {
	BootID int64         // 0: of all boots
	After  WatchChunk    // those that come after it; the zero value: from the first
	Before time.Duration // whose last sample is earlier
	Limit  int
}

// RawDeleted is what raw samples of a boot were deleted by a rule.
type RawDeleted struct {
	BootID          int64
	Rule            string    // RuleAge or RuleSpace
	FirstAt, LastAt time.Time // when it was done
	From, To        time.Duration
	Chunks          int
	Samples, Bytes  int64
}

// WatchStop is a time in which nothing was recorded for want of room.
type WatchStop struct {
	BootID   int64
	From, To time.Duration // To is past any sample when it was not ended
	Why      string
}

// StoreRoom is how a store's file is used.
type StoreRoom struct {
	FreeBytes int64 // free pages inside the file, which are used again before it grows
	UsedBytes int64
}

// Kept is what a Keeper needs of a store.
type Kept interface {
	WatchBoots(ctx context.Context) ([]Boot, error)
	Room(ctx context.Context) (StoreRoom, error)
	RunUnderWay(ctx context.Context, bootID int64) (bool, error)
	WatchChunks(ctx context.Context, q WatchQuery) ([]WatchChunk, error)
	DeleteWatchRaw(ctx context.Context, rule string, at time.Time, chunks []WatchChunk) (RawDeleted, error)
	StopWatch(ctx context.Context, bootID int64, from time.Duration, why string) (id int64, err error)
	ResumeWatch(ctx context.Context, id int64, to time.Duration) error
}

// Threshold is a shortage of room: fewer bytes than FreeBytes, or room for less than Left at
// the present pace.
type Threshold struct {
	FreeBytes int64
	Left      time.Duration
}

// KeepLimits are what a Keeper goes by.
type KeepLimits struct {
	WatchFor time.Duration // how long raw samples of the watch are kept; 0: for ever
	Warn     Threshold     // say so
	Thin     Threshold     // delete the oldest raw samples of the watch, down to their summaries
	Stop     Threshold     // record no watch
}

// DiskLevel is how short the room is.
type DiskLevel uint8

// The levels, from plenty to none; each is also what is done about it.
const (
	DiskPlenty DiskLevel = iota
	DiskWarn
	DiskThin
	DiskStop
)

// String returns the level as it is shown.
func (l DiskLevel) String() string { return [...]string{"plenty", "low", "thinning", "stopped"}[l] }

const (
	// LogReserve is what of the disk's free space is left to the store's log and to
	// others, bytes: it counts as no room.
	LogReserve = 16 << 20
	// bytesPerSample is more than any bench was measured to need: 2.1 in a chunk, 2.6
	// with all pages of a short run.
	bytesPerSample = 4

	diskLooks  = 10 * time.Second
	ageLooks   = time.Hour
	leaves     = 1.5  // times a threshold: from here on a level is left, and not said again and again
	thinsTo    = 1.25 // times its threshold
	paceOver   = time.Hour
	paceLeast  = 10 * time.Minute
	thinSpares = time.Hour // the newest samples are not thinned: the page and a run's rests need them

	batchMost  = 64 // chunks in one transaction
	batchTakes = 50 * time.Millisecond
	lookMost   = 256 // chunks in one look, so that a run that begins need not wait
)

// KeeperOptions are for NewKeeper. All but Wall, Refused and Log are required.
type KeeperOptions struct {
	Store  Kept
	Disk   Disk
	BootID int64
	Clock  rig.Sleeper // real time: paces and pauses
	Boot   rig.Clock   // the boot's elapsed time
	Limits KeepLimits
	// Wall returns the present wall time, and whether it is sure; nil: never sure. Nothing
	// is deleted for its age by a clock that may be wrong.
	Wall func() (now time.Time, sure bool)
	// Full tells whether a store's error means that the disk is full; nil: none does. The
	// watch then waits for room instead of failing.
	Full func(error) bool
	Log  *slog.Logger // nil: silent
}

// Keeper keeps a store within its disk: it deletes raw samples of the watch when they are
// old enough, and watches the room. Raw samples of a run, and ten minutes around it, are
// never deleted, and a run is never cut; summaries of each minute are never deleted.
//
// When room is short it warns, then deletes the oldest raw samples of the watch, then
// records no watch until there is room again. It says each once, and each return.
// Deleting is done by a few chunks at a time, with pauses three times as long, so that the
// recorder gets its turn.
type Keeper struct {
	o KeeperOptions

	running atomic.Int32 // runs of this process under way
	closed  atomic.Bool  // nothing of the watch is recorded
	skipped atomic.Uint64

	work  sync.Mutex // one look at a time; over the fields up to mu
	batch int        // chunks in the next transaction
	after WatchChunk // the watch before it is thinned
	aged  time.Duration
	pass  int // chunks deleted for their age since that was last logged
	paces []pacePoint
	freed int64 // bytes deleted since the start
	blind bool  // the room could not be measured

	stop     int64         // the store's note of the stop; 0: none
	stopFrom time.Duration // of the boot
	noted    bool          // whether the last note could be kept

	mu      sync.Mutex
	status  DiskStatus
	refused func(context.Context) error // the recorder's Flush, after the store refused samples for want of room
}

type pacePoint struct {
	at      time.Duration
	written int64
}

// DiskStatus is the room as it is shown.
type DiskStatus struct {
	Level      DiskLevel
	Recorded   bool          // the watch is recorded, not only runs
	RoomBytes  int64         // for the store: free on the disk less LogReserve, and free pages; -1: not known
	PaceBytesS float64       // what the store takes, bytes/s; NaN: not known yet
	Left       time.Duration // at that pace; -1: not known, or for ever
	Skipped    uint64        // samples not recorded since the start, for want of room
	Deleted    [2]RawDeleted // since the start: for age, for space
	Says       string        // what is short and what to do; empty: nothing
}

// NewKeeper makes a Keeper. Call Run, and put samples through Sink.
func NewKeeper(o KeeperOptions) *Keeper {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Wall == nil {
		o.Wall = func() (time.Time, bool) { return time.Time{}, false }
	}
	if o.Full == nil {
		o.Full = func(error) bool { return false }
	}
	k := &Keeper{o: o, batch: batchMost / 4, aged: -ageLooks, noted: true}
	k.status = DiskStatus{RoomBytes: -1, PaceBytesS: math.NaN(), Left: -1}
	k.status.Deleted[0].Rule, k.status.Deleted[1].Rule = RuleAge, RuleSpace
	return k
}

// Run looks at once, and every ten seconds until ctx ends.
func (k *Keeper) Run(ctx context.Context) {
	for {
		k.Look(ctx)
		if k.o.Clock.Sleep(ctx, diskLooks) != nil {
			return
		}
	}
}

// Status tells how the room stands, as of the last look.
func (k *Keeper) Status() DiskStatus {
	k.mu.Lock()
	defer k.mu.Unlock()
	s := k.status
	s.Skipped, s.Recorded = k.skipped.Load(), !k.closed.Load()
	return s
}

// Flusher is the part of a Recorder that a Keeper asks whether the store takes samples again.
type Flusher interface {
	rig.Sink
	Flush(ctx context.Context) error
}

// Sink puts samples into a recorder, those of the watch only while there is room.
func (k *Keeper) Sink(recorder Flusher) rig.Sink { return watchSink{k, recorder} }

type watchSink struct {
	k        *Keeper
	recorder Flusher
}

func (w watchSink) Put(samples []rig.Sample) error {
	watch := w.k.running.Load() == 0
	if watch && w.k.closed.Load() {
		w.k.skipped.Add(uint64(len(samples)))
		return nil
	}
	err := w.recorder.Put(samples)
	if err == nil || !watch || !w.k.o.Full(err) {
		return err
	}
	// The disk filled up faster than it was looked at. What waits in the recorder stays
	// there; each look asks whether the store takes it.
	w.k.skipped.Add(uint64(len(samples)))
	w.k.closed.Store(true)
	w.k.mu.Lock()
	defer w.k.mu.Unlock()
	w.k.refused = w.recorder.Flush
	return nil
}

// RunNeed is the room that a run needs at most, bytes: readings a second of all channels
// together, and how long it takes with its rests and waits.
func RunNeed(readingsPerS float64, takes time.Duration) int64 {
	return int64(math.Ceil(readingsPerS*takes.Seconds()*bytesPerSample)) + 1<<20
}

// BeginRun lets a run begin that needs so many bytes, or says why it does not fit
// (ErrNoRoom); raw samples of the watch make way for it. Until end is called nothing of what
// is put is left out.
func (k *Keeper) BeginRun(ctx context.Context, need int64) (end func(), err error) {
	k.work.Lock()
	defer k.work.Unlock()
	room, err := k.room(ctx)
	if err != nil {
		// Whether it fits is not known; that is no reason to refuse.
		k.o.Log.Warn("a run begins although the room could not be measured", "error", err)
	}
	thinned := 0
	for err == nil && room.bytes < need {
		n, thinning := k.thin(ctx)
		thinned += n
		if thinning != nil {
			k.o.Log.Warn("raw samples could not be deleted to make room", "error", thinning)
		}
		room, err = k.room(ctx)
		if n == 0 {
			break
		}
	}
	if thinned > 0 {
		k.o.Log.Warn("the oldest raw readings of the watch made way for a run; their summaries stay", "chunks", thinned, "run_needs", size(need))
	}
	if err == nil && room.bytes < need {
		return nil, fmt.Errorf("begin a run: it needs up to %s, and there are %s for the store at %s (%s free on the disk, of which %s are left to its log, and %s free in the file; no raw samples of the watch are left that could make way): delete or move other files, or make the run shorter: %w",
			size(need), size(room.bytes), k.o.Disk, size(room.disk), size(LogReserve), size(room.inside), ErrNoRoom)
	}
	if err := k.takesAgain(ctx); err != nil {
		return nil, fmt.Errorf("begin a run: the disk at %s was full, and the store still refuses the samples that wait for it (%w): free space on the disk, and begin the run when the watch goes on: %w", k.o.Disk, err, ErrNoRoom)
	}
	k.running.Add(1)
	if k.closed.Swap(false) {
		k.note(ctx, false, room)
	}
	var once sync.Once
	return func() { once.Do(func() { k.running.Add(-1) }) }, nil
}

// takesAgain asks a recorder whose samples the store refused for want of room whether it
// takes them now; nil when it does, or none was refused.
func (k *Keeper) takesAgain(ctx context.Context) error {
	k.mu.Lock()
	flush := k.refused
	k.mu.Unlock()
	if flush == nil {
		return nil
	}
	if err := flush(ctx); err != nil {
		return err
	}
	k.show(func(*DiskStatus) { k.refused = nil })
	return nil
}

// size is bytes in words.
func size(bytes int64) string {
	switch {
	case bytes >= 1e9:
		return fmt.Sprintf("%.1f GB", float64(bytes)/1e9)
	case bytes >= 1e6:
		return fmt.Sprintf("%.1f MB", float64(bytes)/1e6)
	}
	return fmt.Sprintf("%.0f kB", float64(bytes)/1e3)
}

// roomNow is what the store may still take.
type roomNow struct {
	bytes  int64 // in all
	disk   int64 // free on the disk
	inside int64 // free pages of the file
	used   int64 // the other pages
}

func (k *Keeper) room(ctx context.Context) (roomNow, error) {
	var r roomNow
	var err error
	if r.disk, err = k.o.Disk.Free(); err != nil {
		return r, err
	}
	store, err := k.o.Store.Room(ctx)
	if err != nil {
		return r, err
	}
	r.inside, r.used = store.FreeBytes, store.UsedBytes
	r.bytes = r.inside + max(0, r.disk-LogReserve)
	return r, nil
}

// Look measures, and does what is due.
func (k *Keeper) Look(ctx context.Context) {
	k.work.Lock()
	defer k.work.Unlock()
	now := k.o.Clock.Now()
	if now-k.aged >= ageLooks {
		more, err := k.age(ctx)
		if err != nil && ctx.Err() == nil {
			k.o.Log.Warn("old raw samples of the watch could not be deleted, and are tried again in an hour", "error", err)
		}
		if !more {
			k.aged = now
		}
	}
	room, err := k.room(ctx)
	if err != nil {
		if !k.blind && ctx.Err() == nil {
			k.o.Log.Warn("the room on the disk is not known: it is not watched until it is", "error", err)
		}
		k.blind = true
		k.show(func(s *DiskStatus) {
			s.RoomBytes, s.Left, s.Says = -1, -1, "the room on the disk is not known: "+err.Error()
		})
		return
	}
	k.blind = false
	k.measurePace(now, room)
	var thinned int
	if k.short(k.o.Limits.Thin, room, 1) {
		for thinned < lookMost && k.short(k.o.Limits.Thin, room, thinsTo) {
			n, err := k.thin(ctx)
			if err != nil && ctx.Err() == nil {
				k.o.Log.Warn("raw samples of the watch could not be deleted", "error", err)
			}
			if n == 0 {
				break
			}
			thinned += n
			if room, err = k.room(ctx); err != nil {
				return // the next look says it
			}
		}
	}
	was := k.Status().Level
	k.settle(ctx, was, k.level(was, room, thinned > 0), room, thinned)
}

// short reports whether there is less room than so many times a threshold.
func (k *Keeper) short(t Threshold, room roomNow, times float64) bool {
	left := k.left(room)
	return float64(room.bytes) < times*float64(t.FreeBytes) || left >= 0 && float64(left) < times*float64(t.Left)
}

// level is how short the room is. One that was reached is left when there is half as much
// again: thinning makes a quarter more, so that it is one state and not many.
func (k *Keeper) level(was DiskLevel, room roomNow, thinned bool) DiskLevel {
	reached := func(l DiskLevel, t Threshold) bool {
		if was >= l {
			return k.short(t, room, leaves)
		}
		return k.short(t, room, 1)
	}
	switch {
	case reached(DiskStop, k.o.Limits.Stop):
		return DiskStop
	case thinned || reached(DiskThin, k.o.Limits.Thin):
		return DiskThin
	case reached(DiskWarn, k.o.Limits.Warn):
		return DiskWarn
	}
	return DiskPlenty
}

// left is for how long the room lasts at the store's own pace; -1 when that is not known.
func (k *Keeper) left(room roomNow) time.Duration {
	pace := k.Status().PaceBytesS
	if !(pace > 0) {
		return -1
	}
	s := float64(room.bytes) / pace
	if s > math.MaxInt64/1e9/2 {
		return -1
	}
	return time.Duration(s * 1e9)
}

// measurePace takes what the store wrote over the last hour, what was deleted meanwhile
// included: what others write is no pace of the bench. While the watch is stopped the pace
// stays what it was, or the room would seem to last for ever.
func (k *Keeper) measurePace(now time.Duration, room roomNow) {
	if k.closed.Load() {
		k.paces = nil
		return
	}
	if n := len(k.paces); n > 0 && now-k.paces[n-1].at < time.Minute {
		return
	}
	k.paces = append(k.paces, pacePoint{now, room.used + k.freed})
	for len(k.paces) > 1 && now-k.paces[1].at >= paceOver {
		k.paces = k.paces[1:]
	}
	first := k.paces[0]
	if now-first.at < paceLeast {
		return
	}
	pace := max(0, float64(room.used+k.freed-first.written)/(now-first.at).Seconds())
	k.show(func(s *DiskStatus) { s.PaceBytesS = pace })
}

func (k *Keeper) show(change func(*DiskStatus)) {
	k.mu.Lock()
	defer k.mu.Unlock()
	change(&k.status)
}

// settle acts on a level, and says what has changed.
func (k *Keeper) settle(ctx context.Context, was, level DiskLevel, room roomNow, thinned int) {
	under, err := k.o.Store.RunUnderWay(ctx, k.o.BootID)
	under = under || err != nil || k.running.Load() > 0 // when it is not known, no run is cut
	refused := k.takesAgain(ctx) != nil
	if refused {
		level = DiskStop
	}
	stop := level == DiskStop && (refused || !under)
	if was := k.closed.Swap(stop); stop != was || stop != (k.stop != 0) {
		k.note(ctx, stop, room)
	}
	left := k.left(room)
	says := ""
	much := fmt.Sprintf("%s left for the store at %s", size(room.bytes), k.o.Disk)
	if left >= 0 {
		much += fmt.Sprintf(", which is %s at the present pace", lasting(left))
	}
	switch {
	case level == DiskStop && refused:
		says = "the disk is full, and nothing is recorded: " + much + "; free space on the disk, it goes on by itself"
	case level == DiskStop && under:
		says = "the room is nearly gone, and only the run under way is recorded: " + much + "; free space on the disk"
	case level == DiskStop:
		says = "the watch is stopped for want of room, runs are still recorded: " + much + "; free space on the disk, it goes on by itself"
	case level == DiskThin:
		says = "room is short, and the oldest raw readings of the watch make way: " + much + "; free space on the disk"
	case level == DiskWarn:
		says = "room gets short: " + much + "; free space on the disk"
	}
	switch {
	case level > was:
		k.o.Log.Warn(says, "deleted_chunks", thinned)
	case level < was && level == DiskPlenty:
		k.o.Log.Info("there is room again: "+much, "was", was.String())
	case level < was:
		k.o.Log.Info("there is more room: "+says, "was", was.String())
	}
	k.show(func(s *DiskStatus) { s.Level, s.RoomBytes, s.Left, s.Says = level, room.bytes, left, says })
}

// note keeps a stop of the watch, or its end, in the store: what is missing was not lost.
// A full disk may not take it; then it is tried again at each look.
func (k *Keeper) note(ctx context.Context, stop bool, room roomNow) {
	at := k.o.Boot.Now()
	var err error
	switch {
	case stop && k.stop == 0:
		if k.noted {
			k.stopFrom = at
		}
		k.stop, err = k.o.Store.StopWatch(ctx, k.o.BootID, k.stopFrom, fmt.Sprintf("%s of room were left", size(room.bytes)))
	case !stop && k.stop != 0:
		if err = k.o.Store.ResumeWatch(ctx, k.stop, at); err == nil {
			k.stop = 0
		}
	}
	if err != nil && k.noted && ctx.Err() == nil {
		k.o.Log.Warn("the store could not note that the watch was stopped or went on, and is asked again", "error", err)
	}
	k.noted = err == nil
}

// lasting is a time in words.
func lasting(d time.Duration) string {
	switch {
	case d >= 48*time.Hour:
		return fmt.Sprintf("%.0f days", d.Hours()/24)
	case d >= 2*time.Hour:
		return fmt.Sprintf("%.0f hours", d.Hours())
	}
	return fmt.Sprintf("%.0f minutes", d.Minutes())
}

// thin deletes a batch of the oldest raw samples of the watch and returns how many chunks;
// 0 when there are none left.
func (k *Keeper) thin(ctx context.Context) (chunks int, err error) {
	at, _ := k.o.Wall()
	found, err := k.o.Store.WatchChunks(ctx, WatchQuery{After: k.after, Before: math.MaxInt64, Limit: k.batch})
	if err != nil {
		return 0, err
	}
	for i, c := range found {
		if c.BootID == k.o.BootID && c.To > k.o.Boot.Now()-thinSpares {
			found = found[:i]
			break
		}
	}
	if len(found) == 0 {
		return 0, nil
	}
	if err := k.delete(ctx, RuleSpace, at, found); err != nil {
		return 0, err
	}
	k.after = found[len(found)-1]
	return len(found), nil
}

// delete deletes one batch and lets the recorder have its turn. The next batch is as large
// as fits in 50 ms on this disk.
func (k *Keeper) delete(ctx context.Context, rule string, at time.Time, chunks []WatchChunk) error {
	begun := k.o.Clock.Now()
	sum, err := k.o.Store.DeleteWatchRaw(ctx, rule, at, chunks)
	if err != nil {
		return err
	}
	took := k.o.Clock.Now() - begun
	switch {
	case took > batchTakes:
		k.batch = max(1, k.batch/2)
	case took < batchTakes/2:
		k.batch = min(batchMost, k.batch*2)
	}
	k.freed += sum.Bytes
	k.show(func(s *DiskStatus) {
		d := &s.Deleted[0]
		if rule == RuleSpace {
			d = &s.Deleted[1]
		}
		if d.Chunks == 0 {
			d.FirstAt = at
		}
		d.LastAt, d.Chunks, d.Samples, d.Bytes = at, d.Chunks+sum.Chunks, d.Samples+sum.Samples, d.Bytes+sum.Bytes
	})
	return k.o.Clock.Sleep(ctx, 3*took)
}

// age deletes raw samples of the watch that are older than WatchFor. More is true when it
// is to be called again soon: not all were deleted, or the time is not sure yet.
func (k *Keeper) age(ctx context.Context) (more bool, err error) {
	now, sure := k.o.Wall()
	if k.o.Limits.WatchFor <= 0 {
		return false, nil
	}
	if !sure {
		return true, nil
	}
	boots, err := k.o.Store.WatchBoots(ctx)
	if err != nil {
		return false, err
	}
	chunks := 0
	for i, began := range latestWalls(boots, now) {
		before := now.Add(-k.o.Limits.WatchFor).Sub(began)
		if before <= 0 {
			continue
		}
		for after := (WatchChunk{}); chunks < lookMost; {
			found, err := k.o.Store.WatchChunks(ctx, WatchQuery{BootID: boots[i].ID, After: after, Before: before, Limit: k.batch})
			if err != nil {
				return false, err
			}
			if len(found) == 0 {
				break
			}
			if err := k.delete(ctx, RuleAge, now, found); err != nil {
				return false, err
			}
			after = found[len(found)-1]
			chunks += len(found)
		}
	}
	k.pass += chunks
	if chunks >= lookMost {
		return true, nil
	}
	if k.pass > 0 {
		k.o.Log.Info("raw readings of the watch were deleted for their age; their summaries stay", "chunks", k.pass, "older_than", lasting(k.o.Limits.WatchFor))
		k.pass = 0
	}
	return false, nil
}

// latestWalls is for each boot, in their order, the latest wall time at which it may have
// begun, so that no sample is taken for older than it can be. A boot began after those
// before it, whatever its clock showed; one whose clock was never set, and none before it,
// began before the first that is known, or now.
func latestWalls(boots []Boot, now time.Time) []time.Time {
	out := make([]time.Time, len(boots))
	next := now
	for i := len(boots) - 1; i >= 0; i-- {
		if WallKnown(boots[i].Wall) {
			next = boots[i].Wall
		}
		out[i] = next
	}
	var newest time.Time
	for i, b := range boots {
		if WallKnown(b.Wall) && b.Wall.After(newest) {
			newest = b.Wall
		}
		if newest.After(out[i]) {
			out[i] = newest
		}
	}
	return out
}
