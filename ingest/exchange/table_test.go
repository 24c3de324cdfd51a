package exchange

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/parquet-go/parquet-go"

	"brimline/rig"
)

func num(v float64) *float64 { return &v }

// nasty are texts that people type and spreadsheets, separators or quotes trip over.
var nasty = []string{
	"=1+2", "+49", "-1", "@SUM(A1)", "\tTab", "\rReturn", "'quoted", "'=1", "plain", "a,b;c", `say "hi"`, "two\nlines", "Zürich №5 漢字", " spaced ", "#1", "＝1", "",
}

func nastyRates() []RateRow {
	var rows []RateRow
	for i, s := range nasty {
		rows = append(rows, RateRow{Engine: s, Test: s, Phase: s, Hanging: 1, Run: int32(i + 1), TimeUTC: time.Date(2026, 3, 2, 14, 5, i, 123456000, time.FixedZone("", 3600)),
			Excluded: s, Injector: 2, Channel: s, Source: SourceBench, Kind: "fill", RateMLPerMin: num(0.1 + float64(i)), UMLPerMin: num(1e-9), Steady: i%2 == 0,
			Samples: int32(i), Flags: s, FlagsSay: s, Calibration: int64(i), Version: "v1"})
	}
	rows[3].RateMLPerMin = nil
	rows[4].RateMLPerMin = num(math.NaN())
	return rows
}

func curveRows(n int) []CurveRow {
	counts, mass := make([]int32, n), make([]float64, n)
	rows := make([]CurveRow, n)
	for i := range rows {
		counts[i], mass[i] = int32(i*37-500), float64(i*37-500)/2147.0
		at := time.Duration(i) * 12500 * time.Microsecond
		rows[i] = CurveRow{Test: "T1", Run: 1, Injector: 3, Boot: 7, Channel: "tube1", ElapsedS: at.Seconds(), TimeUTC: time.Date(2026, 3, 2, 14, 0, 0, 0, time.UTC).Add(at),
			Counts: &counts[i], MassG: &mass[i], Quality: rig.Good.String(), Calibration: 4}
		if i%100 == 7 {
			rows[i].Counts, rows[i].MassG, rows[i].Quality = nil, nil, rig.Misread.String()
		}
	}
	return rows
}

var testAbout = About{Of: "test T1", Version: "v1", MadeUTC: time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC), Warnings: []string{"one\nof two lines"},
	Calibrations: []CalibrationAbout{{ID: 4, Channel: "tube1", Unit: "g", Zero: num(12), Span: num(2147), USpan: num(0.5)}},
	Curves:       []CurveAbout{{Test: "T1", Run: 1, Channel: "tube1", Injector: 3, Unit: "g", ScaleRelU: num(0.0002), ScaleDF: num(9)}}}

// writeAll writes rows in one format into a file and returns its path.
func writeAll[T any](t *testing.T, f Format, begin func(io.Writer, Format, About) (Table[T], error), rows []T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "table."+string(f))
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	table, err := begin(file, f, testAbout)
	if err != nil {
		t.Fatal(err)
	}
	for part := range slices.Chunk(rows, 7) {
		if err := table.Write(part); err != nil {
			t.Fatal(err)
		}
	}
	if err := table.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// The columns that are described are those of the rows, in their order, in every format.
