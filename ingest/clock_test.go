package ingest

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

	"brimline/rig"
)

var noon = time.Date(2026, 4, 9, 12, 0, 0, 0, time.UTC)

const year = 365 * 24 * time.Hour

// fakeTime is a machine whose clock a test sets.
type fakeTime struct {
	wall    time.Time
	elapsed time.Duration
	vouched bool
}

func (f *fakeTime) Now() (time.Time, time.Duration) { return f.wall, f.elapsed }
func (f *fakeTime) Synchronised() bool              { return f.vouched }

func (f *fakeTime) pass(d time.Duration) { f.wall, f.elapsed = f.wall.Add(d), f.elapsed+d }

// watched is a ClockWatch on a fakeTime with what it kept and logged.
type watched struct {
	*fakeTime
	watch *ClockWatch
	kept  []ClockCorrection
	fails error
	log   bytes.Buffer
}

func newWatched(start time.Time) *watched {
	w := &watched{fakeTime: &fakeTime{wall: start}}
	w.watch = NewClockWatch(Boot{ID: 7, Wall: start}, w.fakeTime, func(_ context.Context, boot int64, c ClockCorrection) error {
		if boot != 7 {
			return errors.New("another boot")
		}
		if w.fails == nil {
			w.kept = append(w.kept, c)
		}
		return w.fails
	}, slog.New(slog.NewTextHandler(&w.log, nil)))
	return w
}

// live looks once a second for so long.
func (w *watched) live(d time.Duration) {
	for range d / time.Second {
		w.pass(time.Second)
		w.watch.Look(context.Background())
	}
}

// check compares the corrections, by how much each was.
func (w *watched) check(t *testing.T, by ...time.Duration) {
	t.Helper()
	if len(w.kept) != len(by) {
		t.Fatalf("%d corrections %+v, want %v\n%s", len(w.kept), w.kept, by, &w.log)
	}
	for i, c := range w.kept {
		if c.By() != by[i] || c.Who != "clock watch" || c.Why == "" || c.At <= 0 || c.At > w.elapsed {
			t.Errorf("correction %+v by %v, want by %v", c, c.By(), by[i])
		}
	}
}

func TestClockWatch(t *testing.T) {
	epoch := time.Unix(8, 0).UTC()
	for _, c := range []struct {
		name  string
		start time.Time
		live  func(w *watched)
		by    []time.Duration
		known bool
		says  string
		logs  int // lines
	}{
		{"steady", noon, func(w *watched) { w.live(2 * time.Hour) }, nil, true, "", 0},
		{"1970, then the network", epoch, func(w *watched) {
			w.live(90 * time.Second)
			w.wall, w.vouched = noon.Add(98*time.Second), true
			w.live(11 * time.Second)
		}, []time.Duration{noon.Add(8 * time.Second).Sub(epoch)}, true, "", 2},
		{"1970, set by hand", epoch, func(w *watched) {
			w.live(time.Minute)
			w.wall = noon
			w.live(11 * time.Second)
		}, []time.Duration{noon.Add(-time.Minute).Sub(epoch)}, true, "", 2},
		{"1970 for ever", epoch, func(w *watched) { w.live(2 * time.Hour) }, nil, false, "clock not set: dates mean nothing", 0},
		{"vouched for in 1970", epoch, func(w *watched) { w.vouched = true; w.live(time.Minute) }, nil, false, "clock not set", 0},
		{"a year on and back within nine minutes", noon, func(w *watched) {
			w.live(time.Minute)
			w.pass(year)
			w.elapsed -= year
			w.live(9 * time.Minute)
			w.wall = w.wall.Add(-year)
			w.live(time.Hour)
		}, nil, true, "", 2},
		{"a year on, a year back, each stands", noon, func(w *watched) {
			w.live(time.Minute)
			w.wall = w.wall.Add(year)
			w.live(11 * time.Minute)
			w.wall = w.wall.Add(-2 * year)
			w.wall = w.wall.Add(year)
			w.live(11 * time.Minute)
		}, []time.Duration{year, -year}, true, "", 4},
		{"a year back, unto the first day there was a bench", noon, func(w *watched) {
			w.live(time.Minute)
			w.wall = EarliestWall.Add(time.Minute)
			w.live(11 * time.Minute)
		}, []time.Duration{EarliestWall.Sub(noon)}, true, "", 2},
		{"a second before it", noon, func(w *watched) {
			w.live(time.Minute)
			w.wall = EarliestWall.Add(59 * time.Second)
			w.live(11 * time.Minute)
		}, nil, true, "the system's clock differs", 2},
		{"to 1970, synchronised as it may be", noon, func(w *watched) {
			w.vouched = true
			w.live(time.Minute)
			w.wall = epoch
			w.live(time.Hour)
		}, nil, true, "the system's clock differs", 2},
		{"both ways by the network", noon, func(w *watched) {
			w.vouched = true
			w.live(time.Minute)
			w.wall = w.wall.Add(year)
			w.live(11 * time.Second)
			w.wall = w.wall.Add(-year)
			w.live(11 * time.Second)
		}, []time.Duration{year, -year}, true, "", 4},
		{"by hand, after the network vouched", noon, func(w *watched) {
			w.vouched = true
			w.live(time.Minute)
			w.vouched = false
			w.wall = w.wall.Add(year)
			w.live(time.Hour)
		}, nil, true, "the system's clock differs", 2},
		{"and the network again", noon, func(w *watched) {
			w.vouched = true
			w.live(time.Minute)
			w.vouched = false
			w.wall = w.wall.Add(year)
			w.live(time.Hour)
			w.wall = w.wall.Add(-year)
			w.vouched = true
			w.live(time.Minute)
		}, nil, true, "", 3},
		{"two steps of a time service", noon, func(w *watched) {
			w.live(time.Minute)
			w.vouched = true
			w.wall = w.wall.Add(time.Hour)
			w.live(5 * time.Second)
			w.wall = w.wall.Add(-2 * time.Second)
			w.live(11 * time.Second)
		}, []time.Duration{time.Hour - 2*time.Second}, true, "", 3},
		{"not long enough yet", noon, func(w *watched) {
			w.wall = w.wall.Add(time.Hour)
			w.live(10 * time.Minute)
		}, nil, true, "the clock was set; wall times follow", 1},
		{"half a second", noon, func(w *watched) { w.wall = w.wall.Add(500 * time.Millisecond); w.live(time.Hour) }, nil, true, "", 0},
		{"a leap of the time zone", noon, func(w *watched) {
			w.live(time.Minute)
			w.wall = w.wall.In(time.FixedZone("east", 14*3600))
			w.live(time.Hour)
			w.wall = w.wall.In(time.FixedZone("west", -12*3600))
			w.live(time.Hour)
		}, nil, true, "", 0},
		{"a clock that held the local hour", noon, func(w *watched) { // the time zone was put right
			w.live(time.Minute)
			w.wall = w.wall.Add(-2 * time.Hour)
			w.live(11 * time.Minute)
		}, []time.Duration{-2 * time.Hour}, true, "", 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWatched(c.start)
			c.live(w)
			w.check(t, c.by...)
			s := w.watch.Status()
			if s.Known != c.known || s.Corrections != len(c.by) || !strings.Contains(s.Says, c.says) || (s.Says == "") != (c.says == "") {
				t.Errorf("status %+v, want says %q", s, c.says)
			}
			if lines := strings.Count(w.log.String(), "\n"); lines != c.logs {
				t.Errorf("%d lines, want %d:\n%s", lines, c.logs, &w.log)
			}
			want := c.start.Add(w.elapsed)
			for _, by := range c.by {
				want = want.Add(by)
			}
			if now, _ := w.watch.Wall(); !now.Equal(want) {
				t.Errorf("believes %v, want %v", now, want)
			}
		})
	}
}

