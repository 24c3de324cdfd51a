package outlet_test

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"brimline/rig"
	"brimline/rig/hx711"
	"brimline/rig/outlet"
	"brimline/rig/simbench"
)

// world is a simulated bench with valves, its drivers, and the outlets on its pins.
type world struct {
	bench   *simbench.Bench
	outlets *simbench.Outlets
	sensors []rig.Sensor
	set     *outlet.Set
	guard   *outlet.Guard
	start   time.Duration
}

func newWorld(t *testing.T, change func(w *simbench.World, o *simbench.OutletOptions)) world {
	t.Helper()
	return newWorldAt(t, 80, change)
}

func newWorldAt(t *testing.T, sps int, change func(w *simbench.World, o *simbench.OutletOptions)) world {
	t.Helper()
	w, fit := simbench.DefaultWorld(), simbench.OutletOptions{}
	w.RatesMLPerMin = []float64{60, 30, 24}
	if change != nil {
		change(&w, &fit)
	}
	bench, err := simbench.New(simbench.Options{Seed: 1, Channels: 3, SPS: sps, World: &w})
	if err != nil {
		t.Fatal(err)
	}
	x := world{bench: bench}
	if x.outlets, err = bench.FitOutlets(fit); err != nil {
		t.Fatal(err)
	}
	var o outlet.Options
	var under []outlet.Tube
	for ch := range 3 {
		sck, dout, clk := bench.Line(ch)
		s, err := hx711.New(sck, dout, clk, hx711.Options{SPS: sps})
		if err != nil {
			t.Fatal(err)
		}
		x.sensors = append(x.sensors, s)
		name := fmt.Sprintf("tube%d", ch+1)
		v, err := outlet.NewValve(name, x.outlets.Valve(ch), false)
		if err != nil {
			t.Fatal(err)
		}
		o.Valves = append(o.Valves, v)
		truth, err := bench.Truth(ch, 0, time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		under = append(under, outlet.Tube{Channel: ch, Name: name, ZeroCounts: truth.ZeroCounts, CountsPerGram: truth.CountsPerGram,
			DensityGPerML: w.DensityGPerML, CapacityML: 100})
	}
	if o.Heartbeat, err = outlet.NewHeartbeat(x.outlets.Heartbeat()); err != nil {
		t.Fatal(err)
	}
	if o.Alarm, err = outlet.NewAlarm(x.outlets.Alarm(), false); err != nil {
		t.Fatal(err)
	}
	if x.set, err = outlet.NewSet(o); err != nil {
		t.Fatal(err)
	}
	x.guard = newGuard(t, under...)
	run, err := bench.StartRun(simbench.RunPlan{Flow: time.Hour}) // the engine runs all the time
	if err != nil {
		t.Fatal(err)
	}
	x.start = run.Start
	return x
}

func (x *world) levelML(t *testing.T, ch int) float64 {
	t.Helper()
	now := x.bench.Now()
	truth, err := x.bench.Truth(ch, x.start, now)
	if err != nil {
		t.Fatal(err)
	}
	return truth.MassG / truth.DensityGPerML
}

// read acquires for a while; each sample is put into the guard, then into the
// outlets, and what the guard says releases the valves.
func (x *world) read(t *testing.T, d time.Duration) (said []*outlet.Stop) {
	t.Helper()
	var mu sync.Mutex
	err := rig.Acquire(t.Context(), x.sensors, sinkFunc(func(s []rig.Sample) error {
		mu.Lock()
		defer mu.Unlock()
		var stop *outlet.Stop
		if err := x.guard.Put(s); errors.As(err, &stop) { // it is never another error
			said = append(said, stop)
			if stop.Cause == outlet.Rising {
				return x.set.Sound()
			}
			x.guard.Released(stop.At, 2*time.Second)
			return x.set.Release()
		}
		return x.set.Put(s)
	}), rig.AcquireOptions{Until: x.bench.Now() + d})
	if err != nil {
		t.Fatal(err)
	}
	return said
}

func (x *world) collect(t *testing.T) {
	t.Helper()
	x.read(t, 3*time.Second)
	x.guard.Begin(x.bench.Now())
	if err := x.set.Collect([]int{0, 1, 2}); err != nil {
		t.Fatal(err)
	}
}

func TestBenchStopsBeforeATubeIsTooFull(t *testing.T) {
	x := newWorld(t, nil)
	x.collect(t)
	said := x.read(t, 120*time.Second)
	if len(said) != 1 || said[0].Cause != outlet.Full || said[0].Channel != 0 {
		t.Fatalf("the guard said %v, want tube1 full", said)
	}
	if mL := x.levelML(t, 0); mL < 82 || mL > 85 {
		t.Errorf("tube1 holds %.2f mL after the stop, want at most 85 and not much less", mL)
	} else {
		t.Logf("tube1 holds %.2f mL, stopped at %v", mL, said[0].At)
	}
	if x.outlets.Collects(0) || x.outlets.Collects(2) || x.outlets.Sounding() {
		t.Error("a valve stays powered, or the alarm sounds")
	}
	if mL := x.levelML(t, 2); mL < 20 {
		t.Errorf("tube3 holds %.1f mL: what was collected so far is gone", mL)
	}
}

func TestBenchStuckValveSoundsTheAlarm(t *testing.T) {
	x := newWorld(t, nil)
	if err := x.outlets.Stick(0, true); err != nil {
		t.Fatal(err)
	}
	x.collect(t)
	said := x.read(t, 95*time.Second)
	if len(said) != 2 || said[1].Cause != outlet.Rising || said[1].Channel != 0 {
		t.Fatalf("the guard said %v, want tube1 full and then rising", said)
	}
	if !x.outlets.Sounding() {
		t.Error("the alarm is quiet")
	}
	late := said[1].At - said[0].At
	if late > 7*time.Second || x.outlets.Collects(1) || x.outlets.Collects(2) {
		t.Errorf("told %v after the stop, want 7 s at most; valves 2 and 3 collect: %v, %v", late, x.outlets.Collects(1), x.outlets.Collects(2))
	}
	t.Logf("told %v after the stop", late)
}

// The process dies: its valve pins stay as they were, and nothing feeds the heartbeat.
func TestBenchDeadProcessDropsTheValves(t *testing.T) {
	for _, drain := range []bool{false, true} {
		x := newWorld(t, func(_ *simbench.World, o *simbench.OutletOptions) { o.Drain = drain })
		x.collect(t)
		x.read(t, 10*time.Second)
		if !x.outlets.Collects(0) {
			t.Fatal("tube1 does not collect")
		}
		before := x.levelML(t, 0)
		if err := x.bench.Advance(outlet.MaxHold); err != nil {
			t.Fatal(err)
		}
		for ch := range 3 {
			if x.outlets.Collects(ch) {
				t.Errorf("tube%d still collects %v after the process died", ch+1, outlet.MaxHold)
			}
		}
		if err := x.bench.Advance(10 * time.Minute); err != nil {
			t.Fatal(err)
		}
		after := x.levelML(t, 0)
		if drain && after > 0.5 {
			t.Errorf("the drain valve left %.2f mL", after)
		}
		if !drain && (after < before || after > before+1) { // 60 mL/min for under 1 s
			t.Errorf("tube1 held %.2f mL when the process died and %.2f mL ten minutes later", before, after)
		}
	}
}

// The config says 100 mL, the tubes hold 40: what runs over is little, and is told.
func TestBenchWrongCapacity(t *testing.T) {
	x := newWorld(t, func(w *simbench.World, _ *simbench.OutletOptions) { w.TubeML = 40 })
	x.collect(t)
	said := x.read(t, 120*time.Second)
	if len(said) != 1 || said[0].Cause != outlet.Plateau || said[0].Channel != 0 || !strings.Contains(said[0].Error(), "capacity_ml") {
		t.Fatalf("the guard said %v, want that tube1 rises no more", said)
	}
	if mL := x.outlets.SpiltML(0); mL < 1 || mL > 6 {
		t.Errorf("%.1f mL ran over, want 6 at most at 60 mL/min", mL)
	} else {
		t.Logf("%.1f mL ran over", mL)
	}
	if x.outlets.Collects(0) {
		t.Error("the valve stays powered")
	}
}

// The program loses the processor again and again, so that readings are discarded and
// converters reset: neither valves nor guard mind.
func TestBenchPreemptionDropsNothing(t *testing.T) {
	for _, sps := range []int{10, 80} {
		x := newWorldAt(t, sps, func(w *simbench.World, _ *simbench.OutletOptions) { w.RatesMLPerMin = []float64{10, 9, 11} })
		for ch := range 3 {
			if err := x.bench.SetFault(ch, simbench.Fault{StallsPerOp: 3e-4}); err != nil { // 4 % of readings
				t.Fatal(err)
			}
		}
		x.collect(t)
		if said := x.read(t, 180*time.Second); len(said) > 0 {
			t.Errorf("%d SPS: the guard said %v", sps, said)
		}
		discarded := uint64(0)
		for _, s := range x.sensors {
			m := s.(*hx711.Sensor).Misreads()
			discarded += m.Overrun + m.Slipped + m.Late
		}
		if !x.outlets.Collects(0) || !x.outlets.Collects(1) || !x.outlets.Collects(2) {
			t.Errorf("%d SPS: a valve was dropped", sps)
		}
		if discarded < 20 {
			t.Errorf("%d SPS: only %d readings were discarded", sps, discarded)
		}
		t.Logf("%d SPS: %d readings discarded", sps, discarded)
	}
}

// A plug is pulled while fuel is collected.
func TestBenchUnpluggedChannel(t *testing.T) {
	x := newWorld(t, func(w *simbench.World, _ *simbench.OutletOptions) { w.RatesMLPerMin = []float64{10, 9, 11} })
	x.collect(t)
	x.read(t, 10*time.Second)
	if err := x.bench.SetFault(1, simbench.Fault{Unplugged: true}); err != nil {
		t.Fatal(err)
	}
	pulled := x.bench.Now()
	said := x.read(t, 10*time.Second)
	if len(said) != 1 || said[0].Cause != outlet.Lost || said[0].Channel != 1 {
		t.Fatalf("the guard said %v, want that tube2 is lost", said)
	}
	if late := said[0].At - pulled; late > 2200*time.Millisecond || x.outlets.Collects(0) {
		t.Errorf("told after %v, want 2 s; valve 1 collects: %v", late, x.outlets.Collects(0))
	}
}
