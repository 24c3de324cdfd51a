package influxtest

import (
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"
)

// The server is the version that is claimed, keeps its data through a stop and a kill,
// refuses who has no account, and is asked in Flux.
func TestServer(t *testing.T) {
	s := Start(t, Options{NoFlux: true})
	if err := s.Write(s.Bucket(), "m,bench=a v=1 1000000001", "m,bench=a v=2 1000000002", "m,bench=b v=0.1 1000000001"); err != nil {
		t.Fatal(err)
	}
	s.Restart(Options{NoFlux: true})
	if n := s.Count("m"); n != 3 {
		t.Errorf("%d points after a restart, want 3", n)
	}
	s.Kill()
	s.Start()
	rows := s.Query(s.Bucket(), `SELECT v FROM m WHERE bench = 'b'`)
	if len(rows) != 1 || len(rows[0].Values) != 1 || rows[0].Values[0][0] != json.Number("1000000001") || rows[0].Values[0][1] != json.Number("0.1") {
		t.Errorf("after a kill: %+v", rows)
	}
	resp, err := http.Get(s.URL() + "/ping")
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if v := strings.TrimPrefix(resp.Header.Get("X-Influxdb-Version"), "v"); v != Version && v != "unknown" {
		t.Errorf("the server is %q, want %s", v, Version)
	}
	resp, err = http.Post(s.URL()+"/write?db="+s.Bucket(), "text/plain", strings.NewReader("m v=1 1"))
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusUnauthorized {
		t.Errorf("a write without an account: %s, want 401", resp.Status)
	}

	s.Restart(Options{})
	req, err := http.NewRequest(http.MethodPost, s.URL()+"/api/v2/query", strings.NewReader(`from(bucket: "`+s.Bucket()+`") |> range(start: 0) |> filter(fn: (r) => r.bench == "b")`))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Token "+s.Token())
	req.Header.Set("Content-Type", "application/vnd.flux")
	resp, err = http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if said, err := io.ReadAll(resp.Body); err != nil || resp.StatusCode != http.StatusOK || !strings.Contains(string(said), ",0.1,v,m,b") {
		t.Errorf("asked in Flux: %s, %v, %s", resp.Status, err, said)
	}
}

// What a full server answers: with the limits of 1.8 a part of a batch is refused for
// good (400), a full cache refuses all of it for the time being (500).
func TestLimits(t *testing.T) {
	s := Start(t, Options{MaxSeries: 2, NoFlux: true})
	if err := s.Write(s.Bucket(), "m,bench=a v=1 1", "m,bench=b v=1 1"); err != nil {
		t.Fatal(err)
	}
	err := s.Write(s.Bucket(), "m,bench=a v=2 2", "m,bench=c v=2 2")
	if err == nil || !strings.Contains(err.Error(), "400") || !strings.Contains(err.Error(), "max-series-per-database limit exceeded: (2) dropped=1") {
		t.Errorf("one series too many: %v", err)
	}
	// It claims one point dropped and drops two: its in-memory index takes the first of
	// the batch for the refused one. Whoever writes must send the others again.
	if n := s.Count("m"); n != 2 {
		t.Errorf("%d points after a batch that was refused in part, want 2", n)
	}
	if err := s.Write(s.Bucket(), "m,bench=a v=2 2"); err != nil || s.Count("m") != 3 {
		t.Errorf("the rest sent again: %v, %d points, want 3", err, s.Count("m"))
	}
	s.Restart(Options{CacheBytes: 1000, NoFlux: true})
	var lines []string
	for range 100 {
		lines = append(lines, "m,bench=a v=1 3")
	}
	err = s.Write(s.Bucket(), lines...)
	if err == nil || !strings.Contains(err.Error(), "500") || !strings.Contains(err.Error(), "cache-max-memory-size exceeded") {
		t.Errorf("a full cache: %v", err)
	}
}
