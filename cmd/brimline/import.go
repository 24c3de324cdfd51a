package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"brimline/ingest"
	"brimline/ingest/exchange"
	"brimline/ingest/store"
)

const importSchema = "brimline/import/1"

// importFlags is what `import` may be told.
type importFlags struct {
	data   string
	dryRun bool
	asJSON bool

	injectors    int
	distanceUnit string

	// Of curves only.
	engine, phase, label, positions, columns, at, fuel string
	runs                                               []string
	countsPerGram, density, densityU, capacity         float64
	fuelAs                                             fuelFlags
	odometer, fuelTempC                                float64
}

// curvesOnly names the flags that a file of hand readings has no use for.
var curvesOnly = []string{"engine", "phase", "label", "positions", "columns", "at", "fuel", "fuel-temp", "run", "counts-per-gram", "density", "density-u", "density-15", "assume-en590", "fuel-temp-u", "state-at", "expansion", "expansion-u", "viscosity", "capacity", "odometer"}

func newImportCommand() *cobra.Command {
	var o importFlags
	c := &cobra.Command{
		Use:   "import FILE.csv --data FOLDER",
		Short: "Take hand readings, or another logger's curves, into the store",
		Long: `Import takes a file of hand readings, or of another logger's curves, into the store
of --data: the whole file or nothing of it. Tests that come of it are rated and
compared like the bench's own ('brimline rates TEST', 'brimline compare TEST TEST').

Hand readings have the header of 'brimline compare':

  engine,date,phase,hanging,run,injector,volume_ml,duration_s
  Sprayer 1,2026-03-02,baseline,1,1,1,33.5,180

Each engine, phase and date makes one test; a hanging that goes on over midnight
belongs to the test of its first day. Injectors are numbered, 1 for the first
cylinder. A sheet that grows may be taken in again and again: what is there is
counted and left, what is new is added. A reading that is there with another
value refuses the whole file, as what was taken in is never changed. A new engine
keeps the number of injectors that it begins with: give --injectors where the file
does not have them all.

Curves have the form that 'brimline rates' reads. A file makes one test with one
hanging; --engine and --phase say of what, --positions which injector fed which
column. A file without clock stamps needs --at, the time of its first row; stamps
that name no zone count as UTC. A copy of a recording that is there, or a longer or
shorter one, is not taken in twice.

--dry-run says what would be done, and changes nothing. Stop the daemon before
importing: one program at a time writes the store.`,
		Example: "  brimline import readings.csv --data /var/lib/brimline --dry-run\n" +
			"  brimline import readings.csv --data /var/lib/brimline\n" +
			"  brimline import curves.csv --data /var/lib/brimline --engine \"Sprayer 1\" --phase baseline --density 0.832\n" +
			"  brimline import day.csv --data /var/lib/brimline --engine \"Sprayer 1\" --phase after \\\n" +
			"      --at 2026-03-02T14:05:00Z --run 10:190 --run 400:580",
		Args: usageArgs(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			if err := runImport(c, args[0], o); err != nil {
				return fmt.Errorf("import: %w", err)
			}
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&o.data, "data", "", "folder of the store")
	f.BoolVar(&o.dryRun, "dry-run", false, "say what would be done, and change nothing")
	f.BoolVar(&o.asJSON, "json", false, "print JSON, schema "+importSchema)
	f.IntVar(&o.injectors, "injectors", 0, "of a new engine: how many injectors (default: the highest in the file)")
	f.StringVar(&o.distanceUnit, "distance-unit", "h", "of a new engine: what its odometer counts: h, km or mi")
	f.StringVar(&o.engine, "engine", "", "curves: label of the engine")
	f.StringVar(&o.phase, "phase", "", `curves: "baseline", "after", or your own word`)
	f.StringVar(&o.label, "label", "", "curves: name of the test (default: T1, T2, ...)")
	f.StringVar(&o.at, "at", "", "curves without stamps: wall time of the first row, such as 2026-03-02T14:05Z (UTC where no zone is given)")
	f.StringVar(&o.positions, "positions", "", "curves: the injector at each column, in the file's order, 0 for none (default: 1,2,3,..)")
	f.StringArrayVar(&o.runs, "run", nil, "curves: a run FROM:TO in the file's seconds, such as 10:190; once for each (default: the whole file)")
	f.StringVar(&o.columns, "columns", "", `curves: names for the columns of a file without a header, or whose header lacks units; "-" leaves one out`)
	f.Float64Var(&o.countsPerGram, "counts-per-gram", 0, "curves: what one gram gives, for columns of counts")
	f.Float64Var(&o.density, "density", 0, "curves: of the fuel at the tubes' temperature, g/mL")
	f.Float64Var(&o.densityU, "density-u", 0, "curves: standard uncertainty of --density, g/mL")
	o.fuelAs.add(f, "curves: ")
	f.Float64Var(&o.capacity, "capacity", 0, "curves: of a tube, mL")
	f.Float64Var(&o.odometer, "odometer", math.NaN(), "curves: distance or hours of the engine")
	f.StringVar(&o.fuel, "fuel", "", "curves: kind of fuel")
	f.Float64Var(&o.fuelTempC, "fuel-temp", math.NaN(), "curves: fuel temperature in the tubes, °C")
	for _, name := range []string{"odometer", "fuel-temp"} {
		f.Lookup(name).DefValue = ""
	}
	return c
}

// importPlan is what importing a file would do.
type importPlan struct {
	file     string
	readings []ingest.ReadTest // of hand readings
	curves   *ingest.ImportedCurves
	tests    []importTestJSON
	added    int    // readings, or samples
	there    int    // that are in the store already
	nothing  string // why nothing is added; empty: something is
	warnings []string
}

// The JSON of an import. Names are part of the schema: add, never rename.
type (
	importJSON struct {
		Schema   string           `json:"schema"`
		File     string           `json:"file"`
		SHA256   string           `json:"sha256"`
		Store    string           `json:"store"`
		DryRun   bool             `json:"dry_run"`
		Kind     string           `json:"kind"`
		Import   int64            `json:"import,omitempty"` // its number in the store
		Added    int              `json:"added"`
		There    int              `json:"there_already"`
		Nothing  string           `json:"nothing,omitempty"`
		Tests    []importTestJSON `json:"tests"`
		Warnings []string         `json:"warnings"`
	}
	importTestJSON struct {
		Test      string `json:"test"`
		NewTest   bool   `json:"new_test"`
		Engine    string `json:"engine"`
		NewEngine bool   `json:"new_engine"`
		Injectors int    `json:"injectors"` // of the engine
		Phase     string `json:"phase"`
		Day       string `json:"day"`
		Hangings  int    `json:"hangings"`
		Runs      int    `json:"runs"`
		Rows      int    `json:"rows"` // readings, or samples
	}
)

func runImport(c *cobra.Command, name string, o importFlags) error {
	given := c.Flags().Changed
	switch {
	case o.data == "":
		return badInput(errors.New("--data is missing: name the store's folder"))
	case given("injectors") && (o.injectors < 1 || o.injectors > maxInjectors):
		return badInput(fmt.Errorf("--injectors %d: give a number from 1 to %d", o.injectors, maxInjectors))
	case !slices.Contains([]string{"h", "km", "mi"}, o.distanceUnit):
		return badInput(fmt.Errorf("--distance-unit %s: use h, km or mi", o.distanceUnit))
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return badInput(fmt.Errorf("%w; give a CSV file of hand readings or of curves", err))
	}
	if exchange.IsTidyRates(bytes.NewReader(text)) {
		return badInput(fmt.Errorf("%s is a table of rates that export wrote, not of readings: to move a test from one store to another copy the store", name))
	}
	sum := sha256.Sum256(text)
	imp := ingest.Import{Kind: ingest.ImportCurves, File: filepath.Base(name), SHA256: hex.EncodeToString(sum[:]), At: time.Now(), Program: version}
	if exchange.IsReadings(bytes.NewReader(text)) {
		imp.Kind = ingest.ImportReadings
		for _, flag := range curvesOnly {
			if given(flag) {
				return badInput(fmt.Errorf("%s holds hand readings and --%s is for curves: leave it out", name, flag))
			}
		}
	}
	path, err := importStore(o.data)
	if err != nil {
		return badInput(err)
	}
	// First as in a dry run, so that a file with faults needs no lock and makes no store.
	plan, err := planReading(c.Context(), path, imp, name, text, o, given)
	if err != nil {
		return err
	}
	if plan.nothing == "" && !o.dryRun {
		if plan, imp, err = takeIn(c.Context(), path, imp, name, text, o, given); err != nil {
			return err
		}
	}
	out := importJSON{Schema: importSchema, File: name, SHA256: imp.SHA256, Store: path, DryRun: o.dryRun, Kind: imp.Kind, Import: imp.ID,
		Added: plan.added, There: plan.there, Nothing: plan.nothing, Tests: append([]importTestJSON{}, plan.tests...), Warnings: append([]string{}, plan.warnings...)}
	if o.asJSON {
		err = writeJSON(c.OutOrStdout(), out)
	} else {
		err = out.print(c.OutOrStdout(), o.data)
	}
	if err != nil {
		return fmt.Errorf("writing the result: %w", err)
	}
	return nil
}

// maxInjectors is what an engine has at most, as for test.
const maxInjectors = 32

// importStore is the store of a data folder, as openRead picks it; the bench's own when
// there is none yet.
func importStore(dir string) (string, error) {
	info, err := os.Stat(dir)
	if err != nil {
		return "", fmt.Errorf("--data: %w: make the folder, or name the one that holds the store", err)
	}
	if !info.IsDir() {
		return "", fmt.Errorf("--data %s is a file: name the folder that holds the store", dir)
	}
	for _, name := range []string{realStore, simStore} {
		path := filepath.Join(dir, name)
		if _, err := os.Stat(path); err == nil {
			return path, nil
		}
	}
	return filepath.Join(dir, realStore), nil
}

// planReading plans on the store as it is, which a daemon may be writing, or on none.
func planReading(ctx context.Context, path string, imp ingest.Import, name string, text []byte, o importFlags, given func(string) bool) (importPlan, error) {
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return planImport(ctx, nil, imp, name, text, o, given)
	}
	r, err := store.OpenRead(ctx, path)
	if err != nil {
		return importPlan{}, err
	}
	defer r.Close()
	return planImport(ctx, r, imp, name, text, o, given)
}

