package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"brimline/analysis/report"
	"brimline/ingest"
	"brimline/ingest/store"
	"brimline/rig/calibrate"
)

const keptSchema = "brimline/calibrations/1"

// openKept opens the store for looking, also while the daemon writes it.
func openKept(ctx context.Context, o calibrateOptions) (*store.Reader, error) {
	dir := o.data
	if dir == "" {
		cfg, err := calibrateConfig(o)
		if err != nil {
			return nil, err
		}
		dir = cfg.Store.Dir
	}
	if o.sim {
		path := filepath.Join(dir, simStore)
		if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
			return nil, badInput(fmt.Errorf("%s holds no simulated store (%s): calibrate with --sim first", dir, simStore))
		}
		return store.OpenRead(ctx, path)
	}
	return openRead(ctx, dir)
}

// keptCertificates lists what was kept, or shows one.
func keptCertificates(ctx context.Context, args []string, o calibrateOptions, out io.Writer) error {
	r, err := openKept(ctx, o)
	if err != nil {
		return fmt.Errorf("calibrate: %w", err)
	}
	defer r.Close()
	channel := ""
	if len(args) == 1 {
		channel = args[0]
	}
	calibrations, err := r.Calibrations(ctx, channel)
	if err != nil {
		return fmt.Errorf("calibrate: %w", err)
	}
	checks, err := r.CalibrationChecks(ctx, channel)
	if err != nil {
		return fmt.Errorf("calibrate: %w", err)
	}
	if o.show != "" {
		return showKept(calibrations, checks, o, out)
	}
	return listKept(keptRows(calibrations, checks), channel, r.Path(), o, out)
}

// keptRow is one line of the list.
type keptRow struct {
	ID        string     `json:"id"`   // as --show takes it
	Kind      string     `json:"kind"` // "calibration" or "check"
	Channel   string     `json:"channel"`
	At        time.Time  `json:"at"`
	By        string     `json:"by"`
	Due       *time.Time `json:"due"`
	Says      string     `json:"says"`
	Simulated bool       `json:"simulated"`
}

func keptRows(calibrations []ingest.Calibration, checks []ingest.CalibrationCheck) []keptRow {
	rows := []keptRow{}
	for _, c := range calibrations {
		k := keptRow{ID: strconv.FormatInt(c.ID, 10), Kind: "calibration", Channel: c.Channel, At: c.At}
		v, u := report.FormatWithU(c.CountsPerGram, c.UCountsPerG)
		k.Says = fmt.Sprintf("%s counts/%s, u %s", v, c.Unit, u)
		var found calibrate.Certificate
		if json.Unmarshal(c.Certificate, &found) == nil {
			k.By, k.Due, k.Simulated = found.By, found.Due, found.Simulated
			if a := found.Assessment; a != nil {
				k.Says = fmt.Sprintf("%s counts/%s (95 %%)", plusMinus(c.CountsPerGram, a.KSpan*c.UCountsPerG), c.Unit)
			}
			if found.Forced {
				k.Says += ", kept against the limits"
			}
			if len(found.Points) == 0 {
				k.Says += ", stated, not measured"
			}
		}
		rows = append(rows, k)
	}
	for _, c := range checks {
		k := keptRow{ID: "k" + strconv.FormatInt(c.ID, 10), Kind: "check", Channel: c.Channel, At: c.At, Says: fmt.Sprintf("of calibration %d", c.CalibrationID)}
		var found calibrate.CheckCertificate
		if json.Unmarshal(c.Certificate, &found) == nil {
			k.By, k.Simulated = found.By, found.Simulated
			standing := "in tolerance"
			if !found.Check.InTolerance {
				standing = "OUT of tolerance"
			}
			k.Says = fmt.Sprintf("%s off by %+.3f g, tolerance ±%.3f g: %s, %s", found.Check.Load, found.Check.DifferenceG, found.Check.U95G, standing, k.Says)
		}
		rows = append(rows, k)
	}
	slices.SortStableFunc(rows, func(a, b keptRow) int { return a.At.Compare(b.At) })
	return rows
}

// foundWithLoads reports whether a calibration was found with loads, and not stated.
func foundWithLoads(c ingest.Calibration) bool {
	var found calibrate.Certificate
	return json.Unmarshal(c.Certificate, &found) == nil && len(found.Points) > 0
}

