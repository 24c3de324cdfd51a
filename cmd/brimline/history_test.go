package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"brimline/analysis/history"
	"brimline/ingest"
	"brimline/ingest/store"
)

// coopStore is a store with the co-operative's hand readings and what was done.
func coopStore(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	brimline(t, exitDone, "import", testdata("history_coop.csv"), "--data", dir)
	brimline(t, exitDone, "event", "Sprayer 1", "dose", "--what", "cleaner", "--amount", "0.5", "--unit", "L", "--at", "2022-12-20", "--odometer", "1880", "--data", dir)
	brimline(t, exitDone, "event", "Tractor 4", "dose", "--what", "cleaner", "--at", "2022-10-20", "--data", dir)
	brimline(t, exitDone, "event", "Pickup 2", "Dose", "--what", "cleaner", "--at", "2022-10-20T08:00Z", "--data", dir)
	return dir
}

func within80(t *testing.T, name, out string) {
	t.Helper()
	for i, line := range strings.Split(out, "\n") {
		if len([]rune(line)) > 80 {
			t.Errorf("%s: line %d has more than 80 columns: %s", name, i+1, line)
		}
	}
}

func TestHistoryGolden(t *testing.T) {
	dir := coopStore(t)
	brimline(t, exitDone, "event", "Sprayer 1", "injector", "--position", "3", "--code", "B7", "--at", "2023-06-01", "--data", dir)
	for name, args := range map[string][]string{
		"history_sprayer.txt": {"history", "Sprayer 1"},
		"history_events.txt":  {"history", "--events"},
		"event_list.txt":      {"event", "Sprayer 1"},
	} {
		out := brimline(t, exitDone, append(args, "--data", dir)...)
		within80(t, name, out)
		golden(t, name, []byte(out))
	}
	out := brimline(t, exitDone, "history", "Sprayer 1", "--data", dir, "--by", "date", "--back-to", "T5", "--forecast", "2023-12-01")
	for _, want := range []string{"history by date", "T5, by less than the margin of 10 %", "At 2023-12-01 the set's mean is", "per month"} {
		if !strings.Contains(strings.Join(strings.Fields(out), " "), want) {
			t.Errorf("no %q in %s", want, out)
		}
	}
	for _, word := range []string{"better", "worse", "improve", "NaN"} {
		if strings.Contains(out, word) {
			t.Errorf("%q in %s", word, out)
		}
	}
}

// The fields that other programs rely on, by name and type.
func TestHistoryJSONFields(t *testing.T) {
	dir := coopStore(t)
	got := decoded[map[string]any](t, brimline(t, exitDone, "history", "Sprayer 1", "--data", dir, "--json"))
	if got["schema"] != "brimline/history/1" || got["by"] != "distance" || got["unit"] != "h" || got["engine"] != "Sprayer 1" {
		t.Errorf("%v", got)
	}
	if len(got["visits"].([]any)) != 10 || len(got["injectors"].([]any)) != 4 || len(got["events"].([]any)) != 1 || got["between_hangings"] != nil {
		t.Errorf("%v", got)
	}
	drift := got["drift"].([]any)
	step := got["steps"].([]any)[0].(map[string]any)["change"].(map[string]any)
	if len(drift) != 2 || drift[0].(map[string]any)["per"] != "1,000 h" || len(step["ci95"].([]any)) != 2 {
		t.Errorf("drift %v, step %v", drift, step)
	}
	// What the readings were made with: 2 % per 1,000 h and a step of -6 %.
	for _, c := range []struct {
		of    map[string]any
		truth float64
	}{{drift[0].(map[string]any), 2.02}, {step, -5.82}} {
		ci := c.of["ci95"].([]any)
		if !(ci[0].(float64) < c.truth && c.truth < ci[1].(float64)) {
			t.Errorf("%v does not hold %g", ci, c.truth)
		}
	}
	for _, name := range []string{"finding", "forecast", "back", "charts", "doubts", "scatter", "method"} {
		if got[name] == nil {
			t.Errorf("no %s", name)
		}
	}
	events := decoded[map[string]any](t, brimline(t, exitDone, "history", "--events", "--data", dir, "--json"))
	kind := events["kinds"].([]any)[0].(map[string]any)
	if events["schema"] != "brimline/events/1" || kind["kind"] != "dose" || len(kind["engines"].([]any)) != 3 || kind["change"] == nil {
		t.Errorf("%v", events)
	}
}

