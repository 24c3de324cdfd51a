package exchange

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"brimline/rig"
)

// TidyCurve is one channel's readings of one run, or of one boot outside of runs, as
// NewCurves wrote them.
type TidyCurve struct {
	Test      string
	Run       int // 0 outside of a run
	Injector  int
	Boot      int64
	Channel   string
	Line      int       // where it begins
	Start     time.Time // wall time of the first reading
	ElapsedS  []float64 // strictly rising
	Counts    []float64 // NaN where none was had, as in the two below
	MassG     []float64
	VolumeML  []float64
	Qualities []rig.Quality
	About     *CurveAbout // nil when the file says nothing of it
}

// IsTidyCurves reports whether a file's first lines are those of a table of readings that
// NewCurves wrote: a header with channel, elapsed_s and quality. It reads no further than
// the header.
func IsTidyCurves(r io.Reader) bool {
	return headerHas(r, "channel", "elapsed_s", "quality")
}

// IsTidyRates reports whether a file's first lines are those of a table of rates that
// NewRates wrote. It reads no further than the header.
func IsTidyRates(r io.Reader) bool {
	return headerHas(r, "rate_ml_per_min", "u95_ml_per_min", "finding_allowed")
}

func headerHas(r io.Reader, names ...string) bool {
	l := newLineReader(bufio.NewReaderSize(r, 4<<10), "")
	line, err := l.nextRow()
	if err != nil {
		return false
	}
	fields, err := split(nil, line, separator(line))
	if err != nil {
		return false
	}
	for _, name := range names {
		if !slices.ContainsFunc(fields, func(f []byte) bool { return string(f) == name }) {
			return false
		}
	}
	return true
}

// ReadTidyCurves reads a table of readings that NewCurves wrote, also after a spreadsheet
// has saved it with semicolons and decimal commas; name is the file's name for messages.
// Rows of one curve need not stand together, but must be in order of time. doubts are what
// the export told of itself. A fault is an *InputError.
func ReadTidyCurves(r io.Reader, name string) (curves []TidyCurve, doubts []string, err error) {
	t := &tidyReader{l: newLineReader(r, name), at: map[string]int{}, index: map[tidyKey]int{}}
	for {
		line, err := t.l.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, nil, err
		}
		line = bytes.TrimSpace(line)
		switch {
		case len(line) == 0:
			continue
		case line[0] == '#':
			err = t.comment(line)
		case len(t.at) == 0:
			err = t.header(line)
		default:
			err = t.row(line)
		}
		if err != nil {
			return nil, nil, err
		}
	}
	if len(t.out) == 0 {
		return nil, nil, &InputError{File: name, Line: t.l.n, Problem: "there is no reading", Next: "give a table of readings that export wrote"}
	}
	for i := range t.out {
		c := &t.out[i]
		for k := range t.about {
			if a := &t.about[k]; a.Test == c.Test && a.Run == c.Run && a.Channel == c.Channel {
				c.About = a
			}
		}
	}
	return t.out, t.doubts, nil
}

// tidyKey is what tells one curve from another.
type tidyKey struct {
	test, channel string
	run           int
	boot          int64
}

type tidyReader struct {
	l      *lineReader
	num    numbers
	at     map[string]int // column to field
	fields [][]byte
	about  []CurveAbout
	doubts []string
	out    []TidyCurve
	index  map[tidyKey]int // into out
}

func (t *tidyReader) bad(column string, problem, next string) error {
	return &InputError{File: t.l.file, Line: t.l.n, Column: column, Value: shown(t.cell(column)), Problem: problem, Next: next}
}

func (t *tidyReader) comment(line []byte) error {
	if doubt, ok := bytes.CutPrefix(line, []byte(doubtMark)); ok {
		t.doubts = append(t.doubts, string(doubt))
		return nil
	}
	text, ok := bytes.CutPrefix(line, []byte(curveMark))
	if !ok {
		return nil
	}
	var a CurveAbout
	if err := json.Unmarshal(text, &a); err != nil {
		return &InputError{File: t.l.file, Line: t.l.n, Value: shown(text), Problem: "what the file says of a curve cannot be read", Next: "export it again, or take this line out (± then leaves the calibration out)"}
	}
	t.about = append(t.about, a)
	return nil
}

func (t *tidyReader) header(line []byte) error {
	t.num.sep = separator(line)
	fields, err := split(nil, line, t.num.sep)
	if err != nil {
		return quoteError(t.l, line)
	}
	for i, f := range fields {
		t.at[string(f)] = i
	}
	for _, c := range curveColumns {
		if _, ok := t.at[c.Name]; !ok {
			return &InputError{File: t.l.file, Line: t.l.n, Column: c.Name, Problem: "the column is missing", Next: "give the table as export wrote it, with all its columns"}
		}
	}
	return nil
}