func TestColumnsAreThoseOfTheRows(t *testing.T) {
	for _, c := range []struct {
		columns []Column
		schema  *parquet.Schema
	}{{rateColumns, parquet.SchemaOf(RateRow{})}, {curveColumns, parquet.SchemaOf(CurveRow{})}} {
		var got, want []string
		for _, f := range c.schema.Fields() {
			got = append(got, f.Name())
		}
		for _, x := range c.columns {
			want = append(want, x.Name)
			if x.Says == "" {
				t.Errorf("%s is not explained", x.Name)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("rows have %v, described are %v", got, want)
		}
	}
}

// DuckDB sees the types, times in UTC, and nothing where nothing is known.
func TestParquetInDuckDB(t *testing.T) {
	rows := curveRows(1000)
	path := writeAll(t, Parquet, NewCurves, rows)
	types := duckDB(t, "DESCRIBE SELECT * FROM '"+path+"'")
	want := map[string]string{"test": "VARCHAR", "run": "INTEGER", "injector": "INTEGER", "boot": "BIGINT", "channel": "VARCHAR", "elapsed_s": "DOUBLE",
		"time_utc": "TIMESTAMP WITH TIME ZONE", "counts": "INTEGER", "mass_g": "DOUBLE", "volume_ml": "DOUBLE", "quality": "VARCHAR", "calibration": "BIGINT"}
	if len(types.Rows) != len(want) {
		t.Errorf("%d columns, want %d", len(types.Rows), len(want))
	}
	for _, r := range types.Rows {
		if want[r[0].(string)] != r[1] {
			t.Errorf("column %v is %v, want %s", r[0], r[1], want[r[0].(string)])
		}
	}
	var sum int64
	var mass float64
	known := 0
	for _, r := range rows {
		if r.Counts != nil {
			sum, mass, known = sum+int64(*r.Counts), mass+*r.MassG, known+1
		}
	}
	got := duckDB(t, "SELECT count(*), count(counts), sum(counts)::BIGINT, fsum(mass_g), count(volume_ml), min(time_utc)::VARCHAR, max(elapsed_s) FROM '"+path+"'").Rows[0]
	if got[0] != "1000" || got[1] != fmt.Sprint(known) || got[2] != fmt.Sprint(sum) || math.Abs(got[3].(float64)-mass) > 1e-9*math.Abs(mass) || got[4] != "0" ||
		got[5] != "2026-03-02 14:00:00+00" || got[6] != 12.4875 {
		t.Errorf("got %v, want 1000 %d %d %g 0", got, known, sum, mass)
	}
	meta := map[string]string{}
	for _, r := range duckDB(t, "SELECT decode(key), decode(value) FROM parquet_kv_metadata('"+path+"')").Rows {
		meta[r[0].(string)] = r[1].(string)
	}
	for k, v := range map[string]string{"unit.mass_g": "g", "unit.volume_ml": "mL", "unit.elapsed_s": "s", "unit.time_utc": "UTC", "schema": CurvesTable, "version": "v1"} {
		if meta[k] != v {
			t.Errorf("metadata %s is %q, want %q", k, meta[k], v)
		}
	}
	var about About
	if err := json.Unmarshal([]byte(meta["brimline"]), &about); err != nil || len(about.Calibrations) != 1 || *about.Calibrations[0].Span != 2147 {
		t.Errorf("the calibration is not told: %v, %v", err, about)
	}
}

// Texts come out of every format as they went in; in CSV with the mark against formulas.
func TestNastyTextInDuckDB(t *testing.T) {
	rows := nastyRates()
	for f, from := range map[Format]string{
		Parquet: "'%s'",
		CSV:     "read_csv('%s', comment='#', header=true, delim=',', quote='\"', escape='\"', types={'engine':'VARCHAR'})",
		JSON:    "(SELECT unnest(rows, recursive := true) FROM read_json('%s'))",
	} {
		path := writeAll(t, f, NewRates, rows)
		got := duckDB(t, "SELECT run::INT, coalesce(engine, ''), rate_ml_per_min, u_ml_per_min, epoch_us(time_utc), steady, calibration, odometer FROM "+fmt.Sprintf(from, path)+" ORDER BY run")
		if len(got.Rows) != len(rows) {
			t.Errorf("%s: %d rows, want %d", f, len(got.Rows), len(rows))
			continue
		}
		for i, r := range got.Rows {
			want := rows[i].Engine
			if f == CSV {
				want = safeText(want)
				if back := plainText(r[1].(string)); back != rows[i].Engine {
					t.Errorf("%q comes back as %q", rows[i].Engine, back)
				}
			}
			if r[1] != want {
				t.Errorf("%s row %d: engine %q, want %q", f, i+1, r[1], want)
			}
			if v := rows[i].RateMLPerMin; v != nil && !math.IsNaN(*v) && r[2] != *v || (i == 3 || i == 4 && f != Parquet) && r[2] != nil {
				t.Errorf("%s row %d: rate %v", f, i+1, r[2])
			}
			if r[3] != 1e-9 || r[4] != strconv.FormatInt(rows[i].TimeUTC.UnixMicro(), 10) || r[5] != rows[i].Steady || (r[6] == nil) != (i == 0) || r[7] != nil {
				t.Errorf("%s row %d: %v", f, i+1, r)
			}
		}
	}
}

// No text cell of a CSV begins as a formula does (OWASP, CSV Injection).
func TestNoCellIsAFormula(t *testing.T) {
	text, err := os.ReadFile(writeAll(t, CSV, NewRates, nastyRates()))
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(text))
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	numbers := 0
	for _, row := range all[1:] {
		for i, cell := range row {
			if _, err := strconv.ParseFloat(cell, 64); err == nil && slices.Contains([]string{"rate_ml_per_min", "u_ml_per_min"}, rateColumns[i].Name) {
				numbers++
				continue
			}
			if cell != "" && strings.ContainsAny(cell[:1], "=+-@\t\r\n") {
				t.Errorf("column %s has %q", rateColumns[i].Name, cell)
			}
		}
	}
	if numbers != 2*len(nasty)-2 {
		t.Errorf("%d numbers", numbers)
	}
}

