package rig_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"brimline/rig"
)

// stream makes the samples of one channel.
type stream struct {
	channel int
	sps     float64
	white   float64
	rng     *rand.Rand
	t       time.Duration
	seq     uint64
}

func (s *stream) next(q rig.Quality, counts float64) rig.Sample {
	s.t += time.Duration(float64(time.Second) / s.sps)
	x := rig.Sample{Channel: s.channel, Seq: s.seq, Reading: rig.Reading{Elapsed: s.t, Quality: q}}
	if q.HasCounts() {
		x.Counts = int32(counts)
	}
	s.seq++
	return x
}

// sound is a cell that fills at 100 mL/min with the noise given.
func (s *stream) sound() rig.Sample {
	return s.next(rig.Good, 50_000+3000*s.t.Seconds()+s.white*s.rng.NormFloat64())
}

func TestHealthTellsFaultsApart(t *testing.T) {
	faults := []struct {
		want  rig.HealthState
		says  string
		fault func(s *stream) rig.Sample
	}{
		{rig.HealthStalled, "nothing new", func(s *stream) rig.Sample {
			s.t += 490 * time.Millisecond
			return s.next(rig.Stalled, 0)
		}},
		{rig.HealthAbsent, "no converter has answered", func(s *stream) rig.Sample { return s.next(rig.Absent, 0) }},
		{rig.HealthStuck, "the code 4711 again", func(s *stream) rig.Sample { return s.next(rig.Good, 4711) }},
		{rig.HealthSaturated, "end of its range", func(s *stream) rig.Sample { return s.next(rig.Saturated, 0x7FFFFF) }},
		{rig.HealthNoisy, "counts rms", func(s *stream) rig.Sample {
			return s.next(rig.Good, 50_000+20*s.white*s.rng.NormFloat64())
		}},
		{rig.HealthMisreading, "broke a rule", func(s *stream) rig.Sample {
			if s.rng.Float64() < 0.6 {
				return s.next(rig.Misread, 0)
			}
			return s.sound()
		}},
	}
	for _, rate := range []struct{ sps, white float64 }{{10, 60}, {80, 150}, {320, 300}} {
		for _, f := range faults {
			h := rig.NewHealth([]rig.HealthChannel{{SPS: rate.sps}, {SPS: rate.sps}})
			bad := &stream{channel: 0, sps: rate.sps, white: rate.white, rng: rand.New(rand.NewPCG(1, 2))}
			well := &stream{channel: 1, sps: rate.sps, white: rate.white, rng: rand.New(rand.NewPCG(3, 4))}
			put := func(x rig.Sample) {
				if err := h.Put([]rig.Sample{x}); err != nil {
					t.Fatal(err)
				}
			}
			upTo := func(end time.Duration, next func(*stream) rig.Sample, each func()) {
				for bad.t < end {
					put(next(bad))
					for well.t < bad.t {
						put(well.sound())
					}
					each()
				}
			}
			upTo(20*time.Second, (*stream).sound, func() {
				if bad.t > time.Second {
					if v := h.Of(0, bad.t); v.State != rig.HealthOK || v.Reason != "" {
						t.Fatalf("%g SPS, sound at %v: %v, %q", rate.sps, bad.t, v.State, v.Reason)
					}
				}
			})
			if v := h.Of(0, bad.t); math.Abs(v.WhiteCounts/rate.white-1) > 0.5 {
				t.Errorf("%g SPS: white noise of %.0f counts, want %.0f within the half that 0.7 s can tell", rate.sps, v.WhiteCounts, rate.white)
			}
			begin := bad.t
			told := time.Duration(0)
			upTo(begin+10*time.Second, f.fault, func() {
				v := h.Of(0, bad.t)
				if v.State == f.want && told == 0 {
					told = bad.t - begin
					if !strings.Contains(v.Reason, f.says) {
						t.Errorf("%v: reason %q, want %q in it", f.want, v.Reason, f.says)
					}
				}
				if told > 0 && v.State != f.want {
					t.Fatalf("%g SPS: %v after %v, was %v", rate.sps, v.State, bad.t-begin, f.want)
				}
			})
			if told == 0 || told > 2*time.Second {
				t.Errorf("%g SPS: %v was told after %v, want within 2 s", rate.sps, f.want, told)
			}
			v := h.Of(0, bad.t)
			if since := v.Since - begin; since < -time.Second || since > 2*time.Second {
				t.Errorf("%v since %v after it began", f.want, since)
			}
			if v := h.Of(1, well.t); v.State != rig.HealthOK {
				t.Errorf("%v: the other channel is %v", f.want, v.State)
			}
			upTo(bad.t+5*time.Second, (*stream).sound, func() {})
			if v := h.Of(0, bad.t); v.State != rig.HealthOK {
				t.Errorf("%v, then sound again for 5 s: %v", f.want, v.State)
			}
		}
	}
}

