package serve

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"
)

const (
	pointsEvery  = 200 * time.Millisecond
	stateEvery   = 2                // times pointsEvery; also the stream's heartbeat
	merged       = 5                // steps in one point of the past
	resumeWithin = 10 * time.Second // an outage up to this is filled in with full points
	writeWithin  = 5 * time.Second  // a viewer that takes no bytes for so long is let go
)

// serveLive streams server-sent events:
//
//	event: state    the body of /api/v1/state, every 400 ms, samples or none
//	event: points   pointsView, every 200 ms if there are new ones; its id is
//	                BOOT-NUMBER, the first point that it does not hold
//
// A viewer that comes gets the last five minutes in points of 500 ms first. One
// that comes back with Last-Event-ID of this boot gets what it missed; any other id
// is taken as none.
func (s *Server) serveLive(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Accel-Buffering", "no") // a proxy must not hold events back
	if r.Method == http.MethodHead {
		return
	}
	select {
	case s.viewers <- struct{}{}:
		defer func() { <-s.viewers }()
	default:
		w.Header().Del("X-Accel-Buffering")
		w.Header().Set("Retry-After", "10")
		problem(w, r, http.StatusServiceUnavailable, fmt.Sprintf("%d pages are looking on already; close one", maxViewers))
		return
	}
	out := &events{w: w, rc: http.NewResponseController(w)}
	next := s.resume(out, r.Header.Get("Last-Event-ID"))
	tick := time.NewTicker(pointsEvery)
	defer tick.Stop()
	for n := 0; out.err == nil; n++ {
		if n%stateEvery == 0 {
			out.send("state", "", s.state())
		}
		if ready := s.live.ready(); ready > next {
			out.points(s, next, ready, 1)
			next = ready
		}
		out.flush()
		select {
		case <-r.Context().Done():
			return
		case <-s.done:
			return
		case <-tick.C:
		}
	}
}

// resume sends the past that a viewer lacks and returns the point to go on from.
func (s *Server) resume(out *events, lastID string) int64 {
	io.WriteString(out.w, "retry: 1000\n\n")
	ready := s.live.ready()
	from := max(0, ready-kept+merged) // the oldest may be overwritten while it is read
	if boot, number, ok := parseID(lastID); ok && boot == s.o.Boot && number <= ready && number >= from {
		if time.Duration(ready-number)*step <= resumeWithin {
			return number
		}
		from = number
	}
	from -= from % merged
	to := ready - ready%merged
	if to > from {
		out.points(s, from, to, merged)
	}
	return max(to, from)
}

func parseID(id string) (boot, number int64, ok bool) {
	b, n, found := strings.Cut(id, "-")
	boot, err1 := strconv.ParseInt(b, 10, 64)
	number, err2 := strconv.ParseInt(n, 10, 64)
	return boot, number, found && err1 == nil && err2 == nil
}

// events writes server-sent events and remembers the first error.
type events struct {
	w   http.ResponseWriter
	rc  *http.ResponseController
	err error
}

func (e *events) points(s *Server, from, to, merge int64) {
	v := s.live.points(from, to, merge)
	v.Boot = s.o.Boot
	e.send("points", fmt.Sprintf("%d-%d", s.o.Boot, to), v)
}

func (e *events) send(event, id string, v any) {
	if e.err != nil {
		return
	}
	data, err := json.Marshal(v)
	if err != nil {
		e.err = err
		return
	}
	// A recorder in a test has no deadline to set; a connection always has.
	_ = e.rc.SetWriteDeadline(time.Now().Add(writeWithin))
	if id != "" {
		id = "id: " + id + "\n"
	}
	_, e.err = fmt.Fprintf(e.w, "event: %s\n%sdata: %s\n\n", event, id, data)
}

func (e *events) flush() {
	if e.err == nil {
		e.err = e.rc.Flush()
	}
}