// Nor does a cell that a spreadsheet makes of a comment, which it splits at separators.
func TestNoCommentIsAFormula(t *testing.T) {
	for _, text := range []string{`a,=1+2`, `a;@SUM(A1)`, "a,\t-1", `a, "+49"`, `a,＝1`, `a,"=1"`} {
		about := testAbout
		about.Of, about.Version, about.Warnings = text, text, []string{text}
		about.Calibrations = []CalibrationAbout{{Channel: text}}
		about.Curves = []CurveAbout{{Test: text, Channel: text, Excluded: text}}
		var b bytes.Buffer
		table, err := NewCurves(&b, CSV, about)
		if err == nil {
			err = table.Close()
		}
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(b.String()) {
			for _, cell := range strings.FieldsFunc(line, func(r rune) bool { return r == ',' || r == ';' || r == '\t' }) {
				if first, _ := utf8.DecodeRuneInString(strings.Trim(cell, " \"\r\n")); strings.ContainsRune("=+-@＝", first) {
					t.Errorf("%q gives the cell %q in %s", text, cell, line)
				}
			}
			if said, ok := strings.CutPrefix(line, curveMark); ok {
				var a CurveAbout
				if err := json.Unmarshal([]byte(said), &a); err != nil || !reflect.DeepEqual(a, about.Curves[0]) {
					t.Errorf("%s comes back as %+v, %v", said, a, err)
				}
			}
		}
	}
}

// A table of readings comes back as it was, bit by bit.
func TestTidyRoundTrip(t *testing.T) {
	rows := curveRows(300)
	for i := range rows {
		rows[i].Channel = []string{"quoted,x", "@SUM(A1)"}[i%2]
		rows[i].Test = "=T"
	}
	path := writeAll(t, CSV, NewCurves, rows)
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(file), "\n")
	for i, l := range lines {
		if !strings.HasPrefix(l, "#") {
			lines[i] = strings.ReplaceAll(strings.ReplaceAll(strings.ReplaceAll(l, ",", ";"), ".", ","), "quoted;x", "quoted,x")
		}
	}
	for name, text := range map[string]string{"as written": string(file), "as a spreadsheet saves it": strings.Join(lines, "\n")} {
		if !IsTidyCurves(strings.NewReader(text)) {
			t.Fatalf("%s: not known", name)
		}
		got, doubts, err := ReadTidyCurves(strings.NewReader(text), name)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(doubts, []string{"one of two lines"}) {
			t.Errorf("%s: doubts %q", name, doubts)
		}
		if len(got) != 2 || got[0].Channel != "quoted,x" || got[0].Test != "=T" {
			t.Fatalf("%s: %d curves, %q of %q", name, len(got), got[0].Channel, got[0].Test)
		}
		for k, c := range got {
			for i := range c.ElapsedS {
				r := rows[2*i+k]
				if c.ElapsedS[i] != r.ElapsedS || (r.MassG == nil) != math.IsNaN(c.MassG[i]) || r.MassG != nil && (*r.MassG != c.MassG[i] || float64(*r.Counts) != c.Counts[i]) || c.Qualities[i].String() != r.Quality {
					t.Fatalf("curve %d, row %d: %v %v %v, want %v", k, i, c.ElapsedS[i], c.MassG[i], c.Qualities[i], r)
				}
			}
		}
	}
}

func TestTidyTellsItsCurves(t *testing.T) {
	file, err := os.Open(writeAll(t, CSV, NewCurves, curveRows(20)))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	got, _, err := ReadTidyCurves(file, "x.csv")
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 1 || got[0].About == nil || !reflect.DeepEqual(*got[0].About, testAbout.Curves[0]) {
		t.Errorf("got %+v", got[0].About)
	}
}

const tidyHead = "test,run,injector,boot,channel,elapsed_s,time_utc,counts,mass_g,volume_ml,quality,calibration\n"

func TestTidyRefuses(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"no rows", tidyHead, "there is no reading"},
		{"a column gone", "channel,elapsed_s,quality\na,1,good\n", "column test"},
		{"a quality of another", tidyHead + "T1,1,1,1,a,0,,1,1,,fine,1\n", `x.csv, line 2, column quality, "fine"`},
		{"time backwards", tidyHead + "T1,1,1,1,a,1,,1,1,,good,1\nT1,1,1,1,a,0.5,,1,1,,good,1\n", `line 3, column elapsed_s, "0.5": does not come after 1 s`},
		{"two injectors", tidyHead + "T1,1,1,1,a,1,,1,1,,good,1\nT1,1,2,1,a,2,,1,1,,good,1\n", `line 3, column injector, "2"`},
		{"no channel", tidyHead + "T1,1,1,1,,1,,1,1,,good,1\n", "line 2, column channel"},
		{"text", tidyHead + "T1,1,1,1,a,1,,1,one,,good,1\n", `column mass_g, "one"`},
		{"a negative run", tidyHead + "T1,-1,1,1,a,1,,1,1,,good,1\n", `column run, "-1"`},
		{"cut off", tidyHead + "T1,1,1,1,a,1,,1,1,,good,1\nT1,1,1,1,a", "cut off"},
		{"a mark that is torn", "# curve {\"test\":\n" + tidyHead + "T1,1,1,1,a,1,,1,1,,good,1\n", "line 1"},
		{"a quote that is open", tidyHead + "\"T1,1,1,1,a,1,,1,1,,good,1\n", "line 2"},
	} {
		_, _, err := ReadTidyCurves(strings.NewReader(c.text), "x.csv")
		var in *InputError
		if !errors.As(err, &in) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
	}
}

