package exchange

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Curves are the channels of one recording on one time axis.
type Curves struct {
	Source   string         // the file, as the caller named it
	ElapsedS []float64      // strictly rising, s
	Start    time.Time      // wall clock at elapsed zero; the zero time when the file has no stamps
	NoZone   bool           // the stamps name no zone, and were taken as UTC
	Channels []CurveChannel // in the file's order, each as long as ElapsedS
	Warnings []string       // what was odd but usable
}

// CurveChannel is one column.
type CurveChannel struct {
	Name    string    // the column's name without its unit: "tube1"
	Unit    string    // "g", "mL" or "counts"
	Values  []float64 // NaN where the cell was empty
	Missing int       // how many are NaN
}

// Unit gives the unit that all channels share, or an *InputError that names the
// first channel that differs.
func (c Curves) Unit() (string, error) {
	if len(c.Channels) == 0 {
		return "", &InputError{File: c.Source, Problem: "there are no channels", Next: "give a file with at least one channel's column"}
	}
	first := c.Channels[0]
	for _, ch := range c.Channels[1:] {
		if ch.Unit != first.Unit {
			return "", &InputError{File: c.Source, Column: columnName(ch.Name, ch.Unit),
				Problem: fmt.Sprintf("its unit is %s, that of column %s is %s", ch.Unit, columnName(first.Name, first.Unit), first.Unit),
				Next:    "give the channels of each unit in a file of their own, or leave columns out with --columns and -"}
		}
	}
	return first.Unit, nil
}

// CurveOptions say what a file does not.
type CurveOptions struct {
	// Columns names the columns of a file that has no header or whose header lacks
	// units: "time" or "elapsed_s" once, a name with its unit ("tank_g") for each
	// channel, "-" for a column to leave out. Every column needs a name. With
	// Columns, a first row whose time field is neither a number nor a stamp is
	// taken for a header and skipped.
	Columns []string
}

// The limits of a time axis of stamps.
const (
	// A board without a clock of its own starts in 1970 and jumps when it first
	// finds the network; no recording is this long.
	maxStampSpan = 10 * 366 * 24 * time.Hour
	// A logger that writes whole seconds puts two rows into one second now and
	// then; above this share its stamps are too coarse for its rate.
	maxSameSecond = 0.05
	// Years outside are a typing error or a broken clock.
	minYear, maxYear = 1900, 2200
)

// stampLayouts are the clock stamps that are read; time.Parse takes a fraction of
// a second after each. Day-first and month-first dates are not among them: they
// cannot be told apart.
var stampLayouts = []string{
	"2006/01/02 15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04:05",
	"2006-01-02T15:04:05Z07:00", "2006-01-02 15:04:05Z07:00",
}

const stampExample = "2026-03-02T14:05:06.5Z or 2026/03/02 14:05:06"

// ReadCurves reads fill curves; name is the file's name for messages.
//
// The first column is elapsed_s (seconds, kept as written) or time: seconds, or
// clock stamps, which become seconds since the first row. A stamp without a zone is
// taken as it stands, in UTC. Time must rise from row to row. Where stamps of whole
// seconds repeat, the first row of the second is kept and the others are counted in
// a warning, as long as they are at most 5 % of the rows; any other repeated time is
// an error.
//
// Each further column is a channel, named with its unit: _g, _ml or _counts. An
// empty cell is a missing value (NaN, counted), an empty column an error. NUL bytes
// are taken out with a warning. A last line that was cut off in writing (no line
// end, fields missing) is left out with a warning.
func ReadCurves(r io.Reader, name string, o CurveOptions) (Curves, error) {
	l := newLineReader(r, name)
	line, err := l.nextRow()
	if errors.Is(err, io.EOF) {
		return Curves{}, emptyFile(l)
	}
	if err != nil {
		return Curves{}, err
	}
	if err := l.checkText(line); err != nil {
		return Curves{}, err
	}
	sep := separator(line)
	c := &curveReader{l: l, num: numbers{sep: sep}, out: Curves{Source: name}, layout: -1}
	fields, err := split(nil, line, sep)
	if err != nil {
		return Curves{}, quoteError(l, line)
	}
	if err := c.columns(fields, o.Columns); err != nil {
		return Curves{}, err
	}
	if len(o.Columns) > 0 && c.timeField < len(fields) && c.isTime(fields[c.timeField]) {
		if err := c.row(fields); err != nil {
			return Curves{}, err
		}
	}
	for {
		line, err := l.nextRow()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return Curves{}, err
		}
		if fields, err = split(fields[:0], line, sep); err != nil {
			return Curves{}, quoteError(l, line)
		}
		if err := c.row(fields); err != nil {
			return Curves{}, err
		}
	}
	return c.finish()
}

