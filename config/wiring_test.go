package config

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"testing"
)

// The wiring table that people build from names the example's channels and pins,
// word for word.
func TestWiringTableMatchesTheExample(t *testing.T) {
	page, err := os.ReadFile("../hardware/README.md")
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := Parse("config.example.toml", Example)
	if err != nil {
		t.Fatal(err)
	}
	rows := regexp.MustCompile(`(?m)^\| (\w+) \| (\d+) \| (\d+) \|$`).FindAllStringSubmatch(string(page), -1)
	if len(rows) != len(cfg.Channels) {
		t.Fatalf("the table has %d channels, the example %d", len(rows), len(cfg.Channels))
	}
	for i, ch := range cfg.Channels {
		want := fmt.Sprintf("| %s | %d | %d |", ch.Name, ch.ClockPin, ch.DataPin)
		if rows[i][0] != want {
			t.Errorf("row %d is %q, the example has %q", i+1, rows[i][0], want)
		}
	}
	outputs := regexp.MustCompile(`(?m)^\| (.+) \| (\d+) \|$`).FindAllStringSubmatch(string(page), -1)
	var want []string
	for _, ch := range cfg.Channels {
		want = append(want, fmt.Sprintf("| valve of %s | %d |", ch.Name, *ch.ValvePin))
	}
	want = append(want, fmt.Sprintf("| heartbeat | %d |", *cfg.Outlets.HeartbeatPin), fmt.Sprintf("| alarm | %d |", *cfg.Outlets.AlarmPin))
	for _, row := range want {
		if !slices.ContainsFunc(outputs, func(m []string) bool { return m[0] == row }) {
			t.Errorf("the page lacks the row %q", row)
		}
	}
	if !regexp.MustCompile("`" + cfg.Bench.GPIOChip + "`").Match(page) {
		t.Errorf("the page does not name the example's GPIO chip %q", cfg.Bench.GPIOChip)
	}
}
