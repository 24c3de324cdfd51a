package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
)

// channelsJSON is what is looked at of "brimline/channels/1".
type channelsJSON struct {
	Channels []struct {
		Name     string   `json:"name"`
		State    string   `json:"state"`
		Reason   string   `json:"reason"`
		Counts   *float64 `json:"counts"`
		Misreads uint64   `json:"misreads"`
	} `json:"channels"`
}

// checkChannels wants every channel to be ok and to show what its converter offers with
// an empty tube, and the silent one to be unplugged.
func checkChannels(o options, out io.Writer) (ok bool, err error) {
	data, err := os.ReadFile(o.channels)
	if err != nil {
		return false, fmt.Errorf("reading the channels' output: %w", err)
	}
	var c channelsJSON
	if err := json.Unmarshal(data, &c); err != nil {
		return false, fmt.Errorf("reading the channels' output %s: %w", o.channels, err)
	}
	if len(c.Channels) == 0 {
		return false, fmt.Errorf("the channels' output %s lists no channel", o.channels)
	}
	ok = true
	fault := func(format string, args ...any) {
		ok = false
		fmt.Fprintf(out, "fault phase=%s %s\n", o.phase, fmt.Sprintf(format, args...))
	}
	states := map[string]int{}
	var misreads uint64
	for _, ch := range c.Channels {
		_, converter, err := splitName(ch.Name)
		if err != nil {
			return false, err
		}
		states[ch.State]++
		misreads += ch.Misreads
		want := "ok"
		if o.silent >= 0 && converter == uint32(o.silent) {
			want = "unplugged"
		}
		if ch.State != want {
			fault("channel %s is said to be %s (%s), want %s", ch.Name, ch.State, ch.Reason, want)
			continue
		}
		if want != "ok" {
			continue
		}
		middle := float64(signed(converter<<20) + zeroCounts)
		if ch.Counts == nil || math.Abs(*ch.Counts-middle) > levelCounts/2 {
			fault("channel %s does not show its converter's %.0f counts, give or take %d", ch.Name, middle, levelCounts/2)
		}
	}
	fmt.Fprintf(out, "channels phase=%s ok=%d unplugged=%d misreads=%d\n", o.phase, states["ok"], states["unplugged"], misreads)
	return ok, nil
}
