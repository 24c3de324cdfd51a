package exchange

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"brimline/ingest"
)

func TestReadReadings(t *testing.T) {
	for _, c := range []struct{ name, in string }{
		{"as the design has it", "# invented\nengine,date,phase,hanging,run,injector,volume_ml,duration_s,u_ml,odometer\n" +
			"Sprayer 1,2026-03-02,baseline,1,2,3,30,180,0.5,1204\n"},
		{"any order, semicolons, quotes, an empty cell", "injector;run;hanging;phase;\"date\";ENGINE;odometer;rate_ml_per_min;volume_ml;duration_s;u_ml\r\n" +
			"3;2;1;baseline;2026-03-02;\"Sprayer 1\";1204;10,05;30,0;180;0,5\r\n"},
	} {
		got, err := ReadReadings(strings.NewReader(c.in), "hand.csv")
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if len(got) != 1 {
			t.Fatalf("%s: %d readings", c.name, len(got))
		}
		h := got[0]
		if h.Engine != "Sprayer 1" || h.Date.Format("2006-01-02") != "2026-03-02" || h.Phase != "baseline" || h.Hanging != "1" || h.Run != "2" || h.Injector != "3" {
			t.Errorf("%s: %+v", c.name, h)
		}
		// 30 mL in 180 s is 10 mL/min; 0.5 mL of it 1/6 mL/min.
		if h.RateMLPerMin != 10 || math.Abs(h.UMLPerMin-1.0/6) > 1e-12 || h.Odometer != 1204 || h.VolumeML != 30 || h.DurationS != 180 {
			t.Errorf("%s: %+v", c.name, h)
		}
	}
	noted, err := ReadReadings(strings.NewReader("engine;date;phase;hanging;run;injector;rate_ml_per_min;coolant_c;fuel_temp_c;correction_mg_per_stroke\nA;2026-03-02;after;1;1;1;9,5;;38,5;-0,25\n"), "hand.csv")
	want := []ingest.Condition{{Name: "fuel temperature", Unit: "°C", Value: 38.5}, {Name: "correction", Unit: "mg/stroke", Value: -0.25}}
	if err != nil || !slices.Equal(noted[0].Conditions, want) {
		t.Errorf("conditions %+v, %v", noted, err)
	}
	got, err := ReadReadings(strings.NewReader("engine,date,phase,hanging,run,injector,rate_ml_per_min\nA,2026-03-02,after,1,1,1,0\n"), "hand.csv")
	if err != nil || got[0].RateMLPerMin != 0 || got[0].Line != 2 || !math.IsNaN(got[0].VolumeML) || !math.IsNaN(got[0].Odometer) || got[0].UMLPerMin != 0 {
		t.Errorf("a rate alone: %+v, %v", got, err)
	}
}

