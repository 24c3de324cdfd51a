package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"net"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/i2c"

	"brimline/cmd/brimline/serve"
	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
	"brimline/rig/hx711"
	"brimline/rig/simbench"
)

const (
	realStore = "brimline.db"
	simStore  = "simulated.db" // a name of its own: simulated readings never stand among real ones

	simSeed = 1 // the simulated bench is the same bench at each start
	// failedStays is how long the page is still served after the daemon failed, so
	// that those who look on learn why.
	failedStays = 5 * time.Second
)

type serveOptions struct {
	config, listen, data string
	sim                  bool
}

func newServeCommand() *cobra.Command {
	var o serveOptions
	c := &cobra.Command{
		Use:   "serve",
		Short: "Run the bench: acquire, store, and serve its page",
		Long: `Serve reads every channel of the bench without pause, keeps every reading in the
store, and serves one page with the live curves and the last finding. It ends on
SIGTERM or Ctrl-C with nothing lost, and goes on with a new boot when started again.

The page is for this machine alone: other addresses are refused, as there is no
password yet. To look from elsewhere, use a tunnel of your own, such as ssh -L.`,
		Example: "  brimline serve --sim                            practice on a simulated bench\n" +
			"  brimline serve --config bench.toml --data /var/lib/brimline\n" +
			"  brimline serve --sim --listen 127.0.0.1:0       on any free port",
		Args: usageArgs(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			log := slog.New(slog.NewTextHandler(c.ErrOrStderr(), nil))
			return serveBench(c.Context(), o, c.OutOrStdout(), log)
		},
	}
	f := c.Flags()
	f.StringVar(&o.config, "config", "", "the bench's TOML file; see 'brimline config example'")
	f.BoolVar(&o.sim, "sim", false, "simulate the bench in real time; without --config, six tubes")
	f.StringVar(&o.listen, "listen", "", "address of the page, host:port on this machine (default: the config's)")
	f.StringVar(&o.data, "data", "", "folder of the store (default: the config's)")
	cobra.CheckErr(c.MarkFlagFilename("config", "toml"))
	cobra.CheckErr(c.MarkFlagDirname("data"))
	return c
}

// serveConfig reads the config and puts the flags over it.
func serveConfig(o serveOptions) (*config.Config, error) {
	var cfg *config.Config
	var err error
	switch {
	case o.config != "":
		cfg, err = config.Load(o.config)
	case o.sim:
		if cfg, err = config.Parse("built-in example", config.Example); err == nil {
			cfg.Run.DurationS = 60 // practice should not take an afternoon
		}
	default:
		err = errors.New("serve: neither --config nor --sim is given: name the bench's file, or practise with --sim; 'brimline config example' prints a file to begin with")
	}
	if err != nil {
		return nil, badInput(err)
	}
	if o.listen != "" {
		if err := config.CheckListen(o.listen); err != nil {
			return nil, badInput(fmt.Errorf("serve: --listen %s: %w", o.listen, err))
		}
		cfg.Serve.Listen = o.listen
	}
	if o.data != "" {
		cfg.Store.Dir = o.data
	}
	return cfg, nil
}