// takeIn plans again while nobody else can write, and carries it out.
func takeIn(ctx context.Context, path string, imp ingest.Import, name string, text []byte, o importFlags, given func(string) bool) (plan importPlan, _ ingest.Import, err error) {
	st, err := store.Open(ctx, path, store.Options{})
	if errors.Is(err, store.ErrInUse) {
		return plan, imp, fmt.Errorf("%w; stop the daemon, import, and start it again; --dry-run works meanwhile", err)
	}
	if err != nil {
		return plan, imp, err
	}
	defer func() {
		if closing := st.Close(); err == nil {
			err = closing
		}
	}()
	if plan, err = planImport(ctx, st.Reader, imp, name, text, o, given); err != nil || plan.nothing != "" {
		return plan, imp, err
	}
	if plan.curves != nil {
		imp, err = st.ImportCurves(ctx, imp, *plan.curves)
	} else {
		imp, err = st.ImportReadings(ctx, imp, plan.readings)
	}
	return plan, imp, err
}

// planImport finds out what importing would do, or every reason why it cannot be done.
func planImport(ctx context.Context, r *store.Reader, imp ingest.Import, name string, text []byte, o importFlags, given func(string) bool) (importPlan, error) {
	plan := importPlan{file: name}
	var imports []ingest.Import
	var err error
	if r != nil {
		if imports, err = r.Imports(ctx); err != nil {
			return plan, err
		}
	}
	for _, was := range imports {
		if was.SHA256 == imp.SHA256 {
			plan.there = was.Rows
			plan.nothing = fmt.Sprintf("this very file was taken in on %s as import %d (%s)", was.At.Format(time.DateOnly), was.ID, was.File)
			return plan, nil
		}
	}
	book, err := readBook(ctx, r)
	if err != nil {
		return plan, err
	}
	if imp.Kind == ingest.ImportCurves {
		return plan, plan.planCurves(book, text, o, given)
	}
	rows, faults := exchange.ReadReadingsAll(bytes.NewReader(text), name, mostFaults)
	if len(faults) == 0 {
		faults = plan.planReadings(book, rows, o)
	}
	if len(faults) > 0 {
		return plan, badInput(faultsError(faults))
	}
	return plan, nil
}

