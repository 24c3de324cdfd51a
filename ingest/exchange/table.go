package exchange

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
)

// Format is a form that tables are written in.
type Format string

// The formats.
const (
	CSV     Format = "csv"
	Parquet Format = "parquet"
	JSON    Format = "json"
)

// Table takes the rows of an export. What it has been given is written out row group by
// row group, so that memory does not grow with the table; Close ends it, and the writer
// below stays the caller's.
type Table[T any] interface {
	Write(rows []T) error // keeps nothing of rows
	Close() error
}

// NewRates begins a table of rates.
func NewRates(w io.Writer, f Format, about About) (Table[RateRow], error) {
	about.Schema = RatesTable
	return newTable[RateRow](w, f, about, rateColumns)
}

// NewCurves begins a table of readings.
func NewCurves(w io.Writer, f Format, about About) (Table[CurveRow], error) {
	about.Schema = CurvesTable
	return newTable[CurveRow](w, f, about, curveColumns)
}

// rowOf is a row whose cells can be visited in the order of its columns.
type rowOf[T any] interface {
	*T
	cells(c cellWriter)
}

// cellWriter takes a row's cells one by one.
type cellWriter interface {
	text(s string)
	whole(v int64, known bool)
	real(v *float64)
	truth(v bool)
	time(t time.Time) // zero: not known
}

func newTable[T any, R rowOf[T]](w io.Writer, f Format, about About, columns []Column) (Table[T], error) {
	if about.Warnings == nil {
		about.Warnings = []string{}
	}
	if about.Calibrations == nil {
		about.Calibrations = []CalibrationAbout{}
	}
	switch f {
	case CSV:
		return newCSVTable[T, R](w, about, columns)
	case JSON:
		return newJSONTable[T, R](w, about, columns)
	case Parquet:
		return newParquetTable[T](w, about, columns)
	}
	return nil, fmt.Errorf("the format %q is not known: choose %s, %s or %s", f, CSV, Parquet, JSON)
}

const stampLayout6 = "2006-01-02T15:04:05.000000Z"

// The comments above a CSV table that are read again; the others are for people.
const (
	aboutMark = "# export "
	curveMark = "# curve "
	doubtMark = "# doubt: "
)

// csvTable writes comma-separated values: comments that begin with #, a header, rows.
// Fields are quoted as RFC 4180 has it.
type csvTable[T any, R rowOf[T]] struct {
	w    *bufio.Writer
	line []byte
}

func newCSVTable[T any, R rowOf[T]](w io.Writer, about About, columns []Column) (Table[T], error) {
	t := &csvTable[T, R]{w: bufio.NewWriterSize(w, 64<<10)}
	say := func(mark, text string) { t.w.WriteString(mark + safeCells(oneLine(text), quoteFormula) + "\n") }
	say("# ", fmt.Sprintf("%s, written by brimline %s at %s", about.Of, about.Version, about.MadeUTC.UTC().Format(time.RFC3339)))
	for _, x := range about.Warnings {
		say(doubtMark, x)
	}
	for _, k := range about.Calibrations {
		say("# ", k.String())
	}
	// One line each, as a reader bounds its lines.
	curves := about.Curves
	about.Curves, about.Calibrations, about.Warnings = nil, []CalibrationAbout{}, []string{}
	if err := writeMark(t.w, aboutMark, about); err != nil {
		return nil, err
	}
	for _, c := range curves {
		if err := writeMark(t.w, curveMark, c); err != nil {
			return nil, err
		}
	}
	for i, c := range columns {
		if i > 0 {
			t.w.WriteByte(',')
		}
		t.w.WriteString(c.Name)
	}
	return t, t.w.WriteByte('\n')
}

func writeMark(w *bufio.Writer, mark string, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("writing what the table is about: %w", err)
	}
	w.WriteString(mark)
	w.WriteString(safeCells(string(text), escapeFormula))
	return w.WriteByte('\n')
}

func (t *csvTable[T, R]) Write(rows []T) error {
	for i := range rows {
		t.line = t.line[:0]
		R(&rows[i]).cells((*csvCells)(&t.line))
		t.line[len(t.line)-1] = '\n' // the comma after the last cell
		if _, err := t.w.Write(t.line); err != nil {
			return err
		}
	}
	return nil
}

func (t *csvTable[T, R]) Close() error { return t.w.Flush() }

