package outlet_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/physic"

	"brimline/rig"
	"brimline/rig/outlet"
)

var errPin = errors.New("broken on purpose")

// levelPin is an output that remembers its level.
type levelPin struct {
	name string
	mu   sync.Mutex
	l    gpio.Level
}

func (p *levelPin) String() string                        { return "{\n\t" + p.name + "\n}" } // as a real pin's
func (p *levelPin) Name() string                          { return p.name }
func (p *levelPin) Number() int                           { return 0 }
func (p *levelPin) Function() string                      { return "" }
func (p *levelPin) Halt() error                           { return nil }
func (p *levelPin) PWM(gpio.Duty, physic.Frequency) error { return errPin }

func (p *levelPin) Out(v gpio.Level) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.l = v
	return nil
}

func (p *levelPin) Read() gpio.Level {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.l
}

// pins makes pins that count their operations together; the failing one fails once.
type pins struct {
	mu   sync.Mutex
	ops  int
	fail int // the operation that fails, from 1
}

type testPin struct {
	levelPin
	all    *pins
	broken bool // it failed: what it does is not known
}

func (p *pins) pin(name string) *testPin { return &testPin{levelPin: levelPin{name: name}, all: p} }

func (p *testPin) Out(v gpio.Level) error {
	p.all.mu.Lock()
	p.all.ops++
	failed := p.all.ops == p.all.fail
	p.all.mu.Unlock()
	if p.broken = failed; failed {
		return errPin
	}
	return p.levelPin.Out(v)
}

// fitted is three valves, a heartbeat and an alarm.
type fitted struct {
	valvePins   []*testPin
	beat, alarm *testPin
	valves      []*outlet.Valve
	set         *outlet.Set
}

func fit(p *pins) (f fitted, err error) {
	for ch := range 3 {
		pin := p.pin(fmt.Sprintf("V%d", ch+1))
		f.valvePins = append(f.valvePins, pin)
		v, err := outlet.NewValve(fmt.Sprintf("tube%d", ch+1), pin, false)
		if err != nil {
			return f, err
		}
		f.valves = append(f.valves, v)
	}
	f.beat, f.alarm = p.pin("BEAT"), p.pin("ALARM")
	beat, err := outlet.NewHeartbeat(f.beat)
	if err != nil {
		return f, err
	}
	alarm, err := outlet.NewAlarm(f.alarm, false)
	if err != nil {
		return f, err
	}
	f.set, err = outlet.NewSet(outlet.Options{Valves: f.valves, Heartbeat: beat, Alarm: alarm})
	return f, err
}

// benchSet is a set whose pins do nothing.
func benchSet(t testing.TB, channels int) *outlet.Set {
	t.Helper()
	o := outlet.Options{}
	for ch := range channels {
		v, err := outlet.NewValve(fmt.Sprint("tube", ch+1), &levelPin{}, false)
		if err != nil {
			t.Fatal(err)
		}
		o.Valves = append(o.Valves, v)
	}
	var err error
	if o.Heartbeat, err = outlet.NewHeartbeat(&levelPin{}); err != nil {
		t.Fatal(err)
	}
	set, err := outlet.NewSet(o)
	if err != nil {
		t.Fatal(err)
	}
	return set
}

func sample(ch int, at time.Duration) []rig.Sample {
	return []rig.Sample{{Channel: ch, Reading: rig.Reading{Elapsed: at}}}
}

// Every operation of a run fails once, each in its turn: the error says which pin, and
// no valve stays powered whose own pin can be driven.
func TestPinErrorAtEachOperation(t *testing.T) {
	operate := func(p *pins) (f fitted, err error) {
		if f, err = fit(p); err != nil {
			return f, err
		}
		defer func() { err = errors.Join(err, f.set.Close()) }()
		if err := f.set.Collect([]int{0, 1, 2}); err != nil {
			return f, err
		}
		for i := range 12 {
			for ch := range 3 {
				if err := f.set.Put(sample(ch, time.Duration(i)*25*time.Millisecond)); err != nil {
					return f, err
				}
			}
		}
		if err := errors.Join(f.set.Sound(), f.set.Release()); err != nil {
			return f, err
		}
		return f, nil
	}
	var whole pins
	f, err := operate(&whole)
	if err != nil {
		t.Fatal(err)
	}
	for i, v := range f.valves {
		if v.State() != outlet.Released || f.valvePins[i].Read() != gpio.Low {
			t.Errorf("valve %d is %v after a whole run", i+1, v.State())
		}
	}
	if whole.ops < 20 {
		t.Fatalf("a run has %d operations, too few to be one", whole.ops)
	}
	for k := 1; k <= whole.ops; k++ {
		f, err := operate(&pins{fail: k})
		if !errors.Is(err, errPin) {
			t.Errorf("operation %d failed: %v", k, err)
			continue
		}
		if !strings.Contains(err.Error(), "pin ") || !strings.Contains(err.Error(), "config") {
			t.Errorf("operation %d: the error names no pin or no next step: %v", k, err)
		}
		if strings.Contains(err.Error(), "{") {
			t.Errorf("operation %d: the error does not name the pin plainly: %v", k, err)
		}
		for i, p := range f.valvePins {
			if !p.broken && p.Read() != gpio.Low {
				t.Errorf("operation %d failed, and valve %d stays powered", k, i+1)
			}
			if p.broken && i < len(f.valves) && f.valves[i].State() != outlet.Unknown {
				t.Errorf("operation %d: valve %d failed and claims to be %v", k, i+1, f.valves[i].State())
			}
		}
	}
	t.Logf("%d operations", whole.ops)
}

