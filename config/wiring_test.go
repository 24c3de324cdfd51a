package config

import (
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// wiringRow is a channel's row in the table of its example.
func wiringRow(ch Channel) string {
	place := fmt.Sprintf("| %s | %d", ch.Name, ch.I2CBus)
	switch ch.Sensor {
	case "nau7802":
		return place + fmt.Sprintf(" | 0x%02X | %d | 0x%02X | %d |", ch.MuxAddress, ch.MuxPort, ch.Address, ch.Input)
	case "ads1115":
		return place + fmt.Sprintf(" | 0x%02X | %d | %d |", ch.Address, ch.Input, *ch.ReferenceInput)
	}
	return fmt.Sprintf("| %s | %d | %d |", ch.Name, ch.ClockPin, ch.DataPin)
}

// The wiring tables that people build from name each example's channels, pins and
// addresses, word for word: the section that links an example has its rows and no others.
func TestWiringTablesMatchTheExamples(t *testing.T) {
	page, err := os.ReadFile("../hardware/README.md")
	if err != nil {
		t.Fatal(err)
	}
	sections := strings.Split(string(page), "\n## ")[1:]
	seen := 0
	for _, name := range ExampleNames() {
		text, err := ExampleOf(name)
		if err != nil {
			t.Fatal(err)
		}
		cfg, err := Parse(name, text)
		if err != nil {
			t.Fatal(err)
		}
		file := "example-" + name + ".toml"
		if name == "hx711" {
			file = "config.example.toml"
		}
		i := slices.IndexFunc(sections, func(s string) bool { return strings.Contains(s, "(../config/"+file+")") })
		if i < 0 {
			t.Errorf("no section of the page links %s", file)
			continue
		}
		var want []string
		for _, ch := range cfg.Channels {
			want = append(want, wiringRow(ch))
		}
		got := regexp.MustCompile(`(?m)^\| tube.*$`).FindAllString(sections[i], -1)
		if !slices.Equal(got, want) {
			t.Errorf("%s: the page has\n%s\nwant\n%s", file, strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		if chip := cfg.Bench.GPIOChip; chip != "" && !strings.Contains(sections[i], "`"+chip+"`") {
			t.Errorf("%s: the section does not name the GPIO chip %q", file, chip)
		}
		seen++
		outputs := regexp.MustCompile(`(?m)^\| ((?:valve of|heartbeat|alarm).*) \| (\d+) \|$`).FindAllString(sections[i], -1)
		want = nil
		for _, ch := range cfg.Channels {
			if ch.ValvePin != nil {
				want = append(want, fmt.Sprintf("| valve of %s | %d |", ch.Name, *ch.ValvePin))
			}
		}
		if cfg.Outlets.HeartbeatPin != nil {
			want = append(want, fmt.Sprintf("| heartbeat | %d |", *cfg.Outlets.HeartbeatPin), fmt.Sprintf("| alarm | %d |", *cfg.Outlets.AlarmPin))
		}
		if !slices.Equal(outputs, want) {
			t.Errorf("%s: the page's outputs are\n%s\nwant\n%s", file, strings.Join(outputs, "\n"), strings.Join(want, "\n"))
		}
	}
	if seen != 4 {
		t.Errorf("%d examples compared, want 4", seen)
	}
}