// csvCells appends cells to a line, a comma after each.
type csvCells []byte

func (c *csvCells) text(s string) { *c = append(appendField(*c, safeText(s)), ',') }

func (c *csvCells) whole(v int64, known bool) {
	if known {
		*c = strconv.AppendInt(*c, v, 10)
	}
	*c = append(*c, ',')
}

func (c *csvCells) real(v *float64) {
	if v != nil && !math.IsNaN(*v) && !math.IsInf(*v, 0) {
		*c = appendNumber(*c, *v)
	}
	*c = append(*c, ',')
}

func (c *csvCells) truth(v bool) { *c = append(strconv.AppendBool(*c, v), ',') }

func (c *csvCells) time(t time.Time) {
	if !t.IsZero() {
		*c = t.UTC().AppendFormat(*c, stampLayout6)
	}
	*c = append(*c, ',')
}

// appendNumber appends a number that reads back the same, without a power of ten where
// that is readable.
func appendNumber(b []byte, v float64) []byte {
	format := byte('g')
	if a := math.Abs(v); a == 0 || a >= 1e-6 && a < 1e15 {
		format = 'f'
	}
	return strconv.AppendFloat(b, v, format, -1, 64)
}

// formulaStarts are the first characters by which a spreadsheet takes a text for a
// formula, with their wide forms (OWASP, CSV Injection), and the mark against it.
const formulaStarts = "=+-@\t\r\n'＝＋－＠"

// safeText puts a ' before a text that a spreadsheet would take for a formula, and before
// one that begins with ' itself, so that plainText gives back what was there.
func safeText(s string) string {
	if s == "" {
		return s
	}
	if first, _ := utf8.DecodeRuneInString(s); strings.ContainsRune(formulaStarts, first) {
		return "'" + s
	}
	return s
}

// safeCells makes safe a comment, which a spreadsheet splits into cells like any line: where
// a cell would begin as a formula does, instead writes its first character.
func safeCells(line string, instead func(first rune) string) string {
	var b strings.Builder
	begins := false
	for _, r := range line {
		if begins && strings.ContainsRune(formulaStarts, r) {
			b.WriteString(instead(r))
		} else {
			b.WriteRune(r)
		}
		begins = strings.ContainsRune(",;\t", r) || begins && (r == '"' || unicode.IsSpace(r))
	}
	return b.String()
}

func quoteFormula(first rune) string { return "'" + string(first) }

// escapeFormula is a character of a JSON string.
func escapeFormula(first rune) string { return fmt.Sprintf(`\u%04x`, first) }

// plainText undoes safeText.
func plainText(s string) string {
	if rest, ok := strings.CutPrefix(s, "'"); ok && safeText(rest) == s {
		return rest
	}
	return s
}

// appendField appends a field, quoted where it has to be: semicolons too, as many a
// spreadsheet splits at them, and a # that would make the row a comment.
func appendField(b []byte, s string) []byte {
	if !strings.ContainsAny(s, ",;\"\r\n\t#") && strings.TrimSpace(s) == s {
		return append(b, s...)
	}
	b = append(b, '"')
	b = append(b, strings.ReplaceAll(s, `"`, `""`)...)
	return append(b, '"')
}

// oneLine is s with its line ends as spaces.
func oneLine(s string) string { return strings.Join(strings.FieldsFunc(s, isLineEnd), " ") }

func isLineEnd(r rune) bool { return r == '\n' || r == '\r' || r == '\u2028' || r == '\u2029' }

// String tells the calibration in one line.
func (k CalibrationAbout) String() string {
	num := func(v *float64) string {
		if v == nil {
			return "unknown"
		}
		return strconv.FormatFloat(*v, 'g', -1, 64)
	}
	at := "not dated"
	if k.AtUTC != nil {
		at = "of " + k.AtUTC.UTC().Format(time.RFC3339)
	}
	df := num(k.DF)
	if k.DF == nil {
		df = "infinite"
	}
	return fmt.Sprintf("calibration %d of channel %s, %s: counts = %s + %s x %s; u of the zero %s counts, of the span %s counts/%s, df %s",
		k.ID, k.Channel, at, num(k.Zero), num(k.Span), k.Unit, num(k.UZero), num(k.USpan), k.Unit, df)
}

// jsonTable writes one object: what the table is about, its columns, and its rows, one a
// line.
type jsonTable[T any, R rowOf[T]] struct {
	w     *bufio.Writer
	line  []byte
	names []string // ready to stand before a value: `"run":`
	any   bool
}

