package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"

	"brimline/analysis/curve"
	"brimline/analysis/rate"
	"brimline/ingest"
	"brimline/ingest/exchange"
	"brimline/ingest/store"
	"brimline/rig"
)

const exportSchema = "brimline/export/1"

// exportFlags is what `export` may be told.
type exportFlags struct {
	data, out, format, what string
	from, to, channels      string
	run                     int
	force, asJSON           bool
}

func newExportCommand() *cobra.Command {
	var o exportFlags
	c := &cobra.Command{
		Use:   "export [TEST] --data FOLDER",
		Short: "Write a test, a run or a time range as CSV, Parquet or JSON",
		Long: `Export writes two tidy tables: rates, one row for each injector and run, and
curves, one row for each reading. Their columns are named with their units and
stay what they are; wall times are UTC. Each table says which calibrations and
which version of brimline made its numbers: in comments above the header (CSV),
in the key-value metadata (Parquet), beside the rows (JSON).

TEST is the label or number of a test, --run one run of it. Without TEST, --from
and --to give a time range: the readings of every channel in it, watches too, and
the rates of the runs that began in it. A hand reading counts as of 00:00 UTC of its
day.

'brimline rates FILE-curves.csv' works the same rates out of a test's exported
table; of a time range it finds the fills by itself, and wants --density for mL/min
of tubes that are weighed. In CSV a text that a spreadsheet would take for a formula
has a ' before it.

A file appears under its name when it is whole; one that is there is kept unless
--force is given. Memory does not grow with the time range: a day of four
channels at 80 readings a second is 28 million rows, best as Parquet.`,
		Example: "  brimline export T1 --data /var/lib/brimline\n" +
			"  brimline export T1 --run 2 --format parquet --out /media/stick --data /var/lib/brimline\n" +
			"  brimline export --from 2026-03-02T08:00Z --to 2026-03-02T09:00Z --what curves \\\n" +
			"      --channels tube1,tube2 --format parquet --data /var/lib/brimline",
		Args: usageArgs(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if err := runExport(c, args, o); err != nil {
				return fmt.Errorf("export: %w", err)
			}
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&o.data, "data", "", "folder of the store")
	f.StringVar(&o.out, "out", ".", "folder to write to")
	f.StringVar(&o.format, "format", string(exchange.CSV), "csv, parquet or json")
	f.StringVar(&o.what, "what", "both", "rates, curves or both")
	f.IntVar(&o.run, "run", 0, "number of one run of TEST")
	f.StringVar(&o.from, "from", "", "begin of a time range, such as 2026-03-02T08:00Z (UTC where no zone is given)")
	f.StringVar(&o.to, "to", "", "end of a time range, not part of it (UTC where no zone is given)")
	f.StringVar(&o.channels, "channels", "", "of a time range: these channels only, such as tube1,tube2")
	f.BoolVar(&o.force, "force", false, "replace files that are there")
	f.BoolVar(&o.asJSON, "json", false, "print what was written as JSON, schema "+exportSchema)
	return c
}

// The JSON of what was written. Names are part of the schema: add, never rename.
type (
	exportJSON struct {
		Schema   string           `json:"schema"`
		Of       string           `json:"of"`
		Version  string           `json:"version"`
		Files    []exportFileJSON `json:"files"`
		Warnings []string         `json:"warnings"`
	}
	exportFileJSON struct {
		File  string `json:"file"`
		Table string `json:"table"`
		Rows  int    `json:"rows"`
		Bytes int64  `json:"bytes"`
	}
)

// exporter writes the tables of one export.
type exporter struct {
	r        *store.Reader
	o        exportFlags
	format   exchange.Format
	name     string // of the files, without table and ending
	about    exchange.About
	imported map[string]bool // labels of tests that another logger recorded
	warned   map[string]bool
	written  exportJSON
}

func runExport(c *cobra.Command, args []string, o exportFlags) error {
	e := exporter{o: o, format: exchange.Format(o.format), warned: map[string]bool{}, imported: map[string]bool{}}
	from, to, err := e.checkFlags(args, c.Flags().Changed)
	if err != nil {
		return badInput(err)
	}
	ctx := c.Context()
	if e.r, err = openRead(ctx, o.data); err != nil {
		return err
	}
	defer e.r.Close()
	e.about = exchange.About{Version: version, MadeUTC: time.Now().UTC().Truncate(time.Second)}
	marks, err := e.r.CurveMarks(ctx)
	if err != nil {
		return err
	}
	for _, m := range marks {
		e.imported[m.Test] = true
	}
	if len(args) == 1 {
		err = e.exportTest(ctx, args[0])
	} else {
		err = e.exportRange(ctx, from, to)
	}
	if err != nil {
		if errors.Is(err, store.ErrNotFound) {
			err = badInput(err)
		}
		return err
	}
	e.written.Schema, e.written.Of, e.written.Version = exportSchema, e.about.Of, version
	if e.written.Warnings == nil {
		e.written.Warnings = []string{}
	}
	if o.asJSON {
		err = writeJSON(c.OutOrStdout(), e.written)
	} else {
		err = e.print(c.OutOrStdout())
	}
	if err != nil {
		return fmt.Errorf("writing the result: %w", err)
	}
	return nil
}

func (e *exporter) checkFlags(args []string, given func(string) bool) (from, to time.Time, err error) {
	o := e.o
	switch {
	case o.data == "":
		return from, to, errors.New("--data is missing: name the store's folder")
	case !slices.Contains([]exchange.Format{exchange.CSV, exchange.Parquet, exchange.JSON}, e.format):
		return from, to, fmt.Errorf("--format %s: use csv, parquet or json", o.format)
	case !slices.Contains([]string{"rates", "curves", "both"}, o.what):
		return from, to, fmt.Errorf("--what %s: use rates, curves or both", o.what)
	}
	if info, err := os.Stat(o.out); err != nil {
		return from, to, fmt.Errorf("--out: %w: make the folder, or name another", err)
	} else if !info.IsDir() {
		return from, to, fmt.Errorf("--out %s is a file: name the folder to write to", o.out)
	}
	if len(args) == 1 {
		for _, flag := range []string{"from", "to", "channels"} {
			if given(flag) {
				return from, to, fmt.Errorf("--%s is for a time range and %s is a test: leave one of them out", flag, args[0])
			}
		}
		if given("run") && o.run < 1 {
			return from, to, fmt.Errorf("--run %d: runs count from 1", o.run)
		}
		return from, to, nil
	}
	if o.from == "" || o.to == "" || given("run") {
		return from, to, errors.New("name a test, or a time range with --from and --to; see 'brimline export --help'")
	}
	if from, err = parseWall(o.from); err != nil {
		return from, to, fmt.Errorf("--from: %w", err)
	}
	if to, err = parseWall(o.to); err != nil {
		return from, to, fmt.Errorf("--to: %w", err)
	}
	if !to.After(from) {
		return from, to, fmt.Errorf("--to %s does not come after --from %s", o.to, o.from)
	}
	return from, to, nil
}

// warn notes a doubt once.
func (e *exporter) warn(text string) {
	if !e.warned[text] {
		e.warned[text] = true
		e.written.Warnings = append(e.written.Warnings, text)
	}
}

// exportTest writes a test, or one run of it.
func (e *exporter) exportTest(ctx context.Context, ref string) error {
	t, err := fitTest(ctx, e.r, ref)
	if err != nil {
		return err
	}
	e.about.Of = fmt.Sprintf("test %s, %s (%s)", t.Test.Label, t.Engine.Label, t.Test.Phase)
	e.name = fileWord(t.Test.Label)
	if e.o.run > 0 {
		if !slices.ContainsFunc(t.Runs, func(r ingest.Run) bool { return r.Number == e.o.run }) {
			return badInput(fmt.Errorf("test %s has no run %d: it has %s", t.Test.Label, e.o.run, counted(len(t.Runs), "run")))
		}
		t.Runs = slices.DeleteFunc(t.Runs, func(r ingest.Run) bool { return r.Number != e.o.run })
		t.Fits = slices.DeleteFunc(t.Fits, func(f fitted) bool { return f.Run != e.o.run })
		e.about.Of = fmt.Sprintf("run %d of %s", e.o.run, e.about.Of)
		e.name += fmt.Sprintf("-run%d", e.o.run)
	}
	for _, w := range t.doubts() {
		e.warn(w)
	}
	cals := map[int64]ingest.Calibration{}
	for _, k := range t.Used {
		if slices.ContainsFunc(t.Fits, func(f fitted) bool { return f.CalibrationID == k.ID }) {
			cals[k.ID] = k
			e.about.Calibrations = append(e.about.Calibrations, calibrationAbout(k))
		}
	}
	hand := len(t.Fits) > 0 && !t.Fits[0].Day.IsZero()
	tables := e.tables()
	if hand {
		if e.o.what == "curves" {
			return badInput(fmt.Errorf("test %s was read by eye and has no curves: export its rates with --what rates", t.Test.Label))
		}
		tables = []string{"rates"}
	}
	if err := e.checkFree(tables); err != nil {
		return err
	}
	if slices.Contains(tables, "rates") {
		if err := e.writeRates([]testFits{t}, cals); err != nil {
			return err
		}
	}
	if !slices.Contains(tables, "curves") {
		return nil
	}
	for _, f := range t.Fits {
		e.about.Curves = append(e.about.Curves, curveAbout(t, f))
	}
	return writeTable(e, "curves", exchange.NewCurves, func(table exchange.Table[exchange.CurveRow]) error {
		boots, err := e.r.Boots(ctx)
		if err != nil {
			return err
		}
		for _, run := range t.Runs {
			for _, p := range run.Positions {
				i := slices.IndexFunc(t.Fits, func(f fitted) bool { return f.Run == run.Number && f.fill().Channel == p.Channel })
				w := curveWriter{e: e, table: table, boots: boots, test: t.Test.Label, run: run.Number, injector: p.Injector, density: densityOf(t.Test.Fuel)}
				to := run.End
				if to == 0 {
					to = store.End
				}
				if err := w.write(ctx, run.BootID, p.Channel, run.Start, to, run.Start, []ingest.Calibration{cals[t.Fits[i].CalibrationID]}); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// exportRange writes what lies between two wall times.
func (e *exporter) exportRange(ctx context.Context, from, to time.Time) error {
	const layout = "20060102T150405Z"
	e.about.Of = fmt.Sprintf("%s to %s", from.Format(time.RFC3339), to.Format(time.RFC3339))
	e.name = from.Format(layout) + "-" + to.Format(layout)
	boots, err := e.r.Boots(ctx)
	if err != nil {
		return err
	}
	known, err := e.r.Channels(ctx)
	if err != nil {
		return err
	}
	var only []string
	if e.o.channels != "" {
		for _, name := range strings.Split(e.o.channels, ",") {
			name = strings.TrimSpace(name)
			if !slices.ContainsFunc(known, func(c rig.Channel) bool { return c.Name == name }) {
				var names []string
				for _, c := range known {
					names = append(names, c.Name)
				}
				return badInput(fmt.Errorf("--channels: the store knows no channel %q: it knows %s", name, strings.Join(names, ", ")))
			}
			only = append(only, name)
		}
	}
	cals := map[string][]ingest.Calibration{}
	byID := map[int64]ingest.Calibration{}
	for _, c := range known {
		if cals[c.Name], err = e.r.Calibrations(ctx, c.Name); err != nil {
			return err
		}
		for _, k := range cals[c.Name] {
			byID[k.ID] = k
		}
	}
	parts, err := e.partsIn(ctx, boots, only, from, to)
	if err != nil {
		return err
	}
	abouts := e.tellParts(parts, cals, from, to)
	tables := e.tables()
	if err := e.checkFree(tables); err != nil {
		return err
	}
	if slices.Contains(tables, "rates") {
		tests, err := e.testsIn(ctx, boots, only, from, to)
		if err != nil {
			return err
		}
		if len(tests) == 0 && len(parts) == 0 {
			e.warn(fmt.Sprintf("nothing was measured from %s to %s, both UTC: look at the times and at their zone", from.Format(time.DateTime), to.Format(time.DateTime)))
		}
		if err := e.writeRates(tests, byID); err != nil {
			return err
		}
	}
	if !slices.Contains(tables, "curves") {
		return nil
	}
	if err := e.warnOfDeleted(ctx, boots, from, to); err != nil {
		return err
	}
	if len(parts) == 0 && e.o.what == "curves" {
		e.warn(fmt.Sprintf("nothing was recorded from %s to %s, both UTC: look at the times and at their zone", from.Format(time.DateTime), to.Format(time.DateTime)))
	}
	e.about.Curves = abouts
	var levels []string
	for _, a := range abouts {
		if a.DriftPerH > 0 {
			levels = append(levels, a.Channel)
		}
	}
	if len(levels) > 0 {
		e.warn(fmt.Sprintf("level senders (%s): how sure the scale is depends on where in the tube a fill stands, and is told by the export of a test, not by that of a time range", strings.Join(levels, ", ")))
	}
	return writeTable(e, "curves", exchange.NewCurves, func(table exchange.Table[exchange.CurveRow]) error {
		for _, p := range parts {
			w := curveWriter{e: e, table: table, boots: boots}
			if err := w.write(ctx, p.boot.ID, p.channel.Name, max(from.Sub(p.boot.Wall), 0), to.Sub(p.boot.Wall), 0, cals[p.channel.Name]); err != nil {
				return err
			}
		}
		return nil
	})
}

// bootPart is a channel of a boot.
type bootPart struct {
	boot    ingest.Boot
	channel rig.Channel
}

// partsIn is the channels with readings in a time range; only may name those that count.
func (e *exporter) partsIn(ctx context.Context, boots []ingest.Boot, only []string, from, to time.Time) ([]bootPart, error) {
	var out []bootPart
	for _, b := range boots {
		if !b.Wall.Before(to) {
			continue
		}
		channels, err := e.r.BootChannels(ctx, b.ID)
		if err != nil {
			return nil, err
		}
		for _, ch := range channels {
			if len(only) > 0 && !slices.Contains(only, ch.Name) {
				continue
			}
			first, last, err := e.r.Extent(ctx, b.ID, ch.Name)
			if err != nil {
				return nil, err
			}
			if last >= first && first < to.Sub(b.Wall) && last >= from.Sub(b.Wall) {
				out = append(out, bootPart{b, ch})
			}
		}
	}
	return out, nil
}

// tellParts notes the calibrations that hold in a time range, and returns what each
// channel's readings need beside them to be rated as the store rates them.
func (e *exporter) tellParts(parts []bootPart, cals map[string][]ingest.Calibration, from, to time.Time) []exchange.CurveAbout {
	var out []exchange.CurveAbout
	for _, p := range parts {
		i := slices.IndexFunc(out, func(a exchange.CurveAbout) bool { return a.Channel == p.channel.Name })
		if i < 0 {
			held := heldIn(cals[p.channel.Name], from, to)
			for _, k := range held {
				e.about.Calibrations = append(e.about.Calibrations, calibrationAbout(k))
			}
			i = len(out)
			out = append(out, rangeAbout(p.channel.Name, held))
		}
		if c := p.channel.CapacityML; c > 0 && (out[i].CapacityML == nil || c < *out[i].CapacityML) {
			out[i].CapacityML = finiteOrNil(c)
		}
	}
	return slices.DeleteFunc(out, func(a exchange.CurveAbout) bool { return a.Unit == "" })
}

// heldIn is those of a channel's calibrations, oldest first, that hold somewhere in a time
// range: each from its time on, the first before it too.
func heldIn(cals []ingest.Calibration, from, to time.Time) []ingest.Calibration {
	var out []ingest.Calibration
	for i, k := range cals {
		if (i == 0 || k.At.Before(to)) && (i == len(cals)-1 || cals[i+1].At.After(from)) {
			out = append(out, k)
		}
	}
	return out
}

// rangeAbout tells a channel's scale by the calibrations that hold: the least sure of them.
// That of a level depends on where in the tube a fill stands, and is not told; nor is any,
// nor a unit, where the calibrations are of different units.
func rangeAbout(channel string, held []ingest.Calibration) exchange.CurveAbout {
	a := exchange.CurveAbout{Channel: channel}
	if len(held) == 0 || slices.ContainsFunc(held, func(k ingest.Calibration) bool { return k.Unit != held[0].Unit }) {
		return a
	}
	a.Unit = string(curve.Gram)
	switch held[0].Unit {
	case ingest.UnitMM:
		a.Unit, a.DriftPerH = string(curve.Millilitre), levelDriftMLPerH
		return a
	case ingest.UnitML:
		a.Unit = string(curve.Millilitre)
	}
	for _, k := range held {
		u := noted(k.UCountsPerG / math.Abs(k.CountsPerGram))
		if u == nil {
			a.ScaleRelU, a.ScaleDF = nil, nil
			return a
		}
		if a.ScaleRelU == nil || *u > *a.ScaleRelU {
			a.ScaleRelU, a.ScaleDF = u, finiteOrNil(k.DF)
		}
	}
	return a
}

// noted is a standard uncertainty; nil where none was noted, as 0 would claim that it is
// known exactly.
func noted(u float64) *float64 {
	if !(u > 0) {
		return nil
	}
	return finiteOrNil(u)
}

// warnOfDeleted tells of readings of a time range that were deleted by a rule: what is
// missing from the table was measured.
func (e *exporter) warnOfDeleted(ctx context.Context, boots []ingest.Boot, from, to time.Time) error {
	for _, b := range boots {
		gone, err := e.r.RawDeleted(ctx, b.ID)
		if err != nil {
			return err
		}
		for _, d := range gone {
			first, last := b.Wall.Add(d.From), b.Wall.Add(d.To)
			if first.Before(to) && !last.Before(from) {
				e.warn(fmt.Sprintf("between %s and %s raw readings of watches were deleted (rule %s); their overviews are kept, and not exported",
					first.UTC().Format(time.DateTime), last.UTC().Format(time.DateTime), d.Rule))
			}
		}
	}
	return nil
}

// testsIn is the tests with those of their runs that began in a time range; only may name
// the channels that count. A hand reading counts from midnight UTC of its day.
func (e *exporter) testsIn(ctx context.Context, boots []ingest.Boot, only []string, from, to time.Time) ([]testFits, error) {
	all, err := e.r.Tests(ctx, 0)
	if err != nil {
		return nil, err
	}
	var out []testFits
	within := func(t time.Time) bool { return !t.Before(from) && t.Before(to) }
	for _, x := range all {
		runs, err := e.r.Runs(ctx, x.ID)
		if err != nil {
			return nil, err
		}
		began := slices.ContainsFunc(runs, func(r ingest.Run) bool { return within(wallOf(boots, r.BootID, r.Start)) })
		if !began && (len(runs) > 0 || x.At.After(to)) {
			continue
		}
		if len(runs) == 0 {
			readings, err := e.r.HandReadings(ctx, x.ID)
			if err != nil {
				return nil, err
			}
			if !slices.ContainsFunc(readings, func(h ingest.HandReading) bool { return within(h.Day) }) {
				continue
			}
		}
		t, err := fitTest(ctx, e.r, fmt.Sprint(x.ID))
		if err != nil {
			return nil, err
		}
		t.Fits = slices.DeleteFunc(t.Fits, func(f fitted) bool {
			i := slices.IndexFunc(t.Runs, func(r ingest.Run) bool { return r.Number == f.Run })
			return !within(t.Walls[t.Runs[i].ID]) || len(only) > 0 && !slices.Contains(only, f.fill().Channel)
		})
		if len(t.Fits) == 0 {
			continue
		}
		for i := range t.Fits {
			t.Fits[i].Curve = curve.Curve{Channel: t.Fits[i].Curve.Channel, Unit: t.Fits[i].Curve.Unit} // rates need no values, and many tests may come
		}
		for _, w := range t.doubts() {
			e.warn(fmt.Sprintf("test %s: %s", t.Test.Label, w))
		}
		out = append(out, t)
	}
	return out, nil
}

func (e *exporter) tables() []string {
	if e.o.what == "both" {
		return []string{"rates", "curves"}
	}
	return []string{e.o.what}
}

func (e *exporter) path(table string) string {
	return filepath.Join(e.o.out, e.name+"-"+table+"."+string(e.format))
}

// checkFree refuses to replace a file, before any work is done.
func (e *exporter) checkFree(tables []string) error {
	for _, t := range tables {
		if _, err := os.Lstat(e.path(t)); err == nil && !e.o.force {
			return badInput(fmt.Errorf("%s is there already: move it away, name another folder with --out, or replace it with --force", e.path(t)))
		}
	}
	return nil
}

// fileWord is a label as part of a file's name.
func fileWord(label string) string {
	word := strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) || r == '-' || r == '_' {
			return r
		}
		return '_'
	}, label)
	const most = 60 // letters may take four bytes, and a name holds 255
	if r := []rune(word); len(r) > most {
		word = string(r[:most])
	}
	return "test-" + word
}

// countingTable counts rows.
type countingTable[T any] struct {
	exchange.Table[T]
	rows int
}

func (c *countingTable[T]) Write(rows []T) error {
	c.rows += len(rows)
	return c.Table.Write(rows)
}

// writeTable writes one table whole under its name.
func writeTable[T any](e *exporter, table string, begin func(io.Writer, exchange.Format, exchange.About) (exchange.Table[T], error), fill func(exchange.Table[T]) error) error {
	path := e.path(table)
	about := e.about
	about.Warnings = e.written.Warnings
	rows := 0
	err := writeFile(path, func(w io.Writer) error {
		t, err := begin(w, e.format, about)
		if err != nil {
			return err
		}
		counting := &countingTable[T]{Table: t}
		if err := fill(counting); err != nil {
			return err
		}
		rows = counting.rows
		return t.Close()
	})
	if err != nil {
		return err
	}
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	e.written.Files = append(e.written.Files, exportFileJSON{File: path, Table: table, Rows: rows, Bytes: info.Size()})
	return nil
}

func (e *exporter) print(w io.Writer) error {
	var b strings.Builder
	wrapTo(&b, "", fmt.Sprintf("Exported %s.", e.written.Of))
	for _, f := range e.written.Files {
		fmt.Fprintf(&b, "  %s: %s, %d bytes\n", f.File, counted(f.Rows, "row"), f.Bytes)
	}
	if len(e.written.Warnings) > 0 {
		b.WriteString("Doubts\n")
		for _, x := range e.written.Warnings {
			wrapTo(&b, "  - ", x+".")
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func calibrationAbout(k ingest.Calibration) exchange.CalibrationAbout {
	a := exchange.CalibrationAbout{ID: k.ID, Channel: k.Channel, Unit: k.Unit, Zero: finiteOrNil(k.Zero), UZero: finiteOrNil(k.UZero),
		Span: finiteOrNil(k.CountsPerGram), USpan: noted(k.UCountsPerG), DF: finiteOrNil(k.DF)}
	if !k.At.IsZero() {
		at := k.At.UTC()
		a.AtUTC = &at
	}
	return a
}

// curveAbout is what beside its values gives a curve's rate again.
func curveAbout(t testFits, f fitted) exchange.CurveAbout {
	a := exchange.CurveAbout{Test: t.Test.Label, Run: f.Run, Channel: f.fill().Channel, Injector: f.Injector, Unit: string(f.Curve.Unit),
		ScaleRelU: noted(f.Curve.ScaleRelU), ScaleDF: finiteOrNil(f.Curve.ScaleDF), DriftPerH: f.Curve.DriftPerH, InAir: f.Curve.InAir}
	if a.Unit == "" { // of a channel in which nothing could be fitted
		a.Unit = string(curve.Gram)
	}
	a.Excluded = t.Runs[slices.IndexFunc(t.Runs, func(r ingest.Run) bool { return r.Number == f.Run })].Excluded
	if f.Curve.CapacityML > 0 {
		a.CapacityML = finiteOrNil(f.Curve.CapacityML)
	}
	if d := densityOf(t.Test.Fuel); d != nil {
		a.Density, a.UDensity, a.UDensityTemp = &d.GPerML, noted(d.U), d.UTemp
		if s := d.Stated; s != nil {
			a.Stated = &exchange.Stated{AtC: s.AtC, Density: s.GPerML, U: s.U, UTemp: s.UTemp, UShrink: finiteOrNil(s.UShrink)}
		}
	}
	return a
}

// writeRates writes the table of rates of tests.
func (e *exporter) writeRates(tests []testFits, cals map[int64]ingest.Calibration) error {
	return writeTable(e, "rates", exchange.NewRates, func(table exchange.Table[exchange.RateRow]) error {
		for _, t := range tests {
			fits := slices.Clone(t.Fits)
			slices.SortStableFunc(fits, func(a, b fitted) int { return cmp.Or(a.Run-b.Run, a.Injector-b.Injector) })
			for _, f := range fits {
				if err := table.Write([]exchange.RateRow{e.rateRow(t, f, cals)}); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

func (e *exporter) rateRow(t testFits, f fitted, cals map[int64]ingest.Calibration) exchange.RateRow {
	x := f.fill()
	run := t.Runs[slices.IndexFunc(t.Runs, func(r ingest.Run) bool { return r.Number == f.Run })]
	row := exchange.RateRow{Engine: t.Engine.Label, Test: t.Test.Label, Phase: t.Test.Phase, Odometer: finiteOrNil(t.Test.Odometer), DistanceUnit: t.Engine.DistanceUnit,
		Hanging: int32(f.Hanging), Run: int32(f.Run), TimeUTC: t.Walls[run.ID], Excluded: run.Excluded, Injector: int32(f.Injector), Channel: x.Channel,
		Source: exchange.SourceBench, Kind: string(x.Kind), StartS: finiteOrNil(x.StartS), EndS: finiteOrNil(x.EndS),
		RateMLPerMin: finiteOrNil(x.RateMLPerMin), RateGPerMin: finiteOrNil(x.RateGPerMin), Steady: x.Steady, TrendPercent: finiteOrNil(100 * x.Trend),
		Samples: int32(x.Samples), Allowed: t.stands(f), Fuel: t.Test.Fuel.Kind, FuelTempC: finiteOrNil(t.Test.Fuel.TempC), AtC: finiteOrNil(x.AtC), Version: version}
	if x.Unit == curve.Millilitre {
		row.UMLPerMin, row.U95MLPerMin, row.DF = finiteOrNil(x.U), finiteOrNil(x.U95), finiteOrNil(x.DF)
	} else {
		row.UGPerMin, row.U95GPerMin, row.DF = finiteOrNil(x.U), finiteOrNil(x.U95), finiteOrNil(x.DF)
		row.UMLPerMin, row.U95MLPerMin = finiteOrNil(x.UMLPerMin), finiteOrNil(x.U95MLPerMin)
		if d := densityOf(t.Test.Fuel); d != nil {
			row.DF = finiteOrNil(x.DFMLPerMin)
		}
	}
	switch {
	case !f.Day.IsZero():
		row.Source, row.Samples = exchange.SourceHand, 0
		row.TimeUTC = f.Day
	case e.imported[t.Test.Label]:
		row.Source = exchange.SourceImport
	}
	if d := densityOf(t.Test.Fuel); d != nil {
		row.Density, row.UDensity = &d.GPerML, noted(d.U)
	}
	if k, ok := cals[f.CalibrationID]; ok {
		row.Calibration, row.CalibratedAt, row.SpanUnit = k.ID, k.At, k.Unit
		row.Span, row.USpan = finiteOrNil(k.CountsPerGram), noted(k.UCountsPerG)
	}
	var codes, say []string
	for _, g := range x.Flags {
		codes = append(codes, g.Code)
		say = append(say, fmt.Sprintf("%s (%s): %s", g.Code, g.Severity, g.Text()))
	}
	row.Flags, row.FlagsSay = strings.Join(codes, " "), strings.Join(say, "; ")
	return row
}

// exportBlock is how much of a channel is read at once: ten chunks.
const exportBlock = 10 * time.Minute

// exportRows is how many rows are handed on at once.
const exportRows = 4096

// curveWriter writes readings of channels, block by block.
type curveWriter struct {
	e        *exporter
	table    exchange.Table[exchange.CurveRow]
	boots    []ingest.Boot
	test     string
	run      int
	injector int
	density  *curve.Density

	rows   []exchange.CurveRow
	counts []int32
	mass   []float64
	volume []float64
}

// write writes a channel from one elapsed time up to another, as seconds since zero. cals
// are the channel's calibrations, oldest first; each holds from its time on, the first
// before it too.
func (w *curveWriter) write(ctx context.Context, boot int64, channel string, from, to, zero time.Duration, cals []ingest.Calibration) error {
	w.rows = make([]exchange.CurveRow, 0, exportRows)
	w.counts, w.mass, w.volume = make([]int32, exportRows), make([]float64, exportRows), make([]float64, exportRows)
	wall := wallOf(w.boots, boot, 0)
	scale, err := newScale(cals)
	if err != nil {
		return err
	}
	first, last, err := w.e.r.Extent(ctx, boot, channel)
	if err != nil {
		return err
	}
	from = max(from, first)
	if last < to { // also where to is store.End
		to = last + time.Microsecond
	}
	for from < to {
		if err := ctx.Err(); err != nil {
			return err
		}
		next := min(from.Truncate(exportBlock)+exportBlock, to)
		samples, err := w.e.r.Samples(ctx, boot, channel, from, next)
		var damage *store.DamageError
		if errors.As(err, &damage) {
			w.e.warn(damage.Error())
		} else if err != nil {
			return err
		}
		for _, s := range samples {
			if len(w.rows) == exportRows {
				if err := w.flush(); err != nil {
					return err
				}
			}
			w.add(s, boot, channel, wall, zero, scale)
		}
		from = next
	}
	return w.flush()
}

func (w *curveWriter) flush() error {
	err := w.table.Write(w.rows)
	w.rows = w.rows[:0]
	return err
}

func (w *curveWriter) add(s rig.Sample, boot int64, channel string, wall time.Time, zero time.Duration, scale *scale) {
	i := len(w.rows)
	row := exchange.CurveRow{Test: w.test, Run: int32(w.run), Injector: int32(w.injector), Boot: boot, Channel: channel,
		ElapsedS: (s.Elapsed - zero).Seconds(), TimeUTC: wall.Add(s.Elapsed), Quality: s.Quality.String()}
	if s.Quality.HasCounts() {
		w.counts[i] = s.Counts
		row.Counts = &w.counts[i]
		if k := scale.at(row.TimeUTC); k != nil {
			row.Calibration = k.id
			if k.volume != nil {
				if mL, within := k.volume(float64(s.Counts)); within {
					w.volume[i] = mL
					row.VolumeML = &w.volume[i]
				}
			} else {
				w.mass[i] = (float64(s.Counts) - k.zero) / k.span
				row.MassG = &w.mass[i]
				if w.density != nil {
					lift, _ := curve.InAir(w.density) // as in the rates
					w.volume[i] = w.mass[i] * lift / w.density.GPerML
					row.VolumeML = &w.volume[i]
				}
			}
		}
	}
	w.rows = append(w.rows, row)
}

// scale turns a channel's counts into grams or mL by the calibration of the time.
type scale struct{ steps []scaleStep }

type scaleStep struct {
	id         int64
	from       time.Time
	zero, span float64
	volume     func(counts float64) (mL float64, within bool) // nil for a channel that weighs
}

func newScale(cals []ingest.Calibration) (*scale, error) {
	var s scale
	for _, k := range cals {
		step := scaleStep{id: k.ID, from: k.At, zero: k.Zero, span: k.CountsPerGram}
		var err error
		if k.Unit == ingest.UnitML {
			step.volume = func(counts float64) (float64, bool) { return (counts - k.Zero) / k.CountsPerGram, true }
		} else if step.volume, err = volumeBy(k); err != nil {
			return nil, err
		}
		if math.IsNaN(k.Zero) || math.IsNaN(k.CountsPerGram) || k.CountsPerGram == 0 {
			continue
		}
		s.steps = append(s.steps, step)
	}
	return &s, nil
}

// at is the calibration that held at a time; nil when there is none.
func (s *scale) at(t time.Time) *scaleStep {
	for i := len(s.steps) - 1; i >= 0; i-- {
		if i == 0 || !s.steps[i].from.After(t) {
			return &s.steps[i]
		}
	}
	return nil
}

// isTable reports whether a file is a table that export wrote; one that cannot be read is
// left to whoever reads it.
func isTable(name string, is func(io.Reader) bool) bool {
	f, err := os.Open(name)
	if err != nil {
		return false
	}
	defer f.Close()
	return is(f)
}

// ratesOfTable is the rates of a table of readings that export wrote.
func ratesOfTable(name string, o ratesFlags, given func(string) bool) (ratedSet, error) {
	set := ratedSet{source: name}
	for _, flag := range []string{"columns", "counts-per-gram", "from", "to"} {
		if given(flag) {
			return set, badInput(fmt.Errorf("rates: %s is a table that export wrote, and --%s is for other files: leave it out", name, flag))
		}
	}
	density, err := o.densityGiven(given)
	if err != nil {
		return set, badInput(fmt.Errorf("rates: %w", err))
	}
	f, err := os.Open(name)
	if err != nil {
		return set, fmt.Errorf("rates: %w", err)
	}
	defer f.Close()
	curves, doubts, err := exchange.ReadTidyCurves(f, name)
	if err != nil {
		return set, badInput(fmt.Errorf("rates: %w", err))
	}
	set.warnings = doubts
	inOneTime(curves)
	excluded, unsure, undense := map[int]bool{}, []string{}, false
	set.excluded = func(run int) bool { return excluded[run] }
	for _, c := range curves {
		if c.About != nil && c.About.Excluded != "" && !excluded[c.Run] {
			excluded[c.Run] = true
			set.warnings = append(set.warnings, fmt.Sprintf("run %d is left out of the finding: %s", c.Run, c.About.Excluded))
		}
		fit, d, err := fitTidy(c, density, o, given)
		if err != nil {
			return set, badInput(fmt.Errorf("rates: %s, line %d: %w", name, c.Line, err))
		}
		if (c.About == nil || c.About.ScaleRelU == nil) && !slices.Contains(unsure, c.Channel) {
			unsure = append(unsure, c.Channel)
		}
		undense = undense || d == nil && fit.Curve.Unit == curve.Gram
		set.volume = set.volume || d != nil || fit.Curve.Unit == curve.Millilitre
		set.values = max(set.values, len(c.ElapsedS))
		if set.start.IsZero() {
			set.start = c.Start
		}
		set.fits = append(set.fits, fit)
	}
	if doubt := scaleDoubt(unsure); doubt != "" && !slices.ContainsFunc(doubts, func(said string) bool { return strings.HasSuffix(said, doubt) }) {
		set.warnings = append(set.warnings, doubt)
	}
	switch {
	case undense && set.volume:
		set.warnings = append(set.warnings, "the file notes no fuel density: tubes that are weighed have no rate in mL/min, and compare with none that has a level sender; give --density")
	case undense:
		set.warnings = append(set.warnings, "the file notes no fuel density: rates are in g/min; --density gives mL/min")
	}
	set.runFlags = map[int][]rate.Flag{}
	for _, f := range set.fits {
		if _, done := set.runFlags[f.Run]; !done {
			set.runFlags[f.Run] = together(set.fits, f.Run)
		}
	}
	if set.fits[0].Run > 0 { // as the test was in the store
		pool(set.fits)
	}
	slices.SortStableFunc(set.fits, func(a, b fitted) int { return cmp.Or(a.Run-b.Run, a.Injector-b.Injector) })
	return set, nil
}

// together looks at the channels of one run together, each of which was fitted with the
// density and the scale that the table gives it, and returns the flags of the run.
func together(fits []fitted, run int) []rate.Flag {
	var results []rate.Result
	for _, f := range fits {
		if f.Run == run {
			results = append(results, f.Result)
		}
	}
	return rate.Together(results)
}

// inOneTime puts readings outside of runs, which count from the start of the bench, on one
// time when they are of several starts.
func inOneTime(curves []exchange.TidyCurve) {
	loose := slices.DeleteFunc(slices.Clone(curves), func(c exchange.TidyCurve) bool { return c.Run > 0 || c.Start.IsZero() })
	if len(loose) == 0 || !slices.ContainsFunc(loose, func(c exchange.TidyCurve) bool { return c.Boot != loose[0].Boot }) {
		return
	}
	earliest := slices.MinFunc(loose, func(a, b exchange.TidyCurve) int { return a.Start.Compare(b.Start) }).Start
	for _, c := range loose {
		shift := c.Start.Sub(earliest).Seconds() - c.ElapsedS[0]
		for i := range c.ElapsedS {
			c.ElapsedS[i] += shift
		}
	}
}

// fitTidy fits one curve of a table as it was fitted in the store.
func fitTidy(c exchange.TidyCurve, density *curve.Density, o ratesFlags, given func(string) bool) (f fitted, d *curve.Density, err error) {
	f = fitted{Run: c.Run, Injector: c.Injector}
	unit, values := curve.Gram, c.MassG
	if c.About != nil && c.About.Unit == string(curve.Millilitre) || c.About == nil && !slices.ContainsFunc(c.MassG, finite) && slices.ContainsFunc(c.VolumeML, finite) {
		unit, values = curve.Millilitre, c.VolumeML
	}
	marks := make([]curve.Mark, len(values))
	for i, q := range c.Qualities {
		marks[i] = markOf(q)
		if unit == curve.Millilitre && marks[i] == curve.Used && math.IsNaN(values[i]) {
			marks[i] = curve.Limit // beyond the tube's table
		}
	}
	relU, df := 0.0, math.Inf(1)
	if a := c.About; a != nil {
		if a.ScaleRelU != nil {
			relU = *a.ScaleRelU
		}
		if a.ScaleDF != nil {
			df = *a.ScaleDF
		}
		if a.Density != nil {
			d = &curve.Density{GPerML: *a.Density}
			if a.UDensity != nil {
				d.U = *a.UDensity
			}
			d.UTemp = a.UDensityTemp
			if s := a.Stated; s != nil {
				d.Stated = &curve.Stated{AtC: s.AtC, GPerML: s.Density, U: s.U, UTemp: s.UTemp, UShrink: math.NaN()}
				if s.UShrink != nil {
					d.Stated.UShrink = *s.UShrink
				}
			}
			if err := d.Check(); err != nil {
				return f, nil, err
			}
		}
	}
	if density != nil {
		d = density
	}
	mode := rate.OneFill
	if c.Run == 0 {
		mode = rate.Stream
	}
	if unit == curve.Millilitre {
		f.Curve, err = curve.FromVolumes(c.Channel, c.ElapsedS, values, marks, relU, df)
	} else {
		f.Curve, err = curve.FromCounts(c.Channel, c.ElapsedS, values, marks, curve.Calibration{CountsPerGram: 1, UCountsPerGram: relU, DF: df})
	}
	if err == nil {
		if a := c.About; a != nil {
			f.Curve.DriftPerH, f.Curve.InAir = a.DriftPerH, a.InAir && unit == curve.Gram
			if a.CapacityML != nil {
				f.Curve.CapacityML = *a.CapacityML
			}
		}
		if given("capacity") {
			f.Curve.CapacityML = o.capacity
		}
		f.Result, err = rate.Analyse(f.Curve, rate.Options{Mode: mode, Density: d})
	}
	if err != nil {
		if c.Run == 0 {
			return f, d, err
		}
		f.Result = deadResult(c.Channel, err) // as in the store
	}
	return f, d, nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