func TestHistoryRefuses(t *testing.T) {
	dir := coopStore(t)
	for _, c := range []struct {
		name string
		args []string
		want string
	}{
		{"no data", []string{"history", "Sprayer 1"}, "--data is missing"},
		{"no engine", []string{"history", "--data", dir}, "no ENGINE"},
		{"unknown engine", []string{"history", "Sprayer 9", "--data", dir}, `no engine "Sprayer 9"; the store has: Sprayer 1, Tractor 4, Pickup 2`},
		{"axis", []string{"history", "Sprayer 1", "--data", dir, "--by", "moon"}, `--by is "moon"`},
		{"margin", []string{"history", "Sprayer 1", "--data", dir, "--margin", "0"}, "--margin is 0 %"},
		{"margin NaN", []string{"history", "Sprayer 1", "--data", dir, "--margin", "nan"}, "the margin is NaN %"},
		{"forecast", []string{"history", "Sprayer 1", "--data", dir, "--forecast", "soon"}, `--forecast "soon"`},
		{"forecast of the other axis", []string{"history", "Sprayer 1", "--data", dir, "--forecast", "2023-12-01", "--by", "distance"}, "is a date and --by is distance"},
		{"back to", []string{"history", "Sprayer 1", "--data", dir, "--back-to", "T99"}, "no test T99"},
		{"events of one", []string{"history", "Sprayer 1", "--events", "--data", dir}, "--events is over all engines"},
		{"nothing both ways", []string{"history", "--agreement", "--data", dir}, "nothing was measured by hand and by the rig on the same day"},
		{"event without a date", []string{"event", "Sprayer 1", "dose", "--data", dir}, "--at is missing"},
		{"event tomorrow", []string{"event", "Sprayer 1", "dose", "--data", dir, "--at", "2999-01-01"}, "in the future"},
		{"event at no time", []string{"event", "Sprayer 1", "dose", "--data", dir, "--at", "spring"}, `--at is "spring"`},
		{"event twice", []string{"event", "Sprayer 1", "dose", "--what", "cleaner", "--amount", "0.5", "--unit", "L", "--at", "2022-12-20", "--data", dir}, "is noted already"},
		{"position of a dose", []string{"event", "Sprayer 1", "dose", "--at", "2022-12-20", "--position", "2", "--data", dir}, "--position and --code belong to"},
		{"injector nowhere", []string{"event", "Sprayer 1", "injector", "--at", "2022-12-20", "--data", dir}, "needs --position"},
		{"injector 9", []string{"event", "Sprayer 1", "injector", "--at", "2022-12-20", "--position", "9", "--data", dir}, "has injectors 1 to 4"},
		{"kind", []string{"event", "Sprayer 1", " ", "--at", "2022-12-20", "--data", dir}, "KIND is empty"},
		{"odometer", []string{"event", "Sprayer 1", "dose", "--at", "2022-12-20", "--odometer", "-3", "--data", dir}, "the odometer zero or more"},
	} {
		var out, errs bytes.Buffer
		code := run(t.Context(), c.args, strings.NewReader(""), &out, &errs)
		if code != exitUsage || out.Len() > 0 || strings.Count(errs.String(), "\n") != 1 || !strings.Contains(errs.String(), c.want) {
			t.Errorf("%s: exit %d, %q, %q; want exit 2 and %q", c.name, code, &out, &errs, c.want)
		}
	}
}

// readingsStore is a store of hand readings: rate gives that of a visit, run and injector.
func readingsStore(t *testing.T, visits int, odometer func(v int) string, rate func(v, run, i int) float64) string {
	t.Helper()
	var b strings.Builder
	b.WriteString("engine,date,phase,hanging,run,injector,rate_ml_per_min,odometer\n")
	for v := range visits {
		day := time.Date(2021, time.Month(3+2*v), 2, 0, 0, 0, 0, time.UTC)
		for r := range 2 {
			for i := range 3 {
				fmt.Fprintf(&b, "Tractor 1,%s,check,%d,%d,%d,%.4f,%s\n", day.Format(time.DateOnly), v+1, r+1, i+1, rate(v, r, i), odometer(v))
			}
		}
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "readings.csv")
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	brimline(t, exitDone, "import", file, "--data", dir)
	return dir
}

