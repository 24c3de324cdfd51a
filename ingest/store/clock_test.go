package store

import (
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"brimline/ingest"
	"brimline/rig"
)

// setClock is a machine whose wall clock and time service the test sets.
type setClock struct {
	elapsed time.Duration
	zero    time.Time // what the wall clock shows less the elapsed time
	vouched bool
}

func (c *setClock) Now() (time.Time, time.Duration) { return c.zero.Add(c.elapsed), c.elapsed }
func (c *setClock) Synchronised() bool              { return c.vouched }

// A board starts in 1970, and while a run goes on its clock is found, leaps by a year both
// ways, and its time zone changes. Elapsed times are as they were read; what the wall clock
// came to is where the test and its run are dated, and each step is kept.
func TestClockLeapsInARun(t *testing.T) {
	ctx := t.Context()
	local := time.Local
	defer func() { time.Local = local }()
	path := filepath.Join(t.TempDir(), "a.db")
	s := mustOpen(t, path)
	epoch := time.Unix(10, 0).UTC()
	found := time.Date(2026, 4, 9, 7, 30, 0, 0, time.UTC)
	clock := &setClock{zero: epoch}
	boot := no(s.NewBoot(ctx, epoch, tubes(1)))(t)
	watch := ingest.NewClockWatch(boot, clock, s.CorrectBoot, slog.New(slog.DiscardHandler))
	engine := no(s.AddEngine(ctx, ingest.Engine{Label: "Tractor 3", Injectors: 1, DistanceUnit: "h", InjectorType: "solenoid"}))(t)
	test := no(s.AddTest(ctx, ingest.Test{EngineID: engine, Label: "T1", Phase: "baseline", At: epoch.Add(3 * time.Second)}))(t)
	hanging := no(s.AddHanging(ctx, ingest.Hanging{TestID: test}))(t)
	run := no(s.StartRun(ctx, ingest.Run{TestID: test, HangingID: hanging.ID, BootID: boot.ID, Start: 5 * time.Second,
		Positions: []ingest.PositionOn{{Channel: "tube1", Injector: 1}}}))(t)
	rec := ingest.NewRecorder(s, boot.ID, ingest.RecorderOptions{})
	const seconds = 300
	var put []rig.Sample
	for sec := range seconds {
		switch sec {
		case 60: // the network
			clock.zero, clock.vouched = found, true
		case 120:
			clock.zero = found.AddDate(1, 0, 0)
		case 180:
			clock.zero = found
		case 200: // a year that nobody vouches for, and back
			clock.zero, clock.vouched = found.AddDate(-1, 0, 0), false
		case 220:
			time.Local = time.FixedZone("east", 14*3600)
			clock.zero, clock.vouched = found.In(time.Local), true
		case 240:
			time.Local = time.FixedZone("west", -12*3600)
			clock.zero = found.Local()
		}
		for i := range 10 {
			k := sec*10 + i
			put = append(put, rig.Sample{Seq: uint64(k), Reading: rig.Reading{Elapsed: time.Duration(k) * 100 * time.Millisecond, Counts: int32(3 * k)}})
		}
		if err := rec.Put(put[sec*10:]); err != nil {
			t.Fatal(err)
		}
		clock.elapsed = time.Duration(sec+1) * time.Second
		watch.Look(ctx)
	}
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.EndRun(ctx, run.ID, seconds*time.Second); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	r := no(OpenRead(ctx, path))(t)
	defer r.Close()
	series := no(r.RunSeries(ctx, no(r.Run(ctx, run.ID))(t)))(t)
	same(t, "the run's samples", series[0].Samples, put[50:])
	same(t, "boots", no(r.Boots(ctx))(t), []ingest.Boot{{ID: boot.ID, Wall: found, Stored: epoch}})
	if at := no(r.Test(ctx, "T1"))(t).At; !at.Equal(found.Add(3 * time.Second)) {
		t.Errorf("the test is dated %v", at)
	}
	cs := no(r.Corrections(ctx, boot.ID))(t)
	by := []time.Duration{found.Sub(epoch), 365 * 24 * time.Hour, -365 * 24 * time.Hour}
	at := []time.Duration{71 * time.Second, 131 * time.Second, 191 * time.Second} // 10 s after it was first seen
	if len(cs) != 3 {
		t.Fatalf("corrections %+v", cs)
	}
	for i, c := range cs {
		if c.By() != by[i] || c.At != at[i] || c.Who != "clock watch" || c.Why == "" {
			t.Errorf("correction %+v by %v, want by %v at %v", c, c.By(), by[i], at[i])
		}
	}
}
