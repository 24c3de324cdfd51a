package serve

import "slices"

// RoomStatus is how the room on the store's disk stands, and what is done about it.
type RoomStatus struct {
	Level          string   `json:"level"`            // "plenty", "low", "thinning", "stopped"
	WatchRecorded  bool     `json:"watch_recorded"`   // false: only runs are
	RoomBytes      *int64   `json:"room_bytes"`       // for the store, free pages of its file included; null: not known
	PaceBytesPerS  *float64 `json:"pace_bytes_per_s"` // what the store takes; null: not known yet
	LeftS          *float64 `json:"left_s"`           // for how long the room lasts at that pace; null: not known, or for ever
	SkippedSamples uint64   `json:"skipped_samples"`  // not recorded since the start, for want of room
	DeletedByAge   int64    `json:"deleted_by_age"`   // samples of the watch deleted since the start
	DeletedBySpace int64    `json:"deleted_by_space"` // the same, for want of room
	Says           string   `json:"says"`             // what is short and what to do; empty: nothing
}

// roomLevels are the levels by their number.
var roomLevels = []string{"plenty", "low", "thinning", "stopped"}

// ClockStatus is what is believed of the wall clock.
type ClockStatus struct {
	Known       bool   `json:"known"`       // false: dates mean nothing, the clock was never set
	Vouched     bool   `json:"vouched"`     // a time service keeps it right
	Corrections int    `json:"corrections"` // of this boot's wall times since the start
	Says        string `json:"says"`        // empty: nothing to say
}

// keepingMetrics adds what is known of room and clock.
func (s *Server) keepingMetrics(m *Metrics) {
	if s.o.Room != nil {
		gauge := func(name, help string, value func(RoomStatus) *float64) {
			m.Gauge(name, help, func(set Emit) {
				if x := value(s.o.Room()); x != nil {
					set(*x)
				}
			})
		}
		always := func(x float64) *float64 { return &x }
		gauge("brimline_store_room_bytes", "Room left for the store, free pages of its file included.", func(r RoomStatus) *float64 {
			if r.RoomBytes == nil {
				return nil
			}
			return always(float64(*r.RoomBytes))
		})
		gauge("brimline_store_room_left_seconds", "How long that room lasts at the store's present pace.", func(r RoomStatus) *float64 { return r.LeftS })
		gauge("brimline_store_room_level", "0 plenty, 1 low, 2 the watch's oldest raw samples make way, 3 the watch is stopped.", func(r RoomStatus) *float64 { return always(float64(slices.Index(roomLevels, r.Level))) })
		gauge("brimline_watch_recorded", "1 while what belongs to no run is recorded, 0 when there is no room for it.", func(r RoomStatus) *float64 { return always(oneIf(r.WatchRecorded)) })
		m.Counter("brimline_samples_skipped_total", "Samples of the watch that were not recorded for want of room.", func(set Emit) { set(float64(s.o.Room().SkippedSamples)) })
		m.Counter("brimline_raw_samples_deleted_total", "Raw samples of the watch that were deleted by rule; their summaries stay.", func(set Emit) {
			r := s.o.Room()
			set(float64(r.DeletedByAge), "rule", "age")
			set(float64(r.DeletedBySpace), "rule", "space")
		})
	}
	if s.o.Clock != nil {
		m.Gauge("brimline_clock_known", "1 while the wall clock may be right, 0 while it was never set.", func(set Emit) { set(oneIf(s.o.Clock().Known)) })
		m.Counter("brimline_clock_corrections_total", "Corrections of this boot's wall times.", func(set Emit) { set(float64(s.o.Clock().Corrections)) })
	}
}
