package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"
)

var (
	update = flag.Bool("update", false, "write the golden files anew, to be reviewed as prose")
	show   = flag.String("show", "", "also write every report the tests render into this folder, to be looked at")
)

func render(t testing.TB, r Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := Render(&b, r); err != nil {
		t.Fatal(err)
	}
	if *show != "" {
		name := strings.NewReplacer("/", "-", " ", "-").Replace(t.Name()) + ".html"
		if err := os.WriteFile(filepath.Join(*show, name), b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return b.String()
}

func TestGolden(t *testing.T) {
	r := coop(3, 4, 60)
	path := filepath.Join("testdata", "small.html")
	got := render(t, r)
	if again := render(t, r); again != got {
		t.Fatal("two renders of one report differ")
	}
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v; go test -run TestGolden -update writes it", err)
	}
	if got == string(want) {
		return
	}
	g, w := strings.Split(got, "\n"), strings.Split(string(want), "\n")
	for i := range g {
		if i >= len(w) || g[i] != w[i] {
			line := ""
			if i < len(w) {
				line = w[i]
			}
			t.Fatalf("%s: line %d differs\n got %.400s\nwant %.400s\nif it is meant: go test -run TestGolden -update, and review the difference", path, i+1, g[i], line)
		}
	}
	t.Fatalf("%s has %d lines, the report has %d", path, len(w), len(g))
}

// hostile has everything a label could try.
const hostile = `<script>alert("x")</script> & 'quotes' \3c /style> </style>--><svg onload=1> ` + "\x00\x07\u202e\xff" + ` {{.}} */ } a{`

// awkward gives reports at the edges of what may come.
func awkward() map[string]Report {
	nan, inf := math.NaN(), math.Inf(1)
	bare := Report{Title: "Bare", Headline: []string{"Nothing can be told."}, MadeAt: time.Date(2031, 1, 2, 3, 4, 5, 0, time.UTC)}

	missing := coop(6, 6, 200)
	for i := range missing.Rates {
		r := &missing.Rates[i]
		switch i % 6 {
		case 0:
			r.Rate, r.U95, r.Ratio, r.URatio95, r.K, r.DF, r.Runs = nan, nan, nan, nan, nan, nan, 0
			r.Finding = CannotTell
		case 1:
			r.U95, r.K, r.DF = inf, inf, inf
		case 2:
			r.U95, r.URatio95, r.DF = 0, 0, -1
			r.Finding = NoFinding
		case 3:
			r.Rate, r.U95 = -1e300, 1e300
		}
	}
	for i := range missing.Runs {
		for k := range missing.Runs[i].Curves {
			c := &missing.Runs[i].Curves[k]
			switch k {
			case 0:
				c.OnsetS, c.EndS, c.Fit = nan, inf, &Line{nan, 0, inf, 1}
			case 1:
				for n := range c.ML {
					c.ML[n] = nan
				}
			case 2:
				c.ElapsedS, c.ML = nil, nil
			case 3:
				c.ML[7], c.ML[8], c.ElapsedS[20], c.ElapsedS[30] = inf, -inf, nan, -5
			case 4:
				c.Grams, c.ML = c.ML, nil
			}
		}
	}
	missing.Runs[0].DurationS = nan
	missing.Tests[0].Odometer, missing.Tests[0].Fuel = nan, Fuel{TempC: nan, DensityGPerML: nan, UDensity: inf}
	missing.Tests[0].At = time.Time{}
	missing.Events[0].Amount, missing.Events[0].Odometer = nan, nan
	missing.Calibrations[0] = Calibration{CountsPerGram: nan, UCountsPerGram: inf, Zero: inf, UZero: nan, DF: nan}
	missing.Budgets[0].Terms[0].U, missing.Budgets[0].Terms[1].U, missing.Budgets[0].Terms[2].DF, missing.Budgets[0].U95 = nan, inf, nan, nan
	missing.Budgets[1].Rate, missing.Budgets[2].Terms, missing.Budgets[3].U = nan, missing.Budgets[2].Terms[:2], inf
	missing.Runs[1].Curves[5].Rolling[0].Rate, missing.Runs[1].Curves[5].Rolling[1].U95, missing.Runs[2].Curves[5].Rate = nan, inf, nan
	missing.Runs[3].Curves[5].Rolling, missing.Runs[4].Curves[5].Flags = nil, []Flag{
		{Code: "a", Severity: "note", FromS: nan, ToS: 5}, {Code: "b", Severity: "note", FromS: inf, ToS: inf}, {Code: "c", Severity: "forbids", FromS: 1e9, ToS: -5}, {Code: "d", Severity: "doubt", FromS: 60}}
	missing.Change.Percent, missing.Change.P, missing.Change.EquivalenceP, missing.Change.DF = nan, nan, nan, nan
	missing.Change.CI95 = [2]float64{nan, nan}
	missing.Change.MarginPercent, missing.Change.DetectablePercent = nan, nan
	missing.Change.Injectors[0].Percent, missing.Change.Injectors[1].CI95 = nan, [2]float64{-inf, inf}
	missing.Change.Injectors[2].CI95 = [2]float64{nan, 3}
	missing.Truth.ChangePercent, missing.Truth.Rates[0].Rate, missing.Truth.Rates[1].Rate = nan, nan, inf

	one := coop(1, 2, 300)
	one.Runs = one.Runs[:2]
	one.Change.CI95 = [2]float64{-inf, inf}

	long := coop(12, 6, 120)
	name := strings.Repeat("an injector's name that goes on and on ", 8)
	long.Title, long.Engine.Label, long.Bench = strings.Repeat("Long title ", 30), name, strings.Repeat("x", 300)
	long.Change.Before, long.Change.After = name+"one", name+"two"
	for i := range long.Rates {
		long.Rates[i].Name = name
		long.Rates[i].Phase = map[string]string{"baseline": name + "one", "after": name + "two"}[long.Rates[i].Phase]
	}
	for i := range long.Runs {
		for k := range long.Runs[i].Positions {
			long.Runs[i].Positions[k].Channel = fmt.Sprintf("%s%d", strings.Repeat("channel", 6), k)
		}
	}

	bad := coop(2, 2, 50)
	bad.Title, bad.Bench, bad.Version, bad.DataChecksum = hostile, hostile, hostile, hostile
	bad.Engine = Engine{Label: hostile, Injectors: 2, InjectorType: hostile, FiringOrder: hostile, DistanceUnit: hostile}
	bad.Headline, bad.Warnings, bad.Notes = []string{hostile, hostile}, []string{hostile}, []string{hostile}
	bad.RateMethod = Method{hostile, hostile, hostile}
	bad.Change.Method, bad.Change.Scope, bad.Change.Sentence = bad.RateMethod, hostile, hostile
	bad.Change.After = hostile
	for i := range bad.Rates {
		bad.Rates[i].Name = hostile
		if bad.Rates[i].Phase == "after" {
			bad.Rates[i].Phase = hostile
		}
		bad.Rates[i].Flags = []Flag{{Code: hostile, Severity: "note", Says: hostile, Evidence: hostile, Do: hostile}}
	}
	for i := range bad.Runs {
		r := &bad.Runs[i]
		r.Test, r.Phase, r.Excluded = hostile, hostile, hostile
		for k := range r.Curves {
			r.Curves[k].Channel, r.Positions[k].Channel = hostile, hostile
			r.Curves[k].ML[20] = nan
		}
	}
	bad.Tests[0] = Test{Label: hostile, Phase: hostile, Fuel: Fuel{Kind: hostile}, Note: hostile}
	bad.Events[0].Kind, bad.Events[0].What, bad.Events[0].Unit = hostile, hostile, hostile
	b := &bad.Budgets[0]
	b.Of, b.Channel, b.Advice, b.Terms[0].Name, b.Terms[0].Kind, b.Terms[0].Says = hostile, hostile, hostile, hostile, hostile, hostile
	bad.Calibrations[0].Channel, bad.Calibrations[0].Certificate = hostile, hostile
	bad.Excluded = []Exclusion{{hostile, hostile}}

	mass := coop(4, 2, 80)
	mass.RateUnit, mass.Change, mass.Truth, mass.Simulated = "g/min", nil, nil, false
	for i := range mass.Runs {
		for k := range mass.Runs[i].Curves {
			c := &mass.Runs[i].Curves[k]
			c.Grams, c.ML = c.ML, nil
		}
	}
	return map[string]Report{
		"bare": bare, "missing": missing, "one injector": one, "twelve, long labels": long, "hostile": bad,
		"mass only": mass, "full": coop(6, 6, 500), "same time": sameTime(),
	}
}

// sameTime has curves that make no sense as curves.
func sameTime() Report {
	r := coop(2, 2, 10)
	for i := range r.Runs {
		for k := range r.Runs[i].Curves {
			c := &r.Runs[i].Curves[k]
			for n := range c.ElapsedS {
				c.ElapsedS[n] = 3
			}
			if k == 1 { // falling time
				for n := range c.ElapsedS {
					c.ElapsedS[n] = -float64(n)
				}
			}
		}
	}
	return r
}

func TestEveryReportIsSound(t *testing.T) {
	notANumber := regexp.MustCompile(`\bNaN\b|\bInf\b|%!`)
	outside := regexp.MustCompile(`(?i)https?:|\ssrc=|\shref="[^#]|url\(|@import|<script|<link|<iframe|<img|\son\w+=`)
	for name, r := range awkward() {
		t.Run(name, func(t *testing.T) {
			doc := render(t, r)
			// The page is written so that a strict XML parser takes it too: every
			// element is closed, every attribute quoted, every reference known.
			d := xml.NewDecoder(strings.NewReader(doc))
			ids := map[string]bool{}
			var labelled []string
			var tags, texts strings.Builder // markup alone, and text alone
			svgs, style := 0, false
			for {
				tok, err := d.Token()
				if err == io.EOF {
					break
				}
				if err != nil {
					t.Fatalf("not well-formed: %v", err)
				}
				switch e := tok.(type) {
				case xml.StartElement:
					style = e.Name.Local == "style"
					fmt.Fprintf(&tags, "<%s", e.Name.Local)
					attrs := map[string]string{}
					for _, a := range e.Attr {
						if _, twice := attrs[a.Name.Local]; twice {
							t.Errorf("<%s>: attribute %s twice", e.Name.Local, a.Name.Local)
						}
						attrs[a.Name.Local] = a.Value
						// aria-label and content hold our words and user's text as values only.
						fmt.Fprintf(&tags, " %s=%q", a.Name.Local, a.Value)
						if notANumber.MatchString(a.Value) {
							t.Errorf("<%s %s=%q>: not a number", e.Name.Local, a.Name.Local, a.Value)
						}
					}
					tags.WriteString(">\n")
					if id, ok := attrs["id"]; ok {
						if ids[id] {
							t.Errorf("id %q twice", id)
						}
						ids[id] = true
					}
					if by := attrs["aria-labelledby"]; by != "" {
						labelled = append(labelled, strings.Fields(by)...)
					}
					if e.Name.Local == "svg" {
						svgs++
						if attrs["aria-hidden"] != "true" && (attrs["role"] != "img" || attrs["aria-labelledby"] == "") {
							t.Errorf("a chart without role and label: %v", attrs)
						}
					}
				case xml.EndElement:
					style = false
				case xml.CharData:
					if !style {
						texts.Write(e)
						texts.WriteByte('\n')
					}
				}
			}
			if strings.ContainsAny(doc, "\x00\x07\u202e") {
				t.Error("a control character or a direction mark got through")
			}
			// html/template's mark for what it dared not print.
			if strings.Contains(doc, "ZgotmplZ") {
				t.Error("a value was blotted out by the template")
			}
			for _, id := range labelled {
				if !ids[id] {
					t.Errorf("aria-labelledby names %q, which is nowhere", id)
				}
			}
			if m := notANumber.FindString(texts.String()); m != "" {
				t.Errorf("the text says %q", m)
			}
			if m := outside.FindString(tags.String()); m != "" {
				t.Errorf("the markup has %q", m)
			}
			if style := regexp.MustCompile(`(?s)<style>.*?</style>`).FindString(doc); outside.MatchString(style) || strings.Count(doc, "</style>") != 1 {
				t.Errorf("the style sheet reaches out or ends early")
			}
			if len(r.Rates) > 0 && svgs == 0 {
				t.Error("rates, but no chart")
			}
		})
	}
}

// Each reader finds the answer before the first table.
func TestFindingComesFirst(t *testing.T) {
	r := coop(6, 6, 100)
	doc := strings.ReplaceAll(render(t, r), "\u00a0", " ")
	rate, u := FormatWithU(r.Rates[9].Rate, r.Rates[9].U95) // injector 4, after
	table := strings.Index(doc, `id="table"`)
	if table < 0 {
		t.Fatal("no table of rates")
	}
	for _, s := range []string{
		"Injector 4 stands apart (high), before the dose", "Look at injector 4", rate + " ± " + u + " mL/min", "In line with the set: 1, 2, 3, 5 and 6",
		"95 % interval", "cannot tell yet; margin ±3 %, fixed beforehand", "<dd>4</dd>", "this engine",
		"baseline: 3 runs in 3 hangings (and 1 left out); after: 3 runs in 3 hangings; 6 injectors at once",
		"comparison of run means", "Three runs in each phase", "not a diagnosis", "Simulated bench.",
	} {
		if at := strings.Index(doc, s); at < 0 || at > table {
			t.Errorf("%q is at %d, not before the table at %d", s, at, table)
		}
	}
	order := []string{`id="finding"`, `id="table"`, `id="pictures"`, `id="fills"`, `id="budget"`, `id="flags"`, `id="left"`, `id="maps"`, `id="conditions"`,
		`id="calibrations"`, `id="method"`, `id="truth"`, `id="cautions"`, `id="glossary"`, `sha256:`}
	last := 0
	for _, s := range order {
		at := strings.Index(doc, s)
		if at < last {
			t.Errorf("%s is at %d, before what should stand above it (%d)", s, at, last)
		}
		last = at
	}
	for _, word := range []string{"pass", "passed", "fail", "failed"} {
		if regexp.MustCompile(`(?i)>[^<]*\b` + word + `\b`).MatchString(doc) {
			t.Errorf("the report says %q", word)
		}
	}
}

func TestRenderRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Report)
		says   string
	}{
		"no title":           {func(r *Report) { r.Title = "" }, "title is empty"},
		"no headline":        {func(r *Report) { r.Headline = nil }, "no headline"},
		"no time":            {func(r *Report) { r.MadeAt = time.Time{} }, "MadeAt is not set"},
		"truth of an engine": {func(r *Report) { r.Simulated = false }, "not marked as simulated"},
		"unit":               {func(r *Report) { r.RateUnit = "L/h" }, `"L/h"`},
		"injector 0":         {func(r *Report) { r.Rates[1].Injector = 0 }, "rate row 2 (injector 0"},
		"twice":              {func(r *Report) { r.Rates[1] = r.Rates[0] }, "have a row already"},
		"negative U":         {func(r *Report) { r.Rates[0].U95 = -0.1 }, "negative uncertainty (U95 -0.1"},
		"finding":            {func(r *Report) { r.Rates[0].Finding = "fine" }, `finding "fine" is not one of`},
		"severity":           {func(r *Report) { r.Rates[0].Flags = []Flag{{Code: "gap", Severity: "bad"}} }, `severity "bad"`},
		"curve severity":     {func(r *Report) { r.Runs[0].Curves[0].Flags = []Flag{{Code: "gap"}} }, `channel "tube1": flag "gap": severity ""`},
		"lengths":            {func(r *Report) { r.Runs[0].Curves[0].ML = r.Runs[0].Curves[0].ML[1:] }, "49 values for 50 times"},
		"curve injector":     {func(r *Report) { r.Runs[0].Curves[0].Injector = 0 }, "injectors count from 1"},
		"decision":           {func(r *Report) { r.Change.Decision = "better" }, `decision "better" is not one of`},
		"margin":             {func(r *Report) { r.Change.MarginPercent = -5 }, "margin -5 % is negative"},
		"interval":           {func(r *Report) { r.Change.CI95 = [2]float64{2, 1} }, "runs backwards"},
		"injector interval":  {func(r *Report) { r.Change.Injectors[0].CI95 = [2]float64{2, 1} }, "injector 1: interval 2 to 1 % runs backwards"},
		"change injector":    {func(r *Report) { r.Change.Injectors[0].Injector = -1 }, "injector -1"},
		"run severity":       {func(r *Report) { r.Runs[0].Flags[0].Severity = "bad" }, `run 1 of test "T1": flag "idle-moves": severity "bad"`},
		"two budgets":        {func(r *Report) { r.Budgets[1].Channel = "tube1" }, `channel "tube1" has two budgets`},
		"term twice":         {func(r *Report) { r.Budgets[0].Terms[1].Name = "drift" }, `has term "drift" twice`},
		"budget":             {func(r *Report) { r.Budgets[0].Terms[1].U = -1 }, `budget of tube1, term "fit": standard uncertainty -1 is negative`},
	} {
		t.Run(name, func(t *testing.T) {
			r := coop(2, 2, 50)
			c.change(&r)
			var b bytes.Buffer
			err := Render(&b, r)
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("error %v, want one that says %q", err, c.says)
			}
			if b.Len() > 0 {
				t.Errorf("%d bytes were written with the error", b.Len())
			}
		})
	}
}

