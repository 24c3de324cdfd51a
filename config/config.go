// Package config reads a bench's one TOML file into plain structs and checks it.
//
// It knows what may stand in the file and within which limits, and nothing of what
// the values will build. Every error of a file is found in one pass, each with its
// line, key, value, limit and what to write instead:
//
//	c, err := config.Load("bench.toml")
//	var problems config.Problems
//	if errors.As(err, &problems) { ... } // one Problem per mistake
//
// Single values can be overridden by the environment: BRIMLINE_ and the key in
// capitals with an underscore for the dot, for example BRIMLINE_SERVE_LISTEN for
// serve.listen. Channels cannot: they are a list, and their names are values,
// never keys, because viper folds the case of keys. Nor can the pins of [outlets].
package config

import (
	"embed"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
)

// Config is a whole file, defaults filled in.
type Config struct {
	Bench    Bench     `toml:"bench" json:"bench"`
	Channels []Channel `toml:"channel" json:"channel"`
	Run      Run       `toml:"run" json:"run"`
	Fuel     Fuel      `toml:"fuel" json:"fuel"`
	Store    Store     `toml:"store" json:"store"`
	Serve    Serve     `toml:"serve" json:"serve"`
	Influx   Influx    `toml:"influx" json:"influx"`
	Outlets  Outlets   `toml:"outlets" json:"outlets"`
	Limits   Limits    `toml:"limits" json:"limits"`
	Compare  Compare   `toml:"compare" json:"compare"`
}

// Bench is the rig on one board.
type Bench struct {
	Name     string `toml:"name" json:"name"`           // what people call it
	GPIOChip string `toml:"gpio_chip" json:"gpio_chip"` // label of the chip the pins belong to; a channel may name another
}

// Channel is one sensor under one tube.
type Channel struct {
	Name       string  `toml:"name" json:"name"` // unique; letters of either case are the same
	CapacityML float64 `toml:"capacity_ml" json:"capacity_ml"`
	Sensor     string  `toml:"sensor" json:"sensor"`                 // "hx711", "nau7802" or "ads1115"
	SPS        int     `toml:"sps" json:"sps"`                       // conversions a second, nominal
	Gain       int     `toml:"gain" json:"gain"`                     // hx711: 128 or 64 (input A), 32 (input B); nau7802: 1 to 128; ads1115: 0
	ValvePin   *int    `toml:"valve_pin,omitempty" json:"valve_pin"` // line number within the outlets' GPIO chip; nil: the tube has no valve

	// An hx711 on two pins.
	GPIOChip string `toml:"gpio_chip" json:"gpio_chip"` // the bench's, unless the channel names its own
	ClockPin int    `toml:"clock_pin" json:"clock_pin"` // line number within the GPIO chip; -1 for a sensor on I2C
	DataPin  int    `toml:"data_pin" json:"data_pin"`   // line number within the GPIO chip; -1 for a sensor on I2C

	// A nau7802 or an ads1115 on an I2C bus.
	I2CBus     int `toml:"i2c_bus" json:"i2c_bus"`         // N of /dev/i2c-N
	MuxAddress int `toml:"mux_address" json:"mux_address"` // of the TCA9548A in front of it; 0: none
	MuxPort    int `toml:"mux_port" json:"mux_port"`
	Address    int `toml:"address" json:"address"`
	Input      int `toml:"input" json:"input"` // nau7802: 1 or 2; ads1115: 0 to 3

	// A nau7802.
	LDOV         float64 `toml:"ldo_v" json:"ldo_v"`                 // its regulator's voltage, V; 0: AVDD is supplied from outside
	PGACapacitor bool    `toml:"pga_capacitor" json:"pga_capacitor"` // the board has one on input 2's pins

	// An ads1115.
	InputMinus      int      `toml:"input_minus" json:"input_minus"`                   // what the input is measured against; 0: ground
	RangeV          float64  `toml:"range_v" json:"range_v"`                           // full scale, V
	ReferenceInput  *int     `toml:"reference_input,omitempty" json:"reference_input"` // the senders' supply; nil: readings are no ratios
	ReferenceRangeV float64  `toml:"reference_range_v" json:"reference_range_v"`       // its full scale, V
	ValidLow        *float64 `toml:"valid_low,omitempty" json:"valid_low"`             // share of the reference, or of the full scale; nil: no limits
	ValidHigh       *float64 `toml:"valid_high,omitempty" json:"valid_high"`

	// Its sender and the tube's form, which turns a level into mL. A level sender without
	// bore and table gives counts and nothing else.
	Sender       string       `toml:"sender" json:"sender,omitempty"`                 // "level" or "pressure"; empty for a cell
	BoreMM       float64      `toml:"bore_mm" json:"bore_mm,omitempty"`               // of an even round tube; 0: not given
	Strapping    [][2]float64 `toml:"strapping" json:"strapping,omitempty"`           // level mm, volume mL, both rising
	StrappingUML float64      `toml:"strapping_u_ml" json:"strapping_u_ml,omitempty"` // standard uncertainty of its volumes
}

