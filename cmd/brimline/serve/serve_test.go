package serve

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"brimline/rig"
)

// twoTubes is a server of a calibrated and an uncalibrated channel.
func twoTubes(o Options) *Server {
	o.Bench, o.Boot, o.DensityGPerML = "test bench", 7, 0.8
	o.Channels = []Channel{
		{Name: "tube1", CapacityML: 100, Scale: &Scale{Zero: 1000, CountsPerGram: 2000}},
		{Name: "tube2", CapacityML: 100},
	}
	return New(o)
}

func sample(channel int, seq uint64, at time.Duration, counts int32, q rig.Quality) rig.Sample {
	return rig.Sample{Channel: channel, Seq: seq, Reading: rig.Reading{Elapsed: at, Counts: counts, Quality: q}}
}

// get asks the handler as a browser on this machine would.
func get(h http.Handler, method, path string, header ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, nil)
	r.Host = "127.0.0.1:8461"
	for i := 0; i+1 < len(header); i += 2 {
		if header[i] == "Host" {
			r.Host = header[i+1]
			continue
		}
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// A level sender is shown in mL where there is no density, else like a weighing channel.
func TestLevelSenderIsShownInML(t *testing.T) {
	for _, density := range []float64{0, 0.8} {
		now := time.Now()
		volume := func(counts float64) float64 { return 1e-6 * counts * counts } // a cone
		l := newLive([]Channel{{Name: "tube1", CapacityML: 100, Scale: &Scale{CountsPerGram: 1, VolumeML: volume}}}, density, nil, func() time.Time { return now })
		for i := range 120 { // 0.02 mL in each 0.1 s: 12 mL/min
			l.Put([]rig.Sample{sample(0, uint64(i), time.Duration(i)*step, int32(math.Round(1000*math.Sqrt(4+0.02*float64(i)))), rig.Good)})
		}
		v := l.channelView(0, now)
		if v.State != Flowing || v.VolumeML == nil || math.Abs(*v.VolumeML-6.38) > 0.01 || v.RateMLPerMin == nil || math.Abs(*v.RateMLPerMin-12) > 0.1 {
			t.Fatalf("density %g: %+v", density, v)
		}
		points := l.points(110, 120, 10).Series[0]
		mean := points[0].([3]float64)[0]
		switch {
		case density == 0 && (v.Unit != "mL" || v.MassG != nil || v.RateGPerMin != nil || math.Abs(mean-6.29) > 0.01):
			t.Errorf("no density: %+v, points %v", v, points)
		case density > 0 && (v.Unit != "g" || math.Abs(*v.MassG-6.38*0.8) > 0.01 || math.Abs(*v.RateGPerMin-9.6) > 0.1 || math.Abs(mean-6.29*0.8) > 0.01):
			t.Errorf("with a density: %+v, points %v", v, points)
		}
	}
}

func TestStateOfChannels(t *testing.T) {
	const minute = time.Minute
	// 12 g/min in 0.1 s steps: 0.02 g, 40 counts a step.
	rising := func(l *Live, from, to int) {
		for i := from; i < to; i++ {
			l.Put([]rig.Sample{sample(0, uint64(i), time.Duration(i)*step, int32(1000+40*i), rig.Good)})
		}
	}
	cases := []struct {
		name  string
		put   func(l *Live)
		after time.Duration // since the last sample
		want  string
		check func(v channelView) string // "" when right
	}{
		{"nothing yet", func(*Live) {}, 0, Waiting, func(v channelView) string {
			if v.AgeS != nil || v.MassG != nil || v.Seq != nil {
				return "values without a sample"
			}
			return ""
		}},
		{"flowing", func(l *Live) { rising(l, 0, 120) }, 0, Flowing, func(v channelView) string {
			// 119 steps of 0.02 g are 2.38 g, 2.975 mL at 0.8 g/mL; 12 g/min are 15 mL/min.
			if *v.MassG != 2.38 || *v.VolumeML != 2.975 || v.RateGPerMin == nil || math.Abs(*v.RateGPerMin-12) > 0.01 || math.Abs(*v.RateMLPerMin-15) > 0.01 {
				return fmt.Sprintf("%v g, %v mL, %v g/min", *v.MassG, *v.VolumeML, v.RateGPerMin)
			}
			return ""
		}},
		{"no rate while the flow begins", func(l *Live) {
			for i := range 60 {
				l.Put([]rig.Sample{sample(0, uint64(i), time.Duration(i)*step, 1000, rig.Good)})
			}
			for i := 60; i < 100; i++ {
				l.Put([]rig.Sample{sample(0, uint64(i), time.Duration(i)*step, int32(1000+40*(i-60)), rig.Good)})
			}
		}, 0, Flowing, func(v channelView) string {
			if v.RateGPerMin != nil {
				return "a rate over a bend"
			}
			return ""
		}},
		{"draining", func(l *Live) {
			for i := range 100 {
				l.Put([]rig.Sample{sample(0, uint64(i), time.Duration(i)*step, int32(50000-100*i), rig.Good)})
			}
		}, 0, Draining, nil},
		{"still", func(l *Live) {
			for i := range 100 {
				l.Put([]rig.Sample{sample(0, uint64(i), time.Duration(i)*step, int32(5000+i%3), rig.Good)})
			}
		}, 0, Still, nil},
		{"near full", func(l *Live) {
			l.Put([]rig.Sample{sample(0, 0, 0, 1000+2000*76, rig.Good)}) // 76 g are 95 mL
		}, 0, NearFull, nil},
		{"old", func(l *Live) { rising(l, 0, 100) }, lostAfter + time.Millisecond, Lost, func(v channelView) string {
			if v.RateGPerMin != nil || *v.AgeS < 1.2 {
				return "a rate, or no age"
			}
			return ""
		}},
		{"not yet old", func(l *Live) { rising(l, 0, 100) }, lostAfter - time.Millisecond, Flowing, nil},
		{"absent", func(l *Live) { l.Put([]rig.Sample{sample(0, 0, 0, 0, rig.Absent)}) }, 0, Lost, nil},
		{"stalled", func(l *Live) {
			rising(l, 0, 100)
			l.Put([]rig.Sample{sample(0, 100, minute, 0, rig.Stalled)})
		}, 0, Lost, func(v channelView) string {
			if v.Readings["stalled"] != 1 || v.Readings["good"] != 100 || *v.Counts != 1000+40*99 {
				return fmt.Sprint(v.Readings)
			}
			return ""
		}},
		{"settling", func(l *Live) { l.Put([]rig.Sample{sample(0, 0, 0, 77, rig.Settling)}) }, 0, Settling, func(v channelView) string {
			if v.MassG != nil {
				return "a mass while settling"
			}
			return ""
		}},
		{"over range", func(l *Live) { l.Put([]rig.Sample{sample(0, 0, 0, 0x7fffff, rig.Saturated)}) }, 0, OverRange, nil},
		{"one misread changes nothing", func(l *Live) {
			rising(l, 0, 100)
			l.Put([]rig.Sample{sample(0, 100, 10*time.Second, -1, rig.Misread)})
		}, 0, Flowing, nil},
		{"unknown channel", func(l *Live) { l.Put([]rig.Sample{sample(9, 0, 0, 5, rig.Good), sample(-1, 0, 0, 5, rig.Good)}) }, 0, Waiting, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			now := time.Unix(1000, 0)
			s := twoTubes(Options{Now: func() time.Time { return now }})
			c.put(s.Live())
			now = now.Add(c.after)
			views, _ := s.Live().view()
			if views[0].State != c.want {
				t.Errorf("state %q, want %q", views[0].State, c.want)
			}
			if c.check != nil {
				if wrong := c.check(views[0]); wrong != "" {
					t.Error(wrong)
				}
			}
			if views[1].State != Waiting {
				t.Errorf("the other channel is %q", views[1].State)
			}
		})
	}
}

