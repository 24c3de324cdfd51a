// Package serve is the bench's HTTP side: an API of JSON, a live stream of
// server-sent events, and the one page that uses both. It stands at the end of a
// sample's life, beside the store: samples are put into Live, the store's state and
// the last finding come in as functions, and nothing here opens a store or a sensor.
//
//	s := serve.New(serve.Options{Bench: "workshop", Channels: channels, Finder: finder, Store: status})
//	go rig.Acquire(ctx, sensors, sink, ...)        // sink puts into the store, then into s.Live()
//	err := s.Serve(ctx, listener)                  // until ctx ends
//
// It serves this machine alone. Besides a loopback address that means a Host header
// check: a page elsewhere can give its own name the address 127.0.0.1 and would
// then be read as if it were ours (DNS rebinding).
package serve

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"time"

	"brimline/rig"
)

// Options are what a Server shows. Channels are required.
type Options struct {
	Bench         string
	Simulated     bool   // the page says so wherever a number stands
	Version       string // of the program
	Boot          int64  // the store's number of this start
	Channels      []Channel
	DensityGPerML float64               // 0: grams only
	Store         func() StoreStatus    // nil: no store to tell of
	Shipping      func() ShippingStatus // nil: there is no shared store
	Room          func() RoomStatus     // nil: the store's disk is not watched
	Clock         func() ClockStatus    // nil: the wall clock is not watched
	Finder        Finder                // nil: no findings
	Health        *rig.Health           // of the same channels, fed by Live; nil: not watched
	Log           *slog.Logger          // default: discard
	Now           func() time.Time      // default: time.Now
}

// StoreStatus is the store as the page shows it.
type StoreStatus struct {
	Path      string `json:"path"`
	OK        bool   `json:"ok"`
	Says      string `json:"says"`       // what went wrong and what to do; empty when OK
	Stored    uint64 `json:"stored"`     // samples of this boot handed to the store
	Bytes     int64  `json:"bytes"`      // size of its file
	FreeBytes int64  `json:"free_bytes"` // left on its disk; -1 when not known
}

// Finding is what the last completed fill of each channel shows.
type Finding struct {
	At    time.Time  `json:"at"`
	Says  string     `json:"says"` // the sentence a person acts on
	Fills []FillView `json:"fills"`
	Flags []FlagView `json:"flags"` // of the run as a whole: the engine's or the bench's
}

// FillView is one fill. Rates that cannot be given are null.
type FillView struct {
	Channel      string     `json:"channel"`
	StartS       float64    `json:"start_s"` // elapsed
	EndS         float64    `json:"end_s"`
	RateGPerMin  *float64   `json:"rate_g_per_min"`
	RateMLPerMin *float64   `json:"rate_ml_per_min"`
	U95GPerMin   *float64   `json:"u95_g_per_min"`
	U95MLPerMin  *float64   `json:"u95_ml_per_min"`
	Flags        []FlagView `json:"flags"`
}

// FlagView is one named doubt.
type FlagView struct {
	Code     string `json:"code"`
	Severity string `json:"severity"` // "note", "doubt" or "forbids"
	Says     string `json:"says"`     // what was seen and what to do
}

// Finder works out the finding of the last minutes. It may take seconds.
type Finder func(ctx context.Context) (Finding, error)

// maxViewers bounds the open streams: each costs a goroutine and a connection.
const maxViewers = 64

// Server serves one bench. Make it with New.
type Server struct {
	o       Options
	live    *Live
	metrics *Metrics
	assets  *assets
	started time.Time

	done     chan struct{} // closed when streams must end
	stopOnce sync.Once
	viewers  chan struct{} // holds one token for each open stream

	mu        sync.Mutex
	failed    string // why the daemon is about to end; empty while all is well
	finding   *Finding
	findError string
	findings  int // how often finding or findError changed
}

// New returns a Server that serves nothing yet.
func New(o Options) *Server {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	s := &Server{
		o: o, live: newLive(o.Channels, o.DensityGPerML, o.Health, o.Now), assets: loadAssets(dist), started: o.Now(),
		done: make(chan struct{}), viewers: make(chan struct{}, maxViewers),
	}
	s.metrics = s.ownMetrics()
	return s
}

