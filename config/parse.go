package config

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"net"
	"net/netip"
	"os"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/spf13/viper"
)

// known lists the keys that a file may hold, by table; "" is the file's top.
var known = map[string][]string{
	"":      {"bench", "channel", "run", "fuel", "store", "serve", "influx", "outlets", "limits", "compare"},
	"bench": {"name", "gpio_chip"},
	"channel": {"name", "capacity_ml", "sensor", "gpio_chip", "clock_pin", "data_pin", "sps", "gain", "valve_pin",
		"i2c_bus", "mux_address", "mux_port", "address", "input", "input_minus", "range_v", "reference_input", "reference_range_v",
		"valid_low", "valid_high", "ldo_v", "pga_capacitor", "sender", "bore_mm", "strapping", "strapping_u_ml"},
	"run":     {"duration_s", "still_s"},
	"fuel":    {"kind", "density_g_per_ml", "density_15_g_per_ml", "density_u", "assume_en590", "expansion_per_c", "expansion_u", "temperature_c", "temperature_u", "state_at_c", "viscosity"},
	"store":   {"dir", "watch_days", "warn_free_mb", "thin_free_mb", "stop_free_mb", "warn_left_h", "thin_left_h", "stop_left_h"},
	"serve":   {"listen"},
	"influx":  {"url", "bucket", "org", "token_file", "raw", "backfill_points_per_s", "batch_points"},
	"outlets": {"gpio_chip", "valve", "heartbeat_pin", "alarm_pin", "valves_active_low", "alarm_active_low"},
	"compare": {"margin_percent", "hanging_sd_percent", "hanging_df"},
	"limits":  {"low_ml_per_min", "high_ml_per_min", "low_ratio", "high_ratio"},
}

// defaults are what a file may leave out, for the tables that are no lists.
var defaults = map[string]any{
	"bench.name":             "bench",
	"compare.margin_percent": 10.0,
	"run.duration_s":         180.0,
	"run.still_s":            5.0,
	"fuel.kind":              "diesel",
	"store.dir":              "brimline-data",
	"store.watch_days":       365.0,
	"store.warn_free_mb":     1000.0,
	"store.thin_free_mb":     500.0,
	"store.stop_free_mb":     200.0,
	"store.warn_left_h":      168.0,
	"store.thin_left_h":      24.0,
	"store.stop_left_h":      1.0,
	"serve.listen":           "127.0.0.1:8461",

	"influx.raw":                   "all",
	"influx.backfill_points_per_s": int64(5000),
	"influx.batch_points":          int64(5000),
}

const (
	maxChannels = 32
	maxPin      = 511
	minStillS   = 5 // shorter windows cannot show a cell's drift
)

// Parse checks the content of a file and fills in defaults and what the environment
// overrides. name is the file's, for messages. The error is Problems, never empty.
func Parse(name string, data []byte) (*Config, error) {
	ck := &checker{file: name, v: viper.New()}
	if err := ck.text(data); err != nil {
		return nil, err
	}
	data = bytes.TrimPrefix(data, []byte("\uFEFF"))
	var tree map[string]any
	if err := toml.Unmarshal(data, &tree); err != nil {
		return nil, Problems{syntax(name, err)}
	}
	ck.where, ck.order = positions(data)
	ck.strict(tree)

	for key, value := range defaults {
		ck.v.SetDefault(key, value)
	}
	ck.v.SetEnvPrefix("BRIMLINE")
	ck.v.SetEnvKeyReplacer(strings.NewReplacer(".", "_"))
	for table, keys := range known {
		if table == "" || table == "channel" || table == "outlets" {
			continue
		}
		for _, key := range keys {
			// One by one: viper's automatic lookup would let a BRIMLINE_BENCH hide
			// everything in [bench].
			if err := ck.v.BindEnv(table + "." + key); err != nil {
				return nil, Problems{{File: "environment", Key: table + "." + key, Says: err.Error()}}
			}
		}
	}
	// tree holds known keys only by now: viper never sees a key that it could fold
	// into another.
	if err := ck.v.MergeConfigMap(tree); err != nil {
		return nil, Problems{{File: name, Says: fmt.Sprintf("cannot be merged with the defaults: %v", err)}}
	}
	c := ck.config(tree)
	if len(ck.problems) > 0 {
		slices.SortStableFunc(ck.problems, func(a, b Problem) int { return a.Line - b.Line })
		return nil, ck.problems
	}
	return c, nil
}

