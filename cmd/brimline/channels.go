package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"brimline/analysis/report"
	"brimline/analysis/stability"
	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
)

const (
	channelsSchema = "brimline/channels/1"

	channelsLeast = 2 * time.Second
	channelsMost  = time.Hour
	// channelsKept is how far back --watch looks: Allan deviations of 100 s need some hundreds.
	channelsKept  = 15 * time.Minute
	channelsEvery = time.Second // between two pictures of --watch
	// allanLengths is how many averaging times a record must hold before its Allan
	// deviation is shown: of fewer it is a guess.
	allanLengths = 3
	driftLeast   = 8 * time.Second
	whiteLeast   = 20          // readings that a figure of noise rests on
	liveMean     = time.Second // the live value is the mean of so much
)

var allanTimes = []time.Duration{time.Second, 10 * time.Second, 100 * time.Second}

type channelsOptions struct {
	config, data       string
	sim, watch, asJSON bool
	length             time.Duration

	now     func() time.Time
	every   time.Duration
	prepare func(*bench) error // what a test does to the simulated bench first; nil: nothing
}

func newChannelsCommand() *cobra.Command {
	o := channelsOptions{now: time.Now, every: channelsEvery}
	c := &cobra.Command{
		Use:   "channels",
		Short: "List the channels: live value, noise, stability and health",
		Long: `Channels reads every channel of the bench for some seconds and lists what it shows,
its white noise (rms of single readings), its Allan deviation over 1, 10 and 100 s
(how much two neighbouring averages differ; shown once the record is three times as
long), its drift (± is twice the standard uncertainty: some seconds tell little),
what was misread, holes in the record, and the last calibration.

Do it with nothing flowing and nobody at the tubes: a flow counts as drift.
A channel that is unplugged, stalled, stuck, saturated, noisy or misreading is
named with what to do about it, and the exit code is 3.

The daemon must not run meanwhile, as it has the converters: its page shows their
states. Nothing is stored.`,
		Example: "  brimline channels --config bench.toml\n" +
			"  brimline channels --config bench.toml --for 5m      Allan deviations up to 100 s\n" +
			"  brimline channels --config bench.toml --watch       until Ctrl-C\n" +
			"  brimline channels --sim --json",
		Args: usageArgs(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			return runChannels(c.Context(), o, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.StringVar(&o.config, "config", "", "the bench's TOML file; see 'brimline config example'")
	f.BoolVar(&o.sim, "sim", false, "a simulated bench at rest; without --config, six tubes")
	f.StringVar(&o.data, "data", "", "folder of the store with the calibrations (default: the config's)")
	f.DurationVar(&o.length, "for", 10*time.Second, "how long to read, 2s to 1h")
	f.BoolVar(&o.watch, "watch", false, "go on until Ctrl-C, over the last 15 minutes")
	f.BoolVar(&o.asJSON, "json", false, "print JSON, schema "+channelsSchema+"; with --watch one line for each picture")
	cobra.CheckErr(c.MarkFlagFilename("config", "toml"))
	cobra.CheckErr(c.MarkFlagDirname("data"))
	return c
}

func runChannels(ctx context.Context, o channelsOptions, out, errs io.Writer) (err error) {
	if o.config == "" && !o.sim {
		return badInput(errors.New("channels: neither --config nor --sim is given: name the bench's file, or look at a simulated one with --sim; 'brimline config example' prints a file to begin with"))
	}
	if o.length < channelsLeast || o.length > channelsMost {
		return badInput(fmt.Errorf("channels: --for %v: use 2s to 1h", o.length))
	}
	cfg, err := serveConfig(serveOptions{config: o.config, data: o.data, sim: o.sim})
	if err != nil {
		return err
	}
	if !o.sim {
		holder, err := store.InUse(filepath.Join(cfg.Store.Dir, realStore))
		if err != nil {
			return fmt.Errorf("channels: %w", err)
		}
		if holder != "" {
			says := fmt.Sprintf("the daemon or another brimline (%s) has the store in %s and with it the converters: see http://%s/ or /api/v1/state there, or stop it first", holder, cfg.Store.Dir, cfg.Serve.Listen)
			if line := daemonShipping(ctx, cfg.Serve.Listen); line != "" {
				says += "; " + line
			}
			return fmt.Errorf("channels: %s", says)
		}
	}
	calibrations, err := keptCalibrations(ctx, cfg, o.sim)
	if err != nil {
		return fmt.Errorf("channels: %w", err)
	}
	pace := 0.0
	if o.watch {
		pace = 1
	}
	b, err := channelsBench(cfg, o, pace)
	if err != nil {
		return fmt.Errorf("channels: %w", err)
	}
	defer func() { err = errors.Join(err, haltAll(b.sensors)) }()
	if b.sim != nil {
		// Practice need not begin with a calibration.
		for i, ch := range cfg.Channels {
			if _, ok := calibrations[ch.Name]; ok {
				continue
			}
			if feelsLevel(ch) && !hasTube(ch) {
				continue
			}
			if calibrations[ch.Name], err = b.ownLine(i, ch); err != nil {
				return fmt.Errorf("channels: %w", err)
			}
		}
	}
	v := &channelsView{o: o, cfg: cfg, bench: b, calibrations: calibrations, out: out}
	v.record = newLately(cfg, max(o.length, channelsKept))
	if f, ok := out.(*os.File); ok && o.watch && !o.asJSON {
		v.inPlace = term.IsTerminal(int(f.Fd()))
	}
	return v.run(ctx, slog.New(slog.NewTextHandler(errs, nil)))
}

func channelsBench(cfg *config.Config, o channelsOptions, pace float64) (*bench, error) {
	if !o.sim {
		return openBench(cfg, false)
	}
	b, err := openStill(cfg, pace)
	if err == nil && o.prepare != nil {
		err = o.prepare(b)
	}
	return b, err
}

// keptCalibrations returns each channel's newest calibration in the store; none if
// there is no store yet.
func keptCalibrations(ctx context.Context, cfg *config.Config, sim bool) (map[string]ingest.Calibration, error) {
	name := realStore
	if sim {
		name = simStore
	}
	path := filepath.Join(cfg.Store.Dir, name)
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return map[string]ingest.Calibration{}, nil
	}
	r, err := store.OpenRead(ctx, path)
	if err != nil {
		return nil, err
	}
	calibrations, err := currentCalibrations(ctx, r, cfg.Channels)
	return calibrations, errors.Join(err, r.Close())
}

// lately keeps the good readings of the last while. It is a rig.Sink.
type lately struct {
	health *rig.Health
	keep   time.Duration

	mu       sync.Mutex
	channels []channelRecord
}

type channelRecord struct {
	elapsedS, counts []float64
	any              bool
	first, last      time.Duration // of all readings
}

func newLately(cfg *config.Config, keep time.Duration) *lately {
	return &lately{health: rig.NewHealth(healthChannels(cfg.Channels)), keep: keep, channels: make([]channelRecord, len(cfg.Channels))}
}

// healthChannels is what channels' health is judged by.
func healthChannels(channels []config.Channel) []rig.HealthChannel {
	out := make([]rig.HealthChannel, len(channels))
	for i, ch := range channels {
		out[i] = rig.HealthChannel{SPS: config.ReadingsPerS(channels, i), Coarse: ch.Sensor == "ads1115"}
		if ch.Sensor == "hx711" || ch.Sensor == "nau7802" { // the noise that is usual was measured at gain 128
			out[i].UsualWhiteCounts = 60 * math.Sqrt(float64(ch.SPS)/10) * float64(ch.Gain) / 128
		}
	}
	return out
}

// Put implements rig.Sink.
func (s *lately) Put(samples []rig.Sample) error {
	if err := s.health.Put(samples); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, x := range samples {
		k := &s.channels[x.Channel]
		if !k.any {
			k.any, k.first = true, x.Elapsed
		}
		k.last = x.Elapsed
		if x.Quality != rig.Good {
			continue
		}
		// Twice too long, the older half goes: no copy a sample.
		if n := len(k.elapsedS); n > 0 && (x.Elapsed.Seconds()-k.elapsedS[0]) > 2*s.keep.Seconds() {
			from, _ := slices.BinarySearch(k.elapsedS, x.Elapsed.Seconds()-s.keep.Seconds())
			k.elapsedS = append(k.elapsedS[:0], k.elapsedS[from:]...)
			k.counts = append(k.counts[:0], k.counts[from:]...)
		}
		k.elapsedS = append(k.elapsedS, x.Elapsed.Seconds())
		k.counts = append(k.counts, float64(x.Counts))
	}
	return nil
}

// of returns copies of a channel's kept readings.
func (s *lately) of(channel int) (elapsedS, counts []float64, length time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	k := &s.channels[channel]
	from := 0
	if n := len(k.elapsedS); n > 0 {
		from, _ = slices.BinarySearch(k.elapsedS, k.elapsedS[n-1]-s.keep.Seconds())
	}
	return slices.Clone(k.elapsedS[from:]), slices.Clone(k.counts[from:]), k.last - k.first
}

// channelsView reads a bench and shows it.
type channelsView struct {
	o            channelsOptions
	cfg          *config.Config
	bench        *bench
	calibrations map[string]ingest.Calibration
	record       *lately
	out          io.Writer
	inPlace      bool // a terminal, whose picture is drawn anew
}

// run reads and shows, once or again and again.
func (v *channelsView) run(ctx context.Context, log *slog.Logger) error {
	acquirer, err := rig.NewAcquirer(v.bench.sensors...)
	if err != nil {
		return fmt.Errorf("channels: %w", err)
	}
	opt := acquireOptions(v.o.sim, len(v.bench.sensors), log)
	reading, stop := context.WithCancel(ctx)
	defer stop()
	if !v.o.watch {
		opt.Until = v.bench.clock.Now() + v.o.length
		if !v.o.sim {
			// A sensor that hangs in the kernel must not hold up the list of the others.
			var cancel context.CancelFunc
			reading, cancel = context.WithTimeout(reading, v.o.length+5*time.Second)
			defer cancel()
		}
	}
	ended := make(chan error, 1)
	go func() { ended <- acquirer.Run(reading, v.record, opt) }()
	tick := make(<-chan time.Time)
	if v.o.watch {
		ticker := time.NewTicker(v.o.every)
		defer ticker.Stop()
		tick = ticker.C
	}
	for {
		select {
		case <-tick:
			logEvents(acquirer, v.cfg.Channels, log)
			if err := v.show(v.report()); err != nil {
				stop()
				<-ended
				return err
			}
			continue
		case err = <-ended:
		}
		break
	}
	// Ctrl-C ends the reading early, not the list.
	if err != nil && reading.Err() == nil {
		return fmt.Errorf("channels: %w", err)
	}
	logEvents(acquirer, v.cfg.Channels, log)
	last := v.report()
	if err := v.show(last); err != nil {
		return err
	}
	if !last.OK {
		return flagged()
	}
	return nil
}

// channelsReport is the JSON.
type channelsReport struct {
	Schema    string          `json:"schema"`
	Bench     string          `json:"bench"`
	Simulated bool            `json:"simulated"`
	OK        bool            `json:"ok"`     // every channel is
	ReadS     float64         `json:"read_s"` // how long was read
	Channels  []channelReport `json:"channels"`
}

// channelReport is one channel. What cannot be said is null; grams are null without a
// calibration.
type channelReport struct {
	Name        string            `json:"name"`
	Sensor      string            `json:"sensor"`
	State       string            `json:"state"`
	SinceS      float64           `json:"since_s"` // elapsed since reading began
	Reason      string            `json:"reason"`  // of a state that is not ok
	Counts      *float64          `json:"counts"`  // mean of the last second
	MassG       *float64          `json:"mass_g"`
	VolumeML    *float64          `json:"volume_ml,omitempty"` // of a level sender
	WhiteCounts *float64          `json:"white_counts"`        // rms of single readings
	WhiteMg     *float64          `json:"white_mg"`
	Allan       []allanReport     `json:"allan"`
	Drift       *driftReport      `json:"drift"`
	Misreads    uint64            `json:"misreads"`
	Gaps        uint64            `json:"gaps"` // holes of over three periods
	Readings    map[string]uint64 `json:"readings"`
	Calibration *calibratedReport `json:"calibration"` // the one in use; null: none
}

type allanReport struct {
	TauS   float64  `json:"tau_s"`
	Counts *float64 `json:"counts"` // null: not enough read
	Mg     *float64 `json:"mg"`
	Pairs  int      `json:"pairs"` // of neighbouring averages
}

type driftReport struct {
	CountsPerH  float64  `json:"counts_per_h"`
	UCountsPerH float64  `json:"u_counts_per_h"` // standard uncertainty
	GPerH       *float64 `json:"g_per_h"`
	UGPerH      *float64 `json:"u_g_per_h"`
}

type calibratedReport struct {
	ID            int64      `json:"id"` // 0: the simulated cell's own line, not kept
	At            *time.Time `json:"at"` // null: simulated, not kept
	Due           *time.Time `json:"due"`
	Overdue       bool       `json:"overdue"`
	Forced        bool       `json:"forced"` // kept though it was refused
	CountsPerGram float64    `json:"counts_per_gram"`
	Unit          string     `json:"unit"` // "g"; "mm" of a level sender: counts_per_gram is then counts per mm
}

func (v *channelsView) report() channelsReport {
	r := channelsReport{Schema: channelsSchema, Bench: v.cfg.Bench.Name, Simulated: v.o.sim, OK: true, Channels: []channelReport{}}
	now := v.bench.clock.Now()
	i := 0
	for _, s := range v.bench.sensors {
		for range s.Channels() {
			c, length := v.channel(i, s.String(), now)
			r.OK = r.OK && c.State == rig.HealthOK.String()
			r.ReadS = max(r.ReadS, math.Round(length.Seconds()*10)/10)
			r.Channels = append(r.Channels, c)
			i++
		}
	}
	return r
}

func (v *channelsView) channel(i int, sensor string, now time.Duration) (channelReport, time.Duration) {
	ch := v.cfg.Channels[i]
	health := v.record.health.Of(i, now)
	elapsedS, counts, length := v.record.of(i)
	c := channelReport{
		Name: ch.Name, Sensor: sensor, State: health.State.String(), SinceS: math.Round(health.Since.Seconds()*100) / 100, Reason: health.Reason,
		Misreads: health.ByQuality[rig.Misread], Gaps: health.Gaps, Readings: map[string]uint64{}, Allan: []allanReport{},
	}
	for q, n := range health.ByQuality {
		if n > 0 {
			c.Readings[rig.Quality(q).String()] = n
		}
	}
	mg := func(counts float64) *float64 { return nil }
	cal, known := v.calibrations[ch.Name]
	if known {
		c.Calibration = calibrated(cal, v.o.now())
	}
	weighs := known && cal.Unit != ingest.UnitMM // noise and drift of a level stay in counts
	if weighs {
		mg = func(counts float64) *float64 { return number(1000 * math.Abs(counts/cal.CountsPerGram)) }
	}
	if n := len(counts); n > 0 && health.State != rig.HealthAbsent && health.State != rig.HealthStalled {
		from, _ := slices.BinarySearch(elapsedS, elapsedS[n-1]-liveMean.Seconds())
		sum := 0.0
		for _, x := range counts[from:] {
			sum += x
		}
		mean := sum / float64(n-from)
		c.Counts = &mean
		if weighs {
			c.MassG = number((mean - cal.Zero) / cal.CountsPerGram)
		} else if volume, err := volumeBy(cal); err == nil && volume != nil {
			if mL, within := volume(mean); within {
				c.VolumeML = number(mL)
			}
		}
	}
	series, tau0S, err := stability.Even(elapsedS, counts)
	if err == nil && len(counts) >= whiteLeast && health.State != rig.HealthStuck { // the noise of one code is no noise
		if white := stability.White(series); !math.IsNaN(white) {
			c.WhiteCounts, c.WhiteMg = &white, mg(white)
		}
		c.Drift = v.drift(ch.Name, series, tau0S)
	}
	for _, tau := range allanTimes {
		a := allanReport{TauS: tau.Seconds()}
		if c.WhiteCounts != nil && float64(len(series))*tau0S >= allanLengths*tau.Seconds()*0.99 {
			dev, pairs := stability.Overlapping(series, max(1, int(math.Round(tau.Seconds()/tau0S))))
			if pairs > 0 {
				a.Counts, a.Mg, a.Pairs = &dev, mg(dev), pairs
			}
		}
		c.Allan = append(c.Allan, a)
	}
	return c, length
}

// drift returns nil where too little was read to tell one.
func (v *channelsView) drift(name string, series []float64, tau0S float64) *driftReport {
	if float64(len(series))*tau0S < driftLeast.Seconds() {
		return nil
	}
	perS, u, err := stability.Drift(series, tau0S)
	if err != nil {
		return nil
	}
	const h = 3600
	d := &driftReport{CountsPerH: perS * h, UCountsPerH: u * h}
	if cal, ok := v.calibrations[name]; ok && cal.Unit != ingest.UnitMM {
		d.GPerH, d.UGPerH = number(perS*h/cal.CountsPerGram), number(u*h/math.Abs(cal.CountsPerGram))
	}
	return d
}

func calibrated(cal ingest.Calibration, now time.Time) *calibratedReport {
	c := &calibratedReport{ID: cal.ID, CountsPerGram: cal.CountsPerGram, Unit: cal.Unit}
	if cal.ID == 0 {
		return c
	}
	at := cal.At.UTC()
	c.At = &at
	var certificate struct {
		Due    *time.Time `json:"due"`
		Forced bool       `json:"forced"`
	}
	// A certificate of another form has no date that could be read.
	if err := json.Unmarshal(cal.Certificate, &certificate); err == nil {
		c.Due, c.Forced = certificate.Due, certificate.Forced
		c.Overdue = c.Due != nil && now.After(*c.Due)
	}
	return c
}

func (v *channelsView) show(r channelsReport) error {
	var b strings.Builder
	switch {
	case v.o.asJSON:
		enc := json.NewEncoder(&b)
		if !v.o.watch {
			enc.SetIndent("", "  ")
		}
		if err := enc.Encode(r); err != nil {
			return fmt.Errorf("channels: writing the JSON: %w", err)
		}
	default:
		if v.inPlace {
			b.WriteString("\x1b[H\x1b[2J")
		}
		r.write(&b)
		if v.inPlace {
			b.WriteString("\nCtrl-C ends.\n")
		} else if v.o.watch {
			b.WriteString("\n")
		}
	}
	_, err := io.WriteString(v.out, b.String())
	return err
}

const none = "–"

func (r channelsReport) write(out io.Writer) {
	kind := ""
	if r.Simulated {
		kind = ", simulated"
	}
	fmt.Fprintf(out, "%s: %d channels%s, read for %.0f s\n\n", r.Bench, len(r.Channels), kind, r.ReadS)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "channel\tnow\twhite rms\tAllan 1 s\t10 s\t100 s\tdrift per hour\tmisreads\tgaps\tstate\tcalibrated")
	for _, c := range r.Channels {
		fmt.Fprintf(w, "%s\t%s\t%s", c.Name, c.value(), orCounts(c.WhiteCounts, c.WhiteMg, true))
		for _, a := range c.Allan {
			fmt.Fprintf(w, "\t%s", orCounts(a.Counts, a.Mg, false))
		}
		fmt.Fprintf(w, "\t%s\t%d\t%d\t%s\t%s\n", c.Drift.text(), c.Misreads, c.Gaps, c.State, c.Calibration.text())
	}
	w.Flush()
	bad := false
	for _, c := range r.Channels {
		if c.State == rig.HealthOK.String() {
			continue
		}
		if !bad {
			fmt.Fprintln(out)
			bad = true
		}
		reason := c.Reason
		if reason == "" {
			reason = "no steady reading yet: read for longer (--for)"
		}
		fmt.Fprintf(out, "%s (%s) is %s: %s.\n", c.Name, c.Sensor, c.State, reason)
	}
}

func (c channelReport) value() string {
	switch {
	case c.MassG != nil:
		return fmt.Sprintf("%.2f g", noMinusZero(*c.MassG, 2))
	case c.VolumeML != nil:
		return fmt.Sprintf("%.2f mL", noMinusZero(*c.VolumeML, 2))
	case c.Counts != nil:
		return fmt.Sprintf("%.0f counts", *c.Counts)
	}
	return none
}

// orCounts shows milligrams where they are known, else counts; or both.
func orCounts(counts, mg *float64, both bool) string {
	switch {
	case counts == nil:
		return none
	case mg == nil:
		return twoFigures(*counts) + " counts"
	case both:
		return twoFigures(*counts) + " counts, " + twoFigures(*mg) + " mg"
	}
	return twoFigures(*mg) + " mg"
}

// twoFigures writes an amount of noise, which no record of some minutes knows better, or
// an uncertainty: two figures, no exponent.
func twoFigures(x float64) string {
	if x == 0 {
		return "0"
	}
	_, text := report.FormatWithU(0, math.Abs(x))
	return text
}

func (d *driftReport) text() string {
	switch {
	case d == nil:
		return none
	case d.GPerH == nil:
		return signedPlusMinus(d.CountsPerH, 2*d.UCountsPerH) + " counts"
	}
	return signedPlusMinus(*d.GPerH, 2**d.UGPerH) + " g"
}

// signedPlusMinus is plusMinus of something that may go either way.
func signedPlusMinus(value, u float64) string {
	text := plusMinus(value, u)
	if !strings.HasPrefix(text, "-") && strings.ContainsAny(strings.SplitN(text, " ", 2)[0], "123456789") {
		text = "+" + text
	}
	return text
}

// noMinusZero rounds x, so that nothing prints as -0.00.
func noMinusZero(x float64, decimals int) float64 {
	p := math.Pow10(decimals)
	return math.Round(x*p)/p + 0
}

func (c *calibratedReport) text() string {
	switch {
	case c == nil:
		return "not yet"
	case c.At == nil:
		return "simulated"
	case c.Forced:
		return c.At.Format(time.DateOnly) + ", against the limits"
	case c.Due == nil:
		return c.At.Format(time.DateOnly)
	case c.Overdue:
		return fmt.Sprintf("%s, overdue since %s", c.At.Format(time.DateOnly), c.Due.Format(time.DateOnly))
	}
	return fmt.Sprintf("%s, due %s", c.At.Format(time.DateOnly), c.Due.Format(time.DateOnly))
}
