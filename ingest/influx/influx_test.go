package influx

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/write"
	lp "github.com/influxdata/line-protocol"

	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
)

var monday = time.Date(2026, 4, 13, 8, 0, 0, 123456789, time.UTC)

// fakeServer takes points as a server's write endpoint does: a point of the same series
// and stamp replaces the one before. What it is told it does to requests instead.
type fakeServer struct {
	*httptest.Server
	t *testing.T

	mu       sync.Mutex
	points   map[string]map[string]any // by series and stamp
	writes   int                       // of a point, repeated ones included
	requests int
	// answer is asked for each request, counted from 1, with its lines; take says whether
	// the points are kept, a status of 0 breaks the connection off.
	answer func(n int, lines []string) (take bool, status int, body string)
}

func newFakeServer(t *testing.T) *fakeServer {
	f := &fakeServer{t: t, points: map[string]map[string]any{}}
	f.Server = httptest.NewServer(f)
	t.Cleanup(f.Close)
	return f
}

func (f *fakeServer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return // the Shipper was ended in the middle
	}
	q := r.URL.Query()
	if r.Method != http.MethodPost || r.URL.Path != "/api/v2/write" || q.Get("bucket") != "benches/autogen" || q.Get("precision") != "ns" ||
		!q.Has("org") || r.Header.Get("Authorization") != "Token admin:secret" {
		f.t.Errorf("request %s %s, authorization %q", r.Method, r.URL, r.Header.Get("Authorization"))
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.requests++
	lines := strings.Split(string(body), "\n")
	take, status, said := true, http.StatusNoContent, ""
	if f.answer != nil {
		take, status, said = f.answer(f.requests, lines)
	}
	if take {
		for _, line := range lines {
			f.keep(line)
		}
	}
	if status == 0 {
		panic(http.ErrAbortHandler) // the connection breaks off without an answer
	}
	if status == http.StatusTooManyRequests {
		w.Header().Set("Retry-After", "0")
	}
	w.WriteHeader(status)
	io.WriteString(w, said)
}

// keep reads a line with the parser of the protocol's own library.
func (f *fakeServer) keep(line string) {
	h := lp.NewMetricHandler()
	ms, err := lp.NewParser(h).Parse([]byte(line))
	if err != nil || len(ms) != 1 {
		f.t.Errorf("%d points in %q: %v", len(ms), line, err)
		return
	}
	key := ms[0].Name()
	for _, tag := range ms[0].TagList() {
		key += "," + tag.Key + "=" + tag.Value
	}
	key += " " + strconv.FormatInt(ms[0].Time().UnixNano(), 10)
	fields := map[string]any{}
	for _, x := range ms[0].FieldList() {
		fields[x.Key] = x.Value
	}
	f.writes++
	f.points[key] = fields
}

// asked is how many requests came.
func (f *fakeServer) asked() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.requests
}

func (f *fakeServer) count(measurement string) (n int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for key := range f.points {
		if strings.HasPrefix(key, measurement+",") {
			n++
		}
	}
	return n
}

func (f *fakeServer) target() Target {
	return Target{URL: f.URL, Bucket: "benches/autogen", Token: "admin:secret", Bench: "north, shop=1"}
}

// quick is options that wait for nothing long.
func quick() Options {
	return Options{Interval: 5 * time.Millisecond, BatchPoints: 300, BackfillPointsPerS: 1e6, Timeout: 5 * time.Second,
		RetryMin: time.Millisecond, RetryMax: 2 * time.Millisecond, RetrySlow: 3 * time.Millisecond}
}

func openStore(t *testing.T, path string) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// record appends seconds of two channels at 10 samples a second, from an elapsed time.
func record(t *testing.T, s *store.Store, boot ingest.Boot, from time.Duration, seconds int) {
	t.Helper()
	var all []rig.Sample
	for i := range seconds * 10 {
		at := from + time.Duration(i)*100*time.Millisecond
		for channel := range 2 {
			q := rig.Good
			if i%50 == 7 {
				q = rig.Misread
			}
			all = append(all, rig.Sample{Channel: channel, Seq: uint64(at / (100 * time.Millisecond)), Reading: rig.Reading{Elapsed: at, Counts: int32(1000*channel + i*7%1000), Quality: q}})
		}
	}
	if err := s.Append(t.Context(), boot.ID, all); err != nil {
		t.Fatal(err)
	}
}

func newBoot(t *testing.T, s *store.Store, wall time.Time) ingest.Boot {
	t.Helper()
	boot, err := s.NewBoot(t.Context(), wall, []rig.Channel{{Name: "tube1", CapacityML: 100}, {Name: "tube2", CapacityML: math.NaN()}})
	if err != nil {
		t.Fatal(err)
	}
	return boot
}

// shipUntil runs a Shipper until done says so.
func shipUntil(t *testing.T, s Source, target Target, opt Options, what string, done func(*Shipper) bool) *Shipper {
	t.Helper()
	ship, err := New(t.Context(), s, target, opt)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		ship.Run(ctx)
	}()
	defer func() {
		cancel()
		<-ended
		if ship.Status().State != Stopped {
			t.Errorf("%s: state %q after the end", what, ship.Status().State)
		}
	}()
	for begun := time.Now(); !done(ship); time.Sleep(2 * time.Millisecond) {
		if time.Since(begun) > 20*time.Second {
			t.Fatalf("%s: not within 20 s: %+v", what, ship.Status())
		}
	}
	return ship
}

func idle(s *Shipper) bool { return s.Status().State == Idle }

// fakeRater gives each position of a run the same rate.
type fakeRater struct{}