// checker reads values one by one and collects what is wrong with them.
type checker struct {
	file     string
	v        *viper.Viper
	where    map[string]place // by key as messages show it
	order    []written        // every key of the file, in its order
	problems Problems
}

// text refuses what is no text at all.
func (ck *checker) text(data []byte) error {
	one := func(line, col int, says, try string) error {
		return Problems{{File: ck.file, Line: line, Column: col, Says: says, Try: try}}
	}
	if len(data) > maxBytes {
		return one(0, 0, fmt.Sprintf("the file is over the limit of %d bytes", maxBytes), "is this the right file?")
	}
	if len(bytes.TrimSpace(data)) == 0 {
		return one(0, 0, "the file is empty", "write a bench with 'brimline config example'")
	}
	line, col := 1, 1
	for rest := data; len(rest) > 0; {
		r, n := utf8.DecodeRune(rest)
		if r == utf8.RuneError && n == 1 {
			return one(line, col, fmt.Sprintf("byte 0x%02x is not UTF-8 text", rest[0]), "save the file as UTF-8")
		}
		col++
		if r == '\n' {
			line, col = line+1, 1
		}
		rest = rest[n:]
	}
	return nil
}

// syntax turns the decoder's error into a Problem.
func syntax(file string, err error) Problem {
	p := Problem{File: file, Says: strings.TrimPrefix(err.Error(), "toml: ")}
	var de *toml.DecodeError
	if errors.As(err, &de) {
		p.Line, p.Column = de.Position()
		p.Key = strings.Join(de.Key(), ".")
	}
	p.Says = "not valid TOML: " + p.Says
	switch {
	case strings.Contains(p.Says, "already"):
		p.Try = "keep one of the two; a second tube is a second [[channel]]"
	default:
		p.Try = "text stands in quotes, numbers without, decimals have a dot"
	}
	return p
}

// strict reports every unknown key and every table of the wrong form, and takes
// them out of tree.
func (ck *checker) strict(tree map[string]any) {
	for _, w := range ck.order {
		table, key := "", w.parts[0]
		switch {
		case len(w.parts) == 2 && slices.Contains(known[""], w.parts[0]):
			table, key = w.parts[0], w.parts[1]
		case len(w.parts) > 2:
			// The table within a value is reported as the value's wrong kind.
			continue
		case len(w.parts) == 2:
			continue // its table is reported
		}
		if slices.Contains(known[table], key) {
			continue
		}
		p := Problem{File: ck.file, Line: w.at.line, Column: w.at.column, Key: w.shown, Says: "unknown key"}
		if table != "" {
			p.Says = fmt.Sprintf("unknown key in [%s]", table)
		}
		if secret := isSecret(key); secret && table == "influx" {
			p.Says = "no secret may stand in this file"
			p.Try = "write it to a file of its own that only the daemon may read, name that in token_file, and take it out here"
		} else if near := nearest(key, known[table]); near != "" {
			p.Try = fmt.Sprintf("did you mean %q?", near)
		} else if home := tablesWith(key); len(home) > 0 {
			p.Try = fmt.Sprintf("%s belongs in [%s]", key, strings.Join(home, "] or ["))
		} else {
			p.Try = "known here: " + strings.Join(known[table], ", ")
		}
		if !slices.ContainsFunc(ck.problems, func(q Problem) bool { return q.Key == p.Key && q.Says == p.Says }) {
			ck.problems = append(ck.problems, p)
		}
	}
	for key, value := range tree {
		if !slices.Contains(known[""], key) {
			delete(tree, key)
			continue
		}
		if key == "channel" {
			tree[key] = ck.channelTables(value)
			continue
		}
		table, ok := value.(map[string]any)
		if !ok {
			ck.add(key, shown(value), "must be a table", fmt.Sprintf("write [%s] on its own line and its keys below", key))
			delete(tree, key)
			continue
		}
		prune(table, known[key])
	}
}