// serveBench runs the daemon until ctx ends or something fails.
func serveBench(ctx context.Context, o serveOptions, out io.Writer, log *slog.Logger) (err error) {
	cfg, err := serveConfig(o)
	if err != nil {
		return err
	}
	// The address first: that another daemon runs should be known before a
	// converter is powered or a store opened.
	ln, err := net.Listen("tcp", cfg.Serve.Listen)
	if err != nil {
		return fmt.Errorf("serve: listening on %s: %w: is the daemon running already? --listen takes another address", cfg.Serve.Listen, err)
	}
	defer ln.Close()

	st, err := openStore(ctx, cfg.Store.Dir, o.sim)
	if err != nil {
		return fmt.Errorf("serve: %w", err)
	}
	// Whatever happened, the store is closed, and not to be able to is said.
	defer func() { err = errors.Join(err, st.Close()) }()

	bench, err := openBench(cfg, o.sim)
	if err != nil {
		return fmt.Errorf("serve: %w", err)
	}
	defer func() { err = errors.Join(err, haltAll(bench.sensors)) }()

	channels := make([]rig.Channel, len(cfg.Channels))
	for i, ch := range cfg.Channels {
		channels[i] = rig.Channel{Name: ch.Name, CapacityML: ch.CapacityML}
	}
	boot, err := st.NewBoot(ctx, bench.wall, channels)
	if err != nil {
		return fmt.Errorf("serve: %w", err)
	}
	if err := bench.calibrate(ctx, st, cfg.Channels); err != nil {
		return fmt.Errorf("serve: %w", err)
	}
	calibrations, err := currentCalibrations(ctx, st.Reader, cfg.Channels)
	if err != nil {
		return fmt.Errorf("serve: %w", err)
	}
	for _, err := range dropUnsuited(cfg.Channels, calibrations) {
		log.Warn("a calibration is not used: " + err.Error())
	}

	d := &daemon{cfg: cfg, store: st, bench: bench, log: log}
	d.recorder = ingest.NewRecorder(st, boot.ID, ingest.RecorderOptions{})
	d.keeping = newKeeping(st, cfg.Store, boot, bench, log)
	var shippingStatus func() serve.ShippingStatus
	if d.shipping = newShipping(cfg, st, o.sim, log); d.shipping != nil {
		shippingStatus = d.shipping.status
	}
	d.server = serve.New(serve.Options{
		Room: d.keeping.room, Clock: d.keeping.wallClock,
		Bench: cfg.Bench.Name, Simulated: o.sim, Version: version, Boot: boot.ID,
		Channels: pageChannels(cfg.Channels, calibrations), DensityGPerML: tubesGPerML(fuelOfConfig(cfg.Fuel)),
		Store: d.storeStatus, Shipping: shippingStatus, Log: log, Health: rig.NewHealth(healthChannels(cfg.Channels)),
		Finder: liveFinding{
			store: st.Reader, boot: boot.ID, clock: bench.clock, channels: cfg.Channels, calibrations: calibrations,
			density: densityOf(fuelOfConfig(cfg.Fuel)), limits: cfg.Limits,
		}.find,
	})
	kind := ""
	if o.sim {
		kind = ", simulated"
	}
	fmt.Fprintf(out, "brimline: %s (%d channels%s) at http://%s/, store %s, boot %d; end with Ctrl-C\n",
		cfg.Bench.Name, len(channels), kind, ln.Addr(), st.Path(), boot.ID)
	return d.run(ctx, ln, o.sim)
}

// daemon is one start of the bench.
type daemon struct {
	cfg      *config.Config
	store    *store.Store
	bench    *bench
	recorder *ingest.Recorder
	keeping  *keeping  // nil: nothing watches over the disk and the clock
	shipping *shipping // nil: there is no shared store
	server   *serve.Server
	log      *slog.Logger
}

// run acquires and serves. The order of its end: converters are read no more, what
// was read is made durable, then the page goes.
func (d *daemon) run(ctx context.Context, ln net.Listener, sim bool) error {
	acquirer, err := rig.NewAcquirer(d.bench.sensors...)
	if err != nil {
		return errors.Join(fmt.Errorf("serve: %w", err), d.recorder.Close())
	}
	serving, stopServing := context.WithCancel(context.WithoutCancel(ctx))
	defer stopServing()
	acquiring, stopAcquiring := context.WithCancel(ctx)
	defer stopAcquiring()
	var g errgroup.Group
	var record rig.Sink = d.recorder
	if d.keeping != nil {
		record = d.keeping.keeper.Sink(d.recorder)
		d.keeping.run(acquiring, &g)
	}
	if d.shipping != nil {
		g.Go(func() error {
			d.shipping.run(acquiring)
			return nil
		})
	}
	g.Go(func() error {
		defer stopAcquiring() // without the page the daemon ends too
		return d.server.Serve(serving, ln)
	})
	g.Go(func() error {
		tellEvents(acquiring, acquirer, d.cfg.Channels, d.log, d.server.Live().TareDue)
		return nil
	})
	g.Go(func() error {
		defer stopServing()
		defer stopAcquiring() // there is nothing to tell any more
		err := acquirer.Run(acquiring, teeSink{record, d.server.Live()}, acquireOptions(sim, len(d.bench.sensors), d.log))
		if acquiring.Err() != nil && errors.Is(err, context.Cause(acquiring)) {
			err = nil // that is how it ends
		}
		if closing := d.recorder.Close(); closing != nil {
			err = closing // it says what was lost, and why
		}
		if err == nil {
			stats := d.recorder.Stats()
			d.log.Info("stopped", "readings", stats.Put, "durable", stats.Kept)
			return nil
		}
		d.server.Fail(err) // for the page; the program's end writes it to the log
		select {
		case <-ctx.Done():
		case <-time.After(failedStays):
		}
		return fmt.Errorf("serve: %w", err)
	})
	return g.Wait()
}