func (fakeRater) Rates(_ context.Context, run ingest.Run) (out []Rate, err error) {
	switch run.Note {
	case "cannot be rated":
		return nil, errors.New("no calibration")
	case "breaks the analysis":
		panic("index out of range")
	}
	for _, p := range run.Positions {
		out = append(out, Rate{Channel: p.Channel, Injector: p.Injector, Test: "T1", Engine: "Tractor 3", Phase: "baseline", Unit: "g",
			RateGPerMin: 11.876543210987654, RateMLPerMin: math.NaN(), U: math.Inf(1), Flags: []RateFlag{{"gap", "doubt", `a hole of "2 s"`}}})
	}
	return out, nil
}

// keepBook keeps an engine, a test and a run of a boot.
func keepBook(t *testing.T, s *store.Store, boot ingest.Boot) ingest.Run {
	t.Helper()
	ctx := t.Context()
	engine, err := s.AddEngine(ctx, ingest.Engine{Label: "Tractor 3", Injectors: 2, DistanceUnit: "h", InjectorType: "piezo"})
	if err != nil {
		t.Fatal(err)
	}
	test, err := s.AddTest(ctx, ingest.Test{EngineID: engine, Label: "T1", Phase: "baseline", At: monday, Odometer: math.NaN(), Fuel: ingest.Fuel{Kind: "diesel", TempC: math.NaN()}})
	if err != nil {
		t.Fatal(err)
	}
	h, err := s.AddHanging(ctx, ingest.Hanging{TestID: test})
	if err != nil {
		t.Fatal(err)
	}
	run, err := s.StartRun(ctx, ingest.Run{TestID: test, HangingID: h.ID, BootID: boot.ID, Start: 10*time.Second + 1, Planned: 20 * time.Second,
		Positions: []ingest.PositionOn{{Channel: "tube2", Injector: 1}, {Channel: "tube1", Injector: 2}}})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.EndRun(ctx, run.ID, 30*time.Second); err != nil {
		t.Fatal(err)
	}
	return run
}

// A line is as the client's own encoder writes it.
func TestLinesAreTheClientsLines(t *testing.T) {
	b := newBatch()
	b.begin(head("brimline_rate", "bench", "north, shop=1", "channel", `tu\be`+"\n1", "store", ""))
	b.boolean("a", true)
	b.float("b", 0.1+0.2)
	b.float("c", 1e-12)
	b.float("none", math.NaN())
	b.float("none", math.Inf(-1))
	b.integer("d", math.MinInt64)
	b.text("e", `say "a\b" and, so = on`)
	b.end(1776067200123456789, place{})
	want := write.PointToLineProtocol(write.NewPointWithMeasurement("brimline_rate").AddTag("bench", "north, shop=1").AddTag("channel", "tu_be_1").AddTag("store", "_").
		AddField("a", true).AddField("b", 0.1+0.2).AddField("c", 1e-12).AddField("d", int64(math.MinInt64)).AddField("e", `say "a\b" and, so = on`).
		SetTime(time.Unix(0, 1776067200123456789)), time.Nanosecond)
	// The two write 1e-12 alike once read; the text may differ.
	if got := b.lines(0, 1); strings.ReplaceAll(got, "c=1e-12", "c=0.000000000001") != strings.ReplaceAll(want, "c=1e-12", "c=0.000000000001") {
		t.Errorf("got  %swant %s", got, want)
	}
}

