package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"brimline/cmd/brimline/serve"
	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/influx"
	"brimline/ingest/influx/influxtest"
	"brimline/ingest/store"
	"brimline/rig"
)

// shippingConfig is a bench of two tubes that ships to a server, with the token's file.
func shippingConfig(t *testing.T, s *influxtest.Server, name string) *config.Config {
	t.Helper()
	cfg, err := config.Load(shippingFile(t, s, name))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

func shippingFile(t *testing.T, s *influxtest.Server, name string) string {
	t.Helper()
	token := filepath.Join(t.TempDir(), "token")
	writeToken(t, token, s.Token())
	file := benchFile(t, `name = "test bench"`, "name = "+strconv.Quote(name))
	f, err := os.OpenFile(file, os.O_APPEND|os.O_WRONLY, 0)
	if err == nil {
		_, err = fmt.Fprintf(f, "[influx]\nurl = %q\nbucket = %q\ntoken_file = %q\n", s.URL(), s.Bucket(), token)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	return file
}

func writeToken(t *testing.T, file, token string) {
	t.Helper()
	if err := os.WriteFile(file, []byte(token+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
}

// virtualBench is a daemon on a clock of its own: it stores what a bench of two channels
// would have given, as fast as the machine goes, and ships beside it as serve does.
type virtualBench struct {
	t   *testing.T
	cfg *config.Config
	dir string
	now time.Time // the virtual wall clock

	store  *store.Store
	boot   ingest.Boot
	begun  time.Time // of the boot, on the virtual clock
	seq    uint64
	ship   *shipping
	server *serve.Server
	stop   context.CancelFunc
	ended  chan struct{}
	test   int64 // id; 0: none yet
	hang   ingest.Hanging
}

// virtualPeriod is between two samples of a channel: a bench gives more, and three days
// of that would keep a test busy for an hour.
const (
	virtualPeriod = 4 * time.Second
	anHour        = 2 * int(time.Hour/virtualPeriod) // samples of both channels
)

func newVirtualBench(t *testing.T, cfg *config.Config, from time.Time) *virtualBench {
	b := &virtualBench{t: t, cfg: cfg, dir: t.TempDir(), now: from}
	b.start()
	t.Cleanup(func() {
		if b.stop != nil {
			b.end()
		}
	})
	for _, ch := range cfg.Channels {
		if _, err := b.store.AddCalibration(t.Context(), ingest.Calibration{Channel: ch.Name, At: from, Zero: 1000, CountsPerGram: 2000, UZero: 10, UCountsPerG: 0.4, DF: 10, Unit: ingest.UnitG}); err != nil {
			t.Fatal(err)
		}
	}
	engine, err := b.store.AddEngine(t.Context(), ingest.Engine{Label: "Tractor 3", Injectors: 2, DistanceUnit: "h", InjectorType: "solenoid"})
	if err == nil {
		b.test, err = b.store.AddTest(t.Context(), ingest.Test{EngineID: engine, Label: "T1", Phase: "baseline", At: from, Fuel: ingest.Fuel{Kind: "diesel", DensityGPerML: 0.83, UDensity: 0.0005}})
	}
	if err == nil {
		b.hang, err = b.store.AddHanging(t.Context(), ingest.Hanging{TestID: b.test})
	}
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// start is a start of the daemon.
func (b *virtualBench) start() {
	b.t.Helper()
	var err error
	if b.store, err = openStore(b.t.Context(), b.dir, false); err != nil {
		b.t.Fatal(err)
	}
	var channels []rig.Channel
	for _, ch := range b.cfg.Channels {
		channels = append(channels, rig.Channel{Name: ch.Name, CapacityML: ch.CapacityML})
	}
	if b.boot, err = b.store.NewBoot(b.t.Context(), b.now, channels); err != nil {
		b.t.Fatal(err)
	}
	b.begun, b.seq = b.now, 0
	b.ship = newShipping(b.cfg, b.store, false, slog.New(slog.DiscardHandler))
	b.ship.again = 50 * time.Millisecond
	b.ship.opt.Interval, b.ship.opt.RetryMin, b.ship.opt.RetryMax, b.ship.opt.RetrySlow = 20*time.Millisecond, 20*time.Millisecond, 50*time.Millisecond, 50*time.Millisecond
	b.server = serve.New(serve.Options{Bench: b.cfg.Bench.Name, Boot: b.boot.ID, Channels: pageChannels(b.cfg.Channels, nil), Shipping: b.ship.status})
	ctx, stop := context.WithCancel(b.t.Context())
	b.stop, b.ended = stop, make(chan struct{})
	go func() {
		defer close(b.ended)
		b.ship.run(ctx)
	}()
}

// end is an end of the daemon, in the middle of whatever it does.
func (b *virtualBench) end() {
	b.t.Helper()
	b.stop()
	b.stop = nil
	select {
	case <-b.ended:
	case <-time.After(10 * time.Second):
		b.t.Fatal("shipping goes on although the daemon ends")
	}
	if err := b.store.Close(); err != nil {
		b.t.Fatal(err)
	}
}

// flowing is when a run collects within each virtual hour.
const flowing = 10 * time.Minute

// record lets time go on: samples of every channel, a hundredth of them misread. With a
// run, tubes fill for its length at first.
func (b *virtualBench) record(length time.Duration, withRun bool) {
	b.t.Helper()
	from := b.now.Sub(b.begun)
	var run ingest.Run
	if withRun {
		var err error
		run = ingest.Run{TestID: b.test, HangingID: b.hang.ID, BootID: b.boot.ID, Start: from, Planned: flowing,
			Positions: []ingest.PositionOn{{Channel: "tube1", Injector: 1}, {Channel: "tube2", Injector: 2}}}
		if run, err = b.store.StartRun(b.t.Context(), run); err != nil {
			b.t.Fatal(err)
		}
	}
	var samples []rig.Sample
	flush := func() {
		if err := b.store.Append(b.t.Context(), b.boot.ID, samples); err != nil {
			b.t.Fatalf("storing while %+v: %v", b.ship.status(), err)
		}
		samples = samples[:0]
	}
	to := from + length
	for at := from; at < to; at += virtualPeriod {
		for ch := range b.cfg.Channels {
			x := rig.Sample{Channel: ch, Seq: b.seq, Reading: rig.Reading{Elapsed: at + time.Duration(ch)*time.Millisecond + time.Duration(b.seq%7)*time.Microsecond, Quality: rig.Good}}
			x.Counts = 1000 + int32((b.seq*2654435761>>7)%97) // noise, the same each time
			if withRun {
				filled := min(max((at-from-time.Minute).Minutes(), 0), (flowing - 2*time.Minute).Minutes())
				x.Counts += int32(2000 * filled * (8 + float64(ch)))
			}
			if (b.seq+uint64(ch))%100 == 99 {
				x.Quality, x.Counts = rig.Misread, 0
			}
			samples = append(samples, x)
		}
		b.seq++
		if len(samples) >= 600 {
			flush()
		}
	}
	flush()
	b.now = b.begun.Add(to)
	if withRun {
		if err := b.store.EndRun(b.t.Context(), run.ID, from+flowing); err != nil {
			b.t.Fatal(err)
		}
	}
}

// scrape is /metrics, which must be sound whatever happens.
func (b *virtualBench) scrape() string {
	b.t.Helper()
	r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
	r.Host = "127.0.0.1:8461"
	w := httptest.NewRecorder()
	b.server.Handler().ServeHTTP(w, r)
	if problems, err := promlint.New(bytes.NewReader(w.Body.Bytes())).Lint(); err != nil || len(problems) > 0 || w.Code != http.StatusOK {
		b.t.Fatalf("/metrics: %d, %v, %v", w.Code, problems, err)
	}
	return w.Body.String()
}

// until waits for the status to be as wanted, and holds it against /metrics.
func (b *virtualBench) until(what string, ok func(serve.ShippingStatus) bool) serve.ShippingStatus {
	b.t.Helper()
	for begun := time.Now(); time.Since(begun) < 60*time.Second; time.Sleep(20 * time.Millisecond) {
		if x := b.ship.status(); ok(x) {
			text := b.scrape()
			if x.Says != "" && !strings.Contains(text, `why="`) || !strings.Contains(text, "\nbrimline_influx_behind_points ") {
				b.t.Errorf("%s: /metrics says\n%s", what, text)
			}
			return x
		}
	}
	b.t.Fatalf("still no %s after a minute: %+v", what, b.ship.status())
	return serve.ShippingStatus{}
}

// arrived waits until the bucket holds all samples and rates of the store but so many
// that were set aside, and nothing holds shipping up.
func (b *virtualBench) arrived(s *influxtest.Server, bucket string, aside int) {
	b.t.Helper()
	stats, err := b.store.Stats(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	runs, err := b.store.Runs(b.t.Context(), b.test)
	if err != nil {
		b.t.Fatal(err)
	}
	count := func(measurement, field string) (n int) {
		for _, series := range s.Query(bucket, fmt.Sprintf("SELECT count(%s) FROM %s WHERE bench = '%s'", field, measurement, b.ship.bench)) {
			n, _ = strconv.Atoi(fmt.Sprint(series.Values[0][1]))
		}
		return n
	}
	samples, rates := 0, 0
	for begun := time.Now(); time.Since(begun) < time.Minute; time.Sleep(100 * time.Millisecond) {
		samples, rates = count("brimline_sample", "seq"), count("brimline_rate", "run")
		if x := b.ship.status(); samples >= int(stats.Samples)-aside && rates >= 2*len(runs) && x.State == string(influx.Idle) && x.Aside == int64(aside) {
			return
		}
	}
	b.t.Fatalf("after a minute the bucket holds %d samples of %d and %d rates of %d: %+v", samples, stats.Samples, rates, 2*len(runs), b.ship.status())
}

// row is a sample as the bucket must hold it.
type row struct {
	counts, quality, seq string
}

// compare holds every sample of the store against the bucket, one by one: none lost, none
// doubled, none invented. The stamps are worked out here from POINTS.md. It returns how
// many there are.
func (b *virtualBench) compare(s *influxtest.Server) int {
	b.t.Helper()
	r, err := store.OpenRead(b.t.Context(), filepath.Join(b.dir, realStore))
	if err != nil {
		b.t.Fatal(err)
	}
	defer r.Close()
	boots, err := r.Boots(b.t.Context())
	if err != nil {
		b.t.Fatal(err)
	}
	n := 0
	for _, ch := range b.cfg.Channels {
		want := map[string]row{}
		for _, boot := range boots {
			samples, err := r.Samples(b.t.Context(), boot.ID, ch.Name, 0, store.End)
			if err != nil {
				b.t.Fatal(err)
			}
			for _, x := range samples {
				stamp := boot.Wall.Truncate(time.Microsecond).Add(x.Elapsed).UnixNano() + 10*(boot.ID%100)
				want[strconv.FormatInt(stamp, 10)] = row{strconv.Itoa(int(x.Counts)), strconv.Itoa(int(x.Quality)), strconv.FormatUint(x.Seq, 10)}
			}
		}
		n += len(want)
		got, wrong := 0, 0
		for _, series := range s.Query(s.Bucket(), fmt.Sprintf("SELECT counts, quality, seq FROM brimline_sample WHERE bench = '%s' AND channel = '%s'", b.cfg.Bench.Name, ch.Name)) {
			for _, v := range series.Values {
				got++
				have := row{fmt.Sprint(v[1]), fmt.Sprint(v[2]), fmt.Sprint(v[3])}
				if w, ok := want[fmt.Sprint(v[0])]; !ok || w != have {
					if wrong++; wrong == 1 {
						b.t.Errorf("%s at %v: the bucket has %+v, the store %+v (%v)", ch.Name, v[0], have, w, ok)
					}
				}
			}
		}
		if got != len(want) || wrong > 0 {
			b.t.Errorf("%s of %s: %d samples stored, %d in the bucket, %d of them otherwise", ch.Name, b.cfg.Bench.Name, len(want), got, wrong)
		}
	}
	return n
}

// compareRates holds the rates in the bucket against those worked out from the store.
func (b *virtualBench) compareRates(s *influxtest.Server) int {
	b.t.Helper()
	runs, err := b.store.Runs(b.t.Context(), b.test)
	if err != nil {
		b.t.Fatal(err)
	}
	want := map[string]string{}
	for _, run := range runs {
		rates, err := runRater{b.store.Reader}.Rates(b.t.Context(), run)
		if err != nil {
			b.t.Fatal(err)
		}
		for _, x := range rates {
			if !x.Allowed || !(x.RateMLPerMin > 5) {
				b.t.Fatalf("run %d, %s: no sound rate to compare: %+v", run.Number, x.Channel, x)
			}
			var codes []string
			for _, f := range x.Flags {
				codes = append(codes, f.Code)
			}
			want[fmt.Sprintf("%d %s", run.ID, x.Channel)] = fmt.Sprintf("%v %v %v %v", x.RateMLPerMin, x.U95MLPerMin, x.Injector, strings.Join(codes, ","))
		}
	}
	got := map[string]string{}
	for _, series := range s.Query(s.Bucket(), fmt.Sprintf("SELECT run_id, channel, rate_ml_per_min, u95_ml_per_min, injector, flags FROM brimline_rate WHERE bench = '%s'", b.cfg.Bench.Name)) {
		for _, v := range series.Values {
			key := fmt.Sprintf("%v %v", v[1], v[2])
			if _, twice := got[key]; twice {
				b.t.Errorf("run and channel %s: two rates", key)
			}
			ml, _ := strconv.ParseFloat(fmt.Sprint(v[3]), 64)
			u, _ := strconv.ParseFloat(fmt.Sprint(v[4]), 64)
			got[key] = fmt.Sprintf("%v %v %v %v", ml, u, v[5], v[6])
		}
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		b.t.Errorf("rates in the bucket %v\nof the store %v", got, want)
	}
	return len(want)
}

var aMonday = time.Date(2026, 4, 6, 6, 0, 0, 0, time.UTC)

// Three days without the server, which comes back for a moment in the middle and is
// killed while it is being filled, as is the daemon; then both come back.
func TestThreeDaysWithoutTheServer(t *testing.T) {
	t.Parallel() // most of it is waiting
	s := influxtest.Start(t, influxtest.Options{NoFlux: true})
	cfg := shippingConfig(t, s, "north")
	cfg.Influx.BackfillPointsPerS = 1_000_000
	b := newVirtualBench(t, cfg, aMonday)
	b.record(time.Hour, true)
	b.arrived(s, s.Bucket(), 0)
	if n := b.compare(s); n != anHour {
		t.Fatalf("%d samples of the first hour, want %d", n, anHour)
	}

	s.Kill()
	day := func() {
		for range 3 {
			b.record(8*time.Hour, true)
		}
	}
	day()
	x := b.until("word of the outage", func(x serve.ShippingStatus) bool { return x.Says != "" && x.BehindPoints >= int64(24*anHour) })
	if !strings.Contains(x.Says, "refused") || x.OK || x.BehindS < 23*3600 || x.BehindS > 25*3600 || x.Failures == 0 {
		t.Errorf("after a day: %+v", x)
	}
	hasMetric(t, b.scrape(), "brimline_influx_ok 0")

	b.end() // the daemon, in the outage
	b.now = b.now.Add(10 * time.Minute)
	b.start()
	day()
	b.until("two days behind", func(x serve.ShippingStatus) bool { return x.BehindPoints >= int64(48*anHour) && x.BehindS > 47*3600 })

	s.Start()
	sent := b.until("filling", func(x serve.ShippingStatus) bool { return x.Sent >= 10_000 }).Sent
	s.Kill()
	b.until("word of the second outage", func(x serve.ShippingStatus) bool { return x.Says != "" && x.BehindPoints > 0 })
	day()

	s.Start()
	b.until("filling again", func(x serve.ShippingStatus) bool { return x.Sent >= sent+20_000 })
	b.end() // the daemon, while it fills the bucket
	b.now = b.now.Add(time.Minute)
	b.start()
	b.record(time.Hour, true)
	begun := time.Now()
	b.arrived(s, s.Bucket(), 0)
	took := time.Since(begun)
	x = b.until("nothing behind", func(x serve.ShippingStatus) bool { return x.BehindPoints == 0 })
	if !x.OK || x.Says != "" || x.Aside != 0 || x.LastSuccess == nil {
		t.Errorf("at the end: %+v", x)
	}
	n, rates := b.compare(s), b.compareRates(s)
	t.Logf("%d samples and %d rates of 3 days, compared one by one; the last part took %v", n, rates, took.Round(time.Millisecond))
	if want := (3*24 + 2) * anHour; n != want {
		t.Errorf("%d samples, want %d", n, want)
	}
	if rates != 2*(9+2) {
		t.Errorf("%d rates, want 22", rates)
	}
}

func hasMetric(t *testing.T, text string, lines ...string) {
	t.Helper()
	for _, line := range lines {
		if !strings.Contains("\n"+text, "\n"+line+"\n") {
			t.Errorf("/metrics lacks %s:\n%s", line, text)
		}
	}
}

// A batch that the server can never take, here for a field that somebody wrote with
// another type, is set aside and said; what comes in another week, and all else, arrives.
func TestARejectedBatchIsSetAside(t *testing.T) {
	t.Parallel() // most of it is waiting
	s := influxtest.Start(t, influxtest.Options{NoFlux: true})
	monday := time.Date(2026, 4, 13, 0, 0, 0, 0, time.UTC) // where a 1.8 begins a new shard
	if err := s.Write(s.Bucket(), fmt.Sprintf(`brimline_sample,bench=elsewhere counts="many" %d`, monday.Add(-2*time.Hour).UnixNano())); err != nil {
		t.Fatal(err)
	}
	file := shippingFile(t, s, "north")
	cfg, err := config.Load(file)
	must(t, err)
	b := newVirtualBench(t, cfg, monday.Add(-time.Hour))
	b.record(2*time.Hour, true)
	b.arrived(s, s.Bucket(), anHour)
	x := b.until("nothing behind", func(x serve.ShippingStatus) bool { return x.BehindPoints == 0 })
	if x.OK || !strings.Contains(x.Says, fmt.Sprintf("%d points were refused and set aside", anHour)) || !strings.Contains(x.Says, "field type conflict") {
		t.Errorf("status %+v, want the %d samples of the first hour aside", x, anHour)
	}
	hasMetric(t, b.scrape(), fmt.Sprintf("brimline_influx_aside_points %d", anHour), "brimline_influx_behind_points 0")
	n := 0
	for _, series := range s.Query(s.Bucket(), "SELECT seq FROM brimline_sample WHERE bench = 'north' GROUP BY *") {
		n += len(series.Values)
	}
	if n != anHour {
		t.Errorf("%d samples in the bucket, want the %d of the second hour", n, anHour)
	}
	if n := b.compareRates(s); n != 2 {
		t.Errorf("%d rates, want 2", n)
	}
	// Known after a restart too.
	b.end()
	b.start()
	b.until("what is set aside, again", func(x serve.ShippingStatus) bool { return x.State == string(influx.Idle) && x.Aside == int64(anHour) })

	// Once the cause is mended it is sent again, and all is there, once.
	refused := func(args ...string) (code int, out, errs string) {
		t.Helper()
		var o, e bytes.Buffer
		code = run(t.Context(), append([]string{"refused", "--config", file, "--data", b.dir}, args...), nil, &o, &e)
		return code, o.String(), e.String()
	}
	if code, out, errs := refused(); code != exitDone || !strings.Contains(out, "samples/tube1, boot 1, 0.0 s to 3596") || !strings.Contains(out, "field type conflict") || !strings.Contains(out, "for example brimline_sample,bench=north") {
		t.Errorf("exit %d, %s%s", code, out, errs)
	}
	if code, _, errs := refused("--send-again"); code != exitFailed || !strings.Contains(errs, "use") {
		t.Errorf("beside the daemon: exit %d, %s", code, errs)
	}
	b.end()
	s.Query(s.Bucket(), "DROP MEASUREMENT brimline_sample")
	code, out, errs := refused("--send-again", "--json")
	var v refusedJSON
	if err := json.Unmarshal([]byte(out), &v); err != nil || code != exitDone || v.Schema != "brimline/refused/1" || !v.SendAgain || len(v.Stretches) != 2 || v.Stretches[0].Points+v.Stretches[1].Points != int64(anHour) {
		t.Errorf("exit %d, %v, %s%s", code, err, out, errs)
	}
	b.start()
	b.arrived(s, s.Bucket(), 0)
	if n := b.compare(s); n != 2*anHour {
		t.Errorf("%d samples, want %d", n, 2*anHour)
	}
	if x := b.ship.status(); !x.OK {
		t.Errorf("mended: %+v", x)
	}
	if _, out, _ := refused(); !strings.Contains(out, "nothing of bench \"north\" was set aside") {
		t.Errorf("it says %s", out)
	}
	// A bucket that was made anew gets everything.
	b.end()
	s.Query(s.Bucket(), "DROP MEASUREMENT brimline_sample")
	s.Query(s.Bucket(), "DROP MEASUREMENT brimline_rate")
	if code, _, errs := refused("--send-again", "--all"); code != exitDone {
		t.Errorf("exit %d, %s", code, errs)
	}
	b.start()
	b.arrived(s, s.Bucket(), 0)
	if n, rates := b.compare(s), b.compareRates(s); n != 2*anHour || rates != 2 {
		t.Errorf("%d samples and %d rates", n, rates)
	}
	if code, _, errs := refused("--all"); code != exitUsage || !strings.Contains(errs, "--send-again") {
		t.Errorf("exit %d, %s", code, errs)
	}
}

// A server whose cache of writes is full answers 500 until it has room: nothing is given
// up meanwhile. The limit is the server's own setting, as a full disk could not be made
// without being the machine's administrator.
func TestAFullServerIsWaitedFor(t *testing.T) {
	t.Parallel() // most of it is waiting
	s := influxtest.Start(t, influxtest.Options{NoFlux: true, CacheBytes: 100_000})
	b := newVirtualBench(t, shippingConfig(t, s, "north"), aMonday)
	b.record(10*time.Hour, true)
	x := b.until("word of the full server", func(x serve.ShippingStatus) bool { return x.Failures > 3 && x.BehindPoints > 0 && x.Says != "" })
	if !strings.Contains(x.Says, "cache-max-memory-size exceeded") || x.Aside != 0 {
		t.Errorf("status %+v", x)
	}
	b.record(time.Hour, false) // measuring goes on
	s.Restart(influxtest.Options{NoFlux: true})
	b.arrived(s, s.Bucket(), 0)
	if x := b.ship.status(); !x.OK {
		t.Errorf("status %+v", x)
	}
	if n := b.compare(s); n != 11*anHour {
		t.Errorf("%d samples", n)
	}
}

// A bucket that takes no further series refuses points that are right, and drops others of
// their batch with them: all is sent again once it takes them.
func TestABucketWithoutRoomForSeries(t *testing.T) {
	t.Parallel() // most of it is waiting
	s := influxtest.Start(t, influxtest.Options{NoFlux: true, MaxSeries: 3})
	b := newVirtualBench(t, shippingConfig(t, s, "north"), aMonday)
	b.record(2*time.Hour, true)
	x := b.until("word of the limit", func(x serve.ShippingStatus) bool { return x.Failures > 3 && x.BehindPoints > 0 && x.Says != "" })
	if !strings.Contains(x.Says, "max-series-per-database limit exceeded") || x.Aside != 0 {
		t.Errorf("status %+v", x)
	}
	b.record(time.Hour, false) // measuring goes on
	s.Restart(influxtest.Options{NoFlux: true})
	b.arrived(s, s.Bucket(), 0)
	if n := b.compare(s); n != 3*anHour {
		t.Errorf("%d samples", n)
	}
}

// A wrong token and a missing bucket are for a person to mend. Until then everything is
// stored, and the status says what is wrong and how far behind the bucket is.
func TestWhatAPersonMustMend(t *testing.T) {
	t.Parallel() // most of it is waiting
	s := influxtest.Start(t, influxtest.Options{NoFlux: true})
	for name, c := range map[string]struct {
		spoil func(*config.Config)
		mend  func(*config.Config)
		says  []string
	}{
		"wrong token": {
			func(cfg *config.Config) { writeToken(t, cfg.Influx.TokenFile, "admin:wrong") },
			func(cfg *config.Config) { writeToken(t, cfg.Influx.TokenFile, s.Token()) },
			[]string{"token", "401"},
		},
		"no token": {
			func(cfg *config.Config) { writeToken(t, cfg.Influx.TokenFile, "") },
			func(cfg *config.Config) { writeToken(t, cfg.Influx.TokenFile, s.Token()) },
			[]string{"token", "the file is empty"},
		},
		"missing bucket": {
			func(cfg *config.Config) { cfg.Influx.Bucket = "later" },
			func(*config.Config) { s.CreateDatabase("later") },
			[]string{"later", "not found"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := shippingConfig(t, s, strings.ReplaceAll(name, " ", "-"))
			c.spoil(cfg)
			b := newVirtualBench(t, cfg, aMonday)
			b.record(time.Hour, true)
			x := b.until("word of it", func(x serve.ShippingStatus) bool {
				return x.Says != "" && x.BehindPoints >= int64(anHour)
			})
			for _, want := range c.says {
				if !strings.Contains(x.Says, want) {
					t.Errorf("it says %q, want %q in it", x.Says, want)
				}
			}
			if x.OK || x.LastSuccess != nil || x.Aside != 0 || strings.Contains(x.Says, "wrong:") || strings.Contains(x.Says, "admin:") {
				t.Errorf("status %+v", x)
			}
			b.record(time.Hour, false)
			c.mend(cfg)
			b.arrived(s, cfg.Influx.Bucket, 0)
			if x := b.ship.status(); !x.OK {
				t.Errorf("mended: %+v", x)
			}
			if cfg.Influx.Bucket == s.Bucket() {
				if n := b.compare(s); n != 2*anHour {
					t.Errorf("%d samples, want %d", n, 2*anHour)
				}
				return
			}
			n := 0
			for _, series := range s.Query("later", "SELECT seq FROM brimline_sample GROUP BY *") {
				n += len(series.Values)
			}
			if n != 2*anHour {
				t.Errorf("%d samples in the new bucket, want %d", n, 2*anHour)
			}
		})
	}
}

// ratesSaid is what `rates` prints.
func ratesSaid(t *testing.T, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(t.Context(), append([]string{"rates"}, args...), nil, &o, &e)
	return code, o.String(), e.String()
}

// Two benches of the same channels, tests and times in one bucket stay apart, and what
// `rates` says from the bucket is what it says from each bench's own store, byte for byte.
func TestRatesFromInflux(t *testing.T) {
	t.Parallel() // most of it is waiting
	s := influxtest.Start(t, influxtest.Options{})
	type one struct {
		name, file, dir string
		bench           *virtualBench
	}
	var benches []one
	for i, name := range []string{"north", "south"} {
		file := shippingFile(t, s, name)
		dir := t.TempDir()
		code, _, errs := simTest(t, dir, "--config", file, "--duration", "30s", "--runs", "2", "--rotate", "--density", fmt.Sprintf("0.83%d", i), "--density-u", "0.0005")
		if code != exitDone {
			t.Fatalf("exit %d: %s", code, errs)
		}
		// The simulated bench's store takes the part of a real one.
		if err := os.Rename(filepath.Join(dir, simStore), filepath.Join(dir, realStore)); err != nil {
			t.Fatal(err)
		}
		cfg, err := config.Load(file)
		if err != nil {
			t.Fatal(err)
		}
		b := &virtualBench{t: t, cfg: cfg, dir: dir, now: time.Now()}
		b.start()
		t.Cleanup(func() {
			if b.stop != nil {
				b.end()
			}
		})
		// The runs were made while nothing shipped: they are filled in afterwards.
		t1, err := b.store.Test(t.Context(), "T1")
		must(t, err)
		b.test = t1.ID
		b.arrived(s, s.Bucket(), 0)
		if n := b.compareRates(s); n != 4 {
			t.Errorf("%s: %d rates in the bucket, want those of 2 runs of 2 injectors", name, n)
		}
		benches = append(benches, one{name, file, dir, b})
	}
	var answers []string
	for _, b := range benches {
		for _, extra := range [][]string{nil, {"--json"}} {
			wantCode, want, _ := ratesSaid(t, append([]string{"T1", "--data", b.dir}, extra...)...)
			code, got, errs := ratesSaid(t, append([]string{"T1", "--from", "influx", "--config", b.file}, extra...)...)
			if code != wantCode || got != want || len(want) < 200 {
				t.Errorf("%s, %v: exit %d, from the bucket\n%s%s\nfrom the store, exit %d\n%s", b.name, extra, code, got, errs, wantCode, want)
			}
			answers = append(answers, got)
		}
		if n := b.bench.compare(s); n == 0 {
			t.Errorf("%s: no samples", b.name)
		}
	}
	if answers[0] == answers[2] {
		t.Errorf("two benches give one answer:\n%s", answers[0])
	}
	// From an office: another bench by its name.
	if code, got, errs := ratesSaid(t, "T1", "--from", "influx", "--config", benches[0].file, "--bench", "south"); code != exitDone || got != answers[2] {
		t.Errorf("south asked with north's file: exit %d\n%s%s", code, got, errs)
	}
	for name, c := range map[string]struct {
		args []string
		code int
		says string
	}{
		"no such test":    {[]string{"T9", "--from", "influx", "--config", benches[0].file}, exitUsage, "T9"},
		"no such bench":   {[]string{"T1", "--from", "influx", "--config", benches[0].file, "--bench", "west"}, exitUsage, "west"},
		"no config":       {[]string{"T1", "--from", "influx"}, exitUsage, "--config"},
		"no [influx]":     {[]string{"T1", "--from", "influx", "--config", benchFile(t)}, exitUsage, "[influx]"},
		"and a store":     {[]string{"T1", "--from", "influx", "--config", benches[0].file, "--data", benches[0].dir}, exitUsage, "--data"},
		"and a file":      {[]string{"curves.csv", "--from", "influx", "--config", benches[0].file}, exitUsage, "curves.csv"},
		"bench by itself": {[]string{"T1", "--bench", "south", "--data", benches[0].dir}, exitUsage, "--from influx"},
	} {
		if code, _, errs := ratesSaid(t, c.args...); code != c.code || !strings.Contains(errs, c.says) {
			t.Errorf("%s: exit %d, %s", name, code, errs)
		}
	}
	s.Stop()
	if code, _, errs := ratesSaid(t, "T1", "--from", "influx", "--config", benches[0].file); code != exitFailed || !strings.Contains(errs, "refused") {
		t.Errorf("without the server: exit %d, %s", code, errs)
	}
}

// The real daemon on the simulated bench ships what it stores; neither a server that
// goes nor one that comes back changes what is measured.
func TestServeShips(t *testing.T) {
	t.Parallel() // most of it is waiting
	s := influxtest.Start(t, influxtest.Options{NoFlux: true})
	file, dir := shippingFile(t, s, "north"), t.TempDir()
	s.Stop()
	d := startServe(t, "--sim", "--config", file, "--data", dir, "--listen", "127.0.0.1:0")
	shippingOf := func() (v struct {
		Store    serve.StoreStatus
		Shipping *serve.ShippingStatus
	}) {
		resp, err := http.Get(d.url + "/api/v1/state")
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		if err := json.NewDecoder(resp.Body).Decode(&v); err != nil || v.Shipping == nil {
			t.Fatalf("state %+v, %v", v, err)
		}
		return v
	}
	wait := func(what string, ok func(serve.ShippingStatus) bool) {
		t.Helper()
		for begun := time.Now(); time.Since(begun) < 30*time.Second; time.Sleep(50 * time.Millisecond) {
			if ok(*shippingOf().Shipping) {
				return
			}
		}
		t.Fatalf("still no %s: %+v", what, shippingOf().Shipping)
	}
	wait("word of the missing server", func(x serve.ShippingStatus) bool {
		return !x.OK && strings.Contains(x.Says, "refused") && x.Failures > 0
	})
	if v := shippingOf(); !v.Store.OK {
		t.Errorf("the store %+v", v.Store)
	}
	s.Start()
	wait("a first success", func(x serve.ShippingStatus) bool { return x.OK && x.LastSuccess != nil })
	resp, err := http.Get(d.url + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	if problems, err := promlint.New(bytes.NewReader(text)).Lint(); err != nil || len(problems) > 0 {
		t.Errorf("%v, %v", problems, err)
	}
	hasMetric(t, string(text), "brimline_healthy 1", "brimline_influx_ok 1")
	if code := d.end(t); code != exitDone {
		t.Fatalf("exit %d: %s", code, d.stderr)
	}
	// What the end left behind comes with the next start; a sample is in the bucket once.
	cfg, err := config.Load(file)
	must(t, err)
	cfg.Bench.Name += simulatedBench
	b := &virtualBench{t: t, cfg: cfg, dir: dir, now: time.Now()}
	must(t, os.Rename(filepath.Join(dir, simStore), filepath.Join(dir, realStore)))
	b.start()
	b.arrived(s, s.Bucket(), 0)
	b.end()
	if n := b.compare(s); n < 10 {
		t.Errorf("%d samples", n)
	}
}

// Beside the daemon, `channels` passes on what it says of the shared store.
func TestChannelsBesideTheDaemon(t *testing.T) {
	dir := t.TempDir()
	st, err := openStore(t.Context(), dir, false)
	must(t, err)
	defer st.Close()
	daemon := serve.New(serve.Options{Shipping: func() serve.ShippingStatus {
		return serve.ShippingStatus{Target: "http://office:8086, benches", State: "waiting", BehindPoints: 3600, BehindS: 5400, Says: "no route"}
	}})
	web := httptest.NewServer(daemon.Handler())
	defer web.Close()
	ask := func() string {
		var errs bytes.Buffer
		if code := run(t.Context(), []string{"channels", "--config", benchFile(t), "--data", dir}, nil, io.Discard, &errs); code != exitFailed {
			t.Errorf("exit %d", code)
		}
		return errs.String()
	}
	t.Setenv("BRIMLINE_SERVE_LISTEN", strings.TrimPrefix(web.URL, "http://"))
	if says := ask(); !strings.Contains(says, "has the store in") || !strings.Contains(says, "shared store http://office:8086, benches: waiting, 3600 points behind (1h30m0s of readings): no route") {
		t.Errorf("it says %s", says)
	}
	web.Close()
	if says := ask(); !strings.Contains(says, "has the store in") || strings.Contains(says, "shared store") {
		t.Errorf("where nobody listens it says %s", says)
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestReadToken(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		must(t, os.WriteFile(path, []byte(text), mode))
		return path
	}
	var log bytes.Buffer
	say := slog.New(slog.NewTextHandler(&log, nil))
	if token, err := readToken(file("good", "admin:secret\n", 0o600), say); err != nil || token != "admin:secret" || log.Len() > 0 {
		t.Errorf("%q, %v, log %s", token, err, &log)
	}
	if token, err := readToken(file("open", "admin:secret", 0o644), say); err != nil || token != "admin:secret" || !strings.Contains(log.String(), "chmod 600") || strings.Contains(log.String(), "secret") {
		t.Errorf("%q, %v, log %s", token, err, &log)
	}
	for name, c := range map[string]struct{ path, says string }{
		"missing":   {filepath.Join(dir, "none"), "let the daemon's user read it"},
		"empty":     {file("empty", " \n", 0o600), "the file is empty"},
		"two lines": {file("two", "secret\nsecret\n", 0o600), "must hold the token and nothing else"},
		"long":      {file("long", strings.Repeat("secret", 5000), 0o600), "must hold the token and nothing else"},
		"folder":    {dir, "is a directory"},
		"no name":   {"", "LoadCredential=influx-token:FILE"},
	} {
		if _, err := readToken(c.path, nil); err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "secret") {
			t.Errorf("%s: %v", name, err)
		}
	}
	file(config.InfluxCredential, "tok", 0o400)
	t.Setenv("CREDENTIALS_DIRECTORY", dir)
	if token, err := readToken("", nil); err != nil || token != "tok" {
		t.Errorf("by systemd: %q, %v", token, err)
	}
}