func emptyFile(l *lineReader) error {
	problem := "the file is empty"
	if l.n > 0 {
		problem = "the file holds comments and blank lines only"
	}
	return &InputError{File: l.file, Problem: problem, Next: "give a file with a header and rows"}
}

// curveReader builds Curves row by row.
type curveReader struct {
	l   *lineReader
	num numbers
	out Curves

	names       []string // the columns' names as an error shows them
	channel     []int    // per field: index into out.Channels, or one of the two below
	timeField   int
	secondsOnly bool // the time column is elapsed_s: stamps are refused

	layout    int   // the stamps' layout once known; -1 while the axis is numbers
	started   bool  // a row was read, kept or not
	firstUS   int64 // the first stamp, us since 1970
	lastUS    int64
	lastWhole bool // the last stamp had no fraction
	lastLine  int

	firstTime            float64
	sameSecond, sameLine int
	short, shortLine     int
	cut                  int // the line left out because it was cut off, or 0
}

const (
	fieldTime = -1
	fieldSkip = -2
)

// columns settles what each field is, from Columns or from the header's fields.
func (c *curveReader) columns(header [][]byte, given []string) error {
	if len(given) > 0 {
		return c.nameColumns(given, "--columns", 0)
	}
	// A header that ends in separators has no column there.
	for len(header) > 1 && len(header[len(header)-1]) == 0 {
		header = header[:len(header)-1]
	}
	first := header[0]
	if !isTimeName(string(first)) {
		e := &InputError{File: c.l.file, Line: c.l.n, Value: shown(first)}
		switch {
		case c.isTime(first):
			e.Problem = "the file has no header"
			e.Next = "name its columns: --columns " + columnsExample(len(header)) + " (units _g, _ml or _counts; - leaves a column out)"
		case len(header) == 1 && strings.ContainsAny(string(first), "\t|"):
			e.Problem = "the fields are separated by tabs or bars"
			e.Next = "separate them with commas or semicolons"
		default:
			e.Problem = "the first column must be elapsed_s or time"
			e.Next = "rename it in the file, or name all columns: --columns " + columnsExample(len(header))
		}
		return e
	}
	names := make([]string, len(header))
	for i, h := range header {
		names[i] = string(h)
		if names[i] == "-" { // a skipped column exists in --columns only
			names[i] = ""
		}
	}
	return c.nameColumns(names, "the header", c.l.n)
}

