package main

import (
	"context"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"brimline/ingest"
	"brimline/ingest/store"
)

// A board that started in 1970 has its runs fitted by the calibration that there is,
// with the doubt said; a channel without any has no rate to give.
func TestCalibrationOfABoardWithoutAClock(t *testing.T) {
	ctx := context.Background()
	s, err := store.Open(ctx, filepath.Join(t.TempDir(), realStore), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	made := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	for i, span := range []float64{2100, 2150} {
		if _, err := s.AddCalibration(ctx, ingest.Calibration{Channel: "tube1", At: made.AddDate(0, i, 0), CountsPerGram: span, DF: math.Inf(1), Certificate: []byte("{}")}); err != nil {
			t.Fatal(err)
		}
	}
	for _, tc := range []struct {
		at    time.Time
		span  float64
		doubt string
	}{
		{made.AddDate(0, 0, 3), 2100, ""},
		{made.AddDate(0, 2, 0), 2150, ""},
		{time.Unix(60, 0).UTC(), 2100, "1970-01-01"},
	} {
		cal, doubt, err := calibrationFor(ctx, s.Reader, "tube1", tc.at)
		if err != nil {
			t.Fatal(err)
		}
		if cal.CountsPerGram != tc.span || (tc.doubt == "") != (doubt == "") || !strings.Contains(doubt, tc.doubt) {
			t.Errorf("at %v: %g counts/g, doubt %q; want %g, %q", tc.at, cal.CountsPerGram, doubt, tc.span, tc.doubt)
		}
	}
	if _, _, err := calibrationFor(ctx, s.Reader, "tube2", made); err == nil {
		t.Error("a channel that was never calibrated has a calibration")
	}
}
