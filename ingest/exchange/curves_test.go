package exchange

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestReadCurves(t *testing.T) {
	nan := math.NaN()
	utc := func(s string) time.Time {
		at, err := time.Parse(time.RFC3339Nano, s)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	for _, c := range []struct {
		name, in string
		columns  []string
		elapsedS []float64
		start    time.Time
		channels []CurveChannel
		warnings []string // a part of each
	}{
		{name: "commas and points", in: "elapsed_s,tube1_g,a_ml,x_counts\n0,1.5,2,-8388608\n0.5,1.25e1,3,8388607\n",
			elapsedS: []float64{0, 0.5},
			channels: []CurveChannel{{"tube1", "g", []float64{1.5, 12.5}, 0}, {"a", "mL", []float64{2, 3}, 0}, {"x", "counts", []float64{-8388608, 8388607}, 0}}},
		{name: "semicolons and decimal commas", in: "elapsed_s;tube 1_g\n0,5;1,25\n1,5;2\n",
			elapsedS: []float64{0.5, 1.5}, channels: []CurveChannel{{"tube 1", "g", []float64{1.25, 2}, 0}}},
		{name: "semicolons and points", in: "elapsed_s;a_g\n0.5;1.25\n1.5;2\n",
			elapsedS: []float64{0.5, 1.5}, channels: []CurveChannel{{"a", "g", []float64{1.25, 2}, 0}}},
		{name: "marks of other programs", in: "\xEF\xBB\xBF# a comment, with a comma\r\nTime, \"a,b_g\" ,c_mL,\r\n\r\n10, \"1\" ,2,\r\n# noon\r\n11,3,4,\r\n",
			elapsedS: []float64{0, 1}, channels: []CurveChannel{{"a,b", "g", []float64{1, 3}, 0}, {"c", "mL", []float64{2, 4}, 0}}},
		{name: "local stamps", in: "time,a_g\n2022/02/25 01:25:06,1\n2022/02/25 01:25:06.25,2\n2022/02/26 01:25:06,3\n",
			elapsedS: []float64{0, 0.25, 86400}, start: utc("2022-02-25T01:25:06Z"), channels: []CurveChannel{{"a", "g", []float64{1, 2, 3}, 0}}},
		{name: "zoned stamps", in: "time,a_g\n2022-02-25T01:25:06.000001+02:00,1\n2022-02-25T00:25:06.000001+01:00,2\n2022-02-24T23:25:07Z,2\n",
			elapsedS: nil},
		{name: "missing values", in: "elapsed_s,a_g,b_g\n0,1,\n1,,2\n2,3\n3,4,5\n",
			elapsedS: []float64{0, 1, 2, 3}, channels: []CurveChannel{{"a", "g", []float64{1, nan, 3, 4}, 1}, {"b", "g", []float64{nan, 2, nan, 5}, 2}},
			warnings: []string{"column a_g: 1 of 4", "column b_g: 2 of 4", "1 rows, the first of them line 4"}},
		{name: "named by the user", in: "2022/02/24 21:32:03,1381.0,27.5,27.5\n2022/02/24 21:32:10,1384.3,32.9,32.9\n", columns: []string{"time", "tank_g", "-", "-"},
			elapsedS: []float64{0, 7}, start: utc("2022-02-24T21:32:03Z"), channels: []CurveChannel{{"tank", "g", []float64{1381, 1384.3}, 0}}},
		{name: "named over a header", in: "time,data\n0.823,2175069\n0.909,2175001\n", columns: []string{"elapsed_s", "cell_counts"},
			elapsedS: []float64{0.823, 0.909}, channels: []CurveChannel{{"cell", "counts", []float64{2175069, 2175001}, 0}}},
		{name: "time not first", in: "7,0,1\n8,2,3\n", columns: []string{"-", "elapsed_s", "a_g"},
			elapsedS: []float64{0, 2}, channels: []CurveChannel{{"a", "g", []float64{1, 3}, 0}}},
		{name: "a power cut", in: "elapsed_s,a_g\n0,1\n\x00\x00\x00\x001,2\n\x00\x00\n2,3\n3,",
			elapsedS: []float64{0, 1, 2, 3}, channels: []CurveChannel{{"a", "g", []float64{1, 2, 3, nan}, 1}},
			warnings: []string{"column a_g: 1 of 4", "2 lines, the first of them line 3, held 6 NUL"}},
		{name: "cut off in writing", in: "elapsed_s,a_g,b_g\n0,1,2\n1,2,3\n2,3",
			elapsedS: []float64{0, 1}, channels: []CurveChannel{{"a", "g", []float64{1, 2}, 0}, {"b", "g", []float64{2, 3}, 0}},
			warnings: []string{"line 4, the last, was cut off"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := ReadCurves(strings.NewReader(c.in), "x.csv", CurveOptions{Columns: c.columns})
			if c.elapsedS == nil { // zones that go back to the same instant
				wantInput(t, err, 3, "time", "same time as line 2")
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			want := Curves{Source: "x.csv", ElapsedS: c.elapsedS, Start: c.start, Channels: c.channels}
			if d := differ(got, want); d != "" {
				t.Error(d)
			}
			if len(got.Warnings) != len(c.warnings) {
				t.Fatalf("warnings %q, want %d", got.Warnings, len(c.warnings))
			}
			for i, w := range c.warnings {
				if !strings.Contains(got.Warnings[i], w) {
					t.Errorf("warning %q, want %q in it", got.Warnings[i], w)
				}
			}
		})
	}
}

// differ says where two curves differ, bit by bit, NaN equal to NaN; warnings apart.
func differ(a, b Curves) string {
	same := func(x, y float64) bool { return x == y || math.IsNaN(x) && math.IsNaN(y) }
	switch {
	case !slices.EqualFunc(a.ElapsedS, b.ElapsedS, same):
		return fmt.Sprintf("elapsed %v and %v", a.ElapsedS, b.ElapsedS)
	case !a.Start.Equal(b.Start):
		return fmt.Sprintf("start %v and %v", a.Start, b.Start)
	case !slices.EqualFunc(a.Channels, b.Channels, func(x, y CurveChannel) bool {
		return x.Name == y.Name && x.Unit == y.Unit && x.Missing == y.Missing && slices.EqualFunc(x.Values, y.Values, same)
	}):
		return fmt.Sprintf("channels %+v and %+v", a.Channels, b.Channels)
	}
	return ""
}

func wantInput(t *testing.T, err error, line int, column, part string) {
	t.Helper()
	var in *InputError
	if !errors.As(err, &in) {
		t.Fatalf("error %v, want an InputError", err)
	}
	if in.File == "" || in.Next == "" || in.Line != line || in.Column != column || !strings.Contains(in.Error(), part) {
		t.Errorf("got %v (line %d, column %q), want line %d, column %q and %q", err, in.Line, in.Column, line, column, part)
	}
}

func TestReadCurvesRefuses(t *testing.T) {
	stamps := "time,a_g\n"
	for i := range 40 {
		stamps += fmt.Sprintf("2026-03-02 10:00:%02d,%d\n", i/4, i)
	}
	noise := make([]byte, 10<<20)
	r := rand.New(rand.NewPCG(1, 1))
	for i := range noise {
		noise[i] = byte(r.Uint32())
	}
	for _, c := range []struct {
		name, in string
		columns  string
		line     int
		column   string
		part     string
	}{
		{"empty", "", "", 0, "", "the file is empty"},
		{"comments only", "# nothing\n\n", "", 0, "", "comments and blank lines only"},
		{"only a header", "elapsed_s,a_g\n", "", 1, "", "a header and nothing below"},
		{"one sample", "elapsed_s,a_g\n0,1\n", "", 2, "", "one row, and a curve needs two"},
		{"no header", "0,1,2\n1,2,3\n", "", 1, "", "--columns time,tube1_g,tube2_g"},
		{"no header, stamps", "2022/02/25 01:25:06,17\n", "", 1, "", "--columns time,tube1_g "},
		{"other first column", "seconds,a_g\n0,1\n", "", 1, "", "must be elapsed_s or time"},
		{"no unit", "time,data\n0,1\n1,2\n", "", 1, `"data"`, "data_g, data_ml or data_counts"},
		{"unknown unit", "elapsed_s,a_kg\n0,1\n", "", 1, `"a_kg"`, "without a unit"},
		{"unit only", "elapsed_s,_g\n0,1\n", "", 1, `"_g"`, "without a unit"},
		{"a name twice", "elapsed_s,a_g,a_ml\n0,1,2\n", "", 1, `"a_ml"`, "the channel a twice"},
		{"two times", "elapsed_s,time,a_g\n0,0,2\n", "", 1, "", "2 time columns"},
		{"no channel", "elapsed_s\n0\n", "", 1, "", "names no channel"},
		{"tabs", "elapsed_s\ta_g\n0\t1\n", "", 1, "", "tabs or bars"},
		{"text in a number", "elapsed_s,a_g\n0,1\n1,12.5 g\n", "", 3, "a_g", `"12.5 g": not a number`},
		{"hexadecimal", "elapsed_s,a_g\n0,1\n1,0x1p3\n", "", 3, "a_g", "not a number"},
		{"NaN", "elapsed_s,a_g\n0,1\n1,NaN\n", "", 3, "a_g", "not a finite number"},
		{"Inf", "elapsed_s,a_g\n0,1\n1,-Inf\n", "", 3, "a_g", "not a finite number"},
		{"too large", "elapsed_s,a_g\n0,1\n1,1e999\n", "", 3, "a_g", "too large"},
		{"NaN in time", "elapsed_s,a_g\n0,1\nNaN,2\n", "", 3, "elapsed_s", "not a finite number"},
		{"backwards", "elapsed_s,a_g\n0,1\n2,2\n1,3\n", "", 4, "elapsed_s", "backwards: 1 s before line 3"},
		{"backwards stamps", "time,a_g\n2026-03-02 10:00:00,1\n2026-03-02 09:00:00,2\n", "", 3, "time", "backwards: 3600 s before line 2"},
		{"same time", "elapsed_s,a_g\n0,1\n1,2\n1,3\n", "", 4, "elapsed_s", "the same time as line 3"},
		{"coarse stamps", stamps, "", 3, "time", "30 of 40 rows"},
		{"clock set", "time,a_g\n1970-01-01 00:00:09,1\n2026-03-02 10:00:00,2\n", "", 3, "time", "starts in 1970"},
		{"wild year", "time,a_g\n0026-03-02 10:00:00,1\n", "", 2, "time", "the year is not between"},
		{"stamps change form", "time,a_g\n2026-03-02 10:00:00,1\n2026/03/02 10:00:01,2\n", "", 3, "time", "not a clock stamp like"},
		{"day first", "time,a_g\n02.03.2026 10:00:00,1\n", "", 2, "time", "neither seconds nor a clock stamp"},
		{"stamp in elapsed_s", "elapsed_s,a_g\n2026-03-02 10:00:00,1\n", "", 2, "elapsed_s", "call the column time"},
		{"no time", "elapsed_s,a_g\n0,1\n,2\n", "", 3, "elapsed_s", "no number here"},
		{"more fields", "elapsed_s,a_g\n0,1\n1,2,3\n", "", 3, "field 3", "3 fields, and 2 columns"},
		{"decimal commas among commas", "elapsed_s,a_g\n\"0,5\",1\n", "", 2, "elapsed_s", "separate the fields with semicolons"},
		{"thousands", "elapsed_s;a_g\n0;1.234,5\n", "", 2, "a_g", "more than one decimal mark"},
		{"marks change", "elapsed_s;a_g\n0;1,5\n1;1.5\n", "", 3, "a_g", "it was ',' on line 2"},
		{"empty column", "elapsed_s,a_g,b_g\n0,1,\n1,2,\n", "", 3, "b_g", "the whole column is empty"},
		{"quote", "elapsed_s,a_g\n0,\"1\n1,2\n", "", 2, "", "does not end"},
		{"UTF-16", "\xFF\xFEe\x00l\x00", "", 1, "", "UTF-16"},
		{"binary", "\x01\x02\x03\n", "", 1, "", "not plain text"},
		{"noise", string(noise), "", 1, "", ""},
		{"a very long line", "elapsed_s,a_g\n0," + strings.Repeat("1", 10<<20), "", 2, "", "longer than 65536 bytes"},
		{"all NUL", strings.Repeat("\x00", 1<<20), "", 0, "", "blank lines only"},
		{"columns without time", "1,2\n", "a_g,b_g", 0, "", "--columns names 0 time columns"},
		{"columns without unit", "1,2\n", "time,b", 0, `"b"`, "--columns names a column without a unit"},
		{"too few columns", "1,2,3\n", "time,b_g", 1, "field 3", "- leaves one out"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var o CurveOptions
			if c.columns != "" {
				o.Columns = strings.Split(c.columns, ",")
			}
			_, err := ReadCurves(strings.NewReader(c.in), "x.csv", o)
			wantInput(t, err, c.line, c.column, c.part)
			if s := err.Error(); len(s) > 400 || strings.ContainsAny(s, "\n\x00") {
				t.Errorf("the message is not one short line: %q", s)
			}
		})
	}
}

func TestReadCurvesSameSecond(t *testing.T) {
	in := "time,a_g\n"
	for i := range 60 {
		s := i
		if i == 30 {
			s = 29
		}
		in += fmt.Sprintf("2026-03-02 10:00:%02d,%d\n", s, i)
	}
	got, err := ReadCurves(strings.NewReader(in), "x.csv", CurveOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.ElapsedS) != 59 || got.Channels[0].Values[29] != 29 || got.Channels[0].Values[30] != 31 {
		t.Errorf("kept %d rows, values %v", len(got.ElapsedS), got.Channels[0].Values)
	}
	if len(got.Warnings) != 1 || !strings.Contains(got.Warnings[0], "1 rows, the first of them line 32") {
		t.Errorf("warnings %q", got.Warnings)
	}
}

func TestReadCurvesPassesReaderErrors(t *testing.T) {
	broken := errors.New("card gone")
	_, err := ReadCurves(io.MultiReader(strings.NewReader("elapsed_s,a_g\n0,1\n"), &failing{broken}), "x.csv", CurveOptions{})
	if !errors.Is(err, broken) || !strings.Contains(err.Error(), "x.csv after line 2") {
		t.Errorf("got %v", err)
	}
}

type failing struct{ err error }

func (f *failing) Read([]byte) (int, error) { return 0, f.err }

func TestCurvesUnit(t *testing.T) {
	c, err := ReadCurves(strings.NewReader("elapsed_s,a_g,b_g,c_ml\n0,1,2,3\n1,1,2,3\n"), "x.csv", CurveOptions{})
	if err != nil {
		t.Fatal(err)
	}
	_, err = c.Unit()
	wantInput(t, err, 0, "c_ml", "its unit is mL, that of column a_g is g")
	c.Channels = c.Channels[:2]
	if u, err := c.Unit(); u != "g" || err != nil {
		t.Errorf("unit %q, %v", u, err)
	}
	c.Channels = nil
	_, err = c.Unit()
	wantInput(t, err, 0, "", "no channels")
}

// genCurves draws curves that WriteCurves must accept.
func genCurves(t *rapid.T) Curves {
	rows := rapid.IntRange(2, 12).Draw(t, "rows")
	c := Curves{Source: "x.csv"}
	stamped := rapid.Bool().Draw(t, "stamped")
	var us int64
	for range rows {
		c.ElapsedS = append(c.ElapsedS, float64(us)/1e6)
		us += rapid.Int64Range(1, 1e12).Draw(t, "step_us")
	}
	if stamped {
		c.Start = time.UnixMicro(rapid.Int64Range(-1e15, 5e15).Draw(t, "start_us"))
	}
	names := rapid.SliceOfNDistinct(rapid.StringMatching(`[a-zé"#;,=-][a-z_ ,;"'#0-9é]{0,6}[a-z0-9"]`), 1, 4, rapid.ID[string]).Draw(t, "names")
	for _, n := range names {
		ch := CurveChannel{Name: n, Unit: rapid.SampledFrom([]string{"g", "mL", "counts"}).Draw(t, "unit")}
		for i := range rows {
			v := rapid.Float64().Draw(t, "value")
			if i > 0 && rapid.IntRange(0, 4).Draw(t, "gap") == 0 || math.IsInf(v, 0) || math.IsNaN(v) {
				v = math.NaN()
			}
			if i == 0 && math.IsNaN(v) {
				v = 1
			}
			if math.IsNaN(v) {
				ch.Missing++
			}
			ch.Values = append(ch.Values, v)
		}
		c.Channels = append(c.Channels, ch)
	}
	return c
}

func TestWriteCurvesComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := genCurves(t)
		var b bytes.Buffer
		if err := WriteCurves(&b, c, "made up\nfor a test"); err != nil {
			t.Fatal(err)
		}
		back, err := ReadCurves(&b, "x.csv", CurveOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if d := differ(c, back); d != "" {
			t.Error(d)
		}
	})
}

