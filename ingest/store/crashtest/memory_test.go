package crashtest

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"
)

// BenchmarkPeakMemory records 12 channels at 320 samples/s for 30 s of real time in a
// process of its own and reports the most memory that it had (VmHWM), what it wrote as
// the kernel counts it, and whether it kept up.
func BenchmarkPeakMemory(b *testing.B) {
	const seconds = 30
	program := buildChild(b, "")
	for b.Loop() {
		path := filepath.Join(b.TempDir(), "bench.db")
		c := startChild(b, program, asIs, "-store", path, "-channels", "12", "-per-s", "320", "-samples", fmt.Sprint(12*320*seconds), "-paced")
		var peakKB, writtenB float64
		for done := false; !done; {
			select {
			case <-c.ended:
				done = true
			case <-time.After(200 * time.Millisecond): // both only grow; what the last 0.2 s add is little
				peakKB = max(peakKB, procValue(c.cmd.Process.Pid, "status", "VmHWM"))
				writtenB = max(writtenB, procValue(c.cmd.Process.Pid, "io", "write_bytes"))
			}
		}
		if err := c.cmd.Wait(); err != nil {
			b.Fatalf("the child: %v: %s", err, c.errs.String())
		}
		a, _, err := ParseAcks(c.out.Bytes())
		if err != nil || a.Samples != 12*320*seconds {
			b.Fatalf("%d samples were acknowledged, want %d: %v", a.Samples, 12*320*seconds, err)
		}
		b.ReportMetric(peakKB/1024, "peak-MiB")
		b.ReportMetric(writtenB/seconds, "written-B/s")
		b.ReportMetric(float64(a.LateMS), "late-ms")
		b.ReportMetric(float64(a.Waits), "waits")
	}
}

// procValue returns a number of a file of /proc/PID, 0 when the process is gone.
func procValue(pid int, file, key string) float64 {
	data, _ := os.ReadFile(fmt.Sprintf("/proc/%d/%s", pid, file))
	m := regexp.MustCompile(`(?m)^` + key + `:\s+(\d+)`).FindSubmatch(bytes.TrimSpace(data))
	if m == nil {
		return 0
	}
	v, _ := strconv.ParseFloat(string(m[1]), 64)
	return v
}
