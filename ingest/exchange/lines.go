package exchange

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"unicode"
	"unicode/utf8"
)

// maxLine bounds one line. A row of 200 channels takes 4 KB; a file without line
// ends is not a table, and must not fill the memory of a small board.
const maxLine = 64 << 10

// lineReader gives the lines of a file, without their ends and without NUL bytes.
// encoding/csv would read the fields, but neither bounds a line nor lets NULs be
// told by line, and a curve is long: this is four times as fast.
type lineReader struct {
	r    *bufio.Reader
	file string
	n    int    // number of the line last given
	buf  []byte // a line put together from pieces
	last bool   // the line last given had no line end

	nulBytes, nulLines, nulFirst int
}

func newLineReader(r io.Reader, file string) *lineReader {
	return &lineReader{r: bufio.NewReaderSize(r, 32<<10), file: file}
}

// next gives the next line; it is valid until the call after. At the end it gives
// io.EOF. Other errors are an *InputError or wrap what the reader said.
func (l *lineReader) next() ([]byte, error) {
	l.buf = l.buf[:0]
	nuls := 0
	for {
		piece, err := l.r.ReadSlice('\n')
		if l.n == 0 && len(l.buf) == 0 && nuls == 0 {
			if bytes.HasPrefix(piece, []byte{0xFF, 0xFE}) || bytes.HasPrefix(piece, []byte{0xFE, 0xFF}) {
				return nil, &InputError{File: l.file, Line: 1, Problem: "the file is written in UTF-16",
					Next: "save it again as plain CSV in UTF-8"}
			}
			piece = bytes.TrimPrefix(piece, []byte{0xEF, 0xBB, 0xBF})
		}
		if c := bytes.Count(piece, []byte{0}); c > 0 {
			nuls += c
			for _, b := range piece {
				if b != 0 {
					l.buf = append(l.buf, b)
				}
			}
		} else {
			l.buf = append(l.buf, piece...)
		}
		if len(l.buf) > maxLine {
			return nil, &InputError{File: l.file, Line: l.n + 1, Value: shown(l.buf),
				Problem: fmt.Sprintf("the line is longer than %d bytes", maxLine),
				Next:    "check that this is a CSV file with one row a line"}
		}
		if errors.Is(err, bufio.ErrBufferFull) {
			continue
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("reading %s after line %d: %w", l.file, l.n, err)
		}
		if err != nil && len(l.buf) == 0 && nuls == 0 {
			return nil, io.EOF
		}
		l.n++
		l.last = err != nil
		if nuls > 0 {
			if l.nulLines == 0 {
				l.nulFirst = l.n
			}
			l.nulLines++
			l.nulBytes += nuls
		}
		return bytes.TrimRight(l.buf, "\r\n"), nil
	}
}

// nextRow is next without blank lines and comments.
func (l *lineReader) nextRow() ([]byte, error) {
	for {
		line, err := l.next()
		if err != nil {
			return nil, err
		}
		t := bytes.TrimSpace(line)
		if len(t) > 0 && t[0] != '#' {
			return line, nil
		}
	}
}

// nulWarning is empty when the file had no NUL bytes.
func (l *lineReader) nulWarning() string {
	switch l.nulLines {
	case 0:
		return ""
	case 1:
		return fmt.Sprintf("line %d held %d NUL bytes, the mark of a power cut while the logger wrote: they were taken out and the rest of the line was used", l.nulFirst, l.nulBytes)
	}
	return fmt.Sprintf("%d lines, the first of them line %d, held %d NUL bytes together, the mark of a power cut while the logger wrote: they were taken out and the rest of each line was used", l.nulLines, l.nulFirst, l.nulBytes)
}

// checkText refuses a line that is not text: a recording of another kind was named.
func (l *lineReader) checkText(line []byte) error {
	for b := line; len(b) > 0; {
		r, n := utf8.DecodeRune(b)
		if r == utf8.RuneError && n == 1 || unicode.IsControl(r) && r != '\t' {
			return &InputError{File: l.file, Line: l.n, Value: shown(line), Problem: "this is not plain text in UTF-8",
				Next: "give a CSV file, saved as UTF-8"}
		}
		b = b[n:]
	}
	return nil
}

// separator finds the field separator of a file by its first row.
func separator(line []byte) byte {
	quoted := false
	for _, b := range line {
		switch {
		case b == '"':
			quoted = !quoted
		case b == ';' && !quoted:
			return ';'
		}
	}
	return ','
}

