package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"brimline/ingest"
	"brimline/ingest/store"
)

const eventSchema = "brimline/event/1"

// eventFlags is what `event` may be told.
type eventFlags struct {
	data, what, unit, at, code string
	amount, odometer           float64
	position                   int
	asJSON                     bool
}

func newEventCommand() *cobra.Command {
	var o eventFlags
	c := &cobra.Command{
		Use:   "event ENGINE [KIND] --data FOLDER",
		Short: "Note what was done to an engine, or list it",
		Long: `Event notes what was done to an engine between tests, for 'brimline history':
KIND is dose, filter, injector, repair, or a word of your own; use the same word
each time, as history puts the same kinds together. Without KIND it lists what
is noted. What is noted stays: there is no taking it back.

An injector that is fitted needs --position, and begins a new series there;
--code is what is marked on it, by which one that moves is known.

Stop the daemon before noting: one program at a time writes the store.`,
		Example: "  brimline event \"Sprayer 1\" filter --at 2026-03-10 --data DIR\n" +
			"  brimline event \"Sprayer 1\" dose --what cleaner --amount 0.5 --unit L \\\n" +
			"    --at 2026-03-10 --odometer 1210 --data DIR\n" +
			"  brimline event \"Sprayer 1\" injector --position 3 --code B7 \\\n" +
			"    --at 2026-04-02 --data DIR\n" +
			"  brimline event \"Sprayer 1\" --data DIR",
		Args: usageArgs(cobra.RangeArgs(1, 2)),
		RunE: func(c *cobra.Command, args []string) error {
			if err := runEvent(c, args, o); err != nil {
				return fmt.Errorf("event: %w", err)
			}
			return nil
		},
	}
	f := c.Flags()
	f.StringVar(&o.data, "data", "", "folder of the store")
	f.StringVar(&o.what, "what", "", "what was done, in your words")
	f.Float64Var(&o.amount, "amount", math.NaN(), "how much, where it has an amount")
	f.StringVar(&o.unit, "unit", "", "unit of --amount")
	f.StringVar(&o.at, "at", "", "when, such as 2026-03-10 or 2026-03-10T09:30Z")
	f.Float64Var(&o.odometer, "odometer", math.NaN(), "distance or hours of the engine then")
	f.IntVar(&o.position, "position", 0, "of an injector: where it was fitted, 1 for the first cylinder")
	f.StringVar(&o.code, "code", "", "of an injector: what is marked on it")
	f.BoolVar(&o.asJSON, "json", false, "print JSON, schema "+eventSchema)
	for _, name := range []string{"amount", "odometer"} {
		f.Lookup(name).DefValue = "0" // not shown
	}
	cobra.CheckErr(c.MarkFlagDirname("data"))
	return c
}

// injectorKind is the kind of event that a fitted injector is.
const injectorKind = "injector"

func runEvent(c *cobra.Command, args []string, o eventFlags) error {
	ctx := c.Context()
	if o.data == "" {
		return badInput(errors.New("--data is missing: name the store's folder"))
	}
	r, err := openRead(ctx, o.data)
	if err != nil {
		return err
	}
	defer r.Close()
	engine, err := engineOf(ctx, r, args[0])
	if err != nil {
		return err
	}
	if len(args) == 2 {
		e, err := o.event(engine, args[1])
		if err != nil {
			return badInput(err)
		}
		there, err := r.Events(ctx, engine.ID)
		if err != nil {
			return err
		}
		for _, x := range there {
			if x.Kind == e.Kind && x.What == e.What && x.At.Equal(e.At) && x.Unit == e.Unit && (x.Amount == e.Amount || math.IsNaN(x.Amount) && math.IsNaN(e.Amount)) {
				return badInput(fmt.Errorf("%s of %s is noted already; add --what if there were two", e.Kind, e.At.UTC().Format(time.DateOnly)))
			}
		}
		if err := o.keep(c, r.Path(), e); err != nil {
			return err
		}
	}
	var b engineBook
	if err := b.addEvents(ctx, r, engine); err != nil {
		return err
	}
	if o.asJSON {
		if b.events == nil {
			b.events = []bookEventJSON{}
		}
		return writeJSON(c.OutOrStdout(), struct {
			Schema string          `json:"schema"`
			Engine string          `json:"engine"`
			Unit   string          `json:"unit"` // of odometers
			Events []bookEventJSON `json:"events"`
		}{eventSchema, engine.Label, engine.DistanceUnit, b.events})
	}
	return printEventList(c.OutOrStdout(), engine, b.events)
}

