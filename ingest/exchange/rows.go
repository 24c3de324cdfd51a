package exchange

import "time"

// RateRow is one injector in one run: its rate, what it rests on, and its flags. Pointers
// are nil, and cells empty, where a value is not known.
type RateRow struct {
	Engine       string    `parquet:"engine,dict"`
	Test         string    `parquet:"test,dict"`
	Phase        string    `parquet:"phase,dict"`
	Odometer     *float64  `parquet:"odometer,optional"`
	DistanceUnit string    `parquet:"distance_unit,dict"`
	Hanging      int32     `parquet:"hanging"`
	Run          int32     `parquet:"run"`
	TimeUTC      time.Time `parquet:"time_utc,timestamp(microsecond)"`
	Excluded     string    `parquet:"excluded,dict"`
	Injector     int32     `parquet:"injector"`
	Channel      string    `parquet:"channel,dict"`
	Source       string    `parquet:"source,dict"`
	Kind         string    `parquet:"kind,dict"`
	StartS       *float64  `parquet:"start_s,optional"`
	EndS         *float64  `parquet:"end_s,optional"`
	RateMLPerMin *float64  `parquet:"rate_ml_per_min,optional"`
	UMLPerMin    *float64  `parquet:"u_ml_per_min,optional"`
	U95MLPerMin  *float64  `parquet:"u95_ml_per_min,optional"`
	RateGPerMin  *float64  `parquet:"rate_g_per_min,optional"`
	UGPerMin     *float64  `parquet:"u_g_per_min,optional"`
	U95GPerMin   *float64  `parquet:"u95_g_per_min,optional"`
	DF           *float64  `parquet:"df,optional"`
	Steady       bool      `parquet:"steady"`
	TrendPercent *float64  `parquet:"trend_percent,optional"`
	Samples      int32     `parquet:"samples"`
	Allowed      bool      `parquet:"finding_allowed"`
	Flags        string    `parquet:"flags"`
	FlagsSay     string    `parquet:"flags_say"`
	Fuel         string    `parquet:"fuel,dict"`
	Density      *float64  `parquet:"density_g_per_ml,optional"`
	UDensity     *float64  `parquet:"u_density_g_per_ml,optional"`
	FuelTempC    *float64  `parquet:"fuel_temp_c,optional"`
	AtC          *float64  `parquet:"at_c,optional"`
	Calibration  int64     `parquet:"calibration,optional"` // 0: none
	CalibratedAt time.Time `parquet:"calibration_time_utc,optional,timestamp(microsecond)"`
	Span         *float64  `parquet:"counts_per_unit,optional"`
	USpan        *float64  `parquet:"u_counts_per_unit,optional"`
	SpanUnit     string    `parquet:"calibration_unit,dict"`
	Version      string    `parquet:"version,dict"`
}

// The sources of a rate.
const (
	SourceBench  = "bench"
	SourceHand   = "hand"
	SourceImport = "import"
)

// rateColumns tells, in the order of RateRow, each column's unit and meaning.
var rateColumns = []Column{
	{"engine", "", "the engine's label"},
	{"test", "", "the test's label"},
	{"phase", "", "baseline, after, or the user's own word"},
	{"odometer", "", "at the test, in distance_unit"},
	{"distance_unit", "", "km, mi or h"},
	{"hanging", "", "number within the test"},
	{"run", "", "number within the test"},
	{"time_utc", "UTC", "when the run began; for a hand reading its day, as noted, at midnight"},
	{"excluded", "", "why the run is left out of findings; empty: it counts"},
	{"injector", "", "position, 1 for the first cylinder"},
	{"channel", "", "the channel under its tube"},
	{"source", "", "bench, hand (read by eye) or import (another logger's recording)"},
	{"kind", "", "fill, drain or still"},
	{"start_s", "s", "onset, since the run's begin"},
	{"end_s", "s", "end of the rise, since the run's begin"},
	{"rate_ml_per_min", "mL/min", "return flow, at the temperature at_c"},
	{"u_ml_per_min", "mL/min", "its standard uncertainty"},
	{"u95_ml_per_min", "mL/min", "half width of its 95 % interval"},
	{"rate_g_per_min", "g/min", "as mass"},
	{"u_g_per_min", "g/min", "its standard uncertainty"},
	{"u95_g_per_min", "g/min", "half width of its 95 % interval"},
	{"df", "1", "effective degrees of freedom of the uncertainty; empty: not known or infinite"},
	{"steady", "", "the flow was even"},
	{"trend_percent", "%", "change of the rate from start to end, part of the mean"},
	{"samples", "1", "values that the fit used"},
	{"finding_allowed", "", "false: no finding may rest on this row"},
	{"flags", "", "codes, separated by spaces"},
	{"flags_say", "", "what they mean here"},
	{"fuel", "", "kind, as noted for the test"},
	{"density_g_per_ml", "g/mL", "in the tubes, by what is noted for the test"},
	{"u_density_g_per_ml", "g/mL", "its standard uncertainty"},
	{"fuel_temp_c", "°C", "in the tubes, as noted for the test"},
	{"at_c", "°C", "what rate_ml_per_min is stated at; empty: as it was in the tubes"},
	{"calibration", "", "number of the calibration that turned counts into grams or mL"},
	{"calibration_time_utc", "UTC", "when it was made; empty: not noted"},
	{"counts_per_unit", "counts per calibration_unit", "its span"},
	{"u_counts_per_unit", "counts per calibration_unit", "standard uncertainty of the span"},
	{"calibration_unit", "", "g, mm of level, or mL"},
	{"version", "", "of the program that worked the rate out"},
}