// teeSink puts samples into the recorder and, when it took them, into the page.
type teeSink struct{ store, page rig.Sink }

func (t teeSink) Put(samples []rig.Sample) error {
	if err := t.store.Put(samples); err != nil {
		return err
	}
	return t.page.Put(samples)
}

func (d *daemon) storeStatus() serve.StoreStatus {
	s := serve.StoreStatus{Path: d.store.Path(), OK: true, Stored: d.recorder.Stats().Kept, FreeBytes: -1}
	for _, name := range []string{s.Path, s.Path + "-wal"} {
		if info, err := os.Stat(name); err == nil {
			s.Bytes += info.Size()
		}
	}
	var disk syscall.Statfs_t
	if err := syscall.Statfs(filepath.Dir(s.Path), &disk); err == nil {
		s.FreeBytes = int64(disk.Bavail) * int64(disk.Bsize)
	}
	return s
}

func openStore(ctx context.Context, dir string, sim bool) (*store.Store, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("making the store's folder %s: %w: choose another with --data", dir, err)
	}
	name := realStore
	if sim {
		name = simStore
	}
	return store.Open(ctx, filepath.Join(dir, name), store.Options{})
}

// bench is the sensors with their clock.
type bench struct {
	sensors []rig.Sensor
	clock   rig.Clock
	wall    time.Time // wall clock at elapsed zero
	sim     *simbench.Bench
}

func openBench(cfg *config.Config, sim bool) (*bench, error) {
	if sim {
		return openSimulated(cfg, 1)
	}
	clock := rig.NewSystemClock()
	sensors, err := openBoard(cfg, clock)
	return &bench{sensors: sensors, clock: clock, wall: clock.Origin()}, err
}

// openSimulated makes a bench that fills, rests and empties its tubes for ever. pace
// is its seconds per real second, 0 for as fast as it can.
func openSimulated(cfg *config.Config, pace float64) (*bench, error) {
	b, err := openStill(cfg, pace)
	if err != nil {
		return nil, err
	}
	still := time.Duration(max(cfg.Run.StillS, 8) * float64(time.Second))
	return b, b.sim.Loop(simbench.LoopPlan{
		RunPlan: simbench.RunPlan{Still: still, Flow: time.Duration(cfg.Run.DurationS * float64(time.Second))},
		Hold:    still, Drain: 6 * time.Second,
	})
}

// simulatedWorld is the simulated bench's world, with the config's fuel.
func simulatedWorld(cfg *config.Config) simbench.World {
	world := simbench.DefaultWorld()
	if d := tubesGPerML(fuelOfConfig(cfg.Fuel)); d > 0 {
		world.DensityGPerML = d
	}
	return world
}

// openStill makes the same simulated bench with nothing flowing.
func openStill(cfg *config.Config, pace float64) (*bench, error) {
	world := simulatedWorld(cfg)
	sps := 0 // of the HX711
	for _, ch := range cfg.Channels {
		switch {
		case ch.OnI2C():
		case sps == 0:
			sps = ch.SPS
		case ch.SPS != sps:
			return nil, badInput(fmt.Errorf("channel %s has sps = %d, one before it %d: the simulated bench has one rate for all HX711", ch.Name, ch.SPS, sps))
		}
	}
	clocks := make([]int, len(cfg.Channels))
	for n, together := range cfg.Converters() {
		for _, i := range together {
			clocks[i] = n
		}
	}
	sim, err := simbench.New(simbench.Options{Seed: simSeed, Channels: len(cfg.Channels), SPS: sps, Pace: pace, World: &world, Clocks: clocks})
	if err != nil {
		return nil, err
	}
	b := &bench{clock: sim, wall: time.Now(), sim: sim}
	buses := newI2CBuses(cfg, func(number int) (i2c.Bus, error) { return sim.I2C(number), nil })
	for _, line := range cfg.Converters() {
		if first := cfg.Channels[line[0]]; first.OnI2C() {
			err := simulateI2C(sim, cfg, line)
			var s rig.Sensor
			if err == nil {
				s, err = buses.driveI2C(cfg.Channels[line[0]:line[len(line)-1]+1], sim.Clock(line[0]))
			}
			if err != nil {
				return nil, fmt.Errorf("opening channel %s: %w", first.Name, err)
			}
			b.sensors = append(b.sensors, sim.Sensor(line[0], s))
			continue
		}
		sck, _, _ := sim.Line(line[0])
		var douts []gpio.PinIn
		for _, i := range line {
			_, dout, _ := sim.Line(i)
			douts = append(douts, dout)
		}
		var together hx711.Lines
		if len(line) > 1 {
			together = sim.DataPins(line...)
		}
		s, err := driveHX711(sck, douts, together, sim.Clock(line[0]), cfg.Channels[line[0]])
		if err != nil {
			return nil, fmt.Errorf("opening channel %s: %w", cfg.Channels[line[0]].Name, err)
		}
		if together != nil {
			s = sim.Sensor(line[0], s)
		}
		b.sensors = append(b.sensors, s)
	}
	return b, nil
}