func TestReadReadingsRefuses(t *testing.T) {
	const head = "engine,date,phase,hanging,run,injector,volume_ml,duration_s,rate_ml_per_min,u_ml,odometer\n"
	const row = "A,2026-03-02,baseline,1,1,1,30,180,,,\n"
	for _, c := range []struct {
		name, in string
		line     int
		column   string
		part     string
	}{
		{"empty", "", 0, "", "empty"},
		{"only a header", head, 1, "", "nothing below"},
		{"no header", row, 1, "", "begin it with: engine,date"},
		{"curves", "elapsed_s,a_g\n0,1\n", 1, "", "no header of hand readings"},
		{"misspelt", strings.Replace(head, "duration_s", "duraton_s", 1), 1, "", "did you mean duration_s?"},
		{"column twice", "engine,engine\n", 1, "", "twice"},
		{"no hanging", "engine,date,phase,run,injector,rate_ml_per_min\n", 1, "", "the column hanging is missing; add it (taking"},
		{"no date", "engine,phase,hanging,run,injector,rate_ml_per_min\n", 1, "", "the column date is missing"},
		{"nothing measured", "engine,date,phase,hanging,run,injector,volume_ml\n", 1, "", "neither volume_ml with duration_s"},
		{"copy", head + row + row, 3, "injector", "on line 2 already"},
		{"no phase", head + "A,2026-03-02,,1,1,1,30,180\n", 2, "phase", "nothing here"},
		{"date", head + "A,02.03.2026,b,1,1,1,30,180\n", 2, "date", `"02.03.2026": not a date; write it as YYYY-MM-DD`},
		{"old date", head + "A,0202-03-02,b,1,1,1,30,180\n", 2, "date", "the year"},
		{"text", head + "A,2026-03-02,b,1,1,1,30 ml,180\n", 2, "volume_ml", "not a number"},
		{"negative", head + "A,2026-03-02,b,1,1,1,-30,180\n", 2, "volume_ml", "less than zero"},
		{"zero duration", head + "A,2026-03-02,b,1,1,1,30,0\n", 2, "duration_s", "zero"},
		{"NaN", head + "A,2026-03-02,b,1,1,1,NaN,180\n", 2, "volume_ml", "not a finite"},
		{"no volume", head + "A,2026-03-02,b,1,1,1,,180\n", 2, "volume_ml", "neither a volume"},
		{"no duration", head + "A,2026-03-02,b,1,1,1,30,\n", 2, "duration_s", "neither a volume"},
		{"no rate", "engine,date,phase,hanging,run,injector,rate_ml_per_min\nA,2026-03-02,b,1,1,1,\n", 2, "rate_ml_per_min", "neither a volume"},
		{"rate disagrees", head + "A,2026-03-02,b,1,1,1,30,180,11\n", 2, "rate_ml_per_min", "give 10 mL/min"},
		{"u without duration", head + "A,2026-03-02,b,1,1,1,,,10,0.5\n", 2, "u_ml", "without a duration"},
		{"speed of a slip", strings.TrimSpace(head) + ",engine_speed_per_min\nA,2026-03-02,b,1,1,1,30,180,,,,80000\n", 2, "engine_speed_per_min", "not between 0 and 10000"},
		{"condition as text", strings.TrimSpace(head) + ",coolant_c\nA,2026-03-02,b,1,1,1,30,180,,,,warm\n", 2, "coolant_c", "not a number"},
		{"correction twice", strings.TrimSpace(head) + ",correction_mg_per_stroke,correction_mm3_per_stroke\nA,2026-03-02,b,1,1,1,30,180,,,,0.1,0.1\n", 2, "correction_mm3_per_stroke", "in mg/stroke already"},
		{"overflow", head + "A,2026-03-02,b,1,1,1,1e308,1e-9\n", 2, "duration_s", "too large"},
		{"more fields", head + "A,2026-03-02,b,1,1,1,30,180,10,1,1,7\n", 2, "field 12", "12 fields and the header 11"},
		{"not UTF-8", head + "M\xfcller,2026-03-02,b,1,1,1,30,180\n", 2, "", "UTF-8"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ReadReadings(strings.NewReader(c.in), "hand.csv")
			wantInput(t, err, c.line, c.column, c.part)
		})
	}
}

func FuzzReadReadings(f *testing.F) {
	f.Add("engine,date,phase,hanging,run,injector,volume_ml,duration_s\nA,2026-03-02,b,1,1,1,30,180\n")
	f.Add("injector;run;hanging;phase;date;engine;rate_ml_per_min;u_ml;duration_s\n1;1;1;\"a;b\";2026-03-02;A;10,5;1;60\n")
	f.Fuzz(func(t *testing.T, in string) {
		got, err := ReadReadings(strings.NewReader(in), "hand.csv")
		if err != nil {
			var e *InputError
			if !errors.As(err, &e) || e.Next == "" {
				t.Fatalf("not an InputError: %v", err)
			}
			return
		}
		for _, h := range got {
			if !(h.RateMLPerMin >= 0) || math.IsInf(h.RateMLPerMin, 0) || !(h.UMLPerMin >= 0) || h.DurationS <= 0 || h.Engine == "" || h.Injector == "" || h.Line < 2 {
				t.Fatalf("%+v", h)
			}
		}
	})
}
