package main

import (
	"bytes"
	"context"
	"log/slog"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"brimline/config"
	"brimline/rig"
	"brimline/rig/simbench"
)

// means is a sink that takes the mean of each channel's good readings.
type means struct {
	mu   sync.Mutex
	n    map[int]int
	sum  map[int]float64
	from time.Duration
}

func (m *means) Put(samples []rig.Sample) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, x := range samples {
		if x.Quality == rig.Good && x.Elapsed > m.from {
			m.n[x.Channel]++
			m.sum[x.Channel] += float64(x.Counts)
		}
	}
	return nil
}

// Each kind of converter, as its example wires it and as it may be wired otherwise, is
// opened on the simulated bench and weighs, with the line that practice begins with,
// what is in its tube.
func TestSimulatedConvertersWeigh(t *testing.T) {
	for _, c := range []struct {
		name, example string
		change        []string // old, new
	}{
		{"hx711", "hx711", nil},
		{"hx711 at gain 64", "hx711", []string{"gain = 128\n", "gain = 64\n"}},
		{"shared clock", "shared-clock", nil},
		{"nau7802", "nau7802", nil},
		{"nau7802 at gain 64 and 20 SPS, one without a multiplexer", "nau7802", []string{"mux_address = 0x70\nmux_port = 5\n", "i2c_bus = 2\n", "gain = 128\n", "gain = 64\n", "sps = 80\n", "sps = 20\n"}},
		{"nau7802 on two multiplexers, AVDD from outside", "nau7802", []string{"mux_address = 0x70\nmux_port = 5\n", "mux_address = 0x71\nmux_port = 0\n", "ldo_v = 3.0", "ldo_v = 0"}},
		{"ads1115", "ads1115", nil},
		{"ads1115 without a reference", "ads1115", []string{"reference_input = 3\n", "range_v = 6.144\n"}},
		{"a bench of three kinds", "hx711", []string{
			"clock_pin = 19\ndata_pin = 20\n", "sensor = \"nau7802\"\n",
			"clock_pin = 21\ndata_pin = 22\n", "sensor = \"ads1115\"\ninput = 0\nreference_input = 3\nbore_mm = 24\n",
			"clock_pin = 23\ndata_pin = 24\n", "sensor = \"ads1115\"\ninput = 1\nreference_input = 3\nsender = \"pressure\"\n"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			text, err := config.ExampleOf(c.example)
			if err != nil {
				t.Fatal(err)
			}
			changed := strings.NewReplacer(c.change...).Replace(string(text))
			if len(c.change) > 0 && changed == string(text) {
				t.Fatal("nothing was changed")
			}
			cfg, err := config.Parse("test.toml", []byte(changed))
			if err != nil {
				t.Fatal(err)
			}
			b, err := openStill(cfg, 0)
			if err != nil {
				t.Fatal(err)
			}
			left := []float64{0, 10, 20, 30, 60, 90}
			if _, err := b.sim.StartRun(simbench.RunPlan{Still: time.Hour, LeftInML: left}); err != nil {
				t.Fatal(err)
			}
			m := &means{n: map[int]int{}, sum: map[int]float64{}, from: 3 * time.Second}
			if err := rig.Acquire(t.Context(), b.sensors, m, rig.AcquireOptions{Until: 8 * time.Second}); err != nil {
				t.Fatal(err)
			}
			for i, ch := range cfg.Channels {
				line, err := b.ownLine(i, ch)
				if err != nil {
					t.Fatal(err)
				}
				if want := int(5 * config.ReadingsPerS(cfg.Channels, i) * 0.8); m.n[i] < want {
					t.Errorf("%s: %d good readings in 5 s, want %d", ch.Name, m.n[i], want)
				}
				got := (m.sum[i]/float64(m.n[i]) - line.Zero) / line.CountsPerGram
				if volume, err := volumeBy(line); err != nil {
					t.Fatal(err)
				} else if volume != nil {
					mL, _ := volume(m.sum[i] / float64(m.n[i]))
					got = mL * cfg.Fuel.DensityGPerML
				}
				// A hose pulls with up to 0.08 g, and a sender without a reference follows its supply,
				// 0.4 % either way, with 90 % of its voltage.
				tolerance := 0.15
				if ch.Sensor == "ads1115" && ch.ReferenceInput == nil {
					tolerance = 0.5
				}
				if want := left[i] * cfg.Fuel.DensityGPerML; math.Abs(got-want) > tolerance {
					t.Errorf("%s: %.3f g, want %.3f", ch.Name, got, want)
				}
			}
			if err := haltAll(b.sensors); err != nil {
				t.Error(err)
			}
		})
	}
}

// What befalls a converter is told in the log, with the channel's name, and the last of
// it when reading ends.
func TestEventsAreLogged(t *testing.T) {
	text, err := config.ExampleOf("nau7802")
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Parse("nau7802", text)
	if err != nil {
		t.Fatal(err)
	}
	b, err := openStill(cfg, 0)
	if err != nil {
		t.Fatal(err)
	}
	a, err := rig.NewAcquirer(b.sensors...)
	if err != nil {
		t.Fatal(err)
	}
	m := &means{n: map[int]int{}, sum: map[int]float64{}}
	plug := func(ch int) {
		t.Helper()
		for _, unplugged := range []bool{false, true, false} {
			if err := b.sim.SetI2CFault(ch, simbench.I2CFault{Unplugged: unplugged}); err != nil {
				t.Fatal(err)
			}
			if err := a.Run(t.Context(), m, rig.AcquireOptions{Until: b.clock.Now() + 2*time.Second}); err != nil {
				t.Fatal(err)
			}
		}
	}
	plug(2)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var out bytes.Buffer
	var due []int
	tellEvents(ctx, a, cfg.Channels, slog.New(slog.NewTextHandler(&out, nil)), func(channel int) { due = append(due, channel) })
	if !slices.Equal(due, []int{2}) {
		t.Errorf("due for a tare: channels %v, want 2 alone", due)
	}
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(lines) != 2 {
		t.Fatalf("%d lines, want 2:\n%s", len(lines), &out)
	}
	for i, want := range [][]string{{"gives no readings", "Check its plug", "tare_due=false"}, {"calibrated anew", "tare it before the next run", "tare_due=true"}} {
		for _, w := range append(want, "level=WARN", "channel=tube3", "port 2 of 0x70") {
			if !strings.Contains(lines[i], w) {
				t.Errorf("%q lacks %q", lines[i], w)
			}
		}
	}
	plug(5)
	notes := eventNotes(a, cfg.Channels)
	if len(notes) != 2 || !strings.HasPrefix(notes[1], "tube6 at ") || !strings.HasSuffix(notes[1], "tare it before the next run") {
		t.Errorf("a run's notes: %q", notes)
	}
}

// A bus that is not there is named with what to do.
func TestNoI2CBus(t *testing.T) {
	_, err := openI2CBus(255)
	if err == nil {
		t.Fatal("there is no bus 255")
	}
	for _, want := range []string{"/dev/i2c-255", "group i2c", "i2c-dev"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q lacks %q", err, want)
		}
	}
	cfg, err := config.Parse("nau7802", []byte("[[channel]]\nname = 'a'\nsensor = 'nau7802'\ni2c_bus = 255\n"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := openBoard(cfg, rig.NewSystemClock()); err == nil || !strings.Contains(err.Error(), "opening channel a: i2c_bus = 255") {
		t.Errorf("opening the board: %v", err)
	}
}