func TestPolarity(t *testing.T) {
	for _, activeLow := range []bool{false, true} {
		p := &levelPin{l: gpio.Level(!activeLow)}
		v, err := outlet.NewValve("tube1", p, activeLow)
		if err != nil {
			t.Fatal(err)
		}
		if v.State() != outlet.Released || p.Read() != gpio.Level(activeLow) {
			t.Errorf("active low %v: a new valve is %v, its pin %v", activeLow, v.State(), p.Read())
		}
		if err := v.Collect(); err != nil || v.State() != outlet.Powered || p.Read() != gpio.Level(!activeLow) {
			t.Errorf("active low %v: collecting it is %v, its pin %v, %v", activeLow, v.State(), p.Read(), err)
		}
	}
	if _, err := outlet.NewValve("tube1", nil, false); err == nil {
		t.Error("a valve without a pin was taken")
	}
	v, err := outlet.NewValve("tube1", &levelPin{}, false)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := outlet.NewSet(outlet.Options{Valves: []*outlet.Valve{nil, v}}); err == nil || !strings.Contains(err.Error(), "heartbeat") {
		t.Errorf("a valve without a heartbeat: %v", err)
	}
}

func newBeat(t *testing.T) (*outlet.Heartbeat, *levelPin) {
	t.Helper()
	p := &levelPin{name: "BEAT"}
	h, err := outlet.NewHeartbeat(p)
	if err != nil {
		t.Fatal(err)
	}
	return h, p
}

// The heartbeat's pulses come from samples of every channel that collects, and of
// nothing else.
func TestHeartbeatFollowsSamples(t *testing.T) {
	put := func(h *outlet.Heartbeat, periodMS, fromMS, toMS int, channels ...int) error {
		for ms := fromMS; ms < toMS; ms += periodMS {
			for _, ch := range channels {
				if err := h.Put(sample(ch, time.Duration(ms)*time.Millisecond)); err != nil {
					return err
				}
			}
		}
		return nil
	}
	h, _ := newBeat(t)
	if err := put(h, 12, 0, 1000, 0, 1); err != nil || h.Pulses() != 0 {
		t.Errorf("%d pulses before Begin, %v", h.Pulses(), err)
	}
	if err := h.Begin([]int{0, 2}); err != nil {
		t.Fatal(err)
	}
	if err := put(h, 12, 5000, 6000, 0, 1, 2); err != nil || h.Pulses() < 15 || h.Pulses() > 20 {
		t.Errorf("%d pulses in 1 s at 80 SPS, want one for every 50 to 65 ms; %v", h.Pulses(), err)
	}
	before := h.Pulses()
	err := put(h, 12, 6000, 8000, 0, 1)
	var lapse *outlet.Lapse
	if !errors.As(err, &lapse) || lapse.Silent != 2 {
		t.Errorf("channel 2 is silent, the heartbeat says %v", err)
	}
	if n := h.Pulses() - before; n > 1 {
		t.Errorf("%d pulses without channel 2", n)
	}
	if err := put(h, 12, 8000, 9000, 0, 2); err != nil || h.Pulses()-before > 1 {
		t.Errorf("after a lapse it began again by itself: %d pulses, %v", h.Pulses()-before, err)
	}
	if err := h.Begin([]int{0}); err != nil {
		t.Fatal(err)
	}
	// 10 SPS with a converter that is reset after a misread: silent for 0.42 s.
	if err := errors.Join(put(h, 104, 10_000, 12_000, 0), put(h, 104, 12_420, 14_000, 0)); err != nil {
		t.Errorf("a reset at 10 SPS: %v", err)
	}
	if err := h.Put(sample(0, 15*time.Second)); !errors.As(err, &lapse) || lapse.Pause < outlet.MinHold {
		t.Errorf("a loop that hung for a second: %v", err)
	}
	if err := h.Begin(nil); err == nil {
		t.Error("a heartbeat of no channel was taken")
	}
}