// Every row of the book comes back as it was, what is not known included.
func TestRowsComeBack(t *testing.T) {
	nan := math.NaN()
	for _, row := range []any{
		ingest.BootRow{Boot: ingest.Boot{ID: math.MaxInt64, Wall: monday, Stored: time.Unix(7, 1).UTC()}, Channels: []ingest.BootChannel{{Name: "tube1", CapacityML: nan}, {Name: "é", CapacityML: 0.1}}, Corrections: 2},
		ingest.Calibration{ID: 3, Channel: "tube1", At: monday, Zero: -0.1, CountsPerGram: 2147.000000001, UZero: nan, DF: math.Inf(1), CovZeroSpan: math.SmallestNonzeroFloat64,
			Certificate: []byte{0, 255, '"'}, Unit: "mm", Tube: ingest.Tube{Rows: []ingest.Strap{{LevelMM: 1, VolumeML: 2}, {LevelMM: 3, VolumeML: 4}}, UML: 0.1}},
		ingest.Run{ID: 1, Start: -5, End: math.MaxInt64, Positions: []ingest.PositionOn{{Channel: "tube1", Injector: 4}}, Excluded: "a \"quote\"\nand a line", Note: strings.Repeat("ü", 40000)},
		ingest.Test{ID: 1, Odometer: nan, Fuel: ingest.Fuel{Kind: "diesel", DensityGPerML: 0.1 + 0.2, TempC: nan}},
		ingest.Test{ID: 2, Odometer: nan, Fuel: ingest.Fuel{Kind: "diesel", Density15GPerML: 0.8325, Assumed: true, TempC: 40, UTempC: 1, StateAtC: 15, Viscosity: ingest.Viscosity{FirstC: 20, FirstMM2PerS: 4.3}}},
		ingest.HandReading{ID: 1, Day: monday, VolumeML: nan, RateMLPerMin: 1.0 / 3},
	} {
		text, err := encodeRow(row)
		if err != nil {
			t.Fatal(err)
		}
		whole := ""
		for _, p := range parts(text) {
			if len(p) > rowPart {
				t.Errorf("a part of %d bytes", len(p))
			}
			whole += p
		}
		back := reflect.New(reflect.TypeOf(row))
		if err := decodeRow(whole, back.Interface()); err != nil {
			t.Errorf("%T: %v", row, err)
		}
		if got, want := fmt.Sprintf("%#v", back.Elem().Interface()), fmt.Sprintf("%#v", row); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
	for _, bad := range []string{``, `[]`, `{"ID":"x"}`, `{"Start":1.5}`, `{"Positions":[{"Channel":3}]}`, `{"Positions":{}}`, `{"Note":null}`} {
		if err := decodeRow(bad, new(ingest.Run)); err == nil {
			t.Errorf("%s was taken for a run", bad)
		}
	}
	for _, bad := range []string{`{"At":"yesterday"}`, `{"Certificate":7}`, `{"Zero":true}`, `{"Zero":"much"}`} {
		if err := decodeRow(bad, new(ingest.Calibration)); err == nil {
			t.Errorf("%s was taken for a calibration", bad)
		}
	}
}

// history makes a store of two boots, a run with its rates, and every kind of row, and
// returns how many samples it holds.
func history(t *testing.T, path string) (s *store.Store, samples int) {
	t.Helper()
	s = openStore(t, path)
	boot := newBoot(t, s, monday)
	record(t, s, boot, 0, 70)
	keepBook(t, s, boot)
	if _, err := s.AddCalibration(t.Context(), ingest.Calibration{Channel: "tube1", At: monday, CountsPerGram: 2147, DF: math.Inf(1), UZero: math.NaN()}); err != nil {
		t.Fatal(err)
	}
	boot = newBoot(t, s, monday.Add(time.Hour))
	record(t, s, boot, time.Second, 5)
	return s, 2 * (700 + 50)
}

// Whatever happens to a request, and to whichever, the bucket holds the same in the end,
// nothing twice.
func TestFailureAtEachRequestInTurn(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	s, samples := history(t, path)
	defer s.Close()
	whole := newFakeServer(t)
	opt := quick()
	opt.Rater = fakeRater{}
	ship := shipUntil(t, s, whole.target(), opt, "all well", idle)
	requests := whole.asked()
	// The second boot's chunk is open yet. In the book: an engine, a test, a hanging, a run, a
	// calibration and two boots, each of these once more with its anchor.
	for measurement, want := range map[string]int{"brimline_sample": samples, "brimline_health": 4, "brimline_rate": 2, "brimline_shipped": 4, "brimline_book": 9} {
		if n := whole.count(measurement); n != want {
			t.Errorf("%d points of %s, want %d", n, measurement, want)
		}
	}
	if st := ship.Status(); st.Failures != 0 || st.AsidePoints != 0 || st.Sent != int64(whole.writes) || st.LastSuccess.IsZero() {
		t.Errorf("status %+v, and %d writes", st, whole.writes)
	}
	if requests < 5 {
		t.Fatalf("%d requests: the test needs more", requests)
	}
	// The rows of the book have one more version each time a boot is anchored; leave them out.
	points := func(f *fakeServer) map[string]map[string]any {
		f.mu.Lock()
		defer f.mu.Unlock()
		out := map[string]map[string]any{}
		for k, v := range f.points {
			if !strings.HasPrefix(k, "brimline_book,") {
				out[k] = v
			}
		}
		return out
	}
	want := points(whole)
	for name, fail := range map[string]func(f *fakeServer, lines []string) (bool, int, string){
		"no answer":   func(*fakeServer, []string) (bool, int, string) { return false, 0, "" },
		"answer lost": func(*fakeServer, []string) (bool, int, string) { return true, 0, "" },
		"half written": func(f *fakeServer, l []string) (bool, int, string) {
			for _, line := range l[len(l)/2:] {
				f.keep(line)
			}
			return false, 500, `{"code":"internal error","message":"engine: no space left on device"}`
		},
		"one in doubt": func(*fakeServer, []string) (bool, int, string) {
			return false, 400, `{"error":"partial write dropped=1"}`
		},
		"too large":  func(*fakeServer, []string) (bool, int, string) { return false, 413, `too large` },
		"login page": func(*fakeServer, []string) (bool, int, string) { return false, 200, `<html>log in` },
	} {
		for k := 1; k <= requests; k++ {
			f := newFakeServer(t)
			f.answer = func(n int, lines []string) (bool, int, string) {
				if n == k {
					return fail(f, lines)
				}
				return true, 204, ""
			}
			target := f.target()
			target.Bench = whole.target().Bench
			ship := shipUntil(t, s, target, opt, name, idle)
			if got := points(f); !reflect.DeepEqual(got, want) {
				t.Fatalf("%s, request %d: %d points, want %d as without failure", name, k, len(got), len(want))
			}
			if st := ship.Status(); st.Failures != 1 || st.AsidePoints != 0 || st.Why != "" {
				t.Errorf("%s, request %d: status %+v", name, k, st)
			}
		}
	}
}

// A Shipper that is ended after each acknowledged batch goes on where the store says, and
// what comes meanwhile is shipped too.
func TestRestartsLoseAndDoubleNothing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	s, samples := history(t, path)
	f := newFakeServer(t)
	opt := quick()
	opt.Rater, opt.BatchPoints = fakeRater{}, 120
	for i := range 8 {
		n := f.asked()
		shipUntil(t, s, f.target(), opt, "a batch", func(x *Shipper) bool {
			f.mu.Lock()
			defer f.mu.Unlock()
			return f.requests > n+1 || x.Status().State == Idle
		})
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		s = openStore(t, path)
		if i%3 == 0 {
			boot := newBoot(t, s, monday.Add(time.Duration(i+2)*time.Hour))
			record(t, s, boot, 0, 3)
			record(t, s, boot, 3*time.Second, 1)
			samples += 80
		}
	}
	defer func() { s.Close() }()
	shipUntil(t, s, f.target(), opt, "the rest", idle)
	if n := f.count("brimline_sample"); n != samples {
		t.Errorf("%d samples in the bucket, %d in the store", n, samples)
	}
	// A tail that grew by and by is shipped by and by.
	boot := newBoot(t, s, monday.Add(20*time.Hour))
	ship, err := New(t.Context(), s, f.target(), opt)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		ship.Run(ctx)
	}()
	defer func() { // before the store is closed
		cancel()
		<-ended
	}()
	for i := range 65 {
		record(t, s, boot, time.Duration(i)*time.Second, 1)
		time.Sleep(3 * time.Millisecond)
	}
	samples += 65 * 20
	for begun := time.Now(); f.count("brimline_sample") != samples; time.Sleep(5 * time.Millisecond) {
		if time.Since(begun) > 10*time.Second {
			t.Fatalf("%d samples in the bucket, %d in the store: %+v", f.count("brimline_sample"), samples, ship.Status())
		}
	}
	if st := ship.Status(); st.AsidePoints != 0 || st.Failures != 0 {
		t.Errorf("status %+v", st)
	}
}

