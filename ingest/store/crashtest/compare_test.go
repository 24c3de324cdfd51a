//go:build powercut && linux && !arm

package crashtest

import (
	"database/sql"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"text/tabwriter"
	"time"

	"golang.org/x/sys/unix"
	_ "modernc.org/sqlite" // for the rows beside the chunks

	"brimline/ingest/influx/influxtest"
	"brimline/ingest/store"
	"brimline/rig"
)

const compareSeconds = 1800 // what the runs of one test come to

// cost is what a store makes of a run.
type cost struct {
	fileBytes   int64 // what rests on the disk when it has settled
	deviceBytes int64 // written to the device until then, the file system's journal with it
}

// BenchmarkStores records the same half an hour of 4 channels at 80 samples/s into
// brimline's store, into SQLite with a row for each sample, and into an InfluxDB 1.8,
// each second made durable before the next as each of them does it, on a card and an
// ext4 of their own, and prints what rests on the card and what was written to it.
func BenchmarkStores(b *testing.B) {
	bench := Bench{Seed: 7, Channels: 4, PerS: 80}
	var seconds [][]rig.Sample
	for s := range compareSeconds {
		batch := make([]rig.Sample, bench.Channels*bench.PerS)
		for i := range batch {
			batch[i] = bench.Sample(s*len(batch) + i)
		}
		seconds = append(seconds, batch)
	}
	samples := float64(len(seconds) * len(seconds[0]))

	var table strings.Builder
	w := tabwriter.NewWriter(&table, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "store\tB/sample\tdevice B/s\tdevice B/sample\t")
	for _, s := range []struct {
		name string
		run  func(b *testing.B, c *card, bench Bench, seconds [][]rig.Sample) cost
	}{
		{"brimline", intoBrimline},
		{"sqlite-rows", intoRows},
		{"influxdb-1.8", intoInflux("%s counts=%di,quality=%di,seq=%di %d\n")},
		{"influxdb-1.8-counts-alone", intoInflux("%s counts=%[2]di %[5]d\n")},
	} {
		c := newCard(b, 192) // outlives the server
		b.Run("store="+s.name, func(b *testing.B) {
			var got cost
			for b.Loop() {
				got = s.run(b, c, bench, seconds)
			}
			perSample, perS := float64(got.fileBytes)/samples, float64(got.deviceBytes)/compareSeconds
			b.ReportMetric(perSample, "B/sample")
			b.ReportMetric(perS, "device-B/s")
			fmt.Fprintf(w, "%s\t%.2f\t%.0f\t%.1f\t\n", s.name, perSample, perS, perS*compareSeconds/samples)
		})
	}
	w.Flush()
	fmt.Printf("%d samples of %d channels at %d/s, durable each second; the device's bytes with ext4's journal:\n%s", int(samples), bench.Channels, bench.PerS, table.String())
}

// written is what has reached the device once the file system has nothing left.
func (c *card) written() int64 {
	c.t.Helper()
	f, err := os.Open(c.Dir)
	if err != nil {
		c.t.Fatal(err)
	}
	defer f.Close()
	if err := unix.Syncfs(int(f.Fd())); err != nil {
		c.t.Fatal(err)
	}
	return c.Stats().written
}

// files sums what files on the card take up, those whose names a test likes. A file
// with holes takes up less than its size.
func (c *card) files(like func(path string) bool) (n int64) {
	c.t.Helper()
	err := filepath.WalkDir(c.Dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !like(path) {
			return err
		}
		info, err := d.Info()
		if err == nil {
			n += info.Sys().(*syscall.Stat_t).Blocks * 512
		}
		return err
	})
	if err != nil {
		c.t.Fatal(err)
	}
	return n
}

// folder makes a new folder on the card.
func (c *card) folder() string {
	c.t.Helper()
	dir, err := os.MkdirTemp(c.Dir, "")
	if err != nil {
		c.t.Fatal(err)
	}
	return dir
}

