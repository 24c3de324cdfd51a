package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"
)

// show writes to the terminal from a goroutine of its own, so that one that is slow, or
// halted with Ctrl-S, never holds up the readings that keep the valves powered.
type show struct {
	out   io.Writer
	fd    int
	tty   bool
	every time.Duration // of the samples' clock, between live lines

	mu    sync.Mutex
	said  []string // lines that wait to be written
	live  string
	fresh bool // live waits to be written
	wake  chan struct{}
	done  chan struct{}
	quit  bool
}

func newShow(out io.Writer) *show {
	s := &show{out: out, every: 30 * time.Second, wake: make(chan struct{}, 1), done: make(chan struct{})}
	if f, ok := out.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		s.fd, s.tty, s.every = int(f.Fd()), true, time.Second/2
	}
	go s.write()
	return s
}

// say adds a line.
func (s *show) say(format string, a ...any) {
	s.put(func() { s.said = append(s.said, fmt.Sprintf(format, a...)) })
}

// sayWriter takes a log's lines.
type sayWriter struct{ *show }

func (w sayWriter) Write(line []byte) (int, error) {
	w.say("  %s", strings.TrimSuffix(string(line), "\n"))
	return len(line), nil
}

// wrap adds text in lines of up to 78 columns.
func (s *show) wrap(lead, text string) {
	var b strings.Builder
	wrapTo(&b, lead, text)
	s.say("%s", strings.TrimSuffix(b.String(), "\n"))
}

// now sets the live line: refreshed in place on a terminal, else one more line.
func (s *show) now(text string) {
	s.put(func() {
		if s.tty {
			s.live, s.fresh = text, true
		} else {
			s.said = append(s.said, text)
		}
	})
}

func (s *show) put(change func()) {
	s.mu.Lock()
	change()
	s.mu.Unlock()
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// ended takes the live line's last state as a line of its own.
func (s *show) ended() {
	s.put(func() {
		if s.tty && s.live != "" {
			s.said = append(s.said, s.live)
			s.live, s.fresh = "", false
		}
	})
}

// close writes what waits and ends the goroutine. It may be called twice; what is said
// after it is lost.
func (s *show) close() {
	s.put(func() { s.quit = true })
	<-s.done
}

func (s *show) write() {
	defer close(s.done)
	const clear = "\r\x1b[K"
	shown := false // a live line stands on the terminal
	for {
		s.mu.Lock()
		said, live, fresh, quit := s.said, s.live, s.fresh, s.quit
		s.said, s.fresh = nil, false
		s.mu.Unlock()
		var b strings.Builder
		if shown && (len(said) > 0 || fresh) {
			b.WriteString(clear)
			shown = false
		}
		for _, line := range said {
			b.WriteString(line + "\n")
		}
		if live != "" && (fresh || len(said) > 0) {
			b.WriteString(s.cut(live))
			shown = true
		}
		// Nobody can be told that the terminal is gone; the run goes on without it.
		_, _ = io.WriteString(s.out, b.String())
		if quit {
			if shown {
				_, _ = io.WriteString(s.out, "\n")
			}
			return
		}
		<-s.wake
	}
}

// cut shortens a live line to the terminal's width: one that wraps cannot be refreshed.
func (s *show) cut(line string) string {
	width, _, err := term.GetSize(s.fd)
	r := []rune(line)
	if err != nil || width < 2 || len(r) < width {
		return line
	}
	return string(r[:width-1])
}