// nameColumns sets up the channels; where says whose names they are.
func (c *curveReader) nameColumns(names []string, where string, line int) error {
	seen := map[string]bool{}
	times := 0
	bad := func(name, problem, next string) error {
		return &InputError{File: c.l.file, Line: line, Column: fmt.Sprintf("%q", name), Problem: where + " " + problem, Next: next}
	}
	for i, n := range names {
		n = strings.TrimSpace(n)
		switch {
		case n == "-":
			c.channel = append(c.channel, fieldSkip)
		case isTimeName(n):
			times++
			c.timeField, c.secondsOnly = i, strings.EqualFold(n, "elapsed_s")
			c.channel = append(c.channel, fieldTime)
		default:
			name, unit, ok := splitUnit(n)
			if !printable(n) {
				return bad(n, "names a column with a control character or a byte that is not UTF-8", "name it in letters and digits, with its unit")
			}
			if !ok {
				example := n
				if example == "" {
					example = "tube1"
				}
				return bad(n, "names a column without a unit that is known here",
					fmt.Sprintf("name it %s_g, %s_ml or %s_counts, in the file or with --columns %s", example, example, example, columnsExample(len(names))))
			}
			if seen[name] {
				return bad(n, "names the channel "+name+" twice", "give every channel a name of its own")
			}
			seen[name] = true
			c.channel = append(c.channel, len(c.out.Channels))
			c.out.Channels = append(c.out.Channels, CurveChannel{Name: name, Unit: unit})
		}
		c.names = append(c.names, n)
	}
	whole := func(problem, next string) error {
		return &InputError{File: c.l.file, Line: line, Value: shown([]byte(strings.Join(names, ","))), Problem: where + " " + problem, Next: next}
	}
	if times != 1 {
		return whole(fmt.Sprintf("names %d time columns", times), "name exactly one of them elapsed_s or time")
	}
	if len(c.out.Channels) == 0 {
		return whole("names no channel", "give at least one column with its unit, for example tube1_g; separate fields with commas or semicolons")
	}
	return nil
}

func isTimeName(s string) bool {
	return strings.EqualFold(s, "elapsed_s") || strings.EqualFold(s, "time")
}

// splitUnit takes "tube1_ml" apart into "tube1" and "mL".
func splitUnit(column string) (name, unit string, ok bool) {
	i := strings.LastIndexByte(column, '_')
	if i < 1 {
		return "", "", false
	}
	switch strings.ToLower(column[i+1:]) {
	case "g":
		unit = "g"
	case "ml":
		unit = "mL"
	case "counts":
		unit = "counts"
	default:
		return "", "", false
	}
	name = strings.TrimSpace(column[:i])
	return name, unit, name != ""
}

// printable reports whether a name can stand in a header.
func printable(name string) bool {
	return utf8.ValidString(name) && !strings.ContainsFunc(name, unicode.IsControl)
}

func columnName(name, unit string) string { return name + "_" + strings.ToLower(unit) }

// columnsExample is a ready --columns value for a file of n columns.
func columnsExample(n int) string {
	parts := []string{"time"}
	for i := 1; i < max(2, min(n, 12)); i++ {
		parts = append(parts, fmt.Sprintf("tube%d_g", i))
	}
	if n > 12 {
		parts = append(parts, "...")
	}
	return strings.Join(parts, ",")
}

// isTime reports whether a field could stand in the time column.
func (c *curveReader) isTime(b []byte) bool {
	n := numbers{sep: c.num.sep}
	if _, f := n.parse(b, 0); f == nil {
		return true
	}
	_, ok := stampLayout(b)
	return ok
}

func stampLayout(b []byte) (int, bool) {
	for i, layout := range stampLayouts {
		if _, err := time.Parse(layout, string(b)); err == nil {
			return i, true
		}
	}
	return -1, false
}

// bad makes an error about one field of the row at hand.
func (c *curveReader) bad(field int, value []byte, problem, next string) error {
	column := fmt.Sprintf("field %d", field+1)
	if field < len(c.names) && c.names[field] != "-" {
		column = c.names[field]
	}
	return &InputError{File: c.l.file, Line: c.l.n, Column: column, Value: shown(value), Problem: problem, Next: next}
}