func TestStateFollowsHealth(t *testing.T) {
	for _, c := range []struct {
		name   string
		counts func(i int) (int32, rig.Quality)
		state  string
		health string
		says   string
	}{
		{"sound", func(i int) (int32, rig.Quality) { return int32(5000 + 40*i + 31*(i*i%7)), rig.Good }, Flowing, "ok", ""},
		{"stuck", func(i int) (int32, rig.Quality) { return 5000, rig.Good }, Stuck, "stuck", "the code 5000 again"},
		{"stuck on a full tube", func(i int) (int32, rig.Quality) { return 1000 + 2000*79, rig.Good }, NearFull, "stuck", "nearly full"},
		{"misreading", func(i int) (int32, rig.Quality) {
			if i%2 == 0 {
				return int32(5000 + i), rig.Good
			}
			return 0, rig.Misread
		}, Misreading, "misreading", "broke a rule"},
		{"noisy, but it flows", func(i int) (int32, rig.Quality) { return int32(5000 + 400*i + 4000*(i*i%7)), rig.Good }, Flowing, "noisy", "white noise"},
		{"absent", func(i int) (int32, rig.Quality) { return 0, rig.Absent }, Lost, "unplugged", "no converter has answered"},
	} {
		now := time.Unix(1000, 0)
		s := twoTubes(Options{Now: func() time.Time { return now }, Health: rig.NewHealth([]rig.HealthChannel{{SPS: 10}, {SPS: 10}})})
		for i := range 120 {
			counts, q := c.counts(i)
			if err := s.Live().Put([]rig.Sample{sample(0, uint64(i), time.Duration(i)*step, counts, q)}); err != nil {
				t.Fatal(err)
			}
		}
		views, _ := s.Live().view()
		v := views[0]
		if v.State != c.state || v.Health == nil || v.Health.State != c.health || !strings.Contains(v.Says, c.says) || (v.Says == "") != (c.says == "") {
			t.Errorf("%s: %q, health %+v, says %q; want %q, %q, %q", c.name, v.State, v.Health, v.Says, c.state, c.health, c.says)
		}
		if views[1].State != Waiting || views[1].Health.State != "waiting" {
			t.Errorf("%s: the other channel is %q, %+v", c.name, views[1].State, views[1].Health)
		}
	}
}

