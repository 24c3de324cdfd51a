package main

import (
	"errors"
	"io"
	"slices"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"

	"brimline/rig"
	"brimline/rig/outlet"
)

// dumbPin is an output to which nothing is wired.
type dumbPin struct{ gpio.PinOut }

func (dumbPin) Out(gpio.Level) error { return nil }

// The person does not take the flow off, and the converter of the tube that rises is
// lost: its level stays, and that is no rest. The alarm sounds on.
func TestAlarmSoundsOnWhereTheLevelIsLost(t *testing.T) {
	alarm, err := outlet.NewAlarm(dumbPin{}, false)
	if err != nil {
		t.Fatal(err)
	}
	set, err := outlet.NewSet(outlet.Options{Alarm: alarm})
	if err != nil {
		t.Fatal(err)
	}
	const countsPerML = 1600
	r := &benchRun{set: set, recorder: sinkOf(func([]rig.Sample) error { return nil }), show: newShow(io.Discard),
		channels: []int{0, 1}, names: []string{"tube1", "tube2"}, capacity: []float64{100, 100},
		still: 5 * time.Second, duration: 20 * time.Second, wait: time.Minute, interrupted: func() bool { return false }}
	defer r.show.close()
	var tubes []outlet.Tube
	for ch, name := range r.names {
		tubes = append(tubes, outlet.Tube{Channel: ch, Name: name, CountsPerGram: 2000, DensityGPerML: countsPerML / 2000.0, CapacityML: 100})
	}
	if r.guard, err = outlet.NewGuard(tubes...); err != nil {
		t.Fatal(err)
	}
	var sounded, ended time.Duration
	for i := 0; ended == 0; i++ {
		at := time.Duration(i) * time.Second / 80
		if at > 20*time.Minute {
			t.Fatal("the run does not end")
		}
		rose := max(0, at.Seconds()-10) / 6
		set := []rig.Sample{{Channel: 0}, {Channel: 1}}
		for ch, mL := range []float64{rose, min(rose, 4)} {
			set[ch].Reading = rig.Reading{Elapsed: at, Counts: int32(countsPerML*mL) + int32(i%7)}
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
