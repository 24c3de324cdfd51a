package store

import (
	"errors"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// overviewOf sums up samples as Overview is documented to, from the samples themselves:
// by the cell of unitUS that their minute begins in.
func overviewOf(wall, from, to time.Time, columns int, unitUS int64, samples []rig.Sample) (out []OverviewColumn) {
	width := (to.Sub(from).Microseconds() + int64(columns) - 1) / int64(columns)
	at := map[int64]*OverviewColumn{}
	sums := map[int64]int64{}
	firsts := map[int64]int64{} // of each minute
	for _, s := range samples {
		minute := cell(s)
		if _, ok := firsts[minute]; !ok {
			firsts[minute] = toUS(s.Elapsed)
		}
		begins := firsts[minute] / unitUS * unitUS
		us := wall.UnixMicro() + begins - from.UnixMicro()
		if us < 0 || us >= to.UnixMicro()-from.UnixMicro() {
			continue
		}
		i := us / width
		c := at[i]
		if c == nil {
			c = &OverviewColumn{Index: int(i)}
			at[i] = c
		}
		c.N++
		if s.Quality != rig.Good {
			continue
		}
		if c.Good == 0 {
			c.Min, c.Max = s.Counts, s.Counts
		}
		c.Good++
		c.Min, c.Max = min(c.Min, s.Counts), max(c.Max, s.Counts)
		sums[i] += int64(s.Counts)
	}
	for i := range int64(columns) {
		if c := at[i]; c != nil {
			if c.Good > 0 {
				c.Mean = float64(sums[i]) / float64(c.Good)
			}
			out = append(out, *c)
		}
	}
	return out
}

func TestOverviewSumsUpTheSamples(t *testing.T) {
	ctx := t.Context()
	s := mustOpen(t, filepath.Join(t.TempDir(), "bench.db"))
	boot := mustBoot(t, s, 2)
	// One sample each 7 s for nine hours, some without a value.
	var all [2][]rig.Sample
	var batch []rig.Sample
	for i := range 9 * 3600 / 7 {
		for c := range 2 {
			x := rig.Sample{Channel: c, Seq: uint64(i), Reading: rig.Reading{Elapsed: time.Duration(i) * 7 * time.Second, Counts: int32(i*(c+1) - 900)}}
			if i%11 == c {
				x.Quality, x.Counts = rig.Stalled, 0
			}
			batch = append(batch, x)
			all[c] = append(all[c], x)
		}
	}
	if err := s.Append(ctx, boot.ID, batch); err != nil {
		t.Fatal(err)
	}
	mustBoot(t, s, 2) // seals the open minutes
	// The raw samples of the first hours go; the overview stays as it is.
	chunks := no(s.WatchChunks(ctx, ingest.WatchQuery{BootID: boot.ID, Before: 3 * time.Hour, Limit: 1000}))(t)
	if len(chunks) == 0 {
		t.Fatal("no chunk to delete the raw samples of")
	}
	no(s.DeleteWatchRaw(ctx, "age", day, chunks))(t)
	for _, c := range []struct {
		name     string
		from, to time.Duration // after the boot's wall time
		columns  int
		unit     time.Duration
	}{
		{"minutes", 0, 9 * time.Hour, 90, time.Microsecond},
		{"minutes, a part", 95 * time.Minute, 5 * time.Hour, 100, time.Microsecond},
		{"ten minutes", -3 * time.Hour, 10 * time.Hour, 20, 10 * time.Minute},
		{"ten minutes, a part", 95 * time.Minute, 5 * time.Hour, 7, 10 * time.Minute},
		{"two hours", -100 * time.Hour, 100 * time.Hour, 50, 2 * time.Hour},
		{"all in one", -24 * 365 * time.Hour, 24 * 365 * time.Hour, 1, 2 * time.Hour},
		{"another time", time.Hour * 24, time.Hour * 25, 10, time.Microsecond},
	} {
		from, to := day.Add(c.from), day.Add(c.to)
		var want []Overview
		for i, name := range []string{"tube1", "tube2"} {
			if cols := overviewOf(day, from, to, c.columns, c.unit.Microseconds(), all[i]); cols != nil {
				want = append(want, Overview{name, cols})
			}
		}
		same(t, c.name, no(s.Overview(ctx, from, to, c.columns))(t), want)
	}
	// A corrected clock moves it.
	if err := s.CorrectBoot(ctx, boot.ID, ingest.ClockCorrection{Wall: day.AddDate(1, 0, 0), Why: "network time"}); err != nil {
		t.Fatal(err)
	}
	if got := no(s.Overview(ctx, day, day.Add(9*time.Hour), 10))(t); got != nil {
		t.Errorf("before the correction: %v", got)
	}
	if got := no(s.Overview(ctx, day.AddDate(1, 0, 0), day.AddDate(1, 0, 0).Add(9*time.Hour), 10))(t); len(got) != 2 {
		t.Errorf("after the correction: %v", got)
	}
	for _, columns := range []int{0, -1, 100_001} {
		if _, err := s.Overview(ctx, day, day.Add(time.Hour), columns); !errors.Is(err, ErrConflict) {
			t.Errorf("%d columns: %v", columns, err)
		}
	}
	if _, err := s.Overview(ctx, day, day, 10); !errors.Is(err, ErrConflict) {
		t.Errorf("no time at all: %v", err)
	}
}

// BenchmarkOverview draws a year of four channels in 1,000 columns, and the widest time
// that is still drawn from each finer step.
func BenchmarkOverview(b *testing.B) {
	ctx := b.Context()
	s := mustOpen(b, filepath.Join(b.TempDir(), "bench.db"))
	mustBoot(b, s, 4)
	// The rows as the trigger makes them: those of minutes for two weeks, the others for a year.
	for _, fill := range []string{
		`WITH RECURSIVE m(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM m WHERE i < 14 * 1440 - 1)
			INSERT INTO chunk SELECT c, 1, i * 60000000, i * 4 + c, i * 60000000 + 59990000, i * 4800, 4800, 4800, 0, 0, 0, 0, 0, 0, i, i + 3000, i * 4800, 12500, 0
			FROM (SELECT id AS c FROM channel), m`,
		`WITH RECURSIVE m(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM m WHERE i < 365 * 144 - 1)
			INSERT OR REPLACE INTO overview SELECT 600000000, 1, i, c, 48000, 48000, i, i + 3000, i * 48000 FROM m, (SELECT id AS c FROM channel)`,
		`WITH RECURSIVE m(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM m WHERE i < 365 * 12 - 1)
			INSERT OR REPLACE INTO overview SELECT 7200000000, 1, i, c, 576000, 576000, i, i + 3000, i * 576000 FROM m, (SELECT id AS c FROM channel)`,
	} {
		if _, err := s.w.ExecContext(ctx, fill); err != nil {
			b.Fatal(err)
		}
	}
	for _, days := range []int{365, 166, 13} {
		b.Run(fmt.Sprintf("days=%d", days), func(b *testing.B) {
			cpu := cpuSeconds(b)
			for b.Loop() {
				got, err := s.Overview(ctx, day, day.AddDate(0, 0, days), 1000)
				if err != nil || len(got) != 4 || len(got[0].Columns) < 990 {
					b.Fatal(len(got), err)
				}
			}
			b.ReportMetric(b.Elapsed().Seconds()*1000/float64(b.N), "ms/overview")
			b.ReportMetric((cpuSeconds(b)-cpu)*1000/float64(b.N), "core-ms/overview")
		})
	}
}