// mostFaults bounds the faults of a file that are shown at once.
const mostFaults = 20

// faultsError is the faults of a file, one a line, and that nothing was taken in.
func faultsError(faults []error) error {
	if len(faults) == 1 {
		return fmt.Errorf("%w; nothing was taken in", faults[0])
	}
	more := ""
	if len(faults) >= mostFaults {
		faults, more = faults[:mostFaults], ", perhaps more"
	}
	return fmt.Errorf("nothing was taken in, for %d reasons%s:\n%w", len(faults), more, errors.Join(faults...))
}

// importBook is what of the store's book an import is held against.
type importBook struct {
	engines  []ingest.Engine
	tests    []ingest.Test
	hangings map[int64][]ingest.Hanging // of tests with hand readings
	readings []ingest.HandReading
	marks    []ingest.CurveMark
	imports  []ingest.Import
	noted    map[int64][]ingest.Condition // of tests with hand readings
}

func readBook(ctx context.Context, r *store.Reader) (b importBook, err error) {
	if r == nil {
		return b, nil
	}
	if b.engines, err = r.Engines(ctx); err != nil {
		return b, err
	}
	if b.tests, err = r.Tests(ctx, 0); err != nil {
		return b, err
	}
	if b.readings, err = r.HandReadings(ctx, 0); err != nil {
		return b, err
	}
	if b.marks, err = r.CurveMarks(ctx); err != nil {
		return b, err
	}
	if b.imports, err = r.Imports(ctx); err != nil {
		return b, err
	}
	b.hangings, b.noted = map[int64][]ingest.Hanging{}, map[int64][]ingest.Condition{}
	for _, x := range b.readings {
		if _, done := b.hangings[x.TestID]; !done {
			if b.noted[x.TestID], err = r.Conditions(ctx, x.TestID); err != nil {
				return b, err
			}
			if b.hangings[x.TestID], err = r.Hangings(ctx, x.TestID); err != nil {
				return b, err
			}
		}
	}
	return b, nil
}