// errQuote is a quoted field that does not end as it must.
var errQuote = errors.New("quote")

// split cuts a line into fields, spaces around them taken off, quotes resolved. It
// appends to dst; the fields share memory with line.
func split(dst [][]byte, line []byte, sep byte) ([][]byte, error) {
	for {
		end := bytes.IndexByte(line, sep)
		field := line
		if end >= 0 {
			field = line[:end]
		}
		field = trim(field)
		if len(field) > 0 && field[0] == '"' {
			var rest []byte
			var ok bool
			if field, rest, ok = quotedField(bytes.TrimLeft(line, " \t"), sep); !ok {
				return dst, errQuote
			}
			dst = append(dst, trim(field))
			if rest == nil {
				return dst, nil
			}
			line = rest
			continue
		}
		dst = append(dst, field)
		if end < 0 {
			return dst, nil
		}
		line = line[end+1:]
	}
}

// trim takes spaces and tabs off both ends; the usual field has none.
func trim(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	for len(b) > 0 && (b[len(b)-1] == ' ' || b[len(b)-1] == '\t') {
		b = b[:len(b)-1]
	}
	return b
}

// quotedField reads the field at the start of line, which begins with a quote. rest
// is what follows the separator, nil at the line's end.
func quotedField(line []byte, sep byte) (field, rest []byte, ok bool) {
	i := 1
	for {
		q := bytes.IndexByte(line[i:], '"')
		if q < 0 {
			return nil, nil, false
		}
		field = append(field, line[i:i+q]...)
		i += q + 1
		if i < len(line) && line[i] == '"' {
			field = append(field, '"')
			i++
			continue
		}
		after := bytes.TrimLeft(line[i:], " \t")
		if len(after) == 0 {
			return field, nil, true
		}
		if after[0] != sep {
			return nil, nil, false
		}
		return field, after[1:], true
	}
}

func quoteError(l *lineReader, line []byte) error {
	return &InputError{File: l.file, Line: l.n, Value: shown(line), Problem: "a quoted field does not end before the next separator",
		Next: `close it with ", and write a quote inside it twice`}
}

// numbers reads numbers of one file, which must keep to one decimal mark.
type numbers struct {
	sep  byte
	mark byte // '.' or ',' once one was seen, and the line it was seen on
	line int
	buf  []byte
}

// fault is what is wrong with a value, and what to do.
type fault struct{ problem, next string }

// parse reads a finite number. The fault is nil when it is one.
func (p *numbers) parse(b []byte, line int) (float64, *fault) {
	mark := byte(0)
	for _, c := range b {
		switch {
		case c == '.' || c == ',':
			if mark != 0 {
				return 0, &fault{"more than one decimal mark in a number", "write it with one decimal mark and no thousands mark"}
			}
			mark = c
		case c >= '0' && c <= '9', c == '-', c == '+', c == 'e', c == 'E':
		default:
			return 0, notNumber(b)
		}
	}
	if mark == ',' && p.sep == ',' {
		return 0, &fault{"a decimal comma where commas separate the fields", "separate the fields with semicolons, or write decimal points"}
	}
	if mark != 0 {
		if p.mark == 0 {
			p.mark, p.line = mark, line
		}
		if p.mark != mark {
			return 0, &fault{fmt.Sprintf("the decimal mark changes: it was %q on line %d", p.mark, p.line), "write the whole file with one decimal mark"}
		}
		if mark == ',' {
			p.buf = append(p.buf[:0], b...)
			p.buf[bytes.IndexByte(b, ',')] = '.'
			b = p.buf
		}
	}
	v, err := strconv.ParseFloat(string(b), 64)
	if errors.Is(err, strconv.ErrRange) {
		return 0, &fault{"the number is too large", "check how the file was written"}
	}
	if err != nil {
		return 0, notNumber(b)
	}
	return v, nil
}

func notNumber(b []byte) *fault {
	if len(b) == 0 {
		return &fault{"no number here", "fill it in, or take the row out"}
	}
	if v, err := strconv.ParseFloat(string(b), 64); err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
		return &fault{"not a finite number", "leave the cell empty where there is no value"}
	}
	return &fault{"not a number", "write digits only (the unit belongs in the column's name), or leave the cell empty where there is no value"}
}
