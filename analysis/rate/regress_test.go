package rate

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// readTable reads a file of testdata: # comments, a header, then rows.
func readTable(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// NIST Statistical Reference Datasets, linear regression: certified to 15 digits.
// Norris is a straight line, NoInt1 goes through the origin, Pontius is a load
// cell's quadratic. A fit in double precision should hold 9 digits of the easy
// sets and 7 of Pontius, whose columns differ by 12 powers of ten.
func TestRegressStRD(t *testing.T) {
	certified := map[string]map[string][2]float64{}
	for _, row := range readTable(t, "strd_certified.csv") {
		if certified[row[0]] == nil {
			certified[row[0]] = map[string][2]float64{}
		}
		v := [2]float64{number(t, row[2]), math.NaN()}
		if row[3] != "" {
			v[1] = number(t, row[3])
		}
		certified[row[0]][row[1]] = v
	}
	for _, tc := range []struct {
		name, file string
		powers     []int
		digits     float64
	}{
		{"Norris", "strd_norris.csv", []int{0, 1}, 9},
		{"NoInt1", "strd_noint1.csv", []int{1}, 9},
		{"Pontius", "strd_pontius.csv", []int{0, 1, 2}, 7},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var y []float64
			cols := make([][]float64, len(tc.powers))
			for _, row := range readTable(t, tc.file) {
				y = append(y, number(t, row[0]))
				for j, p := range tc.powers {
					cols[j] = append(cols[j], math.Pow(number(t, row[1]), float64(p)))
				}
			}
			got, err := Regress(cols, y)
			if err != nil {
				t.Fatal(err)
			}
			want := certified[tc.name]
			near := func(what string, got, want float64) {
				t.Helper()
				if !(math.Abs(got-want) <= math.Pow(10, -tc.digits)*math.Abs(want)) {
					t.Errorf("%s = %.15g, certified %.15g", what, got, want)
				}
			}
			for j, p := range tc.powers {
				name := "B" + strconv.Itoa(p)
				near(name, got.Coef[j], want[name][0])
				near("sd of "+name, got.SE[j], want[name][1])
			}
			near("residual sd", got.ResidualSD, want["residual_sd"][0])
			near("residual sum of squares", got.RSS, want["rss"][0])
		})
	}
}

// With no walk at all the filter is ordinary least squares of a line: the slope
// of NIST StRD Norris, its standard error and the residual sd.
func TestFilterWithoutWalkIsTheCertifiedLine(t *testing.T) {
	var b []block
	for _, row := range readTable(t, "strd_norris.csv") {
		b = append(b, block{t: number(t, row[1]), y: number(t, row[0]), n: 1})
	}
	f := filter(b, 0)
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"slope", f.slope, 1.00211681802045},
		{"sd of slope", math.Sqrt(f.s2 * f.varSlope), 0.429796848199937e-3},
		{"residual sd", math.Sqrt(f.s2), 0.884796396144373},
	} {
		if math.Abs(c.got-c.want) > 1e-9*c.want {
			t.Errorf("%s = %.15g, certified %.15g", c.what, c.got, c.want)
		}
	}
}

func TestRegressRefuses(t *testing.T) {
	ones := []float64{1, 1, 1, 1}
	for name, tc := range map[string]struct {
		cols [][]float64
		y    []float64
		want error
	}{
		"too few values":   {[][]float64{{1, 1}, {1, 2}}, []float64{1, 2}, ErrDegenerate},
		"all x the same":   {[][]float64{ones, {3, 3, 3, 3}}, []float64{1, 2, 3, 4}, ErrDegenerate},
		"a column of zero": {[][]float64{{0, 0, 0, 0}}, ones, ErrDegenerate},
		"no columns":       {nil, ones, ErrDegenerate},
	} {
		if _, err := Regress(tc.cols, tc.y); !errors.Is(err, tc.want) {
			t.Errorf("%s: error %v, want %v", name, err, tc.want)
		}
	}
	if _, err := Regress([][]float64{{1, math.NaN(), 3}}, []float64{1, 2, 3}); err == nil {
		t.Error("NaN was taken")
	}
	if _, err := Regress([][]float64{{1, 2}}, []float64{1, 2, 3}); err == nil {
		t.Error("a short column was taken")
	}
}
