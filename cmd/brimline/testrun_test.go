package main

import (
	"bytes"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"brimline/rig"
	"brimline/rig/outlet"
)

// dumbPin is an output to which nothing is wired. It fails when it should.
type dumbPin struct {
	gpio.PinOut
	fails *bool
}

func (p dumbPin) Out(gpio.Level) error {
	if p.fails != nil && *p.fails {
		return errors.New("broken on purpose")
	}
	return nil
}

func (dumbPin) Name() string { return "P1" }

const bareCountsPerML = 1600

// bareRun is a run of two tubes without valves.
func bareRun(t *testing.T, set *outlet.Set, said io.Writer) *benchRun {
	t.Helper()
	r := &benchRun{set: set, recorder: sinkOf(func([]rig.Sample) error { return nil }), show: newShow(said),
		channels: []int{0, 1}, names: []string{"tube1", "tube2"}, capacity: []float64{100, 100},
		still: 5 * time.Second, duration: 20 * time.Second, wait: time.Minute, interrupted: func() bool { return false }}
	var tubes []outlet.Tube
	for ch, name := range r.names {
		tubes = append(tubes, outlet.Tube{Channel: ch, Name: name, CountsPerGram: 2000, DensityGPerML: bareCountsPerML / 2000.0, CapacityML: 100})
	}
	var err error
	if r.guard, err = outlet.NewGuard(tubes...); err != nil {
		t.Fatal(err)
	}
	return r
}

// bareAlarm is the outputs of a bench that has an alarm alone.
func bareAlarm(t *testing.T) (*outlet.Alarm, *outlet.Set) {
	t.Helper()
	alarm, err := outlet.NewAlarm(dumbPin{}, false)
	if err != nil {
		t.Fatal(err)
	}
	set, err := outlet.NewSet(outlet.Options{Alarm: alarm})
	if err != nil {
		t.Fatal(err)
	}
	return alarm, set
}

// A person was asked to start the flow, and before it is seen a converter is lost: its tube
// may be the one that fills. The alarm sounds, and says what to do.
func TestAlarmBeforeTheFlowIsSeen(t *testing.T) {
	alarm, set := bareAlarm(t)
	var said bytes.Buffer
	r := bareRun(t, set, &said)
	var sounded, ended time.Duration
	for i := 0; ended == 0; i++ {
		at := time.Duration(i) * time.Second / 80
		set := []rig.Sample{{Channel: 0}, {Channel: 1}}
		for ch := range set {
			set[ch].Reading = rig.Reading{Elapsed: at, Counts: int32(i % 7)}
		}
		if at > 8*time.Second {
			set[1].Quality, set[1].Counts = rig.Stalled, 0
		}
		if errors.Is(r.Put(set), errRunOver) {
			ended = at
		} else if sounded == 0 && alarm.State() == outlet.Powered {
			sounded = at
		}
	}
	r.show.close()
	if word, _ := r.stopped(); word != "guard" || sounded == 0 || ended-sounded < r.still {
		t.Errorf("stopped by %q; the alarm sounded at %v, until %v", word, sounded, ended)
	}
	if !strings.Contains(said.String(), "If the flow is on, stop it NOW") {
		t.Errorf("it did not say what to do:\n%s", &said)
	}
}

// The acquisition fails where a person holds the flow: it is said that nothing watches.
func TestBrokenAcquisitionIsTold(t *testing.T) {
	var said bytes.Buffer
	_, set := bareAlarm(t)
	r := bareRun(t, set, &said)
	r.cut(io.ErrUnexpectedEOF) // before anything was begun
	r.stage, r.flowed, r.flowAt, r.elapsed = stageCollect, true, 20*time.Second, 30*time.Second
	r.cut(io.ErrUnexpectedEOF)
	r.show.close()
	if r.collected() != 10*time.Second || r.byUser {
		t.Errorf("%v collected, want 10 s; by the user: %v", r.collected(), r.byUser)
	}
	// Ctrl-C, and no samples that could end the run.
	r.cut(nil)
	if word, _ := r.stopped(); word != "user" || r.collected() != 10*time.Second {
		t.Errorf("ended by Ctrl-C: %q, %v collected", word, r.collected())
	}
	if n := strings.Count(said.String(), "Stop the flow NOW"); n != 1 {
		t.Errorf("told %d times, want once:\n%s", n, &said)
	}
}

// putUntil feeds a run until it is over; at says what the channels read at a time.
func putUntil(t *testing.T, r *benchRun, at func(elapsed time.Duration) []rig.Reading) (over time.Duration) {
	t.Helper()
	for i := range 80 * 600 {
		elapsed := time.Duration(i) * time.Second / 80
		var set []rig.Sample
		for ch, reading := range at(elapsed) {
			reading.Elapsed = elapsed
			set = append(set, rig.Sample{Channel: ch, Reading: reading})
		}
		if len(set) == 0 {
			continue
		}
		if err := r.Put(set); errors.Is(err, errRunOver) {
			return elapsed
		} else if err != nil {
			t.Fatal(err)
		}
	}
	t.Fatal("the run does not end")
	return 0
}

