// Package influxtest runs a real InfluxDB 1.8 for tests, with accounts (auth) and the
// query language Flux switched on. `make influxd` builds the server once, from its
// published source; a test that finds none fails and says so.
//
//	s := influxtest.Start(t, influxtest.Options{})
//	... ship to s.URL(), s.Bucket(), s.Token() ...
//	s.Stop() // an outage
//	s.Start()
//	if n := s.Count("rate"); n != 24 { ... }
package influxtest

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// Version is the server that is run. The Makefile builds the same one.
const Version = "1.8.10"

const (
	user     = "admin"
	password = "only-for-tests" // a blank would end a token
	database = "benches"

	readyWithin = 2 * time.Minute // a slow machine that builds other packages meanwhile
	endsWithin  = 15 * time.Second
)

// Options are limits of the server. 0 is the server's own.
type Options struct {
	MaxSeries       int  // of a database; a batch with a point of one more is refused with 400, and a part of it is lost
	MaxValuesPerTag int  // likewise
	CacheBytes      int  // what its cache of writes may hold; while it is full every write is refused with 500
	NoFlux          bool // without the language it starts in a tenth of a second, not in five
}

// Server is one InfluxDB on a free port of 127.0.0.1, which it keeps when it is stopped
// and started. Its methods fail the test when the server does not do as told; they are
// for the test's own goroutine.
type Server struct {
	t       testing.TB
	program string
	dir     string
	addr    string
	opt     Options
	client  *http.Client

	running *exec.Cmd // nil while it is stopped
	door    io.WriteCloser
	ended   chan error
}

// Start runs a server with an empty database, until the test ends.
func Start(t testing.TB, o Options) *Server {
	t.Helper()
	s := &Server{t: t, program: program(t), dir: t.TempDir(), addr: freeAddr(t), opt: o, client: &http.Client{Timeout: readyWithin}}
	t.Cleanup(func() {
		if s.running != nil {
			s.Stop()
		}
	})
	s.Start()
	// The first account may be made without one.
	s.query("", "CREATE USER "+user+" WITH PASSWORD '"+password+"' WITH ALL PRIVILEGES")
	s.CreateDatabase(database)
	return s
}

// program finds the server that `make influxd` built.
func program(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	for err == nil {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			break
		}
		if dir == filepath.Dir(dir) {
			err = errors.New("no go.mod above the working directory")
			break
		}
		dir = filepath.Dir(dir)
	}
	path := filepath.Join(dir, "out", "tools", "influxd-"+Version, "influxd")
	if err == nil {
		_, err = os.Stat(path)
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		t.Fatalf("the InfluxDB server that this test runs is not at %s: build it once with 'make influxd' (about a minute, three on a slow machine)", path)
	case err != nil:
		t.Fatalf("finding the InfluxDB server: %v", err)
	}
	return path
}

// freeAddr takes a port below those that the system hands out by itself, so that nobody
// gets it while the server is stopped.
func freeAddr(t testing.TB) string {
	t.Helper()
	var err error
	for range 100 {
		addr := net.JoinHostPort("127.0.0.1", strconv.Itoa(20000+rand.IntN(12000)))
		var ln net.Listener
		if ln, err = net.Listen("tcp", addr); err == nil {
			ln.Close()
			return addr
		}
	}
	t.Fatalf("no free port for the InfluxDB server after 100 tries: %v", err)
	return ""
}

func (s *Server) config() string {
	var b strings.Builder
	limit := func(key string, n int) {
		if n > 0 {
			fmt.Fprintf(&b, "  %s = %d\n", key, n)
		}
	}
	fmt.Fprintf(&b, "reporting-disabled = true\nbind-address = \"127.0.0.1:0\"\n[meta]\n  dir = %q\n", filepath.Join(s.dir, "meta"))
	fmt.Fprintf(&b, "[data]\n  dir = %q\n  wal-dir = %q\n", filepath.Join(s.dir, "data"), filepath.Join(s.dir, "wal"))
	limit("max-series-per-database", s.opt.MaxSeries)
	limit("max-values-per-tag", s.opt.MaxValuesPerTag)
	limit("cache-max-memory-size", s.opt.CacheBytes)
	fmt.Fprintf(&b, "[monitor]\n  store-enabled = false\n[http]\n  bind-address = %q\n  auth-enabled = true\n  flux-enabled = %t\n  log-enabled = false\n", s.addr, !s.opt.NoFlux)
	return b.String()
}