// row takes one row of fields.
func (c *curveReader) row(fields [][]byte) error {
	for len(fields) > len(c.channel) && len(fields[len(fields)-1]) == 0 {
		fields = fields[:len(fields)-1]
	}
	if len(fields) > len(c.channel) {
		next := "name every column (with --columns, - leaves one out)"
		if c.num.sep == ',' {
			next += "; where numbers have decimal commas, separate the fields with semicolons"
		}
		return c.bad(len(c.channel), fields[len(c.channel)],
			fmt.Sprintf("the row has %d fields, and %d columns have names", len(fields), len(c.channel)), next)
	}
	if len(fields) < len(c.channel) {
		if c.l.last {
			c.cut = c.l.n
			return nil
		}
		if c.short == 0 {
			c.shortLine = c.l.n
		}
		c.short++
		if c.timeField >= len(fields) {
			return c.bad(c.timeField, nil, "the row has no time", "fill it in, or take the row out")
		}
	}
	t, keep, err := c.time(fields[c.timeField])
	if err != nil || !keep {
		return err
	}
	c.out.ElapsedS = append(c.out.ElapsedS, t)
	for i, ch := range c.channel {
		if ch < 0 {
			continue
		}
		to := &c.out.Channels[ch]
		if i >= len(fields) || len(fields[i]) == 0 {
			to.Missing++
			to.Values = append(to.Values, math.NaN())
			continue
		}
		v, f := c.num.parse(fields[i], c.l.n)
		if f != nil {
			return c.bad(i, fields[i], f.problem, f.next)
		}
		to.Values = append(to.Values, v)
	}
	return nil
}

// time turns a row's time field into elapsed seconds; keep is false for a further
// row of one whole second.
func (c *curveReader) time(b []byte) (t float64, keep bool, err error) {
	if !c.started {
		c.layout, _ = stampLayout(b)
	}
	if c.layout >= 0 && !c.secondsOnly {
		t, keep, err = c.stamp(b)
	} else {
		t, keep, err = c.seconds(b)
	}
	if err == nil && keep {
		c.started, c.lastLine = true, c.l.n
	}
	return t, keep, err
}

func (c *curveReader) seconds(b []byte) (float64, bool, error) {
	t, f := c.num.parse(b, c.l.n)
	if f != nil {
		if _, ok := stampLayout(b); ok && c.secondsOnly {
			return 0, false, c.bad(c.timeField, b, "a clock stamp among elapsed seconds", "call the column time")
		}
		if !c.started && !c.secondsOnly && len(b) > 0 {
			return 0, false, c.bad(c.timeField, b, "neither seconds nor a clock stamp that is read here", "write seconds, or stamps such as "+stampExample)
		}
		return 0, false, c.bad(c.timeField, b, f.problem, f.next)
	}
	if !c.secondsOnly {
		if !c.started {
			c.firstTime = t
		}
		t -= c.firstTime
		if math.IsInf(t, 0) {
			return 0, false, c.bad(c.timeField, b, "the number is too large for a time", "write the time in seconds")
		}
	}
	if n := len(c.out.ElapsedS); n > 0 {
		switch last := c.out.ElapsedS[n-1]; {
		case t < last:
			return 0, false, c.backwards(b, last-t)
		case t == last:
			return 0, false, c.bad(c.timeField, b, fmt.Sprintf("the same time as line %d", c.lastLine),
				"take out rows that were written twice, or write times with more digits")
		}
	}
	return t, true, nil
}

func (c *curveReader) backwards(b []byte, byS float64) error {
	return c.bad(c.timeField, b, fmt.Sprintf("time runs backwards: %.6g s before line %d", byS, c.lastLine),
		"cut the file there (the clock was set, or two recordings were joined) and read the parts one by one")
}

