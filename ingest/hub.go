package ingest

import (
	"slices"
	"sync"

	"brimline/rig"
)

// Hub hands live samples to whoever looks on. It never waits for a subscriber: one
// that is slow misses the oldest live samples it had not fetched, and the misses
// are counted. The store misses nothing by it. The zero Hub is ready for use, from
// any goroutine.
type Hub struct {
	mu   sync.Mutex
	subs map[*Subscription]struct{}
}

// Subscription is one looker-on.
type Subscription struct {
	// C gives the samples, batch by batch, in the order they were published. It is
	// closed by Close. The slices are shared between subscribers: read only.
	C <-chan []rig.Sample

	c    chan []rig.Sample
	hub  *Hub
	lost uint64
}

// Subscribe begins a subscription that holds up to batches published batches
// (64 when batches is 0 or less) for a slow reader.
func (h *Hub) Subscribe(batches int) *Subscription {
	if batches <= 0 {
		batches = 64
	}
	c := make(chan []rig.Sample, batches)
	s := &Subscription{C: c, c: c, hub: h}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.subs == nil {
		h.subs = map[*Subscription]struct{}{}
	}
	h.subs[s] = struct{}{}
	return s
}

// Publish hands a copy of the samples to every subscriber, at once.
func (h *Hub) Publish(samples []rig.Sample) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.subs) == 0 || len(samples) == 0 {
		return
	}
	batch := slices.Clone(samples)
	for s := range h.subs {
		// Only this function sends, under the lock: once room is made there is room.
		for sent := false; !sent; {
			select {
			case s.c <- batch:
				sent = true
			default:
				select {
				case old := <-s.c:
					s.lost += uint64(len(old))
				default: // the reader was quicker
				}
			}
		}
	}
}

// Lost is how many live samples this subscriber has missed.
func (s *Subscription) Lost() uint64 {
	s.hub.mu.Lock()
	defer s.hub.mu.Unlock()
	return s.lost
}

// Close ends the subscription and closes C. It may be called twice.
func (s *Subscription) Close() {
	s.hub.mu.Lock()
	defer s.hub.mu.Unlock()
	if _, on := s.hub.subs[s]; on {
		delete(s.hub.subs, s)
		close(s.c)
	}
}
