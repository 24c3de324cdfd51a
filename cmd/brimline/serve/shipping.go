package serve

import "time"

// ShippingStatus is how the copy in a shared InfluxDB stands.
type ShippingStatus struct {
	Target       string     `json:"target"` // without its token
	OK           bool       `json:"ok"`     // nothing holds it up and nothing was refused
	State        string     `json:"state"`
	Says         string     `json:"says"`          // what holds it up or was refused, and what to do; empty when OK
	BehindPoints int64      `json:"behind_points"` // not yet there
	BehindS      float64    `json:"behind_s"`      // seconds of readings they are, of the tube that lacks most
	Sent         int64      `json:"sent"`          // points acknowledged since the daemon started
	Failures     int64      `json:"failures"`      // requests that failed since then
	Aside        int64      `json:"aside"`         // points that the server refused for good
	Gone         int64      `json:"gone"`          // samples deleted here before they were sent
	LastSuccess  *time.Time `json:"last_success"`  // null: none since the daemon started
}

// shippingMetrics adds the shared store's metrics.
func (s *Server) shippingMetrics(m *Metrics) {
	gauge := func(name, help string, value func(ShippingStatus) float64) {
		m.Gauge(name, help, func(set Emit) { set(value(s.o.Shipping())) })
	}
	gauge("brimline_influx_ok", "1 while nothing holds up the copy to the shared store and it refused nothing.", func(x ShippingStatus) float64 { return oneIf(x.OK) })
	m.Gauge("brimline_influx_state", "What the copy to the shared store does, and why it does not go on; always 1.", func(set Emit) {
		x := s.o.Shipping()
		set(1, "target", x.Target, "state", x.State, "why", shortened(x.Says, 300))
	})
	gauge("brimline_influx_behind_points", "Points that the shared store does not have yet.", func(x ShippingStatus) float64 { return float64(x.BehindPoints) })
	gauge("brimline_influx_behind_seconds", "Seconds of readings that it does not have yet, of the tube that lacks most; time with the bench off is not counted.", func(x ShippingStatus) float64 { return x.BehindS })
	gauge("brimline_influx_aside_points", "Points that the shared store refused for good and that are set aside here.", func(x ShippingStatus) float64 { return float64(x.Aside) })
	gauge("brimline_influx_gone_points", "Samples that were deleted here to save space before the shared store had them.", func(x ShippingStatus) float64 { return float64(x.Gone) })
	m.Counter("brimline_influx_sent_points_total", "Points that the shared store acknowledged.", func(set Emit) { set(float64(s.o.Shipping().Sent)) })
	m.Counter("brimline_influx_failures_total", "Requests to the shared store that failed.", func(set Emit) { set(float64(s.o.Shipping().Failures)) })
	m.Gauge("brimline_influx_last_success_timestamp_seconds", "When the shared store last acknowledged, as Unix time.", func(set Emit) {
		if at := s.o.Shipping().LastSuccess; at != nil {
			set(float64(at.UnixMilli()) / 1000)
		}
	})
}

// shortened is text of at most n runes.
func shortened(text string, n int) string {
	if r := []rune(text); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return text
}