func FuzzReadTidyCurves(f *testing.F) {
	f.Add([]byte(tidyHead + "T1,1,1,1,a,1,2026-03-02T14:00:00.000000Z,1,1.5,2,good,1\n"))
	f.Add([]byte("# curve {\"test\":\"T1\"}\n" + tidyHead + "\"'=T\",,,1,a,1,,,,,misread,\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		IsTidyCurves(bytes.NewReader(text))
		curves, _, err := ReadTidyCurves(bytes.NewReader(text), "x.csv")
		if err != nil {
			return
		}
		for _, c := range curves {
			if n := len(c.ElapsedS); n == 0 || len(c.MassG) != n || len(c.Counts) != n || len(c.VolumeML) != n || len(c.Qualities) != n || c.Channel == "" {
				t.Errorf("%+v", c)
			}
		}
	})
}

// A writer that fails is told of.
func TestTableTellsOfAFullDisk(t *testing.T) {
	for _, f := range []Format{CSV, Parquet, JSON} {
		table, err := NewCurves(&fullDisk{left: 100}, f, testAbout)
		if err == nil {
			for i := 0; i < 200 && err == nil; i++ {
				err = table.Write(curveRows(1000))
			}
			if err == nil {
				err = table.Close()
			}
		}
		if !errors.Is(err, errFull) {
			t.Errorf("%s: %v", f, err)
		}
	}
	if _, err := NewRates(io.Discard, "xml", testAbout); err == nil || !strings.Contains(err.Error(), "parquet") {
		t.Errorf("got %v", err)
	}
}

var errFull = errors.New("no space left")

type fullDisk struct{ left int }

func (d *fullDisk) Write(b []byte) (int, error) {
	if d.left -= len(b); d.left < 0 {
		return 0, errFull
	}
	return len(b), nil
}

func TestReadReadingsAllGoesOn(t *testing.T) {
	head := "engine,date,phase,hanging,run,injector,volume_ml,duration_s\n"
	good := "S,2026-03-02,baseline,1,1,1,33.5,180\n"
	_, errs := ReadReadingsAll(strings.NewReader(head+"S,2026-03-02,baseline,1,1,2,x,180\n"+good+"S,02.03.2026,baseline,1,1,3,33.5,180\nS,2026-03-02,,1,1,4,33.5,180\n"), "r.csv", 20)
	want := []string{`r.csv, line 2, column volume_ml, "x"`, `r.csv, line 4, column date, "02.03.2026"`, "r.csv, line 5, column phase"}
	if len(errs) != len(want) {
		t.Fatalf("got %v", errs)
	}
	for i, w := range want {
		if !strings.HasPrefix(errs[i].Error(), w) {
			t.Errorf("got %v, want %s", errs[i], w)
		}
	}
	if !IsReadings(strings.NewReader("# note\n"+head)) || IsReadings(strings.NewReader("elapsed_s,tube1_g\n")) || IsReadings(strings.NewReader(tidyHead)) {
		t.Error("headers are not told apart")
	}
}

// BenchmarkTable writes one hour of one channel at 80 readings a second.
func BenchmarkTable(b *testing.B) {
	rows := curveRows(4000)
	for _, f := range []Format{CSV, Parquet, JSON} {
		b.Run("format="+string(f), func(b *testing.B) {
			b.ReportAllocs()
			var size counter
			for b.Loop() {
				size = 0
				table, err := NewCurves(&size, f, testAbout)
				if err != nil {
					b.Fatal(err)
				}
				for range 72 {
					if err := table.Write(rows); err != nil {
						b.Fatal(err)
					}
				}
				if err := table.Close(); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(72*len(rows))*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
			b.ReportMetric(float64(size)/float64(72*len(rows)), "B/row")
		})
	}
}

type counter int64

func (c *counter) Write(b []byte) (int, error) {
	*c += counter(len(b))
	return len(b), nil
}