// Start runs the server again after Stop or Kill, on the same port with the same data,
// and returns when it answers.
func (s *Server) Start() {
	s.t.Helper()
	if s.running != nil {
		s.t.Fatal("the InfluxDB server runs already")
	}
	file := filepath.Join(s.dir, "influxd.toml")
	if err := os.WriteFile(file, []byte(s.config()), 0o600); err != nil {
		s.t.Fatal(err)
	}
	log, err := os.Create(filepath.Join(s.dir, "influxd.log"))
	if err != nil {
		s.t.Fatal(err)
	}
	defer log.Close()
	// A shell between the two ends the server when its standard input closes, which also
	// happens when the test is killed.
	s.running = exec.Command("sh", "-c", `"$0" -config "$1" & server=$!; read how; kill -"${how:-TERM}" $server; wait $server`, s.program, file)
	s.running.Stdout, s.running.Stderr = log, log
	if s.door, err = s.running.StdinPipe(); err == nil {
		err = s.running.Start()
	}
	if err != nil {
		s.t.Fatalf("starting the InfluxDB server %s: %v", s.program, err)
	}
	s.ended = make(chan error, 1)
	go func(c *exec.Cmd, ended chan<- error) { ended <- c.Wait() }(s.running, s.ended)
	for begun := time.Now(); ; time.Sleep(50 * time.Millisecond) {
		resp, err := s.client.Get(s.URL() + "/health")
		if err == nil {
			resp.Body.Close()
			if resp.StatusCode == http.StatusOK {
				return
			}
			err = errors.New(resp.Status)
		}
		if time.Since(begun) > readyWithin {
			said, _ := os.ReadFile(log.Name())
			s.t.Fatalf("the InfluxDB server does not answer after %v (%v); it said:\n%s", readyWithin, err, said)
		}
	}
}

// Stop ends the server in good order and returns when it is gone.
func (s *Server) Stop() { s.t.Helper(); s.end("TERM") }

// Kill ends it as a power cut would end the program.
func (s *Server) Kill() { s.t.Helper(); s.end("KILL") }

func (s *Server) end(how string) {
	s.t.Helper()
	if s.running == nil {
		s.t.Fatal("the InfluxDB server is stopped already")
	}
	s.running = nil
	if _, err := io.WriteString(s.door, how+"\n"); err != nil {
		s.t.Fatalf("ending the InfluxDB server: %v", err)
	}
	s.door.Close()
	select {
	case <-s.ended: // its exit code tells the signal, no more
	case <-time.After(endsWithin):
		s.t.Fatalf("the InfluxDB server goes on %v after it was told to end", endsWithin)
	}
}

// Restart stops the server and starts it with other limits.
func (s *Server) Restart(o Options) {
	s.t.Helper()
	s.Stop()
	s.opt = o
	s.Start()
}

// URL is where the server listens.
func (s *Server) URL() string { return "http://" + s.addr }

// Token is the administrator's, as a 1.8 takes it where a 2.x takes a token.
func (s *Server) Token() string { return user + ":" + password }

// Bucket is the database that the server starts with, as a 1.8 takes it for a bucket.
func (s *Server) Bucket() string { return database }

// CreateDatabase makes one more.
func (s *Server) CreateDatabase(name string) {
	s.t.Helper()
	s.query("", fmt.Sprintf("CREATE DATABASE %q", name))
}

// Write writes points in line protocol, times in nanoseconds, past everything that is
// tested. It returns what the server answered: nil when it took all.
func (s *Server) Write(database string, lines ...string) error {
	req, err := http.NewRequestWithContext(context.Background(), http.MethodPost, s.URL()+"/write?db="+url.QueryEscape(database), strings.NewReader(strings.Join(lines, "\n")))
	if err != nil {
		return err
	}
	req.SetBasicAuth(user, password)
	resp, err := s.client.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if resp.StatusCode == http.StatusNoContent {
		return nil
	}
	said, _ := io.ReadAll(resp.Body)
	return fmt.Errorf("writing by hand: %s: %s", resp.Status, bytes.TrimSpace(said))
}

// Series is one answer of Query: rows of values under their columns; numbers are
// json.Number, so that not a digit is lost. Times are nanoseconds.
type Series struct {
	Name    string
	Tags    map[string]string
	Columns []string
	Values  [][]any
}

// Query asks a database in InfluxQL, a way that the program itself does not use.
func (s *Server) Query(database, q string) []Series {
	s.t.Helper()
	return s.query(database, q)
}

func (s *Server) query(database, q string) []Series {
	s.t.Helper()
	form := url.Values{"q": {q}, "db": {database}, "epoch": {"ns"}}
	req, err := http.NewRequestWithContext(context.Background(), http.MethodPost, s.URL()+"/query", strings.NewReader(form.Encode()))
	if err != nil {
		s.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.SetBasicAuth(user, password)
	resp, err := s.client.Do(req)
	if err != nil {
		s.t.Fatalf("asking the InfluxDB server %q: %v", q, err)
	}
	defer resp.Body.Close()
	var answer struct {
		Error   string
		Results []struct {
			Error  string
			Series []Series
		}
	}
	dec := json.NewDecoder(resp.Body)
	dec.UseNumber()
	if err := dec.Decode(&answer); err != nil {
		s.t.Fatalf("asking the InfluxDB server %q: %s, %v", q, resp.Status, err)
	}
	var out []Series
	for _, r := range answer.Results {
		answer.Error += r.Error
		out = append(out, r.Series...)
	}
	if answer.Error != "" {
		s.t.Fatalf("asking the InfluxDB server %q: %s", q, answer.Error)
	}
	return out
}

// Count is how many points of a measurement the first database holds: rows of a series
// and a time, whatever their fields.
func (s *Server) Count(measurement string) int {
	s.t.Helper()
	n := 0
	for _, series := range s.query(database, fmt.Sprintf("SELECT * FROM %q GROUP BY *", measurement)) {
		n += len(series.Values)
	}
	return n
}