func (ck *checker) channelTables(value any) []any {
	list, ok := value.([]any)
	if !ok {
		ck.add("channel", "", "must be a list with one entry for each tube", "write [[channel]], with two brackets, above each")
		return nil
	}
	out := []any{}
	for i, v := range list {
		table, ok := v.(map[string]any)
		if !ok {
			ck.add(fmt.Sprintf("channel[%d]", i+1), shown(v), "must be a table", "write [[channel]] above each tube's keys")
		}
		prune(table, known["channel"]) // a nil one stays, to keep the count
		out = append(out, table)
	}
	return out
}

func prune(table map[string]any, keep []string) {
	for key := range table {
		if !slices.Contains(keep, key) {
			delete(table, key)
		}
	}
}

func tablesWith(key string) []string {
	var out []string
	for table, keys := range known {
		if table != "" && slices.Contains(keys, key) {
			out = append(out, table)
		}
	}
	slices.Sort(out)
	return out
}

// config reads every value. It goes on after a mistake so that all are listed.
func (ck *checker) config(tree map[string]any) *Config {
	c := &Config{}
	top := func(key string) value { return value{key, ck.v.Get(key), ck.overridden(key)} }

	c.Bench.Name = ck.words(top("bench.name"), 60)
	if v := top("bench.gpio_chip"); v.raw != nil {
		c.Bench.GPIOChip = ck.words(v, 60)
	}
	list, _ := tree["channel"].([]any) // of map[string]any, nil for one that is no table
	if _, given := tree["channel"]; !given || list != nil && len(list) == 0 {
		ck.add("channel", "", "the bench has no channel", "add [[channel]] with name, clock_pin and data_pin for each tube")
	}
	if len(list) > maxChannels {
		ck.add("channel", strconv.Itoa(len(list))+" entries", fmt.Sprintf("at most %d channels", maxChannels), "use a second bench")
		list = list[:maxChannels]
	}
	for i, v := range list {
		ch := Channel{ClockPin: -1, DataPin: -1}
		if table := v.(map[string]any); table != nil {
			ch = ck.channel(fmt.Sprintf("channel[%d]", i+1), table, c.Bench.GPIOChip)
		}
		c.Channels = append(c.Channels, ch)
	}
	c.Outlets = ck.outlets(tree, c)
	ck.unique(c)
	ck.places(c.Channels)

	c.Run.DurationS = ck.number(top("run.duration_s"), 10, 3600, "s")
	c.Run.StillS = ck.number(top("run.still_s"), minStillS, 600, "s")

	c.Fuel = ck.fuel(top)

	c.Store = ck.store(top)
	c.Serve.Listen = ck.listen(top("serve.listen"))

	c.Influx = ck.influx(top, c.Bench.Name, c.Channels)

	c.Limits.LowMLPerMin = ck.optional(top("limits.low_ml_per_min"), 0, 10000, "mL/min")
	c.Limits.HighMLPerMin = ck.optional(top("limits.high_ml_per_min"), 0, 10000, "mL/min")
	if lo, hi := c.Limits.LowMLPerMin, c.Limits.HighMLPerMin; lo != nil && hi != nil && *lo >= *hi {
		ck.add("limits.low_ml_per_min", shown(*lo), fmt.Sprintf("must be below high_ml_per_min, %v mL/min", *hi), "swap the two?")
	}
	c.Limits.LowRatio = ck.optional(top("limits.low_ratio"), 0, 1, "times the others")
	c.Limits.HighRatio = ck.optional(top("limits.high_ratio"), 1, 100, "times the others")

	c.Compare.MarginPercent = ck.number(top("compare.margin_percent"), 0.1, 100, "%")
	c.Compare.HangingSDPercent = ck.optional(top("compare.hanging_sd_percent"), 0.001, 100, "%")
	c.Compare.HangingDF = ck.optional(top("compare.hanging_df"), 1, 10000, "degrees of freedom")
	if (c.Compare.HangingSDPercent == nil) != (c.Compare.HangingDF == nil) {
		there := "hanging_sd_percent"
		if c.Compare.HangingSDPercent == nil {
			there = "hanging_df"
		}
		ck.add("compare."+there, "", "hanging_sd_percent and hanging_df belong together: a spread is worth what its degrees of freedom say", "")
	}
	return c
}

