// Package ingest takes the rig's samples to where they are kept: Recorder puts
// them into a store chunk by chunk, Hub hands them to whoever looks on, and the
// types here are the bench's book: engines, tests, runs, hangings, position maps,
// events and calibrations.
//
// It is the second room of a sample's life. The store itself is ingest/store; the
// exchange formats are ingest/exchange. Nothing here knows what a rate is.
package ingest

import (
	"time"

	"brimline/rig"
)

// Engine is what is tested.
type Engine struct {
	ID           int64
	Label        string // the user's name for it, unique
	Injectors    int    // how many
	FiringOrder  string // as the maker writes it, for example "1-5-3-6-2-4"; may be empty
	DistanceUnit string // "km", "mi" or "h"
	InjectorType string // "solenoid", "piezo" or "unknown"
}

// Injector is what sits, or sat, at one position of an engine. Fitting another
// one adds an Injector; those before it are kept.
type Injector struct {
	ID       int64
	EngineID int64
	Position int       // 1 for the first cylinder
	Code     string    // as marked on it; may be empty
	Fitted   time.Time // zero when not known
}

// Test is one occasion on one engine.
type Test struct {
	ID       int64
	EngineID int64
	Label    string    // unique, short, typed by people: "T1"
	Phase    string    // "baseline", "after", or the user's own word
	At       time.Time // wall time of its start, as well as it was known
	Odometer float64   // in the engine's DistanceUnit; NaN when not noted
	Fuel     Fuel
	Note     string
}

// Fuel is what the tubes were filled with, as noted for a test.
type Fuel struct {
	Kind            string  // "diesel", "water", or the user's own word
	DensityGPerML   float64 // at the tubes' temperature; 0 when not known
	Density15GPerML float64 // at 15 °C, where DensityGPerML is not known; 0 when not known
	Assumed         bool    // Density15GPerML is not measured: it is what diesel is allowed to have
	UDensity        float64 // standard uncertainty of the one that is known, g/mL
	ExpansionPerC   float64 // part by which the density falls per °C, of what is no petroleum product and no water; 0 when not known
	UExpansion      float64 // its standard uncertainty
	TempC           float64 // fuel temperature in the tubes, °C; NaN when not noted
	UTempC          float64 // its standard uncertainty, °C
	StateAtC        float64 // what volumes are stated at, °C; 0: the temperature in the tubes
	Viscosity       Viscosity
}

// Viscosity is a fuel's kinematic viscosity at two temperatures; zero when not known.
type Viscosity struct {
	FirstC        float64
	FirstMM2PerS  float64
	SecondC       float64
	SecondMM2PerS float64
}

// Hanging is the tubes and hoses as they were put on: taking them off and putting
// them on again makes a new one.
type Hanging struct {
	ID     int64
	TestID int64
	Number int // from 1, within the test
	Note   string
}

// Run is one timed collection of all tubes at once. Times are elapsed times of
// the boot: the samples between Start and End belong to the run, static windows
// before and after the flow included.
type Run struct {
	ID        int64
	TestID    int64
	HangingID int64
	Number    int   // from 1, within the test
	BootID    int64 // whose elapsed time Start and End are on
	Start     time.Duration
	End       time.Duration // 0 while the run goes on
	Planned   time.Duration // collecting time asked for
	Positions []PositionOn  // which injector fed which channel
	Excluded  string        // why the run is left out of findings; empty: it counts
	Note      string
}

// PositionOn says that an injector (1 for the first cylinder) fed a channel in a run.
type PositionOn struct {
	Channel  string
	Injector int
}

// Condition is a number noted beside the runs of a test, such as the rail's pressure, or
// for one injector, such as the control unit's correction.
type Condition struct {
	ID       int64
	TestID   int64
	Run      int // its number within the test; 0: all runs of it
	Injector int // 1 for the first cylinder; 0: the engine
	Name     string
	Unit     string
	Value    float64
}

// Event is something done to the engine between tests. Of an injector that was fitted the
// Unit is "position", Amount is where, and What is marked on it.
type Event struct {
	ID       int64
	EngineID int64
	Kind     string // "dose", "filter", "injector", "repair", or the user's own word
	What     string
	Amount   float64 // NaN when it has none
	Unit     string
	At       time.Time
	Odometer float64 // NaN when not noted
}

// Calibration is one channel's line, counts = Zero + CountsPerGram x grams, as it
// was found; every one is kept. What found it is in the certificate. A level sender's is
// counts = Zero + CountsPerGram x mm of level: its Unit is UnitMM, and Tube turns the level
// into a volume as it did when the line was found.
type Calibration struct {
	ID            int64
	Channel       string
	At            time.Time
	Zero          float64 // counts at no load
	CountsPerGram float64
	UZero         float64 // standard uncertainty, counts
	UCountsPerG   float64 // standard uncertainty, counts/g, mass tolerances included
	CovZeroSpan   float64 // covariance of Zero and CountsPerGram
	DF            float64 // degrees of freedom of the line; +Inf when typed in
	Certificate   []byte  // JSON: masses, readings, temperature, who, when due
	Unit          string  // UnitG, UnitMM, or UnitML for what came in from another logger; empty is kept as UnitG
	Tube          Tube    // with UnitMM
}

// The units of what a calibration's line gives.
const (
	UnitG  = "g"
	UnitMM = "mm"
	UnitML = "mL" // CountsPerGram then is counts per mL
)

// Tube is a tube's strapping table: what it holds up to a level.
type Tube struct {
	Rows []Strap `json:"rows"` // both rising
	UML  float64 `json:"u_ml"` // standard uncertainty of the volumes
}

// Strap is one row of it.
type Strap struct {
	LevelMM  float64 `json:"level_mm"`
	VolumeML float64 `json:"volume_ml"`
}

// CalibrationCheck is one reading of a known mass held against a calibration, which
// it does not change; every one is kept.
type CalibrationCheck struct {
	ID            int64
	CalibrationID int64
	Channel       string // the calibration's
	At            time.Time
	Certificate   []byte // JSON: the mass, the readings, the difference and its tolerance, who
}

// Boot is one start of the daemon: the origin of elapsed times.
type Boot struct {
	ID     int64
	Wall   time.Time // wall clock at elapsed zero, as corrected last
	Stored time.Time // wall clock at elapsed zero, as first believed
}

// Series is one channel's samples over a stretch of one boot, oldest first.
type Series struct {
	Channel rig.Channel
	BootID  int64
	Samples []rig.Sample
}