func (r *RateRow) cells(c cellWriter) {
	c.text(r.Engine)
	c.text(r.Test)
	c.text(r.Phase)
	c.real(r.Odometer)
	c.text(r.DistanceUnit)
	c.whole(int64(r.Hanging), true)
	c.whole(int64(r.Run), true)
	c.time(r.TimeUTC)
	c.text(r.Excluded)
	c.whole(int64(r.Injector), true)
	c.text(r.Channel)
	c.text(r.Source)
	c.text(r.Kind)
	c.real(r.StartS)
	c.real(r.EndS)
	c.real(r.RateMLPerMin)
	c.real(r.UMLPerMin)
	c.real(r.U95MLPerMin)
	c.real(r.RateGPerMin)
	c.real(r.UGPerMin)
	c.real(r.U95GPerMin)
	c.real(r.DF)
	c.truth(r.Steady)
	c.real(r.TrendPercent)
	c.whole(int64(r.Samples), true)
	c.truth(r.Allowed)
	c.text(r.Flags)
	c.text(r.FlagsSay)
	c.text(r.Fuel)
	c.real(r.Density)
	c.real(r.UDensity)
	c.real(r.FuelTempC)
	c.real(r.AtC)
	c.whole(r.Calibration, r.Calibration != 0)
	c.time(r.CalibratedAt)
	c.real(r.Span)
	c.real(r.USpan)
	c.text(r.SpanUnit)
	c.text(r.Version)
}

// CurveRow is one reading of one channel.
type CurveRow struct {
	Test        string    `parquet:"test,dict"`         // empty outside of a test
	Run         int32     `parquet:"run,optional"`      // 0 outside of a run
	Injector    int32     `parquet:"injector,optional"` // 0 outside of a run
	Boot        int64     `parquet:"boot,delta"`        // the start of the bench that the reading is of
	Channel     string    `parquet:"channel,dict"`      //
	ElapsedS    float64   `parquet:"elapsed_s,split"`   // since the run's begin, or outside of a run since the boot's
	TimeUTC     time.Time `parquet:"time_utc,timestamp(microsecond),delta"`
	Counts      *int32    `parquet:"counts,optional"`
	MassG       *float64  `parquet:"mass_g,optional,split"`
	VolumeML    *float64  `parquet:"volume_ml,optional,split"`
	Quality     string    `parquet:"quality,dict"`
	Calibration int64     `parquet:"calibration,optional,delta"` // 0: none
}

// curveColumns tells, in the order of CurveRow, each column's unit and meaning.
var curveColumns = []Column{
	{"test", "", "the test's label; empty outside of a test"},
	{"run", "", "number within the test; empty outside of a run"},
	{"injector", "", "that fed the channel; empty outside of a run"},
	{"boot", "", "number of the bench's start that the reading is of"},
	{"channel", "", "the channel under the tube"},
	{"elapsed_s", "s", "monotonic time since the run's begin; outside of a run since the bench's start"},
	{"time_utc", "UTC", "wall time, as the bench's clock was corrected last"},
	{"counts", "counts", "the converter's value; empty where none was had"},
	{"mass_g", "g", "weighed mass as masses weigh in air, zero of the calibration taken off"},
	{"volume_ml", "mL", "in the tube, by the density noted for the test and corrected for the lift of air, or by the level"},
	{"quality", "", "good, settling, misread, saturated, stalled or absent"},
	{"calibration", "", "number of the calibration that turned counts into grams or mL"},
}