// cell is the row's field in a column, without the mark against formulas.
func (t *tidyReader) cell(column string) []byte {
	if i, ok := t.at[column]; ok && i < len(t.fields) {
		return t.fields[i]
	}
	return nil
}

// real is NaN for an empty cell.
func (t *tidyReader) real(column string) (float64, error) {
	b := t.cell(column)
	if len(b) == 0 {
		return math.NaN(), nil
	}
	v, f := t.num.parse(b, t.l.n)
	if f != nil {
		return 0, t.bad(column, f.problem, f.next)
	}
	return v, nil
}

func (t *tidyReader) whole(column string, most int64) (int64, error) {
	b := t.cell(column)
	if len(b) == 0 {
		return 0, nil
	}
	v, err := strconv.ParseInt(string(b), 10, 64)
	if err != nil || v < 0 || v > most {
		return 0, t.bad(column, fmt.Sprintf("not a whole number from 0 to %d", most), "give the table as export wrote it")
	}
	return v, nil
}

func (t *tidyReader) row(line []byte) (err error) {
	if t.fields, err = split(t.fields[:0], line, t.num.sep); err != nil {
		return quoteError(t.l, line)
	}
	if len(t.fields) != len(t.at) {
		if t.l.last && len(t.fields) < len(t.at) {
			return &InputError{File: t.l.file, Line: t.l.n, Problem: fmt.Sprintf("the last row was cut off: it has %d fields of %d", len(t.fields), len(t.at)), Next: "copy the file again: it is not whole"}
		}
		return &InputError{File: t.l.file, Line: t.l.n, Problem: fmt.Sprintf("the row has %d fields and the header %d", len(t.fields), len(t.at)), Next: "give the table as export wrote it"}
	}
	run, err := t.whole("run", math.MaxInt32)
	if err != nil {
		return err
	}
	injector, err := t.whole("injector", math.MaxInt32)
	if err != nil {
		return err
	}
	boot, err := t.whole("boot", math.MaxInt64)
	if err != nil {
		return err
	}
	var v [4]float64
	for i, column := range []string{"elapsed_s", "counts", "mass_g", "volume_ml"} {
		if v[i], err = t.real(column); err != nil {
			return err
		}
	}
	if math.IsNaN(v[0]) {
		return t.bad("elapsed_s", "the row has no time", "fill it in, or take the row out")
	}
	quality, ok := qualityOf(string(t.cell("quality")))
	if !ok {
		return t.bad("quality", "not a quality that is known here", "give the table as export wrote it")
	}
	key := tidyKey{plainText(string(t.cell("test"))), plainText(string(t.cell("channel"))), int(run), boot}
	if key.channel == "" {
		return t.bad("channel", "nothing here", "fill it in: every reading names its channel")
	}
	i, known := t.index[key]
	if !known {
		i = len(t.out)
		t.index[key] = i
		c := TidyCurve{Test: key.test, Run: key.run, Injector: int(injector), Boot: boot, Channel: key.channel, Line: t.l.n}
		if b := t.cell("time_utc"); len(b) > 0 {
			layout, ok := stampLayout(b)
			if !ok {
				return t.bad("time_utc", "not a clock stamp", "write it as "+stampExample)
			}
			c.Start, _ = time.Parse(stampLayouts[layout], string(b))
		}
		t.out = append(t.out, c)
	}
	c := &t.out[i]
	if n := len(c.ElapsedS); n > 0 && v[0] <= c.ElapsedS[n-1] {
		return t.bad("elapsed_s", fmt.Sprintf("does not come after %g s, the time of this channel's row before", c.ElapsedS[n-1]), "put the rows in order of time, each once")
	}
	if int(injector) != c.Injector {
		return t.bad("injector", fmt.Sprintf("channel %s has injector %d on line %d of the same run", c.Channel, c.Injector, c.Line), "a tube has one injector in a run: give the table as export wrote it")
	}
	c.ElapsedS = append(c.ElapsedS, v[0])
	c.Counts = append(c.Counts, v[1])
	c.MassG = append(c.MassG, v[2])
	c.VolumeML = append(c.VolumeML, v[3])
	c.Qualities = append(c.Qualities, quality)
	return nil
}

// qualityOf finds a quality by its name.
func qualityOf(name string) (rig.Quality, bool) {
	for q := rig.Good; ; q++ {
		switch s := q.String(); {
		case s == name:
			return q, true
		case strings.HasPrefix(s, "quality("):
			return 0, false
		}
	}
}