// A channel that was without power says so until the daemon ends, unless something worse is to be said.
func TestTareDueIsSaid(t *testing.T) {
	now := time.Now()
	l := newLive([]Channel{{Name: "tube1", CapacityML: 100}, {Name: "tube2", CapacityML: 100}}, 0, nil, func() time.Time { return now })
	l.TareDue(1)
	l.TareDue(7) // no such channel
	for ch := range 2 {
		l.Put([]rig.Sample{sample(ch, 1, time.Second, 5000, rig.Good)})
	}
	views, _ := l.view()
	if v := views[0]; v.TareDue || v.Says != "" {
		t.Errorf("the other channel: %+v", v)
	}
	if v := views[1]; !v.TareDue || !strings.Contains(v.Says, "tare it before the next run") {
		t.Errorf("%+v", v)
	}
	now = now.Add(lostAfter + time.Second)
	views, _ = l.view()
	if v := views[1]; !v.TareDue || !strings.Contains(v.Says, "no good reading") {
		t.Errorf("lost: %+v", v)
	}
}

func TestPointsKeepGapsAndExtremes(t *testing.T) {
	s := twoTubes(Options{})
	l := s.Live()
	l.Put([]rig.Sample{
		sample(0, 0, 0, 3000, rig.Good), // 1 g
		sample(0, 1, 10*time.Millisecond, 7000, rig.Good),
		sample(0, 2, 20*time.Millisecond, 5000, rig.Good),
		sample(0, 3, 150*time.Millisecond, -1, rig.Misread), // a gap
		sample(0, 4, 250*time.Millisecond, 9000, rig.Good),
		sample(1, 0, 250*time.Millisecond, 42, rig.Good),
	})
	got, err := json.Marshal(l.points(0, 3, 1))
	if err != nil {
		t.Fatal(err)
	}
	if want := `{"boot":0,"from":0,"step_ms":100,"series":[[[2,1,3],null,4],[null,null,42]]}`; string(got) != want {
		t.Errorf("points %s\nwant   %s", got, want)
	}
	got, _ = json.Marshal(l.points(0, 5, 5))
	if want := `{"boot":0,"from":0,"step_ms":500,"series":[[[2.5,1,4]],[42]]}`; string(got) != want {
		t.Errorf("merged %s\nwant   %s", got, want)
	}
	// What is older than five minutes makes room.
	l.Put([]rig.Sample{sample(0, 5, kept*step, 11000, rig.Good)})
	got, _ = json.Marshal(l.points(kept, kept+1, 1).Series[0])
	if string(got) != `[5]` {
		t.Errorf("after five minutes %s", got)
	}
}