// Outlets are the valves' common side and the alarm: see hardware/outlets.md. A valve
// is powered to collect and never otherwise.
type Outlets struct {
	GPIOChip        string `toml:"gpio_chip" json:"gpio_chip"`                   // the bench's, unless this names its own
	Valve           string `toml:"valve" json:"valve"`                           // "diverter" or "drain"
	HeartbeatPin    *int   `toml:"heartbeat_pin,omitempty" json:"heartbeat_pin"` // what the valves' supply hangs on; nil: there are no valves
	AlarmPin        *int   `toml:"alarm_pin,omitempty" json:"alarm_pin"`         // nil: there is no alarm
	ValvesActiveLow bool   `toml:"valves_active_low" json:"valves_active_low"`   // a low pin powers the valve
	AlarmActiveLow  bool   `toml:"alarm_active_low" json:"alarm_active_low"`     // a low pin sounds the alarm
}

// Converters returns the channels' indices by the converter, or the shared clock line,
// that they hang on, in order: {{0}, {1, 2}} is one channel by itself and two that are
// read together.
func (c *Config) Converters() [][]int {
	var all [][]int
	for i, ch := range c.Channels {
		if i > 0 && ch.SameConverter(c.Channels[i-1]) {
			last := len(all) - 1
			all[last] = append(all[last], i)
			continue
		}
		all = append(all, []int{i})
	}
	return all
}

// Run is how long tubes are filled and how long they rest.
type Run struct {
	DurationS float64 `toml:"duration_s" json:"duration_s"` // collecting time, s
	StillS    float64 `toml:"still_s" json:"still_s"`       // static window before and after it, s
}

// Fuel is what comes out of the injectors. Without a density there are grams and no millilitres.
type Fuel struct {
	Kind            string   `toml:"kind" json:"kind"`
	DensityGPerML   float64  `toml:"density_g_per_ml,omitempty" json:"density_g_per_ml"`       // at the tubes' temperature; 0 when not known
	Density15GPerML float64  `toml:"density_15_g_per_ml,omitempty" json:"density_15_g_per_ml"` // at 15 °C, in the other's place; 0 when not known
	DensityU        float64  `toml:"density_u,omitempty" json:"density_u"`                     // standard uncertainty of either, g/mL
	AssumeEN590     bool     `toml:"assume_en590,omitempty" json:"assume_en590"`               // the density is what EN 590 allows, and as unsure as that
	ExpansionPerC   float64  `toml:"expansion_per_c,omitempty" json:"expansion_per_c"`         // part by which the density falls per °C, of what is no petroleum product and no water; 0 when not known
	ExpansionU      float64  `toml:"expansion_u,omitempty" json:"expansion_u"`                 // its standard uncertainty
	TemperatureC    *float64 `toml:"temperature_c,omitempty" json:"temperature_c"`             // in the tubes, °C; nil when not noted
	TemperatureU    float64  `toml:"temperature_u,omitempty" json:"temperature_u"`             // its standard uncertainty, °C
	StateAtC        float64  `toml:"state_at_c,omitempty" json:"state_at_c"`                   // what volumes are stated at, °C; 0: the temperature in the tubes

	// Viscosity is two kinematic viscosities, °C and mm2/s each; nil when not known.
	Viscosity [][2]float64 `toml:"viscosity,omitempty" json:"viscosity,omitempty"`
}

// Store is where samples are kept.
type Store struct {
	Dir string `toml:"dir" json:"dir"` // a relative path starts at the working directory

	// Raw readings of the watch, which is all that belongs to no run, are kept for so many
	// days; 0: for ever. Those of runs, and each minute's summary, always are.
	WatchDays float64 `toml:"watch_days" json:"watch_days"`
	// When room is short the bench warns, then deletes the oldest raw readings of the
	// watch, then stops the watch, never a run: below so many MB (1,000,000 bytes), or when
	// what is left lasts so many hours at the present pace. 0: by the other one alone.
	WarnFreeMB float64 `toml:"warn_free_mb" json:"warn_free_mb"`
	ThinFreeMB float64 `toml:"thin_free_mb" json:"thin_free_mb"`
	StopFreeMB float64 `toml:"stop_free_mb" json:"stop_free_mb"`
	WarnLeftH  float64 `toml:"warn_left_h" json:"warn_left_h"`
	ThinLeftH  float64 `toml:"thin_left_h" json:"thin_left_h"`
	StopLeftH  float64 `toml:"stop_left_h" json:"stop_left_h"`
}