// A correction that the store does not take is tried until it does, and said once.
func TestClockCorrectionThatCannotBeKept(t *testing.T) {
	w := newWatched(noon)
	w.fails = errors.New("no space left")
	w.wall, w.vouched = noon.Add(year), true
	w.live(10 * time.Minute)
	if now, sure := w.watch.Wall(); len(w.kept) != 0 || sure || !now.Equal(noon.Add(w.elapsed)) {
		t.Errorf("kept %+v, believes %v, sure %v", w.kept, now, sure)
	}
	if n := strings.Count(w.log.String(), "no space left"); n != 1 {
		t.Errorf("said %d times", n)
	}
	w.fails = nil
	w.live(time.Second)
	w.check(t, year)
}

// Nothing is sure of a clock that was set a short time ago, unless it is vouched for.
func TestClockIsSure(t *testing.T) {
	sure := func(w *watched) bool { _, s := w.watch.Wall(); return s }
	w := newWatched(noon)
	w.live(time.Second)
	if sure(w) {
		t.Error("sure after a second")
	}
	w.live(24 * time.Hour)
	if !sure(w) {
		t.Error("not sure after a day")
	}
	w.wall = w.wall.Add(year)
	w.live(11 * time.Minute)
	if w.check(t, year); sure(w) {
		t.Error("sure as soon as the clock was corrected")
	}
	w.vouched = true
	w.live(time.Second)
	if !sure(w) {
		t.Error("not sure although it is vouched for")
	}
	old := newWatched(time.Unix(0, 0))
	old.vouched = true
	if old.live(25 * time.Hour); sure(old) {
		t.Error("sure of 1970")
	}
}

// The system's own clocks, read together, agree with themselves.
func TestSystemTime(t *testing.T) {
	clock := rig.NewSystemClock()
	s := SystemTime{clock}
	wall, elapsed := s.Now()
	if off := wall.Add(-elapsed).Sub(clock.Origin()).Abs(); off > clockTolerance {
		t.Errorf("the wall clock and elapsed time are %v apart in a process that has just begun", off)
	}
	if wall.Location() != time.Local && wall.Location() != time.UTC || elapsed < 0 {
		t.Errorf("wall %v, elapsed %v", wall, elapsed)
	}
	s.Synchronised() // whatever it is here, asking needs no rights and does not fail
	for at, known := range map[time.Time]bool{time.Unix(0, 0): false, {}: false, EarliestWall: true, EarliestWall.Add(-1): false, noon: true} {
		if WallKnown(at) != known {
			t.Errorf("%v known: %v", at, !known)
		}
	}
}