// Live returns the sink for the samples to show.
func (s *Server) Live() *Live { return s.live }

// Fail tells everyone who looks on that the daemon cannot go on, and why. The
// server goes on serving until its context ends.
func (s *Server) Fail(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.failed = err.Error()
}

// Serve serves on ln until ctx ends, then ends the streams, lets requests under way
// finish for two seconds, and returns nil.
func (s *Server) Serve(ctx context.Context, ln net.Listener) error {
	hs := &http.Server{
		Handler:           s.Handler(),
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       10 * time.Second,
		WriteTimeout:      30 * time.Second, // the stream sets its own
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(s.o.Log.Handler(), slog.LevelWarn),
	}
	inner, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { s.watchFindings(inner) })
	defer wg.Wait()
	defer cancel()

	served := make(chan error, 1)
	go func() { served <- hs.Serve(ln) }()
	select {
	case err := <-served:
		return fmt.Errorf("serving on %v: %w", ln.Addr(), err)
	case <-ctx.Done():
	}
	s.stopOnce.Do(func() { close(s.done) })
	grace, stop := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer stop()
	if err := hs.Shutdown(grace); err != nil {
		// A viewer that does not read must not keep the daemon from ending.
		return errors.Join(hs.Close())
	}
	return nil
}

// Handler returns the whole HTTP side with its checks.
func (s *Server) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/api/v1/state", only(s.serveState))
	mux.Handle("/api/v1/finding", only(s.serveFinding))
	mux.Handle("/api/v1/live", only(s.serveLive))
	mux.Handle("/api/", http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		problem(w, r, http.StatusNotFound, "nothing is served at this address; see /api/v1/state, /api/v1/live and /api/v1/finding")
	}))
	mux.Handle("/metrics", only(s.metrics.serve))
	mux.Handle("/assets/", only(s.assets.serve))
	mux.Handle("/{$}", only(s.assets.index))
	mux.Handle("/", http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		problem(w, r, http.StatusNotFound, "there is no such page")
	}))
	return guard(mux)
}

// guard sets the headers that every answer has and refuses foreign names.
func guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		if !ownName(r.Host) {
			problem(w, r, http.StatusForbidden, fmt.Sprintf("the name %q is not this machine's own; open the page as http://127.0.0.1 or http://localhost with its port", r.Host))
			return
		}
		next.ServeHTTP(w, r)
	})
}

// ownName reports whether a Host header names this machine itself.
func ownName(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	if strings.EqualFold(strings.TrimSuffix(host, "."), "localhost") {
		return true
	}
	ip, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return err == nil && ip.IsLoopback()
}

// only lets GET and HEAD through.
func only(h http.HandlerFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			problem(w, r, http.StatusMethodNotAllowed, fmt.Sprintf("%s is not done here; use GET", r.Method))
			return
		}
		h(w, r)
	})
}