// Books that bear little end with a named doubt, exit code 3 where nothing can be told, and
// never with NaN.
func TestHistoryOfPoorBooks(t *testing.T) {
	rng := rand.New(rand.NewPCG(3200000, 1))
	sound := func(v, r, i int) float64 { return 10 + float64(i) + 0.1*rng.NormFloat64() }
	hours := func(v int) string { return fmt.Sprint(1000 + 200*v) }
	for _, c := range []struct {
		name     string
		visits   int
		odometer func(int) string
		rate     func(v, r, i int) float64
		code     int
		doubt    string
	}{
		{"one test", 1, hours, sound, exitFlagged, "one-test"},
		{"two tests", 2, hours, sound, exitFlagged, "few-visits"},
		{"no odometer", 5, func(int) string { return "" }, sound, exitDone, "no-odometer"},
		{"odometer backwards", 5, func(v int) string { return fmt.Sprint(3000 - 200*v) }, sound, exitDone, "odometer-back"},
		{"all equal", 5, hours, func(v, r, i int) float64 { return 11 }, exitFlagged, "no-scatter"},
		{"copied", 5, hours, func(v, r, i int) float64 { return 11 + float64(i) + float64(v/3) }, exitFlagged, "copied-test"},
		{"dry tube", 5, hours, func(v, r, i int) float64 {
			if v == 2 && i == 1 {
				return 0
			}
			return sound(v, r, i)
		}, exitDone, "left-out"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := readingsStore(t, c.visits, c.odometer, c.rate)
			got := decoded[historyJSON](t, brimline(t, c.code, "history", "Tractor 1", "--data", dir, "--json"))
			if !slices.ContainsFunc(got.Doubts, func(d history.Doubt) bool { return d.Code == c.doubt }) {
				t.Errorf("doubts %+v, want %s", got.Doubts, c.doubt)
			}
			out := brimline(t, c.code, "history", "Tractor 1", "--data", dir)
			within80(t, c.name, out)
			if strings.Contains(out, "NaN") || strings.Contains(out, "Inf") {
				t.Errorf("%s", out)
			}
		})
	}
	dir := readingsStore(t, 5, func(v int) string { return fmt.Sprint(3000 - 200*v) }, sound)
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"history", "Tractor 1", "--data", dir, "--by", "distance"}, strings.NewReader(""), &out, &errs); code != exitUsage ||
		!strings.Contains(errs.String(), "the odometer runs backwards: 3000 at test T1 and 2800 at test T2") {
		t.Errorf("exit %d: %s", code, &errs)
	}
}