// calibrate gives the simulated cells their own lines, so that practice need not
// begin with masses; a line that was found with masses, or the same one, stays. A real
// bench is calibrated by a person.
func (b *bench) calibrate(ctx context.Context, st *store.Store, channels []config.Channel) error {
	if b.sim == nil {
		return nil
	}
	current, err := currentCalibrations(ctx, st.Reader, channels)
	if err != nil {
		return err
	}
	for i, ch := range channels {
		if feelsLevel(ch) && !hasTube(ch) {
			continue // nothing turns its level into mL
		}
		own, err := b.ownLine(i, ch)
		if err != nil {
			return err
		}
		if c, ok := current[ch.Name]; ok && suits(ch, c) == nil && (foundWithLoads(c) || c.Zero == own.Zero && c.CountsPerGram == own.CountsPerGram) {
			continue
		}
		if _, err := st.AddCalibration(ctx, own); err != nil {
			return err
		}
	}
	return nil
}

// ownLine is the line of a simulated cell, which no measurement found.
func (b *bench) ownLine(channel int, ch config.Channel) (ingest.Calibration, error) {
	truth, err := b.sim.Truth(channel, 0, time.Millisecond)
	if err != nil {
		return ingest.Calibration{}, err
	}
	gain := simulatedGain(ch)
	perGram := truth.CountsPerGram * gain
	own := ingest.Calibration{
		Channel: ch.Name, At: b.wall, Zero: truth.ZeroCounts * gain, CountsPerGram: perGram,
		UZero: 10, UCountsPerG: perGram * 2e-4, DF: math.Inf(1), // stated, as a good calibration would find
		Certificate: []byte(`{"simulated":true,"note":"the simulated cell's own line, not measured"}`),
		Unit:        ingest.UnitG,
	}
	if feelsLevel(ch) {
		return levelLine(own, ch, simbench.DefaultWorld().TubeML*truth.DensityGPerML)
	}
	return own, nil
}

// currentCalibrations returns each channel's newest calibration; a channel without
// one is left out. The wall clock is not asked: a board without a clock of its own
// starts in 1970, before all of them.
func currentCalibrations(ctx context.Context, r *store.Reader, channels []config.Channel) (map[string]ingest.Calibration, error) {
	out := map[string]ingest.Calibration{}
	for _, ch := range channels {
		all, err := r.Calibrations(ctx, ch.Name)
		if err != nil {
			return nil, err
		}
		if len(all) > 0 {
			out[ch.Name] = all[len(all)-1]
		}
	}
	return out, nil
}

func pageChannels(channels []config.Channel, calibrations map[string]ingest.Calibration) []serve.Channel {
	out := make([]serve.Channel, len(channels))
	for i, ch := range channels {
		out[i] = serve.Channel{Name: ch.Name, CapacityML: ch.CapacityML}
		if c, ok := calibrations[ch.Name]; ok {
			// A tube's table that cannot be used leaves counts; the finding says why.
			if volume, err := guardVolume(c); err == nil {
				out[i].Scale = &serve.Scale{Zero: c.Zero, CountsPerGram: c.CountsPerGram, VolumeML: volume}
			}
		}
	}
	return out
}