func intoBrimline(b *testing.B, c *card, bench Bench, seconds [][]rig.Sample) cost {
	path := filepath.Join(c.folder(), "bench.db")
	s, err := store.Open(b.Context(), path, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	boot, err := s.NewBoot(b.Context(), time.Unix(1_700_000_000, 0), bench.Rig())
	if err != nil {
		b.Fatal(err)
	}
	before := c.written()
	for _, batch := range seconds {
		if err := s.Append(b.Context(), boot.ID, batch); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(c.written()-before)/compareSeconds, "device-B/s-in-the-run")
	stats, err := s.Stats(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(stats.DataBytes)/float64(stats.Samples), "coded-B/sample")
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	return cost{c.files(func(p string) bool { return p == path }), c.written() - before}
}

func intoRows(b *testing.B, c *card, bench Bench, seconds [][]rig.Sample) cost {
	path := filepath.Join(c.folder(), "rows.db")
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
	if err != nil {
		b.Fatal(err)
	}
	db.SetMaxOpenConns(1)
	if _, err := db.Exec(`CREATE TABLE sample (boot INTEGER, channel INTEGER, elapsed_us INTEGER, seq INTEGER, counts INTEGER, quality INTEGER,
		PRIMARY KEY (boot, channel, elapsed_us)) WITHOUT ROWID`); err != nil {
		b.Fatal(err)
	}
	before := c.written()
	for _, batch := range seconds {
		tx, err := db.Begin()
		if err != nil {
			b.Fatal(err)
		}
		insert, err := tx.Prepare(`INSERT INTO sample VALUES (1, ?, ?, ?, ?, ?)`)
		if err != nil {
			b.Fatal(err)
		}
		for _, s := range batch {
			if _, err := insert.Exec(s.Channel, s.Elapsed.Microseconds(), int64(s.Seq), s.Counts, int(s.Quality)); err != nil {
				b.Fatal(err)
			}
		}
		if err := tx.Commit(); err != nil {
			b.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		b.Fatal(err)
	}
	return cost{c.files(func(p string) bool { return p == path }), c.written() - before}
}

// intoInflux writes points of a form: series, counts, quality, seq, time in ns. The
// server is as installed, each batch synced in its log; after the run it may compact
// at once (it waits for hours otherwise), and what then rests of data is its size.
func intoInflux(form string) func(b *testing.B, c *card, bench Bench, seconds [][]rig.Sample) cost {
	return func(b *testing.B, c *card, bench Bench, seconds [][]rig.Sample) (got cost) {
		b.Setenv("TMPDIR", c.Dir)
		b.Setenv("INFLUXDB_DATA_CACHE_SNAPSHOT_WRITE_COLD_DURATION", "10s")
		b.Setenv("INFLUXDB_DATA_COMPACT_FULL_WRITE_COLD_DURATION", "10s")
		s := influxtest.Start(b, influxtest.Options{NoFlux: true})
		s.CreateDatabase("runs")
		before := c.written()
		series := make([]string, bench.Channels)
		for i, ch := range bench.Rig() {
			series[i] = "brimline_sample,bench=bench1,channel=" + ch.Name + ",store=0a1b2c3d"
		}
		var lines strings.Builder
		for _, batch := range seconds {
			lines.Reset()
			for _, x := range batch {
				fmt.Fprintf(&lines, form, series[x.Channel], x.Counts, int(x.Quality), x.Seq, 1_700_000_000_000_000_000+x.Elapsed.Round(time.Microsecond).Nanoseconds())
			}
			if err := s.Write("runs", lines.String()); err != nil {
				b.Fatal(err)
			}
		}
		isData := func(p string) bool { return strings.Contains(p, "/data/runs/") }
		isLog := func(p string) bool { return strings.Contains(p, "/wal/runs/") }
		for end := time.Now().Add(2 * time.Minute); ; time.Sleep(time.Second) {
			if data := c.files(isData); data > 0 && c.files(isLog) == 0 && data == got.fileBytes {
				break // nothing has changed for a second, and the log is in the data
			} else {
				got.fileBytes = data
			}
			if time.Now().After(end) {
				b.Fatalf("the server has not compacted after 2 minutes: %d bytes of log", c.files(isLog))
			}
		}
		got.deviceBytes = c.written() - before
		n := s.Query("runs", `SELECT count(counts) FROM brimline_sample`)
		if len(n) != 1 || fmt.Sprint(n[0].Values[0][1]) != fmt.Sprint(len(seconds)*len(seconds[0])) {
			b.Fatalf("the server holds %v, want %d samples", n, len(seconds)*len(seconds[0]))
		}
		return got
	}
}