func TestHealthIsNotAlarmed(t *testing.T) {
	for _, c := range []struct {
		name   string
		opt    rig.HealthChannel
		sample func(s *stream) rig.Sample
	}{
		{"a mass put on each 5 s", rig.HealthChannel{SPS: 10}, func(s *stream) rig.Sample {
			return s.next(rig.Good, 200_000*math.Floor(s.t.Seconds()/5)+60*s.rng.NormFloat64())
		}},
		{"one misread in twenty", rig.HealthChannel{SPS: 80}, func(s *stream) rig.Sample {
			if s.seq%20 == 7 {
				return s.next(rig.Misread, 0)
			}
			return s.sound()
		}},
		{"late by two periods on a shared clock line now and then", rig.HealthChannel{SPS: 80}, func(s *stream) rig.Sample {
			if s.seq%25 == 24 {
				s.t += 31 * time.Millisecond
				return s.next(rig.Stalled, 0)
			}
			return s.sound()
		}},
		{"a coarse converter at rest", rig.HealthChannel{SPS: 80, Coarse: true}, func(s *stream) rig.Sample { return s.next(rig.Good, 815) }},
		{"a reset now and then", rig.HealthChannel{SPS: 10}, func(s *stream) rig.Sample {
			switch s.seq % 40 {
			case 7:
				return s.next(rig.Misread, 0)
			case 8, 9, 10, 11:
				return s.next(rig.Settling, 50_000)
			}
			return s.sound()
		}},
	} {
		h := rig.NewHealth([]rig.HealthChannel{c.opt})
		s := &stream{sps: c.opt.SPS, white: 60, rng: rand.New(rand.NewPCG(5, 6))}
		for s.t < time.Minute {
			if err := h.Put([]rig.Sample{c.sample(s)}); err != nil {
				t.Fatal(err)
			}
			if v := h.Of(0, s.t); v.State.Bad() {
				t.Fatalf("%s: %v at %v: %s", c.name, v.State, s.t, v.Reason)
			}
		}
	}
}

func TestHealthCounts(t *testing.T) {
	h := rig.NewHealth([]rig.HealthChannel{{SPS: 10}})
	if v := h.Of(0, time.Hour); v.State != rig.HealthWaiting || !math.IsNaN(v.WhiteCounts) {
		t.Errorf("before the first reading: %+v", v)
	}
	s := &stream{sps: 10, white: 60, rng: rand.New(rand.NewPCG(7, 8))}
	put := func(x rig.Sample) {
		if err := h.Put([]rig.Sample{x}); err != nil {
			t.Fatal(err)
		}
	}
	put(s.next(rig.Settling, 1))
	if v := h.Of(0, s.t); v.State != rig.HealthSettling {
		t.Errorf("first reading settling: %v", v.State)
	}
	for range 20 {
		put(s.sound())
	}
	s.t += 400 * time.Millisecond // a hole of five periods
	put(s.sound())
	put(s.next(rig.Misread, 0))
	slow := rig.NewHealth([]rig.HealthChannel{{SPS: 320}}) // four that take turns
	for i := range 400 {
		if err := slow.Put([]rig.Sample{{Reading: rig.Reading{Elapsed: time.Duration(i+1) * time.Second / 80, Counts: int32(i * i)}}}); err != nil {
			t.Fatal(err)
		}
	}
	if v := slow.Of(0, 5*time.Second); v.Gaps != 0 {
		t.Errorf("a converter that comes at a quarter of its rate: %d gaps", v.Gaps)
	}
	v := h.Of(0, s.t)
	if v.Gaps != 1 || v.ByQuality[rig.Good] != 21 || v.ByQuality[rig.Misread] != 1 || v.LastGood != s.t-100*time.Millisecond {
		t.Errorf("%+v, want one gap, 21 good, one misread", v)
	}
	if v := h.Of(0, s.t+time.Minute); v.State != rig.HealthStalled || v.Since != s.t || !strings.Contains(v.Reason, "60.0 s") {
		t.Errorf("a minute without a reading: %v since %v: %s", v.State, v.Since, v.Reason)
	}
	if v := h.Of(3, s.t); v.State != rig.HealthWaiting {
		t.Errorf("a channel that does not exist: %v", v.State)
	}
	put(rig.Sample{Channel: 9})
}

func TestHealthAllocatesNothing(t *testing.T) {
	h := rig.NewHealth(make([]rig.HealthChannel, 1))
	s := &stream{sps: 80, white: 150, rng: rand.New(rand.NewPCG(9, 9))}
	batch := make([]rig.Sample, 1)
	if n := testing.AllocsPerRun(1000, func() {
		batch[0] = s.sound()
		if err := h.Put(batch); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations a sample, want 0", n)
	}
}

func BenchmarkHealth(b *testing.B) {
	h := rig.NewHealth(make([]rig.HealthChannel, 1))
	s := &stream{sps: 80, white: 150, rng: rand.New(rand.NewPCG(9, 9))}
	batch := make([]rig.Sample, 1000)
	for i := range batch {
		batch[i] = s.sound()
	}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		for i := range batch {
			batch[i].Elapsed += time.Duration(len(batch)) * time.Second / 80
		}
		if err := h.Put(batch); err != nil {
			b.Fatal(err)
		}
		n += len(batch)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/sample")
}
