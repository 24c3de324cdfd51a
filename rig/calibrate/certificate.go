package calibrate

import "time"

// Certificate is what is kept of a calibration, so that another can judge or repeat
// it. It is stored and exported as JSON; what was not noted is null or absent.
type Certificate struct {
	Channel   string    `json:"channel"`
	At        time.Time `json:"at"`
	By        string    `json:"by"`
	TempC     *float64  `json:"temp_c"`     // of the air at the bench; null if not noted
	MassClass string    `json:"mass_class"` // empty with water
	Note      string    `json:"note,omitempty"`
	Points    []Point   `json:"points"`
	Line      Line      `json:"line"`

	Bench      string      `json:"bench,omitempty"`
	Sensor     string      `json:"sensor,omitempty"` // kind and pins or address
	Simulated  bool        `json:"simulated,omitempty"`
	Water      *Water      `json:"water,omitempty"` // null: with masses
	Tube       []Strap     `json:"tube,omitempty"`  // of a level sender: what turned volumes into levels
	TubeUML    float64     `json:"tube_u_ml,omitempty"`
	Due        *time.Time  `json:"due,omitempty"`
	Steady     string      `json:"steady,omitempty"` // by what rule a reading counted as steady
	Assessment *Assessment `json:"assessment,omitempty"`
	Forced     bool        `json:"forced,omitempty"` // kept though it was refused
	Program    string      `json:"program,omitempty"`
}

// CheckCertificate is what is kept of a check, beside the calibration that it was
// held against.
type CheckCertificate struct {
	Channel    string     `json:"channel"`
	At         time.Time  `json:"at"`
	By         string     `json:"by"`
	TempC      *float64   `json:"temp_c"` // of the air; null if not noted
	Note       string     `json:"note,omitempty"`
	Simulated  bool       `json:"simulated,omitempty"`
	Calibrated time.Time  `json:"calibrated"`
	Due        *time.Time `json:"due,omitempty"` // of the calibration
	Check      Check      `json:"check"`
	Program    string     `json:"program,omitempty"`
}
