package serve

import (
	"encoding/json"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"

	"brimline/rig"
)

func scrape(t *testing.T, s *Server) string {
	t.Helper()
	w := get(s.Handler(), http.MethodGet, "/metrics")
	if w.Code != http.StatusOK || w.Header().Get("Content-Type") != "text/plain; version=0.0.4; charset=utf-8" {
		t.Fatalf("%d, %v", w.Code, w.Header())
	}
	return w.Body.String()
}

// hasLines reports each line that a text lacks.
func hasLines(t *testing.T, text string, lines ...string) {
	t.Helper()
	for _, line := range lines {
		if !strings.Contains("\n"+text, "\n"+line+"\n") {
			t.Errorf("missing: %s", line)
		}
	}
	if t.Failed() {
		t.Logf("got:\n%s", text)
	}
}

// Prometheus' own linter (client_golang v1.25.0, promlint) finds nothing to say about the
// text, and it tells what happened.
func TestMetrics(t *testing.T) {
	now := time.Date(2026, 4, 9, 7, 30, 0, 0, time.UTC)
	last := now.Add(-90 * time.Second)
	s := twoTubes(Options{
		Version: "v1", Simulated: true, Now: func() time.Time { return now },
		Health: rig.NewHealth([]rig.HealthChannel{{SPS: 10}, {SPS: 10}}),
		Store:  func() StoreStatus { return StoreStatus{OK: true, Stored: 12_000, Bytes: 4096, FreeBytes: 5e9} },
		Shipping: func() ShippingStatus {
			return ShippingStatus{Target: "http://office:8086, benches", State: "waiting", Says: "the token is \"wrong\":\nwrite \\ another" + strings.Repeat(" and again", 40), BehindPoints: 777,
				BehindS: 3600.5, Sent: 10, Failures: 3, Aside: 2, Gone: 1, LastSuccess: &last}
		},
	})
	s.Metrics().Gauge("brimline_test_volts", "A gauge of another part.", func(set Emit) {
		set(1.5, "rail", "a")
		set(math.NaN(), "rail", "b")
	})
	for i := range 3 {
		s.Live().Put([]rig.Sample{sample(0, uint64(i), time.Duration(i)*step, 1000, rig.Good), sample(1, uint64(i), time.Duration(i)*step, 0, rig.Absent)})
	}
	now = now.Add(2 * time.Second)
	text := scrape(t, s)
	problems, err := promlint.New(strings.NewReader(text)).Lint()
	if err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	why := `the token is \"wrong\":\nwrite \\ another` + strings.Repeat(" and again", 26) + " a…" // 300 of its characters
	hasLines(t, text,
		`brimline_info{version="v1",bench="test bench",simulated="true"} 1`,
		"brimline_uptime_seconds 2",
		"brimline_healthy 1",
		`brimline_channel_readings_total{channel="tube1",quality="good"} 3`,
		`brimline_channel_readings_total{channel="tube2",quality="absent"} 3`,
		`brimline_channel_age_seconds{channel="tube1"} 2`,
		`brimline_channel_ok{channel="tube2"} 0`,
		"# TYPE brimline_samples_stored_total counter",
		"brimline_samples_stored_total 12000",
		"brimline_store_bytes 4096",
		"brimline_disk_free_bytes 5e+09",
		"brimline_influx_ok 0",
		`brimline_influx_state{target="http://office:8086, benches",state="waiting",why="`+why+`"} 1`,
		"brimline_influx_behind_points 777",
		"brimline_influx_behind_seconds 3600.5",
		"brimline_influx_aside_points 2",
		"brimline_influx_gone_points 1",
		"brimline_influx_sent_points_total 10",
		"brimline_influx_failures_total 3",
		"brimline_influx_last_success_timestamp_seconds 1.77571971e+09",
		`brimline_test_volts{rail="a"} 1.5`,
	)
	if strings.Contains(text, `rail="b"`) || strings.Contains(text, "NaN") || strings.Contains(text, `channel_age_seconds{channel="tube2"}`) {
		t.Errorf("what is not known is told:\n%s", text)
	}
	func() {
		defer func() {
			if recover() == nil {
				t.Error("a name that is taken was added again")
			}
		}()
		s.Metrics().Counter("brimline_healthy", "Again.", func(Emit) {})
	}()

	s.Fail(http.ErrServerClosed)
	hasLines(t, scrape(t, s), "brimline_healthy 0")
}

// A bench without a shared store and without a known disk tells nothing of them.
func TestMetricsOfWhatIsNotThere(t *testing.T) {
	s := twoTubes(Options{Store: func() StoreStatus { return StoreStatus{OK: true, FreeBytes: -1} }})
	text := scrape(t, s)
	if strings.Contains(text, "influx") || strings.Contains(text, "brimline_disk_free_bytes ") && !strings.Contains(text, "# TYPE brimline_disk_free_bytes") || strings.Contains(text, "\nbrimline_disk_free_bytes ") {
		t.Errorf("got\n%s", text)
	}
	if problems, err := promlint.New(strings.NewReader(text)).Lint(); err != nil || len(problems) > 0 {
		t.Errorf("%v, %v", problems, err)
	}
	if w := get(s.Handler(), http.MethodPost, "/metrics"); w.Code != http.StatusMethodNotAllowed {
		t.Errorf("POST: %d", w.Code)
	}
	if w := get(s.Handler(), http.MethodGet, "/metrics", "Host", "elsewhere.example"); w.Code != http.StatusForbidden {
		t.Errorf("another name: %d", w.Code)
	}
}

func TestStateTellsOfShipping(t *testing.T) {
	shipping := func(s *Server) any {
		var v map[string]any
		if err := json.Unmarshal(get(s.Handler(), http.MethodGet, "/api/v1/state").Body.Bytes(), &v); err != nil {
			t.Fatal(err)
		}
		return v["shipping"]
	}
	if got := shipping(twoTubes(Options{})); got != nil {
		t.Errorf("without a shared store: %v", got)
	}
	got, _ := shipping(twoTubes(Options{Shipping: func() ShippingStatus { return ShippingStatus{Says: "no route", BehindPoints: 5} }})).(map[string]any)
	if got["says"] != "no route" || got["behind_points"] != 5.0 || got["last_success"] != nil || got["ok"] != false {
		t.Errorf("got %v", got)
	}
}