// A lapse releases the valves in software too.
func TestLapseReleases(t *testing.T) {
	f, err := fit(&pins{})
	if err != nil {
		t.Fatal(err)
	}
	if err := f.set.Collect([]int{0, 1}); err != nil {
		t.Fatal(err)
	}
	if f.valves[0].State() != outlet.Powered || f.valves[2].State() != outlet.Released {
		t.Fatalf("valves are %v and %v", f.valves[0].State(), f.valves[2].State())
	}
	var lapse *outlet.Lapse
	if err := errors.Join(f.set.Put(sample(0, 0)), f.set.Put(sample(0, time.Second))); !errors.As(err, &lapse) {
		t.Errorf("a second without channel 1: %v", err)
	}
	if f.valves[0].State() != outlet.Released || f.valves[1].State() != outlet.Released {
		t.Error("valves stay powered after a lapse")
	}
}

// ticking is a Sensor that gives a reading every 10 ms of real time.
type ticking struct{ start time.Time }

func (s *ticking) Read(ctx context.Context, dst []rig.Reading) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(10 * time.Millisecond):
	}
	dst[0] = rig.Reading{Elapsed: time.Since(s.start)}
	return nil
}
func (s *ticking) Channels() int  { return 1 }
func (s *ticking) String() string { return "ticking" }
func (s *ticking) Halt() error    { return nil }

type sinkFunc func([]rig.Sample) error

func (f sinkFunc) Put(s []rig.Sample) error { return f(s) }

// A panic in the loop reaches whoever runs it, past every deferred release.
func TestPanicReleases(t *testing.T) {
	f, err := fit(&pins{})
	if err != nil {
		t.Fatal(err)
	}
	begun := time.Now()
	sensors := []rig.Sensor{&ticking{begun}, &ticking{begun}, &ticking{begun}}
	var n atomic.Int32
	panicked := func() (told any) {
		defer func() { told = recover() }()
		defer f.set.Close()
		if err := f.set.Collect([]int{0, 1, 2}); err != nil {
			t.Fatal(err)
		}
		err := rig.Acquire(t.Context(), sensors, sinkFunc(func(s []rig.Sample) error {
			if n.Add(1) == 20 {
				panic("a fault in the program")
			}
			return f.set.Put(s)
		}), rig.AcquireOptions{})
		t.Errorf("the run went on and ended with %v", err)
		return nil
	}()
	if text, _ := panicked.(string); !strings.Contains(text, "a fault in the program") || !strings.Contains(text, "outlet_test.go") {
		t.Errorf("the panic was told as %v", panicked)
	}
	for i, v := range f.valves {
		if v.State() != outlet.Released || f.valvePins[i].Read() != gpio.Low {
			t.Errorf("valve %d is %v after a panic", i+1, v.State())
		}
	}
}

// filePin notes each level in a file, so that another process can look on.
type filePin struct {
	levelPin
	f *os.File
}

func (p *filePin) Out(v gpio.Level) error {
	_, err := p.f.WriteString(map[gpio.Level]string{gpio.Low: "0", gpio.High: "1"}[v])
	return err
}

const childFile = "OUTLET_TEST_CHILD"

// TestMain runs the child of TestKilledProcess: a bench that collects for ever.
func TestMain(m *testing.M) {
	name := os.Getenv(childFile)
	if name == "" {
		os.Exit(m.Run())
	}
	fmt.Fprintln(os.Stderr, collectForEver(name))
	os.Exit(1)
}

func collectForEver(name string) error {
	f, err := os.OpenFile(name, os.O_APPEND|os.O_WRONLY|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	beat, err := outlet.NewHeartbeat(&filePin{f: f})
	if err != nil {
		return err
	}
	valve, err := outlet.NewValve("tube1", &levelPin{}, false)
	if err != nil {
		return err
	}
	set, err := outlet.NewSet(outlet.Options{Valves: []*outlet.Valve{valve}, Heartbeat: beat})
	if err != nil {
		return err
	}
	defer set.Close()
	if err := set.Collect([]int{0}); err != nil {
		return err
	}
	return rig.Acquire(context.Background(), []rig.Sensor{&ticking{time.Now()}}, set, rig.AcquireOptions{})
}

// A process that is killed gives no pulse more, and nothing of it is left that could.
func TestKilledProcess(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "heartbeat")
	child := exec.Command(self)
	child.Env = append(os.Environ(), childFile+"="+file)
	var says strings.Builder
	child.Stderr = &says
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	levels := func() int64 {
		info, err := os.Stat(file)
		if err != nil {
			return 0
		}
		return info.Size()
	}
	for begun := time.Now(); levels() < 12; time.Sleep(10 * time.Millisecond) {
		if time.Since(begun) > 20*time.Second {
			_ = child.Process.Kill()
			_ = child.Wait()
			t.Fatalf("the child gave %d pulses in 20 s: %s", levels(), says.String())
		}
	}
	if err := child.Process.Kill(); err != nil { // SIGKILL
		t.Fatal(err)
	}
	if err := child.Wait(); err == nil || !strings.Contains(err.Error(), "killed") {
		t.Errorf("the child ended with %v", err)
	}
	at := levels()
	time.Sleep(6 * outlet.BeatEvery)
	if n := levels() - at; n != 0 {
		t.Errorf("%d pulses after the process was killed", n)
	}
}