// event checks what is to be noted.
func (o eventFlags) event(engine ingest.Engine, kind string) (e ingest.Event, err error) {
	e = ingest.Event{EngineID: engine.ID, Kind: strings.ToLower(strings.TrimSpace(kind)), What: o.what, Amount: o.amount, Unit: o.unit, Odometer: o.odometer}
	switch {
	case e.Kind == "":
		return e, errors.New("KIND is empty: dose, filter, injector, repair, or a word of your own")
	case strings.ContainsAny(e.Kind, ",\n"):
		return e, fmt.Errorf("KIND is %q: one word or a few without commas", kind)
	case o.at == "":
		return e, errors.New("--at is missing: when it was done, such as 2026-03-10")
	case math.IsInf(o.amount, 0) || math.IsInf(o.odometer, 0) || o.odometer < 0:
		return e, fmt.Errorf("--amount %g, --odometer %g: give numbers, the odometer zero or more", o.amount, o.odometer)
	case (e.Kind == injectorKind) != (o.position != 0) || o.code != "" && e.Kind != injectorKind:
		return e, fmt.Errorf("--position and --code belong to the kind %s, which needs --position", injectorKind)
	case o.position != 0 && (o.position < 1 || o.position > engine.Injectors):
		return e, fmt.Errorf("--position is %d; %s has injectors 1 to %d", o.position, engine.Label, engine.Injectors)
	case o.position != 0 && (o.what != "" || o.unit != "" || !math.IsNaN(o.amount)):
		return e, errors.New("a fitted injector has no --what, --amount or --unit: give --code for what is marked on it")
	case o.unit == unitPosition:
		return e, fmt.Errorf("--unit %s is kept for fitted injectors: give another", unitPosition)
	}
	for _, layout := range []string{time.DateOnly, "2006-01-02T15:04Z07:00", time.RFC3339} {
		if e.At, err = time.Parse(layout, o.at); err == nil {
			break
		}
	}
	if err != nil {
		return e, fmt.Errorf("--at is %q: give a date such as 2026-03-10, or a time such as 2026-03-10T09:30Z", o.at)
	}
	if e.At.After(time.Now().AddDate(0, 0, 1)) { // a day's grace for time zones
		return e, fmt.Errorf("--at %s is in the future: note what was done when it is done, or correct this computer's clock", o.at)
	}
	if o.position != 0 {
		e.What, e.Amount, e.Unit = o.code, float64(o.position), unitPosition
	}
	return e, nil
}

// keep writes the event, and of a fitted injector the injector.
func (o eventFlags) keep(c *cobra.Command, path string, e ingest.Event) (err error) {
	st, err := store.Open(c.Context(), path, store.Options{})
	if errors.Is(err, store.ErrInUse) {
		return fmt.Errorf("%w; stop the daemon, note the event, and start it again", err)
	}
	if err != nil {
		return err
	}
	defer func() {
		if closing := st.Close(); err == nil {
			err = closing
		}
	}()
	if _, err := st.AddEvent(c.Context(), e); err != nil {
		return err
	}
	if o.position != 0 {
		_, err = st.AddInjector(c.Context(), ingest.Injector{EngineID: e.EngineID, Position: o.position, Code: o.code, Fitted: e.At})
	}
	return err
}

func printEventList(w io.Writer, engine ingest.Engine, events []bookEventJSON) error {
	if len(events) == 0 {
		_, err := fmt.Fprintf(w, "%s: nothing is noted\n", engine.Label)
		return err
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s, what was done\n\n", engine.Label)
	t := tabwriter.NewWriter(&b, 0, 0, 3, ' ', 0)
	fmt.Fprintf(t, "  date\t%s\tkind\twhat\n", engine.DistanceUnit)
	for _, e := range events {
		odometer, what := none, e.What
		if e.Odometer != nil {
			odometer = strconv.FormatFloat(*e.Odometer, 'f', -1, 64)
		}
		if e.Position > 0 {
			what = strings.TrimSpace(fmt.Sprintf("at position %d %s", e.Position, e.What))
		}
		if e.Amount != nil {
			what = strings.TrimPrefix(fmt.Sprintf("%s, %g %s", what, *e.Amount, e.Unit), ", ")
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\n", e.At[:len(time.DateOnly)], odometer, e.Kind, what)
	}
	t.Flush()
	_, err := io.WriteString(w, b.String())
	return err
}