// living is a reading of an empty tube.
func living(at time.Duration) rig.Reading { return rig.Reading{Counts: int32(at/time.Millisecond) % 7} }

// A channel that gives no level from the beginning ends the run before anything flows.
func TestRunWithoutALevel(t *testing.T) {
	_, set := bareAlarm(t)
	r := bareRun(t, set, io.Discard)
	defer r.show.close()
	over := putUntil(t, r, func(at time.Duration) []rig.Reading {
		return []rig.Reading{living(at), {Quality: rig.Absent}}
	})
	word, why := r.stopped()
	if word != "no-level" || !strings.Contains(why, "tube2 gave no good reading") || over > readyWithin+time.Second {
		t.Errorf("%q, %q, over at %v", word, why, over)
	}
}

// The readings pause, or a valve's pin fails: the run so far is kept as failed, the valves are
// released, and where they cannot be the alarm sounds.
func TestRunWhoseOutputsFail(t *testing.T) {
	for name, pinFails := range map[string]bool{"a pause": false, "a pin": true} {
		var fails bool
		alarm, _ := outlet.NewAlarm(dumbPin{}, false)
		beat, _ := outlet.NewHeartbeat(dumbPin{})
		o := outlet.Options{Alarm: alarm, Heartbeat: beat}
		for _, tube := range []string{"tube1", "tube2"} {
			v, err := outlet.NewValve(tube, dumbPin{fails: &fails}, false)
			if err != nil {
				t.Fatal(err)
			}
			o.Valves = append(o.Valves, v)
		}
		set, err := outlet.NewSet(o)
		if err != nil {
			t.Fatal(err)
		}
		var said bytes.Buffer
		r := bareRun(t, set, &said)
		sounded := false
		putUntil(t, r, func(at time.Duration) []rig.Reading {
			sounded = sounded || alarm.State() == outlet.Powered
			fails = pinFails && at > 10*time.Second && !sounded
			if at > 10*time.Second && at < 11*time.Second {
				return nil
			}
			return []rig.Reading{living(at), living(at)}
		})
		r.show.close()
		word, why := r.stopped()
		if word != "failure" || !strings.Contains(why, "no pulse for") || !strings.Contains(said.String(), "STOPPED: ") {
			t.Errorf("%s: %q, %q\n%s", name, word, why, &said)
		}
		if sounded != pinFails || strings.Contains(said.String(), "ALARM: outlets: release: valve tube1: driving pin P1") != pinFails {
			t.Errorf("%s: the alarm sounded: %v\n%s", name, sounded, &said)
		}
		for ch, v := range o.Valves {
			if want := map[bool]outlet.State{false: outlet.Released, true: outlet.Unknown}[pinFails]; v.State() != want {
				t.Errorf("%s: valve %d is %v, want %v", name, ch+1, v.State(), want)
			}
		}
	}
}

// The person does not take the flow off, and the converter of the tube that rises is
// lost: its level stays, and that is no rest. The alarm sounds on.
func TestAlarmSoundsOnWhereTheLevelIsLost(t *testing.T) {
	alarm, set := bareAlarm(t)
	r := bareRun(t, set, io.Discard)
	defer r.show.close()
	var sounded, ended time.Duration
	for i := 0; ended == 0; i++ {
		at := time.Duration(i) * time.Second / 80
		if at > 20*time.Minute {
			t.Fatal("the run does not end")
		}
		rose := max(0, at.Seconds()-10) / 6
		set := []rig.Sample{{Channel: 0}, {Channel: 1}}
		for ch, mL := range []float64{rose, min(rose, 4)} {
			set[ch].Reading = rig.Reading{Elapsed: at, Counts: int32(bareCountsPerML*mL) + int32(i%7)}
		}
		if sounded > 0 {
			set[0].Quality, set[0].Counts = rig.Stalled, 0
		}
		err := r.Put(set)
		switch {
		case errors.Is(err, errRunOver):
			ended = at
		case err != nil:
			t.Fatal(err)
		case sounded == 0 && alarm.State() == outlet.Powered:
			sounded = at
		case sounded > 0 && alarm.State() != outlet.Powered:
			t.Fatalf("quiet at %v", at)
		}
	}
	if sounded == 0 || !slices.Equal(r.rising, []string{"tube1"}) || ended-sounded < alarmMost-2*time.Minute {
		t.Errorf("sounded at %v for %v to %v, want until %v after the flow's end", sounded, r.rising, ended, alarmMost)
	}
}
