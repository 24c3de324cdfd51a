package store

import (
	"errors"
	"math"
	"path/filepath"
	"testing"

	"brimline/ingest"
)

func TestConditions(t *testing.T) {
	ctx := t.Context()
	s := mustOpen(t, filepath.Join(t.TempDir(), "a.db"))
	engine := no(s.AddEngine(ctx, ingest.Engine{Label: "Tractor 3", Injectors: 2, DistanceUnit: "h", InjectorType: "solenoid"}))(t)
	test := no(s.AddTest(ctx, ingest.Test{EngineID: engine, Label: "T1", Phase: "baseline", Odometer: math.NaN(), Fuel: ingest.Fuel{TempC: math.NaN()}}))(t)
	in := []ingest.Condition{{TestID: test, Name: "rail pressure", Unit: "bar", Value: 281.5}, {TestID: test, Run: 2, Injector: 1, Name: "correction", Unit: "mg/stroke", Value: -0.25}}
	if err := s.AddConditions(ctx, in); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []ingest.Condition{{TestID: test, Name: "x", Unit: "u", Value: math.NaN()}, {TestID: test, Name: "x", Unit: "u", Value: math.Inf(1)}, {TestID: 99, Name: "x", Unit: "u"}} {
		if err := s.AddConditions(ctx, []ingest.Condition{{TestID: test, Name: "good", Unit: "u"}, bad}); err == nil {
			t.Errorf("kept %+v", bad)
		}
	}
	if err := s.AddConditions(ctx, in[:1]); !errors.Is(err, ErrConflict) {
		t.Errorf("a second: %v", err)
	}
	in[0].ID, in[1].ID = 1, 2
	got := no(s.Conditions(ctx, test))(t)
	same(t, "conditions", got, in)
	row := no(s.BookRow(ctx, ingest.BookCondition, 2))(t)
	same(t, "row of the book", row.(ingest.Condition), in[1])
	if cs := no(s.BookChanges(ctx, false, 0, 99))(t); cs[len(cs)-1].Kind != ingest.BookCondition || cs[len(cs)-1].ID != 2 {
		t.Errorf("changes of the book: %+v", cs)
	}
}