// A rig's test and hand readings of one day are paired, injector by injector; a dated-ahead
// test and a moved injector are named.
func TestHistoryHandAgainstRig(t *testing.T) {
	dir := exchangeStore(t, "Sprayer 1", "T1")
	rng := rand.New(rand.NewPCG(3300000, 1))
	var text strings.Builder
	text.WriteString("engine,date,phase,hanging,run,injector,volume_ml,duration_s\n")
	for r := range 3 {
		for i := range 3 {
			// The bench's tubes give 9, 10 and 11 g/min, turned by one in its second run.
			fmt.Fprintf(&text, "Sprayer 1,2026-03-02,baseline,hand,%d,%d,%.2f,180\n", r+1, i+1, 3*10/0.832*(1.03+0.02*rng.NormFloat64()))
		}
	}
	file := filepath.Join(t.TempDir(), "hand.csv")
	if err := os.WriteFile(file, []byte(text.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	brimline(t, exitDone, "import", file, "--data", dir)
	got := decoded[map[string]any](t, brimline(t, exitDone, "history", "--agreement", "--data", dir, "--json"))
	if got["schema"] != "brimline/agreement/1" || got["pairs"] != 3.0 || got["visits"] != 1.0 || len(got["parts"].([]any)) != 7 {
		t.Errorf("%v", got)
	}
	out := brimline(t, exitDone, "history", "Sprayer 1", "--agreement", "--data", dir)
	within80(t, "agreement", out)
	for _, want := range []string{"limit of agreement", "meniscus and marks are", "[one-visit]", "[few-pairs]"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in %s", want, out)
		}
	}

	s, err := store.Open(t.Context(), filepath.Join(dir, realStore), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.AddTest(t.Context(), ingest.Test{EngineID: 1, Label: "T9", Phase: "after", At: time.Date(2090, 1, 1, 0, 0, 0, 0, time.UTC), Odometer: math.NaN(), Fuel: ingest.Fuel{TempC: math.NaN()}}); err != nil {
		t.Fatal(err)
	}
	for position, at := range []time.Time{exchangeStart.AddDate(0, 0, -9), exchangeStart.AddDate(0, 0, -5)} {
		if _, err := s.AddInjector(t.Context(), ingest.Injector{EngineID: 1, Position: position + 1, Code: "B7", Fitted: at}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	book := brimline(t, exitFlagged, "history", "Sprayer 1", "--data", dir)
	for _, want := range []string{"[future]", "[moved-injector]", "[one-test]", "[unusable-test]"} {
		if !strings.Contains(book, want) {
			t.Errorf("no %q in %s", want, book)
		}
	}
}

// A certificate of a check that cannot be read is a doubt, no failure.
func TestHistoryChecks(t *testing.T) {
	dir := exchangeStore(t, "Sprayer 1", "T1")
	s, err := store.Open(t.Context(), filepath.Join(dir, realStore), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(3400000, 1))
	for i := range 12 {
		certificate, err := json.Marshal(map[string]any{"check": map[string]any{"mass_g": 50, "difference_g": 0.02 * rng.NormFloat64()}})
		if err != nil {
			t.Fatal(err)
		}
		if i == 11 {
			certificate = []byte(`{"check":7}`)
		}
		if _, err := s.AddCalibrationCheck(t.Context(), ingest.CalibrationCheck{CalibrationID: 1, Channel: "tube1", At: exchangeStart.AddDate(0, 0, -7*i), Certificate: certificate}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	got := decoded[map[string]any](t, brimline(t, exitFlagged, "history", "Sprayer 1", "--data", dir, "--json"))
	charts := got["charts"].([]any)
	if len(charts) != 1 || !strings.Contains(charts[0].(map[string]any)["says"].(string), "check weight on tube1, calibration 1") || len(charts[0].(map[string]any)["values"].([]any)) != 11 {
		t.Errorf("%v", charts)
	}
	if !strings.Contains(fmt.Sprint(got["doubts"]), "check-unread") {
		t.Errorf("%v", got["doubts"])
	}
}

// Hangings that the sheet has as tests of their own are one occasion; a later day, another
// phase or something done in between begins a new one.
func TestOccasions(t *testing.T) {
	at := func(day int) time.Time { return time.Date(2026, 4, day, 9, 0, 0, 0, time.UTC) }
	in := history.Input{
		Tests: []history.Test{{Label: "a2", Phase: "baseline", At: at(2)}, {Label: "a1", Phase: "baseline", At: at(1)}, {Label: "b", Phase: "after", At: at(3)},
			{Label: "c", Phase: "after", At: at(5)}, {Label: "d", Phase: "after", At: at(20)}, {Label: "e", At: at(21)}, {Label: "f", At: at(21)}},
		Events: []history.Event{{Kind: "dose", At: at(4)}},
	}
	want := map[string]string{"a1": "a1", "a2": "a1", "b": "b", "c": "c", "d": "d", "e": "e", "f": "f"}
	if got := occasions(in); !maps.Equal(got, want) {
		t.Errorf("occasions %v, want %v", got, want)
	}
	var b engineBook
	b.in = in
	// Two hangings of two runs of three injectors; the second hanging reads 4 % more.
	for k, test := range []string{"a1", "a2"} {
		for run := range 2 {
			for position := 1; position <= 3; position++ {
				rate := 10 * float64(position) * (1 + 0.04*float64(k) + 0.002*float64(run) + 0.001*float64((position+run+k)%3))
				b.in.Readings = append(b.in.Readings, history.Reading{Test: test, Hanging: "1", Run: strconv.Itoa(run), Means: history.ByRig, Position: position, RateMLPerMin: rate})
			}
		}
	}
	// Two values 4 % apart have a standard deviation of 4/sqrt(2) = 2.8 %.
	s := b.hangings()
	if s == nil || s.DF != 1 || math.Abs(s.Percent-2.8) > 0.3 {
		t.Errorf("spread between hangings %+v, want 2.8 %% of 1 degree of freedom", s)
	}
}