// What the server refuses for good is found by halves, set aside once with its reason,
// kept over a restart, and the rest is shipped.
func TestRefusedPointsAreSetAside(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.db")
	s, samples := history(t, path)
	defer s.Close()
	f := newFakeServer(t)
	f.answer = func(_ int, lines []string) (bool, int, string) {
		bad := slices.DeleteFunc(slices.Clone(lines), func(l string) bool { return !strings.Contains(l, "quality=2i") })
		if len(bad) == 0 {
			return true, 204, ""
		}
		return false, 422, `{"code":"unprocessable entity","message":"unable to parse: no such quality"}`
	}
	ship := shipUntil(t, s, f.target(), quick(), "all but the refused", idle)
	misread := 2 * (14 + 1)
	if n := f.count("brimline_sample"); n != samples-misread {
		t.Errorf("%d samples in the bucket, want %d without the refused", n, samples-misread)
	}
	if st := ship.Status(); st.AsidePoints != int64(misread) || !strings.Contains(st.AsideWhy, "no such quality") {
		t.Errorf("status %+v", st)
	}
	asides, err := s.Asides(t.Context(), "")
	if err != nil || len(asides) == 0 || len(asides) > 8 || !strings.Contains(asides[0].Example, "quality=2i") || !strings.HasPrefix(asides[0].Stream, "samples/tube") {
		t.Errorf("%d set aside, %+v, %v", len(asides), asides, err)
	}
	n := f.asked()
	again := shipUntil(t, s, f.target(), quick(), "again", idle)
	if st := again.Status(); f.asked() != n || st.AsidePoints != int64(misread) {
		t.Errorf("after a restart %d more requests, status %+v", f.asked()-n, st)
	}
	// Sent again it is all there, of each kind of stream what was refused and what followed.
	for _, raw := range []Raw{RawAll, RawMeans} {
		f := newFakeServer(t)
		opt := quick()
		opt.Raw, opt.Rater = raw, fakeRater{}
		shipUntil(t, s, f.target(), opt, "all well", idle)
		want := len(f.points)
		f = newFakeServer(t)
		f.answer = func(_ int, lines []string) (bool, int, string) {
			if !slices.ContainsFunc(lines, func(l string) bool {
				return strings.Contains(l, "kind=engine") || strings.Contains(l, "brimline_rate") || strings.Contains(l, "brimline_health") || strings.Contains(l, "quality=2i") || strings.Contains(l, "bad=1i")
			}) {
				return true, 204, ""
			}
			return false, 422, `{"message":"no"}`
		}
		refused := shipUntil(t, s, f.target(), opt, "some refused", idle).Status().AsidePoints
		if had := len(f.points); refused == 0 || had+int(refused) != want {
			t.Errorf("%s: %d points, %d set aside, want %d", raw, had, refused, want)
		}
		f.answer = nil
		if err := s.SendAgain(t.Context(), f.target().Key(), false); err != nil {
			t.Fatal(err)
		}
		st := shipUntil(t, s, f.target(), opt, "again", idle).Status()
		if len(f.points) != want || st.AsidePoints != 0 {
			t.Errorf("%s: %d points after they were sent again, want %d, status %+v", raw, len(f.points), want, st)
		}
	}
}