// Serve is where the page is served.
type Serve struct {
	Listen string `toml:"listen" json:"listen"` // host:port on the loopback interface
}

// Influx is the shared store that the bench's is copied to. Without a URL there is none.
type Influx struct {
	URL    string `toml:"url,omitempty" json:"url"` // of the server; empty: nothing is shipped
	Bucket string `toml:"bucket,omitempty" json:"bucket"`
	Org    string `toml:"org,omitempty" json:"org"` // empty for a 1.8
	// TokenFile is a file that holds the token and nothing else; empty: the systemd
	// credential of the name InfluxCredential. The token itself never stands in the main file.
	TokenFile          string `toml:"token_file,omitempty" json:"token_file"`
	Raw                string `toml:"raw" json:"raw"` // of the raw samples: "all", "means" of each second or "none"
	BackfillPointsPerS int    `toml:"backfill_points_per_s" json:"backfill_points_per_s"`
	BatchPoints        int    `toml:"batch_points" json:"batch_points"` // most of one request
}

// InfluxCredential is the name of the systemd credential (LoadCredential=) with the token.
const InfluxCredential = "influx-token"

// Limits are the user's own warning limits. There are none unless the file sets them:
// this project knows no limit of any engine.
type Limits struct {
	LowMLPerMin  *float64 `toml:"low_ml_per_min,omitempty" json:"low_ml_per_min"`
	HighMLPerMin *float64 `toml:"high_ml_per_min,omitempty" json:"high_ml_per_min"`
	LowRatio     *float64 `toml:"low_ratio,omitempty" json:"low_ratio"` // of an injector's rate to that of the others
	HighRatio    *float64 `toml:"high_ratio,omitempty" json:"high_ratio"`
}

// Compare is how before is compared with after.
type Compare struct {
	MarginPercent float64 `toml:"margin_percent" json:"margin_percent"` // smallest change worth caring about
	// HangingSDPercent is this bench's own spread between hangings of the set's mean, and
	// HangingDF its degrees of freedom, from a re-hanging study; nil when there was none.
	HangingSDPercent *float64 `toml:"hanging_sd_percent,omitempty" json:"hanging_sd_percent"`
	HangingDF        *float64 `toml:"hanging_df,omitempty" json:"hanging_df"`
}

// Example is a commented file for a bench of six HX711, one clock line per chip.
//
//go:embed config.example.toml
var Example []byte

//go:embed example-*.toml
var examples embed.FS

// ExampleNames are the benches that ExampleOf knows, that of Example first.
func ExampleNames() []string { return []string{"hx711", "shared-clock", "nau7802", "ads1115"} }

// ExampleOf returns a commented file for a bench by its name, one of ExampleNames.
func ExampleOf(name string) ([]byte, error) {
	names := ExampleNames()
	if name == names[0] {
		return Example, nil
	}
	if !slices.Contains(names, name) {
		return nil, fmt.Errorf("there is no example %q: there are %s", name, strings.Join(names, ", "))
	}
	return examples.ReadFile("example-" + name + ".toml")
}

// maxBytes bounds a file: a bench of 32 channels is under 10 kB.
const maxBytes = 1 << 20

// Problem is one mistake in a file, or in an environment variable that overrides it.
type Problem struct {
	File   string `json:"file"`   // the file, or "environment"
	Line   int    `json:"line"`   // from 1; 0 when it belongs to no line
	Column int    `json:"column"` // from 1; 0 when not known
	Key    string `json:"key"`    // "run.duration_s", "channel[1].name" for the first channel
	Value  string `json:"value"`  // as written; empty when there is none
	Says   string `json:"says"`   // what is wrong and the limit
	Try    string `json:"try"`    // what to write or do instead
}

// Error returns the mistake on one line, in the form file:line:column: key = value: says; try.
func (p Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
		if p.Column > 0 {
			fmt.Fprintf(&b, ":%d", p.Column)
		}
	}
	b.WriteString(": ")
	if p.Key != "" {
		b.WriteString(p.Key)
		if p.Value != "" {
			b.WriteString(" = " + p.Value)
		}
		b.WriteString(": ")
	}
	b.WriteString(p.Says)
	if p.Try != "" {
		b.WriteString("; " + p.Try)
	}
	return b.String()
}

// Problems are all mistakes of a file, in the order of its lines.
type Problems []Problem

// Error returns every mistake, one per line.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Load reads and checks the file at path. An error about its content is Problems.
func Load(path string) (*Config, error) {
	f, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("reading the config %s: there is no such file; write one with 'brimline config example > %s': %w", path, path, os.ErrNotExist)
	}
	if err != nil {
		return nil, fmt.Errorf("reading the config %s: %w", path, err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("reading the config %s: %w", path, err)
	}
	return Parse(path, data)
}