func TestAPI(t *testing.T) {
	s := twoTubes(Options{Simulated: true, Version: "v1", Store: func() StoreStatus { return StoreStatus{Path: "x.db", OK: true, Stored: 5, FreeBytes: -1} }})
	s.Live().Put([]rig.Sample{sample(0, 3, time.Second, 3000, rig.Good), sample(1, 9, time.Second, -5, rig.Good)})
	h := s.Handler()

	w := get(h, "GET", "/api/v1/state")
	if w.Code != 200 || w.Header().Get("Content-Type") != "application/json" || w.Header().Get("Cache-Control") != "no-store" {
		t.Fatalf("state: %d %v", w.Code, w.Header())
	}
	var state stateView
	if err := json.Unmarshal(w.Body.Bytes(), &state); err != nil {
		t.Fatal(err)
	}
	if state.Schema != "brimline/state/1" || !state.Simulated || state.Boot != 7 || state.ElapsedS != 1 || *state.DensityGPerML != 0.8 || state.Store.Stored != 5 {
		t.Errorf("state %+v", state)
	}
	a, b := state.Channels[0], state.Channels[1]
	if *a.MassG != 1 || *a.VolumeML != 1.25 || *a.Seq != 3 || a.Unit != "g" || b.Unit != "counts" || b.MassG != nil || b.VolumeML != nil || *b.Counts != -5 {
		t.Errorf("channels %+v %+v", a, b)
	}

	for _, c := range []struct {
		method, path string
		status       int
		mime, says   string
	}{
		{"GET", "/api/v1/nothing", 404, "application/json", "nothing is served at this address"},
		{"GET", "/api/", 404, "application/json", "nothing is served"},
		{"GET", "/nothing", 404, "text/html; charset=utf-8", "there is no such page"},
		{"GET", "/assets/none.js", 404, "text/html; charset=utf-8", "there is no such file"},
		{"POST", "/api/v1/state", 405, "application/json", "POST is not done here"},
		{"DELETE", "/api/v1/live", 405, "application/json", "DELETE is not done here"},
		{"PUT", "/", 405, "text/html; charset=utf-8", "PUT is not done here"},
		{"GET", "/%3Cscript%3E", 404, "text/html; charset=utf-8", "there is no such page"},
		{"HEAD", "/api/v1/state", 200, "application/json", ""},
		{"HEAD", "/api/v1/live", 200, "text/event-stream", ""},
		{"GET", "/api/v1/finding", 200, "application/json", `"finding":null`},
	} {
		w := get(h, c.method, c.path)
		if w.Code != c.status || w.Header().Get("Content-Type") != c.mime || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%s %s: %d %s %q", c.method, c.path, w.Code, w.Header().Get("Content-Type"), w.Body)
		}
		if c.status == 405 && w.Header().Get("Allow") != "GET, HEAD" {
			t.Errorf("%s %s: Allow %q", c.method, c.path, w.Header().Get("Allow"))
		}
		for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer"} {
			if w.Header().Get(name) != want {
				t.Errorf("%s %s: %s %q", c.method, c.path, name, w.Header().Get(name))
			}
		}
		csp := w.Header().Get("Content-Security-Policy")
		if !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") || strings.Contains(csp, "http") {
			t.Errorf("%s %s: policy %q", c.method, c.path, csp)
		}
	}
}