// A server that counts what it dropped, all of it, is believed without a request for
// each point.
func TestABatchRefusedWhole(t *testing.T) {
	s, _ := history(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	f := newFakeServer(t)
	f.answer = func(_ int, lines []string) (bool, int, string) {
		return false, 400, fmt.Sprintf(`{"code":"invalid","message":"partial write: field type conflict: input field \"counts\" dropped=%d"}`, len(lines))
	}
	ship := shipUntil(t, s, f.target(), quick(), "all aside", idle)
	if st := ship.Status(); f.asked() > 12 || st.Sent != 0 || st.AsidePoints == 0 || st.BehindPoints < 0 || strings.Contains(st.AsideWhy, "dropped") {
		t.Errorf("%d requests, status %+v", f.asked(), st)
	}
	asides, err := s.Asides(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	kept := map[string]int{}
	for _, a := range asides {
		kept[fmt.Sprint(a.Stream, " ", a.Boot)]++
	}
	for stretch, n := range kept {
		if n > 1 {
			t.Errorf("%s: %d rows are kept of one stretch that was refused for one reason", stretch, n)
		}
	}
}

// What holds shipping up is said in words, and whether a person must mend it.
func TestWhatItSays(t *testing.T) {
	s, _ := history(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	for _, c := range []struct {
		status int
		body   string
		person bool
		want   string
	}{
		{401, `{"error":"authorization failed"}`, true, "refuses the token (401: authorization failed)"},
		{403, `{"code":"forbidden","message":"insufficient permissions"}`, true, "insufficient permissions"},
		{404, `{"code":"not found","message":"database not found: \"x\""}`, true, `no such bucket or organisation (404: database not found: "x")`},
		{503, `{"code":"unavailable","message":"busy"}`, false, "asks to wait (503: busy)"},
		{500, `{"error":"engine: cache-max-memory-size exceeded"}`, false, "cache-max-memory-size exceeded"},
		{200, `<html>`, true, "not the answer of an InfluxDB: it answers 200 OK"},
		{400, `{"error":"partial write: max-values-per-tag limit exceeded (1/1) dropped=1"}`, true, "the server is full"},
		{401, `no access with "Token admin:secret"`, true, `no access with "Token (token)"`}, // as a gateway may say
		{403, `{"message":"Token admin:secret"}`, true, "403: Token (token)"},
		{0, ``, false, "cannot be reached"},
	} {
		f := newFakeServer(t)
		f.answer = func(int, []string) (bool, int, string) { return false, c.status, c.body }
		ship := shipUntil(t, s, f.target(), quick(), c.want, func(x *Shipper) bool { return x.Status().State == Waiting && x.Status().Failures > 2 })
		st := ship.Status()
		if !strings.Contains(st.Why, c.want) || st.Person != c.person || st.NextTry.IsZero() || st.BehindPoints < 1500 || math.Abs(st.BehindS-69.9-4.9) > 1 || strings.Contains(st.Why, "secret") {
			t.Errorf("%d %s: status %+v", c.status, c.body, st)
		}
	}
	newBoot(t, s, monday.Add(2*time.Hour))
	record(t, s, newBoot(t, s, time.Unix(10, 0)), 0, 60) // a clock that is not set makes it no lifetime, nor nothing
	f := newFakeServer(t)
	f.Close()
	ship := shipUntil(t, s, f.target(), quick(), "nobody there", func(x *Shipper) bool { return x.Status().Failures > 2 })
	if st := ship.Status(); math.Abs(st.BehindS-69.9-4.9-59.9) > 1 {
		t.Errorf("behind %g s", st.BehindS)
	}
	if st := ship.Status(); !strings.Contains(st.Why, "cannot be reached") || st.Person {
		t.Errorf("status %+v", st)
	}
}

// Two boots of a board without a clock are dated alike; a clock that is corrected after
// points were sent moves none of them.
func TestStampsStayApartAndStay(t *testing.T) {
	ctx := t.Context()
	s := openStore(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	unset := time.Unix(10, 0).UTC()
	f := newFakeServer(t)
	first := newBoot(t, s, unset)
	record(t, s, first, 0, 3)
	held := shipUntil(t, s, f.target(), quick(), "held", func(x *Shipper) bool { return x.Status().State == Waiting })
	if n := f.count("brimline_sample"); n != 0 || !strings.Contains(held.Status().Why, "clock was never set") {
		t.Errorf("%d samples of 1970, status %+v", n, held.Status())
	}
	second := newBoot(t, s, unset) // the first one is over: it is shipped as it is dated
	record(t, s, second, 0, 3)
	shipUntil(t, s, f.target(), quick(), "the first", func(*Shipper) bool { return f.count("brimline_sample") == 60 })
	if err := s.CorrectBoot(ctx, second.ID, ingest.ClockCorrection{Wall: monday, Who: "a person", Why: "the network's time"}); err != nil {
		t.Fatal(err)
	}
	shipUntil(t, s, f.target(), quick(), "the second", idle)
	if n := f.count("brimline_sample"); n != 120 {
		t.Errorf("%d samples, want 120", n)
	}
	if err := s.CorrectBoot(ctx, second.ID, ingest.ClockCorrection{Wall: monday.Add(time.Hour), Who: "a person", Why: "a better one"}); err != nil {
		t.Fatal(err)
	}
	if err := s.CorrectBoot(ctx, first.ID, ingest.ClockCorrection{Wall: monday.Add(-time.Hour), Who: "a person", Why: "by the day book"}); err != nil {
		t.Fatal(err)
	}
	record(t, s, second, 3*time.Second, 1)
	shipUntil(t, s, f.target(), quick(), "the last", idle)
	if n := f.count("brimline_sample"); n != 140 {
		t.Errorf("%d samples, want 140: a corrected clock must not double what was sent", n)
	}
	third := newBoot(t, s, monday.Add(500*time.Millisecond)) // dated into the second: their slots differ
	record(t, s, third, 0, 3)
	shipUntil(t, s, f.target(), quick(), "the third", idle)
	if n := f.count("brimline_sample"); n != 200 {
		t.Errorf("%d samples, want 200", n)
	}
	row, err := s.BookRow(ctx, ingest.BookBoot, second.ID)
	if b := row.(ingest.BootRow); err != nil || !b.Anchor.Equal(monday.Truncate(time.Microsecond)) || !b.Wall.Equal(monday.Add(time.Hour)) || b.Corrections != 2 {
		t.Errorf("boot %+v, %v", row, err)
	}
}

// The hundredth boot after another has its slot; where their points would meet it is set
// behind the other's end.
func TestAnchorsOfOneSlot(t *testing.T) {
	s := openStore(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	wall := time.Unix(10, 0).UTC()
	first := newBoot(t, s, wall)
	record(t, s, first, 0, 3)
	var last ingest.Boot
	for range 100 {
		last = newBoot(t, s, wall)
	}
	for _, c := range []struct {
		boot int64
		want time.Time
	}{{first.ID, wall}, {last.ID - 1, wall}, {last.ID, wall.Add(3900 * time.Millisecond)}, {last.ID, wall.Add(3900 * time.Millisecond)}} {
		if got, err := s.ShipAnchor(t.Context(), c.boot); err != nil || !got.Equal(c.want) {
			t.Errorf("boot %d: anchor %v, want %v, %v", c.boot, got, c.want, err)
		}
	}
	if _, err := s.ShipAnchor(t.Context(), 999); !errors.Is(err, ingest.ErrNotFound) {
		t.Errorf("no boot: %v", err)
	}
}

// Rates go first, so a boot may be asked for before an older one of its slot: the
// older one keeps its own time, and the newer one, which goes on, the times to come.
func TestAnchorsOfOneSlotWhoeverAsksFirst(t *testing.T) {
	s := openStore(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	first := newBoot(t, s, monday)
	record(t, s, first, 0, 3)
	var middle, last ingest.Boot
	for i := range 200 {
		if last = newBoot(t, s, monday.Add(time.Hour)); i == 99 {
			middle = last
			record(t, s, middle, 0, 2)
		}
	}
	record(t, s, last, 0, 2)
	zero := monday.Add(time.Hour).Truncate(time.Microsecond)
	for _, c := range []struct {
		boot int64
		want time.Time
	}{{last.ID, zero.Add(2900 * time.Millisecond)}, {first.ID, monday.Truncate(time.Microsecond)}, {middle.ID, zero}} {
		if got, err := s.ShipAnchor(t.Context(), c.boot); err != nil || !got.Equal(c.want) {
			t.Errorf("boot %d: anchor %v, want %v, %v", c.boot, got, c.want, err)
		}
	}
}

// Seconds are shipped whole and as the samples give them.
func TestMeans(t *testing.T) {
	s := openStore(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	boot := newBoot(t, s, monday)
	record(t, s, boot, 0, 61)
	f := newFakeServer(t)
	opt := quick()
	opt.Raw = RawMeans
	shipUntil(t, s, f.target(), opt, "whole seconds", idle)
	if n := f.count("brimline_mean"); n != 2*60 {
		t.Errorf("%d means, want 120: the last second may go on", n)
	}
	if n := f.count("brimline_sample"); n != 0 {
		t.Errorf("%d samples beside the means", n)
	}
	newBoot(t, s, monday.Add(time.Hour))
	shipUntil(t, s, f.target(), opt, "all seconds", func(*Shipper) bool { return f.count("brimline_mean") == 2*61 })
	samples, err := s.Samples(t.Context(), boot.ID, "tube2", 5*time.Second, 6*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	var sum, good int64
	for _, x := range samples {
		if x.Quality == rig.Good {
			sum, good = sum+int64(x.Counts), good+1
		}
	}
	id, err := s.StoreID(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	key := fmt.Sprintf("brimline_mean,bench=north, shop=1,channel=tube2,store=%s %d", id, monday.Truncate(time.Microsecond).Add(5*time.Second).UnixNano()+10*boot.ID)
	if p := f.points[key]; p["mean_counts"] != float64(sum)/float64(good) || p["good"] != good || p["bad"] != int64(len(samples))-good {
		t.Errorf("%s: %v, want mean %g of %d", key, p, float64(sum)/float64(good), good)
	}
	opt.Raw = RawNone
	none := newFakeServer(t)
	shipUntil(t, s, none.target(), opt, "no raw samples", idle)
	if none.count("brimline_sample")+none.count("brimline_mean") != 0 || none.count("brimline_health") != 4 {
		t.Errorf("points %v", none.points)
	}
}

// A channel's health is that of rig.Health over each sealed minute.
func TestHealth(t *testing.T) {
	s := openStore(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	boot := newBoot(t, s, monday)
	var all []rig.Sample
	for i := range 700 {
		all = append(all, rig.Sample{Channel: 0, Seq: uint64(i), Reading: rig.Reading{Elapsed: time.Duration(i) * 100 * time.Millisecond, Counts: 4711, Quality: rig.Good}})
	}
	if err := s.Append(t.Context(), boot.ID, all); err != nil {
		t.Fatal(err)
	}
	f := newFakeServer(t)
	opt := quick()
	opt.Health = map[string]rig.HealthChannel{"tube1": {SPS: 10}}
	shipUntil(t, s, f.target(), opt, "health", idle)
	n := 0
	for key, p := range f.points {
		if !strings.HasPrefix(key, "brimline_health,") {
			continue
		}
		n++
		if p["state"] != "stuck" || !strings.Contains(p["reason"].(string), "4711") || p["n"] != int64(600) || p["good"] != int64(600) || p["mean_counts"] != 4711.0 || p["white_counts"] != 0.0 {
			t.Errorf("%s: %v", key, p)
		}
	}
	if n != 1 {
		t.Errorf("%d points of health, want the one sealed minute", n)
	}
}

// Rates are shipped again when what they rest on changes, onto the same point, and a run
// that cannot be rated holds nothing up.
func TestRatesFollowTheBook(t *testing.T) {
	ctx := t.Context()
	s := openStore(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	boot := newBoot(t, s, monday)
	record(t, s, boot, 0, 40)
	run := keepBook(t, s, boot)
	f := newFakeServer(t)
	opt := quick()
	opt.Rater = fakeRater{}
	rates := func() (all []map[string]any) {
		f.mu.Lock()
		defer f.mu.Unlock()
		for key, p := range f.points {
			if strings.HasPrefix(key, "brimline_rate,") {
				all = append(all, p)
			}
		}
		return all
	}
	shipUntil(t, s, f.target(), opt, "rates", func(*Shipper) bool { return len(rates()) == 2 })
	p := rates()[0]
	if p["rate_g_per_min"] != 11.876543210987654 || p["rate_ml_per_min"] != nil || p["u"] != nil || p["unknown"] != "rate_ml_per_min,u" || p["flags"] != "gap" || p["flags_n"] != int64(1) ||
		!strings.Contains(p["flags_says"].(string), `a hole of \"2 s\"`) || p["run_id"] != run.ID || p["excluded"] != "" {
		t.Errorf("rate %v", p)
	}
	if err := s.Exclude(ctx, run.ID, "a hose slipped"); err != nil {
		t.Fatal(err)
	}
	shipUntil(t, s, f.target(), opt, "rates again", func(*Shipper) bool {
		return rates()[0]["excluded"] == "a hose slipped" && rates()[1]["excluded"] == "a hose slipped"
	})
	if n := len(rates()); n != 2 {
		t.Errorf("%d rates, want the same two", n)
	}
	changed := func(what string, change func() error, want bool) {
		t.Helper()
		shipUntil(t, s, f.target(), opt, what, idle)
		before, err := s.BookChanges(ctx, true, 0, 10)
		if err == nil {
			err = change()
		}
		if err != nil {
			t.Fatal(err)
		}
		after, err := s.BookChanges(ctx, true, 0, 10)
		if err != nil || len(after) != 1 || (after[0].Seq > before[0].Seq) != want {
			t.Errorf("%s: before %+v, after %+v, %v", what, before, after, err)
		}
	}
	line := func(at time.Time) func() error {
		return func() error {
			_, err := s.AddCalibration(ctx, ingest.Calibration{Channel: "tube1", At: at, CountsPerGram: 2000})
			return err
		}
	}
	changed("the first calibration, which stands in", line(monday.Add(time.Hour)), true)
	changed("a calibration afterwards", line(monday.Add(2*time.Hour)), false)
	changed("a calibration before, noted late", line(monday.Add(-time.Hour)), true)
	changed("another density", func() error {
		test, err := s.Test(ctx, "T1")
		if err != nil {
			return err
		}
		test.Fuel.DensityGPerML = 0.83
		return s.UpdateTest(ctx, test)
	}, true)
	changed("a corrected clock", func() error {
		return s.CorrectBoot(ctx, boot.ID, ingest.ClockCorrection{Wall: monday.Add(time.Minute), Who: "a person", Why: "x"})
	}, true)
	changed("an event", func() error {
		_, err := s.AddEvent(ctx, ingest.Event{EngineID: 1, Kind: "dose", What: "x", At: monday})
		return err
	}, false)
	changed("a remark", func() error { return s.NoteRun(ctx, run.ID, "cannot be rated") }, true)
	ship := shipUntil(t, s, f.target(), opt, "not rated", idle)
	if st := ship.Status(); st.AsidePoints != 0 || len(rates()) != 2 {
		t.Errorf("status %+v, %d rates", st, len(rates()))
	}
	if err := s.NoteRun(ctx, run.ID, "breaks the analysis"); err != nil {
		t.Fatal(err)
	}
	record(t, s, boot, 40*time.Second, 1)
	shipUntil(t, s, f.target(), opt, "one run's fault", idle)
	if n := f.count("brimline_sample"); n != 2*410 {
		t.Errorf("%d samples, want 820: one run must not hold up all", n)
	}
}

// Settings that cannot be are refused in words, without the token.
func TestNewRefuses(t *testing.T) {
	s := openStore(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	good := Target{URL: "http://office:8086", Bucket: "b", Bench: "north", Token: "secret"}
	for want, change := range map[string]func(*Target, *Options){
		"address":            func(t *Target, _ *Options) { t.URL = "office:8086" },
		"no bucket":          func(t *Target, _ *Options) { t.Bucket = "" },
		"bench has no name":  func(t *Target, _ *Options) { t.Bench = "" },
		`raw is "sometimes"`: func(_ *Target, o *Options) { o.Raw = "sometimes" },
	} {
		target, opt := good, Options{}
		change(&target, &opt)
		if _, err := New(t.Context(), s, target, opt); err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "secret") {
			t.Errorf("%s: %v", want, err)
		}
	}
	if _, err := OpenRead(t.Context(), Target{}, "", "T1"); err == nil {
		t.Error("reading from nowhere is no error")
	}
	if text := fmt.Sprint(good); strings.Contains(text, "secret") || !strings.Contains(text, "office") {
		t.Errorf("target is shown as %q", text)
	}
}

// A link that does not get a whole batch through in the time of a request gets smaller
// ones, or nothing would ever come.
func TestASlowLinkGetsSmallerBatches(t *testing.T) {
	s, samples := history(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	f := newFakeServer(t)
	opt := quick()
	opt.BatchPoints, opt.Timeout = 1000, 400*time.Millisecond
	f.answer = func(_ int, lines []string) (bool, int, string) {
		if len(lines) > 200 {
			time.Sleep(opt.Timeout + 50*time.Millisecond)
			return false, 0, ""
		}
		return true, 204, ""
	}
	ship := shipUntil(t, s, f.target(), opt, "all in small batches", idle)
	if st := ship.Status(); f.count("brimline_sample") != samples || st.AsidePoints != 0 || st.Failures == 0 {
		t.Errorf("%d samples of %d, status %+v", f.count("brimline_sample"), samples, st)
	}
}

// Back-fill keeps to its pace.
func TestBackfillIsThrottled(t *testing.T) {
	s, samples := history(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	f := newFakeServer(t)
	var sizes []int
	var times []time.Time
	f.answer = func(_ int, lines []string) (bool, int, string) {
		sizes, times = append(sizes, len(lines)), append(times, time.Now())
		return true, 204, ""
	}
	opt := quick()
	opt.BackfillPointsPerS = 3000
	shipUntil(t, s, f.target(), opt, "throttled", idle)
	sent := 0
	for i := 1; i < len(times); i++ {
		// A batch is paced from when it was begun to be gathered: the first may be early.
		if took, least := times[i].Sub(times[0]), time.Duration(float64(sent)/3000*float64(time.Second)); took < least*9/10 {
			t.Errorf("%d points after the first batch took %v, want %v", sent, took, least)
		}
		sent += sizes[i]
	}
	if len(times) < 4 || f.count("brimline_sample") != samples {
		t.Errorf("%d requests, %d samples", len(times), f.count("brimline_sample"))
	}
}

// Where nothing is new nothing is sent, also of channels that a bench has no more.
func TestNothingNewIsNothingSent(t *testing.T) {
	s := openStore(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	record(t, s, newBoot(t, s, monday), 0, 5)
	if _, err := s.NewBoot(t.Context(), monday.Add(time.Hour), []rig.Channel{{Name: "tube9"}}); err != nil {
		t.Fatal(err)
	}
	f := newFakeServer(t)
	shipUntil(t, s, f.target(), quick(), "all", idle)
	n := f.asked()
	source := &countingSource{Source: s}
	shipUntil(t, source, f.target(), quick(), "ten rounds", func(*Shipper) bool { return source.rounds.Load() > 20 })
	if f.asked() > n+1 { // that the old channels are here whole is said once after a start
		t.Errorf("%d requests in rounds without anything new", f.asked()-n)
	}
}

// countingSource counts how often boots are asked for: by a round, or when what is behind
// is measured.
type countingSource struct {
	Source
	rounds atomic.Int64
}

func (c *countingSource) Boots(ctx context.Context) ([]ingest.Boot, error) {
	c.rounds.Add(1)
	return c.Source.Boots(ctx)
}

// Raw samples that were deleted before they were sent are told, once, also after a
// restart; those that were deleted afterwards are not missed.
func TestWhatIsGoneIsToldOnce(t *testing.T) {
	ctx := t.Context()
	s := openStore(t, filepath.Join(t.TempDir(), "bench.db"))
	defer s.Close()
	gone := func() {
		t.Helper()
		chunks, err := s.WatchChunks(ctx, ingest.WatchQuery{Before: time.Hour, Limit: 100})
		if err == nil {
			_, err = s.DeleteWatchRaw(ctx, "space", monday, chunks)
		}
		if err != nil || len(chunks) == 0 {
			t.Fatalf("%d chunks deleted, %v", len(chunks), err)
		}
	}
	record(t, s, newBoot(t, s, monday), 0, 125)
	if _, err := s.NewBoot(ctx, monday.Add(time.Hour), []rig.Channel{{Name: "tube9"}}); err != nil {
		t.Fatal(err)
	}
	sent := newFakeServer(t)
	shipUntil(t, s, sent.target(), quick(), "before", idle)
	gone()
	if st := shipUntil(t, s, sent.target(), quick(), "afterwards", idle).Status(); st.GonePoints != 0 || st.AsidePoints != 0 {
		t.Errorf("all was sent before it was deleted, status %+v", st)
	}
	for _, raw := range []Raw{RawAll, RawMeans} {
		f := newFakeServer(t) // another target, which had none of them
		opt := quick()
		opt.Raw = raw
		for i := range 3 {
			st := shipUntil(t, s, f.target(), opt, "gone", idle).Status()
			if st.GonePoints != 2*1250 || st.AsidePoints != 0 || f.count("brimline_sample")+f.count("brimline_mean") != 0 {
				t.Errorf("%s, start %d: status %+v, want 2500 gone", raw, i+1, st)
			}
		}
	}
}

// Collecting a minute of twelve channels at 320 samples/s, without sending it.
func BenchmarkCollect(b *testing.B) {
	s, err := store.Open(b.Context(), filepath.Join(b.TempDir(), "bench.db"), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	channels := make([]rig.Channel, 12)
	for i := range channels {
		channels[i].Name = "tube" + strconv.Itoa(i+1)
	}
	boot, err := s.NewBoot(b.Context(), monday, channels)
	if err != nil {
		b.Fatal(err)
	}
	var all []rig.Sample
	for i := range 60 * 320 {
		for c := range channels {
			all = append(all, rig.Sample{Channel: c, Seq: uint64(i), Reading: rig.Reading{Elapsed: time.Duration(i) * 3125 * time.Microsecond, Counts: int32(i * 31 % 977)}})
		}
	}
	if err := s.Append(b.Context(), boot.ID, all); err != nil {
		b.Fatal(err)
	}
	points, size := 0, 0
	b.ReportAllocs()
	for b.Loop() {
		ship, err := New(b.Context(), s, Target{URL: "http://office:8086", Bucket: "b", Bench: "north"}, Options{})
		if err != nil {
			b.Fatal(err)
		}
		for more := true; more; {
			var batch *batch
			if batch, more, err = ship.collect(b.Context()); err != nil {
				b.Fatal(err)
			}
			points, size = points+batch.len(), size+len(batch.buf)
		}
	}
	b.ReportMetric(float64(points)/b.Elapsed().Seconds(), "points/s")
	b.ReportMetric(float64(size)/float64(points), "B/point")
}
