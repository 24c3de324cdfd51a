package store

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"brimline/ingest"
)

// BenchmarkDeleteWatchRaw deletes the raw samples of full chunks, 4 x 80 readings a second,
// a keeper's largest transaction and others: the recorder waits for one at the most.
func BenchmarkDeleteWatchRaw(b *testing.B) {
	for _, size := range []int{1, 16, 64} {
		b.Run(fmt.Sprintf("chunks=%d", size), func(b *testing.B) {
			ctx := b.Context()
			var s *Store
			var watch []ingest.WatchChunk
			var longest time.Duration
			data := benchSeconds(4, 660)
			for b.Loop() {
				if len(watch) < size {
					b.StopTimer()
					if s != nil {
						if err := s.Close(); err != nil {
							b.Fatal(err)
						}
					}
					var err error
					if s, err = Open(ctx, filepath.Join(b.TempDir(), "bench.db"), Options{}); err != nil {
						b.Fatal(err)
					}
					for range 4 {
						boot, err := s.NewBoot(ctx, day, tubes(4))
						if err != nil {
							b.Fatal(err)
						}
						for _, batch := range data {
							if err := s.Append(ctx, boot.ID, batch); err != nil {
								b.Fatal(err)
							}
						}
					}
					if watch, err = s.WatchChunks(ctx, allWatch); err != nil {
						b.Fatal(err)
					}
					b.StartTimer()
				}
				begun := time.Now()
				if _, err := s.DeleteWatchRaw(ctx, ingest.RuleAge, day, watch[:size]); err != nil {
					b.Fatal(err)
				}
				longest = max(longest, time.Since(begun))
				watch = watch[size:]
			}
			b.ReportMetric(float64(longest.Microseconds())/1e3, "longest-ms")
			b.ReportMetric(float64(size*b.N)/b.Elapsed().Seconds(), "chunks/s")
			if err := s.Close(); err != nil {
				b.Fatal(err)
			}
		})
	}
}