func TestWriteCurvesRefuses(t *testing.T) {
	good := func() Curves {
		return Curves{Source: "x.csv", ElapsedS: []float64{0, 1}, Channels: []CurveChannel{{Name: "a", Unit: "g", Values: []float64{1, 2}}}}
	}
	for _, c := range []struct {
		part string
		harm func(*Curves)
	}{
		{"at least two rows", func(c *Curves) { c.ElapsedS = nil }},
		{"2 rows of 0 channels", func(c *Curves) { c.Channels = nil }},
		{`"a" in "kg"`, func(c *Curves) { c.Channels[0].Unit = "kg" }},
		{`"a\nb"`, func(c *Curves) { c.Channels[0].Name = "a\nb" }},
		{"unique", func(c *Curves) { c.Channels = append(c.Channels, c.Channels[0]) }},
		{"1 values for 2 times", func(c *Curves) { c.Channels[0].Values = []float64{1} }},
		{"infinite", func(c *Curves) { c.Channels[0].Values[1] = math.Inf(1) }},
		{"has no value", func(c *Curves) { c.Channels[0].Values = []float64{math.NaN(), math.NaN()} }},
		{"does not rise", func(c *Curves) { c.ElapsedS[1] = 0 }},
		{"does not rise", func(c *Curves) { c.ElapsedS[1] = 1e-7; c.Start = time.Unix(0, 0) }},
		{"not a finite number", func(c *Curves) { c.ElapsedS[1] = math.NaN() }},
		{"days", func(c *Curves) { c.ElapsedS[1] = 1e12; c.Start = time.Unix(0, 0) }},
		{"year 1000", func(c *Curves) { c.Start = time.Date(1000, 1, 1, 0, 0, 0, 0, time.UTC) }},
	} {
		x := good()
		c.harm(&x)
		var b bytes.Buffer
		err := WriteCurves(&b, x)
		if err == nil || !strings.Contains(err.Error(), c.part) || b.Len() > 0 {
			t.Errorf("error %v after %d bytes, want %q", err, b.Len(), c.part)
		}
	}
	x := good()
	if err := WriteCurves(&full{}, x); err == nil || !strings.Contains(err.Error(), "no space") {
		t.Errorf("a full disk: %v", err)
	}
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("no space left") }

