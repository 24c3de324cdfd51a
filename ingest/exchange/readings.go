package exchange

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"brimline/ingest"
)

// HandReading is one tube of one run, read by eye.
type HandReading struct {
	Line     int       // in the file
	Engine   string    // its label
	Date     time.Time // the day, midnight UTC
	Phase    string    // "baseline", "after", or the user's own word
	Hanging  string    // which hanging, within the phase
	Run      string    // which run, within the hanging
	Injector string    // which injector

	RateMLPerMin float64 // zero or more: a tube that stayed empty is a reading
	UMLPerMin    float64 // standard uncertainty of the rate; 0 when not given
	VolumeML     float64 // NaN when only the rate was given
	DurationS    float64 // NaN when not given
	Odometer     float64 // NaN when not given

	Conditions []ingest.Condition // name, unit and value of what the row notes beside
}

// readingColumns are the columns of hand readings, in the order they are shown.
var readingColumns = []string{"engine", "date", "phase", "hanging", "run", "injector",
	"volume_ml", "duration_s", "rate_ml_per_min", "u_ml", "odometer",
	"fuel_temp_c", "rail_pressure_bar", "engine_speed_per_min", "coolant_c", "correction_mg_per_stroke", "correction_mm3_per_stroke"}

// conditionColumns are the columns of what is noted beside a reading. The control unit's
// correction is the injector's own, the others are the run's.
var conditionColumns = []struct {
	column, name, unit string
	lo, hi             float64 // beyond them a slip or another unit
}{
	{"fuel_temp_c", "fuel temperature", "°C", -40, 150},
	{"rail_pressure_bar", "rail pressure", "bar", 0, 4000},
	{"engine_speed_per_min", "engine speed", "1/min", 0, 10000},
	{"coolant_c", "coolant", "°C", -40, 150},
	{"correction_mg_per_stroke", "correction", "mg/stroke", -100, 100},
	{"correction_mm3_per_stroke", "correction", "mm3/stroke", -100, 100},
}

// CheckCondition returns an error for a condition that no column has, and for a value that
// can only be a slip or in another unit.
func CheckCondition(c ingest.Condition) error {
	for _, k := range conditionColumns {
		if k.name == c.Name && k.unit == c.Unit {
			if !(c.Value >= k.lo && c.Value <= k.hi) {
				return fmt.Errorf("%s of %g %s: use %g to %g", c.Name, c.Value, c.Unit, k.lo, k.hi)
			}
			return nil
		}
	}
	return fmt.Errorf("nothing of the name %q in %q is noted", c.Name, c.Unit)
}

const readingHeader = "engine,date,phase,hanging,run,injector,volume_ml,duration_s"

// ReadReadings reads hand readings; name is the file's name for messages.
//
// Columns go by the names in the header, in any order: engine, date (YYYY-MM-DD),
// phase, hanging, run and injector on every row, and volume_ml with duration_s, or
// rate_ml_per_min, or all three where they agree within 1 %. u_ml is the standard
// uncertainty of the volume in mL and needs duration_s; odometer is optional, as are
// fuel_temp_c, rail_pressure_bar, engine_speed_per_min, coolant_c, and of the control unit's
// correction correction_mg_per_stroke or correction_mm3_per_stroke. A
// column of another name is an error, so that a misspelt one is not lost. Two rows
// of one engine, phase, hanging, run and injector are an error.
func ReadReadings(r io.Reader, name string) ([]HandReading, error) {
	rows, errs := ReadReadingsAll(r, name, 1)
	if len(errs) > 0 {
		return nil, errs[0]
	}
	return rows, nil
}

// ReadReadingsAll is ReadReadings that goes on after a bad row and returns up to most
// faults, in the order of the lines, or else the readings. A fault of the whole file comes
// alone.
func ReadReadingsAll(r io.Reader, name string, most int) ([]HandReading, []error) {
	rr, err := openReadings(r, name)
	if err != nil {
		return nil, []error{err}
	}
	l := rr.l
	var out []HandReading
	var errs []error
	for len(errs) < most {
		line, err := l.nextRow()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, append(errs, err)
		}
		var h HandReading
		if err = l.checkText(line); err == nil {
			if rr.cells, err = split(rr.cells[:0], line, rr.num.sep); err != nil {
				err = quoteError(l, line)
			} else {
				h, err = rr.row(rr.cells)
			}
		}
		if err != nil {
			errs = append(errs, err)
			continue
		}
		out = append(out, h)
	}
	if len(errs) > 0 {
		return nil, errs
	}
	if len(out) == 0 {
		return nil, []error{&InputError{File: name, Line: l.n, Problem: "there is a header and nothing below it", Next: "give one row for each tube of each run"}}
	}
	return out, nil
}