// A foreign name that resolves to this machine is refused before anything is read.
func TestHostCheck(t *testing.T) {
	h := twoTubes(Options{}).Handler()
	for host, ok := range map[string]bool{
		"127.0.0.1:8461": true, "localhost:8461": true, "LOCALHOST": true, "localhost.:1": true, "[::1]:8461": true, "127.0.0.1": true, "127.9.9.9:1": true,
		"bench.example:8461": false, "127.0.0.1.example:8461": false, "192.168.0.5:8461": false, "localhost.example": false, "": false, "[::]:8461": false, "0.0.0.0:8461": false,
	} {
		for _, path := range []string{"/", "/api/v1/state", "/api/v1/finding", "/assets/x"} {
			w := get(h, "GET", path, "Host", host)
			if (w.Code != http.StatusForbidden) != ok {
				t.Errorf("Host %q, %s: %d %s", host, path, w.Code, w.Body)
			}
		}
	}
	if w := get(h, "GET", "/", "Host", "<b>x</b>"); strings.Contains(w.Body.String(), "<b>x") {
		t.Errorf("a name is written into the page as it came: %s", w.Body)
	}
}

func TestAssets(t *testing.T) {
	built := fstest.MapFS{
		"dist/.keep":               {},
		"dist/index.html":          {Data: []byte("<!doctype html>page")},
		"dist/assets/app-ABC.js":   {Data: bytes.Repeat([]byte("let a = 1;\n"), 100)},
		"dist/assets/style-AB.css": {Data: []byte("body{}")},
		"dist/assets/notes.txt":    {Data: []byte("not served")},
	}
	s := twoTubes(Options{})
	s.assets = loadAssets(built)
	h := s.Handler()
	w := get(h, "GET", "/")
	if w.Code != 200 || w.Body.String() != "<!doctype html>page" || w.Header().Get("Cache-Control") != "no-cache" || w.Header().Get("Content-Type") != "text/html; charset=utf-8" {
		t.Errorf("page: %d %v %s", w.Code, w.Header(), w.Body)
	}
	if w := get(h, "GET", "/", "If-None-Match", w.Header().Get("ETag")); w.Code != http.StatusNotModified {
		t.Errorf("an unchanged page is sent again: %d", w.Code)
	}
	w = get(h, "GET", "/assets/app-ABC.js", "Accept-Encoding", "gzip, br")
	if w.Header().Get("Content-Encoding") != "gzip" || w.Body.Len() > 200 || w.Header().Get("Content-Type") != "text/javascript; charset=utf-8" || !strings.Contains(w.Header().Get("Cache-Control"), "immutable") {
		t.Errorf("script: %v, %d bytes", w.Header(), w.Body.Len())
	}
	if w := get(h, "GET", "/assets/style-AB.css"); w.Body.String() != "body{}" || w.Header().Get("Content-Type") != "text/css; charset=utf-8" {
		t.Errorf("style: %v %s", w.Header(), w.Body)
	}
	for _, path := range []string{"/assets/notes.txt", "/assets/.keep", "/assets/", "/assets/../serve.go", "/assets/%2e%2e/%2e%2e/serve.go", "/assets/..%2f..%2fgo.mod", "/assets/app-ABC.js/", "/assets//app-ABC.js", "/index.html"} {
		if w := get(h, "GET", path); w.Code == 200 {
			t.Errorf("%s is served: %s", path, w.Body)
		}
	}
	s.assets = loadAssets(fstest.MapFS{"dist/.keep": {}})
	if w := get(s.Handler(), "GET", "/"); w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "page not built: run make build") {
		t.Errorf("without assets: %d %s", w.Code, w.Body)
	}
	if w := get(s.Handler(), "GET", "/api/v1/state"); w.Code != 200 {
		t.Errorf("without assets the API gives %d", w.Code)
	}
}

// event is one server-sent event.
type event struct{ name, id, data string }

// reader reads events from a stream.
type reader struct{ lines *bufio.Scanner }

func (r reader) next(t *testing.T) event {
	t.Helper()
	var e event
	for r.lines.Scan() {
		line := r.lines.Text()
		switch {
		case line == "" && e.name != "":
			return e
		case strings.HasPrefix(line, "event: "):
			e.name = line[len("event: "):]
		case strings.HasPrefix(line, "id: "):
			e.id = line[len("id: "):]
		case strings.HasPrefix(line, "data: "):
			e.data = line[len("data: "):]
		}
	}
	t.Fatalf("the stream ended: %v", r.lines.Err())
	return e
}