// problem answers with an error: JSON under /api/, a small page elsewhere.
func problem(w http.ResponseWriter, r *http.Request, status int, says string) {
	w.Header().Set("Cache-Control", "no-store")
	if strings.HasPrefix(r.URL.Path, "/api/") {
		writeJSON(w, status, map[string]any{"schema": "brimline/error/1", "status": status, "says": says})
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	fmt.Fprintf(w, "<!doctype html>\n<html lang=\"en\"><meta charset=\"utf-8\"><title>%d %s</title>\n<h1>%s</h1>\n<p>%s.</p>\n<p><a href=\"/\">To the bench</a></p>\n</html>\n",
		status, http.StatusText(status), http.StatusText(status), html.EscapeString(says))
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	body, err := json.Marshal(v)
	if err != nil { // every view is made of numbers that JSON can carry
		http.Error(w, "the answer could not be written as JSON: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(append(body, '\n'))
}

// stateView is /api/v1/state, and the stream's "state" event.
type stateView struct {
	Schema        string          `json:"schema"`
	Bench         string          `json:"bench"`
	Simulated     bool            `json:"simulated"`
	Version       string          `json:"version"`
	Boot          int64           `json:"boot"`
	UpS           float64         `json:"up_s"`      // since the daemon started
	ElapsedS      float64         `json:"elapsed_s"` // of the newest sample
	DensityGPerML *float64        `json:"density_g_per_ml"`
	Channels      []channelView   `json:"channels"`
	Store         *StoreStatus    `json:"store"`
	Shipping      *ShippingStatus `json:"shipping"` // null: there is no shared store
	Room          *RoomStatus     `json:"room"`     // null: the store's disk is not watched
	Clock         *ClockStatus    `json:"clock"`    // null: the wall clock is not watched
	Failed        string          `json:"failed"`   // why the daemon is about to end
	Finding       int             `json:"finding"`  // changes when /api/v1/finding does
}

func (s *Server) state() stateView {
	v := stateView{
		Schema: "brimline/state/1", Bench: s.o.Bench, Simulated: s.o.Simulated, Version: s.o.Version, Boot: s.o.Boot,
		UpS: *rounded(s.o.Now().Sub(s.started).Seconds(), 1),
	}
	v.Channels, v.ElapsedS = s.live.view()
	v.ElapsedS = *rounded(v.ElapsedS, 3)
	if d := s.o.DensityGPerML; d > 0 {
		v.DensityGPerML = &d
	}
	if s.o.Store != nil {
		status := s.o.Store()
		v.Store = &status
	}
	if s.o.Shipping != nil {
		status := s.o.Shipping()
		v.Shipping = &status
	}
	if s.o.Room != nil {
		room := s.o.Room()
		v.Room = &room
		if v.Store != nil && !room.WatchRecorded {
			v.Store.OK, v.Store.Says = false, room.Says
		}
	}
	if s.o.Clock != nil {
		clock := s.o.Clock()
		v.Clock = &clock
	}
	s.mu.Lock()
	v.Failed, v.Finding = s.failed, s.findings
	s.mu.Unlock()
	if v.Failed != "" && v.Store != nil && v.Store.OK {
		v.Store.OK, v.Store.Says = false, v.Failed
	}
	return v
}

func (s *Server) serveState(w http.ResponseWriter, _ *http.Request) {
	writeJSON(w, http.StatusOK, s.state())
}

// findingView is /api/v1/finding.
type findingView struct {
	Schema  string   `json:"schema"`
	Number  int      `json:"number"`  // as the state's "finding"
	Finding *Finding `json:"finding"` // null: no fill has ended yet
	Error   string   `json:"error"`   // why the newest one could not be worked out
}

func (s *Server) serveFinding(w http.ResponseWriter, _ *http.Request) {
	s.mu.Lock()
	v := findingView{Schema: "brimline/finding/1", Number: s.findings, Finding: s.finding, Error: s.findError}
	s.mu.Unlock()
	writeJSON(w, http.StatusOK, v)
}

const (
	findingLook  = 500 * time.Millisecond
	findingAfter = 6 * time.Second // rest after a fill: a static window of 5 s, and its writing
	findingLimit = time.Minute
)

// watchFindings asks the Finder once at the start, and again each time a fill has
// ended and its tube has rested.
func (s *Server) watchFindings(ctx context.Context) {
	if s.o.Finder == nil {
		return
	}
	s.find(ctx)
	flowing := make([]bool, len(s.o.Channels))
	var due time.Time // zero: no fill to look at
	tick := time.NewTicker(findingLook)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		views, _ := s.live.view()
		for i, v := range views {
			now := v.State == Flowing || v.State == NearFull && flowing[i] && v.RateGPerMin != nil
			if flowing[i] && !now {
				due = s.o.Now().Add(findingAfter)
			}
			flowing[i] = now
		}
		if !due.IsZero() && !s.o.Now().Before(due) {
			due = time.Time{}
			s.find(ctx)
		}
	}
}

func (s *Server) find(ctx context.Context) {
	limited, cancel := context.WithTimeout(ctx, findingLimit)
	defer cancel()
	f, err := s.o.Finder(limited)
	if ctx.Err() != nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		s.o.Log.Warn("no finding", "error", err)
		s.findError = err.Error()
		s.findings++
		return
	}
	s.findError = ""
	if len(f.Fills) > 0 || f.Says != "" {
		s.finding = &f
	}
	s.findings++
}
