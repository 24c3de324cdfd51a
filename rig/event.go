package rig

import (
	"sync"
	"time"
)

// Event is something that befell a converter and that a person should know, beside
// what the readings' Quality says.
type Event struct {
	Elapsed time.Duration // monotonic, since the boot's start
	Channel int           // of the sensor, from 0; from Acquirer.Events, of the bench
	TareDue bool          // the zero may have moved: tare before the next run
	Says    string        // one sentence: what happened, and what to do
}

// Teller is a Sensor that has Events to tell.
type Teller interface {
	// Events returns what happened since it was last called, oldest first. Any
	// goroutine may call it, also while another is in Read.
	Events() []Event
}

// maxEvents is how many untold events an EventLog keeps.
const maxEvents = 16

// EventLog keeps a sensor's events until they are asked for: the newest sixteen, and
// every older one whose tare is due as the TareDue of the oldest kept. The zero value
// is empty and ready; any goroutine may use it.
type EventLog struct {
	mu     sync.Mutex
	events []Event
}

// Tell adds an event.
func (l *EventLog) Tell(e Event) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.events) == maxEvents {
		l.events[1].TareDue = l.events[1].TareDue || l.events[0].TareDue
		l.events = append(l.events[:0], l.events[1:]...)
	}
	l.events = append(l.events, e)
}

// Events returns the events and forgets them.
func (l *EventLog) Events() []Event {
	l.mu.Lock()
	defer l.mu.Unlock()
	out := l.events
	l.events = nil
	return out
}