// stream opens the live stream of a running server.
func stream(t *testing.T, url, lastID string) (reader, func()) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	req, err := http.NewRequestWithContext(ctx, "GET", url+"/api/v1/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	if lastID != "" {
		req.Header.Set("Last-Event-ID", lastID)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("stream: %d %v", resp.StatusCode, resp.Header)
	}
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(nil, 1<<20)
	return reader{lines}, func() { cancel(); resp.Body.Close() }
}

func TestStream(t *testing.T) {
	s := twoTubes(Options{})
	l := s.Live()
	put := func(from, to int) {
		for i := from; i < to; i++ {
			l.Put([]rig.Sample{sample(0, uint64(i), time.Duration(i)*step, int32(1000+2000*i), rig.Good)})
		}
	}
	put(0, 103) // points 0 to 101 are final, newest-1 = 101 is the first that is not
	server := httptest.NewServer(s.Handler())
	defer server.Close()

	r, end := stream(t, server.URL, "")
	var past, live pointsView
	first := r.next(t)
	if err := json.Unmarshal([]byte(first.data), &past); err != nil || first.name != "points" {
		t.Fatalf("first event %+v (%v), want the past", first, err)
	}
	if first.id != "7-100" || past.StepMS != 500 || past.From != 0 || len(past.Series[0]) != 20 || past.Boot != 7 {
		t.Errorf("the past: id %s, %+v", first.id, past)
	}
	if e := r.next(t); e.name != "state" || !strings.Contains(e.data, `"schema":"brimline/state/1"`) {
		t.Errorf("second event %+v, want a state", e)
	}
	e := r.next(t)
	if err := json.Unmarshal([]byte(e.data), &live); err != nil || e.name != "points" || live.From != 100 || live.StepMS != 100 || e.id != "7-101" {
		t.Errorf("third event %+v (%v), want the newest points", e, err)
	}
	end()

	// One that comes back gets what it missed, at full detail.
	put(103, 133)
	r, end = stream(t, server.URL, "7-101")
	for e = r.next(t); e.name != "points"; e = r.next(t) {
	}
	json.Unmarshal([]byte(e.data), &live)
	if live.From != 101 || live.StepMS != 100 || len(live.Series[0]) != 30 || e.id != "7-131" {
		t.Errorf("resumed with id %s: from %d, %d points", e.id, live.From, len(live.Series[0]))
	}
	end()

	// Ids of another boot, of the future or of nobody are taken as none.
	for _, id := range []string{"6-101", "7-999999", "7--5", "x", "7-", "-", strings.Repeat("9", 40)} {
		r, end = stream(t, server.URL, id)
		if e := r.next(t); e.id != "7-130" || !strings.Contains(e.data, `"from":0,"step_ms":500`) {
			t.Errorf("Last-Event-ID %q: %+v", id, e)
		}
		end()
	}
}

func TestStreamBeatsWithoutSamples(t *testing.T) {
	s := twoTubes(Options{})
	server := httptest.NewServer(s.Handler())
	defer server.Close()
	r, end := stream(t, server.URL, "")
	defer end()
	begun := time.Now()
	for range 3 {
		if e := r.next(t); e.name != "state" {
			t.Fatalf("event %+v, want states alone", e)
		}
	}
	if took := time.Since(begun); took > 2*time.Second {
		t.Errorf("three beats took %v, the page would call the contact lost", took)
	}
}

func TestViewersAreBounded(t *testing.T) {
	s := twoTubes(Options{})
	for range maxViewers {
		s.viewers <- struct{}{}
	}
	if w := get(s.Handler(), "GET", "/api/v1/live"); w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" || w.Header().Get("Content-Type") != "application/json" {
		t.Errorf("one viewer too many: %d %v", w.Code, w.Header())
	}
}