// calibrationDoubt says what a calibration's own certificate holds against its use at that
// time; empty: nothing.
func calibrationDoubt(c ingest.Calibration, at time.Time) string {
	var found calibrate.Certificate
	if json.Unmarshal(c.Certificate, &found) != nil {
		return ""
	}
	switch {
	case found.Forced:
		return fmt.Sprintf("channel %s: calibration %d was refused by the limits and kept all the same: its rates may be off by more than their ±; calibrate it anew", c.Channel, c.ID)
	case found.Due != nil && at.After(*found.Due):
		return fmt.Sprintf("channel %s: calibration %d was overdue, since %s: check it with a known mass", c.Channel, c.ID, found.Due.Format(time.DateOnly))
	}
	return ""
}

func listKept(rows []keptRow, channel, path string, o calibrateOptions, out io.Writer) error {
	if o.asJSON {
		return writeJSON(out, struct {
			Schema string    `json:"schema"`
			Store  string    `json:"store"`
			Kept   []keptRow `json:"kept"`
		}{keptSchema, path, rows})
	}
	if len(rows) == 0 {
		of := "no channel"
		if channel != "" {
			of = "no channel " + channel
		}
		_, err := fmt.Fprintf(out, "%s has been calibrated in %s yet: brimline calibrate CHANNEL\n", strings.ToUpper(of[:1])+of[1:], path)
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "no.\tchannel\twhen\tby\twhat\tdue")
	now := o.now()
	for _, k := range rows {
		due := ""
		if k.Due != nil {
			due = k.Due.Format("2006-01-02")
			if now.After(*k.Due) {
				due += " overdue"
			}
		}
		says := k.Says
		if k.Simulated {
			says += " (simulated)"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", k.ID, k.Channel, k.At.Format("2006-01-02 15:04"), k.By, says, due)
	}
	return w.Flush()
}

// showKept prints one certificate as it was kept, and writes its page if asked.
func showKept(calibrations []ingest.Calibration, checks []ingest.CalibrationCheck, o calibrateOptions, out io.Writer) error {
	var text []byte
	var id int64
	for _, c := range calibrations {
		if strconv.FormatInt(c.ID, 10) == o.show {
			text, id = c.Certificate, c.ID
		}
	}
	for _, c := range checks {
		if "k"+strconv.FormatInt(c.ID, 10) == o.show {
			text = c.Certificate
		}
	}
	if text == nil {
		return badInput(fmt.Errorf("calibrate: --show %s: no certificate of that number: --list shows those there are (3, or k3 for a check)", o.show))
	}
	if o.printable == "" {
		var v any
		if err := json.Unmarshal(text, &v); err != nil {
			return fmt.Errorf("calibrate: --show %s: the certificate is damaged: %w", o.show, err)
		}
		return writeJSON(out, json.RawMessage(text))
	}
	var c calibrate.Certificate
	if err := json.Unmarshal(text, &c); err != nil {
		return fmt.Errorf("calibrate: --show %s: the certificate is damaged: %w", o.show, err)
	}
	if id == 0 || len(c.Points) == 0 {
		return badInput(fmt.Errorf("calibrate: --show %s: it holds no readings to print: leave --certificate out to see what was kept", o.show))
	}
	if c.Assessment == nil { // kept before it was part of a certificate
		a, err := calibrate.Assess(c.Points, c.Line, calibrate.Creep{}, calibrate.DefaultLimits())
		if err != nil {
			return fmt.Errorf("calibrate: --show %s: %w", o.show, err)
		}
		c.Assessment = &a
	}
	if err := writeCertificate(o.printable, c, id); err != nil {
		return fmt.Errorf("calibrate: %w", err)
	}
	_, err := fmt.Fprintf(out, "Certificate of %s, no. %d: %s (open it in a browser to print it)\n", c.Channel, id, o.printable)
	return err
}

// writeCertificate writes the page; id 0 is a calibration that was not kept.
func writeCertificate(path string, c calibrate.Certificate, id int64) (err error) {
	f, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("writing the certificate %s: %w: choose another place; what was kept can be printed with --show", path, err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return report.RenderCertificate(f, printed(c, id))
}

// propertiesOf is an assessment's table; what was not measured is NaN.
func propertiesOf(a *calibrate.Assessment, unit string) []report.CertificateProperty {
	row := func(name string, x *calibrate.Amount, limitPct float64, says string) report.CertificateProperty {
		p := report.CertificateProperty{Name: name, G: math.NaN(), Pct: math.NaN(), LimitPct: limitPct}
		if x != nil {
			p.G, p.Pct, p.Says = x.G, x.Pct, says
			if says == "" {
				p.Says = fmt.Sprintf("at %.4g %s", x.AtG, unit)
			}
		}
		return p
	}
	l := a.Limits
	return []report.CertificateProperty{
		row("Linearity", &a.Linearity, l.LinearityPct, ""),
		row("Hysteresis", a.Hysteresis, l.HysteresisPct, ""),
		row("Repeatability", a.Repeatability, l.RepeatabilityPct, fmt.Sprintf("sd of one load, %.0f df", a.DFRepeat)),
		row("Creep", a.Creep, l.CreepPct, fmt.Sprintf("in %.0f s under the top load", a.HoldS)),
		row("Return to zero", a.ZeroReturn, l.ZeroReturnPct, "end against beginning"),
	}
}

// printed puts a certificate into the report's plain numbers.
func printed(c calibrate.Certificate, id int64) report.Certificate {
	a, l := c.Assessment, c.Line
	unit := l.Unit
	if unit == "" {
		unit = "g"
	}
	out := report.Certificate{
		Channel: c.Channel, Bench: c.Bench, Sensor: c.Sensor, Simulated: c.Simulated, At: c.At, By: c.By, TempC: math.NaN(),
		With:          calibratePlan{water: c.Water}.with(c.MassClass),
		CountsPerGram: l.Span, U95: a.KSpan * l.USpan, K: a.KSpan, DF: a.DFSpan, ZeroCounts: l.Zero, UZeroCounts: l.UZero,
		UReadings: l.USpanFit, UMasses: l.USpanMass, UBend: l.USpanBend, FromG: l.FromG, ToG: l.ToG, Properties: propertiesOf(a, unit), Unit: unit,
		LimitG: a.Limits.LinearityPct/100*a.SpanG + a.ToleranceG, Steady: c.Steady, Version: c.Program,
	}
	if id > 0 {
		out.Number = strconv.FormatInt(id, 10)
	}
	if c.TempC != nil {
		out.TempC = *c.TempC
	}
	if c.Due != nil {
		out.Due = *c.Due
	}
	switch {
	case c.Forced:
		out.Poor = "Refused by the limits, and kept all the same: do not rest a finding on it."
	case a.Refused():
		out.Poor = "Refused: not kept, and not to be used."
	}
	if n := len(c.Tube); n > 0 {
		out.Remarks = append(out.Remarks, fmt.Sprintf("The tube's table has %d rows from %.4g mm, %.4g mL to %.4g mm, %.4g mL (u %.2g mL).", n,
			c.Tube[0].LevelMM, c.Tube[0].VolumeML, c.Tube[n-1].LevelMM, c.Tube[n-1].VolumeML, c.TubeUML))
	}
	if c.Note != "" {
		out.Remarks = append(out.Remarks, "Note: "+c.Note)
	}
	for _, r := range a.Remarks {
		text, _, _ := strings.Cut(r.Says, " (--") // on paper an option is no help
		says := strings.ToUpper(text[:1]) + text[1:] + "."
		if r.Refuse {
			says = "Refused: " + r.Says + "."
		}
		out.Remarks = append(out.Remarks, says)
	}
	for i, p := range c.Points {
		out.Points = append(out.Points, report.CertificatePoint{Load: p.Load, MassG: p.MassG, MPEG: p.MPEG, Cycle: p.Cycle, Down: p.Down,
			Counts: p.Counts, U: p.UMean, ResidualG: l.Residuals[i] / l.Span})
	}
	const steps = 20
	for i := range steps + 1 {
		g := l.FromG + (l.ToG-l.FromG)*float64(i)/steps
		_, u := l.Counts(g)
		out.BandG = append(out.BandG, report.BandPoint{MassG: g, U95G: a.KSpan * u / math.Abs(l.Span)})
	}
	return out
}

// plusMinus writes a value with its uncertainty's digits.
func plusMinus(value, u float64) string {
	v, w := report.FormatWithU(value, u)
	return v + " ± " + w
}