func (c *curveReader) stamp(b []byte) (float64, bool, error) {
	at, err := time.Parse(stampLayouts[c.layout], string(b))
	if err != nil {
		problem := "not a clock stamp like those before it"
		if len(b) == 0 {
			problem = "the row has no time"
		}
		return 0, false, c.bad(c.timeField, b, problem, "write every stamp in one form, for example "+stampExample)
	}
	if y := at.UTC().Year(); y < minYear || y > maxYear {
		return 0, false, c.bad(c.timeField, b, fmt.Sprintf("the year is not between %d and %d", minYear, maxYear), "correct the stamp")
	}
	us := at.UnixMicro() // finer digits of a stamp are not kept
	whole := at.Nanosecond() == 0
	if !c.started {
		c.out.Start = at.Truncate(time.Microsecond)
		c.out.NoZone = !strings.HasSuffix(stampLayouts[c.layout], "Z07:00")
		c.firstUS = us
	} else {
		switch {
		case us < c.lastUS:
			return 0, false, c.backwards(b, float64(c.lastUS-us)/1e6)
		case us == c.lastUS && whole && c.lastWhole:
			if c.sameSecond == 0 {
				c.sameLine = c.l.n
			}
			c.sameSecond++
			return 0, false, nil
		case us == c.lastUS:
			return 0, false, c.bad(c.timeField, b, fmt.Sprintf("the same time as line %d", c.lastLine), "take out rows that were written twice")
		case us-c.firstUS > maxStampSpan.Microseconds():
			return 0, false, c.bad(c.timeField, b, fmt.Sprintf("the clock is %.0f days after the first row's", float64(us-c.firstUS)/86400e6),
				"cut the file where the clock was set (a board without a clock starts in 1970) and read the parts one by one")
		}
	}
	c.lastUS, c.lastWhole = us, whole
	return float64(us-c.firstUS) / 1e6, true, nil
}

// finish checks the whole and writes the warnings.
func (c *curveReader) finish() (Curves, error) {
	o := &c.out
	rows := len(o.ElapsedS)
	whole := func(column, problem, next string) error {
		return &InputError{File: c.l.file, Line: c.l.n, Column: column, Problem: problem, Next: next}
	}
	if c.cut > 0 && rows < 2 {
		return Curves{}, whole("", "the line ends before its last column, and fewer than two whole rows come before it", "give a recording with at least two rows")
	}
	switch rows {
	case 0:
		return Curves{}, whole("", "there is a header and nothing below it", "give a recording with at least two rows")
	case 1:
		return Curves{}, whole("", "there is one row, and a curve needs two", "give a longer recording")
	}
	if all := rows + c.sameSecond; float64(c.sameSecond) > maxSameSecond*float64(all) {
		return Curves{}, &InputError{File: c.l.file, Line: c.sameLine, Column: c.names[c.timeField],
			Problem: fmt.Sprintf("%d of %d rows have the time of the row before: stamps of whole seconds are too coarse for this logger", c.sameSecond, all),
			Next:    "write stamps with fractions of a second, or elapsed_s"}
	}
	for _, ch := range o.Channels {
		if ch.Missing == rows {
			return Curves{}, whole(columnName(ch.Name, ch.Unit), "the whole column is empty", "take the column out, or leave it out with --columns and -")
		}
		if ch.Missing > 0 {
			o.Warnings = append(o.Warnings, fmt.Sprintf("column %s: %d of %d values are missing", columnName(ch.Name, ch.Unit), ch.Missing, rows))
		}
	}
	if w := c.l.nulWarning(); w != "" {
		o.Warnings = append(o.Warnings, w)
	}
	if c.sameSecond > 0 {
		o.Warnings = append(o.Warnings, fmt.Sprintf("%d rows, the first of them line %d, have the whole second of the row before and were left out: where in the second they belong is not known", c.sameSecond, c.sameLine))
	}
	if c.short > 0 {
		o.Warnings = append(o.Warnings, fmt.Sprintf("%d rows, the first of them line %d, end before the last column: what is not there counts as missing", c.short, c.shortLine))
	}
	if c.cut > 0 {
		o.Warnings = append(o.Warnings, fmt.Sprintf("line %d, the last, was cut off in writing and was left out", c.cut))
	}
	return *o, nil
}
