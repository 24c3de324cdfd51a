package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"brimline/analysis/rate"
	"brimline/cmd/brimline/serve"
	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/influx"
	"brimline/ingest/store"
	"brimline/rig"
)

const (
	tokenMost = 16 << 10 // bytes of a token's file: more is some other file
	// tokenAgain is how often a token that could not be read is looked for: a disk of
	// secrets may be mounted after the daemon starts.
	tokenAgain = time.Minute

	simulatedBench = " (simulated)"
)

// shipping keeps the shared store up to date beside the daemon. Whatever happens to it is
// told by status; nothing that measures waits for it.
type shipping struct {
	cfg   *config.Config
	store *store.Store
	log   *slog.Logger
	bench string // its name in the bucket
	opt   influx.Options
	again time.Duration // between looks at the token's file

	mu      sync.Mutex
	shipper *influx.Shipper // nil at first
	held    error           // why it does not run
}

// newShipping returns nil when the config names no shared store.
func newShipping(cfg *config.Config, st *store.Store, sim bool, log *slog.Logger) *shipping {
	if cfg.Influx.URL == "" {
		return nil
	}
	health := map[string]rig.HealthChannel{}
	for i, h := range healthChannels(cfg.Channels) {
		health[cfg.Channels[i].Name] = h
	}
	return &shipping{cfg: cfg, store: st, log: log, bench: sharedTarget(cfg, sim).Bench, again: tokenAgain, opt: influx.Options{
		Raw: influx.Raw(cfg.Influx.Raw), BatchPoints: cfg.Influx.BatchPoints, BackfillPointsPerS: cfg.Influx.BackfillPointsPerS,
		Rater: runRater{st.Reader}, Health: health, Log: log,
	}}
}

// run ships until ctx ends. It begins anew when the token's file changes, so that a wrong
// token is mended without a stop of the daemon.
func (s *shipping) run(ctx context.Context) {
	said := ""
	for ctx.Err() == nil {
		err := s.once(ctx)
		if ctx.Err() != nil {
			return
		}
		if err == nil {
			continue
		}
		s.set(s.idle(ctx), err)
		if err.Error() != said {
			said = err.Error()
			s.log.Warn("nothing is copied to the shared store", "why", err)
		}
		select {
		case <-ctx.Done():
		case <-time.After(s.again):
		}
	}
}

// idle is a Shipper that only knows how far behind the shared store is; nil when the store
// cannot tell.
func (s *shipping) idle(ctx context.Context) *influx.Shipper {
	shipper, err := influx.New(ctx, s.store, s.target(), s.opt)
	if err != nil {
		return nil
	}
	shipper.Measure(ctx)
	return shipper
}

// target is the shared store, without the token.
func (s *shipping) target() influx.Target {
	t := sharedTarget(s.cfg, false)
	t.Bench = s.bench
	return t
}

// once ships with the token as it stands. It returns nil when that has changed.
func (s *shipping) once(ctx context.Context) error {
	target, err := influxTarget(s.cfg, s.log)
	if err != nil {
		return err
	}
	target.Bench = s.bench
	shipper, err := influx.New(ctx, s.store, target, s.opt)
	if err != nil {
		return err
	}
	s.set(shipper, nil)
	s.log.Info("copying to the shared store", "url", target.URL, "bucket", target.Bucket, "raw", s.cfg.Influx.Raw)
	inner, cancel := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() {
		// A fault of the copy must not end what measures.
		defer func() {
			if p := recover(); p != nil {
				ended <- fmt.Errorf("copying to the shared store broke off: %v: it is tried again; tell the makers of brimline", p)
			}
		}()
		shipper.Run(inner)
		ended <- errors.New("copying to the shared store ended by itself: it is tried again")
	}()
	look := time.NewTicker(s.again)
	defer look.Stop()
	for {
		select {
		case err := <-ended:
			cancel()
			return err
		case <-look.C:
			if token, err := readToken(s.cfg.Influx.TokenFile, nil); err != nil || token == target.Token {
				continue
			}
			s.log.Info("the token of the shared store has changed")
			cancel()
			<-ended
			return nil
		}
	}
}

func (s *shipping) set(shipper *influx.Shipper, held error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.shipper, s.held = shipper, held
}

// status is how shipping stands, for the page and /metrics.
func (s *shipping) status() serve.ShippingStatus {
	s.mu.Lock()
	shipper, held := s.shipper, s.held
	s.mu.Unlock()
	switch {
	case held != nil:
		x := influx.Status{Target: s.target().String()}
		if shipper != nil {
			x = shipper.Status()
		}
		x.State, x.Why = influx.Waiting, held.Error()
		return shippingView(x)
	case shipper == nil:
		return serve.ShippingStatus{Target: s.target().String(), State: "starting", OK: true}
	}
	return shippingView(shipper.Status())
}

// shippingView is a Shipper's status as it is shown.
func shippingView(x influx.Status) serve.ShippingStatus {
	out := serve.ShippingStatus{
		Target: x.Target, State: string(x.State), Says: x.Why, BehindPoints: x.BehindPoints, BehindS: x.BehindS,
		Sent: x.Sent, Failures: x.Failures, Aside: x.AsidePoints, Gone: x.GonePoints,
	}
	says := func(text string) {
		if out.Says != "" {
			out.Says += "; "
		}
		out.Says += text
	}
	if x.AsidePoints > 0 && x.AsideWhy != "" {
		says(fmt.Sprintf("%d points were refused and set aside: %s (brimline refused lists them and sends them again)", x.AsidePoints, x.AsideWhy))
	}
	if x.GonePoints > 0 {
		says(fmt.Sprintf("%d raw samples of the watch were deleted here to save space before they were sent", x.GonePoints))
	}
	out.OK = out.Says == ""
	if !x.LastSuccess.IsZero() {
		at := x.LastSuccess.UTC()
		out.LastSuccess = &at
	}
	return out
}

