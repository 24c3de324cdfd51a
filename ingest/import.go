package ingest

import (
	"time"

	"brimline/rig"
)

// Import is a file that was taken into the store.
type Import struct {
	ID      int64
	Kind    string // ImportReadings or ImportCurves
	File    string // its name, without its folder
	SHA256  string // of its bytes, in hexadecimal
	At      time.Time
	Program string // version of the program that took it in
	Rows    int    // readings or samples that it added
}

// The kinds of import.
const (
	ImportReadings = "readings"
	ImportCurves   = "curves"
)

// HandReading is one tube of one run, read by eye. It is kept as it was noted: the rate is
// what the file gave or what its volume and duration give.
type HandReading struct {
	ID           int64
	ImportID     int64
	Line         int // in the imported file
	TestID       int64
	HangingID    int64
	Hanging      string    // as the file names it, within engine and phase
	Run          string    // as the file names it, within the hanging
	RunNumber    int       // from 1, within the test
	Day          time.Time // midnight UTC of the noted date
	Injector     int       // 1 for the first cylinder
	VolumeML     float64   // NaN when only the rate was given
	DurationS    float64   // NaN when not given
	RateMLPerMin float64
	UMLPerMin    float64 // standard uncertainty of the rate; 0 when not given
	Odometer     float64 // NaN when not given
}

// ReadTest is a test's worth of hand readings on the way into the store. With Engine.ID or
// Test.ID 0 they are new; an engine is also found by its label.
type ReadTest struct {
	Engine   Engine
	Test     Test
	Hangings []ReadHanging
	// Conditions are what the new readings note beside them; TestID is filled in.
	Conditions []Condition
}

// ReadHanging is one hanging of a ReadTest; with Hanging.ID 0 it is new.
type ReadHanging struct {
	Hanging  Hanging
	Readings []HandReading
}

// ImportedCurves is a recording of another logger on the way into the store: a boot of
// its own with its own channels, one test with one hanging, and its runs.
type ImportedCurves struct {
	Engine   Engine // ID 0: new, unless the label is there
	Test     Test
	Wall     time.Time // at elapsed zero
	Channels []ImportedChannel
	Runs     []Run // Positions name channels as the file does; ids are filled in
}

// ImportedChannel is one channel of a recording. In the store its name begins with
// "importN:", so that no calibration of the bench's own channels is mixed up with it.
type ImportedChannel struct {
	Channel     rig.Channel
	Calibration Calibration  // counts to what the file held; Channel and At are filled in
	Samples     []rig.Sample // in order of time; Seq rises, Channel is not used
	Head        string       // hash of the first values, by which a longer copy is known
	Whole       string       // hash of all values
}

// CurveMark is what tells a recording from a copy of it.
type CurveMark struct {
	Import  Import
	Channel string // as the file named it
	Head    string
	Whole   string
	From    time.Time // wall time of the first and last sample
	To      time.Time
	Test    string // label
	Engine  string // label
}