func TestServeEndsWithOpenStreams(t *testing.T) {
	s := twoTubes(Options{Finder: func(context.Context) (Finding, error) { return Finding{Says: "all in line"}, nil }})
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx, ln) }()
	r, end := stream(t, "http://"+ln.Addr().String(), "")
	defer end()
	r.next(t)
	cancel()
	select {
	case err := <-ended:
		if err != nil {
			t.Errorf("Serve: %v", err)
		}
	case <-time.After(5 * time.Second):
		t.Fatal("Serve goes on although its context ended")
	}
	if _, err := net.DialTimeout("tcp", ln.Addr().String(), time.Second); err == nil {
		t.Error("the port is still open")
	}
}

func TestFailIsShown(t *testing.T) {
	s := twoTubes(Options{Store: func() StoreStatus { return StoreStatus{OK: true} }})
	s.Fail(errors.New("disk full"))
	v := s.state()
	if v.Failed != "disk full" || v.Store.OK || v.Store.Says != "disk full" {
		t.Errorf("state %+v, store %+v", v, v.Store)
	}
}

// A finding is asked for at the start, and once after all tubes have rested; on the
// fake clock.
func TestFindingAfterAFill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var asked []time.Duration
		begun := time.Now()
		fail := true
		s := twoTubes(Options{Finder: func(context.Context) (Finding, error) {
			mu.Lock()
			defer mu.Unlock()
			asked = append(asked, time.Since(begun))
			if fail {
				fail = false
				return Finding{}, errors.New("no fill yet")
			}
			return Finding{Says: "all in line"}, nil
		}})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { s.watchFindings(ctx); close(done) }()
		synctest.Wait()
		if v := findingOf(t, s); v.Number != 1 || v.Error != "no fill yet" || v.Finding != nil {
			t.Errorf("at the start %+v", v)
		}
		counts := int32(1000)
		for i := range 400 { // 20 s of flow, then rest
			if i < 200 {
				counts += 40
			}
			s.Live().Put([]rig.Sample{sample(0, uint64(i), time.Duration(i)*step, counts, rig.Good)})
			time.Sleep(step)
		}
		if v := findingOf(t, s); v.Number != 2 || v.Error != "" || v.Finding == nil || v.Finding.Says != "all in line" {
			t.Errorf("after the fill %+v", v)
		}
		mu.Lock()
		if len(asked) != 2 || asked[0] != 0 || asked[1] < 25*time.Second || asked[1] > 38*time.Second {
			t.Errorf("asked at %v, want at once and some 6 s after the flow was seen to end", asked)
		}
		mu.Unlock()
		cancel()
		<-done
	})
}

func findingOf(t *testing.T, s *Server) findingView {
	t.Helper()
	var v findingView
	if err := json.Unmarshal(get(s.Handler(), "GET", "/api/v1/finding").Body.Bytes(), &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// What a page costs the bench each 400 ms.
func BenchmarkStream(b *testing.B) {
	for _, channels := range []int{6, 8} {
		b.Run(fmt.Sprintf("channels=%d", channels), func(b *testing.B) {
			o := Options{DensityGPerML: 0.832}
			for i := range channels {
				o.Channels = append(o.Channels, Channel{Name: fmt.Sprintf("tube%d", i+1), CapacityML: 100, Scale: &Scale{CountsPerGram: 2000}})
			}
			s := New(o)
			for i := range 24000 { // 5 minutes at 80 SPS
				for ch := range channels {
					s.Live().Put([]rig.Sample{sample(ch, uint64(i), time.Duration(i)*12500*time.Microsecond, int32(i), rig.Good)})
				}
			}
			w := struct {
				http.ResponseWriter
			}{discard{http.Header{}}}
			out := &events{w: w, rc: http.NewResponseController(w)}
			ready := s.live.ready()
			for b.Loop() {
				out.send("state", "", s.state())
				out.points(s, ready-4, ready, 1)
			}
			if out.err != nil {
				b.Fatal(out.err)
			}
		})
	}
}

type discard struct{ h http.Header }

func (d discard) Header() http.Header         { return d.h }
func (d discard) Write(p []byte) (int, error) { return io.Discard.Write(p) }
func (d discard) WriteHeader(int)             {}
