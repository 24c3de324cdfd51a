package exchange

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// WriteCurves writes curves in the form that ReadCurves reads: commas, decimal
// points, a time column of UTC stamps to the microsecond when Start is known, else
// elapsed_s; a missing value is an empty cell. What ReadCurves gave comes back the
// same, warnings apart. Comments go above the header, one line each.
//
// Curves that ReadCurves would refuse (lengths that differ, time that does not
// rise, a name or unit it does not know) are an error, before anything is written.
func WriteCurves(w io.Writer, c Curves, comments ...string) error {
	if err := writable(c); err != nil {
		return fmt.Errorf("writing curves of %s: %w", c.Source, err)
	}
	b := bufio.NewWriter(w)
	for _, s := range comments {
		for _, line := range strings.FieldsFunc(s, func(r rune) bool { return r == '\n' || r == '\r' }) {
			b.WriteString("# " + line + "\n")
		}
	}
	stamped := !c.Start.IsZero()
	if stamped {
		b.WriteString("time")
	} else {
		b.WriteString("elapsed_s")
	}
	for _, ch := range c.Channels {
		b.WriteByte(',')
		b.WriteString(quoteName(columnName(ch.Name, ch.Unit)))
	}
	b.WriteByte('\n')
	var cell []byte
	for i, t := range c.ElapsedS {
		if stamped {
			at := c.Start.Add(time.Duration(math.Round(t*1e6)) * time.Microsecond)
			cell = at.UTC().AppendFormat(cell[:0], "2006-01-02T15:04:05.999999Z07:00")
		} else {
			cell = strconv.AppendFloat(cell[:0], t, 'g', -1, 64)
		}
		for _, ch := range c.Channels {
			cell = append(cell, ',')
			if !math.IsNaN(ch.Values[i]) {
				cell = strconv.AppendFloat(cell, ch.Values[i], 'g', -1, 64)
			}
		}
		cell = append(cell, '\n')
		b.Write(cell)
	}
	if err := b.Flush(); err != nil {
		return fmt.Errorf("writing curves of %s: %w", c.Source, err)
	}
	return nil
}

func writable(c Curves) error {
	if len(c.ElapsedS) < 2 || len(c.Channels) == 0 {
		return fmt.Errorf("%d rows of %d channels; at least two rows of one channel are needed", len(c.ElapsedS), len(c.Channels))
	}
	seen := map[string]bool{}
	for _, ch := range c.Channels {
		name, unit, ok := splitUnit(columnName(ch.Name, ch.Unit))
		if !ok || name != ch.Name || unit != ch.Unit || seen[name] || !printable(name) {
			return fmt.Errorf("channel %q in %q: names must be unique, without control characters or spaces at the ends, and units g, mL or counts", ch.Name, ch.Unit)
		}
		seen[name] = true
		if len(ch.Values) != len(c.ElapsedS) {
			return fmt.Errorf("channel %s has %d values for %d times", ch.Name, len(ch.Values), len(c.ElapsedS))
		}
		missing := 0
		for i, v := range ch.Values {
			if math.IsInf(v, 0) {
				return fmt.Errorf("channel %s, row %d: the value is infinite; write NaN where there is none", ch.Name, i+1)
			}
			if math.IsNaN(v) {
				missing++
			}
		}
		if missing == len(ch.Values) {
			return fmt.Errorf("channel %s has no value; leave it out", ch.Name)
		}
	}
	stamped := !c.Start.IsZero()
	for i, t := range c.ElapsedS {
		if math.IsNaN(t) || math.IsInf(t, 0) {
			return fmt.Errorf("row %d: time %g is not a finite number of seconds", i+1, t)
		}
		// Stamps are written to the microsecond, so they must rise at that step.
		if i > 0 && (t <= c.ElapsedS[i-1] || stamped && math.Round(t*1e6) <= math.Round(c.ElapsedS[i-1]*1e6)) {
			return fmt.Errorf("row %d: time %g s does not rise", i+1, t)
		}
	}
	if !stamped {
		return nil
	}
	last := c.ElapsedS[len(c.ElapsedS)-1]
	if last-c.ElapsedS[0] > maxStampSpan.Seconds() || math.Abs(last) > maxStampSpan.Seconds() {
		return fmt.Errorf("the last row is at %g s; stamps are written for up to %.0f days", last, maxStampSpan.Hours()/24)
	}
	if y := c.Start.UTC().Year(); y < minYear || y > maxYear {
		return fmt.Errorf("the start is in the year %d; stamps are written from %d to %d", y, minYear, maxYear)
	}
	return nil
}

// quoteName quotes a header's field where it has to be.
func quoteName(s string) string {
	if !strings.ContainsAny(s, `,;"`) {
		return s
	}
	return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
}
