// Package exchange reads and writes the files that people and other programs
// bring: fill curves from any logger (ReadCurves, WriteCurves) and hand readings
// with cylinder and stopwatch (ReadReadings).
//
// It stands beside the store in a sample's life: what comes in here was measured
// elsewhere, and is checked as strictly as text can be. Every fault is one
// *InputError that names file, line, column and value and says what to do. What is
// odd but usable becomes a warning in the result.
//
// Both formats are lines of comma- or semicolon-separated fields, told apart by the
// first line; lines that start with # are comments; fields may be quoted; a decimal
// comma is read where semicolons separate. A curve file:
//
//	# tank on the bench, tube 2 changed at noon
//	elapsed_s,tube1_g,tube2_g
//	0.0,0.02,0.01
//	0.1,0.05,
//
// and hand readings:
//
//	engine,date,phase,hanging,run,injector,volume_ml,duration_s
//	Sprayer 1,2026-03-02,baseline,1,1,1,33.5,180
package exchange

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// InputError is a fault in a file that its owner can mend.
type InputError struct {
	File    string // as the caller named it
	Line    int    // from 1; 0 when the fault is of the whole file
	Column  string // the column's name, or "field 3" without one; may be empty
	Value   string // what stood there, cut to a readable length; may be empty
	Problem string // what is wrong with it
	Next    string // what to do
}

// Error gives everything in one line: file, line, column, value, problem, next step.
func (e *InputError) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ", line %d", e.Line)
	}
	if e.Column != "" {
		fmt.Fprintf(&b, ", column %s", e.Column)
	}
	if e.Value != "" {
		fmt.Fprintf(&b, ", %q", e.Value)
	}
	fmt.Fprintf(&b, ": %s; %s", e.Problem, e.Next)
	return b.String()
}

// shown cuts a value to what an error can show.
func shown(b []byte) string {
	const most = 40
	if len(b) <= most {
		return string(b)
	}
	cut := most
	for cut > most-utf8.UTFMax && !utf8.RuneStart(b[cut]) {
		cut--
	}
	return string(b[:cut]) + "..."
}