// freeLabel is the first of T1, T2, ... that no test has.
func freeLabel(tests []ingest.Test) string {
	for n := len(tests) + 1; ; n++ {
		label := fmt.Sprintf("T%d", n)
		if !slices.ContainsFunc(tests, func(x ingest.Test) bool { return x.Label == label }) {
			return label
		}
	}
}

func (j importJSON) print(w io.Writer, data string) error {
	var b strings.Builder
	what := "hand reading"
	if j.Kind == ingest.ImportCurves {
		what = "sample"
	}
	switch {
	case j.Nothing != "":
		wrapTo(&b, "", fmt.Sprintf("Nothing is added: %s.", j.Nothing))
	case j.DryRun:
		wrapTo(&b, "", fmt.Sprintf("Would add %s of %s to %s. Nothing was changed.", counted(j.Added, what), j.File, j.Store))
	default:
		wrapTo(&b, "", fmt.Sprintf("Added %s of %s to %s, as import %d.", counted(j.Added, what), j.File, j.Store, j.Import))
	}
	if j.There > 0 && j.Nothing == "" {
		wrapTo(&b, "", fmt.Sprintf("%s of the file are in the store already, with the same values, and are left as they are.", counted(j.There, what)))
	}
	for _, t := range j.Tests {
		isNew := func(yes bool) string {
			if yes {
				return "new "
			}
			return ""
		}
		engine := "engine " + t.Engine
		if t.NewEngine {
			engine = fmt.Sprintf("new engine %s of %s", t.Engine, counted(t.Injectors, "injector"))
		}
		wrapTo(&b, "  ", fmt.Sprintf("%stest %s: %s, %s, %s: %s, %s, %s", isNew(t.NewTest), t.Test, engine, t.Phase, t.Day,
			counted(t.Hangings, "hanging"), counted(t.Runs, "run"), counted(t.Rows, what)))
	}
	if len(j.Warnings) > 0 {
		b.WriteString("Doubts\n")
		for _, x := range j.Warnings {
			wrapTo(&b, "  - ", x+".")
		}
	}
	if len(j.Tests) > 0 && !j.DryRun && j.Nothing == "" {
		fmt.Fprintf(&b, "Look closer: brimline rates %s --data %s\n", j.Tests[0].Test, data)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
