package store

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// benchSeconds gives k seconds of n channels at 80 SPS, second by second.
func benchSeconds(n, k int) [][]rig.Sample {
	var channels [][]rig.Sample
	for c := range n {
		channels = append(channels, signal(uint64(c), k*81))
	}
	out := make([][]rig.Sample, k)
	for c, s := range channels {
		for _, x := range s {
			x.Channel = c
			if sec := int(x.Elapsed / time.Second); sec < k {
				out[sec] = append(out[sec], x)
			}
		}
	}
	return out
}

func tubes(n int) []rig.Channel {
	out := make([]rig.Channel, n)
	for i := range out {
		out[i] = rig.Channel{Name: fmt.Sprintf("tube%d", i+1), CapacityML: 100}
	}
	return out
}

// written is the process's write_bytes: what it made dirty, page by page, as the
// kernel counts it for the device.
func written(b *testing.B) (n int64) {
	f, err := os.Open("/proc/self/io")
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	for sc := bufio.NewScanner(f); sc.Scan(); {
		if v, ok := strings.CutPrefix(sc.Text(), "write_bytes: "); ok {
			fmt.Sscan(v, &n)
		}
	}
	return n
}

// cpuSeconds is the processor time that the process has used: what "a core" takes, also where
// the machine is busy with other things.
func cpuSeconds(b *testing.B) float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

// BenchmarkRun stores a bench's run, one commit for each second of it, and reports
// what goes to the device for each second.
func BenchmarkRun(b *testing.B) {
	for _, channels := range []int{4, 12} {
		b.Run(fmt.Sprintf("channels=%d/sps=80", channels), func(b *testing.B) {
			ctx := b.Context()
			const seconds = 600
			data := benchSeconds(channels, seconds)
			var stats Stats
			var samples, bytes int64
			for b.Loop() {
				s, err := Open(ctx, filepath.Join(b.TempDir(), "bench.db"), Options{})
				if err != nil {
					b.Fatal(err)
				}
				boot, err := s.NewBoot(ctx, time.Now(), tubes(channels))
				if err != nil {
					b.Fatal(err)
				}
				before := written(b)
				for _, batch := range data {
					if err := s.Append(ctx, boot.ID, batch); err != nil {
						b.Fatal(err)
					}
					samples += int64(len(batch))
				}
				bytes += written(b) - before
				if stats, err = s.Stats(ctx); err != nil {
					b.Fatal(err)
				}
				if err := s.Close(); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(bytes)/float64(b.N)/seconds, "written-B/s")
			b.ReportMetric(float64(stats.FileBytes)/float64(stats.Samples), "file-B/sample")
			b.ReportMetric(float64(stats.DataBytes)/float64(stats.Samples), "B/sample")
			b.ReportMetric(float64(samples)/b.Elapsed().Seconds(), "samples/s")
		})
	}
}

// BenchmarkBulk stores as fast as it goes, through a Recorder.
func BenchmarkBulk(b *testing.B) {
	ctx := b.Context()
	s, err := Open(ctx, filepath.Join(b.TempDir(), "bench.db"), Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	data := benchSeconds(4, 300)
	n := 0
	cpu := cpuSeconds(b)
	for b.Loop() {
		boot, err := s.NewBoot(ctx, time.Now(), tubes(4))
		if err != nil {
			b.Fatal(err)
		}
		r := ingest.NewRecorder(s, boot.ID, ingest.RecorderOptions{})
		for _, batch := range data {
			if err := r.Put(batch); err != nil {
				b.Fatal(err)
			}
			n += len(batch)
		}
		if err := r.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "samples/s")
	b.ReportMetric(float64(n)/(cpuSeconds(b)-cpu), "samples/core-s")
}

// BenchmarkReadHour reads one channel's hour.
func BenchmarkReadHour(b *testing.B) {
	ctx := b.Context()
	s, err := Open(ctx, filepath.Join(b.TempDir(), "bench.db"), Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	boot, err := s.NewBoot(ctx, time.Now(), tubes(4))
	if err != nil {
		b.Fatal(err)
	}
	for _, batch := range benchSeconds(4, 3600) {
		if err := s.Append(ctx, boot.ID, batch); err != nil {
			b.Fatal(err)
		}
	}
	n := 0
	cpu := cpuSeconds(b)
	for b.Loop() {
		got, err := s.Samples(ctx, boot.ID, "tube2", 0, End)
		if err != nil {
			b.Fatal(err)
		}
		n += len(got)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "samples/s")
	b.ReportMetric(b.Elapsed().Seconds()*1000/float64(b.N), "ms/hour")
	b.ReportMetric((cpuSeconds(b)-cpu)*1000/float64(b.N), "core-ms/hour")
	st, err := s.Stats(ctx)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(st.FileBytes)/float64(st.Samples), "file-B/sample") // of four channels' hour
	b.ReportMetric(float64(st.DataBytes)/float64(st.Samples), "B/sample")
}

// BenchmarkVerify checks an hour of four channels, as `brimline verify` does.
func BenchmarkVerify(b *testing.B) {
	ctx := b.Context()
	s, err := Open(ctx, filepath.Join(b.TempDir(), "bench.db"), Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	boot, err := s.NewBoot(ctx, time.Now(), tubes(4))
	if err != nil {
		b.Fatal(err)
	}
	for _, batch := range benchSeconds(4, 3600) {
		if err := s.Append(ctx, boot.ID, batch); err != nil {
			b.Fatal(err)
		}
	}
	n := int64(0)
	for b.Loop() {
		check, err := s.Verify(ctx)
		if err != nil || len(check.Damaged) > 0 {
			b.Fatal(check.Damaged, err)
		}
		n += check.Samples
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "samples/s")
}