func newJSONTable[T any, R rowOf[T]](w io.Writer, about About, columns []Column) (Table[T], error) {
	t := &jsonTable[T, R]{w: bufio.NewWriterSize(w, 64<<10)}
	head, err := json.MarshalIndent(struct {
		About
		Columns []Column `json:"columns"`
	}{about, columns}, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("writing what the table is about: %w", err)
	}
	for _, c := range columns {
		t.names = append(t.names, strconv.Quote(c.Name)+":")
	}
	t.w.Write(head[:len(head)-len("\n}")])
	_, err = t.w.WriteString(",\n  \"rows\": [")
	return t, err
}

func (t *jsonTable[T, R]) Write(rows []T) error {
	for i := range rows {
		t.line = append(t.line[:0], ',')
		if !t.any {
			t.line, t.any = t.line[:0], true
		}
		t.line = append(t.line, "\n    {"...)
		c := jsonCells{line: t.line, names: t.names}
		R(&rows[i]).cells(&c)
		t.line = c.line
		t.line[len(t.line)-1] = '}' // the comma after the last cell
		if _, err := t.w.Write(t.line); err != nil {
			return err
		}
	}
	return nil
}

func (t *jsonTable[T, R]) Close() error {
	t.w.WriteString("\n  ]\n}\n")
	return t.w.Flush()
}

// jsonCells appends members to an object, a comma after each. What is not known is null.
type jsonCells struct {
	line  []byte
	names []string // of the cells to come
}

func (c *jsonCells) name() {
	c.line = append(c.line, c.names[0]...)
	c.names = c.names[1:]
}

func (c *jsonCells) null() { c.line = append(c.line, "null,"...) }

func (c *jsonCells) text(s string) {
	c.name()
	text, err := json.Marshal(s)
	if err != nil { // no string is refused
		c.null()
		return
	}
	c.line = append(append(c.line, text...), ',')
}

func (c *jsonCells) whole(v int64, known bool) {
	c.name()
	if !known {
		c.null()
		return
	}
	c.line = append(strconv.AppendInt(c.line, v, 10), ',')
}

func (c *jsonCells) real(v *float64) {
	c.name()
	if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) {
		c.null()
		return
	}
	c.line = append(appendNumber(c.line, *v), ',')
}

func (c *jsonCells) truth(v bool) {
	c.name()
	c.line = append(strconv.AppendBool(c.line, v), ',')
}

func (c *jsonCells) time(t time.Time) {
	c.name()
	if t.IsZero() {
		c.null()
		return
	}
	c.line = append(c.line, '"')
	c.line = append(t.UTC().AppendFormat(c.line, stampLayout6), `",`...)
}

// rowGroup bounds what a Parquet table keeps in memory.
const rowGroup = 1 << 16

// parquetTable writes Parquet: what the table is about and every column's unit stand in
// the file's key-value metadata, as "unit.mass_g" and the like.
type parquetTable[T any] struct{ w *parquet.GenericWriter[T] }

func newParquetTable[T any](w io.Writer, about About, columns []Column) (Table[T], error) {
	text, err := json.Marshal(struct {
		About
		Columns []Column `json:"columns"`
	}{about, columns})
	if err != nil {
		return nil, fmt.Errorf("writing what the table is about: %w", err)
	}
	options := []parquet.WriterOption{parquet.CreatedBy("brimline", about.Version, ""), parquet.MaxRowsPerRowGroup(rowGroup),
		parquet.Compression(&zstd.Codec{Level: zstd.SpeedFastest}), parquet.KeyValueMetadata("brimline", string(text)),
		parquet.KeyValueMetadata("schema", about.Schema), parquet.KeyValueMetadata("version", about.Version),
		parquet.KeyValueMetadata("made_utc", about.MadeUTC.UTC().Format(time.RFC3339))}
	for _, c := range columns {
		if c.Unit != "" {
			options = append(options, parquet.KeyValueMetadata("unit."+c.Name, c.Unit))
		}
	}
	return &parquetTable[T]{parquet.NewGenericWriter[T](w, options...)}, nil
}

func (t *parquetTable[T]) Write(rows []T) error {
	_, err := t.w.Write(rows)
	return err
}

func (t *parquetTable[T]) Close() error { return t.w.Close() }