func (ck *checker) channel(path string, table map[string]any, chip string) Channel {
	get := func(key string, otherwise any) value {
		v, ok := table[key]
		if !ok {
			v = otherwise
		}
		return value{path: path + "." + key, raw: v}
	}
	ch := Channel{
		CapacityML: ck.number(get("capacity_ml", 100.0), 1, 5000, "mL"),
		Sensor:     ck.oneOf(get("sensor", "hx711"), sensorKinds...),
		ClockPin:   -1,
		DataPin:    -1,
	}
	if !ch.OnI2C() {
		ch.GPIOChip = chip
	}
	ck.foreign(path, ch.Sensor, table)
	ck.sensor(&ch, get)
	ch.ValvePin = ck.pin(get("valve_pin", nil))
	name := get("name", nil)
	ch.Name = ck.words(name, 40)
	if ch.Name != "" && !isName(ch.Name) {
		ck.add(name.path, shown(ch.Name), "must be letters, digits, - and _ only, for it names columns and files", "for example tube1")
	}
	return ch
}

// isName reports whether s can name a column, a file and a part of an address.
func isName(s string) bool {
	for _, r := range s {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) && r != '-' && r != '_' {
			return false
		}
	}
	return true
}

// outlets reads [outlets]. A valve without a heartbeat is refused: nothing would close
// it after a crash.
func (ck *checker) outlets(tree map[string]any, c *Config) Outlets {
	table, _ := tree["outlets"].(map[string]any)
	get := func(key string, otherwise any) value {
		v, ok := table[key]
		if !ok {
			v = otherwise
		}
		return value{path: "outlets." + key, raw: v}
	}
	o := Outlets{
		GPIOChip:        c.Bench.GPIOChip,
		Valve:           ck.oneOf(get("valve", "diverter"), "diverter", "drain"),
		HeartbeatPin:    ck.pin(get("heartbeat_pin", nil)),
		AlarmPin:        ck.pin(get("alarm_pin", nil)),
		ValvesActiveLow: ck.yesNo(get("valves_active_low", false)),
		AlarmActiveLow:  ck.yesNo(get("alarm_active_low", false)),
	}
	if v := get("gpio_chip", nil); v.raw != nil {
		o.GPIOChip = ck.words(v, 60)
	}
	for i, ch := range c.Channels {
		if ch.ValvePin != nil && o.HeartbeatPin == nil {
			ck.add(fmt.Sprintf("channel[%d].valve_pin", i+1), strconv.Itoa(*ch.ValvePin), "a valve needs the heartbeat, or nothing closes it after a crash",
				"wire it (hardware/outlets.md) and set heartbeat_pin in [outlets]")
			break
		}
	}
	return o
}

// unique reports names and pins that are used twice.
func (ck *checker) unique(c *Config) {
	channels := c.Channels
	names := map[string]int{}
	type pin struct {
		chip string
		line int
	}
	pins := map[pin]string{}
	for i, ch := range channels {
		path := fmt.Sprintf("channel[%d]", i+1)
		if folded := strings.ToLower(ch.Name); folded != "" {
			if first, taken := names[folded]; taken {
				ck.add(path+".name", shown(ch.Name), fmt.Sprintf("channel[%d] has this name already (capitals make no difference)", first), "give each tube its own name")
			} else {
				names[folded] = i + 1
			}
		}
		for _, use := range []struct {
			key  string
			line int
		}{{"clock_pin", ch.ClockPin}, {"data_pin", ch.DataPin}} {
			if use.line < 0 {
				continue // missing or wrong, and reported
			}
			at := pin{ch.GPIOChip, use.line}
			first, taken := pins[at]
			if taken && use.key == "clock_pin" && strings.HasSuffix(first, ".clock_pin") {
				ck.sharedClock(channels, i, first)
			} else if taken {
				ck.add(path+"."+use.key, strconv.Itoa(use.line), "this pin is "+first+" already", "each HX711 needs a data line of its own, and a clock line that is no data line")
			} else {
				pins[at] = path + "." + use.key
			}
		}
	}
	outlet := func(path string, line *int) {
		if line == nil || *line < 0 {
			return
		}
		at := pin{c.Outlets.GPIOChip, *line}
		if first, taken := pins[at]; taken {
			ck.add(path, strconv.Itoa(*line), "this pin is "+first+" already", "each valve, the heartbeat and the alarm need a pin of their own")
			return
		}
		pins[at] = path
	}
	for i, ch := range channels {
		outlet(fmt.Sprintf("channel[%d].valve_pin", i+1), ch.ValvePin)
	}
	outlet("outlets.heartbeat_pin", c.Outlets.HeartbeatPin)
	outlet("outlets.alarm_pin", c.Outlets.AlarmPin)
}