// influxTarget is the config's shared store with its token. log is told when the token's
// file is open to others; nil: nobody is.
func influxTarget(cfg *config.Config, log *slog.Logger) (influx.Target, error) {
	x := cfg.Influx
	if x.URL == "" {
		return influx.Target{}, badInput(errNoSharedStore)
	}
	t := sharedTarget(cfg, false)
	var err error
	t.Token, err = readToken(x.TokenFile, log)
	return t, err
}

var errNoSharedStore = errors.New("the config names no shared store: give url, bucket and token_file in [influx]")

// readToken reads the token from its file, or from the systemd credential when none is
// named. The content is never part of an error.
func readToken(file string, log *slog.Logger) (string, error) {
	key := "influx.token_file"
	if file == "" {
		dir := os.Getenv("CREDENTIALS_DIRECTORY")
		if dir == "" {
			return "", errors.New("influx.token_file is not set and systemd gave no credentials: name the file that holds the token, or add LoadCredential=" + config.InfluxCredential + ":FILE to the unit")
		}
		key, file = "the systemd credential", filepath.Join(dir, config.InfluxCredential)
	}
	f, err := os.Open(file)
	if err != nil {
		return "", fmt.Errorf("reading the token, %s: %w: write the token there and let the daemon's user read it", key, err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, tokenMost+1))
	if err != nil {
		return "", fmt.Errorf("reading the token, %s %s: %w", key, file, err)
	}
	token := strings.TrimSpace(string(data))
	switch {
	case token == "":
		return "", fmt.Errorf("reading the token, %s %s: the file is empty: write the token into it (for a 1.8 user:password)", key, file)
	case len(data) > tokenMost || strings.ContainsAny(token, "\r\n\x00"):
		return "", fmt.Errorf("reading the token, %s %s: the file holds more than one line of at most %d bytes: it must hold the token and nothing else", key, file, tokenMost)
	}
	if info, err := f.Stat(); err == nil && info.Mode().Perm()&0o044 != 0 && log != nil {
		log.Warn("others of this machine may read the token of the shared store: chmod 600 the file", "file", file, "mode", info.Mode().Perm().String())
	}
	return token, nil
}

// runRater works out the rates of one run for the shared store, as `rates` does.
type runRater struct{ store *store.Reader }

// Rates implements influx.Rater. A channel that gives no rate has one all the same, with
// the flag that says why.
func (r runRater) Rates(ctx context.Context, run ingest.Run) ([]influx.Rate, error) {
	t, boots, err := runBook(ctx, r.store, run)
	if err != nil {
		return nil, err
	}
	if err := t.fitRun(ctx, r.store, boots, run); err != nil {
		return nil, err
	}
	out := make([]influx.Rate, len(t.Fits))
	for i, f := range t.Fits {
		x := f.fill()
		out[i] = influx.Rate{
			Channel: x.Channel, Injector: f.Injector, Test: t.Test.Label, Engine: t.Engine.Label, Phase: t.Test.Phase, Hanging: f.Hanging,
			Unit: string(x.Unit), RateGPerMin: x.RateGPerMin, RateMLPerMin: x.RateMLPerMin, U: x.U, U95: x.U95, UMLPerMin: x.UMLPerMin, U95MLPerMin: x.U95MLPerMin,
			Steady: x.Steady, Allowed: x.Kind == rate.KindFill && x.Allows() && run.Excluded == "",
			CalibrationID: f.CalibrationID, Version: version,
		}
		for _, g := range x.Flags {
			out[i].Flags = append(out[i].Flags, influx.RateFlag{Code: g.Code, Severity: g.Severity.String(), Says: g.Text()})
		}
	}
	return out, nil
}

// runBook is the book of a run's test. A test is found by its number alone here: another
// one may be labelled with it.
func runBook(ctx context.Context, r *store.Reader, run ingest.Run) (testFits, []ingest.Boot, error) {
	tests, err := r.Tests(ctx, 0)
	if err != nil {
		return testFits{}, nil, err
	}
	for _, t := range tests {
		if t.ID == run.TestID {
			return testBook(ctx, r, t.Label)
		}
	}
	return testFits{}, nil, fmt.Errorf("run %d is of test %d, which is not in the store", run.ID, run.TestID)
}

// shippingLine is a status on one line: how far behind, and why.
func shippingLine(x serve.ShippingStatus) string {
	line := fmt.Sprintf("shared store %s: %s, nothing behind", x.Target, x.State)
	if x.BehindPoints > 0 {
		line = fmt.Sprintf("shared store %s: %s, %d points behind (%v of readings)", x.Target, x.State, x.BehindPoints, time.Duration(x.BehindS*float64(time.Second)).Round(time.Second))
	}
	if x.Says != "" {
		line += ": " + x.Says
	}
	return line
}

// daemonShipping asks the daemon that listens at addr how shipping stands; "" when it
// does not answer or ships nothing.
func daemonShipping(ctx context.Context, addr string) string {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+addr+"/api/v1/state", nil)
	if err != nil {
		return ""
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return ""
	}
	defer resp.Body.Close()
	var state struct {
		Shipping *serve.ShippingStatus `json:"shipping"`
	}
	if err := json.NewDecoder(io.LimitReader(resp.Body, 1<<20)).Decode(&state); err != nil || state.Shipping == nil {
		return ""
	}
	return shippingLine(*state.Shipping)
}
