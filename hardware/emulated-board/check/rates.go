package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"time"

	"brimline/ingest"
	"brimline/ingest/store"
)

const (
	countsPerGram = 81920.0
	rateWithin    = 0.01 // of the module's rate

	// unfedMost is how many conversions may pass from a valve's pin to the first
	// heartbeat, for which every channel must have given a sample.
	unfedMost = 16
)

// calibrate states the line of each channel in the store at path, which is made if it is
// not there.
func calibrate(path string, channels []string) (err error) {
	ctx := context.Background()
	st, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return err
	}
	defer func() {
		if closing := st.Close(); err == nil {
			err = closing
		}
	}()
	for _, name := range channels {
		_, converter, err := splitName(name)
		if err != nil {
			return err
		}
		_, err = st.AddCalibration(ctx, ingest.Calibration{
			Channel: name, At: time.Now(), Zero: float64(signed(converter<<20) + zeroCounts), CountsPerGram: countsPerGram,
			UZero: 10, UCountsPerG: countsPerGram * 2e-4, DF: math.Inf(1),
			Certificate: []byte(`{"note":"the emulated converter's own line, not measured"}`),
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// gramsPerMin is the rate at which the module fills a converter's tube, with its default
// parameters.
func gramsPerMin(converter uint32, sps float64) float64 {
	return 60 * sps * 16 / float64(fill+converter) * levelCounts / countsPerGram
}

// testJSON is what is looked at of "brimline/test/1".
type testJSON struct {
	Runs []struct {
		Stopped string   `json:"stopped"`
		Why     string   `json:"why"`
		Rising  []string `json:"still_rising"`
	} `json:"runs"`
	Rates struct {
		Fills []struct {
			Channel string   `json:"channel"`
			Rate    *float64 `json:"rate_g_per_min"`
		} `json:"fills"`
	} `json:"rates"`
}

// checkTest says what is not as wanted in the output of a test, and of the board's
// outputs after it.
func checkTest(path string, sps float64, board counters, channels []string) (faults []string, err error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading the test's output: %w", err)
	}
	var t testJSON
	if err := json.Unmarshal(data, &t); err != nil {
		return nil, fmt.Errorf("reading the test's output %s: %w", path, err)
	}
	for i, run := range t.Runs {
		if run.Stopped != "" || len(run.Rising) > 0 {
			faults = append(faults, fmt.Sprintf("run %d stopped early (%s: %s) or went on: tubes still rising %v", i+1, run.Stopped, run.Why, run.Rising))
		}
	}
	fills := map[string]float64{}
	for _, f := range t.Rates.Fills {
		if f.Rate == nil {
			faults = append(faults, fmt.Sprintf("channel %s has a fill without a rate", f.Channel))
			continue
		}
		if _, twice := fills[f.Channel]; twice {
			faults = append(faults, fmt.Sprintf("channel %s has more than one fill", f.Channel))
		}
		fills[f.Channel] = *f.Rate
	}
	for _, name := range channels {
		_, converter, err := splitName(name)
		if err != nil {
			return nil, err
		}
		rate, ok := fills[name]
		want := gramsPerMin(converter, sps)
		switch {
		case !ok:
			faults = append(faults, fmt.Sprintf("channel %s has no fill: the module filled it at %.2f g/min", name, want))
		case !(math.Abs(rate-want) <= rateWithin*want):
			faults = append(faults, fmt.Sprintf("channel %s has a rate of %.2f g/min: the module filled it at %.2f g/min", name, rate, want))
		}
		if n := board.converters[converter].unfed; n > unfedMost {
			faults = append(faults, fmt.Sprintf("channel %s: its valve was on for %d conversions without a heartbeat, at most %d were expected", name, n, unfedMost))
		}
	}
	if board.beats == 0 || board.alarms > 0 {
		faults = append(faults, fmt.Sprintf("%d heartbeats and %d alarms were counted: at least one and none were wanted", board.beats, board.alarms))
	}
	return faults, nil
}