// sharedClock checks that channel i may hang on the clock line that the key first
// named: the converters of one line are read as one.
func (ck *checker) sharedClock(channels []Channel, i int, first string) {
	ch, before := channels[i], channels[i-1]
	path := fmt.Sprintf("channel[%d]", i+1)
	if before.ClockPin != ch.ClockPin || before.GPIOChip != ch.GPIOChip {
		ck.add(path+".clock_pin", strconv.Itoa(ch.ClockPin), "this is "+first+" too: channels on one clock line must stand one after the other",
			"move the channel up to the others, or give it a clock line of its own")
		return
	}
	if before.SPS != ch.SPS {
		ck.add(path+".sps", strconv.Itoa(ch.SPS), fmt.Sprintf("channel[%d] on the same clock line has %d", i, before.SPS), "tie all RATE pins of one clock line alike")
	}
	if before.Gain != ch.Gain {
		ck.add(path+".gain", strconv.Itoa(ch.Gain), fmt.Sprintf("channel[%d] on the same clock line has %d", i, before.Gain), "the pulses of one clock line set one gain for all")
	}
}

// value is what stands under a key after defaults and environment.
type value struct {
	path string
	raw  any    // nil: not given
	env  string // the variable that overrides it; empty: the file or a default
}

func (ck *checker) overridden(key string) string {
	name := "BRIMLINE_" + strings.ToUpper(strings.ReplaceAll(key, ".", "_"))
	if os.Getenv(name) == "" { // viper ignores empty variables, so they are not set
		return ""
	}
	return name
}

func (ck *checker) add(key, value, says, try string) {
	p := Problem{File: ck.file, Key: key, Value: value, Says: says, Try: try}
	at, ok := ck.where[key]
	if !ok { // a missing key stands at its table
		at = ck.where[key[:max(0, strings.LastIndexByte(key, '.'))]]
	}
	p.Line, p.Column = at.line, at.column
	ck.problems = append(ck.problems, p)
}

func (ck *checker) wrong(v value, says, try string) {
	if v.env != "" {
		ck.problems = append(ck.problems, Problem{File: "environment", Key: v.env, Value: shown(v.raw), Says: says, Try: try})
		return
	}
	if v.raw == nil {
		ck.add(v.path, "", "missing: "+says, try)
		return
	}
	ck.add(v.path, shown(v.raw), says, try)
}

// words reads a text of at most limit characters.
func (ck *checker) words(v value, limit int) string {
	s, ok := v.raw.(string)
	switch {
	case !ok:
		ck.wrong(v, "must be text", `write it in quotes, for example "tube1"`)
		return ""
	case strings.TrimSpace(s) == "":
		ck.wrong(v, "must not be blank", "write a text or leave the key out")
		return ""
	case utf8.RuneCountInString(s) > limit:
		ck.wrong(v, fmt.Sprintf("is longer than %d characters", limit), "shorten it")
		return ""
	case strings.ContainsFunc(s, unicode.IsControl):
		ck.wrong(v, "holds a control character", "write it on one line")
		return ""
	}
	return s
}

// number reads a finite number within [lo, hi].
func (ck *checker) number(v value, lo, hi float64, unit string) float64 {
	says := fmt.Sprintf("must be a number from %v to %v %s", lo, hi, unit)
	var x float64
	switch raw := v.raw.(type) {
	case float64:
		x = raw
	case int64:
		x = float64(raw)
	case string:
		parsed, err := strconv.ParseFloat(raw, 64)
		if v.env == "" || err != nil {
			try := "write a number without quotes"
			if strings.Contains(raw, ",") {
				try = "write a number without quotes, with a dot for the decimals"
			}
			ck.wrong(v, says+", not text", try)
			return lo
		}
		x = parsed
	default:
		ck.wrong(v, says, "")
		return lo
	}
	if math.IsNaN(x) || x < lo || x > hi {
		ck.wrong(v, says, "")
		return lo
	}
	return x
}

