package serve

import (
	"bytes"
	"fmt"
	"io"
	"maps"
	"net/http"
	"slices"
	"strings"
	"sync"

	"github.com/VictoriaMetrics/metrics"

	"brimline/rig"
)

// Metrics are what /metrics tells a monitoring system, in the Prometheus text format.
// Names end in their unit, counters in _total. Any goroutine may call its methods.
//
//	server.Metrics().Gauge("brimline_disk_free_bytes", "Room left.", func(set Emit) { set(free, "disk", "/") })
type Metrics struct {
	mu       sync.Mutex
	families []family
}

// Emit gives one value with its labels, name and value by turns. NaN is left out.
type Emit func(value float64, labels ...string)

type family struct {
	name, help, kind string
	collect          func(Emit)
}

// Gauge adds a value that goes up and down. collect is called at each scrape and must not
// wait for anything slow. A name that is taken is the programmer's fault and panics.
func (m *Metrics) Gauge(name, help string, collect func(Emit)) { m.add(name, help, "gauge", collect) }

// Counter adds a count that only grows until the program ends; its name ends in _total.
func (m *Metrics) Counter(name, help string, collect func(Emit)) {
	m.add(name, help, "counter", collect)
}

func (m *Metrics) add(name, help, kind string, collect func(Emit)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if slices.ContainsFunc(m.families, func(f family) bool { return f.name == name }) {
		panic("serve: the metric " + name + " is there already")
	}
	m.families = append(m.families, family{name, help, kind, collect})
}

// write writes all families. Their help is written here, as the library writes none.
func (m *Metrics) write(w io.Writer) {
	m.mu.Lock()
	families := slices.Clone(m.families)
	m.mu.Unlock()
	for _, f := range families {
		fmt.Fprintf(w, "# HELP %s %s\n# TYPE %s %s\n", f.name, f.help, f.name, f.kind)
		f.collect(func(value float64, labels ...string) {
			name := f.name + labelText(labels)
			switch {
			case value != value: // what is not known is left out
			case f.kind == "counter":
				metrics.WriteCounterFloat64(w, name, value)
			default:
				metrics.WriteGaugeFloat64(w, name, value)
			}
		})
	}
}

var labelEscape = strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`)

func labelText(labels []string) string {
	if len(labels) == 0 {
		return ""
	}
	var parts []string
	for pair := range slices.Chunk(labels, 2) {
		parts = append(parts, pair[0]+`="`+labelEscape.Replace(strings.ToValidUTF8(pair[1], "\uFFFD"))+`"`)
	}
	return "{" + strings.Join(parts, ",") + "}"
}

func (m *Metrics) serve(w http.ResponseWriter, _ *http.Request) {
	var b bytes.Buffer
	m.write(&b)
	w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.Write(b.Bytes())
}

// Metrics is where other parts of the daemon add what they have to tell.
func (s *Server) Metrics() *Metrics { return s.metrics }

// oneIf is 1 for true and 0 for false.
func oneIf(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// ownMetrics is what the server itself knows: the daemon, its channels, the store, and
// how far the shared store is behind.
func (s *Server) ownMetrics() *Metrics {
	m := &Metrics{}
	m.Gauge("brimline_info", "The program and the bench; always 1.", func(set Emit) {
		set(1, "version", s.o.Version, "bench", s.o.Bench, "simulated", fmt.Sprint(s.o.Simulated))
	})
	m.Gauge("brimline_uptime_seconds", "How long the daemon has run.", func(set Emit) { set(s.o.Now().Sub(s.started).Seconds()) })
	m.Gauge("brimline_healthy", "1 while the daemon records, 0 when it is about to end because it cannot.", func(set Emit) {
		s.mu.Lock()
		defer s.mu.Unlock()
		set(oneIf(s.failed == ""))
	})
	m.Counter("brimline_channel_readings_total", "Readings of a channel since the daemon started, by quality.", func(set Emit) {
		views, _ := s.live.view()
		for _, v := range views {
			for _, quality := range slices.Sorted(maps.Keys(v.Readings)) {
				set(float64(v.Readings[quality]), "channel", v.Name, "quality", quality)
			}
		}
	})
	m.Gauge("brimline_channel_age_seconds", "Age of a channel's newest good reading.", func(set Emit) {
		views, _ := s.live.view()
		for _, v := range views {
			if v.AgeS != nil {
				set(*v.AgeS, "channel", v.Name)
			}
		}
	})
	m.Gauge("brimline_channel_ok", "1 while a channel's health is ok.", func(set Emit) {
		views, _ := s.live.view()
		for _, v := range views {
			if v.Health != nil {
				set(oneIf(v.Health.State == rig.HealthOK.String()), "channel", v.Name)
			}
		}
	})
	if s.o.Store != nil {
		m.Counter("brimline_samples_stored_total", "Samples that the store took since the daemon started.", func(set Emit) { set(float64(s.o.Store().Stored)) })
		m.Gauge("brimline_store_bytes", "Size of the store's file and its log.", func(set Emit) { set(float64(s.o.Store().Bytes)) })
		m.Gauge("brimline_disk_free_bytes", "Room left on the store's disk.", func(set Emit) {
			if free := s.o.Store().FreeBytes; free >= 0 {
				set(float64(free))
			}
		})
	}
	if s.o.Shipping != nil {
		s.shippingMetrics(m)
	}
	s.keepingMetrics(m)
	return m
}