// openReadings reads up to the header.
func openReadings(r io.Reader, name string) (*readingReader, error) {
	l := newLineReader(r, name)
	line, err := l.nextRow()
	if errors.Is(err, io.EOF) {
		return nil, emptyFile(l)
	}
	if err != nil {
		return nil, err
	}
	if err := l.checkText(line); err != nil {
		return nil, err
	}
	sep := separator(line)
	fields, err := split(nil, line, sep)
	if err != nil {
		return nil, quoteError(l, line)
	}
	rr := &readingReader{l: l, num: numbers{sep: sep}, seen: map[[5]string]int{}}
	if err := rr.columns(fields); err != nil {
		return nil, err
	}
	return rr, nil
}

type readingReader struct {
	l     *lineReader
	num   numbers
	names []string       // per field
	at    map[string]int // column to field
	seen  map[[5]string]int
	cells [][]byte // the row at hand
}

func (r *readingReader) columns(header [][]byte) error {
	for len(header) > 1 && len(header[len(header)-1]) == 0 {
		header = header[:len(header)-1]
	}
	bad := func(value, problem, next string) error {
		return &InputError{File: r.l.file, Line: r.l.n, Value: shown([]byte(value)), Problem: problem, Next: next}
	}
	r.at = map[string]int{}
	for i, h := range header {
		n := strings.ToLower(string(h))
		if !slices.Contains(readingColumns, n) {
			if i == 0 && len(header) > 1 && !slices.ContainsFunc(header, func(b []byte) bool {
				return slices.Contains(readingColumns, strings.ToLower(string(b)))
			}) {
				return bad(string(h), "the file has no header of hand readings", "begin it with: "+readingHeader)
			}
			return bad(string(h), "there is no column of this name", "did you mean "+nearest(n, readingColumns)+"? Known are: "+strings.Join(readingColumns, ", "))
		}
		if _, twice := r.at[n]; twice {
			return bad(string(h), "the column is there twice", "take one out")
		}
		r.at[n] = i
		r.names = append(r.names, n)
	}
	for _, n := range readingColumns[:6] {
		if _, ok := r.at[n]; !ok {
			next := "add it; the whole header is: " + readingHeader
			if n == "hanging" {
				next = "add it (taking the tubes off and putting them on again makes a new hanging; 1 in every row if they stayed on); the whole header is: " + readingHeader
			}
			return bad("", "the column "+n+" is missing", next)
		}
	}
	_, rate := r.at["rate_ml_per_min"]
	_, volume := r.at["volume_ml"]
	_, duration := r.at["duration_s"]
	if !rate && !(volume && duration) {
		return bad("", "neither volume_ml with duration_s nor rate_ml_per_min is there", "add them; the whole header is: "+readingHeader)
	}
	return nil
}

func (r *readingReader) bad(column, problem, next string) error {
	return &InputError{File: r.l.file, Line: r.l.n, Column: column, Value: shown(r.cell(column)), Problem: problem, Next: next}
}

// cell is the row's field in a column, empty when the file has no such column.
func (r *readingReader) cell(column string) []byte {
	if i, ok := r.at[column]; ok && i < len(r.cells) {
		return r.cells[i]
	}
	return nil
}

// number is NaN for an empty or absent cell.
func (r *readingReader) number(column string) (float64, error) {
	b := r.cell(column)
	if len(b) == 0 {
		return math.NaN(), nil
	}
	v, f := r.num.parse(b, r.l.n)
	if f != nil {
		return 0, r.bad(column, f.problem, f.next)
	}
	return v, nil
}

func (r *readingReader) row(fields [][]byte) (HandReading, error) {
	for len(fields) > len(r.names) && len(fields[len(fields)-1]) == 0 {
		fields = fields[:len(fields)-1]
	}
	if len(fields) > len(r.names) {
		return HandReading{}, &InputError{File: r.l.file, Line: r.l.n, Column: fmt.Sprintf("field %d", len(r.names)+1), Value: shown(fields[len(r.names)]),
			Problem: fmt.Sprintf("the row has %d fields and the header %d", len(fields), len(r.names)),
			Next:    "quote text that holds the separator; where numbers have decimal commas, separate the fields with semicolons"}
	}
	r.cells = fields
	h := HandReading{Line: r.l.n}
	for _, t := range []struct {
		column string
		to     *string
	}{{"engine", &h.Engine}, {"phase", &h.Phase}, {"hanging", &h.Hanging}, {"run", &h.Run}, {"injector", &h.Injector}} {
		*t.to = string(r.cell(t.column))
		if *t.to == "" {
			return h, r.bad(t.column, "nothing here", "fill it in: every reading names its "+t.column)
		}
	}
	var err error
	if h.Date, err = time.Parse(time.DateOnly, string(r.cell("date"))); err != nil {
		return h, r.bad("date", "not a date", "write it as YYYY-MM-DD, for example 2026-03-02")
	}
	if y := h.Date.Year(); y < minYear || y > maxYear {
		return h, r.bad("date", fmt.Sprintf("the year is not between %d and %d", minYear, maxYear), "correct the date")
	}
	if err := r.measured(&h); err != nil {
		return h, err
	}
	if err := r.conditions(&h); err != nil {
		return h, err
	}
	key := [5]string{h.Engine, h.Phase, h.Hanging, h.Run, h.Injector}
	if first := r.seen[key]; first > 0 {
		return h, r.bad("injector", fmt.Sprintf("engine %s, phase %s, hanging %s, run %s has this injector on line %d already", h.Engine, h.Phase, h.Hanging, h.Run, first),
			"number the runs and hangings, or take the copy out")
	}
	r.seen[key] = h.Line
	return h, nil
}