func (ck *checker) optional(v value, lo, hi float64, unit string) *float64 {
	if v.raw == nil {
		return nil
	}
	x := ck.number(v, lo, hi, unit)
	return &x
}

// whole reads a whole number within [lo, hi]; -1 stands for one that is wrong.
func (ck *checker) whole(v value, lo, hi int) int {
	says := fmt.Sprintf("must be a whole number from %d to %d", lo, hi)
	n, ok := v.raw.(int64)
	if !ok {
		try := ""
		if _, isText := v.raw.(string); isText {
			try = "write a number without quotes"
		}
		ck.wrong(v, says, try)
		return -1
	}
	if n < int64(lo) || n > int64(hi) {
		ck.wrong(v, says, "")
		return -1
	}
	return int(n)
}

// pin reads a pin that may be left out; nil when it is.
func (ck *checker) pin(v value) *int {
	if v.raw == nil {
		return nil
	}
	n := ck.whole(v, 0, maxPin)
	return &n
}

func (ck *checker) yesNo(v value) bool {
	b, ok := v.raw.(bool)
	if text, is := v.raw.(string); is && v.env != "" {
		var err error
		b, err = strconv.ParseBool(text)
		ok = err == nil
	}
	if !ok {
		ck.wrong(v, "must be true or false", "write it without quotes")
	}
	return b
}

func (ck *checker) oneOfWhole(v value, allowed ...int) int {
	words := make([]string, len(allowed))
	for i, a := range allowed {
		words[i] = strconv.Itoa(a)
		if v.raw == int64(a) {
			return a
		}
	}
	ck.wrong(v, "must be "+strings.Join(words, " or "), "")
	return allowed[0]
}

func (ck *checker) oneOf(v value, allowed ...string) string {
	if s, ok := v.raw.(string); ok {
		if slices.Contains(allowed, s) {
			return s
		}
		if near := nearest(s, allowed); near != "" {
			ck.wrong(v, "is not known", fmt.Sprintf("did you mean %q?", near))
			return allowed[0]
		}
	}
	ck.wrong(v, fmt.Sprintf("must be one of %q", allowed), "")
	return allowed[0]
}

// listen reads a loopback address.
func (ck *checker) listen(v value) string {
	s := ck.words(v, 100)
	if s == "" {
		return ""
	}
	if err := CheckListen(s); err != nil {
		ck.wrong(v, err.Error(), `for example "127.0.0.1:8461"`)
	}
	return s
}

// CheckListen says why addr, written host:port, may not be listened on; nil if it may.
// Only the loopback interface is open: anyone who reaches the page may read it, and
// there is no password yet to keep others of the network out.
func CheckListen(addr string) error {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return errors.New("must be written host:port")
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil {
		return fmt.Errorf("the port %q must be a number from 0 to 65535", port)
	} else if n != 0 && n < 1024 {
		return fmt.Errorf("port %d belongs to the system; use 0 (any free one) or 1024 to 65535", n)
	}
	if host == "localhost" {
		return nil
	}
	ip, err := netip.ParseAddr(host)
	if err != nil || !ip.IsLoopback() {
		return fmt.Errorf("%q is not on this machine: the page has no password yet, so only 127.0.0.1, [::1] or localhost can be listened on", host)
	}
	return nil
}

// shown returns a value as a message quotes it, shortened.
func shown(v any) string {
	var s string
	switch v := v.(type) {
	case nil:
		return ""
	case string:
		s = strconv.Quote(v)
	case map[string]any:
		return "a table"
	case []any:
		return "a list"
	default:
		s = fmt.Sprint(v)
	}
	if r := []rune(s); len(r) > 60 {
		s = string(r[:57]) + "..."
	}
	return s
}

// nearest returns the candidate that a typing slip away from key, or "".
func nearest(key string, candidates []string) string {
	best, bestDistance := "", 1+max(1, min(3, len(key)/3))
	for _, c := range candidates {
		if d := distance(strings.ToLower(key), c); d < bestDistance {
			best, bestDistance = c, d
		}
	}
	return best
}

// distance is the number of letters to change, add or take away to make b of a
// (Levenshtein 1966), with two rows of the table.
func distance(a, b string) int {
	if len(a) > 100 {
		return len(a)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