type fullDisk struct{}

var errFull = errors.New("no space left on device")

func (fullDisk) Write([]byte) (int, error) { return 0, errFull }

func TestRenderGivesTheWritersError(t *testing.T) {
	if err := Render(fullDisk{}, coop(2, 2, 50)); !errors.Is(err, errFull) {
		t.Errorf("error %v does not wrap the writer's", err)
	}
}

// The demonstration's report is to be mailed and kept: under 600 kB.
func TestDemoSize(t *testing.T) {
	doc := render(t, coop(6, 6, 2000))
	t.Logf("6 injectors, 6 runs, 2000 points each: %d bytes", len(doc))
	if len(doc) > 600_000 {
		t.Errorf("%d bytes, more than 600000", len(doc))
	}
}

func TestInputIsLeftAlone(t *testing.T) {
	r, same := coop(3, 4, 60), coop(3, 4, 60)
	for i := range r.Budgets { // NaN never equals itself
		r.Budgets[i].U, same.Budgets[i].U = 0.1, 0.1
	}
	render(t, r)
	if !reflect.DeepEqual(r.Runs, same.Runs) || !reflect.DeepEqual(r.Rates, same.Rates) || !reflect.DeepEqual(r.Budgets, same.Budgets) {
		t.Error("rendering changed the report it was given")
	}
}

func BenchmarkRender(b *testing.B) {
	r := coop(6, 6, 2000)
	b.Run("injectors=6/runs=6/points=2000", func(b *testing.B) {
		b.ReportAllocs()
		var size int
		for b.Loop() {
			var buf bytes.Buffer
			if err := Render(&buf, r); err != nil {
				b.Fatal(err)
			}
			size = buf.Len()
		}
		b.ReportMetric(float64(size), "B/report")
		b.ReportMetric(36*2000*float64(b.N)/b.Elapsed().Seconds(), "points/s")
	})
}