func FuzzReadCurves(f *testing.F) {
	for _, s := range []string{"elapsed_s,a_g\n0,1\n1,2\n", "time;a_ml;b_counts\n2022/02/25 01:25:06,5;1,5;\n2022/02/25 01:25:07,5;2;3\n",
		"\x00\x001,2\n3,4\n", "time,\"a,\"\"b_g\"\n2022-02-25T01:25:06Z,1\n2022-02-25T01:25:07+02:00,2\n", "# c\nelapsed_s,a_g\n0,\n1,2\n2"} {
		f.Add(s, "")
		f.Add(s, "time,a_g,-")
	}
	f.Fuzz(func(t *testing.T, in, columns string) {
		var o CurveOptions
		if columns != "" {
			o.Columns = strings.Split(columns, ",")
		}
		first, err := ReadCurves(strings.NewReader(in), "x.csv", o)
		if err != nil {
			var e *InputError
			if !errors.As(err, &e) || e.Next == "" {
				t.Fatalf("not an InputError: %v", err)
			}
			return
		}
		var b bytes.Buffer
		if err := WriteCurves(&b, first); err != nil {
			t.Fatalf("what was read cannot be written: %v", err)
		}
		written := b.String()
		second, err := ReadCurves(&b, "x.csv", CurveOptions{})
		if err != nil {
			t.Fatalf("what was written cannot be read: %v\n%s", err, written)
		}
		if d := differ(first, second); d != "" {
			t.Fatalf("%s\n%s", d, written)
		}
	})
}

func BenchmarkReadCurves(b *testing.B) {
	var file bytes.Buffer
	file.WriteString("elapsed_s,tube1_g,tube2_g,tube3_g,tube4_g\n")
	r := rand.New(rand.NewPCG(1, 1))
	for i := 0; file.Len() < 10<<20; i++ {
		fmt.Fprintf(&file, "%.4f", float64(i)*0.0125)
		for range 4 {
			fmt.Fprintf(&file, ",%.3f", 500*r.Float64())
		}
		file.WriteByte('\n')
	}
	b.SetBytes(int64(file.Len()))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := ReadCurves(bytes.NewReader(file.Bytes()), "x.csv", CurveOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
