package store_test

import (
	"context"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"time"

	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig"
)

// A run from the bench to the store and back.
func Example() {
	dir, err := os.MkdirTemp("", "")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	if err := keepARun(context.Background(), filepath.Join(dir, "bench.db")); err != nil {
		log.Fatal(err)
	}
	// Output:
	// run 1 of T1: injector 3 on tube1, 800 samples from 0 s to 9.9875 s
}

func keepARun(ctx context.Context, path string) error {
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return err
	}
	defer s.Close()
	boot, err := s.NewBoot(ctx, time.Now(), []rig.Channel{{Name: "tube1", CapacityML: 100}})
	if err != nil {
		return err
	}
	engine, err := s.AddEngine(ctx, ingest.Engine{Label: "Sprayer 2", Injectors: 4, FiringOrder: "1-3-4-2", DistanceUnit: "h", InjectorType: "solenoid"})
	if err != nil {
		return err
	}
	test, err := s.AddTest(ctx, ingest.Test{EngineID: engine, Label: "T1", Phase: "baseline", At: time.Now(), Odometer: 4120})
	if err != nil {
		return err
	}
	hanging, err := s.AddHanging(ctx, ingest.Hanging{TestID: test})
	if err != nil {
		return err
	}
	run, err := s.StartRun(ctx, ingest.Run{TestID: test, HangingID: hanging.ID, BootID: boot.ID, Planned: 10 * time.Second,
		Positions: []ingest.PositionOn{{Channel: "tube1", Injector: 3}}})
	if err != nil {
		return err
	}

	rec := ingest.NewRecorder(s, boot.ID, ingest.RecorderOptions{})
	for i := range 800 { // rig.Acquire does this
		elapsed := time.Duration(i) * 12500 * time.Microsecond
		if err := rec.Put([]rig.Sample{{Seq: uint64(i), Reading: rig.Reading{Elapsed: elapsed, Counts: int32(9 * i)}}}); err != nil {
			return err
		}
	}
	if err := rec.Close(); err != nil { // all is durable
		return err
	}
	if err := s.EndRun(ctx, run.ID, 10*time.Second); err != nil {
		return err
	}

	kept, err := s.Test(ctx, "T1")
	if err != nil {
		return err
	}
	runs, err := s.Runs(ctx, kept.ID)
	if err != nil {
		return err
	}
	series, err := s.RunSeries(ctx, runs[0])
	if err != nil {
		return err
	}
	x := series[0].Samples
	fmt.Printf("run %d of %s: injector %d on %s, %d samples from %g s to %g s\n", runs[0].Number, kept.Label,
		runs[0].Positions[0].Injector, series[0].Channel.Name, len(x), x[0].Elapsed.Seconds(), x[len(x)-1].Elapsed.Seconds())
	return nil
}