func (r *CurveRow) cells(c cellWriter) {
	c.text(r.Test)
	c.whole(int64(r.Run), r.Run != 0)
	c.whole(int64(r.Injector), r.Injector != 0)
	c.whole(r.Boot, true)
	c.text(r.Channel)
	c.real(&r.ElapsedS)
	c.time(r.TimeUTC)
	if r.Counts != nil {
		c.whole(int64(*r.Counts), true)
	} else {
		c.whole(0, false)
	}
	c.real(r.MassG)
	c.real(r.VolumeML)
	c.text(r.Quality)
	c.whole(r.Calibration, r.Calibration != 0)
}

// Column is one column of an exported table.
type Column struct {
	Name string `json:"name"`
	Unit string `json:"unit,omitempty"` // empty for words, names and numbers of order
	Says string `json:"says"`
}

// About is what an export says of itself: beside the rows in JSON, as key-value metadata
// in Parquet, as comments in CSV.
type About struct {
	Schema       string             `json:"schema"` // RatesTable or CurvesTable
	Of           string             `json:"of"`     // what was exported, in words
	Version      string             `json:"version"`
	MadeUTC      time.Time          `json:"made_utc"`
	Calibrations []CalibrationAbout `json:"calibrations"`
	Curves       []CurveAbout       `json:"curves,omitempty"`
	Warnings     []string           `json:"warnings"`
}

// The schemas. Columns may be added to a table, never renamed.
const (
	RatesTable  = "brimline/export-rates/1"
	CurvesTable = "brimline/export-curves/1"
)

// CalibrationAbout is a calibration that made the numbers: counts = zero + span x unit.
type CalibrationAbout struct {
	ID      int64      `json:"calibration"`
	Channel string     `json:"channel"`
	AtUTC   *time.Time `json:"time_utc"` // nil: not noted
	Unit    string     `json:"unit"`
	Zero    *float64   `json:"zero_counts"`
	UZero   *float64   `json:"u_zero_counts"`
	Span    *float64   `json:"counts_per_unit"`
	USpan   *float64   `json:"u_counts_per_unit"`
	DF      *float64   `json:"df"` // nil: infinite, or not known
}

// Stated is the density at the temperature that volumes are stated at.
type Stated struct {
	AtC     float64  `json:"at_c"`
	Density float64  `json:"density_g_per_ml"`
	U       float64  `json:"u_density_g_per_ml"`
	UTemp   float64  `json:"u_density_by_temp_g_per_ml"`
	UShrink *float64 `json:"u_volume_rel"` // of a volume that was felt in the tubes; nil: it cannot be stated elsewhere
}

// CurveAbout is what a curve needs beside its values to give the same rate again: of a
// run's tube, or outside of a test (Run 0) of a channel.
type CurveAbout struct {
	Test       string   `json:"test"`
	Run        int      `json:"run"`
	Channel    string   `json:"channel"`
	Injector   int      `json:"injector"`
	Unit       string   `json:"unit"`        // of what was measured: g or mL
	ScaleRelU  *float64 `json:"scale_rel_u"` // relative standard uncertainty of the scale; nil: not known
	ScaleDF    *float64 `json:"scale_df"`    // nil: infinite
	DriftPerH  float64  `json:"drift_ml_per_h,omitempty"`
	CapacityML *float64 `json:"capacity_ml"`
	Density    *float64 `json:"density_g_per_ml"`
	UDensity   *float64 `json:"u_density_g_per_ml"`
	// What the temperature's uncertainty adds, and where volumes are stated.
	UDensityTemp float64 `json:"u_density_by_temp_g_per_ml,omitempty"`
	Stated       *Stated `json:"stated,omitempty"`
	InAir        bool    `json:"in_air,omitempty"`   // grams are those of a scale set with masses, which the lift of air makes light
	Excluded     string  `json:"excluded,omitempty"` // why the run is left out of findings
}