// measured reads the row's numbers and works out the rate.
func (r *readingReader) measured(h *HandReading) error {
	var rate, u float64
	for _, n := range []struct {
		column string
		to     *float64
		zero   bool // may be zero
	}{{"volume_ml", &h.VolumeML, true}, {"duration_s", &h.DurationS, false}, {"rate_ml_per_min", &rate, true}, {"u_ml", &u, false}, {"odometer", &h.Odometer, true}} {
		var err error
		if *n.to, err = r.number(n.column); err != nil {
			return err
		}
		if *n.to < 0 {
			return r.bad(n.column, "less than zero", "correct it")
		}
		if *n.to == 0 && !n.zero {
			return r.bad(n.column, "zero", "write what was measured, or leave the cell empty")
		}
	}
	fromVolume := h.VolumeML / h.DurationS * 60
	switch haveRate, haveVolume := !math.IsNaN(rate), !math.IsNaN(fromVolume); {
	case !haveRate && !haveVolume:
		column := "volume_ml"
		if _, ok := r.at[column]; !ok {
			column = "rate_ml_per_min"
		} else if !math.IsNaN(h.VolumeML) {
			column = "duration_s"
		}
		return r.bad(column, "the row has neither a volume with its duration nor a rate", "fill it in, or take the row out")
	case haveRate && haveVolume && math.Abs(rate-fromVolume) > 0.01*math.Max(rate, fromVolume):
		return r.bad("rate_ml_per_min", fmt.Sprintf("the row's volume and duration give %.4g mL/min", fromVolume), "correct the one that is wrong, or leave the rate out")
	case haveVolume:
		h.RateMLPerMin = fromVolume
	default:
		h.RateMLPerMin = rate
	}
	if !math.IsNaN(u) {
		if math.IsNaN(h.DurationS) {
			return r.bad("u_ml", "an uncertainty in mL without a duration", "fill in duration_s, or leave u_ml out")
		}
		h.UMLPerMin = u / h.DurationS * 60
	}
	if math.IsInf(h.RateMLPerMin, 0) || math.IsInf(h.UMLPerMin, 0) {
		return r.bad("duration_s", "the rate is too large for a number", "correct the volume or the duration")
	}
	return nil
}

// conditions reads what the row notes beside its reading.
func (r *readingReader) conditions(h *HandReading) error {
	for _, k := range conditionColumns {
		v, err := r.number(k.column)
		if err != nil {
			return err
		}
		if math.IsNaN(v) {
			continue
		}
		c := ingest.Condition{Name: k.name, Unit: k.unit, Value: v}
		if err := CheckCondition(c); err != nil {
			return r.bad(k.column, fmt.Sprintf("not between %g and %g", k.lo, k.hi), "check it and its unit, "+k.unit)
		}
		for _, other := range h.Conditions {
			if other.Name == c.Name {
				return r.bad(k.column, fmt.Sprintf("the row has its %s in %s already", c.Name, other.Unit), "give it in one unit")
			}
		}
		h.Conditions = append(h.Conditions, c)
	}
	return nil
}

// nearest is the known name with the fewest letters to change.
func nearest(s string, known []string) string {
	best, least := known[0], math.MaxInt
	for _, k := range known {
		if d := editDistance(s, k); d < least {
			best, least = k, d
		}
	}
	return best
}

// editDistance is Levenshtein's, over the first 64 bytes of each.
func editDistance(a, b string) int {
	a, b = a[:min(len(a), 64)], b[:min(len(b), 64)]
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			above := row[j+1]
			d := diagonal
			if a[i] != b[j] {
				d = 1 + min(diagonal, above, row[j])
			}
			diagonal, row[j+1] = above, d
		}
	}
	return row[len(b)]
}

// IsReadings reports whether a file's header is one of hand readings: at least half of
// what every row must have is named. It reads no further than the header.
func IsReadings(r io.Reader) bool {
	l := newLineReader(r, "")
	line, err := l.nextRow()
	if err != nil {
		return false
	}
	fields, err := split(nil, line, separator(line))
	if err != nil {
		return false
	}
	n := 0
	for _, f := range fields {
		if slices.Contains(readingColumns[:6], strings.ToLower(string(f))) {
			n++
		}
	}
	return n >= 3
}
